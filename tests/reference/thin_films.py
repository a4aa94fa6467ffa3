"""Films under electrodes by conformal mapping and by finite differences: slow, plain."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.linalg import spsolve
from scipy.special import ellipj, ellipk, ellipkm1


def bars_on_a_face(gap, length, thickness):
    """R w/rho of two bars on one face of an endless layer, no contact resistance.

    exp(pi z/t) maps the layer to the upper half plane and the bars to two stretches of the
    real axis; the resistance between those is K'(k)/K(k) with k^2 their cross-ratio
    (Smythe, Static and Dynamic Electricity, 3rd ed., section 4.30, from memory).
    """
    x = np.exp(np.pi * np.array([-length, 0.0, gap, gap + length]) / thickness)
    m = (x[1] - x[0]) * (x[3] - x[2]) / ((x[2] - x[0]) * (x[3] - x[1]))
    return ellipkm1(m) / ellipk(m)


def comb_on_a_face(gap, finger, thickness):
    """R w/rho of one gap of endless fingers on one face of a layer, no contact resistance.

    Between the middles of two fingers the layer is a rectangle, which sn maps to the upper
    half plane (as above).
    """
    pitch = finger + gap
    m = brentq(
        lambda m: ellipkm1(m) / ellipk(m) - 2.0 * thickness / pitch, 1e-12, 1 - 1e-12
    )
    s = ellipj(ellipk(m) * (1.0 - finger / pitch), m)[0]
    ratio = ((1.0 - s) / (1.0 + s)) ** 2
    return ellipkm1(ratio) / ellipk(ratio)


def _solve(conductances, pairs, n, fixed):
    """Node voltages with some fixed, by a direct solve."""
    i, j = np.array(pairs).T
    g = np.array(conductances)
    off = coo_matrix((g, (i, j)), shape=(n, n)).tocsr()
    off = off + off.T
    degree = np.asarray(off.sum(axis=1)).ravel()
    matrix = csr_matrix(
        coo_matrix((degree, (np.arange(n), np.arange(n))), shape=(n, n)) - off
    )
    known = np.array(sorted(fixed))
    values = np.array([fixed[k] for k in known])
    free = np.setdiff1d(np.arange(n), known)
    voltages = np.zeros(n)
    voltages[known] = values
    voltages[free] = spsolve(
        matrix[free][:, free].tocsc(), -matrix[free][:, known] @ values
    )
    return voltages, matrix @ voltages


def cut_through(
    stretches, length, thickness, h, *, contact=0.0, across=1.0, driven=(0, -1)
):
    """Film seen from its side, unit resistivity, electrodes on the top face.

    `stretches` are (from, to) of each electrode along the film, `contact` the contact
    resistivity over the resistivity [m]. The driven ones carry 1 V and 0 V, the others
    float. Returns (voltages of the electrodes, current per unit width).
    """
    nx, nz = round(length / h), round(thickness / h)
    node = np.arange(nx * nz).reshape(nx, nz)
    pairs, g = [], []
    for a, b, value in (
        (node[:-1], node[1:], 1.0),
        (node[:, :-1], node[:, 1:], 1.0 / across),
    ):
        pairs += list(zip(a.ravel(), b.ravel(), strict=True))
        g += [value] * a.size
    x = h * (np.arange(nx) + 0.5)
    n = nx * nz + len(stretches)
    for k, (start, stop) in enumerate(stretches):
        for i in np.flatnonzero((x > start) & (x < stop)):
            pairs.append((node[i, -1], nx * nz + k))
            g.append(h / (0.5 * h * across + contact))
    first, last = (nx * nz + range(len(stretches))[d] for d in driven)
    voltages, currents = _solve(g, pairs, n, {first: 1.0, last: 0.0})
    return voltages[nx * nz :], currents[first]


def fingers_from_above(number, finger, gap, overlap, width, h):
    """R t/rho of embedded fingers joined off the film; finite differences of step h."""
    length = number * finger + (number - 1) * gap
    nx, ny = round(length / h), round(width / h)
    x, y = h * (np.arange(nx) + 0.5), h * (np.arange(ny) + 0.5)
    owner = np.full((nx, ny), -1)
    margin = 0.5 * (width - overlap)
    for k in range(number):
        start = k * (finger + gap)
        row = (y > margin) if k % 2 == 0 else (y < width - margin)
        owner[np.ix_((x > start) & (x < start + finger), row)] = k % 2
    node = np.arange(nx * ny).reshape(nx, ny)
    pairs, g = [], []
    terminal = (nx * ny, nx * ny + 1)
    for a, b in (
        (np.s_[:-1, :], np.s_[1:, :]),
        (np.s_[:, :-1], np.s_[:, 1:]),
    ):
        rows = zip(
            node[a].ravel(), node[b].ravel(), owner[a].ravel(), owner[b].ravel(),
            strict=True,
        )  # fmt: skip
        for i, j, p, q in rows:
            if p >= 0 and q >= 0:
                continue
            one, other = (terminal[p] if p >= 0 else i), (terminal[q] if q >= 0 else j)
            pairs.append((one, other))
            g.append(2.0 if p >= 0 or q >= 0 else 1.0)  # half a step to an electrode
    for i in node[owner >= 0]:  # cells below electrodes take no part
        pairs.append((i, terminal[0]))
        g.append(1e-30)
    _, currents = _solve(g, pairs, nx * ny + 2, {terminal[0]: 1.0, terminal[1]: 0.0})
    return 1.0 / currents[terminal[0]]
