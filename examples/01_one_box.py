"""One box of a film for the cargo-bicycle test frame, stage by stage (invented data)."""

import numpy as np

import percsim as ps

flake = ps.Filler(
    kind="flake",
    density=2250.0,
    size=ps.SizeDistribution(median=10e-6, spread=0.405),
    aspect_ratio=15.0,
)
recipe = ps.Recipe(((flake, 0.30),), ps.Elastomer(density=1030.0, mix_ratio=7.0))
box = ps.Box(size=(120e-6, 120e-6, 120e-6), periodic=(False, True, True))
law = ps.ContactOpeningLaw(
    g0=8e-5,
    beta=100.0,
    delta_b=0.01,
    Ea=0.0,
    electrode_conductance=8e-5,
    opening_length=10e-6,
)

particles = ps.place_particles(recipe, box, np.random.default_rng(20711))
links = ps.find_links(particles, cutoff=0.0)
network = ps.build_network(links, law, ps.State())
solution = ps.solve_network(network)

if __name__ == "__main__":
    for stage in (recipe, particles, links, network, solution):
        print(stage)
