"""Stage 7. The standard normal numbers of castings and of trials on them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = ["LOT_NAMES", "TOLERANCE_NAMES", "TRIAL_NAMES", "CastingDraws", "TrialDraws"]

Floats = NDArray[np.float64]

TOLERANCE_NAMES = (
    "weighing",
    "mixing",
    "thickness",
    "gap",
    "width",
    "contact",
    "aspect_ratio",
    "mixing_within",
    "skew",
    "particle_size",
    "response",
    "tilt",
    "chains",
)
"""What scatters castings, in the order of shares; the place of a tolerance names its stream
of draws, so a new one goes before the chains, after all others."""

LOT_NAMES = ("aspect_ratio", "particle_size")
"""Tolerances that castings of one lot of powder share."""

TRIAL_NAMES = ("instrument", "strain_setting", "contact_redraw")
"""What scatters trials on one casting, in the order of draws."""


@dataclass(frozen=True, slots=True)
class CastingDraws:
    """The standard normal numbers of all castings, the same for every candidate.

    Parameters
    ----------
    tolerances : (n castings, n tolerances) ndarray of float
        One column a tolerance, `TOLERANCE_NAMES` without the chains.
    chains : (n castings, n visits) ndarray of float
        One column a visit: deviations of the chains, not yet correlated.

    """

    tolerances: Floats
    chains: Floats

    @classmethod
    def draw(cls, n: int, n_visits: int, seed: np.random.SeedSequence) -> CastingDraws:
        """Draw for n castings and n_visits boxes.

        Casting k keeps its numbers whatever the number of castings and boxes: every column
        has a seed of its own.
        """
        if n < 1 or n_visits < 1:
            raise ValueError(
                f"castings and visits must be 1 or more, got {n} and {n_visits}"
            )

        def column(*key: int) -> Floats:
            child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))
            return np.random.default_rng(child).standard_normal(n)

        columns = range(len(TOLERANCE_NAMES) - 1)
        return cls(
            np.column_stack([column(0, i) for i in columns]),
            np.column_stack([column(1, k) for k in range(n_visits)]),
        )

    def __len__(self) -> int:
        return len(self.tolerances)

    def only(self, name: str) -> CastingDraws:
        """Return the same castings with every other tolerance at its nominal value."""
        tolerances = np.zeros_like(self.tolerances)
        if name == "chains":
            return CastingDraws(tolerances, self.chains)
        i = TOLERANCE_NAMES.index(name)
        tolerances[:, i] = self.tolerances[:, i]
        return CastingDraws(tolerances, np.zeros_like(self.chains))

    def with_from(self, other: CastingDraws, names: Sequence[str]) -> CastingDraws:
        """Return the same castings with the columns of some names from another draw."""
        tolerances = self.tolerances.copy()
        for name in names:
            if name != "chains":
                i = TOLERANCE_NAMES.index(name)
                tolerances[:, i] = other.tolerances[:, i]
        return CastingDraws(tolerances, other.chains if "chains" in names else self.chains)

    def without(self, names: Sequence[str]) -> CastingDraws:
        """Return the same castings with some names at their nominal values."""
        zero = CastingDraws(np.zeros_like(self.tolerances), np.zeros_like(self.chains))
        return self.with_from(zero, names)


@dataclass(frozen=True, slots=True)
class TrialDraws:
    """The standard normal numbers of one trial on each casting.

    Parameters
    ----------
    instrument, strain_setting : (n castings, 2) ndarray of float
        At rest and at the largest strain.
    contact_redraw : (n castings, n visits) ndarray of float
        Chains of another set of contacts.

    """

    instrument: Floats
    strain_setting: Floats
    contact_redraw: Floats

    @classmethod
    def draw(cls, n: int, n_visits: int, seed: np.random.SeedSequence) -> TrialDraws:
        """Draw for n castings and n_visits boxes, a seed of its own for every column."""

        def column(*key: int) -> Floats:
            child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))
            return np.random.default_rng(child).standard_normal(n)

        return cls(
            np.column_stack([column(2, 0, k) for k in range(2)]),
            np.column_stack([column(2, 1, k) for k in range(2)]),
            np.column_stack([column(2, 2, k) for k in range(n_visits)]),
        )

    def with_from(self, other: TrialDraws, name: str) -> TrialDraws:
        """Return the same trials with one cause from another draw."""
        return replace(self, **{name: getattr(other, name)})
