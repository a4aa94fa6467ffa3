"""Commands that carry out a plan: run it, learn from measured films, judge a batch."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from percsim.cli.clusters import (
    Address,
    TlsAuthority,
    TlsCertificate,
    TlsKey,
    cluster_at,
)
from percsim.cli.progress import after_lines, progress
from percsim.cli.results import say_result
from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Details,
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
from percsim.cli.sizing import memory_cautions, size_line, wrapping
from percsim.quantities import counted

if TYPE_CHECKING:
    from percsim.boxes.cluster import Cluster
    from percsim.first_page import FirstPage
    from percsim.plan import Plan
    from percsim.run import Result

__all__ = ["agree", "anchor", "run"]

ReadingsArgument = Annotated[
    list[Path],
    typer.Argument(
        metavar="READINGS...",
        help="Files of readings (CSV), a heading first, or sheets of cups filled in.",
    ),
]


@command(
    "percsim run patch.toml --out out/patch",
    "percsim run patch.toml --out out/patch --workers 2 --json > result.json",
    'percsim run patch.toml --out out/patch --verify-film --budget "2e6 flakes"',
    "percsim run patch.toml --out out/patch --cluster tcp://10.0.0.2:8786",
)
def run(
    plan: PlanArgument,
    out: Annotated[
        str | None, valued("FOLDER", "Results folder; default out/ and the plan's name.")
    ] = None,
    workers: Workers = None,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Remove the results in FOLDER and start again.")
    ] = False,
    add: Annotated[
        bool,
        typer.Option("--add", help="Go on in FOLDER beside boxes of other films."),
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
        valued("PARTICLES", 'Particles in all those films, "2e6 flakes"; default 2e6.'),
    ] = None,
    cluster: Address = None,
    tls_ca: TlsAuthority = None,
    tls_cert: TlsCertificate = None,
    tls_key: TlsKey = None,
    quiet: Quiet = False,
    as_json: Json = False,
    details: Details = False,
    debug: Debug = False,
) -> None:
    """Carry out a plan: simulate, decide, report.

    Interrupt it at any time; the same command goes on where it stopped.
    """
    from percsim.plan import Plan

    particles = 2e6 if budget is None else _budget(budget)
    if budget is not None and not verify_film:
        leave(BAD_INPUT, "--budget goes with --verify-film, which is not there")
    loaded = Plan.load(plan)
    folder = results_of(out, plan)
    films = particles if verify_film else None
    aloud = not (quiet or as_json)
    with cluster_at(
        cluster, tls_ca, tls_cert, tls_key, workers=workers, quiet=quiet
    ) as elsewhere:
        result = _carry_out(
            loaded, folder, workers, quiet, fresh=fresh, add=add, verify_film=films,
            aloud=aloud, cluster=elsewhere,
        )  # fmt: skip
    say_result(result, quiet, as_json, details, said=aloud)


@command(
    "percsim anchor patch.toml readings.csv --out out/patch",
    "percsim anchor patch.toml out/patch/cups.csv --out out/patch",
)
def anchor(
    plan: PlanArgument,
    readings: ReadingsArgument,
    out: Annotated[
        str | None,
        valued(
            "FOLDER",
            "Results folder, used as it is if the plan was run there; default out/ and"
            " the plan's name.",
        ),
    ] = None,
    workers: Workers = None,
    quiet: Quiet = False,
    as_json: Json = False,
    details: Details = False,
    debug: Debug = False,
) -> None:
    """Learn from measured films, and decide again.

    Columns are the keys of [[measured]]: weight_fraction, electrode_gap, resistance (or
    open), films, thickness, width, change with strain or temperature, spread, note, cycle
    (file with the record of a film pulled and released); the unit in the heading,
    "resistance (kohm)", or in every cell. Or the sheet of a cup, cups.csv, filled in: films
    not read yet are passed over. No box is solved again.
    """
    folder = results_of(out, plan)
    _, loaded = _with_readings(plan, readings, quiet)
    kept = [_kept(file, folder) for file in readings]
    aloud = not (quiet or as_json)
    result = _carry_out(
        loaded, folder, workers, quiet, aloud=aloud,
        command=("percsim", "anchor", str(plan), *map(str, kept), "--out", str(folder)),
    )  # fmt: skip
    say_result(result, quiet, as_json, details, said=aloud)


@command(
    "percsim agree patch.toml batch.csv --out out/patch",
    "percsim agree patch.toml batch.csv --out out/patch --json",
)
def agree(
    plan: PlanArgument,
    readings: ReadingsArgument,
    out: Annotated[
        str | None,
        valued(
            "FOLDER",
            "Results folder of the plan; default out/ and the plan's name. It is run there"
            " if it was not.",
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
    loaded, read = _with_readings(plan, readings, quiet)
    folder = results_of(out, plan)
    from percsim.advice import plan_readings
    from percsim.boxes.store import DATABASE
    from percsim.findings.agreement import batch_agreement
    from percsim.run import read_findings

    if not (folder / DATABASE).is_file():
        _carry_out(loaded, folder, workers, quiet)
    films = plan_readings(read)[len(loaded.measured) :]
    result = batch_agreement(read_findings(loaded, folder), films)
    if as_json:
        say_json(result)
    elif quiet:
        say(result["verdict"])
    else:
        from percsim.report.agreement import agreement_text

        say("\n".join(agreement_text(result)))


def _with_readings(plan: Path, readings: Sequence[Path], quiet: bool) -> tuple[Plan, Plan]:
    """Plan as written, and with the readings of files."""
    from percsim.plan import Plan
    from percsim.plan.readings import read_readings
    from percsim.words.films import record_words

    loaded = read = Plan.load(plan)
    for k, file in enumerate(readings):
        same = next((f for f in readings[:k] if _alike(f, file)), None)
        if same is not None:
            leave(BAD_INPUT, f"{file}: holds the same films as {same}; name it once")
    for file in readings:
        found = read_readings(file)
        before = len(read.measured)
        read = read.with_measured(found.rows, file.name, file.parent)
        for row in read.measured[before:] if not quiet else ():
            if row.cycle is not None:
                tell(record_words(row.cycle))
        if found.blank and not quiet:
            tell(f"{file.name}: {counted(found.blank, 'film')} not read yet, passed over")
    return loaded, read


def _alike(one: Path, other: Path) -> bool:
    return one.is_file() and other.is_file() and one.read_bytes() == other.read_bytes()


def _unused(loaded: Plan, folder: Path) -> list[str]:
    """Say that readings a folder was decided by are left out by this run."""
    from percsim.plan import Plan

    try:
        stored = Plan.load(folder / "plan.toml")
    except (OSError, ValueError):
        return []
    if not stored.measured or loaded.measured or stored.hash != loaded.hash:
        return []
    return [
        f"Mind: {folder} was decided with {counted(len(stored.measured), 'reading')}, which"
        " a plain run leaves out; 'percsim anchor' takes them"
    ]


def _kept(readings: Path, folder: Path) -> Path:
    """Keep the sheet of a folder under a name of its own: the next run writes another."""
    from percsim.boxes.folder import write_atomically

    if not (folder / "cups.csv").exists() or not readings.samefile(folder / "cups.csv"):
        return readings
    names = (folder / f"read_{k}.csv" for k in range(1, 1000))
    kept = next(name for name in names if not name.exists())
    write_atomically(kept, readings.read_bytes())
    (folder / "cups.csv").unlink()
    tell(f"{readings} is kept as {kept}; name it again beside the next sheet")
    return kept


def _carry_out(
    loaded: Plan,
    folder: Path,
    workers: int | None,
    quiet: bool,
    *,
    fresh: bool = False,
    add: bool = False,
    verify_film: float | None = None,
    command: tuple[str, ...] = (),
    aloud: bool = False,
    cluster: Cluster | None = None,
) -> Result:
    """Run a plan with progress and say what to do; leaves with a line when interrupted.

    A folder that knows what to do says so at once, others before anything is drawn.
    """
    from percsim.report.terminal import first_text

    known = None
    if aloud and not fresh:
        from percsim.first_page import stored_first_page

        known = stored_first_page(loaded, folder)
        if known is not None:
            say(first_text(known, folder))
    # slow to import, and of no use to a plan with faults
    from percsim.run import estimate, run_plan

    lines = _removed(folder, loaded) if fresh else []
    if not quiet:
        size = estimate(loaded, cluster.threads if cluster else workers)
        cautions = [*memory_cautions(loaded, size), *wrapping(loaded)]
        lines += _unused(loaded, folder)
        lines += [size_line(loaded, size), *(f"Mind: {caution}" for caution in cautions)]

    def first(page: FirstPage) -> None:
        if aloud and known is None:
            if report is not None:
                report.pause()
            say(first_text(page, folder))

    address = cluster.asked if cluster else None
    again = command or (
        "percsim", "run", loaded.path, "--out", folder, "--cluster", address
    )  # fmt: skip
    with resumable(folder, *again), progress(quiet) as report:
        return run_plan(
            loaded,
            out=folder,
            workers=workers,
            fresh=fresh,
            add=add,
            # a fault of the folder comes first, and alone
            progress=after_lines(lines, report),
            verify_film=verify_film,
            executor=cluster,
            command=shlex.join(command) or None,
            told=(lambda _: None) if report is None else report.stage,
            first=first,
        )


def _budget(text: str) -> float:
    """Particles in a budget such as "2e6 flakes"."""
    number, *words = text.split() or [""]
    try:
        particles = float(number)
    except ValueError:
        particles = -1.0
    if not 0.0 < particles < float("inf") or words not in ([], ["flakes"], ["particles"]):
        leave(
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
            jobs = counted(store.counts()["done"], "job")
    except FolderError:
        return [f"removed earlier results in {folder}, which this version cannot read"]
    whose = f"another plan, {stored.title!r}" if stored is not None else "another plan"
    return [f"removed the results of {whose}, in {folder} ({jobs} done)"]
