"""Stage 8. Decision: what to cast, how sure that is, and what it rests on."""

from percsim.decision.choose import (
    BenchLimits,
    Candidate,
    Decision,
    Margin,
    Mix,
    PassShare,
    Replicas,
    Standing,
    Target,
    choose_among,
    decide,
    judge,
    judge_mixes,
    pick,
    stand,
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
    "Mix",
    "PassShare",
    "Replicas",
    "Standing",
    "Target",
    "TunnellingParameters",
    "assumptions",
    "choose_among",
    "decide",
    "judge",
    "judge_mixes",
    "pick",
    "stand",
]
