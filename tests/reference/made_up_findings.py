"""Findings of a plan whose film is known in closed form, to build chapters from.

The boxes of `made_up_boxes` with the law's own way to know temperature, one opening for
strain and expansion: ln R = 15 e + K lambda alpha (T - T_c) + E/k (1/T - 1/T_20).
"""

from __future__ import annotations

import numpy as np
from reference.made_up_boxes import CRITICAL, THRESHOLD, loading
from scipy.constants import Boltzmann, elementary_charge

from percsim.decision import decide
from percsim.findings.gather import Findings
from percsim.plan import Plan

TEMPERATURES = (253.15, 273.15, 293.15, 313.15, 333.15, 363.15, 393.15)
STRAINS = (0.0, 1e-3, 2e-3, 3e-3)
CLOSED_AT, SHARE = 233.15, 0.3
ACTIVATION = 10e-3 * elementary_charge
OPENING = 120.0  # d ln R / d opening

PLAN = {
    "title": "made up",
    "seed": 6113,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.5},
        "aspect_ratio": 15,
        "thermal_expansion": "7.8 ppm/K",
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C", "lambda_T": SHARE, "Ea": "10 meV"},
    "strain": {"points": 4},
    "temperature": {"values": [f"{t - 273.15:.0f} C" for t in TEMPERATURES]},
    "explore": {
        "weight_fraction": ["26 wt%", "30 wt%", "34 wt%"],
        "electrode_gap": ["2 mm", "3 mm"],
    },
    "target": {"series_resistor": "1.8 kohm", "resistance": "0.5 to 5 kohm"},
    "tolerances": {"castings": 300},
}


def plan_with(**sections):
    """PLAN with keys of its sections added."""
    mapping = {key: dict(v) if isinstance(v, dict) else v for key, v in PLAN.items()}
    for section, values in sections.items():
        mapping[section] = mapping.get(section, {}) | values
    return Plan.from_dict(mapping)


def findings_of(plan, gauge=15.0, n_boxes=24, box_spread=0.0, seed=None):
    """Findings of a plan over made-up boxes; `gauge` may be a number a loading."""
    loadings = []
    factors = np.broadcast_to(gauge, len(plan.weight_fractions))
    for w, factor in zip(plan.weight_fractions, factors, strict=True):
        expansion = plan.recipe(w).thermal_expansion
        states = [(e, t) for t in plan.temperatures for e in plan.strains]

        def response(strain, temperature, factor=factor, expansion=expansion):
            opening = plan.contacts.lambda_T.value * expansion * (temperature - CLOSED_AT)
            activated = plan.contacts.Ea.value / Boltzmann
            activated *= 1.0 / temperature - 1.0 / 293.15
            return factor * strain + OPENING * opening + activated

        loadings.append(
            loading(
                w,
                seed=seed,
                n_boxes=n_boxes,
                box_spread=box_spread,
                strains=tuple(e for e, _ in states),
                temperatures=tuple(t for _, t in states),
                response=response,
                chord=plan.chord_strain,
            )
        )
    decision = decide(
        loadings,
        plan.film_at(plan.electrode_gaps[0]),
        plan.electrode_gaps,
        THRESHOLD,
        plan.decision_target(),
        seed=np.random.SeedSequence(77),
        tolerances=plan.casting_tolerances(),
        contacts=plan.contact_parameters(),
        limits=plan.bench_limits(),
        castings=plan.castings,
        resamples=40,
    )
    assert CRITICAL > 0.0
    w = decision.best.castings.fit.loading.weight_fraction
    return Findings(
        plan, (), {}, tuple(loadings), THRESHOLD, plan.recipe(w), decision, decision, None
    )


def coefficient(plan, weight_fraction, share=None, activation=None):
    """d ln R / dT at 20 C in closed form [1/K]."""
    share = plan.contacts.lambda_T.value if share is None else share
    activation = plan.contacts.Ea.value if activation is None else activation
    expansion = plan.recipe(weight_fraction).thermal_expansion
    return OPENING * share * expansion - activation / Boltzmann / 293.15**2
