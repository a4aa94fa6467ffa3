"""Stage 4. Temperature: how far thermal expansion holds contacts open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann

from percsim.values import take_reals

__all__ = ["ELASTOMER_LIMITS", "ROOM_TEMPERATURE", "ThermalOpening", "activation_log_ratio"]

ROOM_TEMPERATURE = 293.15
"""Temperature at which R0 is quoted [K] (20 C)."""

ELASTOMER_LIMITS = (228.15, 473.15)
"""Continuous service of silicone elastomers, -45 to 200 C [K] (data-sheet practice, from
memory): they crystallise near -50 C and stiffen above 150 C within days."""


def activation_log_ratio(energy: ArrayLike, temperature: ArrayLike) -> NDArray[np.float64]:
    r"""Activated part of ln R(T)/R(20 C), E/k (1/T - 1/T_20).

    Parameters
    ----------
    energy : array_like
        Activation energy [J]; broadcasts with the temperature.
    temperature : array_like
        [K].

    Returns
    -------
    ndarray of float
        0 at 20 C, negative above it for a positive energy.

    """
    inverse = 1.0 / np.asarray(temperature, dtype=np.float64) - 1.0 / ROOM_TEMPERATURE
    return np.asarray(np.asarray(energy, dtype=np.float64) / Boltzmann * inverse)


@dataclass(frozen=True, slots=True)
class ThermalOpening:
    r"""Thermal strain that reaches the contacts, counted from where they are pressed shut.

    Parameters
    ----------
    expansion : float
        Linear thermal expansion of the composite [1/K].
    closed_at : float
        Temperature of the reference state, contacts pressed shut [K].
    share : float
        Share of the thermal strain that reaches the contacts, lambda_T, 0 to 1.

    Raises
    ------
    ValueError
        If the share is outside 0 to 1, the temperature is not above 0 K, or the expansion
        is not finite.

    """

    expansion: float
    closed_at: float
    share: float

    def __post_init__(self) -> None:
        take_reals(self, "expansion", "closed_at", "share")
        if not 0.0 <= self.share <= 1.0:
            raise ValueError(f"share must be 0 to 1, got {self.share}")
        if not 0.0 < self.closed_at < math.inf:
            raise ValueError(f"closed_at must be above 0 K, got {self.closed_at}")
        if not math.isfinite(self.expansion):
            raise ValueError(f"expansion must be finite, got {self.expansion}")

    def strain(self, temperature: float) -> float:
        """Isotropic strain at the contacts, lambda_T alpha (T - closed_at)."""
        return self.share * self.expansion * (temperature - self.closed_at)

    def equivalent_temperature(
        self, temperature: ArrayLike, share: ArrayLike
    ) -> NDArray[np.float64]:
        r"""Temperature at which this opens contacts as far as another share does.

        .. math:: T' = T_c + \frac{\lambda'}{\lambda} (T - T_c)

        Contacts know of temperature by lambda_T alpha (T - T_c) alone, so that one curve
        of R against temperature holds for every share, less its activated part.

        Parameters
        ----------
        temperature : array_like
            T [K].
        share : array_like
            The other share, broadcast with it.

        Returns
        -------
        ndarray of float
            T' [K]; nan for a share of 0 here, which opens nothing.

        """
        t = np.asarray(temperature, dtype=np.float64)
        if self.share == 0.0:
            return np.full(np.broadcast(t, share).shape, np.nan)
        ratio = np.asarray(share, dtype=np.float64) / self.share
        return np.asarray(self.closed_at + ratio * (t - self.closed_at))
