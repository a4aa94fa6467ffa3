"""Stored outcomes -> summary: the decision first, then chapter by chapter.

A chapter is a function of the findings, None when the plan does not ask for it. What other
chapters read of one are the attributes of a dataclass, made once and got by calling it. The
report draws what it finds in the summary.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from percsim import __version__
from percsim.advice import Answer, answer, planned_of
from percsim.boxes.growth import GrowthJob
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.candidates import Choice, stand
from percsim.decision.decide import State
from percsim.errors import FolderError
from percsim.findings.anchor import measured_films
from percsim.findings.currents import currents
from percsim.findings.cycles import cycles
from percsim.findings.day_one import day_one
from percsim.findings.film import blocks, film
from percsim.findings.front import front
from percsim.findings.gather import failed_rows
from percsim.findings.judged import Findings, judge_mixes
from percsim.findings.layers import layers
from percsim.findings.mixes import gather_mixes
from percsim.findings.operation import operation
from percsim.findings.patches import patch_cautions, patches
from percsim.findings.rows import summary_of_choice
from percsim.findings.spread import spread
from percsim.findings.stages import Stages, next_stage
from percsim.findings.tables import Table, box_tables, candidate_table, casting_table
from percsim.findings.temperature import temperature
from percsim.findings.words import not_modelled
from percsim.jobs import across_jobs, box_jobs, threshold_jobs
from percsim.packing import plain
from percsim.plan import Plan

__all__ = ["CHAPTERS", "Findings", "assemble", "find"]

CHAPTERS: dict[str, Callable[[Findings], object]] = {
    "film": film,
    "spread": spread,
    "front": front,
    "day_one": day_one,
    "anchor": measured_films,
    "layers": layers,
    "currents": currents,
    "temperature": temperature,
    "operation": operation,
    "cycles": cycles,
    "patches": patches,
}
"""What a summary holds beyond the decision, by key, in order."""


Told = Callable[[str], None]
"""Told what is being done."""


def find(
    plan: Plan,
    records: dict[str, Record],
    stages: Stages | None = None,
    told: Told = lambda _: None,
) -> Findings:
    """Judge every candidate from what is stored, and decide.

    Parameters
    ----------
    plan : Plan
        The plan.
    records : dict of Record
        Stored outcomes by key, all of them or a part.
    stages : Stages, optional
        How the boxes were spent, worked out from the records without.
    told : callable
        Told what is being done: "fit", then "decide".

    Returns
    -------
    Findings
        Those of the mix that the chosen or nearest candidate belongs to.

    Raises
    ------
    FolderError
        If too little is stored to say anything yet.

    """
    told("fit")
    stages = stages or next_stage(plan, records)
    jobs = tuple(box_jobs(plan, stages.boxes))
    mixes = gather_mixes(plan, jobs, records)
    if not mixes:
        raise FolderError(
            "fewer than two boxes a length are stored; run the plan again to go on"
        )
    told("decide")
    decided = answer(plan, [mix.films for mix in mixes])
    exact = [planned_of(mix.films) for mix in mixes]
    unforeseeable = bool(plan.contact_parameters().powder.unforeseeable)
    confidence, castings = plan.boxes.confidence, plan.castings
    as_planned = judge_mixes(
        mixes, exact, exact, decided.target, confidence=confidence, castings=castings,
        withheld=unforeseeable,
    )  # fmt: skip
    at, whole = as_planned.best.mix, as_planned
    if plan.measured:
        at = decided.recipes[0].mix
        mixes[at] = mixes[at].with_readings_of(plan)
        whole = judge_mixes(
            [mixes[at]], [decided.known[0]], [exact[at]], decided.target,
            confidence=confidence, castings=castings,
        )  # fmt: skip
        whole = _as_decided(whole, decided, confidence)
    return Findings(
        plan, mixes[at].plan, records, mixes[at], tuple(mixes), stages, exact[at],
        decided.known[0 if plan.measured else at], as_planned, whole, decided, jobs,
    )  # fmt: skip


def _as_decided(choice: Choice, decided: Answer, confidence: float) -> Choice:
    """Choose the recipe that is ready, where it is among the candidates."""
    decision = decided.decision
    if decision.state is not State.READY:
        return choice
    ready = decided.recipes[decision.best]
    for i, candidate in enumerate(choice.candidates):
        if candidate.outlook.recipe == ready and candidate.meets_target:
            outlooks = [c.outlook for c in choice.candidates]
            standing = stand(outlooks, choice.target, i, confidence)
            return replace(choice, chosen=i, nearest=None, standing=standing)
    return choice


def assemble(
    plan: Plan,
    records: dict[str, Record],
    stages: Stages | None = None,
    *,
    with_blocks: bool = False,
    told: Told = lambda _: None,
) -> tuple[dict[str, Any], Findings, dict[str, Table]]:
    """From what is stored to the summary, the findings and the tables.

    Parameters
    ----------
    plan : Plan
        The plan.
    records : dict of Record
        Stored outcomes by key, all of them or a part.
    stages : Stages, optional
        How the boxes were spent, worked out from the records without.
    with_blocks : bool
        Also put the film together from blocks, a check of it.
    told : callable
        As in `find`.

    Returns
    -------
    summary : dict
        What `summary.json` holds, less what only the run knows (command, date).
    findings : Findings
        What it was made from.
    tables : dict
        Columns of `candidates`, `castings`, `boxes` and `responses`, keys in SI.

    Raises
    ------
    FolderError
        If too little is stored to say anything yet.

    """
    findings = find(plan, records, stages, told)
    stages, jobs = findings.stages, findings.all_jobs
    boxes, responses = box_tables(plan, jobs, records)
    expected: dict[str, BoxJob | GrowthJob] = {job.key: job for job in jobs}
    expected |= {job.key: job for job in across_jobs(plan)}
    expected |= {job.key: job for job in threshold_jobs(plan)}
    done = {key for key, record in records.items() if record.status == "done"}
    choice, layered = summary_of_choice(findings), layers(findings)
    warnings = operation(findings).warnings
    summary: dict[str, Any] = {
        "version": __version__,
        "title": plan.title,
        "seed": plan.seed,
        "plan": plan.as_dict(),
        "complete": stages.verdict != "running" and expected.keys() <= done,
        # whenever they ran; a folder may hold jobs of other plans besides
        "elapsed_s": round(
            sum(
                record.elapsed
                for key, record in records.items()
                if key in expected or key.startswith("film/")
            ),
            3,
        ),
        "threshold": _threshold(findings),
        "states": {
            "strains": sorted({s.strain for s in jobs[0].states}),
            "temperatures_K": sorted({s.temperature for s in jobs[0].states}),
        },
        "window": {
            "min": plan.strain.window[0],
            "max": plan.strain.window[1],
            "chord": plan.chord_strain,
        },
        **choice,
        **_mixes(plan, findings),
        "weigh_out": findings.weigh_out().as_dict(),
        "not_modelled": not_modelled(
            opening=plan.contacts.model == "opening",
            overlap=plan.placement.impenetrable == 0.0,
            layered=layered is not None,
            heated=warnings is not None,
        ),
        "cautions": [
            *(warnings or ()),
            *(layered.cautions if layered else ()),
            *plan.remarks,
            *choice["cautions"],
            *plan.cautions,
            *patch_cautions(findings),
        ],
        "failed_boxes": failed_rows(expected.values(), records),
    }
    made = {name: chapter(findings) for name, chapter in CHAPTERS.items()}
    summary |= plain({name: found for name, found in made.items() if found is not None})
    if with_blocks and "film" in summary:
        summary["film"] |= plain(blocks(findings))
    tables = {
        "candidates": candidate_table(findings, summary["candidates"]),
        "castings": casting_table(findings.whole),
        "boxes": boxes,
        "responses": responses,
    }
    return summary, findings, tables


def _threshold(findings: Findings) -> dict[str, object]:
    """Threshold of touching particles and of films; with what measured films tell of it."""
    found = dict(findings.mix.touching)
    if findings.posterior is None:
        return found
    known = findings.known
    band = known.threshold(findings.mix.model)
    for end, phi in zip(
        ("", "_p05", "_p95"),
        (findings.threshold.volume_fraction, band.p05, band.p95),
        strict=True,
    ):
        mixture = findings.recipe.at_volume_fraction(phi)
        found[f"measured_volume_fraction{end}"] = phi
        found[f"measured_weight_fraction{end}"] = mixture.weight_fraction
    return found


def _mixes(plan: Plan, findings: Findings) -> dict[str, object]:
    """List the mixes of a plan that has several: names, values, thresholds."""
    if len(plan.mixes) < 2:
        return {}
    return {
        "mixes": [
            {"name": mix.words, **dict(mix.values), "threshold": mix.touching}
            for mix in findings.mixes
        ]
    }
