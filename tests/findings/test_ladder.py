"""What to cast first, on films that follow a formula."""

import numpy as np
import pytest
from reference import formula_records
from reference.formula_records import CRITICAL, EXPONENT, LEVEL, OPENED, SHORT
from reference.made_up_findings import CLOSED_AT, plan_with
from scipy.special import ndtr

from percsim.findings import find
from percsim.findings.ladder import ladder

SHAPE = {"value": 15, "basis": "measured"}


def found_of(**sections):
    plan = plan_with(
        filler={"diameter": "10 um", "aspect_ratio": SHAPE},
        temperature={"values": ["20 C"]},
        strain={"points": 2},
        explore={"weight_fraction": ["24 wt%", "28 wt%", "34 wt%"]},
        boxes={"count": 4, "variations": 24},
        **sections,
    )
    return find(plan, formula_records.records(plan))


def in_window(findings, candidate):
    """Probability that a film lies in the window, by the formula at every draw."""
    known, film = findings.known.values, candidate.castings.film
    loading = candidate.castings.loading
    expansion = findings.plan.thermal(loading.weight_fraction).expansion
    opened = np.outer(OPENED[::-1], known["lambda_T"] * expansion * (293.15 - CLOSED_AT))
    holds = ndtr(np.log(known["delta_b"] / opened))
    ratio = loading.volume_fraction * holds.mean(axis=0) / known["threshold"] / CRITICAL
    conducts = ratio > 1.0
    rho = LEVEL * np.where(conducts, ratio - 1.0, 1.0) ** -EXPONENT
    rho *= np.exp(0.5 * known["beta"] * (holds * opened).sum(axis=0) / holds.sum(axis=0))
    rho *= findings.plan.contact_parameters().g0 / known["g0"]
    low, high = findings.target.window
    ohms = film.resistance(rho, rho * SHORT)
    return float(np.mean(conducts & (ohms >= low) & (ohms <= high)))


def test_the_likeliest_recipe_is_that_of_the_formula():
    findings = found_of()
    made = ladder(findings, {})["ladder"]
    chances = [in_window(findings, c) for c in findings.choice.candidates]
    # readings scatter beside the films, and 1024 draws know a share to 0.02
    assert made["best_single_probability"] == pytest.approx(max(chances), abs=0.04)
    assert chances[made["best_single"]] == pytest.approx(max(chances), abs=0.04)
    for rung in made["rungs"]:
        assert rung["in_window"] == pytest.approx(chances[rung["candidate"]], abs=0.04)
        assert rung["cup"] == rung["candidate"] // 2  # two gaps a loading
    assert made["best_single_probability"] < made["covered"] <= made["reachable"]
    assert set(made["known"]) == {p.name for p in findings.known.priors.free}


def test_nothing_is_cast_first_where_films_were_measured_or_the_level_is_known():
    known = {"g0": {"value": "80 uS", "basis": "measured"}}
    assert ladder(found_of(contacts=known), {}) == {}
    row = {"weight_fraction": "28 wt%", "electrode_gap": "2 mm", "resistance": "1 kohm"}
    plan = found_of().plan
    mapping = plan.as_dict() | {"measured": [row]}
    read = type(plan).from_dict(mapping)
    assert ladder(find(read, formula_records.records(read)), {}) == {}
