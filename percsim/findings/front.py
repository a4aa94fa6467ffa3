"""Stored outcomes -> how sure the choice is, and how the boxes for it were spent."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.decision.candidates import EQUAL_SHARES
from percsim.findings.gather import Look, Verdict
from percsim.findings.judged import Findings

__all__ = ["front"]


@dataclass(frozen=True, slots=True)
class Front:
    """How sure the choice is, and how the boxes for it were spent."""

    confidence: float
    confidence_asked: float
    verdict: Verdict
    stages: tuple[Look, ...]
    boxes_per_loading: tuple[int, int]
    equal_within: float = EQUAL_SHARES


def front(findings: Findings) -> Front:
    """Say how sure the choice of a plan is."""
    stages, confidence = findings.stages, findings.whole.standing.confidence
    boxes = stages.boxes.values()
    return Front(
        confidence, findings.plan.boxes.confidence, stages.verdict, stages.looks,
        (min(boxes), max(boxes)),
    )  # fmt: skip
