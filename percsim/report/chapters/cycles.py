"""The film pulled and released: zero, loops, creep, and its error budget."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.quantities import band, number, quantity, share, three
from percsim.report.candidates import Row, Summary, candidate_label, deciding_index
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import NothingToDrawError, Run, floats
from percsim.report.style import (
    COPPER,
    MAIN,
    PALE,
    RAMP,
    Axes,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    strain_axis,
)
from percsim.words.films import PARAMETERS

__all__ = ["budget", "cycled", "cycled_figure", "cycles", "cycles_figure"]


def _both(row: Row | None) -> str:
    """Median and range of a measure."""
    if not row:
        return "not known"
    return f"{three(row['median'], 'without bound')} ({band(row, '', 'without bound')})"


def cycles(summary: Summary) -> Chapter | None:
    """Say what the first pull, loops and a hold do to the chosen film."""
    found = summary.get("cycles")
    if not found:
        return None
    index, _ = deciding_index(summary)
    film = "" if index is None else f" of {candidate_label(summary['candidates'][index])}"
    claim, alone = f"Pulls{film} do not come back to zero", _is_alone(found)
    if "zero_shift_percent" in found:
        told = found["protocol"]
        what = "The first pull"
        if told["zero_after"] > told["first"]:
            what = f"What goes to the end of pull {told['zero_after']}"
        claim = (
            f"{what} shifts zero{film} by {_both(found['zero_shift_percent'])} % of R0,"
            f" {_both(found['zero_shift_microstrain'])} microstrain"
            + ("" if alone else " once conditioned")
        )
    held = number(found["protocol"]["hold_s"]) or 0.0
    drift = ""
    if held > 0.0:
        creep = _both(found["drift_microstrain"])
        drift = f" creep {creep} microstrain in {quantity(held, 'time')},"
    factors = f" {_both(found['gauge_factor_first'])}"
    if alone:
        factors += " on the one whole pull, which conditions no film"
    else:
        factors = f" {_both(found['gauge_factor_conditioned'])}, first{factors}"
    vibration = found.get("vibration") or {}
    return chapter(
        "cycles",
        claim,
        f"5 to 95 % over castings and all unknown: loop"
        f" {_both(found['hysteresis_percent'])} % of span,{drift} gauge factor{factors}."
        f" R returns higher in {share(found['return_higher'])} %.",
        _shaken(vibration),
        figure="cycles",
    )


def _is_alone(found: Row) -> bool:
    """Whether one pull alone goes to the end, so that nothing tells of those after it."""
    return bool(found["protocol"].get("whole") == 1)


def _shaken(vibration: Row) -> str:
    """Say what vibration does to the mean, and on what it rests."""
    if not vibration:
        return ""
    told = _both(vibration["mean_shift_microstrain"])
    if vibration["determined"]:
        return f"Vibration shifts the mean by {told} microstrain."
    return (
        "Vibration: not determined by a film pulled slowly;"
        f" {told} microstrain if contacts follow."
    )


def budget(summary: Summary) -> Chapter | None:
    """Error budget in microstrain."""
    found = (summary.get("cycles") or {}).get("budget")
    if not found:
        return None
    rows = [
        (
            row["name"],
            three(row["median"], "without bound"),
            band(row, "", "without bound"),
            "yes" if row["counts"] else "no",
        )
        for row in (*found["rows"], {"name": "together", "counts": True, **found["total"]})
    ]
    film = "film on its first pull" if _is_alone(summary["cycles"]) else "conditioned film"
    return chapter(
        "budget",
        f"The error of strain of a {film} has no bound"
        if number(found["total"]["median"]) == np.inf
        else f"A {film} reads strain within {_both(found['total'])} microstrain,"
        " standard uncertainty",
        "Root of the sum of squares; what lies within bounds counts as rectangular (JCGM"
        f" 100:2008). Temperature counts {three(found['kelvin'])} K that nobody corrects,"
        " calibration the scatter of gauge factors at"
        f" {quantity(found['strain'], 'strain')}. Once zero is set on a conditioned film,"
        " the first pull no longer counts.",
        table=table(
            ("~source", "#median|microstrain", "#all unknown|5 – 95 %", "counts"), rows
        ),
    )


def cycled(summary: Summary) -> Chapter | None:
    """Say what a film that was pulled and released told."""
    found = (summary.get("cycles") or {}).get("measured")
    if not found:
        return None
    one = found[-1]
    left = one["width_left"]
    told = {name: width for name, width in left.items() if width < 0.8}
    told = dict(sorted(told.items(), key=lambda pair: pair[1]))
    best = ", ".join(
        f"{PARAMETERS.get(name, name)} to {three(100.0 * width)} %"
        for name, width in list(told.items())[:4]
    )
    limits = []
    if one["one_temperature"]:
        limits.append(
            "At one temperature only lambda_T (T - closed_at) shows:"
            f" {_both(one['lambda_T_times_warmed_K'])} K at 20 C."
        )
    if one["recloses"] < 0.05:
        limits.append("Nothing closed again: reclose and healed stay undetermined.")
    limits.append("Crosshead strain would mix in slipping mounts.")
    return chapter(
        "cycled",
        f"The cycled film narrows {best or 'nothing'} of the range before it",
        f"Measured over predicted, law off by {_both(one['error_percent'])} % of R.",
        *limits,
        figure="cycled",
    )


def cycles_figure(run: Run) -> Figure:
    """Draw R along the first pull and a conditioned one, over that where each starts."""
    loops = run.summary["cycles"]["loops"]
    figure = new_figure(3.6)
    panels = figure.subplots(1, 2, sharey=True)
    for axes, (key, title) in zip(
        panels,
        (("first", "first pull"), ("conditioned", "conditioned film")),
        strict=True,
    ):
        _draw_loop(axes, loops[key])
        axes.set_title(title)
        strain_axis(axes)
    panels[0].set_ylabel("resistance over that before the pull")
    handles = [
        line_handle(color=COPPER, label="way out"),
        line_handle(color=MAIN, label="way back"),
        area_handle(color=PALE, label="5 to 95 % over castings and all unknown"),
    ]
    legend_above(figure, handles, 3)
    return figure


def _draw_loop(axes: Axes, loop: dict[str, Any]) -> None:
    x = 1e6 * floats(loop["strain"])
    middle, low, high = (floats(loop[key]) for key in ("median", "p05", "p95"))
    top = int(np.abs(x - x[0]).argmax()) + 1
    for rows, colour in ((slice(0, top), COPPER), (slice(top, None), MAIN)):
        axes.fill_between(x[rows], low[rows], high[rows], color=colour, alpha=0.18, lw=0)
        axes.plot(x[rows], middle[rows], color=colour, lw=1.8)


def cycled_figure(run: Run) -> Figure:
    """Draw a measured film over what was predicted before and after it."""
    found = run.summary["cycles"].get("measured")
    if not found:
        raise NothingToDrawError("no film was pulled and released")
    one = found[-1]
    strain, ratio = 1e6 * floats(one["strain"]), floats(one["ratio"])
    figure = new_figure(4.0)
    left, right = figure.subplots(1, 2, sharey=True)
    visit = np.arange(len(ratio))
    for key, colour in (("predicted_before", PALE), ("predicted", RAMP[2])):
        low, high = (floats(one[f"{key}_{end}"]) for end in ("p05", "p95"))
        right.fill_between(visit, low, high, color=colour, lw=0, zorder=2)
    left.plot(strain, floats(one["predicted"]), color=MAIN, lw=1.0, zorder=3)
    look = {"color": COPPER, "mec": "white", "mew": 0.4, "zorder": 4}
    for axes, x in ((left, strain), (right, visit)):
        axes.plot(x, ratio, "o", ms=3.6, **look)
        finite = ratio[np.isfinite(ratio)]
        room = 0.6 * np.ptp(finite)
        axes.set_ylim(finite.min() - room, finite.max() + room)
    strain_axis(left)
    left.set_ylabel("resistance over that before any pull")
    right.set_xlabel("visit, in the order of time")
    handles = [
        line_handle(color=COPPER, marker="o", lw=0, label="measured"),
        line_handle(color=MAIN, label="predicted, median"),
        area_handle(color=RAMP[2], label="predicted with it, 5 to 95 %"),
        area_handle(color=PALE, label="before it"),
    ]
    legend_above(figure, handles, 4)
    return figure
