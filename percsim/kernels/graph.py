"""Compiled loops on graphs: which nodes carry current, and along which tree best."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["cluster_labels", "strongest_tree", "two_terminal_attachment"]

# A signed index is tested at each use, as it may count from the end.
ONE = np.uint32(1)

BLOCK = 32
"""Nodes whose neighbours are fetched at once."""


@njit(cache=True, nogil=True, error_model="numpy")
def _join_cycle(block, parent, x, y, joined):  # type: ignore[no-untyped-def]
    """Join the blocks along the tree path between two numbers; returns their block.

    `block` is a forest over the tree's edges, each named by its lower end, roots the lowest
    of their block: the parent of a root is where its block hangs from the rest. So a climb
    takes a block at a step. The number that is higher is no ancestor of the other, so the
    edge above it lies on the path.
    """
    while x != y:
        if x < y:
            x, y = y, x
        while block[x] != x:
            block[x] = block[block[x]]
            x = block[x]
        if joined < 0:
            joined = x
        elif x < joined:
            block[joined] = x
            joined = x
        else:
            block[x] = joined
        x = parent[x]
    return joined


@njit(cache=True, nogil=True, error_model="numpy")
def _breadth_first(  # type: ignore[no-untyped-def]
    start, adjacent, root, number, visited, parent, block, begin, near
):
    """Give numbers to what reaches the root, breadth first, and find its blocks.

    `number` is -1 where the walk may go and stays so where it does not get; `parent` and
    `block` are by number; `begin` and `near` are the graph in the new numbers, in the order
    of the walk, so that later passes read memory straight. Returns how many nodes are met.

    Nodes in line are fetched a block at a time: what lies anywhere in memory is read in
    loops that do nothing else, where reads do not wait for each other.
    """
    first = np.empty(BLOCK, dtype=np.int32)
    last = np.empty(BLOCK, dtype=np.int32)
    number[root] = 0
    visited[0] = root
    parent[0] = -1
    block[0] = 0
    begin[0] = 0
    count = 1
    c = 0
    q = 0
    while c < count:
        held = min(BLOCK, count - c)
        for k in range(held):
            i = np.uint32(visited[c + k])
            first[k] = start[i]
            last[k] = start[i + ONE]
        for k in range(held):
            for p in range(first[k], last[k]):
                # its number, or ~node where it has none yet
                i = adjacent[p, 0]
                j = number[np.uint32(i)]
                near[q, 0] = j if j >= 0 else ~i
                near[q, 1] = adjacent[p, 1]
                q += 1
            begin[c + k + 1] = q
        for _ in range(held):
            for p in range(begin[c], begin[c + 1]):
                j = near[p, 0]
                if j < 0:
                    i = np.uint32(~j)
                    j = number[i]
                    if j < 0:
                        number[i] = count
                        visited[count] = i
                        parent[count] = c
                        block[count] = count
                        near[p, 0] = count
                        count += 1
                        continue
                    near[p, 0] = j
                if block[np.uint32(j)] != block[c] and j != parent[c]:
                    _join_cycle(block, parent, c, j, -1)
            c += 1
    return count


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
    attachment : (n,) ndarray of int32
        The node itself on the backbone, the backbone node it hangs from on a dangling
        part, -1 where neither terminal is reached. If the terminals are not connected:
        the terminal that is reached, or -1.
    spanning : bool
        Whether the terminals are connected.
    backbone : (b,) ndarray of int32
        Its nodes as a breadth-first search from the source meets them, which keeps
        neighbours close in memory, but for the source and the sink, which come last; empty
        if the terminals are not connected.
    rows : (k,) ndarray of int32
        Resistors of the backbone, by the end that was met first.
    ends : (k, 2) ndarray of int32
        The same resistors between positions in `backbone`, each from its first node.

    Notes
    -----
    With a resistor added between the terminals, the backbone is the biconnected block of
    that resistor. Two edges of a spanning tree are in one block if a chain of cycles joins
    them, each closed by one resistor outside the tree (the relation of Tarjan & Vishkin,
    "An efficient parallel biconnectivity algorithm", SIAM J. Comput. 14, 862 (1985)). The
    tree is that of a breadth-first search: cycles are short, and one walk through memory
    both numbers the nodes and joins the blocks, in a time near O(n + e).

    """
    start = np.zeros(n + 1, dtype=np.int32)
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            start[np.uint32(pairs[e, 0]) + ONE] += 1
            start[np.uint32(pairs[e, 1]) + ONE] += 1
    for i in range(n):
        start[i + 1] += start[i]
    # neighbour and row, the row as ~row at the resistor's second node
    adjacent = np.empty((start[n], 2), dtype=np.int32)
    place = start[:n].copy()
    for e in range(pairs.shape[0]):
        if conductances[e] > 0.0:
            a = np.uint32(pairs[e, 0])
            b = np.uint32(pairs[e, 1])
            q = np.uint32(place[a])
            place[a] = q + 1
            adjacent[q, 0] = b
            adjacent[q, 1] = e
            q = np.uint32(place[b])
            place[b] = q + 1
            adjacent[q, 0] = a
            adjacent[q, 1] = ~e

    number = np.full(n, -1, dtype=np.int32)
    visited = np.empty(n, dtype=np.int32)
    parent = np.empty(n, dtype=np.int32)
    block = np.empty(n, dtype=np.int32)
    begin = np.empty(n + 1, dtype=np.int32)
    near = np.empty((start[n], 2), dtype=np.int32)
    count = _breadth_first(
        start, adjacent, source, number, visited, parent, block, begin, near
    )
    attachment = np.full(n, -1, dtype=np.int32)
    if number[sink] < 0:
        for c in range(count):
            attachment[visited[c]] = source
        count = _breadth_first(
            start, adjacent, sink, number, visited, parent, block, begin, near
        )
        for c in range(count):
            attachment[visited[c]] = sink
        return (
            attachment,
            False,
            np.empty(0, dtype=np.int32),
            np.empty(0, dtype=np.int32),
            np.empty((0, 2), dtype=np.int32),
        )
    own = _join_cycle(block, parent, number[sink], 0, -1)
    # `parent` becomes the number that each hangs from, itself on the backbone
    parent[0] = 0
    kept = 1
    size = begin[1]
    for c in range(1, count):
        # roots are the lowest of their block, so they have been pointed at theirs
        block[c] = block[block[c]]
        if block[c] == own:
            parent[c] = c
            kept += 1
            size += begin[c + 1] - begin[c]
        else:
            parent[c] = parent[parent[c]]
    # `block` becomes the position on the backbone
    backbone = np.empty(kept, dtype=np.int32)
    backbone[kept - 2] = source
    backbone[kept - 1] = sink
    kept = 0
    for c in range(count):
        attachment[visited[c]] = visited[parent[c]]
        block[c] = -1
        if parent[c] == c and c != 0 and c != number[sink]:
            backbone[kept] = visited[c]
            block[c] = kept
            kept += 1
    block[0] = kept
    block[number[sink]] = kept + 1
    # each has two ends; no copies, as fresh memory costs more than what is in it
    rows = np.empty(size // 2 + 1, dtype=np.int32)
    ends = np.empty((size // 2 + 1, 2), dtype=np.int32)
    size = 0
    for c in range(count):
        k = block[c]
        if k < 0:
            continue
        for p in range(begin[c], begin[c + 1]):
            # written whether kept or not: a branch that cannot be foretold costs more
            j = near[p, 0]
            other = block[np.uint32(j)]
            e = near[p, 1]
            rows[size] = e if e >= 0 else ~e
            ends[size, 0] = k if e >= 0 else other
            ends[size, 1] = other if e >= 0 else k
            size += 1 if j > c and other >= 0 else 0
    return attachment, True, backbone, rows[:size], ends[:size]


@njit(cache=True, nogil=True, error_model="numpy")
def strongest_tree(n, pairs, conductances, root):  # type: ignore[no-untyped-def]
    """Walk the spanning tree whose resistors are as good as can be, outwards from a node.

    Parameters
    ----------
    n : int
        Number of nodes.
    pairs : (e, 2) ndarray of int32
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
    label = np.arange(n).astype(np.uint32)
    best = np.full(n, -1, dtype=np.int32)
    alive = np.empty(pairs.shape[0], dtype=np.uint32)
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
            i = label[np.uint32(pairs[e, 0])]
            j = label[np.uint32(pairs[e, 1])]
            if i != j:
                alive[kept] = e
                kept += 1
                # rows ascend, so an equal one stays behind
                if best[i] < 0 or conductances[e] > conductances[np.uint32(best[i])]:
                    best[i] = e
                if best[j] < 0 or conductances[e] > conductances[np.uint32(best[j])]:
                    best[j] = e
        left = kept
        if left == 0:
            break
        # `label` as a forest over cluster labels, roots the lowest of each
        for c in range(n):
            e = best[c]
            if e >= 0:
                best[c] = -1
                i = np.uint32(pairs[e, 0])
                while label[i] != i:
                    label[i] = label[label[i]]
                    i = label[i]
                j = np.uint32(pairs[e, 1])
                while label[j] != j:
                    label[j] = label[label[j]]
                    j = label[j]
                if i != j:
                    label[max(i, j)] = min(i, j)
                    taken[count] = e
                    count += 1
        for c in range(n):
            label[c] = label[label[c]]

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
