"""Statistics against NumPy, closed forms and published formulas."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from percsim.boxes.statistics import (
    Estimate,
    clopper_pearson,
    cv_from_log_std,
    effective_medium_mean,
    log_std_from_cv,
    weighted_quantiles,
)


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (0.341889, 0.0021, "0.3419 ± 0.0021"),
        (412.3, 18.2, "412 ± 18"),
        (1.8361e15, 4.1e12, "(1.8361 ± 0.0041)e+15"),
        (3.2e-9, 5e-11, "(3.200 ± 0.050)e-09"),
        (2.5, 0.0, "2.5 ± 0"),
        (math.inf, math.inf, "inf ± inf"),
    ],
)
def test_estimate_prints_two_figures_of_its_error(value, error, text):
    assert str(Estimate(value, error, 7)) == text
    assert repr(Estimate(value, error, 7)) == f"Estimate: {text} (n = 7)"


def test_estimate_arithmetic():
    e = Estimate(2.0, 0.1, 10)
    assert e.scaled(-3.0) == Estimate(-6.0, 0.30000000000000004, 10)
    assert e.relative_error == 0.05
    assert e.deviation_from(1.8) == pytest.approx(2.0)
    assert e.deviation_from(1.8, uncertainty=0.1) == pytest.approx(math.sqrt(2.0))
    assert Estimate(math.inf, math.inf, 1).deviation_from(math.inf) == 0.0


@pytest.mark.parametrize(
    "bad", [(math.nan, 0.1, 3), (1.0, -0.1, 3), (1.0, 0.1, 0), (1, math.nan, 2)]
)
def test_estimate_refuses(bad):
    with pytest.raises(ValueError, match="must"):
        Estimate(*bad)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=9),
)
def test_equal_weights_follow_hazen(values, probabilities):
    # NumPy's own "hazen" rule is the outside check.
    expected = np.quantile(values, probabilities, method="hazen")
    got = weighted_quantiles(values, probabilities)
    np.testing.assert_allclose(got, expected, atol=1e-9)


@pytest.mark.parametrize("freedom", [1.5, 100.0])
@pytest.mark.parametrize("open_share", [0.0, 0.3, 0.97])
def test_many_samples_give_what_all_of_them_sorted_give(open_share, freedom):
    """Running weight by hand; heavy tails, ties, gaps, and samples that are open."""
    rng = np.random.default_rng(71255)
    x = np.concatenate([rng.standard_t(freedom, 9000), np.full(2000, 1.25)])
    x[rng.random(len(x)) < open_share] = math.inf
    w = rng.exponential(size=len(x))
    order = np.argsort(x, kind="stable")
    where = (np.cumsum(w[order]) - 0.5 * w[order]) / w.sum()
    p = np.concatenate([[0.0, 1.0, 0.05, 0.5, 0.95], rng.random(500), where[::80]])
    found = np.concatenate([weighted_quantiles(x, at, w) for at in p])
    shut = np.isfinite(x[order])
    expected = np.interp(p, where[shut], x[order][shut])
    expected[p > where[shut][-1]] = math.inf if not shut.all() else x.max()
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_whole_number_weights_are_repetitions():
    rng = np.random.default_rng(90417)
    x, w = rng.normal(size=12), rng.integers(1, 5, size=12)
    # At the centre of each step of the running weight the quantile is the sample itself.
    order = np.argsort(x)
    centres = (np.cumsum(w[order]) - 0.5 * w[order]) / w.sum()
    np.testing.assert_allclose(weighted_quantiles(x, centres, w), x[order])
    with_zero = weighted_quantiles([*x, -99.0], centres, [*w, 0])
    np.testing.assert_allclose(with_zero, x[order])


def test_quantiles_of_open_circuits_are_infinite_not_nan():
    q = weighted_quantiles([1.0, 2.0, math.inf, math.inf], [0.0, 0.3, 0.375, 0.4, 0.9, 1.0])
    np.testing.assert_array_equal(q, [1.0, 1.7, 2.0, math.inf, math.inf, math.inf])
    assert not np.isnan(weighted_quantiles([math.inf] * 3, [0.0, 0.1, 0.5, 1.0])).any()


def test_quantile_refusals():
    with pytest.raises(ValueError, match="0 to 1"):
        weighted_quantiles([1.0], 1.5)
    with pytest.raises(ValueError, match="weights"):
        weighted_quantiles([1.0, 2.0], 0.5, [1.0])
    with pytest.raises(ValueError, match="at least one"):
        weighted_quantiles([], 0.5)


@pytest.mark.parametrize(("k", "n"), [(0, 12), (12, 12), (3, 40), (160, 200), (1, 1)])
def test_clopper_pearson_inverts_the_binomial_tails(k, n):
    low, high = clopper_pearson(k, n, 0.9)
    binomial = lambda p, ks: sum(math.comb(n, j) * p**j * (1 - p) ** (n - j) for j in ks)  # noqa: E731
    if k > 0:
        assert binomial(low, range(k, n + 1)) == pytest.approx(0.05, rel=1e-9)
    else:
        assert low == 0.0
    if k < n:
        assert binomial(high, range(k + 1)) == pytest.approx(0.05, rel=1e-9)
    else:
        assert high == 1.0


def test_clopper_pearson_refuses():
    with pytest.raises(ValueError, match="successes"):
        clopper_pearson(3, 2)
    with pytest.raises(ValueError, match="confidence"):
        clopper_pearson(1, 2, 95.0)


def test_sheet_of_two_phases_is_their_geometric_mean():
    # Exact for interchangeable phases in a sheet: Keller 1964, J. Math. Phys. 5, 548.
    for a, b in ((1.0, 1e-8), (3e-7, 3e-7), (2e5, 1e-3)):
        m = effective_medium_mean([a, b], 2)
        assert m == pytest.approx(math.sqrt(a * b), rel=1e-12)


@pytest.mark.parametrize("d", [2, 3, 2.5])
@pytest.mark.parametrize("share", [0.51, 0.6, 0.9, 1.0])
def test_dilution_follows_the_straight_line(d, share):
    # g_m / g_0 = (p - 1/d) / (1 - 1/d): Kirkpatrick 1973, Rev. Mod. Phys. 45, 574.
    got = effective_medium_mean([4.0, 0.0], d, [share, 1.0 - share])
    assert got == pytest.approx(4.0 * (share - 1.0 / d) / (1.0 - 1.0 / d), rel=1e-10)


def test_threshold_of_the_effective_medium_is_one_over_d():
    assert effective_medium_mean([1.0, 0.0, 0.0], 3) == 0.0
    assert effective_medium_mean([1.0, 0.0], 2) == 0.0
    assert effective_medium_mean([1.0, 1.0, 0.0, 0.0, 0.0], 3) > 0.0
    assert effective_medium_mean([0.0, 0.0], 3) == 0.0
    assert effective_medium_mean([5.0, 0.0], 1) == 0.0


def test_series_is_the_harmonic_mean():
    assert effective_medium_mean([1.0, 2.0, 4.0], 1) == pytest.approx(3.0 / 1.75)


# Parts 18 decades below the others stand for nothing: with a third of the rest conducting
# the root is then lost in rounding, whatever is done.
@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.one_of(st.just(0.0), st.floats(1e-6, 1e6)), min_size=1, max_size=25),
    st.sampled_from([2, 3]),
    st.floats(1e-9, 1e9),
)
def test_effective_mean_solves_its_equation_and_scales(values, d, factor):
    s = np.asarray(values)
    m = effective_medium_mean(s, d)
    assert 0.0 <= m <= s.max() * (1 + 1e-9)
    assert effective_medium_mean(s * factor, d) == pytest.approx(m * factor, rel=1e-8)
    if m > 0.0:
        # Sides of the root 1 % apart have opposite signs, whatever the spread of values.
        f = lambda t: ((s - t) / (s + (d - 1) * t)).sum()  # noqa: E731
        assert f(m * 0.99) > -1e-9
        assert f(m * 1.01) < 1e-9
    else:
        assert d * np.count_nonzero(s) <= len(s)


def test_effective_mean_refuses():
    with pytest.raises(ValueError, match="negative"):
        effective_medium_mean([1.0, -1.0], 3)
    with pytest.raises(ValueError, match="dimension"):
        effective_medium_mean([1.0], 0.5)


def test_log_normal_round_trip():
    rng = np.random.default_rng(33201)
    for s in (0.0, 1e-6, 0.2, 1.3):
        assert log_std_from_cv(cv_from_log_std(s)) == pytest.approx(s, rel=1e-9, abs=1e-15)
    x = np.exp(rng.normal(0.0, 0.3, size=200_000))
    # The relative error of this CV is near 0.3 %; the band is four of them.
    assert x.std() / x.mean() == pytest.approx(cv_from_log_std(0.3), rel=0.012)


def test_cv_of_a_spread_without_bound_is_infinite_not_an_error():
    assert cv_from_log_std(26.0) > 1e146
    assert cv_from_log_std(27.0) == math.inf
