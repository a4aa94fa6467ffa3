"""R against temperature, thermal output, and what a second film tells."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from percsim.quantities import celsius, estimate, number, share, span, three
from percsim.report.candidates import Row, Summary, is_tunnelling
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import Floats, Run, error_range, floats
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
    y_range,
)

__all__ = ["separation", "temperature", "temperature_figure"]


def _range(row: Row, prefix: str, unit: str = "") -> str:
    """5 to 95 % as text, an en dash where the band was not worked out."""
    low, high = (row.get(f"{prefix}_{end}") for end in ("p05", "p95"))
    return span(low, high, unit, infinite="without bound")


def temperature(summary: Summary) -> Chapter | None:
    """R over that at 20 C, and what its coefficient rests on."""
    found = summary.get("temperature") or {}
    if "response" not in found:
        return None
    coefficient, output = (
        found[key] for key in ("coefficient_ppm_per_K", "thermal_output_microstrain_per_K")
    )
    measured = found.get("sign_rests_on_measurement")
    return chapter(
        "temperature",
        f"R changes by {estimate(coefficient)} ppm/K at 20 C, read as "
        f"{three(output['value'])} microstrain/K; its sign "
        + ("rests on a measured R(T)" if measured else "is not predicted"),
        "" if measured else _odds(found, summary),
        _gauge_factors(found),
        _held(found),
        "Bands: 5 – 95 % of castings, and over unmeasured parameters; thin band: "
        "simulation error.",
        figure="temperature",
    )


def _odds(found: Row, summary: Summary) -> str:
    """Say how far the coefficient may be off, and what would tell it."""
    reach = _range(found["coefficient_ppm_per_K"], "prior", "ppm/K")
    positive = number((found.get("prior") or {}).get("positive_share"))
    if is_tunnelling(summary) or reach == "–":
        return "One R(T) measured on one film settles it."
    odds = "" if positive is None else f", rising in {share(positive)} % of draws"
    return f"Unmeasured it may be {reach}{odds}; one R(T) of one film settles it."


def _gauge_factors(found: Row) -> str:
    """Say what the gauge factor is at both ends of the temperatures."""
    factors = found.get("gauge_factors") or {}
    kelvins, values = factors.get("temperature_K") or [], factors.get("value") or []
    if len(kelvins) < 2:
        return ""
    return (
        f"The gauge factor goes from {three(values[0])} at {celsius(kelvins[0])} to "
        f"{three(values[-1])} at {celsius(kelvins[-1])}."
    )


def _held(found: Row) -> str:
    """Say what holds the film while it warms."""
    at = found.get("bonded_at_K")
    return "Computed free of any part." if at is None else f"Bonded at {celsius(at)}."


def separation(summary: Summary) -> Chapter | None:
    """Tell strain and temperature apart by a second film."""
    found = (summary.get("temperature") or {}).get("two_readings")
    if not found or not found.get("pairs"):
        return None
    warming = number(found.get("one_film_K_per_1000_microstrain"))
    like = "One film cannot tell strain from temperature"
    if warming is not None and math.isfinite(warming):
        like = (
            f"One film reads 1000 microstrain like {three(abs(warming))} K of "
            f"{'warming' if warming > 0 else 'cooling'}; a second film tells them apart"
        )

    def both(pair: Row, key: str) -> str:
        return " / ".join(three(1e6 * (number(x) or 0.0)) for x in pair[key])

    def errors(pair: Row, key: str) -> str:
        strain, kelvin = (
            three(pair.get(f"{key}_{of}"), "–")
            for of in ("strain_microstrain", "temperature_K")
        )
        return f"{strain} / {kelvin}"

    rows = [
        (
            pair["second"],
            both(pair, "per_microstrain"),
            both(pair, "per_K"),
            three(pair["condition_number"], "singular"),
            errors(pair, "noise"),
            errors(pair, "spread"),
        )
        for pair in found["pairs"]
    ]
    reading = 1e6 * (number(found["reading_noise"]) or 0.0)
    return chapter(
        "separation",
        like,
        "First / second film. Condition number with "
        f"{three(found['strain_scale_microstrain'])} microstrain and "
        f"{three(found['temperature_scale_K'])} K as units, 1 is best. Noise: "
        f"{three(reading)} ppm of R; spread: films uncalibrated; both one standard "
        "deviation, microstrain / K.",
        table=table(
            (
                "~second film", "#with strain|ppm per microstrain", "#with heat|ppm per K",
                "#condition number|", "#noise|", "#spread|",
            ),
            rows,
        ),
    )  # fmt: skip


def temperature_figure(run: Run) -> Figure:
    """Draw R over that at 20 C against temperature, with castings, errors and priors."""
    found = run.summary["temperature"]
    response = found["response"]
    x = floats(response["temperature_K"]) - 273.15
    median, low, high, error = (
        floats(response[name]) for name in ("median", "p05", "p95", "standard_error")
    )
    figure = new_figure(4.4)
    axes = figure.subplots()
    prior = [floats(response.get(f"prior_{end}")) for end in ("p05", "p95")]
    has_prior = len(prior[0]) == len(x)
    shown: list[Any] = [median, low, high, np.ones(1)]
    if has_prior:
        # an unbounded prior may leave the picture, what is planned may not
        bottom, top, reach = _span(shown)
        shown += [np.clip(edge, bottom - 3 * reach, top + 3 * reach) for edge in prior]
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
            area_handle(color=PALE, alpha=0.55, lw=0, label="over unmeasured parameters")
        )
    ceiling = np.where(np.isfinite(high), high, top)
    axes.fill_between(x, low, ceiling, color=COPPER, alpha=0.3, lw=0, zorder=4)
    ends = [np.clip(e, bottom, top) for e in error_range(median, error, log=log)]
    axes.fill_between(x, *ends, color=COPPER, alpha=0.17, lw=0, zorder=3)
    known = np.isfinite(median)
    axes.plot(x[known], median[known], "o-", color=COPPER, lw=2.2, ms=4, zorder=5)
    open_marks(axes, x, median, COPPER)
    handles += [
        area_handle(color=COPPER, alpha=0.4, lw=0, label="5-95 % of castings"),
        area_handle(color=COPPER, alpha=0.17, lw=0, label="simulation error"),
        line_handle(color=COPPER, lw=2.2, marker="o", ms=4, label="median"),
    ]
    axes.axvline(20.0, color=MUTED, lw=0.8, ls=":")
    axes.set_xlabel("temperature, C")
    axes.set_ylabel("resistance over resistance at 20 C")
    factor = number(found.get("gauge_factor"))
    if factor and math.isfinite(factor) and not log:
        strain = axes.secondary_yaxis(
            "right",
            functions=(
                lambda r: 1e6 * (r - 1.0) / factor,
                lambda e: 1.0 + 1e-6 * e * factor,
            ),
        )
        strain.set_ylabel("apparent strain, microstrain")
    legend_above(figure, handles[::-1], 4)
    return figure


def _span(arrays: Sequence[Floats]) -> tuple[float, float, float]:
    values = np.concatenate([np.ravel(a) for a in arrays])
    values = values[np.isfinite(values)]
    low, high = float(values.min()), float(values.max())
    return low, high, max(high - low, 0.02)
