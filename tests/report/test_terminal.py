"""The first page on the command line: its limits, and the numbers of the page."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from reference.findings import findings, row_of

from percsim.decision.decide import State
from percsim.remarks import Remark
from percsim.report.chapter import chapter, table
from percsim.report.terminal import details_text, first_text
from percsim.words.first import state_line


@pytest.fixture(scope="module")
def learn():
    return findings()


@pytest.fixture(scope="module")
def anchored(learn):
    cast = learn.whole.candidates
    rows = [row_of(cast[k], batch="a", change="3 %", strain="3000 microstrain")
            for k in (4, 5)]  # fmt: skip
    return findings(rows)


@pytest.fixture(scope="module")
def nothing(learn):
    cast = learn.whole.candidates
    rows = [row_of(cast[k], batch=str(k)) for k in (3, 5, 6)]
    return findings(rows, target={"largest_resistance_cv": "15 %"})


@pytest.mark.parametrize("name", ["learn", "anchored", "nothing"])
def test_the_terminal_keeps_its_limits(name, request):
    page = request.getfixturevalue(name).first
    text = first_text(page, "out/film")
    lines = text.splitlines()
    assert text.isascii()
    assert len(lines) <= 18
    assert len(text.split()) <= 200
    assert max(map(len, lines)) <= 92
    assert " ".join(text.split()).startswith(state_line(page))
    assert lines[-1] == "Page: out/film/report.html"
    assert name != "nothing" or any(line.startswith("Next: ") for line in lines)
    own = next(row for row in page.rows if row.is_best)
    marked = [
        line for line in lines if line.startswith("cast  " if own.in_cup else "best  ")
    ]
    assert any(f"{100 * own.place.weight_fraction:.4g} wt%" in line for line in marked)
    for cup in page.cups:
        for part in cup.parts:
            assert f"{part.reading:.2f} g {part.name}" in text


def test_recipes_of_several_mixes_keep_to_the_width_under_their_names(learn):
    page, names = learn.first, ("0.15 mm film, 20 um filler, aspect ratio 12, 7:1", "10:1")
    rows = tuple(
        replace(row, place=replace(row.place, mix=names[k > 1]),
                misses="thermal_output high", miss_chance=0.9)
        for k, row in enumerate(page.rows)
    )  # fmt: skip
    lines = first_text(replace(page, rows=rows, causes=()), "out").splitlines()
    assert max(map(len, lines)) <= 92
    assert len(lines) <= 18
    a, b = (lines.index(f"{name}:") for name in names)
    assert a + 2 < b
    assert "thermal output too large" in " ".join(" ".join(lines).split())


def test_states_of_the_fixtures_differ(learn, anchored, nothing):
    states = [f.first.state for f in (learn, anchored, nothing)]
    assert states[0] is State.LEARN
    assert states[2] is State.NOTHING
    assert anchored.first.probability != learn.first.probability


def test_what_contradicts_is_said_and_recipes_make_room_for_it(learn):
    names = tuple(f"film {k} of the cup cast on the last day" for k in range(3))
    page = replace(learn.first, remarks=(Remark("outlier", names, (0.003,)),))
    page = replace(page, rows=tuple(replace(r, misses="spread", miss_chance=0.5)
                                    for r in page.rows))  # fmt: skip
    text = first_text(page, "a folder with a rather long name of many words")
    assert "do not fit the other readings" in " ".join(text.split())
    assert len(text.split()) <= 200
    assert sum(line.startswith(("best  ", "cast  ")) for line in text.splitlines()) >= 1
    assert len(text.splitlines()) < len(first_text(page, "out").splitlines()) + 2


def test_a_cup_that_is_too_stiff_or_too_small_is_said(learn):
    (cup,) = learn.first.cups
    quiet = first_text(learn.first, "out")
    assert "jam" not in quiet
    for changes, told in (
        ({"solids": 1.04}, "It cannot be cast: solids at 104 % of those that jam."),
        ({"solids": 0.84, "thickening": 39.0}, "about 39 times as thick"),
        ({"uncertainty": 0.02, "tolerance": 0.005}, "Too little for this balance"),
        ({"step": 1.0}, "Few steps of the balance: "),
    ):
        page = replace(learn.first, cups=(replace(cup, **changes),))
        assert told in " ".join(first_text(page, "out").split())


def test_details_hold_remarks_cautions_and_chapters(learn):
    rows = table(("what", "#so much|g"), [("one", "1"), ("other", "22")])
    text = details_text(learn.first, [chapter("own", "A claim", "Its words.", table=rows)])
    lines = text.splitlines()
    at = lines.index("A claim.")
    assert lines[at + 1] == "Its words."
    assert [line.split() for line in lines[at + 2 :]] == [
        ["what", "so", "much", "g"], ["one", "1"], ["other", "22"],
    ]  # fmt: skip
    assert "Next: read R" in text
    assert learn.first.cautions[0] in " ".join(text.split())
    assert all(len(line) <= 92 for line in text.splitlines())


def test_rows_come_by_loading(learn):
    weights = [row.place.weight_fraction for row in learn.first.rows]
    assert all(a <= b for a, b in pairwise(weights))
