"""Core distances, contact points and normals against a slow reference and exact cases."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from reference.gaps import core_distances, point_core_distance

from percsim.kernels.geometry import DISC, POINT, SEGMENT, core_contact, cores_within

KINDS = {DISC: "disc", SEGMENT: "segment", POINT: "point"}
PAIRS = list(itertools.product(KINDS, KINDS))
TILTS = (1e-13, 1e-12, 1e-11, 1e-10, 1e-9, 1e-8, 1e-6, 1e-4, 1e-2, 0.1)


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def directions(rng, m):
    return unit(rng.normal(size=(m, 3)))


def contacts(kind_i, size_i, axis_i, kind_j, size_j, axis_j, c, planar=False):
    """Distances (m,), contact points (m, 3) and normals (m, 3)."""
    rows = np.array(
        [
            core_contact(
                kind_i, float(size_i[k]), *axis_i[k].tolist(),
                kind_j, float(size_j[k]), *axis_j[k].tolist(), *c[k].tolist(), planar,
            )
            for k in range(len(c))
        ]
    )  # fmt: skip
    return rows[:, 0], rows[:, 1:4], rows[:, 4:]


def support(kind, size, axis, direction):
    """How far a core reaches along a direction."""
    along = (axis * direction).sum(axis=1)
    across = np.linalg.norm(np.cross(axis, direction), axis=1)
    return size * (across if kind == DISC else abs(along) if kind == SEGMENT else 0.0)


def check(kind_i, size_i, axis_i, kind_j, size_j, axis_j, c):
    """Every property of a right answer; tolerances are shares of the sizes and offset."""
    m = len(c)
    kinds = np.full(m, kind_i), np.full(m, kind_j)
    d, points, normals = contacts(kind_i, size_i, axis_i, kind_j, size_j, axis_j, c)
    expected = core_distances(kinds[0], size_i, axis_i, kinds[1], size_j, axis_j, c)
    scale = size_i + size_j + np.linalg.norm(c, axis=1) + 1e-300
    # The parallel shortcut moves an end by up to 1e-11; the rest is rounding.
    assert (abs(d - expected) / scale).max() < 2e-11
    np.testing.assert_allclose(np.linalg.norm(normals, axis=1), 1.0, rtol=0, atol=1e-12)
    assert ((normals * c).sum(axis=1) >= 0.0).all()
    # Both closest points belong to their cores.
    half = 0.5 * d[:, None] * normals
    first = point_core_distance(points - half, kinds[0], size_i, axis_i)
    second = point_core_distance(points + half - c, kinds[1], size_j, axis_j)
    assert (first / scale).max() < 1e-8
    assert (second / scale).max() < 1e-8
    # The plane across the normal parts the cores by the distance: with the closest
    # points this proves both. Rounding of points leaves 1e-16 / d of the direction.
    apart = (normals * c).sum(axis=1)
    apart -= support(kind_i, size_i, axis_i, normals)
    apart -= support(kind_j, size_j, axis_j, normals)
    clear = d > 1e-3 * scale
    assert (abs(apart - d) / scale)[clear].max(initial=0.0) < 1e-10
    return d, points, normals


@pytest.mark.parametrize(("kind_i", "kind_j"), PAIRS)
def test_random_pairs(kind_i, kind_j):
    rng = np.random.default_rng((6607, kind_i, kind_j))
    m = 100
    size_i = rng.lognormal(0.0, 0.6, m) * (kind_i != POINT)
    size_j = rng.lognormal(0.0, 0.6, m) * (kind_j != POINT)
    c = rng.normal(size=(m, 3)) * rng.choice([0.5, 1.5], (m, 1))
    check(kind_i, size_i, directions(rng, m), kind_j, size_j, directions(rng, m), c)


@pytest.mark.parametrize("tilt", [0.0, *TILTS])
@pytest.mark.parametrize(("kind_i", "kind_j"), [(0, 0), (0, 1), (1, 1)])
def test_nearly_parallel(kind_i, kind_j, tilt):
    rng = np.random.default_rng(41887)
    for height in (0.0, 1e-12, 1e-6, tilt, 0.05):
        m = 8
        axis_i = directions(rng, m)
        axis_j = axis_i if kind_i == kind_j else unit(np.cross(axis_i, directions(rng, m)))
        axis_j = unit(axis_j + tilt * directions(rng, m))
        side = unit(np.cross(axis_i, directions(rng, m)))
        if kind_i == SEGMENT:  # along the segment, and off its line by the height
            c = axis_i * rng.uniform(-2.5, 2.5, (m, 1)) + height * side
        else:
            c = side * rng.uniform(0.0, 2.5, (m, 1)) + height * axis_i
        size_j = rng.choice([1.0, 0.3], m)
        check(kind_i, np.ones(m), axis_i, kind_j, size_j, axis_j, c)


@pytest.mark.parametrize("ratio", [1e-3, 0.03, 30.0, 1e3])
@pytest.mark.parametrize(("kind_i", "kind_j"), [(0, 0), (0, 1), (1, 0), (1, 1)])
def test_size_ratios(kind_i, kind_j, ratio):
    rng = np.random.default_rng(90210)
    m = 60
    c = directions(rng, m) * rng.uniform(0.0, 1.2 + ratio, (m, 1))
    sizes = np.ones(m), np.full(m, ratio)
    check(kind_i, sizes[0], directions(rng, m), kind_j, sizes[1], directions(rng, m), c)


@pytest.mark.parametrize(("kind_i", "kind_j"), PAIRS)
def test_same_centre(kind_i, kind_j):
    rng = np.random.default_rng(1733)
    m = 20
    size_i = np.full(m, 1.0 * (kind_i != POINT))
    size_j = np.full(m, 0.4 * (kind_j != POINT))
    axis_j = directions(rng, m)
    d, points, _ = check(
        kind_i, size_i, directions(rng, m), kind_j, size_j, axis_j, np.zeros((m, 3))
    )
    assert (d == 0.0).all()
    np.testing.assert_allclose(points, 0.0, atol=1e-15)


def test_exactly_touching():
    """Hand-placed cores that share one point, or a whole stretch."""
    x, y, z = np.eye(3)
    cases = [
        (DISC, 1.0, z, DISC, 2.0, z, (3.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        (DISC, 1.0, z, DISC, 2.0, x, (0.5, 0.0, 2.0), (0.5, 0.0, 0.0)),
        (DISC, 1.0, z, DISC, 2.0, y, (3.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        (DISC, 1.0, z, SEGMENT, 2.0, z, (0.25, 0.5, 2.0), (0.25, 0.5, 0.0)),
        (DISC, 1.0, z, SEGMENT, 2.0, y, (1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        (DISC, 1.0, z, SEGMENT, 2.0, x, (3.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        (DISC, 1.0, z, POINT, 0.0, z, (0.6, 0.8, 0.0), (0.6, 0.8, 0.0)),
        (SEGMENT, 1.0, x, SEGMENT, 2.0, y, (1.0, 2.0, 0.0), (1.0, 0.0, 0.0)),
        (SEGMENT, 1.0, x, SEGMENT, 2.0, x, (3.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
        (SEGMENT, 1.0, x, SEGMENT, 2.0, x, (2.0, 0.0, 0.0), (0.5, 0.0, 0.0)),
        (SEGMENT, 1.0, x, POINT, 0.0, x, (-1.0, 0.0, 0.0), (-1.0, 0.0, 0.0)),
    ]
    for kind_i, size_i, axis_i, kind_j, size_j, axis_j, c, point in cases:
        d, p, n = contacts(
            kind_i, [size_i], axis_i[None], kind_j, [size_j], axis_j[None], np.array([c])
        )
        assert d[0] == pytest.approx(0.0, abs=1e-15)
        np.testing.assert_allclose(p[0], point, atol=1e-12)
        assert np.linalg.norm(n[0]) == pytest.approx(1.0)
        assert n[0] @ c >= 0.0


def test_stretch_in_common_is_halved():
    """Parallel bodies meet in the middle of what they share."""
    z = np.array([[0.0, 0.0, 1.0]])
    d, p, n = contacts(DISC, [1.0], z, DISC, [0.5], z, np.array([[1.0, 0.0, 0.2]]))
    assert d[0] == pytest.approx(0.2)
    np.testing.assert_allclose(p[0], [0.75, 0.0, 0.1], atol=1e-15)
    np.testing.assert_allclose(n[0], [0.0, 0.0, 1.0], atol=1e-15)
    d, p, n = contacts(SEGMENT, [1.0], z, SEGMENT, [0.5], z, np.array([[0.3, 0.0, 1.0]]))
    assert d[0] == pytest.approx(0.3)
    np.testing.assert_allclose(p[0], [0.15, 0.0, 0.75], atol=1e-15)
    np.testing.assert_allclose(n[0], [1.0, 0.0, 0.0], atol=1e-15)
    x = np.array([[1.0, 0.0, 0.0]])
    d, p, _ = contacts(DISC, [1.0], z, SEGMENT, [2.0], x, np.array([[2.0, 0.6, 0.1]]))
    assert d[0] == pytest.approx(0.1)
    np.testing.assert_allclose(p[0], [0.4, 0.6, 0.05], atol=1e-15)


def crossing_discs(rng, m):
    size_i, size_j = rng.lognormal(0, 0.4, m), rng.lognormal(0, 0.4, m)
    axis_i, axis_j = directions(rng, m), directions(rng, m)
    # Some far along the line of the planes, where it is the quickest way out.
    c = rng.normal(size=(m, 3)) * 0.7
    c += unit(np.cross(axis_i, axis_j)) * rng.choice([0.0, 1.3], (m, 1))
    d, points, normals = contacts(DISC, size_i, axis_i, DISC, size_j, axis_j, c)
    rows = d == 0.0
    assert 0.2 * m < rows.sum() < 0.9 * m
    return [v[rows] for v in (size_i, axis_i, size_j, axis_j, c, points, normals)]


def test_crossing_discs_meet_in_the_middle_of_their_chord():
    rng = np.random.default_rng(70481)
    size_i, axis_i, size_j, axis_j, c, points, _ = crossing_discs(rng, 200)
    line = unit(np.cross(axis_i, axis_j))

    def inside(t):
        q = points + t[:, None] * line
        first = point_core_distance(q, np.zeros(len(t)), size_i, axis_i)
        second = point_core_distance(q - c, np.zeros(len(t)), size_j, axis_j)
        return np.maximum(first, second) < 1e-12

    ends = []
    for sign in (-1.0, 1.0):
        lo, hi = np.zeros(len(c)), np.full(len(c), 20.0)
        for _ in range(60):
            mid = 0.5 * (lo + hi)
            within = inside(sign * mid)
            lo, hi = np.where(within, mid, lo), np.where(within, hi, mid)
        ends.append(lo)
    assert inside(np.zeros(len(c))).all()
    np.testing.assert_allclose(ends[0], ends[1], rtol=0, atol=1e-9)


def test_crossing_discs_part_soonest_along_their_normal():
    """The chosen direction is the best of the three, by support functions and chords."""
    rng = np.random.default_rng(55219)
    size_i, axis_i, size_j, axis_j, c, _, normals = crossing_discs(rng, 150)
    line = unit(np.cross(axis_i, axis_j))
    sides = np.stack([axis_i, axis_j, line], axis=1)
    match = abs(np.einsum("mkd,md->mk", sides, normals))
    chosen = match.argmax(axis=1)
    np.testing.assert_allclose(match.max(axis=1), 1.0, atol=1e-12)
    assert len(set(chosen)) == 3
    kinds = np.zeros(len(c))

    def moved_by(direction, t):
        return c + t[:, None] * direction

    # Enough along either disc normal: the overlap of the two shadows on it.
    needed = np.stack(
        [
            support(DISC, size_i, axis_i, u) + support(DISC, size_j, axis_j, u)
            - abs((c * u).sum(axis=1))
            for u in (axis_i, axis_j)
        ],
        axis=1,
    )  # fmt: skip
    # Enough along the line of the planes, by bisection.
    lo, hi = np.zeros(len(c)), size_i + size_j
    along = line * np.where((c * line).sum(axis=1) >= 0.0, 1.0, -1.0)[:, None]
    for _ in range(30):
        mid = 0.5 * (lo + hi)
        moved = moved_by(along, mid)
        out = contacts(DISC, size_i, axis_i, DISC, size_j, axis_j, moved)[0] > 0.0
        lo, hi = np.where(out, lo, mid), np.where(out, mid, hi)
    needed = np.column_stack([needed, hi])
    least = np.take_along_axis(needed, chosen[:, None], axis=1)[:, 0]
    np.testing.assert_allclose(least, needed.min(axis=1), rtol=0, atol=1e-6)
    moved = moved_by(normals, least + 1e-5)
    assert (
        core_distances(kinds, size_i, axis_i, kinds, size_j, axis_j, moved) > 1e-9
    ).all()
    # The direction points away from the first body.
    assert ((normals * c).sum(axis=1) >= 0.0).all()


def test_segment_through_a_disc():
    """Near the rim it comes out sideways, near its end along the disc normal."""
    z = np.array([[0.0, 0.0, 1.0]])
    d, p, n = contacts(DISC, [1.0], z, SEGMENT, [2.0], z, np.array([[0.9, 0.0, 0.3]]))
    assert d[0] == 0.0
    np.testing.assert_allclose(p[0], [0.9, 0.0, 0.0], atol=1e-15)
    np.testing.assert_allclose(n[0], [1.0, 0.0, 0.0], atol=1e-12)
    d, p, n = contacts(DISC, [1.0], z, SEGMENT, [2.0], z, np.array([[0.5, 0.0, 1.9]]))
    assert d[0] == 0.0
    np.testing.assert_allclose(p[0], [0.5, 0.0, 0.0], atol=1e-15)
    np.testing.assert_allclose(n[0], [0.0, 0.0, 1.0], atol=1e-12)


def test_crossing_sticks_stay_in_the_plane():
    """Sticks that cross part along the shorter way across either of them."""
    rng = np.random.default_rng(83015)
    m = 300
    angle = rng.uniform(0.0, np.pi, (2, m))
    axes = np.stack([np.cos(angle), np.sin(angle), np.zeros((2, m))], axis=-1)
    sizes = rng.lognormal(0.0, 0.5, (2, m))
    c = np.column_stack([rng.normal(size=(m, 2)), np.zeros(m)])
    d, points, normals = contacts(1, sizes[0], axes[0], 1, sizes[1], axes[1], c, True)
    space = contacts(1, sizes[0], axes[0], 1, sizes[1], axes[1], c)[0]
    np.testing.assert_allclose(d, space, atol=1e-14)
    assert (normals[:, 2] == 0.0).all()
    assert (points[:, 2] == 0.0).all()
    cross = d == 0.0
    assert 50 < cross.sum() < 250
    for k in np.flatnonzero(cross):
        needed = []
        for axis in axes[:, k]:
            across = np.array([-axis[1], axis[0], 0.0])
            reach = sum(sizes[b, k] * abs(axes[b, k] @ across) for b in (0, 1))
            needed.append(reach - abs(across @ c[k]))
        across = [abs(normals[k] @ axis) < 1e-12 for axis in axes[:, k]]
        assert across[int(np.argmin(needed))]
        kinds = np.array([SEGMENT])
        moved = c[k] + (min(needed) + 1e-6) * normals[k]
        apart = core_distances(
            kinds, sizes[:1, k], axes[:1, k], kinds, sizes[1:, k], axes[1:, k], moved[None]
        )
        assert apart[0] > 1e-8


@pytest.mark.parametrize(("kind_i", "kind_j"), PAIRS)
def test_exchange_rotation_and_scale(kind_i, kind_j):
    """Nothing depends on who is first, how the axes lie, or the unit of length."""
    rng = np.random.default_rng(24113)
    m = 40
    size_i = rng.lognormal(0.0, 0.4, m) * (kind_i != POINT)
    size_j = rng.lognormal(0.0, 0.4, m) * (kind_j != POINT)
    axis_i, axis_j = directions(rng, m), directions(rng, m)
    c = rng.normal(size=(m, 3))
    d, p, n = contacts(kind_i, size_i, axis_i, kind_j, size_j, axis_j, c)
    d2, p2, n2 = contacts(kind_j, size_j, axis_j, kind_i, size_i, axis_i, -c)
    np.testing.assert_allclose(d2, d, atol=1e-13)
    np.testing.assert_allclose(p2 + c, p, atol=1e-9)
    np.testing.assert_allclose(n2, -n, atol=1e-9)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turned = contacts(
        kind_i, size_i, axis_i @ turn, kind_j, size_j, -axis_j @ turn, c @ turn
    )
    np.testing.assert_allclose(turned[0], d, atol=1e-13)
    np.testing.assert_allclose(turned[1], p @ turn, atol=1e-9)
    np.testing.assert_allclose(turned[2], n @ turn, atol=1e-9)
    for unit_of_length in (1e-9, 1e3):
        scaled = contacts(
            kind_i, unit_of_length * size_i, axis_i,
            kind_j, unit_of_length * size_j, axis_j, unit_of_length * c,
        )  # fmt: skip
        np.testing.assert_allclose(scaled[0] / unit_of_length, d, atol=1e-13)
        np.testing.assert_allclose(scaled[2], n, atol=1e-9)


@pytest.mark.parametrize(("kind_i", "kind_j"), PAIRS)
def test_cores_within(kind_i, kind_j):
    rng = np.random.default_rng(61)
    m = 100
    size_i = rng.lognormal(0.0, 0.4, m) * (kind_i != POINT)
    size_j = rng.lognormal(0.0, 0.4, m) * (kind_j != POINT)
    axis_i, axis_j = directions(rng, m), directions(rng, m)
    c = rng.normal(size=(m, 3)) * 1.3
    expected = core_distances(
        np.full(m, kind_i), size_i, axis_i, np.full(m, kind_j), size_j, axis_j, c
    )
    for k in range(m):
        arguments = (
            kind_i, float(size_i[k]), *axis_i[k].tolist(),
            kind_j, float(size_j[k]), *axis_j[k].tolist(), *c[k].tolist(),
        )  # fmt: skip
        assert cores_within(*arguments, expected[k] * (1.0 + 1e-6) + 1e-12)
        if expected[k] > 1e-9:
            assert not cores_within(*arguments, expected[k] * (1.0 - 1e-6))
        else:
            assert cores_within(*arguments, 0.0)


@pytest.mark.slow
@pytest.mark.parametrize("tilt", [None, *TILTS])
def test_many_disc_pairs(tilt):
    """Twenty thousand disc pairs at every tilt, offset and size ratio."""
    rng = np.random.default_rng(37564)
    for height, ratio in itertools.product((0.0, 1e-9, 1e-3, 0.3), (0.01, 0.3, 1.0, 20.0)):
        m = 110
        axis_i = directions(rng, m)
        off = directions(rng, m)
        axis_j = off if tilt is None else unit(axis_i + tilt * off)
        side = unit(np.cross(axis_i, directions(rng, m)))
        c = side * rng.uniform(0.0, 1.3 * (1.0 + ratio), (m, 1)) + height * axis_i
        check(DISC, np.ones(m), axis_i, DISC, np.full(m, ratio), axis_j, c)
