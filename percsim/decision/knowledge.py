r"""Stage 8. What is known of contacts, threshold and bench: weighted draws.

A draw fixes the parameters of the contacts, the real threshold over the simulated one, the
simulation error, and one scale on all tolerances of the bench. `planned` repeats the plan's
own numbers with the simulation error alone, `day_one` draws what is assumed, `measured`
(`decision.posterior`) what films that were read leave possible. Nothing downstream asks
which it is.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from percsim.boxes.statistics import weighted_quantiles
from percsim.decision.priors import Priors
from percsim.film.model import FilmModel, Material
from percsim.film.noise import NOISES
from percsim.states.history import History

__all__ = ["Band", "Knowledge", "day_one", "planned", "spread_points", "spread_steps"]

Floats = NDArray[np.float64]
Made = TypeVar("Made")

_PRIMES = (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43, 47, 53, 59, 61, 67, 71, 73,
           79, 83, 89)  # fmt: skip


MOST_READ = 60
"""Loadings of a material that are kept: those between, at one spread, are fewer."""
BEFORE_NOISE = 10
"""Columns of evenly spread numbers that those of the simulation error come after."""


def spread_points(
    n: int, dimensions: int, seed: np.random.SeedSequence, *, first: int = 0
) -> Floats:
    """Give standard normal numbers (n, dimensions) that fill space evenly.

    Parameters
    ----------
    n, dimensions : int
        Points, and numbers of each, 24 at most with `first`.
    seed : numpy.random.SeedSequence
        Seed of the shift.
    first : int
        Columns left out before.

    Notes
    -----
    Multiples of the roots of primes, modulo one, shifted at random (Richtmyer's sequence;
    Niederreiter, Random Number Generation and Quasi-Monte Carlo Methods, SIAM 1992, ch. 3,
    from memory). A column more renumbers none.

    """
    roots = np.sqrt(np.array(_PRIMES[first : first + dimensions]))
    shift = np.random.default_rng(seed).random(dimensions)
    u = np.modf(np.arange(1, n + 1)[:, None] * roots + shift)[0]
    return np.asarray(ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)))


@cache
def spread_steps(n: int) -> Floats:
    """Give every draw a standard normal number from each equal share of them, (n, steps).

    Five shares, more where draws are few; another place within them for every draw, so
    that bands over draws see every number.
    """
    steps = max(5, -(-2000 // n))
    places = np.modf(0.5 + np.arange(n) * np.sqrt(59.0))[0]
    u = (np.arange(steps) + places[:, None]) / steps
    return np.asarray(ndtri(np.clip(u, 1e-12, 1.0 - 1e-12)))


@dataclass(frozen=True, slots=True)
class Band:
    """Median, 5 and 95 %."""

    median: float
    p05: float
    p95: float

    @classmethod
    def of(cls, values: Floats, weights: Floats | None = None) -> Band:
        """Of values, weighted alike by default; inf and -inf are values."""
        found = weighted_quantiles(values, (0.5, 0.05, 0.95), weights)
        return cls(*(float(x) for x in found))

    def exp(self) -> Band:
        """Of the exponential; what overflows is as good as open."""
        with np.errstate(over="ignore"):
            return Band(*(float(np.exp(x)) for x in (self.median, self.p05, self.p95)))


@dataclass(frozen=True)
class Knowledge:
    """Weighted draws of what is not known.

    Parameters
    ----------
    basis : {"planned", "day one", "measured"}
        Who made them, for the words alone.
    priors : Priors
        What was known before any film.
    z : (n, k) ndarray of float
        Standard normal coordinates, one column a number of `priors` that is not fixed.
    values : mapping of str to (n,) ndarray of float
        Every number by symbol, SI; `threshold` is the real one over the simulated one.
    weights : (n,) ndarray of float
        Weight of each draw, together 1.
    noise : (n, NOISES) ndarray of float
        Standard normal numbers of the simulation error.
    scale : (n,) ndarray of float
        Scatter of the bench over that planned.

    """

    basis: str
    priors: Priors
    z: Floats = field(repr=False)
    values: Mapping[str, Floats] = field(repr=False)
    weights: Floats = field(repr=False)
    noise: Floats = field(repr=False)
    scale: Floats = field(repr=False)
    _last: list[Any] = field(default_factory=list, init=False, repr=False, compare=False)
    _read: dict[object, Any] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __len__(self) -> int:
        return len(self.weights)

    @cached_property
    def contacts(self) -> dict[str, Floats]:
        """Parameters of the contacts, without the threshold."""
        return {name: v for name, v in self.values.items() if name != "threshold"}

    @property
    def log_factor(self) -> Floats:
        """Ln of the real threshold over the simulated one, (n,)."""
        return np.asarray(np.log(self.values["threshold"]))

    @property
    def effective_size(self) -> float:
        """Equal draws that would tell as much, 1 / sum of squared weights."""
        return float(1.0 / (self.weights**2).sum())

    def draw(self, i: int) -> dict[str, float]:
        """Every number of one draw, SI; `threshold` is the real one over the simulated."""
        return {name: float(v[i]) for name, v in self.values.items()}

    def some(self, rows: slice | NDArray[np.int64]) -> Knowledge:
        """Pick some of the draws, weights as they are."""
        return replace(
            self, z=self.z[rows], values={k: v[rows] for k, v in self.values.items()},
            weights=self.weights[rows], noise=self.noise[rows], scale=self.scale[rows],
        )  # fmt: skip

    def band(self, values: Floats) -> Band:
        """Of one number a draw."""
        return Band.of(values, self.weights)

    def own_threshold(self, model: FilmModel) -> Floats:
        """Film's own threshold at every draw, before the real one's factor, (n,)."""
        return model.own_threshold(self.contacts, noise=self.noise)

    def threshold(self, model: FilmModel) -> Band:
        """Real threshold of films at rest and 20 C, as volume fraction below one."""
        own = self.own_threshold(model) * self.values["threshold"]
        return self.band(np.minimum(own, 1.0 - 1e-9))

    def material(self, model: FilmModel, states: list[int] | None = None) -> Material:
        """Materials of a mix at every draw; asked for again and again, the last is kept."""
        if not (self._last and self._last[0] is model and self._last[1] == states):
            material = model.material(self.contacts, self.noise, states)
            self._last[:] = model, states, material
            self._read.clear()
        made: Material = self._last[2]
        return made

    def read_once(self, name: object, read: Callable[[], Made]) -> Made:
        """Give what was read of the last material under a name, or read it.

        Other films of a loading, and tolerances that leave it, need no second reading.
        """
        if name not in self._read:
            while len(self._read) >= MOST_READ:
                del self._read[next(iter(self._read))]
            self._read[name] = read()
        made: Made = self._read[name]
        return made

    def along(self, model: FilmModel, history: History) -> Material:
        """Materials of a mix at every draw and visit of a history."""
        return model.along(self.contacts, history, self.noise)


def planned(
    priors: Priors,
    parameters: Mapping[str, float],
    seed: np.random.SeedSequence,
    n: int = 256,
) -> Knowledge:
    """Repeat the plan's own numbers; only the simulation is uncertain.

    Parameters
    ----------
    priors : Priors
        What is not known.
    parameters : mapping of str to float
        Of the contacts as planned, SI.
    seed : numpy.random.SeedSequence
        Seed of the simulation error.
    n : int
        Draws of it.

    """
    values = {name: np.full(n, value) for name, value in parameters.items()}
    return Knowledge(
        "planned", priors, np.zeros((n, len(priors.free))),
        values | {"threshold": np.ones(n)}, np.full(n, 1.0 / n),
        spread_points(n, NOISES, seed, first=BEFORE_NOISE), np.ones(n),
    )  # fmt: skip


def day_one(
    priors: Priors,
    seed: np.random.SeedSequence,
    n: int = 1024,
    scale_spread: float = 0.0,
) -> Knowledge:
    """Draw what is assumed before any film.

    Parameters
    ----------
    priors : Priors
        Its distributions.
    seed : numpy.random.SeedSequence
        Seed of the draws.
    n : int
        Draws.
    scale_spread : float
        Standard deviation of ln of the bench's scatter over that planned.

    """
    k = len(priors.free)
    z = spread_points(n, BEFORE_NOISE + NOISES, seed)
    own = z[:, 1 : k + 1]
    return Knowledge(
        "day one", priors, own, priors.values(own), np.full(n, 1.0 / n),
        z[:, BEFORE_NOISE:], np.exp(scale_spread * z[:, 0]),
    )  # fmt: skip
