"""From the sheet that a run leaves to the next one, by the command line."""

import csv
import re
import shutil

import pytest
from quick import run_quickly
from typer.testing import CliRunner

from percsim.cli import app
from percsim.plan import Plan

PLAN = """
title = "two loadings"
seed = 5150
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
points = 3
[explore]
weight_fraction = ["30 wt%", "36 wt%"]
electrode_gap = ["2 mm", "4 mm"]
[boxes]
count = 4
lengths = ["4 D", "6 D"]
threshold_count = 20
[tolerances]
castings = 100
[target]
resistance = "0.3 to 3 kohm"
"""


def call(*arguments):
    result = CliRunner().invoke(app, [str(a) for a in arguments])
    return result.exit_code, result.stdout, result.stderr


def make(folder):
    folder.mkdir()
    (folder / "patch.toml").write_text(PLAN)
    run_quickly(Plan.load(folder / "patch.toml"), folder / "out", workers=1)


@pytest.fixture
def run(shared, tmp_path):
    shutil.copytree(shared("patch", make), tmp_path / "copy", symlinks=True)
    return tmp_path / "copy" / "patch.toml", tmp_path / "copy" / "out"


def fill(path, readings):
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row, ohms in zip(rows, readings, strict=False):
        row["resistance (ohm)"] = ohms
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return len(rows)


def test_the_folder_and_the_command_give_the_same_sheet(run):
    plan, out = run
    code, text, _ = call("recipe", plan, "--csv", "--out", out)
    assert code == 0
    assert text == (out / "cups.csv").read_text()
    assert text.count("cup 1,") == 6
    code, _, told = call("recipe", plan, "--csv", "--out", out.parent / "none")
    assert (code, told.count("\n")) == (2, 1)
    assert "does not say which cup to cast: run the plan there" in told
    code, _, told = call("recipe", plan, "--csv", "--films", 3)
    assert (code, told.count("\n")) == (2, 1)


@pytest.mark.usefixtures("no_pictures")
def test_a_sheet_filled_in_where_it_lies_is_read_and_kept(run):
    plan, out = run
    n = fill(out / "cups.csv", ["900", "1000", "1100", "open"])
    mine = (out / "cups.csv").read_text()
    code, text, told = call("anchor", plan, out / "cups.csv", "--out", out, "--details")
    assert code == 0, told
    assert f"cups.csv: {n - 4} films not read yet, passed over" in told
    assert f"is kept as {out / 'read_1.csv'}" in told
    assert (out / "read_1.csv").read_text() == mine
    assert f"{out / 'read_1.csv'} --out {out}" in text  # how to repeat it
    after = (out / "cups.csv").read_text()
    assert after.startswith("# no cup") or "cup 2,1," in after
    # a second sheet goes beside the first; agree takes one cup
    second = out.parent / "second.csv"
    second.write_text(mine.replace("cup 1,", "cup 2,"))
    code, _, told = call("anchor", plan, out / "read_1.csv", second, "--out", out, "-q")
    assert (code, told.count("\n")) == (0, 1)  # open is what nobody expects of film 4
    assert told.startswith("Contradiction: cup 1, 4")
    assert (out / "read_1.csv").read_text() == mine
    # the next cup is the one that the readings ask for
    code, text, _ = call("recipe", plan, "--csv", "--out", out)
    assert (code, text) == (0, (out / "cups.csv").read_text())
    twice = call("anchor", plan, second, out.parent / "second.csv", "--out", out)
    assert (twice[0], twice[2].count("\n")) == (2, 1)
    assert "holds the same films as" in twice[2]
    code, text, told = call("agree", plan, out / "read_1.csv", "--out", out)
    assert code == 0, told
    assert "4 films of" in text
    code, _, told = call("agree", plan, out / "read_1.csv", second, "--out", out, "-q")
    assert (code, told.count("\n")) == (2, 1)
    assert "come from 2 cups" in told


@pytest.mark.usefixtures("no_pictures")
def test_a_run_says_which_readings_it_leaves_out(run):
    plan, out = run
    fill(out / "cups.csv", ["900", "1000", "1100"])
    assert call("anchor", plan, out / "cups.csv", "--out", out, "-q")[0] == 0
    code, _, told = call("run", plan, "--out", out)
    assert code == 0
    assert "was decided with 3 readings, which a plain run leaves out" in told
    code, _, told = call("run", plan, "--out", out)
    assert "leaves out" not in told


@pytest.mark.usefixtures("no_pictures")
def test_films_that_were_not_pulled_are_asked_for(run):
    """Cups without a strained reading are not spent, however many there are."""
    plan, out = run
    plan.write_text(PLAN.replace("[target]", "[target]\nsmallest_gauge_factor = 2"))
    assert call("run", plan, "--out", out, "-q")[0] == 0
    fill(out / "cups.csv", ["900", "1000", "1100", "1900", "2000", "2100"])
    sheet = (out / "cups.csv").read_text()
    (out / "cups.csv").unlink()
    files = [out.parent / f"{k}.csv" for k in range(1, 5)]
    for k, file in enumerate(files, 1):
        file.write_text(sheet.replace("cup 1,", f"cup {k},"))
    code, text, told = call("anchor", plan, *files, "--out", out)
    assert code == 0, told
    told = " ".join(text.split())
    cast = sheet.splitlines()[1].split(",")[2]
    assert re.search(
        rf"first read at \d+ microstrain the films of {cast} wt% that pass", told
    )
    assert "read the films of cup 1, cup 2, cup 3 and cup 4 at" in told
    # films that were read strained alone lack what was read at rest
    heading = "weight_fraction (wt%),electrode_gap (mm),resistance (ohm),strain (%),batch\n"
    own = out.parent / "own.csv"
    own.write_text(heading + "36,2,1000,0,cup 1\n" * 3 + "36,2,1020,0.1,cup 9\n" * 3)
    code, text, told = call("anchor", plan, own, "--out", out)
    assert code == 0, told
    assert "read the films of cup 1 at" in " ".join(text.split())


def test_a_lot_is_of_one_recipe(run):
    _, out = run
    fill(out / "cups.csv", ["900", "1000", "1100", "1900", "2000"])
    code, _, told = call("lots", out / "cups.csv")
    assert (code, told.count("\n")) == (2, 1)
    assert "electrode_gap differs" in told
    lines = (out / "cups.csv").read_text().splitlines()
    own = out.parent / "own.csv"
    at = next(i for i, h in enumerate(lines[0].split(",")) if h.startswith("electrode_gap"))
    first = lines[1].split(",")[at]
    kept = [line for line in lines[1:] if line.split(",")[at] == first]
    own.write_text("\n".join([lines[0], *kept[:-1], kept[-1].replace("1100", "")]))
    code, text, told = call("lots", own)
    assert code == 0, told
    assert "2 castings: median 950 ohm" in text


@pytest.mark.usefixtures("no_pictures")
def test_a_run_never_writes_over_a_sheet_that_was_filled_in(run):
    plan, out = run
    fill(out / "cups.csv", ["900"])
    mine = (out / "cups.csv").read_text()
    code, _, told = call("run", plan, "--out", out)
    assert code == 2
    assert "cups.csv is not as percsim wrote it; copy what you want to keep" in told
    assert (out / "cups.csv").read_text() == mine
