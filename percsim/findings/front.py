"""Stored outcomes -> the trade-off between sensitivity and spread, and who stands where."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.decision.candidates import EQUAL_SHARES, Candidate
from percsim.findings.judged import Findings

__all__ = ["front", "undominated"]

Floats = NDArray[np.float64]


def undominated(gain: Floats, loss: Floats) -> NDArray[np.bool_]:
    """Find the points that no other beats in one quantity and equals in the other.

    Parameters
    ----------
    gain, loss : (..., n) ndarray of float
        What is to be large and what is to be small; points that are not finite in both are
        beaten.

    Returns
    -------
    (..., n) ndarray of bool
        The Pareto set.

    """
    known = np.isfinite(gain) & np.isfinite(loss)
    gain, loss = np.where(known, gain, -np.inf), np.where(known, loss, np.inf)
    at_least = gain[..., None, :] >= gain[..., :, None]
    at_most = loss[..., None, :] <= loss[..., :, None]
    better = (gain[..., None, :] > gain[..., :, None]) | (
        loss[..., None, :] < loss[..., :, None]
    )
    return np.asarray(known & ~(at_least & at_most & better).any(axis=-1))


def _can_be_meant(candidate: Candidate) -> bool:
    """Whether its gauge factor and spread are those of a film that conducts."""
    conducts = not (candidate.castings.is_open or candidate.fit.is_open)
    return (
        candidate.is_trusted
        and conducts
        and candidate.gauge_factor is not None
        and candidate.castings.strained_state is not None
    )


def front(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Trade-off front over all candidates, and how sure the choice is.

    Parameters
    ----------
    findings : Findings
        Of the plan.
    summary : dict
        The summary so far.

    Returns
    -------
    dict
        `front`: `points` (one a candidate that can be trusted: its index, gauge factor and
        CV of R with simulation errors, whether it is on the front, and the weight of the
        draws of what is known in which it is), `members` (indices, by gauge factor),
        `confidence`, `confidence_asked`, `equal_within`, `verdict`, `stages` and
        `boxes_per_loading`.

    """
    whole, stages = findings.whole, findings.stages
    meant = [i for i, c in enumerate(whole.candidates) if _can_be_meant(c)]
    points: list[dict[str, Any]] = []
    if meant:
        chosen = [whole.candidates[i] for i in meant]
        gain = np.array([c.gauge_factor.median for c in chosen if c.gauge_factor])
        loss = np.array([c.resistance_cv for c in chosen])
        on = undominated(gain, loss)
        seen = [c.outlook for c in chosen]
        drawn = undominated(
            np.stack([o.chord[:, o.nominal] for o in seen], axis=1),
            np.stack([o.resistance_cv for o in seen], axis=1),
        )
        share = seen[0].weights @ drawn
        points = [
            {
                "candidate": i,
                "gauge_factor": float(gain[k]),
                "gauge_factor_se": c.castings.gauge_factor_errors[0],
                "resistance_cv": float(loss[k]),
                "resistance_cv_se": c.resistance_cv_error,
                "on_front": bool(on[k]),
                "on_front_share": float(share[k]),
            }
            for k, (i, c) in enumerate(zip(meant, chosen, strict=True))
        ]
    members = sorted(
        (p for p in points if p["on_front"]), key=lambda p: float(p["gauge_factor"])
    )
    boxes = sorted(set(stages.boxes.values()))
    return {
        "front": {
            "points": points,
            "members": [p["candidate"] for p in members],
            "confidence": whole.standing.confidence,
            "confidence_asked": findings.plan.boxes.confidence,
            "equal_within": EQUAL_SHARES,
            "verdict": stages.verdict,
            "stages": [look.as_dict() for look in stages.looks],
            "boxes_per_loading": [boxes[0], boxes[-1]],
        }
    }
