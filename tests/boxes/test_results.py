"""What boxes, films and growths give, and the rows that earlier versions stored of them."""

import dataclasses
import json
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from reference.box_results import box_result

from percsim.boxes.results import BoxResult, GrowthResult, stored
from percsim.boxes.simulate import finished, run_job
from percsim.boxes.store import DATABASE, Record, Store, decode_json, encode_json
from percsim.errors import FolderError
from percsim.jobs import box_jobs, films_of, threshold_jobs
from percsim.plan import Plan

ROWS = json.loads((Path(__file__).parent / "stored_rows.json").read_text())
"""Text by key of the jobs below, as stored before results had types."""


@pytest.fixture(scope="module")
def jobs():
    plan = Plan.from_dict(
        {
            "seed": 41,
            "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
            "elastomer": {"density": "1030 kg/m3", "thermal_expansion": "310 ppm/K"},
            "film": {"thickness": "0.4 mm", "width": "6 mm", "length": "16 mm"},
            "contacts": {"closed_at": "-40 C"},
            "strain": {"window": "0 to 3000 microstrain", "points": 2},
            "part": {"radius": "16 mm", "rigid": True},
            "explore": {"weight_fraction": ["34 wt%"], "electrode_gap": ["3 mm"]},
            "boxes": {"count": 4, "lengths": ["4 D", "5 D"], "threshold_count": 10},
        }
    )
    grown = next(job for job in threshold_jobs(plan) if job.name == "own")
    varied = next(job for job in box_jobs(plan) if job.variations)
    # with no memory, which rows know nothing of
    varied = dataclasses.replace(varied, memories=())
    (film,) = films_of(plan, varied.recipe.weight_fraction, (2, 1), 1)
    return grown, film, varied


def test_keys_of_stored_rows_are_those_of_their_jobs(jobs):
    assert [job.key for job in jobs] == list(ROWS)


@pytest.mark.parametrize("key", ROWS)
def test_stored_rows_are_read_and_stored_to_the_last_byte(key):
    record = Record(key, "done", ROWS[key], 0.5)
    kind = GrowthResult if key.startswith("threshold") else BoxResult
    assert type(record.result) is kind
    assert Record.of(key, record.result, 0.5) == record


def test_a_job_done_again_is_stored_as_before(jobs):
    """The same names in the same order; last digits are the processor's."""

    def shape(value):
        if isinstance(value, dict):
            return [(name, shape(x)) for name, x in value.items()]
        return np.shape(value)

    def numbers(value):
        if isinstance(value, dict):
            return np.concatenate([[], *(numbers(x) for x in value.values())])
        return np.ravel(value)

    for job in jobs:
        again, before = (json.loads(t) for t in (encode_json(run_job(job)), ROWS[job.key]))
        assert shape(again) == shape(before)
        # R is proven to the square of what a solution leaves of the currents
        for name, rtol in (("currents", 1e-3), (None, 1e-4)):
            pair = (numbers(x.pop(name, {}) if name else x) for x in (again, before))
            np.testing.assert_allclose(*pair, rtol=rtol, atol=1e-9)


def test_arrays_are_arrays_and_nothing_can_be_changed():
    key = list(ROWS)[-1]
    result = Record(key, "done", ROWS[key], 0.5).result
    varied = result.variations
    visits, settings = len(result.conductances), len(varied.settings)
    assert varied.settings.shape == (settings, 3)
    assert varied.conductances.shape == (settings, len(varied.visits))
    assert varied.sample.opened.shape == (len(varied.sample.visits), 40)
    assert {slope.shape for slope in result.slopes.values()} == {(visits,)}
    assert result.probe_conductances.shape == (3,)
    assert list(result.numbers)[:3] == ["n_particles", "n_links", "volume_fraction"]
    assert list(result.numbers)[-1] == "effective_medium_S"
    with pytest.raises(ValueError, match="read-only"):
        result.conductances[0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        result.n_links = 0


def test_a_record_is_read_once():
    record = Record.of("box/1", box_result([1.0]))
    assert record.result is record.result
    assert Record("box/1", "failed", '"no proof"', 0.1).result is None


GOOD = stored(box_result([1.0, 0.0]))
BAD = {
    "no mapping": [1.0],
    "no result": {"x": 1},
    "a field lacks": {k: v for k, v in GOOD.items() if k != "currents"},
    "a field more": {**GOOD, "colour": 1.0},
    "text": {**GOOD, "conductances": ["1.0"]},
    "rows of several lengths": {**GOOD, "lost_shares": [[1.0], []]},
    "a fraction of a particle": {**GOOD, "n_particles": 1.5},
    "no currents": {**GOOD, "currents": {}},
    "a list of slopes": {**GOOD, "slopes": [1.0]},
}


@pytest.mark.parametrize("what", BAD)
def test_what_is_no_result_is_said_in_one_line(what):
    with pytest.raises(FolderError, match=r"^box/1 holds no result \(.+\)$"):
        _ = Record("box/1", "done", encode_json(BAD[what]), 0.1).result


@pytest.mark.parametrize("text", ["", "{", '{"numbers": [[NaN]]}', '{"numbers": [[1.5]]}'])
def test_text_that_is_no_growth_is_said_too(text):
    with pytest.raises(FolderError, match="holds no result"):
        _ = Record("threshold/own/0", "done", text, 0.1).result


def test_rows_that_hold_no_result_count_as_damaged(tmp_path):
    """Not there and named, and gone with the next write, as rows of a wrong checksum."""
    good = Record.of("box/1", box_result([1.0]))
    with Store.open(tmp_path) as store:
        store.add([good, Record("box/2", "done", '{"x": 1}', 0.1)])
        assert len(store.records()) == 2  # whoever asks for no results is told of none
    for opened in (Store.read, Store.open):
        with opened(tmp_path, read_results=True) as store:
            assert store.damaged == ["box/2"]
            assert store.records() == {"box/1": good}
            assert store.counts() == {"done": 1, "failed": 0}
    with Store.open(tmp_path, read_results=True) as store:
        store.add([Record.of("box/3", box_result([2.0]))])
        assert store.damaged == []
    rows = sqlite3.connect(tmp_path / DATABASE).execute("SELECT key FROM boxes").fetchall()
    assert rows == [("box/1",), ("box/3",)]


def test_a_store_gives_the_same_record_until_its_row_changes(tmp_path):
    with Store.open(tmp_path, read_results=True) as store:
        store.add([Record.of("box/1", box_result([1.0]))])
        first = store.records()["box/1"]
        assert store.records()["box/1"] is first
        store.add([Record.of("box/1", box_result([2.0]))])
        assert store.records()["box/1"].result.conductances.tolist() == [2.0]


def test_finished_boxes_are_those_with_a_result(jobs):
    _, film, varied = jobs
    result = decode_json(ROWS[film.key])["conductances"]
    records = {
        film.key: Record(film.key, "done", ROWS[film.key], 0.1),
        varied.key: Record(varied.key, "failed", '"no proof"', 0.1),
    }
    ((job, found),) = finished([film, varied], records)
    assert job is film
    assert found.conductances.tolist() == result
    assert list(finished([film, varied], {})) == []
