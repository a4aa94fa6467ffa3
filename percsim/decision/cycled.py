r"""Stage 8. A film that was pulled and released -> knowledge.

What a record tells stands in its shape, ln R along the path over that at rest; its level
is that of a film at rest, which rows of films tell better. So at every draw of what is not
known

.. math:: y_v = c + s\,d_v + \epsilon_v, \qquad \epsilon_v \sim N(0, \sigma^2 / w_v),

with d the ln R predicted along the path over that at rest, c free, s log-normal about 1
with what films of one mix differ in their response, and
:math:`\sigma` learnt: integrated with the prior 1/sigma it leaves a power of the squares,
of no less than what paths of other boxes of the same mix differ by. Errors of a law are
shared by neighbouring visits; so each branch weighs as one reading and each decade of a
stay as half of one, however many visits they have.

Draws come from what was known before, the simulation error among it, taken as normal in
the coordinates in which its priors are: exactly so on day one, by mean and covariance where
rows of films went before. The error of a path differs from draw to draw by far: small where
contacts are near those of the boxes, and several times the response where few are left.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.knowledge import Band, Knowledge, spread_points
from percsim.decision.sampler import LAST, ROUND, propose, tempered, truncated
from percsim.film.bench import quadrature
from percsim.film.protocol import Protocol

__all__ = [
    "CycleTold", "by_cycle", "log_likelihood", "visit_weights",
]  # fmt: skip

Floats = NDArray[np.float64]
Path = Callable[[Knowledge], Floats]

KEPT_DRAWS = 1024
"""Draws of equal weight that are handed on."""

OF_BRANCH, OF_DECADE = 1.0, 0.5
"""Readings that a branch and a decade of a stay weigh as (judgement, by coverage)."""

LEAST_ERROR = 1e-3
"""Least standard error of ln R: readings themselves are no better."""

SHAPE_ERROR = 0.08
"""Least standard error over the span of ln R: the paths of two sets of boxes at the same
contacts differ by 4 % beyond a common factor in the median over what is not known, by 10 %
in one of ten (measured on the example)."""

OPENED = 1.0
"""Departure of ln R that counts where one of law and film is open and the other is not."""

RESPONSES = 9
"""Points of the integral over what films of one mix differ in their response."""

PRIOR_WIDTH = 3.2897072539029435
"""Width of the central 90 % of a standard normal law."""


@dataclass(frozen=True, slots=True)
class CycleTold:
    """What a cycled film tells.

    Parameters
    ----------
    knowledge : Knowledge
        Draws of equal weight.
    effective_size : float
        Equal draws that the sampler's are worth.
    narrowing : dict of str to float
        Width of the central 90 % after over that on day one, by symbol, in the coordinate
        in which the prior is normal; `before` the same without the film.
    before : dict of str to float
    noise : Band
        The standard error of ln R learnt.
    band : (3, n visits) ndarray of float
        Median, 5 and 95 % of ln R over that at rest as predicted after the film, without
        the error learnt.
    prior_band : (3, n visits) ndarray of float
        The same before it.
    recloses : float
        Share of what a first pull adds that comes back on release, by the film itself: of
        contacts that never close again nothing is learnt of how well they do.

    """

    knowledge: Knowledge
    effective_size: float
    narrowing: dict[str, float]
    before: dict[str, float]
    noise: Band
    band: Floats
    prior_band: Floats
    recloses: float


def visit_weights(protocol: Protocol) -> Floats:
    """Weight of every visit (n,): readings it stands for, see the module."""
    n = len(protocol)
    out = np.zeros(n)
    stays = protocol.stays
    for stay in stays:
        into = protocol.times[stay.rows] - protocol.times[stay.first]
        decades = OF_DECADE * math.log10(max(into[-1], 10.0) / max(into[1], 1.0))
        rows = np.arange(stay.first, stay.last + 1)
        out[rows[1:]] += max(decades, OF_DECADE) / (len(rows) - 1)
    still = np.zeros(n, dtype=bool)
    for stay in stays:
        still[stay.first + 1 : stay.last + 1] = True
    # moves of strain or temperature between turning points and stays
    way = np.sign(np.diff(protocol.strains)) + 2.0 * np.sign(np.diff(protocol.temperatures))
    way[still[1:]] = 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], way, [0.0]])))
    for a, b in pairwise(edges):
        if way[a] != 0.0:
            out[a + 1 : b + 1] += OF_BRANCH / (b - a)
    return out


def _shape(logs: Floats) -> Floats:
    """Ln R over that of the first visit, (n, v); inf where either is open."""
    rest = logs[:, :1]
    known = np.isfinite(logs) & np.isfinite(rest)
    safe = np.where(np.isfinite(rest), rest, 0.0)
    return np.where(known, np.where(known, logs, 0.0) - safe, np.inf)


def _squares(
    shapes: Floats, measured: Floats, weights: Floats, spread: float
) -> tuple[Floats, Floats]:
    """Weighted squares (n, RESPONSES) of what is left, and the weights of the points."""
    points, shares = quadrature(RESPONSES)
    y, w = measured[1:], weights[1:]
    y = y - measured[0]
    told, predicted = np.isfinite(y), np.isfinite(shapes[:, 1:])
    both = told & predicted
    d = np.where(both, shapes[:, 1:], 0.0)
    y = np.where(told, y, 0.0)
    apart = (told != predicted) @ w * OPENED**2
    out = np.empty((len(shapes), len(points)))
    for k, s in enumerate(np.exp(spread * points)):
        left = np.where(both, y - s * d, 0.0)
        # c of every draw: the first visit is a reading too
        total = both @ w + 1.0
        centre = (left @ w) / total
        out[:, k] = (left**2) @ w - total * centre**2 + apart
    return np.maximum(out, 0.0), shares


def log_likelihood(
    logs: Floats, measured: Floats, weights: Floats, response: float, error: float
) -> Floats:
    """Log-likelihood (n,) of a measured path at draws.

    Parameters
    ----------
    logs : (n, v) ndarray of float
        ln R predicted along the path at every draw, inf where open.
    measured : (v,) ndarray of float
        ln R measured; the first finite.
    weights : (v,) ndarray of float
        Readings that each visit stands for.
    response : float
        Standard deviation of ln of the factor between predicted and measured responses.
    error : float
        Least standard error of ln R.

    Returns
    -------
    (n,) ndarray of float
        -inf where the film at rest is open.

    """
    shapes = _shape(logs)
    squares, shares = _squares(shapes, measured, weights, response)
    freedom = float(weights[1:].sum())
    scale = squares + freedom * error**2
    power = -0.5 * max(freedom - 1.0, 1.0) * np.log(scale)
    top = power.max(axis=1)
    told = np.log(np.exp(power - top[:, None]) @ shares) + top
    return np.where(np.isfinite(logs[:, 0]), told, -np.inf)


def by_cycle(
    known: Knowledge,
    path: Path,
    measured: Floats,
    protocol: Protocol,
    response: float,
    seed: np.random.SeedSequence,
    *,
    n: int = KEPT_DRAWS,
    warm: int = ROUND,
    last: int = LAST,
) -> CycleTold:
    """Find what a cycled film tells beyond what is known.

    Parameters
    ----------
    known : Knowledge
        Before: day one, or by rows of films; equal weights.
    path : callable
        Knowledge (m draws) to ln R along the protocol (m, v), inf where open.
    measured : (v,) ndarray of float
        ln R measured, inf where open.
    protocol : Protocol
        Its visits.
    response : float
        Standard deviation of ln of a film's response between films of a mix.
    seed : numpy.random.SeedSequence
        Seed of all draws.
    n, warm, last : int
        Draws handed on, of a round of the sampler, and of its last round.

    Returns
    -------
    CycleTold

    Raises
    ------
    ValueError
        If nothing is left to learn, or no draw conducts.

    """
    k = len(known.priors.free)
    if not k:
        raise ValueError("every parameter is held, so the film has nothing to tell")
    whole = np.hstack([known.z, known.noise])
    centre = known.weights @ whole
    apart = whole - centre
    covariance = (known.weights[:, None] * apart).T @ apart
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(covariance)))
    if known.basis == "day one":
        centre, root = np.zeros(len(centre)), np.eye(len(centre))
    # what moves the level alone, or with temperature, stays drawn as it was
    silent = {known.priors.priors[0].name}
    silent |= set() if protocol.temperature_steps else {"Ea"}
    names = [prior.name for prior in known.priors.free]
    idle = [i for i, name in enumerate(names) if name in silent]
    idle = idle if known.basis == "day one" and len(idle) < k else []
    told_of = [i for i in range(k) if i not in idle]
    order = [*told_of, *idle, *range(k, len(centre))]
    weights = visit_weights(protocol)
    finite = measured[np.isfinite(measured)]
    error = math.hypot(LEAST_ERROR, SHAPE_ERROR * float(np.ptp(finite)))

    def at(u: Floats) -> Knowledge:
        own = np.empty_like(u)
        own[:, order] = u
        z, noise = np.hsplit(centre + own @ root.T, [k])
        return Knowledge(
            "measured", known.priors, z, known.priors.values(z),
            np.full(len(u), 1.0 / len(u)), noise, np.ones(len(u)),
        )  # fmt: skip

    def told(u: Floats) -> Floats:
        return log_likelihood(path(at(u)), measured, weights, response, error)

    children = [
        np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))
        for i in range(3)
    ]
    start = spread_points(warm, len(order), children[2])
    beside = len(order) - len(told_of)
    found, _ = propose(told, start, told(start), children[0], beside=beside)
    u, ratio = found.draws(last)
    logs = path(at(u))
    w = truncated(tempered(ratio, log_likelihood(logs, measured, weights, response, error)))
    rng = np.random.default_rng(children[1])
    places = (np.arange(n) + rng.random()) / n
    rows = np.minimum(np.searchsorted(np.cumsum(w), places), len(w) - 1)
    some = rng.permutation(np.resize(np.arange(len(known)), n))
    after = replace(at(u[rows]), scale=known.scale[some])
    shapes = _shape(logs)
    squares, _ = _squares(shapes[rows], measured, weights, 0.0)
    freedom = float(weights[1:].sum())
    noise = np.sqrt(squares.min(axis=1) / freedom)
    even = np.full(n, 1.0 / n)
    prior = _shape(path(known))
    return CycleTold(
        after,
        float(1.0 / (w**2).sum()),
        _widths(after),
        _widths(known),
        Band.of(noise, even),
        _bands(shapes[rows], even),
        _bands(prior, known.weights),
        _recloses(measured, protocol),
    )


def _recloses(measured: Floats, protocol: Protocol) -> float:
    """Share of the rise of the farthest first pull that its release takes back.

    1 where the pull opens the film and its release shuts it; 0 where it ends open.
    """
    pulls = protocol.pulls
    far = max(pulls, key=lambda p: (abs(protocol.strains[p.top]), -p.start))
    start, top, end = measured[[far.start, far.top, far.end]]
    start = start if np.isfinite(start) else measured[0]
    if not np.isfinite(end) or top == start:
        return 0.0
    return float((top - end) / (top - start)) if np.isfinite(top) else 1.0


def _widths(known: Knowledge) -> dict[str, float]:
    out = {}
    for k, prior in enumerate(known.priors.free):
        low, high = weighted_quantiles(known.z[:, k], (0.05, 0.95), known.weights)
        out[prior.name] = float(high - low) / PRIOR_WIDTH
    return out


def _bands(shapes: Floats, weights: Floats) -> Floats:
    """Median, 5 and 95 % of every visit (3, v)."""
    columns = [weighted_quantiles(c, (0.5, 0.05, 0.95), weights) for c in shapes.T]
    return np.array(columns).T
