import math

import numpy as np
import pytest
from reference.known_cases import crossed_rods, stacked_flakes

from percsim.links.search import Links, find_links
from percsim.network.build import build_network, build_rod_network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.solve import solve_network
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import State

LAW = ContactOpeningLaw(
    g0=2e-4,
    beta=0.0,
    delta_b=1e9,
    Ea=0.0,
    electrode_conductance=5e-4,
    opening_length=10e-6,
    seed=1,
)
RESISTIVITY = 1e-6
RADIUS = 0.5e-6


def per_metre():
    return RESISTIVITY / (math.pi * RADIUS**2)


def rods_in_a_box(rng, n, edge=40e-6):
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    return Particles(
        np.full(n, ROD, np.int8), rng.random((n, 3)) * edge, axes, np.full(n, 7e-6),
        np.full(n, RADIUS), Box((edge,) * 3, (False, True, True)),
    )  # fmt: skip


def solve(particles, resistivity=RESISTIVITY):
    links = find_links(particles, 0.0)
    return solve_network(build_rod_network(links, LAW, State(), resistivity))


def test_one_rod_from_face_to_face():
    # two electrode contacts and the axis between the caps' centres
    rod = Particles(
        np.array([ROD], np.int8), np.array([[5e-6, 5e-6, 5e-6]]), np.array([[-1.0, 0, 0]]),
        np.array([4.8e-6]), np.array([RADIUS]), Box((10e-6,) * 3, (False,) * 3),
    )  # fmt: skip
    expected = 2.0 / 5e-4 + 9.6e-6 * per_metre()
    assert solve(rod).resistance == pytest.approx(expected, rel=1e-12)


def test_what_sticks_out_of_the_electrode_carries_nothing():
    # the axis leaves the box 3.5 um before one end and 1 um before the other
    axis = np.array([[0.8, 0.6, 0.0]])
    rod = Particles(
        np.array([ROD], np.int8), np.array([[4e-6, 5e-6, 5e-6]]), axis,
        np.array([8.5e-6]), np.array([RADIUS]), Box((10e-6,) * 3, (False,) * 3),
    )  # fmt: skip
    # geometry: along the axis the faces lie 10 um / 0.8 apart
    expected = 2.0 / 5e-4 + 10e-6 / 0.8 * per_metre()
    assert solve(rod).resistance == pytest.approx(expected, rel=1e-12)


def test_two_rods_that_cross():
    # the first spans from the left face to the crossing, the second on to the right
    # face; what sticks out beyond the crossing carries nothing
    box = Box((20e-6,) * 3, (False, False, False))
    rods = Particles(
        np.array([ROD, ROD], np.int8),
        np.array([[6e-6, 10e-6, 10e-6], [14e-6, 10e-6, 10.8e-6]]),
        np.array([[1.0, 0, 0], [math.cos(0.1), math.sin(0.1), 0]]),
        np.array([6e-6, 6.2e-6]), np.array([RADIUS, RADIUS]), box,
    )  # fmt: skip
    # axes cross above each other where the second meets y = 10 um: at its centre
    on_first, on_second = 14e-6, 6.2e-6
    assert on_first > 12e-6
    # so the closest point of the first is its end at x = 12 um; foot on the second
    foot = (12e-6 - 14e-6) * math.cos(0.1)
    length = 12e-6 + (on_second - foot)
    expected = 2.0 / 5e-4 + 1.0 / 2e-4 + length * per_metre()
    links = find_links(rods, 0.6e-6)
    found = solve_network(build_rod_network(links, LAW, State(), RESISTIVITY))
    # the contact point lies half-way between the cores, off the axes by half the gap
    assert found.resistance == pytest.approx(expected, rel=2e-3)
    assert len(links) == 1


def test_good_rods_are_single_nodes():
    particles = rods_in_a_box(np.random.default_rng(33011), 700)
    links = find_links(particles, 0.0)
    single = solve_network(build_network(links, LAW, State())).resistance
    assert solve(particles, 1e-18).resistance == pytest.approx(single, rel=1e-6)
    some, more = (solve(particles, r).resistance for r in (1e-7, 1e-6))
    assert single < some < more


def test_segments_add_up_to_the_rods_between_their_outer_contacts():
    particles = rods_in_a_box(np.random.default_rng(7), 400)
    links = find_links(particles, 0.0)
    network = build_rod_network(links, LAW, State(), RESISTIVITY)
    plain = build_network(links, LAW, State())
    contacts = len(plain.resistors)
    np.testing.assert_array_equal(network.conductances[:contacts], plain.conductances)
    lengths = 1.0 / (network.conductances[contacts:] * per_metre())
    # outer contacts of each rod by a plain loop
    axis, half = particles.axes, particles.core_sizes
    places = [[] for _ in range(400)]
    for (i, j), arm_i, arm_j in zip(links.pairs, *links.arms, strict=True):
        places[i].append(np.clip(arm_i @ axis[i], -half[i], half[i]))
        places[j].append(np.clip(arm_j @ axis[j], -half[j], half[j]))
    for rods, face in ((links.source_contacts, 0.0), (links.sink_contacts, 40e-6)):
        for rod in rods:
            crossing = (face - particles.centers[rod, 0]) / axis[rod, 0]
            places[rod].append(np.clip(crossing, -half[rod], half[rod]))
    expected = sum(max(p) - min(p) for p in places if p)
    assert lengths.sum() == pytest.approx(expected, rel=1e-12)


def test_other_bodies_stay_single_nodes():
    flakes = find_links(stacked_flakes(0.0, 10e-6, 1e-6, 5), 1e-9)
    one = build_network(flakes, LAW, State())
    other = build_rod_network(flakes, LAW, State(), RESISTIVITY)
    np.testing.assert_array_equal(one.conductances, other.conductances)
    mixed = Particles(
        np.array([SPHERE, ROD, FLAKE], np.int8),
        np.array([[1e-6, 5e-6, 5e-6], [5e-6, 5e-6, 5e-6], [9e-6, 5e-6, 5e-6]]),
        np.array([[1.0, 0, 0]] * 3), np.array([0, 2.2e-6, 1e-6]),
        np.array([1.2e-6, 1e-6, 1.2e-6]), Box((10e-6,) * 3, (False, True, True)),
    )  # fmt: skip
    rod = 2.0 * 2.2e-6 * RESISTIVITY / (math.pi * 1e-12)
    assert solve(mixed).resistance == pytest.approx(2 / 5e-4 + 2 / 2e-4 + rod, rel=1e-9)


def test_open_and_bad_boxes():
    particles = crossed_rods(distance=30e-9, radius=10e-9)
    links = find_links(particles, 12e-9)
    network = build_rod_network(links, LAW, State(), RESISTIVITY)
    assert solve_network(network).resistance == math.inf
    nothing = Links(
        particles, 0.0, links.pairs[:0], links.gaps[:0], links.normals[:0],
        links.images[:0], links.points[:0], links.source_contacts, links.sink_contacts,
    )  # fmt: skip
    assert build_rod_network(nothing, LAW, State(), RESISTIVITY).n_nodes == 2
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="resistivity must be positive"):
            build_rod_network(links, LAW, State(), bad)
    thin = Particles(
        particles.kinds, particles.centers, particles.axes, particles.core_sizes,
        np.zeros(2), particles.box,
    )  # fmt: skip
    with pytest.raises(ValueError, match="radius above zero"):
        build_rod_network(find_links(thin, 50e-9), LAW, State(), RESISTIVITY)


def test_a_rod_in_the_plane_conducts_over_its_width():
    # a strip of width 2 r (and unit depth): R = rho l/(2 r), between the two faces
    rod = Particles(
        np.array([ROD], np.int8), np.array([[5e-6, 5e-6]]), np.array([[1.0, 0.0]]),
        np.array([4.8e-6]), np.array([RADIUS]), Box((10e-6,) * 2, (False, False)),
    )  # fmt: skip
    expected = 2.0 / 5e-4 + 9.6e-6 * RESISTIVITY / (2.0 * RADIUS)
    assert solve(rod).resistance == pytest.approx(expected, rel=1e-12)


def test_contacts_close_together_on_a_rod_stay_apart():
    # two rods cross a third 2e-4 of its half length apart: the piece between them counts
    step, half = 2e-9, 10e-6
    box = Box((20e-6, 20e-6, 20e-6), (False, False, False))
    middle = 10e-6
    centers = np.array(
        [[middle] * 3, [middle - step, middle, 0.0], [middle, middle, 20e-6]]
    )
    centers[1:, 2] = middle + np.array([-0.9e-6, 0.9e-6])
    axes = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 1.0, 0]])
    rods = Particles(
        np.full(3, ROD, np.int8), centers, axes, np.array([half, 2e-6, 2e-6]),
        np.full(3, RADIUS), box,
    )  # fmt: skip
    network = build_rod_network(find_links(rods, 0.0), LAW, State(), RESISTIVITY)
    pieces = 1.0 / (network.conductances[-4:] * per_metre())
    assert pieces.min() == pytest.approx(step, rel=1e-6)
