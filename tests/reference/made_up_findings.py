"""Findings of a plan whose film is known in closed form, to build chapters from.

The boxes of `made_up_boxes` with the law's own way to know temperature, one opening for
strain and expansion: ln R = 15 e + K lambda alpha (T - T_c) + E/k (1/T - 1/T_20).
"""

from __future__ import annotations

import numpy as np
from reference.box_results import box_result
from reference.made_up_boxes import CRITICAL, EXPONENT, LEVEL, SHORT
from scipy.constants import Boltzmann, elementary_charge

from percsim.boxes.results import GrowthResult
from percsim.boxes.store import Record
from percsim.findings import find
from percsim.jobs import box_jobs, threshold_jobs
from percsim.plan import Plan

TEMPERATURES = (253.15, 273.15, 293.15, 313.15, 333.15, 363.15, 393.15)
STRAINS = (0.0, 1e-3, 2e-3, 3e-3)
CLOSED_AT, SHARE = 233.15, 0.3
ACTIVATION = 10e-3 * elementary_charge
OPENING = 120.0  # d ln R / d opening
TILT_SLOPE = 2.0

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
    "boxes": {"lengths": ["8 D", "12 D"], "count": 12, "threshold_count": 20,
              "variations": 0},
    "tolerances": {"castings": 300},
}  # fmt: skip


def plan_with(**sections):
    """PLAN with keys of its sections added."""
    mapping = {key: dict(v) if isinstance(v, dict) else v for key, v in PLAN.items()}
    for section, values in sections.items():
        mapping[section] = mapping.get(section, {}) | values
    return Plan.from_dict(mapping)


def findings_of(plan, gauge=15.0, box_spread=0.0, seed=0):
    """Findings of a plan over made-up boxes; `gauge` may be a number a loading."""
    return find(plan, records(plan, gauge, box_spread, seed))


def records(plan, gauge=15.0, box_spread=0.0, seed=0, jobs=()):
    """Outcomes of all jobs of a plan by key; box k has the same factor at every loading.

    Of other `jobs` besides, where they are given.
    """
    factors = np.broadcast_to(gauge, len(plan.weight_fractions))
    weights = [plan.recipe(w).weight_fraction for w in plan.weight_fractions]
    gauges = dict(zip(weights, factors, strict=True))
    found = {job.key: _numbers(job, plan) for job in threshold_jobs(plan)}
    for job in [*box_jobs(plan), *jobs]:
        rng = np.random.default_rng([seed, job.number, round(1e8 * job.box.length)])
        spread = np.exp(box_spread * rng.standard_normal())
        factor = gauges[job.recipe.weight_fraction]
        conductances = [spread * _conductance(job, plan, factor, s) for s in job.states]
        found[job.key] = box_result(conductances)
    return {key: Record.of(key, result) for key, result in found.items()}


def _numbers(job, plan):
    """Particles at which a growth wraps, with a power of the aspect ratio and the tilt."""
    (filler,), log_factor = plan.fillers, 0.0
    what, _, value = job.name.rpartition("/")[2].partition(" ")
    if what == "aspect":
        log_factor = -np.log(float(value) / filler.aspect_ratio)
    elif what == "tilt":
        log_factor = TILT_SLOPE * (float(value) - filler.orientation.tilt)
    volume = job.plan.volume / job.plan.source.mean_volume
    number = round(CRITICAL * np.exp(log_factor) * volume)
    return GrowthResult(numbers=[[number] * 3] * job.count)


def _conductance(job, plan, gauge, state):
    """Of one box at a state."""
    phi, box = job.recipe.volume_fraction, job.box
    if phi <= CRITICAL:
        return 0.0
    opening = plan.contacts.lambda_T.value * job.recipe.thermal_expansion
    opening *= state.temperature - CLOSED_AT
    activated = 1.0 / state.temperature - 1.0 / 293.15
    activated *= plan.contacts.Ea.value / Boltzmann
    rho = LEVEL * (phi - CRITICAL) ** -EXPONENT
    rho *= np.exp(gauge * state.strain + OPENING * opening + activated)
    return box.section / (rho * (box.length - SHORT))


def coefficient(plan, weight_fraction, share=None, activation=None):
    """d ln R / dT at 20 C in closed form [1/K]."""
    share = plan.contacts.lambda_T.value if share is None else share
    activation = plan.contacts.Ea.value if activation is None else activation
    expansion = plan.recipe(weight_fraction).thermal_expansion
    return OPENING * share * expansion - activation / Boltzmann / 293.15**2
