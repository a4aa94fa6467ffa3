"""What varies in a survey, and at which points: a grid or a Sobol sequence."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Axis", "by_distance", "grid", "sobol"]

Point = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Axis:
    """One key of the plan that varies.

    Parameters
    ----------
    name : str
        "section.key", or a section that varies as a whole.
    values : tuple
        What the plan says there, of a list; on a grid also of a range.
    low, high : float
        Ends of a range, in `unit`; both 0 for a list.
    unit : str
        As the survey writes it; empty for plain numbers and words.
    log : bool
        Whether equal ratios count as equal steps.

    """

    name: str
    values: tuple[Any, ...]
    low: float = 0.0
    high: float = 0.0
    unit: str = ""
    log: bool = False

    @property
    def is_range(self) -> bool:
        """Whether it is a range rather than a list."""
        return self.high > self.low

    def at(self, u: float) -> Any:
        """Value of the plan at a share of the axis, 0 <= u < 1."""
        if not self.is_range:
            return self.values[int(u * len(self.values))]
        if self.log:
            return self.written(self.low * (self.high / self.low) ** u)
        return self.written(self.low + u * (self.high - self.low))

    def stepped(self, points: int) -> tuple[Any, ...]:
        """Values of a range at so many equal steps, ends included."""
        if points == 1:
            return (self.at(0.5),)
        return tuple(self.at(k / (points - 1)) for k in range(points))

    def written(self, value: float) -> Any:
        """Write a number of the range as the plan does, to six digits."""
        short = float(f"{value:.6g}")
        if not self.unit:
            return short
        if self.unit.startswith(":"):
            return f"{short:.10g}{self.unit}"
        return f"{short:.10g} {self.unit}"

    def place(self, value: Any) -> float:
        """Where a value lies on the axis, from 0 to 1."""
        if not self.is_range:
            return self.values.index(value) / max(len(self.values) - 1, 1)
        number = float(str(value).removesuffix(self.unit))
        if self.log:
            return math.log(number / self.low) / math.log(self.high / self.low)
        return (number - self.low) / (self.high - self.low)


def grid(axes: Sequence[Axis]) -> list[Point]:
    """Every combination of the values, the last axis fastest."""
    return list(product(*(axis.values for axis in axes)))


def sobol(axes: Sequence[Axis], points: int, seed: int) -> list[Point]:
    """Points of a scrambled Sobol sequence, each once.

    Parameters
    ----------
    axes : sequence of Axis
        Lists count as ranges cut into equal parts.
    points : int
        How many, a power of two for the balance that the sequence is chosen for. Fewer come
        out where lists alone make two of them equal.
    seed : int
        Of the scrambling.

    Notes
    -----
    After Sobol' (USSR Comput. Math. Math. Phys. 7, 86 (1967)), scrambled as by Owen (J.
    Complexity 14, 466 (1998)); `scipy.stats.qmc.Sobol`. The first points of a longer
    sequence are those of a shorter one, so that a survey can be made larger.

    """
    from scipy.stats import qmc

    drawn = qmc.Sobol(len(axes), scramble=True, seed=seed).random_base2(
        max(points - 1, 1).bit_length()
    )
    found = [
        tuple(axis.at(float(u)) for axis, u in zip(axes, row, strict=True))
        for row in drawn[:points]
    ]
    return [p for k, p in enumerate(found) if p not in found[:k]]


def by_distance(axes: Sequence[Axis], points: Sequence[Point]) -> list[int]:
    """Order in which each point is the farthest from all before it, by index.

    So a part of the survey covers all of its range. Farthest-first traversal: Gonzalez,
    Theor. Comput. Sci. 38, 293 (1985). It begins with the point nearest to the middle.
    """
    if not points:
        return []
    places: NDArray[np.float64] = np.array(
        [[a.place(v) for a, v in zip(axes, p, strict=True)] for p in points]
    )
    order = [int(np.sum((places - 0.5) ** 2, axis=1).argmin())]
    far = np.full(len(points), np.inf)
    while len(order) < len(points):
        far = np.minimum(far, np.sum((places - places[order[-1]]) ** 2, axis=1))
        far[order[-1]] = -1.0
        order.append(int(far.argmax()))
    return order
