"""Results -> figures: one look for all of them, marks and legends.

Matplotlib is imported when a figure is drawn, and without its global state. Infinite values
are open triangles at the top edge, never left out.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np

from percsim.quantities import number, percent, three
from percsim.report.candidates import film_threshold
from percsim.report.series import Floats, Run, error_range

__all__: list[str] = []

# Types of Matplotlib, which nothing here may import outside a function.
Axes: TypeAlias = Any
Figure: TypeAlias = Any


INK, MUTED, GRID = "#1b2733", "#66727d", "#e2e6e9"
MAIN, COPPER, PALE = "#0f5a78", "#bf5f1f", "#b9d5dc"
WINDOW = "#e9f0e2"
WINDOW_EDGE = "#7d9a62"
RAMP = ("#dfeef0", "#8fc0c9", "#3f8aa0", "#0f5a78", "#10283d")
# dark and light by turns, and each with a mark of its own: they tell apart in grey
GAP_COLOURS = ("#10283d", "#d08a2e", "#2f6f84", "#7a2f1f", "#8fb7a5", "#5b5f8e")
GAP_MARKERS = ("o", "s", "^", "D", "v", "P")
DPI = 150
WIDTH = 7.7

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
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
    "svg.hashsalt": "percsim",
}


def new_figure(height: float, width: float = WIDTH) -> Figure:
    # what it says of fonts that a machine lacks is nothing to a reader of the terminal
    logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height))
    figure.set_layout_engine("constrained", w_pad=0.06, h_pad=0.06)
    return figure


def ramp_map() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("percsim", RAMP)


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


def threshold_marks(run: Run, panels: Sequence[Axes]) -> list[Any]:
    """Draw the film's own threshold, by which loadings are judged; handles of the legend.

    Its band is one standard error of the simulation, or what measured films leave, 5-95 %.
    """
    threshold = run.summary.get("threshold") or {}
    w = film_threshold(run.summary)
    if w is None:
        return []
    ends = [
        number(threshold.get(f"measured_weight_fraction_{end}")) for end in ("p05", "p95")
    ]
    if None in ends:
        phi = number(threshold.get("film_volume_fraction")) or 0.0
        error = number(threshold.get("film_standard_error")) or 0.0
        # near the threshold weight goes with volume
        ends = [w * (1.0 + sign * error / phi) for sign in (-1, 1)] if phi else [w, w]
    low, high = (100.0 * (x or 0.0) for x in ends)
    for axes in panels:
        axes.axvspan(low, high, color=MUTED, alpha=0.25, lw=0, zorder=0)
        axes.axvline(100.0 * w, color=INK, lw=1.2, ls=(0, (1, 1.5)), zorder=2)
    label = f"film's own threshold, {percent(w)} wt%"
    return [line_handle(color=INK, lw=1.2, ls=":", label=label)]


def weight_axis(run: Run, axes: Axes) -> None:
    """Wt% axis that shows every loading and the threshold."""
    shown = [100.0 * w for w in run.values("weight_fraction")]
    threshold = film_threshold(run.summary)
    reach = shown if threshold is None else [*shown, 100.0 * threshold]
    span = (max(reach) - min(reach)) or 4.0
    axes.set_xlim(max(0.0, min(reach) - 0.08 * span), min(100.0, max(reach) + 0.08 * span))
    axes.set_xlabel("filler, wt% of the cured total")


def strain_axis(axes: Axes) -> None:
    """Label an axis of strain, with so few numbers that none meets the next."""
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.set_xlabel("strain, microstrain")
