"""Resistance of one box from compression to tension, with and without a reference state.

The patch sits on a tube of the cargo-bicycle test frame; the powder data are invented.
With the contacts pressed shut at -40 C the film reads both signs of strain at 20 C; pressed
shut at 20 C it is dead in compression, because a closed contact cannot close further.
"""

import numpy as np

import percsim as ps

STRAINS = np.array([-1000, -500, 0, 500, 1000, 2000, 3000]) * 1e-6
ROOM = 293.15

flake = ps.Filler(
    kind="flake",
    density=2250.0,
    size=ps.SizeDistribution(median=10e-6, spread=0.405),
    aspect_ratio=15.0,
)
recipe = ps.Recipe(((flake, 0.30),), ps.Elastomer(density=1030.0, mix_ratio=7.0))
law = ps.ContactOpeningLaw(
    g0=8e-5,
    beta=100.0,
    delta_b=0.01,
    Ea=0.0,
    electrode_conductance=8e-5,
    opening_length=10e-6,
)
mounting = ps.Mounting("bonded", part_poisson_ratio=0.33)


def log_ratios(closed_at: float, boxes: int = 6) -> np.ndarray:
    """Mean ln R(strain)/R(0) over boxes, contacts pressed shut at `closed_at` [K]."""
    thermal = ps.ThermalOpening(recipe.thermal_expansion, closed_at, share=0.3)
    states = [ps.State.at(strain, ROOM, mounting, thermal) for strain in STRAINS]
    rows = []
    for number in range(boxes):
        box = ps.Box(size=(100e-6,) * 3, periodic=(False, True, True))
        particles = ps.place_particles(recipe, box, np.random.default_rng([8123, number]))
        links = ps.find_links(particles, cutoff=0.0)
        networks = [ps.build_network(links, law, state) for state in states]
        rows.append([np.log(ps.solve_network(network).resistance) for network in networks])
    mean = np.mean(rows, axis=0)
    return mean - mean[STRAINS == 0.0]


pressed_cold = log_ratios(closed_at=ROOM - 60.0)
pressed_here = log_ratios(closed_at=ROOM)

if __name__ == "__main__":
    print("microstrain   ln R/R0, shut at -40 C   shut at 20 C")
    for strain, cold, here in zip(STRAINS, pressed_cold, pressed_here, strict=True):
        print(f"{1e6 * strain:11.0f}   {cold:+20.4f}   {here:+12.4f}")
