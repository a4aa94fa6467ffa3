"""Protocols: times and strains by hand, and the parts that are found in them."""

import numpy as np
import pytest

from percsim.film.protocol import Protocol, Pull, Stay, cycles

UE = 1e-6


def test_a_cycle_by_hand():
    """0 to 3000 microstrain and back at 100 a second: 30 s a branch, 375 a visit."""
    path = cycles(1500 * UE, 2, 100 * UE)
    up = 375.0 * np.arange(9)
    one = np.concatenate([up, up[-2::-1]])
    np.testing.assert_allclose(path.strains / UE, [*one, *one[1:]], atol=1e-9)
    np.testing.assert_allclose(path.times, np.arange(33) * 3.75)
    assert set(path.temperatures) == {293.15}
    assert path.pulls == (Pull(0, 8, 8, 16), Pull(16, 24, 24, 32))
    assert path.stays == ()


@pytest.mark.parametrize("swing", [0.3, 1.1, 1234.5, 1756.5, 2900.0])
def test_branches_share_their_strains(swing):
    """Equal strains are equal to the last bit, and none is visited twice over for it."""
    path = cycles(0.5 * swing * UE, 3, 37 * UE)
    assert len(set(path.strains)) == 9
    assert len(path) == 1 + 3 * 16


def test_a_swing_through_zero_passes_it():
    path = cycles(1500 * UE, 2, 100 * UE, mean=500 * UE)
    assert (path.strains == 0.0).sum() == 5
    assert path.strains.max() == 2000 * UE
    assert path.strains.min() == -1000 * UE
    assert len(path.pulls) == 2  # the last branch comes back to rest: no pull of its own


def test_a_swing_about_a_mean_begins_and_ends_at_rest():
    path = cycles(200 * UE, 3, 100 * UE, mean=1500 * UE)
    assert path.strains[0] == path.strains[-1] == 0.0
    assert len(path.pulls) == 3
    tops = [path.strains[p.top] / UE for p in path.pulls]
    ends = [path.strains[p.end] / UE for p in path.pulls]
    np.testing.assert_allclose(tops, [1700.0] * 3)
    np.testing.assert_allclose(ends, [1300.0, 1300.0, 0.0])
    assert path.strains[path.pulls[0].start] == 0.0
    assert len(path) == 1 + 8 + 3 * 16 + 8


def test_a_film_pressed_in_pulls_is_pulled_the_other_way():
    path = cycles(200 * UE, 2, 100 * UE, mean=-300 * UE)
    assert [round(path.strains[p.top] / UE) for p in path.pulls] == [-500, -500]


def test_holds_and_rests():
    path = cycles(1500 * UE, 1, 100 * UE, hold=1800.0, rest=3600.0)
    (hold,), (rest,), (free, pull) = path.holds, path.rests, path.pulls
    assert free.top == free.back
    assert (pull.top, pull.back) == (hold.first, hold.last)
    into = path.times[hold.rows] - path.times[hold.first]
    assert into[0] == 0.0
    assert into[-1] == 1800.0
    assert {20.0, 1200.0} <= {round(t, 9) for t in into}
    steps = np.diff(np.log10(into[1:]))
    assert steps.max() < 0.34  # three to a decade
    assert path.times[rest.last] - path.times[rest.first] == 3600.0


def test_a_stop_on_the_way_parts_no_branch():
    path = Protocol.at_rest().ramp(1e-3, 1e-4, 1e-3).stay(10.0)
    path = path.ramp(2e-3, 1e-4, 1e-3).ramp(0.0, 1e-4, 1e-3)
    (pull,) = path.pulls
    assert path.strains[pull.top] == 2e-3
    assert path.times[-1] == pytest.approx(50.0)


def test_a_minor_loop_is_a_pull_of_its_own():
    path = Protocol.at_rest()
    for strain in (3e-3, 1e-3, 2e-3, 0.0):
        path = path.ramp(strain, 1e-4, 1e-3)
    ends = [(path.strains[p.start], path.strains[p.top], path.strains[p.end])
            for p in path.pulls]  # fmt: skip
    assert ends == [(0.0, 3e-3, 1e-3), (1e-3, 2e-3, 0.0)]


def test_temperature_steps():
    path = Protocol.at_rest().stay(60.0).warm(313.15, 0.1, 2).stay(60.0).warm(293.15, 0.1)
    first, second = path.temperature_steps
    assert path.temperatures[first.first] == 293.15
    assert path.temperatures[first.last] == 313.15
    assert path.times[first.last] - path.times[first.first] == pytest.approx(200.0)
    assert first.last - first.first == 2
    assert path.temperatures[second.last] == 293.15
    assert len(path.rests) == 2


def test_a_single_visit_has_no_parts():
    path = Protocol.at_rest()
    assert path.pulls == path.stays == path.temperature_steps == ()


def test_two_still_visits_at_one_time_are_no_stay():
    path = Protocol(np.zeros(2), np.zeros(2), np.full(2, 293.15))
    assert path.stays == ()
    path = Protocol(np.arange(2.0), np.zeros(2), np.full(2, 293.15))
    assert path.stays == (Stay(0, 1),)


@pytest.mark.parametrize(
    ("times", "strains", "temperatures", "word"),
    [
        ([0.0, 1.0], [0.0], [293.15], "one length"),
        ([], [], [], "one length"),
        ([1.0, 0.0], [0.0, 0.0], [293.15] * 2, "fall"),
        ([0.0], [-1.0], [293.15], "strains"),
        ([0.0], [0.0], [0.0], "temperatures"),
        ([np.nan], [0.0], [293.15], "times must be finite"),
    ],
)
def test_what_is_no_protocol_is_refused(times, strains, temperatures, word):
    with pytest.raises(ValueError, match=word):
        Protocol(*(np.array(a) for a in (times, strains, temperatures)))


def test_rates_and_times_must_be_positive():
    path = Protocol.at_rest()
    with pytest.raises(ValueError, match="rate"):
        path.ramp(1e-3, 0.0, 1e-4)
    with pytest.raises(ValueError, match="seconds"):
        path.stay(0.0)
    with pytest.raises(ValueError, match="amplitude"):
        cycles(0.0, 1, 1e-4)
