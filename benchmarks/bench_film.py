"""Films of blocks against films of particles: time and operations.

python -m benchmarks.bench_film

A film of 10 mm x 5 mm x 0.3 mm holds some 25 million flakes of 10 um; 200 castings of it
over 11 strains are drawn from stored blocks. The boxes are simulated here first and count
for nothing, as a run of a plan stores them.
"""

from __future__ import annotations

import time

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.boxes.simulate import finished, simulate_box
from percsim.boxes.store import Record
from percsim.film import Film, fit_loadings
from percsim.film.block_films import cast_lattice
from percsim.film.blocks import Blocks
from percsim.film.transfer import film_threshold
from percsim.findings.gather import gather_loadings, gather_threshold, lost_share
from percsim.jobs import box_jobs, threshold_jobs
from percsim.particles.box import Box
from percsim.particles.placement import expected_counts
from percsim.plan import Plan

CASTINGS = 200
FILM = Film(3e-4, 5e-3, 10e-3)


def main() -> None:
    plan = Plan.from_dict(
        {
            "seed": 20261,
            "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "0.3 mm", "width": "5 mm", "length": "16 mm"},
            "strain": {"window": "0 to 3000 microstrain", "points": 11},
            "explore": {"weight_fraction": ["32 wt%"], "electrode_gap": ["10 mm"]},
            "boxes": {
                "lengths": ["10 D", "20 D"],
                "count": 8,
                "threshold_count": 40,
                "variations": 0,
            },
        }
    )
    jobs = box_jobs(plan)
    start = time.process_time()
    records = {}
    for job in jobs:
        records[job.key] = Record.of(job.key, simulate_box(job))
    per_box = time.process_time() - start
    for grow in threshold_jobs(plan):
        if grow.name == "own":
            records[grow.key] = Record.of(grow.key, grow.run())
    _, touching = gather_threshold(plan, records)
    threshold = film_threshold(touching, lost_share(jobs, records))
    loadings = gather_loadings(plan, jobs, records)
    fits = fit_loadings(loadings, threshold, seed=box_seed(plan.seed, 0, "tolerances"))
    blocks = Blocks.from_fits(fits, threshold)
    phi = fits[0].loading.volume_fraction
    side = FILM.volume ** (1.0 / 3.0)
    cube = Box((side, side, side), (False, False, False))
    particles = sum(expected_counts(jobs[0].recipe, cube))
    results = [result for _, result in finished(jobs, records)]
    simulated = sum(r.n_particles for r in results)
    links = sum(r.n_links for r in results) / simulated
    print(f"film: {particles:.3g} flakes, {links:.2f} contacts a flake")
    print(f"blocks: {len(jobs)} boxes of {simulated:.3g} flakes in {per_box:.0f} s, stored")
    cast_lattice(blocks, FILM, phi, castings=2, seed=1, spread_error=1.0)
    start, busy = time.perf_counter(), time.process_time()
    found = cast_lattice(
        blocks, FILM, phi, castings=CASTINGS, seed=1, loading_spread=0.02, spread_error=1.0
    )
    elapsed, busy = time.perf_counter() - start, time.process_time() - busy
    states = len(blocks.strains)
    direct = particles * links * states * CASTINGS
    seconds = per_box * particles / simulated * CASTINGS
    grid = "x".join(str(n) for n in found.lattice.shape)
    print(
        f"{CASTINGS} castings x {states} strains on {grid} blocks: {elapsed:.1f} s,"
        f" {busy:.1f} s of one core"
    )
    print(
        f"resistors solved {found.resistor_solves:.3g}, particle by particle {direct:.3g}:"
        f" {direct / found.resistor_solves:.2g} times fewer"
    )
    print(
        f"time particle by particle at the pace of the boxes {seconds:.2g} s:"
        f" {seconds / busy:.2g} times less"
    )
    print(f"CV of R {100 * found.cv.value:.2f} %, ln R {np.round(found.mean_log.value, 3)}")


if __name__ == "__main__":
    main()
