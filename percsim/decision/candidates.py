"""Stage 8. Candidates against a target: where each stands, and how sure the best is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.outlook import Band, Outlook
from percsim.decision.target import Limit, Target
from percsim.film.casting import Castings
from percsim.film.readout import Readout, read_through_series
from percsim.film.transfer import FAITHFUL_RATIO, LoadingFit
from percsim.materials.recipe import Recipe as Mixture

__all__ = [
    "EQUAL_SHARES",
    "WEIGHING_ERROR",
    "Candidate",
    "Choice",
    "Margin",
    "PassShare",
    "Refusal",
    "Standing",
    "choose",
    "judge",
    "pick_outlook",
    "stand",
]

Floats = NDArray[np.float64]

WEIGHING_ERROR = 0.01
"""Relative error of the loading against which a candidate's pass share is tried."""
EQUAL_SHARES = 0.01
"""Pass shares closer than this count as equal: a bench could not tell them apart."""


@dataclass(frozen=True, slots=True)
class PassShare:
    """Share of castings that pass, with 95 % limits of what is not known."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Margin:
    """One limit of the target and where a candidate stands.

    Parameters
    ----------
    limit : Limit
        The limit.
    value : float
        The candidate's, in its unit.
    within_error : bool
        Whether the distance to the limit is smaller than the simulation error of the value.

    """

    limit: Limit
    value: float
    within_error: bool = False

    @property
    def reserve(self) -> float:
        """How far inside (positive) or outside, see `Limit.reserve`."""
        return float(self.limit.reserve(self.value))

    @property
    def met(self) -> bool:
        """Whether the value keeps the limit."""
        return self.reserve >= 0.0


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a candidate does not meet the target.

    Parameters
    ----------
    code : {"open", "near threshold", "open castings", "limit", "threshold unknown"}
        What is wrong.
    margin : Margin or None
        The limit that is missed.

    """

    code: str
    margin: Margin | None = None


@dataclass(frozen=True, slots=True)
class Candidate:
    """A weight fraction, an electrode gap and a mix, judged.

    Parameters
    ----------
    outlook : Outlook
        What it would read, over what is known.
    castings : Castings
        Castings drawn at the centre of that.
    fit : LoadingFit
        Of its boxes.
    resistance : Band
        R of one casting at rest [ohm].
    gauge_factor : Band or None
        Chord gauge factor of one casting; None where films are open.
    resistance_cv, gauge_factor_cv : float
        Medians over what is known.
    resistance_cv_error, gauge_factor_cv_error : float
        Their simulation errors.
    pass_share : PassShare
        Share that passes.
    margins : tuple of Margin
        One a limit.
    refusals : tuple of Refusal
        Why it does not meet the target; empty when it does.
    weighing : (float, float)
        Share that passes when the loading is 1 % lower and higher than planned.
    readout : Readout or None
        At the supply, when the target names one.
    threshold : Mixture
        Its mixture at the film's own threshold.
    words : str
        What sets its mix apart; empty when there is one.
    values : tuple of (str, float)
        The same for `summary.json`.

    """

    outlook: Outlook = field(repr=False)
    castings: Castings = field(repr=False)
    fit: LoadingFit = field(repr=False)
    resistance: Band
    gauge_factor: Band | None
    resistance_cv: float
    gauge_factor_cv: float
    resistance_cv_error: float
    gauge_factor_cv_error: float
    pass_share: PassShare
    margins: tuple[Margin, ...]
    refusals: tuple[Refusal, ...]
    weighing: tuple[float, float]
    readout: Readout | None
    threshold: Mixture = field(repr=False)
    words: str = ""
    values: tuple[tuple[str, float], ...] = ()

    @property
    def mix(self) -> int:
        """Which mix it belongs to."""
        return self.outlook.recipe.mix

    @property
    def meets_target(self) -> bool:
        """Whether every limit is kept and the simulation can be trusted there."""
        return not self.refusals

    @property
    def threshold_ratio(self) -> float:
        """Volume fraction over the film's own threshold."""
        return self.fit.loading.volume_fraction / self.threshold.volume_fraction

    @property
    def is_trusted(self) -> bool:
        """Whether its boxes are far enough above the threshold to decide."""
        return self.threshold_ratio >= FAITHFUL_RATIO

    @property
    def open_fraction(self) -> float:
        """Probability that a casting is open at rest."""
        return float(self.outlook.weights @ self.outlook.open_shares)

    @property
    def reserve(self) -> float:
        """Smallest distance to any limit, negative outside, inf without limits."""
        return min((m.reserve for m in self.margins), default=float("inf"))


@dataclass(frozen=True, slots=True)
class Standing:
    """How sure a choice among candidates is.

    Parameters
    ----------
    confidence : float
        Weight of the draws in which the choice stands: it meets the target and no other
        that does passes more than a per cent more of the castings; without a choice, in
        which no candidate meets the target.
    first : tuple of float
        For each candidate the weight of the draws in which it meets the target and ranks
        first.
    rivals : tuple of float
        For each candidate the weight of those in which the choice is wrong and it is right.
    undecided : tuple of int
        Candidates on which the choice hangs.

    """

    confidence: float
    first: tuple[float, ...]
    rivals: tuple[float, ...]
    undecided: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Choice:
    """All candidates judged over one state of knowledge.

    Parameters
    ----------
    target : Target
        What was asked.
    candidates : tuple of Candidate
        Mixes and loadings in the order given, gaps within each.
    chosen, nearest : int or None
        Index of the best candidate that meets the target, or of the one that comes closest
        when none does.
    standing : Standing
        How sure that is.

    """

    target: Target
    candidates: tuple[Candidate, ...]
    chosen: int | None
    nearest: int | None
    standing: Standing

    @property
    def index(self) -> int:
        """That of the chosen candidate, or of the nearest when none meets the target."""
        return self.chosen if self.chosen is not None else self.nearest or 0

    @property
    def best(self) -> Candidate:
        """The chosen candidate, or the nearest."""
        return self.candidates[self.index]

    def of_mix(self, mix: int) -> Choice:
        """Keep the candidates of one mix alone; its own best is chosen or nearest."""
        kept = [i for i, c in enumerate(self.candidates) if c.mix == mix]
        if len(kept) == len(self.candidates):
            return self
        place = {i: k for k, i in enumerate(kept)}
        candidates = tuple(self.candidates[i] for i in kept)
        old = self.standing
        standing = Standing(
            old.confidence,
            tuple(old.first[i] for i in kept),
            tuple(old.rivals[i] for i in kept),
            tuple(place[i] for i in old.undecided if i in place),
        )
        return Choice(self.target, candidates, *_pick(candidates), standing)


def judge(
    outlook: Outlook,
    planned: Outlook,
    off: tuple[Outlook, Outlook],
    castings: Castings,
    fit: LoadingFit,
    target: Target,
    *,
    threshold: Mixture,
    words: str = "",
    values: tuple[tuple[str, float], ...] = (),
    withheld: bool = False,
) -> Candidate:
    """Hold one candidate against the target.

    Parameters
    ----------
    outlook : Outlook
        Over what is known.
    planned : Outlook
        Over the simulation error alone.
    off : (Outlook, Outlook)
        Of cups weighed off by `WEIGHING_ERROR` either way, over what is known.
    castings : Castings
        At the centre of what is known.
    fit, threshold, words, values
        As of `Candidate`.
    target : Target
        What is asked.
    withheld : bool
        Whether nothing is decided, because the threshold cannot be foreseen.

    """
    w = outlook.weights
    ratio = fit.loading.volume_fraction / threshold.volume_fraction
    shares = outlook.pass_shares(target)
    low, high = (float(x) for x in weighted_quantiles(shares, (0.025, 0.975), w))
    share = float(w @ shares)
    resistance, gauge = outlook.casting_band(), outlook.response_band()
    margins = tuple(
        _margin(limit, outlook, planned, target, resistance, gauge, share)
        for limit in target.limits
    )
    errors = [
        _half_of_central(planned.values_of(what, target), planned.weights)
        for what in ("resistance_cv", "gauge_factor_cv")
    ]
    return Candidate(
        outlook, castings, fit, resistance, gauge,
        outlook.draw_band(outlook.resistance_cv).median,
        outlook.draw_band(outlook.gauge_factor_cv).median,
        errors[0], errors[1],
        PassShare(share, min(low, share), max(high, share)),
        margins,
        _refusals(outlook, castings, fit, target, margins, ratio, withheld),
        tuple(float(w @ o.pass_shares(target)) for o in off),  # type: ignore[arg-type]
        _readout(castings, target, resistance.median),
        threshold, words, values,
    )  # fmt: skip


def _margin(
    limit: Limit,
    outlook: Outlook,
    planned: Outlook,
    target: Target,
    resistance: Band,
    gauge: Band | None,
    share: float,
) -> Margin:
    known = {
        "resistance": resistance.median,
        "gauge_factor": gauge.median if gauge else 0.0,
        "pass_share": share,
    }
    if limit.what in known:
        value = known[limit.what]
    else:
        value = outlook.draw_band(outlook.values_of(limit.what, target)).median
    error = _half_of_central(planned.values_of(limit.what, target), planned.weights)
    return Margin(
        limit, value, bool(np.isfinite(error) and abs(value - limit.value) < error)
    )


def _half_of_central(values: Floats, weights: Floats) -> float:
    """Half of the central 68 % of draws; inf where they reach into inf."""
    low, high = weighted_quantiles(values, (0.158655, 0.841345), weights)
    return float(0.5 * (high - low)) if np.isfinite(high) else float("inf")


def _refusals(
    outlook: Outlook,
    castings: Castings,
    fit: LoadingFit,
    target: Target,
    margins: Sequence[Margin],
    ratio: float,
    withheld: bool,
) -> tuple[Refusal, ...]:
    if withheld:
        return (Refusal("threshold unknown"),)
    if ratio <= 1.0 or fit.is_open or np.isinf(castings.nominal[castings.visits.rest]):
        return (Refusal("open"),)
    found = []
    if ratio < FAITHFUL_RATIO:
        found.append(Refusal("near threshold"))
    if float(outlook.weights @ outlook.open_shares) > 1.0 - target.pass_share_min:
        found.append(Refusal("open castings"))
    return (*found, *(Refusal("limit", margin) for margin in margins if not margin.met))


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


# ------------------------------------------------------------------------------------------
# Choice
# ------------------------------------------------------------------------------------------


def choose(
    candidates: Sequence[Candidate], target: Target, confidence: float = 0.95
) -> Choice:
    """Choose among candidates that were judged over the same draws.

    Parameters
    ----------
    candidates : sequence of Candidate
        All of them.
    target : Target
        What they were held against.
    confidence : float
        Confidence that is asked; names the undecided ones.

    Notes
    -----
    The best has the largest share of passing castings, to a per cent; among equals it is
    farthest inside its closest limit. The nearest is one that the simulation can be
    trusted for, with the largest share, and among equals the least outside its limits.

    """
    chosen, nearest = _pick(candidates)
    standing = stand([c.outlook for c in candidates], target, chosen, confidence)
    return Choice(target, tuple(candidates), chosen, nearest, standing)


def _pick(candidates: Sequence[Candidate]) -> tuple[int | None, int | None]:
    meeting = [i for i, c in enumerate(candidates) if c.meets_target]
    if meeting:
        return max(
            meeting,
            key=lambda i: (round(candidates[i].pass_share.value, 2), candidates[i].reserve),
        ), None

    def nearness(i: int) -> tuple[bool, float, float]:
        c = candidates[i]
        outside = sum(min(max(-m.reserve, 0.0), 50.0) for m in c.margins)
        return c.is_trusted, round(c.pass_share.value, 2), -outside

    return None, max(range(len(candidates)), key=nearness)


def pick_outlook(outlooks: Sequence[Outlook], target: Target) -> tuple[int | None, int]:
    """Index of the best outlook that meets the target, and of the best or nearest.

    By medians over the draws; quicker than `choose`, which also draws castings.
    """
    rows = []
    for o in outlooks:
        share = float(o.weights @ o.pass_shares(target))
        reserves = [
            float(x.reserve(share if x.what == "pass_share" else
                            o.draw_band(o.values_of(x.what, target)).median))
            for x in target.limits
        ]  # fmt: skip
        trusted = o.draw_band(o.ratio).median >= FAITHFUL_RATIO
        outside = sum(min(max(-r, 0.0), 50.0) for r in reserves)
        meets = trusted and outside == 0.0
        rows.append((meets, trusted, round(share, 2), min(reserves, default=0.0) - outside))
    best = max(range(len(rows)), key=rows.__getitem__)
    return (best if rows[best][0] else None), best


def stand(
    outlooks: Sequence[Outlook],
    target: Target,
    chosen: int | None,
    confidence: float = 0.95,
) -> Standing:
    """Ask how sure a choice is over the draws.

    Parameters
    ----------
    outlooks : sequence of Outlook
        Every candidate, over the same draws.
    target : Target
        What they were held against.
    chosen : int or None
        Which one was chosen, None when none meets the target.
    confidence : float
        Confidence that is asked; names the undecided ones.

    Notes
    -----
    Each draw is a world in which the choice is made again. That it stands within an
    indifference of one per cent of castings is the probability of good selection of
    ranking and selection [1]_, so that limits, ranks and their correlation through common
    random numbers are in it together.

    References
    ----------
    .. [1] Branke, Chick & Schmidt, "Selecting a Selection Procedure", Management Science
       53, 1916 (2007), from memory. https://doi.org/10.1287/mnsc.1070.0721

    """
    w, n = outlooks[0].weights, len(outlooks[0].knowledge)
    share = np.stack([o.pass_shares(target) for o in outlooks])
    reserve = np.stack(
        [
            np.min([x.reserve(o.values_of(x.what, target)) for x in target.limits], axis=0)
            for o in outlooks
        ]
    )
    meets = reserve >= 0.0
    meets &= np.stack([o.ratio >= FAITHFUL_RATIO for o in outlooks])
    rank = np.round(100.0 * share) * 1e3 + np.clip(reserve, -400.0, 400.0)
    rank = np.where(meets, rank, -np.inf)
    winner = np.where(meets.any(axis=0), rank.argmax(axis=0), -1)
    if chosen is None:
        stands = winner < 0
    else:
        highest = np.where(meets, share, -np.inf).max(axis=0)
        stands = meets[chosen] & (share[chosen] >= highest - EQUAL_SHARES)
    first, rivals = (
        np.array([float(w @ (kept & (winner == i))) for i in range(len(outlooks))])
        for kept in (np.ones_like(stands), ~stands)
    )
    asked = 0.25 * (1.0 - confidence)
    undecided = {i for i in range(len(outlooks)) if rivals[i] > asked}
    if not undecided and rivals.max() > 0.0:
        undecided = {int(rivals.argmax())}
    if chosen is not None and not stands.all():
        undecided.add(chosen)
    # one more as if it had failed, so that no finite number of draws is certainty
    sure = (float(w @ stands) * n + 0.5) / (n + 1.0)
    return Standing(sure, tuple(first), tuple(rivals), tuple(sorted(undecided)))
