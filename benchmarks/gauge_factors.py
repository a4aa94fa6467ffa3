"""Gauge factors of the contact-opening law: the size of the effect, printed as a table.

`python -m benchmarks.gauge_factors` (minutes on one core). Mean over boxes of the slope
of ln R, in units of beta, for flakes of aspect ratio 15 and log-normal spread 0.405 bonded
to a part of Poisson ratio 0.33, read at 20 C: contacts pressed shut at 20 C or at -40 C, no
contact lost or contacts that break (delta_b 0.01).
"""

from __future__ import annotations

import argparse

import numpy as np

import percsim as ps
from percsim.particles.bodies import FLAKE

ROOM, SHUT = 293.15, 233.15
BETA = 100.0
SIZE = 10e-6
"""Number median of the flakes, and the length that openings are counted in [m]."""


def flakes(orientation: str, tilt: float = 0.0) -> ps.Filler:
    return ps.Filler(
        kind="flake",
        density=2250.0,
        size=ps.SizeDistribution(SIZE, 0.405),
        aspect_ratio=15.0,
        orientation=ps.Orientation(orientation, tilt),
    )


def told(values):
    """Mean of boxes and its standard error."""
    return values.mean(), values.std(ddof=1) / np.sqrt(len(values))


def slopes(filler, times_threshold, threshold, shut, delta_b, strain, boxes, edge, seed):
    """Mean and standard error of (ln R(e) - ln R(0)) / e over the conducting boxes."""
    elastomer = ps.Elastomer(density=1030.0, mix_ratio=7.0)
    recipe = ps.Recipe(((filler, 0.2),), elastomer).at_volume_fraction(
        times_threshold * threshold
    )
    thermal = ps.ThermalOpening(recipe.thermal_expansion, shut, 0.3)
    states = [ps.State.at(e, ROOM, ps.Mounting("bonded"), thermal) for e in (0.0, strain)]
    out, n_open = [], 0
    for number in range(boxes):
        rng = np.random.default_rng([seed, number])
        particles = ps.place_particles(
            recipe, ps.Box((edge,) * 3, (False, True, True)), rng
        )
        links = ps.find_links(particles, 0.0)
        law = ps.ContactOpeningLaw(8e-5, BETA, delta_b, 0.0, 8e-5, SIZE, seed=number)
        r0, r1 = (
            ps.solve_network(ps.build_network(links, law, s)).resistance for s in states
        )
        if np.isfinite(r0) and np.isfinite(r1):
            out.append(np.log(r1 / r0) / strain)
        else:
            n_open += 1
    return *told(np.asarray(out)), n_open


def responses(
    boxes, edge, seed, beta=BETA, delta_b=0.01, share=0.3, shut=SHUT, specks=0.0,
    length=SIZE,
):  # fmt: skip
    """Chord gauge factor to 3000 microstrain, R0, share of flakes' contacts open at rest.

    Shape (3, boxes), at 34 wt% of flakes. Besides them a weight fraction of conducting
    specks, spheres of 1 um. Openings are counted in `length`.
    """
    speck = ps.Filler(kind="sphere", density=2250.0, size=ps.SizeDistribution(1e-6))
    mixed = ((flakes("isotropic"), 0.34), (speck, specks))
    recipe = ps.Recipe(mixed if specks else mixed[:1], ps.Elastomer(1030.0, 7.0))
    thermal = ps.ThermalOpening(recipe.thermal_expansion, shut, share)
    states = [ps.State.at(e, ROOM, ps.Mounting("bonded"), thermal) for e in (0.0, 3e-3)]
    found = []
    for number in range(boxes):
        rng = np.random.default_rng([seed, number])
        particles = ps.place_particles(
            recipe, ps.Box((edge,) * 3, (False, True, True)), rng
        )
        links = ps.find_links(particles, 0.0)
        law = ps.ContactOpeningLaw(8e-5, beta, delta_b, 0.0, 8e-5, length, seed=number)
        r0, r1 = (
            ps.solve_network(ps.build_network(links, law, s)).resistance for s in states
        )
        of_flakes = (particles.kinds[links.pairs] == FLAKE).all(axis=1)
        is_open = law.conductances(links, states[0])[of_flakes] == 0.0
        found.append(((r1 / r0 - 1.0) / 3e-3, r0, is_open.mean()))
    return np.array(found).T


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--boxes", type=int, default=24)
    parser.add_argument("--edge", type=float, default=140e-6, help="box edge [m]")
    options = parser.parse_args()
    print(
        f"{options.boxes} boxes of {1e6 * options.edge:.0f} um; slope of ln R over beta, "
        f"{BETA:g}"
    )
    print("| orientation | phi/phi_c | shut at 20 C, no loss | shut at -40 C, no loss "
          "| shut at -40 C, contacts break, 3000 microstrain | boxes open |")  # fmt: skip
    print("|---|---|---|---|---|---|")
    for name, filler in (
        ("isotropic", flakes("isotropic")),
        ("in-plane, 20 deg rms", flakes("in-plane", np.radians(20.0))),
    ):
        elastomer = ps.Elastomer(density=1030.0, mix_ratio=7.0)
        recipe = ps.Recipe(((filler, 0.2),), elastomer)
        threshold = ps.recipe_threshold(
            recipe, rng=np.random.default_rng(3301)
        ).volume_fraction
        for times in (1.3, 1.5, 2.0, 2.5):
            cells = []
            for shut, delta_b, strain in (
                (ROOM, 1e9, 1e-4), (SHUT, 1e9, 1e-4), (SHUT, 0.01, 3e-3),
            ):  # fmt: skip
                value, error, n_open = slopes(
                    filler, times, threshold.value, shut, delta_b, strain,
                    options.boxes, options.edge, 77,
                )  # fmt: skip
                cells.append(f"{value / BETA:.3f} ± {error / BETA:.3f}")
            print(f"| {name} | {times:.1f} | {' | '.join(cells)} | {n_open} |", flush=True)
    print("\nThe ends of the day-one ranges, the same boxes at 34 wt%, isotropic:\n")
    print("| changed | gauge factor, chord to 3000 microstrain | box resistance, kohm |")
    print("|---|---|---|")
    for words, change in (
        ("nothing: beta 100, delta_b 0.01, lambda_T 0.3, closed_at -40 C", {}),
        ("beta 33", {"beta": 33.0}),
        ("beta 300", {"beta": 300.0}),
        ("delta_b 0.04", {"delta_b": 0.04}),
        ("delta_b 0.0025", {"delta_b": 0.0025}),
        ("no contact ever breaks", {"delta_b": 1e9}),
        ("lambda_T 0.1", {"share": 0.1}),
        ("lambda_T 1", {"share": 1.0}),
        ("closed_at 0 C", {"shut": 273.15}),
        ("1 wt% of 1 um spheres besides", {"specks": 0.01}),
    ):
        factors, levels, _ = responses(options.boxes, options.edge, 78, **change)
        factor, level = told(factors), told(1e-3 * levels)
        print(
            f"| {words} | {factor[0]:.1f} ± {factor[1]:.1f} "
            f"| {level[0]:.2f} ± {level[1]:.2f} |",
            flush=True,
        )


if __name__ == "__main__":
    main()
