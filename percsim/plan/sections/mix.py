"""What is mixed: powder, elastomer, how the particles sit in it, what contacts conduct."""

from __future__ import annotations

from typing import Annotated

from percsim.plan.powder import AspectRatio, AspectRatioReader, Sizes, SizesReader
from percsim.plan.readers import (
    Choice,
    Number,
    Quantity,
    Stated,
    StatedAs,
    Text,
)
from percsim.plan.sections.section import Section, key

__all__ = ["ContactsSection", "ElastomerSection", "FillerSection", "PlacementSection"]


class FillerSection(Section):
    """The conductive powder; write [[filler]] once for each of several powders mixed."""

    material: Annotated[str, Text()] | None = key(
        "Name in percsim's data files; density, thermal expansion, size and aspect ratio"
        " then have typical values for what you leave out. Leave it out for a powder of"
        " your own.",
        None,
        example="graphite flake",
    )
    kind: Annotated[str, Choice("flake", "rod", "sphere")] | None = key(
        "Shape of the particles. Default: the material's, else flake.",
        None,
        example="flake",
    )
    density: (
        Annotated[float, Quantity("density", "kg/m3", "500 kg/m3", "25000 kg/m3")] | None
    ) = key(
        "Density of the solid particle, not of the heaped powder. Default: the material's.",
        None,
        example="2250 kg/m3",
    )
    diameter: Annotated[Sizes, SizesReader()] | None = key(
        "Lateral size of flakes, edge included, or diameter of spheres: the median by"
        " number with the geometric spread (1.5: 68 % lie within x/ 1.5) or the spread of"
        " ln D (0.405); or d10, d50 and d90 by volume as a laser diffraction sheet gives"
        " them; or one size. Log-normal, cut at three spreads either side. Or a measured"
        ' histogram, { csv = "powder.csv", weighting = "volume" } (or "number"), from a'
        " file beside the plan with columns lower_um, upper_um and share, a bin a row. Each"
        ' table also takes sieve = "2 um to 50 um", the meshes the powder passed and'
        " stayed on. Default: the material's.",
        None,
        example={"median": "10 um", "geometric_spread": 1.5},
    )
    length: Annotated[Sizes, SizesReader()] | None = key(
        "Length of rods without their end caps, written like diameter. Default: the"
        " material's.",
        None,
        example={"median": "20 um", "geometric_spread": 1.3},
    )
    aspect_ratio: Annotated[AspectRatio, AspectRatioReader()] | None = key(
        "Diameter over thickness of a flake, length over diameter of a rod, the same for"
        " all sizes. It sets the threshold more than anything else: measure it if you can,"
        ' and then write { value = 15, basis = "measured" }. Where it differs from particle'
        " to particle, { median = 15, geometric_spread = 1.3 }: log-normal, independent of"
        " the size. Default: the material's.",
        None,
        example=15,
    )
    thickness: (
        Annotated[Stated, StatedAs(Quantity("length", "um", "0.3 nm", "1 mm"))] | None
    ) = key(
        "Instead of an aspect ratio: thickness of a flake or diameter of a rod, the same"
        " for all sizes.",
        None,
        example="0.7 um",
    )
    orientation: Annotated[str, Choice("isotropic", "in-plane", "aligned")] = key(
        "How the particles lie: isotropic in every direction; in-plane flakes flat and"
        " rods in the plane of the film; aligned rods along the current.",
        "isotropic",
    )
    tilt: Annotated[float, Quantity("angle", "deg", "0 deg", "54 deg")] = key(
        "Root mean square angle out of that arrangement, for in-plane and aligned.", "0 deg"
    )
    order: Annotated[float, Number(-0.5, 1.0)] | None = key(
        "Instead of a tilt, for in-plane or aligned flakes and aligned rods: order"
        " parameter (3 <cos^2> - 1)/2 of flake normals about the thickness, of rods about"
        " the current. 1 is perfect, 0 isotropic, below 0 turned away from it. boxes.csv"
        " has the order as it came out.",
        None,
        example=0.8,
    )
    thermal_expansion: (
        Annotated[float, Quantity("expansion", "ppm/K", "-50 ppm/K", "500 ppm/K")] | None
    ) = key(
        "Linear thermal expansion, mean of the directions. Default: the material's, else"
        " 0.",
        None,
        example="8 ppm/K",
    )
    share: Annotated[float, Quantity("fraction", "%", "0.01 %", "100 %")] | None = key(
        "Share of this filler in the mass of all fillers; needed when there are several.",
        None,
        example="90 %",
    )
    name: Annotated[str, Text()] | None = key(
        "What the weigh-out sheet calls it. Default: the material's name, else the kind.",
        None,
        example="milled flake",
    )


class ElastomerSection(Section):
    """The two-part elastomer that is cast."""

    material: Annotated[str, Text()] | None = key(
        "Name in percsim's data files. Leave it out for an elastomer of your own.",
        None,
        example="addition-cure silicone",
    )
    density: (
        Annotated[float, Quantity("density", "kg/m3", "500 kg/m3", "3000 kg/m3")] | None
    ) = key(
        "Density of the cured, unfilled elastomer. Default: the material's.",
        None,
        example="1030 kg/m3",
    )
    mix_ratio: Annotated[float, Quantity("ratio", ":1", "1:1", "100:1")] | None = key(
        "Base to curing agent by mass. Default: the material's, else 10:1.",
        None,
        example="7:1",
    )
    thermal_expansion: (
        Annotated[float, Quantity("expansion", "ppm/K", "10 ppm/K", "1000 ppm/K")] | None
    ) = key(
        "Linear thermal expansion. Default: the material's, else 310 ppm/K.",
        None,
        example="310 ppm/K",
    )
    poisson_ratio: Annotated[float, Number(0.3, 0.5)] | None = key(
        "Poisson ratio; used when the film is free. Default: the material's, else 0.495.",
        None,
        example=0.495,
    )
    cure_temperature: (
        Annotated[float, Quantity("temperature", "C", "0 C", "250 C")] | None
    ) = key(
        "Temperature of the cure, for the stiffness of the layers alone. Default: not"
        " said, the stiffness follows from the mix ratio.",
        None,
        example="100 C",
    )
    modulus: (
        Annotated[Stated, StatedAs(Quantity("pressure", "MPa", "1 kPa", "10 GPa"))] | None
    ) = key(
        "Young's modulus of the cured, unfilled elastomer; also { value = ..., basis ="
        ' "measured", source = "..." }. Default: from mix ratio and cure, by the'
        " material's data, else by those of an addition-cure silicone.",
        None,
        example="2.9 MPa",
    )
    name: Annotated[str, Text()] | None = key(
        "What the weigh-out sheet calls it. Default: the material's name, else elastomer.",
        None,
        example="two-part silicone",
    )


class PlacementSection(Section):
    """How the particles sit in the rubber: overlapping or hard, well or badly dispersed.

    Left out, they are dispersed at random and may overlap.
    """

    impenetrable: Annotated[float, Number(0.0, 1.0)] = key(
        "Share of the thickness of a particle that no other one enters; the rest may"
        " overlap, which makes a contact. At 0 particles overlap freely, quick to place"
        " and right for small loadings. Hard flakes of aspect ratio 15 to 20 can be placed"
        " up to 32 vol% and somewhat beyond; a box then takes five to twenty times as long,"
        " and far longer near the limit.",
        0.0,
    )
    clustered: Annotated[float, Quantity("fraction", "%", "0 %", "100 %")] = key(
        "Share of the particles that sit in round agglomerates, from poor dispersion.",
        "0 %",
    )
    cluster_diameter: (
        Annotated[float, Quantity("length", "um", "10 nm", "10 mm")] | None
    ) = key(
        "Diameter of an agglomerate, the centres of its particles; needed when some are"
        " clustered.",
        None,
        example="40 um",
    )
    cluster_solids: Annotated[float, Number(0.01, 2.0)] = key(
        "Volume of the particles of an agglomerate over its own volume: above the film's"
        " share of particles by volume, and for hard ones below about 0.6.",
        0.3,
    )
    faces: Annotated[str, Choice("free", "confining")] = key(
        "Top and bottom of a film no thicker than 1.5 of the longest boxes: free, particles"
        " may be cut by them; confining, they lie wholly inside. Thicker films are"
        " simulated without faces.",
        "free",
    )


class ContactsSection(Section):
    """What a contact between two particles conducts.

    A plain value counts as assumed; a table, { value = ..., basis = "measured",
    source = "..." }, says where it comes from. With factor = 3 in the table 95 % of what
    it may be lies within three times either way; low = ... and high = ... are limits
    instead. A measured value without either is held.
    """

    model: Annotated[str, Choice("opening", "affine")] = key(
        "opening: contacts pressed together at closed_at open with strain and"
        " temperature, for micron-sized fillers. affine: particles move with the film and"
        " tunnel across absolute gaps, for nano-sized fillers and for comparison.",
        "opening",
    )
    g0: (
        Annotated[Stated, StatedAs(Quantity("conductance", "uS", "1 pS", "1000 S"))] | None
    ) = key(
        "Conductance of a closed contact at 20 C; it sets only the level of the"
        " resistance. Only for model = 'opening'. Default: the material's, else 80 uS,"
        " which then stands for any level.",
        None,
        example="80 uS",
    )
    beta: Annotated[Stated, StatedAs(Number(0.0, 100_000.0))] = key(
        "Decay of a contact as it opens, per opening over opening_length. Only for model ="
        " 'opening'.",
        100,
    )
    delta_b: Annotated[Stated, StatedAs(Number(1e-6, 1000.0))] = key(
        "Opening over opening_length at which half of the contacts are broken. Only for"
        " model = 'opening'.",
        0.01,
    )
    opening_length: Annotated[float, Quantity("length", "um", "1 nm", "10 mm")] | None = (
        key(
            "Length that beta and delta_b count openings in, the same for every contact and"
            " every size under [explore]. Default: the number median of the coarsest"
            " filler, as sieved. Only for model = 'opening'.",
            None,
            example="10 um",
        )
    )
    closed_at: (
        Annotated[Stated, StatedAs(Quantity("temperature", "C", "-200 C", "400 C"))] | None
    ) = (
        key(
            "Temperature at which the contacts are pressed shut, the reference state."
            " Default: 20 K below the coldest temperature of the plan.",
            None, example="-40 C",
        )
    )  # fmt: skip
    lambda_T: Annotated[Stated, StatedAs(Number(0.0, 1.0))] = key(  # noqa: N815
        "Share of the thermal expansion that reaches the contacts.", 0.3
    )
    Ea: Annotated[Stated, StatedAs(Quantity("energy", "meV", "0 meV", "1000 meV"))] = key(
        "Activation energy of the resistance; above 0 it falls on heating. Only for"
        " model = 'opening'.",
        "10 meV",
    )
    electrode_conductance: (
        Annotated[Stated, StatedAs(Quantity("conductance", "uS", "1 pS", "1000 S"))] | None
    ) = key(
        "Conductance between an electrode and one particle that reaches it, at 20 C."
        " Default: that of a closed contact, g0; with model = 'affine' 80 uS. It adds a"
        " resistance at the electrodes, not one per length.",
        None,
        example="80 uS",
    )
    cutoff: Annotated[float, Quantity("length", "nm", "0 nm", "100 um")] | None = key(
        "Longest gap between two particles that counts as a contact. Default: 0 nm,"
        " particles that touch; with impenetrable particles 2 % of the median thickness of"
        " the thinnest filler (common practice, no source), since placement leaves wholly"
        " impenetrable ones apart: flakes at 32 vol% then have 2.6 to 4.0 contacts each, at"
        " 0 nm none; with model = 'affine' 2 nm.",
        None,
        example="0 nm",
    )
    barrier_height: Annotated[
        Stated, StatedAs(Quantity("energy", "eV", "0.01 eV", "10 eV"))
    ] = key("Height of the tunnelling barrier. Only for model = 'affine'.", "1 eV")
    contact_area: Annotated[
        Stated, StatedAs(Quantity("area", "nm2", "0.1 nm2", "1 mm2"))
    ] = key("Area of a tunnelling contact. Only for model = 'affine'.", "100 nm2")
