"""Stage 3. Particles -> Links: pairs within a cutoff, their gaps, normals and contacts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.kernels import pairs as pairs_kernels
from percsim.particles.bodies import FLAKE, ROD, Particles
from percsim.values import floats, integers, real

__all__ = ["Links", "critical_gap", "find_links"]

# Cost of listing a body in a cell, in tests of a pair that shares one; room for cells.
_ENTRY_COST = 3.0
_CELLS_PER_BODY = 8


@dataclass(frozen=True, slots=True, repr=False)
class Links:
    """Pairs of particles within a cutoff, and the particles at the electrodes.

    Parameters
    ----------
    particles : Particles
        The `n` particles linked.
    cutoff : float
        Largest surface-to-surface gap that counts as a link [m].
    pairs : (m, 2) ndarray of int
        Particle indices, i < j, sorted by i then j; one row a pair.
    gaps : (m,) ndarray of float
        Surface to surface [m]; negative on overlap.
    normals : (m, d) ndarray of float
        Unit contact normals from i to j, with normal . (c_j - c_i) >= 0.
    images : (m, d) ndarray of int
        Image of j used: its centre is centers[j] + images * box.size.
    points : (m, d) ndarray of float
        Contact points [m] in the frame of i (not wrapped): the mid-point between the two
        closest core points; for crossing cores the mid-point of the stretch they share.
    source_contacts, sink_contacts : (k,) ndarray of int
        Particles whose body reaches the face at 0 and at L along the current; empty in a
        box that is periodic along the current.

    Raises
    ------
    ValueError
        If shapes disagree, or what is to be an index is none of a particle.

    """

    particles: Particles
    cutoff: float
    pairs: NDArray[np.int64]
    gaps: NDArray[np.float64]
    normals: NDArray[np.float64]
    images: NDArray[np.int64]
    points: NDArray[np.float64]
    source_contacts: NDArray[np.int64]
    sink_contacts: NDArray[np.int64]

    def __post_init__(self) -> None:
        particles = _bodies_only(self.particles)
        m, d, last = len(self.pairs), particles.box.dimension, len(particles) - 1
        most = np.iinfo(np.int64).max
        for name, shape, span in (
            ("pairs", (m, 2), (0, last)), ("images", (m, d), (-most, most)),
            ("source_contacts", None, (0, last)), ("sink_contacts", None, (0, last)),
            ("gaps", (m,), None), ("normals", (m, d), None), ("points", (m, d), None),
        ):  # fmt: skip
            given = getattr(self, name)
            value = floats(name, given) if span is None else integers(name, given, *span)
            if value.shape != (shape or (value.size,)):
                wanted = shape or "(k,)"
                raise ValueError(f"{name} must have shape {wanted}, got {value.shape}")
            object.__setattr__(self, name, value)
        object.__setattr__(self, "cutoff", real("cutoff", self.cutoff))

    def __len__(self) -> int:
        return int(self.pairs.shape[0])

    def __repr__(self) -> str:
        n, m = len(self.particles), len(self)
        story = f"Links: {m} pairs of {n} bodies within {1e9 * self.cutoff:.4g} nm"
        if m > 0:
            touching = 100.0 * float((self.gaps <= 0.0).mean())
            story += f", {2.0 * m / n:.3g} a body, {touching:.3g} % touching"
        if self.particles.box.has_electrodes:
            at_source, at_sink = self.source_contacts.size, self.sink_contacts.size
            return f"{story}, {at_source} at source, {at_sink} at sink"
        return f"{story}, no electrodes"

    @property
    def arms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Vectors from the centres of i and j (its image used) to the contact point [m]."""
        p = self.particles
        first, second = self.pairs[:, 0], self.pairs[:, 1]
        shift = self.images * np.asarray(p.box.size)
        return self.points - p.centers[first], self.points - (p.centers[second] + shift)


def _bodies_only(particles: object) -> Particles:
    if not isinstance(particles, Particles):
        raise ValueError(f"particles must be Particles, got {type(particles).__name__}")
    return particles


def _cell_edge(
    kinds: NDArray[np.int64],
    bodies: NDArray[np.float64],
    swell: float,
    spans: NDArray[np.float64],
    dimension: int,
) -> float:
    """Edge of the cells that makes the search cheapest, estimated from a sample.

    A convex body swelled to volume V, with areas A_k and widths W_k seen along the three
    directions, reaches on average (V + a sum A_k + a^2 sum W_k + a^3) / a^3 cells of edge
    a at random (mixed volumes with a cube); entries and pairs sharing a cell both cost.
    """
    n = len(kinds)
    rows = np.arange(n) if n <= 4000 else np.arange(0, n, n // 4000)
    kind, axis, size = kinds[rows], bodies[rows, 3:6], bodies[rows, 6]
    m = bodies[rows, 7] + swell
    widths = 2.0 * (bodies[rows, 8:11] - bodies[rows, 7:8] + m[:, None])[:, :dimension]
    lean = abs(axis)
    disc, rod = (kind == FLAKE)[:, None], (kind == ROD)[:, None]
    level = np.sqrt(np.maximum(1.0 - lean**2, 0.0))
    size, m = size[:, None], m[:, None]
    if dimension == 2:
        fills = 4.0 * size * m + np.pi * m**2
        seen = np.zeros(len(rows))
    else:
        areas = np.pi * m**2 + np.where(
            disc,
            np.pi * size**2 * lean + 4.0 * size * m * level,
            np.where(rod, 4.0 * size * m * level, 0.0),
        )
        seen = areas.sum(axis=1)
        fills = np.where(
            disc,
            2.0 * np.pi * size**2 * m + np.pi**2 * size * m**2,
            np.where(rod, 2.0 * np.pi * size * m**2, 0.0),
        )
        fills = fills + 4.0 / 3.0 * np.pi * m**3
    volume = float(np.prod(spans[:dimension]))
    largest = float(widths.max())
    if largest == 0.0:
        return float((volume / n) ** (1.0 / dimension))
    smallest = max(float(widths.max(axis=1).min()), 1e-4 * largest)
    a = np.geomspace(0.3 * smallest, 1.2 * largest, 40)
    width, area, fill = widths.sum(axis=1).mean(), seen.mean(), fills.mean()
    entries = n * (1.0 + width / a + area / a**2 + fill / a**dimension)
    grid = np.maximum(volume / a**dimension, 1.0)
    cost = _ENTRY_COST * entries + 0.5 * entries**2 / grid
    cost[grid > _CELLS_PER_BODY * n + 64] = np.inf
    cheapest = int(cost.argmin())
    return float(a[cheapest]) if np.isfinite(cost[cheapest]) else largest


def _cells(
    kinds: NDArray[np.int64],
    bodies: NDArray[np.float64],
    swell: float,
    lengths: NDArray[np.float64],
    periodic: NDArray[np.bool_],
    dimension: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Corner, edges and numbers of the cells that hold all swelled bodies."""
    origin, spans = np.zeros(3), lengths.copy()
    for k in np.flatnonzero(~periodic):
        low = float((bodies[:, k] - bodies[:, 8 + k]).min()) - swell
        high = float((bodies[:, k] + bodies[:, 8 + k]).max()) + swell
        margin = 1e-6 * (high - low) + np.finfo(float).tiny
        origin[k], spans[k] = low - margin, high - low + 2.0 * margin
    edge = _cell_edge(kinds, bodies, swell, spans, dimension)
    counts = np.maximum(np.floor(spans / edge), 1.0)
    counts[dimension:] = 1.0
    while counts.prod() > _CELLS_PER_BODY * len(kinds) + 64:
        # Few bodies far apart: fewer cells, mostly along the longest direction.
        counts = np.maximum(
            np.floor(counts / np.where(counts > 0.5 * counts.max(), 2, 1)), 1
        )
    n_cells = counts.astype(np.int64)
    return origin, spans / n_cells, n_cells


def _bodies(particles: Particles) -> tuple[NDArray[np.float64], NDArray[np.int64] | None]:
    """Table of bodies for the kernels, and how many boxes centres were moved, if any."""
    p = particles
    n, d = p.centers.shape
    bodies = np.zeros((n, 12))
    bodies[:, :d] = p.centers
    moved = None
    for k in np.flatnonzero(p.box.periodic):
        boxes = np.floor(p.centers[:, k] / p.box.size[k])
        if boxes.any():
            moved = np.zeros((n, d), np.int64) if moved is None else moved
            moved[:, k] = boxes
            bodies[:, k] -= boxes * p.box.size[k]
    norms = np.sqrt(np.einsum("ij,ij->i", p.axes, p.axes))
    # Axes of spheres are not read; any finite value will do.
    norms[norms == 0.0] = 1.0
    np.divide(p.axes, norms[:, None], out=bodies[:, 3 : 3 + d])
    bodies[:, 6] = p.core_sizes
    bodies[:, 7] = p.ball_radii
    flakes = p.kinds == FLAKE
    for i in range(3):
        # A segment reaches its own component, a disc the size of the other two: exact
        # where the normal lies along a direction. Spheres have no core to reach.
        share = abs(bodies[:, 3 + i])
        if flakes.any():
            across = np.hypot(bodies[:, 3 + (i + 1) % 3], bodies[:, 3 + (i + 2) % 3])
            share = np.where(flakes, across, share)
        bodies[:, 8 + i] = share * p.core_sizes + p.ball_radii
    bodies[:, 11] = p.core_sizes + p.ball_radii
    return bodies, moved


def find_links(particles: Particles, cutoff: float) -> Links:
    """Pair up particles whose surfaces are within a cutoff.

    Parameters
    ----------
    particles : Particles
        Bodies of any kinds, in two or three dimensions.
    cutoff : float
        Largest surface-to-surface gap that counts [m], 0 for contact.

    Returns
    -------
    Links
        Every pair with gap <= cutoff, at the image with the smallest gap (for equal gaps
        the nearest centres), and the bodies at the electrodes.

    Raises
    ------
    ValueError
        If the cutoff is negative or not finite, or a body is longer than a periodic edge.

    Examples
    --------
    Two flakes of 10 um, one lying flat 1 um above the other.

    >>> import numpy as np
    >>> from percsim.particles.bodies import FLAKE, Particles
    >>> from percsim.particles.box import Box
    >>> box = Box((50e-6, 50e-6, 50e-6), (False, True, True))
    >>> flakes = Particles(
    ...     kinds=[FLAKE, FLAKE], centers=[[2e-6, 2e-6, 2e-6], [4e-6, 2e-6, 3e-6]],
    ...     axes=[[0, 0, 1], [0, 0, 1]], core_sizes=[4.75e-6, 4.75e-6],
    ...     ball_radii=[0.25e-6, 0.25e-6], box=box)
    >>> links = find_links(flakes, cutoff=0.6e-6)
    >>> links
    Links: 1 pairs of 2 bodies within 600 nm, 1 a body, 0 % touching, 2 at source, 0 at sink
    >>> print(f"{1e6 * links.gaps[0]:.3f} um along {links.normals[0]}")
    0.500 um along [0. 0. 1.]

    """
    p = _bodies_only(particles)
    cutoff = real("cutoff", cutoff)
    if not 0.0 <= cutoff < np.inf:
        raise ValueError(f"cutoff must be a length of 0 or more in metres, got {cutoff:g}")
    n, d = len(p), p.box.dimension
    lengths, periodic = np.ones(3), np.zeros(3, np.bool_)
    lengths[:d], periodic[:d] = p.box.size, p.box.periodic
    _check_sizes(p)
    bodies, moved = _bodies(p)
    kinds = p.kinds.astype(np.int64)
    source, sink = _face_contacts(p, bodies)
    if n < 2:
        return Links(
            p, cutoff, np.empty((0, 2), np.int64), np.empty(0), np.empty((0, d)),
            np.empty((0, d), np.int64), np.empty((0, d)), source, sink,
        )  # fmt: skip

    swell = 0.5 * cutoff
    origin, edges, n_cells = _cells(kinds, bodies, swell, lengths, periodic, d)
    # Neighbours in space become neighbours in memory.
    order = np.argsort(
        pairs_kernels.morton_keys(bodies, origin, edges, n_cells), kind="stable"
    )
    sorted_bodies, sorted_kinds = bodies[order], kinds[order]
    own, listed, starts, members = pairs_kernels.fill_cells(
        sorted_kinds, sorted_bodies, swell, origin, edges, n_cells, periodic
    )
    pairs, images, contacts = pairs_kernels.pairs_within(
        sorted_kinds, sorted_bodies, order, cutoff, own, listed, starts, members,
        lengths, periodic, d == 2,
    )  # fmt: skip
    del own, listed, starts, members, sorted_bodies, sorted_kinds
    rows = pairs_kernels.pair_order(pairs, n)
    pairs, gaps, normals, images, points = pairs_kernels.in_order(
        rows, pairs, images, contacts, p.centers
    )
    if moved is not None:
        images += moved[pairs[:, 0]] - moved[pairs[:, 1]]
    return Links(p, cutoff, pairs, gaps, normals, images, points, source, sink)


def _check_sizes(particles: Particles) -> None:
    """Refuse bodies longer than a periodic edge: they would meet their own images."""
    p = particles
    if not len(p):
        return
    lengths = 2.0 * (p.core_sizes + p.ball_radii)
    worst = int(lengths.argmax())
    for k, (edge, periodic) in enumerate(zip(p.box.size, p.box.periodic, strict=True)):
        if periodic and lengths[worst] > edge * (1.0 + 1e-9):
            raise ValueError(
                f"particle {worst} is {1e6 * lengths[worst]:.6g} um long, more than the "
                f"periodic edge of {1e6 * edge:.6g} um along axis {k}: make the box larger "
                "or the particles smaller"
            )


def _face_contacts(
    particles: Particles, bodies: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Particles whose swept body reaches the face at 0, and at L."""
    p, k = particles, particles.box.axis
    if not p.box.has_electrodes:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    low = p.centers[:, k] - bodies[:, 8 + k]
    high = p.centers[:, k] + bodies[:, 8 + k]
    return np.flatnonzero(low <= 0.0), np.flatnonzero(high >= p.box.length)


def critical_gap(particles: Particles) -> float:
    """Smallest cutoff at which a sample spans along its current direction.

    Parameters
    ----------
    particles : Particles
        The sample, of hard-core bodies usually: penetrable ones past their threshold span
        at 0.

    Returns
    -------
    float
        Smallest cutoff [m] at which links join the two electrode faces or, in a box that
        is periodic along the current, wind around it; inf if none does (no body reaches
        one of the faces).

    Raises
    ------
    ValueError
        If the box is periodic along the current and so short that two bodies could be
        linked through both sides of it at that gap, which one link a pair cannot tell.

    """
    p = _bodies_only(particles)
    n, k = len(p), p.box.axis
    faces = p.box.has_electrodes
    longest = 2.0 * float((p.core_sizes + p.ball_radii).max(initial=0.0))
    if faces:
        contacts = _face_contacts(p, _bodies(p)[0])
        if not all(c.size for c in contacts):
            return float("inf")
        # Source n and sink n + 1 are joined to the bodies that reach them beforehand.
        held = [
            np.column_stack([c, np.full_like(c, n + e)]) for e, c in enumerate(contacts)
        ]
        most = 2.0 * float(np.linalg.norm(np.ptp(p.centers, axis=0))) + p.box.length
    else:
        held = [np.empty((0, 2), np.int64)]
        most = 0.5 * p.box.length - longest
        if most < 0.0:
            raise ValueError(
                f"the periodic edge along the current is {1e6 * p.box.length:.6g} um; it "
                f"must be at least twice the longest body, {2e6 * longest:.6g} um"
            )
    before = np.concatenate(held)
    source, sink = (n, n + 1) if faces else (-1, -1)
    cutoff = 0.0
    while True:
        links = find_links(p, cutoff)
        rows = np.argsort(links.gaps, kind="stable")
        pairs = np.concatenate([before, links.pairs[rows]])
        shifts = np.concatenate([np.zeros(len(before), np.int64), links.images[rows, k]])
        row = int(pairs_kernels.first_to_span(pairs, shifts, n + 2, source, sink))
        if row < len(pairs):
            late = row - len(before)
            return 0.0 if late < 0 else max(float(links.gaps[rows[late]]), 0.0)
        if cutoff >= most:
            break
        cutoff = min(max(2.0 * cutoff, 0.02 * longest, 1e-3 * most), most)
    if faces or n == 0:
        return float("inf")
    raise ValueError(
        f"no path winds around the box within a gap of {1e6 * most:.6g} um; beyond that "
        f"bodies meet through both sides of a box of {1e6 * p.box.length:.6g} um: make it "
        "longer"
    )
