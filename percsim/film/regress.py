"""Stage 7. Linear fits with a normal prior, and how far off what they leave out comes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Fit", "Regressions", "jackknife", "regress"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Regressions:
    """Coefficients of the fit of every loading, and how far off settings left out come.

    Parameters
    ----------
    coefficients : (K, p) ndarray of float
    covariance : (K, p, p) ndarray of float
        From the fit and from resampling the boxes.
    left_out : (K,) ndarray of float
        Root mean square deviation of ln R at settings left out, over `size`.

    """

    coefficients: Floats
    covariance: Floats
    left_out: Floats

    @classmethod
    def of(cls, fits: Sequence[Fit]) -> Regressions:
        """Stack the fits of all loadings."""
        return cls(*(np.stack([np.asarray(part) for part in column])
                     for column in zip(*fits, strict=True)))  # fmt: skip

    def change(self, features: Floats) -> Floats:
        """Change of ln rho (n, K) for changes of the features (n, K, p)."""
        return np.asarray(np.einsum("nkp,kp->nk", features, self.coefficients))

    def error(self, features: Floats) -> Floats:
        """Give its standard error, (n, K)."""
        beside = (self.left_out[:, None] * self.coefficients) ** 2
        whole = self.covariance + beside[:, None, :] * np.eye(beside.shape[1])
        # loadings outermost: compiled products of matrices take it from there
        inner = np.matmul(features.swapaxes(0, 1), whole).swapaxes(0, 1)
        found = np.einsum("nkq,nkq->nk", inner, features)
        return np.asarray(np.sqrt(np.maximum(found, 0.0)))


Fit = tuple[Floats, Floats, float]


def _size(features: Floats, coefficients: Floats) -> Floats:
    """Take what each feature moves ln R by, no matter whether against another."""
    return np.asarray(np.sqrt(((features * coefficients) ** 2).sum(axis=-1)))


def _bayes(
    X: Floats, y: Floats, noise: Floats, prior: tuple[Floats, float]
) -> tuple[Floats, Floats]:
    """Linear fit with a normal prior: coefficients and covariance (textbook form)."""
    mean, spread = prior
    scaled = X / noise[:, None]
    precision = scaled.T @ scaled + np.eye(len(mean)) / spread**2
    covariance = np.linalg.inv(precision)
    found = mean + covariance @ (scaled.T @ ((y - X @ mean) / noise))
    return np.asarray(found), np.asarray(covariance)


def regress(
    X: Floats, y: Floats, noise: Floats, prior: tuple[Floats, float], less_one: Floats
) -> Fit:
    """Fit, and try every row on a fit of the others; `less_one` is y less one box.

    Rows that are not finite are open circuits and left aside.
    """
    good = np.isfinite(y) & np.isfinite(X).all(axis=1)
    noise = np.where(np.isfinite(noise), noise, 1.0)
    coefficients, covariance = _bayes(X[good], y[good], noise[good], prior)
    leverage = np.einsum("ip,pq,iq->i", X[good], covariance, X[good]) / noise[good] ** 2
    # residuals of a linear fit without the row itself (textbook form)
    off = (y[good] - X[good] @ coefficients) / np.maximum(1.0 - leverage, 1e-6)
    size = _size(X[good], coefficients)
    deviation = float(np.sqrt((off**2).sum() / max((size**2).sum(), 1e-300)))
    n = len(less_one)
    if n > 1:
        rows = []
        for other in less_one:
            kept = good & np.isfinite(other)
            rows.append(_bayes(X[kept], other[kept], noise[kept], prior)[0])
        apart = np.asarray(rows) - np.mean(rows, axis=0)
        covariance = covariance + (n - 1) / n * apart.T @ apart
    return coefficients, covariance, deviation


def jackknife(values: Floats) -> Floats:
    """Estimate the standard error from rows 1.. that leave one box out; row 0 has all."""
    n = len(values) - 1
    if n < 2:
        return np.zeros(values.shape[1])
    apart = values[1:] - values[1:].mean(axis=0)
    return np.asarray(np.sqrt((n - 1) / n * (apart**2).sum(axis=0)))
