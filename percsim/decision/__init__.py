"""Stage 8. Decision: what to cast, how sure that is, and what it rests on."""

from percsim.decision.choose import (
    Candidate,
    Decision,
    Margin,
    PassShare,
    Target,
    decide,
    judge,
)
from percsim.decision.priors import Assumption, ContactParameters, assumptions

__all__ = [
    "Assumption",
    "Candidate",
    "ContactParameters",
    "Decision",
    "Margin",
    "PassShare",
    "Target",
    "assumptions",
    "decide",
    "judge",
]
