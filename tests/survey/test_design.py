"""Points of a survey: every combination, a Sobol sequence, an order that covers all."""

import numpy as np
import pytest
from scipy.stats import qmc

from percsim.survey.design import Axis, by_distance, grid, sobol

NUMBER = Axis("filler.aspect_ratio", (10, 15, 20))
WORD = Axis("elastomer.mix_ratio", ("7:1", "10:1"))
LENGTH = Axis("filler.diameter", (), 5.0, 20.0, "um", log=True)
PLAIN = Axis("contacts.beta", (), 50.0, 150.0)


def test_grid_is_every_combination_last_axis_fastest():
    assert grid([NUMBER, WORD]) == [
        (10, "7:1"), (10, "10:1"), (15, "7:1"), (15, "10:1"), (20, "7:1"), (20, "10:1"),
    ]  # fmt: skip


def test_steps_of_a_range():
    assert PLAIN.stepped(3) == (50.0, 100.0, 150.0)
    assert LENGTH.stepped(3) == ("5 um", "10 um", "20 um")
    assert LENGTH.stepped(1) == ("10 um",)
    assert Axis("a.b", (), 5.0, 10.0, ":1").stepped(2) == ("5:1", "10:1")


def test_sobol_is_that_of_scipy_and_grows_by_its_own_points():
    drawn = qmc.Sobol(2, scramble=True, seed=11).random(16)
    found = sobol([PLAIN, LENGTH], 16, 11)
    assert [p[0] for p in found] == pytest.approx(50.0 + 100.0 * drawn[:, 0], rel=1e-5)
    um = np.array([float(p[1].split()[0]) for p in found])
    assert um == pytest.approx(5.0 * 4.0 ** drawn[:, 1], rel=1e-5)
    assert sobol([PLAIN, LENGTH], 8, 11) == found[:8]
    assert sobol([PLAIN, LENGTH], 16, 12) != found


def test_sobol_covers_lists_alike_and_repeats_no_point():
    found = sobol([WORD, PLAIN], 64, 3)
    assert [p[0] for p in found].count("7:1") == 32
    assert sorted(sobol([NUMBER, WORD], 64, 3)) == sorted(grid([NUMBER, WORD]))


@pytest.mark.parametrize("axes", [[NUMBER, WORD], [LENGTH, PLAIN, NUMBER]])
def test_each_point_is_the_farthest_from_those_before(axes):
    points = sobol(axes, 32, 5)
    order = by_distance(axes, points)
    assert sorted(order) == list(range(len(points)))
    places = np.array([[a.place(v) for a, v in zip(axes, p, strict=True)] for p in points])
    for n in range(1, len(order)):
        gaps = np.linalg.norm(places[:, None] - places[order[:n]], axis=2).min(axis=1)
        assert gaps[order[n]] == pytest.approx(gaps.max())


def test_places_lie_between_0_and_1():
    assert [LENGTH.place(v) for v in LENGTH.stepped(3)] == pytest.approx([0.0, 0.5, 1.0])
    assert [NUMBER.place(v) for v in NUMBER.values] == [0.0, 0.5, 1.0]
    assert Axis("a.b", ("x",)).place("x") == 0.0
