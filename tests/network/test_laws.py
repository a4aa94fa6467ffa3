import dataclasses

import numpy as np
import pytest
from scipy.constants import elementary_charge, physical_constants
from scipy.constants import k as boltzmann
from scipy.special import ndtr
from states.hand_links import equal_contacts, isotropic_contacts, random_links

from percsim.network.laws import ContactOpeningLaw, TunnellingLaw, contact_draws
from percsim.particles.bodies import SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State, openings
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

NEVER = 1e30  # a breaking opening that is never reached
LAW = ContactOpeningLaw(
    g0=8e-5,
    beta=120.0,
    delta_b=NEVER,
    Ea=1.6e-21,
    electrode_conductance=2e-4,
    opening_length=10e-6,
    seed=581327,
)
EV = elementary_charge
MILLI = 1e-3


def stretched(strain):
    """A stretch of the current direction alone, at 20 C."""
    return State(gradient=((1.0 + strain, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)))


# --- the contact-opening law


def test_contacts_in_the_reference_state_have_g0():
    links = random_links(62095, n=8)
    assert (LAW.conductances(links, State()) == LAW.g0).all()
    assert LAW.electrode_conductance_at(State()) == LAW.electrode_conductance


@pytest.mark.parametrize("strain", [1e-4, 3e-3, 0.05])
def test_opening_contacts_decay_exponentially(strain):
    # spheres of diameter D with centres d apart open by e d: g = g0 exp(-beta e d/D)
    links = equal_contacts(n=4, distance=8e-6, radius=5e-6)
    expected = LAW.g0 * np.exp(-LAW.beta * strain * 8e-6 / 10e-6)
    assert np.allclose(LAW.conductances(links, stretched(strain)), expected, rtol=1e-12)


def test_opening_is_counted_in_the_length_stated():
    links = random_links(700211, n=10)
    law = dataclasses.replace(LAW, opening_length=7e-6)
    relative = openings(links, stretched(0.01)) / 7e-6
    expected = LAW.g0 * np.exp(-LAW.beta * np.where(relative > 0.0, relative, 0.0))
    assert np.allclose(law.conductances(links, stretched(0.01)), expected, rtol=1e-12)
    assert (relative < 0.0).any()
    assert (relative > 0.0).any()


def test_left_out_the_length_is_the_median_of_the_coarsest_kind():
    # three rods of median 6 um between their caps, five spheres of median 2 um
    p = Particles(
        np.array([1, 1, 1, 2, 2, 2, 2, 2], np.int8), np.zeros((8, 3)),
        np.tile([0.0, 0.0, 1.0], (8, 1)),
        np.array([1.0, 3.0, 9.0, 0, 0, 0, 0, 0]) * 1e-6,
        np.array([0.5, 0.5, 0.5, 0.2, 0.5, 1.0, 4.0, 5.0]) * 1e-6,
        Box((1e-4,) * 3, (False,) * 3),
    )  # fmt: skip
    law = dataclasses.replace(LAW, opening_length=None)
    assert law.length_in(p) == pytest.approx(6e-6)
    assert LAW.length_in(p) == 10e-6
    links = random_links(700211, n=10)
    same = dataclasses.replace(LAW, opening_length=law.length_in(links.particles))
    np.testing.assert_array_equal(
        law.conductances(links, stretched(0.01)), same.conductances(links, stretched(0.01))
    )


def test_specks_beside_a_contact_leave_it_as_it_is():
    # a contact knows its own gap alone: bodies that touch nothing change no conductance
    links = random_links(700211, n=10)
    p, specks = links.particles, 500
    more = Particles(
        np.append(p.kinds, np.full(specks, SPHERE)),
        np.vstack([p.centers, np.full((specks, 3), 2e-5)]),
        np.vstack([p.axes, np.tile([0.0, 0.0, 1.0], (specks, 1))]),
        np.append(p.core_sizes, np.zeros(specks)),
        np.append(p.ball_radii, np.full(specks, 1e-8)),
        p.box,
    )
    law, state = dataclasses.replace(LAW, delta_b=0.01), stretched(0.01)
    among = law.conductances(dataclasses.replace(links, particles=more), state)
    np.testing.assert_array_equal(among, law.conductances(links, state))
    assert 0 < (among == 0.0).sum() < len(links)


def test_closing_contacts_gain_nothing():
    links = equal_contacts(n=4)
    law = dataclasses.replace(LAW, delta_b=1e-4)
    assert (law.conductances(links, stretched(-0.01)) == LAW.g0).all()


def test_beta_zero_leaves_only_breaking():
    law = dataclasses.replace(LAW, beta=0.0, delta_b=5e-3)
    g = law.conductances(equal_contacts(n=40), stretched(0.01))
    assert set(g) == {0.0, LAW.g0}


@pytest.mark.parametrize("ratio", [0.05, 0.5, 1.0, 3.0, 20.0])
def test_broken_share_is_the_log_normal_one(ratio):
    # P(delta > delta_b X) with ln X ~ N(0, 1) is Phi(ln(delta/delta_b));
    # binomial band of 4 standard errors (1 in 16,000 a case)
    links = equal_contacts(n=150, distance=10e-6, radius=5e-6)
    strain = 2e-3
    law = dataclasses.replace(LAW, delta_b=strain / ratio)
    g = law.conductances(links, stretched(strain))
    p, n = ndtr(np.log(ratio)), len(g)
    assert abs((g == 0.0).mean() - p) < 4.0 * np.sqrt(p * (1.0 - p) / n)
    assert np.allclose(g[g > 0.0], LAW.g0 * np.exp(-LAW.beta * strain), rtol=1e-12)


def test_each_contact_breaks_once_and_heals():
    # more opening never mends a contact, and the broken ones stay the same contacts
    links = equal_contacts(n=50)
    law = dataclasses.replace(LAW, delta_b=5e-3)
    before = np.zeros(len(links), dtype=bool)
    for strain in (1e-3, 2e-3, 5e-3, 2e-2):
        broken = law.conductances(links, stretched(strain)) == 0.0
        assert (broken | ~before).all()
        assert broken.sum() > before.sum()
        before = broken
    assert (law.conductances(links, State()) == LAW.g0).all()


def test_breaking_follows_the_contacts_own_draw():
    links = equal_contacts(n=30)
    law = dataclasses.replace(LAW, delta_b=4e-3, seed=90233)
    broken = law.conductances(links, stretched(5e-3)) == 0.0
    assert (broken == (5e-3 > 4e-3 * np.exp(contact_draws(links.pairs, 90233)))).all()


# --- activation


def test_activation_by_hand():
    # exp(-Ea/k (1/T - 1/293.15)), with k in eV/K
    law = dataclasses.replace(LAW, Ea=10 * MILLI * EV)
    assert law.activation(ROOM_TEMPERATURE) == 1.0
    k_eV = physical_constants["Boltzmann constant in eV/K"][0]
    for T in (333.15, 273.15, 243.15):
        expected = np.exp(-0.010 / k_eV * (1 / T - 1 / 293.15))
        assert law.activation(T) == pytest.approx(expected, rel=1e-10)
    assert law.activation(273.15) < 1.0 < law.activation(333.15)
    assert dataclasses.replace(LAW, Ea=0.0).activation(250.0) == 1.0


def test_activation_multiplies_contacts_and_electrodes_alike():
    links = random_links(62095, n=8)
    cold = State(temperature=263.15)
    factor = np.exp(-LAW.Ea / boltzmann * (1 / 263.15 - 1 / 293.15))
    assert np.allclose(LAW.conductances(links, cold), LAW.g0 * factor, rtol=1e-12)
    assert LAW.electrode_conductance_at(cold) == pytest.approx(2e-4 * factor, rel=1e-12)


# --- the reference state


def changes(closed_at, temperature):
    """Change of ln g at -1000 and +1000 microstrain of touching spheres in all directions.

    Each contact with the power it takes in a uniform field, proportional to the squared
    cosine of its angle to the current; the mean and its standard error.
    """
    links = isotropic_contacts(311902, n=20_000, kind=SPHERE)
    thermal = ThermalOpening(expansion=3e-4, closed_at=closed_at, share=0.3)
    weights = 3.0 * links.normals[:, 0] ** 2
    free = Mounting("free", poisson_ratio=0.5)
    down, zero, up = (
        np.log(LAW.conductances(links, State.at(e, temperature, free, thermal)))
        for e in (-1e-3, 0.0, 1e-3)
    )
    parts = [weights * (down - zero), weights * (up - zero)]
    return [(x.mean(), x.std() / np.sqrt(len(x))) for x in parts]


@pytest.mark.parametrize("temperature", [263.15, 273.15, 293.15])
def test_far_below_closing_compression_and_tension_mirror(temperature):
    # every contact is held open by the swelling, so ln g is smooth through zero strain:
    # mean of 3 x^2 (x^2 - (y^2 + z^2)/2) over directions is 2/5, hence -0.4 beta e; band 4
    (down, error), (up, _) = changes(closed_at=233.15, temperature=temperature)
    swell = 1.0 + 0.3 * 3e-4 * (temperature - 233.15)
    assert abs(up + 0.4 * LAW.beta * 1e-3 * swell) < 4.0 * error
    assert down > 0.0
    assert abs(up + down) < 0.01 * down


def test_at_closing_temperature_compression_gains_nothing():
    # nothing is closer than contact: either sign opens some and closes none, a V
    (down, error), (up, _) = changes(closed_at=293.15, temperature=293.15)
    assert down < -10 * error
    assert up < -10 * error
    links = isotropic_contacts(311902, kind=SPHERE)
    g = LAW.conductances(links, State.at(-1e-3, 293.15, Mounting("free")))
    along = links.normals[:, 0] ** 2 > 0.5
    assert (g[along] == LAW.g0).all()  # those along the current are shut: dead
    assert (g[~along] < LAW.g0).any()
    assert (g <= LAW.g0).all()


def test_contacts_along_the_current_gain_in_compression_when_held_open():
    links = equal_contacts(n=3)
    thermal = ThermalOpening(expansion=3e-4, closed_at=233.15, share=0.3)
    g = [
        LAW.conductances(links, State.at(e, 293.15, Mounting("bonded"), thermal))[0]
        for e in (-1e-3, 0.0, 1e-3)
    ]
    swell = 0.3 * 3e-4 * 60
    # (1 + swell)(1 + e) - 1 is the relative opening of touching spheres
    for value, e in zip(g, (-1e-3, 0.0, 1e-3), strict=True):
        opening = (1 + swell) * (1 + e) - 1
        assert value == pytest.approx(LAW.g0 * np.exp(-LAW.beta * opening), rel=1e-10)
    assert g[0] > g[1] > g[2]


# --- draws


def test_draws_depend_on_pair_and_seed_alone():
    pairs = np.column_stack(np.triu_indices(60, 1))
    draws = contact_draws(pairs, 4410)
    shuffled = np.random.default_rng(85).permutation(len(pairs))
    assert (contact_draws(pairs[shuffled], 4410) == draws[shuffled]).all()
    assert (contact_draws(pairs[7:8], 4410) == draws[7:8]).all()
    assert (contact_draws(pairs.astype(np.int32), 4410) == draws).all()
    assert (contact_draws(pairs, 4411) != draws).all()
    assert len(np.unique(draws)) == len(draws)
    assert contact_draws(pairs[:0], 4410).shape == (0,)
    for seed in (0, -1, 2**64 - 1, 2**70):
        assert np.isfinite(contact_draws(pairs, seed)).all()


@pytest.mark.parametrize("seed", [0, 271903])
def test_draws_are_standard_normal(seed):
    # Kolmogorov-Smirnov distance: 1.95/sqrt(n) is passed once in a thousand (asymptotic
    # table value, Smirnov, Ann. Math. Stat. 19, 279 (1948)); seeds are fixed
    draws = np.sort(contact_draws(np.column_stack(np.triu_indices(200, 1)), seed))
    n = len(draws)
    steps = np.arange(n + 1) / n
    distance = max((steps[1:] - ndtr(draws)).max(), (ndtr(draws) - steps[:-1]).max())
    assert distance < 1.95 / np.sqrt(n)


def test_neighbouring_draws_are_uncorrelated():
    # mean product of n independent standard normal pairs: standard error 1/sqrt(n), band 4
    i, j = (a.ravel() for a in np.mgrid[0:150, 200:350])
    base = contact_draws(np.column_stack([i, j]), 660142)
    others = [
        contact_draws(np.column_stack([i, j + 200]), 660142),
        contact_draws(np.column_stack([i + 400, j + 400]), 660142),
        contact_draws(np.column_stack([j, i]), 660142),
        contact_draws(np.column_stack([i, j]), 660143),
        contact_draws(np.column_stack([i, j]), 660142 + 2**32),
    ]
    for other in others:
        assert abs((base * other).mean()) < 4.0 / np.sqrt(base.size)
    grid = base.reshape(150, 150)
    for product in (grid[1:] * grid[:-1], grid[:, 1:] * grid[:, :-1]):
        assert abs(product.mean()) < 4.0 / np.sqrt(product.size)


# --- tunnelling


# Low-voltage limit of the rectangular barrier in its common form, R = h^2 d/(A e^2 p)
# exp(4 pi d p/h) with p = sqrt(2 m lambda), Simmons, J. Appl. Phys. 34, 1793 (1963), worked
# in high precision with h and e exact and m = 9.1093837139e-31 kg (CODATA 2022).
WORKED = [
    (0.5, 0.5, 1.0, 838008.041597),
    (1.0, 0.5, 100.0, 627429.287766),
    (1.0, 1.0, 100.0, 8920785.32466),
    (1.4, 1.0, 25.0, 3009966896.58),
    (2.0, 3.5, 2500.0, 6.04829463761e17),
]


@pytest.mark.parametrize(("gap_nm", "barrier_eV", "area_nm2", "ohm"), WORKED)
def test_tunnelling_against_worked_values(gap_nm, barrier_eV, area_nm2, ohm):
    law = TunnellingLaw(barrier_eV * EV, area_nm2 * 1e-18, electrode_conductance=1.0)
    g = law.conductances(equal_contacts(n=2, gap=gap_nm * 1e-9), State())
    # 1e-7: the electron mass moved by 1.6e-9 between CODATA editions, times up to 40 here
    assert np.allclose(1.0 / g, ohm, rtol=1e-7)


def test_tunnelling_slope():
    # d ln R/d ln d = 1 + 2 kappa d = 11.246334 at 1 nm and 1 eV
    law = TunnellingLaw(EV, 1e-16, electrode_conductance=1.0)
    step = 1e-6
    low, high = (
        law.conductances(equal_contacts(n=1, gap=1e-9 * (1 + s)), State())[0]
        for s in (-step, step)
    )
    assert np.log(low / high) / (2 * step) == pytest.approx(11.246334, abs=2e-6)


def test_tunnelling_gap_has_a_floor():
    law = TunnellingLaw(EV, 1e-16, electrode_conductance=3e-4)
    touching, overlapping, floor, wider = (
        law.conductances(equal_contacts(n=1, gap=gap), State())[0]
        for gap in (0.0, -1e-6, 0.3e-9, 0.31e-9)
    )
    assert touching == overlapping == floor > wider > 0.0
    assert law.electrode_conductance_at(State(temperature=250.0)) == 3e-4


# --- arguments


@pytest.mark.parametrize(
    ("law", "values"),
    [
        (LAW, {"g0": 0.0}), (LAW, {"g0": -1.0}), (LAW, {"g0": np.inf}),
        (LAW, {"g0": np.nan}),
        (LAW, {"beta": -1e-9}), (LAW, {"beta": np.nan}), (LAW, {"delta_b": 0.0}),
        (LAW, {"Ea": -1e-21}), (LAW, {"Ea": np.inf}), (LAW, {"electrode_conductance": 0.0}),
        (LAW, {"opening_length": 0.0}), (LAW, {"opening_length": np.inf}),
        (TunnellingLaw(EV, 1e-16, 1.0), {"barrier_height": 0.0}),
        (TunnellingLaw(EV, 1e-16, 1.0), {"area": np.nan}),
        (TunnellingLaw(EV, 1e-16, 1.0), {"shortest_gap": 0.0}),
    ],
)  # fmt: skip
def test_bad_parameters(law, values):
    (name,) = values
    with pytest.raises(ValueError, match=f"^{name} must"):
        dataclasses.replace(law, **values)
