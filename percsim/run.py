"""The main job: a plan -> boxes -> film -> decision -> a results folder, resumable.

`run_plan` makes the list of jobs from the plan, has them run and stored, and hands what is
stored to `findings`; `redraw` hands over what an interrupted or finished run has stored.
So a report never depends on how, when or in how many pieces its boxes were computed, nor on
which plan they were first computed for: a plan takes the stored boxes that are its own.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from importlib import import_module
from pathlib import Path
from typing import Any

from percsim import __version__
from percsim.advice import text_of_films
from percsim.boxes.folder import (
    FolderLock,
    checksum,
    links_work,
    new_results,
    refuse_others,
    results_folder,
    show,
    sweep,
    write_atomically,
)
from percsim.boxes.growth import GrowthJob
from percsim.boxes.pool import LocalProcesses, checked_workers
from percsim.boxes.simulate import BoxJob, finished, run_job, solve_sample
from percsim.boxes.store import (
    DATABASE,
    Record,
    Store,
    encode_json,
    environment_record,
)
from percsim.boxes.workers import Executor, Progress, run_jobs, runs_here
from percsim.errors import FolderError, PlanError
from percsim.findings import Findings, Told, assemble, find
from percsim.findings.improvement import improvement
from percsim.findings.stages import Stages, spend
from percsim.first_page import FirstPage
from percsim.jobs import (
    across_jobs,
    box_jobs,
    check_placement,
    compile_kernels,
    estimate,
    evenly,
    film_jobs,
    threshold_jobs,
)
from percsim.plan import Plan
from percsim.process import check_interrupt, interrupts, one_blas_thread
from percsim.report import drawings, write_report
from percsim.report.cups import cup_sheet
from percsim.report.series import BoxPicture
from percsim.result import Result
from percsim.reuse import refuse_other_boxes, stored_plan

__all__ = [
    "Result",
    "assemble",
    "box_jobs",
    "estimate",
    "read_findings",
    "redraw",
    "run_plan",
    "threshold_jobs",
]


def _sample(plan: Plan, findings: Findings) -> BoxPicture | None:
    """First conducting box of the middle length of the best candidate, solved at rest."""
    weight_fraction = findings.best.castings.loading.weight_fraction
    mix = findings.mix.plan
    middle = mix.box_lengths[len(mix.box_lengths) // 2]
    for job, result in finished(box_jobs(plan), findings.records):
        if (
            job.label == mix.box_label
            and job.box.length == middle
            and job.recipe.weight_fraction == weight_fraction
            and result.conductances[job.rest] > 0.0
        ):
            return BoxPicture(job.key, partial(solve_sample, job, job.states[job.rest]))
    return None


def _write(
    plan: Plan,
    text: str,
    folder: Path,
    records: dict[str, Record],
    extra: dict[str, Any],
    stages: Stages | None = None,
    store: Store | None = None,
    blocks: bool | dict[str, Any] = False,
    told: Told = lambda _: None,
    first: Callable[[FirstPage], None] = lambda _: None,
    beside: LocalProcesses | None = None,
) -> Result:
    """Write results and show them, numbers first, so that a picture can never cost them.

    With a store the folder becomes that of the plan. The film is put together from blocks
    if `blocks` is True; films kept from before are shown while they are of this plan and
    these boxes. `told` and `first` are as in `run_plan`.
    """
    made = blocks is True
    if beside is not None:  # they have nothing to do until there is something to draw
        for _ in range(beside.workers):
            beside.submit(import_module, "matplotlib.backends.backend_agg")
    summary, findings, tables = assemble(plan, records, stages, with_blocks=made, told=told)
    if isinstance(blocks, dict) and blocks["of"] == _source_of_blocks(plan, records):
        summary["film"] = blocks["film"]
    check_interrupt()
    summary |= extra
    if len(summary.pop("environments", [])) > 1:
        summary["cautions"].insert(
            0,
            "The boxes were computed on more than one machine or with several versions "
            "of a library; last digits may differ from those of a single one.",
        )
    if not links_work(folder):
        summary["cautions"].insert(
            0,
            "The results folder cannot hold links, so its files were put in place one by "
            'one: they are of one run if manifest.json beside them says "whole".',
        )
    try:
        if store is not None:
            # a folder becomes this plan's once its results are known, and not before
            films = text_of_films(plan, [mix.films for mix in findings.mixes])
            store.save_artefacts(_of_plan(plan) | {"run": extra, "films": films})
        results = new_results(folder)
        write_atomically(results / "plan.toml", text)
        write_atomically(results / "cups.csv", cup_sheet(plan, findings.first))
        first(findings.first)
        told("draw")
        pictures = drawings(
            summary, tables, _sample(plan, findings), folder / "figures", beside
        )
        improved = improvement(findings)
        if improved is not None:
            summary["improvement"] = improved
        write_atomically(results / "summary.json", encode_json(summary, indent=1) + "\n")
        report = write_report(results, summary, tables, pictures)
        check_interrupt()
        show(folder, results)
    except (OSError, FolderError) as error:
        raise FolderError(
            f"{error}; the finished boxes are stored, 'percsim report {folder}' writes the "
            "rest once that is put right"
        ) from error
    return Result(summary, folder, report.failures)


def _source_of_blocks(plan: Plan, records: dict[str, Record]) -> str:
    """Fingerprint of all that films of blocks are made of; keys stand for their boxes."""
    done = sorted(key for key, record in records.items() if record.status == "done")
    return checksum(encode_json([__version__, plan.as_dict(), done]).encode())


def _kept_blocks(plan: Plan, records: dict[str, Record], result: Result) -> dict[str, Any]:
    """Give what a folder keeps of films of blocks, to show them again at no cost."""
    of, film = _source_of_blocks(plan, records), result.summary.get("film")
    return {"blocks": {"of": of, "film": film} if film else False}


def _of_plan(plan: Plan) -> dict[str, Any]:
    return {"plan": plan.as_dict(), "plan_text": plan.whole_text}


@interrupts()
@one_blas_thread()
def run_plan(
    plan: Plan,
    out: str | os.PathLike[str],
    *,
    workers: int | None = None,
    fresh: bool = False,
    add: bool = False,
    progress: Progress | None = None,
    executor: Executor | None = None,
    verify_film: float | None = None,
    command: str | None = None,
    told: Told = lambda _: None,
    first: Callable[[FirstPage], None] = lambda _: None,
) -> Result:
    """Carry out a plan and leave its results in a folder.

    Parameters
    ----------
    plan : Plan
        What to explore.
    out : path
        Results folder; made if missing. Boxes that it holds are used where they are this
        plan's, whatever plan they were computed for.
    workers : int, optional
        Processes, default the cores at hand. The digits do not depend on it.
    fresh : bool
        Remove what percsim had written there and start again.
    add : bool
        Go on in a folder whose boxes are all of other films, contacts or states; they stay,
        and the folder shows this plan.
    progress : Progress, optional
        Told how far the boxes are.
    executor : Executor, optional
        Where boxes run instead of local processes, anything with `submit`, as
        `percsim.boxes.cluster.Cluster`.
    verify_film : float, optional
        Also simulate films of the chosen candidate directly, as large as so many particles
        in all allow, and compare them with films of blocks.
    command : str, optional
        How to repeat it, for the report; `percsim run` with the plan by default.
    told : callable
        Told what is done after the boxes: "fit", "decide", "draw".
    first : callable
        Given the first page once it is stored, before anything is drawn.

    Returns
    -------
    Result
        `.summary` is what `summary.json` holds.

    Raises
    ------
    FolderError
        If the folder cannot be used, or holds boxes and none of the same film, contacts
        and states; nothing in it is changed then.
    Interrupted
        On Ctrl-C; the finished boxes are stored and the same call goes on from there.

    """
    folder = results_folder(out)
    if verify_film is not None:
        # too small a budget is told before anything is computed
        for mix in plan.mixes:
            fullest = mix.recipe(mix.weight_fractions[-1])
            film_jobs(mix, fullest.weight_fraction, verify_film)
    if fresh or not (folder / DATABASE).is_file():
        check_placement(plan)
    same = {"plan.toml": checksum(plan.text.encode())}
    with (
        Store.open(folder, fresh=fresh, same=same, read_results=True) as store,
        ExitStack() as open_pools,
    ):
        damaged = tuple(store.damaged)
        if not add:
            refuse_other_boxes(plan, store)
        if not (folder / "summary.json").is_file():
            # so that an interrupted first run can be reported
            store.save_artefacts(_of_plan(plan))

        # a second process to compile is of no use where each core has a worker
        alone = executor is not None or runs_here(workers)
        pools: list[LocalProcesses] = []

        def carry_out(jobs: Sequence[GrowthJob | BoxJob], **more: Any) -> None:
            left = len({job.key for job in jobs} - store.keys())
            if left and not alone and not pools:
                pool = LocalProcesses(
                    min(left, checked_workers(workers)), preload=[run_job.__module__]
                )
                pools.append(open_pools.enter_context(pool))
            run_jobs(
                run_job, jobs, workers=workers, store=store, progress=progress,
                executor=pools[0] if pools else executor, **more,
            )  # fmt: skip

        def run(boxes: Sequence[BoxJob]) -> None:
            jobs: list[GrowthJob | BoxJob] = [
                *threshold_jobs(plan),
                *boxes,
                *across_jobs(plan),
            ]
            # two mixes may share a box
            jobs = evenly(list({job.key: job for job in jobs}.values()))
            carry_out(jobs, prepare=partial(compile_kernels, plan, alone=alone))

        stages = spend(plan, store.records, run)
        if verify_film is not None:
            found = find(plan, store.records(), stages)
            carry_out(film_jobs(found.plan, found.recipe.weight_fraction, verify_film))
        environments = store.environments or [environment_record()]
        words = ["percsim", "run", plan.path or plan.name, "--out", str(out)]
        if verify_film is not None:
            words += ["--verify-film", "--budget", f"{verify_film:g}"]
        extra = {
            "command": command or shlex.join(words),
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "environment": environments[-1],
            "environments": environments,
        }
        records, text = store.records(), plan.whole_text
        blocks = verify_film is not None or store.load_artefact("blocks", False)
        result = _write(
            plan, text, folder, records, extra, stages, store, blocks, told, first,
            pools[0] if pools else None,
        )  # fmt: skip
        if verify_film is not None:
            store.save_artefacts(_kept_blocks(plan, records, result))
    return replace(result, recomputed=damaged)


@one_blas_thread()
def read_findings(plan: Plan, folder: str | os.PathLike[str]) -> Findings:
    """Judge again from what a folder has stored, without writing anything.

    Parameters
    ----------
    plan : Plan
        The plan that was run. Without measured rows of its own it takes those that the
        folder was run with.
    folder : path
        Its results folder.

    Returns
    -------
    Findings

    Raises
    ------
    FolderError
        If the folder holds no results of the plan, or too few to say anything.

    """
    with Store.read(folder, read_results=True) as store:
        if store.damaged:
            raise FolderError(
                f"{folder} has damaged rows ({', '.join(store.damaged)}); run its plan "
                "there again first, which computes them again"
            )
        refuse_other_boxes(plan, store)
        records = store.records()
        stored = stored_plan(store)
    if stored is not None and not plan.measured:
        plan = replace(plan, measured=stored.measured)
    findings = find(plan, records)
    if stored is None or stored.hash != plan.hash:
        wanted = box_jobs(plan, findings.stages.boxes)
        missing = sum(job.key not in records for job in wanted)
        if missing:
            words = ["percsim", "run", plan.path or plan.name, "--out", str(folder)]
            raise FolderError(
                f"{folder} lacks {missing} boxes of the plan as it is now; run it there "
                f"first:  {shlex.join(words)}"
            )
    return findings


@interrupts()
@one_blas_thread()
def redraw(folder: str | os.PathLike[str], *, blocks: bool = False) -> Result:
    """Write summary, tables, figures and page again from what a folder has stored.

    Parameters
    ----------
    folder : path
        A results folder, of a finished or an interrupted run.
    blocks : bool
        Also put the film together from blocks, and keep that in the folder: it is shown
        from then on, until the plan or its boxes change.

    Returns
    -------
    Result
        With `summary["complete"]` False if boxes are still missing.

    Raises
    ------
    FolderError
        If the folder holds no results, or too few to say anything.

    """
    folder = results_folder(folder)
    if not (folder / DATABASE).is_file():  # a lock would make the folder
        raise FolderError(f"{folder} holds no results ({DATABASE} is missing)")
    with FolderLock(folder), Store.read(folder, read_results=True) as store:
        refuse_others(folder)
        sweep(folder)
        records, damaged = store.records(), store.damaged
        stored_plan = store.load_artefact("plan")
        if stored_plan is None:
            what = f" ({', '.join(damaged)} damaged)" if damaged else ""
            raise FolderError(f"{folder} holds no plan{what}; run the plan again")
        try:
            plan = Plan.from_dict(stored_plan, name=str(folder / "plan.toml"))
        except PlanError as error:
            raise FolderError(
                f"the plan stored in {folder} cannot be read: {error}"
            ) from error
        refuse_other_boxes(plan, store)
        extra = store.load_artefact("run") or {
            "command": shlex.join(
                ["percsim", "run", str(folder / "plan.toml"), "--out", str(folder)]
            ),
            "created": store.created,
            "environment": (store.environments or [{}])[-1],
            "environments": store.environments,
        }
        text = store.load_artefact("plan_text", plan.whole_text)
        if damaged:
            extra = {**extra, "damaged_rows": damaged}
        films = blocks or store.load_artefact("blocks", False)
        result = _write(plan, text, folder, records, extra, blocks=films)
    if blocks:
        with Store.open(folder) as store:
            store.save_artefacts(_kept_blocks(plan, records, result))
    return result
