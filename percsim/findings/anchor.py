"""What measured films say: parameters, rows against expectation, the decision by them."""

from __future__ import annotations

from typing import Any

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.posterior import Posterior, RowCheck
from percsim.findings.day_one import UNITS, outlook_rows
from percsim.findings.judged import Findings
from percsim.findings.rows import band_row, candidate_rows, margin_row
from percsim.words.choice import known_by_films

__all__ = ["measured_films"]


def _parameters(found: Posterior) -> list[dict[str, Any]]:
    """Give each number before and after."""
    rows, known = [], found.knowledge
    for prior in known.priors:
        median, p05, p95 = weighted_quantiles(
            known.values[prior.name], (0.5, 0.05, 0.95), known.weights
        )
        low, high = prior.limits(0.9)
        rows.append(
            {
                "name": prior.name,
                "unit": UNITS.get(prior.name, "1"),
                "held": prior.is_fixed,
                "prior": {"median": prior.median, "p05": low, "p95": high},
                "posterior": {
                    "median": float(median),
                    "p05": float(p05),
                    "p95": float(p95),
                },
                "width_left": found.narrowing.get(prior.name),
            }
        )
    return rows


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
        "expected_before_ohm": band_row(check.before),
        "expected_ohm": band_row(check.expected),
        "expected_change_before": band_row(check.before_change),
        "expected_change": band_row(check.expected_change),
        "probability": check.probability,
        "outlier": check.is_outlier,
    }


def _candidates(findings: Findings) -> tuple[list[dict[str, Any]], float]:
    """Bands and chances of every candidate by the films, and of any that passes."""
    candidates, target = findings.choice.candidates, findings.target
    rows, shares = outlook_rows(
        findings.mix.films, [c.outlook for c in candidates], target, with_shares=False
    )
    first = findings.choice.standing.first
    for row, candidate, best in zip(rows, candidates, first, strict=True):
        row |= {
            "pass_share_low": candidate.pass_share.low,
            "pass_share_high": candidate.pass_share.high,
            "pass_share_fewer": candidate.weighing[0],
            "pass_share_more": candidate.weighing[1],
            "margins": [margin_row(margin) for margin in candidate.margins],
            "trusted": candidate.is_trusted,
            "best": float(best),
        }
    passes = shares.max(axis=0) >= target.pass_share_min
    return rows, float(findings.known.weights @ passes)


def measured_films(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Say what measured films tell, and what is decided by them.

    Parameters
    ----------
    findings : Findings
        Of the run.
    summary : dict
        So far; its `reasons` give way to those of the measured films.

    Returns
    -------
    dict
        Keys `anchor`, `reasons`, `reasons_as_planned` and `as_planned`; nothing for a plan
        without measured rows.

    """
    found, choice, plan = findings.posterior, findings.choice, findings.plan
    if found is None:
        return {}
    rows, any_passes = _candidates(findings)
    planned = findings.as_planned.of_mix(findings.mix.index)
    alone = len(findings.as_planned.candidates) > len(rows)
    asked = plan.boxes.confidence
    return {
        # what was said before of contacts nobody had measured holds no longer
        "reasons": known_by_films(choice, asked, findings.mix.words if alone else ""),
        "reasons_as_planned": summary.get("reasons", []),
        "as_planned": {
            "candidates": candidate_rows(planned),
            "chosen": planned.chosen,
            "nearest": planned.nearest,
        },
        "anchor": {
            "n_rows": len(found.checks),
            "n_draws": len(found.knowledge),
            "effective_draws": found.effective_size,
            "parameters": _parameters(found),
            "bench_scatter": band_row(found.knowledge.band(found.knowledge.scale)),
            "correlations": [
                {"first": a, "second": b, "value": value}
                for (a, b), value in found.correlations.items()
            ],
            "rows": [_row(check) for check in found.checks],
            "window_ohm": list(findings.target.window),
            "candidates": rows,
            "best": choice.index,
            "candidate": choice.index,
            "meets_target": choice.chosen is not None,
            "confidence": choice.standing.confidence,
            "confidence_asked": asked,
            "margins": [margin_row(margin) for margin in choice.best.margins],
            "any_passes": any_passes,
        },
    }
