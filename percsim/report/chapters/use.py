"""The film in use: linearity, supply, self-heating, noise and vibration."""

from __future__ import annotations

import numpy as np

from percsim.quantities import (
    band,
    estimate,
    number,
    quantity,
    resistance,
    scaled,
    share,
    span,
    three,
    weight,
)
from percsim.report.candidates import (
    Row,
    Summary,
    candidate_label,
    deciding_index,
    of_mix,
    of_one_mix,
)
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import Run, floats
from percsim.report.style import (
    COPPER,
    MAIN,
    MUTED,
    Figure,
    legend_above,
    new_figure,
    strain_axis,
)

__all__ = ["heating", "linearity", "linearity_figure", "noise", "readout", "vibration"]


def _band(row: Row, unit: str = "") -> str:
    return band(row, unit, "without bound")


def linearity(summary: Summary) -> Chapter | None:
    """R over the strain window, and how straight it is."""
    found = summary.get("operation") or {}
    lines = found.get("linearity")
    if not lines or not np.isfinite(floats(lines["ratio"])).all():
        return None
    low, high = lines["strain"][0], lines["strain"][-1]
    return chapter(
        "linearity",
        f"R changes by {three(100.0 * (number(lines['full_scale_ratio']) or 0.0))} % over "
        f"{span(low, high, 'strain')}, {estimate(lines['best_line_percent'])} % of full "
        "scale off a straight line",
        f"Film as planned at 20 C; from the end-point line "
        f"{estimate(lines['end_point_percent'])} %. Bands: simulation error.",
        _conducts(found["window"]),
        "R turns within the window: two strains read alike, use one side."
        if lines["turns"]
        else "",
        figure="linearity",
    )


def _conducts(window: Row) -> str:
    """Say up to which strain castings conduct."""
    n, lost = int(window["castings"]), int(window["open_at_rest"])
    ends, shares = window["room"], floats(window["conducting_share"])
    if ends is None:
        return f"Of {n} castings {lost} are open at rest."
    who = f"All {n} castings conduct" if not lost else f"{lost} of {n} castings are open"
    whole = np.ptp(shares) == 0.0
    if whole:
        return f"{who} throughout."
    return (
        f"{who}, the rest over {span(ends['min'], ends['max'], 'strain')}; at the worst "
        f"strain {share(float(shares.min()))} % conduct."
        if lost
        else f"{who} over {span(ends['min'], ends['max'], 'strain')}; at the worst strain "
        f"{share(float(shares.min()))} %."
    )


def readout(summary: Summary) -> Chapter | None:
    """Voltage, current and power of the films of the deciding loading."""
    whole, summary = summary, of_one_mix(summary)
    index, _ = deciding_index(summary)
    if index is None:
        return None
    best = summary["candidates"][index]
    here = [
        c
        for c in summary["candidates"]
        if c.get("readout") and c["weight_fraction"] == best["weight_fraction"]
    ]
    if not here or three(best["resistance_ohm"]["median"]) == "open":
        return None
    own, series = best["readout"], number(best["readout"]["series_ohm"])
    keys = ("voltage_V", "current_mA", "power_mW", "mV_per_1000_microstrain")
    rows = [
        (
            scaled(c["electrode_gap_m"], 1e3),
            scaled(c["sheet_resistance_ohm"], 1e-3),
            *(three(c["readout"][key]) for key in keys),
        )
        for c in here
    ]
    through = f" through {resistance(series)}" if series else ""
    return chapter(
        "readout",
        f"At {quantity(own['supply_V'], 'V')}{through} the film of {candidate_label(best)} "
        f"takes {three(own['current_mA'])} mA, {three(own['power_mW'])} mW, and gives "
        f"{three(own['mV_per_1000_microstrain'])} mV at 1000 microstrain",
        f"Median castings of {weight(best['weight_fraction'])} at rest and 20 C.",
        of_mix(whole, best),
        table=table(
            (
                "#gap|mm", "#sheet resistance|kohm/square", "#across film|V",
                "#current|mA", "#in film|mW", "#signal|mV at 1000 microstrain",
            ),
            rows,
            here.index(best),
        ),
    )  # fmt: skip


def heating(summary: Summary) -> Chapter | None:
    """How far the supply warms the film, and what that reads as."""
    found = summary.get("operation") or {}
    heat = found.get("heating")
    if not heat:
        return None
    low, high = heat["gauge_practice_W_per_m2"]
    density = number(heat["power_density_W_per_m2"]) or 0.0
    against = "below" if density < low else "above" if density > high else "within"
    rows = [
        (
            name,
            three(heat[key]["rise_K"], "runs away"),
            _band(heat[key]["cold_rise_K_band"]),
            three(heat[key]["loop_gain"]),
            three(heat[key].get("drift_microstrain"), "without bound"),
            _band(heat[key].get("drift_microstrain_prior") or {}),
        )
        for key, name in (("on_sheet", "on sheet and part"), ("in_still_air", "still air"))
    ]
    warm, air = (
        three(heat[k]["rise_K"], "without bound") for k in ("on_sheet", "in_still_air")
    )
    heads = (
        "~heat leaves", "#rise|K", "#castings|K, 5 – 95 %", "#loop gain|",
        "#drift|microstrain", "#unmeasured parameters|5 – 95 %",
    )  # fmt: skip
    return chapter(
        "heating",
        f"The supply warms the film by {warm} K on its part, {air} K in still air",
        f"{three(0.1 * density)} mW/cm2, {against} the {three(0.1 * low)} to "
        f"{three(0.1 * high)} of strain-gauge practice on poor heat sinks (maker's notes, "
        "from memory). From a loop gain of 1 on no temperature is steady.",
        *found.get("warnings") or [],
        "" if heat["coefficient_known"] else "One temperature alone tells no drift.",
        table=table(heads, rows),
    )


def noise(summary: Summary) -> Chapter | None:
    """Tell the smallest strain told from noise."""
    found = (summary.get("operation") or {}).get("noise")
    if not found:
        return None
    flicker = found["flicker_V"]
    rows = [
        ("Johnson noise of the resistors", quantity(found["johnson_V"], "V")),
        (
            "1/f noise of the film",
            "not stated" if flicker is None else quantity(flicker, "V"),
        ),
        (
            "instrument",
            quantity(found["instrument_V"], "V")
            if number(found["instrument_V"])
            else "not stated",
        ),
        ("all together", quantity(found["total_V"], "V")),
    ]
    lacks = any(value == "not stated" for _, value in rows)
    return chapter(
        "noise",
        f"The smallest strain told from noise is {'at least ' if lacks else ''}"
        f"{three(found['smallest_strain_microstrain'])} microstrain in "
        f"{three(found['bandwidth_Hz'])} Hz",
        f"The film gives {estimate(found['signal_uV_per_microstrain'])} uV per "
        f"microstrain over its chord; told is {three(found['times_the_noise'])} times the "
        "noise (common practice, no source). Drift is mostly larger.",
        table=table(("~source", "#one standard deviation"), rows),
    )


def vibration(summary: Summary) -> Chapter | None:
    """Tell what vibration makes of the mean of R."""
    cycle = (summary.get("operation") or {}).get("vibration")
    if not cycle:
        return None
    what = (
        f"{three(cycle['amplitude_microstrain'])} microstrain either way of "
        f"{three(cycle['mean_microstrain'])}"
    )
    if "refused" in cycle:
        return chapter(
            "vibration", f"Vibration of {what} is not worked out", cycle["refused"]
        )
    shift = cycle["mean_shift_percent"]
    rows = [
        (name, estimate(row), _band(row))
        for name, row in (
            ("amplitude", cycle["alternating_percent"]),
            ("at twice the frequency", cycle["second_harmonic_percent"]),
            ("shift of the mean", shift),
        )
    ]
    return chapter(
        "vibration",
        f"Vibration of {what} shifts the mean of R by {estimate(shift)} %",
        "Per cent of R at the mean strain, ± simulation error, by contacts that forget "
        "strain at once; what pulls leave stands under zero and loops.",
        table=table(
            ("~of R at the mean strain", "#as planned|%", "#castings|5 – 95 %"), rows
        ),
    )


def linearity_figure(run: Run) -> Figure:
    """Draw R over the strain window, and its deviation from both lines."""
    from percsim.film.curves import best_line, end_point_line

    lines = run.summary["operation"]["linearity"]
    x, y = floats(lines["strain"]), floats(lines["ratio"])
    error = floats(lines["ratio_standard_error"])
    error = np.where(np.isfinite(error), error, 0.0)
    figure = new_figure(3.6)
    left, right = figure.subplots(1, 2)
    micro, scale = 1e6 * x, abs(y[-1] - y[0]) or 1.0
    left.fill_between(micro, y - error, y + error, color=COPPER, alpha=0.25, lw=0)
    left.plot(micro, y, "o-", color=COPPER, lw=1.8, ms=4, label="film as planned")
    for (slope, offset), name, style, colour in (
        (end_point_line(x, y), "end-point line", "--", MAIN),
        (best_line(x, y), "best straight line", "-.", MUTED),
    ):
        line = slope * x + offset
        left.plot(micro, line, style, color=colour, lw=1.2, label=name)
        apart, off = 100.0 * (y - line) / scale, 100.0 * error / scale
        right.fill_between(micro, apart - off, apart + off, color=colour, alpha=0.12, lw=0)
        right.plot(micro, apart, style, color=colour, lw=1.4, marker="o", ms=3.5)
    right.axhline(0.0, color=MUTED, lw=0.8)
    for axes in (left, right):
        strain_axis(axes)
    left.set_ylabel("resistance over that at rest")
    right.set_ylabel("deviation, % of full scale")
    legend_above(figure, left.get_legend_handles_labels()[0], 3)
    return figure
