r"""Stage 7. What contacts that remember do to the material of a film, on any history.

Of the contacts of one opening those conduct that break beyond an edge, which openings lift
and, once they have fallen to `reclose` of it, lower again. With breaking openings drawn
log-normal the conducting share, its weighted share and mean opening follow in closed form
with that edge in place of the opening, and so does how much of what conducts is scarred. A
few boxes a loading are solved on a short history at settings of the memory: what they
add to ln R over the same boxes without memory is fitted to what it adds to these numbers,

.. math:: \Delta\ln\rho \approx k\,\beta\,\Delta\langle\delta\rangle
          + \frac{\Delta\ln A\,a + \Delta\ln S\,s}{1 - \phi_c/\phi}
          - c \ln(\mathrm{healed})\,\langle\mathrm{scar}\rangle,

and settings held out of the fit say how well.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from percsim.film.regress import Regressions
from percsim.states.history import History, returned

__all__ = [
    "MEMORY", "MEMORY_PRIOR", "Contacts", "MemorySurface", "Pulls", "Walk",
    "memory_numbers",
]  # fmt: skip

Floats = NDArray[np.float64]

MEMORY = {"reclose": 1.0, "healed": 1.0, "recovery": 0.0, "relaxed": 0.0}
"""Parameters of the memory, with their values for none."""

GROUPS = (10, 4)
"""Groups that sampled contacts are averaged in, by how far strain and warmth open them."""

MEMORY_PRIOR = (np.array([0.0, -0.6, -0.8, 1.0]), 0.5)
"""Weights of the four numbers before any box, and their standard deviation: by trial on
boxes at 1.6, 2 and 2.6 times their threshold."""


@dataclass(frozen=True, slots=True)
class Pulls:
    """Boxes of one loading solved with memories, past visits.

    Parameters
    ----------
    of : (m,) ndarray of int
        Setting of the law of each memory, 0 as planned, else 1 more than its place.
    reclose, healed : (m,) ndarray of float
        The memories.
    visits : tuple of int
        The visits, by their index among those of the loading.
    conductances : (n boxes, m, visits) ndarray of float
        [S].

    """

    of: NDArray[np.int64]
    reclose: Floats
    healed: Floats
    visits: tuple[int, ...]
    conductances: Floats = field(repr=False)


@dataclass(frozen=True, slots=True)
class Contacts:
    """Groups of sampled contacts, and how each opens.

    Parameters
    ----------
    strains : (s,) ndarray of float
        Rising, two at least.
    opened, stretched : (s, c) ndarray of float
        Relative opening at those without swelling, and per unit of swelling.
    counts, weights : (c,) ndarray of float
        How many of all contacts each stands for, and that weighted by the square of their
        length along the current; together 1 each.

    """

    strains: Floats
    opened: Floats = field(repr=False)
    stretched: Floats = field(repr=False)
    counts: Floats = field(repr=False)
    weights: Floats = field(repr=False)

    @classmethod
    def grouped(
        cls,
        weights: Floats,
        opened: Mapping[float, Floats],
        stretched: Mapping[float, Floats],
    ) -> Contacts:
        """Average contacts (c,) in groups of those that open alike."""
        strains = np.array(sorted(opened))
        far = float(strains[np.abs(strains).argmax()])
        by_strain, by_warmth = opened[far], stretched[0.0]
        columns = np.array_split(np.argsort(by_strain, kind="stable"), GROUPS[0])
        groups = [
            rows[part]
            for rows in columns
            for part in np.array_split(
                np.argsort(by_warmth[rows], kind="stable"), GROUPS[1]
            )
            if len(part)
        ]
        share = weights / weights.sum()

        def means(known: Mapping[float, Floats]) -> Floats:
            return np.array([[known[e][rows].mean() for rows in groups] for e in strains])

        parts = [means(opened), means(stretched)]
        if len(strains) == 1:
            strains = np.append(strains, strains + 1e-6)
            parts = [np.vstack([part, part]) for part in parts]
        return cls(
            strains, parts[0], parts[1],
            np.array([len(rows) / len(weights) for rows in groups]),
            np.array([share[rows].sum() for rows in groups]),
        )  # fmt: skip

    def places(self, strains: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Step that strains (n, v) lie in, and how far on; the last steps go on."""
        k = np.searchsorted(self.strains, strains, side="right") - 1
        k = np.clip(k, 0, len(self.strains) - 2)
        low, high = self.strains[k], self.strains[k + 1]
        return k.astype(np.int64), (strains - low) / (high - low)


@dataclass(frozen=True, slots=True)
class Walk:
    """A history as contacts feel it, for n draws of the memory.

    Parameters
    ----------
    strains : (n, v) ndarray of float
        Felt at every visit.
    temperatures : (v,) ndarray of float
        [K].
    closes, kept : (n, v) ndarray of float
        As `percsim.states.history.Memory.along`.
    healed : (n,) ndarray of float
        Share of its conductance that a contact has that closed again.
    asked : tuple of int
        Where nothing fades and all draws feel the same strains: the visits of interest.

    """

    strains: Floats
    temperatures: Floats
    closes: Floats = field(repr=False)
    kept: Floats = field(repr=False)
    healed: Floats = field(repr=False)
    asked: tuple[int, ...] = ()

    @classmethod
    def of(cls, history: History, values: Mapping[str, Floats]) -> Walk:
        """Of draws (n,) of the parameters of `MEMORY`."""
        back = returned(values["recovery"], history)
        before = np.where(history.rested > 0.0, np.roll(back, 1, axis=1), 0.0)
        had = np.where(before < 1.0, 1.0 - before, 1.0)
        reclose = values["reclose"][:, None]
        return cls(
            history.felt(values["relaxed"]), history.temperatures,
            reclose + back * (1.0 - reclose), (1.0 - back) / had, values["healed"],
        )  # fmt: skip

    @classmethod
    def through(
        cls,
        strains: ArrayLike,
        temperatures: ArrayLike,
        values: Mapping[str, Floats],
        asked: Iterable[int],
    ) -> Walk:
        """Past visits (v,) without times: nothing fades, no rest brings anything back."""
        n, e = len(values["reclose"]), np.asarray(strains, dtype=np.float64)
        closes = np.broadcast_to(values["reclose"][:, None], (n, len(e)))
        return cls(
            np.broadcast_to(e, (n, len(e))), np.asarray(temperatures, dtype=np.float64),
            closes, np.ones((n, len(e))), values["healed"], tuple(asked),
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class MemorySurface:
    """What memory adds to ln rho of K loadings.

    Parameters
    ----------
    contacts : Contacts
        How contacts open.
    fits : Regressions
        Weights of the four numbers at every loading.

    """

    contacts: Contacts = field(repr=False)
    fits: Regressions = field(repr=False)


def memory_numbers(
    contacts: Contacts, settings: Floats, swelling: Floats, near: Floats, walk: Walk
) -> Floats:
    """Give what memory changes, over the same film without at the same felt strain.

    Parameters
    ----------
    contacts : Contacts
        How contacts open.
    settings : (n, 4) ndarray of float
        beta, delta_b, lambda_T and closed_at.
    swelling : (n, v, K) ndarray of float
        Thermal strain at the contacts.
    near : (n, v, K) ndarray of float
        1/(1 - phi_c/phi).
    walk : Walk
        What the film goes through.

    Returns
    -------
    (n, v, K, 4) ndarray of float
        beta times the mean opening; ln of the share weighted along the current and ln of
        the conducting share, both over the distance from the threshold; and what scars take
        off ln of the conductances.

    Notes
    -----
    Of scarred and whole conductances the square roots are averaged: by trial between what
    averages of the conductances and of their logarithms give, and with a weight of 1.

    """
    K = swelling.shape[2]
    averages = _timeless if walk.asked else _timed
    # loadings swell nearly alike: the least and the most, and between them a straight line
    ends = swelling.min(axis=2), swelling.max(axis=2)
    same = bool((ends[0] == ends[1]).all())
    root = 1.0 - np.sqrt(walk.healed)[:, None]
    found = []
    for swollen in ends[: 1 if same else 2]:
        out = averages(contacts, walk, swollen, settings[:, 1])
        small = np.maximum(out[..., [0, 1, 3, 4]], 1e-12)
        found.append(
            np.stack(
                [
                    settings[:, :1] * (out[..., 2] - out[..., 5]),
                    np.log(small[..., 1] / small[..., 3]),
                    np.log(small[..., 0] / small[..., 2]),
                    -2.0 * np.log(1.0 - root * np.minimum(out[..., 6], 1.0)),
                ],
                axis=-1,
            )
        )
    if same:
        numbers = np.repeat(found[0][:, :, None], K, axis=2)
    else:
        width = ends[1] - ends[0]
        share = (swelling - ends[0][..., None]) / np.where(width > 0.0, width, 1.0)[
            ..., None
        ]
        numbers = share[..., None] * (found[1] - found[0])[:, :, None]
        numbers += found[0][:, :, None]
    numbers[..., 1:3] *= near[..., None]
    return np.asarray(numbers)


def _timed(contacts: Contacts, walk: Walk, swelling: Floats, delta_b: Floats) -> Floats:
    """Averages over contacts (n, v, 7) of any walk, as `kernels.memory.remembered`."""
    from percsim.kernels.memory import remembered  # decisions are made without compiling

    segments, places = contacts.places(walk.strains)
    made = map(np.ascontiguousarray, (swelling, delta_b, walk.closes, walk.kept))
    return np.asarray(
        remembered(
            contacts.opened, contacts.stretched, contacts.counts, contacts.weights,
            segments, places, *made,
        )
    )  # fmt: skip


def _timeless(contacts: Contacts, walk: Walk, swelling: Floats, delta_b: Floats) -> Floats:
    """Give the same where nothing fades: scars fill spans of ln(breaking opening).

    Zeros at visits that were not asked for.
    """
    (segments,), (places,) = contacts.places(walk.strains[:1])
    out = np.zeros((*swelling.shape, 7))
    middle, scars = np.log(delta_b)[:, None], list[tuple[Floats, Floats]]()

    def beyond(place: Floats) -> Floats:
        return np.asarray(ndtr(middle - place))

    def told(opening: Floats, at: Floats, edge: Floats) -> Floats:
        plain = beyond(at)
        share = plain if np.array_equal(edge, at) else beyond(edge)
        scarred = np.zeros_like(share)
        for low, high in scars:
            if (high > np.maximum(low, edge)).any():
                left = beyond(np.maximum(low, edge)) - beyond(np.maximum(high, edge))
                scarred += np.maximum(left, 0.0)
        of = contacts.counts, contacts.weights
        return np.stack(
            [
                np.einsum("nc,c->n", part, of[weighted])
                for part, weighted in (
                    (share, 0), (share, 1), (share * opening, 1), (plain, 0), (plain, 1),
                    (plain * opening, 1), (scarred, 1),
                )
            ], axis=-1,
        )  # fmt: skip

    edge, last = np.full((1, 1), np.nan), max(walk.asked)
    for q, (s, a) in enumerate(zip(segments[: last + 1], places, strict=False)):
        opened, stretched = (
            (1.0 - a) * part[s] + a * part[s + 1]
            for part in (contacts.opened, contacts.stretched)
        )
        opening = np.maximum(opened + swelling[:, [q]] * stretched, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            at = np.log(opening)
            shut = at - np.log(walk.closes[:, [q]])
        before, edge = edge, np.where(at > edge, at, np.fmin(edge, shut)) if q else at
        if q in walk.asked:
            out[:, q] = told(opening, at, edge)
        if q < last and (edge > before).any():
            scars = _scarred(scars, np.minimum(before, edge), edge)
    out[..., [2, 6]] /= np.maximum(out[..., [1]], 1e-300)
    out[..., 5] /= np.maximum(out[..., 4], 1e-300)
    return out


def _scarred(
    scars: list[tuple[Floats, Floats]], low: Floats, high: Floats
) -> list[tuple[Floats, Floats]]:
    """Add spans (n, c) to spans that do not overlap, so that none does."""
    inside = np.zeros(low.shape, dtype=bool)
    kept = []
    for first, last in scars:
        holds = (first <= low) & (high <= last)
        kept.append(
            (
                np.where((first >= low) & ~holds, np.maximum(first, high), first),
                np.where((first < low) & ~holds, np.minimum(last, low), last),
            )
        )
        inside |= holds
    return [*kept, (np.where(inside, high, low), high)]
