"""The sheet of patches of a plan: layout, scatter, wiring and field from its sections."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from percsim.patches.field import PartField, TubeLoad, of_points
from percsim.patches.layout import SheetLayout
from percsim.patches.readout import Wiring
from percsim.patches.scatter import SheetScatter
from percsim.plan.mixes import Mixes
from percsim.plan.read import Reading
from percsim.plan.sections.patches import PatchesSection
from percsim.plan.write import length

__all__ = ["check_patches", "part_field", "sheet_layout", "sheet_scatter", "sheet_wiring"]

LOADS = ("bending_moment", "torque", "warmer_by")
"""Keys that load a tube."""


def _section(plan: Mixes) -> PatchesSection:
    assert plan.patches is not None
    return plan.patches


def sheet_layout(plan: Mixes) -> SheetLayout:
    """Where the patches of a plan lie."""
    own = _section(plan)
    angle = 0.0 if plan.part.radius is None else 0.5 * math.pi
    radius = plan.part.radius if own.radius is None else own.radius
    return SheetLayout(
        own.rows, own.columns, own.pitch, own.column_pitch or own.pitch,
        angle if own.angle is None else own.angle,
        radius, radius if own.far_radius is None else own.far_radius,
    )  # fmt: skip


def sheet_scatter(plan: Mixes) -> SheetScatter:
    """How their scatter divides."""
    own = _section(plan)
    return SheetScatter(
        own.cups, own.shared, own.thickness_wedge, own.slow_mixing, own.slow_mixing_length
    )


def sheet_wiring(plan: Mixes) -> Wiring:
    """How they are read."""
    own = _section(plan)
    return Wiring(
        own.readout, own.line_resistance, own.switch_resistance,  # type: ignore[arg-type]
        plan.supply_voltage, own.amplifier_offset, own.diodes, own.diode_drop,
    )  # fmt: skip


def part_field(plan: Mixes) -> PartField | None:
    """Strain and temperature under the patches; None where the plan loads nothing.

    All patches then see the strain of the chord along the current, at the temperature.
    """
    own, layout, part = _section(plan), sheet_layout(plan), plan.part
    if own.field is not None:
        return of_points(layout, own.field.points(own.temperature))
    if not _loaded(own):
        return None
    assert part.modulus is not None
    assert part.thickness is not None
    load = TubeLoad(
        part.modulus.value, plan.part_poisson_ratio, part.thickness, own.bending_moment,
        own.torque, math.inf if own.moment_zero_at is None else own.moment_zero_at,
        part.side == "inner",
    )  # fmt: skip
    return load.field(layout, own.temperature, own.warmer_by)


def _loaded(own: PatchesSection) -> list[str]:
    """Keys of a tube's load that are not zero."""
    return [name for name in LOADS if getattr(own, name) != 0.0]


def check_patches(plan: Mixes, reading: Reading) -> None:
    """Refuse sheets that do not fit their part, odd wiring, a field without part."""
    if plan.patches is None or not reading.usable("patches.*", "film", "part"):
        return
    own, fault = plan.patches, reading.fault
    _check_places(plan, own, reading)
    if own.shared + own.thickness_wedge > 1.0:
        fault("patches.thickness_wedge", "and shared are more than 100 % together")
    if own.cups > own.rows:
        fault("patches.cups", f"= {own.cups} is more than the rows, {own.rows}")
    _check_wiring(plan, own, reading)
    loads = _loaded(own)
    if own.field is not None:
        for name in loads:
            fault(f"patches.{name}", "is there besides field; give one of them")
    elif loads:
        lacks = [k for k in ("modulus", "thickness") if k not in plan.part.given()]
        if lacks:
            fault(f"patches.{loads[0]}", f"needs {' and '.join(lacks)} of [part]")
        elif sheet_layout(plan).radius is None:
            fault(f"patches.{loads[0]}", "needs the radius of the tube")
    _check_warmth(plan, own, reading)


def _check_places(plan: Mixes, own: PatchesSection, reading: Reading) -> None:
    """Refuse patches that overlap, or reach around the part."""
    fault, layout, film = reading.fault, sheet_layout(plan), plan.film
    if own.far_radius is not None and layout.radius is None:
        fault("patches.far_radius", "needs the radius at the first row")
        return
    cos, sin = abs(math.cos(layout.angle)), abs(math.sin(layout.angle))
    # turned films may pass each other; straight ones must fit one behind the other
    ends = (
        ("pitch", layout.pitch, film.length if cos > sin else film.width, own.rows),
        ("column_pitch", layout.column_pitch, film.width if cos > sin else film.length,
         own.columns),
    )  # fmt: skip
    straight = min(cos, sin) < 1e-9
    for name, pitch, needed, count in ends:
        if straight and count > 1 and pitch < needed - 1e-12:
            fault(
                f"patches.{name}",
                f"= '{length(pitch)}' is less than a patch takes, '{length(needed)}'",
            )
    if not straight and layout.pitch * layout.column_pitch < film.length * film.width:
        fault("patches.pitch", "leaves a patch less area than its film has")
    radii = layout.radii
    if radii is not None:
        around = 2.0 * math.pi * float(np.min(radii))
        if own.columns * layout.column_pitch > around + 1e-12:
            fault(
                "patches.columns",
                f"= {own.columns} at '{length(layout.column_pitch)}' reach more than once"
                f" around the part, '{length(around)}'",
            )


def _check_wiring(plan: Mixes, own: PatchesSection, reading: Reading) -> None:
    fault = reading.fault
    matrix = own.readout in ("floating", "held")
    if own.diodes and not matrix:
        fault("patches.diodes", "are for rows and columns, readout = 'floating' or 'held'")
    if own.diodes and own.diode_drop >= plan.supply_voltage:
        fault("patches.diode_drop", "must be below the supply voltage")
    if own.amplifier_offset > 0.0 and own.readout != "held":
        fault("patches.amplifier_offset", "needs readout = 'held'")


def _check_warmth(plan: Mixes, own: PatchesSection, reading: Reading) -> None:
    """Refuse temperatures of the part that the plan does not compute around."""
    if not reading.usable("temperature"):
        return
    low = high = own.temperature
    if own.warmer_by and own.field is None:
        low, high = low - 0.5 * abs(own.warmer_by), high + 0.5 * abs(own.warmer_by)
    known: Any = plan.temperatures
    if low < min(known) - 1e-6 or high > max(known) + 1e-6:
        reading.fault(
            "patches.temperature",
            f"of {low - 273.15:.4g} to {high - 273.15:.4g} C is outside of the temperatures"
            f" computed, {min(known) - 273.15:.4g} to {max(known) - 273.15:.4g} C; widen"
            " temperature.values",
        )
