"""Stored outcomes -> how a film reads strain across the current."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob, finished
from percsim.boxes.store import Record
from percsim.film.transfer import LoadingResult, LoadingThreshold, fit_loadings
from percsim.plan import Plan
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Transverse", "bending_factor", "half_width", "transverse"]

Floats = NDArray[np.float64]

KNOWN_WITHIN = 0.3
"""Standard error of K_t up to which bending counts with it (judgement)."""


@dataclass(frozen=True, slots=True)
class Transverse:
    """Responses of a film's material to in-plane strains, the other one held at zero.

    Parameters
    ----------
    n_boxes : int
        Boxes strained so.
    note : str
        Why there is no transverse sensitivity; empty where there is one.
    along, pulled, pressed : (k,) ndarray of float
        Gauge factors along the current, and across it under a pull and a squeeze: from all
        boxes, then from resampled ones; empty where there is none.

    """

    n_boxes: int
    note: str = ""
    along: Floats = field(default_factory=lambda: np.zeros(0), repr=False)
    pulled: Floats = field(default_factory=lambda: np.zeros(0), repr=False)
    pressed: Floats = field(default_factory=lambda: np.zeros(0), repr=False)

    @property
    def across(self) -> Floats:
        """Mean of a pull and a squeeze."""
        return 0.5 * (self.pulled + self.pressed)

    @property
    def sensitivity(self) -> Floats:
        """K_t."""
        return self.across / self.along


def half_width(draws: Floats) -> float:
    """Half of the central 68 % of resamples; inf where it reaches an open circuit."""
    if len(draws) < 2:
        return math.inf
    low, high = np.quantile(draws, (0.158655, 0.841345), method="inverted_cdf")
    return float(0.5 * (high - low)) if np.isfinite(high) and np.isfinite(low) else math.inf


def transverse(
    plan: Plan,
    jobs: Sequence[BoxJob],
    records: dict[str, Record],
    loading: LoadingResult,
    threshold: LoadingThreshold,
) -> Transverse:
    """Transverse sensitivity from boxes strained along and across the current.

    Response to strain across, the mean of a pull and a squeeze, over that to strain along,
    each with the other in-plane strain held at zero. It is 0 for isotropic filler as long
    as contacts stand open by what the film has swollen since the reference state. Contacts
    still pressed shut cannot close, so that R rises under a pull and a squeeze alike, and a
    pull alone reads about half of one along: 0.51 +- 0.02 in ten boxes of 34 wt% flakes of
    aspect ratio 15 closed at 20 C, but -0.06 +- 0.08 in those closed at -84 C. Flakes in
    the plane read across: K_t is 0.47 to 0.62 from 5 to 40 degrees rms tilt at 1.8 times
    the threshold while no contact breaks, and rises towards the threshold where they do
    (15 degrees, 2000 microstrain: 0.64 +- 0.03 there, 0.77 +- 0.13 at 1.4 times).
    """
    strain = plan.chord_strain
    rows: list[list[Floats]] = [[] for _ in loading.lengths]
    for job, result in finished(jobs, records):
        mine = job.recipe.weight_fraction == loading.weight_fraction
        if mine and result.probe_conductances is not None:
            row = np.append(result.conductances[job.rest], result.probe_conductances)
            rows[loading.lengths.index(job.box.length)].append(row)
    n_boxes = sum(len(r) for r in rows)
    if min(len(r) for r in rows) < 2:
        return Transverse(n_boxes, "too few boxes were strained across the current")
    probed = LoadingResult(
        weight_fraction=loading.weight_fraction,
        volume_fraction=loading.volume_fraction,
        log_slope=loading.log_slope,
        lengths=loading.lengths,
        sections=loading.sections,
        conductances=tuple(np.array(r) for r in rows),
        strains=(0.0, strain, strain, strain),
        temperatures=(ROOM_TEMPERATURE,) * 4,
        diameter=loading.diameter,
        mix_ratio=loading.mix_ratio,
        dimension=loading.dimension,
        electrode_shares=loading.electrode_shares,
    )
    (fit,) = fit_loadings(
        (probed,), threshold, seed=box_seed(plan.seed, 0, PURPOSES["bootstrap"])
    )
    draws = np.vstack([fit.resistivity[None, :], fit.resistivity_draws])
    draws = draws[np.isfinite(draws).all(axis=1)]
    if not np.isfinite(fit.resistivity).all() or len(draws) < 20:
        return Transverse(
            n_boxes, "the film is or gets open, it has no transverse sensitivity"
        )
    ratios = draws[:, 1:] / draws[:, :1] - 1.0
    along, pulled, pressed = (ratios / (strain, strain, -strain)).T
    if abs(along[0]) <= 2.0 * half_width(along[1:]):
        return Transverse(
            n_boxes, "the response along is within its simulation error of zero"
        )
    return Transverse(n_boxes, "", along, pulled, pressed)


def bending_factor(plan: Plan, found: Transverse) -> float:
    r"""Strain that a film mounted as planned would have to take to read like bending.

    Parameters
    ----------
    plan : Plan
        How the film is mounted.
    found : Transverse
        Of its material.

    Returns
    -------
    float
        :math:`1/(1 - \nu K_t)` for a film that contracts by :math:`\nu` across as it is
        strained along, where bending on a cylinder strains nothing across; 1 where K_t is
        not known to `KNOWN_WITHIN`.

    Notes
    -----
    From R = R_0 (1 + F_a (e_a + K_t e_t)), the definition of K_t in strain-gauge practice.

    """
    if found.note or half_width(found.sensitivity[1:]) > KNOWN_WITHIN:
        return 1.0
    return float(1.0 / (1.0 - plan.contraction * found.sensitivity[0]))
