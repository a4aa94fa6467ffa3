"""ln R of films by a formula: stands in for the responses of boxes where tests need truth.

A power law above a threshold, with a level 1/g0, a response that goes as beta plus one that
goes as 1/delta_b near the threshold, thermal opening and activation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from percsim.decision.predict import Loading
from scipy.constants import Boltzmann, elementary_charge

from percsim.film import Film

FILLER, ELASTOMER = 2250.0, 1030.0
CRITICAL, EXPONENT, LEVEL = 0.085, 1.9, 3e-5
FILM = Film(thickness=0.2e-3, width=6e-3, electrode_gap=3e-3)
EXPANSION = 3e-4
MEDIANS = {"g0": 8e-5, "beta": 100.0, "delta_b": 0.01, "lambda_T": 0.3,
           "Ea": 10e-3 * elementary_charge}  # fmt: skip


def mixed(weight_fraction: float) -> Loading:
    filler = weight_fraction / FILLER
    phi = filler / (filler + (1.0 - weight_fraction) / ELASTOMER)
    return Loading(weight_fraction, phi, (1.0 - phi) / (1.0 - weight_fraction))


@dataclass(frozen=True)
class ClosedForm:
    """The methods of the responses of boxes, from a formula."""

    strains: tuple[float, ...] = (0.0, 1e-3, 2e-3, 3e-3, 0.0)
    temperatures: tuple[float, ...] = (293.15, 293.15, 293.15, 293.15, 333.15)
    chord: float | None = None
    window: tuple[float, float] | None = None
    error: float = 0.0

    def own_threshold(self, parameters, threshold_factor=1.0):
        return np.atleast_1d(CRITICAL * threshold_factor)

    def log_resistance(
        self, film, volume_fraction, parameters, threshold_factor=1.0, *, states=None
    ):
        if np.ndim(threshold_factor) == 2:
            columns = [
                self.log_resistance(film, volume_fraction, parameters, f, states=states)
                for f in np.transpose(threshold_factor)
            ]
            return np.stack(columns, axis=1)
        phi, f, g0, beta, delta_b, lambda_t, energy = np.broadcast_arrays(
            np.atleast_1d(volume_fraction),
            threshold_factor,
            *({**MEDIANS, **parameters}[k] for k in MEDIANS),
        )
        ratio = phi / (f * CRITICAL) - 1.0
        conducts = ratio > 0.0
        safe = np.where(conducts, ratio, 1.0)
        level = np.log(
            LEVEL * film.electrode_gap / (film.width * film.thickness) / g0
        ) - EXPONENT * np.log(safe)
        found = []
        for e, t in zip(self.strains, self.temperatures, strict=True):
            opening = e + lambda_t * EXPANSION * (t - 293.15)
            response = 0.12 * beta * opening + 0.05 * opening / (delta_b * (0.2 + safe))
            activated = energy / Boltzmann * (1.0 / t - 1.0 / 293.15)
            found.append(np.where(conducts, level + response + activated, np.inf))
        logs = np.stack(found, axis=1)
        return logs if states is None else logs[:, list(states)]

    def log_error(
        self,
        volume_fraction,
        parameters,
        threshold_factor=1.0,
        *,
        relative=False,
        states=None,
    ):
        n = max(np.size(v) for v in (*parameters.values(), threshold_factor))
        count = len(self.strains if states is None else states)
        return np.full((n, count), 0.0 if relative else self.error)


def cast(film, loading, tolerances, values, rng, responses, n=1):
    """Films cast at true parameters, every tolerance drawn: ln R (n, states).

    One cup: weighing is common, everything else differs from film to film; the lot is in
    the true threshold and g0.
    """
    z = rng.standard_normal
    spread = tolerances.spreads(film)
    own = spread["mixing"] * z(n) + spread["mixing_within"] * z(n)
    phi = loading.volume_fraction * np.exp(
        loading.log_slope * (spread["weighing"] * z() + own)
    )
    parameters = {k: np.full(n, v) for k, v in values.items() if k != "threshold"}
    logs = responses.log_resistance(film, phi, parameters, values["threshold"])
    scale = responses.error * z()
    for name in ("thickness", "gap", "width", "contact"):
        scale = scale + spread[name] * z(n)
    response = 1.0 + spread["response"] * z(n)
    logs = logs[:, :1] + response[:, None] * np.where(
        np.isfinite(logs[:, :1]),
        logs - np.where(np.isfinite(logs[:, :1]), logs[:, :1], 0.0),
        0.0,
    )
    return logs + scale[:, None]
