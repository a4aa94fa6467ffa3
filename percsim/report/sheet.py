"""The weigh-out sheet on the page, and entries described by their names."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from percsim.report.candidates import Row, Summary, candidate_label, deciding_index
from percsim.report.chapter import Table, table
from percsim.words import mix, mm, number, percent, quantity, scaled, three, two

__all__ = ["describe", "flat", "line_of", "mass_table", "weigh_out"]


_UNITS = {
    "_kg": "kg",
    "_m": "m",
    "_ohm": "ohm",
    "_K": "K",
    "_s": "s",
    "_V": "V",
    "_A": "A",
    "_W": "W",
    "fraction": "fraction",
    "share": "fraction",
    "uncertainty": "fraction",
}


_WRITTEN = {
    "_g": "g",
    "_mg": "mg",
    "_mm": "mm",
    "_um": "um",
    "_ml": "ml",
    "_percent": "%",
    "_min": "min",
}


def describe(key: str, value: Any) -> tuple[str, str]:
    """Name and value of one entry in words, with the unit its name ends in."""
    for units in (_WRITTEN, _UNITS):
        for ending, unit in units.items():
            if key.endswith(ending) and number(value) is not None:
                name = key[: -len(ending)] if ending.startswith("_") else key
                words = name.replace("_", " ").strip()
                if units is _UNITS:
                    return words, quantity(value, unit)
                return words, f"{three(value)} {unit}"
    words = key.replace("_", " ")
    if isinstance(value, bool):
        return words, "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return words, ", ".join(describe("", entry)[1] for entry in value)
    if isinstance(value, Mapping):
        return words, ", ".join(" ".join(describe(str(k), v)) for k, v in value.items())
    if isinstance(value, (int, float)):
        return words, str(value) if isinstance(value, int) else three(value)
    return words, "–" if value is None else str(value)


def flat(mapping: Any, prefix: str = "") -> list[tuple[str, str]]:
    """Rows of a nested mapping, nested names joined with dots."""
    rows: list[tuple[str, str]] = []
    if not isinstance(mapping, Mapping):
        return rows
    for key, value in mapping.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            rows += flat(value, f"{name}.")
        elif isinstance(value, (list, tuple)) and any(
            isinstance(v, Mapping) for v in value
        ):
            for k, entry in enumerate(value):
                rows += (
                    flat(entry, f"{name}[{k}].")
                    if isinstance(entry, Mapping)
                    else [(name, str(entry))]
                )
        elif isinstance(value, (list, tuple)):
            rows.append((name, ", ".join(str(v) for v in value)))
        elif value is not None:
            rows.append(
                (
                    name,
                    ("true" if value else "false")
                    if isinstance(value, bool)
                    else str(value),
                )
            )
    return rows


def mass_table(sheet: Row) -> Table | None:
    """Grams of each part of the batch, exact and as the balance shows them."""
    masses = next(
        (sheet[key] for key in _MASSES if isinstance(sheet.get(key), Mapping)), None
    )
    if not masses:
        return None
    readings = sheet.get("readings_g")
    readings = readings if isinstance(readings, Mapping) else {}
    columns = [masses, *([readings] if readings else [])]
    step = number(sheet.get("resolution_g"))
    digits = [3, 3 if not step else max(0, math.ceil(-math.log10(step) - 1e-9))]
    rows = [
        (
            str(name),
            *(_grams(c.get(name), d) for c, d in zip(columns, digits, strict=False)),
        )
        for name in masses
    ]
    totals = [
        [x for m in column.values() if (x := number(m)) is not None] for column in columns
    ]
    if "total" not in masses:
        sums = (_grams(sum(known), d) for known, d in zip(totals, digits, strict=False))
        rows.append(("total", *sums))
    heads = ("part", "#mass|g", *(["#on the balance|g"] if readings else []))
    return table(heads, rows)


def _grams(mass: Any, digits: int = 3) -> str:
    """Grams with the digits of a balance."""
    x = number(mass)
    return "–" if x is None else f"{x:.{digits}f}"


_MASSES = ("grams", "masses_g", "masses")


def _of_percent(unit: str) -> Callable[[Any], str]:
    return lambda value: f"{percent(value)} {unit}"


def _in(unit: str, factor: float = 1.0) -> Callable[[Any], str]:
    return lambda value: f"{scaled(value, factor)} {unit}"


_SHEET: dict[str, tuple[str, Callable[[Any], str]]] = {
    "wanted_g": ("cured mass for the films", _in("g")),
    "total_g": ("cured mass to mix, losses included", _in("g")),
    "loss": ("share that stays in the cup and on the tools", _of_percent("%")),
    "resolution_g": ("step of the balance", _in("g")),
    "weight_fraction": ("filler", _of_percent("wt%")),
    "weight_fraction_read": ("filler, of the masses on the balance", _of_percent("wt%")),
    "volume_fraction": ("filler by volume", _of_percent("vol%")),
    "mix_ratio": ("base : curing agent by mass", mix),
    "mix_ratio_read": ("base : curing agent, of the masses on the balance", mix),
    "solvent": ("solvent", str),
    "solvent_volume_m3": ("volume of solvent", _in("ml", 1e6)),
    "wet_over_dry": ("thickness as spread over thickness when dry", three),
    "film_thickness_m": ("film thickness", mm),
    "wet_thickness_m": ("thickness to spread", mm),
    "wet_solids": ("solids of the mix as cast", _of_percent("vol%")),
    "packing_limit": ("solids at which the filler jams", _of_percent("vol%")),
    "relative_viscosity": ("thickening by the filler", lambda value: f"x {three(value)}"),
    "castable": ("can be cast", lambda value: "yes" if value else "no, too stiff"),
}


_JAMMING = (
    "The solids at which the filler jams are an estimate from its aspect ratio alone, for "
    "randomly turned particles with about 10.8 neighbours each (an assumption for flakes; "
    "64 vol% at most, as for spheres), and the thickening is (1 - solids/jamming)^-2: both "
    "are formulas from memory and rough, and wide sizes or shear let more in"
)


_OF_SOLVENT = ("solvent", "solvent_volume_m3", "wet_over_dry", "wet_thickness_m")


def weigh_out(summary: Summary) -> dict[str, Any]:
    """Lay out the weigh-out sheet; entries not known here are described as named."""
    sheet = summary.get("weigh_out") or {}
    if not isinstance(sheet, Mapping) or not sheet:
        return {"empty": True}
    index, is_chosen = deciding_index(summary)
    title = (
        "For the candidate that was chosen." if is_chosen else "For the nearest candidate."
    )
    if index is not None:
        label = candidate_label(summary["candidates"][index])
        title = f"For {label}." if is_chosen else f"For {label}, the nearest candidate."
    facts, tables, notes = [], [], []
    dry = "solvent" in sheet and not sheet["solvent"]
    for key, value in sheet.items():
        if key in (*_MASSES, "readings_g") or (dry and key in _OF_SOLVENT):
            continue
        if value is None or value == "":
            continue
        if key.endswith("_uncertainty") and key.removesuffix("_uncertainty") in sheet:
            continue  # printed beside its value
        if key in _SHEET:
            name, write = _SHEET[key]
            text = write(value)
            # what the balance makes carries the error, else what was asked
            stem = key.removesuffix("_read")
            error = number(sheet.get(f"{stem}_uncertainty"))
            if error is not None and (key != stem or f"{stem}_read" not in sheet):
                figure, _, unit = text.partition(" ")
                factor = 100.0 if stem.endswith("fraction") else 1.0
                text = f"{figure} ± {two(factor * error)} {unit}".rstrip()
            facts.append((name, text))
        elif key in ("notes", "cautions", "warnings", "steps"):
            notes += [
                str(v) for v in (value if isinstance(value, (list, tuple)) else [value])
            ]
        elif isinstance(value, (list, tuple)) and all(
            isinstance(v, Mapping) for v in value
        ):
            keys = list(dict.fromkeys(k for v in value for k in v))
            cells = [[describe(k, v.get(k))[1] for k in keys] for v in value]
            heads = [k.replace("_", " ") for k in keys]
            tables.append(table(heads, cells, caption=key.replace("_", " ")))
        elif isinstance(value, Mapping):
            entries = (describe(str(k), v) for k, v in value.items())
            facts += [(f"{key.replace('_', ' ')}, {name}", text) for name, text in entries]
        else:
            facts.append(describe(str(key), value))
    if "packing_limit" in sheet:
        notes.insert(0, _JAMMING)
    return {
        "empty": False,
        "title": title,
        "masses": mass_table(sheet),
        "tables": tables,
        "notes": notes,
        "facts": table(("quantity", "~value"), facts) if facts else None,
    }


def line_of(entry: Any) -> str:
    """Write an entry of any kind in a line."""
    if isinstance(entry, Mapping):
        return ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in entry.items())
    return str(entry)
