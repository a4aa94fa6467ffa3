"""What the plots of the page are fed with: columns of numbers, ends of axes.

Their texts are those of the first page. What is open, or beyond an axis, stands at its
edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from percsim.first_page import FirstPage, Point
from percsim.live.session import Cell, Seen, Spot, View
from percsim.quantities import mm, resistance, share, three, weight
from percsim.report.first_plot import reach
from percsim.words.first import factor_words, ohms, told
from percsim.words.live import HOVER, TITLES

__all__ = ["Columns", "curve_columns", "drawn", "map_columns", "view_columns"]

Columns = dict[str, dict[str, list[Any]] | list[float]]
"""Columns by the name of their source, and ends by the name of an axis."""

SOURCES = {
    "outside": ("left", "right", "bottom", "top"),
    "asked": ("left", "right", "bottom", "top"),
    "threshold": ("x", "left", "right", "bottom", "top"),
    "known": ("x", "low", "middle", "high", "what", "R"),
    "pinned": ("x", "middle"),
    "cast": ("x", "bottom", "top"),
    "readings": ("x", "y", "name", "what", "R", "marker"),
    "spot": ("x", "y"),
    "factors": ("x", "low", "middle", "high", "what", "R", "factor", "P"),
    "factor_asked": ("left", "right", "bottom", "top"),
    "factor_outside": ("left", "right", "bottom", "top"),
    "factor_spot": ("x", "y"),
    "map": ("x", "y", "width", "height", "value", "what", "P"),
    "map_outside": ("left", "right", "bottom", "top"),
    "map_made": ("x", "y"),
    "map_spot": ("x", "y"),
    "trade": ("x", "y", "what", "R", "factor", "P", "size"),
    "trade_asked": ("left", "right", "bottom", "top"),
    "trade_spot": ("x", "y"),
}  # fmt: skip
"""Columns of every source."""


def drawn(sheet: Mapping[str, Any] | None) -> dict[str, Any]:
    """Words and columns that plots are made with, and the maps of a sheet of patches.

    No knob turns these, so that they come with their numbers.
    """
    decades = [(10.0**k, resistance(10.0**k)) for k in range(-3, 13)]
    maps = [] if sheet is None else _maps(sheet["field"]["map"])
    return {
        "titles": TITLES, "hover": HOVER, "decades": decades, "columns": SOURCES,
        "sheet": maps,
    }  # fmt: skip


def _maps(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Lay out the maps of a sheet of patches, the first that was drawn."""
    from percsim.report.chapters.patches import ALONG, AROUND, edges, map_panels

    along, around, panels = map_panels(dict(found))
    x, y = (edges(middles).tolist() for middles in (along, around))
    places = [(i, j) for i in range(len(along)) for j in range(len(around))]
    rows = {
        "x": [float(along[i]) for i, _ in places],
        "y": [float(around[j]) for _, j in places],
        "width": [0.97 * (x[i + 1] - x[i]) for i, _ in places],
        "height": [0.97 * (y[j + 1] - y[j]) for _, j in places],
        "what": [f"row {i + 1}, column {j + 1}" for i, j in places],
    }
    made = []
    for panel in panels:
        values = [float(panel.values[p]) for p in places]
        read = ["none" if math.isnan(v) else f"{three(v)} {panel.unit}" for v in values]
        shown = [None if math.isnan(v) else v for v in values]
        made.append({
            "name": f"sheet-{panel.name}", "title": panel.title, "unit": panel.unit,
            "low": panel.low, "high": panel.high, "ends": [(x[0], x[-1]), (y[0], y[-1])],
            "along": ALONG, "around": AROUND,
            "rows": {**rows, "value": shown, "read": read},
        })  # fmt: skip
    return made


# ------------------------------------------------------------------------------------------
# Columns
# ------------------------------------------------------------------------------------------


def _table(name: str, rows: Iterable[Mapping[str, Any]]) -> Columns:
    made = list(rows)
    return {name: {key: [row[key] for row in made] for key in SOURCES[name]}}


def _within(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


def _outside(
    view: View, weights: tuple[float, float], bottom: float, top: float
) -> list[dict[str, float]]:
    low, high = view.explored
    parts = [(weights[0], low), (high, weights[1])]
    return [
        {"left": 100 * a, "right": 100 * b, "bottom": bottom, "top": top}
        for a, b in parts
        if b > a + 1e-9
    ]


def view_columns(
    view: View, points: Sequence[Point], spot: Spot, pinned: Sequence[Point]
) -> Columns:
    """Columns of R against weight fraction, and of the candidate looked at."""
    page = view.page
    weights, (low, high) = reach(page)
    rows = [
        {
            "x": 100 * p.weight_fraction,
            "low": _within(p.resistance.p05, low / 9, high * 9),
            "middle": _within(p.resistance.median, low / 9, high * 9),
            "high": _within(p.resistance.p95, low / 9, high * 9),
            "what": f"{weight(p.weight_fraction)}, {mm(spot.place.electrode_gap)}",
            "R": " ".join(told(p.resistance, page)),
        }
        for p in points
    ]  # fmt: skip
    plot = page.plot
    ring = {"x": 100 * spot.place.weight_fraction,
            "y": _within(spot.own.casting_band().median, low, high)}  # fmt: skip
    asked = [
        {"left": 0.0, "right": 100.0, "bottom": max(plot.low, low / 9),
         "top": min(plot.high, high * 9)}
    ] if plot.low > 0.0 or plot.high < math.inf else []  # fmt: skip
    return {
        **_table("known", rows),
        **_table("pinned", [
            {"x": 100 * p.weight_fraction,
             "middle": _within(p.resistance.median, low / 9, high * 9)}
            for p in pinned
        ]),
        **_table("asked", asked),
        **_table("outside", _outside(view, (0.0, 1.0), low / 9, high * 9)),
        **_table("threshold", [{
            "x": 100 * plot.threshold.median, "left": 100 * plot.threshold.p05,
            "right": 100 * plot.threshold.p95, "bottom": low / 9,
            "top": low * (high / low) ** 0.04,
        }]),
        **_table("cast", [
            {"x": 100 * cup.weight_fraction, "bottom": low,
             "top": low * (high / low) ** 0.1}
            for cup in page.cups
        ]),
        **_table("readings", _readings(page, low, high)),
        **_table("spot", [ring]),
        "resistance-x": [100 * weights[0], 100 * weights[1]],
        "resistance-y": [low, high],
    }  # fmt: skip


def _readings(page: FirstPage, low: float, high: float) -> list[dict[str, Any]]:
    seen: set[tuple[str, float]] = set()
    rows = []
    for read in page.plot.readings:
        name = read.name if read.contradicted else read.name.partition(", film ")[0]
        first = (name, read.weight_fraction) not in seen
        seen.add((name, read.weight_fraction))
        rows.append({
            "x": 100 * read.weight_fraction, "y": _within(read.resistance, low, high),
            "name": name if first else "",
            "what": f"{read.name}, {mm(read.electrode_gap)}",
            "R": ohms(read.resistance, page, 3),
            "marker": "x" if read.contradicted
            else "inverted_triangle" if math.isinf(read.resistance) else "circle",
        })  # fmt: skip
    return rows


def _words(page: FirstPage, p: Seen) -> dict[str, str]:
    """Tell what the pointer reads."""
    return {
        "what": f"{weight(p.weight_fraction)}, {mm(p.electrode_gap)}",
        "R": " ".join(told(p.resistance, page)),
        "factor": " ".join(factor_words(p.gauge_factor)),
        "P": _chance(p.probability, p.error),
    }


def _chance(P: float, error: float) -> str:
    return f"{share(P)} % ± {100 * error:.1f}"


def curve_columns(view: View, curve: Sequence[Seen], spot: Spot) -> Columns:
    """Columns of the gauge factor against loading."""
    known = [(p, p.gauge_factor) for p in curve if p.gauge_factor is not None]
    factors = [factor for _, factor in known]
    limit = next((x.value for x in view.page.asked if x.what == "gauge_factor"), None)
    tops = [b.p95 for b in factors if b.p95 < math.inf] + [limit or 0.0]
    lows = [min(b.p05, 0.0) for b in factors] or [0.0]
    middle = sorted(b.median for b in factors if math.isfinite(b.median)) or [1.0]
    top = 1.08 * min(max(tops), 6.0 * middle[len(middle) // 2] + (limit or 0.0)) or 1.0
    low = max(min(lows), -top)
    weights, _ = reach(view.page)
    rows = [
        {
            "x": 100 * p.weight_fraction, "low": _within(b.p05, low, 9 * top),
            "middle": _within(b.median, low, 9 * top), "high": _within(b.p95, low, 9 * top),
            **_words(view.page, p),
        }
        for p, b in known
    ]  # fmt: skip
    asked = (
        [{"left": 0.0, "right": 100.0, "bottom": limit, "top": 9 * top}] if limit else []
    )
    own = spot.row.gauge_factor
    return {
        **_table("factors", rows),
        **_table("factor_asked", asked),
        **_table("factor_outside", _outside(view, (0.0, 1.0), low, 9 * top)),
        **_table("factor_spot", [
            {"x": 100 * spot.place.weight_fraction, "y": _within(own.median, low, top)}
        ] if own else []),
        "factor-x": [100 * weights[0], 100 * weights[1]],
        "factor-y": [low, top],
    }  # fmt: skip


def map_columns(
    view: View, cells: Sequence[Cell], made: Sequence[Seen], spot: Spot
) -> Columns:
    """Columns of the map of P, and of sensitivity against scatter."""
    page = view.page
    weights = sorted({c.weight_fraction for c in cells})
    gaps = sorted({c.electrode_gap for c in cells})
    step = (weights[1] - weights[0]), (gaps[1] - gaps[0])
    ends = (weights[0] - step[0] / 2, weights[-1] + step[0] / 2)
    bottom, top = (1e3 * (gaps[0] - step[1] / 2), 1e3 * (gaps[-1] + step[1] / 2))
    at = spot.place
    rows = [
        {
            "x": 100 * c.weight_fraction, "y": 1e3 * c.electrode_gap,
            "width": 101 * step[0], "height": 1.01e3 * step[1], "value": c.probability,
            "what": f"{weight(c.weight_fraction)}, {mm(c.electrode_gap)}",
            "P": _chance(c.probability, c.error),
        }
        for c in cells
    ]  # fmt: skip
    limits = {limit.what: limit.value for limit in page.asked}
    shown = [
        c for c in made
        if c.gauge_factor is not None and math.isfinite(c.gauge_factor.median)
        and math.isfinite(c.resistance_cv.median)
    ]  # fmt: skip
    cv = [100 * c.resistance_cv.median for c in shown]
    factor = [c.gauge_factor.median for c in shown if c.gauge_factor]
    most = 100 * limits.get("resistance_cv", 0.3)
    right = min(max([1.3 * most, *cv]), 2 * most) * 1.05
    up = 1.15 * max([limits.get("gauge_factor", 1.0), *factor])
    own = spot.row
    trade = [
        {"x": min(x, right), "y": y, "size": 6 + 14 * math.sqrt(c.probability),
         **_words(page, c)}
        for c, x, y in zip(shown, cv, factor, strict=True)
    ]  # fmt: skip
    corner = [{
        "left": 0.0, "right": most if "resistance_cv" in limits else right,
        "bottom": limits.get("gauge_factor", 0.0), "top": up,
    }] if {"resistance_cv", "gauge_factor"} & set(limits) else []  # fmt: skip
    mine = own.gauge_factor and math.isfinite(own.resistance_cv.median)
    return {
        **_table("map", rows),
        **_table("map_outside", _outside(view, ends, bottom, top)),
        **_table("map_made", [
            {"x": 100 * c.weight_fraction, "y": 1e3 * c.electrode_gap} for c in made
        ]),
        **_table("map_spot", [
            {"x": 100 * at.weight_fraction, "y": 1e3 * at.electrode_gap}
        ]),
        **_table("trade", trade),
        **_table("trade_asked", corner),
        **_table("trade_spot", [{
            "x": min(100 * own.resistance_cv.median, right),
            "y": min(own.gauge_factor.median, up) if own.gauge_factor else 0.0,
        }] if mine else []),
        "map-x": [100 * ends[0], 100 * ends[1]], "map-y": [bottom, top],
        "trade-x": [0.0, right], "trade-y": [0.0, up],
        "map-colour": [0.0, _full(max(c.probability for c in cells))],
    }  # fmt: skip


def _full(P: float) -> float:
    """P of the darkest colour: the next of a few round ones."""
    return next(x for x in (0.1, 0.2, 0.5, 1.0) if P <= x)
