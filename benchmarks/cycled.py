"""How often what a cycled film tells holds the truth: `python -m benchmarks.cycled A B`.

A and B are results folders of one plan under two seeds: films are simulated from the boxes
of B at draws of what is not known, castings off by the bench's tolerances, readings
scattering; what they tell is inferred from the boxes of A, as `percsim anchor` does with
fewer draws. Printed for each number is in how many of `--films` films the central 90 % hold
it, and how much narrower they are than what was assumed. Films that open on the way are
left aside. Some two seconds of processor time a film.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from percsim.advice import Films, film_recipe, logs_along, priors_of, stored_films
from percsim.decision.cycled import by_cycle
from percsim.decision.knowledge import Knowledge, day_one
from percsim.film.bench import deviation
from percsim.film.protocol import Protocol
from percsim.plan import Plan
from percsim.states.temperature import ROOM_TEMPERATURE

DRAWS, WARM, LAST = 512, 384, 1536
"""Draws handed on, of a round of the sampler, and of its last."""

PARAMETERS = ("reclose", "healed", "relaxed", "closed_at", "lambda_T", "beta", "delta_b")


def pulls(far: float, warmest: float) -> Protocol:
    """Shorter twin of the protocol that tells most: amplitudes, a minor loop, a hold.

    And a pull at the warmest temperature of the plan, where that is another than 20 C.
    """
    path = Protocol.at_rest()
    step = far / 3.0
    for top in (far / 3.0, 2.0 * far / 3.0, far, far):
        path = path.ramp(top, 1e-4, step).ramp(0.0, 1e-4, step)
    for top in (far, far / 3.0, 2.0 * far / 3.0, 0.0, far):
        path = path.ramp(top, 1e-4, step)
    path = path.stay(3600.0).ramp(0.0, 1e-4, step).stay(3600.0)
    if warmest > ROOM_TEMPERATURE + 15.0:
        path = path.warm(warmest).ramp(far, 1e-4, step).ramp(0.0, 1e-4, step)
    # a third of the visits of the stays, their ends among them
    kept = np.ones(len(path), dtype=bool)
    for stay in path.stays:
        inner = np.arange(stay.first + 1, stay.last)
        kept[inner[inner % 3 != stay.last % 3]] = False
    return Protocol(path.times[kept], path.strains[kept], path.temperatures[kept])


def films_of(folder: Path) -> Films:
    """Films of a folder."""
    plan = Plan.load(folder / "plan.toml")
    found = stored_films(plan, folder)
    if not found:
        raise SystemExit(f"{folder} keeps no models of its plan: run it there")
    return found[0]


def paths(films: Films, known: Knowledge, path: Protocol, rng: np.random.Generator | None):
    """Ln R along the path; with a generator of castings, their loading off by the bench."""
    recipe = film_recipe(films.plan, max(films.plan.weight_fractions), 3e-3)
    off: np.ndarray | float = 0.0
    if rng is not None:
        moves = films.bench.moves(recipe.film, recipe.loading.log_slope, 1.0, 0.0)
        off = deviation(moves)[0] * rng.standard_normal(len(known))
    parts = [
        logs_along(films, known.some(slice(k, k + 512)), recipe, path,
                   off if np.isscalar(off) else off[k : k + 512])
        for k in range(0, len(known), 512)
    ]  # fmt: skip
    return np.concatenate(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("a", type=Path)
    parser.add_argument("b", type=Path)
    parser.add_argument("--films", type=int, default=1000)
    parser.add_argument("--noise", type=float, default=5e-4, help="of ln R, a reading")
    asked = parser.parse_args()
    own, other = films_of(asked.a), films_of(asked.b)
    path = pulls(own.plan.chord_strain, max(own.plan.temperatures))
    rng = np.random.default_rng(60127)
    response = own.bench.tolerances.response
    truths = day_one(priors_of(other), np.random.SeedSequence(5531), 2 * asked.films)
    # what boxes of B are off by is not drawn besides: they are the film
    truths = replace(truths, noise=np.zeros_like(truths.noise))
    films = paths(other, truths, path, rng)
    kept = np.flatnonzero(np.isfinite(films).all(axis=1))[: asked.films]
    stretch = np.exp(response * rng.standard_normal(len(kept)))[:, None]
    rest = films[kept][:, :1]
    read = rest + stretch * (films[kept] - rest)
    read += asked.noise * rng.standard_normal(read.shape)

    def predicted(known: Knowledge) -> np.ndarray:
        # the films carry the simulation error of their own boxes, which real ones do not:
        # two of one law
        return paths(own, replace(known, noise=np.sqrt(2.0) * known.noise), path, None)

    before = day_one(priors_of(own), np.random.SeedSequence(71), DRAWS)
    places = {name: [] for name in PARAMETERS}
    width = {name: [] for name in PARAMETERS}
    sizes, start = [], time.process_time()
    for i, (k, measured) in enumerate(zip(kept, read, strict=True)):
        told = by_cycle(
            before, predicted, measured, path, response,
            np.random.SeedSequence(i), n=DRAWS, warm=WARM, last=LAST,
        )  # fmt: skip
        sizes.append(told.effective_size)
        for name in PARAMETERS:
            places[name].append(
                np.mean(told.knowledge.values[name] < truths.values[name][k])
            )
            width[name].append(told.narrowing[name])
    n = len(kept)
    print(f"{n} films of other boxes, {len(path)} visits; effective draws"
          f" {np.quantile(sizes, 0.1):.0f} to {np.quantile(sizes, 0.9):.0f};"
          f" {(time.process_time() - start) / n:.1f} s a film")  # fmt: skip
    error = np.sqrt(0.9 * 0.1 / n)
    print(
        f"{'number':>10} {'held':>7} {'+-':>6} {'below':>6} {'above':>6} {'width left':>11}"
    )
    for name in PARAMETERS:
        place = np.array(places[name])
        below, above = np.mean(place < 0.05), np.mean(place > 0.95)
        print(f"{name:>10} {1.0 - below - above:7.3f} {error:6.3f} {below:6.3f}"
              f" {above:6.3f} {np.median(width[name]):11.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
