"""Stage 1. What to mind with powder, elastomer and solvent, at the balance."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["CLOSING", "DANGERS", "Caution", "by_danger"]

DANGERS = ("explosion", "fire", "gas", "lungs", "pressure", "shorts", "cure")
"""What a caution is of, the worst first: what kills at once, what harms a person, what
spoils a film."""

CLOSING = (
    "A simulation is no substitute for test: local codes, and those licensed for"
    " structural, vehicle or flight use, decide."
)
"""What ends every list of cautions."""


@dataclass(frozen=True, slots=True)
class Caution:
    """What whoever handles a material should know.

    Parameters
    ----------
    danger : str
        One of `DANGERS`.
    text : str
        One sentence of at most 20 words.
    basis : str
        "published", "from memory" or "common practice".
    source : str
        Where it is said; "no source" where nowhere.

    Raises
    ------
    ValueError
        If the danger is not known or the sentence too long to be read at a balance.

    """

    danger: str
    text: str
    basis: str
    source: str

    def __post_init__(self) -> None:
        if self.danger not in DANGERS:
            raise ValueError(f"danger must be one of {', '.join(DANGERS)}: {self.danger}")
        if len(self.text.split()) > 20:
            raise ValueError(f"a caution has at most 20 words: {self.text}")


def by_danger(cautions: Iterable[Caution]) -> tuple[str, ...]:
    """Sentences of cautions, the worst first, each once, and the closing one."""
    ranked = sorted(cautions, key=lambda caution: DANGERS.index(caution.danger))
    return tuple(dict.fromkeys([*(caution.text for caution in ranked), CLOSING]))
