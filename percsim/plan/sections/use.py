"""What is done with a film: how it is read, vibrated, weighed out and measured."""

from __future__ import annotations

import math
from dataclasses import dataclass

from percsim.film.protocol import Protocol, cycles
from percsim.film.record import MeasuredFilm
from percsim.materials.elastomer import load_material
from percsim.plan.readers import RESISTANCE, TEXT, Choice, Number, Quantity
from percsim.plan.records import CycleReader, PathReader
from percsim.plan.sections.ranges import ALONG_FILM, MIX_RATIO, STRAIN, VOLTAGE
from percsim.plan.sections.section import Section, key, needed, usual
from percsim.plan.tables import ASPECT, PARTICLE_SIZE

__all__ = [
    "BatchSection",
    "CyclesSection",
    "MeasuredSection",
    "SupplySection",
    "VibrationSection",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySection(Section):
    """How the film is read and fed: its operating point.

    Optional as a whole, header and all; without it a film is read as [target] says, and
    neither self-heating nor noise is worked out.
    """

    voltage: float | None = key(VOLTAGE, "3.3 V")
    """Supply voltage. Default: that of [target]."""

    series_resistor: float | None = key(
        Quantity("resistance", "0 ohm", "1000 Gohm"), "1.8 kohm"
    )
    """Resistor in series with the film, which in a bridge is the other half of its arm.
    Default: that of [target], else 0 ohm, the film straight at the supply.
    """

    circuit: str = usual(Choice("series", "quarter bridge", "half bridge"), "series")
    """series: the film and its resistor, read across the film; quarter bridge: the same
    against two equal resistors; half bridge: the film over an equal one that is not
    strained, against two equal resistors.
    """

    bandwidth: float = usual(Quantity("frequency", "0.001 Hz", "1000000 Hz"), "10 Hz")
    """Bandwidth of the reading, up to which noise counts."""

    lowest_frequency: float = usual(
        Quantity("frequency", "0.000001 Hz", "1000000 Hz"), "0.01 Hz"
    )
    """Frequency from which 1/f noise counts, about one over the time of a measurement."""

    instrument_noise: float = usual(Quantity("voltage", "0 mV", "1000 mV", "mV"), "0 mV")
    """Noise of the instrument in that bandwidth, one standard deviation."""

    flicker_noise: float | None = key(Number(0.0, 1.0), 1e-12)
    """Relative 1/f noise of the film: power density of R over R squared, times the
    frequency. Default: not stated, 1/f noise is left out.
    """

    still_air: float = usual(
        Quantity("heat_transfer", "0.1 W/m2K", "10000 W/m2K"), "10 W/m2K"
    )
    """Heat that still air takes from one face of a film that nothing else cools (common
    practice, no source).
    """

    film_conductivity: float = usual(
        Quantity("thermal_conductivity", "0.01 W/mK", "1000 W/mK"),
        "0.17 W/mK",
        stage="conductivity",
    )
    """Thermal conductivity through the film; that of the unfilled elastomer by default, as
    filler only helps.
    """

    sheet_conductivity: float = usual(
        Quantity("thermal_conductivity", "0.01 W/mK", "1000 W/mK"), "0.17 W/mK"
    )
    """Thermal conductivity of the sheet between film and part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VibrationSection(Section):
    """Vibration about a mean strain, for the part of R that alternates and its mean.

    Optional as a whole, header and all.
    """

    mean: float | None = key(STRAIN, "1500 microstrain")
    """Strain about which the part vibrates. Default: the middle of the strain window."""

    amplitude: float = usual(
        Quantity("strain", "0.001 microstrain", "1000000 microstrain"), "200 microstrain"
    )
    """Largest departure from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CyclesSection(Section):
    """How a film is pulled and released, for its zero, loops and creep.

    Strains are those of the film, laid flat and read at 20 C: equal pulls, then one more
    that is held at its far end, then rest. Or a path of its own.
    """

    amplitude: float | None = key(
        Quantity("strain", "0.001 microstrain", "500000 microstrain"), "1500 microstrain"
    )
    """Half of the way between the two ends of a pull. Default: half of the strain that the
    gauge factor is taken to.
    """

    mean: float | None = key(STRAIN, "1500 microstrain")
    """Middle between them. Default: the amplitude, so that pulls begin at zero; negative
    where the gauge factor is taken in compression.
    """

    number: int | None = key(Number(1, 100, whole=True), 5)
    """Equal pulls; hysteresis and repeatability are read after the third. Default: 5."""

    rate: float | None = key(
        Quantity("strain_rate", "0.001 microstrain/s", "1000000 microstrain/s"),
        "100 microstrain/s",
    )
    """Strain rate of all of them. Default: 100 microstrain/s."""

    hold: float | None = key(Quantity("time", "0 s", "10 d"), "30 min")
    """Time that one pull more is held at its far end; creep is read over 30 minutes.
    Default: 30 min.
    """

    rest: float | None = key(Quantity("time", "0 s", "10 d"), "30 min")
    """Time at no strain after all pulls. Default: 30 min."""

    path: Protocol | None = key(
        PathReader(), ["0 s, 0 %, 20 C", "30 s, 0.3 %, 20 C", "60 s, 0 %, 20 C"]
    )
    """Instead of all these, "ride.csv": a file beside the plan with columns time, strain
    and, if it changes, temperature, units in their headings: corners between straight
    lines, or the record of a machine. Or its visits. It begins with the film at rest.
    """

    def usual(self, chord: float) -> dict[str, float]:
        """Keys that may be left out, as they are then; none beside a path."""
        if self.path is not None:
            return {}
        half = abs(chord) / 2.0 if self.amplitude is None else self.amplitude
        pulls = {"amplitude": half, "mean": math.copysign(half, chord), "number": 5}
        return pulls | {"rate": 1e-4, "hold": 1800.0, "rest": 1800.0}

    def protocol(self, chord: float) -> Protocol:
        """Protocol of the plan, pulls by default as far as to a chord's end."""
        if self.path is not None:
            return self.path
        given = {name: getattr(self, name) for name in self.given()}
        return cycles(**(self.usual(chord) | given))


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchSection(Section):
    """The batch to weigh out."""

    films: int | None = key(Number(1, 1_000_000, whole=True), 200)
    """Films to cast from one batch, instead of its mass."""

    mass: float | None = key(Quantity("mass", "1 mg", "1000 kg"), "20 g")
    """Mass of the cured batch, losses included. Default: 20 g, unless films is given."""

    loss: float = usual(Quantity("percentage", "0 %", "90 %"), "10 %")
    """Share of the batch that stays in cup, mixer and frame."""

    balance_resolution: float = usual(Quantity("mass", "0.001 mg", "1 kg"), "0.01 g")
    """Smallest step of the balance."""

    minutes_per_cup: float = usual(Number(0, 100_000), 60)
    """Work that mixing, degassing and curing a cup takes, in minutes."""

    minutes_per_film: float = usual(Number(0, 100_000), 10)
    """Work that casting and reading a film takes, in minutes."""

    solvent: str | None = key(TEXT, "heptane")
    """Solvent to thin the mix, by its name in percsim's data files. Default: none."""

    solvent_mass_ratio: float | None = key(Quantity("ratio", "0.001:1", "100:1"), "0.5:1")
    """Mass of solvent to mass of everything else; needed with a solvent unless
    wet_thickness is given.
    """

    wet_thickness: float | None = key(Quantity("length", "1 um", "100 mm"), "0.35 mm")
    """Instead of the solvent's mass ratio: thickness to draw, which must dry to the film's.
    """

    def solvent_ratio(self, thickness: float, density: float) -> float:
        """Mass of solvent over that of a mix of a density that dries to a thickness."""
        if self.solvent is None:
            return 0.0
        if self.wet_thickness is None:
            return self.solvent_mass_ratio or 0.0
        swell = self.wet_thickness / thickness - 1.0
        return swell * load_material(self.solvent).density / density


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSection(Section):
    """Films that were cast and read; write [[measured]] once for each row.

    Rows replace what is assumed of contacts and threshold, and change no box. Films are
    read flat, off any curved part. A file of rows is read by percsim anchor.
    """

    weight_fraction: float = needed(
        Quantity("weight_fraction", "0.001 wt%", "99 wt%"), "30 wt%"
    )
    """Loading, as mass of filler over mass of the cured film, among those explored."""

    electrode_gap: float = needed(ALONG_FILM, "3 mm")
    """Free length of film between the electrodes."""

    resistance: float | None = key(RESISTANCE, "2.1 kohm")
    """Geometric mean of R of the films at 20 C without strain, or at the strain and
    temperature of the row when it has no change; open for films that do not conduct.
    """

    films: int = usual(Number(1, 100_000, whole=True), 1)
    """Films behind the row, from one cup."""

    thickness: float | None = key(Quantity("length", "100 nm", "100 mm"), "0.21 mm")
    """Thickness of the films as measured. Default: that of [film]."""

    width: float | None = key(ALONG_FILM, "6 mm")
    """Width of the films as measured. Default: that of [film]."""

    change: float | None = key(Quantity("change", "-99.9 %", "1000000 %"), "5.2 %")
    """(R - R0)/R0 at the strain and temperature of the row, R0 of the same films at 20 C
    without strain.
    """

    strain: float = usual(STRAIN, "0 microstrain")
    """Strain of the film in the reading, within the plan's window."""

    temperature: float = usual(Quantity("temperature", "-150 C", "350 C"), "20 C")
    """Temperature of the reading, among those of the plan."""

    pull: str = usual(Choice("first", "conditioned"), "first")
    """Which pull a reading under strain is of: the film's first, or that of a film that was
    pulled to the ends of the window before; its change is over its zero then.
    """

    spread: float | None = key(Quantity("percentage", "0.1 %", "500 %"), "15 %")
    """Relative standard deviation of R between the films, when it was measured. Default:
    what the tolerances give.
    """

    batch: str | None = key(TEXT, "cup 3")
    """Cup that the films were mixed in. Rows of one cup share what its loading is off by,
    so that they count for less than rows of cups of their own.
    """

    diameter: float | None = key(PARTICLE_SIZE, "10 um")
    """Median size of the filler, where [explore] lists several."""

    aspect_ratio: float | None = key(ASPECT, 15)
    """Aspect ratio of the filler, where [explore] lists several."""

    mix_ratio: float | None = key(MIX_RATIO, "7:1")
    """Base to curing agent by mass, where [explore] lists several."""

    cycle: MeasuredFilm | None = key(
        CycleReader(), ["0 s, 0 %, 20 C, 2.1 kohm", "9 s, 0.3 %, 20 C, 2.3 kohm"]
    )
    """Record of one of the films pulled and released, "film.csv": a file beside the plan
    (or the readings) with columns time, strain, resistance and temperature, units in their
    headings, as `percsim recipe --cycle` asks for it. Or its visits. It tells how contacts
    remember; without a resistance the row takes that of its first visit.
    """

    note: str | None = key(TEXT, "first try")
    """What the report calls the row."""
