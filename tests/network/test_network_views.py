import csv

import numpy as np
import pytest
from network.networks import random_network
from reference.known_cases import bridge

import percsim
from percsim.network.build import Network
from percsim.network.solve import solve_network


def test_laplacian_turns_voltages_into_injected_currents():
    network = random_network(np.random.default_rng(55), 40, 60)
    solution = solve_network(network)
    injected = network.laplacian() @ solution.voltages
    expected = np.zeros(40)
    expected[network.source] = 1.0 / solution.resistance
    expected[network.sink] = -1.0 / solution.resistance
    np.testing.assert_allclose(injected, expected, atol=1e-13)


def test_networkx_keeps_every_resistor():
    pairs = np.array([(0, 1), (1, 0), (1, 2), (2, 3)])
    graph = Network(4, pairs, np.array([1.0, 2.0, 3.0, 0.0]), 0, 3).to_networkx()
    assert graph.graph == {"source": 0, "sink": 3}
    assert sorted(graph.nodes) == [0, 1, 2, 3]
    found = {
        key: data["conductance"] for _, _, key, data in graph.edges(keys=True, data=True)
    }
    assert found == {0: 1.0, 1: 2.0, 2: 3.0}


def test_csv_can_be_read_back(tmp_path):
    network = bridge().network
    solution = solve_network(network)
    network.write_csv(tmp_path / "bridge.csv", solution.drops)
    comment, *lines = (tmp_path / "bridge.csv").read_text().splitlines()
    assert comment == "# source 0, sink 3, 4 nodes"
    rows = list(csv.DictReader(lines))
    assert [(int(r["first"]), int(r["second"])) for r in rows] == [
        tuple(pair) for pair in network.resistors.tolist()
    ]
    np.testing.assert_array_equal(
        [float(r["conductance_S"]) for r in rows], network.conductances
    )
    np.testing.assert_allclose(
        [float(r["current_A"]) for r in rows], solution.currents, rtol=1e-14
    )
    network.write_csv(tmp_path / "plain.csv")
    assert (tmp_path / "plain.csv").read_text().splitlines()[
        1
    ] == "first,second,conductance_S"


@pytest.mark.parametrize(
    ("pairs", "g", "source", "sink", "message"),
    [
        ([(0, 1)], [-1.0], 0, 1, "must not be negative"),
        ([(0, 1)], [np.nan], 0, 1, "finite"),
        ([(0, 1)], [np.inf], 0, 1, "finite"),
        ([(1, 1)], [1.0], 0, 1, "two different nodes"),
        ([(0, 3)], [1.0], 0, 1, "nodes of resistors must lie in 0 to 2"),
        ([(-1, 1)], [1.0], 0, 1, "nodes of resistors must lie in 0 to 2"),
        ([(0, 1)], [1.0], 1, 1, "source and sink must differ"),
        ([(0, 1)], [1.0], 0, 3, "sink must be a node"),
        ([(0, 1)], [1.0], -1, 1, "source must be a node"),
        ([(0, 1)], [1.0, 2.0], 0, 1, "shape"),
    ],
)
def test_bad_networks_are_refused(pairs, g, source, sink, message):
    with pytest.raises(ValueError, match=message):
        Network(3, np.array(pairs), np.array(g), source, sink)


def test_every_exported_name_is_there():
    assert {"Network", "Sweep", "critical_path", "sensitivities"} <= set(percsim.__all__)
    for name in percsim.__all__:
        assert getattr(percsim, name) is not None
