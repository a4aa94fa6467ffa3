"""What bounds the answer: what the mix allows, what is not modelled, how to repeat it."""

from __future__ import annotations

from percsim.first_page import read_first_page
from percsim.quantities import (
    counted,
    mm,
    number,
    percent,
    quantity,
    sentence,
    three,
    weight,
    with_error,
)
from percsim.report.candidates import Summary
from percsim.report.chapter import Chapter, chapter, table
from percsim.words.candidates import castability
from percsim.words.first import caution_lines

__all__ = ["cautions", "not_modelled", "repeat", "sheet"]


def sheet(summary: Summary) -> Chapter | None:
    """Whether the mix of the next cup can be cast, and the rest of its weigh-out sheet."""
    found = summary.get("weigh_out")
    if not found:
        return None
    read = found["weight_fraction_read"]
    solids = f"{percent(found['wet_solids'])} of {percent(found['packing_limit'])} vol%"
    rows = [
        ("mix to weigh, losses included", quantity(found["total_g"], "g")),
        ("of it lost in the cup and on the tools", f"{percent(found['loss'])} %"),
        (
            "loading, of masses on the balance",
            f"{with_error(read, found['weight_fraction_uncertainty'], 100.0)} wt%",
        ),
        ("solids as cast, of those that jam", solids),
        ("thickening by the filler", f"x {three(found['relative_viscosity'], 'no bound')}"),
    ]
    if found["solvent"]:
        rows += [
            (str(found["solvent"]), quantity(found["solvent_volume_m3"], "volume")),
            (
                "spread wet",
                f"{mm(found['wet_thickness_m'])} for {mm(found['film_thickness_m'])}",
            ),
        ]
    can = castability(found["castable"], number(found["relative_viscosity"]) or 0.0)
    return chapter(
        "castable",
        f"A mix of {weight(found['weight_fraction'])} {can}",
        "Jamming is estimated from the aspect ratio alone, thickening is (1 - "
        "solids/jamming)^-2: both formulas from memory and rough; wide sizes or shear let "
        "more in.",
        *found["cautions"],
        table=table(("~of the cup to cast", "#value"), rows),
    )


def not_modelled(summary: Summary) -> Chapter | None:
    """List what the simulation leaves out."""
    left_out = summary.get("not_modelled")
    if not left_out:
        return None
    return chapter(
        "not-modelled",
        f"{len(left_out)} things that films do are not modelled",
        table=table(("~not modelled",), [(line,) for line in left_out]),
    )


def cautions(summary: Summary) -> Chapter | None:
    """List what to mind beside what stands on the first page."""
    first = summary.get("first_page")
    said = set(caution_lines(read_first_page(first))) if first else set()
    told = [line for line in summary.get("cautions") or [] if sentence(line) not in said]
    if not told:
        return None
    return chapter(
        "cautions",
        f"{counted(len(told), 'caution')} on these numbers",
        table=table(("~caution",), [(line,) for line in told]),
    )


def repeat(summary: Summary) -> Chapter | None:
    """How to get the same digits again."""
    if not summary.get("command"):
        return None
    rows = list((summary.get("environment") or {}).items())
    return chapter(
        "repeat",
        f"Seed {summary['seed']} and the same versions give the same digits",
        f"On any number of workers: {summary['command']} (the plan lies beside this page).",
        table=table(("made with", "~"), rows),
    )
