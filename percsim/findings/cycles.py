"""Stored outcomes -> the chosen film pulled and released: zero, loops, creep, errors."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict

import numpy as np
from numpy.typing import NDArray

from percsim.advice import logs_along
from percsim.boxes.sampling import box_seed
from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.cycled import CycleTold
from percsim.decision.knowledge import Band, spread_points
from percsim.film.bench import deviation
from percsim.film.cycled import CycledFilms
from percsim.film.protocol import Protocol
from percsim.film.protocol import cycles as cycles_of
from percsim.film.record import MeasuredFilm
from percsim.findings.judged import Findings
from percsim.findings.operation import operation
from percsim.findings.temperature import temperature
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["budget", "cycles", "other_errors"]

Floats = NDArray[np.float64]

CASTINGS = 9
"""Number of the stream under the purpose "tolerances"."""

DRAWS = 512
"""First draws that films are pulled at; their 5 and 95 % are then good to a few hundredths
of the band."""

ONE_KELVIN = 1.0
"""Change of temperature that the budget counts [K]: what a twin or a thermometer beside the
film leaves (judgement)."""

AUDIO = 20.0
"""Lowest audio frequency [Hz]: a film pulled slowly tells nothing of loops that fast."""

SWINGS = 6
"""Swings of a vibration: the first comes from rest, and equal ones add nothing for long."""


def cycles(findings: Findings) -> dict[str, object] | None:
    """Say what pulling does to the chosen or nearest film, over all that is not known.

    Parameters
    ----------
    findings : Findings
        Of the run.

    Returns
    -------
    dict or None
        None where contacts do not open, or the film does not conduct.

    """
    plan = findings.plan
    if plan.contacts.model != "opening" or not len(findings.mix.model.volume_fractions):
        return None
    films, n_open = _films(findings, plan.protocol)
    if films is None:
        return None
    path = plan.protocol
    first, last = films.first, films.whole[-1]
    protocol: dict[str, object] = {
        "pulls": len(path.pulls),
        "first": first + 1,
        "whole": len(films.whole),
        "conditioned_after": len(films.whole) - len(films.conditioned),
        "lowest": float(path.strains.min()),
        "highest": float(path.strains.max()),
        "hold_s": films.creep_time,
        "duration_s": float(path.times[-1] - path.times[0]),
    }
    found: dict[str, object] = {
        "protocol": protocol,
        "draws": len(films.resistances),
        "open_or_opening": n_open,
        "gauge_factor_first": Band.of(films.gauge_factor(first)),
        "gauge_factor_conditioned": Band.of(films.gauge_factor(last)),
        "width_first_percent": Band.of(100.0 * films.width(first)),
        "width_conditioned_percent": Band.of(100.0 * films.width(last)),
        "return_higher": float((films.width(first) > 0.0).mean()),
        "hysteresis_percent": Band.of(100.0 * films.hysteresis),
        "hysteresis_microstrain": Band.of(1e6 * films.hysteresis_strain),
        "repeatability_percent": Band.of(100.0 * films.repeatability),
        "repeatability_microstrain": Band.of(1e6 * films.repeatability_strain),
        "drift_microstrain": Band.of(1e6 * films.creep_strain),
        "loops": {"first": _loop(films, first), "conditioned": _loop(films, last)},
    }
    ends = [k for k in range(len(films.pulls)) if films.returns(k)]
    found["zero_after"] = [
        {"pull": k + 1, **asdict(Band.of(100.0 * films.zero_shift(k)))} for k in ends
    ]
    after = next((k for k in ends if k >= first), None)
    if after is not None:
        protocol["zero_after"] = after + 1
        found["zero_shift_percent"] = Band.of(100.0 * films.zero_shift(after))
        found["zero_shift_microstrain"] = Band.of(1e6 * films.zero_shift_strain(after))
    back = films.zero_return_strain
    if back is not None:
        found["zero_return_microstrain"] = Band.of(1e6 * back)
    found["zero_at_end_microstrain"] = Band.of(1e6 * films.as_strain(films.at_end))
    found["budget"] = budget(films, other_errors(findings, films))
    found["vibration"] = _vibration(findings)
    posterior = findings.posterior
    if posterior is not None and posterior.cycles:
        rows = [row.cycle for row in plan.measured if row.cycle is not None]
        found["measured"] = [
            _measured(told, film) for told, film in zip(posterior.cycles, rows, strict=True)
        ]
    return found


def _films(findings: Findings, path: Protocol) -> tuple[CycledFilms | None, int]:
    """One casting a draw along a protocol, and how many are open or open on the way."""
    plan, known, best = findings.plan, findings.known, findings.best
    recipe = best.outlook.recipe
    known = known.some(slice(DRAWS))
    n = len(known)
    seed = box_seed(plan.seed, CASTINGS, "tolerances")
    z = spread_points(n, 2, seed)
    bench = findings.mix.films.bench
    moves = bench.moves(recipe.film, recipe.loading.log_slope, 1.0, 0.0)
    off = known.scale * deviation(moves)[0] * z[:, 0]
    logs = logs_along(findings.mix.films, known, recipe, path, off)
    kept = np.isfinite(logs).all(axis=1)
    if kept.sum() < 2:
        return None, int((~kept).sum())
    logs = logs[kept]
    response = np.exp(known.scale * bench.tolerances.response * z[:, 1])[kept, None]
    rest = logs[:, :1]
    return CycledFilms(path, np.exp(rest + response * (logs - rest))), int((~kept).sum())


def _loop(films: CycledFilms, pull: int) -> dict[str, Floats]:
    """R along one pull over that where it starts: strains, and the band over draws."""
    p = films.pulls[pull]
    rows = np.r_[p.loading, p.unloading]
    ratio = films.resistances[:, rows] / films.resistances[:, [p.start]]
    strain = {"strain": films.protocol.strains[rows]}
    band = weighted_quantiles(ratio, (0.5, 0.05, 0.95))
    return strain | dict(zip(("median", "p05", "p95"), band, strict=True))


def budget(films: CycledFilms, others: Mapping[str, float]) -> dict[str, object]:
    """Error budget of a conditioned film [microstrain], standard uncertainties.

    Parameters
    ----------
    films : CycledFilms
        One a draw.
    others : mapping of str to float
        What else errs, by name [microstrain].

    Notes
    -----
    What lies within bounds counts as rectangular, its half-width over the root of 3, and
    the total is the root of the sum of squares [1]_ (4.3.7 and 5.1.2, from memory): half of
    the largest difference for hysteresis and repeatability, which lie either way of the
    mean of branches and pulls; all of creep and of the return of zero, which nobody
    corrects for. The shift of zero by the first pull is gone once a conditioned film is
    set to zero, and does not count.

    References
    ----------
    .. [1] JCGM 100:2008, Evaluation of measurement data: guide to the expression of
       uncertainty in measurement.

    """
    root = math.sqrt(3.0)
    parts: dict[str, Floats] = {
        "hysteresis": 1e6 * np.abs(films.hysteresis_strain) / (2.0 * root),
        "repeatability": 1e6 * films.repeatability_strain / (2.0 * root),
    }
    if films.held is not None:
        parts["creep"] = 1e6 * np.abs(films.creep_strain) / root
    back = films.zero_return_strain
    if back is not None:
        parts["return of zero"] = 1e6 * np.abs(back) / root
    n = len(films.resistances)
    parts |= {name: np.full(n, value) for name, value in others.items()}
    total = np.sqrt(sum(part**2 for part in parts.values()))
    rows = [
        {"name": name, "counts": True, **asdict(Band.of(part))}
        for name, part in parts.items()
    ]
    if films.returns(films.first):
        shift = 1e6 * np.abs(films.zero_shift_strain(films.first)) / root
        rows.append({"name": "zero, first pull", "counts": False, **asdict(Band.of(shift))})
    return {
        "rows": rows,
        "total": Band.of(np.asarray(total)),
        "kelvin": ONE_KELVIN,
        "strain": _reach(films),
    }


def _reach(films: CycledFilms) -> float:
    e = films.protocol.strains
    return float(np.abs(e).max())


def other_errors(findings: Findings, films: CycledFilms) -> dict[str, float]:
    """Give the standard uncertainty [microstrain] of what else errs, where it is known."""
    out: dict[str, float] = {}
    thermal = temperature(findings).thermal_output_microstrain_per_K
    if thermal is not None:
        out["temperature"] = abs(thermal.value) * ONE_KELVIN / math.sqrt(3.0)
    noise, best = operation(findings).noise, findings.best
    if noise is not None:
        out["noise"] = noise.noise_microstrain
    if best.gauge_factor is not None and math.isfinite(best.resistance.median):
        out["calibration"] = 1e6 * best.gauge_factor_cv * _reach(films)
    return out


def _vibration(findings: Findings) -> dict[str, object]:
    """Shift of the mean of R over cycles of the plan's vibration, contacts at once.

    From the first swing to the last, at the mean strain. What a film does that fast is not
    determined by pulling one slowly: it rests on contacts that follow at once.
    """
    cycle = findings.plan.vibration_cycle
    if cycle is None:
        return {}
    mean, amplitude = cycle
    path = cycles_of(amplitude, SWINGS, 4.0 * amplitude * AUDIO, mean=mean, branch=4)
    films, _ = _films(findings, path)
    if films is None:
        return {}
    first, last = (films.mean_of(k, mean) for k in (1, SWINGS - 1))
    shift = 1e6 * films.as_strain(last - first)
    return {
        "mean_microstrain": 1e6 * mean,
        "amplitude_microstrain": 1e6 * amplitude,
        "mean_shift_microstrain": Band.of(shift),
        "quickest_pull_s": _quickest(findings.plan.protocol),
        "determined": _quickest(findings.plan.protocol) < 1.0 / AUDIO,
    }


def _quickest(path: Protocol) -> float:
    return min(float(path.times[p.end] - path.times[p.start]) for p in path.pulls)


def _measured(told: CycleTold, film: MeasuredFilm) -> dict[str, object]:
    """Put a measured film beside what was predicted before and after it."""
    path, logs = film.protocol, film.log_resistances
    after, before, noise = np.exp(told.band), np.exp(told.prior_band), told.noise
    known = told.knowledge
    opened = known.values["lambda_T"] * (ROOM_TEMPERATURE - known.values["closed_at"])
    return {
        "time_s": path.times,
        "strain": path.strains,
        "temperature_K": path.temperatures,
        "ratio": np.exp(logs - logs[0]),
        "readings": film.readings,
        "outliers": film.outliers,
        "gaps": film.gaps,
        **{
            f"{key}{end}": row
            for key, band in (("predicted", after), ("predicted_before", before))
            for end, row in zip(("", "_p05", "_p95"), band, strict=True)
        },
        "effective_draws": told.effective_size,
        "error_percent": Band(100.0 * noise.median, 100.0 * noise.p05, 100.0 * noise.p95),
        "width_left": told.narrowing,
        "width_before": told.before,
        "one_temperature": len(path.temperature_steps) == 0,
        "recloses": told.recloses,
        "lambda_T_times_warmed_K": known.band(opened),
    }
