"""Knobs: keys of the plan that the page turns, in the words of the plan file.

A setting is the text of one key, as a person would write it there, so that what the page
shows is what a saved plan gives when it is run.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from percsim.errors import PlanError
from percsim.files import lines_of_keys
from percsim.plan import Plan
from percsim.plan.read import parse_toml
from percsim.plan.readers import Choice, Many, Number, Reader, Window
from percsim.plan.sections import SECTIONS
from percsim.plan.sections.section import Key, Section, words_of
from percsim.plan.write import to_toml, toml_value
from percsim.units import format_quantity, parse_quantity

__all__ = [
    "KNOBS", "NEED_BOXES", "Dial", "Knob", "Settings", "basis", "dials", "edited", "turned",
]  # fmt: skip

Settings = Mapping[str, str]
"""Texts of the keys that were turned."""


@dataclass(frozen=True, slots=True)
class Knob:
    """A key that the page turns.

    Parameters
    ----------
    key : str
        Section and key, with ".from" or ".to" for an end of a window and the entry of an
        inline table.
    group : {"target", "film", "batch", "tolerances", "boxes"}
        Where it stands; what is in "boxes" takes boxes of its own.
    low, high : str
        Ends of its slider, in the words of the plan; without one where they are empty.
    log : bool
        Whether the slider goes by the logarithm.
    of_axis : str
        Axis of [explore] that takes its place.

    """

    key: str
    group: str
    low: str = ""
    high: str = ""
    log: bool = False
    of_axis: str = ""

    @property
    def section(self) -> str:
        """Section of the key."""
        return self.key.split(".")[0]

    @property
    def name(self) -> str:
        """Key in its section."""
        return self.key.split(".")[1]

    @property
    def entry(self) -> str:
        """End of a window, or entry of an inline table."""
        return ".".join(self.key.split(".")[2:])

    @property
    def model(self) -> type[Section]:
        """Type of the section."""
        found: type[Section] = SECTIONS[self.section]
        return found

    @property
    def what(self) -> Key:
        """What the key is."""
        return self.model.keys()[self.name]

    @property
    def reader(self) -> Reader | None:
        """Reader of the value itself; None for entries of tables, which the plan checks."""
        reader = self.what.reader
        if isinstance(reader, Window) and self.entry:
            return reader.end
        return None if self.entry else reader

    @property
    def kind(self) -> str:
        """Kind of quantity; "" for plain numbers, words and lists."""
        if self.key == "filler.diameter.median":
            return "length"
        return getattr(self.reader, "kind", "")

    @property
    def help(self) -> str:
        """What the plan says of the key."""
        return _words(self.section)[self.name]

    def read(self, text: str) -> Any:
        """Value as the plan file has it.

        Raises
        ------
        ValueError
            If the text is none.

        """
        words = text.strip()
        reader = self.reader
        if isinstance(reader, Many):
            value: Any = [part.strip() for part in re.split(r"[,;]", words) if part.strip()]
        elif isinstance(reader, Number) or (reader is None and not self.kind):
            try:
                value = json.loads(words)
            except ValueError:
                value = words
        else:
            value = words
        if reader is not None:
            reader.read(value)
        return value


@cache
def _words(section: str) -> dict[str, str]:
    return words_of(SECTIONS[section])


def _tolerance(name: str, high: str, low: str = "0 %") -> Knob:
    return Knob(f"tolerances.{name}", "tolerances", low, high)


KNOBS = (
    Knob("target.resistance.from", "target", "0.01 kohm", "1000 kohm", log=True),
    Knob("target.resistance.to", "target", "0.01 kohm", "1000 kohm", log=True),
    Knob("target.smallest_gauge_factor", "target", "1", "100", log=True),
    Knob("target.pull", "target"),
    Knob("target.largest_resistance_cv", "target", "5 %", "100 %", log=True),
    Knob("target.largest_gauge_factor_cv", "target", "2 %", "60 %", log=True),
    Knob("target.pass_share", "target", "50 %", "99 %"),
    Knob("target.supply", "target", "0.5 V", "24 V", log=True),
    Knob("target.series_resistor", "target", "0.01 kohm", "1000 kohm", log=True),
    Knob("supply.voltage", "target", "0.5 V", "24 V", log=True),
    Knob("supply.series_resistor", "target", "0.01 kohm", "1000 kohm", log=True),
    Knob("explore.electrode_gap", "film"),
    Knob("film.thickness", "film", "20 um", "1 mm", log=True, of_axis="thickness"),
    Knob("film.width", "film", "1 mm", "40 mm", log=True),
    Knob("elastomer.mix_ratio", "film", "3:1", "20:1", of_axis="mix_ratio"),
    Knob("batch.mass", "batch", "1 g", "200 g", log=True),
    Knob("batch.films", "batch"),
    _tolerance("weighing", "5 %"),
    _tolerance("mixing", "10 %"),
    _tolerance("mixing_within", "15 %"),
    _tolerance("thickness", "30 %"),
    _tolerance("electrode_gap", "0.5 mm", "0 mm"),
    _tolerance("electrode_skew", "0.5 mm", "0 mm"),
    _tolerance("width", "0.5 mm", "0 mm"),
    _tolerance("contact", "40 %"),
    _tolerance("aspect_ratio", "20 %"),
    _tolerance("particle_size", "20 %"),
    _tolerance("response", "20 %"),
    Knob("tolerances.known_within", "tolerances", "1", "4"),
    Knob("explore.weight_fraction", "boxes"),
    Knob("filler.aspect_ratio.value", "boxes", of_axis="aspect_ratio"),
    Knob("filler.diameter.median", "boxes", of_axis="diameter"),
    Knob("filler.orientation", "boxes"),
    Knob("strain.window", "boxes"),
)
"""All of them, in the order of the page."""

BY_KEY = {knob.key: knob for knob in KNOBS}

NEED_BOXES = {k.key for k in KNOBS if k.group == "boxes"} | {"film.thickness"}
"""Knobs that boxes of their own may be needed for."""


@dataclass(frozen=True, slots=True)
class Dial:
    """A knob as it stands.

    Parameters
    ----------
    knob : Knob
        The knob.
    text : str
        Its value, empty where the key is left out.
    value, low, high : float
        Number in `unit`, and the ends of the slider; NaN without a slider.
    unit : str
        Unit of these numbers.
    options : tuple of str
        Words to choose among.

    """

    knob: Knob
    text: str
    value: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    unit: str = ""
    options: tuple[str, ...] = ()


def dials(plan: Plan) -> tuple[Dial, ...]:
    """Knobs that a plan has, as they stand in it."""
    told, written = plan.as_dict(), parse_toml(plan.text, plan.name)
    there = (knob for knob in KNOBS if _is_there(knob, plan, told, written))
    return tuple(_dial(knob, _text(knob, told)) for knob in there)


def _is_there(
    knob: Knob, plan: Plan, told: Mapping[str, Any], written: Mapping[str, Any]
) -> bool:
    if knob.of_axis and knob.of_axis in plan.axes:
        return False
    if knob.section == "supply":
        return plan.supply is not None
    if knob.key in ("target.supply", "target.series_resistor"):
        return plan.supply is None
    if knob.section != "filler":
        return True
    table = told["filler"]
    if not isinstance(table, dict) or not isinstance(written["filler"], dict):
        return False
    own = written["filler"].get(knob.name)
    # sizes that are written otherwise than by their median cannot be turned by it
    other = isinstance(own, dict) and knob.entry not in own
    return not knob.entry or (knob.entry in (table.get(knob.name) or {}) and not other)


@lru_cache(1000)
def _dial(knob: Knob, text: str) -> Dial:
    options = knob.reader.options if isinstance(knob.reader, Choice) else ()
    if not knob.low:
        return Dial(knob, text, options=options)
    if not knob.kind:
        number = float(text) if text else float("nan")
        return Dial(knob, text, number, float(knob.low), float(knob.high))
    ends = [parse_quantity(end, knob.kind) for end in (knob.low, knob.high)]
    own = parse_quantity(text, knob.kind) if text else ends[0]
    # the slider speaks the unit of its upper end
    unit = ":1" if knob.kind == "ratio" else knob.high.split(maxsplit=1)[1]
    low, value, high = (
        _number(x, knob.kind, unit)
        for x in (min(ends[0], own or ends[0]), own, max(ends[1], own))
    )
    if text:
        text = f"{value:g}{unit}" if knob.kind == "ratio" else f"{value:g} {unit}"
    return Dial(knob, text, value if text else float("nan"), low, high, unit, options)


def _number(value: float, kind: str, unit: str) -> float:
    if kind == "ratio":
        return value
    return float(format_quantity(value, kind, digits=12, unit=unit).split()[0])


def _text(knob: Knob, told: Mapping[str, Any]) -> str:
    """Value of a knob in a plan, as a person would write it."""
    value = told.get(knob.section, {}).get(knob.name)
    if value is None:
        return ""
    reader = knob.what.reader
    if isinstance(reader, Window) and knob.entry:
        ends = reader.read(value)
        value = reader.end.write(ends[knob.entry == "to"])
    elif knob.entry:
        value = value.get(knob.entry)
    if isinstance(value, list):
        return ", ".join(map(str, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def turned(plan: Plan, settings: Settings) -> tuple[Plan, dict[str, str]]:
    """Plan with its knobs turned, and what is wrong with each that cannot be.

    Parameters
    ----------
    plan : Plan
        As it stands, with its text.
    settings : mapping of str to str
        Text by key; an empty one leaves the key out.

    Returns
    -------
    plan : Plan
        Changed, or as it stands where anything is wrong.
    faults : dict of str to str
        By key; under "" what is wrong with several together.

    """
    written, faults = parse_toml(plan.text, plan.name), {}
    for key, text in settings.items():
        knob = BY_KEY.get(key)
        if knob is None:
            faults[key] = "no knob"
            continue
        try:
            _put(written, plan, knob, text)
        except ValueError as error:
            faults[key] = str(error)
    if faults or not settings:
        return plan, faults
    try:
        return Plan.from_dict(written, name=plan.name), {}
    except PlanError as error:
        return plan, {"": "; ".join(p.partition(": ")[2] or p for p in error.faults)}


def _put(written: dict[str, Any], plan: Plan, knob: Knob, text: str) -> None:
    """Put the text of a knob into a plan as it is written."""
    section = written.setdefault(knob.section, {})
    window = isinstance(knob.what.reader, Window)
    if not text.strip():
        if knob.what.needed or (knob.entry and not window):
            raise ValueError("is missing")
        section.pop(knob.name, None)
        return
    value = knob.read(text)
    own: Any = section.get(knob.name)
    if own is None and knob.entry:
        own = plan.as_dict()[knob.section].get(knob.name)
    if knob.entry and window:
        ends = own
        if not isinstance(own, dict):
            reader: Any = knob.what.reader
            low, high = reader.read(own) if own else (0.0, reader.end.highest)
            ends = {"from": reader.end.write(low), "to": reader.end.write(high)}
        value = {**ends, knob.entry: value}
    elif knob.entry and isinstance(own, dict):
        value = {**own, knob.entry: value}
    section[knob.name] = value
    if knob.key == "batch.films":
        section.pop("mass", None)
    if knob.key == "batch.mass":
        section.pop("films", None)


def basis(plan: Plan, settings: Settings, knob: Knob, learnt: bool) -> str:
    """Say whether a tolerance is wished, measured, the plan's or the usual one."""
    if knob.key in settings:
        return "wish"
    if learnt:
        return "measured"
    own = getattr(plan.tolerances_section, knob.name)
    default = None if knob.what.default is None else knob.what.read(knob.what.default)
    return "default" if own == default else "plan"


# ------------------------------------------------------------------------------------------
# Writing
# ------------------------------------------------------------------------------------------


def edited(plan: Plan, changed: Plan, settings: Settings) -> str:
    """Text of a plan with its knobs turned: its own lines where only values change.

    Parameters
    ----------
    plan, changed : Plan
        As it stands, with its text, and with the settings.
    settings : mapping of str to str
        What was turned.

    Returns
    -------
    str
        TOML that reads as `changed`; filled in where its lines cannot be kept.

    """
    told, written = changed.as_dict(), parse_toml(plan.text, plan.name)
    lines = plan.text.splitlines()
    for key, text in settings.items():
        _put(written, plan, BY_KEY[key], text)
    keys = dict.fromkeys((BY_KEY[k].section, BY_KEY[k].name) for k in settings)
    if ("batch", "films") in keys:
        keys["batch", "mass"] = None
    for section, name in keys:
        value, found = told.get(section, {}).get(name), lines_of_keys("\n".join(lines))
        at, head = found.get(f"{section}.{name}"), found.get(section)
        if name not in written[section]:
            if at is not None:
                del lines[at - 1]
            continue
        own = written[section][name]
        # as the plan writes it: one unit for both ends of a window
        line = f"{name} = {toml_value(own if section == 'filler' else value)}"
        if at is not None:
            lines[at - 1] = line
        elif head is not None:
            lines.insert(head, line)
        else:
            lines += ["", f"[{section}]", line]
    kept = "\n".join(lines) + "\n"
    with suppress(PlanError):
        if Plan.from_dict(parse_toml(kept, plan.name)).as_dict() == told:
            return kept
    return to_toml(told)
