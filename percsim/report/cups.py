"""The sheet of a cup: what to weigh and cast, what it will read, blanks for what was read.

`plan.readings` reads it back once it is filled in.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from percsim.decision.decide import FILMS, Decision
from percsim.decision.outlook import Band, Recipe
from percsim.materials.weighing import WeighOut
from percsim.plan import Plan
from percsim.plan.axes import AXES
from percsim.plan.readings import FILM, STRAINED, WEIGHED
from percsim.quantities import grams, mix

__all__ = ["CupSheet", "cup_sheet", "cup_to_cast"]

BLANKS = (
    "resistance (ohm)",
    "strain (microstrain)",
    f"{STRAINED} (ohm)",
    "temperature (C)",
)
"""What is read of a film."""


@dataclass(frozen=True, slots=True)
class CupSheet:
    """One cup and its films.

    Parameters
    ----------
    name : str
        What readings call it.
    weigh_out : WeighOut
        What to weigh.
    films : tuple of (float, Band or None)
        Gap [m] of each kind of film, and what one casting of it reads [ohm] where known.
    mix : tuple of (str, str)
        Keys and values in bench units that tell its mix from others of the plan.

    """

    name: str
    weigh_out: WeighOut
    films: tuple[tuple[float, Band | None], ...]
    mix: tuple[tuple[str, str], ...] = ()

    @classmethod
    def of(
        cls, plan: Plan, name: str, weigh_out: WeighOut, bands: Mapping[float, Band]
    ) -> CupSheet:
        """Films at every gap of a plan of one mix; bands are by gap [m]."""
        gaps = [float(gap) for gap in plan.electrode_gaps]
        told = tuple((key, AXES[key].written(value)) for key, value in plan.mix)
        return cls(name, weigh_out, tuple((gap, bands.get(gap)) for gap in gaps), told)

    def rows(self) -> Iterable[dict[str, object]]:
        """Give a row a film."""
        sheet, step, film = self.weigh_out, 1e3 * self.weigh_out.resolution, 0
        for gap, band in self.films:
            for _ in range(FILMS):
                film += 1
                yield {
                    "cup": self.name,
                    FILM: film,
                    "weight_fraction (wt%)": f"{100.0 * sheet.recipe.weight_fraction:.6g}",
                    "mix_ratio": mix(sheet.recipe.elastomer.mix_ratio),
                    **dict(self.mix),
                    "electrode_gap (mm)": f"{1e3 * gap:.6g}",
                    **{f"weigh {k} (g)": grams(m, step) for k, m in sheet.readings.items()},
                    **_expected(band),
                    "lot": "",
                    **{f"{WEIGHED} {part} (g)": "" for part in sheet.readings},
                    **dict.fromkeys(BLANKS, ""),
                }


def _expected(band: Band | None) -> dict[str, str]:
    ends = (None,) * 3 if band is None else (band.median, band.p05, band.p95)
    heads = ("resistance", "5 %", "95 %")
    return {
        f"expected {head} (ohm)": "" if end is None else f"{float(f'{end:.3g}'):g}"
        for head, end in zip(heads, ends, strict=True)
    }


def cup_to_cast(
    plan: Plan, decision: Decision, recipes: Sequence[Recipe]
) -> tuple[CupSheet, ...]:
    """Give the cup that a decision over recipes asks for; none where nothing will do."""
    cup = decision.cup
    if cup is None:
        return ()
    films = [recipes[i].film for i in cup.recipes]
    bands = {
        film.electrode_gap: band for film, band in zip(films, cup.resistance, strict=True)
    }
    own = plan.mixes[cup.mix]
    sheet = own.weigh_out(own.recipe(cup.weight_fraction), films[0])
    return (CupSheet.of(own, f"cup {decision.cups + 1}", sheet, bands),)


def cup_sheet(cups: Sequence[CupSheet]) -> str:
    """Lay out cups as comma-separated text, a row a film; a remark where there is none."""
    rows = [row for cup in cups for row in cup.rows()]
    if not rows:
        return "# no cup to cast: nothing here will do\n"
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
