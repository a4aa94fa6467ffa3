"""A choice in words: what was found, and what it rests on."""

from __future__ import annotations

import numpy as np

from percsim.decision.candidates import EQUAL_SHARES, Candidate, Choice
from percsim.decision.priors import (
    ANY_LEVEL,
    ContactParameters,
    TunnellingParameters,
    shape_is_assumed,
    threshold_ratio,
)
from percsim.film.transfer import LoadingThreshold
from percsim.quantities import (
    confidence,
    listed,
    microstrain,
    percent,
    quantity,
    resistance,
    share,
    simulation_error,
    span,
    three,
    two,
    window,
)
from percsim.words.candidates import PULLED, limit_name, named, refusals

__all__ = ["known_by_films", "reasons", "what_is_assumed"]

MANY_OTHERS = 8
"""Other candidates that meet the target named one by one; of more only so many."""


def reasons(choice: Choice, withheld: str = "", *, calibrated: bool = False) -> list[str]:
    """Say which candidate is best or nearest, and why.

    Parameters
    ----------
    choice : Choice
        All candidates, as planned or by measured films.
    withheld : str
        Why no loading is decided; empty where one is.
    calibrated : bool
        Whether the contacts were measured.

    Returns
    -------
    list of str
        The verdict first.

    """
    best, n = choice.best, len(choice.candidates)
    name = _name(best)
    if withheld:
        head = [
            f"no loading is decided: {withheld}",
            f"were the threshold as simulated, {name} would read as follows",
        ]
    elif choice.chosen is not None:
        head = [
            f"cast {name}: it meets every target"
            if calibrated
            else f"{name} meets every target as planned"
        ]
    else:
        head = [
            f"none of the {n} candidates meets the target; {name} comes nearest"
            if n > 1
            else f"the only candidate, {name}, does not meet the target",
            *(f"refused because {word}" for word in refusals(best)),
        ]
    words = [*head, *_numbers(best, choice)]
    return words if withheld or choice.chosen is None else [*words, *_others(choice)]


def _name(candidate: Candidate) -> str:
    return f"{named(candidate.outlook.recipe, candidate.words)} gap"


def _numbers(candidate: Candidate, choice: Choice) -> list[str]:
    """Numbers of one candidate against the target."""
    castings, target = candidate.castings, choice.target
    passing, words = candidate.pass_share, []
    if not any(
        r.margin and r.margin.limit.what == "pass_share" for r in candidate.refusals
    ):
        words.append(
            f"{share(passing.value)} % of its castings pass ({share(passing.low)} to "
            f"{share(passing.high)} %), {share(target.pass_share_min)} % are asked"
        )
    band = candidate.resistance
    if np.isinf(band.median):
        return [*words, f"{share(candidate.open_fraction)} % of the castings are open"]
    asked = window(*target.window)
    words.append(
        f"resistance {resistance(band.median)} (5-95 % of castings "
        f"{span(band.p05, band.p95, 'ohm')}){asked and '; window ' + asked}"
    )
    gauge, state = candidate.gauge_factor, castings.strained_state
    if gauge is not None and state is not None:
        error = simulation_error(castings.gauge_factor_errors[0])
        strain = castings.visits.strains[state]
        words.append(
            f"gauge factor {three(gauge.median)}{error and f' ({error})'} "
            f"{PULLED[target.pull]} as the chord to {microstrain(strain)}, "
            f"CV {_cv(candidate.gauge_factor_cv)}"
        )
    if np.isfinite(candidate.resistance_cv) and sum(castings.shares.values()) > 0.0:
        largest = sorted(castings.shares.items(), key=lambda part: -part[1])[:3]
        parts = [f"{n.replace('_', ' ')} {percent(s)} %" for n, s in largest if s >= 0.01]
        words.append(
            f"CV of resistance {_cv(candidate.resistance_cv)}, of its variance "
            f"{listed(parts)}"
        )
    close = [limit_name(m.limit) for m in candidate.margins if m.met and m.within_error]
    if close:
        words.append(
            f"met, but within its simulation error: {'; '.join(close)}; more boxes "
            "would tell"
        )
    return words


def _cv(value: float) -> str:
    return f"{percent(value)} %" if np.isfinite(value) else "not defined"


def _others(choice: Choice) -> list[str]:
    """Say which others meet the target, the first few by rank, and how many do not."""
    candidates = choice.candidates
    meeting = [c for c in candidates if c.meets_target]
    others = [c for c in meeting if c is not choice.best]
    others.sort(key=lambda c: (round(c.pass_share.value, 2), c.reserve), reverse=True)
    words = []
    if others:
        verb = "meets" if len(others) == 1 else "meet"
        names = listed([_name(c) for c in others], MANY_OTHERS)
        words.append(f"{names} also {verb} the target, with less to spare")
    refused = len(candidates) - len(meeting)
    if refused:
        verb = "is" if refused == 1 else "are"
        words.append(f"{refused} of {len(candidates)} candidates {verb} refused")
    return words


def what_is_assumed(
    contacts: ContactParameters | TunnellingParameters, threshold: LoadingThreshold
) -> list[str]:
    """Say how far level and threshold may be off while nobody measured them."""
    words = []
    if not contacts.is_calibrated and isinstance(contacts, TunnellingParameters):
        words += [
            "not calibrated: R goes as 1/area of the contacts, assumed to a factor "
            f"{contacts.level_factor:g} either way, and tenfold each "
            f"{quantity(contacts.decade, 'length', 2)} of gap: good to orders of magnitude "
            "at best",
            "responses to strain come from particles that move rigidly with the film: for "
            "comparison only, they may have either sign",
        ]
    elif not contacts.is_calibrated:
        level = quantity(contacts.level[1], "S")
        off = (
            f"may be off by a factor {contacts.level_factor:g} either way"
            if contacts.level_factor < ANY_LEVEL
            else "may be at any level"
        )
        words.append(
            f"not calibrated: every R goes as 1/g0, and g0 = {level} is assumed and {off}; "
            "threshold, gauge factors, spreads and the order of the candidates in R do not "
            "move with it"
        )
    if shape_is_assumed(contacts, threshold) and not contacts.powder.unforeseeable:
        ratio = threshold_ratio(contacts, threshold)
        words.append(
            f"the real threshold may be {two(ratio.low)} to {two(ratio.high)} times the "
            "simulated one; films of two loadings tell it from the level, films of one "
            "cannot"
        )
    return words


def known_by_films(choice: Choice, asked: float, of_mix: str = "") -> list[str]:
    """Say what is chosen by measured films, and with what confidence.

    Parameters
    ----------
    choice : Choice
        Candidates of one mix over what the films leave possible.
    asked : float
        Confidence asked for.
    of_mix : str
        What sets the mix apart where others are left out; empty otherwise.

    """
    best, standing = choice.best, choice.standing
    words = [
        f"the measured films tell: {_name(best)} passes in {share(best.pass_share.value)} "
        f"% of its castings, averaged over what is still possible, "
        f"{share(choice.target.pass_share_min)} % are asked"
    ]
    sure = confidence(standing.confidence)
    if choice.chosen is None:
        why = "; ".join(refusals(best))
        words.append(f"by the measured films no candidate meets every target: {why}")
        words.append(f"in {sure} % of what is still possible none does")
    else:
        text = (
            f"it is the best with a confidence of {sure} % ({percent(asked)} % asked): in "
            "so much of what is still possible it meets every target and no other passes "
            f"{100 * EQUAL_SHARES:.0f} % more often"
        )
        rival = max(standing.rivals)
        if standing.confidence < asked and rival > 0.0:
            other = choice.candidates[standing.rivals.index(rival)]
            text += f"; {_name(other)} may be better, in {share(rival)} %"
        words.append(text)
    if of_mix:
        words.append(
            f"the measured films are of one mix, {of_mix}, and decide among its candidates "
            "alone"
        )
    return words
