r"""Stage 7. Blocks: whole responses of boxes, which films are put together from.

A film of 1e7 to 1e9 particles is a lattice of blocks between its electrodes. Every bond of
the lattice, along the current or across it, is one block that carries the whole response
R(strain, temperature) of one simulated box, drawn at random, corrected for the two
electrodes that the box had and the block has not: with :math:`A/G = \rho b + r_c`

.. math:: \sigma = \frac{G}{A} \left(b + \frac{r_c}{\rho}\right)

and :math:`r_c` is added once where the film meets its electrodes. A box number is the same
box at every loading, thinned, so that a film whose loading varies from place to place
interpolates between loadings of each box.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.path import SHORTEST_SHARE
from percsim.film.transfer import LoadingFit, LoadingThreshold
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Blocks"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SMALLEST_BLOCK = 8.0
"""Median diameters below which a box conducts too well to stand for the film."""

EXPONENT = 2.0
"""Conductivity exponent in 3-D, 1.9 to 2.1 in print (from memory): where a box stops
conducting between two loadings, and beyond the explored ones if there is only one."""


@dataclass(frozen=True, slots=True)
class Blocks:
    """Whole responses of the longest boxes, at every loading explored.

    Parameters
    ----------
    volume_fractions : (n loadings,) ndarray of float
        Increasing.
    strains : (n strains,) ndarray of float
        Increasing, zero among them.
    temperatures : (n temperatures,) ndarray of float
        Increasing [K].
    conductances : (n loadings, n boxes, n temperatures, n strains) ndarray of float
        Of the boxes between electrodes [S], 0 where open. Box k is the same box at every
        loading.
    excess_lengths : (n loadings, n temperatures, n strains) ndarray of float
        r_c/rho of the fits [m]: what the two electrodes count for as length.
    length, section : float
        Of the boxes [m], [m^2].
    dimension : int
        3 for cubes of the inside, 2 for boxes that take the film's whole thickness.
    diameter : float
        Median lateral size of the filler [m].
    threshold : float
        Volume fraction at which the film percolates.
    across : float
        Resistivity across the film over that along the current.
    draws : (n loadings, 2, n draws, n temperatures, n strains) ndarray of float, optional
        Resistivity [ohm m] and excess of the electrodes [ohm m^2], refitted to resampled
        boxes, inf where open: what the boxes leave unknown of the mean and its response.

    Raises
    ------
    ValueError
        If shapes disagree, boxes are too small, or no loading conducts.

    """

    volume_fractions: Floats
    strains: Floats
    temperatures: Floats
    conductances: Floats = field(repr=False)
    excess_lengths: Floats = field(repr=False)
    length: float
    section: float
    dimension: int
    diameter: float
    threshold: float
    across: float = 1.0
    draws: Floats | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        shape = (
            len(self.volume_fractions), self.conductances.shape[1],
            len(self.temperatures), len(self.strains),
        )  # fmt: skip
        if self.conductances.shape != shape or self.excess_lengths.shape != (
            shape[0], shape[2], shape[3],
        ):  # fmt: skip
            raise ValueError(
                f"conductances of blocks must have shape {shape}, one excess length a "
                f"loading and state; got {self.conductances.shape} and "
                f"{self.excess_lengths.shape}"
            )
        for name in ("volume_fractions", "strains", "temperatures"):
            if np.any(np.diff(getattr(self, name)) <= 0.0):
                raise ValueError(f"{name} of blocks must increase")
        if self.dimension not in (2, 3):
            raise ValueError(f"dimension must be 2 or 3, got {self.dimension}")
        if self.length < SMALLEST_BLOCK * self.diameter * (1.0 - 1e-9):
            raise ValueError(
                f"blocks of {self.length / self.diameter:.3g} median diameters conduct too "
                f"well to stand for a film: make the longest boxes {SMALLEST_BLOCK:g} D or "
                "more"
            )
        if not np.any(self.volume_fractions > self.threshold):
            raise ValueError("no loading of the blocks lies above the threshold")

    @classmethod
    def from_fits(
        cls,
        fits: Sequence[LoadingFit],
        threshold: LoadingThreshold,
        across: float = 1.0,
        rows: Sequence[Ints] | None = None,
    ) -> Blocks:
        """Take the longest boxes of every loading whose boxes conduct.

        As simulated, but for a factor a state that takes their mean to what the fit to
        boxes of all lengths says of theirs.

        Parameters
        ----------
        fits : sequence of LoadingFit
            In increasing weight fraction.
        threshold : LoadingThreshold
            The film's threshold.
        across : float
            Resistivity across over along.
        rows : sequence of ndarray of int, optional
            For each fit which of its boxes to take, so that box k is the same number at
            every loading; by default the first ones, as many as all loadings have.

        Raises
        ------
        ValueError
            If no loading conducts.

        """
        chosen = [
            i for i, fit in enumerate(fits) if not fit.is_open and fit.threshold_ratio > 1.0
        ]
        if not chosen:
            raise ValueError("no loading conducts, so there are no blocks to build from")
        first = fits[chosen[0]].loading
        strains = np.unique(first.strains)
        temperatures = np.unique(first.temperatures)
        state = {
            pair: s
            for s, pair in enumerate(zip(first.temperatures, first.strains, strict=True))
        }
        try:
            grid = np.array([[state[t, e] for e in strains] for t in temperatures])
        except KeyError:
            raise ValueError("blocks need every strain at every temperature") from None
        fewest = min(len(fits[i].loading.conductances[-1]) for i in chosen)
        keep = {i: np.arange(fewest) if rows is None else rows[i] for i in chosen}
        lengths, boxes, draws = [], [], []
        for i in chosen:
            fit = fits[i]
            conducts = np.isfinite(fit.resistivity)
            rho = np.where(conducts, fit.resistivity, 1.0)
            excess = np.where(conducts, fit.electrode_excess, 0.0)
            lengths.append((excess / rho)[grid])
            fitted, factor = rho * first.lengths[-1] + excess, np.ones_like(rho)
            on_the_line = conducts & (fitted > 0.0)
            np.divide(fit.mean_inverse[-1], fitted, out=factor, where=on_the_line)
            boxes.append((fit.loading.conductances[-1][keep[i]] * factor)[:, grid])
            draws.append(
                np.stack([fit.resistivity_draws, fit.electrode_excess_draws])[:, :, grid]
            )
        return cls(
            np.array([fits[i].loading.volume_fraction for i in chosen]),
            strains,
            temperatures,
            np.stack(boxes),
            np.stack(lengths),
            first.lengths[-1],
            first.sections[-1],
            first.dimension,
            first.diameter,
            threshold.volume_fraction,
            across,
            np.stack(draws),
        )

    def __len__(self) -> int:
        return int(self.conductances.shape[1])

    @property
    def volume(self) -> float:
        """Volume of a box [m^3]."""
        return self.length * self.section

    def ratio(self, volume_fraction: float) -> float:
        """Divide a loading by the threshold."""
        return float(volume_fraction / self.threshold)

    def _table(self) -> Floats:
        """Conductivity of each block [S/m] as its logarithm, -inf where open."""
        path = np.maximum(self.length + self.excess_lengths, SHORTEST_SHARE * self.length)
        with np.errstate(divide="ignore"):
            logs = np.log(self.conductances) + np.log(path / self.section)[:, None]
        return np.asarray(logs)

    def log_conductivity(
        self,
        boxes: ArrayLike,
        volume_fraction: ArrayLike,
        strain: ArrayLike,
        temperature: float = ROOM_TEMPERATURE,
        stretch: ArrayLike = 1.0,
    ) -> Floats:
        """Conductivity of blocks, as its logarithm.

        Parameters
        ----------
        boxes : (n,) array_like of int
            Which box each block is.
        volume_fraction : float or (n,) array_like
            Loading of each block.
        strain : (k,) or (n, k) array_like
            Strains of each block; all blocks alike if one row is given.
        temperature : float
            One of `temperatures` [K].
        stretch : float or (n,) array_like
            Factor on the deviation of each box from the mean of all boxes.

        Returns
        -------
        (n, k) ndarray of float
            ln of S/m, -inf where open. Between loadings linear in ln(phi - phi_c), beyond
            them along the nearest slope; where a box is open at the lower of two loadings
            it falls from the upper one with the exponent 2.

        Raises
        ------
        ValueError
            If a strain or the temperature lies outside what was simulated.

        """
        k = np.asarray(boxes, dtype=np.int64)
        # (n loadings, n, n strains) at the temperature asked
        values = self._table()[:, :, self.temperature_index(temperature), :]
        scale = np.broadcast_to(np.asarray(stretch, dtype=np.float64), k.shape)
        at = self._between_loadings(values, k, volume_fraction, scale)
        return self._between_strains(at, np.asarray(strain, dtype=np.float64))

    def excess_length(
        self, volume_fraction: ArrayLike, strain: ArrayLike, temperature: float
    ) -> Floats:
        """r_c/rho [m] at loadings (n,) and strains (k,), shape (n, k); ends held."""
        table = self.excess_lengths[:, self.temperature_index(temperature), :]
        wanted = np.atleast_1d(np.asarray(strain, dtype=np.float64))
        at = np.array([np.interp(wanted, self.strains, row) for row in table])
        phi = np.atleast_1d(np.asarray(volume_fraction, dtype=np.float64))
        return np.stack(
            [np.interp(phi, self.volume_fractions, column) for column in at.T], axis=1
        )

    def temperature_index(self, temperature: float) -> int:
        """Give the place of a temperature [K]; ValueError where it was not simulated."""
        t = int(np.argmin(abs(self.temperatures - temperature)))
        if abs(self.temperatures[t] - temperature) > 1e-6:
            known = ", ".join(f"{x - 273.15:g} C" for x in self.temperatures)
            raise ValueError(
                f"blocks were simulated at {known}, not at {temperature - 273.15:g} C"
            )
        return t

    def _between_loadings(
        self, values: Floats, k: Ints, volume_fraction: ArrayLike, scale: Floats
    ) -> Floats:
        phi = np.broadcast_to(np.asarray(volume_fraction, dtype=np.float64), k.shape)
        if np.any(phi <= self.threshold):
            phi = np.maximum(phi, self.threshold * (1.0 + 1e-9))
        x = np.log(phi - self.threshold)
        knots = np.log(self.volume_fractions - self.threshold)
        finite = np.isfinite(values)
        counts = np.maximum(finite.sum(axis=1), 1)
        mean = np.where(finite, values, 0.0).sum(axis=1) / counts

        def block(loading: Ints) -> Floats:
            middle = mean[loading]
            return np.asarray(middle + scale[:, None] * (values[loading, k] - middle))

        if len(knots) == 1:
            only = np.zeros_like(k)
            return np.asarray(block(only) + EXPONENT * (x - knots[0])[:, None])
        upper = np.clip(np.searchsorted(knots, x), 1, len(knots) - 1)
        low, high = block(upper - 1), block(upper)
        step = (knots[upper] - knots[upper - 1])[:, None]
        from_high = (x - knots[upper])[:, None]
        good = np.isfinite(low) & np.isfinite(high)
        slope = np.where(
            good, (np.where(good, high, 0.0) - np.where(good, low, 0.0)) / step, EXPONENT
        )
        return np.asarray(high + slope * from_high)

    def _between_strains(self, at: Floats, strain: Floats) -> Floats:
        wanted = np.broadcast_to(
            strain if strain.ndim == 2 else np.atleast_1d(strain)[None, :],
            (len(at), strain.shape[-1] if strain.ndim else 1),
        )
        low, high = self.strains[0], self.strains[-1]
        reach = 1e-9 + 1e-6 * (high - low)
        if wanted.size and (wanted.min() < low - reach or wanted.max() > high + reach):
            raise ValueError(
                f"blocks were simulated from {1e6 * low:.0f} to {1e6 * high:.0f} "
                f"microstrain, and the film strains them from {1e6 * wanted.min():.0f} to "
                f"{1e6 * wanted.max():.0f}"
            )
        if len(self.strains) == 1:
            return np.repeat(at, wanted.shape[1], axis=1)
        upper = np.clip(np.searchsorted(self.strains, wanted), 1, len(self.strains) - 1)
        share = (wanted - self.strains[upper - 1]) / (
            self.strains[upper] - self.strains[upper - 1]
        )
        share = np.clip(share, 0.0, 1.0)
        a = np.take_along_axis(at, upper - 1, axis=1)
        b = np.take_along_axis(at, upper, axis=1)
        is_open = (np.isinf(a) & (share < 1.0)) | (np.isinf(b) & (share > 0.0))
        a, b = np.where(np.isinf(a), 0.0, a), np.where(np.isinf(b), 0.0, b)
        return np.asarray(np.where(is_open, -np.inf, a + share * (b - a)))
