"""The film model against the boxes it is made of, and films known by a formula."""

from dataclasses import replace

import numpy as np
import pytest
from reference.invented_films import (
    CRITICAL,
    FILM,
    OWN,
    SEED,
    THRESHOLD,
    Invented,
    exact_knowledge,
    mixed,
    simulated,
)
from scipy.constants import Boltzmann, elementary_charge
from scipy.interpolate import CubicHermiteSpline
from scipy.special import ndtri, stdtrit

from percsim.decision.outlook import Recipe, outlooks
from percsim.film import Bench, LoadingThreshold
from percsim.film.material import Material
from percsim.film.noise import NOISES, box_errors
from percsim.film.surface import NEAREST
from percsim.film.transfer import fit_loadings
from percsim.states.temperature import Bond

MEV = 1e-3 * elementary_charge
PHIS = (0.12, 0.15, 0.19, 0.24)
SOME = {"beta": 80.0, "delta_b": 0.013, "lambda_T": 0.2}


@pytest.fixture(scope="module")
def film():
    return Invented()


@pytest.fixture(scope="module")
def model(film):
    return film.model(PHIS)


@pytest.fixture(scope="module")
def noisy(film):
    return film.model(PHIS, noise=0.1)


def test_as_planned_it_is_the_fitted_film(film, model, noisy):
    found = model.log_resistance(FILM, PHIS, {})
    expected = np.concatenate([film.log_films(FILM, phi, {}) for phi in PHIS])
    np.testing.assert_allclose(found, expected, atol=1e-9)
    logs, lengths = noisy.log_resistivity, noisy.electrode_length
    ohms = FILM.resistance(np.exp(logs), np.exp(logs) * lengths)
    found = noisy.log_resistance(FILM, PHIS, {})
    np.testing.assert_allclose(found, np.log(ohms), atol=1e-9)


@pytest.mark.parametrize(("exponent", "within"), [(2.0, 1e-9), (1.7, 2e-3)])
def test_between_loadings_it_is_the_power_law(exponent, within):
    """Exactly, less what the ends lean on the published exponent of 2.

    Under strain contacts open and the threshold rises, so that it is none in the threshold
    at rest.
    """
    film = Invented(exponent=exponent)
    phi = np.linspace(0.12, 0.24, 61)
    apart = film.model(PHIS).log_resistance(FILM, phi, {}) - film.log_films(FILM, phi, {})
    assert np.abs(apart[:, 0]).max() < within
    # of the interior interval, whose slopes are those of neighbours
    inside = (phi > 0.15) & (phi < 0.19)
    assert np.abs(apart[inside, 0]).max() < 1e-3
    assert np.abs(apart).max() < 5e-3


def test_beyond_the_loadings_it_goes_on_straight(model):
    phi = np.concatenate([[0.1, 0.105, 0.11], [0.3, 0.36, 0.42]])
    logs = model.log_resistance(FILM, phi, {})[:, 0]
    x = np.log(phi / CRITICAL - 1.0)
    slopes = np.diff(logs) / np.diff(x)
    assert slopes[0] == pytest.approx(slopes[1], rel=1e-9)
    assert slopes[3] == pytest.approx(slopes[4], rel=1e-9)
    assert -2.0 < slopes[0] < -1.6
    assert -2.0 < slopes[3] < -1.6


def between(ends=(2.0, -1.0), slopes=(-4.0, -2.5)):
    """Material of two loadings, along whose x values and slopes at its ends are given."""
    x = np.array([0.3, 1.1])
    phi = CRITICAL * (1.0 + np.exp(x))
    at = np.array([1.0])[:, None, None]
    none = np.zeros((1, 2, 1))
    return Material(
        np.log(phi), np.full((1, 1), np.log(CRITICAL)), at * x[:, None], none, none,
        at * np.array(ends)[:, None], none, np.zeros((1, 1)),
        at * np.array(slopes)[:, None], np.zeros(1, dtype=np.int64),
    )  # fmt: skip


def test_the_cubic_has_the_stated_values_and_slopes():
    def at(x, material):
        log_phi = np.log(CRITICAL * (1.0 + np.exp(np.array([[x]]))))
        return float(material.at(log_phi, [0])[0][0, 0, 0])

    material = between()
    assert at(0.3, material) == pytest.approx(2.0)
    assert at(1.1, material) == pytest.approx(-1.0)
    for x, slope in ((0.3, -4.0), (1.1, -2.5), (-5.0, -4.0), (7.0, -2.5)):
        h = 1e-5
        rise = at(x + h, material) - at(x - h, material)
        assert rise / (2 * h) == pytest.approx(slope, rel=1e-4)
    # as SciPy's does between
    twin = CubicHermiteSpline([0.3, 1.1], [2.0, -1.0], [-4.0, -2.5])
    for x in np.linspace(0.31, 1.09, 7):
        assert at(x, material) == pytest.approx(float(twin(x)), abs=1e-10)
    # an open end opens what lies between and before, not the other point
    shut = between(ends=(np.inf, -1.0))
    assert np.isinf([at(x, shut) for x in (0.0, 0.3, 0.7)]).all()
    assert at(1.1 + 1e-9, shut) == pytest.approx(-1.0)


@pytest.mark.parametrize("bond", [None, Bond(2e-5), Bond(2e-4, 310.0)])
def test_other_contacts_are_found_as_they_are(bond):
    """Between loadings and settings too, at rest, strained and warm."""
    film = Invented(bond=bond)
    model = film.model()
    rng = np.random.default_rng(2)
    compared = 0
    for _ in range(60):
        u = rng.uniform(-1.0, 1.0, 4)
        values = {
            "beta": 100 * 2.2 ** u[0],
            "delta_b": 0.01 * 2.5 ** u[1],
            "lambda_T": 0.316 * 2.2 ** u[2],
            "closed_at": 233.15 + 30.0 * u[3],
        }
        phi = rng.uniform(0.13, 0.23)
        found = model.log_resistance(FILM, phi, values)[0]
        expected = film.log_films(FILM, phi, values)[0]
        # well clear of the threshold: m is positive, so that this is a lower bound
        top = max(expected) - np.log(0.12 * 2500.0)
        if not np.exp(-top / film.exponent) > 4.0 * NEAREST:
            continue
        compared += 1
        np.testing.assert_allclose(found[[0, 4]], expected[[0, 4]], atol=0.06)
        np.testing.assert_allclose(found, expected, atol=0.08)
    assert compared > 30


@pytest.mark.parametrize("phi", [0.105, 0.11, 0.12, 0.13, 0.19, 0.3])
def test_what_strain_changes_is_known_closely(film, model, phi):
    """Where it is large too, below the lowest loading and near the threshold, at contacts
    all over what boxes were solved at: readings of a change are as precise.
    """
    end, rest = model.visits.chord_state, model.visits.rest
    compared = 0
    for u in np.random.default_rng(3).uniform(-1.0, 1.0, (40, 3)):
        values = {"beta": 100 * 3.0 ** u[0], "delta_b": 0.01 * 4.0 ** u[1],
                  "lambda_T": 0.3 * 2.0 ** u[2]}  # fmt: skip
        if phi < 1.2 * model.own_threshold(values)[0]:
            continue
        logs, known = (
            model.log_resistance(FILM, phi, values),
            film.log_films(FILM, phi, values),
        )
        change, expected = (x[0, end] - x[0, rest] for x in (logs, known))
        assert change == pytest.approx(expected, rel=0.08, abs=1e-4), values
        compared += 1
    assert compared > 5


def test_contact_conductance_and_activation_act_exactly(model):
    own = model.log_resistance(FILM, 0.16, {})[0]
    found = model.log_resistance(FILM, 0.16, {"g0": 2e-5, "Ea": 40.0 * MEV})[0]
    inverse = 1.0 / np.array(model.visits.temperatures) - 1.0 / 293.15
    expected = np.log(4.0) + 30.0 * MEV / Boltzmann * inverse
    np.testing.assert_allclose(found - own, expected, atol=1e-12)


def test_threshold_factor_is_a_lower_loading(model):
    phi = np.linspace(0.12, 0.25, 9)
    one = model.log_resistance(FILM, phi, SOME, 1.2)
    other = model.log_resistance(FILM, phi / 1.2, SOME)
    np.testing.assert_allclose(one, other, rtol=1e-12)
    assert model.own_threshold(SOME, 1.2) == pytest.approx(1.2 * model.own_threshold(SOME))


def test_films_open_below_their_own_threshold(film, model):
    ratios = np.array([0.5, 0.99, 1.01, 1.05, 1.2, 1.5, 2.0, 3.0])
    logs = model.log_resistance(FILM, CRITICAL * ratios, {})[:, 0]
    assert np.isinf(logs[:2]).all()
    assert np.isfinite(logs[2:]).all()
    assert (np.diff(logs[2:]) < 0.0).all()
    # weak contacts: more of them break, and the same film opens where the formula says
    weak = {"delta_b": 0.004}
    assert model.own_threshold({})[0] == pytest.approx(CRITICAL)
    own = model.own_threshold(weak)[0]
    exact = [np.isinf(film.log_films(FILM, own * f, weak)[0, 0]) for f in (0.97, 1.03)]
    assert exact == [True, False]
    found = model.log_resistance(FILM, own * np.array([0.999, 1.001]), weak)[:, 0]
    assert np.isinf(found).tolist() == [True, False]


def test_draws_come_out_as_they_do_one_by_one(model):
    rng = np.random.default_rng(9)
    n = 40
    drawn = {
        "g0": 8e-5 * 10 ** rng.normal(size=n),
        "beta": 100.0 * 2 ** rng.normal(size=n),
        "delta_b": 0.01 * 3 ** rng.normal(size=n),
        "lambda_T": rng.random(n),
        "Ea": 20.0 * MEV * rng.random(n),
    }
    phi, factor = 0.1 + 0.15 * rng.random(n), 1.3 ** rng.normal(size=n)
    together = model.log_resistance(FILM, phi, drawn, factor)
    assert together.shape == (n, len(model.visits))
    assert not np.isnan(together).any()
    assert 0 < np.isinf(together).sum() < together.size
    for k in range(n):
        one = {name: values[k] for name, values in drawn.items()}
        alone = model.log_resistance(FILM, phi[k], one, factor[k])[0]
        np.testing.assert_allclose(alone, together[k], rtol=1e-12)


def test_several_thresholds_and_some_visits_are_those_one_by_one(model):
    settings = {"beta": np.array([60.0, 150.0]), "g0": np.array([4e-5, 2e-4])}
    factors = np.array([[0.8, 1.0, 1.9], [0.9, 1.1, 3.0]])
    together = model.log_resistance(FILM, 0.24, settings, factors)
    for j, column in enumerate(factors.T):
        alone = model.log_resistance(FILM, 0.24, settings, column)
        np.testing.assert_allclose(together[:, j], alone, rtol=1e-12)
    some = [len(model.visits) - 1, 0]
    few = model.log_resistance(FILM, 0.24, settings, factors, states=some)
    np.testing.assert_allclose(few, together[..., some], rtol=1e-12)


def test_simulation_error_is_that_of_the_resampled_boxes(film, noisy):
    """Six boxes scatter by the root of 5/6 too little, and are few (Student's t)."""
    few = np.sqrt(6.0 / 5.0) * stdtrit(5, 0.975) / ndtri(0.975)
    fits = fit_loadings(film.boxes(PHIS, 0.1)[0], THRESHOLD, seed=SEED)
    drawn = [simulated(noisy, phi) for phi in PHIS]
    for fit, logs in zip(fits, drawn, strict=True):
        shifts = few * np.log(fit.resistivity_draws / fit.resistivity)
        np.testing.assert_allclose(
            logs.mean(axis=0),
            np.log(FILM.resistance(fit.resistivity, fit.electrode_excess)),
            atol=4.0 * shifts.std() / np.sqrt(4000) + 1e-3,
        )  # fmt: skip
        np.testing.assert_allclose(logs.std(axis=0), shifts.std(axis=0), rtol=0.05)
        # a box scatters alike at every visit: ratios are known
        assert (logs[:, 3] - logs[:, 0]).std() < 1e-3
    # six boxes at two lengths that scatter by 0.1
    assert drawn[-1][:, 0].std() > 0.1 / np.sqrt(12.0)
    # boxes of all loadings are drawn alike, so their errors move together or not
    own = np.corrcoef([np.log(f.resistivity_draws[:, 0]) for f in fits])
    ours = np.corrcoef([logs[:, 0] for logs in drawn])
    np.testing.assert_allclose(ours, own, atol=0.05)


def test_the_error_grows_with_what_boxes_scatter_and_away_from_settings(model, noisy):
    far = {"beta": 300.0, "delta_b": 0.03, "lambda_T": 0.9}
    quiet, loud = (simulated(m, 0.15, SOME)[:, 0].std() for m in (model, noisy))
    assert loud**2 - quiet**2 > (0.5 * 0.1) ** 2 / 6.0
    assert simulated(model, 0.15, far)[:, 0].std() > 2.0 * quiet
    # nearer to the threshold than any box, less is known
    near, clear = (simulated(noisy, phi)[:, 0].std() for phi in (0.098, 0.15))
    assert near > 2.0 * clear


def test_an_added_loading_moves_no_other_beyond_the_error(film):
    """R, its slope and the spread of castings at the other loadings, boxes scattering."""
    recipes = [Recipe(mixed(phi), FILM) for phi in PHIS]
    apart = []
    for seed in range(8):
        four = film.model(PHIS, noise=0.08, seed=seed)
        extra = film.model((0.12, 0.15, 0.154, 0.19, 0.24), noise=0.08, seed=seed)
        cvs = []
        for model in (four, extra):
            found = outlooks(model, recipes, exact_knowledge(), Bench())
            cvs.append([float(o.resistance_cv[0]) for o in found])
        z = np.random.default_rng(6).standard_normal((400, NOISES))
        known = replace(exact_knowledge(n=400), noise=z)
        errors = [o.resistance_cv.std() for o in outlooks(four, recipes, known, Bench())]
        apart.append((np.array(cvs[1]) - cvs[0]) / errors)
    assert np.abs(apart).max() < 2.0
    assert np.sqrt(np.mean(np.square(apart))) < 1.0


def test_plans_without_other_settings_work(film):
    plain = film.model(PHIS, noise=0.05, varied=False)
    assert plain.parameters == {"g0": OWN["g0"]}
    logs = plain.log_resistance(FILM, 0.17, {"g0": 4e-5})[0]
    own = plain.log_resistance(FILM, 0.17, {})[0]
    np.testing.assert_allclose(logs - own, np.log(2.0), atol=1e-12)
    assert 0.01 < simulated(plain, 0.17)[:, 0].std() < 0.1
    with pytest.raises(ValueError, match="beta not known"):
        plain.material({"beta": 1.0})


def test_a_mix_that_does_not_conduct_is_open_everywhere(film):
    high = LoadingThreshold(0.3, 0.001, -0.85)
    model = film.model(PHIS, threshold=high)
    assert len(model.volume_fractions) == 0
    assert np.isposinf(model.log_resistance(FILM, [0.1, 0.4], {})).all()
    known = exact_knowledge(n=3)
    values = {name: known.values[name] for name in ("g0", "threshold")}
    known = replace(known, values=values)
    (found,) = outlooks(model, [Recipe(mixed(0.24), FILM)], known, Bench())
    assert np.isposinf(found.rest).all()
    assert (found.open_shares == 1.0).all()
    assert np.isposinf(found.resistance_cv).all()
    assert np.isposinf(found.casting_band().median)


def test_settings_far_beyond_any_box_stay_numbers(model):
    """Nothing overflows, and the error says how little such a number is worth."""
    far = {
        "beta": [1e4, 0.0, 100.0],
        "delta_b": [1.0, 1e-5, 0.01],
        "lambda_T": [1.0, 0.0, 3.0],
    }
    assert not np.isnan(model.log_resistance(FILM, 0.2, far)).any()
    one = {k: v[0] for k, v in far.items()}
    assert simulated(model, 0.2, one)[:, 0].std() > 0.5


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"gamma": 1.0}, "gamma not known"),
        ({"g0": 0.0}, "g0 must be positive"),
        ({"delta_b": np.nan}, "delta_b must be"),
        ({"beta": -1.0}, "beta must be finite"),
        ({"beta": np.ones((2, 2))}, r"numbers or \(n,\)"),
    ],
)
def test_bad_arguments_are_refused(model, parameters, message):
    with pytest.raises(ValueError, match=message):
        model.log_resistance(FILM, 0.2, parameters)


@pytest.mark.parametrize(("phi", "factor"), [(-0.2, 1.0), (np.nan, 1.0), (0.2, 0.0)])
def test_bad_loadings_are_refused(model, phi, factor):
    with pytest.raises(ValueError, match="must be positive and finite"):
        model.log_resistance(FILM, phi, {}, factor)


def test_a_loading_that_resamples_leave_open_takes_no_error_from_the_others():
    rng = np.random.default_rng(3)
    shifts = 0.1 * rng.standard_normal((200, 3, 1)) * np.ones((1, 1, 4))
    lengths = np.zeros_like(shifts)
    own = np.sqrt((box_errors(shifts, lengths, 0)[0][:, 1:, 0] ** 2).sum(axis=0))
    assert own == pytest.approx([0.1, 0.1], rel=0.15)
    for opened in (slice(0, 30), slice(None)):
        near = shifts.copy()
        near[opened, 0] = np.inf
        errors = np.sqrt((box_errors(near, lengths, 0)[0][:, :, 0] ** 2).sum(axis=0))
        assert errors[1:] == pytest.approx(own, rel=0.02)
        assert 0.1 < errors[0] <= 1.1
