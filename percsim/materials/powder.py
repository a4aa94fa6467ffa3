"""Stage 1. What is known of a powder's films before one is cast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from percsim.materials.elastomer import Material, Property, load_material
from percsim.materials.filler import Filler
from percsim.materials.weighing import excluded_volume

__all__ = ["Powder", "expected_threshold"]


def expected_threshold(filler: Filler) -> float:
    """Volume fraction at which particles that overlap freely are expected to span.

    Each has 2.74 contacts there if a sphere and 2.3 if a thin disc, as simulated; rods of
    length over diameter a have 1 + 1.6 a^(-1/3), within 8 % of simulated ones from 4 to 50.
    """
    rods: float = 1.0 + 1.6 * filler.median_aspect_ratio ** (-1 / 3)
    contacts = {"sphere": 2.74, "flake": 2.3, "rod": rods}[filler.kind]
    volume, excluded = excluded_volume(filler)
    return contacts * volume / excluded


@dataclass(frozen=True, slots=True)
class Powder:
    """What is known of threshold and contacts of a powder before any film is cast.

    Parameters
    ----------
    threshold, threshold_of_measured_shape : Property
        Real threshold over the simulated one: median and 95 % range, for an aspect ratio
        that is assumed and for one that was measured.
    g0 : Property or None
        Conductance of a closed contact [S]: median and 95 % range; None where nothing is
        known of it.
    unforeseeable : str
        Why no threshold of it can be foreseen; empty where one can.

    """

    threshold: Property
    threshold_of_measured_shape: Property
    g0: Property | None = None
    unforeseeable: str = ""

    @classmethod
    def of(cls, materials: Sequence[Material | None] = ()) -> Powder:
        """Powder of one or several materials, None for one without a data file.

        Several mixed are known as well as the least known of them; their contacts are
        unless all are of one material.
        """
        known = [m or load_material("other powder") for m in materials or [None]]

        def widest(*keys: str) -> Property:
            ratios = [
                next(m.properties[k] for k in keys if k in m.properties) for m in known
            ]
            return max(ratios, key=lambda ratio: ratio.factor)

        told = dict.fromkeys(
            f"{m.name}: {m.unforeseeable}" for m in known if m.unforeseeable
        )
        return cls(
            widest("threshold_ratio"),
            widest("threshold_ratio_of_measured_shape", "threshold_ratio"),
            known[0].properties.get("g0") if len({m.name for m in known}) == 1 else None,
            "; ".join(told),
        )

    def ratio(self, *, shape_assumed: bool) -> Property:
        """Real threshold over the simulated one."""
        return self.threshold if shape_assumed else self.threshold_of_measured_shape
