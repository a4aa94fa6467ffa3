"""Chapters of a film pulled and released, from a summary written by hand."""

import re

import numpy as np
import pytest

from percsim.report.chapter import MOST_WORDS
from percsim.report.chapters.cycles import (
    budget,
    cycled,
    cycled_figure,
    cycles,
    cycles_figure,
)
from percsim.report.series import NothingToDrawError, Run


def band(median, low=None, high=None):
    return {"median": median, "p05": 0.5 * median if low is None else low,
            "p95": 2.0 * median if high is None else high}  # fmt: skip


LOOP = {"strain": [0.0, 1e-3, 0.0], "median": [1.0, 1.02, 1.005],
        "p05": [1.0, 1.01, 1.001], "p95": [1.0, 1.04, 1.02]}  # fmt: skip


def measured(**more):
    rows = {"time_s": [0.0, 1.0, 2.0], "strain": [0.0, 1e-3, 0.0],
            "temperature_K": [293.15] * 3, "ratio": [1.0, 1.02, 1.004],
            "error_percent": band(0.2), "one_temperature": True, "recloses": 0.5,
            "lambda_T_times_warmed_K": band(18.0),
            "width_left": {"beta": 0.4, "reclose": 0.2, "healed": 0.95}}  # fmt: skip
    for key in ("predicted", "predicted_before"):
        rows |= {key: [1.0, 1.02, 1.005], f"{key}_p05": [1.0, 1.01, 1.0],
                 f"{key}_p95": [1.0, 1.03, 1.01]}  # fmt: skip
    return rows | more


def summary(**more):
    found = {
        "protocol": {"pulls": 6, "first": 1, "zero_after": 1, "hold_s": 1800.0},
        "zero_shift_percent": band(2.0), "zero_shift_microstrain": band(900.0),
        "hysteresis_percent": band(5.0), "drift_microstrain": band(-80.0, -200.0, -10.0),
        "gauge_factor_first": band(20.0), "gauge_factor_conditioned": band(12.0),
        "return_higher": 0.9, "loops": {"first": LOOP, "conditioned": LOOP},
        "vibration": {"mean_shift_microstrain": band(3.0), "determined": False},
        "budget": {"rows": [{"name": "creep", "counts": True, **band(46.0)},
                            {"name": "zero, first pull", "counts": False, **band(500.0)}],
                   "total": band(46.0), "kelvin": 1.0, "strain": 3e-3},
    }  # fmt: skip
    return {"cycles": found | more, "candidates": [], "chosen": None, "nearest": None}


@pytest.fixture(autouse=True)
def _no_film(monkeypatch):
    from percsim.report.chapters import cycles as module

    monkeypatch.setattr(module, "deciding_index", lambda _: (None, ""))


def plain(text):
    return text.replace("\xa0", " ")


def test_zero_loops_and_what_vibration_rests_on():
    made = cycles(summary())
    assert plain(made.claim).startswith("The first pull shifts zero by 2 (1 to 4) % of R0")
    told = plain(made.words)
    assert "creep -80 (-200 to -10) microstrain in 30 min" in told
    assert "not determined by a film pulled slowly; 3 (1.5 to 6) microstrain if" in told
    assert len(re.findall(r"\S*\w\S*", told)) <= MOST_WORDS
    assert cycles({}) is None


def test_a_ride_that_comes_back_late_says_so():
    protocol = {"pulls": 6, "first": 1, "zero_after": 6, "hold_s": 0.0}
    made = cycles(summary(protocol=protocol))
    assert "end of pull 6" in plain(made.claim)
    assert "creep" not in made.words


def test_one_pull_conditions_no_film():
    once = {"pulls": 1, "first": 1, "whole": 1, "zero_after": 1, "hold_s": 0.0}
    found = summary(protocol=once)
    told = cycles(found)
    text = plain(f"{told.claim} {told.words}")
    assert "conditioned" not in text.replace("which conditions no film", "")
    assert "on the one whole pull" in text
    assert "12" not in text  # the same pull is not told twice
    assert "film on its first pull reads" in plain(budget(found).claim)


def test_the_budget_lists_what_counts():
    made = budget(summary())
    assert [row[0] for row in made.table.rows] == ["creep", "zero, first pull", "together"]
    assert [row[-1] for row in made.table.rows] == ["yes", "no", "yes"]
    assert "within 46 (23 to 92) microstrain" in plain(made.claim)


def test_what_one_film_cannot_tell_is_said():
    made = cycled(summary(measured=[measured()]))
    claim = plain(made.claim)
    assert claim.index("20 %") < claim.index("40 %")  # the narrowest first
    assert "healed" not in claim  # hardly narrowed
    told = plain(made.words)
    assert "lambda_T (T - closed_at) shows: 18 (" in told
    assert "undetermined" not in told
    both = summary(measured=[measured(one_temperature=False, recloses=0.0)])
    told = plain(cycled(both).words)
    assert "lambda_T (T" not in told
    assert "reclose and healed stay undetermined" in told
    assert "Crosshead strain" in told
    assert cycled(summary()) is None


def test_measured_stands_over_predicted():
    figure = cycled_figure(Run(summary(measured=[measured()])))
    left, right = figure.axes
    dots = [line for line in right.lines if line.get_marker() == "o"]
    np.testing.assert_allclose(dots[0].get_ydata(), [1.0, 1.02, 1.004])
    assert len(right.collections) == 2  # what was predicted before and with it
    assert left.get_xlabel()
    with pytest.raises(NothingToDrawError):
        cycled_figure(Run(summary()))


def test_loops_go_out_and_back():
    figure = cycles_figure(Run(summary()))
    for axes in figure.axes:
        out, back = axes.lines
        assert out.get_xdata()[-1] == 1000.0
        assert back.get_xdata()[-1] == 0.0
