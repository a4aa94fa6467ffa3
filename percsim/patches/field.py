"""Strain and temperature over a part: a tube by handbook formulas, or points."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.patches.layout import SheetLayout

__all__ = ["PartField", "TubeLoad", "of_points"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class PartField:
    """Strain and temperature under every patch at the full load.

    Parameters
    ----------
    axial, hoop, shear : (n,) ndarray of float
        Strain along the axis, around it, and engineering shear.
    temperature : (n,) ndarray of float
        [K].
    outside : int
        Patches outside of the points it was taken from: they have the nearest point's.

    """

    axial: Floats
    hoop: Floats
    shear: Floats
    temperature: Floats
    outside: int = 0


@dataclass(frozen=True, slots=True)
class TubeLoad:
    r"""Bending and torsion of a round tube.

    Parameters
    ----------
    modulus, poisson_ratio : float
        Of the tube [Pa].
    wall : float
        Thickness of its wall [m].
    moment, torque : float
        Bending moment at the first row and torque [N m].
    zero_at : float
        Distance from the first row along the axis over which the moment falls to zero [m];
        inf for the same moment everywhere.
    inner : bool
        Whether the patches lie on the inner surface.

    Notes
    -----
    :math:`e_a = M r \cos\varphi / (E I)`, :math:`e_h = -\nu e_a`,
    :math:`\gamma = T r / (G J)` with :math:`I = \pi (r_o^4 - r_i^4)/4`, J = 2 I (Young &
    Budynas, *Roark's Formulas for Stress and Strain*, 7th ed., 2002, tables 8.1 and 10.1,
    from memory); :math:`\varphi` from the middle column, which lies on the fibre that
    bending pulls most.

    """

    modulus: float
    poisson_ratio: float
    wall: float
    moment: float = 0.0
    torque: float = 0.0
    zero_at: float = math.inf
    inner: bool = False

    def second_moment(self, radius: Floats) -> Floats:
        """Second moment of area of the wall about a diameter [m^4]."""
        outer = radius + (self.wall if self.inner else 0.0)
        return np.asarray(0.25 * np.pi * (outer**4 - (outer - self.wall) ** 4))

    def field(self, layout: SheetLayout, temperature: float, warmer: float) -> PartField:
        """Field under a sheet.

        Parameters
        ----------
        layout : SheetLayout
            Where the patches lie, on a radius.
        temperature : float
            Of the part [K].
        warmer : float
            How much warmer the side of the middle column is than the opposite one [K];
            between them as the cosine.

        """
        assert layout.radii is not None
        radius = np.repeat(layout.radii, layout.columns)
        stiffness = self.modulus * self.second_moment(radius)
        moment = self.moment * (1.0 - (layout.along - layout.along[0]) / self.zero_at)
        axial = moment * radius * np.cos(layout.turns) / stiffness
        shear = self.torque * radius * (1.0 + self.poisson_ratio) / stiffness
        heat = temperature + 0.5 * warmer * np.cos(layout.turns)
        return PartField(axial, -self.poisson_ratio * axial, shear, heat)


def of_points(layout: SheetLayout, points: Floats) -> PartField:
    """Field under a sheet from scattered points, linear on the triangles between them.

    Parameters
    ----------
    layout : SheetLayout
        Where the patches lie.
    points : (k, 6) ndarray of float
        Distance along the axis and around the part from the middle of the sheet [m], axial,
        hoop and shear strain, temperature [K]; three or more, not on one line.

    """
    from scipy.interpolate import LinearNDInterpolator, NearestNDInterpolator

    places = np.column_stack([layout.along, layout.around])
    inside = LinearNDInterpolator(points[:, :2], points[:, 2:])(places)
    left_out = np.isnan(inside).any(axis=1)
    if left_out.any():
        nearest = NearestNDInterpolator(points[:, :2], points[:, 2:])
        inside[left_out] = nearest(places[left_out])
    axial, hoop, shear, heat = inside.T
    return PartField(axial, hoop, shear, heat, int(left_out.sum()))
