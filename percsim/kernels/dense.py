"""Elimination where all nodes are neighbours: blocks of a dense matrix."""

from __future__ import annotations

import numpy as np
from numba import njit

__all__ = ["dense_drops", "eliminate_dense"]

PANEL = 64
"""Nodes of a dense part that are eliminated before the rest is brought up to date."""

TILE = 256
"""Columns worked on at a time, so that a panel's tile stays near the processor."""


@njit(cache=True, nogil=True, error_model="numpy")
def _add_products(out, first_row, first_column, left, right):  # type: ignore[no-untyped-def]
    """out[first_row + p, q] += sum over k of left[k, p] right[k, q], q from first_row on.

    And of each row p only from column first_column + p.
    """
    depth = left.shape[0]
    width = out.shape[1]
    for start in range(first_row, width, TILE):
        stop = min(start + TILE, width)
        for p in range(left.shape[1]):
            begin = max(start, first_column + p)
            if begin >= stop:
                break
            # four terms at a time: the row is read and written once for them
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
def eliminate_dense(g):  # type: ignore[no-untyped-def]
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
        # the nodes of the panel, each bringing only the panel's own later rows up to date
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
            # conductances kept in the panel, shares left in the row
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
        # all later rows at once
        if last < m:
            _add_products(g, last, last + 1, panel[:, last:m].copy(), g[first:last].copy())
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def dense_drops(shares):  # type: ignore[no-untyped-def]
    """Voltage of each node less that of each other, terminals last, at 1 V across.

    `shares` (m, m + 2) is what `eliminate_dense` leaves. Last node first, each drop is the
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
        # drops to nodes after the panel: first what later nodes bring, as a product
        for start in range(0, width, PANEL):
            stop = min(start + PANEL, width)
            left = shares[first:last, last + start : last + stop].T.copy()
            right = drops[last + start : last + stop, last:].copy()
            _add_products(block, np.int64(0), -height, left, right)
        # then what the panel's own nodes bring, last node first
        for k in range(last - 1, first - 1, -1):
            row = block[k - first]
            for j in range(k + 1, last):
                share = shares[k, j]
                if share > 0.0:
                    other = drops[j, last:]
                    for q in range(width):
                        row[q] += share * other[q]
            for q in range(width):
                drops[k, last + q] = row[q]
            # drops to nodes of the panel itself
            row = drops[k, k + 1 : last]
            for begin, end in ((last, m + 2), (k + 1, last)):
                for j in range(begin, end):
                    share = shares[k, j]
                    other = drops[j, k + 1 : last]
                    for q in range(row.shape[0]):
                        row[q] += share * other[q]
            # the same drops seen from the other end
            for q in range(k + 1, m + 2):
                drops[q, k] = -drops[k, q]
    return drops
