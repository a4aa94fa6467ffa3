from fractions import Fraction

import numpy as np
import pytest

from percsim.kernels.elimination import (
    back_substitute,
    eliminate,
    voltages_from_core,
)
from percsim.kernels.graph import strongest_tree
from percsim.kernels.iteration import (
    approximate_cholesky,
    conjugate_gradient,
    conserve,
    conserve_inwards,
)


def plain(kernel):
    """The Python under a compiled kernel; itself where the compiler is off."""
    return getattr(kernel, "py_func", kernel)


def random_job(rng, n, e, decades=3.0):
    """Connected resistors in local numbers: inner nodes, source n, sink n + 1."""
    nodes = rng.permutation(n + 2)
    tree = np.column_stack(
        [nodes[1:], nodes[[rng.integers(0, k) for k in range(1, n + 2)]]]
    )
    more = rng.integers(0, n + 2, (e, 2))
    pairs = np.concatenate([tree, more[more[:, 0] != more[:, 1]]])
    return np.ascontiguousarray(pairs), 10.0 ** rng.uniform(-decades, 0.0, len(pairs))


def laplacian(n, pairs, g):
    matrix = np.zeros((n, n))
    for (i, j), value in zip(pairs, g, strict=True):
        matrix[i, i] += value
        matrix[j, j] += value
        matrix[i, j] -= value
        matrix[j, i] -= value
    return matrix


def rows_of(matrix):
    """Sparse rows of the conductances in a Laplacian, and what goes to ground.

    Each pair stands in the row of its lower node.
    """
    g = -np.triu(matrix, 1)
    begin = np.concatenate([[0], np.cumsum((g > 0.0).sum(axis=1))])
    i, j = np.nonzero(g)
    return begin, j.astype(np.int32), g[i, j], matrix.sum(axis=1)


@pytest.mark.parametrize(
    ("n", "e", "seed"), [(0, 3, 1), (1, 4, 2), (12, 9, 3), (90, 200, 4)]
)
def test_elimination_against_dense(n, e, seed):
    pairs, g = random_job(np.random.default_rng(seed + 50110), n, e)
    total, order, begin, columns, shares, ca, cb, core, work, dense, _ = eliminate(
        n, pairs, g, n, 0.0
    )
    assert sorted(order) == list(range(n))
    assert len(core[0]) == 0
    matrix = laplacian(n + 2, pairs, g)
    inner = np.linalg.solve(matrix[:n, :n], -matrix[:n, n])
    expected = matrix[n, n] + matrix[n, :n] @ inner
    assert total == pytest.approx(expected, rel=1e-10)
    above, below, drop = back_substitute(
        n, pairs, order, begin, columns, shares, ca, cb, dense
    )
    np.testing.assert_allclose(above, inner, rtol=1e-9)
    np.testing.assert_allclose(above + below, 1.0, rtol=1e-14)
    v = np.append(inner, (1.0, 0.0))
    np.testing.assert_allclose(drop, v[pairs[:, 0]] - v[pairs[:, 1]], atol=1e-10)
    assert work > 0.0 or n < 2


@pytest.mark.parametrize(("decades", "seed"), [(2.0, 71), (12.0, 20993)])
def test_dense_blocks_against_exact_fractions(decades, seed):
    # 66 nodes that all meet, more than one block: star-mesh in rational arithmetic
    rng = np.random.default_rng(seed)
    n = 66
    i, j = np.triu_indices(n + 2, 1)
    pairs = np.column_stack([i, j])
    g = 10.0 ** rng.uniform(-decades, 0.0, len(pairs))
    total, order, begin, columns, shares, ca, cb, _, _, dense, _ = eliminate(
        n, pairs, g, n, 0.0
    )
    assert dense == 0
    above, below, drop = back_substitute(
        n, pairs, order, begin, columns, shares, ca, cb, dense
    )
    rows = [[Fraction(0)] * (n + 2) for _ in range(n + 2)]
    for (a, b), value in zip(pairs.tolist(), g.tolist(), strict=True):
        rows[a][b] = rows[b][a] = Fraction(value)
    # star-mesh on fractions rounded far below what is tested
    fine = 2**160
    for k in range(n):
        s = sum(rows[k][k + 1 :])
        for a in range(k + 1, n + 2):
            share = Fraction(int(rows[k][a] / s * fine), fine)
            for b in range(k + 1, n + 2):
                if a != b:
                    rows[a][b] += share * rows[k][b]
                    rows[a][b] = Fraction(round(rows[a][b] * fine), fine)
        rows[k] = [value / s for value in rows[k]]
    assert total == pytest.approx(float(rows[n][n + 1]), rel=1e-14)
    v = [Fraction(0)] * n + [Fraction(1), Fraction(0)]
    for k in range(n - 1, -1, -1):
        v[k] = sum(rows[k][a] * v[a] for a in range(k + 1, n + 2))
        v[k] = Fraction(round(v[k] * fine), fine)
    exact = np.array([float(v[a] - v[b]) for a, b in pairs.tolist()])
    np.testing.assert_allclose(above, [float(x) for x in v[:n]], rtol=1e-13)
    np.testing.assert_allclose(below, [float(1 - x) for x in v[:n]], rtol=1e-13)
    np.testing.assert_allclose(drop, exact, rtol=0, atol=1e-14)
    # what flows is right to rounding, in resistors far better than the rest too
    current = np.abs(g * drop - g * exact)
    assert current.max() <= 1e-13 * total


def test_dense_end_of_an_elimination_agrees():
    # a complete graph goes to the dense part at once, and has a known value
    n = 40
    i, j = np.triu_indices(n + 2, 1)
    pairs = np.column_stack([i, j])
    total, *_ = eliminate(n, pairs, np.ones(len(pairs)), n, 0.0)
    assert total == pytest.approx((n + 2) / 2.0, rel=1e-14)


@pytest.mark.parametrize("seed", [17, 5300])
def test_partial_elimination_leaves_the_schur_complement(seed):
    n = 60
    pairs, g = random_job(np.random.default_rng(seed), n, 110)
    _, order, begin, columns, shares, ca, _, core, *_ = eliminate(n, pairs, g, 0, 0.0)
    nodes, core_begin, core_columns, core_values, to_source, to_sink = core
    assert 0 < len(nodes) < n
    degrees = np.diff(core_begin) + np.bincount(core_columns, minlength=len(nodes))
    assert degrees.min() > 3
    matrix = laplacian(n + 2, pairs, g)[:n, :n]
    schur = matrix[np.ix_(nodes, nodes)] - matrix[np.ix_(nodes, order)] @ np.linalg.solve(
        matrix[np.ix_(order, order)], matrix[np.ix_(order, nodes)]
    )
    found = np.diag(to_source + to_sink)
    for m in range(len(nodes)):
        for q in range(core_begin[m], core_begin[m + 1]):
            j = core_columns[q]
            assert j > m
            found[[m, j], [j, m]] -= core_values[q]
            found[[m, j], [m, j]] += core_values[q]
    np.testing.assert_allclose(found, schur, atol=1e-12)
    # and back substitution from the core's own voltages is exact too
    v = np.linalg.solve(schur, to_source)
    above = voltages_from_core(n, order, begin, columns, shares, ca, nodes, v)
    inner = np.linalg.solve(matrix, -laplacian(n + 2, pairs, g)[:n, n])
    np.testing.assert_allclose(above, inner, rtol=1e-9, atol=1e-13)


def test_a_long_chain_goes_in_few_passes():
    # its mean number of neighbours is below two, yet all of its nodes may go
    n = 3000
    chain = np.arange(n + 1)
    pairs = np.column_stack([np.append(n, chain[:-1]), np.append(chain[:-1], n + 1)])
    total, *_, work, _, _ = eliminate(n, pairs, np.ones(len(pairs)), n, 0.0)
    assert total == pytest.approx(1.0 / (n + 1), rel=1e-12)
    assert work < 5.0 * n


def test_budget_falls_back_to_the_reduced_network():
    n = 60
    pairs, g = random_job(np.random.default_rng(4), n, 150)
    none = eliminate(n, pairs, g, 0, 0.0)
    some = eliminate(n, pairs, g, 0, 150.0)
    np.testing.assert_array_equal(none[1], some[1])
    for one, other in zip(none[7], some[7], strict=True):
        np.testing.assert_array_equal(one, other)
    assert len(eliminate(n, pairs, g, 0, 1e9)[7][0]) == 0


def factors_as_matrix(order, begin, columns, shares, pivots):
    n = len(order)
    lower = np.eye(n)
    for c in range(n):
        for q in range(begin[c], begin[c + 1]):
            lower[columns[q], order[c]] = -shares[q]
    diagonal = np.zeros(n)
    diagonal[order] = pivots
    return lower @ np.diag(diagonal) @ lower.T


def test_approximate_factors_of_a_tree_are_exact():
    rng = np.random.default_rng(9)
    n = 50
    pairs = np.column_stack([np.arange(1, n), rng.integers(0, np.arange(1, n))])
    matrix = laplacian(n, pairs, rng.random(n - 1) + 0.1) + np.diag(rng.random(n))
    found = factors_as_matrix(*approximate_cholesky(*rows_of(matrix), 1))
    np.testing.assert_allclose(found, matrix, atol=1e-12)


def test_approximate_factors_are_right_on_the_mean():
    # one step: the first node's mesh is sampled; the mean over seeds is the matrix
    rng = np.random.default_rng(330)
    n = 6
    i, j = np.triu_indices(n, 1)
    pairs = np.column_stack([i, j])
    matrix = laplacian(n, pairs, rng.random(len(pairs)) + 0.05) + np.diag(rng.random(n))
    rows = rows_of(matrix)
    seeds = rng.integers(0, 2**31, 3000)
    draws = np.array(
        [factors_as_matrix(*approximate_cholesky(*rows, seed)) for seed in seeds]
    )
    error = draws.std(axis=0, ddof=1) / np.sqrt(len(draws))
    assert np.all(np.abs(draws.mean(axis=0) - matrix) <= 4.5 * error + 1e-12)
    assert error.max() > 0.0


@pytest.mark.parametrize("decades", [0.0, 6.0])
def test_conjugate_gradient_against_dense(decades):
    rng = np.random.default_rng(60)
    n = 300
    pairs, g = random_job(rng, n, 900, decades)
    matrix = laplacian(n + 2, pairs, g)
    inner = np.ascontiguousarray(matrix[:n, :n])
    begin, columns, values, _ = rows_of(inner)
    to_source, to_sink = -matrix[:n, n], -matrix[:n, n + 1]
    factors = approximate_cholesky(begin, columns, values, to_source + to_sink, 7)
    x, iterations, remaining, energy = conjugate_gradient(
        begin, columns, values, to_source, to_sink, np.zeros(n), *factors, 1e-20, 300
    )
    expected = np.linalg.solve(inner, to_source)
    np.testing.assert_allclose(x, expected, atol=1e-8)
    assert energy == pytest.approx(to_source @ (1.0 - expected), rel=1e-9)
    assert remaining <= 1e-20 * energy
    assert 3 < iterations < 60


def test_conserve_is_exact():
    rng = np.random.default_rng(2024)
    n = 40
    pairs, g = random_job(rng, n, 80, 20.0)
    visited, up = strongest_tree(n + 2, pairs, g, n + 1)
    forest = np.delete(up, n + 1)
    assert len(visited) == n + 2
    given = rng.normal(size=len(g)) * g
    currents = given.copy()
    conserve(n + 2, pairs, currents, visited, up, n, 0.75)
    off = np.setdiff1d(np.arange(len(g)), forest)
    np.testing.assert_array_equal(currents[off], given[off])
    # exact currents of the tree by rational arithmetic, leaf after leaf
    out = [Fraction(0)] * (n + 2)
    out[n], out[n + 1] = Fraction(-0.75), Fraction(0.75)
    for e in off:
        out[pairs[e, 0]] += Fraction(given[e])
        out[pairs[e, 1]] -= Fraction(given[e])
    left = set(forest.tolist())
    while left:
        for e in sorted(left):
            for side in (0, 1):
                i = int(pairs[e, side])
                if sum(i in pairs[f] for f in left) == 1:
                    exact = -out[i] if side == 0 else out[i]
                    assert abs(Fraction(currents[e]) - exact) <= abs(exact) * Fraction(
                        2, 2**52
                    )
                    out[int(pairs[e, 0])] += exact
                    out[int(pairs[e, 1])] -= exact
                    left.remove(e)
                    break
            else:
                continue
            break


def test_conserving_inwards_bounds_from_both_sides():
    rng = np.random.default_rng(41155)
    n = 70
    # each node beside a random lower one or a terminal, as a walk numbers them
    tree = [(k, int(rng.choice([*range(k), n, n + 1]))) for k in range(n)]
    pairs, g = random_job(rng, n, 90, 8.0)
    pairs = np.concatenate([np.array(tree), pairs]).astype(np.int32)
    swapped = rng.random(len(pairs)) < 0.5
    pairs[swapped] = pairs[swapped, ::-1]
    g = np.concatenate([10.0 ** rng.uniform(-2.0, 0.0, n), g])
    matrix = laplacian(n + 2, pairs, g)
    exact = np.linalg.solve(matrix[:n, :n], -matrix[:n, n])
    conductance = matrix[n, n] + matrix[n, :n] @ exact
    for off in (1e-2, 1e-5):
        voltages = exact * (1.0 + off * rng.normal(size=n))
        ends = np.append(voltages, (1.0, 0.0))
        drops = ends[pairs[:, 0]] - ends[pairs[:, 1]]
        power, waste, currents = conserve_inwards(n, pairs, g, voltages)
        assert power == pytest.approx(float(np.sum(g * drops**2)), rel=1e-14)
        assert power > conductance
        assert waste > 1.0 / conductance
        assert waste * power - 1.0 < 1e5 * off**2
        # conserved at each inner node, in rational numbers, to a rounding of its currents
        out, size = [Fraction(0)] * (n + 2), np.zeros(n + 2)
        for (i, j), current in zip(pairs, currents, strict=True):
            out[i] += Fraction(current)
            out[j] -= Fraction(current)
            size[[i, j]] += abs(current)
        assert all(abs(out[k]) <= 2.0**-51 * size[k] for k in range(n))
        assert float(out[n]) == pytest.approx(power, rel=1e-14)
        assert waste == pytest.approx(float(np.sum(currents**2 / g)) / power**2, rel=1e-13)


def test_compiled_and_plain_agree():
    rng = np.random.default_rng(18)
    n = 25
    pairs, g = random_job(rng, n, 50)
    for full in (0, n):
        one = eliminate(n, pairs, g, full, 0.0)
        other = plain(eliminate)(n, pairs, g, full, 0.0)
        for a, b in zip((*one[:7], *one[7]), (*other[:7], *other[7]), strict=True):
            np.testing.assert_array_equal(a, b)
    core = one[7] if len(one[7][0]) else eliminate(n, pairs, g, 0, 0.0)[7]
    rows = (core[1], core[2], core[3], core[4] + core[5])
    for a, b in zip(
        approximate_cholesky(*rows, 3), plain(approximate_cholesky)(*rows, 3), strict=True
    ):
        np.testing.assert_array_equal(a, b)
