"""Shares of the spread: castings, trials, each tolerance, and what halving one buys."""

from __future__ import annotations

from typing import Any

import numpy as np

from percsim.boxes.sampling import box_seed
from percsim.decision.choose import Target
from percsim.film.casting import LOT_NAMES, TOLERANCE_NAMES, TRIAL_NAMES, Castings
from percsim.film.variance import (
    Halving,
    NestedSpread,
    halvings,
    nested_spread,
    variance_shares,
)
from percsim.findings.gather import Findings
from percsim.words import mm, quantity, tenths

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


def _settings(castings: Castings) -> dict[str, tuple[float | None, str]]:
    """Value of each tolerance and its unit: "1" relative, "m", "rad", "strain"."""
    tol = castings.tolerances
    units = {
        "gap": "m",
        "width": "m",
        "skew": "m",
        "strain_setting": "strain",
        "tilt": "rad",
    }
    settings: dict[str, tuple[float | None, str]] = {}
    for name in WORDS:
        value = {"thickness": tol.thickness_of(castings.film), "chains": None}.get(
            name, getattr(tol, name, None)
        )
        settings[name] = value, units.get(name, "1")
    return settings


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
    if not sure:
        return [
            "No single tolerance, halved, surely lowers the CV of R, "
            f"{_tenths(now['resistance_cv'])}, by {_percent(WORTH_SPENDING)} of itself "
            "without costing castings that pass."
        ]
    top = sure[0]
    before, after = _tenths(now["pass_share"]), _tenths(top["pass_share"])
    words = [
        f"Spend first on {top['words']}: halving that tolerance takes the CV of R from "
        f"{_tenths(now['resistance_cv'])} to {_tenths(top['resistance_cv'])} and "
        + (
            f"the share of castings that pass from {before} to {after}."
            if before != after
            else f"leaves the share of castings that pass at {before}."
        )
    ]
    others = sure[1:3]
    if others:
        listed = " and ".join(
            f"{row['words']} (to {_tenths(row['resistance_cv'])})" for row in others
        )
        words.append(f"Next: {listed}.")
    idle = [row["words"] for row in bench if row["resistance_cv_fall"] < WORTH_SPENDING]
    if idle:
        words.append(
            "Not worth money for the spread of R here: halving any of these lowers its CV "
            f"by less than {_percent(WORTH_SPENDING)} of itself: {', '.join(idle)}."
        )
    if top["name"] in LOT_NAMES:
        words.append(
            "That spread is between lots of powder: castings of one lot do not show it, so "
            "one lot for all, or a trial casting and a new loading for each lot, does more "
            "than a better bench."
        )
    gauge = max(rows, key=lambda row: now["gauge_factor_cv"] - row["gauge_factor_cv"])
    known = 0.0 < now["gauge_factor_cv"] < np.inf
    if known and 1.0 - gauge["gauge_factor_cv"] / now["gauge_factor_cv"] >= WORTH_SPENDING:
        words.append(
            f"For the gauge factor, read once on each casting, it is {gauge['words']}: "
            f"halved, its CV falls from {_tenths(now['gauge_factor_cv'])} to "
            f"{_tenths(gauge['gauge_factor_cv'])}."
        )
    words.append(
        "What each step costs is not known here; a halving that is cheap may come before "
        "one that buys more."
    )
    return words


def _chains(castings: Castings, share: float, resistance_cv: float) -> str:
    flakes = (
        "the chance of the particle chains makes "
        f"{_percent(share) if share >= 1e-3 else 'less than 0.1 %'} of the "
        "variance of ln R"
    )
    if share < 0.05:
        return (
            f"Chains are not why these castings differ: {flakes}, because a film "
            f"{mm(castings.film.electrode_gap)} long averages over very many of "
            "them. They rarely are, away from the threshold."
        )
    alone = np.sqrt(min(share, 1.0)) * resistance_cv
    if alone < SMALL_CV:
        return (
            f"Here {flakes}, because the plan's tolerances are small: on their own they "
            f"scatter R by a CV of {_percent(alone)}."
        )
    return (
        f"Unusually, {flakes}: the film is small for its particles or close to the "
        "threshold. A larger film averages it: the spread falls as the root of the volume."
    )


def _not_varied(findings: Findings) -> list[str]:
    words = []
    if any(filler.kind != "sphere" for filler, _ in findings.recipe.fillers):
        words.append(
            "orientation beyond the threshold: a casting that settles flatter also "
            "conducts otherwise at the same distance from it"
            if findings.threshold.tilt_slope != 0.0
            else "orientation: no threshold at another tilt was simulated, so that a "
            "casting that settles flatter than another is not in this spread"
        )
    words.append(
        "what operators, rooms and seasons change: the tolerances are those of one bench, "
        "unless the plan's are measured over several"
    )
    words.append(
        "particle size as it acts on contacts: what conducts across a gap does not scale "
        "with the particles, so that contacts of a coarser lot open further; the share "
        "given is that of contacts that do not change"
    )
    return words


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
    plan, castings = findings.plan, findings.decision.best.castings
    loading = castings.fit.loading
    about: dict[str, Any] = {
        "weight_fraction": loading.weight_fraction,
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
    target = plan.decision_target()
    drawn = halvings(castings, box_seed(plan.seed, TRIALS, "tolerances"))
    now = _row(drawn[0], drawn[0], target)
    still = () if findings.threshold.tilt_slope != 0.0 else ("tilt",)
    rows = [_row(drawn[0], half, target) for half in drawn[1:] if half.name not in still]
    rows.sort(key=lambda row: -row["resistance_cv_fall"])
    has_strain = castings.strained_state is not None
    quantities = ("log_resistance", "gauge_factor") if has_strain else ("log_resistance",)
    settings = _settings(castings)
    listed: list[dict[str, Any]] = [
        {
            "name": name,
            "words": WORDS[name],
            "of": "trial" if name in TRIAL_NAMES else "casting",
            "value": settings[name][0],
            "unit": settings[name][1],
            **{
                quantity: {
                    "first_order": shares[quantity][name].first_order,
                    "low": shares[quantity][name].low,
                    "high": shares[quantity][name].high,
                    "total": shares[quantity][name].total,
                }
                for quantity in quantities
            },
        }
        for name in (*TOLERANCE_NAMES, *TRIAL_NAMES)
        if name not in still
    ]
    listed.sort(key=lambda row: -row["log_resistance"]["first_order"])
    share_of_open = castings.open_fraction
    left_out = (
        "No casting is open."
        if share_of_open == 0.0
        else f"{_percent(share_of_open)} of the castings are open: they are counted, and "
        "left out of every variance here, which is over castings that conduct at rest and "
        "strained"
        + (
            "; so many are open that the spread of the others understates what the bench "
            "will see."
            if share_of_open > MOST_LEFT_OUT
            else "."
        )
    )
    part = {q: _nested(nested[q], q == "gauge_factor") for q in quantities}
    of_r = part["log_resistance"]
    within = (
        "Repeatability, in the words of the international vocabulary of metrology (JCGM "
        "200:2012, 2.20 and 2.21): the same casting, bench and instrument, strained again "
        f"after a short time, scatters ln R by {of_r['repeatability']['value']:.2g}. "
        "Intermediate precision (2.22, 2.23): castings of one lot of powder, "
        f"{of_r['intermediate_precision']:.2g}. Reproducibility (2.24, 2.25): castings "
        f"over lots of powder as well, {of_r['reproducibility']:.2g}. A casting is taken "
        "for a similar object in the sense of these terms."
    )
    chains = next(row for row in listed if row["name"] == "chains")
    return {
        "spread": about
        | {
            "quoted": True,
            "n_castings": n_nested,
            "n_shares": n_shares,
            "nested": part,
            "shares": listed,
            "now": now,
            "halving": rows,
            "open_castings": left_out,
            "trials_within": within,
            "chains": _chains(
                castings, chains["log_resistance"]["first_order"], now["resistance_cv"]
            ),
            "advice": _advice(now, rows),
        }
    }
