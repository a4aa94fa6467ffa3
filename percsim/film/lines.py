"""Lines through A/G against length: at the reference state, and of the responses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Responses", "line_through", "weights_of_line"]

Floats = NDArray[np.float64]


def weights_of_line(lengths: Floats, y: Floats, errors: Floats) -> Floats:
    """Weights (2, n lengths) that make slope and intercept of y by least squares."""
    scale = np.where(np.isfinite(y), y, 1.0)
    root = 1.0 / (np.maximum(errors, 0.02) * scale)
    design = np.column_stack([lengths, np.ones_like(lengths)]) * root[:, None]
    # lengths scaled to the longest, or the columns differ by ten decades
    design[:, 0] /= lengths[-1]
    combine = np.linalg.pinv(design) * root[None, :]
    combine[0] /= lengths[-1]
    return np.asarray(combine)


def line_through(
    lengths: Floats, y: Floats, combine: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Slope and intercept of y (..., n lengths), fixed weights; which were bounded.

    A slope that is not positive is replaced by the longest box taken as it is.
    """
    is_open = np.any(np.isinf(y), axis=-1)
    finite = np.where(np.isinf(y), 1.0, y)
    slope, intercept = finite @ combine[0], finite @ combine[1]
    bounded = (slope <= 0.0) & ~is_open
    slope = np.where(bounded, finite[..., -1] / lengths[-1], slope)
    intercept = np.where(bounded, 0.0, intercept)
    return (
        np.where(is_open, np.inf, slope),
        np.where(is_open, 0.0, intercept),
        np.asarray(bounded),
    )


@dataclass(frozen=True, slots=True)
class Responses:
    """How the responses of all lengths make that of the material and of the electrodes.

    The response A/G(state)/A/G(reference) of a length is q (1 - s) + f s + k/line, with q
    that of the material, s the share of the contacts to the electrodes and f their own
    rise, `line` the fitted A/G, and k what electrodes add besides. k has a prior of mean
    zero and a deviation of the change q - f over `reach` of film, in units of A/G.

    Parameters
    ----------
    weights : (2, n lengths) ndarray of float
        Least squares with that prior; rows give q and k of responses less f s.
    doubt : (2,) ndarray of float
        What one deviation of the prior does to q and k, over the change.
    shares, rises : ndarray of float
        s of each length and f of each state.
    contact : float
        Resistance of those contacts times area [ohm m^2].

    """

    weights: Floats
    doubt: Floats
    shares: Floats
    rises: Floats
    contact: float

    @classmethod
    def of(
        cls,
        y: Floats,
        ref: int,
        errors: Floats,
        line: Floats,
        reach: float,
        shares: Floats,
        rises: Floats,
    ) -> Responses:
        """Weigh A/G (n lengths, S) by the errors (n lengths, S) of its ratio to rest.

        Both of the state that changes most.
        """
        conducting = np.all(np.isfinite(y), axis=0)
        weights, doubt = np.zeros((2, len(line))), np.zeros(2)
        weights[0, -1] = 1.0 / (1.0 - shares[-1])
        if not conducting[ref]:
            return cls(weights, doubt, shares, rises, 0.0)
        relative = y[:, conducting] / y[:, [ref]]
        size = np.abs(np.log(np.mean(relative, axis=0) / rises[conducting]))
        s = int(np.argmax(size))
        change = size[s] if size[s] > 0.0 else 1.0
        noise = np.maximum(errors[:, conducting][:, s] / change, 1e-6)
        design = np.column_stack([1.0 - shares, reach / line]) / noise[:, None]
        inverse = np.linalg.pinv(np.vstack([design, [0.0, 1.0]]))
        inverse[1] *= reach
        weights, doubt = inverse[:, :-1] / noise, inverse[:, -1]
        contact = float(np.mean(shares * y[:, ref]))
        return cls(weights, doubt, shares, rises, contact)

    def states(
        self, y: Floats, ref: int, rho: Floats, excess: Floats, prior: ArrayLike = 0.0
    ) -> tuple[Floats, Floats]:
        """Slope and intercept of y (..., n lengths, S) from those at the reference state.

        `prior` (...) are standard normal numbers, for draws of what electrodes may alter.
        """
        is_open = np.any(np.isinf(y), axis=-2) | np.isinf(rho)[..., None]
        finite = np.where(np.isinf(y), 1.0, y)
        relative = finite / finite[..., ref][..., None]
        relative = relative - self.shares[:, None] * self.rises
        q = np.einsum("l,...ls->...s", self.weights[0], relative)
        k = np.einsum("l,...ls->...s", self.weights[1], relative)
        failed = q <= 0.0
        q = np.where(
            failed, finite.mean(axis=-2) / finite[..., ref].mean(axis=-1)[..., None], q
        )
        k = np.where(failed, 0.0, k)
        moved = np.asarray(prior, dtype=np.float64)[..., None] * (q - self.rises)
        k = k + self.doubt[1] * moved + self.contact * (self.rises - q)
        q = np.maximum(q + self.doubt[0] * moved, 0.01 * q)
        base = np.where(np.isinf(rho), 1.0, rho)[..., None]
        return (
            np.where(is_open, np.inf, base * q),
            np.where(is_open, 0.0, excess[..., None] * q + k),
        )
