"""What the data files say of materials, for people: a table of all, a sheet of one."""

from __future__ import annotations

from typing import Any

from percsim.errors import PlanError
from percsim.materials.elastomer import Material, Property, load_material, material_names

__all__ = ["material_sheet", "material_table"]


def material_table() -> list[dict[str, str]]:
    """Name and nature of every material of the data files."""
    order = {"filler": 0, "elastomer": 1, "solvent": 2}
    found = sorted(map(load_material, material_names()), key=lambda m: order.get(m.kind, 3))
    return [{"name": m.name, "is": _nature(m)} for m in found]


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
