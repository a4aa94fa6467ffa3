"""The first page in a few lines for the command line, and the chapters in full."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from percsim.first_page import Cups, FirstPage
from percsim.quantities import columns, grams, sentence, spelt
from percsim.report.chapter import Chapter
from percsim.words.first import (
    CAUSE_HEADS,
    asked_cells,
    cause_cells,
    caution_lines,
    contradiction,
    cup_cautions,
    has_mixes,
    miss,
    place,
    pull_line,
    remark_lines,
    row_cells,
    row_note,
    state_line,
)

__all__ = ["WIDTH", "details_text", "first_text", "wrapped"]

WIDTH = 92
"""Letters in a line."""
HANGING = 6
"""Letters that a broken row of a table is set in."""
MOST_WORDS, MOST_LINES = 200, 18
"""In all; where they are more, the least probable recipes are left to the page."""


def first_text(page: FirstPage, folder: str | os.PathLike[str]) -> str:
    """Put the first page into plain text for the command line.

    Parameters
    ----------
    page : FirstPage
        What stands on it.
    folder : path
        The results folder.

    Returns
    -------
    str
        At most 18 lines and 200 words of ASCII, without a final newline.

    """
    text = _text(page, folder)
    while len(page.rows) > 1 and (
        len(text.split()) > MOST_WORDS or text.count("\n") >= MOST_LINES
    ):
        least = min(page.rows, key=lambda row: (row.is_best, row.in_cup, row.probability))
        page = replace(page, rows=tuple(row for row in page.rows if row is not least))
        text = _text(page, folder)
    return text


def _text(page: FirstPage, folder: str | os.PathLike[str]) -> str:
    lines = [
        *wrapped(f"{state_line(page)}."),
        *(line for cup in page.cups for line in wrapped(_weigh(cup))),
        *(
            line
            for cup in page.cups
            for told in cup_cautions(cup)
            for line in wrapped(told)
        ),
        *_recipes(page),
    ]
    if page.causes:
        lines += columns(CAUSE_HEADS, [cause_cells(cause, page) for cause in page.causes])
    lines += [line for told in contradiction(page) for line in wrapped(told)]
    lines.append(f"Page: {Path(folder) / 'report.html'}")
    return spelt("\n".join(lines))


def wrapped(text: str, hanging: int = 0) -> list[str]:
    """Break a text into lines, all but the first set in by so many letters."""
    return textwrap.wrap(
        text, WIDTH, subsequent_indent=hanging * " ", break_on_hyphens=False
    )


def _weigh(cup: Cups) -> str:
    parts = [f"{grams(part.reading, cup.step)} g {part.name}" for part in cup.parts]
    return sentence(f"weigh {', '.join(parts)}")


def _recipes(page: FirstPage) -> list[str]:
    """Lay out the recipes, with ranges of R alone, those of a mix under its name."""
    told = {row: [cell for cell, _ in row_cells(row, page)] for row in page.rows}
    asked, several, mix = asked_cells(page), has_mixes(page), ""
    lines = [("", "asked", asked[1], "", asked[2], _bare(asked[3]), "", "")]
    for row, (_, middle, factor, cv, _, P, _) in told.items():
        name = place(replace(row.place, mix=""))
        mark = "cast" if row.in_cup else "best" if row.is_best else ""
        ends = row_cells(row, page)[1][1].strip("()")
        lines.append((mark, name, middle, ends, factor, _bare(cv), _bare(P), miss(row)))
    head = ("", "recipe", "R", "5-95 %", "gauge f.", "CV %", "P %", "most often missed")
    heading, limits, *laid = columns(head, lines, left=len(head))
    lines_told = [heading, limits]
    for row, line in zip(page.rows, laid, strict=True):
        if several and row.place.mix != mix:
            mix = row.place.mix
            lines_told += wrapped(f"{mix}:")
        lines_told += wrapped(line, HANGING)
    besides = f"Asked besides: {asked[6]}. " if asked[6] else ""
    pull = pull_line(page) if page.pull == "conditioned" else ""
    return [*lines_told, *wrapped((besides + pull).strip())]


def _bare(cell: str) -> str:
    return cell.removesuffix(" %")


def details_text(page: FirstPage, chapters: Sequence[Chapter]) -> str:
    """Put what the page says beside its first table, and its chapters, into plain text."""
    told = [row_note(page), *remark_lines(page), *caution_lines(page)]
    lines = [line for text in told for line in wrapped(text)]
    for chapter in chapters:
        lines += ["", *wrapped(sentence(chapter.claim)), *wrapped(chapter.words)]
        if chapter.table is not None:
            heads = [f"{c.name} {c.unit}".strip() for c in chapter.table.columns]
            lines += columns(heads, chapter.table.rows)
    return spelt("\n".join(lines))
