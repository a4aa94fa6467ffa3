from dataclasses import replace

import numpy as np
import pytest

from percsim.states.strain import Mounting, State
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening


def test_room_temperature_is_twenty_celsius():
    assert ROOM_TEMPERATURE == 273.15 + 20.0


def test_strain_by_hand():
    # 0.25 of 2.8e-4 per kelvin over 60 K: 0.0042
    opening = ThermalOpening(expansion=2.8e-4, closed_at=233.15, share=0.25)
    assert opening.strain(293.15) == pytest.approx(0.0042, rel=1e-12)


def test_strain_counts_from_where_contacts_are_shut():
    opening = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.3)
    assert opening.strain(253.15) == 0.0
    assert opening.strain(243.15) < 0.0 < opening.strain(263.15)
    assert opening.strain(293.15) == pytest.approx(4 * opening.strain(263.15), rel=1e-12)


def test_equivalent_temperature_opens_contacts_as_far():
    # by definition: this share at T' opens as far as the other share at T
    opening = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.3)
    for share in (0.1, 0.3, 0.7):
        other = replace(opening, share=share)
        same = float(opening.equivalent_temperature(313.15, share))
        assert opening.strain(same) == pytest.approx(other.strain(313.15), rel=1e-12)
    nothing = replace(opening, share=0.0)
    assert np.isnan(nothing.equivalent_temperature(313.15, 0.3))


def test_without_a_share_nothing_opens():
    opening = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.0)
    assert State.at(0.0, 333.15, Mounting(), opening) == State(0.0, 333.15)
