"""Stored outcomes -> what temperature does to the chosen film, and what two films tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.decision.choose import Candidate
from percsim.decision.predict import Responses
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.film.curves import FilmCurves, central_68, linear_until, room_slope
from percsim.film.layers import bimetal_curvature
from percsim.film.readout import (
    Noise,
    Separation,
    across_sensitivity,
    separate,
    thermal_output,
)
from percsim.findings.gather import Findings, Known
from percsim.findings.layers import across_summary, mounted
from percsim.plan import Plan
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.words import span

__all__ = ["ThermalPrior", "temperature", "thermal_prior", "thermal_summary"]

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
    contains : str
        What was drawn, in words.
    beyond : float
        Share of the points that lie outside of what was simulated.

    """

    ratios: Floats
    factors: Floats
    coefficients: Floats
    contains: str
    beyond: float

    @property
    def outputs(self) -> Floats:
        """Thermal output of each draw [1/K]; inf where its gauge factor is 0."""
        return thermal_output(self.coefficients, self.factors)


def _draws(findings: Findings, names: Sequence[str]) -> tuple[dict[str, Floats], str]:
    """Draws of what was not measured, by symbol, and what they contain in words."""
    if findings.known is not None:
        return _measured_draws(findings.known, names)
    contacts = findings.plan.contact_parameters()
    assert isinstance(contacts, ContactParameters)
    priors = contact_priors(contacts, findings.threshold)
    seed = box_seed(findings.plan.seed, 0, PURPOSES["priors"])
    values = priors.draw(DRAWS, seed).values
    said = []
    for prior in priors:
        if prior.name not in names or prior.is_fixed:
            continue
        low, high = prior.limits()
        word = (
            "the threshold over the simulated one"
            if prior.name == "threshold"
            else prior.name
        )
        said.append(f"{word} {span(low, high, 'J' if prior.name == 'Ea' else '')}")
    contains = (
        f"{', '.join(said)} (95 %; judgement unless the plan states it)"
        if said
        else "nothing, every parameter counts as measured"
    )
    return {name: values[name] for name in names}, contains


def _measured_draws(known: Known, names: Sequence[str]) -> tuple[dict[str, Floats], str]:
    """Draws of what measured films leave open."""
    said = []
    for name in names:
        low, high = np.quantile(known.values[name], (0.025, 0.975), method="inverted_cdf")
        word = "the threshold over the likeliest one" if name == "threshold" else name
        said.append(f"{word} {span(low, high, 'J' if name == 'Ea' else '')}")
    values = {name: np.asarray(known.values[name]) for name in names}
    return values, f"{', '.join(said)} (95 %, as far as the measured films tell)"


def thermal_prior(findings: Findings, candidate: Candidate) -> ThermalPrior | None:
    """R(T) of a candidate over the priors of the contact parameters.

    Parameters
    ----------
    findings : Findings
        With `responses`, beta, delta_b and the threshold are drawn too; without, lambda_T
        and Ea alone.
    candidate : Candidate
        Whose film.

    Returns
    -------
    ThermalPrior or None
        None for plans of another law, a film open somewhere, or a single temperature.

    """
    plan = findings.plan
    curves = FilmCurves.from_castings(candidate.castings)
    if plan.contacts.model != "opening" or curves is None:
        return None
    t = curves.temperatures
    if len(t) < FEWEST_FOR_BAND or not np.isfinite(curves.ratio[:, curves.rest]).all():
        return None
    if findings.responses is not None:
        loading, film = candidate.castings.fit.loading, candidate.castings.film
        responses = mounted(plan, findings.responses, loading, film)
        found = _from_responses(findings, responses, candidate, curves)
        if found is not None:
            return found
    drawn, contains = _draws(findings, ("lambda_T", "Ea"))
    thermal = plan.thermal(candidate.castings.fit.loading.weight_fraction)
    ratios, beyond = curves.with_contacts(
        thermal, plan.contacts.Ea.value, drawn["lambda_T"], drawn["Ea"]
    )
    coefficients = room_slope(t, ratios)
    factors = np.full(DRAWS, curves.gauge_factor)
    return ThermalPrior(ratios, factors, coefficients, contains, beyond)


def _from_responses(
    findings: Findings, responses: Responses, candidate: Candidate, curves: FilmCurves
) -> ThermalPrior | None:
    """Give the same through the responses, as differences to their own base settings."""
    names = ("beta", "delta_b", "lambda_T", "Ea", "threshold")
    drawn, contains = _draws(findings, names)
    factor = drawn.pop("threshold")
    castings = candidate.castings
    phi, film = castings.fit.loading.volume_fraction, castings.film
    logs = responses.log_resistance(film, phi, drawn, factor)
    base = responses.log_resistance(film, phi, {})[0]
    known = np.asarray(responses.temperatures)
    at_rest = [s for s, e in enumerate(responses.strains) if e == 0.0]
    room = min(at_rest, key=lambda s: abs(known[s] - ROOM_TEMPERATURE))
    order = sorted(at_rest, key=lambda s: known[s])
    if not np.isfinite(base[[room, *order]]).all() or len(order) < FEWEST_FOR_BAND:
        return None
    kept = np.isfinite(logs[:, room])
    logs = logs[kept]
    if len(logs) < FEWEST_FOR_BAND:
        return None
    change = logs[:, order] - logs[:, [room]] - (base[order] - base[room])
    t = curves.temperatures
    # a film that opens at one temperature conducts at the others all the same
    rows = _between(known[order], change, t)
    conducts = np.isfinite(rows)
    ratios = curves.ratio[:, curves.rest] * np.exp(np.where(conducts, rows, 0.0))
    ratios = np.where(conducts, ratios, np.inf)
    ratios[:, curves.room] = 1.0
    factors = np.full(len(logs), curves.gauge_factor)
    strain = curves.strains[curves.end]
    ends = [
        s
        for s, e in enumerate(responses.strains)
        if math.isclose(e, strain) and abs(known[s] - ROOM_TEMPERATURE) < 1e-6
    ]
    if ends and strain != 0.0:
        moved = logs[:, ends[0]] - logs[:, room] - (base[ends[0]] - base[room])
        full = curves.ratio[curves.room, curves.end]
        open_ends = ~np.isfinite(moved)
        factors = (full * np.exp(np.where(open_ends, 0.0, moved)) - 1.0) / strain
        factors = np.where(open_ends, np.inf, factors)
    coefficients = room_slope(t, ratios)
    far = (t < known[order[0]] - 1e-6) | (t > known[order[-1]] + 1e-6)
    return ThermalPrior(ratios, factors, coefficients, contains, float(far.mean()))


def _between(x: Floats, rows: Floats, at: Floats) -> Floats:
    """Rows (n, k) on straight lines at other abscissas, inf where a neighbour is."""
    if len(x) == 1:
        return np.repeat(rows, len(at), axis=1)
    inside = np.clip(at, x[0], x[-1])
    k = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(x) - 2)
    share = (inside - x[k]) / (x[k + 1] - x[k])
    left, right = rows[:, k], rows[:, k + 1]
    # nothing of a neighbour that is not needed, open or not
    left, right = np.where(share < 1.0, left, right), np.where(share > 0.0, right, left)
    is_open = np.isinf(left) | np.isinf(right)
    line = np.where(is_open, 0.0, left) * (1.0 - share)
    return np.asarray(
        np.where(is_open, np.inf, line + np.where(is_open, 0.0, right) * share)
    )


def _rising_share(prior: ThermalPrior, room: int) -> float:
    """Share of draws in which R rises at 20 C, films that open on warming among them."""
    slopes = prior.coefficients
    opens = np.isinf(prior.ratios[:, room + 1 : room + 2]).any(axis=1)
    return float(np.mean(np.where(np.isfinite(slopes), slopes > 0.0, opens)))


def _quantiles(values: Floats, prefix: str) -> dict[str, float]:
    """5 % and 95 %, infinite values counted; nan as infinite."""
    from percsim.boxes.statistics import weighted_quantiles

    filled = np.where(np.isnan(values), np.inf, values)
    low, high = weighted_quantiles(filled, (0.05, 0.95))
    return {f"{prefix}_p05": float(low), f"{prefix}_p95": float(high)}


def thermal_summary(
    value: float, error: float, castings: Floats, prior: Floats | None
) -> dict[str, float]:
    """One number with its simulation error, castings and prior, 5 to 95 %."""
    out = {"value": float(value), "standard_error": float(error)}
    out |= _quantiles(castings, "castings")
    return out | (_quantiles(prior, "prior") if prior is not None else {})


def _scaled(row: dict[str, float], factor: float) -> dict[str, float]:
    return {key: factor * value for key, value in row.items()}


def dilution_coefficient(
    exponent: float, phi: float, critical: float, matrix: float, filler: float
) -> float:
    r"""Temperature coefficient of R by dilution alone [1/K].

    .. math:: 3 t \phi (1 - \phi) (\alpha_m - \alpha_f)/(\phi - \phi_c)

    The elastomer swells, the volume fraction falls along the percolation curve.

    Parameters
    ----------
    exponent : float
        t, d ln R / d ln(phi - phi_c) with its sign turned.
    phi, critical : float
        Volume fraction and threshold.
    matrix, filler : float
        Linear thermal expansion of both [1/K].

    Returns
    -------
    float

    Notes
    -----
    Derived from R ~ (phi - phi_c)^-t with d phi/dT = -3 phi (1 - phi) (alpha_m - alpha_f);
    proposed for carbon black in polymers, J. Polym. Sci. B 45, 3078 (2007).

    """
    return 3.0 * exponent * phi * (1.0 - phi) * (matrix - filler) / (phi - critical)


def _curl(plan: Plan, findings: Findings) -> dict[str, float]:
    """Curvature of the film free on its sheet for one kelvin, over their stiffness."""
    from percsim.materials.elastomer import load_material

    film = plan.film_modulus(findings.recipe.weight_fraction)
    sheet, thickness = plan.sheet_modulus(), plan.sheet.thickness or 0.0
    own = findings.recipe.elastomer.thermal_expansion
    if plan.sheet.material is not None:
        own = load_material(plan.sheet.material)["thermal_expansion"].value

    def curl(score: float) -> float:
        ratio = math.exp(score * math.hypot(film.log_std, sheet.log_std))
        return bimetal_curvature(
            (thickness, plan.film.thickness),
            (sheet.value * ratio, film.value),
            (own, findings.recipe.thermal_expansion),
            1.0,
        )

    ends = [curl(score) for score in np.linspace(-1.645, 1.645, 21)]
    return {"value": curl(0.0), "p05": min(ends), "p95": max(ends)}


def _dilution(findings: Findings, candidate: Candidate) -> dict[str, float] | None:
    recipe, fit = findings.recipe, candidate.castings.fit
    critical = findings.threshold.volume_fraction
    phi = fit.loading.volume_fraction
    if phi <= critical:
        return None
    shares = recipe.volume_fractions
    filler = sum(
        v * f.thermal_expansion for (f, _), v in zip(recipe.fillers, shares, strict=True)
    ) / sum(shares)
    exponent = -float(candidate.castings.slopes[fit.loading.reference_state])
    value = dilution_coefficient(
        exponent, phi, critical, recipe.elastomer.thermal_expansion, filler
    )
    return {"coefficient_ppm_per_K": 1e6 * value, "exponent": exponent}


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


def _row(second: str, kind: str, found: Separation, **more: Any) -> dict[str, Any]:
    (s1, a1), (s2, a2) = found.matrix.tolist()
    spread = found.spread or (math.inf, math.inf)
    return {
        "second": second,
        "kind": kind,
        "per_microstrain": [1e-6 * s1, 1e-6 * s2],
        "per_K": [a1, a2],
        "condition_number": found.condition_number,
        "noise_strain_microstrain": 1e6 * found.noise[0],
        "noise_temperature_K": found.noise[1],
        "spread_strain_microstrain": 1e6 * spread[0],
        "spread_temperature_K": spread[1],
        **more,
    }


def _transverse(findings: Findings, summary: dict[str, Any]) -> tuple[float, float] | None:
    """K_t of the film and its standard error, where the plan asks for it."""
    found = (summary.get("layers") or {}).get("transverse")
    if found is None and findings.plan.reads_across:
        found = across_summary(findings, findings.decision.best.castings.fit.loading)
    if found is None or found.get("note"):
        return None
    return found["transverse_sensitivity"], found.get("transverse_sensitivity_se", 0.0)


def _held(findings: Findings, sensitivity: tuple[float, float] | None) -> dict[str, Any]:
    """Expansion of a bonded film as contacts feel it, and what the part's hold makes."""
    plan = findings.plan
    loading = findings.decision.best.castings.fit.loading
    thermal = plan.thermal(loading.weight_fraction)
    assert thermal.bond is not None
    at, part = thermal.bond.bonded_at, thermal.bond.part_expansion
    felt = thermal.share * thermal.expansion
    through = float(thermal.strains(at + 1.0)[1] - thermal.strains(at)[1])
    out: dict[str, Any] = {
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
) -> dict[str, Any]:
    """Second films beside the chosen one, the most telling first."""
    plan = findings.plan
    strain = float(abs(curves.strains[curves.end]))
    reach = float(np.max(np.abs(curves.temperatures - ROOM_TEMPERATURE)))
    scale = (strain, reach)
    own = _log_matrix(curves, curves.ratio)
    real = _log_matrix(curves, curves.castings)
    u = reading_noise(plan, curves.resistance)
    rows: list[dict[str, Any]] = []
    loading = best.castings.fit.loading
    for other in findings.decision.candidates:
        castings = other.castings
        same = castings.fit.loading.weight_fraction == loading.weight_fraction
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
        weight = 100.0 * castings.fit.loading.weight_fraction
        rows.append(_row(f"{weight:.4g} wt%", "another recipe", found))
    rows.sort(key=lambda row: row["spread_strain_microstrain"])
    if transverse is not None and plan.strain.mounting != "free":
        nu = -1.0 if plan.strain.mounting == "biaxial" else plan.part_poisson_ratio
        turned = across_sensitivity(transverse, nu) * np.array([1.0, 0.0]) + [0.0, 1.0]
        pairs = _pairs(real, real * turned)
        found = separate([own, own * turned], scale, (u, u), pairs)
        rows.append(
            _row(
                "same recipe, across the strain",
                "across",
                found,
                transverse_sensitivity=transverse,
            )
        )
    still = np.array([0.0, 1.0])
    found = separate([own, own * still], scale, (u, u), _pairs(real, real * still))
    rows.append(_row("same recipe, not strained", "half bridge", found))
    return {
        "strain_scale_microstrain": 1e6 * strain,
        "temperature_scale_K": reach,
        "reading_noise": u,
        "noise_is_assumed": plan.supply is None or not plan.circuit().has_signal,
        "one_film_K_per_1000_microstrain": _confusion(own),
        "transverse_sensitivity_known": transverse is not None,
        "pairs": rows,
    }


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


def temperature(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Work out what temperature does to the chosen or nearest film.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.
    summary : dict
        The summary so far.

    Returns
    -------
    dict
        The key `temperature`; with one temperature only that temperature.

    """
    plan, best = findings.plan, findings.decision.best
    expansion = findings.recipe.thermal_expansion
    out: dict[str, Any] = {
        "temperatures_K": list(plan.temperatures),
        "closed_at_K": plan.closed_at.value,
        "film_expansion_ppm_per_K": 1e6 * expansion,
    }
    if plan.temperature.part_thermal_expansion is not None:
        out["part_expansion_ppm_per_K"] = 1e6 * plan.temperature.part_thermal_expansion
    sensitivity = _transverse(findings, summary)
    if plan.bond is not None:
        out |= _held(findings, sensitivity)
    if plan.has_sheet:
        out["curvature_per_m_per_K"] = _curl(plan, findings)
    curves = FilmCurves.from_castings(best.castings)
    out["open"] = curves is None
    if curves is None or len(curves.temperatures) < 2:
        return {"temperature": out}
    prior = thermal_prior(findings, best)
    curve = curves.ratio[:, curves.rest]
    response = best.castings.temperature_response()
    out["response"] = response | {"planned": [float(x) for x in curve]}
    if prior is not None:
        bands = [_quantiles(column, "prior") for column in prior.ratios.T]
        out["response"] |= {
            key: [band[key] for band in bands] for key in ("prior_p05", "prior_p95")
        }
        out["prior"] = {
            "contains": prior.contains,
            "n": len(prior.ratios),
            "beyond_simulated_share": prior.beyond,
            "positive_share": _rising_share(prior, curves.room),
        }
    contacts = findings.contacts
    measured = isinstance(contacts, ContactParameters) and (
        {"lambda_T", "Ea"} <= contacts.measured
    )
    out["sign_rests_on_measurement"] = bool(plan.contacts.model == "opening" and measured)
    coefficient = thermal_summary(
        curves.temperature_coefficient,
        central_68(curves.coefficients(curves.resamples)),
        curves.coefficients(curves.castings),
        None if prior is None else prior.coefficients,
    )
    out["coefficient_per_K"] = coefficient
    out["coefficient_ppm_per_K"] = _scaled(coefficient, 1e6)
    value, error = curves.thermal_output_and_error()
    out["gauge_factor"] = curves.gauge_factor
    out["thermal_output_microstrain_per_K"] = _scaled(
        thermal_summary(
            value,
            error,
            curves.thermal_outputs(curves.castings),
            None if prior is None else prior.outputs,
        ),
        1e6,
    )
    out |= _linear_range(curves, prior)
    chords = curves.chords(curves.ratio)
    spread = [central_68(column) for column in curves.chords(curves.resamples).T]
    out["gauge_factors"] = {
        "temperature_K": [float(t) for t in curves.temperatures],
        "value": [float(x) for x in chords],
        "standard_error": spread,
    }
    dilution = _dilution(findings, best)
    if dilution is not None:
        out["dilution"] = dilution
    if curves.strains[curves.end] != 0.0:
        out["two_readings"] = _two_readings(
            findings, None if sensitivity is None else sensitivity[0], best, curves
        )
    return {"temperature": out}


def _linear_range(curves: FilmCurves, prior: ThermalPrior | None) -> dict[str, Any]:
    """Where the slope of R above 20 C has grown by half, or fallen to half."""
    t = curves.temperatures
    hottest = float(t[-1])
    out: dict[str, Any] = {}
    for key, factor in (("slope_grown_by_half_K", 1.5), ("slope_fallen_to_half_K", 0.5)):
        found = linear_until(t, curves.ratio[:, curves.rest], ROOM_TEMPERATURE, factor)

        def ends(ratios: Floats, factor: float = factor) -> Floats:
            reached = [linear_until(t, row, ROOM_TEMPERATURE, factor) for row in ratios]
            return np.array([hottest if x is None else x for x in reached])

        out[key] = {
            "value": found,
            **_quantiles(ends(curves.resamples[..., curves.rest]), "simulation"),
            **_quantiles(ends(curves.castings[..., curves.rest][:400]), "castings"),
        }
        if prior is not None:
            out[key] |= _quantiles(ends(prior.ratios[:400]), "prior")
    out["hottest_K"] = hottest
    return out
