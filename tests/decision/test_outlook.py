"""Outlooks against castings drawn one by one, and brute force over what is known."""

from dataclasses import replace

import numpy as np
import pytest
from reference.invented_films import (
    FILM,
    OWN,
    PRIORS,
    SEED,
    THRESHOLD,
    Invented,
    exact_knowledge,
    mixed,
)
from reference.powders import POWDER

from percsim.decision.knowledge import day_one
from percsim.decision.outlook import Band, Recipe, hold, outlooks
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.decision.target import Target
from percsim.film import Bench, CastingDraws, Tolerances, cast_films
from percsim.film.protocol import cycles
from percsim.film.transfer import FAITHFUL_RATIO

N = 20000
ANY_MEMORY = contact_priors(ContactParameters(powder=POWDER), THRESHOLD)
BENCH = Bench(Tolerances(), -0.85, 1.0)


@pytest.fixture(scope="module")
def model():
    return Invented().model((0.12, 0.15, 0.19, 0.24))


@pytest.mark.parametrize("phi", [0.125, 0.15, 0.21])
@pytest.mark.parametrize(
    "values",
    [
        {},
        {"beta": 60.0, "delta_b": 0.02, "g0": 2e-4},
        {"reclose": 0.6, "healed": 0.5},
    ],
)
def test_castings_drawn_one_by_one_are_as_said(model, phi, values):
    """Medians, spreads, gauge factors and pass shares, all tolerances together."""
    recipe = Recipe(mixed(phi), FILM)
    (found,) = outlooks(model, [recipe], exact_knowledge(values), BENCH)
    draws = CastingDraws.draw(N, len(model.visits), SEED)
    (castings,) = cast_films(
        model, [recipe.loading], [FILM], BENCH, draws, {**OWN, **values}
    )
    logs = np.log(castings.at_rest)
    spread = logs.std()
    band = found.casting_band()
    # standard errors of a mean, a spread and a quantile of N draws
    assert np.log(band.median) == pytest.approx(
        np.median(logs), abs=5 * spread / np.sqrt(N) + 0.004
    )
    for ours, p in ((band.p05, 0.05), (band.p95, 0.95)):
        assert np.log(ours) == pytest.approx(
            np.quantile(logs, p), abs=0.03 * spread + 10 * spread / np.sqrt(N)
        )
    assert found.resistance_cv[0] == pytest.approx(castings.resistance_cv, rel=0.03)
    # nearest to the threshold a few castings in a thousand, almost open, make a fifth of it
    within = 0.1 if phi < 0.13 else 0.03
    assert found.gauge_factor_cv[0] == pytest.approx(castings.gauge_factor_cv, rel=within)
    gauge = found.response_band()
    assert gauge.median == pytest.approx(np.median(castings.gauge_factors), rel=0.005)
    centre = np.exp(np.median(logs))
    for low, high, asked in (
        (0.7, 1.5, None),
        (0.9, 1.3, float(np.quantile(castings.gauge_factors, 0.4))),
        (0.2, 0.8, float(np.quantile(castings.gauge_factors, 0.8))),
    ):
        target = Target(low * centre, high * centre, gauge_factor_min=asked)
        drawn = target.passes(castings.at_rest, castings.gauge_factors).mean()
        assert found.pass_shares(target)[0] == pytest.approx(drawn, abs=0.01)
    assert found.open_shares[0] == pytest.approx(0.0, abs=1e-12)
    assert castings.open_fraction == 0.0


PULLS = cycles(1.5e-3, 5, 1e-4, hold=1800.0, rest=60.0)
REMEMBERS = {"reclose": 0.7, "healed": 0.5, "relaxed": 0.01}


def test_what_a_pulled_film_does_is_read_off_its_history(model):
    """Each draw's film along the protocol, one by one."""
    recipes = [Recipe(mixed(phi), FILM) for phi in (0.15, 0.21)]
    knowledge = day_one(ANY_MEMORY, SEED, 32)
    for o in outlooks(model, recipes, knowledge, BENCH, protocol=PULLS):
        for i in (0, 7, 31):
            values = knowledge.draw(i)
            log_phi = np.log(o.recipe.loading.volume_fraction / values.pop("threshold"))
            material = model.along(values, PULLS.history, knowledge.noise[[i]])
            every = range(len(PULLS))
            logs = material.log_resistance(FILM, np.array([[log_phi]]), every)[0]
            np.testing.assert_allclose(o.cycled.resistances[i], np.exp(logs[0]), rtol=1e-9)
        films = o.cycled
        for what, value in (
            ("hysteresis", films.hysteresis),
            ("zero_shift", films.as_strain(films.zero_shift(0) * films.at_rest)),
            ("drift", films.creep_strain),
        ):
            np.testing.assert_allclose(o.remembered(what), np.abs(value), rtol=1e-12)
        # unlike each other: the loop is wider than what pulls differ by
        assert (o.remembered("hysteresis") > 1.5 * films.repeatability).mean() > 0.5
        assert np.unique(o.remembered("drift")).size > 20


@pytest.mark.parametrize(
    ("what", "least", "most"),
    [("hysteresis", 1e-3, 2.0), ("zero_shift", 1e-6, 0.1), ("drift", 1e-6, 0.1)],
)
def test_a_limit_on_a_pulled_film_alone_decides(model, what, least, most):
    recipe = Recipe(mixed(0.19), FILM)
    (found,) = outlooks(model, [recipe], exact_knowledge(REMEMBERS), BENCH, protocol=PULLS)
    value = float(found.remembered(what)[0])
    assert least < value < most
    for limit, expected in ((0.9 * value, 0.0), (1.1 * value, 1.0)):
        target = Target(1e-3, 1e9, protocol=PULLS, **{f"{what}_max": limit})
        assert found.values_of(what, target)[0] == value
        assert found.probability(target) == pytest.approx(expected)


def test_a_film_that_remembers_nothing_has_no_loop_no_shift_and_no_drift(model):
    (found,) = outlooks(
        model, [Recipe(mixed(0.19), FILM)], exact_knowledge(), BENCH, protocol=PULLS
    )
    for what in ("hysteresis", "zero_shift", "drift"):
        np.testing.assert_allclose(found.remembered(what), 0.0, atol=1e-9)
    (unasked,) = outlooks(model, [Recipe(mixed(0.19), FILM)], exact_knowledge(), BENCH)
    np.testing.assert_array_equal(unasked.remembered("drift"), np.inf)


def test_the_gauge_factor_is_that_of_the_pull_asked_for(model):
    """First pulls read higher than the conditioned film, R at rest the same."""
    recipe, known = Recipe(mixed(0.19), FILM), exact_knowledge(REMEMBERS)
    first, again = (
        outlooks(model.on(pull), [recipe], known, BENCH)[0]
        for pull in ("first", "conditioned")
    )
    np.testing.assert_array_equal(first.rest, again.rest)
    assert (again.chord[0] < 0.95 * first.chord[0]).all()
    (cycled,) = outlooks(model, [recipe], known, BENCH, protocol=PULLS)
    # but for what fades meanwhile, and straight lines between the visits of boxes
    for pull, o in ((0, first), (4, again)):
        told = cycled.cycled.gauge_factor(pull)[0]
        assert told == pytest.approx(o.chord[0, o.nominal], rel=0.2)


def test_electrodes_askew_move_the_mean(model):
    """Far more than a bench has, so that the shift of the mean is seen."""
    tol = replace(Tolerances.none(), skew=2e-3)
    recipe, bench = Recipe(mixed(0.19), FILM), Bench(tol)
    (found,) = outlooks(model, [recipe], exact_knowledge(), bench)
    draws = CastingDraws.draw(N, len(model.visits), SEED)
    (castings,) = cast_films(model, [recipe.loading], [FILM], bench, draws)
    logs = np.log(castings.at_rest)
    error = logs.std() / np.sqrt(N)
    assert found.rest[0] @ found.shares == pytest.approx(logs.mean(), abs=5 * error)
    assert abs(logs.mean() - np.log(castings.nominal[0])) > 20 * error


def test_chains_scatter_by_the_volume_of_the_film(model):
    bench, recipe = Bench(Tolerances.none()), Recipe(mixed(0.15), FILM)
    noisy = replace(model, chains=0.1 * np.sqrt(FILM.volume) * np.ones_like(model.chains))
    (found,) = outlooks(noisy, [recipe], exact_knowledge(), bench)
    # a row of S equal entries adds up in squares
    assert found.scatter[0] == pytest.approx(0.1 * np.sqrt(len(model.visits)), rel=1e-6)


def test_films_near_the_threshold_open_as_often(model):
    recipe = Recipe(mixed(0.094), FILM)
    (found,) = outlooks(model, [recipe], exact_knowledge(), BENCH)
    draws = CastingDraws.draw(N, len(model.visits), SEED)
    (castings,) = cast_films(model, [recipe.loading], [FILM], BENCH, draws)
    # points of the deviation are coarse where a share of castings opens
    assert found.open_shares[0] == pytest.approx(castings.open_fraction, abs=0.1)
    assert 0.05 < castings.open_fraction < 0.6
    assert not found.holds(Target(1.0, 1e9))[1].any()


def test_p_is_that_of_brute_force(model):
    """Share of draws whose own castings pass often enough and keep the other limits."""
    known = day_one(PRIORS, np.random.SeedSequence(5), 60, scale_spread=0.35)
    recipe = Recipe(mixed(0.17), FILM)
    (found,) = outlooks(model, [recipe], known, BENCH)
    target = Target(
        60.0, 3000.0, resistance_cv_max=0.3, gauge_factor_min=3.0, pass_share_min=0.6
    )
    draws = CastingDraws.draw(3000, len(model.visits), SEED)
    shares, cvs, ratios = [], [], []
    for k in range(60):
        values = {name: float(v[k]) for name, v in known.values.items()}
        # the simulation error and the scale of this draw: a model and a bench of its own
        bench = scaled(BENCH, known.scale[k])
        (castings,) = cast_films(
            OneDraw(model, known.noise[k]), [recipe.loading], [FILM], bench, draws, values
        )
        shares.append(target.passes(castings.at_rest, castings.gauge_factors).mean())
        cvs.append(castings.resistance_cv)
        ratios.append(castings.threshold_ratio)
    told = np.array(cvs) < 0.6
    assert told.sum() > 30
    apart = found.pass_shares(target) - shares
    assert np.abs(apart[told]).max() < 0.05
    # where castings open, points of the deviation are coarse
    assert np.abs(apart).max() < 0.12
    assert abs(apart.mean()) < 0.01
    np.testing.assert_allclose(found.resistance_cv[told], np.array(cvs)[told], rtol=0.08)
    every = (np.array(shares) >= 0.6) & (np.array(cvs) <= 0.3) & (np.array(ratios) >= 1.3)
    assert 0.1 < every.mean() < 0.9
    assert found.probability(target) == pytest.approx(every.mean(), abs=2.01 / 60)


def scaled(bench, scale):
    """The bench with everything that scatters castings scaled, inside a film too."""
    names = [n for n in Tolerances.__dataclass_fields__ if n != "mixing_length"]
    tol = bench.tolerances
    new = {n: scale * getattr(tol, n) for n in names if n != "thickness"}
    new["thickness"] = scale * tol.thickness_of(FILM)
    new["contact_redraw"] = tol.contact_redraw
    return replace(bench, tolerances=replace(tol, **new))


class OneDraw:
    """A model whose materials have the simulation error of one draw."""

    def __init__(self, model, noise):
        self.model, self.noise = model, noise

    def __getattr__(self, name):
        return getattr(self.model, name)

    def material(self, values, noise=None, states=None):
        size = max(np.size(v) for v in values.values())
        return self.model.material(values, np.tile(self.noise, (size, 1)), states)


def test_levels_split_the_scatter(model):
    recipe = Recipe(mixed(0.15), FILM)
    whole, film, cup, lot = (
        float(
            outlooks(model, [recipe], exact_knowledge(), BENCH, levels=levels)[
                0
            ].log_spread[0]
        )
        for levels in (("film", "cup", "lot"), ("film",), ("cup",), ("lot",))
    )
    assert whole**2 == pytest.approx(film**2 + cup**2 + lot**2, rel=0.04)
    assert min(film, cup, lot) > 0.03


def test_a_cup_weighed_off_is_another_loading(model):
    off = outlooks(
        model, [Recipe(mixed(0.15), FILM)], exact_knowledge(), BENCH, off_by=0.03
    )
    other = mixed(0.15 * np.exp(0.03))
    here = outlooks(model, [Recipe(other, FILM)], exact_knowledge(), BENCH)
    np.testing.assert_allclose(off[0].rest[0, 2], here[0].rest[0, 2], atol=1e-3)


def test_recipes_come_out_as_they_do_alone(model):
    known = day_one(PRIORS, np.random.SeedSequence(8), 64)
    recipes = [
        Recipe(mixed(phi), replace(FILM, electrode_gap=gap))
        for phi in (0.13, 0.17)
        for gap in (2e-3, 4e-3)
    ]
    together = outlooks(model, recipes, known, BENCH)
    target = Target(100.0, 1000.0, gauge_factor_min=3.0)
    for k in (0, 2):
        pair = outlooks(model, recipes[k : k + 2], known, BENCH)
        np.testing.assert_array_equal(
            [o.rest for o in pair], [o.rest for o in together[k : k + 2]]
        )
    for recipe, found in zip(recipes, together, strict=True):
        (alone,) = outlooks(model, [recipe], known, BENCH)
        k = found.nominal
        np.testing.assert_array_equal(found.chord[:, k], alone.chord[:, k])
        np.testing.assert_allclose(
            found.pass_shares(target), alone.pass_shares(target), atol=2e-3
        )


@pytest.mark.parametrize("asked", [0.3, 0.6, 0.9])
def test_what_many_recipes_hold_is_what_each_draw_does(model, asked):
    """Draws and recipes that no casting need be worked out for change nothing."""
    gaps = [replace(FILM, electrode_gap=gap) for gap in (2e-3, 3e-3)]
    recipes = [Recipe(mixed(p), film) for p in (0.1, 0.13, 0.16, 0.2) for film in gaps]
    target = Target(
        300.0, 2000.0, gauge_factor_min=6.0, resistance_cv_max=0.3,
        gauge_factor_cv_max=0.2, pass_share_min=asked, hysteresis_max=0.5,
        protocol=PULLS,
    )  # fmt: skip
    known = day_one(ANY_MEMORY, SEED, 512, 0.3)
    found, some = outlooks(model, recipes, known, BENCH, protocol=PULLS), 0
    for o, (passes, every) in zip(found, hold(found, target), strict=True):
        shares = o.pass_shares(target)
        margins = [x.reserve(o.values_of(x.what, target)) for x in target.limits[3:-1]]
        np.testing.assert_array_equal(passes, shares >= asked)
        wanted = passes & (o.ratio >= FAITHFUL_RATIO) & (np.min(margins, axis=0) >= 0.0)
        np.testing.assert_array_equal(every, wanted)
        some += every.sum()
    assert some > 20


def test_a_band_of_weighted_values_by_hand():
    band = Band.of(np.array([1.0, 2.0, 3.0, np.inf]), np.array([1.0, 1.0, 1.0, 1.0]))
    assert band.median == 2.5
    assert band.p95 == np.inf


def test_a_window_without_an_end_counts_no_film_that_is_open(model):
    known = day_one(PRIORS, np.random.SeedSequence(5), 60)
    (found,) = outlooks(model, [Recipe(mixed(0.12), FILM)], known, BENCH)
    conducts = (found.conducts & np.isfinite(found.change)) @ found.shares
    assert 0.0 < conducts.mean() < 1.0
    np.testing.assert_allclose(found.pass_shares(Target()), conducts, atol=1e-9)
    # every end alone, the other at a level that nothing reaches
    for window in (Target(1e-9, None), Target(None, 1e300)):
        np.testing.assert_allclose(found.pass_shares(window), conducts, atol=1e-9)


def test_a_change_too_large_for_a_number_stays_one(model):
    """Near the threshold of a draw strain may raise ln R by hundreds."""
    film = replace(FILM, electrode_gap=3e-3)
    (o,) = outlooks(model, [Recipe(mixed(0.2), film)], exact_knowledge(), BENCH)
    risen = replace(o, change=o.change + 600.0)
    assert np.isfinite(risen.gauge_factor_cv).all()
    assert (risen.gauge_factor_cv >= 0.0).all()
