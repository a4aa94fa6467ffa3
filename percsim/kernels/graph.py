"""Compiled loops on graphs: which nodes carry current, and along which tree best."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["cluster_labels", "strongest_tree", "two_terminal_attachment"]


@njit(cache=True, nogil=True, error_model="numpy")
def two_terminal_attachment(n, pairs, conductances, source, sink):  # type: ignore[no-untyped-def]
    """Node of the current-carrying part that fixes each node's voltage.

    Parameters
    ----------
    n : int
        Number of nodes.
    pairs : (e, 2) ndarray of int64
        Resistors; parallel rows are allowed.
    conductances : (e,) ndarray of float64
        Rows of zero conductance are absent.
    source, sink : int
        The terminals.

    Returns
    -------
    attachment : (n,) ndarray of int64
        The node itself on the backbone, the backbone node it hangs from on a dangling
        part, -1 where neither terminal is reached. If the terminals are not connected:
        the terminal that is reached, or -1.
    spanning : bool
        Whether the terminals are connected.
    backbone : (b,) ndarray of int64
        Its nodes as a breadth-first search from the source meets them, which keeps
        neighbours close in memory; empty if the terminals are not connected.
    rows : (k,) ndarray of int64
        Resistors of the backbone, by the end that was met first.
    ends : (k, 2) ndarray of int32
        The same resistors between positions in `backbone`, each from its first node.

    Notes
    -----
    With a resistor added between the terminals, the backbone is the biconnected block of
    that resistor. One depth-first search with low points finds it (Hopcroft & Tarjan,
    "Efficient algorithms for graph manipulation", Commun. ACM 16, 372 (1973)): the search
    starts at the source and walks the added resistor first, so the block is the part of
    the sink's subtree in which every child reaches above its parent. It runs on nodes
    renumbered breadth-first, as memory far apart costs more than another pass. Time
    O(n + e).

    """
    start = np.zeros(n + 1, dtype=np.int32)
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            start[pairs[e, 0] + 1] += 1
            start[pairs[e, 1] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    # neighbour and row, the row as ~row at the resistor's second node
    adjacent = np.empty((start[n], 2), dtype=np.int32)
    place = start[:n].copy()
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            i = pairs[e, 0]
            j = pairs[e, 1]
            p = place[i]
            place[i] = p + 1
            adjacent[p, 0] = j
            adjacent[p, 1] = e
            p = place[j]
            place[j] = p + 1
            adjacent[p, 0] = i
            adjacent[p, 1] = ~e

    number = np.full(n, -1, dtype=np.int32)
    visited = np.empty(n, dtype=np.int32)
    number[source] = 0
    visited[0] = source
    count = 1
    c = 0
    while c < count:
        i = visited[c]
        c += 1
        for p in range(start[i], start[i + 1]):
            j = adjacent[p, 0]
            if number[j] < 0:
                number[j] = count
                visited[count] = j
                count += 1
    spanning = number[sink] >= 0
    attachment = np.full(n, -1, dtype=np.int64)
    if not spanning:
        for c in range(count):
            attachment[visited[c]] = source
        attachment[sink] = sink
        visited[0] = sink
        count = 1
        c = 0
        while c < count:
            i = visited[c]
            c += 1
            for p in range(start[i], start[i + 1]):
                j = adjacent[p, 0]
                if attachment[j] < 0:
                    attachment[j] = sink
                    visited[count] = j
                    count += 1
        nothing = np.empty(0, dtype=np.int64)
        return attachment, False, nothing, nothing, np.empty((0, 2), dtype=np.int32)

    # what reaches the source, in the numbers of that walk
    begin = np.empty(count + 1, dtype=np.int32)
    begin[0] = 0
    for c in range(count):
        i = visited[c]
        begin[c + 1] = begin[c] + start[i + 1] - start[i]
    near = np.empty((begin[count], 2), dtype=np.int32)
    for c in range(count):
        q = begin[c]
        for p in range(start[visited[c]], start[visited[c] + 1]):
            near[q, 0] = number[adjacent[p, 0]]
            near[q, 1] = adjacent[p, 1]
            q += 1

    time = np.full(count, -1, dtype=np.int32)
    low = np.empty(count, dtype=np.int32)
    parent = np.full(count, -1, dtype=np.int32)
    met = np.empty(count, dtype=np.int32)
    place = begin[:count].copy()
    end = number[sink]
    time[0] = 0
    time[end] = 1
    low[0] = 0
    low[end] = 0
    met[0] = 0
    met[1] = end
    seen = 2
    for side in range(2):
        i = end if side == 0 else 0
        while True:
            if place[i] < begin[i + 1]:
                j = near[place[i], 0]
                place[i] += 1
                if time[j] < 0:
                    time[j] = seen
                    low[j] = seen
                    met[seen] = j
                    seen += 1
                    parent[j] = i
                    i = j
                elif time[j] < low[i]:
                    low[i] = time[j]
            else:
                j = parent[i]
                if j < 0:
                    break
                if low[i] < low[j]:
                    low[j] = low[i]
                i = j
    hook = np.empty(count, dtype=np.int32)
    hook[0] = 0
    hook[end] = end
    for c in range(2, seen):
        i = met[c]
        j = parent[i]
        if j != 0 and hook[j] == j and low[i] < time[j]:
            hook[i] = i
        else:
            hook[i] = hook[j]

    # `time` becomes the position on the backbone
    kept = 0
    size = 0
    for c in range(count):
        attachment[visited[c]] = visited[hook[c]]
        time[c] = -1
        if hook[c] == c:
            time[c] = kept
            kept += 1
            size += begin[c + 1] - begin[c]
    backbone = np.empty(kept, dtype=np.int64)
    # each has two ends; no copies, as fresh memory costs more than what is in it
    rows = np.empty(size // 2, dtype=np.int64)
    ends = np.empty((size // 2, 2), dtype=np.int32)
    size = 0
    for c in range(count):
        if time[c] >= 0:
            backbone[time[c]] = visited[c]
            for p in range(begin[c], begin[c + 1]):
                j = near[p, 0]
                if j > c and time[j] >= 0:
                    e = near[p, 1]
                    if e >= 0:
                        rows[size] = e
                        ends[size, 0] = time[c]
                        ends[size, 1] = time[j]
                    else:
                        rows[size] = ~e
                        ends[size, 0] = time[j]
                        ends[size, 1] = time[c]
                    size += 1
    return attachment, True, backbone, rows[:size], ends[:size]


@njit(cache=True, nogil=True, error_model="numpy")
def strongest_tree(n, pairs, conductances, root):  # type: ignore[no-untyped-def]
    """Walk the spanning tree whose resistors are as good as can be, outwards from a node.

    Parameters
    ----------
    n : int
        Number of nodes.
    pairs : (e, 2) ndarray of int32 or int64
        Resistors.
    conductances : (e,) ndarray of float64
        Rows of zero conductance are absent; of equal ones the first counts as best.
    root : int
        Where the walk starts.

    Returns
    -------
    visited : (k,) ndarray of int32
        The nodes that reach the root, it first, each after the one it hangs from.
    up : (n,) ndarray of int32
        Row of the resistor towards the root; -1 at the root and where it is not reached.

    Notes
    -----
    Between any two nodes the tree has the path with the best weakest resistor. Rounds of
    Boruvka's method (Nesetril, Milkova & Nesetrilova, "Otakar Boruvka on minimum spanning
    tree problem", Discrete Math. 233, 3 (2001)): each cluster takes its best resistor
    outwards. It needs no sorting and reads resistors in their order.

    """
    label = np.arange(n).astype(np.int32)
    best = np.full(n, -1, dtype=np.int32)
    alive = np.empty(pairs.shape[0], dtype=np.int32)
    left = 0
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            alive[left] = e
            left += 1
    taken = np.empty(max(n - 1, 0), dtype=np.int32)
    count = 0
    while True:
        kept = 0
        for k in range(left):
            e = alive[k]
            i = label[pairs[e, 0]]
            j = label[pairs[e, 1]]
            if i != j:
                alive[kept] = e
                kept += 1
                # rows ascend, so an equal one stays behind
                if best[i] < 0 or conductances[e] > conductances[best[i]]:
                    best[i] = e
                if best[j] < 0 or conductances[e] > conductances[best[j]]:
                    best[j] = e
        left = kept
        if left == 0:
            break
        # `label` as a forest over cluster labels, roots the lowest of each
        for c in range(n):
            e = best[c]
            if e >= 0:
                best[c] = -1
                i = pairs[e, 0]
                while label[i] != i:
                    label[i] = label[label[i]]
                    i = label[i]
                j = pairs[e, 1]
                while label[j] != j:
                    label[j] = label[label[j]]
                    j = label[j]
                if i != j:
                    label[max(i, j)] = min(i, j)
                    taken[count] = e
                    count += 1
        for i in range(n):
            label[i] = label[label[i]]

    start = np.zeros(n + 1, dtype=np.int32)
    for k in range(count):
        start[pairs[taken[k], 0] + 1] += 1
        start[pairs[taken[k], 1] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    rows = np.empty(start[n], dtype=np.int32)
    place = start[:n].copy()
    for k in range(count):
        for side in range(2):
            i = pairs[taken[k], side]
            rows[place[i]] = taken[k]
            place[i] += 1
    up = np.full(n, -1, dtype=np.int32)
    visited = np.empty(n, dtype=np.int32)
    visited[0] = root
    count = 1
    c = 0
    while c < count:
        i = visited[c]
        c += 1
        for p in range(start[i], start[i + 1]):
            e = rows[p]
            if e != up[i]:
                j = pairs[e, 0] + pairs[e, 1] - i
                up[j] = e
                visited[count] = j
                count += 1
    return visited[:count].copy(), up


@njit(cache=True, nogil=True, error_model="numpy")
def cluster_labels(n, pairs, rows):  # type: ignore[no-untyped-def]
    """Label the clusters that some rows join.

    Parameters
    ----------
    n : int
        Number of nodes.
    pairs : (e, 2) ndarray of int64
        Resistors.
    rows : (k,) ndarray of int64
        Those that join.

    Returns
    -------
    labels : (n,) ndarray of int64
        Cluster of each node, numbered by its first node.
    count : int
        Number of clusters.

    """
    root = np.arange(n)
    for e in rows:
        i = pairs[e, 0]
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        j = pairs[e, 1]
        while root[j] != j:
            root[j] = root[root[j]]
            j = root[j]
        root[max(i, j)] = min(i, j)
    labels = np.empty(n, dtype=np.int64)
    count = 0
    for i in range(n):
        if root[i] == i:
            labels[i] = count
            count += 1
        else:
            # roots are the lowest of their cluster, so they have their number already
            labels[i] = labels[root[i]]
    return labels, count
