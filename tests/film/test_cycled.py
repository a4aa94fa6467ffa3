"""What is read off cycled films, against loops drawn by hand."""

import numpy as np
import pytest

from percsim.film.cycled import CycledFilms
from percsim.film.protocol import Protocol, cycles

UE = 1e-6
R0 = 2000.0
GF = 20.0


def film(path, *resistances):
    return CycledFilms(path, np.array(resistances))


def parallelogram(path, widths, shifts=None):
    """R0 (1 + GF e), each way back higher by a width, all after a pull by a shift."""
    r = R0 * (1.0 + GF * path.strains)
    shifts = np.zeros(len(path.pulls)) if shifts is None else shifts
    for p, width, shift in zip(path.pulls, widths, shifts, strict=True):
        r[p.back + 1 : p.end] += width
        r[p.back + 1 :] += shift
    return r


PATH = cycles(1500 * UE, 5, 100 * UE)
SPAN = R0 * GF * 3e-3  # 120 ohm


def test_the_width_of_a_parallelogram():
    read = film(PATH, parallelogram(PATH, [12.0, 6.0, 6.0, 3.0, 1.5]))
    found = [read.width(k)[0] for k in range(5)]
    np.testing.assert_allclose(found, [0.1, 0.05, 0.05, 0.025, 0.0125])
    np.testing.assert_allclose(read.gauge_factor(0), GF)
    assert read.conditioned == (3, 4)
    np.testing.assert_allclose(read.hysteresis, 1.5 / SPAN)
    np.testing.assert_allclose(read.hysteresis_strain, 1.5 / (R0 * GF))
    # the ways back of pulls 4 and 5 differ by 1.5 ohm, the ways out by nothing
    np.testing.assert_allclose(read.repeatability, 1.5 / SPAN)
    np.testing.assert_allclose(read.repeatability_strain, 1.5 / (R0 * GF))


def test_the_sign_says_which_side_is_higher():
    lower = film(PATH, parallelogram(PATH, [-6.0] * 5))
    np.testing.assert_allclose(lower.width(2), -0.05)
    np.testing.assert_allclose(lower.hysteresis, -0.05)
    np.testing.assert_allclose(lower.hysteresis_strain, -150 * UE)


def test_a_known_lag():
    """R follows the strain of one visit before.

    In steps of 15 ohm a pull then runs from 1 to 7, at half strain 3 on the way out and 5
    on the way back.
    """
    r = R0 * (1.0 + GF * PATH.strains)
    read = film(PATH, np.concatenate([r[:1], r[:-1]]))
    np.testing.assert_allclose(read.width(4), 2.0 / 6.0)
    np.testing.assert_allclose(read.hysteresis, 2.0 / 6.0)
    np.testing.assert_allclose(read.hysteresis_strain, 2.0 / 6.0 * 3000 * UE)
    np.testing.assert_allclose(read.gauge_factor(4), 90.0 / 2015.0 / 3e-3)
    np.testing.assert_allclose(read.gauge_factor(0), 105.0 / 2000.0 / 3e-3)
    np.testing.assert_allclose(read.repeatability, 0.0, atol=1e-15)
    np.testing.assert_allclose(read.zero_shift(0), 15.0 / R0)


def test_half_strain_is_half_of_the_strain():
    r = parallelogram(PATH, [0.0] * 5)
    r[77] += 6.0  # 1125 microstrain on the last way back
    read = film(PATH, r)
    assert read.width(4)[0] == 0.0
    np.testing.assert_allclose(read.hysteresis, 6.0 / SPAN)
    r[76] += 5.0
    np.testing.assert_allclose(film(PATH, r).width(4), 5.0 / SPAN)


def test_half_strain_between_two_visits():
    path = cycles(1500 * UE, 2, 100 * UE, branch=3)
    read = film(path, parallelogram(path, [0.0, 8.0]))
    np.testing.assert_allclose(read.width(1), 8.0 / SPAN)


def test_shifts_of_zero():
    """The first pull leaves 40 ohm, the second 10 more; then a pull spans 120 ohm still."""
    read = film(PATH, parallelogram(PATH, [0.0] * 5, [40.0, 10.0, 0.0, 0.0, 0.0]))
    found = [read.zero_shift(k)[0] for k in range(5)]
    np.testing.assert_allclose(found, [0.02, 0.025, 0.025, 0.025, 0.025])
    np.testing.assert_allclose(read.zero_shift_strain(0), 40.0 / SPAN * 3e-3)
    # R has risen by 2.5 %, and so the change over R of the conditioned film is smaller
    np.testing.assert_allclose(read.gauge_factor(4), SPAN / 2050.0 / 3e-3)


def test_a_conditioned_film_of_a_third_of_the_gauge_factor_shows_three_times_the_shift():
    r = R0 * (1.0 + GF * PATH.strains)
    later = slice(PATH.pulls[0].end, None)
    r[later] = R0 * (1.02 + GF / 3.0 * PATH.strains[later])
    read = film(PATH, r)
    np.testing.assert_allclose(read.zero_shift_strain(0), 0.02 / (GF / 3.0))


def test_several_films_at_once():
    first = parallelogram(PATH, [12.0] * 5)
    read = film(PATH, first, R0 * (1.0 + GF * PATH.strains), 3.0 * first)
    np.testing.assert_allclose(read.width(0), [0.1, 0.0, 0.1])
    np.testing.assert_allclose(read.zero_shift(4), 0.0, atol=1e-15)


def test_an_open_film_is_infinite_never_nan():
    r = parallelogram(PATH, [12.0] * 5)
    lost = r.copy()
    lost[40:] = np.inf
    whole = np.full(len(PATH), np.inf)
    read = film(PATH, r, lost, whole)
    for value in (
        read.zero_shift(4), read.zero_shift_strain(4), read.hysteresis,
        read.hysteresis_strain, read.repeatability, read.width(4),
    ):  # fmt: skip
        assert np.isfinite(value[0])
        assert np.isinf(value[1:]).all()
    np.testing.assert_allclose(read.zero_shift(0)[:2], 0.0, atol=1e-15)
    assert np.isinf(read.gauge_factor(4)[1])


def test_a_film_that_does_not_respond_shows_no_strain():
    read = film(PATH, np.full(len(PATH), R0))
    assert read.zero_shift_strain(0)[0] == 0.0
    shifted = np.full(len(PATH), R0)
    shifted[16:] += 1.0
    assert np.isinf(film(PATH, shifted).zero_shift_strain(1)[0])


def test_a_conditioned_film_that_answers_the_wrong_way_reads_no_strain():
    r = R0 * (1.0 + GF * PATH.strains)
    later = slice(PATH.pulls[0].end, None)
    r[later] = R0 * (1.02 - 2.0 * PATH.strains[later])
    read = film(PATH, r)
    assert read.gauge_factor(4)[0] < 0.0
    assert np.isinf(read.zero_shift_strain(0)[0])
    np.testing.assert_allclose(read.zero_shift(0), 0.02)


def held(creep):
    """A film that creeps by an amount [ohm] a decade of time while it is held."""
    path = cycles(1500 * UE, 4, 100 * UE, hold=7200.0, rest=3600.0)
    r = R0 * (1.0 + GF * path.strains)
    stay = path.holds[0]
    into = path.times[stay.rows] - path.times[stay.first]
    r[stay.rows] += creep * np.log10(1.0 + into)
    return path, r


@pytest.mark.parametrize("creep", [3.0, -3.0])
def test_creep_over_half_an_hour(creep):
    """From 20 s to 30 minutes, whatever goes on after them."""
    path, r = held(creep)
    read = film(path, r)
    expected = creep * np.log10(1801.0 / 21.0)
    np.testing.assert_allclose(read.creep_strain, expected / (R0 * GF))
    assert read.creep_time == 1800.0
    # the held pull is no whole one
    assert read.whole == (0, 1, 2, 3)
    np.testing.assert_allclose(read.hysteresis, 0.0, atol=1e-15)


def test_creep_that_turns_round_is_read_where_it_is_largest():
    path, r = held(0.0)
    stay = path.holds[0]
    into = path.times[stay.rows] - path.times[stay.first]
    r[stay.rows] += np.where((into > 50.0) & (into < 300.0), -2.0, 0.5 * (into > 0.0))
    np.testing.assert_allclose(film(path, r).creep_strain, -2.5 / (R0 * GF))


def test_return_of_zero():
    """20 s into the rest after the hold, against the zero before the held pull."""
    path, r = held(0.0)
    (rest,) = path.rests
    into = path.times[rest.rows] - path.times[rest.first]
    r[rest.rows] += 4.0 - np.log10(1.0 + into)
    expected = (4.0 - np.log10(21.0)) / (R0 * GF)
    np.testing.assert_allclose(film(path, r).zero_return_strain, expected)


def test_without_a_hold_nothing_is_told_of_creep():
    read = film(PATH, parallelogram(PATH, [0.0] * 5))
    assert read.creep_time == 0.0
    assert read.creep_strain[0] == 0.0
    assert read.zero_return_strain is None


def test_rising_amplitudes():
    """Zero is followed pull by pull; the loop read is that of the farthest pulls."""
    path = Protocol.at_rest()
    for top in (1e-3, 2e-3, 3e-3, 3e-3, 1e-3):
        path = path.ramp(top, 1e-4, 250 * UE).ramp(0.0, 1e-4, 250 * UE)
    read = film(path, parallelogram(path, [0.0, 0.0, 6.0, 3.0, 9.0], [1.0, 2.0, 4.0, 0, 0]))
    assert read.whole == (2, 3)
    assert read.conditioned == (2, 3)
    assert read.first == 2
    np.testing.assert_allclose(read.hysteresis, 3.0 / SPAN)
    np.testing.assert_allclose(read.zero_shift(2), 7.0 / R0)
    # the ways out differ by the 4 ohm that pull 3 left, the ways back by 6 - 3
    np.testing.assert_allclose(read.repeatability, 4.0 / SPAN)


def test_a_swing_about_a_mean():
    path = cycles(500 * UE, 5, 100 * UE, mean=1500 * UE)
    read = film(path, parallelogram(path, [0.0] * 4 + [0.0], [4.0] + [0.0] * 4))
    assert [read.returns(k) for k in range(5)] == [False] * 4 + [True]
    with pytest.raises(ValueError, match="pull 1 does not come back"):
        read.zero_shift(0)
    np.testing.assert_allclose(read.zero_shift(4), 0.002)
    # pull 1 begins at rest: it is no equal of the others
    assert read.whole == (1, 2, 3, 4)


def test_a_film_pressed_in():
    """A film that falls when pressed: signs keep to which side is higher."""
    path = cycles(500 * UE, 5, 100 * UE, mean=-500 * UE)
    r = R0 * (1.0 + GF * path.strains)
    for p in path.pulls:
        r[p.back + 1 : p.end] += 4.0
    read = film(path, r)
    np.testing.assert_allclose(read.gauge_factor(0), GF)
    np.testing.assert_allclose(read.width(3), 0.1)
    np.testing.assert_allclose(read.hysteresis_strain, 100 * UE)


def test_what_cannot_be_read_is_refused():
    with pytest.raises(ValueError, match="81 visits"):
        CycledFilms(PATH, np.ones((1, 3)))
    with pytest.raises(ValueError, match="positive"):
        CycledFilms(PATH, np.zeros((1, 81)))
    with pytest.raises(ValueError, match="no pull"):
        CycledFilms(Protocol.at_rest(), np.ones((1, 1)))
