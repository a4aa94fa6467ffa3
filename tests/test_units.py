"""Bench units: exact conversions, what is refused, and that printing reads back."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from percsim import units
from percsim.units import KINDS, format_quantity, parse_quantity, parse_range

# definitions of the units: SI brochure, 9th edition; inch and Fahrenheit by international
# agreement; nothing here is measured
EXACT = [
    ("12 um", "length", 12e-6),
    ("12 µm", "length", 12e-6),  # micro sign
    ("12 μm", "length", 12e-6),  # Greek mu
    ("1.5mm", "length", 1.5e-3),
    (" .5 mm ", "length", 0.5e-3),
    ("0.3 in", "length", 7.62e-3),
    ("2 cm", "length", 0.02),
    ("2250 kg/m3", "density", 2250.0),
    ("2.25 g/cm3", "density", 2250.0),
    ("2.25 g/cm^3", "density", 2250.0),
    ("100 nm2", "area", 1e-16),
    ("50 g", "mass", 0.05),
    ("80 uS", "conductance", 8e-5),
    ("8e-5 S", "conductance", 8e-5),
    ("1.8 kohm", "resistance", 1800.0),
    ("1.8 kΩ", "resistance", 1800.0),
    ("1.8 kΩ", "resistance", 1800.0),  # ohm sign
    ("20 C", "temperature", 293.15),
    ("20 degC", "temperature", 293.15),
    ("20 °C", "temperature", 293.15),
    ("-40 C", "temperature", 233.15),
    ("68 F", "temperature", 293.15),
    ("4 K", "temperature", 4.0),
    ("20 K", "temperature_difference", 20.0),
    ("20 C", "temperature_difference", 20.0),
    ("10 meV", "energy", 1.602176634e-21),
    ("3000 microstrain", "strain", 3e-3),
    ("3000 µε", "strain", 3e-3),
    ("0.3 %", "strain", 3e-3),
    ("3 mm/m", "strain", 3e-3),
    ("45 wt%", "fraction", 0.45),
    ("12 %", "fraction", 0.12),
    ("120 %", "percentage", 1.2),
    ("40 phr", "phr", 40.0),
    ("7:1", "ratio", 7.0),
    ("7 : 1", "ratio", 7.0),
    ("1:4", "ratio", 0.25),
    ("180 deg", "angle", math.pi),
    ("3e-4 /K", "expansion", 3e-4),
    ("300 ppm/K", "expansion", 3e-4),
    ("3.3 V", "voltage", 3.3),
    ("2 mA", "current", 2e-3),
    ("2.9 MPa", "pressure", 2.9e6),
    ("2 h", "time", 7200.0),
    ("50 mil", "length", 1.27e-3),
    ("2.25 g/cm**3", "density", 2250.0),
    ("2250 kg / m³", "density", 2250.0),
    ("3 Ω·m", "resistivity", 3.0),
    ("3 ohm*cm", "resistivity", 0.03),
    ("5 mohm cm^2", "contact_resistivity", 5e-7),
    ("100 mm3", "volume", 1e-7),
    ("2 bar", "pressure", 2e5),
    ("0.2 W/(m K)", "thermal_conductivity", 0.2),
    ("10 W/(m2 K)", "heat_transfer", 10.0),
    ("3 mS", "conductance", 3e-3),
]


@pytest.mark.parametrize(("text", "kind", "expected"), EXACT)
def test_reads_exactly(text: str, kind: str, expected: float) -> None:
    assert parse_quantity(text, kind) == expected


@pytest.mark.parametrize(
    ("text", "kind", "message"),
    [
        ("1.5", "length", "'1.5' has no unit; write it like '1.5 mm'"),
        (1.5, "length", "1.5 has no unit; write it like '1.5 mm'"),
        (7, "ratio", "7 has no unit; write it like '7:1'"),
        ("7", "ratio", "'7' is not a mass ratio; write it like '7:1'"),
        ("7:0", "ratio", "'7:0' is not a mass ratio; both parts must be above 0"),
        ("10:1:1", "ratio", "'10:1:1' is not a mass ratio; write it like '7:1'"),
        ("-1 mm", "length", "'-1 mm' is negative; a length is 0 or more"),
        ("nan mm", "length", "'nan mm' is not a finite number; write it like '1.5 mm'"),
        ("inf mm", "length", "'inf mm' is not a finite number; write it like '1.5 mm'"),
        (math.nan, "length", "nan is not a finite number; write it like '1.5 mm'"),
        ("", "length", "'' is empty; write it like '1.5 mm'"),
        ("wide", "length", "'wide' does not start with a number; write it like '1.5 mm'"),
        ("3 kg", "length", "'3 kg' is not a length; write it like '1.5 mm'"),
        ("3 mmm", "length", "'3 mmm' has the unknown unit 'mmm'; did you mean 'mm'?"),
        ("1,5 mm", "length", "'1,5 mm' is not a number with a unit; write decimals with a point"),
        ("14 vol%", "weight_fraction", "'14 vol%' is not a weight fraction; write it like '26 wt%'"),
        ("120 wt%", "weight_fraction", "'120 wt%' is above 100 wt%"),
        ("-300 C", "temperature", "'-300 C' is at or below absolute zero, -273.15 C"),
        ("5 kg", "temperature", "'5 kg' is not a temperature; write it like '20 C'"),
        ("3 rad", "strain", "'3 rad' is not a strain; write it like '3000 microstrain'"),
        ("1e999 mm", "length", "'1e999 mm' is too large for a number"),
        ("1 m**9**9**9", "length", "'1 m**9**9**9' has the unknown unit 'm**9**9**9'; write it like '1.5 mm'"),
        ("1 m*m/m", "length", "'1 m*m/m' has the unknown unit 'm*m/m'; write it like '1.5 mm'"),
        (f"1e{'9' * 20} mm", "length", "'1e99999999999999999999 mm' is too large or too small for a number"),
        (f"1:1e-{'9' * 20}", "ratio", "'1:1e-99999999999999999999' is too large or too small for a number"),
        pytest.param(10**5000, "length", "a number of thousands of digits is not a finite number; write it like '1.5 mm'", id="digits"),
        (True, "length", "True is not a length; write it like '1.5 mm'"),
        (["1 mm"], "length", "['1 mm'] is not a length; write it like '1.5 mm'"),
    ],
)  # fmt: skip
def test_refuses_in_one_clear_line(text: object, kind: str, message: str) -> None:
    with pytest.raises(ValueError, match=r".") as caught:
        parse_quantity(text, kind)
    assert str(caught.value) == message


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_long_texts_are_refused_by_their_length(kind: str) -> None:
    for text in ("1" * 10**6, "1 " + "m" * 10**6, "1" + " " * 10**6 + "m"):
        with pytest.raises(ValueError, match="is too long; a quantity has at most 80 char"):
            parse_quantity(text, kind)
        with pytest.raises(ValueError, match=r"is too long|is not a range"):
            parse_range(f"1 to {text}", kind)


PIECES = st.lists(
    st.sampled_from(
        ["1", "9e", "e-9", "**", "^3", "/", " ", "m", "ohm", ":", "K", "%", "to"]
    ),
    max_size=14,
).map("".join)


@given(st.one_of(st.text(max_size=12), PIECES), st.sampled_from(sorted(KINDS)))
def test_nonsense_never_escapes_as_another_error(text: str, kind: str) -> None:
    try:
        value = parse_quantity(text, kind)
    except ValueError as error:
        message = str(error)
    else:
        message = f"{value:.0f}"
        assert math.isfinite(value)
    assert "\n" not in message


def test_ranges_share_a_unit() -> None:
    assert parse_range("0 to 3000 microstrain", "strain") == (0.0, 3e-3)
    assert parse_range("700 ohm to 3 kohm", "resistance") == (700.0, 3000.0)
    assert parse_range("-10 to 60 C", "temperature") == (263.15, 333.15)
    for text in ("3000 microstrain", "3 to 2 kohm", "1 to 2 to 3 kohm", 5, "0 to 3000"):
        with pytest.raises(ValueError, match=r"is not a|must rise|has no unit"):
            parse_range(text, "resistance")


POSITIVE = [k for k in sorted(KINDS) if k not in ("temperature", "fraction", "strain")]


@given(
    st.floats(1e-12, 1e12), st.sampled_from([k for k in POSITIVE if "_fraction" not in k])
)
def test_what_is_printed_in_full_reads_back(value: float, kind: str) -> None:
    text = format_quantity(value, kind, digits=None)
    assert parse_quantity(text, kind) == pytest.approx(value, rel=1e-15)


@given(st.integers(1, 9999), st.integers(-9, 5))
def test_decimal_lengths_read_back_to_the_same_digit(digits: int, power: int) -> None:
    value = float(f"{digits}e{power}")
    assert parse_quantity(format_quantity(value, "length", digits=None), "length") == value


@pytest.mark.parametrize(
    ("value", "kind", "expected"),
    [
        (1.2e-5, "length", "12 um"),
        (1234.5678, "resistance", "1.235 kohm"),
        (999.96, "resistance", "1 kohm"),
        (math.inf, "resistance", "open"),
        (1e-18, "resistance", "less than 0.001 mohm"),
        (4.2e67, "resistance", "more than 1e6 Gohm"),
        (0.0, "length", "0 mm"),
        (-1e-3, "strain", "-1000 microstrain"),
        (0.03, "strain", "3 %"),
        (0.3, "weight_fraction", "30 wt%"),
        (293.15, "temperature", "20 C"),
        (7.0, "ratio", "7:1"),
        (8e-5, "conductance", "80 uS"),
        (1.602176634e-21, "energy", "10 meV"),
    ],
)
def test_prints_for_readers(value: float, kind: str, expected: str) -> None:
    assert format_quantity(value, kind) == expected


def test_prints_in_the_unit_asked() -> None:
    assert format_quantity(2e-4, "length", unit="mm") == "0.2 mm"
    with pytest.raises(ValueError, match="got 'kg'"):
        format_quantity(2e-4, "length", unit="kg")
    with pytest.raises(ValueError, match="got nan"):
        format_quantity(math.nan, "length")
    with pytest.raises(ValueError, match="kind must be one of"):
        format_quantity(1.0, "colour")


def test_constants_are_those_of_scipy() -> None:
    from scipy import constants

    assert constants.k == units.BOLTZMANN
    assert constants.e == units.ELEMENTARY_CHARGE
    assert constants.h == units.PLANCK
    assert constants.m_e == units.ELECTRON_MASS
    assert constants.zero_Celsius == units.ZERO_CELSIUS
    # "10 meV" is read without scipy
    assert parse_quantity("1 eV", "energy") == constants.e


def test_importing_units_is_cheap() -> None:
    heavy = {"scipy", "numpy"}
    code = f"import sys, percsim.units; print(sorted({heavy} & set(sys.modules)))"
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert out.stdout.strip() == "[]"
