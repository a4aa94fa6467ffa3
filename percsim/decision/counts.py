"""Stage 8. How many castings prove a recipe: fixed numbers, and counts film by film."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import bdtr, chdtri, ndtri, stdtrit

__all__ = [
    "SequentialPlan",
    "castings_for_median",
    "castings_for_median_by_rank",
    "castings_for_range",
    "castings_for_share",
    "probability",
    "sampling_plan",
]

MOST_CASTINGS = 100_000
"""Counts above this are not worth giving: nobody casts as many to prove a recipe."""


def probability(name: str, value: float) -> float:
    """Return a value that lies between 0 and 1; a ValueError names it otherwise."""
    if not 0.0 < value < 1.0:
        raise ValueError(f"{name} must lie between 0 and 1, got {value}")
    return value


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
    tail = 0.5 * (1.0 + probability("confidence", confidence))
    if assurance is not None:
        probability("assurance", assurance)
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
    probability("confidence", confidence)
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
    p, gamma = probability("coverage", coverage), probability("confidence", confidence)
    n = 2
    while 1.0 - n * p ** (n - 1) + (n - 1) * p**n < gamma:
        n += 1
    return n


def castings_for_share(share: float, confidence: float = 0.95, failures: int = 0) -> int:
    """Castings to test so that no more than some failures prove a share of passes.

    The smallest n for which a lot with just that share would show as few failures with a
    probability of no more than 1 - confidence (binomial).
    """
    p, gamma = probability("share", share), probability("confidence", confidence)
    if failures < 0:
        raise ValueError(f"failures must be 0 or more, got {failures}")
    n = failures + 1
    while bdtr(failures, n, 1.0 - p) > 1.0 - gamma:
        n += 1
    return n


@dataclass(frozen=True, slots=True)
class SequentialPlan:
    r"""Films counted one by one until they accept or reject a recipe.

    Wald's test of the share that passes: after n films with d failures a recipe is accepted
    when :math:`d \le g n - h_A` and rejected when :math:`d \ge g n + h_R`.

    Parameters
    ----------
    share : float
        A recipe of which only this share passes is accepted at most with the probability
        `risk`.
    good : float
        One of which this share passes is rejected at most about as often; above `share`.
    risk : float
        Below 1/2.

    Raises
    ------
    ValueError
        If a number is out of range.

    References
    ----------
    .. [1] Wald, "Sequential tests of statistical hypotheses", Ann. Math. Stat. 16, 117
       (1945); the constants g, h_A, h_R are those of ISO 28591:2017 (from memory).

    Examples
    --------
    >>> plan = SequentialPlan(share=0.80, good=0.95, risk=0.05)
    >>> plan.more_to_accept(5, 0), plan.more_to_reject(5, 1)
    (13, 2)

    """

    share: float
    good: float
    risk: float = 0.05

    def __post_init__(self) -> None:
        probability("share", self.share)
        if not self.share < self.good < 1.0:
            raise ValueError(
                f"the share of a good recipe must lie between {self.share} and 1, "
                f"got {self.good}"
            )
        if not 0.0 < self.risk < 0.5:
            raise ValueError(f"risk must lie between 0 and 1/2, got {self.risk}")

    def _lines(self) -> tuple[float, float]:
        """Slope g of both lines, and their distance h from the origin (equal risks)."""
        passes = math.log(self.good / self.share)
        fails = math.log((1.0 - self.share) / (1.0 - self.good))
        return passes / (passes + fails), math.log(1.0 / self.risk - 1.0) / (passes + fails)

    def more_to_accept(self, n: float, failures: float) -> int:
        """Films that must pass from here on for the recipe to be accepted; 0 if it is."""
        slope, reach = self._lines()
        return max(math.ceil((failures + reach) / slope - n - 1e-9), 0)

    def more_to_reject(self, n: float, failures: float) -> int:
        """Films that must fail from here on for it to be rejected; 0 if it is."""
        slope, reach = self._lines()
        return max(math.ceil((slope * n + reach - failures) / (1.0 - slope) - 1e-9), 0)

    def expected(self, share: float) -> float:
        """Films it takes on average when this share passes (Wald's approximation)."""
        slope, reach = self._lines()
        drift = slope - (1.0 - share)  # of the way to acceptance, a film
        if abs(drift) < 1e-9:
            return reach**2 / (slope * (1.0 - slope))
        # chance of acceptance at the two shares that the plan is made of
        accepted = self.risk if share <= self.share else 1.0 - self.risk
        return reach * (2.0 * accepted - 1.0) / drift

    def verdict(self, passes: Sequence[bool], weight: float = 1.0) -> tuple[str, int]:
        """Follow films in the order of casting.

        Parameters
        ----------
        passes : sequence of bool
            Whether each passed.
        weight : float
            What one film counts, below 1 where films of one cup resemble each other.

        Returns
        -------
        verdict : {"accept", "reject", "go on"}
        n : int
            Films after which it fell; all of them for "go on".

        """
        failures = 0.0
        for n, passed in enumerate(passes, 1):
            failures += 0.0 if passed else weight
            if self.more_to_accept(weight * n, failures) == 0:
                return "accept", n
            if self.more_to_reject(weight * n, failures) == 0:
                return "reject", n
        return "go on", len(passes)


def sampling_plan(
    log_std: float,
    *,
    log_std_limit: float | None = None,
    within: float = 0.10,
    confidence: float = 0.95,
    coverage: float = 0.95,
    share: float = 0.80,
    good: float | None = None,
    failures: Sequence[int] = (0, 1, 2),
    assurance: float = 0.90,
    passes: Sequence[bool] = (),
    design_effect: float = 1.0,
    cup_means: tuple[float, float] | None = None,
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
    good : float, optional
        Share of a recipe that the sequential plan accepts nearly always; without, a quarter
        as many fail as `share` allows.
    failures : sequence of int
        Failures to allow in the proof of the share.
    passes : sequence of bool
        Castings so far, in order: whether each lies inside the window.
    design_effect : float
        Films of cups as they are cast that tell as much as one film of its own cup.
    cup_means : tuple of float, optional
        Spread of ln R between the means of cups, and films a cup behind it.

    Returns
    -------
    dict
        Counts by kind.

    """
    known = np.isfinite(log_std)
    limit = log_std if log_std_limit is None else log_std_limit
    good = 1.0 - 0.25 * (1.0 - share) if good is None else good
    plan = SequentialPlan(share, good, min(1.0 - confidence, 0.49))
    verdict, n = plan.verdict(passes, 1.0 / design_effect)
    counted = n / design_effect, sum(not ok for ok in passes[:n]) / design_effect
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
        "for_median_cups": None
        if cup_means is None
        else {
            "cups": castings_for_median(cup_means[0], within, confidence),
            "films_per_cup": cup_means[1],
        },
        "for_range": castings_for_range(coverage, confidence),
        "design_effect": design_effect,
        "for_share": [
            {
                "failures": c,
                "castings": castings_for_share(share, confidence, c),
                "in_cups": math.ceil(
                    design_effect * castings_for_share(share, confidence, c)
                ),
            }
            for c in failures
        ],
        "sequential": {
            "good": good,
            "verdict": verdict,
            "n": n,
            "more_to_accept": math.ceil(design_effect * plan.more_to_accept(*counted)),
            "more_to_reject": math.ceil(design_effect * plan.more_to_reject(*counted)),
            "expected_if_good": design_effect * plan.expected(good),
            "expected_at_share": design_effect * plan.expected(share),
        },
    }
