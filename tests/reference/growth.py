"""Slow and obvious growth: all pairs and images, then a search through unwrapped copies."""

import itertools

import numpy as np


def links_with_images(n, dimension, size, periodic, touches):
    """Every (i, j, image) with i < j that touches; `touches(i, j, shift)` says so."""
    ranges = [(-1, 0, 1) if p else (0,) for p in periodic]
    images = [np.asarray(m) for m in itertools.product(*ranges)]
    return [
        (i, j, tuple(m))
        for i in range(n)
        for j in range(i + 1, n)
        for m in images
        if touches(i, j, m * np.asarray(size[:dimension]))
    ]


def wraps(n, links, dimension):
    """Along which axes some cluster of the first n bodies reaches a copy of itself."""
    neighbors = {i: [] for i in range(n)}
    for i, j, m in links:
        if i < n and j < n:
            neighbors[i].append((j, np.asarray(m)))
            neighbors[j].append((i, -np.asarray(m)))
    found = np.zeros(dimension, dtype=bool)
    where = {}
    for start in range(n):
        if start in where:
            continue
        where[start] = np.zeros(dimension, dtype=int)
        queue = [start]
        while queue:
            i = queue.pop()
            for j, m in neighbors[i]:
                there = where[i] + m
                if j not in where:
                    where[j] = there
                    queue.append(j)
                else:
                    found |= where[j] != there
    return found


def first_wrapping(n, links, dimension):
    """Number of bodies at the first wrapping along each axis, 0 if it never happens."""
    first = np.zeros(dimension, dtype=int)
    for a in range(dimension):
        if not wraps(n, links, dimension)[a]:
            continue
        low, high = 0, n
        while high - low > 1:
            middle = (low + high) // 2
            if wraps(middle, links, dimension)[a]:
                high = middle
            else:
                low = middle
        first[a] = high
    return first


def stick_gap(c, u, h, v, k):
    """Distance of two plane segments, from dense points of one to the other."""
    matrix = np.column_stack([u, -v])
    if abs(np.linalg.det(matrix)) > 1e-12:
        s, t = np.linalg.solve(matrix, c)
        if abs(s) <= h and abs(t) <= k:
            return 0.0
    best = np.inf
    for p, (d, e) in (
        (c - k * v, (u, h)), (c + k * v, (u, h)), (-h * u - c, (v, k)), (h * u - c, (v, k)),
    ):  # fmt: skip
        best = min(best, np.linalg.norm(p - np.clip(p @ d, -e, e) * d))
    return best
