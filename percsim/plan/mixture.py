"""The sections of a plan, and what is mixed: recipe, contacts, boxes of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler
from percsim.materials.powder import Powder
from percsim.materials.recipe import Recipe
from percsim.particles.placement import Clusters
from percsim.plan import sections
from percsim.plan.tables import Stated
from percsim.states.temperature import ROOM_TEMPERATURE

if TYPE_CHECKING:
    from percsim.decision.priors import ContactParameters, TunnellingParameters
    from percsim.network.laws import ContactOpeningLaw, TunnellingLaw

__all__ = ["DENSEST", "THIN_FILM", "Mixture"]

HARD_CUTOFF = 0.02
"""Gap of hard particles that counts as a contact, over their thickness.

Common practice, no source.
"""

THIN_FILM = 1.5
"""Films up to this many times the longest box are simulated at full thickness."""

DENSEST = math.pi / math.sqrt(18.0)
"""Share of space that equal spheres fill at their densest (Kepler; Hales 2005)."""


@dataclass(frozen=True, repr=False)
class Mixture:
    """The sections of a plan, and what is mixed.

    Parameters
    ----------
    title : str
        Heading of the report.
    seed : int
        Seed of every draw.
    filler : tuple of FillerSection
        One entry a powder.
    elastomer, film, placement, contacts, strain, temperature, explore, boxes, target,
    cycles, batch, sheet, part
        The sections, values in SI.
    tolerances_section : TolerancesSection
        The bench tolerances as written; `tolerances` has the defaults filled in.
    supply, vibration, patches : optional sections
        None when the plan does not have them.
    measured : tuple of MeasuredSection
        Films that were cast and read, in the order written.
    name : str
        Name of the file, for messages.
    text : str
        The plan as it was written.
    path : str
        Path it was loaded from, as it was given; empty if it was not loaded.
    mix : tuple of (str, float)
        For one of the `mixes` of a plan: the axes of [explore] that it lists, and their
        values here in SI; empty for a plan as written.
    shared_strains : tuple of float, optional
        For one of the `mixes` of a wrapped film: the `strains` of them all, as they share
        boxes.

    """

    title: str
    seed: int
    filler: tuple[sections.FillerSection, ...]
    elastomer: sections.ElastomerSection
    film: sections.FilmSection
    placement: sections.PlacementSection
    contacts: sections.ContactsSection
    strain: sections.StrainSection
    temperature: sections.TemperatureSection
    explore: sections.ExploreSection
    boxes: sections.BoxesSection
    tolerances_section: sections.TolerancesSection
    target: sections.TargetSection
    supply: sections.SupplySection | None
    vibration: sections.VibrationSection | None
    cycles: sections.CyclesSection
    patches: sections.PatchesSection | None
    batch: sections.BatchSection
    sheet: sections.SheetSection
    part: sections.PartSection
    measured: tuple[sections.MeasuredSection, ...] = ()
    name: str = "plan"
    text: str = ""
    path: str = ""
    mix: tuple[tuple[str, float], ...] = ()
    shared_strains: tuple[float, ...] | None = None

    # ------------------------------------------------------------------ recipe
    @cached_property
    def fillers(self) -> tuple[Filler, ...]:
        """Fillers of the plan, what it leaves out taken from the data files."""
        return tuple(section.filler() for section in self.filler)

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """Share of each filler in the mass of all fillers."""
        if len(self.filler) == 1:
            return (1.0,)
        return tuple(section.share or 0.0 for section in self.filler)

    @cached_property
    def cured_elastomer(self) -> Elastomer:
        """Elastomer of the plan."""
        return self.elastomer.elastomer()

    @property
    def powder(self) -> Powder:
        """What is known of the fillers before any film is cast."""
        return Powder.of([section.known() for section in self.filler])

    @cached_property
    def weight_fractions(self) -> tuple[float, ...]:
        """Loadings to explore, mass of filler over mass of the cured film, rising."""
        explore = self.explore
        if explore.weight_fraction is not None:
            return explore.weight_fraction
        per_rubber = explore.mass_ratio or tuple(p / 100.0 for p in explore.phr or ())
        # mass of base and curing agent for one of "rubber"
        rubber = (
            1.0 if explore.curing_agent_counts else 1.0 / self.cured_elastomer.base_share
        )
        return tuple(r / (r + rubber) for r in per_rubber)

    @property
    def electrode_gaps(self) -> tuple[float, ...]:
        """Electrode gaps to explore [m], rising."""
        return self.explore.electrode_gap

    def recipe(self, weight_fraction: float) -> Recipe:
        """Recipe at a loading.

        Parameters
        ----------
        weight_fraction : float
            Mass of all fillers over mass of the cured film.

        Returns
        -------
        Recipe

        """
        shares = [share * weight_fraction for share in self.shares]
        pairs = tuple(zip(self.fillers, shares, strict=True))
        return Recipe(pairs, self.cured_elastomer)

    def loading_fault(self, weight_fraction: float, written: str) -> str | None:
        """Why no film of the plan's powders can have a loading.

        Parameters
        ----------
        weight_fraction : float
            Mass of all fillers over mass of the cured film.
        written : str
            The loading as it was written, for the message.

        Returns
        -------
        str or None
            One line to follow the name of the key; None if the loading is possible.

        """
        recipe = self.recipe(weight_fraction)
        if recipe.volume_fraction <= DENSEST:
            return None
        limit = 100.0 * recipe.at_volume_fraction(DENSEST).weight_fraction
        return (
            f"= '{written}' is impossible at these densities: it would be"
            f" {100 * recipe.volume_fraction:.3g} vol% of particles, and equal spheres"
            f" fill {100 * DENSEST:.3g} vol% at their densest; stay below"
            f" {math.floor(10 * limit) / 10:g} wt%"
        )

    # ------------------------------------------------------------------ boxes
    @property
    def median_diameter(self) -> float:
        """Number-median diameter (length for rods) of the largest filler [m]."""
        return max(f.median_diameter for f in self.fillers)

    @property
    def largest_particle(self) -> float:
        """Largest extent any particle of the plan may have [m]."""
        return max(f.largest for f in self.fillers)

    @property
    def lies_turned(self) -> bool:
        """Whether some particles lie otherwise than in every direction alike."""
        return any(
            f.kind != "sphere" and f.orientation.mode != "isotropic" for f in self.fillers
        )

    @property
    def box_lengths(self) -> tuple[float, ...]:
        """Edges of the simulated cubes [m], rising."""
        d = self.median_diameter
        return tuple(
            sorted(b.value * (d if b.in_diameters else 1.0) for b in self.boxes.lengths)
        )

    @property
    def is_thin(self) -> bool:
        """Whether boxes take the film's whole thickness, as its faces lower conduction.

        Free faces act like a dead skin of 1.4 diameters in all at twice the threshold and
        2.6 at 1.6 times (measured on the example): 7 and 14 % of a film of 20 diameters.
        """
        return self.film.thickness <= THIN_FILM * max(self.box_lengths)

    @property
    def clusters(self) -> Clusters | None:
        """Agglomerates of the plan, if there are any."""
        return self.placement.clusters()

    # ------------------------------------------------------------------ contacts
    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperatures computed [K], rising, 20 C among them."""
        return tuple(sorted({*self.temperature.values, ROOM_TEMPERATURE}))

    @property
    def closed_at(self) -> Stated:
        """Temperature of the reference state [K], by default 20 K below the coldest."""
        coldest = Stated(round(min(self.temperatures) - 20.0, 9))
        return self.contacts.closed_at or coldest

    @property
    def opening_length(self) -> float:
        """Length that openings of contacts are counted in [m]."""
        return self.contacts.opening_length or self.median_diameter

    @property
    def cutoff(self) -> float:
        """Longest gap that counts as a contact [m]."""
        if self.contacts.cutoff is not None:
            return self.contacts.cutoff
        if self.contacts.model == "affine":
            return 2e-9
        if self.placement.impenetrable > 0.0:
            return HARD_CUTOFF * min(
                f.median_diameter / f.median_aspect_ratio for f in self.fillers
            )
        return 0.0

    @property
    def g0(self) -> Stated:
        """Conductance of a closed contact [S], by default the material's, else 80 uS."""
        if self.contacts.g0 is not None:
            return self.contacts.g0
        known = self.powder.g0
        return Stated(8e-5 if known is None else known.value)

    @property
    def electrode_conductance(self) -> Stated:
        """Conductance between an electrode and a particle that reaches it [S]."""
        if self.contacts.electrode_conductance is not None:
            return self.contacts.electrode_conductance
        if self.contacts.model == "affine":
            return Stated(8e-5)
        return Stated(self.g0.value, "assumed", "as a contact between particles")

    def law(self, seed: int = 0) -> ContactOpeningLaw | TunnellingLaw:
        """Conduction law of the plan.

        Parameters
        ----------
        seed : int
            Seed of the breaking draws of the contacts of a box.

        Returns
        -------
        ContactOpeningLaw or TunnellingLaw

        """
        from percsim.network.laws import ContactOpeningLaw, TunnellingLaw

        c, electrode = self.contacts, self.electrode_conductance.value
        if c.model == "affine":
            return TunnellingLaw(c.barrier_height.value, c.contact_area.value, electrode)
        return ContactOpeningLaw(
            self.g0.value, c.beta.value, c.delta_b.value, c.Ea.value, electrode,
            self.opening_length, seed,
        )  # fmt: skip

    def contact_parameters(self) -> ContactParameters | TunnellingParameters:
        """Parameters of the contacts and which of them were measured, for the priors."""
        from percsim.decision.priors import ContactParameters, TunnellingParameters
        from percsim.network.laws import TunnellingLaw

        c, law = self.contacts, self.law()
        stated = {"barrier_height": c.barrier_height, "contact_area": c.contact_area}
        remembered = {
            k: getattr(c, k) for k in ("reclose", "healed", "recovery", "relaxed")
        }
        if not isinstance(law, TunnellingLaw):
            stated = {
                "g0": self.g0, "beta": c.beta, "delta_b": c.delta_b,
                "closed_at": self.closed_at, "lambda_T": c.lambda_T, "Ea": c.Ea,
            }  # fmt: skip
            stated |= {k: s for k, s in remembered.items() if s is not None}
        measured = {name for name, s in stated.items() if s.basis == "measured"}
        shapes = [s.aspect_ratio or s.thickness for s in self.filler]
        if all(s is not None and s.basis == "measured" for s in shapes):
            measured.add("aspect_ratio")
        if isinstance(law, TunnellingLaw):
            return TunnellingParameters(
                law.barrier_height, law.area, law.shortest_gap, self.cutoff,
                frozenset(measured), self.powder,
            )  # fmt: skip
        factors = {k: s.factor for k, s in stated.items() if s.factor is not None}
        widths = [s.aspect_ratio.factor for s in self.filler if s.aspect_ratio is not None]
        known = [factor for factor in widths if factor is not None]
        if known and len(known) == len(self.filler):
            factors["aspect_ratio"] = max(known)
        ranges = {
            k: (s.low, s.high)
            for k, s in stated.items()
            if s.low is not None and s.high is not None
        }
        memory = {
            name: None if key is None else key.value for name, key in remembered.items()
        }
        return ContactParameters(
            self.g0.value, c.beta.value, c.delta_b.value, self.closed_at.value,
            c.lambda_T.value, c.Ea.value, measured=frozenset(measured), factors=factors,
            ranges=ranges, powder=self.powder, **memory,
        )  # fmt: skip
