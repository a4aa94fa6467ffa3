"""Compiled loops of linear algebra: elimination and iteration on resistor networks.

Node numbers are local: inner nodes 0 to n - 1, the source is n, the sink n + 1.
Conductances to the two terminals are kept apart from those between inner nodes, so nothing
is ever subtracted: every number of an elimination is a sum of products of positive numbers.
"""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = [
    "approximate_cholesky",
    "back_substitute",
    "conjugate_gradient",
    "conserve",
    "eliminate",
    "resistor_drops",
]


@njit(cache=True, nogil=True, error_model="numpy")
def _repack(nodes, values, begin, length, room, alive, need):  # type: ignore[no-untyped-def]
    """Move the rows of living nodes to a fresh pool, `need` entries free behind."""
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

TILE = 256
"""Columns worked on at a time, so that a panel's tile stays near the processor."""


@njit(cache=True, nogil=True, error_model="numpy")
def _add_products(out, first_row, left, right, above_diagonal):  # type: ignore[no-untyped-def]
    """out[first_row + p, q] += sum over k of left[k, p] right[k, q], from column first_row.

    Of each row only what lies right of the diagonal, if asked.
    """
    depth = left.shape[0]
    width = out.shape[1]
    for start in range(first_row, width, TILE):
        stop = min(start + TILE, width)
        for p in range(left.shape[1]):
            begin = max(start, first_row + p + 1) if above_diagonal else start
            if begin >= stop:
                break
            row = out[first_row + p, begin:stop]
            k = 0
            while k + 4 <= depth:
                a = left[k, p]
                b = left[k + 1, p]
                c = left[k + 2, p]
                d = left[k + 3, p]
                u = right[k, begin:stop]
                v = right[k + 1, begin:stop]
                w = right[k + 2, begin:stop]
                x = right[k + 3, begin:stop]
                for q in range(row.shape[0]):
                    row[q] += (a * u[q] + b * v[q]) + (c * w[q] + d * x[q])
                k += 4
            while k < depth:
                a = left[k, p]
                u = right[k, begin:stop]
                for q in range(row.shape[0]):
                    row[q] += a * u[q]
                k += 1


@njit(cache=True, nogil=True, error_model="numpy")
def _eliminate_dense(g):  # type: ignore[no-untyped-def]
    """Eliminate node after node; rows become shares; returns what joins the terminals.

    Row p of `g` (m, m + 2) holds the conductances to later nodes and, in the last two
    columns, to source and sink; the rest is not read. Blocks of nodes, so that most of the
    work is a product of matrices with positive elements.
    """
    m = g.shape[0]
    total = 0.0
    for first in range(0, m, PANEL):
        last = min(first + PANEL, m)
        panel = np.empty((last - first, m + 2), dtype=np.float64)
        for k in range(first, last):
            row = g[k]
            # compensated sum: one rounding however many terms
            s = 0.0
            lost = 0.0
            for q in range(k + 1, m + 2):
                y = row[q] - lost
                t = s + y
                lost = (t - s) - y
                s = t
            own = panel[k - first]
            for q in range(k + 1, m + 2):
                own[q] = row[q]
                row[q] /= s
            total += row[m] * own[m + 1]
            for p in range(k + 1, last):
                gp = own[p]
                if gp > 0.0:
                    other = g[p, p + 1 :]
                    share = row[p + 1 :]
                    for q in range(other.shape[0]):
                        other[q] += share[q] * gp
        if last < m:
            _add_products(g, last, panel[:, last:m].copy(), g[first:last].copy(), True)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _dense_drops(shares):  # type: ignore[no-untyped-def]
    """Voltage of each node less that of each other, terminals last, at 1 V across.

    `shares` (m, m + 2) is what `_eliminate_dense` leaves. Last node first, each drop is the
    mean of drops from later nodes, in blocks.
    """
    m = shares.shape[0]
    drops = np.zeros((m + 2, m + 2), dtype=np.float64)
    drops[m, m + 1] = 1.0
    drops[m + 1, m] = -1.0
    for last in range(m, 0, -PANEL):
        first = max(last - PANEL, 0)
        height = last - first
        width = m + 2 - last
        block = np.zeros((height, width), dtype=np.float64)
        for start in range(0, width, PANEL):
            stop = min(start + PANEL, width)
            left = shares[first:last, last + start : last + stop].T.copy()
            _add_products(block, 0, left, drops[last + start : last + stop, last:], False)
        for k in range(last - 1, first - 1, -1):
            row = block[k - first]
            for j in range(k + 1, last):
                share = shares[k, j]
                if share > 0.0:
                    other = drops[j, last:]
                    for q in range(width):
                        row[q] += share * other[q]
            drops[k, last:] = row
            for i in range(k + 1, last):
                s = 0.0
                other = drops[i]
                for j in range(last, m + 2):
                    s -= shares[k, j] * other[j]
                for j in range(k + 1, last):
                    s += shares[k, j] * drops[j, i]
                drops[k, i] = s
            for q in range(k + 1, m + 2):
                drops[q, k] = -drops[k, q]
    return drops


@njit(cache=True, nogil=True, error_model="numpy")
def eliminate(n, pairs, conductances, full_below, budget, patient):  # type: ignore[no-untyped-def]
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
        Work allowed for each of them (updates of one conductance) if there are more. When
        it runs out, the elimination goes back to where all nodes of up to three neighbours
        were gone.
    patient : bool
        Spend the budget even where it will hardly suffice: where they have more than six
        neighbours on the mean, or more than :math:`12/(d - 1)^2` of them are left when the
        lowest degree reaches d > 4. By trial, clouds and lattices that eliminate cheaply
        keep below, at a tenth of the budget.

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
    # rows with slack; parallel resistors are merged in place
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
    count = 0
    kept = 0
    used = 0
    work = 0.0
    degree = 0
    reduced = False
    failed = False
    dense_from = n
    whole = 0.0
    while count < n:
        while head[degree] < 0:
            degree += 1
        left = n - count
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
                whole = float(left)
                budget = work + budget * whole
                if budget <= work or not (patient or neighbours <= 6 * left):
                    failed = True
                    break
            else:
                budget = np.inf
                patient = True
        # what is left costs at least this much, as degrees grow: give up early
        if reduced and work + 2.0 * float(left * degree * degree) > budget:
            failed = True
            break
        if reduced and not patient and degree > 4:
            if float(left * (degree - 1) ** 2) > 12.0 * whole:
                failed = True
                break
        if reduced and 16 <= left <= 6000 and 5 * degree >= 3 * left:
            # dense from here on
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
            total += _eliminate_dense(dense)
            need = used + left * (left - 1) // 2
            new_columns = np.empty(need, dtype=np.int32)
            new_columns[:used] = columns[:used]
            columns = new_columns
            new_shares = np.empty(need, dtype=np.float64)
            new_shares[:used] = shares[:used]
            shares = new_shares
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
        ca = to_source[k] / s
        cb = to_sink[k] / s
        total += ca * to_sink[k]
        if used + d > columns.shape[0]:
            new_columns = np.empty(2 * columns.shape[0] + d, dtype=np.int32)
            new_columns[:used] = columns[:used]
            columns = new_columns
            new_shares = np.empty(columns.shape[0], dtype=np.float64)
            new_shares[:used] = shares[:used]
            shares = new_shares
        for q in range(d):
            columns[used + q] = nodes[bk + q]
            shares[used + q] = values[bk + q] / s
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
    count = order.shape[0]
    if dense_from < count:
        m = count - dense_from
        dense = np.zeros((m, m + 2), dtype=np.float64)
        for p in range(m):
            c = dense_from + p
            dense[p, p + 1 : m] = shares[begin[c] : begin[c + 1]]
            dense[p, m] = source_share[c]
            dense[p, m + 1] = sink_share[c]
        found = _dense_drops(dense)
        for p in range(m):
            c = dense_from + p
            above[order[c]] = found[p, m + 1]
            below[order[c]] = found[m, p]
            drops[begin[c] : begin[c + 1]] = found[p, p + 1 : m]
        count = dense_from
    for c in range(count - 1, -1, -1):
        first = begin[c]
        last = begin[c + 1]
        ca = source_share[c]
        cb = sink_share[c]
        u = ca
        w = cb
        for p in range(first, last):
            j = columns[p]
            where[j] = p
            u += shares[p] * above[j]
            w += shares[p] * below[j]
            drops[p] += ca * below[j] - cb * above[j]
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

    Order: pass after pass over the nodes as given, each taking a sixth of those left, of
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
            if 6 * s >= remaining:
                limit = h
                break
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
                        more = np.empty(2 * d, dtype=np.uint32)
                        more[:d] = node
                        node = more
                        wider = np.empty(2 * d, dtype=np.float64)
                        wider[:d] = weight
                        weight = wider
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
            total = 0.0
            for r in range(d - 1, -1, -1):
                rest[r] = total
                total += weight[r]
            total += to_ground[k]
            if used + d > factor_columns.shape[0]:
                more = np.empty(used + used // 2 + d, dtype=np.uint32)
                more[:used] = factor_columns[:used]
                factor_columns = more
                wider = np.empty(more.shape[0], dtype=np.float64)
                wider[:used] = factor_shares[:used]
                factor_shares = wider
            if drawn + d > drawn_node.shape[0]:
                more = np.empty(2 * drawn + d, dtype=np.uint32)
                more[:drawn] = drawn_node[:drawn]
                drawn_node = more
                links = np.empty(2 * drawn + d, dtype=np.int32)
                links[:drawn] = drawn_before[:drawn]
                drawn_before = links
                wider = np.empty(2 * drawn + d, dtype=np.float64)
                wider[:drawn] = drawn_value[:drawn]
                drawn_value = wider
            to_ground_share = to_ground[k] / total
            for r in range(d):
                i = node[r]
                where[i] = -1
                factor_columns[used + r] = i
                factor_shares[used + r] = weight[r] / total
                to_ground[i] += weight[r] * to_ground_share
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
    n = load.shape[0]
    # a signed index is tested at each use, as it may count from the end
    begin = begin.view(np.uint64)
    columns = columns.view(np.uint32)
    x = x.copy()
    ground = load + sink_part
    r = np.empty(n, dtype=np.float64)
    z = np.empty(n, dtype=np.float64)
    p = np.zeros(n, dtype=np.float64)
    q = np.empty(n, dtype=np.float64)
    for i in range(n):
        r[i] = load[i] * (1.0 - x[i]) - sink_part[i] * x[i]
    for i in range(n):
        for e in range(begin[i], begin[i + 1]):
            j = columns[e]
            t = values[e] * (x[i] - x[j])
            r[i] -= t
            r[j] += t
    z[:] = r
    energy = np.inf
    best = np.inf
    best_at = 0
    old = 0.0
    iterations = 0
    while True:
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
        step = new / s
        for i in range(n):
            x[i] += step * p[i]
            r[i] -= step * q[i]
            z[i] = r[i]
        iterations += 1
    return x, iterations, new, energy


@njit(cache=True, nogil=True, error_model="numpy")
def conserve(n, pairs, currents, visited, up, source, total):  # type: ignore[no-untyped-def]
    """Make currents conserve exactly, by what is missing along a tree.

    Parameters
    ----------
    n : int
        Number of nodes, terminals included; all joined by the tree.
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
    a = out[source, 0]
    t = a - total
    b = t - a
    out[source, 1] += (a - (t - b)) + (-total - b)
    out[source, 0] = t
    for c in range(n - 1, 0, -1):
        i = visited[c]
        e = up[i]
        j = pairs[e, 0] + pairs[e, 1] - i
        high = out[i, 0]
        # the tree takes what enters i but does not leave it
        if pairs[e, 0] == i:
            currents[e] = (currents[e] - high) - out[i, 1]
        else:
            currents[e] = (currents[e] + high) + out[i, 1]
        a = out[j, 0]
        t = a + high
        b = t - a
        out[j, 1] += (a - (t - b)) + (high - b) + out[i, 1]
        out[j, 0] = t
