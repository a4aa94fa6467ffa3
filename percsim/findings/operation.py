"""Stored outcomes -> the chosen film in use: linearity, supply, heat, noise, vibration."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.candidates import Candidate
from percsim.film.curves import Cycle, FilmCurves, central_68, nonlinearity, vibrate
from percsim.film.readout import (
    GAUGE_PRACTICE,
    Circuit,
    HeatPath,
    Noise,
    SelfHeating,
    self_heating,
)
from percsim.findings.judged import Findings
from percsim.findings.temperature import ThermalPrior, thermal_prior
from percsim.findings.words import SELF_HEATING
from percsim.plan import Plan
from percsim.plan.sections.use import SupplySection
from percsim.quantities import celsius, quantity, three, two
from percsim.states.temperature import ELASTOMER_LIMITS, ROOM_TEMPERATURE

__all__ = ["operation", "supply_noise"]

Floats = NDArray[np.float64]

TOLD_APART = 3.0
"""Times the noise that a signal must be to be told from it (common practice, no source)."""
TEST_POWER = 0.25
"""Most power in the specimen while its resistivity is measured [W] (ISO 1853, method 2)."""
FEWEST_STRAINS = 3
"""Strains that a bend of R takes."""


def _band(values: Floats) -> dict[str, float]:
    """5 % and 95 %, infinite values counted; nan as infinite."""
    low, high = weighted_quantiles(np.where(np.isnan(values), np.inf, values), (0.05, 0.95))
    return {"p05": float(low), "p95": float(high)}


def _number(value: Floats | float, draws: Floats, castings: Floats) -> dict[str, float]:
    """One number with its simulation error and the castings, 5 to 95 %."""
    error = central_68(draws)
    return {"value": float(value), "standard_error": error, **_band(castings)}


def _linearity(plan: Plan, curves: FilmCurves, circuit: Circuit) -> dict[str, Any]:
    """Deviation of R, and of the voltage read, from straight lines at 20 C."""
    x, row = curves.strains, curves.room
    inside = (x >= plan.strain.window[0]) & (x <= plan.strain.window[1])
    x = x[inside]

    def rows(ratio: Floats) -> Floats:
        return np.asarray(ratio[..., row, :][..., inside])

    planned, draws, castings = (
        rows(r) for r in (curves.ratio, curves.resamples, curves.castings)
    )
    own, resampled, cast = (nonlinearity(x, y) for y in (planned, draws, castings))
    out: dict[str, Any] = {
        "strain": [float(e) for e in x],
        "ratio": [float(r) for r in planned],
        "ratio_standard_error": [central_68(column) for column in draws.T],
        "full_scale_ratio": float(planned[-1] - planned[0]),
        "turns": bool(np.ptp(np.sign(np.diff(planned[np.isfinite(planned)]))) > 0.0),
        "end_point_percent": _number(
            100 * own.end_point, 100 * resampled.end_point, 100 * cast.end_point
        ),
        "best_line_percent": _number(100 * own.best, 100 * resampled.best, 100 * cast.best),
    }
    if circuit.has_signal:
        rest = curves.resistance
        volts = nonlinearity(x, circuit.output(rest * planned, rest))
        more = nonlinearity(x, circuit.output(rest * draws, rest))
        cast = nonlinearity(x, circuit.output(rest * castings, rest))
        out["voltage_end_point_percent"] = _number(
            100 * volts.end_point, 100 * more.end_point, 100 * cast.end_point
        )
        out["voltage_best_line_percent"] = _number(
            100 * volts.best, 100 * more.best, 100 * cast.best
        )
    return out


def _window(curves: FilmCurves) -> dict[str, Any]:
    """Strains at which castings still conduct, at 20 C and at every temperature."""
    n = curves.n_castings
    conducts = np.isfinite(curves.castings)
    share = conducts[:, curves.room].sum(axis=0) / n
    out: dict[str, Any] = {
        "castings": n,
        "open_at_rest": n - len(curves.castings),
        "strain": [float(e) for e in curves.strains],
        "conducting_share": [float(s) for s in share],
    }
    for key, row in (("room", curves.room), ("every_temperature", None)):
        found = curves.conducting_window(row)
        out[key] = None if found is None else {"min": found[0], "max": found[1]}
    return out


def _rise(found: SelfHeating, hottest: float) -> dict[str, Any]:
    return {
        "cold_rise_K": found.cold_rise,
        "rise_K": found.rise,
        "hottest_rise_K": found.rise * hottest,
        "hottest_over_mean": hottest,
        "loop_gain": found.loop_gain,
        "runs_away": found.runs_away,
    }


def _heating(
    circuit: Circuit,
    path: HeatPath,
    candidate: Candidate,
    curves: FilmCurves,
    prior: ThermalPrior | None,
) -> dict[str, Any]:
    """Power of a film and how far it warms, on its sheet and in still air.

    Parameters
    ----------
    circuit : Circuit
        Circuit and supply.
    path : HeatPath
        How the heat leaves.
    candidate : Candidate
        Whose film.
    curves : FilmCurves
        Its curves.
    prior : ThermalPrior or None
        Temperature coefficients over what nobody measured.

    Returns
    -------
    dict
        Power, power per area, and for both ways out the rise, loop gain and drift.

    """
    film = candidate.castings.film
    area = film.volume / film.thickness
    resistance = curves.resistance
    coefficient = curves.temperature_coefficient
    known = math.isfinite(coefficient)
    at = coefficient if known else 0.0
    power = circuit.film_power(resistance)
    rest = candidate.castings.at_rest
    conducting = rest[np.isfinite(rest)]
    powers = np.array([circuit.film_power(float(r)) for r in conducting])
    out: dict[str, Any] = {
        "film_power_W": power,
        "film_power_W_band": _band(powers),
        "power_density_W_per_m2": power / area,
        "gauge_practice_W_per_m2": list(GAUGE_PRACTICE),
        "current_A": circuit.current(resistance),
        "area_m2": area,
        "coefficient_known": known,
    }
    for name, theta, hottest in (
        ("on_sheet", path.on_sheet, path.hottest_on_sheet / path.on_sheet),
        ("in_still_air", path.in_still_air, 1.0),
    ):
        found = self_heating(circuit, resistance, area, theta, at)
        cold = theta / area * powers
        row = _rise(found, hottest) | {
            "theta_K_m2_per_W": theta,
            "cold_rise_K_band": _band(cold),
        }
        if known:
            factor = curves.gauge_factor
            row["drift_microstrain"] = (
                1e6 * found.rise * at / factor if factor else math.inf
            )
            if prior is not None:
                outputs, drawn = prior.outputs, prior.coefficients
                rises = np.array(
                    [
                        self_heating(circuit, resistance, area, theta, float(a)).rise
                        for a in np.where(np.isfinite(drawn), drawn, 0.0)
                    ]
                )
                drifts = 1e6 * rises * np.where(np.isnan(outputs), np.inf, outputs)
                row["drift_microstrain_prior"] = prior.band(drifts)
                row["runs_away_share"] = float(prior.weights @ np.isinf(rises))
        out[name] = row
    return out


def _overheating(heating: dict[str, Any], plan: Plan) -> list[str]:
    """Warnings with the number where the film or its elastomer gets too hot."""
    limit, hottest = ELASTOMER_LIMITS[1], max(plan.temperatures)
    words = []
    for name, where in (
        ("on_sheet", "on its sheet and part"),
        (
            "in_still_air",
            "cooled by still air alone (off its part, or on an insulating one)",
        ),
    ):
        row = heating[name]
        rise, spare = row["hottest_rise_K"], limit - hottest
        # a day hotter than elastomers stand has a caution of its own
        if rise <= spare or (spare <= 0.0 and math.isfinite(rise)):
            continue
        # rise = h c v^2/(1 - g v^2) at v times this supply, solved for the spare kelvins
        warms, gain = row["cold_rise_K"] * row["hottest_over_mean"], row["loop_gain"]
        share = spare / (warms + gain * spare) if spare > 0.0 else 1.0 / gain
        safe = plan.supply_voltage * math.sqrt(share)
        if math.isfinite(rise):
            what = (
                f"would warm by {three(rise)} K, to {celsius(hottest + rise)} on the "
                "plan's hottest day"
            )
        else:
            what = (
                "has no steady temperature, its power grows with its own heat (loop gain "
                f"{two(row['loop_gain'])}, 1 is the limit)"
            )
        words.append(
            f"Overheating: {where} the film at {quantity(plan.supply_voltage, 'V')} "
            f"{what}; elastomers stay below {celsius(limit)}. Keep the supply below "
            f"about {quantity(safe, 'V', 2)} there, or put more resistance in series"
        )
    return words


def supply_noise(
    supply: SupplySection,
    circuit: Circuit,
    resistance: float,
    bandwidth: float | None = None,
) -> Noise:
    """Noise of a reading with a supply; in another bandwidth its white noise scales."""
    wide = supply.bandwidth if bandwidth is None else bandwidth
    lowest = supply.lowest_frequency
    return Noise.of(
        circuit,
        resistance,
        bandwidth=wide,
        lowest_frequency=lowest if bandwidth is None else min(lowest, 0.1 * wide),
        temperature=ROOM_TEMPERATURE,
        instrument=supply.instrument_noise * math.sqrt(wide / supply.bandwidth),
        flicker=supply.flicker_noise or 0.0,
    )


def _noise(plan: Plan, circuit: Circuit, curves: FilmCurves) -> dict[str, Any] | None:
    """Signal, noise and the smallest strain told from it."""
    supply = plan.supply
    if supply is None or not circuit.has_signal:
        return None
    resistance = curves.resistance
    strain = curves.strains[curves.end]
    ratio = curves.ratio[curves.room, curves.end]
    if strain == 0.0 or not math.isfinite(ratio):
        return None

    def signal(resistance: float, ratio: Floats) -> Floats:
        moved = circuit.output(resistance * ratio, resistance)
        return np.asarray((moved - circuit.output(resistance, resistance)) / strain)

    noise = supply_noise(supply, circuit, resistance)
    per_strain = float(signal(resistance, np.asarray(ratio)))
    draws = signal(resistance, curves.resamples[:, curves.room, curves.end])
    cast = signal(resistance, curves.castings[:, curves.room, curves.end])
    least = noise.total / abs(per_strain) if per_strain else math.inf
    return {
        "signal_uV_per_microstrain": _number(per_strain, draws, cast),
        "johnson_V": noise.johnson,
        "flicker_V": noise.flicker if supply.flicker_noise is not None else None,
        "instrument_V": noise.instrument,
        "total_V": noise.total,
        "bandwidth_Hz": supply.bandwidth,
        "lowest_frequency_Hz": supply.lowest_frequency,
        "source_resistance_ohm": circuit.source_resistance(resistance),
        "noise_microstrain": 1e6 * least,
        "smallest_strain_microstrain": 1e6 * TOLD_APART * least,
        "times_the_noise": TOLD_APART,
    }


def _contacts(
    summary: dict[str, Any], circuit: Circuit, resistance: float
) -> dict[str, float] | None:
    """Power of the busiest contact of a box at the voltage across the film."""
    found = summary.get("currents")
    if not found:
        return None
    volts = circuit.supply * float(circuit.share(resistance))
    scale = (volts / found["film_voltage_V"]) ** 2
    power = found["largest_contact_power_W"]
    return {
        "film_voltage_V": volts,
        "mean_W": scale * power["mean"],
        "largest_W": scale * power["largest"],
        "n_boxes": found["n_boxes"],
    }


def _relative(values: Floats, base: Floats) -> Floats:
    """Values over a base, inf where it is."""
    known = np.isfinite(base)
    return np.asarray(
        np.where(known, np.where(known, values, 0.0) / np.where(known, base, 1.0), np.inf)
    )


def _vibration(plan: Plan, curves: FilmCurves) -> dict[str, Any] | None:
    """One cycle of the plan's vibration on the curves at 20 C."""
    asked = plan.vibration_cycle
    if asked is None:
        return None
    mean, amplitude = asked
    out: dict[str, Any] = {
        "mean_microstrain": 1e6 * mean,
        "amplitude_microstrain": 1e6 * amplitude,
    }
    row, x = curves.room, curves.strains
    if len(x) < FEWEST_STRAINS:
        return out | {
            "refused": "two strains have no bend to shift the mean; [strain] points must"
            f" be {FEWEST_STRAINS} or more"
        }
    try:
        planned = vibrate(x, curves.ratio[row], mean, amplitude)
    except ValueError as error:
        return out | {"refused": str(error)}

    def again(rows: Floats) -> Cycle:
        return vibrate(x, np.vstack([curves.ratio[row], rows]), mean, amplitude)

    draws, cast = again(curves.resamples[:, row]), again(curves.castings[:, row])

    def number(name: str) -> dict[str, float]:
        value = getattr(planned, name) / planned.at_mean
        drawn, castings = (
            _relative(getattr(cycle, name)[1:], cycle.at_mean[1:])
            for cycle in (draws, cast)
        )
        return _number(100.0 * value, 100.0 * drawn, 100.0 * castings)

    out |= {
        "resistance_at_mean_ohm": curves.resistance * float(planned.at_mean),
        "alternating_percent": number("alternating"),
        "second_harmonic_percent": number("second_harmonic"),
        "mean_shift_percent": number("shift"),
        "lowest_ratio": float(planned.lowest),
        "highest_ratio": float(planned.highest),
        "one_branch": planned.one_branch,
        "curvature_shift_percent": None,
    }
    if planned.curvature_shift is not None:
        out["curvature_shift_percent"] = float(
            100.0 * planned.curvature_shift / planned.at_mean
        )
    shift = out["mean_shift_percent"]["value"] / 100.0 * float(planned.at_mean)
    slope = float(planned.alternating) / amplitude
    out["mean_shift_microstrain"] = 1e6 * shift / slope if slope > 0.0 else math.inf
    return out


def operation(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """How the chosen or nearest film behaves in use.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.
    summary : dict
        The summary so far.

    Returns
    -------
    dict
        The key `operation`; with [supply] also `not_modelled` without self-heating, and
        `cautions` with a warning where the supply would overheat the film.

    """
    plan, best = findings.plan, findings.best
    curves = FilmCurves.from_castings(best.castings)
    if curves is None:
        return {"operation": {"open": True}}
    circuit = plan.circuit()
    out: dict[str, Any] = {
        "open": False,
        "resistance_ohm": curves.resistance,
        "gauge_factor": curves.gauge_factor,
        "circuit": circuit.kind,
        "supply_V": circuit.supply,
        "series_ohm": circuit.series,
        "window": _window(curves),
    }
    if len(curves.strains) > 2:
        out["linearity"] = _linearity(plan, curves, circuit)
    added: dict[str, Any] = {"operation": out}
    path = plan.heat_path()
    if path is not None:
        prior = thermal_prior(findings, best)
        heating = _heating(circuit, path, best, curves, prior)
        heating["test_power_W"] = TEST_POWER
        if prior is not None:
            heating["prior_contains"] = prior.contains
            heating["prior_coefficient_per_K"] = prior.band(prior.coefficients)
            heating["coefficient_per_K"] = curves.temperature_coefficient
            heating["prior_output_microstrain_per_K"] = prior.band(1e6 * prior.outputs)
        out["heating"] = heating
        out["contacts"] = _contacts(summary, circuit, curves.resistance)
        warnings = _overheating(heating, plan)
        out["warnings"] = warnings
        added["not_modelled"] = [x for x in summary["not_modelled"] if x != SELF_HEATING]
        added["cautions"] = [*warnings, *summary["cautions"]]
    noise = _noise(plan, circuit, curves)
    if noise is not None:
        out["noise"] = noise
    cycle = _vibration(plan, curves)
    if cycle is not None:
        out["vibration"] = cycle
    return added
