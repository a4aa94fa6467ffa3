"""Stage 6. Percolation threshold of penetrable particles, found by growth."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.boxes.growth import ThresholdEstimate, plan_growth, wrap_numbers
from percsim.boxes.sources import (
    AxesDraw,
    BodySource,
    Component,
    Mixture,
    RecipeParticles,
)
from percsim.materials.filler import Orientation
from percsim.materials.recipe import Recipe

__all__ = [
    "recipe_threshold",
    "threshold",
    "threshold_of",
    "with_aspect_ratio",
]

Ints = NDArray[np.int64]


def threshold_of(
    source: BodySource,
    *,
    rng: np.random.Generator,
    boxes: int = 200,
    box_size: float | Sequence[float] | None = None,
    thickness: float | None = None,
    resamples: int = 400,
    run: Callable[..., Iterable[Ints]] = map,
) -> ThresholdEstimate:
    """Percolation threshold of any source of penetrable particles.

    Parameters
    ----------
    source : BodySource
        The particles, `Mixture` for instance.
    rng, box_size, thickness
        As in `plan_growth`.
    boxes : int
        Independent boxes, at least 1.
    resamples : int
        Bootstrap replicates.
    run : callable
        Anything that works like `map`.

    Returns
    -------
    ThresholdEstimate
        Density, fractions and width.

    """
    if boxes < 1:
        raise ValueError(f"boxes must be at least 1, got {boxes}")
    plan = plan_growth(source, rng=rng, box_size=box_size, thickness=thickness)
    return plan.estimate(wrap_numbers(plan, range(boxes), run), resamples)


def threshold(
    kind: int,
    core_sizes: ArrayLike,
    ball_radius: ArrayLike,
    *,
    dimension: int = 3,
    boxes: int = 200,
    box_size: float | Sequence[float] | None = None,
    rng: np.random.Generator,
    orientation: str | Orientation | AxesDraw = "isotropic",
    share: float = 1.0,
    mixed_with: Sequence[Component] = (),
    thickness: float | None = None,
    run: Callable[..., Iterable[Ints]] = map,
) -> ThresholdEstimate:
    r"""Percolation threshold of penetrable particles by growth.

    Parameters
    ----------
    kind : int
        `FLAKE`, `ROD` or `SPHERE` (a disc in 2-D).
    core_sizes : float or (k,) array_like of float
        Radius of the flat disc or half length of the segment [m], one number or a list to
        draw from; 0 for spheres.
    ball_radius : float or (k,) array_like of float
        Half thickness of a flake, radius of a rod or sphere [m]; one number or one a core
        size.
    dimension : int
        2 or 3.
    boxes : int
        Independent boxes.
    box_size : float or sequence of float, optional
        Edge or edges of the periodic box [m]; see `plan_growth` for the default.
    rng : numpy.random.Generator
        Source of all draws; box k gets a seed of its own from it.
    orientation : "isotropic", Orientation or callable
        A callable takes (n, rng) and returns (n, dimension) unit vectors.
    share : float
        Number share of these particles in a mixture.
    mixed_with : sequence of Component
        Further sorts of particles, with their shares.
    thickness : float, optional
        Thickness of a film with free faces across the last axis [m].
    run : callable
        Anything that works like `map`, to spread boxes over processes.

    Returns
    -------
    ThresholdEstimate
        `.number_density`, `.eta`, `.volume_fraction` (all `Estimate`), `.transition_width`
        and the raw `.wrap_densities`.

    Raises
    ------
    ValueError
        If sizes are missing, negative or not finite, an edge is shorter than a particle, or
        the particles cannot percolate.

    Notes
    -----
    Let :math:`N_{b,a}` be the number of particles at which box :math:`b` first wraps along
    axis :math:`a` [1]_. A box whose content is Poisson with mean :math:`\lambda` has
    wrapped with probability :math:`R(\lambda) = \langle P(\mathrm{Poisson}(\lambda) \ge
    N_{b,a}) \rangle`, a smooth curve; the estimate is the density :math:`\lambda_c / V` at
    which :math:`R` has its universal value (`WRAPPING_PROBABILITY`). Poisson content rather
    than a fixed number is what a piece of a large film has, and its estimates approach the
    infinite system fast, as :math:`L^{-11/4}` in 2-D [1]_ [2]_. The standard error is a
    bootstrap over boxes, the axes of one box kept together.

    References
    ----------
    .. [1] Newman & Ziff, "Fast Monte Carlo algorithm for site or bond percolation", Phys.
       Rev. E 64, 016706 (2001). https://doi.org/10.1103/PhysRevE.64.016706
    .. [2] Mertens & Moore, "Continuum percolation thresholds in two dimensions", Phys. Rev.
       E 86, 061109 (2012). https://doi.org/10.1103/PhysRevE.86.061109

    Examples
    --------
    Discs on a plane, published 1.128087 (Mertens & Moore 2012):

    >>> from percsim.particles.bodies import SPHERE
    >>> rng = np.random.default_rng(2061)
    >>> threshold(SPHERE, 0.0, 1e-6, dimension=2, rng=rng).eta
    Estimate: 1.1322 ± 0.0052 (n = 200)

    """
    first = Component(kind, core_sizes, ball_radius, share, orientation)
    return threshold_of(
        Mixture((first, *mixed_with), dimension),
        rng=rng,
        boxes=boxes,
        box_size=box_size,
        thickness=thickness,
        run=run,
    )


def recipe_threshold(
    recipe: Recipe,
    *,
    rng: np.random.Generator,
    dimension: int = 3,
    boxes: int = 200,
    box_size: float | Sequence[float] | None = None,
    thickness: float | None = None,
    run: Callable[..., Iterable[Ints]] = map,
) -> ThresholdEstimate:
    """Percolation threshold of a recipe's own fillers.

    Parameters
    ----------
    recipe : Recipe
        Sizes, orientations and proportions of the fillers are kept, their total amount is
        what is looked for; the amount in the recipe does not matter.
    rng, boxes, box_size, thickness, run
        As in `threshold`.
    dimension : int
        2 or 3.

    Returns
    -------
    ThresholdEstimate
        With `.weight_fraction` of all fillers in the cured total.

    Raises
    ------
    ValueError
        If the recipe holds no filler, or as in `threshold`.

    """
    return threshold_of(
        RecipeParticles(recipe, dimension),
        rng=rng,
        boxes=boxes,
        box_size=box_size,
        thickness=thickness,
        run=run,
    )


def with_aspect_ratio(recipe: Recipe, ratio: float) -> Recipe:
    """Give the first filler that is no sphere another aspect ratio, weights kept.

    Parameters
    ----------
    recipe : Recipe
        The recipe.
    ratio : float
        The new aspect ratio.

    Returns
    -------
    Recipe

    Raises
    ------
    ValueError
        If no filler has an aspect ratio, or the ratio is not possible.

    """
    found = [k for k, (f, _) in enumerate(recipe.fillers) if f.kind != "sphere"]
    if not found:
        raise ValueError("spheres have no aspect ratio; the recipe holds nothing else")
    fillers = list(recipe.fillers)
    old, weight = fillers[found[0]]
    fillers[found[0]] = (replace(old, thickness=None, aspect_ratio=float(ratio)), weight)
    return replace(recipe, fillers=tuple(fillers))
