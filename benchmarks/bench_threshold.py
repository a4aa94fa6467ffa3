"""Speed of threshold growth: `python -m benchmarks.bench_threshold` (about half a minute).

Particles a second on one core, draws included, up to the last first wrapping; beside it the
same growth with cells as large as the largest particle, which is what a cell list of plain
centres needs, and the cost of a plan's threshold: flakes of aspect ratio 15 with log-normal
spread 0.405.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np

from percsim.boxes.growth import GrowthPlan, plan_growth
from percsim.boxes.sources import Component, Mixture, RecipeParticles
from percsim.boxes.threshold import recipe_threshold
from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.particles.bodies import FLAKE, ROD, SPHERE


def speed(plan: GrowthPlan, seconds: float) -> tuple[float, int]:
    """Particles a second and boxes grown within about a time."""
    plan.grow_box(0)
    start = time.process_time()
    grown, box = 0, 0
    while time.process_time() - start < seconds:
        box += 1
        grown += int(plan.grow_box(box).max())
    return grown / (time.process_time() - start), box


def flakes(spread: float) -> Recipe:
    """Flakes of aspect ratio 15 in an elastomer."""
    size = SizeDistribution(10e-6, spread)
    filler = Filler("flake", 2250.0, size, aspect_ratio=15.0)
    return Recipe(((filler, 0.2),), Elastomer(density=1030.0, mix_ratio=7.0))


def main() -> None:
    """Measure and print."""
    rng = np.random.default_rng(7707)
    start = time.perf_counter()
    recipe_threshold(flakes(0.405), rng=rng, boxes=1)
    print(f"first call, compiling unless cached: {time.perf_counter() - start:.1f} s")
    print(
        f"{'particles':34} {'a second':>10} {'large cells':>12} {'ratio':>6} {'boxes':>6}"
    )
    for name, source, edge in (
        ("discs in the plane, box of 64", Mixture([Component(SPHERE, 0.0, 0.5)], 2), 64.0),
        (
            "discs in the plane, box of 512",
            Mixture([Component(SPHERE, 0.0, 0.5)], 2),
            512.0,
        ),
        ("sticks in the plane", Mixture([Component(ROD, 0.5, 0.0)], 2), 32.0),
        ("spheres", Mixture([Component(SPHERE, 0.0, 0.5)], 3), 20.0),
        ("thin discs", Mixture([Component(FLAKE, 0.5, 0.0)], 3), None),
        ("rods, length 10 diameters", Mixture([Component(ROD, 5.0, 0.5)], 3), None),
        ("flakes 15, spread 0.2", RecipeParticles(flakes(0.2)), None),
        ("flakes 15, spread 0.405", RecipeParticles(flakes(0.405)), None),
        ("flakes 15, spread 0.7", RecipeParticles(flakes(0.7)), None),
    ):
        plan = plan_growth(source, rng=rng, box_size=edge)
        large = tuple(max(1, int(s / source.largest)) for s in plan.size)
        fast, boxes = speed(plan, 1.0)
        slow, _ = speed(replace(plan, cells=large), 1.0)
        print(f"{name:34} {fast:10.0f} {slow:12.0f} {fast / slow:6.1f} {boxes:6d}")
    start = time.process_time()
    t = recipe_threshold(flakes(math.log(1.5)), rng=rng)
    took = time.process_time() - start
    share = 100.0 * t.eta.relative_error
    print(
        f"threshold of a plan: {t.weight_fraction} by weight, {share:.2f} %, {took:.1f} s"
    )


if __name__ == "__main__":
    main()
