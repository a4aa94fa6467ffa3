"""How films move with the law's parameters: full simulations afresh, and a known answer."""

from dataclasses import replace

import numpy as np
import pytest
from reference.invented_films import simulated
from scipy.constants import Boltzmann, elementary_charge

from percsim.boxes.simulate import simulate_box
from percsim.boxes.store import Record
from percsim.film.electrodes import Film
from percsim.film.model import FilmModel
from percsim.film.noise import NOISES
from percsim.film.transfer import LoadingThreshold, fit_loadings
from percsim.findings.gather import gather_loadings, gather_surface
from percsim.jobs import box_jobs, law_settings
from percsim.plan import Plan

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
def model(solved, fits):
    return FilmModel.of(
        fits,
        THRESHOLD,
        surface=gather_surface(*solved, fits, THRESHOLD),
        level=("g0", 8e-5),
    )


def simulated_afresh(weight="34 wt%", **contacts):
    """Ln R of the film at every state, all boxes of one loading at other parameters."""
    plan = plan_with([weight], **contacts)
    jobs = [replace(job, variations=()) for job in box_jobs(plan)]
    (loading,) = gather_loadings(plan, jobs, records_of(jobs))
    (fit,) = fit_loadings([loading], THRESHOLD, seed=SEED)
    return np.log(FILM.resistance(fit.resistivity, fit.electrode_excess))


def error_of(model, phi, values=None):
    """Simulation error of ln R at rest less that as planned, and of its change."""
    rest = model.visits.rest
    logs, planned = (simulated(model, phi, v, n=1000) for v in (values, None))
    of_change = (logs - logs[:, [rest]]).std(axis=0)
    return (logs - planned)[:, rest].std(), of_change


def test_as_planned_it_is_the_fitted_film(model, fits):
    phi = [fit.loading.volume_fraction for fit in fits]
    expected = [np.log(FILM.resistance(f.resistivity, f.electrode_excess)) for f in fits]
    found = model.log_resistance(FILM, phi, {})
    np.testing.assert_allclose(found, expected, rtol=1e-9)
    np.testing.assert_array_equal(model.volume_fractions, phi)
    ref = fits[0].loading.reference_state
    for fit in fits:
        # the error of the boxes, widened for their number (Student's t of 5 degrees)
        error = simulated(model, fit.loading.volume_fraction)[:, ref].std()
        relative = fit.resistivity_se[ref] / fit.resistivity[ref]
        assert 0.8 < error / relative < 2.2


SETTINGS = (
    {"beta": 55.0, "delta_b": 0.01, "lambda_T": 0.3},
    {"beta": 190.0, "delta_b": 0.018, "lambda_T": 0.3},
    {"beta": 100.0, "delta_b": 0.006, "lambda_T": 0.25},
    {"beta": 130.0, "delta_b": 0.02, "lambda_T": 0.6},
    {"beta": 70.0, "delta_b": 0.013, "lambda_T": 0.15},
)


@pytest.mark.parametrize("setting", SETTINGS)
def test_films_simulated_afresh_come_out_as_predicted(model, fits, setting):
    """All boxes of all lengths again at other parameters, none of them a stored setting.

    R at rest, the gauge factor and R(T), within three of the errors that are claimed (of
    the difference from the film as planned, which has the same boxes) and 3 %.
    """
    loading = fits[1].loading
    ref, phi = loading.reference_state, loading.volume_fraction
    top = int(np.argmax(loading.strains * np.isclose(loading.temperatures, 293.15)))
    afresh = simulated_afresh(**setting)
    found = model.log_resistance(FILM, phi, setting)[0]
    added, of_change = error_of(model, phi, setting)
    assert abs(found[ref] - afresh[ref]) < 3.0 * added + 0.03
    strained = found[top] - found[ref], afresh[top] - afresh[ref]
    assert abs(strained[0] - strained[1]) < 3.0 * of_change[top] + 1e-3
    for s, (e, t) in enumerate(zip(loading.strains, loading.temperatures, strict=True)):
        if e == 0.0 and s != ref:
            rise = found[s] - found[ref], afresh[s] - afresh[ref]
            assert abs(rise[0] - rise[1]) < 3.0 * of_change[s] + 0.02, t
    # and the claim is worth something: the change itself is larger
    planned = model.log_resistance(FILM, phi, {})[0]
    assert added < 0.12 + 0.3 * abs(found[ref] - planned[ref])


def test_contact_conductance_and_activation_act_exactly(model, fits):
    loading = fits[1].loading
    phi = loading.volume_fraction
    own = model.log_resistance(FILM, phi, {})[0]
    found = model.log_resistance(FILM, phi, {"g0": 2e-5, "Ea": 40.0 * MEV})[0]
    inverse = 1.0 / np.array(loading.temperatures) - 1.0 / 293.15
    expected = np.log(4.0) + 30.0 * MEV / Boltzmann * inverse
    np.testing.assert_allclose(found - own, expected, atol=1e-12)
    # the full simulation says the same of the film, and of every box
    level = model.log_resistance(FILM, phi, {"g0": 2e-5})[0]
    np.testing.assert_allclose(level, simulated_afresh(g0="20 uS"), atol=1e-6)
    boxes = []
    for ea in ("10 meV", "40 meV"):
        job = box_jobs(plan_with(["34 wt%"], Ea=ea))[0]
        boxes.append(np.log(simulate_box(replace(job, variations=())).conductances))
    np.testing.assert_allclose(
        boxes[0] - boxes[1], 30.0 * MEV / Boltzmann * inverse, atol=1e-6
    )


def test_stores_without_variations_and_other_laws_have_none(solved, fits):
    plan, jobs, records = solved
    plain = {
        key: Record.of(key, replace(record.result, variations=None))
        for key, record in records.items()
    }
    assert gather_surface(plan, jobs, plain, fits, THRESHOLD) is None
    given = dict(PLAN)
    given["contacts"] = {"model": "affine"}
    affine = Plan.from_dict(given)
    assert gather_surface(affine, jobs, records, fits, THRESHOLD) is None
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
    assert len(settings) == 15
    assert len(np.unique(settings, axis=0)) == len(settings)
    logs = np.log(settings / [100.0, 0.01, 0.1])
    assert np.abs(logs[:, 0]).max() <= np.log(3.0)
    assert np.abs(logs[:, 1]).max() <= np.log(4.0)
    assert settings[:, 2].min() >= 0.1
    assert settings[:, 2].max() <= 1.0


def test_a_loading_in_between_is_as_predicted_and_moves_no_other(model, fits):
    """Boxes of 36 wt% beside those of 34: the castings at 34 scatter as before."""
    plan = plan_with(["28 wt%", "34 wt%", "36 wt%", "40 wt%"])
    jobs = box_jobs(plan)
    records = records_of(jobs)
    loadings = gather_loadings(plan, jobs, records)
    more = fit_loadings(loadings, THRESHOLD, seed=SEED)
    five = FilmModel.of(
        more, THRESHOLD, surface=gather_surface(plan, jobs, records, more, THRESHOLD),
        level=("g0", 8e-5),
    )  # fmt: skip
    between = more[2].loading.volume_fraction
    error = simulated(model, between)[:, 0].std()
    apart = five.log_resistance(FILM, between, {}) - model.log_resistance(FILM, between, {})
    assert np.abs(apart[0, 0]) < 2.0 * error
    # spread of ln R over loadings that scatter by 4 %, as those of castings do
    z = np.linspace(-2.0, 2.0, 41)
    for fit in fits:
        phi = fit.loading.volume_fraction
        logs = [
            m.log_resistance(FILM, phi * np.exp(0.04 * z), {})[:, 0] for m in (model, five)
        ]
        spreads = [column.std() for column in logs]
        noise = np.random.default_rng(5).standard_normal((200, NOISES))
        given = {k: np.full(200, v) for k, v in model.parameters.items()}
        drawn = model.material(given, noise).log_resistance(
            FILM, (np.log(phi) + 0.04 * z)[None, :], [0]
        )
        assert abs(spreads[1] - spreads[0]) < 2.0 * drawn[..., 0].std(axis=1).std() + 0.003
