"""Stage 6. One box through every state: place, link, open, solve.

A box is the unit of work handed to a worker. It can be run alone from its job, gives the
same digits wherever it runs, and returns plain numbers that a store can keep.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.fingerprint import fingerprint
from percsim.boxes.growth import GrowthJob
from percsim.boxes.results import (
    BoxResult,
    Currents,
    SampledContacts,
    Variations,
    stored,
)
from percsim.boxes.sampling import PURPOSES, box_seed
from percsim.boxes.store import Record
from percsim.links.search import Links, find_links
from percsim.materials.recipe import Recipe
from percsim.network.build import Network, build_network
from percsim.network.laws import ContactOpeningLaw, TunnellingLaw
from percsim.network.opened import SLOPES, OpenedBox, OpenedNetwork
from percsim.network.remembering import solve_history
from percsim.network.sensitivity import (
    critical_path,
    effective_medium_conductance,
    hottest_share,
    noise_index,
)
from percsim.network.solve import Solution, Sweep, solve_network
from percsim.particles.bodies import FLAKE, ROD, Particles
from percsim.particles.box import Box
from percsim.particles.placement import Clusters, expected_counts, place_particles
from percsim.particles.shapes import order_parameter
from percsim.states.history import History, Memory
from percsim.states.strain import Mounting, State, move_affinely
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

__all__ = [
    "CONTACT_SAMPLE",
    "POWER_QUANTILES",
    "BoxJob",
    "MemorySetting",
    "Sample",
    "Setting",
    "effective_medium_estimate",
    "finished",
    "place_box",
    "pulled_states",
    "run_job",
    "simulate_box",
    "solve_sample",
    "solve_samples",
    "varied_states",
]

TOLERANCE = 1e-7
"""Proven relative error of a resistance: far below what a box's own randomness leaves."""

POWER_QUANTILES = (0.0, 1e-3, 3e-3, 0.01, 0.03, 0.1, 0.3, 0.5, 0.9)
"""Shares of the contacts that carry current, hottest first, at which power is kept."""

CONTACT_SAMPLE = 40
"""Contacts that a box solved at variations keeps."""

SECONDS_PER_FLAKE = 4e-6
"""Place, link and prepare, one particle [s] (measured, one core of a 2020s server)."""

SECONDS_PER_FLAKE_AND_STATE = 2e-6
"""Open, build and solve, one particle and state [s] (as above)."""

SECONDS_PER_HARD_FLAKE = 3.6e-4
"""Push a flake apart from its neighbours, over the volume fraction [s] (as above)."""

CROWDED = 0.31
"""Volume fraction at which that takes twice as long; it goes on with the 6th power."""

SECONDS_PER_FLAKE_AND_VARIATION = 1e-6
"""Build and solve at another setting of the law, one particle and state [s] (as above)."""

LIFT = 1e-4
"""Step of the difference that gives how thickening alone opens contacts."""

BOXES_PER_LENGTH = 1_000_000
"""Box numbers set aside for each box length."""


class Setting(NamedTuple):
    """Parameters of the contact-opening law that a box is solved with once more.

    Parameters
    ----------
    beta : float
        Decay of a contact with its relative opening.
    delta_b : float
        Median relative opening at which a contact breaks.
    lambda_T : float
        Share of the thermal strain that reaches the contacts.

    """

    beta: float
    delta_b: float
    lambda_T: float  # noqa: N815 - the symbol of the formulas


class MemorySetting(NamedTuple):
    """Memory of the contacts that a box is pulled with once and again.

    Parameters
    ----------
    of : int
        Place of its setting of the law among the variations, -1 for the law as planned.
    reclose, healed : float
        As of `percsim.states.history.Memory`.

    """

    of: int
    reclose: float
    healed: float


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
    mounting : Mounting, optional
        How the film of the states is held; with it and `thermal` the slopes to the
        parameters of the contact-opening law come with every state.
    thermal : ThermalOpening, optional
        What thermal expansion does to the contacts in the states.
    variations : tuple of Setting
        Settings of the law that the box is solved with as well, the same particles and
        draws, at the states that `varied_states` names.
    probes : tuple of State
        States solved besides, whose conductances are kept apart.
    memories : tuple of MemorySetting
        Settings of a memory that a varied box is solved with as well, past the visits that
        `pulled_states` names.
    label : str
        Which of a plan's fillers or films it belongs to; neither its digits nor its key
        depend on it.

    Raises
    ------
    ValueError
        If there are variations without the contact-opening law, mounting and thermal.

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
    mounting: Mounting | None = None
    thermal: ThermalOpening | None = None
    variations: tuple[Setting, ...] = ()
    probes: tuple[State, ...] = ()
    memories: tuple[MemorySetting, ...] = ()
    label: str = ""
    _key: str = field(default="", init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        if self.variations and not self.has_slopes:
            raise ValueError(
                "variations need the contact-opening law, a mounting and a thermal opening"
            )

    @property
    def has_slopes(self) -> bool:
        """Whether the states are those of an opening law whose parameters are known."""
        opening = isinstance(self.law, ContactOpeningLaw)
        return opening and self.mounting is not None and self.thermal is not None

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
        """Name under which the store keeps this box; no box of other inputs has it."""
        if not self._key:  # asked for again and again, and the same for good
            key = f"{self.group}/{fingerprint(self)}/{self.number}"
            object.__setattr__(self, "_key", key)
        return self._key

    @property
    def group(self) -> str:
        """First part of the key, for people: what sort of box, and its loading."""
        return f"box/{self.recipe.weight_fraction!r}"

    @property
    def expected_particles(self) -> float:
        """Mean number of particles in such a box."""
        return sum(expected_counts(self.recipe, self.box))

    @property
    def seconds(self) -> float:
        """Time it is expected to take on one core [s]."""
        solved = len(self.states) + len(self.probes)
        each = SECONDS_PER_FLAKE + SECONDS_PER_FLAKE_AND_STATE * solved
        if self.variations:
            varied = len(self.variations) * len(varied_states(self.states, self.rest))
            varied += len(self.memories) * len(pulled_states(self.states, self.rest))
            each += SECONDS_PER_FLAKE_AND_VARIATION * varied
        if self.core > 0.0:
            phi = self.recipe.volume_fraction
            each += SECONDS_PER_HARD_FLAKE * phi * (1.0 + (phi / CROWDED) ** 6)
        return each * self.expected_particles


B = TypeVar("B", bound=BoxJob)


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


def solve_samples(job: BoxJob, states: Sequence[State]) -> tuple[Sample, ...]:
    """One box at several states in order, as `solve_sample` gives one."""
    links, law = find_links(place_box(job), job.cutoff), _law_of_box(job)
    sweep, made = Sweep(), []
    for state in states:
        own, network = _network_at(links, law, state)
        solution = sweep.solve(network, TOLERANCE)
        made.append(Sample(own.particles, own, network, solution))
    return tuple(made)


def varied_states(states: Sequence[State], rest: int) -> tuple[int, ...]:
    """States at which variations of the law are solved, by index.

    At rest; at the smallest and largest strain, at the temperature of rest; at the coldest
    and hottest temperature without strain.
    """
    room = states[rest].temperature
    reach = {
        i: s.strain if s.temperature == room else s.temperature - room
        for i, s in enumerate(states)
        if not (s.strain and s.temperature != room)
    }
    found = {rest}
    for kind in (True, False):
        alike = [i for i in reach if (states[i].temperature == room) == kind]
        for sign in (-1.0, 1.0):
            ahead = [i for i in alike if sign * reach[i] > 0.0]
            found |= {
                i for i in ahead if sign * reach[i] == max(sign * reach[j] for j in ahead)
            }
    return tuple(sorted(found))


def pulled_states(states: Sequence[State], rest: int) -> tuple[int, ...]:
    """States that a box with memory goes past, by index: from rest to the ends and again.

    Past the largest and the smallest strain at the temperature of rest, back at rest, and
    past them once more; none where no state is strained.
    """
    ends = [i for i in varied_states(states, rest) if states[i].strain != 0.0]
    ends.sort(key=lambda i: -states[i].strain)
    return (rest, *ends, rest, *ends) if ends else ()


def simulate_box(job: BoxJob) -> BoxResult:
    """Simulate one box over all its states.

    Parameters
    ----------
    job : BoxJob
        The box, its recipe and the states.

    Returns
    -------
    BoxResult

    """
    particles = place_box(job)
    links = find_links(particles, job.cutoff)
    law = _law_of_box(job)
    opened_box = _opened_box(job, links, law)
    conductances: list[float] = []
    lost_shares: list[float] = []
    slopes: list[dict[str, float]] = []
    at_rest: dict[str, Any] = {}
    sweep = Sweep()
    rest = job.rest
    for index, state in enumerate(job.states):
        linked, opened = links, None
        if opened_box is not None and isinstance(law, ContactOpeningLaw):
            opened = opened_box.network(law, state.strain, state.temperature)
            network = opened.network
        else:
            linked, network = _network_at(links, law, state)
        solution = sweep.solve(network, TOLERANCE)
        conductances.append(solution.conductance)
        if opened is not None and opened_box is not None:
            assert isinstance(law, ContactOpeningLaw)
            lost_shares.append(opened.lost_share)
            slopes.append(
                opened_box.slopes(law, state.strain, state.temperature, opened, solution)
            )
        if index == rest:
            at_rest = _at_rest(linked, network, solution)
    known: dict[str, Any] = dict(_orders(job, particles))
    if opened_box is not None:
        by_name = {name: [here[name] for here in slopes] for name in SLOPES}
        known |= {"lost_shares": lost_shares, "slopes": by_name}
        if job.variations:
            known["variations"] = _vary(job, opened_box, law)
    if job.probes:
        solutions = [
            sweep.solve(_network_at(links, law, state)[1], TOLERANCE)
            for state in job.probes
        ]
        known["probe_conductances"] = [solution.conductance for solution in solutions]
    return BoxResult(
        n_particles=len(particles),
        n_links=len(links),
        volume_fraction=particles.volume_fraction,
        conductances=np.array(conductances),
        **at_rest,
        **known,
    )


_mounted = lru_cache(State.at)
"""All boxes ask for the same few states."""


def _opened_box(
    job: BoxJob, links: Links, law: ContactOpeningLaw | TunnellingLaw
) -> OpenedBox | None:
    """All states of a box at once, where the law and what it needs are there."""
    if isinstance(law, TunnellingLaw) or job.mounting is None or job.thermal is None:
        return None
    box = job.box
    for state in job.states:
        known = _mounted(
            state.strain,
            state.temperature,
            job.mounting,
            job.thermal,
            box.dimension,
            box.axis,
        )
        if np.abs(state.matrix() - known.matrix()).max() > 1e-12:
            raise ValueError(
                f"the state at strain {state.strain:g} and {state.temperature:g} K is not "
                "that of the job's mounting and thermal opening"
            )
    return OpenedBox.of(links, law, job.mounting, job.thermal)


def _vary(
    job: BoxJob, box: OpenedBox, law: ContactOpeningLaw | TunnellingLaw
) -> Variations:
    """Solve the varied states at each setting."""
    assert isinstance(law, ContactOpeningLaw)
    visits = varied_states(job.states, job.rest)
    states = [job.states[i] for i in visits]
    conductances, lost = [], []
    for setting in job.variations:
        other = replace(law, beta=setting.beta, delta_b=setting.delta_b)
        sweep = Sweep()
        opened: list[OpenedNetwork] = [
            box.network(other, s.strain, s.temperature, setting.lambda_T) for s in states
        ]
        solutions = [sweep.solve(o.network, TOLERANCE) for o in opened]
        conductances.append([solution.conductance for solution in solutions])
        lost.append([o.lost_share for o in opened])
    return Variations(
        settings=np.array(job.variations, dtype=np.float64),
        visits=np.array(visits),
        conductances=np.array(conductances),
        lost_shares=np.array(lost),
        sample=_contact_sample(job, box),
        **_pull(job, box, law),
    )


def _pull(job: BoxJob, box: OpenedBox, law: ContactOpeningLaw) -> dict[str, Any]:
    """Solve the pulled states with each memory; nothing where there is none."""
    path = pulled_states(job.states, job.rest) if job.memories else ()
    if not path:
        return {}
    states = [job.states[i] for i in path]
    history = History(
        np.arange(float(len(path))),
        np.array([state.strain for state in states]),
        np.array([state.temperature for state in states]),
    )
    conductances = []
    for memory in job.memories:
        other, share = law, None
        if memory.of >= 0:
            setting = job.variations[memory.of]
            other = replace(law, beta=setting.beta, delta_b=setting.delta_b)
            share = setting.lambda_T
        found = solve_history(
            box, other, Memory(memory.reclose, memory.healed), history,
            share=share, tolerance=TOLERANCE,
        )  # fmt: skip
        conductances.append(1.0 / found.resistances)
    return {
        "memories": np.array(job.memories, dtype=np.float64),
        "pulled": np.array(path),
        "remembered": np.array(conductances),
    }


def _contact_sample(job: BoxJob, box: OpenedBox) -> SampledContacts:
    """Sample the contacts of a box, to six digits: it is their distribution that counts."""
    links = box.links
    rows = np.unique(np.linspace(0, len(links) - 1, CONTACT_SAMPLE).astype(np.int64))
    rows = rows[: len(links)]
    first, second = links.arms
    along = (first - second)[rows, links.particles.box.axis]
    visits: dict[float, int] = {}
    for index, state in enumerate(job.states):
        visits.setdefault(state.strain, index)

    def short(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.array([float(f"{value:.6g}") for value in values])

    parts = [box.parts(strain) for strain in visits]
    lifted = None
    if box.thermal.bond is not None:
        thicker = box.parts(0.0, 1.0 + LIFT)[0] - box.parts(0.0)[0]
        lifted = short(thicker[rows] / LIFT)
    return SampledContacts(
        lifted=lifted,
        weights=short((along / box.opening_length) ** 2),
        visits=np.array(list(visits.values())),
        opened=np.array([short(opened[rows]) for opened, _ in parts]),
        stretched=np.array([short(stretched[rows]) for _, stretched in parts]),
    )


def _at_rest(links: Links, network: Network, solution: Solution) -> dict[str, Any]:
    """Read off what the currents at rest tell."""
    # power divides as series resistance does (Tellegen's theorem)
    contacts = len(links.source_contacts) + len(links.sink_contacts)
    lost = len(links) - (len(network.conductances) - contacts)
    shares = solution.power_shares
    return {
        "backbone_share": _carrying_share(network, solution.currents, len(links.particles)),
        "lost_share": lost / len(links) if len(links) else 0.0,
        "electrode_share": float(shares[len(shares) - contacts :].sum()),
        "currents": _currents(links, network, solution),
    }


def _currents(links: Links, network: Network, solution: Solution) -> Currents:
    if solution.is_open:
        return Currents(power_sorted=np.zeros(len(POWER_QUANTILES)))
    path = critical_path(network)
    shares = solution.power_shares
    hottest = np.sort(shares[shares > 1e-18])[::-1]
    rows = np.minimum(np.asarray(POWER_QUANTILES) * len(hottest), len(hottest) - 1)
    return Currents(
        hottest_share=hottest_share(solution),
        largest_share=float(hottest[0]),
        noise_index=noise_index(solution),
        bottleneck_S=path.bottleneck,
        critical_path_S=1.0 / path.resistance,
        effective_medium_S=effective_medium_estimate(links, network),
        power_sorted=hottest[rows.astype(np.int64)],
    )


def effective_medium_estimate(links: Links, network: Network) -> float:
    r"""Conductance of a box if every contact were the effective-medium one [S].

    Parameters
    ----------
    links : Links
        Contacts of the box.
    network : Network
        Of the same links at a state.

    Returns
    -------
    float
        :math:`g_m \sum \Delta x^2 / L^2` over all links, :math:`\Delta x` from centre to
        centre along the current; 0 when bodies have two contacts or fewer on average.

    Notes
    -----
    :math:`g_m` after Kirkpatrick, "Percolation and conduction", Rev. Mod. Phys. 45, 574
    (1973), with the mean number of contacts a body as coordination, and the voltages of a
    uniform field, which by Dirichlet's principle can only overrate a network of equal
    conductances. No path is asked for, so that it fails towards the threshold.

    """
    n, m = len(links.particles), len(links)
    if not n or 2.0 * m / n <= 2.0:
        return 0.0
    contacts = len(links.source_contacts) + len(links.sink_contacts)
    g = np.zeros(m)
    conducting = network.conductances[: len(network.conductances) - contacts]
    g[: len(conducting)] = conducting
    medium = effective_medium_conductance(g, 2.0 * m / n)
    box = links.particles.box
    first, second = links.arms
    along = (first - second)[:, box.axis]
    return float(medium * np.sum(along**2) / box.length**2)


def _orders(job: BoxJob, particles: Particles) -> dict[str, float]:
    """Order parameters as they came out: pushing hard particles apart also turns them."""
    box = particles.box
    abouts = {"flake": (FLAKE, box.dimension - 1), "rod": (ROD, box.axis)}
    kinds = {filler.kind for filler, _ in job.recipe.fillers}
    return {
        f"{name}_order": order_parameter(particles.axes[particles.kinds == kind], about)
        for name, (kind, about) in abouts.items()
        if name in kinds
    }


def run_job(job: BoxJob | GrowthJob) -> dict[str, Any]:
    """Do a job of a plan, and give what is stored of it: what a worker is handed."""
    return stored(job.run() if isinstance(job, GrowthJob) else simulate_box(job))


def finished(
    jobs: Iterable[B], records: Mapping[str, Record]
) -> Iterator[tuple[B, BoxResult]]:
    """Give the boxes whose results are stored, with them."""
    for job in jobs:
        record = records.get(job.key)
        result = None if record is None else record.result
        if isinstance(result, BoxResult):
            yield job, result


def _carrying_share(
    network: Network, currents: NDArray[np.float64], n_particles: int
) -> float:
    """Share of the particles with a current above rounding."""
    if not n_particles or not currents.size:
        return 0.0
    carries = np.abs(currents) > 1e-12 * np.abs(currents).max()
    met = np.zeros(network.n_nodes, dtype=np.bool_)
    met[network.resistors.take(np.flatnonzero(carries), axis=0)] = True
    return float(np.count_nonzero(met[:n_particles]) / n_particles)
