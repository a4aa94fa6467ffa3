"""Knobs: every key of the plan that turns, its words, and the text of the changed plan."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import pytest
from live.conftest import PLAN

from percsim.live.knobs import KNOBS, basis, dials, edited, turned
from percsim.plan import Plan
from percsim.words.live import GROUPS, LABELS, tolerance_label

TURNS = {
    "target.pull": "first",
    "target.resistance.from": "0.5 kohm", "target.resistance.to": "4 kohm",
    "target.smallest_gauge_factor": "12", "target.largest_resistance_cv": "",
    "target.largest_gauge_factor_cv": "20 %", "target.pass_share": "70 %",
    "target.supply": "5 V", "target.series_resistor": "2.2 kohm",
    "explore.electrode_gap": "2 mm; 4 mm", "film.thickness": "0.3 mm",
    "film.width": "7.5 mm", "elastomer.mix_ratio": "9:1", "batch.mass": "40 g",
    "batch.films": "60", "explore.weight_fraction": "24 wt%, 30 wt%, 36 wt%",
    "filler.aspect_ratio.value": "18", "filler.diameter.median": "12 um",
    "filler.orientation": "in-plane", "strain.window": "0 to 2000 microstrain",
    "tolerances.known_within": "1.5",
}  # fmt: skip


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    file = tmp_path_factory.mktemp("plan") / "patch.toml"
    file.write_text(PLAN)
    return Plan.load(file)


@pytest.mark.parametrize("knob", KNOBS, ids=lambda k: k.key)
def test_every_knob_is_a_key_with_words_and_a_slider_within_its_range(knob):
    assert knob.group in GROUPS
    assert LABELS.get(knob.key) or tolerance_label(knob.name)
    assert len(knob.help) > 5
    for end in filter(None, (knob.low, knob.high)):
        knob.read(end)  # refuses what is out of range


def test_dials_stand_as_the_plan_does(plan):
    own = {d.knob.key: d for d in dials(plan)}
    assert "supply.voltage" not in own
    assert own["film.width"].text == "6 mm"
    assert (own["film.width"].value, own["film.width"].unit) == (6.0, "mm")
    assert own["target.resistance.from"].text == "0.7 kohm"
    assert own["elastomer.mix_ratio"].text == "7:1"
    assert own["filler.aspect_ratio.value"].text == "15"
    assert own["filler.orientation"].options == ("isotropic", "in-plane", "aligned")
    assert own["explore.electrode_gap"].text == "2 mm, 3 mm, 5 mm"


def test_an_axis_takes_the_place_of_its_knob(plan):
    told = plan.as_dict()
    told["explore"]["mix_ratio"] = ["5:1", "7:1"]
    told["supply"] = {"voltage": "5 V"}
    keys = {d.knob.key for d in dials(Plan.from_dict(told))}
    assert "elastomer.mix_ratio" not in keys
    assert {"supply.voltage", "supply.series_resistor"} <= keys
    assert "target.supply" not in keys


@pytest.mark.parametrize("key", [k.key for k in KNOBS if k.section != "supply"])
def test_the_changed_text_reads_as_the_changed_plan_and_keeps_its_lines(plan, key):
    settings = {key: TURNS.get(key, "3.5 %")}
    if key in ("tolerances.electrode_gap", "tolerances.electrode_skew", "tolerances.width"):
        settings = {key: "0.2 mm"}
    changed, faults = turned(plan, settings)
    assert faults == {}
    assert changed.as_dict() != plan.as_dict()
    text = edited(plan, changed, settings)
    again = Plan.from_dict(tomllib.loads(text))
    assert again.as_dict() == changed.as_dict()
    assert "# a milled flake" in text
    apart = set(text.splitlines()) ^ set(plan.text.splitlines())
    assert len(apart) <= 3


def test_all_at_once(plan):
    settings = {k: v for k, v in TURNS.items() if k != "batch.mass"}
    changed, faults = turned(plan, settings)
    assert faults == {}
    text = edited(plan, changed, settings)
    assert Plan.from_dict(tomllib.loads(text)).as_dict() == changed.as_dict()
    # a text whose lines cannot be kept is filled in
    folded = plan.text.replace('["2 mm", "3 mm", "5 mm"]', '[\n"2 mm", "3 mm", "5 mm"]')
    text = edited(replace(plan, text=folded), changed, settings)
    assert Plan.from_dict(tomllib.loads(text)).as_dict() == changed.as_dict()


def test_faults_stand_at_their_keys(plan):
    same, faults = turned(
        plan, {"film.width": "", "film.height": "1 mm", "target.pass_share": "200 %"}
    )
    assert same is plan
    assert faults["film.width"] == "is missing"
    assert faults["film.height"] == "no knob"
    assert "too large" in faults["target.pass_share"]
    assert "must rise" in turned(plan, {"target.resistance.from": "8 kohm"})[1][""]


def test_what_a_tolerance_rests_on(plan):
    knobs = {k.key: k for k in KNOBS}
    mixing, aspect = knobs["tolerances.mixing"], knobs["tolerances.aspect_ratio"]
    assert basis(plan, {}, mixing, learnt=False) == "default"
    assert basis(plan, {}, aspect, learnt=False) == "plan"
    assert basis(plan, {}, mixing, learnt=True) == "measured"
    assert basis(plan, {"tolerances.mixing": "1 %"}, mixing, learnt=True) == "wish"
