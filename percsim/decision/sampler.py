"""Stage 8. Draws near a posterior whose prior is standard normal, and their weights."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from percsim.decision.knowledge import spread_points

__all__ = ["LAST", "ROUND", "Proposal", "propose", "tempered", "truncated"]

Floats = NDArray[np.float64]

ROUND, LAST = 512, 2048
"""Draws of a round of the sampler, and of the posterior."""
CENTRES = 128
"""Kernels of the proposal."""
KERNEL_FREEDOM = 5.0
"""Degrees of freedom of a kernel: tails heavier than those of any posterior here."""
DEFENSIVE = 0.1
"""Share of the proposal that stays the prior, which bounds every weight."""
ENOUGH = 0.15
"""Effective share of the draws at which the proposal counts as found."""
ROUNDS = 12
"""Rounds after which the sampler goes on with what it has."""
AT_FULL_POWER = 2
"""Rounds at the likelihood's full power after which it does so too: more of them rarely
raise the effective share."""
POOLED = 3
"""Rounds whose draws make the next proposal together."""
KEPT = 20.0
"""Effective draws that the likelihood's power leaves."""
POWERS = np.geomspace(1.0, 1e-4, 93)
"""Powers that are tried."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """Mixture of t kernels of one covariance, a tenth of it the standard normal prior.

    Parameters
    ----------
    centres : (CENTRES, k) ndarray of float
        Of the kernels.
    root : (k, k) ndarray of float
        Root of their covariance, lower triangular.
    beside : int
        Coordinates besides that stay drawn from the prior.
    seed : numpy.random.SeedSequence
        Seed of its draws.

    """

    centres: Floats
    root: Floats
    beside: int
    seed: np.random.SeedSequence

    def draws(self, n: int) -> tuple[Floats, Floats]:
        """Draw n coordinates (n, k + beside), and ln of prior over proposal there, (n,)."""
        rng = np.random.default_rng(self.seed)
        k = self.centres.shape[1]
        points = spread_points(n, k + self.beside, self.seed)
        z = points[:, :k]
        stays = rng.permutation(n) < round(DEFENSIVE * n)
        which = rng.permutation(np.arange(n) % len(self.centres))
        stretch = np.sqrt(KERNEL_FREEDOM / rng.chisquare(KERNEL_FREEDOM, n))
        moved = self.centres[which] + stretch[:, None] * (z @ self.root.T)
        z = np.where(stays[:, None], z, moved)
        ratio = _prior_density(z) - _mixture_density(z, self.centres, self.root)
        return np.hstack([z, points[:, k:]]), ratio


def propose(
    log_likelihood: Callable[[Floats], Floats],
    z: Floats,
    log_l: Floats,
    seed: np.random.SeedSequence,
    *,
    beside: int = 0,
) -> tuple[Proposal, Floats]:
    """Find where a posterior lies whose prior is standard normal.

    Parameters
    ----------
    log_likelihood : callable
        Coordinates (m, dimension + beside) to log-likelihood (m,), -inf where impossible.
    z : (m, dimension + beside) ndarray of float
        Evenly spread draws of the prior, as many as a round has.
    log_l : (m,) ndarray of float
        Their log-likelihood.
    seed : numpy.random.SeedSequence
        Seed of all draws.
    beside : int
        Coordinates besides that readings hardly tell of; they stay drawn from the prior.

    Returns
    -------
    proposal : Proposal
        Where it lies.
    ratio : (m,) ndarray of float
        ln of prior over proposal at the draws that were told last.

    Raises
    ------
    ValueError
        If no draw of the prior is possible at all.

    Notes
    -----
    Rounds of evenly spread draws, the first from the prior, each next one from a mixture of
    t kernels at resampled draws of those before [1]_. The likelihood enters to the
    largest power up to 1 at which enough of the draws stay effective. A tenth of every
    mixture is the prior, which bounds the weights of draws from it [2]_.

    References
    ----------
    .. [1] West, "Approximating posterior distributions by mixtures", J. R. Stat. Soc. B 55,
       409 (1993); citation from memory.
    .. [2] Hesterberg, "Weighted average importance sampling and defensive mixture
       distributions", Technometrics 37, 185 (1995); citation from memory.

    """

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    dimension, ratio = z.shape[1] - beside, np.zeros(len(z))
    rounds: list[tuple[Floats, Floats, Floats]] = []
    at_full = 0
    # Silverman's rule, so that kernels shrink together with their number
    bandwidth = (4.0 / (dimension + 2.0) / CENTRES) ** (1.0 / (dimension + 4.0))
    places = (np.arange(CENTRES) + 0.5) / CENTRES
    for number in range(1, ROUNDS + 1):
        rounds.append((z[:, :dimension], ratio, log_l))
        own, base, logs = (
            np.concatenate(part) for part in zip(*rounds[-POOLED:], strict=True)
        )
        if not np.isfinite(logs).any():
            raise ValueError("no draw of the prior can give these readings")
        power = _power(base, logs)
        w = tempered(base, logs, power)
        apart = own - w @ own
        covariance = (w[:, None] * apart).T @ apart + 1e-6 * np.eye(dimension)
        picked = np.minimum(np.searchsorted(np.cumsum(w), places), len(own) - 1)
        root = bandwidth * np.linalg.cholesky(covariance)
        found = Proposal(own[picked], root, beside, child(number))
        at_full += power == 1.0
        if at_full and (_effective(w) >= ENOUGH * len(w) or at_full == AT_FULL_POWER):
            break
        z, ratio = found.draws(len(z))
        log_l = log_likelihood(z)
    return found, ratio


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


def tempered(base: Floats, log_likelihood: Floats, power: float = 1.0) -> Floats:
    """Weights of draws by ln of prior over proposal, with the likelihood to a power.

    Impossible draws have none.
    """
    possible = np.isfinite(log_likelihood)
    log_w = base + power * np.where(possible, log_likelihood, 0.0)
    log_w = np.where(possible, log_w, -np.inf)
    w = np.exp(log_w - log_w.max())
    return np.asarray(w / w.sum())


def truncated(weights: Floats) -> Floats:
    """Weights (n,), together 1, none above the root of n times their mean [1]_.

    So no single draw that the proposal all but missed speaks for all.

    References
    ----------
    .. [1] Ionides, "Truncated importance sampling", J. Comput. Graph. Stat. 17, 295
       (2008); citation from memory.

    """
    held = np.minimum(weights, 1.0 / np.sqrt(len(weights)))
    return np.asarray(held / held.sum())


def _power(base: Floats, log_likelihood: Floats) -> float:
    """Largest power that keeps enough draws effective, or else the one that keeps most.

    It may fall again: kernels at a few draws that happened to weigh much find no others.
    """
    kept: list[float] = []
    for power in POWERS:
        kept.append(_effective(tempered(base, log_likelihood, power)))
        if kept[-1] >= KEPT:
            return float(power)
    return float(POWERS[np.argmax(kept)])
