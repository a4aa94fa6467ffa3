"""Solving networks: time, memory and accuracy against general-purpose solvers.

    python -m benchmarks.bench_network               # up to 1e5 nodes, a minute or two
    python -m benchmarks.bench_network --large       # 1e6 nodes
    python -m benchmarks.bench_network --accuracy    # networks that break solvers

One process and one thread, processor seconds after a first call that compiles, the best of
three for percsim. The error is that of the conductance against percsim's own value, and for
percsim how far apart its proven bounds are; the last column is the share of percsim's time
that goes into the proof. Rows of pyamg need `pip install
pyamg`. Solvers that report success are judged by the error column all the same.
"""

from __future__ import annotations

import argparse
import itertools
import resource
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
from scipy.sparse import csr_array, diags_array
from scipy.sparse.linalg import LinearOperator, cg, spsolve
from scipy.spatial import cKDTree
from threadpoolctl import threadpool_limits

import percsim as ps
from percsim.network import solve as stage
from percsim.network.backbone import find_backbone
from percsim.network.build import Network
from percsim.network.opened import OpenedBox
from percsim.network.remembering import solve_history
from percsim.network.solve import Solution, Sweep, solve_network
from percsim.states.history import History, Memory

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from reference.known_cases import grid


def cloud(n: int, neighbours: float, decades: float, dimension: int = 3) -> Network:
    """Points that conduct to all within reach, less by `decades` at the end of it."""
    rng = np.random.default_rng(771)
    points = rng.random((n, dimension))
    ball = 4.0 / 3.0 * np.pi if dimension == 3 else np.pi
    reach = (neighbours / (n * ball)) ** (1.0 / dimension)
    pairs = cKDTree(points).query_pairs(reach, output_type="ndarray").astype(np.int64)
    distance = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    left = np.flatnonzero(points[:, 0] < 0.5 * reach)
    right = np.flatnonzero(points[:, 0] > 1.0 - 0.5 * reach)
    pairs = np.concatenate(
        [
            pairs,
            np.column_stack([left, np.full(len(left), n)]),
            np.column_stack([right, np.full(len(right), n + 1)]),
        ]
    )
    g = 10.0 ** (-decades * distance / reach)
    return Network(
        n + 2, pairs, np.concatenate([g, np.ones(len(left) + len(right))]), n, n + 1
    )


FAMILIES: dict[str, Callable[[int], Network]] = {
    "tunnelling, 8 decades": lambda n: cloud(n, 14.0, 8.0),
    "tunnelling, 20 decades": lambda n: cloud(n, 14.0, 20.0),
    "contacts, 2 x threshold": lambda n: cloud(n, 5.5, 1.0),
    "contacts, 1.2 x threshold": lambda n: cloud(n, 3.3, 1.0),
    "contacts, plane": lambda n: cloud(n, 8.0, 1.0, 2),
}


def grounded(network: Network) -> tuple[csr_array, np.ndarray, np.ndarray]:
    """Kirchhoff matrix of the part that reaches a terminal, its load and its nodes."""
    reached = find_backbone(network).attachment >= 0
    reached[[network.source, network.sink]] = False
    inner = np.flatnonzero(reached)
    matrix = network.laplacian()
    return (
        matrix[inner][:, inner].tocsr(),
        -matrix[inner][:, [network.source]].toarray()[:, 0],
        inner,
    )


def conductance_of(network: Network, inner: np.ndarray, v: np.ndarray) -> float:
    """Power at 1 V across: the error of the voltages enters squared."""
    voltages = np.zeros(network.n_nodes)
    voltages[network.source] = 1.0
    voltages[inner] = v
    drop = voltages[network.resistors[:, 0]] - voltages[network.resistors[:, 1]]
    power = drop * drop * network.conductances
    seen = np.zeros(network.n_nodes, dtype=bool)
    seen[inner] = seen[network.source] = seen[network.sink] = True
    return float(power[seen[network.resistors[:, 0]]].sum())


def by_spsolve(network: Network) -> float:
    matrix, load, inner = grounded(network)
    return conductance_of(network, inner, spsolve(matrix.tocsc(), load))


def by_jacobi(network: Network) -> float:
    matrix, load, inner = grounded(network)
    scale = 1.0 / matrix.diagonal()
    precondition = LinearOperator(matrix.shape, matvec=lambda x: scale * x)
    v, _ = cg(matrix, load, rtol=1e-10, maxiter=5000, M=precondition)
    return conductance_of(network, inner, v)


def by_multigrid(network: Network) -> float:
    import pyamg

    matrix, load, inner = grounded(network)
    # scaled to a unit diagonal, which is kinder to it
    half = diags_array(1.0 / np.sqrt(matrix.diagonal()))
    scaled = (half @ matrix @ half).tocsr()
    scaled.indices = scaled.indices.astype(np.int32)
    scaled.indptr = scaled.indptr.astype(np.int32)
    levels = pyamg.smoothed_aggregation_solver(scaled, max_coarse=500)
    v = half @ levels.solve(half @ load, tol=1e-10, maxiter=300, accel="cg")
    return conductance_of(network, inner, v)


def timed(function: Callable[[], float]) -> tuple[float, float]:
    start = time.process_time()
    value = function()
    return time.process_time() - start, value


@contextmanager
def clocked(spent: dict[str, float]) -> Iterator[None]:
    """Count the time of each step of a solve; what is left over is the proof."""
    names = (
        "find_backbone", "eliminate", "approximate_cholesky", "conjugate_gradient",
        "back_substitute", "voltages_from_core",
    )  # fmt: skip

    def wrap(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def timer(*arguments: Any) -> Any:
            start = time.process_time()
            try:
                return function(*arguments)
            finally:
                spent[name] = spent.get(name, 0.0) + time.process_time() - start

        return timer

    kept = {name: getattr(stage, name) for name in names}
    job, answer = stage._Job.of, stage._Job.answer
    try:
        for name, function in kept.items():
            setattr(stage, name, wrap(name, function))
        stage._Job.of = wrap("of", job)
        stage._Job.answer = wrap("answer", answer)
        yield
    finally:
        for name, function in kept.items():
            setattr(stage, name, function)
        stage._Job.of, stage._Job.answer = job, answer


def proof(network: Network) -> float:
    """Share of a solve that goes into its proof."""
    shares = []
    for _ in range(3):
        spent: dict[str, float] = {}
        with clocked(spent):
            start = time.process_time()
            solve_network(network)
            whole = time.process_time() - start
        shares.append((whole - sum(spent.values())) / whole)
    return min(shares)


def compare(sizes: list[int]) -> None:
    print(
        f"{'network':26} {'nodes':>8} {'solver':22} {'time/s':>8} {'ratio':>7} {'error':>8}"
        f" {'proof':>8}"
    )
    for family, make in FAMILIES.items():
        seconds: dict[int, float] = {}
        for n in sizes:
            network = make(n)
            own, solution = min(
                (timed_solution(network) for _ in range(3)), key=lambda pair: pair[0]
            )
            exact = 1.0 / solution.resistance
            seconds[n] = own
            gap = solution.upper / solution.lower - 1.0
            row(family, n, "percsim, proof included", own, 1.0, gap,
                f"{100.0 * proof(network):6.0f} %")  # fmt: skip
            others: list[tuple[str, Callable[[Network], float], int]] = [
                ("scipy spsolve", by_spsolve, 30_000 if "plane" not in family else 100_000),
                ("scipy cg, Jacobi", by_jacobi, 100_000),
            ]
            try:
                import pyamg  # noqa: F401

                others.append(("pyamg, cg", by_multigrid, 100_000))
            except ImportError:
                pass
            for name, solver, largest in others:
                if n <= largest:
                    t, g = timed(lambda solver=solver, network=network: solver(network))
                    row(family, n, name, t, t / own, abs(g / exact - 1.0))
        for small, large in itertools.pairwise(sizes):
            growth = np.log(seconds[large] / seconds[small]) / np.log(large / small)
            print(f"{family:26} growth from {small} to {large}: exponent {growth:.2f}")
        growth = np.log10(seconds[sizes[-1]] / seconds[sizes[0]]) / np.log10(
            sizes[-1] / sizes[0]
        )
        print(f"{family:26} from {sizes[0]} to {sizes[-1]}: exponent {growth:.2f}")


def timed_solution(network: Network) -> tuple[float, Solution]:
    start = time.process_time()
    solution = solve_network(network)
    return time.process_time() - start, solution


def row(
    family: str,
    n: int,
    name: str,
    seconds: float,
    ratio: float,
    error: float,
    more: str = "",
) -> None:
    print(
        f"{family:26} {n:8d} {name:22} {seconds:8.3f} {ratio:7.1f} {error:8.0e} {more}",
        flush=True,
    )


def sweep_cost(n: int, points: int = 20) -> None:
    """Strain a tunnelling network: each gap grows by up to 1 % of itself."""
    network = cloud(n, 14.0, 8.0)
    rng = np.random.default_rng(5)
    softening = rng.random(len(network.conductances))
    sweep = Sweep()
    states = [
        Network(
            network.n_nodes,
            network.resistors,
            network.conductances ** (1.0 + 0.01 * softening * k / (points - 1)),
            network.source,
            network.sink,
        )
        for k in range(points)
    ]
    one, _ = timed_solution(states[0])
    start = time.process_time()
    answers = [sweep.solve(state) for state in states]
    spent = time.process_time() - start
    worst = max(a.upper / a.lower - 1.0 for a in answers)
    print(
        f"sweep of {points} states, {n} nodes: {spent / one:.1f} times one solve, "
        f"bounds within {worst:.0e}"
    )


def layered(steps: np.ndarray, edge: int = 9) -> tuple[Network, float]:
    """Grid of one conductance a layer along the current: its resistance is their sum."""
    bars = grid((len(steps), edge, edge))
    lines = edge * edge
    rows = bars.network.resistors
    first = rows[:, 0] == bars.network.source
    last = rows[:, 1] == bars.network.sink
    along = (np.diff(rows, axis=1)[:, 0] == lines) & ~first & ~last
    g = np.ones(len(rows))
    g[along] = steps[1 + rows[along].min(axis=1) // lines]
    g[first], g[last] = steps[0], steps[-1]
    network = Network(bars.network.n_nodes, rows, g, bars.network.source, bars.network.sink)
    return network, float(np.sum(1.0 / steps)) / lines


def two_halves(bottleneck: float) -> tuple[Network, float]:
    """Two strong clouds joined by one weak resistor: the resistance is a sum."""
    half = cloud(3000, 9.0, 1.0)
    alone = Sweep(always_eliminated=10_000).solve(half).resistance
    n = half.n_nodes
    pairs = np.concatenate(
        [half.resistors, half.resistors + n, [[half.sink, half.source + n]]]
    )
    g = np.concatenate([half.conductances, half.conductances, [bottleneck]])
    return Network(2 * n, pairs, g, half.source, half.sink + n), 2 * alone + 1 / bottleneck


def accuracy_table() -> None:
    """Networks whose resistance is a sum, by every solver: what each makes of them.

    Layers of a grid have conductances over as many decades as said; two halves are joined
    by a resistor as weak as said. `failed` is an error raised or no number.
    """
    cases = [
        (
            f"layers over {decades} decades",
            layered(10.0 ** np.random.default_rng(8).uniform(-decades, 0.0, 40)),
        )
        for decades in (0, 5, 10, 15, 20, 40, 80, 150)
    ]
    cases += [
        (f"two halves, joint of {bottleneck:.0e}", two_halves(bottleneck))
        for bottleneck in (1e-9, 1e-19, 1e-27, 1e-37, 1e-150)
    ]
    stiff = np.where(np.arange(24) % 2, 1.0, 1e-30)
    cases.append(("stiff layers, 30 decades", layered(stiff, 12)))
    names = ["percsim", "bounds", "spsolve", "Jacobi cg"]
    solvers: list[Callable[[Network], float]] = [by_spsolve, by_jacobi]
    try:
        import pyamg  # noqa: F401

        names.append("pyamg")
        solvers.append(by_multigrid)
    except ImportError:
        pass
    print(f"{'relative error':28}" + "".join(f"{name:>10}" for name in names))
    for name, (network, exact) in cases:
        solution = solve_network(network)
        cells = [
            f"{abs(solution.resistance / exact - 1.0):10.0e}",
            f"{solution.upper / solution.lower - 1.0:10.0e}",
        ]
        for solver in solvers:
            with np.errstate(all="ignore"), redirect_stderr(StringIO()):
                try:
                    error = abs(1.0 / solver(network) / exact - 1.0)
                except (ArithmeticError, RuntimeError, ValueError, np.linalg.LinAlgError):
                    error = np.nan
            cells.append(f"{error:10.0e}" if np.isfinite(error) else f"{'failed':>10}")
        print(f"{name:28}" + "".join(cells), flush=True)


def flakes() -> ps.Recipe:
    """Graphite flakes in silicone at twice their threshold."""
    filler = ps.Filler(
        kind="flake", density=2250.0, size=ps.SizeDistribution(10e-6, 0.405),
        aspect_ratio=15.0, orientation=ps.Orientation("isotropic"),
    )  # fmt: skip
    recipe = ps.Recipe(((filler, 0.2),), ps.Elastomer(density=1030.0, mix_ratio=7.0))
    found = ps.recipe_threshold(recipe, rng=np.random.default_rng(3301))
    return recipe.at_volume_fraction(2.0 * found.volume_fraction.value)


def per_flake(edge: float = 260e-6) -> None:
    """Time a box of flakes at twice the threshold: place, link, open and solve."""
    recipe = flakes()
    thermal = ps.ThermalOpening(recipe.thermal_expansion, 233.15, 0.3)
    mounting = ps.Mounting("bonded")
    law = ps.ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6, seed=1)
    box = ps.Box((edge,) * 3, (False, True, True))
    for count in (1, 11):
        best = []
        for _ in range(3):
            marks = [time.process_time()]
            particles = ps.place_particles(recipe, box, np.random.default_rng(77))
            marks.append(time.process_time())
            links = ps.find_links(particles, 0.0)
            marks.append(time.process_time())
            sweep, solving = ps.Sweep(), 0.0
            opened = OpenedBox.of(links, law, mounting, thermal)
            for strain in np.linspace(0.0, 0.01, count):
                network = opened.network(law, float(strain), 293.15, 0.3).network
                start = time.process_time()
                sweep.solve(network, 1e-7)
                solving += time.process_time() - start
            marks.append(time.process_time())
            parts = [*np.diff(marks), solving]
            best.append([1e6 * part / len(particles) for part in parts])
        place, link, states, solving = np.min(best, axis=0)
        print(
            f"{len(particles)} flakes at 2 x threshold, {count} states to 1 % strain: "
            f"{place + link + states:.1f} us a flake (placing {place:.1f}, linking "
            f"{link:.1f}, opening {states - solving:.1f}, solving {solving:.1f})",
            flush=True,
        )


def history_cost(edge: float = 220e-6) -> None:
    """Pull a box of 20,000 flakes ten times, 500 visits, against one of its networks."""
    recipe, mounting = flakes(), ps.Mounting("bonded")
    law = ps.ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6, seed=1)
    thermal = ps.ThermalOpening(recipe.thermal_expansion, 233.15, 0.3)
    box = ps.Box((edge,) * 3, (False, True, True))
    particles = ps.place_particles(recipe, box, np.random.default_rng(77))
    links = ps.find_links(particles, 0.0)
    opened = OpenedBox.of(links, law, mounting, thermal)
    network = opened.network(law, 0.0, 293.15).network
    up = np.linspace(0.0, 3e-3, 26)
    strains = np.concatenate([[0.0], np.tile([*up[1:], *up[-2::-1]], 10)])[:500]
    path = History(np.arange(500.0), strains, np.full(500, 293.15))
    for memory in (Memory(0.6, 0.5), Memory(0.95, 0.5), Memory(0.95, 1.0), Memory()):
        ratios = []
        for _ in range(3):
            ones = []
            for _ in range(5):
                start = time.process_time()
                Sweep().solve(network, 1e-7)
                ones.append(time.process_time() - start)
            opened = OpenedBox.of(links, law, mounting, thermal)
            start = time.process_time()
            found = solve_history(opened, law, memory, path)
            ratios.append((time.process_time() - start) / np.median(ones))
        worst = float((found.upper / found.lower - 1.0).max())
        print(
            f"history of {len(path)} visits, {len(particles)} flakes, reclose "
            f"{memory.reclose}, healed {memory.healed}: {np.median(ratios):.0f} times one "
            f"solve for {found.solves} networks, bounds within {worst:.0e}",
            flush=True,
        )


def large() -> None:
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    seconds = {}
    for n in (100_000, 1_000_000):
        network = cloud(n, 5.5, 1.0)
        seconds[n], solution = min(
            (timed_solution(network) for _ in range(2)), key=lambda pair: pair[0]
        )
        row("contacts, 2 x threshold", n, "percsim, proof included", seconds[n], 1.0,
            solution.upper / solution.lower - 1.0)  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    times = seconds[1_000_000] / seconds[100_000]
    print(
        f"1e6 nodes take {times:.0f} times 1e5, exponent {np.log10(times):.2f}; largest "
        f"memory {after / 1024:.0f} MB, of which {before / 1024:.0f} MB before"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--large", action="store_true", help="1e6 nodes, in minutes")
    parser.add_argument(
        "--histories", action="store_true", help="boxes that are pulled again and again"
    )
    parser.add_argument(
        "--accuracy", action="store_true", help="errors on networks that break solvers"
    )
    arguments = parser.parse_args()
    threadpool_limits(1)
    for warm in (grid((7, 5)).network, cloud(3000, 14.0, 2.0), cloud(400, 14.0, 8.0)):
        Sweep().solve(warm)
        solve_network(warm)
    if arguments.large:
        large()
        return
    if arguments.histories:
        history_cost()
        return
    accuracy_table()
    if arguments.accuracy:
        return
    print()
    compare([10_000, 30_000, 100_000])
    print()
    sweep_cost(10_000)
    sweep_cost(100_000)
    print()
    per_flake()
    print()
    history_cost()


if __name__ == "__main__":
    main()
