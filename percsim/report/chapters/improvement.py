"""What would halve the scatter, and what it costs."""

from __future__ import annotations

from percsim.quantities import duration, percent
from percsim.report.candidates import Row, Summary
from percsim.report.chapter import Chapter, chapter

__all__ = ["improvement"]


def _cv(row: Row, key: str = "resistance_cv") -> str:
    return f"{percent(row[key]['median'])} %"


def _work(row: Row) -> str:
    return duration(60.0 * row["minutes"])


def improvement(summary: Summary) -> Chapter | None:
    """Say what halves the scatter of R, what it takes and what it rests on."""
    found = summary.get("improvement")
    if found is None:
        return None
    base, half = found["base"], found["halving"]
    best = half or found["least"]
    names = ", ".join(best["changes"]) or "the film as it is"
    claim = f"Half the scatter of R takes: {names}"
    if half is None:
        claim = f"Nothing tried halves the scatter of R; least with: {names}"
    tell = best["films_to_tell"]
    whose = ", each of a cup of its own," if best["cups_of_their_own"] else " of one cup"
    shown = isinstance(tell, int | float)
    return chapter(
        "improvement",
        claim,
        f"CV {_cv(base)} to {_cv(best)}, of GF {_cv(base, 'gauge_factor_cv')} to"
        f" {_cv(best, 'gauge_factor_cv')}, medians by what is known;"
        f" {found['patches']} patches take {_work(best)} instead of {_work(base)}.",
        f"{tell:.0f} films of each kind{whose} show it." if shown else "",
        "percsim improve lists more, and what is assumed.",
    )
