"""Stage 5. Network -> Backbone: the part that carries current between the terminals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.kernels.graph import two_terminal_attachment
from percsim.network.build import Network
from percsim.values import freeze

__all__ = ["Backbone", "find_backbone"]


@dataclass(frozen=True, slots=True, repr=False)
class Backbone:
    """The two-terminal backbone of a network.

    Parameters
    ----------
    spanning : bool
        Whether the terminals are connected.
    attachment : (n_nodes,) ndarray of int
        The node whose voltage each node has: itself on the backbone, the backbone node it
        hangs from elsewhere, -1 where no terminal is reached. If the terminals are not
        connected: the terminal that is reached, or -1.
    nodes : (b,) ndarray of int
        Backbone nodes as a breadth-first search from the source meets them, then the source
        and the sink; empty if open.
    resistors : (k,) ndarray of int
        Rows of the network's resistors that lie on the backbone, by the end that the
        search meets first; empty if open.
    ends : (k, 2) ndarray of int
        Positions in `nodes` of the two ends of each, from its first node to its second.

    """

    spanning: bool
    attachment: NDArray[np.int32]
    nodes: NDArray[np.int32]
    resistors: NDArray[np.int32]
    ends: NDArray[np.int32]

    def __post_init__(self) -> None:
        freeze(self)

    @property
    def share(self) -> float:
        """Backbone nodes over all nodes, terminals left out of both."""
        inner = self.attachment.shape[0] - 2
        if not self.spanning:
            return 0.0
        return (len(self.nodes) - 2) / inner if inner else 1.0

    def __repr__(self) -> str:
        if not self.spanning:
            return "Backbone: none, the terminals are not connected"
        return (
            f"Backbone: {len(self.nodes)} nodes ({100.0 * self.share:.3g} %), "
            f"{len(self.resistors)} resistors"
        )


def find_backbone(network: Network) -> Backbone:
    """Strip what carries no current because it hangs from one node, or from none.

    Parameters
    ----------
    network : Network
        Resistors of zero conductance are absent.

    Returns
    -------
    Backbone
        Nodes and resistors on a path between the terminals that visits no node twice. Of
        those, a balanced bridge may still carry nothing.

    """
    if not isinstance(network, Network):
        raise ValueError(f"network must be a Network, got {type(network).__name__}")
    attachment, spanning, nodes, rows, ends = two_terminal_attachment(
        network.n_nodes,
        network.resistors,
        network.conductances,
        network.source,
        network.sink,
    )
    return Backbone(spanning, attachment, nodes, rows, ends)
