"""Numbers in words: one way to write each kind of quantity, for page, terminal, messages.

Values are SI, in memory or as read back from a summary, where an infinite number is the
string "inf". A missing number is an en dash, an infinite resistance "open". Texts hold a
few signs beyond ASCII; `spelt` writes them out for a terminal.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from percsim.units import KINDS, format_quantity

__all__ = [
    "band",
    "cell",
    "celsius",
    "columns",
    "confidence",
    "counted",
    "duration",
    "estimate",
    "grams",
    "length",
    "listed",
    "many",
    "memory",
    "microstrain",
    "mix",
    "mm",
    "number",
    "percent",
    "probability",
    "quantiles",
    "quantity",
    "resistance",
    "scaled",
    "sentence",
    "share",
    "signed",
    "simulation_error",
    "span",
    "spelt",
    "tenths",
    "three",
    "two",
    "units_held",
    "weight",
    "window",
    "with_error",
]

MISSING = "–"

# ------------------------------------------------------------------------------------------
# Plain numbers
# ------------------------------------------------------------------------------------------


def number(value: Any) -> float | None:
    """Read a number of a summary: "inf" is infinite, anything that is no number is None."""
    if value is None or isinstance(value, bool):
        return None
    try:
        x = float(value)
    except (TypeError, ValueError):
        return None
    return None if math.isnan(x) else x


def three(value: Any, infinite: str = "open") -> str:
    """Write a number with three significant digits.

    Parameters
    ----------
    value : float, str or None
        What to write; "inf" counts as infinite, anything that is no number as missing.
    infinite : str
        What to write for an infinite number.

    Returns
    -------
    str
        Plain digits from 0.001 to 99999, powers of ten beyond; an en dash when missing.

    Examples
    --------
    >>> [three(x) for x in (2034.0, 0.012345, 14.96, 3e-7, "inf", 0, 99999.0)]
    ['2030', '0.0123', '15', '3e-7', 'open', '0', '1e5']

    """
    x = number(value)
    if x is None:
        return MISSING
    if math.isinf(x):
        return infinite if x > 0 else f"-{infinite}"
    if x == 0.0:
        return "0"
    mantissa, _, power = f"{x:.2e}".partition("e")
    exponent = int(power)
    if -3 <= exponent < 5:
        text = f"{float(f'{x:.2e}'):.{max(0, 2 - exponent)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{mantissa.rstrip('0').rstrip('.')}e{exponent}"


def two(value: Any) -> str:
    """Write an error with two significant digits."""
    x = number(value)
    return three(x if x is None or math.isinf(x) else float(f"{x:.1e}"))


def scaled(value: Any, factor: float) -> str:
    """Write a number after multiplying it by the factor of a bench unit."""
    x = number(value)
    return three(None if x is None else x * factor)


def signed(value: Any, factor: float = 1.0) -> str:
    """Write a change with its sign, after multiplying it by the factor of a bench unit.

    Examples
    --------
    >>> signed(0.123, 100.0), signed(-3e-6, 1e6), signed(0.0), signed("inf")
    ('+12.3', '-3', '0', 'open')

    """
    x = number(value)
    if x is None or math.isinf(x):
        return three(x)
    return f"{'+' if x > 0.0 else ''}{three(factor * x)}"


def with_error(value: Any, error: Any, factor: float = 1.0) -> str:
    """Write a value and its standard error, both to the second digit of the error.

    Parameters
    ----------
    value, error : float, str or None
        What to write; without an error, or for an open value, the value alone.
    factor : float
        Turns both into a bench unit.

    Returns
    -------
    str
        Value, "±" and error.

    Examples
    --------
    >>> with_error(9.162, 1.377), with_error(-99.7, 217.0), with_error(2.0, 0.16)
    ('9.2 ± 1.4', '-100 ± 220', '2.00 ± 0.16')
    >>> with_error(9.162, "inf"), with_error("inf", 1.0), with_error(9.162, None)
    ('9.16 ± unknown', 'open', '9.16')

    """
    x, e = number(value), number(error)
    text = scaled(value, factor)
    if x is None or math.isinf(x) or not e:
        return text
    if math.isinf(e):
        return f"{text} ± unknown"
    x, e = x * factor, float(f"{e * factor:.1e}")
    places = 1 - math.floor(math.log10(e))
    if not -4 <= places <= 4 or abs(x) * 10.0**places >= 1e6:
        return f"{text} ± {two(e)}"
    return " ± ".join(f"{round(v, places):.{max(places, 0)}f}" for v in (x, e))


def estimate(entry: Any, factor: float = 1.0) -> str:
    """Write an entry that holds a value, median or mean with its standard error."""
    entry = entry if isinstance(entry, Mapping) else {}
    value = next((entry[key] for key in ("value", "median", "mean") if key in entry), None)
    return with_error(value, entry.get("standard_error"), factor)


# ------------------------------------------------------------------------------------------
# Shares and chances
# ------------------------------------------------------------------------------------------


def percent(value: Any) -> str:
    """Write a fraction as per cent, without the sign of the unit."""
    x = number(value)
    if x is None:
        return MISSING
    if math.isinf(x):
        return "open"
    if abs(x) > 1e6:
        return ">1e8" if x > 0.0 else "<-1e8"
    return "<0.01" if 0.0 < x < 1e-4 else three(100.0 * x)


def tenths(value: Any) -> str:
    """Write a fraction in per cent to one place, for columns that are compared."""
    x = number(value)
    if x is None or math.isinf(x):
        return MISSING
    return f"{100.0 * x:.1f}" if abs(x) < 10.0 else three(100.0 * x)


def share(value: Any) -> str:
    """Write a share of castings as whole per cent, finer below 1 and above 99.

    Examples
    --------
    >>> [share(x) for x in (0.0, 4e-4, 0.004, 0.564, 0.994, 0.9995, 1.0)]
    ['0', '<0.1', '0.4', '56', '99.4', '>99.9', '100']

    """
    x = number(value)
    if x is None or not 0.0 < x < 1.0:
        return percent(value)
    if x < 5e-4 or x >= 0.9995:
        return "<0.1" if x < 0.5 else ">99.9"
    return f"{100.0 * x:.0f}" if 0.01 <= x <= 0.99 else f"{100.0 * x:.1f}"


def confidence(value: Any) -> str:
    """Write what resamples are sure of, in per cent; they tell no finer than 99."""
    x = number(value)
    return MISSING if x is None else ">99" if x > 0.99 else f"{100.0 * x:.0f}"


def probability(value: Any) -> str:
    """Write the probability of a chance as great, which is read against 0.05 and 0.01."""
    x = number(value)
    if x is None:
        return MISSING
    return "below 0.001" if x < 0.001 else f"{x:.2g}"


def weight(value: Any, unit: str = "wt%") -> str:
    """Write a loading with four digits, as it is weighed; without unit for a cell."""
    x = number(value)
    return MISSING if x is None else f"{100.0 * x:.4g} {unit}".rstrip()


def grams(value: Any, step: float = 1e-3) -> str:
    """Write a mass [g] to the step of a balance [g].

    Examples
    --------
    >>> grams(30.625, 0.01), grams(30.625, 0.25), grams(30.625, 1.0), grams(30.625)
    ('30.62', '30.62', '31', '30.625')

    """
    x, places = number(value), 0
    while places < 6 and abs(round(step, places) - step) > 1e-9 * step:
        places += 1
    return MISSING if x is None else f"{x:.{places}f}"


def mix(value: Any) -> str:
    """Write a base to curing agent ratio."""
    x = number(value)
    if x is None:
        return MISSING
    return "no agent" if math.isinf(x) else f"{x:.4g}:1"


# ------------------------------------------------------------------------------------------
# Quantities with their units
# ------------------------------------------------------------------------------------------

_KINDS = {
    "ohm": "resistance",
    "m": "length",
    "S": "conductance",
    "kg": "mass",
    "J": "energy",
    "V": "voltage",
    "A": "current",
    "W": "power",
    "s": "time",
    "K": "temperature",
    "Pa": "pressure",
    "fraction": "percentage",
}
_FIXED = {"strain": "microstrain", "energy": "meV"}
_CELLS = {
    "": 1.0, "%": 100.0, "mm": 1e3, "um": 1e6, "kohm": 1e-3, "microstrain": 1e6, "uS": 1e6,
}  # fmt: skip


def quantity(value: Any, unit: str, digits: int = 3, written_in: str | None = None) -> str:
    """Write a value with its unit as a bench reads it.

    Parameters
    ----------
    value : float, str or None
        Value in the unit given.
    unit : str
        An SI unit, a kind of `percsim.units.KINDS`, or any text, which is then kept.
    digits : int
        Significant digits.
    written_in : str, optional
        Bench unit, by default the one that leaves 1 to 999 before the point.

    Returns
    -------
    str
        Number and unit; what is no number as it stands.

    Examples
    --------
    >>> quantity(2034.0, "ohm"), quantity(0.25, "fraction"), quantity(293.15, "K")
    ('2.03 kohm', '25 %', '20 C')
    >>> quantity(0.0482, "ohm"), quantity(999.6, "ohm"), quantity("inf", "ohm")
    ('48.2 mohm', '1 kohm', 'open')

    """
    x = number(value)
    if x is None:
        return MISSING if value is None else str(value)
    unit = "" if unit == "1" else unit
    kind = _KINDS.get(unit, unit)
    if math.isinf(x):
        return "open" if kind in ("resistance", "percentage", "") else f"infinite {unit}"
    if kind == "percentage" and abs(x) > 1e6:
        return "more than a factor 1e6"
    if kind not in KINDS:
        return f"{three(x)} {unit}".strip()
    if unit == "m" and 0.9995e-4 <= abs(x) < 0.9995:
        written_in = written_in or "mm"  # as films are measured
    return format_quantity(x, kind, digits=digits, unit=written_in or _FIXED.get(kind))


def resistance(value: Any, digits: int = 3) -> str:
    """Write a resistance [ohm]."""
    return quantity(value, "ohm", digits)


def length(value: Any) -> str:
    """Write the length of a particle or a box [m]."""
    return quantity(value, "length")


def mm(value: Any) -> str:
    """Write a length of a film [m], in mm however thin it is."""
    x = number(value)
    return MISSING if x is None else format_quantity(x, "length", unit="mm")


def celsius(value: Any) -> str:
    """Write a temperature [K]."""
    return quantity(value, "K")


def microstrain(value: Any) -> str:
    """Write a strain."""
    return quantity(value, "strain")


def cell(value: Any, unit: str = "") -> str:
    """Write a number for a column of one unit; what takes powers of ten there has its own.

    Examples
    --------
    >>> [cell(x, "kohm") for x in (2034.0, 0.0482, 3e8, "inf")]
    ['2.03', '48.2 mohm', '300 Mohm', 'open']

    """
    text = scaled(value, _CELLS[unit])
    return resistance(value) if unit == "kohm" and "e" in text.replace("open", "") else text


def simulation_error(error: Any, unit: str = "", beside: Any = None) -> str:
    """Write a simulation error alone, as "simulation ± 1.2 kohm".

    Parameters
    ----------
    error : float, str or None
        Standard error, SI.
    unit : str
        As in `quantity`.
    beside : float, str or None
        The value it is of, whose bench unit it shares.

    Returns
    -------
    str
        Two digits and unit; empty when there is none.

    """
    e = number(error)
    if e is None or e == 0.0:
        return ""
    if math.isinf(e):
        return "simulation error unknown"
    if _KINDS.get(unit, unit) not in KINDS:
        return f"simulation ± {two(e)} {unit}".strip()
    shared = quantity(beside, unit).partition(" ")[2] if number(beside) else None
    return f"simulation ± {quantity(e, unit, 2, shared)}"


# ------------------------------------------------------------------------------------------
# Ranges
# ------------------------------------------------------------------------------------------


def span(
    low: Any, high: Any, unit: str = "", digits: int = 3, infinite: str = "open"
) -> str:
    """Write a range, its unit once.

    Parameters
    ----------
    low, high : float, str or None
        Ends in the unit given.
    unit : str
        As in `quantity`.
    digits : int
        Significant digits.
    infinite : str
        What to write for an end that is infinite; anything but "open" is no value but that
        there is no bound.

    Returns
    -------
    str
        Both ends in the bench unit of the upper one, in a smaller one if the lower end
        would vanish in it, each in its own only if no unit fits both.

    Examples
    --------
    >>> span(981.0, 2180.0, "ohm"), span(65.0, "inf", "ohm"), span(0.0482, 3e9, "ohm")
    ('0.981 to 2.18 kohm', '65 ohm to open', '48.2 mohm to 3 Gohm')
    >>> span(1.2, 3.4), span(0.0, 0.003, "strain"), span(5.0, 5.0, "ohm")
    ('1.2 to 3.4', '0 to 3000 microstrain', '5 ohm')

    """
    a, b = number(low), number(high)
    if a is None or b is None:
        return MISSING
    open_end = math.isinf(a) or math.isinf(b)
    shared = None if open_end else _shared_unit(abs(a), abs(b), _KINDS.get(unit, unit))
    first, second = (
        infinite if math.isinf(x) else quantity(x, unit, digits, shared) for x in (a, b)
    )
    if first == second:
        return first
    digits_alone, _, own = first.partition(" ")
    if math.isinf(b) and infinite != "open":
        return f"{first} upward, {infinite}"
    same = own and own == second.partition(" ")[2]
    return f"{digits_alone if same else first} to {second}"


def _shared_unit(low: float, high: float, kind: str) -> str | None:
    """Largest unit of a ladder that writes both ends plainly, None if none does."""
    if kind not in KINDS or kind in _FIXED or kind == "temperature":
        return None
    low, high = min(low, high), max(low, high)
    for name, size in reversed(KINDS[kind].ladder):
        if high >= 0.9995 * float(size) and (low == 0.0 or low >= 0.01 * float(size)):
            return name if high < 1e5 * float(size) else None
    return None


def window(low: Any, high: Any, unit: str = "ohm", digits: int = 3) -> str:
    """Write the limits asked for, empty if there are none.

    Examples
    --------
    >>> window(700.0, 3000.0), window(700.0, "inf"), window(0, 3000.0), window(0, "inf")
    ('0.7 to 3 kohm', 'at least 700 ohm', 'up to 3 kohm', '')

    """
    bottom, top = number(low) or 0.0, number(high)
    if top is None or math.isinf(top):
        return f"at least {quantity(bottom, unit, digits)}" if bottom > 0.0 else ""
    if bottom > 0.0:
        return span(bottom, top, unit, digits)
    return f"up to {quantity(top, unit, digits)}"


def band(row: Any, unit: str = "", infinite: str = "open") -> str:
    """5 to 95 % of castings, of an entry with `p05` and `p95`, in words."""
    row = row if isinstance(row, Mapping) else {}
    return span(row.get("p05"), row.get("p95"), unit, infinite=infinite)


def quantiles(row: Any, unit: str = "") -> tuple[str, str]:
    """Median and 5-95 % range of an entry, as cells of columns of one unit."""
    row = row if isinstance(row, Mapping) else {}
    median, low, high = (cell(row.get(key), unit) for key in ("median", "p05", "p95"))
    return median, low if low == high else f"{low} – {high}"


# ------------------------------------------------------------------------------------------
# Counts, time, lists and tables
# ------------------------------------------------------------------------------------------


def counted(count: int, noun: str, plural: str = "") -> str:
    """Give a number with its noun: 1 core, 2 cores."""
    return f"{count} {noun if count == 1 else plural or noun + 's'}"


def many(count: float) -> str:
    """Write a large whole number: 6,700, 67 thousand, 6.7 million.

    Examples
    --------
    >>> [many(n) for n in (9999, 12345, 999_600, 6.7e6, 1.2e10)]
    ['9,999', '12 thousand', '1 million', '6.7 million', '12 thousand million']

    """
    for size, name in ((1e9, " thousand million"), (1e6, " million")):
        if count >= 0.9995 * size:
            return f"{three(count / size)}{name}"
    return f"{count / 1e3:.0f} thousand" if count >= 9999.5 else f"{count:,.0f}"


def duration(seconds: float) -> str:
    """Write a duration for a person who waits."""
    if not seconds < 1e7:
        return "unknown"
    whole = round(seconds)
    if whole < 90:
        return f"{whole} s"
    if whole < 90 * 60:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def memory(size: float) -> str:
    """Write an amount of memory [bytes]."""
    return f"{size / 1e6:,.0f} MB" if size < 1e10 else f"{size / 1e9:,.0f} GB"


def columns(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> list[str]:
    """Lay out lines of plain text in columns, the first `left` of them flush left."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    return [
        "  ".join(
            cell.ljust(w) if k < left else cell.rjust(w)
            for k, (cell, w) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    ]


def listed(words: Sequence[str], most: int = 0, between: str = ", ") -> str:
    """Join words as a sentence does, past `most` of them as a number.

    Examples
    --------
    >>> listed(["a"]), listed(["a", "b", "c"]), listed(["a", "b", "c"], most=2)
    ('a', 'a, b and c', 'a, b and 1 more')

    """
    if most and len(words) > most:
        return f"{between.join(words[:most])} and {len(words) - most} more"
    if between != ", ":  # of phrases with commas of their own
        return between.join(words)
    *head, last = words or [""]
    return f"{', '.join(head)} and {last}" if head else last


# ------------------------------------------------------------------------------------------
# Sentences
# ------------------------------------------------------------------------------------------

_UNIT_AHEAD = (
    r"(?<=\d) (?=%|wt%|vol%|(?:[kMG]?ohm|[mun]m|m[AVW]|[mun]?S|V|C|h|min|s|microstrain)\b)"
)
_PLAIN = {
    "–": "-",
    "−": "-",
    "\u00a0": " ",
    "±": "+-",
    "×": "x",
    "µ": "u",
    "φ": "phi",
    "ρ": "rho",
    "²": "^2",
    "Ω": "ohm",
    "≥ ": ">=",
    "≤ ": "<=",
}


def sentence(text: Any) -> str:
    """Make a sentence of a phrase: a capital, a full stop, units held to their numbers.

    A symbol at the start, such as g0 or lambda_T, is left as it is.

    Examples
    --------
    >>> sentence("self-heating"), sentence("g0 is assumed"), sentence("Open!")
    ('Self-heating.', 'g0 is assumed.', 'Open!')

    """
    words = str(text).strip()
    first = re.match(r"[a-z]+(?=[\s,:;.-]|$)", words)
    if first and first.group() != "percsim":
        words = words[0].upper() + words[1:]
    if words and words[-1] not in ".!?:":
        words += "."
    return units_held(words)


def units_held(text: str) -> str:
    """Hold units to their numbers with spaces that break no line."""
    return re.sub(_UNIT_AHEAD, "\u00a0", text)


def spelt(text: str) -> str:
    """Spell a text in ASCII for a terminal."""
    for fancy, simple in _PLAIN.items():
        text = text.replace(fancy, simple)
    return text.encode("ascii", "replace").decode("ascii")
