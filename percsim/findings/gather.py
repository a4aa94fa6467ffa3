"""Stored outcomes -> thresholds, loadings and rows: what every chapter reads."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from percsim.advice import log_slope
from percsim.boxes.growth import GrowthJob, ThresholdEstimate, grown_numbers
from percsim.boxes.results import BoxResult, SampledContacts, Variations
from percsim.boxes.simulate import BoxJob, finished
from percsim.boxes.store import Record
from percsim.decision.priors import ContactParameters
from percsim.errors import FolderError
from percsim.film.medium import weighted_medium
from percsim.film.memories import Pulls
from percsim.film.surface import ContactSample, ContactSurface, LoadingSurface
from percsim.film.transfer import (
    LoadingFit,
    LoadingResult,
    LoadingThreshold,
)
from percsim.jobs import Loading, growth_plans, is_own, plan_box, threshold_jobs
from percsim.plan import Plan
from percsim.states.strain import State

__all__ = [
    "Look",
    "Stages",
    "failed_rows",
    "gather_loadings",
    "gather_surface",
    "gather_threshold",
    "lost_share",
]

Floats = NDArray[np.float64]
Verdict = Literal["known", "spent", "one stage", "running"]


@dataclass(frozen=True, slots=True)
class Look:
    """One look at the choice between two stages.

    Parameters
    ----------
    boxes : int
        Boxes of the longest length computed by then, all loadings together.
    confidence : float
        Simulated confidence in the choice.
    confidence_needed : float
        Confidence at which it would have stopped.
    choice : str
        Name of the chosen or nearest candidate.
    meets_target : bool
        Whether it meets the target.
    undecided : tuple of str
        Names of the candidates on which it hangs.

    """

    boxes: int
    confidence: float
    confidence_needed: float
    choice: str
    meets_target: bool
    undecided: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Stages:
    """How the boxes of a plan are spent so far.

    Parameters
    ----------
    boxes : mapping of (str, float) to int
        Boxes of the longest length by label and weight fraction, those to run included.
    looks : tuple of Look
        What was seen after each stage but the last.
    verdict : {"known", "spent", "one stage", "running"}
        Known at the stated confidence; budget spent; no more than one stage planned; or
        boxes still to run.

    """

    boxes: Mapping[Loading, int]
    looks: tuple[Look, ...]
    verdict: Verdict


def gather_threshold(
    plan: Plan, records: dict[str, Record]
) -> tuple[dict[str, object], LoadingThreshold]:
    """Threshold of touching particles of a mix, for the summary and for the film."""
    estimates: dict[str, ThresholdEstimate] = {}
    jobs = threshold_jobs(plan)
    for name, growth in growth_plans(plan).items():
        numbers = grown_numbers([job for job in jobs if job.name == name], records)
        if len(numbers) >= 2:
            estimates[name] = growth.estimate(np.asarray(numbers))
    own = next((found for name, found in estimates.items() if is_own(name)), None)
    if own is None:
        raise FolderError("the threshold is not computed yet; run the plan again to go on")
    curve = [
        {"aspect_ratio": float(name.split()[-1]), **_fractions(found)}
        for name, found in estimates.items()
        if _varied(name, "aspect")
    ]
    slope = 0.0
    if len(curve) >= 2:
        x = np.log([row["aspect_ratio"] for row in curve])
        y = np.log([row["volume_fraction"] for row in curve])
        slope = float(np.polyfit(x, y, 1)[0])
    summary: dict[str, object] = {
        **_fractions(own),
        "n": own.volume_fraction.n,
        "eta": own.eta.value,
        "aspect_ratio_curve": curve,
        "aspect_ratio_slope": slope,
    }
    phi = own.volume_fraction
    tilt_slope = _tilt_slope(plan, own, estimates)
    if tilt_slope:
        summary["tilt_slope_per_rad"] = tilt_slope
    return summary, LoadingThreshold(phi.value, phi.standard_error, slope, tilt_slope)


def _varied(name: str, what: str) -> bool:
    """Whether a growth is that of the filler with another tilt or aspect ratio."""
    return name.rpartition("/")[2].startswith(f"{what} ")


def _tilt_slope(
    plan: Plan, own: ThresholdEstimate, estimates: dict[str, ThresholdEstimate]
) -> float:
    """D ln(threshold) / d (rms tilt) of the first filler that has one [1/rad], else 0."""
    points = [
        (float(name.split()[-1]), found.volume_fraction.value)
        for name, found in estimates.items()
        if _varied(name, "tilt")
    ]
    if not points:
        return 0.0
    planned = next(
        f.orientation.tilt
        for f in plan.fillers
        if f.kind != "sphere"
        and f.orientation.mode != "isotropic"
        and f.orientation.order is None
    )
    points.append((planned, own.volume_fraction.value))
    tilts, thresholds = zip(*points, strict=True)
    return float(np.polyfit(tilts, np.log(thresholds), 1)[0])


def _fractions(found: ThresholdEstimate) -> dict[str, float]:
    weight = found.weight_fraction
    assert weight is not None  # grown from a recipe
    return {
        "volume_fraction": found.volume_fraction.value,
        "weight_fraction": weight.value,
        "standard_error": found.volume_fraction.standard_error,
        "weight_standard_error": weight.standard_error,
    }


def lost_share(jobs: Sequence[BoxJob], records: dict[str, Record]) -> float:
    """Share of all contacts of the stored boxes that are open at rest and 20 C."""
    lost = total = 0.0
    for _, result in finished(jobs, records):
        lost += result.n_links * result.lost_share
        total += result.n_links
    return lost / total if total else 0.0


def gather_loadings(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record]
) -> list[LoadingResult]:
    """Gather the boxes of a mix by loading, which counts once every length has two."""
    loadings = []
    lengths = plan.box_lengths
    of_weight: dict[float, list[BoxJob]] = {}
    for job in jobs:
        of_weight.setdefault(job.recipe.weight_fraction, []).append(job)
    for w in plan.weight_fractions:
        recipe = plan.recipe(w)
        rows: list[list[BoxResult]] = [[] for _ in lengths]
        mine = of_weight.get(recipe.weight_fraction, [])
        for job, result in finished(mine, records):
            rows[lengths.index(job.box.length)].append(result)
        if min(len(r) for r in rows) < 2:
            continue
        states, dimension = plan.states(w), 2 if plan.is_thin else 3
        electrode = [plan.law().electrode_conductance_at(state) for state in states]
        rest = mine[0].rest
        loadings.append(
            LoadingResult(
                weight_fraction=recipe.weight_fraction,
                volume_fraction=recipe.volume_fraction,
                log_slope=log_slope(recipe),
                lengths=lengths,
                sections=tuple(plan_box(plan, length).section for length in lengths),
                conductances=tuple(np.array([x.conductances for x in r]) for r in rows),
                strains=tuple(s.strain for s in states),
                temperatures=tuple(s.temperature for s in states),
                diameter=plan.median_diameter,
                mix_ratio=plan.cured_elastomer.mix_ratio,
                dimension=dimension,
                chord=plan.chord_strain,
                window=(plan.window_strains[0], plan.window_strains[-1]),
                electrode_shares=tuple(_electrode_share(r, rest, dimension) for r in rows),
                electrode_rises=tuple(electrode[rest] / g for g in electrode),
            )
        )
    return loadings


def gather_surface(
    plan: Plan,
    jobs: Sequence[BoxJob],
    records: dict[str, Record],
    fits: Sequence[LoadingFit],
    threshold: LoadingThreshold,
) -> ContactSurface | None:
    """Gather the boxes solved at other settings of the law.

    Parameters
    ----------
    plan : Plan
        The plan.
    jobs : sequence of BoxJob
        Its boxes.
    records : dict of Record
        Stored outcomes by key.
    fits : sequence of LoadingFit
        Those that say something of films, in increasing loading.
    threshold : LoadingThreshold
        The film's own at 20 C.

    Returns
    -------
    ContactSurface or None
        None for laws other than contact opening, and where boxes of a loading were not
        varied.

    """
    contacts = plan.contact_parameters()
    if not isinstance(contacts, ContactParameters) or not fits:
        return None
    surfaces: list[LoadingSurface] = []
    samples: list[tuple[tuple[State, ...], SampledContacts]] = []
    for fit in fits:
        longest = [
            job
            for job in jobs
            if job.box.length == fit.loading.lengths[-1]
            and job.recipe.weight_fraction == fit.loading.weight_fraction
        ]
        done = list(finished(longest, records))
        varied = [(job, x.variations) for job, x in done if x.variations is not None]
        if len(varied) < 2:
            return None
        samples += [(job.states, found.sample) for job, found in varied]
        surfaces.append(_surface(fit, varied[0][0], [result for _, result in done]))
    strains = {tuple(states[k].strain for k in s.visits) for states, s in samples}
    if len(strains) != 1:
        return None
    (known,) = strains
    lifted = [sample.lifted for _, sample in samples if sample.lifted is not None]

    def pooled(openings: Sequence[Floats]) -> dict[float, Floats]:
        return {
            strain: np.concatenate([rows[k] for rows in openings])
            for k, strain in enumerate(known)
        }

    return ContactSurface.fit(
        fits,
        surfaces,
        threshold,
        base=contacts.values,
        closed_at=contacts.closed_at,
        sample=ContactSample(
            np.concatenate([sample.weights for _, sample in samples]),
            pooled([sample.opened for _, sample in samples]),
            pooled([sample.stretched for _, sample in samples]),
            np.concatenate(lifted) if plan.bond else None,
        ),
        bond=plan.bond,
    )


def _medium_shares(g: Floats, d: int) -> Floats:
    """Weight of each box (n, S) in the effective-medium mean of all, at every state."""
    mean = weighted_medium(g, np.ones((1, len(g))), d)[0]
    share = g * mean / np.where(g + mean > 0.0, g + (d - 1.0) * mean, 1.0) ** 2
    return np.asarray(share / np.where(share.sum(axis=0) > 0.0, share.sum(axis=0), 1.0))


def _electrode_share(found: Sequence[BoxResult], rest: int, d: int) -> float:
    """Share of the resistance of boxes in the contacts to the electrodes, at rest."""
    share = _medium_shares(np.array([[x.conductances[rest]] for x in found]), d)[:, 0]
    mean = float(share @ np.array([x.electrode_share for x in found]))
    return min(max(mean, 0.0), 0.99)  # all of it would leave no material to tell of


def _surface(fit: LoadingFit, job: BoxJob, done: Sequence[BoxResult]) -> LoadingSurface:
    """Varied boxes of one loading, as a job."""
    assert job.thermal is not None  # or it could not have been varied
    d = fit.loading.dimension
    varied = [x.variations for x in done if x.variations is not None]
    base = np.array([x.conductances for x in done if x.variations is not None])
    return LoadingSurface(
        states=tuple(varied[0].visits.tolist()),
        settings=varied[0].settings,
        base=base[:, varied[0].visits],
        conductances=np.array([found.conductances for found in varied]),
        electrode_share=_electrode_share(done, job.rest, d),
        expansion=job.thermal.expansion,
        pulls=_pulls(varied),
    )


def _pulls(varied: Sequence[Variations]) -> Pulls | None:
    """Varied boxes of one loading with memories; None where any has none."""
    remembered = [found.remembered for found in varied if found.remembered is not None]
    memories, pulled = varied[0].memories, varied[0].pulled
    if memories is None or pulled is None or len(remembered) < len(varied):
        return None
    of, reclose, healed = memories.T
    return Pulls(
        of.astype(np.int64) + 1, reclose.copy(), healed.copy(), tuple(pulled.tolist()),
        np.array(remembered),
    )  # fmt: skip


def failed_rows(
    jobs: Iterable[BoxJob | GrowthJob], records: Mapping[str, Record]
) -> list[dict[str, object]]:
    """Name the jobs that gave no result, and why."""
    rows = []
    for job in jobs:
        record = records.get(job.key)
        if record is None or record.status == "done":
            continue
        where: dict[str, object]
        if isinstance(job, BoxJob):
            where = {
                "of": job.group.partition("/")[0],
                **({"mix": job.label.rstrip("/")} if job.label else {}),
                "weight_fraction": job.recipe.weight_fraction,
                "box_length_m": job.box.length,
                "box_number": job.number,
            }
        else:
            where = {"of": "threshold", "name": job.name, "box_number": job.first}
        rows.append({**where, "message": record.message})
    return rows
