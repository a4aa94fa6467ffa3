r"""Stage 8. The casting ladder: what to cast first while the contact law is only assumed.

Before anything is measured the level of the resistance is known within a factor of ten and
the threshold within two, so that no single recipe is likely to land in the window. A ladder
of a few loadings and gaps is: one of its rungs probably does, and the readings of all of
them together tell level and threshold apart.

A rung is added for the largest growth of

.. math:: U = P(\text{some rung lands in the window})
          + w \, \big\langle 1 - \overline{\operatorname{Var}}(\theta_j \mid
          \text{readings}) / \operatorname{Var}(\theta_j) \big\rangle_j

over joint draws of the law's parameters. The first term alone is a coverage function, which
adding one rung after another serves to within 1 - 1/e of the best set of that size [1]_.
The second is the preposterior analysis of Bayesian design [2]_: every draw is in turn taken
as the truth, its readings are weighed against all other draws, and the variance that is
left is averaged.

References
----------
.. [1] Nemhauser, Wolsey & Fisher, "An analysis of approximations for maximizing submodular
   set functions", Math. Program. 14, 265 (1978). https://doi.org/10.1007/BF01588971
.. [2] Chaloner & Verdinelli, "Bayesian experimental design: a review", Statist. Sci. 10,
   273 (1995). https://doi.org/10.1214/ss/1177009939

"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = ["FILMS_A_RUNG", "CastingLadder", "Rung", "casting_ladder"]

Floats = NDArray[np.float64]

FILMS_A_RUNG = 3
"""Films cast at each rung (common practice, no source): one can fail, two still agree."""

INFORMATION_WEIGHT = 0.5
"""Worth of knowing the parameters fully against a rung in the window (judgement)."""

TRUTHS = 300
"""Draws taken in turn as the truth: the mean variance left is known to some per cent."""

WEIGHED = 3000
"""Draws that each truth is weighed against."""

LEAST_WORTH = 0.01
"""Growth of the worth below which another rung is not worth a cup (judgement)."""

NEVER = -1e4
"""Log likelihood of reading open what conducts, or the other way round."""

LEAST_LOG = -1e6
"""Keeps sums of those finite in single precision."""

FEWEST_SPREAD = 0.02
"""Smallest spread of ln R of a mean reading: instruments and clips (judgement)."""


@dataclass(frozen=True, slots=True)
class Rung:
    """One recipe and gap to cast.

    Parameters
    ----------
    candidate : int
        Which of the candidates.
    films : int
        Films to cast.
    median, low, high : float
        Median and 5-95 % of the median reading of these films over the assumed parameters
        and the bench [ohm], inf when open.
    in_window : float
        Probability that the reading lands in the window.
    is_open : float
        Probability that the films are open.
    covered : float
        Probability that this rung or an earlier one lands in the window.
    tells : mapping of str to float
        For each parameter the share of its variance that this rung alone resolves.
    known : mapping of str to float
        The same for this rung and all earlier ones together.

    """

    candidate: int
    films: int
    median: float
    low: float
    high: float
    in_window: float
    is_open: float
    covered: float
    tells: Mapping[str, float]
    known: Mapping[str, float]

    def as_dict(self) -> dict[str, object]:
        """Keys as in the rungs of `summary.json`."""
        return {
            "candidate": self.candidate,
            "films": self.films,
            "resistance_ohm": {"median": self.median, "p05": self.low, "p95": self.high},
            "in_window": self.in_window,
            "open": self.is_open,
            "covered": self.covered,
            "tells": dict(self.tells),
            "known": dict(self.known),
        }


@dataclass(frozen=True, slots=True)
class CastingLadder:
    """Recipes to cast first, in order of what each adds.

    Parameters
    ----------
    rungs : tuple of Rung
        What to cast.
    best_single : int or None
        The one candidate likeliest in the window, None without candidates.
    best_single_probability : float
        Its probability.
    covered : float
        Probability that at least one rung lands in the window.
    reachable : float
        The same if every candidate were cast: what no choice of rungs can exceed.
    known : mapping of str to float
        For each parameter the share of its variance that all readings resolve.
    n_draws : int
        Joint draws it rests on.

    """

    rungs: tuple[Rung, ...]
    best_single: int | None
    best_single_probability: float
    covered: float
    reachable: float
    known: Mapping[str, float] = field(default_factory=dict)
    n_draws: int = 0

    def as_dict(self) -> dict[str, object]:
        """Keys as in the `ladder` of `summary.json`."""
        return {
            "best_single": self.best_single,
            "best_single_probability": self.best_single_probability,
            "covered": self.covered,
            "reachable": self.reachable,
            "known": dict(self.known),
            "n_draws": self.n_draws,
            "rungs": [rung.as_dict() for rung in self.rungs],
        }


def casting_ladder(
    log_resistances: Floats,
    parameters: Mapping[str, Floats],
    reading_sd: Floats,
    window: tuple[float, float],
    cups: Sequence[int],
    *,
    most_cups: int = 5,
    most_gaps: int = 2,
    films: int = FILMS_A_RUNG,
    rng: np.random.Generator,
) -> CastingLadder:
    """Choose which recipes and gaps to cast first.

    Parameters
    ----------
    log_resistances : (n draws, n candidates) ndarray of float
        ln R of each candidate's film as planned under joint draws of everything that is
        assumed, +inf where it is open. Row k of every candidate is the same world.
    parameters : mapping of str to (n draws,) ndarray of float
        What was drawn, each on a scale on which its variance means something (logarithms of
        positive numbers).
    reading_sd : (n candidates,) ndarray of float
        Standard deviation of ln R of the mean reading of `films` films around the planned
        film, from the bench.
    window : (float, float)
        Window of the resistance [ohm].
    cups : sequence of int
        For each candidate the batch it is cast from; candidates that differ in the gap
        alone share one.
    most_cups, most_gaps : int
        Batches to mix, and gaps to cast from each.
    films : int
        Films of each rung, as counted in `reading_sd`.
    rng : Generator
        Draws the noise of the readings.

    Returns
    -------
    CastingLadder
        Rungs in the order in which each adds most.

    Raises
    ------
    ValueError
        If shapes disagree, a number is NaN, or the window is empty.

    """
    logs = np.asarray(log_resistances, dtype=np.float64)
    sd = np.maximum(np.asarray(reading_sd, dtype=np.float64), FEWEST_SPREAD)
    _check(logs, parameters, sd, window, cups)
    n_draws, n_candidates = logs.shape
    if n_candidates == 0:
        return CastingLadder((), None, 0.0, 0.0, 0.0, {}, n_draws)
    noise = rng.standard_normal((n_draws, n_candidates)) * sd
    with np.errstate(over="ignore"):
        readings = np.exp(logs + noise)
    hits = (readings >= window[0]) & (readings <= window[1])
    weights = _Readings.of(logs, parameters, sd, noise)

    chosen: list[int] = []
    rungs: list[Rung] = []
    covered = np.zeros(n_draws, dtype=bool)
    known = dict.fromkeys(parameters, 0.0)
    seen = weights.nothing
    worth = 0.0
    while True:
        open_to = [
            c
            for c in range(n_candidates)
            if c not in chosen and _fits(c, chosen, cups, most_cups, most_gaps)
        ]
        best: tuple[float, int, Floats] | None = None
        for c in open_to:
            resolved = weights.resolved(seen + weights.of_candidate(c))
            value = float((covered | hits[:, c]).mean())
            value += INFORMATION_WEIGHT * float(np.mean(resolved)) if len(resolved) else 0.0
            if best is None or value > best[0] + 1e-12:
                best = value, c, resolved
        if best is None or best[0] < worth + LEAST_WORTH:
            break
        worth, c, resolved = best
        seen = seen + weights.of_candidate(c)
        chosen.append(c)
        covered |= hits[:, c]
        known = dict(zip(parameters, map(float, resolved), strict=True))
        alone = weights.resolved(weights.of_candidate(c))
        low, median, high = np.quantile(
            readings[:, c], [0.05, 0.5, 0.95], method="inverted_cdf"
        )
        rungs.append(
            Rung(
                candidate=c,
                films=films,
                median=float(median),
                low=float(low),
                high=float(high),
                in_window=float(hits[:, c].mean()),
                is_open=float(np.isinf(logs[:, c]).mean()),
                covered=float(covered.mean()),
                tells=dict(zip(parameters, map(float, alone), strict=True)),
                known=known,
            )
        )
    single = hits.mean(axis=0)
    return CastingLadder(
        rungs=tuple(rungs),
        best_single=int(np.argmax(single)),
        best_single_probability=float(single.max()),
        covered=float(covered.mean()),
        reachable=float(hits.any(axis=1).mean()),
        known=known,
        n_draws=n_draws,
    )


def _check(
    logs: Floats,
    parameters: Mapping[str, Floats],
    sd: Floats,
    window: tuple[float, float],
    cups: Sequence[int],
) -> None:
    if logs.ndim != 2 or len(logs) < 2:
        raise ValueError(
            f"log_resistances must have shape (draws, candidates), got {logs.shape}"
        )
    if np.isnan(logs).any():
        raise ValueError("log_resistances holds NaN; open films are +inf")
    if not (sd.shape == (logs.shape[1],) and len(cups) == logs.shape[1]):
        raise ValueError(
            f"reading_sd and cups need one entry for each of {logs.shape[1]} candidates, "
            f"got {sd.shape} and {len(cups)}"
        )
    for name, values in parameters.items():
        if values.shape != (len(logs),) or not np.isfinite(values).all():
            raise ValueError(
                f"parameter {name} must be {len(logs)} finite numbers, one a draw"
            )
    if not 0.0 <= window[0] < window[1]:
        raise ValueError(f"the window must rise, got {window[0]:g} to {window[1]:g} ohm")


def _fits(
    c: int, chosen: Sequence[int], cups: Sequence[int], most_cups: int, most_gaps: int
) -> bool:
    """Whether one more rung stays within the batches and gaps allowed."""
    mixed = {cups[i] for i in chosen}
    if cups[c] in mixed:
        return sum(cups[i] == cups[c] for i in chosen) < most_gaps
    return len(mixed) < most_cups


@dataclass(frozen=True, slots=True)
class _Readings:
    """Readings of a few draws taken as the truth, weighed against many.

    Parameters
    ----------
    values : (n draws, n parameters) ndarray of float
        Parameters, of mean 0 and variance 1.
    tables : tuple of (n truths, n draws) ndarray of float
        For each candidate the log likelihood of each truth's reading under each draw.

    """

    values: Floats
    tables: tuple[NDArray[np.float32], ...]

    @classmethod
    def of(
        cls, logs: Floats, parameters: Mapping[str, Floats], sd: Floats, noise: Floats
    ) -> _Readings:
        draws = slice(0, WEIGHED)
        truths = slice(0, min(TRUTHS, len(logs)))
        columns = []
        for values in parameters.values():
            spread = float(values[draws].std())
            columns.append((values[draws] - values[draws].mean()) / (spread or 1.0))
        tables = []
        for c in range(logs.shape[1]):
            own = logs[draws, c]
            reading = logs[truths, c] + noise[truths, c]
            closed = np.isfinite(reading)[:, None] & np.isfinite(own)[None, :]
            distance = np.where(closed, reading[:, None], 0.0) - np.where(
                closed, own[None, :], 0.0
            )
            agree = np.isinf(reading)[:, None] & np.isinf(own)[None, :]
            table = np.where(closed, -0.5 * (distance / sd[c]) ** 2, NEVER)
            tables.append(np.where(agree, 0.0, table).astype(np.float32))
        made = np.column_stack(columns) if columns else np.zeros((len(logs[draws]), 0))
        return cls(made, tuple(tables))

    @property
    def nothing(self) -> NDArray[np.float32]:
        """Log likelihood before any reading."""
        return np.zeros_like(self.tables[0])

    def of_candidate(self, c: int) -> NDArray[np.float32]:
        """Log likelihood of the readings of one candidate (n truths, n draws)."""
        return self.tables[c]

    def resolved(self, log_likelihood: NDArray[np.float32]) -> Floats:
        """Mean share of each parameter's variance that the readings resolve.

        The truth itself is left out of its own posterior: it would agree with its reading
        to the noise alone, however many other draws do. A variance over few draws that
        count comes out too small, by the sum of their squared weights.
        """
        if not self.values.shape[1]:
            return np.zeros(0)
        table = np.maximum(log_likelihood, LEAST_LOG)
        k = np.arange(len(table))
        table[k, k] = -np.inf
        weight = np.exp(table - table.max(axis=1, keepdims=True))
        weight /= weight.sum(axis=1, keepdims=True)
        mean = weight @ self.values
        left = weight @ self.values**2 - mean**2
        counted = 1.0 - float((weight**2).sum(axis=1).mean())
        left = left.mean(axis=0) / max(counted, 1e-12)
        return np.asarray(np.clip(1.0 - left, 0.0, 1.0))
