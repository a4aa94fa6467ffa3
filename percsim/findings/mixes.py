"""Stored outcomes -> the film model of every mix, with its bench and what it may be."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.simulate import BoxJob
from percsim.boxes.store import Record
from percsim.decision.limits import BenchLimits
from percsim.decision.outlook import Recipe
from percsim.film.bench import Bench
from percsim.film.electrodes import Film
from percsim.film.mounted import mounted_logs
from percsim.film.model import FilmModel, Loading
from percsim.film.transfer import (
    LoadingFit,
    LoadingResult,
    LoadingThreshold,
    film_threshold,
    fit_loadings,
)
from percsim.findings.across import gather_across
from percsim.findings.gather import (
    gather_loadings,
    gather_surface,
    gather_threshold,
    log_slope,
    lost_share,
)
from percsim.findings.transverse import bending_factor, transverse
from percsim.plan import Plan

__all__ = ["Mix", "film_recipe", "gather_mixes", "strain_on_film"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mix:
    """What the stored boxes of one mix gave: loadings of one filler, film and mix ratio.

    Parameters
    ----------
    index : int
        Its place among the mixes.
    plan : Plan
        Its plan.
    jobs : tuple of BoxJob
        Its boxes.
    touching : dict
        Threshold of touching particles, for the summary.
    fits : tuple of LoadingFit
        One a loading that has enough boxes.
    threshold : LoadingThreshold
        The film's own at 20 C.
    model : FilmModel
        Of its films.
    bench : Bench
        What scatters them.
    limits : BenchLimits
        What the bench can make.
    words : str
        What sets it apart from other mixes; empty when there is one.
    values : tuple of (str, float)
        The same as keys of `summary.json` and values in SI.

    """

    index: int
    plan: Plan
    jobs: tuple[BoxJob, ...]
    touching: dict[str, Any] = field(repr=False)
    fits: tuple[LoadingFit, ...]
    threshold: LoadingThreshold
    model: FilmModel
    bench: Bench
    limits: BenchLimits
    words: str = ""
    values: tuple[tuple[str, float], ...] = ()

    @property
    def loadings(self) -> tuple[LoadingResult, ...]:
        """Boxes of every loading."""
        return tuple(fit.loading for fit in self.fits)

    def fit_of(self, weight_fraction: float) -> LoadingFit:
        """Fit of a loading; of the nearest one where it has no boxes."""
        return min(
            self.fits, key=lambda f: abs(f.loading.weight_fraction - weight_fraction)
        )

    @property
    def recipes(self) -> tuple[Recipe, ...]:
        """Every explored loading at every gap, gaps innermost."""
        return tuple(
            Recipe(
                Loading(f.loading.weight_fraction, f.loading.volume_fraction,
                        f.loading.log_slope),
                self.plan.film_at(float(gap)),
                self.index,
            )
            for f in self.fits
            for gap in self.plan.electrode_gaps
        )  # fmt: skip

    @property
    def between(self) -> tuple[Recipe, ...]:
        """Every whole wt% from the lowest to the highest loading that was not explored."""
        known = [f.loading.weight_fraction for f in self.fits]
        whole = range(int(np.ceil(100.0 * known[0])), int(100.0 * known[-1]) + 1)
        apart = [w / 100.0 for w in whole if min(abs(w / 100.0 - k) for k in known) > 5e-3]
        return tuple(
            film_recipe(self.plan, w, float(gap), self.index)
            for w in apart
            for gap in self.plan.electrode_gaps
        )

    @property
    def mounting(self) -> Callable[[Film, Loading, Floats], Floats] | None:
        """How films are put on sheet and part; None without either.

        Moduli are at their best estimates: what their uncertainty moves is in `layers`.
        """
        plan = self.plan
        if not (plan.has_sheet or plan.has_part):
            return None

        def put(film: Film, loading: Loading, logs: Floats) -> Floats:
            bending = self.fit_of(loading.weight_fraction).loading.bending
            transfer, through = strain_on_film(plan, loading.weight_fraction, film, bending)
            return mounted_logs(logs, self.model.visits, film, transfer, through)

        return put


def strain_on_film(
    plan: Plan, weight_fraction: float, film: Film, bending: float
) -> tuple[Any, Floats]:
    """Strain along a film, and through it from wrapping, moduli at their best."""
    from percsim.film.mounted import electrode_span, read_length

    assembly = plan.assembly(weight_fraction, film.thickness)
    length = max(plan.film.length, electrode_span(film), read_length(film))
    return assembly.transfer(length=length), bending * assembly.bending()


def film_recipe(plan: Plan, weight_fraction: float, gap: float, mix: int = 0) -> Recipe:
    """Give the recipe of a loading and gap of a plan."""
    recipe = plan.recipe(weight_fraction)
    loading = Loading(recipe.weight_fraction, recipe.volume_fraction, log_slope(recipe))
    return Recipe(loading, plan.film_at(gap), mix)


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
    contacts = mix.contact_parameters()
    model = FilmModel.of(
        fits, own, level=contacts.level, surface=surface,
        across=across.ratio if across.axis == 2 else 1.0,
    )  # fmt: skip
    return Mix(
        index, mix, tuple(jobs), summary, fits, own, model,
        mix.bench(own.aspect_ratio_slope, own.tilt_slope),
        mix.bench_limits(), mix.mix_words(plan.varying),
        tuple(mix.mix_values(plan.varying)),
    )  # fmt: skip
