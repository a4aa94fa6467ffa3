"""The decision in sentences and in plain text."""

from __future__ import annotations

import json
import math

import pytest

from percsim.boxes.store import encode_json
from percsim.quantities import with_error
from percsim.report.answer import first_steps, headline
from percsim.report.candidates import (
    candidate_label,
    deciding_index,
    margin_rows,
    margin_text,
    open_films_marked,
)
from percsim.report.terminal import text_summary


@pytest.mark.parametrize(
    ("margin", "text"),
    [
        ({"limit": 10.0, "value": 15.0, "met": True}, "+50 %"),
        ({"limit": 0.25, "value": 0.30, "met": False}, "-20 %"),
        ({"limit": [700.0, 3000.0], "value": 1000.0, "met": True}, "+42.9 %"),
        ({"limit": [700.0, 3000.0], "value": "inf", "met": False}, "–"),
        ({"limit": 0.0, "value": 1.0, "met": True}, "–"),
    ],
)
def test_margin_is_the_distance_from_the_limit(margin, text):
    assert margin_text(margin) == text


def test_json_holds_infinite_numbers_as_text(invented):
    run = invented()
    text = encode_json(run.summary)
    assert "Infinity" not in text
    back = json.loads(text)
    assert back["candidates"][0]["resistance_ohm"]["median"] == "inf"
    assert text_summary(back) == text_summary(run.summary)


def test_text_says_the_decision_first(invented):
    run = invented()
    text = text_summary(run.summary)
    assert text.isascii()
    lines = text.splitlines()
    assert lines[0] == run.summary["decision"]["text"] + "."
    assert lines[1].startswith("1. Cast these films from the one cup")
    assert "2 mm gap: 1 kohm (0.3 to 3 kohm); 3 mm gap" in " ".join(text.split())
    best = run.summary["candidates"][run.summary["chosen"]]
    at = lines.index(f"As planned {candidate_label(best)} meets every target:")
    assert lines[at + 1].startswith("Resistance ")
    assert sum(line.startswith("*  ") for line in lines) == 1
    assert sum("open" in line for line in lines) >= 3
    assert text.count("1/g0") == 1
    assert "not complete" not in text
    assert max(len(line) for line in lines) <= 92
    assert "simulation +- " in text
    made = run.copy()
    made.summary["reasons"] = ["resistances go as 1/g0 ± a lot"]
    assert "- Resistances go as 1/g0 +- a lot." in text_summary(made.summary).splitlines()
    assert text_summary(made.summary).count("1/g0") == 1


def test_text_says_plainly_that_none_meets_the_target(invented):
    run = invented(limits=(40.0, 60.0))
    text = text_summary(run.summary)
    assert run.summary["chosen"] is None
    assert text.startswith("Nothing here will do: that any recipe does has a probability")
    assert "1. " not in text
    assert "comes nearest to the target:" in text
    assert "What would have to change:" in text
    assert any(line.startswith(">  ") for line in text.splitlines())


def test_text_of_an_unfinished_run_and_of_an_empty_one(invented):
    run = invented()
    run.summary["complete"] = False
    assert "not complete" in text_summary(run.summary)
    assert text_summary({"candidates": []}) == "No candidate was evaluated."
    assert text_summary({}) == "No candidate was evaluated."


def test_deciding_index_ignores_what_is_no_index(invented):
    run = invented()
    assert deciding_index(run.summary) == (run.summary["chosen"], True)
    assert deciding_index({"candidates": [{}], "chosen": 4, "nearest": 0}) == (0, False)
    assert deciding_index({"candidates": [{}], "chosen": None, "nearest": None}) == (
        None,
        False,
    )


def test_a_measured_contact_conductance_is_not_called_assumed(invented):
    run = invented()
    run.summary["assumptions"][0]["basis"] = "measured"
    text = text_summary(run.summary)
    assert "is measured" in text
    assert "ten times" not in text


@pytest.mark.parametrize("state", ["cast to learn", "ready", "nothing here will do"])
def test_the_state_of_the_decision_is_the_first_line_and_steps_are_to_learn(
    invented, state
):
    """Whatever candidates do as planned, and whether or not films were read."""
    run = invented()
    text = f"{state.capitalize()}: what it says"
    run.summary["decision"] |= {"state": state, "text": text}
    assert headline(run.summary) == f"{text}."
    assert text_summary(run.summary).splitlines()[0] == f"{text}."
    assert bool(first_steps(run.summary)) == (state == "cast to learn")
    for lacking in ({}, {"decision": 7}, {"decision": None}):
        assert headline(lacking) == "No candidate was evaluated."
        assert first_steps(lacking) == []


def test_an_open_film_has_no_gauge_factor_whatever_stands_in_its_place(invented):
    made = invented()
    for candidate in made.summary["candidates"]:
        if math.isinf(candidate["resistance_ohm"]["median"]):
            candidate["gauge_factor"] = {"median": 0.0, "p05": 0.0, "p95": 0.0}
            candidate["gauge_factor_initial"] = 0.0
    before = made.copy().summary
    marked = open_films_marked(made.summary)
    assert made.summary == before
    factors = [c["gauge_factor"]["median"] for c in marked["candidates"]]
    assert sum(math.isinf(x) for x in factors) == 3
    assert text_summary(made.summary) == text_summary(marked)


def test_margins_that_round_to_their_limit_get_another_digit():
    margins = [
        {"target": "CV of resistance, at most", "limit": 0.25, "value": 0.24996,
         "unit": "1", "met": True, "within_error": True},
        {"target": "CV of gauge factor, at most", "limit": 0.25, "value": 0.25,
         "unit": "1", "met": True, "within_error": False},
        {"target": "share of castings that pass, at least", "limit": 0.8, "value": 0.7998,
         "unit": "1", "met": False},
    ]  # fmt: skip
    close, equal, share = margin_rows({"margins": margins})
    assert (close["limit"], close["value"]) == ("25.000 %", "24.996 %")
    assert close["close"]
    assert (equal["limit"], equal["value"]) == ("25 %", "25 %")
    assert not equal["close"]
    assert (share["limit"], share["value"]) == ("80.00 %", "79.98 %")


def test_a_margin_within_its_error_is_marked_in_the_text(invented):
    made = invented()
    text = text_summary(made.summary)
    assert "within its simulation error" not in text
    best = made.summary["candidates"][made.summary["chosen"]]
    best["margins"][0]["within_error"] = True
    lines = text_summary(made.summary).splitlines()
    (line,) = [x for x in lines if x.startswith(best["margins"][0]["target"])]
    assert " ~ " in line
    assert "~ within its simulation error." in lines


def test_gauge_factors_of_the_text_carry_their_error(invented):
    run = invented()
    best = run.summary["candidates"][run.summary["chosen"]]
    factor = best["gauge_factor"]
    told = with_error(factor["median"], factor["standard_error"]).replace("±", "+-")
    (line,) = [x for x in text_summary(run.summary).splitlines() if x.startswith("*  ")]
    assert told in line


TUNNELLING = [
    {"name": "contact area", "symbol": "contact_area", "value": 100.0, "unit": "nm2",
     "basis": "assumed", "source": "", "effect": ""},
    {"name": "threshold", "symbol": "phi_c", "value": 8.0, "unit": "vol%",
     "basis": "simulated", "source": "simulated; aspect ratio assumed, so", "effect": ""},
]  # fmt: skip


def test_the_level_of_a_tunnelling_plan_rests_on_area_barrier_and_gaps(invented):
    made = invented()
    made.summary["assumptions"] = TUNNELLING
    text = " ".join(text_summary(made.summary).split())
    assert "The contact area of 100 nm2 is assumed, not calibrated" in text
    assert "goes as 1/area" in text
    assert "may have either sign" in text
    assert "g0" not in text
    made.summary["reasons"] = ["every resistance goes as 1/area"]
    assert text_summary(made.summary).count("1/area") == 1
