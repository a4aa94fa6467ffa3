"""Stored outcomes of boxes that were never simulated: a known law and a known scatter.

A film of these boxes is known by hand, so that it is known which candidate is the best, and
`next_stage` can be asked a hundred times whether it finds out.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np
from reference.box_results import box_result

from percsim.boxes.results import BoxResult
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.film.transfer import LoadingThreshold
from percsim.jobs import box_jobs
from percsim.plan import Plan

CRITICAL = 0.08
"""Threshold as volume fraction."""
THRESHOLD = LoadingThreshold(CRITICAL, 0.0, -1.0)
LEVEL, EXPONENT, GAUGE = 0.012, 1.8, 15.0
SHORT = 13e-6
"""Length of film that particles at the electrodes short [m]."""

PLAN = {
    "seed": 5,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.4 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "strain": {"window": "0 to 3000 microstrain", "points": 2},
    "explore": {
        "weight_fraction": ["24 wt%", "27 wt%", "30 wt%", "33 wt%"],
        "electrode_gap": ["2 mm", "4 mm"],
    },
    "boxes": {"count": 8, "most": 64, "lengths": ["10 D", "20 D"]},
    "tolerances": {"castings": 300},
    "target": {"resistance": "0.3 to 1.2 kohm", "pass_share": "60 %"},
}


class StoredBoxes(dict):
    """Records of every box that a plan may ask for, made when they are looked up.

    Parameters
    ----------
    plan : Plan
        The plan.
    seed : int
        Another seed, other boxes of the same law.
    spread : float
        Deviation of ln G between boxes of 20 diameters; smaller ones scatter as their
        volume to the power -1/2 more.

    """

    def __init__(self, plan: Plan, seed: int, spread: float) -> None:
        super().__init__()
        self.seed, self.spread = seed, spread
        self.asked: set[str] = set()
        most = plan.boxes.most or plan.boxes.count
        every = {(mix.box_label, mix.recipe(w).weight_fraction): most
                 for mix in plan.mixes for w in mix.weight_fractions}  # fmt: skip
        self.jobs = {job.key: job for job in box_jobs(plan, every)}

    def __contains__(self, key: object) -> bool:
        return key in self.jobs

    def __iter__(self) -> Iterator[str]:
        return iter(self.jobs)

    def get(self, key, default=None):
        if key not in self.jobs:
            return default
        self.asked.add(key)
        return Record.of(key, self.outcome(self.jobs[key]))

    def outcome(self, job: BoxJob) -> BoxResult:
        phi, length = job.recipe.volume_fraction, job.box.length
        conductance = 0.0
        if phi > CRITICAL:
            rho = LEVEL * (phi - CRITICAL) ** -EXPONENT
            conductance = job.box.section / (rho * (length - SHORT))
        # by what the box is of, not by its key, which a new field of a job would change
        what = f"{job.label} {phi:.6f} {length:.4e} {job.number}"
        rng = np.random.default_rng([self.seed, zlib.crc32(what.encode())])
        shrink = (200e-6 / length) ** 1.5
        conductance *= float(np.exp(self.spread * shrink * rng.standard_normal()))
        falls = [np.exp(-GAUGE * state.strain) for state in job.states]
        return box_result([conductance * fall for fall in falls])

    def snapshot(self) -> dict[str, Record]:
        """Everything as a plain dict, later stages included."""
        return {key: self.get(key) for key in self.jobs}
