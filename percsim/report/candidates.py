"""What a summary says of its candidates: names, axes, margins, and which one decides.

Everything here takes the summary of a run as it stands in memory or as read back from
`summary.json`, where an infinite number is the string "inf".
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from percsim.quantities import (
    mix,
    mm,
    number,
    percent,
    quantity,
    scaled,
    share,
    weight,
    window,
)

__all__ = [
    "AXES",
    "WITHIN_ERROR",
    "Row",
    "Summary",
    "anchored",
    "axis_cells",
    "axis_columns",
    "candidate_label",
    "deciding_index",
    "film_threshold",
    "full_label",
    "is_tunnelling",
    "label_parts",
    "limit_text",
    "margin_rows",
    "margin_text",
    "mix_label",
    "of_one_mix",
    "open_films_marked",
    "shape_is_assumed",
    "share_text",
    "unknown_share",
    "varying_axes",
    "verdict",
]

Row = Mapping[str, Any]
Summary = Mapping[str, Any]
AXES = {
    "film_thickness_m": ("film", "mm", 1e3),
    "filler_diameter_m": ("filler size", "um", 1e6),
    "filler_aspect_ratio": ("aspect ratio", "", 1.0),
    "mix_ratio": ("base : agent", "by mass", 1.0),
}
"""What a plan may vary beside loading and gap: key, name, unit, and SI to it."""


def varying_axes(summary: Summary) -> list[str]:
    """Keys of what the candidates differ in beside loading and gap."""
    return [
        key
        for key in AXES
        if len({number(c.get(key)) for c in summary.get("candidates") or []}) > 1
    ]


def axis_columns(summary: Summary) -> list[str]:
    """Heads of a table for what the candidates differ in beside loading and gap."""
    return ["#{}|{}".format(*AXES[key]) for key in varying_axes(summary)]


def axis_cells(summary: Summary, candidate: Row) -> list[str]:
    """Cells of one candidate for `axis_columns`."""
    return [
        mix(candidate.get(key))
        if key == "mix_ratio"
        else scaled(candidate.get(key), AXES[key][2])
        for key in varying_axes(summary)
    ]


def recipe_columns(summary: Summary) -> list[str]:
    """Heads of a table for what is mixed and cast."""
    return [*axis_columns(summary), "#filler|wt%", "#gap|mm"]


def recipe_cells(summary: Summary, candidate: Row) -> list[str]:
    """Cells of one candidate for `recipe_columns`."""
    return [
        *axis_cells(summary, candidate),
        weight(candidate.get("weight_fraction"), ""),
        scaled(candidate.get("electrode_gap_m"), 1e3),
    ]


def mix_label(summary: Summary, candidate: Row) -> str:
    """Name what sets the mix of a candidate apart: "0.15 mm film, aspect ratio 12"."""
    words = []
    for key in varying_axes(summary):
        name, unit, factor = AXES[key]
        value = candidate.get(key)
        words.append(
            f"{name} {scaled(value, factor)}"
            if key == "filler_aspect_ratio"
            else f"{mix(value)} mix"
            if key == "mix_ratio"
            else f"{scaled(value, factor)} {unit} {name.partition(' ')[0]}"
        )
    return ", ".join(words)


def of_one_mix(summary: Summary) -> dict[str, Any]:
    """Copy a summary with the candidates of the deciding mix alone, numbered anew.

    For what is drawn over loading and gap.
    """
    keys = varying_axes(summary)
    index, _ = deciding_index(summary)
    if not keys or index is None:
        return dict(summary)
    candidates = summary["candidates"]
    here = [number(candidates[index].get(key)) for key in keys]
    kept = [
        k for k, c in enumerate(candidates) if [number(c.get(key)) for key in keys] == here
    ]
    place = {k: n for n, k in enumerate(kept)}
    return {
        **summary,
        "candidates": [candidates[k] for k in kept],
        **{
            key: place.get(at) if isinstance(at := summary.get(key), int) else None
            for key in ("chosen", "nearest")
        },
    }


def label_parts(candidate: Row) -> tuple[str, str]:
    """Weight fraction and electrode gap of a candidate, with units."""
    return weight(candidate.get("weight_fraction")), mm(candidate.get("electrode_gap_m"))


def candidate_label(candidate: Row) -> str:
    """Name a candidate by its weight fraction and electrode gap."""
    weight, gap = label_parts(candidate)
    return f"{weight}, {gap} gap"


def full_label(summary: Summary, candidate: Row) -> str:
    """Name a candidate with what sets its mix apart."""
    return ", ".join(
        filter(None, (mix_label(summary, candidate), candidate_label(candidate)))
    )


def film_threshold(summary: Summary) -> float | None:
    """Weight fraction of the threshold by which loadings are judged."""
    threshold = summary.get("threshold") or {}
    for key in ("measured_", "film_", ""):
        w = number(threshold.get(f"{key}weight_fraction"))
        if w is not None:
            return w
    return None


def open_films_marked(summary: Summary) -> dict[str, Any]:
    """Copy a summary so that a candidate whose median casting is open has no gauge factor.

    An open film has no gauge factor, whatever number stands in its place: it reads as
    infinite here, so that every table says open and every figure marks it so.
    """
    candidates = []
    for candidate in summary.get("candidates") or []:
        if number((candidate.get("resistance_ohm") or {}).get("median")) == math.inf:
            candidate = {
                **candidate,
                "gauge_factor": dict.fromkeys(("median", "p05", "p95"), math.inf),
                "gauge_factor_initial": math.inf,
                "gauge_factor_initial_se": None,
                "resistance_cv_se": None,
            }
        candidates.append(candidate)
    return {**summary, "candidates": candidates}


def deciding_index(summary: Summary) -> tuple[int | None, bool]:
    """Index of the chosen candidate, else of the nearest, and whether it was chosen."""
    count = len(summary.get("candidates") or [])
    for key in ("chosen", "nearest"):
        index = summary.get(key)
        if isinstance(index, int) and not isinstance(index, bool) and 0 <= index < count:
            return index, key == "chosen"
    return None, False


def limit_text(limit: Any, unit: str) -> str:
    """One limit, or a window of two."""
    if isinstance(limit, (list, tuple)) and len(limit) == 2:
        return window(limit[0], limit[1], unit)
    return quantity(limit, unit)


def margin_text(margin: Row) -> str:
    """Distance of a value from its limit, in per cent of the limit, + inside."""
    value, limit = number(margin.get("value")), margin.get("limit")
    if value is None:
        return "–"
    if isinstance(limit, (list, tuple)):
        limits = [x for x in (number(entry) for entry in limit) if x]
    else:
        limits = [x for x in [number(limit)] if x]
    if not limits or math.isinf(value):
        return "–"
    nearest = min(
        limits, key=lambda x: abs(math.log(value / x)) if value * x > 0 else abs(value - x)
    )
    away = abs(value - nearest) / abs(nearest)
    return f"{'+' if margin.get('met') else '-'}{percent(away)} %"


def _margin_unit(margin: Row) -> str:
    """Give the unit of a margin; shares and CVs read as per cent."""
    unit, name = str(margin.get("unit") or ""), str(margin.get("target", "")).lower()
    if unit in ("", "1") and any(
        word in name for word in ("share", "spread", "cv", "variation", "pass")
    ):
        return "fraction"
    return unit


def _told_apart(margin: Row) -> tuple[str, str]:
    """Limit and value, with as many digits as it takes to see that they differ."""
    unit = _margin_unit(margin)
    texts = limit_text(margin.get("limit"), unit), quantity(margin.get("value"), unit)
    limit, value = number(margin.get("limit")), number(margin.get("value"))
    if unit != "fraction" or limit is None or value is None or texts[0] != texts[1]:
        return texts
    for digits in range(1, 5):
        if texts[0] != texts[1] or limit == value or math.isinf(value):
            break
        texts = f"{100.0 * limit:.{digits}f} %", f"{100.0 * value:.{digits}f} %"
    return texts


WITHIN_ERROR = "within its simulation error"


def margin_rows(candidate: Row) -> list[dict[str, Any]]:
    """Targets of a candidate: limit, value, margin and whether it is met, as text."""
    rows = []
    for m in candidate.get("margins") or []:
        limit, value = _told_apart(m)
        rows.append(
            {
                "target": str(m.get("target", "")),
                "limit": limit,
                "value": value,
                "margin": margin_text(m),
                "met": bool(m.get("met")),
                "close": bool(m.get("within_error")),
            }
        )
    return rows


def margin_cells(row: dict[str, Any]) -> tuple[str, ...]:
    """Cells of one of `margin_rows`, "~" before a margin within its error."""
    close, met = "~ " if row["close"] else "", "met" if row["met"] else "missed"
    return row["target"], row["limit"], row["value"], close + row["margin"], met


def share_text(candidate: Row) -> str:
    """Share of castings that pass, with its interval, in per cent."""
    passing = candidate.get("pass_share") or {}
    value, low, high = (share(passing.get(key)) for key in ("value", "low", "high"))
    return f"{value} ({low} – {high})"


def verdict(candidate: Row, is_chosen: bool) -> str:
    """One word or the reasons why a candidate was refused."""
    if is_chosen:
        return "chosen"
    why = [str(reason) for reason in candidate.get("refused_because") or []]
    if why:
        return "; ".join(why)
    return (
        "meets the targets, ranked lower"
        if candidate.get("meets_target")
        else "misses a target"
    )


def anchored(summary: Summary) -> Row | None:
    """Numbers of the candidate that measured films decide for; None without any."""
    measured = summary.get("anchor")
    return measured["candidates"][measured["best"]] if measured else None


def judged(summary: Summary) -> Row:
    """Whose margins decide: those of the measured films, else of the candidate."""
    if anchored(summary) is not None:
        return dict(summary["anchor"])
    index, _ = deciding_index(summary)
    return {} if index is None else dict(summary["candidates"][index])


def unknown_share(summary: Summary, candidate: Row) -> float | None:
    """Share of castings that pass with all that is not known yet, None if not told."""
    for row in (summary.get("day_one") or {}).get("candidates") or []:
        if all(
            number(row.get(key)) == number(candidate.get(key))
            for key in ("weight_fraction", "electrode_gap_m")
        ):
            return number(row.get("pass_share"))
    return None


def is_tunnelling(summary: Summary) -> bool:
    """Whether contacts tunnel across absolute gaps, so that g0 and beta do not act."""
    return any(
        str(entry.get("symbol")) == "contact_area"
        for entry in summary.get("assumptions") or []
    )


def shape_is_assumed(summary: Summary) -> bool:
    """Whether the threshold rests on an aspect ratio that nobody measured."""
    return any(
        str(entry.get("symbol")) == "phi_c"
        and "aspect ratio assumed" in str(entry.get("source"))
        for entry in summary.get("assumptions") or []
    )
