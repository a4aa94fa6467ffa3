"""Stage 5. Network -> Solution: the resistance between the terminals, and its proof."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.network.build import Network

__all__ = ["Solution", "solve_network"]


@dataclass(frozen=True, slots=True, repr=False)
class Solution:
    """Answer of one network.

    Parameters
    ----------
    network : Network
        What was solved.
    resistance : float
        Between source and sink [ohm]; inf if open.
    lower, upper : float
        Proven bounds on the resistance [ohm]; inf if open.
    voltages : (n_nodes,) ndarray of float
        Node voltages [V] with 1 V at the source and 0 V at the sink.
    currents : (e,) ndarray of float
        Current of each resistor [A] at 1 V across, signed from its first to its second node.

    """

    network: Network
    resistance: float
    lower: float
    upper: float
    voltages: NDArray[np.float64]
    currents: NDArray[np.float64]


def solve_network(network: Network, tolerance: float = 1e-8) -> Solution:
    """Resistance, voltages and currents between source and sink."""
    raise NotImplementedError
