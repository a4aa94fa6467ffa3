"""Boxes on local Dask workers: what they cost beside computing, and the efficiency.

python -m benchmarks.bench_cluster [--boxes N]

Two to four minutes. Processor time, of caller and scheduler (one process here) and of
the workers, less what the boxes themselves take; what Dask does by the clock (heartbeats)
counts more where other work makes boxes wait. The last column reads the wall clock, and
is of use on an idle machine only. Needs percsim[cluster].
"""

from __future__ import annotations

import argparse
import os
import time
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from percsim.boxes.cluster import Cluster
from percsim.boxes.pool import LocalProcesses, available_cores
from percsim.boxes.simulate import BoxJob, run_job
from percsim.boxes.workers import run_jobs
from percsim.jobs import box_jobs
from percsim.plan import Plan

PLAN = {
    "seed": 61207,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.3 mm", "width": "5 mm", "length": "16 mm"},
    "strain": {"window": "0 to 3000 microstrain", "points": 11},
    "explore": {"weight_fraction": ["33 wt%"], "electrode_gap": ["2 mm"]},
    "boxes": {"lengths": ["9 D", "10 D"], "count": 5000, "variations": 0},
}


@dataclass(frozen=True)
class Timed:
    """A box that tells what it took."""

    job: BoxJob

    @property
    def key(self) -> str:
        return self.job.key

    @property
    def seconds(self) -> float:
        return self.job.seconds


def timed(job: Timed) -> dict[str, Any]:
    begun = time.thread_time()
    result = run_job(job.job)
    took = time.thread_time() - begun
    times = {"pid": os.getpid(), "box": took, "process": time.process_time()}
    return {"times": times, "result": result}


def measure(executor: Any, jobs: list[Timed], workers: int) -> tuple[float, ...]:
    """Box time, overhead a box [s], and efficiency by processor and by wall."""
    run_jobs(timed, jobs[: 20 * workers], executor=executor)  # kernels and libraries
    jobs = jobs[20 * workers :]
    begun, wall = time.process_time(), time.perf_counter()
    outcome = run_jobs(timed, jobs, executor=executor)
    here, wall = time.process_time() - begun, time.perf_counter() - wall
    assert not outcome.failures, outcome.failures
    times = [result["times"] for result in outcome.results]
    beside = spans = 0.0
    for pid in {t["pid"] for t in times}:
        own = sorted((t for t in times if t["pid"] == pid), key=lambda t: t["process"])
        # from the end of one box to the end of the next, less what that one took
        beside += sum(b["process"] - a["process"] - b["box"] for a, b in pairwise(own))
        spans += len(own) - 1
    boxes = sum(t["box"] for t in times)
    overhead = here / len(jobs) + beside / spans
    box = boxes / len(jobs)
    used = min(workers, available_cores())
    return box, overhead, box / (box + overhead), boxes / (wall * used)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--boxes", type=int, default=160, help="a worker (default 160)")
    n = parser.parse_args().boxes
    every = [Timed(job) for job in box_jobs(Plan.from_dict(PLAN))]
    cores = available_cores()
    load = os.getloadavg()[0]
    print(f"{cores} cores, load {load:.1f} of other work before")
    print("workers         box [ms]  beside a box [ms]  share  efficiency  by the wall")
    for name, workers, batch in (
        ("processes", 1, 0.0), ("processes", 2, 0.0), ("Dask, one by one", 1, 0.0),
        ("Dask", 1, 1.0), ("Dask", 2, 1.0), ("Dask", 4, 1.0),
    ):  # fmt: skip
        count = n // 4 if name == "Dask, one by one" else min(n * workers, 400)
        jobs = every[: 20 * workers + count]
        if name == "processes":
            with LocalProcesses(workers) as pool:
                found = measure(pool, jobs, workers)
        else:
            with Cluster(f"local:{workers}") as cluster:
                cluster.batch_seconds = batch
                found = measure(cluster, jobs, workers)
        box, overhead, efficiency, wall = found
        print(
            f"{workers} {name:16s} {1e3 * box:6.1f}    {1e3 * overhead:8.2f}"
            f"        {100 * overhead / box:6.2f} %   {100 * efficiency:6.1f} %"
            f"     {100 * wall:5.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    main()
