"""Boxes spent in stages: the best is found as often as stated, whoever runs them when."""

import copy
import sqlite3

import numpy as np
import pytest
from pandas import read_csv
from quick import run_quickly
from reference import stored_boxes
from reference.stored_boxes import PLAN, StoredBoxes
from test_run import SMALL, digits

import percsim.run
from percsim.boxes.store import Store
from percsim.decision.candidates import pick_outlook
from percsim.findings import assemble
from percsim.findings import mixes as gathering
from percsim.findings.judged import planned_outlooks
from percsim.findings.mixes import gather_mixes
from percsim.findings.stages import Stages, n_looks, next_stage
from percsim.jobs import box_jobs, first_boxes
from percsim.plan import Plan
from percsim.run import run_plan
from percsim.words.candidates import named


def plan_with(**sections):
    content = copy.deepcopy(PLAN)
    for name, keys in sections.items():
        content[name] = content[name] | keys
    return Plan.from_dict(content)


@pytest.fixture
def known_threshold(monkeypatch):
    monkeypatch.setattr(
        gathering, "gather_threshold", lambda mix, records: ({}, stored_boxes.THRESHOLD)
    )


def good_choices(plan):
    """Names of the candidates within a per cent of the best, from boxes without scatter."""
    found = gather_mixes(plan, box_jobs(plan), StoredBoxes(plan, 0, 1e-9))
    outlooks = [o for mix in found for o in planned_outlooks(mix, 20)]
    target = plan.decision_target()
    best, _ = pick_outlook(outlooks, target)
    if best is None:
        return set()
    shares = [o.weights @ o.pass_shares(target) for o in outlooks]
    meet = [pick_outlook([o], target)[0] is not None for o in outlooks]
    return {
        named(o.recipe, found[o.recipe.mix].words)
        for o, share, meets in zip(outlooks, shares, meet, strict=True)
        if meets and share >= shares[best] - 0.01 - 1e-9
    }


def selections(plan, seeds, spread):
    """Whether each run with a verdict of "known" chose well, and boxes spent by all."""
    good, right, boxes = good_choices(plan), [], []
    for seed in seeds:
        stages = next_stage(plan, StoredBoxes(plan, seed, spread))
        boxes.append(sum(stages.boxes.values()))
        last = stages.looks[-1]
        if stages.verdict == "known":
            right.append(last.choice in good if last.meets_target else not good)
    return right, boxes


THREE = {"weight_fraction": ["27 wt%", "30 wt%", "33 wt%"], "electrode_gap": ["2 mm"]}


def test_the_best_is_found_as_often_as_stated(known_threshold):
    plan = plan_with(
        explore=THREE,
        boxes={"count": 6, "most": 30, "confidence": "80 %"},
        tolerances={"castings": 100},
    )
    assert len(good_choices(plan)) == 1
    right, boxes = selections(plan, range(100, 114), spread=0.3)
    assert len(right) >= 7  # most are settled inside the budget
    assert np.mean(right) >= 0.8
    assert np.mean(boxes) < 0.95 * 3 * 30


# 33 wt% passes 87 %, 30 wt% 82 % (in a window of 0.43 kohm and up): hard to tell apart.
# Asked for 80 %, 22 of 23 settled runs of 80 were right; with the confidence asked at every
# look, not shared out among them, 59 of 62. Asked for 60 %: 37 of 38, and 69 of 78.
HARD, EASY = {"resistance": "0.43 to 1.2 kohm"}, {"resistance": "0.3 to 1.2 kohm"}


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spread", "confidence", "target"),
    [(0.3, 0.95, EASY), (0.3, 0.8, EASY), (0.2, 0.8, HARD), (0.2, 0.6, HARD)],
)
def test_the_best_is_found_as_often_as_stated_over_many_seeds(
    known_threshold, spread, confidence, target
):
    plan = plan_with(
        explore=THREE,
        boxes={"count": 8, "most": 40, "confidence": f"{100 * confidence:g} %"},
        tolerances={"castings": 100},
        target=target,
    )
    right, _ = selections(plan, range(1000, 1080), spread)
    error = np.sqrt(confidence * (1 - confidence) / max(len(right), 1))
    assert len(right) >= 20
    assert np.mean(right) >= confidence - error


def test_that_nothing_meets_the_target_is_found_too(known_threshold):
    plan = plan_with(
        explore=THREE,
        boxes={"count": 6, "most": 30},
        tolerances={"castings": 100},
        target={"resistance": "20 to 60 ohm"},
    )
    assert good_choices(plan) == set()
    stages = next_stage(plan, StoredBoxes(plan, 3, 0.2))
    assert stages.verdict == "known"
    assert len(stages.looks) == 1  # far outside the window: seen at once
    assert not stages.looks[0].meets_target


def test_more_boxes_go_to_the_loadings_between_which_it_is_open(known_threshold):
    plan = plan_with(
        explore=THREE
        | {"weight_fraction": ["12 wt%", "14 wt%", "27 wt%", "30 wt%", "33 wt%"]},
        boxes={"count": 6, "most": 30},
        tolerances={"castings": 100},
    )
    stages = next_stage(plan, StoredBoxes(plan, 11, 0.5))
    spent = {round(100 * w): n for (_, w), n in stages.boxes.items()}
    assert spent[12] == spent[14] == 6  # open films, decided at the first look
    assert spent[33] > 6


def test_a_look_sees_no_box_of_a_later_stage(known_threshold):
    plan = plan_with(
        explore=THREE, boxes={"count": 6, "most": 14}, tolerances={"castings": 100}
    )
    whole = StoredBoxes(plan, 17, 0.8)
    end = next_stage(plan, whole)
    assert end.verdict == "spent"
    assert n_looks(plan) == len(end.looks) == 3
    # stage by stage, with what is stored by then, as a run goes
    stages, stored = next_stage(plan, {}), {}
    assert stages == Stages(first_boxes(plan), (), "running")
    while stages.verdict == "running":
        for job in box_jobs(plan, stages.boxes):
            stored[job.key] = whole.get(job.key)
        stages = next_stage(plan, stored, stages)
    assert stages == end
    assert next_stage(plan, whole.snapshot()) == end


def test_one_stage_unless_more_is_asked():
    plan = plan_with(boxes={"count": 8, "most": 8})
    assert next_stage(plan, {}) == Stages(first_boxes(plan), (), "one stage")


# --- real boxes: any number of workers, killed between stages and inside one

STAGED = SMALL.replace("count = 4", "count = 4\nmost = 9").replace(
    'values = ["20 C", "40 C"]', 'values = ["20 C"]'
)


@pytest.fixture(scope="module")
def staged_plan(tmp_path_factory):
    path = tmp_path_factory.mktemp("staged") / "staged.toml"
    path.write_text(STAGED)
    return Plan.load(path)


@pytest.fixture(scope="module")
def staged(staged_plan, tmp_path_factory):
    return run_quickly(staged_plan, tmp_path_factory.mktemp("staged") / "out", workers=1)


def test_a_staged_run_says_what_it_spent(staged):
    front = staged.summary["front"]
    assert front["verdict"] in ("known", "spent")
    assert len(front["stages"]) >= 2
    first, last = front["stages"][0], front["stages"][-1]
    assert first["boxes"] == 3 * 4
    assert last["boxes"] > first["boxes"]
    assert staged.summary["complete"]
    counts = {c["weight_fraction"]: c["n_boxes"] for c in staged.summary["candidates"]}
    assert len(set(counts.values())) > 1  # not every loading was worth more


def test_killed_between_stages_and_resumed_with_other_workers(
    staged, staged_plan, tmp_path, monkeypatch
):
    calls, run_jobs = [], percsim.run.run_jobs

    def killed_at_the_second(*arguments, **keywords):
        calls.append(len(arguments[1]))
        if len(calls) == 2:
            raise KeyboardInterrupt
        return run_jobs(*arguments, **keywords)

    monkeypatch.setattr(percsim.run, "run_jobs", killed_at_the_second)
    with pytest.raises(KeyboardInterrupt):
        run_quickly(staged_plan, tmp_path / "out", workers=2)
    assert calls[1] > calls[0]
    monkeypatch.undo()
    again = run_quickly(staged_plan, tmp_path / "out", workers=2)
    assert digits(again.folder) == digits(staged.folder)
    # a part of the last stage lost as well: looks before it come out the same
    with sqlite3.connect(again.folder / "results.sqlite") as store:
        store.execute("DELETE FROM boxes WHERE key LIKE '%/7' OR key LIKE '%/8'")
    store.close()
    repaired = run_quickly(staged_plan, tmp_path / "out", workers=1)
    assert digits(repaired.folder) == digits(staged.folder)


# --- mixes


def test_a_mix_is_judged_as_a_plan_of_its_own_would_be(tmp_path):
    listed = SMALL.replace(
        "electrode_gap = [",
        'thickness = ["0.2 mm", "0.3 mm"]\nmix_ratio = ["5:1", "10:1"]\nelectrode_gap = [',
    ).replace('values = ["20 C", "40 C"]', 'values = ["20 C"]')
    plan = plan_from(listed, tmp_path / "listed.toml")
    result = run_plan(plan, tmp_path / "out", workers=1)
    candidates = result.summary["candidates"]
    assert len(candidates) == 4 * 3 * 2
    assert len(result.summary["mixes"]) == 4
    # thick films and mix ratios share their boxes
    assert {job.key.count("/") for job in box_jobs(plan)} == {3}
    with Store.read(result.folder) as store:
        records = store.records()
    single = SMALL.replace('thickness = "0.20 mm"', 'thickness = "0.3 mm"')
    single = single.replace('"7:1"', '"10:1"').replace('["20 C", "40 C"]', '["20 C"]')
    summary, _, _ = assemble(plan_from(single, tmp_path / "single.toml"), records)
    mine = [
        {k: v for k, v in c.items() if k not in ("film_thickness_m", "best_confidence")}
        for c in candidates
        if (c["film_thickness_m"], c["mix_ratio"]) == (0.3e-3, 10.0)
    ]
    alone = [
        {k: v for k, v in c.items() if k != "best_confidence"}
        for c in summary["candidates"]
    ]
    assert mine == alone
    # columns name what varies, and boxes that all share say nothing of it
    castings = read_csv(result.folder / "castings.csv")
    assert set(castings["film_thickness (mm)"]) == {0.2, 0.3}
    assert "film_thickness (mm)" not in read_csv(result.folder / "boxes.csv")
    assert result.figure_failures == ()
    page = (result.folder / "report.html").read_text()
    assert "Of the mix that decides" in page
    # equal but for what goes on the balance: neither ratio is ahead of the other
    shares = {}
    for c in candidates:
        key = (c["film_thickness_m"], c["weight_fraction"], c["electrode_gap_m"])
        shares.setdefault(key, set()).add(c["pass_share"]["value"])
    assert all(len(values) == 1 for values in shares.values())


def plan_from(text, path):
    path.write_text(text)
    return Plan.load(path)
