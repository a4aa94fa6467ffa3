"""What is not known: what is assumed of contacts and powder, and what it moves."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from percsim.quantities import (
    band,
    listed,
    number,
    quantity,
    resistance,
    share,
    weight,
)
from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import NothingToDrawError, Run, same
from percsim.report.style import INK, Figure, area_handle, legend_above, new_figure

__all__ = [
    "CAUSES",
    "PARAMETER_NAMES",
    "assumed",
    "causes_figure",
    "parameter_text",
    "unknown",
]

PARAMETER_NAMES = {
    "g0": "contact conductance g0",
    "beta": "decay beta",
    "delta_b": "breaking opening delta_b",
    "lambda_T": "thermal share lambda_T",
    "closed_at": "temperature that shut them",
    "Ea": "activation energy Ea",
    "reclose": "reclosing share",
    "healed": "healed share",
    "relaxed": "relaxed share",
    "threshold": "threshold, over the simulated one",
}
# from dark to pale, so that parts tell apart in grey; hatched every other
CAUSES = {
    "g0": ("#1b2733", ""),
    "threshold": ("#bf5f1f", ""),
    "beta": ("#5f97a8", "////"),
    "delta_b": ("#e0a23c", ""),
    "lambda_T": ("#a7c9b0", "...."),
    "closed_at": ("#4f7f62", ""),
    "Ea": ("#d7dee2", "xxxx"),
    "reclose": ("#7d5a8c", ""),
    "healed": ("#c9a7d4", "////"),
    "relaxed": ("#ece0f2", "...."),
    "together": ("#f4f1e6", ""),
}


def parameter_text(row: Row, value: Any) -> str:
    """Value of a parameter in bench units."""
    return "" if value is None else quantity(value, str(row["unit"]))


def unknown(summary: Summary) -> Chapter | None:
    """Tell what unknown numbers of contacts and powder do to R and gauge factor."""
    section = summary.get("day_one")
    if section is None or "anchor" in summary:
        return None
    best = section["candidates"][section["best"]]
    level, shares = best["casting_resistance_ohm"], best.get("resistance_variance_shares")
    words = {"threshold": "the threshold", "together": "several together"}
    named = [
        f"{words.get(name, name)} {share(part)} %"
        for name, part in sorted((shares or {}).items(), key=lambda p: -p[1])[:2]
    ]
    return chapter(
        "unknown",
        f"All unknowns in, a casting of {candidate_label(best)} reads "
        f"{resistance(level['median'])} ({band(level, 'ohm')})"
        + (f"; {listed(named)} of the variance" if named else ""),
        f"{section['n_draws']} joint draws of what is assumed of contacts and threshold, "
        "carried to every candidate: first-order shares of the variance, over films that "
        "conduct; several together is what numbers do only jointly. Loadings open in more "
        "than half of the draws are left out.",
        figure="unknown",
    )


def assumed(summary: Summary) -> Chapter | None:
    """List what the answer rests on beside the bench's tolerances."""
    order = {"assumed": 0, "measured": 1, "simulated": 2}
    entries = sorted(
        (e for e in summary.get("assumptions") or [] if not e["symbol"].startswith("tau_")),
        key=lambda e: order.get(e["basis"], 3),
    )
    if not entries:
        return None
    guessed = [e["symbol"] for e in entries if e["basis"] == "assumed"]
    claim = (
        f"Assumed, not measured: {listed(guessed)}"
        if guessed
        else "Every number of contacts and powder is measured or simulated"
    )
    return chapter(
        "assumed",
        claim,
        table=table(
            ("~quantity", "symbol", "~value", "~source", "~what it moves"),
            [
                (
                    e["name"], e["symbol"], quantity(e["value"], e["unit"]), e["source"],
                    e["effect"],
                )
                for e in entries
            ],
        ),
    )  # fmt: skip


def causes_figure(run: Run) -> Figure:
    """Draw what causes the variance of ln R and of the gauge factor."""
    section = run.summary["day_one"]
    gap = number(section["candidates"][section["best"]]["electrode_gap_m"])
    keys = ("resistance_variance_shares", "gauge_factor_variance_shares")
    # over films that conduct; too few of them tell nothing
    rows = [
        r
        for r in section["candidates"]
        if same(number(r["electrode_gap_m"]), gap)
        and (number(r["open"]) or 0.0) < 0.5
        and all(r.get(key) for key in keys)
    ]
    if not rows:
        raise NothingToDrawError("no candidate conducts in most draws")
    rows = sorted(rows, key=lambda r: number(r["weight_fraction"]) or math.inf)
    figure = new_figure(1.2 + 0.36 * len(rows))
    panels = figure.subplots(1, 2, sharey=True)
    place = np.arange(len(rows))
    names = [
        name
        for name in CAUSES
        if any((number(r[key].get(name)) or 0.0) > 0.005 for r in rows for key in keys)
    ]
    for axes, key, title in zip(panels, keys, ("ln R", "gauge factor"), strict=True):
        start = np.zeros(len(rows))
        for name in names:
            width = 100.0 * np.array([number(r[key].get(name)) or 0.0 for r in rows])
            colour, hatch = CAUSES[name]
            axes.barh(
                place, width, 0.62, start, color=colour, hatch=hatch, ec="white", lw=0.6,
                zorder=2,
            )  # fmt: skip
            start = start + width
        axes.set_xlim(0.0, 100.0)
        axes.set_xlabel(f"share of the variance of {title}, %")
        axes.grid(axis="y", visible=False)
        axes.tick_params(axis="y", length=0)
    panels[0].set_yticks(place, [weight(r["weight_fraction"]) for r in rows])
    panels[0].set_ylim(len(rows) - 0.5, -0.5)
    handles = [
        area_handle(
            facecolor=CAUSES[name][0], hatch=CAUSES[name][1], ec=INK, lw=0.4,
            label="several together" if name == "together" else name,
        )
        for name in names
    ]  # fmt: skip
    legend_above(figure, handles, 7)
    return figure
