"""Results -> page: one self-contained HTML file that begins with the decision.

The page carries its pictures inside, runs no script and asks nothing of any network.
"""

from __future__ import annotations

import base64
import struct
from collections.abc import Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

from percsim.quantities import (
    band,
    quantity,
    resistance,
    sentence,
    share,
    simulation_error,
    three,
    units_held,
)
from percsim.report.alternatives import candidate_table, refused_table
from percsim.report.answer import decided, first_steps, headline, left_out
from percsim.report.basis import (
    ACTING,
    assumption_table,
    basis_lines,
    fit_table,
    quality_text,
    threshold_told,
)
from percsim.report.candidates import (
    WITHIN_ERROR,
    Row,
    Summary,
    anchored,
    candidate_label,
    deciding_index,
    full_label,
    is_tunnelling,
    judged,
    margin_cells,
    margin_rows,
    of_one_mix,
    open_films_marked,
    unknown_share,
)
from percsim.report.chapter import Table, table
from percsim.report.chapters import CHAPTERS, standing_blocks
from percsim.report.readout import readout_table
from percsim.report.sheet import flat, line_of, mass_table, weigh_out

if TYPE_CHECKING:
    from percsim.report.figures import Drawing

__all__ = ["render_page"]

SECTIONS = (
    ("resistance", "Resistance"),
    ("response", "Strain"),
    ("gauge-factor", "Gauge factor"),
    ("gap", "Gap"),
    ("map", "Map"),
    ("network", "Network"),
    ("readout", "Readout"),
    *((chapter.anchor, chapter.short) for chapter in CHAPTERS),
    ("weigh-out", "Weigh-out"),
    ("candidates", "Candidates"),
    ("predicted", "Predicted and assumed"),
    ("not-modelled", "Not modelled"),
    ("cautions", "Cautions"),
    ("quality", "Simulation quality"),
    ("environment", "Environment"),
    ("repeat", "Repeat"),
)


KINDS = {"cast to learn": "What to do next", "ready": "Decision"}
"""Above the headline, by the state of the decision."""


def _card(name: str, value: str, detail: str, error: str = "") -> dict[str, str]:
    return {"name": name, "value": value, "detail": detail, "error": error}


def _numbers(candidate: Row, unknown: float | None) -> list[dict[str, str]]:
    """Four numbers a reader looks for first."""
    r, factor, passing = (
        candidate.get(key) or {} for key in ("resistance_ohm", "gauge_factor", "pass_share")
    )
    interval = f"95 % interval {share(passing.get('low'))} – {share(passing.get('high'))} %"
    chance = ""
    if unknown is not None:
        interval += " if contacts and threshold are as planned"
        chance = f"{share(unknown)} % with all that is not known of them"
    n_open = share(candidate.get("open_fraction"))
    return [
        _card(
            "Resistance, median",
            resistance(r.get("median")),
            _for_most(r, "ohm"),
            simulation_error(r.get("standard_error"), "ohm", r.get("median")),
        ),
        _card(
            "Gauge factor, median",
            three(factor.get("median")),
            _for_most(factor),
            simulation_error(factor.get("standard_error")),
        ),
        _card("Castings that pass", f"{share(passing.get('value'))} %", interval, chance),
        _card(
            "Spread of resistance",
            quantity(candidate.get("resistance_cv"), "fraction"),
            f"coefficient of variation; {n_open} % open",
            simulation_error(candidate.get("resistance_cv_se"), "fraction"),
        ),
    ]


def _measured_numbers(row: Row) -> list[dict[str, str]]:
    """Give the same four as far as measured films tell."""
    r, factor, spread = (
        row.get(key) or {}
        for key in ("casting_resistance_ohm", "gauge_factor", "resistance_cv")
    )
    contents = "what the films leave open, and the bench"
    median = resistance(r.get("median"))
    return [
        _card("Resistance, median", median, _for_most(r, "ohm"), contents),
        _card(
            "Gauge factor, median", three(factor.get("median")), _for_most(factor), contents
        ),
        _card(
            "Castings that pass",
            f"{share(row.get('pass_share'))} %",
            "averaged over what the films leave open",
        ),
        _card(
            "Spread of resistance",
            quantity(spread.get("median"), "fraction"),
            f"coefficient of variation; {_for_most(spread, 'fraction')}",
        ),
    ]


def _for_most(row: Row, unit: str = "") -> str:
    return f"5 – 95 %: {band(row, unit)}"


_FULL_WIDTH = 900.0 / 1155.0
"""Width of a picture on the page over its pixels."""


def _picture(drawing: Drawing) -> dict[str, Any]:
    source, width, height = "", 0, 0
    if drawing.png:
        source = "data:image/png;base64," + base64.b64encode(drawing.png).decode("ascii")
        width, height = struct.unpack(">II", drawing.png[16:24])
    return {
        "name": drawing.name,
        "caption": units_held(drawing.caption),
        "note": drawing.note,
        "source": source,
        "shown": round(width * _FULL_WIDTH),
        "width": width,
        "height": height,
    }


def _context(summary: Summary, drawings: Sequence[Drawing]) -> dict[str, Any]:
    """Everything the template prints, as text."""
    summary = open_films_marked(summary)
    cautions = _texts(summary, "cautions")
    readout, readout_text = readout_table(summary)
    candidates, mix_text = candidate_table(summary)
    threshold_text, threshold_table = threshold_told(summary)
    absent = {chapter.anchor for chapter in CHAPTERS if chapter.key not in summary}
    return {
        "title": str(summary.get("title") or "Untitled plan"),
        **{key: str(summary.get(key) or "") for key in ("version", "seed", "command")},
        "created": str(summary.get("created") or "")
        .replace("T", " ")
        .replace("+00:00", " UTC"),
        "complete": bool(summary.get("complete", True)),
        "left_out": left_out(summary),
        **_decision(summary),
        "basis": [units_held(line) for line in basis_lines(summary)],
        "margins": _margins(summary),
        "reasons": _texts(summary, "reasons"),
        "masses": mass_table(summary.get("weigh_out") or {}),
        "refused": refused_table(summary),
        "contents": [s for s in SECTIONS if s[0] not in absent],
        "chapters": _chapters(summary),
        "figures": [_picture(d) for d in drawings],
        "threshold_text": units_held(threshold_text),
        "threshold_table": threshold_table,
        "readout": readout,
        "readout_text": units_held(readout_text),
        "weigh_out": weigh_out(summary),
        "candidates": candidates,
        "mix_text": mix_text,
        "assumptions": assumption_table(summary),
        "acting": ACTING[is_tunnelling(summary)],
        "not_modelled": _texts(summary, "not_modelled"),
        "needs_closing": not any("no substitute" in x for x in cautions),
        "cautions": cautions,
        "quality_text": units_held(quality_text(summary)),
        "fits": fit_table(summary),
        "fit_notes": [
            str(note)
            for f in summary.get("fits") or []
            for note in f.get("notes") or []
            if note not in cautions
        ],
        "failed_boxes": [line_of(x) for x in summary.get("failed_boxes") or []],
        "environment": table(("environment", "~"), flat(summary.get("environment"))),
        "plan": table(("plan as run", "~"), flat(summary.get("plan"))),
    }


def _texts(summary: Summary, key: str) -> list[str]:
    return [str(entry) for entry in summary.get(key) or []]


def _decision(summary: Summary) -> dict[str, Any]:
    """Say what stands at the top of the page: what to do, and what to expect of it."""
    index, is_chosen = deciding_index(summary)
    candidate = None if index is None else summary["candidates"][index]
    told, steps = anchored(summary), first_steps(summary)
    by, label = ", as planned", ""
    numbers = []
    if told is not None:
        by, label = ", by the measured films", candidate_label(told)
        is_chosen = bool(summary["anchor"]["meets_target"])
        numbers = _measured_numbers(told)
    elif candidate is not None:
        label = full_label(summary, candidate)
        numbers = _numbers(candidate, unknown_share(summary, candidate))
    return {
        "is_chosen": is_chosen,
        "kind": KINDS.get(str(decided(summary).get("state")), "No decision"),
        "headline": headline(summary),
        "steps": [units_held(step) for step in steps],
        "of_candidate": f"{label}{by}",
        "as_measured": by,
        "numbers": numbers,
        "changes": _texts(summary, "what_would_have_to_change"),
    }


def _margins(summary: Summary) -> Table | None:
    rows = margin_rows(judged(summary))
    if not rows:
        return None
    return table(
        ("~target", "#limit", "#value", "#margin|of the limit", "verdict"),
        [margin_cells(m) for m in rows],
        caption=f"~ {WITHIN_ERROR}." if any(m["close"] for m in rows) else "",
    )


def _chapters(summary: Summary) -> list[dict[str, Any]]:
    return [
        {
            "anchor": chapter.anchor,
            "heading": chapter.heading,
            "blocks": [
                *standing_blocks(chapter, summary),
                *chapter.blocks(summary if chapter.over_mixes else of_one_mix(summary)),
            ],
        }
        for chapter in CHAPTERS
        if chapter.key in summary
    ]


def _template_text(name: str) -> str:
    return (
        resources.files("percsim.report")
        .joinpath("templates", name)
        .read_text(encoding="utf-8")
    )


def render_page(summary: Summary, drawings: Sequence[Drawing]) -> str:
    """Render the report.

    Parameters
    ----------
    summary : dict
        The summary of a run; whatever text it holds is escaped.
    drawings : sequence of Drawing
        Pictures, or the notes that stand in for them.

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
    return environment.get_template("report.html.j2").render(_context(summary, drawings))
