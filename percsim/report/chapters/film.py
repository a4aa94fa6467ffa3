"""One box, the film put together from blocks, and the check of it."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.quantities import (
    estimate,
    many,
    mm,
    percent,
    scaled,
    share,
    three,
    two,
    weight,
    with_error,
)
from percsim.report.candidates import Row, Summary
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import Run
from percsim.report.style import COPPER, INK, MUTED, Axes, Figure, new_figure, ramp_map

__all__ = ["blocks", "boxes", "film_figure", "network", "verified"]

SENSING = "#d9a066"
"""Sensing bars, paler than the driving ones."""

_LAYOUTS = {
    "bars": "two bars across the film",
    "end plates": "plates on the two end faces",
    "fingers": "interdigitated fingers",
    "four-terminal": "four bars, the inner two sensing",
}


def network(summary: Summary) -> Chapter | None:
    """One box and its current."""
    film = summary.get("film")
    if film is None:
        return None
    where = {"embedded": "through the thickness", "surface": "on one face"}
    return chapter(
        "network",
        f"Between the electrodes lie {many(film['particles'])} particles, at "
        f"{three(film['threshold_ratio'])} times the film's threshold; one box of them",
        f"Electrodes: {_LAYOUTS[film['layout']]}, {where[film['electrodes_on']]}. One box "
        "from the side: bodies coloured by voltage, lines as wide as their current, "
        "electrodes dark bars.",
        _across(film["across"]),
        figure="network",
    )


def _across(across: Row) -> str:
    """Say how the film conducts across, where its electrodes need it."""
    if across["direction"] == "alike":
        return ""
    where = {"thickness": "through the thickness", "width": "across the width"}
    way = where[across["direction"]]
    if across["by_loading"]:
        last = across["by_loading"][-1]
        return (
            f"Boxes with the current {way} have {three(across['ratio'])} times the "
            "resistivity along the film ("
            f"{with_error(last['ratio'], last['standard_error'])} at "
            f"{weight(last['weight_fraction'])})."
        )
    lost = across.get("open_boxes")
    why = f"{lost} of {across['boxes']} such boxes are open" if lost else "not known yet"
    return f"The resistivity {way} is taken as that along the film: {why}."


def boxes(summary: Summary) -> Chapter | None:
    """Boxes of each loading, and the resistivity that they give."""
    fits = summary.get("fits")
    if not fits:
        return None
    count, n_open = (sum(f[key] for f in fits) for key in ("n_boxes", "n_open_boxes"))
    failed = len(summary.get("failed_boxes") or [])
    rows = []
    for f in fits:
        is_open = three(f["resistivity_ohm_m"]) == "open"
        rows.append(
            (
                weight(f["weight_fraction"], ""),
                percent(f["volume_fraction"]),
                three(f["n_boxes"]),
                three(f["n_open_boxes"]),
                with_error(f["resistivity_ohm_m"], f["resistivity_se"]),
                "–"
                if is_open
                else with_error(
                    f["electrode_excess_ohm_m2"], f["electrode_excess_se"], 1e6
                ),
                "–" if is_open else percent(f["box_cv"]),
            )
        )
    lengths = ", ".join(scaled(x, 1e6) for x in fits[-1]["lengths_m"])
    heads = (
        "#filler|wt%", "#filler|vol%", "#boxes|", "#open|", "#resistivity ρ|ohm m",
        "#electrodes r_c|ohm mm²", "#CV of boxes|%",
    )  # fmt: skip
    return chapter(
        "boxes",
        f"{count} boxes were simulated, {n_open or 'none'} of them open, "
        f"{failed or 'none'} failed",
        f"Area over mean conductance of boxes {lengths} um long is ρ L + r_c; ± one "
        "standard error. Open boxes count as such.",
        table=table(heads, rows),
    )


def blocks(summary: Summary) -> Chapter | None:
    """Tell the film put together from blocks, where that was asked for."""
    film = summary.get("film") or {}
    if "refused" in film:
        return chapter("film", "The film is not put together from blocks", film["refused"])
    if "films" not in film:
        return None
    chains, uneven = film["chains"], film["uneven"]
    planned = (summary.get("plan") or {}).get("film") or {}
    endless = film["layout"] == "bars" and "electrode_length" not in planned
    return chapter(
        "film",
        "Put together from blocks, the film scatters by "
        f"{estimate(chains['resistance_cv'], 100.0)} % in R from its chains, "
        f"{estimate(uneven['resistance_cv'], 100.0)} % with uneven mixing",
        f"{film['films']} films of {film['boxes']} boxes, "
        f"{many(film['resistors_solved'])} resistors instead of "
        f"{many(film['resistors_direct'])}; one is drawn, from above and to scale, "
        "electrodes in copper"
        + (", an eighth of the gap long as none is stated" if endless else "")
        + f". ± one standard error; blocks themselves leave out about "
        f"{two(100 * film['model_log_error'])} % of R.",
        figure="film_map",
    )


def verified(summary: Summary) -> Chapter | None:
    """Films simulated particle by particle beside those of blocks."""
    found = (summary.get("film") or {}).get("verified")
    if not found:
        return None
    rows = []
    for name, key, factor in (
        ("mean of ln R", "mean_log_resistance", 1.0),
        ("CV of R, %", "resistance_cv", 100.0),
        ("gauge factor", "gauge_factor", 1.0),
    ):
        sides = [estimate(found[side][key], factor) for side in ("direct", "lattice")]
        rows.append((name, *sides, _apart(found["difference"][key])))
    shares = found.get("open_fraction") or {"direct": 0.0, "lattice": 0.0}
    if max(shares.values()) > 0.0:
        both = [share(shares[key]) for key in ("direct", "lattice")]
        rows.append(("open at rest, %", *both, ""))
    return chapter(
        "verified",
        f"Blocks differ by {_apart(found['difference']['mean_log_resistance'])} % in R "
        f"from {found['films']} films simulated particle by particle",
        f"Films of {mm(found['gap_m'])} gap, {mm(found['width_m'])} wide, "
        f"{mm(found['thickness_m'])} thick, {many(found['particles'])} particles in all; ± "
        "one standard error; all but the last row of films that conduct."
        if len(rows) > 3
        else f"Films of {mm(found['gap_m'])} gap, {mm(found['width_m'])} wide, "
        f"{mm(found['thickness_m'])} thick, {many(found['particles'])} particles in all; ± "
        "one standard error.",
        table=table(("", "#direct", "#blocks", "#blocks less direct|%"), rows),
    )


def _apart(entry: Row) -> str:
    """Write a difference in per cent, which no open film has."""
    text = estimate(entry, 100.0)
    return "cannot be told" if text in ("open", "–") else text


def film_figure(run: Run) -> Figure:
    """Draw the film to scale: electrodes, potential and current density."""
    from matplotlib.patches import Rectangle

    film = run.summary["film"]
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
