"""Stage 2. Bodies that exclude each other: push-apart relaxation, sequential addition."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.errors import PlacementError
from percsim.particles.bodies import ROD, SPHERE, Particles
from percsim.particles.box import Box

__all__ = ["Addition", "add_sequentially", "free_core", "push_apart"]

_SKIN = 0.8  # gap of bounding spheres that pair lists reach, in median radii
_EVERY = 10  # least number of passes between pair lists
_GAIN = 1.5  # overrelaxation: a third of the passes that 1 takes near jamming
_MARGIN = 0.01  # gap left behind a push, as a share of the two balls
_TURN = 0.05  # bodies turn this much less than they move, which keeps the orientation asked
_LONGEST = 0.3  # longest push, as a share of the smaller body's radius
_SHORT = 0.05  # the same once there are fewer than
_FEW = 1.0  # overlaps for each body: long pushes then drive flakes through their neighbours
_POWER = 0.5  # mass grows as volume to this; equal masses let needles shake flakes
_BATCH = 1 << 16

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Arrays:
    """Bodies as kernels want them: three coordinates, int64 flags."""

    kinds: NDArray[np.int64]
    centers: Vector
    axes: Vector
    sizes: Vector
    balls: Vector
    outer: Vector
    edges: Vector
    periodic: NDArray[np.int64]
    walls: NDArray[np.int64]
    planar: bool

    @property
    def radii(self) -> Vector:
        return self.sizes + (1.0 + _MARGIN) * self.balls

    def pairs(self, skin: float) -> tuple[NDArray[np.int64], Vector]:
        from percsim.kernels.relax import near_pairs

        radii = self.radii
        # no more cells than bodies, else clearing them costs more than it saves
        d = 2 if self.planar else 3
        pitch = (float(self.edges.prod()) / len(radii)) ** (1.0 / d)
        edge = max(float(np.median(radii)), pitch)
        return near_pairs(self.centers, radii, self.edges, self.periodic, edge, skin)  # type: ignore[no-any-return]


def _wide(values: Vector, fill: float) -> Vector:
    """Add a third column to planar vectors."""
    if values.shape[1] == 3:
        return values.copy()
    return np.column_stack((values, np.full(len(values), fill)))


def _arrays(p: Particles, core: float, confining: bool) -> _Arrays:
    box, d = p.box, p.box.dimension
    edges = np.ones(3)
    edges[:d] = box.size
    periodic = np.zeros(3, dtype=np.int64)
    walls = np.zeros(3, dtype=np.int64)
    for k in range(d):
        wall = confining and not box.periodic[k] and k != box.axis
        walls[k] = wall
        # A free face or an electrode is a cut through the same material: relaxing as if
        # it went on behind the face keeps the density even up to the cut.
        periodic[k] = not wall
    return _Arrays(
        kinds=p.kinds.astype(np.int64),
        centers=_wide(p.centers, 0.0),
        axes=_wide(p.axes, 0.0),
        sizes=p.core_sizes.copy(),
        balls=core * p.ball_radii,
        outer=p.ball_radii.copy(),
        edges=edges,
        periodic=periodic,
        walls=walls,
        planar=d == 2,
    )


def _check_room(p: Particles, confining: bool) -> None:
    if not len(p):
        return
    reach = 2.0 * float((p.core_sizes + p.ball_radii).max())
    for k, edge in enumerate(p.box.size):
        wall = confining and not p.box.periodic[k] and k != p.box.axis
        if not wall and reach > edge:
            hint = (
                "" if p.box.periodic[k] else ' (a film this thin needs walls="confining")'
            )
            raise ValueError(
                f"hard bodies up to {reach:.4g} m across need a box edge {k} at least as"
                f" long, got {edge:.4g} m{hint}"
            )


def push_apart(
    particles: Particles,
    core: float,
    *,
    turn: NDArray[np.bool_] | None = None,
    confining: bool = False,
    passes: int = 4000,
) -> Particles:
    r"""Move and turn bodies until their cores exclude each other.

    Parameters
    ----------
    particles : Particles
        Where they start, as a rule penetrable and at random.
    core : float
        Impenetrable share of the ball of each body, 0 to 1: of the thickness of a flake,
        of the diameter of a rod or sphere. At 0 only flat discs and lines exclude each
        other.
    turn : (n,) ndarray of bool, optional
        Which bodies may turn; all by default.
    confining : bool
        Whether faces that are neither periodic nor electrodes hold the whole body in.
    passes : int
        How many times to go over all pairs before giving up.

    Returns
    -------
    Particles
        In the same order, with the same sizes, no two cores overlapping in the box
        continued periodically across its free faces.

    Raises
    ------
    ValueError
        If the share is outside [0, 1], or a body is longer than a box edge.
    PlacementError
        If overlaps are left; it carries the bodies as they stand and says how thick the
        impenetrable part could be.

    Notes
    -----
    Pair by pair, two overlapping bodies are moved along the contact normal and turned by
    the lever arms of the contact point as two rigid bodies would be, until the overlap
    is gone (projection of one constraint at a time, over-relaxed). Crossing discs
    part along the direction of least penetration. Bodies are given a high inertia, so
    they move rather than turn; still the orientation changes (at 30 vol% and aspect ratio
    20 an rms tilt of 0.5 rad becomes 0.37): see `measure_orientation`.

    Free and electrode faces are cuts through material that goes on: the box is relaxed
    as if periodic there, so its density is even up to the cut.

    """
    _check_core(core)
    _check_room(particles, confining)
    if not len(particles):
        return particles
    a = _arrays(particles, core, confining)
    light = _lightness(particles.volumes())
    _relax(a, light, _ease(a, light, turn), passes)
    d = particles.box.dimension
    placed = Particles(
        particles.kinds, a.centers[:, :d], a.axes[:, :d], particles.core_sizes,
        particles.ball_radii, particles.box,
    )  # fmt: skip
    share, walls = _final(a)
    if share < 1.0 or walls:
        reached = math.floor(1e4 * core * min(share, 1.0)) / 1e4
        held = f" and {walls} still stick out of a wall" if walls else ""
        raise PlacementError(
            f"{len(placed)} bodies at {100.0 * placed.volume_fraction:.4g} vol% still"
            f" overlap after {passes} passes: an impenetrable share of {reached:.4g}"
            f" instead of {core:g} is reached{held}. Lower the loading, the share or the"
            " aspect ratio, or allow more passes",
            placed,
        )
    return placed


def _lightness(volumes: Vector) -> Vector:
    """How far each body moves in a push, for its share of the mass."""
    if volumes.min() > 0.0:
        return np.asarray((np.median(volumes) / volumes) ** _POWER)
    return np.ones(len(volumes))


def _ease(a: _Arrays, light: Vector, turn: NDArray[np.bool_] | None) -> Vector:
    """How far each body turns in a push, 0 for those that may not."""
    ease = np.zeros(len(light))
    long = a.kinds != SPHERE
    # moment of inertia of unit mass: r^2/4 of a disc about a diameter, l^2/12 of a line
    inertia = np.where(a.kinds == ROD, 1.0 / 3.0, 0.25) * np.maximum(a.radii, 1e-300) ** 2
    ease[long] = _TURN / inertia[long]
    ease *= light
    if turn is not None:
        ease[~turn] = 0.0
    return ease


def _relax(a: _Arrays, light: Vector, ease: Vector, passes: int) -> None:
    """Push overlapping bodies pass after pass, in place, until none are left."""
    from percsim.kernels.relax import push_pass

    radii = a.radii
    skin = _SKIN * float(np.median(radii))
    inside = a.periodic.astype(bool)
    start = a.centers.copy()
    pairs, shifts = a.pairs(skin)
    fresh, longest = 0, _LONGEST
    for _ in range(passes):
        moved = float((((a.centers - start) ** 2).sum(axis=1)).max())
        # A few small bodies jump about for long. A list that misses some of their pairs for
        # a few passes does no harm, as the end is checked against a new one.
        if moved > 0.25 * skin * skin and fresh >= _EVERY:
            a.centers[:, inside] %= a.edges[inside]
            start = a.centers.copy()
            pairs, shifts = a.pairs(skin)
            fresh = 0
        touching = push_pass(
            pairs, shifts, a.kinds, a.centers, a.axes, a.sizes, a.balls, a.outer, radii,
            light, ease, a.edges, a.walls, a.planar, _MARGIN, _GAIN, longest,
        )[1]  # fmt: skip
        fresh += 1
        if touching < _FEW * len(radii):
            longest = _SHORT
        if touching == 0:
            if moved == 0.0 or _final(a)[0] >= 1.0:
                break
            fresh = _EVERY
    a.centers[:, inside] %= a.edges[inside]
    # a remainder may round up to the edge itself
    a.centers[:, inside] = np.where(
        a.centers[:, inside] < a.edges[inside], a.centers[:, inside], 0.0
    )


def _final(a: _Arrays) -> tuple[float, int]:
    """Smallest core distance over impenetrable balls, and bodies outside walls."""
    from percsim.kernels.relax import push_pass

    pairs, shifts = a.pairs(0.0)
    outside = 0
    if a.walls.any():
        n = len(a.kinds)
        _, outside = push_pass(
            pairs[:0], shifts[:0], a.kinds, a.centers, a.axes, a.sizes, a.balls, a.outer,
            a.radii, np.ones(n), np.zeros(n), a.edges, a.walls, a.planar, 0.0, 0.0,
            _LONGEST,
        )  # fmt: skip
    return _deepest(a, pairs, shifts), int(outside)


def _deepest(a: _Arrays, pairs: NDArray[np.int64], shifts: Vector) -> float:
    """Smallest core distance over impenetrable balls of listed pairs."""
    from percsim.kernels.relax import deepest_overlap

    return float(
        deepest_overlap(
            pairs, shifts, a.kinds, a.centers, a.axes, a.sizes, a.balls, a.planar
        )
    )


def free_core(particles: Particles) -> float:
    """Largest impenetrable share at which no two bodies overlap.

    Parameters
    ----------
    particles : Particles
        Any; faces that are not periodic are taken as cuts, as in `push_apart`.

    Returns
    -------
    float
        0 when two cores cross, inf when there are no two bodies within their thickness.

    """
    if len(particles) < 2:
        return math.inf
    a = _arrays(particles, 1.0, False)
    return _deepest(a, *a.pairs(0.0))


def _check_core(core: float) -> None:
    if not 0.0 <= core <= 1.0:
        raise ValueError(f"the impenetrable share lies in 0 to 1, got {core:g}")


@dataclass(frozen=True, slots=True)
class Addition:
    """Result of random sequential addition.

    Parameters
    ----------
    particles : Particles
        What was placed, in order.
    accepted : (n,) ndarray of int
        Number of the proposal each body took, counted from 1.
    attempts : int
        Proposals made in all.

    """

    particles: Particles
    accepted: NDArray[np.int64]
    attempts: int

    def saturation(self, tail: float = 100.0) -> float:
        r"""Volume fraction after endless attempts, extrapolated.

        Parameters
        ----------
        tail : float
            Use the last stretch of the attempts, from 1/tail of them to all.

        Returns
        -------
        float
            Straight line of the volume fraction against attempts^(-1/d), at 0. For
            spheres and discs of one size (Feder 1980, J. Theor. Biol. 87, 237; Swendsen
            1981, Phys. Rev. A 24, 504; both from memory).

        """
        steps = np.geomspace(max(self.attempts / tail, 1.0), self.attempts, 40)
        filled = np.concatenate(([0.0], np.cumsum(self.particles.volumes())))
        share = filled[np.searchsorted(self.accepted, steps, side="right")]
        x = steps ** (-1.0 / self.particles.box.dimension)
        return float(np.polyfit(x, share, 1)[1] / self.particles.box.volume)


def add_sequentially(
    particles: Particles,
    core: float,
    propose: Callable[[int], tuple[Vector, Vector]],
    *,
    patience: int,
    attempts: int,
) -> Addition:
    """Place bodies one after another where they overlap none of those before.

    Parameters
    ----------
    particles : Particles
        Whose kinds and sizes to place, in this order; centres and axes are not read.
    core : float
        Impenetrable share of each ball; see `push_apart`.
    propose : callable
        Takes a number m and gives m centres [m] and m axes, fresh each time.
    patience : int
        Proposals that may fail for one body before it ends.
    attempts : int
        Proposals in all before it ends.

    Returns
    -------
    Addition
        With as many bodies as found a place.

    Raises
    ------
    ValueError
        If the share is outside [0, 1], or a body is longer than a box edge.

    """
    from percsim.kernels.relax import add_batch

    _check_core(core)
    _check_room(particles, False)
    n, d = len(particles), particles.box.dimension
    a = _arrays(particles, core, False)
    a.centers[:], a.axes[:] = 0.0, 0.0
    radii = a.sizes + a.balls
    largest = float(radii.max()) if n else 1.0
    counts = np.ones(3, dtype=np.int64)
    for k in range(d):
        counts[k] = min(max(int(a.edges[k] / max(largest, 1e-300)), 1), 256)
    heads = np.full(int(counts.prod()), -1, dtype=np.int64)
    nexts = np.full(n, -1, dtype=np.int64)
    accepted = np.zeros(n, dtype=np.int64)
    placed, tries, number = 0, 0, 0
    while placed < n and tries < patience and number < attempts:
        spots, turns = propose(min(_BATCH, attempts - number))
        placed, tries, used = add_batch(
            _wide(spots, 0.0), _wide(turns, 0.0), placed, tries, patience, a.kinds, a.sizes,
            a.balls, radii, a.edges, a.periodic, a.planar, a.centers, a.axes, heads, nexts,
            counts, largest, accepted, number,
        )  # fmt: skip
        number += used
    body = Particles(
        particles.kinds[:placed], a.centers[:placed, :d], a.axes[:placed, :d],
        particles.core_sizes[:placed], particles.ball_radii[:placed], particles.box,
    )  # fmt: skip
    return Addition(body, accepted[:placed], number)


def confined(box: Box) -> tuple[int, ...]:
    """Directions whose two faces are neither periodic nor electrodes."""
    return tuple(k for k in range(box.dimension) if not box.periodic[k] and k != box.axis)
