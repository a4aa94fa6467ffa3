import itertools

import networkx as nx
import numpy as np
import pytest

from percsim.kernels.graph import (
    cluster_labels,
    spanning_forest,
    two_terminal_attachment,
)


def plain(kernel):
    """The Python under a compiled kernel; itself where the compiler is off."""
    return getattr(kernel, "py_func", kernel)


def random_pairs(rng, n, e):
    pairs = rng.integers(0, n, (e, 2))
    return np.ascontiguousarray(pairs[pairs[:, 0] != pairs[:, 1]])


@pytest.mark.parametrize("seed", [80041, 327, 6600])
def test_compiled_and_plain_agree(seed):
    rng = np.random.default_rng(seed)
    pairs = random_pairs(rng, 40, 55)
    g = np.where(rng.random(len(pairs)) < 0.1, 0.0, rng.random(len(pairs)))
    for one, other in zip(
        two_terminal_attachment(40, pairs, g, 0, 1),
        plain(two_terminal_attachment)(40, pairs, g, 0, 1),
        strict=True,
    ):
        np.testing.assert_array_equal(one, other)
    order = np.argsort(-g)
    for one, other in zip(
        spanning_forest(40, pairs, order, 0, 1),
        plain(spanning_forest)(40, pairs, order, 0, 1),
        strict=True,
    ):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("seed", [5, 70115, 90])
def test_spanning_forest_against_networkx(seed):
    rng = np.random.default_rng(seed)
    pairs = random_pairs(rng, 60, 70)
    g = rng.random(len(pairs))
    taken, joint = spanning_forest(60, pairs, np.argsort(-g), 3, 4)
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(60))
    for row, (i, j) in enumerate(pairs.tolist()):
        graph.add_edge(i, j, weight=g[row], row=row)
    tree = nx.maximum_spanning_tree(graph)
    assert {data["row"] for _, _, data in tree.edges(data=True)} == set(taken.tolist())
    if nx.has_path(tree, 3, 4):
        path = nx.shortest_path(nx.Graph(tree), 3, 4)
        weakest = min(
            max(d["weight"] for d in tree[a][b].values())
            for a, b in itertools.pairwise(path)
        )
        assert g[joint] == weakest
    else:
        assert joint == -1


def test_cluster_labels_against_networkx():
    rng = np.random.default_rng(20266)
    pairs = random_pairs(rng, 80, 90)
    rows = np.flatnonzero(rng.random(len(pairs)) < 0.6)
    labels, count = cluster_labels(80, pairs, rows)
    graph = nx.Graph()
    graph.add_nodes_from(range(80))
    graph.add_edges_from(pairs[rows].tolist())
    parts = sorted(map(sorted, nx.connected_components(graph)))
    assert count == len(parts)
    for number, part in enumerate(parts):
        assert set(labels[part].tolist()) == {number}


def test_backbone_order_walks_outwards():
    # each node but the first has a neighbour earlier in the order
    rng = np.random.default_rng(613)
    pairs = random_pairs(rng, 200, 500)
    _, spanning, nodes = two_terminal_attachment(200, pairs, np.ones(len(pairs)), 7, 9)
    assert spanning
    assert nodes[0] == 7
    place = {int(node): k for k, node in enumerate(nodes)}
    earliest = dict.fromkeys(place, len(nodes))
    for i, j in pairs.tolist():
        if i in place and j in place:
            earliest[i] = min(earliest[i], place[j])
            earliest[j] = min(earliest[j], place[i])
    assert all(earliest[node] < k for node, k in place.items() if k)
