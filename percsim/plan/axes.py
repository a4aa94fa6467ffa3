"""Axes of [explore] that make mixes: combinations with boxes or films of their own."""

from __future__ import annotations

from dataclasses import dataclass

from percsim.units import format_quantity

__all__ = ["AXES", "Axis"]


@dataclass(frozen=True, slots=True)
class Axis:
    """What is said of a key of [explore] beside loading and gap.

    Parameters
    ----------
    kind : str
        Kind of quantity; "" for a plain number.
    many : str
        Its values in words.
    whose : str
        Which of them a measured row has to name.
    words : str
        One value in words, "{}" the value.
    column : str
        Its name in results.

    """

    kind: str
    many: str
    whose: str
    words: str
    column: str

    def written(self, value: float) -> str:
        """Value in bench units."""
        return format_quantity(value, self.kind) if self.kind else f"{value:g}"


AXES = {
    "thickness": Axis(
        "length", "film thicknesses", "measured", "{} film", "film_thickness_m"
    ),
    "diameter": Axis(
        "length", "filler sizes", "of the films", "{} filler", "filler_diameter_m"
    ),
    "aspect_ratio": Axis(
        "", "aspect ratios", "of the films", "aspect ratio {}", "filler_aspect_ratio"
    ),
    "mix_ratio": Axis("ratio", "mix ratios", "of the films", "{}", "mix_ratio"),
}
"""By their keys, in the order in which they are combined."""
