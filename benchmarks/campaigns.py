"""Does percsim's advice beat a good bench worker? `python -m benchmarks.campaigns`.

Campaigns in worlds simulated particle by particle (`benchmarks.worlds`): each rule casts
cup after cup of a plan's film, reads the films at rest and at one strain, and ends with a
recipe, a loading and a gap, or with none. All rules meet the same worlds, the same powder
and the same luck at the bench. Bars bootstrapped over worlds.

`--worlds` says how many (120 by default, 7 s of one core each unless `--cache FOLDER` holds
them) from number `--first` on, `--seed` which, `--plan` of which plan, `--cups` how many
cups a campaign may take.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from benchmarks.rules import RULES, Advice, Claim, Cup, Row, Task
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
    numbers: Iterable[int],
    rules: Mapping[str, Callable[[Task], Advice]],
    most: int,
    folder: Path | None = None,
    watch: Callable[[int, World], None] = lambda number, world: None,
) -> tuple[list[Chance], dict[str, list[Campaign]]]:
    """Run all campaigns of all rules: what could be found, and what was."""
    task, bench = Task.of(maker.plan), Bench.of(maker.plan)
    chances: list[Chance] = []
    fared: dict[str, list[Campaign]] = {name: [] for name in rules}
    for number, world in worlds(maker, numbers, folder):
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
    parser.add_argument("--first", type=int, default=0, help="number of the first world")
    parser.add_argument("--seed", type=int, default=4812)
    parser.add_argument("--cups", type=int, default=6, help="most cups of a campaign")
    parser.add_argument("--cache", type=Path, help="folder that keeps simulated worlds")
    options = parser.parse_args()
    from benchmarks.modelled import Modelled, films_of

    maker = Maker(Plan.load(options.plan), options.seed)
    films = films_of(maker.plan, options.cache)
    rules = {**RULES, "percsim": lambda task: Modelled(task, films)}
    spent = time.process_time()
    found: list[World] = []

    def progress(number: int, world: World) -> None:
        found.append(world)
        print(f"\r{len(found)} of {options.worlds} worlds", end="", file=sys.stderr)

    numbers = range(options.first, options.first + options.worlds)
    chances, fared = run(maker, numbers, rules, options.cups, options.cache, progress)
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
