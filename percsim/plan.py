"""The plan file: what a sensor engineer writes, checked whole, <-> the types of the stages.

A plan is TOML with bench units in strings ("0.2 mm", "26 wt%", "7:1"). Each section is a
pydantic model whose fields carry their own documentation, default, unit and range; the
commented starter of `percsim new` is kept equal to them by a test. All faults of a plan are
reported together, one line each.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import math
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn

from pydantic import BaseModel, ConfigDict, Field, GetCoreSchemaHandler, ValidationError
from pydantic_core import CoreSchema, core_schema

from percsim.errors import PlanError
from percsim.units import format_quantity, parse_quantity, parse_range

if TYPE_CHECKING:
    from percsim.materials.elastomer import Elastomer
    from percsim.materials.filler import Filler
    from percsim.materials.recipe import Recipe
    from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
    from percsim.states.strain import Mounting, State

__all__ = [
    "BatchSection",
    "BoxesSection",
    "ContactsSection",
    "ElastomerSection",
    "ExploreSection",
    "FillerSection",
    "FilmSection",
    "Plan",
    "Sizes",
    "Stated",
    "StrainSection",
    "TargetSection",
    "TemperatureSection",
    "TolerancesSection",
]

_ROOM = 293.15  # temperature at which R0 is quoted [K]; states.temperature has the same


class _Faults(ValueError):
    """Several faults inside one value: (where below the key, what)."""

    def __init__(self, faults: Sequence[tuple[str, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__("; ".join(f"{where} {what}".strip() for where, what in faults))


def _show(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def _did_you_mean(word: str, known: Sequence[str]) -> str:
    close = difflib.get_close_matches(word, known, 1, 0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def _either(options: Sequence[str]) -> str:
    quoted = [f"'{o}'" for o in options]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


# ------------------------------------------------------------------------------------------
# Readers: one value of the file -> one value in SI, and back
# ------------------------------------------------------------------------------------------


class _Reader:
    """Reads and writes one kind of value; `range` is what the documentation says of it."""

    range: str = ""

    def read(self, value: Any) -> Any:
        raise NotImplementedError

    def write(self, value: Any) -> Any:
        return value

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            self.read,
            serialization=core_schema.plain_serializer_function_ser_schema(self.write),
        )


class _Quantity(_Reader):
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
            raise ValueError(f"{_show(value)} is too small; the range is {self.range}")
        if si > self.highest:
            raise ValueError(f"{_show(value)} is too large; the range is {self.range}")
        return si

    def write(self, value: Any) -> str:
        if value == 0.0 and self.kind not in ("temperature", "ratio"):
            return f"0 {self.unit}"
        return format_quantity(value, self.kind, digits=None)


class _Number(_Reader):
    """A plain number between two bounds (both allowed)."""

    def __init__(self, lowest: float, highest: float, *, whole: bool = False) -> None:
        self.lowest, self.highest, self.whole = lowest, highest, whole
        self.range = f"{lowest:.15g} to {highest:.15g}"

    def read(self, value: Any) -> float | int:
        kind = "a whole number" if self.whole else "a plain number"
        allowed = int if self.whole else (int, float)
        if isinstance(value, bool) or not isinstance(value, allowed) or value != value:
            raise ValueError(f"{_show(value)} must be {kind}, {self.range}")
        if not self.lowest <= value <= self.highest:
            raise ValueError(f"{_show(value)} is out of range; {kind}, {self.range}")
        return int(value) if self.whole else float(value)


class _Choice(_Reader):
    """One of a few words."""

    def __init__(self, *options: str) -> None:
        self.options = options
        self.range = _either(options)

    def read(self, value: Any) -> str:
        if value in self.options and isinstance(value, str):
            return value
        hint = _did_you_mean(value, self.options) if isinstance(value, str) else ""
        raise ValueError(f"{_show(value)} must be {self.range}{hint}")


class _Text(_Reader):
    """A line of text."""

    range = "any text"

    def read(self, value: Any) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{_show(value)} must be text in quotes")
        if any(ord(c) < 32 for c in value):
            raise ValueError(f"{_show(value)} must be one line of text")
        return value.strip()


class _Flag(_Reader):
    """Yes or no."""

    range = "true or false"

    def read(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValueError(f"{_show(value)} must be true or false, without quotes")
        return value


class _Window(_Reader):
    """Two quantities with "to" between them, or a table of `from` and `to`."""

    def __init__(self, kind: str, unit: str, lowest: str, highest: str) -> None:
        self.end = _Quantity(kind, unit, lowest, highest)
        self.range = f"both ends {self.end.range}"

    def read(self, value: Any) -> tuple[float, float]:
        if isinstance(value, Mapping):
            faults = [
                (f".{key}", f"is not known{_did_you_mean(str(key), ('from', 'to'))}")
                for key in value
                if key not in ("from", "to")
            ]
            ends: list[float] = []
            for key in ("from", "to"):
                if key not in value:
                    faults.append((f".{key}", "is missing"))
                    continue
                try:
                    ends.append(self.end.read(value[key]))
                except ValueError as error:
                    faults.append((f".{key}", f"= {error}"))
            if faults:
                raise _Faults(faults)
            low, high = ends
            if not low < high:
                raise ValueError("must rise; the value of `from` is not below that of `to`")
        else:
            low, high = parse_range(value, self.end.kind, unit_hint=self.end.unit)
        if low < self.end.lowest or high > self.end.highest:
            raise ValueError(f"{_show(value)} is out of range; {self.range}")
        return low, high

    def write(self, value: Any) -> str:
        low, high = value
        kind = self.end.kind
        # one unit for both ends, that of the larger
        unit = format_quantity(max(abs(low), abs(high)), kind).split(maxsplit=1)[1]
        first, second = (format_quantity(v, kind, digits=None, unit=unit) for v in value)
        text = f"{first.split()[0]} to {second}"
        return text if self.read(text) == value else f"{first} to {second}"


class _Many(_Reader):
    """A list of values, no two the same; kept in rising order."""

    def __init__(self, each: _Reader, least: int = 1) -> None:
        self.each, self.least = each, least
        self.range = f"each {each.range}"

    def read(self, value: Any) -> tuple[Any, ...]:
        if not isinstance(value, list | tuple):
            raise ValueError(f"{_show(value)} must be a list, [ ... ]")
        faults: list[tuple[str, str]] = []
        read: list[Any] = []
        for i, entry in enumerate(value, 1):
            try:
                got = self.each.read(entry)
            except ValueError as error:
                faults.append((f" (entry {i})", f"= {error}"))
                continue
            if got in read:
                faults.append((f" (entry {i})", f"= {_show(entry)} is there twice"))
            read.append(got)
        if faults:
            raise _Faults(faults)
        if len(read) < self.least:
            few = "is an empty list" if not read else f"has {len(read)} entries"
            raise ValueError(f"{few}; it needs at least {self.least}")
        return tuple(sorted(read))

    def write(self, value: Any) -> list[Any]:
        return [self.each.write(v) for v in value]


class _Diameters(_Reader):
    """A length, or a multiple of the median diameter written like "8 D"."""

    range = "4 D to 200 D, or a length"
    _multiple = re.compile(r"\s*(\d+\.?\d*|\.\d+)\s*D\s*$")

    def read(self, value: Any) -> BoxLength:
        match = self._multiple.match(value) if isinstance(value, str) else None
        if match:
            times = float(match.group(1))
            if not 4.0 <= times <= 200.0:
                raise ValueError(f"{_show(value)} is out of range; {self.range}")
            return BoxLength(times, True)
        try:
            length = parse_quantity(value, "length", unit_hint="um")
        except ValueError as error:
            raise ValueError(f"{error}, or '8 D' for eight median diameters") from None
        if length <= 0.0:
            raise ValueError(f"{_show(value)} must be above 0")
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

    """

    value: float
    basis: Literal["assumed", "measured"] = "assumed"
    source: str = ""


class _Stated(_Reader):
    """A value, or a table of value, basis and source; a plain value is assumed."""

    def __init__(self, each: _Reader) -> None:
        self.each = each
        self.range = each.range

    def read(self, value: Any) -> Stated:
        if not isinstance(value, Mapping):
            return Stated(self.each.read(value))
        faults: list[tuple[str, str]] = []
        known = {
            "value": self.each,
            "basis": _Choice("assumed", "measured"),
            "source": _Text(),
        }
        got: dict[str, Any] = {}
        for key, entry in value.items():
            if key not in known:
                hint = _did_you_mean(str(key), tuple(known))
                faults.append(
                    (f".{key}", f"is not known{hint or '; known: ' + ', '.join(known)}")
                )
                continue
            try:
                got[key] = known[key].read(entry)
            except ValueError as error:
                faults.append((f".{key}", f"= {error}"))
        if "value" not in value:
            faults.append((".value", "is missing"))
        if faults:
            raise _Faults(faults)
        return Stated(**got)

    def write(self, value: Any) -> dict[str, Any]:
        out = {"value": self.each.write(value.value), "basis": value.basis}
        return out | ({"source": value.source} if value.source else {})


@dataclass(frozen=True, slots=True)
class Sizes:
    """Sizes of a powder, log-normal.

    Parameters
    ----------
    median : float
        Number median [m].
    spread : float
        Standard deviation of ln D.
    d10, d50, d90 : float or None
        The percentiles by volume it was given as [m].

    """

    median: float
    spread: float
    d10: float | None = None
    d50: float | None = None
    d90: float | None = None


class _Sizes(_Reader):
    """One size, {median, geometric_spread or spread} by number, {d10, d50, d90} by volume."""

    length = _Quantity("length", "um", "1 nm", "10 mm")
    geometric = _Number(1.0, 4.0)
    spread = _Number(0.0, 1.386)
    range = f"{length.range}; geometric spread {geometric.range}"

    def read(self, value: Any) -> Sizes:
        if not isinstance(value, Mapping):
            return Sizes(self.length.read(value), 0.0)
        readers: dict[str, _Reader] = {
            "median": self.length, "geometric_spread": self.geometric, "spread": self.spread,
            "d10": self.length, "d50": self.length, "d90": self.length,
        }  # fmt: skip
        faults: list[tuple[str, str]] = []
        got: dict[str, float] = {}
        for key, entry in value.items():
            if key not in readers:
                hint = (
                    _did_you_mean(str(key), tuple(readers))
                    or f"; known: {', '.join(readers)}"
                )
                faults.append((f".{key}", f"is not known{hint}"))
                continue
            try:
                got[key] = readers[key].read(entry)
            except ValueError as error:
                faults.append((f".{key}", f"= {error}"))
        number = {"median", "geometric_spread", "spread"} & set(value)
        volume = {"d10", "d50", "d90"} & set(value)
        if bool(number) == bool(volume):
            faults.append(
                ("", "must hold either median and geometric_spread (by number) or d10, d50 and"
                 " d90 (by volume)")
            )  # fmt: skip
        elif volume:
            faults += [
                (f".{k}", "is missing") for k in ("d10", "d50", "d90") if k not in value
            ]
        else:
            if "median" not in value:
                faults.append((".median", "is missing"))
            if {"geometric_spread", "spread"} <= number:
                faults.append(
                    (".spread", "is there besides geometric_spread; give one of them")
                )
            elif number == {"median"}:
                faults.append(
                    (
                        ".geometric_spread",
                        "is missing; write it like geometric_spread = 1.5",
                    )
                )
        if faults:
            raise _Faults(faults)
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

    def write(self, value: Any) -> Any:
        if value.d50 is not None:
            return {k: self.length.write(getattr(value, k)) for k in ("d10", "d50", "d90")}
        if value.spread == 0.0:
            return self.length.write(value.median)
        out: dict[str, Any] = {"median": self.length.write(value.median)}
        for digits in range(1, 8):
            geometric = float(f"{math.exp(value.spread):.{digits}g}")
            if math.log(geometric) == value.spread:
                return out | {"geometric_spread": geometric}
        # not every spread is the logarithm of a short number
        return out | {"spread": value.spread}


# ------------------------------------------------------------------------------------------
# Sections
# ------------------------------------------------------------------------------------------


class _Section(BaseModel):
    model_config = ConfigDict(
        strict=True,
        extra="forbid",
        frozen=True,
        validate_default=True,
        use_attribute_docstrings=False,
    )


def _field(text: str, default: Any = ..., *, example: Any = None) -> Any:
    """Field with its documentation; `example` is what a message suggests when it is missing."""
    return Field(
        default, description=text, examples=[default if example is None else example]
    )


class HeadSection(_Section):
    """Keys above the first section."""

    title: Annotated[str, _Text()] = _field(
        "What the report is headed with; changing it changes no number.", "untitled"
    )
    seed: Annotated[int, _Number(0, 2**53, whole=True)] = _field(
        "Seed of every random draw: the same plan and seed give the same digits.", 1
    )


class FillerSection(_Section):
    """The conductive powder; write [[filler]] once for each of several powders mixed."""

    material: Annotated[str, _Text()] | None = _field(
        "Name in percsim's data files; density, thermal expansion, size and aspect ratio then"
        " have typical values for what you leave out. Leave it out for a powder of your own.",
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
        "Lateral size of flakes, edge included, or diameter of spheres: the median by number"
        " with the geometric spread (1.5: 68 % lie within x/ 1.5) or the spread of ln D (0.405);"
        " or d10, d50 and d90 by volume as a laser diffraction sheet gives them; or one size."
        " Log-normal, cut at three spreads either side. Default: the material's.",
        None,
        example={"median": "10 um", "geometric_spread": 1.5},
    )
    length: Annotated[Sizes, _Sizes()] | None = _field(
        "Length of rods without their end caps, written like diameter. Default: the"
        " material's.",
        None,
        example={"median": "20 um", "geometric_spread": 1.3},
    )
    aspect_ratio: Annotated[Stated, _Stated(_Number(1.0, 10_000.0))] | None = _field(
        "Diameter over thickness of a flake, length over diameter of a rod, the same for all"
        " sizes. It sets the threshold more than anything else: measure it if you can, and"
        ' then write { value = 15, basis = "measured" }. Default: the material\'s.',
        None,
        example=15,
    )
    thickness: (
        Annotated[Stated, _Stated(_Quantity("length", "um", "0.3 nm", "1 mm"))] | None
    ) = _field(
        "Instead of an aspect ratio: thickness of a flake or diameter of a rod, the same for"
        " all sizes.",
        None,
        example="0.7 um",
    )
    orientation: Annotated[str, _Choice("isotropic", "in-plane", "aligned")] = _field(
        "How the particles lie: isotropic in every direction; in-plane flakes flat and rods in"
        " the plane of the film; aligned rods along the current.",
        "isotropic",
    )
    tilt: Annotated[float, _Quantity("angle", "deg", "0 deg", "54 deg")] = _field(
        "Root mean square angle out of that arrangement, for in-plane and aligned.", "0 deg"
    )
    thermal_expansion: (
        Annotated[float, _Quantity("expansion", "ppm/K", "-50 ppm/K", "500 ppm/K")] | None
    ) = _field(
        "Linear thermal expansion, mean of the directions. Default: the material's, else 0.",
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


class ElastomerSection(_Section):
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
    name: Annotated[str, _Text()] | None = _field(
        "What the weigh-out sheet calls it. Default: the material's name, else elastomer.",
        None,
        example="two-part silicone",
    )


class FilmSection(_Section):
    """The cast film."""

    thickness: Annotated[float, _Quantity("length", "mm", "1 um", "20 mm")] = _field(
        "Dry thickness.", example="0.2 mm"
    )
    width: Annotated[float, _Quantity("length", "mm", "0.01 mm", "1000 mm")] = _field(
        "Width across the current, the same for film and electrodes.", example="6 mm"
    )
    length: Annotated[float, _Quantity("length", "mm", "0.01 mm", "10000 mm")] = _field(
        "Whole length along the current; the electrode gaps to try must fit into it.",
        example="16 mm",
    )
    cast: Annotated[str, _Choice("drawn", "drop")] = _field(
        "How it is cast: drawn down with a blade or frame, or drop-cast. It sets the default"
        " thickness tolerance.",
        "drawn",
    )


_OPENING_NOTE = "Only for model = 'opening'."
_AFFINE_NOTE = "Only for model = 'affine'."


class ContactsSection(_Section):
    """What a contact between two particles conducts.

    Each value is plain, then it counts as assumed, or a table that says where it comes from.
    """

    model: Annotated[str, _Choice("opening", "affine")] = _field(
        "opening: contacts pressed together at closed_at open with strain and temperature, for"
        " micron-sized fillers. affine: particles move with the film and tunnel across"
        " absolute gaps, for nano-sized fillers and for comparison.",
        "opening",
    )
    g0: Annotated[Stated, _Stated(_Quantity("conductance", "uS", "1 pS", "1000 S"))] = (
        _field(
            f"Conductance of a closed contact at 20 C; it sets only the level of the resistance."
            f" {_OPENING_NOTE}",
            "80 uS",
        )
    )
    beta: Annotated[Stated, _Stated(_Number(0.0, 100_000.0))] = _field(
        "Decay of a contact as it opens, per opening over the mean particle size."
        f" {_OPENING_NOTE}",
        100,
    )
    delta_b: Annotated[Stated, _Stated(_Number(1e-6, 1000.0))] = _field(
        "Opening over the mean particle size at which half of the contacts are broken."
        f" {_OPENING_NOTE}",
        0.01,
    )
    closed_at: Annotated[Stated, _Stated(_Quantity("temperature", "C", "-200 C", "400 C"))] | None = (
        _field(
            "Temperature at which the contacts are pressed shut, the reference state. Default:"
            " 20 K below the coldest temperature of the plan.",
            None, example="-40 C",
        )
    )  # fmt: skip
    lambda_T: Annotated[Stated, _Stated(_Number(0.0, 1.0))] = _field(  # noqa: N815
        "Share of the thermal expansion that reaches the contacts.", 0.3
    )
    Ea: Annotated[Stated, _Stated(_Quantity("energy", "meV", "0 meV", "1000 meV"))] = (
        _field(
            "Activation energy of the resistance; above 0 it falls on heating."
            f" {_OPENING_NOTE}",
            "10 meV",
        )
    )
    electrode_conductance: (
        Annotated[Stated, _Stated(_Quantity("conductance", "uS", "1 pS", "1000 S"))] | None
    ) = _field(
        "Conductance between an electrode and one particle that reaches it, at 20 C. Default:"
        " that of a closed contact, g0; with model = 'affine' 80 uS. It adds a resistance at the"
        " electrodes, not one per length.",
        None,
        example="80 uS",
    )
    cutoff: Annotated[float, _Quantity("length", "nm", "0 nm", "100 um")] | None = _field(
        "Longest gap between two particles that counts as a contact. Default: 0 nm, particles"
        " that touch; with model = 'affine' 2 nm.",
        None,
        example="0 nm",
    )
    barrier_height: Annotated[
        Stated, _Stated(_Quantity("energy", "eV", "0.01 eV", "10 eV"))
    ] = _field(f"Height of the tunnelling barrier. {_AFFINE_NOTE}", "1 eV")
    contact_area: Annotated[
        Stated, _Stated(_Quantity("area", "nm2", "0.1 nm2", "1 mm2"))
    ] = _field(f"Area of a tunnelling contact. {_AFFINE_NOTE}", "100 nm2")


class StrainSection(_Section):
    """The strain the film will see, along the current, tension positive."""

    window: Annotated[
        tuple[float, float],
        _Window("strain", "microstrain", "-200000 microstrain", "1000000 microstrain"),
    ] = _field(
        "From the smallest to the largest strain; also { from = ..., to = ... }.",
        "0 to 3000 microstrain",
    )
    points: Annotated[int, _Number(2, 201, whole=True)] = _field(
        "Strains computed, evenly over the window; zero is added when it is not among them.",
        7,
    )
    mounting: Annotated[str, _Choice("free", "bonded", "biaxial")] = _field(
        "free: pulled by its ends; bonded: on a part, which sets the strain across; biaxial:"
        " the same strain along and across.",
        "bonded",
    )
    part_poisson_ratio: Annotated[float, _Number(0.0, 0.5)] = _field(
        "Poisson ratio of the part under a bonded film.", 0.33
    )


class TemperatureSection(_Section):
    """The temperatures the film will see."""

    values: Annotated[
        tuple[float, ...], _Many(_Quantity("temperature", "C", "-150 C", "350 C"))
    ] = _field(
        "Temperatures computed; 20 C, at which R0 is quoted, is added when it is not among"
        " them.",
        ["20 C"],
    )


class ExploreSection(_Section):
    """What to try: every loading with every gap is a candidate.

    The loading is written in one of three ways.
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
        "Whether the rubber of phr and mass_ratio is base and curing agent (true) or the base"
        " alone (false); must be said for these two.",
        None,
        example=True,
    )
    electrode_gap: Annotated[
        tuple[float, ...], _Many(_Quantity("length", "mm", "1 um", "10000 mm"))
    ] = _field(
        "Free lengths of film between the electrodes.", example=["2 mm", "3 mm", "5 mm"]
    )


class BoxesSection(_Section):
    """How much is simulated.

    A box is a small cube of the film. Boxes serve all gaps of a loading at once.
    """

    count: Annotated[int, _Number(4, 100_000, whole=True)] = _field(
        "Boxes for each candidate loading and each length; twice as many take twice as long"
        " and narrow the simulation error by 1.4.",
        24,
    )
    lengths: Annotated[tuple[BoxLength, ...], _Many(_Diameters(), least=2)] = _field(
        "Edges of the cubes, as lengths or in median diameters D of the largest filler; the"
        " resistance per length and that of the electrodes come from the different lengths."
        " Below 8 D the boxes conduct too well.",
        ["8 D", "11 D", "16 D"],
    )
    threshold_count: Annotated[int, _Number(10, 100_000, whole=True)] = _field(
        "Growth runs that find the percolation threshold of this filler.", 100
    )


class TolerancesSection(_Section):
    """What the bench does: one standard deviation between castings meant to be equal.

    They are always on; write 0 to switch one off.
    """

    castings: Annotated[int, _Number(100, 1_000_000, whole=True)] = _field(
        "Castings drawn for each candidate.", 4000
    )
    weighing: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of the filler's weight fraction, from the balance.", "0.5 %"
    )
    mixing: Annotated[float, _Quantity("percentage", "%", "0 %", "50 %")] = _field(
        "Of the filler's weight fraction from place to place in the mix.", "2 %"
    )
    thickness: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] | None = (
        _field(
            "Of the film's thickness. Default: 8 % for a drawn film, 20 % for a drop-cast one.",
            None,
            example="8 %",
        )
    )
    electrode_gap: Annotated[float, _Quantity("length", "mm", "0 mm", "10 mm")] = _field(
        "Of the electrode gap.", "0.1 mm"
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


class TargetSection(_Section):
    """What a casting must reach; a limit that is left out is not tested."""

    supply: Annotated[float, _Quantity("voltage", "V", "0.001 V", "1000 V")] = _field(
        "Supply voltage of the divider that reads the film.", "3.3 V"
    )
    series_resistor: (
        Annotated[float, _Quantity("resistance", "kohm", "0.001 ohm", "1000 Gohm")] | None
    ) = _field(
        "Resistor in series with the film. Default: 0 ohm, the film straight at the supply.",
        None,
        example="1.8 kohm",
    )
    resistance: (
        Annotated[tuple[float, float], _Window("resistance", "kohm", "0 ohm", "1000 Gohm")]
        | None
    ) = _field(
        "Window for R0, the resistance at 20 C without strain; also { from = ..., to = ... }."
        " Default: a quarter to four times the series resistor, where the divider keeps 64 %"
        " of its best sensitivity; without one, not tested.",
        None,
        example="0.7 to 3 kohm",
    )
    smallest_gauge_factor: Annotated[float, _Number(0.0, 100_000.0)] | None = _field(
        "Of the chord over the strain window, (R/R0 - 1) over the largest strain.",
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
    pass_share: Annotated[float, _Quantity("percentage", "%", "0 %", "100 %")] = _field(
        "Share of the castings that must meet the limits on R0 and gauge factor.", "80 %"
    )


class BatchSection(_Section):
    """The batch to weigh out."""

    films: Annotated[int, _Number(1, 1_000_000, whole=True)] = _field(
        "Films to cast from one batch.", 10
    )
    mass: Annotated[float, _Quantity("mass", "g", "1 mg", "1000 kg")] | None = _field(
        "Instead: mass of the cured batch, losses included. Default: from the films.",
        None,
        example="50 g",
    )
    loss: Annotated[float, _Quantity("percentage", "%", "0 %", "90 %")] = _field(
        "Share of the batch that stays in cup, mixer and frame.", "15 %"
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
            "Instead of the solvent's mass ratio: thickness to draw, which must dry to the film's.",
            None,
            example="0.35 mm",
        )
    )


SECTIONS: dict[str, type[_Section]] = {
    "filler": FillerSection,
    "elastomer": ElastomerSection,
    "film": FilmSection,
    "contacts": ContactsSection,
    "strain": StrainSection,
    "temperature": TemperatureSection,
    "explore": ExploreSection,
    "boxes": BoxesSection,
    "tolerances": TolerancesSection,
    "target": TargetSection,
    "batch": BatchSection,
}
"""Sections of a plan in the order of the starter."""

_ESSENTIAL = ("filler", "elastomer", "film", "explore")


def reader_of(section: type[_Section], field: str) -> _Reader:
    """Reader behind a field: what its documentation gives as range comes from it."""
    info = section.model_fields[field]
    for item in (*info.metadata, *_flatten(info.annotation)):
        if isinstance(item, _Reader):
            return item
    raise TypeError(f"{section.__name__}.{field} has no reader")


def _flatten(annotation: Any) -> Iterator[Any]:
    yield from getattr(annotation, "__metadata__", ())
    for inner in getattr(annotation, "__args__", ()):
        if not isinstance(inner, str | int):
            yield from _flatten(inner)


class _Reading:
    """A plan being read: its faults, and which keys can be relied on in spite of them."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.lines: list[str] = []
        self.bad: set[str] = set()

    def fault(self, key: str, what: str) -> None:
        self.lines.append(f"{self.name}: {key} {what}")

    def in_order(self) -> list[str]:
        """Lines in the order of the starter, none twice."""
        order = (*HeadSection.model_fields, *SECTIONS)

        def place(line: str) -> int:
            word = re.match(r"\[*(\w*)", line[len(self.name) + 2 :])
            key = word[1] if word else ""
            return order.index(key) if key in order else -1

        return sorted(dict.fromkeys(self.lines), key=place)

    def usable(self, *keys: str) -> bool:
        """Whether none of the keys, nor a section they are in, has a fault."""
        return not any(k in self.bad or k.split(".")[0] in self.bad for k in keys)

    def section(self, key: str, model: type[_Section], data: object) -> Any:
        """Validate one section; after faults, a stand-in for the cross-checks."""
        plain = re.sub(r"\[\d+\]", "", key)
        if not isinstance(data, Mapping):
            self.fault(key, f"must be a section, [{plain}], got {_show(data)}")
            self.bad.add(plain)
            return None
        try:
            return model.model_validate(dict(data))
        except ValidationError as error:
            problems = error.errors(include_url=False)
        kept = dict(data)
        for problem in problems:
            field = str(problem["loc"][0])
            self.bad.add(f"{plain}.{field}")
            kept.pop(field, None)
            if field in model.model_fields and model.model_fields[field].is_required():
                kept[field] = model.model_fields[field].examples[0]  # type: ignore[index]
            self._explain(f"{key}.{field}" if key else field, plain, field, model, problem)
        return model.model_validate(kept)

    def _explain(
        self, path: str, plain: str, field: str, model: type[_Section], problem: Any
    ) -> None:
        kind = problem["type"]
        if kind == "missing":
            example = json.dumps(model.model_fields[field].examples[0])  # type: ignore[index]
            self.fault(path, f"is missing; write it like {field} = {example}")
        elif kind == "extra_forbidden":
            self.fault(path, _unknown_key(plain, field, tuple(model.model_fields)))
        else:
            cause = problem.get("ctx", {}).get("error")
            if isinstance(cause, _Faults):
                for where, what in cause.faults:
                    self.fault(path + where, what)
            else:
                text = str(cause) if cause else problem["msg"]
                verb = text.startswith(("must ", "is ", "has "))
                self.fault(path, text if verb else f"= {text}")


def _unknown_key(section: str, key: str, known: Sequence[str]) -> str:
    hint = _did_you_mean(key, known)
    if hint:
        return f"is not known{hint}"
    homes = [s for s, m in SECTIONS.items() if key in m.model_fields and s != section]
    if homes:
        return f"is not known here; it belongs in {' or '.join(f'[{h}]' for h in homes)}"
    if section and key in HeadSection.model_fields:
        return "is not known here; it belongs above the first section"
    return f"is not known; known: {', '.join(known)}"


# ------------------------------------------------------------------------------------------
# The plan
# ------------------------------------------------------------------------------------------


@dataclass(frozen=True, repr=False)
class Plan:
    """A plan, read and checked.

    Make one with `Plan.load` or `Plan.from_dict`; both check everything.

    Parameters
    ----------
    title : str
        Heading of the report.
    seed : int
        Seed of every draw.
    filler : tuple of FillerSection
        One entry a powder.
    elastomer, film, contacts, strain, temperature, explore, boxes, tolerances, target, batch
        The sections, values in SI.
    name : str
        Name of the file, for messages.
    text : str
        The plan as it was written.

    """

    title: str
    seed: int
    filler: tuple[FillerSection, ...]
    elastomer: ElastomerSection
    film: FilmSection
    contacts: ContactsSection
    strain: StrainSection
    temperature: TemperatureSection
    explore: ExploreSection
    boxes: BoxesSection
    tolerances_section: TolerancesSection
    target: TargetSection
    batch: BatchSection
    name: str = "plan"
    text: str = ""

    # ------------------------------------------------------------------ reading and writing
    @classmethod
    def load(cls, path: str | Path) -> Plan:
        """Read a plan file.

        Parameters
        ----------
        path : str or Path
            A TOML file, UTF-8.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault of the file, one line each.

        """
        path = Path(path)
        name = path.name or str(path)
        try:
            raw = path.read_bytes()
        except OSError as error:
            reason = (error.strerror or str(error)).lower()
            raise PlanError([f"{path}: cannot be read: {reason}"]) from None
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            line = raw[: error.start].count(b"\n") + 1
            raise PlanError(
                [f"{name}: line {line} is not UTF-8 text; save the file as UTF-8"]
            ) from None
        try:
            mapping = tomllib.loads(text)
        except (tomllib.TOMLDecodeError, RecursionError) as error:
            raise PlanError([f"{name}: is not TOML: {_toml_reason(str(error))}"]) from None
        return cls._read(mapping, name, text)

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], name: str = "plan") -> Plan:
        """Read a plan from nested dicts, in the words and units of the file.

        Parameters
        ----------
        mapping : mapping
            Sections by name, as TOML gives them; `as_dict` of another plan is one.
        name : str
            What messages call it.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault, one line each.

        """
        return cls._read(mapping, name, None)

    @classmethod
    def _read(cls, mapping: Mapping[str, Any], name: str, text: str | None) -> Plan:
        reading = _Reading(name)
        known = (*HeadSection.model_fields, *SECTIONS)
        for key in mapping:
            if key not in known:
                kind = "a section" if isinstance(mapping[key], Mapping) else "a key"
                what = _unknown_key("", key, known)
                reading.lines.append(
                    f"{name}: {key} {what.replace('is', f'is {kind} that is', 1)}"
                )
        head = reading.section(
            "",
            HeadSection,
            {k: mapping[k] for k in HeadSection.model_fields if k in mapping},
        )
        parts: dict[str, Any] = {}
        for key, model in SECTIONS.items():
            if key not in mapping:
                if key in _ESSENTIAL:
                    reading.fault(f"[{key}]", f"is missing; {_section_help(key)}")
                    reading.bad.add(key)
                    parts[key] = None
                else:
                    parts[key] = model()
            elif key == "filler" and isinstance(mapping[key], list | tuple):
                parts[key] = [
                    reading.section(
                        f"filler[{i}]" if len(mapping[key]) > 1 else key, model, entry
                    )
                    for i, entry in enumerate(mapping[key], 1)
                ]
                if not parts[key]:
                    reading.fault("filler", "is an empty list; it needs at least 1")
                    reading.bad.add("filler")
            else:
                parts[key] = reading.section(key, model, mapping[key])
        if not isinstance(parts["filler"], list):
            parts["filler"] = [parts["filler"]]
        plan = cls(
            head.title, head.seed, tuple(parts["filler"]),
            *(parts[key] for key in SECTIONS if key != "filler"),
            name=name, text=text or "",
        )  # fmt: skip
        _cross_check(plan, reading)
        if reading.lines:
            raise PlanError(reading.in_order())
        if text is None:
            object.__setattr__(plan, "text", _to_toml(plan.as_dict()))
        return plan

    def as_dict(self) -> dict[str, Any]:
        """Plan as a JSON-able dict: words of the file, units normalised, defaults filled in.

        Returns
        -------
        dict
            `Plan.from_dict` reads it back to an equal plan.

        """
        fillers = []
        for section, filler in zip(self.filler, self.fillers, strict=True):
            size = "length" if filler.kind == "rod" else "diameter"
            left_out: dict[str, Any] = {
                "kind": filler.kind, "density": filler.density, "name": filler.name,
                "thermal_expansion": filler.thermal_expansion,
                size: Sizes(filler.size.median, filler.size.spread),
            }  # fmt: skip
            if filler.kind != "sphere" and section.thickness is None:
                left_out["aspect_ratio"] = Stated(filler.median_aspect_ratio)
            fillers.append(_written(section, left_out))
        elastomer = self.cured_elastomer
        derived: dict[str, dict[str, Any]] = {
            "elastomer": {
                k: getattr(elastomer, k) for k in ElastomerSection.model_fields if k != "material"
            },
            "contacts": {
                "closed_at": self.closed_at, "cutoff": self.cutoff,
                "electrode_conductance": self.electrode_conductance,
            },
            "tolerances": {"thickness": self.tolerances["thickness"]},
        }  # fmt: skip
        out: dict[str, Any] = {"title": self.title, "seed": self.seed}
        out["filler"] = fillers[0] if len(fillers) == 1 else fillers
        for key in SECTIONS:
            if key != "filler":
                name = "tolerances_section" if key == "tolerances" else key
                out[key] = _written(getattr(self, name), derived.get(key, {}))
        return out

    @cached_property
    def hash(self) -> str:
        """SHA-256 of everything that affects a result: the filled-in plan less its title."""
        content = {k: v for k, v in self.as_dict().items() if k != "title"}
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    def __repr__(self) -> str:
        gaps = ", ".join(format_quantity(g, "length") for g in self.electrode_gaps)
        weights = ", ".join(f"{100 * w:.4g}" for w in self.weight_fractions)
        return f"Plan {self.title!r}: {weights} wt% at gaps {gaps}, seed {self.seed}"

    # ------------------------------------------------------------------ what is mixed
    @cached_property
    def fillers(self) -> tuple[Filler, ...]:
        """Fillers of the plan, what it leaves out taken from the data files."""
        return tuple(_make_filler(section) for section in self.filler)

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """Share of each filler in the mass of all fillers."""
        if len(self.filler) == 1:
            return (1.0,)
        return tuple(float(section.share or 0.0) for section in self.filler)

    @cached_property
    def cured_elastomer(self) -> Elastomer:
        """Elastomer of the plan."""
        return _make_elastomer(self.elastomer)

    @cached_property
    def weight_fractions(self) -> tuple[float, ...]:
        """Loadings to explore, mass of filler over mass of the cured film, rising."""
        explore = self.explore
        if explore.weight_fraction is not None:
            return explore.weight_fraction
        per_rubber = explore.mass_ratio or tuple(p / 100.0 for p in explore.phr or ())
        # mass of base and curing agent for one of "rubber"
        rubber = (
            1.0 if explore.curing_agent_counts else 1.0 / self.cured_elastomer.base_share
        )
        return tuple(r / (r + rubber) for r in per_rubber)

    @property
    def electrode_gaps(self) -> tuple[float, ...]:
        """Electrode gaps to explore [m], rising."""
        return self.explore.electrode_gap

    def recipe(self, weight_fraction: float) -> Recipe:
        """Recipe at a loading.

        Parameters
        ----------
        weight_fraction : float
            Mass of all fillers over mass of the cured film.

        Returns
        -------
        Recipe

        """
        from percsim.materials.recipe import Recipe

        pairs = tuple(
            (filler, share * weight_fraction)
            for filler, share in zip(self.fillers, self.shares, strict=True)
        )
        return Recipe(pairs, self.cured_elastomer)

    @property
    def median_diameter(self) -> float:
        """Number-median diameter (length for rods) of the largest filler [m]."""
        return max(f.median_diameter for f in self.fillers)

    @property
    def largest_particle(self) -> float:
        """Largest extent any particle of the plan may have [m]."""
        return max(f.largest for f in self.fillers)

    # ------------------------------------------------------------------ what it does
    @property
    def strains(self) -> tuple[float, ...]:
        """Strains computed, rising, zero among them."""
        low, high = self.strain.window
        n = self.strain.points
        # rounded far below a microstrain, so that 0.0005 is not 0.0005000000000000001
        even = {round(low + (high - low) * i / (n - 1), 15) for i in range(n)} - {low, high}
        return tuple(sorted({0.0, low, high} | even))

    @property
    def largest_strain(self) -> float:
        """Strain at which the chord gauge factor is taken: the end of the window off zero."""
        low, high = self.strain.window
        return high if high > 0.0 else low

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperatures computed [K], rising, 20 C among them."""
        return tuple(sorted({*self.temperature.values, _ROOM}))

    @property
    def closed_at(self) -> Stated:
        """Temperature of the reference state [K], by default 20 K below the coldest."""
        if self.contacts.closed_at is not None:
            return self.contacts.closed_at
        return Stated(round(min(self.temperatures) - 20.0, 9))

    @property
    def cutoff(self) -> float:
        """Longest gap that counts as a contact [m]."""
        if self.contacts.cutoff is not None:
            return self.contacts.cutoff
        return 2e-9 if self.contacts.model == "affine" else 0.0

    @property
    def electrode_conductance(self) -> Stated:
        """Conductance between an electrode and a particle that reaches it [S]."""
        if self.contacts.electrode_conductance is not None:
            return self.contacts.electrode_conductance
        if self.contacts.model == "affine":
            return Stated(8e-5)
        return Stated(self.contacts.g0.value, "assumed", "as a contact between particles")

    def law(self, seed: int = 0) -> ContactOpeningLaw | TunnellingLaw:
        """Conduction law of the plan.

        Parameters
        ----------
        seed : int
            Seed of the breaking draws of the contacts of a box.

        Returns
        -------
        ContactOpeningLaw or TunnellingLaw

        """
        from percsim.network.laws import ContactOpeningLaw, TunnellingLaw

        c = self.contacts
        electrode = self.electrode_conductance.value
        if c.model == "affine":
            return TunnellingLaw(c.barrier_height.value, c.contact_area.value, electrode)
        return ContactOpeningLaw(
            c.g0.value, c.beta.value, c.delta_b.value, c.Ea.value, electrode, seed
        )

    def mounting(self) -> Mounting:
        """How the film is held."""
        from percsim.states.strain import Mounting

        return Mounting(
            self.strain.mounting,  # type: ignore[arg-type]
            self.cured_elastomer.poisson_ratio,
            self.strain.part_poisson_ratio,
        )

    def states(self, weight_fraction: float) -> tuple[State, ...]:
        """States of a film at a loading, strains fastest, over all temperatures.

        Parameters
        ----------
        weight_fraction : float
            Sets the thermal expansion of the composite.

        Returns
        -------
        tuple of State
            In the order of `temperatures`, each with all `strains`.

        """
        from percsim.states.strain import State
        from percsim.states.temperature import ThermalOpening

        mounting = self.mounting()
        thermal = ThermalOpening(
            self.recipe(weight_fraction).thermal_expansion,
            self.closed_at.value,
            self.contacts.lambda_T.value,
        )
        return tuple(
            State.at(strain, temperature, mounting, thermal)
            for temperature in self.temperatures
            for strain in self.strains
        )

    # ------------------------------------------------------------------ how much, and what for
    @property
    def box_lengths(self) -> tuple[float, ...]:
        """Edges of the simulated cubes [m], rising."""
        d = self.median_diameter
        return tuple(
            sorted(b.value * (d if b.in_diameters else 1.0) for b in self.boxes.lengths)
        )

    @property
    def tolerances(self) -> dict[str, float]:
        """One standard deviation of each bench tolerance.

        Returns
        -------
        dict
            `weighing`, `mixing`, `thickness`, `contact`, `aspect_ratio` relative; `gap` and
            `width` [m]. The names are those of the spread shares.

        """
        t = self.tolerances_section
        usual = 0.20 if self.film.cast == "drop" else 0.08
        return {
            "weighing": t.weighing,
            "mixing": t.mixing,
            "thickness": usual if t.thickness is None else t.thickness,
            "gap": t.electrode_gap,
            "width": t.width,
            "contact": t.contact,
            "aspect_ratio": t.aspect_ratio,
        }

    @property
    def castings(self) -> int:
        """Castings drawn for each candidate."""
        return self.tolerances_section.castings

    @property
    def resistance_window(self) -> tuple[float, float] | None:
        """Window that R0 must lie in [ohm], from the series resistor when not given."""
        if self.target.resistance is not None:
            return self.target.resistance
        if self.target.series_resistor is not None:
            # the divider's sensitivity x (1 - x), x = R/(R + Rs), is 0.16 of 0.25 at x = 0.2, 0.8
            return self.target.series_resistor / 4.0, self.target.series_resistor * 4.0
        return None

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is allowed but may mislead, one line each."""
        out = []
        small = [b for b in self.box_lengths if b < 8.0 * self.median_diameter * (1 - 1e-9)]
        if small:
            edges = ", ".join(format_quantity(b, "length") for b in small)
            out.append(
                f"boxes of {edges} are below 8 median diameters and conduct too well"
            )
        if max(self.box_lengths) > self.film.thickness * (1 + 1e-9):
            out.append(
                f"boxes of {format_quantity(max(self.box_lengths), 'length')} are thicker than"
                f" the film, {format_quantity(self.film.thickness, 'length')}; the film's free"
                " faces lower its conductance more than the boxes show"
            )
        if self.film.thickness < self.largest_particle:
            out.append(
                f"the film, {format_quantity(self.film.thickness, 'length')} thick, is thinner"
                f" than the largest particles, {format_quantity(self.largest_particle, 'length')};"
                " they lie flatter than the plan says"
            )
        return tuple(out)


def _written(section: _Section, left_out: Mapping[str, Any]) -> dict[str, Any]:
    """Section in bench units, with what it left out, in the order of its fields."""
    entry = section.model_dump(exclude_none=True)
    for key, value in left_out.items():
        if key not in entry:
            entry[key] = reader_of(type(section), key).write(value)
    return {key: entry[key] for key in type(section).model_fields if key in entry}


def _section_help(key: str) -> str:
    return {
        "filler": "it says which powder",
        "elastomer": "it says what the powder is mixed into",
        "film": "it gives thickness, width and length",
        "explore": "it lists the loadings and electrode gaps to try",
    }[key]


def _toml_reason(text: str) -> str:
    match = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", text)
    if match:
        return f"line {match[2]}, column {match[3]}: {match[1][0].lower()}{match[1][1:]}"
    return text[0].lower() + text[1:]


def _to_toml(mapping: Mapping[str, Any]) -> str:
    """Plan dict as TOML (strings, numbers, booleans, lists and tables of them)."""

    def value(v: Any) -> str:
        if isinstance(v, Mapping):
            return "{ " + ", ".join(f"{k} = {value(x)}" for k, x in v.items()) + " }"
        if isinstance(v, list):
            return "[" + ", ".join(value(x) for x in v) + "]"
        # JSON's strings, numbers and booleans are TOML's, but for one escaped character
        return json.dumps(v, ensure_ascii=False).replace("\x7f", "\\u007f")

    lines = [
        f"{k} = {value(v)}" for k, v in mapping.items() if not isinstance(v, Mapping | list)
    ]
    for key, section in mapping.items():
        tables = section if isinstance(section, list) else [section]
        for table in tables:
            if isinstance(table, Mapping):
                lines += ["", f"[[{key}]]" if isinstance(section, list) else f"[{key}]"]
                lines += [f"{k} = {value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------
# From sections to materials
# ------------------------------------------------------------------------------------------


def _make_filler(section: FillerSection) -> Filler:
    from percsim.materials.elastomer import load_material
    from percsim.materials.filler import Filler, Orientation, SizeDistribution

    material = load_material(section.material) if section.material else None
    kind = section.kind or (material.shape if material else "flake")
    sizes = section.length if kind == "rod" else section.diameter
    if sizes is not None:
        size = SizeDistribution(sizes.median, sizes.spread)
    elif material is not None:
        size = SizeDistribution(material["size"].value, material["spread"].value)
    else:
        raise ValueError("size is missing")
    aspect = section.aspect_ratio.value if section.aspect_ratio else None
    thickness = section.thickness.value if section.thickness else None
    if kind != "sphere" and aspect is None and thickness is None and material is not None:
        aspect = material["aspect_ratio"].value
    density = (
        section.density
        if section.density is not None or material is None
        else material.density
    )
    expansion = section.thermal_expansion
    if expansion is None:
        expansion = material["thermal_expansion"].value if material else 0.0
    return Filler(
        kind, float(density or 0.0), size, thickness, aspect,
        Orientation(section.orientation, section.tilt),
        section.name or (material.name if material else kind), expansion,
    )  # fmt: skip


def _make_elastomer(section: ElastomerSection) -> Elastomer:
    from percsim.materials.elastomer import Elastomer, load_material

    usual: dict[str, Any] = {
        "density": None, "mix_ratio": 10.0, "thermal_expansion": 3.1e-4, "poisson_ratio": 0.495,
        "name": "elastomer",
    }  # fmt: skip
    if section.material:
        material = load_material(section.material)
        usual |= {k: p.value for k, p in material.properties.items() if k in usual}
        usual["name"] = material.name
    given = section.model_dump(mode="python", exclude_none=True)
    return Elastomer(
        **{k: getattr(section, k) if k in given else v for k, v in usual.items()}
    )


# ------------------------------------------------------------------------------------------
# What only shows when sections are read together
# ------------------------------------------------------------------------------------------


def _cross_check(plan: Plan, reading: _Reading) -> None:
    """Add the faults that no single key has. Keys that are at fault already stay out of it."""
    checks: tuple[Callable[[Plan, _Reading], None], ...] = (
        _check_fillers, _check_shares, _check_elastomer, _check_loadings, _check_lengths,
        _check_boxes, _check_states, _check_batch,
    )  # fmt: skip
    for check in checks:
        check(plan, reading)


def _find_material(reading: _Reading, key: str, name: str | None, kind: str) -> Any:
    from percsim.materials.elastomer import load_material, material_names

    if name is None or not reading.usable(key):
        return None
    try:
        material = load_material(name)
    except ValueError as error:
        hint = str(error).partition("; ")[2].replace('"', "'")
        if not hint.startswith("did you mean"):
            hint = f"known: {', '.join(material_names(kind))}"
        reading.fault(key, f"= {name!r} is not a known {kind}; {hint}")
    else:
        if material.kind == kind:
            return material
        article = "an" if material.kind[0] in "aeiou" else "a"
        reading.fault(key, f"= {name!r} is {article} {material.kind}, not the {kind}")
    reading.bad.add(key)
    return None


def _check_fillers(plan: Plan, reading: _Reading) -> None:
    several = len(plan.filler) > 1
    for i, section in enumerate(plan.filler, 1):
        if section is None:
            continue
        key = f"filler[{i}]" if several else "filler"
        if reading.usable("filler.material"):
            before = len(reading.lines)
            material = _find_material(
                reading, f"{key}.material", section.material, "filler"
            )
            if len(reading.lines) > before:
                reading.bad |= {"filler.material"}
                continue
        else:
            continue
        if not reading.usable("filler.kind"):
            continue
        kind = section.kind or (material.shape if material else "flake")
        if not _check_shape(section, reading, key, kind, material is not None):
            reading.bad.add("filler.shape")
            continue
        if reading.usable("filler"):
            try:
                _make_filler(section)
            except ValueError as error:
                reading.fault(key, f"cannot be made: {error}")
                reading.bad.add("filler.shape")


def _check_shape(
    section: FillerSection, reading: _Reading, key: str, kind: str, known: bool
) -> bool:
    """Whether the keys given fit the kind of particle."""
    sound = True
    size, other = ("length", "diameter") if kind == "rod" else ("diameter", "length")

    def fault(name: str, what: str) -> None:
        nonlocal sound
        reading.fault(f"{key}.{name}", what)
        sound = False

    given = {k for k in type(section).model_fields if getattr(section, k) is not None}
    given |= {k for k in type(section).model_fields if f"filler.{k}" in reading.bad}
    if other in given:
        fault(other, f"is not a size of a {kind}; give {size}")
    elif size not in given and not known:
        fault(size, f"is missing; write it like {size} = {{ median = \"10 um\","
              " geometric_spread = 1.5 } or name a material")  # fmt: skip
    if "density" not in given and not known:
        fault(
            "density", 'is missing; write it like density = "2250 kg/m3" or name a material'
        )
    if kind == "sphere":
        for name in {"aspect_ratio", "thickness"} & given:
            fault(name, "does not belong to a sphere")
    elif {"aspect_ratio", "thickness"} <= given:
        fault("thickness", "and aspect_ratio say the same thing twice; give one of them")
    elif not {"aspect_ratio", "thickness"} & given and not known:
        fault(
            "aspect_ratio",
            "is missing; write it like aspect_ratio = 15, or give a thickness",
        )
    if section.orientation == "isotropic" and section.tilt > 0.0:
        fault(
            "tilt", "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'"
        )
    return sound


def _check_shares(plan: Plan, reading: _Reading) -> None:
    if len(plan.filler) < 2 or any(s is None for s in plan.filler):
        return
    if not reading.usable("filler.share"):
        return
    missing = [i for i, s in enumerate(plan.filler, 1) if s.share is None]
    for i in missing:
        reading.fault(
            f"filler[{i}].share", 'is missing; with several fillers write share = "50 %"'
        )
    total = sum(s.share or 0.0 for s in plan.filler)
    if not missing and abs(total - 1.0) > 1e-6:
        reading.fault(
            "filler", f"has shares that add up to {100 * total:.4g} %; they must make 100 %"
        )
    if missing or abs(total - 1.0) > 1e-6:
        reading.bad.add("filler.share")


def _check_elastomer(plan: Plan, reading: _Reading) -> None:
    section = plan.elastomer
    if section is None:
        return
    before = len(reading.lines)
    _find_material(reading, "elastomer.material", section.material, "elastomer")
    if len(reading.lines) > before:
        return
    if (
        section.density is None
        and section.material is None
        and reading.usable("elastomer.density")
    ):
        reading.fault(
            "elastomer.density",
            'is missing; write it like density = "1030 kg/m3" or name a material',
        )
        reading.bad.add("elastomer.density")


def _mixable(reading: _Reading) -> bool:
    """Whether the powder and the elastomer can be made from what was read."""
    keys = [f"filler.{k}" for k in (*FillerSection.model_fields, "shape")]
    keys += [f"elastomer.{k}" for k in ElastomerSection.model_fields]
    return reading.usable(*keys)


def _check_loadings(plan: Plan, reading: _Reading) -> None:
    explore = plan.explore
    ways = ("weight_fraction", "phr", "mass_ratio")
    if explore is None or not reading.usable(*(f"explore.{w}" for w in ways)):
        return
    given = [w for w in ways if getattr(explore, w) is not None]
    if len(given) != 1:
        reading.bad.add("explore.weight_fraction")
        if not given:
            reading.fault(
                "explore.weight_fraction",
                'is missing; write it like weight_fraction = ["22 wt%", "26 wt%"], or give phr'
                " or mass_ratio",
            )
        else:
            reading.fault(
                f"explore.{given[1]}", f"is there besides {given[0]}; give one of them"
            )
        return
    way = given[0]
    counts = explore.curing_agent_counts
    if way == "weight_fraction" and counts is False:
        reading.fault(
            "explore.curing_agent_counts",
            "= false does not go with weight_fraction, which is of the cured film with its"
            " curing agent; use phr or mass_ratio",
        )
        return
    if (
        way != "weight_fraction"
        and counts is None
        and reading.usable("explore.curing_agent_counts")
    ):
        reading.bad.add("explore.weight_fraction")
        reading.fault(
            "explore.curing_agent_counts",
            f"is missing; with {way} say true (of base and curing agent) or false (of base alone)",
        )
        return
    if not _mixable(reading) or not reading.usable("explore.curing_agent_counts"):
        return
    from percsim.materials.recipe import maximum_packing

    for weight, written in zip(
        plan.weight_fractions,
        reader_of(ExploreSection, way).write(getattr(explore, way)),
        strict=True,
    ):
        recipe = plan.recipe(weight)
        most = maximum_packing(recipe)
        if recipe.volume_fraction > most:
            limit = recipe.at_volume_fraction(most).weight_fraction
            reading.fault(
                f"explore.{way}",
                f"= '{written}' is impossible at these densities: {100 * recipe.volume_fraction:.3g}"
                f" vol% of particles that pack to {100 * most:.3g} vol% at most; stay below"
                f" {100 * limit:.3g} wt%",
            )
            reading.bad.add("explore.weight_fraction")


def _check_lengths(plan: Plan, reading: _Reading) -> None:
    film, explore = plan.film, plan.explore
    if film is None:
        return
    if explore is not None and reading.usable("film.length", "explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap > film.length:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{format_quantity(gap, 'length')}' is longer than the film,"
                    f" film.length = '{format_quantity(film.length, 'length')}'",
                )
    if not _mixable(reading):
        return
    largest = plan.largest_particle
    body = plan.fillers[0].kind
    if explore is not None and reading.usable("explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap < largest:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{format_quantity(gap, 'length')}' is shorter than the largest {body},"
                    f" {format_quantity(largest, 'length')}, which would bridge it",
                )
    median = plan.median_diameter
    for name in ("thickness", "width"):
        if reading.usable(f"film.{name}") and getattr(film, name) < median:
            reading.fault(
                f"film.{name}",
                f"= '{format_quantity(getattr(film, name), 'length')}' is less than the median"
                f" {body}, {format_quantity(median, 'length')}",
            )


def _check_boxes(plan: Plan, reading: _Reading) -> None:
    if plan.boxes is None or not reading.usable("boxes.lengths") or not _mixable(reading):
        return
    largest = plan.largest_particle
    for length in plan.box_lengths:
        if length < largest:
            reading.fault(
                "boxes.lengths",
                f"has a box of {format_quantity(length, 'length')}, smaller than the largest"
                f" {plan.fillers[0].kind}, {format_quantity(largest, 'length')}",
            )
    lengths = plan.box_lengths
    for a, b in zip(lengths, lengths[1:], strict=False):
        if b < 1.05 * a:
            reading.fault(
                "boxes.lengths",
                f"has boxes of {format_quantity(a, 'length')} and {format_quantity(b, 'length')};"
                " make them differ by 5 % or more",
            )


def _check_states(plan: Plan, reading: _Reading) -> None:
    """Refuse states in which contacts would be more closed than in the reference state."""
    keys = ("strain", "temperature", "contacts", "explore")
    if any(getattr(plan, k) is None for k in keys) or not _mixable(reading):
        return
    if plan.contacts.model != "opening" or not reading.usable(
        *(f"explore.{k}" for k in ("weight_fraction", "phr", "mass_ratio", "curing_agent_counts")),
        "strain.window", "temperature.values", "contacts.closed_at", "contacts.lambda_T",
        "contacts.model",
    ):  # fmt: skip
        return
    # the fullest film expands least and so closes most
    expansion = plan.recipe(max(plan.weight_fractions)).thermal_expansion
    share, closed = plan.contacts.lambda_T.value, plan.closed_at.value
    strain, temperature = min(plan.strains), min(plan.temperatures)
    stretch = (1.0 + share * expansion * (temperature - closed)) * (1.0 + strain)
    if stretch >= 1.0 - 1e-12:
        return
    numbers = (
        f"(1 + {share:g} x {format_quantity(expansion, 'expansion', digits=3)} x"
        f" {temperature - closed:.4g} K) x (1 {strain:+.4g}) = {stretch:.6f}, below 1"
    )
    if share * expansion > 0.0:
        needed = temperature - (1.0 / (1.0 + strain) - 1.0) / (share * expansion)
        if needed > 0.0:
            colder = math.floor(needed - 273.15)
            advice = f"set it to '{colder:d} C' or colder"
        else:
            advice = "no temperature is cold enough; compress less"
    else:
        advice = "with lambda_T = 0 nothing holds the contacts open; do not compress"
    reading.fault(
        "contacts.closed_at",
        f"= '{format_quantity(closed, 'temperature')}': at"
        f" {format_quantity(strain, 'strain')} and {format_quantity(temperature, 'temperature')}"
        f" the contacts are more closed than in the reference state, {numbers}; {advice}",
    )


def _check_batch(plan: Plan, reading: _Reading) -> None:
    batch = plan.batch
    if batch is None:
        return
    if (
        batch.mass is not None
        and "films" in batch.model_fields_set
        and reading.usable("batch.films")
    ):
        reading.fault("batch.mass", "is there besides films; give one of them")
    _find_material(reading, "batch.solvent", batch.solvent, "solvent")
    thinned = batch.solvent_mass_ratio is not None or batch.wet_thickness is not None
    if batch.solvent is None and reading.usable("batch.solvent"):
        for name in ("solvent_mass_ratio", "wet_thickness"):
            if getattr(batch, name) is not None:
                reading.fault(
                    f"batch.{name}", "needs batch.solvent, the name of the solvent"
                )
    elif batch.solvent_mass_ratio is not None and batch.wet_thickness is not None:
        reading.fault(
            "batch.wet_thickness", "is there besides solvent_mass_ratio; give one"
        )
    elif not thinned and reading.usable("batch.solvent_mass_ratio", "batch.wet_thickness"):
        reading.fault(
            "batch.solvent_mass_ratio",
            'is missing; write it like solvent_mass_ratio = "0.5:1", or give wet_thickness',
        )
    if (
        batch.wet_thickness is not None and plan.film is not None
        and reading.usable("batch.wet_thickness", "film.thickness")
        and batch.wet_thickness <= plan.film.thickness
    ):  # fmt: skip
        reading.fault(
            "batch.wet_thickness",
            f"= '{format_quantity(batch.wet_thickness, 'length')}' must be above the dry"
            f" thickness, '{format_quantity(plan.film.thickness, 'length')}'",
        )
