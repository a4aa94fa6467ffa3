"""How films move with the law's parameters: full simulations afresh, and a known answer."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.constants import Boltzmann, elementary_charge
from scipy.special import ndtr

from percsim.boxes.simulate import simulate_box
from percsim.boxes.store import Record
from percsim.film.electrodes import Film
from percsim.film.responses import (
    NEAREST,
    ContactSample,
    FilmResponses,
    LoadingSurface,
)
from percsim.film.transfer import LoadingResult, LoadingThreshold, fit_loadings
from percsim.findings.gather import gather_loadings, gather_responses
from percsim.jobs import HELD_OUT, box_jobs, law_settings
from percsim.plan import Plan
from percsim.states.temperature import Bond, ThermalOpening

FILM = Film(0.2e-3, 6e-3, 3e-3)
SEED = np.random.SeedSequence(4711)
MEV = 1e-3 * elementary_charge

PLAN = {
    "seed": 61107,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.4},
        "aspect_ratio": 15,
    },
    "elastomer": {
        "density": "1030 kg/m3",
        "mix_ratio": "7:1",
        "thermal_expansion": "310 ppm/K",
    },
    "film": {"thickness": "0.4 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "strain": {"window": "0 to 4000 microstrain", "points": 3},
    "temperature": {"values": ["-10 C", "20 C", "60 C"]},
    "explore": {
        "weight_fraction": ["28 wt%", "34 wt%", "40 wt%"],
        "electrode_gap": ["3 mm"],
    },
    "boxes": {"count": 6, "lengths": ["9 D", "13 D"], "threshold_count": 10},
    "target": {"resistance": "0.3 to 3 kohm"},
}
# of these flakes, from growth runs; the film's own is a little higher
THRESHOLD = LoadingThreshold(0.094, 0.002, -0.85)


def plan_with(weights=None, **contacts):
    given = dict(PLAN)
    given["contacts"] = PLAN["contacts"] | contacts
    if weights:
        given["explore"] = PLAN["explore"] | {"weight_fraction": weights}
    return Plan.from_dict(given)


def records_of(jobs):
    return {job.key: Record.of(job.key, simulate_box(job)) for job in jobs}


@pytest.fixture(scope="module")
def solved():
    """Plan, jobs and records of the boxes as planned, variations included."""
    plan = plan_with()
    jobs = box_jobs(plan)
    return plan, jobs, records_of(jobs)


@pytest.fixture(scope="module")
def fits(solved):
    plan, jobs, records = solved
    return fit_loadings(gather_loadings(plan, jobs, records), THRESHOLD, seed=SEED)


@pytest.fixture(scope="module")
def responses(solved, fits):
    return gather_responses(*solved, fits, THRESHOLD)


def simulated_afresh(weight="34 wt%", **contacts):
    """Ln R of the film at every state, all boxes of one loading at other parameters."""
    plan = plan_with([weight], **contacts)
    jobs = [replace(job, variations=()) for job in box_jobs(plan)]
    (loading,) = gather_loadings(plan, jobs, records_of(jobs))
    (fit,) = fit_loadings([loading], THRESHOLD, seed=SEED)
    return np.log(FILM.resistance(fit.resistivity, fit.electrode_excess))


def test_as_planned_it_is_the_fitted_film(responses, fits):
    phi = [fit.loading.volume_fraction for fit in fits]
    expected = [np.log(FILM.resistance(f.resistivity, f.electrode_excess)) for f in fits]
    found = responses.log_resistance(FILM, phi, {})
    np.testing.assert_allclose(found, expected, rtol=1e-9)
    assert responses.volume_fractions == tuple(phi)
    errors = responses.log_error(phi, {})
    ref = fits[0].loading.reference_state
    # there it is the error of the boxes as planned alone
    relative = [fit.resistivity_se[ref] / fit.resistivity[ref] for fit in fits]
    np.testing.assert_allclose(errors[:, ref], relative, rtol=0.35)
    assert (responses.log_error(phi, {}, relative=True)[:, ref] < 1e-12).all()


SETTINGS = (
    {"beta": 55.0, "delta_b": 0.01, "lambda_T": 0.3},
    {"beta": 190.0, "delta_b": 0.018, "lambda_T": 0.3},
    {"beta": 100.0, "delta_b": 0.006, "lambda_T": 0.25},
    {"beta": 130.0, "delta_b": 0.02, "lambda_T": 0.6},
    {"beta": 70.0, "delta_b": 0.013, "lambda_T": 0.15},
)


@pytest.mark.parametrize("setting", SETTINGS)
def test_films_simulated_afresh_come_out_as_predicted(responses, fits, setting):
    """All boxes of all lengths again at other parameters, none of them a stored setting.

    R at rest, the gauge factor and R(T), within three of the errors that are claimed (of
    the difference from the film as planned, which has the same boxes) and 3 %.
    """
    loading = fits[1].loading
    ref, phi = loading.reference_state, loading.volume_fraction
    top = int(np.argmax(loading.strains * np.isclose(loading.temperatures, 293.15)))
    afresh = simulated_afresh(**setting)
    found = responses.log_resistance(FILM, phi, setting)[0]
    planned = responses.log_error(phi, {})[0]
    error = responses.log_error(phi, setting)[0]
    added = np.sqrt(np.maximum(error**2 - planned**2, 0.0))
    assert abs(found[ref] - afresh[ref]) < 3.0 * added[ref] + 0.03
    of_ratio = responses.log_error(phi, setting, relative=True)[0]
    strained = found[top] - found[ref], afresh[top] - afresh[ref]
    assert abs(strained[0] - strained[1]) < 3.0 * of_ratio[top] + 1e-3
    for s, (e, t) in enumerate(zip(loading.strains, loading.temperatures, strict=True)):
        if e == 0.0 and s != ref:
            rise = found[s] - found[ref], afresh[s] - afresh[ref]
            assert abs(rise[0] - rise[1]) < 3.0 * of_ratio[s] + 0.02, t
    # and the claim is worth something: the change itself is larger
    change = abs(found[ref] - np.log(FILM.resistance(
        fits[1].resistivity[ref], fits[1].electrode_excess[ref])))  # fmt: skip
    assert added[ref] < 0.12 + 0.3 * change


def test_contact_conductance_and_activation_act_exactly(responses, fits):
    loading = fits[1].loading
    phi = loading.volume_fraction
    own = responses.log_resistance(FILM, phi, {})[0]
    found = responses.log_resistance(FILM, phi, {"g0": 2e-5, "Ea": 40.0 * MEV})[0]
    inverse = 1.0 / np.array(loading.temperatures) - 1.0 / 293.15
    expected = np.log(4.0) + 30.0 * MEV / Boltzmann * inverse
    np.testing.assert_allclose(found - own, expected, atol=1e-12)
    # the full simulation says the same of the film, and of every box
    level = responses.log_resistance(FILM, phi, {"g0": 2e-5})[0]
    np.testing.assert_allclose(level, simulated_afresh(g0="20 uS"), atol=1e-6)
    boxes = []
    for ea in ("10 meV", "40 meV"):
        job = box_jobs(plan_with(["34 wt%"], Ea=ea))[0]
        boxes.append(np.log(simulate_box(replace(job, variations=())).conductances))
    np.testing.assert_allclose(
        boxes[0] - boxes[1], 30.0 * MEV / Boltzmann * inverse, atol=1e-6
    )


def test_slopes_are_those_of_films_simulated_nearby(responses, fits):
    loading = fits[1].loading
    ref, phi = loading.reference_state, loading.volume_fraction
    slopes = responses.gradient(FILM, phi, ref)
    up, down = simulated_afresh(beta=102.0), simulated_afresh(beta=98.0)
    assert slopes["beta"] == pytest.approx((up - down)[ref] / np.log(102 / 98), rel=0.08)
    wide = simulated_afresh(delta_b=0.0115), simulated_afresh(delta_b=0.0087)
    by_breaking = (wide[0] - wide[1])[ref] / np.log(115 / 87)
    assert slopes["delta_b"] == pytest.approx(by_breaking, rel=0.3)
    share = simulated_afresh(lambda_T=0.33), simulated_afresh(lambda_T=0.27)
    assert slopes["lambda_T"] == pytest.approx((share[0] - share[1])[ref] / 0.06, rel=0.25)
    assert slopes["g0"] == -1.0
    assert slopes["Ea"] == 0.0
    cold = int(np.argmin(loading.temperatures))
    there = responses.gradient(FILM, phi, cold)
    assert there["Ea"] == pytest.approx(
        (1.0 / loading.temperatures[cold] - 1.0 / 293.15) / Boltzmann
    )
    h = 1e-3
    logs = [
        responses.log_resistance(FILM, phi, {}, np.exp(sign * h))[0, ref]
        for sign in (1, -1)
    ]
    assert slopes["threshold"] == pytest.approx((logs[0] - logs[1]) / (2 * h), rel=0.02)
    assert 2.0 < slopes["threshold"] < 12.0


def test_threshold_factor_is_a_lower_loading(responses):
    phi = np.linspace(0.12, 0.25, 9)
    one = responses.log_resistance(FILM, phi, {"beta": 80.0}, 1.2)
    other = responses.log_resistance(FILM, phi / 1.2, {"beta": 80.0})
    np.testing.assert_allclose(one, other, rtol=1e-12)


def test_films_open_below_their_own_threshold(responses):
    """At rest the threshold stands where the contacts that hold say, and R rises to it."""
    critical = THRESHOLD.volume_fraction
    phi = critical * np.array([0.5, 0.99, 1.01, 1.05, 1.2, 1.5, 2.0, 3.0])
    ref = next(
        s
        for s, (e, t) in enumerate(
            zip(responses.strains, responses.temperatures, strict=True)
        )
        if e == 0.0 and t == 293.15
    )
    logs = responses.log_resistance(FILM, phi, {})[:, ref]
    assert np.isinf(logs[:2]).all()
    assert np.isfinite(logs[2:]).all()
    assert (np.diff(logs[2:]) < 0.0).all()
    # the published exponent below and above the loadings explored
    low = responses.log_resistance(FILM, critical * np.array([1.01, 1.02]), {})[:, ref]
    assert low[0] - low[1] == pytest.approx(2.0 * np.log(2.0), rel=0.02)
    high = responses.log_resistance(FILM, critical * np.array([4.0, 5.0]), {})[:, ref]
    assert high[0] - high[1] == pytest.approx(2.0 * np.log(4.0 / 3.0), rel=0.05)
    # weak contacts: more of them break, and the same film opens
    weak = responses.log_resistance(FILM, phi, {"delta_b": 0.002})[:, ref]
    assert np.isinf(weak).sum() > np.isinf(logs).sum()
    errors = responses.log_error(phi, {})[:, ref]
    assert errors[2] > 3.0 * errors[5]
    assert np.isfinite(errors).all()
    slopes = responses.gradient(FILM, 0.5 * critical, ref)
    assert set(slopes.values()) == {0.0}


def test_draws_come_out_as_they_do_one_by_one(responses):
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
    together = responses.log_resistance(FILM, phi, drawn, factor)
    errors = responses.log_error(phi, drawn, factor)
    assert together.shape == errors.shape == (n, len(responses.strains))
    assert not np.isnan(together).any()
    assert not np.isnan(errors).any()
    assert 0 < np.isinf(together).sum() < together.size
    for k in range(n):
        one = {name: values[k] for name, values in drawn.items()}
        np.testing.assert_allclose(
            responses.log_resistance(FILM, phi[k], one, factor[k])[0],
            together[k],
            rtol=1e-12,
        )
        np.testing.assert_allclose(
            responses.log_error(phi[k], one, factor[k])[0], errors[k], rtol=1e-9
        )


def test_several_thresholds_and_some_states_are_those_one_by_one(responses):
    phi = responses.volume_fractions[-1]
    settings = {"beta": np.array([60.0, 150.0]), "g0": np.array([4e-5, 2e-4])}
    factors = np.array([[0.8, 1.0, 1.9], [0.9, 1.1, 3.0]])
    film = Film(0.2e-3, 6e-3, 3e-3)
    together = responses.log_resistance(film, phi, settings, factors)
    for j, column in enumerate(factors.T):
        alone = responses.log_resistance(film, phi, settings, column)
        assert together[:, j] == pytest.approx(alone, rel=1e-12)
    some = [len(responses.strains) - 1, 0]
    few = responses.log_resistance(film, phi, settings, factors, states=some)
    assert few == pytest.approx(together[..., some], rel=1e-12)
    error = responses.log_error(phi, settings)
    assert responses.log_error(phi, settings, states=some) == pytest.approx(error[:, some])


def test_settings_far_beyond_any_box_stay_numbers(responses):
    """Nothing overflows, and the error says how little such a number is worth."""
    far = {
        "beta": [1e4, 0.0, 100.0],
        "delta_b": [1.0, 1e-5, 0.01],
        "lambda_T": [1.0, 0.0, 3.0],
    }
    logs = responses.log_resistance(FILM, 0.2, far)
    errors = responses.log_error(0.2, far)
    assert not np.isnan(logs).any()
    assert np.isfinite(errors).all()
    assert (errors[0] > 0.5).all()


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"gamma": 1.0}, "gamma not known"),
        ({"g0": 0.0}, "g0 must be positive"),
        ({"delta_b": np.nan}, "delta_b must be positive"),
        ({"beta": -1.0}, "beta must be finite"),
        ({"beta": np.ones((2, 2))}, r"numbers or \(n,\)"),
    ],
)
def test_bad_arguments_are_refused(responses, parameters, message):
    with pytest.raises(ValueError, match=message):
        responses.log_resistance(FILM, 0.2, parameters)
    with pytest.raises(ValueError, match="volume fraction must be positive"):
        responses.log_resistance(FILM, -0.2, {})


def test_stores_without_variations_and_other_laws_have_none(solved, fits):
    plan, jobs, records = solved
    plain = {
        key: Record.of(key, replace(record.result, variations=None))
        for key, record in records.items()
    }
    assert gather_responses(plan, jobs, plain, fits, THRESHOLD) is None
    given = dict(PLAN)
    given["contacts"] = {"model": "affine"}
    affine = Plan.from_dict(given)
    assert gather_responses(affine, jobs, records, fits, THRESHOLD) is None
    assert all(job.variations == () for job in box_jobs(affine))


def test_varied_boxes_are_the_first_of_the_longest():
    plan = plan_with()
    for wanted in (0, 2, 50):
        given = dict(PLAN)
        given["boxes"] = PLAN["boxes"] | {"variations": wanted}
        jobs = box_jobs(Plan.from_dict(given))
        varied = [job for job in jobs if job.variations]
        assert len(varied) == 3 * min(wanted, 6)
        assert {job.box.length for job in varied} <= {plan.box_lengths[-1]}
        assert {job.number for job in varied} == set(range(min(wanted, 6)))
    settings = np.array(law_settings(plan))
    assert len(settings) == 12 + HELD_OUT
    assert len(np.unique(settings, axis=0)) == len(settings)
    logs = np.log(settings / [100.0, 0.01, 0.1])
    assert np.abs(logs[:, 0]).max() <= np.log(3.0)
    assert np.abs(logs[:, 1]).max() <= np.log(4.0)
    assert settings[:, 2].min() >= 0.1
    assert settings[:, 2].max() <= 1.0


# --- a film whose answer is known


LIFTS = 0.25  # opening by thickening alone, over that by swelling


def invented(exponent=1.7, weakening=0.9, noise=0.0, seed=1, bond=None):
    """Boxes that follow R = (phi/phi_c - 1)^-t exp(k m) with their own S and m."""
    rng = np.random.default_rng(seed)
    closed_at, expansion, beta, delta_b, lambda_T = 233.15, 3e-4, 100.0, 0.01, 0.3
    opens = 0.5 * rng.random(300)
    critical = 0.09
    threshold = LoadingThreshold(critical, 0.001, 0.0)

    def contacts(setting, temperature):
        b, d, share = setting
        opening = ThermalOpening(expansion, closed_at, share, bond)
        plane, through = opening.strains(temperature)
        delta = np.maximum((plane + LIFTS * (through - plane)) * opens, 1e-12)
        holds = ndtr(np.log(d / delta))
        return holds.mean(), b * (holds * delta).sum() / holds.sum()

    planned = (beta, delta_b, lambda_T)
    held, _ = contacts(planned, 293.15)

    def log_r(phi, setting, temperature):
        share, m = contacts(setting, temperature)
        ratio = phi / critical * share / held
        return np.inf if ratio <= 1 else -exponent * np.log(ratio - 1) + weakening * m

    settings = np.array(law_settings(plan_with()))
    temperatures = (293.15, 333.15)
    loadings, surfaces = [], []
    for phi in (0.12, 0.15, 0.19):
        scatter = noise * rng.standard_normal((6, 1))
        rest = np.array([log_r(phi, planned, t) for t in temperatures])
        g = np.exp(-rest - scatter)
        lengths, sections = (1e-4, 2e-4), (1e-8, 4e-8)
        loadings.append(
            LoadingResult(
                phi + 0.1, phi, 1.0, lengths, sections, (0.5 * g, g), (0.0, 0.0),
                temperatures, 1e-5,
            )
        )  # fmt: skip
        varied = np.array([[log_r(phi, s, t) for t in temperatures] for s in settings])
        surfaces.append(
            LoadingSurface(
                (0, 1), settings, g, np.exp(-varied - scatter[:, :, None]), 0.0,
                np.zeros(2), expansion,
            )
        )  # fmt: skip
    made = FilmResponses.from_loadings(
        fit_loadings(loadings, threshold, seed=SEED),
        surfaces,
        threshold,
        base={
            "g0": 8e-5,
            "beta": beta,
            "delta_b": delta_b,
            "lambda_T": lambda_T,
            "Ea": 0.0,
        },
        closed_at=closed_at,
        sample=ContactSample(
            np.ones(300), {0.0: np.zeros(300)}, {0.0: opens}, LIFTS * opens
        ),
        held_out=HELD_OUT,
        bond=bond,
    )
    return made, log_r, threshold


@pytest.mark.parametrize("bond", [None, Bond(2e-5), Bond(2e-4, 310.0)])
def test_a_film_that_follows_the_form_is_found_as_it_is(bond):
    """Between loadings and settings too; the level is that of rho = 1 ohm m boxes."""
    made, log_r, _ = invented(bond=bond)
    level = made.log_resistance(FILM, 0.15, {})[0, 0] - log_r(
        0.15, (100.0, 0.01, 0.3), 293.15
    )
    rng = np.random.default_rng(2)
    compared = 0
    for _ in range(60):
        u = rng.uniform(-1.0, 1.0, 3)
        setting = (100 * 2.2 ** u[0], 0.01 * 2.5 ** u[1], 0.316 * 2.2 ** u[2])
        phi = rng.uniform(0.13, 0.185)
        given = dict(zip(("beta", "delta_b", "lambda_T"), setting, strict=True))
        found = made.log_resistance(FILM, phi, given)[0]
        expected = [log_r(phi, setting, t) for t in made.temperatures]
        # well clear of the threshold: m is positive, so that this is a lower bound
        if np.exp(-max(expected) / 1.7) < 4.0 * NEAREST:
            continue
        compared += 1
        np.testing.assert_allclose(found - level, expected, atol=0.03)
    assert compared > 30


def test_the_error_grows_with_what_boxes_scatter():
    setting = {"beta": 170.0, "delta_b": 0.02, "lambda_T": 0.6}
    quiet = invented()[0].log_error(0.15, setting)[0, 0]
    loud = invented(noise=0.1)[0].log_error(0.15, setting)[0, 0]
    # the level of six boxes that scatter by 0.1, at least
    assert loud**2 - quiet**2 > (0.5 * 0.1) ** 2 / 6.0


def test_no_loading_above_the_threshold_is_no_responses():
    made, _, threshold = invented()
    assert made is not None
    high = LoadingThreshold(0.3, threshold.standard_error, 0.0)
    node_fits = [node.fit for node in made._nodes]
    assert (
        FilmResponses.from_loadings(
            node_fits,
            [None] * len(node_fits),
            high,
            base=made.base,
            closed_at=made.closed_at,
            sample=ContactSample(np.ones(2), {0.0: np.zeros(2)}, {0.0: np.ones(2)}),
            held_out=HELD_OUT,
        )
        is None
    )
