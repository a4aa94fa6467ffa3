# ruff: noqa: D102 (what `read` and `write` do, Reader says)
"""Readers: one value of the plan file -> one value in SI, and back."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from percsim.units import (
    KINDS,
    LONGEST,
    format_quantity,
    parse_quantity,
    parse_range,
    show_value,
)

__all__ = [
    "ALONG_FILM",
    "ASPECT",
    "CONDUCTANCE",
    "CURE",
    "FLAG",
    "HOW_KNOWN",
    "MIX_RATIO",
    "PARTICLE_SIZE",
    "RESISTANCE",
    "STRAIN",
    "TEXT",
    "VOLTAGE",
    "BoxLength",
    "Choice",
    "Diameters",
    "FaultsError",
    "Many",
    "Number",
    "Quantity",
    "Reader",
    "Stated",
    "StatedAs",
    "Window",
    "did_you_mean",
    "either",
    "faults_of",
    "read_table",
    "written_basis",
]


class FaultsError(ValueError):
    """Several faults inside one value: (where below the key, what)."""

    def __init__(self, faults: Sequence[tuple[str, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{where} {what}".strip() for where, what in faults))


def faults_of(error: ValueError) -> Sequence[tuple[str, str]]:
    """Faults of a value that could not be read: (where below the key, what)."""
    if isinstance(error, FaultsError):
        return error.faults
    verb = str(error).startswith(("must ", "is ", "has "))
    return [("", str(error) if verb else f"= {error}")]


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """Give the nearest known word as the end of a message; empty when none is near."""
    close = difflib.get_close_matches(word, known if len(word) <= LONGEST else (), 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def either(options: Sequence[str]) -> str:
    """Give the options in words: 'a', 'b' or 'c'."""
    quoted = [f"'{o}'" for o in options]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


class Reader:
    """Reads and writes one kind of value; `range` is what the documentation says of it."""

    range: str = ""

    def read(self, value: Any) -> Any:
        """Value in SI of what stands in the file; ValueError says what is wrong."""
        raise NotImplementedError

    def write(self, value: Any) -> Any:
        """Write it so that `read` gives the same value again."""
        return value


class Quantity(Reader):
    """A number with a unit, between two bounds written in bench units (both allowed)."""

    def __init__(self, kind: str, lowest: str, highest: str, unit: str = "") -> None:
        self.kind, self.unit = kind, unit or KINDS[kind].unit
        self.lowest = parse_quantity(lowest, kind)
        self.highest = parse_quantity(highest, kind)
        self.range = f"{lowest} to {highest}"

    def read(self, value: Any) -> float:
        si = parse_quantity(value, self.kind, unit_hint=self.unit)
        if si < self.lowest:
            raise ValueError(f"{show_value(value)} is too small; the range is {self.range}")
        if si > self.highest:
            raise ValueError(f"{show_value(value)} is too large; the range is {self.range}")
        return si

    def write(self, value: Any) -> str:
        if value == 0.0 and self.kind not in ("temperature", "ratio"):
            return f"0 {self.unit}"
        return format_quantity(value, self.kind, digits=None)


class Number(Reader):
    """A plain number between two bounds (both allowed)."""

    def __init__(self, lowest: float, highest: float, *, whole: bool = False) -> None:
        self.lowest, self.highest, self.whole = lowest, highest, whole
        self.range = f"{lowest} to {highest}" if whole else f"{lowest:g} to {highest:g}"

    def read(self, value: Any) -> float | int:
        kind = "a whole number" if self.whole else "a plain number"
        allowed = int if self.whole else (int, float)
        if isinstance(value, bool) or not isinstance(value, allowed) or value != value:
            raise ValueError(f"{show_value(value)} must be {kind}, {self.range}")
        if not self.lowest <= value <= self.highest:
            raise ValueError(f"{show_value(value)} is out of range; {kind}, {self.range}")
        return int(value) if self.whole else float(value)


class Choice(Reader):
    """One of a few words."""

    def __init__(self, *options: str) -> None:
        self.options = options
        self.range = either(options)

    def read(self, value: Any) -> str:
        if value in self.options and isinstance(value, str):
            return value
        hint = did_you_mean(value, self.options) if isinstance(value, str) else ""
        raise ValueError(f"{show_value(value)} must be {self.range}{hint}")


class Text(Reader):
    """A line of text."""

    range = "any text"

    def read(self, value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{show_value(value)} must be text in quotes")
        if any(ord(c) < 32 for c in value):
            raise ValueError(f"{show_value(value)} must be one line of text")
        return value.strip()


TEXT = Text()


class Resistance(Reader):
    """A resistance, or the word open."""

    kind = "resistance"
    each = Quantity(kind, "0.001 ohm", "1000 Gohm")
    range = f"{each.range}, or open"

    def read(self, value: Any) -> float:
        if isinstance(value, str) and value.strip().lower() == "open":
            return math.inf
        try:
            return self.each.read(value)
        except ValueError as error:
            hint = ", or 'open'" if "unit" in str(error) else ""
            raise ValueError(f"{error}{hint}") from None

    def write(self, value: Any) -> str:
        return "open" if math.isinf(value) else self.each.write(value)


RESISTANCE = Resistance()


class Flag(Reader):
    """Yes or no."""

    range = "true or false"

    def read(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError(f"{show_value(value)} must be true or false, without quotes")
        return value


FLAG = Flag()


def read_table(
    table: Mapping[str, Any], readers: Mapping[str, Reader], needed: Sequence[str]
) -> dict[str, Any]:
    """Read an inline table key by key, all its faults at once."""
    faults: list[tuple[str, str]] = []
    got: dict[str, Any] = {}
    misspelt = False
    for key, entry in table.items():
        if key not in readers:
            hint = (
                did_you_mean(str(key), tuple(readers)) or f"; known: {', '.join(readers)}"
            )
            faults.append((f".{key}", f"is not known{hint}"))
            misspelt = True
            continue
        try:
            got[key] = readers[key].read(entry)
        except ValueError as error:
            faults.append((f".{key}", f"= {error}"))
    if not misspelt:  # else the one that is missing is most likely the misspelt one
        faults += [(f".{key}", "is missing") for key in needed if key not in table]
    if faults:
        raise FaultsError(faults)
    return got


class Window(Reader):
    """Two quantities with "to" between them, or a table of `from` and `to`."""

    def __init__(self, kind: str, lowest: str, highest: str, unit: str = "") -> None:
        self.end = Quantity(kind, lowest, highest, unit)
        self.range = f"both ends {self.end.range}"

    def read(self, value: Any) -> tuple[float, float]:
        if isinstance(value, Mapping):
            got = read_table(value, {"from": self.end, "to": self.end}, ("from", "to"))
            low, high = got["from"], got["to"]
            if not low < high:
                raise ValueError("must rise; the value of `from` is not below that of `to`")
        else:
            low, high = parse_range(value, self.end.kind, unit_hint=self.end.unit)
        if low < self.end.lowest or high > self.end.highest:
            raise ValueError(f"{show_value(value)} is out of range; {self.range}")
        return low, high

    def write(self, value: Any) -> str:
        low, high = value
        kind = self.end.kind
        # one unit for both ends, that of the larger
        unit = format_quantity(max(abs(low), abs(high)), kind).split(maxsplit=1)[1]
        first, second = (format_quantity(v, kind, digits=None, unit=unit) for v in value)
        text = f"{first.split()[0]} to {second}"
        return text if self.read(text) == value else f"{first} to {second}"


class Many(Reader):
    """A list of values: no two the same, kept in rising order; or as they come."""

    def __init__(self, each: Reader, least: int = 1, *, as_written: bool = False) -> None:
        self.each, self.least, self.as_written = each, least, as_written
        self.range = f"each {each.range}"

    def read(self, value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError(f"{show_value(value)} must be a list, [ ... ]")
        faults: list[tuple[str, str]] = []
        read: list[Any] = []
        for i, entry in enumerate(value, 1):
            try:
                got = self.each.read(entry)
            except ValueError as error:
                faults.append((f" (entry {i})", f"= {error}"))
                continue
            if got in read and not self.as_written:
                faults.append((f" (entry {i})", f"= {show_value(entry)} is there twice"))
            read.append(got)
        if faults:
            raise FaultsError(faults)
        if not read and self.least:
            raise ValueError(f"is an empty list; it needs at least {self.least}")
        if len(read) < self.least:
            entries = "1 entry" if len(read) == 1 else f"{len(read)} entries"
            raise ValueError(f"has {entries}; it needs at least {self.least}")
        return tuple(read if self.as_written else sorted(read))

    def write(self, value: Any) -> list[Any]:
        return [self.each.write(v) for v in value]


class Diameters(Reader):
    """A length, or a multiple of the median diameter written like "8 D"."""

    range = "4 D to 200 D, or a length"
    _multiple = re.compile(r"([0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9}) ?D")

    def read(self, value: Any) -> BoxLength:
        match = self._multiple.fullmatch(value.strip()) if isinstance(value, str) else None
        if match:
            times = float(match.group(1))
            if not 4.0 <= times <= 200.0:
                raise ValueError(f"{show_value(value)} is out of range; {self.range}")
            return BoxLength(times, True)
        try:
            length = parse_quantity(value, "length", unit_hint="um")
        except ValueError as error:
            raise ValueError(f"{error}, or '8 D' for eight median diameters") from None
        if length <= 0.0:
            raise ValueError(f"{show_value(value)} must be above 0")
        return BoxLength(length, False)

    def write(self, value: Any) -> str:
        if value.in_diameters:
            return f"{value.value:g} D"
        return format_quantity(value.value, "length", digits=None)


@dataclass(frozen=True, slots=True, order=True)
class BoxLength:
    """Length of a box as written: metres, or median diameters.

    Parameters
    ----------
    value : float
        Metres or multiples.
    in_diameters : bool
        Which of the two.

    """

    value: float
    in_diameters: bool


@dataclass(frozen=True, slots=True)
class Stated:
    """A parameter with where it comes from.

    Parameters
    ----------
    value : float
        In SI.
    basis : {"assumed", "measured"}
        Whether somebody measured it on this material or it is a guess.
    source : str
        Free text, for the report.
    factor : float or None
        95 % of what it may be lies within this factor either way.
    low, high : float or None
        Instead: hard limits of what it may be, in SI.

    """

    value: float
    basis: Literal["assumed", "measured"] = "assumed"
    source: str = ""
    factor: float | None = None
    low: float | None = None
    high: float | None = None


HOW_KNOWN: dict[str, Reader] = {
    "basis": Choice("assumed", "measured"),
    "source": TEXT,
    "factor": Number(1.0, 1000.0),
}
"""Keys of a table that say how well a value is known."""


def written_basis(value: Any) -> dict[str, Any]:
    """How well a value is known, as a table says it."""
    said = {name: getattr(value, name) for name in HOW_KNOWN}
    return {name: what for name, what in said.items() if what not in (None, "")}


class StatedAs(Reader):
    """A value, or a table of value, basis, source and how wide it may be."""

    def __init__(self, each: Reader) -> None:
        self.each = each
        self.range = each.range

    def read(self, value: Any) -> Stated:
        if not isinstance(value, Mapping):
            return Stated(self.each.read(value))
        known = {"value": self.each, **HOW_KNOWN, "low": self.each, "high": self.each}
        stated = Stated(**read_table(value, known, ("value",)))
        low, high = stated.low, stated.high
        if (low is None) != (high is None):
            missing = "low" if low is None else "high"
            raise FaultsError([(f".{missing}", "is missing; give both low and high")])
        if low is not None and stated.factor is not None:
            raise FaultsError([(".factor", "is there besides low and high; give one")])
        if low is not None and high is not None and not low < stated.value < high:
            raise FaultsError([(".value", "must lie between low and high")])
        if stated.factor is not None and stated.factor > 1.0 and not stated.value > 0.0:
            raise FaultsError([(".factor", "of 0 means nothing; give low and high")])
        return stated

    def write(self, value: Any) -> dict[str, Any]:
        limits = {"low": value.low, "high": value.high}
        return {
            "value": self.each.write(value.value),
            **written_basis(value),
            **{k: self.each.write(v) for k, v in limits.items() if v is not None},
        }


MIX_RATIO = Quantity("ratio", "1:1", "100:1")
PARTICLE_SIZE = Quantity("length", "1 nm", "10 mm", "um")
ASPECT = Number(1.0, 10_000.0)
ALONG_FILM = Quantity("length", "1 um", "10000 mm")
CURE = Quantity("temperature", "0 C", "250 C")
CONDUCTANCE = Quantity("conductance", "1 pS", "1000 S")
VOLTAGE = Quantity("voltage", "0.001 V", "1000 V")
STRAIN = Quantity("strain", "-200000 microstrain", "1000000 microstrain")
