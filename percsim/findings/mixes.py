"""Stored outcomes -> the film model of every mix, with what its boxes gave."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from percsim.advice import Films, log_slope
from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.film.model import FilmModel, Loading
from percsim.film.transfer import LoadingFit, LoadingResult, film_threshold, fit_loadings
from percsim.findings.across import gather_across
from percsim.findings.gather import (
    gather_loadings,
    gather_surface,
    gather_threshold,
    lost_share,
)
from percsim.findings.transverse import bending_factor, transverse
from percsim.plan import Plan

__all__ = ["Mix", "gather_mixes", "log_slope"]


@dataclass(frozen=True)
class Mix:
    """What the stored boxes of one mix gave.

    Parameters
    ----------
    films : Films
        Its films.
    jobs : tuple of BoxJob
        Its boxes.
    touching : dict
        Threshold of touching particles, for the summary.
    fits : tuple of LoadingFit
        One a loading that has enough boxes.
    words : str
        What sets it apart from other mixes; empty when there is one.
    values : tuple of (str, float)
        The same as keys of `summary.json` and values in SI.

    """

    films: Films
    jobs: tuple[BoxJob, ...] = field(repr=False)
    touching: dict[str, object] = field(repr=False)
    fits: tuple[LoadingFit, ...]
    words: str = ""
    values: tuple[tuple[str, float], ...] = ()

    @property
    def plan(self) -> Plan:
        """Its plan."""
        return self.films.plan

    @property
    def model(self) -> FilmModel:
        """Of its films."""
        return self.films.model

    @property
    def index(self) -> int:
        """Its place among the mixes."""
        return self.films.index

    @property
    def loadings(self) -> tuple[LoadingResult, ...]:
        """Boxes of every loading."""
        return tuple(fit.loading for fit in self.fits)

    def fit_of(self, weight_fraction: float) -> LoadingFit:
        """Fit of a loading; of the nearest one where it has no boxes."""
        return min(
            self.fits, key=lambda f: abs(f.loading.weight_fraction - weight_fraction)
        )

    def with_readings_of(self, plan: Plan) -> Mix:
        """Return the same mix with the measured rows of a plan."""
        own = replace(self.plan, measured=plan.measured)
        return replace(self, films=replace(self.films, plan=own))


def gather_mixes(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record], resamples: int = 200
) -> list[Mix]:
    """Gather every mix that has a loading with enough boxes."""
    by_label: dict[str, list[BoxJob]] = {}
    for job in jobs:
        by_label.setdefault(job.label, []).append(job)
    found: list[Mix] = []
    for mix in plan.mixes:
        weights = {mix.recipe(w).weight_fraction for w in mix.weight_fractions}
        mine = [
            job for job in by_label[mix.box_label] if job.recipe.weight_fraction in weights
        ]
        made = _gather_mix(plan, mix, mine, records, len(found), resamples)
        if made is not None:
            found.append(made)
    return found


def _gather_mix(
    plan: Plan,
    mix: Plan,
    jobs: Sequence[BoxJob],
    records: dict[str, Record],
    index: int,
    resamples: int,
) -> Mix | None:
    summary, touching = gather_threshold(mix, records)
    loadings = gather_loadings(mix, jobs, records)
    if not loadings:
        return None
    lost = lost_share(jobs, records)
    own = film_threshold(touching, lost)
    summary |= {
        "contacts_lost_at_rest": lost,
        "film_volume_fraction": own.volume_fraction,
        "film_standard_error": own.standard_error,
        "film_weight_fraction": mix.recipe(mix.weight_fractions[-1])
        .at_volume_fraction(own.volume_fraction)
        .weight_fraction,
    }
    if mix.part.radius is not None:
        loadings = [
            replace(
                entry,
                bending=bending_factor(mix, transverse(mix, jobs, records, entry, own)),
            )
            for entry in loadings
        ]
    across = gather_across(mix, records, loadings, own)
    seed = box_seed(plan.seed, 0, PURPOSES["tolerances"])
    child = np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, 0))
    fits = fit_loadings(loadings, own, resamples=resamples, seed=child)
    surface = gather_surface(mix, jobs, records, FilmModel.conducting(fits, own), own)
    model = FilmModel.of(
        fits, own, level=mix.contact_parameters().level, surface=surface,
        across=across.ratio if across.axis == 2 else 1.0, pull=mix.target.pull,
        memory=mix.contact_parameters().memory,
    )  # fmt: skip
    explored = tuple(
        Loading(x.weight_fraction, x.volume_fraction, x.log_slope) for x in loadings
    )
    films = Films(index, model, explored, tuple(x.bending for x in loadings), mix)
    return Mix(
        films, tuple(jobs), summary, fits, mix.mix_words(plan.varying),
        tuple(mix.mix_values(plan.varying)),
    )  # fmt: skip
