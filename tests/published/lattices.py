"""Periodic lattices as integer points, and growth of bonds and sites on them."""

import numpy as np
from reference.lattice_growth import grow_bonds, grow_sites
from scipy.special import betainc

from percsim.boxes.statistics import Estimate
from percsim.kernels.growth import FIELD

# Points of the integer grid that belong to the lattice, and the steps of half its bonds. A
# step with a condition leaves only the points for which the condition holds.
SQUARE = (lambda p: p[0] >= 0, [((1, 0), None), ((0, 1), None)])
TRIANGULAR = (
    lambda p: (p[0] + p[1]) % 2 == 0,
    [((2, 0), None), ((1, 1), None), ((1, -1), None)],
)
HONEYCOMB = (  # a wall of bricks
    lambda p: p[0] >= 0,
    [((1, 0), None), ((0, 1), lambda p: (p[0] + p[1]) % 2 == 0)],
)
CUBIC = (lambda p: p[0] >= 0, [((1, 0, 0), None), ((0, 1, 0), None), ((0, 0, 1), None)])
FCC = (
    lambda p: p.sum(axis=0) % 2 == 0,
    [((1, 1, 0), None), ((1, -1, 0), None), ((1, 0, 1), None), ((1, 0, -1), None),
     ((0, 1, 1), None), ((0, 1, -1), None)],
)  # fmt: skip
BCC = (
    lambda p: (p % 2 == p[0] % 2).all(axis=0),
    [((1, 1, 1), None), ((1, 1, -1), None), ((1, -1, 1), None), ((-1, 1, 1), None)],
)


def torus(lattice, shape):
    """Sites, bonds (m, 2) and packed images (m,) of a lattice on a torus of grid points."""
    belongs, steps = lattice
    points = np.indices(shape).reshape(len(shape), -1)
    points = points[:, belongs(points)]
    number = site_of(lattice, shape)
    bonds, images = [], []
    for step, condition in steps:
        start = points if condition is None else points[:, condition(points)]
        end = start + np.asarray(step)[:, None]
        wraps = end // np.asarray(shape)[:, None]
        end = end % np.asarray(shape)[:, None]
        bonds.append(np.column_stack([number[tuple(start)], number[tuple(end)]]))
        images.append(sum(w << (FIELD * a) for a, w in enumerate(wraps)))
    return points.shape[1], np.concatenate(bonds), np.concatenate(images)


def site_of(lattice, shape):
    """Number of the site at each grid point, -1 where there is none."""
    points = np.indices(shape).reshape(len(shape), -1)
    points = points[:, lattice[0](points)]
    number = np.full(shape, -1)
    number[tuple(points)] = np.arange(points.shape[1])
    return number


def bond_numbers(lattice, shape, samples, rng):
    """Bonds closed at the first wrapping along each axis, (samples, d); and all bonds."""
    n, bonds, images = torus(lattice, shape)
    numbers = np.zeros((samples, len(shape)), dtype=np.int64)
    for row in numbers:
        grow_bonds(n, bonds, images, rng.permutation(len(bonds)), row)
    return numbers, len(bonds)


def site_numbers(lattice, shape, samples, rng):
    """Sites occupied at the first wrapping along each axis, (samples, d); and all sites."""
    n, bonds, images = torus(lattice, shape)
    ends = np.concatenate([bonds, bonds[:, ::-1]])
    image = np.concatenate([images, -images])
    order = np.argsort(ends[:, 0], kind="stable")
    near = ends[order, 1].reshape(n, -1)
    near_images = image[order].reshape(n, -1)
    numbers = np.zeros((samples, len(shape)), dtype=np.int64)
    for row in numbers:
        grow_sites(near, near_images, rng.permutation(n), row)
    return numbers, n


def crossing_numbers(across, along, samples, rng):
    """Bonds closed when a free square lattice first joins two opposite sides.

    `across` bonds lie in series between the two sides, along which there are `along` rows.
    A last bond from side to side, wound once, closes a loop exactly at the crossing.
    """
    columns = across - 1
    site = np.arange(columns * along).reshape(columns, along)
    source, sink = columns * along, columns * along + 1
    rows = np.concatenate(
        [np.full((1, along), source), site, np.full((1, along), sink)], axis=0
    )
    bonds = [np.column_stack([rows[:-1].ravel(), rows[1:].ravel()])]
    bonds.append(np.column_stack([site[:, :-1].ravel(), site[:, 1:].ravel()]))
    bonds = np.concatenate([[[sink, source]], *bonds])
    images = np.zeros(len(bonds), dtype=np.int64)
    images[0] = 1
    m = len(bonds) - 1
    numbers = np.zeros((samples, 1), dtype=np.int64)
    for row in numbers:
        order = np.concatenate([[0], 1 + rng.permutation(m)])
        grow_bonds(columns * along + 2, bonds, images, order, row)
    return numbers - 1, m


def share_at(p, numbers, total):
    """Probability of having wrapped at occupation p, sample by sample."""
    return betainc(numbers, total - numbers + 1, p)  # P(binomial(total, p) >= number)


def share_estimate(p, numbers, total):
    """Mean of `share_at` over samples, the axes of one sample kept together."""
    shares = share_at(p, numbers, total).mean(axis=1)
    return Estimate(shares.mean(), shares.std(ddof=1) / np.sqrt(len(shares)), len(shares))


def occupation_at(target, numbers, total):
    """Occupation at which a target probability of wrapping is reached."""
    low, high = 0.0, 1.0
    for _ in range(60):
        p = 0.5 * (low + high)
        low, high = (p, high) if share_at(p, numbers, total).mean() < target else (low, p)
    e = share_estimate(p, numbers, total)
    step = 1e-4
    slope = (
        share_at(p + step, numbers, total).mean()
        - share_at(p - step, numbers, total).mean()
    )
    return Estimate(p, e.standard_error / slope * 2 * step, e.n)
