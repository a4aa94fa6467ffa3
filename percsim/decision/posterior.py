r"""Stage 8. Films that were read -> knowledge.

Given contacts, threshold and simulation error, ln R of a row of films is normal. What
scatters it is shared as the bench says: by the films of a cup, by a lot of powder, by
nobody; g0 is shared by all. So rows are jointly normal with a few common numbers, which are
integrated in closed form. The threshold is integrated over a grid; what is left (other
parameters of the contacts, simulation error, scatter of the bench) is drawn by importance
sampling. A row that the others speak against is named and given a slip of its own.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, ndtri

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.knowledge import Knowledge, spread_points
from percsim.decision.outlook import Band
from percsim.decision.priors import Priors
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move
from percsim.film.electrodes import Film
from percsim.film.model import NOISES, FilmModel, Loading
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Posterior", "Reading", "RowCheck", "importance_sample", "measured"]

Floats = NDArray[np.float64]

SLIP = float(np.log(10.0))
"""Deviation of ln R of a row that is off for reasons of its own, a wrong cup or unit."""
STRAY_OPEN = 0.01
"""Share of films that read open for reasons of their own: a crack, a lost electrode
(judgement, no source)."""
OUTLIER = 0.01
"""Two-sided probability, given all other rows, below which a row is named."""
GRID = 41
"""Nodes of the threshold."""
REACH = 4.0
"""Standard deviations of the threshold that the first grid spans."""
ROUND, LAST = 512, 1024
"""Draws of a round of the sampler, and of its last."""
KEPT_DRAWS = 1024
"""Draws of equal weight that are handed on."""
CENTRES = 128
"""Kernels of the proposal."""
KERNEL_FREEDOM = 5.0
"""Degrees of freedom of a kernel: tails heavier than those of any posterior here."""
DEFENSIVE = 0.1
"""Share of the proposal that stays the prior, which bounds every weight."""
ENOUGH = 0.15
"""Effective share of the draws of a round at which the proposal counts as found."""
ROUNDS = 5
"""Rounds after which the sampler goes on with what it has."""
KEPT = 0.2
"""Share of the effective draws that a rise of the likelihood's power may leave."""
SMALLEST_STEP = 0.02
"""Least rise of the likelihood's power from round to round."""
IMPOSSIBLE = -60.0
"""Log-likelihood of a row that conducts where its film would be open."""


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
        Standard deviation of ln R between the films, when it is told; it tells how far
        the bench scatters.
    batch : str
        Cup that the films were mixed in; rows of one cup share the deviation of its
        loading. Empty when it is not told: the row then counts as films mixed apart.

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

    @property
    def log_change(self) -> float:
        """ln(R/R0), nan without one."""
        return float("nan" if self.relative_change is None else
                     np.log1p(self.relative_change))  # fmt: skip


# ------------------------------------------------------------------------------------------
# Likelihood
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rows:
    """Readings of one mix as arrays, and what scatters them.

    `own`, `cup` and `lot` are standard deviations of ln(phi/phi_c) (first column) and of
    ln R besides (second) of the mean of the films of each row: its own, shared by its cup,
    by the lot.
    """

    readings: tuple[Reading, ...]
    cups: NDArray[np.int64]
    own: Floats
    cup: Floats
    lot: Floats
    slips: NDArray[np.bool_]

    @classmethod
    def of(cls, readings: Sequence[Reading], model: FilmModel, bench: Bench) -> _Rows:
        names: dict[object, int] = {}
        cups = [names.setdefault(r.batch or (i,), len(names))
                for i, r in enumerate(readings)]  # fmt: skip
        parts = np.array([_scatter(r, model, bench) for r in readings])
        return cls(
            tuple(readings), np.array(cups), parts[:, 0], parts[:, 1], parts[:, 2],
            np.zeros(len(readings), dtype=bool),
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.readings)


def _scatter(reading: Reading, model: FilmModel, bench: Bench) -> Floats:
    """Deviations of the mean of a row's films: own, of the cup, of the lot, (3, 2)."""
    moves = row_moves(reading, model, bench)
    n, out = reading.films, np.zeros((3, 2))
    for move in moves:
        level = move.level
        apart = not reading.batch and level == CUP and move.name != "weighing"
        if level in (READING, FILM) or apart:
            out[0] += np.array([move.loading**2, move.scale**2]) / n
        elif level == CUP:
            out[1] += np.array([move.loading**2, move.scale**2])
        elif level == LOT:
            out[2] += np.array([move.loading**2, move.scale**2])
    return np.sqrt(out)


def row_moves(reading: Reading, model: FilmModel, bench: Bench) -> tuple[Move, ...]:
    """List what scatters one reading."""
    near = 0
    if len(model.volume_fractions):
        near = int(
            np.abs(model.volume_fractions - reading.loading.volume_fraction).argmin()
        )
        rest = model.visits.rest
        rho = float(np.exp(model.log_resistivity[near, rest]))
        length = float(model.electrode_length[near, rest])
    else:
        rho, length = 1.0, 0.0
    moves = bench.moves(reading.film, reading.loading.log_slope, rho, length)
    trial = Move("instrument", READING, 0.0, bench.tolerances.instrument)
    return (*moves, trial)


@dataclass(frozen=True, slots=True)
class _Predicted:
    """What rows would read, on the grid of the threshold.

    Parameters
    ----------
    level, change : (n, T, rows) ndarray of float
        ln R and ln(R/R0); inf where open, 0 where not asked.
    slope : (n, T, rows) ndarray of float
        d ln R / d ln(phi/phi_c).
    distance : (n, T, rows) ndarray of float
        ln of the volume fraction over the film's own threshold.
    errors : (n, 2, rows) ndarray of float
        Simulation errors of level and change.

    """

    level: Floats
    change: Floats
    slope: Floats
    distance: Floats
    errors: Floats


def _predict(
    rows: _Rows, model: FilmModel, draws: Knowledge, log_factors: Floats
) -> _Predicted:
    """Predict every row at every draw and node; `log_factors` is (T,)."""
    visits, n = model.visits, len(draws)
    at = [visits.weights_at(r.strain, r.temperature) for r in rows.readings]
    used = sorted({visits.rest, *(int(s) for w in at for s in np.flatnonzero(w))})
    material = draws.material(model, used)
    own = np.log(model.own_threshold(draws.contacts))
    shape = (n, len(log_factors), len(rows))
    level, change, slope, distance = (np.zeros(shape) for _ in range(4))
    errors = np.zeros((n, 2, len(rows)))
    step = log_factors[1] - log_factors[0]
    known: dict[float, tuple[Floats, Floats]] = {}
    for i, reading in enumerate(rows.readings):
        log_phi = np.log(reading.loading.volume_fraction) - log_factors
        if log_phi[0] not in known:
            known[log_phi[0]] = material.at(log_phi[None, :], used)
        logs = material.read(reading.film, *known[log_phi[0]], used)
        rest = logs[..., used.index(visits.rest)]
        weights = at[i][used]
        there = logs @ weights if np.isfinite(logs).all() else _weighted(logs, weights)
        level[:, :, i] = rest if reading.relative_change is not None else there
        if reading.relative_change is not None:
            both = np.isfinite(rest) & np.isfinite(there)
            change[:, :, i] = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
            change[~both, i] = np.inf
        slope[:, :, i] = _gradient(level[:, :, i], step)
        distance[:, :, i] = log_phi - own[:, None]
        largest = used[int(np.argmax(weights))]
        errors[:, 0, i], errors[:, 1, i] = model.errors(
            draws.contacts, float(np.log(reading.loading.volume_fraction)), largest
        )
    return _Predicted(level, change, slope, distance, errors)


def _weighted(logs: Floats, weights: Floats) -> Floats:
    """Weighted sum over visits; open where one that counts is."""
    counts = weights != 0.0
    finite = np.isfinite(logs[..., counts])
    total = np.where(finite, logs[..., counts], 0.0) @ weights[counts]
    return np.where(finite.all(axis=-1), total, np.inf)


def _gradient(level: Floats, step: float) -> Floats:
    """D ln R / d ln phi from neighbouring nodes of the factor, (n, T); 0 if unknown."""
    finite = np.isfinite(level)
    safe = np.where(finite, level, 0.0)
    rise = np.diff(safe, axis=1) / step
    good = finite[:, 1:] & finite[:, :-1]
    up = np.where(good, rise, 0.0)
    total, count = np.zeros_like(level), np.zeros_like(level)
    total[:, :-1] += up
    total[:, 1:] += up
    count[:, :-1] += good
    count[:, 1:] += good
    return -total / np.maximum(count, 1.0)


@dataclass(frozen=True, slots=True)
class _Normal:
    """Log-likelihood (n, T), and the mean and variance of the level's own number there."""

    log_likelihood: Floats
    mean: Floats
    variance: Floats


def _normal(
    rows: _Rows,
    found: _Predicted,
    scale: Floats,
    level_spread: float,
    keep: NDArray[np.bool_],
) -> _Normal:
    """Joint density of the levels of the rows kept, common numbers integrated out.

    The level's own number is ln of the parameter that R goes as the inverse of, over its
    median, in its standard deviations.
    """
    read = np.array([r.resistance is not None and not r.is_open for r in rows.readings])
    use = np.flatnonzero(read & keep)
    shape = found.level.shape[:2]
    if not len(use):
        return _Normal(np.zeros(shape), np.zeros(shape), np.ones(shape))
    y = np.log([rows.readings[i].resistance or 1.0 for i in use])
    mu, b = found.level[..., use], found.slope[..., use]
    conducts = np.isfinite(mu)
    r = np.where(conducts, y - np.where(conducts, mu, 0.0), 0.0)
    s2 = (scale**2)[:, None, None]
    own = s2 * ((rows.own[use, 0] * b) ** 2 + rows.own[use, 1] ** 2)
    own = own + np.where(rows.slips[use], SLIP**2, 1e-12)
    w = np.where(conducts, 1.0 / own, 0.0)
    s = scale[:, None, None]
    # films of a cup are of one loading, so that they share its simulation error too
    cup = s2 * ((rows.cup[use, 0] * b) ** 2 + rows.cup[use, 1] ** 2)
    cup = np.sqrt(cup + found.errors[:, None, 0, use] ** 2) * np.where(b > 0.0, 1.0, -1.0)
    common = [
        s * rows.lot[use, 0] * b,
        s * np.broadcast_to(rows.lot[use, 1], r.shape),
        np.full_like(r, -level_spread),
    ]
    of_cup = [np.flatnonzero(rows.cups[use] == c) for c in np.unique(rows.cups[use])]
    inside = [1.0 + (w[..., m] * cup[..., m] ** 2).sum(axis=-1) for m in of_cup]

    def product(a: Floats, c: Floats) -> Floats:
        total = np.zeros(shape)
        for m, d in zip(of_cup, inside, strict=True):
            wa, wc = w[..., m] * a[..., m], w[..., m] * cup[..., m]
            total += (wa * c[..., m]).sum(axis=-1)
            total -= (wa * cup[..., m]).sum(axis=-1) * (wc * c[..., m]).sum(axis=-1) / d
        return total

    # common numbers are integrated out one after the other, the level's own last
    vectors = [*common, r]
    table = {
        (i, j): product(vectors[i], vectors[j])
        for i in range(len(vectors))
        for j in range(i, len(vectors))
    }
    determinant = np.where(conducts, np.log(own), 0.0).sum(axis=-1)
    determinant += sum(np.log(d) for d in inside)
    for g in range(len(common)):
        d = 1.0 + table[g, g]
        determinant += np.log(d)
        for i in range(g + 1, len(vectors)):
            for j in range(i, len(vectors)):
                table[i, j] = table[i, j] - table[g, i] * table[g, j] / d
        mean, variance = table[g, len(common)] / d, 1.0 / d
    chi = table[len(common), len(common)]
    logs = -0.5 * (chi + determinant)
    logs += IMPOSSIBLE * (~conducts).sum(axis=-1)
    return _Normal(logs, mean, variance)


def _changes(
    rows: _Rows, found: _Predicted, scale: Floats, bench: Bench, keep: NDArray[np.bool_]
) -> Floats:
    """Log-density of the changes of the rows kept, (n, T): contacts open alike in a cup."""
    tol, out = bench.tolerances, np.zeros(found.level.shape[:2])
    told = [
        i for i, r in enumerate(rows.readings) if keep[i] and r.relative_change is not None
    ]
    for c in sorted({int(rows.cups[i]) for i in told}):
        mine = [i for i in told if rows.cups[i] == c]
        size = found.change[..., mine]
        conducts = np.isfinite(size)
        size = np.where(conducts, size, 0.0)
        r = np.array([rows.readings[i].log_change for i in mine]) - size
        films = np.array([rows.readings[i].films for i in mine])
        strains = np.array([abs(rows.readings[i].strain) for i in mine])
        setting = np.where(
            strains > 0.0, tol.strain_setting / np.maximum(strains, 1e-12), 0
        )
        s2 = (scale**2)[:, None, None]
        shared = np.array([bool(rows.readings[i].batch) for i in mine])
        alike = s2 * (tol.response * size) ** 2
        own = s2 * ((setting * size) ** 2 + 2.0 * tol.instrument**2) / films
        own = own + np.where(shared, 0.0, alike / films) + 1e-12
        alike = alike + found.errors[:, None, 1, mine] ** 2
        own = own + np.where(rows.slips[mine], size**2 + own, 0.0)
        w = np.where(conducts, 1.0 / own, 0.0)
        f = np.sqrt(np.where(shared, alike, found.errors[:, None, 1, mine] ** 2))
        f = f * np.where(size < 0.0, -1.0, 1.0)
        inside = 1.0 + (w * f**2).sum(axis=-1)
        chi = (w * r**2).sum(axis=-1) - (w * f * r).sum(axis=-1) ** 2 / inside
        logs = np.where(conducts, np.log(own), 0.0).sum(axis=-1) + np.log(inside)
        out += -0.5 * (chi + logs) + IMPOSSIBLE * (~conducts).sum(axis=-1)
    return out


def _opens(
    rows: _Rows, found: _Predicted, scale: Floats, keep: NDArray[np.bool_]
) -> Floats:
    """Log-probability that rows read open as they do, (n, T); once a cup."""
    out = np.zeros(found.level.shape[:2])
    seen: set[tuple[int, float]] = set()
    for i, reading in enumerate(rows.readings):
        key = int(rows.cups[i]), reading.loading.weight_fraction
        if not (reading.is_open and keep[i]) or (reading.batch and key in seen):
            continue
        seen.add(key)
        s = np.sqrt(rows.own[i, 0] ** 2 * reading.films + rows.cup[i, 0] ** 2
                    + rows.lot[i, 0] ** 2)  # fmt: skip
        sd = np.maximum(s * scale, 1e-9)[:, None]
        out += np.log(STRAY_OPEN + (1.0 - STRAY_OPEN) * ndtr(-found.distance[..., i] / sd))
    return out


def _spreads(rows: _Rows, scale: Floats, model: FilmModel, bench: Bench) -> Floats:
    """Log-likelihood of the bench's scale from rows that tell the spread of their films."""
    out = np.zeros(len(scale))
    for reading in rows.readings:
        if reading.spread is None or reading.films < 2:
            continue
        moves = [m for m in row_moves(reading, model, bench) if m.level in (READING, FILM)]
        slope = 4.0  # exponent 2 at twice the threshold (judgement)
        planned = np.sqrt(sum((slope * m.loading) ** 2 + m.scale**2 for m in moves))
        if planned <= 0.0:
            continue
        ratio, freedom = reading.spread / (planned * scale), reading.films - 1
        out += freedom * (np.log(ratio) - 0.5 * ratio**2)
    return out


# ------------------------------------------------------------------------------------------
# Posterior
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class RowCheck:
    """One row against what the other rows let expect.

    Parameters
    ----------
    reading : Reading
        The row.
    expected, expected_change : Band or None
        Of the mean R of such films [ohm], and of the relative change, given all rows; None
        for a row without one.
    before, before_change : Band or None
        The same before any row.
    probability : float
        Two-sided probability of a reading as far off, given all other rows; the smaller one
        of resistance and change, doubled. For open films, that so many are open.
    is_outlier : bool
        Whether the other rows speak against it; it then counts as a slip.

    """

    reading: Reading
    expected: Band | None
    expected_change: Band | None
    before: Band | None
    before_change: Band | None
    probability: float
    is_outlier: bool


@dataclass(frozen=True, slots=True)
class Posterior:
    """What films that were read let be known.

    Parameters
    ----------
    knowledge : Knowledge
        Draws of equal weight.
    effective_size : float
        Equal draws that the sampler's are worth.
    checks : tuple of RowCheck
        One a row.
    narrowing : dict of str to float
        Width of the central 90 % after over before of each free number, by symbol, in the
        coordinate in which its prior is normal; `scatter` is that of the bench.
    correlations : dict of (str, str) to float
        Between the free numbers, in the same coordinates.

    """

    knowledge: Knowledge
    effective_size: float
    checks: tuple[RowCheck, ...]
    narrowing: dict[str, float]
    correlations: dict[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class _Problem:
    """Rows, model and priors of a posterior; coordinates are those drawn by sampling."""

    rows: _Rows
    model: FilmModel
    priors: Priors
    bench: Bench
    free: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        apart = {"threshold", self.level_name if self.level_spread else ""}
        names = tuple(p.name for p in self.priors.free if p.name not in apart)
        object.__setattr__(self, "free", names)

    @property
    def level_name(self) -> str:
        return self.model.level

    @property
    def level_spread(self) -> float:
        """Spread of ln of the level where it is log-normal, 0 where it is drawn or held."""
        prior = self.priors[self.level_name]
        return 0.0 if prior.bounds is not None else prior.spread

    @property
    def dimension(self) -> int:
        return len(self.free) + 1

    def draws(self, z: Floats) -> Knowledge:
        """Knowledge at coordinates, level and threshold at their medians."""
        k = len(self.free)
        columns = dict(zip(self.free, z[:, :k].T, strict=True))
        zero = np.zeros(len(z))
        values = {p.name: p.value(columns.get(p.name, zero)) for p in self.priors}
        own = np.column_stack(
            [columns.get(p.name, zero) for p in self.priors.free] or [np.zeros((len(z), 0))]
        )
        return Knowledge(
            "measured", self.priors, own, values, np.full(len(z), 1.0 / len(z)),
            np.zeros((len(z), NOISES)), np.exp(self.bench.scale_spread * z[:, k]),
        )  # fmt: skip

    def nodes(self, low: float, high: float) -> tuple[Floats, Floats]:
        """Coordinates of the threshold's grid and ln of their weights."""
        z = np.linspace(low, high, GRID)
        logs = -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi) + np.log(z[1] - z[0])
        return z, logs

    def log_factors(self, z: Floats) -> Floats:
        return np.log(self.priors["threshold"].value(z))

    def joint(
        self, draws: Knowledge, z: Floats, log_prior: Floats, keep: NDArray[np.bool_]
    ) -> tuple[Floats, _Normal, _Predicted]:
        """Log-likelihood times the threshold's weight, (n, T)."""
        found = _predict(self.rows, self.model, draws, self.log_factors(z))
        normal, logs = self.likelihood(draws, found, keep)
        return logs + log_prior, normal, found

    def likelihood(
        self, draws: Knowledge, found: _Predicted, keep: NDArray[np.bool_]
    ) -> tuple[_Normal, Floats]:
        """Log-likelihood of the rows kept, (n, T)."""
        rows, scale = self.rows, draws.scale
        normal = _normal(rows, found, scale, self.level_spread, keep)
        logs = normal.log_likelihood + _changes(rows, found, scale, self.bench, keep)
        logs = logs + _opens(rows, found, scale, keep)
        return normal, logs + _spreads(rows, scale, self.model, self.bench)[:, None]


def measured(
    model: FilmModel,
    readings: Sequence[Reading],
    priors: Priors,
    bench: Bench,
    seed: np.random.SeedSequence,
    *,
    n: int = KEPT_DRAWS,
) -> Posterior:
    """Find what measured rows tell of the contacts, the threshold and the bench.

    Parameters
    ----------
    model : FilmModel
        Of the mix that the rows are of.
    readings : sequence of Reading
        One or more.
    priors : Priors
        What was known before.
    bench : Bench
        What scatters films.
    seed : numpy.random.SeedSequence
        Seed of all draws.
    n : int
        Draws handed on.

    Returns
    -------
    Posterior

    Raises
    ------
    ValueError
        If there is no row, or nothing to learn.

    Notes
    -----
    Films of a row that conduct are linear in what scatters them. Rows that read open count
    once a cup. A row that the others speak against with a two-sided probability below
    `OUTLIER` (all numbers left free but the row left out) is given the deviation of a slip,
    the worst first, up to a third of the rows.

    """
    if not readings:
        raise ValueError("no measured row")
    if not priors.free:
        raise ValueError("every parameter is held, so the readings have nothing to tell")

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    problem = _Problem(_Rows.of(readings, model, bench), model, priors, bench)
    everything = np.ones(len(readings), dtype=bool)
    start = spread_points(ROUND, problem.dimension, child(0))
    problem, window = _with_slips(problem, start)
    nodes, log_prior = problem.nodes(*window)

    def log_likelihood(z: Floats) -> Floats:
        logs, _, _ = problem.joint(problem.draws(z), nodes, log_prior, everything)
        return _log_sum(logs)

    z, weights = importance_sample(log_likelihood, problem.dimension, child(1))
    draws = problem.draws(z)
    logs, normal, found = problem.joint(draws, nodes, log_prior, everything)
    knowledge = _handed_on(problem, draws, weights, nodes, logs, normal, child(2), n)
    before = problem.draws(start)
    probabilities = _left_out(problem, draws, weights, log_prior, found)
    checks = tuple(
        _check(problem, i, knowledge, before, probabilities[i], child(3))
        for i in range(len(readings))
    )
    return Posterior(
        knowledge,
        float(1.0 / (weights**2).sum()),
        checks,
        _narrowing(knowledge, bench.scale_spread),
        _correlations(knowledge),
    )


def _log_sum(logs: Floats) -> Floats:
    """Ln of the sum over the nodes."""
    top = logs.max(axis=1)
    return np.asarray(np.log(np.exp(logs - top[:, None]).sum(axis=1)) + top)


def _with_slips(problem: _Problem, start: Floats) -> tuple[_Problem, tuple[float, float]]:
    """Name rows that the others speak against, and bound the threshold's grid.

    Over draws of the prior, which other rows weigh.
    """
    draws = problem.draws(start)
    nodes, log_prior = problem.nodes(-REACH, REACH)
    found = _predict(problem.rows, problem.model, draws, problem.log_factors(nodes))
    equal = np.full(len(draws), 1.0 / len(draws))
    for _ in range(max(1, len(problem.rows) // 3)):
        if len(problem.rows) < 3:
            break
        p = _left_out(problem, draws, equal, log_prior, found)
        p = np.where(problem.rows.slips, 1.0, p)
        if p.min() >= OUTLIER:
            break
        slips = problem.rows.slips.copy()
        slips[int(p.argmin())] = True
        problem = replace(problem, rows=replace(problem.rows, slips=slips))
    everything = np.ones(len(problem.rows), dtype=bool)
    logs = problem.likelihood(draws, found, everything)[1] + log_prior
    of_node = _log_sum(logs.T)
    share = np.exp(of_node - of_node.max())
    kept = np.flatnonzero(share > 1e-6)
    step = nodes[1] - nodes[0]
    return problem, (nodes[kept[0]] - step, nodes[kept[-1]] + step)


def _left_out(
    problem: _Problem,
    draws: Knowledge,
    weights: Floats,
    log_prior: Floats,
    found: _Predicted,
) -> Floats:
    """Two-sided probability of each row given the others, (rows,).

    Each row is left out in turn; its reading is then normal at every draw and node.
    """
    rows = problem.rows
    out = np.empty(len(rows))
    for i, reading in enumerate(rows.readings):
        keep = np.ones(len(rows), dtype=bool)
        keep[i] = False
        normal, logs = problem.likelihood(draws, found, keep)
        logs = logs + log_prior + np.log(np.maximum(weights, 1e-300))[:, None]
        w = np.exp(logs - logs.max())
        w /= w.sum()
        tails = []
        if reading.is_open:
            sd = np.maximum(draws.scale * rows.cup[i, 0] + 1e-9, 1e-9)[:, None]
            chance = STRAY_OPEN + (1.0 - STRAY_OPEN) * ndtr(-found.distance[..., i] / sd)
            out[i] = float((w * chance).sum())
            continue
        if reading.resistance is not None:
            u, sd = _alone(problem, draws, normal, found, i, keep)
            tails.append(float((w * ndtr(u / sd)).sum()))
        if reading.relative_change is not None:
            tol, size = problem.bench.tolerances, found.change[..., i]
            known = np.isfinite(size)
            size = np.where(known, size, 0.0)
            sd = draws.scale[:, None] * np.sqrt(
                (tol.response * size) ** 2 + 2.0 * tol.instrument**2 / reading.films
                + (tol.strain_setting / max(abs(reading.strain), 1e-12) * size) ** 2
                / reading.films
            )  # fmt: skip
            sd = np.hypot(sd, found.errors[:, 1, i, None])
            u = (reading.log_change - size) / np.maximum(sd, 1e-9)
            tails.append(float((w * np.where(known, ndtr(u), 0.0)).sum()))
        p = [2.0 * min(tail, 1.0 - tail) for tail in tails]
        out[i] = min(1.0, min(p) * len(p))
    return out


def _alone(
    problem: _Problem,
    draws: Knowledge,
    normal: _Normal,
    found: _Predicted,
    i: int,
    keep: NDArray[np.bool_],
) -> tuple[Floats, Floats]:
    """How far a row's ln R is from what the others let expect, and its deviation."""
    rows, s = problem.rows, draws.scale[:, None]
    b, mu = found.slope[..., i], found.level[..., i]
    conducts = np.isfinite(mu)
    parts = [rows.own[i], rows.lot[i]]
    alike = (rows.cups == rows.cups[i]) & keep
    # the cup's own deviation is known as well as its other rows tell it (at least by half)
    parts.append(rows.cup[i] * (0.7 if alike.any() else 1.0))
    variance = sum((p[0] * b) ** 2 + p[1] ** 2 for p in parts) * s**2
    variance = variance + problem.level_spread**2 * normal.variance
    variance = variance + found.errors[:, 0, i, None] ** 2
    mean = np.where(conducts, mu, 0.0) - problem.level_spread * normal.mean
    u = np.log(rows.readings[i].resistance or 1.0) - mean
    return np.where(conducts, u, -50.0), np.sqrt(np.maximum(variance, 1e-12))


def _handed_on(
    problem: _Problem,
    draws: Knowledge,
    weights: Floats,
    nodes: Floats,
    logs: Floats,
    normal: _Normal,
    seed: np.random.SeedSequence,
    n: int,
) -> Knowledge:
    """N draws of equal weight: of a draw, a node, and the level given both."""
    joint = np.exp(logs - _log_sum(logs)[:, None]) * weights[:, None]
    rng = np.random.default_rng(seed)
    places = (np.arange(n) + rng.random()) / n
    picked = np.searchsorted(np.cumsum(joint.ravel()) / joint.sum(), places)
    rows, at = np.divmod(np.minimum(picked, joint.size - 1), len(nodes))
    inside = (rng.permutation(n) + rng.random(n)) / n - 0.5
    z_threshold = nodes[at] + inside * (nodes[1] - nodes[0])
    own = ndtri((rng.permutation(n) + 0.5) / n)
    z_level = normal.mean[rows, at] + np.sqrt(normal.variance[rows, at]) * own
    z, values = draws.z[rows].copy(), {k: v[rows] for k, v in draws.values.items()}
    for name, column in (("threshold", z_threshold), (problem.level_name, z_level)):
        if name == problem.level_name and not problem.level_spread:
            continue
        for k, prior in enumerate(problem.priors.free):
            if prior.name == name:
                z[:, k] = column
                values[name] = prior.value(column)
    return Knowledge(
        "measured", problem.priors, z, values, np.full(n, 1.0 / n),
        spread_points(n, NOISES, seed), draws.scale[rows],
    )  # fmt: skip


def _check(
    problem: _Problem,
    i: int,
    after: Knowledge,
    before: Knowledge,
    probability: float,
    seed: np.random.SeedSequence,
) -> RowCheck:
    """One row against the others, and what such films would read."""
    rows, reading = problem.rows, problem.rows.readings[i]
    bands: list[Band | None] = []
    for known in (after, before):
        level, change, slope = _at_draws(problem, reading, known, seed)
        rng = np.random.default_rng(seed)
        own, moved = rng.standard_normal((2, len(level)))
        scatter = np.sqrt(
            sum(
                (p[0] * slope) ** 2 + p[1] ** 2
                for p in (rows.own[i], rows.cup[i], rows.lot[i])
            )
        )
        read = level + known.scale * scatter * own
        bands.append(
            None if reading.resistance is None else Band.of(read, known.weights).exp()
        )
        told = np.isfinite(change)
        if reading.relative_change is None or not told.any():
            bands.append(None)
            continue
        size = change[told]
        opened = np.exp(problem.bench.tolerances.response * known.scale[told] * moved[told])
        kept = known.weights[told] / known.weights[told].sum()
        bands.append(Band.of(np.expm1(size * opened), kept))
    return RowCheck(
        reading, bands[0], bands[1], bands[2], bands[3], float(probability),
        bool(probability < OUTLIER or rows.slips[i]),
    )  # fmt: skip


def _at_draws(
    problem: _Problem, reading: Reading, known: Knowledge, seed: np.random.SeedSequence
) -> tuple[Floats, Floats, Floats]:
    """Ln R, its change and its slope of a row's film at every draw, (n,) each."""
    rows = replace(problem.rows, readings=(reading,), slips=np.zeros(1, dtype=bool))
    if known.basis == "measured" and known.values["threshold"].std() == 0.0:
        z = np.random.default_rng(seed).standard_normal((2, len(known)))
        log_factor = np.log(problem.priors["threshold"].value(z[0]))
        level = problem.level_spread * z[1]
    else:
        log_factor, level = known.log_factor, np.zeros(len(known))
    step = 1e-3
    model, visits = problem.model, problem.model.visits
    w = visits.weights_at(reading.strain, reading.temperature)
    used = sorted({visits.rest, *(int(s) for s in np.flatnonzero(w))})
    material = known.material(model, used)
    at = np.log(reading.loading.volume_fraction) - log_factor
    logs = material.log_resistance(
        reading.film, at[:, None] + step * np.array([0, -1, 1]), used
    )
    logs = logs - level[:, None, None]
    rest, there = logs[..., used.index(visits.rest)], _weighted(logs, w[used])
    both = np.isfinite(rest) & np.isfinite(there)
    change = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
    change = np.where(both, change, np.inf)[:, 0]
    read = rest if reading.relative_change is not None else there
    known_slope = np.asarray(np.isfinite(read[:, 1:]).all(axis=1))
    safe = np.where(known_slope[:, None], read[:, 1:], 0.0)
    del rows
    return read[:, 0], change, (safe[:, 1] - safe[:, 0]) / (2.0 * step)


_PRIOR_WIDTH = float(2.0 * ndtri(0.95))


def _width(z: Floats) -> float:
    low, high = weighted_quantiles(z, (0.05, 0.95), np.full(len(z), 1.0 / len(z)))
    return float(high - low) / _PRIOR_WIDTH


def _narrowing(known: Knowledge, scale_spread: float) -> dict[str, float]:
    found = {p.name: _width(known.z[:, k]) for k, p in enumerate(known.priors.free)}
    if scale_spread > 0.0:
        found["scatter"] = _width(np.log(known.scale) / scale_spread)
    return found


def _correlations(known: Knowledge) -> dict[tuple[str, str], float]:
    names = [p.name for p in known.priors.free]
    if len(names) < 2:
        return {}
    with np.errstate(invalid="ignore"):
        table = np.atleast_2d(np.nan_to_num(np.corrcoef(known.z.T)))
    return {
        (a, b): float(table[i, j])
        for i, a in enumerate(names)
        for j, b in enumerate(names)
        if i < j
    }


# ------------------------------------------------------------------------------------------
# Sampler
# ------------------------------------------------------------------------------------------


def importance_sample(
    log_likelihood: Callable[[Floats], Floats],
    dimension: int,
    seed: np.random.SeedSequence,
    *,
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
    n, warm : int
        Draws of the last round and of those before.

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
    Rounds of evenly spread draws, the first from the prior, each next one from a mixture of
    t kernels at the resampled draws of the one before [1]_. The likelihood enters to a
    power that rises to 1, each time so far that a fifth of the effective draws stay. A
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

    z = spread_points(warm, dimension, child(0))
    log_q = _prior_density(z)
    power = 0.0
    # Silverman's rule, so that kernels shrink together with their number
    bandwidth = (4.0 / (dimension + 2.0) / CENTRES) ** (1.0 / (dimension + 4.0))
    for round_number in range(1, ROUNDS + 1):
        log_l = log_likelihood(z)
        if not np.isfinite(log_l).any():
            raise ValueError("no draw of the prior can give these readings")
        base = _prior_density(z) - log_q
        power = _next_power(base, log_l, power)
        w = _tempered(base, log_l, power)
        mean = w @ z
        covariance = (w[:, None] * (z - mean)).T @ (z - mean) + 1e-6 * np.eye(dimension)
        places = (np.arange(CENTRES) + 0.5) / CENTRES
        picked = np.minimum(np.searchsorted(np.cumsum(w), places), len(z) - 1)
        settled = power == 1.0 and _effective(w) >= ENOUGH * len(z)
        root = bandwidth * np.linalg.cholesky(covariance)
        last = settled or round_number == ROUNDS
        z, log_q = _mixture(z[picked], root, n if last else warm, child(round_number))
        if last:
            break
    return z, _tempered(_prior_density(z) - log_q, log_likelihood(z), 1.0)


def _mixture(
    centres: Floats, root: Floats, n: int, seed: np.random.SeedSequence
) -> tuple[Floats, Floats]:
    """Draws (n, k) of a defensive mixture of t kernels, and the log of its density."""
    rng = np.random.default_rng(seed)
    z = spread_points(n, centres.shape[1], seed)
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

    def enough(t: float) -> bool:
        return _effective(_tempered(base, log_likelihood, t)) >= KEPT * now

    if enough(1.0):
        return 1.0
    low, high = power, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if enough(middle) else (low, middle)
    return min(1.0, max(low, power + SMALLEST_STEP))
