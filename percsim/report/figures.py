"""Results -> figures: what the decision rests on, drawn for the page and for print.

Each figure is a function of a run that returns a Matplotlib figure. Matplotlib is imported
when a figure is drawn, and without its global state. Infinite values are drawn as open
triangles at the top edge; uncertainty is drawn wherever the results carry it.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from percsim.particles.bodies import FLAKE, ROD
from percsim.report.tables import (
    Row,
    Summary,
    candidate_label,
    deciding_index,
    number,
    percent,
    scaled,
    share,
    three,
    two,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["FIGURES", "Drawing", "NothingToDrawError", "Run", "draw", "figure_to_png"]

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
    "aspect_ratio": "#d9cdb4",
    "chains": "#f4f1e6",
}
OTHER_SHARES = ("#7b5e8a", "#b4bcc4", "#3b6b4d", "#c7a1b0")
DPI = 150
WIDTH = 7.7

STYLE = {
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


class NothingToDrawError(ValueError):
    """A figure whose data this run does not have, with the reason to print instead."""


@dataclass(frozen=True, slots=True)
class Run:
    """What figures are drawn from.

    Parameters
    ----------
    summary : dict
        The summary of a run.
    boxes, responses, castings : sequence of dict
        One row a box, a box and state, and a casting and candidate.
    sample : tuple or None
        (Particles, Links, Network, Solution) of one box.

    """

    summary: Summary
    boxes: Sequence[Row] = field(default_factory=tuple)
    responses: Sequence[Row] = field(default_factory=tuple)
    castings: Sequence[Row] = field(default_factory=tuple)
    sample: tuple[Any, Any, Any, Any] | None = None

    @property
    def candidates(self) -> list[Row]:
        """The candidates, in their order."""
        return list(self.summary.get("candidates") or [])

    @property
    def reference(self) -> tuple[Row, bool]:
        """The candidate figures are drawn around, and whether it was chosen.

        Raises
        ------
        NothingToDrawError
            If there is no candidate.

        """
        if not self.candidates:
            raise NothingToDrawError("no candidate was evaluated")
        index, is_chosen = deciding_index(self.summary)
        return self.candidates[index or 0], is_chosen

    def along(self, key: str, fixed: str) -> list[Row]:
        """Candidates that share `fixed` with the reference, sorted by `key`."""
        at = number(self.reference[0].get(fixed))
        rows = [c for c in self.candidates if _same(number(c.get(fixed)), at)]
        return sorted(rows, key=lambda c: number(c.get(key)) or 0.0)

    def values(self, key: str) -> list[float]:
        """Distinct values of a key among the candidates, rising."""
        return sorted({x for c in self.candidates if (x := number(c.get(key))) is not None})


@dataclass(frozen=True, slots=True)
class Drawing:
    """How one figure came out.

    Parameters
    ----------
    name : str
        File name without ending.
    caption : str
        What is drawn and what the bands contain.
    png : bytes or None
        The picture, None if it was not drawn.
    note : str
        Why it was not drawn, empty if it was.
    failed : bool
        Whether drawing broke, rather than having nothing to draw.

    """

    name: str
    caption: str
    png: bytes | None = None
    note: str = ""
    failed: bool = False


def _same(a: float | None, b: float | None) -> bool:
    return a is not None and b is not None and math.isclose(a, b, rel_tol=1e-9)


def _new(height: float, width: float = WIDTH) -> Figure:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    figure.get_layout_engine().set(w_pad=0.06, h_pad=0.06)  # type: ignore[union-attr]
    return figure


def figure_to_png(figure: Figure) -> bytes:
    """Render a figure as PNG, the same bytes for the same figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=DPI, metadata={"Software": None})
    return picture.getvalue()


def _ramp() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("percsim", RAMP)


def _ramp_colours(n: int) -> list[Any]:
    """Colours from pale to dark that stay readable on white."""
    ramp = _ramp()
    return [ramp(x) for x in (np.linspace(0.28, 1.0, n) if n > 1 else [0.75])]


def _quantities(
    rows: Sequence[Row], key: str, factor: float = 1.0
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Median, 5 % and 95 % of an entry, missing ones as NaN (never drawn)."""
    out = []
    for name in ("median", "p05", "p95"):
        values = [number((row.get(key) or {}).get(name)) for row in rows]
        out.append(
            np.array([np.nan if x is None else x * factor for x in values], dtype=float)
        )
    return out[0], out[1], out[2]


def _plain(x: float, _: int | None = None) -> str:
    return three(x)


def _y_range(axes: Axes, arrays: Sequence[NDArray[np.float64]], *, log: bool) -> None:
    """Limits that hold every finite value and leave the top edge to the open ones."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    values = np.concatenate([np.asarray(a, dtype=float).ravel() for a in arrays])
    values = values[np.isfinite(values) & ((values > 0.0) | (not log))]
    if log:
        low, high = (values.min(), values.max()) if values.size else (0.1, 10.0)
        span = max(math.log10(high / low), 0.5)
        middle = 0.5 * (math.log10(high) + math.log10(low))
        axes.set_yscale("log")
        axes.set_ylim(10 ** (middle - 0.6 * span), 10 ** (middle + 0.68 * span))
        axes.yaxis.set_major_formatter(FuncFormatter(_plain))
        if span < 1.6:
            axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axes.yaxis.set_minor_formatter(NullFormatter())
    else:
        low, high = (values.min(), values.max()) if values.size else (0.0, 1.0)
        span = (high - low) or abs(high) or 1.0
        axes.set_ylim(low - 0.08 * span, high + 0.16 * span)


def _open_marks(
    axes: Axes, x: NDArray[np.float64], values: NDArray[np.float64], colour: Any
) -> bool:
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


def _bars(
    axes: Axes,
    x: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    colour: Any,
    width: float = 1.2,
) -> None:
    """Ranges as vertical lines, up to the edge where the upper end is infinite."""
    top = axes.get_ylim()[1]
    drawn = np.isfinite(low)
    high = np.minimum(np.where(np.isposinf(high), top, high), top)
    axes.vlines(x[drawn], low[drawn], high[drawn], color=colour, lw=width, zorder=3)


def _open_handle(colour: Any = MUTED) -> Any:
    from matplotlib.lines import Line2D

    return Line2D(
        [], [], ls="", marker="^", mfc="white", mec=colour, mew=1.3, ms=7.5, label="open"
    )


def _ring(axes: Axes, x: float, y: float, *, is_chosen: bool) -> Any:
    """Mark the deciding candidate; returns a handle for the legend."""
    from matplotlib.lines import Line2D

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
    return Line2D([], [], label="chosen" if is_chosen else "nearest", **(style | {"ms": 9}))


def _margin_limits(run: Run, wanted: Callable[[str, str], bool]) -> list[float]:
    """Limits of the targets whose name and unit are wanted."""
    limits = []
    for margin in run.reference[0].get("margins") or []:
        if wanted(str(margin.get("target", "")).lower(), str(margin.get("unit") or "")):
            entry = margin.get("limit")
            for value in entry if isinstance(entry, (list, tuple)) else [entry]:
                x = number(value)
                if x is not None and math.isfinite(x):
                    limits.append(x)
    return limits


def _is_spread(name: str) -> bool:
    return any(word in name for word in ("spread", "cv", "scatter"))


def _resistance_limits(run: Run) -> list[float]:
    return sorted(
        {x for x in _margin_limits(run, lambda _, unit: unit == "ohm") if x > 0.0}
    )


def _factor_limits(run: Run) -> list[float]:
    return _margin_limits(run, lambda name, _: "gauge" in name and not _is_spread(name))


def _window(axes: Axes, limits: Sequence[float], *, vertical: bool = False) -> Any:
    """Shade the resistances asked for [kohm]; returns a handle or None."""
    from matplotlib.patches import Patch

    if not limits:
        return None
    span, line = (axes.axvspan, axes.axvline) if vertical else (axes.axhspan, axes.axhline)
    if len(limits) >= 2:
        span(limits[0], limits[-1], color=WINDOW, lw=0, zorder=0)
    for x in {limits[0], limits[-1]}:
        line(x, color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    return Patch(
        facecolor=WINDOW if len(limits) >= 2 else "white",
        edgecolor=WINDOW_EDGE,
        ls="--",
        label="resistance asked for",
    )


def _legend(figure: Figure, handles: Sequence[Any], columns: int) -> None:
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


def _weight_fraction(threshold: Row, volume_fraction: float) -> float | None:
    """Weight fraction of a volume fraction near the threshold: the densities it implies."""
    w, phi = (
        number(threshold.get("weight_fraction")),
        number(threshold.get("volume_fraction")),
    )
    if w is None or phi is None or not (0.0 < w < 1.0 and 0.0 < phi < 1.0):
        return None
    odds = w / (1.0 - w) / (phi / (1.0 - phi)) * volume_fraction / (1.0 - volume_fraction)
    return odds / (1.0 + odds)


def threshold_in_weight(
    threshold: Row,
) -> tuple[float, float, tuple[float, float] | None] | None:
    """Threshold, its standard error and its range over aspect ratios, as weight fractions."""
    w, phi = (
        number(threshold.get("weight_fraction")),
        number(threshold.get("volume_fraction")),
    )
    if w is None or not math.isfinite(w):
        return None
    error = 0.0
    se = number(threshold.get("standard_error"))
    if se and phi and math.isfinite(se) and phi + se < 1.0:
        upper = _weight_fraction(threshold, phi + se)
        error = upper - w if upper is not None else 0.0
    curve = [
        x
        for row in threshold.get("aspect_ratio_curve") or []
        if (x := number(row.get("weight_fraction"))) is not None and math.isfinite(x)
    ]
    return w, error, (min(curve), max(curve)) if len(curve) > 1 else None


def _threshold_marks(
    run: Run, panels: Sequence[Axes], *, with_reach: bool = True
) -> list[Any]:
    """Line, error and range of the threshold on panels over wt%; handles for the legend."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    threshold = run.summary.get("threshold") or {}
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
    handles = [Line2D([], [], color=COPPER, lw=1.5, label=label)]
    if reach:
        ratios = [
            number(r.get("aspect_ratio")) or 0.0 for r in threshold["aspect_ratio_curve"]
        ]
        handles.append(
            Patch(
                color=COPPER,
                alpha=0.16,
                lw=0,
                label=f"threshold, aspect ratio {three(min(ratios))} to {three(max(ratios))}",
            )
        )
    return handles


def _weight_axis(run: Run, axes: Axes) -> None:
    """Wt% axis that shows every loading and the threshold."""
    shown = [100.0 * w for w in run.values("weight_fraction")]
    found = threshold_in_weight(run.summary.get("threshold") or {})
    reach = [*shown, 100.0 * found[0]] if found else shown
    span = (max(reach) - min(reach)) or 4.0
    axes.set_xlim(max(0.0, min(reach) - 0.08 * span), min(100.0, max(reach) + 0.08 * span))
    axes.set_xlabel("filler, wt% of the cured total")


def _doses(run: Run) -> tuple[list[float], Callable[[int], float]]:
    """Gaps, and how far each is set aside along wt% so that ranges do not overlap."""
    gaps = run.values("electrode_gap_m")
    loadings = run.values("weight_fraction")
    steps = np.diff(loadings) if len(loadings) > 1 else np.array([0.04])
    step = 100.0 * float(min(steps)) * 0.11
    return gaps, lambda k: (k - 0.5 * (len(gaps) - 1)) * step


def _by_gap(run: Run, gap: float) -> list[Row]:
    rows = [c for c in run.candidates if _same(number(c.get("electrode_gap_m")), gap)]
    return sorted(rows, key=lambda c: number(c.get("weight_fraction")) or 0.0)


def _column(rows: Sequence[Row], key: str, factor: float = 1.0) -> NDArray[np.float64]:
    values = [number(row.get(key)) for row in rows]
    return np.array([np.nan if x is None else factor * x for x in values], dtype=float)


def _nearest(values: Sequence[float], value: Any) -> int:
    x = number(value)
    return next((k for k, entry in enumerate(values) if _same(entry, x)), 0)


def _at(rows: Sequence[Row], candidate: Row) -> int | None:
    return next((k for k, row in enumerate(rows) if row is candidate), None)


# ------------------------------------------------------------------ the figures


def resistance_figure(run: Run) -> Figure:
    """Draw resistance and open fraction against weight fraction, with the threshold."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    reference, is_chosen = run.reference
    figure = _new(5.5)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.4, 1))
    gaps, aside = _doses(run)
    limits = [1e-3 * x for x in _resistance_limits(run)]
    series = [
        (gap, rows, *_quantities(rows, "resistance_ohm", 1e-3))
        for gap in gaps
        if (rows := _by_gap(run, gap))
    ]
    _y_range(
        upper, [a for entry in series for a in entry[2:]] + [np.array(limits)], log=True
    )
    handles: list[Any] = []
    any_open, ring = False, None
    for k, (gap, rows, median, low, high) in enumerate(series):
        colour, marker = GAP_COLOURS[k % 6], GAP_MARKERS[k % 6]
        x = _column(rows, "weight_fraction", 100.0) + aside(k)
        _bars(upper, x, low, high, colour, 1.6)
        known = np.isfinite(median)
        upper.plot(
            x[known], median[known], marker, ls="-", color=colour, lw=1.1, ms=5.5, zorder=4
        )
        any_open |= _open_marks(upper, x, median, colour)
        handles.append(
            Line2D(
                [],
                [],
                color=colour,
                marker=marker,
                ms=5.5,
                lw=1.1,
                label=f"{scaled(gap, 1e3)} mm gap",
            )
        )
        at = _at(rows, reference)
        if at is not None:
            ring = _ring(upper, x[at], median[at], is_chosen=is_chosen)
    handles += [ring, _window(upper, limits), *_threshold_marks(run, (upper, lower))]
    if any_open:
        handles.append(_open_handle())
    upper.set_ylabel("film resistance, kohm")

    loadings = run.values("weight_fraction")
    width = 0.36 * (100.0 * min(np.diff(loadings)) if len(loadings) > 1 else 4.0)
    rows = run.along("weight_fraction", "electrode_gap_m")
    x = _column(rows, "weight_fraction", 100.0)
    colour = GAP_COLOURS[_nearest(gaps, reference.get("electrode_gap_m")) % 6]
    lower.bar(x, _column(rows, "open_fraction", 100.0), width, color=colour, zorder=3)
    fits = run.summary.get("fits") or []
    boxes = [
        (100.0 * w, 100.0 * (number(f.get("n_open_boxes")) or 0.0) / n)
        for f in fits
        if (w := number(f.get("weight_fraction"))) is not None
        and (n := number(f.get("n_boxes")))
    ]
    handles.append(
        Patch(
            color=colour,
            label=f"open castings, {scaled(reference.get('electrode_gap_m'), 1e3)} mm gap",
        )
    )
    if boxes:
        lower.plot(*zip(*boxes, strict=True), "_", color=INK, ms=15, mew=1.6, zorder=4)
        handles.append(
            Line2D([], [], ls="", marker="_", color=INK, ms=12, mew=1.6, label="open boxes")
        )
    lower.set_ylim(-3, 108)
    lower.set_yticks([0, 50, 100])
    lower.set_ylabel("open, %")
    _weight_axis(run, lower)
    _legend(figure, handles, 3)
    return figure


def ratio_figure(run: Run) -> Figure:
    """Draw the resistance ratio against strain for each loading at the deciding gap."""
    from matplotlib.lines import Line2D

    reference, _ = run.reference
    rows = run.along("weight_fraction", "electrode_gap_m")
    drawn = []
    for row in rows:
        response = row.get("response") or {}
        strain = np.array([number(e) or 0.0 for e in response.get("strain") or []]) * 1e6
        bands = [
            np.array(
                [np.nan if (x := number(v)) is None else x for v in response.get(key) or []]
            )
            for key in ("median", "p05", "p95")
        ]
        if len(strain) and len(bands[0]) == len(strain):
            bands = [b if len(b) == len(strain) else bands[0] for b in bands]
            drawn.append((row, strain, *bands))
    if not drawn:
        raise NothingToDrawError("no response to strain was simulated")
    figure = _new(4.0)
    axes = figure.subplots()
    top = max(
        (
            float(a[np.isfinite(a)].max())
            for d in drawn
            for a in d[2:]
            if np.isfinite(a).any()
        ),
        default=1.0,
    )
    _y_range(axes, [a for d in drawn for a in d[2:]] + [np.ones(1)], log=top > 5.0)
    handles: list[Any] = []
    any_open = False
    for colour, (row, strain, median, low, high) in zip(
        _ramp_colours(len(drawn)), drawn, strict=True
    ):
        is_reference = row is reference
        known = np.isfinite(median)
        label = f"{percent(row.get('weight_fraction'))} wt%"
        if not known.any():
            label += ", open"
        if is_reference:
            ceiling = np.minimum(
                np.where(np.isfinite(high), high, axes.get_ylim()[1]), axes.get_ylim()[1]
            )
            axes.fill_between(
                strain,
                np.where(np.isfinite(low), low, np.nan),
                ceiling,
                where=known,
                color=COPPER,
                alpha=0.2,
                lw=0,
                zorder=2,
            )
            colour = COPPER
        axes.plot(
            strain[known],
            median[known],
            "o-",
            color=colour,
            lw=2.2 if is_reference else 1.2,
            ms=4.2 if is_reference else 3,
            zorder=5 if is_reference else 3,
        )
        any_open |= _open_marks(axes, strain, median, colour)
        handles.append(
            Line2D(
                [],
                [],
                color=colour,
                lw=2.2 if is_reference else 1.2,
                marker="o",
                ms=4,
                label=label,
            )
        )
    if any_open:
        handles.insert(0, _open_handle())
    axes.set_xlabel("strain, microstrain")
    axes.set_ylabel("resistance over resistance at rest")
    figure.legend(
        handles=handles[::-1], loc="outside right center", title="filler", handlelength=1.6
    )
    return figure


def factor_figure(run: Run) -> Figure:
    """Draw the gauge factor against weight fraction."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    reference, is_chosen = run.reference
    figure = _new(4.1)
    axes = figure.subplots()
    gaps, aside = _doses(run)
    series = [
        (
            gap,
            rows,
            *_quantities(rows, "gauge_factor"),
            _column(rows, "gauge_factor_initial"),
        )
        for gap in gaps
        if (rows := _by_gap(run, gap))
    ]
    limits = _factor_limits(run)
    values = [np.zeros(1), np.array(limits), *[a for entry in series for a in entry[2:]]]
    finite = np.concatenate([v[np.isfinite(v)] for v in values])
    _y_range(axes, values, log=False)
    if finite.min() >= 0.0:
        axes.set_ylim(bottom=0.0)
    handles: list[Any] = []
    ring, any_open = None, False
    for k, (gap, rows, median, low, high, initial) in enumerate(series):
        colour, marker = GAP_COLOURS[k % 6], GAP_MARKERS[k % 6]
        x = _column(rows, "weight_fraction", 100.0) + aside(k)
        _bars(axes, x, low, high, colour, 1.6)
        known = np.isfinite(median)
        axes.plot(
            x[known], median[known], marker, ls="-", color=colour, lw=1.1, ms=5.5, zorder=4
        )
        any_open |= _open_marks(axes, x, median, colour)
        handles.append(
            Line2D(
                [],
                [],
                color=colour,
                marker=marker,
                ms=5.5,
                lw=1.1,
                label=f"{scaled(gap, 1e3)} mm gap",
            )
        )
        at = _at(rows, reference)
        if at is not None:
            known = np.isfinite(initial)
            axes.plot(
                x[known],
                initial[known],
                "D",
                mfc="white",
                mec=INK,
                ms=5,
                ls=":",
                color=INK,
                lw=1.0,
                zorder=4,
            )
            ring = _ring(axes, x[at], median[at], is_chosen=is_chosen)
    handles.append(
        Line2D(
            [],
            [],
            ls=":",
            color=INK,
            marker="D",
            mfc="white",
            ms=5,
            label=f"initial slope, {scaled(reference.get('electrode_gap_m'), 1e3)} mm",
        )
    )
    handles.append(ring)
    if limits:
        axes.axhspan(limits[0], axes.get_ylim()[1], color=WINDOW, lw=0, zorder=0)
        axes.axhline(limits[0], color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
        handles.append(
            Patch(
                facecolor=WINDOW,
                edgecolor=WINDOW_EDGE,
                ls="--",
                label=f"at least {three(limits[0])} asked for",
            )
        )
    handles += _threshold_marks(run, (axes,), with_reach=False)
    if any_open:
        handles.append(_open_handle())
    axes.set_ylabel("gauge factor (chord)")
    _weight_axis(run, axes)
    _legend(figure, handles, 4)
    return figure


def share_label(name: str) -> str:
    """Word for one tolerance."""
    words = {
        "aspect_ratio": "lot aspect ratio",
        "gap": "electrode gap",
        "chains": "chains (chance)",
        "contact": "contacts",
    }
    return words.get(name, name.replace("_", " "))


def gap_figure(run: Run) -> Figure:
    """Draw resistance against gap, and its spread with the share of each tolerance."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    reference, is_chosen = run.reference
    rows = run.along("electrode_gap_m", "weight_fraction")
    figure = _new(4.3)
    left, right = figure.subplots(1, 2, width_ratios=(1, 1.15))
    x = _column(rows, "electrode_gap_m", 1e3)
    median, low, high = _quantities(rows, "resistance_ohm", 1e-3)
    limits = [1e-3 * v for v in _resistance_limits(run)]
    values = np.concatenate([median, low, high, limits])
    values = values[np.isfinite(values) & (values > 0.0)]
    log = not values.size or values.max() > 8.0 * values.min()
    _y_range(left, [values], log=log)
    if not log:
        left.set_ylim(bottom=0.0)
    ceiling = left.get_ylim()[1]
    known = np.isfinite(low)
    left.fill_between(
        x[known],
        low[known],
        np.where(np.isfinite(high), high, ceiling)[known],
        color=PALE,
        alpha=0.7,
        lw=0,
        zorder=2,
    )
    _bars(left, x, low, high, MAIN, 1.2)
    known = np.isfinite(median)
    left.plot(x[known], median[known], "o-", color=MAIN, lw=1.4, ms=5.5, zorder=4)
    any_open = _open_marks(left, x, median, MAIN)
    at = _at(rows, reference)
    ring = _ring(left, x[at], median[at], is_chosen=is_chosen) if at is not None else None
    handles = [
        Line2D([], [], color=MAIN, marker="o", lw=1.4, label="median"),
        Patch(color=PALE, label="5-95 % of castings"),
        _window(left, limits),
        ring,
        _open_handle() if any_open else None,
    ]
    handles = [h for h in handles if h is not None]
    left.set_xlabel("electrode gap, mm")
    left.set_ylabel("film resistance, kohm")
    left.legend(
        handles=handles,
        loc="lower center",
        bbox_to_anchor=(0.45, 1.0),
        ncols=2,
        columnspacing=1.0,
        handlelength=1.4,
    )
    wide = 0.1 * (x.max() - x.min()) or 1.0
    left.set_xlim(x.min() - wide, x.max() + wide)
    left.set_xticks(x, [three(v) for v in x])

    cv = _column(rows, "resistance_cv", 100.0)
    names = list(SHARE_COLOURS)
    names += [n for row in rows for n in row.get("spread_shares") or {} if n not in names]
    names = list(dict.fromkeys(names))
    others = iter(OTHER_SHARES * 4)
    place = np.arange(len(rows), dtype=float)
    base = np.zeros(len(rows))
    tall = float(np.nanmax(np.where(np.isfinite(cv), cv, 0.0), initial=0.0)) or 1.0
    parts: list[Any] = []
    for name in names:
        part = np.array(
            [
                max(number((row.get("spread_shares") or {}).get(name)) or 0.0, 0.0)
                for row in rows
            ]
        )
        height = np.where(np.isfinite(cv), cv, 0.0) * part
        colour = SHARE_COLOURS.get(name) or next(others)
        if not height.any():
            continue
        right.bar(
            place, height, 0.62, bottom=base, color=colour, ec="white", lw=0.6, zorder=3
        )
        for k in np.flatnonzero(height > 0.055 * tall):
            right.text(
                place[k],
                base[k] + 0.5 * height[k],
                f"{share(part[k])} %",
                ha="center",
                va="center",
                fontsize=8,
                color=_on(colour),
                zorder=4,
            )
        base += height
        parts.append(Patch(facecolor=colour, ec=MUTED, lw=0.4, label=share_label(name)))
    for k in np.flatnonzero(~np.isfinite(cv)):
        right.text(place[k], 0.04 * tall, "open", ha="center", va="bottom", color=MUTED)
    right.set_xticks(place, [three(v) for v in x])
    right.set_xlim(-0.6, len(rows) - 0.4)
    right.set_ylim(0, 1.12 * tall)
    right.grid(axis="x", visible=False)
    right.set_xlabel("electrode gap, mm")
    right.set_ylabel("coefficient of variation of R, %")
    spread = [
        100.0 * v if v < 3.0 else v
        for v in _margin_limits(
            run, lambda name, _: _is_spread(name) and "gauge" not in name
        )
    ]
    if spread:
        right.set_ylim(0, 1.12 * max(tall, spread[0]))
        right.axhline(spread[0], color=WINDOW_EDGE, lw=1.2, ls=(0, (5, 3)), zorder=5)
        parts.insert(
            0, Line2D([], [], color=WINDOW_EDGE, lw=1.2, ls="--", label="largest asked for")
        )
    figure.legend(
        handles=parts[::-1],
        loc="outside right center",
        handlelength=1.1,
        title="share of the variance",
    )
    return figure


def _on(colour: Any) -> str:
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


def map_figure(run: Run) -> Figure:
    """Draw the share of castings that pass over weight fraction and gap."""
    from matplotlib.patches import Rectangle

    if not run.candidates:
        raise NothingToDrawError("no candidate was evaluated")
    weights, gaps = run.values("weight_fraction"), run.values("electrode_gap_m")
    index, is_chosen = deciding_index(run.summary)
    ramp = _ramp()
    figure = _new(1.35 + 0.62 * len(gaps), WIDTH)
    axes = figure.subplots()
    axes.set_xlim(-0.5, len(weights) - 0.5)
    axes.set_ylim(-0.5, len(gaps) - 0.5)
    axes.set_facecolor("#f6f7f8")
    dense = len(weights) > 9
    for k, c in enumerate(run.candidates):
        passing = c.get("pass_share") or {}
        value = number(passing.get("value"))
        w, gap = number(c.get("weight_fraction")), number(c.get("electrode_gap_m"))
        if value is None or w is None or gap is None:
            continue
        i, j = weights.index(w), gaps.index(gap)
        colour = ramp(0.95 * value)
        axes.add_patch(
            Rectangle((i - 0.49, j - 0.48), 0.98, 0.96, fc=colour, ec="none", zorder=2)
        )
        if k == index:
            axes.add_patch(
                Rectangle(
                    (i - 0.47, j - 0.45), 0.94, 0.90, fc="none", ec=COPPER, lw=2.6, zorder=4
                )
            )
        low, high = passing.get("low"), passing.get("high")
        axes.text(
            i,
            j + (0.0 if dense else 0.13),
            share(value) + ("" if dense else " %"),
            ha="center",
            va="center",
            fontsize=8.5 if dense else 10.5,
            color=_on(colour),
            zorder=5,
        )
        if not dense and number(low) is not None:
            axes.text(
                i,
                j - 0.22,
                f"{share(low)} – {share(high)}",
                ha="center",
                va="center",
                fontsize=7.8,
                color=_on(colour),
                zorder=5,
            )
    axes.grid(visible=False)
    axes.tick_params(length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.set_xticks(range(len(weights)), [percent(w) for w in weights])
    axes.set_yticks(range(len(gaps)), [scaled(g, 1e3) for g in gaps])
    axes.set_xlabel("filler, wt% of the cured total")
    axes.set_ylabel("electrode gap, mm")
    if index is not None:
        from matplotlib.patches import Patch

        _legend(
            figure,
            [
                Patch(
                    fc="none", ec=COPPER, lw=2.2, label="chosen" if is_chosen else "nearest"
                )
            ],
            2,
        )
    return figure


def castings_figure(run: Run) -> Figure:
    """Draw the resistances of the castings drawn for the deciding candidate."""
    from matplotlib.patches import Patch
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    index, _ = deciding_index(run.summary)
    index = index or 0
    rows = [row for row in run.castings if number(row.get("candidate")) == index]
    if not rows:
        raise NothingToDrawError("no castings were drawn for this candidate")
    values = _column(rows, "resistance_ohm", 1e-3)
    passes = np.array([bool(row.get("passes")) for row in rows])
    finite = np.isfinite(values) & (values > 0.0)
    limits = [1e-3 * x for x in _resistance_limits(run)]
    figure = _new(3.3)
    axes = figure.subplots()
    around = (
        np.concatenate([values[finite], limits])
        if finite.any() or limits
        else np.array([0.1, 10.0])
    )
    low, high = around.min() / 1.12, around.max() * 1.12
    edges = np.geomspace(low, high, 1 + int(np.clip(1.6 * math.sqrt(len(rows)), 10, 40)))
    axes.set_xscale("log")
    handles = [_window(axes, limits, vertical=True)]
    total = len(rows)
    good, bad = (
        100.0 * np.histogram(values[finite & mask], edges)[0] / total
        for mask in (passes, ~passes)
    )
    axes.bar(
        edges[:-1],
        good,
        np.diff(edges),
        align="edge",
        color=MAIN,
        ec="white",
        lw=0.6,
        zorder=3,
    )
    axes.bar(
        edges[:-1],
        bad,
        np.diff(edges),
        bottom=good,
        align="edge",
        color="#c9a27e",
        ec="white",
        lw=0.6,
        zorder=3,
    )
    handles += [
        Patch(color=MAIN, label="passes every target"),
        Patch(color="#c9a27e", label="fails one"),
    ]
    n_open = int((~finite).sum())
    if n_open:
        axes.plot(
            [0.985],
            [0.92],
            "^",
            transform=axes.transAxes,
            mfc="white",
            mec=INK,
            mew=1.3,
            ms=8,
            zorder=6,
        )
        axes.text(
            0.965,
            0.92,
            f"open: {percent(n_open / total)} % of castings",
            transform=axes.transAxes,
            ha="right",
            va="center",
            zorder=6,
            bbox={"fc": "white", "ec": "none", "pad": 1.5, "alpha": 0.85},
        )
    axes.set_xlim(low / 1.05, high * 1.05)
    axes.set_ylim(0, max(1.0, 1.2 * float((good + bad).max())))
    axes.xaxis.set_major_formatter(FuncFormatter(_plain))
    axes.xaxis.set_minor_formatter(NullFormatter())
    if high / low < 60.0:
        axes.xaxis.set_major_locator(
            LogLocator(
                subs=(1.0, 2.0, 3.0, 5.0, 7.0) if high / low < 20 else (1.0, 2.0, 5.0)
            )
        )
    axes.set_xlabel("film resistance, kohm")
    axes.set_ylabel("castings, %")
    _legend(figure, handles, 3)
    return figure


def temperature_figure(run: Run) -> Figure | None:
    """Draw resistance over resistance at 20 C against temperature; None with one temperature."""
    from matplotlib.lines import Line2D

    reference, _ = run.reference
    rows = run.along("weight_fraction", "electrode_gap_m")
    drawn = []
    for row in rows:
        response = row.get("temperature_response") or {}
        celsius = np.array(
            [(number(t) or 0.0) - 273.15 for t in response.get("temperature_K") or []]
        )
        bands = [
            np.array(
                [np.nan if (x := number(v)) is None else x for v in response.get(key) or []]
            )
            for key in ("median", "p05", "p95")
        ]
        if len(celsius) > 1 and all(len(b) == len(celsius) for b in bands):
            drawn.append((row, celsius, *bands))
    if not drawn:
        return None
    figure = _new(3.7)
    axes = figure.subplots()
    _y_range(axes, [a for d in drawn for a in d[2:]] + [np.ones(1)], log=False)
    handles: list[Any] = []
    for colour, (row, celsius, median, low, high) in zip(
        _ramp_colours(len(drawn)), drawn, strict=True
    ):
        mine = row is reference
        colour = COPPER if mine else colour
        known = np.isfinite(median)
        if mine:
            axes.fill_between(
                celsius,
                low,
                np.where(np.isfinite(high), high, axes.get_ylim()[1]),
                where=known & np.isfinite(low),
                color=COPPER,
                alpha=0.2,
                lw=0,
            )
        axes.plot(
            celsius[known],
            median[known],
            "o-",
            color=colour,
            lw=2.2 if mine else 1.2,
            ms=3.5,
            zorder=5 if mine else 3,
        )
        _open_marks(axes, celsius, median, colour)
        label = f"{percent(row.get('weight_fraction'))} wt%" + (
            "" if known.any() else ", open"
        )
        handles.append(
            Line2D(
                [], [], color=colour, lw=2.2 if mine else 1.2, marker="o", ms=4, label=label
            )
        )
    axes.axvline(20.0, color=MUTED, lw=0.8, ls=":")
    axes.set_xlabel("temperature, C")
    axes.set_ylabel("resistance over resistance at 20 C")
    figure.legend(
        handles=handles[::-1], loc="outside right center", title="filler", handlelength=1.6
    )
    return figure


def fits_figure(run: Run) -> Figure:
    """Draw the fit of A/G against box length for each loading."""
    fits = list(run.summary.get("fits") or [])
    if not fits:
        raise NothingToDrawError("no box was fitted")
    columns = min(3, len(fits))
    lines = -(-len(fits) // columns)
    figure = _new(0.35 + 1.95 * lines)
    panels = figure.subplots(lines, columns, squeeze=False).ravel()
    for axes, fit in zip(panels, fits, strict=False):
        length = np.array([number(x) or 0.0 for x in fit.get("lengths_m") or []])
        inverse = np.array(
            [
                np.nan if (x := number(v)) is None else x
                for v in fit.get("mean_inverse") or []
            ]
        )
        count = min(len(length), len(inverse))
        length, inverse = length[:count], inverse[:count]
        error = _inverse_errors(run, fit, length, inverse)
        rho, excess = (
            number(fit.get("resistivity_ohm_m")),
            number(fit.get("electrode_excess_ohm_m2")),
        )
        title = f"{percent(fit.get('weight_fraction'))} wt%"
        known = np.isfinite(inverse)
        reach = 1.12e6 * float(length.max()) if count else 1.0
        if known.any():
            axes.errorbar(
                1e6 * length[known],
                1e6 * inverse[known],
                1e6 * error[known],
                fmt="o",
                ms=4.5,
                color=MAIN,
                ecolor=MAIN,
                capsize=2.5,
                lw=1.2,
                zorder=4,
            )
            if rho is not None and math.isfinite(rho):
                x = np.array([0.0, 1e-6 * reach])
                axes.plot(
                    1e6 * x,
                    1e6 * (rho * x + (excess or 0.0)),
                    "-",
                    color=COPPER,
                    lw=1.3,
                    zorder=3,
                )
                title += f": {three(rho)} ± {two(fit.get('resistivity_se'))} ohm m"
            axes.set_ylim(bottom=min(0.0, 1.15e6 * (excess or 0.0)))
        else:
            axes.text(
                0.5,
                0.5,
                "every box open",
                transform=axes.transAxes,
                ha="center",
                va="center",
                color=MUTED,
            )
            axes.set_yticks([])
        axes.set_title(title, fontsize=8.6, fontweight="normal")
        axes.axhline(0.0, color=MUTED, lw=0.7)
        axes.set_xlim(0.0, reach)
    for axes in panels[len(fits) :]:
        axes.set_visible(False)
    figure.supxlabel("box length L, um", fontsize=9.5)
    figure.supylabel("A/G, ohm mm²", fontsize=9.5)
    return figure


def _inverse_errors(
    run: Run, fit: Row, length: NDArray[np.float64], inverse: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Standard error of each A/G: as given, or the box scatter over root n."""
    given = [number(x) for x in fit.get("mean_inverse_se") or []]
    if len(given) == len(length) and all(x is not None and math.isfinite(x) for x in given):
        return np.array(given, dtype=float)
    w, cv = number(fit.get("weight_fraction")), number(fit.get("box_cv")) or 0.0
    error = np.zeros(len(length))
    for k, edge in enumerate(length):
        n = sum(
            _same(number(row.get("weight_fraction")), w)
            and _same(number(row.get("box_length_m")), edge)
            for row in run.boxes
        )
        if n == 0:
            n = int((number(fit.get("n_boxes")) or 0.0) / max(len(length), 1))
        if n and math.isfinite(cv) and np.isfinite(inverse[k]):
            error[k] = inverse[k] * cv / math.sqrt(n)
    return error


def network_figure(run: Run) -> Figure:
    """Draw one box from the side: bodies by voltage, links by the current they carry."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import EllipseCollection, LineCollection
    from matplotlib.patches import Rectangle

    if run.sample is None:
        raise NothingToDrawError("no box was kept for a picture")
    particles, links, network, solution = run.sample
    box = particles.box
    along = box.axis
    across = next(k for k in reversed(range(box.dimension)) if k != along)
    micro = 1e6
    n = len(particles)
    currents = np.abs(np.asarray(solution.currents, dtype=float))
    total = 1.0 / solution.resistance if math.isfinite(solution.resistance) else 0.0
    carried = np.zeros(network.n_nodes)
    for end in (0, 1):
        np.add.at(carried, network.resistors[:, end], 0.5 * currents)
    load = carried[:n] / total if total > 0.0 else np.zeros(n)

    figure = _new(5.6)
    axes = figure.subplots()
    length, height = box.size[along] * micro, box.size[across] * micro
    axes.set_aspect("equal")
    bar = 0.022 * length
    axes.set_xlim(-bar, length + bar)
    axes.set_ylim(0.0, height)

    centre = particles.centers[:, (along, across)] * micro
    axis = particles.axes[:, (along, across)]
    core, ball = particles.core_sizes * micro, particles.ball_radii * micro
    in_plane = np.linalg.norm(axis, axis=1)
    angle = np.degrees(np.arctan2(axis[:, 1], axis[:, 0]))
    is_flake, is_rod = particles.kinds == FLAKE, particles.kinds == ROD
    # A disc seen from the side is an ellipse, narrow along the part of its normal we see.
    narrow = np.sqrt(np.maximum(1.0 - in_plane**2, 0.0))
    width = 2.0 * (
        ball + np.where(is_flake, core * narrow, np.where(is_rod, core * in_plane, 0.0))
    )
    tall = 2.0 * (ball + np.where(is_flake, core, 0.0))

    def bodies(which: NDArray[np.intp], **style: Any) -> EllipseCollection:
        collection = EllipseCollection(
            width[which],
            tall[which],
            angle[which],
            units="xy",
            offsets=centre[which],
            offset_transform=axes.transData,
            **style,
        )
        axes.add_collection(collection)
        return collection

    ramp = _ramp()
    busiest = np.argsort(load)[::-1]
    busiest = busiest[load[busiest] > 1e-6][:600]
    idle = np.setdiff1d(np.arange(n), busiest)
    idle = idle[:: max(1, len(idle) // 1200)]
    bodies(
        idle, facecolors="none", edgecolors="#c3cad0", linewidths=0.5, alpha=0.55, zorder=1
    )
    shown = busiest[::-1]
    volts = np.clip(np.asarray(solution.voltages, dtype=float)[:n], 0.0, 1.0)
    if len(shown):
        bodies(
            shown,
            facecolors=ramp(0.12 + 0.75 * volts[shown]),
            edgecolors="white",
            linewidths=0.4,
            alpha=0.62,
            zorder=2,
        )

    segments, weights = _current_paths(particles, links, network, currents, along, across)
    strongest = float(weights.max()) / total if total > 0.0 and len(weights) else 0.0
    if strongest > 0.0:
        part = weights / (total * strongest)
        order = np.argsort(part)
        order = order[part[order] > 0.02][-1600:]
        axes.add_collection(
            LineCollection(
                list(segments[order] * micro),
                linewidths=_stroke(part[order]),
                colors=COPPER,
                alpha=0.3 + 0.65 * np.sqrt(part[order]),
                capstyle="round",
                zorder=4,
            )
        )
    for start in (-bar, length):
        axes.add_patch(Rectangle((start, 0.0), bar, height, fc=INK, ec="none", zorder=6))
    axes.grid(visible=False)
    axes.set_xlabel("along the current, um")
    axes.set_ylabel(
        {
            0: "along the film, um",
            1: "across the width, um",
            2: "through the thickness, um",
        }[across]
    )
    if total <= 0.0:
        axes.set_title("open: no path joins the electrodes", fontsize=9.5)
    else:
        from matplotlib.colors import ListedColormap
        from matplotlib.lines import Line2D

        scale = ListedColormap([ramp(0.12 + 0.75 * v) for v in np.linspace(0, 1, 64)])
        colours = ScalarMappable(cmap=scale)
        colours.set_array([0.0, 1.0])
        bar_axes = figure.colorbar(colours, ax=axes, shrink=0.6, aspect=24, pad=0.02)
        bar_axes.set_label("voltage at 1 V across")
        bar_axes.outline.set_visible(False)  # type: ignore[operator]
        _legend(
            figure,
            [
                *[
                    Line2D(
                        [],
                        [],
                        color=COPPER,
                        lw=float(_stroke(p)),
                        alpha=0.3 + 0.65 * math.sqrt(p),
                        label=f"{two(100.0 * p * strongest)} % of the current",
                    )
                    for p in (0.1, 0.4, 1.0)
                ],
                Line2D(
                    [],
                    [],
                    ls="",
                    marker="o",
                    mfc="none",
                    mec="#aab2b9",
                    ms=7,
                    label="carries none, or little",
                ),
            ],
            4,
        )
    return figure


def _stroke(part: Any) -> Any:
    """Line width of a contact by its current over that of the strongest."""
    return 0.3 + 4.4 * np.asarray(part) ** 0.8


def _current_paths(
    particles: Any,
    links: Any,
    network: Any,
    currents: NDArray[np.float64],
    along: int,
    across: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Segments (s, 2, 2) [m] and the current of each, from centre to contact point to centre."""
    n = len(particles)
    plane = (along, across)
    row_of = {(int(i), int(j)): k for k, (i, j) in enumerate(links.pairs)}
    arms_i, arms_j = links.arms
    centres = particles.centers
    segments: list[Any] = []
    weights: list[float] = []
    for (a, b), current in zip(network.resistors, currents, strict=True):
        if current <= 0.0:
            continue
        i, j = (int(a), int(b)) if a < b else (int(b), int(a))
        if j < n:
            k = row_of.get((i, j))
            if k is None:
                continue
            legs = ((centres[i], arms_i[k]), (centres[j], arms_j[k]))
        elif i < n and j in (network.source, network.sink):
            # An electrode contact runs straight to its face.
            leg = np.zeros(particles.box.dimension)
            face = 0.0 if j == network.source else particles.box.size[along]
            leg[along] = face - centres[i][along]
            legs = ((centres[i], leg),)
        else:
            continue
        for start, arm in legs:
            segments.append((start[list(plane)], (start + arm)[list(plane)]))
            weights.append(float(current))
    return np.array(segments, dtype=float).reshape(-1, 2, 2), np.array(weights, dtype=float)


# ------------------------------------------------------------------ all of them


def _gap_text(run: Run) -> str:
    return f"{scaled(run.reference[0].get('electrode_gap_m'), 1e3)} mm gap"


def _caption_resistance(run: Run) -> str:
    return (
        "Film resistance at rest and 20 C. Points are medians over castings, vertical lines hold 5 to 95 % "
        "of them; loadings are set slightly apart so that gaps can be told from each other. The threshold "
        "band is one standard error; the wide band is where the threshold would lie for aspect ratios over "
        "the range named. Below: the share of castings that are open, and of simulated boxes, which are "
        "far smaller than a film and open sooner."
    )


def _caption_ratio(run: Run) -> str:
    return (
        f"Median over castings at the {_gap_text(run)} and 20 C. The copper line is "
        f"{candidate_label(run.reference[0])}, its band holds 5 to 95 % of castings."
    )


def _caption_factor(run: Run) -> str:
    window = run.summary.get("window") or {}
    return (
        "Gauge factor as the chord over the strain window "
        f"({scaled(window.get('min'), 1e6)} to {scaled(window.get('max'), 1e6)} microstrain). Points are "
        "medians over castings, vertical lines hold 5 to 95 %. Diamonds are the slope at zero strain."
    )


def _caption_gap(run: Run) -> str:
    return (
        f"{percent(run.reference[0].get('weight_fraction'))} wt%. Left: median and 5 to 95 % of castings. "
        "Right: the height of a bar is the coefficient of variation of R between castings; its parts show "
        "the share of each tolerance in the variance of log R."
    )


def _caption_map(run: Run) -> str:
    return (
        "Share of castings that meet every target, in per cent; the small figures are the 95 % interval "
        "of that share. The deciding candidate is framed."
    )


def _caption_castings(run: Run) -> str:
    return (
        f"Every casting drawn for {candidate_label(run.reference[0])}, from the bench tolerances. "
        "The shaded window is the resistance asked for."
    )


def _caption_temperature(run: Run) -> str:
    return (
        f"At zero strain and the {_gap_text(run)}. The copper line is "
        f"{candidate_label(run.reference[0])}, its band holds 5 to 95 % of castings. Its slope, even its "
        "sign, rests on lambda_T and Ea."
    )


def _caption_network(run: Run) -> str:
    if run.sample is None:
        return "One simulated box."
    particles, links, _, solution = run.sample
    box = particles.box
    edge = " x ".join(f"{three(1e6 * s)}" for s in box.size)
    r = (
        f"{scaled(solution.resistance, 1e-3)} kohm"
        if math.isfinite(solution.resistance)
        else "open"
    )
    return (
        f"One simulated box of {edge} um, seen from the side: {len(particles)} bodies, {len(links)} contacts, "
        f"{percent(particles.volume_fraction)} vol%, resistance of the box {r}. Bodies are coloured by their "
        "voltage, lines run along the contacts with a width that grows with the current. "
        "Electrodes are the dark bars."
    )


def _caption_fits(run: Run) -> str:
    return (
        "Area over mean conductance of cubic boxes against their length; error bars are one standard error "
        "of the mean over boxes. The line is the fit A/G = ρ L + r_c: its slope is the resistivity of the "
        "film, its value at L = 0 what the electrodes add (negative: bodies that touch them shorten the path)."
    )


@dataclass(frozen=True, slots=True)
class _Entry:
    draw: Callable[[Run], Figure | None]
    caption: Callable[[Run], str]


FIGURES: Mapping[str, _Entry] = {
    "resistance_vs_weight_fraction": _Entry(resistance_figure, _caption_resistance),
    "ratio_vs_strain": _Entry(ratio_figure, _caption_ratio),
    "gauge_factor_vs_weight_fraction": _Entry(factor_figure, _caption_factor),
    "temperature": _Entry(temperature_figure, _caption_temperature),
    "gap_and_spread": _Entry(gap_figure, _caption_gap),
    "pass_map": _Entry(map_figure, _caption_map),
    "castings": _Entry(castings_figure, _caption_castings),
    "network": _Entry(network_figure, _caption_network),
    "box_fits": _Entry(fits_figure, _caption_fits),
}
"""Every figure of a report, by the name of its file."""


def draw(run: Run, names: Sequence[str] | None = None) -> Iterator[Drawing]:
    """Draw the figures one by one; one that breaks becomes a note and stops nothing.

    Parameters
    ----------
    run : Run
        What to draw.
    names : sequence of str, optional
        Which figures, all by default.

    Yields
    ------
    Drawing
        A picture, or the reason why there is none. Figures that do not apply to the run
        (temperature, with one temperature) are left out.

    """
    from matplotlib import rc_context

    for name in FIGURES if names is None else names:
        entry = FIGURES[name]
        caption = ""
        try:
            caption = entry.caption(run)
            with rc_context(STYLE):
                figure = entry.draw(run)
                if figure is None:
                    continue
                png = figure_to_png(figure)
        except NothingToDrawError as reason:
            yield Drawing(name, caption, note=f"Not drawn: {reason}.")
        except Exception as error:  # a picture must never cost the results
            yield Drawing(
                name,
                caption,
                note=f"Not drawn: {type(error).__name__}: {error}",
                failed=True,
            )
        else:
            yield Drawing(name, caption, png)
