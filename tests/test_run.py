"""The whole chain on a small plan: files, same digits, kills and restarts."""

import csv
import html
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

import percsim.report.figures
from percsim.boxes.folder import MANIFEST, FolderLock, refuse_torn, torn
from percsim.boxes.pool import LocalProcesses
from percsim.boxes.store import Store, decode_json
from percsim.boxes.workers import Interrupted
from percsim.cli import main
from percsim.errors import FolderError
from percsim.first_page import read_first_page, stored_first_page
from percsim.plan import Plan
from percsim.report.rows import TABLES
from percsim.run import (
    Result,
    assemble,
    box_jobs,
    estimate,
    redraw,
    run_plan,
    threshold_jobs,
)
from percsim.words.first import cause_cells, row_cells, state_line

PATIENCE = 1800.0  # [s]; a busy machine compiles the kernels first
SMALL = """
title = "Small test patch on a cargo-bicycle tube (invented data)"
seed = 88012
[filler]
density = "2250 kg/m3"
diameter = { median = "10 um", geometric_spread = 1.5 }
aspect_ratio = 12
[elastomer]
density = "1030 kg/m3"
mix_ratio = "7:1"
[film]
thickness = "0.20 mm"
width = "6 mm"
length = "16 mm"
[contacts]
closed_at = "-40 C"
[strain]
window = "0 to 3000 microstrain"
points = 4
[temperature]
values = ["20 C", "40 C"]
[explore]
weight_fraction = ["10 wt%", "30 wt%", "36 wt%"]
electrode_gap = ["2 mm", "4 mm"]
[boxes]
count = 4
lengths = ["4 D", "5 D", "6 D"]
threshold_count = 20
[tolerances]
castings = 300
[target]
series_resistor = "1.8 kohm"
resistance = "0.3 to 3 kohm"
smallest_gauge_factor = 5
"""


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory):
    path = tmp_path_factory.mktemp("plan") / "small.toml"
    path.write_text(SMALL)
    return path


def run_whole(plan_file, folder):
    assert run_plan(Plan.load(plan_file), folder, workers=1).figure_failures == ()


@pytest.fixture(scope="module")
def finished(shared, plan_file, tmp_path_factory):
    """The reference: one process, no interruption, every picture."""
    whole = shared("small", lambda folder: run_whole(plan_file, folder))
    folder = shutil.copytree(
        whole, tmp_path_factory.mktemp("finished") / "out", symlinks=True
    )
    return Result(decode_json((folder / "summary.json").read_text()), folder)


def test_workers_that_did_the_boxes_draw(finished, plan_file, tmp_path, monkeypatch):
    """One pool for all of a run, and none where every box is there."""
    pools = []

    class Watched(LocalProcesses):
        def __init__(self, *given, **more):
            super().__init__(*given, **more)
            pools.append(self)
            self.asked = []

        def submit(self, function, /, *args):
            self.asked.append((function.__name__, *args[:1]))
            return super().submit(function, *args)

    monkeypatch.setattr("percsim.run.LocalProcesses", Watched)
    plan = Plan.load(plan_file)
    result = run_plan(plan, tmp_path / "out", workers=2)
    (pool,) = pools
    names = [name for name, _ in pool.asked]
    assert names.count("_run_batch") == len(box_jobs(plan)) + len(threshold_jobs(plan))
    drawn = {f"{name}.png" for function, name in pool.asked if function == "_drawing"}
    assert drawn >= set(os.listdir(result.folder / "figures"))
    assert pool.process_ids == []
    assert digits(result.folder) == digits(finished.folder)
    run_plan(plan, result.folder, workers=2)
    assert len(pools) == 1


def digits(folder):
    """All that a run writes as numbers, less times and where it ran."""
    summary = json.loads((folder / "summary.json").read_text())
    for key in ("created", "elapsed_s", "command", "environment"):
        summary.pop(key)
    tables = {}
    for name in TABLES:
        with open(folder / f"{name}.csv", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            row.pop("elapsed (s)", None)
        tables[name] = rows
    return summary, tables


def test_summary_holds_what_it_promises(finished):
    summary = json.loads((finished.folder / "summary.json").read_text())
    assert set(summary) >= {
        "version", "seed", "plan", "threshold", "candidates", "chosen", "reasons",
    }  # fmt: skip
    assert set(summary["threshold"]) >= {
        "volume_fraction", "weight_fraction", "standard_error",
    }  # fmt: skip
    assert len(summary["candidates"]) == 6
    for candidate in summary["candidates"]:
        assert set(candidate) >= {
            "weight_fraction", "volume_fraction", "mix_ratio", "electrode_gap_m", "n_boxes",
            "n_open_boxes", "resistance_ohm", "resistance_cv", "gauge_factor",
            "gauge_factor_initial", "gauge_factor_cv", "spread_shares", "response",
            "pass_share", "meets_target",
        }  # fmt: skip
        for key in ("resistance_ohm", "gauge_factor"):
            assert set(candidate[key]) >= {"median", "p05", "p95"}
        assert set(candidate["pass_share"]) == {"value", "low", "high"}
        response = candidate["response"]
        assert len(response["strain"]) == len(response["median"]) == 4
        assert "nan" not in json.dumps(candidate).lower()
    assert summary["complete"]
    assert (
        summary["chosen"] is None
        or summary["candidates"][summary["chosen"]]["meets_target"]
    )


def test_a_folder_says_at_once_what_its_page_says(finished):
    """To the digit, from its models alone; and the page carries the same."""
    folder = finished.folder
    page = stored_first_page(Plan.load(folder / "plan.toml"), folder)
    told = json.loads((folder / "summary.json").read_text())
    whole = read_first_page(told["first_page"])
    assert len(whole.plot.points) > len(page.plot.points) == 0
    assert page == replace(whole, plot=replace(whole.plot, points=()))
    words = html.unescape((folder / "report.html").read_text()).replace("\xa0", " ")
    assert state_line(page) in words
    for cup in page.cups:
        for part in cup.parts:
            assert f"<td>{part.name}</td><td" in words
            assert f">{part.reading:.2f}</td>" in words
    for row in page.rows:
        for cell, ends in row_cells(row, page):
            assert cell in words
            assert ends in words
    for cause in page.causes:
        for cell in cause_cells(cause, page):
            assert f"<td>{cell}</td>" in words


def test_below_the_threshold_the_film_is_open_and_counted(finished):
    low = [c for c in finished.summary["candidates"] if c["weight_fraction"] < 0.2]
    assert finished.summary["threshold"]["weight_fraction"] > 0.12
    for candidate in low:
        assert candidate["resistance_ohm"]["median"] == float("inf")
        assert candidate["open_fraction"] == 1.0
        assert not candidate["meets_target"]


def test_resistance_falls_with_loading_and_grows_with_the_gap(finished):
    at = {
        (round(c["weight_fraction"], 3), c["electrode_gap_m"]): c["resistance_ohm"][
            "median"
        ]
        for c in finished.summary["candidates"]
    }
    assert at[0.36, 2e-3] < at[0.30, 2e-3] < at[0.30, 4e-3]
    # far from the electrodes twice the gap is twice the resistance, but for what they add
    assert at[0.36, 4e-3] / at[0.36, 2e-3] == pytest.approx(2.0, rel=0.1)


def test_spread_shares_sum_to_one(finished):
    for candidate in finished.summary["candidates"]:
        if candidate["weight_fraction"] > 0.2:
            assert sum(candidate["spread_shares"].values()) == pytest.approx(1.0, abs=1e-9)
            assert min(candidate["spread_shares"].values()) >= 0.0


def test_tables_have_a_row_for_each_box_state_and_casting(finished):
    _, tables = digits(finished.folder)
    assert len(tables["boxes"]) == 3 * (6 + 5 + 4)
    assert len(tables["responses"]) == 3 * (6 + 5 + 4) * 8
    assert len(tables["castings"]) == 6 * 300
    assert len(tables["candidates"]) == 6
    assert {row["resistance (ohm)"] for row in tables["castings"][:300]} == {"inf"}
    assert (finished.folder / "plan.toml").read_text() == SMALL
    figures = {path.stem for path in (finished.folder / "figures").glob("*.png")}
    assert {"loadings", "castings", "linearity", "network"} <= figures


@pytest.mark.usefixtures("no_pictures")
def test_same_digits_with_two_workers(finished, plan_file, tmp_path):
    run_plan(Plan.load(plan_file), tmp_path / "two", workers=2)
    assert digits(tmp_path / "two") == digits(finished.folder)


# `percsim run` without pictures
QUICK = """
import sys
import percsim.report.figures
import percsim.run
from percsim.cli import main

percsim.report.figures.draw = lambda *_: ()
"""
# and one that says when a number of jobs is done, and then waits to be stopped
WAITING = QUICK + """
run_jobs, stop, batch = percsim.run.run_jobs, int(sys.argv.pop(1)), float(sys.argv.pop(1))

def run_and_wait(*arguments, progress, **options):
    def told(done, *_):
        if done == stop:
            print(done, flush=True)
            sys.stdin.read()
    return run_jobs(*arguments, progress=told, batch_seconds=batch, **options)

percsim.run.run_jobs = run_and_wait
main()
"""  # fmt: skip


def run_command(plan_file, folder, *before):
    return subprocess.Popen(
        [sys.executable, *(before or ("-m", "percsim")), "run", str(plan_file),
         "--out", str(folder), "--workers", "1", "--quiet"],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    # a box is stored as soon as it is done, or all of them only when the run is stopped
    ("how", "batch_seconds"), [(signal.SIGKILL, 0.0), (signal.SIGINT, 1e6)]
)  # fmt: skip
@pytest.mark.usefixtures("ctrl_c")
def test_same_digits_after_a_kill_and_a_restart(
    finished, plan_file, tmp_path, how, batch_seconds
):
    folder, stop = tmp_path / "out", 31  # among the boxes, after 20 thresholds
    process = run_command(plan_file, folder, "-c", WAITING, str(stop), str(batch_seconds))
    try:
        assert process.stdout.readline() == f"{stop}\n"
        os.kill(process.pid, how)
        _, errors = process.communicate(timeout=PATIENCE)
    finally:
        process.kill()
    assert process.returncode == (130 if how == signal.SIGINT else -how), errors
    assert how == signal.SIGKILL or "stored" in errors
    plan = Plan.load(plan_file)
    assert len(threshold_jobs(plan)) < stop < len(threshold_jobs(plan) + box_jobs(plan))
    with Store.read(folder) as store:
        assert store.counts() == {"done": stop, "failed": 0}
    again = run_command(plan_file, folder, "-c", QUICK + "main()")
    _, errors = again.communicate(timeout=PATIENCE)
    assert again.returncode == 0, errors
    assert digits(folder) == digits(finished.folder)


@pytest.mark.usefixtures("no_pictures")
def test_redraw_gives_the_same_from_what_is_stored(finished, plan_file, tmp_path):
    before = digits(finished.folder)
    (finished.folder / "summary.json").unlink()
    (finished.folder / "report.html").unlink()
    result = redraw(finished.folder)
    assert digits(finished.folder) == before
    assert (finished.folder / "report.html").stat().st_size > 10_000
    assert result.summary["command"] == finished.summary["command"]


def test_a_part_of_the_boxes_is_reported_as_a_part(finished, plan_file):
    plan = Plan.load(plan_file)
    with Store.read(finished.folder) as store:
        records = store.records()
    part = {key: r for key, r in records.items() if not key.endswith(("/3", "/4", "/5"))}
    summary, _, tables = assemble(plan, part)
    assert not summary["complete"]
    assert set(tables["boxes"]["box_number"]) == {0, 1, 2}
    assert all(c["n_boxes"] == 9 for c in summary["candidates"])  # 3 of each length
    with pytest.raises(FolderError, match="threshold"):
        assemble(plan, {k: r for k, r in records.items() if k.startswith("box")})


def test_another_plans_folder_is_left_alone(finished, plan_file):
    other = Plan.from_dict({**Plan.load(plan_file).as_dict(), "seed": 5}, name="other.toml")

    def files():
        # the database's own side files come and go with readers
        return {
            p.name: p.stat().st_mtime_ns
            for p in finished.folder.iterdir()
            if not p.name.startswith("results.sqlite-")
        }

    before = files()
    with pytest.raises(FolderError, match="another plan"):
        run_plan(other, finished.folder, workers=1)
    assert files() == before


def test_estimate_counts_what_the_run_places(finished, plan_file):
    plan = Plan.load(plan_file)
    size = estimate(plan, workers=1)
    _, tables = digits(finished.folder)
    placed = np.array([int(row["n_particles"]) for row in tables["boxes"]])
    # Poisson numbers, common to all loadings of a box: five standard errors of the largest
    assert size["flakes"] == pytest.approx(
        placed.sum(), abs=5.0 * np.sqrt(3 * placed.sum())
    )
    assert size["n_boxes"] == 45
    assert size["n_states"] == 8


def test_a_figure_that_fails_costs_nothing_else(finished, plan_file, monkeypatch):
    def broken(*_):
        raise RuntimeError("no ink")

    draw = percsim.report.figures.draw
    monkeypatch.setattr(
        "percsim.report.figures.draw",
        lambda run, *_: draw(run, ["loadings", "castings"]),
    )
    before = digits(finished.folder)
    with monkeypatch.context() as patch:
        patch.setattr("percsim.report.figures.figure_to_png", broken)
        result = redraw(finished.folder)
    assert any("no ink" in failure for failure in result.figure_failures)
    assert digits(finished.folder) == before
    assert "no ink" in (finished.folder / "report.html").read_text()
    assert redraw(finished.folder).figure_failures == ()


class Finalized:
    """Gets a Ctrl-C where Python drops the exception."""

    def __del__(self):
        signal.raise_signal(signal.SIGINT)


@pytest.mark.usefixtures("ctrl_c")
@pytest.mark.parametrize("where", ["percsim.run.assemble", "percsim.report.figures.draw"])
def test_a_ctrl_c_dropped_while_assembling_or_drawing_ends_it(finished, monkeypatch, where):
    module, _, name = where.rpartition(".")
    whole = getattr(sys.modules[module], name)

    def interrupted(*arguments, **more):
        Finalized()
        return whole(*arguments, **more)

    monkeypatch.setattr(where, interrupted)
    monkeypatch.setattr(sys, "unraisablehook", lambda _: None)
    before = (finished.folder / "report.html").read_bytes()
    with pytest.raises(KeyboardInterrupt):
        redraw(finished.folder)
    assert (finished.folder / "report.html").read_bytes() == before


def test_a_run_is_assembled_with_one_blas_thread(finished, monkeypatch):
    seen = []

    def looked_at(*_, **__):
        seen.extend(threadpool_info())
        raise KeyboardInterrupt

    monkeypatch.setattr("percsim.run.assemble", looked_at)
    with threadpool_limits(limits=2), pytest.raises(KeyboardInterrupt):
        redraw(finished.folder)
    assert {p["num_threads"] for p in seen if p["user_api"] == "blas"} == {1}


@pytest.mark.usefixtures("no_pictures")
def test_a_full_disk_while_reporting_keeps_the_boxes_and_says_how_to_go_on(
    finished, monkeypatch
):
    before = digits(finished.folder)

    def full(*_):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as disk:
        disk.setattr("os.fsync", full)
        with pytest.raises(FolderError, match=r"no space left.*percsim report"):
            redraw(finished.folder)
    assert digits(finished.folder) == before
    redraw(finished.folder)
    assert digits(finished.folder) == before


def test_report_waits_for_no_writer(finished):
    with FolderLock(finished.folder), pytest.raises(FolderError, match="in use by process"):
        redraw(finished.folder)


@pytest.mark.usefixtures("no_pictures")
def test_the_plan_as_written_stays_with_its_results(finished, plan_file, tmp_path):
    folder = shutil.copytree(finished.folder, tmp_path / "out", symlinks=True)
    assert (redraw(folder).folder / "plan.toml").read_text() == SMALL
    other = tmp_path / "other.toml"
    other.write_text(SMALL.replace("castings = 300", "castings = 301"))
    edited = SMALL.replace("castings = 300", "castings = 302")
    (folder / "plan.toml").write_text(edited)
    before = digits(folder)
    for attempt in (
        lambda: run_plan(Plan.load(other), folder, workers=1),
        lambda: run_plan(Plan.load(other), folder, workers=1, fresh=True),
        lambda: redraw(folder),
    ):
        with pytest.raises(FolderError, match=r"plan\.toml is not as percsim wrote it"):
            attempt()
    assert digits(folder) == before
    run_plan(Plan.load(folder / "plan.toml"), folder, workers=1)
    assert (folder / "plan.toml").read_text() == edited
    refuse_torn(folder)


@pytest.mark.usefixtures("no_pictures")
def test_a_folder_without_links_says_so(finished, tmp_path, monkeypatch, capsys):
    folder = shutil.copytree(finished.folder, tmp_path / "out")
    for module in ("percsim.boxes.folder", "percsim.run"):
        monkeypatch.setattr(f"{module}.links_work", lambda _: False)
    result = redraw(folder)
    assert not any(path.is_symlink() for path in folder.rglob("*"))
    (caution,) = set(result.summary["cautions"]) - set(finished.summary["cautions"])
    assert 'if manifest.json beside them says "whole"' in caution
    assert caution in json.loads((folder / "summary.json").read_text())["cautions"]
    assert "if manifest.json beside them says" in (folder / "report.html").read_text()
    told = json.loads((folder / MANIFEST).read_text())
    (folder / MANIFEST).write_text(json.dumps(told | {"state": "being written"}))
    for command in (["lots", "--folder", str(folder)], ["report", str(folder), "--quiet"]):
        monkeypatch.setattr(sys, "argv", ["percsim", *command])
        with pytest.raises(SystemExit) as left:
            main()
        assert left.value.code == (2 if command[0] == "lots" else 0)
        assert f"the files in {folder} " in capsys.readouterr().err
    assert not torn(folder)


def child(function):
    """Start a function in a process of its own, which ends as the command line would."""
    number = os.fork()
    if number:
        return number
    try:
        function()
    except (KeyboardInterrupt, Interrupted):
        os._exit(130)
    except BaseException:
        os._exit(1)
    os._exit(0)


@pytest.mark.parametrize("moments", [2, pytest.param(100, marks=pytest.mark.slow)])
@pytest.mark.usefixtures("ctrl_c")
def test_stopped_at_random_moments(tmp_path, monkeypatch, moments):
    """A changed plan in a full folder: the old whole or the new whole, the same digits."""
    draw = percsim.report.figures.draw  # all of them take long
    monkeypatch.setattr(
        "percsim.report.figures.draw", lambda run, *_: draw(run, ["castings"])
    )
    fewer = SMALL.replace('"10 wt%", "30 wt%", "36 wt%"', '"30 wt%"')
    fewer = fewer.replace('"2 mm", "4 mm"', '"2 mm"').replace("count = 20", "count = 10")
    plans = []
    for name, text in (
        ("a", fewer),
        ("b", fewer.replace('"30 wt%"', '"30 wt%", "36 wt%"')),
    ):
        (tmp_path / f"{name}.toml").write_text(
            text.replace("castings = 300", "castings = 100")
        )
        plans.append(Plan.load(tmp_path / f"{name}.toml"))
    finished, plan = run_plan(plans[0], tmp_path / "old", workers=1), plans[1]
    rng = np.random.default_rng(40721)

    def run(folder):
        return child(lambda: run_plan(plan, folder, workers=1))

    first = shutil.copytree(finished.folder, tmp_path / "first", symlinks=True)
    begun = time.monotonic()
    assert os.waitpid(run(first), 0)[1] == 0
    takes = time.monotonic() - begun
    old, new = digits(finished.folder), digits(first)
    assert old != new
    ended = []
    for k in range(moments):
        folder = shutil.copytree(finished.folder, tmp_path / str(k), symlinks=True)
        number = run(folder)
        time.sleep(takes * rng.uniform())
        how = rng.choice([signal.SIGKILL, signal.SIGINT])
        os.kill(number, how)
        code = os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])
        assert code in (0, -how if how == signal.SIGKILL else 130)
        ended.append(code)
        refuse_torn(folder)
        shown = digits(folder)
        assert shown in (old, new)
        assert code != 0 or shown == new
        assert os.waitpid(run(folder), 0)[1] == 0
        assert digits(folder) == new
        left = {p.name for p in folder.iterdir()} - {p.name for p in first.iterdir()}
        assert left <= {"results.sqlite-wal", "results.sqlite-shm"}
        shutil.rmtree(folder)
    print(f"{moments} moments, ended with {ended}")
    assert set(ended) - {0}  # some were stopped under way
