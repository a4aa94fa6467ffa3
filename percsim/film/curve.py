"""Stage 7. Gauge factors of R at points of strain."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["chord", "initial_slopes"]

Floats = NDArray[np.float64]


def initial_slopes(
    logs: Floats, strains: Sequence[float], states: Sequence[int], reference: int
) -> Floats:
    """Slope of ln R at zero strain, see `Castings.gauge_factor_initial`.

    Parameters
    ----------
    logs : (n, n states) ndarray of float
        ln R of each film at each state.
    strains : sequence of float
        Strain of each state.
    states : sequence of int
        Those at 20 C and a strain, in increasing strain.
    reference : int
        The state at 20 C without strain.

    Returns
    -------
    (n,) ndarray of float
        Right-hand slope, left-hand where no strain is positive; inf when the first point
        is open.

    """
    at = np.asarray(strains)
    ahead = [s for s in states if at[s] > 0.0]
    ahead = ahead or [s for s in reversed(states) if at[s] < 0.0]
    if not ahead:
        return np.zeros(len(logs))
    path = [reference, *ahead]
    conducts = np.logical_and.accumulate(np.isfinite(logs[:, ahead]), axis=1)
    heights = np.where(np.isfinite(logs[:, path]), logs[:, path], 0.0)
    steps = np.diff(at[path])
    rises = np.where(conducts, np.diff(heights, axis=1) / steps, 0.0)
    middles = 0.5 * (at[path][1:] + at[path][:-1])
    weights = np.where(conducts, np.abs(steps), 0.0)
    total = weights.sum(axis=1)
    safe = np.where(total > 0.0, total, 1.0)
    center = (weights * middles).sum(axis=1) / safe
    mean = (weights * rises).sum(axis=1) / safe
    apart = middles - center[:, None]
    spread = (weights * apart**2).sum(axis=1)
    bend = (weights * apart * rises).sum(axis=1)
    bend = np.where(spread > 0.0, bend / np.where(spread > 0.0, spread, 1.0), 0.0)
    return np.asarray(np.where(total > 0.0, mean - bend * center, np.inf))


def chord(at_rest: Floats, strained: Floats, strain: float) -> Floats:
    """Chord gauge factor (R/R0 - 1)/strain; inf when it opens, 0 when open at rest."""
    conducts = np.isfinite(at_rest)
    ratio = np.where(conducts, strained, 1.0) / np.where(conducts, at_rest, 1.0)
    return np.asarray((ratio - 1.0) / strain)
