"""Rules of a campaign: what they see and say, and bench workers without a model."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from percsim.decision import Target
from percsim.plan import Plan

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
