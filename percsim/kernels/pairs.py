"""Compiled search for the pairs of bodies within a cutoff, and their contacts.

Every body, swelled by half the cutoff, is rasterised into cells: discs as slabs, segments
by walking along them, points as balls. Two bodies within the cutoff share a cell, so each
body is tested against the later members of its cells, once each. A large body occupies
many cells but every cell stays short, which keeps the cost flat in the width of the size
distribution, where cells of the largest bounding sphere fill up with small bodies. Cells
keep the spheres around their bodies side by side: most pairs end at these.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .geometry import DISC, NO, _contact_within

__all__ = ["first_to_span", "in_order", "pairs_within"]

# Slack of early rejections, as a share of the sizes; the last word is the exact gap.
_SLACK = 1e-11

ONE = np.uint64(1)


@njit(cache=True, nogil=True, error_model="numpy")
def _best_image(kinds, bodies, a, b, cutoff, slack, lengths, periodic, planar):
    """Image of b with the smallest gap to a, its gap, normal and contact point.

    Every image whose bounding box is near enough is tried; for equal gaps the nearest
    centre counts. The gap is infinite if none is within the cutoff.
    """
    first, last = np.zeros(3, np.int64), np.zeros(3, np.int64)
    offset = np.empty(3)
    one, two = np.int64(kinds[a]), np.int64(kinds[b])
    near2 = 0.0
    for k in range(3):
        offset[k] = bodies[b, k] - bodies[a, k]
        near = abs(offset[k])
        if periodic[k]:
            near = min(near, lengths[k] - near)
        near2 += near * near
    # The gap at the nearest centre bounds how far off a smaller gap can be.
    most = math.sqrt(near2) + bodies[a, 6] + bodies[b, 6]
    most += _SLACK * (most + lengths[0] + lengths[1] + lengths[2])
    for k in range(3):
        if periodic[k]:
            extent = min(bodies[a, 8 + k] + bodies[b, 8 + k] + slack, most)
            first[k] = math.ceil((-extent - offset[k]) / lengths[k])
            last[k] = math.floor((extent - offset[k]) / lengths[k])
    far = bodies[a, 11] + bodies[b, 11] + slack
    reach = bodies[a, 7] + bodies[b, 7] + slack
    best = best2 = gap = math.inf
    jx = jy = jz = 0
    px = py = pz = nx = ny = nz = 0.0
    for ix in range(first[0], last[0] + 1):
        cx = offset[0] + ix * lengths[0]
        for iy in range(first[1], last[1] + 1):
            cy = offset[1] + iy * lengths[1]
            for iz in range(first[2], last[2] + 1):
                cz = offset[2] + iz * lengths[2]
                c2 = cx * cx + cy * cy + cz * cz
                if c2 > far * far:
                    continue
                d, qx, qy, qz, mx, my, mz = _contact_within(
                    one, bodies[a, 6], bodies[a, 3], bodies[a, 4], bodies[a, 5],
                    two, bodies[b, 6], bodies[b, 3], bodies[b, 4], bodies[b, 5],
                    cx, cy, cz, planar, reach, NO,
                )  # fmt: skip
                if d > best or (d == best and c2 >= best2):
                    continue
                if d - bodies[a, 7] - bodies[b, 7] > cutoff:
                    continue
                best, best2, gap = d, c2, d - bodies[a, 7] - bodies[b, 7]
                jx, jy, jz = ix, iy, iz
                px, py, pz, nx, ny, nz = qx, qy, qz, mx, my, mz
    return jx, jy, jz, gap, nx, ny, nz, px, py, pz


@njit(cache=True, nogil=True, error_model="numpy")
def pairs_within(
    kinds, bodies, labels, cutoff, body_start, body_cells, cell_start, cell_bodies, spheres,
    lengths, periodic, planar,
):  # fmt: skip
    """Find the pairs whose gap is within a cutoff, and their contacts.

    Parameters
    ----------
    kinds, bodies, body_start, body_cells, cell_start, cell_bodies, spheres
        As for, and from, `fill_cells` with a swell of half the cutoff; the grid is as long
        as the box along periodic directions.
    labels : (n,) ndarray of int32
        Number of each body, a permutation; contacts are seen from the lower one.
    cutoff : float
        Largest gap.
    lengths : (3,) ndarray of float
        Box edges.
    periodic : (3,) ndarray of bool
        Periodic directions.
    planar : bool
        Two dimensions.

    Returns
    -------
    pairs : (m, 2) ndarray of int32
        Labels, the lower one first; each pair once, in no particular order.
    images : (m, 3) ndarray of int8
        Image of the second with the smallest gap (the nearest centre where equal).
    contacts : (m, 7) ndarray of float
        Gap; unit normal from the first to the second; contact point from the centre of
        the first.

    """
    n = kinds.size
    stamp = np.full(n, -1, np.int32)
    place = cell_start[:-1].copy()
    near = np.empty(256, np.int32)
    room = 2 * n + n // 4 + 256
    pairs = np.empty((room, 2), np.int32)
    images = np.empty((room, 3), np.int8)
    contacts = np.empty((room, 7))
    used = 0
    # Half the way around, beyond which another image is nearer.
    half, around = np.full(3, math.inf), np.full(3, math.inf, np.float32)
    for k in range(3):
        if periodic[k]:
            half[k], around[k] = 0.5 * lengths[k], lengths[k]
    lx, ly, lz = around[0], around[1], around[2]
    turn_x, turn_y, turn_z = lengths[0], lengths[1], lengths[2]
    shortest = min(half[0], half[1], half[2])
    for i in range(n):
        most = 0
        for e in range(body_start[i], body_start[i + 1]):
            most += cell_start[body_cells[e] + 1] - place[body_cells[e]]
        # Room for all at once: arrays that change in the loops below would slow them.
        if most > near.size:
            near = np.empty(2 * most, np.int32)
        if used + most > room:
            room += room // 2 + most
            pairs = _longer(pairs, room)
            images = _longer(images, room)
            contacts = _longer(contacts, room)
        # Unsigned, as signed indices are tested at each use.
        met = np.uint64(0)
        for e in range(body_start[i], body_start[i + 1]):
            cell = body_cells[e]
            q = np.uint64(place[cell])
            place[cell] += 1
            x, y, z, r = spheres[q, 0], spheres[q, 1], spheres[q, 2], spheres[q, 3]
            for other in range(q + ONE, np.uint64(cell_start[cell + 1])):
                dx, dy = abs(spheres[other, 0] - x), abs(spheres[other, 1] - y)
                dz, far = abs(spheres[other, 2] - z), spheres[other, 3] + r
                # The other way around where that is shorter; `min` would mind NaN.
                ex, ey, ez = lx - dx, ly - dy, lz - dz
                dx, dy, dz = (
                    dx if dx < ex else ex,
                    dy if dy < ey else ey,
                    dz if dz < ez else ez,
                )
                # Written whether it counts or not: a branch that cannot be foretold
                # costs more.
                near[met] = cell_bodies[other]
                met += np.uint64(dx * dx + dy * dy + dz * dz <= far * far)
        stamp[i] = i
        label, disc = labels[i], kinds[i] == DISC
        own_x, own_y, own_z = bodies[i, 0], bodies[i, 1], bodies[i, 2]
        ax, ay, az = bodies[i, 3], bodies[i, 4], bodies[i, 5]
        core, ball, radius = bodies[i, 6], bodies[i, 7], bodies[i, 11]
        for h in range(met):
            j = near[h]
            if stamp[j] == i:
                continue
            stamp[j] = i
            far = radius + bodies[j, 11]
            slack = cutoff + _SLACK * (cutoff + 2.0 * far)
            # Whether no image but the nearest can be within reach.
            alone = far + slack < shortest
            ox, oy, oz = bodies[j, 0] - own_x, bodies[j, 1] - own_y, bodies[j, 2] - own_z
            cx = ox + (-turn_x if ox > half[0] else turn_x if ox < -half[0] else 0.0)
            cy = oy + (-turn_y if oy > half[1] else turn_y if oy < -half[1] else 0.0)
            cz = oz + (-turn_z if oz > half[2] else turn_z if oz < -half[2] else 0.0)
            reach = ball + bodies[j, 7] + slack
            if alone and disc and kinds[j] == DISC:
                # One disc wholly on one side of the other: most end here.
                bx, by, bz = bodies[j, 3], bodies[j, 4], bodies[j, 5]
                m = ax * bx + ay * by + az * bz
                s2 = 1.0 - m * m + _SLACK
                first = abs(cx * ax + cy * ay + cz * az) - reach
                second = abs(cx * bx + cy * by + cz * bz) - reach
                first, second = first * abs(first), second * abs(second)
                other_core = bodies[j, 6]
                if (first > other_core * other_core * s2) | (second > core * core * s2):
                    continue
            a, b = i, j
            if label > labels[j]:
                a, b, cx, cy, cz, ox, oy, oz = j, i, -cx, -cy, -cz, -ox, -oy, -oz
            if alone:
                one, two = np.int64(kinds[a]), np.int64(kinds[b])
                d, px, py, pz, nx, ny, nz = _contact_within(
                    one, bodies[a, 6], bodies[a, 3], bodies[a, 4], bodies[a, 5],
                    two, bodies[b, 6], bodies[b, 3], bodies[b, 4], bodies[b, 5],
                    cx, cy, cz, planar, reach, NO,
                )  # fmt: skip
                gap = d - bodies[a, 7] - bodies[b, 7]
                ix = int(ox < -half[0]) - int(ox > half[0])
                iy = int(oy < -half[1]) - int(oy > half[1])
                iz = int(oz < -half[2]) - int(oz > half[2])
            else:
                ix, iy, iz, gap, nx, ny, nz, px, py, pz = _best_image(
                    kinds, bodies, a, b, cutoff, slack, lengths, periodic, planar
                )
            pairs[used, 0], pairs[used, 1] = labels[a], labels[b]
            images[used, 0], images[used, 1], images[used, 2] = ix, iy, iz
            contacts[used, 0] = gap
            contacts[used, 1], contacts[used, 2], contacts[used, 3] = nx, ny, nz
            contacts[used, 4], contacts[used, 5], contacts[used, 6] = px, py, pz
            used += gap <= cutoff
    return pairs[:used], images[:used], contacts[:used]


@njit(cache=True, nogil=True, error_model="numpy")
def _longer(array, rows):
    """Return a copy of a table with room for more rows."""
    bigger = np.empty((rows, array.shape[1]), array.dtype)
    for e in range(array.shape[0]):
        for k in range(array.shape[1]):
            bigger[e, k] = array[e, k]
    return bigger


@njit(cache=True, nogil=True, error_model="numpy")
def in_order(pairs, images, contacts, centers, moved):
    """Columns of what `pairs_within` found, by first body, then second.

    Parameters
    ----------
    pairs, images, contacts
        From `pairs_within`.
    centers : (n, d) ndarray of float
        Centres of the bodies.
    moved : (n, d) or (0, d) ndarray of int64
        Boxes that each centre was moved before; no rows if none was.

    Returns
    -------
    pairs : (m, 2) ndarray of int32
    gaps : (m,) ndarray of float
    normals : (m, d) ndarray of float
    images : (m, d) ndarray of int16
    points : (m, d) ndarray of float
        Contact points in space.

    """
    m, (n, d) = pairs.shape[0], centers.shape
    # A counting sort by the first, then the few of each in turn by the second.
    start = np.zeros(n + 1, np.int64)
    for e in range(m):
        start[pairs[e, 0] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    rows, place = np.empty(m, np.int32), start[:-1].copy()
    for e in range(m):
        i = pairs[e, 0]
        q = place[i]
        place[i] = q + 1
        while q > start[i] and pairs[rows[q - 1], 1] > pairs[e, 1]:
            rows[q] = rows[q - 1]
            q -= 1
        rows[q] = e
    both, shifts = np.empty((m, 2), np.int32), np.empty((m, d), np.int16)
    gaps, normals, points = np.empty(m), np.empty((m, d)), np.empty((m, d))
    for e in range(m):
        row = rows[e]
        i, j = pairs[row, 0], pairs[row, 1]
        both[e, 0], both[e, 1] = i, j
        gaps[e] = contacts[row, 0]
        for k in range(d):
            shifts[e, k] = images[row, k]
            normals[e, k] = contacts[row, 1 + k]
            points[e, k] = contacts[row, 4 + k] + centers[i, k]
        if moved.shape[0]:
            for k in range(d):
                shifts[e, k] += moved[i, k] - moved[j, k]
    return both, gaps, normals, shifts, points


@njit(cache=True, nogil=True, error_model="numpy")
def first_to_span(pairs, shifts, n, source, sink):
    """Join pairs one after the other until they span.

    Union-find with displacements: each node knows how many boxes away from its root it
    hangs, so a pair that closes a loop around a periodic box shows a shift that does not
    add up to zero.

    Parameters
    ----------
    pairs : (m, 2) ndarray of int64
        Nodes, in the order in which they are joined.
    shifts : (m,) ndarray of int64
        Boxes passed from first to second along the direction looked at.
    n : int
        Number of nodes.
    source, sink : int
        Spanning joins these two; negative: spanning winds around the box.

    Returns
    -------
    int
        Row of the first pair with which they span, m if they do not.

    """
    m = pairs.shape[0]
    parent, shift = np.empty(n, np.int64), np.zeros(n, np.int64)
    for i in range(n):
        parent[i] = i
    for e in range(m):
        root_a, from_a = pairs[e, 0], 0
        while parent[root_a] != root_a:
            # Halve the path on the way up.
            up = parent[root_a]
            shift[root_a] += shift[up]
            parent[root_a] = parent[up]
            from_a += shift[root_a]
            root_a = parent[root_a]
        root_b, from_b = pairs[e, 1], 0
        while parent[root_b] != root_b:
            up = parent[root_b]
            shift[root_b] += shift[up]
            parent[root_b] = parent[up]
            from_b += shift[root_b]
            root_b = parent[root_b]
        if root_a == root_b:
            if source < 0 and from_a + shifts[e] != from_b:
                return e
            continue
        # A node's shift is its box number less its root's.
        parent[root_a] = root_b
        shift[root_a] = from_b - from_a - shifts[e]
        if source >= 0:
            a, b = source, sink
            while parent[a] != a:
                a = parent[a]
            while parent[b] != b:
                b = parent[b]
            if a == b:
                return e
    return m
