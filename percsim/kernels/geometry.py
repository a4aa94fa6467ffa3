r"""Compiled geometry of cores: discs, segments and points.

A body is a core swept by a ball, so everything about contact follows from the cores. Two
functions are meant for other kernels; both take scalars, allocate nothing and never raise:

``core_contact(kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, planar)``
    returns ``(distance, px, py, pz, nx, ny, nz)``: distance of the cores (0 if they
    cross), contact point from the centre of i, unit normal from i to j.
``cores_within(kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, reach)``
    returns whether the distance is <= reach; cheaper.

`kind` is an int64: 0 disc, 1 segment, 2 point; `size` the disc radius or half length, 0 for
a point; `a`, `b` the unit axes of i and j (disc normal, segment direction; not read for
points); `c` the centre of j minus the centre of i. Two dimensions are run with z = 0 and
`planar` true, which keeps normals in the plane.

Contact point: the mid-point between the closest points of the two cores (of the closest
stretch where parallel cores leave a choice); where cores cross, the mid-point of the
stretch they share. The closest core points are ``p - n distance / 2`` and
``p + n distance / 2``. Normal: along the closest points; where cores cross, the direction
of least penetration, the one along which the shortest translation parts them: for
discs among the two disc normals and the line of their planes, for a segment through a disc
among the disc normal and the outward direction at the nearest rim point, for crossing
segments the direction across both (in the plane: across either). Always
``n . c >= 0``.

Two discs that neither cross nor meet face to rim are solved rim to rim: the squared
distance of a point of the smaller rim from the larger disc is minimised by Newton steps.
The distance from a convex body is convex, so its gradient bounds how far any point lies
above the minimum (the gap of Frank and Wolfe, 1956); that bound stops the search, proves
the answer, and rejects a pair early once it cannot be within reach.
"""

# mypy: allow-untyped-defs

from __future__ import annotations

import math

import numpy as np
from numba import njit

DISC, SEGMENT, POINT = 0, 1, 2

# A literal True or False given to a kernel compiles it once for each.
YES, NO = np.bool_(True), np.bool_(False)

# Tilt below which discs and segments are taken as parallel: moves nothing by more than
# this share of its size.
_PARALLEL = 1e-11
# Proven error of a rim-to-rim distance, as a share of the sizes.
_PROOF = 1e-13
# Distance below which closest points no longer give a direction, as a share of the sizes.
_CROSS = 1e-13


@njit(cache=True, nogil=True, error_model="numpy")
def _across(ux, uy, uz):
    """Return a unit vector across u, in the x-y plane unless u is nearly along z."""
    q = ux * ux + uy * uy
    if q > 1e-4:
        q = math.sqrt(q)
        return -uy / q, ux / q, 0.0
    q = math.sqrt(uy * uy + uz * uz)
    if q == 0.0:
        return 1.0, 0.0, 0.0
    return 0.0, -uz / q, uy / q


@njit(cache=True, nogil=True, error_model="numpy")
def _point_point(cx, cy, cz):
    d = math.sqrt(cx * cx + cy * cy + cz * cz)
    if d == 0.0:
        return 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0
    return d, 0.5 * cx, 0.5 * cy, 0.5 * cz, cx / d, cy / d, cz / d


@njit(cache=True, nogil=True, error_model="numpy")
def _segment_point(h, ux, uy, uz, cx, cy, cz):
    t = cx * ux + cy * uy + cz * uz
    t = min(max(t, -h), h)
    px, py, pz = t * ux, t * uy, t * uz
    vx, vy, vz = cx - px, cy - py, cz - pz
    d = math.sqrt(vx * vx + vy * vy + vz * vz)
    if d <= _CROSS * h:
        nx, ny, nz = _across(ux, uy, uz)
        return 0.0, px, py, pz, nx, ny, nz
    return d, px + 0.5 * vx, py + 0.5 * vy, pz + 0.5 * vz, vx / d, vy / d, vz / d


@njit(cache=True, nogil=True, error_model="numpy")
def _disc_point(r, nx, ny, nz, cx, cy, cz):
    z = cx * nx + cy * ny + cz * nz
    fx, fy, fz = cx - z * nx, cy - z * ny, cz - z * nz
    rho = math.sqrt(fx * fx + fy * fy + fz * fz)
    sign = 1.0 if z >= 0.0 else -1.0
    if rho <= r:
        px, py, pz = fx + 0.5 * z * nx, fy + 0.5 * z * ny, fz + 0.5 * z * nz
        return abs(z), px, py, pz, sign * nx, sign * ny, sign * nz
    q = r / rho
    px, py, pz = q * fx, q * fy, q * fz
    vx, vy, vz = cx - px, cy - py, cz - pz
    d = math.sqrt(vx * vx + vy * vy + vz * vz)
    if d <= _CROSS * r:
        return 0.0, px, py, pz, sign * nx, sign * ny, sign * nz
    return d, px + 0.5 * vx, py + 0.5 * vy, pz + 0.5 * vz, vx / d, vy / d, vz / d


@njit(cache=True, nogil=True, error_model="numpy")
def _segment_segment(h1, ux, uy, uz, h2, vx, vy, vz, cx, cy, cz, planar):
    m = ux * vx + uy * vy + uz * vz
    wx, wy, wz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
    s2 = wx * wx + wy * wy + wz * wz
    s = math.sqrt(s2)
    # Offset across the first segment: keeps the solution accurate for small tilts. Twice,
    # so that a small offset is still across.
    tau = cx * ux + cy * uy + cz * uz
    ox, oy, oz = cx - tau * ux, cy - tau * uy, cz - tau * uz
    q = ox * ux + oy * uy + oz * uz
    ox, oy, oz = ox - q * ux, oy - q * uy, oz - q * uz
    if s > _PARALLEL:
        qx, qy, qz = vx - m * ux, vy - m * uy, vz - m * uz
        t2 = -(ox * qx + oy * qy + oz * qz) / s2
        t1 = tau + m * t2
        if abs(t2) <= h2 and abs(t1) <= h1:
            px, py, pz = t1 * ux, t1 * uy, t1 * uz
            if planar:
                # Sticks that cross: least penetration across either of them.
                ax, ay = -uy, ux
                bx, by = -vy, vx
                first = cx * ax + cy * ay
                second = cx * bx + cy * by
                if h2 * s - abs(first) <= h1 * s - abs(second):
                    if first < 0.0:
                        ax, ay = -ax, -ay
                    return 0.0, px, py, 0.0, ax, ay, 0.0
                if second < 0.0:
                    bx, by = -bx, -by
                return 0.0, px, py, 0.0, bx, by, 0.0
            d = (ox * wx + oy * wy + oz * wz) / s
            wx, wy, wz = wx / s, wy / s, wz / s
            if cx * wx + cy * wy + cz * wz < 0.0:
                wx, wy, wz = -wx, -wy, -wz
            d = abs(d)
            q = 0.5 * d
            return d, px + q * wx, py + q * wy, pz + q * wz, wx, wy, wz
    else:
        lo = max(-h1, tau - h2)
        hi = min(h1, tau + h2)
        if lo <= hi:
            t = 0.5 * (lo + hi)
            px, py, pz = t * ux + 0.5 * ox, t * uy + 0.5 * oy, t * uz + 0.5 * oz
            d = math.sqrt(ox * ox + oy * oy + oz * oz)
            if d <= _CROSS * (h1 + h2):
                nx, ny, nz = _across(ux, uy, uz)
                return 0.0, px, py, pz, nx, ny, nz
            return d, px, py, pz, ox / d, oy / d, oz / d
    # An end of one is closest: take the best of the four.
    best = math.inf
    px = py = pz = qx = qy = qz = 0.0
    for end in (-1.0, 1.0):
        ex, ey, ez = cx + end * h2 * vx, cy + end * h2 * vy, cz + end * h2 * vz
        t = min(max(ex * ux + ey * uy + ez * uz, -h1), h1)
        fx, fy, fz = ex - t * ux, ey - t * uy, ez - t * uz
        d = fx * fx + fy * fy + fz * fz
        if d < best:
            best = d
            px, py, pz = t * ux, t * uy, t * uz
            qx, qy, qz = fx, fy, fz
        ex, ey, ez = end * h1 * ux - cx, end * h1 * uy - cy, end * h1 * uz - cz
        t = min(max(ex * vx + ey * vy + ez * vz, -h2), h2)
        fx, fy, fz = t * vx - ex, t * vy - ey, t * vz - ez
        d = fx * fx + fy * fy + fz * fz
        if d < best:
            best = d
            px, py, pz = end * h1 * ux, end * h1 * uy, end * h1 * uz
            qx, qy, qz = fx, fy, fz
    d = math.sqrt(best)
    px, py, pz = px + 0.5 * qx, py + 0.5 * qy, pz + 0.5 * qz
    if d > _CROSS * (h1 + h2):
        return d, px, py, pz, qx / d, qy / d, qz / d
    # An end that lies on the other segment.
    if s <= _PARALLEL:
        nx, ny, nz = _across(ux, uy, uz)
    elif planar:
        first = -cx * uy + cy * ux
        second = -cx * vy + cy * vx
        nx, ny, nz = -uy, ux, 0.0
        if h2 * s - abs(first) > h1 * s - abs(second):
            nx, ny = -vy, vx
    else:
        nx, ny, nz = wx / s, wy / s, wz / s
    if cx * nx + cy * ny + cz * nz < 0.0:
        nx, ny, nz = -nx, -ny, -nz
    return 0.0, px, py, pz, nx, ny, nz


@njit(cache=True, nogil=True, error_model="numpy")
def _disc_segment(r, nx, ny, nz, h, ux, uy, uz, cx, cy, cz, reach, quick):
    """Disc at the origin and segment at c; `reach` and `quick` as for `_disc_disc`."""
    # Frame: n with the segment's centre above; e along the segment's shadow; y across it
    # with the centre on the positive side. The segment is (x0 + sp t, y0, z0 + a t).
    z0 = cx * nx + cy * ny + cz * nz
    if z0 < 0.0:
        z0, nx, ny, nz = -z0, -nx, -ny, -nz
    a = ux * nx + uy * ny + uz * nz
    if z0 - h * abs(a) > reach:
        return z0 - h * abs(a), 0.0, 0.0, 0.0, nx, ny, nz
    ex, ey, ez = ux - a * nx, uy - a * ny, uz - a * nz
    sp = math.sqrt(ex * ex + ey * ey + ez * ez)
    if sp <= 1e-13:
        ex, ey, ez = cx - z0 * nx, cy - z0 * ny, cz - z0 * nz
        q = math.sqrt(ex * ex + ey * ey + ez * ez)
        if q > 0.0:
            ex, ey, ez = ex / q, ey / q, ez / q
        else:
            ex, ey, ez = _across(nx, ny, nz)
    else:
        ex, ey, ez = ex / sp, ey / sp, ez / sp
        q = ex * nx + ey * ny + ez * nz
        ex, ey, ez = ex - q * nx, ey - q * ny, ez - q * nz
        q = 1.0 / math.sqrt(ex * ex + ey * ey + ez * ez)
        ex, ey, ez = q * ex, q * ey, q * ez
    fx, fy, fz = ny * ez - nz * ey, nz * ex - nx * ez, nx * ey - ny * ex
    x0 = cx * ex + cy * ey + cz * ez
    y = cx * fx + cy * fy + cz * fz
    if y < 0.0:
        y, fx, fy, fz = -y, -fx, -fy, -fz
    if y - r > reach:
        return y - r, 0.0, 0.0, 0.0, fx, fy, fz

    # d: distance; (px, py, pz): contact; (gx, gy, gz): normal, all in this frame.
    done = False
    d = px = pz = gx = gy = 0.0
    py, gz = y, 1.0
    lo, hi = -h, h
    if abs(a) <= _PARALLEL:
        # Level with the disc: any point of the stretch above it is closest.
        if y <= r:
            half = math.sqrt(r * r - y * y)
            lo = max((-half - x0) / sp, -h)
            hi = min((half - x0) / sp, h)
            if lo <= hi:
                d = z0
                px, pz = x0 + 0.5 * (lo + hi) * sp, 0.5 * z0
                done = True
        if not done:
            lo = hi = min(max(-x0 / sp, -h), h)
    else:
        # The point nearest to the plane, if it lies over the disc; t: where it is.
        t = min(max(-z0 / a, -h), h)
        x = x0 + sp * t
        rho = math.sqrt(x * x + y * y)
        if rho <= r:
            done = True
            px = x
            if z0 > h * abs(a):
                d = z0 - h * abs(a)
                pz = 0.5 * d
            else:
                # Through the disc: out along the normal, or out over the rim.
                kx, ky = 0.0, 1.0
                if rho > 0.0:
                    kx, ky = x / rho, y / rho
                q = math.sqrt(a * a + kx * kx * sp * sp)
                if (r - rho) * abs(a) < (h * abs(a) - z0) * q:
                    q = math.copysign(q, a)
                    gx, gy, gz = kx * a / q, ky * a / q, -kx * sp / q
        else:
            # Between the point nearest to the plane and the point nearest to the axis,
            # or where the shadow enters the disc.
            lo = hi = t
            if sp > 0.0:
                half = math.sqrt(max(r * r - y * y, 0.0))
                t = (-half if x < 0.0 else half) - x0
                t = min(max(t / sp, -h), h)
                lo, hi = min(lo, t), max(hi, t)
    if not done:
        # Convex in t: Newton kept inside a bracket whose ends are tried first when it leads
        # there. After a small step the next point is exact.
        t = 0.5 * (lo + hi)
        small = lo_tried = hi_tried = False
        for _ in range(80):
            x, z = x0 + sp * t, z0 + a * t
            rho = math.sqrt(x * x + y * y)
            e = max(rho - r, 0.0)
            d = math.sqrt(z * z + e * e)
            if small or d == 0.0 or (quick and d <= reach):
                break
            slope, curve = z * a, a * a
            if e > 0.0:
                dr = x * sp / rho
                slope += e * dr
                curve += dr * dr + e * (sp * sp - dr * dr) / rho
            if slope > 0.0:
                hi, hi_tried = t, True
                room = t - lo
            else:
                lo, lo_tried = t, True
                room = hi - t
            # By convexity nothing is closer than this.
            least = d - room * abs(slope) / d
            if least > reach:
                return least, 0.0, 0.0, 0.0, nx, ny, nz
            if room <= 2e-16 * (r + h):
                break
            step = slope / curve
            t -= step
            small = abs(step) <= 1e-9 * (r + h)
            if not lo <= t <= hi:
                low = t < lo
                t = 0.5 * (lo + hi)
                small = False
                if low and not lo_tried:
                    t = lo
                elif not low and not hi_tried:
                    t = hi
        q = 1.0 if rho <= r else r / rho
        px, py, pz = q * x, q * y, 0.0
        vx, vy, vz = x - px, y - py, z
        if d > _CROSS * (r + h):
            q = 1.0 / math.sqrt(vx * vx + vy * vy + vz * vz)
            gx, gy, gz = q * vx, q * vy, q * vz
        else:
            # Just touching: across the rim and the segment.
            gx, gy, gz = x * a, y * a, -x * sp
            q = math.sqrt(gx * gx + gy * gy + gz * gz)
            if q > 1e-3 * rho:
                gx, gy, gz = gx / q, gy / q, gz / q
            else:
                gx, gy, gz = 0.0, 0.0, 1.0
            d = 0.0
        px, py, pz = px + 0.5 * vx, py + 0.5 * vy, pz + 0.5 * vz
    ox = gx * ex + gy * fx + gz * nx
    oy = gx * ey + gy * fy + gz * ny
    oz = gx * ez + gy * fz + gz * nz
    if ox * cx + oy * cy + oz * cz < 0.0:
        ox, oy, oz = -ox, -oy, -oz
    return (
        d,
        px * ex + py * fx + pz * nx,
        px * ey + py * fy + pz * ny,
        px * ez + py * fz + pz * nz,
        ox,
        oy,
        oz,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _rim_terms(r1, r2, m, s, x0, y0, z0, ct, st):
    """Half squared distance of a rim point of disc 2 from disc 1, with its derivatives.

    Returns the distance, slope and curvature of half its square along the rim, the
    curvature's part that is never negative, and the slope outward in the plane of disc 2.
    """
    x, y, z = x0 + m * r2 * ct, y0 + r2 * st, z0 - s * r2 * ct
    rho = math.sqrt(x * x + y * y)
    dz, ddz = s * r2 * st, s * r2 * ct
    slope = z * dz
    sure = dz * dz
    curve = sure + z * ddz
    out = -z * s * ct
    e = rho - r1
    if e <= 0.0:
        return abs(z), slope, curve, sure, out
    dx, dy = -m * r2 * st, r2 * ct
    drho = (x * dx + y * dy) / rho
    ddrho = (dx * dx + dy * dy - x * m * r2 * ct - y * r2 * st - drho * drho) / rho
    slope += e * drho
    sure += drho * drho
    curve += drho * drho + e * ddrho
    out += e * (x * m * ct + y * st) / rho
    return math.sqrt(z * z + e * e), slope, curve, sure, out


@njit(cache=True, nogil=True, error_model="numpy")
def _rim_descend(r1, r2, m, s, x0, y0, z0, ct, st, reach, quick):
    """Newton along the rim from (ct, st); returns distance, proven excess, and where."""
    size = r1 + r2
    d = excess = math.inf
    step = 0.0
    for _ in range(200):
        # The trial: the best point so far turned by a step (tangent half-angle formula).
        t = 0.5 * step
        q = 1.0 / (1.0 + t * t)
        cd, sd = (1.0 - t * t) * q, 2.0 * t * q
        c2, s2 = ct * cd - st * sd, st * cd + ct * sd
        d2, slope, curve, sure, out = _rim_terms(r1, r2, m, s, x0, y0, z0, c2, s2)
        # Rounding must not stop the last steps, which only the slope can still see.
        if d2 > d + 1e-15 * size:
            step *= 0.4
            if abs(step) <= 1e-16:
                break
            continue
        d, ct, st = d2, c2, s2
        if d <= _PROOF * size:
            return d, 0.0, ct, st
        # By convexity nothing on disc 2 is closer than d by more than this.
        gt, gr = slope / d, out * r2 / d
        g = math.sqrt(gt * gt + gr * gr)
        excess = g + gr if gr > 0.0 else gt * gt / (g - gr) if g > 0.0 else 0.0
        if d - excess > reach or (quick and d <= reach) or abs(gt) <= 1e-15 * size:
            break
        if curve <= 0.1 * sure:
            curve = sure + abs(curve)
        step = -slope / curve
        if abs(step) <= 1e-15 or (abs(step) <= 1e-9 and excess <= _PROOF * size):
            break
        if abs(step) > 1.0:
            step = math.copysign(1.0, step)
    return d, excess, ct, st


@njit(cache=True, nogil=True, error_model="numpy")
def _rim_search(r1, r2, m, s, x0, y0, z0, reach, quick):
    """Distance of two discs whose closest points lie on both rims, and where on rim 2."""
    # From the rim point that faces the point of disc 1 nearest to the centre of disc 2;
    # should that end in a hollow without proof, from rings of 8 and 64 points.
    rho = math.sqrt(x0 * x0 + y0 * y0)
    q = 0.0 if rho <= r1 else r1 / rho - 1.0
    ct, st = m * q * x0 + s * z0, q * y0
    q = math.sqrt(ct * ct + st * st)
    if q > 1e-12 * (r1 + r2):
        ct, st = ct / q, st / q
    else:
        ct, st = 1.0, 0.0
    best, best_c, best_s = math.inf, ct, st
    for k in range(73):
        d, excess, ct, st = _rim_descend(r1, r2, m, s, x0, y0, z0, ct, st, reach, quick)
        if d < best:
            best, best_c, best_s = d, ct, st
        if d - excess > reach:
            return d - excess, ct, st
        if excess <= 100.0 * _PROOF * (r1 + r2) or (quick and d <= reach):
            break
        angle = 2.0 * math.pi * (k / 8.0 if k < 8 else (k - 8) / 64.0)
        ct, st = math.cos(angle), math.sin(angle)
    return best, best_c, best_s


@njit(cache=True, nogil=True, error_model="numpy")
def _disc_disc(r1, ax, ay, az, r2, bx, by, bz, cx, cy, cz, reach, quick):
    """Discs at the origin and at c, r1 >= r2.

    A distance > reach may be a lower bound only; with `quick` a distance <= reach may be
    an upper bound only, and contact and normal are then not meant.
    """
    z0 = cx * ax + cy * ay + cz * az
    z2 = cx * bx + cy * by + cz * bz
    wx, wy, wz = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    s2 = wx * wx + wy * wy + wz * wz
    s = math.sqrt(s2)
    far = max(abs(z0) - r2 * s, abs(z2) - r1 * s)
    if far > reach:
        return far, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if s <= _PARALLEL:
        fx, fy, fz = cx - z0 * ax, cy - z0 * ay, cz - z0 * az
        rho = math.sqrt(fx * fx + fy * fy + fz * fz)
        if rho > 0.0:
            fx, fy, fz = fx / rho, fy / rho, fz / rho
        over = rho - r1 - r2
        sign = 1.0 if z0 >= 0.0 else -1.0
        if over <= 0.0:
            # The middle of the lens where one lies over the other.
            t = 0.5 * (max(-r1, rho - r2) + min(r1, rho + r2))
            z = 0.5 * z0
            px, py, pz = t * fx + z * ax, t * fy + z * ay, t * fz + z * az
            return abs(z0), px, py, pz, sign * ax, sign * ay, sign * az
        d = math.sqrt(z0 * z0 + over * over)
        vx, vy, vz = z0 * ax + over * fx, z0 * ay + over * fy, z0 * az + over * fz
        px, py, pz = r1 * fx + 0.5 * vx, r1 * fy + 0.5 * vy, r1 * fz + 0.5 * vz
        if d <= _CROSS * (r1 + r2):
            return 0.0, px, py, pz, sign * ax, sign * ay, sign * az
        return d, px, py, pz, vx / d, vy / d, vz / d

    # Frame of disc 1: f along the line of the planes, e = f x a, a. The signs are turned
    # so that m = a.b >= 0, z0 >= 0 and y0 >= 0; the in-plane directions of disc 2 are then
    # (m, 0, -s) and f, its normal (s, 0, m). f is noise along a when s is small: clear it.
    m = ax * bx + ay * by + az * bz
    if m < 0.0:
        m, wx, wy, wz, z2 = -m, -wx, -wy, -wz, -z2
    q = (wx * ax + wy * ay + wz * az) / s
    fx, fy, fz = wx / s - q * ax, wy / s - q * ay, wz / s - q * az
    q = 1.0 / math.sqrt(fx * fx + fy * fy + fz * fz)
    fx, fy, fz = q * fx, q * fy, q * fz
    y0 = cx * fx + cy * fy + cz * fz
    if abs(y0) - r1 - r2 > reach:
        return abs(y0) - r1 - r2, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    ex, ey, ez = fy * az - fz * ay, fz * ax - fx * az, fx * ay - fy * ax
    if z0 < 0.0:
        z0, z2 = -z0, -z2
        ax, ay, az, ex, ey, ez = -ax, -ay, -az, -ex, -ey, -ez
    if y0 < 0.0:
        y0, fx, fy, fz = -y0, -fx, -fy, -fz
    x0 = cx * ex + cy * ey + cz * ez

    # d: distance; (px, py, pz): contact; (gx, gy, gz): normal, all in this frame.
    d = px = py = pz = gx = gy = gz = 0.0
    done = False
    high1 = z0 > r2 * s  # disc 2 wholly above plane 1
    high2 = abs(z2) > r1 * s  # disc 1 wholly on one side of plane 2
    if not high1 and not high2:
        x = z2 / s
        half1 = math.sqrt(max(r1 * r1 - x * x, 0.0))
        half2 = math.sqrt(max(r2 * r2 - (z0 / s) * (z0 / s), 0.0))
        if y0 <= half1 + half2:
            done = True
            px, py = x, 0.5 * (max(-half1, y0 - half2) + min(half1, y0 + half2))
            least = r2 * s - z0
            gz = 1.0
            if r1 * s - abs(z2) < least:
                least = r1 * s - abs(z2)
                q = math.copysign(1.0, z2)
                gx, gz = q * s, q * m
            if half1 + half2 - y0 < least:
                gx, gy, gz = 0.0, 1.0, 0.0
    if not done and high1:
        x = x0 + m * r2
        if x * x + y0 * y0 <= r1 * r1:
            done = True
            d = z0 - r2 * s
            px, py, pz, gz = x, y0, 0.5 * d, 1.0
    if not done and high2:
        q = math.copysign(1.0, z2)
        x = q * r1
        along = m * (x - x0) + s * z0
        if along * along + y0 * y0 <= r2 * r2:
            done = True
            d = abs(z2) - r1 * s
            gx, gz = q * s, q * m
            px, py, pz = x + 0.5 * d * gx, 0.0, 0.5 * d * gz
    if not done:
        d, ct, st = _rim_search(r1, r2, m, s, x0, y0, z0, reach, quick)
        if d > reach or quick:
            return d, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        x, y, z = x0 + m * r2 * ct, y0 + r2 * st, z0 - s * r2 * ct
        rho = math.sqrt(x * x + y * y)
        q = 1.0 if rho <= r1 else r1 / rho
        px, py, pz = q * x, q * y, 0.0
        vx, vy, vz = x - px, y - py, z
        gx, gy, gz = vx, vy, vz
        if d <= 1e-7 * (r1 + r2):
            # Too close for the closest points to tell well: across both rims.
            tx, ty, tz = -m * st, ct, s * st
            wx, wy, wz = x * tz, y * tz, -y * ty - x * tx
            if wx * wx + wy * wy + wz * wz > 1e-6 * rho * rho:
                gx, gy, gz = wx, wy, wz
            elif d <= _CROSS * (r1 + r2):
                gx, gy, gz = 0.0, 0.0, 1.0
        q = 1.0 / math.sqrt(gx * gx + gy * gy + gz * gz)
        gx, gy, gz = q * gx, q * gy, q * gz
        px, py, pz = px + 0.5 * vx, py + 0.5 * vy, pz + 0.5 * vz
    nx = gx * ex + gy * fx + gz * ax
    ny = gx * ey + gy * fy + gz * ay
    nz = gx * ez + gy * fz + gz * az
    if nx * cx + ny * cy + nz * cz < 0.0:
        nx, ny, nz = -nx, -ny, -nz
    return (
        d,
        px * ex + py * fx + pz * ax,
        px * ey + py * fy + pz * ay,
        px * ez + py * fz + pz * az,
        nx,
        ny,
        nz,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _contact_within(
    kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, planar, reach, quick
):
    """`core_contact` that may stop once the distance is known to be above reach.

    With `quick` it may stop as well once it is known not to be.
    """
    far = size_i + size_j + reach
    if cx * cx + cy * cy + cz * cz > 1.000000000001 * far * far:
        return math.inf, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0
    if size_i == 0.0:
        kind_i = POINT
    if size_j == 0.0:
        kind_j = POINT
    swap = kind_i > kind_j or (kind_i == DISC and kind_j == DISC and size_i < size_j)
    if swap:
        kind_i, kind_j, size_i, size_j = kind_j, kind_i, size_j, size_i
        ax, ay, az, bx, by, bz = bx, by, bz, ax, ay, az
        cx, cy, cz = -cx, -cy, -cz
    if kind_i == DISC:
        if kind_j == DISC:
            d, px, py, pz, nx, ny, nz = _disc_disc(
                size_i, ax, ay, az, size_j, bx, by, bz, cx, cy, cz, reach, quick
            )
        elif kind_j == SEGMENT:
            d, px, py, pz, nx, ny, nz = _disc_segment(
                size_i, ax, ay, az, size_j, bx, by, bz, cx, cy, cz, reach, quick
            )
        else:
            d, px, py, pz, nx, ny, nz = _disc_point(size_i, ax, ay, az, cx, cy, cz)
    elif kind_i == SEGMENT:
        if kind_j == SEGMENT:
            d, px, py, pz, nx, ny, nz = _segment_segment(
                size_i, ax, ay, az, size_j, bx, by, bz, cx, cy, cz, planar
            )
        else:
            d, px, py, pz, nx, ny, nz = _segment_point(size_i, ax, ay, az, cx, cy, cz)
    else:
        d, px, py, pz, nx, ny, nz = _point_point(cx, cy, cz)
    if swap:
        px, py, pz = px - cx, py - cy, pz - cz
        nx, ny, nz = -nx, -ny, -nz
        cx, cy, cz = -cx, -cy, -cz
    if nx * cx + ny * cy + nz * cz < 0.0:
        nx, ny, nz = -nx, -ny, -nz
    return d, px, py, pz, nx, ny, nz


@njit(cache=True, nogil=True, error_model="numpy")
def core_contact(
    kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, planar
):
    """Distance, contact point and normal of two cores.

    Parameters
    ----------
    kind_i, kind_j : int
        0 disc, 1 segment, 2 point.
    size_i, size_j : float
        Disc radius or half length.
    ax, ay, az, bx, by, bz : float
        Unit axes of i and j: disc normal or segment direction.
    cx, cy, cz : float
        Centre of j minus centre of i.
    planar : bool
        Two dimensions: z = 0 throughout and normals in the plane; no discs.

    Returns
    -------
    tuple of 7 floats
        Distance of the cores, 0 if they cross; contact point from the centre of i; unit
        normal from i to j, with normal . c >= 0.

    """
    return _contact_within(
        kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, planar,
        math.inf, NO,
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def cores_within(kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, reach):
    """Whether two cores are within a reach; arguments as `core_contact`.

    Parameters
    ----------
    reach : float
        Largest distance that counts: ball radii and cutoff together.

    Returns
    -------
    bool
        Distance <= reach.

    """
    # Swept spheres, then slabs: most pairs that are asked about end here.
    if kind_i == POINT and kind_j == POINT:
        return cx * cx + cy * cy + cz * cz <= reach * reach
    return (
        _contact_within(
            kind_i, size_i, ax, ay, az, kind_j, size_j, bx, by, bz, cx, cy, cz, NO,
            reach, YES,
        )[0]
        <= reach
    )  # fmt: skip
