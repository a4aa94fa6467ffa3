"""Chapters of the report below its first page, in the order of the page."""

from __future__ import annotations

from collections.abc import Callable

from percsim.report.candidates import Summary
from percsim.report.chapter import Chapter
from percsim.report.chapters import (
    basis,
    choice,
    cycles,
    film,
    improvement,
    layers,
    measured,
    patches,
    spread,
    temperature,
    unknown,
    use,
)

__all__ = ["CHAPTERS", "chapters_of"]

CHAPTERS: tuple[Callable[[Summary], Chapter | None], ...] = (
    choice.candidates,
    measured.films,
    measured.told,
    cycles.cycled,
    choice.loadings,
    choice.castings,
    unknown.unknown,
    unknown.assumed,
    spread.spread,
    improvement.improvement,
    cycles.cycles,
    cycles.budget,
    use.linearity,
    temperature.temperature,
    temperature.separation,
    use.readout,
    use.heating,
    use.noise,
    use.vibration,
    layers.transfer,
    layers.wrapping,
    layers.across,
    layers.stiffness,
    patches.sheet,
    patches.calibration,
    patches.scan,
    basis.sheet,
    film.network,
    film.blocks,
    film.verified,
    film.boxes,
    basis.not_modelled,
    basis.cautions,
    basis.repeat,
)
"""Each makes its chapter from a summary, None where the summary has nothing of it."""


def chapters_of(summary: Summary) -> list[Chapter]:
    """Chapters of a summary, in the order of the page."""
    return [made for make in CHAPTERS if (made := make(summary)) is not None]
