"""Two results folders side by side: what their best recipes read, and how far apart.

Numbers that nobody knows yet drop out of a difference where both folders share them: of
one powder in one elastomer, on day one, both sides are drawn at the same contacts,
threshold and bench. Otherwise the two are independent.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from percsim.advice import Answer, Films, answer, carried, films_of_text, known_of
from percsim.boxes.folder import results_folder
from percsim.boxes.store import Store
from percsim.decision.outlook import Band, Outlook, Recipe
from percsim.decision.target import Target
from percsim.errors import FolderError
from percsim.first_page import FirstPage, best_told, first_page
from percsim.packing import pack
from percsim.plan import Plan

__all__ = ["Comparison", "Difference", "Side", "compare", "side_by_side"]

Floats = NDArray[np.float64]

PAIRS = 4096
"""Pairs of draws of two folders that share nothing."""
NINETY = 1.645
"""Standard errors either side of 90 %."""
UNKNOWN = ("filler", "elastomer", "contacts")
"""Sections of a plan that what is not known belongs to."""


@dataclass(frozen=True, slots=True)
class Difference:
    """How far the second lies from the first.

    Parameters
    ----------
    what : {"resistance", "gauge_factor", "resistance_cv", "gauge_factor_cv", "probability"}
        Of the best recipes; of R the second over the first.
    value : Band or None
        By what is known; None where that cannot be said in half of the draws. A ratio of R
        is 0 where the first is open, and infinite where the second is.

    """

    what: str
    value: Band | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two folders.

    Parameters
    ----------
    pages : (FirstPage, FirstPage)
        Their first pages.
    shared : bool
        Whether both are drawn at the same unknown numbers.
    same_bench : bool
        Whether both state the same tolerances.
    differences : tuple of Difference
        In the order of the table of a first page.

    """

    pages: tuple[FirstPage, FirstPage]
    shared: bool
    same_bench: bool
    differences: tuple[Difference, ...]


def compare(first: str | os.PathLike[str], second: str | os.PathLike[str]) -> Comparison:
    """Put two results folders side by side.

    Parameters
    ----------
    first, second : path
        Results folders; two fillers, two elastomers, two layouts.

    Returns
    -------
    Comparison

    Raises
    ------
    FolderError
        If one of them holds no models of its films.

    """
    return side_by_side(_opened(first), _opened(second))


Side = tuple[Plan, list[Films], Answer]
"""A plan, the models of its films, and what is decided from them."""


def side_by_side(one: Side, two: Side) -> Comparison:
    """Put two plans that were answered side by side."""
    sides = [one, two]
    pages = tuple(first_page(*side) for side in sides)
    found, other = (side[2] for side in sides)
    a, b = (side[2].outlooks[best_told(side[2].decision)] for side in sides)
    ours, theirs = (
        next(f for f in side[1] if f.index == own.recipe.mix)
        for side, own in zip(sides, (a, b), strict=True)
    )
    shared = _same_unknown(ours.plan, theirs.plan)
    if shared:
        like = [r for r in other.recipes if r.loading == b.recipe.loading]
        b = _drawn_like(b, ours, theirs, like)
    targets = found.target, other.target
    return Comparison(
        (pages[0], pages[1]), shared, _same((ours.plan, theirs.plan), ("tolerances",)),
        _differences(a, b, targets, shared),
    )  # fmt: skip


def _opened(folder: str | os.PathLike[str]) -> Side:
    """Plan of a folder, the models of its films, and what is decided from them."""
    with Store.read(results_folder(folder)) as store:
        told, kept = store.load_artefact("plan"), store.load_artefact("films")
    plan = None if told is None else Plan.from_dict(told, name=str(folder))
    films = None if plan is None else films_of_text(plan, kept)
    if plan is None or films is None:
        raise FolderError(
            f"{folder} holds no finished run of this version; run its plan there"
        )
    return plan, films, answer(plan, films)


def _same_unknown(plan: Plan, other: Plan) -> bool:
    """Whether two mixes, on day one, are unsure of the same numbers."""
    return _same((plan, other), UNKNOWN) and not (plan.measured or other.measured)


def _same(plans: tuple[Plan, Plan], sections: Sequence[str]) -> bool:
    ours, theirs = (plan.as_dict() for plan in plans)
    return all(ours.get(key) == theirs.get(key) for key in sections)


def _drawn_like(b: Outlook, other: Films, mine: Films, like: list[Recipe]) -> Outlook:
    """Outlook of the second, of films `mine`, at the draws of the other."""
    known, _ = known_of(replace(mine, plan=replace(mine.plan, seed=other.plan.seed)))
    if pack(other.model) != pack(mine.model):
        # boxes of their own err on their own
        order = np.random.default_rng(PAIRS).permutation(len(known))
        known = replace(known, noise=known.noise[order])
    # with the other gaps of its loading, beside which it was looked at before
    near = [recipe for recipe in like if recipe.mix == mine.index]
    return carried(mine, near, known)[near.index(b.recipe)]


def _differences(
    a: Outlook, b: Outlook, targets: tuple[Target, Target], shared: bool
) -> tuple[Difference, ...]:
    """Differences of two recipes over pairs of draws."""
    rng = np.random.default_rng(PAIRS)
    pairs = [
        np.arange(len(w)) if shared else rng.choice(len(w), PAIRS, p=w)
        for w in (a.weights, b.weights)
    ]

    def apart(ours: Floats, theirs: Floats, *, of_logs: bool = False) -> Band | None:
        x, y = ours[pairs[0]], theirs[pairs[1]]
        known = np.isfinite(x), np.isfinite(y)
        # open against open says nothing, and of R alone open against a number does
        kept = known[0] | known[1] if of_logs else known[0] & known[1]
        if kept.mean() < 0.5:
            return None
        band = Band.of(y[kept] - x[kept], np.full(kept.sum(), 1.0 / kept.sum()))
        return band.exp() if of_logs else band

    middle = a.nominal, b.nominal
    chords = [
        np.where(o.conducts[:, k], o.chord[:, k], np.inf)
        for o, k in zip((a, b), middle, strict=True)
    ]
    found = [
        Difference("resistance", apart(a.rest[:, middle[0]], b.rest[:, middle[1]],
                                       of_logs=True)),
        Difference("gauge_factor", apart(*chords)),
        Difference("resistance_cv", apart(a.resistance_cv, b.resistance_cv)),
        Difference("gauge_factor_cv", apart(a.gauge_factor_cv, b.gauge_factor_cv)),
    ]  # fmt: skip
    held = [o.holds(t)[1].astype(float) for o, t in zip((a, b), targets, strict=True)]
    moved = held[1][pairs[1]] - held[0][pairs[0]]
    P = float(b.weights @ held[1] - a.weights @ held[0])
    n = min(len(moved), *(o.knowledge.effective_size for o in (a, b)))
    error = NINETY * float(moved.std()) / n**0.5
    return (*found, Difference("probability", Band(P, P - error, P + error)))
