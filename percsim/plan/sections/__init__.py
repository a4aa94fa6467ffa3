"""The sections of a plan file: every key with its words, default, unit and range."""

from percsim.plan.sections.ask import (
    BoxesSection,
    ExploreSection,
    HeadSection,
    TargetSection,
    TolerancesSection,
)
from percsim.plan.sections.film import (
    FilmSection,
    PartSection,
    SheetSection,
    StrainSection,
    TemperatureSection,
)
from percsim.plan.sections.mix import (
    ContactsSection,
    ElastomerSection,
    FillerSection,
    PlacementSection,
)
from percsim.plan.sections.section import Section
from percsim.plan.sections.use import (
    BatchSection,
    MeasuredSection,
    SupplySection,
    VibrationSection,
)

__all__ = ["ESSENTIAL", "MODELS", "OPTIONAL", "ROWS", "SECTIONS"]

SECTIONS: dict[str, type[Section]] = {
    "filler": FillerSection,
    "elastomer": ElastomerSection,
    "film": FilmSection,
    "placement": PlacementSection,
    "contacts": ContactsSection,
    "strain": StrainSection,
    "temperature": TemperatureSection,
    "explore": ExploreSection,
    "boxes": BoxesSection,
    "tolerances": TolerancesSection,
    "target": TargetSection,
    "supply": SupplySection,
    "vibration": VibrationSection,
    "batch": BatchSection,
    "sheet": SheetSection,
    "part": PartSection,
}
"""Sections of a plan in the order of a complete plan."""

OPTIONAL = ("supply", "vibration")
"""Sections that ask for something more; without them it is not worked out."""

ROWS: dict[str, type[Section]] = {"measured": MeasuredSection}
"""Sections of which a plan may have none, or many."""

ESSENTIAL = ("filler", "elastomer", "film", "explore")
"""Sections without which there is no plan."""

MODELS: dict[str, type[Section]] = {"": HeadSection, **SECTIONS, **ROWS}
"""All of them by their names, the keys above the first section under none."""
