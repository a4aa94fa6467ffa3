"""Shares of the spread: castings, trials, each tolerance, and what halving one buys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.decision.target import Target
from percsim.film.casting import Castings
from percsim.film.draws import LOT_NAMES, TOLERANCE_NAMES, TRIAL_NAMES
from percsim.film.variance import (
    Halving,
    NestedSpread,
    Share,
    halvings,
    nested_spread,
    variance_shares,
)
from percsim.findings.judged import Findings
from percsim.quantities import mm, quantity, tenths

__all__ = ["spread"]

# Numbers of the streams under the purpose "tolerances"; the castings themselves have 0.
SHARES, NESTED, TRIALS = 1, 2, 3

MOST_LEFT_OUT = 0.05
"""Share of open castings from which a spread over the others says too little."""

WORTH_SPENDING = 0.03
"""Relative fall of the CV below which halving a cause is not worth naming (judgement)."""

SMALL_CV = 0.02
"""CV of R from the chains alone that any usual bench hides (judgement)."""

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


def _nested(found: NestedSpread, relative: bool) -> dict[str, Any]:
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


def _row(now: Halving, half: Halving, target: Target) -> dict[str, Any]:
    before, passing = (
        target.passes(np.exp(h.log_resistance), h.gauge_factor).astype(np.float64)
        for h in (now, half)
    )
    return {
        "name": half.name,
        "words": WORDS.get(half.name, ""),
        "resistance_cv": half.resistance_cv,
        "gauge_factor_cv": half.gauge_factor_cv,
        "pass_share": float(passing.mean()),
        "resistance_cv_error": half.resistance_cv_error,
        "gauge_factor_cv_error": half.gauge_factor_cv_error,
        "pass_share_error": float((passing - before).std() / np.sqrt(len(passing))),
        "resistance_cv_fall": 1.0 - half.resistance_cv / now.resistance_cv
        if 0.0 < now.resistance_cv < np.inf
        else 0.0,
    }


def _percent(value: float) -> str:
    return quantity(value, "fraction", 2)


def _tenths(value: float) -> str:
    return f"{tenths(value)} %"


def _advice(now: dict[str, Any], rows: list[dict[str, Any]]) -> list[str]:
    """Say where money is best spent, and where not."""
    bench = sorted(
        (row for row in rows if row["name"] in TOLERANCE_NAMES and row["name"] != "chains"),
        key=lambda row: -row["resistance_cv_fall"],
    )
    # worth it, and beyond what the number of castings leaves open
    sure = [
        row
        for row in bench
        if row["resistance_cv_fall"] >= WORTH_SPENDING
        and now["resistance_cv"] - row["resistance_cv"] > 2.0 * row["resistance_cv_error"]
        # a narrower spread about a median outside the window helps nobody
        and row["pass_share"] >= now["pass_share"]
    ]
    cv = _tenths(now["resistance_cv"])
    if not sure:
        return [
            f"No single tolerance, halved, surely lowers the CV of R, {cv}, by "
            f"{_percent(WORTH_SPENDING)} of itself without costing castings that pass."
        ]
    top = sure[0]
    before, after = _tenths(now["pass_share"]), _tenths(top["pass_share"])
    share = f"from {before} to {after}" if before != after else f"at {before}"
    words = [
        f"Spend first on {top['words']}: halving that tolerance takes the CV of R from "
        f"{cv} to {_tenths(top['resistance_cv'])} and "
        f"{'leaves ' if before == after else ''}the share of castings that pass {share}."
    ]
    others = [f"{row['words']} (to {_tenths(row['resistance_cv'])})" for row in sure[1:3]]
    if others:
        words.append(f"Next: {' and '.join(others)}.")
    idle = [row["words"] for row in bench if row["resistance_cv_fall"] < WORTH_SPENDING]
    if idle:
        words.append(
            "Not worth money for the spread of R here, less than "
            f"{_percent(WORTH_SPENDING)} of it when halved: {', '.join(idle)}."
        )
    if top["name"] in LOT_NAMES:
        words.append(
            "That spread is between lots of powder: one lot for all, or a trial casting "
            "and a new loading for each lot, does more than a better bench."
        )
    known = 0.0 < now["gauge_factor_cv"] < np.inf
    gauge = max(rows, key=lambda row: now["gauge_factor_cv"] - row["gauge_factor_cv"])
    if known and 1.0 - gauge["gauge_factor_cv"] / now["gauge_factor_cv"] >= WORTH_SPENDING:
        words.append(
            f"For the gauge factor, read once on each casting, it is {gauge['words']}: "
            f"halved, its CV falls from {_tenths(now['gauge_factor_cv'])} to "
            f"{_tenths(gauge['gauge_factor_cv'])}."
        )
    return words


def _chains(castings: Castings, share: float, resistance_cv: float) -> str:
    told = _percent(share) if share >= 1e-3 else "less than 0.1 %"
    part = f"the chance of the particle chains makes {told} of the variance of ln R"
    alone = np.sqrt(min(max(share, 0.0), 1.0)) * resistance_cv
    if share < 0.05:
        gap = mm(castings.film.electrode_gap)
        return (
            f"Chains are not why these castings differ: {part}, as a film {gap} long "
            "averages over very many. They rarely are, away from the threshold."
        )
    if alone < SMALL_CV:
        return (
            f"Here {part}, because the plan's tolerances are small: on their own they "
            f"scatter R by a CV of {_percent(alone)}."
        )
    return (
        f"Unusually, {part}: the film is small for its particles or close to the "
        "threshold. The spread falls as the root of the film's volume."
    )


def _not_varied(findings: Findings) -> list[str]:
    words = []
    if any(filler.kind != "sphere" for filler, _ in findings.recipe.fillers):
        words.append(
            "orientation beyond the threshold: a casting that settles flatter also "
            "conducts otherwise at the same distance from it"
            if findings.threshold.tilt_slope != 0.0
            else "orientation: no threshold at another tilt was simulated"
        )
    return [
        *words,
        "what operators, rooms and seasons change, unless the plan's tolerances are "
        "measured over several",
        "particle size as it acts on contacts: those of a coarser lot open further",
    ]


def _open(share: float) -> str:
    if share == 0.0:
        return "No casting is open."
    much = "; the spread of the others understates what the bench will see"
    return (
        f"{_percent(share)} of the castings are open: they are counted, and left out of "
        f"every variance here{much if share > MOST_LEFT_OUT else ''}."
    )


def _within(of_r: dict[str, Any]) -> str:
    """Say the terms of the international vocabulary of metrology."""
    return (
        "In the words of JCGM 200:2012, of ln R: repeatability (2.20, 2.21), the same "
        "casting, bench and instrument strained again after a short time, "
        f"{of_r['repeatability']['value']:.2g}; intermediate precision (2.22, 2.23), "
        f"castings of one lot of powder, {of_r['intermediate_precision']:.2g}; "
        "reproducibility (2.24, 2.25), castings over lots as well, "
        f"{of_r['reproducibility']:.2g}. A casting is taken for a similar object."
    )


def _causes(
    castings: Castings, shares: dict[str, dict[str, Share]], names: Sequence[str]
) -> list[dict[str, Any]]:
    """List the share of every cause, that of the largest in ln R first."""
    tol = castings.tolerances
    rows: list[dict[str, Any]] = [
        {
            "name": name,
            "words": WORDS[name],
            "of": "trial" if name in TRIAL_NAMES else "casting",
            "value": tol.thickness_of(castings.film)
            if name == "thickness"
            else getattr(tol, name, None),
            "unit": UNITS.get(name, "1"),
            **{quantity: asdict(found[name]) for quantity, found in shares.items()},
        }
        for name in names
    ]
    return sorted(rows, key=lambda row: -row["log_resistance"]["first_order"])


def spread(findings: Findings, summary: dict[str, Any]) -> dict[str, Any]:
    """Nested draws of the chosen or nearest candidate, and shares of their variance.

    Parameters
    ----------
    findings : Findings
        What the boxes gave.
    summary : dict
        The summary so far.

    Returns
    -------
    dict
        Key `spread`: `quoted`, `why_not` when not; `nested` by quantity, with standard
        deviations of ln R and of the gauge factor over its mean; `shares` by quantity and
        cause; `now` and `halving`, whose errors are standard errors of the difference to
        `now`; sentences `open_castings`, `chains`, `advice`,
        `not_varied`, `trials_within`. Intervals are of 95 % and come from the draws alone.

    """
    plan, castings = findings.plan, findings.best.castings
    about: dict[str, Any] = {
        "weight_fraction": castings.loading.weight_fraction,
        "electrode_gap_m": castings.film.electrode_gap,
        "open_fraction": castings.open_fraction,
        "not_varied": _not_varied(findings),
        "basis": "bench judgement, no source, unless set in the plan",
    }
    nested, n_nested = nested_spread(castings, box_seed(plan.seed, NESTED, "tolerances"))
    shares, n_shares = variance_shares(castings, box_seed(plan.seed, SHARES, "tolerances"))
    if castings.is_open or not nested or not shares or castings.resistance_cv == 0.0:
        why = (
            "half or more of the castings are open, so their R has no spread to split"
            if castings.is_open or not nested or not shares
            else "every tolerance is 0 and the chains do not scatter"
        )
        return {"spread": about | {"quoted": False, "why_not": why}}
    if castings.strained_state is None:
        nested = {"log_resistance": nested["log_resistance"]}
        shares = {"log_resistance": shares["log_resistance"]}
    drawn = halvings(castings, box_seed(plan.seed, TRIALS, "tolerances"))
    still = () if castings.bench.tilt_slope != 0.0 else ("tilt",)
    now, *rows = (
        _row(drawn[0], half, findings.target) for half in drawn if half.name not in still
    )
    rows.sort(key=lambda row: -row["resistance_cv_fall"])
    names = [n for n in (*TOLERANCE_NAMES, *TRIAL_NAMES) if n not in still]
    part = {q: _nested(found, q == "gauge_factor") for q, found in nested.items()}
    share = shares["log_resistance"]["chains"].first_order
    return {
        "spread": about
        | {
            "quoted": True,
            "n_castings": n_nested,
            "n_shares": n_shares,
            "nested": part,
            "shares": _causes(castings, shares, names),
            "now": now,
            "halving": rows,
            "open_castings": _open(castings.open_fraction),
            "trials_within": _within(part["log_resistance"]),
            "chains": _chains(castings, share, now["resistance_cv"]),
            "advice": _advice(now, rows),
        }
    }
