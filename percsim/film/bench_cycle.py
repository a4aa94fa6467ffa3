"""Stage 7. The protocol that tells most of a film's memory.

Each part parts what the others leave together:

- rising amplitudes: all of a shift of zero comes with the first pull to a strain, so that
  three amplitudes tell it from drift, and how it grows tells where contacts break;
- the far pull again: what of the first loop is left, which is what re-closes;
- a minor loop: which contacts close again on the way, and at what share of their opening;
- a pull a decade slower, an hour's hold, an hour's rest: what goes with time, and whether
  with its logarithm;
- a pull at another temperature: at one temperature only lambda_T (T - closed_at) shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from percsim.film.protocol import WARMING, Protocol
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Part", "Step", "bench_cycle", "protocol_of"]

Part = Literal[
    "settle", "rising", "again", "minor loop", "slow", "hold", "rest", "warm", "return"
]
"""What a step is for."""

SETTLE = 60.0
"""Time [s] at rest before the first pull, for R0 and the scatter of its readings."""

HOUR = 3600.0

TWELFTHS = 12
"""Visits along a branch over the whole span, so that its thirds are visits too."""

SLOWER = 10.0
"""Times that the slow pull is slower: one decade."""

SOAK = 1200.0
"""Time [s] at another temperature before the film is pulled there."""


@dataclass(frozen=True, slots=True)
class Step:
    """One move of the machine.

    Parameters
    ----------
    part : Part
        What it is for.
    strain, temperature : float
        Where it ends [1, K].
    seconds : float
        What it takes.

    """

    part: Part
    strain: float
    temperature: float
    seconds: float


def bench_cycle(far: float, rate: float, temperature: float | None) -> tuple[Step, ...]:
    """Lay out the steps of the protocol, from rest at 20 C.

    Parameters
    ----------
    far : float
        Farthest strain [1], tension positive; not zero.
    rate : float
        Strain rate [1/s] of all but the slow pull.
    temperature : float or None
        Second temperature [K]; None leaves it out.

    Returns
    -------
    tuple of Step

    """
    steps = [Step("settle", 0.0, ROOM_TEMPERATURE, SETTLE)]

    def go(part: Part, *shares: float, slower: float = 1.0) -> None:
        for share in shares:
            strain, at = round(share * far, 15), steps[-1]
            took = abs(strain - at.strain) * slower / rate
            steps.append(Step(part, strain, at.temperature, took))

    def wait(part: Part, seconds: float) -> None:
        steps.append(Step(part, steps[-1].strain, steps[-1].temperature, seconds))

    def warm(part: Part, to: float) -> None:
        took = abs(to - steps[-1].temperature) / WARMING
        steps.append(Step(part, steps[-1].strain, to, took))
        wait(part, SOAK)

    third = 1.0 / 3.0
    go("rising", third, 0.0, 2.0 * third, 0.0, 1.0, 0.0)
    go("again", 1.0, 0.0)
    go("minor loop", 1.0, third, 2.0 * third, 0.0)
    go("slow", 1.0, 0.0, slower=SLOWER)
    go("hold", 1.0)
    wait("hold", HOUR)
    go("hold", 0.0)
    wait("rest", HOUR)
    if temperature is not None:
        warm("warm", temperature)
        go("warm", 1.0, 0.0)
        warm("return", ROOM_TEMPERATURE)
    return tuple(steps)


def protocol_of(steps: Sequence[Step]) -> Protocol:
    """Protocol of the steps, every corner on a visit of the other branches."""
    times = np.cumsum([0.0, *(step.seconds for step in steps)])
    strains = [0.0, *(step.strain for step in steps)]
    temperatures = [ROOM_TEMPERATURE, *(step.temperature for step in steps)]
    return Protocol.through(times, strains, temperatures, TWELFTHS)
