"""The whole plan: loaded, written, and the mixes that it lists."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

from percsim.errors import PlanError
from percsim.files import read_text
from percsim.materials.cautions import by_danger
from percsim.materials.elastomer import load_material
from percsim.plan.check import OF_OPENING, check_plan
from percsim.plan.check_rows import check_added_rows
from percsim.plan.mixes import Mixes
from percsim.plan.read import Reading, parse_toml, read_sections
from percsim.plan.remarks import own_remarks, size_cuts, threshold_remark
from percsim.plan.sections import SECTIONS
from percsim.plan.sections.use import MeasuredSection
from percsim.plan.tables import PLAN_FOLDER, AspectRatio, Sizes
from percsim.plan.write import length, to_toml, without_widths
from percsim.units import show_value

__all__ = ["Plan"]

MANY_CANDIDATES = 200
"""More are warned of."""


class Plan(Mixes):
    """A plan, read and checked.

    Make one with `Plan.load` or `Plan.from_dict`; both check everything.
    """

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
        folder = PLAN_FOLDER.set(path.parent)
        try:
            return cls._read(parse_toml(text, name), name, text, str(path))
        finally:
            PLAN_FOLDER.reset(folder)

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
        if not isinstance(mapping, Mapping):
            raise PlanError([f"{name}: must hold sections, got {show_value(mapping)}"])
        plan = cls._read(mapping, name)
        # it keeps what was made of it while it was checked, its dict among that
        object.__setattr__(plan, "text", to_toml(plan._as_dict))
        return plan

    @classmethod
    def _read(
        cls, mapping: Mapping[str, Any], name: str, text: str = "", path: str = ""
    ) -> Plan:
        reading = Reading(name, text)
        parts = read_sections(reading, mapping)
        parts["tolerances_section"] = parts.pop("tolerances")
        plan = cls(**parts, name=name, text=text, path=path)
        check_plan(plan, reading)
        reading.refuse()
        return plan

    def as_dict(self) -> dict[str, Any]:
        """Plan as a JSON-able dict: words of the file, units normalised, defaults too.

        Returns
        -------
        dict
            `Plan.from_dict` reads it back to an equal plan.

        """
        return deepcopy(self._as_dict)

    @cached_property
    def _as_dict(self) -> dict[str, Any]:
        fillers = []
        for section, filler in zip(self.filler, self.fillers, strict=True):
            size = "length" if filler.kind == "rod" else "diameter"
            filled: dict[str, Any] = {
                "kind": filler.kind, "density": filler.density, "name": filler.name,
                "thermal_expansion": filler.thermal_expansion,
                size: Sizes(filler.size.median, filler.size.spread),
            }  # fmt: skip
            if filler.kind != "sphere" and section.thickness is None:
                filled["aspect_ratio"] = AspectRatio(filler.median_aspect_ratio)
            fillers.append(section.written(filled))
        own = ("density", "mix_ratio", "thermal_expansion", "poisson_ratio", "name")
        contacts = ("g0", "closed_at", "cutoff", "electrode_conductance", "opening_length")
        cycle = self.vibration_cycle
        left_out: dict[str, dict[str, Any]] = {
            "elastomer": {k: getattr(self.cured_elastomer, k) for k in own},
            "contacts": {k: getattr(self, k) for k in contacts},
            "tolerances": {"thickness": self.tolerances.thickness},
            "batch": {"mass": self.batch_mass},
            "target": {"supply": self.supply_voltage},
            "supply": {
                "voltage": self.supply_voltage, "series_resistor": self.series_resistor,
            },
            "vibration": {} if cycle is None else {"mean": cycle[0]},
            "cycles": self.cycles.usual(self.chord_strain),
        }  # fmt: skip
        out: dict[str, Any] = {"title": self.title, "seed": self.seed}
        out["filler"] = fillers[0] if len(fillers) == 1 else fillers
        for key in [key for key in SECTIONS if key != "filler"]:
            section = getattr(self, "tolerances_section" if key == "tolerances" else key)
            if section is not None:
                out[key] = section.written(left_out.get(key, {}))
        if self.contacts.model == "affine":
            for key in OF_OPENING:
                out["contacts"].pop(key, None)
        if self.measured:
            out["measured"] = [row.written({}) for row in self.measured]
        return out

    def with_measured(
        self, rows: Sequence[Mapping[str, Any]], name: str, folder: Path | None = None
    ) -> Plan:
        """Plan with more measured rows.

        Parameters
        ----------
        rows : sequence of mapping
            Each a row's number in its file under "row", and its keys in the words of
            [[measured]].
        name : str
            What messages call the file they come from.
        folder : Path, optional
            Its folder: other files that rows name lie beside it or below.

        Returns
        -------
        Plan

        Raises
        ------
        PlanError
            With every fault of the rows, one line each.

        """
        reading = Reading(name)
        read = []
        before = PLAN_FOLDER.set(folder or PLAN_FOLDER.get())
        try:
            for row in rows:
                keys = {k: v for k, v in row.items() if k != "row"}
                label = f"line {row['row']}"
                if "note" in row:
                    label += f" ({show_value(row['note'])})"
                read.append((label, reading.section(label, MeasuredSection, keys)))
        finally:
            PLAN_FOLDER.reset(before)
        check_added_rows(self, reading, read)
        reading.refuse()
        added = [row for _, row in read]
        text = to_toml({"measured": [row.written({}) for row in added]})
        return replace(
            self,
            measured=(*self.measured, *added),
            text=f"{self.text.rstrip()}\n{text}",
        )

    @cached_property
    def hash(self) -> str:
        """SHA-256 of all that affects a box: the filled-in plan less its title.

        Nor do measured rows, or how wide an assumption is, change any.
        """
        content = self.as_dict()
        content = {k: v for k, v in content.items() if k not in ("title", "measured")}
        words = json.dumps(without_widths(content), sort_keys=True)
        return hashlib.sha256(words.encode()).hexdigest()

    @cached_property
    def whole_text(self) -> str:
        """The plan as written, or filled in where it needs another file to be read."""
        sizes = (s for f in self.filler for s in (f.diameter, f.length) if s is not None)
        named = self.cycles.path or any(row.cycle for row in self.measured)
        points = self.patches is not None and self.patches.field is not None
        if self.path and (named or points or any(s.edges for s in sizes)):
            return to_toml(self.as_dict())
        return self.text

    def __repr__(self) -> str:
        gaps = ", ".join(map(length, self.electrode_gaps))
        weights = ", ".join(f"{100 * w:.4g}" for w in self.weight_fractions)
        return f"Plan {self.title!r}: {weights} wt% at gaps {gaps}, seed {self.seed}"

    # ------------------------------------------------------------------ what may mislead
    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind with the plan's materials, the worst danger first, each once.

        Of powders without a data file what holds for any, and of such elastomers what
        holds for an addition-cure silicone.
        """
        known = [
            *(section.known() or load_material("other powder") for section in self.filler),
            self.elastomer.known() or load_material("addition-cure silicone"),
        ]
        if self.batch.solvent is not None:
            known.append(load_material(self.batch.solvent))
        return by_danger(caution for material in known for caution in material.cautions)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is allowed but may mislead, one line each."""
        if not self.axes:
            return own_remarks(self)
        told: dict[str, list[str]] = {}
        for mix in self.mixes:
            for line in own_remarks(mix):
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
    def size_cuts(self) -> tuple[str, ...]:
        """Where the cut of a log-normal law takes away more than its tail, one a powder."""
        return size_cuts(self.fillers)

    @property
    def threshold_remark(self) -> str:
        """Where boxes differ from what the threshold is grown with; empty if nowhere."""
        return threshold_remark(self.placement)
