"""Findings of a plan whose films follow a formula: what chapters of the summary read."""

from __future__ import annotations

import numpy as np
from percsim.decision.choose import BenchLimits, Mix
from reference.closed_form_films import CRITICAL, EXPANSION, ClosedForm
from reference.made_up_boxes import loading

from percsim.decision import decide
from percsim.film import LoadingThreshold
from percsim.findings import Findings
from percsim.findings.stages import Stages
from percsim.plan import Plan

PLAN = {
    "title": "films by a formula",
    "seed": 4711,
    "filler": {
        "name": "graphite flake",
        "density": "2250 kg/m3",
        "diameter": "10 um",
        "aspect_ratio": 15,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "temperature": {"values": ["20 C", "60 C"]},
    "explore": {
        "weight_fraction": ["22 wt%", "26 wt%", "30 wt%", "34 wt%"],
        "electrode_gap": ["2 mm", "3 mm"],
    },
    "target": {"resistance": "0.7 to 3 kohm", "smallest_gauge_factor": 10},
}
THRESHOLD = LoadingThreshold(CRITICAL, 0.002 * CRITICAL, -1.0)


def findings(measured=(), **sections):
    """Findings with `decision` from made-up boxes and `responses` from the formula."""
    plan = Plan.from_dict({**PLAN, **sections, "measured": list(measured)})
    # boxes at the states of the formula, warm ones with what it says of them
    film = ClosedForm()
    loadings = tuple(
        loading(
            w,
            strains=film.strains,
            temperatures=film.temperatures,
            response=lambda e, t: 15.0 * e + 15.0 * 0.3 * EXPANSION * (t - 293.15),
        )
        for w in plan.weight_fractions
    )
    film = plan.film_at(plan.electrode_gaps[0])
    decision = decide(
        loadings,
        film,
        plan.electrode_gaps,
        THRESHOLD,
        plan.decision_target(),
        seed=np.random.SeedSequence(8),
        castings=100,
        resamples=20,
        tolerances=plan.casting_tolerances(),
    )
    return Findings(
        plan,
        (),
        {},
        loadings,
        THRESHOLD,
        plan.recipe(decision.best.castings.fit.loading.weight_fraction),
        decision,
        decision,
        Stages({}, (), "one stage"),
        ClosedForm(),
        Mix(loadings, film, THRESHOLD, BenchLimits()),
    )
