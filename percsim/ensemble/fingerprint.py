"""Stage 6. What a job depends on -> a short text that differs when any of it does.

A job has it in its key. So an outcome stored for other inputs is never taken for that of a
job, and one stored for the same inputs is found again, whatever plan the job comes from.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from percsim.materials.recipe import Recipe

__all__ = ["WITHOUT_EFFECT", "fingerprint"]

WITHOUT_EFFECT = {
    "Filler": frozenset({"name", "density", "thermal_expansion"}),
    "RecipeParticles": frozenset({"recipe"}),
}
"""Fields by type that change no particle: density and expansion come in through volume
fractions and states, the recipe of a threshold through its proportions. All others count,
those yet to be added too."""

_MOST_REMEMBERED = 4096

_remembered: dict[int, tuple[object, str]] = {}


def fingerprint(*values: Any) -> str:
    """Digest of values, the same on every machine and in every process.

    Parameters
    ----------
    *values
        Numbers, texts, arrays, frozen dataclasses, recipes, and tuples, lists and mappings
        of them. A recipe counts as its particles and their volume fractions: neither what
        the elastomer is called nor how it is mixed moves a particle.

    Returns
    -------
    str
        16 hexadecimal digits, the first of SHA-256: that two of a million different jobs
        have the same has a chance of 1 in 40 million.

    Raises
    ------
    TypeError
        If a value is of a type that has no text of its own.

    Examples
    --------
    >>> fingerprint(1.0, (2, "a")) == fingerprint(1, (2.0, "a"))
    True
    >>> fingerprint(1.0) == fingerprint(1.0000000000000002)
    False

    """
    text = "|".join(map(_remember, values))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _remember(value: Any) -> str:
    """Text of a value; jobs share their recipe, law and states, which are long."""
    if not is_dataclass(value) and not isinstance(value, tuple):
        return _text(value)
    known = _remembered.get(id(value))
    if known is None:
        if len(_remembered) >= _MOST_REMEMBERED:
            _remembered.clear()
        # kept with the value itself, so that no other can get its id meanwhile
        known = _remembered[id(value)] = value, _text(value)
    return known[1]


def _text(value: Any) -> str:
    if value is None or isinstance(value, bool | np.bool_):
        return str(value)
    if isinstance(value, str):
        return repr(str(value))
    if isinstance(value, int | np.integer) and abs(int(value)) >= 2**53:
        return str(int(value))
    if isinstance(value, int | float | np.integer | np.floating):
        return repr(float(value))
    if isinstance(value, Recipe):
        fillers = (filler for filler, _ in value.fillers)
        return _text(tuple(zip(fillers, value.volume_fractions, strict=True)))
    if isinstance(value, tuple | list):
        return f"({','.join(map(_text, value))})"
    if isinstance(value, np.ndarray):
        return f"{value.dtype.str}{value.shape}{_text(value.tolist())}"
    if isinstance(value, Mapping):
        return f"{{{','.join(f'{k}:{_text(v)}' for k, v in sorted(value.items()))}}}"
    kind = type(value)
    left_out = WITHOUT_EFFECT.get(kind.__name__, frozenset())
    if is_dataclass(kind):
        names = [field.name for field in fields(kind) if field.name not in left_out]
    elif callable(value):
        return f"{value.__module__}.{value.__qualname__}"
    elif hasattr(kind, "__slots__"):
        names = [name for name in kind.__slots__ if name not in left_out]
    else:
        raise TypeError(f"a job cannot depend on a {kind.__name__}: it has no text")
    parts = (f"{name}={_text(getattr(value, name))}" for name in names)
    return f"{kind.__name__}({','.join(parts)})"
