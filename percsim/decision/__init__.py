"""Stage 8. Decision: what to cast, how sure that is, and what it rests on."""

from percsim.decision.choose import (
    BenchLimits,
    Candidate,
    Decision,
    Margin,
    PassShare,
    Target,
    decide,
    judge,
)
from percsim.decision.priors import (
    Assumption,
    ContactParameters,
    TunnellingParameters,
    assumptions,
)

__all__ = [
    "Assumption",
    "BenchLimits",
    "Candidate",
    "ContactParameters",
    "Decision",
    "Margin",
    "PassShare",
    "Target",
    "TunnellingParameters",
    "assumptions",
    "decide",
    "judge",
]
