"""Draws carried to candidates, against brute force and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.closed_form_films import CRITICAL, EXPONENT, FILM, ClosedForm, mixed
from reference.powders import POWDER

from percsim.decision import ContactParameters, Target
from percsim.decision.predict import (
    Loading,
    Outlook,
    States,
    best_shares,
    first_order_shares,
    limits_of,
    outlook,
    quadrature,
    rank_outlooks,
)
from percsim.decision.priors import Draws, contact_priors
from percsim.film import LoadingThreshold, Tolerances

SEED = np.random.SeedSequence(60221, spawn_key=(0, 5))
THRESHOLD = LoadingThreshold(CRITICAL, 0.002 * CRITICAL, -1.0)
PRIORS = contact_priors(ContactParameters(powder=POWDER), THRESHOLD)
TARGET = Target(resistance_min=700.0, resistance_max=3000.0, gauge_factor_min=10.0)
STATES = ClosedForm()


def brute_force(loading, tolerances, n, seed):
    """Parameters and every tolerance drawn together, one casting a draw."""
    rng = np.random.default_rng(seed)
    spread = tolerances.spreads(FILM)
    values = PRIORS.values(rng.standard_normal((n, len(PRIORS.free))))
    factor = values.pop("threshold")
    factor *= np.exp(-spread["aspect_ratio"] * rng.standard_normal(n))
    dev = np.zeros(n)
    for name in ("weighing", "mixing", "mixing_within"):
        dev += loading.log_slope * spread[name] * rng.standard_normal(n)
    phi = loading.volume_fraction * np.exp(dev)
    logs = STATES.log_resistance(FILM, phi, values, factor)
    for name in ("thickness", "gap", "width", "contact", "particle_size"):
        logs = logs + spread[name] * rng.standard_normal(n)[:, None]
    return logs, 1.0 + spread["response"] * rng.standard_normal(n)


@pytest.mark.parametrize("weight", [0.20, 0.26, 0.34])
def test_band_and_pass_share_are_those_of_brute_force(weight):
    loading, tolerances = mixed(weight), Tolerances()
    draws = PRIORS.draw(16384, SEED)
    found = outlook(STATES, loading, FILM, draws, tolerances, -1.0, SEED)
    logs, response = brute_force(loading, tolerances, 400_000, 977)
    r, strained = np.exp(logs[:, 0]), np.exp(logs[:, 3])
    conducts = np.isfinite(r)
    gauge = np.zeros(len(r))
    gauge[conducts] = (strained[conducts] / r[conducts] - 1.0) / 3e-3
    passes = float(np.mean(TARGET.passes(r, gauge * response)))
    # 16384 draws: standard errors sqrt(p (1 - p)/16384) <= 0.004
    assert found.draws.weights @ found.pass_shares(TARGET) == pytest.approx(
        passes, abs=0.012
    )
    assert found.open_share == pytest.approx(1.0 - conducts.mean(), abs=0.012)
    expected = np.quantile(np.log(r), [0.5, 0.05, 0.95], method="inverted_cdf")
    got = np.log(found.casting_band())
    finite = np.isfinite(expected)
    assert (np.isfinite(got) == finite).all()
    assert got[finite] == pytest.approx(expected[finite], abs=0.12)
    band = found.response_band(found.chord)
    wanted = np.quantile(gauge[conducts], [0.5, 0.05, 0.95])
    assert band == pytest.approx(list(wanted), rel=0.05)


def test_spread_of_ln_r_is_the_loading_error_law_far_from_the_threshold():
    # sd(ln R) = t phi/(phi - phi_c) sd(ln phi), in quadrature with what scales R
    loading = mixed(0.40)
    tolerances = Tolerances(aspect_ratio=0.0, mixing_within=0.0)
    held = contact_priors(
        ContactParameters(
            measured=frozenset({"g0", "beta", "delta_b", "lambda_T", "Ea"}), powder=POWDER
        ),
        LoadingThreshold(CRITICAL, 0.0, 0.0),
    )
    found = outlook(STATES, loading, FILM, held.draw(256, SEED), tolerances, 0.0, SEED)
    dphi = loading.log_slope * np.hypot(0.005, 0.02)
    factor = held.draw(256, SEED).values["threshold"]
    x = loading.volume_fraction / (factor * CRITICAL)
    law = EXPONENT * x / (x - 1.0) * dphi
    scale = np.sqrt(0.08**2 + (0.1 / 3) ** 2 + (0.1 / 6) ** 2 + 0.12**2 + 0.05**2)
    assert found.scatter == pytest.approx(scale)
    assert found.spread == pytest.approx(np.hypot(law, scale), rel=0.01)


def test_activation_alone_gives_the_temperature_coefficient():
    # lambda_T held at 0: d ln R/dT is Ea/k (1/T2 - 1/T1)/(T2 - T1)
    contacts = ContactParameters(
        thermal_share=0.0, measured=frozenset({"beta", "g0"}), powder=POWDER
    )
    priors = contact_priors(contacts, THRESHOLD)
    draws = priors.draw(512, SEED)
    found = outlook(STATES, mixed(0.34), FILM, draws, Tolerances(), -1.0, SEED)
    energy = draws.values["Ea"] / 1.380649e-23
    expected = energy * (1 / 333.15 - 1 / 293.15) / 40.0
    conducts = np.isfinite(found.log_rest[:, 2])
    assert conducts.sum() > 400
    assert found.drift[conducts, 2] == pytest.approx(expected[conducts], rel=1e-9)


def test_first_order_shares_of_a_sum_are_its_variances():
    draws = PRIORS.draw(4096, SEED)
    coefficients = dict(
        zip([p.name for p in PRIORS.free], (3, 1, 2, 0, 0.5, 1), strict=True)
    )
    y = draws.z @ np.array(list(coefficients.values()))
    total = sum(c**2 for c in coefficients.values())
    shares = first_order_shares(draws, y)
    for name, c in coefficients.items():
        assert shares[name] == pytest.approx(c**2 / total, abs=0.03)
    # a product of two: neither does anything alone
    shares = first_order_shares(draws, draws.z[:, 0] * draws.z[:, 1])
    assert shares["together"] == pytest.approx(1.0, abs=0.03)


def test_first_order_shares_agree_with_scipy():
    from scipy.stats import norm, sobol_indices

    names = [p.name for p in PRIORS.free]
    loading = mixed(0.45)  # conducts at every draw but the rarest

    def log_r(z):
        z = np.clip(z.T, -2.5, 2.5)
        values = PRIORS.values(z)
        factor = values.pop("threshold")
        return STATES.log_resistance(FILM, loading.volume_fraction, values, factor)[:, 3]

    reference = sobol_indices(
        func=log_r, n=4096, dists=[norm()] * len(names), rng=np.random.default_rng(5)
    )
    draws = PRIORS.draw(8192, SEED)
    shares = first_order_shares(draws, log_r(draws.z.T))
    for name, expected in zip(names, reference.first_order, strict=True):
        assert shares[name] == pytest.approx(expected, abs=0.03)


def test_nothing_that_varies_has_no_shares():
    draws = PRIORS.draw(512, SEED)
    assert first_order_shares(draws, np.ones(512)) is None
    assert first_order_shares(draws, np.full(512, np.inf)) is None


def test_one_more_prior_or_draw_renumbers_nothing():
    held = contact_priors(
        ContactParameters(measured=frozenset({"g0"}), powder=POWDER), THRESHOLD
    )
    assert len(held.free) == len(PRIORS.free) - 1
    few, many = held.draw(64, SEED).values, PRIORS.draw(64, SEED).values
    assert (few["beta"] == many["beta"]).all()
    assert (few["threshold"] == many["threshold"]).all()


def test_draws_fill_every_interval_once():
    from scipy.special import ndtr

    for column in PRIORS.draw(50, SEED).z.T:
        assert sorted((50 * ndtr(column)).astype(int)) == list(range(50))


def test_resampling_keeps_the_weights():
    draws = PRIORS.draw(1000, SEED)
    tilted = np.exp(draws.z[:, 0])
    weighted = replace(draws, weights=tilted / tilted.sum())
    mean, _ = weighted.moments()
    # exp(z) tilts a standard normal to mean 1
    assert mean[0] == pytest.approx(1.0, abs=0.05)
    again = weighted.resampled(4000, SEED)
    assert again.moments()[0] == pytest.approx(mean, abs=0.02)
    assert again.effective_size == pytest.approx(4000)


def test_states_interpolate_and_refuse_what_lies_outside():
    states = States(STATES.strains, STATES.temperatures)
    assert states.rest == 0
    assert states.chord_state == 3
    assert states.weights_at(1.5e-3, 293.15) == pytest.approx([0, 0.5, 0.5, 0, 0])
    assert states.weights_at(0.0, 313.15) == pytest.approx([0.5, 0, 0, 0, 0.5])
    with pytest.raises(ValueError, match=r"0\.004 is outside 0 to 0\.003"):
        states.weights_at(4e-3, 293.15)


def test_best_candidate_of_each_draw():
    shares = np.array([[0.9, 0.0, 0.2], [0.1, 0.01, 0.3]])
    assert best_shares(shares, np.array([0.5, 0.3, 0.2])) == pytest.approx([0.5, 0.2])


def sure(share_of_r, scatter=0.0):
    """Outlook of two worlds in which castings read these resistances, gauge factor 20."""
    draws = Draws(PRIORS, np.zeros((2, len(PRIORS.free))), np.array([0.75, 0.25]))
    rest = np.log(np.array(share_of_r, dtype=float))[:, None]
    gauge = np.full((2, 1), 20.0)
    return Outlook(
        Loading(0.3, 0.16, 1.0), FILM, draws, rest, gauge, gauge, None,
        np.zeros(1), np.ones(1), scatter, 0.05,
    )  # fmt: skip


def ranked(worlds, trusted=None):
    outlooks = [sure(w, 0.1) for w in worlds]
    limits = limits_of(TARGET)
    margins = []
    for o in outlooks:
        share = float(o.pass_shares(TARGET) @ o.draws.weights)
        values = {"resistance": np.exp(o.log_rest[0, 0]), "gauge_factor": 20.0,
                  "pass_share": share}  # fmt: skip
        margins.append([x.margin(values[x.what]) for x in limits])
    return rank_outlooks(outlooks, TARGET, margins, trusted or [True] * len(worlds))


def test_equal_shares_are_ranked_by_margin():
    # all castings pass; the middle of 0.7 to 3 kohm is 1.45 kohm
    found = ranked([(1000.0, 1000.0), (1450.0, 1450.0), (2000.0, 2000.0)])
    assert (found.best, found.meets, found.confidence) == (1, True, 1.0)
    assert found.first == pytest.approx((0.0, 1.0, 0.0))
    assert found.rivals == pytest.approx((0.0, 0.0, 0.0))


def test_the_share_that_passes_comes_before_the_margin():
    # in the second world the first film reads far out of the window
    found = ranked([(1450.0, 9000.0), (1100.0, 1100.0)])
    assert found.best == 1
    # it is right in both worlds: in the first no other passes more than a per cent more
    assert found.confidence == pytest.approx(1.0)
    assert found.first == pytest.approx((0.75, 0.25))


def test_the_confidence_is_the_weight_of_the_worlds_in_which_the_choice_is_right():
    found = ranked([(1450.0, 9000.0), (9000.0, 1450.0)])
    assert not found.meets  # a quarter or more of the castings fail whichever is cast
    assert found.best == 0
    # none meets every target in no world: this can only be told by measuring
    assert found.confidence == pytest.approx(0.0)
    assert found.rivals == pytest.approx((0.75, 0.25))


def test_what_cannot_be_trusted_is_not_chosen():
    found = ranked([(1450.0, 1450.0), (1100.0, 1100.0)], [False, True])
    assert found.best == 1
    assert found.first == pytest.approx((0.0, 1.0))


def test_reserves_of_limits_are_those_of_the_choice():
    low, high, gauge, share = limits_of(TARGET)
    assert low.reserve(1400.0) == pytest.approx(np.log(2.0))
    assert high.reserve(1500.0) == pytest.approx(np.log(2.0))
    assert gauge.reserve([5.0, np.inf]) == pytest.approx([-np.log(2.0), -np.inf])
    assert share.reserve(0.9) == pytest.approx(0.9 - TARGET.pass_share_min)
    cv = limits_of(replace(TARGET, resistance_cv_max=0.2))[3]
    assert cv.reserve(0.15) == pytest.approx(0.25)
    assert cv.margin(0.25).met is False


def test_quadrature_integrates_a_normal():
    points, weights = quadrature(5)
    assert weights.sum() == pytest.approx(1.0)
    for power, moment in ((2, 1.0), (4, 3.0), (6, 15.0), (8, 105.0)):
        assert weights @ points**power == pytest.approx(moment)


def test_spread_of_the_gauge_factor_by_hand():
    """Response and loading add in quadrature; draws that open at most points have none."""
    draws = Draws(PRIORS, np.zeros((3, len(PRIORS.free))), np.full(3, 1 / 3))
    rest = np.array([[7.0] * 3, [np.inf, np.inf, 7.0], [7.0] * 3])
    chords = np.array([[8.0, 10.0, 12.0], [0.0, 0.0, 10.0], [np.inf, 10.0, 10.0]])
    weights = np.array([0.25, 0.5, 0.25])
    o = Outlook(
        Loading(0.3, 0.16, 1.0), FILM, draws, rest, chords, chords, None,
        np.array([-1.0, 0.0, 1.0]), weights, 0.1, 0.05,
    )  # fmt: skip
    # mean 10, variance 0.25 (4 + 4) = 2
    assert o.gauge_spread == pytest.approx([np.hypot(np.sqrt(2) / 10, 0.05), np.inf, 0.05])
