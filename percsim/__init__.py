"""Monte Carlo percolation simulator for conductive-filler / elastomer composites.

The stages, each a verb that takes one object and returns the next: a `Recipe` is placed as
`Particles`, whose `Links` open at a `State` into a `Network` with a `Solution`; a `Plan`
runs the whole chain over many boxes, films and candidates. Names are imported at first use,
so that `import percsim` costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from percsim.boxes.growth import ThresholdEstimate
    from percsim.boxes.statistics import Estimate
    from percsim.boxes.threshold import recipe_threshold, threshold
    from percsim.errors import (
        ConvergenceError,
        FolderError,
        PercsimError,
        PlacementError,
        PlanError,
    )
    from percsim.links.search import Links, critical_gap, find_links
    from percsim.materials.elastomer import (
        Elastomer,
        Material,
        load_material,
        material_names,
    )
    from percsim.materials.filler import Filler, Orientation
    from percsim.materials.recipe import Recipe
    from percsim.materials.sizes import SizeDistribution
    from percsim.network.backbone import Backbone, find_backbone
    from percsim.network.build import Network, build_network, build_rod_network
    from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
    from percsim.network.sensitivity import (
        BreakingSlope,
        CriticalPath,
        Sensitivities,
        breaking_slope,
        conductance_slope,
        critical_path,
        effective_medium_conductance,
        hottest_share,
        largest_power,
        noise_index,
        sensitivities,
    )
    from percsim.network.solve import Solution, Sweep, solve_network
    from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
    from percsim.particles.box import Box
    from percsim.particles.placement import place_particles
    from percsim.plan import Plan
    from percsim.result import Result, open_folder
    from percsim.run import run_plan
    from percsim.states.strain import Mounting, State
    from percsim.states.temperature import ThermalOpening
    from percsim.survey import open_survey, read_survey, run_survey
    from percsim.units import format_quantity, parse_quantity

__version__ = "0.1.0"

_HOMES = {
    "percsim.errors": (
        "ConvergenceError", "FolderError", "PercsimError", "PlacementError", "PlanError",
    ),
    "percsim.units": ("format_quantity", "parse_quantity"),
    "percsim.materials.filler": ("Filler", "Orientation"),
    "percsim.materials.sizes": ("SizeDistribution",),
    "percsim.materials.elastomer": (
        "Elastomer", "Material", "load_material", "material_names",
    ),
    "percsim.materials.recipe": ("Recipe",),
    "percsim.particles.box": ("Box",),
    "percsim.particles.bodies": ("FLAKE", "ROD", "SPHERE", "Particles"),
    "percsim.particles.placement": ("place_particles",),
    "percsim.links.search": ("Links", "critical_gap", "find_links"),
    "percsim.states.strain": ("Mounting", "State"),
    "percsim.states.temperature": ("ThermalOpening",),
    "percsim.network.laws": ("ContactOpeningLaw", "TunnellingLaw"),
    "percsim.network.build": ("Network", "build_network", "build_rod_network"),
    "percsim.network.backbone": ("Backbone", "find_backbone"),
    "percsim.network.solve": ("Solution", "Sweep", "solve_network"),
    "percsim.network.sensitivity": (
        "BreakingSlope", "CriticalPath", "Sensitivities", "breaking_slope",
        "conductance_slope", "critical_path", "effective_medium_conductance",
        "hottest_share", "largest_power", "noise_index", "sensitivities",
    ),
    "percsim.boxes.statistics": ("Estimate",),
    "percsim.boxes.growth": ("ThresholdEstimate",),
    "percsim.boxes.threshold": ("recipe_threshold", "threshold"),
    "percsim.plan": ("Plan",),
    "percsim.result": ("Result", "open_folder"),
    "percsim.run": ("run_plan",),
    "percsim.survey": ("open_survey", "read_survey", "run_survey"),
}  # fmt: skip
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "FLAKE",
    "ROD",
    "SPHERE",
    "Backbone",
    "Box",
    "BreakingSlope",
    "ContactOpeningLaw",
    "ConvergenceError",
    "CriticalPath",
    "Elastomer",
    "Estimate",
    "Filler",
    "FolderError",
    "Links",
    "Material",
    "Mounting",
    "Network",
    "Orientation",
    "Particles",
    "PercsimError",
    "PlacementError",
    "Plan",
    "PlanError",
    "Recipe",
    "Result",
    "Sensitivities",
    "SizeDistribution",
    "Solution",
    "State",
    "Sweep",
    "ThermalOpening",
    "ThresholdEstimate",
    "TunnellingLaw",
    "__version__",
    "breaking_slope",
    "build_network",
    "build_rod_network",
    "conductance_slope",
    "critical_gap",
    "critical_path",
    "effective_medium_conductance",
    "find_backbone",
    "find_links",
    "format_quantity",
    "hottest_share",
    "largest_power",
    "load_material",
    "material_names",
    "noise_index",
    "open_folder",
    "open_survey",
    "parse_quantity",
    "place_particles",
    "read_survey",
    "recipe_threshold",
    "run_plan",
    "run_survey",
    "sensitivities",
    "solve_network",
    "threshold",
]


def __getattr__(name: str) -> Any:
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
