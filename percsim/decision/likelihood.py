r"""Stage 8. Rows of films that were read, and how probable they are.

Given contacts, threshold and simulation error, ln R of a row of films is normal. What
scatters it is shared as the bench says: by the films of a cup, by a lot of powder, by
nobody; g0 is shared by all. So rows are jointly normal with a few common numbers, which are
integrated in closed form.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from percsim.decision.knowledge import Knowledge
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move
from percsim.film.electrodes import Film
from percsim.film.model import FilmModel, Loading
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "STRAY_OPEN", "Joint", "Predicted", "Reading", "Rows", "Told", "change_density",
    "level_density", "open_chances", "predict", "row_moves", "slope_along",
    "spread_density", "weighted",
]  # fmt: skip

Floats = NDArray[np.float64]

SLIP = float(np.log(10.0))
"""Deviation of ln R of a row that is off for reasons of its own, a wrong cup or unit."""
STRAY_OPEN = 0.01
"""Share of films that read open for reasons of their own: a crack, a lost electrode
(judgement, no source)."""
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


@dataclass(frozen=True, slots=True)
class Rows:
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
    def of(cls, readings: Sequence[Reading], model: FilmModel, bench: Bench) -> Rows:
        """Gather readings with the scatter a bench gives each."""
        names: dict[object, int] = {}
        cups = [names.setdefault(r.batch or (i,), len(names))
                for i, r in enumerate(readings)]  # fmt: skip
        parts = np.array([row_scatter(r, model, bench) for r in readings])
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


def shared_by(reading: Reading, level: str, name: str) -> str:
    """Level that a tolerance has for a row: films of no named cup were mixed apart."""
    apart = not reading.batch and level == CUP and name != "weighing"
    return FILM if apart else level


def row_scatter(reading: Reading, model: FilmModel, bench: Bench) -> Floats:
    """Deviations of the mean of a row's films: own, of the cup, of the lot, (3, 2)."""
    n, out = reading.films, np.zeros((3, 2))
    for move in row_moves(reading, model, bench):
        level = shared_by(reading, move.level, move.name)
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
class Predicted:
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


def predict(
    readings: Sequence[Reading],
    model: FilmModel,
    bench: Bench,
    draws: Knowledge,
    log_factors: Floats,
) -> Predicted:
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
        rest, there = logs[..., used.index(visits.rest)], weighted(logs, at[i][used])
        level[i] = rest if reading.relative_change is not None else there
        if reading.relative_change is not None:
            both = np.isfinite(rest) & np.isfinite(there)
            change[i] = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
            change[i][~both] = np.inf
            bend[i] = slope_along(change[i], step)
        slope[i] = slope_along(level[i], step)
        uneven = bench.unevenness(
            reading.film, reading.loading.log_slope, slope[i], np.exp(distance[i])
        )
        level[i] += uneven * draws.scale[:, None] ** 2
    return Predicted(level, change, slope, bend, distance, doubts)


def weighted(logs: Floats, weights: Floats) -> Floats:
    """Weighted sum over visits; open where one that counts is."""
    counts = weights != 0.0
    finite = np.isfinite(logs[..., counts])
    total = np.where(finite, logs[..., counts], 0.0) @ weights[counts]
    return np.where(finite.all(axis=-1), total, np.inf)


def slope_along(level: Floats, step: float) -> Floats:
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
class Joint:
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
    ) -> Joint:
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


def level_density(
    rows: Rows, found: Predicted, scale: Floats, level_spread: float
) -> Joint:
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
    return Joint.of(use, apart, alone, shared, rows.by_cup(use), common)


def change_density(rows: Rows, found: Predicted, scale: Floats, bench: Bench) -> Joint:
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
    level = [shared_by(r, bench.level("response"), "response") for r in readings]
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
    return Joint.of(use, apart, own, shared, rows.by_cup(use), common)


def open_chances(rows: Rows, found: Predicted, scale: Floats) -> dict[int, Floats]:
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


def spread_density(rows: Rows, scale: Floats, model: FilmModel, bench: Bench) -> Floats:
    """Log-likelihood of the bench's scale from rows that tell the spread of their films."""
    out = np.zeros(len(scale))
    for reading in rows.readings:
        if reading.spread is None or reading.films < 2:
            continue
        moves = [
            m for m in row_moves(reading, model, bench)
            if shared_by(reading, m.level, m.name) in (READING, FILM)
        ]  # fmt: skip
        slope = 4.0  # exponent 2 at twice the threshold (judgement)
        planned = np.sqrt(sum((slope * m.loading) ** 2 + m.scale**2 for m in moves))
        if planned <= 0.0:
            continue
        ratio, freedom = reading.spread / (planned * scale), reading.films - 1
        out += freedom * (np.log(ratio) - 0.5 * ratio**2)
    return out


@dataclass(frozen=True, slots=True)
class Told:
    """What rows say at every draw and node; `log_weight` is that of a node, (n, T)."""

    rows: Rows
    levels: Joint
    changes: Joint
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
