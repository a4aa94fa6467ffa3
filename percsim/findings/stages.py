"""Stored outcomes -> the next boxes: more only where the decision is still open.

Every loading gets the boxes the plan counts. If the plan's budget allows more, the choice
is made again from what is stored; loadings on which it hangs get half as many boxes again,
and so on until the choice stands at the stated confidence or the budget is spent. What is
stored decides, and no stage looks at boxes of a later one: so the same boxes are run
whatever the number of workers, and after an interruption.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.choose import Candidate, Mix, judge_mixes, pick, stand
from percsim.film.casting import slope_neighbours
from percsim.film.transfer import film_threshold
from percsim.findings.across import gather_across
from percsim.findings.gather import (
    Look,
    Stages,
    gather_loadings,
    gather_threshold,
    lost_share,
)
from percsim.findings.layers import mounting
from percsim.findings.transverse import bending_factor, transverse
from percsim.jobs import Loading, box_jobs, first_boxes
from percsim.plan import Plan

__all__ = ["Look", "MixFindings", "Stages", "gather_mixes", "next_stage", "spend"]

STAGE_GROWTH = 1.5
"""A loading that gets more boxes gets half as many again: few looks, little overshoot."""


def n_looks(plan: Plan) -> int:
    """Count the looks a plan may take on the way from its count of boxes to its budget."""
    count, most, n = plan.boxes.count, plan.boxes.most or plan.boxes.count, 1
    while count < most:
        count, n = _more(count, most), n + 1
    return n


def _more(count: int, most: int) -> int:
    return min(most, math.ceil(STAGE_GROWTH * count))


@dataclass(frozen=True, slots=True)
class MixFindings:
    """What the stored boxes of one mix gave."""

    plan: Plan
    jobs: tuple[BoxJob, ...]
    threshold: dict[str, Any]
    mix: Mix


def gather_mixes(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record]
) -> list[MixFindings]:
    """Gather thresholds and loadings of every mix that has a loading with enough boxes."""
    by_label: dict[str, list[BoxJob]] = {}
    for job in jobs:
        by_label.setdefault(job.label, []).append(job)
    found = []
    for mix in plan.mixes:
        mine = by_label[mix.box_label]
        weights = {mix.recipe(w).weight_fraction for w in mix.weight_fractions}
        mine = [job for job in mine if job.recipe.weight_fraction in weights]
        threshold, touching = gather_threshold(mix, records)
        loadings = gather_loadings(mix, mine, records)
        lost = lost_share(mine, records)
        own = film_threshold(touching, lost)
        threshold |= {
            "contacts_lost_at_rest": lost,
            "film_volume_fraction": own.volume_fraction,
            "film_standard_error": own.standard_error,
            "film_weight_fraction": mix.recipe(mix.weight_fractions[-1])
            .at_volume_fraction(own.volume_fraction)
            .weight_fraction,
        }
        if not loadings:
            continue
        if mix.part.radius is not None:
            loadings = [
                replace(
                    entry,
                    bending=bending_factor(mix, transverse(mix, mine, records, entry, own)),
                )
                for entry in loadings
            ]
        film = mix.film_at(plan.electrode_gaps[0])
        across = gather_across(mix, records, loadings, own)
        if across.axis == 2:
            film = replace(film, layout=film.layout.conducting(across.ratio))
        found.append(
            MixFindings(
                mix,
                tuple(mine),
                threshold,
                Mix(
                    tuple(loadings),
                    film,
                    own,
                    mix.bench_limits(),
                    mix.mix_words(plan.varying),
                    mix.mix_values(plan.varying),
                    mounting(mix),
                ),
            )
        )
    return found


def decision_arguments(plan: Plan) -> dict[str, Any]:
    """Give what every look and the decision itself share."""
    return {
        "seed": box_seed(plan.seed, 0, PURPOSES["tolerances"]),
        "tolerances": plan.casting_tolerances(),
        "contacts": plan.contact_parameters(),
        "castings": plan.castings,
    }


def _hanging(
    found: Sequence[MixFindings], candidates: Sequence[Candidate], undecided: Sequence[int]
) -> set[Loading]:
    """Find the loadings of the undecided, and those their slopes are taken from."""
    hanging: set[Loading] = set()
    by_mix: dict[int, list[Candidate]] = {}
    for candidate in candidates:
        by_mix.setdefault(candidate.mix, []).append(candidate)
    for i in undecided:
        candidate = candidates[i]
        fits = list(dict.fromkeys(id(c.castings.fit) for c in by_mix[candidate.mix]))
        known = {id(c.castings.fit): c.castings.fit for c in by_mix[candidate.mix]}
        series = [known[key] for key in fits]
        at = fits.index(id(candidate.castings.fit))
        label = found[candidate.mix].plan.box_label
        for j in (at, *slope_neighbours(series, at)):
            if j is not None:
                hanging.add((label, series[j].loading.weight_fraction))
    return hanging


def next_stage(
    plan: Plan,
    records: dict[str, Record],
    stages: Stages | None = None,
) -> Stages:
    """Say which boxes a plan needs, given what is stored.

    Parameters
    ----------
    plan : Plan
        The plan.
    records : dict of Record
        Stored outcomes by key.
    stages : Stages, optional
        What this function returned before, so that looks are not taken twice.

    Returns
    -------
    Stages
        `running` while some of its boxes are not stored.

    """
    count, most = plan.boxes.count, plan.boxes.most or plan.boxes.count
    if most <= count:
        return Stages(first_boxes(plan), (), "one stage")
    boxes = dict(stages.boxes if stages else first_boxes(plan))
    looks = list(stages.looks if stages else ())
    if stages is not None and stages.verdict in ("known", "spent"):
        return stages
    # an error of the whole run is shared out among its looks (Bonferroni's inequality)
    needed = 1.0 - (1.0 - plan.boxes.confidence) / n_looks(plan)
    resamples = max(200, math.ceil(2.0 / (1.0 - needed)))
    while True:
        jobs = box_jobs(plan, boxes)
        if any(job.key not in records for job in jobs):
            return Stages(boxes, tuple(looks), "running")
        found = gather_mixes(plan, jobs, records)
        target = plan.decision_target()
        candidates = judge_mixes(
            [entry.mix for entry in found],
            plan.electrode_gaps,
            target,
            resamples=resamples,
            **decision_arguments(plan),
        )
        chosen, nearest = pick(candidates)
        standing = stand(candidates, target, chosen, needed)
        best = candidates[chosen if chosen is not None else nearest or 0]
        looks.append(
            Look(
                sum(boxes.values()),
                standing.confidence,
                needed,
                best.name,
                chosen is not None,
                tuple(candidates[i].name for i in standing.undecided),
            )
        )
        if standing.confidence >= needed:
            return Stages(boxes, tuple(looks), "known")
        more = {
            loading: _more(boxes[loading], most)
            for loading in _hanging(found, candidates, standing.undecided)
            if boxes[loading] < most
        }
        if not more:
            return Stages(boxes, tuple(looks), "spent")
        boxes = {loading: more.get(loading, n) for loading, n in boxes.items()}


def spend(
    plan: Plan,
    stored: Callable[[], dict[str, Record]],
    run: Callable[[Sequence[BoxJob]], None],
) -> Stages:
    """Run stage after stage.

    Parameters
    ----------
    plan : Plan
        The plan.
    stored : callable
        Gives the stored outcomes.
    run : callable
        Has boxes computed and stored; those that are stored already it skips.

    Returns
    -------
    Stages
        With a verdict.

    """
    stages = next_stage(plan, {})
    while True:
        run(box_jobs(plan, stages.boxes))
        if stages.verdict != "running":
            return stages
        stages = next_stage(plan, stored(), stages)
        if stages.verdict != "running":
            return stages
