"""What to mind with a plan's materials: once each, the worst first, each with a source."""

from __future__ import annotations

import tomllib

import pytest

from percsim.materials import load_material, material_names
from percsim.materials.cautions import CLOSING, DANGERS, Caution, by_danger
from percsim.plan import Plan
from percsim.plan.short import short_plan

BASES = {"published", "from memory", "common practice"}


@pytest.mark.parametrize("name", material_names())
def test_every_material_says_what_to_mind_and_where_it_is_said(name: str) -> None:
    cautions = load_material(name).cautions
    assert cautions
    for caution in cautions:
        assert caution.basis in BASES
        assert (caution.source == "no source") == (caution.basis == "common practice")
        assert caution.text.endswith(".")
        assert caution.text.count(". ") == 0
    if load_material(name).kind == "filler":
        assert {"lungs", "shorts", "cure"} <= {c.danger for c in cautions}


def test_the_worst_comes_first_each_once_and_the_closing_line_last() -> None:
    made = [
        Caution("cure", "b.", "from memory", "x"),
        Caution("explosion", "a.", "from memory", "x"),
        Caution("cure", "b.", "from memory", "x"),
    ]
    assert by_danger(made) == ("a.", "b.", CLOSING)
    assert DANGERS.index("explosion") < DANGERS.index("lungs") < DANGERS.index("cure")
    for wrong in ({"danger": "noise"}, {"text": 21 * "word "}):
        with pytest.raises(ValueError, match=r"one of|at most"):
            Caution(**{"danger": "cure", "text": "b.", "basis": "", "source": ""} | wrong)


def test_a_plan_has_those_of_its_powder_elastomer_and_solvent() -> None:
    plan = tomllib.loads(short_plan("graphite flake", "addition-cure silicone", "bars"))
    told = " ".join(Plan.from_dict(plan).cautions)
    for word in ("St 1", "2.5 mg/m3", "sulphur", "hydrogen", "Degas", "platinum"):
        assert word in told
    assert "vapour" not in told
    plan["batch"] = {"solvent": "heptane", "solvent_mass_ratio": "0.5:1"}
    cautions = Plan.from_dict(plan).cautions
    assert cautions[1].startswith("Its vapour ignites from -4 C")
    assert cautions[-1] == CLOSING
    assert len(cautions) == len(set(cautions))
    # without a data file: what holds for any powder, and for a platinum cure
    own = {"density": "4 g/cm3", "diameter": "8 um", "aspect_ratio": 10, "name": "mine"}
    unknown = plan | {"filler": own, "elastomer": {"density": "1 g/cm3"}}
    told = " ".join(Plan.from_dict(unknown).cautions)
    assert "safety data sheet" in told
    assert "Si-H" in told
    silver = plan | {"filler": own | {"name": "silver flake"}}
    assert any("Fatty acids" in line for line in Plan.from_dict(silver).cautions)
