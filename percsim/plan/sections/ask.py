"""What is asked: heading, candidates, boxes, bench tolerances and target."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.plan.readers import FLAG, TEXT, Choice, Many, Number, Quantity, Window
from percsim.plan.sections.ranges import ALONG_FILM, MIX_RATIO, VOLTAGE
from percsim.plan.sections.section import Section, key, needed, usual
from percsim.plan.tables import ASPECT, PARTICLE_SIZE, BoxLength, Diameters

__all__ = [
    "BoxesSection",
    "ExploreSection",
    "HeadSection",
    "TargetSection",
    "TolerancesSection",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class HeadSection(Section):
    """Keys above the first section."""

    title: str = usual(TEXT, "untitled")
    """What the report is headed with; changing it changes no number."""

    seed: int = usual(Number(0, 2**53, whole=True), 1)
    """Seed of every random draw: the same plan and seed give the same digits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExploreSection(Section):
    """What to try: every combination of the values listed here is a candidate.

    The loading is written in one of three ways. The last four keys may be left out: film,
    filler and elastomer are then those of their sections.
    """

    weight_fraction: tuple[float, ...] | None = key(
        Many(Quantity("weight_fraction", "0.001 wt%", "99 wt%")),
        ["22 wt%", "26 wt%", "30 wt%"],
    )
    """Loadings as mass of filler over mass of the cured film, curing agent included."""

    phr: tuple[float, ...] | None = key(
        Many(Quantity("phr", "0.001 phr", "5000 phr")), ["28 phr", "35 phr", "43 phr"]
    )
    """Or as parts of filler for 100 parts of rubber by mass."""

    mass_ratio: tuple[float, ...] | None = key(
        Many(Quantity("ratio", "0.00001:1", "50:1")), ["0.28:1", "0.35:1", "0.43:1"]
    )
    """Or as filler to rubber by mass."""

    curing_agent_counts: bool | None = key(FLAG, True)
    """Whether the rubber of phr and mass_ratio is base and curing agent (true) or the base
    alone (false); must be said for these two.
    """

    electrode_gap: tuple[float, ...] = needed(Many(ALONG_FILM), ["2 mm", "3 mm", "5 mm"])
    """Free lengths of film between the electrodes."""

    thickness: tuple[float, ...] | None = key(
        Many(Quantity("length", "1 um", "20 mm")), ["0.15 mm", "0.2 mm"]
    )
    """Film thicknesses to try in place of film.thickness. Thick films share their boxes, a
    thin one takes its own.
    """

    diameter: tuple[float, ...] | None = key(
        Many(PARTICLE_SIZE), ["5 um", "10 um", "20 um"]
    )
    """Median sizes to try of the filler, the first of several, by number (for rods the
    length); the width of its sizes stays. Each takes boxes of its own.
    """

    aspect_ratio: tuple[float, ...] | None = key(Many(ASPECT), [12, 15, 20])
    """Aspect ratios to try of the filler, the first of several that is no sphere. Each
    takes a threshold and boxes of its own.
    """

    mix_ratio: tuple[float, ...] | None = key(Many(MIX_RATIO), ["5:1", "7:1", "10:1"])
    """Base to curing agent ratios to try in place of elastomer.mix_ratio. The elastomer
    data hold one density and one expansion for all of them, so that they share their boxes.
    """


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxesSection(Section):
    """How much is simulated.

    A box is a small cube of the film. Boxes serve all gaps of a loading at once.
    """

    count: int = usual(Number(4, 100_000, whole=True), 20)
    """Boxes of the longest length for each loading, and of the shorter ones as many more as
    they are shorter; twice as many take twice as long and narrow the simulation error by
    1.4.
    """

    lengths: tuple[BoxLength, ...] = usual(
        Many(Diameters(), least=2), ["10 D", "14 D", "20 D"]
    )
    """Edges of the cubes, as lengths or in median diameters D of the largest filler; the
    resistance per length and that of the electrodes come from the different lengths. Below
    8 D the boxes conduct too well; where a film is thinner than the longest, all take its
    thickness and its free faces.
    """

    variations: int = usual(Number(0, 1000, whole=True), 6)
    """Boxes of the longest length for each loading that are solved again at other values of
    beta, delta_b and lambda_T, so that what is not known of the contacts can be carried to
    the answer; fewer when there are fewer boxes, 0 for none.
    """

    threshold_count: int = usual(Number(10, 100_000, whole=True), 100)
    """Growth runs that find the percolation threshold of this filler."""

    most: int | None = key(Number(4, 100_000, whole=True), 80)
    """Budget in boxes of the longest length for one loading. Above count, a run goes on in
    stages: count boxes for every loading, then half as many again, up to most, only where
    the decision is still open; it stops when the best is known at the stated confidence.
    Default: count, one stage.
    """

    confidence: float = usual(Quantity("percentage", "50 %", "99.9 %"), "95 %")
    """Simulated confidence at which the best counts as known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TolerancesSection(Section):
    """What the bench does: one standard deviation between castings meant to be equal.

    They are always on; write 0 to switch one off.
    """

    castings: int = usual(Number(100, 1_000_000, whole=True), 2000)
    """Castings drawn for each candidate."""

    known_within: float = usual(Number(1, 10), 2)
    """How well all of these are known together: 95 % of benches like this one scatter at
    most this factor more or less. Films that were read narrow it; 1 takes them as they are.
    """

    weighing: float = usual(Quantity("percentage", "0 %", "50 %"), "0.5 %")
    """Of the filler's weight fraction, from the balance."""

    mixing: float = usual(Quantity("percentage", "0 %", "50 %"), "2 %")
    """Of the filler's weight fraction, film mean against film mean, from uneven mixing."""

    mixing_within: float = usual(Quantity("percentage", "0 %", "50 %"), "3 %")
    """Of the filler's weight fraction from point to point inside one film."""

    mixing_length: float = usual(Quantity("length", "1 um", "100 mm"), "1 mm")
    """Distance over which that unevenness keeps together (correlation falls by e); a film
    many times longer and wider averages it out.
    """

    thickness: float | None = key(Quantity("percentage", "0 %", "100 %"), "8 %")
    """Of the film's thickness. Default: 8 % for a drawn film, 20 % for a drop-cast one."""

    electrode_gap: float = usual(Quantity("length", "0 mm", "10 mm"), "0.1 mm", stage="gap")
    """Of the electrode gap."""

    electrode_skew: float = usual(
        Quantity("length", "0 mm", "10 mm"), "0.1 mm", stage="skew"
    )
    """Of the gap at one end of the electrodes less that at the other."""

    width: float = usual(Quantity("length", "0 mm", "10 mm"), "0.1 mm")
    """Of the film's width."""

    contact: float = usual(Quantity("percentage", "0 %", "100 %"), "12 %")
    """Of the conductance of the contacts, from cure to cure."""

    aspect_ratio: float = usual(Quantity("percentage", "0 %", "100 %"), "8 %")
    """Of the aspect ratio of the filler, from powder lot to powder lot."""

    particle_size: float = usual(Quantity("percentage", "0 %", "100 %"), "5 %")
    """Of the filler's median size at the same shape, from powder lot to powder lot."""

    aspect_ratio_within: str = usual(Choice("lot", "cup"), "lot")
    """What shares one aspect ratio: all cups of a lot of powder, or one cup."""

    particle_size_within: str = usual(Choice("lot", "cup"), "lot")
    """What shares one median size: all cups of a lot of powder, or one cup."""

    response: float = usual(Quantity("percentage", "0 %", "100 %"), "5 %")
    """Of what a strain changes ln R by, from casting to casting: bond to the part, cure,
    contacts. It scatters the gauge factor.
    """

    tilt: float = usual(Quantity("angle", "0 deg", "30 deg"), "2 deg")
    """Of the rms tilt of in-plane or aligned particles, from casting to casting; it acts
    through the threshold. Isotropic ones have none.
    """

    instrument: float = usual(Quantity("percentage", "0 %", "50 %"), "0.1 %")
    """Of one reading of a resistance, from trial to trial on the same film."""

    strain_setting: float = usual(
        Quantity("strain", "0 microstrain", "10000 microstrain"), "20 microstrain"
    )
    """Of the strain that is set, from trial to trial."""

    contact_redraw: float = usual(Quantity("percentage", "0 %", "100 %"), "5 %")
    """Share of the contacts that close differently each time a film is strained or warmed
    and comes back; no standard deviation.
    """


OF_CYCLES = ("largest_hysteresis", "largest_zero_shift", "largest_drift")
"""Limits on a film that is pulled and released as [cycles] says."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetSection(Section):
    """What a casting must reach; a limit that is left out is not tested."""

    supply: float | None = key(VOLTAGE, "3.3 V")
    """Supply voltage of the divider that reads the film; [supply] says more of it. Default:
    that of [supply], else 3.3 V.
    """

    series_resistor: float | None = key(
        Quantity("resistance", "0.001 ohm", "1000 Gohm"), "1.8 kohm"
    )
    """Resistor in series with the film. Default: 0 ohm, the film straight at the supply."""

    resistance: tuple[float, float] | None = key(
        Window("resistance", "0 ohm", "1000 Gohm"), "0.7 to 3 kohm"
    )
    """Window for R0, the resistance at 20 C without strain; also { from = ..., to = ... }.
    Default: a third to three times the series resistor, where the divider keeps three
    quarters of its best sensitivity; without one, not tested.
    """

    smallest_gauge_factor: float | None = key(
        Number(0.001, 100_000.0), 10, stage="gauge_factor_min"
    )
    """Of the chord from zero to [strain] chord, (R/R0 - 1) over that strain."""

    pull: str = usual(Choice("conditioned", "first"), "conditioned")
    """Which pull limits are on: that of a film pulled to the ends of the strain window and
    let go before, or its first.
    """

    largest_resistance_cv: float | None = key(
        Quantity("percentage", "0.01 %", "1000 %"), "25 %", stage="resistance_cv_max"
    )
    """Largest coefficient of variation of R0 between castings."""

    largest_gauge_factor_cv: float | None = key(
        Quantity("percentage", "0.01 %", "1000 %"), "15 %", stage="gauge_factor_cv_max"
    )
    """Largest coefficient of variation of the gauge factor between castings."""

    largest_self_heating_drift: float | None = key(
        Quantity("strain", "0 microstrain", "100 %"),
        "50 microstrain",
        stage="self_heating_drift_max",
    )
    """Largest drift from the film's own heat on its sheet at the supply, either way, as
    strain of the chord gauge factor; needs [supply] and two temperatures or more.
    """

    largest_thermal_output: float | None = key(
        Quantity("thermal_output", "0 microstrain/K", "1000000 microstrain/K"),
        "200 microstrain/K",
        stage="thermal_output_max",
    )
    """Largest thermal output at 20 C, either way: change of R with temperature over the
    chord gauge factor; needs two temperatures or more.
    """

    largest_hysteresis: float | None = key(
        Quantity("percentage", "0.001 %", "1000 %"), "5 %", stage="hysteresis_max"
    )
    """Largest difference between the ways up and down of the conditioned film pulled as
    [cycles] says, over its span.
    """

    largest_zero_shift: float | None = key(
        Quantity("strain", "0.001 microstrain", "100 %"), "100 microstrain",
        stage="zero_shift_max",
    )  # fmt: skip
    """Largest shift of zero by the first pull of [cycles], either way, as strain of the
    conditioned film.
    """

    largest_drift: float | None = key(
        Quantity("strain", "0.001 microstrain", "100 %"), "50 microstrain",
        stage="drift_max",
    )  # fmt: skip
    """Largest drift in 30 minutes of the hold of [cycles], either way, the same."""

    pass_share: float = usual(
        Quantity("percentage", "0.01 %", "100 %"), "80 %", stage="pass_share_min"
    )
    """Share of the castings that must meet the limits on R0 and gauge factor."""
