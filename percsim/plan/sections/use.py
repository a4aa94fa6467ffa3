"""What is done with a film: how it is read, vibrated, weighed out and measured."""

from __future__ import annotations

from typing import Annotated

from percsim.plan.readers import Choice, Number, Quantity, Resistance, Text
from percsim.plan.sections.section import Section, key

__all__ = ["BatchSection", "MeasuredSection", "SupplySection", "VibrationSection"]


class SupplySection(Section):
    """How the film is read and fed: its operating point.

    Optional as a whole, header and all; without it a film is read as [target] says, and
    neither self-heating nor noise is worked out.
    """

    voltage: Annotated[float, Quantity("voltage", "V", "0.001 V", "1000 V")] | None = key(
        "Supply voltage. Default: that of [target].",
        None,
        example="3.3 V",
    )
    series_resistor: (
        Annotated[float, Quantity("resistance", "kohm", "0 ohm", "1000 Gohm")] | None
    ) = key(
        "Resistor in series with the film, which in a bridge is the other half of its arm."
        " Default: that of [target], else 0 ohm, the film straight at the supply.",
        None,
        example="1.8 kohm",
    )
    circuit: Annotated[str, Choice("series", "quarter bridge", "half bridge")] = key(
        "series: the film and its resistor, read across the film; quarter bridge: the same"
        " against two equal resistors; half bridge: the film over an equal one that is not"
        " strained, against two equal resistors.",
        "series",
    )
    bandwidth: Annotated[float, Quantity("frequency", "Hz", "0.001 Hz", "1000000 Hz")] = (
        key("Bandwidth of the reading, up to which noise counts.", "10 Hz")
    )
    lowest_frequency: Annotated[
        float, Quantity("frequency", "Hz", "0.000001 Hz", "1000000 Hz")
    ] = key(
        "Frequency from which 1/f noise counts, about one over the time of a measurement.",
        "0.01 Hz",
    )
    instrument_noise: Annotated[float, Quantity("voltage", "mV", "0 mV", "1000 mV")] = key(
        "Noise of the instrument in that bandwidth, one standard deviation.", "0 mV"
    )
    flicker_noise: Annotated[float, Number(0.0, 1.0)] | None = key(
        "Relative 1/f noise of the film: power density of R over R squared, times the"
        " frequency. Default: not stated, 1/f noise is left out.",
        None,
        example=1e-12,
    )
    still_air: Annotated[
        float, Quantity("heat_transfer", "W/m2K", "0.1 W/m2K", "10000 W/m2K")
    ] = key(
        "Heat that still air takes from one face of a film that nothing else cools"
        " (common practice, no source).",
        "10 W/m2K",
    )
    film_conductivity: Annotated[
        float, Quantity("thermal_conductivity", "W/mK", "0.01 W/mK", "1000 W/mK")
    ] = key(
        "Thermal conductivity through the film; that of the unfilled elastomer by default,"
        " as filler only helps.",
        "0.17 W/mK",
    )
    sheet_conductivity: Annotated[
        float, Quantity("thermal_conductivity", "W/mK", "0.01 W/mK", "1000 W/mK")
    ] = key("Thermal conductivity of the sheet between film and part.", "0.17 W/mK")


class VibrationSection(Section):
    """Vibration about a mean strain, for the part of R that alternates and its mean.

    Optional as a whole, header and all.
    """

    mean: (
        Annotated[
            float,
            Quantity("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
        ]
        | None
    ) = key(
        "Strain about which the part vibrates. Default: the middle of the strain window.",
        None,
        example="1500 microstrain",
    )
    amplitude: Annotated[
        float,
        Quantity("strain", "microstrain", "0.001 microstrain", "1000000 microstrain"),
    ] = key("Largest departure from it.", "200 microstrain")


class BatchSection(Section):
    """The batch to weigh out."""

    films: Annotated[int, Number(1, 1_000_000, whole=True)] | None = key(
        "Films to cast from one batch, instead of its mass.", None, example=200
    )
    mass: Annotated[float, Quantity("mass", "g", "1 mg", "1000 kg")] | None = key(
        "Mass of the cured batch, losses included. Default: 20 g, unless films is given.",
        None,
        example="20 g",
    )
    loss: Annotated[float, Quantity("percentage", "%", "0 %", "90 %")] = key(
        "Share of the batch that stays in cup, mixer and frame.", "10 %"
    )
    balance_resolution: Annotated[float, Quantity("mass", "g", "0.001 mg", "1 kg")] = key(
        "Smallest step of the balance.", "0.01 g"
    )
    solvent: Annotated[str, Text()] | None = key(
        "Solvent to thin the mix, by its name in percsim's data files. Default: none.",
        None,
        example="heptane",
    )
    solvent_mass_ratio: (
        Annotated[float, Quantity("ratio", ":1", "0.001:1", "100:1")] | None
    ) = key(
        "Mass of solvent to mass of everything else; needed with a solvent unless"
        " wet_thickness is given.",
        None,
        example="0.5:1",
    )
    wet_thickness: Annotated[float, Quantity("length", "mm", "1 um", "100 mm")] | None = (
        key(
            "Instead of the solvent's mass ratio: thickness to draw, which must dry to"
            " the film's.",
            None,
            example="0.35 mm",
        )
    )


class MeasuredSection(Section):
    """Films that were cast and read; write [[measured]] once for each row.

    Rows replace what is assumed of contacts and threshold, and change no box. Films are
    read flat, off any curved part. A file of rows is read by percsim anchor.
    """

    weight_fraction: Annotated[
        float, Quantity("weight_fraction", "wt%", "0.001 wt%", "99 wt%")
    ] = key(
        "Loading, as mass of filler over mass of the cured film, among those explored.",
        example="30 wt%",
    )
    electrode_gap: Annotated[float, Quantity("length", "mm", "1 um", "10000 mm")] = key(
        "Free length of film between the electrodes.", example="3 mm"
    )
    resistance: Annotated[float, Resistance()] | None = key(
        "Geometric mean of R of the films at 20 C without strain, or at the strain and"
        " temperature of the row when it has no change; open for films that do not"
        " conduct.",
        None,
        example="2.1 kohm",
    )
    films: Annotated[int, Number(1, 100_000, whole=True)] = key(
        "Films behind the row, from one cup.", 1
    )
    thickness: Annotated[float, Quantity("length", "mm", "100 nm", "100 mm")] | None = key(
        "Thickness of the films as measured. Default: that of [film].",
        None,
        example="0.21 mm",
    )
    width: Annotated[float, Quantity("length", "mm", "1 um", "10000 mm")] | None = key(
        "Width of the films as measured. Default: that of [film].", None, example="6 mm"
    )
    change: Annotated[float, Quantity("change", "%", "-99.9 %", "1000000 %")] | None = key(
        "(R - R0)/R0 at the strain and temperature of the row, R0 of the same films at"
        " 20 C without strain.",
        None,
        example="5.2 %",
    )
    strain: Annotated[
        float,
        Quantity("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
    ] = key("Strain of the film in the reading, within the plan's window.", "0 microstrain")
    temperature: Annotated[float, Quantity("temperature", "C", "-150 C", "350 C")] = key(
        "Temperature of the reading, among those of the plan.", "20 C"
    )
    spread: Annotated[float, Quantity("percentage", "%", "0.1 %", "500 %")] | None = key(
        "Relative standard deviation of R between the films, when it was measured."
        " Default: what the tolerances give.",
        None,
        example="15 %",
    )
    batch: Annotated[str, Text()] | None = key(
        "Cup that the films were mixed in. Rows of one cup share what its loading is off"
        " by, so that they count for less than rows of cups of their own.",
        None,
        example="cup 3",
    )
    diameter: Annotated[float, Quantity("length", "um", "1 nm", "10 mm")] | None = key(
        "Median size of the filler, where [explore] lists several.", None, example="10 um"
    )
    aspect_ratio: Annotated[float, Number(1.0, 10_000.0)] | None = key(
        "Aspect ratio of the filler, where [explore] lists several.", None, example=15
    )
    mix_ratio: Annotated[float, Quantity("ratio", ":1", "1:1", "100:1")] | None = key(
        "Base to curing agent by mass, where [explore] lists several.", None, example="7:1"
    )
    note: Annotated[str, Text()] | None = key(
        "What the report calls the row.", None, example="first try"
    )
