"""Compiled loops: contacts that remember, one by one and as a distribution."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["advance", "faded"]


@njit(cache=True, nogil=True, error_model="numpy")
def advance(opening, breaks, reclose, kept, closed, broken, scars):  # type: ignore[no-untyped-def]
    """Take every contact to the next visit, in place.

    Parameters
    ----------
    opening : (m,) ndarray of float64
        Relative opening at the visit.
    breaks : (m,) ndarray of float64
        Relative opening above which each breaks.
    reclose : float
        Share of that at or below which a broken one closes.
    kept : float
        Share of its scar that a closed one keeps until then.
    closed, broken : (m,) ndarray of bool
        Which conduct, and which have been broken since they first did.
    scars : (m,) ndarray of float64
        1 where one has just closed again, 0 without a scar.

    """
    for i in range(opening.shape[0]):
        scars[i] *= kept
        if closed[i]:
            if opening[i] > breaks[i]:
                closed[i] = False
                broken[i] = True
        elif opening[i] <= reclose * breaks[i]:
            closed[i] = True
            if broken[i]:
                scars[i] = 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def faded(times, strains):  # type: ignore[no-untyped-def]
    """Integrate ln(1 + t - s) de(s) up to each visit, for straight lines between visits.

    Parameters
    ----------
    times : (v,) ndarray of float64
        Not falling; two alike are a jump.
    strains : (v,) ndarray of float64
        The strain e at each.

    Returns
    -------
    (v,) ndarray of float64

    Notes
    -----
    The mean of ln(1 + x) from x = b to a is [(1 + a) ln(1 + a) - (1 + b) ln(1 + b)]/(a - b)
    - 1; over short ramps, where that loses digits, the value half-way less what the
    curvature takes off.

    """
    n = times.shape[0]
    out = np.zeros(n)
    for k in range(1, n):
        total = 0.0
        for j in range(k):
            rise = strains[j + 1] - strains[j]
            if rise == 0.0:
                continue
            a = 1.0 + times[k] - times[j]
            b = 1.0 + times[k] - times[j + 1]
            if a - b < 2e-3 * a:
                middle = 0.5 * (a + b)
                mean = math.log(middle) - ((a - b) / middle) ** 2 / 24.0
            else:
                mean = (a * math.log(a) - b * math.log(b)) / (a - b) - 1.0
            total += rise * mean
        out[k] = total
    return out
