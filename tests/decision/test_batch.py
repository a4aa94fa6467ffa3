"""Batches with known faults against their prediction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.closed_form_films import CRITICAL, FILM, ClosedForm, cast, mixed
from reference.powders import POWDER

from percsim.decision import ContactParameters
from percsim.decision.batch import agreement
from percsim.decision.priors import contact_priors
from percsim.film import LoadingThreshold, Tolerances

SEED = np.random.SeedSequence(1618, spawn_key=(0, 5))
RESPONSES = ClosedForm()
KNOWN = frozenset({"g0", "beta", "delta_b", "lambda_T", "Ea"})
PRIORS = contact_priors(
    ContactParameters(measured=KNOWN, powder=POWDER), LoadingThreshold(CRITICAL, 0.0, -1.0)
)
PRIORS = replace(
    PRIORS, priors=(*PRIORS.priors[:-1], replace(PRIORS["threshold"], factor=1.02))
)
DRAWS = PRIORS.draw(512, SEED)
TRUTH = {name: float(v[0]) for name, v in PRIORS.values(np.zeros((1, 1))).items()}
BENCH = Tolerances(aspect_ratio=0.0, particle_size=0.0)
LOADING = mixed(0.30)


def judged(resistances, **keywords):
    return agreement(
        RESPONSES, LOADING, FILM, resistances, DRAWS, BENCH, -1.0, SEED, **keywords
    )


def batch(rng, *, loading=LOADING, film=FILM, bench=BENCH, n=8):
    return np.exp(cast(film, loading, bench, TRUTH, rng, RESPONSES, n)[:, 0])


def test_sound_batches_are_accepted_as_often_as_stated():
    rng = np.random.default_rng(271)
    found = [judged(batch(rng)) for _ in range(300)]
    accepted = np.mean([a.verdict == "accept" for a in found])
    rejected = np.mean([a.verdict == "reject" for a in found])
    # 95 % and 1 %, four standard errors of 300; Bonferroni makes it a little safer
    assert 0.90 <= accepted <= 1.0
    assert rejected <= 0.01 + 4 * np.sqrt(0.01 * 0.99 / 300)
    # the probability of the level is uniform over sound batches
    p = np.array([a.level_probability for a in found])
    assert np.mean(p < 0.2) == pytest.approx(0.2, abs=4 * np.sqrt(0.16 / 300))
    assert np.mean([a.causes[0].name == "none" for a in found]) > 0.85


def test_the_lot_of_powder_widens_the_band_as_its_square():
    read = batch(np.random.default_rng(11))

    def width(aspect_ratio):
        bench = replace(BENCH, aspect_ratio=aspect_ratio)
        found = agreement(RESPONSES, LOADING, FILM, read, DRAWS, bench, -1.0, SEED)
        return np.log(found.predicted[2] / found.predicted[1]) ** 2

    none = width(0.0)
    assert width(0.04) - none == pytest.approx(4.0 * (width(0.02) - none), rel=0.1)
    assert width(0.02) > 1.01 * none


def test_a_loading_off_by_eight_per_cent_is_rejected_and_sized():
    rng = np.random.default_rng(5)
    wrong = mixed(0.30 * 0.92)
    found = judged(batch(rng, loading=wrong), measured_sizes=("thickness", "gap", "width"))
    assert found.verdict == "reject"
    cause = next(c for c in found.causes if c.name == "loading")
    assert cause.off_by == pytest.approx(-0.08, abs=3 * cause.standard_error)
    assert found.causes[0].name in ("loading", "contact")


def test_a_thin_batch_is_told_by_its_thickness_once_measured():
    rng = np.random.default_rng(6)
    thin = replace(FILM, thickness=0.55 * FILM.thickness)
    read = batch(rng, film=thin)
    assert judged(read).verdict == "reject"
    thickness = next(c for c in judged(read).causes if c.name == "thickness")
    assert thickness.off_by < -0.2
    # scaled to the sizes as measured, nothing is wrong
    assert judged(read * 0.55, measured_sizes=("thickness",)).verdict == "accept"


def test_uneven_mixing_shows_in_the_scatter():
    rng = np.random.default_rng(7)
    found = judged(batch(rng, bench=replace(BENCH, mixing=0.12), n=12))
    assert found.verdict == "reject"
    assert found.scatter_probability < 0.01
    assert found.causes[0].name == "mixing"
    assert found.causes[0].off_by == pytest.approx(0.12, rel=0.5)


def test_open_films_count():
    read = np.array([*batch(np.random.default_rng(8), n=4), np.inf, np.inf])
    found = judged(read)
    assert found.n_open == 2
    assert found.verdict == "reject"
    assert found.open_probability < 0.01
    assert judged([np.inf] * 3).verdict == "reject"


def test_films_that_share_an_unknown_threshold_open_together():
    # no bench tolerance of the loading: all three open exactly where the threshold is high
    wide = replace(
        PRIORS, priors=(*PRIORS.priors[:-1], replace(PRIORS["threshold"], factor=2.0))
    )
    draws = wide.draw(4096, SEED)
    bench = replace(BENCH, weighing=0.0, mixing=0.0, mixing_within=0.0)
    loading = mixed(0.22)
    share = np.mean(draws.values["threshold"] * CRITICAL > loading.volume_fraction)
    assert 0.1 < share < 0.4
    found = agreement(RESPONSES, loading, FILM, [np.inf] * 3, draws, bench, -1.0, SEED)
    # two-sided as nothing conducts; 0.02 at most, were they independent
    assert found.open_probability == pytest.approx(2 * share, abs=0.01)
    assert found.verdict == "accept"


def test_level_probability_by_hand():
    # one film, everything normal: 2 (1 - Phi(shift/sd))
    bench = Tolerances(weighing=0.0, mixing=0.0, mixing_within=0.0, particle_size=0.0,
                       aspect_ratio=0.0)  # fmt: skip
    held = replace(
        PRIORS, priors=(*PRIORS.priors[:-1], replace(PRIORS["threshold"], factor=1.0))
    )
    draws = held.draw(8, SEED)
    nominal = float(
        RESPONSES.log_resistance(
            FILM, LOADING.volume_fraction, held.values(np.zeros((1, 0)))
        )[0, 0]
    )
    sd = np.sqrt(0.08**2 + (0.1 / 3) ** 2 + (0.1 / 6) ** 2 + 0.12**2)
    found = agreement(
        RESPONSES, LOADING, FILM, [np.exp(nominal + 2.0 * sd)], draws, bench, -1.0, SEED
    )
    assert found.level_probability == pytest.approx(0.0455003, rel=1e-4)  # 2 sigma
    assert found.verdict == "doubtful"
    assert found.predicted[0] == pytest.approx(np.exp(nominal))


def test_nothing_to_judge_is_refused():
    with pytest.raises(ValueError, match="no film"):
        judged([])
    with pytest.raises(ValueError, match="above 0"):
        judged([-3.0])
