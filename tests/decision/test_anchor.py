"""Measured films against known truth: closed forms, recovery, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.closed_form_films import CRITICAL, EXPONENT, FILM, mixed
from reference.coverage import (
    PRIORS,
    RESPONSES,
    TOLERANCES,
    coverage,
    readings_of,
    truth_at,
)
from reference.powders import POWDER

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision import ContactParameters, Target
from percsim.decision.anchor import (
    Reading,
    _Likelihood,
    anchor,
    importance_sample,
    next_castings,
)
from percsim.decision.predict import outlook
from percsim.decision.priors import contact_priors
from percsim.film import LoadingThreshold, Tolerances

SEED = np.random.SeedSequence(35711, spawn_key=(0, 5))
TARGET = Target(resistance_min=700.0, resistance_max=3000.0)


# --- the likelihood of a row


def test_a_change_holds_the_noise_of_two_readings():
    row = Reading("a", mixed(0.30), FILM, 1500.0, 4, strain=3e-3, relative_change=0.05)
    bench = replace(TOLERANCES, instrument=0.002)
    likelihood = _Likelihood(RESPONSES, (row,), bench)
    # at no change: ln R' - ln R0 of one film is off by sqrt(2) of a reading, of four half
    alone = likelihood.response_deviation(row, np.zeros(1))
    assert alone == pytest.approx(np.sqrt(2.0) * 0.002 / np.sqrt(4))


def test_each_open_film_of_a_row_counts():
    truth = {k: np.full(3, v) for k, v in truth_at(np.zeros(6)).items()}
    truth["threshold"] = np.array([0.9, 1.3, 1.5])
    one, three = (
        _Likelihood(
            RESPONSES, (Reading("a", mixed(0.24), FILM, float("inf"), n),), TOLERANCES
        ).rows(truth)[0]
        for n in (1, 3)
    )
    np.testing.assert_allclose(three, 3.0 * one)
    assert np.ptp(one) > 0.01


# --- the sampler


def linear_gaussian(dimension, seed):
    rng = np.random.default_rng(seed)
    design = rng.standard_normal((4, dimension)) * 3.0
    noise = np.array([0.1, 0.2, 0.5, 1.0])
    data = design @ rng.standard_normal(dimension) + noise * rng.standard_normal(4)
    # Bayesian linear regression (Bishop, Pattern Recognition and Machine Learning, 2006,
    # eqs. 3.50, 3.51; from memory)
    precision = np.eye(dimension) + design.T @ (design / noise[:, None] ** 2)
    covariance = np.linalg.inv(precision)
    mean = covariance @ (design.T @ (data / noise**2))

    def log_likelihood(z):
        return -0.5 * (((data - z @ design.T) / noise) ** 2).sum(axis=1)

    return log_likelihood, mean, covariance


@pytest.mark.parametrize("dimension", [1, 3, 6])
def test_linear_readings_give_the_closed_form(dimension):
    log_likelihood, mean, covariance = linear_gaussian(dimension, 4401 + dimension)
    z, w = importance_sample(log_likelihood, dimension, SEED)
    effective = 1.0 / (w**2).sum()
    assert effective > 800
    found = w @ z
    spread = (w[:, None] * (z - found)).T @ (z - found)
    sd = np.sqrt(np.diag(covariance))
    # four standard errors of a mean, and of a variance of a normal number
    assert np.abs((found - mean) / sd).max() < 4.0 / np.sqrt(effective)
    error = np.abs(spread - covariance) / np.outer(sd, sd)
    assert error.max() < 4.0 * np.sqrt(2.0 / effective)


def test_two_separate_peaks_keep_their_weights():
    def log_likelihood(z):
        a = -0.5 * ((z[:, 0] - 2.0) / 0.05) ** 2
        b = -0.5 * ((z[:, 0] + 1.0) / 0.05) ** 2
        return np.logaddexp(a, b)

    z, w = importance_sample(log_likelihood, 2, SEED)
    # prior density at the peaks: exp(-2) to exp(-1/2)
    expected = np.exp(-2.0) / (np.exp(-2.0) + np.exp(-0.5))
    assert w @ (z[:, 0] > 0.5) == pytest.approx(expected, abs=0.03)


def test_same_seed_same_digits():
    log_likelihood, *_ = linear_gaussian(3, 99)
    first, again = (importance_sample(log_likelihood, 3, SEED, n=512) for _ in range(2))
    assert (first[0] == again[0]).all()
    assert (first[1] == again[1]).all()


def test_impossible_readings_are_said_to_be():
    with pytest.raises(ValueError, match="no draw of the prior"):
        importance_sample(lambda z: np.full(len(z), -np.inf), 2, SEED)


# --- readings of films


def test_known_parameters_come_back():
    truth = truth_at([1.0, -0.5, 0.3, 0.2, 0.0, -0.8])
    rows = readings_of(truth, np.random.default_rng(811), films=10)
    found = anchor(RESPONSES, rows, PRIORS, TOLERANCES, SEED)
    mean, covariance = found.draws.moments()
    sd = np.sqrt(np.diag(covariance))
    names = [p.name for p in PRIORS.free]
    for name in ("g0", "threshold", "beta"):
        i = names.index(name)
        expected = PRIORS[name].standard(truth[name])
        assert abs(mean[i] - expected) < 3.5 * sd[i], name
    assert found.narrowing["g0"] < 0.3
    assert found.narrowing["threshold"] < 0.3
    assert found.draws.effective_size > 500
    assert found.outliers == ()
    # nothing was read away from 20 C
    assert found.narrowing["Ea"] > 0.95
    assert any("no reading away from 20 C" in note for note in found.notes)


def test_one_loading_cannot_tell_g0_from_the_threshold():
    truth = truth_at(np.zeros(6))
    rows = readings_of(truth, np.random.default_rng(4), (0.26,), strained=False)
    found = anchor(RESPONSES, rows, PRIORS, TOLERANCES, SEED)
    assert found.correlations["g0", "threshold"] > 0.7
    assert any("cannot tell g0 from the threshold" in note for note in found.notes)
    assert any("no reading under strain" in note for note in found.notes)
    # R itself is known all the same: far better than either
    before = outlook(
        RESPONSES, mixed(0.26), FILM, PRIORS.draw(4096, SEED), TOLERANCES, -1.0, SEED
    )
    after = outlook(RESPONSES, mixed(0.26), FILM, found.draws, TOLERANCES, -1.0, SEED)
    wide, narrow = (np.log(o.film_band()[2] / o.film_band()[1]) for o in (before, after))
    assert narrow < 0.25 * wide


def test_g0_alone_follows_by_hand():
    # all else held: ln R has the normal prior of ln g0 and the noise of the mean
    held = ContactParameters(
        measured=frozenset({"beta", "delta_b", "lambda_T", "Ea", "aspect_ratio"}),
        factors={"aspect_ratio": 1.0},
        powder=POWDER,
    )
    priors = contact_priors(held, LoadingThreshold(CRITICAL, 0.0, 0.0))
    threshold = replace(priors["threshold"], factor=1.0)
    priors = replace(priors, priors=(*priors.priors[:-1], threshold))
    loading = mixed(0.34)
    tolerances = Tolerances(weighing=0.0, mixing=0.0, mixing_within=0.0)
    row = Reading("one", loading, FILM, 500.0, 4)
    found = anchor(RESPONSES, [row], priors, tolerances, SEED)
    at_median = RESPONSES.log_resistance(
        FILM, loading.volume_fraction, priors.values(np.zeros((1, 1)))
    )
    prior_sd = np.log(10.0) / 1.959964
    noise = np.sqrt((0.08**2 + (0.1 / 3) ** 2 + (0.1 / 6) ** 2 + 0.12**2) / 4)
    shift = at_median[0, 0] - np.log(500.0)  # by which ln g0 must rise
    gain = prior_sd**2 / (prior_sd**2 + noise**2)
    # by quantiles: one row may be a slip, which adds thin, wide tails
    low, middle, high = prior_sd * weighted_quantiles(
        found.draws.z[:, 0], (0.158655, 0.5, 0.841345), found.draws.weights
    )
    assert middle == pytest.approx(gain * shift, abs=0.01)
    assert 0.5 * (high - low) == pytest.approx(noise * np.sqrt(gain), rel=0.08)


def level_alone():
    """Priors of g0 alone, all else held."""
    held = ContactParameters(
        measured=frozenset({"beta", "delta_b", "lambda_T", "Ea", "aspect_ratio"}),
        factors={"aspect_ratio": 1.0},
        powder=POWDER,
    )
    priors = contact_priors(held, LoadingThreshold(CRITICAL, 0.0, 0.0))
    threshold = replace(priors["threshold"], factor=1.0)
    return replace(priors, priors=(*priors.priors[:-1], threshold))


@pytest.mark.parametrize("cups", [("", "", "", ""), ("a",) * 4, ("a", "a", "b", "b")])
def test_rows_of_one_cup_share_what_its_loading_is_off_by(cups):
    """Mean of jointly normal readings, the common part not averaged (closed form)."""
    loading = mixed(0.34)
    tolerances = replace(
        Tolerances.none(), weighing=0.006, mixing=0.008, contact=0.06, response=0.05
    )
    rows = [
        Reading(f"row {k}", loading, FILM, 500.0, 2, batch=cup)
        for k, cup in enumerate(cups)
    ]
    found = anchor(RESPONSES, rows, level_alone(), tolerances, SEED)
    phi = loading.volume_fraction
    steep = EXPONENT * phi / (phi - CRITICAL) * loading.log_slope
    own, mixing = 0.06**2 / 2, (steep * 0.008) ** 2
    weighing = (steep * 0.006) ** 2
    sizes = [cups.count(cup) for cup in sorted(set(cups))] if cups[0] else [1] * 4
    # a cup of its own was weighed once, and its films mixed apart; a named one mixed once
    common, each = (
        (weighing + mixing, own) if cups[0] else (0.0, weighing + mixing / 2 + own)
    )
    variance = 1.0 / sum(1.0 / (common + each / n) for n in sizes)
    prior_sd = np.log(10.0) / 1.959964
    low, high = prior_sd * weighted_quantiles(
        found.draws.z[:, 0], (0.158655, 0.841345), found.draws.weights
    )
    posterior = 1.0 / np.sqrt(1.0 / variance + 1.0 / prior_sd**2)
    # 8192 draws, and the tails of possible slips
    assert 0.5 * (high - low) == pytest.approx(posterior, rel=0.08)


def test_a_row_is_held_against_the_others_of_its_cup():
    """What makes a cup read low makes all its rows read low: that is no contradiction."""
    tolerances = replace(Tolerances.none(), weighing=0.05, contact=0.02, response=0.05)
    levels = {"a": 500.0, "b": 900.0}
    rows = [
        Reading(f"{cup}{k}", mixed(0.34), FILM, r, 1, batch=cup)
        for cup, r in levels.items()
        for k in range(2)
    ]
    found = anchor(RESPONSES, rows, level_alone(), tolerances, SEED)
    assert found.outliers == ()
    assert not any("contradict" in note for note in found.notes)
    odd = replace(rows[1], resistance=900.0)
    again = anchor(RESPONSES, [rows[0], odd, *rows[2:]], level_alone(), tolerances, SEED)
    assert any("a0 and a1 contradict" in note for note in again.notes)


def test_a_cup_that_opens_opens_all_its_films():
    """Two open rows of one cup bound the threshold less than two of two cups."""
    tolerances = replace(Tolerances.none(), weighing=0.05, response=0.05)
    row = Reading("open", mixed(0.2), FILM, float("inf"), 2)
    ends = []
    for cups in (("a", "b"), ("a", "a")):
        rows = [replace(row, label=str(k), batch=cup) for k, cup in enumerate(cups)]
        found = anchor(RESPONSES, rows, PRIORS, tolerances, SEED)
        k = [p.name for p in PRIORS.free].index("threshold")
        ends.append(
            weighted_quantiles(found.draws.z[:, k], (0.05,), found.draws.weights)[0]
        )
    assert ends[1] < ends[0]


def test_open_films_bound_the_threshold_from_below():
    rows = [Reading("open", mixed(0.22), FILM, float("inf"), 3)]
    found = anchor(RESPONSES, rows, PRIORS, TOLERANCES, SEED)
    f = found.draws.values["threshold"]
    phi = mixed(0.22).volume_fraction
    assert found.draws.weights @ (f * CRITICAL > 0.95 * phi) > 0.95
    assert any("only the threshold is bounded" in note for note in found.notes)
    assert found.checks[0].posterior[0] == np.inf


def test_a_row_that_contradicts_the_others_is_named_and_kept():
    truth = truth_at(np.zeros(6))
    rows = readings_of(truth, np.random.default_rng(77), (0.24, 0.28, 0.32, 0.36), films=5)
    off = replace(rows[2], label="slipped", resistance=rows[2].resistance * 10.0)
    found = anchor(RESPONSES, [*rows[:2], off, rows[3]], PRIORS, TOLERANCES, SEED)
    assert len(found.checks) == 4
    assert [c.reading.label for c in found.outliers] == ["slipped"]


def test_two_rows_of_the_same_films_that_contradict_are_named():
    rows = [
        Reading(label, mixed(0.30), FILM, r, 3)
        for label, r in (("cup 1", 1500.0), ("cup 2", 1600.0), ("cup 3", 15_000.0))
    ]
    notes = anchor(RESPONSES, rows, PRIORS, TOLERANCES, SEED).notes
    named = [note for note in notes if "contradict each other" in note]
    assert [note.partition(" contradict")[0] for note in named] == [
        "cup 1 and cup 3",
        "cup 2 and cup 3",
    ]


def test_readings_that_make_no_sense_are_refused():
    loading = mixed(0.3)
    for message, keys in (
        ("neither a resistance", {}),
        ("resistance must be above 0", {"resistance": -3.0}),
        ("open films have no", {"resistance": float("inf"), "relative_change": 0.1}),
        ("above -100 %", {"relative_change": -1.5}),
        ("films must be", {"resistance": 3.0, "films": 0}),
        ("spread must be", {"resistance": 3.0, "spread": 0.0}),
    ):
        with pytest.raises(ValueError, match=f"row 3: .*{message}"):
            Reading("row 3", loading, FILM, **keys)


# --- coverage


def test_intervals_cover():
    hits = coverage(12, 1234, 2048)
    # 72 intervals, those of one plan not independent: 90 % +- 4 errors of about 40
    assert 0.71 <= hits.mean() <= 0.995


@pytest.mark.slow
def test_intervals_cover_200_plans():
    hits = coverage(200, 99, 4096)
    assert 0.85 <= hits.mean() <= 0.95


# --- what to cast next


def test_the_next_casting_is_where_the_reading_decides():
    draws = PRIORS.draw(4096, SEED)
    outlooks = [
        outlook(RESPONSES, mixed(w), FILM, draws, TOLERANCES, -1.0, SEED)
        for w in (0.14, 0.26, 0.30, 0.34)
    ]
    ranked = next_castings(outlooks, TARGET, SEED)
    assert {c.outlook.loading.weight_fraction for c in ranked} == {0.14, 0.26, 0.30, 0.34}
    assert all(0.0 <= c.variance_left <= 1.02 for c in ranked)
    assert ranked[0].gain == max(c.gain for c in ranked)
    # a film that is most likely open tells less than one that conducts
    chance = {c.outlook.loading.weight_fraction: c for c in ranked}
    assert chance[0.14].open_chance > 0.5
    assert ranked[0].outlook.loading.weight_fraction > 0.14
    # far below the threshold every draw is open: nothing to sort, and no warning
    (low,) = next_castings(
        [outlook(RESPONSES, mixed(0.01), FILM, draws, TOLERANCES, -1.0, SEED)], TARGET, SEED
    )
    assert low.open_chance == 1.0
    assert low.variance_left == 1.0


def test_variance_left_is_that_of_a_normal_reading():
    # only g0 unknown: reading ln R with noise s leaves s^2/(s^2 + v) of the variance
    held = ContactParameters(
        measured=frozenset({"beta", "delta_b", "lambda_T", "Ea"}), factors={"g0": 1.5}
    )
    priors = contact_priors(held, LoadingThreshold(CRITICAL, 0.0, 0.0))
    priors = replace(
        priors, priors=(*priors.priors[:-1], replace(priors["threshold"], factor=1.0))
    )
    tolerances = Tolerances(weighing=0.0, mixing=0.0, mixing_within=0.0)
    draws = priors.draw(16384, SEED)
    one = outlook(RESPONSES, mixed(0.34), FILM, draws, tolerances, 0.0, SEED)
    (found,) = next_castings([one], TARGET, SEED, films=1, bins=40)
    v, s = (np.log(1.5) / 1.959964) ** 2, one.scatter
    assert found.variance_left == pytest.approx(s**2 / (s**2 + v), rel=0.06)
