import networkx as nx
import numpy as np
import pytest
from network.networks import random_network

from percsim.network.backbone import find_backbone
from percsim.network.build import Network


def backbone_by_networkx(network):
    """Biconnected component that holds a resistor added between the terminals."""
    graph = nx.Graph(network.to_networkx())
    if not nx.has_path(graph, network.source, network.sink):
        return set()
    graph.add_edge(network.source, network.sink)
    for nodes in nx.biconnected_components(graph):
        if {network.source, network.sink} <= nodes:
            return nodes
    raise AssertionError


@pytest.mark.parametrize("seed", [9023, 117, 55200, 31, 4470])
def test_against_networkx_blocks(seed):
    rng = np.random.default_rng(seed)
    for _ in range(40):
        n = int(rng.integers(2, 60))
        network = random_network(rng, n, n // 3)
        g = np.where(
            rng.random(len(network.conductances)) < 0.08, 0.0, network.conductances
        )
        network = Network(n, network.resistors, g, network.source, network.sink)
        expected = backbone_by_networkx(network)
        backbone = find_backbone(network)
        assert backbone.spanning == bool(expected)
        assert set(backbone.nodes.tolist()) == expected
        inside = np.isin(network.resistors, sorted(expected)).all(axis=1) & (g > 0.0)
        assert set(backbone.resistors.tolist()) == set(np.flatnonzero(inside).tolist())


@pytest.mark.parametrize("seed", [62, 90177])
def test_dangling_nodes_name_where_they_hang(seed):
    # removing the attachment node cuts the dangling node off from every other backbone node
    rng = np.random.default_rng(seed)
    network = random_network(rng, 60, 20)
    backbone = find_backbone(network)
    graph = nx.Graph(network.to_networkx())
    on = set(backbone.nodes.tolist())
    dangling = set(range(60)) - on
    assert dangling
    for i in dangling:
        hook = int(backbone.attachment[i])
        assert hook in on
        cut = graph.copy()
        cut.remove_node(hook)
        assert not nx.node_connected_component(cut, i) & on


def test_share_and_repr():
    pairs = np.array([(0, 1), (1, 2), (1, 3), (3, 4)])
    network = Network(5, pairs, np.ones(4), 0, 2)
    assert find_backbone(network).share == pytest.approx(1.0 / 3.0)
    assert repr(network) == "Network: 5 nodes, 4 resistors, spanning, backbone 33 %"
    assert repr(find_backbone(network)) == "Backbone: 3 nodes (33.3 %), 2 resistors"
    cut = Network(5, pairs, np.array([1.0, 0.0, 1.0, 1.0]), 0, 2)
    assert repr(cut) == "Network: 5 nodes, 4 resistors, open"
    assert find_backbone(cut).share == 0.0
