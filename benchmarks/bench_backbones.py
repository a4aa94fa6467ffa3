"""Networks of boxes of flakes and sticks: one solve with proof against direct solvers.

    python -m benchmarks.bench_backbones             # 1e4 bodies, a minute
    python -m benchmarks.bench_backbones --bodies 100000

Contacts at rest of boxes at 1.1 to 3 times their threshold: flakes at random, flakes in
the plane with an rms tilt of 20 degrees, sticks in two dimensions. Processor seconds of
one thread, the median of five. Each finds the backbone; the others are then handed its
matrix put together, which is not counted, and give its voltages without a proof. Rows of
CHOLMOD need scikit-sparse 0.4.16 (on SuiteSparse with its headers), those of pyamg
`pip install '.[benchmark]'`. Ratios above 1: percsim is that much faster.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.sparse import coo_array, csc_array
from scipy.sparse.linalg import splu
from threadpoolctl import threadpool_limits

import percsim as ps
from percsim.network.backbone import find_backbone
from percsim.network.build import Network
from percsim.network.opened import OpenedBox

MULTIPLES = (1.1, 1.5, 2.0, 3.0)
STICKS = 5.63726
"""Sticks of unit length a unit area at the threshold: Li & Zhang, Phys. Rev. E 80, 040104
(2009), from memory."""


def flakes(n: int, times: float, orientation: ps.Orientation) -> ps.Particles:
    """About n flakes of aspect ratio 15 in a cube at a multiple of their threshold."""
    filler = ps.Filler(
        kind="flake", density=2250.0, size=ps.SizeDistribution(10e-6, 0.4),
        aspect_ratio=15.0, orientation=orientation,
    )  # fmt: skip
    mix = ps.Recipe(((filler, 0.2),), ps.Elastomer(density=1030.0, mix_ratio=7.0))
    found = ps.recipe_threshold(mix, rng=np.random.default_rng(3301))
    mix = mix.at_volume_fraction(times * found.volume_fraction.value)
    edge = (n / (times * found.number_density.value)) ** (1.0 / 3.0)
    box = ps.Box((edge,) * 3, (False, True, True))
    return ps.place_particles(mix, box, np.random.default_rng(77))


def sticks(n: int, times: float) -> ps.Particles:
    """Thin sticks 10 um long in a square at a multiple of their threshold."""
    rng = np.random.default_rng(78)
    edge = 10e-6 * math.sqrt(n / (times * STICKS))
    angle = rng.uniform(0.0, math.pi, n)
    return ps.Particles(
        np.full(n, ps.ROD, np.int8), rng.uniform(0.0, edge, (n, 2)),
        np.column_stack([np.cos(angle), np.sin(angle)]), np.full(n, 5e-6), np.zeros(n),
        ps.Box((edge, edge), (False, True)),
    )  # fmt: skip


FAMILIES: dict[str, Callable[[int, float], ps.Particles]] = {
    "flakes, isotropic": lambda n, times: flakes(n, times, ps.Orientation("isotropic")),
    "flakes, tilted 20 deg": lambda n, times: flakes(
        n, times, ps.Orientation("in-plane", math.radians(20.0))
    ),
    "sticks, 2-D": sticks,
}


def network_of(particles: ps.Particles) -> Network:
    """Contacts at rest, shut at -40 C."""
    law = ps.ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6, seed=1)
    thermal = ps.ThermalOpening(3e-4, 233.15, 0.3)
    links = ps.find_links(particles, 0.0)
    box = OpenedBox.of(links, law, ps.Mounting("bonded"), thermal)
    return box.network(law, 0.0, 293.15).network


def backbone_matrix(network: Network) -> tuple[csc_array, np.ndarray]:
    """Kirchhoff matrix of the inner nodes of the backbone, and its load at 1 V."""
    found = find_backbone(network)
    g, (i, j) = network.conductances[found.resistors], found.ends.T
    n = len(found.nodes) - 2
    both = np.concatenate([i, j]), np.concatenate([j, i])
    inner = (both[0] < n) & (both[1] < n)
    twice = np.concatenate([g, g])
    diagonal = np.bincount(both[0], twice, minlength=n + 2)[:n]
    rows = np.concatenate([both[0][inner], np.arange(n)])
    columns = np.concatenate([both[1][inner], np.arange(n)])
    values = np.concatenate([-twice[inner], diagonal])
    matrix = coo_array((values, (rows, columns)), shape=(n, n)).tocsc()
    fed = both[1] == n
    return matrix, np.bincount(both[0][fed], twice[fed], minlength=n + 2)[:n]


def by_superlu(matrix: csc_array, load: np.ndarray) -> np.ndarray:
    """SciPy's sparse LU with a symmetric ordering and no pivoting."""
    options = {"SymmetricMode": True}
    factors = splu(
        matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options
    )
    return np.asarray(factors.solve(load))


def solvers() -> dict[str, Callable[[csc_array, np.ndarray], np.ndarray]]:
    """What is installed, by name."""
    found: dict[str, Callable[[csc_array, np.ndarray], np.ndarray]] = {
        "spsolve, symmetric": by_superlu
    }
    try:
        from sksparse.cholmod import cholesky
    except ImportError:
        pass
    else:
        found = {"CHOLMOD": lambda a, b: cholesky(a)(b)} | found
    try:
        import pyamg
    except ImportError:
        pass
    else:

        def multigrid(matrix: csc_array, load: np.ndarray) -> np.ndarray:
            levels = pyamg.smoothed_aggregation_solver(matrix.tocsr(), max_coarse=500)
            return levels.solve(load, tol=1e-10, maxiter=300, accel="cg")

        found["pyamg, cg"] = multigrid
    return found


def median_time(repeat: int, function: Callable[[], Any]) -> tuple[float, Any]:
    """Middle of some processor times, and the last result."""
    seconds = []
    for _ in range(repeat):
        start = time.process_time()
        result = function()
        seconds.append(time.process_time() - start)
    return float(np.median(seconds)), result


def compare(name: str, network: Network, repeat: int) -> None:
    """One network by all that is installed."""
    own, solution = median_time(repeat, lambda: ps.solve_network(network, 1e-7))
    assert isinstance(solution, ps.Solution)
    if solution.is_open:
        print(f"{name}: open")
        return
    swept, _ = median_time(repeat, lambda: ps.Sweep().solve(network, 1e-7))
    matrix, load = backbone_matrix(network)
    width = solution.upper / solution.lower - 1.0
    print(
        f"{name}: {matrix.shape[0]} backbone nodes, {own:.4f} s "
        f"(by cost {swept:.4f} s), bounds {width:.0e}, {solution.method}"
    )
    for solver, solve in solvers().items():
        # in one go, so that neither finds what the other read still at hand
        whole, (_, voltages) = median_time(
            repeat, lambda solve=solve: (find_backbone(network), solve(matrix, load))
        )
        # current that leaves the source: its conductance to all, less what comes back
        found = find_backbone(network)
        direct = network.conductances[found.resistors][
            (found.ends >= len(load)).all(axis=1)
        ]
        total = load.sum() + direct.sum() - load @ np.asarray(voltages)
        error = abs(total * solution.resistance - 1.0)
        print(
            f"    {solver:20} {whole:8.4f} s  ratio {whole / own:5.2f} "
            f"by cost {whole / swept:5.2f}  error {error:.0e}",
            flush=True,
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bodies", type=int, default=10_000)
    parser.add_argument("--repeat", type=int, default=5)
    options = parser.parse_args()
    with threadpool_limits(1):
        for family, make in FAMILIES.items():
            for times in MULTIPLES:
                network = network_of(make(options.bodies, times))
                ps.solve_network(network, 1e-7)
                title = f"{family}, {options.bodies} at {times} x threshold"
                compare(title, network, options.repeat)


if __name__ == "__main__":
    main()
