"""Histories: what fades of a strain, against closed forms and quadrature, and rest."""

import numpy as np
import pytest
from scipy.integrate import quad

from percsim.states.history import T0, History, Memory, returned


def history(times, strains, celsius=20.0):
    return History(times, strains, np.full(len(times), celsius + 273.15))


def test_a_step_fades_with_the_logarithm_of_the_time_since():
    times = np.array([0.0, 5.0, 5.0, 5.1, 30.0, 4000.0])
    path = history(times, [0.0, 0.0, 2e-3, 2e-3, 2e-3, 2e-3])
    expected = 2e-3 * (1.0 - 0.02 * np.log1p((times[2:] - 5.0) / T0))
    np.testing.assert_allclose(path.felt(0.02)[2:], expected, rtol=1e-14)
    np.testing.assert_array_equal(path.felt(0.0), path.strains)


@pytest.mark.parametrize("seconds", [1e-6, 0.003, 1.0, 1e4])
def test_a_ramp_against_its_closed_form(seconds):
    """At its end, 1 - r [(1 + 1/a) ln(1 + a) - 1] of it with a = seconds/t0."""
    a = seconds / T0
    expected = 1e-3 * (1.0 - 0.03 * ((1.0 + 1.0 / a) * np.log1p(a) - 1.0))
    for points in (2, 7):
        path = history(
            np.linspace(3.0, 3.0 + seconds, points), np.linspace(0, 1e-3, points)
        )
        np.testing.assert_allclose(path.felt(0.03)[-1], expected, rtol=1e-9)


def test_a_cycle_against_quadrature():
    """Ramps, a hold, a fast release and a long rest; SciPy's quadrature of each line."""
    times = np.array([0.0, 10.0, 100.0, 100.5, 3700.0, 3701.0, 90000.0])
    strains = np.array([0.0, 3e-3, 3e-3, 0.0, 0.0, -1e-3, 5e-4])
    path, r = history(times, strains), 0.025
    slopes = np.diff(strains) / np.diff(times)
    for k in range(1, len(times)):
        lost = sum(
            slopes[j]
            * quad(lambda s, k=k: np.log1p((times[k] - s) / T0), *times[j : j + 2])[0]
            for j in range(k)
        )
        assert path.felt(r)[k] == pytest.approx(strains[k] - r * lost, rel=1e-8, abs=1e-13)
    # the strain has gone, what faded of it comes back only with time: felt as compression
    assert path.felt(r)[3] < path.felt(r)[4] < 0.0


def test_fading_is_linear_in_the_share_and_knows_no_origin_of_time():
    rng = np.random.default_rng(20817)
    times, strains = np.cumsum(rng.random(40)), rng.normal(0.0, 1e-3, 40)
    path = history(times, strains)
    shares = np.array([0.0, 0.01, 0.02])
    felt = path.felt(shares)
    assert felt.shape == (3, 40)
    np.testing.assert_allclose(felt[2] - felt[0], 2.0 * (felt[1] - felt[0]), atol=1e-18)
    np.testing.assert_allclose(
        history(times + 1e3, strains).felt(0.02), felt[2], atol=1e-14
    )


def test_the_strain_at_the_first_visit_counts_as_relaxed():
    path = history([0.0, 1e4], [2e-3, 2e-3])
    np.testing.assert_array_equal(path.felt(0.03), path.strains)


def test_half_of_a_strain_and_more_may_not_fade():
    path = history([0.0, 1e5], [0.0, 1e-3])
    assert path.most_relaxed == pytest.approx(0.5 / np.log(1e6))
    path.felt(0.036)
    with pytest.raises(ValueError, match=r"0 to less than 0\.0362 .*0\.037"):
        path.felt(0.037)
    with pytest.raises(ValueError, match=r"got -0\.1"):
        path.felt(-0.1)
    assert history([0.0], [0.0]).most_relaxed == np.inf


def test_rest_is_counted_without_strain_and_starts_again():
    path = history([0, 10, 11, 12, 20, 50, 51], [0.0, 0.0, 1e-3, 0.0, 0.0, 0.0, 1e-3])
    np.testing.assert_array_equal(path.rested, [0, 10, 0, 0, 8, 38, 0])
    np.testing.assert_allclose(
        returned(np.array([0.0, 0.1, 1.0]), path)[:, 5], [0.0, 0.1 * np.log(381.0), 1.0]
    )


def test_scars_keep_what_has_not_returned_and_contacts_close_earlier():
    path = history([0, 1, 2, 12, 102, 103], [0.0, 1e-3, 0.0, 0.0, 0.0, 1e-3])
    closes, kept = Memory(0.6, 0.3, 0.1).along(path)
    back = 0.1 * np.log1p(np.array([10.0, 100.0]) / T0)
    np.testing.assert_allclose(closes, [0.6, 0.6, 0.6, *(0.6 + 0.4 * back), 0.6])
    assert np.prod(kept) == pytest.approx(1.0 - back[1])
    assert kept[3] == pytest.approx(1.0 - back[0])
    closes, kept = Memory(0.6, 0.3, 1.0).along(path)
    np.testing.assert_array_equal(closes, [0.6, 0.6, 0.6, 1.0, 1.0, 0.6])
    np.testing.assert_array_equal(kept, [1.0, 1.0, 1.0, 0.0, 0.0, 1.0])


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([], [], []), "one finite number a visit"),
        (([0.0, 1.0], [0.0], [293.0, 293.0]), "must be as many, got 2, 1 and 2"),
        (([0.0, 2.0, 1.0], [0.0] * 3, [293.0] * 3), "visit 2 is at 1 s after 2 s"),
        (([0.0], [-1.0], [293.0]), "above -1"),
        (([0.0], [0.0], [0.0]), "above 0 K"),
        (([0.0], [np.nan], [293.0]), "strains must be finite"),
    ],
)
def test_what_is_no_history_is_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        History(*arguments)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((1.1, 1.0, 0.0), "reclose must be 0 to 1"),
        ((0.5, 0.0, 0.0), "healed must be above 0 to 1"),
        ((0.5, 1.0, -1.0), "recovery must not be negative"),
    ],
)
def test_what_is_no_memory_is_refused(values, message):
    with pytest.raises(ValueError, match=message):
        Memory(*values)
