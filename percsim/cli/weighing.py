"""The command that prints weigh-out sheets."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Json,
    PlanArgument,
    Quiet,
    command,
    leave,
    option,
    refuse,
    results_of,
    say,
    say_json,
    valued,
)

if TYPE_CHECKING:
    from percsim.plan import Plan

__all__ = ["recipe"]


@command(
    "percsim recipe patch.toml",
    "percsim recipe patch.toml --weight-fraction '30 wt%' --films 24",
    "percsim recipe patch.toml --weight-fraction '30 wt%' --mass '50 g'",
    "percsim recipe patch.toml --csv > cups.csv",
    "percsim recipe patch.toml --cycle",
)
def recipe(
    plan: PlanArgument,
    weight_fraction: Annotated[
        str | None,
        valued("WT%", "Loading, such as '30 wt%'; default all that the plan explores."),
    ] = None,
    films: Annotated[int | None, typer.Option(min=1, help="Films to cast.")] = None,
    mass: Annotated[
        str | None,
        valued("MASS", "Mass of the cured batch, such as '50 g', instead."),
    ] = None,
    as_csv: Annotated[
        bool,
        typer.Option(
            "--csv",
            help="Print the sheet of the cup to cast, a row a film with blanks for what"
            " is read; percsim anchor reads it back.",
        ),
    ] = False,
    cycle: Annotated[
        bool,
        typer.Option(
            "--cycle",
            help="Print the protocol that tells most of a film's memory instead: pulls,"
            " holds, rests and a change of temperature within the plan's window.",
        ),
    ] = False,
    out: Annotated[
        str | None,
        valued("FOLDER", "Results folder that says which cup; default as for run."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Print the weigh-out sheet of a batch, or what to pull a film through."""
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
    if cycle and (weight_fraction or films or mass):
        problems.append("--cycle goes with --csv or --json alone: it is for any film")
    if as_csv and (weight_fraction or films or mass):
        problems.append("--csv goes alone: the sheet is of the cup that is to be cast")
    refuse(problems)
    if cycle:
        _say_cycle(loaded, as_csv, as_json, quiet)
        return
    if as_csv:
        _say_next_cup(loaded, results_of(out, plan))
        return
    from percsim.report.weigh_out import one_sheet, sheet_table

    sheets = [
        loaded.weigh_out(loaded.recipe(w), films=films, mass=kilograms) for w in weights
    ]
    if as_json:
        say_json([sheet.as_dict() for sheet in sheets])
    elif len(sheets) == 1:
        say(one_sheet(sheets[0], quiet))
    else:
        say(sheet_table(sheets, quiet))


def _say_cycle(plan: Plan, as_csv: bool, as_json: bool, quiet: bool) -> None:
    """Print the protocol of a cycled film."""
    from percsim.report.cycle_sheet import cycle_csv, cycle_rows, cycle_sheet

    steps = plan.bench_cycle
    if as_json:
        say_json(cycle_rows(steps))
    else:
        say(cycle_csv(steps).rstrip() if as_csv else cycle_sheet(steps, quiet))


def _say_next_cup(plan: Plan, folder: Path) -> None:
    """Print the sheet of the cup that a folder says to cast, by what was read there."""
    from percsim.first_page import stored_first_page
    from percsim.plan import Plan
    from percsim.report.cups import cup_sheet

    try:
        stored = Plan.load(folder / "plan.toml")
        plan = stored if stored.hash == plan.hash and not plan.measured else plan
    except (OSError, ValueError):
        pass  # nothing was decided there yet
    page = stored_first_page(plan, folder)
    if page is None:
        leave(BAD_INPUT, f"{folder} does not say which cup to cast: run the plan there")
    say(cup_sheet(plan, page).rstrip())
