r"""Stage 8. What every candidate would read, and how probably it does what is asked.

At each draw of what is known castings scatter by the bench: what acts on the loading as one
normal deviation of :math:`\ln(\phi/\phi_c)`, integrated by quadrature because R is steep
there and may open; what multiplies R as a normal deviation of ln R; what multiplies the
response to strain as one of its logarithm. So the share of castings that pass at a draw
is a sum of differences of normal distributions, and

.. math:: P = \Pr(\text{share that passes} \ge \text{asked, and every other limit holds})

over the draws, simulation error included.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from operator import attrgetter
from typing import Any, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from percsim.decision.knowledge import Band, Knowledge, spread_steps
from percsim.decision.target import Target
from percsim.film.bench import CUP, FILM, LOT, Bench, deviation
from percsim.film.cycled import CycledFilms
from percsim.film.electrodes import Film
from percsim.film.model import FilmModel, Loading, Material
from percsim.film.protocol import Protocol as Cycled
from percsim.film.transfer import FAITHFUL_RATIO
from percsim.film.visits import Visits

__all__ = ["Band", "Mounting", "Outlook", "Recipe", "hold", "middle_draw", "outlooks"]

Floats = NDArray[np.float64]


class Mounting(Protocol):
    """Puts films on their sheet and part."""

    def __call__(
        self,
        film: Film,
        loading: Loading,
        logs: Floats,
        wanted: Sequence[int] | None = None,
    ) -> Floats:
        """Give ln R (m, S) at the visits wanted, from that of the flat film at all."""
        ...


POINTS = np.linspace(-3.6, 3.6, 13)
"""Deviations of the loading in standard deviations, closer than what else scatters R
spreads it: sums over them are integrals to 1e-3 (trapezoidal rule, smooth functions)."""
OUTSIDE = 8.0
"""Spreads beyond the window at which a casting passes with less than 1e-15."""
NEAR, AWAY = 1, 1.5
"""Points on either side of the planned loading, and spreads outside the window, from which
it is told where castings cannot pass."""
MOST_RISEN, MOST_MOVED = 150.0, 12.0
"""Change of ln R under strain, and its spread, that larger ones count as: squares of what
they raise R by stay numbers."""
LEAST_CELL = 0.4
"""Least spread at a point over the step to the next, with which sums stay integrals."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What is mixed and cast.

    Parameters
    ----------
    loading : Loading
        Its loading.
    film : Film
        Its film.
    mix : int
        Which mix it belongs to.

    """

    loading: Loading
    film: Film
    mix: int = 0


@dataclass(frozen=True)
class Outlook:
    """What one recipe would read, draw by draw.

    Parameters
    ----------
    recipe : Recipe
        What is cast.
    knowledge : Knowledge
        The draws.
    visits : Visits
        What films go through.
    rest : (n, q) ndarray of float
        ln R at rest of each draw at each point of the loading's deviation, inf where open.
    change : (n, q) ndarray of float
        ln R at the chord less that at rest, inf where it opens; 0 without a strain.
    ratio : (n,) ndarray of float
        Volume fraction over the film's own threshold.
    shares : (q,) or (n, q) ndarray of float
        Share of castings that each point stands for.
    scatter : (n,) ndarray of float
        Standard deviation of ln R from the tolerances that multiply R.
    response : (n,) ndarray of float
        That of ln of what multiplies the change of ln R with strain.
    thermal : (n, m) ndarray of float or None
        ln R without strain at the temperatures over that at 20 C.
    cycled : CycledFilms or None
        The film as planned at every draw, pulled, held and rested.

    """

    recipe: Recipe
    knowledge: Knowledge = field(repr=False)
    visits: Visits = field(repr=False)
    rest: Floats = field(repr=False)
    change: Floats = field(repr=False)
    ratio: Floats = field(repr=False)
    shares: Floats = field(repr=False)
    scatter: Floats = field(repr=False)
    response: Floats = field(repr=False)
    thermal: Floats | None = field(default=None, repr=False)
    cycled: CycledFilms | None = field(default=None, repr=False)
    held: list[Any] = field(default_factory=list, init=False, repr=False, compare=False)
    passes: dict[Any, NDArray[np.bool_]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    """Of the last target, and where castings pass; see `hold`."""
    _shares: dict[Any, Floats] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @property
    def weights(self) -> Floats:
        """Weight of each draw."""
        return self.knowledge.weights

    @property
    def nominal(self) -> int:
        """Point of the planned loading."""
        return int(self.rest.shape[1] // 2)

    @cached_property
    def conducts(self) -> NDArray[np.bool_]:
        """Where castings conduct at rest, (n, q)."""
        return np.asarray(np.isfinite(self.rest))

    @cached_property
    def strain(self) -> float:
        """Strain that gauge factors are taken to; 0 without one."""
        s = self.visits.chord_state
        return 0.0 if s is None else self.visits.strains[s]

    @cached_property
    def chord(self) -> Floats:
        """Chord gauge factor (n, q): 0 where open at rest, inf where it opens."""
        if self.strain == 0.0:
            return np.zeros_like(self.change)
        change = np.where(self.conducts, self.change, 0.0)
        return np.asarray(np.expm1(change) / self.strain)

    @cached_property
    def open_shares(self) -> Floats:
        """Share of castings open at rest, (n,)."""
        return np.asarray(np.maximum(1.0 - self._of_all(self.conducts), 0.0))

    @cached_property
    def log_spread(self) -> Floats:
        """Standard deviation of ln R of conducting castings, (n,); inf if half open."""
        w, total = self._kept(self.conducts)
        logs = np.where(self.conducts, self.rest, 0.0)
        mean = (w * logs).sum(axis=1)
        variance = (w * (logs - mean[:, None]) ** 2).sum(axis=1)
        found = np.sqrt(variance + self.scatter**2)
        return np.where(total > 0.5, found, np.inf)

    @cached_property
    def resistance_cv(self) -> Floats:
        """CV of R between conducting castings, (n,), from the spread of ln R."""
        known = np.isfinite(self.log_spread)
        spread = np.where(known, np.minimum(self.log_spread, 26.0), 0.0)
        return np.where(known, np.sqrt(np.expm1(spread**2)), np.inf)

    @cached_property
    def gauge_factor_cv(self) -> Floats:
        """CV of the chord gauge factor, (n,), of castings that conduct throughout.

        inf where half of them or more do not, or where the mean is zero.
        """
        keep = self.conducts & np.isfinite(self.change)
        w, total = self._kept(keep)
        # R/R0 - 1 is log-normal less 1, the response to second order
        change = np.where(keep, self.change, 0.0)
        moved = np.clip(change * self.response[:, None], -MOST_MOVED, MOST_MOVED)
        change = change + 0.5 * moved * self.response[:, None]
        ratio = np.exp(np.minimum(change + 0.5 * moved**2, MOST_RISEN))
        mean = (w * ratio).sum(axis=1) - 1.0
        square = (w * ratio**2 * np.exp(moved**2)).sum(axis=1)
        variance = np.maximum(square - (mean + 1.0) ** 2, 0.0)
        told = (total > 0.5) & (mean != 0.0)
        return np.where(told, np.sqrt(variance) / np.where(told, np.abs(mean), 1), np.inf)

    def _kept(self, keep: NDArray[np.bool_]) -> tuple[Floats, Floats]:
        """Weights of points that are kept, together 1, and what they are of all."""
        w = np.where(keep, self.shares, 0.0)
        total = w.sum(axis=1)
        return w / np.where(total > 0.0, total, 1.0)[:, None], total

    def _of_all(self, values: Floats | NDArray[np.bool_]) -> Floats:
        """Sum of values at the points by their shares, (n,)."""
        if self.shares.ndim == 1:
            return np.asarray(values @ self.shares)
        return np.asarray(np.einsum("nq,nq->n", values, self.shares))

    @cached_property
    def _least_rest(self) -> Floats:
        return _least(self.rest)

    @cached_property
    def _least_change(self) -> Floats:
        return _least(self.change)

    def pass_shares(self, target: Target) -> Floats:
        """Share of castings that pass at each draw, (n,); asked for again and again."""
        asked = target.window, target.gauge_factor_min
        if asked not in self._shares:
            self._shares[asked] = self._passing(target)
        return self._shares[asked]

    def _passing(self, target: Target) -> Floats:
        low, high = target.log_window
        spread = np.maximum(self.scatter[:, None], self._least_rest)
        reach = OUTSIDE * spread
        near = (self.rest > low - reach) & (self.rest < high + reach)
        at = np.flatnonzero(near & np.isfinite(self.change))
        logs, s = self.rest.take(at), spread.take(at)
        passing = ndtr((high - logs) / s) - ndtr((low - logs) / s)
        if target.gauge_factor_min is not None:
            passing *= self._responds(target.gauge_factor_min, at)
        inside = np.zeros_like(self.rest)
        np.put(inside, at, passing)
        return self._of_all(inside)

    def _responds(self, asked: float, at: NDArray[np.int64]) -> Floats:
        """Share of castings that reach a gauge factor at some points of (n, q)."""
        wanted = np.log1p(max(asked * self.strain, -1.0 + 1e-12))
        side = np.sign(self.strain) or 1.0
        change = self.change.take(at) * side
        safe = np.where(change != 0.0, change, 1.0)
        # films have to respond r times as much, with ln r normal
        r = np.maximum(wanted * side / safe, 1e-300)
        least = self._least_change.take(at) / np.abs(safe)
        s = np.maximum(self.response.take(at // self.rest.shape[1]), least)
        share = ndtr(np.log(r) / s * -np.sign(change))
        return np.asarray(np.where(change != 0.0, share, wanted * side <= 0.0))

    # ------------------------------------------------------------------ limits
    def thermal_outputs(self) -> Floats:
        """Size of the thermal output at 20 C, strain per K, (n,); inf where unknown."""
        if self.thermal is None or self.strain == 0.0:
            return np.full(len(self.knowledge), np.inf)
        factor = self.chord[:, self.nominal]
        usable = np.isfinite(factor) & (factor != 0.0) & self.conducts[:, self.nominal]
        found = np.abs(self.temperature_coefficients() / np.where(usable, factor, 1.0))
        return np.where(usable & np.isfinite(found), found, np.inf)

    def temperature_coefficients(self) -> Floats:
        """(1/R) dR/dT at 20 C, (n,) [1/K]; NaN where a curve is open."""
        from percsim.film.curves import room_slope

        assert self.thermal is not None
        t = np.array([self.visits.temperatures[s] for s in self.visits.by_temperature])
        keep = np.asarray(np.isfinite(self.thermal).all(axis=1))
        slopes = room_slope(t, np.exp(np.where(keep[:, None], self.thermal, 0.0)))
        return np.where(keep, slopes, np.nan)

    def drifts(self, target: Target) -> Floats:
        """Strain that the film's own heat reads as on its sheet, (n,)."""
        from percsim.film.readout import self_heating

        output, n = self.thermal_outputs(), len(self.knowledge)
        drift = np.full(n, np.inf)
        if target.circuit is None or target.heat_path is None or self.thermal is None:
            return drift
        film, slopes = self.recipe.film, self.temperature_coefficients()
        ohms = np.exp(np.where(self.conducts, self.rest, np.inf)[:, self.nominal])
        for k in np.flatnonzero(np.isfinite(output) & np.isfinite(ohms)):
            rise = self_heating(
                target.circuit, float(ohms[k]), film.volume / film.thickness,
                target.heat_path.on_sheet, float(slopes[k]),
            ).rise  # fmt: skip
            drift[k] = rise * output[k]
        return drift

    def remembered(self, what: str) -> Floats:
        """Size of hysteresis, zero shift or drift, (n,); inf where unknown."""
        films = self.cycled
        if films is None or not (what != "zero_shift" or films.returns(films.first)):
            return np.full(len(self.knowledge), np.inf)
        if what == "hysteresis":
            return np.abs(films.hysteresis)
        if what == "zero_shift":
            return np.abs(films.zero_shift_strain(films.first))
        return np.abs(films.creep_strain)

    def values_of(self, what: str, target: Target) -> Floats:
        """Give what a limit of the target is on, draw by draw, (n,)."""
        level = self.rest[:, self.nominal]
        if what == "resistance":
            return np.exp(level)
        if what == "gauge_factor":
            return np.where(np.isfinite(level), self.chord[:, self.nominal], 0.0)
        if what == "pass_share":
            return self.pass_shares(target)
        if what == "thermal_output":
            return self.thermal_outputs()
        if what == "self_heating_drift":
            return self.drifts(target)
        if what in ("hysteresis", "zero_shift", "drift"):
            return self.remembered(what)
        return self.resistance_cv if what == "resistance_cv" else self.gauge_factor_cv

    def holds(self, target: Target) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Where enough castings pass, and where every other limit holds too, (n,) each."""
        return hold([self], target)[0]

    def keeps(self, target: Target) -> NDArray[np.bool_]:
        """Where every limit holds but those that castings pass by, (n,)."""
        kept = np.ones(len(self.ratio), dtype=np.bool_)
        for limit in target.limits:
            if limit.what not in ("resistance", "gauge_factor", "pass_share"):
                kept &= limit.reserve(self.values_of(limit.what, target)) >= 0.0
        return kept

    def may_pass(self, target: Target) -> NDArray[np.bool_]:
        """Where enough castings may pass, if all do that are far from the planned loading.

        Of those near it `AWAY` spreads outside the window few do.
        """
        near = slice(self.nominal - NEAR, self.nominal + NEAR + 1)
        beside = slice(near.start - 1, near.stop + 1)
        logs, shares = self.rest[:, near], self.shares[near]
        reach = np.maximum(self.scatter[:, None], _least(self.rest[:, beside])[:, 1:-1])
        reach *= AWAY
        low, high = target.log_window
        away = (logs <= low - reach) | (logs >= high + reach)
        return np.asarray(away @ shares <= (1.0 - target.pass_share_min) / ndtr(AWAY))

    def probability(self, target: Target) -> float:
        """P: that enough castings pass and every other limit holds."""
        return float(self.weights @ self.holds(target)[1])

    # ------------------------------------------------------------------ bands
    def film_band(self) -> Band:
        """R of the film as planned [ohm], over the draws."""
        return Band.of(self.rest[:, self.nominal], self.weights).exp()

    def casting_band(self) -> Band:
        """R of one casting [ohm], over draws and tolerances."""
        return self._casting_band

    @cached_property
    def _casting_band(self) -> Band:
        steps = spread_steps(len(self.rest))
        n, at = steps.shape[1], np.flatnonzero(self.conducts)
        rows = at // self.rest.shape[1]
        logs = self.rest.take(at)[:, None] + (self.scatter[:, None] * steps)[rows]
        weights = np.repeat((self.weights[:, None] * self.shares).take(at) / n, n)
        is_open = max(1.0 - float(weights.sum()), 0.0)
        return Band.of(np.append(logs, np.inf), np.append(weights, is_open)).exp()

    def response_band(self) -> Band | None:
        """Chord gauge factor of a conducting casting; None where half are open."""
        return self._response_band

    @cached_property
    def _response_band(self) -> Band | None:
        points = spread_steps(len(self.rest))
        keep = self.conducts
        weights = np.where(keep, self.weights[:, None] * self.shares, 0.0)
        total = float(weights.sum())
        if total < 0.5:
            return None
        if self.strain == 0.0:
            return Band(0.0, 0.0, 0.0)
        opened = np.expm1(self.response[:, None] * points)
        side = np.copysign(1.0, self.strain)
        # gauge factors rise with the change of ln R, so that few numbers need be turned
        # into them
        known = np.isfinite(self.change) & keep
        drawn = (side * np.where(known, self.change, np.inf))[:, :, None] * (
            1.0 + opened[:, None, :]
        )
        weights = np.broadcast_to(weights[:, :, None], drawn.shape) / points.shape[1]
        found = Band.of(drawn.ravel(), weights.ravel() / total)
        return Band(
            *(float(np.expm1(side * x) / self.strain)
              for x in (found.median, found.p05, found.p95))
        )  # fmt: skip

    def draw_band(self, values: Floats) -> Band:
        """Of one number a draw."""
        return Band.of(values, self.weights)


def hold(
    found: Sequence[Outlook], target: Target
) -> list[tuple[NDArray[np.bool_], NDArray[np.bool_]]]:
    """Give what `Outlook.holds` gives of every recipe, those of one film at once."""
    asked = target.window, target.gauge_factor_min, target.pass_share_min

    def enough(these: Outlook) -> NDArray[np.bool_]:
        return these.pass_shares(target) >= target.pass_share_min

    alike: dict[object, list[Outlook]] = {}
    for o in found:
        if not (o.held and o.held[0] == target):
            key = id(o.knowledge), o.recipe.mix, o.recipe.film
            alike.setdefault(key, []).append(o)
    for same in alike.values():
        fresh = [o for o in same if asked not in o.passes]
        may = [o.may_pass(target) for o in fresh]
        for o, passes in zip(fresh, _where(fresh, may, enough), strict=True):
            o.passes[asked] = passes
        passing = [o.passes[asked] for o in same]
        able = [x & (o.ratio >= FAITHFUL_RATIO) for x, o in zip(passing, same, strict=True)]
        every = _where(same, able, lambda these: these.keeps(target))
        for o, *held in zip(same, passing, every, strict=True):
            o.held[:] = target, tuple(held)
    return [o.held[1] for o in found]


def _where(
    found: Sequence[Outlook],
    draws: Sequence[NDArray[np.bool_]],
    holds: Callable[[Outlook], NDArray[np.bool_]],
) -> list[NDArray[np.bool_]]:
    """Where something holds, (n,) of each recipe of one film; only at some draws."""
    rows = [np.flatnonzero(mine) for mine in draws]
    if not any(map(len, rows)):
        return list(draws)

    def joined(of: Callable[[Outlook], Floats]) -> Floats:
        return np.concatenate([of(o)[mine] for o, mine in zip(found, rows, strict=True)])

    by_draw: dict[str, Any] = {
        name: joined(attrgetter(name))
        for name in ("rest", "change", "ratio", "scatter", "response", "thermal")
        if getattr(found[0], name) is not None
    }
    films = found[0].cycled
    if films is not None:
        films = replace(films, resistances=joined(attrgetter("cycled.resistances")))
    these = replace(
        found[0], knowledge=found[0].knowledge.some(np.concatenate(rows)), cycled=films,
        shares=joined(lambda o: np.broadcast_to(o.shares, o.rest.shape)), **by_draw,
    )  # fmt: skip
    out = [np.zeros_like(mine) for mine in draws]
    parts = np.split(holds(these), np.cumsum([len(r) for r in rows])[:-1])
    for whole, mine, part in zip(out, rows, parts, strict=True):
        whole[mine] = part
    return out


def _least(values: Floats) -> Floats:
    """Least spread at each point: a limit must not fall between two points, (n, q)."""
    flat, steps = values.reshape(-1), np.empty_like(values)
    with np.errstate(invalid="ignore"):
        # along one row after the other, ends of rows put right
        steps.reshape(-1)[1:-1] = 0.5 * (flat[2:] - flat[:-2])
        steps[:, [0, -1]] = values[:, [1, -1]] - values[:, [0, -2]]
    np.abs(steps, out=steps)
    steps *= LEAST_CELL
    np.copyto(steps, 0.0, where=~np.isfinite(steps))
    return np.maximum(steps, 1e-12)


def middle_draw(found: Sequence[Outlook], target: Target) -> int:
    """Find the draw whose films read nearest to the medians of all draws.

    The mean of what is not known would not do: what readings leave open lies along a curve
    (a lower threshold with weaker contacts), off which no film reads as measured.

    Parameters
    ----------
    found : sequence of Outlook
        Recipes over the same draws; those count most of which most castings pass.
    target : Target
        What is asked.

    """
    off = np.zeros(len(found[0].knowledge))
    for o in found:
        worth = 0.05 + float(o.weights @ o.pass_shares(target))
        for values in (o.rest[:, o.nominal], o.change[:, o.nominal]):
            band, known = o.draw_band(values), np.isfinite(values)
            width = band.p95 - band.p05 if np.isfinite(band.p95 - band.p05) else 1.0
            middle = band.median if np.isfinite(band.median) else 0.0
            apart = (np.where(known, values, 0.0) - middle) / max(width, 1e-12)
            alike = known == np.isfinite(band.median)
            off += worth * np.where(alike, np.where(known, apart, 0.0), 1.0) ** 2
    return int(off.argmin())


def outlooks(
    model: FilmModel,
    recipes: Sequence[Recipe],
    knowledge: Knowledge,
    bench: Bench,
    *,
    thermal: bool = False,
    mounting: Mounting | None = None,
    levels: Sequence[str] = (FILM, CUP, LOT),
    off_by: ArrayLike = 0.0,
    protocol: Cycled | None = None,
) -> tuple[Outlook, ...]:
    """Carry what is known to every recipe of one mix.

    Parameters
    ----------
    model : FilmModel
        Of the mix.
    recipes : sequence of Recipe
        What is cast.
    knowledge : Knowledge
        What is known.
    bench : Bench
        What scatters castings.
    thermal : bool
        Whether temperatures are wanted.
    mounting : callable, optional
        Puts films on their sheet and part.
    levels : sequence of str
        Levels of the bench over which castings scatter.
    off_by : float or (n,) array_like
        Deviation of ln(phi/phi_c) that all castings have, such as that of a cup weighed
        off.
    protocol : Protocol, optional
        What films are pulled, held and rested through, laid flat.

    Returns
    -------
    tuple of Outlook
        One a recipe, over the same draws.

    """
    visits = model.visits
    states = _states(visits, thermal, mounting is not None)
    material = knowledge.material(model, states)
    own = knowledge.own_threshold(model)
    base = np.asarray(off_by) - knowledge.log_factor
    found = []
    spreads = []
    for recipe in recipes:
        lengths, rhos = _nominal(model, recipe)
        slope = recipe.loading.log_slope
        spreads.append(deviation(bench.moves(recipe.film, slope, rhos, lengths), levels))
    # the material of a loading is read once, at the points of its widest deviation
    widest: dict[float, float] = {}
    for recipe, (sd, _) in zip(recipes, spreads, strict=True):
        phi = recipe.loading.volume_fraction
        widest[phi] = max(sd, widest.get(phi, 0.0))
    ends = _states(visits, False, False)
    wide = states if mounting is not None else ends
    beside = [s for s in states if s not in wide]
    known: dict[float, tuple[tuple[Floats, Floats], ...]] = {}
    if protocol is not None:
        along = knowledge.along(model, protocol.history)
    pulled: dict[float, tuple[Floats, Floats]] = {}
    for recipe, (sd, scale) in zip(recipes, spreads, strict=True):
        phi, film = recipe.loading.volume_fraction, recipe.film
        ratio = phi * np.exp(base) / own
        step = widest[phi] * knowledge.scale
        if phi not in known:
            at = base[:, None] + np.log(phi)
            known[phi] = knowledge.read_once(
                (phi, widest[phi], np.asarray(off_by).tobytes(), mounting is None),
                partial(_ohmic, material, at, step, wide, beside),
            )
        logs, others = (material.of_film(film, *ohmic) for ohmic in known[phi])
        middle = logs[:, [len(POINTS) // 2]]
        if mounting is not None:
            logs, middle = (
                mounting(film, recipe.loading, x.reshape(-1, len(states)), which).reshape(
                    x.shape
                )
                for x, which in ((logs, ends), (middle, states))
            )
        planned = np.concatenate([middle, others], axis=-1)[:, 0]
        scatter = scale * knowledge.scale
        shares = np.exp(-0.5 * (POINTS * (widest[phi] / max(sd, 1e-12))) ** 2)
        made = _outlook(
            recipe, knowledge, wide, logs, [*wide, *beside], planned, ratio, scatter,
            shares / shares.sum(), bench, step, model,
        )  # fmt: skip
        if bench.level("response") not in levels:
            made = replace(made, response=np.zeros(len(knowledge)))
        if protocol is not None:
            if phi not in pulled:
                at = base[:, None] + np.log(phi)
                every = range(len(protocol))
                pulled[phi] = along.ohmic(*along.at(at, every), every)
            ohms = np.exp(along.of_film(film, *pulled[phi])[:, 0])
            made = replace(made, cycled=CycledFilms(protocol, ohms))
        found.append(made)
    return tuple(found)


def _ohmic(
    material: Material, at: Floats, step: Floats, wide: list[int], beside: list[int]
) -> tuple[tuple[Floats, Floats], ...]:
    """Read a material around a loading at some visits, and at it at others."""
    spread = at + np.outer(step, POINTS)
    return tuple(
        material.ohmic(*material.at(x, which), which)
        for x, which in ((spread, wide), (at, beside))
    )


def _states(visits: Visits, thermal: bool, mounted: bool) -> list[int]:
    """Visits that outlooks are made of: at rest, at the chord, and the temperatures."""
    wanted = {visits.rest}
    if visits.chord_state is not None:
        wanted.add(visits.chord_state)
    if mounted:
        wanted |= set(range(len(visits)))
    if thermal:
        wanted |= set(visits.by_temperature)
    return sorted(wanted)


def _nominal(model: FilmModel, recipe: Recipe) -> tuple[float, float]:
    """Electrode length [m] and resistivity [ohm m] as planned at a loading, for slopes."""
    if not len(model.volume_fractions):
        return 0.0, 1.0
    rest, log_phi = model.visits.rest, np.log(recipe.loading.volume_fraction)
    lengths = np.interp(
        log_phi, np.log(model.volume_fractions), model.electrode_length[:, rest]
    )
    logs = np.interp(
        log_phi, np.log(model.volume_fractions), model.log_resistivity[:, rest]
    )
    return float(lengths), float(np.exp(logs))


def _outlook(
    recipe: Recipe,
    knowledge: Knowledge,
    wide: list[int],
    logs: Floats,
    states: list[int],
    planned: Floats,
    ratio: Floats,
    scatter: Floats,
    shares: Floats,
    bench: Bench,
    step: Floats,
    model: FilmModel,
) -> Outlook:
    visits = model.visits
    place = {s: i for i, s in enumerate(states)}
    rest = logs[:, :, wide.index(visits.rest)]
    film, loading = recipe.film, recipe.loading
    # slope with the loading from the points next to the middle
    middle = rest.shape[1] // 2
    step = step * POINTS[middle + 1]
    low, high = rest[:, middle - 1], rest[:, middle + 1]
    known = np.isfinite(low) & np.isfinite(high) & (step > 0.0)
    rise = np.where(known, high, 0.0) - np.where(known, low, 0.0)
    slope = np.where(known, rise / np.where(known, 2.0 * step, 1.0), 0.0)
    uneven = bench.unevenness(film, loading.log_slope, slope, ratio)
    shift = bench.shift(film) + uneven * knowledge.scale**2
    chains = model.chain_deviation(loading.volume_fraction, film)
    change = np.zeros_like(rest)
    end = visits.chord_state
    if end is not None:
        with np.errstate(invalid="ignore"):
            change = logs[:, :, wide.index(end)] - rest
        np.copyto(change, 0.0, where=np.isinf(rest))
    heat = None
    if len(visits.by_temperature) > 1 and set(visits.by_temperature) <= place.keys():
        columns, base = (
            planned[:, [place[s] for s in visits.by_temperature]],
            rest[:, middle],
        )
        closed = np.isfinite(base)[:, None]
        heat = np.where(closed, columns - np.where(closed, base[:, None], 0.0), np.inf)
    response = bench.tolerances.response * knowledge.scale
    return Outlook(
        recipe, knowledge, visits, rest + shift[:, None], change,
        ratio, shares, np.hypot(scatter, chains), response, heat,
    )  # fmt: skip
