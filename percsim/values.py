"""Numbers and arrays that a caller hands in: what they are not is refused, never cast."""

from __future__ import annotations

import math
from dataclasses import fields
from functools import cache
from numbers import Integral, Real
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "flag",
    "floats",
    "freeze",
    "integers",
    "positive",
    "real",
    "take_reals",
    "whole",
]


def _shown(value: object) -> str:
    return f"got {value!r}"[:80]


def real(name: str, value: object) -> float:
    """Real number as a float, NaN left to the range it must lie in; else ValueError."""
    if not isinstance(value, Real) or isinstance(value, bool):
        raise ValueError(f"{name} must be a real number, {_shown(value)}")
    return float(value)


def positive(name: str, value: object) -> float:
    """Real number above 0 and finite, as a float; else ValueError."""
    number = real(name, value)
    if not 0.0 < number < math.inf:
        raise ValueError(f"{name} must be positive and finite, got {number:g}")
    return number


def whole(name: str, value: object) -> int:
    """Whole number, as an int; ValueError for others, fractional or not."""
    if not isinstance(value, Integral) or isinstance(value, bool):
        raise ValueError(f"{name} must be a whole number, {_shown(value)}")
    return int(value)


def flag(name: str, value: object) -> bool:
    """Yes or no, as a bool; ValueError for words and numbers."""
    if not isinstance(value, bool | np.bool_):
        raise ValueError(f"{name} must be True or False, {_shown(value)}")
    return bool(value)


def _array(name: str, values: ArrayLike, kinds: str, what: str) -> NDArray[Any]:
    try:
        array = np.asarray(values)
    except ValueError:  # rows of several lengths
        raise ValueError(f"{name} must be an array of {what}") from None
    if array.size and array.dtype.kind not in kinds:
        raise ValueError(f"{name} must hold {what}, not values of type {array.dtype}")
    return array


def floats(name: str, values: ArrayLike) -> NDArray[np.float64]:
    """Finite numbers as a read-only view, a copy where it must be; else ValueError."""
    array = np.ascontiguousarray(_array(name, values, "iuf", "real numbers"), np.float64)
    if not np.isfinite(array).all():
        raise ValueError(f"{name} must be finite")
    return _read_only(array)


def integers(
    name: str, values: ArrayLike, low: int, high: int, dtype: type[Any] = np.int64
) -> NDArray[Any]:
    """Whole numbers from `low` to `high`, read-only as `floats`; else ValueError."""
    array = _array(name, values, "iu", "whole numbers")
    if array.size and not (low <= array.min() and array.max() <= high):
        raise ValueError(f"{name} must lie in {low} to {high}")
    return _read_only(np.ascontiguousarray(array, dtype))


def _read_only(array: NDArray[Any]) -> NDArray[Any]:
    view = array.view()
    view.flags.writeable = False
    return view


def take_reals(instance: Any, *names: str) -> None:
    """Make fields of a frozen dataclass floats, None left as it is; else ValueError."""
    for name in names:
        value = getattr(instance, name)
        if value is not None:
            object.__setattr__(instance, name, real(name, value))


@cache
def _fields_of(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def freeze(instance: Any) -> None:
    """Make the arrays of a frozen dataclass read-only views of what was handed in."""
    kind: object = type(instance)
    for name in _fields_of(kind):
        value = getattr(instance, name)
        if isinstance(value, np.ndarray):
            object.__setattr__(instance, name, _read_only(value))
