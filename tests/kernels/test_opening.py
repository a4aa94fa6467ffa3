"""How far contacts open when the film stretches: by hand, and against rotation matrices."""

import numpy as np
from scipy.linalg import expm, logm
from scipy.spatial.transform import Rotation

from percsim.kernels.opening import opening_parts, opening_slope, powers


def contacts(pairs, normals, first_arms, second_arms, rng):
    """Arms as kernels find them: from centres, images and contact points."""
    n, d = int(pairs.max()) + 1, normals.shape[1]
    centers, lengths = rng.normal(size=(n, d)), rng.uniform(1.0, 2.0, d)
    # The second body's arm is what its own centre and image leave of the first's.
    points = centers[pairs[:, 0]] + first_arms
    images = rng.integers(-1, 2, (len(pairs), d))
    wanted = points - second_arms - images * lengths
    bodies = np.arange(n, n + len(pairs))
    both = np.stack([pairs[:, 0], bodies], axis=1)
    return (both, normals, points, images, np.concatenate([centers, wanted]), lengths)


def spread(values, pairs):
    """Values of bodies, those of the second of each pair once more behind."""
    return np.concatenate([values, values[pairs[:, 1]]])


def test_two_balls_along_the_stretch_part_by_their_distance_times_the_strain():
    stretches = np.array([1.01, 0.997, 0.993])
    for images in (0, 1):
        opened, stretched = opening_parts(
            np.zeros(2),
            np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]),
            np.array([[0, 1]]),
            np.array([[1.0, 0.0, 0.0]]),
            np.array([[0.5, 0.0, 0.0]]),
            np.array([[images, 0, 0]]),
            np.array([[0.0, 0.0, 0.0], [1.0 - 8.0 * images, 0.0, 0.0]]),
            np.array([8.0, 8.0, 8.0]),
            stretches,
            0.5,
        )
        np.testing.assert_allclose(opened, [0.02], atol=1e-15)
        np.testing.assert_allclose(stretched, [2.02], rtol=1e-15)


def test_bodies_turn_by_the_smallest_rotation_that_follows_the_film():
    """SciPy's rotations in place of the closed form, any two bodies and contact."""
    rng = np.random.default_rng(4)
    n, m = 60, 200
    factors = rng.uniform(-1.0, 1.0, n)
    factors[:15], factors[15:30], factors[30:40] = -1.0, 1.0, 0.0
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    pairs = np.array([rng.choice(n, 2, replace=False) for _ in range(m)])
    normals = rng.normal(size=(m, 3))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    arms = rng.normal(size=(2, m, 3))
    stretches = np.array([1.08, 0.97, 0.95])
    F = np.diag(stretches)

    def rotation(i):
        if factors[i] == 0.0:
            return np.eye(3)
        # endless flakes and rods by the inverse transpose and by F itself
        power = {-1.0: np.linalg.inv(F), 1.0: F}.get(factors[i], expm(factors[i] * logm(F)))
        carried = power @ axes[i]
        carried /= np.linalg.norm(carried)
        turn = np.cross(axes[i], carried)
        sine = np.linalg.norm(turn)
        return Rotation.from_rotvec(turn / sine * np.arcsin(sine)).as_matrix()

    expected = [
        normals[k]
        @ (
            (F - rotation(pairs[k, 0])) @ arms[0, k]
            - (F - rotation(pairs[k, 1])) @ arms[1, k]
        )
        for k in range(m)
    ]
    drawn = contacts(pairs, normals, *arms, rng)
    opened, stretched = opening_parts(
        spread(factors, pairs), spread(axes, pairs), *drawn, stretches, 1.0
    )
    np.testing.assert_allclose(opened, expected, atol=1e-14)
    np.testing.assert_allclose(
        stretched, (normals * ((arms[0] - arms[1]) @ F)).sum(axis=1), atol=1e-13
    )


def test_without_stretch_nothing_opens():
    rng = np.random.default_rng(8)
    axes = rng.normal(size=(2, 3))
    opened, _ = opening_parts(
        np.array([-1.0, 0.9]), axes, np.array([[0, 1]]), rng.normal(size=(1, 3)),
        rng.normal(size=(1, 3)), np.zeros((1, 3), int), rng.normal(size=(2, 3)),
        np.ones(3), np.ones(3), 1.0,
    )  # fmt: skip
    assert opened[0] == 0.0


def test_slope_is_the_sum_over_open_contacts():
    """Against openings of both states, column by column."""
    rng = np.random.default_rng(15)
    n, m = 40, 300
    pairs = np.array([rng.choice(n, 2, replace=False) for _ in range(m)])
    axes, normals = rng.normal(size=(n, 3)), rng.normal(size=(m, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    drawn = (
        rng.uniform(-1.0, 1.0, n), axes, pairs, normals, rng.normal(size=(m, 3)),
        rng.integers(-1, 2, (m, 3)), rng.normal(size=(n, 3)), np.array([3.0, 4.0, 5.0]),
    )  # fmt: skip
    here, there = np.array([1.01, 0.99, 1.0]), np.array([1.02, 0.98, 1.0])
    opened, stretched = opening_parts(*drawn, here, 0.1)
    relative = opened + 0.02 * stretched
    relative[:40] = 0.0
    ahead, more = opening_parts(*drawn, there, 0.1)
    change = ahead + 0.03 * more - relative
    power = np.where(rng.random(m) < 0.8, rng.random(m), 0.0)
    for right_hand in (False, True):
        counts = (relative > 0.0) | (right_hand & (relative == 0.0) & (change > 0.0))
        found = opening_slope(*drawn, there, 0.1, 0.03, relative, power, right_hand)
        assert 0.1 < counts.mean() < 0.9
        np.testing.assert_allclose(found, (power * change)[counts].sum(), rtol=1e-11)


def test_powers_of_what_conducts():
    rng = np.random.default_rng(16)
    m, electrodes = 50, 7
    conducts = rng.random(m) < 0.7
    relative, stretched = rng.normal(size=(2, m))
    e = int(conducts.sum()) + electrodes
    currents, g = rng.normal(size=e), rng.lognormal(size=e)
    g[3] = currents[3] = 0.0
    shares = np.where(g > 0.0, 2.5 * currents**2 / np.where(g > 0.0, g, 1.0), 0.0)
    power, links, rest, opened, pulled = powers(
        conducts, relative, stretched, currents, g, 2.5
    )
    full = np.zeros(m)
    full[conducts] = shares[:-electrodes]
    np.testing.assert_allclose(power, full, rtol=1e-14)
    is_open = relative > 0.0
    expected = (
        full.sum(), shares[-electrodes:].sum(), (full * relative)[is_open].sum(),
        (full * stretched)[is_open].sum(),
    )  # fmt: skip
    np.testing.assert_allclose((links, rest, opened, pulled), expected, rtol=1e-13)
