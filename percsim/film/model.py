r"""Stage 7. The one place a film is computed: ln R of any film, contacts and visit.

A material is its resistivity rho and the length of film :math:`\ell_e = r_c/\rho` that the
electrodes cost, at every simulated loading and visit. Loading, threshold and whatever
moves them act only through :math:`x = \ln(\phi/\phi_c - 1)`, along which ln rho is a cubic
between loadings (its value there that of the boxes, its slope that of neighbours far enough
away to tell it from their noise) and goes on in a straight line beyond them; what a visit
changes fades above the highest. Parameters of the contacts act as `ContactSurface` says. So
draws of what is not known become materials once, and every film, loading and tolerance is
read off them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann

from percsim.film.electrodes import Film, Layout
from percsim.film.noise import (
    AT_REST,
    EXPONENT,
    NOISES,
    THRESHOLD,
    UNDER_STRAIN,
    box_errors,
    few_boxes,
)
from percsim.film.surface import LAW, NEAREST, ContactSurface
from percsim.film.transfer import PUBLISHED_EXPONENT, LoadingFit, LoadingThreshold
from percsim.film.visits import Visits
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["FilmModel", "Loading", "Material"]

Floats = NDArray[np.float64]

HELD_ERROR = 0.25
"""Standard error of what lost contacts do, relative (see `film_threshold`)."""

CLEAR_STEP = 0.12
"""Smallest difference of ln(volume fraction) that a slope is taken over: boxes that scatter
by 5 % then tell it to a fifth (judgement)."""

EXPONENT_ERROR = 0.3
"""Standard error of the published exponent where it stands for boxes (judgement):
conductivities of boxes between 1.3 and 2.2 times the threshold follow 1.5 to 1.8."""

LEAST_STEP_ERROR = 0.03
"""Smallest error of the step of ln rho between two loadings (judgement)."""

LARGEST_CHANGE = 30.0
"""ln R moves by no more than this from as planned; no fit holds as far."""


@dataclass(frozen=True, slots=True)
class Loading:
    """What is mixed.

    Parameters
    ----------
    weight_fraction, volume_fraction : float
        Of the cured film.
    log_slope : float
        d ln(volume fraction) / d ln(weight fraction).

    """

    weight_fraction: float
    volume_fraction: float
    log_slope: float


@dataclass(frozen=True, slots=True)
class FilmModel:
    """ln R of any film of one mix.

    Parameters
    ----------
    visits : Visits
        What the boxes went through.
    volume_fractions : (K,) ndarray of float
        Loadings that conduct, rising; none for a mix that does not.
    log_resistivity : (K, S) ndarray of float
        ln rho of every loading and visit [ln ohm m], inf where open.
    electrode_length : (K, S) ndarray of float
        r_c over rho [m].
    log_errors, length_errors : (NOISES, K, S) ndarray of float
        What each number of the simulation error moves ln rho and electrode length by, as
        far as they are errors of the boxes.
    chains : (K, S, S) ndarray of float
        Root of the covariance of ln R over volume, as films of 1 m^3 would have it: a film
        of volume V scatters by it over the root of V.
    threshold : LoadingThreshold
        The film's own threshold at rest and 20 C, as planned.
    level : str
        Parameter that R goes as the inverse of.
    level_value : float
        Its value in the boxes, SI.
    surface : ContactSurface, optional
        How other contacts act; without one they stay as planned.
    across : float
        Resistivity through the thickness over that along the film.

    """

    visits: Visits
    volume_fractions: Floats
    log_resistivity: Floats = field(repr=False)
    electrode_length: Floats = field(repr=False)
    log_errors: Floats = field(repr=False)
    length_errors: Floats = field(repr=False)
    chains: Floats = field(repr=False)
    threshold: LoadingThreshold
    level: str = "g0"
    level_value: float = 1.0
    surface: ContactSurface | None = field(default=None, repr=False)
    across: float = 1.0

    @classmethod
    def of(
        cls,
        fits: Sequence[LoadingFit],
        threshold: LoadingThreshold,
        *,
        level: tuple[str, float] = ("g0", 1.0),
        surface: ContactSurface | None = None,
        across: float = 1.0,
    ) -> FilmModel:
        """Gather the fits of a mix.

        Parameters
        ----------
        fits : sequence of LoadingFit
            One or more, in increasing loading; `conducting` says which of them count.
        threshold, across
            As of the class.
        level : (str, float)
            Name and value of the parameter that R goes as the inverse of.
        surface : ContactSurface, optional
            Of the loadings that count.

        """
        used = cls.conducting(fits, threshold)
        loading = fits[0].loading
        visits = Visits(
            loading.strains, loading.temperatures, loading.chord, loading.window
        )
        S, B = len(visits), len(fits[0].resistivity_draws)
        rows = [_of_fit(fit) for fit in used]
        empty = [np.zeros((0, S)), np.zeros((0, S)), np.zeros((0, B, S)),
                 np.zeros((0, B, S)), np.zeros((0, S, S))]  # fmt: skip
        parts = [np.stack(part) for part in zip(*rows, strict=True)] if rows else empty
        errors = box_errors(parts[2].swapaxes(0, 1), parts[3].swapaxes(0, 1), visits.rest)
        return cls(
            visits,
            np.array([fit.loading.volume_fraction for fit in used]),
            parts[0], parts[1], *errors, parts[4],
            threshold, *level, surface, across,
        )  # fmt: skip

    @staticmethod
    def conducting(
        fits: Sequence[LoadingFit], threshold: LoadingThreshold
    ) -> list[LoadingFit]:
        """Fits that say something of films: they conduct, and are above the threshold."""
        lowest = threshold.volume_fraction * (1.0 + NEAREST)
        return [f for f in fits if not f.is_open and f.loading.volume_fraction > lowest]

    @property
    def parameters(self) -> dict[str, float]:
        """What can be varied, with its value in the boxes, SI; less the threshold."""
        known = {self.level: self.level_value}
        if self.surface is not None:
            known = dict(zip(LAW, self.surface.base.tolist(), strict=True)) | known
        return known

    def material(
        self,
        values: Mapping[str, ArrayLike],
        noise: Floats | None = None,
        states: Sequence[int] | None = None,
    ) -> Material:
        """Material of n draws of the contacts.

        Parameters
        ----------
        values : mapping of str to float or (n,) array_like
            By the names of `parameters`, SI; missing ones as in the boxes.
        noise : (n, NOISES) ndarray of float, optional
            Standard normal numbers of the simulation error; without, the best estimate.
        states : sequence of int, optional
            Visits that will be asked for; all by default.

        Returns
        -------
        Material

        Raises
        ------
        ValueError
            If a name is not known or a value is out of range.

        """
        settings, offset = self._settings(values)
        n, K, S = len(settings), len(self.volume_fractions), len(self.visits)
        wanted = sorted(set(range(S) if states is None else states) | {self.visits.rest})
        z = None if noise is None else np.broadcast_to(noise, (n, NOISES))
        logs, lengths = (
            np.broadcast_to(own, (n, K, S)) + (0.0 if z is None else np.tensordot(z, e, 1))
            for own, e in (
                (self.log_resistivity, self.log_errors),
                (self.electrode_length, self.length_errors),
            )
        )
        held, lowest = np.zeros((n, K, S)), np.zeros((n, K, S))
        log_ratios = np.log(self.volume_fractions / self.threshold.volume_fraction)
        raised = self._raised(z)
        still: dict[float, tuple[Floats, ...]] = {}
        for s in wanted:
            if self.surface is None:
                continue
            t = self.visits.temperatures[s]
            if t not in still:
                still[t] = (
                    self.surface.held(settings, t),
                    *self.surface.at_rest(settings, t),
                )
            held[:, :, s], lowest[:, :, s], change = self._law(settings, s, z, *still[t])
            logs[:, :, s] += change
            q = np.exp(-change)
            fixed = self.surface.fixed * np.exp(-self.log_resistivity[:, s])
            # what the contacts to the electrodes cost does not rise with the material
            lengths[:, :, s] += fixed * (q - 1.0)
        ratio = np.exp(log_ratios[:, None] - raised[..., None] + held)
        x = np.log(np.maximum(ratio - 1.0, NEAREST))
        usable = (ratio[:, :, self.visits.rest] > 1.0 + NEAREST) if K else ratio[:, :, 0]
        kinks = None if z is None else z[:, EXPONENT]
        return Material(
            np.log(self.volume_fractions),
            np.log(self.threshold.volume_fraction) + np.broadcast_to(raised, (n, 1)),
            x, held, lowest, logs, lengths, offset,
            *_slopes(x, logs, log_ratios, usable > 0.0, self._step_errors, kinks),
            self.across, self.visits.rest,
        )  # fmt: skip

    def _raised(self, z: Floats | None) -> Floats:
        """Give what the simulation error adds to ln of the film's own threshold, (n, 1)."""
        if z is None:
            return np.zeros((1, 1))
        known = self.threshold
        return np.asarray(known.standard_error / known.volume_fraction * z[:, [THRESHOLD]])

    def _settings(self, values: Mapping[str, ArrayLike]) -> tuple[Floats, Floats]:
        """beta, delta_b, lambda_T (n, 3) and what is added to ln R, (n, S)."""
        known = self.parameters
        unknown = sorted(set(values) - set(known))
        if unknown:
            raise ValueError(
                f"parameters {', '.join(unknown)} not known; use {', '.join(known)}"
            )
        given = [np.atleast_1d(np.asarray(values.get(p, known[p]), float)) for p in known]
        if any(column.ndim != 1 for column in given):
            raise ValueError("parameters must be numbers or (n,)")
        named = dict(zip(known, np.broadcast_arrays(*given), strict=True))
        for name, value in named.items():
            least = name in (self.level, "delta_b")
            if not (np.isfinite(value).all() and (value >= 0.0).all()):
                raise ValueError(
                    f"{name} must be {'positive' if least else 'finite and not negative'}"
                )
            if least and not (value > 0.0).all():
                raise ValueError(f"{name} must be positive and finite")
        n, t = len(named[self.level]), np.asarray(self.visits.temperatures)
        level = np.log(named[self.level] / self.level_value)
        offset = np.zeros((n, len(t))) - level[:, None]
        if self.surface is None:
            return np.zeros((n, 3)), offset
        more = (named["Ea"] - known["Ea"]) / Boltzmann
        offset = offset + more[:, None] * (1.0 / t - 1.0 / ROOM_TEMPERATURE)
        return np.stack([named[p] for p in LAW[1:4]], axis=1), offset

    def _law(
        self, settings: Floats, s: int, z: Floats | None, held: Floats, change: Floats,
        error: Floats,
    ) -> tuple[Floats, ...]:  # fmt: skip
        """Shifts of ln(phi/phi_c) at rest and under strain, and the change of ln rho.

        From those without strain, and the error of the last.
        """
        assert self.surface is not None
        strain, t = self.visits.strains[s], self.visits.temperatures[s]
        lowest = np.minimum(held, self.surface.held(settings, t, strain))
        if z is not None:
            doubt = 1.0 + HELD_ERROR * z[:, [THRESHOLD]]
            held, lowest = held * doubt, lowest * doubt
            change = change + z[:, [AT_REST]] * error
        more = self.surface.under_strain(settings, t, strain)
        if more is not None:
            change = (
                change + more[0] + (0.0 if z is None else z[:, [UNDER_STRAIN]] * more[1])
            )
        return held, lowest, np.clip(change, -LARGEST_CHANGE, LARGEST_CHANGE)

    def setting_errors(
        self, values: Mapping[str, ArrayLike], state: int
    ) -> tuple[Floats, Floats]:
        """Errors of ln R of a visit from the fit of settings, without strain and by it.

        Parameters
        ----------
        values : mapping of str to float or (n,) array_like
            By the names of `parameters`, SI.
        state : int
            The visit.

        Returns
        -------
        at_rest, by_strain : (n, K) ndarray of float
            What `AT_REST` and `UNDER_STRAIN` move ln R by at every loading.

        """
        settings, _ = self._settings(values)
        none = np.zeros((len(settings), len(self.volume_fractions)))
        if self.surface is None or not none.size:
            return none, none
        strain, t = self.visits.strains[state], self.visits.temperatures[state]
        more = self.surface.under_strain(settings, t, strain)
        return self.surface.at_rest(settings, t)[1], none if more is None else more[1]

    def between(self, log_phi: ArrayLike) -> Floats:
        """Weights (K, q) of the loadings that interpolate in ln(volume fraction)."""
        if not len(self.volume_fractions):
            return np.zeros((0, np.size(log_phi)))
        k = np.arange(len(self.volume_fractions))
        place = np.interp(np.asarray(log_phi), np.log(self.volume_fractions), k)
        return np.asarray(np.maximum(1.0 - np.abs(place - k[:, None]), 0.0))

    def chain_root(self, volume_fraction: float) -> Floats:
        """Root of the covariance of the chains (S, S), of the nearest loading."""
        if not len(self.volume_fractions):
            return np.zeros((len(self.visits), len(self.visits)))
        near = np.abs(self.volume_fractions - volume_fraction).argmin()
        return np.asarray(self.chains[near])

    def chain_deviation(self, volume_fraction: float, film: Film) -> float:
        """Deviation of ln R at rest from the chains of a film."""
        row = self.chain_root(volume_fraction)[self.visits.rest]
        return float(np.sqrt((row**2).sum() / film.volume))

    @property
    def _step_errors(self) -> Floats:
        """Standard error of ln rho at rest of each loading, (K,)."""
        own = np.sqrt((self.log_errors[:, :, self.visits.rest] ** 2).sum(axis=0))
        return np.asarray(np.maximum(own, LEAST_STEP_ERROR))

    def log_resistance(
        self,
        film: Film,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        *,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Give ln of the resistance [ohm] of films at every visit.

        Parameters
        ----------
        film : Film
            Sizes and electrodes.
        volume_fraction : float or (n,) array_like
            Loading.
        parameters : mapping of str to float or (n,) array_like
            By the names of `parameters`; missing ones as in the boxes.
        threshold_factor : float, (n,) or (n, q) array_like
            Real threshold over the simulated one; acts as a loading lower by it.
        states : sequence of int, optional
            Visits wanted; all by default.

        Returns
        -------
        (n, n states) or (n, q, n states) ndarray of float
            inf where the film is open.

        """
        phi = np.atleast_1d(np.asarray(volume_fraction, dtype=np.float64))
        factor = np.asarray(threshold_factor, dtype=np.float64)
        for name, value in (("volume fraction", phi), ("threshold_factor", factor)):
            if not (np.isfinite(value).all() and (value > 0.0).all()):
                raise ValueError(f"{name} must be positive and finite")
        wanted = list(range(len(self.visits)) if states is None else states)
        material = self.material(parameters, states=wanted)
        factors = factor if factor.ndim == 2 else factor[..., None]
        relative = np.log(phi[:, None] / factors)
        if len(material) == 1:
            material = material.picked(np.zeros(len(relative), dtype=np.int64))
        out = material.log_resistance(film, relative, wanted)
        return out if factor.ndim == 2 else out[:, 0]

    def own_threshold(
        self,
        values: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        noise: Floats | None = None,
    ) -> Floats:
        """Give the film's own threshold at rest and 20 C as volume fraction, (n,).

        Parameters
        ----------
        values : mapping of str to float or (n,) array_like
            By the names of `parameters`; missing ones as in the boxes.
        threshold_factor : float or (n,) array_like
            Real threshold over the simulated one, before contacts are lost.
        noise : (n, NOISES) ndarray of float, optional
            Standard normal numbers of the simulation error, as for `material`.

        """
        settings, _ = self._settings(values)
        held = np.zeros(len(settings))
        if self.surface is not None and len(self.volume_fractions):
            held = self.surface.held(settings, ROOM_TEMPERATURE)[:, 0]
        if noise is not None:
            held = (
                held * (1.0 + HELD_ERROR * noise[:, THRESHOLD]) - self._raised(noise)[:, 0]
            )
        factor = np.asarray(threshold_factor, dtype=np.float64)
        return np.asarray(self.threshold.volume_fraction * factor * np.exp(-held))


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

    def __len__(self) -> int:
        return len(self.offset)

    def picked(self, rows: NDArray[np.int64], offset: Floats | None = None) -> Material:
        """Materials of some draws, (m,) rows; with another offset (m, S) if given."""
        by_draw = "log_threshold x held lowest logs lengths slopes first".split()
        return replace(
            self,
            **{name: getattr(self, name)[rows] for name in by_draw},
            offset=self.offset[rows] if offset is None else offset,
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
        log_phi = np.broadcast_to(log_phi, (n, np.shape(log_phi)[-1]))
        shape = (*log_phi.shape, len(states))
        logs, lengths = np.full(shape, np.inf), np.zeros(shape)
        if not K:
            return logs, lengths
        k = np.clip(np.searchsorted(self.log_loadings, log_phi) - 1, 0, max(K - 2, 0))
        up = np.minimum(k + 1, K - 1)
        step = self.log_loadings[up] - self.log_loadings[k]
        t = (log_phi - self.log_loadings[k]) / np.where(step > 0.0, step, 1.0)
        t = np.clip(np.where(step > 0.0, t, 0.0), 0.0, 1.0)
        low = np.maximum(k, self.first[:, None])
        high = np.minimum(low + 1, K - 1)
        # places among all draws and loadings of a visit, which is quicker to pick by
        k, up, low, high = (K * np.arange(n)[:, None] + part for part in (k, up, low, high))
        distance = log_phi - self.log_threshold
        for i, s in enumerate(states):
            tables = self.held, self.lowest, self.x, self.logs, self.slopes, self.lengths
            held, lowest, x_of, logs_of, slopes, lengths_of = (
                np.ascontiguousarray(part[:, :, s]) for part in tables
            )
            held, lowest = (
                part.take(k) + t * (part.take(up) - part.take(k)) for part in (held, lowest)
            )
            conducts = distance + np.minimum(lowest, held) > 0.0
            x = np.log(np.expm1(np.where(conducts, distance + held, 1.0)))
            a, b = x_of.take(low), x_of.take(high)
            found = _cubic(
                x, a, b, logs_of.take(low), logs_of.take(high),
                slopes.take(low), slopes.take(high),
                [part.take(high) for part in self._beyond(s)],
            )  # fmt: skip
            logs[..., i] = np.where(conducts, found, np.inf)
            share = np.clip((x - a) / np.where(b > a, b - a, 1.0), 0.0, 1.0)
            first, last = lengths_of.take(low), lengths_of.take(high)
            lengths[..., i] = first + np.where(b > a, share, 0.0) * (last - first)
        return logs, lengths

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
        rho = np.exp(np.where(conducts, logs + offset, np.inf))
        return rho, rho * np.where(conducts, lengths, 1.0)

    def of_film(self, film: Film, resistivity: Floats, excess: Floats) -> Floats:
        """Ln R of a film of a material; inf where open."""
        return np.log(
            self.layout(film).resistance(
                resistivity, excess, film.electrode_gap, film.width, film.thickness
            )
        )


def _of_fit(fit: LoadingFit) -> tuple[Floats, ...]:
    """Ln rho, electrode length, their resamples, and root of the chains of a loading."""
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(fit.resistivity)
        length = np.where(np.isfinite(logs), fit.electrode_excess / fit.resistivity, 0.0)
        drawn = np.log(fit.resistivity_draws)
        lengths = fit.electrode_excess_draws / fit.resistivity_draws
    known = np.isfinite(drawn) & np.isfinite(logs)
    shift = np.where(known, drawn - np.where(np.isfinite(logs), logs, 0.0), np.inf)
    widening = few_boxes(len(fit.influence))
    shift = np.where(known, shift * widening, np.inf)
    n = len(fit.influence)
    covariance = fit.influence.T @ fit.influence / max(n - 1, 1)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0)) * np.sqrt(fit.box_volume)
    if n < 2:
        root = np.zeros_like(root)
    return logs, length, shift, np.where(known, lengths, length), root


def _cubic(
    x: Floats, a: Floats, b: Floats, ya: Floats, yb: Floats, ma: Floats, mb: Floats,
    beyond: Sequence[Floats] | None = None,
) -> Floats:  # fmt: skip
    """Cubic through two points with given slopes (Hermite's), straight beyond them.

    Above them, where given, with the first slope of `beyond` and the second that fades as
    exp(-x). An open end leaves what lies between open, but for the other point itself.
    """
    lasting, fading = (mb, 0.0 * mb) if beyond is None else beyond
    h = np.where(b > a, b - a, 1.0)
    u = np.clip((x - a) / h, 0.0, 1.0) * (b > a)
    open_a, open_b = np.isinf(ya), np.isinf(yb)
    ya, yb = np.where(open_a, 0.0, ya), np.where(open_b, 0.0, yb)
    value = (
        (1.0 + 2.0 * u) * (1.0 - u) ** 2 * ya
        + u * (1.0 - u) ** 2 * h * ma
        + u**2 * (3.0 - 2.0 * u) * yb
        - u**2 * (1.0 - u) * h * mb
    )
    below, above = np.minimum(x - a, 0.0), np.maximum(x - np.maximum(a, b), 0.0)
    value = value + ma * below + lasting * above - fading * np.expm1(-above)
    closed = np.where(u < 1.0, ~open_a, True) & np.where(u > 0.0, ~open_b, True)
    return np.asarray(np.where(closed, value, np.inf))


def _slopes(
    x: Floats,
    logs: Floats,
    log_ratios: Floats,
    usable: NDArray[np.bool_],
    errors: Floats,
    kinks: Floats | None,
) -> tuple[Floats, NDArray[np.int64]]:
    """D ln rho / dx (n, K, S) at every loading, and the first that is usable, (n,).

    Of second order in unequal steps from the nearest loadings at least `CLEAR_STEP` away on
    both sides. Where one side has none, the one-sided slope and the published exponent are
    weighed by their errors, and `kinks` (n,) moves the result by its own.
    """
    K = x.shape[1]
    slopes = np.full_like(x, -PUBLISHED_EXPONENT)
    first = np.minimum(K - usable.sum(axis=1), max(K - 1, 0))
    finite = np.isfinite(logs) & usable[:, :, None]
    safe = np.where(finite, logs, 0.0)
    for k in range(K):
        down = [j for j in range(k) if log_ratios[k] - log_ratios[j] >= CLEAR_STEP]
        up = [j for j in range(k + 1, K) if log_ratios[j] - log_ratios[k] >= CLEAR_STEP]
        sides: list[tuple[Floats, ArrayLike, NDArray[np.bool_]]] = []
        for j in (down[-1] if down else None, up[0] if up else None):
            if j is None:
                nothing = np.zeros_like(x[:, k])
                sides.append((nothing, np.inf, np.zeros(nothing.shape, dtype=np.bool_)))
                continue
            step = x[:, j] - x[:, k]
            good = finite[:, j] & finite[:, k] & (step != 0.0)
            step = np.where(good, step, 1.0)
            rise = (safe[:, j] - safe[:, k]) / step
            sides.append((rise, np.abs(step), good))
        (a, ha, has_a), (b, hb, has_b) = sides
        both = has_a & has_b
        slope = np.where(has_a, a, b)
        width = np.asarray(np.where(has_a, ha, hb))
        told = has_a | has_b
        j = (down[-1] if down else up[0]) if (down or up) else k
        own = np.where(told, (width / np.hypot(errors[k], errors[j])) ** 2, 0.0)
        weight = own + EXPONENT_ERROR**-2
        one = (slope * own - PUBLISHED_EXPONENT * EXPONENT_ERROR**-2) / weight
        if kinks is not None:
            one = one + kinks[:, None] / np.sqrt(weight)
        ha, hb = np.where(both, ha, 0.5), np.where(both, hb, 0.5)
        mean = (hb * a + ha * b) / (ha + hb)
        slopes[:, k] = np.where(both, mean, one)
    return slopes, first.astype(np.int64)
