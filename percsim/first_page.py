"""What stands on the first page: one result, told by page, terminal and notebook alike.

It is made of a plan, its answer and the models of its films; no box is read, nothing is
drawn. Its numbers are over what is known, on day one or by measured films, not those of the
plan's own contacts.
"""

from __future__ import annotations

import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from percsim.advice import Answer, Films, answer, stored_films
from percsim.changes import changes_of, tighter
from percsim.decision.decide import Change, Decision, State, Why
from percsim.decision.outlook import Band, Outlook
from percsim.decision.posterior import Posterior
from percsim.decision.target import Limit, Target
from percsim.film.transfer import FAITHFUL_RATIO
from percsim.packing import of_plain
from percsim.plan.sections.ask import TolerancesSection
from percsim.remarks import Remark, remarks
from percsim.states.temperature import ROOM_TEMPERATURE

if TYPE_CHECKING:
    from percsim.plan import Plan

__all__ = [
    "Cause", "Cups", "FilmsOfCup", "FirstPage", "Part", "Place", "Plot", "Point", "Read",
    "Row", "best_told", "first_page", "read_first_page", "row_of",
    "rows_of", "stored_first_page",
]  # fmt: skip

Floats = NDArray[np.float64]

MOST_ROWS = 5
"""Recipes in the table."""
MOST_CAUSES = 2
"""Causes of scatter told."""
EQUAL = 0.01
"""Two recipes whose P differs less do equally well (judgement)."""
NEAR_ROOM = 5.0
"""Readings so near 20 C stand in the plot of it [K] (judgement)."""


@dataclass(frozen=True, slots=True)
class Place:
    """A recipe: loading, gap [m], and what sets its mix apart."""

    weight_fraction: float
    electrode_gap: float
    mix: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a cup: its mass, and that on the balance's digits [g]."""

    name: str
    exact: float
    reading: float


@dataclass(frozen=True, slots=True)
class FilmsOfCup:
    """Films of a cup at one gap [m], and R that one casting of them reads [ohm]."""

    electrode_gap: float
    films: int
    resistance: Band


@dataclass(frozen=True, slots=True)
class Cups:
    """A cup to cast now.

    Parameters
    ----------
    weight_fraction, mix_ratio : float
        Of the cured film; base to curing agent, inf without agent.
    mix : str
        What sets its mix apart.
    thickness, wet_thickness : float
        Of the film, dry and as spread [m].
    parts : tuple of Part
        What goes on the balance.
    step : float
        Of the balance [g].
    films : tuple of FilmsOfCup
        One a gap.
    strain : float
        At which they are read besides rest.
    solids, thickening : float
        Solids of the mix as cast over those at which the filler jams, and how many times
        they thicken it.
    uncertainty, tolerance : float
        Of the loading from the balance, and what weighing is taken to leave, relative.

    """

    weight_fraction: float
    mix_ratio: float
    mix: str
    thickness: float
    wet_thickness: float
    parts: tuple[Part, ...]
    step: float
    films: tuple[FilmsOfCup, ...]
    strain: float
    solids: float
    thickening: float
    uncertainty: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class Row:
    """What one recipe would read, and how probably it does all that is asked.

    Parameters
    ----------
    place : Place
        The recipe.
    is_best, in_cup, ties : bool
        Whether it is the best, is cast now, does as well as the best.
    resistance, resistance_cv : Band
        Of one casting [ohm], and between castings.
    gauge_factor, gauge_factor_cv : Band or None
        None where half of the castings are open, or without strain.
    probability : float
        P of this recipe.
    misses : str
        Limit that it is likeliest to miss, as "resistance high"; empty where none is.
    miss_chance : float
        Probability of that.

    """

    place: Place
    is_best: bool
    in_cup: bool
    ties: bool
    resistance: Band
    resistance_cv: Band
    gauge_factor: Band | None
    gauge_factor_cv: Band | None
    probability: float
    misses: str
    miss_chance: float


@dataclass(frozen=True, slots=True)
class Point:
    """R of one casting [ohm] at a loading."""

    weight_fraction: float
    resistance: Band


@dataclass(frozen=True, slots=True)
class Read:
    """A film that was read: its name, where it stands, and whether others speak against it.

    Its R [ohm] is inf where it is open.
    """

    name: str
    weight_fraction: float
    electrode_gap: float
    resistance: float
    contradicted: bool


@dataclass(frozen=True, slots=True)
class Plot:
    """R against weight fraction at one gap [m].

    Parameters
    ----------
    electrode_gap : float
        That of the best recipe.
    low, high : float
        Window asked [ohm], 0 and inf without.
    points : tuple of Point
        By what is known, rising.
    threshold : Band
        The film's own, as weight fraction.
    readings : tuple of Read
        The user's own at room temperature, of every gap.

    """

    electrode_gap: float
    low: float
    high: float
    points: tuple[Point, ...]
    threshold: Band
    readings: tuple[Read, ...]


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause of scatter of R, and what halving it buys.

    Parameters
    ----------
    name : str
        The tolerance.
    basis : {"default", "plan", "by films"}
        Where its size comes from; by films where these moved, by 5 % or more, the one
        factor by which the whole bench scatters.
    spread : float
        One standard deviation of the logarithm of what it moves, median of what is known.
    share : float
        Of the variance of ln R.
    cv, cv_halved : float
        CV of R as it is, and with it halved.
    gain : float
        Rise of P by halving it; 0 where that is below its error.

    """

    name: str
    basis: str
    spread: float
    share: float
    cv: float
    cv_halved: float
    gain: float


@dataclass(frozen=True, slots=True)
class FirstPage:
    """What to do, and what it rests on.

    Parameters
    ----------
    state, why : State, Why
        As decided.
    probability : float
        The one P: while there is something to learn that some gap of the cup does all that
        is asked, when ready that the recipe does, else that any recipe does.
    best : Place
        The best recipe; while there is something to learn, of the cup.
    cast_before : int
        Cups cast so far.
    asked : tuple of Limit
        Every limit of the plan.
    cups : tuple of Cups
        To cast now.
    plot : Plot
        Of the best recipe's mix.
    rows : tuple of Row
        A few recipes, by loading and gap.
    causes : tuple of Cause
        The largest of scatter.
    remarks : tuple of Remark
        What is assumed, what contradicts, what comes next: three at most.
    changes : tuple of Change
        What would do most where nothing will do.
    supply, power : float
        Supply [V], and the most heat an area that films of the best recipe or of the cup
        make at it [W/m^2].
    cautions : tuple of str
        Of this powder, elastomer and solvent.
    pull : str
        Which pull gauge factors are of; empty where no film is strained.

    """

    state: State
    why: Why
    probability: float
    best: Place
    cast_before: int
    asked: tuple[Limit, ...]
    cups: tuple[Cups, ...]
    plot: Plot
    rows: tuple[Row, ...]
    causes: tuple[Cause, ...]
    remarks: tuple[Remark, ...]
    changes: tuple[Change, ...]
    supply: float
    power: float
    cautions: tuple[str, ...]
    pull: str


def first_page(
    plan: Plan, films: Sequence[Films], found: Answer, *, whole: bool = True,
    plotted: bool = True,
) -> FirstPage:  # fmt: skip
    """Put together what stands on the first page.

    Parameters
    ----------
    plan : Plan
        The plan, with whatever was measured.
    films : sequence of Films
        Models of its mixes.
    found : Answer
        What was decided from them.
    whole : bool
        Whether rows and causes of scatter are wanted.
    plotted : bool
        Whether the points of its plot are.

    """
    decision, best = found.decision, best_told(found.decision)
    own = found.outlooks[best]
    mine = next(f for f in films if f.index == own.recipe.mix)
    told = found.posterior
    places = _places(plan, films, found)
    changes: tuple[Change, ...] = ()
    if decision.state is State.NOTHING:
        changes = changes_of(films, found)[:MOST_CAUSES]
    return FirstPage(
        decision.state, decision.why, _probability(decision), places[best],
        decision.cups, found.target.limits, _cups(plan, films, found, places),
        _plot(found, mine, own, plotted), rows_of(plan, films, found) if whole else (),
        _causes(mine, own, found.target, told) if whole else (),
        remarks(mine, decision, told, changes), changes, plan.circuit().supply,
        _power(plan, found, best), plan.cautions,
        plan.target.pull if plan.chord_strain else "",
    )  # fmt: skip


def stored_first_page(plan: Plan, folder: str | os.PathLike[str]) -> FirstPage | None:
    """Put it together from what a folder keeps, without reading a box.

    None where `advice.stored_films` finds nothing. It has no points to plot: it is told.
    """
    films = stored_films(plan, folder)
    if films is None:
        return None
    return first_page(plan, films, answer(plan, films), plotted=False)


def best_told(decision: Decision) -> int:
    """Index of the recipe that is told of: of the cup to learn by, its likeliest."""
    if decision.state is State.LEARN and decision.cup is not None:
        return max(decision.cup.recipes, key=decision.all_limits.__getitem__)
    return decision.best


def _probability(decision: Decision) -> float:
    if decision.state is State.LEARN and decision.cup is not None:
        return decision.cup.all_limits
    if decision.state is State.READY:
        return decision.probability
    return decision.any_recipe


def _power(plan: Plan, found: Answer, best: int) -> float:
    """Most heat an area of the best recipe and of those cast now [W/m^2]."""
    told = [found.outlooks[i] for i in (best, *_cast(found.decision))]
    return max(
        plan.circuit().film_power(own.casting_band().median)
        * own.recipe.film.thickness / own.recipe.film.volume
        for own in told
    )  # fmt: skip


def _cast(decision: Decision) -> tuple[int, ...]:
    """Recipes cast now: every gap to learn by; once ready those that probably do it."""
    if decision.cup is None:
        return ()
    if decision.state is not State.READY:
        return decision.cup.recipes
    least = 0.5 * decision.all_limits[decision.best]
    return tuple(i for i in decision.cup.recipes if decision.all_limits[i] >= least)


def _cups(
    plan: Plan, films: Sequence[Films], found: Answer, places: Sequence[Place]
) -> tuple[Cups, ...]:
    cup = found.decision.cup
    if cup is None:
        return ()
    own = next(f for f in films if f.index == cup.mix).plan
    first, cast = found.recipes[cup.recipes[0]], _cast(found.decision)
    sheet = own.weigh_out(own.recipe(cup.weight_fraction), first.film)
    exact, readings = sheet.grams, sheet.readings
    return (
        Cups(
            cup.weight_fraction, sheet.recipe.elastomer.mix_ratio,
            places[cup.recipes[0]].mix, first.film.thickness,
            first.film.thickness * sheet.wet_over_dry,
            tuple(Part(name, exact[name], readings[name]) for name in exact),
            1e3 * sheet.resolution,
            tuple(
                FilmsOfCup(places[i].electrode_gap, cup.films, band)
                for i, band in zip(cup.recipes, cup.resistance, strict=True)
                if i in cast
            ),
            plan.chord_strain, sheet.wet_solids / sheet.packing,
            sheet.relative_viscosity, sheet.relative_uncertainty, sheet.tolerance,
        ),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------
# Rows
# ------------------------------------------------------------------------------------------


def _places(plan: Plan, films: Sequence[Films], found: Answer) -> list[Place]:
    words = {f.index: f.plan.mix_words(plan.varying) for f in films}
    return [
        Place(r.loading.weight_fraction, r.film.electrode_gap, words[r.mix])
        for r in found.recipes
    ]


def rows_of(plan: Plan, films: Sequence[Films], found: Answer) -> tuple[Row, ...]:
    """Lay out the best, what is cast with it, its neighbours, and the best of the rest.

    Rows of the page, as `first_page` takes them.
    """
    decision, best = found.decision, best_told(found.decision)
    cast, places = _cast(decision), _places(plan, films, found)
    held = found.outlooks[best].holds(found.target)[1]
    rows = []
    for i in _shown(found, films, cast, best):
        own, P = found.outlooks[i], decision.all_limits[i]
        off = own.holds(found.target)[1].astype(float) - held
        near = max(EQUAL, 2.0 * _error(off, own.weights))
        same = found.recipes[i].loading == found.recipes[best].loading
        ties = i != best and same and decision.all_limits[best] - min(near, 0.5 * P) < P
        row = row_of(own, places[i], P, found.target)
        rows.append(replace(row, is_best=i == best, in_cup=i in cast, ties=ties))
    return tuple(sorted(rows, key=lambda row: (row.place.mix, row.place.weight_fraction)))


def row_of(own: Outlook, place: Place, P: float, target: Target) -> Row:
    """Tell what one recipe would read, by itself."""
    factor = own.response_band() if own.strain else None
    return Row(
        place, False, False, False, own.casting_band(), own.draw_band(own.resistance_cv),
        factor, None if factor is None else own.draw_band(own.gauge_factor_cv), P,
        *_misses(own, target),
    )  # fmt: skip


def _shown(
    found: Answer, films: Sequence[Films], cast: Sequence[int], best: int
) -> list[int]:
    """Choose the recipes that are shown, by index: best first, then by loading and gap."""
    recipes, P = found.recipes, found.decision.all_limits
    explored = {r for f in films for r in f.recipes}
    own = recipes[best]
    others = [i for i, r in enumerate(recipes) if r in explored and i != best]
    wanted = [best, *sorted(cast, key=lambda i: -P[i])]

    def loading(i: int) -> float:
        return recipes[i].loading.weight_fraction

    line = [i for i in others if recipes[i].mix == own.mix and recipes[i].film == own.film]
    wanted += sorted((i for i in line if loading(i) < loading(best)), key=loading)[-1:]
    wanted += sorted((i for i in line if loading(i) > loading(best)), key=loading)[:1]
    rest = [i for i in others if P[i] >= EQUAL]
    wanted += sorted(rest, key=lambda i: (-P[i], abs(loading(i) - loading(best))))
    shown = list(dict.fromkeys(wanted))[:MOST_ROWS]
    return sorted(shown, key=lambda i: recipes[i].film.electrode_gap)


def _misses(own: Outlook, target: Target) -> tuple[str, float]:
    """Limit that is likeliest to be missed, and how probably."""
    # what is open misses by that alone
    closed = own.weights * own.conducts[:, own.nominal]
    missed = {
        "open": float(own.open_shares @ own.weights),
        "near": float(closed @ (own.ratio < FAITHFUL_RATIO)),
        "spread": float(closed @ _too_few(own, target)),
    }
    for limit in target.limits:
        if limit.what != "pass_share":
            short = limit.reserve(own.values_of(limit.what, target)) < 0.0
            name = f"{limit.what} {'low' if limit.at_least else 'high'}"
            missed[name] = float(closed @ short)
    name = max(missed, key=missed.__getitem__)
    return (name, missed[name]) if missed[name] > 0.0 else ("", 0.0)


def _too_few(own: Outlook, target: Target) -> NDArray[np.bool_]:
    """Where too few castings pass though the film as planned does."""
    low, high = target.window
    level = own.values_of("resistance", target)
    inside = (level >= low) & (level <= high)
    few = own.pass_shares(target) < target.pass_share_min
    return np.asarray(inside & few)


def _error(values: Floats, weights: Floats) -> float:
    """Give the standard error of a weighted mean."""
    mean = float(weights @ values)
    return math.sqrt(float(weights**2 @ (values - mean) ** 2))


# ------------------------------------------------------------------------------------------
# Plot and causes
# ------------------------------------------------------------------------------------------


def _plot(found: Answer, films: Films, best: Outlook, plotted: bool) -> Plot:
    gap, known = best.recipe.film.electrode_gap, best.knowledge
    points = {
        o.recipe.loading.weight_fraction: o.casting_band()
        for o in found.outlooks
        if plotted and o.recipe.mix == films.index and o.recipe.film == best.recipe.film
    }
    phi = known.threshold(films.model)
    recipe = films.plan.recipe(best.recipe.loading.weight_fraction)
    low, high = found.target.window
    return Plot(
        gap, low, high, tuple(Point(w, points[w]) for w in sorted(points)),
        Band(
            *(
                recipe.at_volume_fraction(x).weight_fraction
                for x in (phi.median, phi.p05, phi.p95)
            )
        ),
        _readings(found.posterior),
    )  # fmt: skip


def _readings(told: Posterior | None) -> tuple[Read, ...]:
    """Films that were read at rest and at room temperature, under their names."""
    checks = () if told is None else told.checks
    return tuple(
        Read(
            c.reading.label, c.reading.loading.weight_fraction,
            c.reading.film.electrode_gap, c.reading.resistance, c.is_outlier,
        )
        for c in checks
        if c.reading.resistance is not None
        and (c.reading.strain == 0.0 or c.reading.relative_change is not None)
        and abs(c.reading.temperature - ROOM_TEMPERATURE) <= NEAR_ROOM
    )  # fmt: skip


def _causes(
    films: Films, own: Outlook, target: Target, told: Posterior | None
) -> tuple[Cause, ...]:
    """Find the tolerances whose halving takes most from the variance of ln R."""
    cv, weights = own.draw_band(own.resistance_cv).median, own.weights
    if not math.isfinite(cv):
        return ()
    holds = own.holds(target)[1]
    scale = 1.0 if told is None else own.draw_band(own.knowledge.scale).median
    learnt = not math.isclose(scale, 1.0, rel_tol=0.05)
    found = []
    for name, spread, share, after in tighter(films, own)[:MOST_CAUSES]:
        change = after.holds(target)[1].astype(float) - holds
        gain = float(weights @ change)
        found.append(
            Cause(
                name, "by films" if learnt else _basis(films.plan, name), scale * spread,
                share, cv, own.draw_band(after.resistance_cv).median,
                gain if gain > 2.0 * _error(change, weights) else 0.0,
            )
        )  # fmt: skip
    return tuple(found)


def _basis(plan: Plan, name: str) -> str:
    """Say whether the plan states a tolerance otherwise than its default."""
    keys = {what.stage or key: key for key, what in TolerancesSection.keys().items()}
    key = keys[name]
    own = getattr(plan.tolerances_section, key)
    return "default" if own == getattr(TolerancesSection(), key) else "plan"


def read_first_page(told: Mapping[str, Any]) -> FirstPage:
    """Read a first page back from its key of a summary.

    Parameters
    ----------
    told : mapping
        As `summary.json` holds it; infinite numbers are "inf".

    Raises
    ------
    ValueError
        If it is not one.

    """
    try:
        page = of_plain(FirstPage, told)
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(f"no first page: {error!r}") from error
    assert isinstance(page, FirstPage)
    return page
