"""Stage 4. Temperature: how far thermal expansion holds contacts open."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann

from percsim.values import take_reals

__all__ = [
    "ELASTOMER_LIMITS",
    "ROOM_TEMPERATURE",
    "Bond",
    "ThermalOpening",
    "activation_log_ratio",
    "felt_strains",
]

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
class Bond:
    r"""What holds a film in its plane while it warms.

    Parameters
    ----------
    part_expansion : float
        Linear thermal expansion of the part, alpha_p [1/K].
    bonded_at : float
        Temperature at which the film is bonded to it, T_b [K].
    poisson_ratio : float
        Of the film, 0 to 0.5.

    Raises
    ------
    ValueError
        If a value is out of range.

    """

    part_expansion: float
    bonded_at: float = ROOM_TEMPERATURE
    poisson_ratio: float = 0.495

    def __post_init__(self) -> None:
        if not math.isfinite(self.part_expansion):
            raise ValueError(f"part_expansion must be finite, got {self.part_expansion}")
        if not 0.0 < self.bonded_at < math.inf:
            raise ValueError(f"bonded_at must be above 0 K, got {self.bonded_at}")
        if not 0.0 <= self.poisson_ratio <= 0.5:
            raise ValueError(f"poisson_ratio must be 0 to 0.5, got {self.poisson_ratio}")


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
    bond : Bond, optional
        What the film is bonded to; free by default.

    Raises
    ------
    ValueError
        If the share is outside 0 to 1, the temperature is not above 0 K, or the expansion
        is not finite.

    Notes
    -----
    A free film swells by :math:`\lambda_T \alpha_f (T - T_c)` in every direction. Bonded at
    :math:`T_b`, it has swollen freely until then and from there on expands as the part does
    in its plane, and through its thickness by

    .. math:: \lambda_T\alpha_f + \frac{2\nu}{1-\nu} (\lambda_T\alpha_f - \alpha_p)

    per kelvin: a thin film in plane stress with both in-plane strains imposed (Hooke's law
    with thermal strain, any handbook), its own expansion being what contacts feel of it.

    """

    expansion: float
    closed_at: float
    share: float
    bond: Bond | None = None

    def __post_init__(self) -> None:
        take_reals(self, "expansion", "closed_at", "share")
        if not 0.0 <= self.share <= 1.0:
            raise ValueError(f"share must be 0 to 1, got {self.share}")
        if not 0.0 < self.closed_at < math.inf:
            raise ValueError(f"closed_at must be above 0 K, got {self.closed_at}")
        if not math.isfinite(self.expansion):
            raise ValueError(f"expansion must be finite, got {self.expansion}")

    def strains(
        self, temperature: ArrayLike, share: ArrayLike | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Thermal strain at the contacts in the plane of the film and through it.

        Parameters
        ----------
        temperature : array_like
            T [K].
        share : array_like, optional
            lambda_T in place of the own one, broadcast with it.

        """
        t = np.asarray(temperature, dtype=np.float64)
        felt = np.asarray(self.share if share is None else share) * self.expansion
        return felt_strains(felt, t, self.closed_at, self.bond)

    def equivalent_temperature(
        self, temperature: ArrayLike, share: ArrayLike
    ) -> NDArray[np.float64]:
        r"""Temperature at which this opens contacts as far as another share does.

        .. math:: T' = T_c + \frac{\lambda'}{\lambda} (T - T_c)

        Contacts of a free film know of temperature by lambda_T alpha (T - T_c) alone, so
        that one curve of R against temperature holds for every share, less its activated
        part. For a bonded film the volume strain is taken to decide.

        Parameters
        ----------
        temperature : array_like
            T [K].
        share : array_like
            The other share, broadcast with it.

        Returns
        -------
        ndarray of float
            T' [K]; nan where nothing here moves with temperature.

        """
        start = self.closed_at if self.bond is None else self.bond.bonded_at
        plane, through = self.strains(temperature, share)
        first, last = (
            (2.0 * a + b) / 3.0 for a, b in (self.strains(start), self.strains(start + 1.0))
        )
        rate = float(last - first)
        swollen = (2.0 * plane + through) / 3.0
        if rate == 0.0:
            return np.full(swollen.shape, np.nan)
        return np.asarray(start + (swollen - first) / rate)


def felt_strains(
    felt: ArrayLike, temperature: ArrayLike, closed_at: ArrayLike, bond: Bond | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Thermal strain in the plane and through a film, see `ThermalOpening`.

    Parameters
    ----------
    felt : array_like
        lambda_T alpha_f, the expansion that contacts feel [1/K].
    temperature : array_like
        [K], broadcast with it.
    closed_at : array_like
        Temperature of the reference state [K].
    bond : Bond or None
        What holds the film.

    """
    felt, t = np.asarray(felt, dtype=np.float64), np.asarray(temperature, dtype=np.float64)
    shut = np.asarray(closed_at, dtype=np.float64)
    if bond is None:
        free = np.asarray(felt * (t - shut))
        return free, free
    free, since = felt * (bond.bonded_at - shut), t - bond.bonded_at
    squeeze = 2.0 * bond.poisson_ratio / (1.0 - bond.poisson_ratio)
    rate = felt + squeeze * (felt - bond.part_expansion)
    plane = free + bond.part_expansion * since
    return np.asarray(plane), np.asarray(free + rate * since)
