# ruff: noqa: D102 (what `read` and `write` do, Reader says)
"""Values of which the plan file may say more: sizes, shapes, how well they are known."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from contextvars import ContextVar
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal, TypeVar

from percsim.materials.sizes import SizeDistribution, read_size_bins
from percsim.plan.readers import (
    TEXT,
    Choice,
    FaultsError,
    Many,
    Number,
    Quantity,
    Reader,
    Window,
    read_table,
)
from percsim.units import format_quantity, parse_quantity, show_value

__all__ = [
    "ASPECT",
    "ASPECT_RATIO",
    "PARTICLE_SIZE",
    "PLAN_FOLDER",
    "SIZES",
    "AspectRatio",
    "BoxLength",
    "Diameters",
    "Sizes",
    "Stated",
    "StatedAs",
    "read_beside",
]

Read = TypeVar("Read")

PLAN_FOLDER: ContextVar[Path] = ContextVar("PLAN_FOLDER", default=Path())
"""Folder that the plan being read stands in; names of other files are relative to it."""


PARTICLE_SIZE = Quantity("length", "1 nm", "10 mm", "um")
ASPECT = Number(1.0, 10_000.0)


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


def _written_basis(value: Any) -> dict[str, Any]:
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
        if stated.factor is not None and getattr(self.each, "kind", "") == "temperature":
            raise FaultsError(
                [(".factor", "of a temperature means nothing; give low and high")]
            )
        return stated

    def write(self, value: Any) -> dict[str, Any]:
        limits = {"low": value.low, "high": value.high}
        return {
            "value": self.each.write(value.value),
            **_written_basis(value),
            **{k: self.each.write(v) for k, v in limits.items() if v is not None},
        }


def read_beside(name: str, read: Callable[[Path], Read]) -> Read:
    """Read a file that a plan names; ValueError goes on from the name with the fault."""
    path = PLAN_FOLDER.get() / name
    try:
        # what a plan from elsewhere names must not reach the rest of the machine
        if not path.resolve().is_relative_to(PLAN_FOLDER.get().resolve()):
            raise ValueError(": must lie beside the plan or below")
        if path.exists() and not path.is_file():
            raise ValueError(": is not a file")  # reading a pipe would never end
        return read(path)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise ValueError(f": cannot be read: {reason}") from None
    except (ValueError, RuntimeError) as error:
        if "\0" in name or isinstance(error, RuntimeError):
            raise ValueError(": is no name of a file") from None
        raise ValueError(str(error).removeprefix(str(path))) from None


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
        edges = tuple(edge * ratio for edge in self.edges)
        sizes = {k: getattr(self, k) for k in ("d10", "d50", "d90")}
        given = {k: size * ratio for k, size in sizes.items() if size is not None}
        return replace(self, median=median, sieve=None, edges=edges, **given)

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


_SPREADS = {"geometric_spread": Number(1.0, 4.0), "spread": Number(0.0, 1.386)}
"""Two ways to write the width of a log-normal law: exp(spread) and the spread of ln."""


def _read_spread(got: Mapping[str, Any], like: float) -> float:
    if not got.keys() & _SPREADS:
        raise ValueError(
            f"is without its geometric_spread; write it like geometric_spread = {like}"
        )
    if got.keys() >= _SPREADS.keys():
        raise ValueError("has both geometric_spread and spread; give one of them")
    return got["spread"] if "spread" in got else math.log(got["geometric_spread"])


def _written_spread(spread: float) -> dict[str, float]:
    for digits in range(1, 8):
        geometric = float(f"{math.exp(spread):.{digits}g}")
        if math.log(geometric) == spread:
            return {"geometric_spread": geometric}
    # not every spread is the logarithm of a short number
    return {"spread": spread}


class SizesReader(Reader):
    """One size, {median, geometric_spread or spread}, {d10, d50, d90}, or bins."""

    length = PARTICLE_SIZE
    share = Number(0.0, 1e30)  # counts, per cent, anything
    sieve = Window("length", "0 nm", "10 mm", "um")
    range = f"{length.range}; geometric spread {_SPREADS['geometric_spread'].range}"

    def read(self, value: Any) -> Sizes:
        if not isinstance(value, Mapping):
            return Sizes(self.length.read(value), 0.0)
        told = {k: v for k, v in value.items() if k != "sieve"}
        cut = {k: v for k, v in value.items() if k == "sieve"}
        sieve = read_table(cut, {"sieve": self.sieve}, ())
        bins = told.keys() & {"csv", "edges", "shares", "weighting"}
        sizes = self._read_bins(told) if bins else self._read_law(told)
        if not sieve:
            return sizes
        if not sizes.edges and sizes.spread == 0.0:
            raise FaultsError([(".sieve", "cuts nothing, all particles have one size")])
        sizes = replace(sizes, **sieve)
        try:
            sizes.distribution()
        except ValueError as error:
            raise FaultsError([(".sieve", str(error))]) from None
        return sizes

    def _read_law(self, value: Mapping[str, Any]) -> Sizes:
        percentiles = dict.fromkeys(("d10", "d50", "d90"), self.length)
        readers: dict[str, Reader] = {"median": self.length, **_SPREADS, **percentiles}
        number = {"median", "geometric_spread", "spread"} & set(value)
        volume = {"d10", "d50", "d90"} & set(value)
        needed = ("d10", "d50", "d90") if volume else ("median",)
        if number and volume:
            raise ValueError(
                "must hold either median and geometric_spread (by number) or d10, d50 and"
                " d90 (by volume), not some of both"
            )
        got = read_table(value, readers, needed)
        if "median" in got:
            return Sizes(got["median"], _read_spread(got, 1.5))
        if not got["d10"] < got["d50"] < got["d90"]:
            raise ValueError("must rise from d10 over d50 to d90")

        law = SizeDistribution.from_percentiles(**got, weighting="volume")
        if law.spread > _SPREADS["spread"].highest:
            raise ValueError("is wider than a geometric spread of 4; check d10 and d90")
        return Sizes(law.median, law.spread, **got)

    def _read_bins(self, value: Mapping[str, Any]) -> Sizes:
        """Bins from a file, or as `write` put them."""
        readers: dict[str, Reader] = {"weighting": Choice("volume", "number")}
        if "csv" in value or not {"edges", "shares"} & set(value):
            readers |= {"csv": TEXT}
            got = read_table(value, readers, ("csv", "weighting"))
            edges, shares = self._load(got["csv"])
        else:
            readers |= {
                "edges": Many(self.length, 0, as_written=True),
                "shares": Many(self.share, 0, as_written=True),
            }
            got = read_table(value, readers, ("edges", "shares", "weighting"))
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
        try:
            edges, shares = read_beside(name, read_size_bins)
        except ValueError as error:
            raise FaultsError([(".csv", f"= {name!r}{error}")]) from None
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


@dataclass(frozen=True, slots=True)
class AspectRatio(Stated):
    """Aspect ratio of a powder, of all particles or the number median.

    Parameters
    ----------
    spread : float
        Standard deviation of ln(aspect ratio).

    """

    spread: float = 0.0

    def distribution(self) -> float | SizeDistribution:
        """Aspect ratio as a filler takes it."""
        return SizeDistribution(self.value, self.spread) if self.spread else self.value


class AspectRatioReader(Reader):
    """A number, {value}, or {median, geometric_spread}; tables also take basis, source."""

    range = ASPECT.range

    def read(self, value: Any) -> AspectRatio:
        if not isinstance(value, Mapping):
            return AspectRatio(ASPECT.read(value))
        if not value.keys() & {"median", *_SPREADS}:
            known = {**HOW_KNOWN, "value": ASPECT}
            return AspectRatio(**read_table(value, known, ("value",)))
        got = read_table(value, HOW_KNOWN | {"median": ASPECT, **_SPREADS}, ("median",))
        stated = {k: v for k, v in got.items() if k in HOW_KNOWN}
        return AspectRatio(got["median"], spread=_read_spread(got, 1.3), **stated)

    def write(self, value: Any) -> dict[str, Any]:
        written = ASPECT.write(value.value)
        if value.spread:
            law = {"median": written} | _written_spread(value.spread)
            return law | _written_basis(value)
        return {"value": written} | _written_basis(value)


SIZES = SizesReader()
ASPECT_RATIO = AspectRatioReader()
