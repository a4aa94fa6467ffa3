"""Weigh-out sheets of several loadings for the terminal."""

from pathlib import Path

import pytest

from percsim.plan import Plan
from percsim.report.weigh_out import sheet_table

EXAMPLE = Path(__file__).parents[2] / "examples" / "bike_patch.toml"


def test_a_mix_is_castable_stiff_or_neither():
    plan = Plan.load(EXAMPLE)
    # solids over those that jam, and how many times (1 - that)^-2 they thicken, by hand
    wanted = {0.34: "yes", 0.50: "stiff", 0.60: "no"}  # 4, 35 and no bound
    sheets = [plan.weigh_out(plan.recipe(w)) for w in wanted]
    assert sheets[0].relative_viscosity == pytest.approx(4.07, abs=0.01)
    assert 20.0 < sheets[1].relative_viscosity < 100.0
    lines = sheet_table(sheets, quiet=True).splitlines()[1:]
    assert [line.split()[-1] for line in lines] == list(wanted.values())
