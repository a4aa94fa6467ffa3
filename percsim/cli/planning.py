"""Commands about what a plan may hold: a new one, its keys, the materials."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Json,
    Quiet,
    command,
    leave,
    reason,
    say,
    valued,
)
from percsim.quantities import columns

__all__ = ["explain", "materials", "new"]


def _materials(kind: str) -> Callable[[str], list[str]]:
    """Completion of the names in percsim's data files."""

    def complete(begun: str) -> list[str]:
        from percsim.materials import material_names

        return [name for name in material_names(kind) if name.startswith(begun)]

    return complete


def _layouts(begun: str) -> list[str]:
    from percsim.plan.text import LAYOUTS

    return [name for name in LAYOUTS if name.startswith(begun)]


@command(
    "percsim new patch.toml",
    'percsim new patch.toml --filler "silver flake" --layout fingers',
    "percsim new --all -",
)
def new(
    file: Annotated[
        Path, typer.Argument(metavar="[FILE]", help="File to write; - prints it.")
    ] = Path("plan.toml"),
    filler: Annotated[
        str,
        valued(
            "NAME",
            "Powder; percsim materials lists them.",
            autocompletion=_materials("filler"),
        ),
    ] = "graphite flake",
    elastomer: Annotated[
        str,
        valued(
            "NAME",
            "Elastomer; percsim materials lists them.",
            autocompletion=_materials("elastomer"),
        ),
    ] = "addition-cure silicone",
    layout: Annotated[
        str,
        valued(
            "NAME",
            "Electrodes: bars, end plates, fingers or four-terminal.",
            autocompletion=_layouts,
        ),
    ] = "bars",
    every_key: Annotated[
        bool, typer.Option("--all", help="Every key, with unit, range and default.")
    ] = False,
    force: Annotated[
        bool, typer.Option("--force", help="Write over an existing file.")
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Write the shortest plan that runs, or one with every key explained."""
    from percsim.plan.text import complete_plan, short_plan

    text = short_plan(filler, elastomer, layout)
    if every_key:
        text = complete_plan()
    if str(file) == "-":
        if as_json:
            say(json.dumps({"plan": text}))
        else:
            say(text.rstrip("\n"))
        return
    try:
        with file.open("w" if force else "x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        leave(BAD_INPUT, f"{file}: is there already; choose another name or add --force")
    except OSError as error:
        leave(BAD_INPUT, f"{file}: cannot be written: {reason(error)}")
    if as_json:
        say(json.dumps({"file": str(file)}))
    elif not quiet:
        say(f"Wrote {file}. Edit it, then:  percsim check {shlex.quote(str(file))}")


@command("percsim explain aspect_ratio", "percsim explain contacts")
def explain(
    key: Annotated[
        str,
        typer.Argument(metavar="KEY", help="Key, section.key or section of a plan."),
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Tell of one key of a plan: meaning, unit, range, default, source."""
    from percsim.plan.text import explain as explained

    text = explained(key, not quiet)
    say(json.dumps({"key": key, "text": text}) if as_json else text)


@command("percsim materials", 'percsim materials "graphite flake"')
def materials(
    name: Annotated[
        str | None,
        typer.Argument(
            metavar="[NAME]", help="All of one material.", autocompletion=_materials("")
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """List the powders, elastomers and solvents that percsim has values for."""
    from percsim.materials.sheets import material_sheet, material_table

    if name is None:
        rows = material_table()
        if as_json:
            say(json.dumps(rows))
            return
        cells = [(row["name"], row["is"]) for row in rows]
        say("\n".join(columns(("name", "is"), cells, left=2)))
        if quiet:
            return
        say()
        say("percsim materials NAME tells values, sources and cautions of one.")
        return
    sheet = material_sheet(name)
    if as_json:
        say(json.dumps(sheet))
        return
    say(f"{sheet['name']}: {sheet['is']}")
    for row in sheet["values"]:
        say(f"  {row['name']} {row['value']}, {row['low']} to {row['high']}")
        say(f"    {row['basis']}: {row['source']}")
    for caution in sheet["cautions"]:
        say(f"Mind: {caution}")
