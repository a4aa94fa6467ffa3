"""Stage 1. What is mixed -> Recipe: fillers, elastomers, recipes and material data."""

from percsim.materials.elastomer import (
    Elastomer,
    Material,
    Property,
    load_material,
    material_names,
)
from percsim.materials.filler import Filler, Orientation
from percsim.materials.powder import Powder
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.materials.weighing import WeighOut, packing_limit, weigh_out

__all__ = [
    "Elastomer",
    "Filler",
    "Material",
    "Orientation",
    "Powder",
    "Property",
    "Recipe",
    "SizeDistribution",
    "WeighOut",
    "load_material",
    "material_names",
    "packing_limit",
    "weigh_out",
]
