"""One box of a candidate, solved at rising strains -> what the page draws of it.

The box is that of number 0 and the longest length of the plan, so that at an explored
loading it is one of those that the folder rests on.
"""

from __future__ import annotations

import base64
import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.advice import Films
from percsim.boxes.simulate import BoxJob, Sample, solve_samples
from percsim.jobs import box_jobs
from percsim.particles.bodies import ROD, SPHERE
from percsim.words.live import box_line, box_title

__all__ = ["drawn_box", "job_of", "steps_of"]

CARRIES = 1e-6
"""Share of the current from which a body counts as carrying (judgement)."""


def job_of(films: Films, weight_fraction: float) -> BoxJob:
    """Give the box of a loading: longest length, number 0."""
    plan = films.plan
    jobs = [job for job in box_jobs(plan) if job.number == 0]
    longest = max(jobs, key=lambda job: job.box.length)
    return replace(
        longest, recipe=plan.recipe(weight_fraction), states=plan.states(weight_fraction),
        thermal=longest.thermal and plan.thermal(weight_fraction), probes=(),
        variations=(), memories=(),
    )  # fmt: skip


def steps_of(job: BoxJob) -> list[int]:
    """Visits of a box at the temperature of rest, by rising strain."""
    room = job.states[job.rest].temperature
    found = {s.strain: i for i, s in enumerate(job.states) if s.temperature == room}
    return [found[strain] for strain in sorted(found)]


def drawn_box(job: BoxJob) -> dict[str, Any]:
    """Solve a box and lay it out for the page.

    Returns
    -------
    dict
        Words, sizes, and arrays of float32 as base64: `bodies` (n, 9: centre, axis, radius
        across and along the axis, 1 of a sphere), `voltages` (s, n) with 1 V across, -1 of
        what carries nothing, `points` (m, 3) and `currents` (s, m) of contacts, over the
        whole current, -1 where they do not conduct. Lengths over the longest side.

    """
    states = [job.states[i] for i in steps_of(job)]
    samples = solve_samples(job, states)
    first = samples[0].particles
    n, size = len(first), np.asarray(first.box.size)
    order = np.argsort(first.kinds == SPHERE, kind="stable")
    points, currents = _contacts(samples)
    whole = first.core_sizes + first.ball_radii
    rods = first.kinds == ROD
    ball = first.kinds == SPHERE
    bodies = np.column_stack([
        first.centers, first.axes,
        np.where(rods | ball, first.ball_radii, whole),
        np.where(rods, whole, first.ball_radii), ball,
    ])  # fmt: skip
    longest = float(size.max())
    bodies[:, [0, 1, 2, 6, 7]] /= longest
    voltages = np.stack([_voltages(s) for s in samples])
    R = [s.solution.resistance for s in samples]
    strains = [state.strain for state in states]
    closed = [int((row >= 0.0).sum()) for row in currents]
    at = [(strains[k], R[k], closed[k]) for k in range(len(R))]
    return {
        "n": n, "balls": int(ball.sum()), "m": len(points), "steps": len(R),
        "size": (size / longest).tolist(), "axis": first.box.axis,
        "title": box_title(job.recipe.weight_fraction, job.box.length, n),
        "words": [box_line(a) for a in at],
        "between": [box_line(a, b) for a, b in pairwise(at)],
        "resistances": [r if math.isfinite(r) else "inf" for r in R],
        "strains": strains,
        "bodies": _packed(bodies[order]), "voltages": _packed(voltages[:, order]),
        "points": _packed(points / longest), "currents": _packed(currents),
    }  # fmt: skip


def _contacts(
    samples: tuple[Sample, ...],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Points of all contacts that conduct at some state, and their currents (s, m)."""
    n = len(samples[0].particles)
    found = []
    for sample in samples:
        rows = np.flatnonzero((sample.network.resistors < n).all(axis=1))
        ends = np.sort(sample.network.resistors[rows], axis=1)
        of_link = np.searchsorted(sample.links.pairs @ [n, 1], ends @ [n, 1])
        whole = sample.solution.conductance or 1.0
        found.append((
            ends @ [n, 1], sample.links.points[of_link],
            np.abs(sample.solution.currents[rows]) / whole,
        ))  # fmt: skip
    names, first = np.unique(np.concatenate([f[0] for f in found]), return_index=True)
    currents = np.full((len(samples), len(names)), -1.0)
    for row, (code, _, current) in zip(currents, found, strict=True):
        row[np.searchsorted(names, code)] = current
    box = samples[0].particles.box
    points = np.concatenate([f[1] for f in found])[first]
    return np.where(box.periodic, points % box.size, points), currents


def _voltages(sample: Sample) -> NDArray[np.float64]:
    """Voltages of bodies with 1 V across, -1 of those that carry nothing, (n,)."""
    most = np.zeros(sample.network.n_nodes)
    current = np.abs(sample.solution.currents)
    for ends in sample.network.resistors.T:
        np.maximum.at(most, ends, current)
    carries = most > CARRIES * sample.solution.conductance
    return np.where(carries, sample.solution.voltages, -1.0)[: len(sample.particles)]


def _packed(values: NDArray[np.float64]) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype="<f4").tobytes()).decode()
