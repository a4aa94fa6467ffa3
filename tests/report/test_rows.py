"""Files of rows: what is written comes back."""

from __future__ import annotations

import math

import pytest

from percsim.report.rows import (
    BOX_COLUMNS,
    CASTING_COLUMNS,
    RESPONSE_COLUMNS,
    read_rows,
    rows_to_csv,
    write_rows,
)


def test_rows_come_back_as_they_were(tmp_path, invented):
    run = invented()
    paths = write_rows(tmp_path, *run.rows())
    assert [p.name for p in paths] == ["boxes.csv", "responses.csv", "castings.csv"]
    for path, rows in zip(paths, run.rows(), strict=True):
        assert read_rows(path) == rows
    assert any(math.isinf(row["resistance_ohm"]) for row in read_rows(paths[0]))
    assert ",inf," in paths[0].read_text()


def test_headers_are_there_without_rows_and_tolerances_keep_their_place(tmp_path, invented):
    write_rows(tmp_path, [], [], [])
    assert (tmp_path / "boxes.csv").read_text() == ",".join(BOX_COLUMNS) + "\n"
    assert (tmp_path / "responses.csv").read_text() == ",".join(RESPONSE_COLUMNS) + "\n"
    write_rows(tmp_path, *invented().rows())
    header = (tmp_path / "castings.csv").read_text().splitlines()[0].split(",")
    assert tuple(header[:4]) == CASTING_COLUMNS
    assert header[4:-3] == [
        "weighing",
        "mixing",
        "thickness",
        "gap",
        "width",
        "contact",
        "aspect_ratio",
    ]
    assert header[-3:] == ["resistance_ohm", "gauge_factor", "passes"]


def test_nan_is_refused_and_leaves_the_old_file(tmp_path):
    write_rows(tmp_path, [{"box_number": 1}], [], [])
    before = (tmp_path / "boxes.csv").read_bytes()
    with pytest.raises(ValueError, match="NaN"):
        write_rows(tmp_path, [{"box_number": 1, "resistance_ohm": math.nan}], [], [])
    assert (tmp_path / "boxes.csv").read_bytes() == before


def test_text_with_commas_and_line_ends_survives(tmp_path):
    rows = [{"box_number": 3, "remark": 'a, "b"\nc'}]
    path = tmp_path / "x.csv"
    path.write_text(rows_to_csv(rows, ("box_number",)))
    assert read_rows(path) == rows
