"""Time the search for links against two plain ways of doing it.

    python -m benchmarks.bench_links [--million] [--repeat N]

Prints, for log-normal flakes of aspect ratio 15 at twice their threshold, in one run on one
core, by processor time: flakes linked a second and time a contact; the same links through
cells as large as the largest bounding sphere; the same through the pairs of scipy's cKDTree
within the largest bounding sphere. All three end in the same exact test of two discs and
must find the same links. Then the cost per flake from 300 flakes up, and with `--million` a
box of 1e6 with its peak memory.
"""

from __future__ import annotations

import argparse
import math
import resource
import time

import numpy as np
from numba import njit
from scipy.spatial import cKDTree

from percsim.kernels.cells import body_table
from percsim.kernels.geometry import cores_within
from percsim.links.search import find_links
from percsim.particles.bodies import FLAKE, Particles
from percsim.particles.box import Box

# 17.3 vol% is twice the threshold at a spread of 0.4 (`ps.recipe_threshold`, 8.64 +- 0.05).
MEDIAN, ASPECT_RATIO, LOADING = 10e-6, 15.0, 0.173


def flakes(n: int, spread: float, seed: int = 70193) -> Particles:
    """Isotropic log-normal flakes, clipped at 3 spreads, in a cube with electrodes."""
    rng = np.random.default_rng(seed)
    diameter = MEDIAN * np.exp(spread * np.clip(rng.normal(size=n), -3.0, 3.0))
    thickness = diameter / ASPECT_RATIO
    axes = rng.normal(size=(n, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    unit_box = Box((1.0, 1.0, 1.0), (False, True, True))
    centers = rng.uniform(size=(n, 3))
    cores, balls = 0.5 * (diameter - thickness), 0.5 * thickness
    kinds = np.full(n, FLAKE, np.int8)
    volume = Particles(kinds, centers, axes, cores, balls, unit_box).volumes().sum()
    edge = float(volume / LOADING) ** (1.0 / 3.0)
    box = Box((edge,) * 3, (False, True, True))
    return Particles(kinds, edge * centers, axes, cores, balls, box)


@njit(cache=True, nogil=True, error_model="numpy")
def _linked(kinds, bodies, i, j, cutoff, lengths, periodic):
    """Spheres, then the exact test, at the nearest image."""
    cx, cy, cz = (
        bodies[j, 0] - bodies[i, 0],
        bodies[j, 1] - bodies[i, 1],
        bodies[j, 2] - bodies[i, 2],
    )
    if periodic[0] and abs(cx) > 0.5 * lengths[0]:
        cx -= math.copysign(lengths[0], cx)
    if periodic[1] and abs(cy) > 0.5 * lengths[1]:
        cy -= math.copysign(lengths[1], cy)
    if periodic[2] and abs(cz) > 0.5 * lengths[2]:
        cz -= math.copysign(lengths[2], cz)
    far = bodies[i, 11] + bodies[j, 11] + cutoff
    if cx * cx + cy * cy + cz * cz > far * far:
        return False
    return cores_within(
        kinds[i], bodies[i, 6], bodies[i, 3], bodies[i, 4], bodies[i, 5],
        kinds[j], bodies[j, 6], bodies[j, 3], bodies[j, 4], bodies[j, 5],
        cx, cy, cz, bodies[i, 7] + bodies[j, 7] + cutoff,
    )  # fmt: skip


@njit(cache=True, nogil=True, error_model="numpy")
def count_pairs(pairs, kinds, bodies, cutoff, lengths, periodic):
    """Number of links among given pairs."""
    found = 0
    for e in range(pairs.shape[0]):
        if _linked(kinds, bodies, pairs[e, 0], pairs[e, 1], cutoff, lengths, periodic):
            found += 1
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def count_by_cells(kinds, bodies, cutoff, lengths, periodic):
    """Number of links through cells as large as the largest bounding sphere."""
    n = kinds.size
    reach = 0.0
    for i in range(n):
        reach = max(reach, 2.0 * bodies[i, 11] + cutoff)
    count, cell = np.empty(3, np.int64), np.empty((n, 3), np.int64)
    for k in range(3):
        count[k] = max(int(lengths[k] / reach), 1)
    start = np.zeros(count[0] * count[1] * count[2] + 1, np.int64)
    flat = np.empty(n, np.int64)
    for i in range(n):
        for k in range(3):
            place = int(bodies[i, k] / lengths[k] * count[k])
            cell[i, k] = min(max(place, 0), count[k] - 1)
        flat[i] = (cell[i, 0] * count[1] + cell[i, 1]) * count[2] + cell[i, 2]
        start[flat[i] + 1] += 1
    for c in range(start.size - 1):
        start[c + 1] += start[c]
    # Bodies cell after cell, so that a cell is read in one go.
    kind, body, at = np.empty(n, np.int64), np.empty((n, 12)), np.empty((n, 3), np.int64)
    place = start.copy()
    for i in range(n):
        row = place[flat[i]]
        place[flat[i]] += 1
        kind[row] = kinds[i]
        body[row], at[row] = bodies[i], cell[i]
    found = 0
    for i in range(n):
        for a in range(at[i, 0] - 1, at[i, 0] + 2):
            for b in range(at[i, 1] - 1, at[i, 1] + 2):
                for c in range(at[i, 2] - 1, at[i, 2] + 2):
                    if not periodic[0] and not 0 <= a < count[0]:
                        continue
                    other = ((a % count[0]) * count[1] + b % count[1]) * count[2]
                    other += c % count[2]
                    for j in range(start[other], min(start[other + 1], i)):
                        if _linked(kind, body, i, j, cutoff, lengths, periodic):
                            found += 1
    return found


def best_of(repeat: int, function, *arguments):
    """Shortest time of some runs, and the result."""
    shortest = math.inf
    for _ in range(repeat):
        start = time.process_time()
        result = function(*arguments)
        shortest = min(shortest, time.process_time() - start)
    return shortest, result


def table(p: Particles) -> tuple[np.ndarray, ...]:
    """Kinds, table of bodies, edges and periodic directions, as kernels take them."""
    lengths, periodic = np.array(p.box.size), np.array(p.box.periodic)
    order = np.arange(len(p), dtype=np.int32)
    _, bodies, _ = body_table(
        order, p.kinds, p.centers, p.axes, p.core_sizes, p.ball_radii, lengths, periodic
    )
    return p.kinds.astype(np.int64), bodies, lengths, periodic


def by_cells(particles: Particles, cutoff: float) -> int:
    """Number of links through large cells."""
    kinds, bodies, lengths, periodic = table(particles)
    return int(count_by_cells(kinds, bodies, cutoff, lengths, periodic))


def by_tree(particles: Particles, cutoff: float) -> tuple[int, int]:
    """Number of links through a k-d tree, and the bytes of its pairs."""
    kinds, bodies, lengths, periodic = table(particles)
    # Bodies in the order of a first tree: neighbours in space are so in memory.
    order = cKDTree(bodies[:, :3]).indices
    bodies, kinds = bodies[order], kinds[order]
    tree = cKDTree(bodies[:, :3], boxsize=np.where(periodic, lengths, 0.0))
    reach = 2.0 * float(bodies[:, 11].max()) + cutoff
    pairs = tree.query_pairs(reach, output_type="ndarray")
    return int(count_pairs(pairs, kinds, bodies, cutoff, lengths, periodic)), pairs.nbytes


def compare(n: int, spread: float, cutoff: float, repeat: int) -> None:
    """One row: three ways to the same links."""
    particles = flakes(n, spread)
    own, links = best_of(repeat, find_links, particles, cutoff)
    cells, found_cells = best_of(min(repeat, 2), by_cells, particles, cutoff)
    tree, (found_tree, size) = best_of(min(repeat, 2), by_tree, particles, cutoff)
    if not len(links) == found_cells == found_tree:
        raise SystemExit(f"links differ: {len(links)}, {found_cells}, {found_tree}")
    print(
        f"{n:>8} {spread:>6} {len(links):>8} {n / own / 1e3:>12.0f} "
        f"{own / len(links) * 1e9:>12.0f} {cells / own:>14.1f} {tree / own:>13.1f} "
        f"{size / 1e6:>15.0f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--million", action="store_true", help="link 1e6 flakes as well")
    parser.add_argument(
        "--repeat", type=int, default=5, help="runs of which the best counts"
    )
    options = parser.parse_args()
    warm = flakes(500, 0.4)
    find_links(warm, 0.0), by_cells(warm, 0.0), by_tree(warm, 0.0)

    print(
        "flakes   spread    links   thousand/s   ns a contact   large cells x   k-d tree x"
        "   tree pairs MB"
    )
    for n, spread in ((100_000, 0.0), (100_000, 0.4), (20_000, 0.7)):
        compare(n, spread, 0.0, options.repeat)

    print("\nflakes   spread   us a flake   ns a contact   relative")
    first = None
    sizes = [300, 3_000, 10_000, 100_000] + ([1_000_000] if options.million else [])
    for n in sizes:
        particles = flakes(n, 0.4)
        repeat = 1 if n == 1_000_000 else max(options.repeat, 100_000 // n)
        own, links = best_of(repeat, find_links, particles, 0.0)
        first = first or own / n
        print(
            f"{n:>8} {0.4:>6} {own / n * 1e6:>12.2f} {own / len(links) * 1e9:>14.0f} "
            f"{own / n / first:>10.2f}"
        )
        if n == 1_000_000:
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
            print(f"{own:.1f} s for 1e6 flakes, peak memory of this process {peak:.2f} GB")


if __name__ == "__main__":
    main()
