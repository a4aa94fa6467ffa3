"""The command line.

Commands read a plan, do one thing, and say the outcome first. Results go to standard
output, progress and faults to standard error. Exit codes: 0 done (also when no candidate
meets the target), 1 a fault inside percsim, 2 something to put right in plan, folder,
command or where the output goes, 130 interrupted. Nothing heavy is imported before a
command needs it.
"""

from __future__ import annotations

import functools
import io
import json
import os
import shlex
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, ParamSpec

import typer

from percsim.process import interrupts, set_one_thread

if TYPE_CHECKING:
    from percsim.boxes.workers import Progress
    from percsim.materials.weighing import WeighOut
    from percsim.plan import Plan
    from percsim.run import Result

__all__ = ["app", "main"]

P = ParamSpec("P")

DONE, BROKEN, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130

LARGEST_SPREAD = 10.0
"""CV that no reading of a batch comes near."""

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


def _example(*lines: str) -> str:
    # the control character keeps the lines as they are
    return (
        "\b\nExample"
        + ("s" if len(lines) > 1 else "")
        + ":\n"
        + "\n".join(f"  {line}" for line in lines)
    )


def _say(text: str = "") -> None:
    """Print a result; leaves when nothing takes it, with a line if a reader did not go."""
    try:
        print(text, flush=True)
    except OSError as error:
        # what is still buffered goes there at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        gone = isinstance(error, BrokenPipeError)
        lines = [] if gone else [f"standard output cannot be written: {_reason(error)}"]
        _leave(BAD_INPUT, *lines)


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def _tell(text: str) -> None:
    """Print what is not a result."""
    with suppress(OSError):  # the exit code says it too
        print(text, file=sys.stderr, flush=True)


def _print_json(value: Any) -> None:
    from percsim.boxes.store import encode_json

    _say(encode_json(value, indent=1))


def _leave(code: int, *lines: str) -> NoReturn:
    for line in lines:
        _tell(line)
    raise typer.Exit(code)


def _guarded(command: Callable[P, None]) -> Callable[P, None]:
    """Turn what a command raises into lines and an exit code."""

    @functools.wraps(command)
    def guarded(*args: P.args, **kwargs: P.kwargs) -> None:
        from percsim.errors import FolderError, PercsimError, PlanError

        try:
            command(*args, **kwargs)
        except typer.Exit:
            raise
        except PlanError as error:
            if kwargs.get("debug"):
                raise
            _leave(BAD_INPUT, *error.faults)
        except FolderError as error:
            if kwargs.get("debug"):
                raise
            _leave(BAD_INPUT, str(error))
        except KeyboardInterrupt:
            _leave(INTERRUPTED, "interrupted")
        except Exception as error:
            # only a command that runs jobs has loaded what can raise this
            workers = sys.modules.get("percsim.boxes.workers")
            if workers is not None and isinstance(error, workers.Interrupted):
                _leave(
                    INTERRUPTED,
                    f"interrupted: {error.done} of {_count(error.total, 'job')} done,"
                    " none of them stored",
                )
            if kwargs.get("debug"):
                raise
            what = str(error) if isinstance(error, PercsimError) else _unexpected(error)
            _leave(BROKEN, what)

    return guarded


def _unexpected(error: Exception) -> str:
    text = " ".join(str(error).split()) or "no message"
    kind = type(error).__name__
    return f"unexpected fault, {kind}: {text}; repeat with --debug to see where"


def _version(wanted: bool) -> None:
    if wanted:
        from percsim import __version__

        _say(f"percsim {__version__}")
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


def _count(number: int, noun: str, plural: str = "") -> str:
    """Give a number with its noun: 1 core, 2 cores."""
    return f"{number} {noun if number == 1 else plural or noun + 's'}"


# ------------------------------------------------------------------------------------------
# Progress
# ------------------------------------------------------------------------------------------


def _duration(seconds: float) -> str:
    """Duration in words for a person who waits."""
    if not seconds < 1e7:
        return "unknown"
    whole = round(seconds)
    if whole < 90:
        return f"{whole} s"
    if whole < 90 * 60:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def _progress_text(
    noun: str, done: int, total: int, failed: int, rate: float, left: float
) -> str:
    text = f"{done} of {_count(total, noun)}"
    if failed:
        text += f", {failed} failed"
    if rate > 0.0 and done < total:
        pace = f"{rate:.3g} a second" if rate >= 1.0 else f"{60.0 * rate:.3g} a minute"
        text += f", {pace}"
    if done < total and left < float("inf"):
        text += f", about {_duration(left)} left"
    return text


@contextmanager
def _progress(quiet: bool, noun: str = "job") -> Iterator[Progress | None]:
    """Show a bar on a terminal, otherwise a plain line now and then; nothing if quiet."""
    if quiet:
        yield None
    elif sys.stderr.isatty():
        with _bar(noun) as report:
            yield report
    else:
        yield _PlainLines(noun)


def _after_lines(lines: Sequence[str], report: Progress | None) -> Progress | None:
    """Tell lines once the work has begun, that is when no fault can come before it.

    With a report, also how much of the work is done already.
    """
    if not lines and report is None:
        return None
    left = list(lines)
    begun = False

    def first_lines(
        done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        nonlocal begun
        while left:
            _tell(left.pop(0))
        if report is not None:
            if not begun and done:
                jobs = f"all {total}" if done == total else f"{done} of the {total}"
                _tell(f"stored already: {jobs} jobs")
            report(done, total, failed, rate, seconds_left)
        begun = True

    return first_lines


class _PlainLines:
    """A line at the start, then every half minute, then at the end."""

    def __init__(self, noun: str, interval: float = 30.0) -> None:
        self.noun = noun
        self.interval = interval
        self.last = -interval
        self.shown = -1

    def __call__(
        self, done: int, total: int, failed: int, rate: float, seconds_left: float
    ) -> None:
        now = time.monotonic()
        if done == self.shown or (now - self.last < self.interval and done < total):
            return
        self.last, self.shown = now, done
        _tell(_progress_text(self.noun, done, total, failed, rate, seconds_left))


@contextmanager
def _bar(noun: str) -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    bar = Progress(
        BarColumn(bar_width=24),
        TextColumn("{task.description}", markup=False),
        console=Console(stderr=True),
        transient=True,
    )
    with bar:
        task = bar.add_task("starting", total=None)

        def report(
            done: int, total: int, failed: int, rate: float, seconds_left: float
        ) -> None:
            text = _progress_text(noun, done, total, failed, rate, seconds_left)
            bar.update(task, completed=done, total=total, description=text)

        yield report


# ------------------------------------------------------------------------------------------
# Tables
# ------------------------------------------------------------------------------------------


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], left: int = 1) -> str:
    """Columns in plain text, the first `left` of them flush left."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.ljust(w) if k < left else cell.rjust(w)
            for k, (cell, w) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in lines
    )


def _command(plan: Plan, out: Path) -> str:
    return shlex.join(["percsim", "run", plan.path, "--out", str(out)])


def _say_result(result: Result, quiet: bool, as_json: bool) -> None:
    from percsim.report.chapters import chapter_lines
    from percsim.report.tables import headline, left_out, text_summary

    page = result.folder / "report.html"
    if as_json:
        _print_json({**result.summary, "folder": str(result.folder), "report": str(page)})
    elif quiet:
        _say(headline(result.summary))
    else:
        _say(text_summary(result.summary, chapter_lines(result.summary)))
        _say()
        _say(f"Report:  {page}")
        _say(f"Repeat:  {result.summary['command']}")
    for line in result.figure_failures:
        _tell(f"figure left out: {line}")
    for line in left_out(result.summary):
        _tell(line)
    if result.recomputed:
        _tell(f"damaged rows of the folder, computed again: {', '.join(result.recomputed)}")


# ------------------------------------------------------------------------------------------
# Commands
# ------------------------------------------------------------------------------------------


@app.command(
    epilog=_example(
        "percsim run patch.toml --out out/patch",
        "percsim run patch.toml --out out/patch --workers 2 --json > result.json",
        'percsim run patch.toml --out out/patch --verify-film --budget "2e6 flakes"',
    )
)
@_guarded
def run(
    plan: PlanArgument,
    out: Annotated[
        str | None,
        typer.Option(
            metavar="FOLDER", help="Results folder; default out/ and the plan's name."
        ),
    ] = None,
    workers: Workers = None,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Remove the results in FOLDER and start again.")
    ] = False,
    verify_film: Annotated[
        bool,
        typer.Option(
            "--verify-film",
            help="Also simulate whole films directly, against films of blocks.",
        ),
    ] = False,
    budget: Annotated[
        str | None,
        typer.Option(
            metavar="PARTICLES",
            help='Particles in all those films, "2e6 flakes"; default 2e6.',
        ),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Carry out a plan: simulate, decide, report.

    Interrupt it at any time; the same command goes on where it stopped.
    """
    from percsim.plan import Plan

    particles = _budget(budget) if budget is not None else 2e6
    if budget is not None and not verify_film:
        _leave(BAD_INPUT, "--budget goes with --verify-film, which is not there")
    loaded = Plan.load(plan)
    folder = _folder(plan, out)
    result = _carry_out(
        loaded,
        folder,
        workers,
        quiet,
        fresh=fresh,
        verify_film=particles if verify_film else None,
    )
    _say_result(result, quiet, as_json)


def _carry_out(
    loaded: Plan,
    folder: Path,
    workers: int | None,
    quiet: bool,
    *,
    fresh: bool = False,
    verify_film: float | None = None,
    command: str | None = None,
) -> Result:
    """Run a plan with progress; leaves with a line when interrupted."""
    # slow to import, and of no use to a plan with faults
    from percsim.boxes.workers import Interrupted
    from percsim.run import estimate, run_plan

    lines = _removed(folder, loaded) if fresh else []
    if not quiet:
        size = estimate(loaded, workers)
        lines.append(_size_line(loaded, size))
        cautions = [*_memory_cautions(loaded, size), *_wrapping(loaded)]
        lines += [f"Mind: {caution}" for caution in cautions]
    try:
        with _progress(quiet) as progress:
            return run_plan(
                loaded,
                out=folder,
                workers=workers,
                fresh=fresh,
                # a fault of the folder comes first, and alone
                progress=_after_lines(lines, progress),
                verify_film=verify_film,
                command=command,
            )
    except Interrupted as stop:
        where = f"stored in {folder}" if stop.stored else "done, none of them stored"
        _leave(
            INTERRUPTED,
            f"interrupted: {stop.done} of {_count(stop.total, 'job')} {where}",
            f"go on with:  {command or _command(loaded, folder)}",
        )
    except KeyboardInterrupt:
        # before the first job or after the last one; what is done is stored
        _leave(
            INTERRUPTED,
            "interrupted",
            f"go on with:  {command or _command(loaded, folder)}",
        )


def _folder(plan: Path, out: str | None) -> Path:
    """Results folder asked for, or the one that goes by the plan's name."""
    from percsim.boxes.folder import results_folder

    return results_folder(Path("out") / plan.stem if out is None else out)


def _with_readings(plan: Path, readings: Path, out: str | None) -> tuple[Plan, Plan, Path]:
    """Plan as written, the plan with the readings of a file, and its results folder."""
    from percsim.plan import Plan
    from percsim.plan.readings import read_readings

    loaded = Plan.load(plan)
    read = loaded.with_measured(read_readings(readings), readings.name)
    return loaded, read, _folder(plan, out)


ReadingsArgument = Annotated[
    Path,
    typer.Argument(metavar="READINGS", help="File of readings (CSV), a heading first."),
]


@app.command(
    epilog=_example(
        "percsim anchor patch.toml readings.csv --out out/patch",
        "percsim anchor patch.toml readings.csv --out out/patch --json > anchored.json",
    )
)
@_guarded
def anchor(
    plan: PlanArgument,
    readings: ReadingsArgument,
    out: Annotated[
        str | None,
        typer.Option(
            metavar="FOLDER",
            help="Results folder, used as it is if the plan was run there; default out/"
            " and the plan's name.",
        ),
    ] = None,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Learn from measured films, and decide again.

    Columns are the keys of [[measured]]: weight_fraction, electrode_gap, resistance (or
    open), films, thickness, width, change with strain or temperature, spread, note; the
    unit in the heading, "resistance (kohm)", or in every cell. No box is solved again.
    """
    _, loaded, folder = _with_readings(plan, readings, out)
    command = ["percsim", "anchor", str(plan), str(readings), "--out", str(folder)]
    result = _carry_out(loaded, folder, workers, quiet, command=shlex.join(command))
    if quiet and not as_json and "anchor" in result.summary:
        from percsim.report.chapters.anchor import ANCHOR

        _say(ANCHOR.lines(result.summary)[0])
        return
    _say_result(result, quiet, as_json)


@app.command(
    epilog=_example(
        "percsim agree patch.toml batch.csv --out out/patch",
        "percsim agree patch.toml batch.csv --out out/patch --json",
    )
)
@_guarded
def agree(
    plan: PlanArgument,
    readings: ReadingsArgument,
    out: Annotated[
        str | None,
        typer.Option(
            metavar="FOLDER",
            help="Results folder of the plan; default out/ and the plan's name. It is run"
            " there if it was not.",
        ),
    ] = None,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Say whether a batch agrees with what was predicted, and the likeliest cause if not.

    One row a film, all of one cup, columns as for percsim anchor; nothing is written.
    """
    loaded, read, folder = _with_readings(plan, readings, out)
    from percsim.boxes.store import DATABASE
    from percsim.findings.agreement import batch_agreement
    from percsim.findings.anchor import plan_readings
    from percsim.run import read_findings

    if not (folder / DATABASE).is_file():
        _carry_out(loaded, folder, workers, quiet)
    films = plan_readings(read)[len(loaded.measured) :]
    result = batch_agreement(read_findings(loaded, folder), films)
    if as_json:
        _print_json(result)
    elif quiet:
        _say(result["verdict"])
    else:
        from percsim.report.agreement import agreement_text

        _say("\n".join(agreement_text(result)))


def _budget(text: str) -> float:
    """Particles in a budget such as "2e6 flakes"."""
    number, *words = text.split() or [""]
    try:
        particles = float(number)
    except ValueError:
        particles = -1.0
    if not 0.0 < particles < float("inf") or words not in ([], ["flakes"], ["particles"]):
        _leave(
            BAD_INPUT, f"--budget {text!r} is not a number of particles, like '2e6 flakes'"
        )
    return particles


def _removed(folder: Path, plan: Plan) -> list[str]:
    """Say whose results a fresh start removes; nothing of the plan's own or of none."""
    from percsim.boxes.store import DATABASE, Store
    from percsim.errors import FolderError
    from percsim.reuse import stored_plan

    if not (folder / DATABASE).is_file():
        return []
    try:
        with Store.read(folder) as store:
            stored = stored_plan(store)
            if stored is not None and stored.hash == plan.hash:
                return []
            jobs = _count(store.counts()["done"], "job")
    except FolderError:
        return [f"removed earlier results in {folder}, which this version cannot read"]
    whose = f"another plan, {stored.title!r}" if stored is not None else "another plan"
    return [f"removed the results of {whose}, in {folder} ({jobs} done)"]


def _size_line(plan: Plan, size: dict[str, Any]) -> str:
    boxes, batches = size["n_boxes"], size["n_threshold_batches"]
    mixes = f" x {_count(len(plan.mixes), 'mix', 'mixes')}" if len(plan.mixes) > 1 else ""
    at_most = ""
    if size["seconds_at_most"] > size["seconds"]:
        at_most = f", at most {_duration(size['seconds_at_most'])}"
    return (
        f"{_count(len(plan.weight_fractions), 'loading')} x"
        f" {_count(len(plan.electrode_gaps), 'gap')}{mixes}:"
        f" {_count(boxes + batches, 'job')},"
        f" {_count(boxes, 'box', 'boxes')} of {_particles(size)} particles in"
        f" {_count(size['n_states'], 'state')} each and"
        f" {_count(batches, 'batch', 'batches')} for the threshold;"
        f" about {_duration(size['seconds'])}{at_most} on"
        f" {_count(size['workers'], 'core')}"
    )


def _particles(size: dict[str, Any]) -> str:
    low, high = (f"{n:,.0f}" for n in size["flakes_per_box"])
    return low if low == high else f"{low} to {high}"


def _memory(size: float) -> str:
    if size < 1e10:
        return f"{size / 1e6:,.0f} MB"
    return f"{size / 1e9:,.0f} GB"


def _machine_memory() -> float | None:
    """Memory of this machine [bytes], None where the system does not say."""
    try:
        pages, page = os.sysconf("SC_PHYS_PAGES"), os.sysconf("SC_PAGE_SIZE")
    except (AttributeError, OSError, ValueError):  # not on every system
        return None
    return float(pages * page) if pages > 0 and page > 0 else None


def _memory_cautions(plan: Plan, size: dict[str, Any]) -> list[str]:
    """One line if a run would not fit into memory."""
    needed, there = size["memory_bytes"], _machine_memory()
    if there is None or needed <= there:
        return []
    help_ = "smaller boxes"
    if needed / size["workers"] <= there:
        help_ += ", fewer --workers"
    if len(plan.fillers) > 1:
        recipe = plan.recipe(plan.weight_fractions[-1])
        numbers = [
            volume / filler.mean_volume()
            for (filler, _), volume in zip(
                recipe.fillers, recipe.volume_fractions, strict=True
            )
        ]
        name = recipe.filler_names[numbers.index(max(numbers))]
        help_ += f", or a larger or agglomerated {name} in place of its single particles"
    else:
        help_ += ", or a larger filler"
    return [
        f"the run takes about {_memory(needed)} of memory, with boxes of"
        f" {_particles(size)} particles, and this machine has {_memory(there)};"
        f" {help_} would help"
    ]


def _materials(kind: str) -> Callable[[str], list[str]]:
    """Completion of the names in percsim's data files."""

    def complete(begun: str) -> list[str]:
        from percsim.materials import material_names

        return [name for name in material_names(kind) if name.startswith(begun)]

    return complete


def _layouts(begun: str) -> list[str]:
    from percsim.plan.text import LAYOUTS

    return [name for name in LAYOUTS if name.startswith(begun)]


@app.command(
    epilog=_example(
        "percsim new patch.toml",
        'percsim new patch.toml --filler "silver flake" --layout fingers',
        "percsim new --all -",
    )
)
@_guarded
def new(
    file: Annotated[
        Path, typer.Argument(metavar="[FILE]", help="File to write; - prints it.")
    ] = Path("plan.toml"),
    filler: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Powder; percsim materials lists them.",
            autocompletion=_materials("filler"),
        ),
    ] = "graphite flake",
    elastomer: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Elastomer; percsim materials lists them.",
            autocompletion=_materials("elastomer"),
        ),
    ] = "addition-cure silicone",
    layout: Annotated[
        str,
        typer.Option(
            metavar="NAME",
            help="Electrodes: bars, end plates, fingers or four-terminal.",
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
            _say(json.dumps({"plan": text}))
        else:
            _say(text.rstrip("\n"))
        return
    try:
        with file.open("w" if force else "x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        _leave(BAD_INPUT, f"{file}: is there already; choose another name or add --force")
    except OSError as error:
        _leave(BAD_INPUT, f"{file}: cannot be written: {_reason(error)}")
    if as_json:
        _say(json.dumps({"file": str(file)}))
    elif not quiet:
        _say(f"Wrote {file}. Edit it, then:  percsim check {shlex.quote(str(file))}")


@app.command(epilog=_example("percsim explain aspect_ratio", "percsim explain contacts"))
@_guarded
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
    _say(json.dumps({"key": key, "text": text}) if as_json else text)


@app.command(epilog=_example("percsim materials", 'percsim materials "graphite flake"'))
@_guarded
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
    from percsim.plan.text import material_sheet, material_table

    if name is None:
        rows = material_table()
        if as_json:
            _say(json.dumps(rows))
            return
        _say(_table(("name", "is"), [(row["name"], row["is"]) for row in rows], left=2))
        if quiet:
            return
        _say()
        _say("percsim materials NAME tells values, sources and cautions of one.")
        return
    sheet = material_sheet(name)
    if as_json:
        _say(json.dumps(sheet))
        return
    _say(f"{sheet['name']}: {sheet['is']}")
    for row in sheet["values"]:
        _say(f"  {row['name']} {row['value']}, {row['low']} to {row['high']}")
        _say(f"    {row['basis']}: {row['source']}")
    for caution in sheet["cautions"]:
        _say(f"Mind: {caution}")


@app.command(
    epilog=_example(
        "percsim recipe patch.toml",
        "percsim recipe patch.toml --weight-fraction '30 wt%' --films 24",
        "percsim recipe patch.toml --weight-fraction '30 wt%' --mass '50 g'",
    )
)
@_guarded
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
        asked = _option("--weight-fraction", weight_fraction, "weight_fraction", problems)
        weights = (asked,) if asked is not None else ()
        if asked is not None and not 0.0 < asked < 1.0:
            problems.append(
                f"--weight-fraction = '{weight_fraction}' must be above 0, below 100 wt%"
            )
        elif asked is not None:
            fault = loaded.loading_fault(asked, weight_fraction)
            if fault:
                problems.append(f"--weight-fraction {fault}")
    kilograms = None if mass is None else _option("--mass", mass, "mass", problems)
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
        _print_json([sheet.as_dict() for sheet in sheets])
    elif len(sheets) == 1:
        _say(_sheet(sheets[0], quiet))
    else:
        _say(_sheets(sheets, quiet))


def _option(name: str, text: str, kind: str, problems: list[str]) -> float | None:
    from percsim.units import parse_quantity

    try:
        return parse_quantity(text, kind)
    except ValueError as error:
        problems.append(f"{name} = {error}")
        return None


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
        _table(
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
    text = _table(head, rows, left=0)
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


@app.command(epilog=_example("percsim check patch.toml", "percsim check patch.toml --json"))
@_guarded
def check(
    plan: PlanArgument,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Check a plan and size its run.

    Every fault of the plan is reported at once.
    """
    from percsim.plan import Plan

    loaded = Plan.load(plan)
    from percsim.jobs import check_placement
    from percsim.run import estimate

    size = estimate(loaded, workers)
    check_placement(loaded)
    if _kernels_compiled():
        size["seconds_to_compile"] = 0.0
    cautions = [*_memory_cautions(loaded, size), *loaded.cautions, *_wrapping(loaded)]
    if as_json:
        _print_json(
            {
                **size,
                "plan": loaded.as_dict(),
                "hash": loaded.hash,
                "machine_memory_bytes": _machine_memory(),
                "cautions": cautions,
            }
        )
        return
    if quiet:
        _say(_size_line(loaded, size))
        return
    _say(_check_text(loaded, size, cautions))


def _wrapping(plan: Plan) -> list[str]:
    """One line if wrapping strains films beyond what a run computes."""
    from percsim.findings.layers import wrapping_caution

    return [line for line in (wrapping_caution(mix) for mix in plan.mixes[:1]) if line]


def _kernels_compiled() -> bool:
    """Whether kernels of this version have been compiled on this machine."""
    from percsim.kernels import cache_folder

    # index files of numba's cache
    return cache_folder is not None and any(cache_folder.rglob("*.nbi"))


def _check_text(plan: Plan, size: dict[str, Any], cautions: Sequence[str]) -> str:
    from percsim.units import format_quantity

    def lengths(values: Sequence[float]) -> str:
        return ", ".join(format_quantity(v, "length", digits=3) for v in values)

    fillers = ", ".join(
        f"{f.name} {format_quantity(f.median_diameter, 'length', digits=3)}"
        + (" (median by number)" if f.size.volume_median != f.size.median else "")
        + ("" if f.kind == "sphere" else f", aspect ratio {f.median_aspect_ratio:.3g}")
        for f in plan.fillers
    )
    volumes = ", ".join(
        f"{100 * plan.recipe(w).volume_fraction:.3g}" for w in plan.weight_fractions
    )
    strains, n = plan.strains, len(plan.temperatures)
    in_all = float(f"{size['flakes']:.3g}")
    ends = f"{1e6 * strains[0]:.4g} to {1e6 * strains[-1]:.4g} microstrain"
    temperatures = ", ".join(format_quantity(t, "temperature") for t in plan.temperatures)
    compile_time = size["seconds_to_compile"]
    compiling = (
        [("", f"and {_duration(compile_time)} more the first time here")]
        if compile_time > 0.0
        else []
    )
    rows = [
        ("plan", f"{plan.name}, no fault: {plan.title}"),
        ("filler", fillers),
        *(("", cut) for cut in plan.size_cuts),
        ("loadings", ", ".join(f"{100 * w:.4g}" for w in plan.weight_fractions) + " wt%"),
        ("", f"{volumes} vol%"),
        ("electrode gaps", lengths(plan.electrode_gaps)),
        *_axis_rows(plan),
        *([("candidates", str(plan.n_candidates))] if plan.axes else []),
        ("states", f"{size['n_states']}: {_count(len(strains), 'strain')}, {ends}"),
        ("", f"by {_count(n, 'temperature')}, {temperatures}"),
        ("contacts closed at", format_quantity(plan.closed_at.value, "temperature")),
        ("boxes", f"{size['n_boxes']}, edges {lengths(plan.box_lengths)}"),
        (
            "",
            f"and {_count(size['n_threshold_batches'], 'batch', 'batches')}"
            " for the threshold",
        ),
        ("particles", f"{_particles(size)} a box, {in_all:,.0f} in all"),
        (
            "time",
            f"about {_duration(size['seconds'])} on {_count(size['workers'], 'core')}",
        ),
        *(
            [
                (
                    "",
                    f"at most {_duration(size['seconds_at_most'])}, with"
                    f" {plan.boxes.most} boxes for every loading",
                )
            ]
            if size["seconds_at_most"] > size["seconds"]
            else []
        ),
        *compiling,
        ("memory", f"about {_memory(size['memory_bytes'])}"),
    ]
    text = _table(("", ""), rows, left=2).strip("\n")
    other = [caution for caution in cautions if caution not in plan.size_cuts]
    return "\n".join([text, *(f"Mind: {caution}" for caution in other)])


def _axis_rows(plan: Plan) -> list[tuple[str, str]]:
    """Lay out what the plan lists beside loadings and gaps."""
    from percsim.plan.sections import ExploreSection, reader_of

    names = {
        "thickness": "film thickness",
        "diameter": "filler sizes",
        "aspect_ratio": "aspect ratios",
        "mix_ratio": "mix ratios",
    }
    return [
        (names[key], ", ".join(map(str, reader_of(ExploreSection, key).write(values))))
        for key, values in plan.axes.items()
    ]


def _grown(name: str) -> str:
    """Say which filler a threshold belongs to."""
    mix, _, what = name.rpartition("/")
    words = "as planned" if what == "own" else what.replace(" ", " ratio ")
    return f"{mix.replace('_', ' ').replace('/', ', ')}, {words}" if mix else words


@app.command(
    epilog=_example(
        "percsim threshold patch.toml", "percsim threshold patch.toml --aspect-ratios"
    )
)
@_guarded
def threshold(
    plan: PlanArgument,
    aspect_ratios: Annotated[
        bool,
        typer.Option("--aspect-ratios", help="Also for aspect ratios of 10 to 25."),
    ] = False,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Find the threshold of the plan's filler.

    The digits are those of a run.
    """
    from percsim.plan import Plan

    loaded = Plan.load(plan)
    import numpy as np

    from percsim.boxes.simulate import run_job
    from percsim.boxes.workers import run_jobs
    from percsim.jobs import is_own
    from percsim.run import threshold_jobs

    jobs = [job for job in threshold_jobs(loaded) if aspect_ratios or is_own(job.name)]
    with _progress(quiet) as progress:
        found = run_jobs(run_job, jobs, workers=workers, progress=progress).by_key()
    rows: list[dict[str, Any]] = []
    for name in dict.fromkeys(job.name for job in jobs):
        mine = [job for job in jobs if job.name == name]
        numbers = [
            row for job in mine if job.key in found for row in found[job.key]["numbers"]
        ]
        grown = mine[0].plan.estimate(np.asarray(numbers))
        phi, weight = grown.volume_fraction, grown.weight_fraction
        assert weight is not None  # grown from a recipe
        rows.append(
            {
                "filler": _grown(name),
                "volume_fraction": phi.value,
                "volume_standard_error": phi.standard_error,
                "weight_fraction": weight.value,
                "weight_standard_error": weight.standard_error,
                "n": phi.n,
            }
        )
    if as_json:
        _print_json(rows)
        return
    if quiet:
        _say(f"{100 * rows[0]['weight_fraction']:.4g} wt%")
        return
    own = rows[0]
    in_weight, in_volume = (_with_error(own, kind) for kind in ("weight", "volume"))
    _say(
        f"Threshold {in_weight} wt%, {in_volume} vol%"
        f" ({_count(own['n'], 'box', 'boxes')}, seed {loaded.seed})"
    )
    if len(rows) > 1:
        _say()
        lines = [
            (r["filler"], _with_error(r, "weight"), _with_error(r, "volume")) for r in rows
        ]
        _say(_table(("filler", "wt%", "vol%"), lines))
    if loaded.threshold_caution:
        _say(f"Mind: {loaded.threshold_caution}")


def _with_error(row: dict[str, Any], kind: str) -> str:
    value, error = row[f"{kind}_fraction"], row[f"{kind}_standard_error"]
    return f"{100 * value:.2f} +- {100 * error:.2f}"


@app.command(epilog=_example("percsim report out/patch"))
@_guarded
def report(
    folder: Annotated[
        str, typer.Argument(metavar="FOLDER", help="Results folder of a run.")
    ],
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Draw the report of a folder again.

    An interrupted run is drawn from the boxes it has stored.
    """
    from percsim.boxes.folder import results_folder, torn
    from percsim.run import redraw

    was_torn = torn(results_folder(folder))
    result = redraw(folder)
    if was_torn:
        _tell(f"the files in {folder} were of two runs, one was stopped; written anew")
    _say_result(result, quiet, as_json)


@app.command(
    epilog=_example(
        "percsim lots readings.csv --window '0.7 to 3 kohm'",
        "percsim lots -r '1.21 kohm' -r '1.50 kohm' -r '1.38 kohm' -r open",
        "percsim lots --folder out/patch --within '5 %'",
        "percsim lots --cv '25 %' --share '90 %'",
    )
)
@_guarded
def lots(
    readings: Annotated[
        Path | None,
        typer.Argument(
            metavar="[READINGS.csv]",
            help="A reading a row: column 'resistance (kohm)' or 'resistance_kohm', or"
            " 'resistance' with the unit in each cell; 'open' for an open film. A column"
            " 'uncured' holds the same film before cure, a column 'cup' names the cup each"
            " film was cast from. Other columns are passed over.",
        ),
    ] = None,
    reading: Annotated[
        list[str] | None,
        typer.Option("--reading", "-r", metavar="R", help="One reading, '1.2 kohm'."),
    ] = None,
    folder: Annotated[
        str | None,
        typer.Option(help="Results folder, for the predicted spread and the window."),
    ] = None,
    cv: Annotated[
        str | None,
        typer.Option("--cv", metavar="%", help="CV between castings, when none is read."),
    ] = None,
    window: Annotated[
        str | None,
        typer.Option(metavar="R", help="Resistance asked for, '0.7 to 3 kohm'."),
    ] = None,
    within: Annotated[
        str, typer.Option(metavar="%", help="How close the median is to be known.")
    ] = "10 %",
    confidence: Annotated[
        str, typer.Option(metavar="%", help="Confidence of every statement.")
    ] = "95 %",
    coverage: Annotated[
        str, typer.Option(metavar="%", help="Share that a tolerance interval holds.")
    ] = "95 %",
    share: Annotated[
        str, typer.Option(metavar="%", help="Share inside the window to prove.")
    ] = "80 %",
    good_share: Annotated[
        str | None,
        typer.Option(
            metavar="%",
            help="Share of a recipe to accept nearly always when films are counted one by"
            " one; without, a quarter as many fail as --share allows.",
        ),
    ] = None,
    instrument: Annotated[
        str,
        typer.Option(metavar="%", help="Standard uncertainty of one reading, digits too."),
    ] = "0.1 %",
    cured_ratio: Annotated[
        float | None,
        typer.Option(help="Cured over uncured resistance, as you measured it."),
    ] = None,
    cured_ratio_spread: Annotated[
        str | None,
        typer.Option(metavar="%", help="Its standard deviation from film to film."),
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """How many castings prove a recipe, and what a measured lot shows.

    Without readings it plans from a predicted spread.
    """
    from percsim.errors import PlanError
    from percsim.plan.sections import TargetSection, reader_of
    from percsim.units import show_value

    problems: list[str] = []
    shares = _lot_shares(
        problems,
        within=within,
        confidence=confidence,
        coverage=coverage,
        share=share,
        instrument=instrument,
    )
    values: list[float] = []
    before: list[tuple[float, float]] = []
    cups: list[str] = []
    if readings:
        values, before, cups = _readings_of_file(readings, problems)
    good = None
    if good_share is not None:
        good = _option("--good-share", good_share, "percentage", problems)
        if good is not None and not (shares["share"] or 0.0) < good < 1.0:
            problems.append("--good-share must lie between --share and 100 %")
    if cups and reading:
        problems.append("--reading names no cup: add it to the file, which names them")
    for text in reading or ():
        found = _resistance("--reading", text, "", problems)
        values += [] if found is None else [found]
    limits = None
    if window is not None:
        try:
            limits = reader_of(TargetSection, "resistance").read(window)
        except ValueError as error:
            problems.append(f"--window = {error}")
    spread = None if cv is None else _option("--cv", cv, "percentage", problems)
    if spread is not None and spread > LARGEST_SPREAD:
        problems.append(f"--cv = {show_value(cv)} must be 1000 % or less")
    ratio_spread = _cure_spread(cured_ratio, cured_ratio_spread, problems)
    if not problems and not values and folder is None and cv is None:
        problems.append("nothing to judge: give READINGS.csv, --reading, --folder or --cv")
    if problems:
        raise PlanError(problems)

    predicted = None
    if folder is not None:
        from percsim.boxes.folder import results_folder

        predicted, planned = _predicted(results_folder(folder))
        limits = limits or planned
    import numpy as np

    from percsim.boxes.statistics import log_std_from_cv
    from percsim.decision.lots import CureRatio, Lot
    from percsim.report.lots import lot_summary, lot_text

    asked = limits or (0.0, float("inf"))
    ratio = None
    if cured_ratio is not None and ratio_spread is not None:
        ratio = CureRatio(cured_ratio, log_std_from_cv(ratio_spread))
    elif before:
        ratio = CureRatio.from_pairs(*zip(*before, strict=True))
    known = spread if spread is not None else predicted["cv"] if predicted else None
    result = lot_summary(
        Lot(np.array(values), asked, cups or None, shares["instrument"] or 0.0)
        if values
        else None,
        float("inf") if known is None else log_std_from_cv(known),
        asked,
        predicted=predicted,
        ratio=ratio,
        good=good,
        **{name: value for name, value in shares.items() if value is not None},
    )
    if as_json:
        _print_json(result)
    else:
        _say(lot_text(result, quiet))


def _lot_shares(problems: list[str], **texts: str) -> dict[str, float | None]:
    """Read the percentages of `lots` by name; what is wrong is added to the problems."""
    shares = {
        name: _option(f"--{name}", text, "percentage", problems)
        for name, text in texts.items()
    }
    for name, value in shares.items():
        if value is None:
            continue
        if value < 0.0 or (value == 0.0 and name != "instrument"):
            problems.append(f"--{name} must be above 0 %")
        elif not value < (LARGEST_SPREAD if name == "within" else 1.0):
            most = "1000" if name == "within" else "100"
            problems.append(f"--{name} must be below {most} %")
    return shares


def _cure_spread(
    ratio: float | None, spread: str | None, problems: list[str]
) -> float | None:
    """Read the spread of the cured over the uncured resistance, and check the ratio."""
    from percsim.units import show_value

    if (ratio is None) != (spread is None):
        problems.append(
            "--cured-ratio and --cured-ratio-spread go together: a ratio without its"
            " spread between films sorts nothing"
        )
    if ratio is not None and not 1e-6 <= ratio <= 1e6:
        problems.append(f"--cured-ratio = {ratio:g} must be 1e-6 to 1e6")
    if spread is None:
        return None
    value = _option("--cured-ratio-spread", spread, "percentage", problems)
    if value is not None and value > LARGEST_SPREAD:
        problems.append(
            f"--cured-ratio-spread = {show_value(spread)} must be 1000 % or less"
        )
    return value


def _resistance(where: str, text: str, unit: str, problems: list[str]) -> float | None:
    """Read one resistance [ohm], inf for an open film; a fault is added to the others."""
    from percsim.plan.sections import MeasuredSection, reader_of

    is_open = text.strip().lower() in ("open", "inf")
    written = "open" if is_open else f"{text} {unit}".strip()
    try:
        return float(reader_of(MeasuredSection, "resistance").read(written))
    except ValueError as error:
        problems.append(f"{where} = {error}")
        return None


def _readings_of_file(
    path: Path, problems: list[str]
) -> tuple[list[float], list[tuple[float, float]], list[str]]:
    """Read resistances [ohm], (cured, uncured) pairs, and the cup of each if it is told."""
    from percsim.files import read_rows
    from percsim.plan.readings import split_heading
    from percsim.units import show_value

    try:
        rows = read_rows(path)
    except ValueError as error:
        problems.append(f"{path}: {error}")
        return [], [], []
    heads = rows[0][1] if rows else []
    places: dict[str, tuple[int, str]] = {}
    for name in ("resistance", "uncured"):
        for k, head in enumerate(heads):
            word, unit = split_heading(head)
            if word.lower().startswith(f"{name}_") and not unit:
                # the unit as it is written: Mohm is not mohm
                word, unit = name, word[len(name) + 1 :]
            if word.lower() == name:
                places[name] = k, unit
                break
    if "resistance" not in places:
        problems.append(
            f"{path}: needs a column 'resistance' (unit in each cell),"
            " 'resistance (kohm)' or 'resistance_kohm', has"
            f" {show_value(', '.join(heads)) if heads else 'nothing'}"
        )
        return [], [], []
    cup_at = next((k for k, h in enumerate(heads) if h.lower() in ("cup", "batch")), None)
    cups: list[str] = []
    values: list[float] = []
    pairs: list[tuple[float, float]] = []
    for number, row in rows[1:]:
        cells: dict[str, float | None] = {}
        for name, (k, unit) in places.items():
            cell = row[k] if k < len(row) else ""
            if not cell and name == "uncured":
                continue
            if not cell:
                problems.append(
                    f"{path}, row {number}: no {name}; write 'open' for an open film"
                )
                continue
            cells[name] = _resistance(f"{path}, row {number}: {name}", cell, unit, problems)
        cured, wet = cells.get("resistance"), cells.get("uncured")
        values += [] if cured is None else [cured]
        if cured is not None and wet is not None:
            pairs.append((cured, wet))
        if cup_at is not None:
            cups.append(row[cup_at] if cup_at < len(row) else "")
            if not cups[-1]:
                problems.append(f"{path}, row {number}: no cup; name the cup of every film")
    if not values and not problems:
        problems.append(f"{path}: holds no reading")
    return values, pairs, cups


def _predicted(folder: Path) -> tuple[dict[str, float], tuple[float, float]]:
    """Median and CV that a run predicts for the recipe it decides for, and its window.

    Measured films decide where there are any.
    """
    from percsim.boxes.folder import refuse_torn
    from percsim.errors import FolderError
    from percsim.plan import Plan
    from percsim.report.tables import anchored, deciding_index, number

    path = folder / "summary.json"
    refuse_torn(folder)
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
        told = anchored(summary)
        if told is not None:
            row, median = told, number(told["casting_resistance_ohm"]["median"])
            cv = number(told["resistance_cv"]["median"])
        else:
            row = summary["candidates"][deciding_index(summary)[0]]
            median = number(row["resistance_ohm"]["median"])
            cv = number(row["resistance_cv"])
        predicted = {
            "weight_fraction": float(row["weight_fraction"]),
            "electrode_gap_m": float(row["electrode_gap_m"]),
            "measured_rows": 0 if told is None else summary["anchor"]["n_rows"],
        }
        plan = Plan.from_dict(summary["plan"], name=str(path))
    except (
        OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError,
        RecursionError,
    ) as error:  # fmt: skip
        raise FolderError(
            f"{folder} holds no results to read ({type(error).__name__} in summary.json);"
            " give a folder that 'percsim run' has finished"
        ) from error
    if median is None or cv is None or not max(median, cv) < float("inf"):
        raise FolderError(
            f"{folder}: the {'chosen' if summary.get('chosen') is not None else 'nearest'}"
            " candidate is open, so it predicts no spread; give --cv instead"
        )
    predicted |= {"median_ohm": median, "cv": cv}
    nested = (summary.get("spread") or {}).get("nested") or {}
    lot = (nested.get("log_resistance") or {}).get("between_castings_of_one_lot")
    if lot and told is None:
        from percsim.boxes.statistics import cv_from_log_std

        predicted["one_lot_cv"] = cv_from_log_std(float(lot["value"]))
    return predicted, plan.decision_target().window


def main() -> None:
    """Run the command line."""
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:  # closed by the caller; no file of ours may take its place
            os.open(os.devnull, os.O_RDWR)
    sys.stderr = sys.stderr or open(os.devnull, "w")
    if sys.stdout is None:
        _tell("standard output is closed; send it to a file")
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
        except OSError as error:  # help does not pass through _say
            _tell(f"standard output cannot be written: {_reason(error)}")
            code = BAD_INPUT
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        # nothing is left to put in order, and Python drops what comes while it ends
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    if came and code != INTERRUPTED:
        code = INTERRUPTED
        _tell("interrupted")
    sys.exit(code)
