"""Particles and links made by hand, without a search: what the tests of states need."""

from __future__ import annotations

import numpy as np

from percsim.links.search import Links
from percsim.particles.bodies import FLAKE, ROD, SPHERE, Particles
from percsim.particles.box import Box

NONE = np.zeros(0, dtype=np.int64)


def unit(vectors):
    return vectors / np.linalg.norm(vectors, axis=-1, keepdims=True)


def random_links(seed, n=30, dimension=3, kinds=(FLAKE, ROD, SPHERE), arms=1.0):
    """Every pair of `n` mixed bodies, with random normals, images and long random arms."""
    rng = np.random.default_rng(seed)
    edge = 40e-6
    box = Box((edge,) * dimension, (False,) + (True,) * (dimension - 1))
    kinds = rng.choice(kinds, n)
    particles = Particles(
        kinds,
        rng.uniform(0.0, edge, (n, dimension)),
        unit(rng.standard_normal((n, dimension))),
        np.where(kinds == SPHERE, 0.0, rng.uniform(2e-6, 6e-6, n)),
        rng.uniform(1e-7, 5e-7, n),
        box,
    )
    pairs = np.column_stack(np.triu_indices(n, 1))
    m = len(pairs)
    images = rng.integers(-1, 2, (m, dimension)) * np.asarray(box.periodic)
    first = particles.centers[pairs[:, 0]]
    second = particles.centers[pairs[:, 1]] + images * edge
    normals = unit(rng.standard_normal((m, dimension)))
    normals *= np.where(((second - first) * normals).sum(axis=1) < 0.0, -1.0, 1.0)[:, None]
    points = (first + second) / 2 + arms * rng.uniform(-8e-6, 8e-6, (m, dimension))
    return Links(particles, 0.0, pairs, np.zeros(m), normals, images, points, NONE, NONE)


def isotropic_contacts(seed, n=4000, size=10e-6, kind=FLAKE):
    """Pairs of touching bodies in all directions: pair k is bodies 2 k and 2 k + 1."""
    rng = np.random.default_rng(seed)
    box = Box((1e-3,) * 3, (False, True, True))
    normals = unit(rng.standard_normal((n, 3)))
    centers = np.empty((2 * n, 3))
    centers[0::2] = 5e-4
    centers[1::2] = 5e-4 + size * normals
    kinds = np.full(2 * n, kind)
    particles = Particles(
        kinds,
        centers,
        unit(rng.standard_normal((2 * n, 3))),
        np.where(kinds == SPHERE, 0.0, size / 2),
        np.where(kinds == SPHERE, size / 2, 0.0),
        box,
    )
    pairs = np.arange(2 * n).reshape(n, 2)
    points = (centers[0::2] + centers[1::2]) / 2
    return Links(
        particles,
        0.0,
        pairs,
        np.zeros(n),
        normals,
        np.zeros((n, 3), int),
        points,
        NONE,
        NONE,
    )


def equal_contacts(n=150, distance=10e-6, radius=5e-6, gap=0.0):
    """n x n contacts of spheres along the current, all with the same two centres apart."""
    box = Box((1e-4,) * 3, (False, True, True))
    centers = np.full((2 * n, 3), 5e-5)
    centers[n:, 0] += distance
    particles = Particles(
        np.full(2 * n, SPHERE),
        centers,
        np.tile([1.0, 0.0, 0.0], (2 * n, 1)),
        np.zeros(2 * n),
        np.full(2 * n, radius),
        box,
    )
    first, second = np.divmod(np.arange(n * n), n)
    pairs = np.column_stack([first, second + n])
    m = len(pairs)
    normals = np.tile([1.0, 0.0, 0.0], (m, 1))
    points = (centers[pairs[:, 0]] + centers[pairs[:, 1]]) / 2
    return Links(
        particles, 0.0, pairs, np.full(m, gap), normals, np.zeros((m, 3), int), points,
        NONE, NONE,
    )  # fmt: skip
