"""Print thresholds of fillers beside published ones: `python -m benchmarks.fillers`.

Predicted: the percolation threshold of bodies of that shape, overlapping, dispersed at
random, from growth; nothing is fitted. Published thresholds hold matrices, mixing and
clustering of their own, so that only the order of the graphites with the aspect ratio is
asked of them. `--boxes` sets the growth runs.
"""

from __future__ import annotations

import argparse
from itertools import pairwise
from typing import Any

import numpy as np

from percsim.ensemble.simulate import run_job
from percsim.jobs import threshold_jobs
from percsim.plan import Plan

BLACK = "spheres stand for aggregates; open, fractal ones percolate far below"
ROWS: tuple[tuple[str, dict[str, Any], str, str, str], ...] = (
    (
        "carbon black",
        {"kind": "sphere", "density": "1800 kg/m3", "diameter": "0.3 um"},
        "4.0 to 12.2",
        "Janzen 1975, J. Appl. Phys. 46, 966, for void volumes of 3.3 to 1.0 cm3/g",
        BLACK,
    ),
    (
        "graphite powder, aspect 3",
        {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 3},
        "31",
        "Beruto et al. 2005, Sens. Actuators A 117, 301, silicone, at 2 % compression",
        "aspect ratio not published: assumed",
    ),
    (
        "graphite platelets, aspect 20",
        {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 20},
        "7.4",
        "Raza et al. 2011, Carbon 49, 4269, silicone",
        "aspect ratio not published: assumed",
    ),
    (
        "graphite nanosheets, aspect 250",
        {"density": "2250 kg/m3", "diameter": "13 um", "thickness": "52 nm"},
        "0.9",
        "Chen et al. 2004 and 2007, silicone (threshold from memory)",
        "",
    ),
    (
        "carbon fibre, aspect 100",
        {"kind": "rod", "density": "1750 kg/m3", "length": "700 um", "aspect_ratio": 100},
        "0.18 to 0.27",
        "Gao et al. 2019, Polymers 11, 56, plain and pressed",
        "aspect ratio not published: assumed",
    ),
)


def threshold(filler: dict[str, Any], boxes: int) -> tuple[float, float]:
    """Threshold as volume fraction and its standard error."""
    size = filler.get("diameter") or filler["length"]
    plan = Plan.from_dict(
        {
            "seed": 1975,
            "filler": filler,
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "20 mm", "width": "60 mm", "length": "160 mm"},
            "explore": {"weight_fraction": ["20 wt%"], "electrode_gap": ["30 mm"]},
            "boxes": {"threshold_count": boxes, "lengths": ["10 D", "14 D"]},
        },
        name=f"filler of {size}",
    )
    jobs = [job for job in threshold_jobs(plan) if job.name == "own"]
    numbers = [row for job in jobs for row in run_job(job)["numbers"]]
    phi = jobs[0].plan.estimate(np.asarray(numbers)).volume_fraction
    return phi.value, phi.standard_error


def main() -> None:
    """Compute and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--boxes", type=int, default=40)
    options = parser.parse_args()
    print(f"{'filler':32} {'predicted, vol%':>18} {'published, vol%':>16}  source; remark")
    values = []
    for name, filler, published, source, remark in ROWS:
        value, error = threshold(filler, options.boxes)
        values.append(value)
        told = f"{100 * value:.3g} +- {100 * error:.1g}"
        print(f"{name:32} {told:>18} {published:>16}  {source}; {remark}", flush=True)
    graphite = [v for v, row in zip(values, ROWS, strict=True) if "graphite" in row[0]]
    falls = all(b < a for a, b in pairwise(graphite))
    print(
        "predicted thresholds of the graphites "
        f"{'fall' if falls else 'do not fall'} with the aspect ratio, as the published do"
    )


if __name__ == "__main__":
    main()
