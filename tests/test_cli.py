"""The command line: exit codes, what goes where, nothing written on bad input."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
import types
from itertools import count
from pathlib import Path
from typing import Any

import pytest
import typer
from reference.findings import findings
from typer.testing import CliRunner, Result

from percsim import __version__
from percsim.cli import app
from percsim.errors import FolderError
from percsim.first_page import read_first_page
from percsim.materials import material_names
from percsim.packing import plain
from percsim.plan import Plan
from percsim.plan.sections import MODELS

PLAN = """
[filler]
name = "flake"
density = "2250 kg/m3"
diameter = { median = "10 um", geometric_spread = 1.5 }
aspect_ratio = 15
[elastomer]
density = "1030 kg/m3"
mix_ratio = "7:1"
[film]
thickness = "0.2 mm"
width = "6 mm"
length = "16 mm"
[explore]
weight_fraction = ["26 wt%", "30 wt%"]
electrode_gap = ["2 mm", "3 mm"]
"""
BAD = PLAN.replace('"0.2 mm"', '"0.2"').replace("aspect_ratio", "aspect_ration")
COMMANDS = (
    "run", "new", "explain", "materials", "recipe", "check", "threshold", "report",
    "anchor", "agree", "lots", "explore",
)  # fmt: skip


def call(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "film.toml"
    file.write_text(PLAN)
    return file


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    file = tmp_path / "film.toml"
    file.write_text(BAD)
    return file


# --- help


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_explains_itself_with_an_example(command: str) -> None:
    result = call(command, "--help")
    assert result.exit_code == 0
    assert f"  percsim {command}" in result.stdout.split("Example")[1]
    for option in ("--quiet", "--json", "--help"):
        assert option in result.stdout
    assert command in call("--help").stdout


def test_version_and_bare_call() -> None:
    assert call("--version").stdout == f"percsim {__version__}\n"
    assert "Commands:" in call().output


def test_help_is_quick_because_it_loads_little() -> None:
    # numpy, scipy, numba, matplotlib, networkx or rich would take a second
    code = (
        # what comes with the environment, such as the finder of an editable install, is not
        # percsim's doing
        "import sys\nbefore = set(sys.modules)\nsys.argv = ['percsim', '--help']\n"
        "from percsim.cli import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert stop.code == 0\n"
        "from_afar = {name.partition('.')[0] for name in set(sys.modules) - before}\n"
        "print(*(from_afar - sys.stdlib_module_names))\n"
        "print(*(name for name in sys.modules if name.startswith('percsim')))"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    packages, own = (set(line.split()) for line in out.stdout.splitlines()[-2:])
    allowed = {"percsim", "typer", "click"}
    assert packages <= allowed | {"annotated_doc", "shellingham", "typing_extensions"}
    outside = {name for name in own if not name.startswith("percsim.cli")}
    assert outside == {"percsim", "percsim.process", "percsim.units", "percsim.quantities"}


# --- bad input


@pytest.mark.parametrize("command", ["run", "recipe", "check", "threshold"])
def test_faults_of_a_plan_all_reach_standard_error(
    command: str, bad: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(bad.parent)
    result = call(command, bad)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert result.stderr.splitlines() == [
        "film.toml, line 6: filler.aspect_ration is not known; did you mean"
        " 'aspect_ratio'?",
        "film.toml, line 11: film.thickness = '0.2' has no unit; write it like '0.2 mm'",
    ]
    assert os.listdir(bad.parent) == ["film.toml"]


def test_wrong_options_of_a_recipe_are_told_together(plan: Path) -> None:
    result = call("recipe", plan, "--weight-fraction", "30", "--mass", "-5 g", "--films", 3)
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [
        "--weight-fraction = '30' has no unit; write it like '30 wt%'",
        "--mass = '-5 g' is negative; a mass is 0 or more",
        "--films and --mass: give one of them",
    ]
    for extreme in ("0 wt%", "100 wt%"):
        result = call("recipe", plan, "--weight-fraction", extreme)
        assert result.exit_code == 2
        assert "must be above 0, below 100 wt%" in result.stderr


@pytest.mark.parametrize("command", ["anchor", "agree"])
def test_every_fault_of_a_file_of_readings_is_told_and_nothing_written(
    command: str, plan: Path
) -> None:
    file = plan.parent / "cups.csv"
    file.write_text(
        "weight_fraction (wt%),electrode_gap,resistance\n"
        "26,3 mm,-2 kohm\n"
        "26,3,1 kohm\n"
        "50,3 mm,1 kohm\n"
    )
    result = call(command, plan, file, "--out", plan.parent / "out")
    assert result.exit_code == 2
    assert result.stderr.splitlines() == [
        "cups.csv: line 2.resistance = '-2 kohm' is negative; a resistance is 0 or more",
        "cups.csv: line 3.electrode_gap = '3' has no unit; write it like '3 mm'",
        "cups.csv: line 4.weight_fraction = '50 wt%' is outside the plan's loadings, 26 to"
        " 30 wt%; explore it too",
    ]
    assert sorted(os.listdir(plan.parent)) == ["cups.csv", "film.toml"]
    missing = call(command, plan, plan.parent / "none.csv")
    assert missing.exit_code == 2
    assert "cannot be read" in missing.stderr


def test_unknown_commands_and_options_end_with_two(plan: Path) -> None:
    assert call("rnu", plan).exit_code == 2
    assert call("run", plan, "--worker", 2).exit_code == 2
    assert call("run", plan, "--workers", 0).exit_code == 2
    assert call("run").exit_code == 2


# --- new


def test_new_writes_a_plan_that_loads_and_never_over_another(tmp_path: Path) -> None:
    file = tmp_path / "patch.toml"
    result = call("new", file)
    assert result.exit_code == 0
    assert str(file) in result.stdout
    assert Plan.load(file).title == "untitled"
    file.write_text("mine")
    again = call("new", file)
    assert again.exit_code == 2
    assert "is there already" in again.stderr
    assert file.read_text() == "mine"
    assert call("new", file, "--force", "--quiet").stdout == ""
    assert Plan.load(file).seed == 1
    printed = call("new", "-").stdout
    assert printed == file.read_text(encoding="utf-8")
    assert len(printed.splitlines()) <= 25
    every = call("new", "--all", "-").stdout
    assert Plan.from_dict(tomllib.loads(every)).title == "untitled"
    assert every.count("Range:") > 100
    wrong = call("new", "--filler", "grafite flake", file)
    assert wrong.exit_code == 2
    assert "did you mean 'graphite flake'" in wrong.stderr
    assert tomllib.loads(json.loads(call("new", "-", "--json").stdout)["plan"])
    lost = call("new", tmp_path / "no" / "patch.toml")
    assert lost.exit_code == 2
    assert "cannot be written: no such file or directory" in lost.stderr


def test_every_key_is_explained_for_one_plan_alone() -> None:
    result = CliRunner().invoke(app, ["new", "--all", "--filler", "silver flake", "-"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr.count("\n") == 1


def test_a_key_and_a_material_are_explained() -> None:
    told = call("explain", "filler.aspect_ratio").stdout
    assert told.startswith("[filler] aspect_ratio\n")
    assert json.loads(call("explain", "seed", "--json").stdout)["key"] == "seed"
    wrong = call("explain", "aspect_rato")
    assert (wrong.exit_code, wrong.stdout) == (2, "")
    assert "did you mean 'aspect_ratio'" in wrong.stderr
    assert re.search(
        r"graphite flake +2250 kg/m3 +10 um +15 +80 uS", call("materials").stdout
    )
    sheet = call("materials", "graphite flake").stdout
    assert "density 2250 kg/m^3" in sheet
    assert "Mind: " in sheet
    assert json.loads(call("materials", "toluene", "--json").stdout)["is"] == "solvent"
    assert len(json.loads(call("materials", "--json").stdout)) >= 10
    assert call("materials", "gold").exit_code == 2


def test_every_subject_is_told_and_called_like_no_key() -> None:
    texts = Path(__file__).parents[1] / "percsim" / "texts"
    subjects = sorted(file.stem for file in texts.glob("*.md"))
    assert {"physics", "speed", "limits", "published"} <= set(subjects)
    assert f"Subjects: {', '.join(subjects)}\n" in call("explain").stdout
    keys = {key for name, model in MODELS.items() for key in (name, *model.keys())}
    for subject in subjects:
        assert subject not in keys
        told = call("explain", subject).stdout
        assert told == (texts / f"{subject}.md").read_text(encoding="utf-8")
        assert told.startswith("# ")
    wrong = call("explain", "physic")
    assert (wrong.exit_code, wrong.stdout) == (2, "")
    assert "did you mean 'physics'?" in wrong.stderr


@pytest.mark.parametrize("filler", material_names("filler"))
def test_a_new_plan_of_any_powder_checks_clean(filler: str, tmp_path: Path) -> None:
    file = tmp_path / "patch.toml"
    assert call("new", file, "--filler", filler).exit_code == 0
    result = call("check", file)
    assert (result.exit_code, result.stderr) == (0, "")
    minds = [line for line in result.stdout.splitlines() if line.startswith("Mind: ")]
    of_powder = ("not foreseeable", "by two terminals")
    assert all(any(told in line for told in of_powder) for line in minds)


# --- recipe


def test_a_weigh_out_sheet_by_hand(plan: Path) -> None:
    # 50 g at 30 wt%: 15 g of filler, 35 g of rubber of which 7/8, 30.625 g, is base
    asked = ("recipe", plan, "--weight-fraction", "30 wt%", "--mass", "50 g")
    text = call(*asked).stdout
    rows = [line.split() for line in text.splitlines()]
    for row in (["flake", "15.00"], ["base", "30.63"], ["curing", "agent", "4.38"]):
        assert row in rows
    assert ["together", "50.01"] in rows
    # 30.63 / 4.38 = 6.9932
    assert "base to curing agent 6.993:1 (balance" in text
    (sheet,) = json.loads(call(*asked, "--json").stdout)
    assert sheet["grams"] == pytest.approx(
        {"flake": 15.0, "base": 35 * 7 / 8, "curing agent": 35 / 8}
    )
    assert len(call(*asked, "--quiet").stdout) < len(text)


def test_a_row_for_each_loading_of_the_plan(plan: Path) -> None:
    lines = call("recipe", plan, "--quiet").stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["wt%", "26", "30"]
    # 20 g: 5.2 g, 12.95 and 1.85; 6 g, 12.25 and 1.75
    assert [line.split()[2:6] for line in lines[1:]] == [
        ["5.20", "12.95", "1.85", "7:1"],
        ["6.00", "12.25", "1.75", "7:1"],
    ]
    assert len(json.loads(call("recipe", plan, "--json").stdout)) == 2


def test_the_protocol_of_a_cycled_film(plan: Path) -> None:
    told = call("recipe", plan, "--cycle").stdout
    assert "rising" in told
    assert "unstrained twin" in told
    rows = json.loads(call("recipe", plan, "--cycle", "--json").stdout)
    lines = call("recipe", plan, "--cycle", "--csv").stdout.splitlines()
    assert lines[0] == "time (s),strain (microstrain),temperature (C),part"
    assert len(rows) == len(lines) - 1
    result = call("recipe", plan, "--cycle", "--films", 3)
    assert result.exit_code == 2
    assert "--cycle goes with --csv or --json alone" in result.stderr


def test_a_batch_too_small_for_the_balance_is_said_for_its_loading(plan: Path) -> None:
    alone = call("recipe", plan, "--weight-fraction", "30 wt%", "--mass", "1 g").stdout
    start = "Mind, at 30 wt%: this batch is too small for the balance: "
    assert [line.startswith(start) for line in alone.splitlines()].count(True) == 1
    # 1 g at 0.01 g: 0.91 % of 26 wt%, 0.79 % of 30 wt%
    plan.write_text(PLAN + '[tolerances]\nweighing = "0.85 %"\n[batch]\nmass = "1 g"\n')
    minded = [x for x in call("recipe", plan).stdout.splitlines() if "too small" in x]
    assert len(minded) == 1
    assert minded[0].startswith("Mind, at 26 wt%: this batch is too small")
    assert "likewise" not in minded[0]
    plan.write_text(PLAN + '[batch]\nmass = "1 g"\n')
    (line,) = [x for x in call("recipe", plan).stdout.splitlines() if "too small" in x]
    assert line.endswith("(likewise at 30 wt%)")
    # 0.03 g: 2.6 mg of curing agent do not move this balance
    none = call("recipe", plan, "--weight-fraction", "30 wt%", "--mass", "0.03 g").stdout
    assert "inf" not in none
    assert "no agent" in none


def test_a_loading_that_no_plan_may_have_is_refused_for_a_recipe_too(plan: Path) -> None:
    asked = call("recipe", plan, "--weight-fraction", "95 wt%")
    assert (asked.exit_code, asked.stdout) == (2, "")
    plan.write_text(PLAN.replace('"26 wt%", "30 wt%"', '"95 wt%"'))
    planned = call("recipe", plan)
    assert planned.exit_code == 2
    assert asked.stderr.count("\n") == 1
    assert (
        asked.stderr.removeprefix("--weight-fraction")
        == planned.stderr.partition(": explore.weight_fraction")[2]
    )
    assert "is impossible at these densities" in asked.stderr


# --- run, with the chain itself replaced


SUMMARY: dict[str, Any] = {
    "seed": 4711,
    "command": "percsim run film.toml --out out",
    "complete": True,
    "candidates": [],
    "chosen": None,
    "nearest": None,
    "reasons": ["the chain was replaced by this test"],
}


@pytest.fixture
def chain(monkeypatch: pytest.MonkeyPatch) -> types.SimpleNamespace:
    """Stand-in for percsim.run: `outcome` is what run_plan returns or raises."""
    state = types.SimpleNamespace(outcome=None, calls=[], size={})

    def estimate(plan: Plan, workers: int | None = None) -> dict[str, Any]:
        return {
            "n_boxes": 144, "n_threshold_batches": 22, "n_states": 7,
            "flakes_per_box": [500.0, 6000.0], "flakes": 3e5,
            "workers": workers or 2, "seconds": 100.0,
            "seconds_at_most": 100.0, "seconds_to_compile": 35.0, "memory_bytes": 5e8,
        } | state.size  # fmt: skip

    def run_plan(plan: Plan, **options: Any) -> Any:
        state.calls.append(options)
        if isinstance(state.outcome, FolderError):
            raise state.outcome  # as the folder is opened, before any job
        if options["progress"] is not None:
            options["progress"](0, 166, 0, 0.0, float("inf"))
            options["progress"](166, 166, 1, 2.0, 0.0)
        if isinstance(state.outcome, BaseException):
            raise state.outcome
        if "first" in options:
            options["first"](read_first_page(state.outcome.summary["first_page"]))
            options["told"]("draw")
        return state.outcome

    module = types.ModuleType("percsim.run")
    module.estimate, module.run_plan = estimate, run_plan  # type: ignore[attr-defined]
    module.redraw = lambda folder, blocks: run_plan(None, progress=None)  # type: ignore[attr-defined, arg-type]
    monkeypatch.setitem(sys.modules, "percsim.run", module)
    return state


def finished(folder: Path) -> types.SimpleNamespace:
    page = plain(findings().first)
    return types.SimpleNamespace(
        summary={**SUMMARY, "first_page": page},
        folder=folder,
        figure_failures=(),
        recomputed=(),
    )


def test_a_run_says_decision_report_and_command(
    plan: Path, tmp_path: Path, chain: types.SimpleNamespace
) -> None:
    out = tmp_path / "out"
    chain.outcome = finished(out)
    result = call("run", plan, "--out", out, "--workers", 3, "--fresh")
    assert result.exit_code == 0  # also when no candidate meets the target
    lines = result.stdout.splitlines()
    assert lines[0].startswith("Cast to learn: one cup of ")
    assert lines[-1] == f"Page: {out / 'report.html'}"
    assert len(lines) <= 18
    assert len(result.stdout.split()) <= 200
    assert result.stderr.splitlines() == [
        "2 loadings x 2 gaps: 166 jobs, 144 boxes of 500 to 6,000 particles in 7 states"
        " each and 22 batches for the threshold; about 1 min 40 s on 3 cores",
        "0 of 166 jobs",
        "166 of 166 jobs, 1 failed",
        "draw: tables, figures and page",
    ]
    more = call("run", plan, "--out", out, "--fresh", "--details").stdout
    assert more.startswith(result.stdout)
    assert "Repeat: percsim run film.toml --out out" in more.splitlines()
    options = chain.calls[0]
    assert (options["out"], options["workers"], options["fresh"]) == (out, 3, True)


def test_quiet_says_one_line_and_json_is_json(
    plan: Path, tmp_path: Path, chain: types.SimpleNamespace
) -> None:
    chain.outcome = finished(tmp_path / "out")
    quiet = call("run", plan, "--out", tmp_path / "out", "--quiet")
    assert quiet.stdout.startswith("Cast to learn: one cup of ")
    assert quiet.stdout.count("\n") == 1
    assert quiet.stderr == ""
    assert chain.calls[-1]["progress"] is None
    for command in (("run", plan), ("report", tmp_path)):
        told = json.loads(call(*command, "--json").stdout)
        assert told["reasons"] == SUMMARY["reasons"]
        assert told["report"] == str(tmp_path / "out" / "report.html")


def test_the_folder_defaults_to_the_name_of_the_plan(
    plan: Path, chain: types.SimpleNamespace
) -> None:
    chain.outcome = finished(Path("out/film"))
    call("run", plan)
    assert chain.calls[-1]["out"] == Path("out/film")


def test_check_names_beside_the_powder_what_the_cut_of_its_sizes_leaves_out(
    plan: Path, chain: types.SimpleNamespace
) -> None:
    sheet = 'diameter = { d10 = "6 um", d50 = "14 um", d90 = "32 um" }'
    written = plan.read_text()
    (given,) = (line for line in written.splitlines() if line.startswith("diameter"))
    plan.write_text(written.replace(given, sheet, 1))
    lines = call("check", plan).stdout.splitlines()
    (at,) = (k for k, line in enumerate(lines) if line.startswith("filler"))
    # spread ln(32/6)/2.563 = 0.653, beyond the cut 1 - Phi(3 - 3 x 0.653) = 15 %
    assert "without its largest 15 % by volume" in lines[at + 1]
    assert sum("by volume" in line for line in lines) == 1


def test_an_interrupted_run_says_what_is_stored_and_how_to_go_on(
    plan: Path, tmp_path: Path, chain: types.SimpleNamespace
) -> None:
    from percsim.boxes.workers import Interrupted

    chain.outcome = Interrupted(40, 166, 0, stored=True)
    out = tmp_path / "my out"
    result = call("run", plan, "--out", out)
    assert result.exit_code == 130
    assert result.stdout == ""
    assert result.stderr.splitlines()[-2:] == [
        f"interrupted: 40 of 166 jobs stored in {out}",
        f"go on with:  percsim run {plan} --out '{out}'",
    ]
    chain.outcome = KeyboardInterrupt()  # while the report is written
    result = call("run", plan, "--out", out)
    assert result.exit_code == 130
    assert result.stderr.splitlines()[-2:] == [
        "interrupted",
        f"go on with:  percsim run {plan} --out '{out}'",
    ]


def test_what_goes_on_keeps_the_options_that_were_given(
    capsys: pytest.CaptureFixture[str],
) -> None:
    from percsim.boxes.workers import Interrupted
    from percsim.cli.shared import resumable

    words = "percsim", "survey", "a b.toml", "--budget", None, "--cluster", "local:2"
    with pytest.raises(typer.Exit) as left, resumable(Path("out"), *words):
        raise Interrupted(3, 9, 0, stored=True)
    assert left.value.exit_code == 130
    assert capsys.readouterr().err.splitlines() == [
        "interrupted: 3 of 9 jobs stored in out",
        "go on with:  percsim survey 'a b.toml' --cluster local:2",
    ]


def test_folder_faults_are_bad_input_and_surprises_are_not(
    plan: Path, chain: types.SimpleNamespace
) -> None:
    chain.outcome = FolderError("out holds the results of another plan")
    for options in ((), ("--quiet",), ("--fresh",)):
        result = call("run", plan, *options)
        # nothing comes before it
        assert (result.exit_code, result.stderr) == (2, f"{chain.outcome}\n")
    chain.outcome = ZeroDivisionError("division by zero")
    result = call("run", plan, "--quiet")
    assert result.exit_code == 1
    assert result.stderr == (
        "unexpected fault, ZeroDivisionError: division by zero; repeat with --debug to see"
        " where\n"
    )
    assert isinstance(call("run", plan, "--debug").exception, ZeroDivisionError)


def test_check_prints_size_time_and_memory(
    plan: Path, chain: types.SimpleNamespace
) -> None:
    text = call("check", plan).stdout
    for words in (
        "26, 30 wt%",
        "13.9, 16.4 vol%",
        "144, edges 100 um",
        "1 min 40 s",
        "500 MB",
        "300,000 in all",
    ):
        assert words in text
    told = json.loads(call("check", plan, "--json").stdout)
    assert told["n_boxes"] == 144
    assert Plan.from_dict(told["plan"]).hash == told["hash"] == Plan.load(plan).hash
    assert len(call("check", plan, "--quiet").stdout.splitlines()) == 1


def test_one_of_a_thing_is_no_plural(plan: Path, chain: types.SimpleNamespace) -> None:
    plan.write_text(
        PLAN.replace('"26 wt%", "30 wt%"', '"30 wt%"').replace('"2 mm", "3 mm"', '"2 mm"')
    )
    chain.size = {
        "n_boxes": 1, "n_threshold_batches": 1, "n_states": 1,
        "flakes_per_box": [600.0, 600.0],
    }  # fmt: skip
    chain.outcome = finished(Path("out"))
    assert call("run", plan, "--workers", 1).stderr.splitlines()[0] == (
        "1 loading x 1 gap: 2 jobs, 1 box of 600 particles in 1 state each and 1 batch for"
        " the threshold; about 1 min 40 s on 1 core"
    )
    assert "on 1 core\n" in call("check", plan, "--workers", 1).stdout


BLEND = PLAN.replace(
    "[elastomer]",
    """share = "90 %"
[[filler]]
name = "black"
kind = "sphere"
density = "1800 kg/m3"
diameter = "200 nm"
share = "10 %"
[elastomer]""",
).replace("\n[filler]", "\n[[filler]]")


def test_a_run_larger_than_the_memory_is_cautioned_with_both_numbers(
    plan: Path, chain: types.SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    pages = {"SC_PHYS_PAGES": 4_000_000, "SC_PAGE_SIZE": 4096}  # 16.4 GB
    monkeypatch.setattr(os, "sysconf", pages.__getitem__, raising=False)
    chain.outcome = finished(Path("out"))
    for needed, expected in ((16e9, 0), (56e9, 1)):
        chain.size = {"memory_bytes": needed}
        for command in (("check", plan), ("run", plan)):
            lines = [x for x in call(*command).output.splitlines() if "Mind: the run" in x]
            assert len(lines) == expected
    assert "about 56 GB of memory" in lines[0]
    assert (
        "this machine has 16 GB; smaller boxes, or a larger filler would help" in lines[0]
    )
    told = json.loads(call("check", plan, "--json").stdout)
    assert told["machine_memory_bytes"] == 4_000_000 * 4096
    assert told["cautions"][0] == lines[0].removeprefix("Mind: ")
    chain.size = {"memory_bytes": 30e9}  # would fit one process
    assert "fewer --workers" in call("check", plan).stdout
    plan.write_text(BLEND)
    assert "a larger or agglomerated black in place" in call("check", plan).stdout

    def unknown(name: str) -> int:
        raise ValueError("unrecognized configuration name")

    monkeypatch.setattr(os, "sysconf", unknown)
    assert "Mind: the run" not in call("check", plan).stdout
    monkeypatch.delattr(os, "sysconf")
    assert call("check", plan).exit_code == 0


def test_compiling_is_announced_only_where_nothing_is_compiled(
    plan: Path,
    chain: types.SimpleNamespace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    words = "35 s more the first time here"
    for folder in (tmp_path, tmp_path / "missing", None):
        monkeypatch.setattr("percsim.kernels.cache_folder", folder)
        assert words in call("check", plan).stdout
    monkeypatch.setattr("percsim.kernels.cache_folder", tmp_path)
    (tmp_path / "growth").mkdir()
    (tmp_path / "growth" / "kernel.nbi").write_bytes(b"")
    assert words not in call("check", plan).stdout
    assert json.loads(call("check", plan, "--json").stdout)["seconds_to_compile"] == 0.0


def test_a_fresh_start_says_whose_results_it_removes(
    plan: Path, tmp_path: Path, chain: types.SimpleNamespace
) -> None:
    from percsim.boxes.store import Record, Store

    out = tmp_path / "out"
    chain.outcome = finished(out)
    mine = Plan.load(plan)
    other = Plan.from_dict({**mine.as_dict(), "seed": 77, "title": "Seat tube"})

    def told(*options: str) -> list[str]:
        lines = call("run", plan, "--out", out, "--fresh", *options).stderr.splitlines()
        return [line for line in lines if line.startswith("removed")]

    assert told() == []
    with Store.open(out) as store:
        store.save_artefacts({"plan": other.as_dict()})
        store.add([Record("a", "done", "{}", 0.1), Record("b", "done", "{}", 0.1)])
    expected = f"removed the results of another plan, 'Seat tube', in {out} (2 jobs done)"
    assert told() == [expected]
    assert told("--quiet") == [expected]
    with Store.open(out, fresh=True) as store:
        store.save_artefacts({"plan": mine.as_dict()})
    assert told() == []


def test_a_folder_without_a_name_is_refused(
    plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    readings = tmp_path / "cups.csv"
    readings.write_text("weight_fraction (wt%),electrode_gap,resistance\n26,3 mm,1 kohm\n")
    for words in (
        ("run", plan, "--out"), ("anchor", plan, readings, "--out"),
        ("agree", plan, readings, "--out"), ("report",), ("lots", "--folder"),
    ):  # fmt: skip
        result = call(*words, "")
        assert (result.exit_code, result.stdout) == (2, "")
        assert result.stderr == (
            "the name of the results folder is empty; write . for this one\n"
        )
    assert sorted(os.listdir()) == ["cups.csv", "film.toml"]


@pytest.mark.parametrize("name", ["plan.toml", "summary.json", "report.html"])
def test_a_run_refuses_a_folder_with_files_of_somebody(plan: Path, name: str) -> None:
    mine = plan.parent / name
    mine.write_text("mine")
    for options in ((), ("--fresh",)):
        result = call("run", plan, "--out", plan.parent, "--quiet", *options)
        assert (result.exit_code, result.stdout) == (2, "")
        assert result.stderr == (
            f"{mine} is not known as percsim's own; copy what you want to keep elsewhere"
            " and remove it, or choose another folder\n"
        )
    assert mine.read_text() == "mine"
    assert sorted(os.listdir(plan.parent)) == sorted(["film.toml", name])


# --- lots

LOT = "casting,resistance_kohm,uncured_kohm\n1,1.21,2.9\n2,1.50,3.7\n3,1.38,3.3\n4,open,\n"


def test_lots_of_a_file_and_of_options_agree(tmp_path: Path) -> None:
    file = tmp_path / "lot.csv"
    file.write_text(LOT)
    from_file = call("lots", file, "--window", "0.7 to 3 kohm", "--json")
    assert from_file.exit_code == 0, from_file.output
    told = json.loads(from_file.stdout)
    assert (told["lot"]["n"], told["lot"]["n_open"], told["lot"]["inside"]) == (4, 1, 3)
    assert told["lot"]["largest_ohm"] == "inf"
    assert told["before_cure"]["n"] == 3
    words = ("-r", "1.21 kohm", "-r", "1500 ohm", "-r", "1.38 kohm", "-r", "open")
    by_option = call("lots", *words, "--window", "0.7 to 3 kohm", "--json")
    assert json.loads(by_option.stdout)["lot"] == told["lot"]
    semicolons = tmp_path / "other.csv"
    semicolons.write_text("Resistance;note\n1.21 kohm;a\n1.5 kohm;b\n1380 ohm;\nopen;d\n")
    again = call("lots", semicolons, "--window", "0.7 to 3 kohm", "--json")
    assert json.loads(again.stdout)["lot"] == told["lot"]


def test_lots_knows_the_cups_of_films(tmp_path: Path) -> None:
    file = tmp_path / "lot.csv"
    rows = ["a,900", "a,950", "b,1300", "b,1250", "c,1100"]
    file.write_text("\n".join(["Cup,resistance (ohm)", *rows]))
    told = json.loads(call("lots", file, "--json").stdout)["lot"]
    assert told["n_cups"] == 3
    assert told["log_std_between_cups"] > told["log_std_within_cups"] > 0.0
    assert told["design_effect"] > 1.0
    for text, words, fault in (
        ("cup,resistance_ohm\na,900\n,950\n", (), "row 3: no cup"),
        ("cup,resistance_ohm\na,900\n", ("-r", "1 kohm"), "--reading names no cup"),
        ("resistance_ohm\n900\n", ("--good-share", "70 %"), "--good-share must lie"),
    ):
        file.write_text(text)
        result = call("lots", file, *words)
        assert (result.exit_code, result.stdout) == (2, "")
        assert fault in result.stderr


@pytest.mark.parametrize(
    ("heading", "cell", "ohm"),
    [
        ("weight_fraction (wt%),resistance (kohm)", "34,1.2", 1200.0),
        ("# bench 2\nresistance [kohm]\tnote", "1.2\tcup 3", 1200.0),
        ("resistance_Mohm", "1.2", 1.2e6),
        ("Resistance_mohm", "1.2", 1.2e-3),
        ("resistance", "1.2 Mohm", 1.2e6),
    ],
)
def test_lots_takes_the_headings_of_the_other_readings(
    tmp_path: Path, heading: str, cell: str, ohm: float
) -> None:
    file = tmp_path / "lot.csv"
    file.write_text(f"{heading}\n{cell}\n{cell}\n")
    result = call("lots", file, "--json")
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["lot"]["median_ohm"] == pytest.approx(ohm)


def test_lots_predicts_for_the_recipe_that_is_decided_for(
    tmp_path: Path, plan: Path
) -> None:
    row = {"weight_fraction": 0.3, "electrode_gap_m": 3e-3, "resistance_cv": 0.25,
           "resistance_ohm": {"median": 1440.0}}  # fmt: skip
    summary = {
        "plan": Plan.load(plan).as_dict(), "candidates": [row, row], "chosen": 0,
    }  # fmt: skip
    (tmp_path / "summary.json").write_text(json.dumps(summary))
    words = " ".join(call("lots", "--folder", tmp_path).stdout.split())
    assert "for 30 wt%, 3 mm gap: median 1.44 kohm, CV 25 %" in words
    assert "on contacts as assumed" in words
    measured = {**row, "electrode_gap_m": 2e-3, "resistance_cv": {"median": 0.23},
                "casting_resistance_ohm": {"median": 1240.0}}  # fmt: skip
    summary["anchor"] = {"n_rows": 6, "best": 1, "candidates": [row, measured]}
    (tmp_path / "summary.json").write_text(json.dumps(summary))
    words = " ".join(call("lots", "--folder", tmp_path).stdout.split())
    assert "for 30 wt%, 2 mm gap: median 1.24 kohm, CV 23 %" in words
    assert "on 6 measured rows of films" in words


def test_lots_plans_without_readings() -> None:
    result = call("lots", "--cv", "25 %", "--share", "90 %")
    assert result.exit_code == 0, result.output
    assert "29 with no failures" in " ".join(result.stdout.split())
    assert "Sampling plan" not in call("lots", "--cv", "25 %", "--quiet").stdout


@pytest.mark.parametrize(
    ("text", "words", "fault"),
    [
        (None, (), "nothing to judge: give READINGS.csv"),
        (None, ("-r", "-3 kohm"), "--reading = '-3 kohm' is negative"),
        (None, ("-r", "0 ohm"), "'0 ohm' is too small; the range is 1 uohm"),
        (None, ("-r", "1e300 ohm", "--json"), "'1e300 ohm' is too large; the range is"),
        (None, ("--cv", "1e300 %", "--json"), "--cv = '1e300 %' must be 1000 % or less"),
        (None, ("--cv", "20 %", "--window", "0 to 1e300 ohm"), "is out of range"),
        (None, ("-r", "3"), "'3' has no unit; write it like '3 kohm'"),
        (None, ("--cv", "-5 %"), "--cv = '-5 %'"),
        (None, ("--cv", "20 %", "--confidence", "100 %"), "--confidence must be below"),
        (None, ("--cv", "20 %", "--within", "0 %"), "--within must be above 0 %"),
        (None, ("--cv", "20 %", "--window", "3 to 2 kohm"), "--window = '3 to 2 kohm'"),
        (None, ("--cv", "20 %", "--cured-ratio", "2"), "go together"),
        (None, ("--folder", "."), "holds no results to read"),
        ("a,b\n1,2\n", (), "needs a column 'resistance'"),
        ("resistance_kohm\n1.2\nx\n", (), "row 3: resistance = 'x kohm'"),
        ("resistance\n1.2\n", (), "row 2: resistance = '1.2' has no unit"),
        ("resistance_volt\n1.2\n", (), "row 2: resistance = '1.2 volt'"),
        ("resistance_ohm,n\n,1\n", (), "row 2: no resistance; write 'open'"),
        ("resistance_ohm\n", (), "holds no reading"),
    ],
)
def test_lots_refuses_bad_input_in_one_line(
    tmp_path: Path, text: str | None, words: tuple[str, ...], fault: str
) -> None:
    file = tmp_path / "lot.csv"
    if text is not None:
        file.write_text(text)
        words = (str(file), *words)
    result = call("lots", *words)
    assert result.exit_code == 2
    assert fault in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert result.stdout == ""


@pytest.mark.parametrize(
    "summary",
    ["[]", "{}", '"a"', "1", "null", "9" * 5000, "[" * 10**5, "{", '{"anchor": 3}',
     '{"candidates": [], "chosen": 0, "plan": {}}',
     '{"candidates": [{"resistance_ohm": 3}], "chosen": 0}',
     '{"candidates": [{"resistance_ohm": {"median": 1}, "resistance_cv": []}]}',
     '{"candidates": {"a": 1}, "chosen": [], "decision": 7}'],
    ids=count(),
)  # fmt: skip
def test_lots_refuses_a_summary_that_is_not_of_percsim(
    tmp_path: Path, summary: str
) -> None:
    (tmp_path / "summary.json").write_text(summary)
    result = call("lots", "--folder", tmp_path)
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1
    assert "holds no results to read" in result.stderr


@pytest.mark.parametrize(
    ("there", "words", "fault"),
    [
        (False, (), "there is no such folder or plan"),
        (True, (), "holds no results"),
        (True, ("--out", "else"), "--out goes with a plan"),
    ],
)
def test_explore_refuses_what_is_no_folder_of_results(
    tmp_path: Path, there: bool, words: tuple[str, ...], fault: str
) -> None:
    pytest.importorskip("bokeh")
    folder = tmp_path / "folder"
    if there:
        folder.mkdir()
    result = call("explore", folder, "--no-browser", *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert len(result.stderr.splitlines()) == 1
    assert fault in result.stderr


# --- what cannot be read, and where nothing can be written


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (f"seed = {'9' * 5000}\n" + PLAN, "is not TOML: exceeds the limit"),
        (f"seed = 0x{'f' * 5000}\n" + PLAN, "seed = a number of thousands of digits is"),
        (PLAN.replace('"2 mm"', f"0x{'f' * 5000}"), "(entry 1) = a number of thousands"),
        (PLAN.replace('"2 mm"', '"1 m**9**9**9"'), "has the unknown unit 'm**9**9**9'"),
        (PLAN.replace('"2 mm"', f'"1{" " * 10**6}mm"'), "is too long; a quantity has"),
        ("title = 'x" + "x" * 2_000_000 + "'\n" + PLAN, "is larger than 2 MB"),
        ("a = " + "[" * 10**5, "is not TOML"),
    ],
    ids=count(),
)
def test_plans_without_measure_are_refused(tmp_path: Path, text: str, fault: str) -> None:
    file = tmp_path / "film.toml"
    file.write_text(text)
    result = call("check", file)
    assert (result.exit_code, result.stdout) == (2, "")
    assert fault in result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="the system has no such device")
def test_a_device_without_an_end_is_refused() -> None:
    result = call("check", "/dev/zero")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "/dev/zero: is larger than 2 MB" in result.stderr


CELL = "x" * 140_000


@pytest.mark.parametrize(
    ("command", "text", "fault"),
    [
        ("lots", f"resistance,note\n1.2 kohm,{CELL}\n", "line 2 is not CSV: field larger"),
        ("anchor", f"loading,gap,resistance\n26,3,{CELL}\n", "line 2 is not CSV: field la"),
        ("lots", f"resistance\n{'9' * 5000} ohm\n", "is too long"),
        ("lots", f"resistance\n1{' ' * 10**5}ohm\n", "is too long"),
        ("anchor", f"loading (wt%),gap (mm),films\n26,3,{'9' * 5000}\n", "films"),
        ("anchor", f"loading (wt%),gap (mm),aspect_ratio\n26,3,{'9' * 5000}\n", "aspect"),
        ("anchor", f"loading{' ' * 10**5}wt%,gap\n26,3\n", "is not known"),
        ("lots", ";" * 10**6 + "\n", "line 1 has more than 200 cells"),
    ],
    ids=count(),
)
def test_tables_without_measure_are_refused(
    tmp_path: Path, plan: Path, command: str, text: str, fault: str
) -> None:
    file = tmp_path / "cups.csv"
    file.write_text(text)
    out = tmp_path / "out"
    words = (plan, file, "--out", out) if command == "anchor" else (file,)
    result = call(command, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert fault in result.stderr
    assert max(map(len, result.stderr.splitlines())) < 400
    assert not out.exists()


CONFINED = '[placement]\nfaces = "confining"\n[boxes]\nlengths = ["4 D", "5 D"]'
UPRIGHT = 'aspect_ratio = 15\norientation = "in-plane"\norder = -0.5'


@pytest.mark.parametrize(
    ("words", "fault"),
    [
        (CONFINED, "faces = 'confining' at 30 wt%: "),
        ('[boxes]\nlengths = ["60 mm", "80 mm"]', "has a box of 80 mm with"),
    ],
)
def test_boxes_that_cannot_be_placed_are_found_before_a_run(
    tmp_path: Path, plan: Path, words: str, fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # flakes of up to 34 um on edge in a film of 20 um fit with no patience
    monkeypatch.setattr("percsim.particles.placement._ROUNDS", 20)
    text = plan.read_text().replace("aspect_ratio = 15", UPRIGHT)
    if "confining" in words:
        text = text.replace('"0.2 mm"', '"0.02 mm"')
    plan.write_text(f"{text}{words}\n")
    for command in ("check", "run"):
        out = tmp_path / "out"
        result = call(command, plan, *(("--out", out) if command == "run" else ()))
        assert (result.exit_code, result.stdout) == (2, "")
        assert fault in result.stderr.splitlines()[-1]
        assert not out.exists()


def percsim(words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command line in a shell of its own."""
    return subprocess.run(
        ["sh", "-c", f"{sys.executable} -m percsim {words}"],
        capture_output=True, text=True, env=os.environ | environment, check=False,
    )  # fmt: skip


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no such device")
def test_a_full_or_closed_output_is_told() -> None:
    for words in ("new -", "--help"):
        full = percsim(f"{words} > /dev/full")
        assert (full.returncode, len(full.stderr.splitlines())) == (2, 1)
        assert full.stderr.startswith("standard output cannot be written: no space left")
    closed = percsim("new - >&-")
    assert (closed.returncode, closed.stdout) == (2, "")
    assert closed.stderr == "standard output is closed; send it to a file\n"
    assert percsim("new . 2>&-").returncode == 2
    assert percsim("new . 2> /dev/full").returncode == 2


def test_a_reader_that_has_gone_is_left_in_silence() -> None:
    read, write = os.pipe()
    os.close(read)
    gone = subprocess.run(
        [sys.executable, "-m", "percsim", "new", "-"],
        stdout=write, stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    os.close(write)
    assert (gone.returncode, gone.stderr) == (2, "")


def test_a_title_that_the_terminal_cannot_show_is_spelt(plan: Path) -> None:
    plan.write_text(f'title = "20 \u2192 60 C"\n{PLAN}', encoding="utf-8")
    result = percsim(f"check {plan}", PYTHONIOENCODING="ascii")
    assert (result.returncode, result.stderr) == (0, "")
    assert "no fault: 20 \\u2192 60 C" in result.stdout
