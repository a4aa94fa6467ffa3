r"""Stage 7. R(strain, temperature) of one film as curves, and what is read off them.

Between the points simulated a curve has the slope that runs straight from the middle of one
step to the middle of the next: the central difference of second order, exact for a
parabola, and never more than the steps themselves say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.casting import Castings
from percsim.film.transfer import chord_end, is_room_temperature
from percsim.states.temperature import (
    ROOM_TEMPERATURE,
    ThermalOpening,
    activation_log_ratio,
)

__all__ = [
    "Cycle",
    "FilmCurves",
    "Nonlinearity",
    "best_line",
    "central_68",
    "end_point_line",
    "nonlinearity",
    "room_slope",
    "slope_at",
    "vibrate",
]

Floats = NDArray[np.float64]

KINK = 4.0
"""A change of slope this many times those beside it counts as a kink (judgement)."""
TURN = 0.25
"""And at least this share of the steepest slope (judgement)."""
PHASES = 4096
"""Points of a cycle; a kink then costs 1e-7 of the amplitude's response."""


def _interpolate(x: Floats, y: Floats, at: Floats) -> Floats:
    """Straight lines between points, rows of y (..., n) at common x; carried on beyond."""
    if len(x) == 1:
        return np.repeat(y, len(at), axis=-1)
    k = np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2)
    weight = (at - x[k]) / (x[k + 1] - x[k])
    return np.asarray(y[..., k] * (1.0 - weight) + y[..., k + 1] * weight)


def slope_at(x: ArrayLike, y: ArrayLike, at: ArrayLike) -> Floats:
    """Slope of curves at abscissas, of second order.

    Parameters
    ----------
    x : (n,) array_like
        Rising, two or more.
    y : (..., n) array_like
        Values; infinite ones make every slope of their row nan.
    at : array_like
        Where, (k,) or a number.

    Returns
    -------
    (..., k) ndarray of float
        Exact for parabolas; with two points their chord.

    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    finite = np.asarray(np.isfinite(y).all(axis=-1))
    safe = np.where(finite[..., None], y, 0.0)
    secants = np.diff(safe, axis=-1) / np.diff(x)
    middles = 0.5 * (x[1:] + x[:-1])
    out = _interpolate(middles, secants, np.atleast_1d(np.asarray(at, dtype=np.float64)))
    return np.asarray(np.where(finite[..., None], out, np.nan))


def room_slope(temperatures: Floats, ratios: Floats) -> Floats:
    """(1/R) dR/dT at 20 C of curves of R against temperature.

    Parameters
    ----------
    temperatures : (m,) ndarray of float
        Rising [K], 20 C among them.
    ratios : (..., m) ndarray of float
        R, or R over anything.

    Returns
    -------
    (...) ndarray of float
        Slope of ln R from 20 C and its neighbours [1/K]; nan where one of them is open.

    """
    room = next(k for k, t in enumerate(temperatures) if is_room_temperature(t))
    near = slice(max(room - 1, 0), room + 2)
    logs = np.log(ratios[..., near])
    return np.asarray(slope_at(temperatures[near], logs, ROOM_TEMPERATURE)[..., 0])


def end_point_line(x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Slope and offset of the line through both ends (terminal line), rows of y."""
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    slope = (y[..., -1] - y[..., 0]) / (x[-1] - x[0])
    return slope, y[..., 0] - slope * x[0]


def best_line(x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
    """Slope and offset of the line with the smallest largest deviation, rows of y.

    Notes
    -----
    Such a line is parallel to an edge of the convex hull of the points (Chebyshev's best
    uniform line), so that the slopes of all pairs of points hold the best one.

    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    i, j = np.triu_indices(len(x), 1)
    slopes = (y[..., j] - y[..., i]) / (x[j] - x[i])
    rest = y[..., None, :] - slopes[..., None] * x
    high, low = rest.max(axis=-1), rest.min(axis=-1)
    best = np.argmin(high - low, axis=-1)[..., None]

    def pick(values: Floats) -> Floats:
        return np.asarray(np.take_along_axis(values, best, axis=-1)[..., 0])

    return pick(slopes), 0.5 * (pick(high) + pick(low))


@dataclass(frozen=True, slots=True)
class Nonlinearity:
    """Largest deviation of a curve from a line, over the full-scale output.

    Parameters
    ----------
    end_point, best : ndarray of float
        From the line through both ends and from the best straight line; 1 is 100 % of the
        full-scale output, the difference between the ends. Inf for a curve without one.

    """

    end_point: Floats
    best: Floats


def nonlinearity(x: ArrayLike, y: ArrayLike) -> Nonlinearity:
    """Nonlinearity of curves at the points given, rows of y (..., n).

    Parameters
    ----------
    x : (n,) array_like
        Rising.
    y : (..., n) array_like
        Outputs; rows with infinite ones are inf.

    Returns
    -------
    Nonlinearity

    Notes
    -----
    The terminal and the independent (best straight) line of strain-gauge and transducer
    practice, from memory (ISA-37.1 names both).

    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    finite = np.asarray(np.isfinite(y).all(axis=-1))
    safe = np.where(finite[..., None], y, 0.0)
    scale = np.abs(safe[..., -1] - safe[..., 0])
    usable = finite & (scale > 0.0)

    def largest(line: tuple[Floats, Floats]) -> Floats:
        slope, offset = line
        apart = np.abs(safe - slope[..., None] * x - offset[..., None]).max(axis=-1)
        return np.asarray(np.where(usable, apart / np.where(usable, scale, 1.0), np.inf))

    return Nonlinearity(largest(end_point_line(x, safe)), largest(best_line(x, safe)))


@dataclass(frozen=True, slots=True)
class Cycle:
    """A curve run through by a sine of strain, rows as those of the curve.

    Parameters
    ----------
    at_mean : ndarray of float
        Value at the mean strain, without vibration.
    alternating : ndarray of float
        Amplitude of the part at the frequency of the vibration.
    second_harmonic : ndarray of float
        Amplitude of the part at twice that.
    shift : ndarray of float
        Mean over the cycle less the value at the mean strain.
    lowest, highest : ndarray of float
        Ends of what is passed through.
    curvature_shift : ndarray of float or None
        y'' a^2/4, None where the cycle leaves one branch of the curve and it does not hold.

    """

    at_mean: Floats
    alternating: Floats
    second_harmonic: Floats
    shift: Floats
    lowest: Floats
    highest: Floats
    curvature_shift: Floats | None

    @property
    def one_branch(self) -> bool:
        """Whether the cycle stays between two turns or kinks of the curve."""
        return self.curvature_shift is not None


def _corners(x: Floats, y: Floats) -> list[int]:
    """Inner points where a curve turns or has a kink."""
    secants = np.diff(y) / np.diff(x)
    jumps = np.abs(np.diff(secants))
    corners = []
    for k, jump in enumerate(jumps):
        turns = secants[k] * secants[k + 1] < 0.0
        beside = [jumps[j] for j in (k - 1, k + 1) if 0 <= j < len(jumps)]
        kink = (
            bool(beside)
            and jump > KINK * max(beside)
            and jump > TURN * np.abs(secants).max()
        )
        if turns or kink:
            corners.append(k + 1)
    return corners


def vibrate(x: ArrayLike, y: ArrayLike, mean: float, amplitude: float) -> Cycle:
    r"""Run a curve through one cycle of strain, mean + amplitude sin.

    Parameters
    ----------
    x : (n,) array_like
        Strains, rising.
    y : (n,) or (m, n) array_like
        Values there; turns and kinks are those of the first row.
    mean, amplitude : float
        Of the strain; the cycle must lie within x.

    Returns
    -------
    Cycle

    Raises
    ------
    ValueError
        If the cycle leaves the strains given or the first row is not finite there.

    Notes
    -----
    Between turns and kinks the curve is a cubic spline (of lower degree with fewer points),
    which keeps parabolas as they are: :math:`y''a^2/4` then is the whole shift of the mean.
    The mean over the cycle is the trapezoidal rule over one period. The curve is that of
    slow strain: no rate, no memory, no first cycles.

    """
    from scipy.interpolate import make_interp_spline

    x, rows = np.asarray(x, dtype=np.float64), np.atleast_2d(np.asarray(y, np.float64))
    slack = 1e-9 * (x[-1] - x[0])
    if mean - amplitude < x[0] - slack or mean + amplitude > x[-1] + slack:
        raise ValueError(
            f"the cycle runs from {mean - amplitude:g} to {mean + amplitude:g}, outside of "
            f"{x[0]:g} to {x[-1]:g}"
        )
    keep = np.isfinite(rows[0])
    last = len(x) if keep.all() else int(np.argmin(keep))
    if last < 2 or mean + amplitude > x[last - 1] + slack:
        raise ValueError("the curve is open within the cycle")
    x, rows = x[:last], rows[:, :last]
    conducts = np.asarray(np.isfinite(rows).all(axis=1))
    safe = np.where(conducts[:, None], rows, 1.0)
    corners = [0, *_corners(x, rows[0]), len(x) - 1]
    angle = 2.0 * np.pi * np.arange(PHASES) / PHASES
    strain = np.clip(mean + amplitude * np.sin(angle), x[0], x[-1])
    weights = np.zeros((PHASES + 1, len(x)))
    at = np.append(strain, np.clip(mean, x[0], x[-1]))
    bend: Floats | None = None
    for first, end in pairwise(corners):
        inside = (at >= x[first]) & ((at < x[end]) | (end == len(x) - 1))
        n = end - first + 1
        spline = make_interp_spline(x[first : end + 1], np.eye(n), k=_degree(n))
        weights[inside, first : end + 1] = spline(at[inside])
        if x[first] - slack <= mean - amplitude and mean + amplitude <= x[end] + slack:
            curvature = np.zeros(len(x))
            if n > 2:
                curvature[first : end + 1] = spline(np.clip(mean, x[0], x[-1]), nu=2)
            bend = curvature
    values = safe @ weights.T
    at_mean, values = values[:, -1], values[:, :-1]

    def harmonic(order: int) -> Floats:
        turn = np.exp(-1j * order * angle)
        return np.asarray(2.0 * np.abs(values @ turn) / PHASES)

    def shown(found: Floats) -> Floats:
        out = np.where(conducts, found, np.inf)
        return np.asarray(out if np.ndim(y) == 2 else out[0])

    return Cycle(
        shown(at_mean),
        shown(harmonic(1)),
        shown(harmonic(2)),
        shown(values.mean(axis=1) - at_mean),
        shown(values.min(axis=1)),
        shown(values.max(axis=1)),
        None if bend is None else shown(safe @ bend * amplitude**2 / 4.0),
    )


def _degree(n: int) -> int:
    """Degree of the spline through n points; odd ones need no knots of their own."""
    return 3 if n >= 4 else n - 1


def central_68(values: Floats) -> float:
    """Half of the central 68 % of values; inf when it reaches into inf or nan."""
    if len(values) < 2:
        return math.inf
    filled = np.where(np.isnan(values), np.inf, values)
    low, high = np.quantile(filled, [0.158655, 0.841345], method="inverted_cdf")
    return float(0.5 * (high - low)) if np.isfinite(high) else math.inf


@dataclass(frozen=True, slots=True)
class FilmCurves:
    """R of one film over strains and temperatures, over that at zero strain and 20 C.

    Parameters
    ----------
    strains : (n,) ndarray of float
        Rising, zero among them.
    temperatures : (m,) ndarray of float
        Rising [K], 20 C among them.
    resistance : float
        The film as planned at zero strain and 20 C [ohm].
    ratio : (m, n) ndarray of float
        R over that, of the film as planned; inf where it is open.
    resamples : (B, m, n) ndarray of float
        The same from resampled boxes, each over its own: the simulation error.
    castings : (C, m, n) ndarray of float
        The same of the castings that conduct at zero strain and 20 C.
    n_castings : int
        Castings drawn, those that do not conduct included.
    chord : float, optional
        Which of the strains gauge factors are taken to; by default the farthest from zero.

    """

    strains: Floats
    temperatures: Floats
    resistance: float
    ratio: Floats = field(repr=False)
    resamples: Floats = field(repr=False)
    castings: Floats = field(repr=False)
    n_castings: int
    chord: float | None = None

    @classmethod
    def from_castings(cls, castings: Castings) -> FilmCurves | None:
        """Curves of a candidate.

        Parameters
        ----------
        castings : Castings
            Its castings.

        Returns
        -------
        FilmCurves or None
            None when the film as planned, or half of its castings, are open.

        """
        visits = castings.visits
        ref = visits.rest
        if castings.is_open or not np.isfinite(castings.nominal[ref]):
            return None
        found: dict[tuple[float, float], int] = {}
        for s, at in enumerate(zip(visits.strains, visits.temperatures, strict=True)):
            found.setdefault(at, s)
        temperatures = sorted({t for _, t in found})
        low, high = visits.window or (-math.inf, math.inf)
        strains = sorted(
            e
            for e in {e for e, _ in found}
            if low <= e <= high and all((e, t) in found for t in temperatures)
        )
        states = np.array([[found[e, t] for e in strains] for t in temperatures])
        nominal = castings.nominal[ref]
        shift = castings.log_shift
        known = np.isfinite(shift)
        moved = np.where(known, shift, 0.0)
        moved = moved - moved[:, [ref]]
        ratio = castings.nominal / nominal
        draws = np.where(known & known[:, [ref]], ratio * np.exp(moved), np.inf)
        rest = castings.at_rest
        own = castings.resistances[np.isfinite(rest)] / rest[np.isfinite(rest), None]
        return cls(
            np.array(strains),
            np.array(temperatures),
            float(nominal),
            ratio[states],
            draws[:, states],
            own[:, states],
            len(castings),
            visits.chord,
        )

    @property
    def room(self) -> int:
        """Row of 20 C."""
        return next(k for k, t in enumerate(self.temperatures) if is_room_temperature(t))

    @property
    def rest(self) -> int:
        """Column of zero strain."""
        return int(np.flatnonzero(self.strains == 0.0)[0])

    @property
    def end(self) -> int:
        """Column of the strain that chords are taken to."""
        found = chord_end(self.strains.tolist(), range(len(self.strains)), self.chord)
        assert found is not None
        return found

    def chords(self, ratio: Floats) -> Floats:
        """Chord gauge factor at each temperature of ratios (..., m, n): (..., m).

        (R(e)/R(0) - 1)/e at the strain e of the chord; inf where it opens.
        """
        rest, strained = ratio[..., self.rest], ratio[..., self.end]
        conducts = np.isfinite(rest)
        base = np.where(conducts, rest, 1.0)
        strain = self.strains[self.end]
        if strain == 0.0:
            return np.zeros(rest.shape)
        return np.asarray(np.where(conducts, (strained / base - 1.0) / strain, np.inf))

    def coefficients(self, ratio: Floats) -> Floats:
        """(1/R) dR/dT at 20 C of ratios (..., m, n) [1/K]; nan where a curve is open."""
        if len(self.temperatures) < 2:
            return np.full(ratio.shape[:-2], np.nan)
        return room_slope(self.temperatures, ratio[..., self.rest])

    @property
    def gauge_factor(self) -> float:
        """Chord gauge factor of the film as planned at 20 C."""
        return float(self.chords(self.ratio)[self.room])

    @property
    def temperature_coefficient(self) -> float:
        """(1/R) dR/dT of the film as planned at 20 C [1/K]; nan with one temperature."""
        return float(self.coefficients(self.ratio))

    def thermal_outputs(self, ratio: Floats) -> Floats:
        """Coefficient over chord gauge factor at 20 C, strain per kelvin, (...)."""
        coefficient, factor = self.coefficients(ratio), self.chords(ratio)[..., self.room]
        usable = np.isfinite(factor) & (factor != 0.0)
        return np.asarray(
            np.where(usable, coefficient / np.where(usable, factor, 1.0), np.inf)
        )

    def thermal_output_and_error(self) -> tuple[float, float]:
        """Thermal output of the film as planned [1/K] and its simulation error."""
        return (
            float(self.thermal_outputs(self.ratio)),
            central_68(self.thermal_outputs(self.resamples)),
        )

    def conducting_window(self, row: int | None = None) -> tuple[float, float] | None:
        """Strains around zero at which every casting that conducts at rest still does.

        Parameters
        ----------
        row : int, optional
            Temperature; by default every one must conduct.

        Returns
        -------
        (float, float) or None
            Ends among the strains computed; None if some are open at zero strain.

        """
        rows = slice(None) if row is None else slice(row, row + 1)
        conducts = np.asarray(np.isfinite(self.castings[:, rows]).all(axis=(0, 1)))
        if not conducts[self.rest]:
            return None
        low = high = self.rest
        while low > 0 and conducts[low - 1]:
            low -= 1
        while high + 1 < len(conducts) and conducts[high + 1]:
            high += 1
        return float(self.strains[low]), float(self.strains[high])

    def with_contacts(
        self,
        thermal: ThermalOpening,
        activation: float,
        shares: Floats,
        activations: Floats,
    ) -> tuple[Floats, float]:
        """R(T)/R(20 C) at zero strain for other lambda_T and Ea, all else as simulated.

        Parameters
        ----------
        thermal : ThermalOpening
            As simulated.
        activation : float
            Activation energy as simulated [J].
        shares, activations : (n,) ndarray of float
            Other values.

        Returns
        -------
        ratios : (n, m) ndarray of float
            R over that at 20 C.
        beyond : float
            Share of the points that the simulated temperatures do not reach, where ln R
            goes on with the slope of its end.

        Notes
        -----
        The contact-opening law knows temperature by lambda_T alpha (T - closed_at) and by
        exp(Ea/k (1/T - 1/T_20)), see `ThermalOpening.equivalent_temperature`: exact, but
        for the interpolation of ln R (monotone, shape-preserving).

        """
        from scipy.interpolate import PchipInterpolator

        t = self.temperatures
        logs = np.log(self.ratio[:, self.rest]) - activation_log_ratio(activation, t)
        if thermal.share == 0.0 or len(t) < 2:
            asked = np.broadcast_to(t, (len(shares), len(t)))
        else:
            asked = thermal.equivalent_temperature(t, shares[:, None])
        curve = PchipInterpolator(t, logs)
        inside = np.clip(asked, t[0], t[-1])
        slopes = slope_at(t, logs, [t[0], t[-1]])
        # never falling on: an opening contact conducts less
        low, high = np.maximum(slopes, 0.0) if thermal.expansion > 0.0 else slopes
        values = curve(inside) + np.minimum(asked - t[0], 0.0) * low
        values += np.maximum(asked - t[-1], 0.0) * high
        values -= values[:, [self.room]]
        beyond = float(np.mean((asked < t[0] - 1e-9) | (asked > t[-1] + 1e-9)))
        ratios = np.exp(values + activation_log_ratio(activations[:, None], t))
        return np.asarray(ratios), beyond
