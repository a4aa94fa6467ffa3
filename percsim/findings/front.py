"""Stored outcomes -> how sure the choice is, and how the boxes for it were spent."""

from __future__ import annotations

from typing import Any

from percsim.decision.candidates import EQUAL_SHARES
from percsim.findings.judged import Findings

__all__ = ["front"]


def front(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Say how sure the choice is.

    Parameters
    ----------
    findings : Findings
        Of the plan.
    summary : dict
        The summary so far.

    Returns
    -------
    dict
        `front`: `confidence`, `confidence_asked`, `equal_within`, `verdict`, `stages` and
        `boxes_per_loading`.

    """
    stages = findings.stages
    boxes = sorted(set(stages.boxes.values()))
    return {
        "front": {
            "confidence": findings.whole.standing.confidence,
            "confidence_asked": findings.plan.boxes.confidence,
            "equal_within": EQUAL_SHARES,
            "verdict": stages.verdict,
            "stages": [look.as_dict() for look in stages.looks],
            "boxes_per_loading": [boxes[0], boxes[-1]],
        }
    }
