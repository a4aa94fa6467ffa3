"""Compiled table of bodies and the cells they reach, for the search for pairs.

`bodies` is an (n, 12) table: centre (wrapped into the box along periodic directions), unit
axis, core size, ball radius, half extents of the swept body along the three directions,
core size plus ball radius. Two dimensions are run with z = 0.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .geometry import DISC, POINT, SEGMENT

__all__ = ["body_extents", "body_table", "cell_edge", "fill_cells", "morton_order"]

# Cost of listing a body in a cell, in tests of a pair that shares one.
_ENTRY_COST = 10.0
# What rounding to single precision may move, as a share of the largest edge.
_SINGLE = 5e-7


@njit(cache=True, nogil=True, error_model="numpy")
def _length(axis):
    """Length of an axis; 1 for a sphere's, which is not read, so that it stays finite."""
    # the order in which sums over rows of three are made elsewhere
    norm2 = axis[0] * axis[0] + axis[2] * axis[2] + axis[1] * axis[1]
    return math.sqrt(norm2) if norm2 > 0.0 else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def _half_extent(kind, core, ball, own, second, third):
    """Half extent of a swept body along a direction, from the axis along it and across."""
    # A segment reaches its own component, a disc the size of the other two: exact where
    # the normal lies along a direction.
    if kind == DISC:
        return math.sqrt(second * second + third * third) * core + ball
    return abs(own) * core + ball


@njit(cache=True, nogil=True, error_model="numpy")
def body_extents(kinds, centers, axes, core_sizes, ball_radii, along, length):
    """Where bodies reach to, and which of them reach the two faces across a direction.

    Parameters
    ----------
    kinds, centers, axes, core_sizes, ball_radii
        As in `Particles`, in two or three dimensions.
    along : int
        Direction of the faces.
    length : float
        Place of the second face; the first is at 0.

    Returns
    -------
    low, high : (3,) ndarray of float
        Corners of the box around all swept bodies; 0 in a third direction that is none.
    at_low, at_high : (k,) ndarray of int64
        Bodies that reach the faces.

    """
    n, d = centers.shape
    low, high = np.zeros(3), np.zeros(3)
    if n:
        low[:d], high[:d] = math.inf, -math.inf
    at_low, at_high = np.empty(n, np.int64), np.empty(n, np.int64)
    n_low = n_high = 0
    axis = np.zeros(3)
    for i in range(n):
        for k in range(d):
            axis[k] = axes[i, k]
        norm = _length(axis)
        for k in range(d):
            reach = _half_extent(
                kinds[i], core_sizes[i], ball_radii[i],
                axis[k] / norm, axis[(k + 1) % 3] / norm, axis[(k + 2) % 3] / norm,
            )  # fmt: skip
            below, above = centers[i, k] - reach, centers[i, k] + reach
            low[k], high[k] = min(low[k], below), max(high[k], above)
            if k == along:
                # written whether it counts or not: a branch less
                at_low[n_low], at_high[n_high] = i, i
                n_low += below <= 0.0
                n_high += above >= length
    return low, high, at_low[:n_low].copy(), at_high[:n_high].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def cell_edge(kinds, axes, core_sizes, ball_radii, swell, spans, n_max):
    """Edge of the cells that makes the search cheapest, estimated from a sample.

    Parameters
    ----------
    kinds, axes, core_sizes, ball_radii
        As in `Particles`, in two or three dimensions.
    swell : float
        Length added to every ball radius.
    spans : (3,) ndarray of float
        Edges of the box that holds all bodies.
    n_max : int
        Most cells that may be made.

    Returns
    -------
    float

    Notes
    -----
    A convex body swelled to volume V, with areas A_k and widths W_k seen along the three
    directions, reaches on average (V + a sum A_k + a^2 sum W_k + a^3) / a^3 cells of edge
    a at random (mixed volumes with a cube); entries and pairs sharing a cell both cost.

    """
    n, d = axes.shape
    step, rows = max(n // 1000, 1), 0
    width = area = fill = largest = 0.0
    smallest = math.inf
    axis = np.zeros(3)
    for i in range(0, n, step):
        rows += 1
        size, m = core_sizes[i], ball_radii[i] + swell
        for k in range(d):
            axis[k] = axes[i, k]
        widest = 0.0
        for k in range(d):
            own = 2.0 * _half_extent(
                kinds[i], size, m, axis[k], axis[(k + 1) % 3], axis[(k + 2) % 3]
            )
            width += own
            widest = max(widest, own)
            if d == 3:
                lean = min(abs(axis[k]), 1.0)
                level = math.sqrt(1.0 - lean * lean)
                area += math.pi * m * m
                if kinds[i] == DISC:
                    area += math.pi * size * size * lean + 4.0 * size * m * level
                elif kinds[i] == SEGMENT:
                    area += 4.0 * size * m * level
        if d == 2:
            fill += 4.0 * size * m + math.pi * m * m
        else:
            fill += 4.0 / 3.0 * math.pi * m * m * m
            if kinds[i] == DISC:
                fill += 2.0 * math.pi * size * size * m + math.pi**2 * size * m * m
            elif kinds[i] == SEGMENT:
                fill += 2.0 * math.pi * size * m * m
        smallest, largest = min(smallest, widest), max(largest, widest)
    width, area, fill = width / rows, area / rows, fill / rows
    volume = spans[0] * spans[1] * (spans[2] if d == 3 else 1.0)
    if largest == 0.0:
        return (volume / n) ** (1.0 / d)
    least = 0.3 * max(smallest, 1e-4 * largest)
    ratio = (1.2 * largest / least) ** (1.0 / 39.0)
    best, cheapest = largest, math.inf
    a = least
    for _ in range(40):
        grid = max(volume / a**d, 1.0)
        entries = n * (1.0 + width / a + area / (a * a) + fill / a**d)
        cost = _ENTRY_COST * entries + 0.5 * entries * entries / grid
        if grid <= n_max and cost < cheapest:
            best, cheapest = a, cost
        a *= ratio
    return best


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
def morton_order(centers, origin, edge, n_cells, periodic):
    """Order of bodies along a curve through the cells that keeps neighbours together.

    Parameters
    ----------
    centers : (n, d) ndarray of float
        Centres, in the box or not.
    origin, edge : (3,) ndarray of float
        Low corner of the cells and their edges.
    n_cells : (3,) ndarray of int
        Number of cells along each direction.
    periodic : (3,) ndarray of bool
        Directions in which centres are wrapped into the grid.

    Returns
    -------
    (n,) ndarray of int32
        Bits of the three cell numbers in turn decide; equal ones in ascending order.

    """
    n, d = centers.shape
    keys, rows = np.empty(n, np.int64), np.empty(n, np.int32)
    largest = 0
    for i in range(n):
        key = 0
        for k in range(d):
            span = edge[k] * n_cells[k]
            x = centers[i, k] - origin[k]
            if periodic[k]:
                x -= math.floor(x / span) * span
            cell = min(max(int(x / edge[k]), 0), n_cells[k] - 1)
            key |= _spread_bits(cell) << k
        keys[i], rows[i] = key, i
        largest = max(largest, key)
    # Counting sorts from the lowest digits up.
    more_keys, more_rows = np.empty(n, np.int64), np.empty(n, np.int32)
    count = np.empty(2049, np.int64)
    shift = 0
    while largest >> shift:
        for c in range(2049):
            count[c] = 0
        for i in range(n):
            count[((keys[i] >> shift) & 2047) + 1] += 1
        for c in range(2048):
            count[c + 1] += count[c]
        for i in range(n):
            digit = (keys[i] >> shift) & 2047
            place = count[digit]
            count[digit] = place + 1
            more_keys[place], more_rows[place] = keys[i], rows[i]
        keys, more_keys = more_keys, keys
        rows, more_rows = more_rows, rows
        shift += 11
    return rows


@njit(cache=True, nogil=True, error_model="numpy")
def body_table(order, kinds, centers, axes, core_sizes, ball_radii, lengths, periodic):
    """Table of bodies in an order, and how many boxes their centres were moved.

    Parameters
    ----------
    order : (n,) ndarray of int32
        Body of each row.
    kinds, centers, axes, core_sizes, ball_radii
        As in `Particles`, in two or three dimensions.
    lengths : (3,) ndarray of float
        Box edges.
    periodic : (3,) ndarray of bool
        Directions in which centres are moved into the box.

    Returns
    -------
    own : (n,) ndarray of int8
        Kinds in the order.
    bodies : (n, 12) ndarray of float
        See the module.
    moved : (n, d) or (0, d) ndarray of int64
        Boxes that each body was moved, by its number; no rows if none was.

    """
    n, d = centers.shape
    bodies, own, axis = np.zeros((n, 12)), np.empty(n, np.int8), np.zeros(3)
    moved = np.zeros((0, d), np.int64)
    for row in range(n):
        i = order[row]
        own[row] = kinds[i]
        for k in range(d):
            x = centers[i, k]
            if periodic[k]:
                boxes = math.floor(x / lengths[k])
                if boxes != 0.0:
                    if moved.shape[0] == 0:
                        moved = np.zeros((n, d), np.int64)
                    moved[i, k] = int(boxes)
                    x -= boxes * lengths[k]
            bodies[row, k] = x
            axis[k] = axes[i, k]
        norm = _length(axis)
        for k in range(d):
            bodies[row, 3 + k] = axis[k] / norm
        core, ball = core_sizes[i], ball_radii[i]
        bodies[row, 6], bodies[row, 7], bodies[row, 11] = core, ball, core + ball
        for k in range(3):
            bodies[row, 8 + k] = _half_extent(
                kinds[i], core, ball, bodies[row, 3 + k],
                bodies[row, 3 + (k + 1) % 3], bodies[row, 3 + (k + 2) % 3],
            )  # fmt: skip
    return own, bodies, moved


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
    kinds : (n,) ndarray of int8
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
    spheres : (e, 4) ndarray of float32
        Centre, from the low corner of the grid, and radius of a sphere around each of
        `cell_bodies`, swelled by that and by what rounding may move.

    """
    n = kinds.size
    stride = np.empty(3, np.int64)
    stride[0], stride[1], stride[2] = n_cells[1] * n_cells[2], n_cells[2], 1
    body_start = np.zeros(n + 1, np.int64)
    body_cells = np.empty(8 * n + 64, np.int32)
    used = 0
    lo, hi = np.empty(3, np.int64), np.empty(3, np.int64)
    per_cell = 1.0 / edge
    half = 0.5 * math.sqrt(edge[0] ** 2 + edge[1] ** 2 + edge[2] ** 2)
    for i in range(n):
        kind, size = kinds[i], bodies[i, 6]
        m = bodies[i, 7] + swell
        m += 1e-9 * (m + size)
        major = 0
        for k in range(3):
            reach = bodies[i, 8 + k] - bodies[i, 7] + m
            lo[k] = math.floor((bodies[i, k] - reach - origin[k]) * per_cell[k])
            hi[k] = math.floor((bodies[i, k] + reach - origin[k]) * per_cell[k])
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
        rise_u = rise_v = room = 0.0
        if kind == DISC:
            # How the slab rises along a row's neighbours, and how thick it is along a row.
            rise_u, rise_v = au / aw, av / aw
            room = (m + 0.5 * (abs(au) * eu + abs(av) * ev)) / abs(aw)
        per_row = per_cell[w]
        wide = (size + m + half) * (size + m + half)
        b0, b1, c0, c1 = lo[v], hi[v], lo[w], hi[w]
        least, most = c0, c1
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
                    mid = cw - (rise_u * du + rise_v * dv)
                    c0 = max(math.floor((mid - room) * per_row), least)
                    c1 = min(math.floor((mid + room) * per_row), most)
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
    cell_bodies, spheres = np.empty(used, np.int32), np.empty((used, 4), np.float32)
    whole = max(edge[0] * n_cells[0], edge[1] * n_cells[1], edge[2] * n_cells[2])
    place = cell_start[:-1].copy()
    for i in range(n):
        x, y, z = (
            bodies[i, 0] - origin[0],
            bodies[i, 1] - origin[1],
            bodies[i, 2] - origin[2],
        )
        radius = (bodies[i, 11] + swell) * (1.0 + _SINGLE) + _SINGLE * whole
        for e in range(body_start[i], body_start[i + 1]):
            c = body_cells[e]
            q = place[c]
            place[c] = q + 1
            cell_bodies[q] = i
            spheres[q, 0], spheres[q, 1], spheres[q, 2] = x, y, z
            spheres[q, 3] = radius
    return body_start, body_cells[:used], cell_start, cell_bodies, spheres
