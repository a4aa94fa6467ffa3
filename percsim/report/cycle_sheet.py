"""The sheet of a cycled film: what to pull, hold and warm it through, step by step."""

from __future__ import annotations

import csv
import io
import textwrap
from collections.abc import Sequence
from itertools import groupby

import numpy as np

from percsim.film.bench_cycle import Step
from percsim.quantities import columns, quantity
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import ZERO_CELSIUS

__all__ = ["cycle_csv", "cycle_rows", "cycle_sheet"]

WIDTH = 100

FOR = {
    "settle": "R0 and the scatter of its readings",
    "rising": "shift of zero, strain by strain",
    "again": "what of the first loop is left",
    "minor loop": "which contacts close again",
    "slow": "a decade slower: what goes with time",
    "hold": "creep",
    "rest": "what comes back",
    "warm": "the same pull at another temperature",
    "return": "what a warm hour leaves",
}
"""What each part tells."""

HOW = (
    "Read the strain on the part, with a foil gauge beside the film: that of a crosshead"
    " mixes in slipping mounts.",
    "Read R with four terminals where the film has them, else the contacts count as film.",
    "Lay an unstrained twin beside it and read it too: what it does is temperature and"
    " moisture.",
    "Take a film that was never pulled, and log time, strain, R and temperature at least"
    " once a second through every pull.",
)


def cycle_sheet(steps: Sequence[Step], quiet: bool) -> str:
    """Lay out the steps for the terminal, without explanations if quiet.

    Parameters
    ----------
    steps : sequence of Step
    quiet : bool

    Returns
    -------
    str

    """
    start = 0.0
    rows = []
    for part, moves in groupby(steps, key=lambda step: step.part):
        group = list(moves)
        way = " ".join(f"{1e6 * step.strain:.0f}" for step in group if _moves(step, steps))
        warm = group[-1].temperature
        seconds = sum(step.seconds for step in group)
        rows.append(
            (
                quantity(start, "time"),
                part,
                way or f"{1e6 * group[-1].strain:.0f}",
                _rate(group, steps),
                f"{warm - ZERO_CELSIUS:.0f}",
                quantity(seconds, "time"),
                FOR[part],
            )
        )
        start += seconds
    head = ("from", "part", "to (microstrain)", "microstrain/s", "C", "takes", "tells")
    lines = [*columns(head, rows, left=7), "", f"Together {quantity(start, 'time')}."]
    if quiet:
        return "\n".join(lines)
    if all(step.temperature == ROOM_TEMPERATURE for step in steps):
        one = (
            "The plan has one temperature, so that only lambda_T (T - closed_at) will show;"
            " with a second under [temperature] values a warm pull is added."
        )
        lines.append(textwrap.fill(one, WIDTH))
    return "\n".join([*lines, *(textwrap.fill(line, WIDTH) for line in HOW)])


def _before(step: Step, steps: Sequence[Step]) -> float:
    at = next(k for k, other in enumerate(steps) if other is step)
    return steps[at - 1].strain if at else 0.0


def _moves(step: Step, steps: Sequence[Step]) -> bool:
    return step.strain != _before(step, steps)


def _rate(group: Sequence[Step], steps: Sequence[Step]) -> str:
    rates = {
        f"{1e6 * abs(step.strain - _before(step, steps)) / step.seconds:.3g}"
        for step in group
        if _moves(step, steps)
    }
    return ", ".join(sorted(rates))


def cycle_rows(steps: Sequence[Step]) -> list[dict[str, float | str]]:
    """Give the corners: time [s], strain [microstrain], temperature [C], and the part."""
    times = np.cumsum([0.0, *(step.seconds for step in steps)])
    corners = [Step("settle", 0.0, ROOM_TEMPERATURE, 0.0), *steps]
    return [
        {
            "time (s)": round(float(time), 3),
            "strain (microstrain)": round(1e6 * step.strain, 6),
            "temperature (C)": round(step.temperature - ZERO_CELSIUS, 6),
            "part": step.part,
        }
        for time, step in zip(times, corners, strict=True)
    ]


def cycle_csv(steps: Sequence[Step]) -> str:
    """Write the corners as comma-separated text, which [cycles] path reads."""
    rows = cycle_rows(steps)
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()
