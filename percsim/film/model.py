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

from percsim.film.electrodes import Film
from percsim.film.material import Material, slopes_along
from percsim.film.memories import MEMORY, Walk
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
from percsim.film.transfer import LoadingFit, LoadingThreshold
from percsim.film.visits import Visits
from percsim.states.history import History
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["PULLS", "FilmModel", "Loading", "Material"]

Floats = NDArray[np.float64]

HELD_ERROR = 0.25
"""Standard error of what lost contacts do, relative (see `film_threshold`)."""

LEAST_STEP_ERROR = 0.03
"""Smallest error of the step of ln rho between two loadings (judgement)."""

PULLS = ("conditioned", "first")
"""What a strained visit may be on."""

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
    pull : {"conditioned", "first"}
        Which pull strained visits are on, where contacts remember: that of a film pulled to
        the ends of its window and let go before, whose change is read from its zero then,
        or its first. Visits without strain are those of a film that was never pulled.
    memory : mapping of str to float
        What contacts remember where draws say nothing of it, by the names of
        `percsim.film.memories.MEMORY`; the boxes themselves remember nothing.

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
    pull: str = "conditioned"
    memory: Mapping[str, float] = field(default_factory=lambda: dict(MEMORY), repr=False)

    def __post_init__(self) -> None:
        if self.pull not in PULLS:
            raise ValueError(f"pull must be one of {', '.join(PULLS)}, got {self.pull!r}")

    @classmethod
    def of(
        cls,
        fits: Sequence[LoadingFit],
        threshold: LoadingThreshold,
        *,
        level: tuple[str, float] = ("g0", 1.0),
        surface: ContactSurface | None = None,
        across: float = 1.0,
        pull: str = "conditioned",
        memory: Mapping[str, float] = MEMORY,
    ) -> FilmModel:
        """Gather the fits of a mix.

        Parameters
        ----------
        fits : sequence of LoadingFit
            One or more, in increasing loading; `conducting` says which of them count.
        threshold, across, pull, memory
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
            threshold, *level, surface, across, pull, dict(memory),
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
            law = dict(zip(LAW, self.surface.base.tolist(), strict=True))
            law["closed_at"] = self.surface.closed_at
            known = law | known | dict(self.memory)
        return known

    def on(self, pull: str) -> FilmModel:
        """Give the same films, read on the first pull or conditioned."""
        return self if pull == self.pull else replace(self, pull=pull)

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
        memory = self._memory(values, len(settings))
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
        held, lowest, doubts = (np.zeros((*k, n, K, S)) for k in ((), (), (2,)))
        log_ratios = np.log(self.volume_fractions / self.threshold.volume_fraction)
        raised = self._raised(z)
        still: dict[float, tuple[Floats, ...]] = {}
        pulled = self._pulled(settings, memory, wanted)
        for s in wanted:
            if self.surface is None:
                continue
            t = self.visits.temperatures[s]
            if t not in still:
                still[t] = (
                    self.surface.held(settings, t),
                    *self.surface.at_rest(settings, t),
                )
            held[:, :, s], lowest[:, :, s], change, by_strain = self._law(
                settings, s, z, *still[t]
            )
            if s in pulled:
                more, error, fewer = pulled[s]
                change = change + _told(more, error, z)
                by_strain = by_strain + error  # the same number moves both
                lowest[:, :, s] += fewer
            logs[:, :, s] += change
            doubts[..., s] = np.minimum([still[t][2], by_strain], LARGEST_CHANGE)
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
            *slopes_along(
                x, logs, log_ratios, usable > 0.0, self._step_errors, kinks,
                self.visits.temperatures, self.visits.rest,
            ),
            self.across, self.visits.rest, self.visits.temperatures, doubts,
        )  # fmt: skip

    def along(
        self,
        values: Mapping[str, ArrayLike],
        history: History,
        noise: Floats | None = None,
    ) -> Material:
        """Material of n draws of the contacts at every visit of a history.

        Parameters
        ----------
        values, noise
            As of `material`.
        history : History
            What films go through, at rest first.

        Returns
        -------
        Material
            Its visits are those of the history.

        Raises
        ------
        ValueError
            As of `material`, or if the history goes beyond the strains by more than a
            quarter of their span, beyond the temperatures, or relaxes by half.

        Notes
        -----
        The films of `material` without memory, between its visits along straight lines in
        strain felt and temperature, and what the contacts remember on top.

        """
        settings, _ = self._settings(values)
        memory = self._memory(values, len(settings))
        none = {name: np.full(len(settings), value) for name, value in MEMORY.items()}
        forgets = {} if memory is None else {"reclose": 1.0, "healed": 1.0}
        plain = self.material({**values, **forgets}, noise)
        walk = Walk.of(history, memory or none)
        by_strain, by_warmth = self.visits.between(walk.strains, walk.temperatures)
        logs, lengths, slopes, lowest = (
            _blended(self.visits.grid(part), by_strain, by_warmth)
            for part in (plain.logs, plain.lengths, plain.slopes, plain.lowest)
        )
        x, held = (
            np.einsum("vt,nkt->nkv", by_warmth, self.visits.grid(part, unstrained=True))
            for part in (plain.x, plain.held)
        )
        if memory is not None and self.surface is not None and len(self.volume_fractions):
            z = None if noise is None else np.broadcast_to(noise, (len(settings), NOISES))
            numbers, near = self.surface.remembered(settings, walk)
            change = _told(*self.surface.told(numbers), z)
            logs += np.moveaxis(change, 1, 2)
            lowest += np.moveaxis(numbers[..., 2] / near, 1, 2)
        return Material(
            plain.log_loadings, plain.log_threshold, x, held, lowest, logs, lengths,
            self.visits.grid(plain.offset, unstrained=True) @ by_warmth.T, slopes,
            plain.first, self.across, 0, tuple(history.temperatures.tolist()),
        )  # fmt: skip

    def _raised(self, z: Floats | None) -> Floats:
        """Give what the simulation error adds to ln of the film's own threshold, (n, 1)."""
        if z is None:
            return np.zeros((1, 1))
        known = self.threshold
        return np.asarray(known.standard_error / known.volume_fraction * z[:, [THRESHOLD]])

    def _settings(self, values: Mapping[str, ArrayLike]) -> tuple[Floats, Floats]:
        """beta, delta_b, lambda_T, closed_at (n, 4) and what is added to ln R, (n, S)."""
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
            return np.zeros((n, 4)), offset
        more = (named["Ea"] - known["Ea"]) / Boltzmann
        offset = offset + more[:, None] * (1.0 / t - 1.0 / ROOM_TEMPERATURE)
        return np.stack([named[p] for p in (*LAW[1:4], "closed_at")], axis=1), offset

    def _memory(self, values: Mapping[str, ArrayLike], n: int) -> dict[str, Floats] | None:
        """Parameters of the memory, (n,) each; None where there is none at any draw."""
        if self.surface is None:
            return None
        found = {
            name: np.broadcast_to(np.asarray(values.get(name, own), np.float64), (n,))
            for name, own in self.memory.items()
        }
        if (found["reclose"] > 1.0).any():
            raise ValueError("reclose must be 0 to 1")
        if not ((found["healed"] > 0.0) & (found["healed"] <= 1.0)).all():
            raise ValueError("healed must be above 0 to 1")
        none = (found["reclose"] == 1.0).all() and (found["healed"] == 1.0).all()
        return None if none and not found["relaxed"].any() else found

    def _pulled(
        self,
        settings: Floats,
        memory: dict[str, Floats] | None,
        wanted: Sequence[int],
    ) -> dict[int, tuple[Floats, Floats, Floats]]:
        """Give what memory adds at visits: to ln rho, its error, to ln of what conducts."""
        found: dict[int, tuple[Floats, Floats, Floats]] = {}
        if memory is None or self.surface is None or not len(self.volume_fractions):
            return found
        fresh: dict[float, Floats] = {}
        for way, places, zero in self.visits.pulled(wanted, self.pull == "conditioned"):
            strains, temperatures = zip(*way, strict=True)
            asked = {*places.values(), 1 if zero is None else zero}
            walk = Walk.through(strains, temperatures, memory, asked)
            numbers, near = self.surface.remembered(settings, walk)
            if zero is not None:
                # what a film reads over its zero, on top of that of one never pulled
                own = fresh.get(temperatures[-1], 0.0 * numbers[:, 0])
                numbers = numbers - numbers[:, [zero]] + own[:, None]
            elif len(way) == 2:
                fresh[temperatures[-1]] = numbers[:, 1]
            told = *self.surface.told(numbers), numbers[..., 2] / near
            for s, v in places.items():
                change, error, held = (part[:, v] for part in told)
                found[s] = change, error, held
        return found

    def _law(
        self, settings: Floats, s: int, z: Floats | None, held: Floats, change: Floats,
        error: Floats,
    ) -> tuple[Floats, ...]:  # fmt: skip
        """Shifts of ln(phi/phi_c) at rest and under strain, and the change of ln rho.

        From those without strain, and the error of the last; and that by the strain.
        """
        assert self.surface is not None
        strain, t = self.visits.strains[s], self.visits.temperatures[s]
        lowest = np.minimum(held, self.surface.held(settings, t, strain))
        if z is not None:
            doubt = 1.0 + HELD_ERROR * z[:, [THRESHOLD]]
            held, lowest = held * doubt, lowest * doubt
            change = change + z[:, [AT_REST]] * error
        more, doubt = self.surface.under_strain(settings, t, strain) or (0.0, 0.0 * change)
        change = change + more
        if z is not None:
            change += z[:, [UNDER_STRAIN]] * doubt
        return held, lowest, np.clip(change, -LARGEST_CHANGE, LARGEST_CHANGE), doubt

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


def _told(change: Floats, error: Floats, z: Floats | None) -> Floats:
    """Change (n, ..., K) by memory at numbers of the simulation error, that of strain."""
    if z is not None:
        moved = z[:, UNDER_STRAIN].reshape(-1, *(1,) * (change.ndim - 1))
        change = change + moved * error
    return np.clip(change, -LARGEST_CHANGE, LARGEST_CHANGE)


def _blended(values: Floats, by_strain: Floats, by_warmth: Floats) -> Floats:
    """Values (n, K, strains, temperatures) at visits (n, K, v); inf beside an open one."""
    is_open = ~np.isfinite(values)
    closed = np.where(is_open, 0.0, values)
    out = np.einsum("nve,vt,nket->nkv", by_strain, by_warmth, closed, optimize=True)
    if is_open.any():
        touched = np.einsum(
            "nve,vt,nket->nkv", by_strain != 0.0, by_warmth != 0.0, is_open.astype(float),
            optimize=True,
        )  # fmt: skip
        out[touched > 0.0] = np.inf
    return np.asarray(out)
