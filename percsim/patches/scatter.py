r"""What scatters the patches of a sheet, and what shares it.

A patch picked at random scatters as a casting of the bench does; of that variance lot and
cup share what they share at the bench, and patches of one casting of the sheet besides: a
part of thickness and contact conductance, as they are drawn down and cured together, a
wedge of the thickness across the casting, and the slow part of the uneven mixing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from percsim.film.bench import CUP, FILM, LOT, Bench, Move, deviation
from percsim.patches.layout import SheetLayout

__all__ = ["Levels", "PatchDraws", "SheetScatter", "correlated"]

Floats = NDArray[np.float64]

SHARED = ("thickness", "contact")
"""Tolerances of single films that the films of one casting partly share."""
OWN = 9
"""Names the streams of sheets among those of castings, which share a seed."""
STREAMS = ("lot", "cup", "casting", "slow", "film", "chains", "again")
"""What a sheet draws, each from a stream of its own; a new one goes last."""


@dataclass(frozen=True, slots=True)
class SheetScatter:
    """How the scatter of castings divides among the patches of a sheet.

    Parameters
    ----------
    cups : int
        Cups a sheet is cast from, a band of whole rows each.
    shared : float
        Share of the variance of thickness and of contact conductance that the patches of a
        casting share.
    wedge : float
        Share of the variance of thickness that is a wedge across the casting.
    slow : float
        Share of the variance of the cup's mixing that varies over the casting.
    length : float
        Distance over which the correlation of that falls by e [m].

    Raises
    ------
    ValueError
        If shares are none, there is no cup or no length.

    """

    cups: int = 1
    shared: float = 0.5
    wedge: float = 0.25
    slow: float = 0.5
    length: float = 0.05

    def __post_init__(self) -> None:
        shares = (self.shared, self.wedge, self.slow, self.shared + self.wedge)
        if not all(0.0 <= share <= 1.0 for share in shares):
            raise ValueError("shares must be 0 to 1, shared and wedge together too")
        if self.cups < 1 or not self.length > 0.0:
            raise ValueError("cups must be 1 or more, and length positive")


@dataclass(frozen=True, slots=True)
class Levels:
    """Deviations of ln(phi/phi_c) and of ln R of patches, by what shares them.

    Parameters
    ----------
    lot, cup, film : (float, float)
        Of the loading, and of ln R besides, by the levels of the bench.
    casting : float
        Of ln R, shared by a casting.
    wedge : float
        Of ln R, across a casting.
    slow : float
        Of the loading, slowly varying over a casting.
    response : float
        Of ln of what multiplies the change of ln R with strain.
    response_level : str
        What shares it.

    """

    lot: tuple[float, float]
    cup: tuple[float, float]
    film: tuple[float, float]
    casting: float
    wedge: float
    slow: float
    response: float
    response_level: str

    @classmethod
    def of(cls, moves: tuple[Move, ...], bench: Bench, scatter: SheetScatter) -> Levels:
        """Divide what the tolerances of a bench move."""
        casting, wedge, slow = 0.0, 0.0, 0.0
        left = []
        for move in moves:
            kept = 1.0
            if move.level == FILM and move.name in SHARED:
                casting += scatter.shared * move.scale**2
                kept -= scatter.shared
                if move.name == "thickness":
                    wedge += scatter.wedge * move.scale**2
                    kept -= scatter.wedge
            if move.name == "mixing" and move.level == CUP:
                slow += scatter.slow * move.loading**2
                kept -= scatter.slow
            root = math.sqrt(max(kept, 0.0))
            left.append(replace(move, loading=root * move.loading, scale=root * move.scale))
        film = [level for level in {m.level for m in left} if level not in (CUP, LOT)]
        return cls(
            deviation(left, (LOT,)), deviation(left, (CUP,)), deviation(left, film),
            math.sqrt(casting), math.sqrt(wedge), math.sqrt(slow),
            bench.tolerances.response, bench.level("response"),
        )  # fmt: skip

    @property
    def loading(self) -> float:
        """Deviation of the loading of a patch picked at random."""
        return math.hypot(self.lot[0], self.cup[0], self.film[0], self.slow)


def correlated(z: Floats, pitch: tuple[float, float], length: float) -> Floats:
    """Correlate standard normal numbers (m, n) on a grid as exp(-|dx|/a - |dy|/a).

    Exact: that correlation is Markovian along each side (Vanmarcke, *Random Fields*, MIT
    Press 1983, from memory), so that each side is a first-order recursion.
    """
    out = z
    for axis, step in enumerate(pitch):
        r = math.exp(-step / length)
        rows = np.moveaxis(out, axis, 0).copy()
        for i in range(1, len(rows)):
            rows[i] = r * rows[i - 1] + math.sqrt(1.0 - r * r) * rows[i]
        out = np.moveaxis(rows, 0, axis)
    return np.asarray(out)


@dataclass(frozen=True, slots=True)
class PatchDraws:
    """What the patches of one sheet draw.

    Parameters
    ----------
    loading, scale, response : (p,) ndarray of float
        Deviation of ln(phi/phi_c), of ln R, and of ln of the response to strain.
    chains, again : (p, r) ndarray of float
        Standard normal numbers of the chains, and of contacts that close afresh.

    """

    loading: Floats
    scale: Floats
    response: Floats
    chains: Floats
    again: Floats

    @classmethod
    def draw(
        cls,
        layout: SheetLayout,
        scatter: SheetScatter,
        levels: Levels,
        rank: int,
        seed: np.random.SeedSequence,
        sheet: int,
    ) -> PatchDraws:
        """Draw sheet number `sheet`; its numbers do not depend on how many there are."""

        def stream(name: str) -> np.random.Generator:
            key = (*seed.spawn_key, OWN, sheet, STREAMS.index(name))
            return np.random.default_rng(
                np.random.SeedSequence(seed.entropy, spawn_key=key)
            )

        m, n, cups = layout.rows, layout.columns, min(scatter.cups, layout.rows)
        cup = np.repeat(np.arange(m) * cups // m, n)
        lot = stream("lot").standard_normal(3)
        own = stream("cup").standard_normal((cups, 3))[cup].T
        film = stream("film").standard_normal((m * n, 3)).T
        slow = stream("slow").standard_normal((m, n))
        shared = stream("casting").standard_normal((cups, 3))
        across = np.empty((m, n))
        for k in range(cups):
            rows = np.flatnonzero(cup[::n] == k)
            band = slice(rows[0], rows[-1] + 1)
            slow[band] = correlated(
                slow[band], (layout.pitch, layout.column_pitch), scatter.length
            )
            across[band] = _tilt(shared[k, 1:], len(rows), n)
        by_level = {LOT: np.full(m * n, lot[2]), CUP: own[2]}
        return cls(
            levels.lot[0] * lot[0] + levels.cup[0] * own[0] + levels.film[0] * film[0]
            + levels.slow * slow.ravel(),
            levels.lot[1] * lot[1] + levels.cup[1] * own[1] + levels.film[1] * film[1]
            + levels.casting * shared[cup, 0] + levels.wedge * across.ravel(),
            levels.response * by_level.get(levels.response_level, film[2]),
            stream("chains").standard_normal((m * n, rank)),
            stream("again").standard_normal((m * n, rank)),
        )  # fmt: skip


def _tilt(z: Floats, m: int, n: int) -> Floats:
    """Plane (m, n) of random slope, of mean square 1 over the patches and draws."""
    sides = []
    for count in (m, n):
        x = np.arange(count) - 0.5 * (count - 1)
        size = math.sqrt(float((x**2).mean()))
        sides.append(x / size if size > 0.0 else None)
    u, v = sides
    if u is None and v is None:
        return np.full((1, 1), z[0])
    if u is None or v is None:
        line = z[0] * (u if v is None else v)
        return np.asarray(line[:, None] if v is None else line[None, :])
    return np.asarray((z[0] * u[:, None] + z[1] * v[None, :]) / math.sqrt(2.0))
