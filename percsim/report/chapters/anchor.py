"""Measured films: what they tell, rows against expectation, and the decision again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from percsim.quantities import (
    band,
    cell,
    number,
    probability,
    quantiles,
    resistance,
    scaled,
    sentence,
    share,
    tenths,
    three,
)
from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import (
    Block,
    Chapter,
    FigureEntry,
    Table,
    bullets,
    heading,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.chapters.day_one import (
    PARAMETER_NAMES,
    draw_bands,
    on_the_part,
    outlook_table,
    parameter_text,
)
from percsim.report.series import NothingToDrawError, Run, column_of, points_of
from percsim.report.style import (
    COPPER,
    INK,
    PALE,
    Axes,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    plain_ticks,
)

__all__ = ["ANCHOR"]

_SHORT = {"threshold": "threshold over the simulated one"}

NARROW = "#8fc0c9"


def _parameters_table(section: Row) -> Table:
    rows = []
    for row in section["parameters"]:
        if row["held"]:
            rows.append(
                (
                    PARAMETER_NAMES[row["name"]],
                    parameter_text(row, row["prior"]["median"]),
                    "held", "", "", "",
                )
            )  # fmt: skip
            continue
        texts = [
            parameter_text(row, row[when][key])
            for when in ("prior", "posterior")
            for key in ("median", "p05", "p95")
        ]
        rows.append(
            (
                PARAMETER_NAMES[row["name"]],
                texts[0],
                f"{texts[1]} – {texts[2]}",
                texts[3],
                f"{texts[4]} – {texts[5]}",
                share(row["width_left"]),
            )
        )
    return table(
        (
            "what", "#before, median", "5-95 %", "#after, median", "5-95 %",
            "#width left|%",
        ),
        rows,
    )  # fmt: skip


def _rows_table(section: Row) -> Table:
    with_change = any(row["change"] is not None for row in section["rows"])
    columns = [
        "row", "film", "#films", "#R read|kohm", "#expected|kohm", "5-95 %|kohm",
    ]  # fmt: skip
    if with_change:
        columns += ["#change read|%", "#expected|%", "5-95 %|%"]
    columns += ["#probability"]
    rows = []
    for row in section["rows"]:
        cells = [
            str(row["label"]),
            candidate_label(row),
            str(row["films"]),
            "" if row["resistance_ohm"] is None else cell(row["resistance_ohm"], "kohm"),
            *(quantiles(row["expected_ohm"], "kohm") if row["expected_ohm"] else ("", "")),
        ]
        if with_change:
            change = row["change"]
            cells += [
                "" if change is None else scaled(change, 100.0),
                *(
                    quantiles(row["expected_change"], "%")
                    if row["expected_change"]
                    else ("", "")
                ),
            ]
        mark = " *" if row["outlier"] else ""
        rows.append([*cells, probability(row["probability"]) + mark])
    return table(columns, rows)


def _outlier_words(section: Row) -> str:
    out = [row for row in section["rows"] if row["outlier"]]
    if not out:
        return "No row contradicts the others."
    names = ", ".join(f"{row['label']} ({candidate_label(row)})" for row in out)
    what = "row contradicts" if len(out) == 1 else "rows contradict"
    return (
        f"{len(out)} {what} the others (probability below 0.01, marked *): {names}. They "
        "count, but as possible slips they pull the rest along only a little: check them."
    )


def _next_words(section: Row) -> list[str]:
    words = []
    for row in section["next"][:3]:
        left = number(row["variance_left"]) or 0.0
        words.append(
            f"{row['films']} films of {candidate_label(row)}: the variance of ln R of the "
            f"best candidate falls to {100 * left:.0f} % of today's, the expected share of "
            f"passing castings of what is then chosen is {share(row['best_pass_share'])} % "
            f"({tenths(row['gain'])} points more); open with "
            f"probability {share(row['open'])} %"
        )
    return words


def _verdict(section: Row) -> str:
    best = section["candidates"][section["best"]]
    reads, gauge = best["casting_resistance_ohm"], best["gauge_factor"]
    says = f", gauge factor {three(gauge['median'])} ({band(gauge)})" if gauge else ""
    met = "meets every target" if section["meets_target"] else "comes nearest to the target"
    return (
        f"{candidate_label(best)} {met}: with the readings a casting has "
        f"{resistance(reads['median'])} (5-95 % {band(reads, 'ohm')}){says} "
        f"and passes with probability {share(best['pass_share'])} %"
    )


def _confidence(section: Row) -> str:
    """Say with what confidence the verdict is known."""
    sure = number(section.get("confidence"))
    if sure is None:
        return ""
    what = (
        "that it is the best, to a per cent of castings, and meets every target"
        if section["meets_target"]
        else "that no candidate meets every target"
    )
    return f"The confidence {what} is {share(sure)} %."


def _blocks(summary: Summary) -> Sequence[Block]:
    section = summary["anchor"]
    rows = section["n_rows"]
    return [
        paragraph(
            f"{rows} measured {'row' if rows == 1 else 'rows'} replace what was assumed. "
            f"{_verdict(section)}. {_confidence(section)}"
        ),
        picture("anchor_bands"),
        table_block(outlook_table(section)),
        paragraph(
            "Bands as in the chapter on what is not known, with the readings taken into "
            "account: contacts and threshold as far as they are now known, bench "
            "tolerances and simulation error. Is best: of what is still possible, the "
            "share in which it meets every target and ranks first, by the share that "
            "passes to a per cent and then by its closest margin." + on_the_part(summary)
        ),
        heading("What the readings tell"),
        table_block(_parameters_table(section)),
        picture("anchor_parameters"),
        bullets(sentence(note) for note in section["notes"]),
        heading("Rows against expectation"),
        picture("anchor_rows"),
        table_block(_rows_table(section)),
        paragraph(
            "Expected: the mean of as many films, 5-95 % over contacts and threshold after "
            "the readings and the bench, of films read flat; the simulation error is in "
            "neither. Probability: "
            "of a reading at least as far off, given all other rows. "
            + _outlier_words(section)
        ),
        heading("What more films would tell"),
        bullets(_next_words(section)),
        paragraph(
            f"All of it rests on {section['n_draws']} weighted draws that tell as much "
            f"as {section['effective_draws']:.0f} equal ones."
        ),
    ]


def bands_figure(run: Run) -> Figure:
    """Draw R of every loading with what the readings leave open."""
    return draw_bands(run, "anchor", "5-95 %, with the readings", NARROW)


def _bands_caption(run: Run) -> str:
    return (
        "R of one casting at the gap of the best candidate, readings taken into account. "
        "Band: 5-95 % over contacts and threshold as now known, bench tolerances and "
        "simulation error. Copper: 5-95 % of castings if all were as planned."
    )


def parameters_figure(run: Run) -> Figure:
    """Draw each parameter before and after the readings."""
    drawn = [row for row in run.summary["anchor"]["parameters"] if "curve" in row]
    if not drawn:
        raise NothingToDrawError("every parameter is held")
    columns = min(3, len(drawn))
    lines = -(-len(drawn) // columns)
    figure = new_figure(0.8 + 1.55 * lines)
    panels = np.atleast_1d(figure.subplots(lines, columns)).ravel()
    for axes, row in zip(panels, drawn, strict=False):
        # places that are equally far for the prior, labelled with the values they stand for
        value = np.array(row["curve"]["value"], dtype=float)
        z = np.linspace(-3.0, 3.0, len(value) + 1)
        z = 0.5 * (z[1:] + z[:-1])
        axes.fill_between(z, row["curve"]["prior"], color=PALE, lw=0)
        axes.plot(z, row["curve"]["posterior"], color=COPPER, lw=1.6, drawstyle="steps-mid")
        ticks = np.array([-2.0, 0.0, 2.0])
        labels = [
            parameter_text(row, np.exp(np.interp(t, z, np.log(value)))) for t in ticks
        ]
        axes.set_xticks(ticks, labels)
        axes.set_xlim(-3.0, 3.0)
        axes.set_ylim(0.0, None)
        axes.set_yticks([])
        axes.grid(axis="y", visible=False)
        axes.set_title(PARAMETER_NAMES[row["name"]].replace(", over the simulated one", ""))
    for axes in panels[len(drawn) :]:
        axes.set_visible(False)
    legend_above(
        figure,
        [
            area_handle(color=PALE, label="before the readings"),
            line_handle(color=COPPER, lw=1.6, label="after"),
        ],
        2,
    )
    return figure


def _parameters_caption(run: Run) -> str:
    return (
        "Probability density of each number before and after the readings, along a scale "
        "on which the one before is a normal distribution; marks are at two standard "
        "deviations either way."
    )


def rows_figure(run: Run) -> Figure:
    """Draw every row: expected before, expected after, read."""
    rows = [r for r in run.summary["anchor"]["rows"] if r["resistance_ohm"] is not None]
    changes = [r for r in run.summary["anchor"]["rows"] if r["change"] is not None]
    if not rows and not changes:
        raise NothingToDrawError("no row holds a reading")
    parts = [part for part in (rows, changes) if part]
    figure = new_figure(1.3 + 0.34 * max(map(len, parts)))
    panels = np.atleast_1d(figure.subplots(1, len(parts)))
    any_open = False
    for axes, part in zip(panels, parts, strict=True):
        if part is rows:
            keys = ("expected_before_ohm", "expected_ohm", "resistance_ohm")
            any_open = _draw_rows(axes, part, keys, 1e-3, log=True)
            axes.set_xscale("log")
            plain_ticks(axes.xaxis)
            axes.set_xlabel("R, kohm")
        else:
            keys = ("expected_change_before", "expected_change", "change")
            _draw_rows(axes, part, keys, 100.0, log=False)
            axes.set_xlabel("change of R, %")
        axes.set_yticks(range(len(part)), [candidate_label(r) for r in part])
        axes.set_ylim(len(part) - 0.5, -0.5)
        axes.grid(axis="y", visible=False)
    handles = [
        area_handle(color=PALE, label="expected before, 5-95 %"),
        area_handle(color=NARROW, label="expected with the readings, 5-95 %"),
        line_handle(color=COPPER, marker="D", lw=0, label="read"),
    ]
    if any_open:
        handles.append(
            line_handle(marker=">", mfc="white", mec=COPPER, lw=0, label="read open")
        )
    if any(r["outlier"] for r in run.summary["anchor"]["rows"]):
        handles.append(
            line_handle(color=INK, marker="D", lw=0, label="contradicts the others")
        )
    legend_above(figure, handles, 3)
    return figure


def _draw_rows(
    axes: Axes, rows: Sequence[Row], keys: tuple[str, str, str], factor: float, *, log: bool
) -> bool:
    """Draw what was expected of rows and what was read; True if any was read open."""
    *expected, read = keys
    reads = column_of(rows, read, factor)
    bands = [points_of(rows, key, factor) for key in expected]
    values = np.concatenate([reads, *(a for band in bands for a in band.ranges)])
    finite = values[np.isfinite(values) & (values > 0.0)]
    low, high = (finite.min() / 1.5, finite.max() * 1.8) if log else (0, finite.max() * 1.1)
    for points, colour, height in zip(bands, (PALE, NARROW), (0.62, 0.34), strict=True):
        at = np.flatnonzero(np.isfinite(points.low))
        left = points.low[at]
        right = np.where(np.isfinite(points.high[at]), points.high[at], high)
        axes.barh(at, right - left, height, left, color=colour, zorder=2)
    for k, (row, x) in enumerate(zip(rows, reads, strict=True)):
        if np.isinf(x):
            axes.plot(
                high / 1.12, k, marker=">", mfc="white", mec=COPPER, mew=1.4, ms=8,
                zorder=5, clip_on=False,
            )  # fmt: skip
        else:
            axes.plot(x, k, "D", color=INK if row["outlier"] else COPPER, ms=6, zorder=5)
    axes.set_xlim(low, high)
    return bool(np.isinf(reads).any())


def _rows_caption(run: Run) -> str:
    return (
        "Every measured row against what was expected before any reading, and with all of "
        "them. Bars: 5-95 % of the mean of as many films over contacts, threshold and "
        "bench; a bar that reaches the right edge may be open."
    )


def _lines(summary: Summary) -> list[str]:
    section = summary["anchor"]
    out = [row for row in section["rows"] if row["outlier"]]
    told = [
        f"{_SHORT.get(row['name'], row['name'])} "
        f"{parameter_text(row, row['posterior']['median'])} "
        f"({parameter_text(row, row['posterior']['p05'])} to "
        f"{parameter_text(row, row['posterior']['p95'])})"
        for row in section["parameters"]
        if not row["held"] and (number(row["width_left"]) or 1.0) < 0.8
    ]
    words = [f"{_verdict(section)}."]
    if told:
        words.append(f"Known from the readings (5-95 %): {', '.join(told)}.")
    words += [_outlier_words(section)] if out else []
    return words


ANCHOR = Chapter(
    key="anchor",
    anchor="measured",
    heading="Measured films",
    short="Measured films",
    blocks=_blocks,
    figures={
        "anchor_bands": FigureEntry(bands_figure, _bands_caption),
        "anchor_parameters": FigureEntry(parameters_figure, _parameters_caption),
        "anchor_rows": FigureEntry(rows_figure, _rows_caption),
    },
    lines=_lines,
)
