"""A plan -> its jobs: thresholds to grow, boxes to simulate, and what that will cost."""

from __future__ import annotations

import math
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, TypeVar

import numpy as np

from percsim.boxes.growth import GrowthJob, GrowthPlan, plan_growth
from percsim.boxes.pool import available_cores
from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import (
    BoxJob,
    MemorySetting,
    Setting,
    place_box,
    pulled_states,
    simulate_box,
)
from percsim.boxes.sources import RecipeParticles
from percsim.boxes.threshold import with_aspect_ratio
from percsim.boxes.workers import Job
from percsim.decision.priors import BETA_FACTOR, BREAKING_FACTOR, THERMAL_SHARE_RANGE
from percsim.errors import PlacementError, PlanError
from percsim.film.verify import FEWEST_FILMS, FilmJob, film_blocks
from percsim.kernels import compiled
from percsim.links.search import find_links
from percsim.materials.filler import Filler
from percsim.materials.recipe import Recipe
from percsim.network.build import Network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.solve import solve_network
from percsim.particles.box import Box
from percsim.particles.placement import MOST_PARTICLES, expected_counts
from percsim.plan import Plan
from percsim.quantities import mm, weight
from percsim.states.strain import State
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "AcrossJob",
    "across_axis",
    "across_jobs",
    "box_jobs",
    "check_placement",
    "compile_kernels",
    "estimate",
    "evenly",
    "film_jobs",
    "films_of",
    "first_boxes",
    "growth_plans",
    "is_own",
    "law_settings",
    "plan_box",
    "threshold_jobs",
]

AnyJob = TypeVar("AnyJob", bound=Job)

Loading = tuple[str, float]
"""What boxes are counted by: the label of the mixes they serve, and weight fraction."""

ASPECT_RATIOS = (10.0, 15.0, 20.0, 25.0)
"""Aspect ratios at which the threshold is grown to show how far it moves."""

TILT_STEP, LARGEST_TILT = math.radians(5.0), math.radians(50.0)
"""Difference of rms tilt at which the threshold is grown as well, and where that ends:
55 degrees are isotropic flakes."""

BOXES_PER_GROWTH_JOB = 10

SECONDS_PER_CANDIDATE = 0.08
"""Judge a candidate by 2000 castings and write its rows [s] (measured, one core of a 2020s
server)."""

SECONDS_TO_COMPILE = 20.0
"""First use on a machine, compiling the kernels [s] (as above)."""


def tilted(recipe: Recipe) -> dict[str, Recipe]:
    """Give the first filler that lies down a few degrees more and less tilt, by name.

    None for isotropic particles, spheres, and those with an order parameter.
    """
    turning = [
        k
        for k, (filler, _) in enumerate(recipe.fillers)
        if filler.kind != "sphere"
        and filler.orientation.mode != "isotropic"
        and filler.orientation.order is None
    ]
    if not turning:
        return {}
    first, weight = recipe.fillers[turning[0]]
    found = {}
    for tilt in (first.orientation.tilt - TILT_STEP, first.orientation.tilt + TILT_STEP):
        if 0.0 <= tilt <= LARGEST_TILT:
            fillers = list(recipe.fillers)
            orientation = replace(first.orientation, tilt=tilt)
            fillers[turning[0]] = (replace(first, orientation=orientation), weight)
            found[f"tilt {tilt:.6g}"] = replace(recipe, fillers=tuple(fillers))
    return found


def growth_plans(plan: Plan) -> dict[str, GrowthPlan]:
    """Threshold of a plan's or a mix's own filler, and of it with other aspect ratios.

    The names are those of the jobs; what a mix changes stands in front of them. Thresholds
    as volume fraction depend neither on the film nor on the mix ratio.
    """
    prefixes = {
        names: "".join(f"{name} {value!r}/" for name, value in plan.mix if name in names)
        for names in (("diameter", "aspect_ratio"), ("diameter",))
    }
    of_filler, of_size = prefixes.values()
    own = plan.recipe(plan.weight_fractions[-1])
    recipes = {f"{of_filler}own": own}
    if any(filler.kind != "sphere" for filler, _ in own.fillers):
        recipes |= {
            f"{of_size}aspect {ratio:g}": with_aspect_ratio(own, ratio)
            for ratio in ASPECT_RATIOS
        }
    recipes |= {f"{of_filler}{name}": recipe for name, recipe in tilted(own).items()}
    return {
        name: plan_growth(
            RecipeParticles(recipe),
            # the same draws at every aspect ratio, so that the trend is not noise
            rng=np.random.default_rng(box_seed(plan.seed, 0, PURPOSES["threshold"])),
        )
        for name, recipe in recipes.items()
    }


def evenly(jobs: Sequence[AnyJob]) -> list[AnyJob]:
    """Put jobs in an order in which every sort comes evenly, so that the pace holds.

    What a box takes depends on its loading more than anyone can say before: run one after
    another, the loadings that conduct would come last and belie the time left.
    """
    sorts: dict[str, list[AnyJob]] = {}
    for job in jobs:
        sorts.setdefault(job.key.rpartition("/")[0], []).append(job)
    places = [
        ((i + 0.5) / len(mine), job)
        for mine in sorts.values()
        for i, job in enumerate(mine)
    ]
    return [job for _, job in sorted(places, key=lambda place: place[0])]


def is_own(name: str) -> bool:
    """Whether a growth is that of a filler as planned, not with another aspect ratio."""
    return name.rpartition("/")[2] == "own"


def threshold_jobs(plan: Plan) -> list[GrowthJob]:
    """Jobs that grow the thresholds of a plan, all its mixes."""
    jobs: dict[str, GrowthJob] = {}
    for mix in plan.mixes:
        for name, growth in growth_plans(mix).items():
            total = plan.boxes.threshold_count
            if not is_own(name):
                total = max(total // 4, BOXES_PER_GROWTH_JOB)
            for first in range(0, total, BOXES_PER_GROWTH_JOB):
                job = GrowthJob(
                    name, growth, first, min(BOXES_PER_GROWTH_JOB, total - first)
                )
                jobs.setdefault(job.key, job)
    return list(jobs.values())


def plan_box(plan: Plan, length: float) -> Box:
    """Cube periodic across, or in a thin film the film's own thickness and free faces."""
    if plan.is_thin:
        return Box((length, length, plan.film.thickness), (False, True, False))
    return Box((length, length, length), (False, True, True))


def first_boxes(plan: Plan) -> dict[Loading, int]:
    """Boxes of the longest length that every loading of every mix gets."""
    return {
        (mix.box_label, mix.recipe(w).weight_fraction): plan.boxes.count
        for mix in plan.mixes
        for w in mix.weight_fractions
    }


def law_settings(plan: Plan) -> tuple[Setting, ...]:
    """List the settings of the law that some boxes are solved with as well.

    The mid-points of the edges of a cube (Box & Behnken, "Some new three level designs for
    the study of quantitative variables", Technometrics 2, 455 (1960)), which spread 12
    settings for a second-order fit and leave out the corners, where films are open; then
    three inside. The cube spans 80 % of the logarithms of the ranges of day one.
    """
    contacts = plan.contacts
    reach = 0.8
    edges = [
        tuple(reach * value for value in corner)
        for a in (-1.0, 1.0)
        for b in (-1.0, 1.0)
        for corner in ((a, b, 0.0), (a, 0.0, b), (0.0, a, b))
    ]
    inside = [(0.5, -0.3, 0.4), (-0.4, 0.5, -0.5), (0.3, 0.4, 0.6)]
    low = min(THERMAL_SHARE_RANGE[0], max(contacts.lambda_T.value, 0.01))
    high = THERMAL_SHARE_RANGE[1]
    beta = contacts.beta.value or 1.0
    return tuple(
        Setting(
            beta * BETA_FACTOR**u,
            contacts.delta_b.value * BREAKING_FACTOR**v,
            low * (high / low) ** (0.5 * (1.0 + w)),
        )
        for u, v, w in [*edges, *inside]
    )


MEMORIES = (
    MemorySetting(-1, 0.5, 1.0),
    MemorySetting(-1, 0.9, 0.3),
    MemorySetting(3, 0.6, 0.4),
    MemorySetting(7, 0.3, 0.6),
    MemorySetting(11, 0.85, 0.25),
    MemorySetting(12, 0.7, 0.5),
    MemorySetting(13, 0.9, 0.2),
)
"""Memories that varied boxes are pulled with, over the ranges of day one and settings of
the law far from each other."""


def box_jobs(plan: Plan, boxes: Mapping[Loading, int] | None = None) -> list[BoxJob]:
    """Jobs of a plan's boxes, numbers outermost so that a part of them is a fair sample.

    Parameters
    ----------
    plan : Plan
        The plan; mixes that share boxes share their jobs.
    boxes : mapping of (str, float) to int, optional
        Boxes of the longest length by label of the boxes and weight fraction, by default
        the `count` of the plan for each. More of them leaves those before as they are.

    Returns
    -------
    list of BoxJob

    """
    boxes = first_boxes(plan) if boxes is None else boxes
    series: dict[Loading, tuple[Plan, float]] = {}
    for mix in plan.mixes:
        for w in mix.weight_fractions:
            loading = (mix.box_label, mix.recipe(w).weight_fraction)
            if loading in boxes:
                series.setdefault(loading, (mix, w))
    made = []
    for loading, (mix, w) in series.items():
        # short boxes are cheap and scatter more: as many more as they are shorter
        lengths = mix.box_lengths
        cubes = [
            (plan_box(mix, length), round(boxes[loading] * lengths[-1] / length))
            for length in lengths
        ]
        made.append(
            (mix, mix.recipe(w), mix.states(w), mix.thermal(w), mix.probes(w), cubes)
        )
    law, mounting = plan.law(), plan.mounting()
    opening = isinstance(law, ContactOpeningLaw)
    settings = law_settings(plan) if opening else ()
    return [
        BoxJob(
            plan.seed,
            number,
            recipe,
            cube,
            law,
            states,
            mix.cutoff,
            core=mix.placement.impenetrable,
            clusters=mix.clusters,
            walls=mix.placement.faces,
            mounting=mounting if opening else None,
            thermal=thermal if opening else None,
            variations=settings
            if (varied := cube is cubes[-1][0] and number < plan.boxes.variations)
            else (),
            probes=probes,
            memories=MEMORIES if varied and settings else (),
            label=mix.box_label,
        )
        for number in range(max(count for *_, cubes in made for _, count in cubes))
        for mix, recipe, states, thermal, probes, cubes in made
        for cube, count in cubes
        if number < count
    ]


def check_placement(plan: Plan) -> None:
    """Place one box of each mix where particles may not fit: its shortest at its fullest.

    Raises
    ------
    PlanError
        If the particles find no place, or some box holds more than memory could.

    """
    boxes: dict[str, BoxJob] = {}
    faults = []
    for job in box_jobs(plan):
        if job.number:
            break
        fullest = boxes.setdefault(job.label, job)
        if job.recipe.weight_fraction > fullest.recipe.weight_fraction:
            boxes[job.label] = job
        number = sum(expected_counts(job.recipe, job.box))
        if number > MOST_PARTICLES:
            faults.append(
                f"{plan.name}: boxes.lengths has a box of {mm(job.box.length)}"
                f" with {number:.3g} particles, more than {MOST_PARTICLES:.0e}; take"
                " smaller boxes or larger particles"
            )
    placement = plan.placement
    hard = placement.impenetrable > 0.0
    if not faults and (hard or (placement.faces == "confining" and plan.is_thin)):
        key = (
            f"impenetrable = {placement.impenetrable:g}" if hard else "faces = 'confining'"
        )
        for job in boxes.values():
            try:
                place_box(job)
            except PlacementError as error:
                loading = weight(job.recipe.weight_fraction)
                faults.append(f"{plan.name}: placement.{key} at {loading}: {error}")
    if faults:
        raise PlanError(faults)


@dataclass(frozen=True, slots=True)
class AcrossJob(BoxJob):
    """A box whose current runs across the film, to tell how unlike it conducts that way."""

    @property
    def group(self) -> str:
        """First part of the key."""
        return f"across/{self.recipe.weight_fraction!r}"


def across_axis(plan: Plan) -> int | None:
    """Direction across the film whose resistivity the plan's layout needs, if any.

    Electrodes on a face lead current through the thickness (2), fingers draw some across
    the width (1). None where nothing runs that way, or where the particles lie in every
    direction alike and the resistivity is the same by construction.
    """
    fillers = [f for f in plan.fillers if f.kind != "sphere"]
    if plan.layout.mount == "surface":
        turned = any(f.orientation.mode != "isotropic" for f in fillers)
        return 2 if turned else None
    if plan.layout.name == "fingers":
        # flakes about the thickness and rods in the plane conduct alike in the plane
        turned = any(f.kind == "rod" and f.orientation.mode == "aligned" for f in fillers)
        return 1 if turned else None
    return None


def across_jobs(plan: Plan) -> list[AcrossJob]:
    """Cubes at rest with the current across the film, half as many as along it.

    Rods along the current of the film lie across that of these boxes.
    """
    jobs: dict[str, AcrossJob] = {}
    for mix in plan.mixes:
        axis = across_axis(mix)
        if axis is not None:
            for job in _across_jobs(mix, axis):
                jobs.setdefault(job.key, job)
    return list(jobs.values())


def _across_jobs(plan: Plan, axis: int) -> list[AcrossJob]:
    """Jobs of `across_jobs` for one mix."""
    lengths, law = plan.box_lengths, plan.law()
    count = max(6, plan.boxes.count // 2)
    counts = [round(count * lengths[-1] / length) for length in lengths]
    mounting = plan.mounting()
    periodic = tuple(k != axis for k in range(3))
    by_loading = [(_turned(plan.recipe(w)), plan.thermal(w)) for w in plan.weight_fractions]
    return [
        AcrossJob(
            plan.seed,
            number,
            recipe,
            Box((length,) * 3, periodic, axis),
            law,
            (State.at(0.0, ROOM_TEMPERATURE, mounting, thermal, axis=axis),),
            plan.cutoff,
            core=plan.placement.impenetrable,
            clusters=plan.clusters,
            label=plan.box_label,
        )
        for number in range(max(counts))
        for recipe, thermal in by_loading
        for index, length in enumerate(lengths)
        if number < counts[index]
    ]


def _turned(recipe: Recipe) -> Recipe:
    """Make the recipe's rods along the current lie across that of the box."""

    def turned(filler: Filler) -> Filler:
        along = filler.kind == "rod" and filler.orientation.mode == "aligned"
        if not along or filler.orientation.director not in ("", "current"):
            return filler
        return replace(filler, orientation=replace(filler.orientation, director="width"))

    return replace(recipe, fillers=tuple((turned(f), w) for f, w in recipe.fillers))


def film_jobs(
    plan: Plan, weight_fraction: float, budget: float, films: int = FEWEST_FILMS
) -> list[FilmJob]:
    """Films to simulate directly at a loading, the largest that a budget allows.

    Parameters
    ----------
    plan : Plan
        The plan.
    weight_fraction : float
        One of its loadings, as its recipe gives it.
    budget : float
        Particles in all films together.
    films : int
        How many films.

    Raises
    ------
    PlanError
        If the budget does not reach films of two blocks.

    """
    box = _longest_box(plan, weight_fraction)
    try:
        blocks = film_blocks(box.expected_particles, budget, films)
    except ValueError as error:
        raise PlanError([f"--budget: {error}"]) from error
    return films_of(plan, weight_fraction, blocks, films)


def films_of(
    plan: Plan, weight_fraction: float, blocks: tuple[int, int], films: int = FEWEST_FILMS
) -> list[FilmJob]:
    """Films of a size to simulate directly.

    Parameters
    ----------
    plan : Plan
        The plan.
    weight_fraction : float
        One of its loadings, as its recipe gives it.
    blocks : (int, int)
        Blocks along and across.
    films : int
        How many films.

    """
    like = _longest_box(plan, weight_fraction)
    length, (along, across) = like.box.length, blocks
    wanted = {0.0, plan.chord_strain}
    states = tuple(
        sorted(
            (
                s
                for s in like.states
                if s.temperature == ROOM_TEMPERATURE and s.strain in wanted
            ),
            key=lambda s: s.strain,
        )
    )
    box = replace(like.box, size=(along * length, across * length, like.box.size[2]))
    return [
        FilmJob(
            plan.seed,
            number,
            like.recipe,
            box,
            like.law,
            states,
            like.cutoff,
            core=like.core,
            clusters=like.clusters,
            walls=like.walls,
            label=like.label,
            blocks=blocks,
        )
        for number in range(films)
    ]


def _longest_box(plan: Plan, weight_fraction: float) -> BoxJob:
    """First box of the longest length at a loading."""
    return next(
        job
        for job in box_jobs(plan, {(plan.box_label, weight_fraction): 1})
        if job.box.length == plan.box_lengths[-1]
    )


def estimate(plan: Plan, workers: int | None = None) -> dict[str, Any]:
    """Size, time and memory of a run, before it starts.

    Parameters
    ----------
    plan : Plan
        The plan.
    workers : int, optional
        Processes, default the cores at hand.

    Returns
    -------
    dict
        `n_candidates`, `n_boxes`, `n_threshold_batches`, `n_states`, `flakes_per_box`
        (smallest, largest), `flakes`, `seconds` (computing on `workers`),
        `seconds_at_most` (when every loading takes its whole budget of boxes),
        `seconds_to_compile` (first use only), `memory_bytes`.

    """
    workers = workers or available_cores()
    jobs: list[BoxJob] = [*box_jobs(plan), *across_jobs(plan)]
    counts = [job.expected_particles for job in jobs]
    grown = threshold_jobs(plan)
    judging = SECONDS_PER_CANDIDATE * plan.n_candidates * plan.castings / 2000.0
    on_boxes = sum(job.seconds for job in jobs) / workers
    growth = sum(job.seconds for job in grown) / workers
    others = growth + judging + 5.0
    more = (plan.boxes.most or plan.boxes.count) / plan.boxes.count
    return {
        "n_candidates": plan.n_candidates,
        "n_boxes": len(jobs),
        "n_threshold_batches": len(grown),
        "n_states": len(jobs[0].states),
        "flakes_per_box": [min(counts), max(counts)],
        "flakes": float(sum(counts)),
        "workers": workers,
        "seconds": on_boxes + others,
        "seconds_at_most": more * on_boxes + others + (0.0 if more == 1.0 else 8 * judging),
        "seconds_to_compile": SECONDS_TO_COMPILE,
        "memory_bytes": (workers + 1) * 220e6 + workers * 4e3 * max(counts),
    }


def _place_and_link(job: BoxJob) -> None:
    find_links(place_box(job), job.cutoff)


@contextmanager
def _beside(*work: Callable[[], object]) -> Iterator[None]:
    """Have work done by another process meanwhile, and wait for it; its faults are lost.

    It has a session of its own: a Ctrl-C is this process's to answer.
    """
    carry_out = "import pickle, sys; [run() for run in pickle.load(sys.stdin.buffer)]"
    other = subprocess.Popen(
        [sys.executable, "-c", carry_out],
        stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        start_new_session=True,
    )  # fmt: skip
    assert other.stdin is not None
    try:
        with suppress(OSError), other.stdin as pipe:
            pipe.write(pickle.dumps(work))
        yield
        other.wait()
    finally:
        other.kill()
        other.wait()


def _lattice(n: int) -> Network:
    """Cubic lattice large enough to be iterated, no two resistors alike."""
    index = np.arange(n**3).reshape(n, n, n)
    pairs = [
        np.stack([index.take(range(n - 1), axis), index.take(range(1, n), axis)], axis=-1)
        for axis in range(3)
    ]
    rows = np.concatenate([each.reshape(-1, 2) for each in pairs])
    return Network(n**3, rows, np.geomspace(1e-2, 1e2, len(rows)), 0, n**3 - 1)


def compile_kernels(plan: Plan, *, alone: bool = True) -> None:
    """Run a box and a threshold here, so that workers find kernels ready.

    The fullest box, because large networks take kernels of their own. Nothing is run where
    they are ready. On a machine that has none compiled, unless `alone`, a second process
    compiles those that place, link and grow, while this one compiles those that solve;
    should it fail, this one does it all.
    """
    last = "growth.grow iteration.conjugate_gradient opening.powers memory.advance".split()
    last += ["relax.add_batch"] if plan.placement.impenetrable > 0.0 else []
    if all(map(compiled, last)):
        return
    fullest = max(
        box_jobs(plan), key=lambda job: job.box.volume * job.recipe.volume_fraction
    )
    growth = replace(threshold_jobs(plan)[0], count=1)
    if not alone and not compiled("growth.grow"):
        with _beside(growth.run, partial(_place_and_link, fullest)):
            solve_network(_lattice(16))
    few = sorted(set(pulled_states(fullest.states, fullest.rest))) or [fullest.rest]
    simulate_box(
        replace(
            fullest, states=tuple(fullest.states[i] for i in few[:2]),
            variations=fullest.variations[:1], memories=fullest.memories[:1],
        )
    )  # fmt: skip
    growth.run()
