r"""Where the patches of a sheet lie on their part, and the strain along the current there.

Rows follow one another along the axis of the part, columns around it; the middle of the
sheet is the origin. Patch (i, j) is number i times the columns plus j.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["SheetLayout", "strain_along"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SheetLayout:
    """Rows and columns of patches on a part.

    Parameters
    ----------
    rows, columns : int
        Patches along the axis of the part and around it.
    pitch, column_pitch : float
        Between the middles of neighbours along the axis and around it [m].
    angle : float
        Between the current and the axis [rad].
    radius, far_radius : float, optional
        Of the surface at the first and at the last row [m]; None on a flat part.

    """

    rows: int
    columns: int
    pitch: float
    column_pitch: float
    angle: float = 0.0
    radius: float | None = None
    far_radius: float | None = None

    def __len__(self) -> int:
        return self.rows * self.columns

    @property
    def along(self) -> Floats:
        """Distance of every patch from the middle, along the axis [m]."""
        own = (np.arange(self.rows) - 0.5 * (self.rows - 1)) * self.pitch
        return np.repeat(own, self.columns)

    @property
    def around(self) -> Floats:
        """The same around the part [m]."""
        own = (np.arange(self.columns) - 0.5 * (self.columns - 1)) * self.column_pitch
        return np.tile(own, self.rows)

    @property
    def radii(self) -> Floats | None:
        """Radius of the surface under every row [m]; None on a flat part."""
        if self.radius is None:
            return None
        last = self.radius if self.far_radius is None else self.far_radius
        return np.linspace(self.radius, last, self.rows)

    @property
    def turns(self) -> Floats:
        """Angle of every patch around the part from the middle column [rad]; 0 if flat."""
        radii = self.radii
        if radii is None:
            return np.zeros(len(self))
        return np.asarray(self.around / np.repeat(radii, self.columns))

    def curvature_radii(self) -> tuple[float | None, ...]:
        r"""Radius of curvature along the current of the patches of every row [m].

        :math:`R / \sin^2\theta` on a cylinder (Euler's theorem on normal curvature); None
        where the current runs straight along the axis.
        """
        sine = math.sin(self.angle) ** 2
        if self.radii is None or sine < 1e-12:
            return (None,) * self.rows
        return tuple(float(r) / sine for r in self.radii)

    def neighbours(self) -> NDArray[np.int64]:
        """Pairs of patches next to each other along the axis or around it, (k, 2)."""
        at = np.arange(len(self)).reshape(self.rows, self.columns)
        down = np.stack([at[:-1].ravel(), at[1:].ravel()], axis=1)
        beside = np.stack([at[:, :-1].ravel(), at[:, 1:].ravel()], axis=1)
        return np.vstack([down, beside])


def strain_along(
    axial: ArrayLike,
    hoop: ArrayLike,
    shear: ArrayLike,
    angle: float,
    transverse_sensitivity: float = 0.0,
    contraction: float = 0.0,
) -> Floats:
    r"""Strain along the current that reads as the strain of the part does.

    Parameters
    ----------
    axial, hoop, shear : array_like
        Of the part: along its axis, around it, and engineering shear.
    angle : float
        Between the current and the axis [rad].
    transverse_sensitivity : float
        K_t of the film.
    contraction : float
        Strain across over that along, sign turned, of the states the film is known at.

    Returns
    -------
    ndarray of float

    Notes
    -----
    :math:`e_l = e_a \cos^2 + e_h \sin^2 + \gamma \sin\cos`,
    :math:`e_t = e_a \sin^2 + e_h \cos^2 - \gamma \sin\cos` (Mohr's circle). A film reads as
    :math:`e_l + K_t e_t`, in the states it is known at as :math:`e (1 - K_t \nu)`
    (definition of K_t as in strain-gauge practice, ASTM E251, from memory).

    """
    a, h, g = (np.asarray(x, dtype=np.float64) for x in (axial, hoop, shear))
    cos, sin = math.cos(angle), math.sin(angle)
    along = a * cos**2 + h * sin**2 + g * sin * cos
    across = a * sin**2 + h * cos**2 - g * sin * cos
    k = transverse_sensitivity
    return np.asarray((along + k * across) / (1.0 - k * contraction))
