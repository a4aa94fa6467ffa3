"""What is not known yet: how far every candidate may be off, and what causes it."""

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
    Table,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.series import NothingToDrawError, Run, floats, same
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
    open_marks,
    plain_ticks,
    shade_window,
    weight_axis,
)
from percsim.words import (
    band,
    mm,
    number,
    quantiles,
    quantity,
    resistance,
    share,
    weight,
    window,
)

__all__ = [
    "DAY_ONE",
    "PARAMETER_COLOURS",
    "PARAMETER_NAMES",
    "draw_bands",
    "on_the_part",
    "outlook_table",
    "parameter_text",
]

PARAMETER_NAMES = {
    "g0": "contact conductance g0",
    "beta": "decay beta",
    "delta_b": "breaking opening delta_b",
    "lambda_T": "thermal share lambda_T",
    "Ea": "activation energy Ea",
    "threshold": "threshold, over the simulated one",
}
PARAMETER_COLOURS = {
    "g0": "#a8472a",
    "threshold": "#1f7a94",
    "beta": "#e0a23c",
    "delta_b": "#10283d",
    "lambda_T": "#9fd0d3",
    "Ea": "#7fb069",
    "together": "#e2e0d6",
}
SHORT = {"threshold": "threshold", "together": "several together"}
_UNITS = {"g0": "S", "Ea": "J"}


def parameter_text(row: Row, value: Any) -> str:
    """Value of a parameter in bench units."""
    return "" if value is None else quantity(value, _UNITS.get(str(row["name"]), ""))


def on_the_part(summary: Summary) -> str:
    """Say that films are on the part, where the plan has one."""
    if "layers" not in summary:
        return ""
    return " Films are on their sheet and part throughout, per strain of the part."


def outlook_table(section: Row) -> Table:
    """Lay out bands and chances of every candidate."""
    rows = list(section["candidates"])
    with_drift = any(row.get("temperature_coefficient_per_K") for row in rows)
    columns = [
        "cast", "#R of a casting, median|kohm", "5-95 %|kohm", "#open|%",
        "#gauge factor", "5-95 %", "#CV of R|%", "5-95 %|%",
    ]  # fmt: skip
    if with_drift:
        columns += ["#temperature coefficient|%/K", "5-95 %|%/K"]
    columns += ["#passes|%", "#is best|%"]
    cells = []
    for row in rows:
        gauge = quantiles(row["gauge_factor"]) if row["gauge_factor"] else ("", "")
        cell = [
            candidate_label(row),
            *quantiles(row["casting_resistance_ohm"], "kohm"),
            share(row["open"]),
            *gauge,
            *quantiles(row["resistance_cv"], "%"),
        ]
        if with_drift:
            drift = row["temperature_coefficient_per_K"]
            cell += list(quantiles(drift, "%")) if drift else ["", ""]
        cells.append([*cell, share(row["pass_share"]), share(row["best"])])
    return table(columns, cells, marked=int(section["best"]))


def _priors_table(section: Row) -> Table:
    rows = []
    for row in section["priors"]:
        held = bool(row["held"])
        low, high = (parameter_text(row, row[key]) for key in ("p025", "p975"))
        rows.append(
            (
                PARAMETER_NAMES[row["name"]],
                str(row["basis"]),
                parameter_text(row, row["median"]),
                "held" if held else f"{low} – {high}",
            )
        )
    return table(("what", "basis", "#median", "95 % of what it may be"), rows)


def _blocks(summary: Summary) -> Sequence[Block]:
    section = summary["day_one"]
    best = section["candidates"][section["best"]]
    asked = window(*section["window_ohm"])
    where = f" of {asked}" if asked else ""
    return [
        paragraph(
            "The numbers of the decision hold for contacts and threshold as planned. Here "
            "both may be anything that is not ruled out yet: "
            f"{section['n_draws']} joint draws of the table at the end are carried to "
            "every candidate, without further boxes. Seen so, the candidate most likely "
            f"to pass is {candidate_label(best)}: a casting of it lies in the window{where}"
            f" with probability {share(best['in_window'])} % and passes with "
            f"{share(best['pass_share'])} %. In {share(section['any_passes'])} % of the "
            "draws at least one candidate reaches the share of passing castings asked for."
            + on_the_part(summary)
        ),
        picture("day_one_bands"),
        table_block(outlook_table(section)),
        paragraph(
            "5-95 % of R holds what is not known of contacts and threshold, the bench "
            "tolerances and the simulation error. 5-95 % of gauge factors and of the CV of "
            "R hold contacts and threshold, over films that conduct; where more than half "
            "do not, there is none. Passes: conducts, lies in the window and reaches the "
            "gauge factor, averaged over all of it. Is best: no candidate has a larger "
            "share of passing castings."
        ),
        picture("day_one_causes"),
        table_block(_priors_table(section)),
    ]


def draw_bands(run: Run, key: str, label: str, colour: str) -> Figure:
    """Draw R of one casting of every loading, at the gap of the best candidate.

    The wide band is that of a section (`key`) of the summary, the narrow bars that of the
    decision, in which parameters are as planned.
    """
    section = run.summary[key]
    gap = number(section["candidates"][section["best"]]["electrode_gap_m"])

    def along(rows: Sequence[Row], name: str) -> tuple[Any, ...]:
        mine = [r for r in rows if same(number(r["electrode_gap_m"]), gap)]
        mine = sorted(mine, key=lambda r: number(r["weight_fraction"]) or 0.0)
        x = 100.0 * floats([r["weight_fraction"] for r in mine])
        return x, *(
            1e-3 * floats([r[name][q] for r in mine]) for q in ("p05", "median", "p95")
        )

    x, low, median, high = along(section["candidates"], "casting_resistance_ohm")
    if not np.isfinite(low).any():
        raise NothingToDrawError("every candidate is most likely open")
    as_planned = run.summary.get("as_planned") or {}
    x_plan, *planned = along(
        as_planned.get("candidates") or run.candidates, "resistance_ohm"
    )
    figure = new_figure(3.6)
    axes = figure.subplots()
    axes.set_yscale("log")
    finite = np.concatenate([low, median, high, *planned])
    finite = finite[np.isfinite(finite)]
    window = [1e-3 * (number(v) or 0.0) for v in section["window_ohm"]]
    window = [v for v in window if v > 0.0 and math.isfinite(v)]
    ends = np.concatenate([finite, window])
    bottom, top = ends.min() / 2.0, ends.max() * 2.5
    axes.set_ylim(bottom, top)
    known = np.isfinite(low)
    ceiling = np.where(np.isfinite(high), high, top)
    axes.fill_between(x[known], low[known], ceiling[known], color=colour, lw=0, zorder=2)
    conducts = np.isfinite(median)
    axes.plot(x[conducts], median[conducts], "o-", color=MAIN, ms=5, lw=1.6, zorder=5)
    open_marks(axes, x, median, MAIN)
    good = np.isfinite(planned[1])
    p_high = np.where(np.isfinite(planned[2]), planned[2], top)
    axes.vlines(x_plan[good], planned[0][good], p_high[good], color=COPPER, lw=4, zorder=4)
    handles = [
        line_handle(color=MAIN, marker="o", ms=5, label="median"),
        area_handle(color=colour, label=label),
        line_handle(color=COPPER, lw=4, label="5-95 % of castings, as planned"),
        shade_window(axes, window),
    ]
    if not conducts.all():
        handles.append(
            line_handle(ls="", marker="^", mfc="white", mec=MUTED, label="median open")
        )
    axes.set_ylabel(f"R of a casting at {mm(gap)} gap, kohm")
    plain_ticks(axes.yaxis)
    weight_axis(run, axes)
    legend_above(figure, handles, 3)
    return figure


def bands_figure(run: Run) -> Figure:
    """Draw R of every loading with all that is not known."""
    return draw_bands(run, "day_one", "5-95 %, with what is not known", PALE)


def _bands_caption(run: Run) -> str:
    return (
        "R of one casting at the gap most likely to pass. Pale: 5-95 % over contacts and "
        "threshold as far as they are known, bench tolerances and simulation error. "
        "Copper: 5-95 % of castings if contacts and threshold are as planned."
    )


def causes_figure(run: Run) -> Figure:
    """Draw what causes the variance of ln R and of the gauge factor."""
    section = run.summary["day_one"]
    gap = number(section["candidates"][section["best"]]["electrode_gap_m"])
    rows = [r for r in section["candidates"] if same(number(r["electrode_gap_m"]), gap)]
    # over films that conduct; too few of them tell nothing
    rows = [r for r in rows if (number(r["open"]) or 0.0) < 0.5]
    keys = ("resistance_variance_shares", "gauge_factor_variance_shares")
    rows = [r for r in rows if all(r.get(key) for key in keys)]
    if not rows:
        raise NothingToDrawError("no candidate conducts in most draws")
    rows = sorted(rows, key=lambda r: number(r["weight_fraction"]) or 0.0)
    figure = new_figure(1.4 + 0.34 * len(rows))
    panels = figure.subplots(1, 2, sharey=True)
    place = np.arange(len(rows))
    names = [
        n
        for n in PARAMETER_COLOURS
        if any(n in (r[key] or {}) for r in rows for key in keys)
    ]
    for axes, key, title in zip(panels, keys, ("ln R", "gauge factor"), strict=True):
        start = np.zeros(len(rows))
        for name in names:
            width = 100.0 * np.array([number(r[key].get(name)) or 0.0 for r in rows])
            axes.barh(place, width, 0.6, start, color=PARAMETER_COLOURS[name], zorder=2)
            start = start + width
        axes.set_xlim(0.0, 100.0)
        axes.set_xlabel(f"share of the variance of {title}, %")
        axes.grid(axis="y", visible=False)
        axes.tick_params(axis="y", length=0)
    labels = [weight(r["weight_fraction"]) for r in rows]
    panels[0].set_yticks(place, labels)
    panels[0].set_ylim(len(rows) - 0.5, -0.5)
    handles = [
        area_handle(
            facecolor=PARAMETER_COLOURS[name],
            edgecolor=INK if name == "together" else "none",
            lw=0.4,
            label=SHORT.get(name, name),
        )
        for name in names
    ]
    legend_above(figure, handles, len(handles))
    return figure


def _causes_caption(run: Run) -> str:
    return (
        "Which number that is not known moves R and the gauge factor of the film as "
        "planned: first-order shares of the variance, over draws that conduct; several "
        "together is what numbers do only jointly. Loadings that are open in more than "
        "half of the draws are left out."
    )


def _lines(summary: Summary) -> list[str]:
    if "anchor" in summary or first_steps(summary):
        return []
    section = summary["day_one"]
    best = section["candidates"][section["best"]]
    castings = best["casting_resistance_ohm"]
    median = resistance(castings["median"])
    reads = "is most likely open" if median == "open" else f"reads {median}"
    return [
        "With all that is not known yet of contacts and threshold, a casting of "
        f"{candidate_label(best)} {reads} (5-95 % {band(castings, 'ohm')}) and passes with "
        f"probability {share(best['pass_share'])} %, the best of all; enter readings with "
        "'percsim anchor' to narrow it."
    ]


DAY_ONE = Chapter(
    key="day_one",
    anchor="not-known",
    heading="What is not known yet",
    short="Not known yet",
    blocks=_blocks,
    figures={
        "day_one_bands": FigureEntry(bands_figure, _bands_caption),
        "day_one_causes": FigureEntry(causes_figure, _causes_caption),
    },
    lines=_lines,
)
