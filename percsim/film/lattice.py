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
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.electrodes import (
    Bars,
    Electrode,
    Film,
    Fingers,
    FourTerminal,
    Layout,
)
from percsim.film.path import SHORTEST_SHARE, transfer_length
from percsim.network.build import Network
from percsim.network.solve import Solution, Sweep
from percsim.quantities import mm

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
        grid = _Grid.of(film, piece or block, dimension)
        layers, ny = len(grid.z), len(grid.y)
        bonds = [
            part for k in range(layers) for part in (grid.along(k), grid.across(k, wrapped))
        ]
        bonds += [grid.through(k) for k in range(layers - 1)]
        i, j = np.nonzero(grid.owner < 0)
        centers = np.meshgrid(
            0.5 * (grid.x[1:] + grid.x[:-1]), grid.y, grid.z, indexing="ij"
        )
        return cls(
            film,
            np.column_stack(
                [
                    np.repeat(grid.x[i], layers),
                    np.repeat(grid.y[j], layers),
                    np.tile(grid.z, len(i)),
                ]
            ),
            *_joined(bonds),
            np.column_stack([c.ravel() for c in centers]),
            grid.x,
            (len(grid.dx), ny, layers),
            tuple(
                grid.node(at, np.arange(ny)[:, None], np.arange(layers)).ravel()
                for at in grid.sense_columns
            ),
        )

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
        scale = transfer_length(mean, excess, t, layout.contact_resistivity, layout.across)
        interface = mean / t * float(scale**2)
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
    def all_resistors(self) -> NDArray[np.int32]:
        """Bonds, then what joins the sensing bars to the film."""
        rows = [self.resistors]
        for i, nodes in enumerate(self.sense_nodes):
            terminal = len(self.positions) + 2 + i
            rows.append(np.column_stack([nodes, np.full(len(nodes), terminal)]))
        return np.concatenate(rows).astype(np.int32)

    def solve(
        self,
        conductivity: Floats,
        excess_length: ArrayLike = 0.0,
        sweep: Sweep | None = None,
        resistors: NDArray[np.int32] | None = None,
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


_Bonds = tuple[
    Ints, Floats, Floats, Floats, Ints, NDArray[np.bool_], NDArray[np.bool_], Floats
]
"""Columns of some bonds, in the order of the fields of `Lattice`."""


@dataclass(frozen=True, slots=True)
class _Grid:
    """Cells of a film, and what each node and cell belongs to.

    `owner` (nx + 1, ny) of the nodes and `covered` (nx, ny) of the cells are -1 in the
    film, else the number of an electrode; `terminals` and `lengths` are those of the
    electrodes, `number` counts the nodes of the film seen from above. `below` (nx,) tells
    the cells below a sensing bar.
    """

    x: Floats
    y: Floats
    z: Floats
    dx: Floats
    dy: Floats
    dz: float
    owner: Ints
    covered: Ints
    number: Ints
    terminals: Ints
    lengths: Floats
    below: NDArray[np.bool_]
    sense_columns: tuple[int, ...]

    @classmethod
    def of(cls, film: Film, piece: float, dimension: int) -> _Grid:
        """Cut a film into cells about a piece long, with nodes at every electrode."""
        layout = film.layout
        electrodes = layout.electrodes(film.electrode_gap, film.width)
        plates = [e for e in electrodes if e.terminal in ("source", "sink")]
        sensing = [e for e in electrodes if e.terminal.startswith("sense")]
        whole = all(e.y == (0.0, film.width) for e in plates)
        start, stop = (
            (plates[0].x[1], plates[-1].x[0])
            if whole
            else (plates[0].x[0], plates[-1].x[1])
        )
        middles = [0.5 * (e.x[0] + e.x[1]) for e in sensing]
        ends = {x for e in electrodes for x in e.x if start <= x <= stop}
        x, dx = _cuts(sorted({start, stop, *ends, *middles}), piece)
        rows = {0.0, film.width} | {y for e in plates for y in e.y}
        y_edges, dy = _cuts(sorted(rows), piece)
        y = 0.5 * (y_edges[1:] + y_edges[:-1])
        layers = 1 if dimension == 2 else max(1, round(film.thickness / piece))
        dz = film.thickness / layers

        center, tiny = 0.5 * (x[1:] + x[:-1]), 1e-9 * (stop - start)
        owner = np.full((len(x), len(y)), -1)
        covered = np.full((len(dx), len(y)), -1)
        for k, e in enumerate(plates):
            row = (y > e.y[0]) & (y < e.y[1])
            owner[np.ix_((x >= e.x[0] - tiny) & (x <= e.x[1] + tiny), row)] = k
            covered[np.ix_((center > e.x[0]) & (center < e.x[1]), row)] = k
        free = owner < 0
        number = np.full(owner.shape, -1)
        number[free] = np.arange(free.sum())
        n = int(free.sum()) * layers
        below = np.zeros(len(dx), dtype=np.bool_)
        for e in sensing:
            below |= (center > e.x[0]) & (center < e.x[1])
        return cls(
            x,
            y,
            np.asarray(dz * (np.arange(layers) + 0.5)),
            dx,
            dy,
            dz,
            owner,
            covered,
            number,
            np.array([n + (e.terminal == "sink") for e in plates]),
            _electrode_lengths(layout, plates),
            below,
            tuple(int(np.argmin(abs(x - middle))) for middle in middles),
        )

    def node(self, i: Ints | int, j: Ints, k: Ints | int) -> Ints:
        """Give the nodes at places along, across and through the film."""
        at, layers = self.owner[i, j], len(self.z)
        inside = self.number[i, j] * layers + k
        return np.asarray(np.where(at >= 0, self.terminals[at], inside))

    def cell(self, i: Ints, j: Ints, k: int) -> Ints:
        """Cell at a node: the one behind it, at the last node the one before."""
        i = np.minimum(i, len(self.dx) - 1)
        return (i * len(self.dy) + j) * len(self.z) + k

    @property
    def _halves(self) -> Floats:
        """Half of the cell before each node and behind it, 0 where the film ends."""
        return 0.5 * np.concatenate([[0.0], self.dx, [0.0]])

    def along(self, k: int) -> _Bonds:
        """Bonds along the current in a layer: one through each cell that is film."""
        i, j = np.nonzero(self.covered < 0)
        area = self.dy[j] * self.dz
        ends = [
            np.where((at := self.owner[v, j]) >= 0, self.lengths[at], 0.0)
            for v in (i, i + 1)
        ]
        return _bonds(
            (self.node(i, j, k), self.node(i + 1, j, k)),
            self.dx[i] / area,
            area,
            self.dx[i] * self.dy[j] * self.dz,
            self.cell(i, j, k),
            across=False,
            below=self.below[i],
            ends=np.column_stack(ends),
        )

    def across(self, k: int, wrapped: bool) -> _Bonds:
        """Bonds across the film in a layer, between the middles of neighbouring rows."""
        ny = len(self.dy)
        rows = np.arange(ny if wrapped and ny > 1 else ny - 1)
        i, j = (a.ravel() for a in np.meshgrid(np.arange(len(self.x)), rows, indexing="ij"))
        m = (j + 1) % ny
        held = np.pad(self.covered, ((1, 1), (0, 0)), constant_values=-1) >= 0
        step = 0.5 * (self.dy[j] + self.dy[m])
        conductance, area = np.zeros(len(i)), np.zeros(len(i))
        for side in (i, i + 1):
            h, one, other = self._halves[side], held[side, j], held[side, m]
            # up to the tip of a finger where one covers a side
            path = np.where(one, 0.5 * self.dy[m], np.where(other, 0.5 * self.dy[j], step))
            conducts = ~(one & other)
            conductance += np.where(conducts, h / path, 0.0)
            area += np.where(conducts, h, 0.0)
        ends = np.column_stack([self.owner[i, j] >= 0, self.owner[i, m] >= 0])
        kept = (conductance > 0.0) & ~ends.all(axis=1)
        i, j, m, step, area = i[kept], j[kept], m[kept], step[kept], area[kept]
        return _bonds(
            (self.node(i, j, k), self.node(i, m, k)),
            area / conductance[kept] / (area * self.dz),
            area * self.dz,
            area * step * self.dz,
            self.cell(i, j, k),
            ends=np.where(ends[kept], np.inf, 0.0),
        )

    def through(self, k: int) -> _Bonds:
        """Bonds from a layer to the next, at every node of the film."""
        i, j = np.nonzero(self.owner < 0)
        area = (self._halves[i] + self._halves[i + 1]) * self.dy[j]
        nodes = self.node(i, j, k), self.node(i, j, k + 1)
        return _bonds(nodes, self.dz / area, area, area * self.dz, self.cell(i, j, k))


def _joined(parts: Sequence[_Bonds]) -> _Bonds:
    columns: Any = (np.concatenate(column) for column in zip(*parts, strict=True))
    return tuple(columns)


def _bonds(
    nodes: tuple[Ints, Ints],
    squares: Floats,
    areas: Floats,
    volumes: Floats,
    cells: Ints,
    *,
    across: bool = True,
    below: NDArray[np.bool_] | bool = False,
    ends: Floats | float = 0.0,
) -> _Bonds:
    """Columns of bonds, without those from a terminal to itself."""
    n, kept = len(cells), nodes[0] != nodes[1]
    columns: Any = (
        np.column_stack(nodes), squares, areas, volumes, cells, np.full(n, across),
        np.broadcast_to(below, n), np.broadcast_to(ends, (n, 2)),
    )  # fmt: skip
    kept_columns: Any = (column[kept] for column in columns)
    return tuple(kept_columns)


def _electrode_lengths(layout: Layout, plates: Sequence[Electrode]) -> Floats:
    """Length of each driving electrode that current enters from one side [m]."""
    if isinstance(layout, Bars):
        return np.full(len(plates), layout.electrode_length or math.inf)
    lengths = np.array([e.x[1] - e.x[0] for e in plates])
    if isinstance(layout, Fingers):
        lengths[1:-1] *= 0.5  # fed from both sides
    return lengths
