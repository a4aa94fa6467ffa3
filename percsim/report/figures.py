"""Results -> figures of the film: what the decision rests on, drawn for page and print.

Each figure is a function of a run that returns a Matplotlib figure; uncertainty is drawn
wherever the results carry it.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, cast

import numpy as np

from percsim.report.boxes import fits_caption, fits_figure, network_caption, network_figure
from percsim.report.candidates import (
    Row,
    candidate_label,
    deciding_index,
    mix_label,
    open_films_marked,
)
from percsim.report.chapter import FigureEntry
from percsim.report.chapters import CHAPTERS
from percsim.report.series import (
    Floats,
    NothingToDrawError,
    Points,
    Run,
    by_gap,
    column_of,
    curves,
    error_range,
    factor_limits,
    index_of,
    points_of,
    position,
    resistance_limits,
    within_reach,
)
from percsim.report.style import (
    COPPER,
    DPI,
    GAP_COLOURS,
    GAP_MARKERS,
    INK,
    MAIN,
    PALE,
    STYLE,
    WIDTH,
    WINDOW,
    WINDOW_EDGE,
    Axes,
    Figure,
    area_handle,
    bar_width,
    draw_curves,
    error_bars,
    error_handle,
    legend_above,
    line_handle,
    log_ticks,
    mark_deciding,
    new_figure,
    open_handle,
    open_marks,
    ramp_map,
    range_lines,
    shade_window,
    side_by_side,
    text_on,
    threshold_marks,
    weight_axis,
    y_range,
)
from percsim.words import mm, number, percent, scaled, share, three

__all__ = ["FIGURES", "Drawing", "NothingToDrawError", "Run", "draw", "figure_to_png"]


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


def figure_to_png(figure: Figure) -> bytes:
    """Render a figure as PNG, the same bytes for the same figure."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    FigureCanvasAgg(figure)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=DPI, metadata={"Software": None})
    return picture.getvalue()


def _draw_gaps(
    axes: Axes, run: Run, series: Mapping[float, Points], size: float
) -> list[Any]:
    """Draw points of every gap side by side; gives handles for the legend."""
    reference, _ = run.reference
    _, aside = side_by_side(run)
    handles: list[Any] = []
    ring, some_open, some_error = None, False, False
    for k, (gap, points) in enumerate(series.items()):
        colour, marker = GAP_COLOURS[k % 6], GAP_MARKERS[k % 6]
        x = column_of(points.rows, "weight_fraction", 100.0) + aside(k)
        error_bars(axes, x, points.median, points.error, colour, bar_width(run, aside))
        range_lines(axes, x, points.low, points.high, colour, 1.6)
        known = points.known
        axes.plot(
            x[known], points.median[known], marker, ls="-", color=colour, lw=1.1, ms=size,
            zorder=4,
        )  # fmt: skip
        some_open |= open_marks(axes, x, points.median, colour)
        some_error |= points.has_error
        handles.append(
            line_handle(
                color=colour, marker=marker, ms=size, lw=1.1, label=f"{mm(gap)} gap"
            )
        )
        at = position(points.rows, reference)
        if at is not None:
            ring = mark_deciding(axes, x[at], points.median[at], run.deciding_word)
    handles += [ring, error_handle() if some_error else None]
    return [*handles, open_handle()] if some_open else handles


def _points_by_gap(run: Run, key: str, factor: float = 1.0) -> dict[float, Points]:
    return {
        gap: points_of(rows, key, factor)
        for gap in run.values("electrode_gap_m")
        if (rows := by_gap(run, gap))
    }


def resistance_figure(run: Run) -> Figure:
    """Draw resistance and open fraction against weight fraction, with the threshold."""
    figure = new_figure(5.5)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.4, 1))
    limits = resistance_limits(run)
    series = _points_by_gap(run, "resistance_ohm", 1e-3)
    shown = [a for points in series.values() for a in points.ranges]
    y_range(upper, [*shown, np.array(limits)], log=True)
    handles = [
        *_draw_gaps(upper, run, series, 5.5),
        shade_window(upper, limits),
        *threshold_marks(run, (upper, lower)),
        *_draw_open(lower, run),
    ]
    upper.set_ylabel("film resistance, kohm")
    weight_axis(run, lower)
    legend_above(figure, handles, 3)
    return figure


def _draw_open(axes: Axes, run: Run) -> list[Any]:
    """Draw the shares of open castings and boxes; gives handles for the legend."""
    gap = run.reference[0].get("electrode_gap_m")
    loadings = run.values("weight_fraction")
    width = 0.36 * (100.0 * min(np.diff(loadings)) if len(loadings) > 1 else 4.0)
    rows = run.along("weight_fraction", "electrode_gap_m")
    x = column_of(rows, "weight_fraction", 100.0)
    colour = GAP_COLOURS[index_of(run.values("electrode_gap_m"), gap) % 6]
    axes.bar(x, column_of(rows, "open_fraction", 100.0), width, color=colour, zorder=3)
    handles = [area_handle(color=colour, label=f"open castings, {mm(gap)} gap")]
    # boxes are as planned: beside castings by measured films they would mislead
    fits = [] if "anchor" in run.summary else run.summary.get("fits") or []
    boxes = [
        (100.0 * w, 100.0 * (number(f.get("n_open_boxes")) or 0.0) / n)
        for f in fits
        if (w := number(f.get("weight_fraction"))) is not None
        and (n := number(f.get("n_boxes")))
    ]
    if boxes:
        axes.plot(*zip(*boxes, strict=True), "_", color=INK, ms=15, mew=1.6, zorder=4)
        handles.append(
            line_handle(ls="", marker="_", color=INK, ms=12, mew=1.6, label="open boxes")
        )
    axes.set_ylim(-3, 108)
    axes.set_yticks([0, 50, 100])
    axes.set_ylabel("open, %")
    return handles


def ratio_figure(run: Run) -> Figure:
    """Draw the resistance ratio against strain for each loading at the deciding gap."""
    drawn = curves(run, "response", "strain", lambda strain: 1e6 * strain)
    if not drawn:
        raise NothingToDrawError("no response to strain was simulated")
    figure = new_figure(4.0)
    axes = figure.subplots()
    draw_curves(figure, axes, run, drawn)
    axes.set_xlabel("strain, microstrain")
    axes.set_ylabel("resistance over resistance at rest")
    return figure


def _initial_slopes(rows: Sequence[Row]) -> tuple[Floats, Floats]:
    """Slopes at zero strain and their errors, without those that are smaller than it."""
    slopes = column_of(rows, "gauge_factor_initial")
    errors = column_of(rows, "gauge_factor_initial_se")
    lost = np.isfinite(slopes) & (errors > np.abs(slopes))
    return np.where(lost, np.nan, slopes), np.where(lost, np.nan, errors)


def factor_figure(run: Run) -> Figure:
    """Draw the gauge factor against weight fraction."""
    figure = new_figure(4.1)
    axes = figure.subplots()
    series = _points_by_gap(run, "gauge_factor")
    slopes = [_initial_slopes(points.rows) for points in series.values()]
    limits = factor_limits(run)
    values = [np.zeros(1), np.array(limits)]
    values += [a for points in series.values() for a in points.ranges]
    values += [slope for slope, _ in slopes]
    with_errors = [(points.median, points.error) for points in series.values()] + slopes
    ends = [side for a in with_errors for side in error_range(*a, log=False)]
    values.append(within_reach(values, ends))
    y_range(axes, values, log=False)
    if min(v[np.isfinite(v)].min(initial=0.0) for v in values) >= 0.0:
        axes.set_ylim(bottom=0.0)
    handles = [
        *_draw_gaps(axes, run, series, 4.8),
        *_draw_slopes(axes, run, series),
        *_asked_for(axes, limits),
        *threshold_marks(run, (axes,), with_reach=False),
    ]
    axes.set_ylabel("gauge factor")
    weight_axis(run, axes)
    legend_above(figure, handles, 4)
    return figure


def _draw_slopes(axes: Axes, run: Run, series: Mapping[float, Points]) -> list[Any]:
    """Draw the slopes at zero strain of the deciding gap beside the points of all gaps."""
    reference, _ = run.reference
    rows = run.along("weight_fraction", "electrode_gap_m")
    slope, error = _initial_slopes(rows)
    if not np.isfinite(slope).any():
        return []
    _, aside = side_by_side(run)
    x = column_of(rows, "weight_fraction", 100.0) + aside(len(series))
    error_bars(axes, x, slope, error, INK, bar_width(run, aside))
    look: dict[str, Any] = {"ls": ":", "marker": "D", "mfc": "white", "ms": 5, "color": INK}
    known = np.isfinite(slope)
    axes.plot(x[known], slope[known], mec=INK, lw=1.0, zorder=4, **look)
    label = f"initial slope, {mm(reference.get('electrode_gap_m'))}"
    return [line_handle(label=label, **look)]


def _asked_for(axes: Axes, limits: Sequence[float]) -> list[Any]:
    """Shade the gauge factors asked for."""
    if not limits:
        return []
    axes.axhspan(limits[0], axes.get_ylim()[1], color=WINDOW, lw=0, zorder=0)
    axes.axhline(limits[0], color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    label = f"at least {three(limits[0])} asked for"
    return [area_handle(facecolor=WINDOW, edgecolor=WINDOW_EDGE, ls="--", label=label)]


def gap_figure(run: Run) -> Figure:
    """Draw resistance against gap."""
    rows = run.along("electrode_gap_m", "weight_fraction")
    figure = new_figure(3.6)
    axes = figure.subplots()
    x = column_of(rows, "electrode_gap_m", 1e3)
    points = points_of(rows, "resistance_ohm", 1e-3)
    limits = resistance_limits(run)
    values = np.concatenate([*points.ranges, limits])
    values = values[np.isfinite(values) & (values > 0.0)]
    log = not values.size or values.max() > 8.0 * values.min()
    y_range(axes, [values], log=log)
    if not log:
        axes.set_ylim(bottom=0.0)
    known = np.isfinite(points.low)
    high = np.where(np.isfinite(points.high), points.high, axes.get_ylim()[1])
    axes.fill_between(
        x[known], points.low[known], high[known], color=PALE, alpha=0.7, lw=0, zorder=2
    )
    error_bars(axes, x, points.median, points.error, MAIN)
    range_lines(axes, x, points.low, points.high, MAIN, 1.2)
    known = points.known
    axes.plot(x[known], points.median[known], "o-", color=MAIN, lw=1.4, ms=5.5, zorder=4)
    some_open = open_marks(axes, x, points.median, MAIN)
    at = position(rows, run.reference[0])
    ring = None
    if at is not None:
        ring = mark_deciding(axes, x[at], points.median[at], run.deciding_word)
    handles = [
        line_handle(color=MAIN, marker="o", lw=1.4, label="median"),
        area_handle(color=PALE, label="5-95 % of castings"),
        error_handle(MAIN) if points.has_error else None,
        shade_window(axes, limits),
        ring,
        open_handle() if some_open else None,
    ]
    axes.set_xlabel("electrode gap, mm")
    axes.set_ylabel("film resistance, kohm")
    legend_above(figure, handles, 4)
    wide = 0.1 * (x.max() - x.min()) or 1.0
    axes.set_xlim(x.min() - wide, x.max() + wide)
    axes.set_xticks(x, [three(v) for v in x])
    return figure


def map_figure(run: Run) -> Figure:
    """Draw the share of castings that pass over weight fraction and gap."""
    from matplotlib.patches import Rectangle

    if not run.candidates:
        raise NothingToDrawError("no candidate was evaluated")
    weights, gaps = run.values("weight_fraction"), run.values("electrode_gap_m")
    index, _ = deciding_index(run.summary)
    ramp = ramp_map()
    figure = new_figure(1.35 + 0.62 * len(gaps), WIDTH)
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
            color=text_on(colour),
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
                color=text_on(colour),
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
        legend_above(
            figure,
            [area_handle(fc="none", ec=COPPER, lw=2.2, label=run.deciding_word)],
            2,
        )
    return figure


def _log_bins(values: Floats, low: float, high: float) -> Floats:
    """Bins of equal ratio over a range, as wide as Freedman and Diaconis (1981) advise."""
    reach = math.log(high / low)
    width = reach / 20.0
    if len(values) > 1:
        lower, upper = np.quantile(np.log(values), [0.25, 0.75])
        width = 2.0 * float(upper - lower) / len(values) ** (1.0 / 3.0) or width
    return np.geomspace(low, high, 1 + int(np.clip(reach / width, 12, 70)))


def castings_figure(run: Run) -> Figure:
    """Draw the resistances of the castings drawn for the deciding candidate."""
    index, _ = deciding_index(run.summary)
    rows = [row for row in run.castings if number(row.get("candidate")) == (index or 0)]
    if not rows:
        raise NothingToDrawError("no castings were drawn for this candidate")
    values = column_of(rows, "resistance_ohm", 1e-3)
    passes = np.array([bool(row.get("passes")) for row in rows])
    finite = np.isfinite(values) & (values > 0.0)
    limits = resistance_limits(run)
    figure = new_figure(3.3)
    axes = figure.subplots()
    around = (
        np.concatenate([values[finite], limits])
        if finite.any() or limits
        else np.array([0.1, 10.0])
    )
    low, high = around.min() / 1.12, around.max() * 1.12
    edges = _log_bins(values[finite], low, high)
    axes.set_xscale("log")
    handles = [shade_window(axes, limits, vertical=True)]
    tall: Floats | float = 0.0
    for mask, colour, label in (
        (passes, MAIN, "passes every target"),
        (~passes, "#c9a27e", "fails a target"),
    ):
        share_in = 100.0 * np.histogram(values[finite & mask], edges)[0] / len(rows)
        axes.bar(
            edges[:-1], share_in, np.diff(edges), bottom=tall, align="edge", color=colour,
            ec="white", lw=0.6, zorder=3,
        )  # fmt: skip
        tall = tall + share_in
        handles.append(area_handle(color=colour, label=label))
    if not finite.all():
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
            f"open: {percent(1.0 - finite.mean())} % of castings",
            transform=axes.transAxes,
            ha="right",
            va="center",
            zorder=6,
            bbox={"fc": "white", "ec": "none", "pad": 1.5, "alpha": 0.85},
        )
    axes.set_xlim(low / 1.05, high * 1.05)
    axes.set_ylim(0, max(1.0, 1.2 * float(np.max(tall))))
    fine, coarse = (1.0, 2.0, 3.0, 5.0, 7.0), (1.0, 2.0, 5.0)
    reach = high / low
    log_ticks(axes.xaxis, fine if reach < 20 else coarse if reach < 300 else ())
    axes.set_xlabel("film resistance, kohm")
    axes.set_ylabel("castings, %")
    legend_above(figure, handles, 3)
    return figure


def _gap_text(run: Run) -> str:
    return f"{mm(run.reference[0].get('electrode_gap_m'))} gap"


def _caption_resistance(run: Run) -> str:
    return (
        "Film resistance at rest and 20 C. Points are medians over castings, vertical "
        "lines hold 5 to 95 % of them; loadings are set slightly apart so that gaps can "
        "be told from each other. Wide light bars are the simulation error of the median, "
        "one standard error each way. "
        + (
            "Medians, lines and threshold hold what the measured films tell and leave "
            "open. Below: the share of castings that are open."
            if "anchor" in run.summary
            else "The threshold band is one standard error; the wide band is where the "
            "threshold would lie for aspect ratios over the range named. Below: the share "
            "of castings that are open, and of simulated boxes, which are far smaller than "
            "a film and open sooner."
        )
    )


def _caption_ratio(run: Run) -> str:
    return (
        f"Median over castings at the {_gap_text(run)} and 20 C. The copper line is "
        f"{candidate_label(run.reference[0])}, its band holds 5 to 95 % of castings. "
        f"{_BESIDE}"
    )


_BESIDE = (
    "The light band around it and the bars beside the last points are the simulation "
    "error, one standard error each way: how far another set of boxes could move a whole "
    "line."
)


def _caption_factor(run: Run) -> str:
    window = run.summary.get("window") or {}
    return (
        "Gauge factor as the chord from zero to "
        f"{scaled(window.get('chord'), 1e6)} microstrain. Points are medians over "
        "castings, set slightly apart; thin vertical lines hold 5 to 95 % of them. Wide "
        "light bars are the simulation "
        "error, one standard error each way: how far another set of boxes could move all "
        "castings of a loading together. "
        f"Diamonds are the slope at zero strain of the film as planned, {_gap_text(run)}; "
        "left out where its simulation error exceeds it."
    )


def _caption_gap(run: Run) -> str:
    return (
        f"{percent(run.reference[0].get('weight_fraction'))} wt%: median and 5 to 95 % of "
        "castings; wide light bars are the simulation error of the median, one standard "
        "error each way."
    )


def _caption_map(run: Run) -> str:
    return (
        "Share of castings with resistance and gauge factor inside their limits, in per "
        "cent; the small figures are the 95 % interval of that share. A candidate with a "
        "high share may still be refused for its spread. The deciding one is framed."
    )


def _caption_castings(run: Run) -> str:
    return (
        f"Every casting drawn for {candidate_label(run.reference[0])}, from the bench "
        "tolerances"
        + (
            ", contacts and threshold at the values that the measured films make likeliest"
            if "anchor" in run.summary
            else ""
        )
        + ". The shaded window is the resistance asked for."
    )


FIGURES: Mapping[str, FigureEntry] = {
    "resistance_vs_weight_fraction": FigureEntry(resistance_figure, _caption_resistance),
    "ratio_vs_strain": FigureEntry(ratio_figure, _caption_ratio),
    "gauge_factor_vs_weight_fraction": FigureEntry(factor_figure, _caption_factor),
    "resistance_vs_gap": FigureEntry(gap_figure, _caption_gap),
    "pass_map": FigureEntry(map_figure, _caption_map),
    "castings": FigureEntry(castings_figure, _caption_castings),
    "network": FigureEntry(network_figure, network_caption),
    "box_fits": FigureEntry(fits_figure, fits_caption),
    **{name: entry for chapter in CHAPTERS for name, entry in chapter.figures.items()},
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

    run = replace(run, summary=open_films_marked(run.summary))
    whole, run = run, run.of_one_mix()
    over_all = {n for c in CHAPTERS if c.over_mixes for n in c.figures}
    words = mix_label(whole.summary, whole.reference[0]) if whole.candidates else ""
    absent = {n for c in CHAPTERS if c.key not in run.summary for n in c.figures}
    for name in [n for n in FIGURES if n not in absent] if names is None else names:
        entry = FIGURES[name]
        caption = ""
        try:
            shown = whole if name in over_all else run
            caption = entry.caption(shown)
            if words and name not in over_all:
                caption = f"{caption.rstrip('.')}. Of the mix that decides: {words}."
            with rc_context(rc=cast("Any", STYLE)):
                figure = entry.draw(shown)
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
