"""What counts as films that passed, and what is tried where nothing will do."""

import json
import subprocess
import sys
import tomllib

import numpy as np
import pytest
from reference.findings import findings, plan_with
from reference.formula_records import records
from reference.invented_films import FILM, mixed

from percsim.advice import _passed, plan_readings, text_of_films
from percsim.decision.posterior import Reading
from percsim.decision.target import Target
from percsim.findings import find
from percsim.plan import Plan
from percsim.words.first import remark_lines

TARGET = Target(500.0, 2000.0, pass_share_min=0.8)


def film(ohms, films=1, **state):
    return Reading("film", mixed(0.17), FILM, ohms, films, batch="cup 1", **state)


@pytest.mark.parametrize(
    ("films", "passed"),
    [
        ([film(1000.0)] * 3, True),
        ([film(1000.0)] * 2, False),
        ([film(1000.0, 3)], True),
        ([film(100.0)] * 3, False),
        # one of six is open, where one of five may be; then two of them
        ([film(1000.0)] * 5 + [film(np.inf)], True),
        ([film(1000.0)] * 4 + [film(np.inf)] * 2, False),
        # all conduct at rest and none under strain
        ([film(1000.0)] * 3 + [film(np.inf, strain=3e-3)] * 3, False),
    ],
)
def test_films_pass_where_few_enough_are_open(films, passed):
    assert _passed(films, TARGET) is passed


PLAN = """
[filler]
density = "2250 kg/m3"
diameter = "10 um"
aspect_ratio = 12
[elastomer]
density = "1030 kg/m3"
[film]
thickness = "0.20 mm"
width = "6 mm"
length = "16 mm"
[strain]
points = 4
[explore]
weight_fraction = ["12 wt%", "15 wt%"]
electrode_gap = ["2 mm", "4 mm"]
[boxes]
count = 8
lengths = ["4 D", "6 D"]
[target]
resistance = "0.3 to 3 kohm"
"""


def test_below_the_threshold_a_loading_well_above_it_is_advised():
    plan = Plan.from_dict(tomllib.loads(PLAN))
    found = find(plan, records(plan))
    films = [mix.films for mix in found.mixes]
    assert films[0].threshold.volume_fraction > films[0].explored[-1].volume_fraction
    best = found.recipes[found.decision.best]
    assert best.loading == films[0].explored[-1]
    (told,) = (r for r in found.first.remarks if r.code == "explore higher")
    own = [plan.recipe(w).volume_fraction for w in told.values]
    assert np.divide(own, films[0].threshold.volume_fraction) == pytest.approx(
        [1.3, 1.8], rel=0.04
    )
    low, high = (f"{100 * w:.0f}\xa0wt%" for w in told.values)
    assert any(f"explore {low} to {high}" in line for line in remark_lines(found.first))


def test_films_that_read_open_say_where_the_threshold_is():
    """Boxes say that the highest loading conducts; films of it do not."""
    rows = [
        {"weight_fraction": "30 wt%", "electrode_gap": gap,
         "resistance": "open", "films": 3, "batch": cup}
        for gap in ("2 mm", "3 mm") for cup in ("cup 1", "cup 2")
    ]  # fmt: skip
    found = findings(rows)
    films = found.mix.films
    assert films.threshold.volume_fraction < films.explored[-1].volume_fraction
    (told,) = (r for r in found.first.remarks if r.code == "explore higher")
    assert 0.34 < told.values[0] <= told.values[1]
    assert films.limits.castable(told.values[1])


def test_films_read_at_more_strains_tell_their_resistance_once():
    row = {"weight_fraction": "15 wt%", "electrode_gap": "2 mm", "resistance": "2 kohm",
           "batch": "cup 1", "change": "2 %", "strain": "1000 microstrain"}  # fmt: skip
    further = row | {"change": "4 %", "strain": "2000 microstrain"}
    apart = [{**row, "batch": ""}, {**further, "batch": ""}]
    rows = [row, further, row, *apart, further, {**further, "resistance": "2.1 kohm"}]
    plan = Plan.from_dict(tomllib.loads(PLAN) | {"measured": rows})
    told = [reading.resistance for reading in plan_readings(plan)]
    # two films of cup 1 with one R, at two strains each; the rest are films of their own
    assert told == [2000.0, None, 2000.0, 2000.0, 2000.0, None, 2100.0]


def test_films_read_at_rest_and_strained_tell_what_changed():
    row = {"weight_fraction": "15 wt%", "electrode_gap": "2 mm", "batch": "cup 1"}
    strained = row | {"strain": "1000 microstrain"}
    rows = [
        row | {"resistance": "2 kohm"}, row | {"resistance": "2.5 kohm"},
        strained | {"resistance": "2.1 kohm"}, strained | {"resistance": "2.6 kohm"},
        # one film of another gap, and two: which is which is not told
        row | {"electrode_gap": "3 mm", "resistance": "3 kohm"},
        *[strained | {"electrode_gap": "3 mm", "resistance": f"3.{k} kohm"}
          for k in (1, 2)],
        {**row, "batch": "", "resistance": "2 kohm"},
        {**strained, "batch": "", "resistance": "2.1 kohm"},
    ]  # fmt: skip
    plan = Plan.from_dict(tomllib.loads(PLAN) | {"measured": rows})
    told = plan_readings(plan)
    changes = [r.relative_change for r in told]
    assert changes[2:4] == pytest.approx([0.05, 0.04])
    assert [r.resistance for r in told[2:4]] == [None, None]
    assert changes[:2] + changes[4:] == [None] * 7


def test_films_with_names_are_the_same_in_any_order():
    row = {"weight_fraction": "15 wt%", "electrode_gap": "2 mm", "batch": "cup 1"}
    rest = [row | {"note": "abc"[k], "resistance": f"{k + 1} kohm"} for k in range(3)]
    further = row | {"strain": "1000 microstrain"}
    pulled = [
        further | {"note": "c", "resistance": "open"},
        further | {"note": "b", "resistance": "2.1 kohm"},
        further | {"note": "a", "resistance": "1.1 kohm"},
    ]
    plan = Plan.from_dict(tomllib.loads(PLAN) | {"measured": [*rest, *pulled]})
    changes = [r.relative_change for r in plan_readings(plan)]
    assert changes[:4] == [None] * 4
    assert changes[4:] == pytest.approx([0.05, 0.1])


def test_a_stored_film_is_judged_without_compiled_code(tmp_path):
    """Contacts that remember included; the imports alone would not show it."""
    row = {"weight_fraction": "30 wt%", "electrode_gap": "2 mm", "resistance": "2 kohm"}
    plan = plan_with([row | {"change": "6 %", "strain": "3000 microstrain"}])
    made = {
        "plan": plan.as_dict(),
        "films": text_of_films(plan, [findings().mix.films]),
    }
    (tmp_path / "kept.json").write_text(json.dumps(made))
    script = (
        "import json, sys\n"
        "from percsim.advice import answer, films_of_text\n"
        "from percsim.plan import Plan\n"
        "kept = json.load(open(sys.argv[1]))\n"
        "plan = Plan.from_dict(kept['plan'])\n"
        "films = films_of_text(plan, kept['films'])\n"
        "assert films[0].model.surface.memory is not None\n"
        "print(answer(plan, films).posterior is not None, 'numba' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "kept.json")],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stdout.split() == ["True", "False"]
