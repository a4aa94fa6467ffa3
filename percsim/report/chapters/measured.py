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
    every = run.summary["anchor"]["rows"]
    rows = [r for r in every if r["resistance_ohm"] is not None]
    changes = [r for r in every if r["change"] is not None]
    if not rows and not changes:
        raise NothingToDrawError("no row holds a reading")
    parts = [part for part in (rows, changes) if part]
    figure = new_figure(1.2 + 0.36 * max(map(len, parts)))
    panels = np.atleast_1d(figure.subplots(1, len(parts)))
    any_open = False
    for axes, part in zip(panels, parts, strict=True):
        if part is rows:
            keys = ("expected_before_ohm", "expected_ohm", "resistance_ohm")
            any_open = _draw_rows(axes, part, keys, 1e-3, log=True)
            axes.set_xscale("log")
            low, high = axes.get_xlim()
            log_ticks(axes.xaxis, (1.0,) if high > 1e3 * low else (1.0, 3.0))
            axes.set_xlabel("R, kohm")
        else:
            keys = ("expected_change_before", "expected_change", "change")
            _draw_rows(axes, part, keys, 100.0, log=False)
            axes.set_xlabel("change of R, %")
        names = [f"{r['label']}, {candidate_label(r).removesuffix(' gap')}" for r in part]
        axes.set_yticks(range(len(part)), names)
        axes.set_ylim(len(part) - 0.5, -0.5)
        axes.grid(axis="y", visible=False)
    handles = [
        area_handle(color=PALE, label="expected before"),
        area_handle(color=RAMP[2], label="expected with the readings"),
        line_handle(color=COPPER, marker="D", lw=0, label="read"),
    ]
    if any_open:
        handles.append(
            line_handle(marker=">", mfc="white", mec=COPPER, lw=0, label="read open")
        )
    if any(r["outlier"] for r in every):
        handles.append(
            line_handle(color=INK, marker="X", lw=0, ms=8, label="contradicts the others")
        )
    legend_above(figure, handles, 5)
    return figure


def _draw_rows(
    axes: Axes, rows: Sequence[Row], keys: tuple[str, str, str], factor: float, *, log: bool
) -> bool:
    """Draw what was expected of rows and what was read; True if any was read open."""
    *expected, read = keys
    reads = column_of(rows, read, factor)
    bands = [points_of(rows, key, factor) for key in expected]
    values = np.concatenate([reads, *(a for band in bands for a in band.ranges)])
    finite = values[np.isfinite(values) & ((values > 0.0) | (not log))]
    low, high = (
        (finite.min() / 1.5, finite.max() * 1.8)
        if log
        else (min(0.0, 1.1 * finite.min()), 1.1 * finite.max())
    )
    for points, colour, height in zip(bands, (PALE, RAMP[2]), (0.66, 0.34), strict=True):
        at = np.flatnonzero(np.isfinite(points.low))
        left = points.low[at]
        right = np.where(np.isfinite(points.high[at]), points.high[at], high)
        axes.barh(at, right - left, height, left, color=colour, zorder=2)
    for k, (row, x) in enumerate(zip(rows, reads, strict=True)):
        if np.isinf(x):
            axes.plot(
                high / 1.12, k, marker=">", mfc="white", mec=COPPER, mew=1.4, ms=8,
                zorder=5,
            )  # fmt: skip
        elif row["outlier"]:
            axes.plot(x, k, "X", color=INK, ms=9, mec="white", zorder=5)
        else:
            axes.plot(x, k, "D", color=COPPER, ms=6, mec="white", zorder=5)
    axes.set_xlim(low, high)
    return bool(np.isinf(reads).any())
