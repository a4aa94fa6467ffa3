"""Compiled loops of threshold growth: add bodies one by one until their clusters wrap.

A body is one row of a table, `x, y, z, ax, ay, az, core size, ball radius`, and a kind
(0 flake, 1 rod, 2 sphere); in two dimensions z and az are 0. Bodies are rasterised into the
cells their swept shape reaches, so the work does not depend on the largest body, and two
bodies are compared when they share a cell.

Periodic images are counted in whole boxes, three counts packed into one integer. The
union-find keeps for each body the image of its parent it is joined to; a link that closes a
loop with a non-zero count wraps the box (Newman & Ziff, Phys. Rev. E 64, 016706 (2001)).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from .geometry import cores_within

FIELD = 20
"""Bits of one packed image count."""


@njit(cache=True, nogil=True, error_model="numpy")
def find_root(parent, offset, i):  # type: ignore[no-untyped-def]
    """Root of a body and the image count from the root to the body; halves the path.

    Parameters
    ----------
    parent : (n,) ndarray of int64
        Parent of each body; of a root, minus the size of its cluster.
    offset : (n,) ndarray of int64
        Packed image count of each body relative to its parent.
    i : int
        Body.

    Returns
    -------
    root, total : int
        Root and packed image count of `i` relative to it.

    """
    total = np.int64(0)
    while parent[i] >= 0:
        p = parent[i]
        if parent[p] >= 0:
            offset[i] += offset[p]
            parent[i] = parent[p]
        total += offset[i]
        i = parent[i]
    return i, total


@njit(cache=True, nogil=True, error_model="numpy")
def unite(parent, offset, i, j, image):  # type: ignore[no-untyped-def]
    """Join two bodies; say which loop closed if they were joined before.

    Parameters
    ----------
    parent, offset : (n,) ndarray of int64
        As in `find_root`.
    i, j : int
        Bodies.
    image : int
        Packed image count of the `j` that touches `i`.

    Returns
    -------
    int
        Packed winding of the loop closed, 0 if none or a trivial one.

    """
    root_i, from_i = find_root(parent, offset, i)
    root_j, from_j = find_root(parent, offset, j)
    step = from_i + image - from_j
    if root_i == root_j:
        return step
    if parent[root_i] > parent[root_j]:  # sizes are negative: the larger one stays root
        parent[root_j] += parent[root_i]
        parent[root_i] = root_j
        offset[root_i] = -step
    else:
        parent[root_i] += parent[root_j]
        parent[root_j] = root_i
        offset[root_j] = step
    return np.int64(0)


@njit(cache=True, nogil=True, error_model="numpy")
def mark_wrapped(winding, number, first):  # type: ignore[no-untyped-def]
    """Note the number of bodies at the first loop that winds along each axis.

    Parameters
    ----------
    winding : int
        Packed winding of a loop.
    number : int
        Bodies added so far.
    first : (d,) ndarray of int64
        Number at the first wrapping along each axis, 0 while there is none; updated.

    """
    half = np.int64(1) << (FIELD - 1)
    rest = winding
    for a in range(first.shape[0]):
        count = ((rest + half) & ((np.int64(1) << FIELD) - 1)) - half
        if count != 0 and first[a] == 0:
            first[a] = number
        rest = (rest - count) >> FIELD


@njit(cache=True, nogil=True, error_model="numpy")
def _segments_within(dx, dy, ux, uy, hu, vx, vy, hv, reach):  # type: ignore[no-untyped-def]
    """Whether two plane segments, centre to centre (dx, dy), come within a distance."""
    s = abs(ux * vy - uy * vx)
    if abs(dx * vy - dy * vx) <= hu * s and abs(dx * uy - dy * ux) <= hv * s and s > 0.0:
        return True
    if reach <= 0.0:
        return False
    r2 = reach * reach
    for sign in (-1.0, 1.0):
        # ends of the second against the first, then of the first against the second
        px, py = dx + sign * hv * vx, dy + sign * hv * vy
        t = max(-hu, min(hu, px * ux + py * uy))
        if (px - t * ux) ** 2 + (py - t * uy) ** 2 <= r2:
            return True
        px, py = sign * hu * ux - dx, sign * hu * uy - dy
        t = max(-hv, min(hv, px * vx + py * vy))
        if (px - t * vx) ** 2 + (py - t * vy) ** 2 <= r2:
            return True
    return False


@njit(cache=True, nogil=True, error_model="numpy")
def touching(dimension, kind_i, body_i, kind_j, body_j, dx, dy, dz):  # type: ignore[no-untyped-def]
    """Whether two bodies share a point.

    Parameters
    ----------
    dimension : int
        2 or 3.
    kind_i, kind_j : int
        Kinds.
    body_i, body_j : (8,) ndarray of float64
        Rows of the body table; their positions are not read.
    dx, dy, dz : float
        From the centre of i to the centre of j.

    Returns
    -------
    bool
        Whether the cores are at most the sum of the ball radii apart.

    """
    reach = body_i[7] + body_j[7]
    d2 = dx * dx + dy * dy + dz * dz
    far = reach + body_i[6] + body_j[6]
    if d2 > far * far:
        return False
    if kind_i == 2 and kind_j == 2:
        return True
    if dimension == 2:
        return _segments_within(
            dx, dy, body_i[3], body_i[4], body_i[6], body_j[3], body_j[4], body_j[6], reach
        )
    return cores_within(
        kind_i, body_i[6], body_i[3], body_i[4], body_i[5],
        kind_j, body_j[6], body_j[3], body_j[4], body_j[5],
        dx, dy, dz, reach,
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def grow(  # type: ignore[no-untyped-def]
    dimension,
    kinds,
    bodies,
    start,
    stop,
    size,
    periodic,
    cells,
    parent,
    offset,
    mark,
    heads,
    entries,
    used,
    first,
):
    """Add bodies one by one until a cluster wraps along every periodic axis.

    The arrays hold the whole state, so that growth goes on where it stopped once the caller
    has drawn more bodies or made more room for entries.

    Parameters
    ----------
    dimension : int
        2 or 3.
    kinds : (n,) ndarray of int64
        Kinds of the bodies.
    bodies : (n, 8) ndarray of float64
        Body table, positions within the box, no body longer than two periodic edges.
    start, stop : int
        Bodies to add.
    size : (3,) ndarray of float64
        Edges of the box.
    periodic : (3,) ndarray of int64
        Whether each axis is periodic.
    cells : (3,) ndarray of int64
        Cells along each axis.
    parent, offset, mark : (n,) ndarray of int64
        Union-find as in `find_root`, and the last body each one was compared with; -1, 0
        and -1 at the outset.
    heads : (cells,) ndarray of int64
        First entry of each cell, -1 at the outset.
    entries : (capacity, 2) ndarray of int64
        Next entry of the cell, and body * 128 + image code.
    used : int
        Entries in use.
    first : (d,) ndarray of int64
        Number of bodies at the first wrapping along each axis, 0 while there is none; a
        non-zero entry at the outset is not waited for.

    Returns
    -------
    next, used : int
        First body not added (because all axes wrapped, `stop` was reached or the entries
        are full) and the entries in use.

    """
    nx, ny, nz = cells[0], cells[1], cells[2]
    hx, hy, hz = size[0] / nx, size[1] / ny, size[2] / nz
    half_x, half_y, half_z = 0.5 * hx, 0.5 * hy, 0.5 * hz
    if dimension == 2:
        half_z = 0.0
    for i in range(start, stop):
        waiting = False
        for a in range(first.shape[0]):
            waiting = waiting or first[a] == 0
        if not waiting:
            return i, used
        kind = kinds[i]
        body = bodies[i]
        x, y, z = body[0], body[1], body[2]
        ax, ay, az = body[3], body[4], body[5]
        core, ball = body[6], body[7]
        if kind == 0:
            ex = core * math.sqrt(max(0.0, 1.0 - ax * ax)) + ball
            ey = core * math.sqrt(max(0.0, 1.0 - ay * ay)) + ball
            ez = core * math.sqrt(max(0.0, 1.0 - az * az)) + ball
        else:
            ex = core * abs(ax) + ball
            ey = core * abs(ay) + ball
            ez = core * abs(az) + ball
        # The slack keeps bodies that touch exactly on a cell face in a common cell.
        x0 = math.floor((x - ex) / hx - 1e-9)
        x1 = math.floor((x + ex) / hx + 1e-9)
        y0 = math.floor((y - ey) / hy - 1e-9)
        y1 = math.floor((y + ey) / hy + 1e-9)
        z0 = z1 = 0
        if dimension == 3:
            z0 = math.floor((z - ez) / hz - 1e-9)
            z1 = math.floor((z + ez) / hz + 1e-9)
        if used + (x1 - x0 + 1) * (y1 - y0 + 1) * (z1 - z0 + 1) > entries.shape[0]:
            return i, used
        across = ball + half_x * abs(ax) + half_y * abs(ay) + half_z * abs(az)
        side_x = ball * math.sqrt(ay * ay + az * az) + half_y * abs(az) + half_z * abs(ay)
        side_y = ball * math.sqrt(ax * ax + az * az) + half_x * abs(az) + half_z * abs(ax)
        side_z = ball * math.sqrt(ax * ax + ay * ay) + half_x * abs(ay) + half_y * abs(ax)
        slack = 1.0 + 1e-9
        across, side_x, side_y, side_z = (
            across * slack, side_x * slack, side_y * slack, side_z * slack,
        )  # fmt: skip
        radius2 = (core + ball) * (core + ball) * slack
        for iz in range(z0, z1 + 1):
            cz, wz = iz, 0
            if periodic[2] == 1:
                wz = iz // nz
                cz = iz - wz * nz
            else:
                cz = max(0, min(nz - 1, iz))
            dz = (iz + 0.5) * hz - z if dimension == 3 else 0.0
            gz = max(abs(dz) - half_z, 0.0)
            for iy in range(y0, y1 + 1):
                cy, wy = iy, 0
                if periodic[1] == 1:
                    wy = iy // ny
                    cy = iy - wy * ny
                else:
                    cy = max(0, min(ny - 1, iy))
                dy = (iy + 0.5) * hy - y
                gy = max(abs(dy) - half_y, 0.0)
                for ix in range(x0, x1 + 1):
                    dx = (ix + 0.5) * hx - x
                    # Leave out cells of the bounding block that the body cannot reach.
                    if kind == 1:
                        if (
                            abs(dx * ay - dy * ax) > side_z
                            or abs(dy * az - dz * ay) > side_x
                            or abs(dz * ax - dx * az) > side_y
                        ):
                            continue
                    else:
                        gx = max(abs(dx) - half_x, 0.0)
                        if gx * gx + gy * gy + gz * gz > radius2:
                            continue
                        if kind == 0 and abs(dx * ax + dy * ay + dz * az) > across:
                            continue
                    cx, wx = ix, 0
                    if periodic[0] == 1:
                        wx = ix // nx
                        cx = ix - wx * nx
                    else:
                        cx = max(0, min(nx - 1, ix))
                    cell = (cz * ny + cy) * nx + cx
                    e = heads[cell]
                    while e >= 0:
                        packed = entries[e, 1]
                        e = entries[e, 0]
                        j = packed >> 7
                        code = packed & 127
                        mx = wx - (code % 5 - 2)
                        my = wy - ((code // 5) % 5 - 2)
                        mz = wz - (code // 25 - 2)
                        other = bodies[j]
                        ux = other[0] + mx * size[0] - x
                        uy = other[1] + my * size[1] - y
                        uz = other[2] + mz * size[2] - z
                        far = core + ball + other[6] + other[7]
                        if ux * ux + uy * uy + uz * uz > far * far:
                            continue
                        key = i * 1024 + (mx + 4) + 9 * (my + 4) + 81 * (mz + 4)
                        if mark[j] == key:
                            continue
                        mark[j] = key
                        if touching(dimension, kind, body, kinds[j], other, ux, uy, uz):
                            image = mx + (my << FIELD) + (mz << (2 * FIELD))
                            winding = unite(parent, offset, i, j, image)
                            if winding != 0:
                                mark_wrapped(winding, i + 1, first)
                    entries[used, 0] = heads[cell]
                    entries[used, 1] = i * 128 + (wx + 2) + 5 * (wy + 2) + 25 * (wz + 2)
                    heads[cell] = used
                    used += 1
    return stop, used


@njit(cache=True, nogil=True, error_model="numpy")
def touch_pairs(dimension, kinds_i, bodies_i, kinds_j, bodies_j, steps):  # type: ignore[no-untyped-def]
    """Whether each of many pairs touches at a given step from one centre to the other.

    Parameters
    ----------
    dimension : int
        2 or 3.
    kinds_i, kinds_j : (m,) ndarray of int64
        Kinds.
    bodies_i, bodies_j : (m, 8) ndarray of float64
        Body tables; positions are not read.
    steps : (m, 3) ndarray of float64
        From the centre of i to the centre of j.

    Returns
    -------
    (m,) ndarray of bool
        Whether the two bodies share a point.

    """
    m = steps.shape[0]
    result = np.empty(m, dtype=np.bool_)
    for k in range(m):
        result[k] = touching(
            dimension,
            kinds_i[k],
            bodies_i[k],
            kinds_j[k],
            bodies_j[k],
            steps[k, 0],
            steps[k, 1],
            steps[k, 2],
        )
    return result
