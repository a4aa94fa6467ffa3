"""What is not known, carried to every candidate: bands, chances, and what causes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from percsim.advice import Films, carried, known_of
from percsim.decision.knowledge import Knowledge
from percsim.decision.outlook import Band, Outlook, Recipe
from percsim.decision.priors import Priors
from percsim.decision.sensitivity import best_shares, first_order_shares
from percsim.decision.target import Target
from percsim.film.curve import initial_slopes
from percsim.findings.judged import Findings

__all__ = ["day_one", "outlook_rows", "prior_rows"]

Floats = NDArray[np.float64]

UNITS = {"g0": "S", "Ea": "J", "closed_at": "K"}


def prior_rows(priors: Priors) -> list[dict[str, object]]:
    """Distributions before any reading, for the summary."""
    rows = []
    for prior in priors:
        p05, p95 = prior.limits(0.9)
        low, high = prior.limits()
        rows.append(
            {
                "name": prior.name,
                "unit": UNITS.get(prior.name, "1"),
                "basis": prior.basis,
                "held": prior.is_fixed,
                "median": prior.median,
                "p05": p05,
                "p95": p95,
                "p025": low,
                "p975": high,
            }
        )
    return rows


def _responses(
    films: Films, recipes: Sequence[Recipe], known: Knowledge
) -> list[tuple[Floats, Floats | None]]:
    """Gauge factor at zero strain and temperature coefficient [1/K] of films as planned.

    (n,) each, inf where a film opens; the second only for a plan of several temperatures.
    The slope of ln R from the coldest to the hottest one.
    """
    visits, material = films.model.visits, known.material(films.model)
    heat, every = visits.by_temperature, range(len(visits))
    read: dict[float, tuple[Floats, Floats]] = {}
    found = []
    for recipe in recipes:
        phi = recipe.loading.volume_fraction
        if phi not in read:  # once for all gaps
            at = np.log(phi) - known.log_factor
            read[phi] = material.ohmic(*material.at(at[:, None], every), every)
        logs = material.of_film(recipe.film, *read[phi])[:, 0]
        if films.mounting is not None:
            logs = films.mounting(recipe.film, recipe.loading, logs)
        initial = initial_slopes(logs, visits.strains, visits.strained, visits.rest)
        drift = None
        if len(heat) > 1:
            cold, hot = logs[:, heat[0]], logs[:, heat[-1]]
            both = np.isfinite(cold) & np.isfinite(hot)
            rise = np.where(both, hot, 0.0) - np.where(both, cold, 0.0)
            span = visits.temperatures[heat[-1]] - visits.temperatures[heat[0]]
            drift = np.where(both, rise / span, np.inf)
        found.append((initial, drift))
    return found


def _conducting_band(o: Outlook, values: Floats | None) -> Band | None:
    """Band over the draws whose film conducts; None where half of them do not."""
    if values is None:
        return None
    weights = np.where(o.conducts[:, o.nominal], o.weights, 0.0)
    if weights.sum() < 0.5:
        return None
    return Band.of(values, weights / weights.sum())


def outlook_rows(
    films: Films, outlooks: Sequence[Outlook], target: Target, *, with_shares: bool
) -> tuple[list[dict[str, object]], Floats]:
    """Bands and chances of every candidate; pass share of each at each draw.

    Parameters
    ----------
    films : Films
        Of the mix.
    outlooks : sequence of Outlook
        Every candidate, over the same draws.
    target : Target
        What is asked.
    with_shares : bool
        Whether to split the variance by parameter: only for draws of equal weight.

    Returns
    -------
    rows : list of dict
        For the summary.
    shares : (candidates, n) ndarray of float

    """
    known = outlooks[0].knowledge
    shares = np.stack([o.pass_shares(target) for o in outlooks])
    window_only = replace(target, gauge_factor_min=None)
    best = best_shares(shares, known.weights)
    responses = _responses(films, [o.recipe for o in outlooks], known)
    rows = []
    for o, share, chance, (initial, drift) in zip(
        outlooks, shares, best, responses, strict=True
    ):
        row: dict[str, object] = {
            "weight_fraction": o.recipe.loading.weight_fraction,
            "electrode_gap_m": o.recipe.film.electrode_gap,
            "thickness_m": o.recipe.film.thickness,
            "film_resistance_ohm": o.film_band(),
            "casting_resistance_ohm": o.casting_band(),
            "open": float(known.weights @ o.open_shares),
            "gauge_factor": o.response_band(),
            "gauge_factor_initial": _conducting_band(o, initial),
            "resistance_cv": known.band(o.resistance_cv),
            "gauge_factor_cv": known.band(o.gauge_factor_cv),
            "temperature_coefficient_per_K": _conducting_band(o, drift),
            "in_window": float(known.weights @ o.pass_shares(window_only)),
            "pass_share": float(known.weights @ share),
            "meets_share": float(known.weights @ (share >= target.pass_share_min)),
            "probability": o.probability(target),
            "best": float(chance),
        }
        rows.append(row)
    if with_shares:
        levels = [o.rest[:, o.nominal] for o in outlooks]
        gauges = [
            np.where(np.isfinite(level), o.chord[:, o.nominal], np.inf)
            for o, level in zip(outlooks, levels, strict=True)
        ]
        told = first_order_shares(known, [*levels, *gauges])
        for row, of_level, of_gauge in zip(
            rows, told[: len(rows)], told[len(rows) :], strict=True
        ):
            row["resistance_variance_shares"] = of_level
            row["gauge_factor_variance_shares"] = of_gauge
    return rows, shares


def day_one(findings: Findings) -> dict[str, object] | None:
    """Carry the day-one distributions to every candidate of the mix.

    Parameters
    ----------
    findings : Findings
        Of the run.

    Returns
    -------
    dict or None
        None for laws other than contact opening, and where no boxes were solved at other
        settings of the law.

    """
    films, target, known = findings.mix.films, findings.target, findings.known
    if films.model.surface is None:
        return None
    if findings.posterior is None:
        of = {o.recipe: o for o in findings.outlooks}
        outlooks: Sequence[Outlook] = [of[recipe] for recipe in films.recipes]
    else:  # what was not known before any film
        known, _ = known_of(replace(films, plan=replace(films.plan, measured=())))
        outlooks = carried(films, films.recipes, known)
    rows, shares = outlook_rows(films, outlooks, target, with_shares=True)
    passes = shares.max(axis=0) >= target.pass_share_min
    return {
        "n_draws": len(known),
        "window_ohm": target.window,
        "priors": prior_rows(known.priors),
        "candidates": rows,
        "best": int(np.argmax(shares @ known.weights)),
        "any_passes": float(known.weights @ passes),
    }
