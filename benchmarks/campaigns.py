"""Does percsim's advice beat a good bench worker? `python -m benchmarks.campaigns`.

Campaigns in worlds simulated particle by particle (`benchmarks.worlds`): each rule casts
cup after cup of a plan's film, reads the films at rest and at one strain, and ends with a
recipe, a loading and a gap, or with none. All rules meet the same worlds, the same powder
and the same luck at the bench. Bars bootstrapped over worlds.

`--worlds` says how many (120 by default, 7 s of one core each unless `--cache FOLDER` holds
them), `--seed` which, `--plan` of which plan, `--cups` how many cups a campaign may take.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from benchmarks.worlds import (
    COLUMNS,
    CUP,
    LOT,
    Bench,
    Maker,
    Recipes,
    World,
    castings,
    judge,
    worlds,
)
from percsim.decision import Target
from percsim.plan import Plan

Floats = NDArray[np.float64]

EXAMPLE = Path(__file__).resolve().parent.parent / "examples" / "bike_patch.toml"
LEVELS = 3
"""Conductances of the contacts that a world is tried at."""
FILMS = 3
"""Films of a cup at each gap, all of which must pass."""
CASTINGS = 2000
"""Castings that tell whether a recipe is good."""
RESAMPLES = 2000
FIRST_SLOPE = -25.0
"""d ln R/d(weight fraction) that a bench worker expects before two cups conduct: a factor
of e for 4 wt%, about what the exponent 2 gives at 1.7 times a threshold of 15 wt%."""
SLOPES = (-100.0, -5.0)
"""Steepest and flattest that he believes."""
FAR = 0.02
"""ln R that a candidate may miss the middle by, each wt% away from a cup that was read."""


# --- what a rule sees and says


class Row(NamedTuple):
    """One film as read: of which cup, R at rest (inf: open) and chord gauge factor."""

    cup: int
    weight_fraction: float
    gap: float
    resistance: float
    gauge_factor: float


class Cup(NamedTuple):
    """Cast this: `FILMS` films at each gap."""

    weight_fraction: float
    gaps: tuple[float, ...]


class Claim(NamedTuple):
    """This recipe will do; whether its spread will, too."""

    weight_fraction: float
    gap: float
    spread_assured: bool = False


class Advice(Protocol):
    """A rule in one campaign, told all rows so far after every cup."""

    def first_cup(self) -> Cup | None:
        """Cup to start with; None if nothing will do."""
        ...

    def after(self, rows: Sequence[Row]) -> Cup | Claim | None:
        """What next; None if nothing will do."""
        ...


@dataclass(frozen=True, slots=True)
class Task:
    """What every rule knows: loadings and gaps that may be cast, and what is asked."""

    loadings: tuple[float, ...]
    gaps: tuple[float, ...]
    explored: tuple[float, ...]
    target: Target

    @classmethod
    def of(cls, plan: Plan) -> Task:
        """Every 1 wt% from the lowest to the highest explored loading, every gap."""
        explored = plan.weight_fractions
        low, high = round(100 * explored[0]), round(100 * explored[-1])
        loadings = tuple(w / 100 for w in range(low, high + 1))
        return cls(loadings, plan.electrode_gaps, explored, plan.decision_target())

    @property
    def middle(self) -> float:
        """ln R of the middle of the window."""
        return float(np.log(self.target.window).mean())

    @property
    def half(self) -> float:
        """Half the width of the window in ln R."""
        return float(np.diff(np.log(self.target.window))[0] / 2)

    def nearest(self, weight_fraction: float) -> float:
        return min(self.loadings, key=lambda w: abs(w - weight_fraction))


# --- bench workers without a model


class Batch(NamedTuple):
    """The films of one cup at one gap: medians, and whether all pass."""

    weight_fraction: float
    gap: float
    log_resistance: float
    gauge_factor: float
    passes: bool


def batches(rows: Sequence[Row], target: Target) -> list[Batch]:
    """Rows by cup and gap, in the order they were cast."""
    found: dict[tuple[int, float], list[Row]] = {}
    for row in rows:
        found.setdefault((row.cup, row.gap), []).append(row)
    out = []
    for films in found.values():
        r = np.array([f.resistance for f in films])
        gauge = np.array([f.gauge_factor for f in films])
        out.append(
            Batch(
                films[0].weight_fraction,
                films[0].gap,
                float(np.log(np.median(r))),
                float(np.median(gauge)),
                bool(target.passes(r, gauge).all()),
            )
        )
    return out


def passed(cast: Sequence[Batch], middle: float) -> Claim | None:
    """The recipe of the passing batch nearest the middle of the window."""
    good = [b for b in cast if b.passes]
    best = min(good, key=lambda b: abs(b.log_resistance - middle), default=None)
    return Claim(best.weight_fraction, best.gap) if best else None


def is_dull(batch: Batch, task: Task) -> bool:
    """Whether a film reads in the window and falls short of the gauge factor only."""
    least = task.target.gauge_factor_min or 0.0
    inside = abs(batch.log_resistance - task.middle) <= task.half
    return inside and batch.gauge_factor < least


class Bisection:
    """Half way up when R is above the middle of the window, down when below; one gap."""

    def __init__(self, task: Task) -> None:
        self.task = task
        self.gap = task.gaps[len(task.gaps) // 2]

    def first_cup(self) -> Cup:
        return Cup(self.task.nearest(np.mean(self._range([]))), (self.gap,))

    def _range(self, cast: Sequence[Batch]) -> tuple[float, float]:
        low, high = self.task.loadings[0], self.task.loadings[-1]
        for b in cast:
            up = b.log_resistance > self.task.middle and not is_dull(b, self.task)
            low, high = (b.weight_fraction, high) if up else (low, b.weight_fraction)
        return low, high

    def after(self, rows: Sequence[Row]) -> Cup | Claim | None:
        cast = batches(rows, self.task.target)
        if found := passed(cast, self.task.middle):
            return found
        ends = self._range(cast)
        tried = {b.weight_fraction for b in cast}
        for w in (self.task.nearest(np.mean(ends)), *ends):
            if w not in tried:
                return Cup(w, (self.gap,))
        return None


class Grid:
    """The explored loadings of the plan from the lowest up, films at every gap."""

    def __init__(self, task: Task) -> None:
        self.task = task

    def first_cup(self) -> Cup:
        return Cup(self.task.explored[0], self.task.gaps)

    def after(self, rows: Sequence[Row]) -> Cup | Claim | None:
        cast = batches(rows, self.task.target)
        if found := passed(cast, self.task.middle):
            return found
        above = [w for w in self.task.explored if w > cast[-1].weight_fraction]
        return Cup(above[0], self.task.gaps) if above else None


class Secant:
    """Where the line of ln R through the last cups, R in proportion to the gap, says.

    Films at every gap of a cup are aimed at the window together, one gap by itself. Up half
    way to the top while all is open. A batch in the window whose gauge factor is too low
    rules out its loading and those above.
    """

    def __init__(self, task: Task, every_gap: bool) -> None:
        self.task = task
        self.choices = [task.gaps] if every_gap else [(gap,) for gap in task.gaps]
        self.reach = task.half + every_gap * 0.5 * np.log(task.gaps[-1] / task.gaps[0])

    def first_cup(self) -> Cup:
        ends = self.task.loadings[0], self.task.loadings[-1]
        return self._cup(self.task.nearest(np.mean(ends)))

    def _cup(self, weight_fraction: float) -> Cup:
        return Cup(weight_fraction, self.choices[len(self.choices) // 2])

    def after(self, rows: Sequence[Row]) -> Cup | Claim | None:
        task = self.task
        cast = batches(rows, task.target)
        if found := passed(cast, task.middle):
            return found
        read: dict[float, list[float]] = {}
        for b in cast:
            read.setdefault(b.weight_fraction, []).append(b.log_resistance - np.log(b.gap))
        levels = {w: float(np.median(values)) for w, values in read.items()}
        floor = max((w for w, v in levels.items() if np.isinf(v)), default=0.0)
        above = [w for w in task.loadings if w > floor]
        lines = {w: v for w, v in levels.items() if np.isfinite(v) and w > floor}
        if not lines:
            return self._cup(above[len(above) // 2]) if above else None
        dull = [b.weight_fraction for b in cast if is_dull(b, task)]
        below = [w for w in above if w < min(dull, default=np.inf)]
        return self._aimed({(b.weight_fraction, b.gap) for b in cast}, lines, below)

    def _aimed(
        self,
        tried: set[tuple[float, float]],
        lines: Mapping[float, float],
        loadings: Sequence[float],
    ) -> Cup | None:
        """Take the cup that the line puts nearest the middle, if it is not cast yet."""
        middle = self.task.middle - float(np.mean(np.log(self.task.gaps)))
        slope = FIRST_SLOPE
        if len(lines) > 1:
            a, b = sorted(lines, key=lambda w: abs(lines[w] - middle))[:2]
            slope = float(np.clip((lines[a] - lines[b]) / (a - b), *SLOPES))

        def miss(cup: Cup) -> float:
            w = cup.weight_fraction
            at = min(lines, key=lambda known: abs(known - w))
            line = lines[at] + slope * (w - at) + float(np.mean(np.log(cup.gaps)))
            return abs(line - self.task.middle) + 100.0 * FAR * abs(w - at)

        cups = sorted((Cup(w, gaps) for w in loadings for gaps in self.choices), key=miss)
        left = [cup for cup in cups if (cup.weight_fraction, cup.gaps[0]) not in tried]
        # what is best has failed and is out of reach: so is all else
        if not left or (cups[0] is not left[0] and miss(cups[0]) > self.reach):
            return None
        return left[0]


RULES: Mapping[str, Callable[[Task], Advice]] = {
    "bisection of the loading": Bisection,
    "grid, every gap": Grid,
    "secant on ln R, one gap": lambda task: Secant(task, every_gap=False),
    "secant on ln R, every gap": lambda task: Secant(task, every_gap=True),
}


# --- campaigns


@dataclass(frozen=True, slots=True)
class Campaign:
    """How one rule fared in one world at one level of the contacts."""

    world: int
    cups: int
    films: int
    claim: Claim | None
    good: bool
    spread_too: bool


@dataclass(frozen=True, slots=True)
class Place:
    """A world at a level of its contacts, and what luck a campaign meets there."""

    bench: Bench
    world: World
    level: float
    luck: np.random.SeedSequence

    def normals(self, *key: int, shape: tuple[int, ...]) -> Floats:
        child = np.random.SeedSequence(
            self.luck.entropy, spawn_key=(*self.luck.spawn_key, *key)
        )
        return np.random.default_rng(child).standard_normal(shape)

    def cast(self, number: int, cup: Cup, gaps: Sequence[float]) -> list[Row]:
        """Films of a cup; a gap meets the same luck whatever is cast beside it."""
        lot = self.normals(0, shape=(len(COLUMNS),))
        shared = self.normals(1, number, shape=(len(COLUMNS),))
        films = self.normals(2, number, shape=(len(gaps), FILMS, len(COLUMNS)))
        for name in LOT:
            films[..., COLUMNS.index(name)] = lot[COLUMNS.index(name)]
        for name in CUP:
            films[..., COLUMNS.index(name)] = shared[COLUMNS.index(name)]
        rows = []
        for gap in cup.gaps:
            logs, gauge = self.bench.read(
                self.world, cup.weight_fraction, gap, films[gaps.index(gap)]
            )
            resistance = np.exp(logs - np.log(self.level))
            rows += [
                Row(number, cup.weight_fraction, gap, float(r), float(k))
                for r, k in zip(resistance, gauge, strict=True)
            ]
        return rows


def campaign(
    advice: Advice, place: Place, task: Task, truth: Recipes, number: int, most: int
) -> Campaign:
    """Run one campaign of `most` cups at most; number is that of the world."""
    rows: list[Row] = []
    cups = 0
    step: Cup | Claim | None = advice.first_cup()
    while isinstance(step, Cup) and cups < most:
        rows += place.cast(cups, step, task.gaps)
        cups += 1
        step = advice.after(rows)
    if not isinstance(step, Claim):
        return Campaign(number, cups, len(rows), None, False, False)
    at = task.loadings.index(step.weight_fraction), task.gaps.index(step.gap)
    good, spread = bool(truth.passes[at]), bool(truth.spread_too[at])
    return Campaign(number, cups, len(rows), step, good, spread)


@dataclass(frozen=True, slots=True)
class Chance:
    """Whether a world at a level holds a good recipe, and one that keeps its spread too."""

    world: int
    some: bool
    spread_too: bool


def run(
    maker: Maker,
    count: int,
    rules: Mapping[str, Callable[[Task], Advice]],
    most: int,
    folder: Path | None = None,
    watch: Callable[[int, World], None] = lambda number, world: None,
) -> tuple[list[Chance], dict[str, list[Campaign]]]:
    """Run all campaigns of all rules: what could be found, and what was."""
    task, bench = Task.of(maker.plan), Bench.of(maker.plan)
    chances: list[Chance] = []
    fared: dict[str, list[Campaign]] = {name: [] for name in rules}
    for number, world in worlds(maker, count, folder):
        watch(number, world)
        z = maker.rng(number, 5).standard_normal((CASTINGS, len(COLUMNS)))
        cast = castings(bench, world, task.loadings, task.gaps, z)
        for k, level in enumerate(maker.levels(number, LEVELS)):
            truth = judge(cast, level, task.target)
            chances.append(
                Chance(number, bool(truth.passes.any()), bool(truth.spread_too.any()))
            )
            luck = np.random.SeedSequence(maker.seed, spawn_key=(number, 6, k))
            place = Place(bench, world, float(level), luck)
            for name, rule in rules.items():
                fared[name].append(campaign(rule(task), place, task, truth, number, most))
    return chances, fared


# --- the table


def bootstrap(
    values: Floats, weights: Floats, groups: NDArray[np.int64], seed: int = 1
) -> tuple[float, float]:
    """Weighted mean and its standard error, groups drawn with all they hold."""
    _, at = np.unique(groups, return_inverse=True)
    total = np.bincount(at, weights * values)
    weight = np.bincount(at, weights)
    if weight.sum() == 0.0:
        return np.nan, np.nan
    drawn = np.random.default_rng(seed).integers(0, len(total), (RESAMPLES, len(total)))
    below = weight[drawn].sum(axis=1)
    means = total[drawn].sum(axis=1)[below > 0.0] / below[below > 0.0]
    return float(total.sum() / weight.sum()), float(means.std())


def columns(chances: Sequence[Chance], fared: Sequence[Campaign]) -> dict[str, tuple]:
    """What a table tells of one rule: mean, standard error and unit of each column."""
    groups = np.array([c.world for c in chances])
    some = np.array([c.some for c in chances], dtype=np.float64)
    both = np.array([c.spread_too for c in chances], dtype=np.float64)
    claims = np.array([c.claim is not None for c in fared], dtype=np.float64)
    cups = np.array([c.cups for c in fared], dtype=np.float64)
    films = np.array([c.films for c in fared], dtype=np.float64)
    good = np.array([c.good for c in fared], dtype=np.float64)
    spread = np.array([c.spread_too for c in fared], dtype=np.float64)
    none = 1.0 - some
    return {
        "cups, if one exists": (*bootstrap(cups, some, groups), ""),
        "films": (*bootstrap(films, some, groups), ""),
        "found": (*bootstrap(good, some, groups), "%"),
        "of accepted: good": (*bootstrap(good, claims, groups), "%"),
        "spread too": (*bootstrap(spread, claims, groups), "%"),
        "the same, if there is one": (*bootstrap(spread, claims * both, groups), "%"),
        "cups, none exists": (*bootstrap(cups, none, groups), ""),
        "accepted there": (*bootstrap(claims, none, groups), "%"),
    }


def told(value: float, error: float, unit: str) -> str:
    if np.isnan(value):
        return "-"
    if unit == "%":
        return f"{100 * value:.0f} ± {100 * error:.0f} %"
    return f"{value:.2f} ± {error:.2f}"


def print_truth(found: Sequence[World], chances: Sequence[Chance]) -> None:
    """Say what the worlds hold and how well they are known."""
    conducting = [w for w in found if w.conducts]
    print(f"{len(found)} worlds, {len(conducting)} of them conduct; {LEVELS} levels each")
    if conducting:
        logs = np.concatenate([w.log_error for w in conducting])
        steps = np.concatenate([w.step_error for w in conducting])
        rises = np.concatenate([w.log_rho[:, -1] - w.log_rho[:, 0] for w in conducting])
        thresholds = np.array([w.threshold_error for w in conducting])
        beside = np.concatenate([w.left_out() for w in conducting])
        rows = (
            ("ln R, most of it the same at all loadings", logs),
            ("rise with strain, relative", steps / rises),
            ("threshold, relative", thresholds),
            ("ln R between the loadings beside it, noise in it", np.abs(beside[:, 0])),
        )
        print("error of the worlds themselves: median, 90 % of them below")
        for what, values in rows:
            if len(values):
                middle, most = np.quantile(values, [0.5, 0.9])
                print(f"  {what}: {100 * middle:.1f} %, {100 * most:.1f} %")
    groups = np.array([c.world for c in chances])
    ones = np.ones(len(chances))
    some = np.array([c.some for c in chances], dtype=np.float64)
    both = np.array([c.spread_too for c in chances], dtype=np.float64)
    exists = told(*bootstrap(some, ones, groups), "%")
    with_spread = told(*bootstrap(both, some, groups), "%")
    print(
        f"a good recipe exists in {exists} of {len(chances)} campaigns; in {with_spread} "
        "of these one that keeps its spread too\n"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--plan", type=Path, default=EXAMPLE)
    parser.add_argument("--worlds", type=int, default=120)
    parser.add_argument("--seed", type=int, default=4812)
    parser.add_argument("--cups", type=int, default=6, help="most cups of a campaign")
    parser.add_argument("--cache", type=Path, help="folder that keeps simulated worlds")
    options = parser.parse_args()
    maker = Maker(Plan.load(options.plan), options.seed)
    spent = time.process_time()
    found: list[World] = []

    def progress(number: int, world: World) -> None:
        found.append(world)
        print(f"\r{number + 1} of {options.worlds} worlds", end="", file=sys.stderr)

    chances, fared = run(
        maker, options.worlds, RULES, options.cups, options.cache, progress
    )
    print(file=sys.stderr)
    print_truth(found, chances)
    table = {name: columns(chances, of_rule) for name, of_rule in fared.items()}
    print("| rule | " + " | ".join(next(iter(table.values()))) + " |")
    print("|---|" + "---|" * len(next(iter(table.values()))))
    for name, row in table.items():
        print(f"| {name} | " + " | ".join(told(*cell) for cell in row.values()) + " |")
    print(f"\nat most {options.cups} cups; {time.process_time() - spent:.0f} s")


if __name__ == "__main__":
    main()
