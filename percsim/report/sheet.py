"""The weigh-out sheet on the page, and entries of any kind in rows."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from percsim.quantities import (
    grams,
    mix,
    mm,
    number,
    percent,
    quantity,
    three,
    weight,
    with_error,
)
from percsim.report.candidates import Row, Summary, candidate_label, deciding_index
from percsim.report.chapter import Table, table

__all__ = ["flat", "line_of", "mass_table", "weigh_out"]

_JAMMING = (
    "The solids at which the filler jams are an estimate from its aspect ratio alone, for "
    "randomly turned particles with about 10.8 neighbours each (an assumption for flakes; "
    "64 vol% at most, as for spheres), and the thickening is (1 - solids/jamming)^-2: both "
    "are formulas from memory and rough, and wide sizes or shear let more in"
)


def mass_table(sheet: Row) -> Table | None:
    """Grams of each part of the batch, exact and as the balance shows them."""
    masses, readings = sheet.get("grams"), sheet.get("readings_g") or {}
    if not masses:
        return None
    columns = [(masses, 1e-3)]
    if readings:
        columns.append((readings, number(sheet.get("resolution_g")) or 1e-3))
    rows = [
        (str(name), *(grams(column.get(name), step) for column, step in columns))
        for name in masses
    ]
    rows.append(("total", *(grams(sum(column.values()), step) for column, step in columns)))
    heads = ("part", "#mass|g", *(["#on the balance|g"] if readings else []))
    return table(heads, rows)


def weigh_out(summary: Summary) -> dict[str, Any]:
    """Lay out the weigh-out sheet."""
    sheet = summary.get("weigh_out") or {}
    if not sheet:
        return {"empty": True}
    index, is_chosen = deciding_index(summary)
    title = "For the nearest candidate."
    if (summary.get("decision") or {}).get("state") == "cast to learn":
        title = f"For the cup to cast next, {weight(sheet.get('weight_fraction'))}."
    elif index is not None:
        label = candidate_label(summary["candidates"][index])
        title = f"For {label}." if is_chosen else f"For {label}, the nearest candidate."
    return {
        "empty": False,
        "title": title,
        "masses": mass_table(sheet),
        "notes": [_JAMMING, *map(str, sheet.get("cautions") or [])],
        "facts": table(("quantity", "~value"), _facts(sheet)),
    }


def _facts(sheet: Row) -> list[tuple[str, str]]:
    """Everything of the sheet but the masses; what the balance makes carries its error."""

    def read(key: str, stem: str, factor: float = 1.0) -> str:
        return with_error(sheet.get(key), sheet.get(f"{stem}_uncertainty"), factor)

    balance = "of the masses on the balance"
    solvent = [
        ("solvent", str(sheet.get("solvent"))),
        ("volume of solvent", quantity(sheet.get("solvent_volume_m3"), "volume")),
        ("thickness as spread over thickness when dry", three(sheet.get("wet_over_dry"))),
        ("thickness to spread", mm(sheet.get("wet_thickness_m"))),
    ]
    return [
        ("cured mass to mix, losses included", quantity(sheet.get("total_g"), "g")),
        ("cured mass for the films", quantity(sheet.get("wanted_g"), "g")),
        ("share that stays in the cup and on the tools", f"{percent(sheet.get('loss'))} %"),
        ("step of the balance", quantity(sheet.get("resolution_g"), "g")),
        ("filler", weight(sheet.get("weight_fraction"))),
        (
            f"filler, {balance}",
            f"{read('weight_fraction_read', 'weight_fraction', 100.0)} wt%",
        ),
        ("filler by volume", f"{read('volume_fraction', 'volume_fraction', 100.0)} vol%"),
        ("base : curing agent by mass", mix(sheet.get("mix_ratio"))),
        (
            f"base : curing agent, {balance}",
            f"{read('mix_ratio_read', 'mix_ratio')} : 1"
            if mix(sheet.get("mix_ratio_read")) != "no agent"
            else "no agent",
        ),
        *(solvent if sheet.get("solvent") else []),
        ("film thickness", mm(sheet.get("film_thickness_m"))),
        ("solids of the mix as cast", f"{percent(sheet.get('wet_solids'))} vol%"),
        (
            "solids at which the filler jams",
            f"{percent(sheet.get('packing_limit'))} vol%",
        ),
        (
            "thickening by the filler",
            f"x {three(sheet.get('relative_viscosity'), 'without bound')}",
        ),
        ("can be cast", "yes" if sheet.get("castable") else "no, too stiff"),
    ]


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


def line_of(entry: Any) -> str:
    """Write an entry of any kind in a line."""
    if isinstance(entry, Mapping):
        return ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in entry.items())
    return str(entry)
