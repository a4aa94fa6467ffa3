r"""Stage 5. Solution -> slopes: what one solve tells beyond the resistance.

By Tellegen's theorem a change of conductances changes the conductance between the terminals
by :math:`dG = \sum (V_i - V_j)^2 \, dg` at 1 V across, to first order and without another
solve (Cohn, "The resistance of an electrical network", Proc. Am. Math. Soc. 1, 316 (1950)).
So the slopes to strain, temperature and every smooth parameter of a law cost one pass over
the resistors each. Breaking of contacts is a step and no slope: for `delta_b` there are
differences of whole ensembles, `breaking_slope`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.kernels.graph import strongest_tree
from percsim.links.search import Links, find_links
from percsim.network.build import Network, build_network
from percsim.network.laws import ConductionLaw, ContactOpeningLaw, TunnellingLaw
from percsim.network.solve import Solution, Sweep, path_up, solve_network
from percsim.states.strain import Mounting, State, move_affinely
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening
from percsim.values import freeze

__all__ = [
    "BreakingSlope",
    "CriticalPath",
    "Sensitivities",
    "breaking_slope",
    "conductance_slope",
    "critical_path",
    "effective_medium_conductance",
    "hottest_share",
    "largest_power",
    "noise_index",
    "sensitivities",
]

Floats = NDArray[np.float64]

_STEPS = {"beta": 1e-3, "Ea": 1e-25}
"""Steps at a parameter that is zero; both are linear in the logarithm of a conductance."""

_NO_SLOPE = ("delta_b", "opening_length")
"""Floats of a law without a slope: one breaks contacts at a step, one is a unit."""


@dataclass(frozen=True, slots=True)
class Sensitivities:
    r"""Slopes of one box at one state; all are of :math:`\ln R`.

    Parameters
    ----------
    solution : Solution
        The state they hold at.
    strain : float
        :math:`d \ln R / d e`, towards tension, with no contact breaking or closing; at zero
        strain the initial gauge factor of what stays connected.
    temperature : float
        :math:`d \ln R / d T` [1/K].
    parameters : mapping of str to float
        :math:`d \ln R / d p` for each smooth parameter of the law by its name, and
        `lambda_T` for the share of the thermal strain.
    relative : mapping of str to float
        :math:`d \ln R / d \ln p` for the same.

    """

    solution: Solution
    strain: float
    temperature: float
    parameters: Mapping[str, float]
    relative: Mapping[str, float]


def conductance_slope(solution: Solution, slopes: ArrayLike) -> float:
    """Slope of the conductance between the terminals (Tellegen).

    Parameters
    ----------
    solution : Solution
        Of a network of `e` resistors.
    slopes : (e,) array_like
        Slope of each conductance to some parameter.

    Returns
    -------
    float
        Slope of 1/R to the same parameter; 0 if open.

    """
    given = np.asarray(slopes, dtype=np.float64)
    if given.shape != solution.drops.shape:
        raise ValueError(
            f"slopes must have shape {solution.drops.shape}, got {given.shape}"
        )
    return float(np.sum(solution.drops**2 * given))


def sensitivities(
    links: Links,
    law: ConductionLaw,
    strain: float,
    temperature: float = ROOM_TEMPERATURE,
    mounting: Mounting | None = None,
    thermal: ThermalOpening | None = None,
    solution: Solution | None = None,
) -> Sensitivities:
    r"""Slopes of one box to strain, temperature and the law's parameters, from one solve.

    Parameters
    ----------
    links : Links
        Contacts of a box that has electrodes, in the reference state. For a law that reads
        gaps the bodies are moved and linked again with the same cutoff.
    law : ConductionLaw
        A frozen dataclass; each of its float fields but `delta_b` and `opening_length` is
        a parameter.
    strain, temperature : float
        The state [-, K].
    mounting : Mounting, optional
        How the film is held; bonded by default.
    thermal : ThermalOpening, optional
        What thermal expansion does to the contacts; nothing by default.
    solution : Solution, optional
        Of the network of this state, if it is there already.

    Returns
    -------
    Sensitivities
        All slopes are 0 if the box is open.

    Notes
    -----
    :math:`d \ln R / dp = -\sum_k P_k \, d \ln g_k / dp` with :math:`P_k` the share of the
    power in resistor k. The slopes of :math:`\ln g_k` are differences of the law over small
    steps (second order, one-sided for the strain: contacts that close do not get closer
    than contact, so the two sides differ). A contact that the step breaks counts with the
    slope of the other side, or with 0.

    """
    held, box = mounting or Mounting(), links.particles.box

    def state_at(e: float, t: float, opening: ThermalOpening | None = thermal) -> State:
        return State.at(e, t, held, opening, box.dimension, box.axis)

    base = _Base(links, law, state_at(strain, temperature), solution)
    h, kelvin = 1e-6, 1e-3
    to_strain = base.slope(
        base.logs(law, state_at(strain + h, temperature)),
        base.logs(law, state_at(strain + 2.0 * h, temperature)),
        True,
    )
    to_temperature = base.slope(
        base.logs(law, state_at(strain, temperature + kelvin)),
        base.logs(law, state_at(strain, temperature - kelvin)),
        False,
    )
    values = {
        item.name: value
        for item in fields(law)  # type: ignore[arg-type]
        if isinstance(value := getattr(law, item.name), float)
        and item.name not in _NO_SLOPE
    }
    parameters = {name: base.to_parameter(name, value) for name, value in values.items()}
    if thermal is not None:
        values["lambda_T"] = share = thermal.share
        step = 1e-4 * share if share else 1e-6
        other = share - step if share else 2.0 * step
        up, down = (
            base.logs(law, state_at(strain, temperature, replace(thermal, share=moved)))
            for moved in (share + step, other)
        )
        parameters["lambda_T"] = base.slope(up, down, not share) / step
    relative = {name: slope * values[name] for name, slope in parameters.items()}
    return Sensitivities(
        base.solution, to_strain / h, to_temperature / kelvin, parameters, relative
    )


class _Base:
    """One box at one state: the power in its resistors, and what small steps do to them."""

    def __init__(
        self, links: Links, law: ConductionLaw, here: State, solution: Solution | None
    ) -> None:
        self.links, self.law, self.here = links, law, here
        self.linked = linked = self._links_at(here)
        if solution is None:
            solution = solve_network(build_network(linked, law, here))
        self.solution = solution
        self.at_contact = law.conductances(linked, here)
        self.at_electrode = law.electrode_conductance_at(here)
        self.closed = self.at_contact > 0.0
        share, m = solution.power_shares, int(self.closed.sum())
        self.link_share = np.zeros(len(linked))
        self.link_share[self.closed] = share[:m]
        self.electrode_share = float(share[m:].sum())

    def _links_at(self, state: State) -> Links:
        """Bodies moved and linked again for a law that reads gaps."""
        if not isinstance(self.law, TunnellingLaw):
            return self.links
        return find_links(move_affinely(self.links.particles, state), self.links.cutoff)

    def logs(self, other: ConductionLaw, state: State) -> tuple[Floats, float]:
        """Change of ln g of each link, NaN where either is open, and of an electrode."""
        linked = self.linked
        moved = self._links_at(state) if state != self.here else linked
        # pairs are sorted, so are their names; a pair may be gone from the cutoff
        naming = np.array([len(self.links.particles), 1], np.int64)
        place = np.searchsorted(linked.pairs @ naming, moved.pairs @ naming)
        place = np.minimum(place, len(linked) - 1)
        same = (
            (linked.pairs[place] == moved.pairs).all(axis=1) if len(linked) else place < 0
        )
        g = np.zeros(len(linked))
        g[place[same]] = other.conductances(moved, state)[same]
        ratio = np.full(len(g), np.nan)
        both = self.closed & (g > 0.0)
        ratio[both] = np.log(g[both] / self.at_contact[both])
        electrode = other.electrode_conductance_at(state) / self.at_electrode
        return ratio, float(np.log(electrode))

    def slope(
        self, up: tuple[Floats, float], down: tuple[Floats, float], one_sided: bool
    ) -> float:
        """Slope of ln R a step, from ln g a step up and down (or one and two steps up)."""
        if one_sided:
            links = 2.0 * up[0] - 0.5 * down[0]
            links = np.where(np.isnan(links), up[0], links)
            electrode = 2.0 * up[1] - 0.5 * down[1]
        else:
            links = 0.5 * (up[0] - down[0])
            links = np.where(np.isnan(links), up[0], links)
            links = np.where(np.isnan(links), -down[0], links)
            electrode = 0.5 * (up[1] - down[1])
        links = np.where(np.isnan(links), 0.0, links)
        by_electrodes = self.electrode_share * electrode
        return 0.0 - float(np.sum(self.link_share * links) + by_electrodes)

    def to_parameter(self, name: str, value: float) -> float:
        """Slope of ln R to a parameter of the law."""
        step = 1e-4 * value if value else _STEPS.get(name, 1e-6)
        up, down = (
            self.logs(replace(self.law, **{name: moved}), self.here)  # type: ignore[type-var]
            for moved in (value + step, value - step if value else 2.0 * step)
        )
        return self.slope(up, down, not value) / step


@dataclass(frozen=True, slots=True)
class BreakingSlope:
    r"""Slope of an ensemble to the opening at which contacts break.

    Parameters
    ----------
    value : float
        :math:`d \ln R / d \ln \delta_b` with :math:`1/R` the mean conductance of the boxes;
        minus the relative change of R where all contacts break later.
    standard_error : float
        Of `value`, from the scatter of the boxes alone; inf for one box.
    n : int
        Boxes, open ones included.

    """

    value: float
    standard_error: float
    n: int


def breaking_slope(
    boxes: Sequence[Links],
    law: ContactOpeningLaw,
    strain: float,
    temperature: float = ROOM_TEMPERATURE,
    mounting: Mounting | None = None,
    thermal: ThermalOpening | None = None,
    step: float = 0.1,
) -> BreakingSlope:
    r"""Slope of the resistance of an ensemble to `delta_b`, by common random numbers.

    Parameters
    ----------
    boxes : sequence of Links
        Contacts of each box, in the reference state.
    law : ContactOpeningLaw
        Box k draws with the seed ``law.seed + k``, the same at both ends of the step: each
        contact keeps its draw, and only what breaks in between differs.
    strain, temperature, mounting, thermal :
        As for `sensitivities`.
    step : float
        Of :math:`\ln \delta_b` to either side; a difference over a finite step, so the
        mean slope over it.

    Returns
    -------
    BreakingSlope
        0 or below: contacts that break later leave more of them.

    Raises
    ------
    ValueError
        If there are no boxes, the step is not positive, or all boxes are open.

    Notes
    -----
    Differences of a mean over the same random numbers: Glasserman, "Monte Carlo Methods in
    Financial Engineering", Springer 2003, section 7.1. The error is that of a ratio of two
    means of paired samples, to first order.

    """
    if not 0.0 < step < float("inf"):
        raise ValueError(f"step must be positive, got {step}")
    if not boxes:
        raise ValueError("breaking_slope needs at least one box")
    held = mounting or Mounting()
    g = np.zeros((2, len(boxes)))
    for k, links in enumerate(boxes):
        box = links.particles.box
        state = State.at(strain, temperature, held, thermal, box.dimension, box.axis)
        sweep = Sweep()
        for end, sign in enumerate((-1.0, 1.0)):
            other = replace(
                law, delta_b=law.delta_b * float(np.exp(sign * step)), seed=law.seed + k
            )
            solution = sweep.solve(build_network(links, other, state))
            g[end, k] = 0.0 if solution.is_open else solution.conductance
    mean = g.mean(axis=1)
    if not mean.all():
        raise ValueError("all boxes are open: nothing is left that could break")
    value = float(np.log(mean[0] / mean[1])) / (2.0 * step)
    n = len(boxes)
    paired = (g[0] / mean[0] - g[1] / mean[1]) / (2.0 * step)
    error = float(paired.std(ddof=1)) / n**0.5 if n > 1 else float("inf")
    return BreakingSlope(0.0 + value, error, n)


def hottest_share(solution: Solution, fraction: float = 0.01) -> float:
    """Share of the power in the hottest resistors.

    Parameters
    ----------
    solution : Solution
        Not open, or the share is 0.
    fraction : float
        Of the resistors on the backbone, at least one of them, in (0, 1].

    Returns
    -------
    float
        `fraction` if the power were spread evenly, 1 if a few carry it all.

    """
    if not 0.0 < fraction <= 1.0:
        raise ValueError(f"fraction must be in (0, 1], got {fraction}")
    if solution.is_open:
        return 0.0
    rows = solution.backbone.resistors
    count = max(1, round(fraction * len(rows)))
    return float(np.sum(np.sort(solution.power_shares[rows])[-count:]))


def largest_power(solution: Solution, voltage: float) -> float:
    """Largest power in a single resistor [W] at a voltage across the network [V]."""
    if solution.is_open:
        return 0.0
    return float(solution.power_shares.max()) * voltage**2 / solution.resistance


def noise_index(solution: Solution) -> float:
    r"""Relative 1/f noise of the network, for resistors that fluctuate alike and apart.

    Returns
    -------
    float
        :math:`\sum i^4 r^2 / (\sum i^2 r)^2`: relative noise power of the network over that
        of one resistor; 1 for one resistor, 1/N for N equal ones in series or side by side,
        0 if open.

    Notes
    -----
    Rammal, Tannous, Breton & Tremblay, "Flicker (1/f) noise in percolation networks: a new
    hierarchy of exponents", Phys. Rev. Lett. 54, 1718 (1985).

    """
    return float(np.sum(solution.power_shares**2))


@dataclass(frozen=True, slots=True)
class CriticalPath:
    """The path whose weakest resistor is strongest.

    Parameters
    ----------
    bottleneck : float
        Conductance of its weakest resistor [S]; 0 if open.
    resistance : float
        Of the path alone [ohm], never below that of the network; inf if open.
    resistors : (k,) ndarray of int
        Its rows, from source to sink.

    """

    bottleneck: float
    resistance: float
    resistors: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze(self)


def critical_path(network: Network) -> CriticalPath:
    """Find the path with the widest bottleneck.

    Parameters
    ----------
    network : Network
        Any resistors.

    Returns
    -------
    CriticalPath
        The path of the tree of best conductors.

    Notes
    -----
    Ambegaokar, Halperin & Langer, "Hopping conductivity in disordered systems", Phys. Rev.
    B 4, 2612 (1971): with conductances over many decades the bottleneck sets the scale of
    the answer. It is an estimate of scale, not of the value.

    """
    _, up = strongest_tree(
        network.n_nodes,
        # both as `solve_network` has them: compiled once
        network.resistors,
        network.conductances.copy(),
        network.sink,
    )
    path = path_up(network.resistors, up, network.source)
    if not len(path):
        return CriticalPath(0.0, float("inf"), path)
    g = network.conductances[path]
    return CriticalPath(float(g.min()), float(np.sum(1.0 / g)), path)


def effective_medium_conductance(conductances: ArrayLike, coordination: float) -> float:
    r"""Single conductance that may stand for all of a random network.

    Parameters
    ----------
    conductances : array_like
        Of the resistors [S], zeros included where resistors are absent.
    coordination : float
        Mean number of resistors that meet at a node, z > 2, absent ones counted.

    Returns
    -------
    float
        :math:`g_m` with :math:`\sum (g - g_m)/(g + (z/2 - 1) g_m) = 0` [S]; 0 below the
        effective-medium threshold, a share 2/z of resistors present.

    Notes
    -----
    Kirkpatrick, "Percolation and conduction", Rev. Mod. Phys. 45, 574 (1973). Good far
    above the threshold and for a modest spread; given for comparison.

    """
    g = np.asarray(conductances, dtype=np.float64).ravel()
    if g.size == 0 or not np.isfinite(g).all() or g.min() < 0.0:
        raise ValueError("conductances must be finite, not negative, and at least one")
    if not coordination > 2.0:
        raise ValueError(f"coordination must be above 2, got {coordination}")
    c = 0.5 * coordination - 1.0
    if np.mean(g > 0.0) * (1.0 + c) <= 1.0:
        return 0.0

    def excess(log_medium: float) -> float:
        medium = np.exp(log_medium)
        return float(np.sum((g - medium) / (g + c * medium)))

    low, high = np.log(g[g > 0.0].min()), np.log(g.max())
    while excess(low) < 0.0:
        low -= 10.0
    # the sum falls from above to below zero: halve until neighbouring numbers
    for _ in range(200):
        middle = 0.5 * (low + high)
        if not low < middle < high:
            break
        if excess(middle) > 0.0:
            low = middle
        else:
            high = middle
    return float(np.exp(high))
