"""Stage 8. Lots of castings: how many prove a recipe, and what a measured lot shows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import (
    bdtr,
    chdtrc,
    chdtri,
    chndtrix,
    ndtr,
    ndtri,
    stdtrit,
)

from percsim.ensemble.statistics import clopper_pearson, cv_from_log_std

__all__ = [
    "AcceptanceBand",
    "CureRatio",
    "Lot",
    "castings_for_median",
    "castings_for_median_by_rank",
    "castings_for_range",
    "castings_for_share",
    "median_interval",
    "sampling_plan",
    "tolerance_factor",
]

Floats = NDArray[np.float64]

MOST_CASTINGS = 100_000
"""Counts above this are not worth giving: nobody casts as many to prove a recipe."""

GUARD = 2.0
"""Standard uncertainties between a limit and what is accepted (JCGM 106:2012, 8.3.2)."""


def _share(name: str, value: float) -> float:
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} must lie between 0 and 1, got {value}")
    return value


def tolerance_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    r"""Exact two-sided factor of a normal tolerance interval, mean and spread unknown.

    Mean plus and minus k standard deviations of n readings hold at least the share
    `coverage` of what they come from, with the probability `confidence`.

    Parameters
    ----------
    n : int
        Readings, at least 2.
    coverage, confidence : float
        Between 0 and 1.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        If n is below 2 or a probability is not between 0 and 1.

    Notes
    -----
    k solves [1]_

    .. math:: \sqrt{\frac{2 n}{\pi}} \int_0^\infty
        P\left(\chi^2_{n-1} \ge \frac{(n-1)\, r(z)^2}{k^2}\right) e^{-n z^2/2} dz = \gamma

    with :math:`r(z)` from :math:`\Phi(z + r) - \Phi(z - r) = p`, whose square is the p
    quantile of the non-central chi-square with one degree of freedom and non-centrality
    :math:`z^2`. By Gauss-Legendre quadrature over ten standard deviations of z.

    References
    ----------
    .. [1] ISO 16269-6:2014, "Statistical interpretation of data: Determination of
       statistical tolerance intervals"; Odeh & Owen, "Tables for normal tolerance limits,
       sampling plans, and screening" (1980) (both from memory).

    Examples
    --------
    >>> round(tolerance_factor(20), 4)
    2.7603

    """
    if n < 2:
        raise ValueError(f"a tolerance interval needs 2 readings or more, got {n}")
    p, gamma = _share("coverage", coverage), _share("confidence", confidence)
    nodes, weights = np.polynomial.legendre.leggauss(160)
    z = 5.0 * (nodes + 1.0)  # in standard deviations of the mean
    density = 5.0 * weights * 2.0 * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    squared = chndtrix(p, 1.0, z**2 / n)

    def excess(log_k: float) -> float:
        reached = chdtrc(n - 1, (n - 1) * squared * np.exp(-2.0 * log_k))
        return float(density @ reached) - gamma

    return float(np.exp(brentq(excess, np.log(1e-3), np.log(1e9), xtol=1e-13)))


def castings_for_median(
    log_std: float, within: float, confidence: float = 0.95, assurance: float | None = None
) -> int:
    r"""Castings whose geometric mean shows the median of a log-normal within a factor.

    The smallest n with :math:`t_{(1+\gamma)/2,\,n-1}\, s/\sqrt n \le \ln(1 + w)`.

    Parameters
    ----------
    log_std : float
        Standard deviation of ln R between castings, 0 or more.
    within : float
        Largest relative deviation w, 0.1 for 10 %: factors 1/(1 + w) to 1 + w, so that
        neither side is further off than w.
    confidence : float
        Of the interval of the median.
    assurance : float, optional
        Probability that the standard deviation found is small enough for the interval to
        come out so; without, it is taken to be found as it is.

    Returns
    -------
    int
        2 or more; `MOST_CASTINGS` stands for that many or more.

    Raises
    ------
    ValueError
        If a number is out of range.

    References
    ----------
    .. [1] Kupper & Hafner, "How appropriate are popular sample size formulas?", Am. Stat.
       43, 101 (1989), for the assurance.

    """
    if not 0.0 <= log_std < float("inf"):
        raise ValueError(f"log_std must be 0 or more, got {log_std}")
    if not within > 0.0:
        raise ValueError(f"within must be above 0, got {within}")
    tail = 0.5 * (1.0 + _share("confidence", confidence))
    if assurance is not None:
        _share("assurance", assurance)
    goal = np.log1p(within)

    def enough(n: int) -> bool:
        found = log_std
        if assurance is not None:
            found *= np.sqrt(chdtri(n - 1, 1.0 - assurance) / (n - 1))
        return bool(stdtrit(n - 1, tail) * found / np.sqrt(n) <= goal)

    low, high = 1, 2
    while not enough(high) and high < MOST_CASTINGS:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return min(high, MOST_CASTINGS)


def _rank(n: int, confidence: float) -> int:
    """Return the largest r whose ranks r and n + 1 - r hold the median; 0 if none does."""
    r = 0
    while 2 * (r + 1) <= n and 1.0 - 2.0 * bdtr(r, n, 0.5) >= confidence:
        r += 1
    return r


def castings_for_median_by_rank(
    log_std: float, within: float, confidence: float = 0.95
) -> int:
    """Castings whose ranked readings show the median within a factor.

    As `castings_for_median`, for the interval of `median_interval`, which takes no law for
    granted; the law enters here only in how far apart ranks are expected to lie (Blom,
    "Statistical estimates and transformed beta-variables", 1958).

    Returns
    -------
    int
        At least the number from which ranks hold the median at all; `MOST_CASTINGS`
        stands for that many or more.

    """
    _share("confidence", confidence)
    if not within > 0.0:
        raise ValueError(f"within must be above 0, got {within}")
    goal = np.log1p(within)
    r, n = 0, 1
    while n < MOST_CASTINGS:
        n += 1
        # one more reading moves the rank by one at most
        while 2 * (r + 1) <= n and 1.0 - 2.0 * bdtr(r, n, 0.5) >= confidence:
            r += 1
        if r and -ndtri((r - 0.375) / (n + 0.25)) * log_std <= goal:
            return n
    return MOST_CASTINGS


def castings_for_range(coverage: float = 0.95, confidence: float = 0.95) -> int:
    """Castings whose smallest and largest reading hold a share of all, whatever the law.

    The smallest n with 1 - n p^(n-1) + (n-1) p^n >= confidence (Wilks, Ann. Math. Stat. 12,
    91, 1941).
    """
    p, gamma = _share("coverage", coverage), _share("confidence", confidence)
    n = 2
    while 1.0 - n * p ** (n - 1) + (n - 1) * p**n < gamma:
        n += 1
    return n


def castings_for_share(share: float, confidence: float = 0.95, failures: int = 0) -> int:
    """Castings to test so that no more than some failures prove a share of passes.

    The smallest n for which a lot with just that share would show as few failures with a
    probability of no more than 1 - confidence (binomial).
    """
    p, gamma = _share("share", share), _share("confidence", confidence)
    if failures < 0:
        raise ValueError(f"failures must be 0 or more, got {failures}")
    n = failures + 1
    while bdtr(failures, n, 1.0 - p) > 1.0 - gamma:
        n += 1
    return n


def median_interval(
    values: ArrayLike, confidence: float = 0.95
) -> tuple[float, float, float] | None:
    """Interval of the median from ranks alone.

    Parameters
    ----------
    values : (n,) array_like of float
        Readings, inf where open.
    confidence : float
        Least probability that it holds the median.

    Returns
    -------
    low, high, confidence : float
        Its ends, readings themselves, and the probability it has; None when there are too
        few readings for any.

    Notes
    -----
    The r-th smallest and r-th largest of n readings hold the median with probability
    1 - 2 B(r - 1; n, 1/2) (Thompson, Ann. Math. Stat. 7, 122, 1936).

    """
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    n = len(ordered)
    r = _rank(n, _share("confidence", confidence))
    if r == 0:
        return None
    reached = 1.0 - 2.0 * float(bdtr(r - 1, n, 0.5))
    return float(ordered[r - 1]), float(ordered[n - r]), reached


@dataclass(frozen=True, slots=True)
class CureRatio:
    """Cured over uncured resistance of the same films, as the user measured it.

    Parameters
    ----------
    median : float
        Geometric mean of the ratio.
    log_std : float
        Standard deviation of its logarithm from film to film.
    n : int or None
        Films behind it, None when it was given without them.

    Raises
    ------
    ValueError
        If the ratio is not positive or its spread negative.

    """

    median: float
    log_std: float
    n: int | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.median < float("inf"):
            raise ValueError(f"the cured ratio must be positive, got {self.median}")
        if not 0.0 <= self.log_std < float("inf"):
            raise ValueError(
                f"the spread of the cured ratio must be 0 or more, got {self.log_std}"
            )

    @classmethod
    def from_pairs(cls, cured: ArrayLike, uncured: ArrayLike) -> CureRatio | None:
        """Take it from films read before and after cure; None with fewer than 3 of them."""
        logs = np.log(np.asarray(cured, float)) - np.log(np.asarray(uncured, float))
        logs = logs[np.isfinite(logs)]
        if len(logs) < 3:
            return None
        return cls(float(np.exp(logs.mean())), float(logs.std(ddof=1)), len(logs))

    @property
    def reach(self) -> float:
        """Spreads of ln ratio that hold 95 % of films, surely enough for its n."""
        return GUARD if self.n is None else tolerance_factor(self.n, 0.95, 0.90)

    def before_cure(self, low: float, high: float) -> tuple[float, float] | None:
        """Band of the uncured resistance that lands in a band when cured [ohm].

        None when the ratio scatters too much to tell anything before cure.
        """
        slack = float(np.exp(self.reach * self.log_std))
        first, last = low / self.median * slack, high / self.median / slack
        return (first, last) if first < last else None


@dataclass(frozen=True, slots=True)
class AcceptanceBand:
    """Band in which a finished part is accepted.

    Parameters
    ----------
    low, high : float
        Its ends [ohm]; 0 and inf where the window has none.
    guard : float
        Factor between the ends of the window and of the band.

    """

    low: float
    high: float
    guard: float

    @classmethod
    def inside(cls, low: float, high: float, instrument: float) -> AcceptanceBand | None:
        """Shrink a window by two standard uncertainties of a reading; None if none is left.

        A part that reads inside then lies in the window with a probability of about 98 % or
        more (guarded acceptance, JCGM 106:2012, 8.3.2).

        Parameters
        ----------
        low, high : float
            The window [ohm].
        instrument : float
            Standard uncertainty of one reading, relative.

        """
        guard = float(np.exp(GUARD * instrument))
        first, last = low * guard, high / guard
        return cls(first, last, guard) if first < last else None


@dataclass(frozen=True, slots=True)
class Lot:
    """Readings of a lot of castings meant to be equal.

    Parameters
    ----------
    readings : (n,) ndarray of float
        Resistance of each [ohm], inf where open.
    window : tuple of float
        Resistances asked for [ohm]; 0 and inf where there is no limit.

    Raises
    ------
    ValueError
        If there is no reading, one is not positive, or the window is empty.

    Notes
    -----
    The law of a lot is log-normal, as resistances near a threshold are products rather than
    sums. Open castings have no logarithm: they count in every share, rank and median, and
    the log-normal figures are those of the conducting castings, which `n_open` must be told
    with.

    """

    readings: Floats
    window: tuple[float, float] = (0.0, float("inf"))

    def __post_init__(self) -> None:
        values = np.asarray(self.readings, dtype=np.float64)
        if values.ndim != 1 or len(values) == 0:
            raise ValueError("a lot needs at least one reading")
        if not (values > 0.0).all():
            raise ValueError(
                f"readings must be positive resistances, got {values[~(values > 0.0)][0]}"
            )
        low, high = self.window
        if not 0.0 <= low < high:
            raise ValueError(f"the window must rise, got {low} to {high} ohm")
        object.__setattr__(self, "readings", values)

    def __len__(self) -> int:
        return len(self.readings)

    @property
    def n_open(self) -> int:
        """Castings that are open."""
        return int(np.isinf(self.readings).sum())

    @property
    def conducting(self) -> Floats:
        """Readings that are finite [ohm]."""
        return self.readings[np.isfinite(self.readings)]

    @property
    def logs(self) -> Floats:
        """Natural logarithm of the conducting readings."""
        return np.log(self.conducting)

    @property
    def median(self) -> float:
        """Median, open castings counted as largest; inf when half or more are open."""
        ordered = np.sort(self.readings)
        n = len(ordered)
        low, high = ordered[(n - 1) // 2], ordered[n // 2]
        return float("inf") if np.isinf(high) else float(0.5 * (low + high))

    @property
    def log_mean(self) -> float:
        """Mean of ln R."""
        return float(self.logs.mean())

    @property
    def log_std(self) -> float:
        """Standard deviation of ln R, n - 1; inf for a single reading."""
        return float(self.logs.std(ddof=1)) if len(self.logs) > 1 else float("inf")

    @property
    def geometric_mean(self) -> float:
        """Median of the log-normal law [ohm]."""
        return float(np.exp(self.log_mean))

    @property
    def geometric_std(self) -> float:
        """Factor of one standard deviation."""
        return float(np.exp(self.log_std))

    @property
    def cv(self) -> float:
        """CV of the log-normal law."""
        return cv_from_log_std(self.log_std)

    def log_std_limit(self, confidence: float = 0.90) -> float:
        """Upper limit of the standard deviation of ln R at a one-sided confidence."""
        nu = len(self.logs) - 1
        if nu < 1:
            return float("inf")
        return self.log_std * float(np.sqrt(nu / chdtri(nu, confidence)))

    def geometric_mean_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of the median of the log-normal law [ohm], from Student's t."""
        n = len(self.logs)
        if n < 2:
            return 0.0, float("inf")
        reach = stdtrit(n - 1, 0.5 * (1.0 + confidence)) * self.log_std / np.sqrt(n)
        return float(np.exp(self.log_mean - reach)), float(np.exp(self.log_mean + reach))

    def tolerance_interval(
        self, coverage: float = 0.95, confidence: float = 0.95
    ) -> tuple[float, float]:
        """Band that holds a share of conducting castings at a confidence [ohm]."""
        n = len(self.logs)
        if n < 2:
            return 0.0, float("inf")
        reach = tolerance_factor(n, coverage, confidence) * self.log_std
        return float(np.exp(self.log_mean - reach)), float(np.exp(self.log_mean + reach))

    def next_mean_interval(self, m: int, confidence: float = 0.95) -> tuple[float, float]:
        """Band for the geometric mean of m more castings of the same law [ohm].

        Prediction interval: t s sqrt(1/m + 1/n) about the mean of ln R (Hahn & Meeker,
        "Statistical Intervals", 1991, from memory).
        """
        n = len(self.logs)
        if n < 2:
            return 0.0, float("inf")
        reach = stdtrit(n - 1, 0.5 * (1.0 + confidence)) * self.log_std
        reach *= np.sqrt(1.0 / m + 1.0 / n)
        return float(np.exp(self.log_mean - reach)), float(np.exp(self.log_mean + reach))

    @property
    def inside(self) -> int:
        """Castings inside the window; open ones are not."""
        low, high = self.window
        values = self.readings
        return int((np.isfinite(values) & (values >= low) & (values <= high)).sum())

    def share_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of the share inside the window, Clopper-Pearson."""
        return clopper_pearson(self.inside, len(self), confidence)

    @property
    def share_by_law(self) -> float:
        """Share inside the window by the log-normal law, open castings counted as outside.

        Taken at the mean and spread found, so without a margin for how few readings those
        come from.
        """
        low, high = self.window
        conducts = 1.0 - self.n_open / len(self)
        if not 0.0 < self.log_std < float("inf"):
            return self.inside / len(self)
        first = (np.log(low) - self.log_mean) / self.log_std if low > 0.0 else -np.inf
        last = (np.log(high) - self.log_mean) / self.log_std
        return float(conducts * (ndtr(last) - ndtr(first)))

    def capability(self, *, logs: bool = True) -> tuple[float, float]:
        """Cp and Cpk against the window, of ln R or of R; inf where a limit is missing.

        Cp = (high - low)/(6 s), Cpk = min(high - m, m - low)/(3 s); with one limit alone
        Cp is inf and Cpk that of the limit.
        """
        low, high = self.window
        values = self.logs if logs else self.conducting
        if len(values) < 2 or values.std(ddof=1) == 0.0:
            return float("inf"), float("inf")
        mean, std = float(values.mean()), float(values.std(ddof=1))
        if logs:
            low = float(np.log(low)) if low > 0.0 else -float("inf")
            high = float(np.log(high))
        elif low == 0.0:
            low = -float("inf")
        return (high - low) / (6.0 * std), min(high - mean, mean - low) / (3.0 * std)

    def capability_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of Cp of R from the chi-square law of its standard deviation."""
        cp, nu = self.capability(logs=False)[0], len(self.conducting) - 1
        if not np.isfinite(cp) or nu < 1:
            return 0.0, float("inf")
        tail = 0.5 * (1.0 - confidence)
        low, high = (float(np.sqrt(chdtri(nu, q) / nu)) for q in (1.0 - tail, tail))
        return cp * low, cp * high

    def normality(self) -> dict[str, float]:
        """Shapiro-Wilk W and p of ln R and of R, and their bias-corrected skewness.

        Empty with fewer than 3 conducting readings or none that differ.
        """
        from scipy.stats import shapiro, skew

        if len(self.logs) < 3 or np.ptp(self.logs) == 0.0:
            return {}
        told = {}
        for name, values in (("log", self.logs), ("raw", self.conducting)):
            test = shapiro(values)
            told[f"{name}_w"] = float(test.statistic)
            told[f"{name}_p"] = float(test.pvalue)
            told[f"{name}_skewness"] = float(skew(values, bias=False))
        return told

    def as_dict(self, confidence: float = 0.95, coverage: float = 0.95) -> dict[str, Any]:
        """Everything the readings show, keys with their unit."""
        n = len(self.logs)
        by_rank = median_interval(self.readings, confidence)
        values = self.conducting
        few = n < 2
        return {
            "n": len(self),
            "n_open": self.n_open,
            "median_ohm": self.median,
            "median_by_rank_ohm": None
            if by_rank is None
            else {"low": by_rank[0], "high": by_rank[1], "confidence": by_rank[2]},
            "smallest_ohm": float(self.readings.min()),
            "largest_ohm": float(self.readings.max()),
            "mean_ohm": float(values.mean()) if n else float("inf"),
            "std_ohm": float(values.std(ddof=1)) if not few else float("inf"),
            "log_mean": self.log_mean if n else float("inf"),
            "log_std": self.log_std,
            "geometric_mean_ohm": self.geometric_mean if n else float("inf"),
            "geometric_mean_interval_ohm": list(self.geometric_mean_interval(confidence))
            if n
            else [0.0, float("inf")],
            "geometric_std": self.geometric_std if not few else float("inf"),
            "cv": self.cv if not few else float("inf"),
            "tolerance_factor": None if few else tolerance_factor(n, coverage, confidence),
            "tolerance_interval_ohm": list(self.tolerance_interval(coverage, confidence))
            if n
            else [0.0, float("inf")],
            "next_five_ohm": list(self.next_mean_interval(5, confidence))
            if n
            else [0.0, float("inf")],
            "window_ohm": list(self.window),
            "inside": self.inside,
            "share": self.inside / len(self),
            "share_interval": list(self.share_interval(confidence)),
            "share_by_law": self.share_by_law if n else 0.0,
            "capability": dict(zip(("cp", "cpk"), self.capability(), strict=True)),
            "normality": self.normality(),
        }


def sampling_plan(
    log_std: float,
    *,
    log_std_limit: float | None = None,
    within: float = 0.10,
    confidence: float = 0.95,
    coverage: float = 0.95,
    share: float = 0.80,
    failures: Sequence[int] = (0, 1, 2),
    assurance: float = 0.90,
) -> dict[str, Any]:
    """How many castings each kind of proof takes.

    Parameters
    ----------
    log_std : float
        Spread of ln R between castings, measured or predicted.
    log_std_limit : float, optional
        Upper limit of it, when it comes from few readings.
    within, confidence, coverage, share, assurance : float
        What is asked: median within a relative deviation, confidence of every statement,
        share that a tolerance interval holds, share of castings to prove inside the window,
        probability that the count does.
    failures : sequence of int
        Failures to allow in the proof of the share.

    Returns
    -------
    dict
        Counts by kind.

    """
    known = np.isfinite(log_std)
    limit = log_std if log_std_limit is None else log_std_limit
    return {
        "log_std": log_std,
        "log_std_limit": limit,
        "within": within,
        "confidence": confidence,
        "coverage": coverage,
        "share": share,
        "assurance": assurance,
        "for_median": castings_for_median(log_std, within, confidence) if known else None,
        "for_median_assured": castings_for_median(log_std, within, confidence, assurance)
        if known
        else None,
        "for_median_at_limit": castings_for_median(limit, within, confidence)
        if np.isfinite(limit)
        else None,
        "for_median_by_rank": castings_for_median_by_rank(log_std, within, confidence)
        if known
        else None,
        "for_range": castings_for_range(coverage, confidence),
        "for_share": [
            {"failures": c, "castings": castings_for_share(share, confidence, c)}
            for c in failures
        ],
    }
