r"""Stage 5. One box along a history: contacts that break, close again and carry scars.

Every contact is a relay: it breaks above the opening :math:`b_i = \delta_b X_i` of its own,
closes at or below :math:`\mathrm{reclose}\, b_i`, and conducts `healed` times as well from
then on. All of them together are a Preisach model whose hysterons are the contacts, so that
what a box remembers of a path without times are its turning points, see `Memory` for what
rest brings back. States that a history comes back to are solved once.

References
----------
.. [1] Mayergoyz, "Mathematical models of hysteresis", Phys. Rev. Lett. 56, 1518 (1986).
   https://doi.org/10.1103/PhysRevLett.56.1518 (return points and wiping out; from memory)

"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from percsim.kernels.memory import advance
from percsim.network.build import Network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.neighbours import Neighbours
from percsim.network.opened import OpenedBox
from percsim.network.solve import Sweep
from percsim.states.history import History, Memory
from percsim.values import freeze

__all__ = ["Remembered", "solve_history"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Remembered:
    """One box at every visit of a history.

    Parameters
    ----------
    resistances, lower, upper : (v,) ndarray of float
        Resistance and its proven bounds [ohm]; inf where open.
    conducting, scarred : (v,) ndarray of float
        Shares of the links that conduct, and that conduct with a scar.
    states : (v,) ndarray of int
        Which of the distinct networks each visit is, numbered as they come.

    """

    resistances: Floats
    lower: Floats
    upper: Floats
    conducting: Floats
    scarred: Floats
    states: NDArray[np.int64]

    def __post_init__(self) -> None:
        freeze(self)

    def __len__(self) -> int:
        return len(self.resistances)

    @property
    def solves(self) -> int:
        """Networks that were solved."""
        return int(self.states.max()) + 1

    def __repr__(self) -> str:
        return (
            f"Remembered: {len(self)} visits of {self.solves} networks, "
            f"{self.resistances.min():.6g} to {self.resistances.max():.6g} ohm"
        )


def solve_history(
    box: OpenedBox,
    law: ContactOpeningLaw,
    memory: Memory,
    history: History,
    *,
    relaxed: float = 0.0,
    share: float | None = None,
    tolerance: float = 1e-7,
) -> Remembered:
    """Solve a box along a history.

    Parameters
    ----------
    box : OpenedBox
        The box; its links that conduct at the first visit have never been broken, the
        others never closed.
    law : ContactOpeningLaw
        As `OpenedBox.network` takes it.
    memory : Memory
        What its contacts remember.
    history : History
        What it goes through.
    relaxed : float
        See `History.felt`; with any, hardly a state comes back.
    share : float, optional
        lambda_T in place of the box's own.
    tolerance : float
        Largest relative distance between the proven bounds of a resistance.

    Returns
    -------
    Remembered
        The same digits for the same arguments: a box that was interrupted is done again
        from the start of its history.

    Raises
    ------
    ConvergenceError
        As of `solve_network`.

    """
    walk = _Walk.of(box, law, memory, history, relaxed, share)
    ohms: list[tuple[float, float, float]] = []
    sweep, neighbours = Sweep(), None
    for state in walk.distinct:
        relative = box.relative_openings(state.strain, state.temperature, share)
        closed, factors = state.contacts(len(relative), memory.healed)
        if neighbours is not None:
            g = box.conductances(law, state.temperature, relative, closed, factors)
            ohms.append(neighbours.solve(g, tolerance))
            continue
        network = box.resistors(law, state.temperature, relative, closed, factors)
        found = sweep.solve(network, tolerance)
        ohms.append((found.resistance, found.lower, found.upper))
        if sweep.iterates:
            ever = np.ones(len(box.ends))
            ever[: len(relative)] = walk.ever
            neighbours = Neighbours(
                Network(network.n_nodes, box.ends, ever, network.source, network.sink),
                sweep,
            )
    resistances, lower, upper = np.array(ohms)[walk.states].T
    return Remembered(resistances, lower, upper, walk.conducting, walk.scarred, walk.states)


class _Contacts(NamedTuple):
    """A distinct state: where it is, and which contacts conduct and carry which scars."""

    strain: float
    temperature: float
    closed: bytes
    scars: bytes

    def contacts(self, m: int, healed: float) -> tuple[NDArray[np.bool_], Floats | None]:
        """Which of m conduct, and what their scars leave of their conductances."""
        closed = _unpacked(self.closed, m)
        if not self.scars:
            return closed, None
        if len(self.scars) == len(self.closed):
            return closed, np.where(_unpacked(self.scars, m), healed, 1.0)
        return closed, healed ** np.frombuffer(self.scars)


def _unpacked(bits: bytes, m: int) -> NDArray[np.bool_]:
    return np.unpackbits(np.frombuffer(bits, np.uint8), count=m).view(np.bool_)


class _Walk(NamedTuple):
    """The contacts of a box along a history, before anything is solved."""

    distinct: list[_Contacts]
    states: NDArray[np.int64]
    ever: NDArray[np.bool_]
    conducting: Floats
    scarred: Floats

    @classmethod
    def of(
        cls,
        box: OpenedBox,
        law: ContactOpeningLaw,
        memory: Memory,
        history: History,
        relaxed: float,
        share: float | None,
    ) -> _Walk:
        known: dict[_Contacts, int] = {}
        states, conducting, scarred = [], [], []
        breaks = box.breaks(law)
        m = max(len(breaks), 1)
        closed, broken, ever = np.zeros((3, len(breaks)), dtype=np.bool_)
        scars = np.zeros(len(breaks))
        path = zip(history.felt(relaxed).tolist(), history.temperatures.tolist(),
                   *memory.along(history), strict=True)  # fmt: skip
        for visit, (strain, temperature, closes, kept) in enumerate(path):
            relative = box.relative_openings(strain, temperature, share)
            if visit:
                advance(relative, breaks, closes, kept, closed, broken, scars)
            else:
                closed = relative <= breaks
            ever |= closed
            marks = b""
            carried = closed & (scars > 0.0)
            if memory.healed < 1.0 and carried.any():
                whole = not memory.recovery
                marks = (np.packbits(carried) if whole else scars * closed).tobytes()
            here = _Contacts(strain, temperature, np.packbits(closed).tobytes(), marks)
            states.append(known.setdefault(here, len(known)))
            conducting.append(np.count_nonzero(closed) / m)
            scarred.append(np.count_nonzero(carried) / m)
        return cls(
            list(known), np.array(states), ever, np.array(conducting), np.array(scarred)
        )
