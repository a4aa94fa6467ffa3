"""Results -> page: one self-contained HTML file, the decision first, chapters that open.

The page carries its pictures inside, runs no script and asks nothing of any network.
"""

from __future__ import annotations

import base64
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from percsim.report.answer import left_out
from percsim.report.candidates import Summary
from percsim.report.chapter import Chapter
from percsim.report.first import first_sheet
from percsim.report.shown import rendered

if TYPE_CHECKING:
    from percsim.report.figures import Drawing

__all__ = ["render_page"]

_FULL_WIDTH = 900.0 / 1155.0
"""Width of a picture on the page over its pixels."""


@dataclass(frozen=True, slots=True)
class _Picture:
    """A picture on the page [pixels], or the note in its place."""

    note: str = "Not drawn."
    source: str = ""
    width: int = 0
    height: int = 0
    shown: int = 0


def _picture(drawing: Drawing) -> _Picture:
    if not drawing.png:
        return _Picture(drawing.note)
    source = "data:image/png;base64," + base64.b64encode(drawing.png).decode("ascii")
    width, height = struct.unpack(">II", drawing.png[16:24])
    return _Picture("", source, width, height, round(width * _FULL_WIDTH))


def render_page(
    summary: Summary, chapters: Sequence[Chapter], drawings: Sequence[Drawing]
) -> str:
    """Render the report.

    Parameters
    ----------
    summary : dict
        The summary of a run; whatever text it holds is escaped.
    chapters : sequence of Chapter
        What stands below the first page.
    drawings : sequence of Drawing
        Their pictures, or the notes that stand in for them.

    Returns
    -------
    str
        One HTML document that needs nothing else.

    """
    made = str(summary.get("created") or "")
    return rendered(
        "report.html.j2",
        title=str(summary.get("title") or "Untitled plan"),
        version=str(summary.get("version") or ""),
        seed=str(summary.get("seed") or ""),
        created=made.replace("T", " ").replace("+00:00", " UTC"),
        complete=bool(summary.get("complete", True)),
        left_out=left_out(summary),
        first=first_sheet(summary) if "first_page" in summary else None,
        measured="anchor" in summary,
        chapters=chapters,
        pictures={drawing.name: _picture(drawing) for drawing in drawings},
        no_picture=_Picture(),
    )
