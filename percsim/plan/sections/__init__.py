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
from percsim.plan.sections.patches import PatchesSection
from percsim.plan.sections.section import Section
from percsim.plan.sections.use import (
    BatchSection,
    CyclesSection,
    MeasuredSection,
    SupplySection,
    VibrationSection,
)

__all__ = [
    "ESSENTIAL", "MODELS", "OPTIONAL", "ROWS", "SECTIONS", "BatchSection",
    "BoxesSection", "ContactsSection", "CyclesSection", "ElastomerSection",
    "ExploreSection", "FillerSection", "FilmSection", "HeadSection", "MeasuredSection",
    "PartSection", "PatchesSection", "PlacementSection", "Section", "SheetSection",
    "StrainSection",
    "SupplySection", "TargetSection", "TemperatureSection", "TolerancesSection",
    "VibrationSection",
]  # fmt: skip

SECTIONS: dict[str, type[Section]] = {
    "filler": FillerSection,
    "elastomer": ElastomerSection,
    "placement": PlacementSection,
    "film": FilmSection,
    "sheet": SheetSection,
    "part": PartSection,
    "strain": StrainSection,
    "temperature": TemperatureSection,
    "explore": ExploreSection,
    "target": TargetSection,
    "supply": SupplySection,
    "vibration": VibrationSection,
    "cycles": CyclesSection,
    "patches": PatchesSection,
    "batch": BatchSection,
    "tolerances": TolerancesSection,
    "contacts": ContactsSection,
    "boxes": BoxesSection,
}
"""Sections of a plan in the order of a complete plan."""

GROUPS = {
    "filler": "What is mixed",
    "film": "What is cast, and what it sits on",
    "explore": "What is tried, and what it must reach",
    "batch": "What the bench does",
    "contacts": "What is assumed, and how much is computed",
    "measured": "What was read",
}
"""Headings of a complete plan, by the section that each stands above."""

OPTIONAL = ("supply", "vibration", "patches")
"""Sections that ask for something more; without them it is not worked out."""

ROWS: dict[str, type[Section]] = {"measured": MeasuredSection}
"""Sections of which a plan may have none, or many."""

ESSENTIAL = ("filler", "elastomer", "film", "explore")
"""Sections without which there is no plan."""

MODELS: dict[str, type[Section]] = {"": HeadSection, **SECTIONS, **ROWS}
"""All of them by their names, the keys above the first section under none."""
