"""Stage 3. Particles -> Links: pairs within a cutoff, their gaps, normals and contacts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.particles.bodies import Particles
from percsim.values import floats, integers, real

__all__ = ["Links", "critical_gap", "find_links"]

# Room for cells.
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
    pairs: NDArray[np.int32]
    gaps: NDArray[np.float64]
    normals: NDArray[np.float64]
    images: NDArray[np.int16]
    points: NDArray[np.float64]
    source_contacts: NDArray[np.int32]
    sink_contacts: NDArray[np.int32]

    def __post_init__(self) -> None:
        particles = _bodies_only(self.particles)
        m, d, last = len(self.pairs), particles.box.dimension, len(particles) - 1
        most = np.iinfo(np.int16).max
        for name, shape, span in (
            ("pairs", (m, 2), (0, last)), ("images", (m, d), (-most, most)),
            ("source_contacts", None, (0, last)), ("sink_contacts", None, (0, last)),
            ("gaps", (m,), None), ("normals", (m, d), None), ("points", (m, d), None),
        ):  # fmt: skip
            given = getattr(self, name)
            if span is None:
                value = floats(name, given)
            else:
                kind = np.int16 if name == "images" else np.int32
                value = integers(name, given, *span, dtype=kind)
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
        own, other = (p.centers.take(ends, axis=0) for ends in (first, second))
        return self.points - own, self.points - (other + shift)


def _bodies_only(particles: object) -> Particles:
    if not isinstance(particles, Particles):
        raise ValueError(f"particles must be Particles, got {type(particles).__name__}")
    return particles


def _cell_edge(particles: Particles, swell: float, spans: NDArray[np.float64]) -> float:
    """Edge of the cells that makes the search cheapest."""
    from percsim.kernels import cells

    p = particles
    most = _CELLS_PER_BODY * len(p) + 64
    columns = p.kinds, p.axes, p.core_sizes, p.ball_radii
    return float(cells.cell_edge(*columns, swell, spans, most))


def _cells(
    particles: Particles,
    swell: float,
    low: NDArray[np.float64],
    high: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Corner, edges and numbers of the cells that hold all swelled bodies."""
    box, n = particles.box, len(particles)
    origin, spans = np.zeros(3), np.ones(3)
    for k in range(box.dimension):
        if box.periodic[k]:
            spans[k] = box.size[k]
        else:
            span = high[k] - low[k] + 2.0 * swell
            margin = 1e-6 * span + np.finfo(float).tiny
            origin[k], spans[k] = low[k] - swell - margin, span + 2.0 * margin
    edge = _cell_edge(particles, swell, spans)
    counts = np.maximum(np.floor(spans / edge), 1.0)
    counts[box.dimension :] = 1.0
    while counts.prod() > _CELLS_PER_BODY * n + 64:
        # Few bodies far apart: fewer cells, mostly along the longest direction.
        counts = np.maximum(
            np.floor(counts / np.where(counts > 0.5 * counts.max(), 2, 1)), 1
        )
    n_cells = counts.astype(np.int64)
    return origin, spans / n_cells, n_cells


def _extents(particles: Particles) -> tuple[NDArray[Any], ...]:
    """Corners of the box around all bodies; bodies at the face at 0, and at L."""
    # compiled loops are loaded where they are needed: a law alone needs none
    from percsim.kernels import cells

    p = particles
    low, high, *contacts = cells.body_extents(
        p.kinds, p.centers, p.axes, p.core_sizes, p.ball_radii, p.box.axis, p.box.length
    )
    if not p.box.has_electrodes:
        contacts = [np.empty(0, np.int64), np.empty(0, np.int64)]
    return low, high, *contacts


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
        If the cutoff is negative or not finite, a body is longer than a periodic edge, or
        a centre lies more than 10,000 boxes away.

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
    _check_sizes(p)
    low, high, source, sink = _extents(p)
    if n < 2:
        return Links(
            p, cutoff, np.empty((0, 2), np.int64), np.empty(0), np.empty((0, d)),
            np.empty((0, d), np.int64), np.empty((0, d)), source, sink,
        )  # fmt: skip
    from percsim.kernels import cells
    from percsim.kernels.pairs import in_order, pairs_within

    lengths, periodic = np.ones(3), np.zeros(3, np.bool_)
    lengths[:d], periodic[:d] = p.box.size, p.box.periodic
    swell = 0.5 * cutoff
    grid = _cells(p, swell, low, high)
    # Neighbours in space become neighbours in memory.
    order = cells.morton_order(p.centers, *grid, periodic)
    kinds, bodies, moved = cells.body_table(
        order, p.kinds, p.centers, p.axes, p.core_sizes, p.ball_radii, lengths, periodic
    )
    # no absolute values: one too large for a whole number came out as the lowest there is
    if (moved != moved.clip(-10_000, 10_000)).any():
        raise ValueError("a centre lies more than 10,000 boxes away: move it into the box")
    own, listed, starts, members, spheres = cells.fill_cells(
        kinds, bodies, swell, *grid, periodic
    )
    pairs, images, contacts = pairs_within(
        kinds, bodies, order, cutoff, own, listed, starts, members, spheres, lengths,
        periodic, d == 2,
    )  # fmt: skip
    del kinds, bodies, order, own, listed, starts, members, spheres
    pairs, gaps, normals, images, points = in_order(
        pairs, images, contacts, p.centers, moved
    )
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
        contacts = _extents(p)[2:]
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
    from percsim.kernels.pairs import first_to_span

    before = np.concatenate(held)
    source, sink = (n, n + 1) if faces else (-1, -1)
    cutoff = 0.0
    while True:
        links = find_links(p, cutoff)
        rows = np.argsort(links.gaps, kind="stable")
        pairs = np.concatenate([before, links.pairs[rows]])
        shifts = np.concatenate([np.zeros(len(before), np.int64), links.images[rows, k]])
        row = int(first_to_span(pairs, shifts, n + 2, source, sink))
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
