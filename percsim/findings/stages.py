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

from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.candidates import pick_outlook, stand
from percsim.decision.outlook import Outlook
from percsim.film.model import FilmModel
from percsim.findings.gather import Look, Stages
from percsim.findings.judged import planned_outlooks
from percsim.findings.mixes import Mix, gather_mixes
from percsim.jobs import Loading, box_jobs, first_boxes
from percsim.plan import Plan
from percsim.words.candidates import named

__all__ = ["Look", "Stages", "next_stage", "spend"]

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


def _hanging(
    mixes: Sequence[Mix], candidates: Sequence[Outlook], undecided: Sequence[int]
) -> set[Loading]:
    """Find the loadings of the undecided, and those their slopes are taken from."""
    hanging: set[Loading] = set()
    for i in undecided:
        recipe = candidates[i].recipe
        mix = mixes[recipe.mix]
        own = recipe.loading.weight_fraction
        # films that are open, or below the threshold, tell no slope
        used = FilmModel.conducting(mix.fits, mix.films.threshold)
        weights = sorted({own, *(fit.loading.weight_fraction for fit in used)})
        at = weights.index(own)
        near = weights[max(at - 1, 0) : at + 2]
        hanging |= {(mix.plan.box_label, w) for w in near}
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
        mixes = gather_mixes(plan, jobs, records, resamples)
        target = plan.decision_target()
        candidates = [o for mix in mixes for o in planned_outlooks(mix, resamples)]
        chosen, best = pick_outlook(candidates, target)
        standing = stand(candidates, target, chosen, needed)
        names = [named(o.recipe, mixes[o.recipe.mix].words) for o in candidates]
        looks.append(
            Look(
                sum(boxes.values()),
                standing.confidence,
                needed,
                names[best],
                chosen is not None,
                tuple(names[i] for i in standing.undecided),
            )
        )
        if standing.confidence >= needed:
            return Stages(boxes, tuple(looks), "known")
        more = {
            loading: _more(boxes[loading], most)
            for loading in _hanging(mixes, candidates, standing.undecided)
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
