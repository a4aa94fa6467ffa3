"""Stage 7. A protocol: what a film is pulled, held, rested and warmed through, in time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.values import floats, positive, real

if TYPE_CHECKING:
    from percsim.states.history import History

__all__ = ["BRANCH", "CREEP_TIMES", "Protocol", "Pull", "Stay", "cycles"]

Floats = NDArray[np.float64]

BRANCH = 8
"""Visits on each branch of a cycle: a loop's width is then known to 2 % of its span."""

PER_DECADE = 3
"""Visits to a decade of time while a film is held or rests: 1, 2, 5, 10 s and on."""

CREEP_TIMES = (20.0, 1200.0, 1800.0)
"""Times [s] into a hold at which creep is read (OIML R 60): 20 s, 20 and 30 minutes."""

ONE_TEMPERATURE = 0.5
"""Change [K] from visit to visit up to which the temperature counts as standing still."""

WARMING = 1.0 / 60.0
"""Usual rate [K/s] at which an oven or a cold plate changes a film's temperature."""


@dataclass(frozen=True, slots=True)
class Pull:
    """A pull: away from a strain and back, by the places of its visits.

    Parameters
    ----------
    start, top : int
        First and last visit of the branch away from rest.
    back, end : int
        First and last visit of the branch that returns; `top` and `back` differ where the
        film is held at the turning point.

    """

    start: int
    top: int
    back: int
    end: int

    @property
    def loading(self) -> slice:
        """Visits of the branch away from rest, both ends included."""
        return slice(self.start, self.top + 1)

    @property
    def unloading(self) -> slice:
        """Visits of the branch that returns, both ends included."""
        return slice(self.back, self.end + 1)


@dataclass(frozen=True, slots=True)
class Stay:
    """Visits from `first` to `last`, both included, at one strain and temperature."""

    first: int
    last: int

    @property
    def rows(self) -> slice:
        """Its visits."""
        return slice(self.first, self.last + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Protocol:
    """What a film goes through: a path of visits in time.

    Parameters
    ----------
    times : (n,) array of float
        Of every visit [s], not falling.
    strains, temperatures : (n,) array of float
        Of the film along the current [1], tension positive, and [K].

    Raises
    ------
    ValueError
        If the lengths differ, there is no visit, time falls, a strain is -1 or below, or a
        temperature not positive.

    Examples
    --------
    >>> path = Protocol.at_rest().ramp(3e-3, 1e-4, 1e-3).stay(60.0).ramp(0.0, 1e-4, 1e-3)
    >>> len(path.pulls), len(path.holds), round(float(path.times[-1]))
    (1, 1, 120)

    """

    times: Floats
    strains: Floats
    temperatures: Floats

    def __post_init__(self) -> None:
        for name in ("times", "strains", "temperatures"):
            object.__setattr__(self, name, floats(name, getattr(self, name)))
        sizes = {array.shape for array in (self.times, self.strains, self.temperatures)}
        if len(sizes) > 1 or self.times.ndim != 1 or not len(self.times):
            raise ValueError("times, strains and temperatures must be of one length, >= 1")
        if (np.diff(self.times) < 0.0).any():
            raise ValueError("times must not fall")
        if self.strains.min() <= -1.0 or self.temperatures.min() <= 0.0:
            raise ValueError("strains must be above -1, temperatures above 0 K")

    def __len__(self) -> int:
        return len(self.times)

    def _bytes(self) -> bytes:
        arrays = (self.times, self.strains, self.temperatures)
        return b"".join(array.tobytes() for array in arrays)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Protocol) and self._bytes() == other._bytes()

    def __hash__(self) -> int:
        return hash(self._bytes())

    def __repr__(self) -> str:
        low, high = 1e6 * self.strains.min(), 1e6 * self.strains.max()
        return (
            f"Protocol: {len(self)} visits, {len(self.pulls)} pulls,"
            f" {low:.4g} to {high:.4g} microstrain, {self.times[-1] - self.times[0]:.4g} s"
        )

    @property
    def history(self) -> History:
        """The same as contacts and elastomer take it; without its parts."""
        from percsim.states.history import History  # a plan is read without compiling

        return History(self.times, self.strains, self.temperatures)

    # ------------------------------------------------------------------ put together
    @classmethod
    def at_rest(cls, temperature: float = ROOM_TEMPERATURE) -> Protocol:
        """One visit at no strain, from which the rest goes on."""
        return cls(np.zeros(1), np.zeros(1), np.full(1, real("temperature", temperature)))

    def _then(
        self, after: ArrayLike, strains: ArrayLike, temperatures: ArrayLike
    ) -> Protocol:
        """Protocol with more visits, `after` seconds after the last."""
        after = np.asarray(after, dtype=np.float64)
        more = (self.times[-1] + after, strains, temperatures)
        old = (self.times, self.strains, self.temperatures)
        return Protocol(
            *(
                np.concatenate([a, np.broadcast_to(b, after.shape)])
                for a, b in zip(old, more, strict=True)
            )
        )

    @classmethod
    def through(
        cls,
        times: ArrayLike,
        strains: ArrayLike,
        temperatures: ArrayLike,
        branch: int = BRANCH,
    ) -> Protocol:
        """Protocol along straight lines between given points, with visits between them.

        Every multiple of a `branch`-th of the span of strain is visited, a change of
        temperature alone in `branch` steps, a stay as `stay` does.
        """
        corners = cls(*(np.asarray(a, float) for a in (times, strains, temperatures)))
        t, e, k = corners.times, corners.strains, corners.temperatures
        path = cls(t[:1], e[:1], k[:1])
        step = float(np.ptp(e)) / branch or 1.0
        for i in range(1, len(t)):
            wait = float(t[i] - t[i - 1])
            if e[i] != e[i - 1]:
                ramp = path.ramp(float(e[i]), 1.0, step)
                share = (ramp.strains[len(path) :] - e[i - 1]) / (e[i] - e[i - 1])
                warm = k[i - 1] + share * (k[i] - k[i - 1])
                path = path._then(share * wait, ramp.strains[len(path) :], warm)
            elif k[i] != k[i - 1]:
                share = np.arange(1, branch + 1) / branch
                warm = k[i - 1] + share * (k[i] - k[i - 1])
                path = path._then(share * wait, e[i], warm)
            elif wait > 0.0:
                path = path.stay(wait)
        return path

    def filled(self, branch: int = BRANCH) -> Protocol:
        """Protocol with visits on its branches at every `branch`-th of the span of strain.

        Filled once more it stays as it is.
        """
        t, e, k = self.times, self.strains, self.temperatures
        step, path = float(np.ptp(e)) / branch or 1.0, Protocol(t[:1], e[:1], k[:1])
        for i in range(1, len(t)):
            strains = e[i : i + 1]
            if e[i] != e[i - 1]:
                strains = path.ramp(float(e[i]), 1.0, step).strains[len(path) :]
            way = (strains - e[i - 1]) / (e[i] - e[i - 1]) if e[i] != e[i - 1] else [1.0]
            times, warm = (np.interp(way, (0.0, 1.0), x[i - 1 : i + 1]) for x in (t, k))
            path = Protocol(
                np.append(path.times, times),
                np.append(path.strains, strains),
                np.append(path.temperatures, warm),
            )
        return path

    def ramp(self, strain: float, rate: float, step: float) -> Protocol:
        """Go on to a strain at a rate [1/s], through every multiple of a step on the way.

        Branches of one step share their strains, whichever way they run.
        """
        rate, step = positive("rate", rate), positive("step", step)
        now, to = float(self.strains[-1]), real("strain", strain)
        low, high = min(now, to), max(now, to)
        inner = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
        near = 1e-6 * step  # a multiple that the last digit parts from an end is that end
        inside = [e for e in inner if low + near < e < high - near]
        path = np.array([*(inside if to > now else inside[::-1]), to])
        return self._then(np.abs(path - now) / rate, path, self.temperatures[-1])

    def stay(self, seconds: float) -> Protocol:
        """Go on at the same strain and temperature; visits lie evenly in ln t.

        From 1 s on, those of `CREEP_TIMES` among them, the last at the end.
        """
        seconds = positive("seconds", seconds)
        decades = np.arange(PER_DECADE * max(0.0, math.log10(seconds)) + 1)
        at = {*10.0 ** (decades / PER_DECADE), *CREEP_TIMES}
        after = np.array([*sorted(t for t in at if t < 0.999 * seconds), seconds])
        return self._then(after, self.strains[-1], self.temperatures[-1])

    def warm(self, temperature: float, rate: float = WARMING, points: int = 4) -> Protocol:
        """Go on to a temperature [K] at a rate [K/s] at the same strain."""
        now, to = float(self.temperatures[-1]), real("temperature", temperature)
        path = np.linspace(now, to, points + 1)[1:]
        return self._then(
            np.abs(path - now) / positive("rate", rate), self.strains[-1], path
        )

    # ------------------------------------------------------------------ its parts
    @property
    def pulls(self) -> tuple[Pull, ...]:
        """Pulls in order: every branch away from rest that is followed by one back.

        Away is the way of the first branch. A stop on the way parts no branch. One that is
        not followed by a return is none.
        """
        runs = list(self._runs())
        if not runs:
            return ()
        away = runs[0][2]
        return tuple(
            Pull(a[0], a[1], b[0], b[1]) for a, b in pairwise(runs) if a[2] == away
        )

    def _runs(self) -> Iterator[tuple[int, int, int]]:
        """First and last visit and the sign of every branch of the strain."""
        signs = np.sign(np.diff(self.strains)).astype(int)
        moves = np.flatnonzero(signs)
        if len(moves):
            for run in np.split(moves, np.flatnonzero(np.diff(signs[moves])) + 1):
                yield int(run[0]), int(run[-1]) + 1, int(signs[run[0]])

    @property
    def _warms(self) -> NDArray[np.bool_]:
        """Whether the temperature changes between two visits (n - 1,)."""
        return np.abs(np.diff(self.temperatures)) > ONE_TEMPERATURE

    @property
    def stays(self) -> tuple[Stay, ...]:
        """Where strain and temperature stand still while time goes on."""
        still = (np.diff(self.strains) == 0.0) & ~self._warms
        edges = np.diff(np.concatenate([[0], still.astype(int), [0]]))
        found = zip(np.flatnonzero(edges > 0), np.flatnonzero(edges < 0), strict=True)
        return tuple(
            Stay(int(a), int(b)) for a, b in found if self.times[b] > self.times[a]
        )

    @property
    def holds(self) -> tuple[Stay, ...]:
        """Stays away from the strain that the protocol begins at."""
        return tuple(s for s in self.stays if self.strains[s.first] != self.strains[0])

    @property
    def rests(self) -> tuple[Stay, ...]:
        """Stays at the strain that the protocol begins at."""
        return tuple(s for s in self.stays if self.strains[s.first] == self.strains[0])

    @property
    def temperature_steps(self) -> tuple[Stay, ...]:
        """Visits from the last before to the first after each change of temperature."""
        ways = np.sign(np.diff(self.temperatures)) * self._warms
        moves = np.concatenate([[0], ways, [0]])
        edges = np.flatnonzero(np.diff(moves))
        return tuple(Stay(int(a), int(b)) for a, b in pairwise(edges) if moves[a + 1] != 0)


def cycles(
    amplitude: float,
    number: int,
    rate: float,
    *,
    mean: float | None = None,
    hold: float = 0.0,
    rest: float = 0.0,
    temperature: float = ROOM_TEMPERATURE,
    branch: int = BRANCH,
) -> Protocol:
    """Equal pulls from rest between two strains, and back to rest.

    Parameters
    ----------
    amplitude : float
        Half of the swing [1]; positive.
    number : int
        Pulls.
    rate : float
        Strain rate of every branch [1/s].
    mean : float, optional
        Middle of the swing [1]; by default the amplitude, so that pulls begin at zero.
    hold : float
        Time [s] at the far strain of one pull more, after the others; 0 for none.
    rest : float
        Time [s] at zero strain after all of them.
    temperature : float
        Of all visits [K].
    branch : int
        Visits on each branch.

    Returns
    -------
    Protocol

    """
    swing = 2.0 * positive("amplitude", amplitude)
    centre = amplitude if mean is None else real("mean", mean)
    ends = (round(centre - amplitude, 15), round(centre + amplitude, 15))
    far, near = (ends[1], ends[0]) if centre >= 0.0 else (ends[0], ends[1])
    step, way = swing / branch, abs(near) / branch
    path = Protocol.at_rest(temperature)
    if near * far > 0.0:
        path = path.ramp(near, rate, way)
    for held in [False] * number + [True] * (hold > 0.0):
        path = path.ramp(far, rate, step)
        path = path.stay(hold) if held else path
        path = path.ramp(near, rate, step)
    if near != 0.0:
        path = path.ramp(0.0, rate, step if near * far < 0.0 else way)
    return path.stay(rest) if rest > 0.0 else path
