"""Exact elimination of resistor networks, and the voltages that follow from it.

Node numbers are local: inner nodes 0 to n - 1, the source is n, the sink n + 1.
Conductances to the two terminals are kept apart from those between inner nodes, so nothing
is ever subtracted: every number of an elimination is a sum of products of positive numbers.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from percsim.kernels.arrays import longer
from percsim.kernels.dense import dense_drops, eliminate_dense

__all__ = [
    "back_substitute",
    "eliminate",
    "expand",
    "voltages_from_core",
]

MOST_WRITTEN = 35
"""Resistors written for each node that a pass takes, beyond which to iterate is cheaper
(`benchmarks.bench_backbones`; 30 to 60 are much alike)."""


@njit(cache=True, nogil=True, error_model="numpy")
def _merge(begin, columns, values, degree):  # type: ignore[no-untyped-def]
    """Merge parallel resistors of each row in place; returns how many are left.

    `begin` is brought up to date, `degree` becomes the number of neighbours of each node.
    """
    n = begin.shape[0] - 1
    degree[:n] = 0
    # where: last place a neighbour was seen at
    where = np.zeros(n, dtype=np.int32)
    m = 0
    p = begin[0]
    for c in range(n):
        b = m
        while p < begin[c + 1]:
            i = columns[p]
            q = where[i]
            if b <= q < m and columns[q] == i:
                values[q] += values[p]
            else:
                where[i] = m
                columns[m] = i
                values[m] = values[p]
                degree[i] += 1
                m += 1
            p += 1
        degree[c] += m - b
        begin[c] = b
    begin[n] = m
    return m


@njit(cache=True, nogil=True, error_model="numpy")
def _rows(n, pairs, conductances):  # type: ignore[no-untyped-def]
    """Rows by the lower node of what joins inner nodes; the rest summed by terminal.

    Returns where rows begin, the other nodes, conductances, how many neighbours each node
    has, conductances to the source and to the sink, and the one between these two.
    """
    to_source = np.zeros(n, dtype=np.float64)
    to_sink = np.zeros(n, dtype=np.float64)
    begin = np.zeros(n + 2, dtype=np.int64)
    direct = 0.0
    for e in range(pairs.shape[0]):
        i = min(pairs[e, 0], pairs[e, 1])
        j = max(pairs[e, 0], pairs[e, 1])
        if j < n:
            begin[i + 2] += 1
        elif i >= n:
            direct += conductances[e]
        elif j == n:
            to_source[i] += conductances[e]
        else:
            to_sink[i] += conductances[e]
    for i in range(n):
        begin[i + 2] += begin[i + 1]
    columns = np.empty(begin[n + 1], dtype=np.uint32)
    values = np.empty(begin[n + 1], dtype=np.float64)
    for e in range(pairs.shape[0]):
        i = min(pairs[e, 0], pairs[e, 1])
        j = max(pairs[e, 0], pairs[e, 1])
        if j < n:
            p = begin[i + 1]
            begin[i + 1] = p + 1
            columns[p] = j
            values[p] = conductances[e]
    begin = begin[: n + 1]
    degree = np.empty(n, dtype=np.int32)
    m = _merge(begin, columns, values, degree)
    return begin, columns[:m], values[:m], degree, to_source, to_sink, direct


@njit(cache=True, nogil=True, error_model="numpy")
def _mesh(star, shares, b, d, source, sink, first, second, value, m):  # type: ignore[no-untyped-def]
    """Write from m on the mesh that a star becomes: d entries from b on.

    Returns the sum of the star and where writing ended.
    """
    # compensated: one rounding however many terms
    s = source
    y = sink
    t = s + y
    lost = (t - s) - y
    s = t
    for r in range(b, b + d):
        y = shares[r] - lost
        t = s + y
        lost = (t - s) - y
        s = t
    for r in range(b, b + d):
        i = star[r]
        share = shares[r] / s
        for q in range(r + 1, b + d):
            j = star[q]
            first[m] = min(i, j)
            second[m] = max(i, j)
            value[m] = share * shares[q]
            m += 1
    return s, m


@njit(cache=True, nogil=True, error_model="numpy")
def eliminate(n, pairs, conductances, full_below, budget):  # type: ignore[no-untyped-def]
    r"""Replace inner nodes by the mesh between their neighbours.

    Parameters
    ----------
    n : int
        Number of inner nodes; the source is node n, the sink n + 1.
    pairs : (e, 2) ndarray of int32 or int64
        Resistors, parallel rows allowed.
    conductances : (e,) ndarray of float64
        All positive.
    full_below : int
        All nodes are eliminated if at most this many are left when to iterate on them
        becomes cheaper.
    budget : float
        Work allowed for all of them (resistors written) if there are more.

    Returns
    -------
    conductance : float
        Between the terminals; meaningful if no core is left.
    order : (k,) ndarray of uint32
        Nodes in the order of elimination.
    begin : (k + 1,) ndarray of int64
        Row c of the next two is ``begin[c]:begin[c + 1]``.
    columns, shares : (s,) ndarrays of uint32 and float64
        Neighbours of each node when it went, and :math:`g_{kj} / S_k`.
    source_share, sink_share : (k,) ndarrays of float64
        Same towards the terminals.
    core : tuple of ndarrays
        What is left: nodes, begin, neighbours (as positions in nodes, each pair in the row
        of its lower one), conductances, conductance to the source, to the sink.
    work : float
        Done, as it counts against the budget.
    dense_from : int
        From this place in the order on the rows are dense: columns are all later nodes.
    parallel : int
        At least the largest number of resistors between the same two nodes.

    Notes
    -----
    Star-mesh: a node with conductances :math:`g_i` and sum :math:`S` becomes resistors
    :math:`g_i g_j / S` between its neighbours. No diagonal is stored and nothing is
    subtracted, as in Grassmann, Taksar & Heyman, "Regenerative analysis and steady state
    distributions for Markov chains", Oper. Res. 33, 1107 (1985), so each step perturbs each
    conductance by a few units of rounding whatever their range.

    Each pass takes nodes none of which is beside another, of no more neighbours than the
    mean, in the order given: their stars are known at its start, what it writes is read by
    the next alone, and memory is walked from one end to the other. That comes close to
    minimum degree. The last part is done in a dense matrix.

    """
    begin, columns, values, degree, to_source, to_sink, total = _rows(
        n, pairs, conductances
    )
    m = columns.shape[0]
    parallel = 1 + pairs.shape[0] - m
    # of the nodes left: what they were, their place in the next pass, or -1 and where their
    # star is filled from
    name = np.arange(n).astype(np.uint32)
    place = np.empty(n, dtype=np.int32)
    slot = np.empty(n, dtype=np.int32)
    # resistors that a pass leaves
    first = np.empty(2 * m + 64, dtype=np.uint32)
    second = np.empty(first.shape[0], dtype=np.uint32)
    value = np.empty(first.shape[0], dtype=np.float64)
    # what comes out
    order = np.empty(n, dtype=np.uint32)
    star_begin = np.zeros(n + 1, dtype=np.int64)
    star = np.empty(m + m // 2 + n, dtype=np.uint32)
    shares = np.empty(star.shape[0], dtype=np.float64)
    source_share = np.empty(n, dtype=np.float64)
    sink_share = np.empty(n, dtype=np.float64)
    count = 0
    used = 0
    work = 0.0
    left = n
    dense_from = n
    while left > 0:
        resistors = columns.shape[0]
        # nodes that go, and how many resistors there will be before parallel ones merge
        limit = max(3, 2 * resistors // left)
        place[:left] = 0
        size = used
        last = count
        written = resistors
        for c in range(left):
            d = degree[c]
            if place[c] == 0 and d <= limit:
                place[c] = -1
                slot[c] = size
                order[last] = name[c]
                source_share[last] = to_source[c]
                sink_share[last] = to_sink[c]
                last += 1
                size += d
                star_begin[last] = size
                written += d * (d - 1) // 2 - d
                for p in range(begin[c], begin[c + 1]):
                    place[columns[p]] = 1
        dense = left <= 6000 and 10 * resistors >= left * left
        dear = written > MOST_WRITTEN * (last - count)
        cost = 0.01 * float(left) ** 3 if dense else float(written)
        if (dense or dear) and left > full_below and work + cost > budget:
            break
        work += cost
        if dense:
            dense_from = count
            break
        # those that stay move up
        kept = 0
        for c in range(left):
            if place[c] >= 0:
                place[c] = kept
                name[kept] = name[c]
                to_source[kept] = to_source[c]
                to_sink[kept] = to_sink[c]
                kept += 1
        if size > star.shape[0]:
            star = longer(star, used, size + size // 2)
            shares = longer(shares, used, size + size // 2)
        if written + 64 > first.shape[0]:
            first = np.empty(written + 64, dtype=np.uint32)
            second = np.empty(first.shape[0], dtype=np.uint32)
            value = np.empty(first.shape[0], dtype=np.float64)
        # each resistor into the star of the end that goes, or to those left
        m = 0
        for c in range(left):
            a = place[c]
            if a < 0:
                q = slot[c]
                for p in range(begin[c], begin[c + 1]):
                    star[q] = place[columns[p]]
                    shares[q] = values[p]
                    q += 1
                continue
            for p in range(begin[c], begin[c + 1]):
                i = columns[p]
                b = place[i]
                if b < 0:
                    q = slot[i]
                    slot[i] = q + 1
                    star[q] = a
                    shares[q] = values[p]
                else:
                    first[m] = a
                    second[m] = b
                    value[m] = values[p]
                    m += 1
        for k in range(count, last):
            b = star_begin[k]
            d = star_begin[k + 1] - b
            ca = source_share[k]
            cb = sink_share[k]
            s, m = _mesh(star, shares, b, d, ca, cb, first, second, value, m)
            total += ca / s * cb
            ca /= s
            cb /= s
            source_share[k] = ca
            sink_share[k] = cb
            for p in range(b, b + d):
                i = star[p]
                w = shares[p]
                to_source[i] += w * ca
                to_sink[i] += w * cb
                shares[p] = w / s
                star[p] = name[i]
        count = last
        used = size
        left = kept
        # the rows of the next pass
        following = np.zeros(left + 2, dtype=np.int64)
        for e in range(m):
            following[first[e] + 2] += 1
        for c in range(left):
            following[c + 2] += following[c + 1]
        columns = np.empty(m, dtype=np.uint32)
        values = np.empty(m, dtype=np.float64)
        for e in range(m):
            p = following[first[e] + 1]
            following[first[e] + 1] = p + 1
            columns[p] = second[e]
            values[p] = value[e]
        begin = following[: left + 1]
        m = _merge(begin, columns, values, degree)
        columns = columns[:m]
        values = values[:m]
    if dense_from < n:
        # most are neighbours of most: all that is left at once
        g = np.zeros((left, left + 2), dtype=np.float64)
        for c in range(left):
            for p in range(begin[c], begin[c + 1]):
                g[c, columns[p]] = values[p]
            g[c, left] = to_source[c]
            g[c, left + 1] = to_sink[c]
        total += eliminate_dense(g)
        # its rows become rows of shares like those before
        size = used + left * (left - 1) // 2
        star = longer(star, used, size)
        shares = longer(shares, used, size)
        for c in range(left):
            source_share[count] = g[c, left]
            sink_share[count] = g[c, left + 1]
            for q in range(c + 1, left):
                star[used] = name[q]
                shares[used] = g[c, q]
                used += 1
            order[count] = name[c]
            count += 1
            star_begin[count] = used
        left = 0
    # copies, so that what was as long as all nodes is let go
    core = (
        name[:left].copy(),
        begin[: left + 1],
        columns.view(np.int32),
        values,
        to_source[:left].copy(),
        to_sink[:left].copy(),
    )
    return (
        total,
        order[:count],
        star_begin[: count + 1],
        star[:used],
        shares[:used],
        source_share[:count],
        sink_share[:count],
        core,
        work,
        dense_from,
        parallel,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def voltages_from_core(  # type: ignore[no-untyped-def]
    n, order, begin, columns, shares, source_share, core_nodes, core_voltages
):
    """Voltages of all nodes from those of the core: each the mean over its star.

    Parameters
    ----------
    n : int
        Number of inner nodes.
    order, begin, columns, shares, source_share : ndarrays
        From `eliminate`.
    core_nodes : (c,) ndarray of uint32
        Nodes that were not eliminated.
    core_voltages : (c,) ndarray of float64
        Their voltages, 1 at the source and 0 at the sink.

    Returns
    -------
    (n,) ndarray of float64
        Voltages.

    """
    out = np.empty(n, dtype=np.float64)
    for m in range(core_nodes.shape[0]):
        out[core_nodes[m]] = core_voltages[m]
    for c in range(order.shape[0] - 1, -1, -1):
        u = source_share[c]
        for p in range(begin[c], begin[c + 1]):
            u += shares[p] * out[columns[p]]
        out[order[c]] = u
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _along(n, pairs, rank, begin, columns, drops, above, below, dense_from):  # type: ignore[no-untyped-def]
    """Voltage of the first node of each resistor less that of its second."""
    out = np.empty(pairs.shape[0], dtype=np.float64)
    for e in range(pairs.shape[0]):
        i = pairs[e, 0]
        j = pairs[e, 1]
        if i < n and j < n:
            # in the row of the end that went first
            sign = 1.0
            if rank[j] < rank[i]:
                i, j = j, i
                sign = -1.0
            c = rank[i]
            q = begin[c]
            if c >= dense_from:
                q += rank[j] - c - 1
            else:
                while columns[q] != j:
                    q += 1
            drop = drops[q]
        else:
            # to a terminal, or between the two
            sign = 1.0
            if i > j:
                i, j = j, i
                sign = -1.0
            if i == n:
                drop = 1.0
            elif j == n:
                drop = -below[i]
            else:
                drop = above[i]
        out[e] = sign * drop
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def back_substitute(  # type: ignore[no-untyped-def]
    n, pairs, order, begin, columns, shares, source_share, sink_share, dense_from
):
    r"""Voltages and voltage drops from an elimination that left no core, last node first.

    Parameters
    ----------
    n : int
        Number of inner nodes; the source is node n, the sink n + 1.
    pairs : (e, 2) ndarray of int32 or int64
        Resistors.
    order, begin, columns, shares, source_share, sink_share : ndarrays
        From `eliminate`.
    dense_from : int
        From `eliminate`.

    Returns
    -------
    above : (n,) ndarray of float64
        Voltages above the sink.
    below : (n,) ndarray of float64
        Voltages below the source, each with its own full relative accuracy.
    drops : (e,) ndarray of float64
        Of each resistor, from its first node to its second.

    Notes
    -----
    :math:`V_k - V_i = \sum_j (g_{kj}/S_k) (V_j - V_i)`: the drop along each resistor of a
    star follows from the drops of its mesh, never from the difference of two rounded
    voltages, so that currents keep their digits where voltages are nearly equal.

    """
    # rank: place in the order; drops: V_k - V_j of each entry of the columns
    above = np.zeros(n, dtype=np.float64)
    below = np.zeros(n, dtype=np.float64)
    drops = np.zeros(columns.shape[0], dtype=np.float64)
    rank = np.empty(n, dtype=np.int64)
    where = np.full(n, -1, dtype=np.int64)
    for c in range(n):
        rank[order[c]] = c
    # nodes of the dense part, all at once
    if dense_from < n:
        m = n - dense_from
        dense = np.zeros((m, m + 2), dtype=np.float64)
        for p in range(m):
            c = dense_from + p
            for q in range(p + 1, m):
                dense[p, q] = shares[begin[c] + q - p - 1]
            dense[p, m] = source_share[c]
            dense[p, m + 1] = sink_share[c]
        found = dense_drops(dense)
        for p in range(m):
            c = dense_from + p
            above[order[c]] = found[p, m + 1]
            below[order[c]] = found[m, p]
            for q in range(p + 1, m):
                drops[begin[c] + q - p - 1] = found[p, q]
    # the others, last node first
    for c in range(dense_from - 1, -1, -1):
        first = begin[c]
        last = begin[c + 1]
        ca = source_share[c]
        cb = sink_share[c]
        # voltages are means over the star; so are drops, here through the terminals
        u = ca
        w = cb
        for p in range(first, last):
            j = columns[p]
            where[j] = p
            u += shares[p] * above[j]
            w += shares[p] * below[j]
            drops[p] += ca * below[j] - cb * above[j]
        # drops through the other neighbours: between two of them the drop stands in the
        # row of the one that went first
        for p in range(first, last):
            r = rank[columns[p]]
            for q in range(begin[r], begin[r + 1]):
                f = where[columns[q]]
                if f >= first:
                    drops[p] -= shares[f] * drops[q]
                    drops[f] += shares[p] * drops[q]
        for p in range(first, last):
            where[columns[p]] = -1
        above[order[c]] = u
        below[order[c]] = w
    along = _along(n, pairs, rank, begin, columns, drops, above, below, dense_from)
    return above, below, along


@njit(cache=True, nogil=True, error_model="numpy")
def expand(attachment, nodes, above, below, rows, currents, exponent, resistors):  # type: ignore[no-untyped-def]
    """Carry voltages and currents of a backbone to the network that it is part of.

    Parameters
    ----------
    attachment : (n,) ndarray of int32
        Backbone node whose voltage each node has, or -1.
    nodes : (b,) ndarray of int64
        Backbone nodes, the source and the sink last.
    above, below : (b - 2,) ndarrays of float64
        Voltages above the sink and below the source.
    rows : (k,) ndarray of int32
        Resistors of the backbone.
    currents : (k,) ndarray of float64
        Theirs, over two to the `exponent`.
    exponent : int
        From -1100 to 1100.
    resistors : int
        Number of resistors of the network.

    Returns
    -------
    voltages : (n,) ndarray of float64
        1 at the source; 0 where no terminal is reached.
    currents : (resistors,) ndarray of float64
        0 off the backbone.

    """
    n = attachment.shape[0]
    voltages = np.empty(n, dtype=np.float64)
    for k in range(above.shape[0]):
        voltages[nodes[k]] = above[k] if above[k] < 0.5 else 1.0 - below[k]
    voltages[nodes[above.shape[0]]] = 1.0
    voltages[nodes[above.shape[0] + 1]] = 0.0
    # on the backbone a node is attached to itself
    for i in range(n):
        voltages[i] = voltages[attachment[i]] if attachment[i] >= 0 else 0.0
    # in two steps, as two to the exponent may be no number
    one = 2.0 ** (exponent // 2)
    other = 2.0 ** (exponent - exponent // 2)
    out = np.zeros(resistors, dtype=np.float64)
    for k in range(rows.shape[0]):
        out[rows[k]] = currents[k] * one * other
    return voltages, out
