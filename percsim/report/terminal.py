"""The decision and the candidates as plain text for the command line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from percsim.quantities import (
    columns,
    estimate,
    number,
    percent,
    quantiles,
    scaled,
    sentence,
    share,
    spelt,
    two,
    weight,
)
from percsim.report.answer import (
    anchored_expectation,
    expectation,
    film_threshold_sentence,
    first_steps,
    headline,
    level_statement,
    measured_threshold_sentence,
)
from percsim.report.candidates import (
    AXES,
    WITHIN_ERROR,
    Row,
    Summary,
    anchored,
    deciding_index,
    full_label,
    judged,
    margin_cells,
    margin_rows,
    open_films_marked,
    recipe_cells,
    unknown_share,
    varying_axes,
)

__all__ = ["MOST_LINES", "text_summary"]

MOST_LINES = 24
"""Candidates the command line lists; of more, the best by pass share."""

_WIDTH = 92
_MARK = re.compile(r"(- |[0-9]+\. )?")


def text_summary(summary: Summary, more: Sequence[str] = ()) -> str:
    """Put the decision and the candidates into plain text for the command line.

    Parameters
    ----------
    summary : dict
        The summary of a run.
    more : sequence of str
        Sentences of the chapters, put at the end.

    Returns
    -------
    str
        Lines of ASCII, without a final newline.

    """
    summary = open_films_marked(summary)
    lines = [
        *_wrapped(headline(summary)),
        *_first(summary),
        *_reasons(summary),
        *_margins(summary),
        *_tables(summary),
        *_basis(summary),
    ]
    if more:
        lines += ["", *_wrapped(*more)]
    return spelt("\n".join(line.rstrip() for line in lines))


def _wrapped(*sentences: str) -> list[str]:
    """Break sentences into lines; what begins with a mark hangs from it."""
    return [
        line
        for text in sentences
        for line in textwrap.wrap(
            text,
            _WIDTH,
            subsequent_indent=" " * len(_MARK.match(text)[0]),  # type: ignore[index]
            break_on_hyphens=False,
        )
    ]


def _first(summary: Summary) -> list[str]:
    """Say what to do first, and what to expect."""
    index, is_chosen = deciding_index(summary)
    candidate = None if index is None else summary["candidates"][index]
    lines = []
    if not summary.get("complete", True):
        lines += _wrapped(
            "This run is not complete; the numbers are those of the boxes so far."
        )
    told, steps = anchored(summary), first_steps(summary)
    lines += _wrapped(*(f"{k}. {step}" for k, step in enumerate(steps, 1)))
    if told is not None:
        lines += _wrapped(anchored_expectation(told))
    elif candidate is not None:
        met = "meets every target" if is_chosen else "comes nearest to the target"
        lines += ["", *_wrapped(f"As planned {full_label(summary, candidate)} {met}:")]
        lines += _wrapped(expectation(candidate, unknown_share(summary, candidate)))
    return lines


def _reasons(summary: Summary) -> list[str]:
    lines = _wrapped(*(f"- {sentence(r)}" for r in summary.get("reasons") or []))
    change = summary.get("what_would_have_to_change") or []
    if change:
        lines.append("What would have to change:")
        lines += _wrapped(*(f"- {sentence(entry)}" for entry in change))
    return lines


def _margins(summary: Summary) -> list[str]:
    rows = margin_rows(judged(summary))
    if not rows:
        return []
    heads = ("target", "limit", "value", "margin", "")
    lines = ["", *columns(heads, [margin_cells(m) for m in rows])]
    return [*lines, f"~ {WITHIN_ERROR}."] if any(m["close"] for m in rows) else lines


def _tables(summary: Summary) -> list[str]:
    if anchored(summary) is not None:
        return ["", *_measured_lines(summary["anchor"]), ""]
    return ["", *_candidate_lines(summary), ""] if summary["candidates"] else []


def _basis(summary: Summary) -> list[str]:
    """Say where the threshold lies and what the level of R rests on."""
    lines = []
    threshold = summary.get("threshold") or {}
    if number(threshold.get("weight_fraction")) is not None:
        error = two(100.0 * (number(threshold.get("standard_error")) or 0.0))
        lines += _wrapped(
            f"Threshold {percent(threshold['weight_fraction'])} wt% "
            f"({percent(threshold.get('volume_fraction'))} vol%, "
            f"standard error {error} vol%)."
            + film_threshold_sentence(threshold)
            + measured_threshold_sentence(summary)
        )
    statement, reasons = level_statement(summary), summary.get("reasons") or []
    if statement and not any(w in str(r) for r in reasons for w in ("1/g0", "1/area")):
        lines += _wrapped(statement)
    return lines


def _measured_lines(measured: Row) -> list[str]:
    """Lay out the candidates as far as measured films tell."""
    rows = []
    for k, c in enumerate(measured["candidates"]):
        r, r_range = quantiles(c.get("casting_resistance_ohm"), "kohm")
        f, f_range = quantiles(c.get("gauge_factor"))
        rows.append(
            (
                "*" if k == measured["best"] else "",
                weight(c.get("weight_fraction"), ""),
                scaled(c.get("electrode_gap_m"), 1e3),
                r,
                r_range,
                share(c.get("open")),
                f,
                f_range,
                share(c.get("pass_share")),
            )
        )
    heads = (
        "", "wt%", "gap mm", "R kohm", "5-95 %", "open %", "GF", "5-95 %", "pass %"
    )  # fmt: skip
    return [
        *columns(heads, rows),
        "* best; ranges hold what the measured films leave open and the bench's "
        "tolerances.",
    ]


def _candidate_lines(summary: Summary) -> list[str]:
    """Lay out the candidates in the columns that decide."""
    index, is_chosen = deciding_index(summary)
    candidates = summary["candidates"]
    shown = list(range(len(candidates)))
    if len(shown) > MOST_LINES:
        shown.sort(
            key=lambda k: (
                -(number((candidates[k].get("pass_share") or {}).get("value")) or 0)
            )
        )
        shown = sorted({*shown[: MOST_LINES - 1], *([] if index is None else [index])})
    rows = []
    for k in shown:
        c = candidates[k]
        r, r_range = quantiles(c.get("resistance_ohm"), "kohm")
        rows.append(
            (
                ("*" if is_chosen else ">") if k == index else "",
                *recipe_cells(summary, c),
                r,
                r_range,
                percent(c.get("resistance_cv")),
                share(c.get("open_fraction")),
                estimate(c.get("gauge_factor")),
                share((c.get("pass_share") or {}).get("value")),
            )
        )
    axes = [
        " ".join(part for part in AXES[key][:2] if part) for key in varying_axes(summary)
    ]
    heads = (
        "", *axes, "wt%", "gap mm", "R kohm", "5-95 %", "CV %", "open %", "GF", "pass %"
    )  # fmt: skip
    note = (
        f"{'* chosen' if is_chosen else '> nearest'}; all numbers are for castings, +- is "
        "the simulation error."
    )
    if len(shown) < len(candidates):
        note += f" The {len(shown)} best of {len(candidates)}; the report has them all."
    return [*columns(heads, rows), note]
