"""Stage 6. Where the particles of a growth come from: sorts in a mixture, or a recipe."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.materials.filler import Orientation
from percsim.materials.recipe import Recipe
from percsim.particles.bodies import FLAKE, ROD, SPHERE
from percsim.particles.shapes import draw_axes, draw_sizes

__all__ = [
    "AxesDraw",
    "BodySource",
    "Component",
    "Mixture",
    "RecipeParticles",
    "body_measures",
    "isotropic_axes",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
AxesDraw = Callable[[int, np.random.Generator], Floats]

_CODES = {"flake": FLAKE, "rod": ROD, "sphere": SPHERE}
_WORDS = {code: word for word, code in _CODES.items()}


class BodySource(Protocol):
    """Where the particles of a growth come from.

    A source must be picklable to be grown in other processes. Draws are sequential: the
    first particles are the same however many are asked for at a time.
    """

    @property
    def dimension(self) -> int:
        """2 or 3."""
        ...

    @property
    def isotropic(self) -> bool:
        """Whether every orientation is equally likely."""
        ...

    @property
    def mean_volume(self) -> float:
        """Exact mean volume of a particle [m^3] ([m^2] in 2-D)."""
        ...

    @property
    def largest(self) -> float:
        """Greatest length a particle may have [m]."""
        ...

    @property
    def n_streams(self) -> int:
        """How many generators a draw takes."""
        ...

    def draw(
        self, n: int, streams: Sequence[np.random.Generator]
    ) -> tuple[Ints, Floats, Floats, Floats]:
        """Draw the next particles.

        Parameters
        ----------
        n : int
            How many.
        streams : sequence of numpy.random.Generator
            `n_streams` generators, the same ones at every call.

        Returns
        -------
        kinds : (n,) ndarray of int
        core_sizes, ball_radii : (n,) ndarray of float
            [m].
        axes : (n, d) ndarray of float
            Unit vectors.

        """
        ...


def isotropic_axes(n: int, dimension: int, rng: np.random.Generator) -> Floats:
    """Draw unit vectors of every direction alike, shape (n, dimension)."""
    if dimension == 2:
        angle = np.pi * rng.random(n)
        return np.column_stack([np.cos(angle), np.sin(angle)])
    u = rng.random((n, 2))
    z = 2.0 * u[:, 0] - 1.0
    s = np.sqrt(np.maximum(0.0, 1.0 - z * z))
    angle = 2.0 * np.pi * u[:, 1]
    return np.column_stack([s * np.cos(angle), s * np.sin(angle), z])


@dataclass(frozen=True, slots=True)
class Component:
    """One sort of particle in a mixture.

    Parameters
    ----------
    kind : int
        `FLAKE`, `ROD` or `SPHERE`.
    core_sizes : float or (k,) array_like of float
        Radius of the flat disc or half length of the segment [m], one number or a list to
        draw from with equal chances; 0 for a sphere.
    ball_radii : float or (k,) array_like of float
        Half thickness of a flake, radius of a rod or sphere [m]; one number, or one for
        each core size. Spheres of several radii: `core_sizes=0`, a list here.
    share : float
        Number share in the mixture (scaled to sum to 1), > 0.
    orientation : "isotropic", Orientation or callable
        A callable takes (n, rng) and returns (n, d) unit vectors.

    """

    kind: int
    core_sizes: ArrayLike
    ball_radii: ArrayLike
    share: float = 1.0
    orientation: str | Orientation | AxesDraw = "isotropic"

    def sizes(self) -> tuple[Floats, Floats]:
        """Core sizes and ball radii to draw from, of one length [m]."""
        if self.kind not in (FLAKE, ROD, SPHERE):
            raise ValueError(f"kind must be FLAKE, ROD or SPHERE, got {self.kind!r}")
        core = np.atleast_1d(np.asarray(self.core_sizes, dtype=np.float64))
        ball = np.atleast_1d(np.asarray(self.ball_radii, dtype=np.float64))
        for name, value in (("core_sizes", core), ("ball_radius", ball)):
            if value.ndim != 1 or not len(value):
                raise ValueError(f"{name} must be one number or a row of numbers")
            if not (np.isfinite(value) & (value >= 0.0)).all():
                raise ValueError(f"{name} must be finite lengths in metres, none negative")
        if 1 not in (len(core), len(ball)) and len(core) != len(ball):
            raise ValueError(
                f"ball_radius must be one number or one for each of the {len(core)} "
                f"core_sizes, got {len(ball)}"
            )
        if self.kind == SPHERE and core.any():
            raise ValueError("core_sizes of spheres must be 0; their radius is ball_radius")
        if not (math.isfinite(self.share) and self.share > 0.0):
            raise ValueError(f"share must be positive, got {self.share}")
        if isinstance(self.orientation, str) and self.orientation != "isotropic":
            raise ValueError(
                f"orientation must be 'isotropic', an Orientation or a function of "
                f"(n, rng), got {self.orientation!r}"
            )
        n = max(len(core), len(ball))
        return np.broadcast_to(core, n).copy(), np.broadcast_to(ball, n).copy()

    @property
    def isotropic(self) -> bool:
        """Whether every orientation is equally likely."""
        mode = getattr(self.orientation, "mode", self.orientation)
        return self.kind == SPHERE or (isinstance(mode, str) and mode == "isotropic")

    def axes(self, n: int, dimension: int, rng: np.random.Generator) -> Floats:
        """Draw unit vectors of `n` particles, shape (n, dimension)."""
        if isinstance(self.orientation, Orientation):
            return draw_axes(self.orientation, _WORDS[self.kind], n, dimension, 0, rng)
        if callable(self.orientation):
            return _checked_axes(self.orientation(n, rng), (n, dimension))
        return isotropic_axes(n, dimension, rng)


class Mixture:
    """Particles of several sorts, drawn by their number shares.

    Parameters
    ----------
    components : sequence of Component
        At least one.
    dimension : int
        2 or 3; 2-D holds rods and spheres (discs) only.

    Raises
    ------
    ValueError
        If a component cannot be drawn.

    """

    __slots__ = ("_shares", "_sizes", "components", "dimension")

    def __init__(self, components: Sequence[Component], dimension: int = 3) -> None:
        if dimension not in (2, 3):
            raise ValueError(f"dimension must be 2 or 3, got {dimension!r}")
        if not components:
            raise ValueError("a mixture needs at least one component")
        self.components = tuple(components)
        self.dimension = dimension
        self._sizes = [component.sizes() for component in self.components]
        if dimension == 2 and any(c.kind == FLAKE for c in self.components):
            raise ValueError("a 2-D box holds rods and spheres (discs) only, got a flake")
        shares = np.asarray([c.share for c in self.components])
        self._shares = shares / shares.sum()

    @property
    def isotropic(self) -> bool:
        """Whether every orientation is equally likely."""
        return all(component.isotropic for component in self.components)

    @property
    def mean_volume(self) -> float:
        """Mean volume of a particle [m^3] ([m^2] in 2-D), exact for the sizes listed."""
        mean = 0.0
        for component, share, (core, ball) in zip(
            self.components, self._shares, self._sizes, strict=True
        ):
            kinds = np.full(len(core), component.kind)
            volume, _, _ = body_measures(self.dimension, kinds, core, ball)
            mean += share * float(volume.mean())
        return mean

    @property
    def largest(self) -> float:
        """Greatest length of a particle [m]."""
        return max(2.0 * float((core + ball).max()) for core, ball in self._sizes)

    @property
    def n_streams(self) -> int:
        """How many generators a draw takes."""
        return 1 + 2 * len(self.components)

    def draw(
        self, n: int, streams: Sequence[np.random.Generator]
    ) -> tuple[Ints, Floats, Floats, Floats]:
        """Draw the next `n` particles; see `BodySource.draw`."""
        kinds = np.empty(n, dtype=np.int64)
        core, ball, axes = np.empty(n), np.empty(n), np.empty((n, self.dimension))
        for k, mine in _parts(n, self._shares, streams[0]):
            component, (cores, balls) = self.components[k], self._sizes[k]
            count = n if isinstance(mine, slice) else len(mine)
            index = (streams[1 + 2 * k].random(count) * len(cores)).astype(np.int64)
            kinds[mine], core[mine], ball[mine] = component.kind, cores[index], balls[index]
            axes[mine] = component.axes(count, self.dimension, streams[2 + 2 * k])
        return kinds, core, ball, axes


class RecipeParticles:
    """Particles of a recipe, whatever their amount: the fillers in their proportions.

    Parameters
    ----------
    recipe : Recipe
        Its fillers, drawn by number share; in 2-D its volume fractions are area fractions.
    dimension : int
        2 or 3.

    Raises
    ------
    ValueError
        If the recipe holds no filler, or a filler has no 2-D form.

    """

    __slots__ = ("_shares", "dimension", "fillers", "recipe")

    def __init__(self, recipe: Recipe, dimension: int = 3) -> None:
        if dimension not in (2, 3):
            raise ValueError(f"dimension must be 2 or 3, got {dimension!r}")
        parts = [
            (filler, fraction / filler.mean_volume(dimension))
            for (filler, _), fraction in zip(
                recipe.fillers, recipe.volume_fractions, strict=True
            )
            if fraction > 0.0
        ]
        if not parts:
            raise ValueError("the recipe holds no filler, so it has no threshold")
        self.recipe, self.dimension = recipe, dimension
        self.fillers = tuple(filler for filler, _ in parts)
        numbers = np.asarray([number for _, number in parts])
        self._shares = numbers / numbers.sum()

    @property
    def isotropic(self) -> bool:
        """Whether every orientation is equally likely."""
        return all(
            f.kind == "sphere" or f.orientation.mode == "isotropic" for f in self.fillers
        )

    @property
    def mean_volume(self) -> float:
        """Exact mean volume of a particle [m^3] ([m^2] in 2-D)."""
        volumes = [filler.mean_volume(self.dimension) for filler in self.fillers]
        return float(np.dot(self._shares, volumes))

    @property
    def largest(self) -> float:
        """Greatest length a particle may have [m]."""
        return max(filler.largest for filler in self.fillers)

    @property
    def n_streams(self) -> int:
        """How many generators a draw takes."""
        return 1 + 3 * len(self.fillers)

    def draw(
        self, n: int, streams: Sequence[np.random.Generator]
    ) -> tuple[Ints, Floats, Floats, Floats]:
        """Draw the next `n` particles; see `BodySource.draw`."""
        kinds = np.empty(n, dtype=np.int64)
        core, ball, axes = np.empty(n), np.empty(n), np.empty((n, self.dimension))
        for k, mine in _parts(n, self._shares, streams[0]):
            filler = self.fillers[k]
            count = n if isinstance(mine, slice) else len(mine)
            size_rng, aspect_rng, axis_rng = streams[1 + 3 * k : 4 + 3 * k]
            kinds[mine] = _CODES[filler.kind]
            core[mine], ball[mine] = draw_sizes(filler, count, size_rng, aspect_rng)
            axes[mine] = draw_axes(
                filler.orientation, filler.kind, count, self.dimension, 0, axis_rng
            )
        return kinds, core, ball, axes

    def weight_fraction(self, volume_fraction: Floats) -> Floats:
        """Weight fraction of all fillers at a volume fraction of them all; 1 from 1 on."""
        fractions = np.asarray(self.recipe.volume_fractions)
        densities = np.asarray([filler.density for filler, _ in self.recipe.fillers])
        filler_density = float(fractions @ densities / fractions.sum())
        phi = np.minimum(np.asarray(volume_fraction, dtype=np.float64), 1.0)
        mass = filler_density * phi
        return np.asarray(mass / (mass + self.recipe.elastomer.density * (1.0 - phi)))


def _parts(
    n: int, shares: Floats, chooser: np.random.Generator
) -> Iterator[tuple[int, slice | Ints]]:
    """Which of the next `n` particles belong to which component."""
    if len(shares) == 1:
        yield 0, slice(None)
        return
    which = np.searchsorted(np.cumsum(shares)[:-1], chooser.random(n), side="right")
    for k in range(len(shares)):
        yield k, np.flatnonzero(which == k)


def _checked_axes(axes: ArrayLike, shape: tuple[int, int]) -> Floats:
    result = np.asarray(axes, dtype=np.float64)
    if result.shape != shape:
        raise ValueError(f"orientation must return axes {shape}, got {result.shape}")
    if not np.allclose(np.linalg.norm(result, axis=1), 1.0, atol=1e-6):
        raise ValueError("orientation must return unit vectors")
    return result


def body_measures(
    dimension: int, kinds: NDArray[Any], core: Floats, ball: Floats
) -> tuple[Floats, Floats, Floats]:
    r"""Volume, surface and half the mean width of swept bodies.

    Parameters
    ----------
    dimension : int
        2 or 3.
    kinds : (n,) ndarray of int
        Kinds.
    core, ball : (n,) ndarray of float
        Core sizes and ball radii [m].

    Returns
    -------
    volume, surface, width : (n,) ndarray of float
        Volume [m^3], surface [m^2] and half the mean width [m]; in 2-D area, perimeter and
        half the mean width.

    Notes
    -----
    Steiner's formula for a disc or segment swept by a ball. Two isotropic convex bodies
    exclude :math:`V_1 + V_2 + S_1 R_2 + S_2 R_1` from each other (Isihara, J. Chem. Phys.
    18, 1446 (1950)), in the plane :math:`A_1 + A_2 + P_1 P_2 / 2\pi`.

    """
    if dimension == 2:
        return (
            4.0 * core * ball + np.pi * ball**2,
            4.0 * core + 2.0 * np.pi * ball,
            2.0 * core / np.pi + ball,
        )
    sphere = 4.0 / 3.0 * np.pi * ball**3
    flake = np.asarray(kinds) == FLAKE
    volume = np.where(
        flake,
        2.0 * np.pi * core**2 * ball + np.pi**2 * core * ball**2 + sphere,
        2.0 * np.pi * core * ball**2 + sphere,
    )
    surface = np.where(
        flake,
        2.0 * np.pi * core**2 + 2.0 * np.pi**2 * core * ball + 4.0 * np.pi * ball**2,
        4.0 * np.pi * core * ball + 4.0 * np.pi * ball**2,
    )
    width = np.where(flake, np.pi * core / 4.0, core / 2.0) + ball
    return volume, surface, width
