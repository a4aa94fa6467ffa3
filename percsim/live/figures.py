"""The plots of the page: made once, then fed with columns of numbers.

Their texts are those of the first page. What is open, or beyond an axis, stands at its
edge.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from percsim.first_page import FirstPage, Point
from percsim.live.session import Cell, Curve, Seen, Spot, View
from percsim.quantities import mm, resistance, share, three, weight
from percsim.report.first_plot import reach
from percsim.report.style import COPPER, GRID, INK, MAIN, MUTED, WINDOW, WINDOW_EDGE
from percsim.words.first import factor_words, ohms, told
from percsim.words.live import HOVER, TITLES

__all__ = ["Columns", "curve_columns", "figures", "map_columns", "view_columns"]

Columns = dict[str, dict[str, list[Any]]]
"""Columns by the name of their source."""

DARK = {
    INK: "#e4e9ed", MUTED: "#98a5b0", GRID: "#2c363f", MAIN: "#6db6d3", COPPER: "#e59a5c",
    WINDOW: "#26331f", WINDOW_EDGE: "#7d9a62", "#ffffff": "#161c21",
}  # fmt: skip
"""What colours of the report become on a dark page."""

RAMPS = {
    False: ("#f3f6f7", "#d5e6ea", "#a9ced8", "#6fadbf", "#3f8aa0", "#1d6a86", "#0f4a66"),
    True: ("#1d252b", "#1f3640", "#214b5a", "#256378", "#317f98", "#4f9fb8", "#8fcbdd"),
}
"""From P of 0 to 1."""

SOURCES = {
    "outside": ("left", "right", "bottom", "top"),
    "asked": ("left", "right", "bottom", "top"),
    "threshold": ("x", "left", "right", "bottom", "top"),
    "known": ("x", "low", "middle", "high", "what", "R", "factor", "P"),
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
    "ranges": ("name", "low", "high"),
}  # fmt: skip
"""Columns of every source."""


def figures(dark: bool, sheet: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Every plot by its name, as the library's JSON, without numbers yet.

    But for the maps of a sheet of patches, which no knob turns.
    """
    from bokeh.embed import json_item

    made = _Made(dark)
    plots = {
        "resistance": made.resistance(), "factor": made.factor(), "map": made.map(),
        "trade": made.trade(),
    }  # fmt: skip
    if sheet is not None:
        plots |= made.sheet(sheet["field"]["map"])
    return {name: json_item(plot, f"plot-{name}") for name, plot in plots.items()}


class _Made:
    """Plots in one set of colours."""

    def __init__(self, dark: bool) -> None:
        from bokeh.models import ColumnDataSource

        self.dark = dark
        self.sources = {
            name: ColumnDataSource({key: [] for key in keys}, name=name)
            for name, keys in SOURCES.items()
        }

    def colour(self, light: str) -> str:
        return DARK[light] if self.dark else light

    def plot(self, name: str, x: str, y: str, *, log: bool = False) -> Any:
        from bokeh.models import Range1d
        from bokeh.plotting import figure

        c = self.colour
        plot = figure(
            height=290, sizing_mode="stretch_width", toolbar_location=None,
            tools="tap", x_range=Range1d(0, 1, name=f"{name}-x"),
            y_range=Range1d(0.1 if log else 0, 1, name=f"{name}-y"),
            y_axis_type="log" if log else "linear", x_axis_label=x, y_axis_label=y,
            background_fill_color=None, border_fill_color=None, outline_line_color=None,
            min_border_right=14, min_border_top=8,
        )  # fmt: skip
        plot.grid.grid_line_color = c(GRID)
        for axis in plot.axis:
            axis.axis_line_color = c(MUTED)
            axis.major_tick_line_color = c(MUTED)
            axis.minor_tick_line_color = None
            axis.major_label_text_color = axis.axis_label_text_color = c(INK)
            axis.major_label_text_font_size = axis.axis_label_text_font_size = "12px"
            axis.axis_label_text_font_style = "normal"
            axis.major_label_text_font = axis.axis_label_text_font = FONT
        return plot

    def hover(self, plot: Any, renderer: Any, rows: Sequence[tuple[str, str]]) -> None:
        from bokeh.models import HoverTool

        plot.add_tools(HoverTool(renderers=[renderer], tooltips=list(rows)))

    def area(self, plot: Any, name: str, colour: str, **more: Any) -> None:
        plot.quad(
            source=self.sources[name], left="left", right="right", bottom="bottom",
            top="top", fill_color=colour, line_color=None, **more,
        )  # fmt: skip

    def hatched(self, plot: Any, name: str) -> None:
        """Hatch loadings without boxes."""
        self.area(
            plot, name, self.colour(MUTED), fill_alpha=0.04,
            hatch_pattern="right_diagonal_line", hatch_color=self.colour(MUTED),
            hatch_alpha=0.4, hatch_scale=10, hatch_weight=0.7,
        )  # fmt: skip

    def ring(self, plot: Any, name: str) -> None:
        """Mark the candidate looked at."""
        plot.scatter(
            "x", "y", source=self.sources[name], size=15, fill_color=None,
            line_color=self.colour(COPPER), line_width=2.5,
        )  # fmt: skip

    def curve(self, plot: Any, name: str) -> None:
        """Median with its 5-95 %, values where the pointer is."""
        source, c = self.sources[name], self.colour(MAIN)
        plot.varea("x", "low", "high", source=source, fill_color=c, fill_alpha=0.18)
        plot.line("x", "middle", source=source, line_color=c, line_width=2)
        dots = plot.scatter("x", "middle", source=source, size=5, color=c)
        self.hover(plot, dots, HOVER)

    def resistance(self) -> Any:
        from bokeh.core.properties import value
        from bokeh.models import FixedTicker, LabelSet

        plot, c = (
            self.plot("resistance", TITLES["weight"], TITLES["R"], log=True),
            self.colour,
        )
        decades = [10.0**k for k in range(-3, 13)]
        plot.yaxis.ticker = FixedTicker(ticks=decades)
        plot.yaxis.major_label_overrides = {x: resistance(x) for x in decades}
        self.area(plot, "asked", c(WINDOW))
        self.hatched(plot, "outside")
        self.area(plot, "threshold", c(MUTED), fill_alpha=0.18)
        plot.segment(
            "x", "bottom", "x", "top", source=self.sources["threshold"],
            line_color=c(INK), line_dash=[6, 4], line_width=1.2,
        )  # fmt: skip
        plot.segment(
            "x", "bottom", "x", "top", source=self.sources["cast"], line_color=c(COPPER),
            line_width=1.4,
        )  # fmt: skip
        plot.line(
            "x", "middle", source=self.sources["pinned"], line_color=c(INK), line_width=1.6,
            line_dash=[2, 3],
        )  # fmt: skip
        self.curve(plot, "known")
        marks = plot.scatter(
            "x", "y", source=self.sources["readings"], marker="marker", size=9,
            fill_color=c("#ffffff"), line_color=c(INK), line_width=1.8,
        )  # fmt: skip
        self.hover(plot, marks, [("", "@what"), ("R", "@R")])
        plot.add_layout(
            LabelSet(
                x="x", y="y", text="name", source=self.sources["readings"], x_offset=9,
                y_offset=-7, text_color=c(INK), text_font_size="11.5px",
                text_font=value(FONT),
            )
        )  # fmt: skip
        self.ring(plot, "spot")
        return plot

    def factor(self) -> Any:
        plot = self.plot("factor", TITLES["weight"], TITLES["factor"])
        self.area(plot, "factor_asked", self.colour(WINDOW))
        self.hatched(plot, "factor_outside")
        self.curve(plot, "factors")
        self.ring(plot, "factor_spot")
        return plot

    def map(self) -> Any:
        plot, c = self.plot("map", TITLES["weight"], TITLES["gap"]), self.colour
        cells = self.cells(plot, "map", (0.0, 1.0), "0 %")
        self.hover(plot, cells, [HOVER[0], HOVER[-1]])
        self.hatched(plot, "map_outside")
        plot.scatter("x", "y", source=self.sources["map_made"], size=4, color=c(INK))
        self.ring(plot, "map_spot")
        return plot

    def cells(self, plot: Any, name: str, ends: tuple[float, float], numbers: str) -> Any:
        """Coloured cells of a source, and the bar beside that tells their values."""
        from bokeh.models import (
            BasicTicker,
            ColorBar,
            LinearColorMapper,
            NumeralTickFormatter,
        )

        c = self.colour
        mapper = LinearColorMapper(
            palette=_ramp(RAMPS[self.dark]), low=ends[0], high=ends[1],
            name=f"{name}-colour", nan_color=c(MUTED),
        )  # fmt: skip
        cells = plot.rect(
            "x", "y", "width", "height", source=self.sources[name], line_color=None,
            fill_color={"field": "value", "transform": mapper},
        )  # fmt: skip
        cells.nonselection_glyph = cells.selection_glyph = None
        plot.add_layout(
            ColorBar(
                color_mapper=mapper, width=9, label_standoff=6, padding=2, title=None,
                ticker=BasicTicker(desired_num_ticks=4), background_fill_color=None,
                formatter=NumeralTickFormatter(format=numbers),
                major_label_text_color=c(INK), major_label_text_font=FONT,
            ),
            "right",
        )  # fmt: skip
        plot.grid.visible = False
        return cells

    def sheet(self, found: Mapping[str, Any]) -> dict[str, Any]:
        """Draw the maps of a sheet of patches, the first that was drawn."""
        from bokeh.models import ColumnDataSource, Range1d

        from percsim.report.chapters.patches import ALONG, AROUND, edges, map_panels

        along, around, panels = map_panels(dict(found))
        x, y = (edges(middles) for middles in (along, around))
        places = [(i, j) for i in range(len(along)) for j in range(len(around))]
        plots = {}
        for panel in panels:
            name, values = f"sheet-{panel.name}", [float(panel.values[p]) for p in places]
            self.sources[name] = ColumnDataSource({
                "x": [along[i] for i, _ in places], "y": [around[j] for _, j in places],
                "width": [0.97 * (x[i + 1] - x[i]) for i, _ in places],
                "height": [0.97 * (y[j + 1] - y[j]) for _, j in places],
                "what": [f"row {i + 1}, column {j + 1}" for i, j in places],
                "value": values,
                "read": [
                    "none" if math.isnan(v) else f"{three(v)} {panel.unit}" for v in values
                ],
            }, name=name)  # fmt: skip
            plot = plots[name] = self.plot(name, ALONG, AROUND)
            plot.x_range, plot.y_range = (Range1d(*map(float, e[[0, -1]])) for e in (x, y))
            cells = self.cells(plot, name, (panel.low, panel.high), "0.[00]")
            self.hover(plot, cells, [("", "@what"), (panel.title, "@read")])
        return plots

    def trade(self) -> Any:
        plot, c = self.plot("trade", TITLES["cv"], TITLES["factor"]), self.colour
        self.area(plot, "trade_asked", c(WINDOW))
        dots = plot.scatter(
            "x", "y", source=self.sources["trade"], size="size", fill_color=c(MAIN),
            fill_alpha=0.55, line_color=c(MAIN),
        )  # fmt: skip
        self.hover(plot, dots, HOVER)
        self.ring(plot, "trade_spot")
        return plot


FONT = '"Segoe UI", "Helvetica Neue", "Liberation Sans", Arial, sans-serif'


def _ramp(stops: Sequence[str], n: int = 64) -> list[str]:
    """Colours between some, evenly."""
    rgb = [[int(s[i : i + 2], 16) for i in (1, 3, 5)] for s in stops]
    out = []
    for k in range(n):
        at = k / (n - 1) * (len(stops) - 1)
        i = min(int(at), len(stops) - 2)
        mixed = (
            round(a + (at - i) * (b - a)) for a, b in zip(rgb[i], rgb[i + 1], strict=True)
        )
        out.append("#" + "".join(f"{x:02x}" for x in mixed))
    return out


# ------------------------------------------------------------------------------------------
# Columns
# ------------------------------------------------------------------------------------------


def _table(name: str, rows: Iterable[Mapping[str, Any]]) -> Columns:
    made = list(rows)
    return {name: {key: [row[key] for row in made] for key in SOURCES[name]}}


def _within(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


def _range(name: str, low: float, high: float) -> dict[str, Any]:
    return {"name": name, "low": low, "high": high}


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


def view_columns(view: View, curve: Curve, spot: Spot, pinned: Curve | None) -> Columns:
    """Columns of R against weight fraction, and of the candidate looked at."""
    page = view.page
    weights, (low, high) = reach(page)
    rows = [
        {
            "x": 100 * p.weight_fraction,
            "low": _within(p.resistance.p05, low / 9, high * 9),
            "middle": _within(p.resistance.median, low / 9, high * 9),
            "high": _within(p.resistance.p95, low / 9, high * 9),
            **_words(page, p, curve.gap),
        }
        for p in curve.points
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
            for p in (pinned.points if pinned else ())
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
        **_table("ranges", [
            _range("resistance-x", 100 * weights[0], 100 * weights[1]),
            _range("resistance-y", low, high),
        ]),
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


def _words(page: FirstPage, p: Seen | Point, gap: float) -> dict[str, str]:
    """Tell what the pointer reads; of a point alone its R until the rest is known."""
    if isinstance(p, Point):
        what = f"{weight(p.weight_fraction)}, {mm(gap)}"
        return {
            "what": what,
            "R": " ".join(told(p.resistance, page)),
            "factor": "",
            "P": "",
        }
    return {
        "what": f"{weight(p.weight_fraction)}, {mm(p.electrode_gap)}",
        "R": " ".join(told(p.resistance, page)),
        "factor": " ".join(factor_words(p.gauge_factor)),
        "P": _chance(p.probability, p.error),
    }


def _chance(P: float, error: float) -> str:
    return f"{share(P)} % ± {100 * error:.1f}"


def curve_columns(view: View, curve: Curve, spot: Spot) -> Columns:
    """Columns of the gauge factor against loading."""
    known = [
        (p, p.gauge_factor)
        for p in curve.points
        if isinstance(p, Seen) and p.gauge_factor is not None
    ]
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
            **_words(view.page, p, curve.gap),
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
        **_table("ranges", [
            _range("factor-x", 100 * weights[0], 100 * weights[1]),
            _range("factor-y", low, top),
        ]),
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
         **_words(page, c, c.electrode_gap)}
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
        **_table("ranges", [
            _range("map-x", 100 * ends[0], 100 * ends[1]), _range("map-y", bottom, top),
            _range("trade-x", 0.0, right), _range("trade-y", 0.0, up),
            _range("map-colour", 0.0, _full(max(c.probability for c in cells))),
        ]),
    }  # fmt: skip


def _full(P: float) -> float:
    """P of the darkest colour: the next of a few round ones."""
    return next(x for x in (0.1, 0.2, 0.5, 1.0) if P <= x)
