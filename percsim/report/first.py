"""The first page as the template prints it: every text, and the one plot."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.decision.decide import State
from percsim.first_page import Cups, FirstPage, Row, read_first_page
from percsim.quantities import grams, microstrain, mm, units_held
from percsim.report.candidates import Summary
from percsim.report.first_plot import plot_svg
from percsim.words.first import (
    CAUSE_HEADS,
    HEADS,
    asked_cells,
    cause_cells,
    caution_lines,
    cup_title,
    remark_lines,
    row_cells,
    row_note,
    state_line,
    told,
)

__all__ = ["FirstSheet", "first_sheet", "sheet_of"]

KINDS = {State.LEARN: "learn", State.READY: "ready", State.NOTHING: "nothing"}
"""Names of the states for the style sheet."""


@dataclass(frozen=True, slots=True)
class CupSheet:
    """One cup on the page.

    Parameters
    ----------
    title : str
        What is mixed.
    strained : str
        Strain at which its films are read besides rest; empty without.
    parts : tuple of (str, str)
        Each with its grams; the whole last.
    films : tuple of (str, int, str, str)
        Gap, films, R expected and its 5-95 %.

    """

    title: str
    strained: str
    parts: tuple[tuple[str, str], ...]
    films: tuple[tuple[str, int, str, str], ...]


@dataclass(frozen=True, slots=True)
class FirstSheet:
    """Texts of the first page.

    Parameters
    ----------
    kind : {"learn", "ready", "nothing"}
        The state, for the style sheet.
    state : str
        The state in one line.
    cups : tuple of CupSheet
        To cast now.
    plot : str
        The drawing, safe to put into a page.
    heads, asked : tuple of str
        Of the table: its heads, and the row of the limits.
    rows : tuple of (str, tuple of (str, str))
        Recipes: "cast", "best" or nothing, and cells with their 5-95 %.
    note : str
        Under the table.
    cause_heads : tuple of str
        Of the table of causes of scatter.
    causes : tuple of tuple of str
        Its cells.
    remarks, cautions : tuple of str
        Sentences.

    """

    kind: str
    state: str
    cups: tuple[CupSheet, ...]
    plot: str
    heads: tuple[str, ...]
    asked: tuple[str, ...]
    rows: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    note: str
    cause_heads: tuple[str, ...]
    causes: tuple[tuple[str, ...], ...]
    remarks: tuple[str, ...]
    cautions: tuple[str, ...]


def first_sheet(summary: Summary) -> FirstSheet:
    """Write out the first page of a summary, in memory or as read back."""
    return sheet_of(read_first_page(summary["first_page"]))


def _mark(row: Row, page: FirstPage) -> str:
    """Say what a row is: while learning none of a cup's gaps stands out."""
    if row.in_cup and (page.state is State.LEARN or not row.is_best):
        return "cast"
    return "best" if row.is_best else ""


def sheet_of(page: FirstPage, *, plotted: bool = True) -> FirstSheet:
    """Write out a first page, with its drawing or without."""
    return FirstSheet(
        KINDS[page.state], units_held(state_line(page)),
        tuple(_cup(cup, page) for cup in page.cups), plot_svg(page) if plotted else "",
        HEADS, asked_cells(page),
        tuple(
            (_mark(row, page), row_cells(row, page))
            for row in page.rows
        ),
        row_note(page), CAUSE_HEADS,
        tuple(cause_cells(cause, page) for cause in page.causes),
        tuple(remark_lines(page)), tuple(caution_lines(page)),
    )  # fmt: skip


def _cup(cup: Cups, page: FirstPage) -> CupSheet:
    whole = sum(part.reading for part in cup.parts)
    rows = [*((part.name, part.reading) for part in cup.parts), ("together", whole)]
    return CupSheet(
        cup_title(cup), microstrain(cup.strain) if cup.strain else "",
        tuple((name, grams(mass, cup.step)) for name, mass in rows),
        tuple(
            (mm(f.electrode_gap), f.films, *told(f.resistance, page)) for f in cup.films
        ),
    )  # fmt: skip
