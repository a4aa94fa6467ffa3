"""Stage 5. Links x law x state -> Network: one resistor a conducting contact."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from percsim.kernels.graph import two_terminal_attachment
from percsim.links.search import Links
from percsim.network.laws import ConductionLaw
from percsim.particles.bodies import ROD
from percsim.states.strain import State
from percsim.values import floats, integers, whole

if TYPE_CHECKING:
    import networkx as nx
    from scipy.sparse import csr_array

__all__ = ["Network", "build_network", "build_rod_network"]


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
    resistors: NDArray[np.int32]
    conductances: NDArray[np.float64]
    source: int
    sink: int

    def __post_init__(self) -> None:
        n = whole("n_nodes", self.n_nodes)
        resistors = integers("nodes of resistors", self.resistors, 0, n - 1, np.int32)
        if resistors.size == 0:
            resistors = resistors.reshape(0, 2)
        g = floats("conductances", self.conductances)
        if resistors.ndim != 2 or resistors.shape[1] != 2:
            raise ValueError(f"resistors must have shape (e, 2), got {resistors.shape}")
        if g.shape != (resistors.shape[0],):
            raise ValueError(
                f"conductances must have shape ({resistors.shape[0]},), got {g.shape}"
            )
        if g.size and g.min() < 0.0:
            raise ValueError(f"conductances must not be negative, got {g.min():g} S")
        if (resistors[:, 0] == resistors[:, 1]).any():
            raise ValueError("a resistor must join two different nodes")
        source, sink = whole("source", self.source), whole("sink", self.sink)
        for name, node in (("source", source), ("sink", sink)):
            if not 0 <= node < n:
                raise ValueError(f"{name} must be a node 0 to {n - 1}, got {node}")
        if source == sink:
            raise ValueError(f"source and sink must differ, both are node {self.source}")
        object.__setattr__(self, "n_nodes", n)
        object.__setattr__(self, "resistors", resistors)
        object.__setattr__(self, "conductances", g)
        object.__setattr__(self, "source", source)
        object.__setattr__(self, "sink", sink)

    def __repr__(self) -> str:
        _, spanning, carrying, _, _ = two_terminal_attachment(
            self.n_nodes, self.resistors, self.conductances, self.source, self.sink
        )
        counts = f"Network: {self.n_nodes} nodes, {len(self.resistors)} resistors"
        if not spanning:
            return f"{counts}, open"
        # the terminals, among the carrying nodes too, count as neither
        share = (len(carrying) - 2) / (self.n_nodes - 2) if self.n_nodes > 2 else 1.0
        return f"{counts}, spanning, backbone {100.0 * share:.0f} %"

    def laplacian(self) -> csr_array:
        """Build the Kirchhoff matrix [S]: injected currents = matrix @ voltages.

        Returns
        -------
        scipy.sparse.csr_array
            Shape (n_nodes, n_nodes), symmetric, rows sum to zero up to rounding;
            parallel resistors are summed.

        """
        from scipy.sparse import coo_array

        i, j = self.resistors.T
        g = self.conductances
        rows = np.concatenate([i, j, i, j])
        columns = np.concatenate([j, i, i, j])
        data = np.concatenate([-g, -g, g, g])
        return coo_array(
            (data, (rows, columns)), shape=(self.n_nodes, self.n_nodes)
        ).tocsr()

    def to_networkx(self) -> nx.MultiGraph:
        """Convert to a networkx multigraph, to look at or to check with.

        Returns
        -------
        networkx.MultiGraph
            Each resistor is an edge keyed by its row, with `conductance` [S]; absent ones
            (zero conductance) are left out. Graph attributes `source` and `sink`.

        """
        import networkx as nx

        graph = nx.MultiGraph(source=self.source, sink=self.sink)
        graph.add_nodes_from(range(self.n_nodes))
        for row, ((i, j), g) in enumerate(
            zip(self.resistors.tolist(), self.conductances.tolist(), strict=True)
        ):
            if g > 0.0:
                graph.add_edge(i, j, key=row, conductance=g)
        return graph

    def write_csv(self, path: str | Path, drops: NDArray[np.float64] | None = None) -> None:
        """Write the resistors as a table.

        Parameters
        ----------
        path : str or path
            File to write; one row a resistor: first node, second node, conductance [S].
        drops : (e,) ndarray of float, optional
            `Solution.drops`: adds the voltage drop [V] and the current [A] at 1 V across.

        """
        header = "first,second,conductance_S"
        table: list[NDArray[Any]] = [
            self.resistors[:, 0],
            self.resistors[:, 1],
            self.conductances,
        ]
        if drops is not None:
            header += ",drop_V,current_A"
            table += [drops, drops * self.conductances]
        with open(path, "w", encoding="utf-8") as file:
            file.write(f"# source {self.source}, sink {self.sink}, {self.n_nodes} nodes\n")
            file.write(header + "\n")
            for row in zip(*(column.tolist() for column in table), strict=True):
                file.write(",".join(map(repr, row)) + "\n")


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
            np.column_stack([source, np.full_like(source, n)]),
            np.column_stack([sink, np.full_like(sink, n + 1)]),
        ]
    )
    conductances = np.concatenate([g[closed], np.full(len(source) + len(sink), contact)])
    return Network(n + 2, resistors, conductances, n, n + 1)


def build_rod_network(
    links: Links, law: ConductionLaw, state: State, resistivity: float
) -> Network:
    r"""As `build_network`, with rods that resist along their length.

    A rod becomes a row of nodes, one where each of its contacts sits, joined by segments of
    :math:`\rho \, \Delta s / (\pi b^2)`. Other bodies stay single nodes.

    Parameters
    ----------
    links, law, state :
        As for `build_network`.
    resistivity : float
        Of the rods [ohm m]; in two dimensions the sheet resistance [ohm] of strips as wide
        as the rods.

    Returns
    -------
    Network
        The first resistors are those of `build_network` in the same order; the segments
        follow. A rod meets an electrode where its axis crosses the face, or with the end
        that comes closest. Only nodes with a contact are there; the last two are the face
        at 0 and the face at L. Rod ends beyond the last contact carry no current and are
        left out.

    Raises
    ------
    ValueError
        If `resistivity` is not positive and finite, a rod has no thickness, or the box has
        no electrodes.

    """
    if not 0.0 < resistivity < float("inf"):
        raise ValueError(f"resistivity must be positive, got {resistivity} ohm m")
    particles = links.particles
    rod = particles.kinds == ROD
    if (particles.ball_radii[rod] <= 0.0).any():
        raise ValueError("rods that resist need a radius above zero")
    plain = build_network(links, law, state)
    n = len(particles)
    contacts = len(links.source_contacts) + len(links.sink_contacts)
    m = len(plain.resistors) - contacts
    closed = law.conductances(links, state) > 0.0

    # where along its rod each end of each resistor sits
    half = np.where(rod, particles.core_sizes, 0.0)
    along = np.zeros((len(plain.resistors), 2))
    for side, arm in enumerate(links.arms):
        body = plain.resistors[:m, side]
        along[:m, side] = (arm[closed] * particles.axes[body]).sum(axis=1)
    # a face: where the axis crosses it, or the end that comes closest
    box = particles.box
    first = m + len(links.source_contacts)
    for rows, bodies, face in (
        (slice(m, first), links.source_contacts, 0.0),
        (slice(first, None), links.sink_contacts, box.length),
    ):
        ahead = face - particles.centers[bodies, box.axis]
        slope = particles.axes[bodies, box.axis]
        level = slope == 0.0
        along[rows, 0] = np.where(level, 0.0, ahead / np.where(level, 1.0, slope))
    body = plain.resistors.ravel()
    reach = np.append(half, (0.0, 0.0))[body]
    position = np.clip(along.ravel(), -reach, reach)

    # nodes: contacts sorted along each body; those that share a point share a node, so a
    # body that is no rod has one, and the two faces, which sort last, have one each
    order = np.lexsort((position, body))
    same_body = np.diff(body[order]) == 0
    step = np.diff(position[order])
    parted = ~same_body | (step > 1e-9 * reach[order][1:])
    number = np.zeros(len(order), dtype=np.int64)
    number[1:] = np.cumsum(parted)
    node = np.empty(len(order), dtype=np.int64)
    node[order] = number
    inner = len(np.unique(node[body < n]))
    node[body == n], node[body == n + 1] = inner, inner + 1
    before = np.flatnonzero(parted & same_body)
    radius = particles.ball_radii[body[order][before]]
    section = np.pi * radius**2 if particles.box.dimension == 3 else 2.0 * radius
    pairs = np.concatenate(
        [node.reshape(-1, 2), np.column_stack([number[before], number[before] + 1])]
    )
    g = np.concatenate([plain.conductances, section / (resistivity * step[before])])
    return Network(inner + 2, pairs, g, inner, inner + 1)
