"""Boxes of a made-up percolation law whose film is known by hand.

A/G = rho (L - short), rho = level (phi - phi_c)^-t, times exp(response(strain, T)) and one
log-normal factor a box.
"""

from __future__ import annotations

import numpy as np

from percsim.film import (
    Bench,
    CastingDraws,
    Film,
    FilmModel,
    Loading,
    LoadingResult,
    LoadingThreshold,
    cast_films,
    fit_loadings,
)

FILLER, ELASTOMER = 2250.0, 1030.0  # density [kg/m3]
DIAMETER = 10e-6
SHORT = 1.3 * DIAMETER
LEVEL, EXPONENT = 0.0095, 1.8
LENGTHS = (80e-6, 120e-6, 160e-6)
FILM = Film(thickness=0.2e-3, width=6e-3, electrode_gap=3e-3)


def volume_fraction(w):
    return w / FILLER / (w / FILLER + (1 - w) / ELASTOMER)


CRITICAL = volume_fraction(0.17)
THRESHOLD = LoadingThreshold(CRITICAL, 0.002 * CRITICAL, -1.0)
EXACT = LoadingThreshold(CRITICAL, 0.0, -1.0)


def resistivity(w):
    return LEVEL * (volume_fraction(w) - CRITICAL) ** -EXPONENT


def gauge_15(strain, temperature):
    return 15.0 * strain


def loading(
    w,
    *,
    seed=None,
    n_boxes=24,
    box_spread=0.0,
    strains=(0.0, 1e-3, 2e-3, 3e-3),
    temperatures=None,
    response=gauge_15,
    lengths=LENGTHS,
    scale=1.0,
    chord=None,
):
    """Boxes of one loading; box k has the same factor at every loading for one seed."""
    rng = np.random.default_rng(seed)
    phi = volume_fraction(w)
    temperatures = temperatures or (293.15,) * len(strains)
    states = zip(strains, temperatures, strict=True)
    falls = np.exp([-response(e, T) for e, T in states])
    conductances = []
    for length in lengths:
        factor = np.exp(box_spread * rng.standard_normal(n_boxes))
        mean = 0.0
        if phi > CRITICAL:
            mean = scale * length**2 / (resistivity(w) * (length - SHORT))
        conductances.append(mean * factor[:, None] * falls)
    return LoadingResult(
        weight_fraction=w,
        volume_fraction=phi,
        log_slope=(1 - phi) / (1 - w),
        lengths=tuple(lengths),
        sections=tuple(length**2 for length in lengths),
        conductances=tuple(conductances),
        strains=tuple(strains),
        temperatures=tuple(temperatures),
        diameter=DIAMETER,
        mix_ratio=7.0,
        chord=chord,
    )


def cast(
    loadings, index, tolerances, n, seed, *,
    film=FILM, threshold=EXACT, resamples=20, centre=None,
):  # fmt: skip
    """Castings of one of the loadings, and the fits they are read off."""
    fits = fit_loadings(loadings, threshold, resamples=resamples, seed=seed)
    model, at = FilmModel.of(fits, threshold), loadings[index]
    (castings,) = cast_films(
        model,
        [Loading(at.weight_fraction, at.volume_fraction, at.log_slope)],
        [film],
        Bench(tolerances, threshold.aspect_ratio_slope, threshold.tilt_slope),
        CastingDraws.draw(n, len(model.visits), seed),
        centre,
    )
    return castings, fits
