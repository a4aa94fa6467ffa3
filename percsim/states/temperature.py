"""Stage 4. Temperature: how far thermal expansion holds contacts open."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["ROOM_TEMPERATURE", "ThermalOpening"]

ROOM_TEMPERATURE = 293.15
"""Temperature at which R0 is quoted [K] (20 C)."""


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
        if not 0.0 <= self.share <= 1.0:
            raise ValueError(f"share must be 0 to 1, got {self.share}")
        if not 0.0 < self.closed_at < math.inf:
            raise ValueError(f"closed_at must be above 0 K, got {self.closed_at}")
        if not math.isfinite(self.expansion):
            raise ValueError(f"expansion must be finite, got {self.expansion}")

    def strain(self, temperature: float) -> float:
        """Isotropic strain at the contacts, lambda_T alpha (T - closed_at)."""
        return self.share * self.expansion * (temperature - self.closed_at)
