"""Synthetic plans: truth drawn from the priors, films cast, rows read, truth asked back."""

from __future__ import annotations

import numpy as np
from percsim.decision.anchor import Reading, anchor
from reference.closed_form_films import CRITICAL, FILM, ClosedForm, cast, mixed
from reference.powders import POWDER

from percsim.decision import ContactParameters
from percsim.decision.priors import contact_priors
from percsim.film import LoadingThreshold, Tolerances

THRESHOLD = LoadingThreshold(CRITICAL, 0.002 * CRITICAL, -1.0)
PRIORS = contact_priors(ContactParameters(powder=POWDER), THRESHOLD)
RESPONSES = ClosedForm()
TOLERANCES = Tolerances()


def truth_at(z):
    return {name: float(v[0]) for name, v in PRIORS.values(np.array([z])).items()}


def readings_of(truth, rng, weights=(0.22, 0.26, 0.30), *, films=3, strained=True):
    """Rows a bench would write: means of `films` films, one cup a loading."""
    rows = []
    for w in weights:
        loading = mixed(w)
        logs = cast(FILM, loading, TOLERANCES, truth, rng, RESPONSES, films)
        label = f"{100 * w:g} wt%"
        if np.isinf(logs[:, 0]).all():
            rows.append(Reading(label, loading, FILM, float("inf"), films))
            continue
        kept = logs[np.isfinite(logs[:, 0])]
        change = None
        if strained:
            step = kept[:, 3] - kept[:, 0]
            step = step * (1.0 + 20e-6 / 3e-3 * rng.standard_normal(len(kept)))
            step = step + np.sqrt(2.0) * 0.001 * rng.standard_normal(len(kept))
            change = float(np.expm1(step.mean()))
        if len(kept) < films:
            rows.append(Reading(label, loading, FILM, float("inf"), films - len(kept)))
        rows.append(
            Reading(
                label, loading, FILM, float(np.exp(kept[:, 0].mean())), len(kept),
                strain=3e-3 if strained else 0.0, relative_change=change,
            )
        )  # fmt: skip
    return rows


def coverage(plans, seed, n):
    """Whether the 90 % interval of each parameter of each plan holds the truth."""
    rng = np.random.default_rng(seed)
    hits = []
    for k in range(plans):
        truth = truth_at(rng.standard_normal(6))
        rows = readings_of(truth, rng)
        child = np.random.SeedSequence(seed, spawn_key=(k,))
        found = anchor(RESPONSES, rows, PRIORS, TOLERANCES, child, n=n)
        order = np.argsort(found.draws.z, axis=0)
        for i, prior in enumerate(PRIORS.free):
            place = np.cumsum(found.draws.weights[order[:, i]])
            sorted_z = found.draws.z[order[:, i], i]
            at = np.searchsorted(sorted_z, prior.standard(truth[prior.name]))
            level = place[min(at, len(place) - 1)]
            hits.append(0.05 <= level <= 0.95)
    return np.array(hits).reshape(plans, -1)
