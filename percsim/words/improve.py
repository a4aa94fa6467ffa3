"""What to change at the bench so that films scatter less, in sentences."""

from __future__ import annotations

import math

from percsim.bench_changes import FINER, LAID, SIEVED
from percsim.improve import Improvement, Structure
from percsim.quantities import counted, duration, percent, quantity, three, weight

__all__ = [
    "ASSUMED", "HEADS", "assumed", "base_line", "cells", "halving_line", "name_of",
    "new_boxes_line", "told_line",
]  # fmt: skip

HEADS = (
    "", "CV of R", "of factor", "gauge f.", "R", "cups", "films", "film x", "work",
    "to tell",
)  # fmt: skip

ASSUMED = {
    "layers": "every layer is drawn and cured as exactly as a film, and both electrodes"
    " reach all of them; touching layers lie between layers apart and one thick film (R"
    " 13 % lower where simulated, six flakes a layer)",
    "films": "films of one cup differ on a patch as they do from patch to patch",
    "width": "the width is off by as much as before, in mm",
    "drawing": "thickness scatters half as much between shims (judgement)",
    "electrodes": "gap, skew and width scatter 0.3 as much through a mask (judgement)",
    "mixing": "mixing scatters half as much in solvent, an hour more a cup (judgement)",
    "lots": "lots of powder are independent, and blended before weighing",
    "conditioning": "contacts open 0.7 times as unequally after a second conditioning"
    " (judgement)",
    "finish": "R is read after the cure, the gauge factor does not follow it and scatters"
    " as before",
    "powder": f"sieving leaves a geometric spread of {SIEVED:g}, and lots that differ half"
    " as much in size (judgement)",
    "alignment": f"drawing down lays flakes flat within {LAID}, r.m.s. (judgement)",
    "second filler": f"the finer powder, 1/{FINER:g} as large, is of the same material and"
    " shape",
}
"""What each group of changes takes for granted."""


def name_of(structure: Structure) -> str:
    """Name a structure by its changes."""
    return ", ".join(structure.names) or "as it is"


def _cv(value: float) -> str:
    return f"{percent(value)} %" if math.isfinite(value) else "open"


def cells(structure: Structure, found: Improvement, label: str) -> tuple[str, ...]:
    """Row of a table under `HEADS`, with what stands for its name."""
    tell = "" if not structure.changes else three(found.films_to_tell(structure), "none")
    return (
        label,
        _cv(structure.resistance_cv[0]),
        _cv(structure.gauge_factor_cv[0]),
        three(structure.gauge_factor),
        quantity(structure.resistance, "ohm"),
        str(structure.cups),
        f"{structure.films:.0f}",
        three(structure.material),
        duration(60.0 * structure.minutes),
        tell,
    )


def base_line(found: Improvement) -> str:
    """Say how films scatter as they are, and what the patches take."""
    base = found.base
    place = (
        f"{weight(base.recipe.loading.weight_fraction)},"
        f" {quantity(base.recipe.film.electrode_gap, 'm')} gap"
    )
    if math.isinf(base.resistance_cv[0]):
        return (
            f"As it is, half or more of the films of {place} are open, by the median of"
            " what is known: a higher loading comes before less scatter"
        )
    low, high = (_cv(x) for x in base.resistance_cv[1:])
    return (
        f"As it is, R of {place} scatters by {_cv(base.resistance_cv[0])} ({low} to"
        f" {high}, 5-95 % by what is known); {counted(found.patches, 'patch', 'patches')}"
        f" take {duration(60.0 * base.minutes)}"
    )


def halving_line(found: Improvement) -> str:
    """Say what halving the scatter takes."""
    half = found.halving
    if half is None:
        best = found.least
        return (
            f"Nothing tried halves it; {name_of(best)} leaves {_cv(best.resistance_cv[0])}"
        )
    return (
        f"Halving it takes: {name_of(half)}; {_cv(half.resistance_cv[0])},"
        f" {duration(60.0 * half.minutes)}"
    )


def told_line(structure: Structure, found: Improvement) -> str:
    """Say what would show the gain of a structure."""
    n = found.films_to_tell(structure)
    if not math.isfinite(n):
        return f"{name_of(structure)}: no number of films shows it in R"
    where = "each from a cup of its own" if structure.shared else "of one cup"
    return (
        f"{name_of(structure)}: {n:.0f} films of each kind, {where}, show it"
        " (F test of the variances, 5 % one-sided, power 80 %)"
    )


def assumed(structure: Structure) -> list[str]:
    """Say what a structure takes for granted, a clause a change."""
    return [f"{change.name}: {ASSUMED[change.group]}" for change in structure.changes]


def new_boxes_line(found: Improvement) -> str:
    """Name what needs boxes of its own; empty where nothing does."""
    if not found.needing_boxes:
        return ""
    names = ", ".join(change.name for change in found.needing_boxes)
    return f"Not worked out, as it needs boxes of its own (--boxes): {names}"
