"""Compiled loops on graphs: which nodes carry current between two terminals."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["cluster_labels", "spanning_forest", "two_terminal_attachment"]


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

    Notes
    -----
    With a resistor added between the terminals, the backbone is the biconnected block of
    that resistor. One depth-first search with low points finds it (Hopcroft & Tarjan,
    "Efficient algorithms for graph manipulation", Commun. ACM 16, 372 (1973)): the search
    starts at the source and walks the added resistor first, so the block is the part of
    the sink's subtree in which every child reaches above its parent. Time O(n + e).

    """
    start = np.zeros(n + 1, dtype=np.int64)
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            start[pairs[e, 0] + 1] += 1
            start[pairs[e, 1] + 1] += 1
    for i in range(n):
        start[i + 1] += start[i]
    adjacent = np.empty(start[n], dtype=np.int64)
    place = start[:n].copy()
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            i = pairs[e, 0]
            j = pairs[e, 1]
            adjacent[place[i]] = j
            place[i] += 1
            adjacent[place[j]] = i
            place[j] += 1

    number = np.full(n, -1, dtype=np.int64)
    low = np.zeros(n, dtype=np.int64)
    parent = np.full(n, -1, dtype=np.int64)
    visited = np.empty(n, dtype=np.int64)
    attachment = np.full(n, -1, dtype=np.int64)
    place[:] = start[:n]
    number[source] = 0
    number[sink] = 1
    visited[0] = source
    visited[1] = sink
    count = 2
    spanning = False
    for root in (sink, source):
        i = root
        while True:
            if place[i] < start[i + 1]:
                j = adjacent[place[i]]
                place[i] += 1
                if number[j] < 0:
                    number[j] = count
                    low[j] = count
                    visited[count] = j
                    count += 1
                    parent[j] = i
                    i = j
                else:
                    if number[j] < low[i]:
                        low[i] = number[j]
                    if root == sink and j == source:
                        spanning = True
            else:
                j = parent[i]
                if j < 0:
                    break
                if low[i] < low[j]:
                    low[j] = low[i]
                i = j
    attachment[source] = source
    attachment[sink] = sink
    for c in range(2, count):
        i = visited[c]
        j = parent[i]
        if spanning and j != source and attachment[j] == j and low[i] < number[j]:
            attachment[i] = i
        else:
            attachment[i] = attachment[j]

    count = 0
    if spanning:
        number[:] = -1
        number[source] = 0
        visited[0] = source
        count = 1
        c = 0
        while c < count:
            i = visited[c]
            c += 1
            for p in range(start[i], start[i + 1]):
                j = adjacent[p]
                if number[j] < 0 and attachment[j] == j:
                    number[j] = count
                    visited[count] = j
                    count += 1
    return attachment, spanning, visited[:count].copy()


@njit(cache=True, nogil=True, error_model="numpy")
def spanning_forest(n, pairs, order, source, sink):  # type: ignore[no-untyped-def]
    """Rows that join two trees when taken in a given order (Kruskal).

    Parameters
    ----------
    n : int
        Number of nodes.
    pairs : (e, 2) ndarray of int64
        Resistors.
    order : (k,) ndarray of int64
        Rows in the order they are tried; best conductors first give the tree that has the
        widest bottleneck between any two nodes.

    source, sink : int
        Two nodes.

    Returns
    -------
    taken : (t,) ndarray of int64
        The rows taken, in that order.
    joint : int
        The row that joined source and sink, the bottleneck between them; -1 if none did.

    """
    root = np.arange(n)
    taken = np.empty(min(n, order.shape[0]), dtype=np.int64)
    count = 0
    joint = -1
    for e in order:
        i = pairs[e, 0]
        while root[i] != i:
            root[i] = root[root[i]]
            i = root[i]
        j = pairs[e, 1]
        while root[j] != j:
            root[j] = root[root[j]]
            j = root[j]
        if i != j:
            root[max(i, j)] = min(i, j)
            taken[count] = e
            count += 1
            if joint < 0:
                i = source
                while root[i] != i:
                    root[i] = root[root[i]]
                    i = root[i]
                j = sink
                while root[j] != j:
                    root[j] = root[root[j]]
                    j = root[j]
                if i == j:
                    joint = e
    return taken[:count].copy(), joint


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
