"""Stage 5. Links x law x state -> Network: one resistor a conducting contact."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from percsim.links.search import Links
from percsim.network.laws import ConductionLaw
from percsim.states.strain import State

if TYPE_CHECKING:
    import networkx as nx
    from scipy.sparse import csr_array

__all__ = ["Network", "build_network"]


@dataclass(frozen=True, slots=True, repr=False)
class Network:
    """Resistors between nodes, with a source and a sink.

    Parameters
    ----------
    n_nodes : int
        Number of nodes.
    resistors : (e, 2) ndarray of int
        Nodes at the two ends; parallel rows add.
    conductances : (e,) ndarray of float
        Conductances [S]; zero means absent.
    source, sink : int
        The two terminals.

    Raises
    ------
    ValueError
        On negative, NaN or infinite conductances, a resistor from a node to itself, an
        index out of range, or source = sink.

    """

    n_nodes: int
    resistors: NDArray[np.int64]
    conductances: NDArray[np.float64]
    source: int
    sink: int

    def __post_init__(self) -> None:
        n = int(self.n_nodes)
        resistors = np.ascontiguousarray(self.resistors, dtype=np.int64)
        if resistors.size == 0:
            resistors = resistors.reshape(0, 2)
        g = np.ascontiguousarray(self.conductances, dtype=np.float64)
        if resistors.ndim != 2 or resistors.shape[1] != 2:
            raise ValueError(f"resistors must have shape (e, 2), got {resistors.shape}")
        if g.shape != (resistors.shape[0],):
            raise ValueError(
                f"conductances must have shape ({resistors.shape[0]},), got {g.shape}"
            )
        if g.size and not np.isfinite(g).all():
            raise ValueError("conductances must be finite; leave an open resistor out or give 0")
        if g.size and g.min() < 0.0:
            raise ValueError(f"conductances must not be negative, got {g.min():g} S")
        if resistors.size and (resistors.min() < 0 or resistors.max() >= n):
            raise ValueError(f"resistors must name nodes 0 to {n - 1}")
        if (resistors[:, 0] == resistors[:, 1]).any():
            raise ValueError("a resistor must join two different nodes")
        for name in ("source", "sink"):
            if not 0 <= int(getattr(self, name)) < n:
                raise ValueError(f"{name} must be a node 0 to {n - 1}, got {getattr(self, name)}")
        if int(self.source) == int(self.sink):
            raise ValueError(f"source and sink must differ, both are node {self.source}")
        object.__setattr__(self, "n_nodes", n)
        object.__setattr__(self, "resistors", resistors)
        object.__setattr__(self, "conductances", g)
        object.__setattr__(self, "source", int(self.source))
        object.__setattr__(self, "sink", int(self.sink))


def build_network(links: Links, law: ConductionLaw, state: State) -> Network:
    """One resistor a contact that conducts at this state, electrodes included.

    Parameters
    ----------
    links : Links
        The `m` contacts of a box of `n` particles that has electrodes.
    law : ConductionLaw
        Turns each link at a state into a conductance [S].
    state : State
        Strain and temperature.

    Returns
    -------
    Network
        Nodes 0 to n - 1 are the particles, n the face at 0, n + 1 the face at L. Broken
        contacts are left out. The first `m_conducting` resistors are links in their order,
        then the source contacts, then the sink contacts.

    Raises
    ------
    ValueError
        If the box is periodic along the current and so has no electrodes.

    """
    box = links.particles.box
    if not box.has_electrodes:
        raise ValueError("a box that is periodic along the current has no electrodes")
    n = len(links.particles)
    g = law.conductances(links, state)
    closed = g > 0.0
    contact = law.electrode_conductance_at(state)
    source, sink = links.source_contacts, links.sink_contacts
    resistors = np.concatenate(
        [
            links.pairs[closed],
            np.column_stack([source, np.full(len(source), n)]),
            np.column_stack([sink, np.full(len(sink), n + 1)]),
        ]
    )
    conductances = np.concatenate([g[closed], np.full(len(source) + len(sink), contact)])
    return Network(n + 2, resistors, conductances, n, n + 1)
