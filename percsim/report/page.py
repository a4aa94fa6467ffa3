"""Results -> page: one self-contained HTML file, the decision first, chapters that open.

The page carries its pictures inside, runs no script and asks nothing of any network.
"""

from __future__ import annotations

import base64
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import TYPE_CHECKING, Any

from percsim.quantities import listed, sentence
from percsim.report.candidates import Summary
from percsim.report.chapter import Chapter
from percsim.report.first import first_sheet

if TYPE_CHECKING:
    from percsim.report.figures import Drawing

__all__ = ["left_out", "render_page"]

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


def _context(
    summary: Summary, chapters: Sequence[Chapter], drawings: Sequence[Drawing]
) -> dict[str, Any]:
    """Everything the template prints, as text."""
    pictures: Mapping[str, _Picture] = {d.name: _picture(d) for d in drawings}
    return {
        "title": str(summary.get("title") or "Untitled plan"),
        **{key: str(summary.get(key) or "") for key in ("version", "seed")},
        "created": str(summary.get("created") or "")
        .replace("T", " ")
        .replace("+00:00", " UTC"),
        "complete": bool(summary.get("complete", True)),
        "left_out": left_out(summary),
        "first": first_sheet(summary),
        "chapters": chapters,
        "pictures": pictures,
        "no_picture": _Picture(),
    }


def left_out(summary: Summary) -> list[str]:
    """Sentences on boxes that the numbers lack: failed ones, and damaged rows."""
    again = "The command of the run tries them again."
    failed, damaged = summary.get("failed_boxes") or [], summary.get("damaged_rows") or []
    lines = []
    if failed:
        lines.append(
            f"Boxes that failed and are left out: {len(failed)}, the first of them by "
            f"{failed[0].get('message')}. {again}"
        )
    if damaged:
        lines.append(
            f"Stored rows that are damaged and left out: {listed(damaged, most=5)}. {again}"
        )
    return lines


def _template_text(name: str) -> str:
    return (
        resources.files("percsim.report")
        .joinpath("templates", name)
        .read_text(encoding="utf-8")
    )


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
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(_template_text),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["sentence"] = sentence
    return environment.get_template("report.html.j2").render(
        _context(summary, chapters, drawings)
    )
