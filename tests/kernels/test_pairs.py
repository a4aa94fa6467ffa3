"""The cells of a body hold all of it; orders and keys are what they say."""

from __future__ import annotations

import numpy as np
import pytest

from percsim.kernels.cells import fill_cells, morton_order
from percsim.kernels.pairs import in_order


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
        start, cells, cell_start, members, _ = fill_cells(
            np.full(n, kind, np.int8), bodies, swell, origin, edge, n_cells, periodic
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
        np.zeros(1, np.int8),
        bodies,
        0.0,
        np.zeros(3),
        np.ones(3),
        n_cells,
        np.zeros(3, bool),
    )[1]
    area = np.pi * 20.0**2
    assert area < len(cells) < 2.5 * area


def test_columns_by_first_then_second_body():
    rng = np.random.default_rng(553)
    codes = rng.choice(50 * 50, 500, replace=False)
    pairs = np.stack([codes // 50, codes % 50], axis=1).astype(np.int32)
    images = rng.integers(-2, 3, (500, 3)).astype(np.int8)
    contacts, centers = rng.normal(size=(500, 7)), rng.normal(size=(50, 3))
    moved = rng.integers(-2, 3, (50, 3))
    order = np.lexsort((pairs[:, 1], pairs[:, 0]))
    i, j = pairs[order].T
    for boxes, change in ((moved, moved[i] - moved[j]), (moved[:0], 0)):
        both, gaps, normals, shifts, points = in_order(
            pairs, images, contacts, centers, boxes
        )
        np.testing.assert_array_equal(both, pairs[order])
        np.testing.assert_array_equal(gaps, contacts[order, 0])
        np.testing.assert_array_equal(normals, contacts[order, 1:4])
        np.testing.assert_array_equal(points, contacts[order, 4:] + centers[i])
        np.testing.assert_array_equal(shifts, images[order] + change)


def test_order_of_bodies():
    """Bits of the three cell numbers in turn; centres outside a periodic edge wrap."""
    rng = np.random.default_rng(901)
    cells = rng.integers(0, [512, 8, 64], (4000, 3))
    shift = np.array([512.0, 0.0, 0.0]) * rng.integers(-2, 3, (4000, 1))
    order = morton_order(
        cells + 0.5 + shift, np.zeros(3), np.ones(3), np.array([512, 8, 64]),
        np.array([True, False, False]),
    )  # fmt: skip
    bits = [
        sum(((int(c) >> b) & 1) << (3 * b + k) for k, c in enumerate(row) for b in range(9))
        for row in cells
    ]
    np.testing.assert_array_equal(order, np.argsort(bits, kind="stable"))


def test_spheres_of_a_cell_hold_their_bodies():
    rng = np.random.default_rng(7127)
    n, origin, edge = 200, np.array([0.0, 0.0, -1.0]), np.array([1e3, 1e3, 1e3])
    bodies = np.zeros((n, 12))
    bodies[:, :3] = rng.uniform(0.0, 7e3, (n, 3))
    bodies[:, 7] = bodies[:, 11] = rng.uniform(1e-3, 5e-3, n)
    bodies[:, 8:11] = bodies[:, 11:]
    *_, members, spheres = fill_cells(
        np.full(n, 2, np.int8), bodies, 0.001, origin, edge, np.full(3, 8),
        np.zeros(3, bool),
    )  # fmt: skip
    centres, radii = spheres[:, :3].astype(float), spheres[:, 3].astype(float)
    off = np.linalg.norm(bodies[members, :3] - origin - centres, axis=1)
    assert (off + bodies[members, 11] + 0.001 <= radii).all()
    assert off.max() > 1e-4  # single precision is felt
