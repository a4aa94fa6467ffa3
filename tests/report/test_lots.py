"""A lot in words: every number of the worked lot, open films, cure, missing spreads."""

import numpy as np
import pytest

from percsim.decision.lots import CureRatio, Lot
from percsim.report.lots import lot_summary, lot_text

READINGS = 1e3 * np.array([
    9.12, 10.45, 8.37, 11.86, 9.78, 12.94, 7.65, 10.02, 9.41, 13.57,
    8.88, 10.91, 11.23, 9.06, 10.36, 8.11, 12.18, 9.95, 14.82, 10.63,
])  # fmt: skip
WINDOW = (5e3, 20e3)


def text_of(lot=None, log_std=np.inf, window=WINDOW, quiet=False, **more):
    text = lot_text(lot_summary(lot, log_std, window, **more), quiet)
    assert max(map(len, text.splitlines())) <= 92
    return " ".join(text.split())


def test_the_worked_lot_in_words():
    told = text_of(Lot(READINGS, WINDOW))
    assert "20 castings: median 10.2 kohm, smallest 7.65 kohm, largest 14.8 kohm" in told
    assert "within 6.38 to 16.7 kohm (log-normal, two-sided, exact k = 2.7603)" in told
    assert "20 of 20 inside, a share of 83.2 % to 100 %" in told
    assert "more than 99.9 %" in told
    assert "p = 0.98" in told
    assert "continuity only" in told
    assert "14 with no failures" in told
    assert "licensed" in told


def test_quiet_leaves_the_plan_out():
    told = text_of(Lot(READINGS, WINDOW), quiet=True)
    assert "Sampling plan" not in told
    assert "What to accept" in told


def test_open_castings_are_told():
    told = text_of(Lot(np.append(READINGS[:5], np.inf), WINDOW))
    assert "6 castings, 1 of them open" in told
    assert "5 of 6 inside" in told
    assert "of those that conduct" in told
    all_open = text_of(Lot(np.full(3, np.inf), WINDOW))
    assert "median open" in all_open
    assert "spread is not known" in all_open


def test_before_cure_needs_the_ratio_of_the_user():
    lot = Lot(READINGS, WINDOW)
    told = text_of(lot, ratio=CureRatio(0.5, 0.05))
    # 5 kohm x 1.002/0.5 x e^0.1 and 20 kohm/1.002/0.5/e^0.1
    assert "reads 11.1 to 36.1 kohm is expected in the band when cured" in told
    wide = text_of(lot, ratio=CureRatio(0.5, 0.9))
    assert "Before cure: continuity only. The cured over uncured ratio scatters" in wide
    no_window = text_of(Lot(READINGS), window=(0.0, np.inf), ratio=CureRatio(0.5, 0.05))
    assert "needs that of the cured film" in no_window


def test_what_is_not_log_normal_is_said():
    two_lots = np.concatenate([READINGS[:10], 5.0 * READINGS[10:]])
    told = text_of(Lot(two_lots, WINDOW))
    assert "ln R does not look normal" in told


def test_a_plan_without_readings():
    told = text_of(
        None, 0.24, predicted={"median_ohm": 1450.0, "cv": 0.247, "one_lot_cv": 0.19}
    )
    assert "Predicted: median 1.45 kohm, CV 24.7 %" in told
    assert "scatter by 19 % only" in told
    assert "27 castings by the log-normal law" in told
    assert "What the lot shows" not in told


def test_counts_that_nobody_casts():
    told = text_of(None, 3.0, within=0.001)
    assert "more than 100,000 castings" in told
    result = lot_summary(None, 3.0, WINDOW, within=0.001)
    assert result["sampling"]["for_median"] == 100_000
    assert result["acceptance"]["band_ohm"] == pytest.approx([5010.0, 19960.0], rel=1e-4)


def test_one_reading_and_equal_readings_show_no_spread():
    one = text_of(Lot(np.array([1200.0]), (700.0, 3e3)), window=(700.0, 3e3))
    assert "1 casting: median 1.2 kohm" in one
    assert "law" not in one.split("What to accept")[0]
    same = text_of(Lot(np.array([1500.0, 1500.0]), (700.0, 3e3)), window=(700.0, 3e3))
    assert "No spread seen" in same
    assert "Tolerance interval" not in same
    assert "reads outside 1.5 kohm is not like" not in same
    assert "spread is not known" in same


def test_cups_are_told_apart():
    cups = [f"cup {k // 5}" for k in range(20)]
    readings = READINGS * np.repeat([0.7, 0.9, 1.1, 1.4], 5)
    told = text_of(Lot(readings, WINDOW, cups))
    assert "4 cups: ln R scatters by" in told
    assert "cups of 5 films" in told
    assert "a cup each (as cast here" in told
    assert "exact k" not in told
    assert "Shapiro" not in told
    one = text_of(Lot(READINGS, WINDOW, ["a"] * 20))
    assert "All films are of one cup" in one
    assert "exact k" in one


def test_a_reading_apart_is_named_and_ranks_count():
    apart = np.append(READINGS[:6], 1e6 * READINGS[6])
    told = text_of(Lot(apart, WINDOW))
    assert "Reading 7 (in the order given) stands apart" in told
    assert "castings by ranks" in told
    assert "Tolerance interval" not in told
    assert "CV" not in told.split("What to accept")[0]


def test_no_band_is_promised_of_films_that_are_open():
    told = text_of(Lot(np.append(READINGS[:9], np.inf), WINDOW))
    assert "No band holds 95 % of all castings: 1 of 10 are open" in told
    assert "of conducting" not in told


def test_film_by_film():
    told = text_of(Lot(READINGS, WINDOW))
    assert "Film by film the recipe is accepted after film 18" in told
    two = text_of(Lot(READINGS[:2], WINDOW))
    assert "after 2 films undecided, accepted when the next 16 pass" in two
