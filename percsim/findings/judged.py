"""Stored outcomes -> what is known, every candidate by it, and what to do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, wraps
from typing import Any, TypeVar

import numpy as np

from percsim.advice import Answer, carried, planned_of, strain_on_film
from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.candidates import WEIGHING_ERROR, Candidate, Choice, choose, judge
from percsim.decision.decide import Decision, State
from percsim.decision.knowledge import Knowledge
from percsim.decision.outlook import Outlook, Recipe, middle_draw
from percsim.decision.posterior import Posterior
from percsim.decision.priors import ContactParameters, TunnellingParameters
from percsim.decision.target import Target
from percsim.film.casting import cast_films
from percsim.film.draws import CastingDraws
from percsim.film.memories import MEMORY
from percsim.film.mounted import mount
from percsim.film.transfer import LoadingThreshold
from percsim.findings.gather import Stages
from percsim.findings.mixes import Mix
from percsim.first_page import FirstPage, first_page
from percsim.materials import WeighOut
from percsim.materials.recipe import Recipe as Mixture
from percsim.plan import Plan

__all__ = ["Findings", "judge_mixes", "once", "planned_outlooks"]

Made = TypeVar("Made")


@dataclass(frozen=True)
class Findings:
    """What the boxes of a plan gave, for the chapters that build on it.

    Of a plan with several mixes this is the mix of the chosen or nearest candidate, so that
    a chapter sees loadings and gaps alone.

    Parameters
    ----------
    whole_plan : Plan
        The plan with all its mixes.
    plan : Plan
        That of the mix.
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
    as_planned : Choice
        Every candidate of every mix as planned.
    whole : Choice
        The same by measured films where there are any, else as planned.
    answer : Answer
        What is known and what to do, from the models alone.
    all_jobs : tuple of BoxJob
        Boxes of the plan, done or not.

    """

    whole_plan: Plan
    plan: Plan
    records: dict[str, Record] = field(repr=False)
    mix: Mix
    mixes: tuple[Mix, ...]
    stages: Stages
    planned: Knowledge
    known: Knowledge
    as_planned: Choice
    whole: Choice
    answer: Answer
    all_jobs: tuple[BoxJob, ...] = field(repr=False)
    _made: dict[object, Any] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @property
    def posterior(self) -> Posterior | None:
        """What measured films tell."""
        return self.answer.posterior

    @property
    def decision(self) -> Decision:
        """What to do, over `recipes`."""
        return self.answer.decision

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """Explored recipes of every mix, those between, and those read."""
        return self.answer.recipes

    @property
    def outlooks(self) -> tuple[Outlook, ...]:
        """What they would read, by what is known."""
        return self.answer.outlooks

    @cached_property
    def first(self) -> FirstPage:
        """What stands on the first page."""
        return first_page(self.whole_plan, [mix.films for mix in self.mixes], self.answer)

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

    def weigh_out(self) -> WeighOut:
        """Sheet of the cup to cast next, else of what is ready, chosen or nearest."""
        cup = self.decision.cup
        if self.decision.state is not State.LEARN or cup is None:
            return self.plan.weigh_out(self.recipe, self.best.castings.film)
        plan = next(mix.plan for mix in self.mixes if mix.index == cup.mix)
        film = self.recipes[cup.recipes[0]].film
        return plan.weigh_out(plan.recipe(cup.weight_fraction), film)

    @cached_property
    def centre(self) -> dict[str, float]:
        """Parameters that castings are drawn at; `threshold` over the simulated one."""
        if self.posterior is None:
            return self.planned.draw(0)
        found = [c.outlook for c in self.choice.candidates]
        return self.known.draw(middle_draw(found, self.target))

    @property
    def threshold(self) -> LoadingThreshold:
        """The film's own: as simulated, or the median that measured films leave."""
        simulated, known = self.mix.films.threshold, self.known
        if self.posterior is None:
            return simulated
        median = known.threshold(self.mix.model).median
        error = simulated.standard_error * median / simulated.volume_fraction
        return replace(simulated, volume_fraction=median, standard_error=error)

    @property
    def contacts(self) -> ContactParameters | TunnellingParameters:
        """Contacts as planned, or their medians by measured films, and which were told."""
        contacts = self.plan.contact_parameters()
        if self.posterior is None or not isinstance(contacts, ContactParameters):
            return contacts
        told = self.posterior.told - {"scatter"}
        at = {k: self.known.band(v).median for k, v in self.known.values.items()}
        if "threshold" in told:
            told = (told - {"threshold"}) | {"aspect_ratio"}
        return replace(
            contacts,
            g0=at["g0"],
            beta=at.get("beta", contacts.beta),
            delta_b=at.get("delta_b", contacts.delta_b),
            thermal_share=at.get("lambda_T", contacts.thermal_share),
            closed_at=at.get("closed_at", contacts.closed_at),
            Ea=at.get("Ea", contacts.Ea),
            **{name: at.get(name, getattr(contacts, name)) for name in MEMORY},
            measured=contacts.measured | told,
            # films were read: what they leave open of the threshold is carried
            powder=replace(contacts.powder, unforeseeable=""),
        )

    @property
    def withheld(self) -> str:
        """Why no loading is decided whatever the boxes say; empty where one may be."""
        return self.contacts.powder.unforeseeable


def once(chapter: Callable[[Findings], Made]) -> Callable[[Findings], Made]:
    """Make a chapter the first time it is asked for; others read it by calling it too."""

    @wraps(chapter)
    def kept(findings: Findings) -> Made:
        if kept not in findings._made:
            findings._made[kept] = chapter(findings)
        made: Made = findings._made[kept]
        return made

    return kept


def planned_outlooks(mix: Mix, n: int) -> tuple[Outlook, ...]:
    """Explored candidates of a mix as planned, over n draws of the simulation error."""
    return carried(mix.films, mix.films.recipes, planned_of(mix.films, n))


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
        films = mix.films
        recipes = films.recipes
        mine, fewer, more = (
            carried(films, recipes, knowledge, by) for by in (0.0, -off, off)
        )
        errors = mine if knowledge is plan else carried(films, recipes, plan)
        seed = box_seed(mix.plan.seed, 0, PURPOSES["tolerances"])
        child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, 1))
        draws = CastingDraws.draw(castings, len(mix.model.visits), child)
        at_gaps = [films.plan.film_at(float(gap)) for gap in films.plan.electrode_gaps]
        centre, noise, bench = None, None, films.bench
        if knowledge.basis == "measured":
            middle = middle_draw(mine, target)
            centre, noise = knowledge.draw(middle), knowledge.noise[middle]
            # the bench as its own films tell it
            learnt, own = (
                knowledge.band(knowledge.scale).median,
                knowledge.threshold(mix.model).median,
            )
            bench = replace(bench, tolerances=bench.tolerances.scaled(learnt, at_gaps[0]))
        drawn = cast_films(
            mix.model, films.explored, at_gaps, bench, draws, centre, noise,
            diameter=mix.plan.median_diameter,
        )  # fmt: skip
        for i, o in enumerate(mine):
            fit, cast = mix.fit_of(o.recipe.loading.weight_fraction), drawn[i]
            if films.mounting is not None:
                at = strain_on_film(films, fit.loading.weight_fraction, o.recipe.film)
                cast = mount(cast, *at)
            loading = o.recipe.loading
            if knowledge.basis != "measured":
                own = min(loading.volume_fraction / cast.threshold_ratio, 1.0 - 1e-9)
            mixture = mix.plan.recipe(loading.weight_fraction)
            found.append(
                judge(
                    o, errors[i], (fewer[i], more[i]), cast, fit, target,
                    threshold=mixture.at_volume_fraction(own),
                    words=mix.words, values=mix.values, withheld=withheld,
                )
            )  # fmt: skip
    return choose(found, target, confidence)
