"""Stage 7. The cast film between its electrodes: sizes and resistance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Film", "film_resistance"]

Floats = NDArray[np.float64]

SHORTEST_SHARE = 0.05
"""Smallest share of rho x gap that counts as path: electrodes never short a whole gap."""


def film_resistance(
    resistivity: ArrayLike,
    electrode_excess: ArrayLike,
    electrode_gap: ArrayLike,
    width: ArrayLike,
    thickness: ArrayLike,
) -> Floats:
    r"""Resistance of a film whose two electrodes cover its width.

    .. math:: R = \frac{\rho \, \ell + r_c}{w \, t}

    Parameters
    ----------
    resistivity : array_like
        Volume resistivity of the composite [ohm m], inf when open.
    electrode_excess : array_like
        Resistance times area that the two electrodes add together [ohm m^2]; negative when
        particles on the electrodes short more length than the contacts to them cost.
    electrode_gap, width, thickness : array_like
        Sizes of the film [m]; everything broadcasts.

    Returns
    -------
    ndarray of float
        Resistance [ohm]; inf where the resistivity or the excess is inf.

    Notes
    -----
    An excess below -95 % of rho x gap belongs to a gap of a few particles, where the fit it
    comes from does not hold; the path then counts as 5 % of the gap, so that no film comes
    out negative.

    """
    rho = np.asarray(resistivity, dtype=np.float64)
    excess = np.asarray(electrode_excess, dtype=np.float64)
    straight = rho * np.asarray(electrode_gap, dtype=np.float64)
    is_open = ~(np.isfinite(straight) & np.isfinite(excess))
    straight, excess = np.broadcast_arrays(straight, excess)
    path = np.where(is_open, 1.0, straight) + np.where(is_open, 0.0, excess)
    path = np.maximum(path, SHORTEST_SHARE * np.where(is_open, 1.0, straight))
    area = np.asarray(width, dtype=np.float64) * np.asarray(thickness, dtype=np.float64)
    return np.asarray(np.where(is_open, np.inf, path) / area)


@dataclass(frozen=True, slots=True)
class Film:
    """Sizes of the cast film; the current runs along the gap, electrodes cover the width.

    Parameters
    ----------
    thickness : float
        Dry thickness [m].
    width : float
        Width, the length of each electrode [m].
    electrode_gap : float
        Free length between the electrodes [m].
    drop_cast : bool
        Whether the film is drop-cast rather than drawn down, which widens the default
        tolerance of its thickness.

    Raises
    ------
    ValueError
        If a size is not a positive length.

    """

    thickness: float
    width: float
    electrode_gap: float
    drop_cast: bool = False

    def __post_init__(self) -> None:
        for name in ("thickness", "width", "electrode_gap"):
            value = getattr(self, name)
            if not 0.0 < value < float("inf"):
                raise ValueError(f"{name} must be a positive length in metres, got {value}")

    @property
    def section(self) -> float:
        """Cross-section the current passes [m^2]."""
        return self.width * self.thickness

    @property
    def volume(self) -> float:
        """Volume between the electrodes [m^3]."""
        return self.section * self.electrode_gap

    def resistance(self, resistivity: ArrayLike, electrode_excess: ArrayLike) -> Floats:
        """Resistance [ohm] of this film, shapes of the two arguments broadcast."""
        return film_resistance(
            resistivity, electrode_excess, self.electrode_gap, self.width, self.thickness
        )
