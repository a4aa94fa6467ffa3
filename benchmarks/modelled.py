"""The rule of percsim in a campaign: what films that were read leave possible."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from benchmarks.rules import Claim, Cup, Row, Task
from percsim.advice import Films, carried, film_recipe, films_of_text, known_of, priors_of
from percsim.boxes.store import Store
from percsim.decision import Reading, Recipe, State, decide, measured
from percsim.decision.decide import Decision, Trial, Why
from percsim.plan import Plan
from percsim.run import run_plan

__all__ = ["Modelled", "films_of"]


def films_of(plan: Plan, cache: Path | None = None) -> Films:
    """Film model of a plan's own boxes, kept in a cache."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch if cache is None else cache) / "plan"
        if not (folder / "summary.json").is_file():
            run_plan(plan, folder, workers=1)
        with Store.read(folder) as store:
            found = films_of_text(plan, store.load_artefact("films"))
    if found is None:
        raise SystemExit(f"{folder} holds the boxes of another plan")
    return found[0]


class Modelled:
    """Decide by everything that was read, from one film model for all campaigns."""

    def __init__(self, task: Task, films: Films) -> None:
        self.task, self.films = task, films
        self.recipes = tuple(
            film_recipe(films.plan, w, gap) for w in task.loadings for gap in task.gaps
        )
        self.strain = films.model.visits.strains[films.model.visits.chord_state or 0]

    def first_cup(self) -> Cup | None:
        known, _ = known_of(self.films)
        outlooks = carried(self.films, self.recipes, known)
        return self._step(decide(outlooks, self.task.target))

    def after(self, rows: Sequence[Row]) -> Cup | Claim | None:
        readings, tests = self._read(rows)
        found = measured(
            self.films.model, readings, priors_of(self.films), self.films.bench,
            np.random.SeedSequence(len(rows)),
        )  # fmt: skip
        outlooks = carried(self.films, self.recipes, found.knowledge)
        cups = len({row.cup for row in rows})
        step = decide(outlooks, self.task.target, tested=tests, cups=cups)
        return self._step(step)

    def _step(self, decision: Decision) -> Cup | Claim | None:
        if decision.state is State.NOTHING:
            return None
        if decision.state is State.READY:
            at = decision.best
            return Claim(*self._place(at), decision.why is Why.PROVED)
        assert decision.cup is not None
        return Cup(self._place(decision.cup.recipes[0])[0], self.task.gaps)

    def _place(self, at: int) -> tuple[float, float]:
        loading, gap = divmod(at, len(self.task.gaps))
        return self.task.loadings[loading], self.task.gaps[gap]

    def _read(self, rows: Sequence[Row]) -> tuple[list[Reading], list[Trial]]:
        """Readings of the films of a cup at a gap, open ones apart, and which passed."""
        readings, tests = [], []
        for key in dict.fromkeys((r.cup, r.weight_fraction, r.gap) for r in rows):
            cup, w, gap = key
            films = [r for r in rows if (r.cup, r.weight_fraction, r.gap) == key]
            at = self.task.loadings.index(w) * len(self.task.gaps)
            at += self.task.gaps.index(gap)
            recipe = self.recipes[at]
            ohms = np.array([r.resistance for r in films])
            gauge = np.array([r.gauge_factor for r in films])
            tests.append(Trial(at, bool(self.task.target.passes(ohms, gauge).all())))
            readings += self._rows(recipe, cup, ohms, gauge)
        return readings, tests

    def _rows(
        self, recipe: Recipe, cup: int, ohms: np.ndarray, gauge: np.ndarray
    ) -> list[Reading]:
        name, found = f"cup {cup + 1}", []
        closed = np.isfinite(ohms)
        if not closed.all():
            found.append(
                Reading(
                    name, recipe.loading, recipe.film, np.inf, int((~closed).sum()),
                    batch=name,
                )
            )  # fmt: skip
        if closed.any():
            told = closed & np.isfinite(gauge)
            change = float(gauge[told].mean() * self.strain) if told.any() else None
            found.append(
                Reading(
                    name, recipe.loading, recipe.film,
                    float(np.exp(np.log(ohms[closed]).mean())), int(closed.sum()),
                    spread=_spread(np.log(ohms[closed])),
                    strain=0.0 if change is None else self.strain,
                    relative_change=change, batch=name,
                )
            )  # fmt: skip
        return found


def _spread(logs: np.ndarray) -> float | None:
    """Standard deviation between films; None with fewer than two."""
    return float(logs.std(ddof=1)) if len(logs) > 1 else None
