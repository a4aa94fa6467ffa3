"""The command line.

Commands read a plan, do one thing, and say the outcome first. Results go to standard
output, progress and faults to standard error. Exit codes: 0 done (also when no candidate
meets the target), 1 a fault inside percsim, 2 something to put right in plan, folder,
command or where the output goes, 130 interrupted. Nothing heavy is imported before a
command needs it.
"""

from __future__ import annotations

import io
import os
import signal
import sys
from contextlib import suppress
from typing import Annotated

import typer

from percsim.cli import (  # noqa: F401
    exploring,
    improving,
    lots,
    planning,
    results,
    running,
    sizing,
    survey,
    weighing,
)
from percsim.cli.shared import BAD_INPUT, DONE, INTERRUPTED, app, reason, say, tell
from percsim.process import interrupts, set_one_thread

__all__ = ["app", "main"]

ORDER = (
    "run", "explore", "survey", "anchor", "agree", "new", "explain", "materials", "recipe",
    "check", "threshold", "report", "compare", "lots", "improve",
)  # fmt: skip
"""Commands as the help lists them."""

app.registered_commands.sort(key=lambda command: ORDER.index(command.name or ""))


def _version(wanted: bool) -> None:
    if wanted:
        from percsim import __version__

        say(f"percsim {__version__}")
        raise typer.Exit(DONE)


@app.callback()
def _top(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Print the version."
        ),
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # closed by the caller; no file of ours may take its place
            os.open(os.devnull, os.O_RDWR)
    sys.stderr = sys.stderr or open(os.devnull, "w")
    if sys.stdout is None:
        tell("standard output is closed; send it to a file")
        sys.exit(BAD_INPUT)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a title may hold what a terminal cannot
        sys.stdout.reconfigure(errors="backslashreplace")
    set_one_thread()  # before anything numerical is loaded
    code: str | int | None = DONE
    with suppress(KeyboardInterrupt), interrupts() as came:
        try:
            app(prog_name="percsim")
        except SystemExit as left:
            code = left.code
        except OSError as error:  # help does not pass through say
            tell(f"standard output cannot be written: {reason(error)}")
            code = BAD_INPUT
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        # nothing is left to put in order, and Python drops what comes while it ends
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    if came and code != INTERRUPTED:
        code = INTERRUPTED
        tell("interrupted")
    sys.exit(code)
