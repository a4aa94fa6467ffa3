"""Structures of films that scatter less, what they cost and what they gain.

A structure is a set of changes of the bench (`percsim.bench_changes`); what it scatters is
read off the same outlooks as any film (`percsim.decision.outlook`). Of n films or layers
that average, what belongs to each of them falls as the root of n; what cup or lot share
does not, unless each has a cup of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtr, fdtri, ndtr

from percsim.advice import Films, carried, film_recipe, known_of
from percsim.bench_changes import CHANGES, NEW_BOXES, Change, acts_on, changed, combined
from percsim.decision.knowledge import Knowledge
from percsim.decision.outlook import Outlook, Recipe
from percsim.film.bench import CUP, FILM, LOT

__all__ = [
    "Improvement", "Structure", "films_to_tell", "improve", "kept_within", "some_known",
    "undominated",
]  # fmt: skip

Floats = NDArray[np.float64]

GAPS = (0.5, 1.0, 2.0)
"""Gaps a structure may take, over those explored: R has to stay in its window."""
SHORTEST_GAP = 10.0
"""Median diameters of the shortest gap."""
MOST_CHANGES = 4
"""Changes of a structure."""
DRAWS = 512
"""Draws of what is known, about."""
BEAM = 12
"""Structures that the next change is added to."""
ALIKE = 0.01
"""Two structures whose numbers differ less do equally well (judgement)."""
CUT = 5e-5
"""Error of the width of a film cut to size [m] (bench judgement, no source)."""
CUT_AT = 2.0
"""Standard deviations above the median to which films are cut."""
NEAR_WINDOW = 0.05
"""How much farther from the window of R a structure may lie, as ln (judgement)."""
SIGNIFICANCE, POWER = 0.05, 0.80


@dataclass(frozen=True)
class Structure:
    """A set of changes, and what it scatters, by what is known.

    Parameters
    ----------
    changes : tuple of Change
        None for the film as it is.
    recipe : Recipe
        Loading and film.
    resistance : float
        Median of R of a patch [ohm].
    resistance_cv, gauge_factor_cv : (float, float, float)
        Median, 5 and 95 % of the CV between patches.
    gauge_factor : float
        Median of the chord gauge factor.
    kept_share : float
        Share of films that are kept.
    cups : int
        Cups for the patches asked for.
    films : float
        Films that these patches take, those sorted out included.
    minutes : float
        Work for all of them.
    material : float
        Film on a patch over that of one as planned.
    outside : float
        How far the median lies outside of the window of R, as ln; 0 inside.

    """

    changes: tuple[Change, ...]
    recipe: Recipe = field(repr=False)
    resistance: float
    resistance_cv: tuple[float, float, float]
    gauge_factor_cv: tuple[float, float, float]
    gauge_factor: float
    kept_share: float
    cups: int
    films: float
    minutes: float
    material: float
    outside: float

    @property
    def names(self) -> tuple[str, ...]:
        """Its changes by name."""
        return tuple(change.name for change in self.changes)

    @property
    def shared(self) -> bool:
        """Whether it acts on what films of one cup share."""
        return any(change.shared for change in self.changes)

    def cost(self, hour: float, cup: float) -> float:
        """Money for all patches, at the price of an hour of work and of a cup."""
        return self.minutes / 60.0 * hour + self.cups * cup

    @property
    def marks(self) -> tuple[float, ...]:
        """What counts against it, the less the better."""
        return (
            self.resistance_cv[0], self.gauge_factor_cv[0], -abs(self.gauge_factor),
            self.minutes, self.material,
        )  # fmt: skip


def kept_within(spread: Floats | float, reach: float) -> tuple[Floats, Floats]:
    r"""Deviation and share of a normal number that is kept within a reach either way.

    Parameters
    ----------
    spread : float or ndarray of float
        Its standard deviation.
    reach : float
        How far from the median it may lie.

    Returns
    -------
    deviation, share : ndarray of float
        :math:`\sigma \sqrt{1 - 2 z \phi(z)/(2 \Phi(z) - 1)}` with z = reach over spread,
        and :math:`2 \Phi(z) - 1` (truncated normal distribution, textbook).

    """
    s = np.asarray(spread, dtype=np.float64)
    safe = np.where((s > 0.0) & np.isfinite(s), s, 1.0)
    z = reach / safe
    share = 2.0 * ndtr(z) - 1.0
    density = np.exp(-0.5 * z**2) / math.sqrt(2.0 * math.pi)
    left = safe * np.sqrt(np.maximum(1.0 - 2.0 * z * density / share, 0.0))
    known = np.isfinite(s)
    return (
        np.asarray(np.where(s > 0.0, np.where(known, left, reach / math.sqrt(3.0)), 0.0)),
        np.asarray(np.where(s > 0.0, np.where(known, share, 0.0), 1.0)),
    )


def films_to_tell(before: float, after: float) -> float:
    """Least number of films of each kind that would show one scatters less than another.

    The ratio of variances of n films each exceeds the 95 % point of F in 80 % of trials
    (one-sided F test); inf where the deviation falls by nothing.
    """
    if not (0.0 < after < before < math.inf):
        return math.inf if after >= before or before == math.inf else 2.0
    ratio = (before / after) ** 2

    def power(n: int) -> float:
        limit = fdtri(n - 1, n - 1, 1.0 - SIGNIFICANCE)
        return float(1.0 - fdtr(n - 1, n - 1, limit / ratio))

    low, high = 1, 2
    while power(high) < POWER:
        low, high = high, 2 * high
        if high > 1 << 20:
            return math.inf
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power(middle) >= POWER else (middle, high)
    return float(high)


@dataclass(frozen=True)
class Improvement:
    """What can be done about the scatter of a plan's films.

    Parameters
    ----------
    patches : int
        Patches that costs are for.
    base : Structure
        The films as they are.
    tried : tuple of Structure
        All structures worked out.
    needing_boxes : tuple of Change
        Changes that were not worked out for want of boxes.
    spreads : mapping
        By the names of a structure of the front, deviation of ln R that a test compares: of
        films as they are, and of its own.

    """

    patches: int
    base: Structure
    tried: tuple[Structure, ...] = field(repr=False)
    needing_boxes: tuple[Change, ...] = ()
    spreads: Mapping[tuple[str, ...], tuple[float, float]] = field(
        default_factory=dict, repr=False
    )

    @cached_property
    def front(self) -> tuple[Structure, ...]:
        """Structures that no other beats in everything, the cheapest first.

        R of none lies farther from its window than that of the films as they are.
        """
        most = self.base.outside + NEAR_WINDOW
        return undominated((self.base, *(s for s in self.tried if s.outside <= most)))

    def reaching(self, resistance_cv: float) -> Structure | None:
        """Cheapest structure whose median CV of R is at most so much; None if none is.

        Of those that cost alike the one of fewest changes.
        """
        found = [s for s in self.front if s.resistance_cv[0] <= resistance_cv]
        dear = (1.0 + ALIKE) * min((s.minutes for s in found), default=0.0)
        alike = [s for s in found if s.minutes <= dear]
        return min(alike, key=lambda s: (len(s.changes), s.minutes), default=None)

    @property
    def halving(self) -> Structure | None:
        """Cheapest structure that halves the CV of R; None where none is or R is open."""
        if math.isinf(self.base.resistance_cv[0]):
            return None
        return self.reaching(0.5 * self.base.resistance_cv[0])

    @property
    def least(self) -> Structure:
        """What scatters least."""
        return min(self.front, key=lambda s: s.resistance_cv[0])

    @property
    def first(self) -> tuple[Structure, ...]:
        """Three to try first: most off ln CV for the work added.

        None is part of another, nor another but for one change.
        """
        base = self.base

        def worth(s: Structure) -> float:
            gain = math.log(base.resistance_cv[0] / s.resistance_cv[0])
            return gain / (0.02 * base.minutes + max(s.minutes - base.minutes, 0.0))

        better = [s for s in self.front
                  if 0.0 < s.resistance_cv[0] < 0.9 * base.resistance_cv[0]]  # fmt: skip
        chosen: list[Structure] = []
        for s in sorted(better, key=worth, reverse=True):
            own = set(s.names)
            others = [set(c.names) for c in chosen]
            if all(len(own - c) > 1 or len(c - own) > 1 for c in others) and not any(
                own <= c or c <= own for c in others
            ):
                chosen.append(s)
        return tuple(chosen[:3])

    def films_to_tell(self, structure: Structure) -> float:
        """Films of each kind that would show what a structure gains.

        Of one cup, or of cups of their own where it acts on what a cup shares.
        """
        return films_to_tell(*self.spreads.get(structure.names, (math.inf, math.inf)))


def some_known(films: Films) -> Knowledge:
    """Give as many draws of what is known as structures are worked out on."""
    known, _ = known_of(films)
    some = known.some(slice(None, None, max(len(known) // DRAWS, 1)))
    return replace(some, weights=some.weights / some.weights.sum())


class _Bench:
    """Structures of one mix, worked out on what is known of it."""

    def __init__(
        self,
        films: Films,
        base: Recipe,
        patches: int,
        known: Knowledge,
        given: tuple[Change, ...] = (),
    ) -> None:
        self.films, self.patches, self.given, self.known = films, patches, given, known
        self.base, self.most_outside = base, NEAR_WINDOW
        self._chosen: dict[tuple[float, float], Recipe] = {}
        self._read: dict[tuple[object, ...], Outlook] = {}
        self.target = films.plan.decision_target()
        plan, limits = films.plan, films.limits
        shortest = max(SHORTEST_GAP * plan.median_diameter, limits.largest_particle or 0.0)
        gaps = {float(f"{g * x:.3g}") for g in plan.electrode_gaps for x in GAPS}
        gaps = {g for g in gaps if shortest <= g <= (limits.film_length or math.inf)}
        self.recipes = tuple(
            film_recipe(plan, loading.weight_fraction, gap, films.index)
            for loading in films.explored
            for gap in sorted(gaps | set(map(float, plan.electrode_gaps)))
        )
        if not given:
            self.recipes = (*self.recipes, base)

    def _outlook(
        self, recipe: Recipe, change: Change, levels: tuple[str, ...] = (FILM, CUP, LOT)
    ) -> Outlook:
        """Outlook of a patch; films that differ in what follows the cure share theirs."""
        key = recipe, tuple(sorted(change.factors.items())), levels
        if key not in self._read:
            bench = changed(self.films.bench, recipe.film, change)
            (own,) = carried(self.films, [recipe], self.known, bench=bench, levels=levels)
            self._read[key] = own
        return self._averaged(self._read[key], change)

    def _raised(self, own: Outlook, change: Change) -> float:
        """Tell what cutting raises R by."""
        spread = float(self.known.band(own.log_spread).median) if change.trimmed else 0.0
        return math.exp(CUT_AT * min(spread, 2.0))

    def _outside(self, ohms: float) -> float:
        """How far R lies outside of its window, as ln; 0 inside."""
        with np.errstate(divide="ignore"):
            low, high = np.log(self.target.window)
            log_ohms = float(np.log(ohms))
        return float(max(low - log_ohms, log_ohms - high, 0.0))

    def _recipe(self, change: Change) -> Recipe:
        """Recipe that scatters least of those whose median keeps to the window of R.

        None strays from it farther than the film as it is, or the nearest is taken. As it
        is the film is that of the plan; boxes of their own choose their loading too.
        """
        key = change.resistance, change.width
        if change.trimmed:
            as_it_is = self._recipe(combined(()))
            plain = self._outlook(as_it_is, combined(()))
            key = key[0] * self._raised(plain, change), key[1]
        if key == (1.0, 1.0) and not self.given:
            return self.base
        if key not in self._chosen:
            bare = replace(combined(()), resistance=key[0], width=key[1])
            found = [
                self._averaged(o, bare)
                for o in carried(self.films, self._wide(key[1]), self.known)
            ]
            off = np.array([self._outside(o.film_band().median) for o in found])
            spread = [self.known.band(o.log_spread).median for o in found]
            near = off <= max(self.most_outside, float(off.min()))
            best = int(np.argmin(np.where(near, spread, np.inf)))
            self._chosen[key] = found[best].recipe
        return self._chosen[key]

    def _wide(self, width: float) -> list[Recipe]:
        return [
            replace(r, film=replace(r.film, width=r.film.width * width))
            for r in self.recipes
        ]

    def structure(self, changes: tuple[Change, ...]) -> Structure:
        """Work one out at the recipe that keeps most patches in the window."""
        changes = (*self.given, *changes)
        change, known = combined(changes), self.known
        recipe = self._recipe(change)
        best = self._outlook(recipe, change)
        spread, kept = self._finished(best, change)
        told = np.isfinite(spread)
        cv = np.sqrt(np.expm1(np.where(told, np.minimum(spread, 26.0), 0.0) ** 2))
        cv = np.where(told, cv, np.inf)
        share = float(known.weights @ kept)
        batch = self.films.plan.batch
        cast = self.patches * change.films / max(share, 1e-6)
        minutes = (
            change.cups * (batch.minutes_per_cup + change.minutes_per_cup)
            + cast * batch.minutes_per_film
            + cast / change.films * change.minutes_per_patch
        )
        ohms = best.film_band().median * self._raised(best, change)
        return Structure(
            changes, recipe, ohms, self._band(cv),
            self._band(best.gauge_factor_cv),
            best.draw_band(best.chord[:, best.nominal]).median,
            share, change.cups, cast, minutes, change.films * change.width,
            self._outside(ohms),
        )  # fmt: skip

    def _averaged(self, own: Outlook, change: Change) -> Outlook:
        """Outlook of a patch of several films from that of one of them."""
        loading, film = own.recipe.loading, own.recipe.film
        chains = self.films.model.chain_deviation(loading.volume_fraction, film)
        scatter = np.sqrt(
            np.maximum(own.scatter**2 - chains**2 * (1.0 - 1.0 / change.volume), 0.0)
        )
        shift = math.log(change.resistance)
        return replace(own, rest=own.rest + shift, scatter=scatter)

    def _finished(self, own: Outlook, change: Change) -> tuple[Floats, Floats]:
        """Deviation of ln R after cutting or sorting, and share of films kept."""
        spread = own.log_spread
        if change.trimmed:
            # cutting only raises R: all to what 97.7 % of the films lie below
            known = np.isfinite(spread)
            reach = np.where(known, CUT_AT * np.minimum(spread, 26.0 / CUT_AT), 0.0)
            cut = CUT / own.recipe.film.width * np.exp(reach)
            left = np.hypot(cut, self.films.bench.tolerances.instrument)
            kept = np.where(known, ndtr(CUT_AT), 0.0)
            return np.where(known, np.minimum(left, spread), np.inf), kept
        if change.kept > 0.0:
            left, kept = kept_within(spread, math.log1p(change.kept))
            return np.where(np.isfinite(spread), left, np.inf), kept
        return spread, np.ones(len(spread))

    def spread(self, recipe: Recipe, change: Change, *, shared: bool) -> float:
        """Median deviation of ln R of films of one cup, or of cups of their own."""
        levels = (FILM, CUP, LOT) if shared else (FILM,)
        spread, _ = self._finished(self._outlook(recipe, change, levels), change)
        return self.known.band(spread).median

    def _band(self, values: Floats) -> tuple[float, float, float]:
        found = self.known.band(values)
        return found.median, found.p05, found.p95


def improve(
    films: Films,
    base: Recipe,
    patches: int = 20,
    changes: Sequence[Change] = CHANGES,
    variants: Sequence[tuple[Change, Films]] = (),
    most: int = MOST_CHANGES,
) -> Improvement:
    """Search what a bench can change for structures that scatter less.

    Parameters
    ----------
    films : Films
        Models of one mix of a plan.
    base : Recipe
        Its film as it is.
    patches : int
        Patches that costs are for.
    changes : sequence of Change
        What may be changed.
    variants : sequence of (Change, Films)
        Changes with boxes of their own, and the models of these.
    most : int
        Changes of a structure, these aside; 2 or more.

    Returns
    -------
    Improvement
        All single changes and pairs, and more changes on top of the undominated ones.

    """
    # contacts, bench and the threshold over the simulated one are the same for all boxes
    known = some_known(films)
    benches = [_Bench(films, base, patches, known)]
    benches += [_Bench(own, base, patches, known, (change,)) for change, own in variants]
    as_it_is = benches[0].structure(())
    for bench in benches:
        bench.most_outside = as_it_is.outside + NEAR_WINDOW
    tried = [(s, bench) for bench in benches for s in _search(bench, changes, most)]
    done = {change.name for change, _ in variants}
    lacking = tuple(
        change for change in NEW_BOXES
        if change.name not in done and acts_on(films.plan, change)
    )  # fmt: skip
    found = Improvement(patches, as_it_is, tuple(s for s, _ in tried), lacking)
    benches_of = {s.names: bench for s, bench in tried}
    spreads = {}
    for s in found.front:
        if s.changes:
            before = benches[0].spread(base, combined(()), shared=s.shared)
            own = combined(s.changes)
            after = benches_of[s.names].spread(s.recipe, own, shared=s.shared)
            spreads[s.names] = before, after
    return replace(found, spreads=spreads)


def _search(bench: _Bench, changes: Sequence[Change], most: int) -> list[Structure]:
    """Work out single changes, pairs, and more on top of those no other dominates."""
    found: dict[tuple[str, ...], Structure] = {}
    sets: list[tuple[Change, ...]] = [(c,) for c in changes]
    sets += [pair for pair in combinations(changes, 2) if pair[0].group != pair[1].group]
    if bench.given:
        sets.insert(0, ())
    for size in range(most + 1):
        for chosen in [s for s in sets if len(s) == size]:
            structure = bench.structure(chosen)
            found.setdefault(structure.names, structure)
        if not 2 <= size < most:
            continue
        front = undominated(tuple(found.values()))
        grown = [s for s in front if len(s.changes) == size + len(bench.given)][:BEAM]
        more = [
            tuple(sorted((*s.changes[len(bench.given) :], c), key=changes.index))
            for s in grown
            for c in changes
            if c.group not in {own.group for own in s.changes}
        ]
        sets = list({tuple(c.name for c in s): s for s in more}.values())
    return list(found.values())


def undominated(structures: Sequence[Structure]) -> tuple[Structure, ...]:
    """Structures that no other beats in everything, the cheapest first."""
    marks = np.nan_to_num(np.array([s.marks for s in structures]), posinf=1e300)
    here, there = marks[:, None], marks[None, :]
    slack = ALIKE * np.maximum(np.abs(here), np.abs(there))
    beaten = (there <= here + slack).all(axis=2) & (there < here - slack).any(axis=2)
    kept = [s for s, lost in zip(structures, beaten.any(axis=1), strict=True) if not lost]
    return tuple(sorted(kept, key=lambda s: (s.minutes, s.resistance_cv[0])))
