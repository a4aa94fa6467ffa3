"""The cells of a body hold all of it; orders and keys are what they say."""

from __future__ import annotations

import numpy as np
import pytest

from percsim.kernels.pairs import fill_cells, morton_keys, pair_order


def points_of(rng, kind, axis, size, ball, count):
    """Points on a swept body about the origin."""
    helper = np.cross(axis, rng.normal(size=3))
    e = helper / np.linalg.norm(helper)
    f = np.cross(axis, e)
    angle = rng.uniform(0.0, 2.0 * np.pi, count)
    r = size * np.sqrt(rng.uniform(0.0, 1.0, count))
    core = {
        0: r[:, None] * (np.cos(angle)[:, None] * e + np.sin(angle)[:, None] * f),
        1: rng.uniform(-size, size, count)[:, None] * axis,
        2: np.zeros((count, 3)),
    }[kind]
    skin = rng.normal(size=(count, 3))
    return core + ball * skin / np.linalg.norm(skin, axis=1, keepdims=True)


@pytest.mark.parametrize("kind", [0, 1, 2])
def test_every_point_of_a_body_lies_in_its_cells(kind):
    rng = np.random.default_rng((7121, kind))
    n = 40
    axes = rng.normal(size=(n, 3))
    axes[:6] = np.eye(3)[[0, 1, 2, 0, 1, 2]]
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    sizes = rng.lognormal(-0.5, 0.8, n) if kind != 2 else np.zeros(n)
    balls = rng.lognormal(-2.0, 0.8, n)
    swell = 0.03
    bodies = np.zeros((n, 12))
    bodies[:, :3] = rng.uniform(0.0, 6.0, (n, 3))
    bodies[:, 3:6], bodies[:, 6], bodies[:, 7] = axes, sizes, balls
    share = {0: np.sqrt(1.0 - np.minimum(axes**2, 1.0)), 1: abs(axes), 2: 0.0 * axes}[kind]
    bodies[:, 8:11] = share * sizes[:, None] + balls[:, None]
    periodic = np.array([True, True, False])
    low = (bodies[:, 2] - bodies[:, 10]).min() - 0.1
    high = (bodies[:, 2] + bodies[:, 10]).max() + 0.1
    origin = np.array([0.0, 0.0, low])
    for n_cells in ([12, 9, 15], [1, 3, 2], [30, 30, 30]):
        n_cells = np.array(n_cells)
        edge = np.array([6.0, 6.0, high - low]) / n_cells
        start, cells, cell_start, members = fill_cells(
            np.full(n, kind), bodies, swell, origin, edge, n_cells, periodic
        )
        total = int(n_cells.prod())
        for i in range(n):
            own = set(cells[start[i] : start[i + 1]].tolist())
            at = bodies[i, :3] + points_of(
                rng, kind, axes[i], sizes[i], balls[i] + swell, 400
            )
            k = np.floor((at - origin) / edge).astype(int)
            k[:, :2] %= n_cells[:2]
            reached = np.unique((k[:, 0] * n_cells[1] + k[:, 1]) * n_cells[2] + k[:, 2])
            assert set(reached.tolist()) <= own
            # Not much more than that: cells are what the search pays for.
            box = 2.0 * (bodies[i, 8:11] + swell) / edge + 2.0
            assert len(own) <= box.prod()
        # The other way round: each cell lists its bodies in ascending order.
        listed = np.split(members, cell_start[1:-1])
        assert len(listed) == total
        assert sum(map(len, listed)) == len(cells)
        assert all((np.diff(part) >= 0).all() for part in listed)
        assert all(
            c in cells[start[i] : start[i + 1]] for c in range(total) for i in listed[c]
        )


def test_large_flakes_fill_few_cells():
    """A thin disc of 40 cells across fills of the order of 40^2 cells, not 40^3."""
    axis = np.array([0.48, 0.6, 0.64])
    bodies = np.zeros((1, 12))
    bodies[0, :3], bodies[0, 3:6], bodies[0, 6], bodies[0, 7] = 25.0, axis, 20.0, 0.1
    bodies[0, 8:11] = 20.0 * np.sqrt(1.0 - axis**2) + 0.1
    n_cells = np.array([50, 50, 50])
    cells = fill_cells(
        np.zeros(1, np.int64),
        bodies,
        0.0,
        np.zeros(3),
        np.ones(3),
        n_cells,
        np.zeros(3, bool),
    )[1]
    area = np.pi * 20.0**2
    assert area < len(cells) < 2.5 * area


def test_pair_order():
    rng = np.random.default_rng(553)
    pairs = rng.integers(0, 50, (500, 2)).astype(np.int32)
    order = pair_order(pairs, 50)
    np.testing.assert_array_equal(order, np.lexsort((pairs[:, 1], pairs[:, 0])))


def test_morton_keys():
    """Bits of the three cell numbers in turn."""
    centers = np.array([[0.5, 0.5, 0.5], [1.5, 0.5, 0.5], [0.5, 3.5, 0.5], [7.5, 7.5, 7.5]])
    keys = morton_keys(centers, np.zeros(3), np.ones(3), np.array([8, 8, 8]))
    assert keys.tolist() == [0, 0b1, 0b010010, 0b111111111]
