"""Places, strain along the current, and fields of a part."""

import math

import numpy as np
import pytest

from percsim.patches.field import TubeLoad, of_points
from percsim.patches.layout import SheetLayout, strain_along

TUBE = TubeLoad(70e9, 0.33, 1.5e-3, moment=200.0, torque=50.0)
LAYOUT = SheetLayout(3, 4, 0.02, 0.03, 0.0, 0.025, 0.025)


def test_places_of_patches():
    np.testing.assert_allclose(LAYOUT.along, np.repeat([-0.02, 0.0, 0.02], 4), atol=1e-15)
    np.testing.assert_allclose(
        LAYOUT.around, np.tile([-0.045, -0.015, 0.015, 0.045], 3), atol=1e-15
    )
    np.testing.assert_allclose(LAYOUT.turns[:4], np.array([-1.8, -0.6, 0.6, 1.8]))
    pairs = LAYOUT.neighbours()
    assert len(pairs) == 2 * 4 + 3 * 3
    apart = np.hypot(*(np.diff(x[pairs]) for x in (LAYOUT.along, LAYOUT.around)))
    assert set(np.round(apart.ravel(), 9)) == {0.02, 0.03}
    # on a part that tapers, every row turns by its own radius
    tapered = SheetLayout(2, 2, 0.02, 0.03, 0.0, 0.03, 0.02)
    np.testing.assert_allclose(tapered.turns, [-0.5, 0.5, -0.75, 0.75])


def test_curvature_along_the_current_is_eulers():
    # k = k1 cos^2 + k2 sin^2 with k1 = 0 along the axis of a cylinder
    for angle, want in ((math.pi / 2, 0.025), (math.pi / 4, 0.05), (0.0, None)):
        found = SheetLayout(2, 1, 0.02, 0.02, angle, 0.025).curvature_radii()[0]
        assert found == (want if want is None else pytest.approx(want))
    tapered = SheetLayout(3, 1, 0.02, 0.02, math.pi / 2, 0.03, 0.02)
    assert tapered.curvature_radii() == pytest.approx((0.03, 0.025, 0.02))
    assert SheetLayout(2, 2, 0.02, 0.02).curvature_radii() == (None, None)


@pytest.mark.parametrize("angle", [0.0, 0.3, 0.8, math.pi / 2])
def test_strain_along_the_current_is_the_tensor_turned(angle):
    a, h, g = 1.2e-3, -0.4e-3, 0.7e-3
    tensor = np.array([[a, g / 2], [g / 2, h]])
    along = np.array([math.cos(angle), math.sin(angle)])
    across = np.array([-math.sin(angle), math.cos(angle)])
    want, aside = along @ tensor @ along, across @ tensor @ across
    assert strain_along(a, h, g, angle) == pytest.approx(want)
    # at K_t a reading is that of e (1 - K_t nu) in the states computed
    found = strain_along(a, h, g, angle, 0.5, 0.3)
    assert found * (1 - 0.5 * 0.3) == pytest.approx(want + 0.5 * aside)
    # in those very states a film reads its own strain
    assert strain_along(a, -0.3 * a, 0.0, 0.0, 0.5, 0.3) == pytest.approx(a)


def test_a_bent_tube_carries_its_moment():
    # integrate E e r over the wall of a ring of the film's strain: the moment it was given
    outer, wall = 0.025, 1.5e-3
    r = np.linspace(outer - wall, outer, 2001)
    phi = np.linspace(0.0, 2 * np.pi, 721)[:-1]
    surface = TUBE.field(LAYOUT, 293.15, 0.0)
    top = surface.axial[0] / math.cos(LAYOUT.turns[0])  # strain at phi = 0 and r = outer
    strain = top * (r[:, None] / outer) * np.cos(phi)
    moment = 70e9 * strain * r[:, None] * np.cos(phi) * r[:, None]
    total = np.trapezoid(moment.sum(axis=1) * (phi[1] - phi[0]), r)
    assert total == pytest.approx(200.0, rel=1e-5)
    # torque: G gamma r over the same wall
    shear = surface.shear[0] * (r / outer) * 70e9 / (2 * 1.33)
    torque = np.trapezoid(2 * np.pi * shear * r * r, r)
    assert torque == pytest.approx(50.0, rel=1e-5)
    np.testing.assert_allclose(surface.hoop, -0.33 * surface.axial)


def test_the_moment_falls_from_the_first_row():
    load = TubeLoad(70e9, 0.33, 1.5e-3, moment=200.0, zero_at=0.08)
    axial = load.field(LAYOUT, 293.15, 0.0).axial.reshape(3, 4)
    np.testing.assert_allclose(axial[1] / axial[0], 0.75)
    np.testing.assert_allclose(axial[2] / axial[0], 0.5)
    # patches on the inner surface of a tube: radius and wall count the other way
    inner = TubeLoad(70e9, 0.33, 1.5e-3, moment=200.0, inner=True)
    layout = SheetLayout(3, 4, 0.02, 0.03, 0.0, 0.0235, 0.0235)
    assert inner.second_moment(np.array([0.0235])) == pytest.approx(
        TUBE.second_moment(np.array([0.025]))
    )
    found = inner.field(layout, 293.15, 0.0).axial[5] / np.cos(layout.turns[5])
    own = TUBE.field(LAYOUT, 293.15, 0.0).axial[5] / np.cos(LAYOUT.turns[5])
    assert found / own == pytest.approx(0.0235 / 0.025)


def test_the_warm_side():
    heat = TUBE.field(LAYOUT, 300.0, 10.0).temperature
    np.testing.assert_allclose(heat, 300.0 + 5.0 * np.cos(LAYOUT.turns))


def test_points_are_read_between_and_nearest_outside():
    x, y = np.meshgrid([-0.03, 0.0, 0.03], [-0.05, 0.03])
    x, y = x.ravel(), y.ravel()
    points = np.column_stack([x, y, 1e-3 + 0.01 * x - 0.02 * y, 0 * x, y, 300 + 100 * x])
    found = of_points(LAYOUT, points)
    inside = LAYOUT.around < 0.03
    want = 1e-3 + 0.01 * LAYOUT.along - 0.02 * LAYOUT.around
    np.testing.assert_allclose(found.axial[inside], want[inside], atol=1e-12)
    np.testing.assert_allclose(found.temperature[inside], 300 + 100 * LAYOUT.along[inside])
    assert found.outside == 3
    nearest = 1e-3 + 0.01 * 0.03 * np.sign(LAYOUT.along[~inside]) - 0.02 * 0.03
    np.testing.assert_allclose(found.axial[~inside][[0, 2]], nearest[[0, 2]])
