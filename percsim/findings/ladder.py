"""What to cast first while the contacts are only assumed."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.boxes.sampling import box_generator
from percsim.decision.ladder import FILMS_A_RUNG, casting_ladder
from percsim.decision.priors import ContactParameters
from percsim.film.bench import CUP, LOT
from percsim.film.casting import Castings
from percsim.findings.judged import Findings

__all__ = ["ladder"]

WIDEST = 1.0
"""Spread of ln R taken for films of which half or more are open (judgement)."""

READINGS = 6
"""Number of the stream under the purpose "priors"."""


def ladder(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Choose what to cast first.

    Parameters
    ----------
    findings : Findings
        Of the run.
    summary : dict
        So far; nothing of it is used.

    Returns
    -------
    dict
        Key `ladder`, its candidates numbered as in the summary; nothing for calibrated
        plans, those with measured films or without a window of the resistance, and other
        laws than contact opening.

    """
    mix, known = findings.mix, findings.known
    contacts, window = findings.plan.contact_parameters(), findings.target.window
    if (
        mix.model.surface is None
        or not isinstance(contacts, ContactParameters)
        or contacts.is_calibrated
        or findings.posterior is not None
        or window == (0.0, float("inf"))
    ):
        return {}
    candidates = findings.choice.candidates
    numbers = [i for i, c in enumerate(findings.whole.candidates) if c.mix == mix.index]
    # explored recipes come before those between them
    outlooks = [o for o in findings.outlooks if o.recipe.mix == mix.index]
    loadings = [c.castings.loading.weight_fraction for c in candidates]
    cups = [sorted(set(loadings)).index(w) for w in loadings]
    made = casting_ladder(
        np.column_stack([o.rest[:, o.nominal] for o in outlooks[: len(candidates)]]),
        {prior.name: z for prior, z in zip(known.priors.free, known.z.T, strict=True)},
        np.array([_reading_spread(c.castings) for c in candidates]),
        window,
        cups,
        rng=box_generator(findings.plan.seed, READINGS, "priors"),
    )
    single = made.best_single
    return {
        "ladder": {
            **made.as_dict(),
            "best_single": None if single is None else numbers[single],
            "rungs": [
                {
                    **rung.as_dict(),
                    "candidate": numbers[rung.candidate],
                    "cup": cups[rung.candidate],
                }
                for rung in made.rungs
            ],
            "window_ohm": list(window),
        }
    }


def _reading_spread(castings: Castings) -> float:
    """Spread of the mean ln R of a rung: what films of a cup share does not average."""
    if castings.is_open:
        return WIDEST
    logs = np.log(castings.at_rest[np.isfinite(castings.at_rest)])
    common = sum(
        share
        for name, share in castings.shares.items()
        if name != "chains" and castings.bench.level(name) in (CUP, LOT)
    )
    own = (common + (1.0 - common) / FILMS_A_RUNG) * float(logs.var(ddof=1))
    return min(float(np.sqrt(own)), WIDEST)
