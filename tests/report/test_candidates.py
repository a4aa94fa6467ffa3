"""What a summary says of its candidates: the deciding one, open films."""

from __future__ import annotations

import json
import math

from percsim.boxes.store import encode_json
from percsim.report.candidates import deciding_index, open_films_marked


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
