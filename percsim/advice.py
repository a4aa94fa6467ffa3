"""A plan and the film models of its boxes -> what is known, and what to do.

No box is read here: models are made once from the boxes of a plan (`percsim.findings`) and
kept in its folder, so that a changed target, tolerance, gap, supply or reading is answered
at once.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.fingerprint import PHYSICS_VERSION
from percsim.boxes.sampling import box_seed
from percsim.boxes.store import DATABASE, Store
from percsim.decision.cycled import CycleTold, by_cycle
from percsim.decision.decide import FILMS, Decision, Trial, decide
from percsim.decision.knowledge import Knowledge, day_one, planned
from percsim.decision.limits import BenchLimits
from percsim.decision.outlook import Mounting, Outlook, Recipe, outlooks
from percsim.decision.posterior import Posterior, Reading, measured
from percsim.decision.priors import Priors, contact_priors
from percsim.decision.target import Target
from percsim.film.bench import CUP, FILM, LOT, Bench
from percsim.film.electrodes import Film
from percsim.film.memories import Contacts, MemorySurface
from percsim.film.model import FilmModel, Loading
from percsim.film.protocol import Protocol
from percsim.film.record import MeasuredFilm
from percsim.film.regress import Regressions
from percsim.film.surface import ContactSurface, Tables
from percsim.film.transfer import LoadingThreshold
from percsim.film.visits import Visits
from percsim.materials.recipe import Recipe as Mixture
from percsim.packing import pack, unpack
from percsim.plan import Plan
from percsim.plan.sections.use import MeasuredSection
from percsim.states.temperature import ROOM_TEMPERATURE, Bond

if TYPE_CHECKING:
    from percsim.film.layers import StrainTransfer

__all__ = [
    "Answer", "Films", "answer", "carried", "film_recipe", "films_of_text", "fingerprint",
    "known_of", "log_slope", "logs_along", "plan_readings", "planned_of", "priors_of",
    "stored_films", "strain_on_film", "text_of_films", "what_to_do",
]  # fmt: skip

Floats = NDArray[np.float64]

VERSION = 3
"""Of what models hold; one made by another is not read."""

# Numbers of the streams under the purpose "priors".
DAY_ONE, POSTERIOR, PLANNED, CYCLED = 0, 2, 8, 100

JUDGED_AFTERWARDS = (
    "title",
    "target",
    "tolerances",
    "supply",
    "batch",
    "measured",
    "patches",
    "cycles",
)
"""Sections of a plan that no box and no model depends on."""


@dataclass(frozen=True)
class Films:
    """Films of one mix: loadings of one filler, film and mix ratio.

    Parameters
    ----------
    index : int
        Its place among the mixes.
    model : FilmModel
        Of its films.
    explored : tuple of Loading
        Loadings that have boxes, in increasing weight fraction.
    bending : tuple of float
        Of each, strain of its states that reads like a unit of bending.
    plan : Plan
        Its plan.

    """

    index: int
    model: FilmModel
    explored: tuple[Loading, ...]
    bending: tuple[float, ...]
    plan: Plan = field(repr=False)

    @property
    def threshold(self) -> LoadingThreshold:
        """The film's own at 20 C."""
        return self.model.threshold

    @property
    def bench(self) -> Bench:
        """What scatters films."""
        known = self.threshold
        return self.plan.bench(known.aspect_ratio_slope, known.tilt_slope)

    @property
    def limits(self) -> BenchLimits:
        """What the bench can make."""
        return self.plan.bench_limits()

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """Every explored loading at every gap, gaps innermost."""
        return tuple(
            Recipe(loading, self.plan.film_at(float(gap)), self.index)
            for loading in self.explored
            for gap in self.plan.electrode_gaps
        )

    @property
    def between(self) -> tuple[Recipe, ...]:
        """Every whole wt% from the lowest to the highest loading that was not explored."""
        known = [loading.weight_fraction for loading in self.explored]
        whole = range(int(np.ceil(100.0 * known[0])), int(100.0 * known[-1]) + 1)
        apart = [w / 100.0 for w in whole if min(abs(w / 100.0 - k) for k in known) > 5e-3]
        return tuple(
            Recipe(loading, self.plan.film_at(float(gap)), self.index)
            for loading in (film_recipe(self.plan, w, 1e-3).loading for w in apart)
            for gap in self.plan.electrode_gaps
        )

    @property
    def mounting(self) -> Mounting | None:
        """How films are put on sheet and part; None without either.

        Moduli are at their best estimates: what their uncertainty moves is in `layers`.
        """
        if not (self.plan.has_sheet or self.plan.has_part):
            return None

        def put(
            film: Film, loading: Loading, logs: Floats, wanted: Sequence[int] | None = None
        ) -> Floats:
            from percsim.film.mounted import mounted_logs

            transfer, through = strain_on_film(self, loading.weight_fraction, film)
            return mounted_logs(logs, self.model.visits, film, transfer, through, wanted)

        return put


def strain_on_film(
    films: Films, weight_fraction: float, film: Film
) -> tuple[StrainTransfer, Floats]:
    """Strain along a film, and through it from wrapping, moduli at their best."""
    from percsim.film.mounted import electrode_span, read_length

    plan, weights = films.plan, [x.weight_fraction for x in films.explored]
    near = int(np.abs(np.array(weights) - weight_fraction).argmin())
    assembly = plan.assembly(weight_fraction, film.thickness)
    length = max(plan.film.length, electrode_span(film), read_length(film))
    return assembly.transfer(length=length), films.bending[near] * assembly.bending()


def log_slope(recipe: Mixture) -> float:
    """D ln(volume fraction) / d ln(weight fraction) of the same powders at this loading."""
    step = 1e-4
    phi = recipe.volume_fraction
    up = recipe.at_volume_fraction(phi * (1.0 + step)).weight_fraction
    down = recipe.at_volume_fraction(phi * (1.0 - step)).weight_fraction
    return float(np.log((1.0 + step) / (1.0 - step)) / np.log(up / down))


def film_recipe(plan: Plan, weight_fraction: float, gap: float, mix: int = 0) -> Recipe:
    """Give the recipe of a loading and gap of a plan."""
    mixture = plan.recipe(weight_fraction)
    loading = Loading(mixture.weight_fraction, mixture.volume_fraction, log_slope(mixture))
    return Recipe(loading, plan.film_at(gap), mix)


# ------------------------------------------------------------------------------------------
# Models in a folder
# ------------------------------------------------------------------------------------------


def fingerprint(plan: Plan) -> str:
    """Say what models of a plan rest on: all of it but what is judged afterwards."""
    kept = {k: v for k, v in plan.as_dict().items() if k not in JUDGED_AFTERWARDS}
    explore = dict(kept.get("explore") or {})
    explore.pop("electrode_gap", None)
    kept["explore"] = explore
    text = json.dumps([VERSION, PHYSICS_VERSION, kept], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def text_of_films(plan: Plan, films: Sequence[Films]) -> dict[str, str]:
    """Give what a folder keeps of the models of a plan."""
    parts = tuple((f.index, f.model, f.explored, f.bending) for f in films)
    return {"fingerprint": fingerprint(plan), "films": pack(parts)}


def films_of_text(plan: Plan, kept: object) -> list[Films] | None:
    """Models of a plan that a folder keeps; None if they are of other boxes or damaged."""
    if not isinstance(kept, dict) or kept.get("fingerprint") != fingerprint(plan):
        return None
    known = (
        FilmModel, Visits, LoadingThreshold, ContactSurface, Regressions, Tables, Bond,
        Loading, Contacts, MemorySurface,
    )  # fmt: skip
    try:
        parts = unpack(str(kept.get("films")), {c.__name__: c for c in known})
        mixes = plan.mixes
        return [
            Films(i, model.on(mix.target.pull), tuple(explored), tuple(bending), mix)
            for i, model, explored, bending in parts
            for mix in (mixes[i],)
        ]
    except (ValueError, IndexError, TypeError):
        return None


# ------------------------------------------------------------------------------------------
# What is known
# ------------------------------------------------------------------------------------------


def priors_of(films: Films) -> Priors:
    """Give what is not known before any film."""
    return contact_priors(
        films.plan.contact_parameters(),
        films.threshold,
        varied=films.model.surface is not None,
    )


def planned_of(films: Films, n: int = 256) -> Knowledge:
    """Give the plan's own numbers, with the simulation error."""
    seed = box_seed(films.plan.seed, PLANNED, "priors")
    return planned(priors_of(films), films.model.parameters, seed, n)


def plan_readings(plan: Plan) -> tuple[Reading, ...]:
    """Measured rows of a plan as the decision takes them."""
    readings: list[Reading] = []
    for i, row in enumerate(plan.measured, 1):
        made = film_recipe(plan, row.weight_fraction, row.electrode_gap)
        film = made.film
        film = replace(
            film,
            thickness=film.thickness if row.thickness is None else row.thickness,
            width=film.width if row.width is None else row.width,
        )
        readings.append(
            Reading(
                row.note or (f"row {i}, {row.batch}" if row.batch else f"row {i}"),
                made.loading, film, _row_resistance(row), row.films,
                row.strain, row.temperature, row.change, row.spread, row.batch or "",
                row.pull,
            )
        )  # fmt: skip
    return _each_film_once(_as_changes(readings))


def _as_changes(readings: Sequence[Reading]) -> Iterator[Reading]:
    """Turn R of films of one cup, read at rest and in another state, into what changed.

    Their own scatter, and that of the cup, would else count twice.
    """
    states: dict[object, dict[tuple[float, float], list[Reading]]] = {}
    for r in readings:
        if r.batch and r.relative_change is None and not r.is_open:
            own = states.setdefault((r.batch, r.loading, r.film, r.films, r.pull), {})
            own.setdefault((r.strain, r.temperature), []).append(r)
    before: dict[int, Reading] = {}
    for own in states.values():
        rest = own.pop((0.0, ROOM_TEMPERATURE), [])
        for there in own.values():
            pairs = zip(there, _same_films(there, rest), strict=False)
            before |= {id(r): first for r, first in pairs}
    for r in readings:
        first = before.get(id(r))
        if first is not None and r.resistance and first.resistance:
            change = r.resistance / first.resistance - 1.0
            r = replace(r, resistance=None, relative_change=change, spread=None)
        yield r


def _same_films(there: Sequence[Reading], rest: Sequence[Reading]) -> Sequence[Reading]:
    """Find what the films of a state read at rest, in its order; none if it is not told.

    By their names where each has one of its own, else row by row where both have as many.
    """
    names, known = [r.label for r in there], {r.label: r for r in rest}
    if len(known) == len(rest) and len({*names}) == len(names) and {*names} <= {*known}:
        return [known[name] for name in names]
    return rest if len(there) == len(rest) else ()


def _each_film_once(readings: Iterable[Reading]) -> tuple[Reading, ...]:
    """Leave out R of films that another row has: the same films in another state.

    Films of one cup and size with one R at rest are the same, as many as the state has that
    is read most often.
    """
    found, counted, seen = [], Counter[object](), Counter[object]()
    for r in readings:
        state = (r.strain, r.temperature, r.pull)
        if r.batch and r.resistance is not None and r.relative_change is not None:
            films = (r.batch, r.loading, r.film, r.films, r.resistance)
            seen[films, state] += 1
            if seen[films, state] <= counted[films]:
                r = replace(r, resistance=None)
            else:
                counted[films] += 1
        found.append(r)
    return tuple(found)


def _row_resistance(row: MeasuredSection) -> float | None:
    """R of a row, that of its record before the first pull where it says none."""
    if row.resistance is None and row.change is None and row.cycle is not None:
        return float(np.exp(row.cycle.log_resistances[0]))
    return row.resistance


def known_of(films: Films) -> tuple[Knowledge, Posterior | None]:
    """Give what is known: by measured films of the mix, else on day one."""
    priors, plan = priors_of(films), films.plan
    if plan.measured and priors.free:
        found = measured(
            films.model, plan_readings(plan), priors, films.bench,
            box_seed(plan.seed, POSTERIOR, "priors"),
        )  # fmt: skip
        for k, row in enumerate(plan.measured):
            if row.cycle is not None:
                found = found.with_cycle(_by_cycle(films, found.knowledge, k, row.cycle))
        return found.knowledge, found
    seed = box_seed(plan.seed, DAY_ONE, "priors")
    return day_one(priors, seed, scale_spread=films.bench.scale_spread), None


def logs_along(
    films: Films,
    known: Knowledge,
    recipe: Recipe,
    protocol: Protocol,
    off_by: Floats | float = 0.0,
) -> Floats:
    """Ln R of a film laid flat along a protocol, draw by draw.

    Parameters
    ----------
    films : Films
        Of the mix.
    known : Knowledge
        The n draws.
    recipe : Recipe
        Whose film.
    protocol : Protocol
        What it goes through; beyond the strains and temperatures of the boxes it counts as
        at their ends.
    off_by : float or (n,) ndarray of float
        What ln(phi/phi_c) of the film is off by.

    Returns
    -------
    (n, visits) ndarray of float
        [ln ohm]; inf where open.

    """
    visits = films.model.visits
    ends = (min(visits.strains), max(visits.strains))
    warm = (min(visits.temperatures), max(visits.temperatures))
    history = type(protocol)(
        protocol.times, np.clip(protocol.strains, *ends),
        np.clip(protocol.temperatures, *warm),
    ).history  # fmt: skip
    values = dict(known.values)
    if "relaxed" in values:  # a long path leaves room for less
        values["relaxed"] = np.minimum(values["relaxed"], 0.99 * history.most_relaxed)
    along = replace(known, values=values).along(films.model, history)
    at = np.log(recipe.loading.volume_fraction) - known.log_factor + off_by
    return along.log_resistance(recipe.film, at[:, None], range(len(history)))[:, 0]


def _by_cycle(films: Films, known: Knowledge, k: int, film: MeasuredFilm) -> CycleTold:
    """Learn from the record of a measured row, beyond what is known."""
    plan = films.plan
    reading = plan_readings(plan)[k]
    recipe = Recipe(reading.loading, reading.film, films.index)

    def path(draws: Knowledge) -> Floats:
        return logs_along(films, draws, recipe, film.protocol)

    return by_cycle(
        known, path, film.log_resistances, film.protocol,
        films.bench.tolerances.response, box_seed(plan.seed, CYCLED + k, "priors"),
    )  # fmt: skip


# ------------------------------------------------------------------------------------------
# What to do
# ------------------------------------------------------------------------------------------


def carried(
    films: Films,
    recipes: Sequence[Recipe],
    known: Knowledge,
    weighed_off: float = 0.0,
    bench: Bench | None = None,
    levels: Sequence[str] = (FILM, CUP, LOT),
) -> tuple[Outlook, ...]:
    """Outlooks of recipes of a mix; weight fractions are off by `weighed_off`, as ln."""
    target = films.plan.decision_target()
    thermal = target.thermal_output_max is not None
    thermal |= target.self_heating_drift_max is not None
    slope = recipes[0].loading.log_slope if recipes else 1.0
    return outlooks(
        films.model, recipes, known, bench or films.bench, thermal=thermal,
        mounting=films.mounting, levels=levels, off_by=weighed_off * slope,
        protocol=target.protocol,
    )  # fmt: skip


def what_to_do(
    mixes: Sequence[Films], known: Sequence[Knowledge], target: Target, *, withheld: bool,
    before: Sequence[Outlook] = (),
) -> tuple[Decision, tuple[Recipe, ...], tuple[Outlook, ...]]:  # fmt: skip
    """Decide among explored recipes, those between them, and those that were read.

    Their outlooks are those of `before`, if there are any.
    """
    recipes: list[Recipe] = []
    found: list[Outlook] = []
    tests: list[Trial] = []
    cups = 0
    for films, knowledge in zip(mixes, known, strict=True):
        mine = [*films.recipes, *films.between]
        if knowledge.basis == "measured":
            readings = plan_readings(films.plan)
            more, done, cups = _tested(readings, mine, target, films.index)
            tests += [replace(t, recipe=t.recipe + len(recipes)) for t in done]
            mine += more
        recipes += mine
        found += () if before else carried(films, mine, knowledge)
    found += before
    batch = mixes[0].plan.batch
    decision = decide(
        found, target, tested=tests, cups=cups, castable=mixes[0].limits.castable,
        minutes_per_cup=batch.minutes_per_cup, minutes_per_film=batch.minutes_per_film,
        withheld=withheld,
    )  # fmt: skip
    return decision, tuple(recipes), tuple(found)


def _tested(
    readings: Sequence[Reading], recipes: Sequence[Recipe], target: Target, mix: int
) -> tuple[list[Recipe], list[Trial], int]:
    """Recipes that were read and are not among others, films that were tested, and cups."""
    more: list[Recipe] = []
    films: dict[tuple[int, object], list[Reading]] = {}
    for k, reading in enumerate(readings):
        own = reading.loading.weight_fraction, reading.film.electrode_gap
        at = next(
            (
                i
                for i, r in enumerate((*recipes, *more))
                if abs(r.loading.weight_fraction - own[0]) < 1e-6
                and abs(r.film.electrode_gap - own[1]) < 1e-9
            ),
            None,
        )
        if at is None:
            at = len(recipes) + len(more)
            more.append(Recipe(reading.loading, reading.film, mix))
        if reading.relative_change is not None or reading.strain == 0.0 or reading.is_open:
            # films of one cup and gap count together, however many rows they fill
            films.setdefault((at, reading.batch or (k,)), []).append(reading)
    at_rest = replace(target, gauge_factor_min=None)
    found = [
        Trial(
            at,
            _passed(rows, target),
            _passed(rows, at_rest) and not any(r.tells_pull(target.pull) for r in rows),
        )
        for (at, _), rows in films.items()
    ]
    cups = {r.batch or (i,) for i, r in enumerate(readings)}
    return more, found, len(cups)


def _passed(films: Sequence[Reading], target: Target) -> bool:
    """Whether `FILMS` of a cup or more pass in the mean, and few enough are open."""
    opens = sum(r.films for r in films if r.is_open)
    if opens > (1.0 - target.pass_share_min) * sum(r.films for r in films):
        return False
    told = [
        (r.films, np.log(r.resistance))
        for r in films
        if r.resistance is not None and not r.is_open
    ]
    counts, logs = zip(*told, strict=True) if told else ((), ())
    if sum(counts) < FILMS:
        return False
    low, high = target.window
    passed = low <= np.exp(np.average(logs, weights=counts)) <= high
    if target.gauge_factor_min is not None:
        factors = [
            (r.films, (r.relative_change or 0.0) / r.strain)
            for r in films
            if r.tells_pull(target.pull)
        ]
        n = sum(k for k, _ in factors)
        mean = sum(k * factor for k, factor in factors) / max(n, 1)
        passed = passed and n > 0 and mean >= target.gauge_factor_min
    return bool(passed)


@dataclass(frozen=True)
class Answer:
    """What to do, worked out from models alone.

    Parameters
    ----------
    decision : Decision
        Over `recipes`.
    recipes : tuple of Recipe
        Explored, between, and read.
    outlooks : tuple of Outlook
        What they would read.
    known : tuple of Knowledge
        What is known of each mix decided among.
    posterior : Posterior or None
        What measured films tell.
    target : Target
        What is asked.

    """

    decision: Decision
    recipes: tuple[Recipe, ...] = field(repr=False)
    outlooks: tuple[Outlook, ...] = field(repr=False)
    known: tuple[Knowledge, ...] = field(repr=False)
    posterior: Posterior | None
    target: Target


def answer(
    plan: Plan,
    films: Sequence[Films],
    before: Answer | None = None,
    knows: Callable[[Films], tuple[Knowledge, Posterior | None]] = known_of,
) -> Answer:
    """Decide a plan from the models of its mixes.

    Measured films tell of one mix alone, which is then the one decided among. What is known
    and what films would read does not hang on what is asked: `before` is the answer to a
    plan that asks for something else of the same films. `knows` says what is known of
    a mix.
    """
    target = plan.decision_target()
    mixes = list(films)
    if plan.measured:
        told = plan.mix_of(plan.measured[0])
        mine = [f for f in mixes if f.plan.mix == told]
        mixes = [
            replace(f, plan=replace(f.plan, measured=plan.measured)) for f in mine or mixes
        ][:1]
    if before is None:
        known, posteriors = zip(*(knows(f) for f in mixes), strict=True)
        posterior = posteriors[0]
    else:
        known, posterior = before.known, before.posterior
    unforeseeable = plan.contact_parameters().powder.unforeseeable
    decision, recipes, found = what_to_do(
        mixes, known, target, withheld=bool(unforeseeable) and posterior is None,
        before=() if before is None else before.outlooks,
    )  # fmt: skip
    return Answer(decision, recipes, found, known, posterior, target)


def stored_films(plan: Plan, folder: str | os.PathLike[str]) -> list[Films] | None:
    """Give the models of a plan that a folder keeps, without reading a box.

    Parameters
    ----------
    plan : Plan
        The plan. Without measured rows of its own it takes none.
    folder : path
        A results folder.

    Returns
    -------
    list of Films or None
        None if the folder keeps no models of the plan's boxes, or how many boxes it needs
        hangs on the decision.

    """
    if not (Path(folder) / DATABASE).is_file():
        return None
    if (plan.boxes.most or plan.boxes.count) > plan.boxes.count:
        return None
    with Store.read(folder) as store:
        kept = store.load_artefact("films")
    return films_of_text(plan, kept)
