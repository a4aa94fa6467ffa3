"""Results -> figures: one look for all of them, marks and legends.

Matplotlib is imported when a figure is drawn, and without its global state. Infinite values
are open triangles at the top edge, never left out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, TypeAlias

import numpy as np

from percsim.report.candidates import Row
from percsim.report.series import (
    Curve,
    Floats,
    Run,
    error_range,
    threshold_in_weight,
    within_reach,
)
from percsim.words import number, percent, three, two

__all__: list[str] = []

# Types of Matplotlib, which nothing here may import outside a function.
Axes: TypeAlias = Any
Figure: TypeAlias = Any


INK, MUTED, GRID = "#1b2733", "#66727d", "#e2e6e9"
MAIN, COPPER, PALE = "#0f5a78", "#bf5f1f", "#b9d5dc"
WINDOW = "#e9f0e2"
WINDOW_EDGE = "#7d9a62"
RAMP = ("#dfeef0", "#8fc0c9", "#3f8aa0", "#0f5a78", "#10283d")
GAP_COLOURS = ("#0f5a78", "#d08a2e", "#6b7f8c", "#8a3b2a", "#4aa3a0", "#2b2f5e")
GAP_MARKERS = ("o", "s", "^", "D", "v", "P")
SHARE_COLOURS = {
    "weighing": "#10283d",
    "mixing": "#1f7a94",
    "thickness": "#e0a23c",
    "gap": "#9fd0d3",
    "width": "#5c6873",
    "contact": "#a8472a",
    "aspect_ratio": "#c8b78f",
    "mixing_within": "#7fb069",
    "skew": "#7b5e8a",
    "particle_size": "#c7a1b0",
    "response": "#3b6b4d",
    "tilt": "#d97d54",
    "chains": "#f4f1e6",
}
DPI = 150
WIDTH = 7.7

STYLE: dict[str, Any] = {
    "font.family": "sans-serif",
    "font.size": 9.5,
    "axes.titlesize": 10,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.5,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.formatter.use_mathtext": False,
    "grid.color": GRID,
    "grid.linewidth": 0.7,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.fontsize": 8.8,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.hashsalt": "percsim",
}


def new_figure(height: float, width: float = WIDTH) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    figure.set_layout_engine("constrained", w_pad=0.06, h_pad=0.06)
    return figure


def ramp_map() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("percsim", RAMP)


def ramp_colours(n: int) -> list[Any]:
    """Colours from pale to dark that stay readable on white."""
    ramp = ramp_map()
    return [ramp(x) for x in (np.linspace(0.28, 1.0, n) if n > 1 else [0.75])]


def plain_ticks(axis: Any) -> None:
    """Write plain numbers along an axis."""
    from matplotlib.ticker import FuncFormatter

    axis.set_major_formatter(FuncFormatter(lambda x, _: three(x)))


def log_ticks(axis: Any, of_each_ten: Sequence[float] = ()) -> None:
    """Write plain numbers along an axis of logarithms, at the multiples named."""
    from matplotlib.ticker import LogLocator, NullFormatter

    plain_ticks(axis)
    axis.set_minor_formatter(NullFormatter())
    if of_each_ten:
        axis.set_major_locator(LogLocator(subs=of_each_ten))


def y_range(axes: Axes, arrays: Sequence[Floats], *, log: bool) -> None:
    """Limits that hold every finite value and leave the top edge to the open ones."""
    values = np.concatenate([np.asarray(a, dtype=float).ravel() for a in arrays])
    values = values[np.isfinite(values) & ((values > 0.0) | (not log))]
    if log:
        low, high = (values.min(), values.max()) if values.size else (0.1, 10.0)
        span = max(math.log10(high / low), 0.5)
        middle = 0.5 * (math.log10(high) + math.log10(low))
        axes.set_yscale("log")
        axes.set_ylim(10 ** (middle - 0.6 * span), 10 ** (middle + 0.68 * span))
        log_ticks(axes.yaxis, (1.0, 2.0, 5.0) if span < 1.6 else ())
    else:
        low, high = (values.min(), values.max()) if values.size else (0.0, 1.0)
        span = (high - low) or abs(high) or 1.0
        axes.set_ylim(low - 0.08 * span, high + 0.16 * span)


def open_marks(axes: Axes, x: Floats, values: Floats, colour: Any) -> bool:
    """Triangles at the top edge where a value is infinite; True if there were any."""
    at = np.isposinf(values)
    if at.any():
        axes.plot(
            x[at],
            np.full(at.sum(), 0.965),
            "^",
            transform=axes.get_xaxis_transform(),
            mfc="white",
            mec=colour,
            mew=1.3,
            ms=7.5,
            clip_on=False,
            zorder=6,
        )
    return bool(at.any())


def range_lines(
    axes: Axes,
    x: Floats,
    low: Floats,
    high: Floats,
    colour: Any,
    width: float = 1.2,
) -> None:
    """Ranges as vertical lines, up to the edge where the upper end is infinite."""
    top = axes.get_ylim()[1]
    drawn = np.isfinite(low)
    high = np.minimum(np.where(np.isposinf(high), top, high), top)
    axes.vlines(x[drawn], low[drawn], high[drawn], color=colour, lw=width, zorder=3)


def error_bars(
    axes: Axes,
    x: Floats,
    median: Floats,
    error: Floats,
    colour: Any,
    width: float = 7.0,
) -> None:
    """Draw simulation errors as wide light bars behind the points; to the edges if inf."""
    low, high = error_range(median, error, log=axes.get_yscale() == "log")
    bottom, top = axes.get_ylim()
    drawn = np.isfinite(median) & (error > 0.0)
    axes.vlines(
        x[drawn],
        np.clip(low[drawn], bottom, top),
        np.clip(high[drawn], bottom, top),
        color=colour,
        lw=width,
        alpha=0.28,
        zorder=2,
    )


def line_handle(**style: Any) -> Any:
    """Make a line or a mark of a legend."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **style)


def area_handle(**style: Any) -> Any:
    """Make an area of a legend."""
    from matplotlib.patches import Patch

    return Patch(**style)


def error_handle(colour: Any = MUTED) -> Any:
    return line_handle(
        ls="",
        marker="|",
        color=colour,
        alpha=0.35,
        ms=11,
        mew=7,
        label="simulation error",
    )


def open_handle(colour: Any = MUTED) -> Any:
    return line_handle(
        ls="", marker="^", mfc="white", mec=colour, mew=1.3, ms=7.5, label="open"
    )


def mark_deciding(axes: Axes, x: float, y: float, word: str) -> Any:
    """Mark the deciding candidate; returns a handle for the legend."""
    style: dict[str, Any] = {
        "marker": "o",
        "mfc": "none",
        "mec": COPPER,
        "mew": 1.8,
        "ms": 13,
        "ls": "",
    }
    if math.isfinite(y):
        axes.plot([x], [y], zorder=7, **style)
    else:
        axes.plot(
            [x],
            [0.965],
            transform=axes.get_xaxis_transform(),
            clip_on=False,
            zorder=7,
            **style,
        )
    return line_handle(label=word, **(style | {"ms": 9}))


def shade_window(axes: Axes, limits: Sequence[float], *, vertical: bool = False) -> Any:
    """Shade the resistances asked for [kohm]; returns a handle or None."""
    if not limits:
        return None
    span, line = (axes.axvspan, axes.axvline) if vertical else (axes.axhspan, axes.axhline)
    if len(limits) >= 2:
        span(limits[0], limits[-1], color=WINDOW, lw=0, zorder=0)
    for x in {limits[0], limits[-1]}:
        line(x, color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    return area_handle(
        facecolor=WINDOW if len(limits) >= 2 else "white",
        edgecolor=WINDOW_EDGE,
        ls="--",
        label="resistance asked for",
    )


def legend_above(figure: Figure, handles: Sequence[Any], columns: int) -> None:
    handles = [handle for handle in handles if handle is not None]
    if handles:
        figure.legend(
            handles=handles,
            loc="outside upper left",
            ncols=min(columns, len(handles)),
            handlelength=1.8,
            columnspacing=1.6,
            borderaxespad=0.2,
        )


def threshold_marks(
    run: Run, panels: Sequence[Axes], *, with_reach: bool = True
) -> list[Any]:
    """Line, error and range of the threshold on panels over wt%; handles for the legend."""
    threshold = run.summary.get("threshold") or {}
    if number(threshold.get("measured_weight_fraction")) is not None:
        return _measured_threshold_marks(threshold, panels)
    found = threshold_in_weight(threshold)
    if found is None:
        return []
    w, error, reach = (100.0 * found[0], 100.0 * found[1], found[2] if with_reach else None)
    for axes in panels:
        if reach:
            axes.axvspan(
                100.0 * reach[0], 100.0 * reach[1], color=COPPER, alpha=0.08, lw=0, zorder=0
            )
        axes.axvspan(w - error, w + error, color=COPPER, alpha=0.35, lw=0, zorder=1)
        axes.axvline(w, color=COPPER, lw=1.3, zorder=2)
    label = (
        f"threshold {three(w)} ± {two(error)} wt%" if error else f"threshold {three(w)} wt%"
    )
    handles: list[Any] = [line_handle(color=COPPER, lw=1.5, label=label)]
    if reach:
        ratios = [
            number(r.get("aspect_ratio")) or 0.0 for r in threshold["aspect_ratio_curve"]
        ]
        lowest, highest = (three(f(ratios)) for f in (min, max))
        handles.append(
            area_handle(
                color=COPPER,
                alpha=0.16,
                lw=0,
                label=f"threshold, aspect ratio {lowest} to {highest}",
            )
        )
    return handles


def _measured_threshold_marks(threshold: Row, panels: Sequence[Axes]) -> list[Any]:
    """Line and 5-95 % of the film's own threshold as measured films tell it."""
    w, low, high = (
        100.0 * (number(threshold.get(f"measured_weight_fraction{end}")) or 0.0)
        for end in ("", "_p05", "_p95")
    )
    for axes in panels:
        axes.axvspan(low, high, color=COPPER, alpha=0.14, lw=0, zorder=0)
        axes.axvline(w, color=COPPER, lw=1.3, zorder=2)
    label = f"film's own threshold by the measured films, {three(w)} wt%"
    return [
        line_handle(color=COPPER, lw=1.5, label=label),
        area_handle(color=COPPER, alpha=0.2, lw=0, label="its 5-95 %"),
    ]


def weight_axis(run: Run, axes: Axes) -> None:
    """Wt% axis that shows every loading and the threshold."""
    shown = [100.0 * w for w in run.values("weight_fraction")]
    found = threshold_in_weight(run.summary.get("threshold") or {})
    reach = [*shown, 100.0 * found[0]] if found else shown
    span = (max(reach) - min(reach)) or 4.0
    axes.set_xlim(max(0.0, min(reach) - 0.08 * span), min(100.0, max(reach) + 0.08 * span))
    axes.set_xlabel("filler, wt% of the cured total")


def side_by_side(run: Run) -> tuple[list[float], Callable[[int], float]]:
    """Gaps, and how far each is set aside along wt% so that ranges do not overlap."""
    gaps = run.values("electrode_gap_m")
    loadings = run.values("weight_fraction")
    steps = np.diff(loadings) if len(loadings) > 1 else np.array([0.04])
    # room for every gap and one series more, clear of the next loading
    step = 100.0 * float(min(steps)) * min(0.11, 0.66 / (len(gaps) + 1))
    return gaps, lambda k: (k - 0.5 * (len(gaps) - 1)) * step


def bar_width(run: Run, aside: Callable[[int], float]) -> float:
    """Width of error bars [points] that stand beside each other, one a gap."""
    loadings = [100.0 * w for w in run.values("weight_fraction")]
    span = 1.2 * ((max(loadings) - min(loadings)) if len(loadings) > 1 else 4.0)
    room = 72.0 * 0.85 * WIDTH * (aside(1) - aside(0)) / span
    return float(np.clip(0.8 * room, 2.5, 7.0))


def text_on(colour: Any) -> str:
    """Ink or white, whichever reads on a colour."""
    from matplotlib.colors import to_rgb

    # Relative luminance and contrast ratio of the W3C accessibility guidelines (WCAG 2.1).
    def luminance(of: Any) -> float:
        r, g, b = (
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(of)
        )
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    ground = luminance(colour) + 0.05
    return "white" if 1.05 / ground > ground / (luminance(INK) + 0.05) else INK


def draw_curves(figure: Figure, axes: Axes, run: Run, drawn: Sequence[Curve]) -> None:
    """Draw one line a loading, the deciding one in copper with its bands.

    Simulation errors are a light band around the deciding line, and one bar a line beside
    the point where they are largest.
    """
    values = np.concatenate([np.concatenate(curve[2:5]) for curve in drawn])
    values = values[np.isfinite(values)]
    log = bool(values.size and values.max() > 5.0)
    ends = [
        side[np.isfinite(curve.median)]
        for curve in drawn
        for side in error_range(curve.median, curve.error, log=log)
    ]
    y_range(axes, [values, np.ones(1), within_reach([values, np.ones(1)], ends)], log=log)
    bottom, top = axes.get_ylim()
    beside, at_end = _beside(drawn)
    any_error = bool(beside)
    handles: list[Any] = []
    any_open = False
    for k, (pale, curve) in enumerate(zip(ramp_colours(len(drawn)), drawn, strict=True)):
        mine = curve.candidate is run.reference[0]
        colour, width = (COPPER, 2.2) if mine else (pale, 1.2)
        known = np.isfinite(curve.median)
        if mine:
            ceiling = np.minimum(np.where(np.isfinite(curve.high), curve.high, top), top)
            axes.fill_between(
                curve.x,
                curve.low,
                ceiling,
                where=known & np.isfinite(curve.low),
                color=COPPER,
                alpha=0.3,
                lw=0,
                zorder=2.5,
            )
            low, high = error_range(curve.median, curve.error, log=log)
            axes.fill_between(
                curve.x,
                np.clip(low, bottom, top),
                np.clip(high, bottom, top),
                where=known & ~np.isnan(curve.error),
                color=COPPER,
                alpha=0.17,
                lw=0,
                zorder=2,
            )
        axes.plot(
            curve.x[known],
            curve.median[known],
            "o-",
            color=colour,
            lw=width,
            ms=4.0 if mine else 3.0,
            zorder=5 if mine else 3,
        )
        any_open |= open_marks(axes, curve.x, curve.median, colour)
        if k in beside:
            at, place = np.flatnonzero(known)[[at_end]], np.array([beside[k]])
            error_bars(axes, place, curve.median[at], curve.error[at], colour, 6.0)
            axes.plot(place, curve.median[at], "_", color=colour, ms=6.0, mew=1.4, zorder=5)
        label = f"{percent(curve.candidate.get('weight_fraction'))} wt%"
        if not known.any():
            label += ", open"
        handles.append(line_handle(color=colour, lw=width, marker="o", ms=4, label=label))
    if any_open:
        handles.insert(0, open_handle())
    if any_error:
        handles.insert(0, error_handle())
        reach = np.concatenate([curve.x for curve in drawn])
        ticks = axes.get_xticks()
        axes.set_xticks(ticks[(ticks >= reach.min()) & (ticks <= reach.max())])
    handles.insert(
        0, area_handle(color=COPPER, alpha=0.4, lw=0, label="5-95 % of castings")
    )
    figure.legend(
        handles=handles[::-1], loc="outside right center", title="filler", handlelength=1.6
    )


def _beside(drawn: Sequence[Curve]) -> tuple[dict[int, float], int]:
    """Where to put the bar of each curve that has one, and which of its points it is of.

    Past the end of the abscissa with the larger errors: 0 the first, -1 the last point.
    """
    ends = {}
    for k, curve in enumerate(drawn):
        errors = np.nan_to_num(curve.error[np.isfinite(curve.median)], posinf=1.0)
        if np.any(errors > 0.0):
            ends[k] = errors[[0, -1]]
    x = np.concatenate([curve.x for curve in drawn])
    low, high = float(x.min()), float(x.max())
    step = min(0.03, 0.2 / max(len(ends), 1)) * (high - low)
    steps = step * (1.0 + np.arange(len(ends)))
    first, last = np.sum(list(ends.values()), axis=0) if ends else (0.0, 0.0)
    places = low - steps[::-1] if first > last else high + steps
    return dict(zip(ends, places.tolist(), strict=True)), 0 if first > last else -1
