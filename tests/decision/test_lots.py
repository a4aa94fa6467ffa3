"""Statistics of lots against printed tables and a worked lot."""

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad

from percsim.decision.counts import (
    SequentialPlan,
    castings_for_median,
    castings_for_median_by_rank,
    castings_for_range,
    castings_for_share,
    sampling_plan,
)
from percsim.decision.lots import (
    AcceptanceBand,
    CureRatio,
    Lot,
    median_interval,
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


def cups_of_films(rng, lots, sizes, alike):
    """ln R of lots of films of cups; share of the unit variance that belongs to the cup."""
    cups = np.sqrt(alike) * rng.standard_normal((lots, len(sizes)))
    films = np.sqrt(1.0 - alike) * rng.standard_normal((lots, sum(sizes)))
    return np.repeat(cups, sizes, axis=1) + films, np.repeat(np.arange(len(sizes)), sizes)


@pytest.mark.parametrize("sizes", [(5, 5, 5, 5), (2, 5, 4, 9)])
@pytest.mark.parametrize("alike", [0.4, 0.6])
def test_intervals_hold_what_they_say_when_cups_differ(sizes, alike):
    # simulated lots of known law; that it is the films' number that misleads is the
    # point: without the cups the "95 %" band holds 71-83 % of the time
    rng = np.random.default_rng(90417)
    rows, cups = cups_of_films(rng, 400, sizes, alike)
    upper = float(np.exp(0.2 * 0.8416))  # 80 % of all films lie below it
    held, blind, median, inside = [], [], [], []
    for row in rows:
        lot = Lot(np.exp(0.2 * row), (0.0, upper), [f"{cup}" for cup in cups])
        for said, one in ((held, lot), (blind, Lot(lot.readings))):
            low, high = np.log(one.tolerance_interval()) / 0.2
            said.append(stats.norm.cdf(high) - stats.norm.cdf(low) >= 0.95)
        low, high = lot.geometric_mean_interval()
        median.append(low <= 1.0 <= high)
        low, high = lot.share_interval()
        inside.append(low <= 0.8 <= high)
    error = 4 * np.sqrt(0.0475 / 400)
    assert np.mean(held) >= 0.95 - error
    assert np.mean(blind) < 0.90
    assert np.mean(median) == pytest.approx(0.95, abs=error + 0.005)
    assert np.mean(inside) >= 0.95 - error


def test_a_balanced_lot_of_cups_by_hand():
    # two cups of two: cup means 1 and 3, each film 0.5 off its cup's mean
    lot = Lot(np.exp([0.5, 1.5, 2.5, 3.5]), cups=["a", "a", "b", "b"])
    told = lot.scatter
    assert (told.mean, told.of_means, told.within) == pytest.approx((2.0, 2.0, 0.5))
    assert told.between == pytest.approx(1.75)
    assert lot.log_std == pytest.approx(1.5)
    assert lot.design_effect == pytest.approx(1.0 + 1.75 / 2.25)
    # 2 +- 12.706 sqrt(2/2), Student's t of one degree of freedom
    assert np.log(lot.geometric_mean_interval()) == pytest.approx([-10.7062, 14.7062])
    # films of one cup: its own figures, as if no cup were told
    one = Lot(lot.readings, cups=["a"] * 4)
    assert one.tolerance_interval() == Lot(lot.readings).tolerance_interval()
    # a film a cup: the exact factor
    alone = Lot(lot.readings, cups=list("abcd"))
    assert alone.tolerance_interval() == Lot(lot.readings).tolerance_interval()
    with pytest.raises(ValueError, match="need as many cups"):
        Lot(lot.readings, cups=["a"])


def test_equal_readings_show_the_spread_of_the_instrument():
    five = Lot(np.full(5, 1500.0), (700.0, 3e3), instrument=0.001)
    assert not five.spread_seen
    cp, cpk = five.capability()
    assert cp == pytest.approx(np.log(3000 / 700) / 0.006)
    assert np.isfinite(cpk)
    assert five.tolerance_interval()[1] == pytest.approx(1500 * np.exp(5.0769e-3), abs=1e-3)
    outside = Lot(np.full(4, 3500.0), (700.0, 3e3))
    assert outside.capability()[1] < 0.0
    assert outside.capability(logs=False)[1] < 0.0
    assert Lot(np.full(4, 3500.0), (700.0, 3e3), instrument=0.0).capability()[1] < 0.0


def test_a_film_that_stands_apart_is_named_and_left_in():
    readings = 1e3 * np.array([1.00, 1.12, 0.93, 1.05e6, 0.98, 1.07, 1.02])
    lot = Lot(readings, (700.0, 3e3))
    assert lot.outliers == (3,)
    assert lot.inside == 6
    assert len(lot) == 7
    assert len(lot.without_outliers) == 6
    # ranks: the median does not move, however far the film
    assert lot.median == 1020.0
    # Rosner's worked example (Technometrics 25, 165 (1983); NIST/SEMATECH 1.3.5.17.3):
    # three outliers at 5 %, the two farthest of which also stand at 1 %
    rosner = np.array([
        -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
        1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
        2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
        2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
    ])  # fmt: skip
    assert set(Lot(np.exp(rosner)).outliers) <= {51, 52, 53}
    # a digit of the instrument is no outlier, and a normal lot seldom has one
    assert Lot(np.array([1500.0] * 6 + [1501.0])).outliers == ()
    rng = np.random.default_rng(7713)
    named = [
        bool(Lot(np.exp(0.2 * row)).outliers) for row in rng.standard_normal((600, 12))
    ]
    assert np.mean(named) <= 0.01 + 4 * np.sqrt(0.01 / 600) + 0.02


def test_open_films_count_in_the_share_of_all():
    # 19 of 20 conduct: 95 % of all cannot be promised; 299 of 300 conduct, and the band
    # must hold more of those
    rng = np.random.default_rng(31)
    values = np.exp(0.2 * rng.standard_normal(300))
    few = np.append(values[:19], np.inf)
    assert Lot(few).tolerance_interval() == (0.0, np.inf)
    assert Lot(few).as_dict()["tolerance_factor"] is None
    assert Lot(few, (0.5, 2.0)).capability() is None
    # one-sided Clopper-Pearson by its defining binomial sum
    least = Lot(few).conducting_share(0.95)
    assert stats.binom.sf(18, 20, least) == pytest.approx(0.05)
    many = Lot(np.append(values[:299], np.inf))
    low, high = many.tolerance_interval()
    inner_low, inner_high = Lot(values[:299]).tolerance_interval()
    assert low < inner_low
    assert high > inner_high


def test_a_sequential_plan_keeps_its_risks():
    # chance of each end by the exact walk over (films, failures), against Wald's bounds
    plan = SequentialPlan(share=0.80, good=0.95, risk=0.05)

    def accepted(share, most=400):
        at, total, films = {0: 1.0}, 0.0, 0.0
        for n in range(1, most + 1):
            nxt = {}
            for d, p in at.items():
                for failed, q in ((0, share), (1, 1.0 - share)):
                    nxt[d + failed] = nxt.get(d + failed, 0.0) + p * q
            at = {}
            for d, p in nxt.items():
                ends = plan.more_to_accept(n, d) == 0, plan.more_to_reject(n, d) == 0
                total += p * ends[0]
                films += n * p * any(ends)
                if not any(ends):
                    at[d] = p
        return total, films, sum(at.values())

    bad, _, left = accepted(0.80)
    assert left < 1e-6
    assert bad <= 0.05 / 0.95  # Wald's bound; the overshoot makes it less
    good, films, _ = accepted(0.95)
    assert good >= 1.0 - 0.05 / 0.95
    assert films == pytest.approx(plan.expected(0.95), rel=0.25)
    # a number fixed beforehand that keeps both risks takes half as many again
    fixed = next(
        n
        for c in range(20)
        if stats.binom.cdf(c, n := castings_for_share(0.80, failures=c), 0.05) >= 0.95
    )
    assert films < 0.7 * fixed
    # by hand: ln(.95/.8) = 0.1719, ln(.2/.05) = 1.3863, ln 19 = 2.9444: g = 0.1103,
    # h = 1.8896, so 18 without a failure accept and 3 failures of the first 3 reject
    assert plan.more_to_accept(0, 0) == 18
    assert plan.more_to_reject(0, 0) == 3
    assert plan.verdict([True] * 20) == ("accept", 18)
    assert plan.verdict([False] * 5) == ("reject", 3)
    assert plan.verdict([True, False, True]) == ("go on", 3)
    # films of cups that tell a third as much take three times as many
    assert plan.verdict([True] * 60, 1 / 3) == ("accept", 52)
    assert plan.verdict([False] * 9, 1 / 3) == ("reject", 7)  # 7/3 (1 - g) >= h


def test_the_limit_of_a_spread_holds_it():
    rng = np.random.default_rng(1207)
    lots = np.exp(0.2 * rng.standard_normal((4000, 6)))
    held = np.mean([Lot(row).log_std_limit(0.90) >= 0.2 for row in lots])
    assert held == pytest.approx(0.90, abs=4 * 0.3 / np.sqrt(4000))


def test_the_mean_of_the_next_five_is_held():
    # 1500 lots of 8, and the mean of five more of each
    rng = np.random.default_rng(23319)
    held = 0
    for row in rng.standard_normal((1500, 13)):
        low, high = Lot(np.exp(0.2 * row[:8])).next_mean_interval(5)
        held += low <= np.exp(0.2 * row[8:].mean()) <= high
    assert held / 1500 == pytest.approx(0.95, abs=4 * np.sqrt(0.0475 / 1500))


def test_sampling_plan_grows_with_what_is_not_known():
    plan = sampling_plan(0.24, log_std_limit=0.35)
    assert plan["for_median"] == 27
    assert plan["for_median"] < plan["for_median_assured"] < plan["for_median_at_limit"]
    assert plan["for_share"][0] == {"failures": 0, "castings": 14, "in_cups": 14}
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
        (lambda: SequentialPlan(0.8, 0.7), "share of a good recipe must lie between"),
        (lambda: SequentialPlan(0.8, 0.9, 0.6), "risk must lie between"),
        (lambda: Lot(np.array([])), "at least one reading"),
        (lambda: Lot(np.array([1.0, -2.0])), "positive resistances, got -2"),
        (lambda: Lot(np.array([1.0]), (3.0, 2.0)), "the window must rise"),
    ],
)
def test_bad_arguments(call, message):
    with pytest.raises(ValueError, match=message):
        call()
