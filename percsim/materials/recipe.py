"""Stage 1. The recipe: what is mixed, by mass and by volume."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler
from percsim.values import real

__all__ = ["Recipe"]


@dataclass(frozen=True, slots=True, repr=False)
class Recipe:
    r"""Fillers in an elastomer.

    Parameters
    ----------
    fillers : tuple of (Filler, float)
        Each filler with its weight fraction of the cured total (all fillers, base and
        curing agent; no solvent).
    elastomer : Elastomer
        What they are mixed into.

    Raises
    ------
    ValueError
        If a weight fraction is outside [0, 1), or they leave no elastomer.

    Notes
    -----
    Volumes are additive: :math:`\phi_i = (w_i/\rho_i) / (\sum_j w_j/\rho_j + (1 - \sum_j
    w_j)/\rho_m)`, with no pores. "Volume fraction" always means the sum of particle
    volumes over the total volume.

    """

    fillers: tuple[tuple[Filler, float], ...]
    elastomer: Elastomer

    def __post_init__(self) -> None:
        pairs = _pairs(self.fillers, "weight fraction")
        if not isinstance(self.elastomer, Elastomer):
            raise ValueError(f"elastomer must be an Elastomer, got {self.elastomer!r}")
        total = sum(w for _, w in pairs)
        for filler, w in pairs:
            if w >= 1.0:
                raise ValueError(
                    f"weight fraction of {filler.name or filler.kind} must lie in 0 to 1,"
                    f" got {w:g}"
                )
        if not total < 1.0:
            raise ValueError(f"weight fractions add up to {total:g} and leave no elastomer")
        object.__setattr__(self, "fillers", pairs)

    # ------------------------------------------------------------------ other ways in
    @classmethod
    def from_volume_fractions(
        cls, fillers: Iterable[tuple[Filler, float]], elastomer: Elastomer
    ) -> Recipe:
        """Recipe from volume fractions.

        Parameters
        ----------
        fillers : sequence of (Filler, float)
            Each filler with its volume over the total volume.
        elastomer : Elastomer

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If a fraction is outside [0, 1), or they leave no elastomer.

        """
        pairs = _pairs(fillers, "volume fraction")
        rest = 1.0 - sum(v for _, v in pairs)
        if not rest > 0.0:
            raise ValueError(
                f"volume fractions add up to {1.0 - rest:g}, leave no elastomer"
            )
        masses = [v * f.density for f, v in pairs]
        total = sum(masses) + rest * elastomer.density
        return cls(
            tuple((f, m / total) for (f, _), m in zip(pairs, masses, strict=True)),
            elastomer,
        )

    def at_volume_fraction(self, volume_fraction: float) -> Recipe:
        """Return the same blend of fillers at another total volume fraction.

        Parameters
        ----------
        volume_fraction : float
            Of all fillers together.

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If it is outside [0, 1), or this recipe has no filler to scale.

        """
        if not 0.0 <= volume_fraction < 1.0:
            raise ValueError(f"volume fraction must lie in 0 to 1, got {volume_fraction:g}")
        shares = self.volume_fractions
        total = sum(shares)
        if not total > 0.0:
            raise ValueError("a recipe without filler cannot be scaled to a loading")
        scaled = [
            (f, volume_fraction * v / total)
            for (f, _), v in zip(self.fillers, shares, strict=True)
        ]
        return Recipe.from_volume_fractions(scaled, self.elastomer)

    # ------------------------------------------------------------------ what follows
    @property
    def weight_fraction(self) -> float:
        """Mass of all fillers over the cured total."""
        return sum(w for _, w in self.fillers)

    @property
    def volume_fractions(self) -> tuple[float, ...]:
        """Volume of each filler over the total, in the order of `fillers`."""
        volumes = [w / f.density for f, w in self.fillers]
        total = sum(volumes) + (1.0 - self.weight_fraction) / self.elastomer.density
        return tuple(v / total for v in volumes)

    @property
    def volume_fraction(self) -> float:
        """Volume of all fillers over the total."""
        return sum(self.volume_fractions)

    @property
    def density(self) -> float:
        """Density of the cured composite without pores [kg/m^3]."""
        specific = (1.0 - self.weight_fraction) / self.elastomer.density
        return 1.0 / (specific + sum(w / f.density for f, w in self.fillers))

    @property
    def thermal_expansion(self) -> float:
        r"""Linear thermal expansion of the composite [1/K].

        Volume-weighted: the stiffness term of Schapery's formula (1968, J. Compos.
        Mater. 2, 380; from memory) carries the ratio of shear to bulk modulus of the
        matrix, about 1e-3 in a rubber, and is left out.
        """
        shares = self.volume_fractions
        filled = sum(
            v * f.thermal_expansion for (f, _), v in zip(self.fillers, shares, strict=True)
        )
        return filled + (1.0 - sum(shares)) * self.elastomer.thermal_expansion

    @property
    def filler_names(self) -> tuple[str, ...]:
        """Names on the weigh-out sheet, no two the same."""
        taken = {"base", "curing agent", "solvent"}
        names = []
        for filler, _ in self.fillers:
            stem = name = filler.name or filler.kind
            number = 2
            while name in taken:
                name, number = f"{stem} {number}", number + 1
            taken.add(name)
            names.append(name)
        return tuple(names)

    def masses(self, total: float) -> dict[str, float]:
        """Work out what to weigh for a batch.

        Parameters
        ----------
        total : float
            Cured mass [kg].

        Returns
        -------
        dict of str to float
            Grams of each filler by name, of "base" and of "curing agent".

        Raises
        ------
        ValueError
            If the mass is not positive.

        """
        if not 0.0 < total < math.inf:
            raise ValueError(f"batch mass must be positive [kg], got {total:g}")
        grams = 1e3 * total
        sheet = {
            name: grams * w
            for name, (_, w) in zip(self.filler_names, self.fillers, strict=True)
        }
        rubber = grams * (1.0 - self.weight_fraction)
        sheet["base"] = rubber * self.elastomer.base_share
        sheet["curing agent"] = rubber * (1.0 - self.elastomer.base_share)
        return sheet

    def __repr__(self) -> str:
        parts = [
            f"{100.0 * w:.4g} wt% {name} ({100.0 * v:.4g} vol%)"
            for name, (_, w), v in zip(
                self.filler_names, self.fillers, self.volume_fractions, strict=True
            )
        ]
        base = f"{self.elastomer.name} {self.elastomer.mix_ratio:g}:1"
        return f"Recipe: {', '.join(parts) or 'no filler'} in {base}"


def _pairs(
    fillers: Iterable[tuple[Filler, float]] | Sequence[tuple[Filler, float]], what: str
) -> tuple[tuple[Filler, float], ...]:
    try:
        pairs = tuple((filler, real(what, amount)) for filler, amount in fillers)
    except (TypeError, ValueError):
        raise ValueError(f"fillers must be pairs of a Filler and its {what}") from None
    for filler, amount in pairs:
        if not isinstance(filler, Filler):
            raise ValueError(f"fillers must be pairs of a Filler and its {what}")
        if not 0.0 <= amount < math.inf:
            raise ValueError(
                f"{what} of {filler.name or filler.kind} must be 0 or more, got {amount:g}"
            )
    return pairs
