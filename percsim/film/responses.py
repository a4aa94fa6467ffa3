r"""Stage 7. How the resistance of any film moves with the parameters of its contacts.

A few boxes a loading are solved again at settings of the contact-opening law around the
plan's own. From them follows ln R of a film at any setting, loading and threshold, so that
what is not known of the contacts can be carried to every answer without further boxes.

What the law does to a film is nearly told by two numbers of its contacts alone, which need
no solve: the share S that still conducts, and how far those have weakened on average,
:math:`m = \beta \langle\delta\rangle`. Particles percolate at a given number of contacts
each, so that the film's own threshold goes as 1/S, and

.. math:: \ln R \approx -t\,x + k\,m + ..., \qquad x = \ln(\phi/\phi_c(\theta) - 1).

The settings fit what these leave, second order in x and m, for each loading; settings held
out of the fit say how well. Between loadings ln R is interpolated along x.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann
from scipy.special import ndtr

from percsim.film.casting import PUBLISHED_EXPONENT
from percsim.film.electrodes import Film
from percsim.film.transfer import (
    LoadingFit,
    LoadingThreshold,
    is_room_temperature,
    weighted_medium,
)
from percsim.states.temperature import ROOM_TEMPERATURE, Bond, felt_strains

__all__ = [
    "PARAMETERS",
    "ContactSample",
    "FilmResponses",
    "KnownResponses",
    "LoadingSurface",
]

Floats = NDArray[np.float64]

PARAMETERS = ("g0", "beta", "delta_b", "lambda_T", "Ea")
"""Parameters of the contact-opening law: S, 1, 1, 1, J."""

NEAREST = 0.05
"""phi/phi_c - 1 below which boxes say nothing of a film; ln R goes on from there with the
published exponent (judgement)."""

EXPONENT_ERROR = 0.3
"""Standard error of that exponent where it stands for boxes (judgement): conductivities of
boxes between 1.3 and 2.2 times the threshold follow 1.5 to 1.8."""

MODEL_ERROR = 0.01
"""Smallest deviation of ln R from the fit, whatever its boxes do (judgement)."""

REST_PRIOR = (np.array([-PUBLISHED_EXPONENT, 1.0, 0.0, 0.0, 0.0]), 0.5)
"""Slopes of ln R to x, m, x^2, m^2 and x m before any box: the published exponent, and a
homogeneous network for m; and their standard deviation (judgement)."""

STRAIN_PRIOR = (np.array([0.5, 0.0, -PUBLISHED_EXPONENT]), 0.5)
"""The same for the change with strain, to that of m, of the logarithm of the conducting
share weighted along the current, and of that share, both over 1 - phi_c/phi."""

LARGEST_CHANGE = 30.0
"""ln R moves by no more than this from as planned; no fit holds as far."""

STEP = 1e-2
"""Relative step of the slopes taken by differences."""

_GRID = (41, 61)
_DELTA_B_REACH = 16.0


@dataclass(frozen=True, slots=True)
class ContactSample:
    """Some contacts of the boxes, and how each opens.

    Parameters
    ----------
    weights : (c,) ndarray of float
        Square of the distance between the two centres along the current.
    opened, stretched : mapping of float to (c,) ndarray of float
        For each strain the relative opening without swelling, and per unit of swelling.
    lifted : (c,) ndarray of float, optional
        Per unit of thermal strain through a bonded film alone, without strain.

    """

    weights: Floats
    opened: Mapping[float, Floats]
    stretched: Mapping[float, Floats]
    lifted: Floats | None = None

    @property
    def thickening(self) -> float:
        """What a strain through the film opens contacts by, over the same in all of it."""
        if self.lifted is None:
            return 0.0
        return float(self.weights @ self.lifted / (self.weights @ self.stretched[0.0]))


@dataclass(frozen=True, slots=True)
class LoadingSurface:
    """Boxes of one loading solved at settings of the law.

    Parameters
    ----------
    states : tuple of int
        The states solved, by their index among those of the loading.
    settings : (n settings, 3) ndarray of float
        beta, delta_b and lambda_T.
    base : (n boxes, n states) ndarray of float
        Conductances of the boxes as planned [S], 0 when open.
    conductances : (n boxes, n settings, n states) ndarray of float
        Their conductances at the settings [S].
    electrode_share : float
        Share of their resistance in the contacts to the electrodes, as planned.
    beta_slopes : (n states of the loading,) ndarray of float
        d ln G / d ln beta of the effective-medium mean of all longest boxes.
    expansion : float
        Linear thermal expansion of the composite [1/K].

    """

    states: tuple[int, ...]
    settings: Floats
    base: Floats = field(repr=False)
    conductances: Floats = field(repr=False)
    electrode_share: float
    beta_slopes: Floats
    expansion: float


def _swelling(
    felt: ArrayLike,
    temperature: ArrayLike,
    closed_at: float,
    bond: Bond | None,
    thickening: float,
) -> Floats:
    """Thermal strain at the contacts, the same in every direction or as if it were."""
    plane, through = felt_strains(felt, temperature, closed_at, bond)
    return plane if bond is None else np.asarray(plane + thickening * (through - plane))


@dataclass(frozen=True, slots=True)
class _Tables:
    """Conducting shares and mean openings of a sample at one strain, on a grid.

    Along the swelling (as its square root) and ln delta_b: ln of the conducting share, the
    same weighted along the current, and the mean opening of what conducts.
    """

    top: float
    low: float
    high: float
    values: Floats = field(repr=False)

    @classmethod
    def of(
        cls, sample: ContactSample, strain: float, top: float, low: float, high: float
    ) -> _Tables:
        swelling = top * np.linspace(0.0, 1.0, _GRID[0]) ** 2
        breaking = np.exp(np.linspace(np.log(low), np.log(high), _GRID[1]))
        opened, stretched = sample.opened[strain], sample.stretched[strain]
        weights = sample.weights / sample.weights.sum()
        values = np.empty((*_GRID, 3))
        for i, s in enumerate(swelling):
            delta = np.maximum(opened + s * stretched, 1e-12)
            # the chance that ln X > ln(delta/delta_b), X log-normal(0, 1)
            holds = ndtr(np.log(breaking[:, None] / delta))
            held = np.maximum(holds @ weights, 1e-12)
            values[i, :, 0] = np.log(np.maximum(holds.mean(axis=1), 1e-12))
            values[i, :, 1] = np.log(held)
            values[i, :, 2] = holds @ (weights * delta) / held
        return cls(top, low, high, values)

    def at(self, swelling: Floats, delta_b: Floats) -> tuple[Floats, Floats, Floats]:
        """Bilinear, the nearest edge beyond the grid."""
        u = np.sqrt(np.clip(swelling / self.top, 0.0, 1.0)) * (_GRID[0] - 1)
        v = np.log(delta_b / self.low) / np.log(self.high / self.low) * (_GRID[1] - 1)
        v = np.clip(v, 0.0, _GRID[1] - 1)
        i = np.minimum(u.astype(np.int64), _GRID[0] - 2)
        j = np.minimum(v.astype(np.int64), _GRID[1] - 2)
        a, b = (u - i)[..., None], (v - j)[..., None]
        t = self.values
        found = (1.0 - a) * ((1.0 - b) * t[i, j] + b * t[i, j + 1]) + a * (
            (1.0 - b) * t[i + 1, j] + b * t[i + 1, j + 1]
        )
        return found[..., 0], found[..., 1], found[..., 2]


@dataclass(frozen=True, slots=True)
class _Regression:
    """Coefficients with their covariance, and what held-out settings add to it.

    Parameters
    ----------
    coefficients : (p,) ndarray
    covariance : (p, p) ndarray
        From the fit and from resampling the boxes.
    held_out : float
        Root mean square deviation of ln R at the settings held out.
    reach : float
        Root mean square size of the prediction there, which scales the deviation.

    """

    coefficients: Floats
    covariance: Floats
    held_out: float
    reach: float

    def error(self, change: Floats) -> Floats:
        """Give the standard error of a change of the features (..., p)."""
        from_fit = np.einsum("...p,pq,...q->...", change, self.covariance, change)
        size = np.abs(change @ self.coefficients)
        share = np.minimum(size / self.reach, 3.0) if self.reach > 0.0 else 1.0
        return np.asarray(np.sqrt(np.maximum(from_fit, 0.0) + (self.held_out * share) ** 2))


def _bayes(
    X: Floats, y: Floats, noise: Floats, prior: tuple[Floats, float]
) -> tuple[Floats, Floats]:
    """Linear fit with a normal prior: coefficients and covariance (textbook form)."""
    mean, spread = prior
    scaled = X / noise[:, None]
    precision = scaled.T @ scaled + np.eye(len(mean)) / spread**2
    covariance = np.linalg.inv(precision)
    found = mean + covariance @ (scaled.T @ ((y - X @ mean) / noise))
    return np.asarray(found), np.asarray(covariance)


def _regress(
    X: Floats,
    y: Floats,
    noise: Floats,
    held_out: NDArray[np.bool_],
    prior: tuple[Floats, float],
    left_out: Floats,
) -> _Regression:
    """Fit, try on what is held out, then fit all; `left_out` is y less one box, (boxes, k).

    Rows that are not finite are open circuits and left aside.
    """
    good = np.isfinite(y) & np.isfinite(X).all(axis=1)
    noise = np.where(np.isfinite(noise), noise, 1.0)
    deviation, reach = 0.0, 0.0
    tried = good & held_out
    if tried.any():
        trained = good & ~held_out
        first, _ = _bayes(X[trained], y[trained], noise[trained], prior)
        deviation = float(np.sqrt(np.mean((X[tried] @ first - y[tried]) ** 2)))
        reach = float(np.sqrt(np.mean(y[tried] ** 2)))
    coefficients, covariance = _bayes(X[good], y[good], noise[good], prior)
    n = len(left_out)
    if n > 1:
        rows = []
        for other in left_out:
            kept = good & np.isfinite(other)
            rows.append(_bayes(X[kept], other[kept], noise[kept], prior)[0])
        apart = np.asarray(rows) - np.mean(rows, axis=0)
        covariance = covariance + (n - 1) / n * apart.T @ apart
    return _Regression(coefficients, covariance, deviation, reach)


@dataclass(frozen=True, slots=True)
class _Node:
    """One loading that conducts."""

    fit: LoadingFit
    expansion: float
    electrode_excess: float
    rest: _Regression
    strained: Mapping[float, _Regression]
    beta_slopes: Floats


@dataclass(frozen=True, slots=True)
class FilmResponses:
    """ln R of any film of a plan against loading, threshold and the law's parameters.

    Parameters
    ----------
    strains, temperatures : tuple of float
        The states [-, K].
    volume_fractions : tuple of float
        Explored loadings that hold boxes.
    base : mapping of str to float
        Parameters that the boxes were solved with, by the names of `PARAMETERS`.
    closed_at : float
        Temperature of the reference state [K].
    threshold : LoadingThreshold
        The film's own threshold at rest and 20 C, as planned.
    bond : Bond, optional
        What holds the film while it warms.
    thickening : float
        Swelling that opens contacts as far as a unit of thermal strain through a bonded
        film alone.
    chord : float, optional
        Which of the strains gauge factors are taken to; by default the farthest from zero.
    window : (float, float), optional
        Strains that films are read at; by default all.

    Notes
    -----
    g0 and Ea act in closed form, as the contacts to the electrodes are taken to scale with
    g0. A film that conducts by its own threshold at the setting, but whose boxes were below
    it there, is extrapolated with the published exponent, as are films beyond the loadings
    explored. Swelling at a temperature does what a larger lambda_T does at 20 C, so that
    one fit serves all temperatures; the thickening of a bonded film counts as the swelling
    that opens its contacts as far on average. Strains between those solved take the fit of
    the extreme on their side.

    """

    strains: tuple[float, ...]
    temperatures: tuple[float, ...]
    volume_fractions: tuple[float, ...]
    base: Mapping[str, float]
    closed_at: float
    threshold: LoadingThreshold
    _nodes: tuple[_Node, ...] = field(repr=False)
    _tables: Mapping[float, _Tables] = field(repr=False)
    chord: float | None = None
    window: tuple[float, float] | None = None
    bond: Bond | None = None
    thickening: float = 0.0

    # ------------------------------------------------------------------ building
    @classmethod
    def from_loadings(
        cls,
        fits: Sequence[LoadingFit],
        surfaces: Sequence[LoadingSurface | None],
        threshold: LoadingThreshold,
        *,
        base: Mapping[str, float],
        closed_at: float,
        sample: ContactSample,
        held_out: int,
        bond: Bond | None = None,
    ) -> FilmResponses | None:
        """Fit the settings of every loading.

        Parameters
        ----------
        fits : sequence of LoadingFit
            In increasing loading.
        surfaces : sequence of LoadingSurface or None
            One a fit; None where no boxes were varied.
        threshold : LoadingThreshold
            The film's own at rest and 20 C.
        base : mapping of str to float
            Parameters as planned, by the names of `PARAMETERS`.
        closed_at : float
            Temperature of the reference state [K].
        sample : ContactSample
            Contacts of the boxes.
        held_out : int
            How many of the settings, the last ones, test the fit.
        bond : Bond, optional
            What holds the film while it warms.

        Returns
        -------
        FilmResponses or None
            None if no loading above the threshold conducts and was varied.

        """
        used = [
            (fit, surface)
            for fit, surface in zip(fits, surfaces, strict=True)
            if surface is not None
            and not fit.is_open
            and fit.loading.volume_fraction > threshold.volume_fraction * (1.0 + NEAREST)
        ]
        if not used:
            return None
        loading = used[0][0].loading
        temperatures = np.array([min(loading.temperatures), max(loading.temperatures)])
        steepest = max(surface.expansion for _, surface in used)
        thickening = sample.thickening
        reached = _swelling(steepest, temperatures, closed_at, bond, thickening)
        top = max(float(reached.max()), 1e-6)
        low, high = base["delta_b"] / _DELTA_B_REACH, base["delta_b"] * _DELTA_B_REACH
        tables = {
            strain: _Tables.of(sample, strain, top, low, high)
            for strain in {0.0, *loading.strains}
        }
        bare = cls(
            loading.strains,
            loading.temperatures,
            tuple(fit.loading.volume_fraction for fit in fits),
            dict(base),
            closed_at,
            threshold,
            (),
            tables,
            bond=bond,
            thickening=thickening,
        )
        nodes = tuple(bare._node(fit, surface, held_out) for fit, surface in used)
        return replace(bare, _nodes=nodes, chord=loading.chord, window=loading.window)

    def _node(self, fit: LoadingFit, surface: LoadingSurface, held_out: int) -> _Node:
        loading = fit.loading
        ref = loading.reference_state
        section = loading.sections[-1]
        place = {s: k for k, s in enumerate(surface.states)}
        n = len(surface.base)
        everything = np.concatenate(
            [surface.base[:, None, :], surface.conductances], axis=1
        )
        weights = np.vstack([np.ones((1, n)), 1.0 - np.eye(n)])
        flat = everything.reshape(n, -1)
        means = weighted_medium(flat, weights, loading.dimension)
        means = means.reshape(len(weights), *everything.shape[1:])
        # contacts to the electrodes do not open: what they cost is not the material's
        share = min(max(surface.electrode_share, 0.0), 0.9)
        with np.errstate(divide="ignore", invalid="ignore"):
            inverse = 1.0 / means
            at_rest = inverse[:, :1, place[ref]]
            material = np.where(
                np.isfinite(inverse), inverse - share * at_rest[..., None], np.inf
            )
            logs = np.where(
                np.isfinite(material) & (material > 0.0), np.log(material), np.nan
            )
        settings = np.vstack(
            [[self.base[p] for p in ("beta", "delta_b", "lambda_T")], surface.settings]
        )
        tested = np.zeros(len(settings), dtype=np.bool_)
        if held_out:
            tested[-held_out:] = True
        base_activation = self.base["Ea"] / Boltzmann
        blocks_x, blocks_y, blocks_test = [], [], []
        for s in surface.states:
            if loading.strains[s] != 0.0:
                continue
            temperature = loading.temperatures[s]
            features = self._rest_features(
                settings, loading.volume_fraction, surface.expansion, temperature
            )
            start = self._rest_features(
                settings[:1], loading.volume_fraction, surface.expansion, ROOM_TEMPERATURE
            )
            change = self._second_order(features, start)
            inverse_t = 1.0 / temperature - 1.0 / ROOM_TEMPERATURE
            rise = logs[:, :, place[s]] - logs[:, :1, place[ref]]
            blocks_y.append(rise - base_activation * inverse_t)
            blocks_x.append(np.where(features[:, :1] > np.log(NEAREST), change, np.nan))
            blocks_test.append(tested)
        X, Y = np.concatenate(blocks_x), np.concatenate(blocks_y, axis=1)
        rest = _regress(
            X,
            Y[0],
            np.hypot(_jackknife(Y), MODEL_ERROR),
            np.concatenate(blocks_test),
            REST_PRIOR,
            Y[1:],
        )
        strained = {}
        for s in surface.states:
            strain = loading.strains[s]
            if strain == 0.0:
                continue
            change = self._strain_features(
                settings,
                loading.volume_fraction,
                surface.expansion,
                loading.temperatures[s],
                strain,
            )
            rise = logs[:, :, place[s]] - logs[:, :, place[ref]]
            strained[strain] = _regress(
                change,
                rise[0],
                np.hypot(_jackknife(rise), 0.1 * MODEL_ERROR),
                tested,
                STRAIN_PRIOR,
                rise[1:],
            )
        excess = share * section * float(at_rest[0, 0])
        if not np.isfinite(excess):
            excess = 0.0
        return _Node(
            fit,
            surface.expansion,
            excess,
            rest,
            strained,
            surface.beta_slopes / (1.0 - share),
        )

    # ------------------------------------------------------------------ features
    def _swelling(
        self, lambda_T: Floats, expansion: float | Floats, temperature: float
    ) -> Floats:
        felt = lambda_T * expansion
        return _swelling(felt, temperature, self.closed_at, self.bond, self.thickening)

    def _ratio(
        self, log_share: Floats, volume_fraction: ArrayLike, expansion: float
    ) -> Floats:
        """Volume fraction over the film's own threshold when a share of contacts holds."""
        held, _, _ = self._tables[0.0].at(
            self._swelling(np.array(self.base["lambda_T"]), expansion, ROOM_TEMPERATURE),
            np.array(self.base["delta_b"]),
        )
        ratio = np.asarray(volume_fraction) / self.threshold.volume_fraction
        return np.asarray(ratio * np.exp(log_share - held))

    def _rest_features(
        self, settings: Floats, phi: ArrayLike, expansion: float, temperature: float
    ) -> Floats:
        """X and m without strain, (n, 2); x is bounded where boxes say nothing."""
        beta, delta_b, lambda_T = settings.T
        held, _, opening = self._tables[0.0].at(
            self._swelling(lambda_T, expansion, temperature), delta_b
        )
        ratio = self._ratio(held, phi, expansion)
        x = np.log(np.maximum(ratio - 1.0, NEAREST))
        return np.stack([x, beta * opening], axis=-1)

    @staticmethod
    def _second_order(features: Floats, start: Floats) -> Floats:
        dx, dm = np.moveaxis(features - start, -1, 0)
        return np.stack([dx, dm, dx**2, dm**2, dx * dm], axis=-1)

    def _strain_features(
        self,
        settings: Floats,
        phi: ArrayLike,
        expansion: float,
        temperature: float,
        strain: float,
    ) -> Floats:
        """How m and the conducting shares change from no strain, (n, 3)."""
        beta, delta_b, lambda_T = settings.T
        swelling = self._swelling(lambda_T, expansion, temperature)
        held, along, opening = self._tables[0.0].at(swelling, delta_b)
        held_e, along_e, opening_e = self._tables[strain].at(swelling, delta_b)
        ratio = np.maximum(self._ratio(held, phi, expansion), 1.0 + NEAREST)
        near = ratio / (ratio - 1.0)
        return np.stack(
            [
                beta * (opening_e - opening),
                near * (along_e - along),
                near * (held_e - held),
            ],
            axis=-1,
        )

    # ------------------------------------------------------------------ answers
    def _arguments(
        self,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
    ) -> tuple[Floats, Floats, dict[str, Floats], Floats]:
        unknown = sorted(set(parameters) - set(PARAMETERS))
        if unknown:
            raise ValueError(
                f"parameters {', '.join(unknown)} not known; use {', '.join(PARAMETERS)}"
            )
        given = [np.asarray(parameters.get(p, self.base[p]), float) for p in PARAMETERS]
        phi, factor, *values = np.broadcast_arrays(
            np.atleast_1d(np.asarray(volume_fraction, float)),
            np.asarray(threshold_factor, float),
            *given,
        )
        if phi.ndim != 1:
            raise ValueError("volume fraction and parameters must be numbers or (n,)")
        named = dict(zip(PARAMETERS, values, strict=True))
        for name, value in (("volume fraction", phi), ("threshold_factor", factor)):
            if not (np.isfinite(value).all() and (value > 0.0).all()):
                raise ValueError(f"{name} must be positive and finite")
        for name in ("g0", "delta_b"):
            if not (np.isfinite(named[name]).all() and (named[name] > 0.0).all()):
                raise ValueError(f"{name} must be positive and finite")
        for name in ("beta", "lambda_T", "Ea"):
            if not (np.isfinite(named[name]).all() and (named[name] >= 0.0).all()):
                raise ValueError(f"{name} must be finite and not negative")
        settings = np.stack([named[p] for p in ("beta", "delta_b", "lambda_T")], axis=1)
        return phi / factor, settings, named, factor

    def _side(self, node: _Node, strain: float) -> _Regression | None:
        """Fit of the solved strain on the side of a strain."""
        same = [e for e in node.strained if e * strain > 0.0]
        if not same:
            return None
        return node.strained[max(same, key=abs)]

    def _changes(
        self, node: _Node, settings: Floats, temperature: float
    ) -> tuple[Floats, Floats]:
        """Change of the rest features from as planned at the same temperature, and x."""
        own = np.array([[self.base[p] for p in ("beta", "delta_b", "lambda_T")]])
        phi = node.fit.loading.volume_fraction
        start = self._rest_features(own, phi, node.expansion, ROOM_TEMPERATURE)
        here = self._rest_features(own, phi, node.expansion, temperature)
        features = self._rest_features(settings, phi, node.expansion, temperature)
        change = self._second_order(features, start) - self._second_order(here, start)
        return change, features[:, 0]

    def _strain_changes(
        self, node: _Node, settings: Floats, temperature: float, strain: float
    ) -> Floats:
        own = np.array([[self.base[p] for p in ("beta", "delta_b", "lambda_T")]])
        phi = node.fit.loading.volume_fraction
        return self._strain_features(
            settings, phi, node.expansion, temperature, strain
        ) - self._strain_features(own, phi, node.expansion, temperature, strain)

    def log_resistance(
        self,
        film: Film,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        *,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Give ln of the resistance [ohm] of a film at every state.

        Parameters
        ----------
        film : Film
            Sizes and electrodes.
        volume_fraction : float or (n,) array_like
            Loading.
        parameters : mapping of str to float or (n,) array_like
            By the names of `PARAMETERS`; missing ones as planned.
        threshold_factor : float, (n,) or (n, q) array_like
            Real threshold over the simulated one; acts as a loading lower by it. Several
            for each film, (n, q), cost little more than one.
        states : sequence of int, optional
            Indices of the states wanted; all by default.

        Returns
        -------
        (n, n states) or (n, q, n states) ndarray of float
            inf where the film is open.

        Raises
        ------
        ValueError
            If a name is not known or a value is out of range.

        """
        factors = np.asarray(threshold_factor, dtype=np.float64)
        columns = factors.T if factors.ndim == 2 else factors[None, ...]
        lowered, settings, named, first = self._arguments(
            volume_fraction, parameters, columns[0]
        )
        if not (np.isfinite(columns).all() and (columns > 0.0).all()):
            raise ValueError("threshold_factor must be positive and finite")
        wanted = range(len(self.strains)) if states is None else states
        n, K = len(lowered), len(self._nodes)
        out = np.empty((n, len(columns), len(wanted)))
        for temperature, places in self._by_temperature(wanted).items():
            here = [wanted[place] for place in places]
            x = np.empty((n, K))
            y = np.empty((n, K, len(here)))
            for k, node in enumerate(self._nodes):
                change, x[:, k] = self._changes(node, settings, temperature)
                rise = change @ node.rest.coefficients
                for i, s in enumerate(here):
                    log_q = rise
                    side = self._side(node, self.strains[s])
                    if side is not None:
                        more = self._strain_changes(
                            node, settings, temperature, self.strains[s]
                        )
                        log_q = rise + more @ side.coefficients
                    y[:, k, i] = self._node_film(node, film, s, log_q)
            inverse_t = 1.0 / temperature - 1.0 / ROOM_TEMPERATURE
            exact = (named["Ea"] - self.base["Ea"]) / Boltzmann * inverse_t
            exact = exact - np.log(named["g0"] / self.base["g0"])
            at = np.arange(n)
            for j, column in enumerate(columns):
                phi = lowered * first / column
                expansion = self._expansion(phi)
                xq, conducts = self._query(phi, settings, expansion, temperature, here)
                low, high, share, beyond = _bracket(x, xq)
                mixed = _mix(share[:, None], y[at, low], y[at, high])
                value = mixed + (exact - PUBLISHED_EXPONENT * beyond)[:, None]
                out[:, j, places] = np.where(conducts, value, np.inf)
        return out if factors.ndim == 2 else out[:, 0]

    def _by_temperature(self, states: Sequence[int]) -> dict[float, list[int]]:
        """Group states by temperature, as places in the sequence."""
        places: dict[float, list[int]] = {}
        for place, s in enumerate(states):
            places.setdefault(self.temperatures[s], []).append(place)
        return places

    def _node_film(self, node: _Node, film: Film, s: int, log_q: Floats) -> Floats:
        """Ln R of a film of a node whose material resists q times as much as planned."""
        rho, excess = node.fit.resistivity[s], node.fit.electrode_excess[s]
        if np.isinf(rho):
            return np.full_like(log_q, np.inf)
        q = np.exp(np.clip(log_q, -LARGEST_CHANGE, LARGEST_CHANGE))
        fixed = node.electrode_excess
        return np.log(film.resistance(rho * q, fixed + (excess - fixed) * q))

    def own_threshold(
        self, parameters: Mapping[str, ArrayLike], threshold_factor: ArrayLike = 1.0
    ) -> Floats:
        """Give the film's own threshold at rest and 20 C as volume fraction, (n,).

        Parameters
        ----------
        parameters : mapping of str to float or (n,) array_like
            By the names of `PARAMETERS`; missing ones as planned.
        threshold_factor : float or (n,) array_like
            Real threshold over the simulated one, before contacts are lost.

        Returns
        -------
        (n,) ndarray of float

        """
        phi, settings, _, _ = self._arguments(
            self.threshold.volume_fraction, parameters, threshold_factor
        )
        expansion = self._expansion(np.array([self.threshold.volume_fraction]))[0]
        held, _, _ = self._tables[0.0].at(
            self._swelling(settings[:, 2], expansion, ROOM_TEMPERATURE), settings[:, 1]
        )
        # phi is the threshold over the factor; a lost share of contacts raises it as well
        ratio = self._ratio(held, phi, expansion)
        return np.asarray(self.threshold.volume_fraction / ratio)

    def _expansion(self, phi: Floats) -> Floats:
        """Thermal expansion of composites between the loadings."""
        return np.interp(
            phi,
            [node.fit.loading.volume_fraction for node in self._nodes],
            [node.expansion for node in self._nodes],
        )

    def _query(
        self,
        phi: Floats,
        settings: Floats,
        expansion: Floats,
        temperature: float,
        states: Sequence[int],
    ) -> tuple[Floats, NDArray[np.bool_]]:
        """X of the films asked for, and whether each conducts at each state."""
        _, delta_b, lambda_T = settings.T
        swelling = self._swelling(lambda_T, expansion, temperature)
        held = np.full_like(swelling, self.base["lambda_T"])
        own = self._swelling(held, expansion, ROOM_TEMPERATURE)
        planned, _, _ = self._tables[0.0].at(own, np.full_like(own, self.base["delta_b"]))
        conducts = np.empty((len(phi), len(states)), dtype=np.bool_)
        relative = phi / self.threshold.volume_fraction
        held, _, _ = self._tables[0.0].at(swelling, delta_b)
        ratio = relative * np.exp(held - planned)
        for i, s in enumerate(states):
            strained, _, _ = self._tables[self.strains[s]].at(swelling, delta_b)
            conducts[:, i] = relative * np.exp(np.minimum(strained, held) - planned) > 1.0
        with np.errstate(divide="ignore"):
            x = np.log(np.maximum(ratio - 1.0, 1e-300))
        return x, conducts

    def log_error(
        self,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        *,
        relative: bool = False,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Give the standard error of `log_resistance`, of the film alone.

        Parameters
        ----------
        volume_fraction, parameters, threshold_factor
            As in `log_resistance`.
        relative : bool
            Of ln R less that at rest and 20 C instead.
        states : sequence of int, optional
            Indices of the states wanted; all by default.

        Returns
        -------
        (n, n states) ndarray of float
            Contains the scatter of the boxes, those solved as planned and those varied;
            the deviations at the settings held out; and, outside the loadings explored, a
            doubt of 0.3 in the published exponent. Not the uncertainty of parameters,
            threshold or bench.

        """
        phi, settings, _, _ = self._arguments(volume_fraction, parameters, threshold_factor)
        n, K = len(phi), len(self._nodes)
        wanted = range(len(self.strains)) if states is None else states
        out = np.empty((n, len(wanted)))
        room = next(t for t in self.temperatures if is_room_temperature(t))
        at = np.arange(n)
        for temperature, places in self._by_temperature(wanted).items():
            here = [wanted[place] for place in places]
            x = np.empty((n, K))
            error = np.empty((n, K, len(here)))
            for k, node in enumerate(self._nodes):
                ref = node.fit.loading.reference_state
                change, x[:, k] = self._changes(node, settings, temperature)
                if relative:
                    change = change - self._changes(node, settings, room)[0]
                rest = node.rest.error(change) ** 2
                for i, s in enumerate(here):
                    variance = rest + self._base_variance(node, s, ref, relative)
                    side = self._side(node, self.strains[s])
                    if side is not None:
                        more = self._strain_changes(
                            node, settings, temperature, self.strains[s]
                        )
                        variance = variance + side.error(more) ** 2
                    error[:, k, i] = np.sqrt(variance)
            xq, _ = self._query(phi, settings, self._expansion(phi), temperature, [])
            low, high, share, beyond = _bracket(x, xq)
            found = _mix(share[:, None], error[at, low], error[at, high])
            doubt = (0.0 if relative else EXPONENT_ERROR) * np.abs(beyond)
            out[:, places] = np.hypot(found, np.minimum(doubt, 10.0)[:, None])
        return out

    @staticmethod
    def _base_variance(node: _Node, s: int, ref: int, relative: bool) -> float:
        """Variance of ln R as planned, from the resampled boxes."""
        fit = node.fit
        if np.isinf(fit.resistivity[s]):
            return 1.0
        draws, at_rest = fit.resistivity_draws[:, s], fit.resistivity_draws[:, ref]
        kept = np.isfinite(draws) & np.isfinite(at_rest)
        if kept.sum() < 2:
            return 1.0
        draws = draws[kept] / at_rest[kept] if relative else draws[kept]
        low, high = np.quantile(np.log(draws), [0.158655, 0.841345])
        return float((0.5 * (high - low)) ** 2)

    def gradient(self, film: Film, volume_fraction: float, state: int) -> dict[str, float]:
        r"""Slopes of ln R of a film as planned.

        Parameters
        ----------
        film : Film
            Sizes and electrodes.
        volume_fraction : float
            Loading.
        state : int
            Index of the state.

        Returns
        -------
        dict of str to float
            d ln R / d ln p for `g0`, `beta`, `delta_b` and `threshold`, d ln R / d p for
            `lambda_T` and `Ea` [1/J]. g0 and Ea are exact, beta is that of Tellegen's
            theorem in every longest box; delta_b, lambda_T and threshold, which make or
            break contacts, are differences of `log_resistance`. All 0 for an open film.

        """
        phi = float(volume_fraction)

        def at(factor: float = 1.0, **parameters: float) -> float:
            return float(self.log_resistance(film, phi, parameters, factor)[0, state])

        here = at()
        if np.isinf(here):
            return dict.fromkeys((*PARAMETERS, "threshold"), 0.0)

        def slope(up: float, down: float, step: float) -> float:
            if np.isinf(up) or np.isinf(down):
                up, down, step = (
                    (here, down, 0.5 * step) if np.isinf(up) else (up, here, 0.5 * step)
                )
            return (up - down) / step if np.isfinite(up - down) else 0.0

        h = STEP
        breaking, held = self.base["delta_b"], self.base["lambda_T"]
        d = h * max(held, 0.1)
        high, low = min(held + d, max(held, 1.0)), max(held - d, 0.0)
        inverse_t = 1.0 / self.temperatures[state] - 1.0 / ROOM_TEMPERATURE
        settings = np.array([[self.base[p] for p in ("beta", "delta_b", "lambda_T")]])
        temperature = self.temperatures[state]
        x = np.stack(
            [self._changes(node, settings, temperature)[1] for node in self._nodes], axis=1
        )
        one = np.array([phi])
        xq, _ = self._query(one, settings, self._expansion(one), temperature, [state])
        lower, upper, share, _ = _bracket(x, xq)
        slopes = [-node.beta_slopes[state] for node in self._nodes]
        beta = slopes[lower[0]] + share[0] * (slopes[upper[0]] - slopes[lower[0]])
        return {
            "g0": -1.0,
            "beta": float(beta),
            "delta_b": slope(
                at(delta_b=breaking * np.exp(h)), at(delta_b=breaking * np.exp(-h)), 2.0 * h
            ),
            "lambda_T": slope(at(lambda_T=high), at(lambda_T=low), high - low),
            "Ea": inverse_t / Boltzmann,
            "threshold": slope(at(factor=np.exp(h)), at(factor=np.exp(-h)), 2.0 * h),
        }


@dataclass(frozen=True, slots=True)
class KnownResponses:
    """Responses as if the plan had named the contacts and threshold that films tell.

    Parameters
    ----------
    responses : FilmResponses
        Those of the plan.
    base : mapping of str to float
        Parameters that stand for those not given.
    factor : float
        Threshold that films tell over the simulated one; threshold factors are to it.

    """

    responses: FilmResponses
    base: Mapping[str, float]
    factor: float

    @property
    def strains(self) -> tuple[float, ...]:
        """Strain of each state."""
        return self.responses.strains

    @property
    def temperatures(self) -> tuple[float, ...]:
        """Temperature of each state [K]."""
        return self.responses.temperatures

    @property
    def chord(self) -> float | None:
        """Which of the strains gauge factors are taken to."""
        return self.responses.chord

    @property
    def window(self) -> tuple[float, float] | None:
        """Strains that films are read at; by default all."""
        return self.responses.window

    def log_resistance(
        self,
        film: Film,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        *,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Ln R (n, n states), as `FilmResponses.log_resistance`."""
        return self.responses.log_resistance(
            film,
            volume_fraction,
            {**self.base, **parameters},
            self.factor * np.asarray(threshold_factor, dtype=np.float64),
            states=states,
        )

    def log_error(
        self,
        volume_fraction: ArrayLike,
        parameters: Mapping[str, ArrayLike],
        threshold_factor: ArrayLike = 1.0,
        *,
        relative: bool = False,
        states: Sequence[int] | None = None,
    ) -> Floats:
        """Give its standard error (n, n states), as `FilmResponses.log_error`."""
        return self.responses.log_error(
            volume_fraction,
            {**self.base, **parameters},
            self.factor * np.asarray(threshold_factor, dtype=np.float64),
            relative=relative,
            states=states,
        )

    def gradient(self, film: Film, volume_fraction: float, state: int) -> dict[str, float]:
        """Slopes of ln R, as `FilmResponses.gradient` but all by differences."""
        h = STEP

        def at(factor: float = 1.0, **changed: float) -> float:
            found = self.log_resistance(
                film, volume_fraction, changed, factor, states=[state]
            )
            return float(found[0, 0])

        def slope(up: float, down: float, step: float) -> float:
            return (up - down) / step if np.isfinite([up, down]).all() else 0.0

        out = {}
        for name in ("g0", "beta", "delta_b"):
            value = self.base[name]
            up, down = (at(**{name: value * np.exp(k * h)}) for k in (1.0, -1.0))
            out[name] = slope(up, down, 2.0 * h)
        # these may be 0, so that their step is not relative
        for name, least in (("lambda_T", 0.1), ("Ea", 1e-22)):
            value = self.base[name]
            step = h * max(value, least)
            low = max(value - step, 0.0)
            up, down = (at(**{name: x}) for x in (value + step, low))
            out[name] = slope(up, down, value + step - low)
        out["threshold"] = slope(at(np.exp(h)), at(np.exp(-h)), 2.0 * h)
        return out


def _jackknife(values: Floats) -> Floats:
    """Estimate the standard error from rows 1.. that leave one box out; row 0 has all."""
    n = len(values) - 1
    if n < 2:
        return np.zeros(values.shape[1])
    apart = values[1:] - values[1:].mean(axis=0)
    return np.asarray(np.sqrt((n - 1) / n * (apart**2).sum(axis=0)))


def _mix(share: Floats, low: Floats, high: Floats) -> Floats:
    """Interpolate; an upper neighbour of no weight may be open."""
    start = np.where(np.isinf(low), 0.0, low)
    rise = np.where(share > 0.0, high, start) - start
    return np.asarray(np.where(np.isinf(low), np.inf, start + share * rise))


def _bracket(
    x: Floats, wanted: Floats
) -> tuple[NDArray[np.int64], NDArray[np.int64], Floats, Floats]:
    """Neighbours among rising abscissae (n, K), weight of the upper, and what lies beyond.

    Nodes bounded at the threshold count only where there is no other.
    """
    n, K = x.shape
    bounded = (x <= np.log(NEAREST) + 1e-9).sum(axis=1)
    first = np.minimum(bounded, K - 1)
    below = (x < wanted[:, None]).sum(axis=1)
    low = np.clip(below - 1, first, K - 1)
    high = np.minimum(low + 1, K - 1)
    at = np.arange(n)
    x_low, x_high = x[at, low], x[at, high]
    inside = (wanted >= x_low) & (high > low)
    gap = np.where(x_high > x_low, x_high - x_low, 1.0)
    share = np.where(inside, np.clip((wanted - x_low) / gap, 0.0, 1.0), 0.0)
    reached = x_low + share * (x_high - x_low)
    return low, high, share, wanted - reached
