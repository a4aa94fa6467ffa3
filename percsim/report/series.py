"""What figures are drawn from: a run, and its numbers as arrays.

Missing numbers are NaN, which is never drawn; open films are infinite.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.folder import checksum
from percsim.boxes.store import encode_json
from percsim.quantities import number
from percsim.report.candidates import Row, Summary, deciding_index, of_one_mix
from percsim.report.rows import Table

if TYPE_CHECKING:  # pages are made without it, and it takes half a second
    from percsim.boxes.simulate import Sample

Floats: TypeAlias = NDArray[np.float64]


class NothingToDrawError(ValueError):
    """A figure whose data this run does not have, with the reason to print instead."""


@dataclass(frozen=True, slots=True)
class BoxPicture:
    """One box, solved only when it is drawn.

    Parameters
    ----------
    key : str
        What it is one of: equal keys draw the same.
    solve : callable
        To its (Particles, Links, Network, Solution).

    """

    key: str
    solve: Callable[[], Sample]


@dataclass(frozen=True, slots=True)
class Run:
    """What figures are drawn from.

    Parameters
    ----------
    summary : dict
        The summary of a run.
    castings : mapping of str to sequence
        Columns of those drawn for the deciding candidate.
    sample : BoxPicture, optional
        One box to draw.

    """

    summary: Summary
    castings: Table = field(default_factory=dict)
    sample: BoxPicture | None = None

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
        """Keep the candidates of the deciding mix alone, numbered anew."""
        return replace(self, summary=of_one_mix(self.summary))

    def restricted(self, keys: Sequence[str]) -> Run:
        """Keep what a figure says it reads, so that it can read nothing else."""
        summary = {key: self.summary[key] for key in keys if key in self.summary}
        return Run(
            summary,
            self.castings if "castings.csv" in keys else {},
            self.sample if "sample" in keys else None,
        )

    def fingerprint(self) -> str:
        """Checksum of all that it holds."""
        sample = None if self.sample is None else self.sample.key
        text = encode_json([self.summary, self.castings, sample])
        return checksum(text.encode())

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


def resistance_limits(run: Run) -> list[float]:
    """Resistances asked for [kohm], rising."""
    asked = margin_limits(run, lambda _, unit: unit == "ohm")
    return sorted({1e-3 * x for x in asked if x > 0.0})


def factor_limits(run: Run) -> list[float]:
    """Gauge factors asked for."""
    return margin_limits(run, lambda name, _: name.startswith("median gauge factor"))


def by_gap(run: Run, gap: float) -> list[Row]:
    """Candidates at one gap, by loading."""
    rows = [c for c in run.candidates if same(number(c.get("electrode_gap_m")), gap)]
    return sorted(rows, key=lambda c: number(c.get("weight_fraction")) or 0.0)


def column_of(rows: Sequence[Row], key: str, factor: float = 1.0) -> Floats:
    """Give one number of every row."""
    return floats([row.get(key) for row in rows], factor)


def floats(values: Iterable[Any] | None, factor: float = 1.0) -> Floats:
    """Numbers as an array in a bench unit."""
    read = [number(value) for value in values or []]
    return np.array([np.nan if x is None else factor * x for x in read], dtype=float)
