"""What all commands share: options, exit codes, where text goes, what becomes of faults."""

from __future__ import annotations

import functools
import os
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Annotated, Any, NoReturn, ParamSpec

import typer

from percsim.quantities import counted

__all__ = [
    "BAD_INPUT",
    "BROKEN",
    "DONE",
    "INTERRUPTED",
    "Debug",
    "Details",
    "Json",
    "PlanArgument",
    "Quiet",
    "Workers",
    "app",
    "command",
    "leave",
    "option",
    "reason",
    "refuse",
    "results_of",
    "resumable",
    "say",
    "say_json",
    "tell",
    "valued",
]

P = ParamSpec("P")

DONE, BROKEN, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130

app = typer.Typer(
    name="percsim",
    help=(
        "Which filler loading and electrode gap to cast for a conductive-elastomer sensor,"
        " and what to expect of it.\n\n"
        "Start with:  percsim new patch.toml;  percsim run patch.toml --out out/patch"
    ),
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 92},
)

PlanArgument = Annotated[Path, typer.Argument(metavar="PLAN", help="Plan file (TOML).")]
Quiet = Annotated[
    bool, typer.Option("--quiet", "-q", help="No progress and no explanations.")
]
Details = Annotated[
    bool, typer.Option("--details", help="Also print every chapter of the page.")
]
Json = Annotated[bool, typer.Option("--json", help="Print the result as JSON.")]
Debug = Annotated[
    bool, typer.Option("--debug", help="Show where an unexpected fault came from.")
]
Workers = Annotated[
    int | None,
    typer.Option(
        min=1, help="Processes; default one for each core. No digit depends on it.",
    ),
]  # fmt: skip


def valued(metavar: str, help_: str, **more: Any) -> Any:
    """Make an option that takes a value."""
    return typer.Option(metavar=metavar, help=help_, **more)


# ------------------------------------------------------------------------------------------
# Where text goes
# ------------------------------------------------------------------------------------------


def say(text: str = "") -> None:
    """Print a result; leaves when nothing takes it, with a line if a reader did not go."""
    try:
        print(text, flush=True)
    except OSError as error:
        # what is still buffered goes there at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        gone = isinstance(error, BrokenPipeError)
        lines = [] if gone else [f"standard output cannot be written: {reason(error)}"]
        leave(BAD_INPUT, *lines)


def say_json(value: Any) -> None:
    """Print a result as JSON."""
    from percsim.boxes.store import encode_json

    say(encode_json(value, indent=1))


def tell(text: str) -> None:
    """Print what is not a result."""
    with suppress(OSError):  # the exit code says it too
        print(text, file=sys.stderr, flush=True)


def leave(code: int, *lines: str) -> NoReturn:
    """End the command with an exit code and lines that say why."""
    for line in lines:
        tell(line)
    raise typer.Exit(code)


@contextmanager
def resumable(folder: Path, *again: object) -> Iterator[None]:
    """End what Ctrl-C interrupts with lines on what is stored and how it goes on.

    `again` are the words of the command; None and the word before it are left out.
    """
    from percsim.boxes.workers import Interrupted

    try:
        yield
        return
    except Interrupted as stop:
        where = f"stored in {folder}" if stop.stored else "done, none of them stored"
        what = f"interrupted: {stop.done} of {counted(stop.total, 'job')} {where}"
    except KeyboardInterrupt:
        # before the first job or after the last one; what is done is stored
        what = "interrupted"
    absent = {k for k, word in enumerate(again) if word is None}
    words = [str(w) for k, w in enumerate(again) if not {k, k + 1} & absent]
    leave(INTERRUPTED, what, f"go on with:  {shlex.join(words)}")


def reason(error: OSError) -> str:
    """Say what the system has against it."""
    return (error.strerror or str(error)).lower()


def refuse(problems: Sequence[str]) -> None:
    """Tell of all faults of the options at once, if there are any."""
    if problems:
        leave(BAD_INPUT, *problems)


# ------------------------------------------------------------------------------------------
# Commands
# ------------------------------------------------------------------------------------------


def command(*examples: str) -> Callable[[Callable[P, None]], Callable[P, None]]:
    """Make a function a command, with examples under its help and its faults told."""
    head = "Examples" if len(examples) > 1 else "Example"
    # the control character keeps the lines as they are
    epilog = "\n".join([f"\b\n{head}:", *(f"  {line}" for line in examples)])

    def add(function: Callable[P, None]) -> Callable[P, None]:
        guarded = _guarded(function)
        app.command(function.__name__, epilog=epilog)(guarded)
        return guarded

    return add


def _guarded(function: Callable[P, None]) -> Callable[P, None]:
    """Turn what a command raises into lines and an exit code."""

    @functools.wraps(function)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
        from percsim.errors import ClusterError, FolderError, PlanError

        try:
            function(*args, **kwargs)
        except typer.Exit:
            raise
        except KeyboardInterrupt:
            leave(INTERRUPTED, "interrupted")
        except Exception as error:
            # only a command that runs jobs has loaded what can raise this
            workers = sys.modules.get("percsim.boxes.workers")
            if workers is not None and isinstance(error, workers.Interrupted):
                done = f"{error.done} of {counted(error.total, 'job')} done"
                leave(INTERRUPTED, f"interrupted: {done}, none of them stored")
            if kwargs.get("debug"):
                raise
            known = isinstance(error, (PlanError, FolderError, ClusterError))
            leave(BAD_INPUT if known else BROKEN, _fault(error))

    return guarded


def _fault(error: Exception) -> str:
    from percsim.errors import PercsimError

    if isinstance(error, PercsimError):
        return str(error)
    text = " ".join(str(error).split()) or "no message"
    kind = type(error).__name__
    return f"unexpected fault, {kind}: {text}; repeat with --debug to see where"


def results_of(out: str | None, plan: Path) -> Path:
    """Results folder asked for, or the one that goes by the plan's name."""
    from percsim.boxes.folder import results_folder

    return results_folder(Path("out") / plan.stem if out is None else out)


def option(name: str, text: str, kind: str, problems: list[str]) -> float | None:
    """Read a quantity of an option; what is wrong with it is added to the problems."""
    from percsim.units import parse_quantity

    try:
        return parse_quantity(text, kind)
    except ValueError as error:
        problems.append(f"{name} = {error}")
        return None
