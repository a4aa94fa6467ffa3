"""Numbers in bench units, files of rows, and the decision in plain text."""

from __future__ import annotations

import json
import math

import pytest

from percsim.boxes.store import encode_json
from percsim.report.tables import (
    BOX_COLUMNS,
    CASTING_COLUMNS,
    RESPONSE_COLUMNS,
    bench,
    deciding_index,
    first_steps,
    headline,
    margin_rows,
    margin_text,
    number,
    open_films_marked,
    percent,
    read_rows,
    rows_to_csv,
    sentence,
    share,
    simulation_error,
    text_summary,
    three,
    two,
    with_error,
    write_rows,
)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1234.5, "1230"),
        (0.99951, "1"),
        (9.999, "10"),
        (-0.01234, "-0.0123"),
        (1e5, "1e5"),
        (99949.0, "99900"),
        (1.5e-6, "1.5e-6"),
        (0.0, "0"),
        ("inf", "open"),
        (-math.inf, "-open"),
        (None, "–"),
        (math.nan, "–"),
        ("word", "–"),
        (True, "–"),
        (100, "100"),
    ],
)
def test_three_digits(value, text):
    assert three(value) == text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (700.0, "ohm", "700 ohm"),
        (2034.0, "ohm", "2.03 kohm"),
        (5.2e6, "ohm", "5.2 Mohm"),
        (math.inf, "ohm", "open"),
        (8e-5, "S", "80 uS"),
        (0.25, "fraction", "25 %"),
        (1e-5, "m", "10 um"),
        (3e-3, "m", "3 mm"),
        (253.15, "K", "-20 C"),
        (3e-3, "strain", "3000 microstrain"),
        (1.602176634e-21, "J", "10 meV"),
        (12.0, "", "12"),
        (4.0, "wt%", "4 wt%"),
        ("a word", "m", "a word"),
        (None, "m", "–"),
        (0.0, "ohm", "0 ohm"),
    ],
)
def test_bench_units(value, unit, text):
    assert bench(value, unit) == text


def test_shares_are_whole_per_cent_and_finer_at_the_ends():
    # 0.9995 rounds to 100.0, which would stand beside the 100 of a true 1
    values = (0.0, 2e-4, 0.0031, 0.4349, 0.997, 0.9994, 0.9995, 0.9998, 1.0)
    assert [share(x) for x in values] == [
        "0",
        "<0.1",
        "0.3",
        "43",
        "99.7",
        "99.9",
        ">99.9",
        ">99.9",
        "100",
    ]
    assert percent(0.123456) == "12.3"
    assert two(0.0012345) == "0.0012"


@pytest.mark.parametrize(
    ("value", "error", "factor", "text"),
    [
        (21.26, 1.1586, 1.0, "21.3 ± 1.2"),
        (0.21176, 0.004231, 100.0, "21.18 ± 0.42"),
        (1234.0, 96.0, 1.0, "1234 ± 96"),
        (1234.0, 99.7, 1.0, "1230 ± 100"),
        (0.07, 0.21, 1.0, "0.07 ± 0.21"),
        (34.0, 1e-7, 1.0, "34 ± 1e-7"),
        (5.0, 0.0, 1.0, "5"),
        (5.0, None, 1.0, "5"),
        (5.0, "inf", 1.0, "5 ± unknown"),
        ("inf", 1.0, 1.0, "open"),
        (None, 1.0, 1.0, "–"),
    ],
)
def test_errors_end_at_their_second_digit(value, error, factor, text):
    assert with_error(value, error, factor) == text


def test_simulation_error_alone():
    assert simulation_error(47.44, 1e-3, "kohm") == "simulation ± 0.047 kohm"
    assert simulation_error("inf") == "simulation error unknown"
    assert simulation_error(None) == simulation_error(0.0) == ""


@pytest.mark.parametrize(
    ("phrase", "text"),
    [
        ("cast first: 3 films", "Cast first: 3 films."),
        ("99.9 % of castings (95 %)", "99.9\u00a0% of castings (95\u00a0%)."),
        ("CV of R: 25 %, at 3 mm", "CV of R: 25\u00a0%, at 3\u00a0mm."),
        ("g0 = 80 uS is assumed", "g0 = 80\u00a0uS is assumed."),
        ("lambda_T decides the sign", "lambda_T decides the sign."),
        ("open", "Open."),
        ("Already one.", "Already one."),
        ("12 mixes and 3 symbols", "12 mixes and 3 symbols."),
        ("", ""),
    ],
)
def test_phrases_become_sentences(phrase, text):
    assert sentence(phrase) == text


def test_number_reads_json_and_drops_what_is_none():
    assert number("inf") == math.inf
    assert number("-inf") == -math.inf
    assert [number(x) for x in (None, False, "x", math.nan, [1])] == [None] * 5


@pytest.mark.parametrize(
    ("margin", "text"),
    [
        ({"limit": 10.0, "value": 15.0, "met": True}, "+50 %"),
        ({"limit": 0.25, "value": 0.30, "met": False}, "−20 %"),
        ({"limit": [700.0, 3000.0], "value": 1000.0, "met": True}, "+42.9 %"),
        ({"limit": [700.0, 3000.0], "value": "inf", "met": False}, "–"),
        ({"limit": 0.0, "value": 1.0, "met": True}, "–"),
    ],
)
def test_margin_is_the_distance_from_the_limit(margin, text):
    assert margin_text(margin) == text


# ------------------------------------------------------------------ files


def test_rows_come_back_as_they_were(tmp_path, invented):
    run = invented()
    paths = write_rows(tmp_path, *run.rows())
    assert [p.name for p in paths] == ["boxes.csv", "responses.csv", "castings.csv"]
    for path, rows in zip(paths, run.rows(), strict=True):
        assert read_rows(path) == rows
    assert any(math.isinf(row["resistance_ohm"]) for row in read_rows(paths[0]))
    assert ",inf," in paths[0].read_text()


def test_headers_are_there_without_rows_and_tolerances_keep_their_place(tmp_path, invented):
    write_rows(tmp_path, [], [], [])
    assert (tmp_path / "boxes.csv").read_text() == ",".join(BOX_COLUMNS) + "\n"
    assert (tmp_path / "responses.csv").read_text() == ",".join(RESPONSE_COLUMNS) + "\n"
    write_rows(tmp_path, *invented().rows())
    header = (tmp_path / "castings.csv").read_text().splitlines()[0].split(",")
    assert tuple(header[:4]) == CASTING_COLUMNS
    assert header[4:-3] == [
        "weighing",
        "mixing",
        "thickness",
        "gap",
        "width",
        "contact",
        "aspect_ratio",
    ]
    assert header[-3:] == ["resistance_ohm", "gauge_factor", "passes"]


def test_nan_is_refused_and_leaves_the_old_file(tmp_path):
    write_rows(tmp_path, [{"box_number": 1}], [], [])
    before = (tmp_path / "boxes.csv").read_bytes()
    with pytest.raises(ValueError, match="NaN"):
        write_rows(tmp_path, [{"box_number": 1, "resistance_ohm": math.nan}], [], [])
    assert (tmp_path / "boxes.csv").read_bytes() == before


def test_text_with_commas_and_line_ends_survives(tmp_path):
    rows = [{"box_number": 3, "remark": 'a, "b"\nc'}]
    path = tmp_path / "x.csv"
    path.write_text(rows_to_csv(rows, ("box_number",)))
    assert read_rows(path) == rows


def test_json_holds_infinite_numbers_as_text(invented):
    run = invented()
    text = encode_json(run.summary)
    assert "Infinity" not in text
    back = json.loads(text)
    assert back["candidates"][0]["resistance_ohm"]["median"] == "inf"
    assert text_summary(back) == text_summary(run.summary)


# ------------------------------------------------------------------ the decision in words


def test_text_says_the_decision_first(invented):
    run = invented()
    best = run.summary["candidates"][run.summary["chosen"]]
    text = text_summary(run.summary)
    assert text.isascii()
    lines = text.splitlines()
    assert lines[0] == (
        f"Cast {100 * best['weight_fraction']:.0f} wt% filler with a "
        f"{1e3 * best['electrode_gap_m']:.0f} mm electrode gap."
    )
    assert "kohm" in lines[1]
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
    assert text.startswith("No candidate meets every target; the nearest is ")
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


def test_a_decision_that_is_withheld_comes_first_and_says_what_to_cast(invented):
    run = invented()
    run.summary |= {"chosen": None, "nearest": 0, "withheld": "threshold not foreseeable"}
    run.summary["cast_first"] = {"films": 3, "candidates": [0, 1]}
    run.summary.pop("anchor", None)
    first = headline(run.summary)
    assert first.startswith("No loading is decided: threshold not foreseeable, measure it.")
    assert "Cast first: three films each of" in first
    assert text_summary(run.summary).startswith("No loading is decided")
    assert "bracket the threshold" in first_steps(run.summary)[0]


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
