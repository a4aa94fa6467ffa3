"""What a bench can change: tolerances, films on a patch, work on cured films, the powder.

A change multiplies tolerances of the bench, averages films on one patch, acts on films that
are cured, or is another plan with boxes of its own (`variant`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from percsim.film.bench import Bench
from percsim.film.electrodes import Film
from percsim.film.tolerances import Tolerances
from percsim.units import parse_quantity

if TYPE_CHECKING:
    from percsim.plan import Plan

__all__ = [
    "CHANGES", "FINER", "LAID", "NEW_BOXES", "SIEVED", "Change", "acts_on", "changed",
    "combined", "variant",
]  # fmt: skip

OF_FILMS = ("thickness", "gap", "width", "skew", "contact", "mixing_within", "tilt")
"""Tolerances that differ from film to film on one patch."""
OF_LAYERS = ("thickness", "contact", "mixing_within", "tilt")
"""Those that differ from layer to layer between the same electrodes."""
OF_CUPS = ("weighing", "mixing", "response")
"""Those that differ from cup to cup."""
SIEVED = 1.2
"""Geometric spread of a sieved powder (judgement)."""
LAID = "25 deg"
"""Root mean square angle of flakes to a film that was drawn down (judgement)."""
FINER = 3.0
"""Median of a powder over that of the finer one added to it (judgement)."""


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that a bench can change.

    Parameters
    ----------
    name, group : str
        What it is; a structure has one change of a group.
    factors : mapping of str to float
        What multiplies the standard deviation of a tolerance.
    films, cups : int
        Films or layers that a patch takes, and cups that they come from.
    resistance, volume : float
        R of the patch over that of one film, and film in it over that of one.
    width : float
        Width of its films over that planned.
    minutes_per_patch, minutes_per_cup : float
        Work besides (bench judgement, no source).
    kept : float
        Only films within this much of the median R are kept, relative; 0 for all.
    trimmed : bool
        Whether R of every film is cut to size.
    sections : tuple of str
        Sections of the plan that change, for changes that need boxes of their own.

    """

    name: str
    group: str
    factors: Mapping[str, float] = field(default_factory=dict)
    films: int = 1
    cups: int = 1
    resistance: float = 1.0
    volume: float = 1.0
    width: float = 1.0
    minutes_per_patch: float = 0.0
    minutes_per_cup: float = 0.0
    kept: float = 0.0
    trimmed: bool = False
    sections: tuple[str, ...] = ()

    @property
    def shared(self) -> bool:
        """Whether it acts on what films of one cup share."""
        return bool(set(self.factors) & {*OF_CUPS, "aspect_ratio", "particle_size"})


def _averaged(names: Iterable[str], n: int) -> dict[str, float]:
    return dict.fromkeys(names, 1.0 / math.sqrt(n))


CHANGES = (
    *(Change(f"{n} layers of one cup", "layers", _averaged(OF_LAYERS, n), films=n,
             resistance=1.0 / n, volume=n) for n in (2, 3)),
    *(Change(f"{n} layers, a cup each", "layers", _averaged((*OF_LAYERS, *OF_CUPS), n),
             films=n, cups=n, resistance=1.0 / n, volume=n) for n in (2, 3)),
    Change("2 films in series", "films", _averaged(OF_FILMS, 2), 2, resistance=2.0,
           volume=2),
    Change("2 films in parallel", "films", _averaged(OF_FILMS, 2), 2, resistance=0.5,
           volume=2),
    Change("2 x 2 films", "films", _averaged(OF_FILMS, 4), 4, volume=4),
    Change("films twice as wide", "width", width=2.0),
    Change("drawn between shims", "drawing", {"thickness": 0.5}, minutes_per_patch=5.0),
    Change("electrodes through a mask", "electrodes",
           dict.fromkeys(("gap", "width", "skew"), 0.3), minutes_per_patch=2.0),
    Change("mixed in solvent", "mixing", {"mixing": 0.5, "mixing_within": 0.5},
           minutes_per_cup=60.0),
    Change("two lots blended", "lots", _averaged(("aspect_ratio", "particle_size"), 2),
           minutes_per_cup=10.0),
    Change("conditioned twice", "conditioning", {"response": 0.7}, minutes_per_patch=10.0),
    Change("cut to size after the cure", "finish", trimmed=True, minutes_per_patch=5.0),
    Change("sorted to 20 %", "finish", kept=0.2, minutes_per_patch=1.0),
    Change("sorted to 10 %", "finish", kept=0.1, minutes_per_patch=1.0),
)  # fmt: skip
"""What is tried with the boxes at hand."""

NEW_BOXES = (
    Change("powder sieved", "powder", {"particle_size": 0.5}, minutes_per_cup=30.0,
           sections=("filler",)),
    Change("flakes aligned by drawing", "alignment", sections=("filler",)),
    Change("a fifth of finer powder", "second filler", sections=("filler",)),
)  # fmt: skip
"""What needs boxes of its own."""


def combined(changes: Sequence[Change]) -> Change:
    """One change that does what several do.

    Raises
    ------
    ValueError
        If two are of one group.

    """
    groups = [change.group for change in changes]
    if len(set(groups)) < len(groups):
        raise ValueError("a structure has one change of a group")
    factors: dict[str, float] = {}
    for change in changes:
        for name, factor in change.factors.items():
            factors[name] = factors.get(name, 1.0) * factor
    return Change(
        ", ".join(change.name for change in changes), "structure", factors,
        math.prod(c.films for c in changes), math.prod(c.cups for c in changes),
        math.prod(c.resistance for c in changes), math.prod(c.volume for c in changes),
        math.prod(c.width for c in changes), sum(c.minutes_per_patch for c in changes),
        sum(c.minutes_per_cup for c in changes),
        max((c.kept for c in changes), default=0.0), any(c.trimmed for c in changes),
    )  # fmt: skip


def changed(bench: Bench, film: Film, change: Change) -> Bench:
    """Bench of a structure, for a film."""
    tolerances = bench.tolerances
    moved = {
        name: factor
        * (
            tolerances.thickness_of(film)
            if name == "thickness"
            else getattr(tolerances, name)
        )
        for name, factor in change.factors.items()
    }
    made: Tolerances = replace(tolerances, **moved)
    return replace(bench, tolerances=made)


def variant(plan: Plan, change: Change, boxes: int, dropped: int = 0) -> Plan | None:
    """Plan with a change that needs boxes of its own, and a number of them.

    Parameters
    ----------
    plan : Plan
        As it is.
    change : Change
        One of `NEW_BOXES`.
    boxes : int
        Boxes of the longest length for each loading.
    dropped : int
        Lowest loadings left out: what hardly conducts tells of no contacts.

    Returns
    -------
    Plan or None
        None where the plan has the change already, or nothing that it could act on.

    """
    mapping = plan.as_dict()
    rows = _rows_with(mapping, change)
    if rows is None:
        return None
    mapping["filler"] = rows
    kept = mapping["explore"]["weight_fraction"][dropped:]
    mapping["explore"] = mapping["explore"] | {"weight_fraction": kept}
    mapping["boxes"] = mapping["boxes"] | {"count": boxes}
    mapping["boxes"].pop("most", None)
    mapping.pop("measured", None)
    return type(plan).from_dict(mapping, f"{plan.name}, {change.name}")


def acts_on(plan: Plan, change: Change) -> bool:
    """Whether a change that needs boxes of its own would change a plan."""
    return _rows_with(plan.as_dict(), change) is not None


def _rows_with(mapping: Mapping[str, Any], change: Change) -> list[dict[str, Any]] | None:
    """Fillers of a plan with a change; None where it is there or acts on none of them."""
    written = mapping["filler"]
    rows = [dict(r) for r in (written if isinstance(written, list) else [written])]
    if change.group == "second filler":
        if len(rows) > 1 or _spread(rows[0]) == 0.0:
            return None
        (row,), size = rows, rows[0]["diameter"]
        median = parse_quantity(str(size["median"]), "length") / FINER
        return [
            row | {"share": "80 %"},
            row | {
                "share": "20 %", "name": f"finer {row.get('name', '')}",
                "diameter": size | {"median": f"{1e6 * median:.6g} um"},
            },
        ]  # fmt: skip
    found = []
    for row in rows:
        if change.group == "powder" and _spread(row) > SIEVED:
            row["diameter"] = row["diameter"] | {"geometric_spread": SIEVED}
            found.append(row)
        if change.group == "alignment" and (row.get("kind"), row.get("orientation")) == (
            "flake", "isotropic",
        ):  # fmt: skip
            row |= {"orientation": "in-plane", "tilt": LAID}
            found.append(row)
    return rows if found else None


def _spread(row: Mapping[str, Any]) -> float:
    """Geometric spread of the sizes of a powder where it is written so, else 0."""
    diameter = row.get("diameter")
    known = isinstance(diameter, dict) and "geometric_spread" in diameter
    return float(diameter["geometric_spread"]) if known else 0.0  # type: ignore[index]
