"""Batches with known faults against their prediction."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.invented_films import FILM, THRESHOLD, Invented, exact_knowledge, mixed
from reference.powders import POWDER

from percsim.decision import ContactParameters, Recipe, day_one
from percsim.decision.batch import agreement
from percsim.decision.priors import contact_priors
from percsim.film.bench import CUP, LOT, Bench
from percsim.film.casting import cast_films
from percsim.film.draws import TOLERANCE_NAMES, CastingDraws
from percsim.film.tolerances import Tolerances

SEED = np.random.SeedSequence(1618, spawn_key=(0, 5))
MODEL = Invented().model()
KNOWN = frozenset({"g0", "beta", "delta_b", "lambda_T", "Ea"})
PRIORS = contact_priors(ContactParameters(measured=KNOWN, powder=POWDER), THRESHOLD)
USUAL = Tolerances()
BATCHES = 200


def known(factor, spread=0.0, n=200):
    """All but a threshold known to a factor, and how widely the bench scatters."""
    threshold = replace(PRIORS["threshold"], factor=factor)
    priors = replace(PRIORS, priors=(*PRIORS.priors[:-1], threshold))
    return day_one(priors, SEED, n, spread)


KNOWLEDGE = known(1.02)
LOADING = mixed(0.17)


def bench_of(tolerances=USUAL):
    return Bench(tolerances, THRESHOLD.aspect_ratio_slope)


def judged(resistances, knowledge=KNOWLEDGE, bench=USUAL, film=FILM, **keywords):
    recipes = [Recipe(LOADING, film)] * len(resistances)
    return agreement(MODEL, recipes, resistances, knowledge, bench_of(bench), **keywords)


def batch(seed, *, loading=LOADING, film=FILM, bench=USUAL, n=8, at=None):
    """R of films of one cup [ohm], cast as a run casts them."""
    draws = CastingDraws.draw(n, len(MODEL.visits), np.random.SeedSequence(seed))
    tolerances, columns = draws.tolerances.copy(), bench_of(bench)
    for i, name in enumerate(TOLERANCE_NAMES[:-1]):
        if columns.level(name) in (CUP, LOT):
            tolerances[:, i] = tolerances[0, i]
    draws = CastingDraws(tolerances, draws.chains)
    (cast,) = cast_films(MODEL, [loading], [film], columns, draws, at, resamples=2)
    return cast.at_rest


@pytest.mark.parametrize("spread", [0.0, 0.35])
def test_sound_batches_are_accepted_as_often_as_stated(spread):
    """The real threshold, and what the bench scatters, are drawn anew for every batch."""
    knowledge, found = known(1.02, spread), []
    for k in range(BATCHES):
        wide = {
            name: value * knowledge.scale[k]
            for name in TOLERANCE_NAMES[:-1]
            if (value := getattr(USUAL, name)) is not None
        } | {"thickness": 0.08 * knowledge.scale[k]}
        at = {name: float(v[k]) for name, v in knowledge.values.items()}
        read = batch([271, k], bench=replace(USUAL, **wide), at=at)
        found.append(judged(read, knowledge))
    accepted = np.mean([a.verdict == "accept" for a in found])
    rejected = np.mean([a.verdict == "reject" for a in found])
    # 95 % and 1 %, four standard errors; Bonferroni makes it a little safer
    assert 0.90 <= accepted <= 1.0
    assert rejected <= 0.01 + 4 * np.sqrt(0.01 * 0.99 / BATCHES)
    # the probabilities of level and scatter are uniform over sound batches
    for name in ("level_probability", "scatter_probability"):
        p = np.array([getattr(a, name) for a in found])
        for share in (0.2, 0.5):
            allowed = 4 * np.sqrt(share * (1.0 - share) / BATCHES)
            assert np.mean(p < share) == pytest.approx(share, abs=allowed)
    assert np.mean([a.causes[0].name == "none" for a in found]) > 0.8


def test_the_lot_of_powder_widens_the_band_as_its_square():
    read = batch(11)

    def width(aspect_ratio):
        bench = replace(USUAL, aspect_ratio=aspect_ratio, particle_size=0.0)
        found = judged(read, bench=bench)
        return np.log(found.films[0].predicted.p95 / found.films[0].predicted.p05) ** 2

    none = width(0.0)
    assert width(0.04) - none == pytest.approx(4.0 * (width(0.02) - none), rel=0.1)
    assert width(0.02) > 1.01 * none


def test_what_a_cup_shares_does_not_average_out():
    read = np.ones(16) * batch(3)[0]

    def width(n, **tolerances):
        bench = replace(Tolerances.none(), **tolerances)
        found = judged(read[:n], exact_knowledge(), bench)
        return np.log(found.films[0].predicted.p95 / found.films[0].predicted.p05)

    # mixing is of the cup, contacts of each film
    assert width(16, mixing=0.02) == pytest.approx(width(1, mixing=0.02), rel=1e-6)
    assert width(16, contact=0.1) == pytest.approx(0.25 * width(1, contact=0.1), rel=1e-6)


GAPS = tuple(replace(FILM, electrode_gap=gap) for gap in (2e-3, 3e-3, 5e-3))


def cup_of_gaps(seed, n=3, at=None):
    """Recipes and R of n films at each gap of one cup [ohm]."""
    draws = CastingDraws.draw(
        n * len(GAPS), len(MODEL.visits), np.random.SeedSequence(seed)
    )
    tolerances, bench = draws.tolerances.copy(), bench_of()
    for i, name in enumerate(TOLERANCE_NAMES[:-1]):
        if bench.level(name) in (CUP, LOT):
            tolerances[:, i] = tolerances[0, i]
    draws = CastingDraws(tolerances, draws.chains)
    cast = cast_films(MODEL, [LOADING], GAPS, bench, draws, at, resamples=2)
    read = [one.at_rest[n * g : n * (g + 1)] for g, one in enumerate(cast)]
    return [Recipe(LOADING, film) for film in GAPS for _ in range(n)], np.concatenate(read)


def test_cups_of_several_gaps_are_accepted_as_often_as_stated():
    """What a cup is off by is one deviation, whatever the gaps of its films."""
    found = []
    for k in range(BATCHES):
        at = {name: float(v[k]) for name, v in KNOWLEDGE.values.items()}
        recipes, read = cup_of_gaps([314, k], at=at)
        found.append(agreement(MODEL, recipes, read, KNOWLEDGE, bench_of()))
    for name in ("level_probability", "scatter_probability"):
        p = np.array([getattr(a, name) for a in found])
        for share in (0.2, 0.5):
            allowed = 4 * np.sqrt(share * (1.0 - share) / BATCHES)
            assert np.mean(p < share) == pytest.approx(share, abs=allowed), name
    assert np.mean([a.verdict == "accept" for a in found]) >= 0.90


def test_what_a_cup_shares_counts_once_over_its_gaps():
    # mixing alone, of the cup: nine films at three gaps say no more than one of each
    bench = replace(Tolerances.none(), mixing=0.02)
    exact, step = exact_knowledge(), np.exp(0.02 * LOADING.log_slope)
    off = replace(LOADING, volume_fraction=0.17 / step**2)

    def judged_at(films):
        read = [
            float(np.exp(Invented().log_films(f, off.volume_fraction, {})[0, 0]))
            for f in films
        ]
        recipes = [Recipe(LOADING, f) for f in films]
        return agreement(MODEL, recipes, read, exact, bench_of(bench)).level_probability

    # two standard deviations of the cup, to the curvature of R in the loading
    for films in (GAPS[:1], GAPS, GAPS * 3):
        assert judged_at(films) == pytest.approx(0.0455, rel=0.25)
    assert judged_at(GAPS * 3) == pytest.approx(judged_at(GAPS[:1]), rel=0.02)


def test_a_loading_off_by_ten_per_cent_is_rejected_and_sized():
    wrong = replace(LOADING, volume_fraction=0.17 * 0.90**LOADING.log_slope)
    bench = replace(USUAL, aspect_ratio=0.0, particle_size=0.0, mixing=0.01)
    read = batch(5, loading=wrong, bench=bench)
    found = judged(read, bench=bench, measured_sizes=("thickness", "gap", "width"))
    assert found.verdict == "reject"
    cause = next(c for c in found.causes if c.name == "loading")
    assert cause.off_by == pytest.approx(np.log(0.90), abs=3 * cause.standard_error)
    assert found.causes[0].name in ("loading", "contact")


def test_a_thin_batch_is_told_by_its_thickness_once_measured():
    thin = replace(FILM, thickness=0.4 * FILM.thickness)
    bench = replace(USUAL, aspect_ratio=0.02)
    # of one thickness, so that one factor brings all of them to the planned size
    read = batch(6, film=thin, bench=replace(bench, thickness=0.0))
    found = judged(read, bench=bench)
    assert found.verdict == "reject"
    thickness = next(c for c in found.causes if c.name == "thickness")
    assert thickness.off_by < -0.2
    # scaled to the sizes as measured, nothing is wrong
    again = judged(read * 0.4, bench=bench, measured_sizes=("thickness",))
    assert again.verdict == "accept"


def test_uneven_mixing_shows_in_the_scatter():
    rng = np.random.default_rng(7)
    each = [
        replace(LOADING, volume_fraction=0.17 * np.exp(0.12 * LOADING.log_slope * z))
        for z in rng.standard_normal(12)
    ]
    uneven = np.array([
        batch([7, i], loading=loading, n=1)[0] for i, loading in enumerate(each)
    ])  # fmt: skip
    found = judged(uneven)
    assert found.verdict == "reject"
    assert found.scatter_probability < 0.01
    assert found.causes[0].name == "mixing"
    assert found.causes[0].off_by == pytest.approx(0.12, rel=0.5)


def test_open_films_count():
    read = np.array([*batch(8, n=4), np.inf, np.inf])
    found = judged(read)
    assert found.films[0].n_open == 2
    assert found.verdict == "reject"
    assert found.open_probability < 0.01
    assert judged([np.inf] * 3).verdict == "reject"


def test_films_that_share_an_unknown_threshold_open_together():
    # no bench tolerance of the loading: all three open exactly where the threshold is high
    knowledge = known(2.0, n=4096)
    bench = replace(USUAL, weighing=0.0, mixing=0.0, mixing_within=0.0, aspect_ratio=0.0)
    loading = mixed(0.11)
    critical = MODEL.own_threshold(knowledge.contacts, knowledge.values["threshold"])
    share = float(np.mean(critical > loading.volume_fraction))
    assert 0.1 < share < 0.4
    found = agreement(
        MODEL, [Recipe(loading, FILM)] * 3, [np.inf] * 3, knowledge, bench_of(bench)
    )
    # two-sided as nothing conducts; 0.02 at most, were they independent
    assert found.open_probability == pytest.approx(2 * share, abs=0.01)
    assert found.verdict == "accept"


def test_films_of_a_cup_that_is_too_lean_open_together():
    # what is weighed off is shared: three films open as often as one
    bench = replace(Tolerances.none(), weighing=0.10)
    loading = mixed(0.10)
    recipe = Recipe(loading, FILM)
    one, three = (
        agreement(MODEL, [recipe] * n, [np.inf] * n, exact_knowledge(), bench_of(bench))
        for n in (1, 3)
    )
    assert three.open_probability == pytest.approx(one.open_probability, rel=0.1)


def test_level_probability_by_hand():
    # one film, everything normal: 2 (1 - Phi(shift/sd))
    bench = replace(USUAL, weighing=0.0, mixing=0.0, mixing_within=0.0, particle_size=0.0,
                    aspect_ratio=0.0, skew=0.0)  # fmt: skip
    exact = exact_knowledge()
    (nominal,) = Invented().log_films(FILM, 0.17, {})[:, 0]
    sd = np.sqrt(0.08**2 + (0.1 / 3) ** 2 + (0.1 / 6) ** 2 + 0.12**2 + 0.001**2)
    found = judged([np.exp(nominal + 2.0 * sd)], exact, bench)
    assert found.level_probability == pytest.approx(0.0455003, rel=1e-3)  # 2 sigma
    assert found.verdict == "doubtful"
    assert found.films[0].predicted.median == pytest.approx(np.exp(nominal))


def test_nothing_to_judge_is_refused():
    with pytest.raises(ValueError, match="no film"):
        judged([])
    with pytest.raises(ValueError, match="above 0"):
        judged([-3.0])
