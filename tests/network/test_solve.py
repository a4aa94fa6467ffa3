import itertools
import math

import networkx as nx
import numpy as np
import pytest
from network.networks import random_cloud, random_network, unbalanced
from reference.kirchhoff import solve_dense, solve_in_many_digits
from reference.known_cases import (
    CUBIC_LATTICE,
    SQUARE_LATTICE,
    all_known_networks,
    bus_bar_lattice,
    complete,
    grid,
    lattice_patch,
)

from percsim.errors import ConvergenceError
from percsim.network.build import Network
from percsim.network.solve import Sweep, path_up, solve_network


def with_conductances(network, g):
    return Network(network.n_nodes, network.resistors, g, network.source, network.sink)


def iterate(network, tolerance=1e-8):
    """Solve with elimination of many nodes switched off, unless it is the last resort."""
    sweep = Sweep(always_eliminated=0)
    return sweep._solve(network, tolerance, 1e-6 * tolerance)


@pytest.mark.parametrize("known", all_known_networks(), ids=lambda known: known.name)
def test_known_networks(known):
    solution = solve_network(known.network)
    assert solution.resistance == pytest.approx(known.resistance, rel=1e-14)
    assert solution.lower <= known.resistance * (1 + 1e-15)
    assert solution.upper >= known.resistance * (1 - 1e-15)
    assert solution.upper / solution.lower - 1 < 1e-11


@pytest.mark.parametrize("shape", [(40, 80), (9, 20, 25)])
def test_large_uniform_grids_are_iterated_to_the_exact_value(shape):
    # tilt the transverse conductances: the value must not care
    known = grid(shape)
    rng = np.random.default_rng(60253)
    g = np.ones(len(known.network.conductances))
    lines = math.prod(shape[1:])
    across = (np.abs(np.diff(known.network.resistors, axis=1)[:, 0]) < lines) & (
        known.network.resistors[:, 1] < known.network.n_nodes - 2
    )
    g[across] = 10.0 ** rng.uniform(-3, 1, across.sum())
    solution = iterate(with_conductances(known.network, g))
    assert "iterations" in solution.method
    assert solution.resistance == pytest.approx(known.resistance, rel=1e-9)
    assert solution.lower <= known.resistance * (1 + 1e-14)
    assert solution.upper >= known.resistance * (1 - 1e-14)


@pytest.mark.parametrize("offset", SQUARE_LATTICE)
def test_square_lattice_values(offset):
    # a finite patch lies above the infinite lattice by order 1/size^2
    far = solve_network(lattice_patch(61, offset)).resistance
    near = solve_network(lattice_patch(121, offset)).resistance
    exact = SQUARE_LATTICE[offset]
    assert far > near > exact
    assert near == pytest.approx(exact, abs=1.5 * sum(x * x for x in offset) / 121**2)
    assert (4.0 * near - far) / 3.0 == pytest.approx(exact, abs=0.1 * (near - exact))


@pytest.mark.parametrize("offset", CUBIC_LATTICE)
def test_cubic_lattice_values(offset):
    near = solve_network(lattice_patch(25, offset)).resistance
    assert 0.0 < near - CUBIC_LATTICE[offset] < 1e-3 * sum(x * x for x in offset)


@pytest.mark.parametrize("seed", [88121, 5507, 30644, 91773])
def test_against_dense_kirchhoff(seed):
    rng = np.random.default_rng(seed)
    network = random_network(rng, 120, 150)
    # leave some resistors out, so that parts dangle and parts are cut off
    g = np.where(rng.random(len(network.conductances)) < 0.35, 0.0, network.conductances)
    network = with_conductances(network, g)
    resistance, voltages = solve_dense(network)
    solution = solve_network(network)
    assert solution.resistance == pytest.approx(resistance, rel=1e-11)
    np.testing.assert_allclose(solution.voltages, voltages, atol=1e-11)
    drop = voltages[network.resistors[:, 0]] - voltages[network.resistors[:, 1]]
    np.testing.assert_allclose(solution.currents, g * drop, atol=1e-11 * np.max(g))


@pytest.mark.parametrize("seed", [41187, 7213])
def test_against_networkx(seed):
    rng = np.random.default_rng(seed)
    network = random_network(rng, 30, 40)
    graph = network.to_networkx()
    expected = nx.resistance_distance(
        graph, network.source, network.sink, weight="conductance", invert_weight=False
    )
    assert solve_network(network).resistance == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("n", "decades", "seed"),
    [
        (200, 20, 51), (240, 40, 977), (220, 80, 3381), (200, 150, 66),
        pytest.param(900, 60, 40199, marks=pytest.mark.slow),
        pytest.param(900, 150, 8804, marks=pytest.mark.slow),
    ],
)  # fmt: skip
def test_against_elimination_in_many_digits(n, decades, seed):
    rng = np.random.default_rng(seed)
    network = random_network(rng, n, n, decades)
    resistance, voltages, currents = solve_in_many_digits(network, 60 + 2 * decades)
    solution = solve_network(network)
    assert solution.resistance == pytest.approx(resistance, rel=1e-13)
    assert solution.lower <= resistance <= solution.upper
    np.testing.assert_allclose(solution.voltages, voltages, rtol=1e-12, atol=1e-15)
    # currents to rounding of the total, though most resistors conduct 1e20 times better
    error = solution.currents - currents
    assert np.all(np.abs(error) <= 1e-13 / resistance)
    power = np.sum(error**2 / network.conductances)
    assert power <= 1e-24 / resistance
    assert unbalanced(network, solution.currents) < 1e-13


def test_fosters_sum_over_twenty_decades():
    # sum of g R over the resistors = nodes - 1 (Foster 1949)
    rng = np.random.default_rng(19117)
    network = random_network(rng, 40, 60, decades=20)
    total = math.fsum(
        g
        * solve_network(
            Network(40, network.resistors, network.conductances, i, j)
        ).resistance
        for (i, j), g in zip(network.resistors.tolist(), network.conductances, strict=True)
    )
    assert total == pytest.approx(39.0, rel=1e-13)


@pytest.mark.parametrize("k", [2, 3])
def test_bus_bar_lattice_is_self_dual(k):
    # mean of ln G = ln sqrt(ab), and symmetric about it (Keller 1964): all configurations
    a, b = 0.02, 7.0
    bonds = k * k + (k - 1) ** 2
    if k == 2:
        draws = list(itertools.product((a, b), repeat=bonds))
    else:
        rng = np.random.default_rng(70012)
        half = rng.choice([a, b], (300, bonds))
        draws = list(half)
    logs = np.array(
        [-math.log(solve_network(bus_bar_lattice(k, g)).resistance) for g in draws]
    ) - 0.5 * math.log(a * b)
    if k == 2:
        assert abs(logs.mean()) < 1e-14
        np.testing.assert_allclose(np.sort(logs), -np.sort(logs)[::-1], atol=1e-13)
    else:
        assert abs(logs.mean()) < 4.0 * logs.std(ddof=1) / math.sqrt(len(logs))


@pytest.mark.parametrize("way", [solve_network, iterate])
@pytest.mark.parametrize(
    ("decades", "seed"), [(0.0, 12010), (2.0, 5561), (8.0, 80203), (20.0, 43110)]
)
def test_conservation_reciprocity_and_power(way, decades, seed):
    rng = np.random.default_rng(seed)
    network = random_cloud(rng, 1500, 9.0, decades)
    solution = way(network)
    assert unbalanced(network, solution.currents) < 1e-12
    assert solution.power_shares.sum() == pytest.approx(1.0, rel=1e-8)
    assert solution.lower <= solution.resistance <= solution.upper
    back = way(
        Network(network.n_nodes, network.resistors, network.conductances, 1501, 1500)
    )
    assert back.resistance == pytest.approx(solution.resistance, rel=2e-8)
    reached = solution.backbone.attachment >= 0
    np.testing.assert_allclose(
        back.voltages[reached], 1.0 - solution.voltages[reached], atol=1e-6
    )
    assert np.all(solution.voltages[~reached] == 0.0)


@pytest.mark.parametrize(
    ("decades", "neighbours", "seed"),
    [(0.0, 6.0, 13), (2.0, 4.0, 60021), (8.0, 9.0, 717), (20.0, 12.0, 80991)],
)
def test_iteration_agrees_with_elimination(decades, neighbours, seed):
    network = random_cloud(np.random.default_rng(seed), 2500, neighbours, decades)
    exact = Sweep(always_eliminated=10_000).solve(network)
    solution = iterate(network)
    assert "eliminated exactly" in exact.method
    assert "iterations" in solution.method
    assert solution.resistance == pytest.approx(exact.resistance, rel=1e-8)
    assert solution.lower * (1 - 1e-12) <= exact.resistance <= solution.upper * (1 + 1e-12)
    assert solution.upper / solution.lower - 1.0 <= 1.1e-8
    np.testing.assert_allclose(solution.voltages, exact.voltages, atol=1e-6)


@pytest.mark.parametrize("scale", [1e-200, 1e-30, 1e200])
@pytest.mark.parametrize("way", [solve_network, iterate])
def test_scale_of_conductances(way, scale):
    network = random_cloud(np.random.default_rng(2099), 600, 8.0, 3.0)
    one = way(network)
    other = way(with_conductances(network, network.conductances * scale))
    assert other.resistance * scale == pytest.approx(one.resistance, rel=1e-13)
    np.testing.assert_allclose(other.voltages, one.voltages, atol=1e-12)
    np.testing.assert_allclose(other.currents / scale, one.currents, atol=1e-10)


def test_relabelling_duplicates_and_absent_resistors():
    rng = np.random.default_rng(33170)
    network = random_network(rng, 200, 300, decades=6.0)
    expected = solve_network(network).resistance
    order = rng.permutation(200)
    rows = rng.permutation(len(network.resistors))
    relabelled = Network(
        200, order[network.resistors[rows]][:, ::-1], network.conductances[rows],
        order[network.source], order[network.sink],
    )  # fmt: skip
    assert solve_network(relabelled).resistance == pytest.approx(expected, rel=1e-13)
    halves = Network(
        200, np.concatenate([network.resistors, network.resistors[:, ::-1]]),
        np.concatenate([network.conductances, network.conductances]) / 2.0,
        network.source, network.sink,
    )  # fmt: skip
    assert solve_network(halves).resistance == pytest.approx(expected, rel=1e-13)
    more = Network(
        200, np.concatenate([network.resistors, rng.permutation(200).reshape(100, 2)]),
        np.concatenate([network.conductances, np.zeros(100)]),
        network.source, network.sink,
    )  # fmt: skip
    solution = solve_network(more)
    assert solution.resistance == pytest.approx(expected, rel=1e-14)
    assert np.all(solution.currents[-100:] == 0.0)


def test_rayleigh_monotonicity():
    rng = np.random.default_rng(60417)
    network = random_network(rng, 80, 100, decades=4.0)
    before = solve_network(network).resistance
    for row in rng.choice(len(network.resistors), 25, replace=False):
        for factor in (0.0, 0.5, 2.0):
            g = network.conductances.copy()
            g[row] *= factor
            after = solve_network(with_conductances(network, g)).resistance
            assert (
                after >= before * (1 - 1e-13)
                if factor < 1
                else after <= before * (1 + 1e-13)
            )


def test_voltages_off_the_backbone():
    # 0 - 1 - 2 with 3, 4 hanging from 1, a cycle 5, 6 hanging from 2 and 7, 8 cut off
    pairs = [(0, 1), (1, 2), (1, 3), (3, 4), (2, 5), (5, 6), (6, 2), (7, 8)]
    solution = solve_network(Network(9, np.array(pairs), np.ones(8), 0, 2))
    np.testing.assert_allclose(solution.voltages, [1, 0.5, 0, 0.5, 0.5, 0, 0, 0, 0], atol=0)
    np.testing.assert_allclose(solution.currents, [0.5, 0.5, 0, 0, 0, 0, 0, 0], atol=0)


def test_open_circuit():
    solution = solve_network(Network(5, np.array([(0, 1), (2, 3)]), np.ones(2), 0, 2))
    assert solution.resistance == solution.lower == solution.upper == math.inf
    assert solution.is_open
    np.testing.assert_array_equal(solution.voltages, [1, 1, 0, 0, 0])
    np.testing.assert_array_equal(solution.currents, [0, 0])
    assert repr(solution) == "Solution: open circuit, the terminals are not connected"
    empty = solve_network(Network(2, np.zeros((0, 2), dtype=int), np.zeros(0), 0, 1))
    assert empty.resistance == math.inf
    absent = solve_network(Network(2, np.array([(0, 1)]), np.zeros(1), 0, 1))
    assert absent.resistance == math.inf


@pytest.mark.parametrize("bottleneck", [1e-19, 1e-27, 1e-37, 1e-150])
@pytest.mark.parametrize("way", [solve_network, iterate])
def test_two_strong_halves_joined_by_a_weak_resistor(way, bottleneck):
    # R = two halves + 1/bottleneck; methods that store the diagonal lose the bottleneck
    half = random_cloud(np.random.default_rng(91), 3000, 9.0, 1.0)
    alone = Sweep(always_eliminated=10_000).solve(half).resistance
    n = half.n_nodes
    pairs = np.concatenate(
        [half.resistors, half.resistors + n, [[half.sink, half.source + n]]]
    )
    g = np.concatenate([half.conductances, half.conductances, [bottleneck]])
    network = Network(2 * n, pairs, g, half.source, half.sink + n)
    solution = way(network)
    exact = 2.0 * alone + 1.0 / bottleneck
    assert solution.lower * (1 - 1e-12) <= exact <= solution.upper * (1 + 1e-12)
    assert solution.resistance == pytest.approx(exact, rel=1e-8)
    assert unbalanced(network, solution.currents) < 1e-9
    if way is iterate:
        assert "iterations" in solution.method


@pytest.mark.parametrize("seed", [515, 60001])
def test_stiff_layers(seed):
    # grid whose layers differ by 30 decades in turn: R = sum over layers
    rng = np.random.default_rng(seed)
    known = grid((24, 12, 12))
    lines = 144
    layer = np.minimum(known.network.resistors.min(axis=1) // lines, 23)
    g = np.ones(len(known.network.conductances))
    along = np.diff(known.network.resistors, axis=1)[:, 0] == lines
    steps = 10.0 ** rng.uniform(-30, 0, 24)
    first = known.network.resistors[:, 0] == known.network.source
    last = known.network.resistors[:, 1] == known.network.sink
    g[along] = steps[1 + layer[along]]
    g[first], g[last] = steps[0], steps[23]
    exact = float(np.sum(1.0 / steps)) / lines
    for way in (solve_network, iterate):
        solution = way(with_conductances(known.network, g))
        assert solution.resistance == pytest.approx(exact, rel=1e-8)
        assert solution.lower * (1 - 1e-12) <= exact <= solution.upper * (1 + 1e-12)


def test_sweep_over_breaking_and_appearing_resistors():
    rng = np.random.default_rng(30071)
    network = random_cloud(rng, 4000, 9.0, 3.0)
    breaks_at = rng.exponential(20.0, len(network.conductances))
    sweep = Sweep(always_eliminated=0)
    first = 0
    for step in (0, 1, 2, 3, 4, 5, 2):
        g = network.conductances ** (1.0 + 0.02 * step) * (breaks_at > step)
        state = with_conductances(network, g)
        exact = solve_network(state)
        solution = sweep.solve(state)
        assert solution.resistance == pytest.approx(exact.resistance, rel=1e-8)
        assert solution.lower * (1 - 1e-12) <= exact.resistance
        assert solution.upper * (1 + 1e-12) >= exact.resistance
        np.testing.assert_allclose(solution.voltages, exact.voltages, atol=1e-4)
        used = int(solution.method.split(", ")[1].split()[0])
        first = first or used
    # the last state was seen, between two others: it starts from what is known
    assert used < first


def test_sweep_with_the_same_resistors_is_cheap_and_right():
    rng = np.random.default_rng(64410)
    network = random_cloud(rng, 1500, 12.0, 8.0)
    softening = rng.random(len(network.conductances))
    sweep = Sweep(always_eliminated=0)
    iterations = []
    for k in range(8):
        state = with_conductances(
            network, network.conductances ** (1.0 + 2e-3 * k * softening)
        )
        solution = sweep.solve(state)
        exact = Sweep(always_eliminated=10_000).solve(state)
        assert solution.resistance == pytest.approx(exact.resistance, rel=1e-9)
        assert solution.lower * (1 - 1e-12) <= exact.resistance
        assert solution.upper * (1 + 1e-12) >= exact.resistance
        iterations.append(int(solution.method.split(", ")[1].split()[0]))
    assert max(iterations[2:]) < 0.8 * iterations[0]
    # another network in between is not mistaken for the last one
    other = with_conductances(network, np.where(rng.random(len(softening)) < 0.1, 0.0, 1.0))
    assert sweep.solve(other).resistance == pytest.approx(
        solve_network(other).resistance, rel=1e-8
    )


def test_sweep_where_the_best_path_gets_far_worse():
    # the bottleneck of the first state is none of the others', which go round it
    network = random_cloud(np.random.default_rng(5530), 1500, 12.0, 40.0)
    sweep = Sweep(always_eliminated=0)
    sweep.solve(network)
    row = sweep._known.backbone.resistors[
        path_up(sweep._known.pairs, sweep._known._tree()[1], sweep._known.n)
    ]
    weakest = row[np.argmin(network.conductances[row])]
    for factor in (1e-13, 1e-20, 1e-60):
        g = network.conductances.copy()
        g[weakest] *= factor
        state = with_conductances(network, g)
        exact = solve_network(state).resistance
        solution = sweep.solve(state)
        assert solution.resistance == pytest.approx(exact, rel=1e-8)
        assert solution.lower * (1 - 1e-12) <= exact <= solution.upper * (1 + 1e-12)


def test_what_cannot_be_proven_raises_with_bounds(monkeypatch):
    network = random_cloud(np.random.default_rng(8), 2500, 12.0, 20.0)
    exact = Sweep(always_eliminated=10_000).solve(network).resistance
    monkeypatch.setattr("percsim.network.solve.MOST_WORK", 1.0)
    monkeypatch.setattr("percsim.network.solve.MOST_ITERATIONS", 2)
    with pytest.raises(ConvergenceError, match="differ by more than 1e-08") as caught:
        iterate(network)
    assert caught.value.lower <= exact <= caught.value.upper
    assert len(caught.value.voltages) == network.n_nodes


@pytest.mark.parametrize("seed", [4100, 77003])
@pytest.mark.parametrize("way", [solve_network, iterate])
def test_any_small_network(way, seed):
    # parallel rows, absent ones, direct ones, open circuits, cut-off parts
    rng = np.random.default_rng(seed)
    opened = 0
    for _ in range(300):
        n = int(rng.integers(2, 14))
        pairs = rng.integers(0, n, (int(rng.integers(0, 40)), 2))
        pairs = pairs[pairs[:, 0] != pairs[:, 1]]
        g = 10.0 ** rng.uniform(-3, 0, len(pairs)) * (rng.random(len(pairs)) < 0.8)
        source, sink = rng.choice(n, 2, replace=False)
        network = Network(n, pairs, g, source, sink)
        solution = way(network)
        resistance, _ = solve_dense(network)
        assert np.isfinite(solution.voltages).all()
        assert np.isfinite(solution.currents).all()
        if solution.is_open:
            opened += 1
            # the dense matrix may leave rounding where nothing is
            assert resistance > 1e12
        else:
            assert solution.resistance == pytest.approx(resistance, rel=1e-9)
            assert solution.lower <= solution.resistance <= solution.upper
    assert 0 < opened < 300


def test_what_no_number_holds_is_said():
    pairs = np.array([(0, 1), (1, 2)])
    with pytest.raises(ConvergenceError, match="span 310 decades"):
        solve_network(Network(3, pairs, np.array([1e-310, 1.0]), 0, 2))
    with pytest.raises(ConvergenceError, match=r"above 1.8e308 ohm"):
        solve_network(Network(3, pairs, np.array([1e-310, 1e-310]), 0, 2))
    far = solve_network(Network(3, pairs, np.array([1e-150, 1e150]), 0, 2))
    assert far.resistance == pytest.approx(1e150)


@pytest.mark.parametrize("tolerance", [0.0, -1e-8, 1.0, math.nan])
def test_tolerance_must_make_sense(tolerance):
    with pytest.raises(ValueError, match="tolerance must be in"):
        solve_network(grid().network, tolerance)


def test_repr_tells_the_method():
    few = grid().network
    assert "30 backbone nodes eliminated exactly" in repr(solve_network(few))
    large = random_cloud(np.random.default_rng(77), 2500, 9.0, 1.0)
    assert "nodes reduced to 1" in repr(solve_network(large))
    assert repr(solve_network(large)).endswith(" iterations")


def test_a_hundred_nodes_are_always_eliminated():
    # the dearest case: all joined to all; the value is known
    known = complete(102)
    solution = solve_network(known.network, 1e-3)
    assert "100 backbone nodes eliminated exactly" in repr(solution)
    assert solution.resistance == pytest.approx(2.0 / 102, rel=1e-13)
    assert solution.upper / solution.lower - 1.0 < 1e-11
    assert unbalanced(known.network, solution.currents) < 1e-12
