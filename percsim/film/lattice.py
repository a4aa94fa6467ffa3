r"""Stage 7. The lattice of a film: bonds of blocks between electrodes of any layout.

A lattice of independent random bonds has the effective conductance of the medium, in two
dimensions :math:`\sqrt{\sigma_1 \sigma_2}` for two kinds of bond in equal parts (Dykhne,
Sov. Phys. JETP 32, 63 (1971); a check in the tests).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.electrodes import (
    SHORTEST_SHARE,
    Bars,
    Film,
    Fingers,
    FourTerminal,
    transfer_length,
)
from percsim.network.build import Network
from percsim.network.solve import Solution, Sweep
from percsim.words import mm

__all__ = ["Lattice"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _cuts(points: Sequence[float], piece: float) -> tuple[Floats, Floats]:
    """Edges and lengths of cells about a piece long between points."""
    edges = [points[0]]
    for a, b in pairwise(points):
        n = max(1, round((b - a) / piece))
        edges += [a + (b - a) * (j + 1) / n for j in range(n)]
    x = np.array(edges)
    return x, np.diff(x)


@dataclass(frozen=True, slots=True)
class Lattice:
    """Bonds of blocks between the electrodes of a film.

    Nodes lie at the edges of blocks along the current and at the middle of the rows across
    it, so that a bond along the current is one block, and a lattice of n by n bonds is its
    own dual. Make one with `Lattice.of`.

    Parameters
    ----------
    film : Film
        The film.
    positions : (n, 3) ndarray of float
        Nodes of the film [m]; source, sink and sensing terminals follow them.
    resistors : (e, 2) ndarray of int
        Nodes at the ends of each bond.
    squares : (e,) ndarray of float
        Resistance over resistivity of each bond [1/m].
    areas : (e,) ndarray of float
        Cross-section of each bond [m^2].
    volumes : (e,) ndarray of float
        Volume each bond stands for [m^3].
    cells : (e,) ndarray of int
        Cell of the film, row by row, that a bond lies in.
    across : (e,) ndarray of bool
        Whether a bond runs across the film.
    below : (e,) ndarray of bool
        Whether a bond lies below a sensing bar, which shortens it.
    edge_lengths : (e, 2) ndarray of float
        Length of the electrode [m] at an end of a bond that meets one, 0 where none is.
    cell_centers : (n cells, 3) ndarray of float
        Middle of every cell [m].
    x_edges : (nx + 1,) ndarray of float
        Ends of the cells along the film [m].
    shape : (int, int, int)
        Cells along, across and through the film.
    sense_nodes : tuple of ndarray of int
        Nodes below the two sensing bars, empty for two terminals.

    """

    film: Film
    positions: Floats = field(repr=False)
    resistors: Ints = field(repr=False)
    squares: Floats = field(repr=False)
    areas: Floats = field(repr=False)
    volumes: Floats = field(repr=False)
    cells: Ints = field(repr=False)
    across: NDArray[np.bool_] = field(repr=False)
    below: NDArray[np.bool_] = field(repr=False)
    edge_lengths: Floats = field(repr=False)
    cell_centers: Floats = field(repr=False)
    x_edges: Floats = field(repr=False)
    shape: tuple[int, int, int]
    sense_nodes: tuple[Ints, ...] = ()

    @property
    def n_nodes(self) -> int:
        """Nodes with the terminals."""
        return len(self.positions) + 2 + len(self.sense_nodes)

    def __len__(self) -> int:
        return len(self.resistors)

    @classmethod
    def of(
        cls,
        film: Film,
        block: float,
        piece: float | None = None,
        *,
        dimension: int = 3,
        wrapped: bool = False,
    ) -> Lattice:
        """Lay blocks between the electrodes of a film.

        Parameters
        ----------
        film : Film
            Film and layout.
        block : float
            Edge of a block [m].
        piece : float, optional
            Edge of a cell of the lattice [m], by default a block; cells are the nearest
            whole number that fits.
        dimension : int
            2: blocks take the whole thickness. 3: cubes, stacked through it.
        wrapped : bool
            Join the two edges of the film, as a periodic box is.

        Returns
        -------
        Lattice

        Raises
        ------
        ValueError
            If the film is smaller than a block.

        """
        gap, width, thickness = film.electrode_gap, film.width, film.thickness
        sizes = {"electrode gap": gap, "width": width}
        if dimension == 3:
            sizes["thickness"] = thickness
        for name, size in sizes.items():
            if size < block * (1.0 - 1e-9):
                raise ValueError(
                    f"blocks of {mm(block)} are larger than the film's {name}, "
                    f"{mm(size)}: make boxes.lengths shorter"
                )
        return _lay(film, piece or block, dimension, wrapped)

    def conductances(self, conductivity: Floats, excess_length: ArrayLike) -> Floats:
        """Conductance of every resistor [S], in the order of `all_resistors`.

        `conductivity` (e,) is that of each bond [S/m], 0 where open; `excess_length` is
        r_c/rho [m] of each, used where one meets an electrode.
        """
        conducts = conductivity > 0.0
        rho = 1.0 / np.where(conducts, conductivity, 1.0)
        ratio = np.broadcast_to(np.asarray(excess_length, dtype=np.float64), rho.shape)
        path = self.squares.copy()
        layout, t = self.film.layout, self.film.thickness
        if isinstance(layout, FourTerminal):
            under = self.below
            below = layout.below(rho[under], ratio[under] * rho[under], t)
            path[under] *= below / layout.electrode_length
        for lengths in self.edge_lengths.T:
            meets = np.flatnonzero(lengths > 0.0)
            ends = self._edge(rho[meets], ratio[meets], lengths[meets])
            path[meets] += ends / (rho[meets] * self.areas[meets])
        path = np.maximum(path, SHORTEST_SHARE * self.squares)
        g = np.where(conducts, 1.0 / (rho * path), 0.0)
        if not isinstance(layout, FourTerminal):
            return g
        counted = conducts & ~self.across
        mean = float(np.exp(np.log(rho[counted]).mean())) if counted.any() else 1.0
        excess = mean * float(ratio[counted].mean()) if counted.any() else 0.0
        # an interface of that conductance has the transfer length under a long bar
        interface = (
            mean
            / t
            * float(
                transfer_length(mean, excess, t, layout.contact_resistivity, layout.across)
                ** 2
            )
        )
        area = layout.electrode_length * self.film.width
        sensing = [
            np.full(len(nodes), area / interface / len(nodes)) for nodes in self.sense_nodes
        ]
        return np.concatenate([g, *sensing])

    def _edge(self, rho: Floats, ratio: Floats, lengths: Floats) -> Floats:
        layout = self.film.layout
        excess = ratio * rho
        if isinstance(layout, FourTerminal):
            # the driving bars do not enter the reading
            return 0.5 * excess
        bars = (
            Bars(layout.mount, None, layout.contact_resistivity, layout.across)
            if isinstance(layout, Fingers)
            else layout
        )
        assert isinstance(bars, Bars)
        out = np.empty_like(rho)
        for length in np.unique(lengths):
            at = lengths == length
            out[at] = bars.edge(rho[at], excess[at], self.film.thickness, float(length))
        return out

    @property
    def all_resistors(self) -> Ints:
        """Bonds, then what joins the sensing bars to the film."""
        rows = [self.resistors]
        for i, nodes in enumerate(self.sense_nodes):
            terminal = len(self.positions) + 2 + i
            rows.append(np.column_stack([nodes, np.full(len(nodes), terminal)]))
        return np.concatenate(rows)

    def solve(
        self,
        conductivity: Floats,
        excess_length: ArrayLike = 0.0,
        sweep: Sweep | None = None,
        resistors: Ints | None = None,
    ) -> tuple[float, Solution]:
        """Give the reading of the film [ohm] for bond conductivities (e,) [S/m].

        With the solution; the reading is inf where no current flows between the driving
        electrodes.
        """
        g = self.conductances(conductivity, excess_length)
        rows = self.all_resistors if resistors is None else resistors
        n = len(self.positions)
        network = Network(self.n_nodes, rows, g, n, n + 1)
        solution = (sweep or Sweep(always_eliminated=2000)).solve(network)
        if not self.sense_nodes or solution.is_open:
            return solution.resistance, solution
        drop = float(solution.voltages[n + 2] - solution.voltages[n + 3])
        return drop * solution.resistance, solution

    def maps(self, solution: Solution) -> tuple[Floats, Floats, Floats, Floats]:
        """Give a solved film seen from above.

        Parameters
        ----------
        solution : Solution
            As `solve` returned it.

        Returns
        -------
        x : (nx + 1,) ndarray of float
            Ends of the cells along the film [m].
        y : (ny,) ndarray of float
            Middles of the rows across it [m].
        potential : (nx + 1, ny) ndarray of float
            At every node, 1 at the source and 0 at the sink; layers averaged.
        density : (nx, ny) ndarray of float
            Current density in every cell [A/m^2] for 1 V, 0 where an electrode is.

        """
        nx, ny, layers = self.shape
        y = np.unique(self.cell_centers[:, 1])
        n = len(self.positions)
        grid = np.full((nx + 1, ny), np.nan)
        total, count = np.zeros((nx + 1, ny)), np.zeros((nx + 1, ny))
        x = self.x_edges
        i = np.searchsorted(x, self.positions[:, 0] - 1e-9 * (x[-1] - x[0]))
        j = np.searchsorted(y, self.positions[:, 1] - 1e-9 * (y[-1] + y[0]))
        np.add.at(total, (i, j), solution.voltages[:n])
        np.add.at(count, (i, j), 1.0)
        known = count > 0.0
        grid[known] = total[known] / count[known]
        plates = [
            e
            for e in self.film.layout.electrodes(self.film.electrode_gap, self.film.width)
            if e.terminal in ("source", "sink")
        ]
        tiny = 1e-9 * (x[-1] - x[0])
        for e in plates:
            row = (y > e.y[0]) & (y < e.y[1])
            on = (x >= e.x[0] - tiny) & (x <= e.x[1] + tiny)
            grid[np.ix_(on, row)] = float(e.terminal == "source")
        current = solution.currents[: len(self)] / self.areas
        cells = self.cells // layers
        along = ~self.across
        density = np.bincount(cells[along], current[along], nx * ny).reshape(nx, ny)
        return x, y, grid, np.hypot(density, self._crosswise(current)) / layers

    def _crosswise(self, current: Floats) -> Floats:
        """Give the current density across the film in each cell (nx, ny), layers summed."""
        nx, ny, layers = self.shape
        last = len(self.positions) - 1
        ends = self.positions[np.minimum(self.resistors, last)]
        level = (self.resistors > last).any(axis=1) | (ends[:, 0, 2] == ends[:, 1, 2])
        bonds = np.flatnonzero(self.across & level)
        first = np.where(self.resistors[bonds, 0] > last, 1, 0)
        node = ends[bonds, first]
        i = np.rint(np.interp(node[:, 0], self.x_edges, np.arange(nx + 1))).astype(int)
        j = self.cells[bonds] // layers % ny
        total, count = np.zeros((nx, ny)), np.zeros((nx, ny))
        for di in (-1, 0):
            for dj in (0, 1):
                at = (i + di, (j + dj) % ny)
                inside = (at[0] >= 0) & (at[0] < nx)
                cell = (at[0][inside], at[1][inside])
                np.add.at(total, cell, current[bonds][inside])
                np.add.at(count, cell, 1.0)
        found = total * layers / np.maximum(count, 1.0)
        found[self._covered()] = 0.0
        return found

    def _covered(self) -> NDArray[np.bool_]:
        """Cells that a driving electrode takes the place of, (nx, ny)."""
        nx, ny, layers = self.shape
        filled = np.zeros(nx * ny, dtype=np.bool_)
        filled[self.cells[~self.across] // layers] = True
        return ~filled.reshape(nx, ny)


def _lay(film: Film, piece: float, dimension: int, wrapped: bool) -> Lattice:
    """Nodes and bonds of `Lattice.of`."""
    layout, t = film.layout, film.thickness
    electrodes = layout.electrodes(film.electrode_gap, film.width)
    plates = [e for e in electrodes if e.terminal in ("source", "sink")]
    sensing = [e for e in electrodes if e.terminal.startswith("sense")]
    whole = all(e.y == (0.0, film.width) for e in plates)
    start, stop = (
        (plates[0].x[1], plates[-1].x[0]) if whole else (plates[0].x[0], plates[-1].x[1])
    )
    points = {start, stop}
    for e in electrodes:
        points |= {x for x in e.x if start <= x <= stop}
    for e in sensing:
        points.add(0.5 * (e.x[0] + e.x[1]))
    x, dx = _cuts(sorted(points), piece)
    rows = sorted({0.0, film.width} | {y for e in plates for y in e.y})
    y_edges, dy = _cuts(rows, piece)
    layers = 1 if dimension == 2 else max(1, round(t / piece))
    dz = t / layers
    y = 0.5 * (y_edges[1:] + y_edges[:-1])
    z = dz * (np.arange(layers) + 0.5)
    nx, ny = len(dx), len(dy)

    # what each node and cell belongs to: -1 the film, else the number of an electrode
    middle = 0.5 * (x[1:] + x[:-1])
    owner = np.full((nx + 1, ny), -1)
    covered = np.full((nx, ny), -1)
    tiny = 1e-9 * (stop - start)
    for k, e in enumerate(plates):
        row = (y > e.y[0]) & (y < e.y[1])
        owner[np.ix_((x >= e.x[0] - tiny) & (x <= e.x[1] + tiny), row)] = k
        covered[np.ix_((middle > e.x[0]) & (middle < e.x[1]), row)] = k
    free = owner < 0
    number = np.full(owner.shape, -1)
    number[free] = np.arange(free.sum())
    n = int(free.sum()) * layers
    terminal = np.array([n + (e.terminal == "sink") for e in plates])
    first, last = 0, len(plates) - 1
    lengths = np.array(
        [e.x[1] - e.x[0] if not isinstance(layout, Bars) else np.inf for e in plates]
    )
    if isinstance(layout, Bars) and layout.electrode_length is not None:
        lengths[:] = layout.electrode_length
    if isinstance(layout, Fingers):
        lengths[first + 1 : last] *= 0.5  # fed from both sides

    def node(i: int, j: int, k: int) -> int:
        at = owner[i, j]
        return int(terminal[at]) if at >= 0 else int(number[i, j]) * layers + k

    under = np.zeros(nx, dtype=np.bool_)
    for e in sensing:
        under |= (middle > e.x[0]) & (middle < e.x[1])
    bonds: list[tuple[int, int]] = []
    squares: list[float] = []
    areas: list[float] = []
    volumes: list[float] = []
    cells: list[int] = []
    across: list[bool] = []
    below: list[bool] = []
    edges: list[tuple[float, float]] = []

    def add(
        a: int, b: int, path: float, area: float, volume: float, cell: int,
        crosswise: bool, ends: tuple[float, float], sensed: bool = False,
    ) -> None:  # fmt: skip
        if a == b:
            return
        bonds.append((a, b))
        squares.append(path / area)
        areas.append(area)
        volumes.append(volume)
        cells.append(cell)
        across.append(crosswise)
        below.append(sensed)
        edges.append(ends)

    def cell(i: int, j: int, k: int) -> int:
        return (min(i, nx - 1) * ny + j) * layers + k

    half = 0.5 * np.concatenate([[0.0], dx, [0.0]])
    for k in range(layers):
        for i in range(nx):
            for j in range(ny):
                if covered[i, j] >= 0:
                    continue
                ends = tuple(
                    float(lengths[owner[v, j]]) if owner[v, j] >= 0 else 0.0
                    for v in (i, i + 1)
                )
                add(
                    node(i, j, k), node(i + 1, j, k), float(dx[i]),
                    float(dy[j] * dz), float(dx[i] * dy[j] * dz), cell(i, j, k),
                    False, (ends[0], ends[1]), bool(under[i]),
                )  # fmt: skip
        for i in range(nx + 1):
            pairs = [(j, j + 1) for j in range(ny - 1)]
            if wrapped and ny > 1:
                pairs.append((ny - 1, 0))
            for j, m in pairs:
                if owner[i, j] >= 0 and owner[i, m] >= 0:
                    continue
                step = 0.5 * float(dy[j] + dy[m])
                conductance = area = 0.0
                for side, h in ((i - 1, float(half[i])), (i, float(half[i + 1]))):
                    if h == 0.0:
                        continue
                    if covered[side, j] >= 0 and covered[side, m] >= 0:
                        continue
                    # up to the tip of a finger where one covers a side
                    path = step
                    if covered[side, j] >= 0:
                        path = 0.5 * float(dy[m])
                    elif covered[side, m] >= 0:
                        path = 0.5 * float(dy[j])
                    conductance += h / path
                    area += h
                if conductance == 0.0:
                    continue
                ends2 = tuple(math.inf if owner[i, r] >= 0 else 0.0 for r in (j, m))
                add(
                    node(i, j, k), node(i, m, k), area / conductance, area * dz,
                    area * step * dz, cell(i, j, k), True, (ends2[0], ends2[1]),
                )  # fmt: skip
    for k in range(layers - 1):
        for i in range(nx + 1):
            for j in range(ny):
                if owner[i, j] < 0:
                    base = float((half[i] + half[i + 1]) * dy[j])
                    add(
                        node(i, j, k), node(i, j, k + 1), dz, base, base * dz,
                        cell(i, j, k), True, (0.0, 0.0),
                    )  # fmt: skip
    at = np.argwhere(free)
    positions = np.column_stack(
        [
            np.repeat(x[at[:, 0]], layers),
            np.repeat(y[at[:, 1]], layers),
            np.tile(z, len(at)),
        ]
    )
    sense_nodes = []
    for e in sensing:
        i = int(np.argmin(abs(x - 0.5 * (e.x[0] + e.x[1]))))
        sense_nodes.append(
            np.array([node(i, j, k) for j in range(ny) for k in range(layers)])
        )
    grid = np.meshgrid(middle, y, z, indexing="ij")
    return Lattice(
        film,
        positions,
        np.array(bonds, dtype=np.int64).reshape(-1, 2),
        np.array(squares),
        np.array(areas),
        np.array(volumes),
        np.array(cells, dtype=np.int64),
        np.array(across, dtype=np.bool_),
        np.array(below, dtype=np.bool_),
        np.array(edges).reshape(-1, 2),
        np.column_stack([g.ravel() for g in grid]),
        x,
        (nx, ny, layers),
        tuple(sense_nodes),
    )
