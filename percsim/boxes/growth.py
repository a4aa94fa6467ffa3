r"""Stage 6. Boxes that grow until they percolate, and the threshold that they tell.

Particles are added one at a time to a periodic box until their clusters wrap it; every box
gives the number at which a cluster first winds along each axis. The probability of wrapping
along a given axis has one universal value at the threshold whatever the particles are, so
the estimate is the density at which the boxes, together, reach that value.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammainc

from percsim.boxes.fingerprint import fingerprint
from percsim.boxes.results import GrowthResult
from percsim.boxes.sources import BodySource, RecipeParticles, body_measures, isotropic_axes
from percsim.boxes.statistics import Estimate
from percsim.boxes.store import Record
from percsim.kernels.growth import grow, touch_pairs
from percsim.particles.bodies import FLAKE
from percsim.values import freeze

__all__ = [
    "WRAPPING_PROBABILITY",
    "GrowthJob",
    "GrowthPlan",
    "ThresholdEstimate",
    "excluded_volume",
    "grown_numbers",
    "plan_growth",
    "wrap_numbers",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WRAPPING_PROBABILITY = {2: 0.521058290, 3: 0.25778}
"""Probability at the threshold that a cluster wraps a large square or cubic torus along one
given axis. 2-D: exact, Pinson, J. Stat. Phys. 75, 1167 (1994), digits of Newman & Ziff,
Phys. Rev. E 64, 016706 (2001). 3-D: 0.25778(6), Wang, Zhou, Zhang, Garoni & Deng, Phys.
Rev. E 87, 052107 (2013), from memory."""

SECONDS_PER_GROWTH = 5e-3
"""One box of a threshold [s] (measured, one core of a 2020s server)."""

_PARTICLES_PER_BOX = 1000
_CONTACTS = {2: 4.0, 3: 2.4}  # rough mean contacts per particle at the threshold


def _table(core: Floats, ball: Floats, axes: Floats, positions: Floats | None) -> Floats:
    n, d = axes.shape
    bodies = np.zeros((n, 8))
    if positions is not None:
        bodies[:, :d] = positions
    bodies[:, 3 : 3 + d] = axes
    bodies[:, 6], bodies[:, 7] = core, ball
    return bodies


def excluded_volume(
    source: BodySource,
    rng: np.random.Generator,
    pairs: int = 100_000,
    other: BodySource | None = None,
) -> tuple[Estimate, Floats]:
    r"""Mean excluded volume of two drawn particles, and how they lie when they touch.

    Parameters
    ----------
    source : BodySource
        The particles.
    rng : numpy.random.Generator
        Source of the draws.
    pairs : int
        Pairs thrown, at least 2.
    other : BodySource, optional
        Where the second of each pair comes from; the same source by default.

    Returns
    -------
    volume : Estimate
        :math:`\langle V_{ex} \rangle` [m^3] ([m^2] in 2-D): the mean number of contacts of
        a particle among penetrable ones is the number density times this [1]_.
    steps : (d,) ndarray of float
        Root-mean-square step between the centres of touching pairs along each axis [m].

    References
    ----------
    .. [1] Balberg, Anderson, Alexander & Wagner, "Excluded volume and its relation to the
       onset of percolation", Phys. Rev. B 30, 3933 (1984).
       https://doi.org/10.1103/PhysRevB.30.3933

    """
    if pairs < 2:
        raise ValueError(f"pairs must be at least 2, got {pairs}")
    other = source if other is None else other
    d = source.dimension
    place, *streams = rng.spawn(1 + source.n_streams + other.n_streams)
    kinds_i, core_i, ball_i, axes_i = source.draw(pairs, streams[: source.n_streams])
    kinds_j, core_j, ball_j, axes_j = other.draw(pairs, streams[source.n_streams :])
    reach = core_i + ball_i + core_j + ball_j
    # A uniform point of the ball that holds every touching position of the second centre.
    direction = isotropic_axes(pairs, d, place)
    if d == 2:  # axes without heads cover half a turn only
        direction *= np.where(place.random(pairs) < 0.5, -1.0, 1.0)[:, None]
    steps = np.zeros((pairs, 3))
    steps[:, :d] = direction * (reach * place.random(pairs) ** (1.0 / d))[:, None]
    room = (np.pi if d == 2 else 4.0 / 3.0 * np.pi) * reach**d
    bodies_i = _table(core_i, ball_i, axes_i, None)
    bodies_j = _table(core_j, ball_j, axes_j, None)
    hit = touch_pairs(d, kinds_i, bodies_i, kinds_j, bodies_j, steps)
    weight = room * hit
    total = float(weight.sum())
    volume = Estimate(total / pairs, float(weight.std(ddof=1)) / math.sqrt(pairs), pairs)
    if total == 0.0:
        return volume, np.zeros(d)
    return volume, np.sqrt((weight[:, None] * steps[:, :d] ** 2).sum(axis=0) / total)


@dataclass(frozen=True, slots=True)
class GrowthPlan:
    """Everything needed to grow box number k anywhere: particles, box, cells, seed.

    Made by `plan_growth`. Box k depends on the plan and k alone, so boxes can be grown in
    any order and process.

    Parameters
    ----------
    source : BodySource
        The particles.
    size : tuple of float
        Edges of the box [m].
    periodic : tuple of bool
        Which axes are periodic and waited for; the others are free faces.
    cells : tuple of int
        Search cells along each axis.
    first_chunk : int
        Particles drawn at first; a quarter of it whenever more are needed.
    limit : int
        Particles at which growth gives up.
    entropy : int or sequence of int
        Seed of the plan.
    spawn_key : tuple of int
        Key of the plan below that seed.

    """

    source: BodySource
    size: tuple[float, ...]
    periodic: tuple[bool, ...]
    cells: tuple[int, ...]
    first_chunk: int
    limit: int
    entropy: Any
    spawn_key: tuple[int, ...]

    @property
    def volume(self) -> float:
        """Volume of the box [m^3] ([m^2] in 2-D)."""
        return math.prod(self.size)

    @property
    def wrapping_probability(self) -> float:
        """Universal value that the boxes are held to."""
        return WRAPPING_PROBABILITY[sum(self.periodic)]

    def grow_box(self, number: int) -> Ints:
        """Grow one box until it wraps along every periodic axis.

        Parameters
        ----------
        number : int
            Which box, >= 0.

        Returns
        -------
        (axes,) ndarray of int
            Particles at the first wrapping along each periodic axis.

        Raises
        ------
        ValueError
            If no cluster wraps.

        """
        d = self.source.dimension
        seed = np.random.SeedSequence(
            self.entropy, spawn_key=(*self.spawn_key, int(number))
        )
        *streams, positions = (
            np.random.default_rng(s) for s in seed.spawn(self.source.n_streams + 1)
        )
        size = np.ones(3)
        size[:d] = self.size
        periodic = np.zeros(3, dtype=np.int64)
        periodic[:d] = self.periodic
        cells = np.ones(3, dtype=np.int64)
        cells[:d] = self.cells
        first = np.where(self.periodic, 0, -1).astype(np.int64)
        parent, offset, mark = (np.empty(0, dtype=np.int64) for _ in range(3))
        heads = np.full(math.prod(self.cells), -1, dtype=np.int64)
        entries = np.empty((8 * self.first_chunk, 2), dtype=np.int64)
        kinds, bodies = np.empty(0, dtype=np.int64), np.empty((0, 8))
        done = used = 0
        while (first == 0).any():
            n = len(kinds)
            if done == n:
                if n >= self.limit:
                    raise ValueError(
                        f"no cluster wraps the box with {n} particles "
                        f"({n / self.volume:.3g} per unit volume): particles so aligned or "
                        f"thin have no threshold in reach"
                    )
                more = self.first_chunk if n == 0 else max(64, self.first_chunk // 4)
                new_kinds, core, ball, axes = self.source.draw(more, streams)
                place = positions.random((more, d)) * np.asarray(self.size)
                kinds = np.concatenate([kinds, new_kinds])
                bodies = np.concatenate([bodies, _table(core, ball, axes, place)])
                parent = np.concatenate([parent, np.full(more, -1)])
                offset = np.concatenate([offset, np.zeros(more, dtype=np.int64)])
                mark = np.concatenate([mark, np.full(more, -1)])
                n += more
            reached, used = grow(
                d, kinds, bodies, done, n, size, periodic, cells,
                parent, offset, mark, heads, entries, used, first,
            )  # fmt: skip
            if reached < n and (first == 0).any():  # stopped for want of entries
                entries = np.concatenate([entries, np.empty_like(entries)])
            done = reached
        return np.asarray(first[np.asarray(self.periodic)])

    def estimate(self, numbers: ArrayLike, resamples: int = 400) -> ThresholdEstimate:
        """Return the threshold from the wrapping numbers of many boxes.

        Parameters
        ----------
        numbers : (boxes, axes) array_like of int
            As `grow_box` returns them, one row a box.
        resamples : int
            Bootstrap replicates over boxes behind the standard error.

        Returns
        -------
        ThresholdEstimate
            Density, fractions and width.

        """
        rows = np.asarray(numbers, dtype=np.float64)
        if rows.ndim != 2 or not rows.size or not (rows > 0.0).all():
            raise ValueError(f"numbers must be (boxes, axes) counts, got {rows.shape}")
        seed = np.random.SeedSequence(self.entropy, spawn_key=(*self.spawn_key, 2**32 - 1))
        value, error = _critical_number(
            rows, self.wrapping_probability, np.random.default_rng(seed), resamples
        )
        boxes = rows.shape[0]
        number = Estimate(value / self.volume, error / self.volume, boxes)
        eta = number.scaled(self.source.mean_volume)
        weight = None
        if isinstance(self.source, RecipeParticles):
            step = 0.01 * eta.value  # the slope of the conversion carries the error over
            centre, low, high = self.source.weight_fraction(
                eta.value + np.asarray([0.0, -0.5, 0.5]) * step
            )
            slope = float(high - low) / step
            weight = Estimate(float(centre), slope * eta.standard_error, boxes)
        width = float(rows.std(ddof=1)) if rows.size > 1 else math.inf
        # The error of a standard deviation, with the axes of one box counted as one sample.
        width_error = width / math.sqrt(2.0 * max(boxes - 1, 1)) if boxes > 1 else math.inf
        return ThresholdEstimate(
            number_density=number,
            eta=eta,
            volume_fraction=eta,
            weight_fraction=weight,
            transition_width=Estimate(
                width / self.volume, width_error / self.volume, boxes
            ),
            wrap_densities=rows / self.volume,
            box_size=self.size,
            wrapping_probability=self.wrapping_probability,
        )


def _critical_number(
    rows: Floats, target: float, rng: np.random.Generator, resamples: int
) -> tuple[float, float]:
    """Mean number at which boxes of Poisson content wrap with the target probability."""

    def share(mean: float) -> float:
        return float(gammainc(rows, mean).mean())  # P(Poisson(mean) >= number)

    low = high = float(rows.mean())
    while share(low) >= target:
        low *= 0.8
    while share(high) < target:
        high *= 1.25
    for _ in range(60):
        middle = 0.5 * (low + high)
        if share(middle) < target:
            low = middle
        else:
            high = middle
    value = 0.5 * (low + high)
    boxes = rows.shape[0]
    if boxes == 1:
        return value, math.inf
    # Replicates are read off a table of every box's wrapping probability around the root.
    step = 1e-3 * value
    slope = (share(value + step) - share(value - step)) / (2.0 * step)
    spread = float(gammainc(rows, value).mean(axis=1).std(ddof=1))
    reach = 8.0 * max(spread / math.sqrt(boxes) / slope, 1e-6 * value)
    grid = np.linspace(max(value - reach, 0.01 * value), value + reach, 81)
    table = np.stack([gammainc(rows, mean).mean(axis=1) for mean in grid])  # (grid, boxes)
    draws = rng.multinomial(boxes, np.full(boxes, 1.0 / boxes), size=resamples)
    curves = draws @ table.T / boxes  # (resamples, grid), rising along each row
    roots = np.asarray([np.interp(target, curve, grid) for curve in curves])
    return value, float(roots.std(ddof=1))


@dataclass(frozen=True, slots=True, repr=False)
class ThresholdEstimate:
    r"""The percolation threshold of penetrable particles.

    Parameters
    ----------
    number_density : Estimate
        Critical number density [1/m^3] ([1/m^2] in 2-D).
    eta : Estimate
        Critical number density times the mean particle volume.
    volume_fraction : Estimate
        Sum of particle volumes over box volume, the quantity that weight fractions convert
        to. Penetrable particles may overlap, so this is `eta` itself; the share of space
        they cover is `covered_fraction`.
    weight_fraction : Estimate or None
        Of the whole filler mixture in the cured composite; only for a recipe. 1 when the
        particles alone would fill the box.
    transition_width : Estimate
        Standard deviation of the density of first wrapping over boxes and axes [1/m^3];
        falls with the box edge as :math:`L^{-1/\nu}`.
    wrap_densities : (boxes, axes) ndarray of float
        Number density at the first wrapping of each box along each axis [1/m^3].
    box_size : tuple of float
        Edges of the boxes [m].
    wrapping_probability : float
        Universal probability that the estimate stands at.

    """

    number_density: Estimate
    eta: Estimate
    volume_fraction: Estimate
    weight_fraction: Estimate | None
    transition_width: Estimate
    wrap_densities: Floats
    box_size: tuple[float, ...]
    wrapping_probability: float

    def __post_init__(self) -> None:
        freeze(self)

    @property
    def covered_fraction(self) -> Estimate:
        """Share of space that penetrable particles cover, 1 - exp(-eta)."""
        covered = -math.expm1(-self.eta.value)
        error = math.exp(-self.eta.value) * self.eta.standard_error
        return Estimate(covered, error, self.eta.n)

    @property
    def relative_width(self) -> float:
        """Transition width over the critical density."""
        return self.transition_width.value / self.number_density.value

    def __repr__(self) -> str:
        edges = " x ".join(f"{1e6 * s:.4g}" for s in self.box_size)
        parts = [f"{self.number_density} per m^{len(self.box_size)}", f"eta {self.eta}"]
        if self.weight_fraction is not None:
            parts.append(f"weight fraction {self.weight_fraction}")
        return (
            f"Threshold: {', '.join(parts)} ({self.number_density.n} boxes of {edges} um, "
            f"transition width {100.0 * self.relative_width:.2g} %)"
        )


def plan_growth(
    source: BodySource,
    *,
    rng: np.random.Generator,
    box_size: float | Sequence[float] | None = None,
    thickness: float | None = None,
) -> GrowthPlan:
    r"""Choose box, cells and seed for growing a threshold.

    Parameters
    ----------
    source : BodySource
        The particles.
    rng : numpy.random.Generator
        Gives the plan its seed, through one spawned child.
    box_size : float or sequence of float, optional
        Edge or edges of the box [m]. By default the box holds about 1000 particles of
        equal size at the threshold (more of a wide size distribution, where the large ones
        carry the network), with edges of at least four typical particle lengths and 1.5 of
        the longest.
    thickness : float, optional
        Thickness of a film with free faces across its last axis [m]; clusters then have to
        wrap along the film only. Particle centres lie within the thickness.

    Returns
    -------
    GrowthPlan
        Ready to grow.

    Raises
    ------
    ValueError
        If the particles never touch, or a size is not a positive length.

    Notes
    -----
    Oriented particles link further along some axes than along others. The default box then
    has edges in the ratio of the root-mean-square steps between touching particles, which
    makes all directions equivalent to leading order. Measured for flakes of aspect ratio 15
    with normals within 10 degrees of the film's: edges of this shape give 0.190(1) to
    0.192(1) whatever their size, cubes of 10, 16 and 26 diameters 0.175, 0.177 and 0.185,
    because across the film they wrap far too late.

    """
    d = source.dimension
    if thickness is not None and not (d == 3 and 0.0 < thickness < math.inf):
        raise ValueError(f"thickness must be a positive length in 3-D, got {thickness}")
    # One child for the whole plan; box k is spawned from it by its number.
    child = rng.bit_generator.seed_seq.spawn(1)[0]  # type: ignore[attr-defined]
    look = np.random.default_rng(
        np.random.SeedSequence(child.entropy, spawn_key=(*child.spawn_key, 2**32 - 2))
    )
    kinds, core, ball, axes = source.draw(20_000, look.spawn(source.n_streams))
    volume, surface, width = body_measures(d, kinds, core, ball)
    lengths = 2.0 * (core + ball)
    typical = float((lengths**d).mean() / max((lengths ** (d - 1)).mean(), 1e-300))
    weight = surface**2 if d == 2 else surface * width  # share in the excluded volume
    crowd = float((weight**2).mean() / max(weight.mean() ** 2, 1e-300))
    stretch = np.ones(d)
    if not source.isotropic:
        estimate, steps = excluded_volume(source, look)
        excluded = estimate.value
        if excluded > 0.0 and (steps > 0.0).all():
            stretch = steps / math.prod(steps) ** (1.0 / d)
    elif d == 2:
        excluded = 2.0 * volume.mean() + surface.mean() ** 2 / (2.0 * np.pi)
    elif ball.any() or (kinds == FLAKE).any():
        excluded = 2.0 * (volume.mean() + surface.mean() * width.mean())
    else:
        excluded = 0.0
    if not excluded > 0.0:
        raise ValueError(
            "these particles never touch: give them a size (and rods in 3-D a radius), or "
            "another orientation than perfectly parallel"
        )
    density = _CONTACTS[d] / excluded
    reach = np.full(d, source.largest)
    if not source.isotropic:
        along = np.abs(axes) * core[:, None]
        across = np.sqrt(np.maximum(0.0, 1.0 - axes**2)) * core[:, None]
        extent = np.where((kinds == FLAKE)[:, None], across, along) + ball[:, None]
        reach = np.minimum(reach, 2.0 * extent.max(axis=0))
    if box_size is None:
        room = _PARTICLES_PER_BOX * crowd / density
        size = _usual_size(room, stretch, reach, typical, thickness)
    else:
        size = _asked_size(box_size, d, thickness)
    periodic = [axis < 2 or thickness is None for axis in range(d)]
    for edge, length, wraps in zip(size, reach, periodic, strict=True):
        if wraps and edge < length:
            raise ValueError(
                f"box_size has an edge of {edge:g} m, shorter than the longest particles "
                f"of {length:g} m; make every periodic edge longer"
            )
    cell = _cell_edge(d, density, volume.mean(), surface.mean(), width.mean(), typical)
    most = 4096 if d == 2 else 256
    expected = density * math.prod(size)
    return GrowthPlan(
        source=source,
        size=tuple(float(s) for s in size),
        periodic=tuple(periodic),
        cells=tuple(int(min(most, max(1, s // cell))) for s in size),
        first_chunk=max(64, int(0.75 * expected)),
        limit=max(10_000, int(40.0 * expected)),
        entropy=child.entropy,
        spawn_key=tuple(child.spawn_key),
    )


def _usual_size(
    room: float, stretch: Floats, reach: Floats, typical: float, thickness: float | None
) -> Floats:
    """Edges of a box of a volume that no particle is too long for [m]."""
    if thickness is None:
        longest = 1.5 * float((reach / stretch).max())
        edge = max(room ** (1.0 / len(stretch)), 4.0 * typical, longest)
        return np.asarray(edge * stretch)
    flat = stretch[:2] / math.sqrt(math.prod(stretch[:2]))
    edge = max(
        math.sqrt(room / thickness),
        4.0 * typical,
        4.0 * thickness,
        float((1.5 * reach[:2] / flat).max()),
    )
    return np.asarray([*(edge * flat), thickness])


def _asked_size(
    box_size: float | Sequence[float], d: int, thickness: float | None
) -> Floats:
    """Edges of a box as asked for [m]; that across a film is its thickness."""
    edges = np.atleast_1d(np.asarray(box_size, dtype=np.float64))
    if thickness is not None and len(edges) in (1, 2):
        size = np.asarray([edges[0], edges[-1], thickness])
    else:
        size = np.full(d, edges[0]) if len(edges) == 1 else edges
    if size.shape != (d,) or not (np.isfinite(size) & (size > 0.0)).all():
        raise ValueError(
            f"box_size must be one length or {d} edges in metres, got {box_size}"
        )
    return size


def _cell_edge(
    d: int, density: float, volume: float, surface: float, width: float, typical: float
) -> float:
    """Cell edge that makes looking through cells cheapest.

    The mean number of cells a body reaches follows from Steiner's formula for convex
    bodies; each holds `density` times the cell volume times that number of entries.
    """
    c = typical * np.geomspace(0.05, 2.0, 60)
    if d == 2:
        reached = volume / c**2 + 2.0 * surface / (np.pi * c) + 1.0
    else:
        reached = volume / c**3 + 0.75 * surface / c**2 + 6.0 * width / c + 1.0
    block = (2.0 * width / c + 1.0) ** d
    cost = 0.5 * block + 4.0 * reached + density * c**d * reached**2
    return float(c[np.argmin(cost)])


def wrap_numbers(
    plan: GrowthPlan,
    boxes: Iterable[int],
    run: Callable[..., Iterable[Ints]] = map,
) -> Ints:
    """Grow several boxes.

    Parameters
    ----------
    plan : GrowthPlan
        The plan.
    boxes : iterable of int
        Box numbers.
    run : callable
        Anything that works like `map`, an executor's for instance.

    Returns
    -------
    (boxes, axes) ndarray of int
        Particles at first wrapping, one row a box, in the order asked for.

    """
    return np.asarray(list(run(plan.grow_box, boxes)), dtype=np.int64)


@dataclass(frozen=True, slots=True)
class GrowthJob:
    """A few boxes of a threshold, as a job for a worker."""

    name: str
    plan: GrowthPlan
    first: int
    count: int

    @property
    def key(self) -> str:
        """Name in the store; no job of other inputs has it."""
        inputs = fingerprint(self.plan, self.count)
        return f"threshold/{self.name}/{inputs}/{self.first}"

    @property
    def seconds(self) -> float:
        """Time it is expected to take on one core [s]."""
        return SECONDS_PER_GROWTH * self.count

    def run(self) -> GrowthResult:
        """Particles at first wrapping."""
        boxes = range(self.first, self.first + self.count)
        return GrowthResult(numbers=wrap_numbers(self.plan, boxes))


def grown_numbers(jobs: Iterable[GrowthJob], records: Mapping[str, Record]) -> list[Ints]:
    """Give the wrapping numbers of all stored boxes of jobs, one (axes,) array a box."""
    found = (record.result for job in jobs if (record := records.get(job.key)) is not None)
    return [row for x in found if isinstance(x, GrowthResult) for row in x.numbers]
