"""Stage 7. What is read off a film that is pulled and released, held and rested.

Words and definitions:

- *Hysteresis* is the largest difference between what is read at one strain on the way up
  and on the way down, *repeatability* the largest between readings at one strain in one
  direction, both of the conditioned film and in % of the span [1]_ (from memory, but for
  the definition of hysteresis, read where it is quoted; so is that three full pulls go
  before).
- *Creep* is the largest difference, within 30 minutes under a constant strain, from the
  reading taken once it has settled, and the *return of zero* is the reading at rest
  after the 30 minutes and as long a settling less that before [2]_ (read). Settling counts
  as 20 s here, the shortest that [2]_ names (from memory).
- A film is *conditioned* once it was pulled as far as it will be. In the field of [3]_,
  stretchable resistive strain sensors (its scope was read, its clauses were not), loops
  are drawn as change of resistance over that at rest, as here.

A *microstrain* is one of the conditioned film: a change of R over the slope of the chord of
its last whole pull, which is what an instrument that was set on that film would show.

Signs are told, not assumed: the width of a loop is R on the way back less R on the way out,
so that it is positive where the return is the higher side.

References
----------
.. [1] IEC 61298-2, Process measurement and control devices: general methods and procedures
   for evaluating performance, part 2: tests under reference conditions.
.. [2] OIML R 60, Metrological regulation for load cells, part 3 (2017), 2.1.5.
.. [3] IEC 63203-401-1:2023, Wearable electronic devices and technologies: functional
   elements: evaluation method of the stretchable resistive strain sensor.

"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from percsim.film.protocol import CREEP_TIMES, Protocol, Pull, Stay

__all__ = ["CONDITIONING", "CycledFilms"]

Floats = NDArray[np.float64]

CONDITIONING = 3
"""Whole pulls before those that hysteresis and repeatability are read from."""

SAME = 0.02
"""Pulls whose ends differ by less than this share of their span count as equal."""


@dataclass(frozen=True, eq=False)
class CycledFilms:
    """Resistances of films along a protocol, and what is read off them.

    Every value is one a film. Where a reading that it needs is of an open film, it is inf.

    Parameters
    ----------
    protocol : Protocol
        What the films went through; its first visit is before the first pull.
    resistances : (n films, n visits) array of float
        [ohm], inf for an open film.

    Raises
    ------
    ValueError
        If the sizes do not fit, a resistance is not positive, or the protocol has no pull.

    """

    protocol: Protocol
    resistances: Floats

    def __post_init__(self) -> None:
        r = np.asarray(self.resistances, dtype=np.float64)
        if r.ndim != 2 or r.shape[1] != len(self.protocol):
            raise ValueError(f"resistances must be (n films, {len(self.protocol)} visits)")
        if not (r > 0.0).all():
            raise ValueError("resistances must be positive, inf where a film is open")
        if not self.protocol.pulls:
            raise ValueError("a film must be pulled and released, the protocol has no pull")
        object.__setattr__(self, "resistances", r)

    # ------------------------------------------------------------------ which pulls
    @cached_property
    def pulls(self) -> tuple[Pull, ...]:
        """Pulls of the protocol."""
        return self.protocol.pulls

    @cached_property
    def whole(self) -> tuple[int, ...]:
        """Pulls that go as far as any, between the same ends as the last of them.

        Without a stop at the top, unless all stop there.
        """
        e = self.protocol.strains
        far = max(abs(e[p.top] - e[0]) for p in self.pulls)
        free = [k for k, p in enumerate(self.pulls) if p.top == p.back]

        def reach(k: int) -> float:
            return float(abs(e[self.pulls[k].top] - e[0]))

        full = [k for k in range(len(self.pulls)) if reach(k) > (1.0 - SAME) * far]
        some = [k for k in full if k in free] or full
        last = self.pulls[some[-1]]
        room = SAME * abs(e[last.top] - e[last.start])
        return tuple(
            k
            for k in some
            if abs(e[self.pulls[k].start] - e[last.start]) <= room
            and abs(e[self.pulls[k].top] - e[last.top]) <= room
        )

    @property
    def first(self) -> int:
        """The first pull that goes as far as any."""
        e = self.protocol.strains
        reach = [abs(e[p.top] - e[0]) for p in self.pulls]
        return next(k for k, r in enumerate(reach) if r > (1.0 - SAME) * max(reach))

    @property
    def conditioned(self) -> tuple[int, ...]:
        """Whole pulls that count as conditioned.

        Those after `CONDITIONING` others; with fewer than two left, the last two; of one
        pull alone, that one.
        """
        return self.whole[min(CONDITIONING, max(len(self.whole) - 2, 0)) :]

    # ------------------------------------------------------------------ readings
    def _at(self, rows: slice, strain: float) -> Floats:
        """R (n films,) on a branch at a strain, linear between visits."""
        e, r = self.protocol.strains[rows], self.resistances[:, rows]
        order = np.argsort(e, kind="stable")
        e, r = e[order], r[:, order]
        k = int(np.clip(np.searchsorted(e, strain), 1, len(e) - 1))
        wide = e[k] - e[k - 1]
        share = 0.0 if wide == 0.0 else float(np.clip((strain - e[k - 1]) / wide, 0.0, 1.0))
        if share in (0.0, 1.0):  # an open neighbour does not count
            return np.asarray(r[:, k if share else k - 1])
        return np.asarray((1.0 - share) * r[:, k - 1] + share * r[:, k])

    def _when(self, stay: Stay, after: float) -> Floats:
        """R (n films,) some time into a stay, at most its end; linear between visits."""
        t = self.protocol.times[stay.rows] - self.protocol.times[stay.first]
        k = int(np.clip(np.searchsorted(t, after), 1, len(t) - 1))
        share = float(np.clip((after - t[k - 1]) / (t[k] - t[k - 1]), 0.0, 1.0))
        a, b = (self.resistances[:, stay.first + j] for j in (k - 1, k))
        return np.asarray(b if share == 1.0 else a if share == 0.0 else a + share * (b - a))

    @property
    def at_rest(self) -> Floats:
        """R0 (n films,): before the first pull."""
        return np.asarray(self.resistances[:, 0])

    def gauge_factor(self, pull: int) -> Floats:
        """Chord gauge factor (n films,) of a pull [1], start to top over R of its start.

        It is inf where the film opens.
        """
        p, e = self.pulls[pull], self.protocol.strains
        start = self.resistances[:, p.start]
        change = _less(self.resistances[:, p.top], start)
        return _over(_over(change, start), np.full(len(start), e[p.top] - e[p.start]))

    @property
    def slope(self) -> Floats:
        """Ohm per unit of strain (n films,) of the chord of the last whole pull.

        0 where it runs against that of the first: such a film reads no strain.
        """
        last, first = (self._chord(k) for k in (self.whole[-1], self.first))
        return np.where(last * np.sign(first) > 0.0, last, 0.0)

    def _chord(self, pull: int) -> Floats:
        p, e = self.pulls[pull], self.protocol.strains
        change = _less(self.resistances[:, p.top], self.resistances[:, p.start])
        return np.asarray(change / (e[p.top] - e[p.start]))

    def as_strain(self, change: Floats) -> Floats:
        """Strain [1] that the conditioned film shows for a change of R [ohm].

        inf where it shows none, see `slope`.
        """
        return _over(change, self.slope)

    # ------------------------------------------------------------------ zero and loops
    def returns(self, pull: int) -> bool:
        """Whether a pull comes back to the strain that the protocol begins at."""
        e = self.protocol.strains
        low, high = sorted(e[[self.pulls[pull].back, self.pulls[pull].end]])
        slack = SAME * (high - low)
        return bool(low - slack <= e[0] <= high + slack)

    def _shift(self, pull: int) -> Floats:
        """R on the way back at the first strain of all, less R0 [ohm]."""
        if not self.returns(pull):
            raise ValueError(f"pull {pull + 1} does not come back to where the film began")
        back = self._at(self.pulls[pull].unloading, float(self.protocol.strains[0]))
        return _less(back, self.at_rest)

    def zero_shift(self, pull: int) -> Floats:
        """Shift of zero (n films,) after a pull, over R0."""
        return _over(self._shift(pull), self.at_rest)

    def zero_shift_strain(self, pull: int) -> Floats:
        """Shift of zero after a pull as a strain (n films,) of the conditioned film [1]."""
        return self.as_strain(self._shift(pull))

    def _span(self, pull: int) -> Floats:
        p = self.pulls[pull]
        return np.abs(_less(self.resistances[:, p.top], self.resistances[:, p.start]))

    def _common(self, pull: int) -> tuple[float, float]:
        """Least and largest strain that both branches of a pull pass."""
        p, e = self.pulls[pull], self.protocol.strains
        up, down = (sorted((e[a], e[b])) for a, b in ((p.start, p.top), (p.back, p.end)))
        return max(up[0], down[0]), min(up[1], down[1])

    def width(self, pull: int) -> Floats:
        """Width (n films,) of a loop at half of its strain, over the span of the pull.

        Positive where R is higher on the way back.
        """
        p, half = self.pulls[pull], 0.5 * sum(self._common(pull))
        width = _less(self._at(p.unloading, half), self._at(p.loading, half))
        return _over(width, self._span(pull))

    def _widths(self, pull: int) -> Floats:
        """Way back less way out (n films, n strains) [ohm] at every strain both pass."""
        p, (low, high) = self.pulls[pull], self._common(pull)
        e = self.protocol.strains
        inside = {x for rows in (p.loading, p.unloading) for x in e[rows]
                  if low <= x <= high}  # fmt: skip
        return np.stack(
            [
                _less(self._at(p.unloading, x), self._at(p.loading, x))
                for x in sorted(inside)
            ],
            axis=1,
        )

    @property
    def hysteresis(self) -> Floats:
        """Largest width of the last conditioned loop (n films,), over its span, with sign.

        Positive where R is higher on the way back.
        """
        last = self.conditioned[-1]
        return _over(_largest(self._widths(last)), self._span(last))

    @property
    def hysteresis_strain(self) -> Floats:
        """The same as a strain of the conditioned film [1]."""
        return self.as_strain(_largest(self._widths(self.conditioned[-1])))

    @property
    def repeatability(self) -> Floats:
        """Largest difference at one strain in one direction (n films,), over the span.

        Among conditioned pulls, 0 of one alone.
        """
        return _over(self._scatter, self._span(self.conditioned[-1]))

    @property
    def repeatability_strain(self) -> Floats:
        """The same as a strain of the conditioned film [1]."""
        return np.abs(self.as_strain(self._scatter))

    @cached_property
    def _scatter(self) -> Floats:
        last, e = self.pulls[self.conditioned[-1]], self.protocol.strains
        found = np.zeros(len(self.resistances))
        for branch in ("loading", "unloading"):
            for strain in e[getattr(last, branch)]:
                read = np.stack(
                    [
                        self._at(getattr(self.pulls[k], branch), strain)
                        for k in self.conditioned
                    ]
                )
                found = np.maximum(found, _less(read.max(axis=0), read.min(axis=0)))
        return found

    @property
    def at_end(self) -> Floats:
        """R at the end of the protocol less R0 [ohm] (n films,)."""
        return _less(self.resistances[:, -1], self.at_rest)

    def mean_of(self, pull: int, strain: float) -> Floats:
        """Mean R [ohm] (n films,) of both branches of a pull at a strain."""
        p = self.pulls[pull]
        return 0.5 * (self._at(p.loading, strain) + self._at(p.unloading, strain))

    # ------------------------------------------------------------------ creep
    @property
    def held(self) -> tuple[int, Stay] | None:
        """The last pull that is held at its far end, and its hold; None without one."""
        for k in reversed(range(len(self.pulls))):
            for stay in self.protocol.stays:
                if stay.first == self.pulls[k].top and stay.last > stay.first:
                    return k, stay
        return None

    @property
    def creep_time(self) -> float:
        """Time [s] over which creep is read: 30 minutes, or as long as the film is held."""
        if self.held is None:
            return 0.0
        rows = self.held[1]
        held = self.protocol.times[rows.last] - self.protocol.times[rows.first]
        return float(min(held, CREEP_TIMES[-1]))

    @property
    def creep_strain(self) -> Floats:
        """Creep (n films,) over `creep_time` as a strain of the conditioned film [1].

        The reading that departs most from that at 20 s, less it; 0 where none is held.
        """
        if self.held is None:
            return np.zeros(len(self.resistances))
        _, stay = self.held
        into = self.protocol.times[stay.rows] - self.protocol.times[stay.first]
        first = self._when(stay, CREEP_TIMES[0])
        later = [t for t in into if CREEP_TIMES[0] < t <= CREEP_TIMES[-1]]
        read = [_less(self._when(stay, t), first) for t in (*later, self.creep_time)]
        return self.as_strain(_largest(np.stack(read, axis=1)))

    @property
    def zero_return_strain(self) -> Floats | None:
        """Zero after the held pull less that before (n films,) as a strain [1].

        20 s into the rest, or at once where there is none; None where no pull is held or
        where it does not begin and end at one strain.
        """
        if self.held is None:
            return None
        p, e = self.pulls[self.held[0]], self.protocol.strains
        if abs(e[p.start] - e[p.end]) > SAME * abs(e[p.top] - e[p.start]):
            return None
        rest = next((s for s in self.protocol.stays if s.first == p.end), None)
        after = self.resistances[:, p.end]
        if rest is not None:
            after = self._when(rest, CREEP_TIMES[0])
        return self.as_strain(_less(after, self.resistances[:, p.start]))


def _less(a: Floats, b: Floats) -> Floats:
    """Difference a - b; inf where either is."""
    known = np.isfinite(a) & np.isfinite(b)
    return np.where(known, np.where(known, a, 0.0) - np.where(known, b, 0.0), np.inf)


def _over(a: Floats, b: Floats) -> Floats:
    """Quotient a / b; inf where either is or b is 0, but 0 over 0 is 0."""
    known = np.isfinite(a) & np.isfinite(b) & (b != 0.0)
    safe = np.where(known, a, 0.0) / np.where(known, b, 1.0)
    return np.where(known | (a == 0.0), safe, np.inf)


def _largest(values: Floats) -> Floats:
    """Value of each row that lies farthest from zero (n,); inf where one is."""
    at = np.argmax(np.abs(values), axis=1)
    return np.asarray(values[np.arange(len(values)), at])
