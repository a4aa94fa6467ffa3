"""Stage 8. What causes the spread of a result, and who is best how often."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.polynomial import hermite_e
from numpy.typing import NDArray

from percsim.decision.knowledge import Knowledge

__all__ = ["best_shares", "first_order_shares"]

Floats = NDArray[np.float64]

DEGREE = 4
"""Highest polynomial of one number in the shares of variance."""
FEWEST = 50
"""Conducting draws below which no share is told."""


def first_order_shares(
    known: Knowledge, results: Sequence[Floats]
) -> list[dict[str, float] | None]:
    r"""First-order shares of each number in the variance of results.

    Parameters
    ----------
    known : Knowledge
        Draws of equal weight.
    results : sequence of (n,) ndarray of float
        Each at every draw; draws where it is not finite are left out.

    Returns
    -------
    list of dict of str to float or None
        One a result: by symbol, and `together`: the rest to 1, what several numbers do only
        together. None with too few finite values or none that differ.

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
    names = [prior.name for prior in known.priors.free]
    polynomials = [hermite_e.hermevander(z, DEGREE) for z in known.z.T]
    bases: dict[bytes, list[Floats]] = {}  # by draws that are finite
    found: list[dict[str, float] | None] = []
    for values in results:
        keep = np.isfinite(values)
        y, n = values[keep], int(keep.sum())
        if n < FEWEST or not np.ptp(y) > 1e-12 * max(1.0, float(np.abs(y).max())):
            found.append(None)
            continue
        y = y - y.mean()
        shares, own = {}, keep.tobytes()
        if own not in bases:
            bases[own] = [np.linalg.qr(every[keep])[0] for every in polynomials]
        for name, basis in zip(names, bases[own], strict=True):
            left = y - basis @ (basis.T @ y)
            unexplained = (left @ left) / (n - DEGREE - 1) * (n - 1) / (y @ y)
            shares[name] = max(0.0, float(1.0 - unexplained))
        shares["together"] = max(0.0, 1.0 - sum(shares.values()))
        found.append(shares)
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
