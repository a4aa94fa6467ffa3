r"""What a drawn sheet of patches answers: who works, how it is calibrated, what it tells.

Errors of strain are those of reading a patch through a curve that is not its own, or was
taken with readings that scatter; they are taken patch by patch from drawn sheets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CALIBRATIONS",
    "Calibrated",
    "Curve",
    "Scan",
    "allowed_dead",
    "calibrated",
    "common_curve",
    "difference_told",
    "scan",
]  # fmt: skip

Floats = NDArray[np.float64]

CALIBRATIONS = ("every patch", "one point each", "one curve")
"""A curve of its own for every patch; one of all, with the zero of each; one of all."""


@dataclass(frozen=True, slots=True)
class Curve:
    """ln R of patches over that at rest, against strain.

    Parameters
    ----------
    strains : (k,) ndarray of float
        Rising.
    logs : (k,) ndarray of float
        Rising or falling throughout.
    rest : float
        ln R at rest [ln ohm].

    """

    strains: Floats
    logs: Floats
    rest: float

    def strain(self, logs: Floats) -> Floats:
        """Strain read at ln R over that at rest; carried on straight, nan where open."""
        x, y = self.logs, self.strains
        if x[-1] < x[0]:
            x, y = x[::-1], y[::-1]
        known = np.isfinite(logs)
        at = np.where(known, logs, x[0])
        found = np.interp(at, x, y)
        first, last = ((y[b] - y[a]) / (x[b] - x[a]) for a, b in ((0, 1), (-2, -1)))
        found = found + first * np.minimum(at - x[0], 0.0)
        found = found + last * np.maximum(at - x[-1], 0.0)
        return np.asarray(np.where(known, found, np.nan))

    def slope(self, strain: Floats) -> Floats:
        """D ln R / d strain at strains."""
        slopes = np.gradient(self.logs, self.strains)
        return np.asarray(np.interp(strain, self.strains, slopes))


def common_curve(strains: Floats, logs: Floats, rest: int) -> Curve | None:
    """Mean curve of patches that conduct throughout.

    Parameters
    ----------
    strains : (k,) ndarray of float
        Rising.
    logs : (p, k) ndarray of float
        ln R of the patches.
    rest : int
        Which strain is none.

    Returns
    -------
    Curve or None
        None if no patch conducts, or two strains read alike.

    """
    kept = logs[np.isfinite(logs).all(axis=1)]
    if len(kept) < 1 or len(strains) < 2:
        return None
    mean = kept.mean(axis=0)
    relative = mean - mean[rest]
    if not (np.all(np.diff(relative) > 0.0) or np.all(np.diff(relative) < 0.0)):
        return None
    return Curve(strains, relative, float(mean[rest]))


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Errors of strain of one way to calibrate.

    Parameters
    ----------
    way : str
        One of `CALIBRATIONS`.
    errors : (p, k) ndarray of float
        Strain read less the real one, of patches at the strains; inf where a patch opens.

    """

    way: str
    errors: Floats

    def band(self, at: int | None = None) -> tuple[float, float, float]:
        """Median, 5 and 95 % of the errors, at one of the strains or at all."""
        values = self.errors.ravel() if at is None else self.errors[:, at]
        found = np.quantile(values, (0.5, 0.05, 0.95), method="inverted_cdf")
        return float(found[0]), float(found[1]), float(found[2])


def calibrated(
    curve: Curve,
    rest: int,
    taken: Floats,
    used: Floats,
    noise: Floats,
    setting: Floats,
) -> tuple[Calibrated, ...]:
    """Errors of strain of every way to calibrate.

    Parameters
    ----------
    curve : Curve
        Of all patches.
    rest : int
        Which of its strains is none.
    taken, used : (p, k) ndarray of float
        ln R of patches as they were calibrated, and as they are read later on.
    noise : (2, p, k) ndarray of float
        Of ln R in the two readings.
    setting : (p, k) ndarray of float
        Strain that was set less that wanted, as every patch was calibrated.

    Notes
    -----
    A curve of its own is off by what differs between the two readings, over its own slope,
    and by the strain that was set wrongly.

    """
    both = np.asarray(np.isfinite(taken).all(axis=1))[:, None] & np.isfinite(used)
    safe_taken = np.where(np.isfinite(taken), taken, 0.0)
    slopes = np.gradient(safe_taken, curve.strains, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        own = (np.where(both, used, 0.0) + noise[1] - safe_taken - noise[0]) / slopes
    own = np.where(both & np.isfinite(own), own - setting, np.inf)
    zero = safe_taken[:, [rest]] + noise[0][:, [rest]]
    pointed = curve.strain(np.where(both, used + noise[1] - zero, np.inf)) - curve.strains
    shared = curve.strain(np.where(both, used + noise[1] - curve.rest, np.inf))
    return tuple(
        Calibrated(way, np.where(np.isnan(errors), np.inf, errors))
        for way, errors in zip(
            CALIBRATIONS, (own, pointed, shared - curve.strains), strict=True
        )
    )


def allowed_dead(dead: NDArray[np.int64], share: float = 0.95) -> int:
    """Patches that may be dead so that a share of the sheets has no more of them."""
    return int(np.quantile(dead, share, method="inverted_cdf"))


def difference_told(errors: Floats, other: Floats, confidence: float = 0.95) -> float:
    """Difference of strain between two patches that their errors seldom make.

    The quantile of the size of differences of their errors (p,); inf where patches open.
    """
    both = np.asarray(np.isfinite(errors) & np.isfinite(other))
    apart = np.where(both, np.where(both, errors, 0.0) - np.where(both, other, 0.0), np.inf)
    return float(np.quantile(np.abs(apart), confidence, method="inverted_cdf"))


@dataclass(frozen=True, slots=True)
class Scan:
    """One time of reading a patch.

    Parameters
    ----------
    reading_time, sheet_time : float
        Of one patch and of the whole sheet [s].
    noise : float
        Standard deviation of ln R of one reading.
    power : float
        Mean heat made in the sheet while it is read without pause [W].

    """

    reading_time: float
    sheet_time: float
    noise: float
    power: float


def scan(
    rows: int,
    columns: int,
    reading_time: float,
    noise: float,
    power: float,
    *,
    at_once: int = 1,
    loaded: int = 1,
) -> Scan:
    """Time, noise and power of reading all patches one after the other.

    Parameters
    ----------
    rows, columns : int
        Of the sheet.
    reading_time : float
        Of one patch [s].
    noise : float
        Standard deviation of ln R of one reading, in its bandwidth.
    power : float
        Heat made in a patch while a voltage is on it [W].
    at_once : int
        Patches read at once.
    loaded : int
        Patches that have voltage on them at once.

    """
    turns = math.ceil(rows * columns / at_once)
    return Scan(reading_time, turns * reading_time, noise, loaded * power)
