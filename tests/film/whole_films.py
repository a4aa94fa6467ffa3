"""Films simulated particle by particle beside films of blocks, by the plan's own way."""

from __future__ import annotations

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.boxes.simulate import simulate_box
from percsim.boxes.store import Record
from percsim.film import Film, fit_loadings
from percsim.film.block_films import cast_lattice
from percsim.film.blocks import Blocks
from percsim.film.transfer import film_threshold
from percsim.film.verify import compare_films
from percsim.findings.gather import gather_loadings, gather_threshold, lost_share
from percsim.jobs import box_jobs, film_jobs, threshold_jobs
from percsim.particles.placement import expected_counts
from percsim.plan import Plan


def compare(weight_fraction, *, aspect_ratio, lengths, boxes, films, size, seed):
    """Comparison at a loading, and the loading over the film's threshold.

    Boxes of the two lengths (in diameters), films of `size` blocks.
    """
    plan = Plan.from_dict(
        {
            "seed": seed,
            "filler": {
                "density": "2250 kg/m3",
                "diameter": "10 um",
                "aspect_ratio": aspect_ratio,
            },
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "2 mm", "width": "6 mm", "length": "16 mm"},
            "strain": {"window": "0 to 3000 microstrain", "points": 2},
            "explore": {
                "weight_fraction": [f"{weight_fraction} wt%"],
                "electrode_gap": ["3 mm"],
            },
            "boxes": {
                "lengths": [f"{x} D" for x in lengths],
                "count": boxes,
                "threshold_count": 40,
                "variations": 0,
            },
        }
    )
    jobs = box_jobs(plan)
    own = [job for job in threshold_jobs(plan) if job.name == "own"]
    records = {
        job.key: Record.of(job.key, run())
        for job, run in [(j, lambda j=j: simulate_box(j)) for j in jobs]
        + [(j, j.run) for j in own]
    }
    _, touching = gather_threshold(plan, records)
    threshold = film_threshold(touching, lost_share(jobs, records))
    loadings = gather_loadings(plan, jobs, records)
    fits = fit_loadings(loadings, threshold, seed=box_seed(seed, 0, "tolerances"))
    blocks = Blocks.from_fits(fits, threshold)
    longest = next(j for j in jobs if j.box.length == plan.box_lengths[-1])
    per_block = sum(expected_counts(longest.recipe, longest.box))
    budget = 1.001 * films * per_block * size[0] * size[1]
    loading = fits[0].loading
    whole = film_jobs(plan, loading.weight_fraction, budget, films)
    assert whole[0].blocks == size
    results = [simulate_box(job) for job in whole]
    with np.errstate(divide="ignore"):
        resistances = 1.0 / np.array([r.conductances for r in results])
    length = blocks.length
    film = Film(length, size[1] * length, size[0] * length)
    cast = cast_lattice(
        blocks, film, loading.volume_fraction, castings=1000, seed=seed, wrapped=True
    )
    particles = sum(r.n_particles for r in results)
    found = compare_films(resistances, blocks.strains, cast, size, particles)
    return found, fits[0].threshold_ratio
