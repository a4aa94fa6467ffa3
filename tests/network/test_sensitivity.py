import itertools
import math
from dataclasses import replace
from statistics import NormalDist

import networkx as nx
import numpy as np
import pytest
from network.networks import random_cloud, random_network
from reference.known_cases import grid, parallel, series

from percsim.links.search import Links, find_links
from percsim.network.build import Network, build_network
from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
from percsim.network.sensitivity import (
    breaking_slope,
    conductance_slope,
    critical_path,
    effective_medium_conductance,
    hottest_share,
    largest_power,
    noise_index,
    sensitivities,
)
from percsim.network.solve import solve_network
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box
from percsim.states.strain import Mounting, State, move_affinely, openings
from percsim.states.temperature import ThermalOpening

MOUNTING = Mounting("bonded", 0.495, 0.33)
THERMAL = ThermalOpening(expansion=3e-4, closed_at=243.15, share=0.3)
LAW = ContactOpeningLaw(
    g0=8e-5,
    beta=100.0,
    delta_b=1e6,
    Ea=1.6e-21,
    electrode_conductance=3e-4,
    opening_length=8e-6,
    seed=5,
)


def flakes_in_a_box(rng, n=400):
    """Flakes linked below a distance of centres, contacts half-way: any links will do."""
    edge = 50e-6
    centers = rng.random((n, 3)) * edge
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    radii = 4e-6 * rng.lognormal(0.0, 0.3, n)
    box = Box((edge,) * 3, (False, False, False))
    flakes = Particles(np.full(n, FLAKE, np.int8), centers, axes, radii, 0.05 * radii, box)
    i, j = np.triu_indices(n, 1)
    apart = centers[j] - centers[i]
    near = np.linalg.norm(apart, axis=1) < radii[i] + radii[j]
    i, j, apart = i[near], j[near], apart[near]
    normals = axes[i] * np.sign((axes[i] * apart).sum(axis=1))[:, None]
    return Links(
        flakes, 0.0, np.column_stack([i, j]), np.full(len(i), -1e-9), normals,
        np.zeros((len(i), 3), np.int64), centers[i] + 0.5 * apart,
        np.flatnonzero(centers[:, 0] < radii), np.flatnonzero(centers[:, 0] > edge - radii),
    )  # fmt: skip


def log_resistance(links, law=LAW, strain=0.002, temperature=300.0, thermal=THERMAL):
    state = State.at(strain, temperature, MOUNTING, thermal)
    return math.log(solve_network(build_network(links, law, state)).resistance)


@pytest.fixture(scope="module")
def links():
    return flakes_in_a_box(np.random.default_rng(52031))


@pytest.fixture(scope="module")
def slopes(links):
    return sensitivities(links, LAW, 0.002, 300.0, MOUNTING, THERMAL)


@pytest.mark.parametrize("name", ["g0", "beta", "Ea", "electrode_conductance"])
def test_parameter_slopes_against_full_solves(links, slopes, name):
    value = getattr(LAW, name)
    up, down = (
        log_resistance(links, replace(LAW, **{name: value * (1.0 + h)}))
        for h in (1e-4, -1e-4)
    )
    assert slopes.relative[name] == pytest.approx((up - down) / 2e-4, rel=1e-5, abs=1e-8)
    assert slopes.parameters[name] * value == pytest.approx(slopes.relative[name])


def test_state_slopes_against_full_solves(links, slopes):
    h = 1e-5
    strain = (4.0 * log_resistance(links, strain=0.002 + h)
              - log_resistance(links, strain=0.002 + 2 * h)
              - 3.0 * log_resistance(links)) / (2 * h)  # fmt: skip
    assert slopes.strain == pytest.approx(strain, rel=1e-4)
    t = 0.05
    temperature = (
        log_resistance(links, temperature=300.0 + t)
        - log_resistance(links, temperature=300.0 - t)
    ) / (2 * t)
    assert slopes.temperature == pytest.approx(temperature, rel=1e-4)
    share = [
        log_resistance(links, thermal=replace(THERMAL, share=0.3 + s))
        for s in (1e-4, -1e-4)
    ]
    assert slopes.parameters["lambda_T"] == pytest.approx(
        (share[0] - share[1]) / 2e-4, rel=1e-4
    )


def test_slopes_of_what_is_known(slopes):
    # all conductances together: ln R falls by as much as ln g rises (Euler)
    assert slopes.relative["g0"] + slopes.relative[
        "electrode_conductance"
    ] == pytest.approx(-1)
    assert "delta_b" not in slopes.parameters
    assert "seed" not in slopes.parameters


def test_zero_parameters_have_slopes(links):
    law = replace(LAW, beta=0.0, Ea=0.0)
    slopes = sensitivities(links, law, 0.002, 300.0, MOUNTING, THERMAL)
    up = log_resistance(links, replace(law, beta=1e-2)) - log_resistance(links, law)
    assert slopes.parameters["beta"] == pytest.approx(up / 1e-2, rel=1e-3)
    up = log_resistance(links, replace(law, Ea=1e-23)) - log_resistance(links, law)
    assert slopes.parameters["Ea"] == pytest.approx(up / 1e-23, rel=1e-3)


def test_slopes_of_a_law_that_reads_gaps():
    # nano rods that tunnel: gaps move with the film, by fractions of the decay length
    rng = np.random.default_rng(40009)
    n, edge = 2200, 1.6e-6
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    rods = Particles(
        np.full(n, ROD, np.int8), rng.random((n, 3)) * edge, axes, np.full(n, 0.25e-6),
        np.full(n, 4e-9), Box((edge,) * 3, (False, True, True)),
    )  # fmt: skip
    law = TunnellingLaw(barrier_height=1.6e-19, area=1e-16, electrode_conductance=1e-5)
    links = find_links(rods, 3e-9)

    def log_r(strain):
        state = State.at(strain, 293.15, MOUNTING)
        moved = find_links(move_affinely(rods, state), 3e-9)
        return math.log(solve_network(build_network(moved, law, state)).resistance)

    slopes = sensitivities(links, law, 1e-3, 293.15, MOUNTING)
    h = 2e-7
    full = (log_r(1e-3 + h) - log_r(1e-3 - h)) / (2 * h)
    assert abs(full) > 1.0
    assert slopes.strain == pytest.approx(full, rel=2e-3)
    assert slopes.temperature == 0.0
    assert slopes.relative["area"] + slopes.relative[
        "electrode_conductance"
    ] == pytest.approx(-1)


def test_open_box_has_no_slopes(links):
    cut = replace(links, sink_contacts=np.zeros(0, np.int64))
    slopes = sensitivities(cut, LAW, 0.002, 300.0, MOUNTING, THERMAL)
    assert slopes.solution.is_open
    assert slopes.strain == slopes.temperature == 0.0


def test_tellegen_slope_of_one_resistor():
    network = random_network(np.random.default_rng(4011), 60, 80, 3.0)
    solution = solve_network(network)
    for row in (0, 7, 50):
        change = np.zeros(len(network.conductances))
        change[row] = h = 1e-4 * network.conductances[row]
        up, down = (
            1.0 / solve_network(
                Network(60, network.resistors, network.conductances + sign * change,
                        network.source, network.sink)
            ).resistance
            for sign in (1, -1)
        )  # fmt: skip
        slope = conductance_slope(solution, change / h)
        assert slope == pytest.approx((up - down) / (2 * h), rel=1e-5, abs=1e-12)
    with pytest.raises(ValueError, match="slopes must have shape"):
        conductance_slope(solution, [1.0])


@pytest.mark.parametrize("known", [series([2.0] * 8), parallel([0.5] * 8)])
def test_even_power(known):
    solution = solve_network(known.network)
    assert hottest_share(solution, 0.25) == pytest.approx(0.25)
    assert noise_index(solution) == pytest.approx(1.0 / 8.0)
    assert largest_power(solution, 3.0) == pytest.approx(9.0 / known.resistance / 8.0)


def test_uneven_power():
    # 9 + 1 ohm in series: nine tenths of the power in one of two
    solution = solve_network(series([9.0, 1.0]).network)
    assert hottest_share(solution) == pytest.approx(0.9)
    assert noise_index(solution) == pytest.approx(0.82)
    assert largest_power(solution, 10.0) == pytest.approx(9.0)


def test_noise_falls_with_size():
    # a uniform grid of m x k: m k equal resistors carry all
    assert noise_index(solve_network(grid((12, 9)).network)) == pytest.approx(1.0 / 108.0)


def test_critical_path_against_all_simple_paths():
    rng = np.random.default_rng(71)
    for _ in range(10):
        network = random_network(rng, 9, 8, 6.0)
        graph = nx.Graph()
        for (i, j), g in zip(network.resistors.tolist(), network.conductances, strict=True):
            if not graph.has_edge(i, j) or graph[i][j]["g"] < g:
                graph.add_edge(i, j, g=g)
        best = max(
            min(graph[a][b]["g"] for a, b in itertools.pairwise(path))
            for path in nx.all_simple_paths(graph, network.source, network.sink)
        )
        found = critical_path(network)
        assert found.bottleneck == best
        assert found.resistance >= solve_network(network).resistance * (1 - 1e-12)
        ends = network.resistors[found.resistors]
        assert network.source in ends[0]
        assert network.sink in ends[-1]


def test_critical_path_of_an_open_network():
    cut = Network(3, np.array([(0, 1), (1, 2)]), np.array([1.0, 0.0]), 0, 2)
    assert critical_path(cut).bottleneck == 0.0
    assert critical_path(cut).resistance == math.inf


def test_bottleneck_sets_the_scale_over_many_decades():
    network = random_cloud(np.random.default_rng(6), 1500, 14.0, 30.0)
    found = critical_path(network)
    resistance = solve_network(network).resistance
    assert 0.01 < resistance * found.bottleneck < 100.0


def test_effective_medium_limits():
    assert effective_medium_conductance([3.0, 3.0], 6.0) == pytest.approx(3.0)
    # square lattice, two conductances alike: the geometric mean, exact in two dimensions
    assert effective_medium_conductance([0.01, 4.0], 4.0) == pytest.approx(0.2)
    # dilution: (p - 2/z)/(1 - 2/z)
    p = np.r_[np.ones(80), np.zeros(20)]
    assert effective_medium_conductance(p, 6.0) == pytest.approx(
        (0.8 - 1 / 3) / (1 - 1 / 3)
    )
    assert effective_medium_conductance(np.r_[np.ones(33), np.zeros(67)], 6.0) == 0.0
    # a chain-like lattice of z = 2.5, half as strong where one resistor in ten is missing
    assert effective_medium_conductance(np.r_[np.ones(90), np.zeros(10)], 2.5) == (
        pytest.approx((0.9 - 0.8) / (1 - 0.8))
    )
    for bad, z in (([], 6.0), ([-1.0], 6.0), ([1.0], 2.0)):
        with pytest.raises(ValueError, match=r"coordination|conductances"):
            effective_medium_conductance(bad, z)


def test_effective_medium_slope_on_the_cubic_lattice():
    # few resistors missing: G falls by 1 - (1 - p)/(1 - 2/z), exact to first order
    # (Kirkpatrick 1973); many boxes with 2 % missing, four standard errors
    rng = np.random.default_rng(90210)
    bars = grid((9, 10, 10))
    ratio = []
    for _ in range(40):
        g = (rng.random(len(bars.network.conductances)) > 0.02).astype(float)
        cut = Network(
            bars.network.n_nodes, bars.network.resistors, g,
            bars.network.source, bars.network.sink,
        )  # fmt: skip
        missing = 1.0 - g[:900].mean()
        ratio.append((1.0 - bars.resistance / solve_network(cut).resistance) / missing)
    mean, error = np.mean(ratio), np.std(ratio, ddof=1) / math.sqrt(len(ratio))
    # faces and second order: resistors at the electrodes shield less; 8 % for a grid of ten
    assert abs(mean - 1.5) < 4.0 * error + 0.12


@pytest.mark.parametrize(("shape", "z"), [((40, 41), 4), ((12, 13, 13), 6)])
@pytest.mark.parametrize("g", [0.0, 0.3, 5.0, 1e6])
def test_effective_medium_slope_of_one_odd_resistor(shape, z, g):
    # one resistor of a uniform lattice changed from 1 to g changes G/G0 by
    # (g - 1)/(1 + (g - 1) 2/z) over the number of them along the current, exact far from
    # all faces: Kirkpatrick, Rev. Mod. Phys. 45, 574 (1973); 2/z is the resistance between
    # neighbours (Foster 1949)
    bars = grid(shape)
    conductances = bars.network.conductances.copy()
    middle = np.ravel_multi_index([m // 2 for m in shape], (shape[0] - 1, *shape[1:]))
    ends = [middle, middle + math.prod(shape[1:])]
    (row,) = np.flatnonzero((bars.network.resistors == ends).all(axis=1))
    conductances[row] = g
    odd = Network(
        bars.network.n_nodes, bars.network.resistors, conductances,
        bars.network.source, bars.network.sink,
    )  # fmt: skip
    slope = math.prod(shape) * (bars.resistance / solve_network(odd).resistance - 1.0)
    exact = (g - 1.0) / (1.0 + (g - 1.0) * 2.0 / z)
    # the faces lie some ten steps away: 1e-3 for g = 0
    assert slope == pytest.approx(exact, rel=3e-3)
    one_in_many = np.r_[g, np.ones(10_000)]
    medium = 10_001 * (effective_medium_conductance(one_in_many, z) - 1.0)
    assert medium == pytest.approx(exact, rel=3e-3)


def pairs_of_spheres(count, rng):
    """Pairs of spheres from face to face, side by side: all contacts open alike."""
    radius = 5e-6
    y, z = rng.random((2, count)) * 1e-3
    left = np.column_stack([np.full(count, radius), y, z])
    step = np.array([radius, 0.0, 0.0])
    right = left + 2.0 * step
    n = 2 * count
    spheres = Particles(
        np.full(n, SPHERE, np.int8), np.concatenate([left, right]),
        np.tile([1.0, 0.0, 0.0], (n, 1)), np.zeros(n), np.full(n, radius),
        Box((4.0 * radius, 1e-3, 1e-3), (False, False, False)),
    )  # fmt: skip
    first = np.arange(count)
    return Links(
        spheres, 0.0, np.column_stack([first, first + count]), np.zeros(count),
        np.tile([1.0, 0.0, 0.0], (count, 1)), np.zeros((count, 3), np.int64),
        left + step, first, first + count,
    )  # fmt: skip


def test_breaking_slope_of_contacts_side_by_side():
    # each contact is left with probability Phi(z), z = ln(delta_b / delta): the mean
    # conductance is that share of them and its slope phi(z) / Phi(z)
    rng = np.random.default_rng(80627)
    boxes = [pairs_of_spheres(500, rng) for _ in range(60)]
    strain = 0.002
    state = State.at(strain, 293.15, MOUNTING, THERMAL)
    opened = openings(boxes[0], state) / 10e-6
    assert np.ptp(opened) < 1e-12
    for z in (-0.7, 0.5):
        law = ContactOpeningLaw(
            g0=1e-6, beta=0.0, delta_b=opened[0] * math.exp(z), Ea=0.0,
            electrode_conductance=1e3, opening_length=10e-6, seed=77,
        )  # fmt: skip
        slope = breaking_slope(boxes, law, strain, 293.15, MOUNTING, THERMAL)
        normal = NormalDist()
        exact = math.log(normal.cdf(z - 0.1) / normal.cdf(z + 0.1)) / 0.2
        assert exact == pytest.approx(-normal.pdf(z) / normal.cdf(z), rel=0.02)
        assert abs(slope.value - exact) < 4.0 * slope.standard_error
        assert slope.standard_error < 0.05 * abs(exact)
        assert slope.n == 60


def test_breaking_slope_needs_few_boxes():
    # draws in common: much less scatter than from two ensembles with draws of their own
    boxes = [flakes_in_a_box(np.random.default_rng(31100 + k), 250) for k in range(8)]
    law = replace(LAW, delta_b=0.02)
    slope = breaking_slope(boxes, law, 0.004, 300.0, MOUNTING, THERMAL)
    state = State.at(0.004, 300.0, MOUNTING, THERMAL)
    apart = [
        [
            solve_network(
                build_network(
                    links,
                    replace(law, delta_b=0.02 * math.exp(h), seed=1000 * (h > 0) + k),
                    state,
                )
            ).conductance
            for k, links in enumerate(boxes)
        ]
        for h in (-0.1, 0.1)
    ]
    one, other = (np.array(g) / np.mean(g) for g in apart)
    assert slope.value < 0.0
    assert slope.standard_error < 0.5 * np.std(one - other, ddof=1) / 0.2 / math.sqrt(8)


def test_breaking_slope_where_nothing_breaks_or_all_did(links):
    later = breaking_slope([links], LAW, 0.002, 300.0, MOUNTING, THERMAL)
    assert (later.value, later.standard_error, later.n) == (0.0, math.inf, 1)
    spheres = pairs_of_spheres(9, np.random.default_rng(2))
    with pytest.raises(ValueError, match="all boxes are open"):
        breaking_slope([spheres], replace(LAW, delta_b=1e-9), 0.01, 300.0, MOUNTING)
    with pytest.raises(ValueError, match="step must be positive"):
        breaking_slope([links], LAW, 0.0, step=0.0)
    with pytest.raises(ValueError, match="at least one box"):
        breaking_slope([], LAW, 0.0)


def test_slopes_follow_the_axis_of_the_current():
    # the same box with its axes renamed has the same slopes
    along_x = flakes_in_a_box(np.random.default_rng(90533), 250)
    p = along_x.particles
    turn = [1, 0, 2]
    edges, periodic = p.box.size, p.box.periodic
    turned = Particles(
        p.kinds, p.centers[:, turn], p.axes[:, turn], p.core_sizes, p.ball_radii,
        Box(tuple(edges[k] for k in turn), tuple(periodic[k] for k in turn), axis=1),
    )  # fmt: skip
    along_y = replace(
        along_x, particles=turned, normals=along_x.normals[:, turn],
        images=along_x.images[:, turn], points=along_x.points[:, turn],
    )  # fmt: skip
    one, other = (
        sensitivities(links, LAW, 0.002, 300.0, MOUNTING, THERMAL)
        for links in (along_x, along_y)
    )
    assert one.strain > 0.0
    assert other.strain == pytest.approx(one.strain, rel=1e-6)
    law = replace(LAW, delta_b=0.02)
    one, other = (
        breaking_slope([links], law, 0.01, 293.15, MOUNTING).value
        for links in (along_x, along_y)
    )
    assert one < 0.0
    assert other == pytest.approx(one, rel=1e-6)
