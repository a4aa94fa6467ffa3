r"""Stage 7. Boxes -> film: resistivity and electrode term from cubes of several lengths.

A box is a cube of the material with electrodes on two faces. Particles that reach a face
short some length of it, and the contacts to the electrode cost some resistance, so that

.. math:: A / G = \rho L + r_c

(the transfer-length practice of contact-resistance measurement, applied to boxes). Cubes of
several lengths give :math:`\rho` and :math:`r_c` at every strain and temperature.

The cubes of one length are combined by the effective-medium mean: a film is a random
packing of such cubes, and its conductance is that of the uniform medium in which a cube
of conductance g disturbs nothing on average, :math:`\sum (g - G)/(g + (d - 1) G) = 0`
with d = 3. An open cube is a cube with g = 0 and takes part like any other; when two thirds
of the cubes are open, the packing is. Boxes that take the whole thickness of a thin film
lie side by side: d = 2, and half of them suffice to open it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from percsim.film.lines import Responses, line_through, weights_of_line
from percsim.film.medium import influence, weighted_medium
from percsim.quantities import weight
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "FAITHFUL_RATIO",
    "PUBLISHED_EXPONENT",
    "SAFE_RATIO",
    "LoadingFit",
    "LoadingResult",
    "LoadingThreshold",
    "chord_end",
    "film_threshold",
    "fit_loadings",
    "is_room_temperature",
]

Floats = NDArray[np.float64]

PUBLISHED_EXPONENT = 2.0
"""Conductivity exponent in 3-D, 1.9 to 2.1 in print (from memory); fall-back only."""
FAITHFUL_RATIO = 1.3
"""Below this multiple of the threshold cubes of 10-20 diameters do not represent a film."""
SAFE_RATIO = 1.5
"""From this multiple of the threshold on they do, to a few per cent."""
BOUNDED_LOG_ERROR = 0.5
"""Extra deviation of ln R of a fit that had to be bounded (judgement, no source)."""
ELECTRODE_REACH = 0.25
"""Diameters of film whose response electrodes may alter beyond that their own contacts do
not open: cubes of 6 to 24 diameters at 1.5 and 2 times the threshold, flakes of one size
and of many, contacts to the electrodes as good as others and ten times poorer, respond
alike to that once the share of those contacts is taken out."""
NEAR_LOG_ERROR = 0.3
"""Smallest extra deviation of ln R below `FAITHFUL_RATIO` (judgement, no source)."""


def is_room_temperature(temperature: float) -> bool:
    """Whether a temperature [K] is 20 C, to rounding."""
    return abs(temperature - ROOM_TEMPERATURE) <= 1e-6


@dataclass(frozen=True, slots=True)
class LoadingThreshold:
    """The simulated percolation threshold of the plan's filler.

    Parameters
    ----------
    volume_fraction : float
        Threshold as volume fraction.
    standard_error : float
        Its standard error.
    aspect_ratio_slope : float
        d ln(threshold) / d ln(aspect ratio), near -1 for thin flakes.
    tilt_slope : float
        d ln(threshold) / d (rms tilt) [1/rad]; 0 where it was not simulated.

    Raises
    ------
    ValueError
        If the threshold is not a fraction or a number is not finite.

    """

    volume_fraction: float
    standard_error: float
    aspect_ratio_slope: float
    tilt_slope: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 < self.volume_fraction < 1.0:
            raise ValueError(
                f"the threshold must be a volume fraction between 0 and 1, "
                f"got {self.volume_fraction}"
            )
        if not 0.0 <= self.standard_error < float("inf"):
            raise ValueError(
                "standard_error of the threshold must be 0 or more, got "
                f"{self.standard_error}"
            )
        for name in ("aspect_ratio_slope", "tilt_slope"):
            if not np.isfinite(getattr(self, name)):
                raise ValueError(f"{name} must be finite, got {getattr(self, name)}")


def film_threshold(touching: LoadingThreshold, lost: float) -> LoadingThreshold:
    """Threshold of a film whose contacts are open in part.

    Parameters
    ----------
    touching : LoadingThreshold
        Threshold of the particles that touch.
    lost : float
        Share of the contacts that do not conduct at rest, 0 to below 1.

    Returns
    -------
    LoadingThreshold
        Higher by 1/(1 - lost), a quarter of the rise taken as its error.

    Raises
    ------
    ValueError
        If the share is not in 0 to 1.

    Notes
    -----
    Particles percolate at a given mean number of contacts each [1]_, so that a share of
    contacts lost at random asks for as many more particles. Boxes of the example with 8 %
    of their contacts open first span at 1.06 ± 0.015 times the touching threshold, against
    1.09 by this rule.

    References
    ----------
    .. [1] Balberg, Anderson, Alexander & Wagner, "Excluded volume and its relation to the
       onset of percolation", Phys. Rev. B 30, 3933 (1984).
       https://doi.org/10.1103/PhysRevB.30.3933

    """
    if not 0.0 <= lost < 1.0:
        raise ValueError(f"the share of lost contacts must be 0 to below 1, got {lost}")
    factor = 1.0 / (1.0 - lost)
    value = min(touching.volume_fraction * factor, 1.0 - 1e-9)
    error = float(
        np.hypot(
            touching.standard_error * factor, 0.25 * (value - touching.volume_fraction)
        )
    )
    return LoadingThreshold(value, error, touching.aspect_ratio_slope, touching.tilt_slope)


def chord_end(
    strains: Sequence[float], states: Sequence[int], chord: float | None = None
) -> int | None:
    """State that gauge factors are taken to.

    Parameters
    ----------
    strains : sequence of float
        Of all states.
    states : sequence of int
        Those in question.
    chord : float, optional
        The strain wanted; the farthest from zero by default, and where none has it.

    Returns
    -------
    int or None
        None without a state.

    """
    wanted = [s for s in states if strains[s] == chord] or states
    return max(wanted, key=lambda s: (abs(strains[s]), strains[s]), default=None)


@dataclass(frozen=True, slots=True)
class LoadingResult:
    """Conductances of all boxes at one weight fraction.

    Parameters
    ----------
    weight_fraction, volume_fraction : float
        Loading of the cured film.
    log_slope : float
        d ln(volume fraction) / d ln(weight fraction).
    lengths : tuple of float
        Box lengths along the current, increasing [m].
    sections : tuple of float
        Cross-section of the boxes of each length [m^2].
    conductances : tuple of ndarray
        For each length an array (n boxes, n states) [S], 0 where open. Box k of a length
        grew from the same seed at every loading.
    strains, temperatures : tuple of float
        Strain and temperature [K] of each state.
    diameter : float
        Median lateral size of the filler [m].
    mix_ratio : float
        Base to curing agent by mass, carried to the results.
    dimension : int
        How boxes fill the film: 3 for cubes of its inside, 2 for boxes that take its whole
        thickness and lie side by side.
    chord : float, optional
        Which of the strains gauge factors are taken to; by default the farthest from zero.
    window : (float, float), optional
        Strains that films are read at; those beyond serve a film that is wrapped, whose
        slices are strained before its part is. By default all.
    bending : float
        Strain of the states that reads like a unit of bending, which strains nothing
        across.
    electrode_shares : tuple of float
        Share of the resistance that lies in the contacts to the two electrodes at zero
        strain and 20 C, one a length; by default none.
    electrode_rises : tuple of float
        Resistance of those contacts over that, one a state; by default 1, as they do not
        open.

    Raises
    ------
    ValueError
        If shapes disagree, a share is not 0 to below 1, a conductance is negative or not
        finite, or there is no state at zero strain and 20 C.

    """

    weight_fraction: float
    volume_fraction: float
    log_slope: float
    lengths: tuple[float, ...]
    sections: tuple[float, ...]
    conductances: tuple[Floats, ...]
    strains: tuple[float, ...]
    temperatures: tuple[float, ...]
    diameter: float
    mix_ratio: float = float("inf")
    dimension: int = 3
    chord: float | None = None
    window: tuple[float, float] | None = None
    bending: float = 1.0
    electrode_shares: tuple[float, ...] = ()
    electrode_rises: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        where = f"loading {weight(self.weight_fraction)}"
        for name in ("weight_fraction", "volume_fraction"):
            if not 0.0 < getattr(self, name) < 1.0:
                raise ValueError(
                    f"{name} must lie between 0 and 1, got {getattr(self, name)}"
                )
        if not len(self.lengths) == len(self.sections) == len(self.conductances) > 0:
            raise ValueError(
                f"{where}: lengths, sections and conductances must have the same number of "
                f"entries, got {len(self.lengths)}, {len(self.sections)} and "
                f"{len(self.conductances)}"
            )
        if self.dimension not in (2, 3):
            raise ValueError(f"{where}: dimension must be 2 or 3, got {self.dimension}")
        if any(b <= a for a, b in pairwise(self.lengths)):
            raise ValueError(f"{where}: box lengths must increase, got {self.lengths}")
        if min(self.lengths) <= 0.0 or min(self.sections) <= 0.0 or self.diameter <= 0.0:
            raise ValueError(f"{where}: lengths, sections and diameter must be positive")
        if len(self.strains) != len(self.temperatures):
            raise ValueError(
                f"{where}: as many strains as temperatures are needed, got "
                f"{len(self.strains)} and {len(self.temperatures)}"
            )
        for name, wanted in (
            ("electrode_shares", len(self.lengths)), ("electrode_rises", len(self.strains)),
        ):  # fmt: skip
            if len(getattr(self, name)) not in (0, wanted):
                raise ValueError(
                    f"{where}: {name} must have {wanted} entries or none, "
                    f"got {len(getattr(self, name))}"
                )
        if not all(0.0 <= share < 1.0 for share in self.electrode_shares):
            raise ValueError(
                f"{where}: shares of the electrodes must be 0 to below 1, "
                f"got {self.electrode_shares}"
            )
        for length, values in zip(self.lengths, self.conductances, strict=True):
            if (
                values.ndim != 2
                or values.shape[0] < 1
                or values.shape[1] != len(self.strains)
            ):
                raise ValueError(
                    f"{where}: conductances of boxes {length:.3g} m long must have shape "
                    f"(boxes, {len(self.strains)} states), got {values.shape}"
                )
            if not np.all(np.isfinite(values)) or np.any(values < 0.0):
                raise ValueError(
                    f"{where}: conductances must be finite and not negative (0 = open)"
                )
        self.reference_state  # noqa: B018 - raises when it is missing

    @property
    def reference_state(self) -> int:
        """Index of the state at zero strain and 20 C."""
        for s, (strain, temperature) in enumerate(
            zip(self.strains, self.temperatures, strict=True)
        ):
            if strain == 0.0 and is_room_temperature(temperature):
                return s
        raise ValueError("one state must be at zero strain and 20 C (293.15 K)")

    @property
    def chord_state(self) -> int | None:
        """Index of the state at 20 C that gauge factors are taken to; None without one."""
        at = [
            s
            for s, (strain, temperature) in enumerate(
                zip(self.strains, self.temperatures, strict=True)
            )
            if strain != 0.0 and is_room_temperature(temperature)
        ]
        return chord_end(self.strains, at, self.chord)

    @property
    def n_boxes(self) -> int:
        """Boxes of all lengths together."""
        return sum(len(values) for values in self.conductances)

    @property
    def n_open_boxes(self) -> int:
        """Boxes open at zero strain and 20 C."""
        s = self.reference_state
        return int(
            sum(np.count_nonzero(values[:, s] == 0.0) for values in self.conductances)
        )


@dataclass(frozen=True, slots=True)
class LoadingFit:
    """Resistivity and electrode excess of one loading at every state, with their errors.

    Parameters
    ----------
    loading : LoadingResult
        What was fitted.
    threshold_ratio : float
        Volume fraction over the threshold.
    mean_inverse : (n lengths, n states) ndarray of float
        A/G of the effective-medium mean of each length [ohm m^2], inf when open.
    mean_inverse_se : (n lengths,) ndarray of float
        Standard error of A/G at zero strain and 20 C from the scatter of the boxes
        [ohm m^2]; inf when open, and for a single box.
    resistivity, electrode_excess : (n states,) ndarray of float
        rho [ohm m] and r_c [ohm m^2]; an open film has rho = inf and r_c = 0.
    resistivity_se, electrode_excess_se : (n states,) ndarray of float
        Standard errors: half the central 68 % of the resampled fits, inf when open.
    resistivity_draws, electrode_excess_draws : (n resamples, n states) ndarray of float
        Fits to resampled boxes, the same resample at all lengths, states and loadings.
    influence : (n boxes, n states) ndarray of float
        What each of the longest boxes contributes to the deviation of ln R of their
        effective-medium mean, times their number; sums to zero.
    box_volume : float
        Volume of one of the longest boxes [m^3].
    notes : tuple of str
        Where the fit had to be bounded or does not hold, in plain words.

    """

    loading: LoadingResult
    threshold_ratio: float
    mean_inverse: Floats = field(repr=False)
    mean_inverse_se: Floats = field(repr=False)
    resistivity: Floats
    resistivity_se: Floats
    electrode_excess: Floats
    electrode_excess_se: Floats
    resistivity_draws: Floats = field(repr=False)
    electrode_excess_draws: Floats = field(repr=False)
    influence: Floats = field(repr=False)
    box_volume: float
    notes: tuple[str, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether the film does not conduct at zero strain and 20 C."""
        return bool(np.isinf(self.resistivity[self.loading.reference_state]))

    @property
    def box_cv(self) -> float:
        """Relative spread of R over the longest boxes, open ones in it; inf when open."""
        if self.is_open:
            return float("inf")
        column = self.influence[:, self.loading.reference_state]
        n = len(column)
        return float(np.sqrt((column**2).sum() / (n - 1))) if n > 1 else 0.0

    def as_dict(self) -> dict[str, object]:
        """Keys as in the `fits` of `summary.json`, at zero strain and 20 C."""
        s = self.loading.reference_state
        return {
            "weight_fraction": float(self.loading.weight_fraction),
            "volume_fraction": float(self.loading.volume_fraction),
            "threshold_ratio": float(self.threshold_ratio),
            "n_boxes": self.loading.n_boxes,
            "n_open_boxes": self.loading.n_open_boxes,
            "lengths_m": [float(length) for length in self.loading.lengths],
            "mean_inverse": [float(y) for y in self.mean_inverse[:, s]],
            "mean_inverse_se": [float(e) for e in self.mean_inverse_se],
            "resistivity_ohm_m": float(self.resistivity[s]),
            "resistivity_se": float(self.resistivity_se[s]),
            "electrode_excess_ohm_m2": float(self.electrode_excess[s]),
            "electrode_excess_se": float(self.electrode_excess_se[s]),
            "box_cv": self.box_cv,
            "notes": list(self.notes),
        }


def _robust_error(draws: Floats, is_open: NDArray[np.bool_]) -> Floats:
    """Half of the central 68 % of draws (B, S); inf where open or reaching into inf."""
    low, high = np.quantile(draws, [0.158655, 0.841345], axis=0, method="inverted_cdf")
    finite = np.isfinite(low) & np.isfinite(high) & ~is_open
    return np.where(
        finite, 0.5 * (np.where(finite, high, 0) - np.where(finite, low, 0)), np.inf
    )


def _resamples(
    sizes: Sequence[int], n: int, seed: np.random.SeedSequence
) -> dict[int, Floats]:
    """How often each of k boxes is drawn, (n, k) for every k, from seeds of their own."""
    out: dict[int, Floats] = {}
    for k in sorted(set(sizes)):
        child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, k))
        rows = np.random.default_rng(child).integers(0, k, (n, k))
        out[k] = np.stack([np.bincount(row, minlength=k) for row in rows]).astype(
            np.float64
        )
    return out


def fit_loadings(
    loadings: Sequence[LoadingResult],
    threshold: LoadingThreshold,
    *,
    resamples: int = 200,
    seed: np.random.SeedSequence,
) -> tuple[LoadingFit, ...]:
    r"""Fit A/G = rho L + r_c to the boxes of every loading and state.

    Parameters
    ----------
    loadings : sequence of LoadingResult
        In increasing weight fraction.
    threshold : LoadingThreshold
        The simulated threshold.
    resamples : int
        How many times the boxes are resampled for the errors.
    seed : numpy.random.SeedSequence
        Seed of the resampling.

    Returns
    -------
    tuple of LoadingFit
        One a loading, same order.

    Raises
    ------
    ValueError
        If loadings are missing or not increasing, or `resamples` is too small.

    Notes
    -----
    At zero strain and 20 C the weights are :math:`1/(s_L A/G)^2` with s_L the relative
    standard error of the mean of the boxes of length L (2 % at least). At the other states
    the ratio to that state is fitted instead, because boxes of every length give nearly the
    same ratio, with far less scatter than the difference between lengths. It is that of the
    material in all but the share of the resistance that the contacts to the electrodes
    hold, which do not open (Tellegen's theorem: a response is the mean of those of all
    contacts, weighted by their power; 1.4 diameters over the length in the example), and
    may differ by what electrodes could alter over a quarter of a diameter besides; the
    lengths are weighted by their own scatter under that prior, and the draws contain it.
    Boxes without scatter give rho and r_c of every state as they are. Weights are the same
    for all states and resamples.

    A film is open when a length has no conducting mean. With a single length r_c cannot be
    told apart and is taken as 0; when rho comes out zero or negative, the longest boxes are
    taken as they are; both are noted, and widen the errors by 50 % (and by the distance to
    the rejected fit). Below 1.3 times the threshold the resampled fits are widened by the
    size of the electrode correction, 30 % at least.

    """
    if not loadings:
        raise ValueError("at least one loading is needed")
    if resamples < 20:
        raise ValueError(f"resamples must be 20 or more, got {resamples}")
    if any(b.weight_fraction <= a.weight_fraction for a, b in pairwise(loadings)):
        raise ValueError("loadings must come in increasing weight fraction")
    counts = _resamples(
        [len(values) for loading in loadings for values in loading.conductances],
        resamples,
        seed,
    )
    widening, prior = (
        np.random.default_rng(
            np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, *key))
        ).standard_normal(resamples)
        for key in ((0,), (0, 1))
    )
    return tuple(_fit(loading, threshold, counts, widening, prior) for loading in loadings)


@dataclass(frozen=True, slots=True)
class _Means:
    """A/G of the boxes of every length of one loading, resampled, and its errors.

    Parameters
    ----------
    y : (n lengths, S) ndarray of float
        A/G of the effective-medium mean; inf where open.
    draws : (B, n lengths, S) ndarray of float
        The same of resampled boxes.
    errors : (n lengths,) ndarray of float
        Standard error of ln of it at the reference state.
    response_errors : (n lengths, S) ndarray of float
        The same of its ratio to the reference state.
    influence : (n boxes, S) ndarray of float
        What each of the longest boxes contributes.

    """

    y: Floats
    draws: Floats
    errors: Floats
    response_errors: Floats
    influence: Floats

    @classmethod
    def of(cls, loading: LoadingResult, counts: dict[int, Floats]) -> _Means:
        """Combine the boxes of every length; `counts` say how often each is drawn."""
        ref, d = loading.reference_state, loading.dimension
        inverse, draws, errors, response_errors = [], [], [], []
        deviations = np.empty((0, 0))
        for section, values in zip(loading.sections, loading.conductances, strict=True):
            n = len(values)
            mean = weighted_medium(values, np.ones((1, n)), d)[0]
            resampled = weighted_medium(values, counts[n], d)
            with np.errstate(divide="ignore"):
                inverse.append(section / mean)
                draws.append(section / resampled)
            deviations = influence(values, mean, d)
            degrees = max(n - 1, 1) * n
            errors.append(np.sqrt((deviations[:, ref] ** 2).sum() / degrees))
            apart = deviations - deviations[:, [ref]]
            response_errors.append(np.sqrt((apart**2).sum(axis=0) / degrees))
        return cls(
            y=np.stack(inverse),
            draws=np.stack(draws, axis=1),
            errors=np.array(errors),
            response_errors=np.stack(response_errors),
            influence=deviations,
        )


def _fit(
    loading: LoadingResult,
    threshold: LoadingThreshold,
    counts: dict[int, Floats],
    widening: Floats,
    prior: Floats,
) -> LoadingFit:
    """One loading of `fit_loadings`."""
    lengths = np.asarray(loading.lengths)
    ref = loading.reference_state
    ratio = loading.volume_fraction / threshold.volume_fraction
    means = _Means.of(loading, counts)
    y, y_draws, errors = means.y, means.draws, means.errors
    sized = np.array([len(values) > 1 for values in loading.conductances])
    known = sized & np.isfinite(y[:, ref])
    inverse_se = np.where(known, np.where(known, y[:, ref], 0.0) * errors, np.inf)

    notes: list[str] = []
    extra = 0.0
    where = f"{100 * loading.weight_fraction:.4g} wt%"
    if len(lengths) == 1:
        combine = np.array([[1.0 / lengths[0]], [0.0]])
        extra = BOUNDED_LOG_ERROR
        notes.append(
            f"{where}: boxes of one length only, so the electrode term cannot be told from "
            f"the resistivity and is taken as 0; errors widened by {100 * extra:.0f} %"
        )
    else:
        combine = weights_of_line(lengths, y[:, ref], errors)
    at_rest, excess_at_rest, bounded = line_through(lengths, y[:, ref], combine)
    rest_draws, excess_rest_draws, _ = line_through(lengths, y_draws[..., ref], combine)
    responses = Responses.of(
        y,
        ref,
        means.response_errors,
        np.where(np.isinf(at_rest), 1.0, at_rest) * lengths + excess_at_rest,
        float(at_rest) * ELECTRODE_REACH * loading.diameter,
        np.array(loading.electrode_shares or (0.0,) * len(lengths)),
        np.array(loading.electrode_rises or (1.0,) * len(loading.strains)),
    )
    rho, excess = responses.states(y, ref, at_rest, excess_at_rest)
    rho_draws, excess_draws = responses.states(
        y_draws, ref, rest_draws, excess_rest_draws, prior
    )
    is_open = np.isinf(rho)
    rejected = np.zeros_like(rho)
    if bounded:
        extra = BOUNDED_LOG_ERROR
        raw = float(combine[0] @ y[:, ref])
        rejected = np.where(is_open, 0.0, rho) * (1.0 - raw / float(at_rest))
        notes.append(
            f"{where}: A/G does not rise with box length (fitted resistivity {raw:.3g} "
            "ohm m), so the longest boxes are taken as they are and errors widened by "
            f"{100 * extra:.0f} %; more or longer boxes are needed"
        )
    if ratio < FAITHFUL_RATIO and not is_open[ref]:
        correction = abs(float(np.log(rho[ref] * lengths[-1] / y[-1, ref])))
        near = max(NEAR_LOG_ERROR, correction)
        extra = float(np.hypot(extra, near))
        notes.append(
            f"{where}: at {ratio:.2f} times the boxes' own threshold cubes of "
            f"{lengths[-1] / loading.diameter:.0f} diameters do not represent the film; "
            f"errors widened by {100 * near:.0f} %"
        )
    factor = np.exp(extra * widening)[:, None]
    rho_draws, excess_draws = rho_draws * factor, excess_draws * factor
    return LoadingFit(
        loading=loading,
        threshold_ratio=ratio,
        mean_inverse=y,
        mean_inverse_se=inverse_se,
        resistivity=rho,
        resistivity_se=np.maximum(_robust_error(rho_draws, is_open), rejected),
        electrode_excess=excess,
        electrode_excess_se=_robust_error(excess_draws, is_open),
        resistivity_draws=rho_draws,
        electrode_excess_draws=excess_draws,
        influence=means.influence,
        box_volume=float(lengths[-1] * loading.sections[-1]),
        notes=tuple(notes),
    )
