"""Stage 8. Candidates against a target: what to cast, or what would have to change."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.constants import elementary_charge
from scipy.special import ndtr, ndtri, stdtrit

from percsim.boxes.statistics import (
    clopper_pearson,
    cv_from_log_std,
    weighted_quantiles,
)
from percsim.decision.priors import (
    ANY_LEVEL,
    Assumption,
    ContactParameters,
    TunnellingParameters,
    assumptions,
    shape_is_assumed,
    threshold_ratio,
)
from percsim.film.casting import (
    LOT_NAMES,
    CastingDraws,
    Castings,
    Tolerances,
    cast_films,
    chord,
)
from percsim.film.curves import FilmCurves
from percsim.film.electrodes import Film
from percsim.film.readout import (
    Circuit,
    HeatPath,
    Readout,
    read_through_series,
    self_heating,
)
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    SAFE_RATIO,
    LoadingFit,
    LoadingResult,
    LoadingThreshold,
    fit_loadings,
)
from percsim.units import format_quantity

__all__ = [
    "BenchLimits",
    "Candidate",
    "Decision",
    "Margin",
    "Mix",
    "PassShare",
    "Replicas",
    "Standing",
    "Target",
    "choose_among",
    "decide",
    "judge",
    "judge_mixes",
    "pick",
    "stand",
]

Floats = NDArray[np.float64]

SERIES_WINDOW = 3.0
"""Film between series/3 and 3 x series reads at least 3/4 of the divider's best slope."""
CUBE_DIAMETERS = 8.0
"""Shortest electrode gap, in diameters, for which rho and r_c of cubes are meant."""
FARTHEST = 1.2
"""Advice does not go beyond this multiple of the highest loading explored."""
SHORTEST_GAP = 10.0
"""Advice does not shorten the electrode gap below this many median diameters."""
FARTHEST_GAP = 10.0
"""Nor lengthen it beyond this multiple of the longest gap explored, if no film ends it."""
TIGHTEST = 0.3
"""A tolerance can be tightened to about this share with care, not to nothing."""
THICKER = 3.0
"""Nor change thickness or width by more than this factor."""
CASTABLE = 0.9
"""Share of the solids at which the filler jams up to which a mix can be cast."""
STIFF = 20.0
"""Thickening by the filler from which casting takes care (judgement, no source)."""
SURELY_OPEN = 0.95
"""Share of open boxes, and of open castings, from which a film counts as open without more
ado (judgement, no source)."""
FIRST_FILMS = 3
"""Films to cast from one cup for a first measurement of g0."""
WEIGHING_ERROR = 0.01
"""Relative error of the loading against which a candidate's pass share is tried."""
MANY_OTHERS = 8
"""Other candidates that meet the target named one by one; of more only so many."""
EQUAL_SHARES = 0.01
"""Pass shares closer than this count as equal: a bench could not tell them apart."""
COMMON_TO_A_CUP = ("weighing", *LOT_NAMES)
"""Tolerances that films from one cup share: what was weighed, and the lot of powder."""


def _ohms(value: float) -> str:
    """Resistance in words: 5.1 kohm."""
    if np.isinf(value):
        return "open"
    for size, unit in ((1e9, "Gohm"), (1e6, "Mohm"), (1e3, "kohm")):
        if value >= 0.9995 * size:
            return f"{value / size:.3g} {unit}"
    return f"{value:.3g} ohm"


def _number(value: float) -> str:
    return f"{value:.3g}" if np.isfinite(value) else "without bound"


def _error(value: float) -> str:
    """Error in words, two digits."""
    return f"{value:.2g}" if np.isfinite(value) else "without bound"


def _percent(value: float) -> str:
    if not np.isfinite(value):
        return "not defined"
    if 0.0 < value < 0.0995:
        return f"{max(100 * value, 0.01):.2g} %"
    return f"{100 * value:.1f} %" if 0.99 <= value < 0.9995 else f"{100 * value:.0f} %"


def _few(share: float) -> str:
    """Share that is hardly there; digits below a thousandth would only look like news."""
    return "less than 0.1 %" if share < 1e-3 else _percent(share)


def _tenths(value: float) -> str:
    """Per cent to a decimal, so that a limit missed by a hair is seen to be."""
    return f"{100 * value:.1f} %" if np.isfinite(value) else "not defined"


def _with_error(cv: float, error: float) -> str:
    """CV and its simulation error, as far as that is known."""
    known = f" (simulation error {_tenths(error)})" if np.isfinite(error) else ""
    return f"{_tenths(cv)}{known}"


def _apart(value: float, limit: float, least: int = 0) -> tuple[str, str]:
    """Two shares in per cent with as many digits as it takes to see them differ."""
    if not (np.isfinite(value) and np.isfinite(limit)):
        return _percent(value), _percent(limit)
    for digits in range(least, 5):
        told = f"{100 * value:.{digits}f} %", f"{100 * limit:.{digits}f} %"
        if told[0] != told[1] or value == limit:
            break
    return told


def _shares(value: float, limit: float) -> tuple[str, str]:
    """Share reached and share asked, told apart when rounding makes them equal."""
    told = _percent(value), _percent(limit)
    return _apart(value, limit, 1) if told[0] == told[1] and value != limit else told


def _against(cv: float, error: float, limit: float) -> tuple[str, str]:
    """CV with its error, and its limit, told apart when rounding makes them equal."""
    known = f" (simulation error {_tenths(error)})" if np.isfinite(error) else ""
    told, allowed = _tenths(cv), _percent(limit)
    if np.isfinite(cv) and round(cv, 3) == round(limit, 3):
        told, allowed = _apart(cv, limit, 1)
    return f"{told}{known}", allowed


def _unresolved(value: float, error: float) -> str:
    """Say why a gauge factor is not to be relied on; empty when it is."""
    if not np.isfinite(value):
        return ""
    if np.isfinite(error) and abs(value) <= error and error > 0.0:
        return "within its simulation error of zero, not resolved: more boxes are needed"
    if value < 0.0:
        return "negative: R falls with strain"
    return ""


def _wt(weight_fraction: float) -> str:
    return f"{100 * weight_fraction:.4g} wt%"


def _mm(length: float) -> str:
    return f"{1e3 * length:.3g} mm"


def _own_threshold(ratio: float) -> str:
    return f"{ratio:.2f} times the film's own threshold at 20 C"


def _over_conducting(castings: Castings) -> str:
    """Say what a spread is taken over, when that is not all castings."""
    return " over conducting castings" if castings.open_fraction > 0.0 else ""


@dataclass(frozen=True, slots=True)
class Target:
    """What a casting, and the lot of them, must reach.

    Parameters
    ----------
    resistance_min, resistance_max : float or None
        Window of the resistance at rest [ohm]; without either, a series resistor gives the
        window from a third of it to three times it.
    supply_voltage, series_resistance : float or None
        Supply [V] and the resistor in series with the film [ohm].
    gauge_factor_min : float or None
        Smallest chord gauge factor.
    resistance_cv_max, gauge_factor_cv_max : float or None
        Largest CV between castings, of the resistance at rest and of the gauge factor.
    pass_share_min : float
        Share of castings that must lie in the window and reach the gauge factor, 0 to 1.
    self_heating_drift_max : float or None
        Largest drift by the film's own heat on its sheet, as strain, either way.
    thermal_output_max : float or None
        Largest thermal output at 20 C, strain per kelvin, either way.
    circuit : Circuit or None
        What the film is read with, for its heat.
    heat_path : HeatPath or None
        How that heat leaves it.

    Raises
    ------
    ValueError
        If a limit is not positive, the window is empty or the share is outside 0 to 1.

    Notes
    -----
    The voltage across a film R in series with S changes by V x (1 - x) d ln R with
    x = R/(R + S). It is largest at R = S and three quarters of that at S/3 and 3 S; to stay
    within these is common practice, no source.

    """

    resistance_min: float | None = None
    resistance_max: float | None = None
    supply_voltage: float | None = None
    series_resistance: float | None = None
    gauge_factor_min: float | None = None
    resistance_cv_max: float | None = None
    gauge_factor_cv_max: float | None = None
    pass_share_min: float = 0.8
    self_heating_drift_max: float | None = None
    thermal_output_max: float | None = None
    circuit: Circuit | None = None
    heat_path: HeatPath | None = None

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if name in ("circuit", "heat_path"):
                continue
            if value is not None and not 0.0 < value < float("inf"):
                raise ValueError(f"target {name} must be positive, got {value}")
        if self.pass_share_min > 1.0:
            raise ValueError(
                f"target pass_share_min must be 0 to 1, got {self.pass_share_min}"
            )
        low, high = self.window
        if self.self_heating_drift_max is not None and not (
            self.circuit and self.heat_path
        ):
            raise ValueError(
                "target self_heating_drift_max needs a circuit and a heat path"
            )
        if not low < high:
            raise ValueError(
                f"target resistance_min must be below resistance_max, got {low} and {high} "
                "ohm"
            )

    @property
    def window(self) -> tuple[float, float]:
        """Smallest and largest resistance [ohm]; 0 and inf where there is no limit."""
        if self.resistance_min is None and self.resistance_max is None:
            if self.series_resistance is None:
                return 0.0, float("inf")
            return (
                self.series_resistance / SERIES_WINDOW,
                self.series_resistance * SERIES_WINDOW,
            )
        low = 0.0 if self.resistance_min is None else self.resistance_min
        return low, float("inf") if self.resistance_max is None else self.resistance_max

    def passes(self, at_rest: Floats, gauge_factors: Floats) -> NDArray[np.bool_]:
        """Which castings conduct, lie in the window and reach the gauge factor.

        A casting that opens within the strain window (gauge factor inf) does not pass: it
        is not a sensor.
        """
        low, high = self.window
        good = np.isfinite(at_rest) & (at_rest >= low) & (at_rest <= high)
        good &= np.isfinite(gauge_factors)
        if self.gauge_factor_min is not None:
            good &= gauge_factors >= self.gauge_factor_min
        return np.asarray(good)


@dataclass(frozen=True, slots=True)
class PassShare:
    """Share of castings that pass, with 95 % limits of sampling and simulation together."""

    value: float
    low: float
    high: float

    def as_dict(self) -> dict[str, float]:
        """Keys as in `summary.json`."""
        return {"value": self.value, "low": self.low, "high": self.high}


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit of the target and where a candidate stands.

    Parameters
    ----------
    target : str
        What is limited.
    limit, value : float
        The limit and the candidate's value, in `unit`.
    unit : str
        "ohm" or "1".
    met : bool
        Whether the value keeps the limit.
    reserve : float
        How far inside (positive) or outside: logarithm of the ratio for resistances and
        gauge factors, relative to the limit for CVs, as a difference for shares.
    within_error : bool
        Whether the distance to the limit is smaller than the simulation error of the value.

    """

    target: str
    limit: float
    value: float
    unit: str
    met: bool
    reserve: float
    within_error: bool = False

    def as_dict(self) -> dict[str, object]:
        """Keys as in `summary.json`."""
        return {
            name: getattr(self, name)
            for name in ("target", "limit", "value", "unit", "met", "within_error")
        }


@dataclass(frozen=True, slots=True)
class Replicas:
    """What the castings of a candidate give with resampled boxes, one entry a resample.

    The same resample of equally many boxes, and the same draw of the threshold, at every
    candidate, so that differences between candidates are less uncertain than each alone.

    Parameters
    ----------
    pass_share, open_fraction : (n resamples,) ndarray of float
        Shares of castings that pass, and that are open at rest.
    resistance, gauge_factor : (n resamples,) ndarray of float
        Medians at rest [ohm] (inf when open) and of the chord.
    resistance_cv, gauge_factor_cv : (n resamples,) ndarray of float
        Coefficients of variation; inf where half of the castings are open.
    thermal_output, self_heating_drift : (n resamples,) ndarray of float
        Sizes of both, of the film as planned [1/K, 1]; inf when open, 0 when not limited.

    """

    pass_share: Floats
    open_fraction: Floats
    resistance: Floats
    gauge_factor: Floats
    resistance_cv: Floats
    gauge_factor_cv: Floats
    thermal_output: Floats
    self_heating_drift: Floats


@dataclass(frozen=True, slots=True)
class Mix:
    """Loadings of one filler, film thickness and mix ratio, with their own threshold.

    Parameters
    ----------
    loadings : tuple of LoadingResult
        Simulated boxes, in increasing weight fraction.
    film : Film
        Sizes of the film; its gap is replaced by each that is tried.
    threshold : LoadingThreshold
        The film's own threshold at 20 C: contacts open at rest not counted.
    limits : BenchLimits
        What the bench can make, which bounds the advice.
    words : str
        What sets it apart from other mixes; empty when there is one.
    values : tuple of (str, float)
        The same as keys of `summary.json` and values in SI.
    mount : callable, optional
        Castings to the same castings on sheet and part, which are then judged.

    """

    loadings: tuple[LoadingResult, ...]
    film: Film
    threshold: LoadingThreshold
    limits: BenchLimits = field(default_factory=lambda: BenchLimits())
    words: str = ""
    values: tuple[tuple[str, float], ...] = ()
    mount: Callable[[Castings], Castings] | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A weight fraction, an electrode gap and a mix, judged.

    Parameters
    ----------
    castings : Castings
        Its castings.
    pass_share : PassShare
        Share that passes.
    passes : (n castings,) ndarray of bool
        Which ones.
    resistance, gauge_factor : tuple of float
        Median, 5 % and 95 % of the castings at rest [ohm] and of the chord gauge factor.
    resistance_cv_error : float
        Simulation error of the CV of the resistance, from the resampled boxes: chiefly that
        of the slope with loading.
    gauge_factor_cv_error : float
        The same for the CV of the gauge factor.
    margins : tuple of Margin
        One a limit.
    refused_because : tuple of str
        Why it does not meet the target, in plain words; empty when it does.
    cautions : tuple of str
        What to keep in mind about its numbers.
    readout : Readout or None
        At the supply, when the target names one.
    replicas : Replicas
        The same numbers with resampled boxes.
    threshold_weight_fraction : float
        Weight fraction of the film's own threshold.
    weighing : tuple of float
        Share that passes when the loading is 1 % lower and higher than planned.
    mix : int
        Which mix it belongs to.
    words : str
        What sets that mix apart; empty when there is one.
    values : tuple of (str, float)
        The same for `summary.json`.

    """

    castings: Castings
    pass_share: PassShare
    passes: NDArray[np.bool_] = field(repr=False)
    resistance: tuple[float, float, float]
    gauge_factor: tuple[float, float, float]
    resistance_cv_error: float
    gauge_factor_cv_error: float
    margins: tuple[Margin, ...]
    refused_because: tuple[str, ...]
    cautions: tuple[str, ...]
    readout: Readout | None
    replicas: Replicas = field(repr=False)
    threshold_weight_fraction: float
    weighing: tuple[float, float]
    mix: int = 0
    words: str = ""
    values: tuple[tuple[str, float], ...] = ()

    @property
    def meets_target(self) -> bool:
        """Whether every limit is kept and the simulation can be trusted there."""
        return not self.refused_because

    @property
    def reserve(self) -> float:
        """Smallest distance to any limit, negative outside, inf without limits."""
        return min((m.reserve for m in self.margins), default=float("inf"))

    @property
    def name(self) -> str:
        """What sets its mix apart, weight fraction and gap in words."""
        return (
            f"{self.words and self.words + ', '}"
            f"{_wt(self.castings.fit.loading.weight_fraction)} at "
            f"{_mm(self.castings.film.electrode_gap)}"
        )

    def as_dict(self) -> dict[str, object]:
        """Keys as in the `candidates` of `summary.json`; an open film lacks some: None."""
        castings, loading = self.castings, self.castings.fit.loading
        rho = float(castings.fit.resistivity[loading.reference_state])
        median, p05, p95 = self.resistance
        error = castings.log_standard_error
        gauge: dict[str, float | None] = {
            "median": self.gauge_factor[0],
            "p05": self.gauge_factor[1],
            "p95": self.gauge_factor[2],
            "standard_error": castings.gauge_factor_errors[0],
            "initial": castings.gauge_factor_initial,
            "initial_se": castings.gauge_factor_errors[1],
            "cv": castings.gauge_factor_cv,
            "cv_se": self.gauge_factor_cv_error,
        }
        if median == float("inf"):
            gauge = dict.fromkeys(gauge)
        return {
            "weight_fraction": float(loading.weight_fraction),
            "volume_fraction": float(loading.volume_fraction),
            "mix_ratio": float(loading.mix_ratio),
            "electrode_gap_m": float(castings.film.electrode_gap),
            **dict(self.values),
            "n_boxes": loading.n_boxes,
            "n_open_boxes": loading.n_open_boxes,
            "resistance_ohm": {
                "median": median,
                "p05": p05,
                "p95": p95,
                "standard_error": median * error if np.isfinite(error) else float("inf"),
            },
            "resistance_cv": castings.resistance_cv,
            "resistance_cv_se": self.resistance_cv_error,
            "open_fraction": castings.open_fraction,
            "gauge_factor": {
                key: gauge[key] for key in ("median", "p05", "p95", "standard_error")
            },
            "gauge_factor_initial": gauge["initial"],
            "gauge_factor_initial_se": gauge["initial_se"],
            "gauge_factor_cv": gauge["cv"],
            "gauge_factor_cv_se": gauge["cv_se"],
            "spread_shares": dict(castings.shares),
            "response": castings.response(),
            "temperature_response": castings.temperature_response(),
            "pass_share": self.pass_share.as_dict(),
            "meets_target": self.meets_target,
            "threshold_ratio": float(castings.fit.threshold_ratio),
            "weight_fraction_above_threshold": float(
                loading.weight_fraction - self.threshold_weight_fraction
            ),
            "weighing_error": {
                "relative": WEIGHING_ERROR,
                "pass_share_low": self.weighing[0],
                "pass_share_high": self.weighing[1],
            },
            "margins": [margin.as_dict() for margin in self.margins],
            "refused_because": list(self.refused_because),
            "cautions": list(self.cautions),
            "volume_resistivity_ohm_m": rho,
            "sheet_resistance_ohm": rho / castings.film.thickness,
            "readout": self.readout.as_dict() if self.readout else None,
        }


@dataclass(frozen=True, slots=True)
class Standing:
    """How sure a choice among candidates is against the randomness of the boxes.

    Parameters
    ----------
    confidence : float
        Share of resamples of the boxes in which the choice stands: it meets the target and
        no other that does passes more than a per cent more of the castings; without a
        choice, the share in which no candidate meets the target.
    first : tuple of float
        For each candidate the share of resamples in which it meets the target and ranks
        first; the rest, to 1, is that of resamples in which none meets it.
    undecided : tuple of int
        Candidates on which the choice hangs: what more boxes should go to.

    """

    confidence: float
    first: tuple[float, ...]
    undecided: tuple[int, ...]

    def of(self, kept: Sequence[int]) -> Standing:
        """Standing of some of the candidates, numbered anew."""
        place = {i: k for k, i in enumerate(kept)}
        return Standing(
            self.confidence,
            tuple(self.first[i] for i in kept),
            tuple(place[i] for i in self.undecided if i in place),
        )


@dataclass(frozen=True, slots=True)
class Decision:
    """All candidates judged, and what follows.

    Parameters
    ----------
    target : Target
        What was asked.
    fits : tuple of LoadingFit
        One a loading, those of the mix of the best candidate.
    candidates : tuple of Candidate
        Mixes and loadings in the order given, gaps within each.
    chosen, nearest : int or None
        Index of the best candidate that meets the target, or of the one that comes closest
        when none does.
    reasons, what_would_have_to_change : tuple of str
        In plain words.
    assumptions : tuple of Assumption
        What the answer rests on, with effects for the chosen or nearest candidate.
    cautions : tuple of str
        Where the simulation is bounded or thin.
    standing : Standing
        How sure the choice is against the randomness of the boxes.
    first : tuple of int
        Candidates of which the least films to cast first are, the best first; none for a
        calibrated plan, and where no candidate is fit to be cast first.
    withheld : str
        Why no loading is decided whatever the boxes say; empty where one may be.

    """

    target: Target
    fits: tuple[LoadingFit, ...]
    candidates: tuple[Candidate, ...]
    chosen: int | None
    nearest: int | None
    reasons: tuple[str, ...]
    what_would_have_to_change: tuple[str, ...]
    assumptions: tuple[Assumption, ...]
    cautions: tuple[str, ...]
    standing: Standing
    first: tuple[int, ...] = ()
    withheld: str = ""

    def of_mix(self, mix: int | None = None) -> Decision:
        """Keep the candidates of one mix alone, by default that of the best.

        In another mix the best of its own is chosen or nearest.
        """
        mix = self.best.mix if mix is None else mix
        kept = [i for i, c in enumerate(self.candidates) if c.mix == mix]
        if len(kept) == len(self.candidates):
            return self
        candidates = tuple(self.candidates[i] for i in kept)
        chosen, nearest = pick(candidates)
        return replace(
            self,
            fits=tuple({id(c.castings.fit): c.castings.fit for c in candidates}.values()),
            candidates=candidates,
            chosen=chosen,
            nearest=nearest,
            standing=self.standing.of(kept),
            first=tuple(kept.index(i) for i in self.first if i in kept),
        )

    @property
    def best(self) -> Candidate:
        """The chosen candidate, or the nearest when none meets the target."""
        index = self.chosen if self.chosen is not None else self.nearest
        return self.candidates[index if index is not None else 0]

    def as_dict(self) -> dict[str, object]:
        """Part of `summary.json` that this stage writes."""
        return {
            "fits": [fit.as_dict() for fit in self.fits],
            "candidates": [
                candidate.as_dict() | {"best_confidence": share}
                for candidate, share in zip(
                    self.candidates, self.standing.first, strict=True
                )
            ],
            "chosen": self.chosen,
            "nearest": self.nearest,
            "reasons": list(self.reasons),
            "what_would_have_to_change": list(self.what_would_have_to_change),
            "assumptions": [row.as_dict() for row in self.assumptions],
            "cautions": list(self.cautions),
            "cast_first": {"films": FIRST_FILMS, "candidates": list(self.first)},
            "withheld": self.withheld,
        }


def _gauge_limits(castings: Castings) -> tuple[float, float, float]:
    """Median, 5 % and 95 % of the chord over castings that conduct at rest; 0 if open."""
    if castings.is_open:
        return 0.0, 0.0, 0.0
    values = castings.gauge_factors[np.isfinite(castings.at_rest)]
    median, p05, p95 = weighted_quantiles(values, (0.5, 0.05, 0.95))
    return float(median), float(p05), float(p95)


def _half_of_central(spreads: Floats, castings: Castings) -> float:
    """Half of the central 68 % of CVs of resampled boxes; inf where they reach into inf."""
    if castings.is_open:
        return float("inf")
    low, high = weighted_quantiles(spreads, (0.158655, 0.841345))
    return float(0.5 * (high - low)) if np.isfinite(high) else float("inf")


def _cv_of(values: Floats, n: int) -> float:
    """CV of R from the spread of ln R of the n castings; inf unless most conduct."""
    if 2 * len(values) <= n:
        return float("inf")
    return cv_from_log_std(float(np.log(values).std(ddof=1)))


def _median(values: Floats) -> float:
    """Median, inf where it reaches into infinite values; quicker than NumPy's by half."""
    n = len(values)
    middle = np.partition(values, ((n - 1) // 2, n // 2))
    return float(0.5 * (middle[(n - 1) // 2] + middle[n // 2]))


def _replicas(castings: Castings, target: Target) -> Replicas:
    """Castings again with the boxes of each resample."""
    ref, strained = castings.fit.loading.reference_state, castings.strained_state
    rows = []
    for r in castings.replicates([ref] if strained is None else [ref, strained]):
        at_rest = r[:, 0]
        conducts = np.isfinite(at_rest)
        gauge, median, gauge_cv = np.zeros(len(r)), 0.0, np.inf
        if strained is not None:
            gauge = chord(at_rest, r[:, 1], castings.fit.loading.strains[strained])
            kept = gauge[np.isfinite(r).all(axis=1)]
            if 2 * len(kept) > len(r) and kept.mean() != 0.0:
                gauge_cv = float(kept.std(ddof=1) / abs(kept.mean()))
            median = _median(gauge[conducts]) if conducts.any() else 0.0
        rows.append(
            (
                target.passes(at_rest, gauge).mean(),
                1.0 - conducts.mean(),
                _median(at_rest),
                median,
                _cv_of(at_rest[conducts], len(r)),
                gauge_cv,
            )
        )
    columns = list(np.array(rows).T)
    columns += _thermal(castings, target, columns[2], resampled=True)
    return Replicas(*columns)


def _pass_share(replicas: Replicas, passes: NDArray[np.bool_]) -> PassShare:
    """Share, with the limits of sampling and of resampled boxes in quadrature."""
    share = float(passes.mean())
    low, high = clopper_pearson(int(passes.sum()), len(passes))
    b_low, b_high = np.quantile(replicas.pass_share, [0.025, 0.975])
    down = np.hypot(share - low, max(0.0, share - float(b_low)))
    up = np.hypot(high - share, max(0.0, float(b_high) - share))
    return PassShare(share, max(0.0, share - float(down)), min(1.0, share + float(up)))


def _log_reserve(value: float, limit: float, *, at_least: bool) -> float:
    """Ln of the distance inside a limit; -inf for a value that cannot be compared."""
    if at_least:
        return float(np.log(value / limit)) if 0.0 < value < np.inf else -np.inf
    return float(np.log(limit / value)) if 0.0 < value < np.inf else -np.inf


def _margins(
    castings: Castings,
    target: Target,
    resistance: float,
    gauge: float,
    share: PassShare,
    cv_errors: tuple[float, float],
    replicas: Replicas,
) -> tuple[Margin, ...]:
    """One row a limit of the target."""
    rows: list[Margin] = []
    low, high = target.window

    def add(
        name: str, limit: float, value: float, unit: str, reserve: float, error: float
    ) -> None:
        close = bool(np.isfinite(error) and abs(value - limit) < error)
        rows.append(Margin(name, limit, value, unit, reserve >= 0.0, reserve, close))

    error = float(np.expm1(castings.log_standard_error)) * resistance
    if low > 0.0:
        reserve = _log_reserve(resistance, low, at_least=True)
        add("median resistance, at least", low, resistance, "ohm", reserve, error)
    if np.isfinite(high):
        reserve = _log_reserve(resistance, high, at_least=False)
        add("median resistance, at most", high, resistance, "ohm", reserve, error)
    asked = target.gauge_factor_min
    if asked is not None:
        reserve = _log_reserve(gauge, asked, at_least=True)
        error = castings.gauge_factor_errors[0]
        add("median gauge factor, at least", asked, gauge, "1", reserve, error)
    for name, limit, value, error in (
        (
            "CV of resistance, at most",
            target.resistance_cv_max,
            castings.resistance_cv,
            cv_errors[0],
        ),
        (
            "CV of gauge factor, at most",
            target.gauge_factor_cv_max,
            castings.gauge_factor_cv,
            cv_errors[1],
        ),
    ):
        if limit is not None:
            add(name, limit, value, "1", 1.0 - value / limit, error)
    rows += _thermal_margins(castings, target, resistance, replicas)
    wanted, reached = target.pass_share_min, share.value
    error = share.high - reached if reached < wanted else reached - share.low
    add(
        "share of castings that pass, at least",
        wanted,
        reached,
        "1",
        reached - wanted,
        error,
    )
    return tuple(rows)


def _thermal(
    castings: Castings, target: Target, resistance: Floats, *, resampled: bool
) -> tuple[Floats, Floats]:
    """Sizes of thermal output [1/K] and self-heating drift for resistances (n,) [ohm].

    Of the film as planned (n = 1), or with the boxes of each resample.
    """
    n = len(resistance)
    if target.thermal_output_max is None and target.self_heating_drift_max is None:
        return np.zeros(n), np.zeros(n)
    output, drift = np.full(n, np.inf), np.full(n, np.inf)
    curves = FilmCurves.from_castings(castings)
    if curves is None or len(curves.temperatures) < 2:
        return output, drift
    ratio = curves.resamples if resampled else curves.ratio[None]
    found = np.abs(curves.thermal_outputs(ratio))
    output = np.where(np.isnan(found), np.inf, found)
    circuit, path, film = target.circuit, target.heat_path, castings.film
    if circuit is not None and path is not None:
        coefficients = curves.coefficients(ratio)
        for k in np.flatnonzero(np.isfinite(output) & np.isfinite(resistance)):
            heating = self_heating(
                circuit,
                float(resistance[k]),
                film.volume / film.thickness,
                path.on_sheet,
                float(coefficients[k]),
            )
            drift[k] = heating.rise * output[k]
    return output, drift


def _thermal_margins(
    castings: Castings, target: Target, resistance: float, replicas: Replicas
) -> list[Margin]:
    """Rows of the limits on thermal output and self-heating drift."""
    values = _thermal(castings, target, np.array([resistance]), resampled=False)
    rows = []
    for name, unit, limit, value, drawn in (
        (
            "thermal output, at most",
            "1/K",
            target.thermal_output_max,
            float(values[0][0]),
            replicas.thermal_output,
        ),
        (
            "self-heating drift, at most",
            "strain",
            target.self_heating_drift_max,
            float(values[1][0]),
            replicas.self_heating_drift,
        ),
    ):
        if limit is not None:
            error = _half_of_central(drawn, castings)
            reserve = _log_reserve(max(value, 1e-30), limit, at_least=False)
            close = bool(np.isfinite(error) and abs(value - limit) < error)
            rows.append(Margin(name, limit, value, unit, reserve >= 0.0, reserve, close))
    return rows


def _verdict_if_open(castings: Castings) -> str:
    """Say whether an open film is known to be so, or boxes and castings disagree.

    A film at its threshold is decided by chains longer than a box, either way.
    """
    loading = castings.fit.loading
    n_open, n = loading.n_open_boxes, loading.n_boxes
    if min(castings.open_fraction, n_open / n) >= SURELY_OPEN:
        return "the film is open"
    boxes = "all boxes" if n_open == n else f"{n_open} of {n} boxes"
    if n > n_open > n // 2:
        boxes = f"most boxes ({n_open} of {n})"
    return (
        f"{boxes} and {_percent(castings.open_fraction)} of the castings are open: the "
        "film is open or of very high resistance; not decided here"
    )


def _share_words(share: PassShare) -> str:
    return (
        f"castings pass ({_percent(share.low)} to {_percent(share.high)} with sampling and "
        "simulation error)"
    )


def _refusals(
    castings: Castings,
    target: Target,
    margins: Sequence[Margin],
    share: PassShare,
    cv_error: float,
    gauge_cv_error: float,
) -> list[str]:
    """Why a candidate does not meet the target, in plain words."""
    ratio = castings.fit.threshold_ratio
    if ratio <= 1.0 or castings.fit.is_open:
        return [f"at {_own_threshold(ratio)} {_verdict_if_open(castings)}"]
    reasons = []
    if ratio < FAITHFUL_RATIO:
        reasons.append(
            f"at {_own_threshold(ratio)} (below {FAITHFUL_RATIO:g}) boxes of this size do "
            "not represent the film, and small errors of weighing move R a lot"
        )
    if castings.open_fraction > 1.0 - target.pass_share_min:
        reasons.append(f"{_percent(castings.open_fraction)} of the castings are open")
    for margin in margins:
        if margin.met:
            continue
        close = ", within its simulation error" if margin.within_error else ""
        if margin.unit == "ohm":
            what = "highest" if margin.target.endswith("most") else "lowest"
            reasons.append(
                f"median resistance {_ohms(margin.value)}, {what} allowed "
                f"{_ohms(margin.limit)}{close}"
            )
        elif margin.target.startswith("median gauge"):
            reasons.append(
                f"median gauge factor {_number(margin.value)}, "
                f"at least {_number(margin.limit)} is asked{close}"
            )
        elif margin.unit in ("1/K", "strain"):
            unit = "microstrain" + ("/K" if margin.unit == "1/K" else "")
            reasons.append(
                f"{margin.target.removesuffix(', at most')} "
                f"{_number(1e6 * margin.value)} {unit}, at most "
                f"{_number(1e6 * margin.limit)} is allowed{close}"
            )
        elif margin.target.startswith("share"):
            reached, wanted = _shares(margin.value, margin.limit)
            reasons.append(
                f"{reached} of the {_share_words(share)}, {wanted} are asked{close}"
            )
        else:
            what = margin.target.removesuffix(", at most")
            error = cv_error if what == "CV of resistance" else gauge_cv_error
            reasons.append(
                f"{what.replace('of ', 'of the ')} "
                f"{_against(margin.value, error, margin.limit)[0]}"
                f"{_over_conducting(castings)}, at most "
                f"{_against(margin.value, error, margin.limit)[1]} is allowed{close}"
            )
    return reasons


def _readout(castings: Castings, target: Target, median: float) -> Readout | None:
    """Divider reading of the median casting, R(strain) from the median response."""
    if target.supply_voltage is None or target.series_resistance is None:
        return None
    response = castings.response()
    strain, ratio = np.asarray(response["strain"]), np.asarray(response["median"])
    finite = np.isfinite(ratio)
    strained = np.inf
    if np.isfinite(median) and finite.sum() >= 2:
        x, y = strain[finite], np.log(ratio[finite])
        at = float(np.interp(1e-3, x, y))
        if not x[0] <= 1e-3 <= x[-1]:  # a window that ends before: its chord goes on
            end = int(np.argmax(np.abs(x)))
            at = float(np.log1p(max((np.exp(y[end]) - 1.0) / x[end] * 1e-3, -0.999)))
        strained = median * float(np.exp(at))
    elif np.isfinite(median):
        strained = median
    return read_through_series(
        median, strained, target.supply_voltage, target.series_resistance
    )


def _when_weighed_off(castings: Castings, target: Target) -> tuple[float, float]:
    """Share that passes when the loading is a per cent lower and higher than planned."""
    ref, strained = castings.fit.loading.reference_state, castings.strained_state
    states = [ref] if strained is None else [ref, strained]
    shares = []
    for factor in (1.0 - WEIGHING_ERROR, 1.0 + WEIGHING_ERROR):
        r = castings.at_loading(factor, states)
        gauge = np.zeros(len(r))
        if strained is not None:
            gauge = chord(r[:, 0], r[:, 1], castings.fit.loading.strains[strained])
        shares.append(float(target.passes(r[:, 0], gauge).mean()))
    return shares[0], shares[1]


def judge(
    castings: Castings, target: Target, mix: Mix | None = None, index: int = 0
) -> Candidate:
    """Hold the castings of one candidate against the target.

    Parameters
    ----------
    castings : Castings
        From `cast_films`.
    target : Target
        What is asked.
    mix : Mix, optional
        The mix it belongs to, for its name.
    index : int
        Which mix that is.

    Returns
    -------
    Candidate
        Complete, refused or not.

    """
    passes = target.passes(castings.at_rest, castings.gauge_factors)
    replicas = _replicas(castings, target)
    share = _pass_share(replicas, passes)
    cv_error = _half_of_central(replicas.resistance_cv, castings)
    gauge_cv_error = _half_of_central(replicas.gauge_factor_cv, castings)
    median, p05, p95 = weighted_quantiles(castings.at_rest, (0.5, 0.05, 0.95))
    gauge = _gauge_limits(castings)
    margins = _margins(
        castings,
        target,
        float(median),
        gauge[0],
        share,
        (cv_error, gauge_cv_error),
        replicas,
    )
    ratio = castings.fit.threshold_ratio
    cautions = list(castings.fit.notes)
    if castings.slope_note:
        cautions.append(castings.slope_note)
    if FAITHFUL_RATIO <= ratio < SAFE_RATIO:
        cautions.append(
            f"{_wt(castings.fit.loading.weight_fraction)}: at {_own_threshold(ratio)} "
            f"(below {SAFE_RATIO:g}) boxes still read a few per cent to some ten per cent "
            "off"
        )
    error = castings.gauge_factor_errors[0]
    unresolved = "" if castings.is_open else _unresolved(gauge[0], error)
    if unresolved and castings.strained_state is not None:
        cautions.append(
            # no number, so that every gap of a loading says the same and it is told once
            f"{_wt(castings.fit.loading.weight_fraction)}: gauge factor {unresolved}"
        )
    diameters = castings.film.electrode_gap / castings.fit.loading.diameter
    if diameters < CUBE_DIAMETERS:
        cautions.append(
            f"electrode gap {_mm(castings.film.electrode_gap)} is only {diameters:.1f} "
            "particle diameters long: resistivity and electrode term are not meant for it"
        )
    if len(castings.fit.influence) < 2:
        cautions.append(
            f"{_wt(castings.fit.loading.weight_fraction)}: one box of the longest kind, so "
            f"neither the scatter of chains nor the simulation error is known"
        )
    return Candidate(
        castings=castings,
        pass_share=share,
        passes=passes,
        resistance=(float(median), float(p05), float(p95)),
        gauge_factor=gauge,
        resistance_cv_error=cv_error,
        gauge_factor_cv_error=gauge_cv_error,
        margins=margins,
        refused_because=tuple(
            _refusals(castings, target, margins, share, cv_error, gauge_cv_error)
        ),
        cautions=tuple(cautions),
        readout=_readout(castings, target, float(median)),
        replicas=replicas,
        threshold_weight_fraction=_weight_fraction_at(
            castings.fit.loading,
            min(castings.fit.loading.volume_fraction / ratio, 1.0 - 1e-9),
        ),
        weighing=_when_weighed_off(castings, target),
        mix=index,
        words=mix.words if mix else "",
        values=mix.values if mix else (),
    )


def _rank(candidate: Candidate) -> tuple[float, float]:
    """Pass share to a per cent, below which castings cannot tell; then the reserve."""
    return round(candidate.pass_share.value, 2), candidate.reserve


def _distance(candidate: Candidate) -> float:
    """How far a candidate is outside its limits altogether (0 inside)."""
    return sum(min(max(-m.reserve, 0.0), 50.0) for m in candidate.margins)


def _nearness(candidate: Candidate) -> tuple[bool, float, float]:
    """Rank of candidates that miss the target: trusted ones, pass share, then distance."""
    trusted = candidate.castings.fit.threshold_ratio >= FAITHFUL_RATIO
    return trusted, round(candidate.pass_share.value, 2), -_distance(candidate)


def _reserves(target: Target, r: Replicas) -> list[Floats]:
    """Distances inside the limits as in `_margins`, in its order, for every resample."""
    low, high = target.window

    def ratio(value: Floats, limit: float) -> Floats:
        known = (value > 0.0) & np.isfinite(value)
        return np.where(known, np.log(np.where(known, value, limit) / limit), -np.inf)

    def against(limit: float, value: Floats) -> Floats:
        known = (value > 0.0) & np.isfinite(value)
        return np.where(known, np.log(limit / np.where(known, value, limit)), -np.inf)

    rows = []
    if low > 0.0:
        rows.append(ratio(r.resistance, low))
    if np.isfinite(high):
        rows.append(against(high, r.resistance))
    if target.gauge_factor_min is not None:
        rows.append(ratio(r.gauge_factor, target.gauge_factor_min))
    if target.resistance_cv_max is not None:
        rows.append(1.0 - r.resistance_cv / target.resistance_cv_max)
    if target.gauge_factor_cv_max is not None:
        rows.append(1.0 - r.gauge_factor_cv / target.gauge_factor_cv_max)
    if target.thermal_output_max is not None:
        rows.append(against(target.thermal_output_max, r.thermal_output))
    if target.self_heating_drift_max is not None:
        rows.append(against(target.self_heating_drift_max, r.self_heating_drift))
    rows.append(r.pass_share - target.pass_share_min)
    return rows


def _few_boxes(n: int) -> float:
    """Factor on deviations of resampled boxes: what few of them do not show.

    Resampling n boxes scatters by the root of (n - 1)/n too little, and the error so
    estimated is uncertain itself (Student's t at 97.5 % over the normal quantile).
    """
    if n < 2:
        return float("inf")
    return float(np.sqrt(n / (n - 1.0)) * stdtrit(n - 1, 0.975) / ndtri(0.975))


def _widened(values: Floats, middle: float, factor: float) -> Floats:
    """Deviations from the middle times a factor; infinite ones stay as they are."""
    known = np.isfinite(values) & np.isfinite(middle)
    step = np.where(known, values, 0.0) - (middle if np.isfinite(middle) else 0.0)
    return np.where(known, middle + factor * np.where(known, step, 0.0), values)


def stand(
    candidates: Sequence[Candidate],
    target: Target,
    chosen: int | None,
    confidence: float = 0.95,
) -> Standing:
    """Ask how sure a choice is against the randomness of the boxes.

    Parameters
    ----------
    candidates : sequence of Candidate
        All of them.
    target : Target
        What they were held against.
    chosen : int or None
        Which one was chosen, None when none meets the target.
    confidence : float
        Confidence that is asked; names the undecided ones.

    Returns
    -------
    Standing

    Notes
    -----
    The choice is made again in every resample of the boxes, the deviations of the
    resamples widened for the number of boxes. That it stands within an indifference of one
    per cent of castings is the probability of good selection of ranking and selection
    [1]_, here from resamples in place of a posterior, so that limits, ranks and their
    correlation through common random numbers are in it together.

    References
    ----------
    .. [1] Branke, Chick & Schmidt, "Selecting a Selection Procedure", Management Science
       53, 1916 (2007), from memory. https://doi.org/10.1287/mnsc.1070.0721

    """
    shares, reserves, good = [], [], []
    for c in candidates:
        factor = _few_boxes(len(c.castings.fit.influence))
        wide = factor if np.isfinite(factor) else 1.0
        rows = [
            _widened(row, margin.reserve, wide)
            for row, margin in zip(_reserves(target, c.replicas), c.margins, strict=True)
        ]
        fit = c.castings.fit
        trusted = fit.threshold_ratio >= FAITHFUL_RATIO and not fit.is_open
        closed = c.replicas.open_fraction <= 1.0 - target.pass_share_min
        good.append(np.all([row >= 0.0 for row in rows], axis=0) & trusted & closed)
        reserves.append(np.min(rows, axis=0))
        shares.append(_widened(c.replicas.pass_share, c.pass_share.value, wide))
    share, reserve, meets = np.array(shares), np.array(reserves), np.array(good)
    n = share.shape[1]
    rank = np.round(100.0 * share) * 1e3 + np.clip(reserve, -400.0, 400.0)
    rank = np.where(meets, rank, -np.inf)
    winner = np.where(meets.any(axis=0), rank.argmax(axis=0), -1)
    first = [float(np.mean(winner == i)) for i in range(len(candidates))]
    if chosen is None:
        stands = winner < 0
    else:
        highest = np.where(meets, share, -np.inf).max(axis=0)
        stands = meets[chosen] & (share[chosen] >= highest - EQUAL_SHARES)
    rivals = np.bincount(winner[~stands & (winner >= 0)], minlength=len(candidates)) / n
    asked = 0.25 * (1.0 - confidence)
    undecided = {i for i in range(len(candidates)) if rivals[i] > asked}
    if not undecided and rivals.max() > 0.0:
        undecided = {int(rivals.argmax())}
    if chosen is not None and not stands.all():
        undecided.add(chosen)
    # one more as if it had failed, so that no finite number of resamples is certainty
    sure = (float(stands.sum()) + 0.5) / (n + 1.0)
    return Standing(sure, tuple(first), tuple(sorted(undecided)))


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """What a bench can make, which bounds the advice.

    Parameters
    ----------
    film_length : float or None
        Whole length of the film [m], which no electrode gap can exceed.
    largest_particle : float or None
        Largest extent of any particle [m], below which no film is advised.
    solids : callable or None
        Solids of the mix as cast over those at which the filler jams, for a weight
        fraction.

    Raises
    ------
    ValueError
        If a length is not positive.

    """

    film_length: float | None = None
    largest_particle: float | None = None
    solids: Callable[[float], float] | None = None

    def __post_init__(self) -> None:
        for name in ("film_length", "largest_particle"):
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                raise ValueError(f"{name} must be a positive length, got {value}")

    def castable(self, weight_fraction: float) -> bool:
        """Whether a mix of this loading stays clear of jamming, as far as that is known."""
        return self.solids is None or self.solids(weight_fraction) < CASTABLE

    def stiffness(self, weight_fraction: float) -> str:
        """Say how close to jamming a mix is cast; empty when it is far from it."""
        if self.solids is None:
            return ""
        share = self.solids(weight_fraction)
        thicker = (1.0 - share) ** -2.0 if share < 1.0 else np.inf
        if share < CASTABLE and thicker <= STIFF:
            return ""
        solids = f"solids take {_percent(share)} of those at which the filler jams"
        if share >= 1.0:
            return f"{_wt(weight_fraction)}: {solids}: it cannot be cast so"
        trouble = (
            "expect a crumbly paste with pores" if share >= CASTABLE else "a stiff mix"
        )
        return (
            f"{_wt(weight_fraction)}: {solids} and thicken the mix about "
            f"{float(f'{thicker:.2g}'):.0f} times: {trouble}; thin it with solvent or "
            "lower the loading"
        )


@dataclass(frozen=True, slots=True)
class _Bench:
    """Everything needed to cast again while looking for advice."""

    fits: tuple[LoadingFit, ...]
    threshold: LoadingThreshold
    draws: CastingDraws
    threshold_draws: Floats
    target: Target
    contacts: ContactParameters | TunnellingParameters
    limits: BenchLimits
    longest: float
    """Longest electrode gap explored [m]."""
    tolerances: Tolerances
    mount: Callable[[Castings], Castings] | None = None

    @property
    def weights(self) -> tuple[float, float]:
        """Lowest and highest weight fraction that may be advised; none if crossed.

        From 1.3 times the film's own threshold, or 20 % below the lowest explored, to 20 %
        above the highest explored, less where the mix can no longer be cast.
        """
        first, last = self.fits[0].loading, self.fits[-1].loading
        phi = FAITHFUL_RATIO * self.threshold.volume_fraction
        low = max(
            _weight_fraction_at(last, min(phi, 0.999)), first.weight_fraction / FARTHEST
        )
        high = min(
            FARTHEST * last.weight_fraction,
            _weight_fraction_at(last, min(FARTHEST * last.volume_fraction, 0.999)),
        )
        return low, self.castable_up_to(high)

    def castable_up_to(self, high: float) -> float:
        """Highest weight fraction below `high` that can be cast."""
        if self.limits.castable(high):
            return high
        low = 0.0
        for _ in range(20):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if self.limits.castable(middle) else (low, middle)
        return low

    def beyond(self, weight_fraction: float) -> str:
        """Say that a loading lies outside those explored; empty when it does not."""
        first, last = self.fits[0].loading, self.fits[-1].loading
        if first.weight_fraction <= weight_fraction <= last.weight_fraction:
            return ""
        return " (outside the loadings explored)"

    def gaps(self, diameter: float) -> tuple[float, float]:
        """Shortest and longest electrode gap that may be advised [m]."""
        low = SHORTEST_GAP * diameter
        if self.limits.largest_particle is not None:
            low = max(low, self.limits.largest_particle)
        longest = self.limits.film_length
        return low, FARTHEST_GAP * self.longest if longest is None else longest

    def cast(self, index: int, film: Film) -> Castings:
        castings = cast_films(
            self.fits,
            index,
            film,
            self.threshold,
            self.tolerances,
            self.draws,
            self.threshold_draws,
        )
        return castings if self.mount is None else self.mount(castings)


def _weight_fraction_at(loading: LoadingResult, phi: float) -> float:
    """Weight fraction that gives a volume fraction, by the densities of a known loading."""
    w, known = loading.weight_fraction, loading.volume_fraction
    density = (w / (1.0 - w)) / (known / (1.0 - known))
    odds = density * phi / (1.0 - phi)
    return odds / (1.0 + odds)


def _gap_for(castings: Castings, aim: float) -> float:
    """Electrode gap at which the planned film has a resistance [m]."""
    ref = castings.fit.loading.reference_state
    rho, excess = castings.fit.resistivity[ref], castings.fit.electrode_excess[ref]
    return castings.film.gap_for(aim, float(rho), float(excess))


def _three_digits(value: float, low: float, high: float) -> float:
    """Round a length [m] to a hundredth of a millimetre or three digits, inside limits."""
    step = 10.0 ** (np.floor(np.log10(value)) - 2)
    value = round(value / step) * step
    if value < low:
        value = np.ceil(low / step) * step
    if value > high:
        value = np.floor(high / step + 1e-9) * step
    return float(value)


def _tenths_of_wt(value: float, low: float, high: float) -> float:
    """Round a weight fraction to a tenth of a per cent, inside limits."""
    steps = round(1e3 * value)
    if steps < 1e3 * low:
        steps = int(np.ceil(1e3 * low))
    if steps > 1e3 * high:
        steps = int(np.floor(1e3 * high))
    return steps / 1e3


def _loading_for(bench: _Bench, castings: Castings, aim: float) -> float | None:
    """Weight fraction with a resistance at this gap, None when none may be advised.

    Interpolates ln R over ln(phi - phi_c) between trusted loadings, and goes on with the
    slope at the end.
    """
    ref = castings.fit.loading.reference_state
    points = [
        (
            np.log(fit.loading.volume_fraction - bench.threshold.volume_fraction),
            np.log(castings.film.resistance(fit.resistivity, fit.electrode_excess)[ref]),
        )
        for fit in bench.fits
        if fit.threshold_ratio >= FAITHFUL_RATIO and not fit.is_open
    ]
    if not points:
        return None
    x, y = np.array(points).T
    goal = np.log(aim)
    inside = bool(y.min() <= goal <= y.max())
    if inside and len(x) > 1:
        # first crossing seen from the candidate's side of the list
        for a in range(len(x) - 1):
            if min(y[a], y[a + 1]) <= goal <= max(y[a], y[a + 1]) and y[a] != y[a + 1]:
                at = x[a] + (goal - y[a]) * (x[a + 1] - x[a]) / (y[a + 1] - y[a])
                break
    else:
        end = int(np.argmin(np.abs(y - goal)))
        near = min(max(end, 1), len(x) - 1)
        slope = (y[near] - y[near - 1]) / (x[near] - x[near - 1]) if len(x) > 1 else -2.0
        if slope >= -0.2:
            return None
        at = x[end] + (goal - y[end]) / slope
    phi = bench.threshold.volume_fraction + float(np.exp(at))
    if not 0.0 < phi < 1.0:
        return None
    found = _weight_fraction_at(castings.fit.loading, phi)
    low, high = bench.weights
    return _tenths_of_wt(found, low, high) if low <= found <= high else None


def _clear_of_threshold(bench: _Bench) -> tuple[float, bool]:
    """Weight fraction at 1.5 times the film's own threshold, and whether it can be cast."""
    loading = bench.fits[-1].loading
    phi = SAFE_RATIO * bench.threshold.volume_fraction
    w = _tenths_of_wt(_weight_fraction_at(loading, min(phi, 0.999)), 0.0, 0.999)
    return w, phi < 0.999 and bench.limits.castable(w)


_OTHER_FILLER = (
    "another filler, or one of a larger aspect ratio, conducts at lower loadings"
)


def _open_advice(bench: _Bench, candidate: Candidate) -> list[str]:
    """Say what to do about a film that is open or not decided."""
    castings = candidate.castings
    weight = castings.fit.loading.weight_fraction
    why = f"at {_wt(weight)} {_verdict_if_open(castings)}"
    clear, can_be_cast = _clear_of_threshold(bench)
    if castings.fit.threshold_ratio < SAFE_RATIO:
        if not can_be_cast:
            return [
                "no loading that can be cast is clear of the threshold "
                f"({_wt(clear)} would be {SAFE_RATIO:g} times the film's own): {why}; "
                f"{_OTHER_FILLER}"
            ]
        return [
            f"raise the weight fraction to {_wt(clear)} or more ({SAFE_RATIO:g} "
            f"times the film's own threshold at 20 C){bench.beyond(clear)}: {why}"
        ]
    higher = [
        fit.loading.weight_fraction
        for fit in bench.fits
        if fit.loading.weight_fraction > weight and not fit.is_open
    ]
    if higher:
        return [f"raise the weight fraction to {_wt(higher[0])}, which conducts: {why}"]
    high = bench.weights[1]
    if high > 1.02 * weight:
        return [
            f"raise the weight fraction, at most to {_wt(_tenths_of_wt(high, 0.0, high))}"
            f"{bench.beyond(high)}: {why}"
        ]
    return [f"{why}, and no higher loading can be advised; {_OTHER_FILLER}"]


def _size_option(bench: _Bench, film: Film, scale: float) -> str:
    """Change thickness or width so that R is multiplied by `scale`; empty if it cannot."""
    if not 1.0 / THICKER <= scale <= THICKER:
        return ""
    if scale < 1.0:
        return f"make the film {1.0 / scale:.3g} times as thick or wide"
    smallest = max(bench.limits.largest_particle or 0.0, bench.fits[0].loading.diameter)
    sizes = {"thinner": film.thickness, "narrower": film.width}
    verbs = [verb for verb, size in sizes.items() if size / scale >= smallest]
    return f"make the film {scale:.3g} times {' or '.join(verbs)}" if verbs else ""


def _resistance_advice(
    bench: _Bench, index: int, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """How to bring the median into the window with room for the spread."""
    castings, target = candidate.castings, bench.target
    low, high = window = target.window
    median = candidate.resistance[0]
    # castings are centred on the planned film up to a few per cent
    nominal = float(castings.nominal[castings.fit.loading.reference_state])
    if np.isinf(median) or np.isinf(nominal):
        return _open_advice(bench, candidate)
    at_rest = castings.at_rest
    above, below = float(np.mean(at_rest > high)), float(np.mean(at_rest < low))
    if above + below <= 1.0 - target.pass_share_min:
        return []
    spread = float(np.sqrt(np.log1p(castings.resistance_cv**2)))
    # half way between the share that is asked and all castings, so that it is kept surely
    kept = min(0.5 * (1.0 + target.pass_share_min), 0.999)
    room = float(np.exp(max(ndtri(kept), 0.0) * spread))
    middle = np.sqrt(low * high) if low > 0.0 and np.isfinite(high) else None
    if above >= below:
        aim = high / room if middle is None else max(high / room, float(middle))
        where = f"the window ends at {_ohms(high)}"
        heavier = "raise"
    else:
        aim = low * room if middle is None else min(low * room, float(middle))
        where = f"the window starts at {_ohms(low)}"
        heavier = "lower"
    if (aim > median) == (heavier == "raise"):
        # as far from that end as it need be: the window is too narrow for the spread, and
        # a few per cent towards its middle would not help
        if middle is None or abs(np.log(middle / median)) < 0.05:
            return []
        if (middle > median) == (heavier == "raise"):
            return []
        aim = float(middle)
    goal = aim * nominal / median
    options = []
    asked = target.pass_share_min

    def does(values: Floats) -> float:
        """Share of castings inside the window, 0 when it would not do."""
        inside = float(np.mean((values >= low) & (values <= high)))
        return inside if inside >= asked else 0.0

    weight = castings.fit.loading.weight_fraction
    # a loading farther from the threshold scatters less and needs less room: it may stop
    # closer to the end of the window
    end = high if heavier == "raise" else low
    for part in np.arange(0.0, 0.65, 0.05):
        goal_there = float(aim ** (1.0 - part) * end**part)
        found = _loading_for(bench, castings, goal_there * nominal / median)
        if found is None or (found > weight) != (heavier == "raise") or found == weight:
            continue
        spread_there = _spread_at(bench, candidates, candidate, found)
        ends = [np.log(limit / goal_there) if limit > 0.0 else -np.inf for limit in window]
        expected = float(np.diff(ndtr(np.array(ends) / spread_there))[0])
        if expected >= asked:
            options.append(
                f"{heavier} the weight fraction to about {_wt(found)}{bench.beyond(found)}"
                f"{_what_is_known_there(candidates, candidate, found)}"
            )
            break
    shortest, longest = bench.gaps(castings.fit.loading.diameter)
    wanted = _gap_for(castings, goal)
    own = castings.film.electrode_gap
    if shortest <= longest:
        gap = _three_digits(min(max(wanted, shortest), longest), shortest, longest)
        film = replace(castings.film, electrode_gap=gap)
        inside = does(bench.cast(index, film).at_rest)
        if inside and gap != own and (gap < own) == (heavier == "raise"):
            verb = "shorten" if gap < own else "lengthen"
            options.append(
                f"{verb} the gap to {_mm(gap)} (which puts {_percent(inside)} of the "
                "castings into the window)"
            )
    size = _size_option(bench, castings.film, goal / nominal)
    if size and does(at_rest * (aim / median)):
        options.append(size)
    state = f"the median is {_ohms(median)}, {where}"
    if options:
        return [f"{' or '.join(options)}: {state}"]
    if middle is not None:
        centred = at_rest * (float(middle) / median)
        most = float(np.mean((centred >= low) & (centred <= high)))
        if most < asked:
            return [
                f"{state}, and the window is too narrow for the spread: with the median in "
                f"its middle {_percent(most)} of the castings would lie inside, "
                f"{_percent(asked)} are asked: widen the resistance window, tighten the "
                "tolerances, or ask for fewer"
            ]
    w_low, w_high = bench.weights
    loadings = (
        f"loadings of {_wt(_tenths_of_wt(w_low, w_low, w_high))} to "
        f"{_wt(_tenths_of_wt(w_high, w_low, w_high))}"
        if w_low < w_high
        else "loadings that conduct and can be cast"
    )
    return [
        f"{state}, and {_NO_SINGLE_CHANGE}: not {loadings}, nor "
        "gaps of "
        f"{_mm(shortest)} to {_mm(longest)}, nor a film up to {THICKER:g} times thicker, "
        f"thinner, wider or narrower; what could: {_other_window(target, median)}, or "
        "another filler or aspect ratio"
    ]


def _spread_at(
    bench: _Bench,
    candidates: Sequence[Candidate],
    candidate: Candidate,
    weight_fraction: float,
) -> float:
    """Deviation of ln R between castings at a loading that was not explored.

    That of the closest one explored at this gap, its parts from loading and threshold
    moved with d ln R / d ln(phi/phi_c) = t phi/(phi - phi_c).
    """
    like = _closest_in_loading(candidates, candidate, weight_fraction).castings
    critical, phi = bench.threshold.volume_fraction, like.fit.loading.volume_fraction
    density = (phi / (1.0 - phi)) / _odds(like.fit.loading.weight_fraction)
    there = density * _odds(weight_fraction)
    there /= 1.0 + there
    if min(phi, there) <= critical:
        return float("inf")
    lever = float((phi - critical) / (there - critical) * there / phi)
    moved = dict.fromkeys(("weighing", "mixing", "mixing_within", "aspect_ratio"), lever)
    variance = np.log1p(like.resistance_cv**2)
    parts = [share * moved.get(name, 1.0) ** 2 for name, share in like.shares.items()]
    return float(np.sqrt(variance * sum(parts))) or 1e-12


def _odds(fraction: float) -> float:
    return fraction / (1.0 - fraction)


def _closest_in_loading(
    candidates: Sequence[Candidate], candidate: Candidate, weight_fraction: float
) -> Candidate:
    """Explored candidate at the same gap that conducts, closest to a loading."""
    gap = candidate.castings.film.electrode_gap
    peers = [
        c
        for c in candidates
        if c.castings.film.electrode_gap == gap
        and np.isfinite(c.resistance[0])
        and c.castings.fit.threshold_ratio >= FAITHFUL_RATIO
    ]
    return min(
        peers or [candidate],
        key=lambda c: abs(c.castings.fit.loading.weight_fraction - weight_fraction),
    )


def _pair_advice(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """Find an explored loading and a gap that was not, which together meet the target.

    For each loading the gap that puts the median into the middle of the window, and gaps
    about it, cast and counted; the best of them is then judged like any candidate.
    """
    target = bench.target
    low, high = target.window
    if not (low > 0.0 and np.isfinite(high)):
        return []
    found: list[Candidate] = []
    shortest, longest = bench.gaps(bench.fits[0].loading.diameter)
    for index, fit in enumerate(bench.fits):
        if (
            fit.threshold_ratio < FAITHFUL_RATIO
            or fit.is_open
            or not bench.limits.castable(fit.loading.weight_fraction)
            or shortest > longest
        ):
            continue
        peer = next(c for c in candidates if c.castings.fit is fit)
        best, most = None, -1.0
        for part in (0.3, 0.4, 0.5, 0.6, 0.7):
            wanted = _gap_for(peer.castings, low ** (1.0 - part) * high**part)
            if not shortest <= wanted <= longest:
                continue
            gap = _three_digits(wanted, shortest, longest)
            cast = bench.cast(index, replace(peer.castings.film, electrode_gap=gap))
            share = float(target.passes(cast.at_rest, cast.gauge_factors).mean())
            if share > most:
                best, most = cast, share
        if best is not None and most >= target.pass_share_min:
            judged = judge(best, target)
            if judged.meets_target:
                found.append(judged)
    if not found:
        return []
    best_pair = max(found, key=_rank)
    here = candidate.castings
    both = best_pair.castings.fit is not here.fit
    verb = "change loading and gap together" if both else "change the gap"
    return [
        f"{verb}: {best_pair.name} gap meets every target, "
        f"{_percent(best_pair.pass_share.value)} of the castings pass (cast from the "
        "boxes of this run, not explored as a candidate)"
    ]


_NO_SINGLE_CHANGE = "no single change brings enough castings in"


def _other_window(target: Target, median: float) -> str:
    """Window that a film of this resistance would lie in the middle of."""
    if target.resistance_min is None and target.resistance_max is None:
        return f"a series resistor of about {_ohms(median)}"
    return f"a window around {_ohms(median)}, with a series resistor of about as much"


def _what_is_known_there(
    candidates: Sequence[Candidate], candidate: Candidate, weight_fraction: float
) -> str:
    """Say what an explored loading beside an advised one still misses at this gap."""
    gap = candidate.castings.film.electrode_gap
    for other in candidates:
        w = other.castings.fit.loading.weight_fraction
        missed = [
            m.target.partition(",")[0]
            for m in other.margins
            if not m.met and m.unit != "ohm" and not m.target.startswith("share")
        ]
        if (
            other.castings.film.electrode_gap == gap
            and abs(w / weight_fraction - 1.0) < 0.05
            and missed
        ):
            named = " and ".join(dict.fromkeys(missed))
            return f", where {_wt(w)}, explored, still misses {named}"
    return ""


_REMEDY = {
    "weighing": "weigh more closely or make a larger batch",
    "mixing": "mix longer or in more passes",
    "thickness": "control the thickness",
    "gap": "set the electrode gap with a jig",
    "width": "cut the width with a jig",
    "contact": "make contacts alike (one lot, one cure, one electrode paste)",
    "aspect_ratio": "keep to one lot of powder, or measure each lot and adjust the loading",
    "mixing_within": "mix to a finer grain, or enlarge the film, which averages it",
    "skew": "set the electrodes parallel with a jig",
    "particle_size": "keep to one lot of powder, or sieve it",
    "response": "bond and cure all films alike",
    "tilt": "cast and level all films alike, so that particles settle alike",
    "chains": "enlarge the film",
}


def _scatters_less(
    candidates: Sequence[Candidate],
    candidate: Candidate,
    value: Callable[[Candidate], float],
) -> Candidate | None:
    """Higher loading at the same gap, explored and trusted, with the smallest CV."""
    here = candidate.castings
    higher = [
        c
        for c in candidates
        if c.castings.film.electrode_gap == here.film.electrode_gap
        and c.castings.fit.loading.weight_fraction > here.fit.loading.weight_fraction
        and c.castings.fit.threshold_ratio >= FAITHFUL_RATIO
        and np.isfinite(c.resistance[0])
        and value(c) < value(candidate)
    ]
    return min(higher, key=value, default=None)


def _resistance_cv(candidate: Candidate) -> float:
    return candidate.castings.resistance_cv


def _gauge_factor_cv(candidate: Candidate) -> float:
    return candidate.castings.gauge_factor_cv


def _spread_advice(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """Which tolerances to tighten, and to what, for the spread of R that is asked."""
    castings, limit = candidate.castings, bench.target.resistance_cv_max
    cv = castings.resistance_cv
    if (
        limit is None
        or not np.isfinite(cv)
        or cv <= limit
        or sum(castings.shares.values()) == 0
    ):
        return []
    variance, goal = np.log1p(cv**2), np.log1p(limit**2)
    ordered = sorted(castings.shares, key=castings.shares.__getitem__, reverse=True)
    excess, steps, reached = variance - goal, [], False
    for name in ordered:
        part = castings.shares[name] * variance
        if part > excess:
            keep = max(float(np.sqrt(1.0 - excess / part)), TIGHTEST)
            steps.append(f"{_REMEDY[name]} (to {_percent(keep)} of its present tolerance)")
            excess -= part * (1.0 - keep**2)
            reached = excess <= 1e-12
            if reached or len(steps) == 3:
                break
            continue
        steps.append(f"{_REMEDY[name]} (to a third of its present tolerance)")
        excess -= part * (1.0 - 1.0 / 9.0)
        reached = excess <= 0.0
        if reached or len(steps) == 3:
            break
    top = ordered[0]
    calm = _scatters_less(candidates, candidate, _resistance_cv)
    also = ""
    if calm is not None:
        also = (
            f"; {_wt(calm.castings.fit.loading.weight_fraction)} scatters less "
            f"({_tenths(calm.castings.resistance_cv)})"
        )
    told, allowed = _against(cv, np.inf, limit)
    left = ""
    if not reached:
        rest = cv_from_log_std(float(np.sqrt(goal + excess)))
        left = f", which alone still leaves {_tenths(rest)}"
    return [
        f"{' and '.join(steps)}{left}: the CV of the resistance is {told}"
        f"{_over_conducting(castings)}, at most {allowed} is allowed, and "
        f"{top.replace('_', ' ')} makes {_percent(castings.shares[top])} of it{also}"
    ]


def _what_strain_rests_on(contacts: ContactParameters | TunnellingParameters) -> str:
    """Name the parameters that the response to strain depends on."""
    if isinstance(contacts, ContactParameters):
        return f"beta ({_number(contacts.beta)} here), delta_b, lambda_T and closed_at"
    return "the barrier height, the cutoff and rigid-body moves"


def _gauge_advice(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """How to reach the gauge factor and its spread."""
    words = []
    asked, limit = bench.target.gauge_factor_min, bench.target.gauge_factor_cv_max
    gauge = candidate.gauge_factor[0]
    gap = candidate.castings.film.electrode_gap
    peers = [c for c in candidates if c.castings.film.electrode_gap == gap]
    trusted = [
        c
        for c in peers
        if c.castings.fit.threshold_ratio >= FAITHFUL_RATIO and np.isfinite(c.resistance[0])
    ]
    if asked is not None and np.isfinite(candidate.resistance[0]) and not gauge >= asked:
        good = [c for c in trusted if c.gauge_factor[0] >= asked]
        if good:
            c = min(
                good,
                key=lambda c: abs(
                    c.castings.fit.loading.weight_fraction
                    - candidate.castings.fit.loading.weight_fraction
                ),
            )
            words.append(
                f"cast {_wt(c.castings.fit.loading.weight_fraction)} instead, where the "
                f"gauge factor is {_number(c.gauge_factor[0])}: it is {_number(gauge)} "
                f"here and {_number(asked)} is asked"
            )
        else:
            best = max(trusted, key=lambda c: c.gauge_factor[0], default=candidate)
            words.append(
                f"no loading explored above {FAITHFUL_RATIO:g} times the film's own "
                f"threshold at 20 C reaches a gauge factor of {_number(asked)} (best "
                f"{_number(best.gauge_factor[0])}, at "
                f"{_wt(best.castings.fit.loading.weight_fraction)}); it rests on "
                f"{_what_strain_rests_on(bench.contacts)}: "
                "measure films under strain before relying on it"
            )
    cv = candidate.castings.gauge_factor_cv
    if limit is not None and np.isfinite(candidate.resistance[0]) and not cv <= limit:
        told, allowed = _against(cv, candidate.gauge_factor_cv_error, limit)
        state = (
            f"the CV of the gauge factor is {told}"
            f"{_over_conducting(candidate.castings)} at "
            f"{_own_threshold(candidate.castings.fit.threshold_ratio)}, at most {allowed} "
            "is allowed"
        )
        calm = _scatters_less(candidates, candidate, _gauge_factor_cv)
        if calm is not None:
            words.append(
                "raise the weight fraction, "
                f"{_wt(calm.castings.fit.loading.weight_fraction)} has "
                f"{_tenths(calm.castings.gauge_factor_cv)}: {state}"
            )
        else:
            words.append(
                f"{state}, and no higher loading explored has less: more boxes (it "
                "rests on how the gauge factor moves with loading, which few boxes tell "
                "badly), tighter tolerances of weighing and "
                "mixing, or another filler"
            )
    return words


def _missed(candidate: Candidate, target: str) -> Margin | None:
    """Row of a limit that a candidate does not keep; None if kept or not asked."""
    rows = (m for m in candidate.margins if m.target.startswith(target) and not m.met)
    return next(rows, None)


def _thermal_advice(
    target: Target, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """How to keep the limits on self-heating drift and thermal output."""
    from scipy.optimize import brentq

    words = []
    drift = _missed(candidate, "self-heating")
    if drift is not None and target.circuit is not None:
        resistance = np.array([candidate.resistance[0]])

        def too_much(supply: float) -> float:
            circuit = replace(target.circuit, supply=supply)  # type: ignore[type-var]
            there = replace(target, circuit=circuit)
            found = _thermal(candidate.castings, there, resistance, resampled=False)[1]
            return float(min(found[0], 1e30)) - drift.limit

        options = []
        whole = target.circuit.supply
        if np.isfinite(resistance[0]) and too_much(1e-2 * whole) < 0.0:
            supply = brentq(too_much, 1e-2 * whole, whole, rtol=1e-3)
            options.append(
                f"lower the supply to about {_rounded_down(supply):g} V, and with it the "
                "signal"
            )
        kept = [
            c
            for c in candidates
            if c.castings.fit is candidate.castings.fit
            and not _missed(c, "self-heating")
            and np.isfinite(c.resistance[0])
        ]
        if kept:
            other = min(kept, key=lambda c: c.castings.film.electrode_gap)
            gap = other.castings.film.electrode_gap
            options.append(f"take a gap of {_mm(gap)} as far as self-heating goes")
        options.append("spread the power over a wider film, or cool it better")
        size = "without bound"
        if np.isfinite(drift.value):
            size = f"{1e6 * drift.value:.3g} microstrain"
        words.append(
            f"{'; or '.join(options)}: the film's own heat drifts the reading by {size}, "
            f"{1e6 * drift.limit:.3g} microstrain are allowed"
        )
    output = _missed(candidate, "thermal output")
    if output is not None:
        size = f"{1e6 * output.value:.3g}" if np.isfinite(output.value) else "unbounded"
        words.append(
            f"compensate temperature outside the film, by a second film that is not "
            f"strained in a half bridge or a temperature read beside it: its thermal "
            f"output is {size} microstrain per kelvin, {1e6 * output.limit:.3g} are "
            "allowed, and its size rests on lambda_T and Ea, which are to be measured"
        )
    return words


def _rounded_down(value: float) -> float:
    """Two digits, never more than the value."""
    unit = 10.0 ** (np.floor(np.log10(value)) - 1.0)
    return float(np.floor(value / unit) * unit)


def _changes(
    bench: _Bench, candidates: Sequence[Candidate], index: int, n_gaps: int
) -> list[str]:
    """Say what would have to change for the nearest candidate to meet the target."""
    candidate = candidates[index]
    ratio = candidate.castings.fit.threshold_ratio
    words = []
    if all(c.castings.fit.threshold_ratio < FAITHFUL_RATIO for c in candidates):
        clear, can_be_cast = _clear_of_threshold(bench)
        why = (
            f"every one explored lies below {FAITHFUL_RATIO:g} times the film's own "
            "threshold at 20 C, where this simulation does not decide"
        )
        words.append(
            f"explore weight fractions above {_wt(clear)}: {why}"
            if can_be_cast
            else f"{why}, and {_wt(clear)}, clear of it, cannot be cast: {_OTHER_FILLER}"
        )
        if ratio < FAITHFUL_RATIO:
            return words  # spreads there say nothing about films worth casting
    one_at_a_time: list[str] = []
    if ratio >= FAITHFUL_RATIO or not words:
        one_at_a_time = _resistance_advice(bench, index // n_gaps, candidates, candidate)
    enough = one_at_a_time and _NO_SINGLE_CHANGE not in one_at_a_time[0]
    if not enough or any(
        not m.met and m.unit != "ohm" and not m.target.startswith("share")
        for m in candidate.margins
    ):
        words += _pair_advice(bench, candidates, candidate)
    words += one_at_a_time
    words += _spread_advice(bench, candidates, candidate)
    words += _gauge_advice(bench, candidates, candidate)
    words += _thermal_advice(bench.target, candidates, candidate)
    if not words:
        missed = [m for m in candidate.margins if not m.met]
        reached, wanted = _shares(candidate.pass_share.value, bench.target.pass_share_min)
        words.append(
            f"{reached} of the castings pass, {wanted} are asked: widen the resistance "
            "window, tighten the tolerances, or ask for fewer"
            if missed
            else "use boxes that represent the film: raise the weight fraction"
        )
    return words


def _share_over_contact_prior(castings: Castings, target: Target, factor: float) -> float:
    """Pass share when the contact conductance is drawn from its prior as well."""
    spread = np.log(factor) / ndtri(0.975)
    nodes = spread * ndtri((np.arange(201) + 0.5) / 201)
    gauge = castings.gauge_factors
    at_rest = castings.at_rest
    return float(np.mean([target.passes(at_rest * f, gauge).mean() for f in np.exp(nodes)]))


def _first_measurement_factor(castings: Castings) -> float:
    """Factor within which the first films from one cup give g0 (95 %).

    The geometric mean of their R scatters by the tolerances, those common to a cup in
    full, the others less by the root of the number of films; the planned R has its
    simulation error.
    """
    variance = float(np.log1p(castings.resistance_cv**2))
    common = sum(castings.shares[name] for name in COMMON_TO_A_CUP)
    variance *= common + (1.0 - common) / FIRST_FILMS
    error = castings.log_standard_error
    return float(np.exp(ndtri(0.975) * np.hypot(np.sqrt(variance), error)))


def _second_loading(
    candidates: Sequence[Candidate], candidate: Candidate
) -> Candidate | None:
    """Find a loading to cast beside one: at the same gap, the next lower that conducts.

    The next higher when none does; None with a single loading.
    """
    here = candidate.castings
    weight = here.fit.loading.weight_fraction

    def weight_of(c: Candidate) -> float:
        return c.castings.fit.loading.weight_fraction

    peers = [
        c
        for c in candidates
        if c.castings.film.electrode_gap == here.film.electrode_gap
        and c.castings.fit.threshold_ratio >= FAITHFUL_RATIO
        and np.isfinite(c.resistance[0])
        and not c.castings.fit.is_open
    ]
    lower = [c for c in peers if weight_of(c) < weight]
    higher = [c for c in peers if weight_of(c) > weight]
    return max(lower, key=weight_of, default=min(higher, key=weight_of, default=None))


def _level_reasons(bench: _Bench, candidate: Candidate) -> list[str]:
    """Say what an assumed level of the contacts means for the choice."""
    factor = bench.contacts.level_factor
    share = _share_over_contact_prior(candidate.castings, bench.target, factor)
    passing = _percent(candidate.pass_share.value)
    if isinstance(bench.contacts, TunnellingParameters):
        contacts = bench.contacts
        return [
            "the plan is not calibrated: tunnelling across absolute gaps rests on a "
            f"contact area of {1e18 * contacts.area:.3g} nm2, a barrier of "
            f"{contacts.barrier_height / elementary_charge:.3g} eV, a shortest gap of "
            f"{1e9 * contacts.shortest_gap:.2g} nm and a cutoff of "
            f"{1e9 * contacts.cutoff:.2g} nm, all assumed unless the plan says measured",
            "every resistance goes as 1/area when the contacts to the electrodes scale "
            "with it, and exponentially in barrier and gap (tenfold each "
            f"{1e9 * contacts.decade:.2g} nm here), so its level is good to orders of "
            f"magnitude at best: {passing} of the castings pass at these values, "
            f"{_percent(share)} averaged over a factor {factor:g} either way of "
            "the area alone",
            "responses to strain come from particles that move rigidly with the film: they "
            "are for comparison only and may have either sign",
        ]
    off = (
        f"may be off by a factor of {factor:g} either way"
        if factor < ANY_LEVEL
        else "stands for any level, since nothing is known of contacts of this powder: a "
        "first cup tells it"
    )
    return [
        "the plan is not calibrated: the contact conductance g0 = "
        f"{format_quantity(bench.contacts.g0, 'conductance')} is assumed and {off}",
        "every resistance here goes as 1/g0 when the contacts to the electrodes scale with "
        "it, so resistance, current and power, and with them this choice, hold only if g0 "
        f"does: {passing} of the castings pass at that value, {_percent(share)} averaged "
        "over the whole range of g0",
        "g0 does not touch the threshold, the ratios of R between candidates, R/R0, gauge "
        "factors (they rest on beta, delta_b, lambda_T and closed_at), spreads and their "
        "shares, nor open castings",
    ]


def _fit_to_cast_first(bench: _Bench, candidate: Candidate) -> bool:
    """Whether films of a candidate can be cast and will conduct."""
    fit = candidate.castings.fit
    return bool(
        fit.threshold_ratio >= SAFE_RATIO
        and np.isfinite(candidate.resistance[0])
        and bench.limits.castable(fit.loading.weight_fraction)
    )


def _first_candidates(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> tuple[Candidate, ...]:
    """Candidates that `_cast_first` names; loadings far apart bracket any threshold."""
    if bench.contacts.powder.unforeseeable:
        gap = candidate.castings.film.electrode_gap
        able = [
            c
            for c in candidates
            if c.castings.film.electrode_gap == gap
            and bench.limits.castable(c.castings.fit.loading.weight_fraction)
        ]
        ends = dict.fromkeys((0, len(able) // 2, len(able) - 1)) if able else ()
        return tuple(able[i] for i in ends)
    if bench.contacts.is_calibrated or not _fit_to_cast_first(bench, candidate):
        return ()
    second = (
        _second_loading(candidates, candidate)
        if shape_is_assumed(bench.contacts, bench.threshold)
        else None
    )
    return (candidate,) if second is None else (candidate, second)


def _cast_first(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """Say which films to cast first, none that cannot be cast or may not conduct."""
    castings = candidate.castings
    opening = isinstance(bench.contacts, ContactParameters)
    level = "g0" if opening else "the contact area"
    unit = "g0" if opening else "the area"
    loading = castings.fit.loading
    if bench.contacts.powder.unforeseeable:
        bracket = _first_candidates(bench, candidates, candidate)
        listed = ", ".join(_wt(c.castings.fit.loading.weight_fraction) for c in bracket)
        return [
            f"the least to cast first: three films each of {listed} at "
            f"{_mm(castings.film.electrode_gap)} gap, one cup a loading, and measure R at "
            "20 C: the heaviest that is open and the lightest that conducts bracket the "
            "threshold; where all are open or all conduct, explore beyond them"
        ]
    if not _fit_to_cast_first(bench, candidate):
        clear = [
            c
            for c in candidates
            if c.castings.fit.threshold_ratio >= SAFE_RATIO
            and np.isfinite(c.resistance[0])
            and not c.castings.fit.is_open
            and bench.limits.castable(c.castings.fit.loading.weight_fraction)
        ]
        if clear:
            w = clear[0].castings.fit.loading.weight_fraction
        else:
            phi = 1.8 * bench.threshold.volume_fraction
            wanted = _weight_fraction_at(loading, min(phi, 0.999))
            w = min(wanted, bench.weights[1])
            clear_at, can_be_cast = _clear_of_threshold(bench)
            if not can_be_cast:
                return [
                    "nothing to cast first: no loading of this filler that can be cast is "
                    f"clear of the film's own threshold; {_OTHER_FILLER}"
                ]
            if w < clear_at:
                return [
                    f"cast nothing yet: explore loadings above {_wt(clear_at)} first, "
                    "clear of the film's own threshold"
                ]
            w = _tenths_of_wt(w, clear_at, w)
        return [
            f"the least to cast first: three films of about {_wt(w)}{bench.beyond(w)}, "
            "well above the film's own threshold, where R depends least on the loading; "
            f"measure R at 20 C, and run again with {level} as measured before casting more"
        ]
    factor = _first_measurement_factor(castings)
    second = next(iter(_first_candidates(bench, candidates, candidate)[1:]), None)
    if second is not None:
        other = second.castings
        ratio = second.resistance[0] / candidate.resistance[0]
        films = (
            f"three films each of {_wt(loading.weight_fraction)} and "
            f"{_wt(other.fit.loading.weight_fraction)} at "
            f"{_mm(castings.film.electrode_gap)} gap, one cup a loading, and measure R at "
            f"20 C. The ratio of R between the two, {_number(ratio)} here, tells the "
            "threshold and so the aspect ratio, because it does not move with "
            f"{level}; the level tells {level}"
        )
        mean = f"the geometric mean of R of the three of {_wt(loading.weight_fraction)}"
    else:
        films = (
            f"three films of {candidate.name} gap from one cup (well above the film's own "
            "threshold, where R depends least on the loading) and measure R at 20 C"
        )
        mean = "their geometric mean"
    also = (
        " The g0 so found also takes up what other values of beta, delta_b, lambda_T or "
        "closed_at would change in R."
        if opening
        else ""
    )
    return [
        f"the least to cast first: {films}",
        f"{mean} over {_ohms(candidate.resistance[0])} divides {unit}, to about a factor "
        f"{factor:.2g} (95 %, with the simulation error): weighing and the lot of powder "
        "are common to the three and do not average out, the other tolerances shrink by "
        f"the root of three.{also} Run again with it as measured before casting more",
    ]


def _calibration_reasons(
    bench: _Bench, candidates: Sequence[Candidate], candidate: Candidate
) -> list[str]:
    """Say what assumed contacts and particles mean, and what to cast to find out."""
    words = []
    calibrated = bench.contacts.is_calibrated
    if not calibrated:
        words += _level_reasons(bench, candidate)
    if bench.contacts.powder.unforeseeable:
        return [*words, *_cast_first(bench, candidates, candidate)]
    if shape_is_assumed(bench.contacts, bench.threshold):
        level = "g0" if isinstance(bench.contacts, ContactParameters) else "contact area"
        ratio = threshold_ratio(bench.contacts, bench.threshold)
        words.append(
            "the aspect ratio of the powder is assumed as well: the real threshold may be "
            f"{ratio.low:.2g} to {ratio.high:.2g} times the simulated one, and every "
            f"resistance moves with it; films of one loading cannot tell {level} from "
            "aspect ratio, films of two can"
        )
    if not calibrated:
        words += _cast_first(bench, candidates, candidate)
    return words


def _describe(
    candidate: Candidate,
    target: Target,
    contacts: ContactParameters | TunnellingParameters,
) -> list[str]:
    """Numbers of one candidate against the target, in plain words."""
    castings = candidate.castings
    median, p05, p95 = candidate.resistance
    low, high = target.window
    share = candidate.pass_share
    words = []
    # a refusal for the share has said it already
    if not any("castings pass" in word for word in candidate.refused_because):
        reached, wanted = _shares(share.value, target.pass_share_min)
        words.append(f"{reached} of its {_share_words(share)}, {wanted} are asked")
    window = ""
    if low > 0.0 or np.isfinite(high):
        window = (
            f"; window {_ohms(low)} to {_ohms(high)}"
            if np.isfinite(high)
            else (f"; at least {_ohms(low)}")
        )
        if target.resistance_min is None and target.resistance_max is None:
            window += (
                " (a third to three times the series resistor; common practice, no source)"
            )
    if np.isinf(median):
        share_open = _percent(castings.open_fraction)
        return [*words, f"resistance: {share_open} of the castings are open"]
    if np.isinf(castings.nominal[castings.fit.loading.reference_state]):
        return [*words, "resistance: not decided, most of its boxes are open"]
    words.append(
        f"resistance {_ohms(median)} (5-95 % of castings {_ohms(p05)} to "
        f"{_ohms(p95)}){window}"
    )
    if castings.strained_state is not None:
        strain = castings.fit.loading.strains[castings.strained_state]
        error, initial_error = castings.gauge_factor_errors
        trouble = _unresolved(candidate.gauge_factor[0], error)
        initial = castings.gauge_factor_initial
        at_zero = (
            "not resolved at zero strain"
            if 0.0 < abs(initial) <= initial_error < np.inf
            else f"{_number(initial)} at zero strain "
            f"(simulation error {_error(initial_error)})"
        )
        left_out = (
            "beta and delta_b"
            if isinstance(contacts, ContactParameters)
            else "barrier height and gaps"
        )
        words.append(
            f"gauge factor {_number(candidate.gauge_factor[0])} (simulation error "
            f"{_error(error)}) as the chord to {1e6 * strain:.0f} microstrain"
            f"{trouble and ', ' + trouble}, {at_zero}; CV of the gauge factor "
            f"{_with_error(castings.gauge_factor_cv, candidate.gauge_factor_cv_error)}"
            f"{_over_conducting(castings)}; differences of {left_out} between "
            "castings count as the tolerance of response, "
            f"{_percent(castings.tolerances.response)} of the opening at a strain"
        )
    if np.isfinite(castings.resistance_cv) and sum(castings.shares.values()) > 0.0:
        ordered = sorted(castings.shares, key=castings.shares.__getitem__, reverse=True)
        parts = ", ".join(
            f"{name.replace('_', ' ')} {_percent(castings.shares[name])}"
            for name in ordered[:3]
            if castings.shares[name] >= 0.01
        )
        spread = (
            "CV of the resistance "
            f"{_with_error(castings.resistance_cv, candidate.resistance_cv_error)}"
            f"{_over_conducting(castings)}; largest shares of the variance of ln R: {parts}"
        )
        if castings.shares["chains"] < 0.05:
            spread += (
                f"; the chains of particles make {_few(castings.shares['chains'])} of "
                "it, so they are hardly why nominally equal films differ"
            )
        words.append(spread)
    close = [
        margin.target.replace(",", "")
        for margin in candidate.margins
        if margin.met and margin.within_error
    ]
    if close:
        words.append(
            f"met, but within its simulation error: {', '.join(close)}; more boxes would "
            "tell"
        )
    return words


def judge_mixes(
    mixes: Sequence[Mix],
    electrode_gaps: Sequence[float],
    target: Target,
    *,
    seed: np.random.SeedSequence,
    tolerances: Tolerances | None = None,
    contacts: ContactParameters | TunnellingParameters | None = None,
    castings: int = 2000,
    resamples: int = 200,
) -> tuple[Candidate, ...]:
    """Judge every loading of every mix at every gap; arguments as for `choose_among`."""
    return _judge_mixes(
        mixes, electrode_gaps, target, seed, tolerances, contacts, castings, resamples
    )[1]


def _judge_mixes(
    mixes: Sequence[Mix],
    electrode_gaps: Sequence[float],
    target: Target,
    seed: np.random.SeedSequence,
    tolerances: Tolerances | None,
    contacts: ContactParameters | TunnellingParameters | None,
    castings: int,
    resamples: int,
) -> tuple[tuple[_Bench, ...], tuple[Candidate, ...]]:
    """Benches of the mixes, and their candidates: mixes outermost, gaps innermost."""
    if not electrode_gaps:
        raise ValueError("at least one electrode gap is needed")
    if not mixes:
        raise ValueError("at least one mix is needed")

    def child(key: int) -> np.random.SeedSequence:
        return np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, key))

    fits = [
        fit_loadings(mix.loadings, mix.threshold, resamples=resamples, seed=child(0))
        for mix in mixes
    ]
    n_boxes = max(len(fit.influence) for of_mix in fits for fit in of_mix)
    draws = CastingDraws.draw(castings, n_boxes, child(1))
    moved = np.random.default_rng(child(2)).standard_normal(resamples)
    benches = tuple(
        _Bench(
            own, mix.threshold, draws, moved, target, contacts or ContactParameters(),
            mix.limits, max(electrode_gaps), tolerances or Tolerances(), mix.mount,
        )
        for mix, own in zip(mixes, fits, strict=True)
    )  # fmt: skip
    return benches, tuple(
        judge(bench.cast(i, replace(mix.film, electrode_gap=float(gap))), target, mix, m)
        for m, (mix, bench) in enumerate(zip(mixes, benches, strict=True))
        for i in range(len(bench.fits))
        for gap in electrode_gaps
    )


def pick(candidates: Sequence[Candidate]) -> tuple[int | None, int | None]:
    """Index of the best candidate that meets the target, or else of the nearest.

    The best has the largest share of passing castings, to a per cent; among equals it is
    farthest inside its closest limit. The nearest is one that the simulation can be
    trusted for, with the largest share, and among equals the least outside its limits.
    """
    meeting = [i for i, c in enumerate(candidates) if c.meets_target]
    if meeting:
        return max(meeting, key=lambda i: _rank(candidates[i])), None
    return None, max(range(len(candidates)), key=lambda i: _nearness(candidates[i]))


def decide(
    loadings: Sequence[LoadingResult],
    film: Film,
    electrode_gaps: Sequence[float],
    threshold: LoadingThreshold,
    target: Target,
    *,
    seed: np.random.SeedSequence,
    tolerances: Tolerances | None = None,
    contacts: ContactParameters | TunnellingParameters | None = None,
    limits: BenchLimits | None = None,
    castings: int = 2000,
    resamples: int = 200,
) -> Decision:
    """Judge every weight fraction of one mix at every electrode gap, and choose.

    Parameters
    ----------
    loadings : sequence of LoadingResult
        Simulated boxes, in increasing weight fraction.
    film : Film
        Sizes of the film; its gap is replaced by each of `electrode_gaps`.
    electrode_gaps : sequence of float
        Gaps to explore [m].
    threshold : LoadingThreshold
        The film's own threshold at 20 C: simulated, contacts open at rest not counted.
    target : Target
        What is asked.
    limits : BenchLimits, optional
        What the bench can make, which bounds the advice.
    seed, tolerances, contacts, castings, resamples
        As for `choose_among`.

    Returns
    -------
    Decision
        Complete; `chosen` is None when no candidate meets the target.

    Raises
    ------
    ValueError
        If no loading or gap is given, or numbers make no sense.

    """
    mix = Mix(tuple(loadings), film, threshold, limits or BenchLimits())
    return choose_among(
        [mix], electrode_gaps, target, seed=seed, tolerances=tolerances, contacts=contacts,
        castings=castings, resamples=resamples,
    )  # fmt: skip


def choose_among(
    mixes: Sequence[Mix],
    electrode_gaps: Sequence[float],
    target: Target,
    *,
    seed: np.random.SeedSequence,
    tolerances: Tolerances | None = None,
    contacts: ContactParameters | TunnellingParameters | None = None,
    castings: int = 2000,
    resamples: int = 200,
    confidence: float = 0.95,
) -> Decision:
    """Judge every weight fraction of every mix at every electrode gap, and choose.

    Parameters
    ----------
    mixes : sequence of Mix
        Loadings with their film and threshold.
    electrode_gaps : sequence of float
        Gaps to explore [m].
    target : Target
        What is asked.
    seed : numpy.random.SeedSequence
        Seed of castings and resampling; the same seed gives the same digits.
    tolerances : Tolerances, optional
        What scatters castings; the defaults without.
    contacts : ContactParameters or TunnellingParameters, optional
        The contact law as planned; day-one values of the contact-opening law without.
    castings : int
        Castings drawn for each candidate.
    resamples : int
        Resamples of the boxes for the simulation errors.
    confidence : float
        Confidence from which the choice counts as settled, 0 to 1.

    Returns
    -------
    Decision
        Complete; `chosen` is None when no candidate meets the target.

    Raises
    ------
    ValueError
        If no mix, loading or gap is given, or numbers make no sense.

    Notes
    -----
    The best candidate has the largest share of passing castings, to a per cent; among
    equals the one farthest inside its closest limit. Candidates below 1.3 times the
    film's own threshold are never chosen.

    """
    tolerances = tolerances or Tolerances()
    contacts = contacts or ContactParameters()
    benches, candidates = _judge_mixes(
        mixes, electrode_gaps, target, seed, tolerances, contacts, castings, resamples
    )
    chosen, nearest = pick(candidates)
    standing = stand(candidates, target, chosen, confidence)
    withheld = ""
    if contacts.powder.unforeseeable:
        withheld = f"threshold not foreseeable, measure it: {contacts.powder.unforeseeable}"
        told = f"{withheld.partition(':')[0]}; with it as simulated"
        candidates = tuple(
            replace(c, refused_because=(_told_if_simulated(c, told),)) for c in candidates
        )
        chosen, nearest = pick(candidates)
    best = candidates[chosen if chosen is not None else nearest or 0]
    bench, limits = benches[best.mix], mixes[best.mix].limits
    # advice and comparisons keep to the mix of the best
    peers = [c for c in candidates if c.mix == best.mix]
    reasons: list[str] = []
    changes: list[str] = []
    if chosen is not None:
        reasons.append(
            f"cast {best.name} gap: it meets every target"
            if contacts.is_calibrated
            else f"{best.name} gap meets every target as planned"
        )
        reasons += _describe(best, target, contacts)
        share_is_close = any(
            m.within_error for m in best.margins if m.target.startswith("share")
        )
        if best.pass_share.low < target.pass_share_min and not share_is_close:
            reasons.append(
                f"the share that passes is above {_percent(target.pass_share_min)} but not "
                "by more than its error; more boxes or a measured g0 would settle it"
            )
        reasons += _others_that_meet(candidates, chosen)
    elif withheld:
        reasons += [
            f"no loading is decided: {withheld}",
            f"were the threshold as simulated, {best.name} gap would read as follows",
            *_describe(best, target, contacts),
        ]
        changes = ["the threshold has to be measured: enter films that were read"]
    else:
        reasons.append(
            f"none of the {len(candidates)} candidates meets the target; "
            f"{best.name} gap comes nearest"
            if len(candidates) > 1
            else f"the only candidate, {best.name} gap, does not meet the target"
        )
        reasons += [f"refused because {word}" for word in best.refused_because]
        reasons += _describe(best, target, contacts)
        place = next(i for i, c in enumerate(peers) if c is best)
        changes = _changes(bench, peers, place, len(electrode_gaps))
    reasons += _calibration_reasons(bench, peers, best)
    cautions = dict.fromkeys(word for c in peers for word in c.cautions)
    stiff = limits.stiffness(best.castings.fit.loading.weight_fraction)
    if stiff:
        cautions = dict.fromkeys([stiff, *cautions])
    return Decision(
        target=target,
        fits=bench.fits,
        candidates=candidates,
        chosen=chosen,
        nearest=nearest,
        reasons=tuple(reasons),
        what_would_have_to_change=tuple(changes),
        assumptions=assumptions(contacts, bench.threshold, best.castings),
        cautions=tuple(cautions),
        standing=standing,
        withheld=withheld,
        first=tuple(
            next(i for i, c in enumerate(candidates) if c is one)
            for one in _first_candidates(bench, peers, best)
        ),
    )


def _told_if_simulated(candidate: Candidate, told: str) -> str:
    """Say what a candidate would be, were the threshold as simulated."""
    why = "; ".join(candidate.refused_because)
    return f"{told}: {why}" if why else f"{told} it meets every target"


def _others_that_meet(candidates: Sequence[Candidate], chosen: int) -> list[str]:
    """Say which others meet the target, the first few by rank, and how many do not."""
    meeting = [i for i, c in enumerate(candidates) if c.meets_target]
    others = [i for i in meeting if i != chosen]
    words = []
    if len(others) > MANY_OTHERS:
        shown = sorted(others, key=lambda i: _rank(candidates[i]), reverse=True)
        names = "; ".join(candidates[i].name for i in shown[:MANY_OTHERS])
        words.append(
            f"{len(others)} others also meet the target, with less to spare; next come "
            f"{names}"
        )
    elif others:
        mixed = any(candidates[i].words for i in others)
        names = ("; " if mixed else ", ").join(candidates[i].name for i in others)
        verb = "meets" if len(others) == 1 else "meet"
        words.append(f"{names} also {verb} the target, with less to spare")
    refused = len(candidates) - len(meeting)
    if refused:
        verb = "is" if refused == 1 else "are"
        words.append(f"{refused} of {len(candidates)} candidates {verb} refused")
    return words
