"""Answers known by other means beside percsim's own: expected, computed, error.

Films are simulated whole, particle by particle, and put beside what boxes far smaller say
of them. Run as `python -m benchmarks.known_answers`; a few minutes of one core.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from percsim.assemble.gather import gather_loadings
from percsim.ensemble.sampling import box_seed
from percsim.ensemble.simulate import BoxJob, place_box, simulate_box
from percsim.ensemble.statistics import Estimate
from percsim.ensemble.store import Record, encode_json
from percsim.film import Bars, Film, LoadingFit, LoadingThreshold, fit_loadings
from percsim.film.curves import central_68
from percsim.jobs import box_jobs
from percsim.links.search import find_links
from percsim.network.build import Network, build_network
from percsim.network.solve import solve_network
from percsim.particles.box import Box
from percsim.plan import Plan

D = 1e-5
"""Median size of the flakes [m]."""

STRAIN = 3e-3


def _plan(
    seed: int, weight: float, lengths: tuple[int, ...], count: int, **more: object
) -> Plan:
    """Flakes of aspect ratio 15 in a silicone, boxes of some lengths in diameters."""
    return Plan.from_dict(
        {
            "seed": seed,
            "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
            "elastomer": {"density": "1030 kg/m3"},
            "film": {"thickness": "0.1 mm", "width": "6 mm", "length": "16 mm"},
            "strain": {"window": "0 to 3000 microstrain", "points": 2},
            "explore": {"weight_fraction": [f"{weight} wt%"], "electrode_gap": ["3 mm"]},
            "boxes": {
                "lengths": [f"{x} D" for x in lengths],
                "count": count,
                "threshold_count": 40,
                "variations": 0,
            },
            **more,
        }
    )


def _fit(plan: Plan) -> LoadingFit:
    """Fit the boxes of a plan; the threshold is not asked for."""
    jobs = box_jobs(plan)
    records = {
        job.key: Record(job.key, "done", encode_json(simulate_box(job)), 0.0)
        for job in jobs
    }
    loadings = gather_loadings(plan, jobs, records)
    threshold = LoadingThreshold(0.08, 1e-3, -1.0)
    return fit_loadings(loadings, threshold, seed=box_seed(plan.seed, 0, "bootstrap"))[0]


def _mean(values: np.ndarray) -> Estimate:
    return Estimate(
        float(values.mean()),
        float(values.std(ddof=1)) / math.sqrt(len(values)),
        len(values),
    )


def _with_bars(job: BoxJob, bar: float, factors: tuple[float, ...]) -> list[float]:
    """ln R of a film between bars on a face, by factors on their contacts' conductance."""
    links = find_links(place_box(job), job.cutoff)
    particles = links.particles
    state = job.states[job.rest]
    n, top = len(particles), links.sink_contacts
    at = particles.centers[top, 0]
    bars = (top[at < bar], top[at > particles.box.size[0] - bar])
    both = np.column_stack(
        [np.concatenate(bars), np.repeat([n, n + 1], [len(side) for side in bars])]
    )
    whole = build_network(links, job.law, state)
    inner = len(whole.conductances) - len(links.source_contacts) - len(top)
    found = []
    for factor in factors:
        contact = factor * job.law.electrode_conductance_at(state)
        network = Network(
            n + 2,
            np.concatenate([whole.resistors[:inner], both]),
            np.concatenate([whole.conductances[:inner], np.full(len(both), contact)]),
            n,
            n + 1,
        )
        found.append(math.log(solve_network(network, 1e-7).resistance))
    return found


def surface_bars(films: int = 6, count: int = 40) -> list[tuple[str, Estimate, Estimate]]:
    """Films of 1.0 x 0.5 x 0.1 mm between bars of 0.2 mm on a face, R in ohm."""
    factors, bar = (1.0, 0.1, 0.01), 0.2e-3
    plans = [
        _plan(
            991, 30.2, (10, 14, 20), count,
            contacts={"electrode_conductance": f"{80.0 * factor:g} uS"},
        )
        for factor in factors
    ]  # fmt: skip
    like = box_jobs(plans[0])[0]
    whole = replace(
        like,
        box=Box((1e-3, 0.5e-3, 0.1e-3), (False, True, False), axis=2),
        mounting=None,
        thermal=None,
        probes=(),
    )
    logs = np.array(
        [_with_bars(replace(whole, number=k), bar, factors) for k in range(films)]
    )
    film = Film(0.1e-3, 0.5e-3, 1e-3 - 2 * bar, layout=Bars("surface", bar))
    rows = []
    for factor, plan, column in zip(factors, plans, logs.T, strict=True):
        fit = _fit(plan)
        s = fit.loading.reference_state
        r = float(film.resistance(fit.resistivity, fit.electrode_excess)[s])
        draws = film.resistance(fit.resistivity_draws, fit.electrode_excess_draws)[:, s]
        direct, error = _mean(column), central_68(np.log(draws))
        expected = math.exp(direct.value)
        rows.append(
            (
                f"bars on a face, contacts {factor:g} g0: R, ohm",
                Estimate(expected, expected * direct.standard_error, films),
                Estimate(r, r * error, fit.loading.n_boxes),
            )
        )
    return rows


def gauge_factors(films: int = 60, sets: int = 12) -> list[tuple[str, Estimate, Estimate]]:
    """Films of 48 x 12 x 12 diameters beside sets of small boxes, with their errors."""
    thick = {"film": {"thickness": "2 mm", "width": "6 mm", "length": "16 mm"}}
    like = box_jobs(_plan(99, 30.2, (6, 8, 10), 12, **thick))[0]
    box = Box((48 * D, 12 * D, 12 * D), (False, True, True))
    g = np.array(
        [
            simulate_box(replace(like, number=k, box=box))["conductances"]
            for k in range(films)
        ]
    )
    direct = _mean((g[:, 0] / g[:, 1] - 1.0) / STRAIN)
    film, found = Film(12 * D, 12 * D, 48 * D), []
    for k in range(sets):
        fit = _fit(_plan(5000 + k, 30.2, (6, 8, 10), 12, **thick))
        r = film.resistance(fit.resistivity, fit.electrode_excess)
        draws = film.resistance(fit.resistivity_draws, fit.electrode_excess_draws)
        error = central_68((draws[:, 1] / draws[:, 0] - 1.0) / STRAIN)
        found.append(((r[1] / r[0] - 1.0) / STRAIN, error))
    value, error = np.array(found).T
    apart = (value - direct.value) ** 2 / (error**2 + direct.standard_error**2)
    return [
        (f"gauge factor, {sets} sets of small boxes", direct, _mean(value)),
        (
            "chi^2 of a set beside whole films",
            Estimate(1.0, math.sqrt(2.0 / sets), sets),
            Estimate(float(apart.mean()), 0.0, sets),
        ),
    ]


def main() -> None:
    print(f"{'':48}{'expected':>18}{'computed':>18}{'errors apart':>14}")
    for rows in (surface_bars, gauge_factors):
        for name, expected, computed in rows():
            error = math.hypot(expected.standard_error, computed.standard_error)
            apart = (computed.value - expected.value) / error
            told = (f"{e.value:.4g} ± {e.standard_error:.2g}" for e in (expected, computed))
            print(f"{name:48}{next(told):>18}{next(told):>18}{apart:>+14.1f}", flush=True)


if __name__ == "__main__":
    main()
