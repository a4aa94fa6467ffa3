r"""Stage 5. Network -> Solution: the resistance between the terminals, and its proof.

What hangs loose is stripped (`find_backbone`); of the rest nodes are eliminated exactly for
as long as that costs less than to iterate on them, and to the end where few are left then;
otherwise those are iterated on. Either way the answer carries bounds that hold for the
network as given, or `ConvergenceError` is raised.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.errors import ConvergenceError
from percsim.kernels.elimination import (
    back_substitute,
    eliminate,
    expand,
    voltages_from_core,
)
from percsim.kernels.graph import cluster_labels, strongest_tree
from percsim.kernels.iteration import (
    approximate_cholesky,
    conjugate_gradient,
    conserve,
    conserve_inwards,
)
from percsim.network.backbone import Backbone, find_backbone
from percsim.network.build import Network
from percsim.values import freeze, real

__all__ = ["Solution", "Sweep", "solve_network"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ALWAYS_ELIMINATED = 100
"""Up to this many nodes that would be cheaper to iterate on are eliminated all the same;
of more, iterating is cheaper by much (`benchmarks.bench_backbones`)."""

MOST_WORK = 3e9
"""Resistors written when iterating has failed (half a minute)."""

MOST_ITERATIONS = 400

CONTRACTED_ABOVE = 1e14
"""Conductance over that of the bottleneck beyond which iteration merges two nodes."""

ROUNDING = 2.0**-53


@dataclass(frozen=True, slots=True, repr=False)
class Solution:
    """Answer of one network.

    Parameters
    ----------
    network : Network
        What was solved.
    resistance : float
        Between source and sink [ohm]; inf if open.
    lower, upper : float
        Proven bounds on the resistance [ohm]; inf if open.
    voltages : (n_nodes,) ndarray of float
        Node voltages [V] with 1 V at the source and 0 V at the sink. A dangling part has
        the voltage of the node it hangs from; what reaches no terminal is given 0 V. If
        open, what reaches the source has 1 V.
    currents : (e,) ndarray of float
        Current of each resistor [A] at 1 V across, signed from its first to its second
        node.
    method : str
        How it was solved and why.
    """

    network: Network
    resistance: float
    lower: float
    upper: float
    voltages: Floats
    currents: Floats
    method: str = ""

    def __post_init__(self) -> None:
        freeze(self)

    @property
    def conductance(self) -> float:
        """Between source and sink [S]; 0 if open."""
        return 1.0 / self.resistance

    @property
    def is_open(self) -> bool:
        """Whether the terminals are not connected."""
        return math.isinf(self.resistance)

    @property
    def drops(self) -> Floats:
        """Voltage of the first node less the second of each resistor [V], shape (e,).

        From the currents, and so, where all nodes were eliminated, with more digits than
        the difference of two voltages has; 0 where no current flows.

        """
        g = self.network.conductances
        return np.asarray(self.currents / np.where(g > 0.0, g, 1.0))

    @property
    def power_shares(self) -> Floats:
        """Share of the total power in each resistor, shape (e,); 0 everywhere if open."""
        if self.is_open:
            return np.zeros(len(self.currents))
        return np.asarray(self.currents * self.resistance * self.drops)

    @property
    def backbone(self) -> Backbone:
        """The part that carries current, found afresh."""
        return find_backbone(self.network)

    def __repr__(self) -> str:
        if self.is_open:
            return "Solution: open circuit, the terminals are not connected"
        width = (self.upper - self.lower) / self.resistance
        return (
            f"Solution: {self.resistance:.6g} ohm, proven to {width:.1e} relative, "
            f"{self.method}"
        )


def _open_solution(network: Network, backbone: Backbone) -> Solution:
    inf = float("inf")
    voltages = (backbone.attachment == network.source).astype(np.float64)
    zeros = np.zeros(len(network.conductances))
    return Solution(network, inf, inf, inf, voltages, zeros, "open circuit")


def solve_network(network: Network, tolerance: float = 1e-8) -> Solution:
    r"""Resistance, voltages and currents between source and sink.

    Parameters
    ----------
    network : Network
        Any resistors; parallel rows add, zero conductances are absent.
    tolerance : float
        Largest relative distance between the proven bounds, in (0, 1). Networks of which
        exact elimination leaves up to 100 nodes before iterating gets cheaper are
        eliminated to the end whatever it is.

    Returns
    -------
    Solution
        `resistance`, `lower` and `upper` are inf if the terminals are not connected.

    Raises
    ------
    ValueError
        If `tolerance` is not in (0, 1).
    ConvergenceError
        If the bounds do not close to `tolerance`; it carries them and the voltages. Also if
        the conductances span more than 300 decades, or the resistance is no number.

    Notes
    -----
    *Elimination* perturbs each conductance by at most five roundings a node, as nothing is
    subtracted; the conductance between the terminals rises with each conductance (Rayleigh)
    and scales with all of them, so its relative error is at most five roundings times the
    number of nodes, whatever the range of the conductances.

    *Iteration* (conjugate gradients on randomised approximate factors) ends with voltages
    whose power bounds the conductance from above (Dirichlet) and with currents, made to
    conserve exactly along a tree, whose power bounds the resistance from above (Thomson).
    The tree is at hand, each node's best resistor towards the source as the backbone was
    walked; where it is too weak for the proof, that of the best conductors. Resistors more
    than 1e14 times better than the bottleneck of the best path are contracted for the
    iteration, inside the proof; the currents given for them are those along the tree.

    Examples
    --------
    >>> from percsim.network.build import Network
    >>> bars = [[0, 1], [0, 2], [1, 2], [1, 3], [2, 3]]
    >>> solve_network(Network(4, np.array(bars), np.ones(5), 0, 3))
    Solution: 1 ohm, proven to 7.0e-15 relative, 2 backbone nodes eliminated exactly

    """
    return Sweep()._solve(network, tolerance, 1e-5)


class Sweep:
    """Solves one box over many states, each with what the last ones taught.

    Iteration starts from the voltages extrapolated along the sweep, by as much as lowers
    the power most. While the same resistors conduct, the backbone and the approximate
    factors are kept, these until iterations grow to 1.8 times what fresh ones needed; where
    links break or appear, the network is stripped and reduced afresh, which is cheap.

    Parameters
    ----------
    always_eliminated : int
        Up to this many nodes that are left where iterating gets cheaper are eliminated
        exactly all the same.

    Examples
    --------
    >>> from percsim.network.build import Network
    >>> sweep, bars = Sweep(), np.array([[0, 1], [1, 2], [2, 3]])
    >>> for factor in (1.0, 0.9, 0.8):
    ...     state = Network(4, bars, factor * np.full(3, 25.0), 0, 3)
    ...     print(f"{sweep.solve(state).resistance:.6f}")
    0.120000
    0.133333
    0.150000

    """

    def __init__(self, always_eliminated: int = ALWAYS_ELIMINATED) -> None:
        self.always_eliminated = always_eliminated
        self._voltages: tuple[Floats, ...] = ()
        self._known: _Job | None = None

    @property
    def iterates(self) -> bool:
        """Whether any network so far was iterated on."""
        return bool(self._voltages)

    def solve(self, network: Network, tolerance: float = 1e-8) -> Solution:
        """Solve the next state.

        Parameters
        ----------
        network : Network
            The same nodes in the same order as before; any resistors.
        tolerance : float
            As in `solve_network`, which iterates voltages ten times further.

        Returns
        -------
        Solution
            With bounds proven as in `solve_network`, and the same errors raised.

        """
        return self._solve(network, tolerance, 1e-3)

    def _solve(self, network: Network, tolerance: float, share: float) -> Solution:
        tolerance = real("tolerance", tolerance)
        if not 0.0 < tolerance < 1.0:
            raise ValueError(f"tolerance must be in (0, 1), got {tolerance}")
        target = share * tolerance
        if self._known is not None and self._known.conducts_alike(network):
            job = self._known.at(network)
        else:
            backbone = find_backbone(network)
            if not backbone.spanning:
                self._known = None
                return _open_solution(network, backbone)
            job = _Job.of(network, backbone)
        self._known = job
        elimination = eliminate(job.n, job.pairs, job.g, self.always_eliminated, 0.0)
        if not len(elimination[7][0]):
            return job.eliminated(elimination)
        guess = job.extrapolated(self._voltages)
        found = job.iterated(elimination, tolerance, target, guess)
        del elimination  # nothing more is read from it, and memory peaks next
        answer = job.answer(*found)
        if answer.upper - answer.lower > tolerance * answer.resistance:
            elimination = eliminate(job.n, job.pairs, job.g, 0, MOST_WORK)
            if len(elimination[7][0]):
                raise ConvergenceError(
                    f"bounds {answer.lower:.9g} and {answer.upper:.9g} ohm differ by more "
                    f"than {tolerance:g}; ask for a larger tolerance, or leave out the "
                    "weakest of the resistors",
                    answer.lower,
                    answer.upper,
                    answer.voltages,
                )
            return job.eliminated(elimination, ", iteration could not be proven")
        self._voltages = (*self._voltages[-1:], answer.voltages)
        return answer


def path_up(pairs: NDArray[Any], up: NDArray[np.int32], node: int) -> Ints:
    """Rows from a node to the root of a tree, as `strongest_tree` returns it."""
    rows = []
    while up[node] >= 0:
        rows.append(int(up[node]))
        node = int(pairs[rows[-1]].sum()) - node
    return np.array(rows, dtype=np.int64)


def line_search(pairs: NDArray[Any], g: Floats, voltages: Floats, change: Floats) -> Floats:
    """Move inner voltages along a change by as much as lowers the power most."""
    slope, drop = (
        np.subtract(*np.append(v, ends).take(pairs.T))
        for v, ends in ((change, (0.0, 0.0)), (voltages, (1.0, 0.0)))
    )
    curvature = float(np.sum(g * slope * slope))
    if curvature <= 0.0:
        return voltages
    return voltages - float(np.sum(g * slope * drop)) / curvature * change


def proven_width(terms: int, power: float, waste: float) -> tuple[float, float]:
    """How far below and above one over a power at 1 V the resistance may lie, relative.

    Dirichlet: the power of any voltages is no less than the conductance; only its rounding
    counts. Thomson: no conserved current wastes less than the resistance, over its square.
    Both are sums of as many terms.
    """
    # pairwise sums, or of blocks of 32 with what they lose, and three products each
    rounding = ROUNDING * (80.0 + 2.0 * math.log2(terms + 1.0))
    return rounding, waste * power * (1.0 + rounding) / (1.0 - rounding) - 1.0


def _centred(given: Floats) -> tuple[int, Floats]:
    """Conductances over the power of two that centres them on 1, and its exponent."""
    low, high = (math.frexp(end)[1] for end in (given.min(), given.max()))
    if high - low > 1000:
        raise ConvergenceError(
            f"conductances span {(high - low) * math.log10(2.0):.0f} decades, more than "
            "floating-point numbers can multiply; leave out the smallest, or merge the "
            "nodes that the largest join"
        )
    exponent = (low + high) // 2
    return exponent, np.ldexp(given, -exponent)


@dataclass(slots=True)
class _Memory:
    """What iterating on one set of conducting resistors has taught."""

    tree: tuple[Any, Any] | None = None
    bottleneck: int = -1
    weak: bool = False
    factors: tuple[Any, ...] | None = None
    fresh_iterations: int = 0


@dataclass(frozen=True, slots=True)
class _Job:
    """One backbone in local numbers: inner nodes 0 to n - 1, source n, sink n + 1.

    `pairs` are its resistors.
    """

    network: Network
    backbone: Backbone
    exponent: int
    g: Floats
    pairs: NDArray[np.int32]
    memory: _Memory

    @classmethod
    def of(cls, network: Network, backbone: Backbone) -> _Job:
        """Scale by the power of two that centres the conductances on 1."""
        exponent, g = _centred(network.conductances[backbone.resistors])
        return cls(network, backbone, exponent, g, backbone.ends, _Memory())

    def conducts_alike(self, network: Network) -> bool:
        """Whether the same resistors between the same nodes conduct in another network."""
        own = self.network
        return (
            own.n_nodes == network.n_nodes
            and (own.source, own.sink) == (network.source, network.sink)
            and np.array_equal(own.resistors, network.resistors)
            and np.array_equal(own.conductances > 0.0, network.conductances > 0.0)
        )

    def at(self, network: Network) -> _Job:
        """Take over what depends on which resistors conduct, not on how well."""
        exponent, g = _centred(network.conductances[self.backbone.resistors])
        # the tree is of the best conductors, which others may be by now
        memory = replace(self.memory, tree=None)
        return replace(self, network=network, exponent=exponent, g=g, memory=memory)

    @property
    def inner(self) -> NDArray[np.int32]:
        """Backbone nodes but for the terminals."""
        return self.backbone.nodes[:-2]

    @property
    def n(self) -> int:
        """How many they are."""
        return len(self.backbone.nodes) - 2

    def extrapolated(self, voltages: tuple[Floats, ...]) -> Floats | None:
        """Voltages of the inner nodes along the line through the last two answers."""
        if not voltages:
            return None
        last = voltages[-1]
        own = last[self.inner]
        if len(voltages) == 1 or len(voltages[0]) != len(last):
            return own
        return line_search(self.pairs, self.g, own, own - voltages[0][self.inner])

    def eliminated(self, elimination: tuple[Any, ...], why: str = "") -> Solution:
        """Answer of a complete elimination."""
        n = self.n
        total, order, begin, columns, shares, ca, cb, _, _, dense, parallel = elimination
        above, below, drops = back_substitute(
            n, self.pairs, order, begin, columns, shares, ca, cb, dense
        )
        # parallel resistors are summed first, one rounding each
        width = 1.01 * ROUNDING * (5.0 * n + parallel + 16.0)
        method = f"{n} backbone nodes eliminated exactly{why}"
        return self.answer(above, below, self.g * drops, 1.0 / total, width, width, method)

    def iterated(
        self,
        elimination: tuple[Any, ...],
        tolerance: float,
        target: float,
        guess: Floats | None,
    ) -> tuple[Any, ...]:
        """Iterate on what a partial elimination left; gives what `answer` takes."""
        n, pairs, g, memory = self.n, self.pairs, self.g, self.memory
        # far above the bottleneck rounded voltages say nothing of the currents: contract
        labels: Ints | None = None
        kept: Ints | slice = slice(None)
        strong = self._strong()
        if len(strong):
            labels, count = self._contract(strong)
            pairs = labels.astype(np.int32)[self.pairs]
            kept = np.flatnonzero(pairs[:, 0] != pairs[:, 1])
            pairs = np.ascontiguousarray(pairs[kept], dtype=np.int32)
            n = count - 2
            guess = None
            elimination = eliminate(n, pairs, g[kept], 0, 0.0)
        _, order, begin, columns, shares, ca, _, core, *_ = elimination
        nodes, core_begin, core_columns, core_values, to_source, to_sink = core
        x = np.full(len(nodes), 0.5) if guess is None else guess[nodes]
        factors = None if len(strong) else memory.factors
        fresh = factors is None
        if factors is None:
            factors = approximate_cholesky(
                core_begin, core_columns, core_values, to_source + to_sink, 0x5EED
            )
        rank, first, below_rows, lower_shares, pivots = factors
        iterations = 0
        for _ in range(3):
            x, used, _, _ = conjugate_gradient(
                core_begin, core_columns, core_values, to_source, to_sink, x,
                rank, first, below_rows, lower_shares, pivots, target, MOST_ITERATIONS,
            )  # fmt: skip
            iterations += used
            inner = voltages_from_core(n, order, begin, columns, shares, ca, nodes, x)
            most, current, rounding, excess = self._proof(
                pairs, g[kept], inner, kept, tolerance
            )
            if excess <= tolerance:
                break
            target *= 1e-4
        if fresh:
            memory.fresh_iterations = iterations
        keep = not len(strong) and iterations <= 1.8 * memory.fresh_iterations
        memory.factors = factors if keep else None
        method = f"{self.n} backbone nodes reduced to {len(nodes)}, {iterations} iterations"
        if labels is not None:
            method += f", {len(strong)} strong resistors contracted"
            inner = np.append(inner, (1.0, 0.0))[labels[: self.n]]
        below = 1.0 - inner
        return inner, below, current, 1.0 / most, rounding, excess, method

    def _proof(
        self,
        pairs: NDArray[np.int32],
        g: Floats,
        inner: Floats,
        kept: Ints | slice,
        tolerance: float,
    ) -> tuple[float, Floats, float, float]:
        """Power of voltages, conserved currents, and how far the resistance may be off.

        `pairs` and `g` are of the resistors that were not contracted, `kept`.
        """
        memory, terms = self.memory, len(self.g)
        contracted = len(pairs) < terms
        if not contracted and not memory.weak:
            most, waste, current = conserve_inwards(len(inner), pairs, g, inner)
            rounding, excess = proven_width(terms, most, waste)
            if excess <= tolerance:
                return most, current, rounding, excess
            memory.weak = True
        # Dirichlet: the power of the voltages as rounded, their differences are exact
        drop = np.subtract(*np.append(inner, (1.0, 0.0)).take(pairs.T))
        most = float(np.sum(g * drop * drop))
        # Thomson: currents that conserve; what the tree is weak in stays small
        current = np.zeros(terms)
        current[kept] = g * drop
        visited, up = self._tree()
        conserve(self.n + 2, self.pairs, current, visited, up, self.n, most)
        waste = float(np.sum(current * (current / self.g))) / most**2
        return most, current, *proven_width(terms, most, waste)

    def _tree(self) -> tuple[Any, Any]:
        """Tree of the best conductors from the sink, and what is weakest in it."""
        memory, g = self.memory, self.g
        if memory.tree is None:
            memory.tree = strongest_tree(self.n + 2, self.pairs, g, self.n + 1)
            rows = path_up(self.pairs, memory.tree[1], self.n)
            memory.bottleneck = int(rows[np.argmin(g[rows])])
        return memory.tree

    def _strong(self) -> Ints:
        """Resistors beyond what an iteration can take beside the bottleneck."""
        g = self.g
        if g.max() <= CONTRACTED_ABOVE * g.min():
            return np.zeros(0, dtype=np.int64)
        self._tree()
        return np.flatnonzero(g > CONTRACTED_ABOVE * g[self.memory.bottleneck])

    def _contract(self, strong: Ints) -> tuple[Ints, int]:
        """Merge the ends of some resistors; labels of the nodes, the terminals last."""
        found, count = cluster_labels(self.n + 2, self.pairs, strong)
        source, sink = found[self.n], found[self.n + 1]
        labels = np.empty(count, dtype=np.int64)
        others = np.delete(np.arange(count), [source, sink])
        labels[others] = np.arange(count - 2)
        labels[source], labels[sink] = count - 2, count - 1
        return np.asarray(labels[found]), int(count)

    def answer(
        self,
        above: Floats,
        below: Floats,
        current: Floats,
        resistance: float,
        under: float,
        over: float,
        method: str,
    ) -> Solution:
        """Carry the answer of the backbone to the network as given."""
        network, backbone = self.network, self.backbone
        voltages, currents = expand(
            backbone.attachment, backbone.nodes, above, below,
            backbone.resistors, current, self.exponent, len(network.conductances),
        )  # fmt: skip
        try:
            ohm = math.ldexp(resistance, -self.exponent)
        except OverflowError:
            raise ConvergenceError(
                "the resistance is above 1.8e308 ohm, more than a floating-point number "
                "holds; give the conductances in larger numbers"
            ) from None
        return Solution(
            network, ohm, ohm * (1.0 - under), ohm * (1.0 + over), voltages, currents,
            method,
        )  # fmt: skip
