"""Stored outcomes -> what temperature does to the chosen film, and what two films tell."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.candidates import Candidate
from percsim.decision.knowledge import Knowledge, day_one
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.film.curve import chord
from percsim.film.curves import FilmCurves, central_68, room_slope
from percsim.film.readout import (
    Noise,
    Separation,
    across_sensitivity,
    separate,
    thermal_output,
)
from percsim.findings.day_one import UNITS
from percsim.findings.judged import Findings, once
from percsim.findings.layers import strained_across
from percsim.findings.numbers import Ends
from percsim.findings.transverse import half_width
from percsim.plan import Plan
from percsim.quantities import span
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "Pair", "Temperature", "ThermalPrior", "sensitivity_across", "temperature",
    "thermal_prior",
]  # fmt: skip

Floats = NDArray[np.float64]

DRAWS = 2000
"""Draws of the unmeasured parameters of the contacts."""
READING_NOISE = 1e-4
"""Relative noise of a reading of R when no [supply] says (common practice, no source)."""
FEWEST_FOR_BAND = 2


@dataclass(frozen=True, slots=True)
class ThermalPrior:
    """R(T)/R(20 C) and chords of the chosen film over what nobody measured.

    Parameters
    ----------
    ratios : (n, m) ndarray of float
        R over that at 20 C at the temperatures of the plan, zero strain.
    factors : (n,) ndarray of float
        Chord gauge factor at 20 C of each draw.
    coefficients : (n,) ndarray of float
        (1/R) dR/dT at 20 C [1/K].
    weights : (n,) ndarray of float
        Weight of each draw, together 1.
    contains : str
        What was drawn, in words.
    beyond : float
        Share of the points that lie outside of what was simulated.

    """

    ratios: Floats
    factors: Floats
    coefficients: Floats
    weights: Floats
    contains: str
    beyond: float = 0.0

    @property
    def outputs(self) -> Floats:
        """Thermal output of each draw [1/K]; inf where its gauge factor is 0."""
        return thermal_output(self.coefficients, self.factors)

    def band(self, values: Floats) -> Ends:
        """5 % and 95 % of one number a draw."""
        return Ends.of(values, self.weights[: len(values)])


@dataclass(frozen=True, slots=True)
class Thermal:
    """One number with its simulation error; castings and what is not known, 5 and 95 %."""

    value: float
    standard_error: float
    castings_p05: float
    castings_p95: float
    prior_p05: float | None = None
    prior_p95: float | None = None

    @classmethod
    def of(
        cls, value: float, error: float, castings: Floats, prior: Ends | None, scale: float
    ) -> Thermal:
        """Of a number in units of `1 / scale`."""
        ends = [Ends.of(castings), *([prior] if prior else [])]
        told = (value, error, *(x for end in ends for x in (end.p05, end.p95)))
        return cls(*(scale * x for x in told))


@dataclass(frozen=True, slots=True)
class Known:
    """What was drawn of the contacts for the bands, and how often R rises."""

    contains: str
    n: int
    beyond_simulated_share: float
    positive_share: float


@dataclass(frozen=True, slots=True)
class Pair:
    """What the chosen film and a second one beside it tell of strain and temperature."""

    second: str
    kind: str
    condition_number: float
    noise_strain_microstrain: float
    noise_temperature_K: float
    spread_strain_microstrain: float
    spread_temperature_K: float


@dataclass(frozen=True, slots=True)
class PairOfFilms(Pair):
    """The same, and what each film reads."""

    per_microstrain: tuple[float, float]
    per_K: tuple[float, float]
    transverse_sensitivity: float | None = None


@dataclass(frozen=True, slots=True)
class TwoReadings:
    """Second films beside the chosen one, the most telling first."""

    pairs: tuple[PairOfFilms, ...]
    _told: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Temperature:
    """What temperature does to a film; an open film, or one temperature, tells little."""

    _told: Mapping[str, object]
    prior: Known | None = None
    sign_rests_on_measurement: bool | None = None
    thermal_output_microstrain_per_K: Thermal | None = None
    two_readings: TwoReadings | None = None


def _contains(known: Knowledge, names: Collection[str]) -> str:
    """Say what is drawn, 95 % of each."""
    said = []
    for prior in known.priors.free:
        if prior.name not in names:
            continue
        low, high = (
            weighted_quantiles(known.values[prior.name], (0.025, 0.975), known.weights)
            if known.basis == "measured"
            else prior.limits()
        )
        over = " over the simulated one" if prior.name == "threshold" else ""
        told = span(low, high, UNITS.get(prior.name, ""))
        said.append(f"{prior.name}{over} {told}")
    if not said:
        return "nothing, every parameter counts as measured"
    told = (
        "as far as the measured films tell"
        if known.basis == "measured"
        else "judgement unless the plan states it"
    )
    return f"{', '.join(said)} (95 %; {told})"


def thermal_prior(findings: Findings, candidate: Candidate) -> ThermalPrior | None:
    """R(T) of a candidate over what is known of the contacts.

    Parameters
    ----------
    findings : Findings
        Where boxes were solved at other settings of the law all that is not known is
        drawn; without, lambda_T and Ea alone.
    candidate : Candidate
        Whose film.

    Returns
    -------
    ThermalPrior or None
        None for plans of another law, a film open somewhere, or a single temperature.

    """
    plan, castings = findings.plan, candidate.castings
    curves = FilmCurves.from_castings(castings)
    if plan.contacts.model != "opening" or curves is None:
        return None
    t = curves.temperatures
    if len(t) < FEWEST_FOR_BAND or not np.isfinite(curves.ratio[:, curves.rest]).all():
        return None
    if findings.mix.model.surface is not None:
        return _over_draws(findings, candidate, t)
    priors = contact_priors(plan.contact_parameters(), findings.mix.films.threshold)
    known = day_one(priors, box_seed(plan.seed, 0, PURPOSES["priors"]), DRAWS)
    ratios, beyond = curves.with_contacts(
        plan.thermal(castings.loading.weight_fraction), plan.contacts.Ea.value,
        known.values["lambda_T"], known.values["Ea"],
    )  # fmt: skip
    return ThermalPrior(
        ratios, np.full(DRAWS, curves.gauge_factor), room_slope(t, ratios), known.weights,
        _contains(known, ("lambda_T", "Ea")), beyond,
    )  # fmt: skip


def _over_draws(findings: Findings, candidate: Candidate, t: Floats) -> ThermalPrior | None:
    """Read the film off its model at every draw, on its part where there is one."""
    mix, known, castings = findings.mix, findings.known, candidate.castings
    visits, film, loading = mix.model.visits, castings.film, castings.loading
    material = mix.model.material(known.contacts)
    log_phi = np.log(loading.volume_fraction) - known.log_factor
    logs = material.log_resistance(film, log_phi[:, None], range(len(visits)))[:, 0]
    if mix.films.mounting is not None:
        logs = mix.films.mounting(film, loading, logs)
    kept = np.isfinite(logs[:, visits.rest])
    if kept.sum() < FEWEST_FOR_BAND:
        return None
    logs, weights = logs[kept], known.weights[kept]
    # a film that opens at one temperature conducts at the others all the same
    at = [next(s for s in visits.by_temperature if visits.temperatures[s] == x) for x in t]
    at[int(np.argmin(np.abs(t - ROOM_TEMPERATURE)))] = visits.rest
    ratios = np.exp(logs[:, at] - logs[:, [visits.rest]])
    end, factors = visits.chord_state, np.zeros(len(logs))
    if end is not None:
        rest, strained = np.exp(logs[:, [visits.rest, end]]).T
        factors = chord(rest, strained, visits.strains[end])
    return ThermalPrior(
        ratios, factors, room_slope(t, ratios), weights / weights.sum(),
        _contains(known, known.values.keys() - {mix.model.level}),
    )  # fmt: skip


def _rising_share(prior: ThermalPrior, room: int) -> float:
    """Weight of draws in which R rises at 20 C, films that open on warming among them."""
    slopes = prior.coefficients
    opens = np.isinf(prior.ratios[:, room + 1 : room + 2]).any(axis=1)
    return float(prior.weights @ np.where(np.isfinite(slopes), slopes > 0.0, opens))


# ------------------------------------------------------------------------------------------
# Two readings, two unknowns
# ------------------------------------------------------------------------------------------


def _log_matrix(curves: FilmCurves, ratio: Floats) -> Floats:
    """(d ln R/d strain, d ln R/dT) of ratios (..., m, n), shape (..., 2).

    The first is the chord of ln R to the largest strain, the second the slope at 20 C.
    """
    strain = curves.strains[curves.end]
    end = ratio[..., curves.room, curves.end]
    finite = np.isfinite(end)
    s = np.where(finite, np.log(np.where(finite, end, 1.0)) / strain, np.nan)
    return np.stack([s, curves.coefficients(ratio)], axis=-1)


def reading_noise(plan: Plan, resistance: float) -> float:
    """Relative noise of a reading of a film at its supply; a stated guess without one."""
    supply, circuit = plan.supply, plan.circuit()
    if supply is None or not circuit.has_signal:
        return READING_NOISE
    noise = Noise.of(
        circuit,
        resistance,
        bandwidth=supply.bandwidth,
        lowest_frequency=supply.lowest_frequency,
        temperature=ROOM_TEMPERATURE,
        instrument=supply.instrument_noise,
        flicker=supply.flicker_noise or 0.0,
    )
    return noise.total / circuit.slope(resistance)


def _pair(
    second: str, kind: str, found: Separation, across: float | None = None
) -> PairOfFilms:
    (s1, a1), (s2, a2) = found.matrix.tolist()
    spread = found.spread or (math.inf, math.inf)
    return PairOfFilms(
        second, kind, found.condition_number, 1e6 * found.noise[0], found.noise[1],
        1e6 * spread[0], spread[1], (1e-6 * s1, 1e-6 * s2), (a1, a2), across,
    )  # fmt: skip


def sensitivity_across(findings: Findings) -> tuple[float, float] | None:
    """K_t of the film and its standard error, where the plan asks for it."""
    found = strained_across(findings)
    if found is None or found.note:
        return None
    return float(found.sensitivity[0]), half_width(found.sensitivity[1:])


def _held(findings: Findings, sensitivity: tuple[float, float] | None) -> dict[str, object]:
    """Expansion of a bonded film as contacts feel it, and what the part's hold makes."""
    plan = findings.plan
    thermal = plan.thermal(findings.best.castings.loading.weight_fraction)
    assert thermal.bond is not None
    at, part = thermal.bond.bonded_at, thermal.bond.part_expansion
    felt = thermal.share * thermal.expansion
    through = float(thermal.strains(at + 1.0)[1] - thermal.strains(at)[1])
    out: dict[str, object] = {
        "bonded_at_K": at,
        "felt_expansion_ppm_per_K": 1e6 * felt,
        "thickness_expansion_ppm_per_K": 1e6 * through,
    }
    if sensitivity is None:
        return out
    mismatch = thermal_output(0.0, 1.0, part, felt, sensitivity[0], plan.contraction)
    return out | {
        "transverse_sensitivity": sensitivity[0],
        "transverse_sensitivity_se": sensitivity[1],
        "mismatch_microstrain_per_K": 1e6 * float(mismatch),
    }


def _two_readings(
    findings: Findings, transverse: float | None, best: Candidate, curves: FilmCurves
) -> TwoReadings:
    """Second films beside the chosen one, the most telling first."""
    plan = findings.plan
    strain = float(abs(curves.strains[curves.end]))
    reach = float(np.max(np.abs(curves.temperatures - ROOM_TEMPERATURE)))
    scale = (strain, reach)
    own = _log_matrix(curves, curves.ratio)
    real = _log_matrix(curves, curves.castings)
    u = reading_noise(plan, curves.resistance)
    rows: list[PairOfFilms] = []
    loading = best.castings.loading
    for other in findings.choice.candidates:
        castings = other.castings
        same = castings.loading == loading
        theirs = FilmCurves.from_castings(castings)
        if same or castings.film != best.castings.film or theirs is None:
            continue
        second = _log_matrix(theirs, theirs.ratio)
        if not np.isfinite([*own, *second]).all():
            continue
        pairs = _pairs(real, _log_matrix(theirs, theirs.castings))
        found = separate(
            [own, second], scale, (u, reading_noise(plan, theirs.resistance)), pairs
        )
        weight = 100.0 * castings.loading.weight_fraction
        rows.append(_pair(f"{weight:.4g} wt%", "another recipe", found))
    rows.sort(key=lambda row: row.spread_strain_microstrain)
    if transverse is not None and plan.strain.mounting != "free":
        nu = -1.0 if plan.strain.mounting == "biaxial" else plan.part_poisson_ratio
        turned = across_sensitivity(transverse, nu) * np.array([1.0, 0.0]) + [0.0, 1.0]
        pairs = _pairs(real, real * turned)
        found = separate([own, own * turned], scale, (u, u), pairs)
        rows.append(_pair("same recipe, across the strain", "across", found, transverse))
    still = np.array([0.0, 1.0])
    found = separate([own, own * still], scale, (u, u), _pairs(real, real * still))
    rows.append(_pair("same recipe, not strained", "half bridge", found))
    told = {
        "strain_scale_microstrain": 1e6 * strain,
        "temperature_scale_K": reach,
        "reading_noise": u,
        "noise_is_assumed": plan.supply is None or not plan.circuit().has_signal,
        "one_film_K_per_1000_microstrain": _confusion(own),
        "transverse_sensitivity_known": transverse is not None,
    }
    return TwoReadings(tuple(rows), told)


def _confusion(own: Floats) -> float:
    """Warming that reads like 1000 microstrain on one film [K]."""
    s, a = float(own[0]), float(own[1])
    return 1e-3 * s / a if a != 0.0 and math.isfinite(s * a) else math.inf


def _pairs(first: Floats, second: Floats) -> Floats:
    """Matrices of pairs of castings; the second film is another casting than the first."""
    n = min(len(first), len(second))
    return np.stack([first[:n], np.roll(second[:n], n // 2, axis=0)], axis=1)


# ------------------------------------------------------------------------------------------
# The chapter
# ------------------------------------------------------------------------------------------


@once
def temperature(findings: Findings) -> Temperature:
    """Work out what temperature does to the chosen or nearest film.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.

    """
    plan, best = findings.plan, findings.best
    curves = FilmCurves.from_castings(best.castings)
    out: dict[str, object] = {
        "temperatures_K": plan.temperatures,
        "closed_at_K": plan.closed_at.value,
        "film_expansion_ppm_per_K": 1e6 * findings.recipe.thermal_expansion,
        "open": curves is None,
    }
    if plan.temperature.part_thermal_expansion is not None:
        out["part_expansion_ppm_per_K"] = 1e6 * plan.temperature.part_thermal_expansion
    sensitivity = sensitivity_across(findings)
    if plan.bond is not None:
        out |= _held(findings, sensitivity)
    if curves is None or len(curves.temperatures) < 2:
        return Temperature(out)
    response: dict[str, object] = dict(best.castings.temperature_response())
    response["planned"] = curves.ratio[:, curves.rest]
    known = coefficients = outputs = None
    prior = thermal_prior(findings, best)
    if prior is not None:
        bands = [prior.band(column) for column in prior.ratios.T]
        response["prior_p05"] = [band.p05 for band in bands]
        response["prior_p95"] = [band.p95 for band in bands]
        rising = _rising_share(prior, curves.room)
        known = Known(prior.contains, len(prior.ratios), prior.beyond, rising)
        coefficients, outputs = prior.band(prior.coefficients), prior.band(prior.outputs)
    contacts = findings.contacts
    measured = isinstance(contacts, ContactParameters) and (
        {"lambda_T", "Ea"} <= contacts.measured
    )
    error = central_68(curves.coefficients(curves.resamples))
    drawn = curves.coefficients(curves.castings)
    per_K, ppm = (
        Thermal.of(curves.temperature_coefficient, error, drawn, coefficients, scale)
        for scale in (1.0, 1e6)
    )
    value, error = curves.thermal_output_and_error()
    drawn = curves.thermal_outputs(curves.castings)
    out |= {
        "response": response,
        "coefficient_per_K": per_K,
        "coefficient_ppm_per_K": ppm,
        "gauge_factor": curves.gauge_factor,
        "gauge_factors": {
            "temperature_K": curves.temperatures,
            "value": curves.chords(curves.ratio),
            "standard_error": [central_68(x) for x in curves.chords(curves.resamples).T],
        },
    }
    two = None
    if curves.strains[curves.end] != 0.0:
        across = None if sensitivity is None else sensitivity[0]
        two = _two_readings(findings, across, best, curves)
    sign = plan.contacts.model == "opening" and measured
    output = Thermal.of(value, error, drawn, outputs, 1e6)
    return Temperature(out, known, sign, output, two)
