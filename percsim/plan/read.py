"""A plan being read: sections one by one, and all the faults found on the way."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from percsim.errors import PlanError
from percsim.files import lines_of_keys
from percsim.plan.readers import did_you_mean, faults_of
from percsim.plan.sections import ESSENTIAL, MODELS, OPTIONAL, ROWS, SECTIONS
from percsim.plan.sections.ask import HeadSection
from percsim.plan.sections.section import Section
from percsim.plan.sections.use import MeasuredSection
from percsim.units import show_value

__all__ = ["MIX", "Reading", "parse_toml", "read_sections"]

KNOWN = (*HeadSection.keys(), *SECTIONS, *ROWS)
"""What may stand in a plan outside of any section, in the order of a complete one."""

MIX = ("filler.*", "filler.shape", "elastomer.*")
"""What powder and elastomer are made of; "filler.shape" is bad where they do not fit."""


class Reading:
    """A plan being read: its faults, and which keys can be relied on in spite of them.

    Parameters
    ----------
    name : str
        What messages call the plan.
    text : str
        TOML that it is read from, for the lines where keys stand; empty without a file.

    """

    def __init__(self, name: str, text: str = "") -> None:
        self.name, self.text = name, text
        self.faults: list[tuple[str, str]] = []
        self.bad: set[str] = set()
        self.given: set[str] = set()

    def fault(self, key: str, what: str, *, spoils: str = "") -> None:
        """Add a fault of a key, and to the bad ones the key that it spoils."""
        self.faults.append((key, what))
        if spoils:
            self.bad.add(_plain(spoils))

    def missing(self, key: str, more: str = "", *, like: Any = None) -> None:
        """Add that a key is missing; `like` is an example, by default the key's own."""
        section, _, name = key.rpartition(".")
        if like is None:
            like = MODELS[_plain(section)].keys()[name].example
        self.fault(key, f"is missing; write it like {name} = {json.dumps(like)}{more}")

    def refuse(self) -> None:
        """Raise the faults there are, in the order of a complete plan, none twice."""

        def place(fault: tuple[str, str]) -> int:
            word = re.match(r"\[*(\w*)", fault[0])
            key = word[1] if word else ""
            return KNOWN.index(key) if key in KNOWN else -1

        lines = lines_of_keys(self.text)
        told = []
        for key, what in sorted(dict.fromkeys(self.faults), key=place):
            # a key that is missing is missing in its section
            parts = re.findall(r"^\[?\w+|[.[ ][^.[ ]+", key)
            places = ("".join(parts[:n]) for n in range(len(parts), 0, -1))
            line = next((f", line {lines[at]}" for at in places if at in lines), "")
            told.append(f"{self.name}{line}: {key} {what}")
        if told:
            raise PlanError(told)

    def usable(self, *keys: str) -> bool:
        """Whether none of the keys, nor a section they are in, has a fault.

        "film.*" stands for every key of a section.
        """
        return not any(
            k in self.bad or k.split(".")[0] in self.bad for k in _spelt_out(keys)
        )

    def section(self, key: str, model: type[Section], data: object) -> Any:
        """Read one section; after faults, a stand-in for the cross-checks."""
        plain = _plain(key)
        if not isinstance(data, Mapping):
            got = show_value(data)
            self.fault(key, f"must be a section, [{plain}], got {got}", spoils=plain)
            return None
        dot = f"{key}." if key else ""
        keys = model.keys()
        data = {str(name): value for name, value in data.items()}
        unknown = [name for name in data if name not in keys]
        meant = {n for word in unknown for n in keys if did_you_mean(word, (n,))}
        read: dict[str, Any] = {}
        for name, what in keys.items():
            if name in data:
                try:
                    read[name] = what.read(data[name])
                    self.given.add(f"{plain}.{name}")
                    continue
                except ValueError as error:
                    for where, fault in faults_of(error):
                        self.fault(f"{dot}{name}{where}", fault)
            elif not what.needed:
                continue
            # a key that is missing under its own name is most likely the misspelt one
            elif name not in meant:
                self.missing(f"{dot}{name}", like=what.example)
            self.bad.add(f"{plain}.{name}")
            if what.needed:
                read[name] = what.reader.read(what.example)
        for name in unknown:
            self.fault(f"{dot}{name}", _unknown_key(plain, name, keys))
        self.bad |= {f"{plain}.{name}" for name in (*unknown, *meant)}
        return model(**read)


def _plain(key: str) -> str:
    """Key less the numbers of entries: filler[2] is filler."""
    return re.sub(r"\[\d+\]", "", key)


def _spelt_out(keys: Iterable[str]) -> Iterable[str]:
    for key in keys:
        section, _, name = key.partition(".")
        if name == "*":
            yield from (f"{section}.{k}" for k in SECTIONS[section].keys())
        else:
            yield key


def _unknown_key(section: str, key: str, known: Iterable[str]) -> str:
    homes = [s for s, m in SECTIONS.items() if key in m.keys() and s != section]
    if homes:
        return f"is not known here; it belongs in {' or '.join(f'[{h}]' for h in homes)}"
    known = tuple(known)
    hint = did_you_mean(key, known)
    if hint:
        return f"is not known{hint}"
    if section and key in HeadSection.keys():
        return "is not known here; it belongs above the first section"
    return f"is not known; known: {', '.join(known)}"


def read_sections(reading: Reading, mapping: Mapping[str, Any]) -> dict[str, Any]:
    """Read all sections of a plan, by their names; faults are left with `reading`."""
    mapping = {str(key): value for key, value in mapping.items()}
    hints = ""
    for key, value in mapping.items():
        if key not in KNOWN:
            hints += did_you_mean(key, KNOWN)
            kind = "a section" if isinstance(value, Mapping) else "a key"
            what = _unknown_key("", key, KNOWN)
            reading.fault(key, what.replace("is", f"is {kind} that is", 1))
    heading = {k: mapping[k] for k in HeadSection.keys() if k in mapping}
    head = reading.section("", HeadSection, heading)
    parts: dict[str, Any] = {"title": head.title, "seed": head.seed}
    for key, model in SECTIONS.items():
        if key not in mapping:
            if repr(key) in hints:  # it is there, misspelt
                reading.bad.add(key)
            elif key in ESSENTIAL:
                about = model.__doc__ or ""
                what = f"is missing: {about[0].lower()}{about[1:].partition('.')[0]}"
                reading.fault(f"[{key}]", what, spoils=key)
            parts[key] = None if key in (*ESSENTIAL, *OPTIONAL) else model()
        elif key == "filler" and isinstance(mapping[key], list | tuple):
            parts[key] = _read_entries(reading, key, model, mapping[key])
            if not parts[key]:
                what = "is an empty list; it needs at least 1"
                reading.fault(key, what, spoils=key)
        else:
            parts[key] = reading.section(key, model, mapping[key])
    if not isinstance(parts["filler"], tuple):
        parts["filler"] = (parts["filler"],)
    rows = mapping.get("measured", [])
    rows = [rows] if isinstance(rows, Mapping) else rows  # a single [measured] is one
    if not isinstance(rows, list | tuple):
        what = f"must be rows, each a [[measured]], got {show_value(rows)}"
        reading.fault("measured", what)
        rows = []
    read = _read_entries(reading, "measured", MeasuredSection, rows)
    parts["measured"] = tuple(row for row in read if row is not None)
    return parts


def _read_entries(
    reading: Reading, key: str, model: type[Section], entries: Sequence[Any]
) -> tuple[Any, ...]:
    """Read a section that is there several times; a filler alone has no number."""
    alone = key == "filler" and len(entries) == 1
    return tuple(
        reading.section(key if alone else f"{key}[{i}]", model, entry)
        for i, entry in enumerate(entries, 1)
    )


def parse_toml(text: str, name: str) -> dict[str, Any]:
    """Parse a text as TOML; PlanError says where and why it is none."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        why = str(error)
    place = re.fullmatch(r"(.*) \(at (line \d+, column \d+)\)", why)
    where = f"{name}, {place[2]}" if place else name
    why = place[1] if place else why
    raise PlanError([f"{where}: is not TOML: {why[0].lower()}{why[1:]}"])
