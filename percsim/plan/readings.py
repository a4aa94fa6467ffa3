"""A file of readings from the bench: a table with a heading -> rows of [[measured]].

One line a row, comma, semicolon or tab between columns. The unit stands in the heading,
"resistance (kohm)", "resistance [kohm]" or "resistance_kohm", or in every cell, "2.1 kohm".
Columns are the keys of [[measured]]; empty cells and lines that begin with # are skipped.

A cup sheet (`report.cups`) is read back as it is filled in: a film a row, R at rest and
under strain beside each other, what was weighed of each part. Films that are not read yet
are passed over.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from percsim.errors import PlanError
from percsim.files import read_text, rows_of, split_heading
from percsim.film.tolerances import Tolerances
from percsim.plan.readers import did_you_mean
from percsim.plan.sections.section import reader_of
from percsim.plan.sections.use import MeasuredSection
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import KINDS, parse_quantity, show_value

__all__ = [
    "FILM", "STRAINED", "WEIGHED", "Readings", "read_readings", "readings_of",
]  # fmt: skip

FILM, STRAINED, WEIGHED = "film", "strained_resistance", "weighed"
"""Columns of a cup sheet alone: number of a film, its R under strain, grams of a part."""

PASSED_OVER = ("weigh", "expected", "lot")
"""First words of columns of a sheet that say what to do, or are for the bench alone."""

NOT_WEIGHED_IN = "solvent"
"""Part that leaves before the cure."""

AT_ROOM = 5.0
"""Readings within so many kelvin of 20 C count as taken there: R moves by under 5 %, a
fifth of what castings scatter."""

_KEYS = tuple(MeasuredSection.keys())

_ALSO = {
    "loading": "weight_fraction",
    "gap": "electrode_gap",
    "r": "resistance",
    "dr/r": "change",
    "dr/r0": "change",
    "relative_change": "change",
    "n": "films",
    "cup": "batch",
    "name": "note",
    "label": "note",
    "strained_r": STRAINED,
}


@dataclass(frozen=True, slots=True)
class Readings:
    """What a file holds.

    Parameters
    ----------
    rows : list of dict
        In the words of [[measured]], each with its line in the file under "row".
    blank : int
        Films of a sheet that are not read yet.

    """

    rows: list[dict[str, Any]]
    blank: int


def _kind(key: str) -> str:
    """Kind of quantity of a column; "" for text and plain numbers."""
    if key.startswith((WEIGHED, STRAINED)):
        return "mass" if key.startswith(WEIGHED) else "resistance"
    return getattr(reader_of(MeasuredSection, key), "kind", "") if key in _KEYS else ""


def _units(key: str) -> list[str]:
    """Units of a key that may be joined to a heading by an underscore, largest first."""
    kind = KINDS.get(_kind(key))
    return [] if kind is None else [unit for unit, _ in (*kind.ladder, *kind.words)][::-1]


def _heading(text: str) -> tuple[str, str]:
    """Key and unit of a heading; the key is empty when it is not known."""
    name, unit = split_heading(text)
    first, _, rest = name.partition(" ")
    if first in PASSED_OVER or (first == WEIGHED and rest):
        return name, unit
    spelt = re.sub(r"\s+", "_", name)
    key = spelt.lower()
    if key not in _KEYS and not unit:
        found = []
        for known in _KEYS:
            for candidate in _units(known):
                word = {"wt%": "wt", "%": "percent"}.get(candidate, candidate)
                if key in (f"{known}_{word.lower()}", f"{known}_{candidate.lower()}"):
                    found.append((known, candidate))
        # Mohm and mohm differ by their first letter alone
        exact = [hit for hit in found if spelt.endswith(f"_{hit[1]}")]
        if found:
            return (exact or found)[0]
    key = _ALSO.get(key, key)
    return (key if key in (*_KEYS, FILM, STRAINED) else ""), unit


def read_readings(path: str | Path) -> Readings:
    """Read a file of readings.

    Parameters
    ----------
    path : str or Path
        Text, UTF-8, first line the headings.

    Returns
    -------
    Readings

    Raises
    ------
    PlanError
        With every fault of the file itself, one line each: what cannot be read, headings
        and their units that are not known, headings that are there twice, lines too long,
        cells of a sheet that do not go together.

    """
    path = Path(path)
    try:
        text = read_text(path)
    except ValueError as error:
        raise PlanError([f"{path}: {error}"]) from None
    return readings_of(text, path.name)


def readings_of(text: str, name: str) -> Readings:
    """Read the text of a file of readings; `name` is what messages call it."""
    try:
        cells = rows_of(text)
    except ValueError as error:
        raise PlanError([f"{name}: {error}"]) from None
    if not cells:
        raise PlanError([f"{name}: is empty; its first line names the columns"])
    columns = [_heading(text) for text in cells[0][1]]
    faults = _faults_of_headings(cells[0][1], columns)
    rows = []
    for number, values in cells[1:]:
        if len(values) > len(columns):
            faults.append(
                f"line {number} has {len(values)} cells, the heading names"
                f" {len(columns)}; decimal points are points"
            )
            continue
        row: dict[str, Any] = {"row": number}
        for (key, unit), value in zip(columns, values, strict=False):
            if key.partition(" ")[0] not in PASSED_OVER and value:
                row[key] = _cell(key, unit, value)
        rows.append(row)
    if not faults and not rows:
        faults.append("holds no row below its headings")
    blank = 0
    if not faults and any(
        key.split(" ")[0] in (FILM, STRAINED, WEIGHED) for key, _ in columns
    ):
        _weigh(rows, [k for k, _ in columns if k.startswith(WEIGHED)], faults)
        read = [row for row in rows if {"resistance", "change", STRAINED} & row.keys()]
        blank = len(rows) - len(read)
        if not read:
            faults.append("no film of it is read yet")
        rows = [one for row in read for one in _rows_of_film(row, faults)]
    if faults:
        raise PlanError([f"{name}: {fault}" for fault in dict.fromkeys(faults)])
    return Readings(rows, blank)


def _faults_of_headings(texts: list[str], columns: list[tuple[str, str]]) -> list[str]:
    """Say once of each heading what is wrong with it."""
    faults: list[str] = []
    for k, (text, (key, unit)) in enumerate(zip(texts, columns, strict=True)):
        if not key:
            hint = did_you_mean(text.lower(), _KEYS) or f"; known: {', '.join(_KEYS)}"
            faults.append(f"column {show_value(text)} is not known{hint}")
        elif key in (k for k, _ in columns[:k]):
            faults.append(f"column {key} is there twice")
        elif unit and _kind(key):
            try:
                parse_quantity(f"1 {unit}", _kind(key))
            except ValueError as error:
                faults.append(f"column {show_value(text)}: {error}")
    return faults + [
        f"column {key} is missing"
        for key in ("weight_fraction", "electrode_gap")
        if key not in (k for k, _ in columns) and not faults
    ]


def _named(row: dict[str, Any]) -> str:
    """Line of a film, and the film."""
    what = ", ".join(str(row[k]) for k in ("batch", "electrode_gap") if k in row)
    film = f"{what}, film {row[FILM]}".removeprefix(", ") if FILM in row else what
    return f"line {row['row']} ({film})" if film else f"line {row['row']}"


def _read(row: dict[str, Any], key: str, kind: str, faults: list[str]) -> float | None:
    """Give the number of a cell in SI; what is wrong with it is added to the faults."""
    if key not in row:
        return None
    text = row[key]
    if kind == "resistance" and text.lower() in ("open", "inf"):
        return math.inf
    try:
        return parse_quantity(text, kind)
    except ValueError as error:
        faults.append(f"{_named(row)}: {key} = {error}")
        return None


def _rows_of_film(row: dict[str, Any], faults: list[str]) -> Iterable[dict[str, Any]]:
    """Row of a film read at rest and strained, or two where they are not one change."""
    known = len(faults)
    rest, strained = (_read(row, k, "resistance", faults) for k in ("resistance", STRAINED))
    at = _read(row, "temperature", "temperature", faults)
    if STRAINED in row and "strain" not in row:
        faults.append(f"{_named(row)}: strain is missing, that of {STRAINED}")
    if rest is not None and not {STRAINED, "change"} & row.keys():
        if _read(row, "strain", "strain", faults):
            faults.append(
                f"{_named(row)}: {STRAINED} is missing beside strain = {row['strain']}; in "
                "a sheet with that column, resistance is R at rest"
            )
    if rest == math.inf and strained is not None and math.isfinite(strained):
        if not str(row.get("strain", "")).lstrip().startswith("-"):
            faults.append(
                f"{_named(row)}: open at rest and not when pulled; pulling opens contacts, "
                "so check which column is which"
            )
    if len(faults) > known:
        return
    kept = {k: v for k, v in row.items() if k not in (FILM, STRAINED)}
    kept.setdefault("note", _named(row).partition("(")[2].removesuffix(")"))
    if at is not None and abs(at - ROOM_TEMPERATURE) <= AT_ROOM and "change" not in row:
        del kept["temperature"]
    at_rest = {k: v for k, v in kept.items() if k != "strain" or "change" in row}
    if rest and strained and math.isfinite(rest + strained) and "temperature" not in kept:
        yield kept | {"change": f"{100.0 * (strained / rest - 1.0):.8g} %"}
        return
    if rest is not None or "change" in row:
        yield at_rest
    if strained is not None:
        yield kept | {"resistance": row[STRAINED]}


def _weigh(rows: list[dict[str, Any]], parts: list[str], faults: list[str]) -> None:
    """Put loadings as weighed in place of those planned where they differ.

    Grams stand in any row of a cup. What weighing is usually off by is no difference.
    """
    cups: dict[object, dict[str, float]] = {}
    for row in rows:
        grams = cups.setdefault(row.get("batch"), {})
        for part in parts:
            mass = _read(row, part, "mass", faults)
            if mass is not None and grams.setdefault(part, mass) != mass:
                faults.append(f"{_named(row)}: {part} differs within the cup")
        for part in parts:
            row.pop(part, None)
    parts = [part for part in parts if not part.endswith(NOT_WEIGHED_IN)]
    rubber = [part for part in parts if part.endswith((" base", " curing agent"))]
    for cup, grams in cups.items():
        missing = [part for part in parts if part not in grams]
        if missing and len(missing) < len(parts):
            faults.append(f"{cup}: {', '.join(missing)} is missing; give all parts or none")
        total = sum(grams.get(part, 0.0) for part in parts)
        if missing or not total > 0.0:
            continue
        read = 1.0 - sum(grams[part] for part in rubber) / total
        for row in rows:
            planned = _read(row, "weight_fraction", "weight_fraction", faults)
            usual = Tolerances().weighing * (planned or 0.0)
            if row.get("batch") == cup and planned and abs(read - planned) > usual:
                row["weight_fraction"] = f"{100.0 * read:.6g} wt%"


def _cell(key: str, unit: str, value: str) -> Any:
    """Cell in the words of the plan file; what is wrong with it, its reader says."""
    if key == "films":
        return int(value) if re.fullmatch(r"[+-]?[0-9]{1,20}", value) else value
    if key == "aspect_ratio":
        return float(value) if re.fullmatch(r"[0-9]+(?:\.[0-9]*)?", value) else value
    if (
        key in ("note", "batch", FILM)
        or not unit
        or not re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", value)
    ):
        return value
    return f"{value} {unit}"
