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

    def along(self, s: int) -> list[int]:
        """Visits at the temperature of one, in increasing strain."""
        t = self.temperatures
        found = [k for k in range(len(self)) if t[k] == t[s]]
        return sorted(found, key=lambda k: self.strains[k])

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
