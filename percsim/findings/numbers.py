"""Numbers with what they scatter by, as several chapters of the summary give them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import weighted_quantiles
from percsim.film.curves import central_68

__all__ = ["Ends", "Number", "Range"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ends:
    """5 and 95 %."""

    p05: float
    p95: float

    @classmethod
    def of(cls, values: Floats, weights: Floats | None = None) -> Ends:
        """Of values, infinite ones counted; nan as infinite."""
        filled = np.where(np.isnan(values), np.inf, values)
        return cls(*weighted_quantiles(filled, (0.05, 0.95), weights).tolist())


@dataclass(frozen=True, slots=True)
class Number:
    """One number with its simulation error, and castings from 5 to 95 %."""

    value: float
    standard_error: float
    p05: float
    p95: float

    @classmethod
    def of(cls, value: Floats | float, draws: Floats, castings: Floats) -> Number:
        """Of the number as planned, drawn with the simulation error, and of castings."""
        ends = Ends.of(castings)
        return cls(float(value), central_68(draws), ends.p05, ends.p95)


@dataclass(frozen=True, slots=True)
class Range:
    """Smallest and largest."""

    min: float
    max: float

    @classmethod
    def of(cls, values: Floats) -> Range:
        """Of an array."""
        return cls(float(values.min()), float(values.max()))
