"""Print how often intervals hold the truth: `python -m benchmarks.coverage`.

Each synthetic plan draws its parameters from the day-one priors, casts three films of three
loadings with every bench tolerance, reads R and its change at 3000 microstrain, and asks
for the parameters back. A 90 % interval should hold the truth in 85 to 95 % of the plans.
`--plans` sets how many, `--seed` which.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parent.parent / "tests"
sys.path.insert(0, str(TESTS))

from reference.coverage import PRIORS, coverage  # noqa: E402


def main() -> None:
    """Compute and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--plans", type=int, default=200)
    parser.add_argument("--seed", type=int, default=99)
    options = parser.parse_args()
    start = time.perf_counter()
    hits = coverage(options.plans, options.seed, 4096)
    print(f"{'parameter':12} {'90 % intervals that hold the truth':>36}")
    for prior, column in zip(PRIORS.free, hits.T, strict=True):
        error = np.sqrt(column.mean() * (1.0 - column.mean()) / len(column))
        print(f"{prior.name:12} {100 * column.mean():30.1f} +- {100 * error:.1f} %")
    # plans are independent, the parameters of one are not
    error = hits.mean(axis=1).std(ddof=1) / np.sqrt(len(hits))
    print(f"{'together':12} {100 * hits.mean():30.1f} +- {100 * error:.1f} %")
    print(f"{options.plans} plans, {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
