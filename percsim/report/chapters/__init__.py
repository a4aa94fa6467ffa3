"""Chapters of the report beyond the decision, one module each, in the order of the page."""

from __future__ import annotations

from percsim.report.candidates import Summary, candidate_label, deciding_index, of_one_mix
from percsim.report.chapter import Block, Chapter, paragraph
from percsim.report.chapters.anchor import ANCHOR
from percsim.report.chapters.currents import CURRENTS
from percsim.report.chapters.day_one import DAY_ONE
from percsim.report.chapters.film import CHAPTER as FILM
from percsim.report.chapters.front import FRONT
from percsim.report.chapters.layers import LAYERS
from percsim.report.chapters.operation import OPERATION
from percsim.report.chapters.spread import SPREAD
from percsim.report.chapters.temperature import TEMPERATURE

__all__ = ["CHAPTERS", "chapter_lines", "standing_blocks"]

CHAPTERS: tuple[Chapter, ...] = (
    FILM,
    SPREAD,
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
        measured.append(f"For {label}, at the values that the films make likeliest:")
    return measured + rest


def standing_blocks(chapter: Chapter, summary: Summary) -> list[Block]:
    """Say at the top of a chapter what it stands for once films were measured."""
    index, _ = deciding_index(summary)
    if "anchor" not in summary or index is None or chapter in (ANCHOR, FRONT):
        return []
    if chapter is DAY_ONE:
        return [
            paragraph(
                "As planned: this chapter is what was not known before any film was "
                "measured. The measured films replace it."
            )
        ]
    label = candidate_label(summary["candidates"][index])
    return [
        paragraph(
            f"For {label}, with contacts and threshold at the values that the measured "
            "films make likeliest; what the films leave open is not in its ranges"
            + (", but in those of temperature." if chapter is TEMPERATURE else ".")
        )
    ]
