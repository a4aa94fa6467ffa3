"""The sections of a plan file: every key with its documentation, default, unit and range.

Each section is a pydantic model; a reader behind every field turns what stands in the file
("0.2 mm", "26 wt%", "7:1") into SI and back, and says what is wrong in one line. The
plan that `percsim new --all` writes, and `percsim explain`, take their words from here.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from percsim.units import (
    LONGEST,
    format_quantity,
    parse_quantity,
    parse_range,
    show_value,
)

if TYPE_CHECKING:
    from percsim.materials.filler import SizeDistribution

__all__ = [
    "ESSENTIAL",
    "OPTIONAL",
    "PLAN_FOLDER",
    "ROWS",
    "SECTIONS",
    "AspectRatio",
    "BatchSection",
    "BoxLength",
    "BoxesSection",
    "ContactsSection",
    "ElastomerSection",
    "ExploreSection",
    "FaultsError",
    "FillerSection",
    "FilmSection",
    "HeadSection",
    "MeasuredSection",
    "PartSection",
    "PlacementSection",
    "Reader",
    "Section",
    "SheetSection",
    "Sizes",
    "Stated",
    "StrainSection",
    "SupplySection",
    "TargetSection",
    "TemperatureSection",
    "TolerancesSection",
    "VibrationSection",
    "did_you_mean",
    "either",
    "reader_of",
]


PLAN_FOLDER: ContextVar[Path] = ContextVar("PLAN_FOLDER", default=Path())
"""Folder that the plan being read stands in; names of other files are relative to it."""


class FaultsError(ValueError):
    """Several faults inside one value: (where below the key, what)."""

    def __init__(self, faults: Sequence[tuple[str, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{where} {what}".strip() for where, what in faults))


def did_you_mean(word: str, known: Sequence[str]) -> str:
    """Give the nearest known word as the end of a message; empty when none is near."""
    close = difflib.get_close_matches(word, known if len(word) <= LONGEST else (), 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def either(options: Sequence[str]) -> str:
    """Give the options in words: 'a', 'b' or 'c'."""
    quoted = [f"'{o}'" for o in options]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


# ------------------------------------------------------------------------------------------
# Readers: one value of the file -> one value in SI, and back
# ------------------------------------------------------------------------------------------


class Reader:
    """Reads and writes one kind of value; `range` is what the documentation says of it."""

    range: str = ""

    def read(self, value: Any) -> Any:
        """Value in SI of what stands in the file; ValueError says what is wrong."""
        raise NotImplementedError

    def write(self, value: Any) -> Any:
        """Write it so that `read` gives the same value again."""
        return value

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self.write),
        )


class _Quantity(Reader):
    """A number with a unit, between two bounds written in bench units (both allowed)."""

    def __init__(self, kind: str, unit: str, lowest: str, highest: str) -> None:
        self.kind, self.unit = kind, unit
        self.lowest, self.highest = (
            parse_quantity(lowest, kind),
            parse_quantity(highest, kind),
        )
        self.range = f"{lowest} to {highest}"
        self.bounds = (lowest, highest)

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


class _Number(Reader):
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


class _Choice(Reader):
    """One of a few words."""

    def __init__(self, *options: str) -> None:
        self.options = options
        self.range = either(options)

    def read(self, value: Any) -> str:
        if value in self.options and isinstance(value, str):
            return value
        hint = did_you_mean(value, self.options) if isinstance(value, str) else ""
        raise ValueError(f"{show_value(value)} must be {self.range}{hint}")


class _Text(Reader):
    """A line of text."""

    range = "any text"

    def read(self, value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{show_value(value)} must be text in quotes")
        if any(ord(c) < 32 for c in value):
            raise ValueError(f"{show_value(value)} must be one line of text")
        return value.strip()


class _Resistance(Reader):
    """A resistance, or the word open."""

    each = _Quantity("resistance", "kohm", "0.001 ohm", "1000 Gohm")
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


class _Flag(Reader):
    """Yes or no."""

    range = "true or false"

    def read(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError(f"{show_value(value)} must be true or false, without quotes")
        return value


def _read_table(
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


class _Window(Reader):
    """Two quantities with "to" between them, or a table of `from` and `to`."""

    def __init__(self, kind: str, unit: str, lowest: str, highest: str) -> None:
        self.end = _Quantity(kind, unit, lowest, highest)
        self.range = f"both ends {self.end.range}"

    def read(self, value: Any) -> tuple[float, float]:
        if isinstance(value, Mapping):
            got = _read_table(value, {"from": self.end, "to": self.end}, ("from", "to"))
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


class _Many(Reader):
    """A list of values, no two the same; kept in rising order."""

    def __init__(self, each: Reader, least: int = 1) -> None:
        self.each, self.least = each, least
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
            if got in read:
                faults.append((f" (entry {i})", f"= {show_value(entry)} is there twice"))
            read.append(got)
        if faults:
            raise FaultsError(faults)
        if len(read) < self.least:
            few = (
                "is an empty list"
                if not read
                else f"has {len(read)} entr{'y' if len(read) == 1 else 'ies'}"
            )
            raise ValueError(f"{few}; it needs at least {self.least}")
        return tuple(sorted(read))

    def write(self, value: Any) -> list[Any]:
        return [self.each.write(v) for v in value]


class _Diameters(Reader):
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


_WIDE = _Number(1.0, 1000.0)


class _Stated(Reader):
    """A value, or a table of value, basis, source and how wide it may be."""

    def __init__(self, each: Reader) -> None:
        self.each = each
        self.range = each.range

    def read(self, value: Any) -> Stated:
        if not isinstance(value, Mapping):
            return Stated(self.each.read(value))
        known = {
            "value": self.each,
            "basis": _Choice("assumed", "measured"),
            "source": _Text(),
            "factor": _WIDE,
            "low": self.each,
            "high": self.each,
        }
        stated = Stated(**_read_table(value, known, ("value",)))
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
        out = {"value": self.each.write(value.value), "basis": value.basis}
        out |= {"source": value.source} if value.source else {}
        out |= {} if value.factor is None else {"factor": value.factor}
        limits = {"low": value.low, "high": value.high}
        return out | {k: self.each.write(v) for k, v in limits.items() if v is not None}


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of a powder, log-normal unless `edges` and `shares` give a histogram.

    Parameters
    ----------
    median : float
        Number median [m].
    spread : float
        Standard deviation of ln D.
    d10, d50, d90 : float or None
        The percentiles by volume it was given as [m].
    sieve : (float, float) or None
        Mesh openings between which particles are kept [m].
    edges, shares : tuple of float
        Bins of a size analysis as measured, m + 1 edges [m] and m shares.
    weighting : {"volume", "number"}
        What the shares count.

    """

    median: float
    spread: float
    d10: float | None = None
    d50: float | None = None
    d90: float | None = None
    sieve: tuple[float, float] | None = None
    edges: tuple[float, ...] = ()
    shares: tuple[float, ...] = ()
    weighting: Literal["volume", "number"] = "volume"

    def at_median(self, median: float) -> Sizes:
        """Sizes of the same width around another median [m]; a sieve is left out."""
        ratio = median / self.median
        d10, d50, d90 = (
            None if size is None else size * ratio
            for size in (self.d10, self.d50, self.d90)
        )
        edges = tuple(edge * ratio for edge in self.edges)
        return replace(
            self, median=median, d10=d10, d50=d50, d90=d90, sieve=None, edges=edges
        )

    def distribution(self) -> SizeDistribution:
        """Law of the sizes by number, sieved.

        Returns
        -------
        SizeDistribution

        Raises
        ------
        ValueError
            If the bins are no histogram or the sieve leaves nothing.

        """
        from percsim.materials.filler import SizeDistribution

        if self.edges:
            law = SizeDistribution.from_histogram(
                self.edges, self.shares, weighting=self.weighting
            )
        else:
            law = SizeDistribution(self.median, self.spread)
        if self.sieve is None:
            return law
        low, high = law.bounds
        if not (self.sieve[0] < high and self.sieve[1] > low) and low < high:
            ends = (format_quantity(v, "length") for v in (low, high))
            raise ValueError(f"leaves none of the sizes, {' to '.join(ends)}")
        return law.sieved(*self.sieve)


class _Sizes(Reader):
    """One size, {median, geometric_spread or spread}, {d10, d50, d90}, or bins."""

    length = _Quantity("length", "um", "1 nm", "10 mm")
    geometric = _Number(1.0, 4.0)
    spread = _Number(0.0, 1.386)
    sieve = _Window("length", "um", "0 nm", "10 mm")
    range = f"{length.range}; geometric spread {geometric.range}"

    def read(self, value: Any) -> Sizes:
        if not isinstance(value, Mapping):
            return Sizes(self.length.read(value), 0.0)
        value = dict(value)
        sieve = None
        if "sieve" in value:
            got = _read_table({"sieve": value.pop("sieve")}, {"sieve": self.sieve}, ())
            sieve = got["sieve"]
        if {"csv", "edges", "shares", "weighting"} & set(value):
            sizes = self._read_bins(value)
        else:
            sizes = self._read_law(value)
        if sieve is None:
            return sizes
        if not sizes.edges and sizes.spread == 0.0:
            raise FaultsError([(".sieve", "cuts nothing, all particles have one size")])
        sizes = replace(sizes, sieve=sieve)
        try:
            sizes.distribution()
        except ValueError as error:
            raise FaultsError([(".sieve", str(error))]) from None
        return sizes

    def _read_law(self, value: Mapping[str, Any]) -> Sizes:
        readers: dict[str, Reader] = {
            "median": self.length, "geometric_spread": self.geometric,
            "spread": self.spread, "d10": self.length, "d50": self.length,
            "d90": self.length,
        }  # fmt: skip
        number = {"median", "geometric_spread", "spread"} & set(value)
        volume = {"d10", "d50", "d90"} & set(value)
        needed = ("d10", "d50", "d90") if volume else ("median",)
        if number and volume:
            raise ValueError(
                "must hold either median and geometric_spread (by number) or d10, d50 and"
                " d90 (by volume), not some of both"
            )
        got = _read_table(value, readers, needed)
        if {"geometric_spread", "spread"} <= number:
            raise ValueError("has both geometric_spread and spread; give one of them")
        if number == {"median"}:
            raise ValueError(
                "is without its geometric_spread; write it like geometric_spread = 1.5"
            )
        if "spread" in got:
            return Sizes(got["median"], got["spread"])
        if "median" in got:
            return Sizes(got["median"], math.log(got["geometric_spread"]))
        if not got["d10"] < got["d50"] < got["d90"]:
            raise ValueError("must rise from d10 over d50 to d90")
        from percsim.materials.filler import SizeDistribution

        law = SizeDistribution.from_percentiles(**got, weighting="volume")
        if law.spread > self.spread.highest:
            raise ValueError("is wider than a geometric spread of 4; check d10 and d90")
        return Sizes(law.median, law.spread, **got)

    def _read_bins(self, value: Mapping[str, Any]) -> Sizes:
        """Bins from a file, or as `write` put them."""
        readers: dict[str, Reader] = {"weighting": _Choice("volume", "number")}
        if "csv" in value or not {"edges", "shares"} & set(value):
            readers |= {"csv": _Text()}
            got = _read_table(value, readers, ("csv", "weighting"))
            edges, shares = self._load(got["csv"])
        else:
            readers |= {"edges": _InOrder(self.length), "shares": _InOrder(_SHARE)}
            got = _read_table(value, readers, ("edges", "shares", "weighting"))
            edges, shares = got["edges"], got["shares"]
            if not edges:
                raise FaultsError([(".edges", "is an empty list")])
        sizes = Sizes(0.0, 0.0, None, None, None, None, edges, shares, got["weighting"])
        try:
            law = sizes.distribution()
        except ValueError as error:
            where = (".csv", f"= {got['csv']!r}: ") if "csv" in got else (".shares", "= ")
            raise FaultsError([(where[0], f"{where[1]}{error}")]) from None
        return replace(sizes, median=law.median, spread=law.spread)

    def _load(self, name: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
        from percsim.materials.filler import read_size_bins

        path = PLAN_FOLDER.get() / name
        try:
            # what a plan from elsewhere names must not reach the rest of the machine
            if not path.resolve().is_relative_to(PLAN_FOLDER.get().resolve()):
                raise ValueError(": must lie beside the plan or below")
            if path.exists() and not path.is_file():
                raise ValueError(": is not a file")  # reading a pipe would never end
            edges, shares = read_size_bins(path)
        except (OSError, ValueError, RuntimeError) as error:
            if isinstance(error, OSError):
                reason = f": cannot be read: {(error.strerror or str(error)).lower()}"
            elif "\0" in name or isinstance(error, RuntimeError):
                reason = ": is no name of a file"
            else:
                reason = str(error).removeprefix(str(path))
            raise FaultsError([(".csv", f"= {name!r}{reason}")]) from None
        for edge, which in ((edges[0], "smallest"), (edges[-1], "largest")):
            if not self.length.lowest <= edge <= self.length.highest:
                found = f"= {name!r}: its {which} size is out of range, {self.length.range}"
                raise FaultsError([(".csv", found)])
        return tuple(map(float, edges)), tuple(map(float, shares))

    def write(self, value: Any) -> Any:
        if value.sieve is not None:
            bare = self.write(replace(value, sieve=None))
            return bare | {"sieve": self.sieve.write(value.sieve)}
        if value.edges:
            return {
                "edges": [self.length.write(edge) for edge in value.edges],
                "shares": list(value.shares),
                "weighting": value.weighting,
            }
        if value.d50 is not None:
            return {k: self.length.write(getattr(value, k)) for k in ("d10", "d50", "d90")}
        if value.spread == 0.0:
            return self.length.write(value.median)
        out: dict[str, Any] = {"median": self.length.write(value.median)}
        return out | _written_spread(value.spread)


def _written_spread(spread: float) -> dict[str, float]:
    for digits in range(1, 8):
        geometric = float(f"{math.exp(spread):.{digits}g}")
        if math.log(geometric) == spread:
            return {"geometric_spread": geometric}
    # not every spread is the logarithm of a short number
    return {"spread": spread}


class _InOrder(Reader):
    """A list of values in the order written, repeats allowed."""

    def __init__(self, each: Reader) -> None:
        self.each = each
        self.range = f"each {each.range}"

    def read(self, value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError(f"{show_value(value)} must be a list, [ ... ]")
        faults: list[tuple[str, str]] = []
        read: list[Any] = []
        for i, entry in enumerate(value, 1):
            try:
                read.append(self.each.read(entry))
            except ValueError as error:
                faults.append((f" (entry {i})", f"= {error}"))
        if faults:
            raise FaultsError(faults)
        return tuple(read)


_SHARE = _Number(0.0, 1e30)  # counts, per cent, anything


@dataclass(frozen=True, slots=True)
class AspectRatio:
    """Aspect ratio of a powder with where it comes from.

    Parameters
    ----------
    value : float
        Of all particles, or the number median.
    basis : {"assumed", "measured"}
        Whether somebody measured it on this powder or it is a guess.
    source : str
        Free text, for the report.
    spread : float
        Standard deviation of ln(aspect ratio).
    factor : float or None
        95 % of what its median may be lies within this factor either way.

    """

    value: float
    basis: Literal["assumed", "measured"] = "assumed"
    source: str = ""
    spread: float = 0.0
    factor: float | None = None

    def distribution(self) -> float | SizeDistribution:
        """Aspect ratio as a filler takes it."""
        from percsim.materials.filler import SizeDistribution

        return SizeDistribution(self.value, self.spread) if self.spread else self.value


class _AspectRatio(Reader):
    """A number, {value}, or {median, geometric_spread}; tables also take basis, source."""

    each = _Number(1.0, 10_000.0)
    range = each.range

    def read(self, value: Any) -> AspectRatio:
        if not isinstance(value, Mapping):
            return AspectRatio(self.each.read(value))
        known: dict[str, Reader] = {
            "basis": _Choice("assumed", "measured"),
            "source": _Text(),
            "factor": _WIDE,
        }
        spreads = {"geometric_spread", "spread"} & set(value)
        if not spreads and "median" not in value:
            known |= {"value": self.each}
            return AspectRatio(**_read_table(value, known, ("value",)))
        known |= {
            "median": self.each,
            "geometric_spread": _Sizes.geometric,
            "spread": _Sizes.spread,
        }
        got = _read_table(value, known, ("median",))
        if len(spreads) == 2:
            raise ValueError("has both geometric_spread and spread; give one of them")
        if not spreads:
            raise ValueError(
                "is without its geometric_spread; write it like geometric_spread = 1.3"
            )
        spread = got["spread"] if "spread" in got else math.log(got["geometric_spread"])
        stated = {k: v for k, v in got.items() if k in ("basis", "source", "factor")}
        return AspectRatio(got["median"], spread=spread, **stated)

    def write(self, value: Any) -> dict[str, Any]:
        out: dict[str, Any] = {"value": self.each.write(value.value)}
        if value.spread:
            out = {"median": out["value"]} | _written_spread(value.spread)
        out["basis"] = value.basis
        out |= {"source": value.source} if value.source else {}
        return out | ({} if value.factor is None else {"factor": value.factor})


# ------------------------------------------------------------------------------------------
# Sections
# ------------------------------------------------------------------------------------------


class Section(BaseModel):
    """Base of the sections: unknown keys are faults, defaults are read like values."""

    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        validate_default=True,
    )


def _field(text: str, default: Any = ..., *, example: Any = None) -> Any:
    """Field with its documentation; `example` is suggested when the key is missing."""
    return Field(
        default, description=text, examples=[default if example is None else example]
    )


class HeadSection(Section):
    """Keys above the first section."""

    title: Annotated[str, _Text()] = _field(
        "What the report is headed with; changing it changes no number.", "untitled"
    )
    seed: Annotated[int, _Number(0, 2**53, whole=True)] = _field(
        "Seed of every random draw: the same plan and seed give the same digits.", 1
    )


class FillerSection(Section):
    """The conductive powder; write [[filler]] once for each of several powders mixed."""

    material: Annotated[str, _Text()] | None = _field(
        "Name in percsim's data files; density, thermal expansion, size and aspect ratio"
        " then have typical values for what you leave out. Leave it out for a powder of"
        " your own.",
        None,
        example="graphite flake",
    )
    kind: Annotated[str, _Choice("flake", "rod", "sphere")] | None = _field(
        "Shape of the particles. Default: the material's, else flake.",
        None,
        example="flake",
    )
    density: (
        Annotated[float, _Quantity("density", "kg/m3", "500 kg/m3", "25000 kg/m3")] | None
    ) = _field(
        "Density of the solid particle, not of the heaped powder. Default: the material's.",
        None,
        example="2250 kg/m3",
    )
    diameter: Annotated[Sizes, _Sizes()] | None = _field(
        "Lateral size of flakes, edge included, or diameter of spheres: the median by"
        " number with the geometric spread (1.5: 68 % lie within x/ 1.5) or the spread of"
        " ln D (0.405); or d10, d50 and d90 by volume as a laser diffraction sheet gives"
        " them; or one size. Log-normal, cut at three spreads either side. Or a measured"
        ' histogram, { csv = "powder.csv", weighting = "volume" } (or "number"), from a'
        " file beside the plan with columns lower_um, upper_um and share, a bin a row. Each"
        ' table also takes sieve = "2 um to 50 um", the meshes the powder passed and'
        " stayed on. Default: the material's.",
        None,
        example={"median": "10 um", "geometric_spread": 1.5},
    )
    length: Annotated[Sizes, _Sizes()] | None = _field(
        "Length of rods without their end caps, written like diameter. Default: the"
        " material's.",
        None,
        example={"median": "20 um", "geometric_spread": 1.3},
    )
    aspect_ratio: Annotated[AspectRatio, _AspectRatio()] | None = _field(
        "Diameter over thickness of a flake, length over diameter of a rod, the same for"
        " all sizes. It sets the threshold more than anything else: measure it if you can,"
        ' and then write { value = 15, basis = "measured" }. Where it differs from particle'
        " to particle, { median = 15, geometric_spread = 1.3 }: log-normal, independent of"
        " the size. Default: the material's.",
        None,
        example=15,
    )
    thickness: (
        Annotated[Stated, _Stated(_Quantity("length", "um", "0.3 nm", "1 mm"))] | None
    ) = _field(
        "Instead of an aspect ratio: thickness of a flake or diameter of a rod, the same"
        " for all sizes.",
        None,
        example="0.7 um",
    )
    orientation: Annotated[str, _Choice("isotropic", "in-plane", "aligned")] = _field(
        "How the particles lie: isotropic in every direction; in-plane flakes flat and"
        " rods in the plane of the film; aligned rods along the current.",
        "isotropic",
    )
    tilt: Annotated[float, _Quantity("angle", "deg", "0 deg", "54 deg")] = _field(
        "Root mean square angle out of that arrangement, for in-plane and aligned.", "0 deg"
    )
    order: Annotated[float, _Number(-0.5, 1.0)] | None = _field(
        "Instead of a tilt, for in-plane or aligned flakes and aligned rods: order"
        " parameter (3 <cos^2> - 1)/2 of flake normals about the thickness, of rods about"
        " the current. 1 is perfect, 0 isotropic, below 0 turned away from it. boxes.csv"
        " has the order as it came out.",
        None,
        example=0.8,
    )
    thermal_expansion: (
        Annotated[float, _Quantity("expansion", "ppm/K", "-50 ppm/K", "500 ppm/K")] | None
    ) = _field(
        "Linear thermal expansion, mean of the directions. Default: the material's, else"
        " 0.",
        None,
        example="8 ppm/K",
    )
    share: Annotated[float, _Quantity("fraction", "%", "0.01 %", "100 %")] | None = _field(
        "Share of this filler in the mass of all fillers; needed when there are several.",
        None,
        example="90 %",
    )
    name: Annotated[str, _Text()] | None = _field(
        "What the weigh-out sheet calls it. Default: the material's name, else the kind.",
        None,
        example="milled flake",
    )


class ElastomerSection(Section):
    """The two-part elastomer that is cast."""

    material: Annotated[str, _Text()] | None = _field(
        "Name in percsim's data files. Leave it out for an elastomer of your own.",
        None,
        example="addition-cure silicone",
    )
    density: (
        Annotated[float, _Quantity("density", "kg/m3", "500 kg/m3", "3000 kg/m3")] | None
    ) = _field(
        "Density of the cured, unfilled elastomer. Default: the material's.",
        None,
        example="1030 kg/m3",
    )
    mix_ratio: Annotated[float, _Quantity("ratio", ":1", "1:1", "100:1")] | None = _field(
        "Base to curing agent by mass. Default: the material's, else 10:1.",
        None,
        example="7:1",
    )
    thermal_expansion: (
        Annotated[float, _Quantity("expansion", "ppm/K", "10 ppm/K", "1000 ppm/K")] | None
    ) = _field(
        "Linear thermal expansion. Default: the material's, else 310 ppm/K.",
        None,
        example="310 ppm/K",
    )
    poisson_ratio: Annotated[float, _Number(0.3, 0.5)] | None = _field(
        "Poisson ratio; used when the film is free. Default: the material's, else 0.495.",
        None,
        example=0.495,
    )
    cure_temperature: (
        Annotated[float, _Quantity("temperature", "C", "0 C", "250 C")] | None
    ) = _field(
        "Temperature of the cure, for the stiffness of the layers alone. Default: not"
        " said, the stiffness follows from the mix ratio.",
        None,
        example="100 C",
    )
    modulus: (
        Annotated[Stated, _Stated(_Quantity("pressure", "MPa", "1 kPa", "10 GPa"))] | None
    ) = _field(
        "Young's modulus of the cured, unfilled elastomer; also { value = ..., basis ="
        ' "measured", source = "..." }. Default: from mix ratio and cure, by the'
        " material's data, else by those of an addition-cure silicone.",
        None,
        example="2.9 MPa",
    )
    name: Annotated[str, _Text()] | None = _field(
        "What the weigh-out sheet calls it. Default: the material's name, else elastomer.",
        None,
        example="two-part silicone",
    )


class FilmSection(Section):
    """The cast film."""

    thickness: Annotated[float, _Quantity("length", "mm", "1 um", "20 mm")] = _field(
        "Dry thickness.", example="0.2 mm"
    )
    width: Annotated[float, _Quantity("length", "mm", "0.01 mm", "1000 mm")] = _field(
        "Width across the current; bars cover all of it.", example="6 mm"
    )
    length: Annotated[float, _Quantity("length", "mm", "0.01 mm", "10000 mm")] = _field(
        "Whole length along the current; the electrode gaps to try must fit into it.",
        example="16 mm",
    )
    cast: Annotated[str, _Choice("drawn", "drop")] = _field(
        "How it is cast: drawn down with a blade or frame, or drop-cast. It sets the"
        " default thickness tolerance.",
        "drawn",
    )
    modulus: (
        Annotated[Stated, _Stated(_Quantity("pressure", "MPa", "1 kPa", "100 GPa"))] | None
    ) = _field(
        "Young's modulus of the filled film, written like that of the elastomer; used with"
        " a sheet or a part. Default: the elastomer's and what the filler adds.",
        None,
        example="16 MPa",
    )
    layout: Annotated[str, _Choice("bars", "end plates", "fingers", "four-terminal")] = (
        _field(
            "Electrodes: two parallel bars across the film; plates on its end faces;"
            " interdigitated fingers, whose gaps conduct side by side; or four bars, the"
            " outer two driving the current and the inner two sensing, so that no contact"
            " adds to the reading.",
            "bars",
        )
    )
    electrodes: Annotated[str, _Choice("embedded", "surface")] | None = _field(
        "Whether bars and fingers go through the thickness of the film, or lie on its top"
        " or bottom face, where the current crowds at their edges. Default: embedded, with"
        " layout = 'four-terminal' surface.",
        None,
        example="surface",
    )
    electrode_length: (
        Annotated[float, _Quantity("length", "mm", "1 um", "1000 mm")] | None
    ) = _field(
        "Length of each bar or finger along the current; needed for fingers and"
        " four-terminal. Default: of bars, long enough for all the current.",
        None,
        example="2 mm",
    )
    fingers: Annotated[int, _Number(2, 10_000, whole=True)] | None = _field(
        "Fingers of both combs together. Only for layout = 'fingers'.", None, example=6
    )
    overlap: Annotated[float, _Quantity("length", "mm", "1 um", "1000 mm")] | None = _field(
        "Length over which the fingers of the two combs lie side by side. Only for"
        " layout = 'fingers'. Default: the whole width.",
        None,
        example="5 mm",
    )
    sense_spacing: Annotated[float, _Quantity("length", "mm", "1 um", "1000 mm")] | None = (
        _field(
            "Free length between a driving and a sensing bar. Only for layout ="
            " 'four-terminal', where it is needed.",
            None,
            example="1 mm",
        )
    )
    contact_resistivity: Annotated[
        float,
        _Quantity("contact_resistivity", "ohm cm2", "0 ohm cm2", "1e6 ohm cm2"),
    ] = _field(
        "Of the interface between electrode and film, as a transfer-length measurement"
        " gives it, beyond the contacts of single particles.",
        "0 ohm cm2",
    )
    near_threshold: Annotated[bool, _Flag()] = _field(
        "Whether to put a film together from blocks below 1.3 times the threshold too,"
        " where they do not stand for it.",
        False,
    )


class PlacementSection(Section):
    """How the particles sit in the rubber: overlapping or hard, well or badly dispersed.

    Left out, they are dispersed at random and may overlap.
    """

    impenetrable: Annotated[float, _Number(0.0, 1.0)] = _field(
        "Share of the thickness of a particle that no other one enters; the rest may"
        " overlap, which makes a contact. At 0 particles overlap freely, quick to place"
        " and right for small loadings. Hard flakes of aspect ratio 15 to 20 can be placed"
        " up to 32 vol% and somewhat beyond; a box then takes five to twenty times as long,"
        " and far longer near the limit.",
        0.0,
    )
    clustered: Annotated[float, _Quantity("fraction", "%", "0 %", "100 %")] = _field(
        "Share of the particles that sit in round agglomerates, from poor dispersion.",
        "0 %",
    )
    cluster_diameter: (
        Annotated[float, _Quantity("length", "um", "10 nm", "10 mm")] | None
    ) = _field(
        "Diameter of an agglomerate, the centres of its particles; needed when some are"
        " clustered.",
        None,
        example="40 um",
    )
    cluster_solids: Annotated[float, _Number(0.01, 2.0)] = _field(
        "Volume of the particles of an agglomerate over its own volume: above the film's"
        " share of particles by volume, and for hard ones below about 0.6.",
        0.3,
    )
    faces: Annotated[str, _Choice("free", "confining")] = _field(
        "Top and bottom of a film no thicker than 1.5 of the longest boxes: free, particles"
        " may be cut by them; confining, they lie wholly inside. Thicker films are"
        " simulated without faces.",
        "free",
    )


class ContactsSection(Section):
    """What a contact between two particles conducts.

    A plain value counts as assumed; a table, { value = ..., basis = "measured",
    source = "..." }, says where it comes from. With factor = 3 in the table 95 % of what
    it may be lies within three times either way; low = ... and high = ... are limits
    instead. A measured value without either is held.
    """

    model: Annotated[str, _Choice("opening", "affine")] = _field(
        "opening: contacts pressed together at closed_at open with strain and"
        " temperature, for micron-sized fillers. affine: particles move with the film and"
        " tunnel across absolute gaps, for nano-sized fillers and for comparison.",
        "opening",
    )
    g0: (
        Annotated[Stated, _Stated(_Quantity("conductance", "uS", "1 pS", "1000 S"))] | None
    ) = _field(
        "Conductance of a closed contact at 20 C; it sets only the level of the"
        " resistance. Only for model = 'opening'. Default: the material's, else 80 uS,"
        " which then stands for any level.",
        None,
        example="80 uS",
    )
    beta: Annotated[Stated, _Stated(_Number(0.0, 100_000.0))] = _field(
        "Decay of a contact as it opens, per opening over opening_length. Only for model ="
        " 'opening'.",
        100,
    )
    delta_b: Annotated[Stated, _Stated(_Number(1e-6, 1000.0))] = _field(
        "Opening over opening_length at which half of the contacts are broken. Only for"
        " model = 'opening'.",
        0.01,
    )
    opening_length: Annotated[float, _Quantity("length", "um", "1 nm", "10 mm")] | None = (
        _field(
            "Length that beta and delta_b count openings in, the same for every contact and"
            " every size under [explore]. Default: the number median of the coarsest"
            " filler, as sieved. Only for model = 'opening'.",
            None,
            example="10 um",
        )
    )
    closed_at: (
        Annotated[Stated, _Stated(_Quantity("temperature", "C", "-200 C", "400 C"))] | None
    ) = (
        _field(
            "Temperature at which the contacts are pressed shut, the reference state."
            " Default: 20 K below the coldest temperature of the plan.",
            None, example="-40 C",
        )
    )  # fmt: skip
    lambda_T: Annotated[Stated, _Stated(_Number(0.0, 1.0))] = _field(  # noqa: N815
        "Share of the thermal expansion that reaches the contacts.", 0.3
    )
    Ea: Annotated[Stated, _Stated(_Quantity("energy", "meV", "0 meV", "1000 meV"))] = (
        _field(
            "Activation energy of the resistance; above 0 it falls on heating. Only for"
            " model = 'opening'.",
            "10 meV",
        )
    )
    electrode_conductance: (
        Annotated[Stated, _Stated(_Quantity("conductance", "uS", "1 pS", "1000 S"))] | None
    ) = _field(
        "Conductance between an electrode and one particle that reaches it, at 20 C."
        " Default: that of a closed contact, g0; with model = 'affine' 80 uS. It adds a"
        " resistance at the electrodes, not one per length.",
        None,
        example="80 uS",
    )
    cutoff: Annotated[float, _Quantity("length", "nm", "0 nm", "100 um")] | None = _field(
        "Longest gap between two particles that counts as a contact. Default: 0 nm,"
        " particles that touch; with impenetrable particles 2 % of the median thickness of"
        " the thinnest filler (common practice, no source), since placement leaves wholly"
        " impenetrable ones apart: flakes at 32 vol% then have 2.6 to 4.0 contacts each, at"
        " 0 nm none; with model = 'affine' 2 nm.",
        None,
        example="0 nm",
    )
    barrier_height: Annotated[
        Stated, _Stated(_Quantity("energy", "eV", "0.01 eV", "10 eV"))
    ] = _field("Height of the tunnelling barrier. Only for model = 'affine'.", "1 eV")
    contact_area: Annotated[
        Stated, _Stated(_Quantity("area", "nm2", "0.1 nm2", "1 mm2"))
    ] = _field("Area of a tunnelling contact. Only for model = 'affine'.", "100 nm2")


class StrainSection(Section):
    """The strain the film will see, along the current, tension positive."""

    window: Annotated[
        tuple[float, float],
        _Window("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
    ] = _field(
        "From the smallest to the largest strain of the part, or of a film that is on none;"
        " also { from = ..., to = ... }. Wrapping ([part] radius) strains the faces of a"
        " film beyond; a few strains more are then computed.",
        "0 to 3000 microstrain",
    )
    points: Annotated[int, _Number(2, 201, whole=True)] = _field(
        "Strains computed, evenly over the window; zero is added when it is not among"
        " them.",
        7,
    )
    chord: (
        Annotated[
            float,
            _Quantity(
                "strain", "microstrain", "-200000 microstrain", "1000000 microstrain"
            ),
        ]
        | None
    ) = _field(
        "Strain up to which the gauge factor is taken, as the chord from zero; within the"
        " window, and added to the strains. Default: the far end of the window.",
        None,
        example="3000 microstrain",
    )
    mounting: Annotated[str, _Choice("free", "bonded", "biaxial")] = _field(
        "free: pulled by its ends; bonded: on a part, which sets the strain across;"
        " biaxial: the same strain along and across.",
        "bonded",
    )
    part_poisson_ratio: Annotated[float, _Number(0.0, 0.5)] = _field(
        "Poisson ratio of the part under a bonded film.", 0.33
    )
    bonded_at: Annotated[float, _Quantity("temperature", "C", "-200 C", "400 C")] = _field(
        "Temperature at which the film is bonded to its part. Until then it swells freely,"
        " from then on it expands in its plane as the part does.",
        "20 C",
    )


class TemperatureSection(Section):
    """The temperatures the film will see."""

    values: Annotated[
        tuple[float, ...], _Many(_Quantity("temperature", "C", "-150 C", "350 C"))
    ] = _field(
        "Temperatures computed; 20 C, at which R0 is quoted, is added when it is not"
        " among them.",
        ["20 C"],
    )
    part_thermal_expansion: (
        Annotated[float, _Quantity("expansion", "ppm/K", "-100 ppm/K", "1000 ppm/K")] | None
    ) = _field(
        "Linear thermal expansion of the part under a bonded film, which expands with it."
        " Default: not stated, the film then expands as a free one.",
        None,
        example="23 ppm/K",
    )


class ExploreSection(Section):
    """What to try: every combination of the values listed here is a candidate.

    The loading is written in one of three ways. The last four keys may be left out: film,
    filler and elastomer are then those of their sections.
    """

    weight_fraction: (
        Annotated[
            tuple[float, ...],
            _Many(_Quantity("weight_fraction", "wt%", "0.001 wt%", "99 wt%")),
        ]
        | None
    ) = _field(
        "Loadings as mass of filler over mass of the cured film, curing agent included.",
        None,
        example=["22 wt%", "26 wt%", "30 wt%"],
    )
    phr: (
        Annotated[
            tuple[float, ...], _Many(_Quantity("phr", "phr", "0.001 phr", "5000 phr"))
        ]
        | None
    ) = _field(
        "Or as parts of filler for 100 parts of rubber by mass.",
        None,
        example=["28 phr", "35 phr", "43 phr"],
    )
    mass_ratio: (
        Annotated[tuple[float, ...], _Many(_Quantity("ratio", ":1", "0.00001:1", "50:1"))]
        | None
    ) = _field(
        "Or as filler to rubber by mass.", None, example=["0.28:1", "0.35:1", "0.43:1"]
    )
    curing_agent_counts: Annotated[bool, _Flag()] | None = _field(
        "Whether the rubber of phr and mass_ratio is base and curing agent (true) or the"
        " base alone (false); must be said for these two.",
        None,
        example=True,
    )
    electrode_gap: Annotated[
        tuple[float, ...], _Many(_Quantity("length", "mm", "1 um", "10000 mm"))
    ] = _field(
        "Free lengths of film between the electrodes.", example=["2 mm", "3 mm", "5 mm"]
    )
    thickness: (
        Annotated[tuple[float, ...], _Many(_Quantity("length", "mm", "1 um", "20 mm"))]
        | None
    ) = _field(
        "Film thicknesses to try in place of film.thickness. Thick films share their boxes,"
        " a thin one takes its own.",
        None,
        example=["0.15 mm", "0.2 mm"],
    )
    diameter: (
        Annotated[tuple[float, ...], _Many(_Quantity("length", "um", "1 nm", "10 mm"))]
        | None
    ) = _field(
        "Median sizes to try of the filler, the first of several, by number (for rods the"
        " length); the width of its sizes stays. Each takes boxes of its own.",
        None,
        example=["5 um", "10 um", "20 um"],
    )
    aspect_ratio: Annotated[tuple[float, ...], _Many(_Number(1.0, 10_000.0))] | None = (
        _field(
            "Aspect ratios to try of the filler, the first of several that is no sphere."
            " Each takes a threshold and boxes of its own.",
            None,
            example=[12, 15, 20],
        )
    )
    mix_ratio: (
        Annotated[tuple[float, ...], _Many(_Quantity("ratio", ":1", "1:1", "100:1"))] | None
    ) = _field(
        "Base to curing agent ratios to try in place of elastomer.mix_ratio. The elastomer"
        " data hold one density and one expansion for all of them, so that they share their"
        " boxes.",
        None,
        example=["5:1", "7:1", "10:1"],
    )


class BoxesSection(Section):
    """How much is simulated.

    A box is a small cube of the film. Boxes serve all gaps of a loading at once.
    """

    count: Annotated[int, _Number(4, 100_000, whole=True)] = _field(
        "Boxes of the longest length for each loading, and of the shorter ones as many more"
        " as they are shorter; twice as many take twice as long and narrow the simulation"
        " error by 1.4.",
        20,
    )
    lengths: Annotated[tuple[BoxLength, ...], _Many(_Diameters(), least=2)] = _field(
        "Edges of the cubes, as lengths or in median diameters D of the largest filler; the"
        " resistance per length and that of the electrodes come from the different lengths."
        " Below 8 D the boxes conduct too well; where a film is thinner than the longest,"
        " all take its thickness and its free faces.",
        ["10 D", "14 D", "20 D"],
    )
    variations: Annotated[int, _Number(0, 1000, whole=True)] = _field(
        "Boxes of the longest length for each loading that are solved again at other values"
        " of beta, delta_b and lambda_T, so that what is not known of the contacts can be"
        " carried to the answer; fewer when there are fewer boxes, 0 for none.",
        6,
    )
    threshold_count: Annotated[int, _Number(10, 100_000, whole=True)] = _field(
        "Growth runs that find the percolation threshold of this filler.", 100
    )
    most: Annotated[int, _Number(4, 100_000, whole=True)] | None = _field(
        "Budget in boxes of the longest length for one loading. Above count, a run goes on"
        " in stages: count boxes for every loading, then half as many again, up to most,"
        " only where the decision is still open; it stops when the best is known at the"
        " stated confidence. Default: count, one stage.",
        None,
        example=80,
    )
    confidence: Annotated[float, _Quantity("percentage", "%", "50 %", "99.9 %")] = _field(
        "Simulated confidence at which the best counts as known.", "95 %"
    )


class TolerancesSection(Section):
    """What the bench does: one standard deviation between castings meant to be equal.

    They are always on; write 0 to switch one off.
    """

    castings: Annotated[int, _Number(100, 1_000_000, whole=True)] = _field(
        "Castings drawn for each candidate.", 2000
    )
    weighing: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of the filler's weight fraction, from the balance.", "0.5 %"
    )
    mixing: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of the filler's weight fraction, film mean against film mean, from uneven mixing.",
        "2 %",
    )
    mixing_within: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of the filler's weight fraction from point to point inside one film.", "3 %"
    )
    mixing_length: Annotated[float, _Quantity("length", "mm", "1 um", "100 mm")] = _field(
        "Distance over which that unevenness keeps together (correlation falls by e); a"
        " film many times longer and wider averages it out.",
        "1 mm",
    )
    thickness: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] | None = (
        _field(
            "Of the film's thickness. Default: 8 % for a drawn film, 20 % for a drop-cast"
            " one.",
            None,
            example="8 %",
        )
    )
    electrode_gap: Annotated[float, _Quantity("length", "mm", "0 mm", "10 mm")] = _field(
        "Of the electrode gap.", "0.1 mm"
    )
    electrode_skew: Annotated[float, _Quantity("length", "mm", "0 mm", "10 mm")] = _field(
        "Of the gap at one end of the electrodes less that at the other.", "0.1 mm"
    )
    width: Annotated[float, _Quantity("length", "mm", "0 mm", "10 mm")] = _field(
        "Of the film's width.", "0.1 mm"
    )
    contact: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Of the conductance of the contacts, from cure to cure.", "12 %"
    )
    aspect_ratio: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Of the aspect ratio of the filler, from powder lot to powder lot.", "8 %"
    )
    particle_size: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Of the filler's median size at the same shape, from powder lot to powder lot.",
        "5 %",
    )
    response: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Of how far contacts open at a given strain, from casting to casting: bond to the"
        " part, cure, contacts. It scatters the gauge factor.",
        "5 %",
    )
    tilt: Annotated[float, _Quantity("angle", "deg", "0 deg", "30 deg")] = _field(
        "Of the rms tilt of in-plane or aligned particles, from casting to casting; it acts"
        " through the threshold. Isotropic ones have none.",
        "2 deg",
    )
    instrument: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of one reading of a resistance, from trial to trial on the same film.", "0.1 %"
    )
    strain_setting: Annotated[
        float, _Quantity("strain", "microstrain", "0 microstrain", "10000 microstrain")
    ] = _field("Of the strain that is set, from trial to trial.", "20 microstrain")
    contact_redraw: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Share of the contacts that close differently each time a film is strained or"
        " warmed and comes back; no standard deviation.",
        "5 %",
    )


class TargetSection(Section):
    """What a casting must reach; a limit that is left out is not tested."""

    supply: Annotated[float, _Quantity("voltage", "V", "0.001 V", "1000 V")] | None = (
        _field(
            "Supply voltage of the divider that reads the film; [supply] says more of it."
            " Default: that of [supply], else 3.3 V.",
            None,
            example="3.3 V",
        )
    )
    series_resistor: (
        Annotated[float, _Quantity("resistance", "kohm", "0.001 ohm", "1000 Gohm")] | None
    ) = _field(
        "Resistor in series with the film. Default: 0 ohm, the film straight at the"
        " supply.",
        None,
        example="1.8 kohm",
    )
    resistance: (
        Annotated[tuple[float, float], _Window("resistance", "kohm", "0 ohm", "1000 Gohm")]
        | None
    ) = _field(
        "Window for R0, the resistance at 20 C without strain; also { from = ..., to ="
        " ... }. Default: a third to three times the series resistor, where the divider"
        " keeps three quarters of its best sensitivity; without one, not tested.",
        None,
        example="0.7 to 3 kohm",
    )
    smallest_gauge_factor: Annotated[float, _Number(0.001, 100_000.0)] | None = _field(
        "Of the chord from zero to [strain] chord, (R/R0 - 1) over that strain.",
        None,
        example=10,
    )
    largest_resistance_cv: (
        Annotated[float, _Quantity("percentage", "%", "0.01 %", "1000 %")] | None
    ) = _field(
        "Largest coefficient of variation of R0 between castings.", None, example="25 %"
    )
    largest_gauge_factor_cv: (
        Annotated[float, _Quantity("percentage", "%", "0.01 %", "1000 %")] | None
    ) = _field(
        "Largest coefficient of variation of the gauge factor between castings.",
        None,
        example="15 %",
    )
    largest_self_heating_drift: (
        Annotated[float, _Quantity("strain", "microstrain", "0 microstrain", "100 %")]
        | None
    ) = _field(
        "Largest drift from the film's own heat on its sheet at the supply, either way, as"
        " strain of the chord gauge factor; needs [supply] and two temperatures or more.",
        None,
        example="50 microstrain",
    )
    largest_thermal_output: (
        Annotated[
            float,
            _Quantity(
                "thermal_output",
                "microstrain/K",
                "0 microstrain/K",
                "1000000 microstrain/K",
            ),
        ]
        | None
    ) = _field(
        "Largest thermal output at 20 C, either way: change of R with temperature over the"
        " chord gauge factor; needs two temperatures or more.",
        None,
        example="200 microstrain/K",
    )
    pass_share: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Share of the castings that must meet the limits on R0 and gauge factor.", "80 %"
    )


class SupplySection(Section):
    """How the film is read and fed: its operating point.

    Optional as a whole, header and all; without it a film is read as [target] says, and
    neither self-heating nor noise is worked out.
    """

    voltage: Annotated[float, _Quantity("voltage", "V", "0.001 V", "1000 V")] | None = (
        _field(
            "Supply voltage. Default: that of [target].",
            None,
            example="3.3 V",
        )
    )
    series_resistor: (
        Annotated[float, _Quantity("resistance", "kohm", "0 ohm", "1000 Gohm")] | None
    ) = _field(
        "Resistor in series with the film, which in a bridge is the other half of its arm."
        " Default: that of [target], else 0 ohm, the film straight at the supply.",
        None,
        example="1.8 kohm",
    )
    circuit: Annotated[str, _Choice("series", "quarter bridge", "half bridge")] = _field(
        "series: the film and its resistor, read across the film; quarter bridge: the same"
        " against two equal resistors; half bridge: the film over an equal one that is not"
        " strained, against two equal resistors.",
        "series",
    )
    bandwidth: Annotated[float, _Quantity("frequency", "Hz", "0.001 Hz", "1000000 Hz")] = (
        _field("Bandwidth of the reading, up to which noise counts.", "10 Hz")
    )
    lowest_frequency: Annotated[
        float, _Quantity("frequency", "Hz", "0.000001 Hz", "1000000 Hz")
    ] = _field(
        "Frequency from which 1/f noise counts, about one over the time of a measurement.",
        "0.01 Hz",
    )
    instrument_noise: Annotated[float, _Quantity("voltage", "mV", "0 mV", "1000 mV")] = (
        _field("Noise of the instrument in that bandwidth, one standard deviation.", "0 mV")
    )
    flicker_noise: Annotated[float, _Number(0.0, 1.0)] | None = _field(
        "Relative 1/f noise of the film: power density of R over R squared, times the"
        " frequency. Default: not stated, 1/f noise is left out.",
        None,
        example=1e-12,
    )
    still_air: Annotated[
        float, _Quantity("heat_transfer", "W/m2K", "0.1 W/m2K", "10000 W/m2K")
    ] = _field(
        "Heat that still air takes from one face of a film that nothing else cools"
        " (common practice, no source).",
        "10 W/m2K",
    )
    film_conductivity: Annotated[
        float, _Quantity("thermal_conductivity", "W/mK", "0.01 W/mK", "1000 W/mK")
    ] = _field(
        "Thermal conductivity through the film; that of the unfilled elastomer by default,"
        " as filler only helps.",
        "0.17 W/mK",
    )
    sheet_conductivity: Annotated[
        float, _Quantity("thermal_conductivity", "W/mK", "0.01 W/mK", "1000 W/mK")
    ] = _field("Thermal conductivity of the sheet between film and part.", "0.17 W/mK")


class VibrationSection(Section):
    """Vibration about a mean strain, for the part of R that alternates and its mean.

    Optional as a whole, header and all.
    """

    mean: (
        Annotated[
            float,
            _Quantity(
                "strain", "microstrain", "-200000 microstrain", "1000000 microstrain"
            ),
        ]
        | None
    ) = _field(
        "Strain about which the part vibrates. Default: the middle of the strain window.",
        None,
        example="1500 microstrain",
    )
    amplitude: Annotated[
        float,
        _Quantity("strain", "microstrain", "0.001 microstrain", "1000000 microstrain"),
    ] = _field("Largest departure from it.", "200 microstrain")


class BatchSection(Section):
    """The batch to weigh out."""

    films: Annotated[int, _Number(1, 1_000_000, whole=True)] | None = _field(
        "Films to cast from one batch, instead of its mass.", None, example=200
    )
    mass: Annotated[float, _Quantity("mass", "g", "1 mg", "1000 kg")] | None = _field(
        "Mass of the cured batch, losses included. Default: 20 g, unless films is given.",
        None,
        example="20 g",
    )
    loss: Annotated[float, _Quantity("percentage", "%", "0 %", "90 %")] = _field(
        "Share of the batch that stays in cup, mixer and frame.", "10 %"
    )
    balance_resolution: Annotated[float, _Quantity("mass", "g", "0.001 mg", "1 kg")] = (
        _field("Smallest step of the balance.", "0.01 g")
    )
    solvent: Annotated[str, _Text()] | None = _field(
        "Solvent to thin the mix, by its name in percsim's data files. Default: none.",
        None,
        example="heptane",
    )
    solvent_mass_ratio: (
        Annotated[float, _Quantity("ratio", ":1", "0.001:1", "100:1")] | None
    ) = _field(
        "Mass of solvent to mass of everything else; needed with a solvent unless"
        " wet_thickness is given.",
        None,
        example="0.5:1",
    )
    wet_thickness: Annotated[float, _Quantity("length", "mm", "1 um", "100 mm")] | None = (
        _field(
            "Instead of the solvent's mass ratio: thickness to draw, which must dry to"
            " the film's.",
            None,
            example="0.35 mm",
        )
    )


class SheetSection(Section):
    """The softer elastomer sheet that the film is bonded to; left out, there is none."""

    thickness: Annotated[float, _Quantity("length", "mm", "1 um", "20 mm")] | None = _field(
        "Thickness of the cured sheet; needed with any other key of it.",
        None,
        example="0.15 mm",
    )
    mix_ratio: Annotated[float, _Quantity("ratio", ":1", "1:1", "100:1")] | None = _field(
        "Base to curing agent by mass. Default: the film's.", None, example="15:1"
    )
    cure_temperature: (
        Annotated[float, _Quantity("temperature", "C", "0 C", "250 C")] | None
    ) = _field(
        "Temperature of its cure. Default: not said, the stiffness follows from the mix"
        " ratio.",
        None,
        example="100 C",
    )
    material: Annotated[str, _Text()] | None = _field(
        "Name of its elastomer in percsim's data files. Default: the film's.",
        None,
        example="addition-cure silicone",
    )
    modulus: (
        Annotated[Stated, _Stated(_Quantity("pressure", "MPa", "1 kPa", "100 GPa"))] | None
    ) = _field(
        "Young's modulus, written like that of the elastomer. Default: from mix ratio and"
        " cure.",
        None,
        example="1.3 MPa",
    )
    poisson_ratio: Annotated[float, _Number(0.0, 0.5)] | None = _field(
        "Poisson ratio. Default: the film's elastomer's.", None, example=0.495
    )


class PartSection(Section):
    """The part whose strain is read, and how the patch is laid on it; optional."""

    radius: Annotated[float, _Quantity("length", "mm", "0.01 mm", "100 m")] | None = _field(
        "Radius of the surface that the patch is wrapped on, the current running around"
        " it. Leave it out for a flat part.",
        None,
        example="25 mm",
    )
    side: Annotated[str, _Choice("outer", "inner")] = _field(
        "Whether the patch lies on the outer or the inner surface.", "outer"
    )
    rigid: Annotated[bool, _Flag()] | None = _field(
        "Instead of a modulus: true for a part that the patch cannot strain or bend.",
        None,
        example=True,
    )
    modulus: (
        Annotated[Stated, _Stated(_Quantity("pressure", "GPa", "1 kPa", "2000 GPa"))] | None
    ) = _field(
        "Young's modulus of the part; needed unless it is rigid.", None, example="70 GPa"
    )
    thickness: Annotated[float, _Quantity("length", "mm", "1 um", "1 m")] | None = _field(
        "Thickness of its wall; needed for control = 'force', and for a part that is bent"
        " after bonding unless it is rigid.",
        None,
        example="1.5 mm",
    )
    poisson_ratio: Annotated[float, _Number(0.0, 0.5)] | None = _field(
        "Poisson ratio of the part. Default: part_poisson_ratio of [strain].",
        None,
        example=0.33,
    )
    control: Annotated[str, _Choice("strain", "force")] = _field(
        "What is given: the strain of the part, or the force on it, which patch and part"
        " share. The strain window is then that of the part without the patch.",
        "strain",
    )
    bent: Annotated[str, _Choice("before bonding", "after bonding")] = _field(
        "before bonding: film and sheet are wrapped and then glued, and bend about their"
        " own neutral axis; after bonding: they are glued flat and bent with the part,"
        " about the neutral axis of all, on a rigid part about its surface.",
        "before bonding",
    )
    misalignment: Annotated[float, _Quantity("angle", "deg", "0 deg", "45 deg")] | None = (
        _field(
            "Angle by which the patch may lie off the direction of the load; asks for the"
            " transverse sensitivity, three more states of every box. Default: neither.",
            None,
            example="3 deg",
        )
    )


class MeasuredSection(Section):
    """Films that were cast and read; write [[measured]] once for each row.

    Rows replace what is assumed of contacts and threshold, and change no box. Films are
    read flat, off any curved part. A file of rows is read by percsim anchor.
    """

    weight_fraction: Annotated[
        float, _Quantity("weight_fraction", "wt%", "0.001 wt%", "99 wt%")
    ] = _field(
        "Loading, as mass of filler over mass of the cured film, among those explored.",
        example="30 wt%",
    )
    electrode_gap: Annotated[float, _Quantity("length", "mm", "1 um", "10000 mm")] = _field(
        "Free length of film between the electrodes.", example="3 mm"
    )
    resistance: Annotated[float, _Resistance()] | None = _field(
        "Geometric mean of R of the films at 20 C without strain, or at the strain and"
        " temperature of the row when it has no change; open for films that do not"
        " conduct.",
        None,
        example="2.1 kohm",
    )
    films: Annotated[int, _Number(1, 100_000, whole=True)] = _field(
        "Films behind the row, from one cup.", 1
    )
    thickness: Annotated[float, _Quantity("length", "mm", "100 nm", "100 mm")] | None = (
        _field(
            "Thickness of the films as measured. Default: that of [film].",
            None,
            example="0.21 mm",
        )
    )
    width: Annotated[float, _Quantity("length", "mm", "1 um", "10000 mm")] | None = _field(
        "Width of the films as measured. Default: that of [film].", None, example="6 mm"
    )
    change: Annotated[float, _Quantity("change", "%", "-99.9 %", "1000000 %")] | None = (
        _field(
            "(R - R0)/R0 at the strain and temperature of the row, R0 of the same films at"
            " 20 C without strain.",
            None,
            example="5.2 %",
        )
    )
    strain: Annotated[
        float,
        _Quantity("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
    ] = _field(
        "Strain of the film in the reading, within the plan's window.", "0 microstrain"
    )
    temperature: Annotated[float, _Quantity("temperature", "C", "-150 C", "350 C")] = (
        _field("Temperature of the reading, among those of the plan.", "20 C")
    )
    spread: Annotated[float, _Quantity("percentage", "%", "0.1 %", "500 %")] | None = (
        _field(
            "Relative standard deviation of R between the films, when it was measured."
            " Default: what the tolerances give.",
            None,
            example="15 %",
        )
    )
    batch: Annotated[str, _Text()] | None = _field(
        "Cup that the films were mixed in. Rows of one cup share what its loading is off"
        " by, so that they count for less than rows of cups of their own.",
        None,
        example="cup 3",
    )
    diameter: Annotated[float, _Quantity("length", "um", "1 nm", "10 mm")] | None = _field(
        "Median size of the filler, where [explore] lists several.", None, example="10 um"
    )
    aspect_ratio: Annotated[float, _Number(1.0, 10_000.0)] | None = _field(
        "Aspect ratio of the filler, where [explore] lists several.", None, example=15
    )
    mix_ratio: Annotated[float, _Quantity("ratio", ":1", "1:1", "100:1")] | None = _field(
        "Base to curing agent by mass, where [explore] lists several.", None, example="7:1"
    )
    note: Annotated[str, _Text()] | None = _field(
        "What the report calls the row.", None, example="first try"
    )


SECTIONS: dict[str, type[Section]] = {
    "filler": FillerSection,
    "elastomer": ElastomerSection,
    "film": FilmSection,
    "placement": PlacementSection,
    "contacts": ContactsSection,
    "strain": StrainSection,
    "temperature": TemperatureSection,
    "explore": ExploreSection,
    "boxes": BoxesSection,
    "tolerances": TolerancesSection,
    "target": TargetSection,
    "supply": SupplySection,
    "vibration": VibrationSection,
    "batch": BatchSection,
    "sheet": SheetSection,
    "part": PartSection,
}
"""Sections of a plan in the order of a complete plan."""

OPTIONAL = ("supply", "vibration")
"""Sections that ask for something more; without them it is not worked out."""

ROWS: dict[str, type[Section]] = {"measured": MeasuredSection}
"""Sections of which a plan may have none, or many."""

ESSENTIAL = ("filler", "elastomer", "film", "explore")
"""Sections without which there is no plan."""


def reader_of(section: type[Section], field: str) -> Reader:
    """Reader behind a field: what its documentation gives as range comes from it."""
    info = section.model_fields[field]
    for item in (*info.metadata, *_flatten(info.annotation)):
        if isinstance(item, Reader):
            return item
    raise TypeError(f"{section.__name__}.{field} has no reader")


def _flatten(annotation: Any) -> Iterator[Any]:
    yield from getattr(annotation, "__metadata__", ())
    for inner in getattr(annotation, "__args__", ()):
        if not isinstance(inner, str | int):
            yield from _flatten(inner)
