"""What would have to change where nothing that was explored will do."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from percsim.advice import Answer, Films, carried, film_recipe
from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.decide import Change, changes
from percsim.decision.outlook import Outlook
from percsim.decision.target import Target

__all__ = ["changes_of", "each_tighter", "knowing", "tighter"]

GAPS = (0.5, 0.7, 1.4, 2.0, 3.0)
"""Gaps tried, over that of the best recipe."""
BEYOND = (1.1, 1.2)
"""Loadings tried beyond those explored, over the highest, and the lowest over them."""
SHORTEST_GAP = 10.0
"""Advice does not shorten the electrode gap below this many median diameters."""
FARTHEST_GAP = 10.0
"""Nor lengthen it beyond this multiple of the longest gap explored, if no film ends it."""
KNOWN_TO = 8
"""Intervals of equal probability that a number is known to, once it is known."""
SHUFFLES = 12
"""Orders of the draws that tell what chance alone would seem to buy."""
EASY = 0.75
"""A limit is tried at the value that so many of the draws keep."""
FEWEST = 0.5
"""Advice asks for no smaller share of castings that pass (judgement)."""
WORTHWHILE = 0.01
"""Rise of P below which a change is not told."""
MOST = 5
"""Changes told, and tolerances tried: those that scatter R most."""

FIELDS = {
    "gauge_factor": "gauge_factor_min",
    "resistance_cv": "resistance_cv_max",
    "gauge_factor_cv": "gauge_factor_cv_max",
    "thermal_output": "thermal_output_max",
    "self_heating_drift": "self_heating_drift_max",
    "hysteresis": "hysteresis_max",
    "zero_shift": "zero_shift_max",
    "drift": "drift_max",
    "pass_share": "pass_share_min",
}

Tried = tuple[str, str, float, Callable[[], float]]


def changes_of(films: Sequence[Films], found: Answer) -> tuple[Change, ...]:
    """Find the single changes of the best recipe that would raise its P most.

    Parameters
    ----------
    films : sequence of Films
        Models of the mixes.
    found : Answer
        What was decided from them.

    Returns
    -------
    tuple of Change
        The most first.

    """
    decision, target = found.decision, found.target
    own = found.outlooks[decision.best]
    mine = next(f for f in films if f.index == own.recipe.mix)
    tried = [
        *_moved(mine, own, target),
        *_easier(own, target),
        *_tighter(mine, own, target),
    ]
    told: list[Change] = []
    for change in changes(tried):
        once = change.what in ("gap", "loading")
        if once and any(change.what == other.what for other in told):
            continue
        if change.probability >= decision.probability + WORTHWHILE:
            told.append(change)
    return tuple(told[:MOST])


def _moved(films: Films, own: Outlook, target: Target) -> list[Tried]:
    """Gaps and loadings that were not explored."""
    plan, limits, best = films.plan, films.limits, own.recipe
    w, gap = best.loading.weight_fraction, best.film.electrode_gap
    shortest = max(SHORTEST_GAP * plan.median_diameter, limits.largest_particle or 0.0)
    longest = limits.film_length or FARTHEST_GAP * max(plan.electrode_gaps)
    gaps = [float(f"{gap * x:.2g}") for x in GAPS]
    explored = [loading.weight_fraction for loading in films.explored]
    ends = [explored[0] / x for x in BEYOND] + [explored[-1] * x for x in BEYOND]
    loadings = [float(f"{x:.2g}") for x in ends if x < 0.9]
    wanted = [("gap", g, w, g) for g in gaps if shortest <= g <= longest]
    wanted += [("loading", x, x, gap) for x in loadings if limits.castable(x)]
    recipes = [
        film_recipe(plan, at_w, at_gap, films.index) for _, _, at_w, at_gap in wanted
    ]
    found = carried(films, recipes, own.knowledge) if recipes else ()
    return [
        (what, "", value, lambda o=o: o.probability(target))  # type: ignore[misc]
        for (what, value, _, _), o in zip(wanted, found, strict=True)
    ]


def _easier(own: Outlook, target: Target) -> list[Tried]:
    """Another window, and every other limit where most draws keep it."""
    tried: list[Tried] = []
    low, high = target.window
    middle = own.film_band().median
    if low > 0.0 and np.isfinite([high, middle]).all():
        factor = float(f"{middle / np.sqrt(low * high):.2g}")
        there = replace(target, resistance_min=low * factor, resistance_max=high * factor)
        tried.append(("window", "", factor, lambda: own.probability(there)))
    for limit in target.limits:
        field = FIELDS.get(limit.what)
        if field is None:
            continue
        share = 1.0 - EASY if limit.at_least else EASY
        values = own.values_of(limit.what, target)
        value = float(weighted_quantiles(values, (share,), own.weights)[0])
        value = float(f"{value:.2g}") if np.isfinite(value) else value
        kept = value >= limit.value if limit.at_least else value <= limit.value
        least = FEWEST if limit.what == "pass_share" else 0.0
        if kept or not least < value < float("inf"):
            continue
        eased = replace(target, **{field: value})  # type: ignore[arg-type]
        tried.append(("limit", limit.what, value, lambda t=eased: own.probability(t)))  # type: ignore[misc]
    return tried


def _tighter(films: Films, own: Outlook, target: Target) -> list[Tried]:
    """List the tolerances that scatter R most, each halved."""
    tried = tighter(films, own)[:MOST]
    return [
        ("tolerance", name, 0.5 * spread, lambda o=o: o.probability(target))  # type: ignore[misc]
        for name, spread, _, o in tried
    ]


def tighter(films: Films, own: Outlook) -> list[tuple[str, float, float, Outlook]]:
    """Halve each tolerance of the bench.

    Returns
    -------
    list of (str, float, float, Outlook)
        Name, spread as it is, share in the variance of ln R (a median over what is known, 0
        where R has none), and the outlook with it halved; the largest share first.

    """
    return sorted(each_tighter(films, own), key=lambda row: -row[2])


def each_tighter(films: Films, own: Outlook) -> Iterator[tuple[str, float, float, Outlook]]:
    """Halve one tolerance after the other, see `tighter`."""
    bench, film = films.bench, own.recipe.film
    known = np.isfinite(own.log_spread)
    for name, spread in bench.tolerances.spreads(film).items():
        if spread == 0.0:
            continue
        less = bench.halved(name, film)
        after = carried(films, [own.recipe], own.knowledge, bench=less)[0]
        keep = known & np.isfinite(after.log_spread)
        ratio = np.where(keep, after.log_spread, 1.0) / np.where(keep, own.log_spread, 1.0)
        # halved, a cause keeps a quarter of its variance
        share = own.draw_band(np.maximum(1.0 - ratio**2, 0.0) / 0.75).median
        yield name, spread, share, after


def knowing(found: Answer) -> list[tuple[str, float, float]]:
    """Say what it would buy to know each number that is not known before choosing.

    Returns
    -------
    list of (str, float, float)
        Its symbol, the rise of the best recipe's P if it were known to an eighth of what is
        now possible, and the standard error of that; the most first.

    Notes
    -----
    Of an eighth of the draws another recipe may seem best by chance: what draws in another
    order seem to buy is taken off.

    """
    own = found.outlooks[found.decision.best]
    known, weights = own.knowledge, own.weights
    held = np.column_stack(
        [o.holds(found.target)[1] for o in found.outlooks if o.knowledge is known]
    )
    worth = weights[:, None] * held
    least = float(worth.sum(axis=0).max())

    def gain(order: NDArray[np.int64]) -> float:
        place = np.cumsum(weights[order]) * KNOWN_TO
        cells = np.searchsorted(place, np.arange(1, KNOWN_TO), side="left")
        sums = np.add.reduceat(worth[order], [0, *np.minimum(cells, len(order) - 1)])
        return float(sums.max(axis=1).sum()) - least

    rng = np.random.default_rng(SHUFFLES)
    chance = [gain(rng.permutation(len(weights))) for _ in range(SHUFFLES)]
    numbers = {**known.values, "scatter": known.scale}
    rows = [
        (name, gain(np.argsort(values, kind="stable")) - float(np.mean(chance)),
         float(np.std(chance)))
        for name, values in numbers.items()
        if np.ptp(values) > 0.0
    ]  # fmt: skip
    return sorted(rows, key=lambda row: -row[1])
