"""Stage 6. Statistics of an ensemble: estimates, intervals, quantiles, effective means."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv

from percsim.values import real, whole

__all__ = [
    "Estimate",
    "clopper_pearson",
    "cv_from_log_std",
    "effective_medium_mean",
    "log_std_from_cv",
    "weighted_quantiles",
]

Floats = NDArray[np.float64]

BINS = 1024
"""Into which many samples are put before quantiles are looked for."""
SAME_PLACE = 1e-9
"""Of sorted samples: rounding must not reach for the next one, which may be infinite."""


@dataclass(frozen=True, slots=True, repr=False)
class Estimate:
    """A number with its standard error and the count of samples behind it.

    Parameters
    ----------
    value : float
        The estimate, in the unit of the quantity; may be inf (open circuits), never NaN.
    standard_error : float
        Standard error of `value`, same unit, not negative; inf when unknown.
    n : int
        Number of independent samples.

    Raises
    ------
    ValueError
        If a number is NaN, the standard error is negative or `n` is below 1.

    Examples
    --------
    >>> Estimate(0.341889, 0.0021, 200)
    Estimate: 0.3419 ± 0.0021 (n = 200)

    """

    value: float
    standard_error: float
    n: int

    def __post_init__(self) -> None:
        value = real("value", self.value)
        if math.isnan(value):
            raise ValueError("value must be a number, got nan")
        error, n = real("standard_error", self.standard_error), whole("n", self.n)
        if not error >= 0.0:
            raise ValueError(f"standard_error must not be negative, got {error}")
        if n < 1:
            raise ValueError(f"n must be at least 1 sample, got {self.n}")
        object.__setattr__(self, "value", value)
        object.__setattr__(self, "standard_error", error)
        object.__setattr__(self, "n", n)

    def __repr__(self) -> str:
        return f"Estimate: {self} (n = {self.n})"

    def __str__(self) -> str:
        value, error = self.value, self.standard_error
        if not (math.isfinite(value) and math.isfinite(error) and error > 0.0):
            return f"{value:.6g} ± {error:.2g}"
        last = math.floor(math.log10(error)) - 1  # two figures of the error
        size = math.floor(math.log10(max(abs(value), error)))
        if -7 < last and size > -4 and size < 6:
            places = max(0, -last)
            return f"{value:.{places}f} ± {error:.{places}f}"
        places = max(0, size - last)
        power = 10.0**size
        return f"({value / power:.{places}f} ± {error / power:.{places}f})e{size:+03d}"

    @property
    def relative_error(self) -> float:
        """Standard error over the absolute value; inf at value 0 unless the error is 0."""
        if self.standard_error == 0.0:
            return 0.0
        if self.value == 0.0 or math.isinf(self.standard_error):
            return math.inf
        return 0.0 if math.isinf(self.value) else self.standard_error / abs(self.value)

    def scaled(self, factor: float) -> Estimate:
        """Return the estimate times an exact factor."""
        value = 0.0 if self.value == 0.0 or factor == 0.0 else self.value * factor
        error = 0.0 if factor == 0.0 else self.standard_error * abs(factor)
        return Estimate(value, error, self.n)

    def deviation_from(self, reference: float, uncertainty: float = 0.0) -> float:
        """How many standard errors the estimate lies above a reference.

        Parameters
        ----------
        reference : float
            The number to compare with, same unit.
        uncertainty : float
            Standard error of the reference, added in quadrature.

        Returns
        -------
        float
            Signed number of standard errors; 0 when both agree exactly.

        """
        difference = self.value - reference
        if difference == 0.0 or math.isnan(difference):  # inf against inf agrees too
            return 0.0
        error = math.hypot(self.standard_error, uncertainty)
        return difference / error if error > 0.0 else math.copysign(math.inf, difference)


def weighted_quantiles(
    values: ArrayLike, probabilities: ArrayLike, weights: ArrayLike | None = None
) -> Floats:
    r"""Quantiles of weighted samples, open circuits included.

    Parameters
    ----------
    values : (n,) or, of equal weights, (n, m) array_like of float
        Samples, down each column; inf is allowed and sorts last.
    probabilities : float or (k,) array_like of float
        Wanted probabilities, 0 to 1.
    weights : (n,) array_like of float, optional
        Weights, not negative, at least one positive; equal by default.

    Returns
    -------
    (k,) or (k, m) ndarray of float
        Quantiles; inf where the quantile reaches into the infinite samples.

    Raises
    ------
    ValueError
        If there are no samples, one is NaN, or weights or probabilities are out of range.

    Notes
    -----
    Sorted sample :math:`k` stands at :math:`(C_k - w_k/2)/C_n` with :math:`C` the running
    sum of weights; between samples the quantile is linear (Hazen's rule for equal weights).

    """
    x = _samples(values, "values", 2 if weights is None else 1)
    p = np.atleast_1d(np.asarray(probabilities, dtype=np.float64))
    if not (p.min() >= 0.0 and p.max() <= 1.0):
        raise ValueError(f"probabilities must be 0 to 1, got {p.min():g} to {p.max():g}")
    n = len(x)
    if weights is not None:
        w = np.asarray(weights, dtype=np.float64)
        if w.shape != x.shape or not (w.min() >= 0.0 and 0.0 < w.sum() < np.inf):
            raise ValueError(
                f"weights must be {n} numbers, none negative, at least one positive"
            )
    if weights is None or w[0] == w.max() == w.min():  # values alone are sorted sooner
        x, at = np.sort(x, axis=0), np.minimum(np.maximum(n * p - 0.5, 0.0), n - 1.0)
        whole = np.rint(at)
        at = np.where(np.abs(at - whole) < SAME_PLACE, whole, at)
        low = at.astype(np.int64)
        return _between(x, low, np.minimum(low + 1, n - 1), at - low)
    while len(x) > 4 * BINS:
        few = _near_quantiles(x, w, p)
        if len(few[0]) > len(x) // 2:
            break
        x, w = few
    order = np.argsort(x, kind="stable")
    order = order[w[order] > 0.0]
    x, w = x[order], w[order]
    position = (np.cumsum(w) - 0.5 * w) / w.sum()
    high = np.minimum(np.searchsorted(position, p), len(x) - 1)
    here = (p <= position[0]) | (p >= position[high])
    low = np.where(here, high, np.maximum(high - 1, 0))
    apart = position[high] - position[low]
    share = np.where(here, 0.0, p - position[low]) / np.where(here, 1.0, apart)
    return _between(x, low, high, share)


def _between(
    x: Floats, low: NDArray[np.int64], high: NDArray[np.int64], share: Floats
) -> Floats:
    """Sorted samples (n,) or (n, m) between two places, some way from one to the other."""
    share = share.reshape(-1, *[1] * (x.ndim - 1))
    below, above = x[low], x[high]
    if np.isfinite(x[-1]).all() and np.isfinite(x[0]).all():
        return np.asarray(below + share * (above - below))
    # an infinite neighbour must not meet a zero weight: inf * 0 is not a number
    with np.errstate(invalid="ignore"):
        found = np.where(share > 0.0, below + share * (above - below), below)
    ends = np.where(np.isinf(below), below, above)
    mixed = (share > 0.0) & (np.isinf(below) | np.isinf(above))
    return np.asarray(np.where(mixed, ends, found))


def _near_quantiles(x: Floats, w: Floats, p: Floats) -> tuple[Floats, Floats]:
    """Keep the samples that quantiles lie between, and one for all between these."""
    finite = np.isfinite(x)
    if finite.all():
        beyond, known, own = w[:0], x, w
    else:
        beyond, known, own = w[x == np.inf], x[finite], w[finite]
    if len(known) + len(beyond) < len(x) or not len(known):
        return x, w  # some are -inf
    # at places that no order of the samples keeps step with
    places = np.modf(np.arange(BINS) * np.sqrt(5.0))[0] * len(known)
    some = np.sort(known[places.astype(np.int64)])
    low, high = some[len(some) // 50], some[-1 - len(some) // 50]
    if not low < high:
        low, high = known.min(), known.max()
    if not low < high:
        return x, w
    # what lies beyond goes to the first and the last bin
    place = (known - low) * (BINS / (high - low))
    place = np.clip(place, 0.0, BINS - 1.0).astype(np.int64)
    weights = np.bincount(place, own, BINS)
    used = np.flatnonzero(weights)
    below = np.cumsum(weights[used])
    at = np.searchsorted(below, p * (below[-1] + beyond.sum()))
    near = np.unique(used[np.clip([at - 1, at, at + 1], 0, len(used) - 1)])
    kept = np.zeros(BINS, dtype=np.bool_)
    kept[near] = True
    mine = kept[place]
    # a sample between two kept bins stands for all that lie there, another for what is inf
    between = np.add.reduceat(np.where(kept, 0.0, weights), np.append(0, near))
    middles = low + (high - low) * np.append(0.5, near + 1.5) / BINS
    return (
        np.concatenate([known[mine], middles, [np.inf]]),
        np.concatenate([own[mine], between, [beyond.sum()]]),
    )


def clopper_pearson(
    successes: float, trials: float, confidence: float = 0.95
) -> tuple[float, float]:
    r"""Exact confidence interval of a proportion.

    Parameters
    ----------
    successes, trials : float
        Successes among independent trials; effective numbers where trials resemble each
        other (Korn & Graubard, Surv. Methodol. 24, 193, 1998, from memory).
    confidence : float
        Two-sided coverage, at least this whatever the true share; 0 to 1, exclusive.

    Returns
    -------
    low, high : float
        The interval.

    Raises
    ------
    ValueError
        If there are no trials, more successes than trials, or an impossible confidence.

    Notes
    -----
    :math:`I^{-1}_{\alpha/2}(k, n-k+1)` to :math:`I^{-1}_{1-\alpha/2}(k+1, n-k)` with the
    inverse regularised incomplete beta function [1]_.

    References
    ----------
    .. [1] Clopper & Pearson, "The use of confidence or fiducial limits illustrated in the
       case of the binomial", Biometrika 26, 404 (1934).
       https://doi.org/10.1093/biomet/26.4.404

    """
    k, n = float(successes), float(trials)
    if not (n >= 1.0 and 0.0 <= k <= n):
        raise ValueError(
            f"need 0 <= successes <= trials and trials >= 1, got {k:g} of {n:g}"
        )
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must be between 0 and 1, got {confidence}")
    tail = 0.5 * (1.0 - confidence)
    low = 0.0 if k == 0 else float(betaincinv(k, n - k + 1, tail))
    high = 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - tail))
    return low, high


def effective_medium_mean(
    values: ArrayLike, dimension: float, weights: ArrayLike | None = None
) -> float:
    r"""Effective conductance of a random arrangement of equally likely parts.

    Parameters
    ----------
    values : (n,) array_like of float
        Conductances (or conductivities) of the parts, >= 0; 0 is an open part.
    dimension : float
        1 for parts in series (harmonic mean), 2 for a sheet, 3 for a solid; any number
        >= 1 (half the coordination number for a lattice of bonds).
    weights : (n,) array_like of float, optional
        Shares of the parts, not negative, at least one positive; equal by default.

    Returns
    -------
    float
        The self-consistent mean, 0 when the conducting share is 1/dimension or less.

    Raises
    ------
    ValueError
        If a value is negative or not finite, there are none, or the dimension is below 1.

    Notes
    -----
    The root :math:`s_m` of :math:`\sum_i w_i (s_i - s_m)/(s_i + (d-1) s_m) = 0` [1]_ [2]_.
    The sum falls with :math:`s_m`, so a bracketed Newton search on :math:`\ln s_m` cannot
    fail.

    References
    ----------
    .. [1] Bruggeman, Ann. Phys. 416, 636 (1935). https://doi.org/10.1002/andp.19354160705
    .. [2] Landauer, "The electrical resistance of binary metallic mixtures", J. Appl. Phys.
       23, 779 (1952). https://doi.org/10.1063/1.1702301

    Examples
    --------
    Two equally likely parts in a sheet conduct like their geometric mean:

    >>> round(effective_medium_mean([1.0, 100.0], dimension=2), 9)
    10.0

    """
    s = _samples(values, "values")
    if not (np.isfinite(s) & (s >= 0.0)).all():
        raise ValueError("values must be finite conductances, none negative")
    if not 1.0 <= dimension < math.inf:
        raise ValueError(f"dimension must be at least 1, got {dimension}")
    w = np.ones(len(s)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != s.shape or not (np.isfinite(w) & (w >= 0.0)).all() or not w.sum() > 0.0:
        raise ValueError(
            f"weights must be {len(s)} numbers, none negative, at least one positive"
        )
    w = w / w.sum()
    open_share = float(w[s == 0.0].sum())
    keep = (s > 0.0) & (w > 0.0)
    s, w = s[keep], w[keep]
    # The slack keeps shares such as 1/3, which rounding may leave just above, at zero.
    if open_share > 0.0 and dimension * (1.0 - open_share) <= 1.0 + 1e-12:
        return 0.0
    scale = float(s.max())
    s = s / scale
    if dimension == 1.0:
        return scale / float((w / s).sum())
    other = dimension - 1.0
    # Upper bound: the largest part. Lower bound: where even the open parts, taken with
    # the weakest conducting part standing for all, leave the sum positive.
    high = 0.0
    weakest = float(s.min()) * (dimension * (1.0 - open_share) - 1.0) / other
    low = math.log(weakest) - 1e-9
    x = 0.5 * (low + high) if open_share else float((w * np.log(s)).sum())
    for _ in range(200):
        m = math.exp(x)
        below = s + other * m
        f = float((w * (s - m) / below).sum()) - open_share / other
        if f > 0.0:
            low = x
        else:
            high = x
        slope = -float((w * s * m * dimension / below**2).sum())
        step = x - f / slope if slope < 0.0 else math.inf
        new = step if low < step < high else 0.5 * (low + high)
        if abs(new - x) <= 1e-14 * max(1.0, abs(x)) or high - low <= 1e-15:
            x = new
            break
        x = new
    return scale * math.exp(x)


def cv_from_log_std(log_std: float) -> float:
    r"""CV of a log-normal from its spread of ln x: :math:`\sqrt{e^{s^2} - 1}`."""
    if not 0.0 <= log_std < math.inf:
        raise ValueError(f"log_std must be finite and not negative, got {log_std}")
    variance = log_std * log_std
    # beyond the largest number the CV says no more than that it is without bound
    return math.sqrt(math.expm1(variance)) if variance < 700.0 else math.inf


def log_std_from_cv(cv: float) -> float:
    r"""Spread of ln x of a log-normal from its CV: :math:`\sqrt{\ln(1 + c^2)}`."""
    if not 0.0 <= cv < math.inf:
        raise ValueError(f"cv must be finite and not negative, got {cv}")
    return math.sqrt(math.log1p(cv * cv))


def _samples(values: ArrayLike, name: str, most: int = 1) -> Floats:
    x = np.asarray(values, dtype=np.float64)
    if not 1 <= x.ndim <= most or x.shape[0] == 0:
        raise ValueError(f"{name} must hold at least one number in a row, got {x.shape}")
    if np.isnan(x).any():
        raise ValueError(f"{name} must not hold NaN")
    return x
