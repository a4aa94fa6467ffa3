"""Standing of the choice: confidence, weighing errors, and sensitivity against spread."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.quantities import (
    confidence,
    listed,
    mm,
    number,
    percent,
    share,
    signed,
    three,
    with_error,
)
from percsim.report.candidates import (
    Row,
    Summary,
    candidate_label,
    deciding_index,
    mix_label,
    recipe_cells,
    recipe_columns,
)
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
from percsim.report.series import (
    NothingToDrawError,
    Run,
    column_of,
    factor_limits,
    floats,
    index_of,
    margin_limits,
)
from percsim.report.style import (
    GAP_COLOURS,
    GAP_MARKERS,
    INK,
    MUTED,
    WINDOW_EDGE,
    Figure,
    legend_above,
    line_handle,
    mark_deciding,
    new_figure,
)

__all__ = ["FRONT"]

MOST_LABELS = 8
"""Points of the front that are named in the figure."""


def _full_label(summary: Summary, candidate: Row) -> str:
    words = mix_label(summary, candidate)
    return f"{words + ', ' if words else ''}{candidate_label(candidate)}"


def _standing(summary: Summary) -> str:
    """Say how sure the choice is, and what more boxes would do."""
    front = summary["front"]
    asked, sure = number(front["confidence_asked"]) or 0.0, number(front["confidence"])
    index, is_chosen = deciding_index(summary)
    if index is None or sure is None:
        return "No candidate was evaluated."
    name = _full_label(summary, summary["candidates"][index])
    measured = summary.get("anchor")
    if summary.get("withheld") and not measured:
        return f"No loading is decided ({summary['withheld']}), however sure the boxes are."
    within = percent(front["equal_within"])
    what = (
        f"that {name} meets every target and that no other candidate that does passes more "
        f"than {within} % more of the castings"
        if is_chosen
        else "that no candidate meets every target"
    )
    if measured:
        return (
            f"Confidence by the measured films {what}: {confidence(sure)} % "
            f"({percent(asked)} % asked). It is the share of what the films leave open of "
            "contacts and threshold in which the choice stands, the simulation error of R "
            "with it; more films would raise it, more boxes hardly."
        )
    text = (
        f"Simulated confidence {what}: {confidence(sure)} % ({percent(asked)} % asked). "
        "It is the share of resamples of the boxes in which the choice stands, widened for "
        "their number; the error of the simulated threshold is in it, what is assumed of "
        "contacts and powder is not."
    )
    verdict = front["verdict"]
    if verdict == "known":
        text += " Boxes were run in stages until that was reached."
    elif verdict == "spent":
        text += " The budget of boxes was spent before that was reached at a look between"
        text += " stages, where more is needed than at the end."
    elif verdict == "one stage" and sure < asked:
        text += (
            " More boxes would settle it: with most above count in [boxes], a run spends "
            "them on the loadings on which the choice hangs."
        )
    return text


def _stages(summary: Summary) -> Table | None:
    stages = summary["front"]["stages"]
    if not stages:
        return None
    rows = []
    for k, look in enumerate(stages, 1):
        undecided = [str(name) for name in look["undecided"]]
        rows.append(
            (
                str(k),
                three(look["boxes"]),
                str(look["choice"]) if look["meets_target"] else "none meets the target",
                confidence(look["confidence"]),
                three(100.0 * (number(look["confidence_needed"]) or 0.0)),
                listed(undecided, 4, "; ") or "nothing",
            )
        )
    heads = (
        "#stage|", "#boxes so far|longest, all loadings", "~best by then",
        "#confidence|%", "#needed|%", "~open between",
    )  # fmt: skip
    return table(heads, rows, caption="How the boxes were spent")


def _table(summary: Summary) -> Table:
    points = {p["candidate"]: p for p in summary["front"]["points"]}
    index, _ = deciding_index(summary)
    rows = []
    for k, c in enumerate(summary["candidates"]):
        weighed, point = c.get("weighing_error") or {}, points.get(k)
        rows.append(
            (
                *recipe_cells(summary, c),
                three(c.get("threshold_ratio")),
                signed(c.get("weight_fraction_above_threshold"), 100.0),
                share(weighed.get("pass_share_low")),
                share((c.get("pass_share") or {}).get("value")),
                share(weighed.get("pass_share_high")),
                share(c.get("best_confidence")),
                with_error(point["gauge_factor"], point["gauge_factor_se"])
                if point
                else "–",
                with_error(point["resistance_cv"], point["resistance_cv_se"], 100.0)
                if point
                else "–",
                f"{'yes' if point['on_front'] else 'no'} ({share(point['on_front_share'])})"
                if point
                else "–",
            )
        )
    of = "what films leave open" if "anchor" in summary else "resamples"
    heads = (
        *recipe_columns(summary), "#φ/φc|", "#from threshold|wt%",
        "#pass, 1 % less filler|%", "#pass|%", "#pass, 1 % more|%",
        f"#ranks first|% of {of}", "#GF|", "#CV of R|%", "#on the front|% of resamples",
    )  # fmt: skip
    return table(heads, rows, marked=index)


def _front_text(summary: Summary) -> str:
    front, candidates = summary["front"], summary["candidates"]
    members = front["members"]
    if not members:
        return "No candidate conducts well enough above the threshold to be compared."
    names = [_full_label(summary, candidates[k]) for k in members]
    shown = listed(names, MOST_LABELS, "; ")
    index, is_chosen = deciding_index(summary)
    tail = ""
    if is_chosen and index is not None:
        on = "is on it" if index in members else "is not on it"
        tail = f" The chosen candidate {on}; it was chosen for its pass share."
    return (
        "Sensitivity is bought with spread: nearer to the threshold the gauge factor and "
        "the scatter of R both rise. On the front, where no other candidate has as large a "
        f"gauge factor with as small a CV: {shown}.{tail}"
    )


def _blocks(summary: Summary) -> Sequence[Block]:
    stages = _stages(summary)
    return [
        paragraph(_standing(summary)),
        *([table_block(stages)] if stages else []),
        paragraph(_front_text(summary)),
        picture("trade_off"),
        table_block(_table(summary)),
        paragraph(
            "Pass shares with 1 % less and more filler are those of cups weighed off by as "
            "much, all other tolerances as planned. ± is the simulation error. Candidates "
            "below 1.3 times the film's own threshold, or open, are not on the front."
            + (
                " Pass shares are averaged over what the measured films leave open; gauge "
                "factors and CVs are at the values that they make likeliest."
                if "anchor" in summary
                else ""
            )
        ),
    ]


def trade_off_figure(run: Run) -> Figure:
    """Draw gauge factor against CV of R, every candidate with its errors, and the front."""
    front, candidates = run.summary["front"], run.candidates
    points = [
        p
        for p in front["points"]
        if np.isfinite(floats([p["gauge_factor"], p["resistance_cv"]])).all()
    ]
    if not points:
        raise NothingToDrawError("no candidate conducts well enough to be compared")
    figure = new_figure(4.6)
    axes = figure.subplots()
    x, y = column_of(points, "resistance_cv", 100.0), column_of(points, "gauge_factor")
    x_error = np.nan_to_num(column_of(points, "resistance_cv_se", 100.0), posinf=np.inf)
    y_error = np.nan_to_num(column_of(points, "gauge_factor_se"), posinf=np.inf)
    for values, errors, limits in (
        (x, x_error, axes.set_xlim),
        (y, y_error, axes.set_ylim),
    ):
        known = np.where(np.isfinite(errors), errors, 0.0)
        low, high = float((values - known).min()), float((values + known).max())
        room = 0.08 * ((high - low) or abs(high) or 1.0)
        limits(low - room, high + 2.0 * room)
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    gaps = run.values("electrode_gap_m")
    for k, (p, cv, gauge) in enumerate(zip(points, x, y, strict=True)):
        g = index_of(gaps, candidates[p["candidate"]].get("electrode_gap_m")) % 6
        colour = GAP_COLOURS[g]
        axes.errorbar(
            cv,
            gauge,
            xerr=min(x_error[k], right - left),
            yerr=min(y_error[k], top - bottom),
            fmt=GAP_MARKERS[g],
            color=colour,
            mfc=colour if p["on_front"] else "white",
            mec=colour,
            ms=6.0 if p["on_front"] else 5.0,
            elinewidth=1.0,
            alpha=1.0 if p["on_front"] else 0.6,
            zorder=4 if p["on_front"] else 3,
        )
    members = sorted((k for k, p in enumerate(points) if p["on_front"]), key=lambda k: x[k])
    axes.plot(x[members], y[members], color=MUTED, lw=1.1, ls=":", zorder=2)
    index, _ = deciding_index(run.summary)
    handles: list[Any] = [
        line_handle(color=GAP_COLOURS[k % 6], marker=GAP_MARKERS[k % 6], ls="", ms=5.5,
            label=f"{mm(gap)} gap",
        )
        for k, gap in enumerate(gaps)
    ]  # fmt: skip
    handles.append(line_handle(color=MUTED, ls=":", lw=1.3, label="front (filled)"))
    handles += [
        mark_deciding(axes, x[k], y[k], run.deciding_word)
        for k, p in enumerate(points)
        if p["candidate"] == index
    ]
    _name_loadings(run, axes, points, x, y)
    for value in factor_limits(run):
        axes.axhline(value, color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    spread = margin_limits(run, lambda name, _: name.startswith("cv of resistance"))
    for value in spread:
        axes.axvline(100.0 * value, color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    shown = [v for v in factor_limits(run) if bottom <= v <= top]
    shown += [v for v in spread if left <= 100.0 * v <= right]
    if shown:
        handles.append(line_handle(color=WINDOW_EDGE, ls="--", lw=0.9, label="target"))
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_xlabel("coefficient of variation of R between castings, %")
    axes.set_ylabel("gauge factor")
    legend_above(figure, handles, 4)
    return figure


def _name_loadings(
    run: Run,
    axes: Any,
    points: Sequence[Row],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
) -> None:
    """Name each loading and mix once, beside its points; the front's first if too many."""
    groups: dict[str, list[int]] = {}
    for k, p in enumerate(points):
        c = run.candidates[p["candidate"]]
        words = mix_label(run.summary, c)
        name = f"{percent(c.get('weight_fraction'))} wt%{', ' + words if words else ''}"
        groups.setdefault(name, []).append(k)
    deciding, _ = deciding_index(run.summary)

    def weight(name: str) -> float:
        mine = [points[k] for k in groups[name]]
        decides = any(p["candidate"] == deciding for p in mine)
        return 2.0 if decides else max(number(p["on_front_share"]) or 0.0 for p in mine)

    ranked = sorted(groups, key=weight, reverse=True)
    middle = float(np.mean(axes.get_xlim()))
    placed: list[tuple[float, float, float]] = []
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    for name in ranked[:MOST_LABELS]:
        mine = groups[name]
        k = mine[int(np.argmax(y[mine]))]
        aside = 9 if x[k] < middle else -9
        at = ((x[k] - left) / (right - left), (y[k] - bottom) / (top - bottom))
        # a letter of this size takes about a hundredth of the width
        wide = 0.01 * len(name) + 0.03
        start = at[0] if aside > 0 else at[0] - wide
        # a name that would lie on another or leave the picture is left to the table
        if (
            start < 0.0
            or start + wide > 1.0
            or any(
                start < b and start + wide > a and abs(at[1] - level) < 0.06
                for a, b, level in placed
            )
        ):
            continue
        placed.append((start, start + wide, at[1]))
        axes.annotate(
            name,
            (x[k], y[k]),
            xytext=(aside, 9),
            textcoords="offset points",
            ha="left" if aside > 0 else "right",
            fontsize=8.5,
            color=INK,
            zorder=5,
            bbox={"fc": "white", "ec": "none", "alpha": 0.75, "pad": 1.0},
        )


def _caption(run: Run) -> str:
    return (
        "Sensitivity against spread, one point a candidate: chord gauge factor of the "
        "median casting, and coefficient of variation of R between castings. Bars are "
        "simulation errors (half of the central 68 % of resampled boxes); points of one "
        "loading share its boxes, so that their errors go together. No candidate beats a "
        "filled one in both."
    )


def _lines(summary: Summary) -> list[str]:
    front = summary["front"]
    index, is_chosen = deciding_index(summary)
    if index is None or "anchor" in summary or summary.get("withheld"):
        return []
    asked = percent(front["confidence_asked"])
    what = "in the choice" if is_chosen else "that no candidate meets every target"
    how = {
        "known": "reached in stages",
        "spent": "budget of boxes spent",
    }.get(front["verdict"], "one stage")
    lines = [
        f"Simulated confidence {what}, boxes and threshold alone: "
        f"{confidence(front['confidence'])} % ({asked} % asked; {how})."
    ]
    weighed = summary["candidates"][index].get("weighing_error") or {}
    if is_chosen and weighed:
        lines[0] += (
            f" With 1 % less filler {share(weighed['pass_share_low'])} % pass, with 1 % "
            f"more {share(weighed['pass_share_high'])} %."
        )
    return lines


FRONT = Chapter(
    key="front",
    anchor="trade-off",
    heading="How sure the choice is, and sensitivity against spread",
    short="Trade-off",
    blocks=_blocks,
    figures={"trade_off": FigureEntry(trade_off_figure, _caption)},
    lines=_lines,
    over_mixes=True,
)
