"""Compiled loops: contacts that remember, one by one and as a distribution."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

__all__ = ["advance", "faded", "remembered"]


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


@njit(cache=True, nogil=True, error_model="numpy")
def _share(delta_b, opening):  # type: ignore[no-untyped-def]
    """Chance that delta_b X > opening, ln X standard normal."""
    if opening <= 0.0:
        return 1.0
    return 0.5 * math.erfc(math.log(opening / delta_b) * 0.7071067811865476)


@njit(cache=True, nogil=True, error_model="numpy")
def remembered(  # type: ignore[no-untyped-def]
    opened, stretched, counts, weights, segments, places, swelling, delta_b, closes, kept
):  # fmt: skip
    """Average what contacts of log-normal breaking openings do along a history.

    Parameters
    ----------
    opened, stretched : (s, c) ndarray of float64
        Relative openings of c contacts at rising strains without swelling, and per unit of
        swelling.
    counts, weights : (c,) ndarray of float64
        How many each stands for, and that weighted along the current; together 1 each.
    segments : (n, v) ndarray of int64
        For every draw and visit, the strain at or below that of the visit.
    places : (n, v) ndarray of float64
        How far on to the next strain it is, of the step between the two.
    swelling : (n, v) ndarray of float64
        Swelling.
    delta_b : (n,) ndarray of float64
        Median breaking opening.
    closes, kept : (n, v) ndarray of float64
        As `Memory.along` gives them for one draw.

    Returns
    -------
    (n, v, 7) ndarray of float64
        Share that conducts; the same and the mean opening of what conducts, weighted along
        the current; these three without memory; and the mean scar of what conducts,
        weighted, 1 where all has just closed again.

    Notes
    -----
    Of the contacts of one opening those conduct that break beyond an edge, which an opening
    above it lifts to itself, and one below closes x it lowers to opening / closes: a play
    operator in ln(opening). Scars are a step function of the breaking opening: 1 between
    edges that an opening has passed, less by what rest brings back.

    """
    n, v = segments.shape
    c = weights.shape[0]
    out = np.zeros((n, v, 7))
    # steps of the scars: scar[i] from start[i] up to start[i + 1], and the share above
    start = np.empty(2 * v + 4)
    above = np.empty(2 * v + 4)
    scar = np.empty(2 * v + 4)
    for d in range(n):
        for k in range(c):
            edge = 0.0
            share = 1.0
            steps = 1
            start[0] = 0.0
            above[0] = 1.0
            scar[0] = 0.0
            w = weights[k]
            for q in range(v):
                s = segments[d, q]
                a = places[d, q]
                o = (1.0 - a) * opened[s, k] + a * opened[s + 1, k]
                t = (1.0 - a) * stretched[s, k] + a * stretched[s + 1, k]
                o = max(o + swelling[d, q] * t, 0.0)
                left = kept[d, q]
                if left < 1.0 and steps > 1:
                    # what conducts, beyond the edge, keeps a part of its scars
                    steps = _cut(start, above, scar, steps, edge, share)
                    for i in range(steps):
                        if start[i] >= edge:
                            scar[i] *= left
                if q == 0:
                    edge = o
                    share = _share(delta_b[d], edge)
                elif o > edge:
                    beyond = _share(delta_b[d], o)
                    steps = _mark(start, above, scar, steps, edge, share, o, beyond)
                    edge = o
                    share = beyond
                elif o < closes[d, q] * edge:
                    edge = o / closes[d, q]
                    share = _share(delta_b[d], edge)
                plain = share if edge == o else _share(delta_b[d], o)
                out[d, q, 0] += counts[k] * share
                out[d, q, 1] += w * share
                out[d, q, 2] += w * share * o
                out[d, q, 3] += counts[k] * plain
                out[d, q, 4] += w * plain
                out[d, q, 5] += w * plain * o
                total = 0.0
                for i in range(steps):
                    if scar[i] > 0.0 and (i + 1 == steps or start[i + 1] > edge):
                        held = share if start[i] < edge else above[i]
                        if i + 1 < steps:
                            held -= above[i + 1]
                        total += scar[i] * held
                out[d, q, 6] += w * total
        for q in range(v):
            for i in (2, 6):
                out[d, q, i] /= max(out[d, q, 1], 1e-300)
            out[d, q, 5] /= max(out[d, q, 4], 1e-300)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _cut(start, above, scar, steps, edge, share):  # type: ignore[no-untyped-def]
    """Give a step function a step at an edge, where it has none; how many it has then."""
    i = 0
    while i < steps and start[i] < edge:
        i += 1
    if i < steps and start[i] == edge:
        return steps
    for j in range(steps, i, -1):
        start[j] = start[j - 1]
        above[j] = above[j - 1]
        scar[j] = scar[j - 1]
    start[i] = edge
    above[i] = share
    scar[i] = scar[i - 1]
    return steps + 1


@njit(cache=True, nogil=True, error_model="numpy")
def _mark(start, above, scar, steps, low, at_low, high, at_high):  # type: ignore[no-untyped-def]
    """Set a step function to 1 from low to high; how many steps it has then."""
    steps = _cut(start, above, scar, steps, low, at_low)
    steps = _cut(start, above, scar, steps, high, at_high)
    first = 0
    while start[first] < low:
        first += 1
    last = first
    while last < steps and start[last] < high:
        last += 1
    scar[first] = 1.0
    gone = last - first - 1
    if gone > 0:
        for j in range(last, steps):
            start[j - gone] = start[j]
            above[j - gone] = above[j]
            scar[j - gone] = scar[j]
        steps -= gone
    return steps
