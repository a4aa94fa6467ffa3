"""What figures are drawn from: a run, and its numbers as arrays.

Missing numbers are NaN, which is never drawn; open films are infinite.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from percsim.report.candidates import Row, Summary, deciding_index, of_one_mix, varying_axes
from percsim.words import number

Floats: TypeAlias = NDArray[np.float64]


class NothingToDrawError(ValueError):
    """A figure whose data this run does not have, with the reason to print instead."""


@dataclass(frozen=True, slots=True)
class Run:
    """What figures are drawn from.

    Parameters
    ----------
    summary : dict
        The summary of a run.
    boxes, responses, castings : sequence of dict
        One row a box, a box and state, and a casting and candidate.
    sample : tuple or None
        (Particles, Links, Network, Solution) of one box.

    """

    summary: Summary
    boxes: Sequence[Row] = field(default_factory=tuple)
    responses: Sequence[Row] = field(default_factory=tuple)
    castings: Sequence[Row] = field(default_factory=tuple)
    sample: tuple[Any, Any, Any, Any] | None = None

    @property
    def candidates(self) -> list[Row]:
        """The candidates, in their order."""
        return list(self.summary.get("candidates") or [])

    @property
    def reference(self) -> tuple[Row, bool]:
        """The candidate figures are drawn around, and whether it was chosen.

        Raises
        ------
        NothingToDrawError
            If there is no candidate.

        """
        if not self.candidates:
            raise NothingToDrawError("no candidate was evaluated")
        index, is_chosen = deciding_index(self.summary)
        return self.candidates[index or 0], is_chosen

    @property
    def deciding_word(self) -> str:
        """What legends call that candidate."""
        return "chosen" if deciding_index(self.summary)[1] else "nearest"

    def of_one_mix(self) -> Run:
        """Keep the candidates and rows of the deciding mix alone, numbered anew."""
        keys = varying_axes(self.summary)
        index, _ = deciding_index(self.summary)
        if not keys or index is None:
            return self
        here = self.candidates[index]
        summary = of_one_mix(self.summary)
        kept = [k for k, c in enumerate(self.candidates) if c in summary["candidates"]]
        place = {k: n for n, k in enumerate(kept)}

        def mine(rows: Sequence[Row]) -> list[Row]:
            kept = list(rows)
            for key in keys:
                at = [same(number(row.get(key)), number(here.get(key))) for row in kept]
                # boxes that several mixes share say nothing of what they differ in
                kept = [
                    row
                    for row, equal in zip(kept, at, strict=True)
                    if (equal if any(at) else number(row.get(key)) is None)
                ]
            return kept

        castings = [
            {**row, "candidate": place[row["candidate"]]}
            for row in self.castings
            if row.get("candidate") in place
        ]
        return Run(summary, mine(self.boxes), mine(self.responses), castings, self.sample)

    def along(self, key: str, fixed: str) -> list[Row]:
        """Candidates that share `fixed` with the reference, sorted by `key`."""
        at = number(self.reference[0].get(fixed))
        rows = [c for c in self.candidates if same(number(c.get(fixed)), at)]
        return sorted(rows, key=lambda c: number(c.get(key)) or 0.0)

    def values(self, key: str) -> list[float]:
        """Distinct values of a key among the candidates, rising."""
        return sorted({x for c in self.candidates if (x := number(c.get(key))) is not None})


def same(a: float | None, b: float | None) -> bool:
    """Whether two numbers are the same setting."""
    return a is not None and b is not None and math.isclose(a, b, rel_tol=1e-9)


class Points(NamedTuple):
    """An entry of every row: median, 5 and 95 % of castings, simulation error."""

    rows: Sequence[Row]
    median: Floats
    low: Floats
    high: Floats
    error: Floats

    @property
    def ranges(self) -> tuple[Floats, Floats, Floats]:
        """What an axis must hold."""
        return self.median, self.low, self.high

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which medians are those of films that conduct."""
        return np.isfinite(self.median)

    @property
    def has_error(self) -> bool:
        """Whether there is an error bar to draw."""
        return bool(np.any(self.error[self.known] > 0.0))


def points_of(rows: Sequence[Row], key: str, factor: float = 1.0) -> Points:
    """Read an entry of every row, in a bench unit."""
    entries = [row.get(key) or {} for row in rows]
    return Points(
        rows,
        *(
            floats([entry.get(name) for entry in entries], factor)
            for name in ("median", "p05", "p95", "standard_error")
        ),
    )


def error_range(median: Floats, error: Floats, *, log: bool) -> tuple[Floats, Floats]:
    """One simulation error each way of a median; by a factor on a scale of logarithms.

    NaN (never drawn) where the median is infinite or missing, or the error is missing.
    """
    known = np.isfinite(median) & ~np.isnan(error)
    middle, error = np.where(known, median, 1.0), np.where(known, error, 0.0)
    if log:
        factor = np.exp(np.minimum(error / middle, 20.0))
        low, high = middle / factor, middle * factor
    else:
        low, high = middle - error, middle + error
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def within_reach(ranges: Sequence[Floats], errors: Sequence[Floats]) -> Floats:
    """Keep ends of error bars on a linear axis: none beyond the values by their span.

    An error far larger than what it belongs to may leave the plot, or nothing else would
    be seen in it.
    """
    values = np.concatenate([np.ravel(a) for a in ranges])
    values = values[np.isfinite(values)]
    if not values.size:
        return np.zeros(0)
    low, high = values.min(), values.max()
    span = (high - low) or abs(high) or 1.0
    ends = np.concatenate([np.ravel(a) for a in errors])
    return np.asarray(np.clip(ends[~np.isnan(ends)], low - span, high + span))


def margin_limits(run: Run, wanted: Callable[[str, str], bool]) -> list[float]:
    """Limits of the targets whose name and unit are wanted."""
    limits = []
    for margin in run.reference[0].get("margins") or []:
        if wanted(str(margin.get("target", "")).lower(), str(margin.get("unit") or "")):
            entry = margin.get("limit")
            for value in entry if isinstance(entry, (list, tuple)) else [entry]:
                x = number(value)
                if x is not None and math.isfinite(x):
                    limits.append(x)
    return limits


def is_spread(name: str) -> bool:
    """Whether a target is one of spread."""
    return any(word in name for word in ("spread", "cv", "scatter"))


def resistance_limits(run: Run) -> list[float]:
    """Resistances asked for [kohm], rising."""
    asked = margin_limits(run, lambda _, unit: unit == "ohm")
    return sorted({1e-3 * x for x in asked if x > 0.0})


def factor_limits(run: Run) -> list[float]:
    """Gauge factors asked for."""
    return margin_limits(run, lambda name, _: "gauge" in name and not is_spread(name))


def weight_fraction(threshold: Row, volume_fraction: float) -> float | None:
    """Weight fraction of a volume fraction near the threshold: the densities it implies."""
    w, phi = (
        number(threshold.get("weight_fraction")),
        number(threshold.get("volume_fraction")),
    )
    if w is None or phi is None or not (0.0 < w < 1.0 and 0.0 < phi < 1.0):
        return None
    odds = w / (1.0 - w) / (phi / (1.0 - phi)) * volume_fraction / (1.0 - volume_fraction)
    return odds / (1.0 + odds)


def threshold_in_weight(
    threshold: Row,
) -> tuple[float, float, tuple[float, float] | None] | None:
    """Give the threshold, its standard error and its range, as weight fractions."""
    w, phi = (
        number(threshold.get("weight_fraction")),
        number(threshold.get("volume_fraction")),
    )
    if w is None or not math.isfinite(w):
        return None
    error = 0.0
    se = number(threshold.get("standard_error"))
    given = number(threshold.get("weight_standard_error"))
    if given is not None and math.isfinite(given):
        error = given
    elif se and phi and math.isfinite(se) and phi + se < 1.0:
        upper = weight_fraction(threshold, phi + se)
        error = upper - w if upper is not None else 0.0
    curve = [
        x
        for row in threshold.get("aspect_ratio_curve") or []
        if (x := number(row.get("weight_fraction"))) is not None and math.isfinite(x)
    ]
    return w, error, (min(curve), max(curve)) if len(curve) > 1 else None


def by_gap(run: Run, gap: float) -> list[Row]:
    """Candidates at one gap, by loading."""
    rows = [c for c in run.candidates if same(number(c.get("electrode_gap_m")), gap)]
    return sorted(rows, key=lambda c: number(c.get("weight_fraction")) or 0.0)


def column_of(rows: Sequence[Row], key: str, factor: float = 1.0) -> Floats:
    """Give one number of every row."""
    return floats([row.get(key) for row in rows], factor)


def index_of(values: Sequence[float], value: Any) -> int:
    """Place of a setting among others, 0 if it is not there."""
    x = number(value)
    return next((k for k, entry in enumerate(values) if same(entry, x)), 0)


def position(rows: Sequence[Row], candidate: Row) -> int | None:
    """Place of a candidate itself among rows."""
    return next((k for k, row in enumerate(rows) if row is candidate), None)


class Curve(NamedTuple):
    """Response of one candidate: abscissa, median, 5 and 95 % of castings, error."""

    candidate: Row
    x: Floats
    median: Floats
    low: Floats
    high: Floats
    error: Floats


def floats(values: Iterable[Any] | None, factor: float = 1.0) -> Floats:
    """Numbers as an array in a bench unit."""
    read = [number(value) for value in values or []]
    return np.array([np.nan if x is None else factor * x for x in read], dtype=float)


def curves(
    run: Run,
    key: str,
    abscissa: str,
    convert: Callable[[Floats], Floats],
) -> list[Curve]:
    """Responses of the loadings at the deciding gap; a missing band is the median."""
    found = []
    for candidate in run.along("weight_fraction", "electrode_gap_m"):
        response = candidate.get(key) or {}
        x = convert(floats(response.get(abscissa)))
        median, *bands = (floats(response.get(name)) for name in ("median", "p05", "p95"))
        if len(x) and len(median) == len(x):
            low, high = (band if len(band) == len(x) else median for band in bands)
            error = floats(response.get("standard_error"))
            error = error if len(error) == len(x) else np.full(len(x), np.nan)
            found.append(Curve(candidate, x, median, low, high, error))
    return found


def share_label(name: str) -> str:
    """Word for one tolerance."""
    words = {
        "aspect_ratio": "lot aspect ratio",
        "gap": "electrode gap",
        "chains": "chains (chance)",
        "contact": "contacts",
        "mixing_within": "mixing inside a film",
        "skew": "electrodes askew",
        "particle_size": "lot particle size",
        "response": "opening per strain",
        "tilt": "tilt of the particles",
        "contact_redraw": "contacts closing anew",
    }
    return words.get(name, name.replace("_", " "))
