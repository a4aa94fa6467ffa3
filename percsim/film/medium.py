"""Effective-medium mean of many boxes, and what each box contributes to it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["influence", "weighted_medium"]

Floats = NDArray[np.float64]


def weighted_medium(values: Floats, weights: Floats, d: int) -> Floats:
    """Effective-medium mean in d dimensions of values (n, S), weights (B, n) -> (B, S).

    `effective_medium_mean` for all resamples and states at once, by a bracketed Newton
    search on ln G: the sum falls with G and has a root when more than 1/d of the boxes
    conduct.
    """
    g = values[None, :, :]
    w = weights[:, :, None]
    total = weights.sum(axis=1)[:, None]
    share = (w * (g > 0.0)).sum(axis=1)
    conducting = share > total / d * (1.0 + 1e-12)
    positive = np.where(values > 0.0, values, np.nan)
    any_positive = np.any(values > 0.0, axis=0)
    safe = np.where(any_positive[None, :], positive, 1.0)
    upper = np.broadcast_to(np.log(np.nanmax(safe, axis=0)), conducting.shape).copy()
    lower = np.broadcast_to(np.log(np.nanmin(safe, axis=0)), conducting.shape).copy()
    # open boxes pull the mean below the smallest conducting one; the mean of conducting
    # share p over equal boxes is (d p - 1)/(d - 1) of theirs, which bounds it from below
    share /= total
    lower += np.log(np.maximum((d * share - 1.0) / (d - 1.0), 1e-12))
    x = 0.5 * (lower + upper)
    wanted, weighed = conducting & any_positive, w * g
    for _ in range(80):
        mean = np.exp(x)[:, None, :]
        below = g + (d - 1.0) * mean
        f = (w * (g - mean) / below).sum(axis=1)
        slope = -(weighed * mean * (d / below**2)).sum(axis=1)
        lower, upper = np.where(f > 0.0, x, lower), np.where(f > 0.0, upper, x)
        newton = x - f / np.where(slope < 0.0, slope, -1.0)
        inside = (newton >= lower) & (newton <= upper)
        new = np.where(inside, newton, 0.5 * (lower + upper))
        moved = float(np.where(wanted, np.abs(new - x), 0.0).max())
        x = new
        if moved < 1e-12:
            break
    return np.asarray(np.where(wanted, np.exp(x), 0.0))


def influence(values: Floats, mean: Floats, d: int) -> Floats:
    """Deviation of ln R that each box (n, S) contributes to a mean (S,), times n.

    The derivative of the effective-medium mean to the weight of one box; for a narrow
    spread it is -(g - G)/G.
    """
    safe = np.where(mean > 0.0, mean, 1.0)
    h = (values - safe) / (values + (d - 1.0) * safe)
    slope = (d * values * safe / (values + (d - 1.0) * safe) ** 2).mean(axis=0)
    return np.asarray(np.where(mean > 0.0, -h / np.where(slope > 0.0, slope, 1.0), 0.0))
