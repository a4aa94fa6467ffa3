"""One box of many flakes from placing to proof: time and memory a flake as boxes grow.

    python -m benchmarks.bench_box                   # 1e4 to 1e6 flakes, a minute
    python -m benchmarks.bench_box --largest 1e7     # minutes, and gigabytes: see the table

Isotropic graphite flakes of aspect ratio 15 at 34 wt%, sizes of spread 0.4, in a cube with
electrodes on two faces: placed, linked, opened at one state, solved to 1e-7 with proof, and
the slopes to what is uncertain. Processor time of one thread. Each size runs in a process
of its own, after a small box that compiles; memory a flake is the largest the process took
less what it held before.
"""

from __future__ import annotations

import argparse
import json
import math
import resource
import subprocess
import sys
import time

import numpy as np
from threadpoolctl import threadpool_limits

import percsim as ps
from percsim.network.opened import OpenedBox

STEPS = ("place", "link", "open", "solve", "slopes")
SMALL = 2_000


def recipe() -> ps.Recipe:
    """34 wt% of flakes in silicone."""
    filler = ps.Filler(
        kind="flake", density=2250.0, size=ps.SizeDistribution(10e-6, 0.4),
        aspect_ratio=15.0, orientation=ps.Orientation("isotropic"),
    )  # fmt: skip
    return ps.Recipe(((filler, 0.34),), ps.Elastomer(density=1030.0, mix_ratio=7.0))


def box_of(n: float) -> ps.Box:
    """Cube that holds about n flakes."""
    trial = ps.Box((100e-6,) * 3, (False, True, True))
    counts = [len(ps.place_particles(recipe(), trial, np.random.default_rng(k)))
              for k in range(20)]  # fmt: skip
    edge = 100e-6 * (n / float(np.mean(counts))) ** (1.0 / 3.0)
    return ps.Box((edge,) * 3, (False, True, True))


def one_box(box: ps.Box) -> dict[str, float]:
    """Seconds of each step, and how well the answer is proven."""
    mix = recipe()
    law = ps.ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6, seed=1)
    thermal = ps.ThermalOpening(mix.thermal_expansion, 233.15, 0.3)
    marks = [time.process_time()]
    particles = ps.place_particles(mix, box, np.random.default_rng(77))
    marks.append(time.process_time())
    links = ps.find_links(particles, 0.0)
    marks.append(time.process_time())
    opened_box = OpenedBox.of(links, law, ps.Mounting("bonded"), thermal)
    opened = opened_box.network(law, 0.0, 293.15)
    marks.append(time.process_time())
    solution = ps.Sweep().solve(opened.network, 1e-7)
    marks.append(time.process_time())
    opened_box.slopes(law, 0.0, 293.15, opened, solution)
    marks.append(time.process_time())
    return dict(zip(STEPS, np.diff(marks).tolist(), strict=True)) | {
        "n": len(particles),
        "links": len(links),
        "resistance": solution.resistance,
        "bounds": solution.upper / solution.lower - 1.0,
    }


def measure(n: int) -> dict[str, float]:
    """One size, in this process."""
    with threadpool_limits(1):
        one_box(box_of(SMALL))
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        found = one_box(box_of(n))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return found | {"peak": peak * 1024.0, "before": before * 1024.0}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--largest", type=float, default=1e6, help="flakes of the largest box"
    )
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(measure(options.one)))
        return
    print("processor time a flake in microseconds")
    steps = " ".join(f"{step:>7}" for step in (*STEPS, "all"))
    print(f"   flakes     links {steps}  seconds exponent  B/flake  peak MB   bounds")
    last: tuple[float, float] | None = None
    for k in range(4, 1 + round(math.log10(options.largest))):
        command = [sys.executable, "-m", "benchmarks.bench_box", "--one", str(10**k)]
        told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
        found = json.loads(told.splitlines()[-1])
        n, whole = found["n"], sum(found[step] for step in STEPS)
        each = [1e6 * found[step] / n for step in STEPS] + [1e6 * whole / n]
        growth = (
            f"{math.log(whole / last[1]) / math.log(n / last[0]):8.2f}" if last else " " * 8
        )
        last = n, whole
        memory = (found["peak"] - found["before"]) / n
        print(f"{n:9.0f} {found['links']:9.0f}", *(f"{value:7.2f}" for value in each),
              f"{whole:8.2f} {growth} {memory:8.0f} {found['peak'] / 1e6:8.0f} "
              f"{found['bounds']:8.0e}", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
