"""Measured rows against the plan and against each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from percsim.plan.read import Reading
from percsim.plan.sections import MeasuredSection
from percsim.plan.usable import mixable
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity

if TYPE_CHECKING:
    from percsim.plan.build import Plan


def _length(value: float) -> str:
    return format_quantity(value, "length")


def check_measured(plan: Plan, reading: Reading) -> None:
    """Rows against what the plan explores."""
    if not plan.measured:
        return
    rows = plan.measured
    labels = [f"measured[{i}]" for i in range(1, len(rows) + 1)]
    for label, row in zip(labels, rows, strict=True):
        check_row(plan, reading, label, row)
    if plan.explore is not None and not reading.lines:
        check_together(plan, reading, labels, rows)


def _check_mix(plan: Plan, row: MeasuredSection, fault: Callable[[str, str], None]) -> None:
    """One row against the films, fillers and mix ratios that the plan lists."""
    words = {
        "thickness": ("film thicknesses", "length", "measured"),
        "diameter": ("filler sizes", "length", "of the films"),
        "aspect_ratio": ("aspect ratios", "", "of the films"),
        "mix_ratio": ("mix ratios", "ratio", "of the films"),
    }

    def written(name: str, value: float) -> str:
        kind = words[name][1]
        return format_quantity(value, kind) if kind else f"{value:g}"

    for name, (what, _, whose) in words.items():
        listed, own = plan.axes.get(name, ()), getattr(row, name)
        if len(listed) > 1 and own is None:
            fault(
                name,
                f"is missing; the plan explores {what}"
                f" {', '.join(written(name, x) for x in listed)}: say the one {whose}",
            )
        elif (
            own is not None
            and name != "thickness"
            and listed
            and not any(math.isclose(own, x, rel_tol=1e-6) for x in listed)
        ):
            fault(
                name,
                f"= '{written(name, own)}' is not among the {what} that the plan explores,"
                f" {', '.join(written(name, x) for x in listed)}",
            )


def check_together(
    plan: Plan, reading: Reading, labels: Sequence[str], rows: Sequence[MeasuredSection]
) -> None:
    """Rows against each other: one mix, and one loading a cup."""
    cups: dict[str, tuple[str, MeasuredSection]] = {}
    for label, row in zip(labels, rows, strict=True):
        here, first = plan.mix_of(row), plan.mix_of(rows[0])
        if here != first:
            names = [name for (name, a), (_, b) in zip(here, first, strict=True) if a != b]
            reading.fault(
                f"{label}.{names[0]}",
                f"is another than that of {labels[0]}; films tell of the mix they were"
                " cast of alone, so read one mix at a time",
            )
        if row.batch is None:
            continue
        where, other = cups.setdefault(row.batch, (label, row))
        if not math.isclose(other.weight_fraction, row.weight_fraction, rel_tol=1e-9):
            reading.fault(
                f"{label}.batch",
                f"= {row.batch!r} holds {100 * row.weight_fraction:.4g} wt% here and"
                f" {100 * other.weight_fraction:.4g} wt% in {where}; one cup has one"
                " loading",
            )


def check_row(plan: Plan, reading: Reading, label: str, row: MeasuredSection) -> None:
    """One measured row; faults of the plan itself come first and silence these."""
    if row is None:
        return
    unusable = any(line.startswith(f"{reading.name}: {label}.") for line in reading.lines)
    if unusable:
        return
    is_open = row.resistance is not None and math.isinf(row.resistance)

    def fault(key: str, what: str) -> None:
        reading.fault(f"{label}.{key}", what)

    if row.resistance is None and row.change is None:
        fault("resistance", 'is missing; write it like resistance = "2.1 kohm", or "open"')
    if is_open and row.change is not None:
        fault("change", "does not go with open films, which have no R to change")
    if (
        row.change is not None
        and row.strain == 0.0
        and abs(row.temperature - ROOM_TEMPERATURE) < 1e-6
    ):
        fault("change", "needs the strain or the temperature at which it was read")
    if plan.contacts is not None and reading.usable("contacts.model"):
        if plan.contacts.model == "affine":
            fault("resistance", "belongs to model = 'opening'; nothing learns from it here")
            return
    if plan.explore is not None and reading.usable("explore") and mixable(reading):
        if reading.usable("explore.weight_fraction"):
            low, high = min(plan.weight_fractions), max(plan.weight_fractions)
            if not low - 1e-9 <= row.weight_fraction <= high + 1e-9:
                fault(
                    "weight_fraction",
                    f"= '{100 * row.weight_fraction:.4g} wt%' is outside the plan's"
                    f" loadings, {100 * low:.4g} to {100 * high:.4g} wt%; explore it too",
                )
        _check_mix(plan, row, fault)
    if plan.film is not None and reading.usable("film.length"):
        if row.electrode_gap > plan.film.length:
            fault(
                "electrode_gap",
                f"= '{_length(row.electrode_gap)}' is longer than the film,"
                f" film.length = '{_length(plan.film.length)}'",
            )
    if plan.film is not None and reading.usable("film.thickness"):
        for key in ("thickness", "width"):
            value, planned = getattr(row, key), getattr(plan.film, key)
            if value is not None and not planned / 10.0 <= value <= 10.0 * planned:
                fault(
                    key,
                    f"= '{_length(value)}' is more than ten times off the plan's,"
                    f" '{_length(planned)}'; check the unit",
                )
    if plan.strain is not None and reading.usable("strain"):
        low, high = plan.window_strains[0], plan.window_strains[-1]
        if not low - 1e-12 <= row.strain <= high + 1e-12:
            fault(
                "strain",
                f"= '{format_quantity(row.strain, 'strain')}' is outside the plan's window,"
                f" {1e6 * low:.4g} to {1e6 * high:.4g} microstrain",
            )
    if plan.temperature is not None and reading.usable("temperature"):
        low, high = min(plan.temperatures), max(plan.temperatures)
        if not low - 1e-6 <= row.temperature <= high + 1e-6:
            only = format_quantity(low, "temperature")
            reach = (
                only if low == high else f"{only} to {format_quantity(high, 'temperature')}"
            )
            fault(
                "temperature",
                f"= '{format_quantity(row.temperature, 'temperature')}' is outside the"
                f" plan's, {reach}; add it to temperature.values",
            )
