"""Stage 1. The recipe: what is mixed, by mass and by volume, and what to weigh out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from percsim.materials.elastomer import Elastomer, Material, load_material
from percsim.materials.filler import Filler
from percsim.values import real

__all__ = ["Recipe", "WeighOut", "packing_limit", "weigh_out"]

_CONTACTS = 10.8
_SPHERES = 0.64
_CASTABLE_SHARE = 0.9


@dataclass(frozen=True, slots=True, repr=False)
class Recipe:
    r"""Fillers in an elastomer.

    Parameters
    ----------
    fillers : tuple of (Filler, float)
        Each filler with its weight fraction of the cured total (all fillers, base and
        curing agent; no solvent).
    elastomer : Elastomer
        What they are mixed into.

    Raises
    ------
    ValueError
        If a weight fraction is outside [0, 1), or they leave no elastomer.

    Notes
    -----
    Volumes are additive: :math:`\phi_i = (w_i/\rho_i) / (\sum_j w_j/\rho_j + (1 - \sum_j
    w_j)/\rho_m)`, with no pores. "Volume fraction" always means the sum of particle
    volumes over the total volume.

    """

    fillers: tuple[tuple[Filler, float], ...]
    elastomer: Elastomer

    def __post_init__(self) -> None:
        pairs = _pairs(self.fillers, "weight fraction")
        if not isinstance(self.elastomer, Elastomer):
            raise ValueError(f"elastomer must be an Elastomer, got {self.elastomer!r}")
        total = sum(w for _, w in pairs)
        for filler, w in pairs:
            if w >= 1.0:
                raise ValueError(
                    f"weight fraction of {filler.name or filler.kind} must lie in 0 to 1,"
                    f" got {w:g}"
                )
        if not total < 1.0:
            raise ValueError(f"weight fractions add up to {total:g} and leave no elastomer")
        object.__setattr__(self, "fillers", pairs)

    # ------------------------------------------------------------------ other ways in
    @classmethod
    def from_volume_fractions(
        cls, fillers: Iterable[tuple[Filler, float]], elastomer: Elastomer
    ) -> Recipe:
        """Recipe from volume fractions.

        Parameters
        ----------
        fillers : sequence of (Filler, float)
            Each filler with its volume over the total volume.
        elastomer : Elastomer

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If a fraction is outside [0, 1), or they leave no elastomer.

        """
        pairs = _pairs(fillers, "volume fraction")
        rest = 1.0 - sum(v for _, v in pairs)
        if not rest > 0.0:
            raise ValueError(
                f"volume fractions add up to {1.0 - rest:g}, leave no elastomer"
            )
        masses = [v * f.density for f, v in pairs]
        total = sum(masses) + rest * elastomer.density
        return cls(
            tuple((f, m / total) for (f, _), m in zip(pairs, masses, strict=True)),
            elastomer,
        )

    @classmethod
    def from_phr(
        cls,
        fillers: Iterable[tuple[Filler, float]],
        elastomer: Elastomer,
        *,
        agent_counts: bool,
    ) -> Recipe:
        """Recipe from parts per hundred parts of rubber, by mass.

        Parameters
        ----------
        fillers : sequence of (Filler, float)
            Each filler with its parts.
        elastomer : Elastomer
        agent_counts : bool
            True when the hundred parts are base and curing agent together, False when
            they are the base alone. Both are in use, so it has no default: at 10:1 they
            differ by a tenth.

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If a number of parts is negative or not finite.

        """
        pairs = _pairs(fillers, "parts per hundred")
        rubber = 100.0 if agent_counts else 100.0 / elastomer.base_share
        total = rubber + sum(p for _, p in pairs)
        return cls(tuple((f, p / total) for f, p in pairs), elastomer)

    @classmethod
    def from_mass_ratio(
        cls,
        fillers: Iterable[tuple[Filler, float]],
        elastomer: Elastomer,
        *,
        agent_counts: bool,
    ) -> Recipe:
        """Recipe from masses of filler for one mass of rubber.

        Parameters
        ----------
        fillers : sequence of (Filler, float)
            Each filler with its ratio: filler to rubber 1:4 is 0.25.
        elastomer : Elastomer
        agent_counts : bool
            Whether the curing agent counts as rubber; see `from_phr`.

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If a ratio is negative or not finite.

        """
        pairs = _pairs(fillers, "mass ratio")
        return cls.from_phr(
            [(f, 100.0 * r) for f, r in pairs], elastomer, agent_counts=agent_counts
        )

    def at_weight_fraction(self, weight_fraction: float) -> Recipe:
        """Return the same blend of fillers at another total weight fraction.

        Parameters
        ----------
        weight_fraction : float
            Of all fillers together.

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If it is outside [0, 1), or this recipe has no filler to scale.

        """
        if not 0.0 <= weight_fraction < 1.0:
            raise ValueError(f"weight fraction must lie in 0 to 1, got {weight_fraction:g}")
        total = self.weight_fraction
        if not total > 0.0:
            raise ValueError("a recipe without filler cannot be scaled to a loading")
        scale = weight_fraction / total
        return Recipe(tuple((f, scale * w) for f, w in self.fillers), self.elastomer)

    def at_volume_fraction(self, volume_fraction: float) -> Recipe:
        """Return the same blend of fillers at another total volume fraction.

        Parameters
        ----------
        volume_fraction : float
            Of all fillers together.

        Returns
        -------
        Recipe

        Raises
        ------
        ValueError
            If it is outside [0, 1), or this recipe has no filler to scale.

        """
        if not 0.0 <= volume_fraction < 1.0:
            raise ValueError(f"volume fraction must lie in 0 to 1, got {volume_fraction:g}")
        shares = self.volume_fractions
        total = sum(shares)
        if not total > 0.0:
            raise ValueError("a recipe without filler cannot be scaled to a loading")
        scaled = [
            (f, volume_fraction * v / total)
            for (f, _), v in zip(self.fillers, shares, strict=True)
        ]
        return Recipe.from_volume_fractions(scaled, self.elastomer)

    # ------------------------------------------------------------------ what follows
    @property
    def weight_fraction(self) -> float:
        """Mass of all fillers over the cured total."""
        return sum(w for _, w in self.fillers)

    @property
    def volume_fractions(self) -> tuple[float, ...]:
        """Volume of each filler over the total, in the order of `fillers`."""
        volumes = [w / f.density for f, w in self.fillers]
        total = sum(volumes) + (1.0 - self.weight_fraction) / self.elastomer.density
        return tuple(v / total for v in volumes)

    @property
    def volume_fraction(self) -> float:
        """Volume of all fillers over the total."""
        return sum(self.volume_fractions)

    @property
    def density(self) -> float:
        """Density of the cured composite without pores [kg/m^3]."""
        specific = (1.0 - self.weight_fraction) / self.elastomer.density
        return 1.0 / (specific + sum(w / f.density for f, w in self.fillers))

    @property
    def thermal_expansion(self) -> float:
        r"""Linear thermal expansion of the composite [1/K].

        Volume-weighted: the stiffness term of Schapery's formula (1968, J. Compos.
        Mater. 2, 380; from memory) carries the ratio of shear to bulk modulus of the
        matrix, about 1e-3 in a rubber, and is left out.
        """
        shares = self.volume_fractions
        filled = sum(
            v * f.thermal_expansion for (f, _), v in zip(self.fillers, shares, strict=True)
        )
        return filled + (1.0 - sum(shares)) * self.elastomer.thermal_expansion

    @property
    def filler_names(self) -> tuple[str, ...]:
        """Names on the weigh-out sheet, no two the same."""
        taken = {"base", "curing agent", "solvent"}
        names = []
        for filler, _ in self.fillers:
            stem = name = filler.name or filler.kind
            number = 2
            while name in taken:
                name, number = f"{stem} {number}", number + 1
            taken.add(name)
            names.append(name)
        return tuple(names)

    def phr(self, *, agent_counts: bool) -> tuple[float, ...]:
        """Parts per hundred of rubber of each filler, by mass.

        Parameters
        ----------
        agent_counts : bool
            Whether the curing agent counts in the hundred; see `from_phr`.

        Returns
        -------
        tuple of float
            In the order of `fillers`.

        """
        rubber = 1.0 - self.weight_fraction
        if not agent_counts:
            rubber *= self.elastomer.base_share
        return tuple(100.0 * w / rubber for _, w in self.fillers)

    def masses(self, total: float) -> dict[str, float]:
        """Work out what to weigh for a batch.

        Parameters
        ----------
        total : float
            Cured mass [kg].

        Returns
        -------
        dict of str to float
            Grams of each filler by name, of "base" and of "curing agent".

        Raises
        ------
        ValueError
            If the mass is not positive.

        """
        if not 0.0 < total < math.inf:
            raise ValueError(f"batch mass must be positive [kg], got {total:g}")
        grams = 1e3 * total
        sheet = {
            name: grams * w
            for name, (_, w) in zip(self.filler_names, self.fillers, strict=True)
        }
        rubber = grams * (1.0 - self.weight_fraction)
        sheet["base"] = rubber * self.elastomer.base_share
        sheet["curing agent"] = rubber * (1.0 - self.elastomer.base_share)
        return sheet

    def __repr__(self) -> str:
        parts = [
            f"{100.0 * w:.4g} wt% {name} ({100.0 * v:.4g} vol%)"
            for name, (_, w), v in zip(
                self.filler_names, self.fillers, self.volume_fractions, strict=True
            )
        ]
        base = f"{self.elastomer.name} {self.elastomer.mix_ratio:g}:1"
        return f"Recipe: {', '.join(parts) or 'no filler'} in {base}"


def _pairs(
    fillers: Iterable[tuple[Filler, float]] | Sequence[tuple[Filler, float]], what: str
) -> tuple[tuple[Filler, float], ...]:
    try:
        pairs = tuple((filler, real(what, amount)) for filler, amount in fillers)
    except (TypeError, ValueError):
        raise ValueError(f"fillers must be pairs of a Filler and its {what}") from None
    for filler, amount in pairs:
        if not isinstance(filler, Filler):
            raise ValueError(f"fillers must be pairs of a Filler and its {what}")
        if not 0.0 <= amount < math.inf:
            raise ValueError(
                f"{what} of {filler.name or filler.kind} must be 0 or more, got {amount:g}"
            )
    return pairs


def packing_limit(filler: Filler) -> float:
    r"""Volume fraction at which randomly turned particles jam, roughly.

    Parameters
    ----------
    filler : Filler
        Only its kind and median aspect ratio count. A wide size distribution and
        alignment by shear pack denser, so the value errs on the safe side.

    Returns
    -------
    float
        At most 0.64.

    Notes
    -----
    Random contact equation: bodies jam when each has about 10.8 neighbours, :math:`\phi =
    10.8\,V/V_{ex}`, which is 5.4 over the aspect ratio for thin rods (Philipse 1996,
    Langmuir 12, 1127; from memory). The excluded volume of randomly turned convex bodies
    is :math:`V_{ex} = 2V + S M/(2\pi)` with surface S and integrated mean curvature M
    (Isihara 1950, J. Chem. Phys. 18, 1446; from memory). For flakes the same number of
    neighbours is an assumption; thin ones then jam at 6.9 over the aspect ratio. Compact
    bodies: random close packing of spheres, 0.64 (Scott 1960, Nature 188, 908; from
    memory). That a mix casts up to nine tenths of the limit, where the fillers thicken it
    a hundredfold, is common practice, no source.

    """
    aspect = filler.median_aspect_ratio
    pi = math.pi
    if filler.kind == "sphere":
        return _SPHERES
    b = 0.5  # half thickness, in thicknesses
    if filler.kind == "flake":
        r = 0.5 * (aspect - 1.0)
        volume = 2.0 * pi * r**2 * b + pi**2 * r * b**2 + 4.0 / 3.0 * pi * b**3
        surface = 2.0 * pi * r**2 + 2.0 * pi**2 * r * b + 4.0 * pi * b**2
        curvature = pi**2 * r + 4.0 * pi * b
    else:
        volume = pi * aspect * b**2 + 4.0 / 3.0 * pi * b**3
        surface = 2.0 * pi * aspect * b + 4.0 * pi * b**2
        curvature = pi * aspect + 4.0 * pi * b
    excluded = 2.0 * volume + surface * curvature / (2.0 * pi)
    return min(_SPHERES, _CONTACTS * volume / excluded)


@dataclass(frozen=True, slots=True, repr=False)
class WeighOut:
    """What to weigh for a batch, and how well the balance fixes the recipe.

    Parameters
    ----------
    recipe : Recipe
        What is made.
    total : float
        Cured mass mixed, losses included [kg].
    wanted : float
        Cured mass that must end in the films [kg].
    loss : float
        Share of the mix that stays in the cup and on the tools.
    resolution : float
        Step of the balance [kg].
    grams : dict of str to float
        Exact masses of fillers, "base", "curing agent", and "solvent" if there is one [g].
    readings : dict of str to float
        The same rounded to the balance [g].
    weight_fraction_read, mix_ratio_read : float
        What the rounded masses make.
    weight_fraction_uncertainty : float
        Standard uncertainty of the total weight fraction from the balance.
    volume_fraction_uncertainty : float
        Standard uncertainty of the total volume fraction from the balance.
    mix_ratio_uncertainty : float
        Standard uncertainty of base : curing agent from the balance.
    solvent : str
        Name; empty without solvent.
    solvent_volume : float
        [m^3], 0 without solvent.
    wet_over_dry : float
        Thickness as spread over thickness when dry, 1 without solvent.
    film_thickness : float or None
        Dry thickness asked [m].
    solids, wet_solids : float
        Volume fraction of the fillers in the cured film and in the mix as cast.
    packing : float
        Volume fraction at which the blend of fillers jams.
    castable : bool
        Whether the mix as cast stays below nine tenths of the packing limit.
    cautions : tuple of str
        What to mind.

    """

    recipe: Recipe
    total: float
    wanted: float
    loss: float
    resolution: float
    grams: dict[str, float]
    readings: dict[str, float]
    weight_fraction_read: float
    mix_ratio_read: float
    weight_fraction_uncertainty: float
    volume_fraction_uncertainty: float
    mix_ratio_uncertainty: float
    solvent: str
    solvent_volume: float
    wet_over_dry: float
    film_thickness: float | None
    solids: float
    wet_solids: float
    packing: float
    castable: bool
    cautions: tuple[str, ...]

    @property
    def relative_uncertainty(self) -> float:
        """Standard uncertainty of the loading from the balance, over the loading.

        0 without filler. Comparable with a weighing tolerance.
        """
        w = self.recipe.weight_fraction
        return self.weight_fraction_uncertainty / w if w > 0.0 else 0.0

    @property
    def wet_thickness(self) -> float | None:
        """Thickness to spread [m], None when no dry thickness was given."""
        return (
            None if self.film_thickness is None else self.film_thickness * self.wet_over_dry
        )

    @property
    def relative_viscosity(self) -> float:
        """How many times the fillers thicken the mix; inf at or past the packing limit.

        (1 - phi/phi_m)^-2 (Maron and Pierce 1956, J. Colloid Sci. 11, 80; from memory).
        """
        free = 1.0 - self.wet_solids / self.packing
        return free**-2.0 if free > 0.0 else math.inf

    def as_dict(self) -> dict[str, Any]:
        """Numbers and words of the sheet, ready for JSON.

        Returns
        -------
        dict
            Masses in grams, the rest SI; an infinite viscosity, and the mix ratio when
            the curing agent rounds to nothing, are the string "inf".

        """
        viscosity, ratio = self.relative_viscosity, self.mix_ratio_read
        return {
            "total_g": 1e3 * self.total,
            "wanted_g": 1e3 * self.wanted,
            "loss": self.loss,
            "resolution_g": 1e3 * self.resolution,
            "grams": dict(self.grams),
            "readings_g": dict(self.readings),
            "weight_fraction": self.recipe.weight_fraction,
            "weight_fraction_read": self.weight_fraction_read,
            "weight_fraction_uncertainty": self.weight_fraction_uncertainty,
            "volume_fraction": self.solids,
            "volume_fraction_uncertainty": self.volume_fraction_uncertainty,
            "mix_ratio": self.recipe.elastomer.mix_ratio,
            "mix_ratio_read": ratio if ratio < math.inf else "inf",
            "mix_ratio_uncertainty": self.mix_ratio_uncertainty,
            "solvent": self.solvent,
            "solvent_volume_m3": self.solvent_volume,
            "wet_over_dry": self.wet_over_dry,
            "film_thickness_m": self.film_thickness,
            "wet_thickness_m": self.wet_thickness,
            "wet_solids": self.wet_solids,
            "packing_limit": self.packing,
            "relative_viscosity": viscosity if viscosity < math.inf else "inf",
            "castable": self.castable,
            "cautions": list(self.cautions),
        }

    def __repr__(self) -> str:
        parts = ", ".join(f"{name} {mass:.6g} g" for name, mass in self.readings.items())
        flag = "" if self.castable else ", too stiff to cast"
        return (
            f"WeighOut: {parts}; {100.0 * self.weight_fraction_read:.4g} +- "
            f"{100.0 * self.weight_fraction_uncertainty:.2g} wt%{flag}"
        )


def _on_balance(grams: float, step: float) -> float:
    """Mass rounded to a step of the balance [g], halves up, as one does by hand.

    In decimals: the double nearest to 17.325 lies below it and would round down. Twelve
    digits forget what binary arithmetic added.
    """
    exact, decimal_step = Decimal(f"{grams:.12g}"), Decimal(f"{step:.12g}")
    steps = (exact / decimal_step).to_integral_value(ROUND_HALF_UP)
    return float(steps * decimal_step)


def _round_up(value: float) -> float:
    """Next number of two digits."""
    unit = Decimal(1).scaleb(math.floor(math.log10(value)) - 1)
    return float(math.ceil(value / float(unit)) * unit)


def weigh_out(
    recipe: Recipe,
    *,
    mass: float | None = None,
    volume: float | None = None,
    films: int = 1,
    loss: float = 0.1,
    resolution: float = 1e-5,
    tolerance: float = 0.0,
    solvent: Material | str | None = None,
    solvent_ratio: float = 0.0,
    film_thickness: float | None = None,
) -> WeighOut:
    r"""Work out the weigh-out sheet of a batch.

    Parameters
    ----------
    recipe : Recipe
        What to make.
    mass, volume : float
        Cured mass [kg] or volume [m^3] of one film: give one of the two.
    films : int
        How many films of it.
    loss : float
        Share of the mix that does not reach the films.
    resolution : float
        Step of the balance [kg]; the default is 0.01 g.
    tolerance : float
        Standard deviation of the loading that weighing is taken to leave, relative. A
        batch too small to keep it on this balance is cautioned; 0 asks for nothing.
    solvent : Material or str, optional
        A thinner that evaporates before the cure, from the data files.
    solvent_ratio : float
        Mass of solvent for one mass of cured composite.
    film_thickness : float, optional
        Dry thickness wanted [m]; gives the wet thickness to spread.

    Returns
    -------
    WeighOut

    Raises
    ------
    ValueError
        If the batch, loss, resolution, tolerance or solvent make no sense.

    Notes
    -----
    Each component is weighed once on a tared balance, so its mass has the rectangular
    distribution of the resolution, standard uncertainty resolution / sqrt(12) (JCGM
    100:2008, F.2.2.1). With M the total mass, :math:`w = m_f/M` and n fillers, the law of
    propagation (5.1.2 there) gives :math:`u(w) = u(m)/M \sqrt{n(1-w)^2 + 2w^2}`.
    Calibration and buoyancy errors are common to all components and nearly cancel in w;
    spills and filler left on the spoon do not, and are not counted here.

    Film and mix are taken to have no pores, and the film to dry in thickness only.

    """
    if (mass is None) == (volume is None):
        raise ValueError("give the mass or the volume of a film, one of the two")
    if int(films) != films or films < 1:
        raise ValueError(f"films must be a whole number of at least 1, got {films}")
    amount = mass if mass is not None else volume
    assert amount is not None
    if not 0.0 < amount < math.inf:
        raise ValueError(f"mass or volume of a film must be positive, got {amount:g}")
    if not 0.0 <= loss < 1.0:
        raise ValueError(f"loss is a share of the mix, 0 to 1, got {loss:g}")
    if not 0.0 < resolution < math.inf:
        raise ValueError(f"balance resolution must be positive [kg], got {resolution:g}")
    if not 0.0 <= tolerance < math.inf:
        raise ValueError(f"weighing tolerance must be 0 or more, got {tolerance:g}")
    if film_thickness is not None and not 0.0 < film_thickness < math.inf:
        raise ValueError(f"film thickness must be positive [m], got {film_thickness:g}")
    if not 0.0 <= solvent_ratio < math.inf:
        raise ValueError(f"solvent ratio must be 0 or more, got {solvent_ratio:g}")
    if (solvent is None) != (solvent_ratio == 0.0):
        raise ValueError("a solvent needs a solvent ratio above 0, and the other way round")
    if isinstance(solvent, str):
        solvent = load_material(solvent)
    if solvent is not None and solvent.kind != "solvent":
        raise ValueError(f"{solvent.name} is no solvent but of the kind {solvent.kind}")

    wanted = films * (amount if mass is not None else amount * recipe.density)
    total = wanted / (1.0 - loss)
    grams = recipe.masses(total)
    step = 1e3 * resolution
    readings = {name: _on_balance(g, step) for name, g in grams.items()}
    w, u = recipe.weight_fraction, step / math.sqrt(12.0)
    n, grams_total = len(recipe.fillers), 1e3 * total
    u_w = u / grams_total * math.sqrt(n * (1.0 - w) ** 2 + 2.0 * w**2)
    # phi = V_f / V: d phi = (1 - phi) dm_f / (rho_f V) - phi dm_m / (rho_m V)
    phi, specific = recipe.volume_fraction, recipe.density / grams_total
    slopes = [(1.0 - phi) / f.density for f, _ in recipe.fillers]
    slopes += 2 * [phi / recipe.elastomer.density]
    u_phi = u * specific * math.sqrt(sum(s * s for s in slopes))
    base, agent = grams["base"], grams["curing agent"]
    u_ratio = base / agent * u * math.hypot(1.0 / base, 1.0 / agent)
    read_total = sum(readings.values())
    read_filler = read_total - readings["base"] - readings["curing agent"]
    read_agent = readings["curing agent"]

    cautions = []
    if w > 0.0 and u_w / w > tolerance > 0.0:
        least = _round_up(grams_total * u_w / w / tolerance)
        cautions.append(
            f"this batch is too small for the balance: steps of {step:g} g leave the"
            f" loading uncertain by {100.0 * u_w / w:.2g} % of itself, and the tolerance"
            f" for weighing is {100.0 * tolerance:.3g} %; mix {least:g} g or more, or use"
            " a finer balance"
        )
    for name, g in grams.items():
        if 0.0 < g < 20.0 * step:
            cautions.append(
                f"{name}: {g:.3g} g is only {g / step:.2g} steps of the balance; weigh a"
                " larger batch or use a finer balance"
            )
    wet_over_dry, solvent_volume = 1.0, 0.0
    if solvent is not None:
        grams["solvent"] = grams_total * solvent_ratio
        readings["solvent"] = _on_balance(grams["solvent"], step)
        solvent_volume = solvent_ratio * total / solvent.density
        wet_over_dry = 1.0 + solvent_ratio * recipe.density / solvent.density
        cautions += solvent.cautions
    shares = recipe.volume_fractions
    packing = _SPHERES
    if phi > 0.0:
        # volumes needed add up: no credit for small particles between large ones
        needed = zip(recipe.fillers, shares, strict=True)
        packing = phi / sum(v / packing_limit(f) for (f, _), v in needed)
    wet_solids = phi / wet_over_dry
    castable = wet_solids < _CASTABLE_SHARE * packing
    if not castable:
        cautions.append(
            f"solids take {100.0 * wet_solids:.3g} vol% of the mix as cast, and randomly"
            f" turned particles of this shape jam near {100.0 * packing:.3g} vol%: expect a"
            " crumbly paste with pores; thin it with solvent or lower the loading"
        )
    return WeighOut(
        recipe=recipe,
        total=total,
        wanted=wanted,
        loss=loss,
        resolution=resolution,
        grams=grams,
        readings=readings,
        weight_fraction_read=read_filler / read_total if read_total > 0.0 else 0.0,
        mix_ratio_read=readings["base"] / read_agent if read_agent > 0.0 else math.inf,
        weight_fraction_uncertainty=u_w,
        volume_fraction_uncertainty=u_phi,
        mix_ratio_uncertainty=u_ratio,
        solvent="" if solvent is None else solvent.name,
        solvent_volume=solvent_volume,
        wet_over_dry=wet_over_dry,
        film_thickness=film_thickness,
        solids=phi,
        wet_solids=wet_solids,
        packing=packing,
        castable=castable,
        cautions=tuple(cautions),
    )
