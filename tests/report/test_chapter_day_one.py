"""Chapters of what is not known and of measured films, drawn from a formula's summary."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from reference.findings import PLAN, findings, plan_with

from percsim.advice import plan_readings
from percsim.boxes.store import encode_json
from percsim.findings.agreement import batch_agreement
from percsim.findings.anchor import measured_films
from percsim.findings.day_one import day_one
from percsim.findings.rows import summary_of_choice
from percsim.quantities import share, three
from percsim.report.agreement import agreement_text
from percsim.report.answer import expectation, measured_threshold_sentence
from percsim.report.candidates import candidate_label, unknown_share
from percsim.report.chapters import chapter_lines
from percsim.report.chapters.anchor import ANCHOR
from percsim.report.chapters.day_one import DAY_ONE
from percsim.report.series import Run

ROW = {"electrode_gap": "3 mm", "films": 3}
ROWS = [
    {**ROW, "weight_fraction": "22 wt%", "resistance": "open"},
    {**ROW, "weight_fraction": "26 wt%", "resistance": "4.4 kohm",
     "change": "8 %", "strain": "3000 microstrain"},
    {**ROW, "weight_fraction": "30 wt%", "resistance": "1.9 kohm"},
]  # fmt: skip


@pytest.fixture(scope="module")
def summary() -> dict[str, Any]:
    # so well known that these few readings settle the choice
    shape = {"value": 15, "factor": 1.8}
    level = {"value": "80 uS", "factor": 10}
    filler = PLAN["filler"] | {"aspect_ratio": shape}
    asked = {"pass_share": "60 %"}
    found = findings(ROWS, filler=filler, contacts={"g0": level}, target=asked)
    held: dict[str, Any] = summary_of_choice(found)
    held |= day_one(found, {}) | measured_films(found, {})
    return json.loads(encode_json(held))  # as read back: inf is a word


def words(chapter: Any, summary: dict[str, Any]) -> str:
    texts = []
    for block in chapter.blocks(summary):
        texts += [*block.get("entries", []), block.get("text", "")]
        for row in block.get("table", {}).get("rows", []):
            texts += [str(cell) for cell in row["cells"]]
    return " ".join(texts).replace("\u00a0", " ")


@pytest.mark.parametrize("chapter", [DAY_ONE, ANCHOR], ids=["day_one", "anchor"])
def test_every_figure_is_drawn_and_every_picture_has_one(
    chapter: Any, summary: Any
) -> None:
    shown = [b["name"] for b in chapter.blocks(summary) if b["kind"] == "picture"]
    assert sorted(shown) == sorted(chapter.figures)
    run = Run(summary)
    for entry in chapter.figures.values():
        figure = entry.draw(run)
        assert figure.axes
        assert (
            "5-95 %" in entry.caption(run)
            or "shares" in entry.caption(run)
            or ("before and after" in entry.caption(run))
        )


def test_day_one_says_what_its_bands_contain(summary: dict[str, Any]) -> None:
    text = words(DAY_ONE, summary)
    assert "5-95 % of R holds what is not known of contacts and threshold" in text
    assert "8 uS – 800 uS" in text  # x/ 10 of 80 uS
    assert "nan" not in text.lower()


def test_anchor_says_what_is_and_is_not_known(summary: dict[str, Any]) -> None:
    text = words(ANCHOR, summary)
    assert "3 measured rows replace what was assumed" in text
    assert "No reading away from 20 C" in text
    assert "Strain was read at one loading" in text
    assert "open" in text
    lines = ANCHOR.lines(summary)
    best = summary["anchor"]["candidates"][summary["anchor"]["best"]]
    assert lines[0].startswith(f"{candidate_label(best)} meets every target: with the")
    # what to cast is said by the decision alone
    assert "ast" not in " ".join(lines).replace("casting", "").replace("least", "")
    # what is decided from readings replaces what was not known
    assert DAY_ONE.lines(summary) == []


def test_agreement_in_words() -> None:
    rows = [{"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": r}
            for r in ("1.7 kohm", "1.9 kohm", "open")]  # fmt: skip
    found = findings(ROWS)
    films = plan_readings(plan_with(rows))
    text = "\n".join(agreement_text(batch_agreement(found, films)))
    assert text.startswith(("Accept", "Doubtful", "Reject"))
    assert "3 films of 30 wt% at 3 mm gap, 1 of 3 open" in text
    assert "3 measured rows narrow the prediction" in text.replace("\n", " ")
    assert "Likeliest cause" in text
    assert max(map(len, text.splitlines())) <= 110


def test_lines_after_readings_name_whose_they_are(summary: dict[str, Any]) -> None:
    # anything else is of the same candidate, at the values that the films tell
    told = chapter_lines({**summary, "chosen": 0, "nearest": None})
    assert "with the readings a casting has" in told[0]
    label = candidate_label(summary["candidates"][0])
    assert not any(line.startswith("For ") for line in told)  # nothing follows
    told = chapter_lines({**summary, "chosen": 0, "nearest": None, "currents": {
        "largest_contact_power_W": {"largest": 1e-8}, "hottest_share": {"mean": 0.2},
        "film_voltage_V": 1.5, "n_boxes": 20}})  # fmt: skip
    assert told[-2] == f"For {label}, at the values that the films make likeliest:"
    assert told[-1].startswith("The hottest 1 %")


def test_the_threshold_is_that_of_the_measured_films(summary: dict[str, Any]) -> None:
    row = next(r for r in summary["anchor"]["parameters"] if r["name"] == "threshold")
    said = measured_threshold_sentence(summary)
    assert f"at {three(row['posterior']['median'])} times the simulated one" in said
    assert measured_threshold_sentence({}) == ""


def test_day_one_share_of_a_candidate_is_beside_the_planned_one(
    summary: dict[str, Any],
) -> None:
    row = summary["day_one"]["candidates"][2]
    candidate = next(
        c
        for c in summary["candidates"]
        if c["weight_fraction"] == row["weight_fraction"]
        and c["electrode_gap_m"] == row["electrode_gap_m"]
    )
    unknown = unknown_share(summary, candidate)
    assert unknown == row["pass_share"]
    told = expectation(candidate, unknown)
    assert "hold" in told
    assert told.endswith(f"passes with probability {share(unknown)} %.")
    assert unknown_share({}, candidate) is None
    assert "as planned" not in expectation(candidate)


def test_a_cause_takes_no_more_away_than_there_is() -> None:
    rows = [{"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": r}
            for r in ("18 kohm", "20 kohm", "17 kohm")]  # fmt: skip
    result = batch_agreement(findings(ROWS), plan_readings(plan_with(rows)))
    causes = {c["name"]: c for c in result["causes"]}
    ratio = result["gaps"][0]["measured_ohm"] / result["gaps"][0]["predicted_ohm"]["median"]
    assert ratio > 6.0
    for name in ("contact", "thickness"):
        # R goes as 1/g0 and 1/thickness: off by 1/ratio - 1, less what chance explains
        cause = causes[name]
        assert 1.0 / ratio - 1.0 < cause["off_by"] < -0.1
        assert -1.0 < cause["low"] < cause["off_by"] < cause["high"]
    assert causes["none"]["off_by"] == 0.0
    text = " ".join(agreement_text(result))
    percents = [float(x) for x in re.findall(r"off by ([+-][0-9.]+) %", text)]
    assert percents
    assert min(percents) > -100.0


def test_open_films_alone_have_no_likeliest_cause() -> None:
    rows = [{"weight_fraction": "34 wt%", "electrode_gap": "3 mm", "resistance": "open"}]
    found = findings(ROWS)
    text = " ".join(agreement_text(batch_agreement(found, plan_readings(plan_with(rows)))))
    assert "Open films alone do not tell causes apart" in text
    assert "nothing out of the ordinary" not in text
