"""Measured rows in the summary."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reference.findings import PLAN, findings, plan_with, row_of

from percsim.advice import plan_readings
from percsim.boxes.store import encode_json
from percsim.decision.batch import PRIOR_FAULT
from percsim.errors import PlanError
from percsim.findings.agreement import batch_agreement
from percsim.findings.anchor import measured_films
from percsim.findings.day_one import day_one
from percsim.findings.film import film
from percsim.findings.rows import summary_of_choice
from percsim.findings.spread import spread
from percsim.packing import plain
from percsim.report.agreement import agreement_text


@pytest.fixture(scope="module")
def planned():
    return findings()


@pytest.fixture(scope="module")
def rows(planned):
    """Films that read what the plan says, of three loadings."""
    cast = planned.whole.candidates
    return [
        row_of(cast[3], change="12.5 %", strain="3000 microstrain", note="cup 1"),
        row_of(cast[5], 1.0 / 1.05, thickness="0.21 mm"),
        row_of(cast[6]),
    ]


@pytest.fixture(scope="module")
def found(rows):
    return findings(rows)


@pytest.fixture(scope="module")
def section(found):
    return plain(measured_films(found))


def test_rows_narrow_what_is_predicted(found, section):
    before = plain(day_one(found))
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
    assert section["effective_draws"] > 100


def test_every_row_is_shown_with_what_was_expected(section):
    assert [row["label"] for row in section["rows"]] == ["cup 1", "row 2", "row 3"]
    first, second, _ = section["rows"]
    assert first["expected_ohm"]["p05"] < first["resistance_ohm"]
    assert first["resistance_ohm"] < first["expected_ohm"]["p95"]
    assert first["expected_change"]["p05"] < 0.125 < first["expected_change"]["p95"]
    assert second["expected_change"] is None
    assert second["thickness_m"] == pytest.approx(2.1e-4)
    assert not any(row["outlier"] for row in section["rows"])


def test_same_digits_again(found, section):
    assert encode_json(plain(measured_films(found))) == encode_json(section)


def test_the_decision_as_planned_stays_behind_that_of_the_films(found, planned):
    told, before = summary_of_choice(found), summary_of_choice(planned)
    assert told["reasons"][0].startswith("the measured films tell: ")
    assert told["reasons_as_planned"] == before["reasons"]
    assert told["as_planned"]["candidates"] != told["candidates"]
    assert len(told["as_planned"]["candidates"]) == len(told["candidates"])
    assert "as_planned" not in before


def test_tolerances_that_films_scaled_are_said_to_be(found, planned, section):
    """Else the chapter would call what films told a judgement."""
    scale = section["bench_scatter"]["median"]
    assert spread(found)["basis"].endswith(f"all times {scale:.2g} by the measured films")
    assert "films" not in spread(planned)["basis"]


def test_candidates_of_the_summary_are_those_of_the_films(found, section):
    told = summary_of_choice(found)
    assert told["chosen"] == (section["best"] if section["meets_target"] else None)
    for candidate, own in zip(told["candidates"], section["candidates"], strict=True):
        share = candidate["pass_share"]
        assert share["value"] == own["pass_share"]
        assert share["low"] <= own["pass_share"] <= share["high"]
        level = own["casting_resistance_ohm"]
        for end in ("median", "p05", "p95"):
            assert candidate["resistance_ohm"][end] == level[end]
        assert candidate["meets_target"] == (not candidate["refused_because"])
        assert candidate["margins"] == own["margins"]
        assert candidate["best_confidence"] == own["best"]


def test_one_threshold_is_told_in_every_place(found):
    """The median that films leave: beside the loading, of the film, on the first page."""
    own = found.threshold.volume_fraction
    for candidate in summary_of_choice(found)["candidates"]:
        ratio = candidate["volume_fraction"] / own
        assert candidate["threshold_ratio"] == pytest.approx(ratio)
    best = found.best
    assert film(found)["threshold_ratio"] == pytest.approx(best.threshold_ratio)
    assert film(found)["resistivity_ohm_m"] == pytest.approx(
        best.castings.resistivity[best.castings.visits.rest]
    )
    line = found.first.plot.threshold.median
    assert line == pytest.approx(found.recipe.at_volume_fraction(own).weight_fraction)


def test_what_stands_assumed_is_the_median_that_films_leave(found, section):
    """The table of assumptions and that of what readings tell are of one number."""
    told = {row["symbol"]: row["value"] for row in summary_of_choice(found)["assumptions"]}
    medians = {row["name"]: row["posterior"]["median"] for row in section["parameters"]}
    for symbol in ("beta", "delta_b", "lambda_T", "reclose", "healed", "relaxed"):
        assert told[symbol] == pytest.approx(medians[symbol]), symbol


def test_measured_films_are_held_against_every_limit(rows, section):
    """A share that passes is not enough: the spread of R has a limit of its own."""
    best = section["candidates"][section["best"]]
    assert section["meets_target"]
    assert all(m["met"] for m in section["margins"])
    assert best["resistance_cv"]["median"] > 0.15
    again = findings(rows, target={"largest_resistance_cv": "15 %"})
    tight = plain(measured_films(again))
    assert tight["candidates"][tight["best"]]["pass_share"] >= 0.8
    assert not tight["meets_target"]
    assert [m["target"] for m in tight["margins"] if not m["met"]] == [
        "CV of resistance, at most"
    ]
    assert (
        "no candidate meets every target: CV of resistance"
        in summary_of_choice(again)["reasons"][1]
    )


def test_a_plan_without_rows_has_no_such_chapter(planned):
    assert measured_films(planned) is None


def test_films_that_were_read_decide_where_no_threshold_is_foreseeable(rows):
    filler = PLAN["filler"] | {"name": "carbon nanotube"}
    told = summary_of_choice(findings(filler=filler))
    assert told["withheld"].startswith("threshold not foreseeable")
    assert told["chosen"] is None
    read = findings(rows, filler=filler)
    assert summary_of_choice(read)["withheld"] == ""
    assert read.whole.chosen is not None


def batch(planned, *factors, candidate=5, **keys):
    cast = planned.whole.candidates[candidate]
    rows = [{**row_of(cast, factor), "films": 1, **keys} for factor in factors]
    return plan_readings(plan_with(rows))


def test_a_batch_is_judged_by_what_the_rows_left_open(planned, found):
    good = batch_agreement(found, batch(planned, 0.95, 1.1, 1.0))
    assert good["verdict"] == "accept"
    assert good["anchored_rows"] == 3
    level = planned.whole.candidates[5].resistance.median
    assert (
        good["gaps"][0]["predicted_ohm"]["p05"]
        < level
        < good["gaps"][0]["predicted_ohm"]["p95"]
    )
    bad = batch_agreement(found, batch(planned, 6.0, 6.5, 6.2))
    assert bad["verdict"] == "reject"
    # what is not known of the film explains most of it, a fault more than before
    chances = {cause["name"]: cause["probability"] for cause in bad["causes"]}
    assert 1.0 - chances["none"] > PRIOR_FAULT
    # nothing measured before: ten times off is no surprise
    assert batch_agreement(planned, batch(planned, 6.0))["verdict"] == "accept"


def test_a_cup_of_several_gaps_is_judged_as_one(planned, found):
    """What a decision asks to cast: films at every gap, of one cup."""
    both = (
        *batch(planned, 0.95, 1.1, 1.0, candidate=4),
        *batch(planned, 1.05, 0.9, 1.0, candidate=5),
    )
    judged = batch_agreement(found, both)
    assert judged["verdict"] == "accept"
    assert (judged["films"], judged["open_films"]) == (6, 0)
    assert [row["electrode_gap_m"] for row in judged["gaps"]] == [2e-3, 3e-3]
    for row, k in zip(judged["gaps"], (4, 5), strict=True):
        level = planned.whole.candidates[k].resistance.median
        assert row["predicted_ohm"]["p05"] < level < row["predicted_ohm"]["p95"]
        assert row["measured_ohm"] == pytest.approx(level, rel=0.03)
    text = " ".join(agreement_text(judged))
    assert "6 films of 30 wt%: 2 mm gap: geometric mean" in text
    assert "; 3 mm gap: geometric mean" in text
    # one gap off by itself is no cup's doing: the films then scatter
    apart = (*both[:3], *batch(planned, 1.6, 1.7, 1.65, candidate=5))
    assert judged["scatter_probability"] > 0.5
    assert batch_agreement(found, apart)["scatter_probability"] < 0.1


def test_sizes_as_measured_are_taken_out(planned, found):
    thin = batch(planned, 1.9, 2.1, thickness="0.1 mm")
    judged = batch_agreement(found, thin)
    assert judged["measured_sizes"] == ["thickness"]
    assert judged["verdict"] == "accept"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (lambda p: batch(p, 1.0, films=3), "film by film"),
        (
            lambda p: (*batch(p, 1.0, batch="cup 1"), *batch(p, 1.0, batch="cup 2")),
            "come from 2 cups",
        ),
        (lambda p: (*batch(p, 1.0), *batch(p, 1.0, candidate=3)), "2 loadings"),
        (lambda p: batch(p, 1.0, temperature="60 C"), "at rest and 20 C"),
        (lambda p: batch(p, 1.0, strain="1000 microstrain"), "at rest and 20 C"),
    ],
)
def test_what_is_no_batch_is_refused(planned, rows, message):
    with pytest.raises(PlanError, match=message):
        batch_agreement(planned, rows(planned))


def test_a_plan_without_variations_has_nothing_to_judge_by(planned):
    films = planned.mix.films
    bare = replace(films, model=replace(films.model, surface=None))
    found = replace(planned, mix=replace(planned.mix, films=bare))
    with pytest.raises(PlanError, match="not solved at other settings"):
        batch_agreement(found, batch(planned, 1.0))
    assert day_one(found) is None
