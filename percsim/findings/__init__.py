"""Stored outcomes -> summary: the decision first, then chapter by chapter.

A chapter is a function of the findings and of the summary so far; it returns the keys it
adds, none when the plan does not ask for it. The report draws what it finds there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from percsim import __version__
from percsim.boxes.growth import GrowthJob
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.choose import Decision, choose_among
from percsim.errors import FolderError
from percsim.findings.anchor import Learned, learn, measured_candidates, measured_films
from percsim.findings.currents import currents
from percsim.findings.day_one import day_one
from percsim.findings.film import blocks, film
from percsim.findings.front import front
from percsim.findings.gather import (
    Findings,
    box_rows,
    casting_rows,
    failed_rows,
    gather_responses,
)
from percsim.findings.ladder import ladder
from percsim.findings.layers import layers
from percsim.findings.operation import operation
from percsim.findings.spread import spread
from percsim.findings.stages import (
    MixFindings,
    Stages,
    decision_arguments,
    gather_mixes,
    next_stage,
)
from percsim.findings.temperature import temperature
from percsim.findings.words import CAUTIONS, NOT_MODELLED, OVERLAP
from percsim.jobs import across_jobs, box_jobs, threshold_jobs
from percsim.plan import Plan

__all__ = ["CHAPTERS", "Findings", "assemble", "find"]

CHAPTERS: tuple[Callable[[Findings, dict[str, Any]], dict[str, Any]], ...] = (
    film,
    spread,
    front,
    day_one,
    measured_films,
    ladder,
    layers,
    currents,
    temperature,
    operation,
)
"""What a summary holds beyond the decision, in order."""


def find(
    plan: Plan, records: dict[str, Record], stages: Stages | None = None
) -> tuple[Findings, Sequence[MixFindings]]:
    """Judge every candidate from what is stored.

    Parameters
    ----------
    plan : Plan
        The plan.
    records : dict of Record
        Stored outcomes by key, all of them or a part.
    stages : Stages, optional
        How the boxes were spent, worked out from the records without.

    Returns
    -------
    findings : Findings
        Those of the mix that the chosen or nearest candidate belongs to.
    mixes : sequence of MixFindings
        Those of every mix.

    Raises
    ------
    FolderError
        If too little is stored to say anything yet.

    """
    stages = stages or next_stage(plan, records)
    jobs = box_jobs(plan, stages.boxes)
    found = gather_mixes(plan, jobs, records)
    if not found:
        raise FolderError(
            "fewer than two boxes a length are stored; run the plan again to go on"
        )
    whole = choose_among(
        [entry.mix for entry in found],
        plan.electrode_gaps,
        plan.decision_target(),
        confidence=plan.boxes.confidence,
        **decision_arguments(plan),
    )
    at = whole.best.mix
    if plan.measured:  # films of one mix tell of that one alone
        told = plan.mix_of(plan.measured[0])
        at = next((k for k, entry in enumerate(found) if entry.plan.mix == told), at)
    decision, mine = whole.of_mix(at), found[at]
    best = decision.best.castings.fit.loading
    recipe = next(
        mine.plan.recipe(w)
        for w in mine.plan.weight_fractions
        if mine.plan.recipe(w).weight_fraction == best.weight_fraction
    )
    fits = [candidate.castings.fit for candidate in decision.candidates]
    return Findings(
        mine.plan,
        mine.jobs,
        records,
        mine.mix.loadings,
        mine.mix.threshold,
        recipe,
        decision,
        whole,
        stages,
        gather_responses(
            mine.plan,
            mine.jobs,
            records,
            # every candidate of a loading holds the same fit
            list({f.loading.weight_fraction: f for f in fits}.values()),
            mine.mix.threshold,
        ),
        mine.mix,
    ), found


def assemble(
    plan: Plan,
    records: dict[str, Record],
    stages: Stages | None = None,
    *,
    with_blocks: bool = False,
) -> tuple[dict[str, Any], Decision, dict[str, list[dict[str, Any]]]]:
    """From what is stored to the summary, the decision and the tables.

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

    Returns
    -------
    summary : dict
        What `summary.json` holds, less what only the run knows (command, date).
    decision : Decision
        Every candidate judged.
    tables : dict
        Rows of `boxes`, `responses` and `castings`.

    Raises
    ------
    FolderError
        If too little is stored to say anything yet.

    """
    findings, found = find(plan, records, stages)
    planned, learned = findings, learn(findings)
    if learned is not None:
        findings = learned.findings
    stages, whole, decision = findings.stages, findings.whole, findings.decision
    jobs, recipe = box_jobs(plan, stages.boxes), findings.recipe
    mine = next(entry for entry in found if entry.plan is findings.plan)
    boxes, responses = box_rows(plan, jobs, records)
    expected: dict[str, BoxJob | GrowthJob] = {job.key: job for job in jobs}
    expected |= {job.key: job for job in across_jobs(plan)}
    expected |= {job.key: job for job in threshold_jobs(plan)}
    done = {key for key, record in records.items() if record.status == "done"}
    summary = {
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
        "threshold": mine.threshold,
        "states": {
            "strains": sorted({s.strain for s in jobs[0].states}),
            "temperatures_K": sorted({s.temperature for s in jobs[0].states}),
        },
        "window": {
            "min": plan.strain.window[0],
            "max": plan.strain.window[1],
            "chord": plan.chord_strain,
        },
        **whole.as_dict(),
        **_mixes(plan, found),
        "weigh_out": mine.plan.weigh_out(recipe, decision.best.castings.film).as_dict(),
        "not_modelled": [
            *NOT_MODELLED,
            *([OVERLAP] if plan.placement.impenetrable == 0.0 else []),
        ],
        "cautions": [*plan.cautions, *whole.cautions, *CAUTIONS],
        "failed_boxes": failed_rows(expected.values(), records),
    }
    # what chapters say is of one mix; only `whole` numbers candidates as the summary does
    own = decision.as_dict() if decision is not whole else {}
    if learned is not None:
        summary |= _as_measured(summary, planned, learned)
    for chapter in CHAPTERS:
        if chapter is day_one:  # what was not known before any film
            summary |= day_one(planned, {**summary, **own})
        elif chapter is measured_films:
            summary |= measured_films(planned, {**summary, **own}, learned)
        else:
            summary |= chapter(findings, {**summary, **own})
    if with_blocks and "film" in summary:
        summary["film"] |= blocks(findings)
    tables = {"boxes": boxes, "responses": responses, "castings": casting_rows(whole)}
    return summary, decision, tables


def _as_measured(
    summary: dict[str, Any], planned: Findings, learned: Learned
) -> dict[str, Any]:
    """Give what a summary says of candidates, boxes and threshold by measured films."""
    recipe = learned.findings.recipe
    own = dict(zip(("", "_p05", "_p95"), learned.thresholds, strict=True))
    return {
        "candidates": measured_candidates(summary["candidates"], learned),
        # boxes are those solved, whatever films tell
        "fits": planned.decision.as_dict()["fits"],
        "reasons": list(planned.decision.reasons),
        "assumptions": [_source_named(row, planned) for row in summary["assumptions"]],
        "threshold": {
            **summary["threshold"],
            **{f"measured_volume_fraction{end}": phi for end, phi in own.items()},
            **{
                f"measured_weight_fraction{end}": recipe.at_volume_fraction(
                    phi
                ).weight_fraction
                for end, phi in own.items()
            },
        },
    }


def _source_named(row: dict[str, Any], planned: Findings) -> dict[str, Any]:
    """Name measured films as the source of what they tell, not the plan."""
    if row["symbol"] == "phi_c":
        return {**row, "basis": "measured", "source": "simulated, then measured films"}
    contacts = planned.contacts
    if row["basis"] != "measured" or row["symbol"] in contacts.measured:
        return row
    return {**row, "source": "measured films; see the chapter on them for what they leave"}


def _mixes(plan: Plan, found: Sequence[MixFindings]) -> dict[str, Any]:
    """List the mixes of a plan that has several: names, values, thresholds."""
    if len(plan.mixes) < 2:
        return {}
    return {
        "mixes": [
            {
                "name": entry.mix.words,
                **dict(entry.mix.values),
                "threshold": entry.threshold,
            }
            for entry in found
        ]
    }
