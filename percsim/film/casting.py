"""Stage 7. Castings: real films around a candidate, drawn from the bench tolerances."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from percsim.boxes.statistics import cv_from_log_std, weighted_quantiles
from percsim.film.bench import Bench, wedge
from percsim.film.curve import chord, initial_slopes
from percsim.film.draws import TOLERANCE_NAMES, CastingDraws, TrialDraws
from percsim.film.electrodes import Film
from percsim.film.model import FilmModel, Loading, Material
from percsim.film.noise import BOXES, NOISES
from percsim.film.tolerances import Tolerances
from percsim.film.visits import Visits

__all__ = ["Castings", "cast_films", "strain_slopes"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Castings:
    """Castings of one candidate: a loading and an electrode gap.

    Parameters
    ----------
    model : FilmModel
        What they are read off.
    loading : Loading
        What is mixed.
    film : Film
        The nominal film.
    bench : Bench
        What they were drawn from.
    draws : CastingDraws
        The standard normal numbers of each casting.
    material : Material
        At the contacts that they have, one draw.
    log_factor : float
        ln of their threshold over the simulated one.
    nominal : (n visits,) ndarray of float
        Resistance of the film as planned [ohm], inf when open.
    resistances : (n castings, n visits) ndarray of float
        Resistance of each casting [ohm], inf when open.
    shares : dict of str to float
        Share of each tolerance in the variance of ln R at rest, one at a time, summing to 1
        (all 0 when nothing scatters or the film is open).
    log_shift : (n resamples, n visits) ndarray of float
        ln R of the film from resampled boxes less that of all boxes, inf when open.
    diameter : float
        Median lateral size of the filler [m].
    flat : Castings or None
        The same castings off the part, where they are mounted on one.

    """

    model: FilmModel = field(repr=False)
    loading: Loading
    film: Film
    bench: Bench = field(repr=False)
    draws: CastingDraws = field(repr=False)
    material: Material = field(repr=False)
    log_factor: float
    nominal: Floats
    resistances: Floats = field(repr=False)
    shares: dict[str, float]
    log_shift: Floats = field(repr=False)
    diameter: float = 0.0
    flat: Castings | None = field(default=None, repr=False)

    def __len__(self) -> int:
        return len(self.resistances)

    @property
    def visits(self) -> Visits:
        """What they go through."""
        return self.model.visits

    @property
    def tolerances(self) -> Tolerances:
        """What they were drawn from."""
        return self.bench.tolerances

    @property
    def at_rest(self) -> Floats:
        """Resistance of each casting at zero strain and 20 C [ohm]."""
        return np.asarray(self.resistances[:, self.visits.rest])

    @property
    def strained_state(self) -> int | None:
        """Visit at 20 C that gauge factors are taken to, None without one."""
        return self.visits.chord_state

    @property
    def gauge_factors(self) -> Floats:
        """Chord gauge factor of each casting, (R(e_max)/R(0) - 1)/e_max; inf if it opens.

        A casting that is open at rest has none: 0.
        """
        s = self.strained_state
        if s is None:
            return np.zeros(len(self))
        return chord(self.at_rest, self.resistances[:, s], self.visits.strains[s])

    @property
    def open_fraction(self) -> float:
        """Share of castings that are open at rest."""
        return float(np.mean(np.isinf(self.at_rest)))

    @property
    def is_open(self) -> bool:
        """Whether half of the castings or more are open: there is no spread to quote."""
        return self.open_fraction >= 0.5

    @property
    def resistance_cv(self) -> float:
        """CV of R over the conducting castings, from the spread of ln R; inf when open."""
        logs = np.log(self.at_rest[np.isfinite(self.at_rest)])
        if self.is_open or len(logs) < 2:
            return float("inf")
        return cv_from_log_std(float(logs.std(ddof=1)))

    @property
    def gauge_factor_cv(self) -> float:
        """CV of the gauge factor over castings that conduct throughout; inf when open."""
        s = self.strained_state
        if s is None or self.is_open:
            return float("inf")
        keep = np.isfinite(self.at_rest) & np.isfinite(self.resistances[:, s])
        values = self.gauge_factors[keep]
        if len(values) < 2 or values.mean() == 0.0:
            return float("inf")
        return float(values.std(ddof=1) / abs(values.mean()))

    @property
    def threshold_ratio(self) -> float:
        """Volume fraction over the film's own threshold."""
        held = self.material.held[0, :, self.visits.rest]
        log_phi = np.log(self.loading.volume_fraction) - self.log_factor
        added = 0.0
        if len(held):
            added = float(np.interp(log_phi, self.material.log_loadings, held))
        return float(np.exp(log_phi - self.material.log_threshold[0, 0] + added))

    @property
    def resistivity(self) -> Floats:
        """Resistivity of the planned film at every visit [ohm m], inf when open."""
        logs, _ = self._material_at(np.zeros(1))
        states = np.arange(len(self.visits))
        return np.asarray(np.exp(logs[0] + self.material.offset[0, states]))

    def slopes(self, step: float = 1e-3) -> Floats:
        """D ln R / d ln(phi - phi_c) of the planned film at every visit; 0 where open."""
        logs, _ = self._material_at(np.array([-step, step]))
        known = np.asarray(np.isfinite(logs).all(axis=0))
        rise = np.where(known, logs[1], 0.0) - np.where(known, logs[0], 0.0)
        ratio = self.threshold_ratio
        if ratio <= 1.0:
            return np.zeros(len(known))
        return np.asarray(rise / (2.0 * step) * (ratio - 1.0) / ratio)

    def _material_at(self, steps: Floats) -> tuple[Floats, Floats]:
        log_phi = np.log(self.loading.volume_fraction) - self.log_factor + steps
        logs, lengths = self.material.at(log_phi[None, :], range(len(self.visits)))
        return logs[0], lengths[0]

    @property
    def log_standard_error(self) -> float:
        """Simulation error of ln R at rest of the planned film; inf when it is open."""
        if np.isinf(self.nominal[self.visits.rest]):
            return float("inf")
        return _half_width(self.log_shift[:, self.visits.rest])

    @property
    def gauge_factor_initial(self) -> float:
        """Right-hand slope of ln R at zero strain and 20 C of the planned film.

        The rise of ln R from point to point over the step, taken at the middle of each step
        and extrapolated to zero strain by the straight line closest to all of them: the
        second-order one-sided difference for two points, exact for a parabola for any
        number, and far quieter, because contacts that break on the way make the steps, not
        the points, independent. Lost contacts are included. Points from the first open one
        on are left out; inf when that is the first, 0 for an open film or without a strain.
        """
        if np.isinf(self.nominal[self.visits.rest]):
            return 0.0
        return float(self._initial_slopes(np.log(self.nominal)[None, :])[0])

    @property
    def gauge_factor_errors(self) -> tuple[float, float]:
        """Simulation errors of the chord and the initial gauge factor of the planned film.

        Half of the central 68 % of the resampled boxes; inf where the film is or gets open.
        """
        ref, s = self.visits.rest, self.strained_state
        if s is None or np.isinf(self.nominal[[ref, s]]).any():
            return float("inf"), float("inf")
        keep = np.isfinite(self.log_shift[:, [ref, s]]).all(axis=1)
        if keep.sum() < 2:
            return float("inf"), float("inf")
        logs = np.log(self.nominal)[None, :] + self.log_shift[keep]
        chords = np.expm1(logs[:, s] - logs[:, ref]) / self.visits.strains[s]
        return _half_width(chords), _half_width(self._initial_slopes(logs))

    def ratio_errors(self, states: Sequence[int]) -> list[float]:
        """Give the simulation errors of R at states over R at rest, of the planned film.

        Half of the central 68 % of the resampled boxes; inf where the film is or gets open.
        """
        ref, shift = self.visits.rest, self.log_shift
        errors = []
        for s in states:
            keep = np.isfinite(shift[:, ref]) & np.isfinite(shift[:, s])
            if np.isinf(self.nominal[[ref, s]]).any() or keep.sum() < 2:
                errors.append(float("inf"))
                continue
            ratio = self.nominal[s] / self.nominal[ref]
            errors.append(_half_width(ratio * np.exp(shift[keep, s] - shift[keep, ref])))
        return errors

    def _initial_slopes(self, logs: Floats) -> Floats:
        """Slope of ln R (n, n visits) at zero strain; inf when the first point is open."""
        v = self.visits
        return initial_slopes(logs, v.strains, v.strained, v.rest)

    def factors(self) -> dict[str, Floats]:
        """Return what each casting drew, over the planned value, by tolerance name.

        `weighing`, `mixing` and `mixing_within` multiply the weight fraction of the film,
        `contact` the conductance of all contacts, `chains` the resistance at rest; `skew`
        is the gap at one end of the electrodes over that at the other and `tilt` what
        multiplies the threshold. Each array is (n castings,).
        """
        drawn = {
            name: np.exp(spread * z)
            for (name, spread), z in zip(
                self.tolerances.spreads(self.film).items(),
                self.draws.tolerances.T,
                strict=True,
            )
        }
        drawn["tilt"] **= self.bench.tilt_slope
        drawn["chains"] = np.exp(self._chains(self.draws, [self.visits.rest])[:, 0])
        return drawn

    def read(
        self,
        draws: CastingDraws,
        trials: TrialDraws | None = None,
        tolerances: Tolerances | None = None,
    ) -> tuple[Floats, Floats]:
        """Read castings of this candidate, drawn or not, once each.

        Parameters
        ----------
        draws : CastingDraws
            What the castings draw.
        trials : TrialDraws, optional
            What one trial on each adds; without, the castings as they are.
        tolerances : Tolerances, optional
            Another bench than that of these castings.

        Returns
        -------
        log_resistance : (n,) ndarray of float
            ln of R at rest [ohm], inf when open.
        gauge_factor : (n,) ndarray of float
            Chord gauge factor; inf when the casting opens, 0 when open at rest or without
            a strain.

        Notes
        -----
        An instrument that reads R relatively wrong moves ln R; a strain set wrong moves it
        by the slope of ln R there. When a share p of the contacts closes afresh, the sum of
        their influences keeps its spread and the part p of its variance is drawn again in
        each cycle: chains count sqrt(1 - p) of the casting and sqrt(p) of the trial. An
        upper bound, as chains also differ by where particles lie, which no cycle changes.

        """
        tol = tolerances or self.tolerances
        ref, s = self.visits.rest, self.strained_state
        if trials is not None and tol.contact_redraw > 0.0:
            share = tol.contact_redraw
            chains = np.sqrt(1.0 - share) * draws.chains
            chains = chains + np.sqrt(share) * trials.contact_redraw
            draws = CastingDraws(draws.tolerances, chains)
        states = [ref] if s is None else [ref, s]
        logs = np.log(self._drawn(draws, states, tol))
        if trials is not None:
            slopes = strain_slopes(np.log(self.nominal), self.visits)[states]
            for k, slope in enumerate(slopes):
                logs[:, k] += tol.instrument * trials.instrument[:, k]
                logs[:, k] += slope * tol.strain_setting * trials.strain_setting[:, k]
        if s is None:
            return logs[:, 0], np.zeros(len(logs))
        strained = np.exp(logs[:, 1])
        return logs[:, 0], chord(np.exp(logs[:, 0]), strained, self.visits.strains[s])

    def _chains(self, draws: CastingDraws, states: Sequence[int]) -> Floats:
        """Deviation of ln R from the chains of each casting (n castings, k visits)."""
        root = self.model.chain_root(self.loading.volume_fraction)
        return np.asarray(draws.chains @ root[states].T / np.sqrt(self.film.volume))

    def _drawn(
        self, draws: CastingDraws, states: Sequence[int], tolerances: Tolerances
    ) -> Floats:
        """Resistance of drawn castings (n castings, k visits) [ohm], inf when open.

        Sizes, loading and threshold are log-normal around their planned values (an absolute
        tolerance over the size is the spread of its logarithm). A lot of larger particles
        of the same shape has the same threshold and response, and contacts that conduct
        the same: lengths scale, so the resistivity goes as the size and what electrodes
        add as its square. A casting whose contacts open r times as far at a strain reads
        there what the planned film reads at r times the strain, to first order in r - 1.
        Particles of one diameter and another aspect ratio percolate at the same number a
        volume, and conduct alike at the same multiple of it: boxes of the example at 34
        wt%, 2.03 times the threshold, with aspect ratios of 14 to 16.1 give d ln R/d
        ln(aspect ratio) = -3.09 ± 0.07, and this rule -3.0.
        """
        film, v = self.film, self.visits
        spreads = tolerances.spreads(film)
        z = dict(zip(TOLERANCE_NAMES, draws.tolerances.T, strict=False))
        drawn = {name: spread * z[name] for name, spread in spreads.items()}
        bench = replace(self.bench, tolerances=tolerances)
        moved = self.loading.log_slope * (
            drawn["weighing"] + drawn["mixing"] + drawn["mixing_within"]
        )
        moved = moved - bench.aspect_ratio_slope * drawn["aspect_ratio"]
        moved = moved - bench.tilt_slope * drawn["tilt"]
        log_phi = np.log(self.loading.volume_fraction) - self.log_factor + moved
        logs, lengths = self.material.at(log_phi[None, :], states)
        size = np.exp(drawn["particle_size"])[:, None]
        conducts = np.isfinite(logs[0])
        rho = np.exp(np.where(conducts, logs[0] + self.material.offset[0, states], 0.0))
        ohms = self.material.layout(film).resistance(
            rho * size,
            rho * lengths[0] * size**2,
            (film.electrode_gap * np.exp(drawn["gap"]))[:, None],
            (film.width * np.exp(drawn["width"]))[:, None],
            (film.thickness * np.exp(drawn["thickness"]))[:, None],
        )
        scale = np.exp(self._chains(draws, states) - drawn["contact"][:, None])
        scale *= wedge(drawn["skew"])[:, None]
        flat = self if self.flat is None else self.flat
        nominal = np.log(flat.nominal)
        known = np.where(np.isfinite(nominal), nominal, 0.0)
        change = known[states] - known[[v.unstrained(s) for s in states]]
        change *= np.isfinite(nominal[states])
        scale *= np.exp(np.expm1(drawn["response"])[:, None] * change)
        steep = self.slopes()[v.rest]
        ratio = self.threshold_ratio
        if ratio > 1.0:
            by_loading = np.array(steep * ratio / (ratio - 1.0))
            uneven = bench.unevenness(
                film, self.loading.log_slope, by_loading, np.array(ratio)
            )
            scale *= np.exp(uneven)
        return np.asarray(np.where(conducts, ohms * scale, np.inf))

    def _shares(self) -> dict[str, float]:
        """Share of each tolerance in the variance of ln R at rest, to first order."""
        rest = self.visits.rest
        if np.isinf(self.nominal[rest]) or self.threshold_ratio <= 1.0:
            return dict.fromkeys(TOLERANCE_NAMES, 0.0)
        ratio = self.threshold_ratio
        steep = float(self.slopes()[rest]) * ratio / (ratio - 1.0)
        logs, lengths = self._material_at(np.zeros(1))
        moves = self.bench.moves(
            self.film, self.loading.log_slope, float(np.exp(logs[0, rest])),
            float(lengths[0, rest]),
        )  # fmt: skip
        variances = {m.name: (steep * m.loading) ** 2 + m.scale**2 for m in moves}
        root = self.model.chain_root(self.loading.volume_fraction)[rest]
        variances["chains"] = float((root**2).sum()) / self.film.volume
        total = sum(variances.values())
        return {
            name: variances.get(name, 0.0) / total if total > 0.0 else 0.0
            for name in TOLERANCE_NAMES
        }

    def relative_to_rest(self, states: Sequence[int]) -> Floats:
        """R at states over R at rest, castings that conduct at rest only, (k, n states)."""
        keep = np.isfinite(self.at_rest)
        return np.asarray(
            self.resistances[keep][:, list(states)] / self.at_rest[keep][:, None]
        )

    def response(self) -> dict[str, list[float]]:
        """R/R0 against strain at 20 C: `strain`, `median`, `p05`, `p95`, `standard_error`.

        The last is the simulation error, see `ratio_errors`.
        """
        v = self.visits
        states = sorted([*v.strained, v.rest], key=lambda s: v.strains[s])
        return {"strain": [float(v.strains[s]) for s in states], **self._bands(states)}

    def temperature_response(self) -> dict[str, list[float]]:
        """R/R(20 C) at zero strain: `temperature_K`, and the rest as in `response`."""
        states = self.visits.by_temperature
        temperatures = [float(self.visits.temperatures[s]) for s in states]
        return {"temperature_K": temperatures, **self._bands(states)}

    def _bands(self, states: Sequence[int]) -> dict[str, list[float]]:
        relative = self.relative_to_rest(states)
        if self.is_open:
            relative = np.full((1, len(states)), np.inf)
        bands = weighted_quantiles(relative, (0.5, 0.05, 0.95)).tolist()
        errors = self.ratio_errors(states)
        if self.is_open:
            errors = [float("inf")] * len(states)
        return dict(zip(("median", "p05", "p95"), bands, strict=True)) | {
            "standard_error": errors
        }


def cast_films(
    model: FilmModel,
    loadings: Sequence[Loading],
    films: Sequence[Film],
    bench: Bench,
    draws: CastingDraws,
    centre: Mapping[str, float] | None = None,
    noise: Floats | None = None,
    *,
    resamples: int = 200,
    diameter: float = 0.0,
) -> tuple[Castings, ...]:
    """Draw castings of loadings, for every film of each.

    Parameters
    ----------
    model : FilmModel
        Of their mix.
    loadings : sequence of Loading
        What is mixed.
    films : sequence of Film
        What is cast.
    bench : Bench
        What scatters.
    draws : CastingDraws
        Standard normal numbers, the same for every candidate.
    centre : mapping of str to float, optional
        Parameters of the contacts and `threshold`, the real one over the simulated one; as
        in the boxes without.
    noise : (NOISES,) ndarray of float, optional
        Simulation error of these films; none without.
    resamples : int
        Of the boxes, for the simulation errors.
    diameter : float
        Median lateral size of the filler [m].

    Returns
    -------
    tuple of Castings
        One a film, loading by loading: resistances of every casting at every visit, shares,
        and the errors of simulation.

    """
    values = dict(centre or {})
    noise = np.zeros(NOISES) if noise is None else noise
    log_factor = float(np.log(values.pop("threshold", 1.0)))
    states = list(range(len(model.visits)))
    error = np.zeros((resamples, NOISES))
    every = np.tile(np.arange(resamples), (error[:, BOXES].shape[1], 1))
    places = np.random.default_rng(resamples).permuted(every, axis=1).T
    error[:, BOXES] = ndtri((places + 0.5) / resamples)
    drawn = {name: np.full(resamples, value) for name, value in values.items()}
    material = model.material(values, noise)
    again = model.material(
        drawn or {model.level: np.full(resamples, model.level_value)}, error + noise
    )
    found = []
    for loading in loadings:
        log_phi = np.array([[np.log(loading.volume_fraction) - log_factor]])
        own, resampled = material.at(log_phi, states), again.at(log_phi, states)
        for film in films:
            nominal = material.read(film, *own, states)[0, 0]
            logs = again.read(film, *resampled, states)[:, 0]
            known = np.isfinite(logs) & np.isfinite(nominal)
            planned = np.where(np.isfinite(nominal), nominal, 0.0)
            shift = np.where(known, np.where(known, logs, 0.0) - planned, np.inf)
            bare = Castings(
                model, loading, film, bench, draws, material, log_factor,
                np.exp(nominal), np.empty((0, len(states))), {}, shift, diameter,
            )  # fmt: skip
            resistances = bare._drawn(draws, states, bench.tolerances)
            found.append(replace(bare, resistances=resistances, shares=bare._shares()))
    return tuple(found)


def _half_width(values: Floats) -> float:
    """Half of the central 68 % of resampled values, inf when it reaches into inf."""
    low, high = weighted_quantiles(values, (0.158655, 0.841345))
    return float(0.5 * (high - low)) if np.isfinite(high) else float("inf")


def strain_slopes(logs: Floats, visits: Visits) -> Floats:
    """Slope of ln R (n visits,) with strain at every visit, 0 where it is open.

    Second order between strains at the same temperature, first order at the ends.
    """
    strains, temperatures = np.asarray(visits.strains), np.asarray(visits.temperatures)
    slopes = np.zeros(len(logs))
    for temperature in np.unique(temperatures):
        path = np.flatnonzero((temperatures == temperature) & np.isfinite(logs))
        path = path[np.argsort(strains[path])]
        if len(path) > 1:
            slopes[path] = np.gradient(logs[path], strains[path])
    return slopes
