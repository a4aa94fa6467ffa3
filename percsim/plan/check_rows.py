"""Measured rows against what the plan explores, and against each other."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from percsim.film.record import MeasuredFilm
from percsim.plan.axes import AXES
from percsim.plan.mixes import Mixes
from percsim.plan.read import MIX, Reading
from percsim.plan.sections.use import MeasuredSection
from percsim.plan.write import length
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity

__all__ = ["check_added_rows", "check_measured"]

Row = tuple[str, MeasuredSection]
"""A row and what messages call it."""

Fault = Callable[[str, str], None]
"""Adds a fault of a key of the row."""

SLACK, SLACK_KELVIN = 0.03, 2.0
"""How far a record may leave what is computed: share of the strain window, and kelvin; it
then counts as at its end."""

BEYOND = 0.05
"""How far outside what was explored a loading may lie, relative: films follow their law on
that much further."""


def check_measured(plan: Mixes, reading: Reading) -> None:
    """Rows of the plan; faults of the plan itself come first and silence some."""
    rows = _labelled(plan)
    for row in rows:
        _check_row(plan, reading, row)
    if rows and not reading.faults:
        _check_together(plan, reading, rows)


def check_added_rows(plan: Mixes, reading: Reading, rows: Sequence[Row]) -> None:
    """Rows of a file, against a plan and its own rows."""
    for row in rows:
        _check_row(plan, reading, row)
    if not reading.faults:
        _check_together(plan, reading, [*_labelled(plan), *rows])


def _labelled(plan: Mixes) -> list[Row]:
    return [(f"measured[{i}]", row) for i, row in enumerate(plan.measured, 1)]


def _check_together(plan: Mixes, reading: Reading, rows: Sequence[Row]) -> None:
    """Rows against each other: one mix, and one loading a cup."""
    cups: dict[str, Row] = {}
    for label, row in rows:
        here, first = plan.mix_of(row), plan.mix_of(rows[0][1])
        if here != first:
            names = [name for (name, a), (_, b) in zip(here, first, strict=True) if a != b]
            reading.fault(
                f"{label}.{names[0]}",
                f"is another than that of {rows[0][0]}; films tell of the mix they were"
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
    _check_open(reading, rows)


def _check_open(reading: Reading, rows: Sequence[Row]) -> None:
    """Films of one cup and size, as many at rest as pulled: no fewer are open pulled."""
    states: dict[object, dict[float, list[Row]]] = {}
    for label, row in rows:
        warm = abs(row.temperature - ROOM_TEMPERATURE) > 1e-6
        if not row.batch or row.resistance is None or row.change is not None or warm:
            continue
        films = row.batch, row.electrode_gap, row.thickness, row.width, row.films, row.pull
        states.setdefault(films, {}).setdefault(row.strain, []).append((label, row))
    for at in states.values():
        rest = at.get(0.0, [])
        for strain, pulled in at.items():
            if strain <= 0.0 or len(pulled) != len(rest):
                continue
            closed = [(label, r) for label, r in pulled if r.resistance != math.inf]
            if len(closed) > sum(r.resistance != math.inf for _, r in rest):
                label, row = closed[0]
                reading.fault(
                    f"{label}.resistance",
                    f"is finite where films of {row.batch!r} were open at rest; pulling"
                    " opens contacts, so check which row is which",
                )


def _check_row(plan: Mixes, reading: Reading, labelled: Row) -> None:
    label, row = labelled
    if any(key.startswith(f"{label}.") for key, _ in reading.faults):
        return

    def fault(key: str, what: str) -> None:
        reading.fault(f"{label}.{key}", what)

    if row.cycle is not None:
        _check_cycle(plan, reading, row.cycle, fault)
    elif row.resistance is None and row.change is None:
        reading.missing(f"{label}.resistance", ', or "open"', like="2.1 kohm")
    if row.change is not None:
        if row.resistance is not None and math.isinf(row.resistance):
            fault("change", "does not go with open films, which have no R to change")
        if row.strain == 0.0 and abs(row.temperature - ROOM_TEMPERATURE) < 1e-6:
            fault("change", "needs the strain or the temperature at which it was read")
    if reading.usable("contacts.model") and plan.contacts.model == "affine":
        fault("resistance", "belongs to model = 'opening'; nothing learns from it here")
        return
    if reading.usable("explore", *MIX):
        if reading.usable("explore.weight_fraction"):
            _check_loading(plan, row, fault)
        _check_mix(plan, row, fault)
    _check_film(plan, reading, row, fault)
    _check_state(plan, reading, row, fault)


def _check_loading(plan: Mixes, row: MeasuredSection, fault: Fault) -> None:
    low, high = min(plan.weight_fractions), max(plan.weight_fractions)
    # a cup as weighed may lie a little beyond what was planned
    if not low * (1.0 - BEYOND) <= row.weight_fraction <= high * (1.0 + BEYOND):
        fault(
            "weight_fraction",
            f"= '{100 * row.weight_fraction:.4g} wt%' is outside the plan's"
            f" loadings, {100 * low:.4g} to {100 * high:.4g} wt%; explore it too",
        )


def _check_mix(plan: Mixes, row: MeasuredSection, fault: Fault) -> None:
    """One row against the films, fillers and mix ratios that the plan lists."""
    for name, axis in AXES.items():
        listed, own = plan.axes.get(name, ()), getattr(row, name)
        told = f"the plan explores {axis.many}"
        values = ", ".join(map(axis.written, listed))
        if own is None:
            if len(listed) > 1:
                fault(name, f"is missing; {told} {values}: say the one {axis.whose}")
        elif listed and name != "thickness":
            if not any(math.isclose(own, x, rel_tol=1e-6) for x in listed):
                fault(
                    name,
                    f"= '{axis.written(own)}' is not among the {axis.many} that the plan"
                    f" explores, {values}",
                )


def _check_film(plan: Mixes, reading: Reading, row: MeasuredSection, fault: Fault) -> None:
    film = plan.film
    if reading.usable("film.length") and row.electrode_gap > film.length:
        fault("electrode_gap", film.too_long(row.electrode_gap))
    for key in ("thickness", "width") if reading.usable("film.thickness") else ():
        value, planned = getattr(row, key), getattr(film, key)
        if value is not None and not planned / 10.0 <= value <= 10.0 * planned:
            fault(
                key,
                f"= '{length(value)}' is more than ten times off the plan's,"
                f" '{length(planned)}'; check the unit",
            )


def _check_cycle(plan: Mixes, reading: Reading, film: MeasuredFilm, fault: Fault) -> None:
    """Refuse a record without a pull, or beyond what is computed."""
    path = film.protocol
    if not path.pulls:
        fault("cycle", "holds no pull that is released again")
    for key, got, computed, room, kind in (
        ("strain", path.strains, plan.window_strains, SLACK, "strain"),
        ("temperature", path.temperatures, plan.temperatures, SLACK_KELVIN, "temperature"),
    ):
        if not reading.usable(key):
            continue
        low, high = min(computed), max(computed)
        slack = room * (high - low) if key == "strain" else room
        if got.min() < low - slack or got.max() > high + slack:
            ends = (float(got.min()), float(got.max()), low, high)
            a, b, c, d = (format_quantity(x, kind) for x in ends)
            fault(
                "cycle", f"runs from '{a}' to '{b}', outside of the plan's, '{c}' to '{d}'"
            )


def _check_state(plan: Mixes, reading: Reading, row: MeasuredSection, fault: Fault) -> None:
    """Strain and temperature of a reading against those computed."""
    if reading.usable("strain"):
        low, high = plan.window_strains[0], plan.window_strains[-1]
        if not low - 1e-12 <= row.strain <= high + 1e-12:
            fault(
                "strain",
                f"= '{format_quantity(row.strain, 'strain')}' is outside the plan's window,"
                f" {1e6 * low:.4g} to {1e6 * high:.4g} microstrain",
            )
    if reading.usable("temperature"):
        low, high = min(plan.temperatures), max(plan.temperatures)
        if not low - 1e-6 <= row.temperature <= high + 1e-6:
            own, *ends = (
                format_quantity(t, "temperature")
                for t in (row.temperature, *sorted({low, high}))
            )
            fault(
                "temperature",
                f"= '{own}' is outside the plan's, {' to '.join(ends)}; add it to"
                " temperature.values",
            )
