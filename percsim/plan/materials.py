"""From the sections to the materials they name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from percsim.plan.readers import Stated
from percsim.plan.sections import ElastomerSection, FillerSection

if TYPE_CHECKING:
    from percsim.materials.elastomer import Elastomer, Material
    from percsim.materials.filler import Filler, Orientation
    from percsim.materials.stiffness import Modulus


def make_filler(section: FillerSection) -> Filler:
    """Filler of a section, what it leaves out taken from its material."""
    from percsim.materials.elastomer import load_material
    from percsim.materials.filler import Filler
    from percsim.materials.sizes import SizeDistribution

    material = load_material(section.material) if section.material else None
    kind = section.kind or (material.shape if material else "flake")
    sizes = section.length if kind == "rod" else section.diameter
    if sizes is not None:
        size = sizes.distribution()
    elif material is not None:
        size = SizeDistribution(material["size"].value, material["spread"].value)
    else:
        raise ValueError("size is missing")
    aspect = section.aspect_ratio.distribution() if section.aspect_ratio else None
    thickness = section.thickness.value if section.thickness else None
    if kind != "sphere" and aspect is None and thickness is None and material is not None:
        aspect = material["aspect_ratio"].value
    density = (
        section.density
        if section.density is not None or material is None
        else material.density
    )
    expansion = section.thermal_expansion
    if expansion is None:
        expansion = material["thermal_expansion"].value if material else 0.0
    return Filler(
        kind, float(density or 0.0), size, thickness, aspect,
        _make_orientation(section),
        section.name or (material.name if material else kind), expansion,
    )  # fmt: skip


def powder_material(section: FillerSection) -> Material | None:
    """Material whose data file tells of the powder: the one named, or the one it is called.

    So a carbon black does not look foreseeable for having its size written out.
    """
    from percsim.materials.elastomer import load_material

    try:
        material = load_material(section.material or section.name or "")
    except ValueError:
        return None
    return material if material.kind == "filler" else None


def _make_orientation(section: FillerSection) -> Orientation:
    from percsim.materials.filler import Orientation

    if section.order is None:
        return Orientation(section.orientation, section.tilt)
    # in-plane flakes are aligned ones: their normals are about the thickness axis
    return Orientation("aligned", order=section.order)


def make_elastomer(section: ElastomerSection) -> Elastomer:
    """Elastomer of a section, what it leaves out taken from its material."""
    from percsim.materials.elastomer import Elastomer, load_material

    usual: dict[str, Any] = {
        "density": None, "mix_ratio": 10.0, "thermal_expansion": 3.1e-4,
        "poisson_ratio": 0.495, "name": "elastomer",
    }  # fmt: skip
    if section.material:
        material = load_material(section.material)
        usual |= {k: p.value for k, p in material.properties.items() if k in usual}
        usual["name"] = material.name
    given = section.model_dump(mode="python", exclude_none=True)
    return Elastomer(
        **{k: getattr(section, k) if k in given else v for k, v in usual.items()}
    )


def modulus_of(
    stated: Stated | None,
    mix_ratio: float,
    cure_temperature: float | None,
    material: str | None,
) -> Modulus:
    """Modulus as stated, else from mix ratio and cure."""
    from percsim.materials.stiffness import Modulus, elastomer_modulus

    if stated is not None:
        return Modulus.stated(stated.value, stated.basis, stated.source)
    return elastomer_modulus(mix_ratio, cure_temperature, material)
