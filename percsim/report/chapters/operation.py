"""Chapter: the film in use. Linearity, window, self-heating, noise and vibration."""

from __future__ import annotations

import math
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
from percsim.report.series import Run, floats
from percsim.report.style import (
    COPPER,
    MAIN,
    MUTED,
    PALE,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    log_ticks,
    new_figure,
    plain_ticks,
)
from percsim.words import band, estimate, number, quantity, resistance, share, span, three

__all__ = ["OPERATION"]

HOT = 200.0
"""Where elastomers end [C]."""


def _band(row: Any, unit: str = "") -> str:
    return band(row, unit, "without bound")


_TURNS = (
    "As planned R turns within the window, so that two strains read alike and the "
    "full-scale output says little: use one side of the turn."
)

# ------------------------------------------------------------------------------------------
# Linearity and the usable window
# ------------------------------------------------------------------------------------------


def _linearity(found: Row) -> list[Block]:
    lines = found.get("linearity")
    if not lines:
        return []
    rows = [
        (
            what,
            line,
            estimate(row),
            _band(row),
        )
        for what, line, row in (
            ("R", "end-point line", lines.get("end_point_percent")),
            ("R", "best straight line", lines.get("best_line_percent")),
            ("voltage read", "end-point line", lines.get("voltage_end_point_percent")),
            ("voltage read", "best straight line", lines.get("voltage_best_line_percent")),
        )
        if row
    ]
    rows += [
        (name, "–", str(lines.get(key)), "–")
        for name, key in (
            ("hysteresis", "hysteresis_percent"),
            ("creep", "creep_percent"),
            ("first-cycle shift", "first_cycle_shift_percent"),
        )
    ]
    return [
        heading("Linearity"),
        picture("linearity"),
        table_block(
            table(
                (
                    "output",
                    "line",
                    "#nonlinearity|% of full scale ± simulation error",
                    "#castings|5 to 95 %",
                ),
                rows,
            )
        ),
        paragraph(
            "Nonlinearity is the largest deviation from the line named, at the strains "
            "computed, in per cent of the full-scale output, the difference between the "
            "ends of the strain window. Hysteresis (loading against unloading at equal "
            "strain), creep (at constant strain) and the shift of the first cycles are not "
            "modelled: the law has no memory, and none of them is zero in a real film."
            + (f" {_TURNS}" if lines.get("turns") else "")
        ),
    ]


def _window(found: Row) -> list[Block]:
    window = found.get("window")
    if not window:
        return []
    n, lost = int(window.get("castings") or 0), int(window.get("open_at_rest") or 0)
    who = (
        "every casting" if not lost else f"every one of the {n - lost} that conduct at rest"
    )
    parts = []
    for key, where in (("room", "at 20 C"), ("every_temperature", "at every temperature")):
        ends = window.get(key)
        if ends is None:
            parts.append(f"{where} some castings open even without strain")
        else:
            parts.append(f"{span(ends['min'], ends['max'], 'strain')} {where}")
    text = f"Usable strain window: {who} of {n} drawn conducts from " if not lost else ""
    text = text or f"Usable strain window: of {n} castings drawn, {who} does so from "
    shares = floats(window.get("conducting_share"))
    least = float(np.min(shares)) if len(shares) else math.nan
    tail = (
        " That is the whole window computed; where it ends is not known."
        if math.isclose(least, shares[_rest(window)] if len(shares) else math.nan)
        else f" At the worst strain {share(least)} % of all castings conduct."
    )
    return [paragraph(text + "; ".join(parts) + "." + tail)]


def _rest(window: Row) -> int:
    strains = [number(e) for e in window.get("strain") or []]
    return strains.index(0.0) if 0.0 in strains else 0


# ------------------------------------------------------------------------------------------
# Supply: heat and noise
# ------------------------------------------------------------------------------------------


def _heating(summary: Summary, found: Row) -> list[Block]:
    heat = found.get("heating")
    if not heat:
        return []
    out = [
        heading("Operating point and self-heating"),
        paragraph(_operating_point(found, heat)),
        picture("self_heating"),
        _heat_table(heat),
        paragraph(
            "On the sheet all heat goes through film and sheet into the part, a perfect "
            "sink; in still air it leaves by one face alone. A film in use does both and "
            "stays below either. The loop gain is how much the power moves with its own "
            "warming: from 1 on there is no steady temperature. The drift is what the "
            "warming reads as, and has the unpredicted sign of the temperature coefficient."
        ),
    ]
    if not heat.get("coefficient_known"):
        out.append(
            paragraph(
                "The plan has one temperature, so R is taken as constant while the film "
                "warms and the drift is not known; add temperatures to see it."
            )
        )
    power = number(heat.get("film_power_W")) or 0.0
    if power > (number(heat.get("test_power_W")) or math.inf):
        out.append(
            paragraph(
                f"More than {three(heat['test_power_W'])} W: too much for a measurement of "
                "resistivity (ISO 1853, method 2)."
            )
        )
    contacts = found.get("contacts")
    if contacts:
        out.append(
            paragraph(
                "The busiest contact of a box at the film's field takes "
                f"{quantity(contacts['mean_W'], 'W')} on average and "
                f"{quantity(contacts['largest_W'], 'W')} in the worst of "
                f"{contacts['n_boxes']} boxes; a film holds many boxes, and its worst "
                "contact takes more."
            )
        )
    if found.get("warnings"):
        out.append(bullets(found["warnings"]))
    return out


def _operating_point(found: Row, heat: Row) -> str:
    """Say what the film carries and makes at the supply, beside what is common practice."""
    series = number(found.get("series_ohm")) or 0.0
    through = {
        "half bridge": "over an equal, unstrained film in a half bridge",
        "quarter bridge": f"in a quarter bridge, with {resistance(series)} in its arm",
    }.get(
        str(found.get("circuit")),
        f"in series with {resistance(series)}" if series else "straight at the supply",
    )
    low, high = heat["gauge_practice_W_per_m2"]
    density = number(heat.get("power_density_W_per_m2")) or 0.0
    against = "below" if density < low else "above" if density > high else "within"
    return (
        f"At {quantity(found.get('supply_V'), 'V')} {through} the film of "
        f"{resistance(found.get('resistance_ohm'))} carries "
        f"{quantity(heat.get('current_A'), 'A')} and makes "
        f"{quantity(heat.get('film_power_W'), 'W')} (castings, 5 to 95 %: "
        f"{_band(heat.get('film_power_W_band'), 'W')}), {three(density)} W/m2 of its area. "
        f"That is {against} the {span(low, high, 'W/m2')} that strain-gauge practice "
        "allows on poor heat sinks (unfilled plastics for high accuracy to filled ones; "
        "maker's notes, from memory)."
    )


def _heat_table(heat: Row) -> Block:
    names = {"on_sheet": "on its sheet and part", "in_still_air": "in still air"}
    rows = [
        (
            name,
            three(heat[key].get("rise_K"), "none, runs away"),
            _band(heat[key].get("cold_rise_K_band")),
            three(heat[key].get("hottest_rise_K"), "–"),
            three(heat[key].get("loop_gain")),
            three(heat[key].get("drift_microstrain"), "without bound"),
            _band(heat[key].get("drift_microstrain_prior")),
        )
        for key, name in names.items()
    ]
    heads = (
        "~heat leaves", "#rise|K, mean of the film", "#castings, cold power|K, 5 to 95 %",
        "#hottest face|K", "#loop gain|", "#drift|microstrain",
        "#unmeasured parameters|5 to 95 %",
    )  # fmt: skip
    return table_block(table(heads, rows))


def _noise(found: Row) -> list[Block]:
    noise = found.get("noise")
    if not noise:
        return []
    signal = noise.get("signal_uV_per_microstrain") or {}
    flicker = noise.get("flicker_V")
    rows = [
        ("Johnson noise of the resistors", quantity(noise.get("johnson_V"), "V")),
        (
            "1/f noise of the film",
            "not stated" if flicker is None else quantity(flicker, "V"),
        ),
        ("instrument", quantity(noise.get("instrument_V"), "V")),
        ("all together", quantity(noise.get("total_V"), "V")),
    ]
    per = estimate(signal)
    return [
        heading("Signal and noise"),
        table_block(table(("~source", "#one standard deviation"), rows)),
        paragraph(
            f"The film reads {per} uV per microstrain (by the chord ± simulation "
            f"error; castings, 5 to 95 %: {_band(signal)}). Noise in "
            f"{three(noise.get('bandwidth_Hz'))} Hz is then "
            f"{three(noise.get('noise_microstrain'))} microstrain, one standard deviation, "
            "and the smallest strain told from it "
            f"{three(noise.get('smallest_strain_microstrain'))} microstrain, "
            f"{three(noise.get('times_the_noise'))} times that (common practice, no "
            f"source){_left_out(noise)}. Drift with temperature and time is another matter "
            "and mostly larger."
        ),
    ]


def _left_out(noise: Row) -> str:
    """Say which noise the plan does not state; a film or instrument without any is none."""
    missing = []
    if noise.get("flicker_V") is None:
        missing.append("the film's 1/f noise (flicker_noise)")
    if not number(noise.get("instrument_V")):
        missing.append("the instrument's (instrument_noise)")
    if not missing:
        return ""
    return (
        f"; a lower bound, without {' and '.join(missing)}, which [supply] does not state"
    )


# ------------------------------------------------------------------------------------------
# Vibration
# ------------------------------------------------------------------------------------------


def _vibration(found: Row) -> list[Block]:
    cycle = found.get("vibration")
    if not cycle:
        return []
    what = (
        f"{three(cycle.get('amplitude_microstrain'))} microstrain either way of "
        f"{three(cycle.get('mean_microstrain'))} microstrain"
    )
    if "refused" in cycle:
        return [heading("Vibration"), paragraph(f"{what}: {cycle['refused']}.")]
    shift = cycle["mean_shift_percent"]
    rows = [
        (name, estimate(row), _band(row))
        for name, row in (
            ("alternating part, amplitude", cycle["alternating_percent"]),
            ("at twice the frequency", cycle["second_harmonic_percent"]),
            ("shift of the mean", shift),
        )
    ]
    curvature = number(cycle.get("curvature_shift_percent"))
    if curvature is None:
        branch = (
            "The cycle crosses a turn or a kink of the curve, so that R'' a²/4 does not "
            "hold and is not used; the numbers are integrals over the cycle."
        )
    else:
        branch = (
            "The cycle stays on one branch of the curve; R'' a²/4 there gives "
            f"{three(curvature)} % for the shift, beside the integral over the cycle."
        )
    return [
        heading("Vibration"),
        picture("vibration"),
        table_block(
            table(
                (
                    "~of R at the mean strain",
                    "#%|as planned ± simulation error",
                    "#castings|5 to 95 %",
                ),
                rows,
            )
        ),
        paragraph(
            f"{what.capitalize()}. {branch} A reader that averages sees the shift as "
            f"{three(cycle.get('mean_shift_microstrain'))} microstrain."
        ),
        paragraph(
            "The law answers strain at once and forgets it. It gives the shift that the "
            "bend of the curve makes while the part vibrates, and none that stays when it "
            "stops, grows with the number of cycles, or depends on frequency, as softening "
            "in the first cycles, relaxation, heating or wear of contacts would; a "
            "measured shift much larger than this one is of that kind."
        ),
    ]


def _blocks(summary: Summary) -> Sequence[Block]:
    found = summary["operation"]
    if found.get("open"):
        return [paragraph("The film is open; there is nothing to read.")]
    return [
        *_linearity(found),
        *_window(found),
        *_heating(summary, found),
        *_noise(found),
        *_vibration(found),
    ]


def _lines(summary: Summary) -> Sequence[str]:
    found = summary["operation"]
    out = []
    lines = found.get("linearity")
    if lines:
        out.append(
            "Nonlinearity "
            f"{three(lines['end_point_percent']['value'])} % of full scale from the "
            f"end-point line, {three(lines['best_line_percent']['value'])} % from the best "
            "straight line; hysteresis and creep are not modelled."
            + (f" {_TURNS}" if lines.get("turns") else "")
        )
    heat = found.get("heating")
    if heat:
        out.append(
            f"Self-heating {three(heat['on_sheet']['rise_K'], 'without bound')} K on its "
            f"sheet, {three(heat['in_still_air']['rise_K'], 'without bound')} K in still "
            "air."
        )
        out += [str(word) for word in found.get("warnings") or []]
    noise = found.get("noise")
    if noise:
        out.append(
            "Smallest strain told from noise "
            f"{three(noise['smallest_strain_microstrain'])} microstrain in "
            f"{three(noise['bandwidth_Hz'])} Hz{_left_out(noise)}."
        )
    cycle = found.get("vibration")
    if cycle and "refused" not in cycle:
        out.append(
            "Vibration shifts the mean of R by "
            f"{three(cycle['mean_shift_percent']['value'])} %."
        )
    return out


# ------------------------------------------------------------------------------------------
# Figures
# ------------------------------------------------------------------------------------------


def _linearity_figure(run: Run) -> Figure | None:
    """Draw R over the strain window, and its deviation from both lines."""
    lines = (run.summary.get("operation") or {}).get("linearity")
    if not lines:
        return None
    from percsim.film.curves import best_line, end_point_line

    x, y = floats(lines["strain"]), floats(lines["ratio"])
    error = floats(lines["ratio_standard_error"])
    if not np.isfinite(y).all():
        return None
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
        apart, band = 100.0 * (y - line) / scale, 100.0 * error / scale
        right.fill_between(
            micro, apart - band, apart + band, color=colour, alpha=0.12, lw=0
        )
        right.plot(micro, apart, style, color=colour, lw=1.4, marker="o", ms=3.5)
    right.axhline(0.0, color=MUTED, lw=0.8)
    for axes in (left, right):
        _strain_axis(axes)
    left.set_ylabel("resistance over that at rest")
    right.set_ylabel("deviation, % of full scale")
    legend_above(figure, left.get_legend_handles_labels()[0], 3)
    return figure


def _linearity_caption(run: Run) -> str:
    return (
        f"R at 20 C of {candidate_label(run.reference[0])} as planned, with the line "
        "through both ends of the strain window and the best straight line; right, how far "
        "it lies from each. Bands are one simulation error each way of R against R at rest."
    )


def _heating_figure(run: Run) -> Figure | None:
    """Draw rise and drift against the supply, on the sheet and in still air."""
    found = run.summary.get("operation") or {}
    heat = found.get("heating")
    if not heat or not heat.get("coefficient_known"):
        return None
    supply = float(found["supply_V"])
    volts = np.geomspace(0.2 * supply, 5.0 * supply, 81)
    squared = (volts / supply) ** 2
    figure = new_figure(3.8)
    left, right = figure.subplots(1, 2)
    coefficient = number(heat.get("coefficient_per_K")) or 0.0
    factor = number(found.get("gauge_factor")) or math.inf
    prior = heat.get("prior_coefficient_per_K") or {}
    ends = [number(prior.get(end)) for end in ("p05", "p95")]
    handles: list[Any] = []
    bands: list[tuple[str, Any, Any]] = []
    for key, colour, name in (
        ("on_sheet", COPPER, "on its sheet and part"),
        ("in_still_air", MAIN, "in still air, one face"),
    ):
        row = heat[key]
        cold, gain = float(row["cold_rise_K"]), float(row["loop_gain"])
        slope = gain / coefficient if coefficient else 0.0

        def rise(a: float, cold: float = cold, slope: float = slope) -> Any:
            loop = slope * a * squared
            return np.where(
                loop < 1.0, cold * squared / np.where(loop < 1.0, 1 - loop, 1), np.inf
            )

        band = row.get("cold_rise_K_band") or {}
        low, high = (number(band.get(end)) or cold for end in ("p05", "p95"))
        curve = rise(coefficient)
        drawn = np.isfinite(curve)
        left.fill_between(
            volts[drawn], (curve * low / cold)[drawn], (curve * high / cold)[drawn],
            color=colour, alpha=0.2, lw=0,
        )  # fmt: skip
        left.plot(volts[drawn], curve[drawn], color=colour, lw=1.8)
        handles.append(line_handle(color=colour, lw=1.8, label=name))
        drift = 1e6 * curve * coefficient / factor
        right.plot(volts[drawn], drift[drawn], color=colour, lw=1.8)
        if None not in ends:
            edges = [
                1e6 * rise(a) * a / factor
                if math.isfinite(a)
                else np.full(volts.shape, math.copysign(math.inf, a))
                for a in ends
                if a is not None
            ]
            bands.append((colour, edges[0], edges[1]))
    limit = HOT - 20.0
    left.axhline(limit, color=MUTED, lw=1.0, ls="--")
    for axes in (left, right):
        axes.axvline(supply, color=MUTED, lw=0.9, ls=":")
        axes.set_xscale("log")
        log_ticks(axes.xaxis)
        axes.set_xticks([supply * k for k in (0.2, 0.5, 1.0, 2.0, 5.0)])
        axes.set_xlabel("supply, V")
    left.set_yscale("log")
    plain_ticks(left.yaxis)
    left.set_ylabel("rise of the film, K")
    _fill_drifts(right, volts, bands)
    right.set_yscale(_drift_scale(right))
    plain_ticks(right.yaxis)
    right.set_ylabel("drift, microstrain")
    right.axhline(0.0, color=MUTED, lw=0.8)
    handles.append(line_handle(color=MUTED, lw=0.9, ls=":", label="supply of the plan"))
    handles.append(
        line_handle(color=MUTED, lw=1.0, ls="--", label="200 C, end of elastomers")
    )
    handles.append(area_handle(color=PALE, lw=0, label="5-95 %, of what: see caption"))
    legend_above(figure, handles, 3)
    return figure


def _strain_axis(axes: Any) -> None:
    """Label an axis of strain, with so few numbers that none meets the next."""
    from matplotlib.ticker import MaxNLocator

    axes.xaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.set_xlabel("strain, microstrain")


def _fill_drifts(axes: Any, volts: Any, bands: Sequence[tuple[str, Any, Any]]) -> None:
    """Fill between drifts; an edge without bound lies ten times beyond all else drawn."""
    drawn = [np.abs(line.get_ydata()) for line in axes.get_lines()]
    drawn += [np.abs(edge[np.isfinite(edge)]) for _, *edges in bands for edge in edges]
    far = 10.0 * max((float(d.max()) for d in drawn if len(d)), default=1.0)
    for colour, *edges in bands:
        low, high = (np.clip(edge, -far, far) for edge in edges)
        axes.fill_between(volts, low, high, color=colour, alpha=0.18, lw=0)


def _drift_scale(axes: Any) -> str:
    """Logarithmic where everything drawn has one sign above zero, else linear near zero."""
    low, _ = axes.dataLim.intervaly
    return "log" if low > 0.0 else "symlog"


def _heating_caption(run: Run) -> str:
    heat = (run.summary.get("operation") or {}).get("heating") or {}
    return (
        "Left: steady rise of the film's mean temperature above 20 C; bands hold 5 to 95 % "
        "of castings by the power they make. Right: the drift it reads as; bands hold 5 to "
        "95 % of temperature coefficients over what nobody measured: "
        f"{heat.get('prior_contains', 'nothing')}. "
        "Bands without bound end at the edge; curves end where the power grows without end."
    )


def _vibration_figure(run: Run) -> Figure | None:
    """Draw the curve, the stretch a cycle passes, and R over the cycle."""
    found = run.summary.get("operation") or {}
    cycle, lines = found.get("vibration"), found.get("linearity")
    if not cycle or "refused" in cycle or not lines:
        return None
    from percsim.film.curves import vibrate

    x, y = floats(lines["strain"]), floats(lines["ratio"])
    error = floats(lines["ratio_standard_error"])
    error = np.where(np.isfinite(error), error, 0.0)
    if not np.isfinite(y).all():
        return None
    mean = 1e-6 * float(cycle["mean_microstrain"])
    amplitude = 1e-6 * float(cycle["amplitude_microstrain"])
    figure = new_figure(3.4)
    left, right = figure.subplots(1, 2, width_ratios=(1, 1.2))
    left.fill_between(1e6 * x, y - error, y + error, color=COPPER, alpha=0.25, lw=0)
    left.plot(1e6 * x, y, "o-", color=COPPER, lw=1.8, ms=4)
    left.axvspan(1e6 * (mean - amplitude), 1e6 * (mean + amplitude), color=PALE, alpha=0.6,
                 lw=0, zorder=0)  # fmt: skip
    _strain_axis(left)
    left.set_ylabel("resistance over that at rest")
    # the cycle as in the numbers, at a fraction of its points
    phase = np.linspace(0.0, 2.0, 161)
    strain = mean + amplitude * np.sin(2.0 * np.pi * phase)
    at = np.array(
        [vibrate(x, y, float(e), 0.0).at_mean for e in np.clip(strain, x[0], x[-1])]
    )
    base = float(vibrate(x, y, mean, 0.0).at_mean)
    change = 100.0 * (at / base - 1.0)
    right.plot(phase, change, color=COPPER, lw=1.8, label="R over the cycle")
    shift = cycle["mean_shift_percent"]
    value, spread = float(shift["value"]), number(shift.get("standard_error")) or 0.0
    if math.isfinite(spread):
        right.axhspan(value - spread, value + spread, color=MAIN, alpha=0.2, lw=0)
    right.axhline(value, color=MAIN, lw=1.4, ls="--", label="its mean")
    right.axhline(0.0, color=MUTED, lw=0.8)
    right.set_xlabel("cycles")
    right.set_ylabel("change of R, %")
    legend_above(figure, right.get_legend_handles_labels()[0], 3)
    return figure


def _vibration_caption(run: Run) -> str:
    return (
        f"Left: R against strain of {candidate_label(run.reference[0])} as planned, with "
        "its simulation error, and the stretch that a cycle passes. Right: R over two "
        "cycles against R at the mean strain, and the mean over a cycle with its "
        "simulation error."
    )


OPERATION = Chapter(
    "operation",
    "operation",
    "The film in use",
    "In use",
    _blocks,
    {
        "linearity": FigureEntry(_linearity_figure, _linearity_caption),
        "self_heating": FigureEntry(_heating_figure, _heating_caption),
        "vibration": FigureEntry(_vibration_figure, _vibration_caption),
    },
    _lines,
)
