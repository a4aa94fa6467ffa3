"""What drawn patches answer, from curves known by hand."""

import numpy as np
import pytest

from percsim.patches.answers import (
    Curve,
    allowed_dead,
    calibrated,
    common_curve,
    difference_told,
    scan,
)

STRAINS = np.array([0.0, 1e-3, 2e-3, 3e-3])
RNG = np.random.default_rng(4410)


def straight(gauge, level=7.0):
    return np.asarray(level)[..., None] + np.asarray(gauge)[..., None] * STRAINS


def test_a_curve_is_read_back_and_carried_on():
    for sign in (1.0, -1.0):
        curve = Curve(STRAINS, sign * np.array([0.0, 0.01, 0.03, 0.06]), 7.0)
        read = curve.strain(sign * np.array([0.02, 0.075, -0.01, np.inf * sign]))
        np.testing.assert_allclose(read[:3], [1.5e-3, 3.5e-3, -1e-3])
        assert np.isnan(read[3])


def test_the_common_curve_leaves_open_patches_out():
    logs = straight(np.array([10.0, 20.0, 15.0]), np.array([7.0, 8.0, 7.5]))
    logs[2, 3] = np.inf
    curve = common_curve(STRAINS, logs, 0)
    np.testing.assert_allclose(curve.logs, 15.0 * STRAINS)
    assert curve.rest == pytest.approx(7.5)
    assert common_curve(STRAINS, np.full((2, 4), np.inf), 0) is None
    assert common_curve(STRAINS, straight(np.zeros(3)), 0) is None


def test_every_way_to_calibrate_by_hand():
    n = 20000
    gauge, level = (
        15.0 * np.exp(0.05 * RNG.standard_normal(n)),
        7 + 0.1 * RNG.normal(size=n),
    )
    taken = straight(gauge, level)
    curve = common_curve(STRAINS, taken, 0)
    still, zero = np.zeros((2, n, 4)), np.zeros((n, 4))
    each, point, one = calibrated(curve, 0, taken, taken, still, zero)
    np.testing.assert_allclose(each.errors, 0.0, atol=1e-15)
    # its own zero: e (K/mean K - 1); one curve: level/mean K besides
    np.testing.assert_allclose(
        point.errors[:, 3], 3e-3 * (gauge / gauge.mean() - 1), atol=1e-12
    )
    want = (level - level.mean() + 3e-3 * gauge) / gauge.mean() - 3e-3
    np.testing.assert_allclose(one.errors[:, 3], want, atol=1e-12)
    spread = one.errors[:, 3].std()
    assert spread == pytest.approx(0.1 / 15, rel=0.05)
    low, high = one.band(3)[1:]
    assert high - low == pytest.approx(2 * 1.645 * spread, rel=0.05)


def test_noise_and_settings_of_a_curve_of_its_own():
    n, u, s = 20000, 1e-3, 20e-6
    taken = straight(np.full(n, 15.0), np.full(n, 7.0))
    curve = common_curve(STRAINS, taken, 0)
    noise, setting = u * RNG.standard_normal((2, n, 4)), s * RNG.standard_normal((n, 4))
    each, point, _ = calibrated(curve, 0, taken, taken, noise, setting)
    want = np.hypot(np.sqrt(2) * u / 15, s)
    assert each.errors[:, 2].std() == pytest.approx(want, rel=4 / np.sqrt(2 * n))
    # zero and reading, not the settings
    assert point.errors[:, 2].std() == pytest.approx(
        np.sqrt(2) * u / 15, rel=4 / np.sqrt(2 * n)
    )


def test_open_patches_are_errors_without_bound():
    taken = straight(np.full(4, 15.0), np.full(4, 7.0))
    used = taken.copy()
    used[1] = np.inf
    curve = common_curve(STRAINS, taken, 0)
    for way in calibrated(curve, 0, taken, used, np.zeros((2, 4, 4)), np.zeros((4, 4))):
        assert np.isinf(way.errors[1]).all()
        assert np.isfinite(np.delete(way.errors, 1, axis=0)).all()
        assert way.band()[2] == np.inf


def test_patches_that_may_be_dead():
    # 20 sheets: 19 of them with 2 or fewer
    dead = np.array([0] * 10 + [1] * 5 + [2] * 4 + [9])
    assert allowed_dead(dead) == 2
    assert allowed_dead(dead, 0.99) == 9


def test_the_difference_told_between_neighbours():
    # independent errors of sd s: 1.96 sqrt(2) s; shared ones cancel
    n, s = 40000, 100e-6
    a, b, both = s * RNG.standard_normal((3, n))
    told = difference_told(a + 10 * both, b + 10 * both)
    assert told == pytest.approx(1.96 * np.sqrt(2) * s, rel=0.03)
    a[: n // 10] = np.inf
    assert difference_told(a, b) == np.inf


def test_scans():
    found = scan(10, 6, 1e-3, 1e-5, 2e-3, at_once=6, loaded=6)
    assert (found.sheet_time, found.power) == pytest.approx((10e-3, 12e-3))
    assert scan(7, 1, 1e-3, 0, 1, at_once=4).sheet_time == pytest.approx(2e-3)
