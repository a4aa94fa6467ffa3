"""The film from above, its scatter put together from blocks, and the check of it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.candidates import Row, Summary
from percsim.report.chapter import (
    Block,
    Chapter,
    FigureEntry,
    heading,
    paragraph,
    picture,
    table,
    table_block,
)
from percsim.report.series import NothingToDrawError, Run
from percsim.report.style import COPPER, INK, MUTED, Axes, Figure, new_figure, ramp_map
from percsim.words import estimate, many, mm, share, three, two, weight, with_error

__all__ = ["CHAPTER"]

SENSING = "#d9a066"
"""Sensing bars, paler than the driving ones."""


def _film(summary: Summary) -> dict[str, Any]:
    return dict(summary["film"])


def _electrode_text(film: dict[str, Any]) -> str:
    n = len(film["electrodes"])
    where = {
        "embedded": "embedded through the thickness",
        "surface": "on one face, where the current crowds at their edges",
    }[film["electrodes_on"]]
    what = {
        "bars": "two bars across the film",
        "end plates": "plates on the two end faces",
        "fingers": f"{n} interdigitated fingers",
        "four-terminal": "four bars, the inner two sensing",
    }[film["layout"]]
    if film["layout"] == "end plates":
        return what
    return f"{what}, {where}"


def _blocks(summary: Summary) -> Sequence[Block]:
    film = _film(summary)
    size = (
        f"{mm(film['gap_m'])} gap, {mm(film['width_m'])} wide,"
        f" {mm(film['thickness_m'])} thick"
    )
    out = [
        paragraph(
            f"Electrodes: {_electrode_text(film)}; {size}. About"
            f" {many(film['particles'])} particles lie between them, at"
            f" {three(film['threshold_ratio'])} times the film's threshold."
        )
    ]
    across = _across_text(film)
    if across:
        out.append(paragraph(across))
    if "refused" in film:
        out.append(
            paragraph(f"The film is not put together from blocks: {film['refused']}.")
        )
        return out
    if "films" not in film:
        out.append(
            paragraph(
                "percsim report FOLDER --blocks puts the film together from blocks, draws"
                " its potential and current, and checks its scatter."
            )
        )
        return out
    grid = f"{film['blocks_along']} x {film['blocks_across']}"
    if film["blocks_through"] > 1:
        grid += f" x {film['blocks_through']}"
    out.append(
        paragraph(
            f"The film is put together from {grid} blocks about"
            f" {mm(film['block_m'])} long, each the whole response of one of"
            f" {film['boxes']} simulated boxes drawn at random, and solved as one network,"
            f" {film['films']} times over."
        )
    )
    out.append(picture("film_map"))
    out.append(table_block(_scatter_table(film)))
    out.append(
        paragraph(
            "± is one standard error from the number of films and of boxes; it does not"
            " hold what blocks themselves leave out, about"
            f" {two(100 * film['model_log_error'])} % of R and"
            f" {two(100 * film['model_spread_error'])} % of the spread at this distance"
            " from the threshold. Uneven means that the filler's volume fraction differs"
            f" from place to place by {two(100 * film['uneven']['loading_spread'])} % (one"
            " standard deviation) over"
            f" {mm(film['uneven']['correlation_length_m'])}."
        )
    )
    ratio = film["resistors_direct"] / max(film["resistors_solved"], 1)
    out.append(
        paragraph(
            f"Solved: {many(film['resistors_solved'])} resistors in all states of all"
            f" films; particle by particle it would be {many(film['resistors_direct'])},"
            f" {many(ratio)} times as many."
        )
    )
    verified = film.get("verified")
    if verified:
        out.append(heading("Against films simulated particle by particle"))
        out.append(paragraph(_verified_text(verified)))
        out.append(table_block(_verified_table(verified)))
    return out


def _across_text(film: dict[str, Any]) -> str:
    """Say how the film conducts across, where its electrodes need it."""
    across = film["across"]
    if across["direction"] == "alike":
        if film["electrodes_on"] != "surface":
            return ""
        return (
            "Particles lie in every direction alike, so the resistivity through the"
            " thickness is taken as that along the film."
        )
    where = {"thickness": "through the thickness", "width": "across the width"}
    rows = across["by_loading"]
    if not rows and across.get("open_boxes"):
        return (
            f"Of {across['boxes']} boxes with the current {where[across['direction']]},"
            f" {across['open_boxes']} do not conduct, too many to tell the resistivity that"
            " way; it is taken as that along the film, so that what it adds at the"
            " electrodes reads too low."
        )
    if not rows:
        return (
            f"The resistivity {where[across['direction']]} is not known yet and taken as"
            " that along the film."
        )
    each = ", ".join(
        f"{with_error(r['ratio'], r['standard_error'])} at {weight(r['weight_fraction'])}"
        for r in rows
    )
    return (
        f"Boxes with the current {where[across['direction']]} have {three(across['ratio'])}"
        f" times the resistivity along the film ({each}; ± one standard error)."
    )


def _scatter_table(film: dict[str, Any]) -> Any:
    rows = []
    for name, key in (("chains alone", "chains"), ("and uneven mixing", "uneven")):
        entry = film[key]
        rows.append(
            [
                name,
                estimate(entry["resistance_ohm"], 1e-3),
                estimate(entry["resistance_cv"], 100.0),
                estimate(entry["gauge_factor"]),
                share(entry["open_fraction"]),
            ]
        )
    rows.append(
        [
            "chains alone, from the boxes' spread",
            three(film["uniform_resistance_ohm"] * 1e-3),
            three(100.0 * film["analytic_chains_cv"]),
            "",
            "",
        ]
    )
    return table(
        ["what scatters", "#R|kohm", "#CV of R|%", "#gauge factor", "#open|%"],
        rows,
        caption=(
            "R is the geometric mean at 20 C without strain. Last row: the boxes' spread"
            " over the root of the number of boxes that fit the film."
        ),
    )


def _verified_text(verified: dict[str, Any]) -> str:
    return (
        f"{verified['films']} films of {verified['blocks_along']} x"
        f" {verified['blocks_across']} blocks"
        f" ({mm(verified['gap_m'])} gap, {mm(verified['width_m'])} wide,"
        f" {mm(verified['thickness_m'])} thick),"
        f" {many(verified['particles'])} particles in all, were simulated directly and"
        " compared with films of blocks of the same size." + _open_text(verified)
    )


def _verified_table(verified: dict[str, Any]) -> Any:
    rows = []
    for name, key, factor in (
        ("mean of ln R", "mean_log_resistance", 1.0),
        ("CV of R, %", "resistance_cv", 100.0),
        ("gauge factor", "gauge_factor", 1.0),
    ):
        rows.append(
            [
                name,
                estimate(verified["direct"][key], factor),
                estimate(verified["lattice"][key], factor),
                _percent(verified["difference"][key]),
            ]
        )
    shares = verified.get("open_fraction") or {"direct": 0.0, "lattice": 0.0}
    some_open = max(shares.values()) > 0.0
    if some_open:
        both = [share(shares[key]) for key in ("direct", "lattice")]
        rows.append(["open at rest, %", *both, ""])
    return table(
        ["", "#direct", "#blocks", "#blocks less direct|%"],
        rows,
        caption=(
            "± is one standard error: of direct films their number, of blocks also the"
            " number of boxes. The difference of the first row is that of R."
            + (" Open films are in the last row alone." if some_open else "")
        ),
    )


def _open_text(verified: dict[str, Any]) -> str:
    """Say how many films are open and out of the comparison, if any are."""
    shares = verified.get("open_fraction") or {"direct": 0.0, "lattice": 0.0}
    if max(shares.values()) <= 0.0:
        return ""
    return (
        f" That is of films that conduct: {share(shares['direct'])} % of the direct ones"
        f" and {share(shares['lattice'])} % of those of blocks are open at rest."
    )


def _percent(entry: Row) -> str:
    """Write a difference in per cent, which no open film has."""
    text = estimate(entry, 100.0)
    return "cannot be told" if text in ("open", "–") else text


def _lines(summary: Summary) -> Sequence[str]:
    film = _film(summary)
    across = film["across"]
    unknown = across["direction"] != "alike" and not across["by_loading"]
    out = [_across_text(film)] if unknown else []
    if "refused" in film:
        return [*out, f"Film of blocks: {film['refused']}."]
    if "films" not in film:
        return [*out, f"The film holds about {many(film['particles'])} particles."]
    chains, uneven = film["chains"]["resistance_cv"], film["uneven"]["resistance_cv"]
    out += [
        f"The film holds about {many(film['particles'])} particles; put together from"
        f" blocks, its chains alone scatter R by {estimate(chains, 100.0)} %, with"
        f" uneven mixing {estimate(uneven, 100.0)} %."
    ]
    verified = film.get("verified")
    if verified:
        apart = verified["difference"]
        out.append(
            f"{verified['films']} films simulated directly,"
            f" {many(verified['particles'])} particles in all: blocks differ by"
            f" {_percent(apart['mean_log_resistance'])} % in R,"
            f" {_percent(apart['resistance_cv'])} % in its spread and"
            f" {_percent(apart['gauge_factor'])} % in the gauge factor (one standard"
            f" error).{_open_text(verified)}"
        )
    return out


# ------------------------------------------------------------------------------------------
# The film from above
# ------------------------------------------------------------------------------------------


def film_figure(run: Run) -> Figure:
    """Draw the film to scale: electrodes, potential and current density."""
    film = run.summary.get("film") or {}
    if "map" not in film:
        raise NothingToDrawError(
            film.get("refused", "the film is put together from blocks when asked")
        )
    from matplotlib.patches import Rectangle

    width = 1e3 * film["width_m"]
    electrodes = film["electrodes"]
    left = 1e3 * min(e["x_m"][0] for e in electrodes)
    right = 1e3 * max(e["x_m"][1] for e in electrodes)
    margin = max(0.5 * (1e3 * film["length_m"] - (right - left)), 0.0)
    # a film far longer than its electrodes is cut off, without an edge there
    shown = min(margin, 2.0 * (right - left))
    span = right - left + 2.0 * shown
    height = min(max(2.0 * (6.2 * width / span) + 1.9, 3.6), 9.0)
    beside = width > 0.45 * span
    figure = new_figure(min(3.1 * width / span + 1.9, 7.0) if beside else height)
    # panels held to scale leave the layout engine short of room for their labels
    figure.get_layout_engine().set(w_pad=0.2)
    panels = figure.subplots(1, 2) if beside else figure.subplots(2, 1)
    for axes, draw in zip(panels, (_draw_potential, _draw_density), strict=True):
        aside = 0.02 * span if shown < margin else 0.0
        axes.add_patch(
            Rectangle(
                (left - shown - aside, 0.0), span + 2.0 * aside, width, fc="#eef1ee",
                ec=MUTED, lw=0.8,
            )
        )  # fmt: skip
        image, label, ticks = draw(axes, film["map"], width)
        for e in electrodes:
            sensing = e["terminal"].startswith("sense")
            x0, x1 = (1e3 * v for v in e["x_m"])
            y0, y1 = (1e3 * v for v in e["y_m"])
            axes.add_patch(
                Rectangle(
                    (x0, y0), x1 - x0, y1 - y0, fc=SENSING if sensing else COPPER,
                    ec=INK, lw=0.6, zorder=4,
                )
            )  # fmt: skip
        axes.set_xlim(left - shown - 0.01 * span, right + shown + 0.01 * span)
        axes.set_ylim(-0.02 * width, 1.02 * width)
        axes.set_aspect("equal")
        axes.grid(False)
        axes.set_xlabel("along the film, mm")
        axes.set_ylabel("across, mm")
        bar = figure.colorbar(
            image, ax=axes, label=label, shrink=0.9, ticks=ticks, pad=0.02,
            location="bottom" if beside else "right",
        )  # fmt: skip
        bar.outline.set_visible(False)
    panels[0].set_title("Potential")
    panels[1].set_title("Current density")
    return figure


def _draw_potential(axes: Axes, found: Row, width: float) -> tuple[Any, str, Any]:
    x, y = 1e3 * np.array(found["x_m"]), 1e3 * np.array(found["y_m"])
    potential = np.array(found["potential"], dtype=float)
    # rows at the edges of the film carry what the outermost rows have
    rows = np.concatenate([[0.0], y, [width]])
    values = np.concatenate([potential[:, :1], potential, potential[:, -1:]], axis=1).T
    image = axes.contourf(
        x, rows, values, levels=np.linspace(0.0, 1.0, 21), cmap=ramp_map()
    )
    levels = np.arange(0.1, 0.95, 0.1)
    axes.contour(x, rows, values, levels=levels, colors="white", linewidths=0.6)
    return image, "over the voltage", np.linspace(0, 1, 6)


def _draw_density(axes: Axes, found: Row, width: float) -> tuple[Any, str, Any]:
    from matplotlib.colors import Normalize

    x, y = 1e3 * np.array(found["x_m"]), 1e3 * np.array(found["y_m"])
    density = np.array(found["current_density_relative"], dtype=float)
    edges = np.concatenate([[0.0], 0.5 * (y[1:] + y[:-1]), [width]])
    low, mean, top = 0.0, 1.0, 1.0
    if density.any():
        flows = density[density != 0.0]
        low, mean = max(float(flows.min()), 0.0), float(np.abs(flows).mean())
        top = float(np.quantile(flows, 0.99))
    image = axes.pcolormesh(
        x, edges, np.ma.masked_equal(density.T, 0.0), cmap=ramp_map(), shading="flat",
        norm=Normalize(low, max(top, low + 1e-6 + 0.02 * mean)),
    )  # fmt: skip
    return image, "over its mean", None


def film_caption(run: Run) -> str:
    """Say what is drawn."""
    film = run.summary.get("film") or {}
    sensing = film.get("layout") == "four-terminal"
    planned = (run.summary.get("plan") or {}).get("film") or {}
    endless = film.get("layout") == "bars" and "electrode_length" not in planned
    return (
        "One of the films with uneven mixing, from above and to scale; electrodes in"
        " copper"
        + (", sensing ones paler" if sensing else "")
        + (" an eighth of the gap long, as none is stated" if endless else "")
        + ". Potential with a"
        " line every tenth; current density block by block, whose unevenness is that of"
        " blocks and mixing."
    )


CHAPTER = Chapter(
    key="film",
    anchor="film",
    heading="The film and its electrodes",
    short="Film",
    blocks=_blocks,
    figures={"film_map": FigureEntry(film_figure, film_caption)},
    lines=_lines,
)
