"""Stage 2. The particles of one box: cores swept by balls, and where they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.particles.box import Box
from percsim.values import floats, integers

__all__ = ["FLAKE", "ROD", "SPHERE", "Particles"]

FLAKE, ROD, SPHERE = 0, 1, 2
"""Particle kinds: a core (disc, segment, point) swept by a ball."""


@dataclass(frozen=True, slots=True, repr=False)
class Particles:
    r"""Bodies of one box, each a core swept by a ball.

    Parameters
    ----------
    kinds : (n,) ndarray of int8
        `FLAKE`, `ROD` or `SPHERE`.
    centers : (n, d) ndarray of float
        Centres [m].
    axes : (n, d) ndarray of float
        Unit vectors: flake normal or rod direction (anything for a sphere).
    core_sizes : (n,) ndarray of float
        Radius of the flat disc, half length of the segment, 0 for a sphere [m].
    ball_radii : (n,) ndarray of float
        Half thickness of a flake, radius of a rod or sphere [m], 0 allowed.
    box : Box
        The box they are in. Bodies may stick out of non-periodic faces.

    Raises
    ------
    ValueError
        If shapes disagree, a value is not finite, a size is negative, an axis is not a
        unit vector, or a flake is put in a 2-D box.

    """

    kinds: NDArray[np.int8]
    centers: NDArray[np.float64]
    axes: NDArray[np.float64]
    core_sizes: NDArray[np.float64]
    ball_radii: NDArray[np.float64]
    box: Box

    def __post_init__(self) -> None:
        d = self.box.dimension
        kinds = integers("kinds", self.kinds, FLAKE, SPHERE, np.int8)
        n = kinds.shape[0] if kinds.ndim == 1 else -1
        arrays: dict[str, NDArray[np.float64]] = {}
        for name, shape in (
            ("centers", (n, d)), ("axes", (n, d)),
            ("core_sizes", (n,)), ("ball_radii", (n,)),
        ):  # fmt: skip
            value = floats(name, getattr(self, name))
            if value.shape != shape:
                raise ValueError(f"{name} must have shape {shape}, got {value.shape}")
            arrays[name] = value
        if d == 2 and (kinds == FLAKE).any():
            raise ValueError("a 2-D box holds rods and spheres (discs) only, got a flake")
        for name in ("core_sizes", "ball_radii"):
            if n and arrays[name].min() < 0.0:
                raise ValueError(f"{name} must not be negative, got {arrays[name].min():g}")
        if (arrays["core_sizes"][kinds == SPHERE] != 0.0).any():
            raise ValueError("core_sizes of spheres must be 0")
        norms = np.linalg.norm(arrays["axes"], axis=1)
        if (abs(norms[kinds != SPHERE] - 1.0) > 1e-6).any():
            raise ValueError("axes of flakes and rods must be unit vectors")
        object.__setattr__(self, "kinds", kinds)
        for name, value in arrays.items():
            object.__setattr__(self, name, value)

    def __len__(self) -> int:
        return int(self.kinds.shape[0])

    def __repr__(self) -> str:
        counts = [
            f"{int((self.kinds == kind).sum())} {word}"
            for kind, word in ((FLAKE, "flakes"), (ROD, "rods"), (SPHERE, "spheres"))
            if (self.kinds == kind).any()
        ]
        edges = " x ".join(f"{1e6 * s:.4g}" for s in self.box.size)
        return (
            f"Particles: {', '.join(counts) or 'none'} in {edges} um, "
            f"{100.0 * self.volume_fraction:.4g} vol%"
        )

    def volumes(self) -> NDArray[np.float64]:
        r"""Volumes of the swept bodies, exact.

        Returns
        -------
        (n,) ndarray of float
            Volumes [m^3] (areas [m^2] in 2-D).

        Notes
        -----
        Steiner's formula for a ball of radius :math:`b`: a disc of radius :math:`r` gives
        :math:`2\pi r^2 b + \pi^2 r b^2 + \frac{4}{3}\pi b^3`, a segment of half length
        :math:`h` gives :math:`2\pi h b^2 + \frac{4}{3}\pi b^3`; in 2-D
        :math:`4 h b + \pi b^2`.

        """
        c, b = self.core_sizes, self.ball_radii
        if self.box.dimension == 2:
            return np.asarray(4.0 * c * b + np.pi * b**2)
        ball = 4.0 / 3.0 * np.pi * b**3
        flake = 2.0 * np.pi * c**2 * b + np.pi**2 * c * b**2 + ball
        rod = 2.0 * np.pi * c * b**2 + ball
        return np.asarray(np.where(self.kinds == FLAKE, flake, rod))

    @property
    def volume_fraction(self) -> float:
        """Sum of particle volumes over box volume (not the covered fraction)."""
        return float(self.volumes().sum() / self.box.volume)
