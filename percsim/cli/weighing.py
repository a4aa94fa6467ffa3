"""The command that prints weigh-out sheets."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from percsim.cli.shared import (
    Debug,
    Json,
    PlanArgument,
    Quiet,
    command,
    option,
    say,
    say_json,
    table,
)

if TYPE_CHECKING:
    from percsim.materials.weighing import WeighOut

__all__ = ["recipe"]


@command(
    "percsim recipe patch.toml",
    "percsim recipe patch.toml --weight-fraction '30 wt%' --films 24",
    "percsim recipe patch.toml --weight-fraction '30 wt%' --mass '50 g'",
)
def recipe(
    plan: PlanArgument,
    weight_fraction: Annotated[
        str | None,
        typer.Option(
            metavar="WT%",
            help="Loading, such as '30 wt%'; default all that the plan explores.",
        ),
    ] = None,
    films: Annotated[int | None, typer.Option(min=1, help="Films to cast.")] = None,
    mass: Annotated[
        str | None,
        typer.Option(
            metavar="MASS", help="Mass of the cured batch, such as '50 g', instead."
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Print the weigh-out sheet of a batch."""
    from percsim.errors import PlanError
    from percsim.plan import Plan

    loaded = Plan.load(plan)
    problems: list[str] = []
    weights = loaded.weight_fractions
    if weight_fraction is not None:
        asked = option("--weight-fraction", weight_fraction, "weight_fraction", problems)
        weights = (asked,) if asked is not None else ()
        if asked is not None and not 0.0 < asked < 1.0:
            problems.append(
                f"--weight-fraction = '{weight_fraction}' must be above 0, below 100 wt%"
            )
        elif asked is not None:
            fault = loaded.loading_fault(asked, weight_fraction)
            if fault:
                problems.append(f"--weight-fraction {fault}")
    kilograms = None if mass is None else option("--mass", mass, "mass", problems)
    if kilograms == 0.0:
        problems.append(f"--mass = '{mass}' must be above 0")
    if films is not None and mass is not None:
        problems.append("--films and --mass: give one of them")
    if problems:
        raise PlanError(problems)
    sheets = [
        loaded.weigh_out(loaded.recipe(w), films=films, mass=kilograms) for w in weights
    ]
    if as_json:
        say_json([sheet.as_dict() for sheet in sheets])
    elif len(sheets) == 1:
        say(_sheet(sheets[0], quiet))
    else:
        say(_sheets(sheets, quiet))


def _grams(value: float, step: float) -> str:
    """Mass in grams to the step of the balance."""
    places = 0
    while places < 6 and abs(round(step, places) - step) > 1e-9 * step:
        places += 1
    return f"{value:.{places}f}"


def _sheet(sheet: WeighOut, quiet: bool) -> str:
    """One batch in full."""
    from percsim.units import format_quantity

    step = 1e3 * sheet.resolution
    blend = sheet.recipe
    lines = [
        f"{_percent(sheet)} wt% filler ({100 * sheet.solids:.3g} vol%),"
        f" base to curing agent {blend.elastomer.mix_ratio:g}:1",
        "",
        table(
            ("component", "weigh (g)"),
            [
                *((name, _grams(g, step)) for name, g in sheet.readings.items()),
                ("together", _grams(sum(sheet.readings.values()), step)),
            ],
        ),
    ]
    if not quiet:
        lines += [
            "",
            f"As weighed: {100 * sheet.weight_fraction_read:.4g} +-"
            f" {100 * sheet.weight_fraction_uncertainty:.2g} wt%,"
            f" base to curing agent {_mix(sheet)} (balance steps of {step:g} g, standard"
            " uncertainty).",
            f"Of it {1e3 * sheet.wanted:.4g} g reach the films; losses take"
            f" {100 * sheet.loss:.3g} %.",
        ]
        if sheet.solvent:
            volume = format_quantity(sheet.solvent_volume, "volume", digits=3)
            wet, dry = (
                format_quantity(thickness or 0.0, "length", digits=3)
                for thickness in (sheet.wet_thickness, sheet.film_thickness)
            )
            lines.append(f"{sheet.solvent}: {volume}; spread {wet} wet for {dry} dry.")
        lines += [f"Mind, at {_percent(sheet)} wt%: {c}" for c in sheet.cautions]
    return "\n".join(lines)


def _percent(sheet: WeighOut) -> str:
    return f"{100 * sheet.recipe.weight_fraction:.4g}"


def _mix(sheet: WeighOut) -> str:
    """Mix ratio that the masses on the balance give."""
    ratio = sheet.mix_ratio_read
    return f"{ratio:.4g}:1" if ratio < float("inf") else "no agent"


def _sheets(sheets: Sequence[WeighOut], quiet: bool) -> str:
    """Several batches, one row each."""
    names = list(sheets[0].readings)
    rows = []
    for sheet in sheets:
        step = 1e3 * sheet.resolution
        rows.append(
            (
                _percent(sheet),
                f"{100 * sheet.solids:.3g}",
                *(_grams(sheet.readings[name], step) for name in names),
                _mix(sheet),
                f"{100 * sheet.weight_fraction_uncertainty:.2g}",
                "yes" if sheet.castable else "no",
            )
        )
    head = ("wt%", "vol%", *(f"{name} (g)" for name in names), "mix", "+- wt%", "castable")
    text = table(head, rows, left=0)
    if quiet:
        return text
    first = sheets[0]
    text += (
        f"\n\nLosses take {100 * first.loss:.3g} % of each batch; mix is base to"
        " curing agent as weighed, +- the standard uncertainty of the loading from the"
        " balance."
    )
    # the same thing said of several loadings is said once, with the first one's numbers
    about: dict[str, list[tuple[str, str]]] = {}
    for sheet in sheets:
        for caution in sheet.cautions:
            subject = " ".join(caution.split()[:2]).partition(":")[0]
            about.setdefault(subject, []).append((_percent(sheet), caution))
    for said in about.values():
        first_percent, caution = said[0]
        others = ", ".join(percent for percent, _ in said[1:])
        text += f"\nMind, at {first_percent} wt%: {caution}"
        text += f" (likewise at {others} wt%)" if others else ""
    return text
