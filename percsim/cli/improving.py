"""The command that searches what a bench can change so that films scatter less."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from percsim.cli.progress import progress
from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Json,
    PlanArgument,
    Quiet,
    Workers,
    command,
    leave,
    results_of,
    resumable,
    say,
    say_json,
    tell,
    valued,
)

if TYPE_CHECKING:
    from percsim.advice import Films
    from percsim.bench_changes import Change
    from percsim.plan import Plan

__all__ = ["improve"]


@command(
    "percsim improve patch.toml --out out/patch",
    "percsim improve patch.toml --out out/patch --patches 100 --boxes 8",
)
def improve(
    plan: PlanArgument,
    out: Annotated[
        str | None,
        valued("FOLDER", "Results folder of the plan; default out/ and the plan's name."),
    ] = None,
    patches: Annotated[
        int,
        typer.Option(min=1, max=100_000, metavar="N", help="Patches that costs are for."),
    ] = 20,
    boxes: Annotated[
        int,
        typer.Option(
            min=0,
            max=100_000,
            metavar="N",
            help="Boxes of the longest length for each loading that a change which needs"
            " its own may take, 4 or more; 0 leaves those out.",
        ),
    ] = 0,
    hour: Annotated[
        float,
        typer.Option(min=0.0, max=1e6, metavar="PRICE", help="Of an hour of work."),
    ] = 0.0,
    cup: Annotated[
        float,
        typer.Option(min=0.0, max=1e6, metavar="PRICE", help="Of what a cup is mixed of."),
    ] = 0.0,
    front: Annotated[
        bool, typer.Option("--front", help="List all undominated structures.")
    ] = False,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Search what a bench can change so that films scatter less.

    Layers, films side by side, width, drawing, mixing, sorting and more, alone and
    together, against cups and work. The plan must have been run in FOLDER; readings that
    it was anchored with count.
    """  # fmt: skip
    from percsim.advice import answer, stored_films
    from percsim.bench_changes import NEW_BOXES
    from percsim.boxes.store import DATABASE, Store
    from percsim.findings.improvement import improved_rows
    from percsim.improve import improve as search
    from percsim.plan import Plan
    from percsim.report.improved import improved_text
    from percsim.reuse import stored_plan
    from percsim.run import read_findings

    if 0 < boxes < 4:
        leave(BAD_INPUT, f"--boxes = {boxes} is too few; 0, or 4 or more")
    loaded, folder = Plan.load(plan), results_of(out, plan)
    if not (folder / DATABASE).is_file():
        leave(
            BAD_INPUT,
            f"{folder} holds no results; run 'percsim run {plan} --out {folder}' first",
        )
    with Store.read(folder) as store:
        stored = stored_plan(store)
    if stored is not None and not loaded.measured:
        loaded = replace(loaded, measured=stored.measured)
    films = stored_films(loaded, folder)
    if films is None:  # how many boxes it takes hangs on the decision
        films = [mix.films for mix in read_findings(loaded, folder).mixes]
    decided = answer(loaded, films)
    best = decided.recipes[decided.decision.best]
    mine = next(f for f in films if f.index == best.mix)
    variants = []
    for change in NEW_BOXES if boxes else ():
        made = _variant(mine, change, boxes, folder, workers, quiet)
        if made is not None:
            variants.append((change, made))
    found = search(mine, best, patches, variants=variants)
    if as_json:
        say_json(improved_rows(found, (hour, cup)))
    else:
        say(improved_text(found, details=front, prices=(hour, cup)))


def _variant(
    mine: Films, change: Change, boxes: int, folder: Path, workers: int | None, quiet: bool
) -> Films | None:
    """Films with one change that needs boxes of its own; None, and why, without them."""
    from percsim.advice import stored_films
    from percsim.bench_changes import variant
    from percsim.cli.sizing import size_line
    from percsim.errors import PlacementError, PlanError
    from percsim.run import estimate, run_plan

    def usable(plan: Plan) -> Films | None:
        found = stored_films(plan, place)
        if found is None or (found[0].model.surface is None) != bare:
            return None
        return found[0]

    place = folder / f"improve-{change.group.replace(' ', '-')}"
    again = "percsim", "improve", mine.plan.path, "--out", folder, "--boxes", boxes
    bare, loadings = mine.model.surface is None, len(mine.plan.weight_fractions)
    try:
        tried = [
            other for dropped in range(max(loadings - 1, 1))
            if (other := variant(mine.plan, change, boxes, dropped)) is not None
        ]  # fmt: skip
        if not tried:
            tell(f"{change.name}: left out, the plan has it or nothing that it acts on")
            return None
        found = next((f for plan in tried if (f := usable(plan)) is not None), None)
        if found is None and not quiet:
            tell(f"{change.name}: {size_line(tried[0], estimate(tried[0], workers))}")
        for plan in tried if found is None else ():
            with resumable(place, *again), progress(quiet) as report:
                # boxes there are of this change alone, whatever the plan was before
                run_plan(plan, place, workers=workers, add=True, progress=report)
            found = usable(plan)
            if found is not None:
                break
    except (PlanError, PlacementError) as error:
        tell(f"{change.name}: left out, {str(error).splitlines()[0]}")
        return None
    if found is None:
        tell(f"{change.name}: left out, too few of its boxes conduct")
    return found
