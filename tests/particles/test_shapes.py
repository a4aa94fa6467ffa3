import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import dawsn

from percsim.materials import Orientation
from percsim.particles.shapes import draw_axes, order_parameter

N = 100_000


def draw(orientation, kind="flake", dimension=3, axis=0, seed=90511, n=N):
    return draw_axes(orientation, kind, n, dimension, axis, np.random.default_rng(seed))


def check_within(sample, mean):
    """Mean of a sample within 4 standard errors."""
    error = np.std(sample) / math.sqrt(len(sample))
    assert abs(np.mean(sample) - mean) < 4 * error + 1e-12, (np.mean(sample), mean, error)


@pytest.mark.parametrize("kind", ["flake", "rod"])
@pytest.mark.parametrize("dimension", [2, 3])
def test_isotropic_axes_have_no_direction(kind, dimension):
    axes = draw(Orientation(), kind, dimension)
    assert abs(np.linalg.norm(axes, axis=1) - 1).max() < 1e-12
    for i in range(dimension):
        check_within(axes[:, i] ** 2, 1 / dimension)
        # fourth moment of an isotropic unit vector: 3 / (d (d + 2))
        check_within(axes[:, i] ** 4, 3 / (dimension * (dimension + 2)))
        check_within(axes[:, i] * axes[:, (i + 1) % dimension], 0.0)


@pytest.mark.parametrize("tilt", [0.01, 0.2, 0.6, 1.0])
def test_flake_normals_have_the_rms_tilt_asked(tilt):
    axes = draw(Orientation("in-plane", tilt))
    check_within(
        np.arctan2(np.hypot(axes[:, 0], axes[:, 1]), abs(axes[:, 2])) ** 2, tilt**2
    )
    check_within(axes[:, 0] * axes[:, 1], 0.0)


@pytest.mark.parametrize("tilt", [0.01, 0.2, 0.6])
def test_rods_in_plane_leave_it_by_the_rms_tilt_asked(tilt):
    axes = draw(Orientation("in-plane", tilt), "rod")
    check_within(np.arcsin(abs(axes[:, 2])) ** 2, tilt**2)
    check_within(axes[:, 2], 0.0)
    check_within(axes[:, 0] ** 2 - axes[:, 1] ** 2, 0.0)


@pytest.mark.parametrize("dimension", [2, 3])
def test_aligned_rods_lie_about_the_current(dimension):
    axes = draw(Orientation("aligned", 0.3), "rod", dimension, axis=1)
    check_within(np.arccos(np.minimum(1, abs(axes[:, 1]))) ** 2, 0.09)


def test_without_tilt_everything_lies_exactly():
    assert (abs(draw(Orientation("in-plane"), n=9)[:, 2]) == 1).all()
    assert abs(draw(Orientation("in-plane"), "rod", n=9)[:, 2]).max() < 1e-15
    assert (abs(draw(Orientation("aligned"), "rod", axis=1, n=9)[:, 1]) == 1).all()


@pytest.mark.parametrize("order", [-0.45, -0.2, 0.0, 0.3, 0.7, 0.97])
@pytest.mark.parametrize("kind", ["flake", "rod"])
def test_order_parameter_comes_out_as_asked(order, kind):
    axes = draw(Orientation("aligned", order=order), kind)
    director = 2 if kind == "flake" else 0
    check_within(1.5 * axes[:, director] ** 2 - 0.5, order)
    assert order_parameter(axes, director) == pytest.approx(order, abs=0.01)


@pytest.mark.parametrize("order", [-0.6, 0.4])
def test_order_parameter_in_the_plane(order):
    axes = draw(Orientation("aligned", order=order), "rod", 2)
    check_within(2 * axes[:, 0] ** 2 - 1, order)


def test_flakes_turned_edge_on_to_a_flow():
    axes = draw(Orientation("aligned", order=-0.5, director="current"))
    assert abs(axes[:, 0]).max() < 1e-12
    check_within(axes[:, 2] ** 2, 0.5)


def test_law_of_the_angle_against_its_closed_form():
    # density exp(kappa x^2) of x = cos t on [0, 1]: share below x is
    # exp(kappa (x^2 - 1)) D(sqrt(kappa) x) / D(sqrt(kappa)), D Dawson's integral;
    # <x^2> = 1 / (2 sqrt(kappa) D(sqrt(kappa))) - 1 / (2 kappa)
    kappa = 3.7
    root = math.sqrt(kappa)
    mean_square = 1 / (2 * root * dawsn(root)) - 1 / (2 * kappa)
    check = quad(lambda x: x * x * math.exp(kappa * x * x), 0, 1)[0]
    check /= quad(lambda x: math.exp(kappa * x * x), 0, 1)[0]
    assert mean_square == pytest.approx(check, rel=1e-9)
    axes = draw(Orientation("aligned", order=1.5 * mean_square - 0.5))
    x = np.sort(abs(axes[:, 2]))
    share = np.exp(kappa * (x * x - 1)) * dawsn(root * x) / dawsn(root)
    worst = abs(share - (np.arange(N) + 0.5) / N).max()
    assert worst < 1.95 / math.sqrt(N)  # Kolmogorov, 1 in 1000


@pytest.mark.parametrize("mode", ["isotropic", "in-plane", "aligned"])
@pytest.mark.parametrize("kind", ["flake", "rod"])
@pytest.mark.parametrize("dimension", [2, 3])
def test_first_axes_do_not_depend_on_how_many_follow(mode, kind, dimension):
    tilt = 0.2 if mode != "isotropic" and (dimension == 3 or mode == "aligned") else 0.0
    few = draw(Orientation(mode, tilt), kind, dimension, n=50)
    many = draw(Orientation(mode, tilt), kind, dimension, n=500)
    np.testing.assert_array_equal(few, many[:50])


def test_impossible_angles_are_refused():
    # isotropic rms: sqrt(pi - 2) = 61.2 deg from a pole, sqrt(pi^2/4 - 2) = 39.2 deg
    # from a plane
    with pytest.raises(ValueError, match=r"61\.2"):
        draw(Orientation("in-plane", 1.1), n=5)
    with pytest.raises(ValueError, match=r"39\.1"):
        draw(Orientation("in-plane", 0.7), "rod", n=5)
    with pytest.raises(ValueError, match=r"-0\.5 to 1"):
        draw(Orientation("aligned", order=-0.7), n=5)
    with pytest.raises(ValueError, match="takes no tilt"):
        draw(Orientation("in-plane", 0.1), "rod", 2, n=5)


def test_order_parameter_by_hand():
    assert order_parameter([[1, 0, 0], [0, 1, 0]], 0) == pytest.approx(0.25)
    assert order_parameter([[1.0, 0], [0, 1]], [3.0, 3.0]) == pytest.approx(0.0)
    assert order_parameter(np.zeros((0, 3)), 2) == 0.0
    with pytest.raises(ValueError, match="director"):
        order_parameter([[1.0, 0, 0]], [0.0, 0, 0])
