"""What a cycled film tells: against integrals by hand, and truths behind made-up paths."""

import numpy as np
import pytest

from percsim.decision.cycled import (
    _recloses,
    by_cycle,
    log_likelihood,
    visit_weights,
)
from percsim.decision.knowledge import day_one
from percsim.decision.priors import Prior, Priors
from percsim.film.noise import UNDER_STRAIN
from percsim.film.protocol import Protocol, cycles

SEED = np.random.SeedSequence(90217, spawn_key=(0, 7))
PATH = cycles(1.5e-3, 2, 1e-4, hold=1800.0, rest=600.0)
PRIORS = Priors((Prior("beta", 100.0, 3.0), Prior("reclose", 0.6, bounds=(0.1, 1.0)),
                 Prior("healed", 0.6, bounds=(0.1, 1.0))))  # fmt: skip
WEIGHTS = visit_weights(PATH)


def path_of(known):
    """A made-up law: a slope by beta, and what stays after the first top by reclose."""
    e = PATH.strains
    top = PATH.pulls[0].top
    late = np.arange(len(e)) > top
    slope = 0.16 * known.values["beta"][:, None]
    stays = 0.05 * (1.0 - known.values["reclose"][:, None])
    return 7.0 + slope * e + stays * late


def truth(beta, reclose, noise=0.0, rng=None):
    class One:
        values = {"beta": np.array([beta]), "reclose": np.array([reclose])}  # noqa: RUF012

    logs = path_of(One)[0]
    return logs if rng is None else logs + rng.normal(0.0, noise, len(logs))


def test_a_branch_weighs_one_reading_and_a_decade_of_a_hold_half():
    path = cycles(1.5e-3, 2, 1e-4)
    assert visit_weights(path)[1:].sum() == pytest.approx(4.0)
    finer = cycles(1.5e-3, 2, 1e-4, branch=40)
    assert visit_weights(finer)[1:].sum() == pytest.approx(4.0)
    held = Protocol.at_rest().ramp(1e-3, 1e-4, 1e-4).stay(1000.0).ramp(0.0, 1e-4, 1e-4)
    assert visit_weights(held).sum() == pytest.approx(2.0 + 1.5)
    warm = Protocol.at_rest().warm(313.15)
    assert visit_weights(warm).sum() == pytest.approx(1.0)


def test_the_likelihood_by_hand():
    """Two draws, no scatter of the response: a power of the squares, the level free."""
    measured = truth(100.0, 0.6)
    logs = np.stack([measured + 3.0, measured + 0.01 * np.arange(len(measured))])
    w = WEIGHTS[1:]
    left = -0.01 * np.arange(1, len(measured))
    centre = (w @ left) / (w.sum() + 1.0)
    squares = w @ left**2 - (w.sum() + 1.0) * centre**2
    floor = w.sum() * 2e-3**2
    expected = -0.5 * (w.sum() - 1.0) * np.log([floor, squares + floor])
    found = log_likelihood(logs, measured, WEIGHTS, 0.0, 2e-3)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


def test_a_response_that_scatters_forgives_a_common_factor():
    measured = truth(100.0, 0.6)
    logs = np.stack([measured, 7.0 + 1.05 * (measured - 7.0)])
    strict = log_likelihood(logs, measured, WEIGHTS, 1e-6, 2e-3)
    lenient = log_likelihood(logs, measured, WEIGHTS, 0.05, 2e-3)
    assert strict[0] - strict[1] > 3.0 * (lenient[0] - lenient[1])


def test_open_films_count_as_far_off_and_never_as_nan():
    measured = truth(100.0, 0.6)
    lost = measured.copy()
    lost[20:] = np.inf
    logs = np.stack([measured, lost, np.full(len(measured), np.inf)])
    found = log_likelihood(logs, measured, WEIGHTS, 0.05, 2e-3)
    assert found[0] > found[1] > -np.inf
    assert found[2] == -np.inf
    both = log_likelihood(logs[:2], lost, WEIGHTS, 0.05, 2e-3)
    assert both[1] > both[0]


def test_what_the_path_shows_is_found_and_what_it_does_not_stays():
    rng = np.random.default_rng(4801)
    known = day_one(PRIORS, SEED, 512)
    measured = truth(140.0, 0.8, 5e-4, rng)
    told = by_cycle(known, path_of, measured, PATH, 1e-6, SEED, n=512, warm=256, last=1024)
    beta, reclose = (told.knowledge.values[name] for name in ("beta", "reclose"))
    assert np.median(beta) == pytest.approx(140.0, rel=0.05)
    assert np.median(reclose) == pytest.approx(0.8, abs=0.05)
    assert told.narrowing["beta"] < 0.25
    assert told.narrowing["reclose"] < 0.6
    assert told.narrowing["healed"] == pytest.approx(1.0, abs=0.15)  # moves nothing
    assert told.effective_size > 50
    # the error learnt is that of the readings
    assert 2e-4 < told.noise.median < 4e-3
    inside = (told.band[1] <= measured - measured[0] + 2e-3) & (
        measured - measured[0] - 2e-3 <= told.band[2]
    )
    assert inside.mean() > 0.9
    # a film that came half-way back
    assert 0.0 < told.recloses < 1.0


def test_a_film_that_opens_and_shuts_again_recloses():
    logs = truth(100.0, 0.6)
    pull = max(PATH.pulls, key=lambda p: (abs(PATH.strains[p.top]), -p.start))
    share = _recloses(logs, PATH)
    assert 0.0 < share < 1.0
    opened, lost = logs.copy(), logs.copy()
    opened[pull.top] = np.inf
    assert _recloses(opened, PATH) == 1.0
    lost[pull.top :] = np.inf
    assert _recloses(lost, PATH) == 0.0


def test_a_path_that_boxes_foretell_badly_tells_less():
    """The simulation error of a path counts draw by draw, not as one for all of them."""
    known = day_one(PRIORS, SEED, 512)

    def uncertain(known):
        logs = path_of(known)
        error = np.where(known.values["healed"] > PRIORS["healed"].median, 0.5, 0.0)
        factor = np.exp(error * known.noise[:, UNDER_STRAIN])
        return logs[:, :1] + factor[:, None] * (logs - logs[:, :1])

    told = by_cycle(known, uncertain, truth(100.0, 0.6), PATH, 1e-6, SEED, n=1024)
    z = told.knowledge.z
    beta = np.log(told.knowledge.values["beta"])
    badly, well = beta[z[:, 2] > 0.0], beta[z[:, 2] < 0.0]
    assert badly.std() == pytest.approx(0.5 * 0.56 / np.hypot(0.5, 0.56), rel=0.2)
    assert badly.std() > 2.0 * well.std()
    # what is handed on goes together with its own error
    at = z[:, 2] > 0.0
    assert np.corrcoef(beta[at], told.knowledge.noise[at, UNDER_STRAIN])[0, 1] < -0.9


def test_more_scatter_tells_less():
    known = day_one(PRIORS, SEED, 512)
    widths = []
    for noise in (1e-3, 2e-2):
        rng = np.random.default_rng(77)
        measured = truth(100.0, 0.5, noise, rng)
        told = by_cycle(known, path_of, measured, PATH, 0.02, SEED, n=512, warm=256,
                        last=512)  # fmt: skip
        widths.append(told.narrowing["reclose"])
    assert widths[1] > 2.0 * widths[0]


def test_the_same_seed_tells_the_same():
    known = day_one(PRIORS, SEED, 256)
    measured = truth(100.0, 0.5)
    both = [
        by_cycle(known, path_of, measured, PATH, 0.02, SEED, n=128, warm=128, last=256)
        for _ in range(2)
    ]
    np.testing.assert_array_equal(both[0].knowledge.z, both[1].knowledge.z)


def test_films_read_before_are_not_forgotten():
    """Draws that rows of films narrowed stay narrow where the path tells nothing."""
    known = day_one(PRIORS, SEED, 512)
    z = known.z.copy()
    z[:, 2] = 0.7 + 0.2 * z[:, 2]
    from dataclasses import replace

    before = replace(known, basis="measured", z=z, values=PRIORS.values(z))
    measured = truth(100.0, 0.5)
    told = by_cycle(before, path_of, measured, PATH, 0.02, SEED, n=512, warm=256, last=512)
    assert told.before["healed"] == pytest.approx(0.2, rel=0.1)
    assert told.narrowing["healed"] == pytest.approx(0.2, rel=0.2)
    assert told.knowledge.z[:, 2].mean() == pytest.approx(0.7, abs=0.05)
