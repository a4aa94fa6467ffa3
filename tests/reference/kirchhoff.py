"""Slow and obvious: Kirchhoff's equations in dense and in arbitrary precision."""

from __future__ import annotations

import mpmath
import numpy as np


def solve_dense(network):
    """Resistance and voltages at 1 V across, by numpy on the dense Kirchhoff matrix.

    Isolated parts get 0 V: the pseudo-inverse solution of the connected part only.
    """
    n = network.n_nodes
    matrix = np.zeros((n, n))
    for (i, j), g in zip(network.resistors, network.conductances, strict=True):
        matrix[i, i] += g
        matrix[j, j] += g
        matrix[i, j] -= g
        matrix[j, i] -= g
    reached = {network.source, network.sink}
    while True:
        more = {
            int(b)
            for pair, g in zip(network.resistors, network.conductances, strict=True)
            for a, b in (pair, pair[::-1])
            if g > 0.0 and a in reached and b not in reached
        }
        if not more:
            break
        reached |= more
    inner = sorted(reached - {network.source, network.sink})
    voltages = np.zeros(n)
    voltages[network.source] = 1.0
    if inner:
        voltages[inner] = np.linalg.solve(
            matrix[np.ix_(inner, inner)], -matrix[inner, network.source]
        )
    current = matrix[network.source] @ voltages
    return (1.0 / current if current > 0.0 else np.inf), voltages


def solve_in_many_digits(network, digits=400):
    """Resistance, voltages and currents by Gaussian elimination with mpmath.

    The diagonal is stored and subtracted from, as in any textbook; digits make up for it.
    All nodes must be connected to a terminal.
    """
    with mpmath.workdps(digits):
        rows = {i: {} for i in range(network.n_nodes)}
        for (i, j), g in zip(
            network.resistors.tolist(), network.conductances.tolist(), strict=True
        ):
            g = mpmath.mpf(g)
            if g == 0:
                continue
            for a, b in ((i, j), (j, i)):
                rows[a][a] = rows[a].get(a, mpmath.mpf(0)) + g
                rows[a][b] = rows[a].get(b, mpmath.mpf(0)) - g
        source, sink = network.source, network.sink
        alive = {i for i in rows if rows[i]} - {source, sink}
        gone = []
        while alive:
            k = min(alive, key=lambda i: (len(rows[i]), i))
            alive.remove(k)
            row = {j: v for j, v in rows[k].items() if j in alive or j in (source, sink)}
            pivot = rows[k][k]
            for i in row:
                factor = rows[i].pop(k) / pivot
                for j, v in row.items():
                    rows[i][j] = rows[i].get(j, mpmath.mpf(0)) - factor * v
            gone.append((k, pivot, row))
        conductance = -rows[source].get(sink, mpmath.mpf(0))
        voltages = {source: mpmath.mpf(1), sink: mpmath.mpf(0)}
        for k, pivot, row in reversed(gone):
            voltages[k] = -sum(v * voltages[j] for j, v in row.items()) / pivot
        currents = np.array(
            [
                float(mpmath.mpf(g) * (voltages.get(i, 0) - voltages.get(j, 0)))
                for (i, j), g in zip(
                    network.resistors.tolist(), network.conductances.tolist(), strict=True
                )
            ]
        )
        return (
            float(1 / conductance),
            np.array([float(voltages.get(i, 0)) for i in range(network.n_nodes)]),
            currents,
        )
