r"""Stage 7. The bench: every tolerance, what it moves, and what shares it.

A tolerance moves the effective loading :math:`\ln(\phi/\phi_c)`, or it multiplies R, or it
multiplies what a strain changes ln R by. The same list draws castings, predicts what a
candidate will read and weighs readings, so that none can act in one place only.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.polynomial import hermite_e
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from percsim.film.electrodes import Film
from percsim.film.tolerances import Tolerances

__all__ = [
    "CUP", "FILM", "LEVELS", "LOT", "READING", "Bench", "Move", "deviation", "quadrature",
    "wedge",
]  # fmt: skip

Floats = NDArray[np.float64]

READING, FILM, CUP, LOT = LEVELS = ("reading", "film", "cup", "lot")
"""What shares a deviation: one reading, one film, all films of a cup, all of a lot."""

USUAL_LEVELS = {
    "weighing": CUP, "mixing": CUP, "response": CUP, "aspect_ratio": LOT,
    "particle_size": LOT,
    "mixing_within": FILM, "tilt": FILM, "thickness": FILM, "gap": FILM, "width": FILM,
    "skew": FILM, "contact": FILM,
    "instrument": READING, "strain_setting": READING, "contact_redraw": READING,
}  # fmt: skip
"""Where each tolerance acts if the plan says nothing."""

WEAK_SPREAD = 0.3
"""Local spread of ln(phi - phi_c) up to which its second order is used (judgement)."""

STEP = 1e-4
"""Relative step of the slopes of R with sizes."""


@lru_cache(maxsize=8)
def quadrature(n: int) -> tuple[Floats, Floats]:
    """Points and weights that integrate over a standard normal number (Gauss-Hermite)."""
    points, weights = hermite_e.hermegauss(n)
    return points, weights / weights.sum()


def wedge(log_ratio: ArrayLike) -> Floats:
    r"""R of a gap that widens along the electrodes over that of its mean gap.

    Parameters
    ----------
    log_ratio : array_like
        ln of the gap at one end over that at the other.

    Notes
    -----
    Between two straight electrodes the current runs in arcs about the point where they
    meet, so that R = rho alpha / (t ln(r2/r1)) exactly for electrodes from r1 to r2 (the
    potential is the polar angle); over the mean gap, tanh(y)/y with y = ln(r2/r1)/2.

    """
    y = np.abs(0.5 * np.asarray(log_ratio, dtype=np.float64))
    safe = np.where(y > 1e-4, y, 1.0)
    return np.asarray(np.where(y > 1e-4, np.tanh(safe) / safe, 1.0 - y**2 / 3.0))


@dataclass(frozen=True, slots=True)
class Move:
    """What one standard deviation of a tolerance moves.

    Parameters
    ----------
    name, level : str
        The tolerance, and what shares it.
    loading : float
        Change of ln(phi/phi_c).
    scale : float
        Change of ln R besides.

    """

    name: str
    level: str
    loading: float = 0.0
    scale: float = 0.0


@dataclass(frozen=True, slots=True)
class Bench:
    """Tolerances with their levels.

    Parameters
    ----------
    tolerances : Tolerances
        Their standard deviations.
    aspect_ratio_slope : float
        d ln(threshold) / d ln(aspect ratio).
    tilt_slope : float
        d ln(threshold) / d (rms tilt) [1/rad].
    levels : mapping of str to str
        Levels that differ from the usual ones, by tolerance.
    known_within : float
        95 % of benches like it scatter this factor more or less than planned, all
        tolerances together; 1 takes them as they are.

    Raises
    ------
    ValueError
        If a name or a level is not known, or the factor is below 1.

    """

    tolerances: Tolerances = field(default_factory=Tolerances)
    aspect_ratio_slope: float = 0.0
    tilt_slope: float = 0.0
    levels: Mapping[str, str] = field(default_factory=dict)
    known_within: float = 1.0

    def __post_init__(self) -> None:
        if not 1.0 <= self.known_within < float("inf"):
            raise ValueError(f"known_within must be 1 or more, got {self.known_within}")
        for name, level in self.levels.items():
            if name not in USUAL_LEVELS or level not in LEVELS:
                raise ValueError(
                    f"level of {name}: {level!r} is not known; use {', '.join(LEVELS)}"
                )

    @property
    def scale_spread(self) -> float:
        """Standard deviation of ln of the bench's scatter over that planned."""
        return float(np.log(self.known_within) / ndtri(0.975))

    def level(self, name: str) -> str:
        """Level of a tolerance."""
        return self.levels.get(name, USUAL_LEVELS[name])

    def moves(
        self, film: Film, log_slope: float, resistivity: float, length: float
    ) -> tuple[Move, ...]:
        """List what every tolerance moves of a film, response and readings aside.

        Parameters
        ----------
        film : Film
            As planned.
        log_slope : float
            d ln(volume fraction) / d ln(weight fraction).
        resistivity, length : float
            Of the material [ohm m], and length of film that the electrodes cost [m].

        """
        spreads = self.tolerances.spreads(film)
        slopes = _size_slopes(film, resistivity, length)
        loading = {
            "weighing": log_slope, "mixing": log_slope, "mixing_within": log_slope,
            "aspect_ratio": -self.aspect_ratio_slope, "tilt": -self.tilt_slope,
        }  # fmt: skip
        scale = {"contact": -1.0, **slopes}
        made = [
            Move(
                name, self.level(name), loading.get(name, 0.0) * spread,
                scale.get(name, 0.0) * spread,
            )
            for name, spread in spreads.items()
            if name not in ("response", "skew")
        ]  # fmt: skip
        return (*made, Move("skew", self.level("skew"), 0.0, self._skew(film)[1]))

    def shift(self, film: Film) -> float:
        """Mean of ln R over that of the planned film, from electrodes set askew."""
        return self._skew(film)[0]

    def _skew(self, film: Film) -> tuple[float, float]:
        """Mean and deviation of ln R from electrodes set askew."""
        return _skewed(self.tolerances.skew / film.electrode_gap)

    def unevenness(
        self, film: Film, log_slope: float, slope: Floats, ratio: Floats
    ) -> Floats:
        r"""Shift of ln R from loading that varies inside a film.

        Parameters
        ----------
        film : Film
            As planned.
        log_slope : float
            d ln(volume fraction) / d ln(weight fraction).
        slope : ndarray of float
            d ln R / d ln phi.
        ratio : ndarray of float
            Volume fraction over the film's own threshold, broadcast with it.

        Notes
        -----
        The part of the variance that does not move the film's mean stays inside and shifts
        ln R by its second order, curvature of ln rho in the loading and, as current finds
        the better way, :math:`-(1/2 - 1/d)` of the variance of ln rho [1]_, with d = 2
        where the unevenness reaches through the thickness and 3 where it does not. Exact
        for d = 2, second order for d = 3; beyond a local spread of ln(phi - phi_c) of 0.3
        it stops growing.

        References
        ----------
        .. [1] Gelhar & Axness, "Three-dimensional stochastic analysis of macrodispersion
           in aquifers", Water Resour. Res. 19, 161 (1983), eq. 55 (number from memory);
           d = 2: Matheron, "Elements pour une theorie des milieux poreux", Masson (1967).

        """
        tol = self.tolerances
        inside = max(tol.mixing_within**2 - tol.mean_loading(film) ** 2, 0.0)
        below = 1.0 / ratio
        flat = np.maximum(1.0 - below, 1e-9)  # d ln(phi - phi_c) is d ln phi over this
        local = np.minimum(log_slope**2 * inside / flat**2, WEAK_SPREAD**2)
        own = slope * flat * (below < 1.0)
        dimension = 2 if tol.mixing_length > film.thickness else 3
        return np.asarray(-own * local * (0.5 * below + own * (0.5 - 1.0 / dimension)))

    def halved(self, name: str, film: Film) -> Bench:
        """Return the same bench with one tolerance halved."""
        return replace(self, tolerances=self.tolerances.halved(name, film))


@lru_cache(maxsize=256)
def _skewed(spread: float) -> tuple[float, float]:
    points, weights = quadrature(31)
    logs = np.log(wedge(spread * points))
    mean = float(weights @ logs)
    return mean, float(np.sqrt(weights @ (logs - mean) ** 2))


def deviation(
    moves: Collection[Move], levels: Collection[str] = LEVELS
) -> tuple[float, float]:
    """Deviations of ln(phi/phi_c), and of ln R besides, from moves at some levels."""
    kept = [move for move in moves if move.level in levels]
    return (
        float(np.sqrt(sum(move.loading**2 for move in kept))),
        float(np.sqrt(sum(move.scale**2 for move in kept))),
    )


def _size_slopes(film: Film, resistivity: float, length: float) -> dict[str, float]:
    """D ln R / d ln of thickness, gap and width, and of the size of particles."""
    up_down = 1.0 + STEP * np.array([1.0, -1.0])
    # one of four at a time; larger particles: rho as the size, electrodes as its square
    each = np.where(np.eye(4, dtype=bool)[:, :, None], up_down, 1.0)
    gap, width, thickness, size = each
    rho = resistivity * size
    ohms = film.layout.resistance(
        rho, rho * length * size, film.electrode_gap * gap, film.width * width,
        film.thickness * thickness,
    )  # fmt: skip
    slopes = np.log(ohms[:, 0] / ohms[:, 1]) / (2.0 * STEP)
    names = ("gap", "width", "thickness", "particle_size")
    return dict(zip(names, slopes.tolist(), strict=True))
