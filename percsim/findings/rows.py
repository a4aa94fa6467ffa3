"""Candidates, choice and decision as `summary.json` holds them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from percsim.decision.candidates import WEIGHING_ERROR, Candidate, Choice, Margin
from percsim.decision.decide import FILMS, Decision, State
from percsim.decision.outlook import Recipe
from percsim.findings.judged import Findings
from percsim.packing import plain
from percsim.words.assumptions import assumptions
from percsim.words.candidates import cautions, limit_name, refusals, thickening
from percsim.words.choice import known_by_films, reasons, what_is_assumed
from percsim.words.first import change_line, expected_lines, state_line

__all__ = ["candidate_rows", "margin_row", "recipe_key", "summary_of_choice"]


def margin_row(margin: Margin) -> dict[str, object]:
    """Give one limit and where a candidate stands."""
    return {
        "target": limit_name(margin.limit),
        "limit": margin.limit.value,
        "value": margin.value,
        "unit": margin.limit.unit,
        "met": margin.met,
        "within_error": margin.within_error,
    }


def candidate_rows(choice: Choice) -> list[dict[str, object]]:
    """Every candidate of a choice, with the confidence that it is the best."""
    return [
        _candidate_row(candidate) | {"best_confidence": float(first)}
        for candidate, first in zip(choice.candidates, choice.standing.first, strict=True)
    ]


def _candidate_row(c: Candidate) -> dict[str, object]:
    castings, loading, film = c.castings, c.fit.loading, c.castings.film
    rho = float(castings.resistivity[castings.visits.rest])
    error, errors = castings.log_standard_error, castings.gauge_factor_errors
    median = c.resistance.median
    is_open = bool(np.isinf(median)) or c.gauge_factor is None
    return {
        "weight_fraction": loading.weight_fraction,
        "volume_fraction": loading.volume_fraction,
        "mix_ratio": loading.mix_ratio,
        "electrode_gap_m": film.electrode_gap,
        **dict(c.values),
        "n_boxes": loading.n_boxes,
        "n_open_boxes": loading.n_open_boxes,
        "resistance_ohm": asdict(c.resistance)
        | {"standard_error": median * error if np.isfinite(error) else float("inf")},
        "resistance_cv": c.resistance_cv,
        "resistance_cv_se": c.resistance_cv_error,
        "open_fraction": c.open_fraction,
        "gauge_factor": {
            name: None if is_open else getattr(c.gauge_factor, name)
            for name in ("median", "p05", "p95")
        }
        | {"standard_error": None if is_open else errors[0]},
        "gauge_factor_initial": None if is_open else castings.gauge_factor_initial,
        "gauge_factor_initial_se": None if is_open else errors[1],
        "gauge_factor_cv": None if is_open else c.gauge_factor_cv,
        "gauge_factor_cv_se": None if is_open else c.gauge_factor_cv_error,
        "spread_shares": dict(castings.shares),
        "response": castings.response(),
        "temperature_response": castings.temperature_response(),
        "pass_share": asdict(c.pass_share),
        "meets_target": c.meets_target,
        "threshold_ratio": c.threshold_ratio,
        "weight_fraction_above_threshold": loading.weight_fraction
        - c.threshold.weight_fraction,
        "weighing_error": {
            "relative": WEIGHING_ERROR,
            "pass_share_low": c.weighing[0],
            "pass_share_high": c.weighing[1],
        },
        "margins": [margin_row(margin) for margin in c.margins],
        "refused_because": list(refusals(c)),
        "cautions": list(cautions(c)),
        "volume_resistivity_ohm_m": rho,
        "sheet_resistance_ohm": rho / film.thickness,
        "readout": c.readout.as_dict() if c.readout else None,
    }


def _decision_row(decision: Decision, recipes: Sequence[Recipe]) -> dict[str, object]:
    """Every field of a decision, and what its indices count."""
    return dict(plain(decision)) | {
        "probability": decision.probability,
        "recipes": [
            {
                "mix": recipe.mix,
                "weight_fraction": recipe.loading.weight_fraction,
                "electrode_gap_m": recipe.film.electrode_gap,
            }
            for recipe in recipes
        ],
    }


def _cast_first(findings: Findings) -> list[int]:
    """Candidates that are films of the next cup, while something is to be learnt."""
    decision = findings.decision
    if decision.state is not State.LEARN or decision.cup is None:
        return []
    wanted = {recipe_key(findings.recipes[i]) for i in decision.cup.recipes}
    return [
        i
        for i, candidate in enumerate(findings.whole.candidates)
        if recipe_key(candidate.outlook.recipe) in wanted
    ]


def recipe_key(recipe: Recipe) -> tuple[int, float, float]:
    """Mix, loading and gap of a recipe."""
    return recipe.mix, recipe.loading.weight_fraction, recipe.film.electrode_gap


def _withheld(why: str) -> str:
    return f"threshold not foreseeable, measure it: {why}" if why else ""


def _by_films(findings: Findings, why: list[str]) -> dict[str, object]:
    """Reasons by measured films, beside those and the choice as planned; else nothing."""
    choice, planned = findings.choice, findings.as_planned.of_mix(findings.mix.index)
    if findings.posterior is None:
        return {}
    alone = len(findings.as_planned.candidates) > len(choice.candidates)
    words = findings.mix.words if alone else ""
    return {
        # what was said before of contacts nobody had measured holds no longer
        "reasons": known_by_films(choice, findings.plan.boxes.confidence, words),
        "reasons_as_planned": why,
        "as_planned": {
            "candidates": candidate_rows(planned),
            "chosen": planned.chosen,
            "nearest": planned.nearest,
        },
    }


def summary_of_choice(findings: Findings) -> dict[str, Any]:
    """Give what a summary says of candidates, choice and decision.

    Parameters
    ----------
    findings : Findings
        Of the run.

    Returns
    -------
    dict
        Keys `first_page`, `fits`, `candidates`, `chosen`, `nearest`, `reasons` (as
        planned), `what_would_have_to_change`, `assumptions`, `cautions`, `cast_first`,
        `withheld` and `decision`.

    """
    whole, planned = findings.whole, findings.plan.contact_parameters()
    withheld = _withheld(findings.withheld)
    contacts, decision, first = findings.contacts, findings.decision, findings.first
    if withheld:
        change_words = ["the threshold has to be measured: enter films that were read"]
    else:
        change_words = [change_line(change, first) for change in first.changes]
    of_mix = [c for c in whole.candidates if c.mix == whole.best.mix]
    loading = findings.best.fit.loading.weight_fraction
    stiff = thickening(findings.mix.films.limits, loading)
    told = frozenset() if findings.posterior is None else contacts.measured
    why = [
        *reasons(
            findings.as_planned, _withheld(planned.powder.unforeseeable),
            calibrated=planned.is_calibrated,
        ),
        *what_is_assumed(planned, findings.mix.films.threshold),
    ]  # fmt: skip
    return {
        "first_page": plain(first),
        "fits": [fit.as_dict() for fit in findings.mix.fits],
        "candidates": candidate_rows(whole),
        "chosen": whole.chosen,
        "nearest": whole.nearest,
        "reasons": why,
        "what_would_have_to_change": change_words,
        "assumptions": plain(
            assumptions(
                contacts, findings.threshold, findings.best.castings,
                told - planned.measured,
            )
        ),
        "cautions": [
            *([stiff] if stiff else []),
            *dict.fromkeys(word for c in of_mix for word in cautions(c)),
        ],
        "cast_first": {"films": FILMS, "candidates": _cast_first(findings)},
        "withheld": withheld,
        "decision": {
            "text": state_line(first),
            "expected": expected_lines(first),
            **_decision_row(decision, findings.recipes),
            "changes": plain(first.changes),
        },
        **_by_films(findings, why),
    }  # fmt: skip
