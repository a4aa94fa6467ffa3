r"""Stage 8. Does a batch agree with what was predicted; if not, the likeliest cause.

A batch is an outlook of its recipe against readings. At each draw of what is known, with
its own scale of the bench, ln R of the films of one cup is

.. math:: y_j = m + c + f_j

with m the film as planned, c what all films of a cup share (what `Bench` gives the levels
of cup and lot) and f_j what differs from film to film, chains included, all normal. So mean
and scatter of the films have known laws at each draw, and every possible cause is one of
the same deviations, several times larger: its probability and its size follow in closed
form from the normal linear model, averaged over the draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from percsim.decision.knowledge import Knowledge, spread_steps
from percsim.decision.likelihood import STRAY_OPEN, Reading, row_moves
from percsim.decision.outlook import Band, Recipe, outlooks
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move, deviation, quadrature
from percsim.film.electrodes import Film
from percsim.film.model import FilmModel

__all__ = ["Agreement", "Cause", "agreement"]

Floats = NDArray[np.float64]

DOUBTFUL, REJECTED = 0.05, 0.01
"""Two-sided probabilities of so much disagreement below which a batch is doubtful, and
rejected (common practice: 95 and 99 % limits)."""
FAULT = 5.0
"""How many times its tolerance a cause may be off when something went wrong (judgement)."""
PRIOR_FAULT = 0.2
"""Probability before reading that something went wrong at all (judgement)."""
STEP = 0.02
"""Step of ln phi over which the slope with the loading is taken."""
NODES = 5
"""Points over what the films of a cup share of the loading, for open films."""

CAUSES = {
    "loading": ("weighing", "mixing"),
    "thickness": ("thickness",),
    "gap": ("gap",),
    "width": ("width",),
    "contact": ("contact",),
}
"""Causes that shift all films of a batch, and the tolerances that size them."""


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that may have gone wrong.

    Parameters
    ----------
    name : str
        "none", "loading", "thickness", "gap", "width", "contact", or "mixing": films that
        scatter among themselves.
    probability : float
        After the readings; together 1.
    off_by, standard_error : float
        Natural logarithm of actual over planned if this is the cause, and its error; for
        "mixing" the relative spread of the loading from film to film that the scatter asks
        for. 0 for "none".

    """

    name: str
    probability: float
    off_by: float
    standard_error: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """A batch against its prediction.

    Parameters
    ----------
    verdict : {"accept", "doubtful", "reject"}
        By the smallest of the probabilities.
    n_films, n_open : int
        Films read, and how many of them open.
    predicted : Band
        The geometric mean of so many films [ohm].
    measured : float
        Geometric mean of those that conduct [ohm], inf without.
    level_probability : float
        Two-sided, of a mean as far off.
    scatter_probability : float
        Of a scatter as large or larger between the films; 1 for a single one.
    open_probability : float
        Of as many open films or more; 1 without. Two-sided where none conducts, or none
        is predicted to.
    scatter, expected_scatter : float
        Standard deviation of ln R between the films, and as predicted; 0 for a single one.
    causes : tuple of Cause
        The likeliest first.
    told_apart : bool
        Whether R alone can tell the likeliest cause from the next one.

    """

    verdict: str
    n_films: int
    n_open: int
    predicted: Band
    measured: float
    level_probability: float
    scatter_probability: float
    open_probability: float
    scatter: float
    expected_scatter: float
    causes: tuple[Cause, ...]
    told_apart: bool


@dataclass(frozen=True, slots=True)
class _Batch:
    """What films of one cup would read, over the draws whose film conducts.

    Parameters
    ----------
    weights : (n,) ndarray of float
        Of the draws, 0 where the film is open.
    middle : (n,) ndarray of float
        Mean of ln R over cups.
    shared, own : (n,) ndarray of float
        Variance of ln R between cups, and between films of one.
    slope : (n,) ndarray of float
        d ln R / d ln phi.

    """

    weights: Floats
    middle: Floats
    shared: Floats
    own: Floats
    slope: Floats

    @classmethod
    def of(
        cls,
        model: FilmModel,
        recipe: Recipe,
        known: Knowledge,
        bench: Bench,
        moves: Sequence[Move],
    ) -> _Batch | None:
        """Gather them; None where the film is open in half of what is known."""
        cups, low, high = (
            outlooks(model, [recipe], known, bench, levels=levels, off_by=by)[0]
            for levels, by in (((CUP, LOT), 0.0), ((), -STEP), ((), STEP))
        )
        loading, scale = deviation(moves, (FILM, READING))
        _, of_cup = deviation(moves, (CUP, LOT))
        chains = np.sqrt(np.maximum(cups.scatter**2 - (of_cup * known.scale) ** 2, 0.0))
        rest, points = cups.rest, cups.shares
        conducts = np.isfinite(rest)
        part = np.where(conducts, points, 0.0)
        total = part.sum(axis=1)
        weights = known.weights * (total > 0.5)
        if weights.sum() < 0.5:
            return None
        part /= np.where(total > 0.0, total, 1.0)[:, None]
        logs = np.where(conducts, rest, 0.0)
        middle = (part * logs).sum(axis=1)
        between = (part * (logs - middle[:, None]) ** 2).sum(axis=1)
        ends = [o.rest[:, o.nominal] for o in (low, high)]
        good = np.isfinite(ends[0]) & np.isfinite(ends[1])
        rise = np.where(good, ends[1], 0.0) - np.where(good, ends[0], 0.0)
        slope = rise / (2.0 * STEP)
        s2 = known.scale**2
        own = s2 * ((slope * loading) ** 2 + scale**2) + chains**2
        shared = between + s2 * of_cup**2
        return cls(weights / weights.sum(), middle, shared, own, slope)


def agreement(
    model: FilmModel,
    recipe: Recipe,
    resistances: Sequence[float],
    known: Knowledge,
    bench: Bench,
    *,
    measured_sizes: Sequence[str] = (),
) -> Agreement:
    """Judge the films of one batch.

    Parameters
    ----------
    model : FilmModel
        Of the mix.
    recipe : Recipe
        As weighed out and cast, sizes as planned or as measured.
    resistances : sequence of float
        R of each film [ohm] over that of its own sizes to the recipe's, inf where open.
    known : Knowledge
        What is known of contacts, threshold and bench.
    bench : Bench
        What scatters films, by level.
    measured_sizes : sequence of str
        Sizes that were measured, "thickness", "gap", "width": they scatter no film and are
        no cause.

    Returns
    -------
    Agreement

    Raises
    ------
    ValueError
        If there is no film, or a resistance is not positive.

    Notes
    -----
    The scatter of k films over its variance is chi-square with k - 1 degrees of freedom.
    Open films are binomial at the chance of each draw and cup, one in a hundred for reasons
    of their own included. All are averaged over the draws. A cause is that its deviation
    has `FAULT` times its tolerance; its evidence is the ratio of the two densities of mean
    and scatter.

    """
    if not len(resistances):
        raise ValueError("no film was read")
    if not all(r > 0.0 for r in resistances):
        raise ValueError("resistances must be above 0")
    quiet = dict.fromkeys(measured_sizes, 0.0)
    bench = replace(bench, tolerances=replace(bench.tolerances, **quiet))
    reading = Reading("batch", recipe.loading, recipe.film, float(resistances[0]))
    moves = row_moves(reading, model, bench)
    logs = np.log([r for r in resistances if np.isfinite(r)])
    n, k = len(resistances), len(logs)
    found = _Batch.of(model, recipe, known, bench, moves)
    as_many = as_few = 1.0
    if found is None or n > k:
        as_many, as_few = _open_chances(model, recipe, known, bench, moves, n, n - k)
    if found is None or k == 0:
        # predicted open, or nothing conducts: only the number of open films says something
        p = min(1.0, 2.0 * min(as_few, as_many))
        band = outlooks(model, [recipe], known, bench)[0].casting_band()
        mean = float(np.exp(logs.mean())) if k else float("inf")
        return Agreement(
            _verdict(p), n, n - k, band, mean, 1.0, 1.0, p, 0.0, 0.0,
            (Cause("none", 1.0, 0.0, 0.0),), False,
        )  # fmt: skip
    w, mean = found.weights, float(logs.mean())
    sd = np.sqrt(found.shared + found.own / k)
    below = float(w @ ndtr((mean - found.middle) / sd))
    level_p = 2.0 * min(below, 1.0 - below)
    scatter2 = float(logs.var(ddof=1)) if k > 1 else 0.0
    scatter_p = _scatter_chance(found, scatter2, k)
    sizes = _sizes(moves, bench, recipe.film)
    causes = _causes(found, sizes, recipe.loading.log_slope, mean, scatter2, k)
    cast = found.middle[:, None] + sd[:, None] * spread_steps(len(sd))
    each = np.repeat(w / cast.shape[1], cast.shape[1])
    # several looks at the same batch: Bonferroni
    looks = 1 + (k > 1) + (n > k)
    return Agreement(
        _verdict(min(level_p, scatter_p, as_many) * looks), n, n - k,
        Band.of(cast.ravel(), each).exp(), float(np.exp(mean)),
        level_p, scatter_p, as_many, float(np.sqrt(scatter2)),
        float(np.sqrt(w @ found.own)), causes,
        len(causes) < 2 or causes[0].probability > 2.0 * causes[1].probability,
    )  # fmt: skip


def _open_chances(
    model: FilmModel,
    recipe: Recipe,
    known: Knowledge,
    bench: Bench,
    moves: Sequence[Move],
    n: int,
    n_open: int,
) -> tuple[float, float]:
    """Probability of as many open films or more, and of as many or fewer.

    Films of a cup share its loading, and what is not known.
    """
    from scipy.stats import binom

    shared, _ = deviation(moves, (CUP, LOT))
    points, weights = quadrature(NODES)
    more = fewer = 0.0
    for x, weight in zip(points, weights, strict=True):
        by = shared * x * known.scale
        o = outlooks(model, [recipe], known, bench, levels=(FILM,), off_by=by)[0]
        chance = STRAY_OPEN + (1.0 - STRAY_OPEN) * o.open_shares
        more += float(weight * (known.weights @ binom.sf(n_open - 1, n, chance)))
        fewer += float(weight * (known.weights @ binom.cdf(n_open, n, chance)))
    return more, fewer


def _scatter_chance(found: _Batch, scatter2: float, k: int) -> float:
    """Probability of a scatter as large or larger."""
    from scipy.stats import chi2

    if k < 2:
        return 1.0
    own = np.maximum(found.own, 1e-30)
    return float(found.weights @ chi2.sf((k - 1) * scatter2 / own, k - 1))


def _verdict(probability: float) -> str:
    if probability < REJECTED:
        return "reject"
    return "doubtful" if probability < DOUBTFUL else "accept"


def _causes(
    found: _Batch,
    sizes: dict[str, tuple[float, float]],
    log_slope: float,
    mean: float,
    scatter2: float,
    k: int,
) -> tuple[Cause, ...]:
    """Probability and size of every cause, the likeliest first."""
    from scipy.stats import chi2, norm

    shift, zero = mean - found.middle, np.zeros_like(found.middle)
    variance = found.shared + found.own / k
    by_loading = found.slope * log_slope
    with np.errstate(divide="ignore"):
        log_weights = np.log(found.weights)

    def evidence(extra: Floats, within: Floats) -> Floats:
        """Log-density of mean and scatter at each draw, for added variances."""
        own = np.maximum(found.own + within, 1e-30)
        total = np.sqrt(variance + extra + within / k)
        logs = log_weights + norm.logpdf(shift, 0.0, total)
        if k < 2:
            return np.asarray(logs)
        u = np.maximum((k - 1) * scatter2 / own, 1e-12)
        return np.asarray(logs + chi2.logpdf(u, k - 1) - np.log(own))

    made = [("none", evidence(zero, zero), zero, zero)]
    for name, members in CAUSES.items():
        tolerance = float(np.sqrt(sum(sizes[m][0] ** 2 for m in members)))
        gain = by_loading if name == "loading" else zero + sizes[name][1]
        extra = (gain * FAULT * tolerance) ** 2
        if not (extra > 0.0).any():
            continue
        # normal prior of the fault, normal readings: the conjugate answer at each draw
        share, safe = extra / (extra + variance), np.where(gain != 0.0, gain, np.inf)
        off, error = shift * share / safe, extra * (1.0 - share) / safe**2
        made.append((name, evidence(extra, zero), off, error))
    mixing = sizes["mixing"][0]
    if k > 1 and mixing > 0.0:
        steep = np.where(by_loading != 0.0, by_loading**2, np.inf)
        size = np.sqrt(np.maximum(scatter2 - found.own, 0.0) / steep)
        # of the square root of a variance with k - 1 degrees of freedom, first order
        known = np.where(size > 0.0, size, np.inf)
        error = 0.5 / (k - 1) * (scatter2 / (steep * known)) ** 2
        made.append(
            ("mixing", evidence(zero, (by_loading * FAULT * mixing) ** 2), size, error)
        )
    top = max(logs.max() for _, logs, _, _ in made)
    densities = [np.exp(logs - top) for _, logs, _, _ in made]
    fault = PRIOR_FAULT / max(len(made) - 1, 1)
    before = np.array([1.0 - PRIOR_FAULT] + [fault] * (len(made) - 1))
    p = before * [density.sum() for density in densities]
    p /= p.sum()
    causes = [
        Cause(name, float(chance), *_moments(density, off, error))
        for (name, _, off, error), density, chance in zip(made, densities, p, strict=True)
    ]
    return tuple(sorted(causes, key=lambda cause: -cause.probability))


def _moments(density: Floats, values: Floats, variances: Floats) -> tuple[float, float]:
    """Mean and deviation over the draws, by how well each fits."""
    total = density.sum()
    w = density / total if total > 0.0 else np.full(len(density), 1.0 / len(density))
    mean = float(w @ values)
    return mean, float(np.sqrt(w @ (variances + (values - mean) ** 2)))


def _sizes(
    moves: Sequence[Move], bench: Bench, film: Film
) -> dict[str, tuple[float, float]]:
    """Tolerance of the logarithm of everything, and d ln R besides the loading with it."""
    spreads = bench.tolerances.spreads(film)
    scale = {move.name: move.scale for move in moves}
    return {
        name: (spread, scale.get(name, 0.0) / spread if spread > 0.0 else 0.0)
        for name, spread in spreads.items()
    }
