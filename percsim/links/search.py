"""Stage 3. Particles -> Links: pairs within a cutoff, their gaps, normals and contacts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.particles.bodies import Particles

__all__ = ["Links", "find_links"]


@dataclass(frozen=True, slots=True, repr=False)
class Links:
    """Pairs of particles within a cutoff, and the particles at the electrodes.

    Parameters
    ----------
    particles : Particles
        The `n` particles linked.
    cutoff : float
        Largest surface-to-surface gap that counts as a link [m].
    pairs : (m, 2) ndarray of int
        Particle indices, i < j, sorted by i then j; one row a pair.
    gaps : (m,) ndarray of float
        Surface to surface [m]; negative on overlap.
    normals : (m, d) ndarray of float
        Unit contact normals from i to j, with normal . (c_j - c_i) >= 0.
    images : (m, d) ndarray of int
        Image of j used: its centre is centers[j] + images * box.size.
    points : (m, d) ndarray of float
        Contact points [m] in the frame of i (not wrapped): the mid-point between the two
        closest core points; for crossing cores the mid-point of the stretch they share.
    source_contacts, sink_contacts : (k,) ndarray of int
        Particles whose body reaches the face at 0 and at L along the current; empty in a
        box that is periodic along the current.

    """

    particles: Particles
    cutoff: float
    pairs: NDArray[np.int64]
    gaps: NDArray[np.float64]
    normals: NDArray[np.float64]
    images: NDArray[np.int64]
    points: NDArray[np.float64]
    source_contacts: NDArray[np.int64]
    sink_contacts: NDArray[np.int64]

    def __len__(self) -> int:
        return int(self.pairs.shape[0])

    @property
    def arms(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Vectors from the centres of i and of j (its image used) to the contact point [m]."""
        p = self.particles
        first, second = self.pairs[:, 0], self.pairs[:, 1]
        shift = self.images * np.asarray(p.box.size)
        return self.points - p.centers[first], self.points - (p.centers[second] + shift)


def find_links(particles: Particles, cutoff: float) -> Links:
    """Pair up particles whose surfaces are within a cutoff."""
    raise NotImplementedError
