"""The plan file: what a sensor engineer writes, checked whole, <-> the types of the stages.

A plan is TOML with bench units in strings; `sections` documents every key. All faults of a
plan are reported together, one line each.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise, product
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from percsim.errors import PlanError
from percsim.files import read_text
from percsim.sections import (
    ESSENTIAL,
    OPTIONAL,
    PLAN_FOLDER,
    ROWS,
    SECTIONS,
    AspectRatio,
    BatchSection,
    BoxesSection,
    ContactsSection,
    ElastomerSection,
    ExploreSection,
    FaultsError,
    FillerSection,
    FilmSection,
    HeadSection,
    MeasuredSection,
    PartSection,
    PlacementSection,
    Section,
    SheetSection,
    Sizes,
    Stated,
    StrainSection,
    SupplySection,
    TargetSection,
    TemperatureSection,
    TolerancesSection,
    VibrationSection,
    did_you_mean,
    reader_of,
)
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity, show_value

if TYPE_CHECKING:
    from percsim.decision.choose import BenchLimits, Target
    from percsim.decision.priors import ContactParameters, TunnellingParameters
    from percsim.film.casting import Tolerances
    from percsim.film.electrodes import Film, Layout
    from percsim.film.layers import Assembly
    from percsim.film.readout import Circuit, HeatPath
    from percsim.materials.elastomer import Elastomer, Material
    from percsim.materials.filler import Filler, Orientation
    from percsim.materials.powder import Powder
    from percsim.materials.recipe import Recipe, WeighOut
    from percsim.materials.stiffness import Modulus
    from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
    from percsim.particles.placement import Clusters
    from percsim.states.strain import Mounting, State
    from percsim.states.temperature import Bond, ThermalOpening

__all__ = ["LARGEST_FACE_STRAIN", "Plan"]


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
"""Keys of [explore] that make mixes: combinations with boxes or films of their own."""

MOST_CANDIDATES = 2000
"""More are refused: judging them would take longer than most boxes do."""

MANY_CANDIDATES = 200
"""More are warned of."""

THIN_FILM = 1.5
"""Films up to this many times the longest box are simulated at full thickness."""


def _length(value: float) -> str:
    return format_quantity(value, "length")


class _Reading:
    """A plan being read: its faults, and which keys can be relied on in spite of them."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.lines: list[str] = []
        self.bad: set[str] = set()

    def fault(self, key: str, what: str) -> None:
        self.lines.append(f"{self.name}: {key} {what}")

    def in_order(self) -> list[str]:
        """Lines in the order of a complete plan, none twice."""
        order = (*HeadSection.model_fields, *SECTIONS, *ROWS)

        def place(line: str) -> int:
            word = re.match(r"\[*(\w*)", line[len(self.name) + 2 :])
            key = word[1] if word else ""
            return order.index(key) if key in order else -1

        return sorted(dict.fromkeys(self.lines), key=place)

    def usable(self, *keys: str) -> bool:
        """Whether none of the keys, nor a section they are in, has a fault."""
        return not any(k in self.bad or k.split(".")[0] in self.bad for k in keys)

    def section(self, key: str, model: type[Section], data: object) -> Any:
        """Validate one section; after faults, a stand-in for the cross-checks."""
        plain = re.sub(r"\[\d+\]", "", key)
        if not isinstance(data, Mapping):
            self.fault(key, f"must be a section, [{plain}], got {show_value(data)}")
            self.bad.add(plain)
            return None
        data = {str(name): value for name, value in data.items()}
        try:
            return model.model_validate(data)
        except ValidationError as error:
            problems = error.errors(include_url=False)
        kept = dict(data)
        names = tuple(model.model_fields)
        unknown = [str(p["loc"][0]) for p in problems if p["type"] == "extra_forbidden"]
        meant = {name for word in unknown for name in names if did_you_mean(word, (name,))}
        self.bad |= {f"{plain}.{name}" for name in meant}
        for problem in problems:
            field = str(problem["loc"][0])
            self.bad.add(f"{plain}.{field}")
            kept.pop(field, None)
            if field in model.model_fields and model.model_fields[field].is_required():
                kept[field] = model.model_fields[field].examples[0]  # type: ignore[index]
            # a key that is missing under its own name is most likely the misspelt one
            if not (problem["type"] == "missing" and field in meant):
                self._explain(
                    f"{key}.{field}" if key else field, plain, field, model, problem
                )
        return model.model_validate(kept)

    def _explain(
        self, path: str, plain: str, field: str, model: type[Section], problem: Any
    ) -> None:
        kind = problem["type"]
        if kind == "missing":
            example = json.dumps(model.model_fields[field].examples[0])  # type: ignore[index]
            self.fault(path, f"is missing; write it like {field} = {example}")
        elif kind == "extra_forbidden":
            self.fault(path, _unknown_key(plain, field, tuple(model.model_fields)))
        else:
            cause = problem.get("ctx", {}).get("error")
            if isinstance(cause, FaultsError):
                for where, what in cause.faults:
                    self.fault(path + where, what)
            else:
                text = str(cause) if cause else problem["msg"]
                verb = text.startswith(("must ", "is ", "has "))
                self.fault(path, text if verb else f"= {text}")


def _unknown_key(section: str, key: str, known: Sequence[str]) -> str:
    homes = [s for s, m in SECTIONS.items() if key in m.model_fields and s != section]
    if homes:
        return f"is not known here; it belongs in {' or '.join(f'[{h}]' for h in homes)}"
    hint = did_you_mean(key, known)
    if hint:
        return f"is not known{hint}"
    if section and key in HeadSection.model_fields:
        return "is not known here; it belongs above the first section"
    return f"is not known; known: {', '.join(known)}"


# ------------------------------------------------------------------------------------------
# The plan
# ------------------------------------------------------------------------------------------


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
            raise PlanError([f"{name}: is not TOML: {_toml_reason(str(error))}"]) from None
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
        reading = _Reading(name)
        if not isinstance(mapping, Mapping):
            raise PlanError([f"{name}: must hold sections, got {show_value(mapping)}"])
        mapping = {str(key): value for key, value in mapping.items()}
        known = (*HeadSection.model_fields, *SECTIONS, *ROWS)
        hints = ""
        for key in mapping:
            if key not in known:
                hints += did_you_mean(key, known)
                kind = "a section" if isinstance(mapping[key], Mapping) else "a key"
                what = _unknown_key("", key, known)
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
                    reading.fault(f"[{key}]", f"is missing; {_section_help(key)}")
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
        measured = _read_rows(reading, mapping.get("measured", []))
        object.__setattr__(plan, "measured", measured)
        object.__setattr__(plan, "name", name)
        object.__setattr__(plan, "text", text or "")
        _cross_check(plan, reading)
        if not reading.lines:
            _check_mixes(plan, reading)
        if reading.lines:
            raise PlanError(reading.in_order())
        if text is None:
            object.__setattr__(plan, "text", _to_toml(plan.as_dict()))
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
            fillers.append(_written(section, left_out))
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
                out[key] = _written(getattr(self, name), derived.get(key, {}))
        if self.contacts.model == "affine":
            for key in _OF_OPENING:
                del out["contacts"][key]
        if self.measured:
            out["measured"] = [_written(row, {}) for row in self.measured]
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
        reading = _Reading(name)
        read, labels = [], []
        for row in rows:
            keys = {k: v for k, v in row.items() if k != "row"}
            labels.append(f"row {row['row']}")
            read.append(reading.section(labels[-1], MeasuredSection, keys))
        more = replace(self, measured=tuple(read))
        for label, section in zip(labels, read, strict=True):
            _check_row(more, reading, label, section)
        if not reading.lines:
            own = [f"measured[{i}]" for i in range(1, len(self.measured) + 1)]
            _check_together(
                self, reading, [*own, *labels], [*self.measured, *(r for r in read if r)]
            )
        if reading.lines:
            raise PlanError(list(dict.fromkeys(reading.lines)))
        rows_written = {"measured": [_written(row, {}) for row in read]}
        return replace(
            self,
            measured=(*self.measured, *read),
            text=f"{self.text.rstrip()}\n{_to_toml(rows_written)}",
        )

    @cached_property
    def hash(self) -> str:
        """SHA-256 of all that affects a box: the filled-in plan less its title.

        Nor do measured rows, or how wide an assumption is, change any.
        """
        content = {
            k: _without_widths(v)
            for k, v in self.as_dict().items()
            if k not in ("title", "measured")
        }
        return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()

    @cached_property
    def whole_text(self) -> str:
        """The plan as written, or filled in where it needs another file to be read."""
        sizes = (s for f in self.filler for s in (f.diameter, f.length) if s is not None)
        if self.path and any(s.edges for s in sizes):
            return _to_toml(self.as_dict())
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
        return tuple(_make_filler(section) for section in self.filler)

    @cached_property
    def shares(self) -> tuple[float, ...]:
        """Share of each filler in the mass of all fillers."""
        if len(self.filler) == 1:
            return (1.0,)
        return tuple(float(section.share or 0.0) for section in self.filler)

    @cached_property
    def cured_elastomer(self) -> Elastomer:
        """Elastomer of the plan."""
        return _make_elastomer(self.elastomer)

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

        return Powder.of([_powder_material(section) for section in self.filler])

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
        return _modulus(
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
        return _modulus(
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
        if recipe.volume_fraction <= _DENSEST:
            return None
        limit = 100.0 * recipe.at_volume_fraction(_DENSEST).weight_fraction
        return (
            f"= '{written}' is impossible at these densities: it would be"
            f" {100 * recipe.volume_fraction:.3g} vol% of particles, and equal spheres"
            f" fill {100 * _DENSEST:.3g} vol% at their densest; stay below"
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
        from percsim.materials.recipe import weigh_out

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


def _without_widths(value: Any) -> Any:
    """Part of a plan less what only says how wide an assumption is."""
    if isinstance(value, Mapping):
        stated = "basis" in value
        return {
            k: _without_widths(v)
            for k, v in value.items()
            if not (stated and k in ("factor", "low", "high"))
        }
    if isinstance(value, list):
        return [_without_widths(v) for v in value]
    return value


def _read_rows(reading: _Reading, rows: Any) -> tuple[MeasuredSection, ...]:
    """Rows of [[measured]]; a single [measured] is one."""
    if isinstance(rows, Mapping):
        rows = [rows]
    if not isinstance(rows, list | tuple):
        reading.fault(
            "measured", f"must be rows, each a [[measured]], got {show_value(rows)}"
        )
        return ()
    found = [
        reading.section(f"measured[{i}]", MeasuredSection, row)
        for i, row in enumerate(rows, 1)
    ]
    return tuple(row for row in found if row is not None)


def _written(section: Section, left_out: Mapping[str, Any]) -> dict[str, Any]:
    """Section in bench units, with what it left out, in the order of its fields."""
    entry = section.model_dump(exclude_none=True)
    for key, value in left_out.items():
        if key not in entry:
            entry[key] = reader_of(type(section), key).write(value)
    return {key: entry[key] for key in type(section).model_fields if key in entry}


def _section_help(key: str) -> str:
    return {
        "filler": "it says which powder",
        "elastomer": "it says what the powder is mixed into",
        "film": "it gives thickness, width and length",
        "explore": "it lists the loadings and electrode gaps to try",
    }[key]


def _toml_reason(text: str) -> str:
    match = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", text)
    if match:
        return f"line {match[2]}, column {match[3]}: {match[1][0].lower()}{match[1][1:]}"
    return text[0].lower() + text[1:]


def _to_toml(mapping: Mapping[str, Any]) -> str:
    """Plan dict as TOML (strings, numbers, booleans, lists and tables of them)."""

    def value(v: Any) -> str:
        if isinstance(v, Mapping):
            return "{ " + ", ".join(f"{k} = {value(x)}" for k, x in v.items()) + " }"
        if isinstance(v, list):
            return "[" + ", ".join(value(x) for x in v) + "]"
        # JSON's strings, numbers and booleans are TOML's, but for one escaped character
        return json.dumps(v, ensure_ascii=False).replace("\x7f", "\\u007f")

    lines = [
        f"{k} = {value(v)}" for k, v in mapping.items() if not isinstance(v, Mapping | list)
    ]
    for key, section in mapping.items():
        tables = section if isinstance(section, list) else [section]
        for table in tables:
            if isinstance(table, Mapping):
                lines += ["", f"[[{key}]]" if isinstance(section, list) else f"[{key}]"]
                lines += [f"{k} = {value(v)}" for k, v in table.items()]
    return "\n".join(lines) + "\n"


# ------------------------------------------------------------------------------------------
# From sections to materials
# ------------------------------------------------------------------------------------------


def _make_filler(section: FillerSection) -> Filler:
    from percsim.materials.elastomer import load_material
    from percsim.materials.filler import Filler, SizeDistribution

    material = load_material(section.material) if section.material else None
    kind = section.kind or (material.shape if material else "flake")
    sizes = section.length if kind == "rod" else section.diameter
    if sizes is not None:
        size = sizes.distribution()
    elif material is not None:
        size = SizeDistribution(material["size"].value, material["spread"].value)
    else:
        raise ValueError("size is missing")
    aspect = section.aspect_ratio.distribution() if section.aspect_ratio else None
    thickness = section.thickness.value if section.thickness else None
    if kind != "sphere" and aspect is None and thickness is None and material is not None:
        aspect = material["aspect_ratio"].value
    density = (
        section.density
        if section.density is not None or material is None
        else material.density
    )
    expansion = section.thermal_expansion
    if expansion is None:
        expansion = material["thermal_expansion"].value if material else 0.0
    return Filler(
        kind, float(density or 0.0), size, thickness, aspect,
        _make_orientation(section),
        section.name or (material.name if material else kind), expansion,
    )  # fmt: skip


def _powder_material(section: FillerSection) -> Material | None:
    """Material whose data file tells of the powder: the one named, or the one it is called.

    So a carbon black does not look foreseeable for having its size written out.
    """
    from percsim.materials.elastomer import load_material

    try:
        material = load_material(section.material or section.name or "")
    except ValueError:
        return None
    return material if material.kind == "filler" else None


def _make_orientation(section: FillerSection) -> Orientation:
    from percsim.materials.filler import Orientation

    if section.order is None:
        return Orientation(section.orientation, section.tilt)
    # in-plane flakes are aligned ones: their normals are about the thickness axis
    return Orientation("aligned", order=section.order)


def _make_elastomer(section: ElastomerSection) -> Elastomer:
    from percsim.materials.elastomer import Elastomer, load_material

    usual: dict[str, Any] = {
        "density": None, "mix_ratio": 10.0, "thermal_expansion": 3.1e-4,
        "poisson_ratio": 0.495, "name": "elastomer",
    }  # fmt: skip
    if section.material:
        material = load_material(section.material)
        usual |= {k: p.value for k, p in material.properties.items() if k in usual}
        usual["name"] = material.name
    given = section.model_dump(mode="python", exclude_none=True)
    return Elastomer(
        **{k: getattr(section, k) if k in given else v for k, v in usual.items()}
    )


def _modulus(
    stated: Stated | None,
    mix_ratio: float,
    cure_temperature: float | None,
    material: str | None,
) -> Modulus:
    """Modulus as stated, else from mix ratio and cure."""
    from percsim.materials.stiffness import Modulus, elastomer_modulus

    if stated is not None:
        return Modulus.stated(stated.value, stated.basis, stated.source)
    return elastomer_modulus(mix_ratio, cure_temperature, material)


# ------------------------------------------------------------------------------------------
# What only shows when sections are read together
# ------------------------------------------------------------------------------------------


def _cross_check(plan: Plan, reading: _Reading) -> None:
    """Add the faults that no single key has; keys at fault already stay out of it."""
    checks: tuple[Callable[[Plan, _Reading], None], ...] = (
        _check_fillers, _check_shares, _check_elastomer, _check_loadings, _check_lengths,
        _check_layout,
        _check_boxes, _check_contacts, _check_placement, _check_states, _check_reading,
        _check_batch, _check_sheet, _check_part, _check_measured,
    )  # fmt: skip
    for check in checks:
        check(plan, reading)


def _check_mixes(plan: Plan, reading: _Reading) -> None:
    """Add what is wrong with single mixes of a plan that is sound as written."""
    if plan.boxes.most is not None and plan.boxes.most < plan.boxes.count:
        reading.fault(
            "boxes.most",
            f"= {plan.boxes.most} is below boxes.count = {plan.boxes.count}, which every"
            " loading gets",
        )
    if plan.n_candidates > MOST_CANDIDATES:
        counts = {
            "loadings": len(plan.weight_fractions), "gaps": len(plan.electrode_gaps),
            **{f"{name}s": len(values) for name, values in plan.axes.items()},
        }  # fmt: skip
        many = " x ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())
        reading.fault(
            "explore",
            f"asks for {plan.n_candidates} candidates ({many}); at most"
            f" {MOST_CANDIDATES} are judged, so list fewer values and refine around the"
            " best",
        )
    if "diameter" in plan.axes:
        sizes = plan.filler[0].diameter or plan.filler[0].length
        if sizes is not None and sizes.sieve is not None:
            reading.fault(
                "explore.diameter",
                "does not go with a sieve, whose meshes stay while the sizes move; leave"
                " the sieve out",
            )
    if "aspect_ratio" in plan.axes:
        shaped = [k for k, f in enumerate(plan.fillers) if f.kind != "sphere"]
        if not shaped:
            reading.fault("explore.aspect_ratio", "does not belong to spheres")
        elif plan.filler[shaped[0]].thickness is not None:
            reading.fault(
                "explore.aspect_ratio",
                "does not go with filler.thickness, which fixes it; give"
                " filler.aspect_ratio",
            )
    if reading.lines:
        return
    for mix in plan.mixes if plan.axes else ():
        own = _Reading(plan.name)
        _cross_check(mix, own)
        where = f"with {mix.mix_words(tuple(plan.axes))}"
        for line in own.lines:
            reading.fault("explore", f"{where}: {line.removeprefix(f'{plan.name}: ')}")


def _find_material(reading: _Reading, key: str, name: str | None, kind: str) -> Any:
    from percsim.materials.elastomer import load_material, material_names

    if name is None or not reading.usable(key):
        return None
    try:
        material = load_material(name)
    except ValueError as error:
        hint = str(error).partition("; ")[2].replace('"', "'")
        if not hint.startswith("did you mean"):
            hint = f"known: {', '.join(material_names(kind))}"
        reading.fault(key, f"= {name!r} is not a known {kind}; {hint}")
    else:
        if material.kind == kind:
            return material
        article = "an" if material.kind[0] in "aeiou" else "a"
        reading.fault(key, f"= {name!r} is {article} {material.kind}, not the {kind}")
    reading.bad.add(key)
    return None


def _check_fillers(plan: Plan, reading: _Reading) -> None:
    several = len(plan.filler) > 1
    for i, section in enumerate(plan.filler, 1):
        if section is None:
            continue
        key = f"filler[{i}]" if several else "filler"
        if reading.usable("filler.material"):
            before = len(reading.lines)
            material = _find_material(
                reading, f"{key}.material", section.material, "filler"
            )
            if len(reading.lines) > before:
                reading.bad |= {"filler.material"}
                continue
        else:
            continue
        if not reading.usable("filler.kind"):
            continue
        kind = section.kind or (material.shape if material else "flake")
        if not _check_shape(section, reading, key, kind, material is not None):
            reading.bad.add("filler.shape")
            continue
        if not any(bad.startswith("filler") for bad in reading.bad):
            try:
                _make_filler(section)
            except ValueError as error:
                reading.fault(key, f"cannot be made: {error}")
                reading.bad.add("filler.shape")


def _check_shape(
    section: FillerSection, reading: _Reading, key: str, kind: str, known: bool
) -> bool:
    """Whether the keys given fit the kind of particle."""
    sound = True
    size, other = ("length", "diameter") if kind == "rod" else ("diameter", "length")

    def fault(name: str, what: str) -> None:
        nonlocal sound
        reading.fault(f"{key}.{name}", what)
        sound = False

    given = {k for k in type(section).model_fields if getattr(section, k) is not None}
    given |= {k for k in type(section).model_fields if f"filler.{k}" in reading.bad}
    if other in given:
        fault(other, f"is not a size of a {kind}; give {size}")
    elif size not in given and not known:
        fault(size, f"is missing; write it like {size} = {{ median = \"10 um\","
              " geometric_spread = 1.5 } or name a material")  # fmt: skip
    if "density" not in given and not known:
        fault(
            "density", 'is missing; write it like density = "2250 kg/m3" or name a material'
        )
    if kind == "sphere":
        for name in sorted({"aspect_ratio", "thickness"} & given):
            fault(name, "does not belong to a sphere")
        # isotropic is what every sphere is
        if section.orientation != "isotropic":
            fault("orientation", "does not belong to a sphere, which lies no way")
        if section.tilt > 0.0:
            fault("tilt", "does not belong to a sphere")
    elif {"aspect_ratio", "thickness"} <= given:
        fault("thickness", "and aspect_ratio say the same thing twice; give one of them")
    elif not {"aspect_ratio", "thickness"} & given and not known:
        fault(
            "aspect_ratio",
            "is missing; write it like aspect_ratio = 15, or give a thickness",
        )
    elif (
        section.orientation == "isotropic"
        and section.tilt > 0.0
        and reading.usable("filler.orientation")
    ):
        fault(
            "tilt", "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'"
        )
    if section.order is not None and reading.usable("filler.orientation", "filler.tilt"):
        if section.orientation == "isotropic":
            fault(
                "order",
                "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'",
            )
        elif section.tilt > 0.0:
            fault("order", "is there besides tilt; give one of them")
        elif kind == "rod" and section.orientation == "in-plane":
            fault("order", "is about the current; in-plane rods take a tilt")
    return sound


def _check_shares(plan: Plan, reading: _Reading) -> None:
    if len(plan.filler) < 2 or any(s is None for s in plan.filler):
        return
    if not reading.usable("filler.share"):
        return
    missing = [i for i, s in enumerate(plan.filler, 1) if s.share is None]
    for i in missing:
        reading.fault(
            f"filler[{i}].share", 'is missing; with several fillers write share = "50 %"'
        )
    total = sum(s.share or 0.0 for s in plan.filler)
    if not missing and abs(total - 1.0) > 1e-6:
        reading.fault(
            "filler", f"has shares that add up to {100 * total:.4g} %; they must make 100 %"
        )
    if missing or abs(total - 1.0) > 1e-6:
        reading.bad.add("filler.share")


def _check_elastomer(plan: Plan, reading: _Reading) -> None:
    section = plan.elastomer
    if section is None:
        return
    before = len(reading.lines)
    _find_material(reading, "elastomer.material", section.material, "elastomer")
    if len(reading.lines) > before:
        return
    if (
        section.density is None
        and section.material is None
        and reading.usable("elastomer.density")
    ):
        reading.fault(
            "elastomer.density",
            'is missing; write it like density = "1030 kg/m3" or name a material',
        )
        reading.bad.add("elastomer.density")


def _mixable(reading: _Reading) -> bool:
    """Whether the powder and the elastomer can be made from what was read."""
    keys = [f"filler.{k}" for k in (*FillerSection.model_fields, "shape")]
    keys += [f"elastomer.{k}" for k in ElastomerSection.model_fields]
    return reading.usable(*keys)


_DENSEST = math.pi / math.sqrt(18.0)
"""Share of space that equal spheres fill at their densest (Kepler; Hales 2005)."""


def _check_loadings(plan: Plan, reading: _Reading) -> None:
    explore = plan.explore
    ways = ("weight_fraction", "phr", "mass_ratio")
    if explore is None or not reading.usable(*(f"explore.{w}" for w in ways)):
        return
    given = [w for w in ways if getattr(explore, w) is not None]
    if len(given) != 1:
        reading.bad.add("explore.weight_fraction")
        if not given:
            reading.fault(
                "explore.weight_fraction",
                'is missing; write it like weight_fraction = ["22 wt%", "26 wt%"], or give'
                " phr or mass_ratio",
            )
        else:
            reading.fault(
                f"explore.{given[1]}", f"is there besides {given[0]}; give one of them"
            )
        return
    way = given[0]
    counts = explore.curing_agent_counts
    if way == "weight_fraction" and counts is False:
        reading.fault(
            "explore.curing_agent_counts",
            "= false does not go with weight_fraction, which is of the cured film with its"
            " curing agent; use phr or mass_ratio",
        )
        return
    if (
        way != "weight_fraction"
        and counts is None
        and reading.usable("explore.curing_agent_counts")
    ):
        reading.bad.add("explore.weight_fraction")
        reading.fault(
            "explore.curing_agent_counts",
            f"is missing; with {way} say true (of base and curing agent) or false (of base"
            " alone)",
        )
        return
    if not _mixable(reading) or not reading.usable("explore.curing_agent_counts"):
        return
    for weight, written in zip(
        plan.weight_fractions,
        reader_of(ExploreSection, way).write(getattr(explore, way)),
        strict=True,
    ):
        fault = plan.loading_fault(weight, written)
        if fault:
            reading.fault(f"explore.{way}", fault)
            reading.bad.add("explore.weight_fraction")


def _check_lengths(plan: Plan, reading: _Reading) -> None:
    film, explore = plan.film, plan.explore
    if film is None:
        return
    if explore is not None and reading.usable("film.length", "explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap > film.length:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{_length(gap)}' is longer than the film,"
                    f" film.length = '{_length(film.length)}'",
                )
    if not _mixable(reading):
        return
    largest = plan.largest_particle
    body = plan.fillers[0].kind
    if explore is not None and reading.usable("explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap < largest:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{_length(gap)}' is shorter than the largest {body},"
                    f" {_length(largest)}, which would bridge it",
                )
    median = plan.median_diameter
    for name in ("thickness", "width"):
        if reading.usable(f"film.{name}") and getattr(film, name) < median:
            reading.fault(
                f"film.{name}",
                f"= '{_length(getattr(film, name))}' is less than the median"
                f" {body}, {_length(median)}",
            )


_OF_LAYOUT = {
    "fingers": ("fingers", "overlap"),
    "four-terminal": ("sense_spacing",),
}
"""Keys of [film] that only one layout reads."""

_NEEDED = {
    "fingers": {"fingers": "6", "electrode_length": '"0.5 mm"'},
    "four-terminal": {"electrode_length": '"1 mm"', "sense_spacing": '"1 mm"'},
}
"""Keys of [film] that a layout cannot do without, and an example."""


def _check_layout(plan: Plan, reading: _Reading) -> None:
    """Refuse electrodes that overlap, do not fit, or are not fully said."""
    film = plan.film
    keys = [f"film.{k}" for k in FilmSection.model_fields]
    if film is None or not reading.usable(*keys):
        return
    before = len(reading.lines)
    for layout, names in _OF_LAYOUT.items():
        for name in names:
            if layout != film.layout and getattr(film, name) is not None:
                reading.fault(
                    f"film.{name}",
                    f"belongs to layout = {layout!r}, not to {film.layout!r}",
                )
    for name, example in _NEEDED.get(film.layout, {}).items():
        if getattr(film, name) is None:
            reading.fault(
                f"film.{name}",
                f"is missing with layout = {film.layout!r}; write it like {name} ="
                f" {example}",
            )
    if film.layout == "end plates":
        for name in ("electrodes", "electrode_length"):
            if getattr(film, name) is not None:
                reading.fault(f"film.{name}", "does not belong to layout = 'end plates'")
    if film.layout == "four-terminal" and film.electrodes == "embedded":
        reading.fault(
            "film.electrodes",
            "= 'embedded' would lead all current through the sensing bars, which then read"
            " their contacts as two bars do; use electrodes = 'surface'",
        )
    if len(reading.lines) > before or plan.explore is None:
        return
    if not reading.usable("explore.electrode_gap"):
        return
    for gap in plan.electrode_gaps:
        if gap > film.length:
            continue  # told already
        try:
            plan.layout.check(gap, film.width, film.thickness, film.length)
        except ValueError as error:
            reading.fault("film.layout", f"= {film.layout!r}: {error}")


def _check_boxes(plan: Plan, reading: _Reading) -> None:
    if plan.boxes is None or not reading.usable("boxes.lengths") or not _mixable(reading):
        return
    largest = plan.largest_particle
    for length in plan.box_lengths:
        if length < largest:
            reading.fault(
                "boxes.lengths",
                f"has a box of {_length(length)}, smaller than the largest"
                f" {plan.fillers[0].kind}, {_length(largest)}",
            )
    lengths = plan.box_lengths
    for a, b in pairwise(lengths):
        if b < 1.05 * a:
            reading.fault(
                "boxes.lengths",
                f"has boxes of {_length(a)} and {_length(b)};"
                " make them differ by 5 % or more",
            )


_OF_OPENING = ("g0", "beta", "delta_b", "opening_length", "Ea")
_OF_AFFINE = ("barrier_height", "contact_area")
"""Keys of [contacts] that only one of the two models reads."""


def _check_contacts(plan: Plan, reading: _Reading) -> None:
    """Refuse keys that the model would not read."""
    section = plan.contacts
    if section is None or not reading.usable("contacts.model"):
        return
    if section.model == "affine":
        other, strangers = (
            "opening",
            [k for k in _OF_OPENING if k in section.model_fields_set],
        )
    else:
        # a filled-in plan says the defaults of these too, and means nothing by it
        usual = ContactsSection()
        other = "affine"
        strangers = [k for k in _OF_AFFINE if getattr(section, k) != getattr(usual, k)]
    for name in strangers:
        reading.fault(
            f"contacts.{name}", f"belongs to model = {other!r}, not to {section.model!r}"
        )


def _check_placement(plan: Plan, reading: _Reading) -> None:
    p = plan.placement
    if p is None:
        return
    if p.clustered == 0.0 and p.cluster_diameter is not None:
        if reading.usable("placement.clustered"):
            reading.fault(
                "placement.cluster_diameter",
                'needs a share of the particles, written like clustered = "30 %"',
            )
    elif p.clustered > 0.0 and p.cluster_diameter is None:
        if reading.usable("placement.cluster_diameter"):
            reading.fault(
                "placement.cluster_diameter",
                'is missing; write it like cluster_diameter = "40 um"',
            )
    if p.impenetrable == 1.0 and plan.contacts is not None:
        cutoff = plan.contacts.cutoff
        if cutoff == 0.0 and reading.usable("contacts.cutoff"):
            reading.fault(
                "contacts.cutoff",
                "= '0 nm' leaves particles that are impenetrable throughout without a"
                " single contact; leave it out or give a gap",
            )
    if not _mixable(reading):
        return
    if reading.usable("boxes") and plan.boxes is not None and plan.clusters is not None:
        _check_clusters(plan, reading)
    if plan.film is None or not reading.usable("film.thickness", "placement"):
        return
    thickness, largest = plan.film.thickness, plan.largest_particle
    if p.impenetrable > 0.0 and p.faces == "free" and thickness < largest:
        reading.fault(
            "placement.impenetrable",
            f"= {p.impenetrable:g} needs faces = 'confining' or a film at least as thick as"
            f" the largest particles, {_length(largest)}; it is {_length(thickness)} thick",
        )
    if p.faces == "confining":
        for filler in plan.fillers:
            if filler.kind == "sphere" and filler.largest > thickness:
                reading.fault(
                    "placement.faces",
                    f"= 'confining': {filler.name} of up to {_length(filler.largest)} does"
                    f" not fit into a film {_length(thickness)} thick",
                )


def _check_clusters(plan: Plan, reading: _Reading) -> None:
    clusters = plan.clusters
    assert clusters is not None
    for filler in plan.fillers:
        try:
            clusters.members(filler, 3)
        except ValueError:
            reading.fault(
                "placement.cluster_diameter",
                f"= '{_length(clusters.diameter)}' with cluster_solids ="
                f" {clusters.solids:g} holds fewer than two particles of {filler.name}",
            )
    smallest = min(plan.box_lengths)
    if reading.usable("boxes.lengths") and clusters.diameter > smallest:
        reading.fault(
            "placement.cluster_diameter",
            f"= '{_length(clusters.diameter)}' is more than the shortest box,"
            f" {_length(smallest)}; make the boxes longer",
        )


def _check_states(plan: Plan, reading: _Reading) -> None:
    """Refuse states in which contacts would be more closed than in the reference state."""
    keys = ("strain", "temperature", "contacts", "explore")
    if any(getattr(plan, k) is None for k in keys) or not _mixable(reading):
        return
    if plan.contacts.model != "opening" or not reading.usable(
        "explore.weight_fraction", "explore.phr", "explore.mass_ratio",
        "explore.curing_agent_counts",
        "strain.window", "temperature.values", "contacts.closed_at", "contacts.lambda_T",
        "contacts.model",
    ):  # fmt: skip
        return
    thermal = plan.thermal(max(plan.weight_fractions))
    share, closed = thermal.share, thermal.closed_at
    if plan.strain.mounting == "free" and plan.strain.bonded_at != ROOM_TEMPERATURE:
        reading.fault(
            "strain.bonded_at", "needs mounting = 'bonded' or 'biaxial', not 'free'"
        )
    if thermal.bond is not None and thermal.bond.bonded_at < closed:
        at, shut = (
            format_quantity(t, "temperature") for t in (thermal.bond.bonded_at, closed)
        )
        reading.fault(
            "strain.bonded_at",
            f"= '{at}' is colder than contacts.closed_at, '{shut}', where the contacts are"
            " pressed shut; bond the film at that temperature or above",
        )
        return
    strain, temperature = plan.window_strains[0], min(plan.temperatures)
    swelling = plan.coldest_swelling
    stretch = (1.0 + swelling) * (1.0 + strain)
    if stretch >= 1.0 - 1e-12:
        return
    warming = (
        f"1 {swelling:+.4g}"
        if thermal.bond is not None
        else f"1 + {share:g} x {format_quantity(thermal.expansion, 'expansion', digits=3)}"
        f" x {temperature - closed:.4g} K"
    )
    numbers = f"({warming}) x (1 {strain:+.4g}) = {stretch:.6f}, below 1"
    if share * thermal.expansion > 0.0:
        colder = plan.closed_for(strain)
        advice = (
            "no temperature is cold enough; compress less"
            if colder is None
            else f"set it to '{colder:d} C' or colder"
        )
    else:
        advice = "with lambda_T = 0 nothing holds the contacts open; do not compress"
    reading.fault(
        "contacts.closed_at",
        f"= '{format_quantity(closed, 'temperature')}': at"
        f" {format_quantity(strain, 'strain')} and"
        f" {format_quantity(temperature, 'temperature')} the contacts are more closed than"
        f" in the reference state, {numbers}; {advice}",
    )


def _check_reading(plan: Plan, reading: _Reading) -> None:
    """Refuse what the strains and temperatures of the plan cannot answer."""
    supply, target = plan.supply, plan.target
    if reading.usable("strain.window", "strain.chord") and plan.strain.chord is not None:
        (first, last), chord = plan.strain.window, plan.strain.chord
        if chord == 0.0 or not first <= chord <= last:
            reading.fault(
                "strain.chord",
                f"= {1e6 * chord:.6g} microstrain must be a strain of the window,"
                f" {1e6 * first:.6g} to {1e6 * last:.6g} microstrain, other than zero",
            )
    if plan.vibration is not None and reading.usable("vibration", "strain"):
        cycle = plan.vibration_cycle
        assert cycle is not None
        mean, amplitude = cycle
        low, high = plan.window_strains[0], plan.window_strains[-1]
        # room for the last digit of a sum
        slack = 1e-9 * (high - low)
        if mean - amplitude < low - slack or mean + amplitude > high + slack:
            reading.fault(
                "vibration",
                f"runs from {1e6 * (mean - amplitude):.6g} to"
                f" {1e6 * (mean + amplitude):.6g} microstrain, outside of what is computed,"
                f" {1e6 * low:.6g} to {1e6 * high:.6g}; widen strain.window or vibrate"
                " less",
            )
    if target is None:
        return
    if (
        supply is not None
        and reading.usable("supply")
        and supply.lowest_frequency >= supply.bandwidth
    ):
        reading.fault(
            "supply.lowest_frequency",
            f"= '{format_quantity(supply.lowest_frequency, 'frequency')}' must be below the"
            f" bandwidth, '{format_quantity(supply.bandwidth, 'frequency')}'",
        )
    if target.largest_self_heating_drift is not None and supply is None:
        reading.fault("target.largest_self_heating_drift", "needs the section [supply]")
    for name in ("largest_self_heating_drift", "largest_thermal_output"):
        if (
            getattr(target, name) is not None
            and reading.usable("temperature")
            and len(plan.temperatures) < 2
        ):
            reading.fault(
                f"target.{name}",
                'needs two temperatures or more, written like values = ["0 C", "20 C",'
                ' "40 C"] under [temperature]',
            )


def _check_batch(plan: Plan, reading: _Reading) -> None:
    batch = plan.batch
    if batch is None:
        return
    if batch.mass is not None and batch.films is not None:
        reading.fault("batch.mass", "is there besides films; give one of them")
    _find_material(reading, "batch.solvent", batch.solvent, "solvent")
    thinned = batch.solvent_mass_ratio is not None or batch.wet_thickness is not None
    if batch.solvent is None and reading.usable("batch.solvent"):
        for name in ("solvent_mass_ratio", "wet_thickness"):
            if getattr(batch, name) is not None:
                reading.fault(
                    f"batch.{name}", "needs batch.solvent, the name of the solvent"
                )
    elif batch.solvent_mass_ratio is not None and batch.wet_thickness is not None:
        reading.fault(
            "batch.wet_thickness", "is there besides solvent_mass_ratio; give one"
        )
    elif not thinned and reading.usable("batch.solvent_mass_ratio", "batch.wet_thickness"):
        reading.fault(
            "batch.solvent_mass_ratio",
            'is missing; write it like solvent_mass_ratio = "0.5:1", or give wet_thickness',
        )
    if (
        batch.wet_thickness is not None and plan.film is not None
        and reading.usable("batch.wet_thickness", "film.thickness")
        and batch.wet_thickness <= plan.film.thickness
    ):  # fmt: skip
        reading.fault(
            "batch.wet_thickness",
            f"= '{_length(batch.wet_thickness)}' must be above the dry"
            f" thickness, '{_length(plan.film.thickness)}'",
        )


def _check_sheet(plan: Plan, reading: _Reading) -> None:
    sheet = plan.sheet
    if sheet is None:
        return
    before = len(reading.lines)
    _find_material(reading, "sheet.material", sheet.material, "elastomer")
    if len(reading.lines) > before:
        return
    given = [k for k in type(sheet).model_fields if getattr(sheet, k) is not None]
    if given and sheet.thickness is None and reading.usable("sheet.thickness"):
        reading.fault("sheet.thickness", 'is missing; write it like thickness = "0.15 mm"')


def _check_part(plan: Plan, reading: _Reading) -> None:
    part = plan.part
    if part is None or not reading.usable(*(f"part.{k}" for k in PartSection.model_fields)):
        return
    usual = PartSection()
    strays = [
        k for k in ("side", "control", "bent") if getattr(part, k) != getattr(usual, k)
    ]
    if not plan.has_part and not strays and part.poisson_ratio is None:
        return
    if part.modulus is not None and part.rigid:
        reading.fault("part.modulus", "is there besides rigid = true; give one of them")
    elif part.modulus is None and not part.rigid:
        reading.fault(
            "part.modulus",
            'is missing; write it like modulus = "70 GPa", or rigid = true',
        )
    if part.radius is None:
        for name in ("side", "bent"):
            if name in strays:
                reading.fault(
                    f"part.{name}", 'needs a radius, written like radius = "25 mm"'
                )
    if part.rigid and part.control == "force":
        reading.fault("part.control", "= 'force' strains no rigid part; give its modulus")
    shared = part.control == "force" or part.bent == "after bonding"
    if part.thickness is None and shared and not part.rigid:
        why = "control = 'force'" if part.control == "force" else "bent = 'after bonding'"
        reading.fault(
            "part.thickness", f'is missing; with {why} write it like thickness = "1.5 mm"'
        )
    usual_ratio = StrainSection().part_poisson_ratio
    if (
        part.poisson_ratio is not None and plan.strain is not None
        and reading.usable("strain.part_poisson_ratio")
        and plan.strain.part_poisson_ratio not in (usual_ratio, part.poisson_ratio)
    ):  # fmt: skip
        reading.fault(
            "part.poisson_ratio",
            f"= {part.poisson_ratio:g} is not strain.part_poisson_ratio ="
            f" {plan.strain.part_poisson_ratio:g}; give one of them",
        )
    if (
        part.radius is not None and plan.film is not None and plan.sheet is not None
        and reading.usable("film.thickness", "sheet.thickness")
    ):  # fmt: skip
        stack = plan.film.thickness + (plan.sheet.thickness or 0.0)
        if part.radius <= stack:
            what = "film and sheet" if plan.sheet.thickness else "film"
            reading.fault(
                "part.radius",
                f"= '{_length(part.radius)}' is not above the thickness of {what},"
                f" '{_length(stack)}'; they cannot be bent to it",
            )
    if (
        part.radius is not None and part.thickness is not None and not part.rigid
        and part.bent == "after bonding" and part.side == "outer"
        and part.thickness >= part.radius
    ):  # fmt: skip
        reading.fault(
            "part.thickness",
            f"= '{_length(part.thickness)}' must be below the radius of its outer"
            f" surface, '{_length(part.radius)}'; give that of the wall",
        )
    if part.misalignment is not None and plan.strain is not None:
        if reading.usable("strain.mounting") and plan.strain.mounting != "bonded":
            reading.fault(
                "part.misalignment",
                f"needs mounting = 'bonded', not {plan.strain.mounting!r}",
            )


def _check_measured(plan: Plan, reading: _Reading) -> None:
    """Rows against what the plan explores."""
    if not plan.measured:
        return
    rows = plan.measured
    labels = [f"measured[{i}]" for i in range(1, len(rows) + 1)]
    for label, row in zip(labels, rows, strict=True):
        _check_row(plan, reading, label, row)
    if plan.explore is not None and not reading.lines:
        _check_together(plan, reading, labels, rows)


def _check_mix(plan: Plan, row: MeasuredSection, fault: Callable[[str, str], None]) -> None:
    """One row against the films, fillers and mix ratios that the plan lists."""
    words = {
        "thickness": ("film thicknesses", "length", "measured"),
        "diameter": ("filler sizes", "length", "of the films"),
        "aspect_ratio": ("aspect ratios", "", "of the films"),
        "mix_ratio": ("mix ratios", "ratio", "of the films"),
    }

    def written(name: str, value: float) -> str:
        kind = words[name][1]
        return format_quantity(value, kind) if kind else f"{value:g}"

    for name, (what, _, whose) in words.items():
        listed, own = plan.axes.get(name, ()), getattr(row, name)
        if len(listed) > 1 and own is None:
            fault(
                name,
                f"is missing; the plan explores {what}"
                f" {', '.join(written(name, x) for x in listed)}: say the one {whose}",
            )
        elif (
            own is not None
            and name != "thickness"
            and listed
            and not any(math.isclose(own, x, rel_tol=1e-6) for x in listed)
        ):
            fault(
                name,
                f"= '{written(name, own)}' is not among the {what} that the plan explores,"
                f" {', '.join(written(name, x) for x in listed)}",
            )


def _check_together(
    plan: Plan, reading: _Reading, labels: Sequence[str], rows: Sequence[MeasuredSection]
) -> None:
    """Rows against each other: one mix, and one loading a cup."""
    cups: dict[str, tuple[str, MeasuredSection]] = {}
    for label, row in zip(labels, rows, strict=True):
        here, first = plan.mix_of(row), plan.mix_of(rows[0])
        if here != first:
            names = [name for (name, a), (_, b) in zip(here, first, strict=True) if a != b]
            reading.fault(
                f"{label}.{names[0]}",
                f"is another than that of {labels[0]}; films tell of the mix they were"
                " cast of alone, so read one mix at a time",
            )
        if row.batch is None:
            continue
        where, other = cups.setdefault(row.batch, (label, row))
        if not math.isclose(other.weight_fraction, row.weight_fraction, rel_tol=1e-9):
            reading.fault(
                f"{label}.batch",
                f"= {row.batch!r} holds {100 * row.weight_fraction:.4g} wt% here and"
                f" {100 * other.weight_fraction:.4g} wt% in {where}; one cup has one"
                " loading",
            )


def _check_row(plan: Plan, reading: _Reading, label: str, row: MeasuredSection) -> None:
    """One measured row; faults of the plan itself come first and silence these."""
    if row is None:
        return
    unusable = any(line.startswith(f"{reading.name}: {label}.") for line in reading.lines)
    if unusable:
        return
    is_open = row.resistance is not None and math.isinf(row.resistance)

    def fault(key: str, what: str) -> None:
        reading.fault(f"{label}.{key}", what)

    if row.resistance is None and row.change is None:
        fault("resistance", 'is missing; write it like resistance = "2.1 kohm", or "open"')
    if is_open and row.change is not None:
        fault("change", "does not go with open films, which have no R to change")
    if (
        row.change is not None
        and row.strain == 0.0
        and abs(row.temperature - ROOM_TEMPERATURE) < 1e-6
    ):
        fault("change", "needs the strain or the temperature at which it was read")
    if plan.contacts is not None and reading.usable("contacts.model"):
        if plan.contacts.model == "affine":
            fault("resistance", "belongs to model = 'opening'; nothing learns from it here")
            return
    if plan.explore is not None and reading.usable("explore") and _mixable(reading):
        if reading.usable("explore.weight_fraction"):
            low, high = min(plan.weight_fractions), max(plan.weight_fractions)
            if not low - 1e-9 <= row.weight_fraction <= high + 1e-9:
                fault(
                    "weight_fraction",
                    f"= '{100 * row.weight_fraction:.4g} wt%' is outside the plan's"
                    f" loadings, {100 * low:.4g} to {100 * high:.4g} wt%; explore it too",
                )
        _check_mix(plan, row, fault)
    if plan.film is not None and reading.usable("film.length"):
        if row.electrode_gap > plan.film.length:
            fault(
                "electrode_gap",
                f"= '{_length(row.electrode_gap)}' is longer than the film,"
                f" film.length = '{_length(plan.film.length)}'",
            )
    if plan.film is not None and reading.usable("film.thickness"):
        for key in ("thickness", "width"):
            value, planned = getattr(row, key), getattr(plan.film, key)
            if value is not None and not planned / 10.0 <= value <= 10.0 * planned:
                fault(
                    key,
                    f"= '{_length(value)}' is more than ten times off the plan's,"
                    f" '{_length(planned)}'; check the unit",
                )
    if plan.strain is not None and reading.usable("strain"):
        low, high = plan.window_strains[0], plan.window_strains[-1]
        if not low - 1e-12 <= row.strain <= high + 1e-12:
            fault(
                "strain",
                f"= '{format_quantity(row.strain, 'strain')}' is outside the plan's window,"
                f" {1e6 * low:.4g} to {1e6 * high:.4g} microstrain",
            )
    if plan.temperature is not None and reading.usable("temperature"):
        low, high = min(plan.temperatures), max(plan.temperatures)
        if not low - 1e-6 <= row.temperature <= high + 1e-6:
            only = format_quantity(low, "temperature")
            reach = (
                only if low == high else f"{only} to {format_quantity(high, 'temperature')}"
            )
            fault(
                "temperature",
                f"= '{format_quantity(row.temperature, 'temperature')}' is outside the"
                f" plan's, {reach}; add it to temperature.values",
            )
