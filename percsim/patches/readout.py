"""What each patch of a sheet reads through its wiring, by the network of the sheet.

Rows and columns cross at the patches. A line has a switch at its end and the same
resistance over every pitch, the first included. The reading of a patch is the resistance
that an instrument without knowledge of the rest would state.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "DIODE_SLOPE",
    "WAYS",
    "Wiring",
    "cross_talk",
    "invert_floating",
    "noise_amplification",
    "work",
]

Floats = NDArray[np.float64]

WAYS = ("own pairs", "common return", "floating", "held")
DIODE_SLOPE = -2e-3
"""Change of the forward voltage of a silicon diode at a given current [V/K] (common
practice, no source)."""
OPEN = 1e-12
"""Conductance that stands for an open patch, over that of the mean one: it keeps a floating
line with open patches only from having no potential at all."""
STEPS = 60
"""Newton steps to invert a floating matrix, halved ones included."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """How the patches of a sheet are connected and read.

    Parameters
    ----------
    way : {"own pairs", "common return", "floating", "held"}
        Two leads a patch; one lead a patch and a return of all, fed at once; rows and
        columns, those not read floating; or held at the potential of the amplifiers.
    line : float
        Resistance of a line over one pitch; of a lead, all of it; of the return [ohm].
    switch : float
        Resistance of the switch or driver at the end of a line or lead [ohm].
    supply : float
        Voltage of the reading [V].
    offset : float
        Standard deviation of the offsets of the amplifiers [V].
    diodes : bool
        Whether a diode in series with every patch blocks what runs backwards.
    diode_drop : float
        Forward voltage of the diodes at 20 C [V], which the instrument takes off.

    Raises
    ------
    ValueError
        If the way is not known, a resistance is negative or the drop exceeds the supply.

    """

    way: Literal["own pairs", "common return", "floating", "held"] = "own pairs"
    line: float = 0.0
    switch: float = 0.0
    supply: float = 3.3
    offset: float = 0.0
    diodes: bool = False
    diode_drop: float = 0.6

    def __post_init__(self) -> None:
        if self.way not in WAYS:
            raise ValueError(f"way must be one of {', '.join(WAYS)}, got {self.way!r}")
        for name in ("line", "switch", "offset"):
            if not 0.0 <= getattr(self, name) < float("inf"):
                raise ValueError(f"{name} must be 0 or more, got {getattr(self, name)}")
        if self.diodes and not 0.0 <= self.diode_drop < self.supply:
            raise ValueError(
                f"diode_drop must be below the supply, {self.supply:g} V, got"
                f" {self.diode_drop:g} V"
            )

    @property
    def is_matrix(self) -> bool:
        """Whether rows and columns share lines."""
        return self.way in ("floating", "held")

    def read(
        self,
        resistances: Floats,
        offsets: Floats | None = None,
        warming: Floats | float = 0.0,
    ) -> Floats:
        """Resistance that is read of every patch.

        Parameters
        ----------
        resistances : (m, n) ndarray of float
            Of the patches [ohm], inf where open.
        offsets : (n,) ndarray of float, optional
            Of the amplifiers of the columns [V]; none without.
        warming : float or (m, n) ndarray of float
            How much warmer than 20 C the diodes are [K].

        Returns
        -------
        (m, n) ndarray of float
            [ohm]; inf where no current is read. With offsets it may be negative.

        Raises
        ------
        ValueError
            If the resistances are no matrix of positive numbers.

        """
        if resistances.ndim != 2 or not (resistances > 0.0).all():
            raise ValueError("resistances must be positive and of shape (rows, columns)")
        if self.diodes:
            return self._through_diodes(resistances, warming)
        if self.way == "own pairs":
            return np.asarray(resistances + 2.0 * (self.line + self.switch))
        if self.way == "common return":
            own = resistances + self.switch
            return np.asarray(own * (1.0 + self.line * (1.0 / own).sum()))
        conductances = 1.0 / resistances
        if self.way == "floating":
            ends = _Lines(conductances, self.line, self.switch, floating=True)
            return ends.between() + 2.0 * self.switch
        if self.line == self.switch == 0.0:
            currents = self.supply * conductances
            if offsets is not None:
                currents = currents - offsets * conductances.sum(axis=0)
        else:
            lines = _Lines(conductances, self.line, self.switch, floating=False)
            currents = self.supply * lines.transfer()
            if offsets is not None:
                currents = currents - lines.returned() @ offsets
        with np.errstate(divide="ignore"):
            return np.asarray(self.supply / np.where(currents == 0.0, 0.0, currents))

    def _through_diodes(self, resistances: Floats, warming: Floats | float) -> Floats:
        """Diodes leave the patches of one line alone: ideal but for their forward drop.

        The other lines of a floating matrix carry nothing; where lines are held, all
        patches of the row that is driven conduct at once through its line, those of other
        rows not.
        """
        drop = self.diode_drop + DIODE_SLOPE * np.asarray(warming, dtype=np.float64)
        told = self.supply - self.diode_drop
        left = np.broadcast_to(self.supply - drop, resistances.shape)
        m, n = resistances.shape
        if self.way != "held":
            places = np.arange(m)[:, None] + np.arange(n) + 2.0
            leads = places * self.line if self.is_matrix else 2.0 * self.line
            current = left / (resistances + leads + 2.0 * self.switch)
        else:
            # the row as a line of sources: each patch to its own column, held at its end
            column = (np.arange(m)[:, None] + 1.0) * self.line + self.switch
            current = np.array(
                [self._row(*pair) for pair in zip(resistances + column, left, strict=True)]
            )
        with np.errstate(divide="ignore"):
            return np.asarray(told / np.maximum(current, 0.0))

    def _row(self, resistances: Floats, left: Floats) -> Floats:
        """Currents of the patches along one driven line, sources `left` at its end."""
        n = len(resistances)
        path = self.line * (np.arange(n) + 1.0) + self.switch
        shared = np.minimum(path[:, None], path[None, :])
        with np.errstate(divide="ignore"):
            g = 1.0 / resistances
        # (1 + diag(g) shared) i = diag(g) left
        return np.linalg.solve(np.eye(n) + g[:, None] * shared, g * left)


class _Lines:
    """The nodes of all lines, and what is seen from their ends."""

    def __init__(
        self, conductances: Floats, line: float, switch: float, *, floating: bool
    ) -> None:
        m, n = self.shape = conductances.shape
        g = np.maximum(conductances, OPEN * conductances.mean())
        held = 0.0 if floating else line + switch
        self.ends = 0.0 if held == 0.0 else 1.0 / held
        if line == 0.0:
            # one node a line: rows, then columns
            matrix = np.zeros((m + n, m + n))
            matrix[:m, m:], matrix[m:, :m] = -g, -g.T
            np.fill_diagonal(matrix, np.r_[g.sum(axis=1), g.sum(axis=0)] + self.ends)
            if floating:
                matrix += g.mean()  # potentials add to zero; differences stay
            self.inverse: Floats = np.linalg.inv(matrix)
            return
        self.inverse = self._segments(g, 1.0 / line)

    def _segments(self, g: Floats, step: float) -> Floats:
        """Potentials of the ends (m + n, m + n) for a current into each of them.

        Row i meets patch (i, j) after j + 1 pitches, column j after i + 1.
        """
        # slow to import, and plans have no use for it
        from scipy.sparse import coo_array, csc_array
        from scipy.sparse.linalg import splu

        m, n = self.shape
        row = np.arange(m * n).reshape(m, n)
        column = row + m * n
        a = np.r_[row.ravel(), row[:, :-1].ravel(), column[:-1].ravel()]
        b = np.r_[column.ravel(), row[:, 1:].ravel(), column[1:].ravel()]
        w = np.r_[g.ravel(), np.full(2 * m * n - m - n, step)]
        size = 2 * m * n
        first = np.r_[row[:, 0], column[0]]
        floating = self.ends == 0.0
        if floating:  # a node of its own for every end, the first of them at zero
            ends = size + np.arange(m + n)
            a, b = np.r_[a, first], np.r_[b, ends]
            w, first = np.r_[w, np.full(m + n, step)], ends
            size += m + n
        diagonal = np.asarray(np.bincount(np.r_[a, b], np.r_[w, w], size), np.float64)
        if floating:
            diagonal[first[0]] += step
        else:
            diagonal[first] += self.ends
        at = np.arange(size)
        matrix = csc_array(
            coo_array(
                (np.r_[-w, -w, diagonal], (np.r_[a, b, at], np.r_[b, a, at])), (size, size)
            )
        )
        currents = np.zeros((size, m + n))
        currents[first, np.arange(m + n)] = 1.0
        solved = splu(matrix, permc_spec="MMD_AT_PLUS_A").solve(currents)
        return np.asarray(solved[first])

    def between(self) -> Floats:
        """Resistance between the end of every row and that of every column, (m, n)."""
        m, x = self.shape[0], self.inverse
        own = np.diag(x)
        return np.asarray(own[:m, None] + own[None, m:] - 2.0 * x[:m, m:])

    def transfer(self) -> Floats:
        """Give the current out of every column for 1 V at a row, others at zero, (m, n)."""
        m = self.shape[0]
        return np.asarray(self.ends**2 * self.inverse[:m, m:])

    def returned(self) -> Floats:
        """Give the current out of every column for 1 V at the end of each, sign turned.

        (n, n); what offsets of the amplifiers take off the currents read.
        """
        m, n = self.shape
        own = self.inverse[m:, m:]
        return np.asarray(self.ends * np.eye(n) - self.ends**2 * own)


def work(rows: int, columns: int, wiring: Wiring) -> float:
    """Floating-point operations of one reading of a sheet, roughly.

    A dense inverse of one node a line; with line resistance a sparse factor of two nodes a
    patch (n^1.5 for a planar grid, George 1973, from memory) and a solution a line.
    """
    lines, nodes = rows + columns, 2 * rows * columns
    if not wiring.is_matrix or wiring.diodes:
        return 10.0 * nodes
    if wiring.line == 0.0:
        return 0.0 if wiring.way == "held" and wiring.switch == 0.0 else 2.0 * lines**3
    return float(60.0 * nodes**1.5 + 60.0 * nodes * np.log2(nodes + 1.0) * lines)


def cross_talk(resistances: Floats) -> Floats:
    r"""Weights of all patches in each reading of a floating matrix without line resistance.

    .. math:: w_{ij,pq} = \partial \ln R'_{ij} / \partial \ln R_{pq}
              = G_{pq} u_{pq}^2 / R'_{ij}

    with u the voltage across patch (p, q) for 1 A from row i to column j (Tellegen's
    theorem). For m x n equal patches, with D = mn (m + n - 1): own (m + n - 1)^2/D, each of
    the same row (m - 1)^2/D, of the same column (n - 1)^2/D, of the rest 1/D.

    Parameters
    ----------
    resistances : (m, n) ndarray of float
        [ohm].

    Returns
    -------
    (m, n, m, n) ndarray of float
        They add to 1 for every reading.

    """
    m = resistances.shape[0]
    g = 1.0 / resistances
    x = _Lines(g, 0.0, 0.0, floating=True).inverse
    rr, rc, cc = x[:m, :m], x[:m, m:], x[m:, m:]
    # potential of row p less that of column q, 1 A in at row i and out at column j
    u = (
        rr[:, None, :, None]
        - rc.T[None, :, :, None]
        - rc[:, None, None, :]
        + cc[None, :, None, :]
    )
    weights = g * u**2
    return np.asarray(weights / weights.sum(axis=(2, 3), keepdims=True))


def noise_amplification(rows: int, columns: int) -> float:
    """Largest factor by which inverting a floating matrix of equal patches raises noise.

    The weights act on differences between rows that differ from column to column as
    2/(m + n - 1), on all else as more: their smallest eigenvalue.
    """
    if rows == 1 or columns == 1:
        return 1.0
    return 0.5 * (rows + columns - 1)


def invert_floating(read: Floats, tolerance: float = 1e-10) -> Floats:
    """Resistances of the patches from all readings of a floating matrix.

    Parameters
    ----------
    read : (m, n) ndarray of float
        Readings [ohm], finite, without line resistance.
    tolerance : float
        Of the relative differences of the readings that are left.

    Returns
    -------
    (m, n) ndarray of float
        [ohm], by Newton's method in ln R, steps halved until the readings come closer.

    Raises
    ------
    ValueError
        If no positive resistances give the readings.

    """
    m, n = read.shape
    wanted = np.log(read)
    logs = wanted + np.log(m * n / (m + n - 1.0))

    def apart(x: Floats) -> Floats:
        lines = _Lines(np.exp(-x), 0.0, 0.0, floating=True)
        with np.errstate(invalid="ignore"):
            return np.asarray(wanted - np.log(lines.between()))

    left, step = apart(logs), None
    for _ in range(STEPS):
        worst = np.abs(left).max()
        if worst < tolerance:
            return np.asarray(np.exp(logs))
        if step is None:
            weights = cross_talk(np.exp(logs)).reshape(m * n, m * n)
            step = np.linalg.solve(weights, left.ravel()).reshape(m, n)
        tried = apart(logs + step)
        if np.isfinite(tried).all() and np.abs(tried).max() < worst:
            logs, left, step = logs + step, tried, None
        else:
            step = 0.5 * step
    raise ValueError("no positive resistances give these readings")
