"""The stages of a plan: states, layers, film, reading and batch, made from its sections."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from percsim.film.electrodes import Film, Layout
from percsim.film.layers import Assembly, Layer
from percsim.film.readout import Circuit, HeatPath
from percsim.materials.recipe import Recipe
from percsim.materials.stiffness import Modulus, elastomer_modulus, filled_modulus
from percsim.materials.weighing import WeighOut, weigh_out
from percsim.plan.mixture import Mixture
from percsim.plan.sections.ask import OF_CYCLES
from percsim.plan.sections.film import SheetSection
from percsim.plan.sections.mix import ElastomerSection
from percsim.states.temperature import ROOM_TEMPERATURE, Bond, ThermalOpening

if TYPE_CHECKING:
    from percsim.decision.limits import BenchLimits
    from percsim.decision.target import Target
    from percsim.film.bench import Bench
    from percsim.film.bench_cycle import Step
    from percsim.film.protocol import Protocol
    from percsim.film.tolerances import Tolerances
    from percsim.states.strain import Mounting, State

__all__ = ["LARGEST_FACE_STRAIN", "MOST_BEYOND", "Stages", "strains_within"]

MOST_BEYOND = 4
"""Strains computed beyond either end of the window for a wrapped film, at most."""

LARGEST_FACE_STRAIN = 0.05
"""Strain of a face of a wrapped film above which none is computed beyond the window."""

TURNED_TRANSVERSE = 0.65
"""Transverse sensitivity up to which wrapped films of oriented filler are computed: about
that of flakes in the plane near their threshold."""


class Stages(Mixture):
    """The sections of a plan, and the types of the stages made from them."""

    # ------------------------------------------------------------------ strains
    @property
    def window_strains(self) -> tuple[float, ...]:
        """Strains of the window computed, rising, zero among them."""
        low, high = self.strain.window
        n = self.strain.points
        # rounded far below a microstrain, so that 0.0005 is not 0.0005000000000000001
        even = {round(low + (high - low) * i / (n - 1), 15) for i in range(n)} - {low, high}
        return tuple(sorted({0.0, low, high, self.chord_strain} | even))

    @property
    def chord_strain(self) -> float:
        """Strain up to which the gauge factor is taken, by default the far end computed."""
        if self.strain.chord is not None:
            return self.strain.chord
        low, high = self.strain.window
        return high if high > 0.0 else low

    @cached_property
    def strains(self) -> tuple[float, ...]:
        """Strains computed, rising: those of the window, and what wrapping adds to them.

        The faces of a film wrapped on its part are strained before the part is. Where they
        leave the window while the part strains over `part_strains`, up to `MOST_BEYOND`
        strains on either side reach as far, in compression until contacts are as closed as
        in the reference state; none where a face strains by more than
        `LARGEST_FACE_STRAIN`.
        """
        if self.part.radius is None:
            return self.window_strains
        return self.shared_strains or strains_within([self])

    @property
    def part_strains(self) -> tuple[float, float]:
        """Smallest and largest strain of the part at which all of a film is to be known.

        The window; where the gauge factor is taken to a strain of its own, that to zero and
        the vibration, as the window then says what is computed.
        """
        if self.strain.chord is None:
            return self.window_strains[0], self.window_strains[-1]
        mean, amplitude = self.vibration_cycle or (0.0, 0.0)
        ends = (0.0, self.strain.chord, mean - amplitude, mean + amplitude)
        return min(ends), max(ends)

    @cached_property
    def reach(self) -> tuple[float, float]:
        """Smallest and largest strain of films while their part strains as `part_strains`.

        Over all loadings and likely moduli of film and sheet. Bending counts for as much as
        it reads like at a transverse sensitivity of `TURNED_TRANSVERSE`.
        """
        if self.part.radius is None:
            return self.part_strains
        bending = 1.0
        if self.lies_turned:
            bending /= 1.0 - TURNED_TRANSVERSE * self.contraction
        part = self.part_strains
        spans = [self.assembly(w).reach(part, bending) for w in self.weight_fractions]
        return min(low for low, _ in spans), max(high for _, high in spans)

    @property
    def vibration_cycle(self) -> tuple[float, float] | None:
        """Mean strain and amplitude of the vibration; None when the plan has none."""
        if self.vibration is None:
            return None
        mean = self.vibration.mean
        middle = 0.5 * (min(self.window_strains) + max(self.window_strains))
        return (middle if mean is None else mean), self.vibration.amplitude

    @cached_property
    def protocol(self) -> Protocol:
        """What a film is pulled, held and rested through, for its zero, loops and creep."""
        return self.cycles.protocol(self.chord_strain)

    @property
    def bench_cycle(self) -> tuple[Step, ...]:
        """Steps of the protocol that tells most of a film's memory, within the plan."""
        from percsim.film.bench_cycle import bench_cycle

        away = [t - ROOM_TEMPERATURE for t in self.temperatures]
        # the nearest that 0.3 of a rubber's expansion tells from 20 C, rather warm
        some = sorted((abs(t), -t) for t in away if abs(t) >= 15.0)
        second = ROOM_TEMPERATURE - some[0][1] if some else None
        return bench_cycle(self.chord_strain, self.cycles.rate or 1e-4, second)

    # ------------------------------------------------------------------ states
    def mounting(self) -> Mounting:
        """How the film is held."""
        from percsim.states.strain import Mounting

        return Mounting(
            self.strain.mounting,  # type: ignore[arg-type]
            self.cured_elastomer.poisson_ratio,
            self.part_poisson_ratio,
        )

    @property
    def part_poisson_ratio(self) -> float:
        """Poisson ratio of the part under a bonded film."""
        given = self.part.poisson_ratio
        return self.strain.part_poisson_ratio if given is None else given

    @property
    def contraction(self) -> float:
        """Strain across the current over that along it, sign turned, as mounted."""
        ratios = {
            "free": self.cured_elastomer.poisson_ratio,
            "bonded": self.part_poisson_ratio,
            "biaxial": -1.0,
        }
        return ratios[self.strain.mounting]

    @property
    def reads_across(self) -> bool:
        """Whether what strain across does is to be known: laid askew, wrapped, or held."""
        asks = (self.part.misalignment, self.part.radius, self.bond)
        return any(value is not None for value in asks)

    def thermal(self, weight_fraction: float) -> ThermalOpening:
        """Say what thermal expansion does to the contacts at a loading."""
        return ThermalOpening(
            self.recipe(weight_fraction).thermal_expansion,
            self.closed_at.value,
            self.contacts.lambda_T.value,
            self.bond,
        )

    @property
    def bond(self) -> Bond | None:
        """What holds the film as it warms; None if free, or never warmed after bonding."""
        part, at = self.temperature.part_thermal_expansion, self.strain.bonded_at
        if self.strain.mounting == "free" or part is None or {*self.temperatures} == {at}:
            return None
        return Bond(part, at, self.cured_elastomer.poisson_ratio)

    def states(self, weight_fraction: float) -> tuple[State, ...]:
        """States of a film at a loading, strains fastest, over all temperatures.

        Parameters
        ----------
        weight_fraction : float
            Sets the thermal expansion of the composite.

        Returns
        -------
        tuple of State
            In the order of `temperatures`, each with all `strains`.

        """
        from percsim.states.strain import State

        mounting, thermal = self.mounting(), self.thermal(weight_fraction)
        return tuple(
            State.at(strain, temperature, mounting, thermal)
            for temperature in self.temperatures
            for strain in self.strains
        )

    def probes(self, weight_fraction: float) -> tuple[State, ...]:
        """States solved besides for the transverse sensitivity; none unless asked for.

        Parameters
        ----------
        weight_fraction : float
            Sets the thermal expansion of the composite.

        Returns
        -------
        tuple of State
            At 20 C: the strain of the chord along the current with none across it, the same
            strain across with none along, and its opposite across.

        """
        from percsim.states.strain import State

        if not self.reads_across:
            return ()
        thermal = self.thermal(weight_fraction)
        strain = self.chord_strain
        return (
            State.in_plane(strain, 0.0, ROOM_TEMPERATURE, thermal),
            State.in_plane(0.0, strain, ROOM_TEMPERATURE, thermal),
            State.in_plane(0.0, -strain, ROOM_TEMPERATURE, thermal),
        )

    @property
    def coldest_swelling(self) -> float:
        """Thermal strain at contacts, coldest, of the fullest film, which expands least."""
        return self._coldest_swelling(self.closed_at.value)

    def _coldest_swelling(self, closed_at: float) -> float:
        thermal = replace(self.thermal(max(self.weight_fractions)), closed_at=closed_at)
        return float(thermal.strains(min(self.temperatures))[0])

    def closed_for(self, strain: float) -> int | None:
        """Warmest whole degree C of `closed_at` that leaves room for a compression.

        None where no temperature is cold enough.
        """
        closed = self.closed_at.value
        here = self._coldest_swelling(closed)
        rate = here - self._coldest_swelling(closed + 1.0)
        if rate <= 0.0:
            return None
        needed = closed - (1.0 / (1.0 + strain) - 1.0 - here) / rate
        return math.floor(needed - 273.15) if needed > 0.0 else None

    @property
    def most_closed(self) -> float:
        """Strain below which contacts are more closed than in the reference state."""
        if self.contacts.model != "opening":
            return -1.0
        return 1.0 / (1.0 + self.coldest_swelling) - 1.0

    # ------------------------------------------------------------------ layers
    @property
    def has_sheet(self) -> bool:
        """Whether the film is bonded to a sheet."""
        return self.sheet.thickness is not None

    @property
    def has_part(self) -> bool:
        """Whether the plan says what the patch sits on."""
        said = {"radius", "rigid", "modulus", "thickness", "misalignment"}
        return not said.isdisjoint(self.part.given())

    def elastomer_modulus(self, mix_ratio: float | None = None) -> Modulus:
        """Young's modulus of the unfilled elastomer, that of the film or at a mix ratio."""
        section = self.elastomer
        own = self.cured_elastomer.mix_ratio
        return _modulus(section, mix_ratio, own, section.material)

    def film_modulus(self, weight_fraction: float) -> Modulus:
        """Young's modulus of the filled film at a loading."""
        stated = self.film.modulus
        if stated is not None:
            return Modulus.stated(stated.value, stated.basis, stated.source)
        return filled_modulus(self.elastomer_modulus(), self.recipe(weight_fraction))

    def sheet_modulus(self, mix_ratio: float | None = None) -> Modulus:
        """Young's modulus of the sheet, or what it would be at another mix ratio."""
        section = self.sheet
        own = section.mix_ratio or self.cured_elastomer.mix_ratio
        material = section.material or self.elastomer.material
        return _modulus(section, mix_ratio, own, material)

    def assembly(self, weight_fraction: float, thickness: float | None = None) -> Assembly:
        """Layers of the plan at a loading, with the film's own thickness or another [m]."""
        sheet, part = self.sheet, self.part
        poisson = self.cured_elastomer.poisson_ratio
        solid = None
        if part.modulus is not None and part.thickness is not None:
            solid = Layer(
                part.thickness, part.modulus.value, self.part_poisson_ratio, name="part"
            )
        return Assembly(
            self.film_modulus(weight_fraction),
            self.film.thickness if thickness is None else thickness,
            self.film.length,
            poisson,
            self.sheet_modulus() if self.has_sheet else None,
            sheet.thickness or 0.0,
            poisson if sheet.poisson_ratio is None else sheet.poisson_ratio,
            solid,
            part.radius,
            inside=part.side == "inner",
            bent_with_part=part.bent == "after bonding",
            force=part.control == "force",
        )

    # ------------------------------------------------------------------ film and bench
    def film_at(self, electrode_gap: float) -> Film:
        """Film between its electrodes at a gap [m]."""
        return Film(
            self.film.thickness, self.film.width, electrode_gap, self.film.cast == "drop",
            self.layout,
        )  # fmt: skip

    @cached_property
    def layout(self) -> Layout:
        """How the electrodes lie on the film."""
        return self.film.electrode_layout()

    @property
    def tolerances(self) -> Tolerances:
        """What the bench does, one standard deviation each."""
        from percsim.film.tolerances import Tolerances

        section = self.tolerances_section
        usual = 0.20 if self.film.cast == "drop" else 0.08
        thickness = usual if section.thickness is None else section.thickness
        return section.build(Tolerances, thickness=thickness)

    @property
    def castings(self) -> int:
        """Castings drawn for each candidate."""
        return self.tolerances_section.castings

    def bench(self, aspect_ratio_slope: float, tilt_slope: float) -> Bench:
        """Bench of the plan, for films whose threshold has these slopes."""
        from percsim.film.bench import Bench

        t = self.tolerances_section
        levels = {
            "aspect_ratio": t.aspect_ratio_within, "particle_size": t.particle_size_within,
        }  # fmt: skip
        return Bench(
            self.tolerances, aspect_ratio_slope, tilt_slope, levels, t.known_within
        )

    @property
    def batch_mass(self) -> float | None:
        """Mass of the cured batch [kg], 20 g if the plan says nothing; None if by films."""
        if self.batch.films is not None:
            return None
        return 0.02 if self.batch.mass is None else self.batch.mass

    def weigh_out(
        self,
        recipe: Recipe,
        film: Film | None = None,
        *,
        films: int | None = None,
        mass: float | None = None,
    ) -> WeighOut:
        """Weigh-out sheet of a batch.

        Parameters
        ----------
        recipe : Recipe
            What to mix.
        film : Film, optional
            Its thickness and width stand in for those of the plan.
        films : int, optional
            Films to cast.
        mass : float, optional
            Mass of the cured batch [kg], losses included, instead of a number of films.
            Default: as the plan says.

        Returns
        -------
        WeighOut

        """
        batch = self.batch
        film = self.film_at(self.electrode_gaps[0]) if film is None else film
        if mass is None and films is None:
            films = batch.films
            mass = self.batch_mass if films is None else None
        return weigh_out(
            recipe,
            mass=None if mass is None else mass * (1.0 - batch.loss),
            volume=self.film.length * film.width * film.thickness if mass is None else None,
            films=films or 1,
            loss=batch.loss,
            resolution=batch.balance_resolution,
            tolerance=self.tolerances_section.weighing,
            solvent=batch.solvent,
            solvent_ratio=batch.solvent_ratio(film.thickness, recipe.density),
            film_thickness=film.thickness,
        )

    def bench_limits(self) -> BenchLimits:
        """Limits of what the bench of this plan can make, which bound the advice."""
        from percsim.decision.limits import BenchLimits

        def solids(weight_fraction: float) -> float:
            sheet = self.weigh_out(self.recipe(weight_fraction))
            return sheet.wet_solids / sheet.packing

        longest = self.layout.longest_gap(self.film.length)
        return BenchLimits(longest, self.largest_particle, solids)

    # ------------------------------------------------------------------ reading and target
    @property
    def supply_voltage(self) -> float:
        """Supply voltage [V]: of [supply], else of [target], else 3.3 V."""
        own = None if self.supply is None else self.supply.voltage
        given = [value for value in (own, self.target.supply) if value is not None]
        return given[0] if given else 3.3

    @property
    def series_resistor(self) -> float:
        """Resistor in series with the film [ohm]: of [supply], else of [target], else 0."""
        own = None if self.supply is None else self.supply.series_resistor
        if own is not None:
            return own
        return self.target.series_resistor or 0.0

    def circuit(self) -> Circuit:
        """Circuit that reads the film."""
        kind: Any = "series" if self.supply is None else self.supply.circuit
        return Circuit(self.supply_voltage, self.series_resistor, kind)

    def heat_path(self) -> HeatPath | None:
        """Way of the film's own heat to its part and to the air; None without [supply]."""
        if self.supply is None:
            return None
        return self.supply.build(
            HeatPath,
            thickness=self.film.thickness,
            sheet_thickness=self.sheet.thickness or 0.0,
        )

    def decision_target(self) -> Target:
        """Target as the decision takes it."""
        from percsim.decision.target import Target

        low, high = self.target.resistance or (None, None)
        asked = set(self.target.given()) & set(OF_CYCLES)
        return self.target.build(
            Target,
            protocol=self.protocol if asked else None,
            resistance_min=low or None,
            resistance_max=high,
            supply_voltage=self.supply_voltage,
            series_resistance=self.series_resistor or None,
            circuit=self.circuit(),
            heat_path=self.heat_path(),
        )


def strains_within(mixes: Sequence[Stages]) -> tuple[float, ...]:
    """Strains of mixes that share their boxes, see `Stages.strains`."""
    window = mixes[0].window_strains
    spans = [m.reach for m in mixes if max(-m.reach[0], m.reach[1]) <= LARGEST_FACE_STRAIN]
    if not spans:
        return window
    # outwards to 100 microstrain, but for the closed end
    low = math.floor(1e4 * min(span[0] for span in spans)) / 1e4
    high = math.ceil(1e4 * max(span[1] for span in spans)) / 1e4
    low = max(low, *(math.ceil(1e6 * mix.most_closed) / 1e6 for mix in mixes))
    step = (window[-1] - window[0]) / (len(window) - 1)
    return (
        *sorted(_beyond(window[0], min(low, window[0]), step)),
        *window,
        *_beyond(window[-1], max(high, window[-1]), step),
    )


def _beyond(end: float, reached: float, step: float) -> tuple[float, ...]:
    """Strains from one end of the window, which is left out, evenly to what is reached."""
    n = min(math.ceil(abs(reached - end) / step - 1e-9), MOST_BEYOND)
    return tuple(round(end + (reached - end) * k / n, 15) for k in range(1, n + 1))


def _modulus(
    section: ElastomerSection | SheetSection,
    mix_ratio: float | None,
    own_ratio: float,
    material: str | None,
) -> Modulus:
    """Modulus as the section states it, else from mix ratio and cure.

    At another mix ratio than its own what it states does not count.
    """
    stated = section.modulus if mix_ratio is None else None
    if stated is not None:
        return Modulus.stated(stated.value, stated.basis, stated.source)
    ratio = own_ratio if mix_ratio is None else mix_ratio
    return elastomer_modulus(ratio, section.cure_temperature, material)
