"""Random networks for the tests of this stage."""

from __future__ import annotations

import numpy as np

from percsim.network.build import Network


def random_network(rng, n, e, decades=2.0):
    """`e` random pairs of `n` nodes (duplicates welcome), joined by a random tree."""
    tree = np.column_stack([np.arange(1, n), rng.integers(0, np.arange(1, n))])
    more = rng.integers(0, n, (e, 2))
    pairs = np.concatenate([tree, more[more[:, 0] != more[:, 1]]])
    g = 10.0 ** rng.uniform(-decades, 0.0, len(pairs))
    source, sink = rng.choice(n, 2, replace=False)
    return Network(n, pairs, g, int(source), int(sink))


def random_cloud(rng, n, neighbours, decades, dimension=3):
    """Points joined below a distance, conductance falling with it over `decades`."""
    from scipy.spatial import cKDTree

    points = rng.random((n, dimension))
    ball = 4.0 / 3.0 * np.pi if dimension == 3 else np.pi
    reach = (neighbours / (n * ball)) ** (1.0 / dimension)
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray").astype(np.int64)
    distance = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    left = np.flatnonzero(points[:, 0] < 0.5 * reach)
    right = np.flatnonzero(points[:, 0] > 1.0 - 0.5 * reach)
    pairs = np.concatenate(
        [
            pairs,
            np.column_stack([left, np.full(len(left), n)]),
            np.column_stack([right, np.full(len(right), n + 1)]),
        ]
    )
    g = np.concatenate(
        [10.0 ** (-decades * distance / reach), np.ones(len(left) + len(right))]
    )
    return Network(n + 2, pairs, g, n, n + 1)


def unbalanced(network, currents):
    """Largest current missing at an inner node, relative to that between terminals."""
    out = np.zeros(network.n_nodes)
    np.add.at(out, network.resistors[:, 0], currents)
    np.add.at(out, network.resistors[:, 1], -currents)
    total = out[network.source]
    out[[network.source, network.sink]] = 0.0
    return float(np.abs(out).max() / total)
