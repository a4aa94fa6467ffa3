"""Compiled loops: how far contacts open when the film stretches and its bodies turn."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["opening_parts"]


@njit(cache=True, nogil=True, error_model="numpy")
def opening_parts(factors, axes, pairs, normals, first_arms, second_arms, stretches):  # type: ignore[no-untyped-def]
    """Split the normal motion at each contact: film and turning bodies, and swelling.

    Parameters
    ----------
    factors : (n,) ndarray of float64
        How strongly each axis follows the stretch: -1 endless flakes, 1 endless rods.
    axes : (n, 3) ndarray of float64
        Unit flake normals and rod directions.
    pairs : (m, 2) ndarray of int64
        Bodies i, j of each contact.
    normals : (m, 3) ndarray of float64
        Unit contact normals u.
    first_arms, second_arms : (m, 3) ndarray of float64
        From the centres of i and j to the contact point.
    stretches : (3,) ndarray of float64
        Diagonal of the deformation gradient F, without swelling.

    Returns
    -------
    opened, stretched : (m,) ndarray of float64
        u . [(F - W_i) a_i - (F - W_j) a_j] with W the rotation of each body, and
        u . F (a_i - a_j). When the film swells by s on top, the contact opens by
        opened + (s - 1) stretched.

    Notes
    -----
    A diagonal F turns nothing as a whole and takes an axis b along F^factor b. The
    smallest rotation from b to b' is 1 + [v] + [v]^2 / (1 + b . b') with v = b x b'
    (Rodrigues).

    """
    n = factors.shape[0]
    m = pairs.shape[0]
    turn = np.zeros((n, 3))
    bend = np.zeros(n)
    still = stretches[0] == 1.0 and stretches[1] == 1.0 and stretches[2] == 1.0
    for i in range(n):
        if still or factors[i] == 0.0:
            continue
        x, y, z = axes[i, 0], axes[i, 1], axes[i, 2]
        p = x * stretches[0] ** factors[i]
        q = y * stretches[1] ** factors[i]
        r = z * stretches[2] ** factors[i]
        norm = math.sqrt(p * p + q * q + r * r)
        p, q, r = p / norm, q / norm, r / norm
        turn[i, 0] = y * r - z * q
        turn[i, 1] = z * p - x * r
        turn[i, 2] = x * q - y * p
        bend[i] = 1.0 / (1.0 + max(x * p + y * q + z * r, 0.0))
    opened = np.empty(m)
    stretched = np.empty(m)
    for k in range(m):
        u0, u1, u2 = normals[k, 0], normals[k, 1], normals[k, 2]
        film = 0.0
        motion = 0.0
        for side in range(2):
            body = pairs[k, side]
            if side == 0:
                a0, a1, a2 = first_arms[k, 0], first_arms[k, 1], first_arms[k, 2]
                sign = 1.0
            else:
                a0, a1, a2 = second_arms[k, 0], second_arms[k, 1], second_arms[k, 2]
                sign = -1.0
            v0, v1, v2 = turn[body, 0], turn[body, 1], turn[body, 2]
            along = u0 * a0 + u1 * a1 + u2 * a2
            crossed = (
                u0 * (v1 * a2 - v2 * a1)
                + u1 * (v2 * a0 - v0 * a2)
                + u2 * (v0 * a1 - v1 * a0)
            )
            second = (u0 * v0 + u1 * v1 + u2 * v2) * (
                v0 * a0 + v1 * a1 + v2 * a2
            ) - along * (v0 * v0 + v1 * v1 + v2 * v2)
            strained = (
                u0 * (stretches[0] - 1.0) * a0
                + u1 * (stretches[1] - 1.0) * a1
                + u2 * (stretches[2] - 1.0) * a2
            )
            film += sign * (along + strained)
            # without the part that both share, or small openings would lose digits
            motion += sign * (strained - crossed - second * bend[body])
        opened[k] = motion
        stretched[k] = film
    return opened, stretched
