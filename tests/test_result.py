"""What a run leaves, opened again: as the first page in a notebook, and as data frames."""

import html
import re
import shutil
import subprocess
import sys

import numpy as np
import pytest
from test_cup_sheet import make

import percsim as ps
from percsim.errors import FolderError
from percsim.report.rows import TABLES
from percsim.report.shown import styles
from percsim.words.first import state_line


@pytest.fixture
def folder(shared):
    return shared("patch", make) / "out"


def test_a_folder_opens_as_the_run_returned_it(folder):
    result = ps.open_folder(folder)
    assert repr(result) == f"{state_line(result.first)}. In {folder}"
    assert result.summary["candidates"][0]["weight_fraction"] == pytest.approx(0.30)
    assert result.figure_failures == result.recomputed == ()


def test_it_shows_itself_as_the_first_page(folder):
    result = ps.open_folder(folder)
    shown = result._repr_html_()
    words = " ".join(html.unescape(re.sub(r"<[^>]+>", " ", shown)).split())
    assert state_line(result.first).replace(" ", "") in words.replace("\xa0", "").replace(
        " ", ""
    )
    assert shown.count("<svg") == 1
    for part in result.first.cups[0].parts:
        assert f"{part.reading:.2f}" in words
    assert not re.search(r"<script|https?://", shown)


def test_its_style_touches_nothing_else_in_the_notebook():
    rules = re.sub(r"/\*.*?\*/", "", styles(), flags=re.S)
    heads = [head.strip() for head in re.findall(r"([^{}]+)\{", rules)]
    alone = [head for head in heads if not head.startswith("@")]
    assert len(alone) > 10
    for head in alone:
        assert all(part.strip().startswith(".first") for part in head.split(",")), head


def test_tables_are_data_frames_with_units(folder):
    result = ps.open_folder(folder)
    candidates, castings = result.candidates, result.castings
    assert candidates["weight_fraction"].tolist() == [30, 30, 36, 36]
    units = candidates.attrs["units"]
    assert units["weight_fraction"] == "wt%"
    assert units["electrode_gap"] == "mm"
    assert units["resistance_median"] == "ohm"
    assert "n_boxes" not in units
    told = [c["resistance_ohm"]["median"] for c in result.summary["candidates"]]
    np.testing.assert_allclose(candidates["resistance_median"], told, rtol=1e-9)
    assert len(castings) == 4 * 100
    assert result.boxes.attrs["units"]["box_length"] == "um"
    assert result.responses.attrs["units"]["strain"] == "microstrain"
    assert set(result.responses["strain"]) == {0, 1500, 3000}
    for name in TABLES:
        frame = getattr(result, name)
        assert not [column for column in frame if "(" in column]
        assert set(frame.attrs["units"]) <= set(frame)


def test_pandas_is_asked_for_only_when_a_table_is(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    result = ps.open_folder(folder)
    assert "<svg" in result._repr_html_()
    with pytest.raises(ImportError, match=r"tables need pandas.*pip install pandas"):
        result.castings.head()
    code = (
        f"import sys, percsim as ps; ps.open_folder({str(folder)!r})._repr_html_(); "
        "assert not {'pandas', 'matplotlib', 'numba'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_what_is_no_result_is_refused_in_one_line(folder, tmp_path):
    with pytest.raises(FolderError, match="holds no results to read"):
        ps.open_folder(tmp_path / "none")
    copy = shutil.copytree(folder, tmp_path / "copy", symlinks=True)
    (copy / "candidates.csv").resolve().write_text("mine")
    with pytest.raises(FolderError, match="not those of one run") as caught:
        ps.open_folder(copy)
    assert "\n" not in str(caught.value)
