r"""Stage 8. From joint draws of what is not known to what each candidate would read.

A draw fixes the parameters of the contact law and the real threshold. Around it castings
scatter by the bench tolerances: those that act on the loading (weighing, mixing, and the
aspect ratio of a lot, which moves the threshold) as one normal deviation of
:math:`\ln(\phi/\phi_c)`, integrated by Gauss-Hermite quadrature because R is steep there
and may open; all others multiply R, so that ln R gains a normal deviation. No box is
solved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Protocol

import numpy as np
from numpy.polynomial import hermite_e
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.choose import EQUAL_SHARES, Margin, Target
from percsim.decision.priors import Draws
from percsim.film.casting import Tolerances, chord, initial_slopes
from percsim.film.electrodes import Film
from percsim.film.transfer import chord_end, is_room_temperature

__all__ = [
    "Loading",
    "Outlook",
    "Ranking",
    "Responses",
    "States",
    "best_shares",
    "first_order_shares",
    "limits_of",
    "loading_deviation",
    "outlook",
    "quadrature",
    "rank_outlooks",
    "scale_deviation",
]

Floats = NDArray[np.float64]

NODES = 5
"""Quadrature points over the deviation of the loading."""
DEGREE = 4
"""Highest polynomial of one number in the shares of variance."""
FEWEST = 50
"""Conducting draws below which no share or spread is told."""


class Responses(Protocol):
    """What is asked of `film.responses.FilmResponses`, so that others may stand in."""

    @property
    def strains(self) -> tuple[float, ...]:
        """Strain of each state."""

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperature of each state [K]."""

    @property
    def chord(self) -> float | None:
        """Which of the strains gauge factors are taken to; by default the farthest."""

    @property
    def window(self) -> tuple[float, float] | None:
        """Strains that films are read at; by default all."""

    def log_resistance(
        self,
        film: Film,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, Any],
        threshold_factor: ArrayLike = 1.0,
        *,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Ln R (n, n states), inf where open; (n, q, n states) for factors (n, q)."""

    def log_error(
        self,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, Any],
        threshold_factor: ArrayLike = 1.0,
        *,
        relative: bool = False,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Give its standard error (n, n states); relative: of ln R less that at rest."""


@dataclass(frozen=True, slots=True)
class Loading:
    """What is mixed.

    Parameters
    ----------
    weight_fraction, volume_fraction : float
        Of the cured film.
    log_slope : float
        d ln(volume fraction) / d ln(weight fraction).

    """

    weight_fraction: float
    volume_fraction: float
    log_slope: float


@dataclass(frozen=True, slots=True)
class States:
    """Which states of the responses are which.

    Parameters
    ----------
    strains, temperatures : tuple of float
        Of every state [1, K].
    chord : float, optional
        Which of the strains gauge factors are taken to; by default the farthest from zero.
    window : (float, float), optional
        Strains that films are read at; by default all.

    """

    strains: tuple[float, ...]
    temperatures: tuple[float, ...]
    chord: float | None = None
    window: tuple[float, float] | None = None

    @classmethod
    def of(cls, responses: Responses) -> States:
        """List the states that responses were fitted to."""
        return cls(
            tuple(responses.strains),
            tuple(responses.temperatures),
            responses.chord,
            responses.window,
        )

    @property
    def rest(self) -> int:
        """The state at zero strain and 20 C."""
        return next(
            s
            for s, e in enumerate(self.strains)
            if e == 0.0 and is_room_temperature(self.temperatures[s])
        )

    @property
    def strained(self) -> list[int]:
        """States read at 20 C and a strain, in increasing strain."""
        low, high = self.window or (-np.inf, np.inf)
        found = [
            s
            for s, e in enumerate(self.strains)
            if e != 0.0 and low <= e <= high and is_room_temperature(self.temperatures[s])
        ]
        return sorted(found, key=lambda s: self.strains[s])

    @property
    def chord_state(self) -> int | None:
        """The state at 20 C that the chord gauge factor is taken to."""
        return chord_end(self.strains, self.strained, self.chord)

    @property
    def by_temperature(self) -> list[int]:
        """States at zero strain, in increasing temperature."""
        found = [s for s, e in enumerate(self.strains) if e == 0.0]
        return sorted(found, key=lambda s: self.temperatures[s])

    def weights_at(self, strain: float, temperature: float) -> Floats:
        """Weights (n states,) that interpolate ln R linearly; ValueError outside."""
        e, t = sorted(set(self.strains)), sorted(set(self.temperatures))
        weights = np.zeros(len(self.strains))
        for share_e, at_e in _between(strain, e):
            for share_t, at_t in _between(temperature, t):
                for s in range(len(weights)):
                    if self.strains[s] == at_e and self.temperatures[s] == at_t:
                        weights[s] += share_e * share_t
        if weights.sum() < 1.0 - 1e-9:
            raise ValueError(f"no states around strain {strain:g} at {temperature:g} K")
        return weights


def _between(x: float, grid: Sequence[float]) -> list[tuple[float, float]]:
    """Shares of the two grid points around x."""
    near = [g for g in grid if abs(g - x) <= 1e-9 * max(1.0, abs(x))]
    if near:
        return [(1.0, near[0])]
    if not grid[0] < x < grid[-1]:
        raise ValueError(f"{x:g} is outside {grid[0]:g} to {grid[-1]:g}")
    k = int(np.searchsorted(grid, x))
    share = (x - grid[k - 1]) / (grid[k] - grid[k - 1])
    return [(1.0 - share, grid[k - 1]), (share, grid[k])]


def quadrature(n: int = NODES) -> tuple[Floats, Floats]:
    """Points and weights that integrate over a standard normal number (Gauss-Hermite)."""
    points, weights = hermite_e.hermegauss(n)
    return points, weights / weights.sum()


def loading_deviation(
    tolerances: Tolerances, film: Film, log_slope: float, aspect_ratio_slope: float
) -> float:
    """Spread of ln(phi/phi_c) between castings: loading, and the lot of powder.

    Parameters
    ----------
    tolerances : Tolerances
        Of the bench.
    film : Film
        Its size decides how far unevenness inside it averages out.
    log_slope, aspect_ratio_slope : float
        d ln(volume fraction) / d ln(weight fraction), d ln(threshold) / d ln(aspect ratio).

    Returns
    -------
    float

    """
    spreads = tolerances.spreads(film)
    loading = [spreads[name] for name in ("weighing", "mixing", "mixing_within")]
    moved = (
        *(log_slope * x for x in loading),
        aspect_ratio_slope * spreads["aspect_ratio"],
    )
    return float(np.sqrt(sum(x**2 for x in moved)))


SCALING = ("thickness", "gap", "width", "contact", "particle_size")
"""Tolerances that multiply R."""


def scale_deviation(
    tolerances: Tolerances, film: Film, names: Sequence[str] = SCALING
) -> float:
    """Spread of ln R between castings, as a deviation, from all that multiplies R."""
    spreads = tolerances.spreads(film)
    return float(np.sqrt(sum(spreads[name] ** 2 for name in names)))


@dataclass(frozen=True)
class Outlook:
    """What one candidate would read, draw by draw.

    Parameters
    ----------
    loading : Loading
        Its loading.
    film : Film
        Its film.
    draws : Draws
        The draws of the parameters.
    log_rest : (n, q) ndarray of float
        ln R at rest and 20 C of each draw at each point of the loading's deviation, inf
        where open; simulation error included.
    chord, initial : (n, q) ndarray of float
        Gauge factors, chord and at zero strain; 0 where open at rest, inf where it opens.
    drift : (n, q) ndarray of float or None
        Temperature coefficient of R [1/K]: slope of ln R from the coldest to the hottest
        temperature; None for a plan with one temperature; NaN never, inf where open.
    points, point_weights : (q,) ndarray of float
        Quadrature over the deviation of the loading.
    scatter : float
        Standard deviation of ln R from the tolerances that multiply R.
    response_scatter : float
        Relative one of the gauge factors from how contacts open in each casting.

    """

    loading: Loading
    film: Film
    draws: Draws = field(repr=False)
    log_rest: Floats = field(repr=False)
    chord: Floats = field(repr=False)
    initial: Floats = field(repr=False)
    drift: Floats | None = field(repr=False)
    points: Floats = field(repr=False)
    point_weights: Floats = field(repr=False)
    scatter: float
    response_scatter: float

    @property
    def nominal(self) -> int:
        """Point of the planned loading."""
        return len(self.points) // 2

    @cached_property
    def spread(self) -> Floats:
        """Standard deviation of ln R between conducting castings of each draw, (n,).

        inf where half of the castings or more are open.
        """
        conducts = np.isfinite(self.log_rest)
        w = np.where(conducts, self.point_weights, 0.0)
        total = w.sum(axis=1)
        safe = np.where(total > 0.0, total, 1.0)
        logs = np.where(conducts, self.log_rest, 0.0)
        mean = (w * logs).sum(axis=1) / safe
        variance = (w * (logs - mean[:, None]) ** 2).sum(axis=1) / safe
        return np.where(total > 0.5, np.sqrt(variance + self.scatter**2), np.inf)

    @cached_property
    def gauge_spread(self) -> Floats:
        """CV of the chord gauge factor between castings of each draw, (n,).

        Of those that conduct throughout; inf where half of the castings or more do not, or
        where the mean is zero.
        """
        keep = np.isfinite(self.log_rest) & np.isfinite(self.chord)
        w = np.where(keep, self.point_weights, 0.0)
        total = w.sum(axis=1)
        safe = np.where(total > 0.0, total, 1.0)
        chords = np.where(keep, self.chord, 0.0)
        mean = (w * chords).sum(axis=1) / safe
        variance = (w * (chords - mean[:, None]) ** 2).sum(axis=1) / safe
        told = (total > 0.5) & (mean != 0.0)
        relative = np.sqrt(variance) / np.where(told, np.abs(mean), 1.0)
        return np.where(told, np.hypot(relative, self.response_scatter), np.inf)

    @property
    def open_share(self) -> float:
        """Probability that a casting is open at rest."""
        return float(self.draws.weights @ np.isinf(self.log_rest) @ self.point_weights)

    def pass_shares(self, target: Target) -> Floats:
        """Share of castings that pass at each draw, (n,)."""
        low, high = target.window
        conducts = np.isfinite(self.log_rest)
        logs = np.where(conducts, self.log_rest, 0.0)
        s = max(self.scatter, 1e-12)
        with np.errstate(divide="ignore"):
            inside = ndtr((np.log(high) - logs) / s) - ndtr((np.log(low) - logs) / s)
        inside = np.where(conducts & np.isfinite(self.chord), inside, 0.0)
        asked = target.gauge_factor_min
        if asked is not None:
            found = np.where(np.isfinite(self.chord), self.chord, 0.0)
            deviation = np.maximum(self.response_scatter * np.abs(found), 1e-12)
            inside = inside * ndtr((found - asked) / deviation)
        return np.asarray(inside @ self.point_weights)

    def _quantiles(
        self, values: Floats, probabilities: ArrayLike = (0.5, 0.05, 0.95)
    ) -> list[float]:
        """Quantiles over draws (n,), or over draws and points (n, q)."""
        weights = self.draws.weights
        if values.ndim == 2:
            weights = weights[:, None] * self.point_weights
        return [
            float(x)
            for x in weighted_quantiles(values.ravel(), probabilities, weights.ravel())
        ]

    def film_band(self) -> list[float]:
        """Median, 5 and 95 % of R of the film as planned [ohm], over the draws."""
        return [float(np.exp(x)) for x in self._quantiles(self.log_rest[:, self.nominal])]

    def casting_band(self) -> list[float]:
        """Median, 5 and 95 % of R of one casting [ohm], over draws and tolerances."""
        # the middle of each of 9 equal shares stands for the tolerances that multiply R
        from scipy.special import ndtri

        steps = self.scatter * ndtri((np.arange(9) + 0.5) / 9)
        logs = (self.log_rest[:, :, None] + steps).ravel()
        weights = (
            self.draws.weights[:, None, None]
            * self.point_weights[:, None]
            * np.full(9, 1.0 / 9)
        ).ravel()
        found = weighted_quantiles(logs, (0.5, 0.05, 0.95), weights)
        return [float(np.exp(x)) for x in found]

    def response_band(self, values: Floats) -> list[float] | None:
        """Median, 5 and 95 % of a response over draws and loading, where films conduct."""
        keep = np.isfinite(self.log_rest)
        weights = np.where(keep, self.draws.weights[:, None] * self.point_weights, 0.0)
        if weights.sum() < 0.5 or keep.sum() < FEWEST:
            return None
        found = weighted_quantiles(
            values[keep], (0.5, 0.05, 0.95), weights[keep] / weights.sum()
        )
        return [float(x) for x in found]


def outlook(
    responses: Responses,
    loading: Loading,
    film: Film,
    draws: Draws,
    tolerances: Tolerances,
    aspect_ratio_slope: float,
    seed: np.random.SeedSequence,
    *,
    nodes: int = NODES,
    off_by: float = 0.0,
) -> Outlook:
    """Carry draws of the parameters to one candidate.

    Parameters
    ----------
    responses : Responses
        ln R against loading, threshold and parameters.
    loading : Loading
        The candidate's loading.
    film : Film
        Its film.
    draws : Draws
        Of the parameters.
    tolerances : Tolerances
        Of the bench.
    aspect_ratio_slope : float
        d ln(threshold) / d ln(aspect ratio).
    seed : numpy.random.SeedSequence
        Seed of the simulation errors: one normal number a draw and loading, the same for
        all gaps of the loading.
    nodes : int
        Quadrature points, odd.
    off_by : float
        Deviation of ln(phi/phi_c) that all castings have in common, such as that of a cup
        weighed off.

    Returns
    -------
    Outlook

    """
    n, values = len(draws), draws.values
    points, weights = quadrature(nodes)
    factor = values.pop("threshold")
    states = States.of(responses)
    sd = loading_deviation(tolerances, film, loading.log_slope, aspect_ratio_slope)
    logs = responses.log_resistance(
        film,
        loading.volume_fraction,
        values,
        factor[:, None] * np.exp(-off_by - sd * points),
    )
    # by the loading in parts per million, so that another loading renumbers nothing
    key = (*seed.spawn_key, round(1e6 * loading.weight_fraction))
    child = np.random.SeedSequence(seed.entropy, spawn_key=key)
    (error,) = responses.log_error(
        loading.volume_fraction, values, factor, states=[states.rest]
    ).T
    shift = error * np.random.default_rng(child).standard_normal(n)
    rest = logs[:, :, states.rest]
    flat = logs.reshape(n * nodes, -1)
    conducts = np.isfinite(rest)
    chords = initial = np.zeros_like(rest)
    if states.chord_state is not None:
        s = states.chord_state
        change = logs[:, :, s] - np.where(conducts, rest, 0.0)
        change = np.where(conducts, change, 0.0)
        chords = chord(np.ones_like(rest), np.exp(change), states.strains[s])
        slopes = initial_slopes(
            np.where(conducts.reshape(-1, 1), flat, 0.0),
            states.strains,
            states.strained,
            states.rest,
        )
        initial = slopes.reshape(n, nodes)
    drift = None
    by_temperature = states.by_temperature
    if len(by_temperature) > 1:
        cold, hot = by_temperature[0], by_temperature[-1]
        both = np.isfinite(logs[:, :, cold]) & np.isfinite(logs[:, :, hot])
        rise = np.where(both, logs[:, :, hot], 0.0) - np.where(both, logs[:, :, cold], 0.0)
        span = states.temperatures[hot] - states.temperatures[cold]
        drift = np.where(both, rise / span, np.inf)
    return Outlook(
        loading,
        film,
        draws,
        rest + shift[:, None],
        chords,
        initial,
        drift,
        points,
        weights,
        scale_deviation(tolerances, film),
        tolerances.response,
    )


def best_shares(shares: Floats, weights: Floats, least: float = 0.05) -> Floats:
    """Probability that each candidate is the best one, (candidates,).

    Parameters
    ----------
    shares : (candidates, n) ndarray of float
        Pass share of each candidate at each draw, the draws common to all.
    weights : (n,) ndarray of float
        Weight of each draw.
    least : float
        A best share below this is none: the draw counts for no candidate.

    Returns
    -------
    (candidates,) ndarray of float
        Sums to the probability that any candidate passes at all.

    """
    best = np.argmax(shares, axis=0)
    counts = shares.max(axis=0) >= least
    found = np.bincount(best[counts], weights[counts], minlength=len(shares))
    return np.asarray(found, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a target, in the words and units of `choose.Margin`."""

    name: str
    what: str
    limit: float
    unit: str
    at_least: bool

    def reserve(self, values: ArrayLike) -> Floats:
        """How far inside (positive) or outside, as `Margin.reserve`; -inf if unknown."""
        x = np.asarray(values, dtype=np.float64)
        if self.what == "pass_share":
            return np.asarray(x - self.limit)
        known = np.isfinite(x)
        if self.what.endswith("_cv"):
            return np.where(known, 1.0 - np.where(known, x, 0.0) / self.limit, -np.inf)
        known &= x > 0.0
        ratio = np.log(np.where(known, x, self.limit) / self.limit)
        return np.where(known, ratio if self.at_least else -ratio, -np.inf)

    def margin(self, value: float) -> Margin:
        """Where a value stands."""
        reserve = float(self.reserve(value))
        return Margin(self.name, self.limit, value, self.unit, reserve >= 0.0, reserve)


def limits_of(target: Target) -> tuple[Limit, ...]:
    """Limits of a target that joint draws can be held to, in the order of the choice.

    Those on thermal output and self-heating are not among them.
    """
    low, high = target.window
    most, gauge = (high if np.isfinite(high) else None), target.gauge_factor_min
    cvs = target.resistance_cv_max, target.gauge_factor_cv_max
    share = target.pass_share_min
    rows = (
        ("median resistance, at least", "resistance", low or None, "ohm", True),
        ("median resistance, at most", "resistance", most, "ohm", False),
        ("median gauge factor, at least", "gauge_factor", gauge, "1", True),
        ("CV of resistance, at most", "resistance_cv", cvs[0], "1", False),
        ("CV of gauge factor, at most", "gauge_factor_cv", cvs[1], "1", False),
        ("share of castings that pass, at least", "pass_share", share, "1", True),
    )
    return tuple(
        Limit(name, what, limit, unit, at_least)
        for name, what, limit, unit, at_least in rows
        if limit is not None
    )


@dataclass(frozen=True, slots=True)
class Ranking:
    """A choice among candidates over joint draws.

    Parameters
    ----------
    best : int
        The chosen candidate, or the nearest when none keeps every limit.
    meets : bool
        Whether it keeps every limit.
    confidence : float
        Weight of the draws in which the choice is right: in them it keeps every limit and
        no other that does passes more than a per cent more of its castings; when none keeps
        every limit, in which none does.
    first : tuple of float
        For each candidate the weight of the draws in which it keeps every limit and ranks
        first.
    rivals : tuple of float
        For each candidate the weight of the draws in which the choice is wrong and it is
        the right one.

    """

    best: int
    meets: bool
    confidence: float
    first: tuple[float, ...]
    rivals: tuple[float, ...]


def rank_outlooks(
    outlooks: Sequence[Outlook],
    target: Target,
    margins: Sequence[Sequence[Margin]],
    trusted: Sequence[bool],
) -> Ranking:
    """Choose among candidates over joint draws of what is not known.

    Parameters
    ----------
    outlooks : sequence of Outlook
        Every candidate, over the same draws.
    target : Target
        What is asked.
    margins : sequence of sequence of Margin
        Of every candidate over all draws together, the share that passes among them.
    trusted : sequence of bool
        Whether the boxes of each candidate are far enough above the threshold to decide.

    Returns
    -------
    Ranking

    Notes
    -----
    As `choose.pick`: the best keeps every limit and has the largest share of passing
    castings, to a per cent; among equals it is farthest inside its closest limit. The
    nearest is one that can be trusted, with the largest share, and among equals the least
    outside its limits. Each draw is a world in which the choice is made again; the
    confidence is the probability of good selection within an indifference of a per cent of
    castings [1]_. The share that passes has to keep its limit in each world as well.

    References
    ----------
    .. [1] Branke, Chick & Schmidt, "Selecting a Selection Procedure", Management Science
       53, 1916 (2007), from memory. https://doi.org/10.1287/mnsc.1070.0721

    """
    weights = outlooks[0].draws.weights
    shares = np.stack([o.pass_shares(target) for o in outlooks])
    mean = shares @ weights
    reserve = [min((m.reserve for m in rows), default=np.inf) for rows in margins]
    keeps = [
        bool(can and all(m.met for m in rows))
        for rows, can in zip(margins, trusted, strict=True)
    ]
    if any(keeps):
        best = max(
            (i for i, ok in enumerate(keeps) if ok),
            key=lambda i: (round(float(mean[i]), 2), reserve[i]),
        )
    else:
        best = max(
            range(len(outlooks)),
            key=lambda i: (trusted[i], round(float(mean[i]), 2), -_outside(margins[i])),
        )
    # limits that no draw tells of hold or not as they do over all of them
    limits = limits_of(target)
    told = {limit.name for limit in limits}
    other = [all(m.met for m in rows if m.target not in told) for rows in margins]
    inside = np.stack(
        [
            np.min([x.reserve(_of_draw(o, share, x.what)) for x in limits], axis=0)
            for o, share in zip(outlooks, shares, strict=True)
        ]
    )
    good = (inside >= 0.0) & (np.asarray(trusted) & np.asarray(other))[:, None]
    rank = np.round(100.0 * shares) * 1e3 + np.clip(inside, -400.0, 400.0)
    rank = np.where(good, rank, -np.inf)
    some = good.any(axis=0)
    winner = np.where(some, rank.argmax(axis=0), -1)
    if keeps[best]:
        highest = np.where(good, shares, -np.inf).max(axis=0)
        right = good[best] & (shares[best] >= highest - EQUAL_SHARES)
    else:
        right = ~some
    first, rivals = (
        tuple(float(weights @ (kept & (winner == i))) for i in range(len(outlooks)))
        for kept in (np.ones_like(some), ~right)
    )
    return Ranking(best, keeps[best], float(weights @ right), first, rivals)


def _outside(margins: Sequence[Margin]) -> float:
    """How far outside its limits altogether (0 inside)."""
    return sum(min(max(-m.reserve, 0.0), 50.0) for m in margins)


def _of_draw(o: Outlook, shares: Floats, what: str) -> Floats:
    """Give what a limit is on, draw by draw; inf where open."""
    level = o.log_rest[:, o.nominal]
    if what == "resistance":
        return np.exp(level)
    if what == "gauge_factor":
        return np.where(np.isfinite(level), o.chord[:, o.nominal], 0.0)
    if what == "resistance_cv":
        known = np.isfinite(o.spread)
        return np.where(known, np.sqrt(np.expm1(np.minimum(o.spread, 26.0) ** 2)), np.inf)
    return o.gauge_spread if what == "gauge_factor_cv" else shares


def first_order_shares(draws: Draws, values: Floats) -> dict[str, float] | None:
    r"""First-order shares of each number in the variance of a result.

    Parameters
    ----------
    draws : Draws
        Draws of equal weight.
    values : (n,) ndarray of float
        The result of each draw; draws where it is not finite are left out.

    Returns
    -------
    dict of str to float or None
        By symbol, and `together`: the rest to 1, what several numbers do only together.
        None with too few finite values or none that differ.

    Notes
    -----
    The first-order Sobol' index :math:`S_i = \mathrm{Var}\,E(y|z_i)/\mathrm{Var}\,y` [1]_,
    with :math:`E(y|z_i)` from the orthogonal Hermite polynomials of :math:`z_i` up to
    degree 4, least squares on the draws at hand [2]_, less what as many polynomials of a
    meaningless number would explain.

    References
    ----------
    .. [1] Sobol', "Global sensitivity indices for nonlinear mathematical models and their
       Monte Carlo estimates", Math. Comput. Simul. 55, 271 (2001).
    .. [2] Sudret, "Global sensitivity analysis using polynomial chaos expansions", Reliab.
       Eng. Syst. Saf. 93, 964 (2008).

    """
    keep = np.isfinite(values)
    y = values[keep]
    if len(y) < FEWEST or not np.ptp(y) > 1e-12 * max(1.0, float(np.abs(y).max())):
        return None
    y = y - y.mean()
    found = {}
    for prior, z in zip(draws.priors.free, draws.z[keep].T, strict=True):
        basis = hermite_e.hermevander(z, DEGREE)
        left = y - basis @ np.linalg.lstsq(basis, y, rcond=None)[0]
        n = len(y)
        unexplained = (left @ left) / (n - DEGREE - 1) * (n - 1) / (y @ y)
        found[prior.name] = max(0.0, float(1.0 - unexplained))
    found["together"] = max(0.0, 1.0 - sum(found.values()))
    return found
