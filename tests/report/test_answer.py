"""What a summary says of its candidates: margins, the deciding one, open films."""

from __future__ import annotations

import json
import math

import pytest

from percsim.boxes.store import encode_json
from percsim.report.candidates import (
    deciding_index,
    margin_rows,
    margin_text,
    open_films_marked,
)


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


def test_deciding_index_ignores_what_is_no_index(invented):
    run = invented()
    assert deciding_index(run.summary) == (run.summary["chosen"], True)
    assert deciding_index({"candidates": [{}], "chosen": 4, "nearest": 0}) == (0, False)
    assert deciding_index({"candidates": [{}], "chosen": None, "nearest": None}) == (
        None,
        False,
    )


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
