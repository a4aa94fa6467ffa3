"""Stage 8. What a measured lot of castings shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import bdtr, chdtrc, chdtri, chndtrix, ndtr, ndtri, stdtrit

from percsim.boxes.statistics import clopper_pearson, cv_from_log_std
from percsim.decision.counts import probability

__all__ = [
    "AcceptanceBand",
    "CureRatio",
    "Lot",
    "median_interval",
    "tolerance_factor",
]

Floats = NDArray[np.float64]

GUARD = 2.0
"""Standard uncertainties between a limit and what is accepted (JCGM 106:2012, 8.3.2)."""


@cache
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
    p, gamma = probability("coverage", coverage), probability("confidence", confidence)
    nodes, weights = np.polynomial.legendre.leggauss(160)
    z = 5.0 * (nodes + 1.0)  # in standard deviations of the mean
    density = 5.0 * weights * 2.0 * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    squared = chndtrix(p, 1.0, z**2 / n)

    def excess(log_k: float) -> float:
        reached = chdtrc(n - 1, (n - 1) * squared * np.exp(-2.0 * log_k))
        return float(density @ reached) - gamma

    return float(np.exp(brentq(excess, np.log(1e-3), np.log(1e9), xtol=1e-13)))


def _rank(n: int, confidence: float) -> int:
    """Return the largest r whose ranks r and n + 1 - r hold the median; 0 if none does."""
    r = 0
    while 2 * (r + 1) <= n and 1.0 - 2.0 * bdtr(r, n, 0.5) >= confidence:
        r += 1
    return r


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
    r = _rank(n, probability("confidence", confidence))
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
class Scatter:
    """Variance of ln R of a lot, between cups and within them.

    Films that are not told by cup count as one a cup.

    Parameters
    ----------
    mean : float
        Mean of the cups' means of ln R.
    of_means, within : float
        Variance of the cups' means, and of the films of one cup.
    cups, films : int
        Cups with a conducting film, and conducting films.
    films_per_cup : float
        Their harmonic mean.

    Notes
    -----
    Random effects, one way: cups and films both normal in ln R. With unequal numbers the
    unweighted means take the place of the mean square between cups (Thomas & Hultquist,
    Ann. Stat. 6, 582, 1978, from memory). Sums of variances are bounded as by Graybill &
    Wang, J. Am. Stat. Assoc. 75, 869 (1980) (from memory).

    """

    mean: float
    of_means: float
    within: float
    cups: int
    films: int
    films_per_cup: float

    @classmethod
    def of(cls, logs: Floats, cups: NDArray[np.intp], floor: float) -> Scatter | None:
        """Split ln R by cup; None with fewer than two cups. `floor`: of the deviation."""
        names, place, counts = np.unique(cups, return_inverse=True, return_counts=True)
        k = len(names)
        if k < 2:
            return None
        means = np.bincount(place, logs) / counts
        within = 0.0
        if len(logs) > k:
            within = float(np.square(logs - means[place]).sum()) / (len(logs) - k)
        of_means = max(float(means.var(ddof=1)), floor**2)
        harmonic = k / float((1.0 / counts).sum())
        return cls(float(means.mean()), of_means, within, k, len(logs), harmonic)

    @property
    def between(self) -> float:
        """Variance between cups: what is left of that of the means; 0 or more."""
        return max(self.of_means - self.within / self.films_per_cup, 0.0)

    @property
    def total(self) -> float:
        """Variance of a film of any cup."""
        return self.between + self.within

    @property
    def alike(self) -> float:
        """Share of the variance that films of a cup have in common."""
        return self.between / self.total

    @property
    def design_effect(self) -> float:
        """Films needed where one of its own cup would do (Kish, 1965, from memory)."""
        return 1.0 + (self.films_per_cup - 1.0) * self.alike

    def total_limit(self, confidence: float, mean_too: bool = False) -> float:
        """Upper limit of the variance of a film, that of the mean on top if asked."""
        parts = (
            (self.of_means * (1.0 + (1.0 / self.cups if mean_too else 0.0)), self.cups - 1),
            (self.within * (1.0 - 1.0 / self.films_per_cup), self.films - self.cups),
        )
        terms = [(size, nu) for size, nu in parts if nu > 0]
        excess = [size * (nu / float(chdtri(nu, confidence)) - 1.0) for size, nu in terms]
        return sum(size for size, _ in terms) + math.hypot(*excess)

    def reach(self, coverage: float, confidence: float) -> float:
        """Half width in ln R of the band that holds a share of all films.

        Exact with one film a cup; else by Hoffman & Kringle, J. Biopharm. Stat. 15, 283
        (2005) (from memory), which joins Howe's interval to the limit of `total_limit`.
        """
        if self.films == self.cups:
            return tolerance_factor(self.cups, coverage, confidence) * math.sqrt(
                self.of_means
            )
        limit = self.total_limit(confidence, mean_too=True)
        return float(ndtri(0.5 * (1.0 + coverage))) * math.sqrt(limit)


@dataclass(frozen=True, slots=True)
class Lot:
    """Readings of a lot of castings meant to be equal.

    Parameters
    ----------
    readings : (n,) ndarray of float
        Resistance of each [ohm], inf where open.
    window : tuple of float
        Resistances asked for [ohm]; 0 and inf where there is no limit.
    cups : (n,) sequence of str, optional
        Cup that each film was cast from. Without, every film is taken to have its own.
    instrument : float
        Standard uncertainty of one reading, relative: the least spread that can be seen.

    Raises
    ------
    ValueError
        If there is no reading, one is not positive, the window is empty, or cups and
        readings differ in number.

    Notes
    -----
    The law of a lot is log-normal, as resistances near a threshold are products rather than
    sums. Open castings have no logarithm: they count in every share, rank and median; mean
    and spread are those of the conducting castings, which `n_open` must be told with. With
    one cup alone every figure is that of the cup.

    """

    readings: Floats
    window: tuple[float, float] = (0.0, float("inf"))
    cups: Sequence[str] | None = None
    instrument: float = 0.001

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
        if self.cups is not None and len(self.cups) != len(values):
            raise ValueError(f"{len(values)} readings need as many cups: {len(self.cups)}")
        object.__setattr__(self, "readings", values)

    def __len__(self) -> int:
        return len(self.readings)

    @property
    def n_open(self) -> int:
        """Castings that are open."""
        return int(np.isinf(self.readings).sum())

    @property
    def n_cups(self) -> int | None:
        """Cups the films came from; None when that is not told."""
        return None if self.cups is None else len(set(self.cups))

    @property
    def conducting(self) -> Floats:
        """Readings that are finite [ohm]."""
        return self.readings[np.isfinite(self.readings)]

    @property
    def logs(self) -> Floats:
        """Natural logarithm of the conducting readings."""
        return np.log(self.conducting)

    @property
    def _places(self) -> NDArray[np.intp]:
        """(n,) number of each film's cup; its own where cups are not told, or one alone."""
        if self.cups is None or self.n_cups == 1:
            return np.arange(len(self))
        return np.unique(list(self.cups), return_inverse=True)[1]

    @property
    def scatter(self) -> Scatter | None:
        """Variance by cup and film, at least the instrument's; None with fewer than two."""
        conducts = np.isfinite(self.readings)
        floor = max(self.instrument, 1e-9)  # a perfect instrument shows no smaller spread
        return Scatter.of(self.logs, self._places[conducts], floor)

    @property
    def spread_seen(self) -> bool:
        """Whether the conducting readings differ by more than the instrument does."""
        return len(self.logs) > 1 and float(self.logs.std(ddof=1)) > self.instrument

    @property
    def outliers(self) -> tuple[int, ...]:
        """Places of films that stand apart, farthest first, at 1 % (ln R against normal).

        Rosner's generalised test of up to a quarter of the readings, Technometrics 25, 165
        (1983); each film against its cup where three or more of it conduct.
        """
        at = np.flatnonzero(np.isfinite(self.readings))
        logs, cups = np.log(self.readings[at]), self._places[at]
        if len(set(cups)) < len(cups):
            counts = np.bincount(cups)[cups]
            middles = [np.median(logs[cups == cup]) for cup in cups]
            at, logs = at[counts >= 3], (logs - middles)[counts >= 3]
        found, last = [], 0
        n = len(logs)
        for k in range(1, max(n // 4, n >= 4) + 1):
            off = np.abs(logs - logs.mean())
            worst, left = int(off.argmax()), n - k + 1
            t2 = stdtrit(left - 2, 1.0 - 0.01 / (2 * left)) ** 2
            limit = (left - 1) * np.sqrt(t2 / (left * (left - 2 + t2)))
            if off[worst] > limit * max(float(logs.std(ddof=1)), self.instrument):
                last = k
            found.append(int(at[worst]))
            at, logs = np.delete(at, worst), np.delete(logs, worst)
        return tuple(found[:last])

    @property
    def without_outliers(self) -> Lot:
        """The films that do not stand apart."""
        keep = np.setdiff1d(np.arange(len(self)), self.outliers)
        cups = None if self.cups is None else [self.cups[k] for k in keep]
        return Lot(self.readings[keep], self.window, cups, self.instrument)

    @property
    def median(self) -> float:
        """Median, open castings counted as largest; inf when half or more are open."""
        return _median(self.readings)

    @property
    def log_mean(self) -> float:
        """Mean of ln R, over cups; that of a single reading is its own."""
        scatter = self.scatter
        return float(self.logs.mean()) if scatter is None else scatter.mean

    @property
    def log_std(self) -> float:
        """Standard deviation of ln R of a film of any cup; inf when it is not known."""
        scatter = self.scatter
        return float("inf") if scatter is None else float(np.sqrt(scatter.total))

    @property
    def geometric_mean(self) -> float:
        """Median of the log-normal law [ohm]."""
        return float(np.exp(self.log_mean))

    @property
    def cv(self) -> float:
        """CV of the log-normal law."""
        return cv_from_log_std(self.log_std)

    def log_std_limit(self, confidence: float = 0.90) -> float:
        """Upper limit of the standard deviation of ln R at a one-sided confidence."""
        scatter = self.scatter
        if scatter is None:
            return float("inf")
        return float(np.sqrt(scatter.total_limit(confidence)))

    def _band(self, reach: float) -> tuple[float, float]:
        # far beyond any resistance, and within what a number holds
        reach = min(reach, 600.0)
        return float(np.exp(self.log_mean - reach)), float(np.exp(self.log_mean + reach))

    def geometric_mean_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of the median of the log-normal law [ohm], from Student's t of cups."""
        scatter = self.scatter
        if scatter is None:
            return 0.0, float("inf")
        reach = stdtrit(scatter.cups - 1, 0.5 * (1.0 + confidence))
        return self._band(reach * np.sqrt(scatter.of_means / scatter.cups))

    def conducting_share(self, confidence: float) -> float:
        """Lower limit of the share of castings that conduct, one-sided."""
        conducting = len(self) - self.n_open
        return clopper_pearson(*self._counts(conducting), 2.0 * confidence - 1.0)[0]

    def tolerance_interval(
        self, coverage: float = 0.95, confidence: float = 0.95
    ) -> tuple[float, float]:
        """Band that holds a share of all castings at a confidence [ohm].

        Where some are open, those that conduct must hold the more: the risk is shared
        between the band and the share that conducts. 0 and inf when no band does.
        """
        scatter = self.scatter
        if scatter is None:
            return 0.0, float("inf")
        if self.n_open:
            confidence = 0.5 * (1.0 + confidence)
            coverage /= self.conducting_share(confidence)
            if coverage >= 1.0:
                return 0.0, float("inf")
        return self._band(scatter.reach(coverage, confidence))

    def next_mean_interval(self, m: int, confidence: float = 0.95) -> tuple[float, float]:
        """Band for the geometric mean of m castings of one new cup of the same law [ohm].

        Prediction interval: t s sqrt(1/m + 1/n) about the mean of ln R with a film a cup
        (Hahn & Meeker, "Statistical Intervals", 1991, from memory); what cups have in
        common does not average out.
        """
        scatter = self.scatter
        if scatter is None:
            return 0.0, float("inf")
        if scatter.films == scatter.cups:
            variance = scatter.of_means / m
        else:
            variance = scatter.between + scatter.within / m
        reach = stdtrit(scatter.cups - 1, 0.5 * (1.0 + confidence))
        return self._band(reach * np.sqrt(variance + scatter.of_means / scatter.cups))

    @property
    def passes(self) -> NDArray[np.bool_]:
        """(n,) whether each casting lies inside the window; open ones do not."""
        low, high = self.window
        values = self.readings
        return np.isfinite(values) & (values >= low) & (values <= high)

    @property
    def inside(self) -> int:
        """Castings inside the window."""
        return int(self.passes.sum())

    @property
    def design_effect(self) -> float:
        """Films that tell as much as one film of its own cup."""
        scatter = self.scatter
        if scatter is not None:
            return scatter.design_effect
        several = self.cups is not None and self.n_cups != 1
        return float(len(self)) / (self.n_cups or 1) if several else 1.0

    def _counts(self, successes: int) -> tuple[float, float]:
        """Effective successes and films, fewer where films of a cup are alike."""
        effect = self.design_effect
        return successes / effect, len(self) / effect

    def share_interval(self, confidence: float = 0.95) -> tuple[float, float]:
        """Interval of the share inside the window, Clopper-Pearson of effective numbers."""
        return clopper_pearson(*self._counts(self.inside), confidence)

    @property
    def share_by_law(self) -> float:
        """Share inside the window by the log-normal law, open castings counted as outside.

        Taken at the mean and spread found, so without a margin for how few readings those
        come from; the share counted where the readings show no spread.
        """
        if not self.spread_seen:
            return self.inside / len(self)
        low, high = self.window
        first = (np.log(low) - self.log_mean) / self.log_std if low > 0.0 else -np.inf
        last = (np.log(high) - self.log_mean) / self.log_std
        return float(1.0 - self.n_open / len(self)) * float(ndtr(last) - ndtr(first))

    def capability(self, *, logs: bool = True) -> tuple[float, float] | None:
        """Cp and Cpk against the window, of ln R or of R; inf where a limit is missing.

        Cp = (high - low)/(6 s), Cpk = min(high - m, m - low)/(3 s); with one limit alone
        Cp is inf and Cpk that of the limit. None where castings are open or fewer than two:
        there is no spread of all castings then.
        """
        if self.n_open or len(self.logs) < 2:
            return None
        low, high = self.window
        first, last = low if low > 0.0 else -math.inf, high
        if logs:
            first, last = (math.log(low) if low > 0.0 else -math.inf), float(np.log(high))
            mean, std = self.log_mean, self.log_std
        else:
            mean = float(self.conducting.mean())
            std = max(float(self.conducting.std(ddof=1)), self.instrument * mean)
        return (last - first) / (6.0 * std), min(last - mean, mean - first) / (3.0 * std)

    def normality(self) -> dict[str, float]:
        """Shapiro-Wilk W and p of ln R and of R, and their bias-corrected skewness.

        Empty with fewer than 3 conducting readings, none that differ, or films of cups,
        which are not independent.
        """
        from scipy.stats import shapiro, skew

        scatter = self.scatter
        if scatter is None or not self.spread_seen or scatter.films != scatter.cups:
            return {}
        if scatter.films < 3:
            return {}
        told = {}
        for name, values in (("log", self.logs), ("raw", self.conducting)):
            test = shapiro(values)
            told[f"{name}_w"] = float(test.statistic)
            told[f"{name}_p"] = float(test.pvalue)
            told[f"{name}_skewness"] = float(skew(values, bias=False))
        return told

    def _median_by_rank(self, confidence: float) -> tuple[float, float, float] | None:
        places = self._places
        middles = [_median(self.readings[places == cup]) for cup in np.unique(places)]
        return median_interval(middles, confidence)

    def as_dict(self, confidence: float = 0.95, coverage: float = 0.95) -> dict[str, Any]:
        """Everything the readings show, keys with their unit."""
        scatter, n, values = self.scatter, len(self.logs), self.conducting
        split = scatter is not None and scatter.films > scatter.cups
        by_rank = self._median_by_rank(confidence)
        capability = self.capability()
        inf = float("inf")
        return {
            "n": len(self),
            "n_open": self.n_open,
            "n_cups": self.n_cups,
            "spread_seen": self.spread_seen,
            "outliers": list(self.outliers),
            "median_ohm": self.median,
            "median_by_rank_ohm": None
            if by_rank is None
            else {"low": by_rank[0], "high": by_rank[1], "confidence": by_rank[2]},
            "smallest_ohm": float(self.readings.min()),
            "largest_ohm": float(self.readings.max()),
            "mean_ohm": float(values.mean()) if n else inf,
            "std_ohm": float(values.std(ddof=1)) if n > 1 else inf,
            "log_mean": self.log_mean if n else inf,
            "log_std": self.log_std,
            "log_std_between_cups": scatter.between**0.5 if scatter and split else None,
            "log_std_within_cups": scatter.within**0.5 if scatter and split else None,
            "design_effect": self.design_effect,
            "geometric_mean_ohm": self.geometric_mean if n else inf,
            "geometric_mean_interval_ohm": list(self.geometric_mean_interval(confidence)),
            "geometric_std": float(np.exp(self.log_std)),
            "cv": inf if scatter is None else self.cv,
            "tolerance_factor": None
            if scatter is None or self.n_open
            else scatter.reach(coverage, confidence) / self.log_std,
            "tolerance_interval_ohm": list(self.tolerance_interval(coverage, confidence)),
            "conducting_share_at_least": self.conducting_share(confidence),
            "next_five_ohm": list(self.next_mean_interval(5, confidence)),
            "window_ohm": list(self.window),
            "inside": self.inside,
            "share": self.inside / len(self),
            "share_interval": list(self.share_interval(confidence)),
            "share_by_law": self.share_by_law if n else 0.0,
            "capability": None
            if capability is None
            else dict(zip(("cp", "cpk"), capability, strict=True)),
            "normality": self.normality(),
        }


def _median(values: Floats) -> float:
    ordered = np.sort(values)
    low, high = ordered[(len(ordered) - 1) // 2], ordered[len(ordered) // 2]
    return float("inf") if np.isinf(high) else float(0.5 * (low + high))
