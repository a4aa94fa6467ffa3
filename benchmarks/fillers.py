"""Print published thresholds beside predicted ones: `python -m benchmarks.fillers`.

Predicted is the percolation threshold of bodies of the shape that the paper states (or the
data file of the filler, where it states none), overlapping and dispersed at random; nothing
is fitted. What mixing, clusters and curling make of it is left to the residuals: by class
of filler they give the median and width that percsim's data files carry for the real
threshold over the simulated one. Each system is held against the range that the others of
its class give without it, or against the data file where a class has too few.
`--compute` finds the thresholds of `atlas.toml` again, a quarter of an hour.
"""

from __future__ import annotations

import argparse
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import t as student

from percsim.decision.priors import Prior
from percsim.jobs import threshold_jobs
from percsim.materials import load_material
from percsim.plan import Plan

ATLAS = Path(__file__).parent / "atlas.toml"
FEWEST = 5
"""Systems from which on a class has a prior from its residuals."""
LONG_RODS = 200.0
"""Aspect ratio from which on rods get small boxes: they are many."""


def shape_of(system: dict[str, Any]) -> str:
    """Key of its predicted threshold: kind and aspect ratio."""
    return f"{system['kind']} {system.get('aspect_ratio', 1)}"


def threshold(filler: dict[str, Any], boxes: int) -> tuple[float, float]:
    """Threshold as volume fraction and its standard error, by growth."""
    is_long = filler.get("kind") == "rod" and filler["aspect_ratio"] >= LONG_RODS
    plan = Plan.from_dict(
        {
            "seed": 1975,
            "filler": {"density": "2000 kg/m3", **filler},
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "20 mm", "width": "60 mm", "length": "160 mm"},
            "explore": {"weight_fraction": ["20 wt%"], "electrode_gap": ["30 mm"]},
            "boxes": {
                "threshold_count": boxes,
                "lengths": ["5 D", "7 D"] if is_long else ["10 D", "14 D"],
            },
        },
    )
    jobs = [job for job in threshold_jobs(plan) if job.name == "own"]
    numbers = np.concatenate([job.run().numbers for job in jobs])
    phi = jobs[0].plan.estimate(numbers).volume_fraction
    return phi.value, phi.standard_error


def compute(shape: str, boxes: int) -> tuple[float, float]:
    """Threshold of a shape by its key."""
    kind, aspect = shape.split()
    size = {"length" if kind == "rod" else "diameter": "10 um"}
    if kind != "sphere":
        size["aspect_ratio"] = float(aspect)
    return threshold({"kind": kind, **size}, boxes)


@dataclass(frozen=True, slots=True)
class Atlas:
    """Published systems and what is predicted of them.

    Parameters
    ----------
    systems : tuple of dict
        As in `atlas.toml`.
    predicted : dict of str to (float, float)
        Threshold and standard error by shape.

    """

    systems: tuple[dict[str, Any], ...]
    predicted: dict[str, tuple[float, float]]

    @classmethod
    def load(cls) -> Atlas:
        """Read the file beside this one."""
        raw = tomllib.loads(ATLAS.read_text(encoding="utf-8"))
        return cls(tuple(raw["system"]), raw["predicted"])

    def residual(self, system: dict[str, Any]) -> float:
        """ln(published over predicted threshold)."""
        return float(np.log(system["threshold"] / self.predicted[shape_of(system)][0]))

    def residuals(self, filler: str, but: dict[str, Any] | None = None) -> list[float]:
        """Those of a class, but for one system."""
        mine = [s for s in self.systems if s["class"] == filler and s is not but]
        return [self.residual(s) for s in mine]

    def prior(self, system: dict[str, Any]) -> Prior:
        """What the class lets expect of a system that is not in it."""
        count = len(self.residuals(system["class"]))
        if count >= FEWEST:
            return prior_of(self.residuals(system["class"], but=system))
        known = system["class"]
        material = load_material("other powder" if known == "sphere" else known)
        keys = ["threshold_ratio"]
        if system.get("shape", "stated") == "stated":
            keys.insert(0, "threshold_ratio_of_measured_shape")
        ratio = next(material.properties[k] for k in keys if k in material.properties)
        return Prior("threshold", ratio.value, ratio.factor)


def prior_of(residuals: Sequence[float]) -> Prior:
    """Log-normal that a further system is drawn from, 95 % by Student's t.

    Mean and spread are those of the residuals; for a further one the spread is widened by
    the root of 1 + 1/n (prediction interval of normal samples, textbook).
    """
    n = len(residuals)
    spread = float(np.std(residuals, ddof=1)) * np.sqrt(1.0 + 1.0 / n)
    width = float(np.exp(student.ppf(0.975, n - 1) * spread))
    return Prior("threshold", float(np.exp(np.mean(residuals))), width)


def rows(atlas: Atlas) -> list[tuple[str, ...]]:
    """Rows of the table; the seventh cell says whether the published value is inside."""
    out = []
    for system in atlas.systems:
        value, error = atlas.predicted[shape_of(system)]
        low, high = (min(100.0 * value * x, 100.0) for x in atlas.prior(system).limits(0.9))
        published = 100.0 * system["threshold"]
        shape = "" if system["kind"] == "sphere" else f", aspect {system['aspect_ratio']}"
        assumed = " (assumed)" if system.get("shape") == "data file" else ""
        out.append(
            (
                f"{system['class']}: {system['name']}",
                f"{system['kind']}{shape}{assumed}",
                f"{100.0 * value:.3g} +- {100.0 * error:.1g}",
                f"{low:.2g} to {high:.2g}",
                f"{published:.3g}",
                system["basis"],
                "inside" if low <= published <= high else "outside",
                system["source"],
            )
        )
    return out


def main() -> None:
    """Print the atlas, or compute its thresholds again."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--compute", action="store_true", help="grow the thresholds again")
    parser.add_argument("--boxes", type=int, default=20, help="growth runs a shape")
    options = parser.parse_args()
    raw = tomllib.loads(ATLAS.read_text(encoding="utf-8"))
    if options.compute:
        for shape in sorted({shape_of(s) for s in raw["system"]}):
            value, error = compute(shape, options.boxes)
            print(f'"{shape}" = [{value:.4g}, {error:.2g}]', flush=True)
        return
    atlas = Atlas.load()
    table = rows(atlas)
    heads = (
        "system", "shape", "predicted, vol%", "90 % range", "published", "basis", "",
        "source",
    )  # fmt: skip
    widths = [max(len(r[k]) for r in [heads, *table]) for k in range(len(heads))]
    for row in [heads, *table]:
        cells = (c.ljust(w) for c, w in zip(row, widths, strict=True))
        print(*cells, sep="  ")
    inside = sum(row[6] == "inside" for row in table)
    print(f"{inside} of {len(table)} published thresholds lie inside the 90 % range")
    for filler in dict.fromkeys(s["class"] for s in atlas.systems):
        residuals = atlas.residuals(filler)
        if len(residuals) >= FEWEST:
            prior = prior_of(residuals)
            low, high = prior.limits()
            print(
                f"{filler}, {len(residuals)} systems: real over simulated threshold "
                f"{prior.median:.2g}, 95 % {low:.2g} to {high:.2g}"
            )


if __name__ == "__main__":
    main()
