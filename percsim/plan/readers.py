# ruff: noqa: D102 (what `read` and `write` do, Reader says)
"""Readers: one plain value of the plan file -> one value in SI, and back."""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from typing import Any

from percsim.units import (
    KINDS,
    LONGEST,
    format_quantity,
    parse_quantity,
    parse_range,
    show_value,
)

__all__ = [
    "FLAG",
    "RESISTANCE",
    "TEXT",
    "Choice",
    "FaultsError",
    "Many",
    "Number",
    "Quantity",
    "Reader",
    "Window",
    "did_you_mean",
    "either",
    "faults_of",
    "read_table",
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


def did_you_mean(word: str, known: Sequence[str], most: int = 1) -> str:
    """Give the nearest known words as the end of a message; empty when none is near.

    Those that hold the word come first.
    """
    if not 3 <= len(word) <= LONGEST:
        return ""
    several = list(dict.fromkeys(known))
    close = [other for other in several if word in other][:most]
    close = close or difflib.get_close_matches(word, several, most, 0.6)
    return f"; did you mean {either(close)}?" if close else ""


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
    each = Quantity(kind, "1 uohm", "1000 Gohm")
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
