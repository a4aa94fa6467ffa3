"""Results -> figures: which there are, what each reads, and drawing those that changed.

A figure sees only the parts of a run that it names, so that the checksum of these says
whether a picture that stands still shows them.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, replace
from functools import cache
from importlib import metadata, resources
from pathlib import Path
from typing import Any, cast

import numpy as np

from percsim.boxes.folder import checksum
from percsim.boxes.pool import LocalProcesses, WorkerDiedError
from percsim.quantities import mm, number, percent
from percsim.report.boxes import network_figure
from percsim.report.candidates import candidate_label, open_films_marked
from percsim.report.chapters.cycles import cycled_figure, cycles_figure
from percsim.report.chapters.film import film_figure
from percsim.report.chapters.layers import transfer_figure, wrapping_figure
from percsim.report.chapters.measured import films_figure
from percsim.report.chapters.patches import map_figure
from percsim.report.chapters.temperature import temperature_figure
from percsim.report.chapters.unknown import causes_figure
from percsim.report.chapters.use import linearity_figure
from percsim.report.series import (
    BoxPicture,
    Floats,
    NothingToDrawError,
    Run,
    by_gap,
    column_of,
    factor_limits,
    floats,
    points_of,
    resistance_limits,
    same,
)
from percsim.report.style import (
    DPI,
    GAP_COLOURS,
    GAP_MARKERS,
    MAIN,
    STYLE,
    WINDOW,
    WINDOW_EDGE,
    Axes,
    Figure,
    area_handle,
    error_bars,
    error_handle,
    legend_above,
    line_handle,
    log_ticks,
    mark_deciding,
    new_figure,
    open_handle,
    open_marks,
    shade_window,
    threshold_marks,
    weight_axis,
    y_range,
)

__all__ = [
    "FIGURES", "BoxPicture", "Drawing", "FigureEntry", "NothingToDrawError", "Run", "draw",
    "figure_to_png", "fingerprint_of",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Drawing:
    """How one figure came out.

    Parameters
    ----------
    name : str
        File name without ending.
    png : bytes or None
        The picture, None if it was not drawn.
    note : str
        Why it was not drawn, empty if it was.
    failed : bool
        Whether drawing broke, rather than having nothing to draw.

    """

    name: str
    png: bytes | None = None
    note: str = ""
    failed: bool = False


@dataclass(frozen=True, slots=True)
class FigureEntry:
    """How a figure is drawn, and from what.

    Parameters
    ----------
    draw : callable
        Run to figure.
    reads : tuple of str
        Keys of the summary that it sees; "castings.csv" and "sample" for those.

    """

    draw: Callable[[Run], Figure]
    reads: tuple[str, ...]


def figure_to_png(figure: Figure, fingerprint: str = "") -> bytes:
    """Render a figure as PNG, the same bytes for the same one; it carries the checksum."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas, picture = FigureCanvasAgg(figure), io.BytesIO()
    figure.set_dpi(DPI)
    told = {"Software": None, "Comment": fingerprint or None}
    # `savefig` goes through everything once more to lay it out, which drawing does itself
    canvas.print_png(picture, metadata=told)  # type: ignore[no-untyped-call]
    return picture.getvalue()


def fingerprint_of(png: bytes) -> str:
    """Checksum that a picture of `figure_to_png` carries, empty without."""
    # a chunk "tEXt" of keyword, zero byte and text comes before the pixels
    _, mark, tail = png[:1024].partition(b"tEXtComment\0")
    return tail[:64].decode("ascii", "replace") if mark else ""


@cache
def _code() -> str:
    """Checksum of what draws: this package and the version of Matplotlib."""
    package = resources.files("percsim.report")
    texts = [
        entry.read_text(encoding="utf-8")
        for folder in (package, package / "chapters")
        for entry in sorted(folder.iterdir(), key=lambda entry: entry.name)
        if entry.name.endswith(".py")
    ]
    return checksum("\0".join([metadata.version("matplotlib"), *texts]).encode())


# ------------------------------------------------------------------------------------------
# R and gauge factor against weight fraction
# ------------------------------------------------------------------------------------------


def loadings_figure(run: Run) -> Figure:
    """Draw resistance and gauge factor against weight fraction, with the threshold."""
    figure = new_figure(5.4)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.2, 1))
    handles = [*_draw_resistance(upper, run), *threshold_marks(run, (upper, lower))]
    _draw_factor(lower, run)
    weight_axis(run, lower)
    legend_above(figure, handles, 4)
    return figure


def _look(run: Run, gap: float | None) -> tuple[str, str]:
    """Colour and mark of a gap."""
    k = (
        next((k for k, g in enumerate(run.values("electrode_gap_m")) if same(g, gap)), 0)
        % 6
    )
    return GAP_COLOURS[k], GAP_MARKERS[k]


def _draw_resistance(axes: Axes, run: Run) -> list[Any]:
    """Draw R of every gap, the castings at the deciding one; handles for the legend."""
    reference, _ = run.reference
    gaps, limits = run.values("electrode_gap_m"), resistance_limits(run)
    series = [points_of(by_gap(run, gap), "resistance_ohm", 1e-3) for gap in gaps]
    own = next(
        k for k, gap in enumerate(gaps) if same(gap, number(reference["electrode_gap_m"]))
    )
    y_range(
        axes, [*series[own].ranges, *(p.median for p in series), np.array(limits)], log=True
    )
    top = axes.get_ylim()[1]
    handles, some_open = [], False
    for k, (gap, points) in enumerate(zip(gaps, series, strict=True)):
        colour, marker = _look(run, gap)
        x, known = column_of(points.rows, "weight_fraction", 100.0), points.known
        look: dict[str, Any] = {"color": colour, "marker": marker, "ms": 6, "lw": 1.2}
        axes.plot(x[known], points.median[known], mec="white", mew=0.6, zorder=4, **look)
        handles.append(line_handle(label=f"{mm(gap)} gap", **look))
        if k == own:
            low, high = points.low, np.where(np.isposinf(points.high), top, points.high)
            drawn = np.isfinite(low)
            axes.fill_between(
                x[drawn],
                low[drawn],
                high[drawn],
                color=colour,
                alpha=0.16,
                lw=0,
                zorder=1.5,
            )
            error_bars(axes, x, points.median, points.error, colour)
            some_open = open_marks(axes, x, points.median, colour)
            at = next((i for i, row in enumerate(points.rows) if row is reference), None)
            ring = (
                None
                if at is None
                else mark_deciding(axes, x[at], points.median[at], run.deciding_word)
            )
    colour, _ = _look(run, gaps[own])
    handles += [
        ring,
        area_handle(color=colour, alpha=0.25, lw=0, label="5-95 % of castings"),
        error_handle(colour),
        shade_window(axes, limits),
        open_handle() if some_open else None,
    ]
    axes.set_ylabel("film resistance, kohm")
    return handles


def _draw_factor(axes: Axes, run: Run) -> None:
    """Draw the gauge factor at the deciding gap, as its R is drawn."""
    colour, marker = _look(run, number(run.reference[0]["electrode_gap_m"]))
    rows = run.along("weight_fraction", "electrode_gap_m")
    points, limits = points_of(rows, "gauge_factor"), factor_limits(run)
    x = column_of(rows, "weight_fraction", 100.0)
    y_range(axes, [np.zeros(1), np.array(limits), *points.ranges], log=False)
    known = points.known
    axes.fill_between(
        x[known], points.low[known], points.high[known], color=colour, alpha=0.18, lw=0,
        zorder=1.5,
    )  # fmt: skip
    error_bars(axes, x, points.median, points.error, colour)
    axes.plot(x[known], points.median[known], marker, ls="-", color=colour, mec="white",
              mew=0.6, lw=1.2, ms=6, zorder=4)  # fmt: skip
    open_marks(axes, x, points.median, colour)
    axes.set_ylabel("gauge factor")
    if limits:
        axes.axhspan(limits[0], axes.get_ylim()[1], color=WINDOW, lw=0, zorder=0)
        axes.axhline(limits[0], color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)


# ------------------------------------------------------------------------------------------
# Castings
# ------------------------------------------------------------------------------------------


def _log_bins(values: Floats, limits: Sequence[float]) -> Floats:
    """Bins of equal ratio, as wide as Freedman and Diaconis (1981) advise.

    The limits are edges: no bin holds castings of both sides.
    """
    logs, ends = np.log(values), np.log(limits)
    low, high = (f(np.concatenate([logs, ends])) for f in (np.min, np.max))
    quarter = np.quantile(logs, [0.25, 0.75])
    advised = 2.0 * float(np.ptp(quarter)) / len(values) ** (1.0 / 3.0)
    width = float(
        np.clip(advised, max(high - low, 1e-3) / 60.0, max(high - low, 1e-3) / 8.0)
    )
    if len(ends) > 1:
        width = (ends[-1] - ends[0]) / max(round((ends[-1] - ends[0]) / width), 1)
    start = ends[0] if len(ends) else low
    first, last = (
        math.floor((low - start) / width - 1e-9),
        math.ceil((high - start) / width),
    )
    return np.asarray(np.exp(start + width * np.arange(first, last + 1.5)))


def castings_figure(run: Run) -> Figure:
    """Draw the resistances of the castings drawn for the deciding candidate."""
    values = floats(run.castings.get("resistance_ohm"), 1e-3)
    passes = np.array(run.castings.get("passes", ()), dtype=np.bool_)
    finite = np.isfinite(values) & (values > 0.0)
    if not finite.any():
        raise NothingToDrawError("no casting that conducts was drawn for this candidate")
    limits = resistance_limits(run)
    edges = _log_bins(values[finite], limits)
    figure = new_figure(3.2)
    axes = figure.subplots()
    axes.set_xscale("log")
    handles = [shade_window(axes, limits, vertical=True)]
    tall: Floats | float = 0.0
    for mask, colour, hatch, label in (
        (passes, MAIN, "", "passes every limit on a casting"),
        (~passes, "#e3b98f", "////", "fails one"),
    ):
        share_in = 100.0 * np.histogram(values[finite & mask], edges)[0] / len(values)
        axes.bar(
            edges[:-1], share_in, np.diff(edges), bottom=tall, align="edge", color=colour,
            hatch=hatch, ec="white", lw=0.6, zorder=3,
        )  # fmt: skip
        tall = tall + share_in
        handles.append(area_handle(facecolor=colour, hatch=hatch, ec="white", label=label))
    if not finite.all():
        axes.set_title(f"open: {percent(1.0 - finite.mean())} % of castings", loc="right",
                       fontsize=9)  # fmt: skip
    axes.set_xlim(edges[0], edges[-1])
    axes.set_ylim(0, max(1.0, 1.1 * float(np.max(tall))))
    reach = edges[-1] / edges[0]
    fine, coarse = (1.0, 2.0, 3.0, 5.0, 7.0), (1.0, 2.0, 5.0)
    log_ticks(axes.xaxis, fine if reach < 20 else coarse if reach < 300 else ())
    axes.set_xlabel(f"R of a casting of {candidate_label(run.reference[0])}, kohm")
    axes.set_ylabel("castings, %")
    legend_above(figure, handles, 3)
    return figure


_CHOICE = ("candidates", "chosen", "nearest")

FIGURES: Mapping[str, FigureEntry] = {
    "loadings": FigureEntry(loadings_figure, (*_CHOICE, "threshold")),
    "castings": FigureEntry(castings_figure, (*_CHOICE, "castings.csv")),
    "unknown": FigureEntry(causes_figure, ("day_one",)),
    "films": FigureEntry(films_figure, ("anchor",)),
    "cycled": FigureEntry(cycled_figure, ("cycles",)),
    "cycles": FigureEntry(cycles_figure, ("cycles",)),
    "linearity": FigureEntry(linearity_figure, ("operation",)),
    "temperature": FigureEntry(temperature_figure, ("temperature",)),
    "transfer": FigureEntry(transfer_figure, ("layers",)),
    "wrapping": FigureEntry(wrapping_figure, ("layers",)),
    "patch_map": FigureEntry(map_figure, ("patches",)),
    "network": FigureEntry(network_figure, ("sample",)),
    "film_map": FigureEntry(film_figure, ("film",)),
}
"""Every figure of a report, by the name of its file; a chapter of the page shows each."""


def draw(
    run: Run,
    names: Sequence[str],
    drawn: Path | None = None,
    beside: LocalProcesses | None = None,
) -> Iterator[Drawing]:
    """Draw figures one by one; one that breaks becomes a note and stops nothing.

    Parameters
    ----------
    run : Run
        What to draw.
    names : sequence of str
        Which figures.
    drawn : Path, optional
        Folder of pictures drawn before: one that shows the same data is taken from there.
    beside : LocalProcesses, optional
        Processes that draw them from now on; without, each is drawn here when it is asked
        for.

    Returns
    -------
    iterator of Drawing
        Pictures in the order of the names, or the reason why there is none.

    """
    run = replace(run, summary=open_films_marked(run.summary)).of_one_mix()
    asked = [(name, run.restricted(FIGURES[name].reads), drawn) for name in names]
    if beside is None:
        return (_drawing(*each) for each in asked)
    # a box takes longest to draw
    first = sorted(asked, key=lambda each: "sample" not in FIGURES[each[0]].reads)
    lent = {each[0]: beside.submit(_drawing, *each) for each in first}
    return (_lent(lent[each[0]], *each) for each in asked)


def _lent(future: Future[Drawing], name: str, run: Run, drawn: Path | None) -> Drawing:
    """Wait for a figure; where the process that drew it died, draw it here."""
    try:
        return future.result()
    except WorkerDiedError:
        return _drawing(name, run, drawn)


def _drawing(name: str, run: Run, drawn: Path | None) -> Drawing:
    """Draw one figure of what it sees."""
    try:
        fingerprint = checksum(f"{_code()} {run.fingerprint()}".encode())
        png = _standing(drawn, name, fingerprint)
        return Drawing(name, png or _png(FIGURES[name], run, fingerprint))
    except NothingToDrawError as reason:
        return Drawing(name, note=f"Not drawn: {reason}.")
    except Exception as error:  # a picture must never cost the results
        return Drawing(
            name, note=f"Not drawn: {type(error).__name__}: {error}", failed=True
        )


def _png(entry: FigureEntry, run: Run, fingerprint: str) -> bytes:
    from matplotlib import rc_context

    with rc_context(rc=cast("Any", STYLE)):
        return figure_to_png(entry.draw(run), fingerprint)


def _standing(drawn: Path | None, name: str, fingerprint: str) -> bytes | None:
    """Give the picture that stands, if it shows the same data."""
    if drawn is None:
        return None
    try:
        png = (drawn / f"{name}.png").read_bytes()
    except OSError:
        return None
    return png if fingerprint_of(png) == fingerprint else None
