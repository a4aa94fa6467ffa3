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

ROOM, SHUT = 293.15, 233.15
BETA = 100.0


def flakes(orientation: str, tilt: float = 0.0) -> ps.Filler:
    return ps.Filler(
        kind="flake",
        density=2250.0,
        size=ps.SizeDistribution(10e-6, 0.405),
        aspect_ratio=15.0,
        orientation=ps.Orientation(orientation, tilt),
    )


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
        law = ps.ContactOpeningLaw(8e-5, BETA, delta_b, 0.0, 8e-5, seed=number)
        r0, r1 = (
            ps.solve_network(ps.build_network(links, law, s)).resistance for s in states
        )
        if np.isfinite(r0) and np.isfinite(r1):
            out.append(np.log(r1 / r0) / strain)
        else:
            n_open += 1
    values = np.asarray(out)
    return values.mean(), values.std(ddof=1) / np.sqrt(len(values)), n_open


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


if __name__ == "__main__":
    main()
