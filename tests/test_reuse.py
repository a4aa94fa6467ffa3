"""A plan changed and run again in its folder: what is solved again, and what is refused."""

import json
import shutil
import sqlite3
import sys

import pytest
from test_run import SMALL, digits

import percsim.run
from percsim.boxes import fingerprint
from percsim.boxes.store import DATABASE, Store
from percsim.boxes.workers import Interrupted
from percsim.errors import FolderError
from percsim.plan import Plan
from percsim.run import box_jobs, read_findings, redraw, run_plan

STAGED = SMALL.replace("count = 4", 'count = 4\nmost = 12\nconfidence = "90 %"')
EASY = ('resistance = "0.3 to 3 kohm"', 'resistance = "0.01 to 3000 kohm"')
SWAPS = {
    "easier target": [EASY],
    "target out of reach": [('"0.3 to 3 kohm"', '"1 to 2 Gohm"')],
    "afterwards": [
        ('title = "Small', 'title = "Another'),
        ("castings = 300", 'castings = 250\nweighing = "3 %"'),
        ('series_resistor = "1.8 kohm"\n', ""),
        ("[target]", '[supply]\nvoltage = "5 V"\nseries_resistor = "4.7 kohm"\n[target]'),
        ('["2 mm", "4 mm"]', '["2 mm", "3 mm", "4 mm"]'),
    ],
}


def plan_of(text, *swaps, name="small.toml"):
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new)
    import tomllib

    plan = Plan.from_dict(tomllib.loads(text), name=name)
    object.__setattr__(plan, "text", text)
    return plan


@pytest.fixture(autouse=True)
def _quick(no_pictures):
    """No pictures, few draws: what is compared here was drawn alike on both sides."""
    few = {
        "temperature.DRAWS": 128,
        "film.FILMS": 20,
    }
    with pytest.MonkeyPatch.context() as patch:  # its own: a test may undo others
        for name, count in few.items():
            # functions of the package have the names of their modules
            module, _, what = name.partition(".")
            patch.setattr(sys.modules[f"percsim.findings.{module}"], what, count)
        patch.setattr("percsim.film.variance.RESAMPLES", 20)
        yield


@pytest.fixture
def staged(shared):
    """A finished run of the staged plan; whoever writes takes a copy."""
    return shared("staged", lambda out: run_plan(plan_of(STAGED), out, workers=1))


@pytest.fixture
def folder(staged, tmp_path):
    """A finished run of the staged plan, to be changed."""
    return shutil.copytree(staged, tmp_path / "out")


class Counted:
    """Counts jobs run, through the progress; may stop a run after some."""

    def __init__(self, stop_after=None):
        self.ran, self.last, self.stop_after = 0, 0, stop_after

    def __call__(self, done, total, failed, rate, left):
        if rate > 0.0:
            self.ran += 1
        if self.stop_after is not None and self.ran >= self.stop_after:
            raise KeyboardInterrupt


def n_stored(folder):
    with Store.read(folder) as store:
        return len(store.keys())


@pytest.mark.parametrize("change", SWAPS)
def test_what_is_judged_afterwards_solves_no_box_that_is_there(folder, tmp_path, change):
    plan = plan_of(STAGED, *SWAPS[change])
    before, counted = n_stored(folder), Counted()
    run_plan(plan, folder, workers=1, progress=counted)
    # stages may go on where the new target leaves the choice open, and only there
    assert n_stored(folder) == before + counted.ran
    run_plan(plan, tmp_path / "fresh", workers=1)
    assert digits(folder) == digits(tmp_path / "fresh")
    if "target" in change:
        assert counted.ran == 0
    if change == "target out of reach":
        # known at the first look: boxes of later stages are there and are not counted
        assert n_stored(tmp_path / "fresh") < before
    assert (folder / "plan.toml").read_text() == plan.text
    assert json.loads((folder / "summary.json").read_text())["plan"] == plan.as_dict()
    # and all that reads a folder goes by the new plan
    page = digits(folder)
    redraw(folder)
    assert digits(folder) == page
    again = read_findings(plan, folder).whole
    assert [c.meets_target for c in again.candidates] == [
        row["meets_target"] for row in page[0]["candidates"]
    ]


def test_back_to_the_plan_before(folder):
    first = digits(folder)
    run_plan(plan_of(STAGED, EASY), folder, workers=1)
    assert digits(folder) != first
    counted = Counted()
    run_plan(plan_of(STAGED), folder, workers=1, progress=counted)
    assert counted.ran == 0
    assert digits(folder) == first


@pytest.fixture
def single(shared):
    """A finished run of the small plan; whoever writes takes a copy."""
    return shared("small-quick", lambda out: run_plan(plan_of(SMALL), out, workers=1))


def test_a_loading_more_runs_its_own_boxes_alone(single, tmp_path):
    folder = shutil.copytree(single, tmp_path / "out")
    plan = plan_of(SMALL, ('"36 wt%"]', '"36 wt%", "40 wt%"]'))
    counted = Counted()
    run_plan(plan, folder, workers=1, progress=counted)
    assert counted.ran == 6 + 5 + 4
    run_plan(plan, tmp_path / "fresh", workers=1)
    assert digits(folder) == digits(tmp_path / "fresh")


def test_other_loadings_of_the_same_film_are_no_other_plan(single, tmp_path):
    folder = shutil.copytree(single, tmp_path / "out")
    plan = plan_of(SMALL, ('["10 wt%", "30 wt%", "36 wt%"]', '["33 wt%"]'))
    counted = Counted()
    run_plan(plan, folder, workers=1, progress=counted)
    assert counted.ran == 6 + 5 + 4
    # a list of one value makes the same boxes as the value itself
    listed = plan_of(
        SMALL,
        ("aspect_ratio = 12\n", "aspect_ratio = 15\n"),
        ("[boxes]", "aspect_ratio = [12]\n[boxes]"),
    )
    keys = {job.key for job in box_jobs(plan_of(SMALL))}
    assert {job.key for job in box_jobs(listed)} == keys


def everything(folder):
    # the database's own side files come and go with readers
    return {
        p.name: p.read_bytes()
        for p in folder.iterdir()
        if p.is_file() and not p.name.startswith("results.sqlite-")
    }


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("aspect_ratio = 12", "aspect_ratio = 15", "[filler] aspect_ratio: 12"),
        ("seed = 88012", "seed = 5", "seed: 88012 there, 5 here"),
        ('["20 C", "40 C"]', '["20 C", "60 C"]', "[temperature] values: "),
        ('closed_at = "-40 C"', 'closed_at = "-30 C"', "[contacts] closed_at: "),
    ],
)
def test_other_boxes_are_refused_by_name_and_nothing_changes(
    single, tmp_path, old, new, named
):
    single = shutil.copytree(single, tmp_path / "out")
    before = everything(single)
    plan = plan_of(SMALL, (old, new), EASY)
    for attempt in (
        lambda: run_plan(plan, single, workers=1),
        lambda: read_findings(plan, single),
    ):
        with pytest.raises(FolderError, match="another plan") as error:
            attempt()
        text = str(error.value)
        assert "\n" not in text
        assert named in text
        assert "resistance" not in text  # that alone would have been welcome
        assert "--fresh" in text
        assert everything(single) == before


def test_fresh_restarts_with_other_boxes(single, tmp_path):
    folder = shutil.copytree(single, tmp_path / "out")
    plan = plan_of(SMALL, ("aspect_ratio = 12", "aspect_ratio = 15"))
    run_plan(plan, folder, workers=1, fresh=True)
    keys = {job.key for job in box_jobs(plan_of(SMALL))}
    with Store.read(folder) as store:
        assert not keys & store.keys()


def test_a_changed_plan_that_is_interrupted_leaves_the_folder_to_the_plan_before(
    single, tmp_path
):
    folder = shutil.copytree(single, tmp_path / "out")
    before = digits(folder)
    plan = plan_of(SMALL, ('"36 wt%"]', '"36 wt%", "40 wt%"]'), EASY)
    with pytest.raises(Interrupted):
        run_plan(plan, folder, workers=1, progress=Counted(stop_after=5))
    assert digits(folder) == before
    assert (folder / "plan.toml").read_text() == SMALL
    redraw(folder)
    assert digits(folder) == before
    with pytest.raises(FolderError, match=r"lacks \d+ boxes of the plan as it is now"):
        read_findings(plan, folder)
    counted = Counted()
    run_plan(plan, folder, workers=1, progress=counted)
    assert counted.ran == 15 - 5
    run_plan(plan, tmp_path / "fresh", workers=1)
    assert digits(folder) == digits(tmp_path / "fresh")


def test_a_full_disk_at_the_end_leaves_a_folder_that_report_puts_right(
    single, tmp_path, monkeypatch
):
    folder = shutil.copytree(single, tmp_path / "out")
    before = digits(folder)
    plan = plan_of(SMALL, EASY)

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr("os.fsync", full)
        with pytest.raises(FolderError, match=r"no space left.*percsim report"):
            run_plan(plan, folder, workers=1)
    assert digits(folder) == before
    redraw(folder)
    assert json.loads((folder / "summary.json").read_text())["plan"] == plan.as_dict()


def test_a_moved_folder_is_read_and_continued(single, tmp_path):
    folder = shutil.copytree(single, tmp_path / "elsewhere" / "moved")
    before = digits(folder)
    redraw(folder)
    assert digits(folder) == before
    counted = Counted()
    run_plan(plan_of(SMALL, EASY), folder, workers=1, progress=counted)
    assert counted.ran == 0


def test_a_box_that_fails_is_told_and_tried_again(single, tmp_path, monkeypatch):
    folder = tmp_path / "out"
    whole, run_job = plan_of(SMALL), percsim.run.run_job
    last = box_jobs(whole)[-1]

    def failing(job):
        if job.key == last.key:
            raise MemoryError("no room")
        return run_job(job)

    monkeypatch.setattr(percsim.run, "run_job", failing)
    summary = run_plan(whole, folder, workers=1).summary
    assert not summary["complete"]
    (row,) = summary["failed_boxes"]
    assert row["message"] == "MemoryError: no room"
    assert (row["box_number"], row["box_length_m"]) == (last.number, last.box.length)
    first_page = (folder / "report.html").read_text().split("</header>")[1][:1000]
    assert "failed and are left out: 1, the first of them by MemoryError" in first_page
    monkeypatch.undo()
    summary = run_plan(whole, folder, workers=1).summary
    assert summary["complete"]
    assert summary["failed_boxes"] == []
    assert digits(folder) == digits(single)


def test_a_damaged_row_is_named_and_computed_again(single, tmp_path):
    folder, plan = shutil.copytree(single, tmp_path / "out"), plan_of(SMALL)
    key = box_jobs(plan)[-1].key
    before = redraw(folder).summary["complete"]
    with sqlite3.connect(folder / DATABASE) as connection:
        connection.execute(
            "UPDATE boxes SET result = replace(result, '1', '2') WHERE key = ?", (key,)
        )
    connection.close()
    summary = redraw(folder).summary
    assert (before, summary["complete"], summary["damaged_rows"]) == (True, False, [key])
    assert f"damaged and left out: {key}" in (folder / "report.html").read_text()
    with pytest.raises(FolderError, match=f"damaged rows .{key}"):
        read_findings(plan, folder)
    counted = Counted()
    result = run_plan(plan, folder, workers=1, progress=counted)
    assert (result.recomputed, counted.ran) == ((key,), 1)
    assert digits(folder) == digits(single)
    assert redraw(folder).summary["complete"]


def test_boxes_of_laws_that_changed_since_are_named(single, monkeypatch):
    now = fingerprint.PHYSICS_VERSION + 1
    monkeypatch.setattr(fingerprint, "PHYSICS_VERSION", now)
    for attempt in (
        lambda: run_plan(plan_of(SMALL), single, workers=1),
        lambda: redraw(single),
        lambda: read_findings(plan_of(SMALL), single),
    ):
        with pytest.raises(FolderError, match=r"since changed.*--fresh"):
            attempt()


def test_results_of_an_older_schema_are_named(single, tmp_path):
    folder = shutil.copytree(single, tmp_path / "out")
    with sqlite3.connect(folder / DATABASE) as connection:
        connection.execute("PRAGMA user_version = 1")
    connection.close()
    for attempt in (
        lambda: run_plan(plan_of(SMALL), folder, workers=1),
        lambda: redraw(folder),
        lambda: read_findings(plan_of(SMALL), folder),
    ):
        with pytest.raises(FolderError, match=r"another version.*schema 1.*--fresh"):
            attempt()
