"""Compiled search for the pairs of bodies within a cutoff, and their contacts.

Every body, swelled by half the cutoff, is rasterised into cells: discs as slabs, segments
by walking along them, points as balls. Two bodies within the cutoff share a cell, so each
body is tested against the later members of its cells, once each. A large body occupies
many cells but every cell stays short, which keeps the cost flat in the width of the size
distribution, where cells of the largest bounding sphere fill up with small bodies.

`bodies` is an (n, 12) table: centre (wrapped into the box along periodic directions), unit
axis, core size, ball radius, half extents of the swept body along the three directions,
core size plus ball radius. Two dimensions are run with z = 0.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .geometry import DISC, NO, POINT, SEGMENT, _contact_within

__all__ = ["fill_cells", "first_to_span", "morton_keys", "pair_order", "pairs_within"]

# Slack of early rejections, as a share of the sizes; the last word is the exact gap.
_SLACK = 1e-11


@njit(cache=True, nogil=True, error_model="numpy")
def _spread_bits(x):
    """Spread the low 21 bits of x to every third bit."""
    x &= 0x1FFFFF
    x = (x | (x << 32)) & 0x1F00000000FFFF
    x = (x | (x << 16)) & 0x1F0000FF0000FF
    x = (x | (x << 8)) & 0x100F00F00F00F00F
    x = (x | (x << 4)) & 0x10C30C30C30C30C3
    return (x | (x << 2)) & 0x1249249249249249


@njit(cache=True, nogil=True, error_model="numpy")
def morton_keys(centers, origin, edge, n_cells):
    """Place of each centre's cell along a curve that keeps neighbours together.

    Parameters
    ----------
    centers : (n, 3+) ndarray of float
        Centres in the first three columns.
    origin, edge : (3,) ndarray of float
        Low corner of the cells and their edges.
    n_cells : (3,) ndarray of int
        Number of cells along each direction.

    Returns
    -------
    (n,) ndarray of int64

    """
    keys = np.empty(centers.shape[0], np.int64)
    for i in range(centers.shape[0]):
        key = 0
        for k in range(3):
            cell = int((centers[i, k] - origin[k]) / edge[k])
            cell = min(max(cell, 0), n_cells[k] - 1)
            key |= _spread_bits(cell) << k
        keys[i] = key
    return keys


@njit(cache=True, nogil=True, error_model="numpy")
def _wrapped(cell, count, periodic):
    """Index of a cell within the grid."""
    if 0 <= cell < count:
        return cell
    if periodic:
        return cell % count
    return 0 if cell < 0 else count - 1


@njit(cache=True, nogil=True, error_model="numpy")
def fill_cells(kinds, bodies, swell, origin, edge, n_cells, periodic):
    """List the cells that each swelled body reaches, and the bodies of each cell.

    Parameters
    ----------
    kinds : (n,) ndarray of int64
        0 disc, 1 segment, 2 point.
    bodies : (n, 12) ndarray of float
        See the module.
    swell : float
        Length added to every ball radius.
    origin, edge : (3,) ndarray of float
        Low corner of the cells and their edges.
    n_cells : (3,) ndarray of int64
        Number of cells along each direction.
    periodic : (3,) ndarray of bool
        Directions in which cells wrap around; in the others the grid covers every body.

    Returns
    -------
    body_start : (n + 1,) ndarray of int64
    body_cells : ndarray of int32
        Cells of body i at body_start[i]:body_start[i + 1]; a cell may come twice.
    cell_start : (c + 1,) ndarray of int64
    cell_bodies : ndarray of int32
        Bodies of each cell, ascending.

    """
    n = kinds.size
    stride = np.empty(3, np.int64)
    stride[0], stride[1], stride[2] = n_cells[1] * n_cells[2], n_cells[2], 1
    body_start = np.zeros(n + 1, np.int64)
    body_cells = np.empty(8 * n + 64, np.int32)
    used = 0
    lo, hi = np.empty(3, np.int64), np.empty(3, np.int64)
    half = 0.5 * math.sqrt(edge[0] ** 2 + edge[1] ** 2 + edge[2] ** 2)
    for i in range(n):
        kind, size = kinds[i], bodies[i, 6]
        m = bodies[i, 7] + swell
        m += 1e-9 * (m + size)
        major = 0
        for k in range(3):
            reach = bodies[i, 8 + k] - bodies[i, 7] + m
            lo[k] = math.floor((bodies[i, k] - reach - origin[k]) / edge[k])
            hi[k] = math.floor((bodies[i, k] + reach - origin[k]) / edge[k])
            if abs(bodies[i, 3 + k]) > abs(bodies[i, 3 + major]):
                major = k
        for k in range(3):
            if periodic[k] and hi[k] - lo[k] >= n_cells[k]:
                # It reaches around the box: all cells of its bounding box.
                lo[k], hi[k] = 0, n_cells[k] - 1
                kind = -1
        # Cells are visited by layers across u, rows along w in each. A disc's rows run
        # along the major direction of its normal, where its slab is thin; a segment's
        # layers lie across its own major direction.
        w = (major + 2) % 3 if kind == SEGMENT else major
        u, v = (w + 1) % 3, (w + 2) % 3
        cu, cv, cw = bodies[i, u] - origin[u], bodies[i, v] - origin[v], 0.0
        cw = bodies[i, w] - origin[w]
        au, av, aw = bodies[i, 3 + u], bodies[i, 3 + v], bodies[i, 3 + w]
        eu, ev, ew = edge[u], edge[v], edge[w]
        wide = (size + m + half) * (size + m + half)
        b0, b1, c0, c1 = lo[v], hi[v], lo[w], hi[w]
        for a in range(lo[u], hi[u] + 1):
            part_u = _wrapped(a, n_cells[u], periodic[u]) * stride[u]
            du = (a + 0.5) * eu - cu
            if kind == SEGMENT:
                # The box around the stretch of the segment within m of this layer.
                t0, t1 = (du - 0.5 * eu - m) / au, (du + 0.5 * eu + m) / au
                t0, t1 = max(min(t0, t1), -size), min(max(t0, t1), size)
                if t0 > t1:
                    continue
                b0 = math.floor((cv + min(t0 * av, t1 * av) - m) / ev)
                b1 = math.floor((cv + max(t0 * av, t1 * av) + m) / ev)
                c0 = math.floor((cw + min(t0 * aw, t1 * aw) - m) / ew)
                c1 = math.floor((cw + max(t0 * aw, t1 * aw) + m) / ew)
            for b in range(b0, b1 + 1):
                dv = (b + 0.5) * ev - cv
                if kind == DISC:
                    # Where the slab passes the row.
                    mid = cw - (au * du + av * dv) / aw
                    room = (m + 0.5 * (abs(au) * eu + abs(av) * ev)) / abs(aw)
                    c0 = max(math.floor((mid - room) / ew), lo[w])
                    c1 = min(math.floor((mid + room) / ew), hi[w])
                part_v = part_u + _wrapped(b, n_cells[v], periodic[v]) * stride[v]
                if used + c1 - c0 >= body_cells.size:
                    bigger = np.empty(2 * used + c1 - c0 + 64, np.int32)
                    for e in range(used):
                        bigger[e] = body_cells[e]
                    body_cells = bigger
                for c in range(c0, c1 + 1):
                    dw = (c + 0.5) * ew - cw
                    if kind == DISC:
                        t = au * du + av * dv + aw * dw
                        if du * du + dv * dv + dw * dw - t * t > wide:
                            continue
                    elif kind == POINT:
                        ou = max(abs(du) - 0.5 * eu, 0.0)
                        ov = max(abs(dv) - 0.5 * ev, 0.0)
                        ow = max(abs(dw) - 0.5 * ew, 0.0)
                        if ou * ou + ov * ov + ow * ow > m * m:
                            continue
                    body_cells[used] = (
                        part_v + _wrapped(c, n_cells[w], periodic[w]) * stride[w]
                    )
                    used += 1
        body_start[i + 1] = used
    cell_start = np.zeros(n_cells[0] * n_cells[1] * n_cells[2] + 1, np.int64)
    for e in range(used):
        cell_start[body_cells[e] + 1] += 1
    for c in range(cell_start.size - 1):
        cell_start[c + 1] += cell_start[c]
    cell_bodies = np.empty(used, np.int32)
    place = np.empty(cell_start.size, np.int64)
    for c in range(cell_start.size):
        place[c] = cell_start[c]
    for i in range(n):
        for e in range(body_start[i], body_start[i + 1]):
            c = body_cells[e]
            cell_bodies[place[c]] = i
            place[c] += 1
    return body_start, body_cells[:used], cell_start, cell_bodies


@njit(cache=True, nogil=True, error_model="numpy")
def pairs_within(
    kinds,
    bodies,
    labels,
    cutoff,
    body_start,
    body_cells,
    cell_start,
    cell_bodies,
    lengths,
    periodic,
    planar,
):
    """Find the pairs whose gap is within a cutoff, and their contacts.

    Parameters
    ----------
    kinds, bodies, body_start, body_cells, cell_start, cell_bodies
        As for, and from, `fill_cells` with a swell of half the cutoff.
    labels : (n,) ndarray of int64
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
    images : (m, 3) ndarray of int32
        Image of the second with the smallest gap (the nearest centre where equal).
    contacts : (m, 7) ndarray of float
        Gap; unit normal from the first to the second; contact point from the centre of
        the first.

    """
    n = kinds.size
    stamp = np.empty(n, np.int32)
    for i in range(n):
        stamp[i] = -1
    room = 3 * n + 16
    pairs = np.empty((room, 2), np.int32)
    images = np.empty((room, 3), np.int32)
    contacts = np.empty((room, 7))
    used = 0
    first, last = np.zeros(3, np.int64), np.zeros(3, np.int64)
    offset, extent = np.empty(3), np.empty(3)
    more = 1.0 + _SLACK
    for i in range(n):
        x, y, z = bodies[i, 0], bodies[i, 1], bodies[i, 2]
        slack = cutoff + _SLACK * (cutoff + 2.0 * bodies[i, 11])
        ex, ey, ez = bodies[i, 8] + slack, bodies[i, 9] + slack, bodies[i, 10] + slack
        radius = bodies[i, 11] + slack
        for e in range(body_start[i], body_start[i + 1]):
            cell = body_cells[e]
            for q in range(cell_start[cell + 1] - 1, cell_start[cell] - 1, -1):
                j = cell_bodies[q]
                if j <= i:
                    break
                if stamp[j] == i:
                    continue
                stamp[j] = i
                # The nearest image; no other is nearer to the bounding sphere or box.
                dx, dy, dz = (
                    abs(bodies[j, 0] - x),
                    abs(bodies[j, 1] - y),
                    abs(bodies[j, 2] - z),
                )
                if periodic[0]:
                    dx = min(dx, lengths[0] - dx)
                if periodic[1]:
                    dy = min(dy, lengths[1] - dy)
                if periodic[2]:
                    dz = min(dz, lengths[2] - dz)
                far = radius + more * bodies[j, 11]
                if dx * dx + dy * dy + dz * dz > far * far:
                    continue
                extent[0] = ex + more * bodies[j, 8]
                extent[1] = ey + more * bodies[j, 9]
                extent[2] = ez + more * bodies[j, 10]
                if dx > extent[0] or dy > extent[1] or dz > extent[2]:
                    continue

                a, b = i, j
                if labels[a] > labels[b]:
                    a, b = j, i
                # The gap at the nearest centre bounds how far off a smaller gap can be.
                most = math.sqrt(dx * dx + dy * dy + dz * dz) + bodies[a, 6] + bodies[b, 6]
                most += _SLACK * (most + lengths[0] + lengths[1] + lengths[2])
                for k in range(3):
                    offset[k] = bodies[b, k] - bodies[a, k]
                    extent[k] = min(extent[k], most)
                    if periodic[k]:
                        # Every image whose bounding box is near enough.
                        first[k] = math.ceil((-extent[k] - offset[k]) / lengths[k])
                        last[k] = math.floor((extent[k] - offset[k]) / lengths[k])
                reach = bodies[i, 7] + bodies[j, 7] + cutoff
                reach += _SLACK * far
                best = best2 = math.inf
                found = False
                for ix in range(first[0], last[0] + 1):
                    cx = offset[0] + ix * lengths[0]
                    for iy in range(first[1], last[1] + 1):
                        cy = offset[1] + iy * lengths[1]
                        for iz in range(first[2], last[2] + 1):
                            cz = offset[2] + iz * lengths[2]
                            c2 = cx * cx + cy * cy + cz * cz
                            if c2 > far * far:
                                continue
                            d, px, py, pz, nx, ny, nz = _contact_within(
                                kinds[a], bodies[a, 6],
                                bodies[a, 3], bodies[a, 4], bodies[a, 5],
                                kinds[b], bodies[b, 6],
                                bodies[b, 3], bodies[b, 4], bodies[b, 5],
                                cx, cy, cz, planar, reach, NO,
                            )  # fmt: skip
                            if d > best or (d == best and c2 >= best2):
                                continue
                            gap = d - bodies[a, 7] - bodies[b, 7]
                            if gap > cutoff:
                                continue
                            if used == room:
                                room = room + room // 2
                                pairs = _longer(pairs, room)
                                images = _longer(images, room)
                                contacts = _longer(contacts, room)
                            best, best2, found = d, c2, True
                            pairs[used, 0], pairs[used, 1] = labels[a], labels[b]
                            images[used, 0], images[used, 1], images[used, 2] = ix, iy, iz
                            contacts[used, 0] = gap
                            contacts[used, 1] = nx
                            contacts[used, 2] = ny
                            contacts[used, 3] = nz
                            contacts[used, 4] = px
                            contacts[used, 5] = py
                            contacts[used, 6] = pz
                if found:
                    used += 1
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
def pair_order(pairs, n):
    """Order of pairs by first, then second.

    Parameters
    ----------
    pairs : (m, 2) ndarray of int32
        Numbers below n.
    n : int
        Number of bodies.

    Returns
    -------
    (m,) ndarray of int64

    """
    # Counting sorts: by second, then by first.
    m = pairs.shape[0]
    order, before = np.empty(m, np.int64), np.empty(m, np.int64)
    for e in range(m):
        before[e] = e
    for column in (1, 0):
        count = np.zeros(n + 1, np.int64)
        for e in range(m):
            count[pairs[e, column] + 1] += 1
        for i in range(n):
            count[i + 1] += count[i]
        for e in range(m):
            row = before[e]
            a = pairs[row, column]
            order[count[a]] = row
            count[a] += 1
        before, order = order, before
    return before


@njit(cache=True, nogil=True, error_model="numpy")
def in_order(rows, pairs, images, contacts, centers):
    """Columns of what `pairs_within` found, in a given order.

    Parameters
    ----------
    rows : (m,) ndarray of int64
        Order.
    pairs, images, contacts
        From `pairs_within`.
    centers : (n, d) ndarray of float
        Centres of the bodies.

    Returns
    -------
    pairs : (m, 2) ndarray of int64
    gaps : (m,) ndarray of float
    normals : (m, d) ndarray of float
    images : (m, d) ndarray of int64
    points : (m, d) ndarray of float
        Contact points in space.

    """
    m, d = rows.size, centers.shape[1]
    both, shifts = np.empty((m, 2), np.int64), np.empty((m, d), np.int64)
    gaps, normals, points = np.empty(m), np.empty((m, d)), np.empty((m, d))
    for e in range(m):
        row = rows[e]
        first = pairs[row, 0]
        both[e, 0], both[e, 1] = first, pairs[row, 1]
        gaps[e] = contacts[row, 0]
        for k in range(d):
            shifts[e, k] = images[row, k]
            normals[e, k] = contacts[row, 1 + k]
            points[e, k] = contacts[row, 4 + k] + centers[first, k]
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
