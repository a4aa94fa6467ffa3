"""Commands about what a plan may hold: a new one, its keys, the materials."""

from __future__ import annotations

import json
import shlex
from collections.abc import Callable
from importlib import resources
from importlib.resources.abc import Traversable
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
from percsim.quantities import columns, quantity

__all__ = ["explain", "materials", "new"]

USUAL = ("graphite flake", "addition-cure silicone", "bars")
"""Powder, elastomer and layout of a plan if nothing else is said."""

UNITS = {
    "density": "density", "size": "length", "aspect_ratio": "", "g0": "conductance",
    "mix_ratio": "ratio", "modulus": "pressure", "thermal_expansion": "expansion",
    "threshold": "weight_fraction",
}  # fmt: skip
"""Kinds of quantities in the list of materials."""


def _materials(kind: str) -> Callable[[str], list[str]]:
    """Completion of the names in percsim's data files."""

    def complete(begun: str) -> list[str]:
        from percsim.materials import material_names

        return [name for name in material_names(kind) if name.startswith(begun)]

    return complete


def _layouts(begun: str) -> list[str]:
    from percsim.plan.sections.film import OF_LAYOUT

    return [name for name in OF_LAYOUT if name.startswith(begun)]


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
    ] = USUAL[0],
    elastomer: Annotated[
        str,
        valued(
            "NAME",
            "Elastomer; percsim materials lists them.",
            autocompletion=_materials("elastomer"),
        ),
    ] = USUAL[1],
    layout: Annotated[
        str,
        valued(
            "NAME",
            "Electrodes: bars, end plates, fingers or four-terminal.",
            autocompletion=_layouts,
        ),
    ] = USUAL[2],
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
    from percsim.plan.short import short_plan
    from percsim.plan.text import complete_plan

    if every_key and (filler, elastomer, layout) != USUAL:
        leave(
            BAD_INPUT,
            "--all explains the keys of one plan; choose materials or layout there",
        )
    text = complete_plan() if every_key else short_plan(filler, elastomer, layout)
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


def _subjects() -> dict[str, Traversable]:
    """Texts of the package, one a subject."""
    folder = resources.files("percsim") / "texts"
    texts = sorted(folder.iterdir(), key=lambda text: text.name)
    return {text.name.removesuffix(".md"): text for text in texts}


def _explainable(begun: str) -> list[str]:
    from percsim.plan.sections import MODELS

    keys = [key for name, model in MODELS.items() for key in (name, *model.keys())]
    known = dict.fromkeys([*_subjects(), *filter(None, keys)])
    return [word for word in known if word.startswith(begun)]


@command(
    "percsim explain aspect_ratio", "percsim explain contacts", "percsim explain physics"
)
def explain(
    key: Annotated[
        str | None,
        typer.Argument(
            metavar="[KEY]",
            help="Key, section.key or section of a plan, or a subject; none lists them.",
            autocompletion=_explainable,
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Tell of one key of a plan, with unit, range, default and source, or of a subject."""
    from percsim.plan.sections import MODELS
    from percsim.plan.text import explain as explained

    subjects = _subjects()
    if key is None:
        sections = ", ".join(filter(None, MODELS))
        text = f"Subjects: {', '.join(subjects)}\nSections of a plan: {sections}"
    elif key in subjects:
        text = subjects[key].read_text(encoding="utf-8").rstrip("\n")
    else:
        text = explained(key, not quiet, tuple(subjects))
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
    from percsim.materials.sheets import MAIN, material_sheet, material_table

    if name is None:
        tables = [material_table(kind) for kind in MAIN]
        if as_json:
            say(json.dumps([row for table in tables for row in table]))
            return
        for table in tables:
            head = ["name", *(key.replace("_", " ") for key in list(table[0])[2:])]
            cells = [
                [row["name"], *(quantity(row[key], UNITS[key]) for key in list(row)[2:])]
                for row in table
            ]
            say("\n".join([*columns(head, cells), ""]))
        if not quiet:
            say(
                "Typical values. Threshold: where such particles span by simulation, real"
                " powders up to\na hundred times off; percsim materials NAME tells ranges,"
                " sources and cautions of one."
            )
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
