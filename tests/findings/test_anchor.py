"""Measured rows in the summary."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.closed_form_films import FILM, ClosedForm, mixed
from reference.findings import PLAN, findings

from percsim.boxes.store import encode_json
from percsim.errors import PlanError
from percsim.findings.agreement import batch_agreement
from percsim.findings.anchor import learn, measured_films, plan_readings
from percsim.findings.day_one import day_one
from percsim.report.alternatives import refused_measured, why_not_measured
from percsim.report.answer import headline

MEDIANS = {"g0": 8e-5, "beta": 100.0, "delta_b": 0.01, "lambda_T": 0.3, "Ea": 0.0}


def read(weight, gap, thickness=0.2e-3):
    """R of the formula at the medians [kohm], to three digits as a bench writes it."""
    film = replace(FILM, electrode_gap=gap, thickness=thickness)
    phi = mixed(weight).volume_fraction
    log_r = ClosedForm().log_resistance(film, phi, MEDIANS)[0, 0]
    return f"{1e-3 * np.exp(log_r):.3g} kohm"


ROWS = [
    {"weight_fraction": "26 wt%", "electrode_gap": "3 mm", "resistance": read(0.26, 3e-3),
     "films": 3, "change": "6 %", "strain": "3000 microstrain", "note": "cup 1"},
    {"weight_fraction": "30 wt%", "electrode_gap": "3 mm",
     "resistance": read(0.30, 3e-3, 0.21e-3), "films": 3, "thickness": "0.21 mm"},
    {"weight_fraction": "34 wt%", "electrode_gap": "2 mm", "resistance": read(0.34, 2e-3),
     "films": 3},
]  # fmt: skip
LEVEL = float(read(0.30, 3e-3).split()[0])
"""R of 30 wt% at 3 mm [kohm]."""


def times(*factors):
    return [f"{factor * LEVEL:.3g} kohm" for factor in factors]


@pytest.fixture(scope="module")
def found():
    return findings(ROWS)


@pytest.fixture(scope="module")
def section(found):
    return measured_films(found, {})["anchor"]


def test_rows_narrow_what_is_predicted(found, section):
    before = day_one(found, {})["day_one"]
    for wide, narrow in zip(before["candidates"], section["candidates"], strict=True):
        a, b = wide["film_resistance_ohm"], narrow["film_resistance_ohm"]
        if a["p95"] != float("inf"):
            assert b["p95"] / b["p05"] < 0.5 * a["p95"] / a["p05"]
        assert narrow["open"] <= wide["open"]
    best = max(row["pass_share"] for row in before["candidates"])
    assert section["candidates"][section["best"]]["pass_share"] > best
    g0 = next(row for row in section["parameters"] if row["name"] == "g0")
    assert g0["posterior"]["p05"] < 8e-5 < g0["posterior"]["p95"]
    assert g0["width_left"] < 0.5
    assert len(g0["curve"]["value"]) == len(g0["curve"]["posterior"])
    assert section["effective_draws"] > 200


def test_every_row_is_shown_with_what_was_expected(section):
    assert [row["label"] for row in section["rows"]] == ["cup 1", "row 2", "row 3"]
    first, second, _ = section["rows"]
    assert first["expected_ohm"]["p05"] < first["resistance_ohm"]
    assert first["resistance_ohm"] < first["expected_ohm"]["p95"]
    assert first["expected_change"]["p05"] < 0.06 < first["expected_change"]["p95"]
    assert second["expected_change"] is None
    assert second["thickness_m"] == pytest.approx(2.1e-4)
    assert not any(row["outlier"] for row in section["rows"])
    assert len(section["next"]) == 5


def test_same_digits_again(found, section):
    again = measured_films(found, {"reasons": ["as planned"]})
    assert encode_json(again["anchor"]) == encode_json(section)
    # the decision as planned stays, behind what the readings make of it
    assert again["reasons"][0].startswith("the measured films tell: ")
    assert again["reasons_as_planned"] == ["as planned"]


def test_measured_films_are_held_against_every_limit(found, section):
    """A share that passes is not enough: the spread of R has a limit of its own."""
    best = section["candidates"][section["best"]]
    assert section["meets_target"]
    assert all(m["met"] for m in section["margins"])
    assert best["resistance_cv"]["median"] > 0.15
    target = PLAN["target"] | {"largest_resistance_cv": "15 %"}
    again = measured_films(findings(ROWS, target=target), {})
    tight = again["anchor"]
    assert tight["candidates"][tight["best"]]["pass_share"] >= 0.8
    assert not tight["meets_target"]
    assert [m["target"] for m in tight["margins"] if not m["met"]] == [
        "CV of resistance, at most"
    ]
    assert again["reasons"][1].endswith("it misses CV of resistance")
    headline_of = {"candidates": found.decision.as_dict()["candidates"],
                   "chosen": 0, "nearest": None, **again}  # fmt: skip
    assert headline(headline_of).startswith("No candidate meets every target")
    chosen = headline_of | {"anchor": section}
    row = found.decision.candidates[section["candidate"]]
    weight = row.castings.fit.loading.weight_fraction
    assert headline(chosen).startswith(f"Cast {100 * weight:.4g} wt% filler")


def test_the_page_says_what_each_other_candidate_misses_by_the_films(section):
    told = refused_measured(section)["rows"]
    assert len(told) == len(section["candidates"]) - 1
    others = [r for k, r in enumerate(section["candidates"]) if k != section["best"]]
    low, high = section["window_ohm"]
    for row, cells in zip(others, (r["cells"] for r in told), strict=True):
        median = row["casting_resistance_ohm"]["median"]
        why = cells[-1]
        if median == np.inf:
            assert "the median casting is open" in why
            continue
        assert ("kohm, at most 3 kohm" in why) == (median > high)
        assert ("ohm, at least 700 ohm" in why) == (median < low)
        passes = all(m["met"] for m in row["margins"])
        assert (why == "meets the targets, fewer castings pass") == passes
    near = {**others[0], "trusted": False}
    assert why_not_measured(near).startswith("too near the threshold")


def test_a_plan_without_rows_has_no_such_chapter():
    assert measured_films(findings(), {}) == {}


def batch(*resistances, **keys):
    row = {"weight_fraction": "30 wt%", "electrode_gap": "3 mm"} | keys
    return plan_readings(findings([{**row, "resistance": r} for r in resistances]).plan)


def test_films_that_were_read_decide_where_no_threshold_is_foreseeable():
    filler = PLAN["filler"] | {"name": "carbon nanotube"}
    learned = learn(findings(ROWS, filler=filler))
    assert learned.findings.decision.withheld == ""
    assert learned.findings.decision.chosen is not None
    # nothing read: it rests on nothing, and a chance is all that is told
    assert findings(filler=filler).plan.contact_parameters().powder.unforeseeable


def test_a_batch_is_judged_by_what_the_rows_left_open(found):
    good = batch_agreement(found, batch(*times(0.95, 1.1, 1.0)))
    assert good["verdict"] == "accept"
    assert good["anchored_rows"] == 3
    assert good["predicted_ohm"]["p05"] < 1e3 * LEVEL < good["predicted_ohm"]["p95"]
    bad = batch_agreement(found, batch(*times(3.0, 3.4, 3.2)))
    assert bad["verdict"] == "reject"
    assert bad["causes"][0]["name"] != "none"
    # nothing measured before: ten times off is no surprise
    assert batch_agreement(findings(), batch(*times(3.0)))["verdict"] == "accept"


def test_sizes_as_measured_are_taken_out(found):
    thin = batch(*times(1.9, 2.1), thickness="0.1 mm")
    judged = batch_agreement(found, thin)
    assert judged["measured_sizes"] == ["thickness"]
    assert judged["verdict"] == "accept"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (lambda: batch("1 kohm", films=3), "film by film"),
        (
            lambda: (*batch("1 kohm", batch="cup 1"), *batch("2 kohm", batch="cup 2")),
            "come from 2 cups",
        ),
        (
            lambda: (*batch("1 kohm"), *batch("1 kohm", weight_fraction="26 wt%")),
            "2 loadings",
        ),
        (lambda: batch("1 kohm", strain="1000 microstrain"), "at rest and 20 C"),
    ],
)
def test_what_is_no_batch_is_refused(found, rows, message):
    with pytest.raises(PlanError, match=message):
        batch_agreement(found, rows())


def test_a_plan_without_responses_has_nothing_to_judge_by():
    found = replace(findings(), responses=None)
    with pytest.raises(PlanError, match="not solved at other settings"):
        batch_agreement(found, batch("1 kohm"))
