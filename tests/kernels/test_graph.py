import networkx as nx
import numpy as np
import pytest

from percsim.kernels.graph import (
    cluster_labels,
    strongest_tree,
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
    for one, other in zip(
        strongest_tree(40, pairs, g, 1),
        plain(strongest_tree)(40, pairs, g, 1),
        strict=True,
    ):
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("seed", [5, 70115, 90])
@pytest.mark.parametrize("equal", [False, True])
def test_strongest_tree_against_networkx(seed, equal):
    rng = np.random.default_rng(seed)
    pairs = random_pairs(rng, 60, 90)
    g = rng.integers(0, 4, len(pairs)) / 3.0 if equal else rng.random(len(pairs))
    visited, up = strongest_tree(60, pairs, g, 4)
    graph = nx.MultiGraph()
    graph.add_nodes_from(range(60))
    for row, (i, j) in enumerate(pairs.tolist()):
        if g[row] > 0.0:
            graph.add_edge(i, j, weight=g[row])
    component = nx.node_connected_component(graph, 4)
    assert visited[0] == 4
    assert set(visited.tolist()) == component
    assert set(np.flatnonzero(up >= 0).tolist()) == component - {4}
    # each node hangs from one met before it
    place = {int(node): k for k, node in enumerate(visited)}
    for node in visited[1:].tolist():
        assert place[int(pairs[up[node]].sum()) - node] < place[node]
    tree = nx.maximum_spanning_tree(graph.subgraph(component))
    assert g[up[visited[1:]]].sum() == pytest.approx(tree.size("weight"), rel=1e-14)


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
    # each node between the terminals has a neighbour earlier in the order
    rng = np.random.default_rng(613)
    pairs = random_pairs(rng, 200, 500)
    _, spanning, nodes, rows, ends = two_terminal_attachment(
        200, pairs, np.ones(len(pairs)), 7, 9
    )
    assert spanning
    assert nodes[-2:].tolist() == [7, 9]
    # the resistors follow, each between the positions of its own ends
    np.testing.assert_array_equal(nodes[ends], pairs[rows])
    assert len(set(rows.tolist())) == len(rows)
    met = ends[~(ends == len(nodes) - 1).any(axis=1)]
    met = np.where(met == len(nodes) - 2, -1, met)
    assert np.all(np.diff(met.min(axis=1)) >= 0)
    place = {int(node): k for k, node in enumerate(nodes[:-2])} | {7: -1, 9: -1}
    earliest = dict.fromkeys(place, len(nodes))
    for i, j in pairs.tolist():
        if i in place and j in place:
            earliest[i] = min(earliest[i], place[j])
            earliest[j] = min(earliest[j], place[i])
    assert all(earliest[node] < k for node, k in place.items() if k >= 0)
