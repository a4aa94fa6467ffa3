"""Chapter: R against temperature, thermal output, and what a second film tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.report.candidates import Row, Summary, candidate_label, is_tunnelling
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
from percsim.report.series import Run, curves, error_range, floats
from percsim.report.style import (
    COPPER,
    MUTED,
    PALE,
    Figure,
    area_handle,
    legend_above,
    line_handle,
    new_figure,
    open_marks,
    ramp_colours,
    y_range,
)
from percsim.words import (
    celsius,
    estimate,
    number,
    percent,
    share,
    span,
    three,
    two,
    with_error,
)

__all__ = ["TEMPERATURE"]


def _range(row: Row, prefix: str, unit: str = "") -> str:
    """5 to 95 % as text, an en dash where the band was not worked out."""
    low, high = (row.get(f"{prefix}_{end}") for end in ("p05", "p95"))
    return span(low, high, unit, infinite="without bound")


def _sign(found: Row) -> str:
    """Say what the sign of the coefficient rests on, every time."""
    if found.get("sign_rests_on_measurement"):
        return (
            "lambda_T and Ea are entered as measured, so the sign of the temperature "
            "coefficient rests on that measurement."
        )
    prior = found.get("prior")
    if not prior:
        return (
            "The sign of the temperature coefficient is not predicted: it needs a measured "
            "R(T) of this powder in this elastomer."
        )
    positive = number(prior.get("positive_share"))
    odds = (
        ""
        if positive is None
        else f"; R rises at 20 C in {share(positive)} % of the draws whose film conducts"
    )
    return (
        "The sign of the temperature coefficient is not predicted: lambda_T, how much of "
        "the thermal mismatch reaches the contacts, and Ea act against each other and "
        f"nobody has measured them here{odds}. One R(T) measured on one film of this "
        "recipe settles it."
    )


def _numbers(found: Row) -> Block:
    rows = []
    for key, name, unit in (
        ("coefficient_ppm_per_K", "temperature coefficient at 20 C", "ppm/K"),
        ("thermal_output_microstrain_per_K", "thermal output at 20 C", "microstrain/K"),
    ):
        row = found.get(key) or {}
        rows.append(
            (
                name,
                unit,
                estimate(row),
                _range(row, "castings"),
                _range(row, "prior"),
            )
        )
    return table_block(
        table(
            (
                "~quantity",
                "unit",
                "#as planned|± simulation error",
                "#castings|5 to 95 %",
                "#unmeasured parameters|5 to 95 %",
            ),
            rows,
        )
    )


def _linear(found: Row) -> str:
    """Where the response stops being linear."""
    hottest = number(found.get("hottest_K")) or math.nan
    parts = []
    for key, words in (
        ("slope_grown_by_half_K", "has grown by half"),
        ("slope_fallen_to_half_K", "has fallen to half"),
    ):
        row = found.get(key) or {}
        value = number(row.get("value"))
        at = (
            f"not below {celsius(hottest)}, the hottest of the plan"
            if value is None
            else f"at {celsius(value)}"
        )
        ends = [number(row.get(f"prior_{end}")) for end in ("p05", "p95")]
        may_be = ""
        if None not in ends and ends[0] != ends[1]:
            more = " or beyond" if ends[1] == hottest else ""
            reach = span(ends[0], ends[1], "K")
            may_be = f" (unmeasured parameters, 5 to 95 %: {reach}{more})"
        parts.append(f"{words} {at}{may_be}")
    return (
        "Above 20 C the slope of R, as planned, "
        + "; it ".join(parts)
        + ". Between the temperatures computed the slope runs straight from the middle of "
        "one step to the next, so this is no finer than they are."
    )


def _held(found: Row) -> str:
    """Say what holds the film while it warms, and what that makes of its output."""
    at = found.get("bonded_at_K")
    if at is None:
        return "The film is computed free: no part holds it while it warms."
    felt = three(found["felt_expansion_ppm_per_K"])
    text = (
        f"Bonded at {celsius(at)}, the film expands in its plane as the part does, "
        f"{three(found['part_expansion_ppm_per_K'])} ppm/K, and through its thickness by "
        f"{three(found['thickness_expansion_ppm_per_K'])} ppm/K as its contacts feel it, "
        f"instead of {felt} ppm/K in every direction."
    )
    ratio = found.get("transverse_sensitivity")
    if ratio is None:
        return text
    return text + (
        " By strain-gauge practice that makes "
        f"{three(found['mismatch_microstrain_per_K'])} microstrain/K of the output, which "
        "holds it already: (1 + K_t)/(1 - nu K_t) of the difference in the plane, at K_t "
        f"{with_error(ratio, found['transverse_sensitivity_se'])}."
    )


def _mismatch(found: Row) -> list[Block]:
    out = [
        paragraph(
            "Thermal output, or apparent strain, is the change of R that a temperature "
            "change alone makes, over the instrument's gauge factor "
            f"({three(found.get('gauge_factor'))}, the chord). " + _held(found)
        )
    ]
    curl = found.get("curvature_per_m_per_K")
    if curl:
        out.append(
            paragraph(
                "Free on its sheet, before bonding, the film curls by "
                f"{three(curl['value'])} 1/m per kelvin ({three(curl['p05'])} to "
                f"{three(curl['p95'])} over 90 % of what their stiffness may be), negative "
                "towards the film when warmed (two bonded strips, Timoshenko 1925)."
            )
        )
    dilution = found.get("dilution")
    if dilution:
        out.append(
            paragraph(
                "For comparison, dilution of the filler as the elastomer swells would give "
                f"{three(dilution.get('coefficient_ppm_per_K'))} ppm/K with the exponent "
                f"{three(dilution.get('exponent'))} found here; it is not part of the "
                "simulation, where contacts open instead, and decides nothing."
            )
        )
    return out


def _factors(found: Row) -> list[Block]:
    factors = found.get("gauge_factors") or {}
    rows = [
        (celsius(t), with_error(value, error))
        for t, value, error in zip(
            factors.get("temperature_K") or [],
            factors.get("value") or [],
            factors.get("standard_error") or [],
            strict=False,
        )
    ]
    made = table(("temperature", "#gauge factor|chord ± simulation error"), rows)
    return [table_block(made)] if len(rows) > 1 else []


def _two(found: Row) -> list[Block]:
    two_readings = found.get("two_readings")
    if not two_readings:
        return []
    scale = two_readings.get("temperature_scale_K")
    strain = two_readings.get("strain_scale_microstrain")
    warming = number(two_readings.get("one_film_K_per_1000_microstrain"))
    like = (
        ""
        if warming is None or not math.isfinite(warming)
        else (
            f" As planned, 1000 microstrain reads like {three(abs(warming))} K of "
            f"{'warming' if warming > 0 else 'cooling'}."
        )
    )
    out = [
        heading("Two readings, two unknowns"),
        paragraph(
            "One film cannot tell strain from temperature: its one reading has one value "
            f"for many pairs of both.{like} Another gap of the same recipe reads the same. "
            "A second reading that answers differently separates them:"
        ),
    ]
    rows = [
        (
            str(pair.get("second")),
            " / ".join(three(1e6 * (number(x) or 0.0)) for x in pair["per_microstrain"]),
            " / ".join(three(1e6 * (number(x) or 0.0)) for x in pair["per_K"]),
            three(pair.get("condition_number"), "singular"),
            f"{three(pair.get('noise_strain_microstrain'), '–')} / "
            f"{three(pair.get('noise_temperature_K'), '–')}",
            f"{three(pair.get('spread_strain_microstrain'), '–')} / "
            f"{three(pair.get('spread_temperature_K'), '–')}",
        )
        for pair in two_readings.get("pairs") or []
    ]
    out.append(
        table_block(
            table(
                (
                    "~second film",
                    "#with strain|ppm of R per microstrain, first / second",
                    "#with temperature|ppm of R per K, first / second",
                    "#condition number|",
                    "#noise|microstrain / K",
                    "#casting spread|microstrain / K",
                ),
                rows,
            )
        )
    )
    noise = number(two_readings.get("reading_noise")) or 0.0
    source = (
        "taken for want of a [supply] section"
        if two_readings.get("noise_is_assumed")
        else "of the supply and circuit of the plan"
    )
    text = (
        f"Condition number of the 2 x 2 matrix with {three(strain)} microstrain and "
        f"{three(scale)} K as units of strain and temperature; at 1 both are read equally "
        "well, a large one multiplies every error. Noise: one standard deviation from "
        f"reading noise of {three(1e6 * noise)} ppm of R, {source}. Casting spread: one "
        "standard deviation, bias included, at that strain and temperature together when "
        "films are read with the planned coefficients, uncalibrated; it holds the bench "
        "tolerances, not the simulation error nor what nobody measured. Films calibrated "
        "one by one keep the noise alone."
    )
    if not two_readings.get("transverse_sensitivity_known"):
        text += (
            " A film across the strain needs the transverse sensitivity, which this plan "
            "does not work out."
        )
    out.append(paragraph(text))
    return out


def _blocks(summary: Summary) -> Sequence[Block]:
    found = summary["temperature"]
    kelvins = found.get("temperatures_K") or []
    if found.get("open"):
        return [paragraph("The film is open; it has no response to temperature.")]
    if "response" not in found:
        where = celsius(kelvins[0]) if kelvins else "one temperature"
        text = (
            f"Simulated at {where} alone. List more temperatures in the plan to see how "
            "the resistance moves between them"
        )
        text += "." if is_tunnelling(summary) else "; lambda_T and Ea decide even its sign."
        return [paragraph(text)]
    return [
        paragraph(_sign(found)),
        picture("temperature"),
        _numbers(found),
        paragraph(_linear(found)),
        *_mismatch(found),
        *_factors(found),
        *_two(found),
    ]


def _lines(summary: Summary) -> Sequence[str]:
    found = summary["temperature"]
    row = found.get("thermal_output_microstrain_per_K")
    if not row:
        return ()
    coefficient = found["coefficient_ppm_per_K"]
    value = estimate(coefficient)
    band = _range(coefficient, "prior", "ppm/K")
    measured = found.get("sign_rests_on_measurement")
    said = "" if measured else ", the sign not predicted without a measured R(T)"
    if band != "–" and not measured:
        said += f" (5 to 95 % over unmeasured parameters: {band})"
    return (
        f"Temperature coefficient at 20 C {value} ppm/K{said}.",
        f"Thermal output {three(row['value'])} microstrain per kelvin; one film cannot "
        "tell strain from temperature.",
    )


# ------------------------------------------------------------------------------------------
# The figure
# ------------------------------------------------------------------------------------------


def _figure(run: Run) -> Figure | None:
    """Draw R over that at 20 C against temperature, with castings, errors and priors."""
    found = run.summary.get("temperature") or {}
    response = found.get("response")
    if not response:
        return None

    x = floats(response.get("temperature_K")) - 273.15
    median, low, high, error = (
        floats(response.get(name)) for name in ("median", "p05", "p95", "standard_error")
    )
    others = [
        curve
        for curve in curves(run, "temperature_response", "temperature_K", _to_celsius)
        if curve.candidate is not run.reference[0] and np.isfinite(curve.median).any()
    ]
    figure = new_figure(4.6)
    axes = figure.subplots()
    prior = [floats(response.get(f"prior_{end}")) for end in ("p05", "p95")]
    has_prior = len(prior[0]) == len(x)
    shown = [median, low, high, np.ones(1)]
    # an unbounded prior may leave the picture, what is planned may not
    span = _span(shown)
    if has_prior:
        shown += [
            np.clip(band, span[0] - 3 * span[2], span[1] + 3 * span[2]) for band in prior
        ]
    values = np.concatenate([np.ravel(a) for a in shown])
    values = values[np.isfinite(values)]
    log = bool(values.size and values.max() > 5.0 and values.min() > 0.0)
    y_range(axes, shown, log=log)
    bottom, top = axes.get_ylim()
    handles: list[Any] = []
    if has_prior:
        drawn = [np.clip(np.where(np.isposinf(b), top, b), bottom, top) for b in prior]
        axes.fill_between(x, *drawn, color=PALE, alpha=0.55, lw=0, zorder=1)
        handles.append(
            area_handle(
                color=PALE, alpha=0.55, lw=0, label="5-95 % over unmeasured parameters"
            )
        )
    for colour, curve in zip(ramp_colours(len(others)), others, strict=True):
        known = np.isfinite(curve.median)
        axes.plot(curve.x[known], curve.median[known], "-", color=colour, lw=1.0, zorder=3)
        label = f"{percent(curve.candidate.get('weight_fraction'))} wt%"
        handles.append(line_handle(color=colour, lw=1.0, label=label))
    ceiling = np.where(np.isfinite(high), high, top)
    axes.fill_between(x, low, ceiling, color=COPPER, alpha=0.3, lw=0, zorder=4)
    ends = error_range(median, error, log=log)
    axes.fill_between(
        x,
        *(np.clip(e, bottom, top) for e in ends),
        color=COPPER,
        alpha=0.17,
        lw=0,
        zorder=3,
    )
    known = np.isfinite(median)
    axes.plot(x[known], median[known], "o-", color=COPPER, lw=2.2, ms=4, zorder=5)
    open_marks(axes, x, median, COPPER)
    handles += [
        area_handle(color=COPPER, alpha=0.4, lw=0, label="5-95 % of castings"),
        area_handle(color=COPPER, alpha=0.17, lw=0, label="simulation error"),
        line_handle(color=COPPER, lw=2.2, marker="o", ms=4, label=_own_label(run)),
    ]
    axes.axvline(20.0, color=MUTED, lw=0.8, ls=":")
    axes.set_xlabel("temperature, C")
    axes.set_ylabel("resistance over resistance at 20 C")
    factor = number(found.get("gauge_factor"))
    if factor and math.isfinite(factor) and not log:
        strain = axes.secondary_yaxis(
            "right", functions=(lambda r: 1e6 * (r - 1.0) / factor,
                                lambda e: 1.0 + 1e-6 * e * factor),
        )  # fmt: skip
        strain.set_ylabel("apparent strain, microstrain")
    legend_above(figure, handles[::-1], 4)
    return figure


def _to_celsius(kelvin: Any) -> Any:
    return kelvin - 273.15


def _span(arrays: Sequence[Any]) -> tuple[float, float, float]:
    values = np.concatenate([np.ravel(a) for a in arrays])
    values = values[np.isfinite(values)]
    low, high = float(values.min()), float(values.max())
    return low, high, max(high - low, 0.02)


def _own_label(run: Run) -> str:
    return f"{percent(run.reference[0].get('weight_fraction'))} wt%"


def _caption(run: Run) -> str:
    found = run.summary.get("temperature") or {}
    prior = found.get("prior") or {}
    text = (
        f"R over R at 20 C at zero strain, {candidate_label(run.reference[0])}: median "
        "over castings with 5 to 95 % of them, and the simulation error of the line, one "
        "standard error each way. The right axis, where R does not change so much that it "
        "takes a logarithmic scale, is the same as apparent strain at the chord gauge "
        "factor. Thin lines are other loadings at the same gap."
    )
    if prior:
        text += (
            " The pale band holds 5 to 95 % of films as planned over what nobody measured: "
            f"{prior.get('contains')}."
        )
        beyond = number(prior.get("beyond_simulated_share")) or 0.0
        if beyond > 0.0:
            text += (
                f" {two(100.0 * beyond)} % of its points lie where no contact was "
                "simulated and are carried on from the nearest ones."
            )
    return text


TEMPERATURE = Chapter(
    "temperature",
    "temperature",
    "Temperature",
    "Temperature",
    _blocks,
    {"temperature": FigureEntry(_figure, _caption)},
    _lines,
)
