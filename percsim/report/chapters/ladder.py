"""What to cast first: the rungs of the ladder, their expected readings, what each tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.answer import first_steps
from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import (
    Block,
    Chapter,
    FigureEntry,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.series import NothingToDrawError, Run
from percsim.report.style import (
    COPPER,
    INK,
    MAIN,
    MUTED,
    PALE,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    plain_ticks,
    shade_window,
)
from percsim.words import number, quantiles, share, window

__all__ = ["LADDER"]

PARAMETER_WORDS = {
    "g0": "contact conductance",
    "threshold": "threshold",
    "beta": "decay with opening",
    "delta_b": "breaking opening",
    "lambda_T": "thermal share",
    "Ea": "activation energy",
}
"""Parameters of the law in words."""

WORTH_SAYING = 0.1
"""Share of a parameter's variance below which a reading is not said to tell of it."""


def _rungs(summary: Summary) -> list[Row]:
    return list(summary["ladder"]["rungs"])


def _label(summary: Summary, rung: Row) -> str:
    return candidate_label(summary["candidates"][rung["candidate"]])


def _telling(resolved: Row) -> str:
    """Name what a reading tells of, the most first."""
    known = sorted(
        ((number(v) or 0.0, k) for k, v in resolved.items()), key=lambda pair: -pair[0]
    )
    said = [
        f"{PARAMETER_WORDS.get(name, name)} {share(value)} %"
        for value, name in known
        if value >= WORTH_SAYING
    ]
    return ", ".join(said) or "little by itself"


def _blocks(summary: Summary) -> Sequence[Block]:
    ladder = summary["ladder"]
    if not _rungs(summary):
        return [
            paragraph(
                "No recipe and gap of this plan has a chance worth a cup of reading "
                f"{window(*ladder['window_ohm'])} under what is assumed. Explore higher "
                "loadings, shorter gaps or thicker films."
            )
        ]
    single = summary["candidates"][ladder["best_single"]]
    cups = len({rung["cup"] for rung in _rungs(summary)})
    rows = []
    for k, rung in enumerate(_rungs(summary), 1):
        median, band = quantiles(rung["resistance_ohm"], "kohm")
        rows.append(
            (
                str(k),
                _label(summary, rung),
                str(rung["films"]),
                median,
                band,
                share(rung["in_window"]),
                share(rung["open"]),
                share(rung["covered"]),
                _telling(rung["tells"]),
            )
        )
    return [
        paragraph(
            "The least to cast, named with the decision, tells what is assumed; these "
            "castings are for a film that can be used as well. "
            "Nobody has measured the contacts of this filler yet, so no single recipe is a "
            f"safe bet: the likeliest, {candidate_label(single)}, reads "
            f"{window(*ladder['window_ohm'])} with probability "
            f"{share(ladder['best_single_probability'])} %. These castings, "
            f"{rows[0][2]} films each from {cups} "
            f"{'cup' if cups == 1 else 'cups'}, put at least one there with probability "
            f"{share(ladder['covered'])} % (all candidates together "
            f"{share(ladder['reachable'])} %). Enter the readings with 'percsim anchor' "
            "before mixing more."
        ),
        picture("casting_ladder"),
        table_block(
            table(
                (
                    "#rung", "~cast", "#films", "#expected reading|kohm", "5-95 %|kohm",
                    "#in window|%", "#open|%", "#covered so far|%",
                    "~resolves, of the variance of",
                ),
                rows,
            )
        ),
        paragraph(
            "The 5-95 % of a reading contain the assumed contact law and threshold and the "
            "bench's spread of the mean of its films; simulation errors are not in it. "
            f"All readings together resolve: {_telling(ladder['known'])} of the variance "
            "assumed at the start."
        ),
    ]  # fmt: skip


def ladder_figure(run: Run) -> Figure:
    """Draw the expected reading of every rung and how the window fills."""
    ladder = run.summary["ladder"]
    rungs = _rungs(run.summary)
    if not rungs:
        raise NothingToDrawError("no rung is worth a cup")
    figure = new_figure(1.5 + 0.36 * len(rungs))
    left, right = figure.subplots(1, 2, width_ratios=(2.1, 1), sharey=True)
    place = np.arange(len(rungs))
    bands = [
        [1e-3 * (number(r["resistance_ohm"][key]) or math.inf) for r in rungs]
        for key in ("p05", "median", "p95")
    ]
    low, median, high = (np.asarray(b) for b in bands)
    window = [1e-3 * (number(x) or 0.0) for x in ladder["window_ohm"]]
    finite = np.concatenate([low, median, high, window])
    finite = finite[np.isfinite(finite) & (finite > 0.0)]
    ends = finite.min() / 1.6, finite.max() * 1.6
    for k in place:
        if not np.isfinite(low[k]):
            continue
        left.barh(k, min(high[k], ends[1]) - low[k], 0.5, low[k], color=PALE, zorder=2)
        if not np.isfinite(high[k]):
            left.plot(ends[1] / 1.08, k, marker=">", mfc="white", mec=MUTED, clip_on=False)
        if np.isfinite(median[k]):
            left.plot(median[k], k, "o", color=MAIN, ms=5.5, zorder=4)
    left.set_xscale("log")
    left.set_xlim(*ends)
    plain_ticks(left.xaxis)
    left.set_yticks(place, [_label(run.summary, r) for r in rungs])
    left.set_ylim(len(rungs) - 0.5, -0.5)
    left.set_xlabel("expected reading, kohm")
    left.grid(axis="y", visible=False)
    handles: list[Any] = [
        line_handle(color=MAIN, marker="o", lw=0, label="median"),
        area_handle(color=PALE, label="5-95 %: what is assumed, and the bench"),
        shade_window(left, window, vertical=True),
    ]
    if np.isinf(high).any():
        handles.append(
            line_handle(color=MUTED, marker=">", mfc="white", lw=0, label="may be open")
        )
    alone = 100.0 * np.array([number(r["in_window"]) or 0.0 for r in rungs])
    covered = 100.0 * np.array([number(r["covered"]) or 0.0 for r in rungs])
    right.barh(place, alone, 0.5, color=COPPER, zorder=2)
    right.plot(covered, place, "s-", color=INK, ms=4.5, lw=1.2, zorder=3)
    right.set_xlim(0.0, 100.0)
    right.set_xlabel("probability in the window, %")
    right.grid(axis="y", visible=False)
    right.tick_params(axis="y", length=0)
    handles += [
        area_handle(color=COPPER, label="this rung"),
        line_handle(color=INK, marker="s", ms=4.5, lw=1.2, label="it or an earlier one"),
    ]
    legend_above(figure, [h for h in handles if h is not None], 3)
    return figure


def _caption(run: Run) -> str:
    asked = window(*run.summary["ladder"]["window_ohm"])
    return (
        "Castings to make first, from the one that adds most. Left, the mean reading "
        f"expected of each, with the window {asked}; the bars hold what is assumed "
        "of the contacts and the threshold and the spread of the bench, "
        "not the simulation error. Right, the probability that a rung reads in the window, "
        "and that it or an earlier one does."
    )


def _lines(summary: Summary) -> list[str]:
    ladder, rungs = summary["ladder"], _rungs(summary)
    if not rungs or first_steps(summary):
        return []
    best = "; ".join(_label(summary, rung) for rung in rungs)
    return [
        f"More than the least, to have a film in the window as well: {rungs[0]['films']} "
        f"films each of these, best first: {best}. At least one reads "
        f"{window(*ladder['window_ohm'])} with probability {share(ladder['covered'])} %, "
        f"the best single recipe with {share(ladder['best_single_probability'])} %."
    ]


LADDER = Chapter(
    key="ladder",
    anchor="cast-first",
    heading="What to cast first",
    short="Cast first",
    blocks=_blocks,
    figures={"casting_ladder": FigureEntry(ladder_figure, _caption)},
    over_mixes=True,
    lines=_lines,
)
