"""Boxes of a made-up percolation law, for the tests of films and decisions."""

from __future__ import annotations

import numpy as np

from percsim.film import Film, LoadingResult, LoadingThreshold

FILLER, ELASTOMER = 2250.0, 1030.0  # kg/m3
DIAMETER = 10e-6
LENGTHS = (80e-6, 120e-6, 160e-6)
FILM = Film(thickness=0.2e-3, width=6e-3, electrode_gap=3e-3)


def volume_fraction(w):
    return w / FILLER / (w / FILLER + (1 - w) / ELASTOMER)


THRESHOLD = LoadingThreshold(volume_fraction(0.17), 0.002 * volume_fraction(0.17), -1.0)


def loading(
    w,
    *,
    rng=None,
    n_boxes=24,
    box_spread=0.0,
    level=0.0095,
    exponent=1.8,
    short=1.3 * DIAMETER,
    strains=(0.0, 1e-3, 2e-3, 3e-3),
    temperatures=None,
    gauge=None,
    lengths=LENGTHS,
    threshold=THRESHOLD,
):
    """One loading with A/G = rho (L - short), rho = level (phi - phi_c)^-t (1 + response).

    Box k of each length carries one log-normal factor, the same at every loading when the
    generator starts from the same seed.
    """
    phi = volume_fraction(w)
    distance = phi - threshold.volume_fraction
    temperatures = temperatures or (293.15,) * len(strains)
    gauge = gauge or (lambda e, T: 15.0 * e)
    rho = level * distance**-exponent if distance > 0 else np.inf
    conductances, sections = [], []
    for length in lengths:
        factor = np.ones(n_boxes)
        if rng is not None:
            factor = np.exp(box_spread * rng.standard_normal(n_boxes))
        response = np.array([np.exp(gauge(e, T)) for e, T in zip(strains, temperatures)])
        mean = length**2 / (rho * (length - short)) if np.isfinite(rho) else 0.0
        conductances.append(mean * factor[:, None] / response)
        sections.append(length**2)
    return LoadingResult(
        weight_fraction=w,
        volume_fraction=phi,
        log_slope=(1 - phi) / (1 - w),
        lengths=tuple(lengths),
        sections=tuple(sections),
        conductances=tuple(conductances),
        strains=tuple(strains),
        temperatures=tuple(temperatures),
        diameter=DIAMETER,
        mix_ratio=7.0,
    )
