"""Stage 1. Sizes of the particles of a powder, by number, and how they are read."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri

from percsim.files import read_rows
from percsim.values import positive, take_reals

__all__ = ["SizeDistribution", "read_size_bins"]

_CSV_UNITS = {"nm": 1e9, "um": 1e6, "mm": 1e3, "m": 1.0}  # in a metre; 5 / 1e6 is 5e-6
_TEN_PER_CENT = 1.2815515655446004  # standard normal quantile at 0.9


@dataclass(frozen=True, slots=True)
class SizeDistribution:
    r"""Sizes of the particles of a powder, by number.

    A log-normal law unless `edges` and `shares` give a histogram. The law is cut at
    `clip` spreads either side of the median and at the sieve cuts `lower` and `upper`;
    every mean is that of the law so cut, not of the uncut one.

    Parameters
    ----------
    median : float
        Number median before cutting [m]. An aspect ratio may be distributed in the same
        way: then sizes are pure numbers.
    spread : float
        Standard deviation of ln D; 0 makes every particle the same. A "geometric spread"
        of 1.5 means ln 1.5 = 0.405.
    clip : float
        Cut, in spreads either side of the median. The default, 3, drops 0.27 % of the
        particles.
    lower, upper : float
        Sieve cuts [m]: smaller and larger particles are taken out.
    edges, shares : tuple of float
        Histogram: m + 1 bin edges [m] and m shares by number, summing to 1; ln D is
        uniform within a bin. Use `from_histogram` to fill them.

    Raises
    ------
    ValueError
        If the numbers do not make a distribution, or the cuts leave nothing.

    """

    median: float
    spread: float = 0.0
    clip: float = 3.0
    lower: float = 0.0
    upper: float = math.inf
    edges: tuple[float, ...] = ()
    shares: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        take_reals(self, "median", "spread", "clip", "lower", "upper")
        positive("median size", self.median)
        if not 0.0 <= self.spread < math.inf:
            raise ValueError(
                "spread (standard deviation of ln D) must be 0 or more,"
                f" got {self.spread:g}"
            )
        if self.spread > 3.0:
            raise ValueError(
                f"spread is the standard deviation of ln D, at most 3, got {self.spread:g}"
                " (a geometric spread of 1.5 is 0.405)"
            )
        if not 0.0 < self.clip <= 8.0:
            raise ValueError(f"clip must be between 0 and 8 spreads, got {self.clip:g}")
        if not 0.0 <= self.lower < self.upper:
            raise ValueError(
                "sieve cuts must satisfy 0 <= lower < upper,"
                f" got {self.lower:g}, {self.upper:g}"
            )
        if self.edges or self.shares:
            e, s = np.asarray(self.edges, float), np.asarray(self.shares, float)
            _check_bins(e, s)
            if not (np.isfinite(s).all() and (s >= 0.0).all()) or abs(s.sum() - 1.0) > 1e-9:
                raise ValueError("histogram shares must be 0 or more and sum to 1")
        low, high = self.bounds
        if not low <= high:
            raise ValueError(
                f"the sieve cuts {self.lower:g} to {self.upper:g} leave none of the sizes"
                f" about {self.median:g}"
            )

    # ------------------------------------------------------------------ other ways in
    @classmethod
    def from_percentiles(
        cls,
        d10: float,
        d50: float,
        d90: float,
        *,
        weighting: Literal["volume", "number"],
        clip: float = 3.0,
    ) -> SizeDistribution:
        r"""Log-normal law through a data sheet's d10, d50 and d90.

        Parameters
        ----------
        d10, d50, d90 : float
            Sizes below which 10, 50 and 90 % lie [m].
        weighting : {"volume", "number"}
            What the per cents count. Laser diffraction and sieving report volume (mass).
        clip : float
            See `SizeDistribution`.

        Returns
        -------
        SizeDistribution
            Spread ln(d90/d10) / (2 x 1.2816); number median from d50.

        Raises
        ------
        ValueError
            If not 0 < d10 < d50 < d90, or the weighting is unknown.

        Notes
        -----
        A log-normal weighted by :math:`D^3` keeps its spread s and has the median
        :math:`D_n \exp(3 s^2)` (Hatch and Choate 1929, J. Franklin Inst. 207, 369; from
        memory): 1.62 times the number median at s = 0.4.

        """
        if not 0.0 < d10 < d50 < d90 < math.inf:
            raise ValueError(f"need 0 < d10 < d50 < d90, got {d10:g}, {d50:g}, {d90:g}")
        spread = math.log(d90 / d10) / (2.0 * _TEN_PER_CENT)
        power = _weight_power(weighting)
        return cls(d50 * math.exp(-power * spread**2), spread, clip=clip)

    @classmethod
    def from_histogram(
        cls, edges: ArrayLike, shares: ArrayLike, *, weighting: Literal["volume", "number"]
    ) -> SizeDistribution:
        """Histogram of a particle-size analysis.

        Parameters
        ----------
        edges : (m + 1,) array of float
            Bin edges [m], positive and rising.
        shares : (m,) array of float
            Share in each bin, in any unit (per cent, counts).
        weighting : {"volume", "number"}
            What the shares count.

        Returns
        -------
        SizeDistribution
            By number. A volume share is divided by the mean of D^3 over its bin.

        Raises
        ------
        ValueError
            If edges and shares do not fit, are not finite, or are all zero.

        """
        e, s = np.asarray(edges, float).ravel(), np.asarray(shares, float).ravel()
        power = _weight_power(weighting)
        _check_bins(e, s)
        if not (np.isfinite(s).all() and (s >= 0.0).all() and s.sum() > 0.0):
            raise ValueError("histogram shares must be 0 or more, finite, and not all 0")
        p = s / _bin_moments(e, power)
        p /= p.sum()
        kept = np.flatnonzero(p > 0.0)  # empty bins at the ends carry no size
        e, p = e[kept[0] : kept[-1] + 2], p[kept[0] : kept[-1] + 1]
        mid, width = 0.5 * np.log(e[1:] * e[:-1]), np.log(e[1:] / e[:-1])
        mean = float(p @ mid)
        spread = math.sqrt(float(p @ ((mid - mean) ** 2 + width**2 / 12.0)))
        median = float(_bin_quantile(e, p, np.array([0.5]), 0.0)[0])
        return cls(median, spread, edges=tuple(map(float, e)), shares=tuple(map(float, p)))

    def sieved(self, lower: float = 0.0, upper: float = math.inf) -> SizeDistribution:
        """Return what is left between two sieves.

        Parameters
        ----------
        lower, upper : float
            Mesh openings [m].

        Returns
        -------
        SizeDistribution

        Raises
        ------
        ValueError
            If nothing is left.

        """
        lower, upper = max(lower, self.lower), min(upper, self.upper)
        if not self.edges:
            return replace(self, lower=lower, upper=upper)
        e = np.asarray(self.edges)
        a, b = np.clip(e[:-1], lower, upper), np.clip(e[1:], lower, upper)
        p = np.asarray(self.shares) * np.log(b / a) / np.log(e[1:] / e[:-1])
        keep = b > a * (1.0 + 1e-12)  # a cut at an edge leaves no sliver of a bin
        if not p[keep].sum() > 0.0:
            raise ValueError(
                f"the sieve cuts {lower:g} to {upper:g} leave none of the sizes"
                f" {e[0]:g} to {e[-1]:g}"
            )
        cut = np.append(a[keep], b[keep][-1])
        return SizeDistribution.from_histogram(cut, p[keep], weighting="number")

    # ------------------------------------------------------------------ what follows
    @property
    def bounds(self) -> tuple[float, float]:
        """Smallest and largest size after cutting [m]."""
        if self.edges:
            return self.edges[0], self.edges[-1]
        low = self.median * math.exp(-self.clip * self.spread)
        high = self.median * math.exp(self.clip * self.spread)
        return max(low, self.lower), min(high, self.upper)

    def moment(self, power: float) -> float:
        r"""Mean of D^power over the particles that are left, exact.

        Parameters
        ----------
        power : float
            Any real power.

        Returns
        -------
        float
            :math:`m^k e^{k^2s^2/2}\,[\Phi(b-ks)-\Phi(a-ks)]/[\Phi(b)-\Phi(a)]` with a, b
            the cuts in units of the spread; a sum over bins for a histogram.

        """
        if self.edges:
            return float(
                np.asarray(self.shares) @ _bin_moments(np.asarray(self.edges), power)
            )
        a, b = self._cuts()
        if a == b:
            return float(self.bounds[0] ** power)
        s = self.spread
        ratio = _normal_share(a - power * s, b - power * s) / _normal_share(a, b)
        return float(self.median**power * math.exp(0.5 * (power * s) ** 2) * ratio)

    def quantile(self, share: ArrayLike, power: float = 0.0) -> NDArray[np.float64]:
        """Size below which a share of the particles lies.

        Parameters
        ----------
        share : array of float
            Between 0 and 1.
        power : float
            Weight each particle by D^power: 0 by number, 3 by volume.

        Returns
        -------
        ndarray of float
            Sizes [m], in the shape of `share`.

        Raises
        ------
        ValueError
            If a share is outside [0, 1].

        """
        u = np.asarray(share, dtype=np.float64)
        if u.size and not (u.min() >= 0.0 and u.max() <= 1.0):
            raise ValueError("a share must lie between 0 and 1")
        if self.edges:
            return _bin_quantile(np.asarray(self.edges), np.asarray(self.shares), u, power)
        low, high = self.bounds
        a, b = self._cuts()
        if a == b:
            return np.full(u.shape, low)
        shift = power * self.spread
        x = _normal_quantile(u, a - shift, b - shift) + shift
        return np.asarray(np.clip(self.median * np.exp(self.spread * x), low, high))

    @property
    def volume_median(self) -> float:
        """Median by volume, particles weighted by D^3 [m]."""
        return float(self.quantile(0.5, power=3.0))

    @property
    def volume_beyond_clip(self) -> float:
        """Share of a log-normal powder's volume in particles larger than the clip lets in.

        0 for a histogram, and where a sieve has taken them out. Weighting by D^3 moves the
        median by 3 s spreads (see `from_percentiles`).
        """
        if self.edges or self.spread == 0.0:
            return 0.0
        if self.upper < self.median * math.exp(self.clip * self.spread):
            return 0.0
        return 0.5 * math.erfc((self.clip - 3.0 * self.spread) / math.sqrt(2.0))

    def _cuts(self) -> tuple[float, float]:
        low, high = self.bounds
        if low == high:  # spread 0, or cuts that meet: one size
            return 0.0, 0.0
        return math.log(low / self.median) / self.spread, math.log(
            high / self.median
        ) / self.spread


def read_size_bins(
    path: str | Path,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bins of a particle-size analysis as they stand in a CSV file.

    Parameters
    ----------
    path : str or Path
        A file whose header names `lower_U`, `upper_U` and `share`, with U one of nm, um,
        mm, m; one bin a row, bins touching and rising. Lines that start with # are skipped.

    Returns
    -------
    edges : (m + 1,) ndarray of float
        Bin edges [m], rising.
    shares : (m,) ndarray of float
        Share in each bin, in the unit of the file.

    Raises
    ------
    ValueError
        If the file cannot be read, has no rows, lacks a column, or a row is no bin; the
        message names the line.

    """
    try:
        rows = read_rows(path)
    except ValueError as error:
        raise ValueError(f"{path}: {error}") from None
    if len(rows) < 2:
        raise ValueError(f"{path}: no size bins; need a header and at least one row")
    header = rows[0][1]
    columns: dict[str, tuple[int, float]] = {}
    for index, cell in enumerate(header):
        name, _, unit = cell.partition("_")
        if name in ("lower", "upper") and unit in _CSV_UNITS:
            columns[name] = (index, _CSV_UNITS[unit])
        elif cell == "share":
            columns[cell] = (index, 1.0)
    if set(columns) != {"lower", "upper", "share"}:
        raise ValueError(
            f"{path}: the header must name lower_um, upper_um and share (or nm, mm, m)"
        )
    table = np.empty((len(rows) - 1, 3))
    for k, (line, row) in enumerate(rows[1:]):
        where = f"{path}, line {line}"
        for j, name in enumerate(("lower", "upper", "share")):
            index, scale = columns[name]
            try:
                table[k, j] = float(row[index]) / scale
            except (IndexError, ValueError):
                raise ValueError(f"{where}: {name} is missing or not a number") from None
        low, high, share = table[k]
        if not 0.0 < low < high < math.inf:
            raise ValueError(
                f"{where}: a bin must run from a positive size up to a larger one"
            )
        if not 0.0 <= share <= 1e30:
            raise ValueError(f"{where}: share must be 0 or more, up to 1e30")
    low, high = table[:, 0], table[:, 1]
    gaps = np.flatnonzero(abs(low[1:] - high[:-1]) > 1e-9 * high[:-1])
    if gaps.size:
        raise ValueError(
            f"{path}, line {rows[gaps[0] + 2][0]}: bins must touch, this one does"
            " not start where the last ended"
        )
    return np.append(low, high[-1]), table[:, 2].copy()


def _check_bins(edges: NDArray[np.float64], shares: NDArray[np.float64]) -> None:
    one_row = edges.ndim == shares.ndim == 1
    if not one_row or len(shares) < 1 or len(edges) != len(shares) + 1:
        raise ValueError(
            "a histogram needs one more edge than shares,"
            f" got {edges.size} edges and {shares.size} shares"
        )
    rising = np.isfinite(edges).all() and edges[0] > 0.0 and (np.diff(edges) > 0.0).all()
    if not rising:
        raise ValueError("histogram edges must be positive, finite and rising")


def _weight_power(weighting: str) -> float:
    powers = {"volume": 3.0, "number": 0.0}
    if weighting not in powers:
        raise ValueError(f'weighting must be "volume" or "number", got {weighting!r}')
    return powers[weighting]


def _normal_share(a: float, b: float) -> float:
    """Share of a standard normal between a and b, without cancellation in the tails."""
    if a > 0.0:
        a, b = -b, -a
    return float(ndtr(b) - ndtr(a))


def _normal_quantile(u: NDArray[np.float64], a: float, b: float) -> NDArray[np.float64]:
    """Quantile of a standard normal cut to [a, b]."""
    if a > 0.0:  # work in the lower tail, where shares keep their digits
        return -_normal_quantile(1.0 - u, -b, -a)
    pa, pb = ndtr(a), ndtr(b)
    return np.asarray(np.clip(ndtri(pa + u * (pb - pa)), a, b))


def _bin_moments(edges: NDArray[np.float64], power: float) -> NDArray[np.float64]:
    """Mean of D^power over bins in which ln D is uniform."""
    a, b = edges[:-1], edges[1:]
    if power == 0.0:
        return np.ones(len(a))
    # expm1 keeps the digits of narrow bins
    width = power * np.log(b / a)
    return np.asarray(a**power * np.expm1(width) / width)


def _bin_quantile(
    edges: NDArray[np.float64],
    shares: NDArray[np.float64],
    u: NDArray[np.float64],
    power: float,
) -> NDArray[np.float64]:
    """Quantile of a histogram whose particles are weighted by D^power."""
    weights = shares * _bin_moments(edges, power)
    cumulated = np.concatenate(([0.0], np.cumsum(weights) / weights.sum()))
    cumulated[-1] = 1.0
    k = np.clip(np.searchsorted(cumulated, u, side="right") - 1, 0, len(shares) - 1)
    while (empty := cumulated[k + 1] <= cumulated[k]).any():  # u = 1 behind an empty bin
        k = np.where(empty, k - 1, k)
    inside = np.clip((u - cumulated[k]) / (cumulated[k + 1] - cumulated[k]), 0.0, 1.0)
    width = np.log(edges[k + 1] / edges[k])
    if power:
        inside = np.log1p(inside * np.expm1(power * width)) / (power * width)
    return np.asarray(edges[k] * np.exp(inside * width))
