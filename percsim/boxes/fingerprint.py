"""Stage 6. What a job depends on -> a short text that differs when any of it does.

A job has it in its key. So an outcome stored for other inputs is never taken for that of a
job, and one stored for the same inputs is found again, whatever plan the job comes from.

Stored keys outlive the code: they are made of the tags below, never of the names of
classes, fields or modules.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from percsim.materials.recipe import Recipe

__all__ = ["PHYSICS_VERSION", "TAGS", "Tagged", "fingerprint"]

PHYSICS_VERSION = 2
"""Raise it when the same inputs give a box other digits than before (a law, how particles
turn, where contacts lie): boxes stored until then are left where they are and not used."""


class Tagged(NamedTuple):
    """How a type counts in a fingerprint.

    Parameters
    ----------
    tag : str
        Stands for the type.
    counted : str
        Fields that count, each its own tag; one that was renamed later as ``new=tag``.
    without_effect : str
        Fields that change no digit of a box.
    neutral : mapping
        By field added since boxes are stored, the value at which a box is what it was
        without the field; at that value it is left out, and stored keys stay as they are.

    """

    tag: str
    counted: str
    without_effect: str = ""
    neutral: Mapping[str, Any] = {}


TAGS = {
    # density and expansion come in through volume fractions and states
    "Filler": Tagged(
        "filler",
        "kind size thickness aspect_ratio orientation",
        "name density thermal_expansion",
    ),
    "SizeDistribution": Tagged("sizes", "median spread clip lower upper edges shares"),
    "Orientation": Tagged("orientation", "mode tilt order director"),
    "Box": Tagged("box", "size periodic axis"),
    "Clusters": Tagged("clusters", "share diameter solids"),
    "Mounting": Tagged("mounting", "mode poisson_ratio part_poisson_ratio"),
    "State": Tagged("state", "strain temperature gradient axis"),
    "ThermalOpening": Tagged(
        "thermal", "expansion closed_at share bond", neutral={"bond": None}
    ),
    "Bond": Tagged("bond", "part_expansion bonded_at poisson_ratio"),
    # every box gives the law a seed of its own
    "ContactOpeningLaw": Tagged(
        "opening law", "g0 beta delta_b Ea electrode_conductance opening_length", "seed"
    ),
    "TunnellingLaw": Tagged(
        "tunnelling law", "barrier_height area electrode_conductance shortest_gap"
    ),
    "Setting": Tagged("setting", "beta delta_b lambda_T"),
    "MemorySetting": Tagged("memory", "of reclose healed"),
    # the number of a box stands in its key, and so does the size of a film in blocks
    "BoxJob": Tagged(
        "job",
        "seed recipe box law states cutoff core clusters walls mounting thermal variations"
        " probes memories",
        "number label blocks _key",
        neutral={"memories": ()},
    ),
    "GrowthPlan": Tagged(
        "growth", "source size periodic cells first_chunk limit entropy spawn_key"
    ),
    "RecipeParticles": Tagged("particles", "fillers dimension _shares=shares", "recipe"),
    "Mixture": Tagged("mixture", "components dimension", "_shares _sizes"),
    "Component": Tagged("component", "kind core_sizes ball_radii share orientation"),
}
"""Every type that a job may hold, by the name it has now; a type derived from one counts as
that one. All tags are for good. Recipes count as their particles, see `fingerprint`."""

_MOST_REMEMBERED = 4096

_remembered: dict[int, tuple[object, str]] = {}


def fingerprint(*values: Any) -> str:
    """Digest of values and `PHYSICS_VERSION`, the same on every machine and at every time.

    Parameters
    ----------
    *values
        Numbers, texts, arrays, the types of `TAGS`, recipes, and tuples, lists and mappings
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
        If a value is of a type without tags, or has a field without one.

    Examples
    --------
    >>> fingerprint(1.0, (2, "a")) == fingerprint(1, (2.0, "a"))
    True
    >>> fingerprint(1.0) == fingerprint(1.0000000000000002)
    False

    """
    text = "|".join(map(_text, (PHYSICS_VERSION, *values)))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _remember(value: Any) -> str:
    """Text of a value; jobs share their recipe, law and states, which are long."""
    known = _remembered.get(id(value))
    if known is None:
        if not is_dataclass(value) and not isinstance(value, tuple):
            return _text(value)
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
    if type(value) in (tuple, list):
        return f"({','.join(map(_text, value))})"
    if isinstance(value, np.ndarray):
        return f"{value.dtype.str}{value.shape}{_text(value.tolist())}"
    if isinstance(value, Mapping):
        return f"{{{','.join(f'{k}:{_text(v)}' for k, v in sorted(value.items()))}}}"
    kind: object = type(value)
    tag, tags, neutral = _tags(kind)
    parts = [
        f"{own}={_remember(getattr(value, name))}"
        for own, name in tags
        if name not in neutral or getattr(value, name) != neutral[name]
    ]
    return f"{tag}({','.join(parts)})"


@cache
def _tags(kind: Any) -> tuple[str, tuple[tuple[str, str], ...], Mapping[str, Any]]:
    """Tag of a type; tag and name of each field that counts, by tag; neutral values."""
    entry = next((TAGS[c.__name__] for c in kind.__mro__ if c.__name__ in TAGS), None)
    if entry is None:
        raise TypeError(f"a job cannot depend on a {kind.__name__}: it has no tags")
    own = {}
    for word in entry.counted.split():
        name, _, tag = word.partition("=")
        own[tag or name] = name
    known = {*own.values(), *entry.without_effect.split()}
    names = (
        [field.name for field in fields(kind)]
        if is_dataclass(kind)
        else getattr(kind, "_fields", getattr(kind, "__slots__", ()))
    )
    for name in names:
        if name not in known:
            raise TypeError(
                f"{kind.__name__}.{name} has no tag: does it change a box? "
                f"Say so in {__name__}.TAGS"
            )
    return entry.tag, tuple(sorted(own.items())), entry.neutral
