"""Iteration on resistor networks: approximate factors, voltages, currents for the proof."""

from __future__ import annotations

import numpy as np
from numba import njit

from percsim.kernels.arrays import longer

__all__ = [
    "approximate_cholesky",
    "conjugate_gradient",
    "conserve",
    "conserve_inwards",
]


@njit(cache=True, nogil=True, error_model="numpy")
def approximate_cholesky(begin, columns, values, ground, seed):  # type: ignore[no-untyped-def]
    r"""Randomised sparse factors of a grounded Laplacian.

    Parameters
    ----------
    begin, columns, values : ndarrays of int, int, float64
        Conductances between the `n` nodes, each pair in the row of its lower one.
    ground : (n,) ndarray of float64
        Conductance from each node to ground.
    seed : int
        Of the samples; the same seed gives the same factors.

    Returns
    -------
    order : (n,) ndarray of uint32
        Nodes in the order of elimination.
    factor_begin, factor_columns, factor_shares : ndarrays of uint64, uint32, float64
        Column c of the unit triangular factor is -shares at these nodes.
    pivots : (n,) ndarray of float64
        Diagonal, in the order of elimination.

    Notes
    -----
    Eliminating a node replaces its star by a mesh; here each of its resistors but the last,
    in ascending order, draws one partner among the stronger ones, with a conductance that
    makes the mean of the sampled mesh the exact one (Kyng & Sachdeva, "Approximate Gaussian
    elimination for Laplacians", FOCS 2016; ascending order and merged parallel resistors as
    in Chen, Liang & Biros, "RCHOL", SIAM J. Sci. Comput. 43, C411 (2021)). Conductances to
    ground are kept exactly. The random numbers are Marsaglia's ("Xorshift RNGs", J. Stat.
    Softw. 8(14) (2003)).

    Order: pass after pass over the nodes as given, each taking a third of those left, of
    the lowest degree at its start. That comes close to minimum degree, walks through memory
    from one end to the other, and as each pass knows its order beforehand, a resistor is
    kept at one end only, the one that goes first.

    """
    n = ground.shape[0]
    m = columns.shape[0]
    # resistors between nodes that the pass at hand leaves
    first = np.empty(m, dtype=np.uint32)
    second = np.empty(m, dtype=np.uint32)
    value = np.empty(m, dtype=np.float64)
    resistors = m
    for i in range(n):
        for p in range(begin[i], begin[i + 1]):
            first[p] = i
            second[p] = columns[p]
            value[p] = values[p]
    to_ground = ground.copy()
    left = np.arange(n).astype(np.uint32)
    degree = np.zeros(n, dtype=np.int32)
    counted = np.empty(256, dtype=np.int64)
    # place in the pass, -1 if later; place in the star at hand
    place = np.full(n, -1, dtype=np.int32)
    where = np.full(n, -1, dtype=np.int32)
    # resistors of the pass: rows by the end that goes first, then lists of those drawn
    row = np.empty(n + 2, dtype=np.int32)
    row_node = np.empty(m // 4 + 16, dtype=np.uint32)
    row_value = np.empty(row_node.shape[0], dtype=np.float64)
    newest = np.full(n, -1, dtype=np.int32)
    drawn_node = np.empty(m // 8 + 64, dtype=np.uint32)
    drawn_before = np.empty(m // 8 + 64, dtype=np.int32)
    drawn_value = np.empty(m // 8 + 64, dtype=np.float64)

    # what comes out; the star at hand; the state of the random numbers
    order = np.empty(n, dtype=np.uint32)
    pivots = np.empty(n, dtype=np.float64)
    factor_begin = np.zeros(n + 1, dtype=np.uint64)
    factor_columns = np.empty(m + m // 2 + n, dtype=np.uint32)
    factor_shares = np.empty(factor_columns.shape[0], dtype=np.float64)
    node = np.empty(64, dtype=np.uint32)
    weight = np.empty(64, dtype=np.float64)
    rest = np.empty(64, dtype=np.float64)
    state = np.uint64(seed) ^ np.uint64(0x2545F4914F6CDD1D)
    for _ in range(32):
        state ^= state << np.uint64(13)
        state ^= state >> np.uint64(7)
        state ^= state << np.uint64(17)
    used = 0
    count = 0
    while count < n:
        # degrees, and the limit below which a third of the nodes lie
        remaining = n - count
        for c in range(remaining):
            degree[left[c]] = 0
        for e in range(resistors):
            degree[first[e]] += 1
            degree[second[e]] += 1
        limit = n + m
        counted[:] = 0
        for c in range(remaining):
            counted[min(degree[left[c]], 255)] += 1
        s = 0
        for h in range(255):
            s += counted[h]
            if 3 * s >= remaining:
                limit = h
                break
        # those go in this pass, in the order given; the others wait
        taken = 0
        kept = 0
        for c in range(remaining):
            i = left[c]
            if degree[i] <= limit:
                place[i] = taken
                order[count + taken] = i
                row[taken + 1] = 0
                taken += 1
            else:
                left[kept] = i
                kept += 1
        # places ascend with nodes; row[c + 1] counts, then walks from begin to end
        for e in range(resistors):
            a = place[first[e]]
            b = place[second[e]]
            if a >= 0 and (b < 0 or a < b):
                row[a + 1] += 1
            elif b >= 0:
                row[b + 1] += 1
        row[0] = 0
        s = 0
        for c in range(taken):
            h = row[c + 1]
            row[c + 1] = s
            s += h
        if s > row_node.shape[0]:
            row_node = np.empty(s + s // 4, dtype=np.uint32)
            row_value = np.empty(row_node.shape[0], dtype=np.float64)
        # resistors into those rows; what the pass leaves is packed
        kept = 0
        for e in range(resistors):
            i = first[e]
            j = second[e]
            a = place[i]
            b = place[j]
            if a >= 0 and (b < 0 or a < b):
                p = row[a + 1]
                row[a + 1] = p + 1
                row_node[p] = j
                row_value[p] = value[e]
            elif b >= 0:
                p = row[b + 1]
                row[b + 1] = p + 1
                row_node[p] = i
                row_value[p] = value[e]
            else:
                first[kept] = i
                second[kept] = j
                value[kept] = value[e]
                kept += 1
        resistors = kept
        # the nodes of the pass, one after the other
        drawn = 0
        for c in range(taken):
            k = order[count]
            # gather, merging parallel resistors
            d = 0
            inside = row[c + 1] - row[c]
            p = row[c]
            h = newest[k]
            while inside > 0 or h >= 0:
                if inside > 0:
                    i = row_node[p]
                    w = row_value[p]
                    p += 1
                    inside -= 1
                else:
                    i = drawn_node[h]
                    w = drawn_value[h]
                    h = drawn_before[h]
                q = where[i]
                if q >= 0:
                    weight[q] += w
                else:
                    if d == node.shape[0]:
                        node = longer(node, d, 2 * d)
                        weight = longer(weight, d, 2 * d)
                        rest = np.empty(2 * d, dtype=np.float64)
                    where[i] = d
                    node[d] = i
                    weight[d] = w
                    d += 1
            # ascending order (Shell's sort: short lists)
            gap = 1
            while 20 * gap < d:
                gap = 3 * gap + 1
            while gap > 0:
                for r in range(gap, d):
                    w = weight[r]
                    i = node[r]
                    q = r
                    while q >= gap and weight[q - gap] > w:
                        weight[q] = weight[q - gap]
                        node[q] = node[q - gap]
                        q -= gap
                    weight[q] = w
                    node[q] = i
                gap //= 3
            # rest[r]: sum of what is stronger than r
            total = 0.0
            for r in range(d - 1, -1, -1):
                rest[r] = total
                total += weight[r]
            total += to_ground[k]
            # room for what the star adds
            if used + d > factor_columns.shape[0]:
                room = used + used // 2 + d
                factor_columns = longer(factor_columns, used, room)
                factor_shares = longer(factor_shares, used, room)
            if drawn + d > drawn_node.shape[0]:
                room = 2 * drawn + d
                drawn_node = longer(drawn_node, drawn, room)
                drawn_before = longer(drawn_before, drawn, room)
                drawn_value = longer(drawn_value, drawn, room)
            # its column of the factor; what it had to ground goes to its neighbours
            to_ground_share = to_ground[k] / total
            for r in range(d):
                i = node[r]
                where[i] = -1
                factor_columns[used + r] = i
                factor_shares[used + r] = weight[r] / total
                to_ground[i] += weight[r] * to_ground_share
            # each resistor but the last draws a partner
            for r in range(d - 1):
                state ^= state << np.uint64(13)
                state ^= state >> np.uint64(7)
                state ^= state << np.uint64(17)
                # rest[q] falls with q: partner q has rest[q] <= x < rest[q - 1]; halved
                # without a branch, which could not be foretold
                x = np.float64(state >> np.uint64(11)) * 2.0**-53 * rest[r]
                lo = r + 1
                span = d - lo
                while span > 1:
                    half = span // 2
                    lo += half if rest[lo + half - 1] > x else 0
                    span -= half
                # to the resistors of later passes, or to the end that goes first
                i = node[r]
                j = node[lo]
                w = weight[r] * (rest[r] / total)
                a = place[i]
                b = place[j]
                if a < 0 and b < 0:
                    first[resistors] = i
                    second[resistors] = j
                    value[resistors] = w
                    resistors += 1
                    continue
                if a < 0 or (b >= 0 and b < a):
                    i, j = j, i
                drawn_node[drawn] = j
                drawn_value[drawn] = w
                drawn_before[drawn] = newest[i]
                newest[i] = drawn
                drawn += 1
            used += d
            pivots[count] = total
            count += 1
            factor_begin[count] = used
    return (
        order,
        factor_begin,
        factor_columns[:used],
        factor_shares[:used],
        pivots,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def conjugate_gradient(  # type: ignore[no-untyped-def]
    begin, columns, values, load, sink_part, x, order, factor_begin, factor_columns,
    factor_shares, pivots, tolerance, most
):  # fmt: skip
    r"""Solve a grounded Laplacian by conjugate gradients with approximate factors.

    Parameters
    ----------
    begin, columns, values : ndarrays of int64, int32, float64
        As in `approximate_cholesky`; conductances to ground are `load` + `sink_part`.
    load : (n,) ndarray of float64
        Conductance to the source of each node, the right-hand side.
    sink_part : (n,) ndarray of float64
        Conductance to the sink of each node.
    x : (n,) ndarray of float64
        First guess.
    order, factor_begin, factor_columns, factor_shares, pivots : ndarrays
        From `approximate_cholesky`.
    tolerance : float
        Stops when :math:`r^T M^{-1} r` falls to this share of the energy.
    most : int
        Iterations allowed.

    Returns
    -------
    x : (n,) ndarray of float64
        Voltages.
    iterations : int
        Used.
    remaining : float
        Last :math:`r^T M^{-1} r`, which follows the error of the energy.
    energy : float
        Of the voltages as last evaluated, with the source at 1 and the sink at 0.

    """
    # a signed index is tested at each use, as it may count from the end
    n = load.shape[0]
    begin = begin.view(np.uint64)
    columns = columns.view(np.uint32)
    x = x.copy()
    ground = load + sink_part
    r = np.empty(n, dtype=np.float64)
    z = np.empty(n, dtype=np.float64)
    p = np.zeros(n, dtype=np.float64)
    q = np.empty(n, dtype=np.float64)
    # residual: current that each node would gain
    for i in range(n):
        r[i] = load[i] * (1.0 - x[i]) - sink_part[i] * x[i]
    for i in range(n):
        for e in range(begin[i], begin[i + 1]):
            j = columns[e]
            t = values[e] * (x[i] - x[j])
            r[i] -= t
            r[j] += t
    for i in range(n):
        z[i] = r[i]
    energy = np.inf
    best = np.inf
    best_at = 0
    old = 0.0
    iterations = 0
    while True:
        # z = M^-1 r: down the factor, over the pivots, up again
        new = 0.0
        for c in range(n):
            i = order[c]
            s = z[i]
            for e in range(factor_begin[c], factor_begin[c + 1]):
                z[factor_columns[e]] += factor_shares[e] * s
            t = s / pivots[c]
            z[i] = t
            new += s * t
        for c in range(n - 1, -1, -1):
            i = order[c]
            s = z[i]
            for e in range(factor_begin[c], factor_begin[c + 1]):
                s += factor_shares[e] * z[factor_columns[e]]
            z[i] = s
        # given up after 30 iterations without a gain of four
        if new < 0.25 * best:
            best = new
            best_at = iterations
        if not new > tolerance * energy:
            # the energy only falls: stop on a fresh one
            energy = 0.0
            for i in range(n):
                energy += load[i] * (1.0 - x[i]) ** 2 + sink_part[i] * x[i] ** 2
                for e in range(begin[i], begin[i + 1]):
                    energy += values[e] * (x[i] - x[columns[e]]) ** 2
            if not new > tolerance * energy:
                break
        if iterations >= most or iterations > best_at + 30:
            break
        # the next direction p, and q, its currents
        ratio = new / old if iterations > 0 else 0.0
        old = new
        for i in range(n):
            p[i] = z[i] + ratio * p[i]
            q[i] = ground[i] * p[i]
        s = 0.0
        for i in range(n):
            t = q[i]
            for e in range(begin[i], begin[i + 1]):
                j = columns[e]
                y = values[e] * (p[i] - p[j])
                t += y
                q[j] -= y
            # lower rows have added their part
            q[i] = t
            s += t * p[i]
        if not s > 0.0:
            break
        # as far along it as lowers the energy most
        step = new / s
        for i in range(n):
            x[i] += step * p[i]
            r[i] -= step * q[i]
            z[i] = r[i]
        iterations += 1
    return x, iterations, new, energy


@njit(cache=True, nogil=True, error_model="numpy")
def _hand_on(pairs, currents, out, i, e):  # type: ignore[no-untyped-def]
    """Let resistor e of the tree take what enters node i and does not leave, in place."""
    j = pairs[e, 0] + pairs[e, 1] - i
    high = out[i, 0]
    if pairs[e, 0] == i:
        currents[e] = (currents[e] - high) - out[i, 1]
    else:
        currents[e] = (currents[e] + high) + out[i, 1]
    a = out[j, 0]
    t = a + high
    b = t - a
    out[j, 1] += (a - (t - b)) + (high - b) + out[i, 1]
    out[j, 0] = t


@njit(cache=True, nogil=True, error_model="numpy")
def conserve(n, pairs, currents, visited, up, source, total):  # type: ignore[no-untyped-def]
    """Make currents conserve exactly, by what is missing along a tree.

    Parameters
    ----------
    n : int
        Number of nodes, terminals included; what the tree does not join carries nothing.
    pairs : (e, 2) ndarray of int32 or int64
        Resistors.
    currents : (e,) ndarray of float64
        From first to second node; changed in place along the tree.
    visited, up : (n,) ndarrays of int32
        A spanning tree from the sink outwards, as `strongest_tree` returns it.
    source : int
        The other terminal.
    total : float
        Current that is to enter at the source and leave at the sink.

    Notes
    -----
    What a node misses is carried as an unevaluated sum of two floating-point numbers
    (Knuth's two-sum), so what is left over is a rounding of each current of the tree.

    """
    # out: current that leaves a node, as high + low parts
    out = np.zeros((n, 2), dtype=np.float64)
    for e in range(pairs.shape[0]):
        for side in range(2):
            i = pairs[e, side]
            y = currents[e] if side == 0 else -currents[e]
            a = out[i, 0]
            t = a + y
            b = t - a
            out[i, 1] += (a - (t - b)) + (y - b)
            out[i, 0] = t
    # the source misses the total
    a = out[source, 0]
    t = a - total
    b = t - a
    out[source, 1] += (a - (t - b)) + (-total - b)
    out[source, 0] = t
    # from the leaves to the sink
    for c in range(visited.shape[0] - 1, 0, -1):
        i = visited[c]
        _hand_on(pairs, currents, out, i, up[i])


@njit(cache=True, nogil=True, error_model="numpy")
def conserve_inwards(n, pairs, conductances, voltages):  # type: ignore[no-untyped-def]
    """Power of voltages, and what currents waste that conserve exactly.

    Parameters
    ----------
    n : int
        Number of inner nodes; the source is node n, the sink n + 1. Each has a resistor to
        a lower node or to a terminal, as a breadth-first walk from the source numbers them.
    pairs : (e, 2) ndarray of int32
        Resistors.
    conductances : (e,) ndarray of float64
        All positive.
    voltages : (n,) ndarray of float64
        Of the inner nodes, 1 at the source and 0 at the sink.

    Returns
    -------
    power : float
        Of the voltages.
    waste : float
        Power of the currents over the square of what they bring to the sink.
    currents : (e,) ndarray of float64
        From first to second node; `power` enters and leaves.

    Notes
    -----
    What a node misses goes along its best resistor to a lower node or a terminal, highest
    nodes first; which of the terminals it ends at makes no difference to the proof. As in
    `conserve` it is carried as two floating-point numbers, and what is left over is a
    rounding of each current of the tree. Sums are of blocks of 32, with what their sum
    loses.

    """
    e_count = pairs.shape[0]
    currents = np.empty(e_count, dtype=np.float64)
    up = np.full(n, -1, dtype=np.int32)
    out = np.zeros((n + 2, 2), dtype=np.float64)
    power = 0.0
    lost = 0.0
    part = 0.0
    for e in range(e_count):
        i = pairs[e, 0]
        j = pairs[e, 1]
        g = conductances[e]
        u = 1.0 if i == n else 0.0 if i > n else voltages[i]
        w = 1.0 if j == n else 0.0 if j > n else voltages[j]
        c = g * (u - w)
        part += c * (u - w)
        if e & 31 == 31:
            y = part - lost
            t = power + y
            lost = (t - power) - y
            power = t
            part = 0.0
        currents[e] = c
        # current that leaves a node, as high + low parts
        a = out[i, 0]
        t = a + c
        b = t - a
        out[i, 1] += (a - (t - b)) + (c - b)
        out[i, 0] = t
        a = out[j, 0]
        t = a - c
        b = t - a
        out[j, 1] += (a - (t - b)) - (c + b)
        out[j, 0] = t
        # the end that hangs from the other
        k = i if j >= n else j if i >= n else max(i, j)
        if k < n and (up[k] < 0 or g > conductances[up[k]]):
            up[k] = e
    power += part - lost
    for k in range(n - 1, -1, -1):
        _hand_on(pairs, currents, out, k, up[k])
    waste = 0.0
    lost = 0.0
    part = 0.0
    for e in range(e_count):
        part += currents[e] * (currents[e] / conductances[e])
        if e & 31 == 31:
            y = part - lost
            t = waste + y
            lost = (t - waste) - y
            waste = t
            part = 0.0
    waste += part - lost
    total = -(out[n + 1, 0] + out[n + 1, 1])
    for e in range(e_count):
        currents[e] *= power / total
    return power, waste / (total * total), currents
