"""Print how often intervals hold the truth: `python -m benchmarks.coverage`.

Each synthetic bench draws its contacts, threshold, lot, cups and films from what is assumed
on day one and casts cup after cup, knowing nothing of the truth, until films of two
conduct; R and its change are known by a formula. They are judged by a model of boxes of
that formula that scatter otherwise, so that the simulation error is there too. A 90 %
interval should hold the truth in 87 to 93 % of them, and so should `claim`, windows said
at 90 % to hold enough castings. `--benches` sets how many, `--seed` which, `--wide` how far
they scatter over what is planned (drawn by default).
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parent.parent / "tests"
sys.path.insert(0, str(TESTS))

from reference.coverage import coverage  # noqa: E402


def main() -> None:
    """Compute and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--benches", type=int, default=200)
    parser.add_argument("--seed", type=int, default=99)
    parser.add_argument("--wide", type=float, help="such as 1.5")
    options = parser.parse_args()
    start = time.process_time()
    found = coverage(options.benches, options.seed, wide=options.wide)
    print(f"{'':12} {'90 % holds':>16} {'below':>8} {'above':>8}")
    for name, places in found.items():
        held = (places >= 0.05) & (places <= 0.95)
        error = np.sqrt(held.mean() * (1.0 - held.mean()) / len(held))
        print(
            f"{name:12} {100 * held.mean():8.1f} +- {100 * error:3.1f} % "
            f"{100 * np.mean(places < 0.05):6.1f} % {100 * np.mean(places > 0.95):6.1f} %"
        )
    print(
        f"{options.benches} benches, {time.process_time() - start:.0f} s of processor time"
    )


if __name__ == "__main__":
    main()
