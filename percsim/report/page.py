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

from percsim.quantities import sentence, units_held
from percsim.report.answer import decided, first_steps, headline, left_out
from percsim.report.candidates import Summary
from percsim.report.chapter import Chapter
from percsim.report.sheet import mass_table

if TYPE_CHECKING:
    from percsim.report.figures import Drawing

__all__ = ["render_page"]

KINDS = {"cast to learn": "What to do next", "ready": "Decision"}
"""Above the headline, by the state of the decision."""

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
        "kind": KINDS.get(str(decided(summary).get("state")), "No decision"),
        "headline": headline(summary),
        "steps": [units_held(step) for step in first_steps(summary)],
        "masses": mass_table(summary.get("weigh_out") or {}),
        "chapters": chapters,
        "pictures": pictures,
        "no_picture": _Picture(),
    }


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
