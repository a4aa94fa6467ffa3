r"""Stage 5. Conduction laws: a link at a state -> a conductance.

A law is a frozen dataclass with two methods, `conductances` for the links and
`electrode_conductance_at` for a body on an electrode face. `ContactOpeningLaw` is the
default; `TunnellingLaw` on absolute gaps is for nano-sized fillers and for comparison.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.constants import electron_mass, elementary_charge, h
from scipy.constants import k as boltzmann
from scipy.special import ndtri

from percsim.links.search import Links
from percsim.particles.bodies import ROD, Particles
from percsim.states.strain import State, openings
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.values import take_reals, whole

__all__ = ["ConductionLaw", "ContactOpeningLaw", "TunnellingLaw", "contact_draws"]

Floats = NDArray[np.float64]


class ConductionLaw(Protocol):
    """What `build_network` asks of a law."""

    def conductances(self, links: Links, state: State) -> Floats:
        """Conductance of each link [S], 0 where broken, shape (m,)."""
        ...

    def electrode_conductance_at(self, state: State) -> float:
        """Conductance between a body and the electrode face it reaches [S]."""
        ...


def contact_draws(pairs: NDArray[np.integer[Any]], seed: int) -> Floats:
    """Draw a standard normal number for each contact from its bodies and the seed alone.

    A contact keeps its draw whatever else is linked, so that states, loadings and cutoffs
    can be compared contact by contact.

    Parameters
    ----------
    pairs : (m, 2) ndarray of int
        Particle indices.
    seed : int
        Any integer.

    Returns
    -------
    (m,) ndarray of float
        Standard normal deviates.

    Notes
    -----
    The 64-bit finaliser of Steele, Lea & Flood, "Fast splittable pseudorandom number
    generators", OOPSLA 2014, p. 453, applied to the indices one after the other.

    """

    def mix(z: NDArray[np.uint64]) -> NDArray[np.uint64]:
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        return np.asarray(z ^ (z >> np.uint64(31)))

    golden = np.uint64(0x9E3779B97F4A7C15)
    draws = np.empty(len(pairs))
    # in parts that a processor keeps at hand
    for first in range(0, len(pairs), 2**14):
        rows = slice(first, first + 2**14)
        z = np.full(len(draws[rows]), seed % 2**64, dtype=np.uint64)
        for column in (0, 1):
            z = mix(z + golden * (pairs[rows, column].astype(np.uint64) + np.uint64(1)))
        # 52 bits: with 53 the last value would round to 1, an infinite draw
        ndtri(((z >> np.uint64(12)).astype(np.float64) + 0.5) / 2.0**52, out=draws[rows])
    return draws


@dataclass(frozen=True, slots=True)
class ContactOpeningLaw:
    r"""Contacts that weaken as they open and break at an opening of their own.

    .. math:: g = g_0 \exp(-\beta \max(\delta, 0)), \quad
              g = 0 \text{ when } \delta > \delta_b X, \quad \ln X \sim N(0, 1)

    with :math:`\delta` the opening since the reference state over `opening_length`, all
    multiplied by :math:`\exp[-E_a/k \, (1/T - 1/T_{20})]`.

    Parameters
    ----------
    g0 : float
        Conductance of a contact in the reference state, at 20 C [S].
    beta : float
        Decay of a contact with its relative opening.
    delta_b : float
        Median relative opening at which a contact breaks.
    Ea : float
        Activation energy of the resistance [J].
    electrode_conductance : float
        Conductance between a body and the electrode face it reaches, at 20 C [S].
    opening_length : float, optional
        Length that openings are counted in [m]; one for all contacts, whatever the sizes of
        their bodies, since what conducts across a gap knows its width alone. Without, the
        number median of the coarsest kind of body of the box at hand; state it wherever
        boxes are to be compared.
    seed : int
        Seed of the breaking draws, one a contact.

    Raises
    ------
    ValueError
        If a parameter is negative, not finite, or a conductance is zero.

    """

    g0: float
    beta: float
    delta_b: float
    Ea: float
    electrode_conductance: float
    opening_length: float | None = None
    seed: int = 0

    def __post_init__(self) -> None:
        positive = ("g0", "delta_b", "electrode_conductance", "opening_length")
        take_reals(self, "beta", "Ea", *positive)
        object.__setattr__(self, "seed", whole("seed", self.seed))
        for name in positive:
            value = getattr(self, name)
            if value is not None and not 0.0 < value < float("inf"):
                raise ValueError(f"{name} must be positive, got {value}")
        for name in ("beta", "Ea"):
            if not 0.0 <= getattr(self, name) < float("inf"):
                raise ValueError(f"{name} must not be negative, got {getattr(self, name)}")

    def length_in(self, particles: Particles) -> float:
        """Length that openings are counted in, in a box of these bodies [m]."""
        if self.opening_length is not None:
            return self.opening_length
        sizes = 2.0 * particles.core_sizes
        sizes = np.where(particles.kinds == ROD, sizes, sizes + 2.0 * particles.ball_radii)
        kinds = (sizes[particles.kinds == kind] for kind in np.unique(particles.kinds))
        return max(map(float, map(np.median, kinds)), default=1.0)

    def activation(self, temperature: float) -> float:
        """Factor on every conductance at a temperature [K], 1 at 20 C."""
        return float(
            np.exp(-self.Ea / boltzmann * (1.0 / temperature - 1.0 / ROOM_TEMPERATURE))
        )

    def conductances(self, links: Links, state: State) -> Floats:
        """Conductance of each link [S], 0 where broken, shape (m,)."""
        if not len(links):
            return np.zeros(0)
        relative = openings(links, state) / self.length_in(links.particles)
        breaks_at = self.delta_b * np.exp(contact_draws(links.pairs, self.seed))
        g = (
            self.g0
            * self.activation(state.temperature)
            * np.exp(-self.beta * np.maximum(relative, 0.0))
        )
        return np.asarray(np.where(relative > breaks_at, 0.0, g))

    def electrode_conductance_at(self, state: State) -> float:
        """Conductance between a body and the electrode face it reaches [S]."""
        return self.electrode_conductance * self.activation(state.temperature)


@dataclass(frozen=True, slots=True)
class TunnellingLaw:
    r"""Low-voltage tunnelling through a rectangular barrier, on absolute gaps.

    .. math:: g = \frac{A e^2 \sqrt{2 m \lambda}}{h^2 d}
              \exp\!\left(-\frac{4\pi d}{h}\sqrt{2 m \lambda}\right)

    with :math:`d` the gap, never below `shortest_gap` [1]_. The gaps are those of the links
    as given: move the particles first (`move_affinely`) to see a strain.

    Parameters
    ----------
    barrier_height : float
        Barrier height [J].
    area : float
        Area of a contact [m^2].
    electrode_conductance : float
        Conductance between a body and the electrode face it reaches [S].
    shortest_gap : float
        Gap of bodies that touch or overlap [m], by default 0.3 nm (common practice, no
        source).

    References
    ----------
    .. [1] Simmons, "Generalized formula for the electric tunnel effect between similar
       electrodes separated by a thin insulating film", J. Appl. Phys. 34, 1793 (1963).
       https://doi.org/10.1063/1.1702682

    """

    barrier_height: float
    area: float
    electrode_conductance: float
    shortest_gap: float = 0.3e-9

    def __post_init__(self) -> None:
        names = ("barrier_height", "area", "electrode_conductance", "shortest_gap")
        take_reals(self, *names)
        for name in names:
            if not 0.0 < getattr(self, name) < float("inf"):
                raise ValueError(f"{name} must be positive, got {getattr(self, name)}")

    def conductances(self, links: Links, state: State) -> Floats:
        """Conductance of each link [S], shape (m,)."""
        gap = np.maximum(links.gaps, self.shortest_gap)
        momentum = np.sqrt(2.0 * electron_mass * self.barrier_height)
        prefactor = self.area * elementary_charge**2 * momentum / (h**2 * gap)
        return np.asarray(prefactor * np.exp(-4.0 * np.pi * gap * momentum / h))

    def electrode_conductance_at(self, state: State) -> float:
        """Conductance between a body and the electrode face it reaches [S]."""
        return self.electrode_conductance
