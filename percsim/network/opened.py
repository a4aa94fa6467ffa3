r"""Stage 5. All states of one box under the contact-opening law, and what one solve tells.

A film that strains and swells by :math:`s = 1 + \lambda_T \varepsilon_T` opens a contact by
a part that depends on the strain alone and a part in proportion to :math:`s - 1`. So the
two parts are worked out once a strain, and every temperature, every share
:math:`\lambda_T` and every slope follows from them without going back to the bodies. Only
a bonded film, which warming thickens more than it widens, has parts of its own at each
temperature.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.constants import k as boltzmann

from percsim.kernels.opening import opening_parts, opening_slope, powers
from percsim.links.search import Links
from percsim.network.build import Network
from percsim.network.laws import ContactOpeningLaw, contact_draws
from percsim.network.solve import Solution
from percsim.states.strain import Mounting, shape_factors
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

__all__ = ["SLOPES", "OpenedBox", "OpenedNetwork"]

Floats = NDArray[np.float64]

SLOPES = ("g0", "electrode", "beta", "lambda_T", "Ea", "strain", "temperature")
r"""Slopes of :math:`\ln G`, to :math:`\ln g_0`, the logarithm of the electrode contacts'
conductance, :math:`\ln\beta`, :math:`\lambda_T`, :math:`E_a` [1/J], strain and temperature
[1/K]."""

MOST_KEPT = 2**24
"""Openings of links kept at strains asked for, 256 MB; of a few strains in any box."""

STRAIN_STEP = 1e-6
"""Step of the right-hand difference that gives the slope to strain."""
SHARE_STEP, KELVIN_STEP = 1e-3, 1e-2
"""Steps of the differences that give those of a bonded film to lambda_T and temperature."""


class OpenedNetwork(NamedTuple):
    """One box at one state.

    Parameters
    ----------
    network : Network
        Conducting contacts in the order of the links, then those of the two electrodes.
    conducts : (m,) ndarray of bool
        Which links conduct.

    """

    network: Network
    conducts: NDArray[np.bool_]

    @property
    def lost_share(self) -> float:
        """Share of the links that do not conduct."""
        return float(np.mean(~self.conducts)) if len(self.conducts) else 0.0


@dataclass(frozen=True, slots=True)
class OpenedBox:
    """The links of one box and what opens them.

    Parameters
    ----------
    links : Links
        Contacts of a box with electrodes, in the reference state.
    opening_length : float
        Length that openings are counted in [m].
    mounting : Mounting
        How the film is held.
    thermal : ThermalOpening
        What thermal expansion does to the contacts.
    ends : (e, 2) ndarray of int
        Nodes of every resistor: of the links, then of the contacts to the two electrodes.

    """

    links: Links
    opening_length: float
    mounting: Mounting
    thermal: ThermalOpening
    ends: NDArray[np.int32] = field(repr=False)
    _breaks: Floats = field(repr=False)
    _factors: Floats = field(repr=False)
    _parts: dict[tuple[float, float], tuple[Floats, Floats]] = field(repr=False)

    @classmethod
    def of(
        cls,
        links: Links,
        law: ContactOpeningLaw,
        mounting: Mounting,
        thermal: ThermalOpening,
    ) -> OpenedBox:
        """Draw the breaking openings of a law, and lay out the resistors of all contacts.

        Of the law it takes the seed and the opening length.
        """
        n = len(links.particles)
        source, sink = links.source_contacts, links.sink_contacts
        ends = np.concatenate(
            [
                links.pairs,
                np.column_stack([source, np.full_like(source, n)]),
                np.column_stack([sink, np.full_like(sink, n + 1)]),
            ]
        )
        return cls(
            links,
            law.length_in(links.particles),
            mounting,
            thermal,
            ends,
            np.exp(contact_draws(links.pairs, law.seed)),
            shape_factors(links.particles),
            {},
        )

    def parts(self, strain: float, shape: float = 1.0) -> tuple[Floats, Floats]:
        """Relative opening at a strain without swelling, and per unit of swelling.

        `shape` is the thermal stretch through the film over that in its plane.
        """
        at = strain, shape
        if at not in self._parts:
            for other in [known for known in self._parts if known[1] != 1.0]:
                del self._parts[other]  # of one temperature and share, not asked for again
            self._parts[at] = opening_parts(*self._geometry(strain, shape))
            if len(self._parts) > 1 and len(self._parts) * len(self.links) > MOST_KEPT:
                del self._parts[next(iter(self._parts))]
        return self._parts[at]

    def _geometry(self, strain: float, shape: float) -> tuple[Any, ...]:
        """Collect what kernels of openings take, at a strain and shape of swelling."""
        links, p = self.links, self.links.particles
        d = p.box.dimension
        stretches = np.ones(3)
        stretches[:d] = self.mounting.along_axes(strain, d, p.box.axis)
        if d == 3:
            stretches[2] *= shape
        contacts = links.pairs, links.normals, links.points, links.images
        lengths = np.array(p.box.size)
        unit = self.opening_length
        return self._factors, p.axes, *contacts, p.centers, lengths, stretches, unit

    def relative_openings(
        self, strain: float, temperature: float, share: float | None = None
    ) -> Floats:
        """Give each link's relative opening (m,), `share` in place of lambda_T."""
        swelling, shape = self._swelling(temperature, share)
        opened, stretched = self.parts(strain, shape)
        return opened + swelling * stretched

    def _swelling(
        self, temperature: float, share: float | None = None
    ) -> tuple[float, float]:
        """Thermal strain in the plane of the film, and its shape as `parts` takes it."""
        plane, through = self.thermal.strains(temperature, share)
        return float(plane), float((1.0 + through) / (1.0 + plane))

    def network(
        self,
        law: ContactOpeningLaw,
        strain: float,
        temperature: float,
        share: float | None = None,
    ) -> OpenedNetwork:
        """Build the network of a state, as `build_network` does.

        Parameters
        ----------
        law : ContactOpeningLaw
            With any parameters; its seed and opening length are not read, they are the
            box's own.
        strain, temperature : float
            The state [-, K].
        share : float, optional
            lambda_T in place of the box's own.

        """
        relative = self.relative_openings(strain, temperature, share)
        conducts = relative <= self.breaks(law)
        network = self.resistors(law, temperature, relative, conducts)
        return OpenedNetwork(network, conducts)

    def breaks(self, law: ContactOpeningLaw) -> Floats:
        """Relative opening above which each link breaks, (m,)."""
        return np.asarray(law.delta_b * self._breaks)

    def resistors(
        self,
        law: ContactOpeningLaw,
        temperature: float,
        relative: Floats,
        conducts: NDArray[np.bool_],
        factors: Floats | None = None,
    ) -> Network:
        """Network of the links that conduct, at their relative openings.

        `factors` (m,) multiply their conductances.
        """
        ends, n = self.ends, len(self.links.particles)
        g = self.conductances(law, temperature, relative, conducts, factors)
        if not conducts.all():
            kept = np.ones(len(g), dtype=np.bool_)
            kept[: len(relative)] = conducts
            rows = np.flatnonzero(kept)  # ten times as fast as the mask itself
            ends, g = ends.take(rows, axis=0), g.take(rows)
        return Network(n + 2, ends, g, n, n + 1)

    def conductances(
        self,
        law: ContactOpeningLaw,
        temperature: float,
        relative: Floats,
        conducts: NDArray[np.bool_],
        factors: Floats | None = None,
    ) -> Floats:
        """Conductance of every resistor of `ends` [S], 0 where a link does not conduct."""
        active = law.activation(temperature)
        g = np.full(len(self.ends), law.electrode_conductance * active)
        links = g[: len(relative)]
        np.maximum(relative, 0.0, out=links)
        links *= -law.beta
        np.exp(links, out=links)
        links *= law.g0 * active
        if factors is not None:
            links *= factors
        links[~conducts] = 0.0
        return g

    def slopes(
        self,
        law: ContactOpeningLaw,
        strain: float,
        temperature: float,
        opened: OpenedNetwork,
        solution: Solution,
    ) -> dict[str, float]:
        r"""Slopes of :math:`\ln G` at a state, by name as in `SLOPES`; all 0 if open.

        Notes
        -----
        Tellegen's theorem, as in `sensitivities`, which takes differences of any law where
        this has the derivatives of the contact-opening law; no contact breaks or closes.
        The slope to strain is the right-hand one.
        """
        if solution.is_open:
            return dict.fromkeys(SLOPES, 0.0)
        swelling, shape = self._swelling(temperature)
        relative = self.relative_openings(strain, temperature)
        power, links, electrodes, beta, pull = powers(
            opened.conducts, relative, self.parts(strain, shape)[1], solution.currents,
            opened.network.conductances, solution.resistance,
        )  # fmt: skip

        def to(strain: float, swelling: float, shape: float, ahead: bool = False) -> float:
            nearby = (*self._geometry(strain, shape), swelling, relative, power, ahead)
            moved = opening_slope(*nearby)
            return -law.beta * float(moved)

        thermal = self.thermal
        if thermal.bond is None:
            pull *= -law.beta * thermal.expansion
            per_share = pull * (temperature - thermal.closed_at)
            per_kelvin = pull * thermal.share
        else:
            more = self._swelling(temperature, thermal.share + SHARE_STEP)
            per_share = to(strain, *more) / SHARE_STEP
            per_kelvin = (
                to(strain, *self._swelling(temperature + KELVIN_STEP)) / KELVIN_STEP
            )
        along = to(strain + STRAIN_STEP, swelling, shape, ahead=True)
        inverse = 1.0 / temperature - 1.0 / ROOM_TEMPERATURE
        return {
            "g0": float(links),
            "electrode": float(electrodes),
            "beta": 0.0 - law.beta * float(beta),
            "lambda_T": float(per_share),
            "Ea": 0.0 - inverse / boltzmann,
            "strain": along / STRAIN_STEP,
            "temperature": float(per_kelvin) + law.Ea / (boltzmann * temperature**2),
        }
