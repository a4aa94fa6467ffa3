"""Synthetic benches: truth drawn from the priors, films cast and read, truth asked back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from reference.invented_films import FILM, PRIORS, Invented, mixed

from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.posterior import Reading, measured
from percsim.decision.target import Target
from percsim.film import Bench, Tolerances

BENCH = Bench(Tolerances(), -0.85, known_within=2.0)
GAPS = (2e-3, 4e-3)
HIGHEST = 0.5  # volume fraction that can be cast
CAST = 2000


def truth_at(z):
    return {name: float(v[0]) for name, v in PRIORS.values(np.array([z])).items()}


def without_threshold(truth):
    return {name: v for name, v in truth.items() if name != "threshold"}


def cast(
    film, truth, loading, size, rng, *, wide=1.0, lot=0.0, grain=0.0, films=3, cup=None
):
    """ln R of films of one cup (films, visits), of one size."""
    tol, values, z = BENCH.tolerances, dict(truth), rng.standard_normal
    factor, spread = values.pop("threshold"), tol.spreads(size)
    shift, opened = (z(), z()) if cup is None else cup
    shift = wide * loading.log_slope * np.hypot(tol.weighing, tol.mixing) * shift
    own = wide * loading.log_slope * spread["mixing_within"] * z(films)
    phi = loading.volume_fraction * np.exp(shift + own - lot)
    logs = film.log_films(size, phi, values, factor)
    names = ("contact", "thickness", "width", "gap")
    off = grain + wide * np.sqrt(sum(spread[n] ** 2 for n in names)) * z(films)
    rest = logs[:, :1]
    known = np.isfinite(logs)
    change = np.where(known, logs, 0.0) - np.where(np.isfinite(rest), rest, 0.0)
    moved = (
        rest
        + off[:, None]
        + change * np.exp(wide * tol.response * np.asarray(opened)[..., None])
    )
    return np.where(known, moved, np.inf)


def rows_of(
    film, truth, seed, phis=(0.16, 0.2), *, wide=1.0, films=3, strained=True, spread=False
):
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
            read = logs[:, [0, 3]] + wide * tol.instrument * z((films, 2))
            row = Reading(label, loading, size, np.inf, batch=batch)
            rows += told(row, read, strained, spread)
    return rows


def told(row, read, strained, spread):
    """Rows of films of one cup and size: those that conduct, and those found open there.

    What warms later is not read, so that a film which opens then counts as it read cold.
    """
    closed = np.isfinite(read)
    rows = []
    for changes in (True, False) if strained else (False,):
        mine = read[closed[:, 0] & ((closed[:, 1] == changes) | (not strained))]
        if not len(mine):
            continue
        rest = mine[:, 0]
        step = (mine[:, 1] - rest).mean() if changes else 0.0
        rows.append(
            replace(
                row, resistance=float(np.exp(rest.mean())), films=len(mine),
                strain=3e-3 if changes else 0.0,
                relative_change=float(np.expm1(step)) if changes else None,
                spread=float(rest.std(ddof=1)) if spread and len(mine) > 1 else None,
            )
        )  # fmt: skip
        if strained and not changes:
            rows.append(replace(row, films=len(mine), strain=3e-3))
    n_open = int((~closed[:, 0]).sum())
    return [*rows, replace(row, films=n_open)] if n_open else rows


def cups_found(film, truth, start, seed, wide):
    """Rows of cups as a bench casts them that knows nothing of the truth: up while films
    are open, then one more beside the first that conducts; five cups at most. It reads film
    by film, so that it knows how far they scatter.

    Loadings that were chosen by the true threshold would tell of it what no posterior is
    told: truths then lie above the middle of theirs, in g0 and threshold together.
    """
    phis = [start]
    while True:
        rows = rows_of(film, truth, seed, phis, wide=wide, spread=True)
        is_open = [
            any(r.is_open for r in rows if r.batch == f"cup {k}") for k in range(len(phis))
        ]
        first = next((k for k, x in enumerate(is_open) if not x), None)
        if (
            is_open.count(False) == 2
            or len(phis) == 5
            or (phis[-1] == HIGHEST and is_open[-1])
        ):
            return rows, phis[-1 if first is None else first]
        if first is None:
            phis.append(min(1.4 * phis[-1], HIGHEST))
        elif any(is_open):
            phis.append(1.2 * phis[first])
        else:
            phis.append(phis[0] / 1.3)


def coverage(benches, seed, noise=0.08, wide=None):
    """Place of each truth within its posterior, (benches,) by name.

    Those of the contacts and the threshold as drawn; `film` is R of the planned film at a
    loading between those read, `casting` that of one casting of a new lot, and `claim` the
    share of castings within a window that is claimed to hold enough at 90 %: 0 where it
    does not. `wide` is the scatter of the bench over that planned, drawn by default.
    """
    rng = np.random.default_rng(seed)
    film, tol = Invented(), BENCH.tolerances
    names = [p.name for p in PRIORS.free]
    found = {name: [] for name in (*names, "scatter", "film", "casting", "claim")}
    for k in range(benches):
        if k % 4 == 0:  # boxes of their own for every few benches
            model = film.model(noise=noise, seed=[seed, k])
        z, other = rng.standard_normal((2, len(names)))
        scale = np.exp(BENCH.scale_spread * rng.standard_normal()) if wide is None else wide
        truth, factor = truth_at(z), truth_at(z)["threshold"]
        contacts, guess = without_threshold(truth), truth_at(other)
        start = 2.0 * model.own_threshold(without_threshold(guess), guess["threshold"])[0]
        start = min(max(start, 0.03), HIGHEST)
        rows, phi = cups_found(film, truth, start, [seed, k], scale)
        known = measured(
            model, rows, PRIORS, BENCH, np.random.SeedSequence([seed, k])
        ).knowledge
        for i, name in enumerate(names):
            found[name].append(np.mean(known.z[:, i] < z[i]))
        found["scatter"].append(np.mean(known.scale < scale))
        recipe = Recipe(mixed(1.1 * phi), FILM)
        (o,) = outlooks(model, [recipe], known, BENCH)
        level = film.log_films(FILM, recipe.loading.volume_fraction, contacts, factor)[0, 0]
        found["film"].append(np.mean(o.rest[:, o.nominal] < level))
        own = np.random.default_rng([seed, k, 1])
        lots = scale * own.standard_normal((2, CAST))
        drawn = cast(
            film, truth, recipe.loading, FILM, own, wide=scale,
            lot=BENCH.aspect_ratio_slope * tol.aspect_ratio * lots[0],
            grain=tol.particle_size * lots[1], films=CAST,
            cup=own.standard_normal((2, CAST)),
        )[:, 0]  # fmt: skip
        spread = o.rest[:, :, None] + o.scatter[:, None, None] * np.linspace(-3, 3, 13)
        weights = o.weights[:, None, None] * o.shares[:, None] * normal_weights()
        found["casting"].append((weights * (spread < drawn[0])).sum() / weights.sum())
        if (target := claimed(o)) is not None:
            low, high = np.log(target.window)
            inside = np.mean((drawn >= low) & (drawn <= high))
            found["claim"].append(0.5 * (inside >= target.pass_share_min))
    return {name: np.array(column) for name, column in found.items()}


def claimed(outlook, at=0.9):
    """Narrowest window around the median said at 90 % to hold enough castings, or None."""
    middle = outlook.film_band().median
    for half in np.geomspace(0.05, 3.0, 60) if np.isfinite(middle) else ():
        target = Target(middle * np.exp(-half), middle * np.exp(half))
        if outlook.weights @ outlook.holds(target)[0] >= at:
            return target
    return None


def normal_weights():
    w = np.exp(-0.5 * np.linspace(-3, 3, 13) ** 2)
    return w / w.sum()
