"""What bending counts for, by hand from the definition of the transverse sensitivity."""

import numpy as np
import pytest

from percsim.findings.transverse import Transverse, bending_factor
from percsim.plan import Plan
from percsim.plan.sections.film import StrainSection

BASE = {
    "seed": 5,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {"weight_fraction": ["30 wt%"], "electrode_gap": ["3 mm"]},
}


def film(sensitivity, error=0.03):
    """A film whose gauge factor along is 20, resampled evenly over the error."""
    across = 20.0 * (sensitivity + error * np.concatenate([[0.0], np.linspace(-1, 1, 41)]))
    return Transverse(24, "", np.full(42, 20.0), across, across)


@pytest.mark.parametrize(
    ("mounting", "contraction"), [("bonded", 0.33), ("biaxial", -1.0), ("free", 0.495)]
)
def test_bending_reads_like_more_strain_of_a_part_that_contracts(mounting, contraction):
    plan = Plan.from_dict(BASE | {"strain": {"mounting": mounting}})
    assert StrainSection().part_poisson_ratio == 0.33
    # R - 1 = F (e_a + K_t e_t): (1, 0) for bending, (1, -nu) for the film as mounted
    expected = 1.0 / (1.0 - contraction * 0.55)
    assert bending_factor(plan, film(0.55)) == pytest.approx(expected)
    if mounting == "bonded":  # what was lost before, for flakes in the plane
        assert 1.0 - 1.0 / expected == pytest.approx(0.18, abs=0.002)
    assert bending_factor(plan, film(0.0)) == 1.0


def test_bending_counts_as_strain_where_the_sensitivity_is_not_known():
    plan = Plan.from_dict(BASE)
    assert bending_factor(plan, film(0.55, error=0.6)) == 1.0
    assert bending_factor(plan, Transverse(3, "too few boxes")) == 1.0
