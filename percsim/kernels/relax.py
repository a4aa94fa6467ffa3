"""Compiled push-apart relaxation and random sequential addition of hard bodies.

Bodies are cores swept by balls, in three columns of coordinates also in 2-D (z = 0,
`planar` true). A pair is listed once for every periodic image that may touch, so boxes
only a body wide are right; a body no longer than the box never meets its own image.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .geometry import DISC, NO, SEGMENT, YES, _contact_within

# Overlap that counts, as a share of the bounding radii.
_TOUCH = 1e-10


@njit(cache=True, nogil=True, error_model="numpy")
def _support(kind, size, dot):
    """Reach of a core from its centre along a unit vector, `dot` its cosine to the axis."""
    if kind == DISC:
        return size * math.sqrt(max(0.0, 1.0 - dot * dot))
    if kind == SEGMENT:
        return size * abs(dot)
    return 0.0


@njit(cache=True, nogil=True, error_model="numpy")
def near_pairs(centers, radii, edges, periodic, cell_edge, skin):
    """Pairs of bodies whose bounding spheres come within a skin, all images.

    Parameters
    ----------
    centers : (n, 3) array
        Inside the box in periodic directions.
    radii : (n,) array
        Bounding radii.
    edges : (3,) array
        Box edges; 1 along z in 2-D.
    periodic : (3,) array of int64
        1 where the box repeats.
    cell_edge : float
        Wanted edge of a search cell.
    skin : float
        Gap of bounding spheres that is still listed.

    Returns
    -------
    pairs : (m, 2) array of int64
        The larger body first.
    shifts : (m, 3) array
        What to add to the centre of the second one.

    """
    n = centers.shape[0]
    counts = np.empty(3, dtype=np.int64)
    cell = np.empty(3)
    low = np.zeros(3)
    for k in range(3):
        low[k] = 0.0
        span = edges[k]
        if periodic[k] == 0 and n > 0:
            # bodies may have been pushed out of an open face
            top = 0.0
            for i in range(n):
                low[k] = min(low[k], centers[i, k])
                top = max(top, centers[i, k])
            span = max(top - low[k], 1e-3 * cell_edge)
        counts[k] = min(max(int(span / cell_edge), 1), 256)
        cell[k] = span / counts[k]
    heads = np.full(counts[0] * counts[1] * counts[2], -1, dtype=np.int64)
    nexts = np.empty(n, dtype=np.int64)
    for i in range(n - 1, -1, -1):
        index = 0
        for k in range(3):
            q = math.floor((centers[i, k] - low[k]) / cell[k])
            index = index * counts[k] + min(max(q, 0), counts[k] - 1)
        nexts[i] = heads[index]
        heads[index] = i
    room = 16 * n + 16
    pairs = np.empty((room, 2), dtype=np.int64)
    shifts = np.empty((room, 3))
    m = 0
    first = np.empty(3, dtype=np.int64)
    last = np.empty(3, dtype=np.int64)
    for i in range(n):
        # each body looks for those that are no larger than itself
        far = 2.0 * radii[i] + skin
        for k in range(3):
            first[k] = math.floor((centers[i, k] - far - low[k]) / cell[k])
            last[k] = math.floor((centers[i, k] + far - low[k]) / cell[k])
            if periodic[k] == 0:
                first[k] = min(max(first[k], 0), counts[k] - 1)
                last[k] = min(max(last[k], 0), counts[k] - 1)
        for qx in range(first[0], last[0] + 1):
            wx = math.floor(qx / counts[0])
            for qy in range(first[1], last[1] + 1):
                wy = math.floor(qy / counts[1])
                for qz in range(first[2], last[2] + 1):
                    wz = math.floor(qz / counts[2])
                    index = (qx - wx * counts[0]) * counts[1] + qy - wy * counts[1]
                    index = index * counts[2] + qz - wz * counts[2]
                    j = heads[index]
                    while j >= 0:
                        take = radii[j] < radii[i] or (radii[j] == radii[i] and j > i)
                        if take:
                            sx, sy, sz = wx * edges[0], wy * edges[1], wz * edges[2]
                            x = centers[j, 0] + sx - centers[i, 0]
                            y = centers[j, 1] + sy - centers[i, 1]
                            z = centers[j, 2] + sz - centers[i, 2]
                            reach = radii[i] + radii[j] + skin
                            if x * x + y * y + z * z < reach * reach:
                                if m == room:
                                    more = np.empty((2 * room, 2), dtype=np.int64)
                                    more[:room] = pairs
                                    pairs = more
                                    wide = np.empty((2 * room, 3))
                                    wide[:room] = shifts
                                    shifts = wide
                                    room *= 2
                                pairs[m, 0], pairs[m, 1] = i, j
                                shifts[m, 0], shifts[m, 1], shifts[m, 2] = sx, sy, sz
                                m += 1
                        j = nexts[j]
    return pairs[:m].copy(), shifts[:m].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def _turn(axes, i, wx, wy, wz):
    """Turn an axis by a small rotation vector."""
    x, y, z = axes[i, 0], axes[i, 1], axes[i, 2]
    x, y, z = x + wy * z - wz * y, y + wz * x - wx * z, z + wx * y - wy * x
    q = 1.0 / math.sqrt(x * x + y * y + z * z)
    axes[i, 0], axes[i, 1], axes[i, 2] = x * q, y * q, z * q


@njit(cache=True, nogil=True, error_model="numpy")
def push_pass(
    pairs, shifts, kinds, centers, axes, sizes, balls, outer, radii, light, ease, edges,
    walls, planar, margin, gain, longest,
):  # fmt: skip
    """One pass over the listed pairs, moving each overlapping one apart at once.

    Parameters
    ----------
    pairs, shifts : arrays
        From `near_pairs`.
    kinds : (n,) array of int64
        0 disc, 1 segment, 2 point.
    centers, axes : (n, 3) arrays
        Changed in place.
    sizes, balls, outer, radii : (n,) arrays
        Core sizes, ball radii impenetrable to other bodies and to walls, bounding radii.
    light, ease : (n,) arrays
        How easily a body moves and turns: inverse mass and inverse moment of inertia, in
        any unit of mass; an ease of 0 for one that must not turn.
    edges : (3,) array
        Box edges.
    walls : (3,) array of int64
        1 where the two faces confine the bodies.
    planar : bool
        Two dimensions.
    margin : float
        Gap to leave, as a share of the two balls.
    gain : float
        Share of an overlap taken away, 0 to 1 and a little more.
    longest : float
        Longest move of one push, as a share of the smaller bounding radius.

    Returns
    -------
    deepest : float
        Largest overlap met, over the two balls; margins do not count.
    touching : int
        How many pairs and walls overlapped, margins not counted.

    """
    deepest, touching = 0.0, 0
    for p in range(pairs.shape[0]):
        i, j = pairs[p, 0], pairs[p, 1]
        cx = centers[j, 0] + shifts[p, 0] - centers[i, 0]
        cy = centers[j, 1] + shifts[p, 1] - centers[i, 1]
        cz = centers[j, 2] + shifts[p, 2] - centers[i, 2]
        both = balls[i] + balls[j]
        want = both * (1.0 + margin)
        d, px, py, pz, nx, ny, nz = _contact_within(
            kinds[i], sizes[i], axes[i, 0], axes[i, 1], axes[i, 2],
            kinds[j], sizes[j], axes[j, 0], axes[j, 1], axes[j, 2],
            cx, cy, cz, planar, want, NO,
        )  # fmt: skip
        if d >= want:
            continue
        depth = want - d
        if d <= 0.0:
            # crossing cores: how far to go along the normal until they part
            da = nx * axes[i, 0] + ny * axes[i, 1] + nz * axes[i, 2]
            db = nx * axes[j, 0] + ny * axes[j, 1] + nz * axes[j, 2]
            depth += max(
                0.0,
                _support(kinds[i], sizes[i], da)
                + _support(kinds[j], sizes[j], db)
                - (cx * nx + cy * ny + cz * nz),
            )
        over = depth - margin * both
        if over > _TOUCH * (radii[i] + radii[j]):
            touching += 1
            deepest = max(deepest, over / both if both > 0.0 else 1.0)
        # lever arms of the contact about both centres
        ax, ay, az = py * nz - pz * ny, pz * nx - px * nz, px * ny - py * nx
        qx, qy, qz = px - cx, py - cy, pz - cz
        bx, by, bz = qy * nz - qz * ny, qz * nx - qx * nz, qx * ny - qy * nx
        weight = light[i] + light[j]
        weight += ease[i] * (ax * ax + ay * ay + az * az)
        weight += ease[j] * (bx * bx + by * by + bz * bz)
        push = gain * min(depth, longest * min(radii[i], radii[j])) / weight
        t = push * light[i]
        centers[i, 0] -= t * nx
        centers[i, 1] -= t * ny
        centers[i, 2] -= t * nz
        t = push * light[j]
        centers[j, 0] += t * nx
        centers[j, 1] += t * ny
        centers[j, 2] += t * nz
        t = push * ease[i]
        _turn(axes, i, -t * ax, -t * ay, -t * az)
        t = push * ease[j]
        _turn(axes, j, t * bx, t * by, t * bz)
    for k in range(3):
        if walls[k] == 0:
            continue
        for i in range(centers.shape[0]):
            half = outer[i] + _support(kinds[i], sizes[i], axes[i, k])
            for side in (-1.0, 1.0):
                x = centers[i, k] if side < 0.0 else edges[k] - centers[i, k]
                depth = half - x
                if depth <= 0.0:
                    continue
                if depth > _TOUCH * radii[i]:
                    touching += 1
                    deepest = max(
                        deepest, depth / (2.0 * outer[i]) if outer[i] > 0.0 else 1.0
                    )
                # contact: the point of the core that sticks out furthest
                wx, wy, wz = 0.0, 0.0, 0.0
                dot = axes[i, k]
                if kinds[i] == DISC:
                    q = math.sqrt(max(1e-300, 1.0 - dot * dot))
                    lx, ly, lz = -dot * axes[i, 0], -dot * axes[i, 1], -dot * axes[i, 2]
                    if k == 0:
                        lx += 1.0
                    elif k == 1:
                        ly += 1.0
                    else:
                        lz += 1.0
                    q = side * sizes[i] / q if 1.0 - dot * dot > 1e-24 else 0.0
                    lx, ly, lz = q * lx, q * ly, q * lz
                elif kinds[i] == SEGMENT:
                    q = math.copysign(sizes[i], side * dot) if dot != 0.0 else 0.0
                    lx, ly, lz = q * axes[i, 0], q * axes[i, 1], q * axes[i, 2]
                else:
                    lx, ly, lz = 0.0, 0.0, 0.0
                # normal into the box: -side along k; torque arm l x n
                s = -side
                if k == 0:
                    wx, wy, wz = 0.0, lz * s, -ly * s
                elif k == 1:
                    wx, wy, wz = -lz * s, 0.0, lx * s
                else:
                    wx, wy, wz = ly * s, -lx * s, 0.0
                push = gain * min(depth, longest * radii[i])
                push /= light[i] + ease[i] * (wx * wx + wy * wy + wz * wz)
                centers[i, k] += s * push * light[i]
                t = push * ease[i]
                _turn(axes, i, t * wx, t * wy, t * wz)
    return deepest, touching


@njit(cache=True, nogil=True, error_model="numpy")
def deepest_overlap(pairs, shifts, kinds, centers, axes, sizes, balls, planar):
    """Smallest core distance over the sum of balls, 0 for crossing cores; inf if no pair.

    Parameters
    ----------
    pairs, shifts, kinds, centers, axes, sizes, balls, planar : arrays and bool
        As for `push_pass`.

    Returns
    -------
    float
        1 or more: no two bodies overlap.

    """
    least = math.inf
    for p in range(pairs.shape[0]):
        i, j = pairs[p, 0], pairs[p, 1]
        both = balls[i] + balls[j]
        d = _contact_within(
            kinds[i], sizes[i], axes[i, 0], axes[i, 1], axes[i, 2],
            kinds[j], sizes[j], axes[j, 0], axes[j, 1], axes[j, 2],
            centers[j, 0] + shifts[p, 0] - centers[i, 0],
            centers[j, 1] + shifts[p, 1] - centers[i, 1],
            centers[j, 2] + shifts[p, 2] - centers[i, 2],
            planar, both, NO,
        )[0]  # fmt: skip
        if d < both:
            least = min(least, d / both)
        elif both > 0.0:
            least = min(least, max(1.0, d / both))
    return least


@njit(cache=True, nogil=True, error_model="numpy")
def add_batch(
    spots, turns, start, tries, patience, kinds, sizes, balls, radii, edges, periodic,
    planar, centers, axes, heads, nexts, counts, largest, accepted, number,
):  # fmt: skip
    """Try proposals one after the other for the body whose turn it is.

    Parameters
    ----------
    spots, turns : (m, 3) arrays
        Proposed centres and axes.
    start : int
        How many bodies have been placed.
    tries, patience : int
        Failures of the next body so far, and how many it may have.
    kinds, sizes, balls, radii : (n,) arrays
        Of the bodies in the order of placement.
    edges, periodic, planar
        The box, as elsewhere here.
    centers, axes : (n, 3) arrays
        Filled in.
    heads, nexts, counts : arrays of int64
        Chains of the bodies in each search cell.
    largest : float
        Largest bounding radius of all.
    accepted : (n,) array of int64
        Filled with the proposal that each body took.
    number : int
        Proposals used before this batch.

    Returns
    -------
    start, tries, used : int
        As they stand after the batch; `used` counts the proposals looked at.

    """
    n = kinds.shape[0]
    used = 0
    for p in range(spots.shape[0]):
        if start >= n or tries >= patience:
            break
        used += 1
        i = start
        x, y, z = spots[p, 0], spots[p, 1], spots[p, 2]
        reach = radii[i] + largest
        x0 = math.floor((x - reach) / edges[0] * counts[0])
        x1 = math.floor((x + reach) / edges[0] * counts[0])
        y0 = math.floor((y - reach) / edges[1] * counts[1])
        y1 = math.floor((y + reach) / edges[1] * counts[1])
        z0 = math.floor((z - reach) / edges[2] * counts[2])
        z1 = math.floor((z + reach) / edges[2] * counts[2])
        if periodic[0] == 0:
            x0, x1 = max(x0, 0), min(x1, counts[0] - 1)
        if periodic[1] == 0:
            y0, y1 = max(y0, 0), min(y1, counts[1] - 1)
        if periodic[2] == 0:
            z0, z1 = max(z0, 0), min(z1, counts[2] - 1)
        free = True
        for qx in range(x0, x1 + 1):
            wx = math.floor(qx / counts[0])
            for qy in range(y0, y1 + 1):
                wy = math.floor(qy / counts[1])
                for qz in range(z0, z1 + 1):
                    wz = math.floor(qz / counts[2])
                    index = (qx - wx * counts[0]) * counts[1] + qy - wy * counts[1]
                    index = index * counts[2] + qz - wz * counts[2]
                    j = heads[index]
                    while j >= 0 and free:
                        both = balls[i] + balls[j]
                        d = _contact_within(
                            kinds[i], sizes[i], turns[p, 0], turns[p, 1], turns[p, 2],
                            kinds[j], sizes[j], axes[j, 0], axes[j, 1], axes[j, 2],
                            centers[j, 0] + wx * edges[0] - x,
                            centers[j, 1] + wy * edges[1] - y,
                            centers[j, 2] + wz * edges[2] - z,
                            planar, both, YES,
                        )[0]  # fmt: skip
                        free = d > both
                        j = nexts[j]
                    if not free:
                        break
                if not free:
                    break
            if not free:
                break
        if not free:
            tries += 1
            continue
        centers[i, 0], centers[i, 1], centers[i, 2] = x, y, z
        axes[i, 0], axes[i, 1], axes[i, 2] = turns[p, 0], turns[p, 1], turns[p, 2]
        index = min(int(x / edges[0] * counts[0]), counts[0] - 1)
        index = index * counts[1] + min(int(y / edges[1] * counts[1]), counts[1] - 1)
        index = index * counts[2] + min(int(z / edges[2] * counts[2]), counts[2] - 1)
        nexts[i] = heads[index]
        heads[index] = i
        accepted[i] = number + used
        start += 1
        tries = 0
    return start, tries, used
