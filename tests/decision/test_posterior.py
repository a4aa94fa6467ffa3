"""Measured films against brute force, closed forms and truths that they were made from."""

import os
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from reference.coverage import (
    BENCH,
    GAPS,
    coverage,
    rows_of,
    truth_at,
    without_threshold,
)
from reference.invented_films import (
    FILM,
    OWN,
    PRIORS,
    THRESHOLD,
    Invented,
    exact_knowledge,
    mixed,
)
from reference.posterior_twin import Twin
from reference.powders import POWDER
from scipy.special import ndtr

from percsim.decision.knowledge import day_one, spread_points
from percsim.decision.likelihood import Moves, Rows, predict
from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.posterior import Reading, expected, measured
from percsim.decision.priors import ContactParameters, Prior, Priors, contact_priors
from percsim.decision.sampler import propose, tempered, truncated
from percsim.decision.target import Target
from percsim.film import Bench, Tolerances

SEED = np.random.SeedSequence(35711, spawn_key=(0, 5))


@pytest.fixture(scope="module")
def film():
    return Invented()


@pytest.fixture(scope="module")
def model(film):
    return film.model(noise=0.08)


@pytest.fixture(scope="module")
def plain(film):
    """Boxes that were not solved at other settings, without scatter: g0 alone acts."""
    return film.model(varied=False)


def quantiles(column):
    return np.quantile(column, [0.05, 0.5, 0.95])


def coordinate(known, name):
    return known.z[:, [p.name for p in known.priors.free].index(name)]


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
        return -0.5 * (((data - z[:, :dimension] @ design.T) / noise) ** 2).sum(axis=1)

    return log_likelihood, mean, covariance


def weighted(log_likelihood, dimension, n, beside=0, warm=512):
    start = spread_points(warm, dimension + beside, SEED)
    told = log_likelihood(start)
    z, ratio = propose(log_likelihood, start, told, SEED, beside=beside)[0].draws(n)
    return z, tempered(ratio, log_likelihood(z))


@pytest.mark.parametrize(("dimension", "beside"), [(1, 0), (3, 2), (6, 0)])
def test_linear_readings_give_the_closed_form(dimension, beside):
    log_likelihood, mean, covariance = linear_gaussian(dimension, 4401 + dimension)
    z, w = weighted(log_likelihood, dimension, 4096, beside=beside)
    effective = 1.0 / (w**2).sum()
    assert effective > 400
    own = z[:, :dimension]
    found = w @ own
    spread = (w[:, None] * (own - found)).T @ (own - found)
    sd = np.sqrt(np.diag(covariance))
    # four standard errors of a mean, and of a variance of a normal number
    assert np.abs((found - mean) / sd).max() < 4.0 / np.sqrt(effective)
    error = np.abs(spread - covariance) / np.outer(sd, sd)
    assert error.max() < 4.0 * np.sqrt(2.0 / effective)
    assert np.abs(w @ z[:, dimension:]).max(initial=0.0) < 4.0 / np.sqrt(effective)


def test_two_separate_peaks_keep_their_weights():
    def log_likelihood(z):
        a = -0.5 * ((z[:, 0] - 2.0) / 0.05) ** 2
        b = -0.5 * ((z[:, 0] + 1.0) / 0.05) ** 2
        return np.logaddexp(a, b)

    z, w = weighted(log_likelihood, 2, 2048, warm=2048)
    # prior density at the peaks: exp(-2) to exp(-1/2)
    expected = np.exp(-2.0) / (np.exp(-2.0) + np.exp(-0.5))
    assert w @ (z[:, 0] > 0.5) == pytest.approx(expected, abs=0.06)


def test_impossible_readings_are_said_to_be():
    with pytest.raises(ValueError, match="no draw of the prior"):
        propose(lambda z: z[:, 0], np.zeros((9, 2)), np.full(9, -np.inf), SEED)


# --- closed forms and brute force


def level_alone(threshold_factor=1.0):
    held = ContactParameters(powder=POWDER)
    g0 = contact_priors(held, THRESHOLD, varied=False)["g0"]
    return Priors((g0, Prior("threshold", 1.0, threshold_factor)))


@pytest.mark.parametrize("cups", [("", "", "", ""), ("a",) * 4, ("a", "a", "b", "b")])
def test_rows_of_one_cup_share_what_its_loading_is_off_by(film, plain, cups):
    """Mean of jointly normal readings, the common part not averaged (closed form)."""
    phi = 0.17
    tolerances = replace(Tolerances.none(), weighing=0.006, mixing=0.008, contact=0.06)
    at = float(np.exp(film.log_films(FILM, phi, {})[0, 0]))
    rows = [
        Reading(f"row {k}", mixed(phi), FILM, 0.8 * at, 2, batch=cup)
        for k, cup in enumerate(cups)
    ]
    found = measured(plain, rows, level_alone(), Bench(tolerances), SEED)
    ratio = phi / THRESHOLD.volume_fraction
    steep = film.exponent * ratio / (ratio - 1.0) * mixed(phi).log_slope
    own, mixing = 0.06**2 / 2, (steep * 0.008) ** 2
    weighing = (steep * 0.006) ** 2
    sizes = [cups.count(cup) for cup in sorted(set(cups))] if cups[0] else [1] * 4
    # a cup of its own was weighed once, and its films mixed apart; a named one mixed once
    common, each = (
        (weighing + mixing, own) if cups[0] else (0.0, weighing + mixing / 2 + own)
    )
    variance = 1.0 / sum(1.0 / (common + each / n) for n in sizes)
    prior = np.log(10.0) / 1.959964
    left = 1.0 / np.sqrt(1.0 / variance + 1.0 / prior**2)
    z = prior * coordinate(found.knowledge, "g0")
    gain = prior**2 / (prior**2 + variance)
    assert z.std() == pytest.approx(left, rel=0.03)
    assert z.mean() == pytest.approx(-gain * np.log(0.8), abs=0.01)


@pytest.mark.parametrize(("phi", "films"), [(0.14, 1), (0.2, 3)])
def test_a_loading_that_is_off_raises_ln_r_on_average(film, plain, phi, films):
    """ln R is convex in the loading: its mean over cups and films by quadrature."""
    bench = Bench(replace(Tolerances.none(), weighing=0.01, mixing=0.02))
    rows = Rows.of([Reading("row", mixed(phi), FILM, 1e3, films)], plain, bench)
    spread = np.sqrt(rows.cup[0, 0] ** 2 + films * rows.own[0, 0] ** 2)
    known = day_one(level_alone(), SEED, 4)
    nodes = 0.02 * np.arange(-3, 4)
    found = predict(rows.readings, plain, bench, known, nodes)
    moves = Moves.of(rows, found, known.scale, 0.0, bench)
    z, w = np.polynomial.hermite_e.hermegauss(9)
    logs = film.log_films(FILM, phi * np.exp(spread * z), {})[:, 0]
    shift = w @ logs / w.sum() - film.log_films(FILM, phi, {})[0, 0]
    told = np.log(1e3) - found.level[0] - moves.apart[0]
    np.testing.assert_allclose(told[:, 3] / known.scale**2, shift, rtol=0.15)
    assert shift > 5e-4


@pytest.mark.parametrize("phi", [0.104, 0.11])
def test_near_the_threshold_a_loading_acts_to_second_order(film, phi):
    """Mean and deviation of ln R and its change over cups, by quadrature of the model."""
    bench = Bench(replace(Tolerances.none(), weighing=0.01, mixing=0.02))
    model, known = film.model(), exact_knowledge()
    reading = Reading("row", mixed(phi), FILM, 1e3, 1, 3e-3, relative_change=1.0,
                      batch="cup")  # fmt: skip
    rows = Rows.of([reading], model, bench)
    nodes = 0.005 * np.arange(-3, 4)
    found = predict(rows.readings, model, bench, known, nodes)
    moves = Moves.of(rows, found, known.scale, 0.0, bench)
    z, w = np.polynomial.hermite_e.hermegauss(9)
    w = w / w.sum()
    path = model.log_resistance(FILM, phi * np.exp(rows.cup[0, 0] * z), {}, states=[0, 3])
    drawn = path[:, 0], path[:, 1] - path[:, 0]
    for at, plain in enumerate((found.level, found.change)):
        shift = (np.log(1e3), np.log(2.0))[at] - moves.apart[at][0, 3] - plain[0, 0, 3]
        mean = w @ drawn[at]
        assert shift == pytest.approx(mean - plain[0, 0, 3], rel=0.1)
        by = {name[0]: abs(float(v[0, 3])) for name, v in moves.by[at].items()
              if name[0] in ("loading of cup", "curve of cup")}  # fmt: skip
        exact = np.sqrt(w @ (drawn[at] - mean) ** 2)
        assert by["loading of cup"] < np.hypot(*by.values()) < 1.005 * exact


def test_brute_force_says_the_same_of_two_cups(plain):
    """g0, threshold and the bench's scale from draws of the prior and of every film."""
    priors = level_alone(1.5)
    rows = [
        Reading(f"{phi}", mixed(phi), FILM, r, 3, batch=str(phi))
        for phi, r in ((0.14, 700.0), (0.2, 260.0))
    ]
    found = measured(plain, rows, priors, BENCH, SEED).knowledge
    twin = Twin(plain, rows, priors, BENCH)
    z = np.random.default_rng(1).standard_normal((150_000, twin.dimension))
    logs = twin.log_likelihood(z)
    w = np.exp(logs - logs.max())
    effective = w.sum() ** 2 / (w**2).sum()
    assert effective > 800
    kept = np.random.default_rng(2).choice(len(z), 6000, p=w / w.sum())
    known = twin.knowledge(found, z[kept])
    assert_alike(plain, found, known, [0.12, 0.16, 0.22], (200.0, 700.0), 0.02)


def assert_alike(model, found, twin, phis, window, within):
    """Widths and middles to a few per cent of the width, pass shares to `within`."""
    for k in range(found.z.shape[1]):
        ours, exact = quantiles(found.z[:, k]), quantiles(twin.z[:, k])
        assert np.abs(ours - exact).max() < 0.12 * (exact[2] - exact[0]), k
    target = Target(*window)
    recipes = [Recipe(mixed(phi), FILM) for phi in phis]
    shares = [
        [
            float(o.weights @ o.pass_shares(target))
            for o in outlooks(model, recipes, k, BENCH)
        ]
        for k in (found, twin)
    ]
    assert 0.1 < np.max(shares) < 0.999
    np.testing.assert_allclose(*shares, atol=within)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2])
def test_brute_force_says_the_same_of_everything(film, model, seed):
    """All numbers free, boxes that scatter, rows under strain: pass shares to what the
    draws of both leave (0.8 points of ours, whose effective number is some 600)."""
    rows = rows_of(
        film,
        truth_at(0.7 * np.random.default_rng(seed).standard_normal(len(PRIORS.free))),
        seed,
    )
    found = measured(model, rows, PRIORS, BENCH, SEED, n=4096).knowledge
    twin = Twin(model, rows, PRIORS, BENCH)
    z, moved = twin.sample(twin.started(found, 1, 400), 2000, 2)
    assert moved > 0.05
    middle = float(np.exp(np.mean([np.log(r.resistance) for r in rows])))
    known = twin.knowledge(found, z)
    assert_alike(
        model, found, known, [0.14, 0.16, 0.18, 0.21], (middle / 1.7, middle * 1.7), 0.025
    )


def test_a_change_is_known_as_well_as_two_readings(plain):
    """R and R0 are read with one error each: their ratio has that of two (closed form)."""
    phi, sd, off = 0.17, 0.02, 0.05
    rest, end = plain.visits.rest, plain.visits.chord_state
    logs = plain.log_resistance(FILM, phi, {})[0]
    row = Reading(
        "row", mixed(phi), FILM, float(np.exp(logs[rest])),
        strain=plain.visits.strains[end],
        relative_change=float(np.expm1(logs[end] - logs[rest] + off)),
    )  # fmt: skip
    bench = Bench(replace(Tolerances.none(), instrument=sd))
    (check,) = measured(plain, [row], level_alone(), bench, SEED).checks
    alone = 2.0 * ndtr(-off / (np.sqrt(2.0) * sd))
    assert check.probability == pytest.approx(2.0 * alone, rel=0.05)


# --- coverage


def held(found):
    return {name: np.mean((at >= 0.05) & (at <= 0.95)) for name, at in found.items()}


def test_intervals_hold_the_truth():
    shares = held(coverage(12, 1234))
    # 9 intervals of each, those of one bench not independent: 90 % less 4 errors of 50
    assert 0.73 <= np.mean(list(shares.values()))


def test_films_are_reported_in_the_state_that_they_were_read_in(film):
    """Films that lose all paths only when warmed, or pulled, count as they conduct cold."""
    truth = truth_at([0.0, 0.0, -2.0, 0.5, 0.0, 0.0, 0.0])
    phis = (0.12, 0.145, 0.165, 0.22)
    logs = film.log_films(FILM, np.array(phis), without_threshold(truth))
    at_rest, pulled, warm = (np.isfinite(logs[:, s]) for s in (0, 3, 4))
    assert [sum(held) for held in (at_rest, pulled, warm)] == [3, 2, 1]
    for wide in (1e-6, 1.0):
        rows = rows_of(film, truth, 5, phis, wide=wide)
        for k, phi in enumerate(phis):
            mine = [r for r in rows if r.batch == f"cup {k}"]
            for size in GAPS:
                told = [r for r in mine if r.film.electrode_gap == size]
                films = sum(r.films for r in told if r.strain == 0.0 or not r.is_open)
                assert films == 3, phi  # each film once at rest
            if wide < 1.0:
                is_open = {(r.is_open, r.strain) for r in mine}
                assert ((True, 0.0) in is_open) == (not at_rest[k])
                assert ((True, 3e-3) in is_open) == (at_rest[k] and not pulled[k])


@pytest.mark.slow
def test_intervals_hold_the_truth_of_a_thousand_benches():
    shares = held(coverage(1000, 99))
    for name in ("g0", "threshold", "film", "casting"):
        assert 0.87 <= shares[name] <= 0.93, name


# --- readings of films


def test_medians_fed_back_return_the_plan(film, model):
    """What the outlook says as planned, read as films, moves nothing."""
    gaps = [replace(FILM, electrode_gap=gap) for gap in GAPS]
    recipes = [Recipe(mixed(phi), g) for phi in (0.14, 0.2) for g in gaps]
    planned = outlooks(model, recipes, exact_knowledge(), BENCH)
    rows = [
        Reading(
            str(i), o.recipe.loading, o.recipe.film, o.film_band().median, 3, strain=3e-3,
            relative_change=float(np.expm1(o.change[0, o.nominal])),
            batch=str(o.recipe.loading.volume_fraction),
        )
        for i, o in enumerate(planned)
    ]  # fmt: skip
    found = measured(model, rows, PRIORS, BENCH, SEED)
    assert all(check.probability > 0.5 for check in found.checks)
    # the prior's own median pulls no number away from it by more than a fifth of its width
    for k, name in enumerate(OWN):
        assert abs(np.median(found.knowledge.z[:, k])) < 0.25, name
    again = outlooks(model, recipes, found.knowledge, BENCH)
    for before, after in zip(planned, again, strict=True):
        assert after.film_band().median == pytest.approx(
            before.film_band().median, rel=0.04
        )


def test_known_numbers_come_back(film, model):
    truth = truth_at([1.0, -0.5, 0.3, 0.2, 0.0, 0.0, -0.8])
    rows = rows_of(film, truth, 812, (0.13, 0.16, 0.2, 0.24), films=5)
    found = measured(model, rows, PRIORS, BENCH, SEED)
    for name in ("g0", "threshold", "beta", "delta_b"):
        z = coordinate(found.knowledge, name)
        assert abs(z.mean() - PRIORS[name].standard(truth[name])) < 3.5 * z.std(), name
    assert found.narrowing["g0"] < 0.6
    assert found.narrowing["threshold"] < 0.8
    assert found.narrowing["Ea"] > 0.9  # nothing was read away from 20 C
    assert found.correlations["g0", "threshold"] > 0.3
    assert found.effective_size > 100
    assert not any(check.is_outlier for check in found.checks)


def test_a_slip_is_named_and_counts_little(film, model):
    truth = truth_at(np.zeros(len(PRIORS.free)))
    rows = rows_of(film, truth, 77, (0.13, 0.16, 0.2, 0.24), films=5)
    clean = measured(model, rows, PRIORS, BENCH, SEED)
    off = replace(rows[3], label="slipped", resistance=rows[3].resistance * 10.0)
    found = measured(model, [*rows[:3], off, *rows[4:]], PRIORS, BENCH, SEED)
    named = [check.reading.label for check in found.checks if check.is_outlier]
    assert named == ["slipped"]
    for name in ("g0", "threshold"):
        ours, without = (coordinate(p.knowledge, name) for p in (found, clean))
        assert abs(ours.mean() - without.mean()) < 0.35 * without.std() + 0.1
    assert found.checks[3].probability < 1e-3


def test_open_films_bound_the_threshold_from_below(model):
    rows = [Reading("open", mixed(0.1), FILM, np.inf, 3, batch="a")]
    found = measured(model, rows, PRIORS, BENCH, SEED)
    own = model.own_threshold(found.knowledge.contacts, found.knowledge.values["threshold"])
    before = model.own_threshold(
        {
            n: v
            for n, v in PRIORS.values(np.zeros((1, len(PRIORS.free)))).items()
            if n != "threshold"
        }
    )
    assert np.mean(own > 0.9 * 0.1) > 0.9
    assert np.median(own) > before[0]
    assert expected(found.problem, found.knowledge)[0][0].p95 == np.inf
    # the same cup open at another gap says nothing new; another cup does
    other = replace(FILM, electrode_gap=2e-3)
    same = measured(model, [*rows, replace(rows[0], film=other)], PRIORS, BENCH, SEED)
    apart = measured(model, [*rows, replace(rows[0], batch="b")], PRIORS, BENCH, SEED)
    low = [
        np.quantile(model.own_threshold(k.contacts, k.values["threshold"]), 0.05)
        for k in (p.knowledge for p in (found, same, apart))
    ]
    assert low[0] == pytest.approx(low[1], rel=1e-3)
    assert low[2] > 1.002 * low[0]


def test_open_films_among_films_that_conduct_are_named_and_count(film, model):
    truth = truth_at(np.zeros(len(PRIORS.free)))
    rows = rows_of(film, truth, 77, (0.13, 0.16, 0.2, 0.24), films=3)
    top = rows[3]
    half = replace(top, label="open", resistance=np.inf, relative_change=None, strain=0.0)
    clean = measured(model, rows, PRIORS, BENCH, SEED)
    found = measured(model, [*rows, half], PRIORS, BENCH, SEED)
    assert [c.reading.label for c in found.checks if c.is_outlier] == ["open"]
    assert found.checks[-1].probability < 1e-3
    # three that are open speak louder than one
    one, three = (
        measured(model, [rows[0], replace(half, films=n, batch="b")], PRIORS, BENCH, SEED)
        for n in (1, 3)
    )
    factors = [np.median(p.knowledge.values["threshold"]) for p in (one, three)]
    # to what the medians of draws move by
    assert factors[1] >= factors[0] - 0.01
    # films that open under strain say that they are nearer to the threshold than at rest
    low = Reading("strained", mixed(0.11), FILM, np.inf, 3, strain=3e-3, batch="c")
    at_rest = replace(low, strain=0.0)
    there, here = (
        measured(model, [*rows, row], PRIORS, BENCH, SEED).checks[-1].probability
        for row in (low, at_rest)
    )
    assert there >= here
    assert not any(c.is_outlier for c in clean.checks)


def test_the_scatter_of_the_bench_is_learnt(film, plain):
    """From films of one cup and cups of one loading, 1.5 times as wide as planned."""
    wide, calm = [], []
    for seed in range(6):
        for found, factor in ((wide, 1.8), (calm, 0.6)):
            truth = {**OWN, "threshold": 1.0}
            rows = rows_of(
                film, truth, seed, (0.17, 0.17, 0.17, 0.22), wide=factor, films=1,
                strained=False,
            )  # fmt: skip
            found.append(
                np.median(
                    measured(plain, rows, level_alone(1.3), BENCH, SEED).knowledge.scale
                )
            )
    assert np.mean(np.log(wide)) > np.mean(np.log(calm)) + 0.3
    assert np.mean(np.log(wide)) > 0.0 > np.mean(np.log(calm))
    # what a bench says of the spread of its films counts too
    row = rows_of(film, truth, 1, (0.17,), strained=False)
    scales = [
        np.median(
            measured(
                plain,
                [replace(r, spread=s, films=6) for r in row],
                level_alone(1.3),
                BENCH,
                SEED,
            ).knowledge.scale
        )
        for s in (0.1, 0.4)
    ]
    assert scales[0] < 1.0 < scales[1]


def test_a_change_tells_of_the_response_not_of_the_level(film, model):
    rows = rows_of(film, truth_at([0, 1.0, 0, 0, 0, 0, 0]), 4, (0.17,))
    both = measured(model, rows, PRIORS, BENCH, SEED).knowledge
    plain = [replace(r, strain=0.0, relative_change=None) for r in rows]
    level = measured(model, plain, PRIORS, BENCH, SEED).knowledge
    recipe = [Recipe(mixed(0.17), FILM)]
    (a,), (b,) = (outlooks(model, recipe, k, BENCH) for k in (both, level))
    widths = [np.ptp(quantiles(np.nan_to_num(o.change[:, o.nominal]))) for o in (a, b)]
    assert widths[0] < 0.5 * widths[1]
    widths = [np.ptp(quantiles(o.rest[:, o.nominal])) for o in (a, b)]
    assert widths[0] == pytest.approx(widths[1], rel=0.5)


def test_the_same_seed_gives_the_same_digits_for_any_threads():
    code = (
        "import sys; sys.path.insert(0, 'tests')\n"
        "import numpy as np\n"
        "from decision.test_posterior import *\n"
        "film = Invented(); model = film.model(noise=0.08)\n"
        "rows = rows_of(film, truth_at(np.zeros(len(PRIORS.free))), 3)\n"
        "known = measured(model, rows, PRIORS, BENCH, SEED).knowledge\n"
        "print(known.z.sum().hex(), known.scale.sum().hex())\n"
    )
    found = []
    for threads in ("1", "4"):
        env = {**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads}
        out = subprocess.run(
            [sys.executable, "-c", code],
            env=env,
            capture_output=True,
            text=True,
            check=True,
        )
        found.append(out.stdout)
    assert found[0] == found[1]
    assert "0x" in found[0]


def test_readings_that_make_no_sense_are_refused(model):
    for message, keys in (
        ("neither a resistance", {}),
        ("resistance must be above 0", {"resistance": -3.0}),
        ("open films have no", {"resistance": np.inf, "relative_change": 0.1}),
        ("above -100 %", {"relative_change": -1.5}),
        ("films must be", {"resistance": 3.0, "films": 0}),
        ("spread must be", {"resistance": 3.0, "spread": 0.0}),
    ):
        with pytest.raises(ValueError, match=f"row 3: .*{message}"):
            Reading("row 3", mixed(0.17), FILM, **keys)
    with pytest.raises(ValueError, match="no measured row"):
        measured(model, [], PRIORS, BENCH, SEED)
    held = Priors((Prior("g0", 8e-5), Prior("threshold", 1.0)))
    row = [Reading("a", mixed(0.17), FILM, 300.0)]
    with pytest.raises(ValueError, match="nothing to tell"):
        measured(model, row, held, BENCH, SEED)


# --- contacts that remember


def test_a_row_tells_of_the_pull_that_it_is_of(model):
    """A conditioned film of a quarter of the response, read on either pull."""
    priors = contact_priors(ContactParameters(powder=POWDER), THRESHOLD)
    truth = exact_knowledge({"reclose": 0.35, "healed": 0.4})
    recipe = Recipe(mixed(0.19), FILM)
    read, true = {}, {}
    for pull in ("first", "conditioned"):
        (seen,) = outlooks(model.on(pull), [recipe], truth, BENCH)
        true[pull] = float(seen.chord[0, seen.nominal])
        read[pull] = Reading(
            pull, recipe.loading, FILM, seen.film_band().median, 5, strain=3e-3,
            relative_change=float(np.expm1(seen.change[0, seen.nominal])), pull=pull,
        )  # fmt: skip
    assert true["conditioned"] < 0.6 * true["first"]
    once = measured(model, [read["first"]], priors, BENCH, SEED)
    twice = measured(model, list(read.values()), priors, BENCH, SEED)
    spans = {}
    for name, found in (("once", once), ("twice", twice)):
        for pull in true:
            (seen,) = outlooks(model.on(pull), [recipe], found.knowledge, BENCH)
            band = seen.draw_band(seen.chord[:, seen.nominal])
            assert band.p05 < true[pull] < band.p95, (name, pull)
            spans[name, pull] = np.log(band.p95 / band.p05)
    assert spans["once", "first"] < 0.7 * spans["once", "conditioned"]
    assert spans["twice", "conditioned"] < 0.6 * spans["once", "conditioned"]
    bands = expected(twice.problem, twice.knowledge)
    for check, (_, band) in zip(twice.checks, bands, strict=True):
        assert band.p05 < check.reading.relative_change < band.p95
    # a conditioned row taken for a first pull would speak against the other
    mixed_up = replace(read["conditioned"], pull="first")
    assert measured(model, [mixed_up], priors, BENCH, SEED).narrowing["reclose"] > 0.8
    with pytest.raises(ValueError, match="pull must be one of conditioned, first"):
        replace(mixed_up, pull="third")


def test_no_draw_speaks_for_all():
    weights = np.append(0.9, np.full(99, 0.1 / 99))
    held = truncated(weights)
    assert held.sum() == pytest.approx(1.0)
    assert held[0] == pytest.approx(
        0.1 / 0.2
    )  # ten times the mean, 1/100, over what is left
    even = np.full(7, 1.0 / 7.0)
    np.testing.assert_allclose(truncated(even), even)
