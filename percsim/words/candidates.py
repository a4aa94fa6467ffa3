"""One candidate in words: its name, what it misses, what to keep in mind."""

from __future__ import annotations

import numpy as np

from percsim.decision.candidates import Candidate, Margin, Refusal
from percsim.decision.limits import CASTABLE, BenchLimits
from percsim.decision.outlook import Recipe
from percsim.decision.target import Limit
from percsim.film.transfer import FAITHFUL_RATIO, SAFE_RATIO
from percsim.quantities import mm, percent, quantity, resistance, share, three, weight

__all__ = [
    "PULLED", "STIFF", "castability", "cautions", "limit_name", "limit_value", "named",
    "place", "refusals", "thickening",
]  # fmt: skip

CUBE_DIAMETERS = 8.0
"""Shortest electrode gap, in diameters, for which rho and r_c of cubes are meant."""
STIFF = 20.0
"""Thickening by the filler from which casting takes care (judgement, no source)."""
SURELY_OPEN = 0.95
"""Share of open boxes, and of open castings, from which a film counts as open without more
ado (judgement, no source)."""

PULLED = {"conditioned": "of the conditioned film", "first": "on the first pull"}

_NAMES = {
    "resistance": "median resistance",
    "gauge_factor": "median gauge factor",
    "resistance_cv": "CV of resistance",
    "gauge_factor_cv": "CV of gauge factor",
    "thermal_output": "thermal output",
    "self_heating_drift": "self-heating drift",
    "hysteresis": "hysteresis",
    "zero_shift": "zero shift after the first pull",
    "drift": "drift under strain",
    "pass_share": "share of castings that pass",
}


def named(recipe: Recipe, words: str = "") -> str:
    """Name a recipe: what sets its mix apart, loading and gap."""
    return f"{words and words + ', '}{place(recipe)}"


def place(recipe: Recipe) -> str:
    """Name loading and gap of a recipe."""
    gap = mm(recipe.film.electrode_gap)
    return f"{weight(recipe.loading.weight_fraction)} at {gap}"


def limit_name(limit: Limit) -> str:
    """Name of a limit and its side."""
    return f"{_NAMES[limit.what]}, at {'least' if limit.at_least else 'most'}"


def limit_value(what: str, value: float) -> str:
    """Value of a limited quantity with its unit."""
    if what == "resistance":
        return resistance(value)
    if what == "gauge_factor":
        return three(value)
    if what == "pass_share":
        return f"{share(value)} %"
    if what.endswith("_cv"):
        return f"{percent(value)} %" if np.isfinite(value) else "not defined"
    if what == "hysteresis":
        return f"{percent(value)} %" if np.isfinite(value) else "without bound"
    unit = "/K" if what == "thermal_output" else ""
    known = quantity(value, "strain") if np.isfinite(value) else "without bound"
    return known + unit


def refusals(candidate: Candidate) -> tuple[str, ...]:
    """Say why a candidate does not meet the target; empty when it does."""
    return tuple(_refusal(candidate, refusal) for refusal in candidate.refusals)


def _refusal(candidate: Candidate, refusal: Refusal) -> str:
    ratio = f"at {candidate.threshold_ratio:.2f} times the film's own threshold"
    if refusal.margin is not None:
        return _missed(refusal.margin)
    if refusal.code == "open":
        return f"{ratio} {_open(candidate)}"
    if refusal.code == "near threshold":
        return (
            f"{ratio} (below {FAITHFUL_RATIO:g}) boxes do not represent the film, and "
            "small errors of weighing move R a lot"
        )
    if refusal.code == "open castings":
        return f"{share(candidate.open_fraction)} % of the castings are open"
    return "threshold not foreseeable, measure it"


def _missed(margin: Margin) -> str:
    """Say a limit that is missed, with enough digits to see that it is."""
    limit, value = margin.limit, margin.value
    told, asked = limit_value(limit.what, value), limit_value(limit.what, limit.value)
    if told == asked and limit.unit == "1" and np.isfinite(value):
        scale = 1.0 if limit.what == "gauge_factor" else 100.0
        unit = "" if scale == 1.0 else " %"
        digits = next(
            (d for d in range(1, 6)
             if f"{scale * value:.{d}f}" != f"{scale * limit.value:.{d}f}"), 6,
        )  # fmt: skip
        told = f"{scale * value:.{digits}f}{unit}"
    close = ", within its simulation error" if margin.within_error else ""
    side = "least" if limit.at_least else "most"
    if limit.what == "pass_share":
        return f"{told} of the castings pass, {asked} are asked{close}"
    return f"{_NAMES[limit.what]} {told}, at {side} {asked} is asked{close}"


def _open(candidate: Candidate) -> str:
    """Whether an open film is known to be so; chains longer than a box decide it else."""
    loading, share_open = candidate.fit.loading, candidate.open_fraction
    n_open, n = loading.n_open_boxes, loading.n_boxes
    if min(share_open, n_open / n) >= SURELY_OPEN:
        return "the film is open"
    return (
        f"{n_open} of {n} boxes and {share(share_open)} % of the castings are open: not "
        "decided here"
    )


def cautions(candidate: Candidate) -> tuple[str, ...]:
    """Say what to keep in mind about its numbers."""
    castings, fit = candidate.castings, candidate.fit
    where = weight(fit.loading.weight_fraction)
    ratio, words = candidate.threshold_ratio, list(fit.notes)
    if FAITHFUL_RATIO <= ratio < SAFE_RATIO:
        words.append(
            f"{where}: at {ratio:.2f} times the film's own threshold (below "
            f"{SAFE_RATIO:g}) boxes may read some ten per cent off"
        )
    gauge, error = candidate.gauge_factor, castings.gauge_factor_errors[0]
    if gauge is not None and castings.strained_state is not None:
        if 0.0 < error < np.inf and abs(gauge.median) <= error:
            words.append(f"{where}: gauge factor within its simulation error of zero")
        elif gauge.median < 0.0:
            words.append(f"{where}: gauge factor negative: R falls with strain")
    if castings.diameter > 0.0:
        diameters = castings.film.electrode_gap / castings.diameter
        if diameters < CUBE_DIAMETERS:
            words.append(
                f"electrode gap {mm(castings.film.electrode_gap)} is only {diameters:.1f} "
                "particle diameters long: resistivity and electrode term are not meant for "
                "it"
            )
    if len(fit.influence) < 2:
        words.append(
            f"{where}: one box of the longest kind, so neither the scatter of chains nor "
            "the simulation error is known"
        )
    return tuple(words)


def castability(castable: bool, thicker: float) -> str:
    """Say whether a mix can be cast, by how many times its filler thickens it.

    Parameters
    ----------
    castable : bool
        Whether its solids stay clear of those that jam.
    thicker : float
        Viscosity over that of the elastomer.

    Returns
    -------
    str
        "can be cast", or what keeps it from that.

    """
    if not castable:
        return "is too stiff to cast"
    if thicker > STIFF:
        return f"is stiff, {thicker:.2g} times thicker than its elastomer: thin it"
    return f"can be cast, {thicker:.2g} times thicker than its elastomer"


def thickening(limits: BenchLimits, weight_fraction: float) -> str:
    """Say how close to jamming a mix is cast; empty when it is far from it."""
    solids, thicker = limits.thickening(weight_fraction)
    if solids < CASTABLE and thicker <= STIFF:
        return ""
    why = (
        f"{weight(weight_fraction)}: solids take {share(solids)} % of those at which the "
        "filler jams"
    )
    if solids >= 1.0:
        return f"{why}: it cannot be cast so"
    trouble = "a crumbly paste with pores" if solids >= CASTABLE else "a stiff mix"
    return (
        f"{why} and thicken the mix about {float(f'{thicker:.2g}'):.0f} times: expect "
        f"{trouble}; thin it with solvent or lower the loading"
    )
