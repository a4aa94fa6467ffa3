import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import ndtri

from percsim.kernels.memory import advance, faded, remembered


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


@pytest.mark.parametrize("seed", range(4))
def test_the_distribution_is_that_of_many_relays(seed):
    """20,000 contacts of each opening, spread evenly over their breaking openings."""
    rng = np.random.default_rng([771, seed])
    v, n = 14, 20_000
    opened = np.cumsum(rng.normal(0.0, 0.005, (3, 2)), axis=0)
    stretched = rng.uniform(0.5, 1.5, (3, 2))
    counts, weights = np.array([0.3, 0.7]), np.array([0.55, 0.45])
    segments = rng.integers(0, 2, (1, v))
    places = rng.uniform(-0.2, 1.0, (1, v))
    swelling = np.abs(rng.normal(0.004, 0.004, (1, v)))
    closes = rng.uniform(0.4, 1.0, (1, v)) if seed else np.full((1, v), 0.6)
    kept = np.where(rng.random((1, v)) < 0.3, rng.random((1, v)), 1.0)
    found = remembered(
        opened, stretched, counts, weights, segments, places, swelling,
        np.array([0.01]), closes, kept,
    )[0]  # fmt: skip
    breaks = 0.01 * np.exp(ndtri((np.arange(n) + 0.5) / n))
    expected = np.zeros((v, 7))
    for k in range(2):
        closed, broken = np.zeros((2, n), dtype=np.bool_)
        scars = np.zeros(n)
        for q in range(v):
            s, a = segments[0, q], places[0, q]
            film = (1 - a) * opened[s, k] + a * opened[s + 1, k]
            swells = (1 - a) * stretched[s, k] + a * stretched[s + 1, k]
            o = max(film + swelling[0, q] * swells, 0.0)
            if q:
                advance(
                    np.full(n, o), breaks, closes[0, q], kept[0, q], closed, broken, scars
                )
            else:
                closed = o <= breaks
            plain = np.mean(o <= breaks)
            expected[q] += [
                counts[k] * closed.mean(), weights[k] * closed.mean(),
                weights[k] * closed.mean() * o, counts[k] * plain, weights[k] * plain,
                weights[k] * plain * o, weights[k] * np.mean(scars * closed),
            ]  # fmt: skip
    expected[:, [2, 6]] /= expected[:, [1]]
    expected[:, 5] /= expected[:, 4]
    assert expected[:, 6].max() > 0.01
    np.testing.assert_allclose(found, expected, atol=4e-4, rtol=2e-3)


def test_the_distribution_without_memory_is_without_memory():
    rng = np.random.default_rng(4)
    opened, stretched = rng.normal(0.0, 0.005, (2, 5)), np.ones((2, 5))
    found = remembered(
        opened, stretched, np.full(5, 0.2), np.full(5, 0.2), np.zeros((1, 8), np.int64),
        rng.random((1, 8)), np.full((1, 8), 0.004), np.array([0.01]), np.ones((1, 8)),
        np.ones((1, 8)),
    )[0]  # fmt: skip
    np.testing.assert_array_equal(found[:, :3], found[:, 3:6])
