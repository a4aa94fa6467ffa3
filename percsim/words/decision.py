"""A decision in words: the state in one line, the next cup, what would have to change."""

from __future__ import annotations

from collections.abc import Sequence

from percsim.decision.decide import Change, Cup, Decision, State, Why
from percsim.decision.outlook import Recipe
from percsim.decision.target import Target
from percsim.quantities import listed, mm, resistance, share, span, weight, window
from percsim.words.candidates import limit_value, named

__all__ = ["change_line", "cup_line", "expected_lines", "probability_line", "state_line"]

_COUNTS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}

_LIMITS = {
    "gauge_factor": "ask for a gauge factor of {}",
    "resistance_cv": "allow a CV of resistance of {}",
    "gauge_factor_cv": "allow a CV of the gauge factor of {}",
    "thermal_output": "allow a thermal output of {}",
    "self_heating_drift": "allow a self-heating drift of {}",
    "pass_share": "ask for {} of the castings",
}


def probability_line(chance: float, target: Target) -> str:
    """Say what P is the probability of."""
    others = [x for x in target.limits if x.what not in ("resistance", "gauge_factor")]
    rest = " and every other limit holds" if len(others) > 1 else ""
    return (
        f"P = {share(chance)} %: at least {share(target.pass_share_min)} % of castings "
        f"pass{rest}, all unknowns in"
    )


def state_line(
    decision: Decision, recipes: Sequence[Recipe], words: Sequence[str], target: Target
) -> str:
    """Say what to do in one line.

    Parameters
    ----------
    decision : Decision
        What was decided.
    recipes : sequence of Recipe
        Those it is over.
    words : sequence of str
        What sets each mix apart; empty where there is one.
    target : Target
        What is asked.

    """
    best = recipes[decision.best]
    name = f"{named(best, words[best.mix])} gap"
    P = probability_line(decision.probability, target)
    if decision.state is State.READY:
        proved = "its films of one cup passed"
        if decision.why is Why.PROVED_WINDOW:
            chance = share(decision.window[decision.best])
            proved += f", its spread is not assured (it passes with {chance} %)"
        return f"Ready: cast {name}; {proved}; {P}"
    if decision.state is State.LEARN and decision.cup is not None:
        cup = cup_line(decision.cup, recipes, words)
        if decision.why is Why.UNKNOWN_THRESHOLD:
            return (
                f"Cast to learn: {cup}; the threshold of this powder cannot be foreseen: "
                "whether they conduct tells it"
            )
        return f"Cast to learn: {cup}; {probability_line(decision.cup.all_limits, target)}"
    spent = ""
    if decision.why is Why.SPENT:
        spent = f" after {_COUNTS.get(decision.cups, str(decision.cups))} cups"
    return (
        f"Nothing here will do{spent}: that any recipe does has a probability of "
        f"{share(decision.any_recipe)} %; the best is {name}, {P}"
    )


def cup_line(cup: Cup, recipes: Sequence[Recipe], words: Sequence[str]) -> str:
    """Say which cup, and which films of it."""
    of = words[cup.mix]
    gaps = [mm(recipes[i].film.electrode_gap) for i in cup.recipes]
    each = " each" if len(gaps) > 1 else ""
    return (
        f"one cup of {weight(cup.weight_fraction)}{of and f' ({of})'}, "
        f"{_COUNTS.get(cup.films, str(cup.films))} films{each} at {listed(gaps)} gap"
    )


def change_line(change: Change, best: Recipe, target: Target) -> str:
    """Say one change of the best recipe and P after it."""
    return f"{_change(change, best, target)}: P = {share(change.probability)} %"


def _change(change: Change, best: Recipe, target: Target) -> str:
    if change.what == "gap":
        verb = "lengthen" if change.value > best.film.electrode_gap else "shorten"
        return f"{verb} the gap to {mm(change.value)}"
    if change.what == "loading":
        verb = "raise" if change.value > best.loading.weight_fraction else "lower"
        return f"{verb} the loading to {weight(change.value)}"
    if change.what == "window":
        low, high = (x * change.value for x in target.window)
        return f"move the window to {window(low, high)}"
    if change.what == "tolerance":
        return f"halve the tolerance of {change.name.replace('_', ' ')}"
    return _LIMITS[change.name].format(limit_value(change.name, change.value))


def expected_lines(cup: Cup, recipes: Sequence[Recipe]) -> list[str]:
    """Say what each film of a cup will read."""
    return [
        f"{mm(recipes[i].film.electrode_gap)} gap: {resistance(band.median)} "
        f"({span(band.p05, band.p95, 'ohm')})"
        for i, band in zip(cup.recipes, cup.resistance, strict=True)
    ]
