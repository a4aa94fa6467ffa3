"""The command that draws a report again, and what a finished run says."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from percsim.cli.shared import (
    Debug,
    Details,
    Json,
    Quiet,
    command,
    say,
    say_json,
    tell,
    valued,
)

if TYPE_CHECKING:
    from percsim.run import Result

__all__ = ["compare", "report", "say_result"]


def say_result(
    result: Result, quiet: bool, as_json: bool, details: bool = False, said: bool = False
) -> None:
    """Print the first page, and what had to be left out.

    Parameters
    ----------
    result : Result
        Of a run.
    quiet, as_json, details : bool
        The state alone, and what contradicts; everything as JSON; every chapter besides.
    said : bool
        Whether the first page was printed already.

    """
    from percsim.first_page import read_first_page
    from percsim.report.answer import left_out
    from percsim.report.chapters import chapters_of
    from percsim.report.terminal import details_text, first_text
    from percsim.words.first import contradiction, state_line

    first = read_first_page(result.summary["first_page"])
    page = result.folder / "report.html"
    if as_json:
        say_json({**result.summary, "folder": str(result.folder), "report": str(page)})
    elif quiet:
        say(f"{state_line(first)}.")
        for line in contradiction(first):
            tell(line)
    else:
        if not said:
            say(first_text(first, result.folder))
        if details:
            say()
            say(details_text(first, chapters_of(result.summary)))
            say(f"Repeat: {result.summary['command']}")
    for line in result.figure_failures:
        tell(f"figure left out: {line}")
    for line in left_out(result.summary):
        tell(line)
    if result.recomputed:
        tell(f"damaged rows of the folder, computed again: {', '.join(result.recomputed)}")


@command("percsim report out/patch", "percsim report out/patch --blocks")
def report(
    folder: Annotated[
        str, typer.Argument(metavar="FOLDER", help="Results folder of a run.")
    ],
    blocks: Annotated[
        bool,
        typer.Option("--blocks", help="Also put the film together from blocks, a check."),
    ] = False,
    quiet: Quiet = False,
    as_json: Json = False,
    details: Details = False,
    debug: Debug = False,
) -> None:
    """Draw the report of a folder again.

    An interrupted run is drawn from the boxes it has stored.
    """
    from percsim.boxes.folder import results_folder, torn
    from percsim.run import redraw

    was_torn = torn(results_folder(folder))
    result = redraw(folder, blocks=blocks)
    if was_torn:
        tell(f"the files in {folder} were of two runs, one was stopped; written anew")
    say_result(result, quiet, as_json, details)


@command("percsim compare out/flakes out/rods", "percsim compare out/5to1 out/10to1 --json")
def compare(
    first: Annotated[str, typer.Argument(metavar="FIRST", help="Results folder.")],
    second: Annotated[str, typer.Argument(metavar="SECOND", help="Another one.")],
    page: Annotated[
        str | None,
        valued("FILE", "Where the page goes; default FIRST-SECOND.html beside SECOND."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Put two results folders side by side: two fillers, elastomers or layouts.

    What is not known of a powder drops out of the difference where both share it.
    """
    from percsim.boxes.folder import results_folder, write_atomically
    from percsim.compare import compare as put_side_by_side
    from percsim.packing import plain
    from percsim.report.compared import compared_page, compared_text
    from percsim.words.first import state_line

    a, b = (results_folder(folder).resolve() for folder in (first, second))
    names = (first, second) if a.name == b.name else (a.name, b.name)
    found = put_side_by_side(a, b)
    file = page or b.parent / f"{a.name}-{b.name}.html"
    written = write_atomically(file, compared_page(found, names))
    if as_json:
        say_json({"differences": plain(found.differences), "shared": found.shared})
    elif quiet:
        for name, one in zip(names, found.pages, strict=True):
            say(f"{name}: {state_line(one)}.")
    else:
        say(compared_text(found, names))
        say(f"Page: {written}")
