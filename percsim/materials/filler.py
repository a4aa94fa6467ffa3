"""Stage 1. Fillers: what the powder is, and how its particles lie."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.materials.sizes import SizeDistribution
from percsim.values import positive, take_reals

__all__ = ["Filler", "Orientation"]

_KINDS = {
    "flake": "flake",
    "rod": "rod",
    "sphere": "sphere",
    "stick": "rod",
    "disc": "sphere",
}
_MODES = ("isotropic", "in-plane", "aligned")
_DIRECTORS = ("", "current", "width", "thickness")


@dataclass(frozen=True, slots=True)
class Orientation:
    """How flakes and rods lie in the film.

    Parameters
    ----------
    mode : {"isotropic", "in-plane", "aligned"}
        "in-plane": flake normals about the thickness axis (the last axis of the box),
        rods in the plane of the film with no preferred direction. "aligned": flake
        normals about the thickness axis, rods about the direction of the current.
    tilt : float
        Rms angle [rad] out of that arrangement: of a flake normal from the thickness
        axis, of a rod from the film plane ("in-plane") or from the current ("aligned").
    order : float, optional
        For "aligned", instead of a tilt: the order parameter (3 <cos^2> - 1) / 2 about
        the director, 1 perfectly aligned, 0 isotropic, -1/2 perpendicular to it. In 2-D
        2 <cos^2> - 1, from -1 to 1.
    director : {"", "current", "width", "thickness"}
        For "aligned", the direction the axes line up with when it is not the default of
        the mode. Flakes that a flow along the current has turned edge-on have normals
        perpendicular to it: director "current" with a negative order.

    Raises
    ------
    ValueError
        If the mode is unknown or the numbers are outside their range.

    Notes
    -----
    Angles follow the law exp(kappa cos^2) per unit solid angle (Watson 1965, Biometrika
    52, 193; from memory) with the strength kappa solved from the tilt or order asked; it
    runs from perfect alignment to isotropic without a break.

    """

    mode: str = "isotropic"
    tilt: float = 0.0
    order: float | None = None
    director: str = ""

    def __post_init__(self) -> None:
        if self.mode not in _MODES:
            raise ValueError(
                f"orientation must be one of {', '.join(_MODES)}, got {self.mode!r}"
            )
        take_reals(self, "tilt", "order")
        if not 0.0 <= self.tilt <= math.pi / 2.0:
            raise ValueError(f"rms tilt must lie in 0 to pi/2 rad, got {self.tilt:g}")
        if self.mode == "isotropic" and self.tilt:
            raise ValueError("an isotropic filler has no tilt; use in-plane or aligned")
        if self.mode != "aligned" and (self.order is not None or self.director):
            raise ValueError(f"order and director belong to aligned, not to {self.mode}")
        if self.order is not None:
            if not -1.0 <= self.order <= 1.0:
                raise ValueError(
                    f"the order parameter lies in -1/2 to 1, got {self.order:g}"
                )
            if self.tilt:
                raise ValueError("give an rms tilt or an order parameter, not both")
        if self.director not in _DIRECTORS:
            raise ValueError(
                f"director must be current, width or thickness, got {self.director!r}"
            )


@dataclass(frozen=True, slots=True)
class Filler:
    """One conductive filler.

    Parameters
    ----------
    kind : {"flake", "rod", "sphere"}
        In 2-D a "stick" is a rod and a "disc" a sphere; both words are taken.
    density : float
        Of the solid particle [kg/m^3], not of the heaped powder.
    size : SizeDistribution
        Flake: lateral diameter, edge included. Rod: length without its end caps. Sphere:
        diameter.
    thickness : float, optional
        Thickness of a flake or diameter of a rod, the same for all [m].
    aspect_ratio : float or SizeDistribution, optional
        Instead of a thickness: diameter over thickness of a flake, length over diameter
        of a rod; a distribution draws one for each particle, independent of its size.
    orientation : Orientation
        How the particles lie; of no effect for spheres.
    name : str
        What the weigh-out sheet calls it; the kind when empty.
    thermal_expansion : float
        Linear, mean of the directions [1/K].

    Raises
    ------
    ValueError
        If the particles described cannot exist.

    """

    kind: str
    density: float
    size: SizeDistribution
    thickness: float | None = None
    aspect_ratio: float | SizeDistribution | None = None
    orientation: Orientation = field(default_factory=Orientation)
    name: str = ""
    thermal_expansion: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in _KINDS:
            raise ValueError(f"kind must be flake, rod or sphere, got {self.kind!r}")
        object.__setattr__(self, "kind", _KINDS[self.kind])
        take_reals(self, "density", "thermal_expansion", "thickness")
        positive("density", self.density)
        if not isinstance(self.size, SizeDistribution):
            raise ValueError(f"size must be a SizeDistribution, got {self.size!r}")
        if not -1e-3 < self.thermal_expansion < 1e-2:
            raise ValueError(
                f"linear thermal expansion must be between -1e-3 and 1e-2 /K,"
                f" got {self.thermal_expansion:g}"
            )
        if self.kind == "sphere":
            if self.thickness is not None or self.aspect_ratio is not None:
                raise ValueError("a sphere has neither thickness nor aspect ratio")
            return
        if (self.thickness is None) == (self.aspect_ratio is None):
            raise ValueError(
                f"a {self.kind} needs a thickness or an aspect ratio, not both"
            )
        if self.thickness is not None:
            positive("thickness", self.thickness)
            if self.kind == "flake" and self.size.bounds[0] < self.thickness:
                raise ValueError(
                    f"the smallest flakes, {self.size.bounds[0]:g} m across, are smaller"
                    f" than their thickness {self.thickness:g} m; cut the sizes or give an"
                    " aspect ratio"
                )
        else:
            low = self._aspect().bounds[0]
            if self.kind == "flake" and low < 1.0:
                raise ValueError(f"the aspect ratio of a flake is 1 or more, got {low:g}")

    def _aspect(self) -> SizeDistribution:
        value = self.aspect_ratio
        assert value is not None
        if isinstance(value, SizeDistribution):
            return value
        return SizeDistribution(positive("aspect ratio", value))

    @property
    def median_diameter(self) -> float:
        """Number median of the size [m], after cutting."""
        return float(self.size.quantile(0.5))

    @property
    def largest(self) -> float:
        """Largest extent that any particle may have, caps included [m]."""
        high = self.size.bounds[1]
        if self.kind != "rod":
            return high
        if self.thickness is not None:
            return high + self.thickness
        return high * (1.0 + 1.0 / self._aspect().bounds[0])

    @property
    def median_aspect_ratio(self) -> float:
        """Aspect ratio of the median particle; 1 for a sphere."""
        if self.kind == "sphere":
            return 1.0
        if self.thickness is not None:
            return self.median_diameter / self.thickness
        return float(self._aspect().quantile(0.5))

    def body_sizes(
        self, sizes: ArrayLike, aspect_share: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Core sizes and ball radii of particles of given sizes.

        Parameters
        ----------
        sizes : (n,) array of float
            Diameters or lengths [m].
        aspect_share : (n,) array of float
            Which quantile of the aspect ratio each one has; of no effect when the
            thickness or the aspect ratio is fixed.

        Returns
        -------
        core_sizes, ball_radii : (n,) ndarray of float
            As `Particles` wants them [m].

        """
        size = np.asarray(sizes, dtype=np.float64)
        if self.kind == "sphere":
            return np.zeros_like(size), 0.5 * size
        if self.thickness is not None:
            thickness = np.full_like(size, self.thickness)
        else:
            thickness = size / self._aspect().quantile(aspect_share)
        core = 0.5 * (size - thickness) if self.kind == "flake" else 0.5 * size
        return np.maximum(core, 0.0), 0.5 * thickness

    def mean_volume(self, dimension: int = 3) -> float:
        r"""Mean volume of a particle, exact for the law of sizes as cut.

        Parameters
        ----------
        dimension : int
            3, or 2 for the mean area of a stick or disc.

        Returns
        -------
        float
            [m^3], or [m^2] in 2-D.

        Raises
        ------
        ValueError
            For a flake in 2-D, or another dimension.

        Notes
        -----
        With thickness T and core radius r = (D - T)/2 a flake has
        :math:`\pi r^2 T + \frac{\pi^2}{4} r T^2 + \frac{\pi}{6} T^3`; a rod of length L
        :math:`\frac{\pi}{4} L T^2 + \frac{\pi}{6} T^3`, in 2-D :math:`L T +
        \frac{\pi}{4} T^2`. Each is a polynomial in the size, so its mean needs moments
        only.

        """
        if dimension not in (2, 3):
            raise ValueError(f"dimension must be 2 or 3, got {dimension}")
        if self.kind == "flake" and dimension == 2:
            raise ValueError(
                "flakes have no 2-D form; use sticks (rods) or discs (spheres)"
            )
        m, pi = self.size.moment, math.pi
        if self.kind == "sphere":
            return pi / 6.0 * m(3) if dimension == 3 else pi / 4.0 * m(2)
        if self.thickness is not None:
            t = self.thickness
            if dimension == 2:
                return m(1) * t + pi / 4.0 * t**2
            if self.kind == "rod":
                return pi / 4.0 * m(1) * t**2 + pi / 6.0 * t**3
            r1, r2 = 0.5 * (m(1) - t), 0.25 * (m(2) - 2.0 * t * m(1) + t**2)
            return pi * r2 * t + 0.25 * pi**2 * r1 * t**2 + pi / 6.0 * t**3
        a = self._aspect().moment
        if dimension == 2:
            return m(2) * (a(-1) + pi / 4.0 * a(-2))
        if self.kind == "rod":
            return m(3) * (pi / 4.0 * a(-2) + pi / 6.0 * a(-3))
        return m(3) * (
            pi / 4.0 * (a(-1) - 2.0 * a(-2) + a(-3))
            + pi**2 / 8.0 * (a(-2) - a(-3))
            + pi / 6.0 * a(-3)
        )
