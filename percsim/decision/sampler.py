"""Stage 8. Weighted draws of a posterior whose prior is standard normal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from percsim.decision.knowledge import spread_points

__all__ = ["LAST", "ROUND", "importance_sample"]

Floats = NDArray[np.float64]

ROUND, LAST = 512, 2048
"""Draws of a round of the sampler, and of its last."""
CENTRES = 128
"""Kernels of the proposal."""
KERNEL_FREEDOM = 5.0
"""Degrees of freedom of a kernel: tails heavier than those of any posterior here."""
DEFENSIVE = 0.1
"""Share of the proposal that stays the prior, which bounds every weight."""
ENOUGH = 0.15
"""Effective share of the draws of a round at which the proposal counts as found."""
ROUNDS = 12
"""Rounds after which the sampler goes on with what it has."""
KEPT, KEPT_OF_FEW = 0.2, 0.8
"""Share of the draws of a round that a rise of the likelihood's power leaves effective;
where fewer are already, share of those."""
SMALLEST_STEP = 0.02
"""Least rise of the likelihood's power from round to round."""


def importance_sample(
    log_likelihood: Callable[[Floats], Floats],
    dimension: int,
    seed: np.random.SeedSequence,
    *,
    beside: int = 0,
    n: int = LAST,
    warm: int = ROUND,
) -> tuple[Floats, Floats]:
    r"""Weighted draws of a posterior whose prior is standard normal.

    Parameters
    ----------
    log_likelihood : callable
        Coordinates (m, dimension) to log-likelihood (m,), -inf where impossible.
    dimension : int
        Coordinates, 1 or more.
    seed : numpy.random.SeedSequence
        Seed of all draws.
    beside : int
        Coordinates besides that readings hardly tell of; they stay drawn from the prior.
    n, warm : int
        Draws of the last round and of those before.

    Returns
    -------
    z : (n, dimension + beside) ndarray of float
        Coordinates.
    weights : (n,) ndarray of float
        Their weights, together 1.

    Raises
    ------
    ValueError
        If no draw of the prior is possible at all.

    Notes
    -----
    Rounds of evenly spread draws, the first from the prior, each next one from a mixture of
    t kernels at the resampled draws of the one before [1]_. The likelihood enters to a
    power that rises to 1, each time so far that a fifth of the draws stay effective. A
    tenth of every mixture is the prior, which bounds the weights of the last round [2]_.

    References
    ----------
    .. [1] West, "Approximating posterior distributions by mixtures", J. R. Stat. Soc. B 55,
       409 (1993); citation from memory.
    .. [2] Hesterberg, "Weighted average importance sampling and defensive mixture
       distributions", Technometrics 37, 185 (1995); citation from memory.

    """

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    k = dimension
    z = spread_points(warm, k + beside, child(0))
    log_q = _prior_density(z[:, :k])
    power = 0.0
    # Silverman's rule, so that kernels shrink together with their number
    bandwidth = (4.0 / (dimension + 2.0) / CENTRES) ** (1.0 / (dimension + 4.0))
    for round_number in range(1, ROUNDS + 1):
        log_l = log_likelihood(z)
        if not np.isfinite(log_l).any():
            raise ValueError("no draw of the prior can give these readings")
        base = _prior_density(z[:, :k]) - log_q
        power = _next_power(base, log_l, power)
        w = _tempered(base, log_l, power)
        own = z[:, :k]
        apart = own - w @ own
        covariance = (w[:, None] * apart).T @ apart + 1e-6 * np.eye(k)
        places = (np.arange(CENTRES) + 0.5) / CENTRES
        picked = np.minimum(np.searchsorted(np.cumsum(w), places), len(z) - 1)
        settled = power == 1.0 and _effective(w) >= ENOUGH * len(z)
        root = bandwidth * np.linalg.cholesky(covariance)
        last = settled or round_number == ROUNDS
        z, log_q = _mixture(
            own[picked], root, n if last else warm, child(round_number), beside
        )
        if last:
            break
    return z, _tempered(_prior_density(z[:, :k]) - log_q, log_likelihood(z), 1.0)


def _mixture(
    centres: Floats, root: Floats, n: int, seed: np.random.SeedSequence, beside: int
) -> tuple[Floats, Floats]:
    """Draws (n, k) of a defensive mixture of t kernels, and the log of its density."""
    rng = np.random.default_rng(seed)
    k = centres.shape[1]
    points = spread_points(n, k + beside, seed)
    z = points[:, :k]
    stays = rng.permutation(n) < round(DEFENSIVE * n)
    which = rng.permutation(np.arange(n) % len(centres))
    stretch = np.sqrt(KERNEL_FREEDOM / rng.chisquare(KERNEL_FREEDOM, n))
    moved = centres[which] + stretch[:, None] * (z @ root.T)
    z = np.where(stays[:, None], z, moved)
    return np.hstack([z, points[:, k:]]), _mixture_density(z, centres, root)


def _prior_density(z: Floats) -> Floats:
    return np.asarray(-0.5 * (z**2).sum(axis=1) - 0.5 * z.shape[1] * np.log(2 * np.pi))


def _mixture_density(z: Floats, centres: Floats, root: Floats) -> Floats:
    """Log-density of the defensive mixture at z (n, k)."""
    k, nu = z.shape[1], KERNEL_FREEDOM
    back = np.linalg.inv(root).T
    y, c = z @ back, centres @ back
    square = (y**2).sum(axis=1)[:, None] + (c**2).sum(axis=1) - 2.0 * y @ c.T
    constant = gammaln(0.5 * (nu + k)) - gammaln(0.5 * nu) - 0.5 * k * np.log(nu * np.pi)
    kernels = np.exp(
        constant
        - np.log(np.abs(np.diag(root))).sum()
        - 0.5 * (nu + k) * np.log1p(np.maximum(square, 0.0) / nu)
    ).mean(axis=1)
    prior = np.exp(_prior_density(z))
    return np.asarray(np.log(DEFENSIVE * prior + (1.0 - DEFENSIVE) * kernels))


def _effective(w: Floats) -> float:
    return float(1.0 / (w**2).sum())


def _tempered(base: Floats, log_likelihood: Floats, power: float) -> Floats:
    """Weights with the likelihood to a power; impossible draws have none."""
    possible = np.isfinite(log_likelihood)
    log_w = base + power * np.where(possible, log_likelihood, 0.0)
    log_w = np.where(possible, log_w, -np.inf)
    w = np.exp(log_w - log_w.max())
    return np.asarray(w / w.sum())


def _next_power(base: Floats, log_likelihood: Floats, power: float) -> float:
    """Largest power up to 1 that keeps a share of the draws effective now, a step on."""
    now = _effective(_tempered(base, log_likelihood, power))

    least = min(KEPT * len(base), KEPT_OF_FEW * now)

    def enough(t: float) -> bool:
        return _effective(_tempered(base, log_likelihood, t)) >= least

    if enough(1.0):
        return 1.0
    low, high = power, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return min(1.0, max(low, power + SMALLEST_STEP))
