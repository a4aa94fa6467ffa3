"""What measured films say: parameters, rows against expectation, the decision again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from percsim.assemble.day_one import DRAWS, UNITS, candidate_outlooks, candidate_rows
from percsim.assemble.gather import Findings, log_slope
from percsim.decision.anchor import Anchoring, Reading, RowCheck, anchor, next_castings
from percsim.decision.choose import Candidate, Target
from percsim.decision.predict import Loading
from percsim.decision.priors import ContactParameters, Draws, contact_priors
from percsim.ensemble.sampling import box_seed
from percsim.ensemble.statistics import weighted_quantiles
from percsim.film.transfer import FAITHFUL_RATIO
from percsim.plan import Plan

__all__ = ["anchoring", "measured_films", "plan_readings", "posterior"]

# Numbers of the streams under the purpose "priors", after those of `day_one`.
POSTERIOR, RESAMPLED, IMAGINED = 2, 3, 4

NEXT = 5
"""Castings listed as the most informative."""
GRID = 25
"""Points of the curves of the parameters."""


def plan_readings(plan: Plan) -> tuple[Reading, ...]:
    """Measured rows of a plan as the decision takes them."""
    readings = []
    for i, row in enumerate(plan.measured, 1):
        recipe = plan.recipe(row.weight_fraction)
        nominal = plan.film_at(row.electrode_gap)
        readings.append(
            Reading(
                row.note or f"row {i}",
                Loading(recipe.weight_fraction, recipe.volume_fraction, log_slope(recipe)),
                replace(
                    nominal,
                    thickness=nominal.thickness if row.thickness is None else row.thickness,
                    width=nominal.width if row.width is None else row.width,
                ),
                row.resistance,
                row.films,
                row.strain,
                row.temperature,
                row.change,
                row.spread,
            )
        )
    return tuple(readings)


def anchoring(findings: Findings) -> Anchoring | None:
    """Find what the plan's measured rows tell; None without rows or responses."""
    plan = findings.plan
    contacts = plan.contact_parameters()
    if (
        not plan.measured
        or findings.responses is None
        or not isinstance(contacts, ContactParameters)
    ):
        return None
    return anchor(
        findings.responses,
        plan_readings(plan),
        contact_priors(contacts, findings.threshold),
        plan.casting_tolerances(),
        box_seed(plan.seed, POSTERIOR, "priors"),
    )


def posterior(findings: Findings, found: Anchoring) -> Draws:
    """Draws of equal weight for the candidates."""
    return found.draws.resampled(DRAWS, box_seed(findings.plan.seed, RESAMPLED, "priors"))


def _parameters(found: Anchoring) -> list[dict[str, Any]]:
    """Each number before and after, with curves of both on a grid."""
    rows = []
    values = found.draws.values
    columns = {p.name: k for k, p in enumerate(found.priors.free)}
    for prior in found.priors:
        median, p05, p95 = weighted_quantiles(
            values[prior.name], (0.5, 0.05, 0.95), found.draws.weights
        )
        low, high = prior.limits(0.9)
        row: dict[str, Any] = {
            "name": prior.name,
            "unit": UNITS.get(prior.name, "1"),
            "held": prior.is_fixed,
            "prior": {"median": prior.median, "p05": low, "p95": high},
            "posterior": {"median": float(median), "p05": float(p05), "p95": float(p95)},
            "width_left": found.narrowing.get(prior.name),
        }
        if prior.name in columns:
            edges = np.linspace(-3.0, 3.0, GRID)
            counts, _ = np.histogram(
                found.draws.z[:, columns[prior.name]], edges, weights=found.draws.weights
            )
            middles = 0.5 * (edges[1:] + edges[:-1])
            row["curve"] = {
                "value": [float(x) for x in prior.value(middles)],
                "prior": [float(x) for x in np.exp(-0.5 * middles**2) / np.sqrt(2 * np.pi)],
                "posterior": [float(x) for x in counts / (edges[1] - edges[0])],
            }
        rows.append(row)
    return rows


def _band(values: tuple[float, float, float] | None) -> dict[str, float] | None:
    return (
        None if values is None else dict(zip(("median", "p05", "p95"), values, strict=True))
    )


def _row(check: RowCheck) -> dict[str, Any]:
    reading = check.reading
    return {
        "label": reading.label,
        "weight_fraction": reading.loading.weight_fraction,
        "electrode_gap_m": reading.film.electrode_gap,
        "thickness_m": reading.film.thickness,
        "width_m": reading.film.width,
        "films": reading.films,
        "strain": reading.strain,
        "temperature_K": reading.temperature,
        "resistance_ohm": reading.resistance,
        "change": reading.relative_change,
        "expected_before_ohm": _band(check.prior),
        "expected_ohm": _band(check.posterior),
        "expected_change_before": _band(check.prior_change),
        "expected_change": _band(check.posterior_change),
        "probability": check.probability,
        "outlier": check.is_outlier,
    }


def _margins(row: dict[str, Any], target: Target) -> list[dict[str, Any]]:
    """Limits of the target against what measured films let expect, as `Margin.as_dict`.

    Medians over castings and what is still possible; CVs between castings, median over what
    is still possible; the share averaged over it.
    """
    low, high = target.window
    median = row["casting_resistance_ohm"]["median"]
    gauge = (row["gauge_factor"] or {}).get("median", 0.0)
    rows = [
        ("median resistance, at least", low if low > 0.0 else None, median, "ohm", 1),
        (
            "median resistance, at most",
            high if np.isfinite(high) else None,
            median,
            "ohm",
            -1,
        ),
        ("median gauge factor, at least", target.gauge_factor_min, gauge, "1", 1),
    ]
    rows += [
        (f"CV of {words}, at most", limit, row[key]["median"], "1", -1)
        for words, limit, key in (
            ("resistance", target.resistance_cv_max, "resistance_cv"),
            ("gauge factor", target.gauge_factor_cv_max, "gauge_factor_cv"),
        )
    ]
    asked = target.pass_share_min
    rows.append(("share of castings that pass, at least", asked, row["pass_share"], "1", 1))
    return [
        {
            "target": name,
            "limit": limit,
            "value": value,
            "unit": unit,
            "met": bool(sign * value >= sign * limit and np.isfinite(value)),
            "within_error": False,
        }
        for name, limit, value, unit, sign in rows
        if limit is not None
    ]


def _trusted(candidate: Candidate) -> bool:
    """Whether the boxes of a candidate are far enough above the threshold to decide."""
    return bool(candidate.castings.fit.threshold_ratio >= FAITHFUL_RATIO)


def _decided(
    rows: Sequence[dict[str, Any]], candidates: Sequence[Candidate], target: Target
) -> tuple[int, bool]:
    """Best candidate, and whether it meets every limit judged by measured films.

    Of those that do, the one with the largest share of passing castings; else of those
    whose boxes can be trusted.
    """
    trusted = [_trusted(c) for c in candidates]
    meets = [
        can and all(m["met"] for m in _margins(row, target))
        for row, can in zip(rows, trusted, strict=True)
    ]
    at = max(range(len(rows)), key=lambda i: (meets[i], trusted[i], rows[i]["pass_share"]))
    return at, meets[at]


def measured_films(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Learn from measured films, and decide again with what is then known.

    Parameters
    ----------
    findings : Findings
        Of the run.
    summary : dict
        So far; its `reasons` and `weigh_out` give way to those of the measured films.

    Returns
    -------
    dict
        Keys `anchor`, `reasons`, `reasons_as_planned` and `weigh_out`; nothing for a plan
        without measured rows.

    """
    found = anchoring(findings)
    if found is None:
        return {}
    plan, target = findings.plan, findings.plan.decision_target()
    draws = posterior(findings, found)
    outlooks = candidate_outlooks(findings, draws)
    rows, shares = candidate_rows(outlooks, target, with_shares=False)
    for row, candidate in zip(rows, findings.decision.candidates, strict=True):
        row["margins"] = _margins(row, target)
        row["trusted"] = _trusted(candidate)
    ranked = next_castings(outlooks, target, box_seed(plan.seed, IMAGINED, "priors"))
    mean = shares @ draws.weights
    at, meets = _decided(rows, findings.decision.candidates, target)
    margins = rows[at]["margins"]
    best, whole = outlooks[at], findings.whole
    numbers = [i for i, c in enumerate(whole.candidates) if c.mix == whole.best.mix]
    first = (
        f"the measured films tell: {100 * best.loading.weight_fraction:.4g} wt% at "
        f"{1e3 * best.film.electrode_gap:.3g} mm gap passes in {100 * mean[at]:.3g} % of "
        f"its castings, averaged over what is still possible, "
        f"{100 * target.pass_share_min:.3g} % are asked"
    )
    missed = [m["target"].partition(",")[0] for m in margins if not m["met"]]
    reasons = [first]
    if not meets:
        why = f"it misses {' and '.join(dict.fromkeys(missed))}"
        if not missed:
            why = f"its boxes, below {FAITHFUL_RATIO:g} times the threshold, do not decide"
        reasons.append(f"by the measured films no candidate meets every target: {why}")
    if target.thermal_output_max is not None or target.self_heating_drift_max is not None:
        reasons.append(
            "thermal output and self-heating are not judged by the measured films; look at "
            "them as planned"
        )
    if len(plan.mixes) > 1 or len(numbers) < len(whole.candidates):
        reasons.append(
            "the measured films were held against one mix, "
            f"{whole.best.words or 'that of the candidate nearest as planned'}; run the "
            "plan with another mix alone to hold them against that"
        )
    recipe = next(
        recipe
        for recipe in map(plan.recipe, plan.weight_fractions)
        if recipe.weight_fraction == best.loading.weight_fraction
    )
    return {
        # what was said before of contacts nobody had measured holds no longer
        "reasons": reasons,
        "reasons_as_planned": summary.get("reasons", []),
        "weigh_out": plan.weigh_out(recipe, best.film).as_dict(),
        "anchor": {
            "n_rows": len(found.checks),
            "n_draws": len(found.draws),
            "effective_draws": found.draws.effective_size,
            "parameters": _parameters(found),
            "correlations": [
                {"first": a, "second": b, "value": value}
                for (a, b), value in found.correlations.items()
            ],
            "notes": list(found.notes),
            "rows": [_row(check) for check in found.checks],
            "window_ohm": list(target.window),
            "candidates": rows,
            "best": at,
            "candidate": numbers[at],
            "meets_target": meets,
            "margins": margins,
            "any_passes": float(
                draws.weights @ (shares.max(axis=0) >= target.pass_share_min)
            ),
            "next": [
                {
                    "weight_fraction": c.outlook.loading.weight_fraction,
                    "electrode_gap_m": c.outlook.film.electrode_gap,
                    "films": c.films,
                    "best_pass_share": c.best_pass_share,
                    "gain": c.gain,
                    "variance_left": c.variance_left,
                    "open": c.open_chance,
                }
                for c in ranked[:NEXT]
            ],
        },
    }
