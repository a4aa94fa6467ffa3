r"""Stage 8. Does a batch agree with what was predicted; if not, the likeliest cause.

A batch is the outlooks of its films, one a gap, against readings. At each draw of what is
known, with its own scale of the bench, ln R of the films of one cup is

.. math:: y_j = m_j + c + f_j

with m_j the film as planned at its gap, c what all films of a cup share (what `Bench` gives
the levels of cup and lot) and f_j what differs from film to film, chains included, all
normal. So mean and scatter of y_j - m_j have known laws at each draw, whatever the gaps,
and every possible cause is one of the same deviations, several times larger: its
probability and its size follow in closed form from the normal linear model, averaged over
the draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from percsim.decision.knowledge import Knowledge, spread_steps
from percsim.decision.likelihood import STRAY_OPEN, Reading, row_moves
from percsim.decision.outlook import Band, Outlook, Recipe, outlooks
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move, deviation, quadrature
from percsim.film.model import FilmModel

__all__ = ["Agreement", "Cause", "Films", "agreement"]

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
class Films:
    """Films of one recipe.

    Parameters
    ----------
    recipe : Recipe
        Of them.
    n, n_open : int
        Films read, and how many of them open.
    predicted : Band
        The geometric mean of so many films [ohm].
    measured : float
        Geometric mean of those that conduct [ohm], inf without.

    """

    recipe: Recipe
    n: int
    n_open: int
    predicted: Band
    measured: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """A batch against its prediction.

    Parameters
    ----------
    verdict : {"accept", "doubtful", "reject"}
        By the smallest of the probabilities.
    films : tuple of Films
        By recipe.
    level_probability : float
        Two-sided, of a mean as far off.
    scatter_probability : float
        Of a scatter as large or larger between the films; 1 for a single one.
    open_probability : float
        Of as many open films or more; 1 without. Two-sided where none conducts, or none
        is predicted to.
    scatter, expected_scatter : float
        Standard deviation between the films of ln R over that predicted of each, and as
        predicted; 0 for a single one.
    causes : tuple of Cause
        The likeliest first.
    told_apart : bool
        Whether R alone can tell the likeliest cause from the next one.

    """

    verdict: str
    films: tuple[Films, ...]
    level_probability: float
    scatter_probability: float
    open_probability: float
    scatter: float
    expected_scatter: float
    causes: tuple[Cause, ...]
    told_apart: bool


@dataclass(frozen=True, slots=True)
class _Outlook:
    """What films of one cup would read at each gap, over the draws.

    Parameters
    ----------
    weights : (n,) ndarray of float
        Of the draws, 0 where a film is open.
    middle : (n, g) ndarray of float
        Mean of ln R over cups.
    shared, own : (n, g) ndarray of float
        Variance of ln R between cups, and between films of one.
    slope : (n, g) ndarray of float
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
        recipes: Sequence[Recipe],
        known: Knowledge,
        bench: Bench,
        moves: Sequence[Sequence[Move]],
    ) -> _Outlook | None:
        """Gather them; None where a film is open in half of what is known."""
        seen = [
            outlooks(model, recipes, known, bench, levels=levels, off_by=by)
            for levels, by in (((CUP, LOT), 0.0), ((), -STEP), ((), STEP))
        ]
        s2, weights, columns = known.scale**2, known.weights, []
        for cups, low, high, mine in zip(*seen, moves, strict=True):
            loading, scale = deviation(mine, (FILM, READING))
            _, of_cup = deviation(mine, (CUP, LOT))
            chains = np.maximum(cups.scatter**2 - s2 * of_cup**2, 0.0)
            part = np.where(cups.conducts, cups.shares, 0.0)
            total = part.sum(axis=1)
            weights = weights * (total > 0.5)
            part /= np.where(total > 0.0, total, 1.0)[:, None]
            logs = np.where(cups.conducts, cups.rest, 0.0)
            middle = (part * logs).sum(axis=1)
            between = (part * (logs - middle[:, None]) ** 2).sum(axis=1)
            ends = [o.rest[:, o.nominal] for o in (low, high)]
            good = np.isfinite(ends[0]) & np.isfinite(ends[1])
            rise = np.where(good, ends[1], 0.0) - np.where(good, ends[0], 0.0)
            slope = rise / (2.0 * STEP)
            own = s2 * ((slope * loading) ** 2 + scale**2) + chains
            columns.append((middle, between + s2 * of_cup**2, own, slope))
        if weights.sum() < 0.5:
            return None
        made = (np.stack(column, axis=1) for column in zip(*columns, strict=True))
        return cls(weights / weights.sum(), *made)


@dataclass(frozen=True, slots=True)
class _Batch:
    """Films of one cup against what they would read, over the draws.

    Parameters
    ----------
    weights : (n,) ndarray of float
        Of the draws.
    off, scatter2 : (n,) ndarray of float
        Mean and variance of how far ln R of each film is from the film as planned.
    shared, own : (n,) ndarray of float
        Variance of that mean between cups, and of each film of one.
    slope : (n,) ndarray of float
        d ln R / d ln phi.
    k : int
        Films that conduct.

    """

    weights: Floats
    off: Floats
    scatter2: Floats
    shared: Floats
    own: Floats
    slope: Floats
    k: int

    @classmethod
    def of(cls, found: _Outlook, logs: Floats, at: NDArray[np.int64]) -> _Batch:
        """Hold films against their gaps; `at` is the gap of each.

        What a cup shares is one deviation for all gaps, so its sizes add up and not their
        squares.
        """
        k, left = len(logs), logs - found.middle[:, at]
        part = np.bincount(at, minlength=found.middle.shape[1]) / k
        scatter2 = left.var(axis=1, ddof=1) if k > 1 else np.zeros(len(left))
        shared = (np.sqrt(found.shared) @ part) ** 2
        return cls(
            found.weights, left.mean(axis=1), scatter2, shared, found.own @ part,
            found.slope @ part, k,
        )  # fmt: skip

    @property
    def deviation(self) -> Floats:
        """Standard deviation of the mean, (n,)."""
        return np.asarray(np.sqrt(self.shared + self.own / self.k))


def agreement(
    model: FilmModel,
    recipes: Sequence[Recipe],
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
    recipes : sequence of Recipe
        Of each film, of one loading, as weighed out and cast, sizes as planned or as
        measured.
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
    The scatter of k films over its variance is chi-square with k - 1 degrees of freedom,
    of films of several gaps with the mean variance of one. Open films are binomial at the
    mean chance of each draw and cup, one in a hundred for reasons of their own included.
    All are averaged over the draws. A cause is that its deviation has `FAULT` times its
    tolerance; its evidence is the ratio of the two densities of mean and scatter.

    """
    if not len(resistances):
        raise ValueError("no film was read")
    if not all(r > 0.0 for r in resistances):
        raise ValueError("resistances must be above 0")
    quiet = dict.fromkeys(measured_sizes, 0.0)
    bench = replace(bench, tolerances=replace(bench.tolerances, **quiet))
    kinds = list(dict.fromkeys(recipes))
    at = np.array([kinds.index(recipe) for recipe in recipes])
    moves = [
        row_moves(Reading("batch", kind.loading, kind.film, 1.0), model, bench)
        for kind in kinds
    ]
    read = np.array(resistances, dtype=np.float64)
    conducts = np.isfinite(read)
    logs, n, k = np.log(read[conducts]), len(read), int(conducts.sum())
    found = _Outlook.of(model, kinds, known, bench, moves)
    counts = np.bincount(at)
    as_many = as_few = 1.0
    if found is None or n > k:
        as_many, as_few = _open_chances(model, kinds, counts, known, bench, moves[0], n - k)
    films = tuple(
        _films(kind, read[at == i], None if found is None else (found, i), outlook)
        for i, (kind, outlook) in enumerate(
            zip(kinds, outlooks(model, kinds, known, bench), strict=True)
        )
    )
    if found is None or k == 0:
        # predicted open, or nothing conducts: only the number of open films says something
        p = min(1.0, 2.0 * min(as_few, as_many))
        none = (Cause("none", 1.0, 0.0, 0.0),)
        return Agreement(_verdict(p), films, 1.0, 1.0, p, 0.0, 0.0, none, False)
    batch = _Batch.of(found, logs, at[conducts])
    w = batch.weights
    below = float(w @ ndtr(batch.off / batch.deviation))
    level_p = 2.0 * min(below, 1.0 - below)
    scatter_p = _scatter_chance(batch)
    causes = _causes(
        batch, _sizes(kinds, counts, moves, bench), recipes[0].loading.log_slope
    )
    # several looks at the same batch: Bonferroni
    looks = 1 + (k > 1) + (n > k)
    return Agreement(
        _verdict(min(level_p, scatter_p, as_many) * looks), films,
        level_p, scatter_p, as_many, float(np.sqrt(w @ batch.scatter2)),
        float(np.sqrt(w @ batch.own)), causes,
        len(causes) < 2 or causes[0].probability > 2.0 * causes[1].probability,
    )  # fmt: skip


def _films(
    recipe: Recipe, read: Floats, found: tuple[_Outlook, int] | None, outlook: Outlook
) -> Films:
    """Films of one recipe beside the band of their mean; of one casting if that is open."""
    logs = np.log(read[np.isfinite(read)])
    band = outlook.casting_band()
    if found is not None and len(logs):
        over, i = found
        sd = np.sqrt(over.shared[:, i] + over.own[:, i] / len(logs))
        cast = over.middle[:, i, None] + sd[:, None] * spread_steps(len(sd))
        each = np.repeat(over.weights / cast.shape[1], cast.shape[1])
        band = Band.of(cast.ravel(), each).exp()
    mean = float(np.exp(logs.mean())) if len(logs) else float("inf")
    return Films(recipe, len(read), len(read) - len(logs), band, mean)


def _open_chances(
    model: FilmModel,
    recipes: Sequence[Recipe],
    counts: NDArray[np.int64],
    known: Knowledge,
    bench: Bench,
    moves: Sequence[Move],
    n_open: int,
) -> tuple[float, float]:
    """Probability of as many open films or more, and of as many or fewer.

    Films of a cup share its loading, and what is not known.
    """
    from scipy.stats import binom

    shared, _ = deviation(moves, (CUP, LOT))
    points, weights = quadrature(NODES)
    n, more, fewer = int(counts.sum()), 0.0, 0.0
    for x, weight in zip(points, weights, strict=True):
        by = shared * x * known.scale
        seen = outlooks(model, recipes, known, bench, levels=(FILM,), off_by=by)
        shares = np.stack([o.open_shares for o in seen], axis=1) @ (counts / n)
        chance = STRAY_OPEN + (1.0 - STRAY_OPEN) * shares
        more += float(weight * (known.weights @ binom.sf(n_open - 1, n, chance)))
        fewer += float(weight * (known.weights @ binom.cdf(n_open, n, chance)))
    return more, fewer


def _scatter_chance(found: _Batch) -> float:
    """Probability of a scatter as large or larger."""
    from scipy.stats import chi2

    if found.k < 2:
        return 1.0
    over = found.scatter2 / np.maximum(found.own, 1e-30)
    return float(found.weights @ chi2.sf((found.k - 1) * over, found.k - 1))


def _verdict(probability: float) -> str:
    if probability < REJECTED:
        return "reject"
    return "doubtful" if probability < DOUBTFUL else "accept"


def _causes(
    found: _Batch, sizes: dict[str, tuple[float, float]], log_slope: float
) -> tuple[Cause, ...]:
    """Probability and size of every cause, the likeliest first."""
    from scipy.stats import chi2, norm

    shift, scatter2, k = found.off, found.scatter2, found.k
    zero = np.zeros_like(shift)
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
    recipes: Sequence[Recipe],
    counts: NDArray[np.int64],
    moves: Sequence[Sequence[Move]],
    bench: Bench,
) -> dict[str, tuple[float, float]]:
    """Tolerance of the logarithm of everything, and d ln R besides the loading with it.

    Those of the mean film, where gaps differ.
    """
    found: dict[str, tuple[float, float]] = {}
    for recipe, part, mine in zip(recipes, counts / counts.sum(), moves, strict=True):
        scale = {move.name: move.scale for move in mine}
        for name, spread in bench.tolerances.spreads(recipe.film).items():
            size, gain = found.get(name, (0.0, 0.0))
            own = scale.get(name, 0.0) / spread if spread > 0.0 else 0.0
            found[name] = size + part * spread, gain + part * own
    return found
