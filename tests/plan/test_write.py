"""A plan written comes back, and its hash sees what matters."""

from __future__ import annotations

import json
import pickle
import tomllib
from typing import Any

import pytest
from plan.plans import BASE, changed

from percsim.plan import Plan
from percsim.plan.sections import OPTIONAL, SECTIONS


@pytest.mark.parametrize(
    "mapping",
    [
        BASE,
        changed(
            filler={"kind": "rod", "length": "20 um", "diameter": None},
            temperature={"values": ["-10 C", "60 C"]},
            strain={"window": "-500 to 8000 microstrain", "points": 9},
            contacts={
                "g0": {
                    "value": "1.234 uS",
                    "basis": "measured",
                    "source": 'cell "B", 2 mm',
                },
                "closed_at": "-65.5 C",
            },
            boxes={"lengths": ["90 um", "0.15 mm", "20 D"]},
            target={"resistance": "0.7 to 3 kohm", "series_resistor": "1.8 kohm"},
            batch={"solvent": "heptane", "wet_thickness": "0.33 mm", "mass": "55 g"},
        ),
        changed(contacts={"model": "affine", "barrier_height": "1.5 eV"}),
        changed(filler={"kind": "sphere", "aspect_ratio": None}),
    ],
)
def test_round_trip_through_dict_json_toml_and_pickle(mapping: dict[str, Any]) -> None:
    plan = Plan.from_dict(mapping, name="film.toml")
    again = Plan.from_dict(json.loads(json.dumps(plan.as_dict())))
    assert again.as_dict() == plan.as_dict()
    assert again.states(0.26) == plan.states(0.26)
    assert again.hash == plan.hash
    assert tomllib.loads(plan.text) == plan.as_dict()
    assert pickle.loads(pickle.dumps(plan)).hash == plan.hash


def test_hash_sees_what_matters_and_not_the_title_or_spelling() -> None:
    reference = Plan.from_dict(BASE).hash
    assert Plan.from_dict(changed(title="another")).hash == reference
    assert Plan.from_dict(changed(film={"thickness": "200 um"})).hash == reference
    assert Plan.from_dict(changed(contacts={"beta": 100.0})).hash == reference
    for change in (
        {"seed": 8162},
        {"film": {"thickness": "0.21 mm"}},
        {"contacts": {"beta": 101}},
        {"boxes": {"count": 25}},
        {"explore": {"electrode_gap": ["2 mm", "3 mm"]}},
        {"filler": {"aspect_ratio": {"value": 15, "basis": "measured"}}},
    ):
        assert Plan.from_dict(changed(**change)).hash != reference


def test_as_dict_leaves_no_default_unsaid() -> None:
    filled = Plan.from_dict(BASE).as_dict()
    assert set(filled) == {"title", "seed", *SECTIONS} - set(OPTIONAL)
    assert filled["contacts"]["closed_at"] == {"value": "0 C", "basis": "assumed"}
    assert filled["tolerances"]["thickness"] == "8 %"
    assert filled["elastomer"]["thermal_expansion"] == "310 ppm/K"
