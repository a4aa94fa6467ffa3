"""Candidates against a target: made-up boxes of a law known by hand, judged and chosen."""

from dataclasses import replace

import numpy as np
import pytest
from reference.judged_boxes import (
    NONE,
    TARGET,
    boxes,
    chosen_among,
    judged,
    known_of,
    model_of,
)
from reference.made_up_boxes import (
    CRITICAL,
    EXPONENT,
    FILM,
    SHORT,
    loading,
    resistivity,
    volume_fraction,
)
from scipy.special import ndtr

from percsim.decision.candidates import Margin, choose, pick_outlook, stand
from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.target import Limit, Target
from percsim.film import Bench, Loading, LoadingThreshold, Tolerances

EXACT = LoadingThreshold(CRITICAL, 0.0, -1.0)
AT_30 = 13  # 30 wt% at 3 mm among all


@pytest.fixture(scope="module")
def choice():
    return chosen_among()


def codes(candidate):
    return [r.code for r in candidate.refusals]


def missed(candidate):
    return {r.margin.limit.what for r in candidate.refusals if r.margin is not None}


def weight(candidate):
    return candidate.fit.loading.weight_fraction


# ------------------------------------------------------------------------------ one of them


def test_the_law_of_the_boxes_comes_out_as_films(choice):
    assert len(choice.candidates) == 18
    for candidate in choice.candidates:
        if weight(candidate) < 0.17:
            assert np.isinf(candidate.resistance.median)
            continue
        if weight(candidate) < 0.25:
            continue
        gap = candidate.castings.film.electrode_gap
        want = resistivity(weight(candidate)) * (gap - SHORT) / FILM.section
        error = candidate.castings.log_standard_error
        assert 0.0 < error < 0.15
        for ours in (candidate.castings.nominal[0], candidate.outlook.film_band().median):
            assert np.log(ours / want) == pytest.approx(0.0, abs=4 * error)
        # ln R rises by 15 e, and the response scatters about that
        assert candidate.gauge_factor.median == pytest.approx(
            np.expm1(0.045) / 3e-3, rel=0.01
        )
        assert candidate.gauge_factor_cv == pytest.approx(0.05, rel=0.1)


def test_spread_of_the_bench(choice):
    # first order by hand at 30 wt% and 3 mm: each tolerance times the slope of ln R to it
    phi = volume_fraction(0.30)
    lever = EXPONENT / (phi - CRITICAL)
    within = Tolerances().mean_loading(FILM)
    loading_error = lever * phi * (1 - phi) / 0.70 * np.sqrt(0.005**2 + 0.02**2 + within**2)
    first_order = np.sqrt(
        loading_error**2
        + (lever * phi * 0.035) ** 2
        + 0.08**2
        + 0.12**2
        + (0.1 / 3) ** 2
        + (0.1 / 6) ** 2
        + 0.05**2
    )
    candidate = choice.candidates[AT_30]
    assert (weight(candidate), candidate.castings.film.electrode_gap) == (0.30, 3e-3)
    # second order in the loading adds a few per cent of it
    assert candidate.resistance_cv == pytest.approx(first_order, rel=0.12)
    assert candidate.resistance_cv == pytest.approx(
        candidate.castings.resistance_cv, rel=0.1
    )
    shares = candidate.castings.shares
    assert sum(shares.values()) == pytest.approx(1.0)
    assert max(shares, key=shares.get) == "aspect_ratio"
    assert shares["aspect_ratio"] == pytest.approx(
        (lever * phi * 0.035) ** 2 / first_order**2, rel=0.12
    )
    assert shares["chains"] < 0.01


def test_boxes_that_scatter_widen_the_limits_of_the_pass_share():
    (few,) = judged(boxes((0.30,), n_boxes=4), (3e-3,))
    (many,) = judged(boxes((0.30,), n_boxes=64), (3e-3,))
    width = [c.pass_share.high - c.pass_share.low for c in (few, many)]
    assert width[0] > 1.5 * width[1]
    assert few.pass_share.low <= few.pass_share.value <= few.pass_share.high


def test_limits_of_the_pass_share_cover_the_true_share():
    # ensembles whose true share is closed form; 95 % limits, 4 standard errors below
    spread, n = 0.3, 150
    log_r = np.log(resistivity(0.30) * (3e-3 - SHORT) / FILM.section)
    want = ndtr((np.log(3000) - log_r) / spread) - ndtr((np.log(700) - log_r) / spread)
    covered, target = 0, Target(resistance_min=700.0, resistance_max=3000.0)
    for k in range(n):
        loadings = [loading(w, seed=5000 + k, box_spread=0.2) for w in (0.26, 0.30)]
        candidate = judged(
            loadings, (3e-3,), target, threshold=EXACT, castings=2,
            tolerances=replace(NONE, contact=spread),
        )[1]  # fmt: skip
        covered += candidate.pass_share.low <= want <= candidate.pass_share.high
    assert covered / n >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / n)


def apart(w, number):
    """Boxes of one loading that scatter by themselves."""
    return loading(w, seed=number, box_spread=0.2)


def slopes_of(loadings, weights=(0.26, 0.30), visit=0, step=1e-3):
    """D ln R / d ln phi of the second loading over the simulation error, (n,)."""
    model, _ = model_of(loadings)
    known = known_of(model)
    log_phi = np.log(volume_fraction(weights[1])) - known.log_factor[:, None]
    at = log_phi + step * np.array([-1.0, 1.0])
    logs = known.material(model).log_resistance(FILM, at, [visit])[..., 0]
    return (logs[:, 1] - logs[:, 0]) / (2 * step)


def half_of_central(values):
    low, high = np.quantile(values, [0.158655, 0.841345])
    return 0.5 * (high - low)


def test_error_of_the_spread_is_that_of_the_slope_with_loading():
    # mixing alone scatters, boxes of two loadings scatter apart: the CV follows the slope
    loadings = [apart(0.26, 1), apart(0.30, 2)]
    candidate = judged(loadings, (3e-3,), tolerances=replace(NONE, mixing=0.01))[1]
    slopes = slopes_of(loadings)
    relative = half_of_central(slopes) / abs(np.median(slopes))
    assert relative > 0.05
    assert candidate.resistance_cv_error == pytest.approx(
        relative * candidate.resistance_cv, rel=0.15
    )
    many = [
        loading(w, seed=k, box_spread=0.2, n_boxes=400) for w, k in ((0.26, 1), (0.30, 2))
    ]
    quiet = judged(many, (3e-3,), tolerances=replace(NONE, mixing=0.01))[1]
    assert quiet.resistance_cv_error < 0.6 * candidate.resistance_cv_error


def uneven_response(w, seed):
    """Boxes of one loading whose gauge factors scatter by some tens of per cent."""
    plain = loading(w, seed=seed, box_spread=0.1)
    scatter = np.random.default_rng(seed).standard_normal((3, 24))
    strains = np.array(plain.strains)
    return replace(
        plain,
        conductances=tuple(
            g * np.exp(-6.0 * z[:, None] * strains)
            for g, z in zip(plain.conductances, scatter, strict=True)
        ),
    )


def test_error_of_the_spread_of_gauge_factors_is_that_of_its_slopes():
    # mixing scatters: ln(R'/R'0) - ln(R/R0) = (slope strained - at rest) x step, so the CV
    # is the size of that difference times the spread of the steps
    loadings = [uneven_response(0.26, 3301), uneven_response(0.30, 3302)]
    mixing = replace(NONE, mixing=0.03)
    candidate = judged(loadings, (3e-3,), tolerances=mixing)[1]
    phi = volume_fraction(0.30)
    step = 0.03 * (1 - phi) / 0.70
    strained = candidate.castings.strained_state
    difference = np.abs(slopes_of(loadings, visit=strained) - slopes_of(loadings))
    ratio = candidate.castings.nominal[strained] / candidate.castings.nominal[0]
    spreads = difference * step * ratio / (ratio - 1.0)
    error = half_of_central(spreads)
    assert error > 0.1 * candidate.gauge_factor_cv
    assert candidate.gauge_factor_cv_error == pytest.approx(error, rel=0.25)
    quiet = judged([loading(0.26), loading(0.30)], (3e-3,))[1]
    assert quiet.gauge_factor_cv_error < 1e-4


def test_contact_conductance_moves_the_level_alone(choice):
    weaker = judged(boxes(scale=1 / 3))
    for a, b in zip(choice.candidates, weaker, strict=True):
        for name in ("median", "p05", "p95"):
            mine = getattr(b.resistance, name)
            if np.isinf(mine):
                assert np.isinf(getattr(a.resistance, name))
                continue
            assert mine == pytest.approx(3 * getattr(a.resistance, name), rel=1e-9)
        assert b.open_fraction == pytest.approx(a.open_fraction, abs=1e-12)
        if a.gauge_factor is None:
            assert b.gauge_factor is None
            continue
        # quantiles of weights that differ by rounding
        assert b.gauge_factor.median == pytest.approx(a.gauge_factor.median, rel=1e-3)
        assert b.resistance_cv == pytest.approx(a.resistance_cv, rel=1e-9)
        assert b.castings.shares == pytest.approx(a.castings.shares, rel=1e-6, abs=1e-12)


def test_weighing_off_moves_the_share_as_another_loading_would(choice):
    # 30 wt% weighed 1 % high is 30.3 wt%: the law at that loading
    candidate = choice.candidates[AT_30]
    shifted = judged(boxes((0.22, 0.26, 0.303, 0.34)), (3e-3,))[2]
    low, high = candidate.weighing
    assert high == pytest.approx(shifted.pass_share.value, abs=0.03)
    assert low < candidate.pass_share.value < high


def test_readout_of_a_candidate(choice):
    candidate = choice.candidates[AT_30]
    median = candidate.resistance.median
    readout = candidate.readout.as_dict()
    assert readout["voltage_V"] == pytest.approx(3.3 * median / (median + 1800.0))
    strained = median * np.exp(0.015)  # made-up boxes: ln R rises by 15 e
    step = 3.3 * (strained / (strained + 1800.0) - median / (median + 1800.0))
    # a casting's response scatters by 5 %, the median of 500 by a twentieth of that
    assert readout["mV_per_1000_microstrain"] == pytest.approx(
        1e3 * step, rel=4 * 1.25 * 0.05 / np.sqrt(500)
    )
    (none,) = judged(boxes((0.30,)), (3e-3,), replace(TARGET, supply_voltage=None))
    assert none.readout is None
    (shut, *_) = choice.candidates
    assert shut.readout.as_dict()["voltage_V"] == 3.3


# ------------------------------------------------------------------------------ refusals


def test_margins_and_refusals_go_together(choice):
    for candidate in choice.candidates:
        assert [m.limit for m in candidate.margins] == list(TARGET.limits)
        assert candidate.meets_target == (candidate.refusals == ())
        if candidate.meets_target:
            assert all(m.met for m in candidate.margins)
            assert candidate.reserve >= 0.0
        if codes(candidate) and set(codes(candidate)) == {"limit"}:
            assert [r.margin for r in candidate.refusals] == [
                m for m in candidate.margins if not m.met
            ]
        if candidate.castings.threshold_ratio < 1.3:
            assert not candidate.is_trusted
            assert not candidate.meets_target


@pytest.mark.parametrize(
    ("field", "value", "what"),
    [
        ("resistance_max", 1100.0, "resistance"),
        ("resistance_min", 2500.0, "resistance"),
        ("gauge_factor_min", 20.0, "gauge_factor"),
        ("resistance_cv_max", 0.1, "resistance_cv"),
        ("gauge_factor_cv_max", 0.01, "gauge_factor_cv"),
        ("pass_share_min", 0.9999, "pass_share"),
    ],
)
def test_every_limit_decides_alone(field, value, what):
    target = replace(
        Target(1000.0, 3500.0, gauge_factor_min=5.0, pass_share_min=0.01), **{field: value}
    )
    (candidate,) = judged(boxes((0.30,)), (3e-3,), target)
    assert set(codes(candidate)) == {"limit"}
    assert what in missed(candidate)
    assert missed(candidate) <= {what, "pass_share"}


def test_near_the_threshold_is_never_chosen():
    # everything is allowed, and 20 wt% at 1.2 times the threshold is still refused
    lax = Target(resistance_max=1e9, pass_share_min=0.1)
    near = chosen_among(boxes((0.20,)), (3e-3,), lax)
    assert (near.chosen, near.nearest) == (None, 0)
    assert codes(near.best) == ["near threshold"]
    assert pick_outlook([near.best.outlook], lax) == (None, 0)
    n = len(near.best.outlook.weights)
    assert near.standing.confidence == pytest.approx((n + 0.5) / (n + 1))
    assert chosen_among(boxes((0.28,)), (3e-3,), lax).chosen == 0


def test_open_everywhere():
    shut = chosen_among(boxes((0.10, 0.14)))
    assert shut.chosen is None
    for candidate in shut.candidates:
        assert codes(candidate) == ["open"]
        assert candidate.open_fraction > 0.98
        assert candidate.pass_share.value < 0.02
        assert candidate.gauge_factor is None
        assert np.isinf(candidate.resistance_cv)


def test_boxes_that_are_open_above_the_threshold_are_no_film():
    # some boxes conduct, too few for a film of them to
    sparse = loading(0.20, seed=5501, box_spread=0.1)
    holes = np.arange(24)[:, None] % 4 > 0
    sparse = replace(
        sparse, conductances=tuple(np.where(holes, 0.0, g) for g in sparse.conductances)
    )
    few = judged([sparse, *boxes((0.26,))], (3e-3,))[0]
    assert few.castings.threshold_ratio > 1.0
    assert few.fit.is_open
    assert codes(few) == ["open"]


def test_castings_that_are_partly_open_are_refused_and_judged_over_those_that_conduct():
    target = Target(resistance_max=1e12, pass_share_min=0.95)
    wide = replace(NONE, mixing=0.10)
    only = judged([loading(0.195), loading(0.23)], (3e-3,), target, tolerances=wide)[0]
    # open where the loading falls below the threshold: a share of a normal, in ln phi
    phi = volume_fraction(0.195)
    step = 0.10 * (1 - phi) / (1 - 0.195)
    want = ndtr(-np.log(phi / CRITICAL) / step)
    assert only.open_fraction == pytest.approx(want, abs=0.05)
    assert 0.05 < only.open_fraction < 0.5
    assert {"near threshold", "open castings"} <= set(codes(only))
    assert only.pass_share.value <= 1.0 - only.open_fraction + 1e-12
    assert np.isfinite(only.resistance_cv)
    lax = judged(
        [loading(0.195), loading(0.23)], (3e-3,), replace(target, pass_share_min=0.3),
        tolerances=wide,
    )[0]  # fmt: skip
    assert "open castings" not in codes(lax)


def test_a_threshold_that_cannot_be_foreseen_withholds():
    loadings = boxes((0.26, 0.30, 0.34))
    assert chosen_among(loadings).chosen is not None
    withheld = chosen_among(loadings, withheld=True)
    assert withheld.chosen is None
    assert withheld.nearest is not None
    assert all(codes(c) == ["threshold unknown"] for c in withheld.candidates)
    # what they would read is told all the same
    assert withheld.best.pass_share.value > 0.5


def test_a_limit_met_within_the_error_is_marked():
    loadings = [apart(0.26, 1), apart(0.30, 2)]
    plain = judged(loadings, (3e-3,))[1]
    limit = plain.resistance_cv + 0.3 * plain.resistance_cv_error

    def marked(cv_max):
        target = replace(TARGET, resistance_cv_max=cv_max)
        (found,) = [
            m
            for m in judged(loadings, (3e-3,), target)[1].margins
            if m.limit.what == "resistance_cv"
        ]
        return found.met, found.within_error

    assert marked(limit) == (True, True)
    assert marked(plain.resistance_cv - 0.3 * plain.resistance_cv_error) == (False, True)
    assert marked(plain.resistance_cv + 1.5 * plain.resistance_cv_error) == (True, False)
    # both ends of a window close by are marked each
    r = plain.resistance.median
    target = Target(r * 0.99, r * 1.01, pass_share_min=0.01)
    close = judged(loadings, (3e-3,), target)[1].margins
    assert [m.within_error for m in close if m.limit.what == "resistance"] == [True, True]


def test_a_margin_by_hand():
    margin = Margin(Limit("resistance", 1000.0, "ohm", False), 500.0)
    assert margin.met
    assert margin.reserve == pytest.approx(np.log(2.0))
    assert not Margin(Limit("resistance", 1000.0, "ohm", False), np.inf).met


# ------------------------------------------------------------------------------ the choice


def test_chosen_candidate(choice):
    assert choice.nearest is None
    best = choice.best
    assert best is choice.candidates[choice.chosen]
    assert best.meets_target
    shares = [round(c.pass_share.value, 2) for c in choice.candidates if c.meets_target]
    assert len(shares) > 1
    assert round(best.pass_share.value, 2) == max(shares)
    equal = [
        c for c in choice.candidates
        if c.meets_target and round(c.pass_share.value, 2) == max(shares)
    ]  # fmt: skip
    assert best.reserve == max(c.reserve for c in equal)


@pytest.mark.parametrize("window", [(700.0, 3000.0), (3e4, 1e6)])
def test_the_nearest_has_the_largest_pass_share(window):
    """Of those the simulation can be trusted for, even where others pass more often."""
    target = Target(*window, resistance_cv_max=0.05)
    told = chosen_among(target=target)
    assert told.chosen is None
    trusted = [c for c in told.candidates if c.is_trusted]
    assert 0 < len(trusted) < len(told.candidates)
    most = max(c.pass_share.value for c in told.candidates if not c.is_trusted)
    assert (most > told.best.pass_share.value + 0.01) == (window[0] == 3e4)
    assert pick_outlook([c.outlook for c in told.candidates], target)[1] == told.nearest
    assert round(told.best.pass_share.value, 2) == max(
        round(c.pass_share.value, 2) for c in trusted
    )


@pytest.mark.parametrize("cv_max", [0.25, 0.05])
def test_outlooks_alone_give_the_same_choice(cv_max):
    target = replace(TARGET, resistance_cv_max=cv_max)
    told = chosen_among(target=target)
    chosen, best = pick_outlook([c.outlook for c in told.candidates], target)
    assert chosen == told.chosen
    assert best == told.index


def test_same_seed_same_digits(choice):
    again = chosen_among()
    for a, b in zip(choice.candidates, again.candidates, strict=True):
        np.testing.assert_array_equal(a.castings.resistances, b.castings.resistances)
        np.testing.assert_array_equal(a.outlook.rest, b.outlook.rest)
        assert (a.pass_share, a.resistance, a.weighing) == (
            b.pass_share, b.resistance, b.weighing,
        )  # fmt: skip
    assert again.standing == choice.standing


def test_adding_a_gap_changes_no_other_candidate(choice):
    """Beyond rounding of the integrals over a loading, which the widest gap sets."""
    for i, alone in enumerate(judged(boxes(), (3e-3,))):
        beside = choice.candidates[3 * i + 1]
        np.testing.assert_array_equal(
            alone.castings.resistances, beside.castings.resistances
        )
        assert alone.pass_share.value == pytest.approx(beside.pass_share.value, abs=2e-3)
        assert codes(alone) == codes(beside)


def test_adding_a_loading_moves_others_within_their_error():
    """A loading tells its neighbours' slopes, and nothing else of them."""
    before = judged(boxes((0.22, 0.26, 0.34)), (3e-3,))
    after = judged(boxes((0.22, 0.26, 0.30, 0.34)), (3e-3,))
    for a, b in zip(before, (after[0], after[1], after[3]), strict=True):
        assert a.castings.nominal[0] == pytest.approx(b.castings.nominal[0], rel=1e-12)
        assert a.resistance.median == pytest.approx(b.resistance.median, rel=0.02)
        error = np.hypot(a.resistance_cv_error, b.resistance_cv_error)
        assert a.resistance_cv == pytest.approx(b.resistance_cv, abs=4 * error + 1e-3)


def test_the_better_of_two_films_is_chosen():
    thick = replace(FILM, thickness=2 * FILM.thickness)
    (plain,) = judged(boxes((0.30,)), (3e-3,))
    r = plain.resistance.median
    target = Target(resistance_min=r / 2 / 1.5, resistance_max=r / 2 * 1.5)
    both = [
        *judged(boxes((0.30,)), (3e-3,), target, words="thin"),
        *judged(boxes((0.30,)), (3e-3,), target, film=thick, mix=1, words="thick"),
    ]
    found = choose(both, target)
    assert (found.best.words, found.best.mix) == ("thick", 1)
    alone = found.of_mix(0)
    assert [c.words for c in alone.candidates] == ["thin"]
    assert (alone.chosen, alone.nearest) == (None, 0)


# ------------------------------------------------------------------------------ how sure


def test_confidence_rises_with_boxes_and_names_what_is_open():
    # a window about which two loadings lie nearly alike
    weights, gaps = (0.24, 0.30, 0.34), (2e-3,)
    middle = [c.resistance.median for c in judged(boxes(weights), gaps)]
    target = Target(middle[2] / 1.25, middle[1] * 1.35, pass_share_min=0.5)
    few, many = (chosen_among(boxes(weights, n_boxes=n), gaps, target) for n in (5, 200))
    assert many.standing.confidence > few.standing.confidence
    assert 0.0 < few.standing.confidence < 1.0
    assert sum(few.standing.first) <= 1.0 + 1e-12
    assert many.standing.first[many.chosen] == max(many.standing.first)
    assert few.chosen in few.standing.undecided
    assert 0 not in few.standing.undecided  # 24 wt% is out of the race


def test_equal_candidates_do_not_lower_the_confidence():
    # the same loadings twice as two mixes: either is as good, so the choice stands
    loadings, lax = boxes((0.30, 0.34)), Target(100.0, 9e3, pass_share_min=0.5)
    alone = chosen_among(loadings, target=lax)
    both = choose(
        [
            *judged(loadings, target=lax, words="7:1", values=(("mix_ratio", 7.0),)),
            *judged(
                loadings, target=lax, mix=1, words="10:1", values=(("mix_ratio", 10.0),)
            ),
        ],
        lax,
    )
    assert both.standing.confidence == alone.standing.confidence
    assert len(both.candidates) == 2 * len(alone.candidates)
    assert both.of_mix(0).chosen == both.of_mix(1).chosen == alone.chosen
    assert both.candidates[-1].values == (("mix_ratio", 10.0),)
    assert both.of_mix(1).candidates == both.candidates[len(alone.candidates) :]


def test_the_weight_of_draws_in_which_each_is_first_by_hand():
    """Draw by draw with the medians' own formulas, one candidate after the other."""
    target = replace(TARGET, resistance_cv_max=None)
    found = chosen_among(boxes((0.26, 0.30, 0.34), n_boxes=6), (2e-3, 3e-3), target)
    o = [c.outlook for c in found.candidates]
    n = len(o[0].weights)
    ranks = np.full((len(o), n), -np.inf)
    shares = np.stack([x.pass_shares(target) for x in o])
    for i, x in enumerate(o):
        for k in range(n):
            reserve = min(
                float(limit.reserve(x.values_of(limit.what, target)[k]))
                for limit in target.limits
            )
            if reserve >= 0.0 and x.ratio[k] >= 1.3 and x.open_shares[k] <= 0.2:
                ranks[i, k] = round(100 * shares[i, k]) + 1e-3 * reserve
    first = ranks.argmax(axis=0)
    some = np.isfinite(ranks).any(axis=0)
    want = [float(np.mean(some & (first == i))) for i in range(len(o))]
    assert sum(w > 0.02 for w in want) > 1
    assert found.standing.first == pytest.approx(want, abs=1e-12)
    best = np.where(np.isfinite(ranks), shares, -np.inf).max(axis=0)
    c = found.chosen
    stands = np.isfinite(ranks[c]) & (shares[c] >= best - 0.01)
    assert found.standing.confidence == pytest.approx((stands.sum() + 0.5) / (n + 1))
    rivals = [float(np.mean(~stands & some & (first == i))) for i in range(len(o))]
    assert found.standing.rivals == pytest.approx(rivals, abs=1e-12)
    # undecided are those more probable than a quarter of the doubt that is left to them
    assert 0.0 < sorted(rivals)[-2] < sorted(rivals)[-1]
    between = np.sqrt(sorted(rivals)[-2] * sorted(rivals)[-1])
    strict = choose(found.candidates, target, 1.0 - 4.0 * between)
    assert set(strict.standing.undecided) == {c, int(np.argmax(rivals))}


def test_without_a_choice_it_stands_where_none_meets_the_target():
    model, _ = model_of([loading(0.26), loading(0.30)])
    mixed = [Loading(w, volume_fraction(w), 1.0) for w in (0.26, 0.30)]
    found = outlooks(
        model, [Recipe(m, FILM) for m in mixed], known_of(model), Bench(NONE, -1.0)
    )
    n = len(found[0].weights)
    out = Target(resistance_min=1.0, resistance_max=2.0)
    none = stand(found, out, None)
    assert none.confidence == pytest.approx((n + 0.5) / (n + 1))
    assert none.undecided == ()
    assert none.first == (0.0, 0.0)
    # claimed to be nothing where both always do
    wrong = stand(found, Target(resistance_max=1e9), None)
    assert wrong.confidence == pytest.approx(0.5 / (n + 1))
    assert sum(wrong.rivals) == pytest.approx(1.0)
