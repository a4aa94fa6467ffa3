"""What to cast first while the contacts are only assumed."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.boxes.sampling import box_generator, box_seed
from percsim.decision.choose import COMMON_TO_A_CUP
from percsim.decision.ladder import FILMS_A_RUNG, casting_ladder
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.film.casting import Castings
from percsim.findings.day_one import candidate_outlooks
from percsim.findings.gather import Findings

__all__ = ["ladder"]

DRAWS = 2048
"""Joint draws of what is assumed: probabilities are then known to one per cent."""

WIDEST = 1.0
"""Spread of ln R taken for films of which half or more are open (judgement)."""

# Numbers of the streams under the purpose "priors", after those of day_one and anchor.
WORLDS, READINGS = 5, 6


def ladder(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Choose what to cast first.

    Parameters
    ----------
    findings : Findings
        Of the run.
    summary : dict
        So far; measured films in it make a ladder needless.

    Returns
    -------
    dict
        Key `ladder`, its candidates numbered as in the summary; nothing for calibrated
        plans, those without a window of the resistance, and other laws than contact
        opening.

    """
    plan, contacts = findings.plan, findings.plan.contact_parameters()
    target = plan.decision_target()
    if (
        findings.responses is None
        or not isinstance(contacts, ContactParameters)
        or contacts.is_calibrated
        or "anchor" in summary
        or target.window == (0.0, float("inf"))
    ):
        return {}
    priors = contact_priors(contacts, findings.threshold)
    draws = priors.draw(DRAWS, box_seed(plan.seed, WORLDS, "priors"))
    outlooks = candidate_outlooks(findings, draws)
    candidates = findings.decision.candidates
    numbers = [
        i
        for i, c in enumerate(findings.whole.candidates)
        if c.mix == findings.whole.best.mix
    ]
    loadings = sorted({c.castings.fit.loading.weight_fraction for c in candidates})
    cups = [loadings.index(c.castings.fit.loading.weight_fraction) for c in candidates]
    made = casting_ladder(
        np.column_stack([o.log_rest[:, o.nominal] for o in outlooks]),
        {prior.name: draws.z[:, k] for k, prior in enumerate(priors.free)},
        np.array([_reading_spread(c.castings) for c in candidates]),
        target.window,
        cups,
        rng=box_generator(plan.seed, READINGS, "priors"),
    )
    single = made.best_single
    return {
        "ladder": {
            **made.as_dict(),
            "best_single": None if single is None else numbers[single],
            "rungs": [
                {**rung.as_dict(), "candidate": numbers[rung.candidate], "cup": cup}
                for rung in made.rungs
                for cup in [cups[rung.candidate]]
            ],
            "window_ohm": list(target.window),
        }
    }


def _reading_spread(castings: Castings) -> float:
    """Spread of the mean ln R of a rung: what films of a cup share does not average."""
    if castings.is_open:
        return WIDEST
    logs = np.log(castings.at_rest[np.isfinite(castings.at_rest)])
    common = sum(castings.shares[name] for name in COMMON_TO_A_CUP)
    own = (common + (1.0 - common) / FILMS_A_RUNG) * float(logs.var(ddof=1))
    return min(float(np.sqrt(own)), WIDEST)
