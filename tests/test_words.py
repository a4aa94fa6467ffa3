"""Numbers in words: digits at their boundaries, units, open films, ranges."""

from __future__ import annotations

import math

import pytest

from percsim.units import KINDS, format_quantity
from percsim.words import (
    band,
    cell,
    columns,
    confidence,
    counted,
    duration,
    grams,
    listed,
    many,
    memory,
    microstrain,
    mix,
    mm,
    number,
    percent,
    probability,
    quantiles,
    quantity,
    sentence,
    share,
    signed,
    simulation_error,
    span,
    spelt,
    tenths,
    three,
    two,
    weight,
    window,
    with_error,
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
        (9.994e-5, "m", "99.9 um"),
        (9.996e-5, "m", "0.1 mm"),
        (0.3, "m", "300 mm"),
        (2e-4, "length", "200 um"),
        (253.15, "K", "-20 C"),
        (3e-3, "strain", "3000 microstrain"),
        (1.602176634e-21, "J", "10 meV"),
        (12.0, "", "12"),
        (4.0, "wt%", "4 wt%"),
        ("a word", "m", "a word"),
        (None, "m", "–"),
        (0.0, "ohm", "0 kohm"),
        (999.49, "ohm", "999 ohm"),
        (999.51, "ohm", "1 kohm"),
        (0.0482, "ohm", "48.2 mohm"),
        (1e-8, "ohm", "less than 0.001 mohm"),
        (1e17, "ohm", "more than 1e6 Gohm"),
        (9.29e-9, "W", "9.29 nW"),
        (-0.5, "V", "-500 mV"),
        (2e-9, "V", "2 nV"),
        (2e6, "fraction", "more than a factor 1e6"),
        ("inf", "fraction", "open"),
        ("inf", "K", "infinite K"),
        (2.5e9, "Pa", "2.5 GPa"),
    ],
)
def test_bench_units(value, unit, text):
    assert quantity(value, unit) == text


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
    # in the unit of the value it stands beside
    assert simulation_error(47.44, "ohm", 1530.0) == "simulation ± 0.047 kohm"
    assert simulation_error(47.44, "ohm", 930.0) == "simulation ± 47 ohm"
    assert simulation_error(47.44, "ohm", "inf") == "simulation ± 47 ohm"
    assert simulation_error(0.01234, "fraction", 0.2) == "simulation ± 1.2 %"
    assert simulation_error(0.594) == "simulation ± 0.59"
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
    ("low", "high", "unit", "text"),
    [
        (981.0, 2180.0, "ohm", "0.981 to 2.18 kohm"),
        (999.6, 2180.0, "ohm", "1 to 2.18 kohm"),
        (12.0, 999.6, "ohm", "0.012 to 1 kohm"),
        (65.0, "inf", "ohm", "65 ohm to open"),
        ("inf", "inf", "ohm", "open"),
        (5.0, 5.001, "ohm", "5 ohm"),
        (0.0, 3000.0, "ohm", "0 to 3 kohm"),
        (0.0482, 0.1, "ohm", "48.2 to 100 mohm"),
        (9.99, 3e6, "ohm", "9.99 ohm to 3 Mohm"),
        (None, 3.0, "ohm", "–"),
        (-1e-3, 3e-3, "strain", "-1000 to 3000 microstrain"),
        (253.15, 333.15, "K", "-20 to 60 C"),
        (0.221, 0.236, "fraction", "22.1 to 23.6 %"),
        (802e-6, 1.17e-3, "A", "0.802 to 1.17 mA"),
        (18.4, 22.0, "", "18.4 to 22"),
        (18.4, 22.0, "ppm/K", "18.4 to 22 ppm/K"),
    ],
)
def test_a_range_has_one_unit(low, high, unit, text):
    assert span(low, high, unit) == text


@pytest.mark.parametrize(
    "kind", ["resistance", "length", "conductance", "power", "voltage"]
)
def test_no_range_of_any_size_has_powers_of_ten_or_loses_its_lower_end(kind):
    smallest, largest = (float(KINDS[kind].ladder[k][1]) for k in (0, -1))
    sizes = [smallest * 10.0**k for k in range(round(math.log10(largest / smallest)) + 3)]
    for low in sizes:
        for high in (x for x in sizes if x > low):
            text = span(1.23 * low, 4.56 * high, kind)
            first, second = text.split(" to ")
            for end in (first, second):
                assert "e" not in end.partition(" ")[0]
                assert float(end.partition(" ")[0]) >= 0.01
            # read back with its unit it is the number that went in
            unit = second.partition(" ")[2]
            assert format_quantity(4.56 * high, kind, digits=3, unit=unit) == second
            if " " not in first:
                assert f"{first} {unit}" == format_quantity(
                    1.23 * low, kind, digits=3, unit=unit
                )


def test_no_bound_is_told_apart_from_open():
    assert span(5.0, "inf", "", infinite="without bound") == "5 upward, without bound"
    assert band({"p05": 5.0, "p95": "inf"}, "ohm") == "5 ohm to open"
    assert band(None) == band({}) == "–"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (700.0, 3000.0, "0.7 to 3 kohm"),
        (700.0, "inf", "at least 700 ohm"),
        (0.0, 3000.0, "up to 3 kohm"),
        (0.0, math.inf, ""),
    ],
)
def test_windows(low, high, text):
    assert window(low, high) == text


def test_cells_keep_the_unit_of_their_column_unless_it_takes_powers_of_ten():
    values = (2034.0, 999.6, 1.0, 0.0482, 9.9e7, 3e8, "inf", None)
    texts = ["2.03", "1", "0.001", "48.2 mohm", "99000", "300 Mohm", "open", "–"]
    assert [cell(x, "kohm") for x in values] == texts
    row = {"median": 1500.0, "p05": 1000.0, "p95": "inf"}
    assert quantiles(row, "kohm") == ("1.5", "1 – open")
    assert quantiles({"median": 0.2, "p05": 0.2, "p95": 0.2}, "%") == ("20", "20")
    assert quantiles(None) == ("–", "–")


def test_chances():
    assert [confidence(x) for x in (0.0, 0.814, 0.99, 0.9901, None)] == [
        "0", "81", "99", ">99", "–",
    ]  # fmt: skip
    assert [probability(x) for x in (0.0, 9.9e-4, 1e-3, 0.0123, 0.6)] == [
        "below 0.001", "below 0.001", "0.001", "0.012", "0.6",
    ]  # fmt: skip
    assert [tenths(x) for x in (0.2, 0.0996, 0.9999, 25.0, "inf", None)] == [
        "20.0", "10.0", "100.0", "2500", "–", "–",
    ]  # fmt: skip
    assert [percent(x) for x in (9e-5, 1e-4, 0.09995, 2e6, -2e6, "inf")] == [
        "<0.01", "0.01", "9.99", ">1e8", "<-1e8", "open",
    ]  # fmt: skip


def test_what_goes_on_the_balance():
    assert (weight(0.2625), weight(0.3), weight(None)) == ("26.25 wt%", "30 wt%", "–")
    assert (weight(0.139, "vol%"), weight(0.2625, "")) == ("13.9 vol%", "26.25")
    # a balance of 0.25 g shows quarters, one of 0.5 g halves
    assert [grams(12.3456, step) for step in (0.25, 0.5, 0.01, 1.0, 0.001)] == [
        "12.35", "12.3", "12.35", "12", "12.346",
    ]  # fmt: skip
    assert (mix(7.0), mix(6.9932), mix("inf")) == ("7:1", "6.993:1", "no agent")
    assert (mm(2e-4), mm(0.016), mm(None)) == ("0.2 mm", "16 mm", "–")
    assert (microstrain(3e-3), microstrain(-0.05)) == (
        "3000 microstrain", "-50000 microstrain",
    )  # fmt: skip
    assert [signed(x, 100.0) for x in (0.1, -0.1, 0.0, "-inf", None)] == [
        "+10", "-10", "0", "-open", "–",
    ]  # fmt: skip


def test_counts_times_and_lists():
    assert [counted(n, "box", "boxes") for n in (0, 1, 2)] == [
        "0 boxes",
        "1 box",
        "2 boxes",
    ]
    assert [many(n) for n in (9999, 10_000, 999_499, 999_600, 6.7e6, 9.996e8)] == [
        "9,999", "10 thousand", "999 thousand", "1 million", "6.7 million",
        "1 thousand million",
    ]  # fmt: skip
    assert [duration(s) for s in (89.4, 89.6, 5399, 5400, 1e7, math.inf)] == [
        "89 s", "1 min 30 s", "89 min 59 s", "1 h 30 min", "unknown", "unknown",
    ]  # fmt: skip
    assert (memory(5e8), memory(5.6e10)) == ("500 MB", "56 GB")
    assert listed([]) == ""
    assert listed(["26 wt%, 2 mm", "30 wt%, 2 mm"], 2, "; ") == "26 wt%, 2 mm; 30 wt%, 2 mm"
    assert columns(("a", "bb"), [("ccc", "d")]) == ["a    bb", "ccc   d"]
    assert spelt("1.2 ± 0.3 – −4 µm²") == "1.2 +- 0.3 - -4 um^2"
