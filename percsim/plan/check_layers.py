"""Sheet and part against the film on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from percsim.plan.read import Reading
from percsim.plan.sections import PartSection, StrainSection
from percsim.plan.usable import find_material
from percsim.units import format_quantity

if TYPE_CHECKING:
    from percsim.plan.build import Plan


def _length(value: float) -> str:
    return format_quantity(value, "length")


def _check_sheet(plan: Plan, reading: Reading) -> None:
    sheet = plan.sheet
    if sheet is None:
        return
    before = len(reading.lines)
    find_material(reading, "sheet.material", sheet.material, "elastomer")
    if len(reading.lines) > before:
        return
    given = [k for k in type(sheet).model_fields if getattr(sheet, k) is not None]
    if given and sheet.thickness is None and reading.usable("sheet.thickness"):
        reading.fault("sheet.thickness", 'is missing; write it like thickness = "0.15 mm"')


def _check_part(plan: Plan, reading: Reading) -> None:
    part = plan.part
    if part is None or not reading.usable(*(f"part.{k}" for k in PartSection.model_fields)):
        return
    usual = PartSection()
    strays = [
        k for k in ("side", "control", "bent") if getattr(part, k) != getattr(usual, k)
    ]
    if not plan.has_part and not strays and part.poisson_ratio is None:
        return
    if part.modulus is not None and part.rigid:
        reading.fault("part.modulus", "is there besides rigid = true; give one of them")
    elif part.modulus is None and not part.rigid:
        reading.fault(
            "part.modulus",
            'is missing; write it like modulus = "70 GPa", or rigid = true',
        )
    if part.radius is None:
        for name in ("side", "bent"):
            if name in strays:
                reading.fault(
                    f"part.{name}", 'needs a radius, written like radius = "25 mm"'
                )
    if part.rigid and part.control == "force":
        reading.fault("part.control", "= 'force' strains no rigid part; give its modulus")
    shared = part.control == "force" or part.bent == "after bonding"
    if part.thickness is None and shared and not part.rigid:
        why = "control = 'force'" if part.control == "force" else "bent = 'after bonding'"
        reading.fault(
            "part.thickness", f'is missing; with {why} write it like thickness = "1.5 mm"'
        )
    usual_ratio = StrainSection().part_poisson_ratio
    if (
        part.poisson_ratio is not None and plan.strain is not None
        and reading.usable("strain.part_poisson_ratio")
        and plan.strain.part_poisson_ratio not in (usual_ratio, part.poisson_ratio)
    ):  # fmt: skip
        reading.fault(
            "part.poisson_ratio",
            f"= {part.poisson_ratio:g} is not strain.part_poisson_ratio ="
            f" {plan.strain.part_poisson_ratio:g}; give one of them",
        )
    if (
        part.radius is not None and plan.film is not None and plan.sheet is not None
        and reading.usable("film.thickness", "sheet.thickness")
    ):  # fmt: skip
        stack = plan.film.thickness + (plan.sheet.thickness or 0.0)
        if part.radius <= stack:
            what = "film and sheet" if plan.sheet.thickness else "film"
            reading.fault(
                "part.radius",
                f"= '{_length(part.radius)}' is not above the thickness of {what},"
                f" '{_length(stack)}'; they cannot be bent to it",
            )
    if (
        part.radius is not None and part.thickness is not None and not part.rigid
        and part.bent == "after bonding" and part.side == "outer"
        and part.thickness >= part.radius
    ):  # fmt: skip
        reading.fault(
            "part.thickness",
            f"= '{_length(part.thickness)}' must be below the radius of its outer"
            f" surface, '{_length(part.radius)}'; give that of the wall",
        )
    if part.misalignment is not None and plan.strain is not None:
        if reading.usable("strain.mounting") and plan.strain.mounting != "bonded":
            reading.fault(
                "part.misalignment",
                f"needs mounting = 'bonded', not {plan.strain.mounting!r}",
            )
