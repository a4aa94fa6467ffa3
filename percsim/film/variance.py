"""Stage 7. Castings -> shares of variance: what each tolerance and each trial scatters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import cv_from_log_std
from percsim.film.casting import Castings
from percsim.film.draws import (
    LOT_NAMES,
    TOLERANCE_NAMES,
    TRIAL_NAMES,
    CastingDraws,
    TrialDraws,
)
from percsim.film.tolerances import Tolerances

__all__ = [
    "Halving",
    "NestedSpread",
    "Share",
    "first_order_indices",
    "halvings",
    "nested_spread",
    "variance_shares",
]

Floats = NDArray[np.float64]

QUANTITIES = ("log_resistance", "gauge_factor")
"""What the shares are of, in this order."""

RESAMPLES = 400
"""Bootstrap resamples behind an interval: its ends are good to a tenth of its width."""


@dataclass(frozen=True, slots=True)
class Share:
    """Share of one cause in the variance of one quantity.

    Parameters
    ----------
    first_order : float
        Variance that the cause makes by itself over the whole variance, 0 to 1 up to its
        sampling error.
    low, high : float
        95 % interval of it from the draws.
    total : float
        The same with what it makes together with the other causes.

    """

    first_order: float
    low: float
    high: float
    total: float


def first_order_indices(
    f_a: Floats, f_b: Floats, f_ab: Floats, rng: np.random.Generator
) -> list[list[Share]]:
    r"""First-order and total indices of Sobol', with intervals.

    Parameters
    ----------
    f_a, f_b : (s, n) ndarray of float
        s quantities from two independent draws of all causes, n a power of 2.
    f_ab : (d, s, n) ndarray of float
        From the first draw with cause i, a column or a group of them, from the second.
    rng : numpy.random.Generator
        Source of the resamples.

    Returns
    -------
    list of list of Share
        For each quantity the share of each cause.

    Notes
    -----
    Estimators of table 2 of [1]_, (b) and (f), as `scipy.stats.sobol_indices` has them;
    not taken from there, as it takes longer to import than all this. Intervals hold the
    central 95 % of the first on rows drawn with replacement [2]_, rows being independent.

    References
    ----------
    .. [1] Saltelli, Annoni, Azzini, Campolongo, Ratto & Tarantola, "Variance based
       sensitivity analysis of model output", Comput. Phys. Commun. 181, 259 (2010).
       https://doi.org/10.1016/j.cpc.2009.09.018
    .. [2] Efron, "Bootstrap methods: another look at the jackknife", Ann. Stat. 7, 1
       (1979).

    """
    s, n = f_a.shape
    counts = _drawn_again(n, rng)
    shares = []
    for k in range(s):
        center = 0.5 * (f_a[k].mean() + f_b[k].mean())
        a, b, ab = (f - center for f in (f_a[k], f_b[k], f_ab[:, k]))
        products, squares = b * (ab - a), 0.5 * (ab - a) ** 2
        variance = 0.5 * (a**2 + b**2).mean() or 1.0
        mean = 0.5 * (counts @ (a + b))
        again = 0.5 * (counts @ (a**2 + b**2)) - mean**2
        again = counts @ products.T / np.where(again > 0.0, again, 1.0)[:, None]
        low, high = np.quantile(again, [0.025, 0.975], axis=0)
        first, total = (x.mean(axis=1) / variance for x in (products, squares))
        rows = zip(first, low, high, total, strict=True)
        shares.append([Share(*(float(x) for x in row)) for row in rows])
    return shares


def _drawn_again(n: int, rng: np.random.Generator) -> Floats:
    """Share that each of n rows has of as many drawn with replacement (resamples, n)."""
    drawn = rng.integers(n, size=(RESAMPLES, n))
    return np.stack([np.bincount(rows, minlength=n) for rows in drawn]) / n


def _power_of_two(n: int) -> int:
    return 1 << (n.bit_length() - 1) if n > 0 else 0


def variance_shares(
    castings: Castings, seed: np.random.SeedSequence, n: int = 8192
) -> tuple[dict[str, dict[str, Share]], int]:
    """Share of every tolerance, the chains and every part of a trial.

    Parameters
    ----------
    castings : Castings
        Castings of one candidate; they are drawn anew.
    seed : numpy.random.SeedSequence
        Seed of the draws, a child for each column.
    n : int
        Castings, a power of 2, at least 256; half as many more are drawn, to stand in for
        open ones.

    Returns
    -------
    shares : dict of dict of Share
        By quantity (`log_resistance`, `gauge_factor`) and cause.
    used : int
        Castings behind them; below 256 the shares are not worth quoting, and left out.

    Notes
    -----
    Open castings: a row counts when the casting conducts at rest and strained in both
    draws and in every mixture of the two, so that all shares are over conducting castings.

    """
    names = (*TOLERANCE_NAMES, *TRIAL_NAMES)
    drawn = n + n // 2
    columns = len(castings.visits)
    first, second, resampling = (
        np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, k))
        for k in range(3)
    )
    a, b = (CastingDraws.draw(drawn, columns, child) for child in (first, second))
    ta, tb = (TrialDraws.draw(drawn, columns, child) for child in (first, second))

    def read(draws: CastingDraws, trials: TrialDraws) -> Floats:
        return np.stack(castings.read(draws, trials))

    f_a, f_b = read(a, ta), read(b, tb)
    f_ab = np.stack(
        [
            read(a, ta.with_from(tb, name))
            if name in TRIAL_NAMES
            else read(a.with_from(b, [name]), ta)
            for name in names
        ]
    )
    keep = np.isfinite(f_a).all(axis=0) & np.isfinite(f_b).all(axis=0)
    keep &= np.isfinite(f_ab).all(axis=(0, 1))
    used = min(_power_of_two(int(keep.sum())), n)
    if used < 256:
        return {}, used
    rows = np.flatnonzero(keep)[:used]
    rng = np.random.default_rng(resampling)
    shares = first_order_indices(f_a[:, rows], f_b[:, rows], f_ab[..., rows], rng)
    return {
        quantity: dict(zip(names, found, strict=True))
        for quantity, found in zip(QUANTITIES, shares, strict=True)
    }, used


@dataclass(frozen=True, slots=True)
class NestedSpread:
    """Variance of one quantity between castings and between trials on one casting.

    Each is (value, low, high) with the 95 % interval from the draws; variances of ln R or
    of the gauge factor.

    Parameters
    ----------
    trials : tuple of float
        Between trials on the same casting.
    castings : tuple of float
        Between castings, trials averaged out.
    one_lot : tuple of float
        Between castings of one lot of powder, trials averaged out.
    mean : float
        Mean over castings.

    """

    trials: tuple[float, float, float]
    castings: tuple[float, float, float]
    one_lot: tuple[float, float, float]
    mean: float

    @property
    def repeatability(self) -> float:
        """Standard deviation under repeatability conditions (JCGM 200:2012, 2.20, 2.21)."""
        return float(np.sqrt(self.trials[0]))

    @property
    def intermediate_precision(self) -> float:
        """The same under intermediate conditions, castings of one lot (2.22, 2.23)."""
        return float(np.sqrt(self.trials[0] + self.one_lot[0]))

    @property
    def reproducibility(self) -> float:
        """The same under reproducibility conditions, lots and benches (2.24, 2.25)."""
        return float(np.sqrt(self.trials[0] + self.castings[0]))

    @property
    def casting_share(self) -> float:
        """Share of the castings in the whole variance, 0 to 1; 0 when nothing scatters."""
        whole = self.trials[0] + self.castings[0]
        return self.castings[0] / whole if whole > 0.0 else 0.0


def _components(values: Floats, counts: Floats) -> tuple[Floats, Floats]:
    """Variance within and between rows of (n, m) readings, plain and for each resample."""
    n, m = values.shape
    means = values.mean(axis=1) - values.mean()
    weights = np.vstack([np.full(n, 1.0 / n), counts])
    within = weights @ values.var(axis=1, ddof=1)
    spread = (weights @ means**2 - (weights @ means) ** 2) * n / (n - 1)
    return within, np.maximum(spread - within / m, 0.0)


def _interval(values: Floats) -> tuple[float, float, float]:
    low, high = np.quantile(values[1:], [0.025, 0.975])
    return float(values[0]), float(low), float(high)


def nested_spread(
    castings: Castings, seed: np.random.SeedSequence, n: int = 4096, n_trials: int = 3
) -> tuple[dict[str, NestedSpread], int]:
    """Draw castings, and trials on each, and split their variance.

    Parameters
    ----------
    castings : Castings
        Castings of one candidate; they are drawn anew.
    seed : numpy.random.SeedSequence
        Seed of the draws, a child for each column.
    n, n_trials : int
        Castings, and trials on each, at least 2.

    Returns
    -------
    spreads : dict of NestedSpread
        By quantity, from castings that conduct at rest and strained in every trial; empty
        when fewer than 30 do.
    used : int
        How many those are.

    Notes
    -----
    Balanced one-way analysis of variance: the mean square within castings is the variance
    of a trial; the variance of casting means less 1/n_trials of it that of the castings.

    """
    columns = len(castings.visits)

    def child(*key: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))

    draws = CastingDraws.draw(n, columns, child(0))
    trials = [TrialDraws.draw(n, columns, child(1, k)) for k in range(n_trials)]

    def read(these: CastingDraws) -> Floats:
        return np.stack([castings.read(these, t) for t in trials], axis=-1)

    every, one_lot = read(draws), read(draws.without(LOT_NAMES))
    keep = np.isfinite(every).all(axis=(0, 2)) & np.isfinite(one_lot).all(axis=(0, 2))
    used = int(keep.sum())
    if used < 30:
        return {}, used
    rng = np.random.default_rng(child(2))
    counts = _drawn_again(used, rng)
    spreads = {}
    for k, quantity in enumerate(QUANTITIES):
        within, between = _components(every[k][keep], counts)
        same_lot = _components(one_lot[k][keep], counts)[1]
        spreads[quantity] = NestedSpread(
            _interval(within),
            _interval(between),
            _interval(same_lot),
            float(every[k][keep].mean()),
        )
    return spreads, used


@dataclass(frozen=True, slots=True)
class Halving:
    """What the castings of a candidate do on a bench with one cause halved.

    Parameters
    ----------
    name : str
        What is halved, empty for the bench as it is.
    resistance_cv, gauge_factor_cv : float
        CV over castings that conduct, each read once; inf with fewer than two.
    resistance_cv_error, gauge_factor_cv_error : float
        Standard error of the difference to the bench as it is, from the number of castings.
    log_resistance, gauge_factor : (n castings,) ndarray of float
        The castings themselves, without trials.

    """

    name: str
    resistance_cv: float
    gauge_factor_cv: float
    resistance_cv_error: float
    gauge_factor_cv_error: float
    log_resistance: Floats
    gauge_factor: Floats


def _cvs(logs: Floats, gauge: Floats, weights: Floats) -> Floats:
    """CV of R and of the gauge factor by row of weights, (2, rows); inf if unknown."""
    keep = np.isfinite(logs) & np.isfinite(gauge)
    if keep.sum() < 2:
        return np.full((2, len(weights)), np.inf)
    w = weights[:, keep]
    total = w.sum(axis=1)

    def moments(values: Floats) -> tuple[Floats, Floats]:
        center = values.mean()
        mean = w @ (values - center) / total
        square = w @ (values - center) ** 2 / total
        return mean + center, np.maximum(square - mean**2, 0.0) * total / (total - 1.0)

    _, of_logs = moments(logs[keep])
    mean, of_gauge = moments(gauge[keep])
    cv = np.array([cv_from_log_std(float(np.sqrt(v))) for v in of_logs])
    known = mean != 0.0
    relative = np.sqrt(of_gauge) / np.where(known, np.abs(mean), 1.0)
    return np.vstack([cv, np.where(known, relative, np.inf)])


def halvings(castings: Castings, seed: np.random.SeedSequence) -> list[Halving]:
    """Read the castings on the bench as it is, then with each cause halved in turn.

    Parameters
    ----------
    castings : Castings
        Castings of one candidate; their own draws are kept, so that differences between
        rows are far surer than the rows.
    seed : numpy.random.SeedSequence
        Seed of the trials.

    Returns
    -------
    list of Halving
        The bench as it is first.

    """
    n = len(castings)
    trial_seed, resampling = (
        np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, k))
        for k in range(2)
    )
    trials = TrialDraws.draw(n, len(castings.visits), trial_seed)
    draws, tol = castings.draws, castings.tolerances
    rng = np.random.default_rng(resampling)
    counts = n * _drawn_again(n, rng)
    weights = np.vstack([np.ones(n), counts])
    base = _cvs(*castings.read(draws, trials), weights)

    def row(name: str, tolerances: Tolerances, these: CastingDraws) -> Halving:
        found = _cvs(*castings.read(these, trials, tolerances), weights)
        with np.errstate(invalid="ignore"):
            errors = (found - base)[:, 1:].std(axis=1)
        errors = np.where(np.isfinite(errors), errors, np.inf)
        logs, gauge = castings.read(these, None, tolerances)
        return Halving(
            name,
            resistance_cv=float(found[0, 0]),
            gauge_factor_cv=float(found[1, 0]),
            resistance_cv_error=float(errors[0]),
            gauge_factor_cv_error=float(errors[1]),
            log_resistance=logs,
            gauge_factor=gauge,
        )

    names: Sequence[str] = [n for n in TOLERANCE_NAMES if n != "chains"]
    return [
        row("", tol, draws),
        *(
            row(name, tol.halved(name, castings.film), draws)
            for name in (*names, *TRIAL_NAMES)
        ),
        row("chains", tol, CastingDraws(draws.tolerances, 0.5 * draws.chains)),
    ]
