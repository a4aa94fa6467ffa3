"""Slow, independent geometry: distances of cores, and links over all pairs and images.

The distance of a point from a disc, a segment or a point is elementary. The distance of
two cores is the minimum of that convex function over the other core, found by golden
sections (nested for a disc: minimising a convex function over one coordinate leaves a
convex function of the other). No gradients, no cases; every pair takes some ten thousand
evaluations.
"""

from __future__ import annotations

import itertools

import numpy as np

DISC, SEGMENT, POINT = 0, 1, 2
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


def dot(a, b):
    """Row-wise scalar product."""
    return (a * b).sum(axis=-1)


def point_core_distance(q, kind, size, axis):
    """Distances of points q (m, 3) from cores at the origin, row by row."""
    t = dot(q, axis)
    lateral = np.linalg.norm(np.cross(axis, q), axis=-1)
    disc = np.hypot(t, np.maximum(lateral - size, 0.0))
    segment = np.hypot(lateral, np.maximum(np.abs(t) - size, 0.0))
    point = np.linalg.norm(q, axis=-1)
    return np.where(kind == DISC, disc, np.where(kind == SEGMENT, segment, point))


def _golden(f, lo, hi, steps=60):
    """Minimum of convex f on [lo, hi], row by row."""
    x1, x2 = hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo)
    f1, f2 = f(x1), f(x2)
    best = np.minimum(np.minimum(f1, f2), np.minimum(f(lo), f(hi)))
    for _ in range(steps):
        left = f1 < f2
        lo, hi = np.where(left, lo, x1), np.where(left, x2, hi)
        new = np.where(left, hi - GOLDEN * (hi - lo), lo + GOLDEN * (hi - lo))
        f_new = f(new)
        x1, x2 = np.where(left, new, x2), np.where(left, x1, new)
        f1, f2 = np.where(left, f_new, f2), np.where(left, f1, f_new)
        best = np.minimum(best, f_new)
    return best


def core_distances(kind_i, size_i, axis_i, kind_j, size_j, axis_j, c):
    """Distances of cores, row by row; c (m, 3) is the centre of j minus that of i."""
    kind_i, kind_j = np.asarray(kind_i), np.asarray(kind_j)
    size_i, size_j = np.asarray(size_i, float), np.asarray(size_j, float)
    axis_i, axis_j, c = (np.asarray(v, float) for v in (axis_i, axis_j, c))
    # Search over the core of fewer dimensions: point, then segment, then disc.
    swap = kind_i > kind_j
    kind_i, kind_j = np.where(swap, kind_j, kind_i), np.where(swap, kind_i, kind_j)
    size_i, size_j = np.where(swap, size_j, size_i), np.where(swap, size_i, size_j)
    axis_i, axis_j = (
        np.where(swap[:, None], axis_j, axis_i),
        np.where(swap[:, None], axis_i, axis_j),
    )
    c = np.where(swap[:, None], -c, c)

    out = point_core_distance(c, kind_i, size_i, axis_i)
    rows = np.flatnonzero((kind_j == SEGMENT) & (size_j > 0.0))
    if rows.size:
        k, s, a, u, h, cc = (
            v[rows] for v in (kind_i, size_i, axis_i, axis_j, size_j, c)
        )  # fmt: skip
        out[rows] = _golden(
            lambda t: point_core_distance(cc + t[:, None] * u, k, s, a), -h, h
        )
    rows = np.flatnonzero((kind_j == DISC) & (size_j > 0.0))
    if rows.size:
        k, s, a, n, r, cc = (
            v[rows] for v in (kind_i, size_i, axis_i, axis_j, size_j, c)
        )  # fmt: skip
        helper = np.where(np.abs(n[:, :1]) < 0.6, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
        e = np.cross(n, helper)
        e /= np.linalg.norm(e, axis=1, keepdims=True)
        f = np.cross(n, e)

        def inner(x):
            base = cc + x[:, None] * e
            half = np.sqrt(np.maximum((r - x) * (r + x), 0.0))
            return _golden(
                lambda y: point_core_distance(base + y[:, None] * f, k, s, a), -half, half
            )

        out[rows] = _golden(inner, -r, r)
    return out


def spatial(vectors):
    """Vectors of 2 or 3 components as 3."""
    vectors = np.asarray(vectors, float)
    return np.pad(vectors, ((0, 0), (0, 3 - vectors.shape[1])))


def all_gaps(particles, most=np.inf):
    """Smallest gap of every pair i < j over all images.

    Parameters
    ----------
    particles : Particles
        The bodies.
    most : float
        Gaps above this are not wanted and left at inf.

    Returns
    -------
    pairs (m, 2), gaps (m,), nearest (m,)
        `nearest` is the smallest distance of centres among the images that have the
        smallest gap (to 1e-9 of the sizes).

    """
    p = particles
    n, size = len(p), np.asarray(p.box.size)
    first, second = np.triu_indices(n, 1)
    centers, axes = spatial(p.centers), spatial(p.axes)
    best = np.full(first.size, np.inf)
    nearest = np.full(first.size, np.inf)
    reach = p.core_sizes[first] + p.core_sizes[second]
    balls = p.ball_radii[first] + p.ball_radii[second]
    shift = np.round((centers[first] - centers[second])[:, : size.size] / size)
    shift *= np.array(p.box.periodic)
    steps = [(-2, -1, 0, 1, 2) if q else (0,) for q in p.box.periodic]
    for step in sorted(itertools.product(*steps), key=lambda s: sum(abs(k) for k in s)):
        move = spatial((shift + step) * size)
        c = centers[second] + move - centers[first]
        length = np.linalg.norm(c, axis=1)
        # The distance is at least length - reach: leave out what cannot be the smallest.
        rows = np.flatnonzero(length - reach <= np.minimum(best, balls + most))
        i, j = first[rows], second[rows]
        d = core_distances(
            p.kinds[i], p.core_sizes[i], axes[i],
            p.kinds[j], p.core_sizes[j], axes[j], c[rows],
        )  # fmt: skip
        same = np.abs(d - best[rows]) <= 1e-9 * (reach[rows] + length[rows])
        nearest[rows] = np.where(
            same,
            np.minimum(nearest[rows], length[rows]),
            np.where(d < best[rows], length[rows], nearest[rows]),
        )
        best[rows] = np.minimum(best[rows], d)
    return np.stack([first, second], axis=1), best - balls, nearest


def face_contacts(particles):
    """Particles that reach the faces at 0 and at L, from the support of each body."""
    p = particles
    if p.box.periodic[p.box.axis]:
        return np.empty(0, int), np.empty(0, int)
    along = p.axes[:, p.box.axis]
    disc = p.core_sizes * np.sqrt(np.maximum(1.0 - along**2, 0.0))
    half = np.where(p.kinds == DISC, disc, np.where(p.kinds == SEGMENT, p.core_sizes, 0.0))
    half = np.where(p.kinds == SEGMENT, half * np.abs(along), half) + p.ball_radii
    x = p.centers[:, p.box.axis]
    return np.flatnonzero(x - half <= 0.0), np.flatnonzero(x + half >= p.box.length)
