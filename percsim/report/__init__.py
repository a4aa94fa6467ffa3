"""Results -> report: tables, figures and the page that begins with the decision.

The only home of Matplotlib, which is imported when a figure is drawn.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from percsim.boxes.folder import write_atomically
from percsim.errors import FolderError
from percsim.process import check_interrupt
from percsim.report.candidates import Summary, deciding_index
from percsim.report.rows import Table, write_tables

if TYPE_CHECKING:
    from percsim.boxes.pool import LocalProcesses
    from percsim.report.figures import Drawing
    from percsim.report.series import BoxPicture

__all__ = [
    "Report",
    "drawings",
    "write_report",
    "write_tables",
]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Report:
    """What was written.

    Parameters
    ----------
    page : Path
        The HTML page.
    files : tuple of Path
        Every file written, the page included.
    failures : tuple of str
        One line for each figure that broke, empty when all went well. Figures a run has no
        data for are no failure.

    """

    page: Path
    files: tuple[Path, ...]
    failures: tuple[str, ...]


def drawings(
    summary: Summary,
    tables: Mapping[str, Table],
    sample: BoxPicture | None = None,
    drawn: Path | None = None,
    beside: LocalProcesses | None = None,
) -> Iterator[Drawing]:
    """Draw the figures that the page of a run shows, in its order.

    Parameters
    ----------
    summary, tables
        As of `write_report`.
    sample : BoxPicture, optional
        One box, for its picture.
    drawn : Path, optional
        Folder of figures of before, whose pictures stand where their data do.
    beside : LocalProcesses, optional
        As of `percsim.report.figures.draw`.

    """
    from percsim.report.chapters import chapters_of
    from percsim.report.figures import draw
    from percsim.report.series import Run

    index, _ = deciding_index(summary)
    cast = tables["castings"]
    rows = [i for i, of in enumerate(cast["candidate"]) if of == index]
    mine = {key: [column[i] for i in rows] for key, column in cast.items()}
    names = [chapter.figure for chapter in chapters_of(summary) if chapter.figure]
    return draw(Run(summary, mine, sample), names, drawn, beside)


def write_report(
    folder: str | os.PathLike[str],
    summary: Summary,
    tables: Mapping[str, Table],
    drawings: Iterable[Drawing],
) -> Report:
    """Write the tables, the figures and the page of a run, each whole or absent.

    Parameters
    ----------
    folder : path
        Folder for them; made if it is not there. Files of other names stay.
    summary : dict
        The summary of the run, in memory or as read back from `summary.json`.
    tables : mapping of str to mapping of str to sequence
        Columns of `candidates`, `castings`, `boxes` and `responses`.
    drawings : iterable of Drawing
        Its figures, as `drawings` gives them.

    Returns
    -------
    Report
        The files, and what could not be drawn.

    Raises
    ------
    FolderError
        If tables or page cannot be written; files that were there stay as they were.
    ValueError
        If a column holds NaN.

    Notes
    -----
    Tables are written first, so that a picture can never cost them. A figure that breaks is
    logged, and a note with the reason takes its place on the page.

    """
    from percsim.report.chapters import chapters_of
    from percsim.report.page import render_page

    folder = Path(folder)
    pictures = folder / "figures"
    folder.mkdir(parents=True, exist_ok=True)
    files = write_tables(folder, tables)
    shown, failures = [], []
    for drawing in drawings:
        check_interrupt()
        shown.append(drawing)
        target = pictures / f"{drawing.name}.png"
        if drawing.failed:
            failures.append(f"{drawing.name}: {drawing.note}")
            _log.warning("figure %s: %s", drawing.name, drawing.note)
        try:
            if drawing.png is not None:
                files.append(write_atomically(target, drawing.png))
        except (OSError, FolderError) as error:
            failures.append(f"{drawing.name}: {error}")
            _log.warning("figure %s was not saved: %s", drawing.name, error)
    page = write_atomically(
        folder / "report.html", render_page(summary, chapters_of(summary), shown)
    )
    return Report(page, (*files, page), tuple(failures))
