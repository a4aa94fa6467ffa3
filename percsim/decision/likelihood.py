r"""Stage 8. Rows of films that were read, and how probable they are.

Given contacts and threshold, ln R of a row of films and its change are normal. What moves
them is shared as the bench says: by the films of a cup, by a lot of powder, by nobody; g0
and what the boxes leave open by all. So all that was read is jointly normal.
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
from percsim.film.noise import BOXES, NOISES
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "STRAY_OPEN", "Moves", "Predicted", "Reading", "Rows", "Told", "open_chances",
    "predict", "row_moves", "slope_along", "spread_density", "tell", "weighted",
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
        ln of the volume fraction over the film's own threshold; of open rows under strain
        over that there.
    doubts : (2, rows, n, T) ndarray of float
        What the errors of the fit of settings, at rest and under strain, move level and
        change by.
    boxes : (2, rows, numbers, 1 or n, T) ndarray of float
        What the numbers of the boxes' own error move level and change by.

    """

    level: Floats
    change: Floats
    slope: Floats
    bend: Floats
    distance: Floats
    doubts: Floats
    boxes: Floats


def predict(
    readings: Sequence[Reading],
    model: FilmModel,
    bench: Bench,
    draws: Knowledge,
    log_factors: Floats,
) -> Predicted:
    """Predict every row at every draw and node.

    Parameters
    ----------
    readings, model, bench, draws
        Rows, the model of their mix, what scatters films, and draws of what is not known.
    log_factors : (T,) or (n, T) ndarray of float
        Nodes of ln of the threshold's factor, evenly spaced, or of each draw.

    """
    visits, log_factors = model.visits, np.atleast_2d(log_factors)
    at = [visits.weights_at(r.strain, r.temperature) for r in readings]
    used = sorted({visits.rest, *(int(s) for w in at for s in np.flatnonzero(w))})
    material = draws.material(model, used)
    own = np.log(draws.own_threshold(model))
    shape = (len(readings), len(draws), log_factors.shape[1])
    level, change, slope, bend, distance = (np.zeros(shape) for _ in range(5))
    doubts = np.zeros((2, *shape))
    parts = np.zeros((2, len(readings), NOISES - BOXES.start, *log_factors.shape))
    step = log_factors[0, 1] - log_factors[0, 0]
    errors = np.stack(model.setting_errors(draws.contacts, used[-1]))
    known: dict[float, tuple[tuple[Floats, Floats], Floats]] = {}
    for i, reading in enumerate(readings):
        phi = reading.loading.volume_fraction
        log_phi = np.log(phi) - log_factors
        if phi not in known:
            near = model.between(log_phi.ravel()).reshape(-1, *log_phi.shape)
            known[phi] = material.at(log_phi, used), near
        place, near = known[phi]
        distance[i] = log_phi - own[:, None]
        if reading.is_open:
            if reading.strain != 0.0:
                distance[i] = material.margin(log_phi, int(at[i].argmax()))
            continue
        doubts[:, i] = np.einsum("enk,kmt->ent" if len(log_phi) == 1 else "enk,knt->ent",
                                 errors, near)  # fmt: skip
        logs = material.read(reading.film, *place, used) + bench.shift(reading.film)
        rest, there = logs[..., used.index(visits.rest)], weighted(logs, at[i][used])
        moved = model.log_errors[BOXES] @ at[i], model.log_errors[BOXES, :, visits.rest]
        changes = reading.relative_change is not None
        level[i] = rest if changes else there
        parts[0, i] = np.tensordot(moved[1 if changes else 0], near, 1)
        if changes:
            both = np.isfinite(rest) & np.isfinite(there)
            change[i] = np.where(both, there, 0.0) - np.where(both, rest, 0.0)
            change[i][~both] = np.inf
            bend[i] = slope_along(change[i], step)
            parts[1, i] = np.tensordot(moved[0] - moved[1], near, 1)
        slope[i] = slope_along(level[i], step)
        uneven = bench.unevenness(
            reading.film, reading.loading.log_slope, slope[i], np.exp(distance[i])
        )
        level[i] += uneven * draws.scale[:, None] ** 2
    return Predicted(level, change, slope, bend, distance, doubts, parts)


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
class Moves:
    """What was read at every draw and node, less what is predicted, and what moves it.

    Levels of rows come first, then changes: m in all.

    Parameters
    ----------
    row, cup : (m,) ndarray of int
        Row of each, and its cup.
    apart : (m, n, T) ndarray of float
        Reading less prediction, 0 where the film would be open.
    conducts : (m, n, T) ndarray of bool
        Where it would not.
    own : (m, n, T) ndarray of float
        Variance of each alone.
    loading : (2, m, n, T) ndarray of float
        What a normal number of the loading of a row, and of a cup, moves each by.
    of_cup : (2, m, n, T) ndarray of float
        What normal numbers that the level of a cup has, and how far its contacts open, move
        each by.
    shared : tuple of (m, n, T) ndarray of float, broadcast
        The same of numbers that all have in common: ln of the parameter that R goes as the
        inverse of, the fit of settings at rest and under strain, what a lot does to R and
        to how far contacts open.
    boxes : (numbers, m, n, T) ndarray of float, n broadcast
        The same of the numbers of the boxes' own error.
    slip : (m,) ndarray of float
        Variance that a slip of ln R adds, part of `own`.

    """

    row: NDArray[np.int64]
    cup: NDArray[np.int64]
    apart: Floats
    conducts: NDArray[np.bool_]
    own: Floats
    loading: Floats
    of_cup: Floats
    shared: tuple[Floats, ...]
    boxes: Floats
    slip: Floats

    @classmethod
    def of(
        cls, rows: Rows, found: Predicted, scale: Floats, level_spread: float, bench: Bench
    ) -> Moves:
        """Gather levels and changes of rows; `scale` (n,) is that of the bench."""
        told = rows.which(lambda r: r.resistance is not None and not r.is_open)
        responds = rows.which(lambda r: r.relative_change is not None)
        row, k = np.array([*told, *responds], dtype=np.int64), len(told)
        of, s = [rows.readings[i] for i in row], scale[:, None]
        values = np.concatenate([found.level[told], found.change[responds]])
        conducts = np.isfinite(values)
        size = np.where(conducts, values, 0.0)
        size[:k] = 0.0  # how far contacts open moves changes alone
        read = [np.log(r.resistance or 1.0) for r in of[:k]] + [
            r.log_change for r in of[k:]
        ]
        apart = np.array(read)[:, None, None] - np.where(conducts, values, 0.0)

        own, cup, lot = (x[row][:, :, None, None] for x in (rows.own, rows.cup, rows.lot))
        is_level = (np.arange(len(row)) < k).astype(np.float64)[:, None, None]
        slope = np.concatenate([found.slope[told], found.bend[responds]])
        films = np.array([r.films for r in of])[:, None, None]
        tol, strains = bench.tolerances, np.array([abs(r.strain) for r in of])
        setting = np.where(
            strains > 0.0, tol.strain_setting / np.maximum(strains, 1e-12), 0.0
        )
        opens = s * tol.response * size
        level = [shared_by(r, bench.level("response"), "response") for r in of]

        def at(*names: str) -> Floats:
            return np.array([x in names for x in level])[:, None, None] * opens

        read_twice = (setting[:, None, None] * size) ** 2 + 2.0 * tol.instrument**2
        variance = s**2 * np.where(is_level > 0.0, own[:, 1] ** 2, read_twice / films)
        variance = variance + at(FILM, READING) ** 2 / films + 1e-12
        slips = rows.slips[row][:, None, None]
        variance += slips * np.where(is_level > 0.0, SLIP**2, size**2 + variance)
        none = np.zeros((len(row) - k, *found.doubts.shape[2:]))
        # a level read under strain errs by both
        strained = np.array([r.relative_change is None for r in of[:k]]) * (strains[:k] > 0)
        doubts = (
            np.concatenate([found.doubts[0, told], none]),
            np.concatenate(
                [strained[:, None, None] * found.doubts[1, told], found.doubts[1, responds]]
            ),
        )
        return cls(
            row, rows.cups[row], np.where(conducts, apart, 0.0), conducts, variance,
            s * np.stack([own[:, 0], cup[:, 0]]) * slope,
            np.stack([s * is_level * cup[:, 1] + 0.0 * slope, at(CUP)]),
            (-level_spread * is_level, *doubts, s * is_level * lot[:, 1], at(LOT)),
            np.concatenate([found.boxes[0, told], found.boxes[1, responds]]).swapaxes(0, 1),
            SLIP**2 * (slips * is_level)[:, 0, 0],
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.row)

    def covariance(self) -> dict[tuple[int, int], Floats]:
        """Of each with itself and those before it, (n, T); open ones stand alone."""
        boxes = np.einsum("gint,gjnt->ijnt", self.boxes, self.boxes)
        found = {}
        for i in range(len(self)):
            for j in range(i + 1):
                total = boxes[i, j] + sum(v[i] * v[j] for v in self.shared)
                if i == j:
                    total = total + self.own[i]
                pairs = []
                if self.row[i] == self.row[j]:
                    pairs.append(self.loading[0])
                if self.cup[i] == self.cup[j]:
                    pairs += [self.loading[1], *self.of_cup]
                total = total + sum(v[i] * v[j] for v in pairs)
                both = self.conducts[i] & self.conducts[j]
                found[i, j] = np.where(both, total, float(i == j))
        return found

    def given(self, at: int, normals: Floats) -> Floats:
        """Draw the numbers that all have in common, given what was read.

        Parameters
        ----------
        at : int
            Node, of those of each draw.
        normals : (n, len(shared) + numbers of boxes + m) ndarray of float
            Standard normal numbers.

        Returns
        -------
        (n, len(shared) + numbers of boxes) ndarray of float
            In the order of `shared`, then `boxes`.

        Notes
        -----
        By moving a draw of the prior by what its own readings are off (Matheron's rule;
        from memory).

        """
        shape, m = self.apart.shape, len(self)
        shared = [np.broadcast_to(v, shape)[..., at] for v in (*self.shared, *self.boxes)]
        V = np.where(self.conducts[..., at], np.stack(shared), 0.0).transpose(2, 1, 0)
        whole = np.zeros((shape[1], m, m))
        for (i, j), c in self.covariance().items():
            whole[:, i, j] = whole[:, j, i] = c[:, at]
        z, e = normals[:, : V.shape[2]], normals[:, V.shape[2] :]
        apart = np.linalg.cholesky(whole - V @ V.swapaxes(1, 2) + 1e-12 * np.eye(m))
        read = (V @ z[..., None] + apart @ e[..., None])[..., 0]
        off = np.linalg.solve(whole, (self.apart[..., at].T - read)[..., None])
        return np.asarray(z + (V.swapaxes(1, 2) @ off)[..., 0])


@dataclass(frozen=True, slots=True)
class Told:
    """What rows say at every draw and node, (n, T) each.

    Parameters
    ----------
    log_likelihood, log_weight : (n, T) ndarray of float
        Of all rows, and of the node.
    alone : dict of int to (n, T) ndarray of float
        Log-density of each row given the others, where asked for.
    tails : dict of int to list of (n, T) ndarray of float
        Probabilities of lower readings of each row given the others, slips apart.

    """

    log_likelihood: Floats
    log_weight: Floats
    alone: dict[int, Floats]
    tails: dict[int, list[Floats]]

    @property
    def logs(self) -> Floats:
        """Log-likelihood times the weight of the node, (n, T)."""
        return self.log_likelihood + self.log_weight

    @classmethod
    def joined(cls, parts: Sequence[Told]) -> Told:
        """Those of one draw after the other."""
        first = parts[0]
        return cls(
            np.concatenate([p.log_likelihood for p in parts]),
            np.concatenate([p.log_weight for p in parts]),
            {i: np.concatenate([p.alone[i] for p in parts]) for i in first.alone},
            {
                i: [
                    np.concatenate(t)
                    for t in zip(*(p.tails[i] for p in parts), strict=True)
                ]
                for i in first.tails
            },
        )


def tell(
    moves: Moves, *, each: bool
) -> tuple[Floats, dict[int, Floats], dict[int, list[Floats]]]:
    """Joint log-density of what was read, and what `Told` holds of each row if asked."""
    m, covariance = len(moves), moves.covariance()
    root: dict[tuple[int, int], Floats] = {}
    scaled: list[Floats] = []
    density = IMPOSSIBLE * (~moves.conducts).sum(axis=0)
    for i in range(m):  # Cholesky, row by row
        for j in range(i + 1):
            left = covariance[i, j] - sum(root[i, c] * root[j, c] for c in range(j))
            root[i, j] = np.sqrt(np.maximum(left, 1e-12)) if i == j else left / root[j, j]
        left = moves.apart[i] - sum(root[i, c] * scaled[c] for c in range(i))
        scaled.append(left / root[i, i])
        density = density - 0.5 * scaled[i] ** 2 - np.log(root[i, i])
    alone: dict[int, Floats] = {}
    tails: dict[int, list[Floats]] = {}
    if not each:
        return density, alone, tails
    inverse: dict[tuple[int, int], Floats] = {}
    for j in range(m):
        inverse[j, j] = 1.0 / root[j, j]
        for i in range(j + 1, m):
            total = sum(root[i, c] * inverse[c, j] for c in range(j, i))
            inverse[i, j] = -total / root[i, i]
    off = [sum(inverse[c, i] * scaled[c] for c in range(i, m)) for i in range(m)]

    def precision(i: int, j: int) -> Floats:
        return np.asarray(sum(inverse[c, i] * inverse[c, j] for c in range(max(i, j), m)))

    for k in np.unique(moves.row):
        # level and change of a row together, given all others
        mine = np.flatnonzero(moves.row == k)
        i, j = int(mine[0]), int(mine[-1])
        a, b, c = precision(i, i), precision(i, j), precision(j, j)
        if i == j:
            b, c = np.zeros_like(a), np.ones_like(a)
        determinant = a * c - b**2
        found = []
        for place, here, other in ((i, c, j), (j, a, i))[: len(mine)]:
            cross = b * off[other] if i != j else 0.0
            mean, variance = (here * off[place] - cross) / determinant, here / determinant
            left = np.maximum(variance - moves.slip[place], 1e-12)
            found.append((place, mean, ndtr(mean / np.sqrt(left))))
        square = sum(mean * off[place] for place, mean, _ in found)
        closed = sum(~moves.conducts[place] for place, _, _ in found)
        alone[int(k)] = -0.5 * (square - np.log(determinant)) + IMPOSSIBLE * closed
        tails[int(k)] = [np.where(moves.conducts[place], t, 0.0) for place, _, t in found]
    return density, alone, tails


def open_chances(rows: Rows, found: Predicted, scale: Floats) -> dict[int, Floats]:
    """Log-probability that rows read open as they do, (n, T) each; once a cup.

    Films of a cup are open together, but for those that are so for reasons of their own.
    """
    out: dict[int, Floats] = {}
    films: dict[tuple[int, float] | int, int] = {}
    first: dict[tuple[int, float] | int, int] = {}
    for i in rows.which(lambda r: r.is_open):
        reading = rows.readings[i]
        cup = (int(rows.cups[i]), reading.loading.weight_fraction) if reading.batch else i
        first.setdefault(cup, i)
        films[cup] = films.get(cup, 0) + reading.films
    for cup, i in first.items():
        own = np.sqrt(rows.readings[i].films) * rows.own[i, 0]
        sd = np.maximum(np.hypot(own, rows.cup[i, 0]) * scale, 1e-9)[:, None]
        stray = STRAY_OPEN ** films[cup]
        out[i] = np.log(stray + (1.0 - stray) * ndtr(-found.distance[i] / sd))
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
