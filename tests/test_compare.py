"""Two folders side by side: differences known by hand, on a page and in a few lines."""

import html
import json
import re
import shutil

import numpy as np
import pytest
from quick import run_quickly
from test_cup_sheet import PLAN, call, make

from percsim.advice import answer, stored_films
from percsim.compare import compare
from percsim.plan import Plan
from percsim.words.first import HEADS, state_line

ONE_FILM = PLAN.replace('"30 wt%", "36 wt%"', '"36 wt%"').replace(
    '"2 mm", "4 mm"', '"4 mm"'
)
READ = """
[[measured]]
weight_fraction = "36 wt%"
electrode_gap = "4 mm"
resistance = "1.5 kohm"
films = 3
"""


@pytest.fixture(scope="module")
def folder_of(shared, tmp_path_factory):
    """A folder of a plan that shares its boxes with that of the sheets."""
    root, made = tmp_path_factory.mktemp("sides"), {}

    def run(name, text):
        if name not in made:
            made[name] = root / name
            shutil.copytree(shared("patch", make) / "out", root / name, symlinks=True)
            (root / f"{name}.toml").write_text(text)
            run_quickly(Plan.load(root / f"{name}.toml"), root / name, workers=1)
        return made[name]

    return run


@pytest.fixture
def narrow(folder_of):
    return folder_of("narrow", ONE_FILM)


@pytest.fixture
def wide(folder_of):
    return folder_of("wide", ONE_FILM.replace('"6 mm"', '"12 mm"'))


def bands(found):
    return {difference.what: difference.value for difference in found.differences}


def test_a_folder_does_not_differ_from_itself(narrow):
    found = compare(narrow, narrow)
    assert found.shared
    assert found.pages[0] == found.pages[1]
    for what, band in bands(found).items():
        ends = [band.median, band.p05, band.p95]
        np.testing.assert_allclose(ends, 1.0 if what == "resistance" else 0.0, atol=1e-12)


def test_what_nobody_knows_drops_out_where_both_share_it(narrow, wide):
    """R of bars goes as one over the width; each R is unknown within more than ten."""
    found = compare(narrow, wide)
    apart = bands(found)
    r = next(row.resistance for row in found.pages[0].rows)
    assert r.p95 / r.p05 > 10.0
    ratio = apart["resistance"]
    assert ratio.median == pytest.approx(0.5, rel=2e-3)
    assert ratio.p95 / ratio.p05 < 1.01
    assert abs(apart["gauge_factor"].median) < 0.01
    # half the deviation of a width that is off by as much
    assert apart["resistance_cv"].median < 0.0
    back = bands(compare(wide, narrow))["resistance"]
    assert back.median == pytest.approx(1.0 / ratio.median, rel=1e-6)


@pytest.mark.parametrize(
    "other",
    [
        ONE_FILM + '\n[contacts]\ng0 = { value = "80 uS", factor = 3 }\n',
        ONE_FILM + READ,
    ],
)
def test_other_powders_contacts_or_readings_share_nothing(narrow, folder_of, other):
    found = compare(narrow, folder_of(f"other-{len(other)}", other))
    assert not found.shared
    # at least as uncertain as the first alone, which may be open
    ratio = bands(found)["resistance"]
    assert ratio.p05 == 0.0
    assert ratio.p95 > 5.0 * ratio.median


def test_a_page_and_a_few_lines_for_the_command_line(narrow, wide, tmp_path):
    page = tmp_path / "both.html"
    code, text, told = call("compare", narrow, wide, "--page", page)
    assert (code, told) == (0, "")
    found = compare(narrow, wide)
    words = " ".join(text.split())
    for name, one in zip(("narrow", "wide"), found.pages, strict=True):
        assert f"{name}: {state_line(one)}." in words.replace("\u2013", "-")
    assert "x 0.5 (x 0.5" in words
    assert f"Page: {page}" in text
    assert len(text.splitlines()) <= 30
    assert max(map(len, text.splitlines())) <= 92
    # what is too long for the table stands below it
    for head in (*HEADS, "to weigh", "own threshold", "scatter of R, 1."):
        assert re.search(rf"^{re.escape(head)}[: ] ", text, re.MULTILINE), head
    shown = page.read_text()
    assert shown.count("<svg") == 2
    assert not re.search(r"<script|https?://", shown)
    words = html.unescape(re.sub(r"<[^>]+>", " ", shown)).replace("\xa0", " ")
    cells = html.unescape(shown)
    for head in HEADS:
        assert cells.count(f">{head}<") >= 3  # in the table of both, and in each page


def test_while_learning_both_are_told_of_the_cup(folder_of):
    """Another recipe than those of the cup may be likelier: differences are the page's."""
    folder = folder_of("cup", PLAN + 'pass_share = "50 %"\n')
    plan = Plan.load(folder.parent / "cup.toml")
    found = answer(plan, stored_films(plan, folder))
    read = ONE_FILM + READ
    told = compare(folder_of(f"other-{len(read)}", read), folder)
    best = next(row for row in told.pages[1].rows if row.is_best)
    assert best.probability <= found.decision.probability
    ours = next(row for row in told.pages[0].rows if row.is_best)
    apart = bands(told)["probability"].median
    assert apart == pytest.approx(best.probability - ours.probability, abs=1e-12)


def test_what_is_shared_is_that_of_the_mix_and_of_the_bench(narrow, folder_of):
    mixed = ONE_FILM.replace("[explore]", '[explore]\nmix_ratio = ["5:1"]')
    assert not compare(narrow, folder_of("mixed", mixed)).shared
    loose = ONE_FILM.replace("[tolerances]", '[tolerances]\nweighing = "3 %"')
    folder = folder_of("loose", loose)
    found = compare(narrow, folder)
    assert (found.shared, found.same_bench) == (True, False)
    _, text, _ = call("compare", narrow, folder, "--page", folder.parent / "x.html")
    assert "contacts and threshold are the same" in " ".join(text.split())


def test_folders_are_called_so_that_they_can_be_told_apart(
    narrow, wide, tmp_path, monkeypatch
):
    page = ("--page", tmp_path / "x.html")
    shutil.copytree(wide, tmp_path / "narrow", symlinks=True)
    monkeypatch.chdir(narrow)
    _, text, _ = call("compare", ".", wide, *page)
    assert text.startswith("narrow: ")
    _, text, _ = call("compare", ".", tmp_path / "narrow", *page)
    lines = text.splitlines()
    assert lines[0].startswith(".: ")
    assert any(line.startswith(str(tmp_path / "narrow")) for line in lines)


def test_quiet_says_the_states_alone_as_after_a_run(narrow, wide, tmp_path):
    code, text, _ = call("compare", narrow, wide, "--quiet", "--page", tmp_path / "x.html")
    states = [state_line(page) for page in compare(narrow, wide).pages]
    assert code == 0
    assert text.splitlines() == [f"narrow: {states[0]}.", f"wide: {states[1]}."]


def test_what_cannot_be_compared_is_one_line(narrow, tmp_path):
    (tmp_path / "empty").mkdir()
    code, _, told = call("compare", narrow, tmp_path / "empty")
    assert (code, told.count("\n")) == (2, 1)
    code, text, _ = call("compare", narrow, narrow, "--json", "--page", tmp_path / "x.html")
    assert code == 0
    assert json.loads(text)["shared"] is True
