"""Resistivity across the film over that along it, for the layouts that need it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import box_seed
from percsim.boxes.simulate import finished
from percsim.boxes.statistics import Estimate
from percsim.boxes.store import Record
from percsim.film.transfer import LoadingResult, LoadingThreshold, fit_loadings
from percsim.jobs import across_axis, across_jobs
from percsim.plan import Plan
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Across", "gather_across"]


@dataclass(frozen=True, slots=True)
class Across:
    """Resistivity across the film over that along it.

    Parameters
    ----------
    axis : int or None
        1 across the width, 2 through the thickness; None where it is 1 by construction.
    weight_fractions : tuple of float
        Loadings that conduct both ways, whatever boxes are drawn.
    ratios : tuple of Estimate
        Of each.
    n_boxes, n_open_boxes : int
        Boxes across that were simulated, at all loadings, and how many do not conduct.

    """

    axis: int | None = None
    weight_fractions: tuple[float, ...] = ()
    ratios: tuple[Estimate, ...] = ()
    n_boxes: int = 0
    n_open_boxes: int = 0

    @property
    def ratio(self) -> float:
        """Geometric mean over the loadings, weighted by their errors; 1 without any."""
        if not self.ratios:
            return 1.0
        errors = np.array([max(r.relative_error, 0.01) for r in self.ratios])
        logs = np.log([r.value for r in self.ratios])
        return float(np.exp(np.average(logs, weights=errors**-2.0)))


def gather_across(
    plan: Plan,
    records: dict[str, Record],
    loadings: Sequence[LoadingResult],
    threshold: LoadingThreshold,
) -> Across:
    """Fit the boxes whose current runs across the film, against those along it.

    Boxes across are cubes, those along as the plan has them: the thin ones hold free faces,
    so that the ratio of a thin film is of the material through it to the film along it.
    """
    axis = across_axis(plan)
    jobs = across_jobs(plan)
    if axis is None or not jobs:
        return Across()
    lengths = plan.box_lengths
    turned: list[LoadingResult] = []
    for loading in loadings:
        rows: list[list[NDArray[np.float64]]] = [[] for _ in lengths]
        for job, result in finished(jobs, records):
            if job.recipe.weight_fraction == loading.weight_fraction:
                rows[lengths.index(job.box.length)].append(result.conductances)
        if min(len(r) for r in rows) < 2:
            continue
        turned.append(
            replace(
                loading,
                sections=tuple(length**2 for length in lengths),
                conductances=tuple(np.array(r) for r in rows),
                strains=(0.0,),
                temperatures=(ROOM_TEMPERATURE,),
                dimension=3,
                electrode_shares=(),
                electrode_rises=(),
            )
        )
    if not turned:
        return Across(axis)
    n_open = sum(int((g[:, 0] <= 0.0).sum()) for x in turned for g in x.conductances)
    n_boxes = sum(len(g) for x in turned for g in x.conductances)
    seed = box_seed(plan.seed, 0, "bootstrap")
    known = {loading.weight_fraction for loading in turned}
    along = fit_loadings(
        [x for x in loadings if x.weight_fraction in known], threshold, seed=seed
    )
    fits = fit_loadings(turned, threshold, seed=seed)
    weights, ratios = [], []
    for a, b in zip(along, fits, strict=True):
        s = a.loading.reference_state
        if a.is_open or b.is_open:
            continue
        ratio = float(b.resistivity[0] / a.resistivity[s])
        error = float(
            np.hypot(
                b.resistivity_se[0] / b.resistivity[0],
                a.resistivity_se[s] / a.resistivity[s],
            )
        )
        if not np.isfinite(error):  # open as soon as the boxes are drawn again
            continue
        weights.append(a.loading.weight_fraction)
        ratios.append(Estimate(ratio, ratio * error, b.loading.n_boxes))
    return Across(axis, tuple(weights), tuple(ratios), n_boxes, n_open)
