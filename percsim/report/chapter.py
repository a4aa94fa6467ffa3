"""What a chapter of the report is made of: paragraphs, tables, lists and pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from percsim.report.candidates import Summary
from percsim.report.series import Run
from percsim.report.style import Figure
from percsim.words import units_held

__all__ = [
    "Block",
    "Chapter",
    "FigureEntry",
    "Table",
    "bullets",
    "heading",
    "paragraph",
    "picture",
    "table",
    "table_block",
]

Table = dict[str, Any]
Block = dict[str, Any]


@dataclass(frozen=True, slots=True)
class FigureEntry:
    """How a figure is drawn and what stands under it.

    Parameters
    ----------
    draw : callable
        Run to figure, None when it does not apply to the run.
    caption : callable
        Run to caption: what is drawn, and what its bands contain.

    """

    draw: Callable[[Run], Figure | None]
    caption: Callable[[Run], str]


def _nothing(summary: Summary) -> Sequence[str]:
    return ()


@dataclass(frozen=True, slots=True)
class Chapter:
    """One chapter of the page, there when the summary has its key.

    Parameters
    ----------
    key : str
        Key of the summary that holds its numbers.
    anchor, heading, short : str
        Where links point, the heading, and the word in the contents.
    blocks : callable
        Summary to what stands on the page, in order.
    figures : mapping of str to FigureEntry
        Its figures by the name of their files; a `picture` block shows each.
    lines : callable, optional
        Summary to sentences for the command line, none by default.
    over_mixes : bool
        Whether its figures show the candidates of every mix, not of the deciding one alone.

    """

    key: str
    anchor: str
    heading: str
    short: str
    blocks: Callable[[Summary], Sequence[Block]]
    figures: Mapping[str, FigureEntry] = field(default_factory=dict)
    lines: Callable[[Summary], Sequence[str]] = _nothing
    over_mixes: bool = False


def table(
    columns: Sequence[str],
    rows: Iterable[Sequence[Any]],
    marked: int | None = None,
    caption: str = "",
) -> Table:
    """Lay out a table; a column is "name", "name|unit", and "#" before it makes it numeric.

    A "~" before the name lets long text wrap at a readable width.
    """
    heads = []
    for column in columns:
        name, _, unit = column.lstrip("#~").partition("|")
        kind = {"#": "n", "~": "text"}.get(column[:1], "keep")
        heads.append({"name": name, "unit": unit, "numeric": kind == "n", "kind": kind})
    return {
        "columns": heads,
        "rows": [{"cells": list(row), "marked": k == marked} for k, row in enumerate(rows)],
        "caption": caption,
    }


def paragraph(text: str) -> Block:
    """Make a paragraph; numbers stay with their units."""
    return {"kind": "text", "text": units_held(text)}


def heading(text: str) -> Block:
    """Make a heading inside a chapter."""
    return {"kind": "heading", "text": text}


def bullets(entries: Iterable[str]) -> Block:
    """Make a list; empty ones vanish."""
    return {"kind": "bullets", "entries": [units_held(entry) for entry in entries]}


def table_block(made: Table) -> Block:
    """Put a table of `table` on the page."""
    return {"kind": "table", "table": made}


def picture(name: str) -> Block:
    """Show the figure of that name, or the note that stands in for it."""
    return {"kind": "picture", "name": name}
