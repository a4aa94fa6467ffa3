"""Synthetic benches: truth drawn from the priors, films cast and read, truth asked back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from reference.invented_films import FILM, PRIORS, Invented, mixed

from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.posterior import Reading, measured
from percsim.film import Bench, Tolerances

BENCH = Bench(Tolerances(), -0.85, known_within=2.0)
GAPS = (2e-3, 4e-3)


def truth_at(z):
    return {name: float(v[0]) for name, v in PRIORS.values(np.array([z])).items()}


def cast(
    film, truth, loading, size, rng, *, wide=1.0, lot=0.0, grain=0.0, films=3, cup=None
):
    """ln R of films of one cup (films, visits), of one size."""
    tol, values, z = BENCH.tolerances, dict(truth), rng.standard_normal
    factor, spread = values.pop("threshold"), tol.spreads(size)
    shift, opened = cup or (z(), z())
    shift = wide * loading.log_slope * np.hypot(tol.weighing, tol.mixing) * shift
    own = wide * loading.log_slope * spread["mixing_within"] * z(films)
    phi = loading.volume_fraction * np.exp(shift + own - lot)
    logs = film.log_films(size, phi, values, factor)
    names = ("contact", "thickness", "width", "gap")
    off = grain + wide * np.sqrt(sum(spread[n] ** 2 for n in names)) * z(films)
    rest = logs[:, :1]
    known = np.isfinite(logs)
    change = np.where(known, logs, 0.0) - np.where(np.isfinite(rest), rest, 0.0)
    moved = rest + off[:, None] + change * np.exp(wide * tol.response * opened)
    return np.where(known, moved, np.inf)


def rows_of(film, truth, seed, phis=(0.16, 0.2), *, wide=1.0, films=3, strained=True):
    """Readings of cups at every gap, each film, cup and lot off by its own."""
    rng = np.random.default_rng(seed)
    tol, z = BENCH.tolerances, rng.standard_normal
    lot = wide * BENCH.aspect_ratio_slope * tol.aspect_ratio * z()
    grain = wide * tol.particle_size * z()
    rows = []
    for number, phi in enumerate(phis):
        loading, cup = mixed(phi), (z(), z())
        for gap in GAPS:
            size = replace(FILM, electrode_gap=gap)
            logs = cast(film, truth, loading, size, rng, wide=wide, lot=lot, grain=grain,
                        films=films, cup=cup)  # fmt: skip
            label, batch = f"{100 * phi:g} at {1e3 * gap:g} mm", f"cup {number}"
            if not np.isfinite(logs).all():
                rows.append(Reading(label, loading, size, np.inf, films, batch=batch))
                continue
            read = logs[:, [0, 3]] + wide * tol.instrument * z((films, 2))
            step = (read[:, 1] - read[:, 0]).mean()
            rows.append(
                Reading(
                    label, loading, size, float(np.exp(read[:, 0].mean())), films,
                    strain=3e-3 if strained else 0.0,
                    relative_change=float(np.expm1(step)) if strained else None,
                    batch=batch,
                )
            )  # fmt: skip
    return rows


def coverage(benches, seed, noise=0.08, models=8):
    """Place of each truth within its posterior, (benches,) by name.

    Those of the contacts and the threshold as drawn; `film` is R of the planned film at a
    loading between those read and `casting` that of one casting of a new lot.
    """
    rng = np.random.default_rng(seed)
    film = Invented()
    made = [film.model(noise=noise, seed=[seed, k]) for k in range(models)]
    found = {
        name: [] for name in (*(p.name for p in PRIORS.free), "scatter", "film", "casting")
    }
    tol = BENCH.tolerances
    for k in range(benches):
        z, wide = (
            rng.standard_normal(len(PRIORS.free)),
            np.exp(BENCH.scale_spread * rng.standard_normal()),
        )
        truth, factor = truth_at(z), truth_at(z)["threshold"]
        # cups where films conduct, as a bench finds them
        weak = made[0].own_threshold({n: v for n, v in truth.items() if n != "threshold"})[
            0
        ]
        phis = np.minimum(weak * factor * np.array([1.5, 2.0]), 0.5)
        rows = rows_of(film, truth, [seed, k], phis, wide=wide)
        model = made[k % models]
        known = measured(
            model, rows, PRIORS, BENCH, np.random.SeedSequence([seed, k])
        ).knowledge
        for i, prior in enumerate(PRIORS.free):
            found[prior.name].append(np.mean(known.z[:, i] < z[i]))
        found["scatter"].append(np.mean(known.scale < wide))
        recipe = Recipe(mixed(float(phis[0] * 1.15)), FILM)
        (o,) = outlooks(model, [recipe], known, BENCH)
        level = film.log_films(
            FILM,
            recipe.loading.volume_fraction,
            {n: v for n, v in truth.items() if n != "threshold"},
            factor,
        )[0, 0]
        own = np.random.default_rng([seed, k, 1])
        lot = wide * BENCH.aspect_ratio_slope * tol.aspect_ratio * own.standard_normal()
        grain = wide * tol.particle_size * own.standard_normal()
        drawn = cast(
            film, truth, recipe.loading, FILM, own, wide=wide, lot=lot, grain=grain, films=1
        )
        found["film"].append(np.mean(o.rest[:, o.nominal] < level))
        spread = o.rest[:, :, None] + o.scatter[:, None, None] * np.linspace(-3, 3, 13)
        weights = o.weights[:, None, None] * o.shares[:, None] * normal_weights()
        found["casting"].append((weights * (spread < drawn[0, 0])).sum() / weights.sum())
    return {name: np.array(column) for name, column in found.items()}


def normal_weights():
    w = np.exp(-0.5 * np.linspace(-3, 3, 13) ** 2)
    return w / w.sum()
