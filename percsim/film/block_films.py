"""Stage 7. Films put together from blocks: drawn on the lattice, solved, their scatter."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.statistics import Estimate, cv_from_log_std
from percsim.film.blocks import Blocks
from percsim.film.casting import chord
from percsim.film.curves import central_68
from percsim.film.electrodes import Film
from percsim.film.lattice import Lattice
from percsim.film.transfer import FAITHFUL_RATIO, NEAR_LOG_ERROR, SAFE_RATIO
from percsim.network.solve import Solution, Sweep
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["FilmCastings", "cast_lattice", "random_field"]

Floats = NDArray[np.float64]

SAFE_LOG_ERROR = 0.03
"""Error of the mean ln R that blocks bring from `SAFE_RATIO` on (measured against directly
simulated films, see the tests)."""

SAFE_SPREAD_ERROR = 0.25
"""Relative error of the spread that blocks bring at twice the threshold (as above)."""

LARGEST_STRETCH = 2.0
"""Most that the deviation of a box is enlarged for a bond smaller than the box."""


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
    spread = float(
        np.interp(ratio, [FAITHFUL_RATIO, SAFE_RATIO, 2.0], [1.0, 0.5, SAFE_SPREAD_ERROR])
    )
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
    loading_spread, correlation_length : float
        Deviation of ln(loading) from place to place in a film, see `random_field` [m].
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
    _check_numbers(castings, len(blocks), spread_error)
    lattice = _sized_lattice(blocks, film, wrapped, most_cells)
    at = np.asarray(blocks.strains if strains is None else strains, dtype=np.float64)
    local = _local_strains(lattice, at, strain_profile)
    mixing = _Mixing(volume_fraction, loading_spread, correlation_length)
    films = _Films(blocks, lattice, at, local, temperature, mixing)
    resistances, first = films.cast(castings, seed)
    return FilmCastings(
        lattice, volume_fraction, ratio, len(blocks), at, resistances,
        *films.errors(film, resistances), *_model_errors(ratio),
        castings * len(at) * len(lattice), first,
    )  # fmt: skip


def _check_numbers(castings: int, boxes: int, spread_error: float) -> None:
    """Refuse fewer films or boxes than the spread takes."""
    if castings < 2:
        raise ValueError(f"castings must be 2 or more, got {castings}")
    few = 1.0 / math.sqrt(2.0 * max(boxes - 1, 1e-9))
    if few > spread_error:
        needed = math.ceil(1.0 + 0.5 / spread_error**2)
        raise ValueError(
            f"{boxes} boxes give the spread of films to {100 * min(few, 1.0):.0f} %, "
            f"and {100 * spread_error:.0f} % was asked: set boxes.count to {needed} or more"
        )


@dataclass(frozen=True, slots=True)
class _Mixing:
    """Loading from place to place: mean, deviation of its logarithm, correlation length."""

    volume_fraction: float
    spread: float
    correlation_length: float

    def draw(self, centers: Floats, rng: np.random.Generator) -> Floats:
        """Volume fraction at cells (n, 3), shape (n,)."""
        phi = np.full(len(centers), self.volume_fraction)
        if self.spread > 0.0:
            z = random_field(centers, self.correlation_length, rng)
            phi = self.volume_fraction * np.exp(self.spread * z - 0.5 * self.spread**2)
        return phi


@dataclass(frozen=True, slots=True)
class _Films:
    """What all castings of a film have in common.

    `strains` (k,) are those of the part, `local` (k,) or (n cells, k) those of the film.
    """

    blocks: Blocks
    lattice: Lattice
    strains: Floats
    local: Floats
    temperature: float
    mixing: _Mixing

    @property
    def rest(self) -> int:
        """Index of zero strain, or of the smallest."""
        return int(np.argmin(abs(self.strains)))

    def cast(self, castings: int, seed: int) -> tuple[Floats, Solution]:
        """Draw and solve films: readings (castings, k) [ohm], and the first one at rest."""
        blocks, lattice, cells = self.blocks, self.lattice, self.lattice.cells
        stretch = np.minimum(np.sqrt(blocks.volume / lattice.volumes), LARGEST_STRETCH)
        along, crosswise = np.flatnonzero(~lattice.across), np.flatnonzero(lattice.across)
        resistors = lattice.all_resistors
        strains = self.local[cells] if self.local.ndim == 2 else self.local
        resistances = np.empty((castings, len(self.strains)))
        solutions: list[Solution] = []
        excess: Floats | None = None
        for k in range(castings):
            streams = [
                np.random.default_rng(child)
                for child in box_seed(seed, k, PURPOSES["blocks"]).spawn(3)
            ]
            boxes = np.empty(len(lattice), dtype=np.int64)
            boxes[along] = streams[0].integers(0, len(blocks), len(along))
            boxes[crosswise] = streams[1].integers(0, len(blocks), len(crosswise))
            phi = self.mixing.draw(lattice.cell_centers, streams[2])[cells]
            logs = blocks.log_conductivity(boxes, phi, strains, self.temperature, stretch)
            if blocks.across != 1.0:
                logs[crosswise] -= math.log(blocks.across)
            if excess is None or self.mixing.spread > 0.0:
                excess = blocks.excess_length(phi, self.strains, self.temperature)
            sweep = Sweep(always_eliminated=2000)
            for s in range(len(self.strains)):
                resistances[k, s], solution = lattice.solve(
                    np.exp(logs[:, s]), excess[:, s], sweep, resistors
                )
                if k == 0:
                    solutions.append(solution)
        return resistances, solutions[self.rest]

    def errors(self, film: Film, resistances: Floats) -> tuple[float, float, float]:
        """Errors of mean ln R, relative spread and gauge factor that boxes leave."""
        blocks, phi = self.blocks, self.mixing.volume_fraction
        mean, relative, gauge = _box_errors(blocks, phi, self.strains, self.temperature)
        of_chains = mean**2 * len(blocks) * blocks.volume / film.volume
        if blocks.draws is not None:
            mean, gauge = _fit_errors(blocks, film, phi, self.strains, self.temperature)
        # boxes leave an error only in that part of the spread that comes from them
        at_rest = resistances[:, self.rest]
        logs = np.log(at_rest[np.isfinite(at_rest)])
        total = float(logs.var(ddof=1)) if len(logs) > 1 else 0.0
        if self.mixing.spread > 0.0 and total > 0.0:
            relative *= min(1.0, of_chains / total)
        return mean, relative, gauge


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
    for rho, excess in blocks.draws[..., blocks.temperature_index(temperature), :]:
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
