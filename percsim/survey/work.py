"""The boxes of a survey, each once, the most useful first; and what they will cost."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from typing import Any

from percsim.boxes.growth import GrowthJob
from percsim.boxes.simulate import BoxJob
from percsim.jobs import across_jobs, box_jobs, threshold_jobs
from percsim.plan import Plan

__all__ = ["Work", "jobs_of", "survey_work"]

FEWEST = 2
"""Boxes of each length without which a loading says nothing."""

SECONDS_PER_PLAN = 2.0
"""Judge a plan from its boxes [s] (an estimate)."""

BYTES_PER_JOB = 4000
"""In the store, one job (an estimate: results of 1 to 2 kB, rows of twice that)."""

AnyJob = BoxJob | GrowthJob


@dataclass(frozen=True)
class Work:
    """Jobs of a survey.

    Parameters
    ----------
    jobs : tuple of job
        Each once, in the order in which they are of use.
    first : (n,) tuple of int
        By plan, how many jobs in this order give it a first answer.
    served : mapping of str to int
        How many plans share a job, by its key.

    """

    jobs: tuple[AnyJob, ...] = field(repr=False)
    first: tuple[int, ...]
    served: Counter[str] = field(repr=False)

    def within(self, core_hours: float | None, stored: Collection[str]) -> list[AnyJob]:
        """Jobs that a budget pays for, by the time that they say; stored ones are free."""
        if core_hours is None:
            return list(self.jobs)
        left, found = 3600.0 * core_hours, []
        for job in self.jobs:
            if job.key not in stored:
                left -= job.seconds
                if left < 0.0:
                    break
            found.append(job)
        return found

    def answered(self, done: int) -> int:
        """How many plans have a first answer once the first so many jobs are done."""
        return bisect_right(sorted(self.first), done)

    def cost(self, stored: Collection[str], workers: int) -> dict[str, Any]:
        """Say what is still to be computed.

        Parameters
        ----------
        stored : collection of str
            Keys of what is stored.
        workers : int
            Processes.

        Returns
        -------
        dict
            `n_plans`, `n_jobs` (in all), `n_stored`, `shared` (jobs that the plans would
            have apart, over those they have together), `core_hours`, `seconds` (on the
            workers), `memory_bytes` (all processes), `disk_bytes` (the store).

        """
        left = [job for job in self.jobs if job.key not in stored]
        seconds = sum(job.seconds for job in left) + SECONDS_PER_PLAN * len(self.first)
        largest = max(
            (job.expected_particles for job in self.jobs if isinstance(job, BoxJob)),
            default=0.0,
        )
        return {
            "n_plans": len(self.first),
            "n_jobs": len(self.jobs),
            "n_stored": len(self.jobs) - len(left),
            "shared": sum(self.served.values()) / max(len(self.jobs), 1),
            "core_hours": seconds / 3600.0,
            "seconds": seconds / workers,
            "memory_bytes": (workers + 1) * 220e6 + workers * 4e3 * largest,
            "disk_bytes": BYTES_PER_JOB * len(self.jobs),
        }


def jobs_of(plan: Plan) -> list[AnyJob]:
    """Every job of a plan."""
    return [*threshold_jobs(plan), *box_jobs(plan), *across_jobs(plan)]


def survey_work(plans: Sequence[Plan], order: Sequence[int]) -> Work:
    """Put the jobs of plans in the order in which they are of use.

    Parameters
    ----------
    plans : sequence of Plan
        The plans.
    order : sequence of int
        In which order they should have their first answers.

    Returns
    -------
    Work
        First, plan after plan, what it takes to say anything: the threshold and two boxes
        of each length and loading. Then the others, those first that take most variance off
        the table a second: the n-th box lowers that of a mean by 1 / n (n - 1), for every
        plan that it serves. As each costs the same whenever it runs, taking the best first
        is the best there is for any budget.

    """
    first: dict[str, AnyJob] = {}
    places: dict[str, int] = {}
    rest: dict[str, AnyJob] = {}
    ranks: dict[str, float] = {}
    served: Counter[str] = Counter()
    complete = [0] * len(plans)
    for k in order:
        plan = plans[k]
        jobs = jobs_of(plan)
        served.update({job.key for job in jobs})
        for job in jobs:
            if isinstance(job, GrowthJob) or job.number < FEWEST:
                first.setdefault(job.key, job)
                complete[k] = max(
                    complete[k], places.setdefault(job.key, len(first) - 1) + 1
                )
            elif job.key not in rest:
                rest[job.key] = job
                # short boxes are as many more as they are shorter
                times = plan.box_lengths[-1] / job.box.length
                ranks[job.key] = max(job.number / times, 1.0)

    def use(job: AnyJob) -> float:
        n = ranks[job.key]
        return served[job.key] / (n * (n + 1.0) * job.seconds)

    later = sorted(
        (job for key, job in rest.items() if key not in first), key=use, reverse=True
    )
    return Work((*first.values(), *later), tuple(complete), served)
