"""Candidates of made-up boxes, judged by a target over what is known."""

from __future__ import annotations

import numpy as np
from reference.made_up_boxes import DIAMETER, FILM, THRESHOLD, loading
from reference.powders import POWDER

from percsim import Elastomer, Filler, SizeDistribution
from percsim import Recipe as Mixture
from percsim.decision.candidates import WEIGHING_ERROR, choose, judge
from percsim.decision.knowledge import planned
from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.priors import ContactParameters, contact_priors
from percsim.decision.target import Target
from percsim.film import (
    Bench,
    CastingDraws,
    FilmModel,
    Loading,
    Tolerances,
    cast_films,
    fit_loadings,
)

SEED = np.random.SeedSequence(51907)
FLAKE = Filler(kind="flake", density=2250.0, aspect_ratio=15.0, size=SizeDistribution(1e-5))
NONE = Tolerances.none()
TOLERANCES = Tolerances(aspect_ratio=0.035)
WEIGHTS = (0.14, 0.18, 0.22, 0.26, 0.30, 0.34)
GAPS = (2e-3, 3e-3, 5e-3)
TARGET = Target(
    resistance_min=700.0,
    resistance_max=3000.0,
    supply_voltage=3.3,
    series_resistance=1800.0,
    gauge_factor_min=10.0,
    resistance_cv_max=0.25,
    gauge_factor_cv_max=0.15,
    pass_share_min=0.8,
)


def child(i):
    return np.random.SeedSequence(SEED.entropy, spawn_key=(i,))


def boxes(weights=WEIGHTS, **keywords):
    return [loading(w, seed=991, box_spread=0.15, **keywords) for w in weights]


def model_of(loadings, threshold=THRESHOLD, resamples=100):
    """Film model of boxes, and their fits."""
    fits = fit_loadings(loadings, threshold, resamples=resamples, seed=child(0))
    return FilmModel.of(fits, threshold, level=("g0", 8e-5)), fits


def known_of(model, n=256):
    """Contacts as planned, with the simulation error."""
    priors = contact_priors(ContactParameters(powder=POWDER), model.threshold, varied=False)
    return planned(priors, model.parameters, child(2), n)


def threshold_of(castings):
    """Mixture of the films at their own threshold."""
    own = castings.loading.volume_fraction / castings.threshold_ratio
    return Mixture(((FLAKE, 0.3),), Elastomer(1030.0)).at_volume_fraction(min(own, 0.9999))


def judged(
    loadings,
    gaps=GAPS,
    target=TARGET,
    *,
    film=FILM,
    threshold=THRESHOLD,
    tolerances=TOLERANCES,
    castings=500,
    mix=0,
    words="",
    values=(),
    withheld=False,
):
    """Every loading at every gap, gaps innermost."""
    model, fits = model_of(loadings, threshold)
    bench = Bench(tolerances, threshold.aspect_ratio_slope)
    known = known_of(model)
    mixed = [Loading(x.weight_fraction, x.volume_fraction, x.log_slope) for x in loadings]
    films = [type(film)(film.thickness, film.width, gap) for gap in gaps]
    recipes = [Recipe(m, f, mix) for m in mixed for f in films]
    draws = CastingDraws.draw(castings, len(model.visits), child(1))
    cast = cast_films(model, mixed, films, bench, draws, diameter=DIAMETER)
    off = np.log1p(WEIGHING_ERROR) * mixed[0].log_slope
    here, lower, higher = (
        outlooks(model, recipes, known, bench, off_by=by) for by in (0.0, -off, off)
    )
    return [
        judge(
            here[i], here[i], (lower[i], higher[i]), cast[i], fits[i // len(gaps)], target,
            threshold=threshold_of(cast[i]), words=words, values=values, withheld=withheld,
        )
        for i in range(len(recipes))
    ]  # fmt: skip


def chosen_among(loadings=None, gaps=GAPS, target=TARGET, confidence=0.95, **keywords):
    """The choice among them."""
    candidates = judged(loadings or boxes(), gaps, target, **keywords)
    return choose(candidates, target, confidence)
