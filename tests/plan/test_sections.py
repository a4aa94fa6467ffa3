"""Sections: what is written under a key reaches the type of the stage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest
from plan.plans import changed

from percsim.plan import Plan
from percsim.plan.readers import Number
from percsim.plan.sections import MODELS
from percsim.plan.sections.ask import TargetSection, TolerancesSection
from percsim.plan.sections.section import Section, key, usual, words_of

AT_THE_SUPPLY = {"supply": {"voltage": "5 V"}, "temperature": {"values": ["0 C", "40 C"]}}
TWICE = {"%": "37 %", "mm": "0.7 mm", "deg": "3 deg", "microstrain": "33 microstrain"}


@dataclass(frozen=True)
class Stage:
    width: float
    height: float
    depth: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Box(Section):
    """A made-up section."""

    width: float = usual(Number(0.0, 9.0), 2.0)
    """How wide it is,
    at most.
    """

    tall: float | None = key(Number(0.0, 9.0), 3.0, stage="height")
    """How tall it is."""

    colour: float = usual(Number(0.0, 9.0), 1.0)
    """What no stage asks for."""


def test_a_section_builds_what_it_stands_for() -> None:
    assert Box(tall=5.0).build(Stage, depth=7.0) == Stage(2.0, 5.0, 7.0)
    assert Box().written({"tall": 4.0}) == {"width": 2.0, "tall": 4.0, "colour": 1.0}
    assert words_of(Box)["width"] == "How wide it is, at most."


def test_a_name_that_the_stage_does_not_have_is_no_silence() -> None:
    @dataclass(frozen=True)
    class Renamed:
        width: float

    with pytest.raises(TypeError, match="height"):
        Box().build(Renamed)


@pytest.mark.parametrize("section", list(MODELS))
def test_every_key_has_words(section: str) -> None:
    model = MODELS[section]
    assert list(words_of(model)) == list(model.keys())


@pytest.mark.parametrize("name", list(TargetSection.keys()))
def test_every_key_of_the_target_reaches_the_decision(name: str) -> None:
    example: Any = TargetSection.keys()[name].example
    other = {"pass_share": "37 %", "supply": "4 V", "pull": "first"}.get(name, example)
    own = {} if name in ("supply", "series_resistor") else AT_THE_SUPPLY
    plain = Plan.from_dict(changed(**own))
    asked = Plan.from_dict(changed(**own, target={name: other}))
    assert asked.decision_target() != plain.decision_target()


@pytest.mark.parametrize(
    "name",
    [
        k
        for k in TolerancesSection.keys()
        if (k not in ("castings", "known_within") and not k.endswith("_within"))
        or k == "mixing_within"
    ],
)
def test_every_tolerance_reaches_the_castings(name: str) -> None:
    what = TolerancesSection.keys()[name]
    unit = what.example.split(maxsplit=1)[1]
    plain, other = Plan.from_dict(changed()), changed(tolerances={name: TWICE[unit]})
    assert Plan.from_dict(other).tolerances != plain.tolerances


@pytest.mark.parametrize(
    "key",
    [{"known_within": 3}, {"aspect_ratio_within": "cup"}, {"particle_size_within": "cup"}],
)
def test_what_shares_a_tolerance_reaches_the_bench(key: dict[str, object]) -> None:
    plain, other = Plan.from_dict(changed()), Plan.from_dict(changed(tolerances=key))
    assert other.bench(-1.0, 0.0) != plain.bench(-1.0, 0.0)


@pytest.mark.parametrize("name", ["film_conductivity", "sheet_conductivity", "still_air"])
def test_cooling_reaches_the_heat_path(name: str) -> None:
    unit = "W/m2K" if name == "still_air" else "W/mK"
    supply = {"voltage": "5 V", name: f"1.3 {unit}"}
    plain = Plan.from_dict(changed(**AT_THE_SUPPLY))
    other = Plan.from_dict(changed(**AT_THE_SUPPLY | {"supply": supply}))
    assert other.heat_path() != plain.heat_path()
