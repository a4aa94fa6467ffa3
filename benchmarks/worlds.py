"""Worlds: materials simulated particle by particle, and a bench that casts films of them.

A world is what a campaign does not know: contacts and aspect ratio drawn from the priors
of a plan, with a percolation threshold and a resistivity of its own. Its boxes have other
seeds and lengths than those of the plan, and no law is fitted to them: ln rho is
interpolated along ln(phi/phi_c - 1) and continued along it towards the threshold.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

import percsim as ps
from percsim.boxes.fingerprint import fingerprint
from percsim.boxes.statistics import cv_from_log_std
from percsim.boxes.threshold import recipe_threshold, with_aspect_ratio
from percsim.decision import Target
from percsim.decision.priors import Priors, contact_priors
from percsim.film import Film, Tolerances
from percsim.film.transfer import (
    FAITHFUL_RATIO,
    LoadingResult,
    LoadingThreshold,
    fit_loadings,
)
from percsim.jobs import plan_box
from percsim.links.search import Links
from percsim.materials.recipe import Recipe
from percsim.network.laws import ContactOpeningLaw
from percsim.network.opened import OpenedBox
from percsim.network.solve import Sweep
from percsim.particles.placement import expected_counts
from percsim.plan import Plan
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

Floats = NDArray[np.float64]

WORLDS_VERSION = 1
"""Raise it when worlds of the same numbers come out otherwise."""

LENGTHS = (9.0, 19.0)
"""Box lengths in median diameters, others than those of a plan."""
STEP = 0.35
"""Loadings are simulated this far apart in ln(phi/phi_c - 1), or closer: 1 to 4 wt%."""
PARTICLES = 1.5e5
"""Particles in all boxes of the longest length at a loading, up to twice the threshold."""
FEWEST, MOST = 3, 60
"""Boxes of the longest length at a loading."""
GROWTHS = 120
"""Boxes grown to the threshold of touching particles."""
PAIRED, PAIRED_LENGTH = 24, 14.0
"""Boxes that tell by how much lost contacts raise it, and their length in diameters."""
ASPECT_SLOPE = -0.9
"""d ln(threshold)/d ln(aspect ratio): -0.86 between 10 and 25, -1 for thin flakes."""
ASPECT_RANGE = (1.5, 300.0)
"""Aspect ratios beyond are set to these: films then never conduct, or always do."""
STRAINS = (0.0, 0.5, 1.0)
"""Strains simulated, over that of the chord."""

LOT, CUP = ("aspect_ratio", "particle_size"), ("weighing", "mixing")
"""Tolerances that the films of a campaign share, and those of a cup; the rest are a film's
own."""
OWN = ("mixing_within", "thickness", "gap", "width", "skew", "contact", "response")
READING = ("at rest", "strained", "strain setting")
COLUMNS = (*LOT, *CUP, *OWN, *READING)
"""Standard normal numbers that make a film and its reading, in order."""

CONTACTS = ("beta", "delta_b", "lambda_T", "closed_at", "Ea")
"""What is drawn of the contacts."""


@dataclass(frozen=True, slots=True)
class World:
    """The material of one world, of the contact conductance that is planned.

    `beta` to `aspect_ratio` as drawn; `threshold` of its film as volume fraction (inf: it
    conducts at no loading that could be cast), `threshold_error` relative. One row a
    loading: `phi`; `log_rho` [ohm m] and `end` (r_c/rho [m]), a column a strain;
    `log_error` and `step_error`, the simulation errors of ln rho at rest and of its rise to
    the chord.
    """

    beta: float
    delta_b: float
    lambda_T: float  # noqa: N815 - the symbol of the formulas
    closed_at: float
    Ea: float
    aspect_ratio: float
    threshold: float
    threshold_error: float
    phi: Floats
    log_rho: Floats
    end: Floats
    log_error: Floats
    step_error: Floats

    @property
    def conducts(self) -> bool:
        """Whether some loading conducts."""
        return len(self.phi) > 0

    def material(self, ratio: Floats) -> tuple[Floats, Floats]:
        """Resistivity [ohm m] and r_c [ohm m^2] at phi/phi_c (n,), (n, strains) each.

        Resistivities are inf at the threshold and below; beyond the loadings they continue
        along the line of the last two.
        """
        above = ratio > 1.0
        rho = np.full((len(ratio), len(STRAINS)), np.inf)
        excess = np.zeros_like(rho)
        if self.conducts and above.any():
            x = np.log(ratio[above] - 1.0)
            at = np.log(self.phi / self.threshold - 1.0)
            for s in range(len(STRAINS)):
                rho[above, s] = np.exp(_along(x, at, self.log_rho[:, s]))
                excess[above, s] = rho[above, s] * np.interp(x, at, self.end[:, s])
        return rho, excess

    def left_out(self) -> Floats:
        """Deviation of ln rho at rest and of its rise from the loadings beside, (n, 2)."""
        x = np.log(self.phi / self.threshold - 1.0)
        values = np.column_stack(
            [self.log_rho[:, 0], self.log_rho[:, -1] - self.log_rho[:, 0]]
        )
        found = []
        for i in range(1, len(x) - 1):
            share = (x[i] - x[i - 1]) / (x[i + 1] - x[i - 1])
            found.append(values[i] - (1.0 - share) * values[i - 1] - share * values[i + 1])
        return np.array(found).reshape(-1, 2)


def _along(x: Floats, at: Floats, values: Floats) -> Floats:
    """Interpolate linearly, and go on along the first and last two points."""
    low = values[0] + (x - at[0]) * (values[1] - values[0]) / (at[1] - at[0])
    high = values[-1] + (x - at[-1]) * (values[-1] - values[-2]) / (at[-1] - at[-2])
    inside = np.interp(x, at, values)
    return np.where(x < at[0], low, np.where(x > at[-1], high, inside))


# --- the truth of a world, simulated


@dataclass(frozen=True, slots=True)
class Maker:
    """Makes the worlds of a plan; a number is the same world however many are made."""

    plan: Plan
    seed: int
    particles: float = PARTICLES
    lengths: tuple[float, ...] = LENGTHS

    @property
    def priors(self) -> Priors:
        contacts = self.plan.contact_parameters()
        return contact_priors(contacts, LoadingThreshold(0.1, 0.0, ASPECT_SLOPE))

    def rng(self, number: int, *key: int) -> np.random.Generator:
        child = np.random.SeedSequence(self.seed, spawn_key=(number, *key))
        return np.random.default_rng(child)

    def drawn(self, number: int) -> dict[str, float]:
        """What the contacts and the powder of a world are, by symbol."""
        priors = self.priors
        z = self.rng(number, 0).standard_normal((1, len(priors.free)))
        values = {name: float(v[0]) for name, v in priors.values(z).items()}
        filler = self.plan.fillers[0]
        ratio = float(filler.aspect_ratio) * values["threshold"] ** (1.0 / ASPECT_SLOPE)
        return values | {"aspect_ratio": float(np.clip(ratio, *ASPECT_RANGE))}

    def levels(self, number: int, count: int) -> Floats:
        """Contact conductances over the planned one that a world is tried at, (count,)."""
        prior = self.priors["g0"]
        return prior.value(self.rng(number, 1).standard_normal(count)) / prior.median

    def key(self) -> str:
        """Name of all that worlds of a number depend on."""
        plan = self.plan
        priors = [(p.name, p.median, p.factor, p.bounds) for p in self.priors]
        return fingerprint(
            WORLDS_VERSION, self.seed, self.particles, self.lengths, priors,
            plan.recipe(0.2), plan.mounting(), plan.thermal(0.2), plan.law(),
            plan.chord_strain, plan.film.thickness, plan.is_thin, plan.weight_fractions,
        )  # fmt: skip

    def world(self, number: int, folder: Path | None = None) -> World:
        """Make a world, or read it from a folder."""
        path = folder / f"world_{self.key()}_{number}.npz" if folder else None
        if path and path.exists():
            with np.load(path) as stored:
                return World(**{k: v if v.ndim else float(v) for k, v in stored.items()})
        world = self._simulate(number)
        if path:
            path.parent.mkdir(parents=True, exist_ok=True)
            part = path.with_suffix(f".{os.getpid()}.npz")
            np.savez(part, **asdict(world))
            part.replace(path)
        return world

    def _simulate(self, number: int) -> World:
        drawn = self.drawn(number)
        recipe = with_aspect_ratio(self.plan.recipe(0.2), drawn["aspect_ratio"])
        contacts = {name: drawn[name] for name in CONTACTS}
        law = replace(
            self.plan.law(), beta=drawn["beta"], delta_b=drawn["delta_b"], Ea=drawn["Ea"]
        )
        made = _Material(self, number, recipe, law, drawn["lambda_T"], drawn["closed_at"])
        threshold, error = made.threshold()
        loadings = made.loadings(threshold)
        own = LoadingThreshold(threshold, threshold * error, ASPECT_SLOPE)
        fits = []
        if loadings:
            found = [made.boxes(phi, threshold) for phi in loadings]
            seed = np.random.SeedSequence(self.seed, spawn_key=(number, 4))
            fits = [
                fit
                for fit in fit_loadings(found, own, resamples=100, seed=seed)
                if np.isfinite(fit.resistivity).all()
            ]
        if len(fits) < 2:
            fits, threshold = [], np.inf
        rho = np.array([f.resistivity for f in fits]).reshape(-1, len(STRAINS))
        excess = np.array([f.electrode_excess for f in fits]).reshape(rho.shape)
        return World(
            **contacts,
            aspect_ratio=drawn["aspect_ratio"],
            threshold=threshold,
            threshold_error=error,
            phi=np.array([f.loading.volume_fraction for f in fits]),
            log_rho=np.log(rho),
            end=excess / rho,
            log_error=np.array([np.log(f.resistivity_draws[:, 0]).std() for f in fits]),
            step_error=np.array(
                [
                    np.log(f.resistivity_draws[:, -1] / f.resistivity_draws[:, 0]).std()
                    for f in fits
                ]
            ),
        )


def log_slope(recipe: Recipe) -> float:
    """d ln(volume fraction)/d ln(weight fraction), from the conversion between them."""
    return (1.0 - recipe.volume_fraction) / (1.0 - recipe.weight_fraction)


@dataclass(frozen=True, slots=True)
class _Material:
    """One world while it is simulated."""

    maker: Maker
    number: int
    recipe: Recipe
    law: ContactOpeningLaw
    share: float
    closed_at: float

    def opened(self, phi: float, length: float, number: int, cube: bool = False):
        """Particles and links of a box, opened as this world's contacts are."""
        plan, recipe = self.maker.plan, self.recipe.at_volume_fraction(phi)
        edge = length * plan.median_diameter
        box = ps.Box((edge,) * 3, (False, True, True)) if cube else plan_box(plan, edge)
        key = (round(1e9 * edge), number)
        placement = self.maker.rng(self.number, 2, *key, 0)
        links = ps.find_links(ps.place_particles(recipe, box, placement), 0.0)
        draws = int(self.maker.rng(self.number, 2, *key, 1).integers(2**62))
        thermal = ThermalOpening(
            recipe.thermal_expansion, self.closed_at, self.share, plan.bond
        )
        law = replace(self.law, seed=draws)
        return OpenedBox.of(links, law, plan.mounting(), thermal), law

    def threshold(self) -> tuple[float, float]:
        """Volume fraction at which a film of this world first conducts, relative error.

        That of touching particles from growth, times the factor by which contacts lost at
        rest delay the first path through boxes, the same boxes with and without.
        """
        touching = recipe_threshold(
            self.recipe, rng=self.maker.rng(self.number, 3), boxes=GROWTHS
        ).volume_fraction
        factors: list[float] = []
        densest = self.maker.plan.recipe(0.7).volume_fraction
        ahead = 1.5
        while len(factors) < PAIRED:
            phi = min(ahead * touching.value, densest)
            box, law = self.opened(phi, PAIRED_LENGTH, len(factors), cube=True)
            network = box.network(law, 0.0, ROOM_TEMPERATURE)
            all_shut = first_path(box.links, np.ones(len(box.links), dtype=np.bool_))
            as_lost = first_path(box.links, network.conducts)
            if as_lost is not None and all_shut is not None:
                factors.append(as_lost / all_shut)
            elif phi == densest:
                return np.inf, 0.0
            else:
                ahead *= 1.4
        logs = np.log(factors)
        own = touching.value * np.exp(logs.mean())
        apart = logs.std(ddof=1) / np.sqrt(len(logs))
        return own, float(np.hypot(apart, touching.standard_error / touching.value))

    def loadings(self, threshold: float) -> list[float]:
        """Volume fractions to simulate: from where cubes stand for the film, to the top."""
        weights = self.maker.plan.weight_fractions
        least, most = (
            self.maker.plan.recipe(w).volume_fraction / threshold
            for w in (weights[0] - 0.01, weights[-1] + 0.02)
        )
        if most <= 1.0:
            return []
        first = np.log(max(least, 1.001 * FAITHFUL_RATIO) - 1.0)
        last = max(np.log(most - 1.0), first + STEP)
        count = 1 + int(np.ceil((last - first) / STEP))
        return [threshold * (1.0 + np.exp(x)) for x in np.linspace(first, last, count)]

    def boxes(self, phi: float, threshold: float) -> LoadingResult:
        """Conductances of the boxes of a loading, fewer where they hardly scatter."""
        plan, maker = self.maker.plan, self.maker
        recipe = self.recipe.at_volume_fraction(phi)
        edges = [length * plan.median_diameter for length in maker.lengths]
        expected = sum(expected_counts(recipe, plan_box(plan, edges[-1])))
        wanted = maker.particles / expected * min(1.0, 2.0 * threshold / phi) ** 2
        count = int(np.clip(round(wanted), FEWEST, MOST))
        strains = tuple(plan.chord_strain * share for share in STRAINS)
        conductances, shares = [], []
        for length in maker.lengths:
            rows, held = [], []
            for k in range(round(count * maker.lengths[-1] / length)):
                box, law = self.opened(phi, length, k)
                sweep, row = Sweep(), []
                for strain in strains:
                    network = box.network(law, strain, ROOM_TEMPERATURE).network
                    solution = sweep.solve(network, 1e-7)
                    row.append(0.0 if solution.is_open else 1.0 / solution.resistance)
                    if strain == 0.0 and not solution.is_open:
                        ends = len(box.links.source_contacts) + len(box.links.sink_contacts)
                        held.append(float(solution.power_shares[-ends:].sum()))
                rows.append(row)
            conductances.append(np.array(rows))
            shares.append(float(np.mean(held)) if held else 0.0)
        return LoadingResult(
            recipe.weight_fraction,
            phi,
            log_slope(recipe),
            tuple(edges),
            tuple(plan_box(plan, edge).section for edge in edges),
            tuple(conductances),
            strains,
            (ROOM_TEMPERATURE,) * len(strains),
            plan.median_diameter,
            dimension=2 if plan.is_thin else 3,
            electrode_shares=tuple(shares),
            electrode_rises=(1.0,) * len(strains),
        )


def first_path(links: Links, conducts: NDArray[np.bool_]) -> int | None:
    """Particles of a box, in the order they were placed, that first join the electrodes."""
    n = len(links.particles)
    source, sink = links.source_contacts, links.sink_contacts
    pairs = np.concatenate(
        [
            links.pairs[conducts],
            np.column_stack([source, np.full(len(source), n)]),
            np.column_stack([sink, np.full(len(sink), n + 1)]),
        ]
    )
    # the electrodes are there from the start
    since = np.where(pairs < n, pairs, -1).max(axis=1)

    def joined(count: int) -> bool:
        i, j = pairs[since < count].T
        graph = coo_array((np.ones(len(i)), (i, j)), shape=(n + 2, n + 2))
        label = connected_components(graph, directed=False)[1]
        return bool(label[n] == label[n + 1])

    low, high = 0, n
    if not joined(n):
        return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if joined(middle) else (middle, high)
    return high


# --- the bench


@dataclass(frozen=True, slots=True)
class Bench:
    """Casts films of a world and reads them.

    Left out: chains of particles, which scatter such a film by well under 1 %, and what
    unevenness inside it does in second order (under 3 % of R in films that pass).
    """

    plan: Plan
    tolerances: Tolerances

    @classmethod
    def of(cls, plan: Plan) -> Bench:
        return cls(plan, plan.tolerances)

    def read(
        self, world: World, weight_fraction: float, gap: float, z: Floats
    ) -> tuple[Floats, Floats]:
        """ln R at rest [ohm] and chord gauge factor of films, (n,) each.

        Films are made of standard normal numbers z (n, `COLUMNS`). Open films have ln R =
        inf and no gauge factor, 0.
        """
        film, tol = self.plan.film_at(gap), self.tolerances
        drawn = {
            name: spread * z[:, COLUMNS.index(name)]
            for name, spread in tol.spreads(film).items()
            if name in COLUMNS
        }
        recipe = self.plan.recipe(weight_fraction)
        off = drawn["weighing"] + drawn["mixing"] + drawn["mixing_within"]
        phi = recipe.volume_fraction * np.exp(log_slope(recipe) * off)
        critical = world.threshold * np.exp(ASPECT_SLOPE * drawn["aspect_ratio"])
        rest, half, full = self._levels(world, phi / critical, film, drawn)
        conducts = np.isfinite(rest)
        rest, half, full = (np.where(conducts, v, 0.0) for v in (rest, half, full))
        # ln R along the strain as the parabola through the three strains simulated
        chord, setting = self.plan.chord_strain, tol.strain_setting
        pull = np.exp(drawn["response"]) * (1.0 + setting / chord * z[:, -1])
        bend = 2.0 * (full - rest) - 4.0 * (half - rest)
        rise = (full - rest - bend) * pull + bend * pull**2
        noise = tol.instrument * z[:, [-3, -2]]
        log_rest = np.where(conducts, rest + noise[:, 0], np.inf)
        gauge = np.expm1(rise + noise[:, 1] - noise[:, 0]) / chord
        return log_rest, np.where(conducts, gauge, 0.0)

    def _levels(
        self, world: World, ratio: Floats, film: Film, drawn: dict[str, Floats]
    ) -> Floats:
        """ln R at the strains simulated, (strains, n)."""
        rho, excess = world.material(ratio)
        size = np.exp(drawn["particle_size"])[:, None]
        resistance = film.layout.resistance(
            rho * size,
            excess * size**2,
            (film.electrode_gap * np.exp(drawn["gap"]))[:, None],
            (film.width * np.exp(drawn["width"]))[:, None],
            (film.thickness * np.exp(drawn["thickness"]))[:, None],
        )
        # a gap that widens from one end to the other: current in arcs, tanh(y)/y of its R
        y = np.maximum(np.abs(0.5 * drawn["skew"]), 1e-6)
        return (np.log(resistance) + (np.log(np.tanh(y) / y) - drawn["contact"])[:, None]).T


@dataclass(frozen=True, slots=True)
class Recipes:
    """Which recipes of a world are good: (weight fractions, gaps) each.

    `share` of castings that pass; `passes` where as many as asked do, `spread_too` where
    the limits of the spreads hold as well.
    """

    share: Floats
    passes: NDArray[np.bool_]
    spread_too: NDArray[np.bool_]


def castings(
    bench: Bench, world: World, loadings: Sequence[float], gaps: Sequence[float], z: Floats
) -> dict[tuple[int, int], tuple[Floats, Floats]]:
    """Readings of castings z of every recipe, lots and cups of their own."""
    return {
        (i, j): bench.read(world, w, gap, z)
        for i, w in enumerate(loadings)
        for j, gap in enumerate(gaps)
    }


def judge(
    cast: dict[tuple[int, int], tuple[Floats, Floats]], level: float, target: Target
) -> Recipes:
    """Judge all recipes of a world at a level of its contacts."""
    shape = tuple(1 + max(at) for at in zip(*cast, strict=True))
    share, spread = np.zeros(shape), np.zeros(shape, dtype=np.bool_)
    for at, (logs, gauge) in cast.items():
        good = target.passes(np.exp(logs - np.log(level)), gauge)
        share[at] = good.mean()
        kept = np.isfinite(logs)
        if kept.mean() < 0.5:
            continue
        cv = cv_from_log_std(float(logs[kept].std(ddof=1)))
        gauge_cv = gauge[kept].std(ddof=1) / abs(gauge[kept].mean())
        limits = ((cv, target.resistance_cv_max), (gauge_cv, target.gauge_factor_cv_max))
        spread[at] = all(limit is None or value <= limit for value, limit in limits)
    passes = share >= target.pass_share_min
    return Recipes(share, passes, passes & spread)


def worlds(
    maker: Maker, numbers: Iterable[int], folder: Path | None
) -> Iterator[tuple[int, World]]:
    for number in numbers:
        yield number, maker.world(number, folder)
