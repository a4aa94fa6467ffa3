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

__all__ = ["back_substitute", "eliminate", "expand", "resistor_drops"]


@njit(cache=True, nogil=True, error_model="numpy")
def _repack(nodes, values, begin, length, room, alive, need):  # type: ignore[no-untyped-def]
    """Move the rows of living nodes to a fresh pool, `need` entries free behind."""
    # room for each row to grow by a quarter
    total = 0
    for i in range(alive.shape[0]):
        if alive[i]:
            total += length[i] + length[i] // 4 + 3
    size = total + total // 4 + need + 16
    new_nodes = np.empty(size, dtype=np.int32)
    new_values = np.empty(size, dtype=np.float64)
    end = 0
    for i in range(alive.shape[0]):
        if alive[i]:
            b = begin[i]
            for q in range(length[i]):
                new_nodes[end + q] = nodes[b + q]
                new_values[end + q] = values[b + q]
            begin[i] = end
            room[i] = length[i] + length[i] // 4 + 3
            end += room[i]
    return new_nodes, new_values, end


PANEL = 64
"""Nodes of a dense part that are eliminated before the rest is brought up to date."""


@njit(cache=True, nogil=True, error_model="numpy")
def eliminate(n, pairs, conductances, full_below, budget):  # type: ignore[no-untyped-def]
    r"""Replace inner nodes one after the other by the mesh between their neighbours.

    Parameters
    ----------
    n : int
        Number of inner nodes; the source is node n, the sink n + 1.
    pairs : (e, 2) ndarray of int32 or int64
        Resistors, parallel rows allowed.
    conductances : (e,) ndarray of float64
        All positive.
    full_below : int
        All nodes are eliminated if at most this many have more than three neighbours left.
    budget : float
        Work allowed for all of them (updates of one conductance) if there are more. When
        it runs out, the elimination goes back to where all nodes of up to three neighbours
        were gone.

    Returns
    -------
    conductance : float
        Between the terminals; meaningful if no core is left.
    order : (k,) ndarray of int64
        Nodes in the order of elimination.
    begin : (k + 1,) ndarray of int64
        Row c of the next two is ``begin[c]:begin[c + 1]``.
    columns, shares : (s,) ndarrays of int32 and float64
        Neighbours of each node when it went, and :math:`g_{kj} / S_k`.
    source_share, sink_share : (k,) ndarrays of float64
        Same towards the terminals.
    core : tuple of ndarrays
        What is left: nodes, begin, neighbours (as positions in nodes, each pair in the row
        of its lower one), conductances, conductance to the source, to the sink.
    work : float
        Updates made.
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
    conductance by a few units of rounding whatever their range. Order: minimum degree. The
    last part is done in a dense matrix.

    """
    # resistors that meet a terminal are summed; those between inner nodes are counted
    to_source = np.zeros(n, dtype=np.float64)
    to_sink = np.zeros(n, dtype=np.float64)
    total = 0.0
    direct = 0
    start = np.zeros(n + 1, dtype=np.int32)
    grounded = np.zeros(n, dtype=np.int32)
    for e in range(pairs.shape[0]):
        i = min(pairs[e, 0], pairs[e, 1])
        j = max(pairs[e, 0], pairs[e, 1])
        if i >= n:
            total += conductances[e]
            direct += 1
        elif j == n:
            to_source[i] += conductances[e]
            grounded[i] += 1
        elif j == n + 1:
            to_sink[i] += conductances[e]
            grounded[i] += 1
        else:
            start[i + 1] += 1
            start[j + 1] += 1
    parallel = direct
    for i in range(n):
        parallel = max(parallel, grounded[i])
    # a row of neighbours for each node, with slack: every resistor in two rows
    begin = np.zeros(n, dtype=np.int64)
    length = np.zeros(n, dtype=np.int32)
    room = np.zeros(n, dtype=np.int32)
    end = 0
    for i in range(n):
        begin[i] = end
        room[i] = start[i + 1] + start[i + 1] // 8 + 2
        end += room[i]
    nodes = np.empty(end + end // 8 + 16, dtype=np.int32)
    values = np.empty(nodes.shape[0], dtype=np.float64)
    for e in range(pairs.shape[0]):
        i = pairs[e, 0]
        j = pairs[e, 1]
        if i < n and j < n:
            nodes[begin[i] + length[i]] = j
            values[begin[i] + length[i]] = conductances[e]
            length[i] += 1
            nodes[begin[j] + length[j]] = i
            values[begin[j] + length[j]] = conductances[e]
            length[j] += 1
    # parallel resistors are merged in place; where: last place a neighbour was seen at
    where = np.full(n, -1, dtype=np.int64)
    for i in range(n):
        b = begin[i]
        m = 0
        for p in range(b, b + length[i]):
            j = nodes[p]
            q = where[j]
            if b <= q < b + m and nodes[q] == j:
                values[q] += values[p]
            else:
                where[j] = b + m
                nodes[b + m] = j
                values[b + m] = values[p]
                m += 1
        parallel = max(parallel, length[i] - m + 1)
        length[i] = m

    # doubly linked lists of the nodes of each degree
    head = np.full(n + 1, -1, dtype=np.int32)
    after = np.full(n, -1, dtype=np.int32)
    before = np.full(n, -1, dtype=np.int32)
    listed = length.copy()
    for i in range(n - 1, -1, -1):
        d = length[i]
        after[i] = head[d]
        if head[d] >= 0:
            before[head[d]] = i
        head[d] = i

    # what comes out: rows of shares, and the core that is left
    alive = np.ones(n, dtype=np.bool_)
    order = np.empty(n, dtype=np.int64)
    col_begin = np.zeros(n + 1, dtype=np.int64)
    columns = np.empty(end // 4 + 16, dtype=np.int32)
    shares = np.empty(columns.shape[0], dtype=np.float64)
    source_share = np.empty(n, dtype=np.float64)
    sink_share = np.empty(n, dtype=np.float64)
    core_nodes = np.empty(0, dtype=np.int64)
    core_begin = np.zeros(1, dtype=np.int64)
    core_columns = np.empty(0, dtype=np.int32)
    core_values = np.empty(0, dtype=np.float64)
    core_source = np.empty(0, dtype=np.float64)
    core_sink = np.empty(0, dtype=np.float64)
    # nodes and entries so far, the node count to go back to, the lowest degree there is
    count = 0
    kept = 0
    used = 0
    work = 0.0
    degree = 0
    reduced = False
    failed = False
    dense_from = n
    while count < n:
        while head[degree] < 0:
            degree += 1
        left = n - count
        # nodes of up to three neighbours are gone: the core is copied, in case the rest
        # proves too dear, or all are to be eliminated
        if degree > 3 and not reduced:
            reduced = True
            if left > full_below:
                kept = count
                core_nodes = np.empty(left, dtype=np.int64)
                core_begin = np.zeros(left + 1, dtype=np.int64)
                neighbours = 0
                m = 0
                for i in range(n):
                    if alive[i]:
                        core_nodes[m] = i
                        neighbours += length[i]
                        where[i] = m
                        m += 1
                # positions ascend with nodes
                core_columns = np.empty(neighbours // 2 + 1, dtype=np.int32)
                core_values = np.empty(neighbours // 2 + 1, dtype=np.float64)
                core_source = np.empty(left, dtype=np.float64)
                core_sink = np.empty(left, dtype=np.float64)
                q = 0
                for m in range(left):
                    i = core_nodes[m]
                    core_source[m] = to_source[i]
                    core_sink[m] = to_sink[i]
                    for p in range(begin[i], begin[i] + length[i]):
                        # overwritten by the next unless kept
                        core_columns[q] = where[nodes[p]]
                        core_values[q] = values[p]
                        q += 1 if nodes[p] > i else 0
                    core_begin[m + 1] = q
                core_columns = core_columns[:q]
                core_values = core_values[:q]
                where[:] = -1
                budget += work
                if budget <= work:
                    failed = True
                    break
            else:
                budget = np.inf
        # what is left costs at least this much, as degrees grow: give up early
        if reduced and work + 2.0 * float(left * degree * degree) > budget:
            failed = True
            break
        if reduced and 16 <= left <= 6000 and 5 * degree >= 3 * left:
            # most are neighbours of most: dense from here on
            if work + 0.08 * float(left) ** 3 > budget:
                failed = True
                break
            work += 0.08 * float(left) ** 3
            rest = np.empty(left, dtype=np.int64)
            m = 0
            for i in range(n):
                if alive[i]:
                    rest[m] = i
                    where[i] = m
                    m += 1
            dense = np.zeros((left, left + 2), dtype=np.float64)
            for m in range(left):
                i = rest[m]
                for q in range(length[i]):
                    dense[m, where[nodes[begin[i] + q]]] = values[begin[i] + q]
                dense[m, left] = to_source[i]
                dense[m, left + 1] = to_sink[i]
            total += eliminate_dense(dense)
            # its rows become rows of shares like those before
            need = used + left * (left - 1) // 2
            columns = longer(columns, used, need)
            shares = longer(shares, used, need)
            dense_from = count
            for m in range(left):
                source_share[count] = dense[m, left]
                sink_share[count] = dense[m, left + 1]
                for q in range(m + 1, left):
                    columns[used] = rest[q]
                    shares[used] = dense[m, q]
                    used += 1
                order[count] = rest[m]
                count += 1
                col_begin[count] = used
            break

        # node k of the lowest degree goes
        k = head[degree]
        head[degree] = after[k]
        if after[k] >= 0:
            before[after[k]] = -1
        alive[k] = False
        d = length[k]
        bk = begin[k]
        # compensated sum: one rounding however many terms
        s = to_source[k]
        y = to_sink[k]
        t = s + y
        lost = (t - s) - y
        s = t
        for q in range(d):
            y = values[bk + q] - lost
            t = s + y
            lost = (t - s) - y
            s = t
        # its shares are kept
        ca = to_source[k] / s
        cb = to_sink[k] / s
        total += ca * to_sink[k]
        if used + d > columns.shape[0]:
            need = 2 * columns.shape[0] + d
            columns = longer(columns, used, need)
            shares = longer(shares, used, need)
        for q in range(d):
            columns[used + q] = nodes[bk + q]
            shares[used + q] = values[bk + q] / s
        # row after row of its neighbours gains what joins it to the others
        work += float(d)
        for p in range(d):
            i = nodes[bk + p]
            gi = values[bk + p]
            ci = shares[used + p]
            to_source[i] += ca * gi
            to_sink[i] += cb * gi
            bi = begin[i]
            li = length[i]
            for q in range(bi, bi + li):
                where[nodes[q]] = q
            slot = where[k]
            work += float(li + d)
            # k leaves row i: the last entry moves into its place
            last = bi + li - 1
            nodes[slot] = nodes[last]
            values[slot] = values[last]
            where[nodes[slot]] = slot
            li -= 1
            # a row that may outgrow its room moves to the end of the pool
            if li + d - 1 > room[i]:
                grown = 2 * (li + d) + 4
                if end + grown > nodes.shape[0]:
                    length[i] = li
                    # k's own row must survive: it is copied with the living ones
                    alive[k] = True
                    nodes, values, end = _repack(
                        nodes, values, begin, length, room, alive, grown
                    )
                    alive[k] = False
                    bk = begin[k]
                    bi = begin[i]
                for q in range(li):
                    nodes[end + q] = nodes[bi + q]
                    values[end + q] = values[bi + q]
                begin[i] = end
                room[i] = grown
                bi = end
                end += grown
                for q in range(bi, bi + li):
                    where[nodes[q]] = q
            # the mesh: added to what joins i and j already, or a new entry
            for r in range(d):
                if r == p:
                    continue
                j = nodes[bk + r]
                # the same product, and so the same rounding, in rows i and j
                w = shares[used + r] * gi if r < p else ci * values[bk + r]
                q = where[j]
                if bi <= q < bi + li and nodes[q] == j:
                    values[q] += w
                else:
                    nodes[bi + li] = j
                    values[bi + li] = w
                    li += 1
            length[i] = li
            # to the list of its new degree
            if before[i] >= 0:
                after[before[i]] = after[i]
            else:
                head[listed[i]] = after[i]
            if after[i] >= 0:
                before[after[i]] = before[i]
            before[i] = -1
            after[i] = head[li]
            if head[li] >= 0:
                before[head[li]] = i
            head[li] = i
            listed[i] = li
            if li < degree:
                degree = li
        used += d
        source_share[count] = ca
        sink_share[count] = cb
        order[count] = k
        count += 1
        col_begin[count] = used
    # too dear: the rows from the core on are dropped; done: there is no core
    if failed:
        count = kept
        used = col_begin[kept]
        dense_from = n
    elif reduced:
        core_nodes = np.empty(0, dtype=np.int64)
    core = (core_nodes, core_begin, core_columns, core_values, core_source, core_sink)
    return (
        total,
        order[:count].copy(),
        col_begin[: count + 1].copy(),
        columns[:used].copy(),
        shares[:used].copy(),
        source_share[:count].copy(),
        sink_share[:count].copy(),
        core,
        work,
        dense_from,
        parallel,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def back_substitute(  # type: ignore[no-untyped-def]
    n, order, begin, columns, shares, source_share, sink_share, core_nodes, core_voltages,
    dense_from
):  # fmt: skip
    r"""Voltages and voltage drops from an elimination, last node first.

    Parameters
    ----------
    n : int
        Number of inner nodes.
    order, begin, columns, shares, source_share, sink_share : ndarrays
        From `eliminate`.
    core_nodes : (c,) ndarray of int64
        Nodes that were not eliminated.
    core_voltages : (c,) ndarray of float64
        Their voltages, 1 at the source and 0 at the sink.
    dense_from : int
        From `eliminate`.

    Returns
    -------
    above : (n,) ndarray of float64
        Voltages above the sink.
    below : (n,) ndarray of float64
        Voltages below the source, each with its own full relative accuracy.
    drops : (s,) ndarray of float64
        :math:`V_k - V_j` of each entry of the columns.

    Notes
    -----
    :math:`V_k - V_i = \sum_j (g_{kj}/S_k) (V_j - V_i)`: the drop along each resistor of a
    star follows from the drops of its mesh, never from the difference of two rounded
    voltages, so that currents keep their digits where voltages are nearly equal.

    """
    # the core's voltages are known; rank: place in the order, -1 in the core
    above = np.zeros(n, dtype=np.float64)
    below = np.zeros(n, dtype=np.float64)
    drops = np.zeros(columns.shape[0], dtype=np.float64)
    rank = np.full(n, -1, dtype=np.int64)
    where = np.full(n, -1, dtype=np.int64)
    for c in range(order.shape[0]):
        rank[order[c]] = c
    for m in range(core_nodes.shape[0]):
        above[core_nodes[m]] = core_voltages[m]
        below[core_nodes[m]] = 1.0 - core_voltages[m]
    # nodes of the dense part, all at once
    count = order.shape[0]
    if dense_from < count:
        m = count - dense_from
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
        count = dense_from
    # the others, last node first
    for c in range(count - 1, -1, -1):
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
        # row of the one that went first, or is a difference of core voltages
        for p in range(first, last):
            i = columns[p]
            r = rank[i]
            if r >= 0:
                for q in range(begin[r], begin[r + 1]):
                    f = where[columns[q]]
                    if f >= first:
                        drops[p] -= shares[f] * drops[q]
                        drops[f] += shares[p] * drops[q]
            else:
                for f in range(p + 1, last):
                    j = columns[f]
                    if rank[j] < 0:
                        drop = above[i] - above[j]
                        drops[p] -= shares[f] * drop
                        drops[f] += shares[p] * drop
        for p in range(first, last):
            where[columns[p]] = -1
        above[order[c]] = u
        below[order[c]] = w
    return above, below, drops


@njit(cache=True, nogil=True, error_model="numpy")
def resistor_drops(  # type: ignore[no-untyped-def]
    n, pairs, order, begin, columns, drops, above, below, dense_from
):
    """Voltage drop along each resistor, first node less second.

    Parameters
    ----------
    n : int
        Number of inner nodes; the source is node n, the sink n + 1.
    pairs : (e, 2) ndarray of int64
        Resistors.
    order, begin, columns : ndarrays
        From `eliminate`.
    drops, above, below : ndarrays
        From `back_substitute`.
    dense_from : int
        From `eliminate`.

    Returns
    -------
    (e,) ndarray of float64
        Drops for 1 V across.

    """
    rank = np.full(n, order.shape[0], dtype=np.int64)
    for c in range(order.shape[0]):
        rank[order[c]] = c
    out = np.empty(pairs.shape[0], dtype=np.float64)
    for e in range(pairs.shape[0]):
        i = pairs[e, 0]
        j = pairs[e, 1]
        if i < n and j < n:
            # in the row of the end that went first; both in the core: from voltages
            sign = 1.0
            if rank[j] < rank[i]:
                i, j = j, i
                sign = -1.0
            c = rank[i]
            drop = above[i] - above[j]
            if c >= dense_from:
                drop = drops[begin[c] + rank[j] - c - 1]
            elif c < order.shape[0]:
                for q in range(begin[c], begin[c + 1]):
                    if columns[q] == j:
                        drop = drops[q]
                        break
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
def expand(attachment, nodes, above, below, rows, currents, exponent, resistors):  # type: ignore[no-untyped-def]
    """Carry voltages and currents of a backbone to the network that it is part of.

    Parameters
    ----------
    attachment : (n,) ndarray of int64
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
    own = np.zeros(n, dtype=np.float64)
    for k in range(above.shape[0]):
        own[nodes[k]] = above[k] if above[k] < 0.5 else 1.0 - below[k]
    own[nodes[above.shape[0]]] = 1.0
    voltages = np.empty(n, dtype=np.float64)
    for i in range(n):
        voltages[i] = own[attachment[i]] if attachment[i] >= 0 else 0.0
    # in two steps, as two to the exponent may be no number
    one = 2.0 ** (exponent // 2)
    other = 2.0 ** (exponent - exponent // 2)
    out = np.zeros(resistors, dtype=np.float64)
    for k in range(rows.shape[0]):
        out[rows[k]] = currents[k] * one * other
    return voltages, out
