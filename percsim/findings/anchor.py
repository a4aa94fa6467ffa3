"""What measured films say: parameters, rows against expectation, the decision again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.anchor import Anchoring, Reading, RowCheck, anchor, next_castings
from percsim.decision.choose import (
    EQUAL_SHARES,
    WEIGHING_ERROR,
    Candidate,
    Margin,
    Standing,
    Target,
    choose_among,
)
from percsim.decision.predict import (
    Loading,
    Outlook,
    Ranking,
    limits_of,
    rank_outlooks,
)
from percsim.decision.priors import ContactParameters, Draws, contact_priors
from percsim.film.responses import KnownResponses
from percsim.film.transfer import FAITHFUL_RATIO
from percsim.findings.carried import carried_findings, carried_mix, known_from
from percsim.findings.day_one import DRAWS, UNITS, candidate_outlooks, candidate_rows
from percsim.findings.gather import Findings, log_slope
from percsim.findings.stages import decision_arguments
from percsim.plan import Plan
from percsim.words import confidence, mm, percent, weight

__all__ = [
    "Learned",
    "anchoring",
    "learn",
    "measured_candidates",
    "measured_films",
    "plan_readings",
    "posterior",
]

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
                row.note or (f"row {i}, {row.batch}" if row.batch else f"row {i}"),
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
                row.batch or "",
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
        "batch": reading.batch,
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


@dataclass(frozen=True, slots=True)
class Learned:
    """The decision by measured films.

    Parameters
    ----------
    found : Anchoring
        What the rows tell.
    draws : Draws
        Draws of equal weight from it.
    outlooks : tuple of Outlook
        Every candidate of the mix over them.
    rows : tuple of dict
        Bands and chances of every candidate, for the summary.
    ranking : Ranking
        The choice.
    findings : Findings
        As measured films would have them, the choice among them.
    thresholds : tuple of float
        The film's own threshold as volume fraction: at the likeliest values, 5 and 95 % of
        what is still possible.

    """

    found: Anchoring
    draws: Draws
    outlooks: tuple[Outlook, ...]
    rows: tuple[dict[str, Any], ...]
    ranking: Ranking
    findings: Findings
    thresholds: tuple[float, float, float]


def learn(findings: Findings) -> Learned | None:
    """Decide again by measured films.

    Parameters
    ----------
    findings : Findings
        As planned, of the mix that the rows are of.

    Returns
    -------
    Learned or None
        None for a plan without measured rows or without responses.

    """
    found = anchoring(findings)
    contacts = findings.plan.contact_parameters()
    if found is None or not isinstance(contacts, ContactParameters):
        return None
    plan, target = findings.plan, findings.plan.decision_target()
    draws = posterior(findings, found)
    known, factor = known_from(found, draws, contacts)
    mix, moves = carried_mix(findings, draws, known, factor)
    judged = choose_among(
        [mix],
        plan.electrode_gaps,
        target,
        confidence=plan.boxes.confidence,
        **{**decision_arguments(plan), "contacts": known.contacts},
    )
    outlooks = candidate_outlooks(findings, draws)
    off = np.log1p(WEIGHING_ERROR)
    fewer, more = (
        candidate_outlooks(findings, draws, weighed_off=k * off) for k in (-1.0, 1.0)
    )
    rows, shares = candidate_rows(outlooks, target, with_shares=False)
    margins = []
    for k, (row, candidate) in enumerate(zip(rows, judged.candidates, strict=True)):
        own = _margins(row, candidate, target)
        low, high = weighted_quantiles(shares[k], (0.025, 0.975), draws.weights)
        row["pass_share_low"], row["pass_share_high"] = float(low), float(high)
        row["pass_share_fewer"], row["pass_share_more"] = (
            float(o.pass_shares(target) @ draws.weights) for o in (fewer[k], more[k])
        )
        row["margins"] = [m.as_dict() for m in own]
        row["trusted"] = _trusted(candidate)
        margins.append(own)
    ranking = rank_outlooks(
        outlooks, target, margins, [bool(row["trusted"]) for row in rows]
    )
    for row, first in zip(rows, ranking.first, strict=True):
        row["best"] = first
    best = judged.candidates[ranking.best].castings.fit.loading
    decision = replace(
        judged,
        candidates=tuple(
            replace(c, margins=own, refused_because=_missed(row, own))
            for c, row, own in zip(judged.candidates, rows, margins, strict=True)
        ),
        chosen=ranking.best if ranking.meets else None,
        nearest=None if ranking.meets else ranking.best,
        standing=Standing(ranking.confidence, ranking.first, ()),
        # advice is worked out for the candidate that comes nearest by it
        what_would_have_to_change=judged.what_would_have_to_change
        if not ranking.meets and judged.nearest == ranking.best
        else (),
    )
    recipe = next(
        recipe
        for recipe in map(plan.recipe, plan.weight_fractions)
        if recipe.weight_fraction == best.weight_fraction
    )
    carried = carried_findings(findings, mix, moves, known, factor)
    responses = findings.responses
    assert responses is not None
    assert not isinstance(responses, KnownResponses)
    parameters = draws.values
    factors = parameters.pop("threshold")
    low, high = weighted_quantiles(
        responses.own_threshold(parameters, factors), (0.05, 0.95), draws.weights
    )
    return Learned(
        found,
        draws,
        tuple(outlooks),
        tuple(rows),
        ranking,
        replace(carried, decision=decision, whole=decision, recipe=recipe),
        (mix.threshold.volume_fraction, float(low), float(high)),
    )


def _margins(
    row: dict[str, Any], candidate: Candidate, target: Target
) -> tuple[Margin, ...]:
    """Limits of the target against what measured films let expect.

    Medians over castings and what is still possible; CVs between castings, median over what
    is still possible; the share averaged over it. Thermal output and self-heating are those
    of the candidate at the values that the films make likeliest.
    """
    values = {
        "resistance": row["casting_resistance_ohm"]["median"],
        "gauge_factor": (row["gauge_factor"] or {}).get("median", 0.0),
        "resistance_cv": row["resistance_cv"]["median"],
        "gauge_factor_cv": row["gauge_factor_cv"]["median"],
        "pass_share": row["pass_share"],
    }
    limits = limits_of(target)
    own = [limit.margin(values[limit.what]) for limit in limits]
    names = {limit.name for limit in limits}
    return (*own[:-1], *(m for m in candidate.margins if m.target not in names), own[-1])


def _missed(row: dict[str, Any], margins: Sequence[Margin]) -> tuple[str, ...]:
    """Say what a candidate misses by the measured films, in plain words."""
    words = []
    if not row["trusted"]:
        words.append(
            f"below {FAITHFUL_RATIO:g} times the threshold that the measured films tell, "
            "where boxes do not decide"
        )
    names = dict.fromkeys(m.target.partition(",")[0] for m in margins if not m.met)
    if names:
        words.append(f"misses {' and '.join(names)} by the measured films")
    return tuple(words)


def _trusted(candidate: Candidate) -> bool:
    """Whether the boxes of a candidate are far enough above the threshold to decide."""
    return bool(candidate.castings.fit.threshold_ratio >= FAITHFUL_RATIO)


def measured_candidates(
    candidates: Sequence[dict[str, Any]], learned: Learned
) -> list[dict[str, Any]]:
    """Candidates of a summary with the numbers that measured films tell of them."""
    out = []
    for candidate, row, first in zip(
        candidates, learned.rows, learned.ranking.first, strict=True
    ):
        level = row["casting_resistance_ohm"]
        own = candidate["resistance_ohm"]
        error = own["standard_error"] / own["median"] if 0 < own["median"] < np.inf else 0
        is_open = level["median"] == np.inf
        gauge = row["gauge_factor"] or dict.fromkeys(("median", "p05", "p95"))
        initial = row["gauge_factor_initial"] or {"median": None}
        out.append(
            {
                **candidate,
                "resistance_ohm": {
                    **level,
                    "standard_error": np.inf if is_open else level["median"] * error,
                },
                "resistance_cv": row["resistance_cv"]["median"],
                "open_fraction": row["open"],
                "gauge_factor": {
                    **(dict.fromkeys(gauge) if is_open else gauge),
                    "standard_error": None
                    if is_open
                    else candidate["gauge_factor"]["standard_error"],
                },
                "gauge_factor_initial": None if is_open else initial["median"],
                "gauge_factor_cv": row["gauge_factor_cv"]["median"],
                "pass_share": {
                    "value": row["pass_share"],
                    "low": row["pass_share_low"],
                    "high": row["pass_share_high"],
                },
                "weighing_error": {
                    "relative": WEIGHING_ERROR,
                    "pass_share_low": row["pass_share_fewer"],
                    "pass_share_high": row["pass_share_more"],
                },
                "best_confidence": first,
            }
        )
    return out


def measured_films(
    findings: Findings, summary: dict[str, Any], learned: Learned | None = None
) -> dict[str, Any]:
    """Learn from measured films, and decide again with what is then known.

    Parameters
    ----------
    findings : Findings
        As planned.
    summary : dict
        So far; its `reasons` and `weigh_out` give way to those of the measured films.
    learned : Learned, optional
        From `learn`, worked out without.

    Returns
    -------
    dict
        Keys `anchor`, `reasons`, `reasons_as_planned`, `as_planned` and `weigh_out`;
        nothing for a plan without measured rows.

    """
    learned = learn(findings) if learned is None else learned
    if learned is None:
        return {}
    found, ranking, rows = learned.found, learned.ranking, learned.rows
    plan, target, draws = findings.plan, findings.plan.decision_target(), learned.draws
    at, meets = ranking.best, ranking.meets
    margins, best = rows[at]["margins"], learned.outlooks[at]
    ranked = next_castings(
        learned.outlooks, target, box_seed(plan.seed, IMAGINED, "priors")
    )
    shares = np.stack([o.pass_shares(target) for o in learned.outlooks])
    reasons = [
        f"the measured films tell: {weight(best.loading.weight_fraction)} at "
        f"{mm(best.film.electrode_gap)} gap passes in "
        f"{percent(rows[at]['pass_share'])} % of its castings, averaged over what is "
        f"still possible, {percent(target.pass_share_min)} % are asked"
    ]
    if not meets:
        missed = [m["target"].partition(",")[0] for m in margins if not m["met"]]
        why = f"it misses {' and '.join(dict.fromkeys(missed))}"
        if not missed:
            why = f"its boxes, below {FAITHFUL_RATIO:g} times the threshold, do not decide"
        reasons.append(f"by the measured films no candidate meets every target: {why}")
    reasons.append(_how_sure(ranking, rows, plan.boxes.confidence))
    if target.thermal_output_max is not None or target.self_heating_drift_max is not None:
        reasons.append(
            "thermal output and self-heating are judged at the values that the films make "
            "likeliest"
        )
    if findings.mix is not None and len(findings.whole.candidates) > len(rows):
        reasons.append(
            f"the measured films are of one mix, {findings.mix.words}, and decide among "
            "its candidates alone; a run without readings shows the other mixes"
        )
    as_planned = findings.decision.as_dict()
    return {
        # what was said before of contacts nobody had measured holds no longer
        "reasons": reasons,
        "reasons_as_planned": summary.get("reasons", []),
        "as_planned": {key: as_planned[key] for key in ("candidates", "chosen", "nearest")},
        "weigh_out": plan.weigh_out(learned.findings.recipe, best.film).as_dict(),
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
            "candidates": list(rows),
            "best": at,
            "candidate": at,
            "meets_target": meets,
            "confidence": ranking.confidence,
            "confidence_asked": plan.boxes.confidence,
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


def _how_sure(ranking: Ranking, rows: Sequence[dict[str, Any]], asked: float) -> str:
    """Say with what confidence the choice is known, and who could still be better."""
    sure = f"{confidence(ranking.confidence)} %"
    if not ranking.meets:
        return f"in {sure} of what is still possible no candidate meets every target"
    text = (
        f"it is known to be the best with a confidence of {sure} "
        f"({percent(asked)} % asked): in so much of what is still possible it meets every "
        f"target and no other that does passes over {percent(EQUAL_SHARES)} % more of its "
        "castings"
    )
    share, row = max(zip(ranking.rivals, rows, strict=True), key=lambda pair: pair[0])
    if ranking.confidence < asked and share > 0.0:
        text += (
            f"; {weight(row['weight_fraction'])} at "
            f"{mm(row['electrode_gap_m'])} gap may be better, in "
            f"{confidence(share)} %"
        )
    return text
