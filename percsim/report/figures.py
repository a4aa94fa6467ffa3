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
from numpy.typing import NDArray

from percsim.report.boxes import fits_caption, fits_figure, network_caption, network_figure
from percsim.report.candidates import (
    candidate_label,
    deciding_index,
    mix_label,
    open_films_marked,
)
from percsim.report.chapter import FigureEntry
from percsim.report.chapters import CHAPTERS
from percsim.report.series import (
    NothingToDrawError,
    Run,
    by_gap,
    column_of,
    curves,
    error_range,
    factor_limits,
    index_of,
    position,
    quantities,
    resistance_limits,
    standard_errors,
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
    Figure,
    area_handle,
    bar_width,
    draw_curves,
    error_bars,
    error_handle,
    legend_above,
    line_handle,
    mark_deciding,
    new_figure,
    open_handle,
    open_marks,
    plain,
    ramp_map,
    range_lines,
    shade_window,
    side_by_side,
    text_on,
    threshold_marks,
    weight_axis,
    y_range,
)
from percsim.words import number, percent, scaled, share, three

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


def _gap_handle(gap: Any, colour: str, marker: str, size: float) -> Any:
    """Legend entry of the candidates at one gap."""
    label = f"{scaled(gap, 1e3)} mm gap"
    return line_handle(color=colour, marker=marker, ms=size, lw=1.1, label=label)


def resistance_figure(run: Run) -> Figure:
    """Draw resistance and open fraction against weight fraction, with the threshold."""
    reference, _ = run.reference
    figure = new_figure(5.5)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3.4, 1))
    gaps, aside = side_by_side(run)
    limits = resistance_limits(run)
    series = [
        (
            gap,
            rows,
            *quantities(rows, "resistance_ohm", 1e-3),
            standard_errors(rows, "resistance_ohm", 1e-3),
        )
        for gap in gaps
        if (rows := by_gap(run, gap))
    ]
    y_range(
        upper, [a for entry in series for a in entry[2:5]] + [np.array(limits)], log=True
    )
    handles: list[Any] = []
    any_open, ring, any_error = False, None, False
    for k, (gap, rows, median, low, high, error) in enumerate(series):
        colour, marker = GAP_COLOURS[k % 6], GAP_MARKERS[k % 6]
        x = column_of(rows, "weight_fraction", 100.0) + aside(k)
        error_bars(upper, x, median, error, colour, bar_width(run, aside))
        any_error |= bool(np.any(error[np.isfinite(median)] > 0.0))
        range_lines(upper, x, low, high, colour, 1.6)
        known = np.isfinite(median)
        upper.plot(
            x[known], median[known], marker, ls="-", color=colour, lw=1.1, ms=5.5, zorder=4
        )
        any_open |= open_marks(upper, x, median, colour)
        handles.append(_gap_handle(gap, colour, marker, 5.5))
        at = position(rows, reference)
        if at is not None:
            ring = mark_deciding(upper, x[at], median[at], run.deciding_word)
    handles += [ring, error_handle() if any_error else None]
    handles += [shade_window(upper, limits), *threshold_marks(run, (upper, lower))]
    if any_open:
        handles.append(open_handle())
    upper.set_ylabel("film resistance, kohm")

    loadings = run.values("weight_fraction")
    width = 0.36 * (100.0 * min(np.diff(loadings)) if len(loadings) > 1 else 4.0)
    rows = run.along("weight_fraction", "electrode_gap_m")
    x = column_of(rows, "weight_fraction", 100.0)
    colour = GAP_COLOURS[index_of(gaps, reference.get("electrode_gap_m")) % 6]
    lower.bar(x, column_of(rows, "open_fraction", 100.0), width, color=colour, zorder=3)
    # boxes are as planned: beside castings by measured films they would mislead
    fits = [] if "anchor" in run.summary else run.summary.get("fits") or []
    boxes = [
        (100.0 * w, 100.0 * (number(f.get("n_open_boxes")) or 0.0) / n)
        for f in fits
        if (w := number(f.get("weight_fraction"))) is not None
        and (n := number(f.get("n_boxes")))
    ]
    handles.append(
        area_handle(
            color=colour,
            label=f"open castings, {scaled(reference.get('electrode_gap_m'), 1e3)} mm gap",
        )
    )
    if boxes:
        lower.plot(*zip(*boxes, strict=True), "_", color=INK, ms=15, mew=1.6, zorder=4)
        handles.append(
            line_handle(ls="", marker="_", color=INK, ms=12, mew=1.6, label="open boxes")
        )
    lower.set_ylim(-3, 108)
    lower.set_yticks([0, 50, 100])
    lower.set_ylabel("open, %")
    weight_axis(run, lower)
    legend_above(figure, handles, 3)
    return figure


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


def _resolved(
    values: NDArray[np.float64], errors: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Leave out values that are smaller than their simulation error."""
    lost = np.isfinite(values) & (errors > np.abs(values))
    return np.where(lost, np.nan, values), np.where(lost, np.nan, errors)


def factor_figure(run: Run) -> Figure:
    """Draw the gauge factor against weight fraction."""
    reference, _ = run.reference
    figure = new_figure(4.1)
    axes = figure.subplots()
    gaps, aside = side_by_side(run)
    series = [
        (
            gap,
            rows,
            *quantities(rows, "gauge_factor"),
            standard_errors(rows, "gauge_factor"),
            *_resolved(
                column_of(rows, "gauge_factor_initial"),
                column_of(rows, "gauge_factor_initial_se"),
            ),
        )
        for gap in gaps
        if (rows := by_gap(run, gap))
    ]
    limits = factor_limits(run)
    values = [np.zeros(1), np.array(limits)]
    values += [a for entry in series for a in (*entry[2:5], entry[6])]
    ends = [
        side
        for _, _, median, _, _, error, initial, initial_error in series
        for side in (
            *error_range(median, error, log=False),
            *error_range(initial, initial_error, log=False),
        )
    ]
    values.append(within_reach(values, ends))
    finite = np.concatenate([v[np.isfinite(v)] for v in values])
    y_range(axes, values, log=False)
    if finite.min() >= 0.0:
        axes.set_ylim(bottom=0.0)
    handles: list[Any] = []
    ring, any_open, any_error = None, False, False
    wide = bar_width(run, aside)
    for k, (gap, rows, median, low, high, error, initial, initial_error) in enumerate(
        series
    ):
        colour, marker = GAP_COLOURS[k % 6], GAP_MARKERS[k % 6]
        x = column_of(rows, "weight_fraction", 100.0) + aside(k)
        error_bars(axes, x, median, error, colour, wide)
        any_error |= bool(np.any(error[np.isfinite(median)] > 0.0))
        range_lines(axes, x, low, high, colour, 1.6)
        known = np.isfinite(median)
        axes.plot(
            x[known], median[known], marker, ls="-", color=colour, lw=1.1, ms=4.8, zorder=4
        )
        any_open |= open_marks(axes, x, median, colour)
        handles.append(_gap_handle(gap, colour, marker, 4.8))
        at = position(rows, reference)
        if at is not None:
            known = np.isfinite(initial)
            past = x - aside(k) + aside(len(series))
            error_bars(axes, past, initial, initial_error, INK, wide)
            axes.plot(
                past[known],
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
            ring = mark_deciding(axes, x[at], median[at], run.deciding_word)
    if any(np.isfinite(entry[6]).any() for entry in series):
        handles.append(
            line_handle(
                ls=":",
                color=INK,
                marker="D",
                mfc="white",
                ms=5,
                label=f"initial slope, {scaled(reference.get('electrode_gap_m'), 1e3)} mm",
            )
        )
    handles += [error_handle() if any_error else None, ring]
    if limits:
        axes.axhspan(limits[0], axes.get_ylim()[1], color=WINDOW, lw=0, zorder=0)
        axes.axhline(limits[0], color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
        handles.append(
            area_handle(
                facecolor=WINDOW,
                edgecolor=WINDOW_EDGE,
                ls="--",
                label=f"at least {three(limits[0])} asked for",
            )
        )
    handles += threshold_marks(run, (axes,), with_reach=False)
    if any_open:
        handles.append(open_handle())
    axes.set_ylabel("gauge factor")
    weight_axis(run, axes)
    legend_above(figure, handles, 4)
    return figure


def gap_figure(run: Run) -> Figure:
    """Draw resistance against gap."""
    reference, _ = run.reference
    rows = run.along("electrode_gap_m", "weight_fraction")
    figure = new_figure(3.6)
    left = figure.subplots()
    x = column_of(rows, "electrode_gap_m", 1e3)
    median, low, high = quantities(rows, "resistance_ohm", 1e-3)
    error = standard_errors(rows, "resistance_ohm", 1e-3)
    limits = resistance_limits(run)
    values = np.concatenate([median, low, high, limits])
    values = values[np.isfinite(values) & (values > 0.0)]
    log = not values.size or values.max() > 8.0 * values.min()
    y_range(left, [values], log=log)
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
    error_bars(left, x, median, error, MAIN)
    any_error = bool(np.any(error[np.isfinite(median)] > 0.0))
    range_lines(left, x, low, high, MAIN, 1.2)
    known = np.isfinite(median)
    left.plot(x[known], median[known], "o-", color=MAIN, lw=1.4, ms=5.5, zorder=4)
    any_open = open_marks(left, x, median, MAIN)
    at = position(rows, reference)
    ring = (
        mark_deciding(left, x[at], median[at], run.deciding_word)
        if at is not None
        else None
    )
    handles = [
        line_handle(color=MAIN, marker="o", lw=1.4, label="median"),
        area_handle(color=PALE, label="5-95 % of castings"),
        error_handle(MAIN) if any_error else None,
        shade_window(left, limits),
        ring,
        open_handle() if any_open else None,
    ]
    handles = [h for h in handles if h is not None]
    left.set_xlabel("electrode gap, mm")
    left.set_ylabel("film resistance, kohm")
    legend_above(figure, handles, 4)
    wide = 0.1 * (x.max() - x.min()) or 1.0
    left.set_xlim(x.min() - wide, x.max() + wide)
    left.set_xticks(x, [three(v) for v in x])

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


def _log_bins(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.float64]:
    """Bins of equal ratio over a range, as wide as Freedman and Diaconis (1981) advise."""
    reach = math.log(high / low)
    width = reach / 20.0
    if len(values) > 1:
        lower, upper = np.quantile(np.log(values), [0.25, 0.75])
        width = 2.0 * float(upper - lower) / len(values) ** (1.0 / 3.0) or width
    return np.geomspace(low, high, 1 + int(np.clip(reach / width, 12, 70)))


def castings_figure(run: Run) -> Figure:
    """Draw the resistances of the castings drawn for the deciding candidate."""
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    index, _ = deciding_index(run.summary)
    index = index or 0
    rows = [row for row in run.castings if number(row.get("candidate")) == index]
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
        area_handle(color=MAIN, label="passes every target"),
        area_handle(color="#c9a27e", label="fails a target"),
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
    axes.xaxis.set_major_formatter(FuncFormatter(plain))
    axes.xaxis.set_minor_formatter(NullFormatter())
    if high / low < 300.0:
        axes.xaxis.set_major_locator(
            LogLocator(
                subs=(1.0, 2.0, 3.0, 5.0, 7.0) if high / low < 20 else (1.0, 2.0, 5.0)
            )
        )
    axes.set_xlabel("film resistance, kohm")
    axes.set_ylabel("castings, %")
    legend_above(figure, handles, 3)
    return figure


def _gap_text(run: Run) -> str:
    return f"{scaled(run.reference[0].get('electrode_gap_m'), 1e3)} mm gap"


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
