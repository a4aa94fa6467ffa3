"""What measured films say: parameters, rows against expectation, the decision by them."""

from __future__ import annotations

from percsim.decision.knowledge import Band
from percsim.decision.posterior import Posterior, RowCheck, expected
from percsim.findings.day_one import UNITS, outlook_rows
from percsim.findings.judged import Findings
from percsim.findings.rows import margin_row

__all__ = ["measured_films"]


def _parameters(found: Posterior) -> list[dict[str, object]]:
    """Give each number before and after."""
    rows, known = [], found.knowledge
    for prior in known.priors:
        rows.append(
            {
                "name": prior.name,
                "unit": UNITS.get(prior.name, "1"),
                "held": prior.is_fixed,
                "prior": Band(prior.median, *prior.limits(0.9)),
                "posterior": known.band(known.values[prior.name]),
                "width_left": found.narrowing.get(prior.name),
            }
        )
    return rows


def _row(check: RowCheck, *bands: tuple[Band | None, Band | None]) -> dict[str, object]:
    (before, change_before), (after, change_after) = bands
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
        "expected_before_ohm": before,
        "expected_ohm": after,
        "expected_change_before": change_before,
        "expected_change": change_after,
        "probability": check.probability,
        "outlier": check.is_outlier,
    }


def _candidates(findings: Findings) -> tuple[list[dict[str, object]], float]:
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


def measured_films(findings: Findings) -> dict[str, object] | None:
    """Say what measured films tell, and what is decided by them; None without any."""
    found, choice = findings.posterior, findings.choice
    if found is None:
        return None
    rows, any_passes = _candidates(findings)
    bands = (expected(found.problem, k) for k in (found.problem.before, found.knowledge))
    return {
        "n_rows": len(found.checks),
        "n_draws": len(found.knowledge),
        "effective_draws": found.effective_size,
        "parameters": _parameters(found),
        "bench_scatter": found.knowledge.band(found.knowledge.scale),
        "correlations": [
            {"first": a, "second": b, "value": value}
            for (a, b), value in found.correlations.items()
        ],
        "rows": list(map(_row, found.checks, *bands)),
        "window_ohm": findings.target.window,
        "candidates": rows,
        "best": choice.index,
        "candidate": choice.index,
        "meets_target": choice.chosen is not None,
        "confidence": choice.standing.confidence,
        "confidence_asked": findings.plan.boxes.confidence,
        "margins": [margin_row(margin) for margin in choice.best.margins],
        "any_passes": any_passes,
    }
