"""Every candidate in a row, and why the others are not cast."""

from __future__ import annotations

import math

from percsim.report.candidates import (
    Row,
    Summary,
    axis_cells,
    axis_columns,
    deciding_index,
    margin_rows,
    recipe_cells,
    recipe_columns,
    share_text,
    verdict,
)
from percsim.report.chapter import Table, table
from percsim.words import (
    estimate,
    mix,
    number,
    percent,
    quantiles,
    scaled,
    share,
    three,
    weight,
    with_error,
)

__all__ = ["candidate_table", "refused_measured", "refused_table", "why_not_measured"]


def candidate_table(summary: Summary) -> tuple[Table, str]:
    """Every candidate in a row, and the mix ratio in a sentence when all share it."""
    index, is_chosen = deciding_index(summary)
    candidates = summary.get("candidates") or []
    ratios = {mix(c.get("mix_ratio")) for c in candidates}
    text = f"Base to curing agent {ratios.pop()} by mass." if len(ratios) == 1 else ""
    rows: list[tuple[str, ...]] = []
    for k, c in enumerate(candidates):
        r, r_range = quantiles(c.get("resistance_ohm"), "kohm")
        factor = c.get("gauge_factor") or {}
        rows.append(
            (
                *axis_cells(summary, c),
                weight(c.get("weight_fraction"), ""),
                percent(c.get("volume_fraction")),
                scaled(c.get("electrode_gap_m"), 1e3),
                three(c.get("threshold_ratio")),
                r,
                r_range,
                with_error(c.get("resistance_cv"), c.get("resistance_cv_se"), 100.0),
                share(c.get("open_fraction")),
                estimate(factor),
                quantiles(factor)[1],
                with_error(c.get("gauge_factor_initial"), c.get("gauge_factor_initial_se")),
                with_error(c.get("gauge_factor_cv"), c.get("gauge_factor_cv_se"), 100.0),
                share_text(c),
                "chosen"
                if is_chosen and k == index
                else "yes"
                if c.get("meets_target")
                else "no",
            )
        )
    made = table(
        (
            *axis_columns(summary),
            "#filler|wt%",
            "#filler|vol%",
            "#gap|mm",
            "#φ/φc|",
            "#R|kohm",
            "#R 5 – 95 %|kohm",
            "#CV of R|%",
            "#open|%",
            "#GF|",
            "#GF 5 – 95 %|",
            "#initial|GF",
            "#CV of GF|%",
            "#pass|% (95 % interval)",
            "meets targets",
        ),
        rows,
        marked=index,
    )
    return made, text


def why_not_measured(row: Row) -> str:
    """Say what a candidate misses by the measured films."""
    near = "" if row["trusted"] else "too near the threshold for its boxes to decide"
    if number((row.get("casting_resistance_ohm") or {}).get("median")) == math.inf:
        missed = ["the median casting is open"]
    else:
        missed = []
        for m in margin_rows(row):
            name, _, side = m["target"].partition(", ")
            value = m["value"]
            if name.startswith("share"):
                value = f"{share(row.get('pass_share'))} %"
            if not m["met"]:
                missed.append(f"{name} {value}, {side} {m['limit']}")
    return "; ".join(filter(None, [near, *missed])) or (
        "meets the targets, fewer castings pass"
    )


def refused_measured(measured: Row) -> Table | None:
    """Lay out what every other candidate misses by the measured films."""
    rows = [
        (
            weight(row.get("weight_fraction"), ""),
            scaled(row.get("electrode_gap_m"), 1e3),
            quantiles(row.get("casting_resistance_ohm"), "kohm")[0],
            quantiles(row.get("gauge_factor"))[0],
            share(row.get("pass_share")),
            why_not_measured(row),
        )
        for k, row in enumerate(measured["candidates"])
        if k != measured["best"] or not measured["meets_target"]
    ]
    if not rows:
        return None
    return table(
        ("#filler|wt%", "#gap|mm", "#R, median|kohm", "#GF, median|", "#pass|%", "~why"),
        rows,
    )


def refused_table(summary: Summary) -> Table | None:
    """Lay out why every other candidate is not cast; None if there is none."""
    measured = summary.get("anchor")
    if measured:
        return refused_measured(measured)
    index, is_chosen = deciding_index(summary)
    rows: list[tuple[str, ...]] = []
    for k, c in enumerate(summary.get("candidates") or []):
        if k == index and is_chosen:
            continue
        rows.append(
            (
                *recipe_cells(summary, c),
                quantiles(c.get("resistance_ohm"), "kohm")[0],
                estimate(c.get("gauge_factor")),
                share((c.get("pass_share") or {}).get("value")),
                verdict(c, is_chosen=False),
            )
        )
    if not rows:
        return None
    return table(
        (
            *recipe_columns(summary),
            "#R, median|kohm",
            "#GF, median|",
            "#pass|%",
            "~why",
        ),
        rows,
    )
