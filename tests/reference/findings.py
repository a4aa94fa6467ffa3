"""Findings of a plan whose boxes follow a formula: what chapters of the summary read."""

from __future__ import annotations

from reference.formula_records import records

from percsim.findings import find
from percsim.plan import Plan

PLAN = {
    "title": "films by a formula",
    "seed": 4711,
    "filler": {
        "name": "graphite flake",
        "density": "2250 kg/m3",
        "diameter": "10 um",
        "aspect_ratio": 15,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "strain": {"points": 3},
    "temperature": {"values": ["20 C", "60 C"]},
    "explore": {
        "weight_fraction": ["22 wt%", "26 wt%", "30 wt%", "34 wt%"],
        "electrode_gap": ["2 mm", "3 mm"],
    },
    "boxes": {
        "lengths": ["10 D", "16 D"], "count": 4, "threshold_count": 20, "variations": 2,
    },
    "target": {"resistance": "0.7 to 3 kohm", "smallest_gauge_factor": 10},
    "tolerances": {"castings": 100},
}  # fmt: skip


def plan_with(measured=(), **sections):
    """PLAN with keys of its sections added, and measured rows."""
    mapping = {key: dict(v) if isinstance(v, dict) else v for key, v in PLAN.items()}
    for section, values in sections.items():
        known = mapping.get(section, {})
        mapping[section] = known | values if isinstance(values, dict) else values
    return Plan.from_dict({**mapping, "measured": list(measured)})


def findings(measured=(), **sections):
    """Findings of such a plan."""
    plan = plan_with(measured, **sections)
    return find(plan, records(plan))


def row_of(candidate, factor=1.0, **keys):
    """What a bench enters that read a multiple of the median of a candidate."""
    recipe = candidate.outlook.recipe
    return {
        "weight_fraction": f"{100 * recipe.loading.weight_fraction:.8g} wt%",
        "electrode_gap": f"{1e3 * recipe.film.electrode_gap:.8g} mm",
        "resistance": f"{factor * candidate.resistance.median:.8g} ohm",
        "films": 3,
        **keys,
    }
