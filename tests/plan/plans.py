"""A plan to change one thing of, and the faults of a changed one."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from percsim.errors import PlanError
from percsim.plan import Plan

BASE: dict[str, Any] = {
    "title": "patch",
    "seed": 8161,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.5},
        "aspect_ratio": 15,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {
        "weight_fraction": ["26 wt%", "30 wt%"],
        "electrode_gap": ["2 mm", "3 mm", "5 mm"],
    },
}


def changed(**sections: Any) -> dict[str, Any]:
    """BASE with sections updated; a key set to None is taken out."""
    mapping = copy.deepcopy(BASE)
    for section, values in sections.items():
        if not isinstance(values, dict):
            mapping[section] = values
            continue
        target = mapping.setdefault(section, {})
        for key, value in values.items():
            if value is None:
                target.pop(key, None)
            else:
                target[key] = value
    return mapping


def faults(**sections: Any) -> tuple[str, ...]:
    with pytest.raises(PlanError) as caught:
        Plan.from_dict(changed(**sections), name="film.toml")
    assert all(
        line.startswith("film.toml: ") and "\n" not in line for line in caught.value.faults
    )
    return tuple(line.removeprefix("film.toml: ") for line in caught.value.faults)
