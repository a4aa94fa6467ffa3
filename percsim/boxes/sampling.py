"""Stage 6. Seeds: every box draws from streams of its own, named by what they are for.

A stream depends on the plan's seed, the number of the box and the purpose alone. So any
box can be run again by itself, the same box number is the same randomness in every
candidate, and neither the number of workers nor an interruption changes a digit.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

__all__ = ["PURPOSES", "box_generator", "box_seed", "integer_seed"]

# Part of every stored result: never renumber, give a new purpose the next number.
PURPOSES: Mapping[str, int] = MappingProxyType(
    {
        "placement": 0,
        "contacts": 1,
        "threshold": 2,
        "tolerances": 3,
        "blocks": 4,
        "priors": 5,
        "bootstrap": 6,
        "lots": 7,
    }
)
"""What a stream is drawn for: particles, breaking openings of contacts, growth to the
threshold, bench tolerances of a casting, block responses laid onto a film, unmeasured law
parameters, resampling, and lots of castings."""


def _whole_number(name: str, value: int) -> int:
    try:
        number = operator.index(value)
    except TypeError:
        number = -1
    if number < 0 or isinstance(value, bool):
        raise ValueError(f"{name} must be a whole number, 0 or more, got {value!r}")
    return number


def box_seed(seed: int, box_number: int, purpose: int | str) -> np.random.SeedSequence:
    """Seed of one stream of one box.

    Parameters
    ----------
    seed : int
        Seed of the plan, 0 or more.
    box_number : int
        Number of the box (or casting, or resample), 0 or more.
    purpose : int or str
        One of `PURPOSES`, by number or name.

    Returns
    -------
    numpy.random.SeedSequence
        ``SeedSequence(seed, spawn_key=(box_number, purpose))``.

    Raises
    ------
    ValueError
        If a number is negative or not whole, or the purpose is not known.

    Examples
    --------
    >>> first = np.random.default_rng(box_seed(90125, 3, "placement"))
    >>> again = np.random.default_rng(box_seed(90125, 3, PURPOSES["placement"]))
    >>> first.random() == again.random()
    True

    """
    known = PURPOSES.values()
    number = PURPOSES.get(purpose, -1) if isinstance(purpose, str) else purpose
    if number not in known or isinstance(number, bool):
        names = ", ".join(PURPOSES)
        raise ValueError(
            f"purpose must be one of {names} (0 to {max(known)}), got {purpose!r}"
        )
    return np.random.SeedSequence(
        _whole_number("seed", seed),
        spawn_key=(_whole_number("box_number", box_number), int(number)),
    )


def box_generator(seed: int, box_number: int, purpose: int | str) -> np.random.Generator:
    """Make the generator of one stream of one box; arguments as for `box_seed`."""
    return np.random.default_rng(box_seed(seed, box_number, purpose))


def integer_seed(seed: int, box_number: int, purpose: int | str) -> int:
    """Draw one 64-bit integer from a stream's seed, for draws that are hashed.

    Arguments as for `box_seed`; 0 to 2**64 - 1.
    """
    return int(box_seed(seed, box_number, purpose).generate_state(1, np.uint64)[0])
