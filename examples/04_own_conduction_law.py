"""A conduction law of your own: contacts of fixed conductance that never open.

A law is any object with `conductances(links, state)` and `electrode_conductance_at(state)`.
This one makes every contact of a 2-D mesh of sticks one siemens, so that the sheet
resistance of the mesh can be compared with tables for stick networks. Patch electrodes on
the cargo-bicycle test frame could be printed from such a mesh; the numbers are invented.
"""

from dataclasses import dataclass

import numpy as np

import percsim as ps


@dataclass(frozen=True)
class UnitContacts:
    """Every contact, and every body on an electrode, conducts one siemens."""

    def conductances(self, links: ps.Links, state: ps.State) -> np.ndarray:
        """One siemens a link."""
        return np.ones(len(links))

    def electrode_conductance_at(self, state: ps.State) -> float:
        """One siemens."""
        return 1.0


rng = np.random.default_rng(60613)
n, length, edge = 700, 1.0, 8.0
angles = rng.uniform(0.0, np.pi, n)
sticks = ps.Particles(
    kinds=np.full(n, ps.ROD, dtype=np.int8),
    centers=rng.uniform(0.0, edge, (n, 2)),
    axes=np.column_stack([np.cos(angles), np.sin(angles)]),
    core_sizes=np.full(n, length / 2),
    ball_radii=np.zeros(n),
    box=ps.Box(size=(edge, edge), periodic=(False, True)),
)
links = ps.find_links(sticks, cutoff=0.0)
network = ps.build_network(links, UnitContacts(), ps.State())
resistance = ps.solve_network(network).resistance

if __name__ == "__main__":
    print(links)
    print(
        f"{n * length**2 / edge**2:.2f} sticks a stick length squared: {resistance:.4f} ohm"
    )
