"""Chapters of the report beyond the decision, one module each, in the order of the page."""

from __future__ import annotations

from percsim.report.chapter import Chapter
from percsim.report.chapters.currents import CURRENTS
from percsim.report.chapters.film import CHAPTER as FILM
from percsim.report.chapters.ladder import LADDER
from percsim.report.chapters.layers import LAYERS
from percsim.report.chapters.spread import SPREAD
from percsim.report.tables import Summary

__all__ = ["CHAPTERS", "chapter_lines"]

CHAPTERS: tuple[Chapter, ...] = (
    FILM,
    SPREAD,
    LADDER,
    LAYERS,
    CURRENTS,
)


def chapter_lines(summary: Summary) -> list[str]:
    """Sentences for the command line of every chapter that the summary holds."""
    return [
        line
        for chapter in CHAPTERS
        if chapter.key in summary
        for line in chapter.lines(summary)
    ]
