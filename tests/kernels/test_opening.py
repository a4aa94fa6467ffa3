"""How far contacts open when the film stretches: by hand, and against rotation matrices."""

import numpy as np
from scipy.linalg import expm, logm
from scipy.spatial.transform import Rotation

from percsim.kernels.opening import opening_parts


def test_two_balls_along_the_stretch_part_by_their_distance_times_the_strain():
    stretches = np.array([1.01, 0.997, 0.993])
    opened, stretched = opening_parts(
        np.zeros(2),
        np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]),
        np.array([[0, 1], [0, 1]]),
        np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]),
        np.array([[0.5, 0.0, 0.0], [0.0, 0.5, 0.0]]),
        np.array([[-0.5, 0.0, 0.0], [0.0, -0.5, 0.0]]),
        stretches,
    )
    np.testing.assert_allclose(opened, [0.01, -0.003], atol=1e-15)
    np.testing.assert_allclose(stretched, [1.01, 0.997], rtol=1e-15)


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
    opened, stretched = opening_parts(factors, axes, pairs, normals, *arms, stretches)
    np.testing.assert_allclose(opened, expected, atol=1e-14)
    np.testing.assert_allclose(
        stretched, (normals * ((arms[0] - arms[1]) @ F)).sum(axis=1), atol=1e-13
    )


def test_without_stretch_nothing_opens():
    rng = np.random.default_rng(8)
    axes = rng.normal(size=(2, 3))
    opened, _ = opening_parts(
        np.array([-1.0, 0.9]), axes, np.array([[0, 1]]), rng.normal(size=(1, 3)),
        rng.normal(size=(1, 3)), rng.normal(size=(1, 3)), np.ones(3),
    )  # fmt: skip
    assert opened[0] == 0.0
