"""What the page of knobs says besides its numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from percsim.quantities import counted, duration, listed, mm, resistance, share, weight
from percsim.words.films import PARAMETERS
from percsim.words.first import TOLERANCES

__all__ = [
    "GROUPS",
    "HOVER",
    "LABELS",
    "NOTES",
    "TITLES",
    "WORTH_HEADS",
    "box_line",
    "box_offer",
    "box_title",
    "boxes_line",
    "candidate_line",
    "outside_line",
    "reading_lines",
    "title_of",
    "tolerance_label",
    "worth_cells",
    "worth_name",
    "worthless",
]  # fmt: skip

GROUPS = {
    "target": "What is asked",
    "film": "Film",
    "batch": "Cup",
    "tolerances": "What the bench scatters",
    "boxes": "Takes new boxes",
}
"""Headings of the knobs."""

_SYMBOLS = {"electrode_gap": "gap", "electrode_skew": "skew"}

LABELS = {
    "target.resistance.from": "R at least",
    "target.resistance.to": "R at most",
    "target.smallest_gauge_factor": "gauge factor at least",
    "target.pull": "of which pull",
    "target.largest_resistance_cv": "CV of R at most",
    "target.largest_gauge_factor_cv": "CV of gauge factor at most",
    "target.pass_share": "share that passes",
    "target.supply": "supply",
    "target.series_resistor": "series resistor",
    "supply.voltage": "supply",
    "supply.series_resistor": "series resistor",
    "explore.electrode_gap": "electrode gaps",
    "film.thickness": "thickness",
    "film.width": "width",
    "elastomer.mix_ratio": "base to curing agent",
    "batch.mass": "mass of a cup",
    "batch.films": "or films of a cup",
    "tolerances.known_within": "known within a factor of",
    "explore.weight_fraction": "loadings with boxes",
    "filler.aspect_ratio.value": "aspect ratio of the powder",
    "filler.diameter.median": "median size of the powder",
    "filler.orientation": "orientation of the particles",
    "strain.window": "strain window",
}
"""Knobs in words, by their keys; tolerances have those of the table of causes."""

TITLES = {
    "weight": "filler, wt%", "R": "R of one casting", "factor": "gauge factor",
    "gap": "electrode gap, mm", "cv": "CV of R, %",
}  # fmt: skip
"""Axes of the plots."""

HOVER = (("", "@what"), ("R", "@R"), ("gauge factor", "@factor"), ("P", "@P"))
"""What the pointer reads."""

NOTES = {
    "lost": "Not connected: the program has ended or the line is cut. Trying again.",
    "second": "This folder is open in another page too. Both follow their own knobs; "
    "saving is left to the first.",
    "saved": "Saved as {}.",
    "nothing": "Nothing was changed.",
    "no readings": "There are no readings to save.",
    "no cup": "There is no cup to cast.",
    "stopped": "Stopped. Finished boxes are stored; run again to go on.",
    "failed": "The run ended: {}",
    "finished": "Done: the folder holds these boxes.",
    "saving elsewhere": "Saving is left to the page that opened this folder first.",
    "skip": "To the answer",
    "readings": "Type, paste or drop films that were read; the first line names the "
    "columns and units. The decision follows at once; nothing is saved before you ask.",
    "waiting": "The plan is being run; the page opens when it is done.",
    "counting": "This takes boxes of its own; counting them.",
    "map": "P over loading and gap; choose a candidate by a click or the arrow keys",
    "no place": "Loading and gap must be numbers above 0, in wt% and mm.",
    "no box": "This browser draws nothing in three dimensions: it has no WebGL 2.",
    "solving": "Solving the box.",
    "box": "One box alone: a film is many of them. Colour of a body: its voltage; dots: "
    "contacts by their current, red where they have parted. Drag or arrow keys turn, wheel "
    "or + and - zoom.",
    "sheet": "The first sheet at full load, of {}, as it was run: knobs leave it as it is.",
    "too large": "Readings of more than 1 MB are not taken.",
}
"""Sentences of the page."""


def tolerance_label(name: str) -> str:
    """Name a tolerance by its key in the plan."""
    return TOLERANCES[_SYMBOLS.get(name, name)]


def boxes_line(jobs: int, seconds: float, cores: int) -> str:
    """Say what a changed plan takes before it can be answered."""
    if not jobs:
        return f"Its boxes are stored; fitting them takes about {duration(seconds)}."
    on = "one core" if cores == 1 else f"{cores} cores"
    return (
        f"This takes boxes of its own: {counted(jobs, 'job')}, about {duration(seconds)} "
        f"on {on}. Shown is the last answer until then."
    )


def box_offer(weight_fraction: float, particles: float, seconds: float) -> str:
    """Say what solving one box takes."""
    return (
        f"One box of {weight(weight_fraction)}, {particles:,.0f} particles, solved at "
        f"every strain: about {duration(max(seconds, 1.0))}."
    )


def box_title(weight_fraction: float, length: float, particles: int) -> str:
    """Name a box that is drawn."""
    return f"{weight(weight_fraction)}, {mm(length)} of film, {particles:,} particles"


def box_line(*at: tuple[float, float, int]) -> str:
    """Say what a box reads at a strain or between two: R, and contacts that conduct."""

    def span(words: Iterable[str]) -> str:
        return " to ".join(dict.fromkeys(words))

    strains, ohms, contacts = zip(*at, strict=True)
    way = ", not solved between" if len(at) > 1 else ""
    return (
        f"{span(f'{1e6 * e:.0f}' for e in strains)} microstrain{way}: this box "
        f"{span(map(resistance, ohms))}, {span(f'{k:,}' for k in contacts)} contacts"
        " conduct."
    )


def outside_line(weight_fraction: float, low: float, high: float) -> str:
    """Say that a loading lies beyond those with boxes; empty where it does not."""
    if low - 1e-9 <= weight_fraction <= high + 1e-9:
        return ""
    return f"{weight(weight_fraction)} lies outside the boxes, {weight(low, '')} to " + (
        f"{weight(high)}: carried on from them in a straight line."
    )


def candidate_line(weight_fraction: float, gap: float) -> str:
    """Name the candidate looked at."""
    return f"{weight(weight_fraction)} at {mm(gap)} gap"


Cells = tuple[str, ...]

WORTH_HEADS = ("halved, or known", "of scatter", "P then", "rise, points")
"""Of the table of what it is worth."""


def worth_name(kind: str, name: str) -> str:
    """Say what is bettered."""
    return PARAMETERS[name] if kind == "unknown" else TOLERANCES[name]


def worth_cells(
    kind: str, name: str, part: float, after: float, gain: float, error: float
) -> Cells:
    """Name what is bettered, its share, P then, and its rise with its standard error."""
    done = "known" if kind == "unknown" else "halved"
    told = f"{100.0 * gain:.1f} ± {100.0 * error:.1f}"
    if gain <= 2.0 * error:
        told = "–"
    of = "" if kind == "unknown" else f"{share(part)} %"
    return f"{worth_name(kind, name)} {done}", of, f"{share(after)} %", told


def worthless(names: Sequence[str]) -> str:
    """Name what buys nothing beyond its error."""
    return f"Nothing beyond its error: {listed(names)}." if names else ""


def reading_lines(narrowed: Mapping[str, float], outliers: Sequence[str]) -> list[str]:
    """Say what readings narrow, and which of them the others speak against."""
    told = [f"{PARAMETERS[name]} to {share(width)} %" for name, width in narrowed.items()]
    lines = [f"What was possible before is narrowed: {listed(told)}."] if told else []
    if outliers:
        lines.append(f"The others speak against {listed(outliers)}.")
    return lines


def title_of(name: str, gap: float) -> str:
    """Say what a plot shows."""
    at = mm(gap)
    return {
        "resistance": f"R of one casting at {at} gap: median and 5–95 %",
        "factor": f"Gauge factor of one casting at {at} gap: median and 5–95 %",
        "map": NOTES["map"],
        "trade": "Sensitivity against scatter; larger dots have more P",
    }[name]
