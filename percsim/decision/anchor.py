r"""Stage 8. Measured films -> what is known of the contacts and the threshold.

Each row is the geometric mean of a few films. Given the parameters, its ln R is normal
about that of the film with the scatter of castings over the root of their number, with the
loading's deviation integrated as in `predict`, once for all rows of one cup; films that
read open count by the probability that their loading lies below the threshold. One row in
fifty may be a slip
(Box & Tiao, "A Bayesian approach to some outlier problems", Biometrika 55, 119, 1968), so
that a row far off is named and kept without pulling the others along. The posterior over
standard normal coordinates of the priors is drawn by importance sampling; every draw keeps
its weight, so that whatever is computed from the priors can be computed from the posterior.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, ndtri

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.choose import Target
from percsim.decision.predict import (
    SCALING,
    Loading,
    Outlook,
    Responses,
    States,
    quadrature,
    scale_deviation,
)
from percsim.decision.priors import Draws, Priors
from percsim.film.casting import LOT_NAMES, Tolerances
from percsim.film.electrodes import Film
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "Anchoring",
    "NextCasting",
    "Reading",
    "RowCheck",
    "anchor",
    "importance_sample",
    "next_castings",
]

Floats = NDArray[np.float64]

SLIPS = 0.02
"""Share of readings that are off for reasons of their own, a wrong cup or unit (judgement,
no source): a row far from all others then stops pulling them along."""
SLIP_SIZE = float(np.log(10.0))
"""Deviation of ln R of those."""
STRAY_OPEN = 0.01
"""Share of films that read open for reasons of their own: a crack, a lost electrode
(judgement, no source)."""
CONTRADICTION = 4.0
"""Standard deviations from which two rows of the same films contradict each other."""
OUTLIER = 0.01
"""Two-sided probability below which a row is named an outlier."""
DRAWS = 8192
"""Draws of the final round."""
WARM_DRAWS = 2048
"""Draws of each round before."""
CENTRES = 256
"""Kernels of the proposal."""
KERNEL_FREEDOM = 5.0
"""Degrees of freedom of a kernel: tails heavier than those of any posterior here."""
DEFENSIVE = 0.1
"""Share of the proposal that stays the prior, which bounds every weight."""
ENOUGH = 0.25
"""Effective share of the draws of a round at which the proposal counts as found."""
OPEN_NODES = 15
"""Quadrature points over the loading's deviation of a film that reads open."""
CUP_NODES = 7
"""Quadrature points over the deviation that rows of one cup share."""
KEPT = 0.25
"""Share of the effective draws that a rise of the likelihood's power may leave."""
FULL_ROUNDS = 3
"""Rounds at full likelihood after which a curved posterior counts as found all the same."""
ROUNDS = 25
"""Rounds after which the sampler goes on with what it has."""
SMALLEST_STEP = 0.02
"""Least rise of the likelihood's power from round to round."""
FARTHEST = 7.0
"""Deviations from the median beyond which no prior is followed: 1e-12 of it."""
TOLD = 0.8
"""Width after over before below which a reading has told something of a number."""
TIED = 0.7
"""Correlation from which two numbers are said to be known only together."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured row: the mean of a few films of one loading and one size.

    Parameters
    ----------
    label : str
        What messages call it.
    loading : Loading
        Its loading.
    film : Film
        Its film, sizes as measured.
    resistance : float or None
        Geometric mean of R [ohm]; inf when the films read open. With a relative change it
        is that at rest and 20 C, otherwise at `strain` and `temperature`.
    films : int
        Films behind it.
    strain, temperature : float
        State of the reading [1, K].
    relative_change : float or None
        (R - R0)/R0 at `strain` and `temperature`, R0 of the same films at rest and 20 C.
    spread : float or None
        Standard deviation of ln R between the films, when the bench knows it.
    batch : str
        Cup that the films were mixed in; rows of one cup share the deviation of its
        loading. Empty when it is not told: the row then counts as a cup of its own, whose
        films were mixed apart.

    Raises
    ------
    ValueError
        If it says nothing or contradicts itself.

    """

    label: str
    loading: Loading
    film: Film
    resistance: float | None = None
    films: int = 1
    strain: float = 0.0
    temperature: float = ROOM_TEMPERATURE
    relative_change: float | None = None
    spread: float | None = None
    batch: str = ""

    def __post_init__(self) -> None:
        if self.resistance is None and self.relative_change is None:
            raise ValueError(f"{self.label}: neither a resistance nor a relative change")
        if self.resistance is not None and not self.resistance > 0.0:
            raise ValueError(f"{self.label}: resistance must be above 0")
        if self.is_open and self.relative_change is not None:
            raise ValueError(f"{self.label}: open films have no relative change")
        if self.relative_change is not None and not self.relative_change > -1.0:
            raise ValueError(f"{self.label}: relative_change must be above -100 %")
        if self.films < 1:
            raise ValueError(f"{self.label}: films must be 1 or more")
        if self.spread is not None and not self.spread > 0.0:
            raise ValueError(f"{self.label}: spread must be above 0")

    @property
    def is_open(self) -> bool:
        """Whether the films read open."""
        return self.resistance is not None and np.isinf(self.resistance)


@dataclass(frozen=True, slots=True)
class _Likelihood:
    """How probable rows are at draws of the parameters."""

    responses: Responses
    readings: tuple[Reading, ...]
    tolerances: Tolerances
    nodes: int = 5

    def rows(self, values: Mapping[str, Floats]) -> tuple[Floats, Floats, Floats]:
        """Log-likelihood, and chance of a lower R and of a lower change, (n, rows) each.

        Of each row given the others of its cup. The chances are NaN where a row has no such
        reading, and that of an open row is the probability that its films conduct.
        """
        n = len(values["threshold"])
        logs, below, changes = (np.empty((n, len(self.readings))) for _ in range(3))
        for members, weights, parts in self._cups(values):
            for k, i in enumerate(members):
                others = sum((p[0] for j, p in enumerate(parts) if j != k), np.zeros(1))
                without = _log_mean(np.broadcast_to(others, parts[k][0].shape), weights)
                both = _log_mean(others + parts[k][0], weights)
                possible = np.isfinite(without)
                logs[:, i] = np.where(possible, both, -np.inf) - np.where(
                    possible, without, 0.0
                )
                # what the others of the cup tell of its loading
                top = np.where(np.isfinite(without), without, 0.0)
                share = np.exp(others - top[:, None]) * weights
                share = np.broadcast_to(share, parts[k][0].shape)
                total = share.sum(axis=1)
                share = share / np.where(total > 0.0, total, 1.0)[:, None]
                below[:, i] = (share * parts[k][1]).sum(axis=1)
                changes[:, i] = (share * parts[k][2]).sum(axis=1)
        return logs, below, changes

    def total(self, values: Mapping[str, Floats]) -> Floats:
        """Log-likelihood of all rows together, (n,)."""
        found = np.zeros(len(values["threshold"]))
        for _, weights, parts in self._cups(values):
            found += _log_mean(sum((p[0] for p in parts), np.zeros(1)), weights)
        return found

    def _cups(
        self, values: Mapping[str, Floats]
    ) -> Iterator[tuple[list[int], Floats, list[tuple[Floats, Floats, Floats]]]]:
        """Rows of each cup: places, weights of its deviations, and `_row` at each."""
        cups: dict[Any, list[int]] = {}
        for i, reading in enumerate(self.readings):
            cups.setdefault((reading.batch or i, bool(reading.batch)), []).append(i)
        for (_, is_named), members in cups.items():
            rows = [self.readings[i] for i in members]
            nodes = 1
            if is_named:
                nodes = OPEN_NODES if any(r.is_open for r in rows) else CUP_NODES
            points, weights = quadrature(nodes)
            yield members, weights, [self._row(r, dict(values), points) for r in rows]

    def predicted(
        self, reading: Reading, values: Mapping[str, Floats], points: Floats
    ) -> tuple[Floats, Floats]:
        """Ln R of the row's film and ln(1 + change), (n, q); NaN without.

        `points` are deviations of ln(phi/phi_c), (q,).
        """
        parameters = dict(values)
        factor = parameters.pop("threshold")
        return self._observed(reading, parameters, factor[:, None] * np.exp(-points))

    def _observed(
        self, reading: Reading, parameters: Mapping[str, Floats], factors: Floats
    ) -> tuple[Floats, Floats]:
        """Give what a row reads at threshold factors (n, q): ln R and ln(1 + change)."""
        states = self._states
        weights = states.weights_at(reading.strain, reading.temperature)
        used = np.flatnonzero(weights).tolist()
        logs = self.responses.log_resistance(
            reading.film,
            reading.loading.volume_fraction,
            parameters,
            factors,
            states=[states.rest, *used],
        )
        rest, there = logs[..., 0], logs[..., 1:] @ weights[used]
        if reading.relative_change is None:
            return there, np.full(there.shape, np.nan)
        both = np.isfinite(rest) & np.isfinite(there)
        change = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
        return rest, np.where(both, change, np.inf)

    @property
    def _states(self) -> States:
        return States.of(self.responses)

    def response_deviation(self, reading: Reading, size: Floats) -> Floats:
        """Deviation of the mean of ln(1 + change) of the films about its size."""
        tol = self.tolerances
        trial = np.sqrt(2.0) * tol.instrument
        setting = 0.0
        if reading.strain != 0.0:
            setting = tol.strain_setting / abs(reading.strain)
        relative = np.hypot(tol.response, setting)
        return np.asarray(np.hypot(relative * size, trial) / np.sqrt(reading.films))

    def deviations(self, reading: Reading) -> tuple[float, float, float]:
        """Give what scatters the mean of a row's films.

        Deviation of ln(phi/phi_c) that is common to its cup, and of the mean of what each
        film has of its own; deviation of the mean of what scales R.
        """
        tol, slope, films = self.tolerances, reading.loading.log_slope, reading.films
        common, own = tol.weighing, 0.0
        if reading.spread is None:
            spreads = tol.spreads(reading.film)
            mixing = spreads["mixing"]
            if reading.batch:  # one cup was mixed once
                common, mixing = float(np.hypot(common, mixing)), 0.0
            own = float(np.hypot(mixing, spreads["mixing_within"])) / np.sqrt(films)
            # the size of the lot's particles is common to all rows and goes into g0
            names = [name for name in SCALING if name not in LOT_NAMES]
            scale = scale_deviation(tol, reading.film, names) / np.sqrt(films)
        else:  # the bench has seen what all of these do together
            scale = reading.spread / np.sqrt(films)
        return slope * common, slope * float(own), float(scale)

    def _row(
        self, reading: Reading, values: dict[str, Floats], cup: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """`rows` of one row at each deviation of its cup, (n, c); one for a row alone."""
        factor = values.pop("threshold")
        n = len(factor)
        nodes = OPEN_NODES if reading.is_open else self.nodes
        points, weights = quadrature(nodes)
        common, sd, scale = self.deviations(
            replace(reading, films=1) if reading.is_open else reading
        )
        if not reading.batch:
            common, sd = 0.0, float(np.hypot(common, sd))
        phi = reading.loading.volume_fraction
        moved_by = (common * cup[:, None] + sd * points).ravel()
        level, change = (
            part.reshape(n, len(cup), nodes)
            for part in self._observed(reading, values, factor[:, None] * np.exp(-moved_by))
        )
        nothing = np.full((n, len(cup)), np.nan)
        if reading.is_open:
            chance = np.isinf(level) @ weights
            chance = STRAY_OPEN + (1.0 - STRAY_OPEN) * chance
            return reading.films * np.log(chance), 1.0 - chance**reading.films, nothing
        (error,) = self.responses.log_error(
            phi, values, factor, states=[self._states.rest]
        ).T
        conducts = np.isfinite(level)
        density = np.where(conducts, np.log1p(-STRAY_OPEN), -np.inf)
        below = below_change = nothing
        joint = np.where(conducts, weights, 0.0)
        total = joint.sum(axis=-1)
        some = np.where(total > 0.0, total, 1.0)
        if reading.resistance is not None:
            s = np.hypot(scale, error)[:, None, None]
            u = (np.log(reading.resistance) - np.where(conducts, level, 0.0)) / s
            density = density + _with_slips(u, s, SLIP_SIZE)
            below = (joint * ndtr(u)).sum(axis=-1) / some
        if reading.relative_change is not None:
            moved = np.isfinite(change)
            size = np.where(moved, change, 0.0)
            there = self._states.weights_at(reading.strain, reading.temperature)
            used = np.flatnonzero(there).tolist()
            model = self.responses.log_error(
                phi, values, factor, relative=True, states=used
            )
            own = self.response_deviation(reading, size)
            s = np.hypot(own, (model @ there[used])[:, None, None])
            u = (np.log1p(reading.relative_change) - size) / s
            density = np.where(
                moved, density + _with_slips(u, s, np.abs(size) + s), -np.inf
            )
            below_change = (joint * np.where(moved, ndtr(u), 0.0)).sum(axis=-1) / some
        return _log_mean(density, weights), below, below_change


def _log_mean(logs: Floats, weights: Floats) -> Floats:
    """Logarithm of the weighted mean along the last axis, -inf where nothing is left."""
    top = logs.max(axis=-1)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(np.exp(logs - safe[..., None]) @ weights) + safe)


def _with_slips(u: Floats, s: Floats, slip: Floats | float) -> Floats:
    """Log-density, but for a constant, of a reading u deviations of size s off.

    One in `SLIPS` readings has a far wider deviation, `slip`, of its own.
    """
    wide = np.hypot(s, slip)
    good = np.log1p(-SLIPS) - 0.5 * u**2 - np.log(s)
    bad = np.log(SLIPS) - 0.5 * (u * s / wide) ** 2 - np.log(wide)
    return np.asarray(np.logaddexp(good, bad))


def _mixture(
    centres: Floats, root: Floats, n: int, seed: np.random.SeedSequence
) -> tuple[Floats, Floats]:
    """Draws (n, k) of a defensive mixture of t kernels, and the log of its density."""
    from scipy.stats import qmc

    k = centres.shape[1]
    rng = np.random.default_rng(seed)
    u = qmc.Sobol(k, rng=rng).random(n)
    z = ndtri(np.clip(u, 1e-12, 1.0 - 1e-12))
    stays = rng.permutation(n) < round(DEFENSIVE * n)
    which = rng.permutation(np.arange(n) % len(centres))
    stretch = np.sqrt(KERNEL_FREEDOM / rng.chisquare(KERNEL_FREEDOM, n))
    moved = centres[which] + stretch[:, None] * (z @ root.T)
    z = np.where(stays[:, None], z, moved)
    return z, _mixture_density(z, centres, root)


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


def _normalised(log_weights: Floats) -> Floats:
    w = np.exp(log_weights - log_weights.max())
    return np.asarray(w / w.sum())


def _effective(w: Floats) -> float:
    return float(1.0 / (w**2).sum())


def importance_sample(
    log_likelihood: Callable[[Floats], Floats],
    dimension: int,
    seed: np.random.SeedSequence,
    *,
    n: int = DRAWS,
    warm: int = WARM_DRAWS,
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
    n, warm : int
        Draws of the last round and of those before, powers of two.

    Returns
    -------
    z : (n, dimension) ndarray of float
        Coordinates.
    weights : (n,) ndarray of float
        Their weights, together 1.

    Raises
    ------
    ValueError
        If no draw of the prior is possible at all.

    Notes
    -----
    Rounds of quasi-random draws, the first from the prior, each next one from a mixture of
    t kernels at the resampled draws of the one before [1]_. The likelihood enters to a
    power that rises to 1, each time so far that a quarter of the effective draws stay. A
    tenth of every mixture is the prior, which bounds the weights of the last
    round [2]_.

    References
    ----------
    .. [1] West, "Approximating posterior distributions by mixtures", J. R. Stat. Soc. B 55,
       409 (1993); citation from memory.
    .. [2] Hesterberg, "Weighted average importance sampling and defensive mixture
       distributions", Technometrics 37, 185 (1995); citation from memory.

    """
    from scipy.stats import qmc

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    u = qmc.Sobol(dimension, rng=np.random.default_rng(child(0))).random(warm)
    z = np.asarray(ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)))
    log_q = _prior_density(z)
    power = 0.0
    # Silverman's rule, so that kernels shrink together with their number
    bandwidth = (4.0 / (dimension + 2.0) / CENTRES) ** (1.0 / (dimension + 4.0))
    at_full = 0
    for round_number in range(1, ROUNDS + 1):
        log_l = log_likelihood(z)
        if not np.isfinite(log_l).any():
            raise ValueError("no draw of the prior can give these readings")
        base = _prior_density(z) - log_q
        power = _next_power(base, log_l, power)
        w = _tempered(base, log_l, power)
        mean = w @ z
        covariance = (w[:, None] * (z - mean)).T @ (z - mean) + 1e-9 * np.eye(dimension)
        places = (np.arange(CENTRES) + 0.5) / CENTRES
        picked = np.minimum(np.searchsorted(np.cumsum(w), places), len(z) - 1)
        at_full += power == 1.0
        settled = at_full and (_effective(w) >= ENOUGH * len(z) or at_full == FULL_ROUNDS)
        z, log_q = _mixture(
            z[picked],
            bandwidth * np.linalg.cholesky(covariance),
            n if settled or round_number == ROUNDS else warm,
            child(round_number),
        )
        if settled:
            break
    return z, _tempered(_prior_density(z) - log_q, log_likelihood(z), 1.0)


def _tempered(base: Floats, log_likelihood: Floats, power: float) -> Floats:
    """Weights with the likelihood to a power; impossible draws have none."""
    possible = np.isfinite(log_likelihood)
    log_w = base + power * np.where(possible, log_likelihood, 0.0)
    return _normalised(np.where(possible, log_w, -np.inf))


def _next_power(base: Floats, log_likelihood: Floats, power: float) -> float:
    """Largest power up to 1 that keeps a share of the draws effective now, a step on."""
    now = _effective(_tempered(base, log_likelihood, power))

    def enough(t: float) -> bool:
        return _effective(_tempered(base, log_likelihood, t)) >= KEPT * now

    if enough(1.0):
        return 1.0
    low, high = power, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return min(1.0, max(low, power + SMALLEST_STEP))


# ------------------------------------------------------------------------------------------
# What the readings say
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RowCheck:
    """One row against what the other rows let expect.

    Parameters
    ----------
    reading : Reading
        The row.
    prior, posterior : tuple of float or None
        Median, 5 and 95 % of the mean R of such films [ohm], before and after; None for a
        row without a resistance.
    prior_change, posterior_change : tuple of float or None
        The same for the relative change.
    probability : float
        Two-sided probability of a reading as far off, given all other rows; the smaller one
        of resistance and change, doubled. For open films, that so many are open.
    effective_size : float
        Effective draws that the probability rests on.

    """

    reading: Reading
    prior: tuple[float, float, float] | None
    posterior: tuple[float, float, float] | None
    prior_change: tuple[float, float, float] | None
    posterior_change: tuple[float, float, float] | None
    probability: float
    effective_size: float

    @property
    def is_outlier(self) -> bool:
        """Whether the other rows speak against it."""
        return self.probability < OUTLIER


@dataclass(frozen=True, slots=True)
class Anchoring:
    """What measured rows let be known.

    Parameters
    ----------
    priors : Priors
        Before.
    draws : Draws
        After: weighted draws of the posterior.
    checks : tuple of RowCheck
        One a row.
    narrowing : dict of str to float
        Width of the central 90 % after over before of each free number, by symbol, in the
        coordinate in which its prior is normal.
    correlations : dict of (str, str) to float
        Between them, in the same coordinates.
    notes : tuple of str
        What the readings can and cannot tell, in plain words.

    """

    priors: Priors
    draws: Draws
    checks: tuple[RowCheck, ...]
    narrowing: dict[str, float]
    correlations: dict[tuple[str, str], float]
    notes: tuple[str, ...]

    @property
    def outliers(self) -> tuple[RowCheck, ...]:
        """Rows that the others speak against."""
        return tuple(check for check in self.checks if check.is_outlier)


def anchor(
    responses: Responses,
    readings: Sequence[Reading],
    priors: Priors,
    tolerances: Tolerances,
    seed: np.random.SeedSequence,
    *,
    n: int = DRAWS,
) -> Anchoring:
    """Find what measured rows tell of the contacts and the threshold.

    Parameters
    ----------
    responses : Responses
        ln R against loading, threshold and parameters.
    readings : sequence of Reading
        Measured rows, one or more.
    priors : Priors
        What was known before.
    tolerances : Tolerances
        What scatters films.
    seed : numpy.random.SeedSequence
        Seed of all draws.
    n : int
        Draws of the last round, a power of two.

    Returns
    -------
    Anchoring

    Raises
    ------
    ValueError
        If there is no row or nothing to learn.

    Notes
    -----
    The lot of powder is common to all rows and goes into the threshold found. The
    probability of a row given the others weights the draws by 1 over the row's likelihood,
    truncated at the root of their number times the mean [1]_.

    References
    ----------
    .. [1] Ionides, "Truncated importance sampling", J. Comput. Graph. Stat. 17, 295 (2008);
       citation from memory.

    """
    if not readings:
        raise ValueError("no measured row")
    free = priors.free
    if not free:
        raise ValueError("every parameter is held, so the readings have nothing to tell")
    likelihood = _Likelihood(responses, tuple(readings), tolerances)

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    z, weights = importance_sample(
        lambda at: likelihood.total(priors.values(np.clip(at, -FARTHEST, FARTHEST))),
        len(free),
        child(0),
        n=n,
    )
    z = np.clip(z, -FARTHEST, FARTHEST)
    draws = Draws(priors, z, weights)
    rows, below, below_change = likelihood.rows(draws.values)
    before = priors.draw(2048, child(1))
    checks = tuple(
        _check(
            likelihood, reading, before, draws, rows[:, i], below[:, i], below_change[:, i]
        )
        for i, reading in enumerate(readings)
    )
    mean, covariance = draws.moments()
    deviations = np.sqrt(np.diag(covariance))
    names = [p.name for p in free]
    narrowing = {
        name: _width(z[:, i], weights) / _PRIOR_WIDTH for i, name in enumerate(names)
    }
    correlations = {
        (a, b): float(covariance[i, j] / (deviations[i] * deviations[j]))
        for i, a in enumerate(names)
        for j, b in enumerate(names)
        if i < j
    }
    notes = [
        *_contradictions(likelihood),
        *_notes(readings, narrowing, correlations, dict(zip(names, mean, strict=True))),
    ]
    return Anchoring(priors, draws, checks, narrowing, correlations, tuple(notes))


_PRIOR_WIDTH = float(2.0 * ndtri(0.95))


def _width(z: Floats, weights: Floats) -> float:
    low, high = weighted_quantiles(z, (0.05, 0.95), weights)
    return float(high - low)


def _band(values: Floats, weights: Floats) -> tuple[float, float, float]:
    median, p05, p95 = weighted_quantiles(values, (0.5, 0.05, 0.95), weights)
    return float(median), float(p05), float(p95)


def _without(draws: Draws, row: Floats) -> Floats:
    """Weights of the draws as if a row of log-likelihoods had not been read."""
    keep = np.isfinite(row) & (draws.weights > 0.0)
    log_w = np.full(len(row), -np.inf)
    log_w[keep] = np.log(draws.weights[keep])
    ratio = np.where(keep, -row, -np.inf)
    ratio -= ratio[keep].max()
    mean = (draws.weights * np.exp(ratio)).sum()
    cap = np.log(mean * np.sqrt(draws.effective_size))
    return _normalised(log_w + np.minimum(ratio, cap))


def _check(
    likelihood: _Likelihood,
    reading: Reading,
    before: Draws,
    after: Draws,
    row: Floats,
    below: Floats,
    below_change: Floats,
) -> RowCheck:
    """One row against the others."""
    found: dict[str, tuple[float, float, float] | None] = {}
    points = ndtri((np.arange(9) + 0.5) / 9)
    common, own, scale = likelihood.deviations(reading)
    sd = float(np.hypot(common, own))
    for name, draws in (("prior", before), ("posterior", after)):
        # the middles of nine equal shares stand for the scatter of the mean of the films
        q = len(points)
        level, size = likelihood.predicted(reading, draws.values, sd * points)
        # the same points in another order, so that the two scatters are independent
        mixed = points[(np.arange(q) * 4) % q]
        keep = np.isfinite(level).ravel()
        weights = np.repeat(draws.weights, q) / q
        found[name] = None
        found[f"{name}_change"] = None
        if reading.resistance is not None:
            low = _band((level + scale * mixed).ravel(), weights)
            found[name] = (
                float(np.exp(low[0])),
                float(np.exp(low[1])),
                float(np.exp(low[2])),
            )
        if reading.relative_change is not None:
            known = np.where(np.isfinite(size), size, 0.0)
            noise = likelihood.response_deviation(reading, known) * mixed
            if weights[keep].sum() > 0.0:
                found[f"{name}_change"] = _band(
                    np.expm1(size + noise).ravel()[keep], weights[keep]
                )
    w = _without(after, row)
    if reading.is_open:
        probability = float(1.0 - w @ below)
    else:
        tails = [
            2.0 * min(float(w @ chance), 1.0 - float(w @ chance))
            for chance in (below, below_change)
            if np.isfinite(chance).all()
        ]
        probability = min(1.0, min(tails) * len(tails))
    return RowCheck(
        reading,
        found["prior"],
        found["posterior"],
        found["prior_change"],
        found["posterior_change"],
        probability,
        _effective(w),
    )


def _contradictions(likelihood: _Likelihood) -> list[str]:
    """Name pairs of rows of the same films that cannot both be right."""
    words = []
    read = [r for r in likelihood.readings if r.resistance is not None and not r.is_open]
    for first, second in combinations(read, 2):
        alike = all(
            getattr(first, name) == getattr(second, name)
            for name in ("loading", "film", "strain", "temperature")
        )
        if not alike or first.resistance is None or second.resistance is None:
            continue
        # exponent 2 at twice the threshold makes 4 of the loading's deviation (judgement)
        parts = [likelihood.deviations(r) for r in (first, second)]
        apart = not first.batch or first.batch != second.batch
        deviation = np.sqrt(
            sum((4.0 * own) ** 2 + scale**2 for _, own, scale in parts)
            + apart * sum((4.0 * common) ** 2 for common, _, _ in parts)
        )
        if abs(np.log(first.resistance / second.resistance)) > CONTRADICTION * deviation:
            words.append(
                f"{first.label} and {second.label} contradict each other: the same films "
                f"read {first.resistance:.3g} and {second.resistance:.3g} ohm; both are "
                "kept"
            )
    return words


_WORDS = {
    "g0": "the contact conductance g0",
    "beta": "the decay beta",
    "delta_b": "the opening delta_b at which contacts break",
    "lambda_T": "the share lambda_T of thermal mismatch",
    "Ea": "the activation energy Ea",
    "threshold": "the threshold",
}


def _notes(
    readings: Sequence[Reading],
    narrowing: Mapping[str, float],
    correlations: Mapping[tuple[str, str], float],
    mean: Mapping[str, float],
) -> list[str]:
    """Say what the readings can and cannot tell."""
    words = []
    told = [name for name, ratio in narrowing.items() if ratio < TOLD]
    untold = [name for name in narrowing if name not in told]
    if told:
        ordered = sorted(told, key=narrowing.__getitem__)
        words.append(
            "the readings narrow "
            + ", ".join(
                f"{_WORDS[name]} to {100 * narrowing[name]:.0f} % of its width before"
                for name in ordered
            )
        )
    if untold:
        words.append(
            "they tell next to nothing of "
            + ", ".join(_WORDS[name] for name in untold)
            + ": what is said of it remains assumed"
            if len(untold) == 1
            else "they tell next to nothing of "
            + ", ".join(_WORDS[name] for name in untold)
            + ": what is said of these remains assumed"
        )
    conducting = {
        r.loading.weight_fraction
        for r in readings
        if r.resistance is not None and not r.is_open
    }
    strained = {
        r.loading.weight_fraction
        for r in readings
        if r.relative_change is not None and r.strain != 0.0
    }
    if {"g0", "threshold"} <= narrowing.keys():
        if len(conducting) == 1:
            words.append(
                "conducting films of one loading cannot tell g0 from the threshold: R may "
                "be low for good contacts or a low threshold; films of a second loading can"
            )
        elif not conducting:
            words.append(
                "no conducting film was measured: only the threshold is bounded, and only "
                "from below"
            )
    if {"beta", "delta_b"} & narrowing.keys():
        if not strained:
            words.append(
                "no reading under strain: beta and delta_b, and with them the gauge "
                "factor, rest on what was assumed"
            )
        elif len(strained) == 1:
            words.append(
                "strain was read at one loading: that cannot tell contacts that break "
                "(delta_b) from a spread of the decay (beta) between contacts; a loading "
                "nearer to the threshold can"
            )
    if {"lambda_T", "Ea"} & narrowing.keys() and all(
        r.temperature == ROOM_TEMPERATURE for r in readings
    ):
        unread = [x for x in ("lambda_T", "Ea") if x in narrowing and x not in told]
        rests = f"{' and '.join(unread)}, and with " + (
            "it" if len(unread) == 1 else "them"
        )
        words.append(
            f"no reading away from 20 C: {rests} the temperature coefficient, "
            f"rest{'s' if len(unread) == 1 else ''} on what was assumed"
            if unread
            else "no reading away from 20 C: the temperature coefficient follows from "
            "readings at 20 C alone, through the law"
        )
    for (a, b), value in correlations.items():
        if abs(value) >= TIED:
            words.append(
                f"{_WORDS[a]} and {_WORDS[b]} are known together better than apart "
                f"(correlation {value:+.2f}): what rests on both is surer than either"
            )
    for name, z in mean.items():
        if abs(z) > 2.5:
            side = "above" if z > 0.0 else "below"
            words.append(
                f"{_WORDS[name]} comes out far {side} what was assumed ({abs(z):.1f} "
                "standard deviations): check units, sizes and the plan before trusting it"
            )
    return words


# ------------------------------------------------------------------------------------------
# What to cast next
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class NextCasting:
    """What reading a few more films of one candidate would tell.

    Parameters
    ----------
    outlook : Outlook
        The candidate.
    films : int
        Films to cast and read.
    best_pass_share : float
        Expected share that passes of the candidate that will then look best.
    gain : float
        How much more that is than today's best.
    variance_left : float
        Expected variance of ln R of the best candidate after the reading, over that before.
    open_chance : float
        Probability that the films read open.

    """

    outlook: Outlook
    films: int
    best_pass_share: float
    gain: float
    variance_left: float
    open_chance: float


def next_castings(
    outlooks: Sequence[Outlook],
    target: Target,
    seed: np.random.SeedSequence,
    *,
    films: int = 3,
    bins: int = 16,
) -> tuple[NextCasting, ...]:
    """Rank candidates by what reading a few films of each would tell.

    Parameters
    ----------
    outlooks : sequence of Outlook
        Every candidate, over the same draws.
    target : Target
        What is asked.
    seed : numpy.random.SeedSequence
        Seed of the imagined readings.
    films : int
        Films cast and read, geometric mean taken.
    bins : int
        Intervals of equal probability that an imagined reading is sorted into, besides
        open; the expectation given the reading is that over its interval.

    Returns
    -------
    tuple of NextCasting
        The most informative first: by the gain of the best pass share, then by the variance
        left.

    Notes
    -----
    Expected value of sample information (Raiffa & Schlaifer, Applied Statistical Decision
    Theory, 1961, ch. 5; from memory), with the pass share as the value, from joint draws
    without further solves.

    """
    draws = outlooks[0].draws
    w = draws.weights
    shares = np.stack([o.pass_shares(target) for o in outlooks])
    today = shares @ w
    best = int(np.argmax(today))
    wanted = outlooks[best].log_rest[:, outlooks[best].nominal]
    finite = np.isfinite(wanted)

    def variance(keep: Any) -> tuple[float, float]:
        """Variance of ln R over some draws, and their weight."""
        chosen = keep & finite
        total = float(w[chosen].sum())
        if total <= 0.0:
            return 0.0, 0.0
        mean = float(w[chosen] @ wanted[chosen]) / total
        return float(w[chosen] @ (wanted[chosen] - mean) ** 2) / total, total

    before, known = variance(np.ones(len(w), dtype=bool))
    found = []
    for o in outlooks:
        # by size and loading, so that another candidate renumbers nothing
        key = (
            *seed.spawn_key,
            round(1e6 * o.loading.weight_fraction),
            round(1e7 * o.film.electrode_gap),
        )
        rng = np.random.default_rng(np.random.SeedSequence(seed.entropy, spawn_key=key))
        noise = rng.standard_normal(len(w))
        point = np.searchsorted(np.cumsum(o.point_weights)[:-1], rng.random(len(w)))
        level = o.log_rest[np.arange(len(w)), point]
        # the loading's deviation is mostly common to the films of a cup; the rest averages
        reading = level + o.scatter / np.sqrt(films) * noise
        is_open = np.isinf(level)
        order = np.argsort(reading, kind="stable")
        place = np.empty(len(w))
        place[order] = np.cumsum(w[order])
        closed = float(w[~is_open].sum())
        group = np.full(len(w), bins)
        if closed > 0.0:
            part = place[~is_open] / closed * bins
            group[~is_open] = np.minimum(part.astype(int), bins - 1)
        after_share, after_variance = 0.0, 0.0
        for g in range(bins + 1):
            inside = group == g
            total = float(w[inside].sum())
            if total <= 0.0:
                continue
            after_share += float((shares[:, inside] @ w[inside]).max())
            value, weight = variance(inside)
            after_variance += value * weight
        found.append(
            NextCasting(
                o,
                films,
                after_share,
                max(0.0, after_share - float(today[best])),
                after_variance / known / before if known * before > 0.0 else 1.0,
                1.0 - closed,
            )
        )
    return tuple(sorted(found, key=lambda c: (-round(c.gain, 2), c.variance_left)))
