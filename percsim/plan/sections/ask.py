"""What is asked: heading, candidates, boxes, bench tolerances and target."""

from __future__ import annotations

from typing import Annotated

from percsim.plan.readers import (
    BoxLength,
    Diameters,
    Flag,
    Many,
    Number,
    Quantity,
    Text,
    Window,
)
from percsim.plan.sections.section import Section, key

__all__ = [
    "BoxesSection",
    "ExploreSection",
    "HeadSection",
    "TargetSection",
    "TolerancesSection",
]


class HeadSection(Section):
    """Keys above the first section."""

    title: Annotated[str, Text()] = key(
        "What the report is headed with; changing it changes no number.", "untitled"
    )
    seed: Annotated[int, Number(0, 2**53, whole=True)] = key(
        "Seed of every random draw: the same plan and seed give the same digits.", 1
    )


class ExploreSection(Section):
    """What to try: every combination of the values listed here is a candidate.

    The loading is written in one of three ways. The last four keys may be left out: film,
    filler and elastomer are then those of their sections.
    """

    weight_fraction: (
        Annotated[
            tuple[float, ...],
            Many(Quantity("weight_fraction", "wt%", "0.001 wt%", "99 wt%")),
        ]
        | None
    ) = key(
        "Loadings as mass of filler over mass of the cured film, curing agent included.",
        None,
        example=["22 wt%", "26 wt%", "30 wt%"],
    )
    phr: (
        Annotated[tuple[float, ...], Many(Quantity("phr", "phr", "0.001 phr", "5000 phr"))]
        | None
    ) = key(
        "Or as parts of filler for 100 parts of rubber by mass.",
        None,
        example=["28 phr", "35 phr", "43 phr"],
    )
    mass_ratio: (
        Annotated[tuple[float, ...], Many(Quantity("ratio", ":1", "0.00001:1", "50:1"))]
        | None
    ) = key("Or as filler to rubber by mass.", None, example=["0.28:1", "0.35:1", "0.43:1"])
    curing_agent_counts: Annotated[bool, Flag()] | None = key(
        "Whether the rubber of phr and mass_ratio is base and curing agent (true) or the"
        " base alone (false); must be said for these two.",
        None,
        example=True,
    )
    electrode_gap: Annotated[
        tuple[float, ...], Many(Quantity("length", "mm", "1 um", "10000 mm"))
    ] = key(
        "Free lengths of film between the electrodes.", example=["2 mm", "3 mm", "5 mm"]
    )
    thickness: (
        Annotated[tuple[float, ...], Many(Quantity("length", "mm", "1 um", "20 mm"))] | None
    ) = key(
        "Film thicknesses to try in place of film.thickness. Thick films share their boxes,"
        " a thin one takes its own.",
        None,
        example=["0.15 mm", "0.2 mm"],
    )
    diameter: (
        Annotated[tuple[float, ...], Many(Quantity("length", "um", "1 nm", "10 mm"))] | None
    ) = key(
        "Median sizes to try of the filler, the first of several, by number (for rods the"
        " length); the width of its sizes stays. Each takes boxes of its own.",
        None,
        example=["5 um", "10 um", "20 um"],
    )
    aspect_ratio: Annotated[tuple[float, ...], Many(Number(1.0, 10_000.0))] | None = key(
        "Aspect ratios to try of the filler, the first of several that is no sphere."
        " Each takes a threshold and boxes of its own.",
        None,
        example=[12, 15, 20],
    )
    mix_ratio: (
        Annotated[tuple[float, ...], Many(Quantity("ratio", ":1", "1:1", "100:1"))] | None
    ) = key(
        "Base to curing agent ratios to try in place of elastomer.mix_ratio. The elastomer"
        " data hold one density and one expansion for all of them, so that they share their"
        " boxes.",
        None,
        example=["5:1", "7:1", "10:1"],
    )


class BoxesSection(Section):
    """How much is simulated.

    A box is a small cube of the film. Boxes serve all gaps of a loading at once.
    """

    count: Annotated[int, Number(4, 100_000, whole=True)] = key(
        "Boxes of the longest length for each loading, and of the shorter ones as many more"
        " as they are shorter; twice as many take twice as long and narrow the simulation"
        " error by 1.4.",
        20,
    )
    lengths: Annotated[tuple[BoxLength, ...], Many(Diameters(), least=2)] = key(
        "Edges of the cubes, as lengths or in median diameters D of the largest filler; the"
        " resistance per length and that of the electrodes come from the different lengths."
        " Below 8 D the boxes conduct too well; where a film is thinner than the longest,"
        " all take its thickness and its free faces.",
        ["10 D", "14 D", "20 D"],
    )
    variations: Annotated[int, Number(0, 1000, whole=True)] = key(
        "Boxes of the longest length for each loading that are solved again at other values"
        " of beta, delta_b and lambda_T, so that what is not known of the contacts can be"
        " carried to the answer; fewer when there are fewer boxes, 0 for none.",
        6,
    )
    threshold_count: Annotated[int, Number(10, 100_000, whole=True)] = key(
        "Growth runs that find the percolation threshold of this filler.", 100
    )
    most: Annotated[int, Number(4, 100_000, whole=True)] | None = key(
        "Budget in boxes of the longest length for one loading. Above count, a run goes on"
        " in stages: count boxes for every loading, then half as many again, up to most,"
        " only where the decision is still open; it stops when the best is known at the"
        " stated confidence. Default: count, one stage.",
        None,
        example=80,
    )
    confidence: Annotated[float, Quantity("percentage", "%", "50 %", "99.9 %")] = key(
        "Simulated confidence at which the best counts as known.", "95 %"
    )


class TolerancesSection(Section):
    """What the bench does: one standard deviation between castings meant to be equal.

    They are always on; write 0 to switch one off.
    """

    castings: Annotated[int, Number(100, 1_000_000, whole=True)] = key(
        "Castings drawn for each candidate.", 2000
    )
    weighing: Annotated[float, Quantity("percentage", "%", "0 %", "50 %")] = key(
        "Of the filler's weight fraction, from the balance.", "0.5 %"
    )
    mixing: Annotated[float, Quantity("percentage", "%", "0 %", "50 %")] = key(
        "Of the filler's weight fraction, film mean against film mean, from uneven mixing.",
        "2 %",
    )
    mixing_within: Annotated[float, Quantity("percentage", "%", "0 %", "50 %")] = key(
        "Of the filler's weight fraction from point to point inside one film.", "3 %"
    )
    mixing_length: Annotated[float, Quantity("length", "mm", "1 um", "100 mm")] = key(
        "Distance over which that unevenness keeps together (correlation falls by e); a"
        " film many times longer and wider averages it out.",
        "1 mm",
    )
    thickness: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] | None = key(
        "Of the film's thickness. Default: 8 % for a drawn film, 20 % for a drop-cast one.",
        None,
        example="8 %",
    )
    electrode_gap: Annotated[float, Quantity("length", "mm", "0 mm", "10 mm")] = key(
        "Of the electrode gap.", "0.1 mm"
    )
    electrode_skew: Annotated[float, Quantity("length", "mm", "0 mm", "10 mm")] = key(
        "Of the gap at one end of the electrodes less that at the other.", "0.1 mm"
    )
    width: Annotated[float, Quantity("length", "mm", "0 mm", "10 mm")] = key(
        "Of the film's width.", "0.1 mm"
    )
    contact: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Of the conductance of the contacts, from cure to cure.", "12 %"
    )
    aspect_ratio: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Of the aspect ratio of the filler, from powder lot to powder lot.", "8 %"
    )
    particle_size: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Of the filler's median size at the same shape, from powder lot to powder lot.",
        "5 %",
    )
    response: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Of how far contacts open at a given strain, from casting to casting: bond to the"
        " part, cure, contacts. It scatters the gauge factor.",
        "5 %",
    )
    tilt: Annotated[float, Quantity("angle", "deg", "0 deg", "30 deg")] = key(
        "Of the rms tilt of in-plane or aligned particles, from casting to casting; it acts"
        " through the threshold. Isotropic ones have none.",
        "2 deg",
    )
    instrument: Annotated[float, Quantity("percentage", "%", "0 %", "50 %")] = key(
        "Of one reading of a resistance, from trial to trial on the same film.", "0.1 %"
    )
    strain_setting: Annotated[
        float, Quantity("strain", "microstrain", "0 microstrain", "10000 microstrain")
    ] = key("Of the strain that is set, from trial to trial.", "20 microstrain")
    contact_redraw: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Share of the contacts that close differently each time a film is strained or"
        " warmed and comes back; no standard deviation.",
        "5 %",
    )


class TargetSection(Section):
    """What a casting must reach; a limit that is left out is not tested."""

    supply: Annotated[float, Quantity("voltage", "V", "0.001 V", "1000 V")] | None = key(
        "Supply voltage of the divider that reads the film; [supply] says more of it."
        " Default: that of [supply], else 3.3 V.",
        None,
        example="3.3 V",
    )
    series_resistor: (
        Annotated[float, Quantity("resistance", "kohm", "0.001 ohm", "1000 Gohm")] | None
    ) = key(
        "Resistor in series with the film. Default: 0 ohm, the film straight at the"
        " supply.",
        None,
        example="1.8 kohm",
    )
    resistance: (
        Annotated[tuple[float, float], Window("resistance", "kohm", "0 ohm", "1000 Gohm")]
        | None
    ) = key(
        "Window for R0, the resistance at 20 C without strain; also { from = ..., to ="
        " ... }. Default: a third to three times the series resistor, where the divider"
        " keeps three quarters of its best sensitivity; without one, not tested.",
        None,
        example="0.7 to 3 kohm",
    )
    smallest_gauge_factor: Annotated[float, Number(0.001, 100_000.0)] | None = key(
        "Of the chord from zero to [strain] chord, (R/R0 - 1) over that strain.",
        None,
        example=10,
    )
    largest_resistance_cv: (
        Annotated[float, Quantity("percentage", "%", "0.01 %", "1000 %")] | None
    ) = key(
        "Largest coefficient of variation of R0 between castings.", None, example="25 %"
    )
    largest_gauge_factor_cv: (
        Annotated[float, Quantity("percentage", "%", "0.01 %", "1000 %")] | None
    ) = key(
        "Largest coefficient of variation of the gauge factor between castings.",
        None,
        example="15 %",
    )
    largest_self_heating_drift: (
        Annotated[float, Quantity("strain", "microstrain", "0 microstrain", "100 %")] | None
    ) = key(
        "Largest drift from the film's own heat on its sheet at the supply, either way, as"
        " strain of the chord gauge factor; needs [supply] and two temperatures or more.",
        None,
        example="50 microstrain",
    )
    largest_thermal_output: (
        Annotated[
            float,
            Quantity(
                "thermal_output",
                "microstrain/K",
                "0 microstrain/K",
                "1000000 microstrain/K",
            ),
        ]
        | None
    ) = key(
        "Largest thermal output at 20 C, either way: change of R with temperature over the"
        " chord gauge factor; needs two temperatures or more.",
        None,
        example="200 microstrain/K",
    )
    pass_share: Annotated[float, Quantity("percentage", "%", "0 %", "100 %")] = key(
        "Share of the castings that must meet the limits on R0 and gauge factor.", "80 %"
    )
