r"""Stage 8. Does a batch agree with what was predicted; if not, the likeliest cause.

Around the median prediction ln R of the films of one batch is

.. math:: y_j = m + p + c + f_j

with p what is not known of the film (contacts, threshold, simulation: its spread over the
draws), c what all films of a batch share (weighing, the lot of powder) and f_j what differs
from film to film (mixing, sizes, contacts), all normal, the loading to first order. So the
mean and the scatter of the films have known laws, and every possible cause is one of the
same deviations, several times larger: its probability and its size follow in closed form
from the normal linear model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from percsim.decision.anchor import STRAY_OPEN
from percsim.decision.predict import (
    Loading,
    Outlook,
    Responses,
    loading_deviation,
    outlook,
)
from percsim.decision.priors import Draws
from percsim.film.casting import Tolerances
from percsim.film.electrodes import Film

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
"""Relative step of the loading for its slope."""

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
    predicted : tuple of float
        Median, 5 and 95 % of the geometric mean of so many films [ohm].
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
    predicted: tuple[float, float, float]
    measured: float
    level_probability: float
    scatter_probability: float
    open_probability: float
    scatter: float
    expected_scatter: float
    causes: tuple[Cause, ...]
    told_apart: bool


def _slope(o: Outlook) -> float:
    """D ln R / d ln(phi/phi_c) at the median draw, over one standard deviation."""
    points = o.points
    logs = o.log_rest
    good = np.isfinite(logs).all(axis=1)
    if not good.any():
        return 0.0
    rise = (logs[good] - logs[good][:, [o.nominal]]) @ (o.point_weights * points)
    return float(np.average(rise, weights=o.draws.weights[good]))


def agreement(
    responses: Responses,
    loading: Loading,
    film: Film,
    resistances: Sequence[float],
    draws: Draws,
    tolerances: Tolerances,
    aspect_ratio_slope: float,
    seed: np.random.SeedSequence,
    *,
    measured_sizes: Sequence[str] = (),
) -> Agreement:
    """Judge the films of one batch.

    Parameters
    ----------
    responses : Responses
        ln R against loading, threshold and parameters.
    loading : Loading
        As weighed out.
    film : Film
        Sizes as planned, or as measured.
    resistances : sequence of float
        R of each film [ohm] over that of its own sizes to `film`, inf where open.
    draws : Draws
        What is known of contacts and threshold.
    tolerances : Tolerances
        Of the bench.
    aspect_ratio_slope : float
        d ln(threshold) / d ln(aspect ratio).
    seed : numpy.random.SeedSequence
        Seed of the simulation errors.
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
    The mean of k films has the variance of p, of c and 1/k that of f; the scatter of the
    films over that of f is chi-square with k - 1 degrees of freedom. Open films: binomial
    at the probability of each draw, one in a hundred for reasons of their own included,
    averaged over the draws. A cause is that its deviation has `FAULT` times its tolerance;
    its evidence is the ratio of the two densities of mean and scatter.

    """
    from scipy.stats import binom, chi2, norm

    if not len(resistances):
        raise ValueError("no film was read")
    if not all(r > 0.0 for r in resistances):
        raise ValueError("resistances must be above 0")
    quiet = dict.fromkeys(measured_sizes, 0.0)
    tol = replace(tolerances, **quiet)
    o = outlook(responses, loading, film, draws, tol, aspect_ratio_slope, seed)
    spreads = tol.spreads(film)
    logs = np.log([r for r in resistances if np.isfinite(r)])
    n, k = len(resistances), len(logs)
    # films of a batch share what is not known: open together at some draws, not at others
    open_chance = np.isinf(o.log_rest) @ o.point_weights
    open_chance = STRAY_OPEN + (1.0 - STRAY_OPEN) * open_chance
    as_many = float(o.draws.weights @ binom.sf(n - k - 1, n, open_chance))
    open_p = as_many if n > k else 1.0

    centre = o.log_rest[:, o.nominal]
    conducts = np.isfinite(centre)
    weights = o.draws.weights * conducts
    if weights.sum() < 0.5 or k == 0:
        # predicted open, or nothing conducts: only the number of open films says something
        as_few = float(o.draws.weights @ binom.cdf(n - k, n, open_chance))
        p = min(1.0, 2.0 * min(as_few, as_many))
        band = tuple(float(x) for x in o.casting_band())
        measured = float(np.exp(logs.mean())) if k else float("inf")
        return Agreement(
            _verdict(p), n, n - k, band, measured, 1.0, 1.0, p, 0.0, 0.0,  # type: ignore[arg-type]
            (Cause("none", 1.0, 0.0, 0.0),), False,
        )  # fmt: skip
    weights = weights / weights.sum()
    middle = float(weights @ np.where(conducts, centre, 0.0))
    unknown = float(weights @ (np.where(conducts, centre, middle) - middle) ** 2)
    deviation = loading_deviation(tol, film, loading.log_slope, aspect_ratio_slope)
    # per unit of ln(phi/phi_c); the quadrature gives it per standard deviation
    per_log = _slope(o) / deviation if deviation > 0.0 else 0.0
    by_loading = abs(per_log) * loading.log_slope
    common = (by_loading * spreads["weighing"]) ** 2
    common += (per_log * aspect_ratio_slope * spreads["aspect_ratio"]) ** 2
    common += spreads["particle_size"] ** 2
    own = by_loading**2 * (spreads["mixing"] ** 2 + spreads["mixing_within"] ** 2)
    own += sum(spreads[name] ** 2 for name in ("thickness", "gap", "width", "contact"))
    variance = unknown + common + own / k
    mean = float(logs.mean())
    level_p = float(2.0 * norm.sf(abs(mean - middle) / np.sqrt(variance)))
    scatter2 = float(logs.var(ddof=1)) if k > 1 else 0.0
    scatter_p = float(chi2.sf((k - 1) * scatter2 / own, k - 1)) if k > 1 else 1.0
    causes = _causes(
        mean - middle, scatter2, k, variance, own, by_loading, spreads, measured_sizes
    )
    half = 1.6448536 * np.sqrt(variance)
    smallest = min(level_p, scatter_p, open_p)
    # three looks at the same batch: Bonferroni
    looks = 1 + (k > 1) + (n > k)
    return Agreement(
        _verdict(smallest * looks),
        n,
        n - k,
        (
            float(np.exp(middle)),
            float(np.exp(middle - half)),
            float(np.exp(middle + half)),
        ),
        float(np.exp(mean)),
        level_p,
        scatter_p,
        open_p,
        float(np.sqrt(scatter2)),
        float(np.sqrt(own)),
        causes,
        causes[0].probability > 2.0 * causes[1].probability,
    )


def _verdict(probability: float) -> str:
    if probability < REJECTED:
        return "reject"
    return "doubtful" if probability < DOUBTFUL else "accept"


def _causes(
    shift: float,
    scatter2: float,
    k: int,
    variance: float,
    own: float,
    by_loading: float,
    spreads: dict[str, float],
    measured_sizes: Sequence[str],
) -> tuple[Cause, ...]:
    """Probability and size of every cause, the likeliest first."""
    from scipy.stats import chi2, norm

    def scatter_density(within: float) -> float:
        """Log-density of the scatter at a variance between films, but for a constant."""
        if k < 2:
            return 0.0
        u = max((k - 1) * scatter2 / within, 1e-12)
        return float(chi2.logpdf(u, k - 1) - np.log(within))

    def level_density(total: float) -> float:
        return float(norm.logpdf(shift, 0.0, np.sqrt(total)))

    found: list[tuple[str, float, float, float]] = [
        ("none", level_density(variance) + scatter_density(own), 0.0, 0.0)
    ]
    for name, sizes in CAUSES.items():
        if name in measured_sizes:
            continue
        tolerance = float(np.sqrt(sum(spreads[size] ** 2 for size in sizes)))
        gain = {"loading": -by_loading, "gap": 1.0}.get(name, -1.0)
        extra = (gain * FAULT * tolerance) ** 2
        if extra <= 0.0:
            continue
        density = level_density(variance + extra) + scatter_density(own)
        # normal prior of the fault, normal readings: the conjugate answer
        share = extra / (extra + variance)
        found.append(
            (
                name,
                density,
                shift * share / gain,
                float(np.sqrt(extra * (1.0 - share)) / abs(gain)),
            )
        )
    if k > 1 and by_loading > 0.0:
        more = (by_loading * FAULT * spreads["mixing"]) ** 2
        density = level_density(variance + more / k) + scatter_density(own + more)
        size = float(np.sqrt(max(scatter2 - own, 0.0)) / by_loading)
        # of the square root of a variance with k - 1 degrees of freedom, first order
        error = 0.0
        if size > 0.0:
            error = float(np.sqrt(0.5 / (k - 1)) * scatter2 / (by_loading**2 * size))
        found.append(("mixing", density, size, error))
    before = [1.0 - PRIOR_FAULT] + [PRIOR_FAULT / (len(found) - 1)] * (len(found) - 1)
    logs = np.array([density for _, density, _, _ in found]) + np.log(before)
    p = np.exp(logs - logs.max())
    p /= p.sum()
    causes = [
        Cause(name, float(chance), off, error)
        for (name, _, off, error), chance in zip(found, p, strict=True)
    ]
    return tuple(sorted(causes, key=lambda cause: -cause.probability))
