"""What is cast and what it sits on: film, sheet, part, strain and temperature."""

from __future__ import annotations

from typing import Annotated

from percsim.plan.readers import (
    Choice,
    Flag,
    Many,
    Number,
    Quantity,
    Stated,
    StatedAs,
    Text,
    Window,
)
from percsim.plan.sections.section import Section, key

__all__ = [
    "FilmSection",
    "PartSection",
    "SheetSection",
    "StrainSection",
    "TemperatureSection",
]


class FilmSection(Section):
    """The cast film."""

    thickness: Annotated[float, Quantity("length", "mm", "1 um", "20 mm")] = key(
        "Dry thickness.", example="0.2 mm"
    )
    width: Annotated[float, Quantity("length", "mm", "0.01 mm", "1000 mm")] = key(
        "Width across the current; bars cover all of it.", example="6 mm"
    )
    length: Annotated[float, Quantity("length", "mm", "0.01 mm", "10000 mm")] = key(
        "Whole length along the current; the electrode gaps to try must fit into it.",
        example="16 mm",
    )
    cast: Annotated[str, Choice("drawn", "drop")] = key(
        "How it is cast: drawn down with a blade or frame, or drop-cast. It sets the"
        " default thickness tolerance.",
        "drawn",
    )
    modulus: (
        Annotated[Stated, StatedAs(Quantity("pressure", "MPa", "1 kPa", "100 GPa"))] | None
    ) = key(
        "Young's modulus of the filled film, written like that of the elastomer; used with"
        " a sheet or a part. Default: the elastomer's and what the filler adds.",
        None,
        example="16 MPa",
    )
    layout: Annotated[str, Choice("bars", "end plates", "fingers", "four-terminal")] = key(
        "Electrodes: two parallel bars across the film; plates on its end faces;"
        " interdigitated fingers, whose gaps conduct side by side; or four bars, the"
        " outer two driving the current and the inner two sensing, so that no contact"
        " adds to the reading.",
        "bars",
    )
    electrodes: Annotated[str, Choice("embedded", "surface")] | None = key(
        "Whether bars and fingers go through the thickness of the film, or lie on its top"
        " or bottom face, where the current crowds at their edges. Default: embedded, with"
        " layout = 'four-terminal' surface.",
        None,
        example="surface",
    )
    electrode_length: (
        Annotated[float, Quantity("length", "mm", "1 um", "1000 mm")] | None
    ) = key(
        "Length of each bar or finger along the current; needed for fingers and"
        " four-terminal. Default: of bars, long enough for all the current.",
        None,
        example="2 mm",
    )
    fingers: Annotated[int, Number(2, 10_000, whole=True)] | None = key(
        "Fingers of both combs together. Only for layout = 'fingers'.", None, example=6
    )
    overlap: Annotated[float, Quantity("length", "mm", "1 um", "1000 mm")] | None = key(
        "Length over which the fingers of the two combs lie side by side. Only for"
        " layout = 'fingers'. Default: the whole width.",
        None,
        example="5 mm",
    )
    sense_spacing: Annotated[float, Quantity("length", "mm", "1 um", "1000 mm")] | None = (
        key(
            "Free length between a driving and a sensing bar. Only for layout ="
            " 'four-terminal', where it is needed.",
            None,
            example="1 mm",
        )
    )
    contact_resistivity: Annotated[
        float,
        Quantity("contact_resistivity", "ohm cm2", "0 ohm cm2", "1e6 ohm cm2"),
    ] = key(
        "Of the interface between electrode and film, as a transfer-length measurement"
        " gives it, beyond the contacts of single particles.",
        "0 ohm cm2",
    )
    near_threshold: Annotated[bool, Flag()] = key(
        "Whether to put a film together from blocks below 1.3 times the threshold too,"
        " where they do not stand for it.",
        False,
    )


class StrainSection(Section):
    """The strain the film will see, along the current, tension positive."""

    window: Annotated[
        tuple[float, float],
        Window("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
    ] = key(
        "From the smallest to the largest strain of the part, or of a film that is on none;"
        " also { from = ..., to = ... }. Wrapping ([part] radius) strains the faces of a"
        " film beyond; a few strains more are then computed.",
        "0 to 3000 microstrain",
    )
    points: Annotated[int, Number(2, 201, whole=True)] = key(
        "Strains computed, evenly over the window; zero is added when it is not among"
        " them.",
        7,
    )
    chord: (
        Annotated[
            float,
            Quantity("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
        ]
        | None
    ) = key(
        "Strain up to which the gauge factor is taken, as the chord from zero; within the"
        " window, and added to the strains. Default: the far end of the window.",
        None,
        example="3000 microstrain",
    )
    mounting: Annotated[str, Choice("free", "bonded", "biaxial")] = key(
        "free: pulled by its ends; bonded: on a part, which sets the strain across;"
        " biaxial: the same strain along and across.",
        "bonded",
    )
    part_poisson_ratio: Annotated[float, Number(0.0, 0.5)] = key(
        "Poisson ratio of the part under a bonded film.", 0.33
    )
    bonded_at: Annotated[float, Quantity("temperature", "C", "-200 C", "400 C")] = key(
        "Temperature at which the film is bonded to its part. Until then it swells freely,"
        " from then on it expands in its plane as the part does.",
        "20 C",
    )


class TemperatureSection(Section):
    """The temperatures the film will see."""

    values: Annotated[
        tuple[float, ...], Many(Quantity("temperature", "C", "-150 C", "350 C"))
    ] = key(
        "Temperatures computed; 20 C, at which R0 is quoted, is added when it is not"
        " among them.",
        ["20 C"],
    )
    part_thermal_expansion: (
        Annotated[float, Quantity("expansion", "ppm/K", "-100 ppm/K", "1000 ppm/K")] | None
    ) = key(
        "Linear thermal expansion of the part under a bonded film, which expands with it."
        " Default: not stated, the film then expands as a free one.",
        None,
        example="23 ppm/K",
    )


class SheetSection(Section):
    """The softer elastomer sheet that the film is bonded to; left out, there is none."""

    thickness: Annotated[float, Quantity("length", "mm", "1 um", "20 mm")] | None = key(
        "Thickness of the cured sheet; needed with any other key of it.",
        None,
        example="0.15 mm",
    )
    mix_ratio: Annotated[float, Quantity("ratio", ":1", "1:1", "100:1")] | None = key(
        "Base to curing agent by mass. Default: the film's.", None, example="15:1"
    )
    cure_temperature: (
        Annotated[float, Quantity("temperature", "C", "0 C", "250 C")] | None
    ) = key(
        "Temperature of its cure. Default: not said, the stiffness follows from the mix"
        " ratio.",
        None,
        example="100 C",
    )
    material: Annotated[str, Text()] | None = key(
        "Name of its elastomer in percsim's data files. Default: the film's.",
        None,
        example="addition-cure silicone",
    )
    modulus: (
        Annotated[Stated, StatedAs(Quantity("pressure", "MPa", "1 kPa", "100 GPa"))] | None
    ) = key(
        "Young's modulus, written like that of the elastomer. Default: from mix ratio and"
        " cure.",
        None,
        example="1.3 MPa",
    )
    poisson_ratio: Annotated[float, Number(0.0, 0.5)] | None = key(
        "Poisson ratio. Default: the film's elastomer's.", None, example=0.495
    )


class PartSection(Section):
    """The part whose strain is read, and how the patch is laid on it; optional."""

    radius: Annotated[float, Quantity("length", "mm", "0.01 mm", "100 m")] | None = key(
        "Radius of the surface that the patch is wrapped on, the current running around"
        " it. Leave it out for a flat part.",
        None,
        example="25 mm",
    )
    side: Annotated[str, Choice("outer", "inner")] = key(
        "Whether the patch lies on the outer or the inner surface.", "outer"
    )
    rigid: Annotated[bool, Flag()] | None = key(
        "Instead of a modulus: true for a part that the patch cannot strain or bend.",
        None,
        example=True,
    )
    modulus: (
        Annotated[Stated, StatedAs(Quantity("pressure", "GPa", "1 kPa", "2000 GPa"))] | None
    ) = key(
        "Young's modulus of the part; needed unless it is rigid.", None, example="70 GPa"
    )
    thickness: Annotated[float, Quantity("length", "mm", "1 um", "1 m")] | None = key(
        "Thickness of its wall; needed for control = 'force', and for a part that is bent"
        " after bonding unless it is rigid.",
        None,
        example="1.5 mm",
    )
    poisson_ratio: Annotated[float, Number(0.0, 0.5)] | None = key(
        "Poisson ratio of the part. Default: part_poisson_ratio of [strain].",
        None,
        example=0.33,
    )
    control: Annotated[str, Choice("strain", "force")] = key(
        "What is given: the strain of the part, or the force on it, which patch and part"
        " share. The strain window is then that of the part without the patch.",
        "strain",
    )
    bent: Annotated[str, Choice("before bonding", "after bonding")] = key(
        "before bonding: film and sheet are wrapped and then glued, and bend about their"
        " own neutral axis; after bonding: they are glued flat and bent with the part,"
        " about the neutral axis of all, on a rigid part about its surface.",
        "before bonding",
    )
    misalignment: Annotated[float, Quantity("angle", "deg", "0 deg", "45 deg")] | None = (
        key(
            "Angle by which the patch may lie off the direction of the load; asks for the"
            " transverse sensitivity, three more states of every box. Default: neither.",
            None,
            example="3 deg",
        )
    )
