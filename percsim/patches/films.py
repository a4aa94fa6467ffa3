r"""R of the patches of a sheet, read off the castings of the film they are.

ln R of the film as planned, on its part, is tabulated over what moves its loading, with the
strain and the temperature of every patch; what patches draw is then looked up. The table is
made of what `percsim.film.casting` holds, by `percsim.film.mounted`: films have one way.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from percsim.film.casting import Castings
from percsim.film.mounted import LocalResponse
from percsim.patches.scatter import Levels, PatchDraws, SheetScatter

__all__ = ["PatchFilms", "patch_films", "patch_levels"]

Floats = NDArray[np.float64]

POINTS = 97
"""Loadings of the table, over `REACH` standard deviations either way."""
REACH = 6.0
STRAINS = 129
"""Strains of the table between the least and the largest of the patches."""
FAR = 1e9
"""Stands for ln R of an open film while straight lines are drawn to it."""
OPEN = 1e3
"""ln R from which a film is open."""
KEPT = 1e-6
"""Share of the variance of the chains that is left out."""

Mount = Callable[[Floats], Floats]
"""ln R (k, visits) on the part from that of flat films."""


@dataclass(frozen=True, slots=True)
class PatchFilms:
    """ln R of patches at steps of strain and temperature, over what they draw.

    Parameters
    ----------
    logs : (u, q, k) ndarray of float
        ln R of u kinds of patches at q deviations of the loading and k steps; `FAR` open.
    kind : (p,) ndarray of int
        Which of them each patch is.
    step : float
        Between the deviations.
    change : (u, k) ndarray of float
        What the strain changes ln R by, as planned.
    chains : (u, k, r) ndarray of float
        What each of r standard normal numbers of the chains adds to ln R.
    redraw : float
        Share of the contacts that close afresh in each cycle.
    beyond : int
        Patches whose strain or temperature at a step was not computed.

    """

    logs: Floats = field(repr=False)
    kind: NDArray[np.int64] = field(repr=False)
    step: float
    change: Floats = field(repr=False)
    chains: Floats = field(repr=False)
    redraw: float = 0.0
    beyond: int = 0

    @property
    def rank(self) -> int:
        """Numbers that the chains of a patch draw."""
        return int(self.chains.shape[-1])

    @property
    def planned(self) -> Floats:
        """Ln R of the patches as planned (p, k), inf where open."""
        middle = self.logs[:, self.logs.shape[1] // 2]
        return np.where(middle < OPEN, middle, np.inf)[self.kind]

    def read(
        self,
        draws: PatchDraws,
        rows: NDArray[np.int64] | None = None,
        *,
        again: bool = False,
    ) -> Floats:
        """Ln R of drawn patches (p, k), inf where open.

        Parameters
        ----------
        draws : PatchDraws
            What they draw.
        rows : (m,) ndarray of int, optional
            Patches wanted; all by default.
        again : bool
            Whether contacts have closed afresh, as `Castings.read` has it.

        """
        at = np.arange(len(self.kind)) if rows is None else rows
        kind, last = self.kind[at], self.logs.shape[1] - 1
        place = np.clip(draws.loading[at] / self.step + 0.5 * last, 0.0, last - 1e-9)
        low = place.astype(np.int64)
        share = (place - low)[:, None]
        logs = self.logs[kind, low]
        logs = logs + share * (self.logs[kind, low + 1] - logs)
        z = draws.chains[at]
        if again:
            z = np.sqrt(1.0 - self.redraw) * z + np.sqrt(self.redraw) * draws.again[at]
        more = np.expm1(draws.response[at])[:, None]
        moved = draws.scale[at, None] + more * self.change[kind]
        if len(self.chains) == 1:
            moved = moved + z @ self.chains[0].T
        else:
            moved = moved + np.einsum("pr,pkr->pk", z, self.chains[kind])
        return np.asarray(np.where(logs < OPEN, logs + moved, np.inf))


def patch_levels(castings: Castings, scatter: SheetScatter) -> Levels:
    """Divide the scatter of castings among the patches of a sheet."""
    flat = castings.flat or castings
    film, rest = flat.film, flat.visits.rest
    logs, lengths = flat.material.at(_log_phi(flat, np.zeros(1)), [rest])
    known = np.isfinite(logs[0, 0, 0])
    rho = float(np.exp(logs[0, 0, 0])) if known else 1.0
    moves = flat.bench.moves(
        film, flat.loading.log_slope, rho, float(lengths[0, 0, 0]) if known else 0.0
    )
    return Levels.of(moves, flat.bench, scatter)


def patch_films(
    castings: Castings,
    levels: Levels,
    strains: Floats,
    temperatures: Floats,
    mounts: Sequence[Mount | None],
    on: NDArray[np.int64],
) -> PatchFilms:
    """Tabulate the films of a sheet.

    Parameters
    ----------
    castings : Castings
        Of the film that the patches are; on a part or flat.
    levels : Levels
        Their scatter.
    strains, temperatures : (p, k) ndarray of float
        Strain of the part along the current, and temperature [K], of every patch and step;
        (1, k) where they are the same for all.
    mounts : sequence of callable or None
        Ways to put flat films on the part, None for none.
    on : (p,) ndarray of int
        Way of each patch.

    """
    flat = castings.flat or castings
    visits, tol = flat.visits, flat.bench.tolerances
    shape = (len(on), strains.shape[1])
    told = np.column_stack(
        [on, np.broadcast_to(strains, shape), np.broadcast_to(temperatures, shape)]
    )
    kinds, kind = np.unique(told, axis=0, return_inverse=True)
    k = shape[1]
    ways, e, t = kinds[:, 0].astype(np.int64), kinds[:, 1 : k + 1], kinds[:, k + 1 :]
    step = max(2.0 * REACH * levels.loading / (POINTS - 1), 1e-9)
    steps = np.asarray(step * (np.arange(POINTS) - 0.5 * (POINTS - 1)), dtype=np.float64)
    states = list(range(len(visits)))
    logs = flat.material.read(
        flat.film, *flat.material.at(_log_phi(flat, steps), states), states
    )[0]
    logs = logs + _shift(flat)
    grid_t = np.unique(visits.temperatures)
    grid_e = np.linspace(min(e.min(), 0.0), max(e.max(), 1e-9), STRAINS)
    out = np.empty((len(kinds), POINTS, k))
    change = np.empty((len(kinds), k))
    for way, mount in enumerate(mounts):
        rows = np.flatnonzero(ways == way)
        if not len(rows):
            continue
        table = _table(logs if mount is None else mount(logs), castings, grid_t, grid_e)
        out[rows] = np.moveaxis(_bilinear(table, grid_t, grid_e, t[rows], e[rows]), 0, 1)
        middle = table[[POINTS // 2]]
        safe = np.where(middle < OPEN, middle, 0.0)
        there, still = (
            _bilinear(safe, grid_t, grid_e, t[rows], x)[0] for x in (e[rows], 0.0 * e[rows])
        )
        change[rows] = there - still
    chains = _chains(flat, grid_t, grid_e)
    known_e = np.asarray(visits.strains)
    outside = (e < known_e.min() - 1e-12) | (e > known_e.max() + 1e-12)
    outside |= (t < grid_t[0] - 1e-6) | (t > grid_t[-1] + 1e-6)
    return PatchFilms(
        out, kind.ravel(), step, change,
        np.moveaxis(_bilinear(chains, grid_t, grid_e, t, e), 0, -1),
        tol.contact_redraw, int(outside.any(axis=1)[kind.ravel()].sum()),
    )  # fmt: skip


def _log_phi(castings: Castings, steps: Floats) -> Floats:
    at = np.log(castings.loading.volume_fraction) - castings.log_factor
    return np.asarray(at + steps)[None, :]


def _shift(castings: Castings) -> float:
    """Mean of ln R over the planned film's from skew and unevenness, as in outlooks."""
    bench, film, ratio = castings.bench, castings.film, castings.threshold_ratio
    shift = bench.shift(film)
    if ratio > 1.0:
        slope = float(castings.slopes()[castings.visits.rest]) * ratio / (ratio - 1.0)
        shift += float(
            bench.unevenness(
                film, castings.loading.log_slope, np.array(slope), np.array(ratio)
            )
        )
    return shift


def _path(castings: Castings, temperature: float) -> list[int]:
    """Visits at a temperature in rising strain, the first of each strain."""
    visits = castings.visits
    first: dict[float, int] = {}
    for s, (e, t) in enumerate(zip(visits.strains, visits.temperatures, strict=True)):
        if t == temperature:
            first.setdefault(e, s)
    return [first[e] for e in sorted(first)]


def _table(logs: Floats, castings: Castings, grid_t: Floats, grid_e: Floats) -> Floats:
    """Ln R (q, temperatures, strains) from that at the visits (q, S); `FAR` where open.

    Along the strain as films on parts have it (`LocalResponse`), per pattern of visits that
    conduct.
    """
    visits = castings.visits
    out = np.full((len(logs), len(grid_t), len(grid_e)), FAR)
    for i, temperature in enumerate(grid_t):
        path = _path(castings, float(temperature))
        e = np.asarray([visits.strains[s] for s in path])
        rest = int(np.flatnonzero(e == 0.0)[0])
        conducting = np.isfinite(logs[:, path])
        for pattern in np.unique(conducting, axis=0):
            if not pattern[rest]:
                continue
            rows = np.flatnonzero((conducting == pattern).all(axis=1))
            lost = np.flatnonzero(~pattern)
            low = int(max(lost[lost < rest], default=-1)) + 1
            high = int(min(lost[lost > rest], default=len(e))) - 1
            mine = logs[rows][:, path[low : high + 1]]
            base = mine[:, [rest - low]]
            if low == high:
                out[rows, i] = np.where(grid_e == 0.0, base, FAR)
                continue
            response = LocalResponse(
                e[low : high + 1], mine - base, low > 0, high < len(e) - 1
            )
            found = base + np.log(response.ratio(grid_e))
            out[rows, i] = np.where(np.isfinite(found), found, FAR)
    return out


def _chains(castings: Castings, grid_t: Floats, grid_e: Floats) -> Floats:
    """Tell what each number of the chains adds to ln R, (r, temperatures, strains)."""
    root = castings.model.chain_root(castings.loading.volume_fraction)
    vectors, values, _ = np.linalg.svd(root / np.sqrt(castings.film.volume))
    left = np.cumsum(values[::-1] ** 2)[::-1]
    kept = max(int((left > KEPT * max(left[0], 1e-300)).sum()), 1)
    own = vectors[:, :kept] * values[:kept]
    out = np.empty((kept, len(grid_t), len(grid_e)))
    for i, temperature in enumerate(grid_t):
        path = _path(castings, float(temperature))
        e = [castings.visits.strains[s] for s in path]
        for r in range(kept):
            out[r, i] = np.interp(grid_e, e, own[path, r])
    return out


def _bilinear(
    table: Floats, grid_t: Floats, grid_e: Floats, t: Floats, e: Floats
) -> Floats:
    """Read tables (q, T, E) at temperatures and strains (u, k), (q, u, k); ends held."""
    parts = []
    for grid, x in ((grid_t, t), (grid_e, e)):
        if len(grid) == 1:
            parts.append([(np.zeros(x.shape, dtype=np.int64), np.ones(x.shape))])
            continue
        x = np.clip(x, grid[0], grid[-1])
        k = np.clip(np.searchsorted(grid, x, side="right") - 1, 0, len(grid) - 2)
        share = (x - grid[k]) / (grid[k + 1] - grid[k])
        parts.append([(k, 1.0 - share), (k + 1, share)])
    out = np.zeros((len(table), *t.shape))
    for i, wt in parts[0]:
        for j, we in parts[1]:
            out += table[:, i, j] * (wt * we)
    return out
