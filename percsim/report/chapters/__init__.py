"""Chapters of the report beyond the decision, one module each, in the order of the page."""

from __future__ import annotations

from percsim.report.chapter import Chapter
from percsim.report.chapters.anchor import ANCHOR
from percsim.report.chapters.currents import CURRENTS
from percsim.report.chapters.day_one import DAY_ONE
from percsim.report.chapters.film import CHAPTER as FILM
from percsim.report.chapters.front import FRONT
from percsim.report.chapters.ladder import LADDER
from percsim.report.chapters.layers import LAYERS
from percsim.report.chapters.operation import OPERATION
from percsim.report.chapters.spread import SPREAD
from percsim.report.chapters.temperature import TEMPERATURE
from percsim.report.tables import Summary, candidate_label, deciding_index, of_one_mix

__all__ = ["CHAPTERS", "chapter_lines"]

CHAPTERS: tuple[Chapter, ...] = (
    FILM,
    SPREAD,
    LADDER,
    FRONT,
    DAY_ONE,
    ANCHOR,
    LAYERS,
    TEMPERATURE,
    OPERATION,
    CURRENTS,
)


def chapter_lines(summary: Summary) -> list[str]:
    """Sentences for the command line of every chapter that the summary holds.

    What measured films tell comes first; the rest is then that of the candidate as planned,
    and says so once.
    """
    here = [chapter for chapter in CHAPTERS if chapter.key in summary]
    lines = {
        chapter.key: chapter.lines(summary if chapter.over_mixes else of_one_mix(summary))
        for chapter in here
    }
    measured = list(lines.pop(ANCHOR.key, ()))
    rest = [line for told in lines.values() for line in told]
    index, _ = deciding_index(summary)
    if measured and rest and index is not None:
        label = candidate_label(summary["candidates"][index])
        measured.append(f"As planned, before these films were measured, for {label}:")
    return measured + rest
