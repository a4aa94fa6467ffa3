"""A plan written: sections in bench units, and as TOML."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from percsim.plan.sections import Section, reader_of


def written(section: Section, left_out: Mapping[str, Any]) -> dict[str, Any]:
    """Section in bench units, with what it left out, in the order of its fields."""
    entry = section.model_dump(exclude_none=True)
    for key, value in left_out.items():
        if key not in entry:
            entry[key] = reader_of(type(section), key).write(value)
    return {key: entry[key] for key in type(section).model_fields if key in entry}


def without_widths(value: Any) -> Any:
    """Part of a plan less what only says how wide an assumption is."""
    if isinstance(value, Mapping):
        stated = "basis" in value
        return {
            k: without_widths(v)
            for k, v in value.items()
            if not (stated and k in ("factor", "low", "high"))
        }
    if isinstance(value, list):
        return [without_widths(v) for v in value]
    return value


def to_toml(mapping: Mapping[str, Any]) -> str:
    """Plan dict as TOML (strings, numbers, booleans, lists and tables of them)."""

    def value(v: Any) -> str:
        if isinstance(v, Mapping):
            return "{ " + ", ".join(f"{k} = {value(x)}" for k, x in v.items()) + " }"
        if isinstance(v, list):
            return "[" + ", ".join(value(x) for x in v) + "]"
        # JSON's strings, numbers and booleans are TOML's, but for one escaped character
        return json.dumps(v, ensure_ascii=False).replace("\x7f", "\\u007f")

    lines = [
        f"{k} = {value(v)}" for k, v in mapping.items() if not isinstance(v, Mapping | list)
    ]
    for key, section in mapping.items():
        tables = section if isinstance(section, list) else [section]
        for table in tables:
            if isinstance(table, Mapping):
                lines += ["", f"[[{key}]]" if isinstance(section, list) else f"[{key}]"]
                lines += [f"{k} = {value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"
