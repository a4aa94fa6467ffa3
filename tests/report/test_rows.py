"""Files of rows: bench units in the headings, read by pandas in one call."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pandas import read_csv
from reference.findings import plan_with, records, row_of

from percsim.findings import assemble, find
from percsim.report.rows import TABLES, table_to_csv, write_tables


def written(folder, plan):
    """Findings of a plan, and its files as pandas reads them."""
    _, found, tables = assemble(plan, records(plan))
    folder.mkdir(exist_ok=True)
    paths = write_tables(folder, tables)
    assert [path.stem for path in paths] == list(TABLES)
    return found, {path.stem: read_csv(path) for path in paths}


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    explored = {"weight_fraction": ["14 wt%", "30 wt%", "34 wt%"]}
    return written(tmp_path_factory.mktemp("rows"), plan_with(explore=explored))


def test_a_candidate_is_a_row_in_bench_units(run):
    found, tables = run
    rows = tables["candidates"]
    assert rows["weight_fraction (wt%)"].tolist() == [14, 14, 30, 30, 34, 34]
    assert rows["electrode_gap (mm)"].tolist() == [2, 3] * 3
    assert set(rows["mix_ratio (:1)"]) == {7}
    for i, (c, chance) in enumerate(
        zip(found.whole.candidates, found.decision.all_limits, strict=False)
    ):
        row = rows.iloc[i]
        assert row["resistance_median (ohm)"] == pytest.approx(c.resistance.median)
        assert row["resistance_p95 (ohm)"] == pytest.approx(c.resistance.p95)
        assert row["resistance_cv (%)"] == pytest.approx(100 * c.resistance_cv)
        assert row["pass_share (%)"] == pytest.approx(100 * c.pass_share.value)
        assert row["pass_share_low (%)"] == pytest.approx(100 * c.pass_share.low)
        assert row["probability (%)"] == pytest.approx(100 * chance)
        assert row["meets_target"] == c.meets_target
    # at 14 wt% nothing conducts: infinite, and no gauge factor
    assert np.isinf(rows["resistance_median (ohm)"][:2]).all()
    assert rows["gauge_factor_median"].isna().tolist() == [True] * 2 + [False] * 4
    assert rows["refused_because"].notna().tolist() == (~rows["meets_target"]).tolist()


def test_castings_say_what_they_are_off_by(run):
    found, tables = run
    rows = tables["castings"]
    assert len(rows) == 6 * 100
    cast = found.whole.candidates[4].castings
    mine = rows[rows["candidate"] == 4]
    np.testing.assert_allclose(mine["resistance (ohm)"], cast.at_rest, rtol=1e-9)
    # drawn and integrated, four standard errors of 100 castings
    expected = found.whole.candidates[0].open_fraction
    drawn = np.isinf(rows["resistance (ohm)"][rows["candidate"] == 0])
    allowed = 4 * np.sqrt(expected * (1 - expected) / 100)
    assert 0.9 < drawn.mean() == pytest.approx(expected, abs=allowed)
    for name, factor in cast.factors().items():
        off = mine[f"{name}_off (%)"]
        np.testing.assert_allclose(off, 100 * (factor - 1.0), rtol=1e-4, atol=1e-9)
    # the window of the plan in its own unit, and its gauge factor
    passes = mine["resistance (ohm)"].between(700, 3000) & (mine["gauge_factor"] >= 10)
    assert mine["passes"].tolist() == passes.tolist()
    assert mine["passes"].any()


def test_boxes_and_their_responses(run):
    _, tables = run
    boxes, responses = tables["boxes"], tables["responses"]
    assert set(boxes["box_length (um)"]) == {100, 160}
    assert set(responses["temperature (C)"]) == {20, 60}
    assert set(responses["strain (microstrain)"]) == {0, 1500, 3000}
    keys = ["weight_fraction (wt%)", "box_length (um)", "box_number"]
    flat = responses[
        (responses["strain (microstrain)"] == 0) & (responses["temperature (C)"] == 20)
    ].drop_duplicates(keys)
    both = boxes.merge(flat, on=keys, suffixes=("", " again"))
    assert len(both) == len(boxes) > 20
    assert (both["resistance (ohm)"] == both["resistance (ohm) again"]).all()


def test_units_stand_in_every_heading_that_needs_one(run):
    for table in run[1].values():
        bare = [heading for heading in table if "(" not in heading]
        left = ("_m", "_s", "_K", "_S", "_ohm", "share", "fraction", "_off", "_cv")
        assert not [heading for heading in bare if heading.endswith(left)]


def test_castings_after_readings_are_those_of_the_candidates(tmp_path):
    """Both files number the candidates alike, and scatter as the bench that was read."""
    first = find(plan_with(), records(plan_with()))
    read = [row_of(first.whole.candidates[k], 1.6) for k in (4, 5)]
    found, tables = written(tmp_path, plan_with(read))
    assert found.whole is not found.as_planned
    for i, candidate in enumerate(found.whole.candidates):
        mine = tables["castings"][tables["castings"]["candidate"] == i]
        np.testing.assert_allclose(
            mine["resistance (ohm)"], candidate.castings.at_rest, rtol=1e-9
        )
        gap = tables["candidates"]["electrode_gap (mm)"][i]
        assert set(mine["electrode_gap (mm)"]) == {gap}


def test_nan_is_refused_and_leaves_the_old_file(tmp_path):
    write_tables(tmp_path, {"boxes": {"box_number": [1]}})
    before = (tmp_path / "boxes.csv").read_bytes()
    with pytest.raises(ValueError, match="NaN"):
        write_tables(tmp_path, {"boxes": {"resistance_ohm": [math.nan]}})
    assert (tmp_path / "boxes.csv").read_bytes() == before


def test_text_with_commas_and_line_ends_survives(tmp_path):
    path = tmp_path / "x.csv"
    path.write_text(table_to_csv({"box_number": [3], "remark": ['a, "b"\nc']}))
    assert read_csv(path)["remark"][0] == 'a, "b"\nc'
