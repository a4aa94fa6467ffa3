"""Stage 8. What a bench can make, which bounds the advice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

__all__ = ["CASTABLE", "BenchLimits"]

CASTABLE = 0.9
"""Share of the solids at which the filler jams up to which a mix can be cast."""


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """What a bench can make, which bounds the advice.

    Parameters
    ----------
    film_length : float or None
        Whole length of the film [m], which no electrode gap can exceed.
    largest_particle : float or None
        Largest extent of any particle [m], below which no film is advised.
    solids : callable or None
        Solids of the mix as cast over those at which the filler jams, for a weight
        fraction.

    Raises
    ------
    ValueError
        If a length is not positive.

    """

    film_length: float | None = None
    largest_particle: float | None = None
    solids: Callable[[float], float] | None = None

    def __post_init__(self) -> None:
        for name in ("film_length", "largest_particle"):
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                raise ValueError(f"{name} must be a positive length, got {value}")

    def castable(self, weight_fraction: float) -> bool:
        """Whether a mix of this loading stays clear of jamming, as far as that is known."""
        return self.solids is None or self.solids(weight_fraction) < CASTABLE

    def thickening(self, weight_fraction: float) -> tuple[float, float]:
        """Solids over those that jam, and how many times they thicken the mix.

        (0, 1) where that is not known.
        """
        if self.solids is None:
            return 0.0, 1.0
        share = self.solids(weight_fraction)
        return share, (1.0 - share) ** -2.0 if share < 1.0 else float("inf")
