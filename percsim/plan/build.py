"""The whole plan, and the types of the stages made from its sections."""

from __future__ import annotations

import hashlib
import json
import math
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

from percsim.errors import PlanError
from percsim.files import read_text
from percsim.plan.check import DENSEST, OF_OPENING, check_mixes, cross_check
from percsim.plan.check_rows import check_row, check_together
from percsim.plan.materials import make_elastomer, make_filler, modulus_of, powder_material
from percsim.plan.powder import PLAN_FOLDER, AspectRatio, Sizes
from percsim.plan.read import Reading, read_rows, section_help, toml_reason, unknown_key
from percsim.plan.readers import Stated, did_you_mean
from percsim.plan.sections import (
    ESSENTIAL,
    OPTIONAL,
    ROWS,
    SECTIONS,
    BatchSection,
    BoxesSection,
    ContactsSection,
    ElastomerSection,
    ExploreSection,
    FillerSection,
    FilmSection,
    HeadSection,
    MeasuredSection,
    PartSection,
    PlacementSection,
    SheetSection,
    StrainSection,
    SupplySection,
    TargetSection,
    TemperatureSection,
    TolerancesSection,
    VibrationSection,
)
from percsim.plan.write import to_toml, without_widths, written
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity, show_value

if TYPE_CHECKING:
    from percsim.decision.choose import BenchLimits, Target
    from percsim.decision.priors import ContactParameters, TunnellingParameters
    from percsim.film.casting import Tolerances
    from percsim.film.electrodes import Film, Layout
    from percsim.film.layers import Assembly
    from percsim.film.readout import Circuit, HeatPath
    from percsim.materials.elastomer import Elastomer
    from percsim.materials.filler import Filler
    from percsim.materials.powder import Powder
    from percsim.materials.recipe import Recipe
    from percsim.materials.stiffness import Modulus
    from percsim.materials.weighing import WeighOut
    from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
    from percsim.particles.placement import Clusters
    from percsim.states.strain import Mounting, State
    from percsim.states.temperature import Bond, ThermalOpening

__all__ = ["LARGEST_FACE_STRAIN", "MOST_BEYOND", "Plan"]

MOST_BEYOND = 4
"""Strains computed beyond either end of the window for a wrapped film, at most."""
LARGEST_FACE_STRAIN = 0.05
"""Strain of a face of a wrapped film above which none is computed beyond the window."""

TURNED_TRANSVERSE = 0.65
"""Transverse sensitivity up to which wrapped films of oriented filler are computed: about
that of flakes in the plane near their threshold."""

HARD_CUTOFF = 0.02
"""Gap of hard particles that counts as a contact, over their thickness.

Common practice, no source.
"""

LARGE_CUT = 0.05
"""Share of a powder's volume in particles too large for the clip that is worth saying
(judgement)."""

AXES = ("thickness", "diameter", "aspect_ratio", "mix_ratio")

MANY_CANDIDATES = 200
"""More are warned of."""

THIN_FILM = 1.5
"""Films up to this many times the longest box are simulated at full thickness."""


def _length(value: float) -> str:
    return format_quantity(value, "length")


@dataclass(frozen=True, repr=False)
class Plan:
    """A plan, read and checked.

    Make one with `Plan.load` or `Plan.from_dict`; both check everything.

    Parameters
    ----------
    title : str
        Heading of the report.
    seed : int
        Seed of every draw.
    filler : tuple of FillerSection
        One entry a powder.
    elastomer, film, placement, contacts, strain, temperature, explore, boxes, target,
    batch, sheet, part
        The sections, values in SI.
    tolerances_section : TolerancesSection
        The bench tolerances as written; `tolerances` has the defaults filled in.
    supply, vibration : optional sections
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
    filler: tuple[FillerSection, ...]
    elastomer: ElastomerSection
    film: FilmSection
    placement: PlacementSection
    contacts: ContactsSection
    strain: StrainSection
    temperature: TemperatureSection
    explore: ExploreSection
    boxes: BoxesSection
    tolerances_section: TolerancesSection
    target: TargetSection
    supply: SupplySection | None
    vibration: VibrationSection | None
    batch: BatchSection
    sheet: SheetSection
    part: PartSection
    measured: tuple[MeasuredSection, ...] = ()
    name: str = "plan"
    text: str = ""
    path: str = ""
    mix: tuple[tuple[str, float], ...] = ()
    shared_strains: tuple[float, ...] | None = None

    # ------------------------------------------------------------------ reading and writing
    @classmethod
    def load(cls, path: str | Path) -> Plan:
        """Read a plan file.

        Parameters
        ----------
        path : str or Path
            A TOML file, UTF-8.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault of the file, one line each.

        """
        path = Path(path)
        name = path.name or str(path)
        try:
            text = read_text(path)
        except ValueError as error:
            raise PlanError([f"{path}: {error}"]) from None
        try:
            mapping = tomllib.loads(text)
        except (ValueError, RecursionError) as error:
            raise PlanError([f"{name}: is not TOML: {toml_reason(str(error))}"]) from None
        folder = PLAN_FOLDER.set(path.parent)
        try:
            plan = cls._read(mapping, name, text)
        finally:
            PLAN_FOLDER.reset(folder)
        object.__setattr__(plan, "path", str(path))
        return plan

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], name: str = "plan") -> Plan:
        """Read a plan from nested dicts, in the words and units of the file.

        Parameters
        ----------
        mapping : mapping
            Sections by name, as TOML gives them; `as_dict` of another plan is one.
        name : str
            What messages call it.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault, one line each.

        """
        return cls._read(mapping, name, None)

    @classmethod
    def _read(cls, mapping: Mapping[str, Any], name: str, text: str | None) -> Plan:
        reading = Reading(name)
        if not isinstance(mapping, Mapping):
            raise PlanError([f"{name}: must hold sections, got {show_value(mapping)}"])
        mapping = {str(key): value for key, value in mapping.items()}
        known = (*HeadSection.model_fields, *SECTIONS, *ROWS)
        hints = ""
        for key in mapping:
            if key not in known:
                hints += did_you_mean(key, known)
                kind = "a section" if isinstance(mapping[key], Mapping) else "a key"
                what = unknown_key("", key, known)
                reading.lines.append(
                    f"{name}: {key} {what.replace('is', f'is {kind} that is', 1)}"
                )
        head = reading.section(
            "",
            HeadSection,
            {k: mapping[k] for k in HeadSection.model_fields if k in mapping},
        )
        parts: dict[str, Any] = {}
        for key, model in SECTIONS.items():
            if key not in mapping:
                if repr(key) in hints:  # it is there, misspelt
                    reading.bad.add(key)
                elif key in ESSENTIAL:
                    reading.fault(f"[{key}]", f"is missing; {section_help(key)}")
                    reading.bad.add(key)
                if key in ESSENTIAL or key in OPTIONAL:
                    parts[key] = None
                else:
                    parts[key] = model()
            elif key == "filler" and isinstance(mapping[key], list | tuple):
                parts[key] = [
                    reading.section(
                        f"filler[{i}]" if len(mapping[key]) > 1 else key, model, entry
                    )
                    for i, entry in enumerate(mapping[key], 1)
                ]
                if not parts[key]:
                    reading.fault("filler", "is an empty list; it needs at least 1")
                    reading.bad.add("filler")
            else:
                parts[key] = reading.section(key, model, mapping[key])
        if not isinstance(parts["filler"], list):
            parts["filler"] = [parts["filler"]]
        sections = [parts[key] for key in SECTIONS if key != "filler"]
        plan = cls(head.title, head.seed, tuple(parts["filler"]), *sections)
        measured = read_rows(reading, mapping.get("measured", []))
        object.__setattr__(plan, "measured", measured)
        object.__setattr__(plan, "name", name)
        object.__setattr__(plan, "text", text or "")
        cross_check(plan, reading)
        if not reading.lines:
            check_mixes(plan, reading)
        if reading.lines:
            raise PlanError(reading.in_order())
        if text is None:
            object.__setattr__(plan, "text", to_toml(plan.as_dict()))
        return plan

    def as_dict(self) -> dict[str, Any]:
        """Plan as a JSON-able dict: words of the file, units normalised, defaults too.

        Returns
        -------
        dict
            `Plan.from_dict` reads it back to an equal plan.

        """
        fillers = []
        for section, filler in zip(self.filler, self.fillers, strict=True):
            size = "length" if filler.kind == "rod" else "diameter"
            left_out: dict[str, Any] = {
                "kind": filler.kind, "density": filler.density, "name": filler.name,
                "thermal_expansion": filler.thermal_expansion,
                size: Sizes(filler.size.median, filler.size.spread),
            }  # fmt: skip
            if filler.kind != "sphere" and section.thickness is None:
                left_out["aspect_ratio"] = AspectRatio(filler.median_aspect_ratio)
            fillers.append(written(section, left_out))
        elastomer = self.cured_elastomer
        derived: dict[str, dict[str, Any]] = {
            "elastomer": {
                k: getattr(elastomer, k)
                for k in ElastomerSection.model_fields
                if k not in ("material", "cure_temperature", "modulus")
            },
            "contacts": {
                "g0": self.g0, "closed_at": self.closed_at, "cutoff": self.cutoff,
                "electrode_conductance": self.electrode_conductance,
                "opening_length": self.opening_length,
            },
            "tolerances": {"thickness": self.tolerances["thickness"]},
            "batch": {} if self.batch_mass is None else {"mass": self.batch_mass},
            "target": {"supply": self.supply_voltage},
            "supply": {
                "voltage": self.supply_voltage, "series_resistor": self.series_resistor,
            },
        }  # fmt: skip
        if self.vibration_cycle is not None:
            derived["vibration"] = {"mean": self.vibration_cycle[0]}
        out: dict[str, Any] = {"title": self.title, "seed": self.seed}
        out["filler"] = fillers[0] if len(fillers) == 1 else fillers
        for key in SECTIONS:
            name = "tolerances_section" if key == "tolerances" else key
            if key != "filler" and getattr(self, name) is not None:
                out[key] = written(getattr(self, name), derived.get(key, {}))
        if self.contacts.model == "affine":
            for key in OF_OPENING:
                del out["contacts"][key]
        if self.measured:
            out["measured"] = [written(row, {}) for row in self.measured]
        return out

    def with_measured(self, rows: Sequence[Mapping[str, Any]], name: str) -> Plan:
        """Plan with more measured rows.

        Parameters
        ----------
        rows : sequence of mapping
            Each a row's number in its file under "row", and its keys in the words of
            [[measured]].
        name : str
            What messages call the file they come from.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault of the rows, one line each.

        """
        reading = Reading(name)
        read, labels = [], []
        for row in rows:
            keys = {k: v for k, v in row.items() if k != "row"}
            labels.append(f"row {row['row']}")
            read.append(reading.section(labels[-1], MeasuredSection, keys))
        more = replace(self, measured=tuple(read))
        for label, section in zip(labels, read, strict=True):
            check_row(more, reading, label, section)
        if not reading.lines:
            own = [f"measured[{i}]" for i in range(1, len(self.measured) + 1)]
            check_together(
                self, reading, [*own, *labels], [*self.measured, *(r for r in read if r)]
            )
        if reading.lines:
            raise PlanError(list(dict.fromkeys(reading.lines)))
        rows_written = {"measured": [written(row, {}) for row in read]}
        return replace(
            self,
            measured=(*self.measured, *read),
            text=f"{self.text.rstrip()}\n{to_toml(rows_written)}",
        )

    @cached_property
    def hash(self) -> str:
        """SHA-256 of all that affects a box: the filled-in plan less its title.

        Nor do measured rows, or how wide an assumption is, change any.
        """
        content = {
            k: without_widths(v)
            for k, v in self.as_dict().items()
            if k not in ("title", "measured")
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    @cached_property
    def whole_text(self) -> str:
        """The plan as written, or filled in where it needs another file to be read."""
        sizes = (s for f in self.filler for s in (f.diameter, f.length) if s is not None)
        if self.path and any(s.edges for s in sizes):
            return to_toml(self.as_dict())
        return self.text

    def __repr__(self) -> str:
        gaps = ", ".join(_length(g) for g in self.electrode_gaps)
        weights = ", ".join(f"{100 * w:.4g}" for w in self.weight_fractions)
        return f"Plan {self.title!r}: {weights} wt% at gaps {gaps}, seed {self.seed}"

    # ------------------------------------------------------------------ what is tried
    @cached_property
    def axes(self) -> dict[str, tuple[float, ...]]:
        """Axes of [explore] listed beside loading and gap, and their values."""
        listed = {name: getattr(self.explore, name) for name in AXES}
        return {name: values for name, values in listed.items() if values is not None}

    @cached_property
    def mixes(self) -> tuple[Plan, ...]:
        """The plan once for each combination of the values of its `axes`.

        Each is a plan of loadings and gaps alone; the plan itself when it lists no axis.
        """
        if not self.axes:
            return (self,)
        mixes = [
            self._at(dict(zip(self.axes, values, strict=True)))
            for values in product(*self.axes.values())
        ]
        if self.part.radius is None:
            return tuple(mixes)
        strains = _strains_within(mixes)
        return tuple(replace(mix, shared_strains=strains) for mix in mixes)

    def _at(self, values: Mapping[str, float]) -> Plan:
        """One mix of the plan."""
        fillers = list(self.filler)
        if "diameter" in values:
            size = "length" if self.fillers[0].kind == "rod" else "diameter"
            law = self.fillers[0].size
            sizes = getattr(fillers[0], size) or Sizes(law.median, law.spread)
            fillers[0] = fillers[0].model_copy(
                update={size: sizes.at_median(values["diameter"])}
            )
        if "aspect_ratio" in values:
            k = self._first_shaped
            written = fillers[k].aspect_ratio or AspectRatio(1.0)
            aspect = replace(written, value=values["aspect_ratio"])
            fillers[k] = fillers[k].model_copy(update={"aspect_ratio": aspect})
        film, elastomer = self.film, self.elastomer
        if "thickness" in values:
            film = film.model_copy(update={"thickness": values["thickness"]})
        if "mix_ratio" in values:
            elastomer = elastomer.model_copy(update={"mix_ratio": values["mix_ratio"]})
        # beta and delta_b mean the same in every mix
        own = {"opening_length": self.opening_length}
        contacts = self.contacts.model_copy(update=own)
        return replace(
            self,
            filler=tuple(fillers),
            film=film,
            elastomer=elastomer,
            contacts=contacts,
            explore=self.explore.model_copy(update=dict.fromkeys(AXES)),
            mix=tuple(values.items()),
        )

    @property
    def _first_shaped(self) -> int:
        """Index of the first filler that has an aspect ratio."""
        kinds = [filler.kind for filler in self.fillers]
        return next(k for k, kind in enumerate(kinds) if kind != "sphere")

    @property
    def varying(self) -> tuple[str, ...]:
        """Axes beside loading and gap that take more than one value."""
        return tuple(name for name, values in self.axes.items() if len(values) > 1)

    @cached_property
    def n_candidates(self) -> int:
        """How many candidates the plan has."""
        n = math.prod(len(values) for values in self.axes.values())
        return n * len(self.weight_fractions) * len(self.electrode_gaps)

    def mix_words(self, names: Sequence[str]) -> str:
        """Name a mix by those of its axes: "0.15 mm film, 10 um filler, 7:1"."""
        write: dict[str, Callable[[float], str]] = {
            "thickness": lambda x: f"{_length(x)} film",
            "diameter": lambda x: f"{_length(x)} filler",
            "aspect_ratio": lambda x: f"aspect ratio {x:g}",
            "mix_ratio": lambda x: format_quantity(x, "ratio"),
        }
        return ", ".join(write[name](value) for name, value in self.mix if name in names)

    def mix_values(self, names: Sequence[str]) -> tuple[tuple[str, float], ...]:
        """Values of a mix in SI, of those of its axes, by their names in results."""
        columns = {
            "thickness": "film_thickness_m",
            "diameter": "filler_diameter_m",
            "aspect_ratio": "filler_aspect_ratio",
        }
        return tuple((columns.get(n, n), value) for n, value in self.mix if n in names)

    def mix_of(self, row: MeasuredSection) -> tuple[tuple[str, float], ...]:
        """Axes and values of the mix that films of a measured row were cast of.

        Of an axis with several values the row names one; of thicknesses it is the nearest
        to the measured one.
        """
        values = {}
        for name, listed in self.axes.items():
            own = getattr(row, name)
            if len(listed) > 1 and own is not None:
                values[name] = min(listed, key=lambda x, own=own: abs(math.log(x / own)))  # type: ignore[misc]
            else:
                values[name] = listed[0]
        return tuple(values.items())

    @property
    def box_axes(self) -> tuple[str, ...]:
        """Axes of a mix that its boxes depend on.

        Thick films share boxes whatever their thickness, and mix ratios do while the
        elastomer has one density and one expansion for all.
        """
        return tuple(
            name
            for name, _ in self.mix
            if name in ("diameter", "aspect_ratio")
            or (name == "thickness" and self.is_thin)
        )

    @cached_property
    def box_label(self) -> str:
        """What the boxes of a mix depend on, as the first part of their keys.

        Empty for a plan without axes.
        """
        names = self.box_axes
        return "".join(f"{name} {value!r}/" for name, value in self.mix if name in names)

    # ------------------------------------------------------------------ what is mixed
    @cached_property
    def fillers(self) -> tuple[Filler, ...]:
        """Fillers of the plan, what it leaves out taken from the data files."""
        return tuple(make_filler(section) for section in self.filler)

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """Share of each filler in the mass of all fillers."""
        if len(self.filler) == 1:
            return (1.0,)
        return tuple(float(section.share or 0.0) for section in self.filler)

    @cached_property
    def cured_elastomer(self) -> Elastomer:
        """Elastomer of the plan."""
        return make_elastomer(self.elastomer)

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
        from percsim.materials.recipe import Recipe

        pairs = tuple(
            (filler, share * weight_fraction)
            for filler, share in zip(self.fillers, self.shares, strict=True)
        )
        return Recipe(pairs, self.cured_elastomer)

    @property
    def median_diameter(self) -> float:
        """Number-median diameter (length for rods) of the largest filler [m]."""
        return max(f.median_diameter for f in self.fillers)

    @property
    def largest_particle(self) -> float:
        """Largest extent any particle of the plan may have [m]."""
        return max(f.largest for f in self.fillers)

    # ------------------------------------------------------------------ what it does
    @property
    def window_strains(self) -> tuple[float, ...]:
        """Strains of the window computed, rising, zero among them."""
        low, high = self.strain.window
        n = self.strain.points
        # rounded far below a microstrain, so that 0.0005 is not 0.0005000000000000001
        even = {round(low + (high - low) * i / (n - 1), 15) for i in range(n)} - {low, high}
        return tuple(sorted({0.0, low, high, self.chord_strain} | even))

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
        if self.axes:
            return self.mixes[0].strains
        return self.shared_strains or _strains_within([self])

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
        turned = any(
            f.kind != "sphere" and f.orientation.mode != "isotropic" for f in self.fillers
        )
        bending = 1.0 / (1.0 - TURNED_TRANSVERSE * self.contraction) if turned else 1.0
        low, high = zip(
            *(
                self.assembly(w).reach(self.part_strains, bending)
                for w in self.weight_fractions
            ),
            strict=True,
        )
        return min(low), max(high)

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

    @property
    def chord_strain(self) -> float:
        """Strain up to which the gauge factor is taken, by default the far end computed."""
        low, high = self.strain.window
        if self.strain.chord is not None:
            return self.strain.chord
        return high if high > 0.0 else low

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperatures computed [K], rising, 20 C among them."""
        return tuple(sorted({*self.temperature.values, ROOM_TEMPERATURE}))

    @property
    def closed_at(self) -> Stated:
        """Temperature of the reference state [K], by default 20 K below the coldest."""
        if self.contacts.closed_at is not None:
            return self.contacts.closed_at
        return Stated(round(min(self.temperatures) - 20.0, 9))

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
    def clusters(self) -> Clusters | None:
        """Agglomerates of the plan, if there are any."""
        from percsim.particles.placement import Clusters

        p = self.placement
        if p.clustered == 0.0 or p.cluster_diameter is None:
            return None
        return Clusters(p.clustered, p.cluster_diameter, p.cluster_solids)

    @property
    def powder(self) -> Powder:
        """What is known of the fillers before any film is cast."""
        from percsim.materials.powder import Powder

        return Powder.of([powder_material(section) for section in self.filler])

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

        c = self.contacts
        electrode = self.electrode_conductance.value
        if c.model == "affine":
            return TunnellingLaw(c.barrier_height.value, c.contact_area.value, electrode)
        return ContactOpeningLaw(
            self.g0.value,
            c.beta.value,
            c.delta_b.value,
            c.Ea.value,
            electrode,
            self.opening_length,
            seed,
        )

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
        from percsim.states.temperature import ThermalOpening

        return ThermalOpening(
            self.recipe(weight_fraction).thermal_expansion,
            self.closed_at.value,
            self.contacts.lambda_T.value,
            self.bond,
        )

    @property
    def bond(self) -> Bond | None:
        """What holds the film as it warms; None if free, or never warmed after bonding."""
        from percsim.states.temperature import Bond

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

    # ------------------------------------------------------------------ what it sits on
    @property
    def has_sheet(self) -> bool:
        """Whether the film is bonded to a sheet."""
        return self.sheet.thickness is not None

    @property
    def has_part(self) -> bool:
        """Whether the plan says what the patch sits on."""
        part = self.part
        said = (part.radius, part.rigid, part.modulus, part.thickness, part.misalignment)
        return any(value is not None for value in said)

    def elastomer_modulus(self, mix_ratio: float | None = None) -> Modulus:
        """Young's modulus of the unfilled elastomer, that of the film or at a mix ratio."""
        section = self.elastomer
        return modulus_of(
            section.modulus if mix_ratio is None else None,
            self.cured_elastomer.mix_ratio if mix_ratio is None else mix_ratio,
            section.cure_temperature,
            section.material,
        )

    def film_modulus(self, weight_fraction: float) -> Modulus:
        """Young's modulus of the filled film at a loading."""
        from percsim.materials.stiffness import Modulus, filled_modulus

        stated = self.film.modulus
        if stated is not None:
            return Modulus.stated(stated.value, stated.basis, stated.source)
        return filled_modulus(self.elastomer_modulus(), self.recipe(weight_fraction))

    def sheet_modulus(self, mix_ratio: float | None = None) -> Modulus:
        """Young's modulus of the sheet, or what it would be at another mix ratio."""
        section = self.sheet
        own = section.mix_ratio or self.cured_elastomer.mix_ratio
        return modulus_of(
            section.modulus if mix_ratio is None else None,
            own if mix_ratio is None else mix_ratio,
            section.cure_temperature,
            section.material or self.elastomer.material,
        )

    def assembly(self, weight_fraction: float, thickness: float | None = None) -> Assembly:
        """Layers of the plan at a loading, with the film's own thickness or another [m]."""
        from percsim.film.layers import Assembly, Layer

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

    # ------------------------------------------------------------------ how much, for what
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
    def tolerances(self) -> dict[str, float]:
        """One standard deviation of each bench tolerance.

        Returns
        -------
        dict
            By the names of `percsim.film.Tolerances`: lengths [m], `strain_setting` as
            strain, `tilt` [rad], the rest relative; `mixing_length` [m] goes with
            `mixing_within`.

        """
        t = self.tolerances_section
        usual = 0.20 if self.film.cast == "drop" else 0.08
        return {
            "weighing": t.weighing,
            "mixing": t.mixing,
            "thickness": usual if t.thickness is None else t.thickness,
            "gap": t.electrode_gap,
            "width": t.width,
            "contact": t.contact,
            "aspect_ratio": t.aspect_ratio,
            "mixing_within": t.mixing_within,
            "skew": t.electrode_skew,
            "particle_size": t.particle_size,
            "response": t.response,
            "tilt": t.tilt,
            "mixing_length": t.mixing_length,
            "instrument": t.instrument,
            "strain_setting": t.strain_setting,
            "contact_redraw": t.contact_redraw,
        }

    @property
    def castings(self) -> int:
        """Castings drawn for each candidate."""
        return self.tolerances_section.castings

    @property
    def batch_mass(self) -> float | None:
        """Mass of the cured batch [kg], 20 g if the plan says nothing; None if by films."""
        if self.batch.films is not None:
            return None
        return 0.02 if self.batch.mass is None else self.batch.mass

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
        from percsim.materials.elastomer import load_material
        from percsim.materials.weighing import weigh_out

        batch = self.batch
        thickness = self.film.thickness if film is None else film.thickness
        width = self.film.width if film is None else film.width
        ratio = 0.0
        if batch.solvent is not None and batch.wet_thickness is not None:
            swell = batch.wet_thickness / thickness - 1.0
            ratio = swell * load_material(batch.solvent).density / recipe.density
        elif batch.solvent is not None:
            ratio = batch.solvent_mass_ratio or 0.0
        if mass is None and films is None:
            films = batch.films
            mass = self.batch_mass if films is None else None
        return weigh_out(
            recipe,
            mass=None if mass is None else mass * (1.0 - batch.loss),
            volume=self.film.length * width * thickness if mass is None else None,
            films=films or 1,
            loss=batch.loss,
            resolution=batch.balance_resolution,
            tolerance=self.tolerances_section.weighing,
            solvent=batch.solvent,
            solvent_ratio=ratio,
            film_thickness=thickness,
        )

    def decision_target(self) -> Target:
        """Target as the decision takes it."""
        from percsim.decision.choose import Target

        t = self.target
        low, high = t.resistance if t.resistance is not None else (None, None)
        return Target(
            resistance_min=low or None,
            resistance_max=high,
            supply_voltage=self.supply_voltage,
            series_resistance=self.series_resistor or None,
            gauge_factor_min=t.smallest_gauge_factor,
            resistance_cv_max=t.largest_resistance_cv,
            gauge_factor_cv_max=t.largest_gauge_factor_cv,
            pass_share_min=t.pass_share,
            self_heating_drift_max=t.largest_self_heating_drift,
            thermal_output_max=t.largest_thermal_output,
            circuit=self.circuit(),
            heat_path=self.heat_path(),
        )

    # ------------------------------------------------------------------ how it is read
    @property
    def supply_voltage(self) -> float:
        """Supply voltage [V]: of [supply], else of [target], else 3.3 V."""
        own = None if self.supply is None else self.supply.voltage
        for value in (own, self.target.supply):
            if value is not None:
                return value
        return 3.3

    @property
    def series_resistor(self) -> float:
        """Resistor in series with the film [ohm]: of [supply], else of [target], else 0."""
        own = None if self.supply is None else self.supply.series_resistor
        if own is not None:
            return own
        return self.target.series_resistor or 0.0

    def circuit(self) -> Circuit:
        """Circuit that reads the film."""
        from percsim.film.readout import Circuit

        kind: Any = "series" if self.supply is None else self.supply.circuit
        return Circuit(self.supply_voltage, self.series_resistor, kind)

    def heat_path(self) -> HeatPath | None:
        """Way of the film's own heat to its part and to the air; None without [supply]."""
        from percsim.film.readout import HeatPath

        s = self.supply
        if s is None:
            return None
        return HeatPath(
            self.film.thickness,
            s.film_conductivity,
            self.sheet.thickness or 0.0,
            s.sheet_conductivity,
            s.still_air,
        )

    @property
    def vibration_cycle(self) -> tuple[float, float] | None:
        """Mean strain and amplitude of the vibration; None when the plan has none."""
        if self.vibration is None:
            return None
        mean = self.vibration.mean
        middle = 0.5 * (min(self.window_strains) + max(self.window_strains))
        return (middle if mean is None else mean), self.vibration.amplitude

    def casting_tolerances(self) -> Tolerances:
        """Bench tolerances as the castings take them."""
        from percsim.film.casting import Tolerances

        return Tolerances(**self.tolerances)

    def film_at(self, electrode_gap: float) -> Film:
        """Film between its electrodes at a gap [m]."""
        from percsim.film.electrodes import Film

        return Film(
            self.film.thickness, self.film.width, electrode_gap, self.film.cast == "drop",
            self.layout,
        )  # fmt: skip

    @cached_property
    def layout(self) -> Layout:
        """How the electrodes lie on the film."""
        from percsim.film.electrodes import Bars, EndPlates, Fingers, FourTerminal

        f, length = self.film, self.film.electrode_length
        mount, contact = f.electrodes or "embedded", f.contact_resistivity
        if f.layout == "end plates":
            return EndPlates(contact_resistivity=contact)
        if f.layout == "fingers":
            return Fingers(f.fingers or 0, length or 0.0, f.overlap, mount, contact)
        if f.layout == "four-terminal":
            return FourTerminal(length or 0.0, f.sense_spacing or 0.0, contact)
        return Bars(mount, length, contact)

    def bench_limits(self) -> BenchLimits:
        """Limits of what the bench of this plan can make, which bound the advice."""
        from percsim.decision.choose import BenchLimits

        def solids(weight_fraction: float) -> float:
            sheet = self.weigh_out(self.recipe(weight_fraction))
            return sheet.wet_solids / sheet.packing

        longest = self.layout.longest_gap(self.film.length)
        return BenchLimits(longest, self.largest_particle, solids)

    def contact_parameters(self) -> ContactParameters | TunnellingParameters:
        """Parameters of the contacts and which of them were measured, for the priors."""
        from percsim.decision.priors import ContactParameters, TunnellingParameters
        from percsim.network.laws import TunnellingLaw

        c, law = self.contacts, self.law()
        if isinstance(law, TunnellingLaw):
            stated = {"barrier_height": c.barrier_height, "contact_area": c.contact_area}
            measured = {name for name, s in stated.items() if s.basis == "measured"}
            if self._shapes_are_measured:
                measured.add("aspect_ratio")
            return TunnellingParameters(
                law.barrier_height, law.area, law.shortest_gap, self.cutoff,
                frozenset(measured), self.powder,
            )  # fmt: skip
        values = {
            "g0": self.g0, "beta": c.beta, "delta_b": c.delta_b,
            "closed_at": self.closed_at,
            "lambda_T": c.lambda_T, "Ea": c.Ea,
        }  # fmt: skip
        measured = {name for name, s in values.items() if s.basis == "measured"}
        if self._shapes_are_measured:
            measured.add("aspect_ratio")
        factors = {k: s.factor for k, s in values.items() if s.factor is not None}
        shapes = [s.aspect_ratio.factor for s in self.filler if s.aspect_ratio is not None]
        known = [factor for factor in shapes if factor is not None]
        if known and len(known) == len(self.filler):
            factors["aspect_ratio"] = max(known)
        ranges = {
            k: (s.low, s.high)
            for k, s in values.items()
            if s.low is not None and s.high is not None
        }
        return ContactParameters(
            self.g0.value, c.beta.value, c.delta_b.value, self.closed_at.value,
            c.lambda_T.value, c.Ea.value, frozenset(measured), factors, ranges,
            self.powder,
        )  # fmt: skip

    @property
    def _shapes_are_measured(self) -> bool:
        shapes = [s.aspect_ratio or s.thickness for s in self.filler]
        return all(s is not None and s.basis == "measured" for s in shapes)

    def _closest_transverse(self) -> tuple[float, State]:
        """Smallest stretch across the current, less one, and the state it comes at.

        Below 0 contacts there clamp.
        """
        found = []
        for state in self.states(max(self.weight_fractions)):
            across = [row[i] for i, row in enumerate(state.gradient) if i != state.axis]
            found.append((min(across) - 1.0, state))
        return min(found, key=lambda pair: pair[0])

    @property
    def cautions(self) -> tuple[str, ...]:
        """What is allowed but may mislead, one line each."""
        if not self.axes:
            return self._own_cautions
        told: dict[str, list[str]] = {}
        for mix in self.mixes:
            for line in mix._own_cautions:
                told.setdefault(line, []).append(mix.mix_words(self.varying))
        out = [
            line if len(where) == len(self.mixes) else f"{'; '.join(where)}: {line}"
            for line, where in told.items()
        ]
        if "mix_ratio" in self.varying:
            out.append(
                "mix ratios differ in what goes on the balance alone: the elastomer data"
                " hold one density and one thermal expansion for all of them, so that"
                " resistance, gauge factor and spread come out equal"
            )
        if self.n_candidates > MANY_CANDIDATES:
            out.append(
                f"{self.n_candidates} candidates: with so many the one that comes out best"
                " owes part of its lead to chance; list fewer values, then refine around"
                " the best"
            )
        return tuple(out)

    @property
    def _own_cautions(self) -> tuple[str, ...]:
        out = []
        small = [b for b in self.box_lengths if b < 8.0 * self.median_diameter * (1 - 1e-9)]
        if small:
            edges = ", ".join(_length(b) for b in small)
            out.append(
                f"boxes of {edges} are below 8 median diameters and conduct too well"
            )
        diameters = self.film.thickness / self.median_diameter
        if not self.is_thin and diameters < 60.0:
            out.append(
                f"the boxes have no free faces; those of a film {diameters:.0f} diameters"
                " thick raise its resistance by 2 to 10 %, most near the threshold"
            )
        if self.contacts.model == "opening":
            closing, state = self._closest_transverse()
            if closing < -1e-4:
                out.append(
                    f"at {1e6 * state.strain:.0f} microstrain and"
                    f" {format_quantity(state.temperature, 'temperature')} the film is"
                    f" {-1e6 * closing:.0f} microstrain thinner or narrower than where its"
                    " contacts are pressed shut; contacts across the current are then fully"
                    " closed and respond no further"
                )
        out += self._powder_cautions()
        part = self.temperature.part_thermal_expansion
        if self.strain.mounting != "free" and part is None and len(self.temperatures) > 1:
            out.append(
                "temperature.part_thermal_expansion is not given: R(T) is computed as if no"
                " part held the film"
            )
        out += self.size_cuts
        if self.film.thickness < self.largest_particle:
            out.append(
                f"the film, {_length(self.film.thickness)} thick, is thinner"
                f" than the largest particles, {_length(self.largest_particle)};"
                " they lie flatter than the plan says"
            )
        return (*out, *self._placement_cautions(), *self._reading_cautions())

    def _powder_cautions(self) -> list[str]:
        """Where what the data files say of a powder is against the plan."""
        powder, out = self.powder, []
        if powder.unforeseeable:
            out.append(
                f"threshold not foreseeable, measure it: {powder.unforeseeable}; no loading"
                " is decided before films were read"
            )
        known = powder.g0
        if (
            self.contacts.model == "opening"
            and known is not None
            and self.g0.basis == "assumed"
            and not known.low <= self.g0.value <= known.high
        ):
            low, value, high = (
                format_quantity(x, "conductance")
                for x in (known.low, self.g0.value, known.high)
            )
            out.append(
                f"contacts.g0 = '{value}' is assumed outside of what such powder has, {low}"
                f" to {high} ({known.basis}: {known.source})"
            )
        return out

    @property
    def size_cuts(self) -> tuple[str, ...]:
        """Where the cut of a log-normal law takes away more than its tail, one a powder."""
        out = []
        for filler in self.fillers:
            law = filler.size
            lost = law.volume_beyond_clip
            if lost > LARGE_CUT:
                d90 = _length(float(law.quantile(0.9, power=3.0)))
                out.append(
                    f"{filler.name} without its largest {100 * lost:.0f} % by volume: sizes"
                    f" end at {_length(law.bounds[1])}, 90 % of the rest lie below {d90};"
                    " a histogram (csv) is taken whole"
                )
        return tuple(out)

    def _reading_cautions(self) -> list[str]:
        """Where temperatures or the supply are outside of what is known."""
        from percsim.states.temperature import ELASTOMER_LIMITS

        out = []
        low, high = ELASTOMER_LIMITS
        beyond = [t for t in self.temperatures if not low <= t <= high]
        if beyond:
            listed = ", ".join(format_quantity(t, "temperature") for t in beyond)
            out.append(
                f"{listed}: outside the range in which silicone elastomers serve and their"
                f" data hold, {format_quantity(low, 'temperature')} to"
                f" {format_quantity(high, 'temperature')} (data-sheet practice, from"
                " memory); R there is extrapolated physics"
            )
        if self.supply is not None:
            for name, own, other, kind in (
                ("voltage", self.supply.voltage, self.target.supply, "voltage"),
                (
                    "series_resistor",
                    self.supply.series_resistor,
                    self.target.series_resistor,
                    "resistance",
                ),
            ):
                if own is not None and other is not None and own != other:
                    theirs = "supply" if name == "voltage" else name
                    out.append(
                        f"supply.{name} = '{format_quantity(own, kind)}' and"
                        f" target.{theirs} = '{format_quantity(other, kind)}' differ; that"
                        " of [supply] is used throughout"
                    )
        return out

    @property
    def threshold_caution(self) -> str:
        """Where boxes differ from what the threshold is grown with; empty if nowhere."""
        p = self.placement
        used = {"hard": p.impenetrable > 0.0, "clustered": p.clustered > 0.0}
        words = " and ".join(word for word in used if used[word])
        if not words:
            return ""
        return (
            "the percolation threshold is grown with particles that overlap and are"
            f" dispersed at random, the boxes hold {words} ones; take the distance from the"
            " threshold as a guide only"
        )

    def _placement_cautions(self) -> list[str]:
        p = self.placement
        out = [self.threshold_caution] if self.threshold_caution else []
        if p.impenetrable > 0.0:
            out.append(
                "hard particles start from the same places at every loading and are then"
                " pushed apart, each loading in its own way: differences between loadings"
                " scatter more than with particles that overlap"
            )
            if any(
                f.kind != "sphere" and f.orientation.mode != "isotropic"
                for f in self.fillers
            ):
                out.append(
                    "pushing hard particles apart also turns them, at 28 vol% an order of"
                    " 0.60 becomes 0.66; boxes.csv has the order as it came out"
                )
        if p.faces == "confining" and not self.is_thin:
            out.append(
                "faces = 'confining' has no effect, the film is simulated without faces;"
                f" one of up to {_length(THIN_FILM * max(self.box_lengths))} would have"
                " them"
            )
        return out


def _strains_within(mixes: Sequence[Plan]) -> tuple[float, ...]:
    """Strains of mixes that share their boxes, see `Plan.strains`."""
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
