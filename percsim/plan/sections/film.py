"""What is cast and what it sits on: film, sheet, part, strain and temperature."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.film.electrodes import Bars, EndPlates, Fingers, FourTerminal, Layout
from percsim.plan.readers import FLAG, TEXT, Choice, Many, Number, Quantity, Window
from percsim.plan.sections.ranges import CURE, MIX_RATIO, STRAIN
from percsim.plan.sections.section import Section, key, needed, usual
from percsim.plan.tables import Stated, StatedAs
from percsim.units import format_quantity

__all__ = [
    "OF_LAYOUT",
    "FilmSection",
    "PartSection",
    "SheetSection",
    "StrainSection",
    "TemperatureSection",
]


OF_LAYOUT = {
    "bars": (),
    "end plates": (),
    "fingers": ("fingers", "electrode_length"),
    "four-terminal": ("electrode_length", "sense_spacing"),
}
"""Electrode layouts, and the keys of [film] that each cannot do without."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmSection(Section):
    """The cast film."""

    thickness: float = needed(Quantity("length", "1 um", "20 mm"), "0.2 mm")
    """Dry thickness."""

    width: float = needed(Quantity("length", "0.01 mm", "1000 mm"), "6 mm")
    """Width across the current; bars cover all of it."""

    length: float = needed(Quantity("length", "0.01 mm", "10000 mm"), "16 mm")
    """Whole length along the current; the electrode gaps to try must fit into it."""

    cast: str = usual(Choice("drawn", "drop"), "drawn")
    """How it is cast: drawn down with a blade or frame, or drop-cast. It sets the default
    thickness tolerance.
    """

    modulus: Stated | None = key(
        StatedAs(Quantity("pressure", "1 kPa", "100 GPa")), "16 MPa"
    )
    """Young's modulus of the filled film, written like that of the elastomer; used with a
    sheet or a part. Default: the elastomer's and what the filler adds.
    """

    layout: str = usual(Choice(*OF_LAYOUT), "bars")
    """Electrodes: two parallel bars across the film; plates on its end faces;
    interdigitated fingers, whose gaps conduct side by side; or four bars, the outer two
    driving the current and the inner two sensing, so that no contact adds to the reading.
    """

    electrodes: str | None = key(Choice("embedded", "surface"), "surface")
    """Whether bars and fingers go through the thickness of the film, or lie on its top or
    bottom face, where the current crowds at their edges. Default: embedded, with layout =
    'four-terminal' surface.
    """

    electrode_length: float | None = key(Quantity("length", "1 um", "1000 mm"), "1 mm")
    """Length of each bar or finger along the current; needed for fingers and four-terminal.
    Default: of bars, long enough for all the current.
    """

    fingers: int | None = key(Number(2, 10_000, whole=True), 4)
    """Fingers of both combs together. Only for layout = 'fingers'."""

    overlap: float | None = key(Quantity("length", "1 um", "1000 mm"), "5 mm")
    """Length over which the fingers of the two combs lie side by side. Only for layout =
    'fingers'. Default: the whole width.
    """

    sense_spacing: float | None = key(Quantity("length", "1 um", "1000 mm"), "1 mm")
    """Free length between a driving and a sensing bar. Only for layout = 'four-terminal',
    where it is needed.
    """

    contact_resistivity: float = usual(
        Quantity("contact_resistivity", "0 ohm cm2", "1e6 ohm cm2"), "0 ohm cm2"
    )
    """Of the interface between electrode and film, as a transfer-length measurement gives
    it, beyond the contacts of single particles.
    """

    near_threshold: bool = usual(FLAG, False)
    """Whether to put a film together from blocks below 1.3 times the threshold too, where
    they do not stand for it.
    """

    def too_long(self, gap: float) -> str:
        """Say that a gap is longer than the film."""
        long, film = (format_quantity(x, "length") for x in (gap, self.length))
        return f"= '{long}' is longer than the film, film.length = '{film}'"

    def electrode_layout(self) -> Layout:
        """How the electrodes lie on the film."""
        mount, contact = self.electrodes or "embedded", self.contact_resistivity
        length = self.electrode_length
        if self.layout == "end plates":
            return EndPlates(contact_resistivity=contact)
        if self.layout == "fingers":
            return Fingers(self.fingers or 0, length or 0.0, self.overlap, mount, contact)
        if self.layout == "four-terminal":
            return FourTerminal(length or 0.0, self.sense_spacing or 0.0, contact)
        return Bars(mount, length, contact)


@dataclass(frozen=True, slots=True, kw_only=True)
class StrainSection(Section):
    """The strain the film will see, along the current, tension positive."""

    window: tuple[float, float] = usual(
        Window("strain", "-200000 microstrain", "1000000 microstrain"),
        "0 to 3000 microstrain",
    )
    """From the smallest to the largest strain of the part, or of a film that is on none;
    also { from = ..., to = ... }. Wrapping ([part] radius) strains the faces of a film
    beyond; a few strains more are then computed.
    """

    points: int = usual(Number(2, 201, whole=True), 7)
    """Strains computed, evenly over the window; zero is added when it is not among them."""

    chord: float | None = key(STRAIN, "3000 microstrain")
    """Strain up to which the gauge factor is taken, as the chord from zero; within the
    window, and added to the strains. Default: the far end of the window.
    """

    mounting: str = usual(Choice("free", "bonded", "biaxial"), "bonded")
    """free: pulled by its ends; bonded: on a part, which sets the strain across; biaxial:
    the same strain along and across.
    """

    part_poisson_ratio: float = usual(Number(0.0, 0.5), 0.33)
    """Poisson ratio of the part under a bonded film."""

    bonded_at: float = usual(Quantity("temperature", "-200 C", "400 C"), "20 C")
    """Temperature at which the film is bonded to its part. Until then it swells freely,
    from then on it expands in its plane as the part does.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class TemperatureSection(Section):
    """The temperatures the film will see."""

    values: tuple[float, ...] = usual(
        Many(Quantity("temperature", "-150 C", "350 C")), ["20 C"]
    )
    """Temperatures computed; 20 C, at which R0 is quoted, is added when it is not among
    them.
    """

    part_thermal_expansion: float | None = key(
        Quantity("expansion", "-100 ppm/K", "1000 ppm/K"), "23 ppm/K"
    )
    """Linear thermal expansion of the part under a bonded film, which expands with it.
    Default: not stated, the film then expands as a free one.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetSection(Section):
    """The softer elastomer sheet that the film is bonded to; left out, there is none."""

    thickness: float | None = key(Quantity("length", "1 um", "20 mm"), "0.15 mm")
    """Thickness of the cured sheet; needed with any other key of it."""

    mix_ratio: float | None = key(MIX_RATIO, "15:1")
    """Base to curing agent by mass. Default: the film's."""

    cure_temperature: float | None = key(CURE, "100 C")
    """Temperature of its cure. Default: not said, the stiffness follows from the mix ratio.
    """

    material: str | None = key(TEXT, "addition-cure silicone")
    """Name of its elastomer in percsim's data files. Default: the film's."""

    modulus: Stated | None = key(
        StatedAs(Quantity("pressure", "1 kPa", "100 GPa")), "1.3 MPa"
    )
    """Young's modulus, written like that of the elastomer. Default: from mix ratio and
    cure.
    """

    poisson_ratio: float | None = key(Number(0.0, 0.5), 0.495)
    """Poisson ratio. Default: the film's elastomer's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSection(Section):
    """The part whose strain is read, and how the patch is laid on it; optional."""

    radius: float | None = key(Quantity("length", "0.01 mm", "100 m"), "25 mm")
    """Radius of the surface that the patch is wrapped on, the current running around it.
    Leave it out for a flat part.
    """

    side: str = usual(Choice("outer", "inner"), "outer")
    """Whether the patch lies on the outer or the inner surface."""

    rigid: bool | None = key(FLAG, True)
    """Instead of a modulus: true for a part that the patch cannot strain or bend."""

    modulus: Stated | None = key(
        StatedAs(Quantity("pressure", "1 kPa", "2000 GPa", "GPa")), "70 GPa"
    )
    """Young's modulus of the part; needed unless it is rigid."""

    thickness: float | None = key(Quantity("length", "1 um", "1 m"), "1.5 mm")
    """Thickness of its wall; needed for control = 'force', and for a part that is bent
    after bonding unless it is rigid.
    """

    poisson_ratio: float | None = key(Number(0.0, 0.5), 0.33)
    """Poisson ratio of the part. Default: part_poisson_ratio of [strain]."""

    control: str = usual(Choice("strain", "force"), "strain")
    """What is given: the strain of the part, or the force on it, which patch and part
    share. The strain window is then that of the part without the patch.
    """

    bent: str = usual(Choice("before bonding", "after bonding"), "before bonding")
    """before bonding: film and sheet are wrapped and then glued, and bend about their own
    neutral axis; after bonding: they are glued flat and bent with the part, about the
    neutral axis of all, on a rigid part about its surface.
    """

    misalignment: float | None = key(Quantity("angle", "0 deg", "45 deg"), "3 deg")
    """Angle by which the patch may lie off the direction of the load; asks for the
    transverse sensitivity, three more states of every box. Default: neither.
    """
