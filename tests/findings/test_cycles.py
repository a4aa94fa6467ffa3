"""The chosen film pulled and released, where contacts remember nothing: all by hand."""

import math

import numpy as np
import pytest
from reference.made_up_findings import findings_of, plan_with

from percsim.film.cycled import CycledFilms
from percsim.film.protocol import cycles as pulls
from percsim.findings.cycles import budget, cycles, other_errors
from percsim.findings.operation import operation
from percsim.findings.temperature import temperature
from percsim.packing import plain

OTHERS = {"temperature": 60.0 / math.sqrt(3.0), "noise": 0.8, "calibration": 150.0}


@pytest.fixture(scope="module")
def found():
    plan = plan_with(
        vibration={"mean": "1500 microstrain", "amplitude": "300 microstrain"},
        contacts={"reclose": 1.0, "healed": 1.0, "relaxed": 0.0},
        tolerances={"response": "0 %"},
    )
    return plain(cycles(findings_of(plan)))


def test_without_memory_nothing_stays(found):
    for key in ("zero_shift_percent", "zero_shift_microstrain", "hysteresis_percent",
                "drift_microstrain", "repeatability_percent",
                "zero_return_microstrain"):  # fmt: skip
        for end in ("p05", "median", "p95"):
            assert found[key][end] == pytest.approx(0.0, abs=1e-6), key


def test_the_gauge_factor_is_that_of_the_exponential_film(found):
    """ln R = 15 e, read off between strains 1000 microstrain apart along straight lines."""
    expected = math.expm1(15.0 * 3e-3) / 3e-3
    for key in ("gauge_factor_first", "gauge_factor_conditioned"):
        assert found[key]["median"] == pytest.approx(expected, rel=0.02)
    assert found["loops"]["first"]["strain"][8] == pytest.approx(3e-3)
    assert found["loops"]["first"]["median"][0] == 1.0


def test_the_protocol_is_said(found):
    told = found["protocol"]
    assert (told["pulls"], told["first"], told["conditioned_after"]) == (6, 1, 3)
    assert told["whole"] == 5  # one is held
    assert told["hold_s"] == 1800.0
    assert told["highest"] == pytest.approx(3e-3)


def test_a_slow_film_tells_nothing_of_the_audio_range(found):
    told = found["vibration"]
    assert told["determined"] is False
    assert told["quickest_pull_s"] == pytest.approx(60.0)
    assert told["mean_shift_microstrain"]["median"] == pytest.approx(0.0, abs=1e-6)


def test_the_budget_by_hand():
    """A parallelogram of 10 ohm on a film of 40 ohm a thousand microstrain."""
    path = pulls(1.5e-3, 5, 1e-4, hold=1800.0, rest=60.0)
    r = 2000.0 + 40e3 * path.strains
    for p in path.pulls:
        r[p.back + 1 : p.end] += 10.0
    hold = path.holds[0]
    r[hold.first + 3 : hold.last + 1] += 4.0  # after 20 s, which lie between visits
    films = CycledFilms(path, r[None])
    told = plain(budget(films, OTHERS))
    rows = {row["name"]: row for row in told["rows"]}
    root = math.sqrt(3.0)
    slope = 40e3 / 1e6  # ohm per microstrain
    expected = {
        "hysteresis": 10.0 / slope / (2.0 * root),
        "repeatability": 0.0,
        "return of zero": 0.0,
        "temperature": 60.0 / root,
        "noise": 0.8,
        "calibration": 0.05 * 3000.0,
    }
    for name, value in expected.items():
        assert rows[name]["median"] == pytest.approx(value, abs=1e-9), name
    assert rows["zero, first pull"]["counts"] is False
    squares = sum(row["median"] ** 2 for row in rows.values() if row["counts"])
    assert told["total"]["median"] == pytest.approx(math.sqrt(squares))


def test_what_else_errs_is_read_off_its_chapters():
    supply = {"voltage": "3.3 V", "bandwidth": "100 Hz", "series_resistor": "1.8 kohm"}
    findings = findings_of(plan_with(supply=supply))
    path = pulls(1.5e-3, 5, 1e-4)
    films = CycledFilms(path, (2000.0 + 40e3 * path.strains)[None])
    found = other_errors(findings, films)
    per_kelvin = plain(temperature(findings))["thermal_output_microstrain_per_K"]["value"]
    assert found["temperature"] == pytest.approx(abs(per_kelvin) / math.sqrt(3.0))
    assert found["noise"] == plain(operation(findings))["noise"]["noise_microstrain"] > 0
    spread = findings.best.gauge_factor_cv
    assert found["calibration"] == pytest.approx(1e6 * spread * 3e-3)
    # without a supply nobody knows the noise, nor at one temperature what warming does
    bare = findings_of(plan_with(temperature={"values": ["20 C"]}))
    assert set(other_errors(bare, films)) == {"calibration"}


def test_a_part_that_is_not_known_is_left_out():
    path = pulls(1.5e-3, 3, 1e-4)
    films = CycledFilms(path, (2000.0 + 40e3 * path.strains)[None])
    names = {row["name"] for row in budget(films, {})["rows"]}
    assert names == {"hysteresis", "repeatability", "zero, first pull"}
    assert budget(films, {})["total"].median == pytest.approx(0.0, abs=1e-9)


def test_other_laws_tell_nothing():
    plan = plan_with(contacts={"lambda_T": 0.3})
    findings = findings_of(plan)
    object.__setattr__(findings.plan.contacts, "model", "affine")
    try:
        assert cycles(findings) is None
    finally:
        object.__setattr__(findings.plan.contacts, "model", "opening")
    assert np.isfinite(plan.protocol.times).all()
