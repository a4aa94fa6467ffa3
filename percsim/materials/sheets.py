"""What the data files say of materials, for people: a table of all, a sheet of one."""

from __future__ import annotations

from typing import Any

from percsim.errors import PlanError
from percsim.materials.elastomer import Material, Property, load_material, material_names
from percsim.materials.powder import expected_threshold
from percsim.materials.recipe import Recipe

__all__ = ["MAIN", "material_sheet", "material_table"]


MAIN = {
    "filler": ("density", "size", "aspect_ratio", "g0"),
    "elastomer": ("density", "mix_ratio", "modulus", "thermal_expansion"),
    "solvent": ("density",),
}
"""Kinds of materials that a plan may name, and the values of most use."""


def material_table(kind: str) -> list[dict[str, Any]]:
    """Name, nature and main values of the materials of a kind.

    Returns
    -------
    list of dict
        `name`, `is`, `MAIN` of the kind in SI, None where the file has none; of fillers
        `threshold`, the loading at which such particles are expected to span, by weight in
        addition-cure silicone.

    """
    rows = []
    for material in map(load_material, material_names(kind)):
        values = {key: material.properties.get(key) for key in MAIN[kind]}
        row: dict[str, Any] = {"name": material.name, "is": _nature(material)}
        row |= {key: None if p is None else p.value for key, p in values.items()}
        if kind == "filler":
            filler, silicone = material.filler(), load_material("silicone").elastomer()
            recipe = Recipe(((filler, 0.1),), silicone)
            spans = recipe.at_volume_fraction(expected_threshold(filler))
            row["threshold"] = spans.weight_fraction
        rows.append(row)
    return rows


def _nature(material: Material) -> str:
    return f"{material.kind}, {material.shape}" if material.shape else material.kind


def material_sheet(name: str) -> dict[str, Any]:
    """Everything the data files say of one material.

    Raises
    ------
    PlanError
        If it is not known, with the nearest.

    """
    try:
        found = load_material(name)
    except ValueError as error:
        raise PlanError([str(error)]) from None

    def shown(p: Property, value: float) -> str:
        return f"{value:g} {p.unit}".removesuffix(" 1")

    values = [
        {
            "name": key.replace("_", " "),
            "value": shown(p, p.value),
            "low": shown(p, p.low),
            "high": shown(p, p.high),
            "basis": p.basis,
            "source": p.source,
        }
        for key, p in found.properties.items()
    ]
    return {
        "name": found.name,
        "is": _nature(found),
        "values": values,
        "cautions": [f"{c.text} ({c.basis}: {c.source})" for c in found.cautions],
    }
