"""A survey -> every box once, every plan judged, one table, resumable."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from percsim.advice import answer
from percsim.boxes.fingerprint import PHYSICS_VERSION
from percsim.boxes.folder import checksum, results_folder, write_atomically
from percsim.boxes.simulate import run_job
from percsim.boxes.store import Record, Store, encode_json
from percsim.boxes.workers import Executor, Progress, run_jobs
from percsim.errors import FolderError, PlanError
from percsim.findings.mixes import gather_mixes
from percsim.jobs import box_jobs, check_placement, compile_kernels
from percsim.plan import Plan
from percsim.process import interrupts, one_blas_thread
from percsim.survey.design import by_distance
from percsim.survey.read import Survey, label, number_and_unit
from percsim.survey.table import QUANTITIES, csv_text
from percsim.survey.work import SECONDS_PER_PLAN, Work, jobs_of, survey_work

__all__ = ["SurveyResult", "judge", "run_survey", "work_of"]

TABLE, TEXT = "survey.csv", "survey.toml"

PLANS_AT_ONCE = 64
"""Whose boxes are held in memory while they are judged."""


@dataclass(frozen=True, slots=True)
class SurveyResult:
    """What a survey leaves.

    Parameters
    ----------
    folder : Path
        Its folder.
    n_plans, n_answered : int
        Plans, and those of them that have an answer.
    n_jobs, n_done : int
        Boxes and batches of thresholds of all plans, and those that are stored.
    failures : tuple of str
        What failed, a line each.

    """

    folder: Path
    n_plans: int
    n_answered: int
    n_jobs: int
    n_done: int
    failures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class JudgeJob:
    """A plan of a survey to judge, with what is stored of its boxes."""

    number: int
    plan: Plan
    records: Mapping[str, Record]

    @property
    def key(self) -> str:
        """Of its own for every plan and every set of boxes; keys stand for their boxes."""
        done = sorted(key for key, r in self.records.items() if r.status == "done")
        told = encode_json([PHYSICS_VERSION, VERSION, self.plan.as_dict(), done])
        return f"recipes/{checksum(told.encode())[:16]}"

    @property
    def seconds(self) -> float:
        """Time it is expected to take on one core [s]."""
        return SECONDS_PER_PLAN


VERSION = 1
"""Of what a row says; rows of another are made anew."""


def judge(job: JudgeJob) -> dict[str, Any]:
    """Judge every recipe of a plan; no rows where too few of its boxes are stored."""
    records = dict(job.records)
    jobs = box_jobs(job.plan)
    try:
        mixes = gather_mixes(job.plan, jobs, records)
    except FolderError:
        mixes = []
    if not mixes:
        return {"rows": []}
    films = [mix.films for mix in mixes]
    found = answer(job.plan, films)
    explored = {recipe for mix in films for recipe in mix.recipes}
    counts = {
        fit.loading.weight_fraction: len(fit.loading.conductances[-1])
        for mix in mixes
        for fit in mix.fits
    }
    rows = []
    for recipe, own, probability in zip(
        found.recipes, found.outlooks, found.decision.all_limits, strict=True
    ):
        if recipe not in explored:
            continue
        threshold = films[recipe.mix].threshold.volume_fraction
        band, response = own.casting_band(), own.response_band() if own.strain else None
        values = (
            recipe.loading.weight_fraction, recipe.film.electrode_gap,
            counts[recipe.loading.weight_fraction],
            band.median, band.p05, band.p95, own.draw_band(own.resistance_cv).median,
            None if response is None else response.median, probability, threshold,
            recipe.loading.volume_fraction / threshold,
        )  # fmt: skip
        rows.append(dict(zip(QUANTITIES, values, strict=True)))
    return {"rows": rows}


def work_of(survey: Survey) -> Work:
    """Jobs of all plans of a survey, in the order in which they are of use."""
    return survey_work(survey.plans, by_distance(survey.axes, survey.points))


@interrupts()
@one_blas_thread()
def run_survey(
    survey: Survey,
    out: str | os.PathLike[str],
    *,
    work: Work | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
    core_hours: float | None = None,
    progress: Progress | None = None,
    told: Callable[[str], None] = lambda _: None,
) -> SurveyResult:
    """Compute the boxes of a survey, judge its plans, and write its table.

    Parameters
    ----------
    survey : Survey
        What to explore.
    out : path
        Folder; made if missing. What it holds of the boxes is used.
    work : Work, optional
        Of the survey, where it is known already.
    workers : int, optional
        Processes, default the cores at hand. The digits do not depend on it.
    executor : Executor, optional
        Where boxes run instead, as for `run_plan`.
    core_hours : float, optional
        Budget, by the time that boxes are expected to take: the most useful are computed
        and the rest left. A larger one goes on from there.
    progress : Progress, optional
        Told how far the boxes are, then how far the plans.
    told : callable
        Told what is done: "boxes", then "judge".

    Returns
    -------
    SurveyResult

    Raises
    ------
    PlanError
        If a plan has faults, or particles find no place.
    FolderError
        If the folder cannot be used.
    Interrupted
        On Ctrl-C; the finished boxes are stored and the same call goes on from there.

    """
    folder = results_folder(out)
    work = work or work_of(survey)
    _check_places(survey)
    with Store.open(folder) as store:
        _refuse_foreign(folder, store)
        jobs = work.within(core_hours, store.keys())
        told("boxes")
        compiling = partial(compile_kernels, survey.base, alone=executor is not None)
        outcome = run_jobs(
            run_job, jobs, workers=workers, store=store, progress=progress,
            prepare=compiling, executor=executor,
        )  # fmt: skip
        failures = [f"{key}: {why}" for key, why in outcome.failures.items()]
        n_done = len(jobs) - len(failures)
        del outcome
        told("judge")
        rows = []
        for first in range(0, len(survey.plans), PLANS_AT_ONCE):
            numbers = range(first, min(first + PLANS_AT_ONCE, len(survey.plans)))
            asked = [_judge_job(survey, k, store) for k in numbers]
            # two points may be one plan, as where a default is listed
            judged = run_jobs(
                judge, list({job.key: job for job in asked}.values()),
                workers=workers, store=store, executor=executor,
            )  # fmt: skip
            failures += [f"plan {key}: {why}" for key, why in judged.failures.items()]
            found = dict(zip(judged.by_key(), judged.results, strict=True))
            rows += [(found[job.key] or {"rows": []})["rows"] for job in asked]
            if progress is not None:
                progress(numbers[-1] + 1, len(survey.plans), 0, 0.0, float("inf"))
        _write(folder, store, survey, table_of(survey, rows))
    return SurveyResult(
        folder, len(rows), sum(map(bool, rows)), len(work.jobs), n_done, tuple(failures)
    )


def _judge_job(survey: Survey, number: int, store: Store) -> JudgeJob:
    plan = survey.plans[number]
    return JudgeJob(number, plan, store.records(job.key for job in jobs_of(plan)))


def _check_places(survey: Survey) -> None:
    for point, plan in zip(survey.points, survey.plans, strict=True):
        try:
            check_placement(plan)
        except PlanError as error:
            name = Path(survey.path).name
            raise PlanError(
                [f"{name}: {survey.words(point)}: {fault}" for fault in error.faults]
            ) from None


def table_of(survey: Survey, rows: Sequence[Sequence[Mapping[str, Any]]]) -> dict[str, Any]:
    """Give the table of a survey from the rows of each of its plans.

    Columns of the axes hold numbers where all values are numbers of one unit, words else.
    """
    axes: list[dict[str, Any]] = []
    columns = []
    for k, axis in enumerate(survey.axes):
        numbers, unit = _numbers([point[k] for point in survey.points])
        columns.append(numbers)
        listed = sorted(dict.fromkeys(numbers), key=numbers.index)
        axes.append({"name": axis.name, "unit": unit, "values": listed})
    names = [axis.name for axis in survey.axes]
    table: dict[str, list[Any]] = {"plan": [], **{name: [] for name in names}}
    table |= {name: [] for name in QUANTITIES}
    for number, found in enumerate(rows):
        for row in found:
            table["plan"].append(number)
            for name, values in zip(names, columns, strict=True):
                table[name].append(values[number])
            for name in QUANTITIES:
                table[name].append(row[name])
    return {
        "title": survey.title, "design": survey.kind, "axes": axes,
        "points": [list(point) for point in zip(*columns, strict=True)],
        "columns": table,
    }  # fmt: skip


def _numbers(values: Sequence[Any]) -> tuple[list[Any], str]:
    """Numbers of values and their unit, or their words and none."""
    read = [number_and_unit(value) for value in values]
    units = {pair[1] for pair in read if pair is not None}
    if None not in read and len(units) == 1:
        return [pair[0] for pair in read if pair is not None], units.pop()
    return [label(value) for value in values], ""


def _write(folder: Path, store: Store, survey: Survey, table: Mapping[str, Any]) -> None:
    files = {TABLE: csv_text(table), TEXT: survey.text}
    sums = {name: checksum(text.encode()) for name, text in files.items()}
    store.save_artefacts({"survey table": table, "survey files": sums})
    for name, text in files.items():
        write_atomically(folder / name, text)


def _refuse_foreign(folder: Path, store: Store) -> None:
    """Refuse a folder of a plan, and files that are not as a survey wrote them."""
    if store.load_artefact("plan") is not None:
        raise FolderError(f"{folder} holds the results of a plan; choose another folder")
    sums = store.load_artefact("survey files", {})
    for name in (TABLE, TEXT):
        path = folder / name
        if path.exists() and (
            not path.is_file() or checksum(path.read_bytes()) != sums.get(name)
        ):
            raise FolderError(
                f"{path} is not as percsim wrote it; copy what you want to keep elsewhere"
                " and remove it, or choose another folder"
            )
