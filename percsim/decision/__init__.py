"""Stage 8. Decision: what is known, what candidates would read, and what to do."""

from percsim.decision.candidates import Candidate, Choice, Margin, PassShare, Standing
from percsim.decision.decide import Cup, Decision, State, Why, decide
from percsim.decision.knowledge import Knowledge, day_one, planned
from percsim.decision.outlook import Band, Outlook, Recipe, outlooks
from percsim.decision.posterior import Posterior, Reading, measured
from percsim.decision.priors import ContactParameters, Priors, TunnellingParameters
from percsim.decision.target import Limit, Target

__all__ = [
    "Band",
    "Candidate",
    "Choice",
    "ContactParameters",
    "Cup",
    "Decision",
    "Knowledge",
    "Limit",
    "Margin",
    "Outlook",
    "PassShare",
    "Posterior",
    "Priors",
    "Reading",
    "Recipe",
    "Standing",
    "State",
    "Target",
    "TunnellingParameters",
    "Why",
    "day_one",
    "decide",
    "measured",
    "outlooks",
    "planned",
]
