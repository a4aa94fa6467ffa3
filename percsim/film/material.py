r"""Stage 7. The material of films between and beyond simulated loadings, draw by draw.

Along :math:`x = \ln(\phi/\phi_c - 1)` ln rho is a cubic between loadings and goes on in a
straight line beyond them; what a visit changes goes as A + B exp(-x) there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from percsim.film.electrodes import Film, Layout
from percsim.film.transfer import PUBLISHED_EXPONENT
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["Material", "slopes_along"]

Floats = NDArray[np.float64]

CLEAR_STEP = 0.12
"""Smallest difference of ln(volume fraction) that a slope is taken over: boxes that scatter
by 5 % then tell it to a fifth (judgement)."""

EXPONENT_ERROR = 0.3
"""Standard error of the published exponent where it stands for boxes (judgement):
conductivities of boxes between 1.3 and 2.2 times the threshold follow 1.5 to 1.8. Levels
below the lowest loading then hold what is true; changes with strain do not lean on it."""

FARTHEST = 4.0
"""Of x below the lowest loading, from where what strain changes grows no faster."""

LEAST_LOG = -600.0
"""Least ln of a resistivity [ln ohm m] that is told from a smaller one."""


@dataclass(frozen=True, slots=True)
class Material:
    """Materials of n draws at K loadings and S visits, and between them.

    Parameters
    ----------
    log_loadings : (K,) ndarray of float
        ln phi of the loadings.
    log_threshold : (n, 1) ndarray of float
        ln of the film's own threshold with contacts as in the boxes.
    x : (n, K, S) ndarray of float
        ln(phi/phi_c - 1) of the loadings.
    held, lowest : (n, K, S) ndarray of float
        What other contacts add to ln(phi/phi_c), without strain, and at the visit where
        that is less.
    logs, lengths : (n, K, S) ndarray of float
        ln rho [ln ohm m], inf where open, and electrode length [m].
    offset : (n, S) ndarray of float
        Added to ln R.
    slopes : (n, K, S) ndarray of float
        d ln rho / dx.
    first : (n,) ndarray of int
        First loading that says something of films.
    across : float
        Resistivity through the thickness over that along the film.
    rest : int
        Visit at rest.
    temperatures : tuple of float
        Of the visits [K]; those of one share `held` and `x`.
    doubts : (2, n, K, S) ndarray of float, optional
        What `AT_REST` and `UNDER_STRAIN` move ln rho by: errors of the fit of settings.

    """

    log_loadings: Floats
    log_threshold: Floats = field(repr=False)
    x: Floats = field(repr=False)
    held: Floats = field(repr=False)
    lowest: Floats = field(repr=False)
    logs: Floats = field(repr=False)
    lengths: Floats = field(repr=False)
    offset: Floats = field(repr=False)
    slopes: Floats = field(repr=False)
    first: NDArray[np.int64] = field(repr=False)
    across: float = 1.0
    rest: int = 0
    temperatures: tuple[float, ...] = (ROOM_TEMPERATURE,)
    doubts: Floats | None = field(default=None, repr=False)
    _made: dict[int, _Tables] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __len__(self) -> int:
        return len(self.offset)

    @property
    def log_own_threshold(self) -> Floats:
        """Ln of the film's own threshold at rest, (n,)."""
        held = self.held[:, :1, self.rest].sum(axis=1)
        return np.asarray(self.log_threshold[:, 0] - held)

    def picked(self, rows: NDArray[np.int64], offset: Floats | None = None) -> Material:
        """Materials of some draws, (m,) rows; with another offset (m, S) if given."""
        by_draw = "log_threshold x held lowest logs lengths slopes first".split()
        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in by_draw},
            offset=self.offset[rows] if offset is None else offset,
            doubts=None,
        )

    def layout(self, film: Film) -> Layout:
        """Electrodes of a film on this material."""
        return film.layout if self.across == 1.0 else film.layout.conducting(self.across)

    def at(self, log_phi: Floats, states: Sequence[int]) -> tuple[Floats, Floats]:
        """Ln rho and electrode length at effective loadings.

        Parameters
        ----------
        log_phi : (n, q) ndarray of float
            ln of the volume fraction over what moves the threshold; (1, q) or (n, 1) serve
            all draws or loadings.
        states : sequence of int
            Visits wanted.

        Returns
        -------
        log_resistivity : (n, q, k) ndarray of float
            [ln ohm m]; inf where the film is open.
        electrode_length : (n, q, k) ndarray of float
            [m].

        """
        n, K = len(self), len(self.log_loadings)
        # visits outermost in memory, where each is written and read alone
        logs = np.full((len(states), n, np.shape(log_phi)[-1]), np.inf)
        lengths = np.zeros_like(logs)
        alike: dict[float, list[int]] = {}
        for i, s in enumerate(states):
            alike.setdefault(self.temperatures[s], []).append(i)
        for same in alike.values() if K else ():
            spot = self._spot(log_phi, states[same[0]])
            for i in same:
                logs[i], lengths[i] = spot.read(self._tables(states[i]))
        return np.moveaxis(logs, 0, -1), np.moveaxis(lengths, 0, -1)

    def _tables(self, s: int) -> _Tables:
        """Give what a visit is read from, made once."""
        if s not in self._made:
            y, m, width = self.logs[:, :, s], self.slopes[:, :, s], self._width(s)
            is_open = np.isinf(y)
            y = np.where(is_open, 0.0, y)
            h = np.where(width > 0.0, width, np.inf)
            mean, turn = _rise(y) / h, _rise(m)
            lengths, lowest = self.lengths[:, :, s], self.lowest[:, :, s]
            lasting, fading = self._beyond(s)
            fades = bool(fading.any())
            self._made[s] = _Tables(
                y, m.copy(),
                (3.0 * (mean - m) - turn) / h, (2.0 * (m - mean) + turn) / h**2,
                fading if fades else None, _next(lasting),
                _next(fading) if fades else None,
                lengths.copy(), _rise(lengths) / h, lowest.copy(), _rise(lowest),
                is_open if is_open.any() else None,
            )  # fmt: skip
        return self._made[s]

    def _width(self, s: int) -> Floats:
        """Give what x rises by to the next loading, (n, K); 0 where it does not."""
        return np.maximum(_rise(self.x[:, :, s]), 0.0)

    def _spot(self, log_phi: Floats, s: int) -> _Spot:
        """Where effective loadings (n, q) lie along x at the temperature of a visit."""
        n, K = len(self), len(self.log_loadings)
        place = np.interp(log_phi, self.log_loadings, np.arange(K))
        k = np.minimum(place.astype(np.int64), max(K - 2, 0))
        share = place - k
        # places among all draws and loadings, which is quicker to pick by
        rows = K * np.arange(n)[:, None]
        low = np.maximum(k, self.first[:, None]) + rows
        k = k + rows
        distance = log_phi - self.log_threshold
        held = self.held[:, :, s]
        known = distance + held.take(k) + share * _rise(held).take(k)
        is_open = known <= 0.0
        known[is_open] = 1.0
        width = self._width(s)
        apart = np.log(np.expm1(known)) - self.x[:, :, s].take(low)
        inside = np.minimum(apart, width.take(low))
        beyond = apart - inside
        below = np.clip(inside, -FARTHEST, 0.0)
        return _Spot(
            k, share, distance, is_open, width, low, inside, np.maximum(inside, 0.0),
            -np.expm1(-below) - below if below.any() else None,
            beyond, -np.expm1(-beyond),
        )  # fmt: skip

    def margin(self, log_phi: Floats, s: int) -> Floats:
        """Ln of effective loadings (n, q) over the least that conducts at a visit."""
        distance = log_phi - self.log_threshold
        K = len(self.log_loadings)
        if not K:
            return np.asarray(distance)
        place = np.interp(log_phi, self.log_loadings, np.arange(K))
        k = np.minimum(place.astype(np.int64), max(K - 2, 0))
        least = np.minimum(self.lowest, self.held)[:, :, s]
        rows, up = np.arange(len(self))[:, None], np.minimum(k + 1, K - 1)
        low = least[rows, k]
        return np.asarray(distance + low + (place - k) * (least[rows, up] - low))

    def _beyond(self, s: int) -> tuple[Floats, Floats]:
        """Slope at rest of loadings, and what a visit adds to it while its change lasts.

        What a visit changes falls with the share of contacts that matter, as
        A + B/(phi/phi_c - 1), an exponential of x, and never turns round.
        """
        here, rest = self.logs[:, :, s], self.logs[:, :, self.rest]
        known = np.isfinite(here) & np.isfinite(rest)
        change = np.abs(np.where(known, here, 0.0) - np.where(known, rest, 0.0))
        slope = self.slopes[:, :, self.rest]
        return slope, np.clip(self.slopes[:, :, s] - slope, -change, change)

    def log_resistance(self, film: Film, log_phi: Floats, states: Sequence[int]) -> Floats:
        """Ln R [ln ohm] of a film (n, q, k) at effective loadings, as `at`; inf if open."""
        return self.read(film, *self.at(log_phi, states), states)

    def read(
        self, film: Film, logs: Floats, lengths: Floats, states: Sequence[int]
    ) -> Floats:
        """Ln R of a film whose material is known from `at`."""
        return self.of_film(film, *self.ohmic(logs, lengths, states))

    def ohmic(
        self, logs: Floats, lengths: Floats, states: Sequence[int]
    ) -> tuple[Floats, Floats]:
        """Resistivity [ohm m] of a material known from `at`, and its electrode excess."""
        conducts = np.isfinite(logs)
        offset = self.offset[:, None, list(states)]
        # far out a sampler tries contacts at which rho would be 0
        rho = np.exp(np.where(conducts, np.maximum(logs + offset, LEAST_LOG), np.inf))
        return rho, rho * np.where(conducts, lengths, 1.0)

    def of_film(self, film: Film, resistivity: Floats, excess: Floats) -> Floats:
        """Ln R of a film of a material; inf where open."""
        return np.log(
            self.layout(film).resistance(
                resistivity, excess, film.electrode_gap, film.width, film.thickness
            )
        )


@dataclass(frozen=True, slots=True)
class _Tables:
    """A visit at every draw and loading, (n, K) each, and how it goes on to the next.

    ln rho there, its slope in x and the higher coefficients of Hermite's cubic; what of
    the slope goes as exp(-x), if anything; slope and that part beyond the next loading;
    electrode length and its slope; least that contacts add to ln(phi/phi_c) and what it
    rises by; where it is open, if anywhere.
    """

    value: Floats
    slope: Floats
    second: Floats
    third: Floats
    bending: Floats | None
    lasting: Floats
    fading: Floats | None
    length: Floats
    length_slope: Floats
    lowest: Floats
    lowest_rise: Floats
    is_open: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True)
class _Spot:
    """Effective loadings (n, q) among the loadings of every draw, at one temperature.

    Parameters
    ----------
    place, share : (n, q) ndarray
        Loading below in ln phi, among all of all draws, and the share of the next one.
    distance : (n, q) ndarray of float
        ln(phi/phi_c), contacts as in the boxes.
    is_open : (n, q) ndarray of bool
        Where films are open without strain.
    width : (n, K) ndarray of float
        Of x to the next loading, 0 where it does not rise.
    low : (n, q) ndarray of int
        Loading below in x that says something, among all of all draws.
    inside, above : (n, q) ndarray of float
        Of x from there, up to the next at most, and its part above it.
    below : (n, q) ndarray of float or None
        1 - exp(-x) less its tangent where x lies below it, if anywhere.
    beyond, fading : (n, q) ndarray of float
        Of x from the next one on, and 1 - exp(-beyond).

    """

    place: NDArray[np.int64]
    share: Floats
    distance: Floats
    is_open: NDArray[np.bool_]
    width: Floats
    low: NDArray[np.int64]
    inside: Floats
    above: Floats
    below: Floats | None
    beyond: Floats
    fading: Floats

    def read(self, tables: _Tables) -> tuple[Floats, Floats]:
        """Ln rho, inf where open, and electrode length of a visit, (n, q) each.

        Both go on from the ends, as `_beyond` says or the length as it is there. An open
        loading leaves what lies between open, but for the other loading itself.
        """
        at, x = self.low, self.above
        logs = tables.second.take(at) + tables.third.take(at) * x
        logs *= x * x
        logs += tables.value.take(at) + tables.slope.take(at) * self.inside
        logs += tables.lasting.take(at) * self.beyond
        if tables.bending is not None and self.below is not None:
            logs += tables.bending.take(at) * self.below
        if tables.fading is not None:
            logs += tables.fading.take(at) * self.fading
        lowest = tables.lowest.take(self.place)
        lowest += tables.lowest_rise.take(self.place) * self.share
        lowest += self.distance
        logs[self.is_open | (lowest <= 0.0)] = np.inf
        if tables.is_open is not None:
            start, end = tables.is_open.take(at), _next(tables.is_open).take(at)
            logs[(start & (x < self.width.take(at))) | (end & (x > 0.0))] = np.inf
        return logs, tables.length.take(at) + tables.length_slope.take(at) * x


def _next(values: NDArray[Any]) -> NDArray[Any]:
    """Values (n, K) of the next loading; the last has none after it."""
    return np.concatenate([values[:, 1:], values[:, -1:]], axis=1)


def _rise(values: Floats) -> Floats:
    """Give what values (n, K) rise by to the next loading; after the last they do not."""
    return np.asarray(_next(values) - values)


def slopes_along(
    x: Floats,
    logs: Floats,
    log_ratios: Floats,
    usable: NDArray[np.bool_],
    errors: Floats,
    kinks: Floats | None,
    temperatures: Sequence[float],
    rest: int,
) -> tuple[Floats, NDArray[np.int64]]:
    """D ln rho / dx (n, K, S) at every loading, and the first that is usable, (n,).

    Of second order in unequal steps from the nearest loadings at least `CLEAR_STEP` away on
    both sides; under strain as at rest and what the strain changes. Where one side has
    none, the one-sided slope and the published exponent are weighed by their errors,
    `kinks` (n,) moves the result by its own, and what strain changes goes as A + B exp(-x).
    """
    K = x.shape[1]
    slopes = np.zeros_like(x)
    first = np.minimum(K - usable.sum(axis=1), max(K - 1, 0))
    finite = np.isfinite(logs) & usable[:, :, None]
    safe = np.where(finite, logs, 0.0)
    # at other temperatures x is another
    strained = np.equal(temperatures, temperatures[rest])
    strained[rest] = False
    safe = safe - np.where(strained, safe[:, :, [rest]], 0.0)
    for k in range(K):
        down = [j for j in range(k) if log_ratios[k] - log_ratios[j] >= CLEAR_STEP]
        up = [j for j in range(k + 1, K) if log_ratios[j] - log_ratios[k] >= CLEAR_STEP]
        sides: list[tuple[Floats, Floats | float, NDArray[np.bool_]]] = []
        for j in (down[-1] if down else None, up[0] if up else None):
            if j is None:
                nothing = np.zeros_like(x[:, k])
                sides.append((nothing, np.inf, np.zeros(nothing.shape, dtype=np.bool_)))
                continue
            step = x[:, j] - x[:, k]
            good = finite[:, j] & finite[:, k] & (step != 0.0)
            step = np.where(good, step, 1.0)
            rise = (safe[:, j] - safe[:, k]) / step
            sides.append((rise, step, good))
        (a, ha, has_a), (b, hb, has_b) = sides
        both = has_a & has_b
        slope = np.where(has_a, a, b)
        width = np.where(has_a, ha, hb)
        told = has_a | has_b
        j = (down[-1] if down else up[0]) if (down or up) else k
        own = np.where(told, (width / np.hypot(errors[k], errors[j])) ** 2, 0.0)
        weight = own + EXPONENT_ERROR**-2
        one = (slope * own - PUBLISHED_EXPONENT * EXPONENT_ERROR**-2) / weight
        if kinks is not None:
            one = one + kinks[:, None] / np.sqrt(weight)
        # the tangent of A + B exp(-x) over its chord
        step = np.where(told, width, 1.0)
        bent = np.where(told, slope * step / -np.expm1(-step), 0.0)
        one = np.where(strained, bent, one)
        ha, hb = np.where(both, -ha, 0.5), np.where(both, hb, 0.5)
        mean = (hb * a + ha * b) / (ha + hb)
        slopes[:, k] = np.where(both, mean, one)
    slopes += np.where(strained, slopes[:, :, [rest]], 0.0)
    return slopes, first.astype(np.int64)
