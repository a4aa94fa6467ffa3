"""Mixes of a plan: other films, powders and ratios."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from plan.plans import changed, faults

from percsim.jobs import box_jobs, estimate, threshold_jobs
from percsim.plan import Plan

MIXES: dict[str, Any] = {
    "explore": {
        "thickness": ["0.1 mm", "0.3 mm", "0.4 mm"],
        "diameter": ["5 um", "10 um"],
        "aspect_ratio": [12, 20],
        "mix_ratio": ["5:1", "10:1"],
    }
}


def test_mixes_are_plans_of_one_value_each() -> None:
    plan = Plan.from_dict(changed(**MIXES))
    assert len(plan.mixes) == 3 * 2 * 2 * 2
    assert plan.n_candidates == 24 * len(plan.weight_fractions) * len(plan.electrode_gaps)
    assert len(set(plan.mixes)) == 24
    for mix in plan.mixes:
        values = dict(mix.mix)
        assert mix.film.thickness == values["thickness"]
        assert mix.median_diameter == pytest.approx(values["diameter"])
        assert mix.fillers[0].median_aspect_ratio == values["aspect_ratio"]
        assert mix.cured_elastomer.mix_ratio == values["mix_ratio"]
        assert mix.fillers[0].size.spread == plan.fillers[0].size.spread
        assert mix.mixes == (mix,)
    plain = Plan.from_dict(changed())
    assert plain.mixes == (plain,)
    assert plain.box_label == ""


def test_sizes_are_tried_with_either_model_of_the_contacts() -> None:
    sizes = {"diameter": ["8 um", "10 um"]}
    plan = Plan.from_dict(changed(explore=sizes, contacts={"model": "affine"}))
    medians = [mix.median_diameter for mix in plan.mixes]
    assert medians == pytest.approx([8e-6, 10e-6])
    assert {mix.law() for mix in plan.mixes} == {plan.law()}


def test_boxes_are_shared_where_nothing_they_depend_on_differs() -> None:
    plan = Plan.from_dict(changed(**MIXES))
    labels: dict[str, set[tuple[float, float]]] = {}
    for mix in plan.mixes:
        values = dict(mix.mix)
        labels.setdefault(mix.box_label, set()).add(
            (values["thickness"], values["mix_ratio"])
        )
    # boxes of 20 D = 100 um and 200 um: films to 150 um and 300 um are thin
    assert len(labels) == 2 * (2 + 3)
    for label, served in labels.items():
        films = {t for t, _ in served}
        assert {r for _, r in served} == {5.0, 10.0}
        if "thickness" in label:
            assert len(films) == 1
        else:
            assert films == ({3e-4, 4e-4} if "diameter 5e-06" in label else {4e-4})
    keys = [job.key for job in box_jobs(plan)]
    assert len(keys) == len(set(keys))
    assert {job.label for job in box_jobs(plan)} == set(labels)


def test_a_value_more_renumbers_no_box() -> None:
    one = Plan.from_dict(changed(explore={"aspect_ratio": [12]}))
    two = Plan.from_dict(changed(explore={"aspect_ratio": [12, 20]}))
    plain = Plan.from_dict(changed(filler={"aspect_ratio": 12}))
    jobs = {job.key: job for job in box_jobs(two)}
    for job, bare in zip(box_jobs(one), box_jobs(plain), strict=True):
        assert jobs[job.key] == job
        # the same box as that of a plan without the list, and stored as the same
        assert replace(job, label="") == bare
        assert job.key == bare.key
        assert bare.key.startswith("box/0.")
        assert job.box_number == bare.box_number
    grown = {job.key: job.plan for job in threshold_jobs(two)}
    assert {job.key for job in threshold_jobs(one)} < set(grown)


def test_thresholds_of_mixes_are_grown_once_each() -> None:
    names = {job.name for job in threshold_jobs(Plan.from_dict(changed(**MIXES)))}
    own = [name for name in names if name.endswith("own")]
    assert len(own) == 4  # two sizes, two aspect ratios; film and mix ratio do not matter
    assert {job.name for job in threshold_jobs(Plan.from_dict(changed()))} == {
        "own", *(f"aspect {ratio}" for ratio in (10, 15, 20, 25)),
    }  # fmt: skip


def test_mix_ratio_moves_the_loading_of_parts_of_the_base() -> None:
    explore = {
        "weight_fraction": None, "phr": ["40 phr"], "curing_agent_counts": False,
        "mix_ratio": ["5:1", "10:1"],
    }  # fmt: skip
    base = changed()
    base["explore"] = {
        k: v for k, v in (base["explore"] | explore).items() if v is not None
    }
    plan = Plan.from_dict(base)
    weights = [mix.weight_fractions[0] for mix in plan.mixes]
    # 0.4 of filler to 1 of base and 1/5 or 1/10 of curing agent
    assert weights == pytest.approx([0.4 / 1.6, 0.4 / 1.5])
    assert {job.recipe.weight_fraction for job in box_jobs(plan)} == set(weights)


@pytest.mark.parametrize(
    ("sections", "expected"),
    [
        ({"boxes": {"count": 20, "most": 10}}, "boxes.most = 10 is below boxes.count = 20"),
        (
            {
                "filler": {
                    "diameter": {
                        "median": "10 um", "geometric_spread": 1.5, "sieve": "2 um to 40 um"
                    }
                },
                "explore": {"diameter": ["5 um"]},
            },
            "explore.diameter does not go with a sieve",
        ),
        (
            {"explore": {"diameter": ["5 um", "2 mm"]}},
            "explore with 2 mm filler: ",
        ),
        ({"explore": {"aspect_ratio": [10, 10]}}, "explore.aspect_ratio (entry 2)"),
        ({"explore": {"thickness": ["2 um"]}}, "explore with 2 um film: film.thickness"),
        (
            {"explore": {"aspect_ratio": [float(n) for n in range(10, 600)],
                         "mix_ratio": ["5:1", "7:1", "10:1"]}},
            "explore asks for ",
        ),
    ],
)  # fmt: skip
def test_faults_of_mixes(sections: dict[str, Any], expected: str) -> None:
    lines = faults(**sections)
    assert any(line.startswith(expected) for line in lines), lines


def test_cautions_of_mixes() -> None:
    words = " ".join(Plan.from_dict(changed(**MIXES)).remarks)
    assert "mix ratios differ in what goes on the balance alone" in words
    many = changed(explore={"aspect_ratio": [float(n) for n in range(10, 80)]})
    assert "candidates: with so many" in " ".join(Plan.from_dict(many).remarks)


def test_the_estimate_knows_the_budget() -> None:
    plain = estimate(Plan.from_dict(changed()), workers=2)
    assert plain["seconds_at_most"] == plain["seconds"]
    staged = estimate(Plan.from_dict(changed(boxes={"count": 20, "most": 60})), workers=2)
    assert staged["n_boxes"] == plain["n_boxes"]
    assert staged["seconds"] == plain["seconds"]
    boxes = plain["seconds"] - 5.0
    assert plain["seconds"] < staged["seconds_at_most"] < 3.2 * boxes + 20.0
    mixed = estimate(Plan.from_dict(changed(explore={"aspect_ratio": [10, 12, 20]})), 2)
    assert mixed["n_boxes"] == 3 * plain["n_boxes"]
    assert mixed["n_candidates"] == 3 * plain["n_candidates"]
