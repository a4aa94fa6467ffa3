"""Temperature chapter on a film whose answers are known in closed form."""

import math
from dataclasses import replace

import numpy as np
import pytest
from reference import formula_records
from reference.formula_records import OPENED
from reference.made_up_findings import (
    ACTIVATION,
    OPENING,
    TEMPERATURES,
    coefficient,
    findings_of,
    plan_with,
)
from scipy.constants import Boltzmann
from scipy.special import expit, logit, ndtr

from percsim.decision.priors import RANGE_SPREAD
from percsim.findings import find
from percsim.findings.layers import strained_across
from percsim.findings.temperature import (
    _rising_share,
    temperature,
    thermal_prior,
)
from percsim.findings.transverse import Transverse
from percsim.packing import plain


@pytest.fixture(scope="module")
def plan():
    return plan_with()


@pytest.fixture(scope="module")
def findings(plan):
    return findings_of(plan, gauge=(30.0, 20.0, 15.0))


@pytest.fixture(scope="module")
def found(findings):
    return plain(temperature(findings))


def weight(findings):
    return findings.best.castings.loading.weight_fraction


def test_coefficient_and_thermal_output(found, findings, plan):
    # ln R is straight but for the activated part, whose 1/T bends by 0.5 % over 20 K
    a = coefficient(plan, weight(findings))
    assert found["coefficient_per_K"]["value"] == pytest.approx(a, rel=5e-3)
    assert found["coefficient_ppm_per_K"]["value"] == pytest.approx(1e6 * a, rel=5e-3)
    factor = findings.best.castings.gauge_factors.mean()
    assert found["gauge_factor"] == pytest.approx(factor, rel=0.02)
    assert found["thermal_output_microstrain_per_K"]["value"] == pytest.approx(
        1e6 * a / factor, rel=0.02
    )
    # equal boxes: no simulation error, to rounding
    assert found["coefficient_per_K"]["standard_error"] == pytest.approx(0.0, abs=1e-10)


def test_prior_band_is_that_of_drawn_parameters(found, findings, plan):
    # the day-one priors pushed through the closed form: logit-normal between 0.1 and 1 with
    # its median at 0.3 (in logarithms), and between 0 and 50 meV with its median at 10
    rng = np.random.default_rng(8831)
    z = RANGE_SPREAD * rng.standard_normal((2, 400_000))
    share = 0.1 * 10 ** expit(logit(math.log10(3.0)) + z[0])
    energy = 5.0 * ACTIVATION * expit(logit(0.2) + z[1])
    a = coefficient(plan, weight(findings), share, energy)
    low, high = np.quantile(a, [0.05, 0.95])
    row = found["coefficient_per_K"]
    # a Latin hypercube of 2000; ends of the band within 5 % of it
    assert row["prior_p05"] == pytest.approx(low, abs=0.05 * (high - low))
    assert row["prior_p95"] == pytest.approx(high, abs=0.05 * (high - low))
    positive = found["prior"]["positive_share"]
    assert positive == pytest.approx(float(np.mean(a > 0)), abs=4 * math.sqrt(0.25 / 2000))
    assert not found["sign_rests_on_measurement"]


def test_prior_curves_follow_the_law_beyond_what_was_simulated(findings, plan):
    prior = thermal_prior(findings, findings.best)
    t = np.array(TEMPERATURES)
    room = TEMPERATURES.index(293.15)
    assert prior.ratios[:, room] == pytest.approx(1.0)
    # ln R less the activated part rises in proportion to T - T_20 for every share
    hot = np.log(prior.ratios[:, -1])
    cold = np.log(prior.ratios[:, 0])
    inverse = (1 / t - 1 / 293.15) / Boltzmann
    # eliminate the energy: cold/inverse - hot/inverse leaves the share, which both give
    share = (hot * inverse[0] - cold * inverse[-1]) / (
        (t[-1] - 293.15) * inverse[0] - (t[0] - 293.15) * inverse[-1]
    )
    expansion = plan.recipe(weight(findings)).thermal_expansion
    shares = share / (OPENING * expansion)
    assert np.median(shares) == pytest.approx(0.3, rel=0.06)
    assert 0.1 < shares.min() < 0.15 < 0.8 < shares.max() < 1.0


def test_measured_parameters_have_no_band_and_carry_the_sign():
    stated = {"basis": "measured"}
    plan = plan_with(
        contacts={"lambda_T": {"value": 0.3, **stated}, "Ea": {"value": "10 meV", **stated}}
    )
    out = plain(temperature(findings_of(plan)))
    assert out["sign_rests_on_measurement"]
    row = out["coefficient_per_K"]
    assert row["prior_p05"] == pytest.approx(row["prior_p95"], rel=1e-12)
    assert "every parameter counts as measured" in out["prior"]["contains"]


def formula_logs(findings, candidate, states):
    """Ln R of the draws (n, k) by the formula, less the level; inf where open."""
    known, loading = findings.known.values, candidate.castings.loading
    expansion = findings.plan.thermal(loading.weight_fraction).expansion

    def log_r(strain, temperature):
        swelling = known["lambda_T"] * expansion * (temperature - known["closed_at"])
        opened = OPENED[:, None] * strain + OPENED[::-1, None] * swelling
        opened = np.maximum(opened, 1e-12)
        holds = ndtr(np.log(known["delta_b"] / opened))
        phi = loading.volume_fraction * holds.mean(axis=0)
        ratio = phi / (known["threshold"] * formula_records.CRITICAL) - 1.0
        safe = np.where(ratio > 0.0, ratio, 1.0)
        mean = (holds * opened).sum(axis=0) / holds.sum(axis=0)
        logs = 0.5 * known["beta"] * mean - formula_records.EXPONENT * np.log(safe)
        return np.where(ratio > 0.0, logs, np.inf)

    return np.stack([log_r(*state) for state in states], axis=1)


STATES = [(0.0, 253.15), (0.0, 293.15), (0.0, 333.15), (0.0, 393.15), (3e-3, 293.15)]


@pytest.fixture(scope="module")
def varied():
    """Findings over boxes that follow a formula and were solved at other settings."""
    plan = plan_with(
        contacts={"closed_at": "-40 C", "Ea": "0 meV"},
        temperature={"values": ["20 C", "-20 C", "60 C", "120 C"]},
        explore={"weight_fraction": ["24 wt%", "28 wt%", "34 wt%"]},
        boxes={"count": 4, "variations": 24},
    )
    return find(plan, formula_records.records(plan))


def test_every_parameter_is_drawn_where_boxes_were_varied(varied):
    candidate = varied.choice.candidates[-1]
    prior = thermal_prior(varied, candidate)
    for name in ("beta", "delta_b", "lambda_T", "threshold"):
        assert name in prior.contains
    assert "Ea" not in prior.contains
    logs = formula_logs(varied, candidate, STATES)
    logs = logs[np.isfinite(logs[:, 1])]
    assert len(logs) == pytest.approx(len(prior.ratios), rel=0.01)
    # what varied boxes leave open of the surface moves the far tail most
    for k in (0, 2, 3):
        band = prior.band(prior.ratios[:, k])
        low, high = np.quantile(
            logs[:, k] - logs[:, 1], [0.05, 0.95], method="inverted_cdf"
        )
        within = 0.3 * (high - low)
        assert np.log(band.p05) == pytest.approx(low, abs=within)
        assert np.log(band.p95) == pytest.approx(high, abs=within)


def test_chords_of_the_draws_are_those_of_the_formula(varied):
    candidate = varied.choice.candidates[-1]
    prior = thermal_prior(varied, candidate)
    logs = formula_logs(varied, candidate, STATES)
    # thresholds far below the planned one lie beyond every loading that was computed
    known = varied.known.values["threshold"]
    ratio = candidate.castings.loading.volume_fraction / known / formula_records.CRITICAL
    rest, _ = varied.mix.model.material(varied.known.contacts).at(
        np.log(candidate.castings.loading.volume_fraction / known)[:, None],
        [varied.mix.model.visits.rest],
    )
    with np.errstate(invalid="ignore"):  # open at rest and strained
        expected = np.expm1(logs[:, 4] - logs[:, 1]) / 3e-3
    kept = np.isfinite(rest[:, 0, 0])
    found = np.full(len(known), np.inf)
    found[kept] = prior.factors
    both = np.isfinite(expected) & np.isfinite(found) & (ratio > 2.0)
    assert both.mean() > 0.5
    apart = np.log1p(3e-3 * found[both]) - np.log1p(3e-3 * expected[both])
    assert np.quantile(np.abs(apart), 0.8) < 0.5 * np.log1p(3e-3 * expected[both]).std()


def test_a_film_that_opens_when_hot_conducts_when_cold(varied):
    candidate = varied.choice.candidates[0]  # the lowest loading
    prior = thermal_prior(varied, candidate)
    logs = formula_logs(varied, candidate, STATES[:4])
    expected = np.isinf(logs[np.isfinite(logs[:, 1])])
    opens = np.isinf(prior.ratios)
    assert 0.05 < expected[:, -1].mean() < 0.8
    np.testing.assert_allclose(opens.mean(axis=0), expected.mean(axis=0), atol=0.03)
    assert not opens[:, :2].any()
    hot = opens[:, -1]
    # with 20 C and 120 C alone the slope at 20 C is not known, but such a film does rise
    ratios = np.stack([np.ones(len(hot)), np.where(hot, np.inf, 0.5)], axis=1)
    only = replace(prior, coefficients=np.where(hot, np.nan, -1.0), ratios=ratios)
    assert _rising_share(only, 0) == pytest.approx(hot.mean())


def test_two_readings(found, findings):
    pairs = found["two_readings"]["pairs"]
    kinds = [pair["kind"] for pair in pairs]
    assert kinds == ["another recipe", "another recipe", "half bridge"]
    for pair in pairs:
        s = np.array(pair["per_microstrain"]) * 1e6 * 3e-3
        a = np.array(pair["per_K"]) * 100.0  # farthest temperature, 120 C
        expected = np.linalg.cond(np.column_stack([s, a]))
        assert pair["condition_number"] == pytest.approx(expected, rel=1e-6)
    # ln R = gauge x strain: the planned sensitivities
    best = findings.best.castings.loading.weight_fraction
    gauge = {0.26: 30.0, 0.30: 20.0, 0.34: 15.0}[round(best, 2)]
    assert pairs[-1]["per_microstrain"] == pytest.approx([1e-6 * gauge, 0.0])
    assert found["two_readings"]["noise_is_assumed"]
    like = found["two_readings"]["one_film_K_per_1000_microstrain"]
    assert like == pytest.approx(1e-3 * gauge / found["coefficient_per_K"]["value"])


def reading_across(findings):
    """The same findings with boxes that read half across of what they read along."""
    own, along = replace(findings), np.full(3, 20.0)
    own._made[strained_across] = Transverse(6, "", along, 0.4 * along, 0.6 * along)
    return own


def test_a_film_across_is_told_when_its_sensitivity_is_known(findings):
    out = plain(temperature(reading_across(findings)))["two_readings"]
    (pair,) = [p for p in out["pairs"] if p["kind"] == "across"]
    along, across = pair["per_microstrain"]
    assert across / along == pytest.approx((0.5 - 0.33) / (1 - 0.33 * 0.5))
    assert pair["per_K"][0] == pair["per_K"][1]


def test_noise_comes_from_the_supply_when_there_is_one():
    plan = plan_with(supply={"instrument_noise": "0.1 mV"})
    out = plain(temperature(findings_of(plan)))["two_readings"]
    assert not out["noise_is_assumed"]
    assert out["reading_noise"] > 1e-4 / 3.3 * 4  # at best a quarter of the supply per ln R


def test_one_temperature_and_open_films_say_little():
    plan = plan_with(temperature={"values": ["20 C"]})
    out = plain(temperature(findings_of(plan)))
    assert out["temperatures_K"] == [293.15]
    assert "response" not in out
    plan = plan_with(explore={"weight_fraction": ["12 wt%", "14 wt%"]})
    assert plain(temperature(findings_of(plan)))["open"]


def test_what_the_part_makes_of_the_output_is_by_the_sensitivity_across():
    plan = plan_with(
        temperature={"part_thermal_expansion": "23 ppm/K"},
        part={"rigid": True, "misalignment": "3 deg"},
    )
    out = plain(temperature(reading_across(findings_of(plan))))
    # strain-gauge practice, (1 + K_t)/(1 - nu K_t) (alpha_s - alpha_g) with the Poisson
    # ratio of what the gauge factor is for; contacts feel lambda_T of the film's expansion
    felt = plan.contacts.lambda_T.value * out["film_expansion_ppm_per_K"]
    assert out["felt_expansion_ppm_per_K"] == pytest.approx(felt)
    assert out["mismatch_microstrain_per_K"] == pytest.approx(
        1.5 / (1.0 - 0.33 * 0.5) * (23.0 - felt)
    )
    assert out["bonded_at_K"] == 293.15
    # a film that keeps its volume thickens by what the part denies its plane
    assert out["thickness_expansion_ppm_per_K"] == pytest.approx(3 * felt - 46.0, rel=0.02)


def test_a_film_that_no_part_holds_is_said_to_be_free():
    for changes in (
        {"temperature": {"part_thermal_expansion": "23 ppm/K"},
         "strain": {"mounting": "free"}},
        {},
    ):  # fmt: skip
        plan = plan_with(**changes)
        assert plan.bond is None
        assert "bonded_at_K" not in plain(temperature(findings_of(plan)))
        told = [x for x in plan.remarks if "part_thermal_expansion" in x]
        assert len(told) == (0 if changes else 1)
