"""Stored outcomes -> summary: the decision first, then chapter by chapter.

A chapter is a function of the findings and of the summary so far; it returns the keys it
adds, none when the plan does not ask for it. The report draws what it finds there.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

from percsim import __version__
from percsim.assemble.across import Across, gather_across
from percsim.assemble.currents import currents
from percsim.assemble.film import film
from percsim.assemble.gather import (
    Findings,
    box_rows,
    casting_rows,
    gather_loadings,
    gather_responses,
    gather_threshold,
    lost_share,
)
from percsim.assemble.layers import layers
from percsim.assemble.spread import spread
from percsim.assemble.words import CAUTIONS, NOT_MODELLED, OVERLAP
from percsim.decision.choose import Decision, decide
from percsim.ensemble.sampling import PURPOSES, box_seed
from percsim.ensemble.store import Record
from percsim.errors import FolderError
from percsim.film.transfer import LoadingResult, LoadingThreshold, film_threshold
from percsim.jobs import across_jobs, box_jobs, threshold_jobs
from percsim.plan import Plan

__all__ = ["CHAPTERS", "Findings", "assemble"]

CHAPTERS: tuple[Callable[[Findings, dict[str, Any]], dict[str, Any]], ...] = (
    film,
    spread,
    layers,
    currents,
)
"""What a summary holds beyond the decision, in order."""


def _decide(
    plan: Plan,
    loadings: Sequence[LoadingResult],
    threshold: LoadingThreshold,
    across: Across,
) -> Decision:
    film = plan.film_at(plan.electrode_gaps[0])
    if across.axis == 2:
        film = replace(film, layout=film.layout.conducting(across.ratio))
    return decide(
        loadings,
        film,
        plan.electrode_gaps,
        threshold,
        plan.decision_target(),
        seed=box_seed(plan.seed, 0, PURPOSES["tolerances"]),
        tolerances=plan.casting_tolerances(),
        contacts=plan.contact_parameters(),
        limits=plan.bench_limits(),
        castings=plan.castings,
    )


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
    threshold, loading_threshold = gather_threshold(plan, records)
    loadings, failed = gather_loadings(plan, jobs, records)
    lost = lost_share(jobs, records)
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
    across = gather_across(plan, records, loadings, loading_threshold)
    decision = _decide(plan, loadings, loading_threshold, across)
    boxes, responses = box_rows(plan, jobs, records)
    best = decision.best.castings.fit.loading
    recipe = next(
        plan.recipe(w)
        for w in plan.weight_fractions
        if plan.recipe(w).weight_fraction == best.weight_fraction
    )
    fits = [candidate.castings.fit for candidate in decision.candidates]
    findings = Findings(
        plan,
        tuple(jobs),
        records,
        tuple(loadings),
        loading_threshold,
        recipe,
        decision,
        gather_responses(
            plan,
            jobs,
            records,
            # every candidate of a loading holds the same fit
            list({f.loading.weight_fraction: f for f in fits}.values()),
            loading_threshold,
        ),
    )
    expected = {job.key for job in [*jobs, *across_jobs(plan)]}
    expected |= {job.key for job in threshold_jobs(plan)}
    words = decision.as_dict()
    summary = {
        "version": __version__,
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
    for chapter in CHAPTERS:
        summary |= chapter(findings, summary)
    tables = {"boxes": boxes, "responses": responses, "castings": casting_rows(decision)}
    return summary, decision, tables
