"""The first page in words, from real findings and from pages made by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from reference.findings import findings

from percsim.decision.decide import Change, State, Why
from percsim.decision.outlook import Band
from percsim.first_page import Cause
from percsim.remarks import Remark
from percsim.words.first import (
    CAUSE_HEADS,
    HEADS,
    asked_cells,
    cause_cells,
    change_line,
    expected_lines,
    ohms,
    pull_line,
    recipe_line,
    remark_lines,
    row_cells,
    row_note,
    state_line,
)

ALL = "that one gap does all that is asked"


@pytest.fixture(scope="module")
def page():
    return findings().first


def test_a_cup_to_learn_by_is_said_with_its_own_p(page):
    told = state_line(page)
    w = 100 * page.cups[0].weight_fraction
    assert told.startswith(
        f"Cast to learn: one cup of {w:.4g} wt%, three films at each gap of 2 and 3 mm; P ="
    )
    assert told.endswith(f"P = {100 * page.probability:.0f} % {ALL}")
    unknown = state_line(replace(page, why=Why.UNKNOWN_THRESHOLD))
    assert "P =" not in unknown
    assert "nobody can foresee the threshold" in unknown


def test_the_pull_of_gauge_factors_is_said(page):
    conditioned, unstrained = (replace(page, pull=x) for x in ("conditioned", ""))
    assert "Gauge factors are of the conditioned film. In brackets" in row_note(conditioned)
    first = row_note(replace(page, pull="first"))
    assert "Gauge factors are on the first pull." in first
    assert pull_line(unstrained) == ""
    assert "Gauge" not in row_note(unstrained)


def test_ready_and_nothing_stand_in_one_line(page):
    told = state_line(replace(page, state=State.READY, why=Why.PROVED, probability=0.7))
    assert told.startswith(
        f"Ready: cast {recipe_line(page)}; films of one cup passed, P = 70 %"
    )
    window = state_line(replace(page, state=State.READY, why=Why.PROVED_WINDOW))
    assert window.startswith("Ready, its spread not assured: cast ")
    nothing = replace(
        page, state=State.NOTHING, why=Why.SPENT, probability=0.004, cast_before=3, cups=()
    )
    assert state_line(nothing).startswith(
        "Nothing here will do after three cups: P = 0.4 % that any recipe does all"
    )
    assert state_line(replace(nothing, why=Why.IMPROBABLE)).startswith(
        "Nothing here will do: "
    )


def test_gaps_that_do_equally_well_are_named_together(page):
    best = next(r for r in page.rows if r.is_best)
    alone = replace(best, ties=False)
    twin = replace(
        best, is_best=False, ties=True, place=replace(best.place, electrode_gap=0.5)
    )
    third = replace(twin, place=replace(best.place, electrode_gap=1.0))
    w, gap = 100 * best.place.weight_fraction, 1e3 * best.place.electrode_gap
    for rows, told in (
        ((alone,), f"{w:.4g} wt% at {gap:g} mm gap"),
        ((alone, twin), f"{w:.4g} wt% at {gap:g} or 500 mm gap, either will do"),
        ((alone, twin, third), f"{w:.4g} wt% at {gap:g}, 500 or 1000 mm gap, any will do"),
    ):
        assert recipe_line(replace(page, rows=rows)) == told


def test_no_r_is_written_that_no_bench_reads_nor_digits_that_it_has_not(page):
    assert ohms(8.56e11, page) == "open"
    assert ohms(8.56e8, page) == "860 Mohm"
    gigaohms = replace(page, plot=replace(page.plot, high=1e11))
    assert ohms(8.56e11, gigaohms) == "860 Gohm"
    row = page.rows[0]
    for band, told in (
        (Band(1566.0, 10.4, float("inf")), ("1.6 kohm", "(10 ohm to open)")),
        (Band(1566.0, 1540.0, 1580.0), ("1.57 kohm", "(1.54 to 1.58 kohm)")),
        (Band(float("inf"), float("inf"), float("inf")), ("open", "")),
    ):
        assert row_cells(replace(row, resistance=band), page)[1] == told


def test_every_row_has_a_cell_for_every_head(page):
    assert len(asked_cells(page)) == len(HEADS)
    assert asked_cells(page)[:3] == ("asked", "0.7 to 3 kohm", "≥ 10")
    for row in page.rows:
        assert len(row_cells(row, page)) == len(HEADS)
        assert row_cells(row, page)[5][0].startswith(f"{100 * row.probability:.0f}")


def test_what_halving_buys_is_said_where_it_buys_something(page):
    best = next(row for row in page.rows if row.is_best)
    page = replace(page, rows=(replace(best, probability=0.2),))
    cause = Cause("contact", "default", 0.12, 0.25, 0.246, 0.211, 0.03)
    told = (
        "contacts, from cure to cure",
        "12 %, default",
        "25 %",
        "25 to 21 %",
        "20 to 23 %",
    )
    assert cause_cells(cause, page) == told
    assert len(told) == len(CAUSE_HEADS)
    small = replace(cause, basis="by films", cv_halved=0.2459, gain=0.0)
    assert cause_cells(small, page)[1:] == ("12 %, by films", "25 %", "–", "–")


@pytest.mark.parametrize(
    ("remark", "told"),
    [
        (Remark("assumed", (), (10.0, 0.2, 5.0)),
         "Assumed: R may be 10 times off either way; the real threshold may be 0.2 to 5 "
         "times the simulated one."),
        (Remark("assumed", (), (1.0, 0.2, 5.0)),
         "Assumed: the real threshold may be 0.2 to 5 times the simulated one."),
        (Remark("assumed", (), (1e6, 1.0, 1.0)),
         "Assumed: R may be at any level, nothing is known of such contacts."),
        (Remark("outlier", ("row d",), (0.003,)),
         "Contradiction: row d does not fit the other readings (probability 0.003); check "
         "before the next cup."),
        (Remark("same films differ", ("row d", "row c"), (9000.0, 1000.0)),
         "Contradiction: row d and row c are equal films and read 9 kohm and 1 kohm."),
        (Remark("same films differ", ("d", "c", "e", "f"), (9000.0, 1000.0)),
         "Contradiction: d and c are equal films and read 9 kohm and 1 kohm; e and f do "
         "not fit the other readings."),
        (Remark("far from assumed", ("g0",), (-3.2,)),
         "Contradiction: the contact conductance g0 comes out 3.2 standard deviations "
         "below what was assumed; check units, sizes and the plan."),
        (Remark("read and enter"),
         "Next: read R at 20 C, at rest and at 3000 microstrain; fill in cups.csv "
         "for 'percsim anchor'."),
        (Remark("read and enter", ("conditioned",)),
         "Next: read R at 20 C after a pull over the window, at rest and at 3000 "
         "microstrain; fill in cups.csv for 'percsim anchor'."),
        (Remark("still assumed", ("g0", "beta", "delta_b", "scatter")),
         "Assumed still: level of R, how contacts answer strain and scatter of the bench."),
    ],
)  # fmt: skip
def test_remarks_are_plain_sentences(page, remark, told):
    (line,) = remark_lines(replace(page, remarks=(remark,)))
    assert line.replace("\u00a0", " ") == told


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (Change("gap", "", 4e-3, 0.62), "lengthen the gap to 4 mm: P = 62 %"),
        (Change("loading", "", 0.4, 0.5), "raise the loading to 40 wt%: P = 50 %"),
        (Change("window", "", 2.0, 0.5), "move the window to 1.4 to 6 kohm: P = 50 %"),
        (Change("tolerance", "mixing_within", 0.01, 0.5),
         "halve the tolerance of unevenness inside a film: P = 50 %"),
        (Change("limit", "resistance_cv", 0.4, 0.5), "allow a CV of R of 40 %: P = 50 %"),
        (Change("limit", "pass_share", 0.6, 0.5), "ask for 60 % of the castings: P = 50 %"),
    ],
)  # fmt: skip
def test_a_change_is_said_with_what_it_does(page, change, told):
    assert change_line(change, page) == told
    remarks = (Remark("change"),)
    (line,) = remark_lines(replace(page, remarks=remarks, changes=(change,)))
    assert line.replace("\u00a0", " ") == f"Next: {told}."
    settled = (Remark("change", (), (0.1,)),)
    (line,) = remark_lines(replace(page, remarks=settled, changes=(change,)))
    assert line.replace("\u00a0", " ") == f"Next: more films would not change this; {told}."


def test_each_film_of_the_cup_is_told_what_to_expect(page):
    lines = expected_lines(page)
    assert [line.partition(":")[0] for line in lines] == ["2 mm gap", "3 mm gap"]
