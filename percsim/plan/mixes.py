"""The mixes of a plan: every combination of what [explore] lists beside loading and gap."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import product
from typing import Any, Self

from percsim.plan.axes import AXES
from percsim.plan.build import Stages, strains_within
from percsim.plan.sections.use import MeasuredSection
from percsim.plan.tables import AspectRatio, Sizes

__all__ = ["Mixes"]


class Mixes(Stages):
    """The sections of a plan, the stages made from them, and all its mixes."""

    @cached_property
    def axes(self) -> dict[str, tuple[float, ...]]:
        """Axes of [explore] listed beside loading and gap, and their values."""
        listed = [name for name in AXES if name in self.explore.given()]
        return {name: getattr(self.explore, name) for name in listed}

    @cached_property
    def mixes(self) -> tuple[Self, ...]:
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
        strains = strains_within(mixes)
        return tuple(replace(mix, shared_strains=strains) for mix in mixes)

    def _at(self, values: Mapping[str, float]) -> Self:
        """One mix of the plan."""
        fillers = list(self.filler)
        if "diameter" in values:
            size = "length" if self.fillers[0].kind == "rod" else "diameter"
            law = self.fillers[0].size
            sizes = getattr(fillers[0], size) or Sizes(law.median, law.spread)
            sized: dict[str, Any] = {size: sizes.at_median(values["diameter"])}
            fillers[0] = replace(fillers[0], **sized)
        if "aspect_ratio" in values:
            # of the first filler that has one
            k = next(k for k, f in enumerate(self.fillers) if f.kind != "sphere")
            written = fillers[k].aspect_ratio or AspectRatio(1.0)
            aspect = replace(written, value=values["aspect_ratio"])
            fillers[k] = replace(fillers[k], aspect_ratio=aspect)
        film, elastomer = self.film, self.elastomer
        if "thickness" in values:
            film = replace(film, thickness=values["thickness"])
        if "mix_ratio" in values:
            elastomer = replace(elastomer, mix_ratio=values["mix_ratio"])
        none: dict[str, Any] = dict.fromkeys(AXES)
        return replace(
            self,
            filler=tuple(fillers),
            film=film,
            elastomer=elastomer,
            # beta and delta_b mean the same in every mix
            contacts=replace(self.contacts, opening_length=self.opening_length),
            explore=replace(self.explore, **none),
            mix=tuple(values.items()),
        )

    @cached_property
    def strains(self) -> tuple[float, ...]:
        """Strains computed, rising: the same for all mixes, which share boxes."""
        return self.mixes[0].strains if self.axes else super().strains

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
        return ", ".join(
            AXES[name].words.format(AXES[name].written(value))
            for name, value in self.mix
            if name in names
        )

    def mix_values(self, names: Sequence[str]) -> tuple[tuple[str, float], ...]:
        """Values of a mix in SI, of those of its axes, by their names in results."""
        return tuple((AXES[n].column, value) for n, value in self.mix if n in names)

    def mix_of(self, row: MeasuredSection) -> tuple[tuple[str, float], ...]:
        """Axes and values of the mix that films of a measured row were cast of.

        Of an axis with several values the row names one; of thicknesses it is the nearest
        to the measured one.
        """
        values = {}
        for name, listed in self.axes.items():
            own = getattr(row, name) or listed[0]
            off = [abs(math.log(value / own)) for value in listed]
            values[name] = listed[off.index(min(off))]
        return tuple(values.items())

    @property
    def box_axes(self) -> tuple[str, ...]:
        """Axes of a mix that its boxes depend on.

        Thick films share boxes whatever their thickness, and mix ratios do while the
        elastomer has one density and one expansion for all.
        """
        depend = {"diameter", "aspect_ratio", *(["thickness"] if self.is_thin else [])}
        return tuple(name for name, _ in self.mix if name in depend)

    @cached_property
    def box_label(self) -> str:
        """What the boxes of a mix depend on, as the first part of their keys.

        Empty for a plan without axes.
        """
        names = self.box_axes
        return "".join(f"{name} {value!r}/" for name, value in self.mix if name in names)
