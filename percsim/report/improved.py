"""What to change at the bench, in a few lines for the command line."""

from __future__ import annotations

import math

from percsim.improve import Improvement
from percsim.quantities import columns
from percsim.report.terminal import wrapped
from percsim.words.improve import (
    ASSUMED,
    HEADS,
    base_line,
    cells,
    halving_line,
    name_of,
    new_boxes_line,
    told_line,
)

__all__ = ["improved_text"]


def improved_text(
    found: Improvement, *, details: bool = False, prices: tuple[float, float] = (0.0, 0.0)
) -> str:
    """Put what was found into plain text.

    Parameters
    ----------
    found : Improvement
        What can be done.
    details : bool
        Whether all undominated structures are listed, not three to try first alone.
    prices : (float, float)
        Of an hour of work and of a cup, in any currency; costs are told where one is given.

    """
    if math.isinf(found.base.resistance_cv[0]):
        return "\n".join(wrapped(f"{base_line(found)}."))
    first = found.first
    shown = [s for s in (found.front if details else first) if s.changes]
    labelled = [("as it is", found.base), *((f"{k}.", s) for k, s in enumerate(shown, 1))]
    rows = [cells(s, found, label) for label, s in labelled]
    heads: tuple[str, ...] = HEADS
    if any(prices):
        heads = (*heads, "cost")
        rows = [(*row, f"{s.cost(*prices):.0f}")
                for row, (_, s) in zip(rows, labelled, strict=True)]  # fmt: skip
    lines = [*wrapped(f"{base_line(found)}."), *wrapped(f"{halving_line(found)}.")]
    if shown:
        lines += ["", "Undominated:" if details else "To try first:"]
        lines += [
            line
            for k, s in enumerate(shown, 1)
            for line in wrapped(f"{k}. {name_of(s) if details else told_line(s, found)}")
        ]
        lines += ["", *columns(heads, rows)]
        granted: dict[str, list[str]] = {}
        for change in {c.name: c for s in shown for c in s.changes}.values():
            granted.setdefault(ASSUMED[change.group], []).append(change.name)
        lines += ["", "Taken for granted:"]
        for text, names in granted.items():
            lines += wrapped(f"- {'; '.join(names)}: {text}")
    lacking = new_boxes_line(found)
    if lacking:
        lines += ["", *wrapped(f"{lacking}.")]
    return "\n".join(lines)
