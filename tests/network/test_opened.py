"""All states of a box at once, against the openings and laws that take them one by one."""

from dataclasses import replace

import numpy as np
import pytest

from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.opened import SLOPES, OpenedBox
from percsim.network.sensitivity import sensitivities
from percsim.network.solve import solve_network
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State, openings
from percsim.states.temperature import Bond, ThermalOpening

MOUNTING = Mounting("bonded", 0.495, 0.33)
THERMAL = ThermalOpening(expansion=3e-4, closed_at=233.15, share=0.3)
BONDED = replace(THERMAL, bond=Bond(2.3e-5, 293.15, 0.495))
LAW = ContactOpeningLaw(8e-5, 100.0, 0.01, 1.6e-21, 6e-5, 10e-6, seed=77)
EDGE = 60e-6


def box_of(kinds, n=1500, seed=3, dimension=3):
    """Bodies of about 10 um at random, penetrable."""
    rng = np.random.default_rng(seed)
    kinds = np.asarray(kinds, dtype=np.int8)[rng.integers(0, len(kinds), n)]
    axes = rng.normal(size=(n, dimension))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    core = np.where(kinds == SPHERE, 0.0, 4.5e-6 * rng.lognormal(0.0, 0.3, n))
    ball = np.where(kinds == SPHERE, 4e-6, 0.35e-6)
    periodic = (False, True, True)[:dimension]
    box = Box((EDGE,) * dimension, periodic)
    particles = Particles(kinds, rng.random((n, dimension)) * EDGE, axes, core, ball, box)
    return find_links(particles, 0.0)


@pytest.fixture(scope="module", params=[THERMAL, BONDED], ids=["free", "bonded"])
def flakes(request):
    links = box_of([FLAKE])
    return links, OpenedBox.of(links, LAW, MOUNTING, request.param)


@pytest.mark.parametrize("strain", [-2e-3, 0.0, 3e-3, 0.05])
@pytest.mark.parametrize("mode", ["free", "bonded", "biaxial"])
def test_openings_are_those_of_the_state(strain, mode):
    """Against `states.strain.openings`, which rotates every body by its own matrix."""
    links = box_of([FLAKE, ROD, SPHERE], n=700)
    mounting = Mounting(mode, 0.495, 0.33)
    for temperature, thermal in (
        (233.15, THERMAL), (260.0, THERMAL), (330.0, THERMAL),
        (260.0, BONDED), (293.15, BONDED), (330.0, BONDED),
    ):  # fmt: skip
        box = OpenedBox.of(links, LAW, mounting, thermal)
        state = State.at(strain, temperature, mounting, thermal)
        slow = openings(links, state) / LAW.opening_length
        np.testing.assert_allclose(
            box.relative_openings(strain, temperature),
            slow,
            atol=2e-15 + 1e-11 * abs(strain),
        )


def test_openings_of_a_flat_box_are_those_of_the_state():
    links = box_of([ROD, SPHERE], n=150, dimension=2)
    box = OpenedBox.of(links, LAW, MOUNTING, THERMAL)
    state = State.at(3e-3, 300.0, MOUNTING, THERMAL, dimension=2)
    slow = openings(links, state) / LAW.opening_length
    np.testing.assert_allclose(box.relative_openings(3e-3, 300.0), slow, atol=1e-13)
    assert np.abs(slow).max() > 1e-3


@pytest.mark.parametrize(("strain", "temperature"), [(0.0, 293.15), (3e-3, 320.0)])
def test_the_network_is_that_of_the_law(flakes, strain, temperature):
    links, box = flakes
    slow = build_network(links, LAW, State.at(strain, temperature, MOUNTING, box.thermal))
    fast = box.network(LAW, strain, temperature)
    np.testing.assert_array_equal(fast.network.resistors, slow.resistors)
    np.testing.assert_allclose(fast.network.conductances, slow.conductances, rtol=1e-10)
    held = len(slow.resistors) - len(links.source_contacts) - len(links.sink_contacts)
    assert fast.lost_share == pytest.approx(1.0 - held / len(links))
    assert 0.01 < fast.lost_share < 0.6


def test_another_share_is_another_thermal_opening(flakes):
    links, box = flakes
    other = replace(box.thermal, share=0.8)
    slow = build_network(links, LAW, State.at(1e-3, 310.0, MOUNTING, other))
    fast = box.network(LAW, 1e-3, 310.0, share=0.8)
    np.testing.assert_allclose(fast.network.conductances, slow.conductances, rtol=1e-10)


@pytest.mark.parametrize(("strain", "temperature"), [(0.0, 293.15), (2e-3, 315.0)])
def test_slopes_are_those_of_the_general_law(flakes, strain, temperature):
    """Against differences of the law over its parameters (`sensitivities`)."""
    links, box = flakes
    law = replace(LAW, delta_b=1e6)
    opened = box.network(law, strain, temperature)
    solution = solve_network(opened.network)
    fast = box.slopes(law, strain, temperature, opened, solution)
    slow = sensitivities(links, law, strain, temperature, MOUNTING, box.thermal, solution)
    assert set(fast) == set(SLOPES)
    assert fast["g0"] == pytest.approx(-slow.relative["g0"], rel=1e-6)
    assert fast["electrode"] == pytest.approx(
        -slow.relative["electrode_conductance"], rel=1e-6
    )
    assert fast["beta"] == pytest.approx(-slow.relative["beta"], rel=1e-6)
    assert fast["lambda_T"] == pytest.approx(-slow.parameters["lambda_T"], rel=1e-6)
    assert fast["Ea"] == pytest.approx(-slow.parameters["Ea"], rel=1e-6)
    assert fast["strain"] == pytest.approx(-slow.strain, rel=1e-3)
    assert fast["temperature"] == pytest.approx(-slow.temperature, rel=1e-6)


def test_slopes_are_those_of_solves_nearby(flakes):
    """Central differences of full solves; no contact breaks."""
    _, box = flakes
    law = replace(LAW, delta_b=1e6)
    e, t = 2e-3, 315.0

    def log_g(law=law, e=e, t=t, share=None):
        return -np.log(solve_network(box.network(law, e, t, share).network).resistance)

    opened = box.network(law, e, t)
    slopes = box.slopes(law, e, t, opened, solve_network(opened.network))
    h = 1e-4
    for name, up, down, step in (
        ("g0", replace(law, g0=law.g0 * (1 + h)), replace(law, g0=law.g0 * (1 - h)), 2 * h),
        (
            "beta",
            replace(law, beta=law.beta * (1 + h)),
            replace(law, beta=law.beta * (1 - h)),
            2 * h,
        ),
        ("Ea", replace(law, Ea=1.1 * law.Ea), replace(law, Ea=0.9 * law.Ea), 0.2 * law.Ea),
    ):
        found = (log_g(up) - log_g(down)) / step
        assert slopes[name] == pytest.approx(found, rel=1e-4), name
    share = (log_g(share=0.3003) - log_g(share=0.2997)) / 6e-4
    assert slopes["lambda_T"] == pytest.approx(share, rel=1e-4)
    warmer = (log_g(t=t + 0.05) - log_g(t=t - 0.05)) / 0.1
    assert slopes["temperature"] == pytest.approx(warmer, rel=1e-4)
    longer = (log_g(e=e + 1e-5) - log_g(e=e)) / 1e-5
    assert slopes["strain"] == pytest.approx(longer, rel=5e-3)


def test_an_open_box_has_no_slopes():
    links = box_of([FLAKE], n=30)
    box = OpenedBox.of(links, LAW, MOUNTING, THERMAL)
    opened = box.network(LAW, 0.0, 293.15)
    solution = solve_network(opened.network)
    assert solution.is_open
    slopes = box.slopes(LAW, 0.0, 293.15, opened, solution)
    assert slopes == dict.fromkeys(SLOPES, 0.0)
