"""Sheet and part against the film on them, and names against the data files."""

from __future__ import annotations

from percsim.materials.elastomer import load_material, material_names
from percsim.plan.mixes import Mixes
from percsim.plan.read import Reading
from percsim.plan.sections.film import PartSection, StrainSection
from percsim.plan.write import length

__all__ = ["check_part", "check_sheet", "name_is_known"]


def name_is_known(reading: Reading, key: str, name: str | None, kind: str) -> bool:
    """Whether a name is that of a material of a kind, if one is given; else a fault."""
    if name is None or not reading.usable(key):
        return True
    try:
        found = load_material(name).kind
    except ValueError as error:
        hint = str(error).partition("; ")[2].replace('"', "'")
        if not hint.startswith("did you mean"):
            hint = f"known: {', '.join(material_names(kind))}"
        what = f"= {name!r} is not a known {kind}; {hint}"
    else:
        if found == kind:
            return True
        article = "an" if found[0] in "aeiou" else "a"
        what = f"= {name!r} is {article} {found}, not the {kind}"
    reading.fault(key, what, spoils=key)
    return False


def check_sheet(plan: Mixes, reading: Reading) -> None:
    """Refuse a sheet without a thickness."""
    if not reading.usable("sheet"):
        return
    sheet = plan.sheet
    if not name_is_known(reading, "sheet.material", sheet.material, "elastomer"):
        return
    if sheet.given() and sheet.thickness is None and reading.usable("sheet.thickness"):
        reading.missing("sheet.thickness")


def check_part(plan: Mixes, reading: Reading) -> None:
    """Refuse a part that is not fully said, says things twice, or cannot be bent."""
    if not reading.usable("part.*"):
        return
    part, usual = plan.part, PartSection()
    strays = [
        k for k in ("side", "control", "bent") if getattr(part, k) != getattr(usual, k)
    ]
    if not plan.has_part and not strays and part.poisson_ratio is None:
        return
    if part.modulus is not None and part.rigid:
        reading.fault("part.modulus", "is there besides rigid = true; give one of them")
    elif part.modulus is None and not part.rigid:
        reading.missing("part.modulus", ", or rigid = true")
    if part.radius is None:
        for name in strays:
            if name != "control":
                what = 'needs a radius, written like radius = "25 mm"'
                reading.fault(f"part.{name}", what)
    if part.rigid and part.control == "force":
        reading.fault("part.control", "= 'force' strains no rigid part; give its modulus")
    shared = [k for k in strays if getattr(part, k) in ("force", "after bonding")]
    if part.thickness is None and shared and not part.rigid:
        why = f"{shared[0]} = {getattr(part, shared[0])!r}"
        what = f'is missing; with {why} write it like thickness = "1.5 mm"'
        reading.fault("part.thickness", what)
    _check_part_in_strain(plan, reading)
    if part.radius is not None:
        _check_bending(plan, reading, part.radius)
    if part.misalignment is not None and reading.usable("strain.mounting"):
        if plan.strain.mounting != "bonded":
            what = f"needs mounting = 'bonded', not {plan.strain.mounting!r}"
            reading.fault("part.misalignment", what)


def _check_part_in_strain(plan: Mixes, reading: Reading) -> None:
    """Refuse two Poisson ratios of one part."""
    own, key = plan.part.poisson_ratio, "strain.part_poisson_ratio"
    if own is None or not reading.usable(key):
        return
    other = plan.strain.part_poisson_ratio
    if other not in (StrainSection().part_poisson_ratio, own):
        what = f"= {own:g} is not {key} = {other:g}; give one of them"
        reading.fault("part.poisson_ratio", what)


def _check_bending(plan: Mixes, reading: Reading, radius: float) -> None:
    """Refuse layers too thick for the radius of their surface."""
    part = plan.part
    if reading.usable("film.thickness", "sheet.thickness"):
        stack = plan.film.thickness + (plan.sheet.thickness or 0.0)
        if radius <= stack:
            what = "film and sheet" if plan.sheet.thickness else "film"
            reading.fault(
                "part.radius",
                f"= '{length(radius)}' is not above the thickness of {what},"
                f" '{length(stack)}'; they cannot be bent to it",
            )
    bent_outside = part.bent == "after bonding" and part.side == "outer"
    if part.thickness is None or part.rigid or not bent_outside:
        return
    if part.thickness >= radius:
        reading.fault(
            "part.thickness",
            f"= '{length(part.thickness)}' must be below the radius of its outer"
            f" surface, '{length(radius)}'; give that of the wall",
        )
