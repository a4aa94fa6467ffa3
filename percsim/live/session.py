"""One folder under the knobs: what was changed -> what has to be redone.

Target, supply, tolerances and gaps are answered from the models that the folder keeps;
width, thickness and mix ratio too where the boxes are the same; anything else needs boxes,
which are counted. Nothing is written here.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import cached_property, partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from percsim.advice import (
    Answer,
    Films,
    answer,
    carried,
    film_recipe,
    films_of_text,
    fingerprint,
    known_of,
)
from percsim.boxes.folder import results_folder
from percsim.boxes.store import Store
from percsim.changes import each_tighter, knowing
from percsim.compare import Comparison, side_by_side
from percsim.decision.decide import State
from percsim.decision.knowledge import Knowledge
from percsim.decision.outlook import Band, Outlook, Recipe, hold
from percsim.decision.posterior import Posterior
from percsim.decision.target import Target
from percsim.errors import FolderError, PlanError
from percsim.film.model import FilmModel
from percsim.first_page import FirstPage, Place, Point, Row, first_page, row_of, rows_of
from percsim.live.knobs import NEED_BOXES, Settings, turned
from percsim.plan import Plan
from percsim.plan.read import parse_toml
from percsim.plan.readings import readings_of

__all__ = [
    "Cell",
    "Needed",
    "Seen",
    "Session",
    "Spot",
    "View",
    "Worth",
    "compared",
]

Floats = NDArray[np.float64]
Made = TypeVar("Made")

FINEST = (24, 9)
"""Loadings and gaps of the map."""
BEYOND = 0.12
"""How far beyond the boxes the map goes, of the span of loadings."""
MOST_VIEWS = 8
"""Answers that are kept."""
MOST_WORKED = 2
"""Sets of films whose outlooks are kept: of what is seen, and of what is pinned."""
READINGS = "readings.csv"
"""What messages call the table of the page."""


@dataclass(frozen=True, slots=True)
class Needed:
    """Boxes that a changed plan takes: how many jobs, and seconds on so many cores."""

    jobs: int
    seconds: float
    cores: int


@dataclass(frozen=True)
class View:
    """What is seen.

    Parameters
    ----------
    plan : Plan
        With its knobs turned, and readings.
    films : list of Films
        Models of its mixes.
    found : Answer
        What is decided.
    page : FirstPage
        What stands on it, but for rows and causes.
    faults : dict of str to str
        What is wrong with settings, by key; "" of several, "readings" of the table. The
        rest is that of the settings without.
    stale : bool
        Whether it is that of the plan as it was, since the changed one needs boxes.
    asked : Plan
        The plan that was asked for.

    """

    plan: Plan
    films: list[Films] = field(repr=False)
    found: Answer = field(repr=False)
    page: FirstPage = field(repr=False)
    faults: dict[str, str]
    stale: bool
    asked: Plan = field(repr=False)
    worked: dict[object, Any] = field(repr=False)
    """Outlooks of candidates by mix, loading and film, whatever is asked of them."""
    made: dict[object, Any] = field(default_factory=dict, repr=False)
    """What was worked out besides, so that another candidate does not cost it again."""

    def once(self, name: object, make: Callable[[], Made]) -> Made:
        """Give what was made under a name, or make it."""
        if name not in self.made:
            self.made[name] = make()
        found: Made = self.made[name]
        return found

    @property
    def whole(self) -> FirstPage:
        """The page with its rows."""

        def make() -> FirstPage:
            return replace(self.page, rows=rows_of(self.plan, self.films, self.found))

        return self.once("whole", make)

    @property
    def stated(self) -> FirstPage:
        """The page as far as its state tells of it: of gaps that do as well by the rows."""
        return self.page if self.page.state is State.LEARN else self.whole

    @property
    def own(self) -> Films:
        """Films of the mix that is told of."""
        best = self.found.outlooks[self.found.decision.best].recipe
        return next(f for f in self.films if f.index == best.mix)

    @property
    def explored(self) -> tuple[float, float]:
        """Lowest and highest loading with boxes."""
        loadings = self.own.explored
        return loadings[0].weight_fraction, loadings[-1].weight_fraction

    @property
    def reach(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Loadings and gaps of the map, from the lowest to the highest."""
        low, high = self.explored
        beyond = BEYOND * (high - low) or 0.1 * low
        gaps = self.plan.electrode_gaps
        longest = self.own.limits.film_length or 2.0 * gaps[-1]
        shortest = max(0.5 * gaps[0], 10.0 * self.own.plan.median_diameter)
        return (
            (max(low - beyond, 0.2 * low), min(high + beyond, 0.95)),
            (shortest, max(min(1.4 * gaps[-1], longest), 1.01 * shortest)),
        )


@dataclass(frozen=True)
class Spot:
    """The candidate that is looked at."""

    place: Place
    own: Outlook = field(repr=False)
    target: Target = field(repr=False)

    @cached_property
    def row(self) -> Row:
        """What it would read."""
        return row_of(self.own, self.place, self.own.probability(self.target), self.target)


@dataclass(frozen=True, slots=True)
class Cell:
    """P of one candidate of the map, with its standard error."""

    weight_fraction: float
    electrode_gap: float
    probability: float
    error: float


@dataclass(frozen=True, slots=True)
class Seen:
    """One candidate of a curve: what one casting reads, and its P."""

    weight_fraction: float
    electrode_gap: float
    resistance: Band
    resistance_cv: Band
    gauge_factor: Band | None
    probability: float
    error: float


@dataclass(frozen=True, slots=True)
class Worth:
    """What one thing would buy.

    Parameters
    ----------
    kind : {"tolerance", "unknown"}
        Halved, or known.
    name : str
        The tolerance, or the symbol.
    share : float
        Of a tolerance in the variance of ln R; NaN of an unknown.
    probability, error : float
        P of the best recipe after it, and its standard error.

    """

    kind: str
    name: str
    share: float
    probability: float
    error: float


class Session:
    """A results folder whose plan is turned about.

    Parameters
    ----------
    folder : path
        A folder that a run has finished.

    Raises
    ------
    FolderError
        If it keeps no models of its films.

    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = results_folder(folder)
        self._models: dict[str, list[Films]] = {}
        self._pulled: dict[tuple[int, str], list[FilmModel]] = {}
        self._known: dict[int, tuple[Knowledge, Posterior | None]] = {}
        self._worked: dict[str, tuple[Answer, dict[object, Any]]] = {}
        self._views: dict[object, View] = {}
        self.plan: Plan
        self.load()

    def load(self) -> None:
        """Read plan and models of the folder, again after a run."""
        with Store.read(self.folder) as store:
            told, kept = store.load_artefact("plan"), store.load_artefact("films")
            text = store.load_artefact("plan_text", "")
        plan = None if told is None else Plan.from_dict(told, name="plan.toml")
        films = None if plan is None else films_of_text(plan, kept)
        if plan is None or films is None:
            raise FolderError(
                f"{self.folder} holds no finished run of this version; run its plan there"
            )
        if not self._models:
            self.plan = _written(plan, str(text))
        self._models[fingerprint(plan)] = films
        self._pulled.clear()
        self._views.clear()
        self._worked.clear()
        self.sheet = _sheet(self.folder)

    # ------------------------------------------------------------------ what is redone
    def films_of(self, plan: Plan) -> list[Films] | None:
        """Models of a plan; None where it needs other boxes or another fit."""
        found = self._models.get(fingerprint(plan))
        if found is None:
            base = self._like(plan)
            found = None if base is None else self._models.get(fingerprint(base))
        if found is None:
            return None
        # the same models for good, so that what was made of them is theirs still
        pull = plan.target.pull
        now = [f.model.on(pull) for f in found]
        models = self._pulled.setdefault((id(found), pull), now)
        return [
            replace(f, plan=plan.mixes[f.index], model=model)
            for f, model in zip(found, models, strict=True)
        ]

    def _like(self, plan: Plan) -> Plan | None:
        """Give the plan the film and mix ratio of the folder's, where boxes are the same.

        Boxes know no width and no mix ratio, and no thickness where films are thick beside
        their particles; a radius makes their strains depend on the film.
        """
        if plan.part.radius is not None:
            return None
        base, film = self.plan, replace(plan.film, width=self.plan.film.width)
        if not any(mix.is_thin for mix in (*plan.mixes, *base.mixes)):
            film = replace(film, thickness=base.film.thickness)
        elastomer = replace(plan.elastomer, mix_ratio=base.elastomer.mix_ratio)
        return replace(plan, film=film, elastomer=elastomer)

    def needed(self, plan: Plan) -> Needed:
        """Boxes that a plan takes and the folder does not hold."""
        from percsim.boxes.pool import available_cores
        from percsim.jobs import across_jobs, box_jobs, threshold_jobs

        with Store.read(self.folder) as store:
            done = store.keys()
        jobs: dict[str, float] = {}
        for made in (box_jobs(plan), across_jobs(plan), threshold_jobs(plan)):
            jobs |= {job.key: job.seconds for job in made}
        left = [seconds for key, seconds in jobs.items() if key not in done]
        cores = available_cores()
        return Needed(len(left), sum(left) / cores + FITTING, cores)

    # ------------------------------------------------------------------ what is seen
    def look(self, settings: Settings, readings: str = "") -> View:
        """Answer a plan with its knobs turned.

        Parameters
        ----------
        settings : mapping of str to str
            Texts of the keys turned.
        readings : str
            Table of films that were read, besides those of the plan; empty without.

        Returns
        -------
        View

        """
        key = (tuple(sorted(settings.items())), readings)
        if key not in self._views:
            while len(self._views) >= MOST_VIEWS:
                del self._views[next(iter(self._views))]
            self._views[key] = self._looked(settings, readings)
        return self._views[key]

    def _looked(self, settings: Settings, readings: str) -> View:
        plan, faults = turned(self.plan, settings)
        if faults:
            good = {k: v for k, v in settings.items() if k not in faults}
            plan, more = turned(self.plan, {} if "" in faults else good)
            faults |= more
        if readings.strip():
            try:
                plan = plan.with_measured(
                    readings_of(readings, READINGS).rows, READINGS, self.folder.resolve()
                )
            except PlanError as error:
                faults["readings"] = "\n".join(error.faults)
        asked, films = plan, self.films_of(plan)
        if films is None:
            # what needs no boxes is answered all the same
            now = {k: v for k, v in settings.items() if k not in NEED_BOXES | faults.keys()}
            plan = replace(turned(self.plan, now)[0], measured=plan.measured)
            films = self.films_of(plan)
        if films is None:
            plan = replace(self.plan, measured=plan.measured)
            films = self.films_of(plan)
            assert films is not None
        told = _beside_target(plan)
        before, worked = self._worked.pop(told, (None, {}))
        found = answer(plan, films, before, self._knowledge)
        for own in found.outlooks if before is None else ():
            worked[_place(own.recipe)] = own
        self._worked[told] = found, worked
        while len(self._worked) > MOST_WORKED:
            del self._worked[next(iter(self._worked))]
        page = first_page(plan, films, found, whole=False)
        return View(plan, films, found, page, faults, asked is not plan, asked, worked)

    def _knowledge(self, films: Films) -> tuple[Knowledge, Posterior | None]:
        """Say what is known of a mix, by the draws of before where they come out the same.

        Materials that were made of them are theirs still.
        """
        found = known_of(films)
        last = self._known.get(films.index, found)
        if found[1] is None and last[1] is None and _same(found[0], last[0]):
            found = last
        self._known[films.index] = found
        return found

    def spot(self, view: View, weight_fraction: float, gap: float) -> Spot:
        """Look at one candidate, whether it was explored or not."""
        (own,) = self._outlooks(view, [(weight_fraction, gap)])
        place = Place(weight_fraction, gap, view.own.plan.mix_words(view.plan.varying))
        return Spot(place, own, view.found.target)

    def _outlooks(self, view: View, places: Sequence[tuple[float, float]]) -> list[Outlook]:
        """Outlooks of loadings and gaps of the mix told of, each worked out once."""
        films, known = self._told(view)
        recipes = [film_recipe(films.plan, w, gap, films.index) for w, gap in places]
        wanted = [r for r in recipes if _place(r) not in view.worked]
        for own in carried(films, wanted, known) if wanted else ():
            view.worked[_place(own.recipe)] = own
        return [view.worked[_place(r)] for r in recipes]

    def _told(self, view: View) -> tuple[Films, Knowledge]:
        own = view.found.outlooks[view.found.decision.best]
        return view.own, own.knowledge

    # ------------------------------------------------------------------ what comes after
    def worth(self, view: View) -> Iterator[list[Worth]]:
        """Say what halving each tolerance, and knowing each unknown, would buy."""
        target = view.found.target
        own = view.found.outlooks[view.found.decision.best]
        holds, P = own.holds(target)[1], own.probability(target)
        key, told = ("tighter", _place(own.recipe)), []
        for row in view.worked.get(key) or each_tighter(view.own, own):
            told.append(row)
            name, _, part, after = row
            moved = after.holds(target)[1].astype(float) - holds
            gain = float(own.weights @ moved)
            error = math.sqrt(float(own.weights**2 @ (moved - gain) ** 2))
            yield [Worth("tolerance", name, part, P + gain, error)]
        view.worked[key] = told
        found = view.once("knowing", lambda: knowing(view.found))
        yield [Worth("unknown", name, math.nan, P + x, e) for name, x, e in found]

    def grid(self, view: View) -> tuple[Floats, Floats]:
        """Give loadings and gaps of the map."""
        loadings, gaps = (
            np.linspace(*ends, n) for ends, n in zip(view.reach, FINEST, strict=True)
        )
        return loadings, gaps

    def cells(self, view: View) -> Iterator[list[Cell]]:
        """Candidates of the map, a gap at a time once all are known."""
        loadings, gaps = self.grid(view)
        target, rows = view.found.target, []

        def column(gap: float, found: Sequence[Outlook]) -> list[Cell]:
            hold(found, target)
            return [
                Cell(float(w), float(gap), *_chance(own, target))
                for w, own in zip(loadings, found, strict=True)
            ]

        for w in loadings:
            rows.append(self._outlooks(view, [(w, gap) for gap in gaps]))
            yield []  # a place to leave
        for gap, found in zip(gaps, zip(*rows, strict=True), strict=True):
            yield view.once(("cells", gap), partial(column, gap, found))

    def points(self, view: View, gap: float) -> tuple[Point, ...]:
        """R at every loading of the plot, at the gap of the first page or another."""
        plot = view.page.plot
        if abs(gap - plot.electrode_gap) < 1e-9:
            return plot.points
        weights = [p.weight_fraction for p in plot.points]
        found = self._outlooks(view, [(w, gap) for w in weights])
        bands = (own.casting_band() for own in found)
        return tuple(map(Point, weights, bands))

    def curve(self, view: View, gap: float) -> Iterator[Seen]:
        """Every loading of the plot at one gap, one after the other."""
        wanted = [(p.weight_fraction, gap) for p in view.page.plot.points]
        for own in self._outlooks(view, wanted):
            yield view.once(_place(own.recipe), partial(_seen, own, view.found.target))

    def explored(self, view: View) -> list[Seen]:
        """Candidates that have boxes."""
        wanted, target = set(view.own.recipes), view.found.target
        return view.once(
            "explored",
            lambda: [_seen(o, target) for o in view.found.outlooks if o.recipe in wanted],
        )


FITTING = 5.0
"""Time to fit, judge and draw what is stored [s] (measured, one core of a 2020s server)."""


def _written(plan: Plan, text: str) -> Plan:
    """Plan with its text as written, where that can be read without its files."""
    with suppress(PlanError):
        if Plan.from_dict(parse_toml(text, plan.name)).as_dict() == plan.as_dict():
            return replace(plan, text=text)
    return plan


def _sheet(folder: Path) -> dict[str, Any] | None:
    """Sheet of patches of the last run, as its summary tells; None without a map of it."""
    try:
        found = json.loads((folder / "summary.json").read_text(encoding="utf-8"))["patches"]
        return found if found["field"]["map"] else None
    except (OSError, ValueError, LookupError, TypeError):
        return None


def _beside_target(plan: Plan) -> str:
    """Text of all that outlooks hang on: what is asked only by its heat and pull."""
    told = plan.as_dict()
    asked = told.pop("target")
    apart = [
        key in asked for key in ("largest_thermal_output", "largest_self_heating_drift")
    ] + [asked.get("pull")]
    kept = {k: v for k, v in told.items() if k not in ("title", "batch", "supply")}
    return json.dumps([apart, kept], sort_keys=True, default=str)


def _place(recipe: Recipe) -> object:
    return recipe.mix, recipe.loading.weight_fraction, recipe.film


def _same(one: Knowledge, other: Knowledge) -> bool:
    """Whether two have the same draws."""
    kept = [
        {**k.values, "weights": k.weights, "noise": k.noise, "scale": k.scale}
        for k in (one, other)
    ]
    return kept[0].keys() == kept[1].keys() and all(
        np.array_equal(kept[0][name], kept[1][name]) for name in kept[0]
    )


def _chance(own: Outlook, target: Target) -> tuple[float, float]:
    """P and its standard error."""
    held = own.holds(target)[1]
    P = float(own.weights @ held)
    return P, math.sqrt(float(own.weights**2 @ (held - P) ** 2))


def _seen(own: Outlook, target: Target) -> Seen:
    recipe = own.recipe
    return Seen(
        recipe.loading.weight_fraction, recipe.film.electrode_gap, own.casting_band(),
        own.draw_band(own.resistance_cv), own.response_band() if own.strain else None,
        *_chance(own, target),
    )  # fmt: skip


def compared(view: View, other: View) -> Comparison:
    """Put two views side by side."""
    sides = [(v.plan, v.films, v.found) for v in (view, other)]
    return side_by_side(*sides)
