"""Stage 1. What is known of a powder's films before one is cast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from percsim.materials.elastomer import Material, Property, load_material
from percsim.materials.filler import Filler
from percsim.materials.weighing import excluded_volume

__all__ = ["Powder", "expected_conductivity", "expected_threshold"]

CONDUCTS = {"flake": 0.06, "rod": 0.04, "sphere": 0.15}
"""Conductivity over g0 n L^2 (phi/phi_c - 1)^2, for n particles a volume of median size L:
within 1.3 times either way at twice the threshold as simulated for the powders of the data
files."""


def expected_threshold(filler: Filler) -> float:
    """Volume fraction at which particles that overlap freely are expected to span.

    Each has 2.74 contacts there if a sphere and 2.3 if a thin disc, as simulated; rods of
    length over diameter a have 1 + 1.6 a^(-1/3), within 8 % of simulated ones from 4 to 50.
    """
    rods: float = 1.0 + 1.6 * filler.median_aspect_ratio ** (-1 / 3)
    contacts = {"sphere": 2.74, "flake": 2.3, "rod": rods}[filler.kind]
    volume, excluded = excluded_volume(filler)
    return contacts * volume / excluded


def expected_conductivity(filler: Filler, solids: float, g0: float) -> float:
    """Conductivity [S/m] of films a good way above the threshold, within a factor two.

    Parameters
    ----------
    filler : Filler
        Particles that overlap freely.
    solids : float
        Their volume fraction.
    g0 : float
        Conductance of a contact [S].

    """
    number = solids / filler.mean_volume()
    beyond = solids / expected_threshold(filler) - 1.0
    return CONDUCTS[filler.kind] * g0 * number * (filler.median_diameter * beyond) ** 2


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
