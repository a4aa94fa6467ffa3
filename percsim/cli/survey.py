"""The command for many plans at once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from percsim.cli.clusters import (
    Address,
    TlsAuthority,
    TlsCertificate,
    TlsKey,
    cluster_at,
)
from percsim.cli.progress import after_lines, progress
from percsim.cli.shared import (
    BAD_INPUT,
    Debug,
    Json,
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
from percsim.quantities import counted, duration, memory

if TYPE_CHECKING:
    from percsim.boxes.cluster import Cluster
    from percsim.survey.read import Survey
    from percsim.survey.run import SurveyResult
    from percsim.survey.work import Work

__all__ = ["survey"]


@command(
    "percsim survey examples/bike_survey.toml --out out/survey --cost",
    'percsim survey survey.toml --out out/survey --budget "2 core-hours"',
    "percsim survey survey.toml --out out/survey --parquet table.parquet",
)
def survey(
    survey_file: Annotated[
        Path,
        typer.Argument(metavar="SURVEY", help="Survey file (TOML): plan, vary, design."),
    ],
    out: Annotated[
        str | None, valued("FOLDER", "Its folder; default out/ and the survey's name.")
    ] = None,
    workers: Workers = None,
    budget: Annotated[
        str | None,
        valued("TIME", 'Computing to spend, "20 core-hours": the most useful boxes first.'),
    ] = None,
    cost: Annotated[
        bool, typer.Option("--cost", help="Say what it costs, and compute nothing.")
    ] = False,
    parquet: Annotated[
        Path | None, valued("FILE", "Also write the table as Parquet (percsim[survey]).")
    ] = None,
    cluster: Address = None,
    tls_ca: TlsAuthority = None,
    tls_cert: TlsCertificate = None,
    tls_key: TlsKey = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """Carry out many plans that share their boxes, into one table.

    Interrupt it at any time; the same command goes on where it stopped.
    """
    hours = None if budget is None else _core_hours(budget)
    from percsim.survey.read import read_survey

    loaded = read_survey(survey_file)
    folder = results_of(out, survey_file)
    from percsim.boxes.pool import checked_workers
    from percsim.survey.run import work_of
    from percsim.survey.table import arrow, stored_table, write_parquet

    work = work_of(loaded)
    if parquet is not None:
        arrow()  # before anything is computed
    if cost:
        told = work.cost(_stored(folder), checked_workers(workers))
        say_json(told) if as_json else say(_cost_text(told))
        return
    again = (
        "percsim", "survey", survey_file, "--out", folder, "--budget", budget,
        "--parquet", parquet, "--cluster", cluster,
    )  # fmt: skip
    with (
        cluster_at(
            cluster, tls_ca, tls_cert, tls_key, workers=workers, quiet=quiet
        ) as elsewhere,
        resumable(folder, *again),
    ):
        result = _carry_out(loaded, work, folder, workers, hours, elsewhere, quiet)
    if parquet is not None:
        write_parquet(stored_table(folder), parquet)
    for failure in result.failures:
        tell(f"failed: {failure}")
    if as_json:
        say_json({
            "folder": str(result.folder), "plans": result.n_plans,
            "answered": result.n_answered, "jobs": result.n_jobs, "done": result.n_done,
            "failures": list(result.failures),
        })  # fmt: skip
        return
    say(
        f"{result.n_answered} of {counted(result.n_plans, 'plan')} answered,"
        f" {result.n_done} of {counted(result.n_jobs, 'job')} done;"
        f" {folder / 'survey.csv'}"
    )


def _carry_out(
    loaded: Survey,
    work: Work,
    folder: Path,
    workers: int | None,
    core_hours: float | None,
    cluster: Cluster | None,
    quiet: bool,
) -> SurveyResult:
    """Run a survey with progress, its cost said before."""
    from percsim.boxes.pool import checked_workers
    from percsim.survey.run import run_survey

    threads = cluster.threads if cluster else checked_workers(workers)
    lines = [] if quiet else [_cost_text(work.cost(_stored(folder), max(threads, 1)))]
    n, stage = len(loaded.plans), "boxes"

    def more(done: int) -> str:
        """Plans that have a first answer by so many boxes."""
        return f"answers for {work.answered(done)} of {n} plans, " * (stage == "boxes")

    def told(name: str) -> None:
        nonlocal stage
        stage = name
        if report is not None and name == "judge":
            report.renamed("plan")

    with progress(quiet, "job", more) as report:
        return run_survey(
            loaded, folder, work=work, workers=workers, executor=cluster,
            core_hours=core_hours, progress=after_lines(lines, report), told=told,
        )  # fmt: skip


def _stored(folder: Path) -> set[str]:
    from percsim.boxes.store import DATABASE, Store

    if not (folder / DATABASE).is_file():
        return set()
    with Store.read(folder) as store:
        return store.keys()


def _cost_text(cost: dict[str, Any]) -> str:
    stored = f", {cost['n_stored']} stored already" if cost["n_stored"] else ""
    return (
        f"{counted(cost['n_plans'], 'plan')} of {counted(cost['n_jobs'], 'job')} together"
        f" ({cost['shared']:.2g} times as many apart){stored}: about"
        f" {cost['core_hours']:.2g} core-hours, {duration(cost['seconds'])} here, with"
        f" {memory(cost['memory_bytes'])} of memory, {memory(cost['disk_bytes'])} of disk"
    )


def _core_hours(text: str) -> float:
    """Core-hours in a budget such as "20 core-hours"."""
    number, *words = text.split() or [""]
    try:
        hours = float(number)
    except ValueError:
        hours = -1.0
    if not 0.0 < hours < float("inf") or words not in (["core-hours"], ["core-hour"]):
        leave(BAD_INPUT, f"--budget {text!r} is not computing, like '20 core-hours'")
    return hours
