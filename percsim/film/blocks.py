r"""Stage 7. The block lattice: a film put together from whole responses of boxes.

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

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.statistics import Estimate, cv_from_log_std
from percsim.film.casting import chord
from percsim.film.curves import central_68
from percsim.film.electrodes import Film
from percsim.film.lattice import Lattice
from percsim.film.path import SHORTEST_SHARE
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    NEAR_LOG_ERROR,
    SAFE_RATIO,
    LoadingFit,
    LoadingThreshold,
)
from percsim.network.solve import Solution, Sweep
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Blocks", "FilmCastings", "cast_lattice", "random_field"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SMALLEST_BLOCK = 8.0
"""Median diameters below which a box conducts too well to stand for the film."""

EXPONENT = 2.0
"""Conductivity exponent in 3-D, 1.9 to 2.1 in print (from memory): where a box stops
conducting between two loadings, and beyond the explored ones if there is only one."""

SAFE_LOG_ERROR = 0.03
"""Error of the mean ln R that blocks bring from `SAFE_RATIO` on (measured against directly
simulated films, see the tests)."""

SAFE_SPREAD_ERROR = 0.25
"""Relative error of the spread that blocks bring at twice the threshold (as above)."""

LARGEST_STRETCH = 2.0
"""Most that the deviation of a box is enlarged for a bond smaller than the box."""


# ------------------------------------------------------------------------------------------
# What a block does
# ------------------------------------------------------------------------------------------


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
        values = self._table()[:, :, self._temperature(temperature), :]
        scale = np.broadcast_to(np.asarray(stretch, dtype=np.float64), k.shape)
        at = self._between_loadings(values, k, volume_fraction, scale)
        return self._between_strains(at, np.asarray(strain, dtype=np.float64))

    def excess_length(
        self, volume_fraction: ArrayLike, strain: ArrayLike, temperature: float
    ) -> Floats:
        """r_c/rho [m] at loadings (n,) and strains (k,), shape (n, k); ends held."""
        table = self.excess_lengths[:, self._temperature(temperature), :]
        wanted = np.atleast_1d(np.asarray(strain, dtype=np.float64))
        at = np.array([np.interp(wanted, self.strains, row) for row in table])
        phi = np.atleast_1d(np.asarray(volume_fraction, dtype=np.float64))
        return np.stack(
            [np.interp(phi, self.volume_fractions, column) for column in at.T], axis=1
        )

    def _temperature(self, temperature: float) -> int:
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


# ------------------------------------------------------------------------------------------
# Films drawn on the lattice
# ------------------------------------------------------------------------------------------


def random_field(
    centers: Floats, correlation_length: float, rng: np.random.Generator
) -> Floats:
    r"""Draw a Gaussian field of mean 0 and deviation 1 on cells of a lattice.

    Parameters
    ----------
    centers : (n, 3) ndarray of float
        Cells of a rectangular grid, last coordinate fastest [m].
    correlation_length : float
        a of the correlation :math:`e^{-|x|/a} e^{-|y|/a} e^{-|z|/a}` [m], as
        `percsim.film.variance_function` has it (Vanmarcke, Random Fields, 1983); cells
        shorter than that take the value at their middle.
    rng : numpy.random.Generator
        Where from.

    Returns
    -------
    (n,) ndarray of float

    """
    if not correlation_length > 0.0:
        raise ValueError(f"correlation length must be above 0, got {correlation_length}")
    axes = [np.unique(column) for column in centers.T]
    values = rng.standard_normal(tuple(len(axis) for axis in axes))
    for d, axis in enumerate(axes):
        apart = (axis[:, None] - axis[None, :]) / correlation_length
        eigen, vectors = np.linalg.eigh(np.exp(-abs(apart)))
        root = vectors * np.sqrt(np.maximum(eigen, 0.0)) @ vectors.T
        values = np.moveaxis(np.tensordot(root, values, axes=(1, d)), 0, d)
    return np.asarray(values.ravel())


@dataclass(frozen=True, slots=True)
class FilmCastings:
    """Films of one candidate drawn on the block lattice.

    Parameters
    ----------
    lattice : Lattice
        Where the blocks lie.
    volume_fraction : float
        Mean loading.
    threshold_ratio : float
        Loading over the threshold.
    n_boxes : int
        Boxes that the blocks are drawn from.
    strains : (k,) ndarray of float
        Strains of the part.
    resistances : (n, k) ndarray of float
        Of every film [ohm], inf where open.
    box_log_error : float
        Error of the mean ln R that the boxes leave, as the fits to resampled boxes scatter
        (by the spread of the boxes alone where no fits were given).
    box_spread_error : float
        The same of the spread.
    box_gauge_error : float
        The same of the gauge factor.
    model_log_error : float
        Relative error of the mean that blocks bring at this loading: 3 % from 1.5 times
        the threshold on, rising to 30 % at 1.3 times.
    model_spread_error : float
        The same of the spread: 25 % from twice the threshold on, 50 % at 1.5 times and
        100 % at 1.3 times.
    resistor_solves : int
        Bonds of the lattice times solves.
    first : Solution
        The first film at rest, for a picture.

    """

    lattice: Lattice = field(repr=False)
    volume_fraction: float
    threshold_ratio: float
    n_boxes: int
    strains: Floats
    resistances: Floats = field(repr=False)
    box_log_error: float
    box_spread_error: float
    box_gauge_error: float
    model_log_error: float
    model_spread_error: float
    resistor_solves: int
    first: Solution = field(repr=False)

    def __len__(self) -> int:
        return len(self.resistances)

    @property
    def rest(self) -> int:
        """Index of zero strain, or of the smallest."""
        return int(np.argmin(abs(self.strains)))

    @property
    def open_fraction(self) -> float:
        """Share of films open at rest."""
        return float(np.isinf(self.resistances[:, self.rest]).mean())

    @property
    def _logs(self) -> Floats:
        at_rest = self.resistances[:, self.rest]
        return np.asarray(np.log(at_rest[np.isfinite(at_rest)]))

    @property
    def mean_log(self) -> Estimate:
        """Mean of ln R at rest, error of castings and boxes; inf when half are open."""
        logs = self._logs
        if self.open_fraction >= 0.5 or len(logs) < 2:
            return Estimate(float("inf"), float("inf"), max(len(self), 1))
        own = float(logs.std(ddof=1)) / math.sqrt(len(logs))
        return Estimate(float(logs.mean()), math.hypot(own, self.box_log_error), len(logs))

    @property
    def cv(self) -> Estimate:
        """CV of R at rest from the spread of ln R, with the error of castings and boxes."""
        logs = self._logs
        if self.open_fraction >= 0.5 or len(logs) < 2:
            return Estimate(float("inf"), float("inf"), max(len(self), 1))
        value = cv_from_log_std(float(logs.std(ddof=1)))
        own = 1.0 / math.sqrt(2.0 * (len(logs) - 1))
        error = value * math.hypot(own, self.box_spread_error)
        return Estimate(value, error, len(logs))

    @property
    def gauge_factor(self) -> Estimate:
        """Chord over the largest strain: median over films, error of castings and boxes.

        inf when half of the films are or get open, 0 without a strain.
        """
        s = int(np.argmax(abs(self.strains)))
        if self.strains[s] == 0.0:
            return Estimate(0.0, 0.0, len(self))
        rest, strained = self.resistances[:, self.rest], self.resistances[:, s]
        if np.isinf(strained).mean() >= 0.5:
            return Estimate(float("inf"), float("inf"), len(self))
        keep = np.isfinite(rest) & np.isfinite(strained)
        chords = (strained[keep] / rest[keep] - 1.0) / self.strains[s]
        # of the median of a normal sample
        error = 1.2533 * float(chords.std(ddof=1)) / math.sqrt(len(chords))
        error = math.hypot(error, self.box_gauge_error)
        return Estimate(float(np.median(chords)), error, len(chords))


def _model_errors(ratio: float) -> tuple[float, float]:
    """Errors that blocks bring to the mean of ln R and, relative, to the spread."""
    mean = float(
        np.interp(ratio, [FAITHFUL_RATIO, SAFE_RATIO], [NEAR_LOG_ERROR, SAFE_LOG_ERROR])
    )
    spread = float(np.interp(ratio, [FAITHFUL_RATIO, SAFE_RATIO, 2.0], [1.0, 0.5, 0.25]))
    return mean, spread


def cast_lattice(
    blocks: Blocks,
    film: Film,
    volume_fraction: float,
    *,
    castings: int,
    seed: int,
    strains: Sequence[float] | None = None,
    temperature: float = ROOM_TEMPERATURE,
    loading_spread: float = 0.0,
    correlation_length: float = 1e-3,
    strain_profile: Sequence[float] | None = None,
    wrapped: bool = False,
    near_threshold: bool = False,
    most_cells: int = 4000,
    spread_error: float = 0.35,
) -> FilmCastings:
    r"""Draw films on the block lattice and solve them.

    Parameters
    ----------
    blocks : Blocks
        What the blocks do.
    film : Film
        Film and layout.
    volume_fraction : float
        Mean loading; need not be one of those explored.
    castings : int
        Films to draw, 2 or more.
    seed : int
        Seed of the plan; casting k draws from its own streams.
    strains : sequence of float, optional
        Of the part; by default all that the blocks hold.
    temperature : float
        One of the blocks' [K].
    loading_spread : float
        Deviation of ln(loading) from place to place in a film.
    correlation_length : float
        Of that loading, see `random_field` [m].
    strain_profile : sequence of float, optional
        Strain of the film over that of the part, at points evenly from the first to the
        last electrode; 1 everywhere by default.
    wrapped : bool
        Join the two edges of the film, as in a periodic box.
    near_threshold : bool
        Go on below 1.3 times the threshold.
    most_cells : int
        A larger film is laid out in pieces of several blocks, whose deviation falls with
        the root of their volume.
    spread_error : float
        Largest relative error of the spread, by the number of boxes, that is accepted.

    Returns
    -------
    FilmCastings

    Raises
    ------
    ValueError
        If the film is smaller than a block, the loading is below 1.3 times the threshold,
        there are too few boxes for the statistics asked, or a strain was not simulated.

    """
    ratio = blocks.ratio(volume_fraction)
    if ratio < FAITHFUL_RATIO and not near_threshold:
        raise ValueError(
            f"at {ratio:.3g} times the threshold blocks do not stand for the film, which "
            f"takes {FAITHFUL_RATIO:g} times: choose a higher loading, or say "
            "film.near_threshold = true to have numbers all the same"
        )
    if castings < 2:
        raise ValueError(f"castings must be 2 or more, got {castings}")
    few = 1.0 / math.sqrt(2.0 * max(len(blocks) - 1, 1e-9))
    if few > spread_error:
        needed = math.ceil(1.0 + 0.5 / spread_error**2)
        raise ValueError(
            f"{len(blocks)} boxes give the spread of films to {100 * min(few, 1.0):.0f} %, "
            f"and {100 * spread_error:.0f} % was asked: set boxes.count to {needed} or more"
        )
    lattice = _sized_lattice(blocks, film, wrapped, most_cells)
    at = np.asarray(blocks.strains if strains is None else strains, dtype=np.float64)
    local = _local_strains(lattice, at, strain_profile)
    stretch = np.minimum(np.sqrt(blocks.volume / lattice.volumes), LARGEST_STRETCH)
    cells, n_cells = lattice.cells, len(lattice.cell_centers)
    along = np.flatnonzero(~lattice.across)
    crosswise = np.flatnonzero(lattice.across)
    resistors = lattice.all_resistors
    resistances = np.empty((castings, len(at)))
    excess: Floats | None = None
    first: Solution | None = None
    rest = int(np.argmin(abs(at)))
    for k in range(castings):
        streams = [
            np.random.default_rng(child)
            for child in box_seed(seed, k, PURPOSES["blocks"]).spawn(3)
        ]
        boxes = np.empty(len(lattice), dtype=np.int64)
        boxes[along] = streams[0].integers(0, len(blocks), len(along))
        boxes[crosswise] = streams[1].integers(0, len(blocks), len(crosswise))
        phi = np.full(n_cells, volume_fraction)
        if loading_spread > 0.0:
            z = random_field(lattice.cell_centers, correlation_length, streams[2])
            phi = volume_fraction * np.exp(loading_spread * z - 0.5 * loading_spread**2)
        logs = blocks.log_conductivity(
            boxes, phi[cells], local[cells] if local.ndim == 2 else local, temperature,
            stretch,
        )  # fmt: skip
        if blocks.across != 1.0:
            logs[crosswise] -= math.log(blocks.across)
        if excess is None or loading_spread > 0.0:
            excess = blocks.excess_length(phi[cells], at, temperature)
        sweep = Sweep(always_eliminated=2000)
        for s in range(len(at)):
            conductivity = np.exp(logs[:, s])
            reading, solution = lattice.solve(conductivity, excess[:, s], sweep, resistors)
            resistances[k, s] = reading
            if k == 0 and s == rest:
                first = solution
    assert first is not None
    model, model_spread = _model_errors(ratio)
    mean, relative, gauge = _box_errors(blocks, volume_fraction, at, temperature)
    of_chains = mean**2 * len(blocks) * blocks.volume / film.volume
    if blocks.draws is not None:
        mean, gauge = _fit_errors(blocks, film, volume_fraction, at, temperature)
    # boxes leave an error only in that part of the spread that comes from them
    logs_at_rest = np.log(resistances[:, rest][np.isfinite(resistances[:, rest])])
    total = float(logs_at_rest.var(ddof=1)) if len(logs_at_rest) > 1 else 0.0
    if loading_spread > 0.0 and total > 0.0:
        relative *= min(1.0, of_chains / total)
    return FilmCastings(
        lattice=lattice,
        volume_fraction=volume_fraction,
        threshold_ratio=ratio,
        n_boxes=len(blocks),
        strains=at,
        resistances=resistances,
        box_log_error=mean,
        box_spread_error=relative,
        box_gauge_error=gauge,
        model_log_error=model,
        model_spread_error=model_spread,
        resistor_solves=castings * len(at) * len(lattice),
        first=first,
    )


def _fit_errors(
    blocks: Blocks, film: Film, volume_fraction: float, strains: Floats, temperature: float
) -> tuple[float, float]:
    """Errors of the film's mean ln R and gauge factor: half the central 68 % of the draws.

    Resistivity and excess are drawn together, because a fit that takes one too large takes
    the other too small. Between loadings linear in ln(phi - phi_c), at their ends held.
    """
    assert blocks.draws is not None
    far = float(strains[np.argmax(abs(strains))])
    ends = [int(np.argmin(abs(blocks.strains - e))) for e in (0.0, far)]
    reach = float(blocks.strains[ends[1]])
    errors = []
    for rho, excess in blocks.draws[..., blocks._temperature(temperature), :]:
        rest, strained = film.resistance(rho[:, ends], excess[:, ends]).T
        error = [central_68(np.log(rest))]
        error.append(central_68(chord(rest, strained, reach)) if reach else 0.0)
        errors.append(error)
    knots = np.log(blocks.volume_fractions - blocks.threshold)
    x = math.log(max(volume_fraction / blocks.threshold - 1.0, 1e-9) * blocks.threshold)
    at = int(np.argmin(abs(knots - x)))
    log_error, gauge_error = (
        column[at]
        if abs(knots[at] - x) < 1e-9 or not np.isfinite(column).all()
        else float(np.interp(x, knots, column))
        for column in zip(*errors, strict=True)
    )
    return log_error, gauge_error


def _box_errors(
    blocks: Blocks, volume_fraction: float, strains: Floats, temperature: float
) -> tuple[float, float, float]:
    """Errors of mean ln R, relative spread and gauge factor that single boxes leave.

    Of the spread by the fourth moment of ln G (the variance of a sample variance).
    """
    far = float(strains[np.argmax(abs(strains))])
    logs = blocks.log_conductivity(
        np.arange(len(blocks)), volume_fraction, [0.0, far], temperature
    )
    logs = logs[np.isfinite(logs).all(axis=1)]
    n = len(logs)
    if n < 2:
        return math.inf, math.inf, math.inf
    deviation = logs[:, 0] - logs[:, 0].mean()
    spread = float(deviation.std(ddof=1))
    gauge = 0.0
    if far != 0.0:
        chords = np.expm1(logs[:, 0] - logs[:, 1]) / far
        gauge = float(chords.std(ddof=1)) / math.sqrt(n)
    if spread == 0.0:
        return 0.0, 0.0, gauge
    kurtosis = float(np.mean(deviation**4)) / float(np.mean(deviation**2)) ** 2
    relative = 0.5 * math.sqrt(max(kurtosis - 1.0, 0.5) / n)
    return spread / math.sqrt(n), relative, gauge


def _sized_lattice(blocks: Blocks, film: Film, wrapped: bool, most_cells: int) -> Lattice:
    """Lattice of blocks, or of larger pieces where there would be too many cells."""
    piece, largest = blocks.length, min(film.electrode_gap, film.width)
    while True:
        lattice = Lattice.of(
            film, blocks.length, piece, dimension=blocks.dimension, wrapped=wrapped
        )
        n = len(lattice.cell_centers)
        if n <= most_cells or piece >= largest:
            return lattice
        piece = min(1.1 * piece * math.sqrt(max(n / most_cells / 1.5, 1.0)), largest)


def _local_strains(
    lattice: Lattice, strains: Floats, profile: Sequence[float] | None
) -> Floats:
    """Strains of every cell (n cells, k), or of all alike (k,)."""
    if profile is None:
        return strains
    shares = np.asarray(profile, dtype=np.float64)
    if shares.ndim != 1 or len(shares) < 2 or not np.isfinite(shares).all():
        raise ValueError("a strain profile needs two or more finite numbers in a row")
    x = lattice.cell_centers[:, 0]
    low, high = lattice.x_edges[0], lattice.x_edges[-1]
    span = max(high - low, 1e-300)
    at = np.interp((x - low) / span, np.linspace(0.0, 1.0, len(shares)), shares)
    return np.asarray(at[:, None] * strains[None, :])
