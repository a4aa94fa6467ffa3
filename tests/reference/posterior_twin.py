"""Posterior of measured films by brute force: each film, cup and lot has its own number.

Nothing is linearised and no number is integrated out but those that multiply R, which is
exact where electrodes cost no length of film. Chains move by differences of
other chains (ter Braak, Stat. Comput. 16, 239 (2006), from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from percsim.film.noise import NOISES


class Twin:
    """Latent numbers, all standard normal before: free ones, scale, simulation error, lot
    (aspect ratio, particle size), cups (loading, response), films (loading)."""

    def __init__(self, model, rows, priors, bench):
        self.model, self.rows, self.priors, self.bench = model, rows, priors, bench
        self.scale_spread = bench.scale_spread
        # at rest, and the last two strains for the chord and its slope
        self.visits = [model.visits.rest, *model.visits.strained[-2:]]
        self.cups = sorted({row.batch for row in rows})
        self.k = len(priors.free)
        self.films = [row.films for row in rows]
        self.dimension = self.k + 1 + NOISES + 2 + 2 * len(self.cups) + sum(self.films)

    def parts(self, z):
        k = self.k
        values = self.priors.values(z[:, :k])
        scale = np.exp(self.scale_spread * z[:, k])
        noise = z[:, k + 1 : k + 1 + NOISES]
        rest = z[:, k + 1 + NOISES :]
        return values, scale, noise, rest[:, :2], rest[:, 2:]

    def log_likelihood(self, z):
        model, tol = self.model, self.bench.tolerances
        values, scale, noise, lot, rest = self.parts(z)
        contacts = {name: v for name, v in values.items() if name != "threshold"}
        visits = self.visits
        material = model.material(contacts, noise, visits)
        before, strain = (model.visits.strains[s] for s in visits[1:])
        own = model.own_threshold(contacts, noise=noise)
        s = scale[:, None]
        cup = {c: rest[:, 2 * i : 2 * i + 2] for i, c in enumerate(self.cups)}
        at, total = 2 * len(self.cups), np.zeros(len(z))
        for row, n in zip(self.rows, self.films, strict=True):
            film, loading = row.film, row.loading
            spread = tol.spreads(film)
            mine, at = rest[:, at : at + n], at + n
            shared = np.hypot(spread["weighing"], spread["mixing"]) * cup[row.batch][:, :1]
            within = np.hypot(
                loading.log_slope * spread["mixing_within"],
                self.bench.tilt_slope * spread["tilt"],
            )
            moved = s * loading.log_slope * shared + s * within * mine
            moved = (
                moved - s * self.bench.aspect_ratio_slope * tol.aspect_ratio * lot[:, :1]
            )
            log_phi = np.log(loading.volume_fraction / values["threshold"])[:, None]
            steps = np.concatenate(
                [moved, np.zeros_like(s), 1e-3 + np.zeros_like(s)], axis=1
            )
            logs = material.log_resistance(film, log_phi + steps, visits)
            level = logs[:, :n, 0] + s * tol.particle_size * lot[:, 1:]
            known = np.isfinite(logs[:, n:, 0]).all(axis=1)
            slope = (
                np.where(
                    known,
                    np.subtract(*np.where(known[:, None], logs[:, :-3:-1, 0], 0.0).T),
                    0.0,
                )
                / 1e-3
            )
            ratio = np.exp(log_phi[:, 0]) / own
            uneven = self.bench.unevenness(film, loading.log_slope, slope, ratio)
            level = level + (self.bench.shift(film) + scale**2 * uneven)[:, None]
            conducts = np.isfinite(logs[:, : n + 1]).all(axis=(1, 2))
            mean = np.where(conducts, level.mean(axis=1), 0.0)
            chains = model.chain_deviation(loading.volume_fraction, film)
            sizes = sum(
                spread[name] ** 2 for name in ("contact", "thickness", "width", "gap")
            )
            skew = self.bench._skew(film)[1]
            variance = scale**2 * (sizes + skew**2 + tol.instrument**2 + chains**2) / n
            off = np.log(row.resistance) - mean
            total += np.where(
                conducts, -0.5 * (off**2 / variance + np.log(variance)), -np.inf
            )
            if row.relative_change is None:
                continue
            safe = np.where(conducts[:, None, None], logs[:, : n + 1], 0.0)
            path = (safe[:, n, 2] - safe[:, n, 1]) / (strain - before)
            opened = np.expm1(scale * tol.response * cup[row.batch][:, 1])
            planned = safe[:, n, 2] - safe[:, n, 0]
            change = (safe[:, :n, 2] - safe[:, :n, 0]).mean(axis=1) + opened * planned
            setting = scale * tol.strain_setting * path
            variance = (setting**2 + 2.0 * (scale * tol.instrument) ** 2) / n
            off = row.log_change - change
            total += np.where(conducts, -0.5 * (off**2 / variance + np.log(variance)), 0.0)
        return total

    def sample(self, start, steps, seed, keep_every=20):
        """Latent numbers from chains that start at (chains, dimension), the second half."""
        rng = np.random.default_rng(seed)
        z = start.copy()
        n, d = z.shape
        logs = self.log_likelihood(z) - 0.5 * (z**2).sum(axis=1)
        kept, moved = [], 0.0
        head = d - sum(self.films)
        for step in range(steps):
            order = rng.permutation(n)
            half = n // 2
            for mine, others in (
                (order[:half], order[half:]),
                (order[half:], order[:half]),
            ):
                a, b = (others[rng.integers(len(others), size=len(mine))] for _ in range(2))
                gamma = rng.choice([0.3, 0.6, 1.0], size=(len(mine), 1), p=[0.6, 0.3, 0.1])
                gamma = gamma * 2.38 / np.sqrt(2.0 * head)
                if step % 8 == 7:
                    gamma = np.ones_like(gamma)
                new = z[mine].copy()
                new[:, :head] += gamma * (z[a] - z[b])[:, :head]
                new[:, :head] += 1e-3 * rng.standard_normal((len(mine), head))
                # films: steps that keep the prior
                rho = 0.8
                fresh = rng.standard_normal((len(mine), d - head))
                new[:, head:] = rho * new[:, head:] + np.sqrt(1 - rho**2) * fresh
                p = self.log_likelihood(new) - 0.5 * (new**2).sum(axis=1)
                films = 0.5 * ((new[:, head:] ** 2).sum(axis=1)
                               - (z[mine, head:] ** 2).sum(axis=1))  # fmt: skip
                taken = np.log(rng.random(len(mine))) < p - logs[mine] + films
                z[mine[taken]], logs[mine[taken]] = new[taken], p[taken]
                moved += taken.mean() / 2
            if step >= steps // 2 and step % keep_every == 0:
                kept.append(z.copy())
        return np.concatenate(kept), moved / steps

    def started(self, known, seed, n):
        """Places of draws, those not told by them from the prior, wider by a half."""
        rng = np.random.default_rng(seed)
        z = rng.standard_normal((n, self.dimension))
        picked = rng.integers(len(known), size=n)
        z[:, : self.k] = known.z[picked]
        z[:, self.k] = np.log(known.scale[picked]) / self.scale_spread
        z[:, self.k + 1 : self.k + 1 + NOISES] = known.noise[picked]
        head = z[:, : self.k + 1]
        head += 0.1 * rng.standard_normal(head.shape)
        return z

    def knowledge(self, known, z):
        """What latent numbers (n, dimension) are as knowledge."""
        values, scale, noise, _, _ = self.parts(z)
        return replace(
            known, z=z[:, : self.k], values=values, weights=np.full(len(z), 1.0 / len(z)),
            noise=noise, scale=scale,
        )  # fmt: skip
