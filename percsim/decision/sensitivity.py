"""Stage 8. What causes the spread of a result, and what reading more films would tell."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import hermite_e
from numpy.typing import NDArray

from percsim.decision.decide import FILMS, imagined
from percsim.decision.knowledge import Knowledge
from percsim.decision.outlook import Outlook
from percsim.decision.target import Target

__all__ = ["NextFilms", "best_shares", "first_order_shares", "next_films"]

Floats = NDArray[np.float64]

DEGREE = 4
"""Highest polynomial of one number in the shares of variance."""
FEWEST = 50
"""Conducting draws below which no share is told."""


def first_order_shares(known: Knowledge, values: Floats) -> dict[str, float] | None:
    r"""First-order shares of each number in the variance of a result.

    Parameters
    ----------
    known : Knowledge
        Draws of equal weight.
    values : (n,) ndarray of float
        The result of each draw; draws where it is not finite are left out.

    Returns
    -------
    dict of str to float or None
        By symbol, and `together`: the rest to 1, what several numbers do only together.
        None with too few finite values or none that differ.

    Notes
    -----
    The first-order Sobol' index :math:`S_i = \mathrm{Var}\,E(y|z_i)/\mathrm{Var}\,y` [1]_,
    with :math:`E(y|z_i)` from the orthogonal Hermite polynomials of :math:`z_i` up to
    degree 4, least squares on the draws at hand [2]_, less what as many polynomials of a
    meaningless number would explain.

    References
    ----------
    .. [1] Sobol', "Global sensitivity indices for nonlinear mathematical models and their
       Monte Carlo estimates", Math. Comput. Simul. 55, 271 (2001).
    .. [2] Sudret, "Global sensitivity analysis using polynomial chaos expansions", Reliab.
       Eng. Syst. Saf. 93, 964 (2008).

    """
    keep = np.isfinite(values)
    y = values[keep]
    if len(y) < FEWEST or not np.ptp(y) > 1e-12 * max(1.0, float(np.abs(y).max())):
        return None
    y = y - y.mean()
    found = {}
    for prior, z in zip(known.priors.free, known.z[keep].T, strict=True):
        basis = hermite_e.hermevander(z, DEGREE)
        left = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
        n = len(y)
        unexplained = (left @ left) / (n - DEGREE - 1) * (n - 1) / (y @ y)
        found[prior.name] = max(0.0, float(1.0 - unexplained))
    found["together"] = max(0.0, 1.0 - sum(found.values()))
    return found


def best_shares(shares: Floats, weights: Floats, least: float = 0.05) -> Floats:
    """Probability that each candidate is the best one, (candidates,).

    Parameters
    ----------
    shares : (candidates, n) ndarray of float
        Pass share of each candidate at each draw, the draws common to all.
    weights : (n,) ndarray of float
        Weight of each draw.
    least : float
        A best share below this is none: the draw counts for no candidate.

    Returns
    -------
    (candidates,) ndarray of float
        Sums to the probability that any candidate passes at all.

    """
    best = np.argmax(shares, axis=0)
    counts = shares.max(axis=0) >= least
    found = np.bincount(best[counts], weights[counts], minlength=len(shares))
    return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class NextFilms:
    """What reading a few more films of one recipe would tell.

    Parameters
    ----------
    outlook : Outlook
        The recipe.
    films : int
        Films to cast and read.
    best_pass_share : float
        Expected share that passes of the recipe that will then look best.
    gain : float
        How much more that is than today's best.
    gain_probability : float
        The same of the probability P.
    variance_left : float
        Expected variance of ln R of the best recipe after the reading, over that before.
    open_chance : float
        Probability that the films read open.

    """

    outlook: Outlook
    films: int
    best_pass_share: float
    gain: float
    gain_probability: float
    variance_left: float
    open_chance: float


def next_films(
    outlooks: Sequence[Outlook], target: Target, films: int = FILMS
) -> tuple[NextFilms, ...]:
    """Rank recipes by what reading a few films of each would tell.

    Parameters
    ----------
    outlooks : sequence of Outlook
        Every recipe, over the same draws.
    target : Target
        What is asked.
    films : int
        Films cast and read, geometric mean taken.

    Returns
    -------
    tuple of NextFilms
        The most informative first: by the gain of the best pass share, then by the variance
        left.

    Notes
    -----
    Expected value of sample information (Raiffa & Schlaifer, Applied Statistical Decision
    Theory, 1961, ch. 5; from memory) from joint draws: draws are sorted by what films would
    read, and the best recipe of each sort counts.

    """
    w = outlooks[0].weights
    shares = np.stack([o.pass_shares(target) for o in outlooks])
    every = np.stack([o.holds(target)[1] for o in outlooks]).astype(np.float64)
    today, sure = (float((values @ w).max()) for values in (shares, every))
    best = outlooks[int(np.argmax(shares @ w))]
    wanted = best.rest[:, best.nominal]
    finite = np.isfinite(wanted)
    level = np.where(finite, wanted, 0.0)

    def variance(keep: NDArray[np.bool_]) -> tuple[float, float]:
        """Variance of ln R over some draws, and their weight."""
        part = np.where(keep & finite, w, 0.0)
        total = float(part.sum())
        if total <= 0.0:
            return 0.0, 0.0
        mean = float(part @ level) / total
        return float(part @ (level - mean) ** 2) / total, total

    before, known = variance(np.ones(len(w), dtype=bool))
    found = []
    for o in outlooks:
        group = imagined(o, films)
        sorts = [group == g for g in np.unique(group)]
        then, then_sure = (
            sum(float((values[:, g] @ w[g]).max()) for g in sorts)
            for values in (shares, every)
        )
        left = sum(np.prod(variance(g)) for g in sorts)
        scaled = float(left / known / before) if known * before > 0.0 else 1.0
        found.append(
            NextFilms(
                o, films, then, max(0.0, then - today), max(0.0, then_sure - sure), scaled,
                float(w @ np.isinf(o.rest[:, o.nominal])),
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda c: (-round(c.gain, 2), c.variance_left)))
