"""Stage 2. Recipe -> Particles: how many, how large, how turned, and where.

*Penetrable bodies*: centres are uniform over the box, independent of each other, so
the centres form a Poisson process and the expected volume fraction is exactly the
recipe's.

*Faces*: centres stay inside the box; bodies may stick out of faces that are not
periodic, and a body that reaches the face of an electrode touches it. A film cut out
of a larger one would also hold bodies whose centres lie outside and which reach in;
they are left out, so the outermost half diameter is thinner in solids than the rest.
The loss is part of the end resistance that the fit over box lengths takes out.
Confining walls draw centre and axis of a body anew until it fits between them.

*Common random numbers*: for each filler one uniform fixes the Poisson quantile of
its number, and centres, sizes, aspect ratios and axes come each from a stream of
their own. With the same seed and box a lower loading therefore holds the first of
the particles of a higher one, filler by filler. Impenetrable bodies start from such
a subset, but pushing moves them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.errors import PlacementError
from percsim.materials.filler import Filler
from percsim.materials.recipe import Recipe
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.particles.hard_core import confined, push_apart
from percsim.particles.shapes import draw_axes, draw_sizes

__all__ = ["MOST_PARTICLES", "Clusters", "expected_counts", "place_particles"]

MOST_PARTICLES = 200_000_000
"""Particles of a box that would not fit in memory on any bench."""

_CODES = {"flake": FLAKE, "rod": ROD, "sphere": SPHERE}
_STREAMS = 8  # generators a filler takes, some kept for later attributes
_ROUNDS = 2000


@dataclass(frozen=True, slots=True)
class Clusters:
    """Poor dispersion: a share of the particles sits in round agglomerates.

    Parameters
    ----------
    share : float
        Of the particles of each filler that are in agglomerates, 0 to 1.
    diameter : float
        Of an agglomerate [m]: the centres of its particles are uniform in a sphere (a
        disc in 2-D) of this diameter.
    solids : float
        Volume of the particles of an agglomerate over that of the sphere.

    Raises
    ------
    ValueError
        If a value is out of range.

    """

    share: float
    diameter: float
    solids: float = 0.3

    def __post_init__(self) -> None:
        if not 0.0 <= self.share <= 1.0:
            raise ValueError(
                f"share in agglomerates must lie in 0 to 1, got {self.share:g}"
            )
        if not 0.0 < self.diameter < math.inf:
            raise ValueError(
                f"agglomerate diameter must be positive [m], got {self.diameter:g}"
            )
        if not 0.0 < self.solids <= 2.0:
            raise ValueError(
                f"solids of an agglomerate must be above 0 and at most 2 (penetrable), got"
                f" {self.solids:g}"
            )

    def members(self, filler: Filler, dimension: int) -> int:
        """Particles in one agglomerate.

        Parameters
        ----------
        filler : Filler
            Of which.
        dimension : int
            2 or 3.

        Returns
        -------
        int
            At least 2.

        Raises
        ------
        ValueError
            If two particles are already more than fit the solids said.

        """
        r = 0.5 * self.diameter
        sphere = 4.0 / 3.0 * math.pi * r**3 if dimension == 3 else math.pi * r**2
        number = self.solids * sphere / filler.mean_volume(dimension)
        if number < 2.0:
            raise ValueError(
                f"an agglomerate {self.diameter:.4g} m across with {self.solids:g} of"
                f" solids holds {number:.3g} particles of {filler.name or filler.kind}; it"
                " needs 2 or more"
            )
        return round(number)


def expected_counts(recipe: Recipe, box: Box) -> tuple[float, ...]:
    """Mean number of particles of each filler in a box.

    Parameters
    ----------
    recipe : Recipe
        In 2-D its volume fractions are read as area fractions.
    box : Box

    Returns
    -------
    tuple of float
        Volume fraction times box volume over mean particle volume, a filler each.

    """
    return tuple(
        fraction * box.volume / filler.mean_volume(box.dimension)
        for (filler, _), fraction in zip(
            recipe.fillers, recipe.volume_fractions, strict=True
        )
    )


def place_particles(
    recipe: Recipe,
    box: Box,
    rng: np.random.Generator,
    *,
    core: float = 0.0,
    clusters: Clusters | None = None,
    walls: str = "free",
    fixed_number: bool = False,
    passes: int = 4000,
) -> Particles:
    """Draw the particles of one box; the module says how.

    Parameters
    ----------
    recipe : Recipe
        Fillers and how much of each. In 2-D its volume fractions are area fractions: sum
        of particle areas over box area.
    box : Box
        Where to.
    rng : numpy.random.Generator
        Parent of the streams. It is spawned from, not drawn from: a second call with the
        same generator (or another one made from the same `SeedSequence` object) gives
        fresh particles; make both anew to repeat a call.
    core : float
        Impenetrable share of the thickness of a flake, of the diameter of a rod or
        sphere, 0 to 1. At 0, the default, bodies overlap freely; others are pushed apart.
    clusters : Clusters, optional
        Poor dispersion.
    walls : {"free", "confining"}
        Faces that are neither periodic nor electrodes (top and bottom of a film) let
        bodies stick out, or hold them in whole.
    fixed_number : bool
        Take the rounded mean number of each filler instead of a Poisson number. For a
        whole film only: a block of a film holds a random number.
    passes : int
        Passes over all pairs of impenetrable bodies before giving up.

    Returns
    -------
    Particles
        Filler after filler in the order of the recipe.

    Raises
    ------
    ValueError
        If a filler has no 2-D form, or a particle may be larger than a periodic edge, or
        an option is out of range.
    PlacementError
        If there are more particles than memory could hold, or they do not fit; then it
        carries those that were placed.

    """
    _check(recipe, box)
    _check_options(rng, core, walls, passes)
    confining = walls == "confining" and bool(confined(box))
    streams = rng.spawn(_STREAMS * len(recipe.fillers))
    parts = _draw_all(recipe, box, streams, clusters, confining, fixed_number)
    particles = Particles(*_joined(parts, box.dimension), box)
    if core == 0.0 or not len(particles):
        return particles
    counts = [len(part[0]) for part in parts]
    turn = np.repeat([not _exact(filler) for filler, _ in recipe.fillers], counts)
    return push_apart(particles, core, turn=turn, confining=confining, passes=passes)


def _check_options(rng: object, core: float, walls: str, passes: int) -> None:
    if not isinstance(rng, np.random.Generator):
        raise ValueError(f"rng must be a numpy.random.Generator, got {type(rng).__name__}")
    if not 0.0 <= core <= 1.0:
        raise ValueError(f"the impenetrable share lies in 0 to 1, got {core:g}")
    if walls not in ("free", "confining"):
        raise ValueError(f'walls must be "free" or "confining", got {walls!r}')
    if passes < 1:
        raise ValueError(f"passes must be 1 or more, got {passes}")


def _exact(filler: Filler) -> bool:
    """Whether bodies must not turn.

    Rods laid exactly stay so; parallel flakes push each other along their normal only and
    would jam.
    """
    o = filler.orientation
    exact = o.mode != "isotropic" and o.tilt == 0.0 and o.order in (None, 1.0)
    return exact and filler.kind == "rod"


_Columns = tuple[
    NDArray[np.int8],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
]


def _draw_all(
    recipe: Recipe,
    box: Box,
    streams: list[np.random.Generator],
    clusters: Clusters | None,
    confining: bool,
    fixed_number: bool,
) -> list[_Columns]:
    means = expected_counts(recipe, box)
    if sum(means) > MOST_PARTICLES:
        raise PlacementError(
            f"the recipe puts {sum(means):.3g} particles into the box, more than"
            f" {MOST_PARTICLES:.0e}: take a smaller box or larger particles"
        )
    parts = []
    for k, ((filler, _), mean) in enumerate(zip(recipe.fillers, means, strict=True)):
        own = streams[_STREAMS * k : _STREAMS * (k + 1)]
        u = float(own[0].random())
        n = round(mean) if fixed_number else _poisson_quantile(u, mean)
        parts.append(_draw(filler, n, box, own, clusters, confining))
    return parts


def _draw(
    filler: Filler,
    n: int,
    box: Box,
    streams: list[np.random.Generator],
    clusters: Clusters | None,
    confining: bool,
) -> _Columns:
    d = box.dimension
    seeds = streams[1].random((n, d)) * np.asarray(box.size)
    cores, balls = draw_sizes(filler, n, streams[2], streams[3])
    axes = draw_axes(filler.orientation, filler.kind, n, d, box.axis, streams[4])
    kinds = np.full(n, _CODES[filler.kind], dtype=np.int8)
    centers = seeds
    chosen = np.zeros(0, dtype=np.int64)
    if clusters is not None:
        chosen = np.flatnonzero(streams[5].random(n) < clusters.share)
        centers = _gather(seeds, chosen, filler, box, streams[6], clusters)
    if not confining:
        return kinds, centers, axes, cores, balls

    # Centres and axes of bodies that stick out of a wall are drawn anew, by rounds. Every
    # round draws for the first bodies up to the last that does not fit, from streams of
    # its own, so that a lower loading stays a subset of a higher one.
    directions = confined(box)
    waiting = np.flatnonzero(
        _sticks_out(kinds, centers, axes, cores, balls, box, directions)
    )
    centers = centers.copy()
    for _ in range(_ROUNDS):
        if not len(waiting):
            break
        m = int(waiting[-1]) + 1
        spots, turns, offsets = streams[7].spawn(3)
        fresh = spots.random((m, d)) * np.asarray(box.size)
        if clusters is not None:
            some = chosen[chosen < m]
            fresh[some] = _gather(seeds[:m], some, filler, box, offsets, clusters)[some]
        turned = draw_axes(filler.orientation, filler.kind, m, d, box.axis, turns)
        centers[waiting], axes[waiting] = fresh[waiting], turned[waiting]
        out = _sticks_out(
            kinds[waiting], centers[waiting], axes[waiting], cores[waiting], balls[waiting],
            box, directions,
        )  # fmt: skip
        waiting = waiting[out]
    if len(waiting):
        raise PlacementError(
            f"{len(waiting)} of {n} particles of {filler.name or filler.kind}, up to"
            f" {2.0 * float((cores + balls)[waiting].max()):.4g} m across, found no place"
            f" between walls {min(box.size[k] for k in directions):.4g} m apart: lay them"
            " flatter or cut the sizes",
            Particles(kinds, centers, axes, cores, balls, box),
        )
    return kinds, centers, axes, cores, balls


def _gather(
    seeds: NDArray[np.float64],
    chosen: NDArray[np.int64],
    filler: Filler,
    box: Box,
    rng: np.random.Generator,
    clusters: Clusters,
) -> NDArray[np.float64]:
    """Move the chosen centres into agglomerates.

    Agglomerates fill up one after the other in the order of the particles, so that a
    lower loading is a subset of a higher one. The first member's seed is the middle.
    """
    n, d = seeds.shape
    members = clusters.members(filler, d)
    rank = np.arange(len(chosen))
    middle = seeds[chosen[rank - rank % members]]
    v = rng.random((n, 3))[chosen]
    radius = 0.5 * clusters.diameter * v[:, 0] ** (1.0 / d)
    turn = 2.0 * math.pi * v[:, 1]
    offset = np.empty((len(chosen), d))
    flat = np.ones(len(chosen))
    if d == 3:
        offset[:, 2] = 2.0 * v[:, 2] - 1.0
        flat = np.sqrt(np.maximum(0.0, 1.0 - offset[:, 2] ** 2))
    offset[:, 0], offset[:, 1] = flat * np.cos(turn), flat * np.sin(turn)
    moved = middle + radius[:, None] * offset
    for k, (edge, periodic) in enumerate(zip(box.size, box.periodic, strict=True)):
        if periodic:
            moved[:, k] %= edge
        else:
            # folded back at the face, which keeps the mean density even up to it
            moved[:, k] = abs((moved[:, k] + edge) % (2.0 * edge) - edge)
    centers = seeds.copy()
    centers[chosen] = moved
    return centers


def _sticks_out(
    kinds: NDArray[np.int8],
    centers: NDArray[np.float64],
    axes: NDArray[np.float64],
    cores: NDArray[np.float64],
    balls: NDArray[np.float64],
    box: Box,
    directions: tuple[int, ...],
) -> NDArray[np.bool_]:
    """Which bodies reach through a confining face."""
    out = np.zeros(len(kinds), dtype=np.bool_)
    for k in directions:
        along = axes[:, k] ** 2
        half = balls + cores * np.sqrt(
            np.where(kinds == FLAKE, np.maximum(0.0, 1.0 - along), along)
        )
        x = centers[:, k]
        out |= (x < half) | (x > box.size[k] - half)
    return out


def _joined(parts: list[_Columns], d: int) -> _Columns:
    empty = np.zeros(0)
    nothing = (np.zeros(0, dtype=np.int8), np.zeros((0, d)), np.zeros((0, d)), empty, empty)
    kinds, centers, axes, cores, balls = zip(nothing, *parts, strict=True)
    return (
        np.concatenate(kinds), np.concatenate(centers), np.concatenate(axes),
        np.concatenate(cores), np.concatenate(balls),
    )  # fmt: skip


def _check(recipe: Recipe, box: Box) -> None:
    for (filler, _), name in zip(recipe.fillers, recipe.filler_names, strict=True):
        filler.mean_volume(box.dimension)  # raises for flakes in 2-D
        for direction, (edge, periodic) in enumerate(
            zip(box.size, box.periodic, strict=True)
        ):
            if periodic and filler.largest > edge:
                raise ValueError(
                    f"{name} may be {filler.largest:.4g} m across, more than the periodic"
                    f" edge {direction} of the box, {edge:.4g} m: take a larger box or cut"
                    " the sizes"
                )


def _poisson_quantile(u: float, mean: float) -> int:
    """Smallest n whose Poisson cumulated probability reaches u."""
    from scipy.special import pdtr, pdtrik

    if mean <= 0.0:
        return 0
    n = max(0, math.ceil(float(pdtrik(u, mean))))
    while n > 0 and pdtr(n - 1, mean) >= u:  # the inverse is off by one at times
        n -= 1
    while pdtr(n, mean) < u:
        n += 1
    return n
