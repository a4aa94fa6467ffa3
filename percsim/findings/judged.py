"""Stored outcomes -> what is known, every candidate by it, and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.candidates import WEIGHING_ERROR, Candidate, Choice, choose, judge
from percsim.decision.decide import FILMS, Decision, Tested, decide
from percsim.decision.knowledge import Knowledge, day_one, planned
from percsim.decision.outlook import Outlook, Recipe, outlooks
from percsim.decision.posterior import Posterior, Reading, measured
from percsim.decision.priors import (
    ContactParameters,
    Priors,
    TunnellingParameters,
    contact_priors,
)
from percsim.decision.target import Target
from percsim.film.casting import cast_films
from percsim.film.draws import CastingDraws
from percsim.film.mounted import mount
from percsim.film.transfer import LoadingThreshold
from percsim.findings.gather import Stages
from percsim.findings.mixes import Mix, film_recipe, strain_on_film
from percsim.materials.recipe import Recipe as Mixture
from percsim.plan import Plan

__all__ = [
    "Findings", "carried", "judge_mixes", "known_of", "plan_readings", "planned_of", "planned_outlooks",
    "priors_of",
    "tested", "what_to_do",
]  # fmt: skip

TOLD = 0.8
"""Width after over before below which a reading has told something of a number."""

# Numbers of the streams under the purpose "priors".
DAY_ONE, POSTERIOR, PLANNED = 0, 2, 8


@dataclass(frozen=True)
class Findings:
    """What the boxes of a plan gave, for the chapters that build on it.

    Of a plan with several mixes this is the mix of the chosen or nearest candidate, so that
    a chapter sees loadings and gaps alone.

    Parameters
    ----------
    plan : Plan
        The plan of that mix.
    records : dict of Record
        Stored outcomes by key, all of them or a part.
    mix : Mix
        That mix.
    mixes : tuple of Mix
        All of them.
    stages : Stages
        How the boxes were spent.
    planned, known : Knowledge
        As planned, and what is known: day one, or by measured films.
    posterior : Posterior or None
        What measured films tell.
    as_planned : Choice
        Every candidate of every mix as planned.
    whole : Choice
        The same by measured films where there are any, else as planned.
    decision : Decision
        What to do, over `recipes`.
    recipes : tuple of Recipe
        Explored recipes of every mix, those between, and those read.
    outlooks : tuple of Outlook
        What they would read, by what is known.

    """

    plan: Plan
    records: dict[str, Record] = field(repr=False)
    mix: Mix
    mixes: tuple[Mix, ...]
    stages: Stages
    planned: Knowledge
    known: Knowledge
    posterior: Posterior | None
    as_planned: Choice
    whole: Choice
    decision: Decision
    recipes: tuple[Recipe, ...] = field(repr=False)
    outlooks: tuple[Outlook, ...] = field(repr=False)

    @property
    def choice(self) -> Choice:
        """Candidates of the mix; its best is the chosen or nearest one."""
        return self.whole.of_mix(self.mix.index)

    @property
    def best(self) -> Candidate:
        """The chosen or nearest candidate of the mix."""
        return self.choice.best

    @property
    def jobs(self) -> tuple[BoxJob, ...]:
        """Boxes of the mix."""
        return self.mix.jobs

    @property
    def target(self) -> Target:
        """What is asked."""
        return self.whole.target

    @property
    def recipe(self) -> Mixture:
        """What is mixed for the chosen or nearest candidate."""
        return self.plan.recipe(self.best.castings.loading.weight_fraction)

    @property
    def centre(self) -> dict[str, float]:
        """Parameters that castings are drawn at; `threshold` over the simulated one."""
        return (self.planned if self.posterior is None else self.known).centre

    @property
    def threshold(self) -> LoadingThreshold:
        """The film's own threshold there."""
        at = dict(self.centre)
        factor = at.pop("threshold")
        own = float(self.mix.model.own_threshold(at, factor)[0])
        simulated = self.mix.threshold
        if self.posterior is None:
            return simulated
        error = simulated.standard_error * own / simulated.volume_fraction
        return replace(
            simulated, volume_fraction=min(own, 1.0 - 1e-9), standard_error=error
        )

    @property
    def contacts(self) -> ContactParameters | TunnellingParameters:
        """Contacts there, and which of their numbers were measured."""
        contacts = self.plan.contact_parameters()
        if self.posterior is None or not isinstance(contacts, ContactParameters):
            return contacts
        at, left = self.centre, self.posterior.narrowing
        told = {name for name, ratio in left.items() if ratio < TOLD} - {"scatter"}
        if "threshold" in told:
            told = (told - {"threshold"}) | {"aspect_ratio"}
        return replace(
            contacts,
            g0=at["g0"],
            beta=at.get("beta", contacts.beta),
            delta_b=at.get("delta_b", contacts.delta_b),
            thermal_share=at.get("lambda_T", contacts.thermal_share),
            Ea=at.get("Ea", contacts.Ea),
            measured=contacts.measured | told,
            # films were read: what they leave open of the threshold is carried
            powder=replace(contacts.powder, unforeseeable=""),
        )

    @property
    def withheld(self) -> str:
        """Why no loading is decided whatever the boxes say; empty where one may be."""
        return self.contacts.powder.unforeseeable


def priors_of(mix: Mix) -> Priors:
    """What is not known before any film."""
    return contact_priors(
        mix.plan.contact_parameters(), mix.threshold, varied=mix.model.surface is not None
    )


def planned_of(mix: Mix, n: int = 256) -> Knowledge:
    """The plan's own numbers, with the simulation error."""
    error = mix.threshold.standard_error / mix.threshold.volume_fraction
    seed = box_seed(mix.plan.seed, PLANNED, "priors")
    return planned(priors_of(mix), mix.model.parameters, error, seed, n)


def plan_readings(plan: Plan, across: Mix | None = None) -> tuple[Reading, ...]:
    """Measured rows of a plan as the decision takes them."""
    readings = []
    for i, row in enumerate(plan.measured, 1):
        made = film_recipe(plan, row.weight_fraction, row.electrode_gap)
        film = made.film
        sizes = {
            name: value
            for name, value in (("thickness", row.thickness), ("width", row.width))
            if value is not None
        }
        readings.append(
            Reading(
                row.note or (f"row {i}, {row.batch}" if row.batch else f"row {i}"),
                made.loading, replace(film, **sizes), row.resistance, row.films,
                row.strain, row.temperature, row.change, row.spread, row.batch or "",
            )
        )  # fmt: skip
    return tuple(readings)


def known_of(mix: Mix) -> tuple[Knowledge, Posterior | None]:
    """What is known: by measured films of the mix, else on day one."""
    priors, plan = priors_of(mix), mix.plan
    if plan.measured and priors.free:
        found = measured(
            mix.model, plan_readings(plan), priors, mix.bench,
            box_seed(plan.seed, POSTERIOR, "priors"),
        )  # fmt: skip
        return found.knowledge, found
    return day_one(priors, box_seed(plan.seed, DAY_ONE, "priors")), None


def carried(
    mix: Mix, recipes: Sequence[Recipe], known: Knowledge, off_by: float = 0.0
) -> tuple[Outlook, ...]:
    """Outlooks of recipes of a mix; `off_by` is what weight fractions are off by, as ln."""
    target = mix.plan.decision_target()
    thermal = target.thermal_output_max is not None
    thermal |= target.self_heating_drift_max is not None
    slope = recipes[0].loading.log_slope if recipes else 1.0
    return outlooks(
        mix.model, recipes, known, mix.bench, thermal=thermal, mounting=mix.mounting,
        off_by=off_by * slope,
    )  # fmt: skip


def planned_outlooks(mix: Mix, n: int) -> tuple[Outlook, ...]:
    """Explored candidates of a mix as planned, over n draws of the simulation error."""
    return carried(mix, mix.recipes, planned_of(mix, n))


def judge_mixes(
    mixes: Sequence[Mix],
    known: Sequence[Knowledge],
    exact: Sequence[Knowledge],
    target: Target,
    *,
    confidence: float,
    castings: int,
    withheld: bool = False,
) -> Choice:
    """Judge every explored candidate of every mix.

    Parameters
    ----------
    mixes : sequence of Mix
        All of them.
    known, exact : sequence of Knowledge
        What is known of each, and its plan with the simulation error alone.
    target : Target
        What is asked.
    confidence : float
        Confidence that is asked of the choice.
    castings : int
        Castings drawn for each candidate.
    withheld : bool
        Whether nothing is decided, because the threshold cannot be foreseen.

    """
    found: list[Candidate] = []
    off = float(np.log1p(WEIGHING_ERROR))
    for mix, knowledge, plan in zip(mixes, known, exact, strict=True):
        recipes = mix.recipes
        mine, errors, fewer, more = (
            carried(mix, recipes, k, by)
            for k, by in (
                (knowledge, 0.0),
                (plan, 0.0),
                (knowledge, -off),
                (knowledge, off),
            )
        )
        seed = box_seed(mix.plan.seed, 0, PURPOSES["tolerances"])
        child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, 1))
        draws = CastingDraws.draw(castings, len(mix.model.visits), child)
        for i, o in enumerate(mine):
            fit = mix.fit_of(o.recipe.loading.weight_fraction)
            cast = cast_films(
                mix.model, o.recipe.loading, o.recipe.film, mix.bench, draws,
                knowledge.centre if knowledge.basis == "measured" else None,
                diameter=fit.loading.diameter,
            )  # fmt: skip
            if mix.mounting is not None:
                at = strain_on_film(
                    mix.plan, o.recipe.loading.weight_fraction, o.recipe.film,
                    fit.loading.bending,
                )  # fmt: skip
                cast = mount(cast, *at)
            own = o.recipe.loading.volume_fraction / cast.threshold_ratio
            mixture = mix.plan.recipe(o.recipe.loading.weight_fraction)
            found.append(
                judge(
                    o, errors[i], (fewer[i], more[i]), cast, fit, target,
                    threshold_weight_fraction=mixture.at_volume_fraction(
                        min(own, 1.0 - 1e-9)
                    ).weight_fraction,
                    words=mix.words, values=mix.values, withheld=withheld,
                )
            )  # fmt: skip
    return choose(found, target, confidence)


def what_to_do(
    mixes: Sequence[Mix], known: Sequence[Knowledge], target: Target, *, withheld: bool
) -> tuple[Decision, tuple[Recipe, ...], tuple[Outlook, ...]]:
    """Decide among explored recipes, those between them, and those that were read."""
    recipes: list[Recipe] = []
    found: list[Outlook] = []
    tests: list[Tested] = []
    cups = 0
    for mix, knowledge in zip(mixes, known, strict=True):
        mine = [*mix.recipes, *mix.between]
        if knowledge.basis == "measured":
            readings = plan_readings(mix.plan)
            more, done, cups = tested(readings, mine, target, mix.index)
            tests += [replace(t, recipe=t.recipe + len(recipes)) for t in done]
            mine += more
        recipes += mine
        found += carried(mix, mine, knowledge)
    batch = mixes[0].plan.batch
    decision = decide(
        found, target, tested=tests, cups=cups, castable=mixes[0].limits.castable,
        minutes_per_cup=batch.minutes_per_cup, minutes_per_film=batch.minutes_per_film,
        withheld=withheld,
    )  # fmt: skip
    return decision, tuple(recipes), tuple(found)


def tested(
    readings: Sequence[Reading], recipes: Sequence[Recipe], target: Target, mix: int
) -> tuple[list[Recipe], list[Tested], int]:
    """Recipes that were read and are not among others, films that were tested, and cups."""
    more: list[Recipe] = []
    found: list[Tested] = []
    for reading in readings:
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
        if reading.resistance is None or (
            reading.relative_change is None and reading.strain != 0.0
        ):
            continue
        low, high = target.window
        passed = reading.films >= FILMS and low <= reading.resistance <= high
        passed = passed and bool(np.isfinite(reading.resistance))
        asked = target.gauge_factor_min
        if asked is not None:
            change = reading.relative_change
            responds = change is not None and reading.strain != 0.0
            passed = passed and responds and change / reading.strain >= asked
        found.append(Tested(at, bool(passed)))
    cups = {r.batch or (i,) for i, r in enumerate(readings)}
    return more, found, len(cups)
