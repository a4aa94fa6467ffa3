"""Shares of the spread: castings, trials, each tolerance, and what halving one buys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.decision.target import Target
from percsim.film.casting import Castings
from percsim.film.draws import TOLERANCE_NAMES, TRIAL_NAMES
from percsim.film.variance import (
    Halving,
    NestedSpread,
    Share,
    halvings,
    nested_spread,
    variance_shares,
)
from percsim.findings.judged import Findings
from percsim.quantities import two

__all__ = ["spread"]

# Numbers of the streams under the purpose "tolerances"; the castings themselves have 0.
SHARES, NESTED, TRIALS = 1, 2, 3

WORDS = {
    "weighing": "weighing",
    "mixing": "mixing between castings",
    "thickness": "thickness",
    "gap": "electrode gap",
    "width": "width",
    "contact": "contact conductance",
    "aspect_ratio": "aspect ratio of the powder lot",
    "mixing_within": "unevenness inside a casting",
    "skew": "electrodes askew",
    "particle_size": "particle size of the powder lot",
    "response": "opening of the contacts per strain",
    "tilt": "tilt of the particles",
    "chains": "chance of the particle chains",
    "instrument": "instrument",
    "strain_setting": "strain setting",
    "contact_redraw": "contacts that close differently each cycle",
}
"""What each cause is called."""

UNITS = {"gap": "m", "width": "m", "skew": "m", "strain_setting": "strain", "tilt": "rad"}
"""Of the tolerances that are not relative."""


def _nested(found: NestedSpread, relative: bool) -> dict[str, object]:
    """Variance components, and standard deviations relative to the mean if asked."""
    scale = abs(found.mean) if relative and found.mean != 0.0 else 1.0

    def spread_of(part: tuple[float, float, float]) -> dict[str, float]:
        value, low, high = (float(np.sqrt(x)) / scale for x in part)
        return {"value": value, "low": low, "high": high}

    return {
        "repeatability": spread_of(found.trials),
        "between_castings": spread_of(found.castings),
        "between_castings_of_one_lot": spread_of(found.one_lot),
        "intermediate_precision": found.intermediate_precision / scale,
        "reproducibility": found.reproducibility / scale,
        "casting_share": found.casting_share,
    }


@dataclass(frozen=True, slots=True)
class Halved:
    """Scatter and pass share with one spread halved; errors of the difference to now."""

    name: str
    words: str
    resistance_cv: float
    gauge_factor_cv: float
    pass_share: float
    resistance_cv_error: float
    gauge_factor_cv_error: float
    pass_share_error: float
    resistance_cv_fall: float


def _halved(now: Halving, half: Halving, target: Target) -> Halved:
    before, passing = (
        target.passes(np.exp(h.log_resistance), h.gauge_factor).astype(np.float64)
        for h in (now, half)
    )
    known = 0.0 < now.resistance_cv < np.inf
    return Halved(
        half.name, WORDS.get(half.name, ""), half.resistance_cv, half.gauge_factor_cv,
        float(passing.mean()), half.resistance_cv_error, half.gauge_factor_cv_error,
        float((passing - before).std() / np.sqrt(len(passing))),
        1.0 - half.resistance_cv / now.resistance_cv if known else 0.0,
    )  # fmt: skip


def _causes(
    castings: Castings, shares: dict[str, dict[str, Share]], names: Sequence[str]
) -> list[dict[str, object]]:
    """List the share of every cause, that of the largest in ln R first."""
    tol, largest = castings.tolerances, shares["log_resistance"]
    return [
        {
            "name": name,
            "words": WORDS[name],
            "of": "trial" if name in TRIAL_NAMES else "casting",
            "value": tol.thickness_of(castings.film)
            if name == "thickness"
            else getattr(tol, name, None),
            "unit": UNITS.get(name, "1"),
            **{quantity: found[name] for quantity, found in shares.items()},
        }
        for name in sorted(names, key=lambda name: -largest[name].first_order)
    ]


def _basis(findings: Findings) -> str:
    """Say where the tolerances come from."""
    told = "bench judgement, no source, unless set in the plan"
    if findings.posterior is None:
        return told
    known = findings.posterior.knowledge
    scale = known.band(known.scale).median
    return f"{told}; all times {two(scale)} by the measured films"


def spread(findings: Findings) -> dict[str, object]:
    """Nested draws of the chosen or nearest candidate, and shares of their variance.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.

    Returns
    -------
    dict
        `quoted`, `why_not` when not; `nested` by quantity, with standard
        deviations of ln R and of the gauge factor over its mean; `shares` by quantity and
        cause; `now` and `halving`, whose errors are standard errors of the difference to
        `now`. Intervals are of 95 % and come from the draws alone.

    """
    plan, castings = findings.plan, findings.best.castings
    about: dict[str, object] = {
        "weight_fraction": castings.loading.weight_fraction,
        "electrode_gap_m": castings.film.electrode_gap,
        "open_fraction": castings.open_fraction,
        "basis": _basis(findings),
    }
    nested, n_nested = nested_spread(castings, box_seed(plan.seed, NESTED, "tolerances"))
    shares, n_shares = variance_shares(castings, box_seed(plan.seed, SHARES, "tolerances"))
    if castings.is_open or not nested or not shares or castings.resistance_cv == 0.0:
        why = (
            "half or more of the castings are open, so their R has no spread to split"
            if castings.is_open or not nested or not shares
            else "every tolerance is 0 and the chains do not scatter"
        )
        return about | {"quoted": False, "why_not": why}
    if castings.strained_state is None:
        nested = {"log_resistance": nested["log_resistance"]}
        shares = {"log_resistance": shares["log_resistance"]}
    drawn = halvings(castings, box_seed(plan.seed, TRIALS, "tolerances"))
    still = () if castings.bench.tilt_slope != 0.0 else ("tilt",)
    now, *rows = (
        _halved(drawn[0], half, findings.target) for half in drawn if half.name not in still
    )
    rows.sort(key=lambda row: -row.resistance_cv_fall)
    names = [n for n in (*TOLERANCE_NAMES, *TRIAL_NAMES) if n not in still]
    part = {q: _nested(found, q == "gauge_factor") for q, found in nested.items()}
    return about | {
        "quoted": True,
        "n_castings": n_nested,
        "n_shares": n_shares,
        "nested": part,
        "shares": _causes(castings, shares, names),
        "now": now,
        "halving": rows,
    }
