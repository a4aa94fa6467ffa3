"""Why nominally equal castings differ: shares of the spread, and what halving one buys."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import (
    Block,
    Chapter,
    FigureEntry,
    bullets,
    heading,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.series import (
    Floats,
    NothingToDrawError,
    Run,
    column_of,
    is_spread,
    margin_limits,
    share_label,
)
from percsim.report.style import (
    COPPER,
    INK,
    MAIN,
    MUTED,
    PALE,
    SHARE_COLOURS,
    WINDOW_EDGE,
    Axes,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    text_on,
)
from percsim.words import mm, number, percent, quantity, scaled, share, tenths, two

__all__ = ["SPREAD", "gap_spread_figure", "halving_figure", "shares_figure"]

SMALL = 0.015
"""Share below which a cause is drawn with the others of its kind."""

OTHERS = "#b4bcc4"


def _setting(row: Row) -> str:
    """Write the standard deviation of a cause in its bench unit."""
    value, unit = row.get("value"), row.get("unit")
    if number(value) is None:
        return "–"
    if row.get("name") == "contact_redraw":
        return f"{percent(value)} % of them"
    if unit == "m":
        return mm(value)
    return quantity(value, {"rad": "angle", "strain": "strain"}.get(str(unit), "fraction"))


def _with_interval(row: Row) -> str:
    """Share in per cent and its interval; ends below zero are sampling error."""
    value, low, high = (
        max(number(row.get(key)) or 0.0, 0.0) for key in ("first_order", "low", "high")
    )
    if max(value, high) < 1e-5:
        return "0"
    # rounding is no share
    low = low if low > 1e-5 else 0.0
    return f"{two(100.0 * value)} ({two(100.0 * low)} to {two(100.0 * high)})"


def _nested_table(part: Row) -> Block:
    of_r, of_gauge = part["log_resistance"], part.get("gauge_factor")

    def banded(quantity: Row | None, key: str) -> str:
        if quantity is None:
            return "–"
        found = quantity[key]
        if not isinstance(found, dict):
            return two(100.0 * (number(found) or 0.0))
        value, low, high = (100.0 * (number(found[k]) or 0.0) for k in _ENDS)
        return f"{two(value)} ({two(low)} to {two(high)})"

    rows = [
        (label, banded(of_r, key), banded(of_gauge, key))
        for label, key in (
            ("trials on one casting: repeatability", "repeatability"),
            ("castings of one lot, trials averaged", "between_castings_of_one_lot"),
            (
                "one trial on each, one lot: intermediate precision",
                "intermediate_precision",
            ),
            ("castings, trials averaged", "between_castings"),
            ("one trial on each: reproducibility", "reproducibility"),
        )
    ]
    share_rows = (
        "share of the castings in the variance",
        share(of_r["casting_share"]),
        "–" if of_gauge is None else share(of_gauge["casting_share"]),
    )
    return table_block(
        table(
            ["~what varies", "#ln R|%", "#gauge factor|% of its mean"],
            [*rows, share_rows],
            caption="Standard deviations; in brackets their 95 % interval from the number "
            "of castings drawn.",
        )
    )


_ENDS = ("value", "low", "high")


def _shares_table(spread: Row) -> Block:
    return table_block(
        table(
            ["~cause", "standard deviation", "#of ln R|%", "#of the gauge factor|%"],
            [
                (
                    row["words"],
                    _setting(row),
                    _with_interval(row["log_resistance"]),
                    _with_interval(row["gauge_factor"]) if "gauge_factor" in row else "–",
                )
                for row in spread["shares"]
            ],
            caption="First-order share of each cause in the variance of single readings on "
            f"castings, with its 95 % interval from {spread['n_shares']} castings; what "
            "two causes make only together is in no row.",
        )
    )


def _halved(row: Row) -> str:
    """Name what is halved: how much a thing scatters, not the thing."""
    if row["name"] == "chains":
        return "a film of four times the volume"
    if row["name"] == "contact_redraw":
        return f"half as many {row['words']}"
    return f"half the scatter of {row['words']}"


def _halving_table(spread: Row) -> Block:
    now = spread["now"]
    rows = [
        ("the bench as it is", now),
        *((_halved(row), row) for row in spread["halving"]),
    ]
    return table_block(
        table(
            ["~bench", "#CV of R|%", "#CV of gauge factor|%", "#castings that pass|%"],
            [
                (
                    words,
                    *(
                        tenths(row[key])
                        for key in ("resistance_cv", "gauge_factor_cv", "pass_share")
                    ),
                )
                for words, row in rows
            ],
            marked=0,
            caption="The same castings, each read once, on a bench with the tolerance of "
            "one cause halved; its middle stays.",
        )
    )


def _blocks(summary: Summary) -> Sequence[Block]:
    spread = summary["spread"]
    where = candidate_label(spread)
    basis = (
        f"For {where}. Tolerances are {spread['basis']}; every number here is as good as "
        "they are."
    )
    if not spread["quoted"]:
        return [
            paragraph(f"{basis} Not split: {spread['why_not']}."),
            picture("spread_vs_gap"),
        ]
    return [
        paragraph(basis),
        bullets([*spread["advice"], spread["chains"]]),
        picture("spread_vs_gap"),
        heading("Castings against trials"),
        paragraph(spread["trials_within"]),
        _nested_table(spread["nested"]),
        paragraph(
            f"{spread['n_castings']} castings, three trials on each. "
            f"{spread['open_castings']}"
        ),
        heading("Shares of the variance"),
        picture("spread_shares"),
        _shares_table(spread),
        heading("What halving each would buy"),
        picture("halving"),
        _halving_table(spread),
        heading("Not varied"),
        bullets(spread["not_varied"]),
    ]


def _lines(summary: Summary) -> Sequence[str]:
    spread = summary["spread"]
    if not spread["quoted"]:
        return []
    return [
        spread["advice"][0],
        spread["chains"].split(", because ")[0].rstrip(".") + ".",
    ]


def gap_spread_figure(run: Run) -> Figure:
    """Draw the CV of R against gap, its parts the share of each cause."""
    rows = run.along("electrode_gap_m", "weight_fraction")
    figure = new_figure(4.0)
    axes = figure.subplots()
    cv = column_of(rows, "resistance_cv", 100.0)
    place = np.arange(len(rows), dtype=float)
    tall = float(np.nanmax(np.where(np.isfinite(cv), cv, 0.0), initial=0.0)) or 1.0
    asked = [
        100.0 * v if v < 3.0 else v
        for v in margin_limits(run, lambda name, _: is_spread(name) and "gauge" not in name)
    ][:1]
    # a part is labelled where it is tall enough in the axes as they will be
    handles = _stack(axes, rows, cv, 0.055 * max(tall, *asked, 0.0))
    error = column_of(rows, "resistance_cv_se", 100.0)
    known = np.isfinite(cv) & np.isfinite(error) & (error > 0.0)
    if known.any():
        # beside the bar, so that it crosses no label
        axes.errorbar(
            place[known] + 0.36,
            cv[known],
            error[known],
            fmt="none",
            ecolor=INK,
            elinewidth=1.3,
            capsize=3.5,
            zorder=6,
        )
        tall = max(tall, float((cv + error)[known].max()))
        handles.append(line_handle(color=INK, lw=1.3, label="simulation error"))
    for k in np.flatnonzero(~np.isfinite(cv)):
        axes.text(place[k], 0.04 * tall, "open", ha="center", va="bottom", color=MUTED)
    axes.set_xticks(place, [scaled(row["electrode_gap_m"], 1e3) for row in rows])
    axes.set_xlim(-0.6, len(rows) - 0.4)
    axes.set_ylim(0, 1.12 * tall)
    axes.grid(axis="x", visible=False)
    axes.set_xlabel("electrode gap, mm")
    axes.set_ylabel("coefficient of variation of R, %")
    if asked:
        axes.set_ylim(0, 1.12 * max(tall, asked[0]))
        axes.axhline(asked[0], color=WINDOW_EDGE, lw=1.2, ls=(0, (5, 3)), zorder=5)
        handles.insert(
            0, line_handle(color=WINDOW_EDGE, lw=1.2, ls="--", label="largest asked for")
        )
    figure.legend(
        handles=handles[::-1],
        loc="outside right center",
        handlelength=1.1,
        title="share of the variance",
    )
    return figure


def _parts(rows: Sequence[Row]) -> list[tuple[str, Floats, str]]:
    """Share of each cause for every row with its name and label, small ones together."""
    shares = [row.get("spread_shares") or {} for row in rows]
    names = list(dict.fromkeys([*SHARE_COLOURS, *(n for s in shares for n in s)]))
    parts = {
        name: np.array([max(number(s.get(name)) or 0.0, 0.0) for s in shares])
        for name in names
    }
    large = [name for name in names if parts[name].max(initial=0.0) >= SMALL]
    drawn = [(name, parts[name], share_label(name)) for name in large]
    others = sum(
        (parts[name] for name in names if name not in large), start=np.zeros(len(rows))
    )
    return [*drawn, ("", others, "others together")]


def _stack(axes: Axes, rows: Sequence[Row], cv: Floats, labelled: float) -> list[Any]:
    """Stack the parts of each CV, labelled from a height on; gives handles."""
    base = np.zeros(len(rows))
    handles = []
    for name, part, label in _parts(rows):
        height = np.where(np.isfinite(cv), cv, 0.0) * part
        colour = SHARE_COLOURS.get(name, OTHERS)
        if not height.any():
            continue
        axes.bar(
            np.arange(len(rows)), height, 0.62, bottom=base, color=colour, ec="white",
            lw=0.6, zorder=3,
        )  # fmt: skip
        for k in np.flatnonzero(height > labelled):
            text = share(part[k]) + (" %" if len(rows) < 6 else "")
            axes.text(
                k, base[k] + 0.5 * height[k], text, ha="center", va="center", fontsize=8,
                color=text_on(colour), zorder=4,
            )  # fmt: skip
        base += height
        handles.append(area_handle(facecolor=colour, ec=MUTED, lw=0.4, label=label))
    return handles


def _quoted(run: Run) -> Row:
    spread = run.summary.get("spread") or {}
    if not spread.get("quoted"):
        raise NothingToDrawError(str(spread.get("why_not") or "the spread was not split"))
    return dict(spread)


def shares_figure(run: Run) -> Figure:
    """Draw the share of each cause in both variances, with intervals."""
    spread = _quoted(run)
    rows = spread["shares"][::-1]
    quantities = [
        (key, label)
        for key, label in (
            ("log_resistance", "of the variance of ln R, %"),
            ("gauge_factor", "of the variance of the gauge factor, %"),
        )
        if key in rows[0]
    ]
    figure = new_figure(0.9 + 0.27 * len(rows))
    panels = np.atleast_1d(figure.subplots(1, len(quantities), sharey=True))
    place = np.arange(len(rows))
    colours = [COPPER if row["of"] == "trial" else MAIN for row in rows]
    for axes, (key, label) in zip(panels, quantities, strict=True):
        value, low, high = (
            np.array([100.0 * max(number(row[key][k]) or 0.0, 0.0) for row in rows])
            for k in ("first_order", "low", "high")
        )
        axes.barh(place, value, 0.62, color=colours, zorder=3)
        axes.errorbar(
            value,
            place,
            xerr=[np.maximum(value - low, 0.0), np.maximum(high - value, 0.0)],
            fmt="none",
            ecolor=INK,
            elinewidth=1.1,
            capsize=2.5,
            zorder=5,
        )
        axes.set_xlim(0.0, 1.08 * max(float(high.max()), 1.0))
        axes.set_xlabel(label)
        axes.grid(axis="y", visible=False)
    panels[0].set_yticks(place, [share_label(row["name"]) for row in rows])

    legend_above(
        figure,
        [
            area_handle(color=MAIN, label="between castings"),
            area_handle(color=COPPER, label="between trials on one casting"),
        ],
        2,
    )
    return figure


def halving_figure(run: Run) -> Figure:
    """Draw what halving each cause does to the spreads and to the castings that pass."""
    spread = _quoted(run)
    rows, now = spread["halving"][::-1], spread["now"]
    panels_of = [
        (key, label)
        for key, label in (
            ("resistance_cv", "CV of R, %"),
            ("gauge_factor_cv", "CV of gauge factor, %"),
            ("pass_share", "castings that pass, %"),
        )
        if np.isfinite(number(now[key]) or 0.0)
    ]
    figure = new_figure(0.9 + 0.27 * len(rows))
    panels = np.atleast_1d(figure.subplots(1, len(panels_of), sharey=True))
    place = np.arange(len(rows))
    for axes, (key, label) in zip(panels, panels_of, strict=True):
        values = column_of(rows, key, 100.0)
        start = 100.0 * (number(now[key]) or 0.0)
        axes.barh(place, values - start, 0.62, left=start, color=PALE, zorder=2)
        error = column_of(rows, f"{key}_error", 100.0)
        error = np.where(np.isfinite(error), error, 0.0)
        most = 100.0 if key == "pass_share" else np.inf
        axes.errorbar(
            values,
            place,
            xerr=[error, np.minimum(error, most - values)],
            fmt="o",
            color=MAIN,
            ms=5,
            ecolor=INK,
            elinewidth=1.1,
            capsize=2.5,
            zorder=4,
        )
        axes.axvline(start, color=COPPER, lw=1.4, zorder=3)
        finite = np.append(values[np.isfinite(values)], start)
        reach = max(float(np.ptp(finite)), 0.02 * abs(start), 0.5)
        low, high = finite.min() - 0.15 * reach, finite.max() + 0.15 * reach
        if key == "pass_share":  # a share, whatever its error
            low, high = max(low, -1.0), min(high, 100.0 + 0.04 * reach)
        axes.set_xlim(low, high)
        axes.set_xlabel(label)
        axes.grid(axis="y", visible=False)
    panels[0].set_yticks(place, [share_label(row["name"]) for row in rows])
    legend_above(
        figure,
        [
            line_handle(color=COPPER, lw=1.4, label="bench as it is"),
            line_handle(
                color=MAIN,
                marker="o",
                lw=0,
                label="with half the scatter of that cause",
            ),
        ],
        2,
    )
    return figure


def _caption_gap(run: Run) -> str:
    return (
        f"{percent(run.reference[0].get('weight_fraction'))} wt%. The height of a bar is "
        "the coefficient of variation of R between castings, from the spread of ln R; its "
        "parts show the share of each cause in the variance of ln R, one cause at a time. "
        "The mark beside it is its simulation error, one standard error each way."
    )


def _caption_shares(run: Run) -> str:
    n = (run.summary.get("spread") or {}).get("n_shares")
    return (
        f"First-order shares for {candidate_label(run.reference[0])}, single readings. The "
        f"marks hold 95 % of what another {n} castings would give; they do not hold what "
        "is not known of the tolerances themselves, nor the simulation error."
    )


def _caption_halving(run: Run) -> str:
    return (
        f"{candidate_label(run.reference[0])}: the same castings, each read once, on a "
        "bench with the tolerance of one cause halved. The marks are one standard error "
        "each way of the difference to the bench as it is, from the number of castings "
        "drawn. For the chains it takes a film of four times the volume."
    )


SPREAD = Chapter(
    key="spread",
    anchor="spread",
    heading="Why nominally equal castings differ",
    short="Spread",
    blocks=_blocks,
    figures={
        "spread_vs_gap": FigureEntry(gap_spread_figure, _caption_gap),
        "spread_shares": FigureEntry(shares_figure, _caption_shares),
        "halving": FigureEntry(halving_figure, _caption_halving),
    },
    lines=_lines,
)
"""The chapter of the spread."""
