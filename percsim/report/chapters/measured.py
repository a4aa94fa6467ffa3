"""Measured films: every row against expectation, and what the readings tell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from percsim.quantities import counted, listed, number, probability, share
from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.chapters.unknown import PARAMETER_NAMES, parameter_text
from percsim.report.series import NothingToDrawError, Run, column_of, points_of
from percsim.report.style import (
    COPPER,
    INK,
    PALE,
    RAMP,
    Axes,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    log_ticks,
    new_figure,
)

__all__ = ["films", "films_figure", "told"]

TOLD = 0.8
"""Width left below which the readings have told something of a number."""


def films(summary: Summary) -> Chapter | None:
    """Every measured row against what the others and the boxes let expect."""
    section = summary.get("anchor")
    if section is None:
        return None
    out = [
        f"{row['label']} (probability {probability(row['probability'])})"
        for row in section["rows"]
        if row["outlier"]
    ]
    n = counted(section["n_rows"], "measured row")
    claim = (
        f"Of {n} {listed(out)} contradict{'s' if len(out) == 1 else ''} the others"
        if out
        else f"{n}, with no other to contradict"
        if section["n_rows"] == 1
        else f"None of {n} contradicts the others"
    )
    return chapter(
        "films",
        claim,
        "Bars: 5 – 95 % of the mean of as many films, before any reading and with all of "
        "them; one that reaches the right edge may be open.",
        "A row that contradicts counts as a possible slip: check it." if out else "",
        figure="films",
    )


def told(summary: Summary) -> Chapter | None:
    """Lay out what the readings tell of each unknown number."""
    section = summary.get("anchor")
    if section is None:
        return None
    free = [row for row in section["parameters"] if not row["held"]]
    rows = []
    for row in free:
        before, after = (
            [parameter_text(row, row[when][key]) for key in ("median", "p05", "p95")]
            for when in ("prior", "posterior")
        )
        rows.append(
            (
                PARAMETER_NAMES.get(row["name"], row["name"]),
                *(f"{m} ({low} – {high})" for m, low, high in (before, after)),
                share(row["width_left"]),
            )
        )
    known = [
        f"{row['name']} {parameter_text(row, row['posterior']['median'])}"
        for row in free
        if (number(row["width_left"]) or 1.0) < TOLD
    ]
    return chapter(
        "told",
        f"The readings tell {listed(known)}" if known else "The readings tell little",
        "Medians with 5 – 95 %; the rest stays as assumed.",
        table=table(("~number", "#before", "#with the readings", "#width left|%"), rows),
    )


def films_figure(run: Run) -> Figure:
    """Draw every row by its name: expected before, expected after, read."""
    rows = run.summary["anchor"]["rows"]
    parts = [
        (keys, factor, label)
        for keys, factor, label in (
            (("expected_before_ohm", "expected_ohm", "resistance_ohm"), 1e-3, "R, kohm"),
            (
                ("expected_change_before", "expected_change", "change"), 100.0,
                "change of R, %",
            ),
        )
        if any(row[keys[-1]] is not None for row in rows)
    ]  # fmt: skip
    if not parts:
        raise NothingToDrawError("no row holds a reading")
    figure = new_figure(1.2 + 0.36 * len(rows))
    panels = np.atleast_1d(figure.subplots(1, len(parts), sharey=True))
    for axes, (keys, factor, label) in zip(panels, parts, strict=True):
        _draw_rows(axes, rows, keys, factor)
        axes.set_xlabel(label)
        axes.grid(axis="y", visible=False)
        axes.tick_params(axis="y", length=0)
    names = [f"{r['label']}, {candidate_label(r).removesuffix(' gap')}" for r in rows]
    panels[0].set_yticks(range(len(rows)), names)
    panels[0].set_ylim(len(rows) - 0.5, -0.5)
    read = {"lw": 0, "mec": COPPER}
    handles = [
        area_handle(color=PALE, label="expected before"),
        area_handle(color=RAMP[2], label="expected with the readings"),
        line_handle(color=COPPER, marker="D", label="read", **read),
    ]
    if any(number(row["resistance_ohm"]) == np.inf for row in rows):
        handles.append(line_handle(marker=">", mfc="white", label="read open", **read))
    if any(row["outlier"] for row in rows):
        handles.append(
            line_handle(color=INK, marker="X", lw=0, ms=8, label="contradicts the others")
        )
    legend_above(figure, handles, 5)
    return figure


def _draw_rows(
    axes: Axes, rows: Sequence[Row], keys: tuple[str, ...], factor: float
) -> None:
    """Draw what was expected of rows and what was read: R by its logarithm."""
    *expected, read = keys
    log = read == "resistance_ohm"
    reads = column_of(rows, read, factor)
    bands = [points_of(rows, key, factor) for key in expected]
    values = np.concatenate([reads, *(a for band in bands for a in band.ranges)])
    finite = values[np.isfinite(values) & ((values > 0.0) | (not log))]
    if log:
        low, high = finite.min() / 1.5, finite.max() * 1.8
        axes.set_xscale("log")
        log_ticks(axes.xaxis, (1.0,) if high > 1e3 * low else (1.0, 3.0))
    else:
        low, high = min(0.0, 1.1 * finite.min()), 1.1 * finite.max()
    for points, colour, height in zip(bands, (PALE, RAMP[2]), (0.66, 0.34), strict=True):
        at = np.flatnonzero(np.isfinite(points.low))
        left = points.low[at]
        right = np.where(np.isfinite(points.high[at]), points.high[at], high)
        axes.barh(at, right - left, height, left, color=colour, zorder=2)
    for k in map(int, np.flatnonzero(~np.isnan(reads))):
        if np.isinf(reads[k]):
            x, look = high / 1.12, {"marker": ">", "mfc": "white", "mec": COPPER, "ms": 8}
        elif rows[k]["outlier"]:
            x, look = reads[k], {"marker": "X", "color": INK, "mec": "white", "ms": 9}
        else:
            x, look = reads[k], {"marker": "D", "color": COPPER, "mec": "white", "ms": 6}
        axes.plot(x, k, zorder=5, **look)
    axes.set_xlim(low, high)
