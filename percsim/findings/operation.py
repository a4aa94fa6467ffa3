"""Stored outcomes -> the chosen film in use: linearity, supply, heat, noise, vibration."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

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
from percsim.findings.currents import currents
from percsim.findings.judged import Findings, once
from percsim.findings.numbers import Ends, Number, Range
from percsim.findings.temperature import ThermalPrior, thermal_prior
from percsim.plan import Plan
from percsim.plan.sections.use import SupplySection
from percsim.quantities import celsius, quantity, three, two
from percsim.states.temperature import ELASTOMER_LIMITS, ROOM_TEMPERATURE

__all__ = ["Operation", "operation", "supply_noise"]

Floats = NDArray[np.float64]

TOLD_APART = 3.0
"""Times the noise that a signal must be to be told from it (common practice, no source)."""
TEST_POWER = 0.25
"""Most power in the specimen while its resistivity is measured [W] (ISO 1853, method 2)."""
FEWEST_STRAINS = 3
"""Strains that a bend of R takes."""


@dataclass(frozen=True, slots=True)
class Warming:
    """How far a film warms on one way for its heat, and what it reads then."""

    cold_rise_K: float
    rise_K: float
    hottest_rise_K: float
    hottest_over_mean: float
    loop_gain: float
    runs_away: bool
    theta_K_m2_per_W: float
    cold_rise_K_band: Ends
    drift_microstrain: float | None = None
    drift_microstrain_prior: Ends | None = None
    runs_away_share: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """What is read of a film at its supply."""

    noise_microstrain: float
    _told: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Operation:
    """How a film behaves in use; with [supply] `warnings` where that would overheat it."""

    _told: Mapping[str, object]
    noise: Reading | None = None
    warnings: tuple[str, ...] | None = None


def _linearity(plan: Plan, curves: FilmCurves, circuit: Circuit) -> dict[str, object]:
    """Deviation of R, and of the voltage read, from straight lines at 20 C."""
    x, row = curves.strains, curves.room
    inside = (x >= plan.strain.window[0]) & (x <= plan.strain.window[1])
    x = x[inside]

    def rows(ratio: Floats) -> Floats:
        return np.asarray(ratio[..., row, :][..., inside])

    planned, draws, _ = read = [
        rows(r) for r in (curves.ratio, curves.resamples, curves.castings)
    ]
    lines = {"": [nonlinearity(x, y) for y in read]}
    if circuit.has_signal:
        rest = curves.resistance
        volts = (circuit.output(rest * y, rest) for y in read)
        lines["voltage_"] = [nonlinearity(x, y) for y in volts]
    out: dict[str, object] = {
        "strain": x,
        "ratio": planned,
        "ratio_standard_error": [central_68(column) for column in draws.T],
        "full_scale_ratio": float(planned[-1] - planned[0]),
        "turns": bool(np.ptp(np.sign(np.diff(planned[np.isfinite(planned)]))) > 0.0),
    }
    for of, found in lines.items():
        out[f"{of}end_point_percent"] = Number.of(*(100 * n.end_point for n in found))
        out[f"{of}best_line_percent"] = Number.of(*(100 * n.best for n in found))
    return out


def _window(curves: FilmCurves) -> dict[str, object]:
    """Strains at which castings still conduct, at 20 C and at every temperature."""
    n = curves.n_castings
    conducts = np.isfinite(curves.castings)
    share = conducts[:, curves.room].sum(axis=0) / n
    room, every = (curves.conducting_window(row) for row in (curves.room, None))
    return {
        "castings": n,
        "open_at_rest": n - len(curves.castings),
        "strain": curves.strains,
        "conducting_share": share,
        "room": room and Range(*room),
        "every_temperature": every and Range(*every),
    }


def _warming(
    circuit: Circuit,
    way: tuple[float, float],
    area: float,
    powers: Floats,
    curves: FilmCurves,
    prior: ThermalPrior | None,
) -> Warming:
    """Warming on a way of some kelvins a flux, its hottest place so much over the mean."""
    (theta, hottest), at = way, curves.temperature_coefficient
    known = math.isfinite(at)

    def heated(coefficient: float) -> SelfHeating:
        return self_heating(circuit, curves.resistance, area, theta, coefficient)

    found = heated(at if known else 0.0)
    warming = Warming(
        found.cold_rise, found.rise, found.rise * hottest, hottest, found.loop_gain,
        found.runs_away, theta, Ends.of(theta / area * powers),
    )  # fmt: skip
    if not known:
        return warming
    factor = curves.gauge_factor
    drift = 1e6 * found.rise * at / factor if factor else math.inf
    warming = replace(warming, drift_microstrain=drift)
    if prior is None:
        return warming
    outputs, drawn = prior.outputs, prior.coefficients
    rises = np.array(
        [heated(float(a)).rise for a in np.where(np.isfinite(drawn), drawn, 0)]
    )
    drifts = 1e6 * rises * np.where(np.isnan(outputs), np.inf, outputs)
    return replace(
        warming,
        drift_microstrain_prior=prior.band(drifts),
        runs_away_share=float(prior.weights @ np.isinf(rises)),
    )


def _heating(
    circuit: Circuit,
    path: HeatPath,
    candidate: Candidate,
    curves: FilmCurves,
    prior: ThermalPrior | None,
) -> tuple[dict[str, object], tuple[Warming, Warming]]:
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

    """
    film = candidate.castings.film
    area = film.volume / film.thickness
    power = circuit.film_power(curves.resistance)
    rest = candidate.castings.at_rest
    powers = np.array([circuit.film_power(float(r)) for r in rest[np.isfinite(rest)]])
    on_sheet, in_still_air = (
        _warming(circuit, way, area, powers, curves, prior)
        for way in (
            (path.on_sheet, path.hottest_on_sheet / path.on_sheet),
            (path.in_still_air, 1.0),
        )
    )
    heating = {
        "film_power_W": power,
        "film_power_W_band": Ends.of(powers),
        "power_density_W_per_m2": power / area,
        "gauge_practice_W_per_m2": GAUGE_PRACTICE,
        "current_A": circuit.current(curves.resistance),
        "area_m2": area,
        "coefficient_known": math.isfinite(curves.temperature_coefficient),
        "on_sheet": on_sheet,
        "in_still_air": in_still_air,
        "test_power_W": TEST_POWER,
    }
    if prior is not None:
        heating |= {
            "prior_contains": prior.contains,
            "prior_coefficient_per_K": prior.band(prior.coefficients),
            "coefficient_per_K": curves.temperature_coefficient,
            "prior_output_microstrain_per_K": prior.band(1e6 * prior.outputs),
        }
    return heating, (on_sheet, in_still_air)


def _overheating(ways: tuple[Warming, Warming], plan: Plan) -> tuple[str, ...]:
    """Warnings with the number where the film or its elastomer gets too hot."""
    limit, hottest = ELASTOMER_LIMITS[1], max(plan.temperatures)
    words = []
    told = (
        "on its sheet and part",
        "cooled by still air alone (off its part, or on an insulating one)",
    )
    for row, where in zip(ways, told, strict=True):
        rise, spare = row.hottest_rise_K, limit - hottest
        # a day hotter than elastomers stand has a caution of its own
        if rise <= spare or (spare <= 0.0 and math.isfinite(rise)):
            continue
        # rise = h c v^2/(1 - g v^2) at v times this supply, solved for the spare kelvins
        warms, gain = row.cold_rise_K * row.hottest_over_mean, row.loop_gain
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
                f"{two(gain)}, 1 is the limit)"
            )
        words.append(
            f"Overheating: {where} the film at {quantity(plan.supply_voltage, 'V')} "
            f"{what}; elastomers stay below {celsius(limit)}. Keep the supply below "
            f"about {quantity(safe, 'V', 2)} there, or put more resistance in series"
        )
    return tuple(words)


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


def _noise(plan: Plan, circuit: Circuit, curves: FilmCurves) -> Reading | None:
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
    told = {
        "signal_uV_per_microstrain": Number.of(per_strain, draws, cast),
        "johnson_V": noise.johnson,
        "flicker_V": noise.flicker if supply.flicker_noise is not None else None,
        "instrument_V": noise.instrument,
        "total_V": noise.total,
        "bandwidth_Hz": supply.bandwidth,
        "lowest_frequency_Hz": supply.lowest_frequency,
        "source_resistance_ohm": circuit.source_resistance(resistance),
        "smallest_strain_microstrain": 1e6 * TOLD_APART * least,
        "times_the_noise": TOLD_APART,
    }
    return Reading(1e6 * least, told)


def _contacts(
    findings: Findings, circuit: Circuit, resistance: float
) -> dict[str, float] | None:
    """Power of the busiest contact of a box at the voltage across the film."""
    found = currents(findings)
    if found is None:
        return None
    volts = circuit.supply * float(circuit.share(resistance))
    scale = (volts / found.film_voltage_V) ** 2
    power = found.largest_contact_power_W
    return {
        "film_voltage_V": volts,
        "mean_W": scale * power.mean,
        "largest_W": scale * power.largest,
        "n_boxes": found.n_boxes,
    }


def _relative(values: Floats, base: Floats) -> Floats:
    """Values over a base, inf where it is."""
    known = np.isfinite(base)
    return np.asarray(
        np.where(known, np.where(known, values, 0.0) / np.where(known, base, 1.0), np.inf)
    )


def _vibration(plan: Plan, curves: FilmCurves) -> dict[str, object] | None:
    """One cycle of the plan's vibration on the curves at 20 C."""
    asked = plan.vibration_cycle
    if asked is None:
        return None
    mean, amplitude = asked
    out: dict[str, object] = {
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

    def number(name: str) -> Number:
        value = getattr(planned, name) / planned.at_mean
        drawn, castings = (
            _relative(getattr(cycle, name)[1:], cycle.at_mean[1:])
            for cycle in (draws, cast)
        )
        return Number.of(100.0 * value, 100.0 * drawn, 100.0 * castings)

    shifted, bend = number("shift"), planned.curvature_shift
    slope = float(planned.alternating) / amplitude
    shift = shifted.value / 100.0 * float(planned.at_mean)
    return out | {
        "resistance_at_mean_ohm": curves.resistance * float(planned.at_mean),
        "alternating_percent": number("alternating"),
        "second_harmonic_percent": number("second_harmonic"),
        "mean_shift_percent": shifted,
        "lowest_ratio": float(planned.lowest),
        "highest_ratio": float(planned.highest),
        "one_branch": planned.one_branch,
        "curvature_shift_percent": None if bend is None else 100.0 * bend / planned.at_mean,
        "mean_shift_microstrain": 1e6 * shift / slope if slope > 0.0 else math.inf,
    }


@once
def operation(findings: Findings) -> Operation:
    """Say how the chosen or nearest film behaves in use.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.

    """
    plan, best = findings.plan, findings.best
    curves = FilmCurves.from_castings(best.castings)
    if curves is None:
        return Operation({"open": True})
    circuit, path, warnings = plan.circuit(), plan.heat_path(), None
    out: dict[str, object] = {
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
    if path is not None:
        prior = thermal_prior(findings, best)
        out["heating"], ways = _heating(circuit, path, best, curves, prior)
        out["contacts"] = _contacts(findings, circuit, curves.resistance)
        warnings = _overheating(ways, plan)
    cycle = _vibration(plan, curves)
    if cycle is not None:
        out["vibration"] = cycle
    return Operation(out, _noise(plan, circuit, curves), warnings)
