"""Stage 2. Recipe -> Particles: how many, how large, how turned, and where."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from percsim.errors import PlacementError
from percsim.materials.filler import Filler
from percsim.materials.recipe import Recipe
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.particles.shapes import draw_axes, draw_sizes

__all__ = ["expected_counts", "place_particles"]

_CODES = {"flake": FLAKE, "rod": ROD, "sphere": SPHERE}
_STREAMS = 8  # generators a filler takes, some kept for later attributes
_MOST = 200_000_000  # particles that would not fit in memory on any bench


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
    fixed_number: bool = False,
) -> Particles:
    r"""Draw the particles of one box.

    Parameters
    ----------
    recipe : Recipe
        Fillers and how much of each. In 2-D its volume fractions are area fractions: sum
        of particle areas over box area.
    box : Box
        Where to.
    rng : numpy.random.Generator
        Parent of the streams. It is spawned from, not drawn from.
    fixed_number : bool
        Take the rounded mean number of each filler instead of a Poisson number. For a
        whole film only: a block of a film holds a random number.

    Returns
    -------
    Particles
        Filler after filler in the order of the recipe.

    Raises
    ------
    ValueError
        If a filler has no 2-D form, or a particle may be larger than a periodic edge.
    PlacementError
        If there are more particles than memory could hold.

    Notes
    -----
    *Penetrable bodies*: centres are uniform over the box, independent of each other, so
    the centres form a Poisson process and the expected volume fraction is exactly the
    recipe's.

    *Faces*: centres stay inside the box; bodies may stick out of faces that are not
    periodic, and a body that reaches the face of an electrode touches it. A film cut out
    of a larger one would also hold bodies whose centres lie outside and which reach in;
    they are left out, so the outermost half diameter is thinner in solids than the rest.
    The loss is part of the end resistance that the fit over box lengths takes out.

    *Common random numbers*: for each filler one uniform fixes the Poisson quantile of
    its number, and centres, sizes, aspect ratios and axes come each from a stream of
    their own. With the same seed and box a lower loading therefore holds the first of
    the particles of a higher one, filler by filler.

    """
    _check(recipe, box)
    if not isinstance(rng, np.random.Generator):
        raise ValueError(f"rng must be a numpy.random.Generator, got {type(rng).__name__}")
    means = expected_counts(recipe, box)
    if sum(means) > _MOST:
        raise PlacementError(
            f"the recipe puts {sum(means):.3g} particles into the box, more than"
            f" {_MOST:.0e}: take a smaller box or larger particles"
        )
    streams = rng.spawn(_STREAMS * len(recipe.fillers))
    parts = []
    for k, ((filler, _), mean) in enumerate(zip(recipe.fillers, means, strict=True)):
        own = streams[_STREAMS * k : _STREAMS * (k + 1)]
        u = float(own[0].random())
        n = round(mean) if fixed_number else _poisson_quantile(u, mean)
        parts.append(_draw(filler, n, box, own[1:]))
    return Particles(*_joined(parts, box.dimension), box)


_Columns = tuple[
    NDArray[np.int8],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
]


def _draw(filler: Filler, n: int, box: Box, streams: list[np.random.Generator]) -> _Columns:
    d = box.dimension
    centers = streams[0].random((n, d)) * np.asarray(box.size)
    cores, balls = draw_sizes(filler, n, streams[1], streams[2])
    axes = draw_axes(filler.orientation, filler.kind, n, d, box.axis, streams[3])
    return np.full(n, _CODES[filler.kind], dtype=np.int8), centers, axes, cores, balls


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
