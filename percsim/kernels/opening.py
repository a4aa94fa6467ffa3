"""Compiled loops: how far contacts open when the film stretches and its bodies turn."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["opening_parts", "opening_slope", "powers"]

BLOCK = 64
"""Contacts whose bodies are fetched at once."""


@njit(cache=True, nogil=True, error_model="numpy")
def _turns(factors, axes, stretches):  # type: ignore[no-untyped-def]
    """Rotation of each body: the cross product of its axis before and after, and bend.

    A diagonal F turns nothing as a whole and takes an axis b along F^factor b. The
    smallest rotation from b to b' is 1 + [v] + [v]^2 / (1 + b . b') with v = b x b'
    (Rodrigues); `bend` is 1 / (1 + b . b').
    """
    n, d = axes.shape
    turn = np.zeros((n, 4))
    log_x, log_y = math.log(stretches[0]), math.log(stretches[1])
    log_z = math.log(stretches[2])
    if log_x == 0.0 and log_y == 0.0 and log_z == 0.0:
        return turn
    for i in range(n):
        factor = factors[i]
        if factor == 0.0:
            continue
        x, y, z = axes[i, 0], axes[i, 1], axes[i, 2] if d == 3 else 0.0
        p = x * math.exp(factor * log_x)
        q = y * math.exp(factor * log_y)
        r = z * math.exp(factor * log_z)
        norm = math.sqrt(p * p + q * q + r * r)
        p, q, r = p / norm, q / norm, r / norm
        turn[i, 0] = y * r - z * q
        turn[i, 1] = z * p - x * r
        turn[i, 2] = x * q - y * p
        turn[i, 3] = 1.0 / (1.0 + max(x * p + y * q + z * r, 0.0))
    return turn


@njit(cache=True, nogil=True, error_model="numpy")
def _part(  # type: ignore[no-untyped-def]
    first, last, turn, pairs, normals, points, images, centers, lengths, stretches, unit,
    near, opened, stretched,
):  # fmt: skip
    """Split the motion at contacts first to last, at most `BLOCK`, to arrays of their own.

    Bodies lie anywhere in memory; in a loop that does nothing else reads do not wait for
    each other.
    """
    d = normals.shape[1]
    for k in range(first, last):
        for side in range(2):
            body = np.uint32(pairs[k, side])  # a signed index is tested at each use
            for c in range(d):
                near[k - first, side, c] = centers[body, c]
            for c in range(4):
                near[k - first, side, 3 + c] = turn[body, c]
    # by name, as an array might be what is written to below
    length0, length1, length2 = lengths[0], lengths[1], lengths[2] if d == 3 else 0.0
    grown0, grown1, grown2 = stretches[0] - 1.0, stretches[1] - 1.0, stretches[2] - 1.0
    for k in range(first, last):
        film = motion = a2 = u2 = 0.0
        u0, u1 = normals[k, 0], normals[k, 1]
        if d == 3:
            u2 = normals[k, 2]
        for side in range(2):
            own = near[k - first, side]
            sign = 1.0 - 2.0 * side
            # from the centre, that of the image used, to the contact point
            a0 = points[k, 0] - (own[0] + side * images[k, 0] * length0)
            a1 = points[k, 1] - (own[1] + side * images[k, 1] * length1)
            if d == 3:
                a2 = points[k, 2] - (own[2] + side * images[k, 2] * length2)
            v0, v1, v2 = own[3], own[4], own[5]
            along = u0 * a0 + u1 * a1 + u2 * a2
            crossed = (
                u0 * (v1 * a2 - v2 * a1)
                + u1 * (v2 * a0 - v0 * a2)
                + u2 * (v0 * a1 - v1 * a0)
            )
            second = (u0 * v0 + u1 * v1 + u2 * v2) * (
                v0 * a0 + v1 * a1 + v2 * a2
            ) - along * (v0 * v0 + v1 * v1 + v2 * v2)
            strained = u0 * grown0 * a0 + u1 * grown1 * a1 + u2 * grown2 * a2
            film += sign * (along + strained)
            # without the part that both share, or small openings would lose digits
            motion += sign * (strained - crossed - second * own[6])
        opened[k - first], stretched[k - first] = motion / unit, film / unit


@njit(cache=True, nogil=True, error_model="numpy")
def opening_parts(  # type: ignore[no-untyped-def]
    factors, axes, pairs, normals, points, images, centers, lengths, stretches, unit
):
    """Split the normal motion at each contact: film and turning bodies, and swelling.

    Parameters
    ----------
    factors : (n,) ndarray of float64
        How strongly each axis follows the stretch: -1 endless flakes, 1 endless rods.
    axes : (n, d) ndarray of float64
        Unit flake normals and rod directions, in two or three dimensions.
    pairs : (m, 2) ndarray of int64
        Bodies i, j of each contact.
    normals, points : (m, d) ndarray of float64
        Unit contact normals u, and contact points in the frame of i.
    images : (m, d) ndarray of int32
        Image of j used.
    centers : (n, d) ndarray of float64
        Centres of the bodies.
    lengths : (d,) ndarray of float64
        Box edges.
    stretches : (3,) ndarray of float64
        Diagonal of the deformation gradient F, without swelling.
    unit : float
        Length that openings are counted in.

    Returns
    -------
    opened, stretched : (m,) ndarray of float64
        u . [(F - W_i) a_i - (F - W_j) a_j] with W the rotation of each body and a the arms
        from the centres to the contact point, and u . F (a_i - a_j). When the film swells
        by s on top, the contact opens by opened + (s - 1) stretched.

    """
    m = pairs.shape[0]
    turn = _turns(factors, axes, stretches)
    opened, stretched, near = np.empty(m), np.empty(m), np.zeros((BLOCK, 2, 7))
    for first in range(0, m, BLOCK):
        last = min(first + BLOCK, m)
        _part(
            first, last, turn, pairs, normals, points, images, centers, lengths, stretches,
            unit, near, opened[first:last], stretched[first:last],
        )  # fmt: skip
    return opened, stretched


@njit(cache=True, nogil=True, error_model="numpy")
def opening_slope(  # type: ignore[no-untyped-def]
    factors, axes, pairs, normals, points, images, centers, lengths, stretches, unit,
    swelling, relative, power, ahead,
):  # fmt: skip
    """Sum over contacts of power times further opening, at a state nearby.

    Parameters
    ----------
    factors, axes, pairs, normals, points, images, centers, lengths, stretches, unit
        As for `opening_parts`, at the state nearby.
    swelling : float
        s - 1 there.
    relative : (m,) ndarray of float64
        Opening of each contact over the unit at the state itself.
    power : (m,) ndarray of float64
        Share of the power in each; 0 where it does not conduct.
    ahead : bool
        Whether contacts that are just closed count if they open.

    Returns
    -------
    float
        Over the contacts that are open.

    """
    turn = _turns(factors, axes, stretches)
    m, total, near = pairs.shape[0], 0.0, np.zeros((BLOCK, 2, 7))
    opened, stretched = np.empty(BLOCK), np.empty(BLOCK)
    for first in range(0, m, BLOCK):
        last = min(first + BLOCK, m)
        _part(
            first, last, turn, pairs, normals, points, images, centers, lengths, stretches,
            unit, near, opened, stretched,
        )  # fmt: skip
        for k in range(first, last):
            if relative[k] < 0.0 or power[k] == 0.0:
                continue
            here = opened[k - first] + swelling * stretched[k - first]
            change = here - relative[k]
            if relative[k] > 0.0 or (ahead and change > 0.0):
                total += power[k] * change
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def powers(conducts, relative, stretched, currents, conductances, resistance):  # type: ignore[no-untyped-def]
    """Share of the power in each contact, and sums over them.

    Parameters
    ----------
    conducts : (m,) ndarray of bool
        Which contacts conduct.
    relative, stretched : (m,) ndarray of float64
        Opening of each, and its part per unit of swelling.
    currents, conductances : (e,) ndarray of float64
        Of the resistors: of the contacts that conduct, then of those to the electrodes.
    resistance : float
        Of the network at 1 V.

    Returns
    -------
    power : (m,) ndarray of float64
        0 where a contact does not conduct.
    links, electrodes : float
        Power in all contacts, and in those to the electrodes.
    opened, pulled : float
        Sums of power times opening, and times what swelling adds, over open contacts.

    """
    m, row = conducts.size, 0
    power = np.zeros(m)
    links = electrodes = opened = pulled = 0.0
    for k in range(m):
        if not conducts[k]:
            continue
        if conductances[row] > 0.0:
            share = currents[row] * resistance * (currents[row] / conductances[row])
            power[k] = share
            links += share
            if relative[k] > 0.0:
                opened += share * relative[k]
                pulled += share * stretched[k]
        row += 1
    for e in range(row, currents.size):
        if conductances[e] > 0.0:
            electrodes += currents[e] * resistance * (currents[e] / conductances[e])
    return power, links, electrodes, opened, pulled
