"""Stage 1. Elastomers, and the data files of elastomers, fillers and solvents."""

from __future__ import annotations

import difflib
import functools
import math
import tomllib
from dataclasses import dataclass, field
from importlib import resources
from itertools import pairwise
from typing import Any

from percsim.materials.cautions import Caution
from percsim.materials.filler import Filler, Orientation
from percsim.materials.sizes import SizeDistribution
from percsim.values import take_reals

__all__ = [
    "Curve",
    "Elastomer",
    "Material",
    "Property",
    "load_material",
    "material_names",
]


@dataclass(frozen=True, slots=True)
class Elastomer:
    """A two-part cast elastomer.

    Parameters
    ----------
    density : float
        Of the cured, unfilled elastomer [kg/m^3].
    mix_ratio : float
        Mass of base for one mass of curing agent: 10 means 10:1.
    thermal_expansion : float
        Linear [1/K].
    poisson_ratio : float
        At most 0.5.
    name : str
        What reports call it.

    Raises
    ------
    ValueError
        If a value cannot be an elastomer's.

    """

    density: float
    mix_ratio: float = 10.0
    thermal_expansion: float = 3.1e-4
    poisson_ratio: float = 0.495
    name: str = "elastomer"

    def __post_init__(self) -> None:
        take_reals(self, "density", "mix_ratio", "thermal_expansion", "poisson_ratio")
        if not 0.0 < self.density < math.inf:
            raise ValueError(f"density must be positive [kg/m^3], got {self.density:g}")
        if not 0.0 < self.mix_ratio < math.inf:
            raise ValueError(
                f"mix ratio (base for one of curing agent) must be positive,"
                f" got {self.mix_ratio:g}"
            )
        if not -1e-3 < self.thermal_expansion < 1e-2:
            raise ValueError(
                f"linear thermal expansion must be between -1e-3 and 1e-2 /K,"
                f" got {self.thermal_expansion:g}"
            )
        if not 0.0 <= self.poisson_ratio <= 0.5:
            raise ValueError(
                f"Poisson ratio must lie in 0 to 0.5, got {self.poisson_ratio:g}"
            )

    @property
    def base_share(self) -> float:
        """Mass of base over mass of base and curing agent."""
        return self.mix_ratio / (self.mix_ratio + 1.0)


@dataclass(frozen=True, slots=True)
class Property:
    """One value of a data file.

    Parameters
    ----------
    value : float
        In the unit given.
    unit : str
        SI.
    low, high : float
        Range in which the value lies.
    basis : str
        "published", "handbook", "derived", "from memory" or "judgement".
    source : str
        Author, year, journal and DOI where known, or what it was derived from.

    """

    value: float
    unit: str
    low: float
    high: float
    basis: str
    source: str

    @property
    def factor(self) -> float:
        """Half the range as a factor, of a value in its middle on a logarithmic scale."""
        return math.sqrt(self.high / self.low)


@dataclass(frozen=True, slots=True)
class Curve:
    """Values of a data file against one condition.

    Parameters
    ----------
    argument : str
        What is varied, in words.
    arguments : tuple of float
        At least two, rising, in `argument_unit`.
    argument_unit, unit : str
        SI.
    values : tuple of float
        One for each argument, in `unit`.
    relative_uncertainty : float
        Of each value.
    basis, source : str
        As for a `Property`.

    Raises
    ------
    ValueError
        If the arguments do not rise or do not match the values.

    """

    argument: str
    arguments: tuple[float, ...]
    argument_unit: str
    values: tuple[float, ...]
    unit: str
    relative_uncertainty: float
    basis: str
    source: str

    def __post_init__(self) -> None:
        if len(self.arguments) != len(self.values) or len(self.values) < 2:
            raise ValueError(f"{self.argument}: as many values as arguments, two or more")
        if any(b <= a for a, b in pairwise(self.arguments)):
            raise ValueError(f"{self.argument}: arguments must rise")

    def __call__(self, argument: float) -> float:
        """Value on the straight line between neighbours; the end value beyond them."""
        x = min(max(argument, self.arguments[0]), self.arguments[-1])
        steps = zip(pairwise(self.arguments), pairwise(self.values), strict=True)
        (a, b), (y, z) = next(step for step in steps if x <= step[0][1])
        return y + (z - y) * (x - a) / (b - a)

    def holds(self, argument: float) -> bool:
        """Whether the argument lies within the data."""
        return self.arguments[0] <= argument <= self.arguments[-1]


@dataclass(frozen=True, slots=True)
class Material:
    """A material of the data files.

    Parameters
    ----------
    name : str
        Generic name.
    kind : {"filler", "elastomer", "solvent", "other"}
        What it is used as; other: what stands for a powder that has no file.
    shape : str
        Particle kind of a filler: "flake", "rod" or "sphere"; empty otherwise.
    properties : dict of str to Property
        By name: `density`, `thermal_expansion`, ...
    cautions : tuple of Caution
        What whoever handles it should know; facts, not a safety assessment.
    curves : dict of str to Curve
        What depends on a condition, by name: `modulus_of_cure_temperature`, ...
    unforeseeable : str
        Why no threshold of a filler can be foreseen; empty where one can.

    """

    name: str
    kind: str
    shape: str
    properties: dict[str, Property]
    cautions: tuple[Caution, ...] = ()
    curves: dict[str, Curve] = field(default_factory=dict)
    unforeseeable: str = ""

    def __getitem__(self, name: str) -> Property:
        """Property by name; ValueError with the known names when there is none."""
        try:
            return self.properties[name]
        except KeyError:
            known = ", ".join(sorted(self.properties))
            raise ValueError(f"{self.name} has no {name!r}; it has {known}") from None

    @property
    def density(self) -> float:
        """Density [kg/m^3]."""
        return self["density"].value

    def filler(
        self,
        size: SizeDistribution | None = None,
        *,
        thickness: float | None = None,
        aspect_ratio: float | SizeDistribution | None = None,
        orientation: Orientation | None = None,
        density: float | None = None,
        thermal_expansion: float | None = None,
        name: str | None = None,
    ) -> Filler:
        """Filler of this material; what is not given comes from the data file.

        Parameters
        ----------
        size : SizeDistribution, optional
            Default: the file's number median and spread, typical values rather than
            anyone's powder.
        thickness, aspect_ratio, orientation, density, thermal_expansion, name : optional
            As `Filler` takes them.

        Returns
        -------
        Filler

        Raises
        ------
        ValueError
            If the material is not a filler, or the values do not make one.

        """
        if self.kind != "filler":
            raise ValueError(f"{self.name} is no filler but of the kind {self.kind}")
        if size is None:
            size = SizeDistribution(self["size"].value, self["spread"].value)
        if self.shape != "sphere" and thickness is None and aspect_ratio is None:
            aspect_ratio = self["aspect_ratio"].value
        return Filler(
            self.shape,
            self.density if density is None else density,
            size,
            thickness,
            aspect_ratio,
            Orientation() if orientation is None else orientation,
            self.name if name is None else name,
            self["thermal_expansion"].value
            if thermal_expansion is None
            else thermal_expansion,
        )

    def elastomer(
        self,
        *,
        mix_ratio: float | None = None,
        density: float | None = None,
        thermal_expansion: float | None = None,
        poisson_ratio: float | None = None,
        name: str | None = None,
    ) -> Elastomer:
        """Elastomer of this material; what is not given comes from the data file.

        Parameters
        ----------
        mix_ratio, density, thermal_expansion, poisson_ratio, name : optional
            As `Elastomer` takes them.

        Returns
        -------
        Elastomer

        Raises
        ------
        ValueError
            If the material is not an elastomer, or the values do not make one.

        """
        if self.kind != "elastomer":
            raise ValueError(f"{self.name} is no elastomer but of the kind {self.kind}")

        def pick(given: float | None, key: str) -> float:
            return self[key].value if given is None else given

        return Elastomer(
            pick(density, "density"),
            pick(mix_ratio, "mix_ratio"),
            pick(thermal_expansion, "thermal_expansion"),
            pick(poisson_ratio, "poisson_ratio"),
            self.name if name is None else name,
        )


def _key(name: str) -> str:
    return " ".join(name.lower().replace("_", " ").replace("-", " ").split())


def _curve(entry: dict[str, Any]) -> Curve:
    lists: dict[str, Any] = {k: tuple(entry[k]) for k in ("arguments", "values")}
    return Curve(**(entry | lists))


@functools.cache
def _library() -> dict[str, Material]:
    library: dict[str, Material] = {}
    folder = resources.files("percsim.materials") / "data"
    for entry in sorted(folder.iterdir(), key=lambda item: item.name):
        if not entry.name.endswith(".toml"):
            continue
        raw: dict[str, Any] = tomllib.loads(entry.read_text(encoding="utf-8"))
        properties = {key: Property(**value) for key, value in raw["properties"].items()}
        curves = {key: _curve(entry) for key, entry in raw.get("curves", {}).items()}
        material = Material(
            raw["name"], raw["kind"], raw.get("shape", ""), properties,
            tuple(Caution(**c) for c in raw.get("cautions", ())), curves,
            raw.get("unforeseeable", ""),
        )  # fmt: skip
        for name in (raw["name"], *raw.get("also", ())):
            library[_key(name)] = material
    return library


def material_names(kind: str = "") -> tuple[str, ...]:
    """Names of the materials in the data files.

    Parameters
    ----------
    kind : str
        "filler", "elastomer" or "solvent"; all kinds when empty.

    Returns
    -------
    tuple of str
        Sorted.

    """
    return tuple(sorted({m.name for m in _library().values() if kind in ("", m.kind)}))


def load_material(name: str) -> Material:
    """Material from the data files.

    Parameters
    ----------
    name : str
        Case, spaces, hyphens and underscores do not matter.

    Returns
    -------
    Material

    Raises
    ------
    ValueError
        If no material has that name; the message names the closest ones.

    Examples
    --------
    >>> load_material("graphite flake").density
    2250.0

    """
    library = _library()
    key = _key(str(name))
    if key in library:
        return library[key]
    close = difflib.get_close_matches(key, library, n=3, cutoff=0.5)
    if close:
        names = dict.fromkeys(library[k].name for k in close)
        hint = "did you mean " + " or ".join(f'"{n}"' for n in names) + "?"
    else:
        hint = "known are " + ", ".join(material_names())
    raise ValueError(f'no material is called "{name}"; {hint}')
