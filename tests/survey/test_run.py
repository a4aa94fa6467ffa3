"""A survey computes each box once, judges as a plan alone is judged, and goes on."""

import csv
import math
import sys
from dataclasses import replace

import numpy as np
import pytest
from quick import run_quickly
from survey.test_read import PLAN
from typer.testing import CliRunner

from percsim.advice import answer, films_of_text
from percsim.boxes.store import Store
from percsim.boxes.workers import Interrupted
from percsim.cli import app
from percsim.errors import FolderError
from percsim.plan import Plan
from percsim.survey.read import read_survey
from percsim.survey.run import run_survey, work_of
from percsim.survey.table import QUANTITIES, open_survey, stored_table, write_parquet
from percsim.survey.work import jobs_of, survey_work

TEXT = """
plan = "film.toml"
[vary]
filler.aspect_ratio = [12, 14]
target.resistance = ["1 to 10 kohm", "0.1 to 1 kohm"]
"""


def written(folder):
    (folder / "film.toml").write_text(Plan.from_dict(PLAN).text)
    (folder / "survey.toml").write_text(TEXT)
    return read_survey(folder / "survey.toml")


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    return written(tmp_path_factory.mktemp("survey"))


@pytest.fixture(scope="module")
def done(shared):
    """Folder of the survey, carried out whole in one process."""

    def make(folder):
        folder.mkdir()
        run_survey(written(folder), folder / "out", workers=1)

    return shared("survey", make) / "out"


def test_each_box_is_there_once_and_shared(survey):
    work = work_of(survey)
    keys = [job.key for job in work.jobs]
    assert len(keys) == len(set(keys))
    apart = [{job.key for job in jobs_of(plan)} for plan in survey.plans]
    assert set(keys) == set.union(*apart)
    # what is asked of a film moves no particle
    assert apart[0] == apart[1] != apart[2] == apart[3]
    cost = work.cost(set(), 2)
    assert cost["shared"] == pytest.approx(sum(map(len, apart)) / len(keys))
    assert cost["n_jobs"] == len(keys)
    boxes = sum(job.seconds for job in work.jobs)
    assert 3600.0 * cost["core_hours"] == pytest.approx(boxes + 2.0 * 4)
    assert work.cost(keys[:5], 2)["n_stored"] == 5


def test_answers_come_first_and_then_what_tells_most(survey):
    plans = survey.plans
    work = survey_work(plans, [2, 0, 1, 3])
    place = {job.key: k for k, job in enumerate(work.jobs)}
    # plan 2 has all it needs before the first box of plan 0; 1 and 3 wait for nothing more
    assert work.first[2] == work.first[3] < work.first[0] == work.first[1]
    for plan, n in zip(plans, work.first, strict=True):
        needed = [j for j in jobs_of(plan) if getattr(j, "number", 0) < 2]
        assert max(place[j.key] for j in needed) < n
    later = work.jobs[max(work.first) :]
    assert later
    assert all(job.number >= 2 for job in later)
    worth = []
    for job in later:
        n = max(job.number * job.box.length / plans[0].box_lengths[-1], 1.0)
        worth.append(work.served[job.key] / (n * (n + 1.0)) / job.seconds)
    assert worth == sorted(worth, reverse=True)
    assert [work.answered(n) for n in (0, work.first[2], len(place))] == [0, 2, 4]


def test_rows_are_what_each_plan_alone_says(survey, done, tmp_path):
    table = stored_table(done)["columns"]
    plan = survey.plans[1]
    run_quickly(plan, tmp_path / "alone", workers=1)
    with Store.read(tmp_path / "alone") as store:
        films = films_of_text(plan, store.load_artefact("films"))
    found = answer(plan, films)
    rows = [k for k, number in enumerate(table["plan"]) if number == 1]
    assert len(rows) == 2
    for k in rows:
        own = next(
            i for i, recipe in enumerate(found.recipes)
            if recipe.loading.weight_fraction == table["weight_fraction"][k]
        )  # fmt: skip
        band = found.outlooks[own].casting_band()
        assert table["resistance"][k] == pytest.approx(band.median, rel=1e-9)
        assert table["resistance_p95"][k] == pytest.approx(band.p95, rel=1e-9)
        assert table["probability"][k] == pytest.approx(found.decision.all_limits[own])
        assert table["boxes"][k] == 4


def test_interrupted_and_within_budgets_it_comes_to_the_same(
    survey, done, tmp_path, ctrl_c
):
    out, work = tmp_path / "out", work_of(survey)
    seconds = sum(job.seconds for job in work.jobs)

    def stop(count, *_):
        if count >= 5:
            raise KeyboardInterrupt

    with pytest.raises(Interrupted):
        run_survey(survey, out, workers=1, progress=stop)
    # enough for the first answer of half of the plans, and no more
    half = sum(job.seconds for job in work.jobs[: min(work.first)]) + 1e-9
    part = run_survey(survey, out, workers=1, core_hours=half / 3600.0)
    with Store.read(out) as store:
        kept = {key for key in store.keys() if not key.startswith("recipes/")}
    assert part.n_done == len(kept)
    assert part.n_answered == 2
    assert part.n_done < part.n_jobs == len(work.jobs)
    whole = run_survey(survey, out, workers=1, core_hours=2.0 * seconds / 3600.0)
    assert whole.n_answered == whole.n_plans == 4
    assert whole.n_done == whole.n_jobs
    assert (out / "survey.csv").read_bytes() == (done / "survey.csv").read_bytes()


def test_the_csv_has_a_row_a_recipe_with_units(done):
    with open(done / "survey.csv", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 8
    assert [r["filler.aspect_ratio"] for r in rows] == ["12"] * 4 + ["14"] * 4
    assert {r["electrode_gap (m)"] for r in rows} == {"0.002"}
    assert rows[2]["target.resistance"] == "0.1 to 1 kohm"
    assert all(float(r["resistance (ohm)"]) > 0.0 for r in rows)


def test_open_survey_has_named_dimensions_and_units(done):
    pytest.importorskip("xarray", reason="needs percsim[survey]")
    found, table = open_survey(done), stored_table(done)["columns"]
    assert dict(found.sizes) == {
        "filler.aspect_ratio": 2, "target.resistance": 2, "weight_fraction": 2,
        "electrode_gap": 1,
    }  # fmt: skip
    assert found.resistance.attrs["units"] == "ohm"
    assert found.electrode_gap.attrs["units"] == "m"
    for k in range(8):
        at = {name: table[name][k] for name in found.sizes}
        assert float(found.resistance.sel(at)) == table["resistance"][k]
    # more of a thinner flake conducts better, and R has nothing to do with what is asked
    assert (found.resistance.diff("weight_fraction") < 0.0).all()
    assert (found.resistance.std("target.resistance") == 0.0).all()


def test_parquet_gives_back_the_table(done, tmp_path):
    parquet = pytest.importorskip("pyarrow.parquet", reason="needs percsim[survey]")
    found = parquet.read_table(write_parquet(stored_table(done), tmp_path / "t.parquet"))
    assert found.to_pydict() == stored_table(done)["columns"]
    for name, (unit, _) in QUANTITIES.items():
        assert found.schema.field(name).metadata[b"unit"] == unit.encode()


def test_parquet_that_cannot_be_written_is_refused_before_a_box(tmp_path, monkeypatch):
    written(tmp_path)
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    out = tmp_path / "out"
    asked = ["survey", tmp_path / "survey.toml", "--out", out, "--parquet", tmp_path / "t"]
    result = CliRunner().invoke(app, [str(x) for x in asked])
    assert result.exit_code == 2
    assert result.stderr.count("Parquet needs pyarrow") == 1
    assert not out.exists()


def test_a_sobol_table_has_one_dimension_of_plans(survey):
    pytest.importorskip("xarray", reason="needs percsim[survey]")
    from percsim.survey.run import table_of

    row = dict.fromkeys(QUANTITIES, 1.0) | {"resistance_p95": math.inf}
    rows = [[row], [], [row | {"gauge_factor": None, "weight_fraction": 0.5}], [row]]
    table = table_of(replace(survey, kind="sobol"), rows)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("percsim.survey.table.stored_table", lambda _: table)
        found = open_survey("anywhere")
    assert dict(found.sizes) == {"plan": 4, "weight_fraction": 2, "electrode_gap": 1}
    assert found["filler.aspect_ratio"].values.tolist() == [12, 12, 14, 14]
    assert np.isinf(found.resistance_p95.values).sum() == 3
    assert np.isnan(found.resistance.values).sum() == 5


def test_other_peoples_folders_and_files_are_refused(survey, tmp_path):
    with Store.open(tmp_path / "plan") as store:
        store.save_artefacts({"plan": {}})
    with pytest.raises(FolderError, match="holds the results of a plan"):
        run_survey(survey, tmp_path / "plan")
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "survey.csv").write_text("mine")
    with pytest.raises(FolderError, match="is not as percsim wrote it"):
        run_survey(survey, tmp_path / "own")
    assert (tmp_path / "own" / "survey.csv").read_text() == "mine"
    with pytest.raises(FolderError, match="holds no table of a survey"):
        stored_table(tmp_path / "plan")
