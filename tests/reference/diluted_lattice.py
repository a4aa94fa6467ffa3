"""Bond-diluted cubic lattice between two plates, by conjugate gradients: slow, plain."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import cg


def conductance(shape, share, spread, rng):
    """Conductance between the faces of axis 0, other directions periodic.

    Each bond, those to the plates too, conducts with probability `share` and then has a
    log-normal conductance of median 1 and spread `spread` of its logarithm.
    """
    nodes = np.arange(np.prod(shape)).reshape(shape)

    def bonds(n):
        return np.where(rng.random(n) < share, np.exp(spread * rng.standard_normal(n)), 0.0)

    first, second = [nodes[:-1].ravel()], [nodes[1:].ravel()]
    for axis in (1, 2):
        first.append(nodes.ravel())
        second.append(np.roll(nodes, -1, axis=axis).ravel())
    i, j = np.concatenate(first), np.concatenate(second)
    g = bonds(len(i))
    n = nodes.size
    plates = np.zeros((2, n))
    plates[0, nodes[0].ravel()] = bonds(nodes[0].size)
    plates[1, nodes[-1].ravel()] = bonds(nodes[-1].size)
    off = coo_matrix((g, (i, j)), shape=(n, n)).tocsr()
    off = off + off.T
    degree = np.asarray(off.sum(axis=1)).ravel() + plates.sum(axis=0)
    # isolated sites, and clusters that reach no plate, keep their voltage 0 to start with
    matrix = diags(degree + (degree == 0.0)) - off
    scale = diags(1.0 / (degree + (degree == 0.0)))
    voltages, info = cg(matrix, plates[1], rtol=1e-10, maxiter=20000, M=scale)
    assert info == 0
    return float(plates[0] @ voltages)
