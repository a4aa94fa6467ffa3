"""Stored outcomes of every job of a plan by a formula, so that its films are known by hand.

Along the film rho = LEVEL (phi h/phi_c - 1)^-t exp(m/2), with h the share of the contacts
that conduct and m = beta times their mean opening, through it `through` times as much;
boxes conduct A/(rho (L - SHORT)). The threshold phi_c goes as a power of the aspect ratio
and exponentially with the tilt. No box differs from another, so that whatever sets two
answers apart lies between the boxes and them.
"""

from __future__ import annotations

import numpy as np
from reference.box_results import box_result
from scipy.special import ndtr

from percsim.boxes.results import GrowthResult
from percsim.boxes.simulate import varied_states
from percsim.boxes.store import Record
from percsim.jobs import across_jobs, box_jobs, threshold_jobs

CRITICAL, LEVEL, EXPONENT, SHORT = 0.08, 0.6, 1.9, 13e-6
ASPECT_SLOPE, TILT_SLOPE = -0.9, 2.0
OPENED = np.linspace(0.05, 0.35, 24)
"""Opening of the contacts over the strain; in the reverse order over the swelling."""


def records(plan, through=1.0):
    """Outcomes of all jobs of a plan by key."""
    found = {job.key: _numbers(job, plan) for job in threshold_jobs(plan)}
    found |= {job.key: _box(job, plan, 1.0) for job in box_jobs(plan)}
    found |= {job.key: _box(job, plan, through) for job in across_jobs(plan)}
    return {key: Record.of(key, result) for key, result in found.items()}


def _numbers(job, plan):
    """Particles at which a growth wraps."""
    (filler,) = plan.fillers
    log_factor = 0.0
    what, _, value = job.name.rpartition("/")[2].partition(" ")
    if what == "aspect":
        log_factor = ASPECT_SLOPE * np.log(float(value) / filler.aspect_ratio)
    elif what == "tilt":
        log_factor = TILT_SLOPE * (float(value) - filler.orientation.tilt)
    volume = job.plan.volume / job.plan.source.mean_volume
    number = CRITICAL * np.exp(log_factor) * volume
    return GrowthResult(numbers=[[round(number)] * 3] * job.count)


def _conductance(job, thermal, beta, delta_b, lambda_t, state, times):
    """Of one box at a state, and the share of its contacts that do not conduct."""
    swelling = lambda_t * thermal.expansion * (state.temperature - thermal.closed_at)
    opened = np.maximum(OPENED * state.strain + OPENED[::-1] * swelling, 1e-12)
    holds = ndtr(np.log(delta_b / opened))
    ratio = job.recipe.volume_fraction * holds.mean() / CRITICAL - 1.0
    rho = times * LEVEL * ratio**-EXPONENT if ratio > 0.0 else np.inf
    rho *= np.exp(0.5 * beta * (holds @ opened) / holds.sum())
    box = job.box
    return box.section / (rho * (box.length - SHORT)), 1.0 - holds.mean()


def _box(job, plan, times):
    thermal = plan.thermal(job.recipe.weight_fraction)

    def solved(state, beta=job.law.beta, delta_b=job.law.delta_b, share=thermal.share):
        return _conductance(job, thermal, beta, delta_b, share, state, times)

    conductances, lost = zip(*map(solved, job.states), strict=True)
    step = 1.01
    more = [solved(s, step * job.law.beta)[0] for s in job.states]
    flows = np.array(conductances) > 0.0
    rises = np.divide(more, conductances, out=np.ones(len(more)), where=flows)
    found = {
        "lost_share": lost[job.rest],
        "slopes": {"beta": list(np.log(rises) / np.log(step))},
    }
    if job.variations:
        varied = varied_states(job.states, job.rest)
        visits = {}  # the first at each strain
        for index, state in enumerate(job.states):
            visits.setdefault(state.strain, index)
        found["variations"] = {
            "settings": [list(setting) for setting in job.variations],
            "visits": list(varied),
            "conductances": [
                [solved(job.states[i], *setting)[0] for i in varied]
                for setting in job.variations
            ],
            "lost_shares": np.zeros((len(job.variations), len(varied))),
            "sample": {
                "weights": [1.0] * len(OPENED),
                "visits": list(visits.values()),
                "opened": [list(OPENED * strain) for strain in visits],
                "stretched": [list(OPENED[::-1])] * len(visits),
            },
        }
    return box_result(conductances, **found)
