"""What is not known, carried to every candidate: bands, chances, and what causes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import box_seed
from percsim.boxes.statistics import cv_from_log_std, weighted_quantiles
from percsim.decision.choose import Target
from percsim.decision.predict import (
    Loading,
    Outlook,
    best_shares,
    first_order_shares,
    outlook,
)
from percsim.decision.priors import ContactParameters, Draws, Priors, contact_priors
from percsim.findings.gather import Findings
from percsim.findings.layers import mounted

__all__ = ["DRAWS", "candidate_outlooks", "candidate_rows", "day_one", "prior_rows"]

DRAWS = 1024
"""Joint draws carried to every candidate."""

# Numbers of the streams under the purpose "priors".
PARAMETERS, SIMULATION = 0, 1

UNITS = {"g0": "S", "Ea": "J"}

CONTAINS = {
    "film_resistance_ohm": (
        "R of the film as planned: what is not known of contacts and threshold, and the "
        "simulation error; 5 to 95 % of the draws"
    ),
    "casting_resistance_ohm": (
        "R of one casting: the same, and the bench tolerances; 5 to 95 %"
    ),
    "gauge_factor": (
        "gauge factors of films that conduct: what is not known of contacts and threshold, "
        "and the loading's tolerance; 5 to 95 %, no simulation error"
    ),
    "pass_share": (
        "probability that a casting conducts, lies in the window and reaches the gauge "
        "factor, averaged over what is not known"
    ),
    "best": "probability that no other candidate has a larger share of passing castings",
}
"""What each band and chance of a candidate contains."""


def prior_rows(priors: Priors) -> list[dict[str, Any]]:
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


def candidate_outlooks(
    findings: Findings, draws: Draws, *, weighed_off: float = 0.0
) -> list[Outlook]:
    """Carry draws to every candidate, in the order of the decision.

    `weighed_off` is what the weight fraction of every cup is off by, as a logarithm.
    """
    responses = findings.responses
    assert responses is not None
    plan = findings.plan
    seed = box_seed(plan.seed, SIMULATION, "priors")
    found = []
    for candidate in findings.decision.candidates:
        loading = candidate.castings.fit.loading
        found.append(
            outlook(
                mounted(
                    plan,
                    responses,
                    candidate.castings.fit.loading,
                    candidate.castings.film,
                ),
                Loading(
                    loading.weight_fraction, loading.volume_fraction, loading.log_slope
                ),
                candidate.castings.film,
                draws,
                candidate.castings.tolerances,
                findings.threshold.aspect_ratio_slope,
                seed,
                off_by=weighed_off * loading.log_slope,
            )
        )
    return found


def _band(values: Sequence[float] | None) -> dict[str, float] | None:
    if values is None:
        return None
    return dict(zip(("median", "p05", "p95"), map(float, values), strict=True))


def _cv_band(o: Outlook) -> dict[str, float] | None:
    found = weighted_quantiles(o.spread, (0.5, 0.05, 0.95), o.draws.weights)
    return _band(
        [cv_from_log_std(float(s)) if np.isfinite(s) else float("inf") for s in found]
    )


def _gauge_cv_band(o: Outlook) -> dict[str, float]:
    found = weighted_quantiles(o.gauge_spread, (0.5, 0.05, 0.95), o.draws.weights)
    return dict(zip(("median", "p05", "p95"), map(float, found), strict=True))


def candidate_rows(
    outlooks: Sequence[Outlook], target: Target, *, with_shares: bool
) -> tuple[list[dict[str, Any]], NDArray[np.float64]]:
    """Bands and chances of every candidate; pass share of each at each draw.

    Parameters
    ----------
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
    shares = np.stack([o.pass_shares(target) for o in outlooks])
    window_only = replace(target, gauge_factor_min=None)
    weights = outlooks[0].draws.weights
    best = best_shares(shares, weights)
    rows = []
    for o, share, chance in zip(outlooks, shares, best, strict=True):
        row = {
            "weight_fraction": o.loading.weight_fraction,
            "electrode_gap_m": o.film.electrode_gap,
            "thickness_m": o.film.thickness,
            "film_resistance_ohm": _band(o.film_band()),
            "casting_resistance_ohm": _band(o.casting_band()),
            "open": o.open_share,
            "gauge_factor": _band(o.response_band(o.chord)),
            "gauge_factor_initial": _band(o.response_band(o.initial)),
            "resistance_cv": _cv_band(o),
            "gauge_factor_cv": _gauge_cv_band(o),
            "temperature_coefficient_per_K": None
            if o.drift is None
            else _band(o.response_band(o.drift)),
            "in_window": float(weights @ o.pass_shares(window_only)),
            "pass_share": float(weights @ share),
            "meets_share": float(weights @ (share >= target.pass_share_min)),
            "best": float(chance),
        }
        if with_shares:
            level = o.log_rest[:, o.nominal]
            gauge = np.where(np.isfinite(level), o.chord[:, o.nominal], np.inf)
            row["resistance_variance_shares"] = first_order_shares(o.draws, level)
            row["gauge_factor_variance_shares"] = first_order_shares(o.draws, gauge)
        rows.append(row)
    return rows, shares


def day_one(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Carry the day-one distributions to every candidate.

    Parameters
    ----------
    findings : Findings
        Of the run.
    summary : dict
        So far; not used.

    Returns
    -------
    dict
        Key `day_one`; nothing for laws other than contact opening, and where no boxes were
        solved at other settings of the law.

    """
    contacts = findings.plan.contact_parameters()
    if findings.responses is None or not isinstance(contacts, ContactParameters):
        return {}
    priors = contact_priors(contacts, findings.threshold)
    draws = priors.draw(DRAWS, box_seed(findings.plan.seed, PARAMETERS, "priors"))
    outlooks = candidate_outlooks(findings, draws)
    target = findings.plan.decision_target()
    rows, shares = candidate_rows(outlooks, target, with_shares=True)
    return {
        "day_one": {
            "n_draws": len(draws),
            "contains": CONTAINS,
            "window_ohm": list(target.window),
            "priors": prior_rows(priors),
            "candidates": rows,
            "best": int(np.argmax(shares @ draws.weights)),
            "any_passes": float(
                draws.weights @ (shares.max(axis=0) >= target.pass_share_min)
            ),
        }
    }
