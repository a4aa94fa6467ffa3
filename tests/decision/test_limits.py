"""What a bench can make."""

import numpy as np
import pytest

from percsim.decision.limits import CASTABLE, BenchLimits


@pytest.mark.parametrize("value", [0.0, -1e-3, float("inf"), float("nan")])
@pytest.mark.parametrize("name", ["film_length", "largest_particle"])
def test_lengths_are_positive(name, value):
    with pytest.raises(ValueError, match=f"{name} must be a positive length"):
        BenchLimits(**{name: value})


def test_a_mix_can_be_cast_well_below_the_solids_that_jam():
    # solids of 30 vol% jam: 0.9 of that is 27
    limits = BenchLimits(solids=lambda w: w / 0.30)
    assert CASTABLE == 0.9
    assert [limits.castable(w) for w in (0.1, 0.269, 0.271, 0.5)] == [
        True,
        True,
        False,
        False,
    ]
    assert BenchLimits().castable(0.99)


def test_a_mix_thickens_as_krieger_and_dougherty_say():
    # (1 - phi/phi_m)^-2, Krieger & Dougherty, Trans. Soc. Rheol. 3, 137 (1959) with the
    # exponent of Maron & Pierce (1956); both from memory: half the way thickens 4 times
    limits = BenchLimits(solids=lambda w: w)
    assert limits.thickening(0.5) == pytest.approx((0.5, 4.0))
    assert limits.thickening(0.8) == pytest.approx((0.8, 25.0))
    assert limits.thickening(1.0) == (1.0, np.inf)
    assert BenchLimits().thickening(0.5) == (0.0, 1.0)
