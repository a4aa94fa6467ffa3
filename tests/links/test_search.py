"""Links against all pairs and all images, hand-placed cases and excluded volumes."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from reference.gaps import all_gaps, face_contacts

import percsim.links.search as search
from percsim.kernels.cells import body_table
from percsim.links.search import critical_gap, find_links
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box

MIXED = (FLAKE, ROD, SPHERE)


def bodies(rng, n, kinds, box, size=0.5, ball=0.08, spread=0.5, margin=0.2):
    """Random bodies; sizes clipped so that each fits a periodic box of 2.5."""
    d = box.dimension
    kind = rng.choice(kinds, n).astype(np.int8)
    axes = rng.normal(size=(n, d))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    centers = rng.uniform(-margin, 1.0 + margin, (n, d)) * np.asarray(box.size)
    cores = np.minimum(size * rng.lognormal(-0.3, spread, n), 0.9)
    cores[kind == SPHERE] = 0.0
    balls = np.minimum(ball * rng.lognormal(0.0, spread, n), 0.3)
    return Particles(kind, centers, axes, cores, balls, box)


def offsets(links):
    """Centre of j (its image used) minus centre of i."""
    p = links.particles
    first, second = links.pairs.T
    return p.centers[second] + links.images * np.asarray(p.box.size) - p.centers[first]


def one_pair(kinds, centers, axes, cores, balls, box, cutoff):
    particles = Particles(
        np.array(kinds, np.int8), np.array(centers, float), np.array(axes, float),
        np.array(cores, float), np.array(balls, float), box,
    )  # fmt: skip
    return find_links(particles, cutoff)


@pytest.mark.parametrize(
    ("n", "kinds", "size", "periodic", "cutoff"),
    [
        (14, (FLAKE,), (2.5, 2.5, 2.5), (True, True, True), 0.0),
        (14, (FLAKE,), (4.0, 3.0, 2.5), (False, True, True), 0.3),
        (14, (FLAKE,), (4.0, 3.0, 2.5), (False, True, False), 2.5),
        (18, MIXED, (3.0, 3.0, 3.0), (False, False, False), 0.05),
        (14, MIXED, (2.5, 4.0, 5.0), (True, False, True), 0.5),
        (12, MIXED, (2.5, 2.5, 2.5), (True, True, True), 3.0),
        (8, MIXED, (2.5, 2.5, 2.5), (True, True, True), 1e6),
        (40, (ROD,), (2.5, 6.0, 3.0), (True, True, False), 0.1),
        (40, (ROD, SPHERE), (2.5, 2.5, 2.5), (False, True, True), 1.0),
        (50, (ROD,), (2.5, 4.0), (True, True), 0.0),
        (50, (ROD, SPHERE), (2.5, 6.0), (False, True), 0.2),
        (40, (ROD, SPHERE), (3.0, 2.5), (True, False), 4.0),
        (40, (SPHERE,), (2.5, 2.5), (True, True), 0.5),
    ],
)
def test_all_pairs_all_images(n, kinds, size, periodic, cutoff):
    rng = np.random.default_rng((80317, n, len(kinds), int(100 * cutoff)))
    box = Box(size, periodic, axis=len(size) - 1)
    particles = bodies(rng, n, kinds, box)
    links = find_links(particles, cutoff)
    pairs, gaps, nearest = all_gaps(particles, cutoff + 1e-6)
    assert abs(gaps - cutoff).min() > 1e-9  # no pair on the edge by accident
    rows = gaps <= cutoff
    assert 3 <= rows.sum()
    np.testing.assert_array_equal(links.pairs, pairs[rows])
    np.testing.assert_allclose(links.gaps, gaps[rows], rtol=0, atol=1e-11)
    c = offsets(links)
    np.testing.assert_allclose(np.linalg.norm(c, axis=1), nearest[rows], atol=1e-9)
    np.testing.assert_allclose(np.linalg.norm(links.normals, axis=1), 1.0, atol=1e-12)
    assert ((links.normals * c).sum(axis=1) >= 0.0).all()
    for found, expected in zip(
        (links.source_contacts, links.sink_contacts), face_contacts(particles), strict=True
    ):
        np.testing.assert_array_equal(found, expected)
    for name in ("pairs", "source_contacts", "sink_contacts"):
        assert getattr(links, name).dtype == np.int32
    assert links.images.dtype == np.int16
    # Arms lead from both centres to the same point.
    arm_i, arm_j = links.arms
    np.testing.assert_allclose(arm_i - arm_j, c, atol=1e-12)


@pytest.mark.parametrize("dimension", [2, 3])
def test_wide_sizes_whatever_the_cells(monkeypatch, dimension):
    """Sizes over a factor of a thousand: cells from tiny to one give the same links."""
    rng = np.random.default_rng(1907)
    box = Box((14.0,) * dimension, (False, True, True)[:dimension])
    kinds = MIXED if dimension == 3 else (ROD, SPHERE)
    large = bodies(rng, 300, kinds, box, size=0.5, spread=1.2)
    n = 3000
    small = bodies(rng, n, (ROD, SPHERE), box, size=0.01, ball=0.003, spread=1.5)
    # Small ones close to large ones, so that they do meet.
    near = large.centers[rng.integers(300, size=n)] + 0.4 * rng.normal(size=(n, dimension))
    particles = Particles(
        np.concatenate([large.kinds, small.kinds]),
        np.concatenate([large.centers, near]),
        np.concatenate([large.axes, small.axes]),
        np.concatenate([large.core_sizes * 3.0, small.core_sizes]),
        np.concatenate([large.ball_radii, small.ball_radii]),
        box,
    )
    links = find_links(particles, 0.02)
    assert len(links) > 500
    for edge in (0.4, 1.3, 5.0, 100.0):
        monkeypatch.setattr(search, "_cell_edge", lambda *_, edge=edge: edge)
        other = find_links(particles, 0.02)
        for name in ("pairs", "gaps", "normals", "points", "images"):
            np.testing.assert_array_equal(getattr(other, name), getattr(links, name))


@pytest.mark.parametrize("dimension", [2, 3])
def test_translation_relabelling_and_scale(dimension):
    rng = np.random.default_rng(29173)
    periodic = (True, False, True)[:dimension]
    box = Box((2.6, 4.0, 3.0)[:dimension], periodic, axis=1)
    p = bodies(rng, 60, MIXED if dimension == 3 else (ROD, SPHERE), box)
    links = find_links(p, 0.05)
    shift = np.where(periodic, rng.uniform(-9.0, 9.0, dimension), 0.0)
    moved = Particles(p.kinds, p.centers + shift, p.axes, p.core_sizes, p.ball_radii, box)
    other = find_links(moved, 0.05)
    np.testing.assert_array_equal(other.pairs, links.pairs)
    np.testing.assert_allclose(other.gaps, links.gaps, atol=1e-12)
    np.testing.assert_array_equal(other.images, links.images)
    np.testing.assert_allclose(other.points, links.points + shift, atol=1e-9)
    # Bodies given some boxes away are the same bodies.
    far = p.centers + np.where(periodic, rng.integers(-3, 4, p.centers.shape), 0) * box.size
    other = find_links(
        Particles(p.kinds, far, p.axes, p.core_sizes, p.ball_radii, box), 0.05
    )
    np.testing.assert_array_equal(other.pairs, links.pairs)
    np.testing.assert_allclose(other.gaps, links.gaps, atol=1e-12)
    np.testing.assert_allclose(offsets(other), offsets(links), atol=1e-12)
    # Relabelled, mirrored and in micrometres.
    new = rng.permutation(len(p))
    mirror = np.array([1.0, -1.0, 1.0])[:dimension]
    at = p.centers * mirror + (0.0, 4.0, 0.0)[:dimension]
    small = Box(tuple(1e-6 * s for s in box.size), periodic, axis=1)
    other = find_links(
        Particles(
            p.kinds[new], 1e-6 * at[new], (p.axes * mirror)[new],
            1e-6 * p.core_sizes[new], 1e-6 * p.ball_radii[new], small,
        ),
        0.05e-6,
    )  # fmt: skip
    back = np.sort(new[other.pairs], axis=1)
    rows = np.lexsort(back.T[::-1])
    np.testing.assert_array_equal(back[rows], links.pairs)
    np.testing.assert_allclose(other.gaps[rows] * 1e6, links.gaps, atol=1e-12)
    np.testing.assert_array_equal(np.sort(new[other.source_contacts]), links.sink_contacts)


def test_nearest_body_is_not_the_nearest_centre():
    """A leaning rod meets the image on its side, though the other centre is nearer."""
    box = Box((2.2, 5.0), (True, False), axis=1)
    lean = np.array([-2.0, 1.0]) / np.sqrt(5.0)
    links = one_pair(
        (ROD, SPHERE), [(1.0, 2.0), (2.0, 2.6)], [lean, (1.0, 0.0)], (1.0, 0.0), (0.0, 0.0),
        box, 0.5,
    )  # fmt: skip
    assert links.images.tolist() == [[-1, 0]]
    end, image = np.array([1.0, 2.0]) + lean, np.array([-0.2, 2.6])
    assert links.gaps[0] == pytest.approx(np.linalg.norm(image - end))
    np.testing.assert_allclose(links.points[0], 0.5 * (end + image))


def test_equal_gaps_take_the_nearest_centre():
    """Cores that cross through both sides of the box are linked the short way."""
    box = Box((2.0, 2.0, 9.0), (True, True, False), axis=2)
    links = one_pair(
        (FLAKE, FLAKE), [(0.1, 1.0, 4.0), (1.3, 1.0, 4.0)], [(0, 0, 1.0), (0, 1.0, 0)],
        (0.9, 0.9), (0.1, 0.1), box, 0.0,
    )  # fmt: skip
    assert len(links) == 1
    assert links.gaps[0] == pytest.approx(-0.2)
    assert links.images.tolist() == [[-1, 0, 0]]


def test_bodies_meet_outside_the_faces():
    """Bodies stick out of free and electrode faces, and still meet there."""
    box = Box((1.0, 1.0), (False, False))
    up = (0.0, 1.0)
    links = one_pair(
        (ROD, ROD), [(-0.2, 0.9), (-0.15, 1.5)], [up, up], (0.4, 0.3), (0.01, 0.01),
        box, 0.05,
    )  # fmt: skip
    assert links.pairs.tolist() == [[0, 1]]
    assert links.points[0, 1] == pytest.approx(1.25)
    far = one_pair(
        (SPHERE, SPHERE), [(-50.0, 80.0), (-50.0, 81.9)], [up, up], (0, 0), (1.0, 1.0),
        box, 0.0,
    )  # fmt: skip
    assert far.gaps == pytest.approx([-0.1])
    assert far.source_contacts.tolist() == [0, 1]


def test_electrode_contacts_are_exact():
    """A tilted disc reaches r sin(tilt) + b, a segment h cos(tilt) + b."""
    tilt = 0.3
    co, si = np.cos(tilt), np.sin(tilt)
    axes = [(co, si, 0.0), (co, 0.0, si), (1.0, 0.0, 0.0)]
    cores, balls = np.array([2.0, 1.5, 0.0]), np.array([0.1, 0.2, 0.4])
    reach = np.array([2.0 * np.sin(tilt) + 0.1, 1.5 * np.cos(tilt) + 0.2, 0.4])
    box = Box((20.0, 9.0, 9.0), (False, True, True))
    for inside, touches in ((1e-12, True), (-1e-12, False)):
        for base, sign in ((0.0, 1.0), (20.0, -1.0)):
            centers = np.full((3, 3), 4.5)
            centers[:, 0] = base + sign * (reach - inside)
            links = one_pair((FLAKE, ROD, SPHERE), centers, axes, cores, balls, box, 0.0)
            at = links.source_contacts if base == 0.0 else links.sink_contacts
            assert at.size == (3 if touches else 0)
    # On the face to the last bit; a disc that lies along the face; wholly outside.
    links = one_pair(
        (SPHERE, FLAKE, SPHERE), [(0.5, 1, 1), (0.25, 5, 5), (-3.0, 8, 8)],
        [(1.0, 0, 0)] * 3, (0.0, 1.0, 0.0), (0.5, 0.25, 0.5), box, 0.0,
    )  # fmt: skip
    assert links.source_contacts.tolist() == [0, 1, 2]
    around = Box((20.0, 9.0, 9.0), (True, False, True))
    links = one_pair((SPHERE,), [(0.1, 1, 1)], [(1.0, 0, 0)], (0,), (0.5,), around, 0.0)
    assert links.source_contacts.size == links.sink_contacts.size == 0


@pytest.mark.parametrize("n", [0, 1])
@pytest.mark.parametrize("dimension", [2, 3])
def test_no_and_one_particle(n, dimension):
    box = Box((5.0,) * dimension, (False, True, True)[:dimension])
    particles = Particles(
        np.full(n, SPHERE, np.int8), np.full((n, dimension), 0.5), np.ones((n, dimension)),
        np.zeros(n), np.ones(n), box,
    )  # fmt: skip
    links = find_links(particles, 1.0)
    assert len(links) == 0
    assert links.pairs.shape == (0, 2)
    assert links.normals.shape == links.points.shape == links.images.shape == (0, dimension)
    assert links.arms[0].shape == (0, dimension)
    assert links.source_contacts.tolist() == list(range(n))
    assert "0 pairs" in repr(links)


@pytest.mark.parametrize("cutoff", [0.0, 1.0])
def test_bodies_of_no_size_and_bodies_far_apart(cutoff):
    """Neither a lack of any length nor one of 1e9 sizes breaks the choice of cells."""
    box = Box((10.0,) * 3, (False, False, False))
    for kind in MIXED:
        at = [(0, 0, 0), (1e9, -1e9, 1e9), (0, 0, 0), (1e9, -1e9, 1e9 + 0.5)]
        links = one_pair(
            (kind,) * 4, at, [(0, 0, 1.0)] * 4, (0,) * 4, (0,) * 4, box, cutoff
        )
        assert links.pairs.tolist() == ([[0, 2]] if cutoff == 0.0 else [[0, 2], [1, 3]])
        np.testing.assert_allclose(links.gaps, [0.0, 0.5][: len(links)])
        np.testing.assert_allclose(np.linalg.norm(links.normals, axis=1), 1.0)


@pytest.mark.parametrize("cutoff", [-1e-12, np.nan, np.inf, -np.inf])
def test_bad_cutoff(cutoff):
    box = Box((1.0, 1.0), (False, False))
    with pytest.raises(ValueError, match="cutoff must be a length of 0 or more"):
        one_pair((SPHERE,), [(0, 0)], [(1, 0)], (0,), (0.1,), box, cutoff)


def test_a_centre_too_many_boxes_away():
    box = Box((20e-6, 10e-6), (False, True))
    for far in (0.11, -0.11, 1e300):
        args = (SPHERE, SPHERE), [(0, 0), (1e-6, far)]
        with pytest.raises(ValueError, match="more than 10,000 boxes away: move it into"):
            one_pair(*args, [(1, 0), (1, 0)], (0, 0), (1e-6, 1e-6), box, 0.0)
    args = (SPHERE, SPHERE), [(0, 0), (1e-6, 0.09)]
    links = one_pair(*args, [(1, 0), (1, 0)], (0, 0), (1e-6, 1e-6), box, 0.0)
    assert links.images.tolist() == [[0, -9000]]


def test_particle_larger_than_a_periodic_edge():
    args = (ROD, SPHERE), [(0, 0), (1e-6, 0)], [(1, 0), (1, 0)], (4e-6, 0), (1e-6, 1e-6)
    with pytest.raises(ValueError, match=r"particle 0 is 10 um .* 9 um along axis 1"):
        one_pair(*args, Box((20e-6, 9e-6), (False, True)), 0.0)
    assert len(one_pair(*args, Box((20e-6, 10e-6), (False, True)), 0.0)) == 1
    assert len(one_pair(*args, Box((20e-6, 9e-6), (False, False)), 0.0)) == 1


def test_repr_tells_the_story():
    box = Box((1.0, 1.0), (False, False))
    links = one_pair(
        (SPHERE,) * 3, [(0.1, 0), (0.25, 0), (0.5, 0)], [(1, 0)] * 3, (0,) * 3, (0.1,) * 3,
        box, 0.1,
    )  # fmt: skip
    assert repr(links) == (
        "Links: 2 pairs of 3 bodies within 1e+08 nm, 1.33 a body, 50 % touching, "
        "1 at source, 0 at sink"
    )


def excluded_volume(volumes, surfaces, curvatures, a, b):
    return volumes[a] + volumes[b] + (
        curvatures[a] * surfaces[b] + curvatures[b] * surfaces[a]
    ) / (4.0 * np.pi)  # fmt: skip


def test_mean_contacts_of_every_pair_of_kinds():
    """Isotropic penetrable bodies meet as often as their excluded volumes say.

    Isihara, J. Chem. Phys. 18, 1446 (1950): V1 + V2 + (M1 S2 + M2 S1) / (4 pi), with S the
    surface and M the integral of the mean curvature of a convex body.
    """
    rng = np.random.default_rng(619283)
    r, h, b = 1.0, 1.5, np.array([0.1, 0.15, 0.5])
    surfaces = np.array([
        2 * np.pi * r**2 + 2 * np.pi**2 * r * b[0] + 4 * np.pi * b[0] ** 2,
        4 * np.pi * h * b[1] + 4 * np.pi * b[1] ** 2,
        4 * np.pi * b[2] ** 2,
    ])  # fmt: skip
    curvatures = np.array([np.pi**2 * r, 2 * np.pi * h, 0.0]) + 4 * np.pi * b
    box = Box((14.0, 14.0, 14.0), (True, True, True))
    n, runs = 300, 12
    counts = np.zeros((runs, 3, 3))
    kinds = np.repeat(np.array(MIXED, np.int8), n)
    for run in range(runs):
        axes = rng.normal(size=(3 * n, 3))
        axes /= np.linalg.norm(axes, axis=1, keepdims=True)
        p = Particles(
            kinds, rng.uniform(0.0, 14.0, (3 * n, 3)), axes,
            np.repeat([r, h, 0.0], n), np.repeat(b, n), box,
        )  # fmt: skip
        first, second = np.sort(kinds[find_links(p, 0.0).pairs], axis=1).T
        np.add.at(counts[run], (first, second), 1.0)
    volumes = p.volumes()[[0, n, 2 * n]]
    for i in range(3):
        for j in range(i, 3):
            number = n * n if i != j else n * (n - 1) / 2
            expected = number * excluded_volume(volumes, surfaces, curvatures, i, j)
            expected /= box.volume
            got = counts[:, i, j]
            error = got.std(ddof=1) / np.sqrt(runs)
            assert abs(got.mean() - expected) < 4.0 * max(error, np.sqrt(expected / runs))
            # The band is narrow enough to mean something.
            assert 4.0 * error < 0.25 * expected


def test_mean_contacts_of_sticks():
    """In the plane: A1 + A2 + P1 P2 / (2 pi), with P the perimeter (same source)."""
    rng = np.random.default_rng(28461)
    n, runs, half, b = 800, 12, 1.0, 0.05
    box = Box((40.0, 40.0), (True, True))
    counts = []
    for _ in range(runs):
        angle = rng.uniform(0.0, np.pi, n)
        p = Particles(
            np.full(n, ROD, np.int8), rng.uniform(0.0, 40.0, (n, 2)),
            np.column_stack([np.cos(angle), np.sin(angle)]),
            np.full(n, half), np.full(n, b), box,
        )  # fmt: skip
        counts.append(len(find_links(p, 0.0)))
    perimeter = 4.0 * half + 2.0 * np.pi * b
    area = 2.0 * p.volumes()[0] + perimeter**2 / (2.0 * np.pi)
    expected = n * (n - 1) / 2 * area / box.volume
    assert abs(np.mean(counts) - expected) < 4.0 * np.std(counts, ddof=1) / np.sqrt(runs)


def spheres(centers, radius, box):
    centers = np.asarray(centers, float)
    n = len(centers)
    return Particles(
        np.full(n, SPHERE, np.int8), centers, np.ones(centers.shape), np.zeros(n),
        np.full(n, radius), box,
    )  # fmt: skip


def test_critical_gap_of_a_chain():
    """A row of balls spans at its widest gap, whatever shorter gaps lie aside."""
    box = Box((10.0, 10.0), (False, True))
    row = [(0.5, 1), (1.75, 1), (3.5, 1), (5.0, 1), (6.0, 1), (7.5, 1), (9.0, 1), (9.5, 1)]
    assert critical_gap(spheres(row, 0.5, box)) == pytest.approx(0.75)
    # Then the three gaps of 0.5 once a detour avoids the widest; then that detour's own.
    row += [(1.75, 2.1), (3.0, 2.5), (4.0, 1.9)]
    assert critical_gap(spheres(row, 0.5, box)) == pytest.approx(0.5)
    row += [(4.25, 1), (6.75, 1), (8.25, 1)]
    assert critical_gap(spheres(row, 0.5, box)) == pytest.approx(np.hypot(1.25, 0.4) - 1.0)
    assert critical_gap(spheres(row[1:8], 0.5, box)) == np.inf
    assert critical_gap(spheres([(0.5, 1)], 0.5, box)) == np.inf
    assert critical_gap(spheres([(0.5, 1)], 0.5, Box((1.0, 9.0), (False, True)))) == 0.0
    assert critical_gap(spheres(np.empty((0, 2)), 0.5, box)) == np.inf


def test_critical_gap_around_a_periodic_box():
    """A ring of balls closes at its widest gap; loops that do not wind do not count."""
    box = Box((10.0, 12.0), (True, True))
    at = np.array([0.2, 2.0, 4.0, 5.5, 7.5, 9.0])
    row = np.column_stack([at, np.full(6, 11.8)])
    loop = [(3.0, 5.0), (4.0, 5.0), (3.5, 5.8)]
    assert critical_gap(spheres([*row, *loop], 0.5, box)) == pytest.approx(1.0)
    with pytest.raises(ValueError, match="no path winds around the box within a gap"):
        critical_gap(spheres(loop, 0.5, box))
    with pytest.raises(ValueError, match="at least twice the longest body"):
        critical_gap(spheres(loop, 2.6, box))


@pytest.mark.parametrize("periodic", [False, True])
def test_critical_gap_is_where_links_start_to_span(periodic):
    """Just above it links span, just below they do not: by a k-fold unrolled box."""
    rng = np.random.default_rng(310487)
    box = Box((9.0, 7.0, 7.0), (periodic, True, True))
    p = bodies(rng, 60, MIXED, box, size=0.6, ball=0.05)
    gap = critical_gap(p)
    assert gap > 0.01
    for cutoff, expected in ((gap * (1.0 + 1e-9), True), (gap * (1.0 - 1e-9), False)):
        links = find_links(p, cutoff)
        n, copies = len(p), 7 if periodic else 1
        graph = nx.Graph()
        graph.add_nodes_from(range(n * copies))
        for (i, j), image in zip(links.pairs, links.images[:, 0], strict=True):
            for box_number in range(copies):
                graph.add_edge(
                    box_number * n + i, (box_number + image) % copies * n + j
                )  # fmt: skip
        if periodic:
            # Bodies joined to a copy of themselves.
            spans = any(
                len({v % n for v in part}) < len(part)
                for part in nx.connected_components(graph)
            )
        else:
            graph.add_edges_from(("source", i) for i in links.source_contacts)
            graph.add_edges_from(("sink", i) for i in links.sink_contacts)
            spans = nx.has_path(graph, "source", "sink")
        assert spans == expected


def test_number_of_contacts_is_binomial():
    """Equal isotropic flakes: degrees are binomial, so (1 - p)^(n - 1) of them are alone.

    Exact, with p the excluded volume over the box: whatever the first body's orientation,
    the volume excluded to the others, averaged over theirs, is the same. Each of these
    tends to the Poisson law of large boxes.
    """
    rng = np.random.default_rng(940021)
    r, b, n, runs = 1.0, 0.05, 400, 40
    box = Box((14.0, 14.0, 14.0), (True, True, True))
    degrees = []
    for _ in range(runs):
        axes = rng.normal(size=(n, 3))
        axes /= np.linalg.norm(axes, axis=1, keepdims=True)
        p = Particles(
            np.full(n, FLAKE, np.int8), rng.uniform(0.0, 14.0, (n, 3)), axes,
            np.full(n, r), np.full(n, b), box,
        )  # fmt: skip
        degrees.append(np.bincount(find_links(p, 0.0).pairs.ravel(), minlength=n))
    degrees = np.array(degrees)
    surface = 2 * np.pi * r**2 + 2 * np.pi**2 * r * b + 4 * np.pi * b**2
    curvature = np.pi**2 * r + 4 * np.pi * b
    share = (2.0 * p.volumes()[0] + curvature * surface / (2 * np.pi)) / box.volume
    for values, expected in (
        (degrees.mean(axis=1), (n - 1) * share),
        ((degrees == 0).mean(axis=1), (1.0 - share) ** (n - 1)),
        (
            ((degrees - (n - 1) * share) ** 2).mean(axis=1),
            (n - 1) * share * (1.0 - share),
        ),
    ):
        error = values.std(ddof=1) / np.sqrt(runs)
        assert abs(values.mean() - expected) < 4.0 * error
        assert 4.0 * error < 0.15 * expected


def test_cells_far_smaller_than_the_cutoff_lose_no_pair(monkeypatch):
    # points just within the cutoff of each other: each must reach half of it, no less
    rng = np.random.default_rng(60661)
    cutoff, apart = 1.0, rng.uniform(0.97, 0.9999, 40)
    along = np.arange(40) * 5.0
    centers = np.zeros((80, 3))
    centers[0::2, 0], centers[1::2, 0] = along, along + apart
    box = Box((210.0, 1.0, 1.0), (False,) * 3)
    points = Particles(
        np.full(80, SPHERE, np.int8), centers, np.zeros((80, 3)), np.zeros(80),
        np.zeros(80), box,
    )  # fmt: skip
    monkeypatch.setattr(search, "_cell_edge", lambda *_: 0.05)
    monkeypatch.setattr(search, "_CELLS_PER_BODY", 1_000_000)
    links = find_links(points, cutoff)
    np.testing.assert_array_equal(links.pairs, np.arange(80).reshape(40, 2))
    np.testing.assert_allclose(links.gaps, apart, rtol=1e-12)


def test_centres_are_moved_into_the_periodic_box():
    box = Box((2.0, 3.0), (True, True))
    centers = np.array([[0.5, 2.9], [1.7, -0.1], [2.3, 7.4], [-3.9, 0.0]])
    p = Particles(
        np.full(4, SPHERE, np.int8), centers, np.zeros((4, 2)), np.zeros(4),
        np.full(4, 0.1), box,
    )  # fmt: skip
    order = np.arange(4, dtype=np.int32)
    _, table, moved = body_table(
        order, p.kinds, p.centers, p.axes, p.core_sizes, p.ball_radii,
        np.array([2.0, 3.0, 1.0]), np.array([True, True, False]),
    )  # fmt: skip
    np.testing.assert_allclose(table[:, 0], [0.5, 1.7, 0.3, 0.1])
    np.testing.assert_allclose(table[:, 1], [2.9, 2.9, 1.4, 0.0], atol=1e-15)
    np.testing.assert_array_equal(moved, [[0, 0], [0, -1], [1, 2], [-2, 0]])
