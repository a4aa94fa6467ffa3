"""A file of readings from the bench: a table with a heading -> rows of [[measured]].

One line a row, comma, semicolon or tab between columns. The unit stands in the heading,
"resistance (kohm)", "resistance [kohm]" or "resistance_kohm", or in every cell, "2.1 kohm".
Columns are the keys of [[measured]]; empty cells and lines that begin with # are skipped.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from percsim.errors import PlanError
from percsim.files import read_rows
from percsim.plan.readers import did_you_mean
from percsim.plan.sections.section import reader_of
from percsim.plan.sections.use import MeasuredSection
from percsim.units import KINDS, show_value

__all__ = ["read_readings", "split_heading"]

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
}


def _units(key: str) -> list[str]:
    """Units of a key that may be joined to a heading by an underscore, largest first."""
    kind = KINDS.get(getattr(reader_of(MeasuredSection, key), "kind", ""))
    return [] if kind is None else [unit for unit, _ in (*kind.ladder, *kind.words)][::-1]


def split_heading(text: str) -> tuple[str, str]:
    """Split a heading such as "resistance (kohm)" into name and unit, "" without one.

    Examples
    --------
    >>> split_heading("resistance (kohm)"), split_heading("note")
    (('resistance', 'kohm'), ('note', ''))

    """
    words = text.strip()
    name, bracket, unit = words.replace("[", "(", 1).partition("(")
    if not bracket or unit[-1:] not in (")", "]"):
        return words, ""
    return name.strip(), unit[:-1].strip()


def _heading(text: str) -> tuple[str, str]:
    """Key and unit of a heading; the key is empty when it is not known."""
    name, unit = split_heading(text)
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
    return (key if key in _KEYS else ""), unit


def read_readings(path: str | Path) -> list[dict[str, Any]]:
    """Read a file of readings.

    Parameters
    ----------
    path : str or Path
        Text, UTF-8, first line the headings.

    Returns
    -------
    list of dict
        A row each, in the words of [[measured]], with its line in the file under "row".

    Raises
    ------
    PlanError
        With every fault of the file itself, one line each: what cannot be read, headings
        that are not known or there twice, lines too long.

    """
    path = Path(path)
    try:
        cells = read_rows(path)
    except ValueError as error:
        raise PlanError([f"{path}: {error}"]) from None
    if not cells:
        raise PlanError([f"{path.name}: is empty; its first line names the columns"])
    faults: list[str] = []
    columns: list[tuple[str, str]] = []
    for text in cells[0][1]:
        key, unit = _heading(text)
        if not key:
            hint = did_you_mean(text.lower(), _KEYS) or f"; known: {', '.join(_KEYS)}"
            faults.append(f"{path.name}: column {show_value(text)} is not known{hint}")
        elif key in (k for k, _ in columns):
            faults.append(f"{path.name}: column {key} is there twice")
        columns.append((key, unit))
    faults += [
        f"{path.name}: column {key} is missing"
        for key in ("weight_fraction", "electrode_gap")
        if key not in (k for k, _ in columns) and not faults
    ]
    if not faults and len(cells) == 1:
        faults.append(f"{path.name}: holds no row below its headings")
    rows = []
    for number, values in cells[1:]:
        if len(values) > len(columns):
            faults.append(
                f"{path.name}: line {number} has {len(values)} cells, the heading names"
                f" {len(columns)}; decimal points are points"
            )
            continue
        row: dict[str, Any] = {"row": number}
        for (key, unit), value in zip(columns, values, strict=False):
            if key and value:
                row[key] = _cell(key, unit, value)
        rows.append(row)
    if faults:
        raise PlanError(list(dict.fromkeys(faults)))
    return rows


def _cell(key: str, unit: str, value: str) -> Any:
    """Cell in the words of the plan file; what is wrong with it, its reader says."""
    if key == "films":
        return int(value) if re.fullmatch(r"[+-]?[0-9]{1,20}", value) else value
    if key == "aspect_ratio":
        return float(value) if re.fullmatch(r"[0-9]+(?:\.[0-9]*)?", value) else value
    if (
        key in ("note", "batch")
        or not unit
        or not re.fullmatch(r"[+-]?[\d.]+(?:[eE][+-]?\d+)?", value)
    ):
        return value
    return f"{value} {unit}"
