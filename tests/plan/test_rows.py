"""Measured rows of a plan and of a file, and how wide an assumption is."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import math
import tomllib
from typing import Any

import pytest
from plan.plans import BASE, changed, faults

from percsim.errors import PlanError
from percsim.plan import Plan

ROW = {"weight_fraction": "26 wt%", "electrode_gap": "3 mm", "resistance": "2.1 kohm"}


def test_measured_rows_are_read_and_written_and_change_no_box() -> None:
    rows = [
        {**ROW, "films": 3, "thickness": "0.21 mm", "note": "cup 1"},
        {**ROW, "resistance": "open"},
        {**ROW, "change": "5.2 %", "strain": "3000 microstrain", "spread": "15 %"},
    ]
    plan = Plan.from_dict(changed(measured=rows))
    first, second, third = plan.measured
    assert (first.resistance, first.films, first.thickness) == (2100.0, 3, 2.1e-4)
    assert second.resistance == math.inf
    assert third.change == pytest.approx(0.052)
    assert third.strain == pytest.approx(3e-3)
    assert Plan.from_dict(plan.as_dict()).measured == plan.measured
    assert plan.hash == Plan.from_dict(BASE).hash
    assert Plan.from_dict(tomllib.loads(plan.text)).measured == plan.measured
    assert "measured" not in Plan.from_dict(BASE).as_dict()


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (
            {"resistance": "-2 kohm"},
            "measured[1].resistance = '-2 kohm' is negative; a resistance is 0 or more",
        ),
        ({"resistance": "2.1"}, "measured[1].resistance = '2.1' has no unit"),
        ({"resistance": None}, "measured[1].resistance is missing; write it like"),
        (
            {"weight_fraction": "50 wt%"},
            "measured[1].weight_fraction = '50 wt%' is outside the plan's loadings, 26 to 30",
        ),
        ({"electrode_gap": "20 mm"}, "measured[1].electrode_gap = '20 mm' is longer than"),
        ({"thickness": "21 mm"}, "measured[1].thickness = '21 mm' is more than ten times"),
        (
            {"resistance": "open", "change": "2 %", "strain": "1000 microstrain"},
            "measured[1].change does not go with open films",
        ),
        ({"change": "2 %"}, "measured[1].change needs the strain or the temperature"),
        (
            {"change": "2 %", "strain": "9000 microstrain"},
            "measured[1].strain = '9000 microstrain' is outside the plan's window",
        ),
        (
            {"change": "2 %", "temperature": "60 C"},
            "measured[1].temperature = '60 C' is outside the plan's, 20 C; add it",
        ),
        ({"resistence": "2 kohm"}, "measured[1].resistence is not known; did you mean"),
        ({"films": 0}, "measured[1].films = 0 is out of range"),
    ],
)
def test_a_measured_row_that_cannot_be_is_told_in_one_line(
    row: dict[str, Any], message: str
) -> None:
    entry = {k: v for k, v in {**ROW, **row}.items() if v is not None}
    (line,) = faults(measured=[entry])
    assert line.startswith(message)


def test_measured_rows_of_a_file_are_checked_with_their_lines() -> None:
    plan = Plan.from_dict(BASE)
    more = plan.with_measured([{"row": 4, **ROW}], "cups.csv")
    assert len(more.measured) == 1
    assert more.hash == plan.hash
    with pytest.raises(PlanError) as caught:
        plan.with_measured(
            [{"row": 4, **ROW, "films": 0}, {"row": 5, **ROW, "electrode_gap": "3"}],
            "cups.csv",
        )
    assert [line[:40] for line in caught.value.faults] == [
        "cups.csv: line 4.films = 0 is out of ran",
        "cups.csv: line 5.electrode_gap = '3' has",
    ]


SEVERAL = {"mix_ratio": ["7:1", "10:1"], "aspect_ratio": [12, 15]}


def test_rows_of_a_plan_with_several_mixes_name_theirs() -> None:
    named = {**ROW, "mix_ratio": "10:1", "aspect_ratio": 15, "batch": "cup 1"}
    plan = Plan.from_dict(changed(explore=SEVERAL, measured=[named, {**named, "films": 2}]))
    assert plan.mix_of(plan.measured[0]) == (("aspect_ratio", 15.0), ("mix_ratio", 10.0))
    assert plan.mix_of(plan.measured[0]) in [mix.mix for mix in plan.mixes]
    assert plan.measured[0].batch == "cup 1"
    # of thicknesses it is the nearest to the measured one
    thin = Plan.from_dict(
        changed(
            explore={"thickness": ["0.1 mm", "0.2 mm"]},
            measured=[{**ROW, "thickness": "0.12 mm"}],
        )
    )
    assert thin.mix_of(thin.measured[0]) == (("thickness", 1e-4),)
    # a plan of one mix needs no name
    assert Plan.from_dict(changed(measured=[ROW])).mix_of(plan.measured[0]) == ()


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            [{"mix_ratio": "7:1"}],
            "measured[1].aspect_ratio is missing; the plan explores aspect ratios 12, 15:"
            " say the one of the films",
        ),
        (
            [{"mix_ratio": "8:1", "aspect_ratio": 12}],
            "measured[1].mix_ratio = '8:1' is not among the mix ratios that the plan"
            " explores, 7:1, 10:1",
        ),
        (
            [
                {"mix_ratio": "7:1", "aspect_ratio": 12},
                {"mix_ratio": "7:1", "aspect_ratio": 15},
            ],
            "measured[2].aspect_ratio is another than that of measured[1]; films tell of the"
            " mix they were cast of alone, so read one mix at a time",
        ),
        (
            [
                {"mix_ratio": "7:1", "aspect_ratio": 12, "batch": "a"},
                {"mix_ratio": "7:1", "aspect_ratio": 12, "batch": "a",
                 "weight_fraction": "28 wt%"},
            ],
            "measured[2].batch = 'a' holds 28 wt% here and 26 wt% in measured[1]; one cup has"
            " one loading",
        ),
    ],
)  # fmt: skip
def test_rows_that_do_not_fit_together_give_one_line(
    rows: list[dict[str, Any]], message: str
) -> None:
    measured = [{**ROW, **row} for row in rows]
    assert faults(explore=SEVERAL, measured=measured) == (message,)


def test_films_of_a_cup_that_pulling_closed_are_refused() -> None:
    cup, pulled = {**ROW, "batch": "a"}, {"strain": "1000 microstrain"}
    rest = [{**cup, "resistance": "open"}, cup]
    assert faults(measured=[*rest, {**cup, **pulled}, {**cup, **pulled}]) == (
        "measured[3].resistance is finite where films of 'a' were open at rest; pulling"
        " opens contacts, so check which row is which",
    )
    # as many open, other films, a cup of which fewer were pulled, of another cup
    broken = {**cup, **pulled, "resistance": "open"}
    for other in (
        [{**cup, **pulled}, broken],
        [{**cup, **pulled}],
        [{**cup, **pulled, "electrode_gap": "2 mm"}] * 2,
        [{**cup, **pulled, "batch": "b"}] * 2,
    ):
        assert len(Plan.from_dict(changed(measured=[*rest, *other])).measured) > 2


def test_rows_of_a_file_are_held_against_those_of_the_plan() -> None:
    plan = Plan.from_dict(changed(measured=[{**ROW, "batch": "a"}]))
    with pytest.raises(PlanError) as caught:
        plan.with_measured(
            [{"row": 2, **ROW, "batch": "a", "weight_fraction": "28 wt%"}], "cups.csv"
        )
    assert caught.value.faults == (
        "cups.csv: line 2.batch = 'a' holds 28 wt% here and 26 wt% in measured[1]; one cup"
        " has one loading",
    )


def test_how_wide_an_assumption_is_changes_no_box() -> None:
    stated = {"value": "80 uS", "basis": "assumed", "factor": 3}
    share = {"value": 0.3, "low": 0.2, "high": 0.5}
    plan = Plan.from_dict(changed(contacts={"g0": stated, "lambda_T": share}))
    found = plan.contact_parameters()
    assert found.factors == {"g0": 3.0}
    assert found.ranges == {"lambda_T": (0.2, 0.5)}
    assert plan.hash == Plan.from_dict(BASE).hash
    again = Plan.from_dict(plan.as_dict()).contacts
    assert (again.g0, again.lambda_T) == (plan.contacts.g0, plan.contacts.lambda_T)
    shape = {"value": 15, "basis": "measured", "factor": 1.2}
    measured = Plan.from_dict(changed(filler={"aspect_ratio": shape}))
    assert measured.contact_parameters().factors == {"aspect_ratio": 1.2}
    for wrong, message in (
        ({"value": 0.3, "low": 0.2}, "lambda_T.high is missing"),
        ({"value": 0.3, "low": 0.4, "high": 0.5}, "lambda_T.value must lie between"),
        ({"value": 0.3, "low": 0.1, "high": 0.5, "factor": 2}, "lambda_T.factor is there"),
        ({"value": 0, "factor": 2}, "lambda_T.factor of 0 means nothing"),
    ):
        (line,) = faults(contacts={"lambda_T": wrong})
        assert line.startswith(f"contacts.{message}")
    (line,) = faults(contacts={"closed_at": {"value": "-40 C", "factor": 1.2}})
    assert line.startswith("contacts.closed_at.factor of a temperature means nothing")
