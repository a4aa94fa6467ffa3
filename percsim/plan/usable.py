"""What a plan with faults can still be checked for."""

from __future__ import annotations

from typing import Any

from percsim.plan.read import Reading
from percsim.plan.sections import ElastomerSection, FillerSection


def find_material(reading: Reading, key: str, name: str | None, kind: str) -> Any:
    """Material by its name; a fault if there is none of that kind."""
    from percsim.materials.elastomer import load_material, material_names

    if name is None or not reading.usable(key):
        return None
    try:
        material = load_material(name)
    except ValueError as error:
        hint = str(error).partition("; ")[2].replace('"', "'")
        if not hint.startswith("did you mean"):
            hint = f"known: {', '.join(material_names(kind))}"
        reading.fault(key, f"= {name!r} is not a known {kind}; {hint}")
    else:
        if material.kind == kind:
            return material
        article = "an" if material.kind[0] in "aeiou" else "a"
        reading.fault(key, f"= {name!r} is {article} {material.kind}, not the {kind}")
    reading.bad.add(key)
    return None


def mixable(reading: Reading) -> bool:
    """Whether the powder and the elastomer can be made from what was read."""
    keys = [f"filler.{k}" for k in (*FillerSection.model_fields, "shape")]
    keys += [f"elastomer.{k}" for k in ElastomerSection.model_fields]
    return reading.usable(*keys)
