import numpy as np
import pytest
from scipy.integrate import quad

from percsim.kernels.memory import advance, faded


def plain(kernel):
    return getattr(kernel, "py_func", kernel)


def test_compiled_and_plain_agree():
    rng = np.random.default_rng(51)
    breaks = rng.lognormal(0.0, 1.0, 300)
    one, other = (
        [np.zeros(300, np.bool_), np.zeros(300, np.bool_), np.zeros(300)] for _ in range(2)
    )
    for _ in range(12):
        opening = rng.normal(1.0, 1.0, 300)
        for kernel, state in ((advance, one), (plain(advance), other)):
            kernel(opening, breaks, 0.6, 0.9, *state)
        for a, b in zip(one, other, strict=True):
            np.testing.assert_array_equal(a, b)
    assert one[1].any()
    times, strains = np.cumsum(rng.random(30)), rng.normal(size=30)
    np.testing.assert_allclose(
        faded(times, strains), plain(faded)(times, strains), rtol=1e-13
    )


def test_a_contact_breaks_above_its_opening_and_closes_at_or_below_its_share():
    closed, broken, scars = np.array([True]), np.array([False]), np.zeros(1)
    seen = []
    for opening in (1.0, 1.0001, 0.7, 0.5, 0.4, 1.0, 1.1, 0.5):
        advance(np.array([opening]), np.ones(1), 0.5, 1.0, closed, broken, scars)
        seen.append((bool(closed[0]), float(scars[0])))
    assert seen == [(True, 0), (False, 0), (False, 0), (True, 1), (True, 1), (True, 1),
                    (False, 1), (True, 1)]  # fmt: skip


def test_what_was_never_closed_closes_without_a_scar_the_first_time_only():
    closed, broken, scars = np.array([False]), np.array([False]), np.zeros(1)
    seen = []
    for opening in (0.6, 0.4, 2.0, 0.4):
        advance(np.array([opening]), np.ones(1), 0.5, 1.0, closed, broken, scars)
        seen.append((bool(closed[0]), float(scars[0])))
    assert seen == [(False, 0), (True, 0), (False, 0), (True, 1)]


def test_scars_keep_their_share():
    closed, broken, scars = np.array([True]), np.array([True]), np.ones(1)
    for kept in (0.5, 0.2):
        advance(np.zeros(1), np.ones(1), 0.5, kept, closed, broken, scars)
    assert scars[0] == 0.1


@pytest.mark.parametrize("ramp", [1e-6, 1.9e-3, 2.1e-3, 3.0, 1e6])
@pytest.mark.parametrize("wait", [0.0, 1.0, 1e5])
def test_what_fades_of_a_ramp_against_quadrature(ramp, wait):
    found = faded(np.array([0.0, ramp, ramp + wait]), np.array([0.0, 1.0, 1.0]))[-1]
    mean = quad(lambda x: np.log1p(wait + x * ramp), 0.0, 1.0, epsabs=0.0, epsrel=1e-13)[0]
    assert found == pytest.approx(mean, rel=1e-10)
