"""Stage 7. The simulation error as standard normal numbers, and what boxes say of it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri, stdtrit

__all__ = [
    "AT_REST", "BOXES", "EXPONENT", "NOISES", "THRESHOLD", "UNDER_STRAIN", "box_errors",
    "few_boxes",
]  # fmt: skip

Floats = NDArray[np.float64]

AT_REST, UNDER_STRAIN, EXPONENT, THRESHOLD = range(4)
"""Standard normal numbers that a draw of the simulation error takes: the fit of settings at
rest and under strain, the exponent beyond the loadings, and the film's own threshold with
how far lost contacts raise it. The last moves films between and beyond the simulated
loadings, none at one of them: that is what its boxes say."""

REST_PARTS, CHANGE_PARTS = 5, 4
"""Numbers after those: principal components of ln rho at rest over the loadings, and of
what visits change, whose boxes are drawn alike at all loadings."""

NOISES = 4 + REST_PARTS + CHANGE_PARTS
"""All of them."""

BOXES = slice(4, NOISES)
"""Those of the boxes alone."""

OPEN_ERROR = 1.0
"""Standard error of ln rho of a loading that no resample of its boxes leaves closed."""


def box_errors(shifts: Floats, lengths: Floats, rest: int) -> tuple[Floats, Floats]:
    """Give what each number of the simulation error moves ln rho and lengths by.

    Parameters
    ----------
    shifts, lengths : (B, K, S) ndarray of float
        Of resampled boxes: ln rho less that of all boxes, inf where open, and lengths.
    rest : int
        Visit at rest.

    Returns
    -------
    log_errors, length_errors : (NOISES, K, S) ndarray of float
        Their variances are those of the resamples; what components left out would add is
        spread over those kept.

    """
    B, K, S = shifts.shape
    out = np.zeros((2, NOISES, K, S))
    if B < 2 or not K:
        return out[0], out[1]
    shifts, lengths = shifts.copy(), lengths.copy()
    for k in range(K):
        # resamples that are open count as the worst that conduct
        open_ones = ~np.isfinite(shifts[:, k]).all(axis=1)
        if open_ones.all():
            shifts[:, k] = OPEN_ERROR * np.where(np.arange(B) % 2, 1.0, -1.0)[:, None]
        elif open_ones.any():
            worst = np.where(open_ones, -np.inf, shifts[:, k, rest]).argmax()
            shifts[open_ones, k], lengths[open_ones, k] = (
                shifts[worst, k],
                lengths[worst, k],
            )
    shifts, lengths = shifts - shifts.mean(axis=0), lengths - lengths.mean(axis=0)
    change = shifts - shifts[:, :, [rest]]
    scores = _components(shifts[:, :, rest], REST_PARTS)
    left = change.reshape(B, -1) - scores @ (scores.T @ change.reshape(B, -1))
    scores = np.hstack([scores, _components(left, CHANGE_PARTS)])
    parts = scores.T / np.sqrt(B - 1.0)
    at_rest = _as_wide(parts @ shifts[:, :, rest], shifts[:, :, rest])
    by_visit = _as_wide(np.tensordot(parts, change, 1), change)
    out[0][BOXES] = at_rest[:, :, None] + by_visit
    out[1][BOXES] = np.tensordot(parts, lengths, 1)
    return out[0], out[1]


def _components(values: Floats, n: int) -> Floats:
    """Find scores (B, n), of norm 1, of the principal components of columns alike."""
    spread = values.std(axis=0)
    scaled = values[:, spread > 1e-9] / spread[spread > 1e-9]
    out = np.zeros((len(values), n))
    u, sizes, v = np.linalg.svd(scaled, full_matrices=False)
    kept = min(n, int((sizes > 1e-6 * sizes.max(initial=0.0)).sum()))
    u, v = u[:, :kept], v[:kept]
    if kept:
        # a sign that rounding does not turn, as that of the largest entry may
        u = u * np.where(v @ np.arange(1.0, v.shape[1] + 1.0) < 0.0, -1.0, 1.0)
        out[:, :kept] = u
    return out


def _as_wide(parts: Floats, values: Floats) -> Floats:
    """Parts (g, ...) with the standard deviation of values (B, ...)."""
    own, wanted = np.sqrt((parts**2).sum(axis=0)), values.std(axis=0, ddof=1)
    return np.asarray(parts * np.where(own > 0.0, wanted / np.where(own > 0.0, own, 1), 0))


def few_boxes(n: int) -> float:
    """Factor on deviations of resampled boxes: what few of them do not show.

    Resampling n boxes scatters by the root of (n - 1)/n too little, and the error so
    estimated is uncertain itself (Student's t at 97.5 % over the normal quantile).
    """
    if n < 2:
        return 1.0
    return float(np.sqrt(n / (n - 1.0)) * stdtrit(n - 1, 0.975) / ndtri(0.975))
