"""Thresholds gathered from their growth runs."""

import tomllib
from pathlib import Path

import numpy as np

from percsim.boxes.store import Record
from percsim.findings.gather import gather_threshold
from percsim.jobs import growth_plans, threshold_jobs
from percsim.plan import Plan

EXAMPLE = Path(__file__).parents[2] / "examples" / "bike_patch.toml"


def lying(tilt=None, **filler):
    mapping = tomllib.loads(EXAMPLE.read_text())
    mapping["boxes"] = {"threshold_count": 20}
    mapping["filler"] |= filler
    if tilt is not None:
        mapping["filler"] |= {"orientation": "in-plane", "tilt": tilt}
    return Plan.from_dict(mapping)


def tilts(plan):
    return [float(n.split()[1]) for n in growth_plans(plan) if n.startswith("tilt ")]


def test_thresholds_of_other_tilts_are_grown_where_particles_lie_down():
    np.testing.assert_allclose(np.degrees(tilts(lying("15 deg"))), [10.0, 20.0], rtol=1e-4)
    np.testing.assert_allclose(np.degrees(tilts(lying("2 deg"))), [7.0], rtol=1e-4)
    np.testing.assert_allclose(np.degrees(tilts(lying("48 deg"))), [43.0], rtol=1e-4)
    assert tilts(lying()) == []
    assert tilts(lying(orientation="in-plane", order=0.8)) == []


def test_flatter_flakes_have_a_higher_threshold():
    # Celzard et al., Phys. Rev. B 53, 6209 (1996), and Balberg et al., Phys. Rev. B 30,
    # 3933 (1984), from memory: alignment lowers the excluded volume of discs and rods, so
    # that more of them are needed; 20 runs each with common draws
    plan = lying("20 deg")
    records = {
        job.key: Record.of(job.key, job.run())
        for job in threshold_jobs(plan)
        if not job.name.startswith("aspect")
    }
    summary, found = gather_threshold(plan, records)
    assert -6.0 < found.tilt_slope < -0.5
    assert summary["tilt_slope_per_rad"] == found.tilt_slope
    assert summary["aspect_ratio_curve"] == []
