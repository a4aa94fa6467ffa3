"""Film, sheet and part: strain that arrives, wrapping, strain across, stiffness."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.quantities import (
    band,
    mix,
    number,
    percent,
    quantity,
    scaled,
    signed,
    span,
    three,
    two,
    with_error,
)
from percsim.report.candidates import Row, Summary
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import Run, floats
from percsim.report.style import (
    COPPER,
    INK,
    MAIN,
    MUTED,
    PALE,
    WINDOW,
    WINDOW_EDGE,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    log_ticks,
    new_figure,
)

__all__ = [
    "across",
    "stiffness",
    "transfer",
    "transfer_figure",
    "wrapping",
    "wrapping_figure",
]


def _best(layers: Row) -> Row:
    keys = ("weight_fraction", "electrode_gap_m")
    return next(
        row for row in layers["candidates"] if all(row[k] == layers[k] for k in keys)
    )


def transfer(summary: Summary) -> Chapter | None:
    """How much of the strain of the part reaches the film."""
    layers = summary.get("layers")
    if layers is None:
        return None
    found, best = layers["transfer"], _best(layers)
    mean, zone = found["gap_mean"], number(found["end_zone_m"]) or 0.0
    flat = ""
    if best["gauge_factor"] is not None:
        flat = (
            "The decision counts the gauge factor per strain of the part, "
            f"{with_error(best['gauge_factor'], best['gauge_factor_se'])}; flat on a test "
            f"rig the same film has {three(best['gauge_factor_flat'])}."
        )
    force = ""
    if layers["control"] == "force":
        plateau = found["plateau"]
        force = (
            f"Under a given force {percent(plateau['value'])} % of the strain of the bare "
            "part remains."
        )
    return chapter(
        "transfer",
        f"{percent(mean['value'])} % of the strain of the part reaches the film between "
        f"its electrodes ({band(mean, 'fraction')})",
        flat,
        f"Keep electrodes {quantity(zone, 'm')} inside the ends, where 95 % arrives."
        if zone > 0.0
        else "",
        force,
        "Bands: 5 – 95 % over the moduli of film and sheet.",
        figure="transfer" if "against_length" in found else "",
    )


def wrapping(summary: Summary) -> Chapter | None:
    """Tell what laying the patch on a curved part does to R at rest."""
    wrap = (summary.get("layers") or {}).get("wrapping")
    if wrap is None or wrap["shift"] is None:
        return None
    shift, strain = wrap["shift"], wrap["strain"]
    bottom, top = (signed(strain[k]["value"], 1e6) for k in ("bottom", "top"))
    smallest = wrap["smallest_radius_m"]
    known = np.isfinite(number(smallest["value"]) or 0.0)
    return chapter(
        "wrapping",
        f"Laid on a radius of {quantity(wrap['radius_m'], 'm')}, R at rest shifts by "
        f"{with_error(shift['value'], wrap['shift_se'], 100.0)} %: take the zero after it",
        f"Faces of the film strain by {bottom} and {top} microstrain, "
        + (
            "beyond what was computed: extrapolated (dotted)."
            if wrap["outside_window"]
            else "inside what was computed."
        ),
        f"Down to {quantity(smallest['value'], 'm')} both stay inside the plan's window."
        if known
        else "",
        "Pale: 5 – 95 % from stiffness; copper: simulation error.",
        figure="wrapping",
    )


def across(summary: Summary) -> Chapter | None:
    """Tell what strain across the current and a patch laid askew read."""
    found = (summary.get("layers") or {}).get("transverse")
    if found is None:
        return None
    if found["note"]:
        return chapter("across", "No transverse sensitivity is known", f"{found['note']}.")
    along, aside, ratio = (
        with_error(found[key], found[f"{key}_se"])
        for key in ("gauge_factor_along", "gauge_factor_across", "transverse_sensitivity")
    )
    rows = [
        ("strain along the current alone", along),
        ("strain across alone", aside),
        ("uniaxial load on this part, from both", three(found["gauge_factor_bonded"])),
        ("equal strain both ways", three(found["gauge_factor_biaxial"])),
    ]
    askew = ""
    if found["misalignment_deg"]:
        askew = (
            f"A patch {three(found['misalignment_deg'])} deg askew reads "
            f"{signed(found['misalignment_error'], 100.0)} % (± "
            f"{two(100.0 * found['misalignment_error_se'])} %)."
        )
    return chapter(
        "across",
        f"The transverse sensitivity is {ratio}",
        f"Of {found['n_boxes']} boxes at {three(1e6 * found['strain'])} microstrain, each "
        "solved again with one strain and the other held; ± one standard error.",
        askew,
        table=table(("~strain", "#gauge factor"), rows),
    )


def stiffness(summary: Summary) -> Chapter | None:
    """Moduli of the layers, and where they come from."""
    found = (summary.get("layers") or {}).get("stiffness")
    if found is None:
        return None
    rows, told = [], ""
    for key in ("elastomer", "film", "sheet", "part"):
        row = found.get(key)
        if row is not None:
            rows.append(
                (
                    "elastomer, unfilled" if key == "elastomer" else key,
                    scaled(row.get("thickness_m"), 1e3),
                    mix(row.get("mix_ratio")),
                    quantity(row["value_Pa"], "Pa"),
                    span(row.get("low_Pa"), row.get("high_Pa"), "Pa"),
                    _basis(row, told),
                )
            )
            told = told or str(row["source"])
    heads = ("layer", "#thickness|mm", "#mix ratio", "#modulus", "95 % range", "~from")
    film = found["film"]
    return chapter(
        "stiffness",
        f"The film has a modulus of {quantity(film['value_Pa'], 'Pa')} "
        f"({span(film.get('low_Pa'), film.get('high_Pa'), 'Pa')})",
        "Laboratories differ by more than any one study; a modulus measured on your own "
        "layers narrows it most.",
        table=table(heads, rows),
    )


def _basis(row: Row, told: str) -> str:
    """Say where a modulus comes from, a source once."""
    source = str(row["source"]).replace(told, "as above") if told else str(row["source"])
    return f"{row['basis']}: {source}" if source else str(row["basis"])


def _drawn_band(axes: Any, x: Any, row: Row, factor: float, colour: str = MAIN) -> None:
    low, value, high = (factor * floats(row[k]) for k in ("p05", "value", "p95"))
    axes.fill_between(x, low, high, color=PALE, lw=0, zorder=2)
    axes.plot(x, value, "-", color=colour, lw=1.8, zorder=4)


def transfer_figure(run: Run) -> Figure:
    """Draw the strain along the film, and what mix ratio and length make of it."""
    layers = run.summary["layers"]
    transfer = layers["transfer"]
    gap, length = 1e3 * layers["read_length_m"], 1e3 * layers["film_length_m"]
    figure = new_figure(5.4)
    grid = figure.add_gridspec(2, 2, height_ratios=(1.15, 1))
    upper, left, right = (
        figure.add_subplot(grid[0, :]),
        figure.add_subplot(grid[1, 0]),
        figure.add_subplot(grid[1, 1]),
    )
    _drawn_band(upper, 1e3 * floats(transfer["profile"]["x_m"]), transfer["profile"], 100.0)
    upper.axvspan(-0.5 * gap, 0.5 * gap, color=WINDOW, lw=0, zorder=0)
    for side in (-0.5, 0.5):
        upper.axvline(side * gap, color=WINDOW_EDGE, lw=0.9, ls=(0, (5, 3)), zorder=1)
    upper.set_xlim(-0.5 * length, 0.5 * length)
    upper.set_xlabel("place along the film, mm from its middle")
    upper.set_ylabel("strain, % of the part's")

    rows = transfer["against_mix_ratio"]
    ratios = floats([r["mix_ratio"] for r in rows])
    columns = {k: [r[k] for r in rows] for k in ("value", "p05", "p95")}
    _drawn_band(left, ratios, columns, 100.0)
    tested = floats([r["mix_ratio"] for r in rows if r["tested"]])
    for start, end in ((ratios[0], tested.min()), (tested.max(), ratios[-1])):
        if end > start:
            left.axvspan(start, end, color=MUTED, alpha=0.18, lw=0, zorder=1)
    used = (layers["stiffness"].get("sheet") or {}).get("mix_ratio")
    left.axvline(used, color=COPPER, lw=1.3, zorder=3)
    left.set_xlim(ratios[0], ratios[-1])
    left.set_xlabel("mix ratio of the sheet, base : 1")
    left.set_ylabel("mean over the gap, %")

    by_length = transfer["against_length"]
    lengths = 1e3 * floats(by_length["length_m"])
    _drawn_band(right, lengths, by_length, 100.0)
    right.axvline(length, color=COPPER, lw=1.3, zorder=3)
    right.set_xscale("log")
    log_ticks(right.xaxis, (1.0, 2.0, 5.0))
    right.set_xlim(lengths[0], lengths[-1])
    right.set_xlabel("length of the film, mm")
    low = min(floats(columns["p05"]).min(), 0.98)
    left.set_ylim(100.0 * max(low - 0.1 * (1.0 - low), 0.0), 100.0 + 12.0 * (1.0 - low))
    upper.set_ylim(0.0, 105.0)
    right.set_ylim(0.0, 105.0)
    legend_above(
        figure,
        [
            line_handle(color=MAIN, lw=1.8, label="as planned"),
            area_handle(
                color=PALE, lw=0, label="5-95 % from the stiffness of film and sheet"
            ),
            area_handle(
                facecolor=WINDOW, edgecolor=WINDOW_EDGE, ls="--",
                label="between the electrodes",
            ),
            line_handle(color=COPPER, lw=1.3, label="this plan"),
            area_handle(color=MUTED, alpha=0.25, lw=0, label="mix ratio outside the data"),
        ],
        3,
    )  # fmt: skip
    return figure


def wrapping_figure(run: Run) -> Figure:
    """Draw the shift of R0 against the radius, and the strain through the film."""
    wrap = run.summary["layers"]["wrapping"]
    curve = wrap["against_radius"]
    radii = 1e3 * floats(curve["radius_m"])
    value, low, high = (100.0 * floats(curve[k]) for k in ("value", "p05", "p95"))
    error = 100.0 * floats(curve["standard_error"])
    outside = np.asarray(curve["outside_window"], dtype=bool)
    figure = new_figure(3.9)
    left, right = figure.subplots(1, 2, width_ratios=(1.75, 1))
    ends = np.concatenate([low, high, value - error, value + error])
    ends = ends[np.isfinite(ends)]
    # far outside the computed strains a curve may leave the plot, or nothing else is seen
    inner = np.concatenate([a[~outside] for a in (low, high, value - error, value + error)])
    inner = inner[np.isfinite(inner)]
    reach = inner if inner.size else ends
    span = max(float(reach.max() - reach.min()), 0.5)
    bottom = max(float(ends.min()), float(reach.min()) - span)
    top = min(float(ends.max()), float(reach.max()) + span)
    left.set_ylim(bottom - 0.06 * (top - bottom), top + 0.06 * (top - bottom))
    left.fill_between(radii, low, high, color=PALE, lw=0, zorder=2)
    finite = np.isfinite(error) & np.isfinite(value)
    left.fill_between(
        radii, value - error, value + error, where=finite, color=COPPER, alpha=0.3, lw=0,
        zorder=3,
    )  # fmt: skip
    left.plot(radii, np.where(outside, np.nan, value), "-", color=MAIN, lw=1.8, zorder=5)
    joint = outside | np.append(outside[1:], False) | np.insert(outside[:-1], 0, False)
    left.plot(radii, np.where(joint, value, np.nan), ":", color=MAIN, lw=1.8, zorder=4)
    here = 1e3 * wrap["radius_m"]
    left.axvline(here, color=INK, lw=1.0, ls=(0, (5, 3)), zorder=1)
    left.axhline(0.0, color=MUTED, lw=0.8, zorder=1)
    left.set_xscale("log")
    log_ticks(left.xaxis, (1.0, 2.0, 5.0))
    left.set_xlim(radii[0], radii[-1])
    left.set_xlabel("radius of the surface, mm")
    left.set_ylabel("shift of R0, %")

    through = wrap["through"]
    height = 1e6 * floats(through["height_m"])
    strain, less, more = (1e6 * floats(through[k]) for k in ("value", "p05", "p95"))
    right.fill_betweenx(height, less, more, color=PALE, lw=0, zorder=2)
    right.plot(strain, height, "-", color=MAIN, lw=1.8, zorder=4)
    right.axvline(0.0, color=MUTED, lw=0.8, zorder=1)
    known = [1e6 * x for x in wrap["window_computed"]]
    right.axvspan(*known, color=WINDOW, lw=0, zorder=0)
    right.set_xlabel(f"microstrain at {three(here)} mm")
    right.set_ylabel("height above the bonded face, um")
    right.tick_params(axis="x", labelrotation=30)
    legend_above(
        figure,
        [
            line_handle(color=MAIN, lw=1.8, label="as planned"),
            area_handle(color=PALE, lw=0, label="5-95 % from stiffness"),
            area_handle(color=COPPER, alpha=0.35, lw=0, label="simulation error"),
            line_handle(color=INK, lw=1.0, ls="--", label="this part"),
            area_handle(color=WINDOW, label="strains computed"),
            line_handle(color=MAIN, lw=1.8, ls=":", label="a face beyond them"),
        ],
        3,
    )  # fmt: skip
    return figure
