"""Stage 1. What to weigh out for a batch, and how well the balance fixes the recipe."""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from percsim.materials.elastomer import Material, load_material
from percsim.materials.filler import Filler
from percsim.materials.recipe import Recipe

__all__ = ["WeighOut", "excluded_volume", "packing_limit", "weigh_out"]

_CONTACTS = 10.8
_SPHERES = 0.64
_CASTABLE_SHARE = 0.9


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
    Langmuir 12, 1127; from memory). For flakes the same number of neighbours is an
    assumption; thin ones then jam at 6.9 over the aspect ratio. Compact bodies: random
    close packing of spheres, 0.64 (Scott 1960, Nature 188, 908; from memory). That a mix
    casts up to nine tenths of the limit, where the fillers thicken it
    a hundredfold, is common practice, no source.

    """
    if filler.kind == "sphere":
        return _SPHERES
    volume, excluded = excluded_volume(filler)
    return min(_SPHERES, _CONTACTS * volume / excluded)


def excluded_volume(filler: Filler) -> tuple[float, float]:
    r"""Own and excluded volume of a particle, over its thickness cubed.

    Parameters
    ----------
    filler : Filler
        Only its kind and median aspect ratio count.

    Returns
    -------
    tuple of float

    Notes
    -----
    The excluded volume of randomly turned convex bodies is :math:`V_{ex} = 2V + S
    M/(2\pi)` with surface S and integrated mean curvature M (Isihara 1950, J. Chem. Phys.
    18, 1446; from memory).

    """
    aspect = filler.median_aspect_ratio
    pi = math.pi
    b = 0.5  # half thickness, in thicknesses
    if filler.kind == "sphere":
        return pi / 6.0, 8.0 * pi / 6.0
    if filler.kind == "flake":
        r = 0.5 * (aspect - 1.0)
        volume = 2.0 * pi * r**2 * b + pi**2 * r * b**2 + 4.0 / 3.0 * pi * b**3
        surface = 2.0 * pi * r**2 + 2.0 * pi**2 * r * b + 4.0 * pi * b**2
        curvature = pi**2 * r + 4.0 * pi * b
    else:
        volume = pi * aspect * b**2 + 4.0 / 3.0 * pi * b**3
        surface = 2.0 * pi * aspect * b + 4.0 * pi * b**2
        curvature = pi * aspect + 4.0 * pi * b
    return volume, 2.0 * volume + surface * curvature / (2.0 * pi)


@dataclass(frozen=True, slots=True, repr=False)
class WeighOut:
    r"""What to weigh for a batch, and how well the balance fixes the recipe.

    Make one with `weigh_out`.

    Parameters
    ----------
    recipe : Recipe
        What is made.
    wanted : float
        Cured mass that must end in the films [kg].
    loss : float
        Share of the mix that stays in the cup and on the tools.
    resolution : float
        Step of the balance [kg].
    tolerance : float
        Relative deviation of the loading that weighing is taken to leave, 0 for none said.
    thinner : Material, optional
        Solvent that evaporates before the cure.
    solvent_ratio : float
        Mass of solvent for one mass of cured composite.
    film_thickness : float, optional
        Dry thickness asked [m].

    Raises
    ------
    ValueError
        If loss, resolution, tolerance, thickness or solvent make no sense.

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

    recipe: Recipe
    wanted: float
    loss: float
    resolution: float
    tolerance: float = 0.0
    thinner: Material | None = None
    solvent_ratio: float = 0.0
    film_thickness: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.loss < 1.0:
            raise ValueError(f"loss is a share of the mix, 0 to 1, got {self.loss:g}")
        if not 0.0 < self.resolution < math.inf:
            raise ValueError(
                f"balance resolution must be positive [kg], got {self.resolution:g}"
            )
        if not 0.0 <= self.tolerance < math.inf:
            raise ValueError(
                f"weighing tolerance must be 0 or more, got {self.tolerance:g}"
            )
        thickness = self.film_thickness
        if thickness is not None and not 0.0 < thickness < math.inf:
            raise ValueError(f"film thickness must be positive [m], got {thickness:g}")
        if not 0.0 <= self.solvent_ratio < math.inf:
            raise ValueError(f"solvent ratio must be 0 or more, got {self.solvent_ratio:g}")
        if (self.thinner is None) != (self.solvent_ratio == 0.0):
            raise ValueError(
                "a solvent needs a solvent ratio above 0, and the other way round"
            )
        if self.thinner is not None and self.thinner.kind != "solvent":
            raise ValueError(
                f"{self.thinner.name} is no solvent but of the kind {self.thinner.kind}"
            )

    # ------------------------------------------------------------------ what to weigh
    @property
    def total(self) -> float:
        """Cured mass mixed, losses included [kg]."""
        return self.wanted / (1.0 - self.loss)

    @property
    def grams(self) -> dict[str, float]:
        """Exact masses of fillers, "base", "curing agent" and "solvent", if any [g]."""
        grams = self.recipe.masses(self.total)
        if self.thinner is not None:
            grams["solvent"] = 1e3 * self.total * self.solvent_ratio
        return grams

    @property
    def readings(self) -> dict[str, float]:
        """The same rounded to the balance [g]."""
        step = 1e3 * self.resolution
        return {name: _on_balance(mass, step) for name, mass in self.grams.items()}

    @property
    def weight_fraction_read(self) -> float:
        """Total weight fraction that the rounded masses make."""
        readings = self.readings
        readings.pop("solvent", None)
        total = sum(readings.values())
        filler = total - readings["base"] - readings["curing agent"]
        return filler / total if total > 0.0 else 0.0

    @property
    def mix_ratio_read(self) -> float:
        """Base : curing agent that the rounded masses make."""
        readings = self.readings
        agent = readings["curing agent"]
        return readings["base"] / agent if agent > 0.0 else math.inf

    # ------------------------------------------------------------------ how well
    @property
    def _uncertainty(self) -> float:
        """Standard uncertainty of one reading [g]."""
        return 1e3 * self.resolution / math.sqrt(12.0)

    @property
    def weight_fraction_uncertainty(self) -> float:
        """Standard uncertainty of the total weight fraction from the balance."""
        w, n = self.recipe.weight_fraction, len(self.recipe.fillers)
        share = self._uncertainty / (1e3 * self.total)
        return share * math.sqrt(n * (1.0 - w) ** 2 + 2.0 * w**2)

    @property
    def volume_fraction_uncertainty(self) -> float:
        """Standard uncertainty of the total volume fraction from the balance."""
        # phi = V_f / V: d phi = (1 - phi) dm_f / (rho_f V) - phi dm_m / (rho_m V)
        recipe, phi = self.recipe, self.solids
        slopes = [(1.0 - phi) / f.density for f, _ in recipe.fillers]
        slopes += 2 * [phi / recipe.elastomer.density]
        specific = recipe.density / (1e3 * self.total)
        return self._uncertainty * specific * math.sqrt(sum(s * s for s in slopes))

    @property
    def mix_ratio_uncertainty(self) -> float:
        """Standard uncertainty of base : curing agent from the balance."""
        grams = self.grams
        base, agent = grams["base"], grams["curing agent"]
        return base / agent * self._uncertainty * math.hypot(1.0 / base, 1.0 / agent)

    @property
    def relative_uncertainty(self) -> float:
        """Standard uncertainty of the loading from the balance, over the loading.

        0 without filler. Comparable with a weighing tolerance.
        """
        w = self.recipe.weight_fraction
        return self.weight_fraction_uncertainty / w if w > 0.0 else 0.0

    # ------------------------------------------------------------------ how it casts
    @property
    def solvent(self) -> str:
        """Name; empty without solvent."""
        return "" if self.thinner is None else self.thinner.name

    @property
    def solvent_volume(self) -> float:
        """Volume to add [m^3], 0 without solvent."""
        if self.thinner is None:
            return 0.0
        return self.solvent_ratio * self.total / self.thinner.density

    @property
    def wet_over_dry(self) -> float:
        """Thickness as spread over thickness when dry, 1 without solvent."""
        if self.thinner is None:
            return 1.0
        return 1.0 + self.solvent_ratio * self.recipe.density / self.thinner.density

    @property
    def wet_thickness(self) -> float | None:
        """Thickness to spread [m], None when no dry thickness was given."""
        return (
            None if self.film_thickness is None else self.film_thickness * self.wet_over_dry
        )

    @property
    def solids(self) -> float:
        """Volume fraction of the fillers in the cured film."""
        return self.recipe.volume_fraction

    @property
    def wet_solids(self) -> float:
        """Volume fraction of the fillers in the mix as cast."""
        return self.solids / self.wet_over_dry

    @property
    def packing(self) -> float:
        """Volume fraction at which the blend of fillers jams."""
        if not self.solids > 0.0:
            return _SPHERES
        # volumes needed add up: no credit for small particles between large ones
        needed = zip(self.recipe.fillers, self.recipe.volume_fractions, strict=True)
        return self.solids / sum(v / packing_limit(f) for (f, _), v in needed)

    @property
    def castable(self) -> bool:
        """Whether the mix as cast stays below nine tenths of the packing limit."""
        return self.wet_solids < _CASTABLE_SHARE * self.packing

    @property
    def relative_viscosity(self) -> float:
        """How many times the fillers thicken the mix; inf at or past the packing limit.

        (1 - phi/phi_m)^-2 (Maron and Pierce 1956, J. Colloid Sci. 11, 80; from memory).
        """
        free = 1.0 - self.wet_solids / self.packing
        return free**-2.0 if free > 0.0 else math.inf

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind."""
        step, found = 1e3 * self.resolution, []
        w, unsure = self.recipe.weight_fraction, self.relative_uncertainty
        if unsure > self.tolerance > 0.0:
            enough = (
                1e3 * self.total * self.weight_fraction_uncertainty / w / self.tolerance
            )
            least = _round_up(enough)
            found.append(
                f"this batch is too small for the balance: steps of {step:g} g leave the"
                f" loading uncertain by {100.0 * unsure:.2g} % of itself, and the tolerance"
                f" for weighing is {100.0 * self.tolerance:.3g} %; mix {least:g} g or more,"
                " or use a finer balance"
            )
        found += [
            f"{name}: {g:.3g} g is only {g / step:.2g} steps of the balance; weigh a"
            " larger batch or use a finer balance"
            for name, g in self.recipe.masses(self.total).items()
            if 0.0 < g < 20.0 * step
        ]
        if self.thinner is not None:
            found += (caution.text for caution in self.thinner.cautions)
        if not self.castable:
            found.append(
                f"solids take {100.0 * self.wet_solids:.3g} vol% of the mix as cast, and"
                f" randomly turned particles of this shape jam near"
                f" {100.0 * self.packing:.3g} vol%: expect a crumbly paste with pores; thin"
                " it with solvent or lower the loading"
            )
        return tuple(found)

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
    """Work out the weigh-out sheet of a batch.

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

    """
    if (mass is None) == (volume is None):
        raise ValueError("give the mass or the volume of a film, one of the two")
    if int(films) != films or films < 1:
        raise ValueError(f"films must be a whole number of at least 1, got {films}")
    amount = mass if mass is not None else volume
    assert amount is not None
    if not 0.0 < amount < math.inf:
        raise ValueError(f"mass or volume of a film must be positive, got {amount:g}")
    if isinstance(solvent, str):
        solvent = load_material(solvent)
    wanted = films * (amount if mass is not None else amount * recipe.density)
    return WeighOut(
        recipe, wanted, loss, resolution, tolerance, solvent, solvent_ratio, film_thickness
    )
