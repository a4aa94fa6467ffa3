"""Stage 6. One box through every state: place, link, open, solve.

A box is the unit of work handed to a worker. It can be run alone from its job, gives the
same digits wherever it runs, and returns plain numbers that a store can keep.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from percsim.ensemble.sampling import PURPOSES, box_seed
from percsim.ensemble.threshold import GrowthJob
from percsim.links.search import Links, find_links
from percsim.materials.recipe import Recipe
from percsim.network.build import Network, build_network
from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
from percsim.network.solve import Solution, Sweep, solve_network
from percsim.particles.bodies import Particles
from percsim.particles.box import Box
from percsim.particles.placement import Clusters, place_particles
from percsim.particles.shapes import measure_orientation
from percsim.states.strain import State, move_affinely
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["BoxJob", "Sample", "place_box", "run_job", "simulate_box", "solve_sample"]

TOLERANCE = 1e-7
"""Proven relative error of a resistance: far below what a box's own randomness leaves."""

BOXES_PER_LENGTH = 1_000_000
"""Box numbers set aside for each box length."""


@dataclass(frozen=True, slots=True)
class BoxJob:
    """One box to simulate.

    Parameters
    ----------
    seed : int
        Seed of the ensemble.
    number : int
        Number of the box among those of its length, from 0. The same number draws the same
        particles at every loading, fewer of them at a lower one.
    recipe : Recipe
        What is mixed.
    box : Box
        The box.
    law : ContactOpeningLaw or TunnellingLaw
        Conduction law; the contact-opening law draws its breaks from this box's seed.
    states : tuple of State
        States to solve, in order.
    cutoff : float
        Largest gap that counts as a link [m]; 0 links what touches.
    core : float
        Impenetrable share of the thickness of the particles.
    clusters : Clusters, optional
        Poor dispersion.
    walls : {"free", "confining"}
        What faces that are neither periodic nor electrodes do; see `place_particles`.
    label : str
        First part of the key, where a plan has boxes of several fillers or films; seeds do
        not depend on it.

    """

    seed: int
    number: int
    recipe: Recipe
    box: Box
    law: ContactOpeningLaw | TunnellingLaw
    states: tuple[State, ...]
    cutoff: float = 0.0
    core: float = 0.0
    clusters: Clusters | None = None
    walls: str = "free"
    label: str = ""

    @property
    def box_number(self) -> int:
        """Number that the seeds of this box are drawn from.

        It comes from the length itself, in nanometres, so that adding a length to a plan
        renumbers nothing.
        """
        return round(self.box.length * 1e9) * BOXES_PER_LENGTH + self.number

    @property
    def rest(self) -> int:
        """Index of the state at rest: no strain, nearest to 20 C."""
        return min(
            range(len(self.states)),
            key=lambda i: (
                abs(self.states[i].strain),
                abs(self.states[i].temperature - ROOM_TEMPERATURE),
            ),
        )

    @property
    def key(self) -> str:
        """Name under which the store keeps this box."""
        nanometres = round(self.box.length * 1e9)
        return f"box/{self.label}{self.recipe.weight_fraction!r}/{nanometres}/{self.number}"


class Sample(NamedTuple):
    """One box at one state, with all that led to its resistance."""

    particles: Particles
    links: Links
    network: Network
    solution: Solution


def place_box(job: BoxJob) -> Particles:
    """Place the particles of a job's box."""
    rng = np.random.default_rng(box_seed(job.seed, job.box_number, PURPOSES["placement"]))
    return place_particles(
        job.recipe, job.box, rng, core=job.core, clusters=job.clusters, walls=job.walls
    )


def _law_of_box(job: BoxJob) -> ContactOpeningLaw | TunnellingLaw:
    if isinstance(job.law, TunnellingLaw):
        return job.law
    seed = box_seed(job.seed, job.box_number, PURPOSES["contacts"])
    return replace(job.law, seed=int(seed.generate_state(1, np.uint64)[0]))


def _network_at(
    links: Links, law: ContactOpeningLaw | TunnellingLaw, state: State
) -> tuple[Links, Network]:
    """Links and network at a state; gap laws move the particles and link them again."""
    if isinstance(law, TunnellingLaw):
        links = find_links(move_affinely(links.particles, state), links.cutoff)
    return links, build_network(links, law, state)


def solve_sample(job: BoxJob, state: State) -> Sample:
    """One box at one state, with everything a picture of it needs."""
    links, network = _network_at(
        find_links(place_box(job), job.cutoff), _law_of_box(job), state
    )
    return Sample(links.particles, links, network, solve_network(network, TOLERANCE))


def simulate_box(job: BoxJob) -> dict[str, Any]:
    """Simulate one box over all its states.

    Parameters
    ----------
    job : BoxJob
        The box, its recipe and the states.

    Returns
    -------
    dict
        `n_particles`, `n_links`, `volume_fraction` of the box as drawn, `backbone_share` at
        rest (share of the particles that carry current), `electrode_share` there
        (share of the resistance that lies in the contacts to the two electrodes),
        `lost_share` there (share of the links that do not conduct), `flake_order` and
        `rod_order` (order parameters as placed, of flake normals about the thickness and of
        rods about the current, if the recipe holds any) and `conductances`, one a state
        [S], 0 for an open circuit.

    """
    particles = place_box(job)
    links = find_links(particles, job.cutoff)
    law = _law_of_box(job)
    conductances: list[float] = []
    backbone_share = electrode_share = lost_share = 0.0
    sweep = Sweep()
    rest = job.rest
    for index, state in enumerate(job.states):
        linked, network = _network_at(links, law, state)
        solution = sweep.solve(network, TOLERANCE)
        conductances.append(
            0.0 if np.isinf(solution.resistance) else 1.0 / solution.resistance
        )
        if index == rest:
            backbone_share = _carrying_share(network, solution.currents, len(particles))
            # power divides as series resistance does (Tellegen's theorem)
            contacts = len(linked.source_contacts) + len(linked.sink_contacts)
            lost = len(linked) - (len(network.conductances) - contacts)
            lost_share = lost / len(linked) if len(linked) else 0.0
            if contacts:
                electrode_share = float(solution.power_shares[-contacts:].sum())
    return {
        "n_particles": len(particles),
        "n_links": len(links),
        "volume_fraction": particles.volume_fraction,
        "backbone_share": backbone_share,
        "lost_share": lost_share,
        "conductances": conductances,
        "electrode_share": electrode_share,
        **_orders(job, particles),
    }


def _orders(job: BoxJob, particles: Particles) -> dict[str, float]:
    """Order parameters as they came out: pushing hard particles apart also turns them."""
    found = measure_orientation(particles)
    abouts = {"flake": "order_thickness", "rod": "order_current"}
    kinds = {filler.kind for filler, _ in job.recipe.fillers}
    return {
        f"{kind}_order": found[kind][about] if kind in found else 0.0
        for kind, about in abouts.items()
        if kind in kinds
    }


def run_job(job: BoxJob | GrowthJob) -> dict[str, Any]:
    """Do a job of a plan: what a worker is handed."""
    return job.run() if isinstance(job, GrowthJob) else simulate_box(job)


def _carrying_share(
    network: Network, currents: NDArray[np.float64], n_particles: int
) -> float:
    """Share of the particles with a current above rounding."""
    if not n_particles or not currents.size:
        return 0.0
    carries = np.abs(currents) > 1e-12 * np.abs(currents).max()
    nodes = np.unique(network.resistors[carries])
    return float((nodes < n_particles).sum() / n_particles)
