import math
from dataclasses import replace

import numpy as np
import pytest

from percsim.states.strain import Mounting, State
from percsim.states.temperature import ROOM_TEMPERATURE, Bond, ThermalOpening


def test_room_temperature_is_twenty_celsius():
    assert ROOM_TEMPERATURE == 273.15 + 20.0


def test_strain_by_hand():
    # 0.25 of 2.8e-4 per kelvin over 60 K: 0.0042
    opening = ThermalOpening(expansion=2.8e-4, closed_at=233.15, share=0.25)
    assert opening.strains(293.15) == pytest.approx((0.0042, 0.0042), rel=1e-12)


def test_strain_counts_from_where_contacts_are_shut():
    opening = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.3)
    plane, through = opening.strains([253.15, 243.15, 263.15, 293.15])
    assert plane is through
    assert plane[0] == 0.0
    assert plane[1] < 0.0 < plane[2]
    assert plane[3] == pytest.approx(4 * plane[2], rel=1e-12)


def bonded(poisson_ratio, share=0.3):
    bond = Bond(23e-6, 293.15, poisson_ratio)
    return ThermalOpening(expansion=2.5e-4, closed_at=233.15, share=share, bond=bond)


@pytest.mark.parametrize("nu", [0.0, 0.3, 0.495, 0.5])
def test_a_bonded_film_is_a_plate_whose_plane_is_held(nu):
    # Hooke's law with thermal strain and no stress through the film, solved as it stands:
    # e_i = alpha T + (s_i - nu (s_j + s_k))/E with e_x = e_y = alpha_p T and s_z = 0
    opening, kelvin = bonded(nu), 10.0
    felt, part = 0.3 * 2.5e-4 * kelvin, 23e-6 * kelvin
    compliance = np.array([[1.0, -nu, -nu], [-nu, 1.0, -nu], [-nu, -nu, 1.0]])
    stress = np.linalg.solve(compliance[:2, :2], [part - felt] * 2)
    through = felt + compliance[2, :2] @ stress
    before = 0.3 * 2.5e-4 * 60.0
    expected = (before + part, before + through)
    assert opening.strains(303.15) == pytest.approx(expected, rel=1e-9)
    # free until it is bonded, and the other way round on cooling
    assert opening.strains(293.15) == pytest.approx((before, before), rel=1e-12)
    cold = [2.0 * before - x for x in expected]
    assert opening.strains(283.15) == pytest.approx(cold, rel=1e-9)
    if nu == 0.5:  # its volume goes with what contacts feel of its own expansion
        assert 2.0 * part + through == pytest.approx(3.0 * felt, rel=1e-9)


def test_on_a_part_that_expands_alike_a_bonded_film_is_free():
    alike = ThermalOpening(2.5e-4, 233.15, 0.3, Bond(0.3 * 2.5e-4))
    free = ThermalOpening(2.5e-4, 233.15, 0.3)
    for t in (240.0, 293.15, 350.0):
        assert np.allclose(alike.strains(t), free.strains(t), rtol=1e-9, atol=1e-15)


def test_bonds_are_checked():
    for values, words in (
        ((math.inf,), "part_expansion must be finite"),
        ((2e-5, -1.0), "bonded_at must be above 0 K"),
        ((2e-5, 293.15, 0.6), "poisson_ratio must be 0 to 0.5"),
    ):
        with pytest.raises(ValueError, match=words):
            Bond(*values)


@pytest.mark.parametrize("opening", [bonded(0.495), ThermalOpening(3e-4, 253.15, 0.3)])
def test_equivalent_temperature_opens_contacts_as_far(opening):
    # by definition: this share at T' opens as far as the other share at T, a bonded film
    # in volume
    for share in (0.1, 0.3, 0.7):
        plane, through = replace(opening, share=share).strains(313.15)
        same = opening.strains(opening.equivalent_temperature(313.15, share))
        if opening.bond is None:
            assert float(same[0]) == pytest.approx(float(plane), rel=1e-12)
        assert 2 * same[0] + same[1] == pytest.approx(2 * plane + through, rel=1e-9)


def test_nothing_is_equivalent_where_nothing_opens():
    nothing = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.0)
    assert np.isnan(nothing.equivalent_temperature(313.15, 0.3))


def test_without_a_share_nothing_opens():
    opening = ThermalOpening(expansion=3e-4, closed_at=253.15, share=0.0)
    assert State.at(0.0, 333.15, Mounting(), opening) == State(0.0, 333.15)
