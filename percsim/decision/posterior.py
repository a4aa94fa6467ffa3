r"""Stage 8. Films that were read -> knowledge.

The threshold is integrated over a grid, what rows have in common in closed form
(`decision.likelihood`); what is left (other parameters of the contacts, simulation error,
scatter of the bench) is drawn by importance sampling. A row that the others speak against
is named and given a slip of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.cycled import CycleTold
from percsim.decision.knowledge import Knowledge, day_one, spread_points
from percsim.decision.likelihood import (
    SHARED,
    STRAY_OPEN,
    Moves,
    Reading,
    Rows,
    Told,
    open_chances,
    predict,
    slope_along,
    spread_density,
    tell,
    visits_used,
    weighted,
)
from percsim.decision.outlook import Band
from percsim.decision.priors import Priors
from percsim.decision.sampler import LAST, ROUND, propose, tempered, truncated
from percsim.film.bench import Bench
from percsim.film.memories import MEMORY
from percsim.film.model import FilmModel, Material
from percsim.film.noise import AT_REST, BOXES, EXPONENT, NOISES, THRESHOLD, UNDER_STRAIN

__all__ = ["Posterior", "Problem", "Reading", "RowCheck", "expected", "measured"]

Floats = NDArray[np.float64]

TOLD = 0.8
"""Width after over before below which readings have told something of a number."""
FAR = 2.5
"""Standard deviations from the median assumed from which a number is far from it."""
OUTLIER = 0.01
"""Two-sided probability, given all other rows, below which a row is named."""
WIDE, ROUGH, GRID = 54, 14, 21
"""Nodes of the threshold: over all that was assumed, where draws are looked for, and of the
draws handed on."""
REACH = 4.0
"""Standard deviations of the threshold that the first grid spans."""
KEPT_DRAWS = 1024
"""Draws of equal weight that are handed on."""
FORGIVEN = 0.05
"""Probability from which a row that was named turns out to be none."""
DRAWN = [EXPONENT, THRESHOLD]
"""Numbers of the simulation error that are drawn: the others move ln R in proportion."""
MOST = 2**24
"""Numbers held at once while rows are told."""
LEAST_SPREAD = 1e-3
"""Of ln of a threshold that is held: no grid is narrower."""
NEGLIGIBLE = 1e-6
"""Share of the likeliest node below which the grid ends."""


@dataclass(frozen=True, slots=True)
class RowCheck:
    """One row against what the other rows let expect.

    Parameters
    ----------
    reading : Reading
        The row.
    probability : float
        Two-sided probability of a reading as far off, given all other rows; the smaller one
        of resistance and change, doubled. For open films, that so many are open.
    is_outlier : bool
        Whether the other rows speak against it; it then counts as a slip.

    """

    reading: Reading
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
    problem : Problem
        What was asked.
    cycles : tuple of CycleTold
        What films that were pulled and released told besides, in the order of the rows.

    """

    knowledge: Knowledge
    effective_size: float
    checks: tuple[RowCheck, ...]
    narrowing: dict[str, float]
    correlations: dict[tuple[str, str], float]
    problem: Problem = field(repr=False)
    cycles: tuple[CycleTold, ...] = ()

    def with_cycle(self, told: CycleTold) -> Posterior:
        """Posterior that a cycled film was read for as well."""
        known = told.knowledge
        return replace(
            self, knowledge=known, narrowing=self.narrowing | told.narrowing,
            correlations=_correlations(known), cycles=(*self.cycles, told),
        )  # fmt: skip

    @property
    def told(self) -> frozenset[str]:
        """Numbers of which the readings have told something, by symbol."""
        return frozenset(name for name, width in self.narrowing.items() if width < TOLD)

    @property
    def far(self) -> dict[str, float]:
        """Numbers far from what was assumed, in standard deviations from it."""
        known = self.knowledge
        centre = known.weights @ known.z
        return {
            prior.name: float(z)
            for prior, z in zip(known.priors.free, np.atleast_1d(centre), strict=True)
            if abs(z) > FAR
        }


@dataclass(frozen=True, slots=True)
class Problem:
    """Rows, model and priors of a posterior; coordinates are those drawn by sampling.

    They are the free numbers of the contacts that rows tell of, the bench's scale, the free
    numbers that they hardly tell of, and the simulation error where it is not a number that
    moves ln R in proportion; the last two stay drawn from the prior. What a lot of powder
    is off by acts as its threshold does, so that the grid is over both together.
    """

    rows: Rows
    model: FilmModel
    priors: Priors
    bench: Bench
    seed: np.random.SeedSequence
    free: tuple[str, ...] = field(init=False)
    idle: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        apart = {"threshold", self.model.level if self.level_spread else ""}
        names = [p.name for p in self.priors.free if p.name not in apart]
        rows, idle = self.rows.readings, set[str]()
        if not any(r.tells_pull("conditioned") for r in rows):
            idle |= set(MEMORY)
        if len({r.temperature for r in rows}) == 1:
            idle.add("Ea")
        told, left = (tuple(n for n in names if (n in idle) == i) for i in (False, True))
        object.__setattr__(self, "free", told)
        object.__setattr__(self, "idle", left)

    def child(self, i: int) -> np.random.SeedSequence:
        """Seed of one of the steps."""
        return np.random.SeedSequence(
            self.seed.entropy, spawn_key=(*self.seed.spawn_key, i)
        )

    @property
    def before(self) -> Knowledge:
        """What was known before any row."""
        return day_one(self.priors, self.child(4), ROUND, self.bench.scale_spread)

    @property
    def level_spread(self) -> float:
        """Spread of ln of the level where it is log-normal, 0 where it is drawn or held."""
        prior = self.priors[self.model.level]
        return 0.0 if prior.bounds is not None else prior.spread

    @property
    def threshold(self) -> tuple[float, float]:
        """Mean and spread of ln of the threshold's factor."""
        prior = self.priors["threshold"]
        return float(np.log(prior.median)), max(prior.spread, LEAST_SPREAD)

    @property
    def lot(self) -> float:
        """Deviation of ln(phi/phi_c) between lots, the bench as planned."""
        return float(self.rows.lot[:, 0].mean())

    @property
    def dimension(self) -> int:
        """Coordinates that are sampled."""
        return len(self.free) + 1

    @property
    def beside(self) -> int:
        """Coordinates that stay drawn from the prior."""
        return len(self.idle) + len(DRAWN)

    def draws(self, z: Floats) -> Knowledge:
        """Knowledge at coordinates, level and threshold at their medians."""
        k = len(self.free)
        names = (*self.free, "scale", *self.idle)
        columns = dict(zip(names, z.T, strict=False))
        zero = np.zeros(len(z))
        own = np.zeros((len(z), len(self.priors.free)))
        for place, prior in enumerate(self.priors.free):
            own[:, place] = columns.get(prior.name, zero)
        noise = np.zeros((len(z), NOISES))
        noise[:, DRAWN] = z[:, -len(DRAWN) :]
        return Knowledge(
            "measured", self.priors, own, self.priors.values(own),
            np.full(len(z), 1.0 / len(z)), noise, np.exp(self.bench.scale_spread * z[:, k]),
        )  # fmt: skip

    def told(self, draws: Knowledge, nodes: Floats, *, each: bool = False) -> Told:
        """Hold the rows against draws and nodes, ln of the threshold's factor."""
        size = max(1, MOST // (4 * len(self.rows) ** 2 * nodes.size))
        parts = [
            self._told(draws.some(slice(k, k + size)), nodes, each)
            for k in range(0, len(draws), size)
        ]
        return parts[0] if len(parts) == 1 else Told.joined(parts)

    def _told(self, draws: Knowledge, nodes: Floats, each: bool) -> Told:
        rows, scale = self.rows, draws.scale
        found = predict(rows.readings, self.model, self.bench, draws, nodes)
        moves = Moves.of(rows, found, scale, self.level_spread, self.bench)
        logs, alone, tails = tell(moves, each=each)
        for i, chance in open_chances(rows, found, scale).items():
            logs, alone[i] = logs + chance, chance
            stray = STRAY_OPEN ** rows.readings[i].films
            tails[i] = [np.maximum(np.exp(chance) - stray, 0.0)]
        logs = logs + spread_density(rows, found.slope, scale, self.model, self.bench)
        mean, spread = self.threshold
        whole = np.hypot(spread, self.lot * scale)[:, None]
        weight = -0.5 * ((nodes - mean) / whole) ** 2 - np.log(whole)
        weight = weight + np.log((nodes[1] - nodes[0]) / np.sqrt(2.0 * np.pi))
        return Told(logs, weight, alone, tails)


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
    Films of a row that conduct are linear in what scatters them, a lot of powder aside.
    Rows that read open count once a cup. A row that the others speak against with a
    two-sided probability below `OUTLIER` (all numbers left free but the row left out) is
    given the deviation of a slip, the worst first, up to a third of the rows. Films are
    read on the pull that their row says.

    """
    if not readings:
        raise ValueError("no measured row")
    if not priors.free:
        raise ValueError("every parameter is held, so the readings have nothing to tell")

    problem = Problem(Rows.of(readings, model, bench), model, priors, bench, seed)
    start = spread_points(ROUND, problem.dimension + problem.beside, problem.child(0))
    problem, grid, told = _with_slips(problem, problem.draws(start))

    for attempt in (1, 2):
        draws, weights, nodes, told = _sampled(
            problem, start, grid, told, problem.child(attempt)
        )
        chances = _left_out(problem.rows, told, _log(weights) - _log_sum(told.logs))
        # draws of the prior alone may name a row that the others do not speak against
        forgiven = problem.rows.slips & (chances >= FORGIVEN)
        if not forgiven.any() or attempt == 2:
            break
        rows = replace(problem.rows, slips=problem.rows.slips & ~forgiven)
        problem = replace(problem, rows=rows)
        told = problem.told(problem.draws(start), grid)
    knowledge = _handed_on(problem, draws, weights, nodes, told, n)
    checks = (
        RowCheck(reading, float(p), bool(p < OUTLIER or slips))
        for reading, p, slips in zip(readings, chances, problem.rows.slips, strict=True)
    )
    return Posterior(
        knowledge,
        float(1.0 / (weights**2).sum()),
        tuple(checks),
        _narrowing(knowledge, bench.scale_spread),
        _correlations(knowledge),
        problem,
    )


def _sampled(
    problem: Problem,
    start: Floats,
    grid: Floats,
    first: Told,
    seed: np.random.SeedSequence,
) -> tuple[Knowledge, Floats, Floats, Told]:
    """Draws of the posterior, their weights, nodes, and what the rows say there.

    From draws of the prior and what the rows say of them on a wide grid.
    """
    last = grid, first.logs
    near = _window(*last, ROUGH)

    def log_likelihood(z: Floats) -> Floats:
        nonlocal last
        last = near, problem.told(problem.draws(z), near).logs
        return _log_sum(last[1])

    found, ratio = propose(
        log_likelihood, start, _log_sum(first.logs), seed, beside=problem.beside
    )
    # a finer grid where the readings leave the threshold
    nodes = _window(last[0], last[1] + ratio[:, None], GRID)
    z, ratio = found.draws(LAST)
    draws = problem.draws(z)
    told = problem.told(draws, nodes, each=True)
    return draws, truncated(tempered(ratio, _log_sum(told.logs))), nodes, told


def _log(weights: Floats) -> Floats:
    """Ln of weights, those that underflow left aside."""
    return np.where(weights > 1e-200, np.log(np.maximum(weights, 1e-200)), -np.inf)


def _log_sum(logs: Floats) -> Floats:
    """Ln of the sum over the nodes."""
    top = logs.max(axis=1)
    return np.asarray(np.log(np.exp(logs - top[:, None]).sum(axis=1)) + top)


def _window(nodes: Floats, logs: Floats, n: int) -> Floats:
    """N nodes over the part of the grid that matters, logs (n, T) of draws' nodes."""
    of_node = np.exp(_log_sum(logs.T) - logs.max())
    kept = np.flatnonzero(of_node > NEGLIGIBLE * of_node.max())
    step = nodes[1] - nodes[0]
    return np.linspace(nodes[kept[0]] - step, nodes[kept[-1]] + step, n)


def _with_slips(problem: Problem, draws: Knowledge) -> tuple[Problem, Floats, Told]:
    """Name rows that the others speak against; a wide grid, and what rows say there.

    Over draws of the prior, which other rows weigh.
    """
    mean, spread = problem.threshold
    reach = REACH * np.hypot(spread, problem.lot)
    nodes = np.linspace(mean - reach, mean + reach, WIDE)
    # beyond these no draw lets any of the films conduct that do
    richest = [r.loading.volume_fraction for r in problem.rows.readings if not r.is_open]
    if richest:
        last = np.log(max(richest) / draws.own_threshold(problem.model).min())
        nodes = nodes[: max(int(np.searchsorted(nodes, last)), 1) + 1]
    told = problem.told(draws, nodes, each=True)
    for _ in range(max(1, len(problem.rows) // 3)):
        if len(problem.rows) < 3:
            break
        p = _left_out(problem.rows, told, np.zeros(len(draws)))
        p = np.where(problem.rows.slips, 1.0, p)
        if p.min() >= OUTLIER:
            break
        slips = problem.rows.slips.copy()
        slips[int(p.argmin())] = True
        problem = replace(problem, rows=replace(problem.rows, slips=slips))
        told = problem.told(draws, nodes, each=True)
    return problem, nodes, told


def _left_out(rows: Rows, told: Told, log_prior: Floats) -> Floats:
    """Two-sided probability of each row given the others, (rows,).

    Parameters
    ----------
    rows : Rows
        The rows.
    told : Told
        What they say at draws.
    log_prior : (n,) ndarray of float
        Log of the weight of each draw before any row.

    """
    out = np.ones(len(rows))
    for i, tails in told.tails.items():
        logs = told.logs - told.alone[i] + log_prior[:, None]
        w = np.exp(logs - logs.max())
        w /= w.sum()
        chances = [float((w * tail).sum()) for tail in tails]
        if rows.readings[i].is_open:
            out[i] = chances[0]  # films that are open for reasons of their own left out
            continue
        out[i] = min(1.0, min(2.0 * min(t, 1.0 - t) for t in chances) * len(chances))
    return out


def _handed_on(
    problem: Problem,
    draws: Knowledge,
    weights: Floats,
    nodes: Floats,
    told: Told,
    n: int,
) -> Knowledge:
    """N draws of equal weight: of a draw, a node, and the level given both."""
    rng = np.random.default_rng(problem.child(3))
    places = (np.arange(n) + rng.random()) / n
    rows = np.searchsorted(np.cumsum(weights) / weights.sum(), places)
    rows = np.minimum(rows, len(weights) - 1)
    # every draw another place in the distribution over its nodes, so that all are seen
    share = np.exp(told.logs - _log_sum(told.logs)[:, None])[rows]
    below = np.cumsum(share, axis=1)
    u = (rng.permutation(n) + rng.random(n)) / n
    at = np.minimum((below < u[:, None]).sum(axis=1), len(nodes) - 1)
    mine = np.arange(n), at
    inside = np.clip((u - below[mine]) / np.maximum(share[mine], 1e-300) + 0.5, -0.5, 0.5)
    factor = nodes[at] + (nodes[1] - nodes[0]) * inside
    moves = Moves.of(
        problem.rows,
        predict(
            problem.rows.readings, problem.model, problem.bench, draws.some(rows),
            factor[:, None] + 1e-3 * np.array([-1.0, 0.0, 1.0]),
        ),
        draws.scale[rows], problem.level_spread, problem.bench,
    )  # fmt: skip
    columns = len(SHARED) + len(moves.boxes) + len(moves)
    places = rng.permuted(np.tile(np.arange(n), (columns, 1)), axis=1).T
    found = moves.given(1, ndtri((places + 0.5) / n))
    z_level = found[:, 0]
    noise = draws.noise[rows]
    noise[:, [AT_REST, UNDER_STRAIN]] = found[:, 1:3]
    noise[:, BOXES] = found[:, len(SHARED) :]
    # of the factor with the lot of these films, the part that is the threshold's own
    median, spread = problem.threshold
    lot = (problem.lot * draws.scale[rows]) ** 2
    share = spread**2 / (spread**2 + lot)
    alone = np.sqrt(share * lot) * ndtri((rng.permutation(n) + 0.5) / n)
    z_threshold = (share * (factor - median) + alone) / spread
    z, values = draws.z[rows].copy(), {k: v[rows] for k, v in draws.values.items()}
    for name, column in (("threshold", z_threshold), (problem.model.level, z_level)):
        if name == problem.model.level and not problem.level_spread:
            continue
        for k, prior in enumerate(problem.priors.free):
            if prior.name == name:
                z[:, k] = column
                values[name] = prior.value(column)
    return Knowledge(
        "measured", problem.priors, z, values, np.full(n, 1.0 / n), noise,
        draws.scale[rows],
    )  # fmt: skip


def expected(problem: Problem, known: Knowledge) -> list[tuple[Band | None, Band | None]]:
    """Bands of the mean R of films like each row's [ohm], and of the relative change.

    Parameters
    ----------
    problem : Problem
        The rows.
    known : Knowledge
        By all of them, or before any.

    Returns
    -------
    list of (Band or None, Band or None)
        None where a row tells none.

    """
    rows, model = problem.rows, problem.model
    used = visits_used(rows.readings, model.visits)
    materials = {
        pull: known.material(model.on(pull), used)
        for pull in {r.pull for r in rows.readings}
    }
    found = []
    for i, reading in enumerate(rows.readings):
        level, change, slope = _at_draws(problem, reading, known, materials[reading.pull])
        own, moved = np.random.default_rng(problem.child(5)).standard_normal(
            (2, len(known))
        )
        parts = (rows.own[i], rows.cup[i], rows.lot[i])
        scatter = np.sqrt(sum((p[0] * slope) ** 2 + p[1] ** 2 for p in parts))
        read = level + known.scale * scatter * own
        of_level = None if reading.resistance is None else known.band(read).exp()
        told, of_change = np.isfinite(change), None
        if reading.relative_change is not None and told.any():
            opened = np.exp(problem.bench.tolerances.response * known.scale * moved)[told]
            kept = known.weights[told] / known.weights[told].sum()
            of_change = Band.of(np.expm1(change[told] * opened), kept)
        found.append((of_level, of_change))
    return found


def _at_draws(
    problem: Problem, reading: Reading, known: Knowledge, material: Material
) -> tuple[Floats, Floats, Floats]:
    """Ln R, its change and its slope of a row's film at every draw, (n,) each."""
    model, visits = problem.model, problem.model.visits
    w = visits.weights_at(reading.strain, reading.temperature)
    used = sorted({visits.rest, *(int(s) for s in np.flatnonzero(w))})
    steps = 1e-3 * np.array([0.0, -1.0, 1.0])
    at = np.log(reading.loading.volume_fraction) - known.log_factor[:, None] + steps
    logs = material.log_resistance(reading.film, at, used)
    rest, there = logs[..., used.index(visits.rest)], weighted(logs, w[used])
    both = np.isfinite(rest) & np.isfinite(there)
    change = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
    change = np.where(both, change, np.inf)[:, 0]
    read = rest if reading.relative_change is not None else there
    slope = slope_along(read[:, [1, 0, 2]], -1e-3)[:, 1]
    ratio = np.exp(at[:, 0]) / known.own_threshold(model)
    level = read[:, 0] + problem.bench.shift(reading.film)
    level += known.scale**2 * problem.bench.unevenness(
        reading.film, reading.loading.log_slope, slope, ratio
    )
    return level, change, slope


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
