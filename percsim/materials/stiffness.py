r"""Stage 1. Stiffness: Young's modulus from mix ratio and cure, and what the filler adds.

Published moduli of one silicone differ by far more than any one study claims, so a modulus
here always comes with the factor within which it is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from percsim.materials.elastomer import Curve, Material, load_material
from percsim.materials.recipe import Recipe

__all__ = [
    "Modulus",
    "Stiffening",
    "elastomer_modulus",
    "filled_modulus",
    "guth",
    "guth_gold",
    "halpin_tsai",
    "mori_tanaka",
    "nearly_incompressible",
    "random_platelets",
    "random_rods",
    "shape_factor",
    "shear_modulus",
    "stiffenings",
]

USUAL_ELASTOMER = "addition-cure silicone"
"""Whose data stand in for an elastomer without any of its own."""

OUTSIDE_FACTOR = 4.0
"""Factor carried outside the tested mix ratios (judgement, no source)."""
MEASURED_FACTOR = 1.1
"""Factor carried for a modulus measured on the layer itself (judgement, no source)."""
ASSUMED_FACTOR = 2.0
"""Factor carried for a modulus that the user assumed (as between laboratories)."""
STIFFENING_FACTOR = 1.5
"""Factor carried for the filler's stiffening within its validity (judgement, no source)."""
BEYOND_FACTOR = 2.0
"""The same beyond it."""

LARGEST_SHAPE_FACTOR = 6.7
"""Guth's shape factor as graphite in silicone has it, the mean of two measurements: 7.4
from E = 1.4 MPa, +220 %, at 13.2 vol% (Kujawski et al. 2010) and 6.0 from twice the
compressive modulus at 10.2 vol% (Raza et al. 2011, Carbon 49, 4269); their particles are
far flatter than these numbers."""
LARGEST_SHAPED_FRACTION = 1.0
"""Largest shape factor x volume fraction that those two reach (0.98)."""
LARGEST_SPHERE_FRACTION = 0.15
"""Volume fraction up to which the quadratic form of spheres holds (common practice)."""
LARGEST_MEAN_FIELD_FRACTION = 0.3
"""Volume fraction up to which mean-field estimates are trusted (common practice)."""


@dataclass(frozen=True, slots=True)
class Modulus:
    """Young's modulus of a layer and how well it is known.

    Parameters
    ----------
    value : float
        Best estimate [Pa], above 0.
    factor : float
        95 % of what it may be lie within x/ this factor, log-normal; 1 or more.
    basis : str
        "published", "measured", "assumed", "derived" or "from memory".
    source : str
        Where it comes from.
    notes : tuple of str
        What limits it, one phrase each.

    Raises
    ------
    ValueError
        If the value is not positive or the factor below 1.

    """

    value: float
    factor: float = 1.0
    basis: str = "assumed"
    source: str = ""
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not 0.0 < self.value < math.inf:
            raise ValueError(f"modulus must be positive [Pa], got {self.value:g}")
        if not 1.0 <= self.factor < math.inf:
            raise ValueError(f"factor of a modulus must be 1 or more, got {self.factor:g}")

    @property
    def log_std(self) -> float:
        """Standard deviation of ln E."""
        return math.log(self.factor) / 1.959964

    @property
    def low(self) -> float:
        """Lower end of the 95 % range [Pa]."""
        return self.value / self.factor

    @property
    def high(self) -> float:
        """Upper end of the 95 % range [Pa]."""
        return self.value * self.factor

    @classmethod
    def stated(cls, value: float, basis: str = "assumed", source: str = "") -> Modulus:
        """Modulus that the user states, measured or assumed."""
        factor = MEASURED_FACTOR if basis == "measured" else ASSUMED_FACTOR
        return cls(value, factor, basis, source)

    def as_dict(self) -> dict[str, object]:
        """Keys as in `summary.json`."""
        return {
            "value_Pa": self.value,
            "low_Pa": self.low,
            "high_Pa": self.high,
            "factor": self.factor,
            "basis": self.basis,
            "source": self.source,
            "notes": list(self.notes),
        }


def elastomer_modulus(
    mix_ratio: float,
    cure_temperature: float | None = None,
    material: Material | str | None = None,
) -> Modulus:
    r"""Young's modulus of a cured, unfilled elastomer.

    Parameters
    ----------
    mix_ratio : float
        Base for one of curing agent by mass, above 0.
    cure_temperature : float, optional
        Temperature of the cure [K]. Without, the modulus of the mix ratio alone.
    material : Material or str, optional
        Elastomer of the data files; the published addition-cure silicone by default.

    Returns
    -------
    Modulus
        With notes where the data do not reach.

    Raises
    ------
    ValueError
        If the mix ratio is not positive, or the material has no modulus against it.

    Notes
    -----
    :math:`E = 20\,\mathrm{MPa}/r` [1]_; with a cure temperature
    :math:`E = E_{10}(T_\mathrm{cure}) \cdot 10 / r`, the values measured at 10:1 [2]_ and
    the straight lines between them. No study varied both: that they multiply is assumed.

    References
    ----------
    .. [1] Wang, Volinsky & Gallant, J. Appl. Polym. Sci. 131, 41050 (2014).
       https://doi.org/10.1002/app.41050
    .. [2] Johnston, McCluskey, Tan & Tracey, J. Micromech. Microeng. 24, 035017 (2014).
       https://doi.org/10.1088/0960-1317/24/3/035017

    Examples
    --------
    >>> round(elastomer_modulus(10.0).value / 1e6, 3)
    2.0
    >>> round(elastomer_modulus(10.0, 298.15).value / 1e6, 3)
    1.32

    """
    if not 0.0 < mix_ratio < math.inf:
        raise ValueError(f"mix ratio must be positive, got {mix_ratio:g}")
    if material is None:
        material = load_material(USUAL_ELASTOMER)
    elif isinstance(material, str):
        material = load_material(material)
    product = material["modulus_times_mix_ratio"]
    tested = material["mix_ratio"]
    value, source, notes = product.value / mix_ratio, product.source, []
    factor = max(product.high / product.value, product.value / product.low)
    if not tested.low <= mix_ratio <= tested.high:
        factor = max(factor, OUTSIDE_FACTOR)
        notes.append(
            f"mix ratio {mix_ratio:g}:1 lies outside the tested {tested.low:g}:1 to"
            f" {tested.high:g}:1, the modulus is extrapolated"
        )
        if mix_ratio < tested.low:
            notes.append(
                f"below {tested.low:g}:1 even the sign of the trend is uncertain, excess"
                " curing agent may soften the elastomer; measure the modulus"
            )
    if cure_temperature is not None:
        curve = material.curves.get("modulus_of_cure_temperature")
        if curve is None:
            notes.append(
                f"no data on the cure temperature of {material.name}; it is left out"
            )
        else:
            value = curve(cure_temperature) * 10.0 / mix_ratio
            source = f"{curve.source}; with mix ratio: {source}"
            if not curve.holds(cure_temperature):
                notes.append(_beyond(curve, cure_temperature))
    return Modulus(value, factor, product.basis, source, tuple(notes))


def _beyond(curve: Curve, cure_temperature: float) -> str:
    """Say that nothing was measured at a cure."""
    coldest, hottest = (x - 273.15 for x in (curve.arguments[0], curve.arguments[-1]))
    return (
        f"cure at {cure_temperature - 273.15:.0f} C lies outside the tested"
        f" {coldest:.0f} to {hottest:.0f} C; the nearest value is used"
    )


def shear_modulus(modulus: float, poisson_ratio: float) -> float:
    """Shear modulus [Pa] of an isotropic solid, E / (2 (1 + nu))."""
    return modulus / (2.0 * (1.0 + poisson_ratio))


def nearly_incompressible(modulus: float, bulk_modulus: float) -> float:
    """Poisson ratio of a soft solid, 1/2 - E/(6 K): rounding it would set K at random.

    Parameters
    ----------
    modulus, bulk_modulus : float
        Young's and bulk modulus [Pa].

    Returns
    -------
    float
        0 to 0.5.

    Raises
    ------
    ValueError
        If a modulus is not positive, or they give a negative ratio (E > 3 K).

    """
    if not (0.0 < modulus <= 3.0 * bulk_modulus < math.inf):
        raise ValueError(
            f"moduli must be positive and E at most 3 K, got {modulus:g} and"
            f" {bulk_modulus:g} Pa"
        )
    return 0.5 - modulus / (6.0 * bulk_modulus)


# ------------------------------------------------------------------------------------------
# What the filler adds: modulus over that of the elastomer
# ------------------------------------------------------------------------------------------


def _checked(volume_fraction: float) -> float:
    if not 0.0 <= volume_fraction < 1.0:
        raise ValueError(f"volume fraction must be 0 to below 1, got {volume_fraction:g}")
    return volume_fraction


def guth_gold(volume_fraction: float) -> float:
    """Stiffening by spheres, 1 + 2.5 phi + 14.1 phi^2.

    Guth & Gold, Phys. Rev. 53, 322 (1938); Smallwood, J. Appl. Phys. 15, 758 (1944). For
    spheres that are well dispersed and stick to nothing, to some 15 vol%.

    Examples
    --------
    >>> round(guth_gold(0.1), 3)
    1.391

    """
    phi = _checked(volume_fraction)
    return 1.0 + 2.5 * phi + 14.1 * phi**2


def guth(volume_fraction: float, shape_factor: float) -> float:
    """Stiffening by rod-like or chained particles, 1 + 0.67 f phi + 1.62 f^2 phi^2.

    Guth, "Theory of filler reinforcement", J. Appl. Phys. 16, 20 (1945). `shape_factor` is
    length over width, 1 or more; checked by two measurements up to f phi = 1.
    """
    x = shape_factor * _checked(volume_fraction)
    if not 1.0 <= shape_factor < math.inf:
        raise ValueError(f"shape factor must be 1 or more, got {shape_factor:g}")
    return 1.0 + 0.67 * x + 1.62 * x**2


def mori_tanaka(
    volume_fraction: float,
    shear_ratio: float = math.inf,
    bulk_over_shear: float = math.inf,
) -> float:
    r"""Stiffening of the shear modulus by spheres, interacting in the mean.

    Parameters
    ----------
    volume_fraction : float
        Of the spheres.
    shear_ratio : float
        Shear modulus of the spheres over that of the matrix, inf for rigid ones.
    bulk_over_shear : float
        Bulk over shear modulus of the matrix, inf for an incompressible one.

    Returns
    -------
    float
        G / Gm; rigid spheres in an incompressible matrix: 1 + 2.5 phi / (1 - phi).

    Notes
    -----
    :math:`G/G_m = 1 + \varphi (g - 1)/(1 + (1 - \varphi)\beta (g - 1))`,
    :math:`\beta = 6 (K_m + 2 G_m)/(5 (3 K_m + 4 G_m))` [1]_, [2]_.

    References
    ----------
    .. [1] Mori & Tanaka, Acta Metall. 21, 571 (1973).
    .. [2] Benveniste, Mech. Mater. 6, 147 (1987).

    """
    phi = _checked(volume_fraction)
    if math.isinf(bulk_over_shear):
        beta = 0.4
    else:
        beta = 6.0 * (bulk_over_shear + 2.0) / (5.0 * (3.0 * bulk_over_shear + 4.0))
    if math.isinf(shear_ratio):
        return 1.0 + phi / ((1.0 - phi) * beta)
    return 1.0 + phi * (shear_ratio - 1.0) / (
        1.0 + (1.0 - phi) * beta * (shear_ratio - 1.0)
    )


def halpin_tsai(
    volume_fraction: float, zeta: float, modulus_ratio: float = math.inf
) -> float:
    """Stiffening by aligned particles, (1 + zeta eta phi) / (1 - eta phi).

    Halpin & Kardos, Polym. Eng. Sci. 16, 344 (1976), eta = (M - 1)/(M + zeta) with M the
    particles' modulus over the matrix's, inf for rigid ones (eta = 1). Along a rod or plate
    zeta is twice length over thickness, across it 2 (Tucker & Liang 1999, Compos. Sci.
    Technol. 59, 655).
    """
    phi = _checked(volume_fraction)
    eta = 1.0
    if math.isfinite(modulus_ratio):
        eta = (modulus_ratio - 1.0) / (modulus_ratio + zeta)
    return (1.0 + zeta * eta * phi) / (1.0 - eta * phi)


def random_platelets(along: float, across: float) -> float:
    """Stiffness of platelets in every direction, 0.49 along + 0.51 across their plane.

    van Es, thesis, Delft (2001), from memory; the shares are not truly constant.
    """
    return 0.49 * along + 0.51 * across


def random_rods(
    along: float, across: float, *, plane: Literal["space", "film"] = "space"
) -> float:
    """Stiffness of rods in every direction: 1/5 and 4/5 in space, 3/8 and 5/8 in a plane.

    Laminate approximation, from memory (Halpin & Kardos 1976); the shares are not truly
    constant.
    """
    share = 0.2 if plane == "space" else 0.375
    return share * along + (1.0 - share) * across


@dataclass(frozen=True, slots=True)
class Stiffening:
    """What one model says the filler adds.

    Parameters
    ----------
    model : str
        Its name.
    factor : float
        Modulus of the film over that of the elastomer.
    valid : bool
        Whether the film lies within what the model was made or checked for.
    limit : str
        That limit, in words.

    """

    model: str
    factor: float
    valid: bool
    limit: str


def shape_factor(recipe: Recipe) -> float:
    """Guth's shape factor of a recipe: aspect ratios by volume, at most 6.7."""
    total = sum(recipe.volume_fractions)
    if total == 0.0:
        return 1.0
    return sum(
        phi * min(max(filler.median_aspect_ratio, 1.0), LARGEST_SHAPE_FACTOR)
        for (filler, _), phi in zip(recipe.fillers, recipe.volume_fractions, strict=True)
    ) / total  # fmt: skip


def _halpin_tsai_of(recipe: Recipe) -> float:
    """Rigid particles of each kind as they lie, added up."""
    phi = recipe.volume_fraction
    across = halpin_tsai(phi, 2.0)
    total = 0.0
    for (filler, _), part in zip(recipe.fillers, recipe.volume_fractions, strict=True):
        along = halpin_tsai(phi, 2.0 * max(filler.median_aspect_ratio, 1.0))
        mode = filler.orientation.mode
        if filler.kind == "sphere":
            value = across
        elif filler.kind == "flake":
            value = random_platelets(along, across) if mode == "isotropic" else along
        elif mode == "aligned":
            value = along
        else:
            value = random_rods(
                along, across, plane="space" if mode == "isotropic" else "film"
            )
        total += part / phi * value
    return total


def stiffenings(recipe: Recipe) -> tuple[Stiffening, ...]:
    """Stiffen by each model in turn, the one that is used first.

    Parameters
    ----------
    recipe : Recipe
        Fillers, their aspect ratios, orientations and volume fractions.

    Returns
    -------
    tuple of Stiffening
        Guth's shape-factor form comes first unless all particles are spheres, then that
        of Guth and Gold.

    """
    phi, f = recipe.volume_fraction, shape_factor(recipe)
    spheres = all(filler.kind == "sphere" for filler, _ in recipe.fillers)
    sphere_limit = f"well dispersed spheres to {100 * LARGEST_SPHERE_FRACTION:.0f} vol%"
    mean_field = f"to {100 * LARGEST_MEAN_FIELD_FRACTION:.0f} vol%"
    small = phi <= LARGEST_MEAN_FIELD_FRACTION
    rows = [
        Stiffening("Guth and Gold, spheres", guth_gold(phi),
                   spheres and phi <= LARGEST_SPHERE_FRACTION, sphere_limit),
        Stiffening("Mori and Tanaka, rigid spheres", mori_tanaka(phi),
                   spheres and small, f"spheres, {mean_field}"),
    ]  # fmt: skip
    if phi > 0.0:
        rows.append(
            Stiffening(
                "Halpin and Tsai, rigid particles as they lie",
                _halpin_tsai_of(recipe),
                small,
                f"flat, straight, well bonded particles, {mean_field};"
                " far too stiff for thin ones that bend",
            )
        )
    if not spheres:
        rows.insert(
            0,
            Stiffening(
                f"Guth, shape factor {f:.3g}",
                # at small shape factors the form falls below that of spheres
                max(guth(phi, f), guth_gold(phi)),
                f * phi <= LARGEST_SHAPED_FRACTION,
                f"shape factor x volume fraction to {LARGEST_SHAPED_FRACTION:g}",
            ),
        )
    return tuple(rows)


def filled_modulus(matrix: Modulus, recipe: Recipe) -> Modulus:
    """Young's modulus of the filled film.

    Parameters
    ----------
    matrix : Modulus
        Of the unfilled elastomer.
    recipe : Recipe
        What is mixed in.

    Returns
    -------
    Modulus
        The first of `stiffenings` times the matrix; its factor joins that of the matrix and
        that of the stiffening as independent ones.

    """
    used = stiffenings(recipe)[0]
    known = STIFFENING_FACTOR if used.valid else BEYOND_FACTOR
    notes = matrix.notes
    if not used.valid:
        notes += (f"stiffening by the filler beyond its limit: {used.limit}",)
    factor = math.exp(math.hypot(math.log(matrix.factor), math.log(known)))
    return replace(
        matrix,
        value=matrix.value * used.factor,
        factor=factor,
        basis="derived",
        source=f"{used.model}: {used.factor:.3g} x the elastomer; {matrix.source}",
        notes=notes,
    )
