"""A plan being read: sections validated one by one, all their faults kept."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import ValidationError

from percsim.plan.readers import FaultsError, did_you_mean
from percsim.plan.sections import ROWS, SECTIONS, HeadSection, MeasuredSection, Section
from percsim.units import show_value


class Reading:
    """A plan being read: its faults, and which keys can be relied on in spite of them."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.lines: list[str] = []
        self.bad: set[str] = set()

    def fault(self, key: str, what: str) -> None:
        """Add a fault of a key."""
        self.lines.append(f"{self.name}: {key} {what}")

    def in_order(self) -> list[str]:
        """Lines in the order of a complete plan, none twice."""
        order = (*HeadSection.model_fields, *SECTIONS, *ROWS)

        def place(line: str) -> int:
            word = re.match(r"\[*(\w*)", line[len(self.name) + 2 :])
            key = word[1] if word else ""
            return order.index(key) if key in order else -1

        return sorted(dict.fromkeys(self.lines), key=place)

    def usable(self, *keys: str) -> bool:
        """Whether none of the keys, nor a section they are in, has a fault."""
        return not any(k in self.bad or k.split(".")[0] in self.bad for k in keys)

    def section(self, key: str, model: type[Section], data: object) -> Any:
        """Validate one section; after faults, a stand-in for the cross-checks."""
        plain = re.sub(r"\[\d+\]", "", key)
        if not isinstance(data, Mapping):
            self.fault(key, f"must be a section, [{plain}], got {show_value(data)}")
            self.bad.add(plain)
            return None
        data = {str(name): value for name, value in data.items()}
        try:
            return model.model_validate(data)
        except ValidationError as error:
            problems = error.errors(include_url=False)
        kept = dict(data)
        names = tuple(model.model_fields)
        unknown = [str(p["loc"][0]) for p in problems if p["type"] == "extra_forbidden"]
        meant = {name for word in unknown for name in names if did_you_mean(word, (name,))}
        self.bad |= {f"{plain}.{name}" for name in meant}
        for problem in problems:
            field = str(problem["loc"][0])
            self.bad.add(f"{plain}.{field}")
            kept.pop(field, None)
            if field in model.model_fields and model.model_fields[field].is_required():
                kept[field] = model.model_fields[field].examples[0]  # type: ignore[index]
            # a key that is missing under its own name is most likely the misspelt one
            if not (problem["type"] == "missing" and field in meant):
                self._explain(
                    f"{key}.{field}" if key else field, plain, field, model, problem
                )
        return model.model_validate(kept)

    def _explain(
        self, path: str, plain: str, field: str, model: type[Section], problem: Any
    ) -> None:
        kind = problem["type"]
        if kind == "missing":
            example = json.dumps(model.model_fields[field].examples[0])  # type: ignore[index]
            self.fault(path, f"is missing; write it like {field} = {example}")
        elif kind == "extra_forbidden":
            self.fault(path, unknown_key(plain, field, tuple(model.model_fields)))
        else:
            cause = problem.get("ctx", {}).get("error")
            if isinstance(cause, FaultsError):
                for where, what in cause.faults:
                    self.fault(path + where, what)
            else:
                text = str(cause) if cause else problem["msg"]
                verb = text.startswith(("must ", "is ", "has "))
                self.fault(path, text if verb else f"= {text}")


def unknown_key(section: str, key: str, known: Sequence[str]) -> str:
    """Say what a key that is not known may have been."""
    homes = [s for s, m in SECTIONS.items() if key in m.model_fields and s != section]
    if homes:
        return f"is not known here; it belongs in {' or '.join(f'[{h}]' for h in homes)}"
    hint = did_you_mean(key, known)
    if hint:
        return f"is not known{hint}"
    if section and key in HeadSection.model_fields:
        return "is not known here; it belongs above the first section"
    return f"is not known; known: {', '.join(known)}"


def read_rows(reading: Reading, rows: Any) -> tuple[MeasuredSection, ...]:
    """Rows of [[measured]]; a single [measured] is one."""
    if isinstance(rows, Mapping):
        rows = [rows]
    if not isinstance(rows, list | tuple):
        reading.fault(
            "measured", f"must be rows, each a [[measured]], got {show_value(rows)}"
        )
        return ()
    found = [
        reading.section(f"measured[{i}]", MeasuredSection, row)
        for i, row in enumerate(rows, 1)
    ]
    return tuple(row for row in found if row is not None)


def section_help(key: str) -> str:
    """Say what a section that is missing is for."""
    return {
        "filler": "it says which powder",
        "elastomer": "it says what the powder is mixed into",
        "film": "it gives thickness, width and length",
        "explore": "it lists the loadings and electrode gaps to try",
    }[key]


def toml_reason(text: str) -> str:
    """Say where and why a text is no TOML."""
    match = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", text)
    if match:
        return f"line {match[2]}, column {match[3]}: {match[1][0].lower()}{match[1][1:]}"
    return text[0].lower() + text[1:]
