"""Growth against a slow reference, and what must not change its answer."""

import numpy as np
import pytest
from reference.gaps import core_distances
from reference.growth import first_wrapping, links_with_images, stick_gap
from reference.lattice_growth import grow_bonds, grow_sites

from percsim.kernels.growth import (
    FIELD,
    find_root,
    grow,
    mark_wrapped,
    unite,
)

FLAKE, ROD, SPHERE = 0, 1, 2


def packed(*counts):
    return sum(int(c) << (FIELD * a) for a, c in enumerate(counts))


def unit(rng, n, d):
    v = rng.normal(size=(n, d))
    return v / np.linalg.norm(v, axis=1)[:, None]


def run(kinds, bodies, size, cells, periodic=(1, 1, 1), room=None):
    """Grow all bodies, making room as needed; first wrapping numbers."""
    n, d = len(kinds), len(size)
    edges, count, per = np.ones(3), np.ones(3, dtype=np.int64), np.zeros(3, dtype=np.int64)
    edges[:d], count[:d], per[:d] = size, cells, periodic[:d]
    parent, mark = np.full(n, -1), np.full(n, -1)
    offset, heads = np.zeros(n, dtype=np.int64), np.full(count.prod(), -1)
    entries = np.empty((room or 200 * n, 2), dtype=np.int64)
    first = np.where(per[:d] == 1, 0, -1)
    done = used = 0
    while done < n and (first == 0).any():
        before = done
        done, used = grow(
            d, kinds, bodies, done, n, edges, per, count,
            parent, offset, mark, heads, entries, used, first,
        )  # fmt: skip
        if done == before:
            entries = np.concatenate([entries, np.empty_like(entries)])
    return first


def plane_bodies(rng, n, size):
    """Discs and sticks of many sizes, thin sticks among them."""
    kinds = rng.choice([ROD, SPHERE], n).astype(np.int64)
    bodies = np.zeros((n, 8))
    bodies[:, :2] = rng.random((n, 2)) * size
    bodies[:, 3:5] = unit(rng, n, 2)
    bodies[:, 6] = np.where(kinds == ROD, rng.uniform(0.05, 0.45, n), 0.0)
    bodies[:, 7] = np.where(
        kinds == ROD, rng.choice([0.0, 0.02], n), rng.uniform(0.02, 0.2, n)
    )
    return kinds, bodies


def test_union_find_knows_images():
    parent, offset = np.full(4, -1), np.zeros(4, dtype=np.int64)
    assert unite(parent, offset, 0, 1, packed(0, 0)) == 0
    assert unite(parent, offset, 1, 2, packed(1, 0)) == 0
    assert unite(parent, offset, 3, 2, packed(0, -1)) == 0
    root, from_root = find_root(parent, offset, 3)
    assert find_root(parent, offset, 0)[0] == root
    # 0 -> 1 -> 2 crosses +x once, 3 -> 2 crosses -y, so 3 lies one box up from 2.
    assert from_root - find_root(parent, offset, 0)[1] == packed(1, 1)
    assert unite(parent, offset, 0, 3, packed(1, 1)) == 0  # the same way: no winding
    assert unite(parent, offset, 0, 3, packed(0, 1)) != 0  # another way: winds along x


@pytest.mark.parametrize("counts", [(1, 0, 0), (0, -1, 0), (-3, 2, -1), (0, 0, 0)])
def test_windings_unpack(counts):
    first = np.zeros(3, dtype=np.int64)
    mark_wrapped(packed(*counts), 17, first)
    np.testing.assert_array_equal(first, [17 if c else 0 for c in counts])
    mark_wrapped(packed(1, 1, 1), 30, first)  # the first number stays
    np.testing.assert_array_equal(first, [17 if c else 30 for c in counts])


@pytest.mark.parametrize("seed", range(71, 81))
def test_plane_growth_follows_the_reference(seed):
    rng = np.random.default_rng(seed)
    size = np.asarray([1.4, 1.2])
    periodic = (1, 1, 0) if seed % 3 else (1, 0, 0)
    n = 80
    kinds, bodies = plane_bodies(rng, n, size)

    def touches(i, j, shift):
        c = bodies[j, :2] + shift - bodies[i, :2]
        if np.hypot(*c) > bodies[i, 6:].sum() + bodies[j, 6:].sum():
            return False
        gap = stick_gap(c, bodies[i, 3:5], bodies[i, 6], bodies[j, 3:5], bodies[j, 6])
        return gap <= bodies[i, 7] + bodies[j, 7]

    links = links_with_images(n, 2, size, periodic[:2], touches)
    expected = first_wrapping(n, links, 2)
    got = run(kinds, bodies, size, (5, 4), periodic)
    np.testing.assert_array_equal(got[0], expected[0])
    if periodic[1]:
        np.testing.assert_array_equal(got[1], expected[1])
    assert expected[0] > 0


def solid_bodies(rng, n, size):
    """Flakes, rods and spheres of many sizes, some without thickness."""
    kinds = rng.integers(0, 3, n)
    bodies = np.zeros((n, 8))
    bodies[:, :3] = rng.random((n, 3)) * size
    bodies[:, 3:6] = unit(rng, n, 3)
    bodies[:, 6] = np.where(kinds == SPHERE, 0.0, rng.uniform(0.05, 0.4, n))
    bodies[:, 7] = np.where(kinds == FLAKE, rng.choice([0.0, 0.03], n), 0.03)
    bodies[kinds == SPHERE, 7] = rng.uniform(0.05, 0.3, (kinds == SPHERE).sum())
    return kinds, bodies


@pytest.mark.parametrize("seed", [1301, 1302, 1303, 1304])
def test_solid_growth_follows_the_reference(seed):
    rng = np.random.default_rng(seed)
    size = np.asarray([1.3, 1.2, 1.1])
    periodic = (1, 1, 1) if seed % 2 else (1, 1, 0)
    n = 70
    kinds, bodies = solid_bodies(rng, n, size)
    ranges = [(-1, 0, 1) if p else (0,) for p in periodic]
    images = np.stack(np.meshgrid(*ranges, indexing="ij"), axis=-1).reshape(-1, 3)
    i, j = np.triu_indices(n, 1)
    i, j = np.repeat(i, len(images)), np.repeat(j, len(images))
    m = np.tile(images, (n * (n - 1) // 2, 1))
    c = bodies[j, :3] + m * size - bodies[i, :3]
    reach = bodies[i, 7] + bodies[j, 7]
    near = np.linalg.norm(c, axis=1) <= reach + bodies[i, 6] + bodies[j, 6]
    i, j, m, c, reach = i[near], j[near], m[near], c[near], reach[near]
    gaps = core_distances(
        kinds[i], bodies[i, 6], bodies[i, 3:6], kinds[j], bodies[j, 6], bodies[j, 3:6], c
    )
    # Crossing cores without thickness are at distance 0 up to the reference's rounding.
    touch = gaps <= reach + 1e-7
    links = list(zip(i[touch], j[touch], m[touch], strict=True))
    expected = first_wrapping(n, links, 3)
    assert (expected[:2] > 0).all()
    wanted = np.asarray(periodic, dtype=bool)
    got = run(kinds, bodies, size, (4, 3, 3), periodic)
    np.testing.assert_array_equal(got[wanted], expected[wanted])
    # A body as long as the box meets its own image.
    bodies[:, [6, 7]] *= 2.5
    first = run(kinds, bodies, size, (4, 3, 3), periodic)
    assert (first[wanted] <= 10).all()


def test_a_body_longer_than_the_box_wraps_it_alone():
    bodies = np.zeros((1, 8))
    bodies[0] = [0.2, 0.5, 0.5, 1.0, 0.0, 0.0, 0.7, 0.01]
    np.testing.assert_array_equal(
        run(np.asarray([ROD]), bodies, (1, 1, 1), (3, 3, 3)), [1, 0, 0]
    )
    bodies[0, 3:6] = [0.0, 0.0, 1.0]
    np.testing.assert_array_equal(
        run(np.asarray([FLAKE]), bodies, (1, 1, 1), (3, 3, 3)), [1, 1, 0]
    )


@pytest.mark.parametrize("cells", [(1, 1), (2, 3), (9, 9), (40, 31)])
def test_cells_and_room_do_not_matter(cells):
    rng = np.random.default_rng(5591)
    kinds, bodies = plane_bodies(rng, 900, 4.0)
    expected = run(kinds, bodies, (4.0, 4.0), (6, 6))
    assert (expected > 0).all()
    np.testing.assert_array_equal(run(kinds, bodies, (4.0, 4.0), cells), expected)
    few = run(kinds, bodies, (4.0, 4.0), cells, room=3000)
    np.testing.assert_array_equal(few, expected)


@pytest.mark.parametrize("cells", [(3, 4, 5), (11, 12, 13), (31, 29, 37)])
@pytest.mark.parametrize("kind", [FLAKE, ROD, SPHERE])
def test_cells_do_not_matter_to_thick_bodies(kind, cells):
    # Few boxes tell apart a cell left out at the rim of a body, so compare many. A body
    # of each kind is about as thick as it is long, then a tenth of that.
    rng = np.random.default_rng(8830 + kind)
    for thick in (0.25, 0.05):
        for _ in range(12):
            n = 4000 if thick < 0.1 else 500
            kinds = np.full(n, kind)
            bodies = np.zeros((n, 8))
            bodies[:, :3] = rng.random((n, 3)) * 3.0
            bodies[:, 3:6] = unit(rng, n, 3)
            bodies[:, 6] = 0.0 if kind == SPHERE else rng.uniform(0.2, 0.4, n)
            bodies[:, 7] = (
                rng.uniform(0.5, 1.0, n) * thick * (3.0 if kind == SPHERE else 1.0)
            )
            expected = run(kinds, bodies, (3.0, 3.0, 3.0), (1, 1, 1))
            assert (expected > 0).all()
            got = run(kinds, bodies, (3.0, 3.0, 3.0), cells, room=10**6)
            np.testing.assert_array_equal(got, expected)


def test_growth_does_not_know_where_the_box_is_cut_nor_its_unit():
    rng = np.random.default_rng(9032)
    kinds, bodies = plane_bodies(rng, 900, 4.0)
    expected = run(kinds, bodies, (4.0, 4.0), (6, 6))
    moved = bodies.copy()
    moved[:, :2] = (bodies[:, :2] + [1.234, 3.21]) % 4.0
    np.testing.assert_array_equal(run(kinds, moved, (4.0, 4.0), (6, 6)), expected)
    small = bodies.copy()
    small[:, [0, 1, 6, 7]] *= 1e-6
    np.testing.assert_array_equal(run(kinds, small, (4e-6, 4e-6), (6, 6)), expected)
    mirrored = bodies.copy()
    mirrored[:, 0], mirrored[:, 3] = 4.0 - bodies[:, 0], -bodies[:, 3]
    np.testing.assert_array_equal(run(kinds, mirrored, (4.0, 4.0), (6, 6)), expected)


def test_one_row_wraps_along_itself_only():
    kinds = np.full(5, SPHERE)
    bodies = np.zeros((5, 8))
    bodies[:, 0], bodies[:, 1], bodies[:, 7] = np.arange(5) + 0.5, 2.0, 0.5
    first = run(kinds, bodies, (5.0, 5.0), (4, 4))
    np.testing.assert_array_equal(first, [5, 0])


def test_a_diagonal_chain_wraps_along_both():
    kinds = np.full(5, SPHERE)
    bodies = np.zeros((5, 8))
    bodies[:, 0] = bodies[:, 1] = np.arange(5) + 0.5
    bodies[:, 7] = 0.71
    np.testing.assert_array_equal(run(kinds, bodies, (5.0, 5.0), (4, 4)), [5, 5])


def square_lattice(n):
    """Bonds of an n x n torus and the neighbours of its sites."""
    site = np.arange(n * n).reshape(n, n)
    bonds, images, near, near_images = [], [], [], []
    for axis in (0, 1):
        there = np.roll(site, -1, axis=axis).ravel()
        over = (np.indices((n, n))[axis].ravel() == n - 1).astype(np.int64) << (
            FIELD * axis
        )
        bonds.append(np.column_stack([site.ravel(), there]))
        images.append(over)
        back = np.roll(site, 1, axis=axis).ravel()
        under = -(
            (np.indices((n, n))[axis].ravel() == 0).astype(np.int64) << (FIELD * axis)
        )
        near += [there, back]
        near_images += [over, under]
    return (
        np.concatenate(bonds),
        np.concatenate(images),
        np.column_stack(near),
        np.column_stack(near_images),
    )


def test_lattices_in_order_wrap_when_the_last_column_closes():
    bonds, images, near, near_images = square_lattice(6)
    first = np.zeros(2, dtype=np.int64)
    grow_bonds(36, bonds, images, np.arange(72), first)
    # Bonds along axis 0 come first, and end row by row: the first ring closes with the
    # first bond of the last row, number 31; bonds along axis 1 then close at the sixth.
    np.testing.assert_array_equal(first, [31, 42])
    first[:] = 0
    grow_sites(near, near_images, np.arange(36), first)
    np.testing.assert_array_equal(first, [31, 6])
