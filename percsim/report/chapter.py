"""What a chapter of the report is made of: a claim, a few words, one figure or table."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from percsim.quantities import units_held

__all__ = ["MOST_WORDS", "Chapter", "Column", "Table", "chapter", "table"]

MOST_WORDS = 60
"""Words of a chapter beside its heading and its table."""


@dataclass(frozen=True, slots=True)
class Column:
    """Head of a column.

    Parameters
    ----------
    name, unit : str
        What it holds, and in what.
    kind : {"n", "text", "keep"}
        Numbers, text that wraps, or text that does not.

    """

    name: str
    unit: str
    kind: str


@dataclass(frozen=True, slots=True)
class Table:
    """A table of the page.

    Parameters
    ----------
    columns : tuple of Column
        Its heads.
    rows : tuple of tuple of str
        Its cells.
    marked : int, optional
        The row that decides.

    """

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    marked: int | None = None


@dataclass(frozen=True, slots=True)
class Chapter:
    """One heading that opens: a claim, and the figure or the table that shows it.

    Parameters
    ----------
    anchor : str
        Where links point.
    claim : str
        The heading, with its numbers.
    words : str
        At most `MOST_WORDS`: what bands hold, what is left out.
    figure : str
        Name of its drawing, empty without.
    table : Table, optional
        In place of a figure.

    """

    anchor: str
    claim: str
    words: str = ""
    figure: str = ""
    table: Table | None = None


def chapter(
    anchor: str, claim: str, *words: str, figure: str = "", table: Table | None = None
) -> Chapter:
    """Make a chapter; empty sentences vanish, numbers stay with their units."""
    text = " ".join(filter(None, words))
    return Chapter(anchor, units_held(claim), units_held(text), figure, table)


def table(
    columns: Sequence[str], rows: Iterable[Sequence[Any]], marked: int | None = None
) -> Table:
    """Lay out a table; a column is "name", "name|unit", and "#" before it makes it numeric.

    A "~" before the name lets long text wrap at a readable width.
    """
    heads = []
    for column in columns:
        name, _, unit = column.lstrip("#~").partition("|")
        heads.append(Column(name, unit, {"#": "n", "~": "text"}.get(column[:1], "keep")))
    cells = tuple(tuple(str(cell) for cell in row) for row in rows)
    return Table(tuple(heads), cells, marked)
