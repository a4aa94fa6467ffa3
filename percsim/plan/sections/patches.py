"""A sheet of many patches: where they lie, how they scatter, how they are read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from percsim.files import read_rows
from percsim.plan.readers import (
    FLAG,
    TEXT,
    Choice,
    FaultsError,
    Many,
    Number,
    Quantity,
    Reader,
    read_table,
)
from percsim.plan.sections.section import Section, key, needed, usual
from percsim.plan.tables import read_beside

__all__ = ["FieldPoints", "PatchesSection"]

PITCH = Quantity("length", "0.1 mm", "10000 mm")
SHARE = Quantity("percentage", "0 %", "100 %")
WIRE = Quantity("resistance", "0 ohm", "1 Mohm")
TORQUE = Quantity("torque", "-1000000 N m", "1000000 N m")
WARM = Quantity("temperature", "-150 C", "350 C")

COLUMNS = (
    "along_mm", "around_mm", "axial_microstrain", "hoop_microstrain",
    "shear_microstrain", "temperature_C",
)  # fmt: skip
"""Of a field of points; the last three may be left out."""
LEAST_POINTS, MOST_POINTS = 3, 20_000


@dataclass(frozen=True, slots=True)
class FieldPoints:
    """Strain and temperature at points of the part, as written.

    Parameters
    ----------
    columns : tuple of (str, tuple of float)
        Of `COLUMNS`, those that are there.

    """

    columns: tuple[tuple[str, tuple[float, ...]], ...]

    def points(self, temperature: float) -> np.ndarray[Any, np.dtype[np.float64]]:
        """Points (k, 6) in SI; strains left out are 0, temperatures that given [K]."""
        own = dict(self.columns)
        n = len(own[COLUMNS[0]])
        size = {"along_mm": 1e-3, "around_mm": 1e-3, "temperature_C": 1.0}
        table = np.zeros((n, len(COLUMNS)))
        table[:, -1] = temperature
        for k, name in enumerate(COLUMNS):
            if name in own:
                table[:, k] = np.asarray(own[name]) * size.get(name, 1e-6)
        if "temperature_C" in own:
            table[:, -1] += 273.15
        return table


class PointsReader(Reader):
    """A file beside the plan with a point a row, or its columns."""

    each = Number(-1e7, 1e7)
    range = "columns " + ", ".join(COLUMNS)

    def read(self, value: Any) -> FieldPoints:
        """Read it; ValueError says what is wrong."""
        if isinstance(value, Mapping):
            many = Many(self.each, 0, as_written=True)
            own = read_table(value, dict.fromkeys(COLUMNS, many), COLUMNS[:3])
            return _checked(own, "")
        name = TEXT.read(value)
        try:
            own = read_beside(name, self._columns)
        except ValueError as error:
            raise ValueError(f"{name!r}: {str(error).lstrip(': ')}") from None
        return _checked(own, f"= {name!r}: ")

    def _columns(self, path: Path) -> dict[str, tuple[float, ...]]:
        rows = read_rows(path)
        if not rows:
            raise ValueError("is empty")
        (_, heads), *rest = rows
        wrong = [head for head in heads if head not in COLUMNS]
        lacks = [head for head in COLUMNS[:3] if head not in heads]
        if wrong or lacks or len(set(heads)) < len(heads):
            raise ValueError(
                f"line 1 must name the columns {', '.join(COLUMNS[:3])} and may name"
                f" {', '.join(COLUMNS[3:])}, each once"
            )
        if not LEAST_POINTS <= len(rest) <= MOST_POINTS:
            raise ValueError(
                f"must hold {LEAST_POINTS} to {MOST_POINTS} points, has {len(rest)}"
            )
        table = []
        for line, cells in rest:
            try:
                numbers = [float(self.each.read(float(cell))) for cell in cells]
            except ValueError:
                numbers = []
            if len(numbers) != len(heads):
                raise ValueError(f"line {line} must hold {len(heads)} numbers")
            table.append(numbers)
        return dict(zip(heads, map(tuple, zip(*table, strict=True)), strict=True))

    def write(self, value: Any) -> Any:
        """Write its columns."""
        return {name: list(column) for name, column in value.columns}


def _checked(own: Mapping[str, tuple[float, ...]], where: str) -> FieldPoints:
    """Points that span a surface, every column as long."""
    counts = {len(column) for column in own.values()}
    if len(counts) > 1 or min(counts) < LEAST_POINTS:
        what = f"must have columns of one length, {LEAST_POINTS} points or more"
        raise FaultsError([("", f"{where}{what}")])
    places = np.array([own[name] for name in COLUMNS[:2]]).T
    apart = places - places.mean(axis=0)
    if np.linalg.matrix_rank(apart, tol=1e-6 * max(float(np.abs(apart).max()), 1e-9)) < 2:
        raise FaultsError([("", f"{where}must hold points that do not lie on one line")])
    return FieldPoints(tuple((name, own[name]) for name in COLUMNS if name in own))


@dataclass(frozen=True, slots=True, kw_only=True)
class PatchesSection(Section):
    """A sheet of many patches on the part, each a film as chosen, and how it is read.

    Optional as a whole, header and all. Rows follow one another along the axis of the part,
    columns around it. It changes no box.
    """

    rows: int = needed(Number(1, 1000, whole=True), 8)
    """Patches one after the other along the axis."""

    columns: int = needed(Number(1, 1000, whole=True), 6)
    """Patches around the part."""

    pitch: float = needed(PITCH, "25 mm")
    """Distance between the middles of neighbours along the axis."""

    column_pitch: float | None = key(PITCH, "25 mm")
    """The same around the part. Default: pitch."""

    angle: float | None = key(Quantity("angle", "0 deg", "90 deg"), "0 deg")
    """Between the current and the axis: 0 deg along it, 90 deg around the part. Default: as
    [part] has it, 90 deg on a radius, else 0 deg.
    """

    radius: float | None = key(Quantity("length", "0.01 mm", "100 m"), "25 mm")
    """Radius of the part under the sheet, at the first row. Default: that of [part], round
    which the current of the film runs; leave that one out where it runs along the axis.
    """

    far_radius: float | None = key(Quantity("length", "0.01 mm", "100 m"), "20 mm")
    """Radius of the part at the last row, where it tapers. Default: radius."""

    cups: int = usual(Number(1, 1000, whole=True), 1)
    """Cups that a sheet is cast from, each a casting of whole rows."""

    sheets: int = usual(Number(20, 10_000, whole=True), 200)
    """Sheets drawn."""

    shared: float = usual(SHARE, "50 %")
    """Share of the variance of [tolerances] thickness and contact that all patches of one
    casting share, as they are drawn down and cured together (judgement).
    """

    thickness_wedge: float = usual(SHARE, "25 %")
    """Share of the variance of the thickness that is a wedge across the casting, thick at
    one edge (judgement); what is left differs from patch to patch.
    """

    slow_mixing: float = usual(SHARE, "50 %")
    """Share of the variance of [tolerances] mixing that varies slowly over a casting
    (judgement); the rest is that of the cup.
    """

    slow_mixing_length: float = usual(Quantity("length", "1 mm", "100 m"), "50 mm")
    """Distance over which the correlation of that falls by e."""

    dead_allowed: int = usual(Number(0, 1_000_000, whole=True), 0)
    """Patches outside of the window of R that a sheet may have."""

    readout: str = usual(
        Choice("own pairs", "common return", "floating", "held"), "own pairs"
    )
    """own pairs: two leads a patch; common return: a lead a patch and one return, all fed
    at once; floating: lines along rows and columns, those not read at no potential; held:
    all of them at the potential of the amplifiers of the columns.
    """

    line_resistance: float = usual(WIRE, "0 ohm")
    """Of a line over one pitch; of own pairs, a lead; of a common return, the return."""

    switch_resistance: float = usual(WIRE, "0 ohm")
    """Of the switch at the end of each line or lead."""

    amplifier_offset: float = usual(Quantity("voltage", "0 mV", "1000 mV", "mV"), "0 mV")
    """Offset of the amplifiers of held columns, one standard deviation."""

    diodes: bool = usual(FLAG, False)
    """Whether a diode in series with each patch of a matrix blocks what runs backwards."""

    diode_drop: float = usual(Quantity("voltage", "0 V", "10 V"), "0.6 V")
    """Their forward voltage at 20 C, which the reading takes off; it falls by 2 mV/K."""

    reading_time: float = usual(Quantity("time", "0.000001 s", "1000 s"), "1 ms")
    """Time that one patch is read for."""

    channels: int = usual(Number(1, 10_000, whole=True), 1)
    """Patches read at once; of held lines, those of one row at most."""

    bending_moment: float = usual(TORQUE, "0 N m")
    """Bending moment on the tube at the first row; it pulls the middle column. The field
    needs a radius, and thickness and modulus of [part].
    """

    moment_zero_at: float | None = key(Quantity("length", "1 mm", "100 m"), "400 mm")
    """Distance from the first row at which the moment has fallen to zero. Default: it is
    the same everywhere.
    """

    torque: float = usual(TORQUE, "0 N m")
    """Torque on the tube."""

    field: FieldPoints | None = key(
        PointsReader(),
        {
            "along_mm": [-9, 9, 0],
            "around_mm": [0, 0, 7],
            "axial_microstrain": [90, 50, 0],
        },
    )
    """Instead of a tube: points of the part, places counted from the middle of the sheet;
    or the name of a CSV file beside the plan with these columns, a point a row. Without
    either, all patches see the strain of the chord.
    """

    temperature: float = usual(WARM, "20 C")
    """Temperature of the part as it is loaded; the zero is taken at 20 C."""

    warmer_by: float = usual(Quantity("temperature_difference", "-200 K", "200 K"), "0 K")
    """How much warmer a tube is under the middle column than on the opposite side."""

    steps: int = usual(Number(2, 201, whole=True), 11)
    """Steps from no load to all of it, strain and warming in proportion."""
