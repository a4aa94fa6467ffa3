"""Conductance of diluted lattices at their threshold: many boxes, so slow."""

import math
from functools import cache

import numpy as np
import pytest
from reference.known_cases import bus_bar_lattice, grid

from percsim.network.build import Network
from percsim.network.solve import Sweep


def mean_conductance(size, boxes, make, rng):
    """Mean over boxes, open ones included, and its standard error."""
    g = np.empty(boxes)
    for k in range(boxes):
        solution = Sweep().solve(make(size, rng))
        g[k] = 0.0 if solution.is_open else 1.0 / solution.resistance
    return g.mean(), g.std(ddof=1) / math.sqrt(boxes)


def square(size, rng):
    present = rng.random(size**2 + (size - 1) ** 2) < 0.5
    return bus_bar_lattice(size, present.astype(float))


whole_grid = cache(grid)


def cubic(size, rng):
    # bond threshold 0.24881182(10): Wang et al., Phys. Rev. E 87, 052107 (2013)
    bars = whole_grid((size,) * 3).network
    g = (rng.random(len(bars.conductances)) < 0.2488118).astype(float)
    return Network(bars.n_nodes, bars.resistors, g, bars.source, bars.sink)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("make", "small", "large", "boxes", "exponent", "seed"),
    [
        (square, 16, 128, (16000, 8000), -0.975, 60881),
        (cubic, 8, 32, (40000, 20000), -1.282, 60882),
    ],
)
def test_conductance_at_the_threshold_falls_as_a_power_of_size(
    make, small, large, boxes, exponent, seed
):
    # G ~ L^(d - 2 - t/nu): t/nu = 0.9745(15), Normand, Herrmann & Hajjar, J. Stat. Phys.
    # 52, 441 (1988), or 0.9825(8), Grassberger, Physica A 262, 251 (1999), in the plane
    # (both from memory); 2.282(5) in space, Batrouni, Hansen & Larson, Phys. Rev. E 53,
    # 2292 (1996).
    # 0.02 allows for sizes that are not yet large (measured in space: -1.31(2) from 8 to
    # 16, -1.29(2) from 16 to 32).
    rng = np.random.default_rng(seed)
    one, one_error = mean_conductance(small, boxes[0], make, rng)
    other, other_error = mean_conductance(large, boxes[1], make, rng)
    slope = math.log(other / one) / math.log(large / small)
    error = math.hypot(one_error / one, other_error / other) / math.log(large / small)
    assert error < 0.012
    assert slope == pytest.approx(exponent, abs=4.0 * error + 0.02)


@pytest.mark.slow
def test_self_dual_lattice_has_the_geometric_mean_at_every_size():
    # Keller, J. Math. Phys. 5, 548 (1964): mean ln G = ln sqrt(ab), six decades apart
    rng = np.random.default_rng(31905)
    for size in (5, 20, 60):
        logs = np.array(
            [
                -math.log(
                    Sweep()
                    .solve(
                        bus_bar_lattice(
                            size,
                            10.0
                            ** (6.0 * rng.integers(0, 2, size**2 + (size - 1) ** 2) - 3.0),
                        )
                    )
                    .resistance
                )
                for _ in range(600)
            ]
        )
        assert abs(logs.mean()) < 4.0 * logs.std(ddof=1) / math.sqrt(len(logs))
        assert logs.std() > 0.1
