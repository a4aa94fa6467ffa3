"""Stage 7. The record of a machine or a logger, reduced to the visits that matter.

A record has thousands of rows; what it tells of a film's memory stands in few of them. Kept
are the film before the first pull, every turning point, strains evenly along each branch
(the same on all of them), times evenly in ln t along each hold and rest, and steps along a
change of temperature. Each visit is the mean of the readings around it, ln R and time
along the straight line through them where the strain moves.

Outliers are found by comparison with the median of their neighbours (Hampel's
identifier [1]_, from memory): a lone reading that departs from it by more than `OUTLIER`
robust standard deviations, where the strain does not jump with it.

References
----------
.. [1] Hampel, "The influence curve and its role in robust estimation", Journal of the
   American Statistical Association 69, 383 (1974).

"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from percsim.film.protocol import BRANCH, CREEP_TIMES, PER_DECADE, Protocol
from percsim.values import floats

__all__ = ["MeasuredFilm", "Record", "reduce_record"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUTLIER = 6.0
"""Robust standard deviations beyond which a lone reading is no reading of the film."""

NEIGHBOURS = 5
"""Readings on either side that it is compared with."""

STILL = 0.01
"""Share of the span of strain within which the film counts as standing still."""

SETTLED = 0.005
"""Share of the span within which a strain counts as that of the beginning."""

STILL_KELVIN = 1.0
"""Change of temperature [K] within which it counts as standing still."""

STEP_KELVIN = 5.0
"""Step [K] at which visits lie along a change of temperature."""

ROBUST = 1.4826
"""Standard deviation of a normal law over its median absolute deviation."""


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """Readings in the order of time.

    Parameters
    ----------
    times, strains, temperatures : (n,) arrays of float
        [s], strictly rising; [1]; [K].
    resistances : (n,) array of float, optional
        [ohm], inf where the film is open; None for the record of a machine alone.
    blank : int
        Rows without a reading, which were passed over.

    """

    times: Floats
    strains: Floats
    temperatures: Floats
    resistances: Floats | None = None
    blank: int = 0

    def __post_init__(self) -> None:
        for name in ("times", "strains", "temperatures"):
            object.__setattr__(self, name, floats(name, getattr(self, name)))
        if len(self.times) < 2 or (np.diff(self.times) <= 0.0).any():
            raise ValueError("a record needs two readings or more, in rising time")

    def part(self, keep: Mask) -> Record:
        """Keep the readings of some rows."""
        r = None if self.resistances is None else self.resistances[keep]
        arrays = (self.times[keep], self.strains[keep], self.temperatures[keep])
        return Record(*arrays, r, self.blank)


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredFilm:
    """A record reduced to visits.

    Parameters
    ----------
    protocol : Protocol
        The visits.
    log_resistances : (n visits,) array of float
        ln(R/ohm), inf where the film is open; empty for the record of a machine alone.
    counts : (n visits,) array of int
        Readings behind each.
    readings, blank, outliers, gaps : int
        Rows read, rows without a reading, outliers left out, and breaks of the record over
        which the strain moved.
    longest_gap : float
        The longest of these [s].
    open_readings : int
        Rows that read open and are kept; a visit is open where most of its readings are.

    Raises
    ------
    ValueError
        If the film is strained or open when the record begins.

    """

    protocol: Protocol
    log_resistances: Floats
    counts: NDArray[np.int64]
    readings: int
    blank: int
    outliers: int
    gaps: int
    longest_gap: float
    open_readings: int = 0

    def __post_init__(self) -> None:
        start = self.protocol.strains[0]
        if start != 0.0:
            raise ValueError(
                f"begins at {1e6 * start:.4g} microstrain; it must begin with the film at"
                " rest, at a strain of 0"
            )
        if len(self.log_resistances) and not np.isfinite(self.log_resistances[0]):
            raise ValueError("the film is open before the first pull")

    @classmethod
    def of(cls, protocol: Protocol, log_resistances: Floats) -> MeasuredFilm:
        """Visits themselves, without the record behind them."""
        n = len(protocol)
        return cls(protocol, log_resistances, np.ones(n, np.int64), n, 0, 0, 0, 0.0)

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, MeasuredFilm)
            and self.protocol == other.protocol
            and np.array_equal(self.log_resistances, other.log_resistances)
        )

    def __hash__(self) -> int:
        return hash((self.protocol, self.log_resistances.tobytes()))


@dataclass(frozen=True, slots=True)
class _Visit:
    """Mean of some readings."""

    time: float
    strain: float
    temperature: float
    log_resistance: float
    count: int


def reduce_record(record: Record, branch: int = BRANCH) -> MeasuredFilm:
    """Reduce a record to visits, see the module.

    Parameters
    ----------
    record : Record
    branch : int
        Visits along a branch over the whole span of strain.

    Returns
    -------
    MeasuredFilm

    Raises
    ------
    ValueError
        If the strain does not change, or the film is strained when the record begins.

    """
    outlying = _outliers(record)
    kept = record.part(~outlying)
    span = float(np.ptp(kept.strains))
    if not span > 0.0:
        raise ValueError("the strain never changes: nothing tells of loops")
    noise = _noise(kept.strains)
    still = max(STILL * span, 10.0 * noise)
    if still > 0.25 * span:
        raise ValueError(
            f"the strain scatters by {1e6 * noise:.4g} microstrain from reading to reading,"
            f" too much beside its span of {1e6 * span:.4g}"
        )
    stays = _joined(kept, list(_stays(kept, still)), still)
    visits = list(_visits(kept, stays, still, span / branch))
    strains = np.array([v.strain for v in visits])
    start = strains[0]
    if abs(start) <= max(still, 2.0 * SETTLED * span):
        strains[np.abs(strains - start) <= SETTLED * span] = 0.0
    times = np.maximum.accumulate([v.time for v in visits])
    temperatures = np.array([v.temperature for v in visits])
    logs = np.array([v.log_resistance for v in visits])
    breaks = np.diff(kept.times)
    broken = (breaks > max(10.0 * float(np.median(breaks)), 5.0)) & (
        np.abs(np.diff(kept.strains)) > still
    )
    return MeasuredFilm(
        Protocol(times, strains, temperatures),
        logs if kept.resistances is not None else np.zeros(0),
        np.array([v.count for v in visits]),
        len(record.times),
        record.blank,
        int(outlying.sum()),
        int(broken.sum()),
        float(breaks[broken].max(initial=0.0)),
        0 if kept.resistances is None else int(np.isinf(kept.resistances).sum()),
    )


def _noise(values: Floats) -> float:
    """Scatter from reading to reading: from second differences, so that ramps add none."""
    second = np.diff(values, 2)
    second = second[np.isfinite(second)]
    if not len(second):
        return 0.0
    return ROBUST * float(np.median(np.abs(second))) / math.sqrt(6.0)


def _departures(values: Floats) -> tuple[Floats, Floats]:
    """Distance of every reading from the median of its neighbours, and their scatter."""
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(values, NEIGHBOURS, mode="edge"), 2 * NEIGHBOURS + 1
    )
    middle = np.median(around, axis=1)
    scatter = ROBUST * np.median(np.abs(around - middle[:, None]), axis=1)
    return np.abs(values - middle), scatter


def _outliers(record: Record) -> Mask:
    """Lone readings of R where the strain stays on its way, and of the strain where R does.

    A record of a machine alone has none: what jumps there was asked for.
    """
    none = np.zeros(len(record.times), dtype=bool)
    if record.resistances is None or len(none) < 2 * NEIGHBOURS + 1:
        return none
    shut = np.isfinite(record.resistances)
    logs = np.log(np.where(shut, record.resistances, 1.0))
    if not shut.any():
        return none
    where = np.flatnonzero(shut)
    logs = np.interp(np.arange(len(logs)), where, logs[where])
    far = []
    for values in (logs, record.strains):
        away, scatter = _departures(values)
        # a reading of few digits scatters by nothing around its median
        least = max(_noise(values), 1e-3 * float(np.ptp(values)), 1e-12)
        far.append(away > OUTLIER * np.maximum(scatter, least))
    return np.asarray((far[0] ^ far[1]) | _slips(record.strains, shut))


def _slips(strains: Floats, shut: Mask) -> Mask:
    """Mark a few open readings between two that conduct on one way: a lead, not a film."""
    room = STILL * float(np.ptp(strains))
    slips = np.zeros(len(shut), dtype=bool)
    edges = np.flatnonzero(np.diff(shut, prepend=True, append=True))
    for first, after in edges.reshape(-1, 2):
        if 0 < first and after < len(shut) and after - first <= NEIGHBOURS:
            low, high = np.sort(strains[[first - 1, after]])
            inside = strains[first:after]
            slips[first:after] = inside.min() >= low - room and inside.max() <= high + room
    return slips


def _stays(record: Record, still: float) -> Iterator[tuple[int, int]]:
    """First and last reading of every stretch at one strain and temperature.

    A stretch keeps within `still`, four in five of its readings within a quarter of that
    around their median: on a ramp, or around a turning point, fewer do.
    """
    e, t = record.strains, record.temperatures
    first, n = 0, len(e)
    while first < n:
        last = first
        low = high = e[first]
        cold = hot = t[first]
        while last + 1 < n:
            low, high = min(low, e[last + 1]), max(high, e[last + 1])
            cold, hot = min(cold, t[last + 1]), max(hot, t[last + 1])
            if high - low > still or hot - cold > STILL_KELVIN:
                break
            last += 1
        rows = slice(first, last + 1)
        near = np.abs(e[rows] - np.median(e[rows])) <= 0.25 * still
        near &= np.abs(t[rows] - np.median(t[rows])) <= 0.25 * STILL_KELVIN
        if len(near) >= 8 and near.mean() >= 0.8:
            inside = np.flatnonzero(near) + first
            yield int(inside[0]), int(inside[-1])
        first = last + 1


def _joined(
    record: Record, stays: list[tuple[int, int]], still: float
) -> list[tuple[int, int]]:
    """Join neighbours at one strain and temperature: a reading far out has parted them."""
    joined = stays[:1]
    for first, last in stays[1:]:
        before = joined[-1]
        near = True
        for values, room in ((record.strains, still), (record.temperatures, STILL_KELVIN)):
            parts = [values[a : b + 1] for a, b in (before, (first, last))]
            near &= abs(float(np.median(parts[0]) - np.median(parts[1]))) <= 0.25 * room
            near &= float(np.ptp(values[before[1] : first + 1])) <= room
        if near:
            joined[-1] = (before[0], last)
        else:
            joined.append((first, last))
    return joined


def _visits(
    record: Record, stays: list[tuple[int, int]], still: float, step: float
) -> Iterator[_Visit]:
    """Visits of the whole record, stretch by stretch."""
    n = len(record.times)
    at = 0
    if not stays or stays[0][0] > 0:
        yield _mean(record, np.array([0]))
    for k, (first, last) in enumerate([*stays, (n, n)]):
        if first > at:
            yield from _moves(record, slice(max(at - 1, 0), min(first + 1, n)), still, step)
        if first == n:
            return
        rows = np.arange(first, last + 1)
        strain = float(np.median(record.strains[rows]))
        if k == 0 and first == 0:  # at rest before the first pull
            yield _mean(record, rows, strain=strain, time=float(record.times[last]))
        else:
            yield from _held(record, rows, strain)
        at = last + 1


def _mean(
    record: Record,
    rows: NDArray[np.int64],
    *,
    strain: float | None = None,
    time: float | None = None,
) -> _Visit:
    """Mean of readings; open where most of them are."""
    log = 0.0
    if record.resistances is not None:
        r = record.resistances[rows]
        shut = np.isfinite(r)
        log = float(np.log(r[shut]).mean()) if 2 * shut.sum() >= len(r) else math.inf
    return _Visit(
        float(record.times[rows].mean()) if time is None else time,
        float(record.strains[rows].mean()) if strain is None else strain,
        float(record.temperatures[rows].mean()),
        log,
        len(rows),
    )


def _held(record: Record, rows: NDArray[np.int64], strain: float) -> Iterator[_Visit]:
    """Visits along a stay: at once, evenly in ln t from 1 s on, and at its end."""
    times = record.times[rows]
    into = times - times[0]
    pace = float(np.median(np.diff(times)))
    first = max(1.0, pace)
    decades = np.arange(PER_DECADE * max(0.0, math.log10(into[-1] / first)) + 1)
    at = sorted({*(first * 10.0 ** (decades / PER_DECADE)), *CREEP_TIMES})
    yield _mean(record, rows[:1], strain=strain)
    for after in (x for x in at if x < 0.9 * into[-1]):
        near = np.flatnonzero(np.abs(into - after) <= 0.1 * after)
        if not len(near):
            continue  # a break of the record
        found = _mean(record, rows[near], strain=strain)
        # the mean of R is that of the mean ln t
        middle = math.exp(float(np.log(np.maximum(into[near], 1e-9)).mean()))
        yield _Visit(
            float(times[0] + middle), strain, found.temperature, found.log_resistance,
            found.count,
        )  # fmt: skip
    last = rows[into >= 0.98 * into[-1]]
    yield _mean(record, last, strain=strain, time=float(times[-1]))


def _moves(record: Record, rows: slice, still: float, step: float) -> Iterator[_Visit]:
    """Visits along a stretch in which strain or temperature moves."""
    index = np.arange(len(record.times))[rows]
    e = record.strains[index]
    turns = [0, *_turns(e, still), len(e) - 1]
    for k, (a, b) in enumerate(pairwise(turns)):
        branch = index[a : b + 1]
        if np.ptp(record.strains[branch]) <= 2.0 * still:
            t = record.temperatures[branch]
            yield from _grid(record, branch, t, STEP_KELVIN, STILL_KELVIN)
        else:
            yield from _grid(record, branch, record.strains[branch], step, still)
        if k < len(turns) - 2:
            near = np.flatnonzero(np.abs(e - e[b]) <= 0.5 * still)
            # the readings next to the turn alone
            run = np.split(near, np.flatnonzero(np.diff(near) > 1) + 1)
            yield _mean(record, index[next(r for r in run if b in r)])
    if rows.stop == len(record.times):
        yield _mean(record, index[-1:])


def _turns(values: Floats, least: float) -> list[int]:
    """Find the turning points from which the values go back by more than `least`."""
    found = []
    high = low = way = 0
    for k, value in enumerate(values):
        if value > values[high]:
            high = k
        if value < values[low]:
            low = k
        if way >= 0 and values[high] - value > least:
            if way > 0:
                found.append(high)
            way, low = -1, k
            high = k
        elif way <= 0 and value - values[low] > least:
            if way < 0:
                found.append(low)
            way, high = 1, k
            low = k
    return found


def _grid(
    record: Record, rows: NDArray[np.int64], along: Floats, step: float, margin: float
) -> Iterator[_Visit]:
    """Visits at every multiple of a step between the ends of a branch."""
    rising = along[-1] >= along[0]
    low, high = float(along.min()) + margin, float(along.max()) - margin
    marks = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    for mark in marks if rising else marks[::-1]:
        near = np.flatnonzero(np.abs(along - mark) <= 0.25 * step)
        if len(near) < 2:
            before = np.flatnonzero((along[:-1] - mark) * (along[1:] - mark) <= 0.0)
            near = np.array([before[0], before[0] + 1])
        taken, x = rows[near], along[near] - mark
        found = _mean(record, taken)
        spread = float(((x - x.mean()) ** 2).sum())

        def at_mark(
            values: Floats, x: Floats = x, spread: float = spread
        ) -> float:  # the line through the readings, where it crosses the mark
            if spread == 0.0:
                return float(values.mean())
            slope = float(((x - x.mean()) * (values - values.mean())).sum()) / spread
            return float(values.mean()) - slope * float(x.mean())

        log = found.log_resistance
        if record.resistances is not None and math.isfinite(log):
            r = record.resistances[taken]
            if np.isfinite(r).all():
                log = at_mark(np.log(r))
        strain = at_mark(record.strains[taken])
        yield _Visit(
            at_mark(record.times[taken]), strain, at_mark(record.temperatures[taken]), log,
            len(near),
        )  # fmt: skip
