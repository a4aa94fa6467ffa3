"""What is mixed: powder, elastomer, how the particles sit in it, what contacts conduct."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from percsim.materials.elastomer import Elastomer, Material, load_material
from percsim.materials.filler import Filler, Orientation
from percsim.materials.sizes import SizeDistribution
from percsim.particles.placement import Clusters
from percsim.plan.readers import TEXT, Choice, Number, Quantity
from percsim.plan.sections.ranges import CONDUCTANCE, CURE, MIX_RATIO
from percsim.plan.sections.section import Section, key, usual
from percsim.plan.tables import (
    ASPECT_RATIO,
    PARTICLE_SIZE,
    SIZES,
    AspectRatio,
    Sizes,
    Stated,
    StatedAs,
)

__all__ = ["ContactsSection", "ElastomerSection", "FillerSection", "PlacementSection"]


def _known(name: str | None, kind: str) -> Material | None:
    """Material of a kind that a data file holds under a name."""
    try:
        material = load_material(name or "")
    except ValueError:
        return None
    return material if material.kind == kind else None


@dataclass(frozen=True, slots=True, kw_only=True)
class FillerSection(Section):
    """The conductive powder; write [[filler]] once for each of several powders mixed."""

    material: str | None = key(TEXT, "graphite flake")
    """Name in percsim's data files; density, thermal expansion, size and aspect ratio then
    have typical values for what you leave out. Leave it out for a powder of your own.
    """

    kind: str | None = key(Choice("flake", "rod", "sphere"), "flake")
    """Shape of the particles. Default: the material's, else flake."""

    density: float | None = key(
        Quantity("density", "500 kg/m3", "25000 kg/m3"), "2250 kg/m3"
    )
    """Density of the solid particle, not of the heaped powder. Default: the material's."""

    diameter: Sizes | None = key(SIZES, {"median": "10 um", "geometric_spread": 1.5})
    """Lateral size of flakes, edge included, or diameter of spheres: the median by number
    with the geometric spread (1.5: 68 % lie within x/ 1.5) or the spread of ln D (0.405);
    or d10, d50 and d90 by volume as a laser diffraction sheet gives them; or one size.
    Log-normal, cut at three spreads either side. Or a measured histogram, { csv =
    "powder.csv", weighting = "volume" } (or "number"), from a file beside the plan with
    columns lower_um, upper_um and share, a bin a row. Each table also takes sieve = "2 um
    to 50 um", the meshes the powder passed and stayed on. Default: the material's.
    """

    length: Sizes | None = key(SIZES, {"median": "20 um", "geometric_spread": 1.3})
    """Length of rods without their end caps, written like diameter. Default: the
    material's.
    """

    aspect_ratio: AspectRatio | None = key(ASPECT_RATIO, 15)
    """Diameter over thickness of a flake, length over diameter of a rod, the same for all
    sizes. It sets the threshold more than anything else: measure it if you can, and then
    write { value = 15, basis = "measured" }. Where it differs from particle to particle, {
    median = 15, geometric_spread = 1.3 }: log-normal, independent of the size. Default: the
    material's.
    """

    thickness: Stated | None = key(
        StatedAs(Quantity("length", "0.3 nm", "1 mm", "um")), "0.7 um"
    )
    """Instead of an aspect ratio: thickness of a flake or diameter of a rod, the same for
    all sizes.
    """

    orientation: str = usual(Choice("isotropic", "in-plane", "aligned"), "isotropic")
    """How the particles lie: isotropic in every direction; in-plane flakes flat and rods in
    the plane of the film; aligned rods along the current.
    """

    tilt: float = usual(Quantity("angle", "0 deg", "54 deg"), "0 deg")
    """Root mean square angle out of that arrangement, for in-plane and aligned."""

    order: float | None = key(Number(-0.5, 1.0), 0.8)
    """Instead of a tilt, for in-plane or aligned flakes and aligned rods: order parameter
    (3 <cos^2> - 1)/2 of flake normals about the thickness, of rods about the current. 1 is
    perfect, 0 isotropic, below 0 turned away from it. boxes.csv has the order as it came
    out.
    """

    thermal_expansion: float | None = key(
        Quantity("expansion", "-50 ppm/K", "500 ppm/K"), "8 ppm/K"
    )
    """Linear thermal expansion, mean of the directions. Default: the material's, else 0."""

    share: float | None = key(Quantity("fraction", "0.01 %", "100 %"), "90 %")
    """Share of this filler in the mass of all fillers; needed when there are several."""

    name: str | None = key(TEXT, "milled flake")
    """What the weigh-out sheet calls it. Default: the material's name, else the kind."""

    def shape(self) -> str:
        """Kind of particle: as said, else the material's, else flake."""
        own = load_material(self.material).shape if self.material else "flake"
        return self.kind or own

    def filler(self) -> Filler:
        """Filler of the section, what it leaves out taken from its material."""
        material = load_material(self.material) if self.material else None
        kind = self.shape()
        sizes = self.length if kind == "rod" else self.diameter
        if sizes is not None:
            size = sizes.distribution()
        elif material is not None:
            size = SizeDistribution(material["size"].value, material["spread"].value)
        else:
            raise ValueError("size is missing")
        thickness = self.thickness.value if self.thickness else None
        aspect = self.aspect_ratio.distribution() if self.aspect_ratio else None
        density, expansion, name = self.density, self.thermal_expansion, self.name
        if material is not None:
            if kind != "sphere" and aspect is None and thickness is None:
                aspect = material["aspect_ratio"].value
            density = material.density if density is None else density
            if expansion is None:
                expansion = material["thermal_expansion"].value
            name = name or material.name
        lie = Orientation(self.orientation, self.tilt)
        if self.order is not None:
            # in-plane flakes are aligned ones: their normals are about the thickness axis
            lie = Orientation("aligned", order=self.order)
        return Filler(
            kind, density or 0.0, size, thickness, aspect, lie, name or kind,
            expansion or 0.0,
        )  # fmt: skip

    def known(self) -> Material | None:
        """Material whose data file tells of the powder: the one named, or called so.

        So a carbon black does not look foreseeable for having its size written out.
        """
        return _known(self.material or self.name, "filler")


@dataclass(frozen=True, slots=True, kw_only=True)
class ElastomerSection(Section):
    """The two-part elastomer that is cast."""

    material: str | None = key(TEXT, "addition-cure silicone")
    """Name in percsim's data files. Leave it out for an elastomer of your own."""

    density: float | None = key(
        Quantity("density", "500 kg/m3", "3000 kg/m3"), "1030 kg/m3"
    )
    """Density of the cured, unfilled elastomer. Default: the material's."""

    mix_ratio: float | None = key(MIX_RATIO, "7:1")
    """Base to curing agent by mass. Default: the material's, else 10:1."""

    thermal_expansion: float | None = key(
        Quantity("expansion", "10 ppm/K", "1000 ppm/K"), "310 ppm/K"
    )
    """Linear thermal expansion. Default: the material's, else 310 ppm/K."""

    poisson_ratio: float | None = key(Number(0.3, 0.5), 0.495)
    """Poisson ratio; used when the film is free. Default: the material's, else 0.495."""

    cure_temperature: float | None = key(CURE, "100 C")
    """Temperature of the cure, for the stiffness of the layers alone. Default: not said,
    the stiffness follows from the mix ratio.
    """

    modulus: Stated | None = key(
        StatedAs(Quantity("pressure", "1 kPa", "10 GPa")), "2.9 MPa"
    )
    """Young's modulus of the cured, unfilled elastomer; also { value = ..., basis =
    "measured", source = "..." }. Default: from mix ratio and cure, by the material's data,
    else by those of an addition-cure silicone.
    """

    name: str | None = key(TEXT, "two-part silicone")
    """What the weigh-out sheet calls it. Default: the material's name, else elastomer."""

    def elastomer(self) -> Elastomer:
        """Elastomer of the section, what it leaves out taken from its material."""
        usual: dict[str, Any] = {
            "density": None, "mix_ratio": 10.0, "thermal_expansion": 3.1e-4,
            "poisson_ratio": 0.495, "name": "elastomer",
        }  # fmt: skip
        if self.material:
            material = load_material(self.material)
            usual |= {k: p.value for k, p in material.properties.items() if k in usual}
            usual["name"] = material.name
        own = {k: getattr(self, k) for k in usual}
        return Elastomer(**usual | {k: v for k, v in own.items() if v is not None})

    def known(self) -> Material | None:
        """Material whose data file tells of it: the one named, or called so."""
        return _known(self.material or self.name, "elastomer")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementSection(Section):
    """How the particles sit in the rubber: overlapping or hard, well or badly dispersed.

    Left out, they are dispersed at random and may overlap.
    """

    impenetrable: float = usual(Number(0.0, 1.0), 0.0)
    """Share of the thickness of a particle that no other one enters; the rest may overlap,
    which makes a contact. At 0 particles overlap freely, quick to place and right for small
    loadings. Hard flakes of aspect ratio 15 to 20 can be placed up to 32 vol% and somewhat
    beyond; a box then takes five to twenty times as long, and far longer near the limit.
    """

    clustered: float = usual(Quantity("fraction", "0 %", "100 %"), "0 %")
    """Share of the particles that sit in round agglomerates, from poor dispersion."""

    cluster_diameter: float | None = key(
        Quantity("length", "10 nm", "10 mm", "um"), "40 um"
    )
    """Diameter of an agglomerate, the centres of its particles; needed when some are
    clustered.
    """

    cluster_solids: float = usual(Number(0.01, 2.0), 0.3)
    """Volume of the particles of an agglomerate over its own volume: above the film's share
    of particles by volume, and for hard ones below about 0.6.
    """

    faces: str = usual(Choice("free", "confining"), "free")
    """Top and bottom of a film no thicker than 1.5 of the longest boxes: free, particles
    may be cut by them; confining, they lie wholly inside. Thicker films are simulated
    without faces.
    """

    def clusters(self) -> Clusters | None:
        """Agglomerates, if there are any."""
        if self.clustered == 0.0 or self.cluster_diameter is None:
            return None
        return Clusters(self.clustered, self.cluster_diameter, self.cluster_solids)


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactsSection(Section):
    """What a contact between two particles conducts.

    A plain value counts as assumed; a table, { value = ..., basis = "measured",
    source = "..." }, says where it comes from. With factor = 3 in the table 95 % of what
    it may be lies within three times either way; low = ... and high = ... are limits
    instead. A measured value without either is held.
    """

    model: str = usual(Choice("opening", "affine"), "opening")
    """opening: contacts pressed together at closed_at open with strain and temperature, for
    micron-sized fillers. affine: particles move with the film and tunnel across absolute
    gaps, for nano-sized fillers and for comparison.
    """

    g0: Stated | None = key(StatedAs(CONDUCTANCE), "80 uS")
    """Conductance of a closed contact at 20 C; it sets only the level of the resistance.
    Only for model = 'opening'. Default: the material's, else 80 uS, which then stands for
    any level.
    """

    beta: Stated = usual(StatedAs(Number(0.0, 100_000.0)), 100)
    """Decay of a contact as it opens, per opening over opening_length. Only for model =
    'opening'.
    """

    delta_b: Stated = usual(StatedAs(Number(1e-06, 1000.0)), 0.01)
    """Opening over opening_length at which half of the contacts are broken. Only for model
    = 'opening'.
    """

    opening_length: float | None = key(PARTICLE_SIZE, "10 um")
    """Length that beta and delta_b count openings in, the same for every contact and every
    size under [explore]. Default: the number median of the coarsest filler, as sieved. Only
    for model = 'opening'.
    """

    closed_at: Stated | None = key(
        StatedAs(Quantity("temperature", "-200 C", "400 C")), "-40 C"
    )
    """Temperature at which the contacts are pressed shut, the reference state; unless
    measured, known on day one within 30 K either way. Default: 20 K below the coldest
    temperature of the plan.
    """

    lambda_T: Stated = usual(StatedAs(Number(0.0, 1.0)), 0.3)  # noqa: N815
    """Share of the thermal expansion that reaches the contacts."""

    Ea: Stated = usual(StatedAs(Quantity("energy", "0 meV", "1000 meV")), "10 meV")
    """Activation energy of the resistance; above 0 it falls on heating. Only for model =
    'opening'.
    """

    reclose: Stated | None = key(StatedAs(Number(0.0, 1.0)), 0.6)
    """Share of the opening that broke a contact at or below which it closes again. Default:
    not stated, which counts as 1 as planned and as 0.1 to 1 on day one. Only for model =
    'opening', as the next three.
    """

    healed: Stated | None = key(StatedAs(Number(1e-06, 1.0)), 0.6)
    """Share of its conductance that a contact has once it broke and closed again. Default:
    not stated, 1 as planned and 0.1 to 1 on day one.
    """

    recovery: Stated | None = key(StatedAs(Number(0.0, 1.0)), 0.0)
    """Share of scars, and of the way back to closing, that returns at rest for each factor
    e of time beyond 0.1 s. Default: 0, and held there.
    """

    relaxed: Stated | None = key(StatedAs(Number(0.0, 0.036)), 0.01)
    """Share of a strain that the contacts no longer feel for each factor e of time beyond
    0.1 s. Default: not stated, 0 as planned and 0.001 to 0.035 on day one.
    """

    electrode_conductance: Stated | None = key(StatedAs(CONDUCTANCE), "80 uS")
    """Conductance between an electrode and one particle that reaches it, at 20 C. Default:
    that of a closed contact, g0; with model = 'affine' 80 uS. It adds a resistance at the
    electrodes, not one per length.
    """

    cutoff: float | None = key(Quantity("length", "0 nm", "100 um", "nm"), "0 nm")
    """Longest gap between two particles that counts as a contact. Default: 0 nm, particles
    that touch; with impenetrable particles 2 % of the median thickness of the thinnest
    filler (common practice, no source), since placement leaves wholly impenetrable ones
    apart: flakes at 32 vol% then have 2.6 to 4.0 contacts each, at 0 nm none; with model =
    'affine' 2 nm.
    """

    barrier_height: Stated = usual(
        StatedAs(Quantity("energy", "0.01 eV", "10 eV", "eV")), "1 eV"
    )
    """Height of the tunnelling barrier. Only for model = 'affine'."""

    contact_area: Stated = usual(StatedAs(Quantity("area", "0.1 nm2", "1 mm2")), "100 nm2")
    """Area of a tunnelling contact. Only for model = 'affine'."""
