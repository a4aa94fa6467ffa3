"""Stage 5. Many networks of the same resistors, of which few conduct otherwise each time.

Where contacts break and close one network differs from the next by a few resistors, and to
strip and reduce each afresh would cost more than to solve it. So all of them are iterated
on in the numbers of the one in which whatever ever conducts does, with factors that serve
them all; each answer is proven for the network as given.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.kernels.graph import strongest_tree
from percsim.kernels.iteration import approximate_cholesky, conjugate_gradient, conserve
from percsim.network.backbone import find_backbone
from percsim.network.build import Network
from percsim.network.solve import Sweep, line_search, proven_width

__all__ = ["Neighbours"]

Floats = NDArray[np.float64]

MOST_ITERATIONS = 60
"""Iterations after which a network is solved by itself."""

TARGETS = (1e-2, 1e-4)
"""What iterations end at, over the tolerance; the second where that leaves a proof open."""

AGEING = 1.8
"""Factors are made afresh when iterations have grown to this many times the fewest."""

ABSENT = 0.3
"""What stands in the factors for a resistor that does not conduct, over the mean of those
that do: it may in the next network (by trial, 1e-4 takes as many iterations)."""


class Neighbours:
    """Solves networks that differ in the conductances of the same resistors.

    Parameters
    ----------
    network : Network
        All resistors that conduct in any of them, with any conductance.
    sweep : Sweep
        Solves those that cannot be proven otherwise.

    """

    def __init__(self, network: Network, sweep: Sweep) -> None:
        self._network, self._sweep = network, sweep
        found = find_backbone(network)
        self._rows, self._pairs = found.resistors, found.ends
        n = self._n = max(len(found.nodes) - 2, 0)  # none if never closed
        low, high = np.minimum(*self._pairs.T), np.maximum(*self._pairs.T)
        inner = np.flatnonzero(high < n)
        self._inner = inner[np.argsort(low[inner], kind="stable")]
        self._begin = np.zeros(n + 1, dtype=np.int64)
        np.cumsum(np.bincount(low[inner], minlength=n), out=self._begin[1:])
        self._columns = high[self._inner]
        rows = [np.flatnonzero(high == end) for end in (n, n + 1)]
        self._loads = [(low[own], own) for own in rows]
        self._voltages: tuple[Floats, ...] = ()
        self._factors: tuple[Any, ...] | None = None
        self._fewest = MOST_ITERATIONS
        self._tree: tuple[NDArray[np.int32], NDArray[np.int32]] | None = None
        self._conducted = np.zeros(0, dtype=np.bool_)

    def solve(self, conductances: Floats, tolerance: float) -> tuple[float, float, float]:
        """Resistance [ohm] and its proven bounds, all inf if open.

        Parameters
        ----------
        conductances : (e,) ndarray of float
            Of the resistors of the network given first [S], 0 where one does not conduct.
        tolerance : float
            As in `Sweep.solve`, with the same errors.

        """
        g, n = conductances[self._rows], self._n
        if self._tree is None or not np.array_equal(g > 0.0, self._conducted):
            self._tree = strongest_tree(n + 2, self._pairs, g, n + 1)
            self._conducted = g > 0.0
        visited, up = self._tree
        reached = np.zeros(n + 2, dtype=np.bool_)
        reached[visited] = True
        if not reached[n]:
            return np.inf, np.inf, np.inf
        scale = float(g.max())
        live = np.flatnonzero((g > 0.0) & reached[self._pairs[:, 0]])
        found = self._iterate(g / scale, live, visited, up, tolerance)
        if found is not None:
            ohm, lower, upper = found
            return ohm / scale, lower / scale, upper / scale
        own = self._network
        solution = self._sweep.solve(
            Network(own.n_nodes, own.resistors, conductances, own.source, own.sink),
            tolerance,
        )
        return solution.resistance, solution.lower, solution.upper

    def _iterate(
        self,
        g: Floats,
        live: NDArray[np.int64],
        visited: NDArray[np.int32],
        up: NDArray[np.int32],
        tolerance: float,
    ) -> tuple[float, float, float] | None:
        """Resistance and bounds; None where they do not close to the tolerance."""
        n, values = self._n, g[self._inner]
        to_source, to_sink = (np.bincount(at, g[rows], n) for at, rows in self._loads)
        x = np.full(n, 0.5)
        if self._voltages:
            x = self._voltages[-1]
            if len(self._voltages) > 1:
                x = line_search(self._pairs, g, x, x - self._voltages[0])
        factors = self._factors
        if factors is None:
            absent = ABSENT * float(values.sum()) / max(int(np.count_nonzero(values)), 1)
            factors = approximate_cholesky(
                self._begin,
                self._columns,
                np.maximum(values, absent),
                to_source + to_sink,
                0x5EED,
            )
            self._fewest = MOST_ITERATIONS
        order, begin, below, shares, pivots = factors
        used = 0
        for target in TARGETS:
            x, more, _, _ = conjugate_gradient(
                self._begin, self._columns, values, to_source, to_sink, x,
                order, begin, below, shares, pivots, target * tolerance, MOST_ITERATIONS,
            )  # fmt: skip
            used += more
            drop = np.subtract(*np.append(x, (1.0, 0.0)).take(self._pairs.T))
            current = np.zeros(len(g))
            current[live] = (g * drop)[live]
            power = float(np.sum(g * drop * drop))
            conserve(n + 2, self._pairs, current, visited, up, n, power)
            waste = float(np.sum(current[live] * (current[live] / g[live]))) / power**2
            under, over = proven_width(len(live), power, waste)
            if over + under <= tolerance:
                break
        self._fewest = min(self._fewest, max(used, 4))
        self._factors = factors if used <= AGEING * self._fewest else None
        self._voltages = (*self._voltages[-1:], x)
        if over + under > tolerance:
            return None
        return 1.0 / power, (1.0 - under) / power, (1.0 + over) / power
