r"""Stage 7. What the contact-opening law does to the material of a film.

A few boxes a loading are solved again at settings of the law around the plan's own. What
the law does is nearly told by two numbers of the contacts alone, which need no solve: the
share S that still conducts, and how far those have weakened on average,
:math:`m = \beta \langle\delta\rangle`. Particles percolate at a given number of contacts
each, so that the film's own threshold goes as 1/S, and

.. math:: \ln \rho \approx -t\,x + k\,m + ..., \qquad x = \ln(\phi/\phi_c(\theta) - 1).

The settings fit what these leave, second order in x and m, for each loading; each setting
left out of the fit in turn says how well.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann
from scipy.special import ndtr

from percsim.film.medium import weighted_medium
from percsim.film.memories import (
    MEMORY_PRIOR,
    Contacts,
    MemorySurface,
    Pulls,
    Walk,
    memory_numbers,
)
from percsim.film.regress import Fit, Regressions, jackknife, regress
from percsim.film.transfer import (
    PUBLISHED_EXPONENT,
    LoadingFit,
    LoadingThreshold,
)
from percsim.states.temperature import ROOM_TEMPERATURE, Bond, felt_strains

__all__ = ["LAW", "NEAREST", "ContactSample", "ContactSurface", "LoadingSurface"]

Floats = NDArray[np.float64]

LAW = ("g0", "beta", "delta_b", "lambda_T", "Ea")
"""Parameters of the contact-opening law: S, 1, 1, 1, J."""

NEAREST = 0.05
"""phi/phi_c - 1 below which boxes say nothing of a film (judgement)."""

MODEL_ERROR = 0.01
"""Smallest deviation of ln R from the fit, whatever its boxes do (judgement)."""

REST_PRIOR = (np.array([-PUBLISHED_EXPONENT, 1.0, 0.0, 0.0, 0.0]), 0.5)
"""Slopes of ln R to x, m, x^2, m^2 and x m before any box: the published exponent, and a
homogeneous network for m; and their standard deviation (judgement)."""

STRAIN_PRIOR = (np.array([0.5, 0.0, -PUBLISHED_EXPONENT]), 0.5)
"""The same for the change with strain, to that of m, and of x by the conducting share
weighted along the current and by that share."""

SEEN = 64
"""Settings, temperatures and strains whose contacts are kept."""

_GRID = (41, 61)
_DELTA_B_REACH = 16.0
_TAIL, _BIN = 8.0, 0.01
"""How far openings count beyond those of delta_b, and steps between them, in ln."""


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
    expansion : float
        Linear thermal expansion of the composite [1/K].
    pulls : Pulls, optional
        The same boxes with memory.

    """

    states: tuple[int, ...]
    settings: Floats
    base: Floats = field(repr=False)
    conductances: Floats = field(repr=False)
    electrode_share: float
    expansion: float
    pulls: Pulls | None = None


def _histogram(x: Floats, weights: Floats, bins: Floats) -> Floats:
    """Share out weights (c,) at x (c,) to the points on both sides, evenly spaced."""
    place = np.clip((x - bins[0]) / (bins[1] - bins[0]), 0.0, len(bins) - 1.001)
    low = place.astype(np.int64)
    far = weights * (place - low)
    return np.asarray(
        np.bincount(low, weights - far, len(bins)) + np.bincount(low + 1, far, len(bins))
    )


@dataclass(frozen=True, slots=True)
class Tables:
    """Conducting shares and mean openings of a sample of contacts, on a grid.

    For every strain, along the swelling (as its square root) and ln delta_b: ln of the
    conducting share, the same weighted along the current, and the mean opening of what
    conducts.
    """

    top: float
    low: float
    high: float
    strains: tuple[float, ...]
    values: Floats = field(repr=False)

    @classmethod
    def of(
        cls, sample: ContactSample, strains: Sequence[float], top: float, delta_b: float
    ) -> Tables:
        low, high = delta_b / _DELTA_B_REACH, delta_b * _DELTA_B_REACH
        swelling = top * np.linspace(0.0, 1.0, _GRID[0]) ** 2
        breaking = np.exp(np.linspace(np.log(low), np.log(high), _GRID[1]))
        weights = sample.weights / sample.weights.sum()
        # the chance that ln X > ln(opening/delta_b), X log-normal(0, 1)
        bins = np.arange(np.log(low) - _TAIL, np.log(high) + _TAIL, _BIN)
        holds = ndtr(np.log(breaking)[:, None] - bins)
        values = np.empty((len(strains), *_GRID, 3))
        for k, strain in enumerate(strains):
            opened, stretched = sample.opened[strain], sample.stretched[strain]
            for i, s in enumerate(swelling):
                delta = np.maximum(opened + s * stretched, 1e-12)
                share, held, opening = (
                    holds @ _histogram(np.log(delta), w, bins)
                    for w in (
                        np.full(len(delta), 1.0 / len(delta)),
                        weights,
                        weights * delta,
                    )
                )
                values[k, i, :, 0] = np.log(np.maximum(share, 1e-12))
                values[k, i, :, 1] = np.log(np.maximum(held, 1e-12))
                values[k, i, :, 2] = opening / np.maximum(held, 1e-12)
        return cls(top, low, high, tuple(strains), values)

    def at(
        self, strain: float, swelling: Floats, delta_b: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """Bilinear, the nearest edge beyond the grid."""
        u = np.sqrt(np.clip(swelling / self.top, 0.0, 1.0)) * (_GRID[0] - 1)
        v = np.log(delta_b / self.low) / np.log(self.high / self.low) * (_GRID[1] - 1)
        v = np.clip(v, 0.0, _GRID[1] - 1)
        i = np.minimum(u.astype(np.int64), _GRID[0] - 2)
        j = np.minimum(v.astype(np.int64), _GRID[1] - 2)
        a, b = (u - i)[..., None], (v - j)[..., None]
        t = self.values[self.strains.index(strain)]
        found = (1.0 - a) * ((1.0 - b) * t[i, j] + b * t[i, j + 1]) + a * (
            (1.0 - b) * t[i + 1, j] + b * t[i + 1, j + 1]
        )
        return found[..., 0], found[..., 1], found[..., 2]


@dataclass(frozen=True, slots=True)
class ContactSurface:
    """Change of the material of K loadings with the parameters of the contact-opening law.

    Parameters
    ----------
    base : (5,) ndarray of float
        Parameters that the boxes were solved with, in the order of `LAW`.
    closed_at : float
        Temperature of the reference state [K].
    ratios, expansions : (K,) ndarray of float
        Volume fraction over the film's own threshold as planned, and linear thermal
        expansion [1/K].
    fixed : (K,) ndarray of float
        What the contacts to the electrodes cost, which do not open [ohm m^2].
    rest : Regressions
        Of the change at a temperature.
    sides : tuple of float
        The extreme strains solved, one on each side of zero where there is one.
    strained : tuple of Regressions
        One for each.
    bond : Bond, optional
        What holds the film while it warms.
    thickening : float
        Swelling that opens contacts as far as a unit of thermal strain through a bonded
        film alone.
    memory : MemorySurface, optional
        What contacts that remember add, where boxes were solved with any.

    Notes
    -----
    g0 and Ea act in closed form, as the contacts to the electrodes are taken to scale with
    g0. Swelling at a temperature does what a larger lambda_T does at 20 C, so that one fit
    serves all temperatures; the thickening of a bonded film counts as the swelling that
    opens its contacts as far on average. Strains between those solved take the fit of the
    extreme on their side.

    """

    base: Floats
    closed_at: float
    ratios: Floats
    expansions: Floats
    fixed: Floats
    rest: Regressions = field(repr=False)
    sides: tuple[float, ...]
    strained: tuple[Regressions, ...] = field(repr=False)
    tables: Tables = field(repr=False)
    bond: Bond | None = None
    thickening: float = 0.0
    memory: MemorySurface | None = field(default=None, repr=False)
    _seen: dict[tuple[bytes, float, float], tuple[Floats, Floats, Floats]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    @classmethod
    def fit(
        cls,
        fits: Sequence[LoadingFit],
        surfaces: Sequence[LoadingSurface],
        threshold: LoadingThreshold,
        *,
        base: Mapping[str, float],
        closed_at: float,
        sample: ContactSample,
        bond: Bond | None = None,
    ) -> ContactSurface:
        """Fit the settings of every loading.

        Parameters
        ----------
        fits : sequence of LoadingFit
            Those that conduct, in increasing loading.
        surfaces : sequence of LoadingSurface
            One a fit.
        threshold : LoadingThreshold
            The film's own at rest and 20 C.
        base : mapping of str to float
            Parameters as planned, by the names of `LAW`.
        closed_at : float
            Temperature of the reference state [K].
        sample : ContactSample
            Contacts of the boxes.
        bond : Bond, optional
            What holds the film while it warms.

        """
        loading = fits[0].loading
        expansions = np.array([surface.expansion for surface in surfaces])
        ends = np.array([min(loading.temperatures), max(loading.temperatures)])
        swollen = _swelling(expansions.max(), ends, closed_at, bond, sample.thickening)
        strains = sorted({0.0, *loading.strains})
        tables = Tables.of(
            sample, strains, max(float(swollen.max()), 1e-6), base["delta_b"]
        )
        K = len(fits)
        none = Regressions(*(np.zeros((K, 0)),) * 3)
        bare = cls(
            np.array([base[name] for name in LAW]),
            closed_at,
            np.array([f.loading.volume_fraction for f in fits]) / threshold.volume_fraction,
            expansions, np.zeros(K), none, (), (), tables, bond, sample.thickening,
        )  # fmt: skip
        solved = {loading.strains[s] for s in surfaces[0].states} - {0.0}
        sides = tuple(
            max(same, key=abs)
            for same in ([e for e in solved if e < 0.0], [e for e in solved if e > 0.0])
            if same
        )
        found = [
            _fit_loading(bare, k, fit, surface, sides)
            for k, (fit, surface) in enumerate(zip(fits, surfaces, strict=True))
        ]
        return cls(
            bare.base, closed_at, bare.ratios, expansions,
            np.array([one.fixed for one in found]),
            Regressions.of([one.rest for one in found]),
            sides,
            tuple(Regressions.of([one.strained[i] for one in found])
                  for i in range(len(sides))),
            tables, bond, sample.thickening, _fit_memory(bare, fits, surfaces, sample),
        )  # fmt: skip

    @property
    def own(self) -> Floats:
        """beta, delta_b, lambda_T and closed_at as planned, (1, 4)."""
        return self.solved(self.base[None, 1:4])

    def solved(self, settings: Floats) -> Floats:
        """Give settings (n, 3) of the boxes the closed_at of all, (n, 4)."""
        return np.column_stack([settings, np.full(len(settings), self.closed_at)])

    def swelling(self, settings: Floats, temperature: float) -> Floats:
        """Thermal strain at the contacts of settings (n, 4), (n, K)."""
        felt = settings[:, 2:3] * self.expansions
        return _swelling(felt, temperature, settings[:, 3:], self.bond, self.thickening)

    def held(self, settings: Floats, temperature: float, strain: float = 0.0) -> Floats:
        """Ln of the conducting share over that as planned at rest and 20 C, (n, K)."""
        held, _, _ = self._contacts(settings, temperature, strain)
        return held - self._contacts(self.own, ROOM_TEMPERATURE)[0]

    def _contacts(
        self, settings: Floats, temperature: float, strain: float = 0.0
    ) -> tuple[Floats, Floats, Floats]:
        # asked for again and again at the same settings
        key = settings.tobytes(), temperature, strain
        if key not in self._seen:
            if len(self._seen) >= SEEN:
                self._seen.clear()
            swelling = self.swelling(settings, temperature)
            delta_b = np.broadcast_to(settings[:, 1:2], swelling.shape)
            self._seen[key] = self.tables.at(strain, swelling, delta_b)
        return self._seen[key]

    def x(self, settings: Floats, temperature: float, strain: float = 0.0) -> Floats:
        """Ln of the distance from the own threshold, (n, K), bounded at `NEAREST`."""
        ratio = self.ratios * np.exp(self.held(settings, temperature, strain))
        return np.log(np.maximum(ratio - 1.0, NEAREST))

    def changes(self, settings: Floats, temperature: float) -> Floats:
        """Change of the rest features from as planned at 20 C, (n, K, 5)."""

        def features(at: Floats, t: float) -> tuple[Floats, Floats]:
            return self.x(at, t), at[:, :1] * self._contacts(at, t)[2]

        here, start = features(settings, temperature), features(self.own, ROOM_TEMPERATURE)
        dx, dm = here[0] - start[0], here[1] - start[1]
        return np.stack([dx, dm, dx**2, dm**2, dx * dm], axis=-1)

    def strain_features(
        self, settings: Floats, temperature: float, strain: float
    ) -> Floats:
        """How m and x by either conducting share change from no strain, (n, K, 3).

        x itself, not its slope in the share: near the threshold strain opens as many
        contacts as part them, and readings of a change are precise enough that an error of
        a tenth in it drags beta, delta_b and the threshold with it.
        """
        held, along, opening = self._contacts(settings, temperature)
        held_e, along_e, opening_e = self._contacts(settings, temperature, strain)
        ratio = self.ratios * np.exp(self.held(settings, temperature))
        ratio = np.maximum(ratio, 1.0 + NEAREST)

        def nearer(lost: Floats) -> Floats:
            left = np.maximum(ratio * np.exp(lost) - 1.0, NEAREST)
            return np.asarray(np.log(left / (ratio - 1.0)))

        return np.stack(
            [
                settings[:, :1] * (opening_e - opening),
                nearer(along_e - along),
                nearer(held_e - held),
            ],
            axis=-1,
        )

    def at_rest(self, settings: Floats, temperature: float) -> tuple[Floats, Floats]:
        """Ln rho without strain less that as planned there, and its error, (n, K) each."""
        change = self.changes(settings, temperature) - self.changes(self.own, temperature)
        return self.rest.change(change), self.rest.error(change)

    def remembered(self, settings: Floats, walk: Walk) -> tuple[Floats, Floats]:
        """Give what memory changes along a history, (n, v, K, 4), see `memory_numbers`.

        And 1/(1 - phi_c/phi), (n, v, K).
        """
        assert self.memory is not None
        swelling, near = self._along(settings, walk)
        return memory_numbers(self.memory.contacts, settings, swelling, near, walk), near

    def told(self, numbers: Floats) -> tuple[Floats, Floats]:
        """Change of ln rho by what memory changes (n, v, K, 4), and its error."""
        assert self.memory is not None
        flat = numbers.reshape(-1, *numbers.shape[2:])
        fits, shape = self.memory.fits, numbers.shape[:3]
        return fits.change(flat).reshape(shape), fits.error(flat).reshape(shape)

    def _along(self, settings: Floats, walk: Walk) -> tuple[Floats, Floats]:
        """Swelling and 1/(1 - phi_c/phi) of settings at the visits, (n, v, K) each."""
        temperatures, at = np.unique(walk.temperatures, return_inverse=True)
        swelling = np.stack([self.swelling(settings, t) for t in temperatures], axis=1)
        ratio = self.ratios * np.exp(
            np.stack([self.held(settings, t) for t in temperatures], axis=1)
        )
        ratio = np.maximum(ratio, 1.0 + NEAREST)
        return swelling[:, at], (ratio / (ratio - 1.0))[:, at]

    def under_strain(
        self, settings: Floats, temperature: float, strain: float
    ) -> tuple[Floats, Floats] | None:
        """Give what a strain changes besides, as `at_rest`; None on an unsolved side."""
        for side, regressions in zip(self.sides, self.strained, strict=True):
            if side * strain > 0.0:
                change = self.strain_features(settings, temperature, strain)
                change = change - self.strain_features(self.own, temperature, strain)
                return regressions.change(change), regressions.error(change)
        return None


@dataclass(frozen=True, slots=True)
class _LoadingFit:
    fixed: float
    rest: Fit
    strained: tuple[Fit, ...]


def _fit_loading(
    bare: ContactSurface,
    k: int,
    fit: LoadingFit,
    surface: LoadingSurface,
    sides: Sequence[float],
) -> _LoadingFit:
    """Regressions of one loading, on its place among the loadings of `bare`."""
    loading, ref = fit.loading, fit.loading.reference_state
    place = {s: i for i, s in enumerate(surface.states)}
    logs, share, at_rest = _material_logs(surface, place[ref], loading.dimension)
    settings = np.vstack([bare.own, bare.solved(surface.settings)])
    rows_x, rows_y, strained = [], [], {}
    for s in surface.states:
        strain, temperature = loading.strains[s], loading.temperatures[s]
        if strain != 0.0:
            if strain not in sides:
                continue
            rise = logs[:, :, place[s]] - logs[:, :, place[ref]]
            clear = bare.x(settings, temperature, strain)[:, k] > np.log(NEAREST)
            features = bare.strain_features(settings, temperature, strain)[:, k]
            strained[strain] = regress(
                np.where(clear[:, None], features, np.nan),
                rise[0],
                np.hypot(jackknife(rise), 0.1 * MODEL_ERROR),
                STRAIN_PRIOR,
                rise[1:],
            )
            continue
        inverse_t = 1.0 / temperature - 1.0 / ROOM_TEMPERATURE
        rise = logs[:, :, place[s]] - logs[:, :1, place[ref]]
        rows_y.append(rise - bare.base[4] / Boltzmann * inverse_t)
        clear = bare.x(settings, temperature)[:, k, None] > np.log(NEAREST)
        rows_x.append(np.where(clear, bare.changes(settings, temperature)[:, k], np.nan))
    X, Y = np.concatenate(rows_x), np.concatenate(rows_y, axis=1)
    noise = np.hypot(jackknife(Y), MODEL_ERROR)
    rest = regress(X, Y[0], noise, REST_PRIOR, Y[1:])
    fixed = share * loading.sections[-1] * at_rest
    return _LoadingFit(
        fixed if np.isfinite(fixed) else 0.0,
        rest,
        tuple(strained[side] for side in sides),
    )


def _fit_memory(
    bare: ContactSurface,
    fits: Sequence[LoadingFit],
    surfaces: Sequence[LoadingSurface],
    sample: ContactSample,
) -> MemorySurface:
    """Fit what memory adds in boxes of every loading; as expected where none has any."""
    contacts = Contacts.grouped(sample.weights, sample.opened, sample.stretched)
    pulls = [surface.pulls for surface in surfaces if surface.pulls is not None]
    if len(pulls) < len(surfaces):
        mean, spread = MEMORY_PRIOR
        wide = mean, spread**2 * np.eye(len(mean)), 0.0
        return MemorySurface(contacts, Regressions.of([wide] * len(fits)))
    loading, first = fits[0].loading, pulls[0]
    values = {"reclose": first.reclose, "healed": first.healed}
    walk = Walk.through(
        [loading.strains[s] for s in first.visits],
        [loading.temperatures[s] for s in first.visits],
        values,
        range(1, len(first.visits)),
    )
    settings = np.vstack([bare.own, bare.solved(surfaces[0].settings)])[first.of]
    numbers = memory_numbers(contacts, settings, *bare._along(settings, walk), walk)[:, 1:]
    found = []
    for k, (fit, surface) in enumerate(zip(fits, surfaces, strict=True)):
        assert surface.pulls is not None
        place = {s: i for i, s in enumerate(surface.states)}
        visits = [place[s] for s in surface.pulls.visits[1:]]
        everything = np.concatenate([surface.base[:, None], surface.conductances], axis=1)
        plain = everything[:, surface.pulls.of][:, :, visits]
        rest = surface.base[:, [place[fit.loading.reference_state]]]
        logs, with_memory = (
            _logs_less_electrodes(g, rest, surface, fit.loading.dimension)[0]
            for g in (plain, surface.pulls.conductances[:, :, 1:])
        )
        rise = (with_memory - logs).reshape(len(logs), -1)
        found.append(
            regress(
                numbers[:, :, k].reshape(rise.shape[1], -1),
                rise[0],
                np.hypot(jackknife(rise), 0.1 * MODEL_ERROR),
                MEMORY_PRIOR,
                rise[1:],
            )
        )
    return MemorySurface(contacts, Regressions.of(found))


def _material_logs(
    surface: LoadingSurface, rest: int, dimension: int
) -> tuple[Floats, float, float]:
    """Ln 1/G of the material, (1 + boxes, settings, states), and of electrodes and rest.

    The first row has all boxes, the others leave one out; NaN where open. Then the share
    of the contacts to the electrodes, and 1/G as planned at rest.
    """
    everything = np.concatenate([surface.base[:, None, :], surface.conductances], axis=1)
    at_rest = surface.base[:, [rest]]
    return _logs_less_electrodes(everything, at_rest, surface, dimension)


def _logs_less_electrodes(
    conductances: Floats, at_rest: Floats, surface: LoadingSurface, dimension: int
) -> tuple[Floats, float, float]:
    """Do so for conductances (boxes, ...), those at rest as planned (boxes, 1)."""
    n = len(conductances)
    flat = np.concatenate([conductances.reshape(n, -1), at_rest], axis=1)
    weights = np.vstack([np.ones((1, n)), 1.0 - np.eye(n)])
    means = weighted_medium(flat, weights, dimension)
    # contacts to the electrodes do not open: what they cost is not the material's
    share = min(max(surface.electrode_share, 0.0), 0.9)
    with np.errstate(divide="ignore", invalid="ignore"):
        inverse = 1.0 / means
        own = inverse[:, -1:]
        material = inverse[:, :-1] - share * own
        finite = np.isfinite(inverse[:, :-1]) & (material > 0.0)
        logs = np.log(np.where(finite, material, np.nan))
    return logs.reshape(len(weights), *conductances.shape[1:]), share, float(own[0, 0])


def _swelling(
    felt: ArrayLike,
    temperature: ArrayLike,
    closed_at: float | Floats,
    bond: Bond | None,
    thickening: float,
) -> Floats:
    """Thermal strain at the contacts, the same in every direction or as if it were."""
    plane, through = felt_strains(felt, temperature, closed_at, bond)
    return plane if bond is None else np.asarray(plane + thickening * (through - plane))
