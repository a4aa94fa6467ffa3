r"""Stage 8. Rows of films that were read, and how probable they are.

Given contacts and threshold, ln R of a row of films and its change are normal. What moves
them is shared as the bench says: by the films of a cup, by a lot of powder, by nobody; g0
and what the boxes leave open by all. So all that was read is jointly normal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from percsim.decision.knowledge import Knowledge
from percsim.film.bench import CUP, FILM, LOT, READING, Bench, Move
from percsim.film.electrodes import Film
from percsim.film.model import PULLS, FilmModel, Loading
from percsim.film.noise import BOXES, NOISES
from percsim.film.visits import Visits
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "STRAY_OPEN", "Moves", "Predicted", "Reading", "Rows", "Told", "open_chances",
    "predict", "row_moves", "slope_along", "spread_density", "tell",
    "visits_used", "weighted",
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
    pull : {"first", "conditioned"}
        Which pull a reading under strain is of; a conditioned film changes over its own
        zero.

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
    pull: str = "first"

    def __post_init__(self) -> None:
        if self.pull not in PULLS:
            raise ValueError(f"{self.label}: pull must be one of {', '.join(PULLS)}")
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

    def tells_pull(self, pull: str) -> bool:
        """Whether it is what strain changes on such a pull."""
        return self.relative_change is not None and self.strain != 0.0 and self.pull == pull

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
    used = visits_used(readings, visits)
    materials = {
        pull: draws.material(model.on(pull), used) for pull in {r.pull for r in readings}
    }
    own = materials[readings[0].pull].log_own_threshold
    shape = (len(readings), len(draws), log_factors.shape[1])
    level, change, slope, bend, distance = (np.zeros(shape) for _ in range(5))
    doubts = np.zeros((2, *shape))
    parts = np.zeros((2, len(readings), NOISES - BOXES.start, *log_factors.shape))
    step = log_factors[0, 1] - log_factors[0, 0]
    known: dict[tuple[float, str], tuple[tuple[Floats, Floats], Floats]] = {}
    for i, reading in enumerate(readings):
        phi, material = reading.loading.volume_fraction, materials[reading.pull]
        log_phi = np.log(phi) - log_factors
        distance[i] = log_phi - own[:, None]
        if reading.is_open:
            if reading.strain != 0.0:
                distance[i] = material.margin(log_phi, int(at[i].argmax()))
            continue
        at_loading = phi, reading.pull
        if at_loading not in known:
            near = model.between(log_phi.ravel()).reshape(-1, *log_phi.shape)
            known[at_loading] = material.ohmic(*material.at(log_phi, used), used), near
        ohmic, near = known[at_loading]
        assert material.doubts is not None
        errors = material.doubts[..., used[-1]]
        doubts[:, i] = (
            errors @ near[:, 0] if len(log_phi) == 1 else
            np.einsum("enk,knt->ent", errors, near)
        )  # fmt: skip
        changes = reading.relative_change is not None
        mine = {int(s) for s in np.flatnonzero(at[i])}
        mine |= {visits.rest} if changes else set()
        logs = {
            s: material.of_film(reading.film, *(x[..., used.index(s)] for x in ohmic))
            + bench.shift(reading.film)
            for s in mine
        }
        there = _weighted(logs, at[i])
        moved = model.log_errors[BOXES] @ at[i], model.log_errors[BOXES, :, visits.rest]
        level[i] = logs[visits.rest] if changes else there
        parts[0, i] = np.tensordot(moved[1 if changes else 0], near, 1)
        if changes:
            with np.errstate(invalid="ignore"):
                change[i] = there - level[i]
            change[i][np.isnan(change[i]) | np.isinf(level[i])] = np.inf
            bend[i] = slope_along(change[i], step)
            parts[1, i] = np.tensordot(moved[0] - moved[1], near, 1)
        slope[i] = slope_along(level[i], step)
        uneven = bench.unevenness(
            reading.film, reading.loading.log_slope, slope[i], np.exp(distance[i])
        )
        level[i] += uneven * draws.scale[:, None] ** 2
    return Predicted(level, change, slope, bend, distance, doubts, parts)


def visits_used(readings: Sequence[Reading], visits: Visits) -> list[int]:
    """Visits that rows are read at, or between."""
    at = [visits.weights_at(r.strain, r.temperature) for r in readings]
    return sorted({visits.rest, *(int(s) for w in at for s in np.flatnonzero(w))})


def _weighted(logs: Mapping[int, Floats], weights: Floats) -> Floats:
    """Weighted sum over visits, each alone; open where one that counts is."""
    counts = np.flatnonzero(weights)
    if len(counts) == 1 and weights[counts[0]] == 1.0:
        return logs[int(counts[0])]
    return weighted(np.stack([logs[int(s)] for s in counts], axis=-1), weights[counts])


def weighted(logs: Floats, weights: Floats) -> Floats:
    """Weighted sum over visits; open where one that counts is."""
    counts = weights != 0.0
    finite = np.isfinite(logs[..., counts])
    total = np.where(finite, logs[..., counts], 0.0) @ weights[counts]
    return np.where(finite.all(axis=-1), total, np.inf)


def slope_along(level: Floats, step: float) -> Floats:
    """D ln R / d ln phi from neighbouring nodes of the factor, (n, T); 0 if unknown."""
    with np.errstate(invalid="ignore"):
        up = np.diff(level, axis=1)
    up /= step
    good = np.isfinite(up)
    total = np.zeros_like(level)
    if good.all():
        total[:, 1:-1] = 0.5 * (up[:, 1:] + up[:, :-1])
        total[:, [0, -1]] = up[:, [0, -1]]
        return -total
    up[~good] = 0.0
    count = np.zeros_like(level)
    for part, one in ((total, up), (count, good)):
        part[:, :-1] += one
        part[:, 1:] += one
    return -total / np.maximum(count, 1.0)


LEVEL, AT_REST_DOUBT, STRAIN_DOUBT, OF_LOT, LOT_OPENS = SHARED = (
    "level", "doubt at rest", "doubt under strain", "lot", "lot opens",
)  # fmt: skip
"""Normal numbers that all readings have in common: ln of the parameter that R goes as the
inverse of, the fit of settings at rest and under strain, what a lot does to R and to how
far contacts open."""


@dataclass(frozen=True, slots=True)
class Moves:
    """What was read at every draw and node, less what is predicted, and what moves it.

    Levels of rows come first, then changes: m in all. Arrays are (n, T) or broadcast to it.

    Parameters
    ----------
    row : (m,) ndarray of int
        Row of each.
    apart : (m, n, T) ndarray of float
        Reading less prediction, 0 where the film would be open.
    conducts : (m, n, T) ndarray of bool
        Where it would not.
    own : tuple of ndarray of float
        Variance of each alone, open films not minded.
    by : tuple of dict of tuple to ndarray of float
        What each normal number that more than one may have in common moves it by: those of
        `SHARED`, and of its row and cup.
    boxes : (numbers, m, 1 or n, T) ndarray of float
        The same of the numbers of the boxes' own error.
    slip : (m,) ndarray of float
        Variance that a slip of ln R adds, part of `own`.

    """

    row: NDArray[np.int64]
    apart: Floats
    conducts: NDArray[np.bool_]
    own: tuple[Floats, ...]
    by: tuple[dict[tuple[object, ...], Floats], ...]
    boxes: Floats
    slip: Floats

    @classmethod
    def of(
        cls, rows: Rows, found: Predicted, scale: Floats, level_spread: float, bench: Bench
    ) -> Moves:
        """Gather levels and changes of rows; `scale` (n,) is that of the bench."""
        told = rows.which(lambda r: r.resistance is not None and not r.is_open)
        responds = rows.which(lambda r: r.relative_change is not None)
        row, k, s = np.array([*told, *responds], dtype=np.int64), len(told), scale[:, None]
        apart = np.zeros((len(row), *found.level.shape[1:]))
        conducts = np.ones(apart.shape, dtype=np.bool_)
        own, by = [], []
        for at, i in enumerate(row):
            reading = rows.readings[i]
            if at < k:
                value, read = found.level[i], np.log(reading.resistance or 1.0)
                variance, moves = _level_moves(rows, int(i), found, s, level_spread)
            else:
                value, read = found.change[i], reading.log_change
                variance, moves = _change_moves(rows, int(i), found, s, bench)
            bent = _curvature(rows, int(i), found, s, change=at >= k)
            more, squares = _squared(rows, int(i), bent, s)
            value, moves = value + more, moves | squares
            conducts[at] = np.isfinite(value)
            np.subtract(read, value, out=apart[at], where=conducts[at])
            own.append(variance)
            by.append(moves)
        slip = np.where(rows.slips[row] & (np.arange(len(row)) < k), SLIP**2, 0.0)
        boxes = np.concatenate([found.boxes[0, told], found.boxes[1, responds]])
        return cls(row, apart, conducts, tuple(own), tuple(by), boxes.swapaxes(0, 1), slip)

    def __len__(self) -> int:
        return len(self.row)

    def covariance(self) -> dict[tuple[int, int], Floats]:
        """Of each with itself and those before it, (n, T); open ones stand alone."""
        closed = None if self.conducts.all() else self.conducts.astype(np.float64)
        boxes = np.einsum("gint,gjnt->ijnt", self.boxes, self.boxes)
        found = {}
        for i in range(len(self)):
            for j in range(i + 1):
                total = boxes[i, j] + (self.own[i] if i == j else 0.0)
                for name, move in self.by[i].items():
                    if name in self.by[j]:
                        total = total + move * self.by[j][name]
                if closed is not None:
                    total = total * closed[i] * (1.0 if i == j else closed[j])
                    total += 1.0 - closed[i] if i == j else 0.0
                found[i, j] = total
        return found

    def given(self, at: int, normals: Floats) -> Floats:
        """Draw the numbers that all have in common, given what was read.

        Parameters
        ----------
        at : int
            Node, of those of each draw.
        normals : (n, len(SHARED) + numbers of boxes + m) ndarray of float
            Standard normal numbers.

        Returns
        -------
        (n, len(SHARED) + numbers of boxes) ndarray of float
            In the order of `SHARED`, then `boxes`.

        Notes
        -----
        By moving a draw of the prior by what its own readings are off (Matheron's rule;
        from memory).

        """
        shape, m = self.apart.shape[1:], len(self)
        V = np.zeros((shape[0], m, len(SHARED) + len(self.boxes)))
        for i, by in enumerate(self.by):
            for k, name in enumerate(SHARED):
                if (name,) in by:
                    V[:, i, k] = np.broadcast_to(by[name,], shape)[:, at]
            own = np.broadcast_to(self.boxes[:, i], (len(self.boxes), *shape))[..., at]
            V[:, i, len(SHARED) :] = own.T
            V[:, i] *= self.conducts[i, :, at, None]
        whole = np.zeros((shape[0], m, m))
        for (i, j), c in self.covariance().items():
            whole[:, i, j] = whole[:, j, i] = np.broadcast_to(c, shape)[:, at]
        z, e = normals[:, : V.shape[2]], normals[:, V.shape[2] :]
        apart = np.linalg.cholesky(whole - V @ V.swapaxes(1, 2) + 1e-12 * np.eye(m))
        read = (V @ z[..., None] + apart @ e[..., None])[..., 0]
        off = np.linalg.solve(whole, (self.apart[..., at].T - read)[..., None])
        return np.asarray(z + (V.swapaxes(1, 2) @ off)[..., 0])


_Moved = tuple[Floats, dict[tuple[object, ...], Floats]]


def _curvature(rows: Rows, i: int, found: Predicted, s: Floats, change: bool) -> Floats:
    """Second derivative of ln R of a row by what its loading is off by, or of its change.

    ln R is taken as straight in ln(phi/phi_c - 1), not less than two deviations from the
    threshold; under strain with the same slope as at rest, nearer to it.
    """
    spread = rows.own[i, 0] ** 2 * rows.readings[i].films + rows.cup[i, 0] ** 2
    least = np.maximum(2.0 * np.sqrt(spread) * s, 1e-9)
    above = -np.expm1(-np.maximum(found.distance[i], least))
    steep = np.maximum(-found.slope[i], 0.0)
    at_rest = steep * (1.0 / above - 1.0)
    if not change:
        return np.asarray(at_rest)
    there = np.maximum(steep - found.bend[i], 1e-9)
    nearer = np.clip(above * steep / there, -np.expm1(-least), 1.0)
    return np.asarray(there * (1.0 / nearer - 1.0) - at_rest)


def _squared(rows: Rows, i: int, curvature: Floats, s: Floats) -> _Moved:
    """Mean of what squares of the loading of a row and its cup add, and what they move.

    Half the square of a standard normal number deviates by the root of a half.
    """
    films = rows.readings[i].films
    own = films * (s * rows.own[i, 0]) ** 2 * curvature
    cup = (s * rows.cup[i, 0]) ** 2 * curvature
    moves = {
        ("curve of row", i): np.sqrt(0.5 / films) * own,
        ("curve of cup", rows.cups[i]): np.sqrt(0.5) * cup,
    }
    return 0.5 * (own + cup), {name: v for name, v in moves.items() if v.any()}


def _level_moves(
    rows: Rows, i: int, found: Predicted, s: Floats, level_spread: float
) -> _Moved:
    """Variance of the level of a row alone, and what moves it."""
    reading = rows.readings[i]
    moves = _loading_moves(rows, i, found.slope[i], s)
    moves[LEVEL,] = np.full((1, 1), -level_spread)
    moves[AT_REST_DOUBT,] = found.doubts[0, i]
    if reading.relative_change is None and reading.strain != 0.0:
        moves[STRAIN_DOUBT,] = found.doubts[1, i]  # a level read under strain errs by both
    moves["level of cup", rows.cups[i]] = s * rows.cup[i, 1]
    moves[OF_LOT,] = s * rows.lot[i, 1]
    variance = (s * rows.own[i, 1]) ** 2 + 1e-12 + rows.slips[i] * SLIP**2
    return variance, {name: v for name, v in moves.items() if v.any()}


def _change_moves(rows: Rows, i: int, found: Predicted, s: Floats, bench: Bench) -> _Moved:
    """Variance of the change of a row alone, and what moves it."""
    reading, tol = rows.readings[i], bench.tolerances
    size = np.where(np.isfinite(found.change[i]), found.change[i], 0.0)
    moves = _loading_moves(rows, i, found.bend[i], s)
    moves[STRAIN_DOUBT,] = found.doubts[1, i]
    strain = abs(reading.strain)
    setting = tol.strain_setting / max(strain, 1e-12) if strain else 0.0
    read_twice = (setting * size) ** 2 + 2.0 * tol.instrument**2
    variance = s**2 * read_twice / reading.films + 1e-12
    opens = s * tol.response * size
    level = shared_by(reading, bench.level("response"), "response")
    if level in (FILM, READING):
        variance = variance + opens**2 / reading.films
    else:
        moves[("opening of cup", rows.cups[i]) if level == CUP else (LOT_OPENS,)] = opens
    if rows.slips[i]:
        variance = 2.0 * variance + size**2
    return variance, {name: v for name, v in moves.items() if v.any()}


def _loading_moves(
    rows: Rows, i: int, slope: Floats, s: Floats
) -> dict[tuple[object, ...], Floats]:
    """Give what normal numbers of the loading of a row and its cup move it by."""
    return {
        ("loading of row", i): s * rows.own[i, 0] * slope,
        ("loading of cup", rows.cups[i]): s * rows.cup[i, 0] * slope,
    }


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
    density = np.asarray(IMPOSSIBLE * (~moves.conducts).sum(axis=0))
    for i in range(m):  # Cholesky, row by row
        for j in range(i + 1):
            left = covariance.pop((i, j))
            for c in range(j):
                left = left - root[i, c] * root[j, c]
            root[i, j] = np.sqrt(np.maximum(left, 1e-12)) if i == j else left / root[j, j]
        left = moves.apart[i]
        for c in range(i):
            left = left - root[i, c] * scaled[c]
        scaled.append(left / root[i, i])
        density -= 0.5 * scaled[i] ** 2 + np.log(root[i, i])
    alone: dict[int, Floats] = {}
    tails: dict[int, list[Floats]] = {}
    if not each:
        return density, alone, tails
    inverse: dict[tuple[int, int], Floats] = {}
    for j in range(m):
        inverse[j, j] = 1.0 / root[j, j]
        for i in range(j + 1, m):
            inverse[i, j] = -_dot((root[i, c], inverse[c, j]) for c in range(j, i))
            inverse[i, j] /= root[i, i]
    off = [_dot((inverse[c, i], scaled[c]) for c in range(i, m)) for i in range(m)]

    def precision(i: int, j: int) -> Floats:
        return _dot((inverse[c, i], inverse[c, j]) for c in range(max(i, j), m))

    for k in np.unique(moves.row):
        # level and change of a row together, given all others
        mine = np.flatnonzero(moves.row == k)
        i, j = int(mine[0]), int(mine[-1])
        a = precision(i, i)
        no_other = np.zeros_like(a), np.ones_like(a)
        b, d = no_other if i == j else (precision(i, j), precision(j, j))
        determinant = a * d - b**2
        density_alone, tails[int(k)] = 0.5 * np.log(determinant), []
        for place, here, other in ((i, d, j), (j, a, i))[: len(mine)]:
            mean = (here * off[place] - b * off[other]) / determinant
            left = np.maximum(here / determinant - moves.slip[place], 1e-12)
            conducts = moves.conducts[place]
            density_alone -= 0.5 * mean * off[place] - IMPOSSIBLE * ~conducts
            tails[int(k)].append(conducts * ndtr(mean / np.sqrt(left)))
        alone[int(k)] = density_alone
    return density, alone, tails


def _dot(pairs: Iterable[tuple[Floats, Floats]]) -> Floats:
    """Sum of products."""
    products = (a * b for a, b in pairs)
    return sum(products, start=next(products))


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


def spread_density(
    rows: Rows, slopes: Floats, scale: Floats, model: FilmModel, bench: Bench
) -> Floats:
    """Log-likelihood of rows that tell the spread of their films, (n, T).

    By the bench's scale (n,) and the slopes d ln R/d ln phi (rows, n, T) at the rows.
    """
    out = np.zeros(slopes.shape[1:])
    for reading, slope in zip(rows.readings, slopes, strict=True):
        if reading.spread is None or reading.films < 2:
            continue
        moves = [
            m for m in row_moves(reading, model, bench)
            if shared_by(reading, m.level, m.name) in (READING, FILM)
        ]  # fmt: skip
        steep = slope**2 * sum(m.loading**2 for m in moves)
        planned = np.sqrt(steep + sum(m.scale**2 for m in moves))
        told = planned > 0.0
        ratio = reading.spread / np.where(told, planned * scale[:, None], 1.0)
        density = (reading.films - 1) * (np.log(ratio) - 0.5 * ratio**2)
        out += np.where(told, density, 0.0)
    return out
