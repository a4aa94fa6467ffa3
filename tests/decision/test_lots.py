"""Statistics of lots against printed tables and a worked lot."""

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from percsim.decision.lots import (
    AcceptanceBand,
    CureRatio,
    Lot,
    castings_for_median,
    castings_for_median_by_rank,
    castings_for_range,
    castings_for_share,
    median_interval,
    sampling_plan,
    tolerance_factor,
)

# n, exact k for p = 0.95, 0.90, 0.99 at confidence 0.95; Statistics for Environmental
# Engineers (Berthouex & Brown), table 21.1, prints the same to two decimals
TABLE = [
    (5, 5.0769, 4.2906, 6.5980),
    (8, 3.7455, 3.1560, 4.8892),
    (10, 3.3934, 2.8563, 4.4369),
    (12, 3.1747, 2.6703, 4.1555),
    (15, 2.9649, 2.4922, 3.8853),
    (20, 2.7603, 2.3188, 3.6210),
    (25, 2.6377, 2.2151, 3.4621),
    (30, 2.5549, 2.1451, 3.3546),
    (40, 2.4484, 2.0553, 3.2159),
    (60, 2.3351, 1.9599, 3.0680),
    (100, 2.2339, 1.8748, 2.9355),
]


@pytest.mark.parametrize(("n", "k95", "k90", "k99"), TABLE)
def test_exact_tolerance_factors(n, k95, k90, k99):
    for p, k in ((0.95, k95), (0.90, k90), (0.99, k99)):
        assert tolerance_factor(n, p, 0.95) == pytest.approx(k, abs=6e-5)


@pytest.mark.parametrize("n", [2, 3, 10, 43, 400])
def test_the_integral_by_another_road(n):
    # adaptive quadrature with r(z) from scipy.stats, at the k found; and the NIST/SEMATECH
    # handbook's case, 7.2.6.3: n = 43, p = 0.90, confidence 0.99, exact 2.2228
    for p, gamma in ((0.95, 0.95), (0.90, 0.99)):
        k = tolerance_factor(n, p, gamma)

        def reached(z, p=p, k=k):
            r2 = stats.ncx2.ppf(p, 1, z * z)
            density = 2 * np.sqrt(n / (2 * np.pi)) * np.exp(-n * z * z / 2)
            return density * stats.chi2.sf((n - 1) * r2 / k**2, n - 1)

        got, _ = quad(reached, 1e-12, 10 / np.sqrt(n), limit=200, epsabs=1e-11)
        assert got == pytest.approx(gamma, abs=2e-8)
    if n == 43:
        assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.2228, abs=6e-5)


def test_tolerance_intervals_hold_what_they_say():
    # 4000 lots of 12: the share of them whose interval holds 90 % or more
    rng = np.random.default_rng(51224)
    x = rng.standard_normal((4000, 12))
    k = tolerance_factor(12, 0.90, 0.95)
    mean, std = x.mean(axis=1), x.std(axis=1, ddof=1)
    held = stats.norm.cdf(mean + k * std) - stats.norm.cdf(mean - k * std)
    assert (held >= 0.90).mean() == pytest.approx(0.95, abs=4 * np.sqrt(0.0475 / 4000))


R_KOHM = [
    9.12, 10.45, 8.37, 11.86, 9.78, 12.94, 7.65, 10.02, 9.41, 13.57,
    8.88, 10.91, 11.23, 9.06, 10.36, 8.11, 12.18, 9.95, 14.82, 10.63,
]  # fmt: skip
"""The worked lot (invented numbers, results worked out outside percsim)."""


@pytest.fixture
def lot():
    return Lot(1e3 * np.array(R_KOHM), (5e3, 20e3))


def test_the_worked_lot(lot):
    told = lot.as_dict()
    assert told["mean_ohm"] == pytest.approx(10465.0, abs=0.5)
    assert told["std_ohm"] == pytest.approx(1872.821, abs=6e-4)
    assert told["std_ohm"] / told["mean_ohm"] == pytest.approx(0.178960, abs=6e-7)
    assert told["median_ohm"] == pytest.approx(10190.0)
    assert (told["smallest_ohm"], told["largest_ohm"]) == (7650.0, 14820.0)
    # the interval of the mean is that of Student, here for R itself
    reach = stats.t.ppf(0.975, 19) * told["std_ohm"] / np.sqrt(20)
    assert told["mean_ohm"] - reach == pytest.approx(9588.5, abs=0.06)
    assert told["mean_ohm"] + reach == pytest.approx(11341.5, abs=0.06)
    assert told["log_mean"] - np.log(1e3) == pytest.approx(2.333425, abs=6e-7)
    assert told["log_std"] == pytest.approx(0.173990, abs=6e-7)
    assert told["geometric_mean_ohm"] == pytest.approx(10313.203, abs=6e-4)
    assert told["geometric_std"] == pytest.approx(1.190044, abs=6e-7)
    assert told["cv"] == pytest.approx(0.175315, abs=6e-7)
    assert told["tolerance_factor"] == pytest.approx(2.760346, abs=6e-7)
    low, high = told["tolerance_interval_ohm"]
    assert (low, high) == pytest.approx((6379.9, 16671.5), abs=0.06)
    k = told["tolerance_factor"]
    normal = [told["mean_ohm"] + s * k * told["std_ohm"] for s in (-1, 1)]
    assert normal == pytest.approx([5295.4, 15634.6], abs=0.06)
    assert lot.capability(logs=False) == pytest.approx((1.334885, 0.972686), abs=6e-7)
    assert lot.capability() == pytest.approx((1.327943, 1.268860), abs=6e-7)
    assert lot.capability_interval() == pytest.approx((0.913947, 1.755295), abs=6e-7)
    shape = told["normality"]
    assert shape["raw_w"] == pytest.approx(0.9602, abs=6e-5)
    assert shape["raw_p"] == pytest.approx(0.548, abs=6e-4)
    assert shape["log_w"] == pytest.approx(0.9847, abs=6e-5)
    assert shape["log_p"] == pytest.approx(0.979, abs=6e-4)
    assert shape["raw_skewness"] == pytest.approx(0.7168, abs=6e-5)
    assert shape["log_skewness"] == pytest.approx(0.3348, abs=6e-5)


def test_the_worked_lot_is_not_by_the_approximation(lot):
    # Howe, J. Am. Stat. Assoc. 64, 610 (1969): k = 2.752285 here, limits 6.3889 and 16.6481
    chi2 = stats.chi2.ppf(0.05, 19)
    assert chi2 == pytest.approx(10.117013, abs=6e-7)
    howe = stats.norm.ppf(0.975) * np.sqrt(19 * (1 + 1 / 20) / chi2)
    assert howe == pytest.approx(2.752285, abs=6e-7)
    assert tolerance_factor(20) - howe == pytest.approx(0.008061, abs=2e-6)
    assert lot.tolerance_interval()[0] < 6388.9
    limits = [np.exp(lot.log_mean + s * howe * lot.log_std) for s in (-1, 1)]
    assert limits == pytest.approx([6388.9, 16648.1], abs=0.06)


def test_share_inside_is_that_of_clopper_and_pearson(lot):
    # 20 of 20: low end 0.025^(1/20); printed tables (Hald, Statistical Tables, from
    # memory) give 0.8316 for 20 of 20 and 0.6830, 0.9877 for 18 of 20
    assert lot.share_interval() == pytest.approx((0.025 ** (1 / 20), 1.0))
    assert lot.share_interval()[0] == pytest.approx(0.8316, abs=6e-5)
    narrow = Lot(lot.readings, (8e3, 14e3))
    assert narrow.inside == 18
    assert narrow.share_interval() == pytest.approx((0.6830, 0.9877), abs=6e-5)


def test_castings_for_the_median_by_hand():
    # s = 0.24, 10 %: t s/sqrt(n) <= ln 1.1: n = 27 gives 2.0555 x 0.24/5.196 = 0.09494
    # (<= 0.09531), n = 26 gives 2.0595 x 0.24/5.099 = 0.09694
    assert castings_for_median(0.24, 0.10) == 27
    assert castings_for_median(0.24, 0.10, assurance=0.9) > 27
    assert castings_for_median(0.0, 0.10) == 2
    assert castings_for_median(0.24, 0.10, 0.99) > castings_for_median(0.24, 0.10, 0.95)


def test_the_count_for_the_median_does():
    rng = np.random.default_rng(81116)
    n = castings_for_median(0.24, 0.10)
    x = 0.24 * rng.standard_normal((20000, n))
    off = np.abs(x.mean(axis=1)) <= np.log(1.1)
    assert off.mean() >= 0.95
    # one in ten lots may come out with a wider interval when nine in ten are assured
    m = castings_for_median(0.24, 0.10, assurance=0.90)
    y = 0.24 * rng.standard_normal((20000, m))
    half = stats.t.ppf(0.975, m - 1) * y.std(axis=1, ddof=1) / np.sqrt(m)
    assert (half <= np.log(1.1)).mean() == pytest.approx(0.90, abs=0.03)
    assert (half <= np.log(1.1)).mean() >= 0.90 - 4 * 0.3 / np.sqrt(20000)


def test_median_from_ranks():
    # 1 - 2 x 2^-6 = 0.96875 for the extremes of six; ranks 3 and 10 of 12 hold it with
    # 0.9614, 6 and 15 of 20 with 0.9586 (sign-test tables; binomial sums)
    assert median_interval(np.arange(1.0, 6.0)) is None
    assert median_interval(np.arange(1.0, 7.0)) == pytest.approx((1.0, 6.0, 0.96875))
    assert median_interval(np.arange(1.0, 13.0)) == pytest.approx(
        (3, 10, 0.96143), abs=1e-5
    )
    assert median_interval(np.arange(1.0, 21.0)) == pytest.approx(
        (6, 15, 0.95861), abs=1e-5
    )
    assert median_interval([1.0, 2.0, 3.0, 4.0, 5.0, np.inf])[1] == np.inf


def test_ranks_take_more_castings_than_the_law():
    by_law, by_rank = (
        castings_for_median(0.24, 0.10),
        castings_for_median_by_rank(0.24, 0.10),
    )
    # the median of a normal sample is pi/2 times as variable as its mean, in the limit
    assert 1.3 * by_law < by_rank < 1.9 * by_law
    assert castings_for_median_by_rank(0.0, 0.10) == 6
    rng = np.random.default_rng(4471)
    x = np.sort(0.24 * rng.standard_normal((4000, by_rank)), axis=1)
    _, high, _ = median_interval(np.arange(1.0, by_rank + 1))
    assert x[:, int(high) - 1].mean() <= np.log(1.1) + 0.002


def test_castings_for_ranges_and_shares():
    # Wilks: 46, 93, 473 at 95 %; success runs 59, 29, 14 and 93, 124 with 1, 2 failures
    assert [castings_for_range(p) for p in (0.90, 0.95, 0.99)] == [46, 93, 473]
    assert [castings_for_share(p) for p in (0.95, 0.90, 0.80)] == [59, 29, 14]
    assert [castings_for_share(0.95, failures=c) for c in (1, 2)] == [93, 124]


def test_open_castings_count_and_have_no_logarithm():
    lot = Lot(np.array([900.0, 1000.0, 1100.0, 1200.0, np.inf]), (800.0, 1300.0))
    told = lot.as_dict()
    assert told["n_open"] == 1
    assert told["inside"] == 4
    assert told["median_ohm"] == 1100.0
    assert told["largest_ohm"] == np.inf
    assert np.isfinite(told["log_std"])
    assert told["share_by_law"] < 0.8
    dead = Lot(np.array([np.inf, np.inf])).as_dict()
    assert dead["median_ohm"] == np.inf
    assert dead["share"] == 0.0
    one = Lot(np.array([1000.0])).as_dict()
    assert one["log_std"] == np.inf
    assert one["tolerance_factor"] is None
    assert one["tolerance_interval_ohm"] == [0.0, np.inf]


def test_acceptance_band_keeps_parts_outside_out():
    band = AcceptanceBand.inside(700.0, 3000.0, 0.01)
    assert band.low == pytest.approx(700 * np.exp(0.02))
    assert band.high == pytest.approx(3000 / np.exp(0.02))
    # a part that lies on the limit reads inside once in 44
    rng = np.random.default_rng(6021)
    read = 700.0 * np.exp(0.01 * rng.standard_normal(40000))
    assert (read >= band.low).mean() == pytest.approx(0.0228, abs=4 * 0.15 / 200)
    assert AcceptanceBand.inside(1000.0, 1010.0, 0.01) is None
    assert AcceptanceBand.inside(0.0, 3000.0, 0.01).low == 0.0


def test_before_cure():
    ratio = CureRatio(0.4, 0.05)
    assert ratio.before_cure(700.0, 3000.0) == pytest.approx(
        (1750.0 * np.exp(0.1), 7500.0 / np.exp(0.1))
    )
    assert CureRatio(0.4, 0.9).before_cure(700.0, 3000.0) is None
    pairs = CureRatio.from_pairs([400.0, 410.0, 390.0, 405.0], [1000.0] * 4)
    assert pairs.n == 4
    assert pairs.median == pytest.approx(stats.gmean([0.4, 0.41, 0.39, 0.405]))
    # four films tell the spread badly, so the band shrinks further than for a known one
    assert pairs.reach == pytest.approx(tolerance_factor(4, 0.95, 0.90))
    assert pairs.reach > 4.0
    assert CureRatio.from_pairs([1.0, 2.0, np.inf], [1.0, 2.0, 3.0]) is None
    with pytest.raises(ValueError, match="must be positive"):
        CureRatio(0.0, 0.1)


def test_the_limit_of_a_spread_holds_it():
    rng = np.random.default_rng(1207)
    lots = np.exp(0.2 * rng.standard_normal((4000, 6)))
    held = np.mean([Lot(row).log_std_limit(0.90) >= 0.2 for row in lots])
    assert held == pytest.approx(0.90, abs=4 * 0.3 / np.sqrt(4000))


def test_the_mean_of_the_next_five_is_held():
    # 4000 lots of 8, and the mean of five more of each
    rng = np.random.default_rng(23319)
    held = 0
    for row in rng.standard_normal((4000, 13)):
        low, high = Lot(np.exp(0.2 * row[:8])).next_mean_interval(5)
        held += low <= np.exp(0.2 * row[8:].mean()) <= high
    assert held / 4000 == pytest.approx(0.95, abs=4 * np.sqrt(0.0475 / 4000))


def test_sampling_plan_grows_with_what_is_not_known():
    plan = sampling_plan(0.24, log_std_limit=0.35)
    assert plan["for_median"] == 27
    assert plan["for_median"] < plan["for_median_assured"] < plan["for_median_at_limit"]
    assert plan["for_share"][0] == {"failures": 0, "castings": 14}
    unknown = sampling_plan(float("inf"))
    assert unknown["for_median"] is None
    assert unknown["for_range"] == 93


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: tolerance_factor(1), "2 readings or more"),
        (lambda: tolerance_factor(10, 1.0), "coverage must lie between 0 and 1"),
        (lambda: castings_for_median(-0.1, 0.1), "log_std must be 0 or more"),
        (lambda: castings_for_median(0.1, 0.0), "within must be above 0"),
        (lambda: castings_for_share(0.9, failures=-1), "failures must be 0 or more"),
        (lambda: Lot(np.array([])), "at least one reading"),
        (lambda: Lot(np.array([1.0, -2.0])), "positive resistances, got -2"),
        (lambda: Lot(np.array([1.0]), (3.0, 2.0)), "the window must rise"),
    ],
)
def test_bad_arguments(call, message):
    with pytest.raises(ValueError, match=message):
        call()
