"""Stage 7. Castings: real films around a candidate, drawn from the bench tolerances."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import cv_from_log_std, weighted_quantiles
from percsim.film.electrodes import Film
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    LoadingFit,
    LoadingThreshold,
    is_room_temperature,
)
from percsim.words import weight

__all__ = [
    "LOT_NAMES",
    "PUBLISHED_EXPONENT",
    "TOLERANCE_NAMES",
    "TRIAL_NAMES",
    "CastingDraws",
    "Castings",
    "Tolerances",
    "TrialDraws",
    "cast_films",
    "chord",
    "initial_slopes",
    "slope_neighbours",
    "variance_function",
]

Floats = NDArray[np.float64]

PUBLISHED_EXPONENT = 2.0
"""Conductivity exponent in 3-D, 1.9 to 2.1 in print (from memory); fall-back only."""

CLOSEST_STEP = 0.05
"""Smallest difference of ln(volume fraction) that a slope is taken over (judgement)."""

TOLERANCE_NAMES = (
    "weighing",
    "mixing",
    "thickness",
    "gap",
    "width",
    "contact",
    "aspect_ratio",
    "mixing_within",
    "skew",
    "particle_size",
    "response",
    "tilt",
    "chains",
)
"""What scatters castings, in the order of shares; the place of a tolerance names its stream
of draws, so a new one goes before the chains, after all others."""

LOT_NAMES = ("aspect_ratio", "particle_size")
"""Tolerances that castings of one lot of powder share."""

TRIAL_NAMES = ("instrument", "strain_setting", "contact_redraw")
"""What scatters trials on one casting, in the order of draws."""

WEAK_SPREAD = 0.3
"""Local spread of ln(phi - phi_c) up to which its second order is used (judgement)."""


@dataclass(frozen=True, slots=True)
class Tolerances:
    """Standard deviations of the bench (defaults: bench judgement, no source).

    Parameters
    ----------
    weighing : float
        Of the weight fraction between castings, relative, from the balance.
    mixing : float
        Of the mean weight fraction between castings, relative, from uneven mixing.
    thickness : float or None
        Of the film thickness, relative; None means 8 %, or 20 % for a drop-cast film.
    gap, width : float
        Of the electrode gap and the film width [m].
    contact : float
        Of the conductance of all contacts together, relative.
    aspect_ratio : float
        Of the aspect ratio between lots of powder, relative.
    mixing_within : float
        Of the weight fraction from point to point inside one casting, relative.
    skew : float
        Of the gap at one end of the electrodes less that at the other [m].
    particle_size : float
        Of the median particle size between lots of powder, at the same shape, relative.
    response : float
        Of how far contacts open at a strain, between castings, relative: bond, cure, and
        what the contacts are made of.
    tilt : float
        Of the rms tilt of the particles between castings [rad]; it acts through the
        threshold, where the thresholds of other tilts are known.
    mixing_length : float
        Correlation length of the loading inside a casting [m], > 0; no tolerance itself.
    instrument : float
        Of one reading of a resistance, relative, from trial to trial.
    strain_setting : float
        Of the strain that is set, from trial to trial.
    contact_redraw : float
        Share of the contacts that close differently in each cycle, 0 to 1.

    Raises
    ------
    ValueError
        If one is negative or not finite, the correlation length is not positive or the
        share of contacts exceeds 1.

    """

    weighing: float = 0.005
    mixing: float = 0.02
    thickness: float | None = None
    gap: float = 1e-4
    width: float = 1e-4
    contact: float = 0.12
    aspect_ratio: float = 0.08
    mixing_within: float = 0.03
    skew: float = 1e-4
    particle_size: float = 0.05
    response: float = 0.05
    tilt: float = math.radians(2.0)
    mixing_length: float = 1e-3
    instrument: float = 0.001
    strain_setting: float = 20e-6
    contact_redraw: float = 0.05

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if value is not None and not 0.0 <= value < float("inf"):
                raise ValueError(f"tolerance {name} must be 0 or more, got {value}")
        if self.mixing_length == 0.0:
            raise ValueError("mixing_length must be a positive length, got 0")
        if self.contact_redraw > 1.0:
            raise ValueError(
                f"contact_redraw is a share of contacts, 0 to 1, got {self.contact_redraw}"
            )

    @classmethod
    def none(cls) -> Tolerances:
        """Nothing scatters but the chains of particles."""
        zero = {name: 0.0 for name in cls.__dataclass_fields__ if name != "mixing_length"}
        return cls(**zero)

    def thickness_of(self, film: Film) -> float:
        """Relative tolerance of the thickness of a film."""
        if self.thickness is not None:
            return self.thickness
        return 0.20 if film.drop_cast else 0.08

    def mean_loading(self, film: Film) -> float:
        """Spread of a film's mean weight fraction from the unevenness inside it, relative.

        The point spread times the root of `variance_function` over the film's volume.
        """
        sizes = (film.electrode_gap, film.section / film.thickness, film.thickness)
        return self.mixing_within * float(
            np.sqrt(variance_function(sizes, self.mixing_length))
        )

    def spreads(self, film: Film) -> dict[str, float]:
        """Spread of the logarithm of what each tolerance moves, by name, chains aside.

        `mixing_within` is that of the film's mean; `skew` that of the gap at one end over
        the gap at the other; `tilt` is an angle [rad] itself.
        """
        return {
            "weighing": self.weighing,
            "mixing": self.mixing,
            "thickness": self.thickness_of(film),
            "gap": self.gap / film.electrode_gap,
            "width": self.width / film.width,
            "contact": self.contact,
            "aspect_ratio": self.aspect_ratio,
            "mixing_within": self.mean_loading(film),
            "skew": self.skew / film.electrode_gap,
            "particle_size": self.particle_size,
            "response": self.response,
            "tilt": self.tilt,
        }

    def halved(self, name: str, film: Film) -> Tolerances:
        """Return the same bench with one tolerance halved."""
        if name == "thickness":
            return replace(self, thickness=0.5 * self.thickness_of(film))
        return replace(self, **{name: 0.5 * getattr(self, name)})


def variance_function(sizes: Sequence[float], correlation_length: float) -> float:
    r"""Variance of the mean of a random field over a block, over that at a point.

    .. math:: \Gamma = \prod_i \frac{2 a^2}{T_i^2}
              \left( \frac{T_i}{a} - 1 + e^{-T_i/a} \right)

    for the correlation :math:`e^{-|x|/a} e^{-|y|/a} e^{-|z|/a}` [1]_: 1 for a block far
    smaller than the correlation length a, and (2 a)^3 over its volume for a large one.

    Parameters
    ----------
    sizes : sequence of float
        Edges of the block [m].
    correlation_length : float
        Length a over which the correlation falls by e [m].

    Returns
    -------
    float

    References
    ----------
    .. [1] Vanmarcke, "Random Fields: Analysis and Synthesis", MIT Press (1983), chapter 5.

    Examples
    --------
    >>> round(variance_function([1.0], 1.0), 6)
    0.735759

    """
    u = np.asarray(sizes, dtype=np.float64) / correlation_length
    # the closed form loses all digits below u = 1e-5, where it is 1 - u/3
    close = u < 1e-3
    safe = np.where(close, 1.0, u)
    far = 2.0 * (safe + np.expm1(-safe)) / safe**2
    return float(np.prod(np.where(close, 1.0 - u / 3.0 + u**2 / 12.0, far)))


@dataclass(frozen=True, slots=True)
class CastingDraws:
    """The standard normal numbers of all castings, the same for every candidate.

    Parameters
    ----------
    tolerances : (n castings, n tolerances) ndarray of float
        One column a tolerance, `TOLERANCE_NAMES` without the chains.
    chains : (n castings, n boxes) ndarray of float
        One column a box of the longest kind.

    """

    tolerances: Floats
    chains: Floats

    @classmethod
    def draw(cls, n: int, n_boxes: int, seed: np.random.SeedSequence) -> CastingDraws:
        """Draw for n castings and n_boxes boxes.

        Casting k keeps its numbers whatever the number of castings and boxes: every column
        has a seed of its own.
        """
        if n < 1 or n_boxes < 1:
            raise ValueError(f"castings and boxes must be 1 or more, got {n} and {n_boxes}")

        def column(*key: int) -> Floats:
            child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))
            return np.random.default_rng(child).standard_normal(n)

        columns = range(len(TOLERANCE_NAMES) - 1)
        return cls(
            np.column_stack([column(0, i) for i in columns]),
            np.column_stack([column(1, k) for k in range(n_boxes)]),
        )

    def __len__(self) -> int:
        return len(self.tolerances)

    def only(self, name: str) -> CastingDraws:
        """Return the same castings with every other tolerance at its nominal value."""
        tolerances = np.zeros_like(self.tolerances)
        if name == "chains":
            return CastingDraws(tolerances, self.chains)
        i = TOLERANCE_NAMES.index(name)
        tolerances[:, i] = self.tolerances[:, i]
        return CastingDraws(tolerances, np.zeros_like(self.chains))

    def with_from(self, other: CastingDraws, names: Sequence[str]) -> CastingDraws:
        """Return the same castings with the columns of some names from another draw."""
        tolerances = self.tolerances.copy()
        for name in names:
            if name != "chains":
                i = TOLERANCE_NAMES.index(name)
                tolerances[:, i] = other.tolerances[:, i]
        return CastingDraws(tolerances, other.chains if "chains" in names else self.chains)

    def without(self, names: Sequence[str]) -> CastingDraws:
        """Return the same castings with some names at their nominal values."""
        zero = CastingDraws(np.zeros_like(self.tolerances), np.zeros_like(self.chains))
        return self.with_from(zero, names)


@dataclass(frozen=True, slots=True)
class TrialDraws:
    """The standard normal numbers of one trial on each casting.

    Parameters
    ----------
    instrument, strain_setting : (n castings, 2) ndarray of float
        At rest and at the largest strain.
    contact_redraw : (n castings, n boxes) ndarray of float
        Chains of another set of contacts.

    """

    instrument: Floats
    strain_setting: Floats
    contact_redraw: Floats

    @classmethod
    def draw(cls, n: int, n_boxes: int, seed: np.random.SeedSequence) -> TrialDraws:
        """Draw for n castings and n_boxes boxes, a seed of its own for every column."""

        def column(*key: int) -> Floats:
            child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))
            return np.random.default_rng(child).standard_normal(n)

        return cls(
            np.column_stack([column(2, 0, k) for k in range(2)]),
            np.column_stack([column(2, 1, k) for k in range(2)]),
            np.column_stack([column(2, 2, k) for k in range(n_boxes)]),
        )

    def with_from(self, other: TrialDraws, name: str) -> TrialDraws:
        """Return the same trials with one cause from another draw."""
        return replace(self, **{name: getattr(other, name)})


@dataclass(frozen=True, slots=True)
class Castings:
    """Castings of one candidate: a loading and an electrode gap.

    Parameters
    ----------
    fit : LoadingFit
        The loading.
    film : Film
        The nominal film.
    tolerances : Tolerances
        What they were drawn from.
    draws : CastingDraws
        The standard normal numbers of each casting.
    nominal : (n states,) ndarray of float
        Resistance of the film as planned [ohm], inf when open.
    slopes : (n states,) ndarray of float
        d ln R / d ln(phi - phi_c) used around it.
    resistances : (n castings, n states) ndarray of float
        Resistance of each casting [ohm], inf when open.
    shares : dict of str to float
        Share of each tolerance in the variance of ln R at rest, one at a time, summing to 1
        (all 0 when nothing scatters or the film is open).
    log_standard_error : float
        Simulation error of ln R at rest of the planned film; inf when it is open.
    replicate_log_shift : (n resamples, n states) ndarray of float
        ln R of the resampled boxes less that of all boxes, inf when open.
    replicate_slopes : (n resamples, n states) ndarray of float
        Slopes from the resampled boxes.
    replicate_thresholds : (n resamples,) ndarray of float
        Threshold drawn within its standard error.
    slope_note : str
        Where the slopes come from when not from neighbouring loadings; empty otherwise.
    flat : Castings or None
        The same castings off the part, where they are mounted on one.

    """

    fit: LoadingFit
    film: Film
    tolerances: Tolerances
    draws: CastingDraws = field(repr=False)
    nominal: Floats
    slopes: Floats
    resistances: Floats = field(repr=False)
    shares: dict[str, float]
    log_standard_error: float
    replicate_log_shift: Floats = field(repr=False)
    replicate_slopes: Floats = field(repr=False)
    replicate_thresholds: Floats = field(repr=False)
    slope_note: str
    _model: _Model = field(repr=False)
    flat: Castings | None = field(default=None, repr=False)

    def __len__(self) -> int:
        return len(self.resistances)

    @property
    def at_rest(self) -> Floats:
        """Resistance of each casting at zero strain and 20 C [ohm]."""
        return np.asarray(self.resistances[:, self.fit.loading.reference_state])

    @property
    def strained_state(self) -> int | None:
        """Index of the state at 20 C that gauge factors are taken to, None without one."""
        return self.fit.loading.chord_state

    @property
    def gauge_factors(self) -> Floats:
        """Chord gauge factor of each casting, (R(e_max)/R(0) - 1)/e_max; inf if it opens.

        A casting that is open at rest has none: 0.
        """
        s = self.strained_state
        if s is None:
            return np.zeros(len(self))
        return chord(self.at_rest, self.resistances[:, s], self.fit.loading.strains[s])

    @property
    def open_fraction(self) -> float:
        """Share of castings that are open at rest."""
        return float(np.mean(np.isinf(self.at_rest)))

    @property
    def is_open(self) -> bool:
        """Whether half of the castings or more are open: there is no spread to quote."""
        return self.open_fraction >= 0.5

    @property
    def resistance_cv(self) -> float:
        """CV of R over the conducting castings, from the spread of ln R; inf when open."""
        logs = np.log(self.at_rest[np.isfinite(self.at_rest)])
        if self.is_open or len(logs) < 2:
            return float("inf")
        return cv_from_log_std(float(logs.std(ddof=1)))

    @property
    def gauge_factor_cv(self) -> float:
        """CV of the gauge factor over castings that conduct throughout; inf when open."""
        s = self.strained_state
        if s is None or self.is_open:
            return float("inf")
        keep = np.isfinite(self.at_rest) & np.isfinite(self.resistances[:, s])
        values = self.gauge_factors[keep]
        if len(values) < 2 or values.mean() == 0.0:
            return float("inf")
        return float(values.std(ddof=1) / abs(values.mean()))

    @property
    def gauge_factor_initial(self) -> float:
        """Right-hand slope of ln R at zero strain and 20 C of the planned film.

        The rise of ln R from point to point over the step, taken at the middle of each step
        and extrapolated to zero strain by the straight line closest to all of them: the
        second-order one-sided difference for two points, exact for a parabola for any
        number, and far quieter, because contacts that break on the way make the steps, not
        the points, independent. Lost contacts are included. Points from the first open one
        on are left out; inf when that is the first, 0 for an open film or without a strain.
        """
        if np.isinf(self.nominal[self.fit.loading.reference_state]):
            return 0.0
        return float(self._initial_slopes(np.log(self.nominal)[None, :])[0])

    @property
    def gauge_factor_errors(self) -> tuple[float, float]:
        """Simulation errors of the chord and the initial gauge factor of the planned film.

        Half of the central 68 % of the resampled boxes; inf where the film is or gets open.
        """
        ref, s = self.fit.loading.reference_state, self.strained_state
        if s is None or np.isinf(self.nominal[[ref, s]]).any():
            return float("inf"), float("inf")
        shift = self.replicate_log_shift
        keep = np.isfinite(shift[:, ref]) & np.isfinite(shift[:, s])
        if keep.sum() < 2:
            return float("inf"), float("inf")
        logs = np.log(self.nominal)[None, :] + shift[keep]
        strain = self.fit.loading.strains[s]
        chords = np.expm1(logs[:, s] - logs[:, ref]) / strain
        return _half_width(chords), _half_width(self._initial_slopes(logs))

    def ratio_errors(self, states: Sequence[int]) -> list[float]:
        """Give the simulation errors of R at states over R at rest, of the planned film.

        Half of the central 68 % of the resampled boxes; inf where the film is or gets open.
        """
        ref, shift = self.fit.loading.reference_state, self.replicate_log_shift
        errors = []
        for s in states:
            keep = np.isfinite(shift[:, ref]) & np.isfinite(shift[:, s])
            if np.isinf(self.nominal[[ref, s]]).any() or keep.sum() < 2:
                errors.append(float("inf"))
                continue
            ratio = self.nominal[s] / self.nominal[ref]
            errors.append(_half_width(ratio * np.exp(shift[keep, s] - shift[keep, ref])))
        return errors

    def _initial_slopes(self, logs: Floats) -> Floats:
        """Slope of ln R (n, n states) at zero strain; inf when the first point is open."""
        loading = self.fit.loading
        return initial_slopes(
            logs, loading.strains, _strain_states(self.fit), loading.reference_state
        )

    def factors(self) -> dict[str, Floats]:
        """Return what each casting drew, over the planned value, by tolerance name.

        `weighing`, `mixing` and `mixing_within` multiply the weight fraction of the film,
        `contact` the conductance of all contacts, `chains` the resistance at rest; `skew`
        is the gap at one end of the electrodes over that at the other and `tilt` what
        multiplies the threshold. Each array is (n castings,).
        """
        drawn = {
            name: np.exp(spread * z)
            for (name, spread), z in zip(
                self.tolerances.spreads(self.film).items(),
                self.draws.tolerances.T,
                strict=True,
            )
        }
        ref = self.fit.loading.reference_state
        drawn["tilt"] **= self._model.threshold.tilt_slope
        drawn["chains"] = np.exp(self._model.chains(self.draws, [ref])[:, 0])
        return drawn

    def read(
        self,
        draws: CastingDraws,
        trials: TrialDraws | None = None,
        tolerances: Tolerances | None = None,
    ) -> tuple[Floats, Floats]:
        """Read castings of this candidate, drawn or not, once each.

        Parameters
        ----------
        draws : CastingDraws
            What the castings draw.
        trials : TrialDraws, optional
            What one trial on each adds; without, the castings as they are.
        tolerances : Tolerances, optional
            Another bench than that of these castings.

        Returns
        -------
        log_resistance : (n,) ndarray of float
            ln of R at rest [ohm], inf when open.
        gauge_factor : (n,) ndarray of float
            Chord gauge factor; inf when the casting opens, 0 when open at rest or without
            a strain.

        Notes
        -----
        An instrument that reads R relatively wrong moves ln R; a strain set wrong moves it
        by the slope of ln R there. When a share p of the contacts closes afresh, the sum of
        their influences keeps its spread and the part p of its variance is drawn again in
        each cycle: chains count sqrt(1 - p) of the casting and sqrt(p) of the trial. An
        upper bound, as chains also differ by where particles lie, which no cycle changes.

        """
        tol = tolerances or self.tolerances
        model = replace(self._model, tolerances=tol)
        ref, s = self.fit.loading.reference_state, self.strained_state
        if trials is not None and tol.contact_redraw > 0.0:
            again = trials.contact_redraw[:, : draws.chains.shape[1]]
            share = tol.contact_redraw
            chains = np.sqrt(1.0 - share) * draws.chains + np.sqrt(share) * again
            draws = CastingDraws(draws.tolerances, chains)
        states = [ref] if s is None else [ref, s]
        logs = np.log(model.resistances(draws, self.slopes, states))
        if trials is not None:
            slopes = _strain_slopes(self.fit, self.film)[states]
            for k, slope in enumerate(slopes):
                logs[:, k] += tol.instrument * trials.instrument[:, k]
                logs[:, k] += slope * tol.strain_setting * trials.strain_setting[:, k]
        if s is None:
            return logs[:, 0], np.zeros(len(logs))
        strained = np.exp(logs[:, 1])
        return logs[:, 0], chord(np.exp(logs[:, 0]), strained, self.fit.loading.strains[s])

    def relative_to_rest(self, states: Sequence[int]) -> Floats:
        """R at states over R at rest, castings that conduct at rest only, (k, n states)."""
        keep = np.isfinite(self.at_rest)
        return np.asarray(
            self.resistances[keep][:, list(states)] / self.at_rest[keep][:, None]
        )

    def response(self) -> dict[str, list[float]]:
        """R/R0 against strain at 20 C: `strain`, `median`, `p05`, `p95`, `standard_error`.

        The last is the simulation error, see `ratio_errors`.
        """
        states = sorted(
            [*_strain_states(self.fit), self.fit.loading.reference_state],
            key=lambda s: self.fit.loading.strains[s],
        )
        return {
            "strain": [float(self.fit.loading.strains[s]) for s in states],
            **self._bands(states),
        }

    def temperature_response(self) -> dict[str, list[float]]:
        """R/R(20 C) at zero strain: `temperature_K`, and the rest as in `response`."""
        temperatures = self.fit.loading.temperatures
        states = sorted(
            (s for s, strain in enumerate(self.fit.loading.strains) if strain == 0.0),
            key=lambda s: temperatures[s],
        )
        return {
            "temperature_K": [float(temperatures[s]) for s in states],
            **self._bands(states),
        }

    def _bands(self, states: Sequence[int]) -> dict[str, list[float]]:
        relative = self.relative_to_rest(states)
        if self.is_open:
            relative = np.full((1, len(states)), np.inf)
        bands = [weighted_quantiles(column, (0.5, 0.05, 0.95)) for column in relative.T]
        errors = self.ratio_errors(states)
        if self.is_open:
            errors = [float("inf")] * len(states)
        return {
            name: [float(band[i]) for band in bands]
            for i, name in enumerate(("median", "p05", "p95"))
        } | {"standard_error": errors}

    def at_loading(self, factor: float, states: Sequence[int]) -> Floats:
        """Cast again at a multiple of the weight fraction, (n castings, k states) [ohm].

        What a bench casts that is this far off in weighing; all else stays as drawn.
        """
        loading = self._model.own.loading
        phi = min(loading.volume_fraction * factor**loading.log_slope, 1.0 - 1e-9)
        own = replace(self._model.own, loading=replace(loading, volume_fraction=phi))
        return replace(self._model, own=own).resistances(self.draws, self.slopes, states)

    def replicates(self, states: Sequence[int]) -> Iterator[Floats]:
        """Castings again with the boxes of each resample, (n castings, k states) [ohm]."""
        states = list(states)
        drawn = self._model.draw(self.draws, states)
        for shift, slopes, threshold in zip(
            self.replicate_log_shift,
            self.replicate_slopes,
            self.replicate_thresholds,
            strict=True,
        ):
            yield self._model.at(drawn, shift[states], slopes[states], float(threshold))


def _half_width(values: Floats) -> float:
    """Half of the central 68 % of resampled values, inf when it reaches into inf."""
    low, high = weighted_quantiles(values, (0.158655, 0.841345))
    return float(0.5 * (high - low)) if np.isfinite(high) else float("inf")


def initial_slopes(
    logs: Floats, strains: Sequence[float], states: Sequence[int], reference: int
) -> Floats:
    """Slope of ln R at zero strain, see `Castings.gauge_factor_initial`.

    Parameters
    ----------
    logs : (n, n states) ndarray of float
        ln R of each film at each state.
    strains : sequence of float
        Strain of each state.
    states : sequence of int
        Those at 20 C and a strain, in increasing strain.
    reference : int
        The state at 20 C without strain.

    Returns
    -------
    (n,) ndarray of float
        Right-hand slope, left-hand where no strain is positive; inf when the first point
        is open.

    """
    at = np.asarray(strains)
    ahead = [s for s in states if at[s] > 0.0]
    ahead = ahead or [s for s in reversed(states) if at[s] < 0.0]
    if not ahead:
        return np.zeros(len(logs))
    path = [reference, *ahead]
    conducts = np.logical_and.accumulate(np.isfinite(logs[:, ahead]), axis=1)
    heights = np.where(np.isfinite(logs[:, path]), logs[:, path], 0.0)
    steps = np.diff(at[path])
    rises = np.where(conducts, np.diff(heights, axis=1) / steps, 0.0)
    middles = 0.5 * (at[path][1:] + at[path][:-1])
    weights = np.where(conducts, np.abs(steps), 0.0)
    total = weights.sum(axis=1)
    safe = np.where(total > 0.0, total, 1.0)
    center = (weights * middles).sum(axis=1) / safe
    mean = (weights * rises).sum(axis=1) / safe
    apart = middles - center[:, None]
    spread = (weights * apart**2).sum(axis=1)
    bend = (weights * apart * rises).sum(axis=1)
    bend = np.where(spread > 0.0, bend / np.where(spread > 0.0, spread, 1.0), 0.0)
    return np.asarray(np.where(total > 0.0, mean - bend * center, np.inf))


def chord(at_rest: Floats, strained: Floats, strain: float) -> Floats:
    """Chord gauge factor (R/R0 - 1)/strain; inf when it opens, 0 when open at rest."""
    conducts = np.isfinite(at_rest)
    ratio = np.where(conducts, strained, 1.0) / np.where(conducts, at_rest, 1.0)
    return np.asarray((ratio - 1.0) / strain)


def _strain_states(fit: LoadingFit) -> list[int]:
    """States read at 20 C and a strain, in increasing strain."""
    loading = fit.loading
    return sorted(
        (
            s
            for s, (strain, temperature) in enumerate(
                zip(loading.strains, loading.temperatures, strict=True)
            )
            if strain != 0.0
            and loading.is_read(strain)
            and is_room_temperature(temperature)
        ),
        key=lambda s: loading.strains[s],
    )


def _strain_slopes(fit: LoadingFit, film: Film) -> Floats:
    """Slope of ln R with strain of the planned film at every state, 0 where it is open.

    Second order between strains at the same temperature, first order at the ends.
    """
    loading = fit.loading
    logs = np.log(film.resistance(fit.resistivity, fit.electrode_excess))
    strains, temperatures = np.asarray(loading.strains), np.asarray(loading.temperatures)
    slopes = np.zeros(len(logs))
    for temperature in np.unique(temperatures):
        path = np.flatnonzero((temperatures == temperature) & np.isfinite(logs))
        path = path[np.argsort(strains[path])]
        if len(path) > 1:
            slopes[path] = np.gradient(logs[path], strains[path])
    return slopes


@dataclass(frozen=True, slots=True)
class _Model:
    """First order in the loading around `base`, exact in the sizes of the film."""

    own: LoadingFit
    base: LoadingFit
    film: Film
    tolerances: Tolerances
    threshold: LoadingThreshold

    def draw(
        self, draws: CastingDraws, states: Sequence[int]
    ) -> tuple[Floats, Floats, Floats]:
        """Volume fraction and threshold factor of each casting, and its R at base loading.

        The last is (n castings, k states) [ohm]: sizes, contacts and chains, but the
        loading and threshold of `base`.
        """
        film, tol = self.film, self.tolerances
        spreads = tol.spreads(film)
        z = dict(zip(TOLERANCE_NAMES, draws.tolerances.T, strict=False))
        drawn = {name: spread * z[name] for name, spread in spreads.items()}
        loading = self.own.loading
        phi = loading.volume_fraction * np.exp(
            loading.log_slope
            * (drawn["weighing"] + drawn["mixing"] + drawn["mixing_within"])
        )
        threshold_factor = np.exp(
            self.threshold.aspect_ratio_slope * drawn["aspect_ratio"]
            + self.threshold.tilt_slope * drawn["tilt"]
        )
        size = np.exp(drawn["particle_size"])[:, None]
        sized = film.layout.resistance(
            self.base.resistivity[states] * size,
            self.base.electrode_excess[states] * size**2,
            (film.electrode_gap * np.exp(drawn["gap"]))[:, None],
            (film.width * np.exp(drawn["width"]))[:, None],
            (film.thickness * np.exp(drawn["thickness"]))[:, None],
        )
        scale = np.exp(self.chains(draws, states) - drawn["contact"][:, None])
        scale *= _wedge(drawn["skew"])[:, None]
        strains = np.asarray(self.base.loading.strains)[states]
        leverage = _strain_slopes(self.base, film)[states] * strains
        scale *= np.exp(np.expm1(drawn["response"])[:, None] * leverage)
        return phi, threshold_factor, np.asarray(sized * scale)

    def at(
        self,
        drawn: tuple[Floats, Floats, Floats],
        log_shift: Floats,
        slopes: Floats,
        threshold: float,
    ) -> Floats:
        """Resistance of each drawn casting at a threshold and slopes, (n, k) [ohm]."""
        phi, threshold_factor, sized = drawn
        # contacts a particle go as the loading over its threshold: see `cast_films`
        phi = phi / threshold_factor
        distance = self.base.loading.volume_fraction - threshold
        conducts = phi > threshold
        if distance <= 0.0:
            conducts, distance = np.zeros_like(conducts), 1.0
        steps = np.log(np.where(conducts, phi - threshold, distance) / distance)
        shifted = np.isfinite(log_shift)
        uneven = self.unevenness(threshold)
        factor = np.exp(
            slopes * (steps[:, None] + uneven[0])
            + slopes**2 * uneven[1]
            + np.where(shifted, log_shift, 0.0)
        )
        return np.asarray(np.where(conducts[:, None] & shifted, sized * factor, np.inf))

    def resistances(
        self,
        draws: CastingDraws,
        slopes: Floats,
        states: Sequence[int],
    ) -> Floats:
        """Resistance of each casting from all boxes (n castings, k states) [ohm]."""
        return self.at(
            self.draw(draws, states),
            np.zeros(len(states)),
            slopes[states],
            self.threshold.volume_fraction,
        )

    def unevenness(self, threshold: float) -> tuple[float, float]:
        """Shift of ln R from the unevenness inside a film: over the slope, over its square.

        See `cast_films`; that of the planned loading, the same for all castings.
        """
        tol, phi = self.tolerances, self.own.loading.volume_fraction
        if tol.mixing_within == 0.0 or phi <= threshold:
            return 0.0, 0.0
        inside = tol.mixing_within**2 - tol.mean_loading(self.film) ** 2
        steep = phi / (phi - threshold)
        local = min(self.own.loading.log_slope**2 * inside * steep**2, WEAK_SPREAD**2)
        dimension = 2 if tol.mixing_length > self.film.thickness else 3
        return -0.5 * threshold / phi * local, -(0.5 - 1.0 / dimension) * local

    def chains(self, draws: CastingDraws, states: Sequence[int]) -> Floats:
        """Deviation of ln R from the chains of each casting (n castings, k states)."""
        influence = self.base.influence[:, states]
        n = len(influence)
        if n < 2:
            return np.zeros((len(draws), len(states)))
        share = np.sqrt(self.base.box_volume / self.film.volume / (n - 1))
        return np.asarray(draws.chains[:, :n] @ influence * share)


def _wedge(log_ratio: Floats) -> Floats:
    r"""R of a gap that widens along the electrodes over that of its mean gap.

    Between two straight electrodes the current runs in arcs about the point where they
    meet, so that R = rho alpha / (t ln(r2/r1)) exactly for electrodes from r1 to r2 (the
    potential is the polar angle); over the mean gap, tanh(y)/y with y = ln(r2/r1)/2.
    """
    y = np.abs(0.5 * log_ratio)
    safe = np.where(y > 1e-4, y, 1.0)
    return np.asarray(np.where(y > 1e-4, np.tanh(safe) / safe, 1.0 - y**2 / 3.0))


def slope_neighbours(fits: Sequence[LoadingFit], i: int) -> tuple[int | None, int | None]:
    """Nearest loadings below and above that conduct, well clear of the threshold if any.

    Loadings closer than `CLOSEST_STEP` are passed over: the slope between them would be the
    simulation error of both, divided by next to nothing.
    """
    own = np.log(fits[i].loading.volume_fraction)
    conducting = [
        j
        for j, fit in enumerate(fits)
        if not fit.is_open
        and fit.threshold_ratio > 1
        and abs(np.log(fit.loading.volume_fraction) - own) >= CLOSEST_STEP
    ]
    clear = [j for j in conducting if fits[j].threshold_ratio >= FAITHFUL_RATIO]
    chosen = clear or conducting
    below, above = [j for j in chosen if j < i], [j for j in chosen if j > i]
    return (below[-1] if below else None), (above[0] if above else None)


def _slopes(
    logs: dict[int, Floats],
    distances: dict[int, Floats],
    i: int,
    below: int | None,
    above: int | None,
) -> Floats:
    """Slope of ln R over ln(phi - phi_c) at loading i for arrays (..., S) of ln R.

    Second order in unequal steps with two neighbours, first order with one; a neighbour
    that is open there does not count; with none, minus the published exponent.
    """

    def one_sided(j: int | None) -> tuple[Floats, Floats]:
        if j is None:
            return np.full_like(logs[i], np.nan), np.ones_like(logs[i])
        good = (distances[j] > 0.0) & (distances[i] > 0.0)
        step = np.log(np.where(good, distances[j], 1.0)) - np.log(
            np.where(good, distances[i], 1.0)
        )
        good = good & (step != 0.0)
        step = np.where(good, step, 1.0)[..., None]
        finite = np.isfinite(logs[i]) & np.isfinite(logs[j]) & good[..., None]
        rise = np.where(finite, logs[j], 0.0) - np.where(finite, logs[i], 0.0)
        return np.where(finite, rise / step, np.nan), np.abs(step) * np.ones_like(logs[i])

    down, h1 = one_sided(below)
    up, h2 = one_sided(above)
    both = (h2 * down + h1 * up) / (h1 + h2)
    slope = np.where(np.isnan(down), up, np.where(np.isnan(up), down, both))
    return np.asarray(np.where(np.isnan(slope), -PUBLISHED_EXPONENT, slope))


def cast_films(
    fits: Sequence[LoadingFit],
    index: int,
    film: Film,
    threshold: LoadingThreshold,
    tolerances: Tolerances,
    draws: CastingDraws,
    threshold_draws: Floats | None = None,
) -> Castings:
    r"""Draw castings of one candidate.

    Parameters
    ----------
    fits : sequence of LoadingFit
        All explored loadings, in increasing weight fraction.
    index : int
        Which of them the candidate has.
    film : Film
        Its film, with the candidate's electrode gap.
    threshold : LoadingThreshold
        The simulated threshold.
    tolerances : Tolerances
        What scatters.
    draws : CastingDraws
        Standard normal numbers, the same for every candidate.
    threshold_draws : (n resamples,) ndarray of float, optional
        Standard normal numbers that move the threshold within its standard error, one for
        each resample of the boxes, the same for every candidate; without, it stays.

    Returns
    -------
    Castings
        Resistances of every casting at every state, shares, and the errors of simulation.

    Raises
    ------
    ValueError
        If there are fewer draws than boxes.

    Notes
    -----
    For a casting with volume fraction :math:`\phi'` and threshold :math:`\phi_c'`

    .. math:: \ln R' = \ln\frac{\rho \ell' + r_c}{w' t'}
              + \frac{\partial \ln R}{\partial x} (x' - x) - \tau_g z_g + \text{chains},
              \qquad x = \ln(\phi/\phi_c - 1)

    because particles of one diameter and another aspect ratio percolate at the same number
    a volume, and conduct alike at the same multiple of it. (Boxes of the example at 34 wt%,
    2.03 times the threshold, with aspect ratios of 14 to 16.1 give d ln R/d ln(aspect
    ratio) = -3.09 ± 0.07; this rule gives -3.0, a mere shift of :math:`\phi_c` under
    :math:`\phi - \phi_c` -1.5.) Sizes, loading and threshold are log-normal around their
    planned values (an absolute tolerance over the size is the spread of its logarithm). A
    casting with :math:`\phi' \le \phi_c'` is open. Slopes come from the neighbouring
    loadings, or are minus the published exponent 2.0 when there is one loading. The
    conductance of all contacts scales R alone. Chains: a film is :math:`V_{film}/V_{box}`
    boxes, so that each casting draws the deviations of the longest boxes, divided by the
    root of that number, with the correlation between states that the boxes have.

    A candidate at or below the threshold is open whatever its boxes do (a short box spans
    by chance), and one above it may have open boxes; castings above the threshold are then
    extrapolated from the nearest conducting loading above.

    Loading that varies inside a film with the spread s of its logarithm moves the film's
    mean by the part of its variance that `variance_function` leaves over the film's volume;
    the rest stays inside and shifts ln R by its second order, curvature of ln rho in the
    loading and, as current finds the better way, :math:`-(1/2 - 1/d)` of the variance of
    ln rho [1]_, with d = 2 where the unevenness reaches through the thickness and 3 where
    it does not. Exact for d = 2, second order for d = 3; beyond a local spread of
    ln(phi - phi_c) of 0.3 it stops growing.

    A lot of larger particles of the same shape has the same threshold and response, and
    contacts that conduct the same: lengths scale, so the resistivity goes as the size and
    what the electrodes add as its square. A casting whose contacts open r times as far at
    a strain reads there what the planned film reads at r times the strain, to first order
    in r - 1 and with its contacts at rest as planned. Electrodes set askew: `_wedge`.

    References
    ----------
    .. [1] Gelhar & Axness, "Three-dimensional stochastic analysis of macrodispersion in
       aquifers", Water Resour. Res. 19, 161 (1983), eq. 55 (number from memory);
       d = 2: Matheron, "Elements pour une theorie des milieux poreux", Masson (1967).

    """
    own = fits[index]
    ref = own.loading.reference_state
    base_index = index
    if own.threshold_ratio <= 1.0 or own.is_open:
        candidates = [
            j for j, fit in enumerate(fits) if fit.threshold_ratio > 1.0 and not fit.is_open
        ]
        base_index = candidates[0] if candidates else index
    base = fits[base_index]
    if draws.chains.shape[1] < len(base.influence):
        raise ValueError(
            f"draws for {len(base.influence)} boxes are needed, got {draws.chains.shape[1]}"
        )
    below, above = slope_neighbours(fits, base_index)
    note = ""
    if below is None and above is None and not own.is_open:
        note = (
            f"{weight(own.loading.weight_fraction)}: no other conducting loading at "
            f"least {100 * CLOSEST_STEP:.0f} % away by volume was explored, so its slope "
            "with loading, and the spread that rests on it, is the published exponent "
            f"{PUBLISHED_EXPONENT:g} (3-D, from memory), not simulated"
        )
    involved = [j for j in (base_index, below, above) if j is not None]

    def logs(rho: Floats, excess: Floats) -> Floats:
        return np.log(film.resistance(rho, excess))

    main = {j: logs(fits[j].resistivity, fits[j].electrode_excess) for j in involved}
    drawn = {
        j: logs(fits[j].resistivity_draws, fits[j].electrode_excess_draws) for j in involved
    }
    n_draws = len(base.resistivity_draws)
    z = np.zeros(n_draws) if threshold_draws is None else threshold_draws[:n_draws]
    relative = threshold.standard_error / threshold.volume_fraction
    critical = threshold.volume_fraction * np.exp(relative * z)
    phis = {j: fits[j].loading.volume_fraction for j in involved}
    slopes = _slopes(
        main,
        {j: np.asarray(phis[j] - threshold.volume_fraction) for j in involved},
        base_index,
        below,
        above,
    )
    replicate_slopes = _slopes(
        drawn, {j: phis[j] - critical for j in involved}, base_index, below, above
    )
    open_main = np.isinf(main[base_index])
    finite = np.isfinite(drawn[base_index]) & ~open_main
    shift = np.where(
        finite,
        np.where(finite, drawn[base_index], 0.0)
        - np.where(open_main, 0.0, main[base_index]),
        np.inf,
    )
    model = _Model(own, base, film, tolerances, threshold)
    states = list(range(len(own.loading.strains)))
    resistances = model.resistances(draws, slopes, states)
    conducting = not own.is_open and own.threshold_ratio > 1.0
    nominal = np.exp(main[base_index]) if conducting else np.full(len(states), np.inf)

    variances = {}
    for name in TOLERANCE_NAMES:
        single = model.resistances(draws.only(name), slopes, [ref])[:, 0]
        single = single[np.isfinite(single)]
        variance = float(np.log(single).var()) if conducting and len(single) > 1 else 0.0
        variances[name] = variance if variance > 1e-20 else 0.0  # rounding is no tolerance
    total = sum(variances.values())
    shares = {name: v / total if total > 0.0 else 0.0 for name, v in variances.items()}

    error = float("inf")
    if conducting:
        low, high = np.quantile(shift[:, ref], [0.158655, 0.841345], method="inverted_cdf")
        error = 0.5 * (high - low) if np.isfinite(high) else float("inf")
    return Castings(
        fit=own,
        film=film,
        tolerances=tolerances,
        draws=draws,
        nominal=nominal,
        slopes=slopes,
        resistances=resistances,
        shares=shares,
        log_standard_error=float(error),
        replicate_log_shift=shift,
        replicate_slopes=replicate_slopes,
        replicate_thresholds=critical,
        slope_note=note,
        _model=model,
    )
