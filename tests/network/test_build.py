import dataclasses

import numpy as np
import pytest
from states.hand_links import random_links

from percsim.links.search import Links
from percsim.network.build import Network, build_network
from percsim.network.laws import ContactOpeningLaw
from percsim.particles.bodies import SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State
from percsim.states.temperature import ThermalOpening

LAW = ContactOpeningLaw(
    g0=1e-4,
    beta=100.0,
    delta_b=1e30,
    Ea=1.6e-21,
    electrode_conductance=5e-4,
    opening_length=10e-6,
    seed=77123,
)
D = 10e-6


def resistance(network):
    """Kirchhoff's equations, dense: the resistance between the terminals."""
    L = np.zeros((network.n_nodes, network.n_nodes))
    for (a, b), g in zip(network.resistors, network.conductances, strict=True):
        L[a, a] += g
        L[b, b] += g
        L[a, b] -= g
        L[b, a] -= g
    inflow = np.zeros(network.n_nodes)
    inflow[network.source], inflow[network.sink] = 1.0, -1.0
    v = np.linalg.lstsq(L, inflow, rcond=1e-12)[0]
    assert np.allclose(L @ v, inflow, atol=1e-9)  # otherwise the circuit is open
    return v[network.source] - v[network.sink]


def lattice(n, axes=2):
    """Touching spheres on a square lattice from one electrode to the other."""
    x, y = (a.ravel() for a in np.mgrid[0:n, 0:n])
    centers = np.column_stack([x + 0.5, y + 0.5, np.full(n * n, 0.5)]) * D
    box = Box((n * D, n * D, D), (False, False, False))
    particles = Particles(
        np.full(n * n, SPHERE), centers, np.tile([1.0, 0.0, 0.0], (n * n, 1)),
        np.zeros(n * n), np.full(n * n, D / 2), box,
    )  # fmt: skip
    index = np.arange(n * n).reshape(n, n)
    pairs = [np.column_stack([index[:-1].ravel(), index[1:].ravel()])]
    if axes == 2:
        pairs.append(np.column_stack([index[:, :-1].ravel(), index[:, 1:].ravel()]))
    pairs = np.concatenate(pairs)
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    normals = (centers[pairs[:, 1]] - centers[pairs[:, 0]]) / D
    points = (centers[pairs[:, 0]] + centers[pairs[:, 1]]) / 2
    m = len(pairs)
    return Links(
        particles, 0.0, pairs, np.zeros(m), normals, np.zeros((m, 3), int), points,
        index[0], index[-1],
    )  # fmt: skip


def test_resistors_come_in_the_documented_order():
    links = lattice(4)
    network = build_network(links, LAW, State())
    m = len(links)
    assert network.n_nodes == 18
    assert (network.source, network.sink) == (16, 17)
    assert (network.resistors[:m] == links.pairs).all()
    assert (network.resistors[m : m + 4] == [[0, 16], [1, 16], [2, 16], [3, 16]]).all()
    assert (network.resistors[m + 4 :] == [[12, 17], [13, 17], [14, 17], [15, 17]]).all()
    assert (network.conductances[:m] == 1e-4).all()
    assert (network.conductances[m:] == 5e-4).all()


def test_chain_is_contacts_in_series():
    # n spheres in a row: n - 1 contacts and two electrodes, added by hand
    links = lattice(5, axes=1)
    state = State.at(0.002, 283.15, Mounting("bonded"))
    network = build_network(links, LAW, state)
    g = LAW.g0 * np.exp(-LAW.beta * 0.002) * LAW.activation(283.15)
    one = 4 / g + 2 / (LAW.electrode_conductance * LAW.activation(283.15))
    assert resistance(network) == pytest.approx(one / 5, rel=1e-10)  # five rows in parallel


def test_lattice_carries_as_its_rows():
    # by symmetry no current crosses between equal rows
    rows = resistance(build_network(lattice(5, axes=1), LAW, State()))
    assert resistance(build_network(lattice(5), LAW, State())) == pytest.approx(
        rows, rel=1e-9
    )


def test_broken_contacts_are_left_out():
    links = lattice(6)
    law = dataclasses.replace(LAW, delta_b=4e-3)
    state = State.at(0.005, 293.15, Mounting("bonded"))
    g = law.conductances(links, state)
    broken = g == 0.0
    assert 0 < broken.sum() < len(links)
    network = build_network(links, law, state)
    kept = len(links) - broken.sum()
    assert (network.resistors[:kept] == links.pairs[~broken]).all()
    assert (network.conductances[:kept] == g[~broken]).all()
    assert len(network.resistors) == kept + 12


def test_film_falls_in_compression_and_rises_in_tension_when_held_open():
    links = lattice(6)
    thermal = ThermalOpening(expansion=3e-4, closed_at=233.15, share=0.3)

    def log_resistance(strain, thermal):
        state = State.at(strain, 293.15, Mounting("bonded"), thermal)
        return np.log(resistance(build_network(links, LAW, state)))

    down, zero, up = (log_resistance(e, thermal) for e in (-1e-3, 0.0, 1e-3))
    assert down < zero < up
    assert zero - down == pytest.approx(up - zero, rel=0.02)  # no kink
    # contacts along the current carry all of it, each opening by e: slope beta, less the
    # share of the electrodes, which do not open
    share = 5 / (5 + 2 * LAW.g0 * np.exp(-LAW.beta * 0.0054) / LAW.electrode_conductance)
    assert (up - down) / 2e-3 == pytest.approx(LAW.beta * 1.0054 * share, rel=0.01)
    # with contacts that shut at this very temperature compression is dead
    assert log_resistance(-1e-3, None) == pytest.approx(
        log_resistance(0.0, None), abs=1e-12
    )
    assert log_resistance(1e-3, None) > log_resistance(0.0, None)


def test_no_links_still_have_electrodes():
    links = lattice(1)
    network = build_network(links, LAW, State())
    assert (network.resistors == [[0, 1], [0, 2]]).all()
    assert resistance(network) == pytest.approx(2 / 5e-4, rel=1e-12)


def test_a_periodic_box_has_no_electrodes():
    links = random_links(15529, n=5)
    box = dataclasses.replace(links.particles.box, periodic=(True, True, True))
    periodic = dataclasses.replace(
        links, particles=dataclasses.replace(links.particles, box=box)
    )
    with pytest.raises(ValueError, match="periodic along the current"):
        build_network(periodic, LAW, State())


# --- Network


def test_network_takes_lists_and_an_absent_resistor():
    network = Network(3, [[0, 1], [1, 2], [0, 1]], [1.0, 2.0, 0.0], 0, 2)
    assert network.resistors.dtype == np.int32
    assert resistance(network) == pytest.approx(1.5)
    empty = Network(2, [], [], 0, 1)
    assert empty.resistors.shape == (0, 2)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((2, [[0, 1]], [-1.0], 0, 1), "must not be negative, got -1 S"),
        ((2, [[0, 1]], [np.nan], 0, 1), "must be finite"),
        ((2, [[0, 1]], [np.inf], 0, 1), "must be finite"),
        ((2, [[0, 2]], [1.0], 0, 1), "nodes of resistors must lie in 0 to 1"),
        ((2, [[-1, 1]], [1.0], 0, 1), "nodes of resistors must lie in 0 to 1"),
        ((2, [[1, 1]], [1.0], 0, 1), "two different nodes"),
        ((2, [[0, 1]], [1.0, 2.0], 0, 1), r"shape \(1,\), got \(2,\)"),
        ((2, [[0, 1, 1]], [1.0], 0, 1), r"shape \(e, 2\)"),
        ((2, [[0, 1]], [1.0], 1, 1), "source and sink must differ"),
        ((2, [[0, 1]], [1.0], 0, 2), "sink must be a node 0 to 1, got 2"),
        ((2, [[0, 1]], [1.0], -1, 1), "source must be a node"),
    ],
)
def test_bad_networks_are_refused(arguments, message):
    with pytest.raises(ValueError, match=message):
        Network(*arguments)


@pytest.mark.parametrize("count", [1, 2, 7])
def test_chain_of_spheres_is_a_series_of_contacts(count):
    """From bodies to ohms: (count + 1)/g, by hand."""
    from reference.known_cases import chain_of_spheres

    from percsim.links.search import find_links
    from percsim.network.laws import ContactOpeningLaw
    from percsim.network.solve import solve_network

    g = 8e-5
    links = find_links(chain_of_spheres(count, radius=5e-6, overlap=0.1), cutoff=0.0)
    assert len(links) == count - 1
    law = ContactOpeningLaw(g, 100.0, 0.01, 0.0, g, 10e-6)
    solution = solve_network(build_network(links, law, State()))
    assert solution.resistance == pytest.approx((count + 1) / g, rel=1e-12)
    assert solution.lower <= solution.resistance <= solution.upper
