"""Stage 8. Outlooks -> what to do: cast to learn, ready, or nothing here will do.

The rule is one for a bench: at most three cups, films at every gap of each. Let A be the
probability that a recipe passes and keeps every other limit, B that it passes at all, V_A
and V_B the same for any gap of a loading, U_A and U_B for any recipe, and a, b the largest
A and B among recipes whose films of one cup passed.

1. a >= 0.55: ready.
2. Fewer than three cups and U_A >= 0.50: cast where V_A + V_B/4 is largest.
3. b >= 0.55: ready, its spread not assured.
4. Fewer than three cups and U_B >= 0.40: cast where V_B + V_A/4 is largest.
5. Nothing here will do.

The numbers come from simulated campaigns (`benchmarks/campaigns.py`, 60 worlds of seed
4812). A is stated with the bench's own scatter unknown: of what passed with A of 0.5 to
0.7, 79 % was good. Before the first cup the loading with the largest V_A + V_B/4 is cast,
however small it is, unless no recipe has a chance worth a cup.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from percsim.decision.outlook import Band, Outlook, hold
from percsim.decision.target import Target

__all__ = [
    "Change",
    "Cup",
    "Decision",
    "State",
    "Trial",
    "Why",
    "changes",
    "decide",
    "imagined",
]

Floats = NDArray[np.float64]

SURE = 0.55
"""A from which a recipe that passed is ready."""
SURE_WINDOW = 0.55
"""B from which it is, its spread not assured."""
WORTH_A_CUP = 0.50
"""U_A from which another cup is worth casting."""
WINDOW_WORTH_A_CUP = 0.40
"""U_B from which it is, for a recipe that passes."""
WORTH_A_FIRST = 0.02
"""V_B below which not even a first cup is (judgement)."""
MOST_CUPS = 3
"""Cups after which the rule stops."""
FILMS = 3
"""Films of one cup at each gap."""
BINS = 16
"""Intervals of equal probability that an imagined reading is sorted into, besides open."""


class State(StrEnum):
    """What to do."""

    LEARN = "cast to learn"
    READY = "ready"
    NOTHING = "nothing here will do"


class Why(StrEnum):
    """What the state rests on."""

    FIRST = "first cup"
    PROBABLE = "a recipe that does everything is probable"
    WINDOW = "a recipe that passes is probable, its spread is not"
    WAITING = "films of one cup passed at rest and were not read under strain"
    PROVED = "films of one cup passed, and everything else is probable"
    PROVED_WINDOW = "films of one cup passed, the spread is not assured"
    IMPROBABLE = "no recipe is probable enough"
    SPENT = "three cups were cast and none is probable enough"
    UNKNOWN_THRESHOLD = "the threshold of this powder has to be measured"


@dataclass(frozen=True, slots=True)
class Trial:
    """Films of one cup that were read.

    Parameters
    ----------
    recipe : int
        Index of their recipe.
    passed : bool
        Whether `FILMS` of them or more conduct and pass in the mean.
    waits : bool
        Whether they do at rest, and were not read under strain.

    """

    recipe: int
    passed: bool
    waits: bool = False


@dataclass(frozen=True, slots=True)
class Cup:
    """A cup to cast.

    Parameters
    ----------
    mix : int
        Which mix it is of.
    weight_fraction : float
        Its loading.
    recipes : tuple of int
        Its films, by index, one a gap.
    films : int
        Of each.
    resistance : tuple of Band
        R of one casting of each [ohm].
    open_chance : float
        Probability that its films are open.
    all_limits, window : float
        V_A and V_B: that some gap of it does everything, and passes.
    minutes : float
        What it costs.

    """

    mix: int
    weight_fraction: float
    recipes: tuple[int, ...]
    films: int
    resistance: tuple[Band, ...]
    open_chance: float
    all_limits: float
    window: float
    minutes: float


@dataclass(frozen=True, slots=True)
class Change:
    """One change and what it would do.

    Parameters
    ----------
    what : str
        "gap", "loading", "window", "tolerance" or "limit".
    name : str
        Which tolerance or limit; empty otherwise.
    value : float
        What it becomes, SI; of a window the factor by which both ends move.
    probability : float
        P of the best recipe then.

    """

    what: str
    name: str
    value: float
    probability: float


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do, with numbers and no text.

    Parameters
    ----------
    state : State
        One of three.
    why : Why
        What it rests on.
    best : int
        Recipe with the largest probability: that claimed when ready.
    all_limits, window : tuple of float
        A and B of every recipe.
    any_recipe, any_window : float
        Probability that some recipe does everything, and that some passes.
    cup : Cup or None
        What to cast next; when ready a cup that proves it again, None when nothing will do.
    cups : int
        Cups cast so far.
    afterwards : float
        Expected A of the recipe that will look best once films of the next cup are read;
        of the cup that tells most where none is worth casting.
    changes : tuple of Change
        What would do most, the most first; none unless asked for.

    """

    state: State
    why: Why
    best: int
    all_limits: tuple[float, ...]
    window: tuple[float, ...]
    any_recipe: float
    any_window: float
    cup: Cup | None
    cups: int
    afterwards: float
    changes: tuple[Change, ...] = ()

    @property
    def probability(self) -> float:
        """P of the best recipe."""
        return self.all_limits[self.best]


def decide(
    outlooks: Sequence[Outlook],
    target: Target,
    *,
    tested: Sequence[Trial] = (),
    cups: int = 0,
    castable: Callable[[float], bool] = lambda _: True,
    minutes_per_cup: float = 60.0,
    minutes_per_film: float = 10.0,
    withheld: bool = False,
) -> Decision:
    """Say what to do.

    Parameters
    ----------
    outlooks : sequence of Outlook
        Every recipe, over the same draws.
    target : Target
        What is asked.
    tested : sequence of Trial
        Films that were read.
    cups : int
        Cups that they came from.
    castable : callable
        Whether a weight fraction can be cast.
    minutes_per_cup, minutes_per_film : float
        What a cup and a film cost.
    withheld : bool
        Whether no loading is decided because the threshold cannot be foreseen.

    Raises
    ------
    ValueError
        If there is no recipe.

    """
    if not outlooks:
        raise ValueError("at least one recipe is needed")
    w = outlooks[0].weights
    held = hold(outlooks, target)
    passes, every = (np.stack([h[k] for h in held]) for k in (0, 1))
    A, B = every @ w, passes @ w
    open_share = np.stack([o.open_shares for o in outlooks])
    loadings: dict[tuple[int, float], list[int]] = {}
    for i, o in enumerate(outlooks):
        loadings.setdefault(_key(o), []).append(i)
    able = {k: v for k, v in loadings.items() if castable(k[1])} or loadings
    V_A = {k: float(every[v].any(axis=0) @ w) for k, v in able.items()}
    V_B = {k: float(passes[v].any(axis=0) @ w) for k, v in able.items()}
    these = [i for mine in able.values() for i in mine]
    any_recipe, any_window = (float(x[these].any(axis=0) @ w) for x in (every, passes))
    passed = [t.recipe for t in tested if t.passed]
    a = max((float(A[i]) for i in passed), default=0.0)
    b = max((float(B[i]) for i in passed), default=0.0)
    # where all are open the one nearest to conducting
    near = 1e-9 * np.array([o.recipe.loading.volume_fraction for o in outlooks])
    best = int(np.argmax(A + 0.25 * B + 1e-6 * (1.0 - open_share @ w) + near))
    key: tuple[int, float] | None = None
    if withheld and not tested:
        state, why, key = State.LEARN, Why.UNKNOWN_THRESHOLD, _middle(list(able))
    elif a >= SURE:
        state, why = State.READY, Why.PROVED
        best = max(passed, key=lambda i: A[i])
        key = _key(outlooks[best])
    elif any(A[t.recipe] >= SURE for t in tested if t.waits):
        state, why = State.LEARN, Why.WAITING
        key = _key(outlooks[max((t.recipe for t in tested if t.waits), key=lambda i: A[i])])
    elif cups == 0 and max(V_B.values()) >= WORTH_A_FIRST:
        state, why = State.LEARN, Why.FIRST
        key = max(able, key=lambda k: V_A[k] + 0.25 * V_B[k])
    elif cups < MOST_CUPS and any_recipe >= WORTH_A_CUP:
        state, why = State.LEARN, Why.PROBABLE
        key = max(able, key=lambda k: V_A[k] + 0.25 * V_B[k])
    elif b >= SURE_WINDOW:
        state, why = State.READY, Why.PROVED_WINDOW
        best = max(passed, key=lambda i: B[i])
        key = _key(outlooks[best])
    elif cups < MOST_CUPS and any_window >= WINDOW_WORTH_A_CUP:
        state, why = State.LEARN, Why.WINDOW
        key = max(able, key=lambda k: V_B[k] + 0.25 * V_A[k])
    else:
        state = State.NOTHING
        why = Why.SPENT if cups >= MOST_CUPS else Why.IMPROBABLE
    cup = None
    if key is not None:
        mine = loadings[key]
        cost = minutes_per_cup + minutes_per_film * FILMS * len(mine)
        cup = Cup(
            key[0], key[1], tuple(mine), FILMS,
            tuple(outlooks[i].casting_band() for i in mine),
            float(open_share[mine[0]] @ w),
            float(every[mine].any(axis=0) @ w), float(passes[mine].any(axis=0) @ w), cost,
        )  # fmt: skip
    cast = list(able.values()) if key is None else [loadings[key]]
    afterwards = max(_afterwards(outlooks[mine[0]], every, w) for mine in cast)
    return Decision(
        state, why, best, tuple(map(float, A)), tuple(map(float, B)),
        any_recipe, any_window, cup, cups, afterwards,
    )  # fmt: skip


def _key(o: Outlook) -> tuple[int, float]:
    return o.recipe.mix, o.recipe.loading.weight_fraction


def _middle(keys: Sequence[tuple[int, float]]) -> tuple[int, float]:
    return sorted(keys)[len(keys) // 2]


def _afterwards(o: Outlook, every: NDArray[np.bool_], w: Floats) -> float:
    """Give the expected largest A once films of a recipe were read.

    Expected value of sample information (Raiffa & Schlaifer, Applied Statistical Decision
    Theory, 1961, ch. 5; from memory): draws are sorted by what films of them would read,
    and the best recipe of each sort counts.
    """
    group = imagined(o, FILMS)
    return sum(
        float((every[:, group == g] @ w[group == g]).max()) for g in np.unique(group)
    )


def imagined(o: Outlook, films: int) -> NDArray[np.int64]:
    """Sort the draws by what the mean of a few films would read, (n,).

    Into `BINS` intervals of equal probability, and one more where films are open.
    """
    w, level = o.weights, o.rest[:, o.nominal]
    noise = np.random.default_rng(len(w)).standard_normal(len(w))
    reading = level + o.scatter / np.sqrt(films) * noise
    is_open = np.isinf(level)
    order = np.argsort(reading, kind="stable")
    place = np.empty(len(w))
    place[order] = np.cumsum(w[order])
    closed = float(w[~is_open].sum())
    group = np.full(len(w), BINS)
    if closed > 0.0:
        part = place[~is_open] / closed * BINS
        group[~is_open] = np.minimum(part.astype(int), BINS - 1)
    return group


def changes(
    candidates: Sequence[tuple[str, str, float, Callable[[], float]]],
) -> tuple[Change, ...]:
    """Work out what changes would do, the most first.

    Parameters
    ----------
    candidates : sequence of (what, name, value, callable)
        As the fields of `Change`; the callable gives P of the best recipe after it.

    """
    made = [Change(what, name, value, again()) for what, name, value, again in candidates]
    return tuple(sorted(made, key=lambda change: -change.probability))
