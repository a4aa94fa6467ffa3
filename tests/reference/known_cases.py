r"""Arrangements and networks whose answer is known.

Tests, documentation and benchmarks draw on these. Networks have resistors of 1 ohm unless
they say otherwise and come with their resistance, as a `KnownNetwork`; sources of the
values stand beside each.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.network.build import Network
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box

__all__ = [
    "CUBIC_LATTICE",
    "SQUARE_LATTICE",
    "KnownNetwork",
    "all_known_networks",
    "bridge",
    "bus_bar_lattice",
    "chain_of_spheres",
    "complete",
    "crossed_rods",
    "cube",
    "cycle",
    "grid",
    "hypercube",
    "ladder",
    "lattice_patch",
    "octahedron",
    "parallel",
    "series",
    "stacked_flakes",
    "tetrahedron",
]

SQUARE_LATTICE: dict[tuple[int, int], float] = {
    (1, 0): 0.5,
    (1, 1): 2.0 / math.pi,
    (2, 0): 2.0 - 4.0 / math.pi,
    (2, 1): 4.0 / math.pi - 0.5,
    (2, 2): 8.0 / (3.0 * math.pi),
    (3, 0): 17.0 / 2.0 - 24.0 / math.pi,
    (3, 3): 46.0 / (15.0 * math.pi),
}
"""Resistance between (0, 0) and (i, j) of the infinite square lattice [ohm].

Cserti, "Application of the lattice Green's function for calculating the resistance of an
infinite network of resistors", Am. J. Phys. 68, 896 (2000). https://doi.org/10.1119/1.1285881
"""

CUBIC_LATTICE: dict[tuple[int, int, int], float] = {
    (1, 0, 0): 1.0 / 3.0,
    (1, 1, 0): 0.395079152,
    (1, 1, 1): 0.418305311,
    (2, 0, 0): 0.419683391,
}
"""The same for the infinite cubic lattice [ohm], from Watson-type integrals, ibid."""


@dataclass(frozen=True, slots=True)
class KnownNetwork:
    """A network and the resistance between its terminals.

    Parameters
    ----------
    name : str
        What it is.
    network : Network
        The resistors.
    resistance : float
        Exact, between source and sink [ohm].

    """

    name: str
    network: Network
    resistance: float


def _unit(
    name: str, pairs: Sequence[tuple[int, int]], source: int, sink: int, resistance: float
) -> KnownNetwork:
    rows = np.array(pairs, dtype=np.int64).reshape(-1, 2)
    network = Network(int(rows.max()) + 1, rows, np.ones(len(rows)), source, sink)
    return KnownNetwork(name, network, resistance)


def series(resistances: Sequence[float] = (1.0, 2.0, 3.0)) -> KnownNetwork:
    """Resistors one after the other [ohm]: they add."""
    n = len(resistances)
    rows = np.column_stack([np.arange(n), np.arange(1, n + 1)])
    network = Network(n + 1, rows, 1.0 / np.asarray(resistances, dtype=float), 0, n)
    return KnownNetwork(f"{n} in series", network, math.fsum(resistances))


def parallel(resistances: Sequence[float] = (1.0, 2.0, 3.0)) -> KnownNetwork:
    """Resistors side by side [ohm]: their inverses add."""
    n = len(resistances)
    g = 1.0 / np.asarray(resistances, dtype=float)
    network = Network(2, np.tile([0, 1], (n, 1)), g, 0, 1)
    return KnownNetwork(
        f"{n} in parallel", network, 1.0 / math.fsum(1.0 / r for r in resistances)
    )


def bridge(
    first: float = 1.0, second: float = 2.0, third: float = 3.0, fourth: float = 4.0,
    middle: float = 5.0,
) -> KnownNetwork:  # fmt: skip
    """Wheatstone bridge: first and third at the source, second and fourth at the sink.

    `first` and `second` meet at one end of `middle`, `third` and `fourth` at the other
    [ohm]. The value follows from replacing the triangle at the source by a star.

    """
    rows = [(0, 1), (1, 3), (0, 2), (2, 3), (1, 2)]
    r = np.array([first, second, third, fourth, middle])
    perimeter = first + third + middle
    one = first * middle / perimeter + second
    other = third * middle / perimeter + fourth
    value = first * third / perimeter + one * other / (one + other)
    network = Network(4, np.array(rows), 1.0 / r, 0, 3)
    return KnownNetwork("bridge", network, value)


def complete(n: int = 10) -> KnownNetwork:
    """Every pair of `n` nodes joined: 2/n ohm between any two (Foster 1949)."""
    return _unit(
        f"complete {n}", list(itertools.combinations(range(n), 2)), 0, n - 1, 2.0 / n
    )


def cycle(n: int = 7, apart: int = 2) -> KnownNetwork:
    """Join `n` nodes to a ring: k (n - k)/n ohm between nodes `apart` = k."""
    rows = [(i, (i + 1) % n) for i in range(n)]
    return _unit(f"cycle {n}", rows, 0, apart, apart * (n - apart) / n)


def hypercube(n: int = 4, antipodal: bool = True) -> KnownNetwork:
    r"""Corners of the `n`-cube.

    Antipodal corners: :math:`\frac1n \sum_{k<n} 1/\binom{n-1}{k}`, layers of equal voltage;
    adjacent corners: :math:`(2^n - 1)/(n 2^{n-1})` (Foster 1949).

    """
    rows = [(i, i ^ (1 << b)) for i in range(2**n) for b in range(n) if not i >> b & 1]
    if antipodal:
        value = math.fsum(1.0 / math.comb(n - 1, k) for k in range(n)) / n
        return _unit(f"{n}-cube, antipodal", rows, 0, 2**n - 1, value)
    return _unit(f"{n}-cube, adjacent", rows, 0, 1, (2**n - 1) / (n * 2 ** (n - 1)))


def cube(apart: Literal[1, 2, 3] = 3) -> KnownNetwork:
    """Edges of a cube, nodes 1, 2 or 3 edges apart: 7/12, 3/4, 5/6 ohm."""
    rows = hypercube(3).network.resistors
    sink = (1, 3, 7)[apart - 1]
    network = Network(8, rows, np.ones(12), 0, sink)
    return KnownNetwork(
        f"cube, {apart} apart", network, (7.0 / 12.0, 0.75, 5.0 / 6.0)[apart - 1]
    )


def tetrahedron() -> KnownNetwork:
    """Edges of a tetrahedron: 1/2 ohm (Foster 1949)."""
    return _unit("tetrahedron", list(itertools.combinations(range(4), 2)), 0, 1, 0.5)


def octahedron(opposite: bool = False) -> KnownNetwork:
    """Edges of an octahedron: 5/12 ohm between adjacent corners, 1/2 if opposite."""
    rows = [(i, j) for i, j in itertools.combinations(range(6), 2) if i + j != 5]
    if opposite:
        return _unit("octahedron, opposite", rows, 0, 5, 0.5)
    return _unit("octahedron, adjacent", rows, 0, 1, 5.0 / 12.0)


def ladder(cells: int = 12) -> KnownNetwork:
    r"""Cells of a series and a shunt resistor; the value falls to the golden ratio.

    From :math:`R \to 1 + R/(1 + R)`: a ratio of Fibonacci numbers,
    :math:`F_{2n+1}/F_{2n}` for `n` cells.

    """
    rows = []
    for i in range(cells):
        rows += [(0 if i == 0 else i + 1, i + 2), (i + 2, 1)]
    a, b = 1, 1
    for _ in range(2 * cells - 1):
        a, b = b, a + b
    return _unit(f"ladder of {cells}", rows, 0, 1, b / a)


def _lattice_pairs(shape: Sequence[int]) -> NDArray[np.int64]:
    """Nearest neighbours of a square or cubic lattice."""
    index = np.arange(math.prod(shape)).reshape(tuple(shape))
    rows = []
    for axis in range(len(shape)):
        first = np.take(index, range(shape[axis] - 1), axis=axis)
        second = np.take(index, range(1, shape[axis]), axis=axis)
        rows.append(np.column_stack([first.ravel(), second.ravel()]))
    return np.concatenate(rows)


def grid(shape: Sequence[int] = (7, 5)) -> KnownNetwork:
    """Uniform grid between two equipotential faces.

    Parameters
    ----------
    shape : sequence of int
        Resistors in series along the current, then lines side by side in each other
        direction. The value is the first over the product of the others, whatever the
        transverse resistors do (every cross-section is at one voltage).

    """
    m, *across = shape
    lines = math.prod(across)
    inner = _lattice_pairs((m - 1, *across)) if m > 1 else np.zeros((0, 2), dtype=np.int64)
    n = (m - 1) * lines
    if m == 1:
        rows = np.tile([0, 1], (lines, 1))
        return KnownNetwork("grid", Network(2, rows, np.ones(lines), 0, 1), 1.0 / lines)
    face = np.arange(lines)
    rows = np.concatenate(
        [
            inner,
            np.column_stack([np.full(lines, n), face]),
            np.column_stack([face + n - lines, np.full(lines, n + 1)]),
        ]
    )
    name = "grid " + " x ".join(map(str, shape))
    return KnownNetwork(name, Network(n + 2, rows, np.ones(len(rows)), n, n + 1), m / lines)


def lattice_patch(size: int, offset: Sequence[int]) -> Network:
    """Cut a square or cubic patch, terminals `offset` apart about its middle.

    The resistance comes to the value of the infinite lattice (`SQUARE_LATTICE`,
    `CUBIC_LATTICE`) from above, with an error of order 1/size^2 in two dimensions.

    """
    shape = (size,) * len(offset)
    middle = np.full(len(offset), (size - max(offset)) // 2)
    source = int(np.ravel_multi_index(tuple(middle), shape))
    sink = int(np.ravel_multi_index(tuple(middle + np.asarray(offset)), shape))
    rows = _lattice_pairs(shape)
    return Network(size ** len(offset), rows, np.ones(len(rows)), source, sink)


def bus_bar_lattice(k: int, conductances: ArrayLike) -> Network:
    """Self-dual square lattice between bus bars.

    Parameters
    ----------
    k : int
        Rows; each has k resistors along the current, and each of the k - 1 columns between
        them has k - 1 across.
    conductances : (k**2 + (k - 1)**2,) array_like
        Along the current row by row, then across row by row [S].

    Returns
    -------
    Network
        With conductances drawn from a and b with equal chance, ln G is symmetric about
        ln sqrt(a b) for every k (planar duality: Keller, J. Math. Phys. 5, 548 (1964)).

    """
    columns = k - 1
    node = np.arange(k * columns).reshape(k, columns)
    source, sink = k * columns, k * columns + 1
    along = np.concatenate([np.full((k, 1), source), node, np.full((k, 1), sink)], axis=1)
    rows = np.concatenate(
        [
            np.column_stack([along[:, :-1].ravel(), along[:, 1:].ravel()]),
            np.column_stack([node[:-1].ravel(), node[1:].ravel()]),
        ]
    )
    return Network(
        k * columns + 2, rows, np.asarray(conductances, dtype=float), source, sink
    )


def all_known_networks() -> list[KnownNetwork]:
    """One of each, in several sizes."""
    makers: list[Callable[[], KnownNetwork]] = [series, parallel, bridge, tetrahedron]
    cases = [make() for make in makers]
    cases += [cube(1), cube(2), cube(3), octahedron(False), octahedron(True)]
    cases += [complete(n) for n in (2, 3, 10, 60)]
    cases += [cycle(7, 2), cycle(50, 25), ladder(1), ladder(2), ladder(30)]
    cases += [hypercube(n, far) for n in (1, 4, 7) for far in (True, False)]
    cases += [grid((1, 4)), grid((7, 5)), grid((4, 3, 5)), grid((30, 20))]
    return cases


def crossed_rods(
    distance: float, radius: float, half_length: float | None = None
) -> Particles:
    """Two rods crossed at right angles at their middles.

    Parameters
    ----------
    distance : float
        Between their axes [m]; the gap is distance - 2 radius.
    radius : float
        Of each rod [m].
    half_length : float, optional
        Of the axes, caps excluded [m]; by default ten times the larger of the two lengths.

    Returns
    -------
    Particles
        In the middle of a box that is periodic across the current.

    """
    half = 10.0 * max(distance, radius) if half_length is None else half_length
    edge = 4.0 * (half + distance + radius)
    middle = np.full(3, 0.5 * edge)
    shift = np.array([0.0, 0.0, 0.5 * distance])
    return Particles(
        np.array([ROD, ROD], dtype=np.int8),
        np.array([middle - shift, middle + shift]),
        np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
        np.array([half, half]),
        np.array([radius, radius]),
        Box((edge, edge, edge), (False, True, True)),
    )


def stacked_flakes(
    gap: float, diameter: float, thickness: float, count: int = 2
) -> Particles:
    """Equal flakes one above the other, faces parallel.

    Parameters
    ----------
    gap : float
        Between facing surfaces [m].
    diameter, thickness : float
        Of each flake, rounded edge included [m].
    count : int
        Number of flakes, at least 1.

    Returns
    -------
    Particles
        In a box that is periodic across the current; the stack runs along its last axis.

    """
    pitch = thickness + gap
    edge = 2.0 * diameter + 2.0 * count * pitch
    centers = np.full((count, 3), 0.5 * edge)
    centers[:, 2] += pitch * (np.arange(count) - 0.5 * (count - 1))
    return Particles(
        np.full(count, FLAKE, dtype=np.int8),
        centers,
        np.tile([0.0, 0.0, 1.0], (count, 1)),
        np.full(count, 0.5 * (diameter - thickness)),
        np.full(count, 0.5 * thickness),
        Box((edge, edge, edge), (False, True, True)),
    )


def chain_of_spheres(count: int, radius: float, overlap: float = 0.0) -> Particles:
    """Place equal spheres in a row from electrode to electrode.

    Parameters
    ----------
    count : int
        Number of spheres, at least 1.
    radius : float
        Of each [m].
    overlap : float
        Of neighbours, as a share of the diameter, 0 to 1: every gap is -2 radius overlap,
        and the first and last reach into the electrode faces by the same.

    Returns
    -------
    Particles
        With contacts of conductance g, electrode contacts included, the chain has
        (count + 1)/g ohm.

    """
    pitch = 2.0 * radius * (1.0 - overlap)
    length = count * pitch
    edge = 8.0 * radius
    centers = np.full((count, 3), 0.5 * edge)
    centers[:, 0] = pitch * (np.arange(count) + 0.5)
    return Particles(
        np.full(count, SPHERE, dtype=np.int8),
        centers,
        np.tile([1.0, 0.0, 0.0], (count, 1)),
        np.zeros(count),
        np.full(count, radius),
        Box((length, edge, edge), (False, True, True)),
    )
