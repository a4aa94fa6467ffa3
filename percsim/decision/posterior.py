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
from percsim.decision.knowledge import Knowledge, day_one, spread_points
from percsim.decision.outlook import Band
from percsim.decision.priors import Priors
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move
from percsim.film.electrodes import Film
from percsim.film.model import NOISES, FilmModel, Loading, Material
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
ROUND, LAST = 512, 2048
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
ROUNDS = 12
"""Rounds after which the sampler goes on with what it has."""
KEPT, KEPT_OF_FEW = 0.2, 0.8
"""Share of the draws of a round that a rise of the likelihood's power leaves effective;
where fewer are already, share of those."""
FORGIVEN = 0.05
"""Probability from which a row that was named turns out to be none."""
SMALLEST_STEP = 0.02
"""Least rise of the likelihood's power from round to round."""
DRAWN = [0, 3, 4]
"""Numbers of the simulation error that are drawn: the others move ln R in proportion."""
LEAST_SPREAD = 1e-3
"""Of ln of a threshold that is held: no grid is narrower."""
NEGLIGIBLE = 1e-6
"""Share of the likeliest node below which the grid ends."""
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

    def which(self, kept: Callable[[Reading], bool]) -> list[int]:
        """Rows that something holds for."""
        return [i for i, r in enumerate(self.readings) if kept(r)]

    def by_cup(self, kept: Sequence[int]) -> list[list[int]]:
        """Places among rows kept, a list a cup."""
        cups = self.cups[list(kept)]
        return [np.flatnonzero(cups == c).tolist() for c in np.unique(cups)]


def _shares(reading: Reading, level: str, name: str) -> str:
    """Level that a tolerance has for a row: films of no named cup were mixed apart."""
    apart = not reading.batch and level == CUP and name != "weighing"
    return FILM if apart else level


def _scatter(reading: Reading, model: FilmModel, bench: Bench) -> Floats:
    """Deviations of the mean of a row's films: own, of the cup, of the lot, (3, 2)."""
    n, out = reading.films, np.zeros((3, 2))
    for move in row_moves(reading, model, bench):
        level = _shares(reading, move.level, move.name)
        place = {CUP: 1, LOT: 2}.get(level, 0)
        out[place] += np.square([move.loading, move.scale]) / (1 if place else n)
    return np.sqrt(out)


def row_moves(reading: Reading, model: FilmModel, bench: Bench) -> tuple[Move, ...]:
    """List what scatters one reading."""
    rho, length = 1.0, 0.0
    if len(model.volume_fractions):
        phi, rest = reading.loading.volume_fraction, model.visits.rest
        near = int(np.abs(model.volume_fractions - phi).argmin())
        rho = float(np.exp(model.log_resistivity[near, rest]))
        length = float(model.electrode_length[near, rest])
    moves = bench.moves(reading.film, reading.loading.log_slope, rho, length)
    trial = Move("instrument", bench.level("instrument"), 0.0, bench.tolerances.instrument)
    chains = model.chain_deviation(reading.loading.volume_fraction, reading.film)
    return (*moves, trial, Move("chains", FILM, 0.0, chains))


@dataclass(frozen=True, slots=True)
class _Predicted:
    """What rows would read, on the grid of the threshold.

    Parameters
    ----------
    level, change : (rows, n, T) ndarray of float
        ln R and ln(R/R0); inf where open, 0 where not asked.
    slope, bend : (rows, n, T) ndarray of float
        d ln R / d ln(phi/phi_c), and that of the change.
    distance : (rows, n, T) ndarray of float
        ln of the volume fraction over the film's own threshold.
    doubts : (2, rows, n, T) ndarray of float
        What the errors of the fit of settings, at rest and under strain, move level and
        change by.

    """

    level: Floats
    change: Floats
    slope: Floats
    bend: Floats
    distance: Floats
    doubts: Floats


def _predict(
    readings: Sequence[Reading],
    model: FilmModel,
    bench: Bench,
    draws: Knowledge,
    log_factors: Floats,
) -> _Predicted:
    """Predict every row at every draw and node; `log_factors` is (T,)."""
    visits = model.visits
    at = [visits.weights_at(r.strain, r.temperature) for r in readings]
    used = sorted({visits.rest, *(int(s) for w in at for s in np.flatnonzero(w))})
    material = draws.material(model, used)
    own = np.log(model.own_threshold(draws.contacts))
    shape = (len(readings), len(draws), len(log_factors))
    level, change, slope, bend, distance = (np.zeros(shape) for _ in range(5))
    doubts = np.zeros((2, *shape))
    step = log_factors[1] - log_factors[0]
    known: dict[float, tuple[Floats, Floats]] = {}
    first: dict[float, int] = {}
    errors = np.stack(model.setting_errors(draws.contacts, used[-1]))
    for i, reading in enumerate(readings):
        phi = reading.loading.volume_fraction
        log_phi = np.log(phi) - log_factors
        if phi not in known:
            known[phi] = material.at(log_phi[None, :], used)
            doubts[:, i] = errors @ model.between(log_phi)
        else:
            doubts[:, i] = doubts[:, first[phi]]
        first.setdefault(phi, i)
        distance[i] = log_phi - own[:, None]
        if reading.is_open:
            continue
        logs = material.read(reading.film, *known[phi], used)
        logs = logs + bench.shift(reading.film)
        rest, there = logs[..., used.index(visits.rest)], _weighted(logs, at[i][used])
        level[i] = rest if reading.relative_change is not None else there
        if reading.relative_change is not None:
            both = np.isfinite(rest) & np.isfinite(there)
            change[i] = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
            change[i][~both] = np.inf
            bend[i] = _gradient(change[i], step)
        slope[i] = _gradient(level[i], step)
        uneven = bench.unevenness(
            reading.film, reading.loading.log_slope, slope[i], np.exp(distance[i])
        )
        level[i] += uneven * draws.scale[:, None] ** 2
    return _Predicted(level, change, slope, bend, distance, doubts)


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
    good = finite[:, 1:] & finite[:, :-1]
    up = np.where(good, np.diff(safe, axis=1) / step, 0.0)
    total, count = np.zeros_like(level), np.zeros_like(level)
    total[:, :-1] += up
    total[:, 1:] += up
    count[:, :-1] += good
    count[:, 1:] += good
    return -total / np.maximum(count, 1.0)


@dataclass(frozen=True, slots=True)
class _Joint:
    """Jointly normal rows at every draw and node.

    Parameters
    ----------
    rows : list of int
        Which they are.
    log_density : (n, T) ndarray of float
        Of all of them.
    off, variance : (rows, n, T) ndarray of float
        How far each is from what the others let expect, and its variance given them.
    means : list of list of (n, T) ndarray of float
        For each number that all have in common its mean given the rows and the numbers
        after it: that where those are 0, then what one of each moves it by.
    left : list of (n, T) ndarray of float
        Variance of each then.

    """

    rows: list[int]
    log_density: Floats
    off: Floats
    variance: Floats
    means: list[list[Floats]]
    left: list[Floats]

    @classmethod
    def of(
        cls,
        rows: list[int],
        apart: Floats,
        own: Floats,
        cup: Floats,
        cups: Sequence[Sequence[int]],
        common: Sequence[Floats],
    ) -> _Joint:
        """Integrate what rows share out of their joint density.

        Parameters
        ----------
        rows : list of int
            Which they are.
        apart : (k, n, T) ndarray of float
            Reading less what is predicted; inf where the film would be open.
        own : (k, n, T) ndarray of float
            Variance of each alone.
        cup : (k, n, T) ndarray of float
            What a standard normal number of its cup moves each by.
        cups : sequence of sequence of int
            Places of the rows of each cup.
        common : sequence of (k, n, T) ndarray of float
            What numbers common to all move them by.

        """
        conducts = np.isfinite(apart)
        r = np.where(conducts, apart, 0.0)
        w = np.where(conducts, 1.0 / own, 0.0)
        determinant = np.where(conducts, np.log(own), 0.0).sum(axis=0)
        inside = {tuple(m): 1.0 + (w[m] * cup[m] ** 2).sum(axis=0) for m in map(list, cups)}

        def solved(a: Floats) -> Floats:
            """Apply the inverse of own and cup together (Sherman and Morrison)."""
            out = w * a
            for m, d in inside.items():
                k = list(m)
                out[k] -= w[k] * cup[k] * ((w[k] * cup[k] * a[k]).sum(axis=0) / d)
            return out

        found, diagonal = solved(r), w.copy()
        for m, d in inside.items():
            k = list(m)
            diagonal[k] -= (w[k] * cup[k]) ** 2 / d
            determinant += np.log(d)
        earlier: list[tuple[Floats, Floats]] = []
        means: list[list[Floats]] = []
        for g, vector in enumerate(common):
            u = solved(vector)
            for other, d in earlier:
                u = u - other * ((other * vector).sum(axis=0) / d)
            d = 1.0 + (u * vector).sum(axis=0)
            mean = (u * r).sum(axis=0) / d
            later = [-(u * other).sum(axis=0) / d for other in common[g + 1 :]]
            means.append([mean, *later])
            found = found - u * mean
            diagonal = diagonal - u**2 / d
            determinant += np.log(d)
            earlier.append((u, d))
        density = -0.5 * ((r * found).sum(axis=0) + determinant)
        density += IMPOSSIBLE * (~conducts).sum(axis=0)
        safe = np.where(diagonal > 0.0, diagonal, 1.0)
        off = np.where(conducts, found / safe, np.inf)
        variance = np.where(conducts, 1.0 / safe, 1.0)
        return cls(rows, density, off, variance, means, [1.0 / d for _, d in earlier])

    def alone(self, place: int) -> Floats:
        """Log-density of a row given the others, (n, T)."""
        off, v = self.off[place], self.variance[place]
        known = np.isfinite(off)
        found = -0.5 * (np.where(known, off, 0.0) ** 2 / v + np.log(v))
        return np.where(known, found, IMPOSSIBLE)

    def below(self, place: int, slip: float = 0.0) -> Floats:
        """Probability of a lower reading given the others, a slip's variance apart."""
        off, v = self.off[place], np.maximum(self.variance[place] - slip, 1e-12)
        known = np.isfinite(off)
        return np.where(known, ndtr(np.where(known, off, 0.0) / np.sqrt(v)), 0.0)


def _levels(rows: _Rows, found: _Predicted, scale: Floats, level_spread: float) -> _Joint:
    """Joint density of the levels of rows.

    Common are the lot of powder, the error of the fit of settings at rest and, last, ln of
    the parameter that R goes as the inverse of, over its median; in standard deviations.
    """
    use = rows.which(lambda r: r.resistance is not None and not r.is_open)
    mu, b = found.level[use], found.slope[use]
    y = np.log([rows.readings[i].resistance or 1.0 for i in use])[:, None, None]
    conducts = np.isfinite(mu)
    apart = np.where(conducts, y - np.where(conducts, mu, 0.0), np.inf)
    own, cup, lot = (part[use][:, :, None, None] for part in (rows.own, rows.cup, rows.lot))
    s = scale[:, None]
    alone = s**2 * ((own[:, 0] * b) ** 2 + own[:, 1] ** 2)
    alone = alone + np.where(rows.slips[use], SLIP**2, 1e-12)[:, None, None]
    shared = s * np.hypot(cup[:, 0] * b, cup[:, 1]) * np.where(b > 0.0, 1.0, -1.0)
    common = [
        np.broadcast_to(s * lot[:, 1], mu.shape),
        np.where(conducts, found.doubts[0, use], 0.0),
        np.where(conducts, -level_spread, 0.0),
    ]
    return _Joint.of(use, apart, alone, shared, rows.by_cup(use), common)


def _changes(rows: _Rows, found: _Predicted, scale: Floats, bench: Bench) -> _Joint:
    """Joint density of the changes of rows.

    Common are the lot and, last, the error of the fit of settings under strain.
    """
    use, tol = rows.which(lambda r: r.relative_change is not None), bench.tolerances
    readings = [rows.readings[i] for i in use]
    size = found.change[use]
    known = np.isfinite(size)
    size = np.where(known, size, 0.0)
    y = np.array([r.log_change for r in readings])[:, None, None]
    films = np.array([r.films for r in readings])[:, None, None]
    strains = np.array([max(abs(r.strain), 1e-12) for r in readings])[:, None, None]
    setting = np.where(strains > 1e-12, tol.strain_setting / strains, 0.0)
    s = scale[:, None]
    own = s**2 * ((setting * size) ** 2 + 2.0 * tol.instrument**2) / films
    level = [_shares(r, bench.level("response"), "response") for r in readings]
    opens = s * tol.response * size

    def at(name: str) -> Floats:
        return np.array([x == name for x in level])[:, None, None] * opens

    own = own + (at(FILM) + at(READING)) ** 2 / films + 1e-12
    # a loading that is off moves the change too
    moved = [
        part[use, 0][:, None, None] * s * found.bend[use] for part in (rows.own, rows.cup)
    ]
    own = own + moved[0] ** 2
    shared = np.hypot(at(CUP), moved[1]) * np.where(size < 0.0, -1.0, 1.0)
    own = own + np.where(rows.slips[use][:, None, None], size**2 + own, 0.0)
    apart = np.where(known, y - size, np.inf)
    common = [at(LOT), np.where(known, found.doubts[1, use], 0.0)]
    return _Joint.of(use, apart, own, shared, rows.by_cup(use), common)


def _opens(rows: _Rows, found: _Predicted, scale: Floats) -> dict[int, Floats]:
    """Log-probability that rows read open as they do, (n, T) each; once a cup."""
    out: dict[int, Floats] = {}
    seen: set[tuple[int, float]] = set()
    for i in rows.which(lambda r: r.is_open):
        reading = rows.readings[i]
        key = int(rows.cups[i]), reading.loading.weight_fraction
        if reading.batch and key in seen:
            continue
        seen.add(key)
        own = np.sqrt(reading.films) * rows.own[i, 0]
        sd = np.maximum(np.hypot(own, rows.cup[i, 0]) * scale, 1e-9)[:, None]
        out[i] = np.log(STRAY_OPEN + (1.0 - STRAY_OPEN) * ndtr(-found.distance[i] / sd))
    return out


def _spreads(rows: _Rows, scale: Floats, model: FilmModel, bench: Bench) -> Floats:
    """Log-likelihood of the bench's scale from rows that tell the spread of their films."""
    out = np.zeros(len(scale))
    for reading in rows.readings:
        if reading.spread is None or reading.films < 2:
            continue
        moves = [
            m for m in row_moves(reading, model, bench)
            if _shares(reading, m.level, m.name) in (READING, FILM)
        ]  # fmt: skip
        slope = 4.0  # exponent 2 at twice the threshold (judgement)
        planned = np.sqrt(sum((slope * m.loading) ** 2 + m.scale**2 for m in moves))
        if planned <= 0.0:
            continue
        ratio, freedom = reading.spread / (planned * scale), reading.films - 1
        out += freedom * (np.log(ratio) - 0.5 * ratio**2)
    return out


@dataclass(frozen=True, slots=True)
class _Told:
    """What rows say at every draw and node; `log_weight` is that of a node, (n, T)."""

    rows: _Rows
    levels: _Joint
    changes: _Joint
    opens: dict[int, Floats]
    log_likelihood: Floats
    log_weight: Floats

    @property
    def logs(self) -> Floats:
        """Log-likelihood times the weight of the node, (n, T)."""
        return self.log_likelihood + self.log_weight

    def without(self, i: int) -> Floats:
        """Give the same without a row."""
        logs = self.logs
        for part in (self.levels, self.changes):
            if i in part.rows:
                logs = logs - part.alone(part.rows.index(i))
        return logs - self.opens[i] if i in self.opens else logs

    def tails(self, i: int) -> list[Floats]:
        """Probabilities of lower readings of a row given the others, (n, T) each."""
        found = []
        for part, slip in ((self.levels, SLIP**2), (self.changes, 0.0)):
            if i in part.rows:
                place = part.rows.index(i)
                found.append(part.below(place, slip if self.rows.slips[i] else 0.0))
        return found


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
    """Rows, model and priors of a posterior; coordinates are those drawn by sampling.

    They are the free numbers of the contacts, the bench's scale, and the simulation error
    where it is not a number that moves ln R in proportion. What a lot of powder is off by
    acts as its threshold does, so that the grid is over both together.
    """

    rows: _Rows
    model: FilmModel
    priors: Priors
    bench: Bench
    free: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        apart = {"threshold", self.model.level if self.level_spread else ""}
        names = tuple(p.name for p in self.priors.free if p.name not in apart)
        object.__setattr__(self, "free", names)

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
        return len(self.free) + 1

    def draws(self, z: Floats) -> Knowledge:
        """Knowledge at coordinates, level and threshold at their medians."""
        k = len(self.free)
        columns = dict(zip(self.free, z[:, :k].T, strict=True))
        zero = np.zeros(len(z))
        own = np.zeros((len(z), len(self.priors.free)))
        for place, prior in enumerate(self.priors.free):
            own[:, place] = columns.get(prior.name, zero)
        noise = np.zeros((len(z), NOISES))
        noise[:, DRAWN] = z[:, k + 1 :]
        return Knowledge(
            "measured", self.priors, own, self.priors.values(own),
            np.full(len(z), 1.0 / len(z)), noise, np.exp(self.bench.scale_spread * z[:, k]),
        )  # fmt: skip

    def told(self, draws: Knowledge, nodes: Floats) -> _Told:
        """Hold the rows against draws and nodes, ln of the threshold's factor."""
        rows, scale = self.rows, draws.scale
        found = _predict(rows.readings, self.model, self.bench, draws, nodes)
        levels = _levels(rows, found, scale, self.level_spread)
        changes = _changes(rows, found, scale, self.bench)
        opens = _opens(rows, found, scale)
        logs = levels.log_density + changes.log_density
        logs = logs + _spreads(rows, scale, self.model, self.bench)[:, None]
        mean, spread = self.threshold
        whole = np.hypot(spread, self.lot * scale)[:, None]
        weight = -0.5 * ((nodes - mean) / whole) ** 2 - np.log(whole)
        weight = weight + np.log((nodes[1] - nodes[0]) / np.sqrt(2.0 * np.pi))
        return _Told(rows, levels, changes, opens, sum(opens.values(), logs), weight)


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
    given the deviation of a slip, the worst first, up to a third of the rows.

    """
    if not readings:
        raise ValueError("no measured row")
    if not priors.free:
        raise ValueError("every parameter is held, so the readings have nothing to tell")

    def child(i: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))

    problem = _Problem(_Rows.of(readings, model, bench), model, priors, bench)
    start = spread_points(ROUND, problem.dimension + len(DRAWN), child(0))
    problem, whole = _with_slips(problem, problem.draws(start))

    for attempt in (1, 2):
        draws, weights, nodes, told = _sampled(problem, whole, child(attempt))
        chances = _left_out(told, _log(weights) - _log_sum(told.logs))
        # draws of the prior alone may name a row that the others do not speak against
        forgiven = problem.rows.slips & (chances >= FORGIVEN)
        if not forgiven.any() or attempt == 2:
            break
        rows = replace(problem.rows, slips=problem.rows.slips & ~forgiven)
        problem = replace(problem, rows=rows)
    knowledge = _handed_on(problem, draws, weights, nodes, told, child(3), n)
    before = day_one(priors, child(4), ROUND, bench.scale_spread)
    materials = tuple((known, known.material(model)) for known in (knowledge, before))
    checks = tuple(
        _check(problem, i, materials, chances[i], child(5)) for i in range(len(readings))
    )
    return Posterior(
        knowledge,
        float(1.0 / (weights**2).sum()),
        checks,
        _narrowing(knowledge, bench.scale_spread),
        _correlations(knowledge),
    )


def _sampled(
    problem: _Problem, whole: Floats, seed: np.random.SeedSequence
) -> tuple[Knowledge, Floats, Floats, _Told]:
    """Draws of the posterior, their weights, nodes, and what the rows say there."""

    def log_likelihood(z: Floats) -> Floats:
        return _log_sum(problem.told(problem.draws(z), whole).logs)

    z, weights = importance_sample(
        log_likelihood, problem.dimension, seed, beside=len(DRAWN)
    )
    draws = problem.draws(z)
    told = problem.told(draws, whole)
    total = _log_sum(told.logs)
    # a finer grid where the readings leave the threshold
    nodes = _window(whole, told.logs + (_log(weights) - total)[:, None])
    told = problem.told(draws, nodes)
    weights = weights * np.exp(np.clip(_log_sum(told.logs) - total, -50.0, 50.0))
    return draws, weights / weights.sum(), nodes, told


def _log(weights: Floats) -> Floats:
    """Ln of weights, those that underflow left aside."""
    return np.where(weights > 1e-200, np.log(np.maximum(weights, 1e-200)), -np.inf)


def _log_sum(logs: Floats) -> Floats:
    """Ln of the sum over the nodes."""
    top = logs.max(axis=1)
    return np.asarray(np.log(np.exp(logs - top[:, None]).sum(axis=1)) + top)


def _window(nodes: Floats, logs: Floats) -> Floats:
    """As many nodes over the part of the grid that matters, logs (n, T) of draws' nodes."""
    of_node = np.exp(_log_sum(logs.T) - logs.max())
    kept = np.flatnonzero(of_node > NEGLIGIBLE * of_node.max())
    step = nodes[1] - nodes[0]
    return np.linspace(nodes[kept[0]] - step, nodes[kept[-1]] + step, GRID)


def _with_slips(problem: _Problem, draws: Knowledge) -> tuple[_Problem, Floats]:
    """Name rows that the others speak against, and bound the threshold's grid.

    Over draws of the prior, which other rows weigh.
    """
    mean, spread = problem.threshold
    reach = REACH * np.hypot(spread, problem.lot)
    nodes = np.linspace(mean - reach, mean + reach, 2 * GRID)
    told = problem.told(draws, nodes)
    for _ in range(max(1, len(problem.rows) // 3)):
        if len(problem.rows) < 3:
            break
        p = _left_out(told, np.zeros(len(draws)))
        p = np.where(problem.rows.slips, 1.0, p)
        if p.min() >= OUTLIER:
            break
        slips = problem.rows.slips.copy()
        slips[int(p.argmin())] = True
        problem = replace(problem, rows=replace(problem.rows, slips=slips))
        told = problem.told(draws, nodes)
    return problem, _window(nodes, told.logs)


def _left_out(told: _Told, log_prior: Floats) -> Floats:
    """Two-sided probability of each row given the others, (rows,).

    Parameters
    ----------
    told : _Told
        What the rows say at draws.
    log_prior : (n,) ndarray of float
        Log of the weight of each draw before any row.

    """
    out = np.empty(len(told.rows))
    for i, reading in enumerate(told.rows.readings):
        logs = told.without(i) + log_prior[:, None]
        w = np.exp(logs - logs.max())
        w /= w.sum()
        if reading.is_open:
            chance = np.exp(told.opens[i]) if i in told.opens else np.ones_like(w)
            out[i] = float((w * chance).sum())
            continue
        tails = [float((w * tail).sum()) for tail in told.tails(i)]
        out[i] = min(1.0, min(2.0 * min(t, 1.0 - t) for t in tails) * len(tails))
    return out


def _handed_on(
    problem: _Problem,
    draws: Knowledge,
    weights: Floats,
    nodes: Floats,
    told: _Told,
    seed: np.random.SeedSequence,
    n: int,
) -> Knowledge:
    """N draws of equal weight: of a draw, a node, and the level given both."""
    joint = np.exp(told.logs - _log_sum(told.logs)[:, None]) * weights[:, None]
    rng = np.random.default_rng(seed)
    places = (np.arange(n) + rng.random()) / n
    picked = np.searchsorted(np.cumsum(joint.ravel()) / joint.sum(), places)
    rows, at = np.divmod(np.minimum(picked, joint.size - 1), len(nodes))
    step = nodes[1] - nodes[0]
    inside = (rng.permutation(n) + rng.random(n)) / n - 0.5
    factor = nodes[at] + step * inside
    aside = np.clip(at + np.where(inside < 0.0, -1, 1), 0, len(nodes) - 1)

    def given(part: _Joint) -> list[Floats]:
        """Draw what rows have in common, given the threshold there, not at the node."""
        found: list[Floats] = []
        for means, left in zip(reversed(part.means), reversed(part.left), strict=True):
            near = [
                m[rows, at] + np.abs(inside) * (m[rows, aside] - m[rows, at]) for m in means
            ]
            own = ndtri((rng.permutation(n) + 0.5) / n)
            later = sum(m * z for m, z in zip(near[1:], found, strict=True))
            found.insert(0, near[0] + later + np.sqrt(left[rows, at]) * own)
        return found

    _, at_rest, z_level = given(told.levels)
    _, by_strain = given(told.changes)
    noise = draws.noise[rows]
    noise[:, 1], noise[:, 2] = at_rest, by_strain
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


def _check(
    problem: _Problem,
    i: int,
    materials: Sequence[tuple[Knowledge, Material]],
    probability: float,
    seed: np.random.SeedSequence,
) -> RowCheck:
    """One row against the others, and what such films would read."""
    rows, reading = problem.rows, problem.rows.readings[i]
    bands: list[Band | None] = []
    for known, material in materials:
        level, change, slope = _at_draws(problem, reading, known, material)
        own, moved = np.random.default_rng(seed).standard_normal((2, len(level)))
        parts = (rows.own[i], rows.cup[i], rows.lot[i])
        scatter = np.sqrt(sum((p[0] * slope) ** 2 + p[1] ** 2 for p in parts))
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
    problem: _Problem, reading: Reading, known: Knowledge, material: Material
) -> tuple[Floats, Floats, Floats]:
    """Ln R, its change and its slope of a row's film at every draw, (n,) each."""
    model, visits = problem.model, problem.model.visits
    w = visits.weights_at(reading.strain, reading.temperature)
    used = sorted({visits.rest, *(int(s) for s in np.flatnonzero(w))})
    steps = 1e-3 * np.array([0.0, -1.0, 1.0])
    at = np.log(reading.loading.volume_fraction) - known.log_factor[:, None] + steps
    logs = material.log_resistance(reading.film, at, used)
    rest, there = logs[..., used.index(visits.rest)], _weighted(logs, w[used])
    both = np.isfinite(rest) & np.isfinite(there)
    change = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
    change = np.where(both, change, np.inf)[:, 0]
    read = rest if reading.relative_change is not None else there
    slope = _gradient(read[:, [1, 0, 2]], -1e-3)[:, 1]
    ratio = np.exp(at[:, 0]) / model.own_threshold(known.contacts)
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


# ------------------------------------------------------------------------------------------
# Sampler
# ------------------------------------------------------------------------------------------


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
