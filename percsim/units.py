"""Constants, and the units of the bench: "12 um", "45 wt%", "7:1" <-> SI.

Everything inside percsim is SI; a person writes and reads bench units, with the unit always
written. Each kind of quantity has a closed list of whole unit expressions, so that no text
is ever evaluated and each takes microseconds to read or to refuse.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from typing import TYPE_CHECKING, Any, Final

__all__ = [
    "BOLTZMANN",
    "ELECTRON_MASS",
    "ELEMENTARY_CHARGE",
    "KINDS",
    "LONGEST",
    "PLANCK",
    "ZERO_CELSIUS",
    "format_quantity",
    "parse_quantity",
    "parse_range",
    "show_value",
]

if TYPE_CHECKING:
    BOLTZMANN: float
    ELEMENTARY_CHARGE: float
    ELECTRON_MASS: float
    PLANCK: float

ZERO_CELSIUS: Final = 273.15
"""Zero of the Celsius scale [K], exact by definition of the scale."""

_CONSTANTS = {
    "BOLTZMANN": "Boltzmann constant",
    "ELEMENTARY_CHARGE": "elementary charge",
    "ELECTRON_MASS": "electron mass",
    "PLANCK": "Planck constant",
}


def __getattr__(name: str) -> Any:
    """Constants in SI, read from scipy.constants at first use (scipy is slow to import)."""
    if name in _CONSTANTS:
        from scipy.constants import physical_constants

        value = float(physical_constants[_CONSTANTS[name]][0])
        globals()[name] = value
        return value
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


@dataclass(frozen=True, slots=True)
class _Kind:
    """How one kind of quantity is written.

    Parameters
    ----------
    noun : str
        What it is called in a message, article included.
    unit : str
        The unit suggested when none is written.
    ladder : tuple of (str, str)
        Units to print in and their size in SI as decimal text, smallest first.
    words : tuple of (str, str)
        Units read besides the ladder.
    lowest, highest : float
        Bounds in SI, both allowed.

    """

    noun: str
    unit: str
    ladder: tuple[tuple[str, str], ...]
    words: tuple[tuple[str, str], ...] = ()
    lowest: float = 0.0
    highest: float = math.inf


_POWERS = {
    "": 0, "p": -12, "n": -9, "u": -6, "m": -3, "c": -2, "d": -1, "k": 3, "M": 6, "G": 9,
}  # fmt: skip


def _prefixed(symbol: str, prefixes: str, power: int = 1) -> tuple[tuple[str, str], ...]:
    """Spell a unit of size 1 with each of the prefixes, and bare."""
    return tuple(
        (prefix + symbol, f"1e{power * _POWERS[prefix]}") for prefix in ("", *prefixes)
    )


def _times(
    first: tuple[tuple[str, str], ...], second: tuple[tuple[str, str], ...]
) -> tuple[tuple[str, str], ...]:
    """Spell every product of two units."""
    return tuple(
        (f"{a} {b}", str(Decimal(x) * Decimal(y))) for a, x in first for b, y in second
    )


_OHMS = _prefixed("ohm", "umkMG")
_SQUARES = _prefixed("m2", "umcd", 2)
_PERCENT = (("%", "0.01"),)
_PI_180 = "0.0174532925199432958"
_EV = "1.602176634e-19"  # exact since the SI of 2019

KINDS: Final[dict[str, _Kind]] = {
    "length": _Kind(
        "a length", "mm",
        (("nm", "1e-9"), ("um", "1e-6"), ("mm", "1e-3"), ("m", "1")),
        (*_prefixed("m", "pcdk"), ("micron", "1e-6"), ("in", "0.0254"), ("inch", "0.0254"),
         ("mil", "2.54e-5"), ("ft", "0.3048")),
    ),
    "area": _Kind(
        "an area", "nm2",
        (("nm2", "1e-18"), ("um2", "1e-12"), ("mm2", "1e-6"), ("m2", "1")),
        (*_SQUARES, ("in2", "6.4516e-4")),
    ),
    "volume": _Kind(
        "a volume", "mL", (("uL", "1e-9"), ("mL", "1e-6"), ("L", "1e-3")),
        (*_prefixed("m3", "numcd", 3), ("ul", "1e-9"), ("ml", "1e-6"), ("l", "1e-3"),
         ("cc", "1e-6"), ("cL", "1e-5"), ("dL", "1e-4")),
    ),
    "mass": _Kind(
        "a mass", "g", (("mg", "1e-6"), ("g", "1e-3"), ("kg", "1")),
        (("ug", "1e-9"), ("t", "1e3"), ("oz", "0.028349523125"), ("lb", "0.45359237")),
    ),
    "density": _Kind(
        "a density", "kg/m3", (("kg/m3", "1"),),
        (("g/cm3", "1e3"), ("g/cc", "1e3"), ("g/mL", "1e3"), ("g/ml", "1e3"),
         ("kg/L", "1e3"), ("kg/l", "1e3"), ("kg/dm3", "1e3"), ("mg/mm3", "1e3"),
         ("g/L", "1"), ("g/l", "1"), ("g/m3", "1e-3"), ("lb/ft3", "16.018463373960140")),
    ),
    "conductance": _Kind(
        "a conductance", "uS",
        (("pS", "1e-12"), ("nS", "1e-9"), ("uS", "1e-6"), ("mS", "1e-3"), ("S", "1")),
        (*_prefixed("S", "kM"), ("1/ohm", "1"), ("/ohm", "1")),
    ),
    "resistance": _Kind(
        "a resistance", "kohm",
        (("mohm", "1e-3"), ("ohm", "1"), ("kohm", "1e3"), ("Mohm", "1e6"), ("Gohm", "1e9")),
        (("uohm", "1e-6"), ("Tohm", "1e12"), ("ohms", "1")),
    ),
    "resistivity": _Kind(
        "a resistivity", "ohm m", (("ohm m", "1"),), _times(_OHMS, _prefixed("m", "mc"))
    ),
    "contact_resistivity": _Kind(
        "a contact resistivity", "ohm cm2",
        (("ohm cm2", "1e-4"), ("ohm mm2", "1e-6"), ("ohm m2", "1")),
        _times(_OHMS, _SQUARES),
    ),
    "temperature": _Kind("a temperature", "C", (("C", "1"),)),
    "temperature_difference": _Kind(
        "a temperature difference", "K", (("K", "1"),),
        (("C", "1"), ("degC", "1"), ("°C", "1")),
        lowest=-math.inf,
    ),
    "energy": _Kind(
        "an energy", "meV", (("meV", str(Decimal(_EV) / 1000)), ("eV", _EV)),
        (*_prefixed("J", "pnumk"), ("keV", str(Decimal(_EV) * 1000))),
    ),
    "power": _Kind(
        "a power", "mW",
        (("pW", "1e-12"), ("nW", "1e-9"), ("uW", "1e-6"), ("mW", "1e-3"), ("W", "1")),
        _prefixed("W", "k"),
        lowest=-math.inf,
    ),
    "strain": _Kind(
        "a strain", "microstrain", (("microstrain", "1e-6"), ("%", "0.01")),
        (("ustrain", "1e-6"), ("uε", "1e-6"), ("ue", "1e-6"), ("um/m", "1e-6"),
         ("millistrain", "1e-3"), ("mm/m", "1e-3"), ("mm/mm", "1"),
         ("m/m", "1")),
        lowest=-0.999,
    ),
    "strain_rate": _Kind(
        "a strain rate", "microstrain/s", (("microstrain/s", "1e-6"), ("%/s", "0.01")),
        (("ustrain/s", "1e-6"), ("um/m/s", "1e-6"), ("mm/m/s", "1e-3"), ("mm/mm/s", "1"),
         ("/s", "1"), ("1/s", "1")),
    ),
    "fraction": _Kind(
        "a fraction", "%", _PERCENT, (("wt%", "0.01"), ("vol%", "0.01")), highest=1.0
    ),
    "weight_fraction": _Kind(
        "a weight fraction", "wt%", (("wt%", "0.01"),), _PERCENT, highest=1.0
    ),
    "volume_fraction": _Kind(
        "a volume fraction", "vol%", (("vol%", "0.01"),), _PERCENT, highest=1.0
    ),
    "percentage": _Kind("a percentage", "%", _PERCENT),
    "change": _Kind("a change", "%", _PERCENT, lowest=-1.0),
    "phr": _Kind("parts per hundred of rubber", "phr", (("phr", "1"),)),
    "ratio": _Kind("a mass ratio", ":1", ()),
    "angle": _Kind("an angle", "deg", (("deg", _PI_180),), (("°", _PI_180), ("rad", "1"))),
    "voltage": _Kind(
        "a voltage", "V",
        (("nV", "1e-9"), ("uV", "1e-6"), ("mV", "1e-3"), ("V", "1"), ("kV", "1e3")),
        lowest=-math.inf,
    ),
    "torque": _Kind(
        "a moment of force", "N m", (("N m", "1"), ("kN m", "1000")),
        (("Nm", "1"), ("kNm", "1000"), ("N mm", "1e-3"), ("Nmm", "1e-3")),
        lowest=-math.inf,
    ),
    "current": _Kind(
        "a current", "mA", (("nA", "1e-9"), ("uA", "1e-6"), ("mA", "1e-3"), ("A", "1")),
        (("pA", "1e-12"), ("kA", "1e3")),
        lowest=-math.inf,
    ),
    "expansion": _Kind(
        "a thermal expansion", "ppm/K", (("ppm/K", "1e-6"),),
        (("/K", "1"), ("1/K", "1"), ("/C", "1"), ("1/C", "1"), ("ppm/C", "1e-6"),
         ("um/m/K", "1e-6")),
        lowest=-math.inf,
    ),
    "pressure": _Kind(
        "a pressure", "MPa", (("Pa", "1"), ("kPa", "1e3"), ("MPa", "1e6"), ("GPa", "1e9")),
        (("N/m2", "1"), ("hPa", "100"), ("mbar", "100"), ("bar", "1e5"), ("N/mm2", "1e6"),
         ("psi", "6894.7572931683613"), ("ksi", "6894757.2931683613")),
    ),
    "time": _Kind(
        "a time", "s", (("ms", "1e-3"), ("s", "1"), ("min", "60"), ("h", "3600")),
        (("us", "1e-6"), ("hour", "3600"), ("d", "86400"), ("day", "86400")),
    ),
    "frequency": _Kind(
        "a frequency", "Hz",
        (("mHz", "1e-3"), ("Hz", "1"), ("kHz", "1e3"), ("MHz", "1e6")),
        (("uHz", "1e-6"), ("GHz", "1e9"), ("/s", "1"), ("1/s", "1")),
    ),
    "heat_transfer": _Kind(
        "a heat transfer coefficient", "W/m2K", (("W/m2K", "1"),),
        (("W/(m2K)", "1"), ("W/(m2 K)", "1"), ("W/m2 K", "1"), ("W/m2/K", "1")),
    ),
    "thermal_conductivity": _Kind(
        "a thermal conductivity", "W/mK", (("W/mK", "1"),),
        (("W/(mK)", "1"), ("W/(m K)", "1"), ("W/m K", "1"), ("W/m/K", "1")),
    ),
    "thermal_output": _Kind(
        "a thermal output", "microstrain/K", (("microstrain/K", "1e-6"),),
        (("ppm/K", "1e-6"), ("um/m/K", "1e-6")),
    ),
}  # fmt: skip
"""Kinds of quantity that can be read and printed."""

LONGEST = 80
"""Characters of the longest text that is read as a quantity."""

_NUMBER = re.compile(
    r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE]([+-]?[0-9]+))?)\s*(.*)", re.DOTALL
)
_SPELT = str.maketrans(  # micro, mu, omega, ohm sign, powers, dots
    {"\u00b5": "u", "\u03bc": "u", "\u03a9": "ohm", "\u2126": "ohm", "\u00b2": "2",
     "\u00b3": "3", "\u00b7": "*", "\u22c5": "*"}
)  # fmt: skip


def _kind(kind: str) -> _Kind:
    if kind not in KINDS:
        raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {kind!r}")
    return KINDS[kind]


@cache
def _sizes(kind: str) -> dict[str, Decimal]:
    """Units of a kind and their sizes in SI."""
    spec = KINDS[kind]
    return {word: Decimal(size) for word, size in (*spec.words, *spec.ladder)}


def _factor(unit: str, kind: str) -> Decimal | str:
    """Size of a unit in SI, or what is wrong with it."""
    plain = re.sub(r"(?<=[a-z])(\*\*|\^)(?=[23])", "", unit.translate(_SPELT))
    plain = re.sub(r" ?([*/]) ?", r"\1", plain).replace("*", " ")
    sizes = _sizes(kind)
    if plain in sizes:
        return sizes[plain]
    if any(plain in _sizes(other) for other in KINDS):
        return f"is not {KINDS[kind].noun}"
    hint = difflib.get_close_matches(plain, sizes, 1, 0.6)
    return f"has the unknown unit {unit!r}" + (
        f"; did you mean {hint[0]!r}?" if hint else ""
    )


def _kelvin(number: Decimal, unit: str, shown: str, example: str) -> Decimal:
    zero = Decimal(str(ZERO_CELSIUS))
    if unit == "K":
        kelvin = number
    elif unit in ("C", "°C", "degC", "oC"):
        kelvin = number + zero
    elif unit in ("F", "°F", "degF"):
        kelvin = (number - 32) * 5 / 9 + zero
    else:
        raise ValueError(f"{shown} is not a temperature; write it like {example}")
    if kelvin <= 0:
        raise ValueError(f"{shown} is at or below absolute zero, -273.15 C")
    return kelvin


def show_value(value: object) -> str:
    """Value as it stood in the file, cut to one line of 40 characters."""
    if isinstance(value, str):
        text = " ".join(value[: 2 * LONGEST].split())
        return repr(text if len(text) <= 40 else text[:37] + "...")
    try:
        text = repr(value)
    except ValueError:  # Python does not write whole numbers of thousands of digits
        return "a number of thousands of digits"
    return text if len(text) <= 40 else text[:37] + "..."


def _split(text: str, shown: str) -> tuple[str, str] | None:
    """Split into a number that a decimal holds, and what follows it."""
    if len(text) > LONGEST:
        raise ValueError(
            f"{shown} is too long; a quantity has at most {LONGEST} characters"
        )
    match = _NUMBER.match(text.strip())
    if match is None:
        return None
    if match[2] and abs(int(match[2])) > 999:
        raise ValueError(f"{shown} is too large or too small for a number")
    return match[1], " ".join(match[3].split())


def parse_quantity(text: object, kind: str, *, unit_hint: str | None = None) -> float:
    """Read a quantity written with its unit.

    Parameters
    ----------
    text : str
        A number and a unit, "1.5 mm", "45 wt%", "-40 C", or for a ratio "7:1".
    kind : str
        What it must be, one of `KINDS`.
    unit_hint : str, optional
        Unit to suggest when none is written, by default the usual one of the kind.

    Returns
    -------
    float
        The value in SI: metres, kilograms, kelvin, joules, radians; fractions, strains and
        ratios as plain numbers, phr as parts.

    Raises
    ------
    ValueError
        If it is empty, not a number with a unit, of another kind, or out of the range any
        quantity of its kind can have. The message begins with the text as it was written.

    Notes
    -----
    The digits are multiplied as decimals, so that "12 um" is exactly the float 1.2e-05.

    Examples
    --------
    >>> parse_quantity("12 um", "length")
    1.2e-05
    >>> parse_quantity("7:1", "ratio")
    7.0
    >>> parse_quantity("20 C", "temperature")
    293.15
    >>> parse_quantity("1.5", "length")
    Traceback (most recent call last):
    ...
    ValueError: '1.5' has no unit; write it like '1.5 mm'

    """
    spec = _kind(kind)
    hint = spec.unit if unit_hint is None else unit_hint
    shown = show_value(text)
    if kind != "ratio":
        hint = f" {hint}"
    example = f"'{_EXAMPLES.get(kind, '1.5')}{hint}'"
    digits, unit = _digits_and_unit(text, spec, shown, hint, example)
    number = Decimal(digits)
    if kind == "ratio":
        return _parse_ratio(str(text), shown, number, unit)
    if not unit:
        raise ValueError(f"{shown} has no unit; write it like '{digits}{hint}'")
    if unit[0] in ",.":
        raise ValueError(
            f"{shown} is not a number with a unit; write decimals with a point"
        )
    if kind == "temperature":
        value = float(_kelvin(number, unit, shown, example))
    else:
        factor = _factor(unit, kind)
        if isinstance(factor, str):
            tail = "" if factor.endswith("?") else f"; write it like {example}"
            raise ValueError(f"{shown} {factor}{tail}")
        value = float(number * factor)
    if not math.isfinite(value):
        raise ValueError(f"{shown} is too large for a number")
    if value < spec.lowest == 0.0:
        raise ValueError(f"{shown} is negative; {spec.noun} is 0 or more")
    if value < spec.lowest:
        raise ValueError(f"{shown} is below {format_quantity(spec.lowest, kind)}")
    if value > spec.highest:
        raise ValueError(f"{shown} is above {format_quantity(spec.highest, kind)}")
    return value


def _digits_and_unit(
    text: object, spec: _Kind, shown: str, hint: str, example: str
) -> tuple[str, str]:
    """Split a text into its number and what follows, else ValueError."""
    if isinstance(text, bool) or not isinstance(text, (str, int, float)):
        raise ValueError(f"{shown} is not {spec.noun}; write it like {example}")
    if not isinstance(text, str):
        if not -1e300 < text < 1e300:
            raise ValueError(f"{shown} is not a finite number; write it like {example}")
        raise ValueError(f"{shown} has no unit; write it like '{text:g}{hint}'")
    if not text.strip():
        raise ValueError(f"{shown} is empty; write it like {example}")
    parts = _split(text, shown)
    if parts is None:
        if re.match(r"[+-]?(nan|inf)", text.strip(), re.IGNORECASE):
            raise ValueError(f"{shown} is not a finite number; write it like {example}")
        raise ValueError(f"{shown} does not start with a number; write it like {example}")
    return parts


_EXAMPLES = {
    "temperature": "20", "strain": "3000", "fraction": "12", "weight_fraction": "26",
    "volume_fraction": "12", "percentage": "12", "phr": "40", "ratio": "7", "energy": "10",
    "density": "1030", "expansion": "300", "conductance": "80", "angle": "10",
    "voltage": "3.3", "frequency": "10", "strain_rate": "100", "heat_transfer": "10",
    "thermal_conductivity": "0.2", "thermal_output": "5",
    "temperature_difference": "20", "torque": "40", "area": "100", "time": "60",
    "mass": "50",
}  # fmt: skip


def _parse_ratio(text: str, shown: str, number: Decimal, rest: str) -> float:
    if not rest:
        raise ValueError(f"{shown} is not a mass ratio; write it like '{text.strip()}:1'")
    other = _split(rest[1:], shown) if rest[0] == ":" else None
    if other is None or other[1]:
        raise ValueError(f"{shown} is not a mass ratio; write it like '7:1'")
    second = Decimal(other[0])
    if number <= 0 or second <= 0:
        raise ValueError(f"{shown} is not a mass ratio; both parts must be above 0")
    value = float(number / second)
    if not 0.0 < value < math.inf:
        raise ValueError(f"{shown} is too large for a number")
    return value


def parse_range(
    text: object, kind: str, *, unit_hint: str | None = None
) -> tuple[float, float]:
    """Read two quantities with "to" between them, "0 to 3000 microstrain".

    Parameters
    ----------
    text : str
        The unit may be written once, behind the second number.
    kind : str
        What both must be, one of `KINDS`.
    unit_hint : str, optional
        Unit to suggest when none is written.

    Returns
    -------
    tuple of float
        Both ends in SI, the lower one first.

    Raises
    ------
    ValueError
        If it is not two quantities of the kind, or the first is not below the second.

    Examples
    --------
    >>> parse_range("0.7 to 3 kohm", "resistance")
    (700.0, 3000.0)

    """
    spec = _kind(kind)
    hint = spec.unit if unit_hint is None else unit_hint
    shown = show_value(text)
    example = f"'{'20 to 60' if kind == 'temperature' else '0 to 3000'} {hint}'"
    words = text.split() if isinstance(text, str) and len(text) <= 3 * LONGEST else []
    if words[1:-1].count("to") != 1 or "to" in (words[0], words[-1]):
        raise ValueError(f"{shown} is not a range; write it like {example}")
    middle = words.index("to")
    first, second = " ".join(words[:middle]), " ".join(words[middle + 1 :])
    ends = _split(first, shown), _split(second, shown)
    if ends[0] and not ends[0][1] and ends[1]:
        first = f"{first} {ends[1][1]}"
    low = parse_quantity(first, kind, unit_hint=hint)
    high = parse_quantity(second, kind, unit_hint=hint)
    if not low < high:
        raise ValueError(f"{shown} must rise; write the lower end first")
    return low, high


def _digits(value: Decimal, digits: int) -> str:
    """Plain decimal text with so many significant digits and no trailing zeros."""
    text = f"{value:.{digits}g}" if value else "0"
    if "e" in text or "E" in text:
        number = Decimal(text)
        if -5 <= number.adjusted() < max(digits, 7):
            text = f"{number:f}"
    if "." in text and "e" not in text:
        text = text.rstrip("0").rstrip(".")
    return text


def format_quantity(
    value: float, kind: str, *, digits: int | None = 4, unit: str | None = None
) -> str:
    """Write a quantity for a reader, unit included.

    Parameters
    ----------
    value : float
        The value in SI. Infinite resistances read "open", those that no bench reads "more
        than 1e6 Gohm" or "less than 0.001 mohm" unless `digits` is None; NaN is refused.
    kind : str
        What it is, one of `KINDS`.
    digits : int or None
        Significant digits; None writes the fewest that read back to the same number.
    unit : str, optional
        The unit to write in, by default the one that leaves 1 to 999 before the point.

    Returns
    -------
    str
        Number and unit, such as "12 um".

    Raises
    ------
    ValueError
        If the value is NaN or the unit is none of the kind's.

    Examples
    --------
    >>> format_quantity(1.2e-5, "length")
    '12 um'
    >>> format_quantity(1234.5, "resistance")
    '1.234 kohm'
    >>> format_quantity(float("inf"), "resistance")
    'open'

    """
    spec = _kind(kind)
    if math.isnan(value):
        raise ValueError(f"{spec.noun} must be a number, got nan")
    if math.isinf(value):
        if kind == "resistance" and value > 0:
            return "open"
        return f"{value} {spec.unit}"
    if kind == "resistance" and digits is not None and value:  # no bench reads beyond
        if abs(value) < 1e-6:
            return "less than 0.001 mohm"
        if abs(value) > 1e15:
            return "more than 1e6 Gohm"
    exact = Decimal(repr(float(value)))
    if kind == "ratio":
        size, suffix = Decimal(1), ":1"
    elif kind == "temperature":
        exact -= Decimal(str(ZERO_CELSIUS))
        size, suffix = Decimal(1), " C"
    else:
        name, size = _choose_unit(spec, kind, exact, unit, 15 if digits is None else digits)
        suffix = f" {name}"
    if digits is not None:
        return _digits(exact / size, digits) + suffix
    for count in range(1, 17):
        text = _digits(exact / size, count) + suffix
        if parse_quantity(text, kind) == value:
            return text
    return _digits(exact / size, 17) + suffix


def _choose_unit(
    spec: _Kind, kind: str, exact: Decimal, unit: str | None, digits: int
) -> tuple[str, Decimal]:
    if unit is not None:
        size = _factor(unit, kind)
        if isinstance(size, str):
            raise ValueError(f"unit must be one that {spec.noun} has, got {unit!r}")
        return unit, size
    ladder = [(name, Decimal(size)) for name, size in spec.ladder]
    if not exact:
        return spec.unit, dict(ladder).get(spec.unit, ladder[0][1])
    if kind == "strain":  # a window of strains reads best in one unit
        return ladder[0] if abs(exact) < Decimal("0.02") else ladder[1]
    chosen = ladder[0]
    for name, size in ladder:
        # 999.96 um in four digits is 1000 um: step up on what will be printed
        if abs(Decimal(f"{exact / size:.{digits}g}")) >= 1:
            chosen = (name, size)
    return chosen
