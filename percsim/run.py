"""The main job: a plan -> boxes -> film -> decision -> a results folder, resumable.

`run_plan` makes the list of jobs from the plan, has them run and stored, and hands what is
stored to `assemble`; `redraw` hands over what an interrupted or finished run has stored.
So a report never depends on how, when or in how many pieces its boxes were computed.
"""

from __future__ import annotations

import os
import shlex
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

import percsim
from percsim.decision.choose import Decision, decide
from percsim.ensemble.sampling import PURPOSES, box_seed
from percsim.ensemble.simulate import BoxJob, Sample, run_job, simulate_box, solve_sample
from percsim.ensemble.store import (
    Record,
    Store,
    encode_json,
    write_atomically,
)
from percsim.ensemble.threshold import (
    GrowthJob,
    GrowthPlan,
    RecipeParticles,
    ThresholdEstimate,
    plan_growth,
    with_aspect_ratio,
)
from percsim.ensemble.workers import Executor, Progress, available_cores, run_jobs
from percsim.errors import FolderError, PlanError
from percsim.film.blocks import LoadingResult, LoadingThreshold, film_threshold
from percsim.materials.recipe import Recipe
from percsim.particles.box import Box
from percsim.plan import Plan
from percsim.report import write_report

__all__ = [
    "Result",
    "assemble",
    "box_jobs",
    "estimate",
    "redraw",
    "run_plan",
    "threshold_jobs",
]

ASPECT_RATIOS = (10.0, 15.0, 20.0, 25.0)
"""Aspect ratios at which the threshold is grown to show how far it moves."""

BOXES_PER_GROWTH_JOB = 10

SECONDS_PER_FLAKE = 4e-6
"""Place, link and prepare, one particle [s] (measured, one core of a 2020s server)."""

SECONDS_PER_FLAKE_AND_STATE = 2e-6
"""Open, build and solve, one particle and state [s] (as above)."""

SECONDS_PER_HARD_FLAKE = 3.6e-4
"""Push a flake apart from its neighbours, over the volume fraction [s] (as above)."""

CROWDED = 0.31
"""Volume fraction at which that takes twice as long; it goes on with the 6th power."""

SECONDS_PER_GROWTH = 5e-3
"""One box of a threshold [s] (as above)."""

SECONDS_TO_COMPILE = 20.0
"""First use on a machine, compiling the kernels [s] (as above)."""

NOT_MODELLED = (
    "hysteresis between loading and unloading",
    "creep and relaxation under constant strain",
    "the shift of the first strain cycles",
    "the change of the film's section with strain (1 + 2 nu of a plain conductor)",
    "clustered filler and alignment other than the plan's; settled filler, voids",
    "end zones of the bond between film and part, and strain lost in a soft sheet",
    "current crowding at electrodes narrower than the film",
    "self-heating",
    "ageing, moisture, and drift of the contacts",
)

OVERLAP = (
    "that solid particles cannot interpenetrate: bodies are placed at random and may "
    "overlap, and what overlaps is a contact"
)
"""Not modelled either, unless the plan makes particles impenetrable."""

CAUTIONS = (
    "Fine conductive powders: keep dust out of lungs, electrics and ignition sources; "
    "extract it, wear a mask, and follow the powder's safety data sheet and local rules.",
    "Curing agents and solvents: gloves, ventilation, the supplier's safety data sheet.",
    "Cure inhibition: sulfur, amines, tin compounds and some tapes, gloves and fillers "
    "stop addition cure; cure a small sample with this powder first.",
    "Self-heating: a film that carries current warms, drifts and, where current "
    "concentrates, may burn; limit supply voltage and current, and check the power in the "
    "readout against the area of the film.",
    "A simulation is no substitute for test. Structural, vehicle or flight use only after "
    "qualification by those licensed for it, under the codes that apply.",
)


@dataclass(frozen=True, slots=True, repr=False)
class Result:
    """What a run leaves.

    Parameters
    ----------
    summary : dict
        What `summary.json` holds.
    folder : Path
        The results folder.
    figure_failures : tuple of str
        Figures that could not be drawn, and why.

    """

    summary: dict[str, Any]
    folder: Path
    figure_failures: tuple[str, ...] = ()

    def __repr__(self) -> str:
        chosen = self.summary["chosen"]
        if chosen is None:
            verdict = "no candidate meets the target"
        else:
            c = self.summary["candidates"][chosen]
            weight, gap = 100.0 * c["weight_fraction"], 1e3 * c["electrode_gap_m"]
            verdict = f"{weight:.4g} wt% at {gap:.4g} mm"
        return f"Result: {verdict}, in {self.folder}"


# ------------------------------------------------------------------ a plan -> its jobs
def _growth_plans(plan: Plan) -> dict[str, GrowthPlan]:
    """Threshold of the plan's own filler, and of the same with other aspect ratios."""
    own = plan.recipe(plan.weight_fractions[-1])
    recipes = {"own": own}
    if any(filler.kind != "sphere" for filler, _ in own.fillers):
        recipes |= {
            f"aspect {ratio:g}": with_aspect_ratio(own, ratio) for ratio in ASPECT_RATIOS
        }
    return {
        name: plan_growth(
            RecipeParticles(recipe),
            # the same draws at every aspect ratio, so that the trend is not noise
            rng=np.random.default_rng(box_seed(plan.seed, 0, PURPOSES["threshold"])),
        )
        for name, recipe in recipes.items()
    }


def threshold_jobs(plan: Plan) -> list[GrowthJob]:
    """Jobs that grow the thresholds of a plan."""
    jobs = []
    for name, growth in _growth_plans(plan).items():
        total = plan.boxes.threshold_count
        if name != "own":
            total = max(total // 4, BOXES_PER_GROWTH_JOB)
        jobs += [
            GrowthJob(name, growth, first, min(BOXES_PER_GROWTH_JOB, total - first))
            for first in range(0, total, BOXES_PER_GROWTH_JOB)
        ]
    return jobs


def _box(plan: Plan, length: float) -> Box:
    """Cube periodic across, or in a thin film the film's own thickness and free faces."""
    if plan.is_thin:
        return Box((length, length, plan.film.thickness), (False, True, False))
    return Box((length, length, length), (False, True, True))


def box_jobs(plan: Plan) -> list[BoxJob]:
    """Jobs of a plan's boxes, numbers outermost so that a part of them is a fair sample."""
    law, lengths = plan.law(), plan.box_lengths
    cutoff, clusters = plan.cutoff, plan.clusters
    # short boxes are cheap and scatter more: as many more as they are shorter
    counts = [round(plan.boxes.count * lengths[-1] / length) for length in lengths]
    by_loading = [(plan.recipe(w), plan.states(w)) for w in plan.weight_fractions]
    return [
        BoxJob(
            plan.seed,
            number,
            recipe,
            _box(plan, length),
            law,
            states,
            cutoff,
            core=plan.placement.impenetrable,
            clusters=clusters,
            walls=plan.placement.faces,
        )
        for number in range(max(counts))
        for recipe, states in by_loading
        for index, length in enumerate(lengths)
        if number < counts[index]
    ]


def estimate(plan: Plan, workers: int | None = None) -> dict[str, Any]:
    """Size, time and memory of a run, before it starts.

    Parameters
    ----------
    plan : Plan
        The plan.
    workers : int, optional
        Processes, default the cores at hand.

    Returns
    -------
    dict
        `n_boxes`, `n_threshold_batches`, `n_states`, `flakes_per_box` (smallest,
        largest), `flakes`, `seconds` (computing on `workers`), `seconds_to_compile` (first
        use only), `memory_bytes`.

    """
    workers = workers or available_cores()
    jobs = box_jobs(plan)
    counts = [
        sum(
            job.box.volume * phi / filler.mean_volume()
            for (filler, _), phi in zip(
                job.recipe.fillers, job.recipe.volume_fractions, strict=True
            )
        )
        for job in jobs
    ]
    n_states = len(jobs[0].states)
    flakes = float(sum(counts))
    per_flake = SECONDS_PER_FLAKE + SECONDS_PER_FLAKE_AND_STATE * n_states
    batches = len(threshold_jobs(plan))
    growth = batches * BOXES_PER_GROWTH_JOB * SECONDS_PER_GROWTH
    pushing = 0.0
    if plan.placement.impenetrable > 0.0:
        for n, job in zip(counts, jobs, strict=True):
            phi = job.recipe.volume_fraction
            crowd = 1.0 + (phi / CROWDED) ** 6
            pushing += SECONDS_PER_HARD_FLAKE * n * phi * crowd
    return {
        "n_boxes": len(jobs),
        "n_threshold_batches": batches,
        "n_states": n_states,
        "flakes_per_box": [min(counts), max(counts)],
        "flakes": flakes,
        "workers": workers,
        "seconds": (flakes * per_flake + pushing + growth) / workers + 5.0,
        "seconds_to_compile": SECONDS_TO_COMPILE,
        "memory_bytes": (workers + 1) * 220e6 + workers * 4e3 * max(counts),
    }


def _compile_kernels(plan: Plan) -> None:
    """Run a box and a threshold here, so that workers find kernels ready.

    The fullest box, because large networks take kernels of their own.
    """
    fullest = max(
        box_jobs(plan), key=lambda job: job.box.volume * job.recipe.volume_fraction
    )
    simulate_box(replace(fullest, states=fullest.states[:1]))
    jobs = threshold_jobs(plan)
    replace(jobs[0], count=1).run()


# ------------------------------------------------------------- what is stored -> summary
def _threshold(
    plan: Plan, records: dict[str, Record]
) -> tuple[dict[str, Any], LoadingThreshold]:
    estimates: dict[str, ThresholdEstimate] = {}
    jobs = threshold_jobs(plan)
    for name, growth in _growth_plans(plan).items():
        numbers: list[list[int]] = []
        for job in jobs:
            record = records.get(job.key)
            if job.name == name and record is not None and record.result is not None:
                numbers += record.result["numbers"]
        if len(numbers) >= 2:
            estimates[name] = growth.estimate(np.asarray(numbers))
    if "own" not in estimates:
        raise FolderError("the threshold is not computed yet; run the plan again to go on")
    own = estimates["own"]
    curve = [
        {"aspect_ratio": float(name.split()[1]), **_fractions(found)}
        for name, found in estimates.items()
        if name != "own"
    ]
    slope = 0.0
    if len(curve) >= 2:
        x = np.log([row["aspect_ratio"] for row in curve])
        y = np.log([row["volume_fraction"] for row in curve])
        slope = float(np.polyfit(x, y, 1)[0])
    summary = {
        **_fractions(own),
        "n": own.volume_fraction.n,
        "eta": own.eta.value,
        "aspect_ratio_curve": curve,
        "aspect_ratio_slope": slope,
    }
    phi = own.volume_fraction
    return summary, LoadingThreshold(phi.value, phi.standard_error, slope)


def _fractions(found: ThresholdEstimate) -> dict[str, float]:
    weight = found.weight_fraction
    assert weight is not None  # grown from a recipe
    return {
        "volume_fraction": found.volume_fraction.value,
        "weight_fraction": weight.value,
        "standard_error": found.volume_fraction.standard_error,
        "weight_standard_error": weight.standard_error,
    }


def _lost_share(jobs: Sequence[BoxJob], records: dict[str, Record]) -> float:
    """Share of all contacts of the stored boxes that are open at rest and 20 C."""
    lost = total = 0.0
    for job in jobs:
        record = records.get(job.key)
        if record is not None and record.result is not None:
            links = record.result["n_links"]
            lost += links * record.result["lost_share"]
            total += links
    return lost / total if total else 0.0


def _log_slope(recipe: Recipe) -> float:
    """D ln(volume fraction) / d ln(weight fraction) of the same powders at this loading."""
    step = 1e-4
    phi = recipe.volume_fraction
    up = recipe.at_volume_fraction(phi * (1.0 + step)).weight_fraction
    down = recipe.at_volume_fraction(phi * (1.0 - step)).weight_fraction
    return float(np.log((1.0 + step) / (1.0 - step)) / np.log(up / down))


def _loadings(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record]
) -> tuple[list[LoadingResult], list[dict[str, Any]]]:
    """Gather stored boxes by loading, which counts once every length has two boxes."""
    loadings, failed = [], []
    lengths = plan.box_lengths
    for w in plan.weight_fractions:
        rows: list[list[list[float]]] = [[] for _ in lengths]
        mine = [
            job
            for job in jobs
            if job.recipe.weight_fraction == plan.recipe(w).weight_fraction
        ]
        for job in mine:
            record = records.get(job.key)
            if record is None:
                continue
            if record.result is None:
                failed.append(
                    {
                        "weight_fraction": w,
                        "box_length_m": job.box.length,
                        "box_number": job.number,
                        "message": record.message,
                    }
                )
            else:
                rows[lengths.index(job.box.length)].append(record.result["conductances"])
        if min(len(r) for r in rows) < 2:
            continue
        recipe = plan.recipe(w)
        states = plan.states(w)
        loadings.append(
            LoadingResult(
                weight_fraction=recipe.weight_fraction,
                volume_fraction=recipe.volume_fraction,
                log_slope=_log_slope(recipe),
                lengths=lengths,
                sections=tuple(_box(plan, length).section for length in lengths),
                conductances=tuple(np.asarray(r, dtype=np.float64) for r in rows),
                strains=tuple(s.strain for s in states),
                temperatures=tuple(s.temperature for s in states),
                diameter=plan.median_diameter,
                mix_ratio=plan.cured_elastomer.mix_ratio,
                dimension=2 if plan.is_thin else 3,
            )
        )
    return loadings, failed


def _decide(
    plan: Plan, loadings: Sequence[LoadingResult], threshold: LoadingThreshold
) -> Decision:
    return decide(
        loadings,
        plan.film_at(plan.electrode_gaps[0]),
        plan.electrode_gaps,
        threshold,
        plan.decision_target(),
        seed=box_seed(plan.seed, 0, PURPOSES["tolerances"]),
        tolerances=plan.casting_tolerances(),
        contacts=plan.contact_parameters(),
        limits=plan.bench_limits(),
        castings=plan.castings,
    )


def _box_rows(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record]
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Rows of boxes.csv and responses.csv."""
    boxes, responses = [], []
    for job in sorted(
        jobs, key=lambda j: (j.recipe.weight_fraction, j.box.length, j.number)
    ):
        record = records.get(job.key)
        if record is None or record.result is None:
            continue
        result = record.result
        resistances = [1.0 / g if g > 0.0 else float("inf") for g in result["conductances"]]
        at = {
            (s.strain, s.temperature): r
            for s, r in zip(job.states, resistances, strict=True)
        }
        room = job.states[job.rest].temperature
        rest, strained = at[0.0, room], at[plan.largest_strain, room]
        where = {
            "weight_fraction": job.recipe.weight_fraction,
            "box_length_m": job.box.length,
            "box_number": job.number,
        }
        boxes.append(
            where
            | {k: v for k, v in result.items() if k != "conductances"}
            | {
                "resistance_ohm": rest,
                # an open box has none; one that opens under strain has an infinite one
                "gauge_factor": (strained / rest - 1.0) / plan.largest_strain
                if rest < float("inf")
                else "",
                "elapsed_s": record.elapsed,
            }
        )
        responses += [
            where
            | {"strain": s.strain, "temperature_K": s.temperature, "resistance_ohm": r}
            for s, r in zip(job.states, resistances, strict=True)
        ]
    return boxes, responses


def _casting_rows(decision: Decision) -> list[dict[str, Any]]:
    rows = []
    for index, candidate in enumerate(decision.candidates):
        castings = candidate.castings
        factors = castings.factors()
        rest, gauge = castings.at_rest, castings.gauge_factors
        rows += [
            {
                "candidate": index,
                "weight_fraction": castings.fit.loading.weight_fraction,
                "electrode_gap_m": castings.film.electrode_gap,
                "casting": k,
                **{name: float(f"{drawn[k]:.6g}") for name, drawn in factors.items()},
                "resistance_ohm": float(rest[k]),
                "gauge_factor": float(gauge[k]) if np.isfinite(rest[k]) else "",
                "passes": bool(candidate.passes[k]),
            }
            for k in range(len(castings))
        ]
    return rows


def _sample(plan: Plan, jobs: Sequence[BoxJob], weight_fraction: float) -> Sample | None:
    """First conducting box of the middle length at a loading, solved at rest."""
    lengths = plan.box_lengths
    for job in jobs:
        middle = job.box.length == lengths[len(lengths) // 2]
        if middle and job.recipe.weight_fraction == weight_fraction:
            sample = solve_sample(job, job.states[job.rest])
            if np.isfinite(sample.solution.resistance):
                return sample
    return None


def assemble(
    plan: Plan, records: dict[str, Record]
) -> tuple[dict[str, Any], Decision, dict[str, list[dict[str, Any]]]]:
    """From what is stored to the summary, the decision and the tables.

    Parameters
    ----------
    plan : Plan
        The plan.
    records : dict of Record
        Stored outcomes by key, all of them or a part.

    Returns
    -------
    summary : dict
        What `summary.json` holds, less what only the run knows (command, times).
    decision : Decision
        Every candidate judged.
    tables : dict
        Rows of `boxes`, `responses` and `castings`.

    Raises
    ------
    FolderError
        If too little is stored to say anything yet.

    """
    jobs = box_jobs(plan)
    threshold, loading_threshold = _threshold(plan, records)
    loadings, failed = _loadings(plan, jobs, records)
    lost = _lost_share(jobs, records)
    loading_threshold = film_threshold(loading_threshold, lost)
    threshold |= {
        "contacts_lost_at_rest": lost,
        "film_volume_fraction": loading_threshold.volume_fraction,
        "film_standard_error": loading_threshold.standard_error,
        "film_weight_fraction": plan.recipe(plan.weight_fractions[-1])
        .at_volume_fraction(loading_threshold.volume_fraction)
        .weight_fraction,
    }
    if not loadings:
        raise FolderError(
            "fewer than two boxes a length are stored; run the plan again to go on"
        )
    decision = _decide(plan, loadings, loading_threshold)
    boxes, responses = _box_rows(plan, jobs, records)
    best = decision.best.castings.fit.loading
    recipe = next(
        plan.recipe(w)
        for w in plan.weight_fractions
        if plan.recipe(w).weight_fraction == best.weight_fraction
    )
    expected = {job.key for job in jobs} | {job.key for job in threshold_jobs(plan)}
    words = decision.as_dict()
    summary = {
        "version": percsim.__version__,
        "title": plan.title,
        "seed": plan.seed,
        "plan": plan.as_dict(),
        "complete": expected <= records.keys(),
        "threshold": threshold,
        "states": {
            "strains": sorted({s.strain for s in jobs[0].states}),
            "temperatures_K": sorted({s.temperature for s in jobs[0].states}),
        },
        "window": {"min": plan.strain.window[0], "max": plan.strain.window[1]},
        **words,
        "weigh_out": plan.weigh_out(recipe, decision.best.castings.film).as_dict(),
        "not_modelled": [
            *NOT_MODELLED,
            *([OVERLAP] if plan.placement.impenetrable == 0.0 else []),
        ],
        "cautions": [*plan.cautions, *decision.cautions, *CAUTIONS],
        "failed_boxes": failed,
    }
    tables = {"boxes": boxes, "responses": responses, "castings": _casting_rows(decision)}
    return summary, decision, tables


# ------------------------------------------------------------------ the folder
def _write(
    plan: Plan, folder: Path, records: dict[str, Record], extra: dict[str, Any]
) -> Result:
    """Write what a folder shows, numbers first, so that a picture can never cost them."""
    summary, decision, tables = assemble(plan, records)
    summary |= extra
    if len(summary.pop("environments", [])) > 1:
        summary["cautions"].insert(
            0,
            "The boxes were computed on more than one machine or with several versions "
            "of a library; last digits may differ from those of a single one.",
        )
    try:
        write_atomically(folder / "summary.json", encode_json(summary, indent=1) + "\n")
        weight_fraction = decision.best.castings.fit.loading.weight_fraction
        sample = _sample(plan, box_jobs(plan), weight_fraction)
        report = write_report(
            folder,
            summary,
            tables["boxes"],
            tables["responses"],
            tables["castings"],
            sample,
        )
    except (OSError, FolderError) as error:
        raise FolderError(
            f"{error}; the finished boxes are stored, 'percsim report {folder}' writes the "
            "rest once there is room"
        ) from error
    return Result(summary, folder, report.failures)


def run_plan(
    plan: Plan,
    out: str | os.PathLike[str],
    *,
    workers: int | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
    executor: Executor | None = None,
) -> Result:
    """Carry out a plan and leave its results in a folder.

    Parameters
    ----------
    plan : Plan
        What to explore.
    out : path
        Results folder; made if missing, continued if it holds this plan's results.
    workers : int, optional
        Processes, default the cores at hand. The digits do not depend on it.
    fresh : bool
        Remove what percsim had written there and start again.
    progress : Progress, optional
        Told how far the boxes are.
    executor : Executor, optional
        Where boxes run instead of local processes, anything with `submit`.

    Returns
    -------
    Result
        `.summary` is what `summary.json` holds.

    Raises
    ------
    FolderError
        If the folder cannot be used; nothing in it is changed then.
    Interrupted
        On Ctrl-C; the finished boxes are stored and the same call goes on from there.

    """
    started = time.monotonic()
    folder = Path(out)
    jobs: list[GrowthJob | BoxJob] = [*threshold_jobs(plan), *box_jobs(plan)]
    with Store.open(folder, plan.hash, fresh=fresh) as store:
        store.save_artefact("plan", plan.as_dict())
        write_atomically(folder / "plan.toml", plan.whole_text)
        run_jobs(
            run_job,
            jobs,
            workers=workers,
            store=store,
            progress=progress,
            prepare=lambda: _compile_kernels(plan),
            executor=executor,
        )
        environments = store.environments
        extra = {
            "command": shlex.join(
                ["percsim", "run", plan.path or plan.name, "--out", str(out)]
            ),
            "created": datetime.now(UTC).isoformat(timespec="seconds"),
            "elapsed_s": round(time.monotonic() - started, 3),
            "environment": environments[-1],
            "environments": environments,
        }
        store.save_artefact("run", extra)
        return _write(plan, folder, store.records(), extra)


def redraw(folder: str | os.PathLike[str]) -> Result:
    """Write summary, tables, figures and page again from what a folder has stored.

    Parameters
    ----------
    folder : path
        A results folder, of a finished or an interrupted run.

    Returns
    -------
    Result
        With `summary["complete"]` False if boxes are still missing.

    Raises
    ------
    FolderError
        If the folder holds no results, or too few to say anything.

    """
    folder = Path(folder)
    with Store.read(folder) as store:
        records = store.records()
        stored_plan = store.load_artefact("plan")
        if stored_plan is None:
            raise FolderError(f"{folder} holds no plan; run the plan again")
        try:
            plan = Plan.from_dict(stored_plan, name=str(folder / "plan.toml"))
        except PlanError as error:
            raise FolderError(
                f"the plan stored in {folder} cannot be read: {error}"
            ) from error
        extra = store.load_artefact("run") or {
            "command": shlex.join(
                ["percsim", "run", str(folder / "plan.toml"), "--out", str(folder)]
            ),
            "created": store.created,
            "elapsed_s": 0.0,
            "environment": store.environments[-1],
            "environments": store.environments,
        }
    return _write(plan, folder, records, extra)
