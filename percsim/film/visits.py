"""Stage 7. The visits of a response: what a film goes through, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from percsim.film.transfer import chord_end, is_room_temperature

__all__ = ["Visits"]

Floats = NDArray[np.float64]


BEYOND = 0.25
"""How far histories may go beyond the visits, over their span: strain that has faded is
felt as a little compression after release."""


@dataclass(frozen=True)
class Visits:
    """Strains and temperatures that a film visits; places are looked up by index.

    Parameters
    ----------
    strains, temperatures : tuple of float
        Of every visit [1, K]. A strain may be visited twice.
    chord : float, optional
        Strain that gauge factors are taken to; by default the farthest from zero.
    window : (float, float), optional
        Strains that films are read at; by default all.

    Raises
    ------
    ValueError
        If none is at zero strain and 20 C.

    """

    strains: tuple[float, ...]
    temperatures: tuple[float, ...]
    chord: float | None = None
    window: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if not self.at_rest:
            raise ValueError("one visit must be at zero strain and 20 C (293.15 K)")

    def __len__(self) -> int:
        return len(self.strains)

    @cached_property
    def at_rest(self) -> list[int]:
        """Visits at zero strain and 20 C."""
        return [s for s in self.at_room if self.strains[s] == 0.0]

    @cached_property
    def rest(self) -> int:
        """The first of them: the film before any strain."""
        return self.at_rest[0]

    @cached_property
    def at_room(self) -> list[int]:
        """Visits at 20 C, in order."""
        return [s for s, t in enumerate(self.temperatures) if is_room_temperature(t)]

    @cached_property
    def strained(self) -> list[int]:
        """Visits read at 20 C and a strain, in increasing strain."""
        low, high = self.window or (-np.inf, np.inf)
        found = [
            s
            for s in self.at_room
            if self.strains[s] != 0.0 and low <= self.strains[s] <= high
        ]
        return sorted(found, key=lambda s: self.strains[s])

    @cached_property
    def chord_state(self) -> int | None:
        """The visit at 20 C that the chord gauge factor is taken to; None without one."""
        return chord_end(self.strains, self.strained, self.chord)

    @cached_property
    def by_temperature(self) -> list[int]:
        """Visits at zero strain, in increasing temperature."""
        found = [s for s, e in enumerate(self.strains) if e == 0.0]
        return sorted(found, key=lambda s: self.temperatures[s])

    def unstrained(self, s: int) -> int:
        """Find the visit without strain at the temperature of one, or that at rest."""
        t = self.temperatures
        return next((k for k in self.by_temperature if t[k] == t[s]), self.rest)

    def along(self, s: int) -> list[int]:
        """Visits at the temperature of one, in increasing strain."""
        t = self.temperatures
        found = [k for k in range(len(self)) if t[k] == t[s]]
        return sorted(found, key=lambda k: self.strains[k])

    def pulled(
        self, wanted: Sequence[int], conditioned: bool
    ) -> list[tuple[list[tuple[float, float]], dict[int, int], int | None]]:
        """Ways from the film at rest to visits, the nearer strains of a side before.

        Parameters
        ----------
        wanted : sequence of int
            Visits to come to.
        conditioned : bool
            Whether the film is pulled to the ends of the window and let go before it is
            strained.

        Returns
        -------
        list of (list of (float, float), dict of int to int, int or None)
            Strains and temperatures on the way, the place of each visit there, and that of
            the zero which conditioned films are read from. Before these comes the way of
            the film without strain to the temperature, where it is not that of rest.

        """
        room = self.temperatures[self.rest]
        start = [(0.0, room)]
        if conditioned and self.strained:
            ends = {self.strains[self.strained[-1]], self.strains[self.strained[0]]}
            if min(ends) * max(ends) > 0.0:
                ends = {max(ends, key=abs)}
            start += [*((e, room) for e in sorted(ends, reverse=True)), (0.0, room)]
        ways: list[tuple[list[tuple[float, float]], dict[int, int], int | None]] = []
        for t in sorted({self.temperatures[s] for s in wanted}):
            here = [s for s in wanted if self.temperatures[s] == t]
            still = [s for s in here if self.strains[s] == 0.0]
            if t != room:
                ways.append(([(0.0, room), (0.0, t)], dict.fromkeys(still, 1), None))
            begin = start if t == room else [*start, (0.0, t)]
            zero = len(begin) - 1 if len(start) > 1 else None
            for side in (1.0, -1.0):
                own = [s for s in here if side * self.strains[s] > 0.0]
                own.sort(key=lambda s: abs(self.strains[s]))
                if own:
                    way = begin + [(self.strains[s], t) for s in own]
                    places = {s: len(begin) + k for k, s in enumerate(own)}
                    ways.append((way, places, zero))
        return ways

    @property
    def _axes(self) -> tuple[Floats, Floats]:
        """Strains and temperatures of the visits, rising."""
        return np.unique(self.strains), np.unique(self.temperatures)

    def grid(self, values: Floats, unstrained: bool = False) -> Floats:
        """Lay out values (..., visits) by strain and temperature, or the latter alone.

        Where none was visited at both, as much as each does alone: inf where that is.
        """
        strains, temperatures = self._axes
        place = {}
        for s in reversed(range(len(self))):
            place[self.strains[s], self.temperatures[s]] = s
        if unstrained:
            return values[..., [place[0.0, t] for t in temperatures]]
        room = self.temperatures[self.rest]
        out = values[..., [[place.get((e, t), place[e, room]) for t in temperatures]
                           for e in strains]]  # fmt: skip
        for k, t in enumerate(temperatures):
            alone = [i for i, e in enumerate(strains) if (e, t) not in place]
            if alone:
                with np.errstate(invalid="ignore"):
                    warmed = values[..., place[0.0, t]] - values[..., self.rest]
                warmed = np.where(np.isnan(warmed), np.inf, warmed)
                out[..., alone, k] += warmed[..., None]
        return np.asarray(out)

    def between(self, strains: Floats, temperatures: Floats) -> tuple[Floats, Floats]:
        """Weights of straight lines between visits, going on a little beyond strains.

        Parameters
        ----------
        strains : (n, v) ndarray of float
            Wanted.
        temperatures : (v,) ndarray of float
            Wanted [K].

        Returns
        -------
        by_strain : (n, v, strains) ndarray of float
        by_warmth : (v, temperatures) ndarray of float

        Raises
        ------
        ValueError
            Where they go beyond strains by more than `BEYOND` of their span, or beyond
            temperatures.

        """
        own_e, own_t = self._axes
        reach = BEYOND * (own_e[-1] - own_e[0]) + 1e-12
        if strains.min() < own_e[0] - reach or strains.max() > own_e[-1] + reach:
            raise ValueError(
                f"strains go from {1e6 * strains.min():.6g} to {1e6 * strains.max():.6g} "
                f"microstrain, boxes were solved from {1e6 * own_e[0]:.6g} to "
                f"{1e6 * own_e[-1]:.6g}"
            )
        t = temperatures
        if t.min() < own_t[0] - 0.01 or t.max() > own_t[-1] + 0.01:
            raise ValueError(
                f"temperatures go from {t.min() - 273.15:.4g} to {t.max() - 273.15:.4g} C, "
                f"boxes were solved from {own_t[0] - 273.15:.4g} to "
                f"{own_t[-1] - 273.15:.4g} C"
            )
        return _line_weights(strains, own_e), _line_weights(t, own_t)

    def weights_at(self, strain: float, temperature: float) -> Floats:
        """Weights (n visits,) that interpolate ln R linearly; ValueError outside."""
        e, t = sorted(set(self.strains)), sorted(set(self.temperatures))
        weights = np.zeros(len(self))
        for share_e, at_e in _between(strain, e):
            for share_t, at_t in _between(temperature, t):
                for s in range(len(weights)):
                    if self.strains[s] == at_e and self.temperatures[s] == at_t:
                        weights[s] += share_e * share_t
        if weights.sum() < 1.0 - 1e-9:
            raise ValueError(f"no states around strain {strain:g} at {temperature:g} K")
        return weights


def _line_weights(x: Floats, grid: Floats) -> Floats:
    """Weights (..., grid) of the two grid points around x, or of the last two beyond."""
    if len(grid) == 1:
        return np.ones((*x.shape, 1))
    k = np.clip(np.searchsorted(grid, x, side="right") - 1, 0, len(grid) - 2)
    share = (x - grid[k]) / (grid[k + 1] - grid[k])
    at = np.arange(len(grid))
    return np.asarray(
        np.where(at == k[..., None], 1.0 - share[..., None], 0.0)
        + np.where(at == k[..., None] + 1, share[..., None], 0.0)
    )


def _between(x: float, grid: Sequence[float]) -> list[tuple[float, float]]:
    """Shares of the two grid points around x."""
    near = [g for g in grid if abs(g - x) <= 1e-9 * max(1.0, abs(x))]
    if near:
        return [(1.0, near[0])]
    if not grid[0] < x < grid[-1]:
        raise ValueError(f"{x:g} is outside {grid[0]:g} to {grid[-1]:g}")
    k = int(np.searchsorted(grid, x))
    share = (x - grid[k - 1]) / (grid[k] - grid[k - 1])
    return [(1.0 - share, grid[k - 1]), (share, grid[k])]
