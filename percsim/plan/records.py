"""The record of a machine or a logger: a table of times, strains, R and temperatures.

One row a reading; comma, semicolon or tab between cells, with semicolons and tabs decimal
commas too. The first row that names a time and a strain is the heading; units stand in it,
"strain (microstrain)", or in the row below. Other columns and the rows above are passed
over. Rows without a number in one of the columns hold no reading.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.files import read_rows, split_heading
from percsim.film.protocol import Protocol
from percsim.film.record import MeasuredFilm, Record, reduce_record
from percsim.plan.readers import RESISTANCE, Quantity, Reader
from percsim.plan.tables import read_beside
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import KINDS, ZERO_CELSIUS, parse_quantity, show_value

__all__ = ["CycleReader", "PathReader", "read_cycled_film", "read_path"]

Floats = NDArray[np.float64]

LARGEST = 30_000_000
"""Bytes of the largest record: a day at some five readings a second."""

HEADING_WITHIN = 60
"""Rows in which the heading must stand."""

FEWEST = 20
"""Readings below which a record tells nothing of a cycled film."""

CORNERS = 300
"""Rows up to which a path is taken corner by corner instead of being reduced."""

OVERFLOW = 9e37
"""What an instrument writes for an open film is above this [ohm]."""

_BEGINS = "begins at {:.4g} microstrain; a film begins at rest, at a strain of 0"

_NAMES = {
    "time": ("time", "t", "elapsed", "elapsed time", "test time", "timestamp"),
    "strain": ("strain", "e", "axial strain", "strain of part", "strain 1"),
    "resistance": ("resistance", "r", "film resistance"),
    "temperature": ("temperature", "temp", "film temperature"),
}
_OPEN = {"open", "inf", "+inf", "ol", "overload", "ovld", "overflow"}
_NOTHING = {"", "-", "--", "nan", "na", "n/a", "#n/a", "null", "none"}
_CELSIUS = {"C", "°C", "degC", "deg C", "Celsius"}


@dataclass(frozen=True, slots=True)
class _Column:
    """One quantity: its place, heading and unit, empty where none is said."""

    kind: str
    place: int
    text: str
    unit: str

    @property
    def scale(self) -> tuple[float, float]:
        """Factor and offset of its cells to SI; ValueError for what is no unit of it."""
        plain = self.unit.replace("Ohm", "ohm")
        if self.kind == "temperature" and plain in ("K", *_CELSIUS):
            return 1.0, 0.0 if plain == "K" else ZERO_CELSIUS
        if self.kind == "strain" and plain in ("1", "-"):
            return 1.0, 0.0
        where = f"column {show_value(self.text)}"
        if not plain:
            example = f"{self.kind} ({KINDS[self.kind].unit})"
            raise ValueError(
                f"{where} has no unit; write it like {example}, or in a row below"
            )
        if self.kind == "temperature":
            raise ValueError(f"{where}: {show_value(self.unit)} is neither C nor K")
        try:
            return parse_quantity(f"1 {plain}", self.kind), 0.0
        except ValueError as error:
            raise ValueError(f"{where}: {error}") from None


def read_cycled_film(path: str | Path) -> MeasuredFilm:
    """Read a film that was pulled and released.

    Parameters
    ----------
    path : str or Path
        See the module; columns of time, strain, resistance and temperature. Without the
        last the film was at 20 C.

    Returns
    -------
    MeasuredFilm

    Raises
    ------
    ValueError
        That says what is wrong with it.

    """
    record = _record(Path(path), needed=("time", "strain", "resistance"))
    if len(record.times) < FEWEST:
        raise ValueError(
            f"holds {len(record.times)} readings; a cycled film takes {FEWEST} or more"
        )
    found = reduce_record(record)
    if not found.protocol.pulls:
        raise ValueError("the film is never pulled and released")
    return found


def read_path(path: str | Path) -> Protocol:
    """Read the path of a film: time, strain, temperature if it is there.

    Parameters
    ----------
    path : str or Path
        Up to `CORNERS` rows are corners with straight lines between them; a longer one is
        the record of a machine, which is reduced.

    Returns
    -------
    Protocol

    Raises
    ------
    ValueError
        That says what is wrong with it.

    """
    record = _record(Path(path), needed=("time", "strain"))
    if len(record.times) > CORNERS:
        return reduce_record(record).protocol.filled()
    if record.strains[0] != 0.0:
        raise ValueError(_BEGINS.format(1e6 * record.strains[0]))
    return Protocol.through(record.times, record.strains, record.temperatures)


_EACH: dict[str, Reader] = {
    "time": Quantity("time", "0 s", "1e9 s", "s"),
    "strain": Quantity("strain", "-200000 microstrain", "1000000 microstrain"),
    "temperature": Quantity("temperature", "-150 C", "350 C"),
    "resistance": RESISTANCE,
}


class _VisitsReader(Reader):
    """Name of a file beside the plan, or visits themselves, "30 s, 0.3 %, 20 C"."""

    each: tuple[str, ...] = ("time", "strain", "temperature")
    example = "30 s, 0.3 %, 20 C"

    def read(self, value: Any) -> Any:
        """Read what stands there; ValueError says what is wrong."""
        if isinstance(value, list | tuple):
            if not value:
                raise ValueError("is an empty list; it needs visits")
            return self.of_visits(np.array([self._visit(one) for one in value]).T)
        if not isinstance(value, str) or not value:
            raise ValueError(f"{show_value(value)} must be the {self.range}")
        try:
            return read_beside(value, self.of_file)
        except ValueError as error:
            raise ValueError(f"{value!r}: {str(error).removeprefix(': ')}") from None

    def _visit(self, value: object) -> list[float]:
        parts = str(value).split(",")
        if len(parts) != len(self.each):
            raise ValueError(
                f"{show_value(value)} is no visit; write it like {self.example!r}"
            )
        pairs = zip(self.each, parts, strict=True)
        return [_EACH[name].read(part.strip()) for name, part in pairs]

    def of_visits(self, columns: Floats) -> Any:
        """Value of columns in SI."""
        raise NotImplementedError

    def of_file(self, path: Path) -> Any:
        """Value of a file; ValueError says what is wrong with it."""
        raise NotImplementedError

    def _written(self, *columns: Floats) -> list[str]:
        readers = [_EACH[name] for name in self.each]
        return [
            ", ".join(
                reader.write(float(x)) for reader, x in zip(readers, row, strict=True)
            )
            for row in zip(*columns, strict=True)
        ]


class PathReader(_VisitsReader):
    """The path of a film, see `read_path`."""

    range = "name of a CSV file, or visits, each time, strain and temperature"

    def of_visits(self, columns: Floats) -> Protocol:
        """Protocol in SI."""
        path = Protocol(*columns)
        if path.strains[0] != 0.0:
            raise ValueError(_BEGINS.format(1e6 * path.strains[0]))
        return path.filled()  # loops are read on the way, not at corners

    def of_file(self, path: Path) -> Protocol:
        """Protocol of a file."""
        return read_path(path)

    def write(self, value: Protocol) -> list[str]:
        """Visits as they are read."""
        return self._written(value.times, value.strains, value.temperatures)


class CycleReader(_VisitsReader):
    """A film that was pulled and released, see `read_cycled_film`."""

    range = "name of a CSV file, or visits, each time, strain, temperature and resistance"
    each = ("time", "strain", "temperature", "resistance")
    example = "30 s, 0.3 %, 20 C, 2.1 kohm"

    def of_visits(self, columns: Floats) -> MeasuredFilm:
        """Film of its visits."""
        return MeasuredFilm.of(Protocol(*columns[:3]), np.log(columns[3]))

    def of_file(self, path: Path) -> MeasuredFilm:
        """Film of a record."""
        return read_cycled_film(path)

    def write(self, value: MeasuredFilm) -> list[str]:
        """Visits as they are read."""
        path, ohms = value.protocol, np.exp(value.log_resistances)
        return self._written(path.times, path.strains, path.temperatures, ohms)


def _record(path: Path, needed: Sequence[str]) -> Record:
    """Record of a file; ValueError says what is wrong with it."""
    rows = read_rows(path, LARGEST)
    if not rows:
        raise ValueError("is empty; its first line names the columns")
    at, columns = _columns(rows, needed)
    body = rows[at + 1 :]
    if body and all(_number(cell) is None for cell in body[0][1] if cell):
        units = dict(enumerate(_bare(cell) for cell in body[0][1]))
        columns = {
            kind: replace(c, unit=c.unit or units.get(c.place, ""))
            for kind, c in columns.items()
        }
        body = body[1:] if any(units.values()) and not _is_clock(body, columns) else body
    clock = _is_clock(body, columns)
    scales = {
        kind: (1.0, 0.0) if clock and kind == "time" else column.scale
        for kind, column in columns.items()
    }
    width = len(rows[at][1])
    values: dict[str, list[float]] = {kind: [] for kind in columns}
    blank = 0
    for line, cells in body:
        if len(cells) > width and any(cells[width:]):
            raise ValueError(
                f"line {line} has {len(cells)} cells, the heading names {width}; with"
                " commas between cells decimals are points"
            )
        read = _row(line, cells, columns, scales)
        if read is None or (values["time"] and read["time"] == values["time"][-1]):
            blank += 1
            continue
        if values["time"] and read["time"] < values["time"][-1]:
            raise ValueError(
                f"line {line}: time falls from {values['time'][-1]:g} to {read['time']:g} s"
            )
        for kind, value in read.items():
            values[kind].append(value)
    n = len(values["time"])
    if n < 2:
        raise ValueError("holds fewer than two readings below its heading")
    warm = values.get("temperature", [ROOM_TEMPERATURE] * n)
    r = np.array(values["resistance"]) if "resistance" in values else None
    times = np.array(values["time"]) - values["time"][0]
    return Record(times, np.array(values["strain"]), np.array(warm), r, blank)


def _bare(text: str) -> str:
    return text.strip().strip("()[]").strip()


def _columns(
    rows: Sequence[tuple[int, list[str]]], needed: Sequence[str]
) -> tuple[int, dict[str, _Column]]:
    """Row of the heading and the columns it names."""
    best: dict[str, _Column] = {}
    for at, (_, cells) in enumerate(rows[:HEADING_WITHIN]):
        found: dict[str, _Column] = {}
        for place, text in enumerate(cells):
            name, unit = split_heading(text)
            kind = next((k for k, n in _NAMES.items() if name.lower() in n), "")
            if not kind and not unit:  # strain_microstrain, time_s
                name, _, unit = name.rpartition("_")
                kind = next((k for k, n in _NAMES.items() if name.lower() in n), "")
            if kind in found:
                raise ValueError(f"column {kind} is there twice")
            if kind:
                found[kind] = _Column(kind, place, text, unit)
        if all(kind in found for kind in needed):
            return at, found
        best = found if len(found) > len(best) else best
    missing = [kind for kind in needed if kind not in best]
    raise ValueError(
        f"has no column {' and '.join(missing)}; its heading names"
        " time, strain, resistance and temperature"
    )


def _row(
    line: int,
    cells: Sequence[str],
    columns: dict[str, _Column],
    scales: dict[str, tuple[float, float]],
) -> dict[str, float] | None:
    """Values of a row in SI; None without a reading in it."""
    read = {}
    for kind, column in columns.items():
        cell = cells[column.place] if column.place < len(cells) else ""
        number = _number(cell)
        if number is None and kind == "resistance" and cell.lower() in _OPEN:
            number = math.inf
        if number is None and kind == "time" and ":" in cell:
            read[kind] = _clock(line, cell)
            continue
        if number is None:
            if cell.lower() in _NOTHING:
                return None
            raise ValueError(f"line {line}: {kind} = {show_value(cell)} is not a number")
        factor, offset = scales[kind]
        value = number * factor + offset
        if kind == "resistance":
            value = math.inf if number > OVERFLOW else value
            if not value > 0.0:
                raise ValueError(f"line {line}: resistance = {cell} must be above 0")
        elif not math.isfinite(value):
            return None
        read[kind] = value
    return read


_PLAIN = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?")


def _number(cell: str) -> float | None:
    """Read a plain number, with a decimal point or comma; None where it is none."""
    if not _PLAIN.fullmatch(cell):
        return None
    return float(cell.replace(",", "."))


def _is_clock(body: Sequence[tuple[int, list[str]]], columns: dict[str, _Column]) -> bool:
    """Whether times are times of the day or dates, which need no unit."""
    place = columns["time"].place
    return bool(body) and ":" in "".join(body[0][1][place : place + 1])


def _clock(line: int, cell: str) -> float:
    """Seconds of "hh:mm:ss" or of an ISO date and time."""
    text = cell.replace(",", ".")
    parts = text.split(":")
    try:
        if all(_number(part) is not None for part in parts) and len(parts) <= 3:
            numbers = [float(part) for part in parts]
            while len(numbers) < 3:
                numbers.append(0.0)
            return 3600.0 * numbers[0] + 60.0 * numbers[1] + numbers[2]
        at = datetime.fromisoformat(text)
        return (at.replace(tzinfo=None) - datetime(1970, 1, 1)).total_seconds()
    except ValueError:
        raise ValueError(f"line {line}: time = {show_value(cell)} is no time") from None
