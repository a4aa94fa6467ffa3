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
    scaled,
    weight,
)

__all__ = [
    "AXES",
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
    "mix_label",
    "of_mix",
    "of_one_mix",
    "open_films_marked",
    "unknown_share",
    "varying_axes",
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


def of_mix(summary: Summary, candidate: Row) -> str:
    """Say which mix a figure or table is of, empty where there is one alone."""
    words = mix_label(summary, candidate)
    return words and f"Of the mix that decides: {words}."


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


def candidate_label(candidate: Row) -> str:
    """Name a candidate by its weight fraction and electrode gap."""
    gap = mm(candidate.get("electrode_gap_m"))
    return f"{weight(candidate.get('weight_fraction'))}, {gap} gap"


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


def anchored(summary: Summary) -> Row | None:
    """Numbers of the candidate that measured films decide for; None without any."""
    measured = summary.get("anchor")
    return measured["candidates"][measured["best"]] if measured else None


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
