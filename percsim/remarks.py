"""What to know beside the numbers of the first page, as codes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

from percsim.advice import Films
from percsim.decision.decide import Change, Decision, State, Why
from percsim.decision.posterior import Posterior, Reading, RowCheck
from percsim.decision.priors import shape_is_assumed, threshold_ratio

__all__ = ["Remark", "remarks"]

APART = 30.0
"""Factor from which equal films are told to differ, whatever else was read (judgement)."""

LITTLE = 0.05
"""Of P that a cup more is expected to add, below which films would not change what to do
(judgement)."""

ABOVE = (1.3, 1.8)
"""Loadings to explore where none conducts, over the film's own threshold by volume."""


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing to know, as a code with the names and numbers that go with it."""

    code: str
    names: tuple[str, ...] = ()
    values: tuple[float, ...] = ()


def remarks(
    films: Films, decision: Decision, told: Posterior | None, changes: Sequence[Change]
) -> tuple[Remark, ...]:
    """Give what is assumed, what readings contradict, and what to do next."""
    made = [
        _assumed(films, told),
        _contradicts(told),
        _next(films, decision, told, changes),
    ]
    return tuple(remark for remark in made if remark is not None)


def _assumed(films: Films, told: Posterior | None) -> Remark | None:
    """Tell how far level and threshold may be off, or what films have left open."""
    if told is not None:
        left = [name for name in told.narrowing if name not in told.told]
        return Remark("still assumed", tuple(left)) if left else None
    contacts, threshold = films.plan.contact_parameters(), films.threshold
    if contacts.powder.unforeseeable:
        return Remark("unforeseeable", (contacts.powder.unforeseeable,))
    level = 1.0 if contacts.is_calibrated else contacts.level_factor
    ratio = threshold_ratio(contacts, threshold)
    if contacts.is_calibrated and not shape_is_assumed(contacts, threshold):
        return None
    return Remark("assumed", (), (level, ratio.low, ratio.high))


def _contradicts(told: Posterior | None) -> Remark | None:
    """Name readings that others speak against, or a number far off."""
    if told is None:
        return None
    against = sorted((c for c in told.checks if c.is_outlier), key=lambda c: c.probability)
    pair = _farthest(told.checks)
    others = [c.reading.label for c in against if c.reading not in pair]
    if pair:
        names, read = zip(*((r.label, r.resistance or 0.0) for r in pair), strict=True)
        return Remark("same films differ", (*names, *others), read)
    if against:
        return Remark("outlier", tuple(others), (against[0].probability,))
    far = told.far
    if not far:
        return None
    name = max(far, key=lambda name: abs(far[name]))
    return Remark("far from assumed", (name,), (far[name],))


def _farthest(checks: Sequence[RowCheck]) -> tuple[Reading, ...]:
    """Two readings of equal films that contradict each other most, none where none do.

    Of which one alone is spoken against, that one first, or `APART` from each other.
    """
    apart = {}
    for a, b in permutations(checks, 2):
        if not _same(a.reading, b.reading) or b.is_outlier:
            continue
        logs = [math.log(c.reading.resistance or math.inf) for c in (a, b)]
        far = abs(logs[0] - logs[1]) if logs[0] != logs[1] else 0.0
        if far > 0.0 if a.is_outlier else math.log(APART) < far < math.inf:
            apart[a.reading, b.reading] = (a.is_outlier, far)
    return max(apart, key=apart.__getitem__, default=())


def _same(one: Reading, other: Reading) -> bool:
    """Whether two readings are R of equal films in the same state."""
    keys = ("loading", "film", "strain", "temperature")
    return None not in (one.resistance, other.resistance) and all(
        getattr(one, key) == getattr(other, key) for key in keys
    )


def _not_pulled(told: Posterior, pull: str) -> tuple[str, ...]:
    """Cups of which films were read at rest, and none under strain on that pull."""
    rows = [check.reading for check in told.checks]
    pulled = {r.batch for r in rows if r.tells_pull(pull)}
    due = [r for r in rows if r.batch not in pulled]
    rest = [r for r in due if r.strain == 0.0]
    return tuple(sorted({r.batch or r.label for r in rest or due}))


def _next(
    films: Films, decision: Decision, told: Posterior | None, changes: Sequence[Change]
) -> Remark | None:
    if told is not None and decision.why is Why.WAITING:
        pull = films.plan.target.pull
        return Remark("pull", (pull, *_not_pulled(told, pull)), (films.plan.chord_strain,))
    if decision.state is State.LEARN:
        return Remark("read and enter", (films.plan.target.pull,))
    if decision.state is State.READY:
        window = decision.window[decision.best]
        spread = decision.why is Why.PROVED_WINDOW
        return Remark("spread not assured", (), (window,)) if spread else Remark("cast")
    top, phi = films.explored[-1], films.threshold.volume_fraction
    if told is not None:  # films may put the threshold elsewhere
        phi = told.knowledge.threshold(films.model).median
    if top.volume_fraction < phi:
        mixture = films.plan.recipe(top.weight_fraction)
        phis = (min(x * phi, 0.9) for x in ABOVE)
        weights = [round(mixture.at_volume_fraction(x).weight_fraction, 2) for x in phis]
        if films.limits.castable(weights[0]):
            kept = [w for w in weights if films.limits.castable(w)]
            return Remark("explore higher", (), (kept[0], kept[-1]))
    gain = decision.afterwards - decision.probability
    settled = (decision.afterwards,) if gain < LITTLE else ()
    return Remark("change" if changes else "ask for other", (), settled)
