"""Rows of graphites, carbon black and carbon fibre: what is predicted of them.

Predicted is the threshold of bodies of that shape, overlapping and dispersed at random;
nothing is fitted. Published films hold matrices, mixing and clustering of their own, and
most papers give no aspect ratio: where it is assumed a row says so.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from percsim.ensemble.simulate import run_job
from percsim.jobs import threshold_jobs
from percsim.plan import Plan

GRAPHITES = [
    # filler, published threshold as volume fraction
    # Beruto, Capurro & Marro, Sens. Actuators A 117, 301 (2005): graphite powder in
    # silicone, 31 vol% at 2 % compression; aspect ratio assumed
    ({"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 3}, 0.31),
    # Raza et al., Carbon 49, 4269 (2011): nanoplatelets in silicone, 7.4 vol%; assumed
    ({"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 20}, 0.074),
    # Chen, Chen & Lu, Adv. Funct. Mater. 17, 898 (2007): nanosheets of 13 um and 52 nm in
    # silicone rubber; 0.9 vol% from memory
    ({"density": "2250 kg/m3", "diameter": "13 um", "thickness": "52 nm"}, 0.009),
]


def threshold(filler):
    """Threshold as volume fraction and its standard error, from ten growth runs."""
    plan = Plan.from_dict(
        {
            "seed": 2005,
            "filler": filler,
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "20 mm", "width": "60 mm", "length": "160 mm"},
            "explore": {"weight_fraction": ["20 wt%"], "electrode_gap": ["30 mm"]},
            "boxes": {"threshold_count": 10, "lengths": ["10 D", "14 D"]},
        }
    )
    jobs = [job for job in threshold_jobs(plan) if job.name == "own"]
    numbers = [row for job in jobs for row in run_job(job)["numbers"]]
    phi = jobs[0].plan.estimate(np.asarray(numbers)).volume_fraction
    return phi.value, phi.standard_error


def test_thresholds_of_graphites_fall_with_the_aspect_ratio_as_published():
    found = [threshold(filler) for filler, _ in GRAPHITES]
    published = [phi for _, phi in GRAPHITES]
    assert all(b < a for a, b in pairwise(published))
    for (high, e), (low, f) in pairwise(found):
        assert high - low > 4.0 * np.hypot(e, f)
    # the ratio of neighbours spans a decade and is not fitted; films agree within two
    for (value, _), phi in zip(found, published, strict=True):
        assert 0.5 < value / phi < 2.0


def test_a_carbon_fibre_percolates_where_its_excluded_volume_says():
    """Published fibres span at 0.18 to 0.27 vol%, lower: their aspect ratio is not told.

    Gao et al., Polymers 11, 56 (2019); numbers from memory. The excluded-volume line is
    0.5 to 0.7 over the aspect ratio: Balberg, Anderson, Alexander & Wagner, Phys. Rev. B
    30, 3933 (1984), and Celzard et al., Phys. Rev. B 53, 6209 (1996).
    """
    rod = {"kind": "rod", "density": "1750 kg/m3", "length": "700 um"}
    value, error = threshold({**rod, "aspect_ratio": 100})
    assert 0.005 - 4.0 * error < value < 0.007 + 4.0 * error
    # threads that are long enough reach what was measured
    thin, _ = threshold({**rod, "aspect_ratio": 300})
    assert 0.0018 / 1.3 < thin < 0.0027 * 1.3


@pytest.mark.slow
def test_solid_spheres_percolate_far_above_carbon_black():
    """Aggregates are open: they fill space that their carbon does not.

    Janzen, J. Appl. Phys. 46, 966 (1975): 1/(1 + 4 rho v) with 3.3 to 1.0 cm3/g of voids
    and 1.8 g/cm3, 4.0 to 12.2 vol%. Overlapping spheres: volume of all over that of the
    box 0.3418 (Lorenz & Ziff, J. Chem. Phys. 114, 3659, 2001), exact to four digits.
    """
    janzen = [1.0 / (1.0 + 4.0 * 1.8 * voids) for voids in (3.3, 2.0, 1.0)]
    assert janzen == pytest.approx([0.040, 0.065, 0.122], abs=6e-4)
    value, error = threshold(
        {"kind": "sphere", "density": "1800 kg/m3", "diameter": "0.3 um"}
    )
    assert value > 2.0 * max(janzen)
    assert value == pytest.approx(0.3418, abs=4.0 * error)
