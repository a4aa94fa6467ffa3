"""A plan written: as TOML, and without what only says how sure a value is."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from percsim.units import format_quantity

__all__ = ["length", "to_toml", "toml_value", "without_widths"]


def length(value: float) -> str:
    """Length in bench units."""
    return format_quantity(value, "length")


def toml_value(value: Any) -> str:
    """Value as it stands in a plan file: a string, number, boolean, list or table."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    # JSON's strings, numbers and booleans are TOML's, but for one escaped character
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def to_toml(mapping: Mapping[str, Any]) -> str:
    """Plan dict as TOML."""

    def keys(table: Mapping[str, Any]) -> list[str]:
        return [f"{key} = {toml_value(value)}" for key, value in table.items()]

    lines = keys({k: v for k, v in mapping.items() if not isinstance(v, Mapping | list)})
    for name, section in mapping.items():
        if isinstance(section, Mapping):
            lines += ["", f"[{name}]", *keys(section)]
        elif isinstance(section, list):
            for table in section:
                lines += ["", f"[[{name}]]", *keys(table)]
    return "\n".join(lines) + "\n"


def without_widths(value: Any) -> Any:
    """Part of a plan less what only says how wide an assumption is."""
    if isinstance(value, Mapping):
        widths = ("factor", "low", "high") if "basis" in value else ()
        return {k: without_widths(v) for k, v in value.items() if k not in widths}
    return [without_widths(v) for v in value] if isinstance(value, list) else value
