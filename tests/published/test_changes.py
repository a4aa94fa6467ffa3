"""What alignment and mixed fillers do to the threshold: signs that papers report.

Of what they do to the scatter between films no published value was found.
"""

import math

import numpy as np
import pytest
from scipy.special import ndtri

from percsim.boxes.sources import Component
from percsim.boxes.threshold import threshold
from percsim.particles.bodies import ROD, SPHERE

SIGMAS = 8.0


def above(a, b):
    """Whether one estimate is above another, far beyond their errors."""
    return a.value - b.value > SIGMAS * math.hypot(a.standard_error, b.standard_error)


def laid(spread):
    """Sticks in the plane, directions normal about one axis."""

    def draw(n, rng):
        angle = spread * rng.standard_normal(n)
        return np.column_stack([np.cos(angle), np.sin(angle)])

    return draw


def test_alignment_raises_and_unequal_lengths_lower_the_threshold_of_sticks():
    """Tarasevich & Eserkepov 2018, arXiv:1811.06681 (abstract read): sticks of log-normal
    length on a plane, equal mean length.
    """
    rng = np.random.default_rng(31807)
    lengths = np.exp(0.5 * ndtri((np.arange(400) + 0.5) / 400))
    found = {}
    for lie in ("isotropic", "laid"):
        for spread, half in ((0.0, 0.5), (0.5, 0.5 * lengths / lengths.mean())):
            found[lie, spread] = threshold(
                ROD, half, np.zeros_like(half), dimension=2, boxes=200, box_size=24.0,
                orientation=laid(0.5) if lie == "laid" else lie, rng=rng,
            ).number_density  # fmt: skip
    for spread in (0.0, 0.5):
        assert above(found["laid", spread], found["isotropic", spread])
    for lie in ("isotropic", "laid"):
        assert above(found[lie, 0.0], found[lie, 0.5])


@pytest.mark.parametrize("aspect", [5.0, 10.0])
def test_spheres_in_place_of_fibres_raise_the_threshold(aspect):
    """Rahatekar, Shaffer & Elliott, "Modelling percolation in fibre and sphere mixtures"
    (abstract read): isotropic mixtures, an equal volume of spheres for fibres.
    """
    rng = np.random.default_rng(52113)
    rod, ball = 2.0 * math.pi * aspect + 4.0 / 3.0 * math.pi, 4.0 / 3.0 * math.pi
    etas = []
    for volume in (0.0, 0.2, 0.5):
        spheres = Component(SPHERE, 0.0, 1.0, share=volume / ball) if volume else None
        etas.append(
            threshold(
                ROD, aspect, 1.0, share=(1.0 - volume) / rod, boxes=150, rng=rng,
                mixed_with=() if spheres is None else (spheres,),
            ).eta
        )  # fmt: skip
    assert above(etas[1], etas[0])
    assert above(etas[2], etas[1])
