import itertools
import math

import numpy as np
import pytest

from percsim.kernels.relax import deepest_overlap, near_pairs, push_pass

CUBE = np.array([3.0, 2.0, 4.0])


def brute_pairs(centers, radii, edges, periodic, skin):
    """All images of all pairs, by the definition."""
    found = set()
    images = [(-2, -1, 0, 1, 2) if p else (0,) for p in periodic]
    for i, j in itertools.permutations(range(len(radii)), 2):
        if radii[j] > radii[i] or (radii[j] == radii[i] and j < i):
            continue
        for image in itertools.product(*images):
            shift = np.array(image) * edges
            apart = np.linalg.norm(centers[j] + shift - centers[i])
            if apart < radii[i] + radii[j] + skin:
                found.add((i, j, *image))
    return found


@pytest.mark.parametrize("periodic", [(1, 1, 1), (0, 1, 1), (0, 0, 0), (1, 0, 1)])
@pytest.mark.parametrize("cell", [0.1, 0.5, 5.0])
def test_near_pairs_are_those_of_brute_force(periodic, cell):
    rng = np.random.default_rng(50_023)
    n = 40
    centers = rng.random((n, 3)) * CUBE
    for k in range(3):
        if not periodic[k]:  # bodies may have been pushed out of open faces
            centers[:, k] += rng.normal(size=n) * 0.5
    radii = np.exp(rng.normal(size=n) * 0.8) * 0.2
    radii[:5] = radii[5]
    radii = np.minimum(radii, 1.0)
    pairs, shifts = near_pairs(
        centers, radii, CUBE, np.array(periodic, dtype=np.int64), cell, 0.05
    )
    images = np.rint(shifts / CUBE).astype(int)
    got = [(int(i), int(j), *map(int, s)) for (i, j), s in zip(pairs, images, strict=True)]
    assert len(got) == len(set(got))
    assert set(got) == brute_pairs(centers, radii, CUBE, periodic, 0.05)


def push(
    kinds, centers, axes, sizes, balls, walls=(0, 0, 0), gain=1.0, ease=0.0, light=1.0
):
    centers, axes = np.array(centers, float), np.array(axes, float)
    sizes, balls = np.array(sizes, float), np.array(balls, float)
    n = len(kinds)
    radii = sizes + balls
    far = np.full(3, 100.0)
    pairs, shifts = near_pairs(centers, radii, far, np.zeros(3, dtype=np.int64), 1.0, 0.0)
    state = push_pass(
        pairs, shifts, np.array(kinds, dtype=np.int64), centers, axes, sizes, balls, balls,
        radii, np.full(n, 1.0) * light, np.full(n, 1.0) * ease, far,
        np.array(walls, dtype=np.int64), False, 0.0, gain, 1e9,
    )  # fmt: skip
    return centers, axes, state


def test_two_spheres_part_along_their_centres():
    # radii 1 and 0.5, 1.2 apart: overlap 0.3, 0.15 each
    centers, _, (deepest, touching) = push(
        [2, 2], [[10, 10, 10], [11.2, 10, 10]], np.eye(3)[:2], [0, 0], [1.0, 0.5]
    )
    assert centers == pytest.approx(np.array([[9.85, 10, 10], [11.35, 10, 10]]))
    assert touching == 1
    assert deepest == pytest.approx(0.3 / 1.5)


def test_the_lighter_body_moves_further():
    # three times as light: overlap 0.3 shared 3 : 1
    centers, _, _ = push(
        [2, 2], [[10, 10, 10], [11.2, 10, 10]], np.eye(3)[:2], [0, 0], [1.0, 0.5],
        light=np.array([2.0, 6.0]),
    )  # fmt: skip
    assert centers == pytest.approx(np.array([[9.925, 10, 10], [11.425, 10, 10]]))


def test_crossing_discs_part_by_the_least_penetration():
    # a disc of radius 1 in the plane z = 10; one standing on edge reaches 0.2 through it:
    # core and balls make 0.2 + 0.1 along z
    centers, _, (_, touching) = push(
        [0, 0], [[10, 10, 10], [10, 10, 10.8]], [[0, 0, 1], [1, 0, 0]], [1, 1], [0.05, 0.05]
    )
    assert touching == 1
    assert centers[1] - centers[0] == pytest.approx(np.array([0, 0, 1.1]))


def test_a_push_off_centre_turns_and_keeps_momentum():
    # a sphere pressed on the end of a segment along x: the segment turns away from it
    start = [[10, 10, 10], [10.9, 10, 10.2]]
    centers, axes, _ = push(
        [1, 2], start, [[1, 0, 0], [0, 0, 1]], [1, 0], [0.1, 0.2], ease=3.0
    )
    assert centers.mean(axis=0) == pytest.approx(np.mean(start, axis=0))
    assert axes[0, 2] < 0.0
    assert np.linalg.norm(axes, axis=1) == pytest.approx(1.0)
    # overlap 0.1 over weight 2 + 3 (0.9^2): moves by that, turns by 3 x 0.9 x that
    step = 0.1 / (2 + 3 * 0.81)
    assert centers[0, 2] == pytest.approx(10 - step)
    assert math.atan2(-axes[0, 2], axes[0, 0]) == pytest.approx(
        math.atan(3 * 0.9 * step), rel=1e-9
    )


def test_one_push_closes_a_small_overlap_to_first_order():
    # rods of unlike inertia that touch off their middles: a depth of 1e-5 is left with the
    # square of that
    start = [[10, 10, 10], [10.4, 10.7, 10 + 0.3 - 1e-5]]
    directions = [[1, 0, 0], [0.0, 0.8, 0.6]]
    middle = np.array([10.4, 10.0, 10.0])  # where the first rod is touched, to order 1e-5
    lowest = np.array(start[1]) - np.array(directions[1]) * 1.0
    assert lowest[2] < middle[2]  # the second rod dips across the first
    kinds, sizes, balls = [1, 1], [1, 1], [0.1, 0.2]
    pairs, shifts = np.array([[1, 0]]), np.zeros((1, 3))

    def share(centers, axes):
        return deepest_overlap(
            pairs, shifts, np.array(kinds), np.array(centers, float), np.array(axes, float),
            np.array(sizes, float), np.array(balls, float), False,
        )  # fmt: skip

    # slide the second rod until it overlaps by 1e-5
    rise = 0.0
    for _ in range(200):
        here = share([start[0], np.add(start[1], (0, 0, rise))], directions)
        if here >= 1.0 - 1e-5 / 0.3:
            break
        rise += 0.3 * max(1.0 - here, 1e-6)
    second = np.add(start[1], (0, 0, rise))
    before = 0.3 * (1.0 - share([start[0], second], directions))
    assert 0.0 < before < 2e-5
    moved = push(kinds, [start[0], second], directions, sizes, balls,
                 ease=np.array([3.0, 0.7]), light=np.array([1.0, 2.5]))  # fmt: skip
    assert abs(0.3 * (1.0 - share(moved[0], moved[1]))) < 1e-3 * before


@pytest.mark.parametrize("side", [0, 1])
@pytest.mark.parametrize("kind", [0, 1, 2])
def test_a_wall_pushes_in_and_turns_towards_flat(kind, side):
    axis = [[0.6, 0, 0.8]] if kind == 0 else [[0.8, 0, 0.6]]
    size, ball = (0.0 if kind == 2 else 1.0), 0.1
    half = ball + 0.6 * size  # both reach 0.6 of their size along z
    depth = 0.05
    z = half - depth if side == 0 else 100 - half + depth
    centers, _, (_, touching) = push(
        [kind], [[10, 10, z]], axis, [size], [ball], walls=(0, 0, 1)
    )
    assert touching == 1
    assert abs(centers[0, 2] - z) == pytest.approx(depth)
    assert half - 1e-12 <= centers[0, 2] <= 100 - half + 1e-12
    _, turned, _ = push(
        [kind], [[10, 10, z]], axis, [size], [ball], walls=(0, 0, 1), ease=4.0
    )
    if kind == 0:
        assert abs(turned[0, 2]) > 0.8  # normal nearer to the wall's
    elif kind == 1:
        assert abs(turned[0, 2]) < 0.6  # rod nearer to the wall


def test_deepest_overlap_is_a_share_of_the_balls():
    centers = np.array([[10.0, 10, 10], [11.2, 10, 10], [30, 10, 10]])
    balls = np.array([1.0, 0.5, 1.0])
    pairs, shifts = near_pairs(
        centers, balls, np.full(3, 100.0), np.ones(3, dtype=np.int64), 1.0, 0.0
    )
    share = deepest_overlap(
        pairs, shifts, np.full(3, 2), centers, np.eye(3), np.zeros(3), balls, False
    )
    assert share == pytest.approx(1.2 / 1.5)
    none = deepest_overlap(
        pairs[:0], shifts[:0], np.full(3, 2), centers, np.eye(3), np.zeros(3), balls, False
    )
    assert none == math.inf
