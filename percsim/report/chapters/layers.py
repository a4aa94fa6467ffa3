"""Film, sheet and part: stiffness, strain that arrives, wrapping, strain across."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.candidates import Row, Summary, deciding_index
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
from percsim.report.series import NothingToDrawError, Run, floats
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
from percsim.words import (
    band,
    mix,
    mm,
    number,
    percent,
    quantity,
    scaled,
    signed,
    span,
    three,
    two,
    weight,
    with_error,
)

__all__ = ["LAYERS"]

_BAND = (
    "5 to 95 % over what the moduli of film and sheet may be, each on its own within its"
    " factor"
)


def _is_best(layers: Row, row: Row) -> bool:
    return all(row[k] == layers[k] for k in ("weight_fraction", "electrode_gap_m"))


def _best(layers: Row) -> Row:
    return next(row for row in layers["candidates"] if _is_best(layers, row))


# ------------------------------------------------------------------ stiffness


def _stiffness_blocks(layers: Row) -> list[Block]:
    stiffness = layers["stiffness"]
    names = {"elastomer": "elastomer, unfilled", "film": "film", "sheet": "sheet"}
    rows = []
    for key in ("elastomer", "film", "sheet", "part"):
        row = stiffness.get(key)
        if row is None:
            continue
        low, high = row.get("low_Pa"), row.get("high_Pa")
        rows.append(
            (
                names.get(key, key),
                scaled(row.get("thickness_m"), 1e3),
                mix(row.get("mix_ratio")),
                quantity(row["value_Pa"], "Pa"),
                span(low, high, "Pa"),
                row["basis"] + (f": {row['source']}" if row["source"] else ""),
            )
        )
    blocks = [
        heading("Stiffness"),
        table_block(
            table(
                ("layer", "#thickness|mm", "#mix ratio", "#modulus", "95 % range",
                 "~from"),
                rows,
                caption="Laboratories differ by more than any one study; the range carries"
                " it. A modulus measured on your own layers narrows it most.",
            )
        ),
    ]  # fmt: skip
    if stiffness.get("stiffening"):
        blocks.append(
            table_block(
                table(
                    ("~what the filler adds", "#film over elastomer", "~good for",
                     "here"),
                    [
                        (s["model"], three(s["factor"]), s["limit"],
                         "within" if s["valid"] else "beyond")
                        for s in stiffness["stiffening"]
                    ],
                    marked=0,
                )
            )
        )  # fmt: skip
    poisson = stiffness["poisson_ratio"]
    softer = (1.0 + poisson["softest_from_bulk"]) / (1.0 + poisson["used"]) - 1.0
    blocks.append(
        paragraph(
            f"The Poisson ratio used is {poisson['used']:.4g}. These moduli and a bulk"
            f" modulus of {scaled(poisson['bulk_modulus_Pa'], 1e-9)} GPa would give"
            f" {poisson['film_from_bulk']:.4f} for the film and"
            f" {poisson['softest_from_bulk']:.4f} for the softest layer, whose shear"
            f" modulus would be {percent(abs(softer))} %"
            f" {'lower' if softer >= 0.0 else 'higher'}."
        )
    )
    return blocks


# ------------------------------------------------------------------ transfer


def _transfer_text(layers: Row) -> str:
    transfer = layers["transfer"]
    mean, zone = transfer["gap_mean"], number(transfer["end_zone_m"]) or 0.0
    text = (
        f"Between the electrodes the film takes {percent(mean['value'])} % of the strain of"
        f" the part (5-95 % from stiffness {band(mean, 'fraction')})."
    )
    if zone > 0.0:
        text += (
            f" Towards its ends it follows less: 95 % is reached {quantity(zone, 'm')}"
            " from an end, so keep the electrodes that far inside."
        )
    else:
        text += " It is bonded straight to the part, without a sheet to shear."
    if layers["control"] == "force":
        plateau = transfer["plateau"]
        text += (
            " The force on the part is given, and patch and part share it: far from the"
            f" ends {percent(plateau['value'])} % of the strain of the bare part remains"
            f" ({band(plateau, 'fraction')})."
        )
    else:
        text += (
            " The strain of the part is taken as given; a part so soft that the patch"
            " stiffens it needs control = 'force'."
        )
    return text


def _two_gauge_factors(layers: Row, best: Row) -> str:
    """Say which gauge factor counts, and which the same film has without the part."""
    if best["gauge_factor"] is None or number(best["gauge_factor_flat"]) is None:
        return ""
    return (
        " Of its two gauge factors the decision uses the one on the part, change of R over"
        f" the strain of the part, as the chord to {signed(layers['strain'], 1e6)}"
        f" microstrain: {with_error(best['gauge_factor'], best['gauge_factor_se'])} (±"
        " simulation). The other, of the same film laid flat and strained alike throughout,"
        f" is {three(best['gauge_factor_flat'])}, what a strip of it on a test rig shows;"
        " they differ by the strain that the sheet keeps back and by the faces that"
        " wrapping strains beforehand."
    )


def _computed_text(summary: Summary, best: Row) -> str:
    """Say from which strain of the part on its curves are extrapolated; empty if none."""
    chord = number(summary["layers"]["strain"]) or 0.0
    reach, window = number(best["computed_to"]), summary["window"]
    end = number(window["max"] if chord > 0.0 else window["min"])
    if reach is None or end is None or abs(reach) >= abs(end) or reach * chord < 0.0:
        return ""
    return (
        f" On the part all of the film is computed up to {signed(reach, 1e6)} microstrain;"
        " what curves show beyond goes on along the last step of its outermost slices."
    )


def _candidate_table(layers: Row) -> Block:
    rows, marked = [], None
    for k, row in enumerate(layers["candidates"]):
        if _is_best(layers, row):
            marked = k
        rows.append(
            (
                f"{weight(row['weight_fraction'])}",
                scaled(row["electrode_gap_m"], 1e3),
                percent(row["gap_mean_transfer"]),
                three(row["gauge_factor_flat"]),
                with_error(row["gauge_factor"], row["gauge_factor_se"])
                if row["gauge_factor"] is not None
                else "open",
                signed(row["zero_shift"], 100.0),
                scaled(row["resistance_ohm"], 1e-3)
                if row["resistance_ohm"] is not None
                else "open",
            )
        )
    return table_block(
        table(
            ("filler", "#gap|mm", "#strain that arrives|%", "#gauge factor, flat",
             "#gauge factor on the part", "#shift of R0|%", "#R0 on the part|kohm"),
            rows,
            marked,
            caption="Planned films; gauge factors are chords to"
            f" {signed(layers['strain'], 1e6)} microstrain, per strain of the part; ± is"
            " the simulation error. R0 is the median of the castings.",
        )
    )  # fmt: skip


# ------------------------------------------------------------------ wrapping


def _carried_on(wrap: Row) -> str:
    """Say that a shift rests on strains that were never computed."""
    if not wrap["outside_window"]:
        return ""
    low, high = (signed(x, 1e6) for x in wrap["window_computed"])
    return (
        f" That is extrapolated, only {low} to {high} microstrain were computed; every"
        " resistance on the part rests on it."
    )


def _wrapping_blocks(layers: Row) -> list[Block]:
    wrap = layers["wrapping"]
    strain, radius = wrap["strain"], wrap["radius_m"]
    middle, bottom, top = (strain[k]["value"] for k in ("middle", "bottom", "top"))
    how = {
        "before bonding": "wrapped and then glued, film and sheet bend about their own"
        " neutral axis",
        "after bonding": "glued flat and bent with the part, all bend about one neutral"
        " axis",
    }[wrap["bent"]]
    text = (
        f"On the {wrap['side']} surface of radius {quantity(radius, 'm')}, {how},"
        f" {scaled(wrap['neutral_axis_m']['value'], 1e6)} um above the bonded face"
        f" ({band(wrap['neutral_axis_m'], 'length')} from stiffness). The film strains by"
        f" {signed(bottom, 1e6)} at its lower face, {signed(middle, 1e6)} in the middle"
        f" and {signed(top, 1e6)} microstrain at its upper face; half the thickness over"
        " the radius, the rule for thin gauges on stiff carriers, would say"
        f" {signed(wrap['half_thickness_over_radius'], 1e6)}."
    )
    if wrap["shift"] is not None:
        shift = wrap["shift"]
        text += (
            f" The zero-strain resistance shifts by {signed(shift['value'], 100.0)} %"
            f" (simulation ± {two(100.0 * (number(wrap['shift_se']) or 0.0))} %; from"
            f" stiffness {signed(shift['p05'], 100.0)} to"
            f" {signed(shift['p95'], 100.0)} %): take the zero reading after wrapping."
            + _carried_on(wrap)
        )
    smallest = wrap["smallest_radius_m"]
    if math.isinf(number(smallest["value"]) or 0.0):
        text += (
            " No radius keeps both faces inside the strain window, which ends at zero on a"
            " side to which a face is bent."
        )
    else:
        text += (
            " Both faces stay inside the strain window down to a radius of"
            f" {quantity(smallest['value'], 'm')} ({band(smallest, 'm')} from"
            " stiffness)."
        )
    return [
        heading("Wrapping"),
        paragraph(text),
        picture("wrapping"),
        paragraph(
            "Slices of the film conduct side by side, each with the resistance of its own"
            " strain; bending strains nothing across, so that by K_t it counts"
            f" {three(wrap['bending_factor'])} times as much as strain of the part."
        ),
    ]


def _transverse_blocks(layers: Row) -> list[Block]:
    across = layers["transverse"]
    blocks = [heading("Strain across, and patches laid askew")]
    if across["note"]:
        return [*blocks, paragraph(f"No transverse sensitivity: {across['note']}.")]
    at = f"{three(1e6 * across['strain'])} microstrain"
    along, aside, ratio = (
        with_error(across[key], across[f"{key}_se"])
        for key in ("gauge_factor_along", "gauge_factor_across", "transverse_sensitivity")
    )
    blocks.append(
        paragraph(
            f"At {at} the gauge factor for strain along the current alone is {along}, for"
            f" strain across alone {aside} (pulled"
            f" {three(across['gauge_factor_pulled_across'])}, pressed"
            f" {three(across['gauge_factor_pressed_across'])}). The transverse sensitivity"
            f" K_t, the second over the first, is {ratio}; ± is its standard error from the"
            f" boxes. It comes from {across['n_boxes']} boxes of this loading, each solved"
            " again with one in-plane strain and the other held at zero, the thickness"
            " following from constant volume. It sets what bending counts for and what a"
            " patch askew and a second film laid across read; the film on the strained part"
            " is computed with both strains at once. Isotropic filler in a film of constant"
            " volume has K_t = 0 at small strain exactly, as the thickness gives what the"
            " width takes. In-plane filler and large strains move it; contacts still"
            " pressed shut cannot close, so that R then rises under a pull and a squeeze"
            " alike, whose mean K_t is."
        )
    )
    if not across["misalignment_deg"]:
        return blocks
    return [
        *blocks,
        paragraph(
            f"A patch {three(across['misalignment_deg'])} deg off a uniaxial load on a part"
            f" of Poisson ratio {three(across['part_poisson_ratio'])} reads"
            f" {signed(across['misalignment_error'], 100.0)} % beside one along it"
            f" (simulation ± {two(100.0 * across['misalignment_error_se'])} %). From K_t"
            " the gauge factor would be"
            f" {three(across['gauge_factor_bonded'])} on this part and"
            f" {three(across['gauge_factor_biaxial'])} under equal strain along and across."
        ),
    ]


def _blocks(summary: Summary) -> Sequence[Block]:
    layers = summary["layers"]
    _, is_chosen = deciding_index(summary)
    best = _best(layers)
    opening = (
        f"For the {'chosen' if is_chosen else 'nearest'} candidate,"
        f" {weight(layers['weight_fraction'])} at"
        f" {mm(layers['electrode_gap_m'])}. Every resistance and gauge factor"
        " of a film in this report is that on the part, per strain of the part, with the"
        " moduli at their best estimates; what their uncertainty moves is here."
    )
    opening += _two_gauge_factors(layers, best) + _computed_text(summary, best)
    blocks: list[Block] = [paragraph(opening), paragraph(_transfer_text(layers))]
    if "against_length" in layers["transfer"]:
        blocks.append(picture("strain_transfer"))
    if best["gauge_factor"] is not None:
        blocks.append(_candidate_table(layers))
    if "wrapping" in layers:
        blocks += _wrapping_blocks(layers)
    if "transverse" in layers:
        blocks += _transverse_blocks(layers)
    blocks += _stiffness_blocks(layers)
    blocks += [heading("Keep in mind"), bullets(layers["cautions"])]
    return blocks


def _lines(summary: Summary) -> list[str]:
    layers = summary["layers"]
    best, transfer = _best(layers), layers["transfer"]["gap_mean"]
    lines = [
        f"On the part: {percent(transfer['value'])} % of its strain reaches the film"
        f" between the electrodes ({band(transfer, 'fraction')} from stiffness)"
    ]
    if best["gauge_factor"] is not None:
        lines[0] += (
            f". The decision uses the gauge factor there, {three(best['gauge_factor'])} as"
            " planned, per strain of the part; the same film laid flat and strained alike"
            f" throughout has {three(best['gauge_factor_flat'])}"
        )
    lines[0] += "."
    across = layers.get("transverse")
    if across and not across["note"]:
        key = "transverse_sensitivity"
        lines.append(
            f"Transverse sensitivity K_t {with_error(across[key], across[f'{key}_se'])}"
            f" (standard error), from {across['n_boxes']} boxes strained across the current"
            " alone."
        )
    wrap = layers.get("wrapping")
    if wrap:
        strain = wrap["strain"]
        lines.append(
            f"Wrapped at {quantity(wrap['radius_m'], 'm')}: faces"
            f" {signed(strain['bottom']['value'], 1e6)} and"
            f" {signed(strain['top']['value'], 1e6)} microstrain"
            + (
                f", R0 shifts by {signed(wrap['shift']['value'], 100.0)} %"
                f" ({signed(wrap['shift']['p05'], 100.0)} to"
                f" {signed(wrap['shift']['p95'], 100.0)} % from stiffness)."
                + _carried_on(wrap)
                if wrap["shift"] is not None
                else "."
            )
        )
    return lines


# ------------------------------------------------------------------ figures


def _drawn_band(axes: Any, x: Any, row: Row, factor: float, colour: str = MAIN) -> None:
    low, value, high = (factor * floats(row[k]) for k in ("p05", "value", "p95"))
    axes.fill_between(x, low, high, color=PALE, lw=0, zorder=2)
    axes.plot(x, value, "-", color=colour, lw=1.8, zorder=4)


def transfer_figure(run: Run) -> Figure:
    """Draw the strain along the film, and what mix ratio and length make of it."""
    layers = run.summary["layers"]
    transfer = layers["transfer"]
    if "against_length" not in transfer:
        raise NothingToDrawError("there is no sheet between film and part")
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


def _caption_transfer(run: Run) -> str:
    return (
        "Strain of the film over that of the part: along the film (top), and its mean"
        " between the electrodes against the mix ratio of the sheet and the length of the"
        f" film. Bands hold {_BAND}."
    )


def wrapping_figure(run: Run) -> Figure:
    """Draw the shift of R0 against the radius, and the strain through the film."""
    wrap = run.summary["layers"].get("wrapping") or {}
    curve = wrap.get("against_radius")
    if not curve:
        raise NothingToDrawError("the film is open or not wrapped")
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


def _caption_wrapping(run: Run) -> str:
    return (
        "Left: shift of the zero-strain resistance when the patch is laid on a surface of"
        " that radius; dotted where a face of the film is strained beyond what was computed"
        " and the response is carried on straight. Right: strain through the film on this"
        f" part. Pale bands hold {_BAND}; the copper band is one simulation error each way."
    )


LAYERS = Chapter(
    "layers",
    "layers",
    "On the sheet and the part",
    "Layers",
    _blocks,
    {
        "strain_transfer": FigureEntry(transfer_figure, _caption_transfer),
        "wrapping": FigureEntry(wrapping_figure, _caption_wrapping),
    },
    _lines,
)
"""Film, sheet and part."""
