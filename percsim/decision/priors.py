"""Stage 8. What is assumed before anything is measured, and what each assumption moves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann, electron_mass, elementary_charge, h
from scipy.special import expit, logit, ndtri

from percsim.film.casting import TOLERANCE_NAMES, Castings
from percsim.film.transfer import LoadingThreshold
from percsim.materials.elastomer import Property
from percsim.materials.powder import Powder
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = [
    "ANY_LEVEL",
    "Assumption",
    "ContactParameters",
    "Draws",
    "Prior",
    "Priors",
    "TunnellingParameters",
    "assumptions",
    "contact_priors",
]

Floats = NDArray[np.float64]

AREA_FACTOR = 10.0
"""95 % of the areas of tunnelling contacts of day one lie within this factor of the
median."""
ANY_LEVEL = 1e4
"""The same for the conductance of contacts of which nothing is known (judgement)."""
OUTSIDE_FACTOR = 2.0
"""The same for a share or an energy planned outside its day-one range."""
BETA_FACTOR = 3.0
"""The same for the decay of a contact with its opening."""
BREAKING_FACTOR = 4.0
"""The same for the opening at which a contact breaks."""
THERMAL_SHARE_RANGE = (0.1, 1.0)
"""Shares of the thermal mismatch that may reach the contacts."""
ACTIVATION_RANGE = (0.0, 50e-3 * elementary_charge)
"""Activation energies seen as possible [J]."""
RANGE_SPREAD = 1.5
"""Standard deviation of the logit of the place within a range: 95 % of draws then fill 5 to
95 % of a range from its middle (judgement, no source)."""


@dataclass(frozen=True, slots=True)
class ContactParameters:
    """Parameters of the contact-opening law as planned, and which were measured.

    Parameters
    ----------
    g0 : float
        Conductance of a contact in the reference state [S].
    beta : float
        Decay of a contact with its relative opening.
    delta_b : float
        Median relative opening at which a contact breaks.
    closed_at : float
        Temperature of the reference state [K].
    thermal_share : float
        Share of the thermal mismatch that reaches the contacts, lambda_T.
    Ea : float
        Activation energy of the resistance [J].
    measured : frozenset of str
        Which come from measured films, by symbol: g0, beta, delta_b, closed_at, lambda_T,
        Ea; also aspect_ratio when that of the powder was measured.
    factors : mapping of str to float
        95 % factor stated with a value, by symbol.
    ranges : mapping of str to (float, float)
        Hard limits stated with a value, by symbol, SI.
    powder : Powder
        What is known of the fillers; by default as little as of one without a data file.

    Raises
    ------
    ValueError
        If `measured` holds an unknown name.

    """

    g0: float = 8e-5
    beta: float = 100.0
    delta_b: float = 0.01
    closed_at: float = 233.15
    thermal_share: float = 0.3
    Ea: float = 10e-3 * elementary_charge
    measured: frozenset[str] = field(default_factory=frozenset)
    factors: Mapping[str, float] = field(default_factory=dict)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    powder: Powder = field(default_factory=Powder.of)

    def __post_init__(self) -> None:
        known = {"g0", "beta", "delta_b", "closed_at", "lambda_T", "Ea", "aspect_ratio"}
        unknown = sorted(set(self.measured) - known)
        if unknown:
            raise ValueError(
                f"measured names {', '.join(unknown)} not known; use "
                f"{', '.join(sorted(known))}"
            )

    @property
    def is_calibrated(self) -> bool:
        """Whether the level of the resistance rests on a measurement."""
        return "g0" in self.measured

    @property
    def level_factor(self) -> float:
        """95 % of the g0 that an assumed one may be lie within this factor of it."""
        if "g0" in self.factors or self.powder.g0 is None:
            return self.factors.get("g0", ANY_LEVEL)
        return self.powder.g0.factor


@dataclass(frozen=True, slots=True)
class TunnellingParameters:
    """Parameters of tunnelling across absolute gaps as planned, and which were measured.

    Parameters
    ----------
    barrier_height : float
        Height of the barrier [J].
    area : float
        Area of a contact [m^2].
    shortest_gap : float
        Gap of bodies that touch or overlap [m].
    cutoff : float
        Longest gap that counts as a contact [m].
    measured : frozenset of str
        Which come from measured films, by symbol: barrier_height, contact_area,
        shortest_gap, cutoff; also aspect_ratio when that of the powder was measured.
    powder : Powder
        What is known of the fillers; by default as little as of one without a data file.

    Raises
    ------
    ValueError
        If a number is not positive, or `measured` holds an unknown name.

    """

    barrier_height: float
    area: float
    shortest_gap: float = 0.3e-9
    cutoff: float = 2e-9
    measured: frozenset[str] = field(default_factory=frozenset)
    powder: Powder = field(default_factory=Powder.of)

    def __post_init__(self) -> None:
        for name in ("barrier_height", "area", "shortest_gap", "cutoff"):
            if not 0.0 < getattr(self, name) < float("inf"):
                raise ValueError(f"{name} must be positive, got {getattr(self, name)}")
        known = {"barrier_height", "contact_area", "shortest_gap", "cutoff", "aspect_ratio"}
        unknown = sorted(set(self.measured) - known)
        if unknown:
            raise ValueError(
                f"measured names {', '.join(unknown)} not known; use "
                f"{', '.join(sorted(known))}"
            )

    @property
    def is_calibrated(self) -> bool:
        """Whether the level of the resistance rests on a measurement."""
        return {"barrier_height", "contact_area"} <= self.measured

    @property
    def level_factor(self) -> float:
        """95 % of the areas that an assumed one may be lie within this factor of it."""
        return AREA_FACTOR

    @property
    def decade(self) -> float:
        """Widening of a gap that lowers its conductance tenfold, 1/d set aside [m]."""
        momentum = np.sqrt(2.0 * electron_mass * self.barrier_height)
        return float(np.log(10.0) * h / (4.0 * np.pi * momentum))


@dataclass(frozen=True, slots=True)
class Assumption:
    """One number the answer rests on.

    Parameters
    ----------
    name, symbol : str
        In words, and as in the formulas.
    value : float
        As used, in `unit`.
    unit : str
        Bench unit; "1" without.
    basis : {"assumed", "measured", "simulated"}
        Where it comes from.
    source : str
        Source, or how wide the assumption is.
    effect : str
        What it moves and by how much.

    """

    name: str
    symbol: str
    value: float
    unit: str
    basis: str
    source: str
    effect: str

    def as_dict(self) -> dict[str, object]:
        """Keys as in `summary.json`."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}


def _threshold_effect(castings: Castings, threshold: LoadingThreshold) -> str:
    """R of the planned film if the threshold were a factor higher or lower.

    Taken as a matter of shape, so that R goes with phi/phi_c, see `cast_films`.
    """
    loading = castings.fit.loading
    phi, critical = loading.volume_fraction, threshold.volume_fraction
    words = []
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        if phi <= factor * critical or phi <= critical:
            words.append(f"a threshold {word} as high would leave the film open")
        else:
            step = np.log((phi / factor - critical) / (phi - critical))
            change = float(np.exp(castings.slopes[loading.reference_state] * step))
            told = float(f"{change:.2g}")
            factor_words = f"{told:,.0f}" if told >= 100.0 else f"{told:g}"
            words.append(f"a threshold {word} as high would multiply R by {factor_words}")
    return "; ".join(words)


def _basis(contacts: ContactParameters | TunnellingParameters, name: str) -> str:
    return "measured" if name in contacts.measured else "assumed"


def _source(contacts: ContactParameters | TunnellingParameters, name: str, why: str) -> str:
    return "measured, as entered in the plan" if name in contacts.measured else why


def _of_powder(contacts: ContactParameters) -> str:
    """Say where the width of g0 comes from."""
    known = contacts.powder.g0
    if known is None:
        return "any level, nothing is known of such contacts: a first cup tells it"
    return f"{known.basis}: {known.source}"


def _opening_rows(contacts: ContactParameters, castings: Castings) -> list[Assumption]:
    """List what acts in the contact-opening law."""
    here = ""
    chords = castings.gauge_factors
    chords = chords[np.isfinite(castings.at_rest) & np.isfinite(chords)]
    if castings.strained_state is not None and len(chords) and not castings.is_open:
        here = f" ({float(np.median(chords)):.3g} here)"
    per_kelvin = contacts.Ea / Boltzmann / ROOM_TEMPERATURE**2
    at_most = ACTIVATION_RANGE[1] / Boltzmann / ROOM_TEMPERATURE**2

    def basis(name: str) -> str:
        return _basis(contacts, name)

    def source(name: str, width: str, why: str = "judgement, no source") -> str:
        if name in contacts.factors:
            width = f"a factor {contacts.factors[name]:g} either way, as the plan says"
        elif name in contacts.ranges:
            width = "the limits that the plan gives"
        else:
            return _source(contacts, name, f"{why}; 95 % within {width}")
        return f"{_basis(contacts, name)}; 95 % within {width}"

    return [
        Assumption(
            "contact conductance",
            "g0",
            contacts.g0,
            "S",
            basis("g0"),
            source(
                "g0", f"a factor {contacts.level_factor:g} either way", _of_powder(contacts)
            ),
            "R of every film in proportion to 1/g0 when the contacts to the electrodes "
            "scale with it; then it moves neither the threshold, R/R0, gauge factors, "
            "spreads nor the order of the candidates in R",
        ),
        Assumption(
            "decay with opening",
            "beta",
            contacts.beta,
            "1",
            basis("beta"),
            source("beta", f"a factor {BETA_FACTOR:g} either way"),
            "a larger value can only raise R, and as a rule raises the gauge factor"
            f"{here}, but far less than in proportion when contacts are lost: what these "
            "add is there without any decay",
        ),
        Assumption(
            "opening at which a contact breaks",
            "delta_b",
            contacts.delta_b,
            "1",
            basis("delta_b"),
            source("delta_b", f"a factor {BREAKING_FACTOR:g} either way"),
            "contacts open at rest and lost with strain: a smaller value can only raise R "
            "and the film's own threshold, and moves the gauge factor either way, because "
            "contacts broken at rest may re-make where strain closes them (the law has no "
            "memory)",
        ),
        Assumption(
            "temperature at which contacts are pressed shut",
            "closed_at",
            round(contacts.closed_at - 273.15, 6),
            "C",
            basis("closed_at"),
            source("closed_at", "some tens of kelvin"),
            "how far contacts stand open at rest and how many are open there: level of R, "
            "gauge factor and the film's own threshold; a contact pressed further than at "
            "this temperature does not feel it",
        ),
        Assumption(
            "share of thermal mismatch at the contacts",
            "lambda_T",
            contacts.thermal_share,
            "1",
            basis("lambda_T"),
            source("lambda_T", f"{THERMAL_SHARE_RANGE[0]:g} to {THERMAL_SHARE_RANGE[1]:g}"),
            "how far contacts stand open at rest and how many are open there, as the "
            "temperature above: level of R, gauge factor and the film's own threshold; and "
            "the rise of R with temperature against the activated fall, so that even the "
            "sign of the temperature coefficient depends on both",
        ),
        Assumption(
            "activation energy",
            "Ea",
            1e3 * contacts.Ea / elementary_charge,
            "meV",
            basis("Ea"),
            source("Ea", f"0 to {1e3 * ACTIVATION_RANGE[1] / elementary_charge:.0f} meV"),
            f"lowers R by {100 * per_kelvin:.2g} % per kelvin at 20 C "
            f"(up to {100 * at_most:.2g} % at the end of the range)",
        ),
    ]


def _tunnelling_rows(contacts: TunnellingParameters) -> list[Assumption]:
    """List what acts in tunnelling across absolute gaps."""
    decade = 1e9 * contacts.decade

    def row(
        name: str, symbol: str, value: float, unit: str, why: str, effect: str
    ) -> Assumption:
        return Assumption(
            name, symbol, value, unit, _basis(contacts, symbol),
            _source(contacts, symbol, why), effect,
        )  # fmt: skip

    return [
        row(
            "contact area",
            "contact_area",
            1e18 * contacts.area,
            "nm2",
            f"judgement, no source; 95 % within a factor {AREA_FACTOR:g} either way",
            "R of every film in proportion to 1/area when the contacts to the electrodes "
            "scale with it; then it moves neither the threshold, R/R0 nor spreads",
        ),
        row(
            "height of the tunnelling barrier",
            "barrier_height",
            contacts.barrier_height / elementary_charge,
            "eV",
            "judgement, no source; depends on filler, elastomer and what lies between",
            f"R of a contact grows exponentially with barrier and gap: tenfold each "
            f"{decade:.2g} nm of gap at this height; so it moves the level of R and every "
            "response to strain",
        ),
        row(
            "gap of particles that touch",
            "shortest_gap",
            1e9 * contacts.shortest_gap,
            "nm",
            "common practice, no source",
            "no contact conducts better than at this gap: level of R, in which a tenfold "
            f"change takes {decade:.2g} nm; contacts shorter than it do not feel strain",
        ),
        row(
            "longest gap that counts as a contact",
            "cutoff",
            1e9 * contacts.cutoff,
            "nm",
            "as planned; beyond it contacts conduct too little to matter, if it is long "
            "enough",
            "the percolation threshold and with it every loading; strain makes and breaks "
            "contacts there",
        ),
    ]


def shape_is_assumed(
    contacts: ContactParameters | TunnellingParameters, threshold: LoadingThreshold
) -> bool:
    """Whether the threshold rests on an aspect ratio that nobody measured.

    Spheres have none, and a threshold that does not move with it.
    """
    return "aspect_ratio" not in contacts.measured and threshold.aspect_ratio_slope != 0.0


def threshold_ratio(
    contacts: ContactParameters | TunnellingParameters, threshold: LoadingThreshold
) -> Property:
    """Real threshold over the simulated one: median and 95 % range, by the powder."""
    assumed = shape_is_assumed(contacts, threshold)
    return contacts.powder.ratio(shape_assumed=assumed)


@dataclass(frozen=True, slots=True)
class Prior:
    """Distribution of one uncertain number, a rising function of a standard normal one.

    Parameters
    ----------
    name : str
        Symbol: g0, beta, delta_b, lambda_T, Ea, threshold.
    median : float
        Median, SI.
    factor : float
        95 % of the values of a log-normal lie within this factor of the median; 1 holds the
        number at its median.
    bounds : (float, float) or None
        Instead: hard limits, median between them. The place between them, in logarithms
        when both are positive, is logit-normal.
    basis : str
        "assumed", "measured" or "simulated".

    Raises
    ------
    ValueError
        If the numbers make no distribution.

    """

    name: str
    median: float
    factor: float = 1.0
    bounds: tuple[float, float] | None = None
    basis: str = "assumed"

    def __post_init__(self) -> None:
        if self.bounds is not None:
            low, high = self.bounds
            if not 0.0 <= low < self.median < high < float("inf"):
                raise ValueError(
                    f"{self.name}: the median {self.median:g} must lie between the limits, "
                    f"{low:g} and {high:g}"
                )
        elif not 1.0 <= self.factor < float("inf"):
            raise ValueError(f"{self.name}: factor must be 1 or more, got {self.factor}")
        elif self.factor > 1.0 and not self.median > 0.0:
            raise ValueError(f"{self.name}: a median of 0 has no factor; give limits")

    @property
    def is_fixed(self) -> bool:
        """Whether it is held at its median."""
        return self.bounds is None and self.factor == 1.0

    @property
    def spread(self) -> float:
        """Standard deviation of the logarithm of a log-normal."""
        return float(np.log(self.factor) / ndtri(0.975))

    def _place(self, value: ArrayLike) -> Floats:
        assert self.bounds is not None
        low, high = self.bounds
        x = np.asarray(value, dtype=np.float64)
        if low > 0.0:
            return np.asarray(np.log(x / low) / np.log(high / low))
        return (x - low) / (high - low)

    def value(self, z: ArrayLike) -> Floats:
        """Values that standard normal numbers stand for, SI."""
        z = np.asarray(z, dtype=np.float64)
        if self.bounds is None:
            return np.asarray(self.median * np.exp(self.spread * z))
        low, high = self.bounds
        share = expit(logit(self._place(self.median)) + RANGE_SPREAD * z)
        if low > 0.0:
            return np.asarray(low * (high / low) ** share)
        return np.asarray(low + (high - low) * share)

    def standard(self, value: ArrayLike) -> Floats:
        """Give the standard normal numbers that values stand for, inverse of `value`."""
        if self.is_fixed:
            return np.zeros_like(np.asarray(value, dtype=np.float64))
        if self.bounds is None:
            x = np.asarray(value, dtype=np.float64) / self.median
            return np.asarray(np.log(x) / self.spread)
        middle = logit(self._place(self.median))
        return np.asarray((logit(self._place(value)) - middle) / RANGE_SPREAD)

    def limits(self, share: float = 0.95) -> tuple[float, float]:
        """Central range that holds a share of the values, SI."""
        z = float(ndtri(0.5 + 0.5 * share))
        low, high = self.value([-z, z])
        return float(low), float(high)


@dataclass(frozen=True, slots=True)
class Draws:
    """Joint draws of the uncertain numbers.

    Parameters
    ----------
    priors : Priors
        What they are measured against.
    z : (n, k) ndarray of float
        Standard normal coordinates, one column a number of `priors` that is not fixed.
    weights : (n,) ndarray of float
        Weight of each draw, together 1.

    """

    priors: Priors
    z: Floats = field(repr=False)
    weights: Floats = field(repr=False)

    def __len__(self) -> int:
        return len(self.z)

    @property
    def values(self) -> dict[str, Floats]:
        """Every number by symbol, (n,) each, SI; fixed ones too."""
        return self.priors.values(self.z)

    @property
    def effective_size(self) -> float:
        """Equal draws that would tell as much, 1 / sum of squared weights."""
        return float(1.0 / (self.weights**2).sum())

    def resampled(self, n: int, seed: np.random.SeedSequence) -> Draws:
        """N draws of equal weight, each picked as often as its weight asks, to one."""
        places = (np.arange(n) + np.random.default_rng(seed).random()) / n
        picked = np.searchsorted(np.cumsum(self.weights), places)
        kept = self.z[np.minimum(picked, len(self.z) - 1)]
        return Draws(self.priors, kept, np.full(n, 1.0 / n))

    def moments(self) -> tuple[Floats, Floats]:
        """Mean (k,) and covariance (k, k) of the coordinates."""
        mean = self.weights @ self.z
        apart = self.z - mean
        return np.asarray(mean), np.asarray((self.weights[:, None] * apart).T @ apart)


@dataclass(frozen=True, slots=True)
class Priors:
    """What is not known before measuring: one distribution a number, independent.

    Parameters
    ----------
    priors : tuple of Prior
        In the order g0, beta, delta_b, lambda_T, Ea, threshold. That of the threshold is
        the real one over the simulated one.

    """

    priors: tuple[Prior, ...]

    def __iter__(self) -> Iterator[Prior]:
        return iter(self.priors)

    def __getitem__(self, name: str) -> Prior:
        return next(p for p in self.priors if p.name == name)

    @property
    def free(self) -> tuple[Prior, ...]:
        """Those that are not fixed, in order: the columns of the coordinates."""
        return tuple(p for p in self.priors if not p.is_fixed)

    def values(self, z: Floats) -> dict[str, Floats]:
        """Every number by symbol for coordinates (n, k of `free`), (n,) each."""
        columns = dict(zip((p.name for p in self.free), z.T, strict=True))
        zero = np.zeros(len(z))
        return {p.name: p.value(columns.get(p.name, zero)) for p in self.priors}

    def draw(self, n: int, seed: np.random.SeedSequence) -> Draws:
        """Draw n times, a Latin hypercube [1]_; one number more renumbers none.

        Every number has a seed of its own and takes one value from each of n equally
        probable intervals, which all but removes the sampling error of sums.

        References
        ----------
        .. [1] McKay, Beckman & Conover, "A comparison of three methods for selecting values
           of input variables in the analysis of output from a computer code",
           Technometrics 21, 239 (1979).

        """
        order = [p.name for p in self.priors]

        def column(name: str) -> Floats:
            key = (*seed.spawn_key, order.index(name))
            child = np.random.SeedSequence(seed.entropy, spawn_key=key)
            rng = np.random.default_rng(child)
            return np.asarray(ndtri((rng.permutation(n) + rng.random(n)) / n))

        z = [column(p.name) for p in self.free]
        return Draws(
            self, np.column_stack(z) if z else np.zeros((n, 0)), np.full(n, 1.0 / n)
        )


def contact_priors(contacts: ContactParameters, threshold: LoadingThreshold) -> Priors:
    """Day-one distributions of the contact-opening law and of the threshold.

    Parameters
    ----------
    contacts : ContactParameters
        The law as planned.
    threshold : LoadingThreshold
        The film's own threshold.

    Returns
    -------
    Priors
        A number that was measured is held, unless the plan states a factor or limits
        with it. Assumed ones have the stated width, otherwise the defaults of this module.

    Notes
    -----
    The threshold over the simulated one has the median and width of the powder; its own
    simulation error is added to the width in quadrature. A share or
    an energy outside its day-one range gets a factor of 2 around it, and 0 is held: nothing
    else is known of them.

    """

    def prior(name: str, median: float, factor: float | tuple[float, float]) -> Prior:
        basis = _basis(contacts, name)
        if name in contacts.ranges:
            return Prior(name, median, bounds=contacts.ranges[name], basis=basis)
        if name in contacts.factors:
            return Prior(name, median, contacts.factors[name], basis=basis)
        if basis == "measured" or median == 0.0:
            return Prior(name, median, basis=basis)
        if not isinstance(factor, tuple):
            return Prior(name, median, factor)
        if factor[0] < median < factor[1]:
            return Prior(name, median, bounds=factor)
        return Prior(name, median, OUTSIDE_FACTOR)

    ratio = threshold_ratio(contacts, threshold)
    shape = ratio.factor
    if "aspect_ratio" in contacts.factors:
        ratio = contacts.powder.ratio(shape_assumed=False)
        shape = contacts.factors["aspect_ratio"] ** abs(threshold.aspect_ratio_slope)
        shape = float(np.exp(np.hypot(np.log(shape), np.log(ratio.factor))))
    relative = threshold.standard_error / threshold.volume_fraction
    factor = float(np.exp(np.hypot(np.log(shape), ndtri(0.975) * relative)))
    return Priors(
        (
            prior("g0", contacts.g0, contacts.level_factor),
            prior("beta", contacts.beta, BETA_FACTOR),
            prior("delta_b", contacts.delta_b, BREAKING_FACTOR),
            prior("lambda_T", contacts.thermal_share, THERMAL_SHARE_RANGE),
            prior("Ea", contacts.Ea, ACTIVATION_RANGE),
            Prior("threshold", ratio.value, factor, basis="simulated"),
        )
    )


def assumptions(
    contacts: ContactParameters | TunnellingParameters,
    threshold: LoadingThreshold,
    castings: Castings,
) -> tuple[Assumption, ...]:
    """List what the answer for one candidate rests on.

    Parameters
    ----------
    contacts : ContactParameters or TunnellingParameters
        The contact law as planned.
    threshold : LoadingThreshold
        The film's own threshold at 20 C.
    castings : Castings
        Castings of the chosen or nearest candidate; the effects are worked out for it.

    Returns
    -------
    tuple of Assumption
        Threshold, contact law, bench tolerances.

    Notes
    -----
    The widths of the contact priors are judgement for day one, with no source, but for
    those of threshold and g0, which come from the powder's data file; measured rows replace
    them.

    What is said of beta and delta_b follows from the law: a lower conductance of any
    contact cannot lower R, and a contact is open or not by its opening at that state
    alone, so that one broken at rest conducts again where strain closes it.

    """
    opening = isinstance(contacts, ContactParameters)
    raised = " and raised by the share of contacts open at rest" if opening else ""
    ratio = threshold_ratio(contacts, threshold)
    shape = ""
    if shape_is_assumed(contacts, threshold):
        shape = "; aspect ratio assumed"
    elif "aspect_ratio" in contacts.measured:
        shape = "; aspect ratio measured"
    shape += (
        f"; 95 % of real ones lie within {ratio.low:.2g} to {ratio.high:.2g} times it "
        f"({ratio.basis}: {ratio.source})"
    )
    rows = [
        Assumption(
            "percolation threshold of the film at 20 C",
            "phi_c",
            100.0 * threshold.volume_fraction,
            "vol%",
            "simulated",
            f"simulated to {100 * threshold.standard_error:.2g} vol%{raised}{shape}",
            _threshold_effect(castings, threshold),
        ),
    ]
    rows += (
        _opening_rows(contacts, castings)
        if isinstance(contacts, ContactParameters)
        else _tunnelling_rows(contacts)
    )
    tol, film = castings.tolerances, castings.film
    over = " over conducting castings" if castings.open_fraction > 0.0 else ""
    values = {
        "weighing": (100 * tol.weighing, "% of the weight fraction"),
        "mixing": (100 * tol.mixing, "% of the weight fraction"),
        "thickness": (100 * tol.thickness_of(film), "% of the thickness"),
        "gap": (1e3 * tol.gap, "mm"),
        "width": (1e3 * tol.width, "mm"),
        "contact": (100 * tol.contact, "% of the contact conductance"),
        "aspect_ratio": (100 * tol.aspect_ratio, "% of the aspect ratio of a lot"),
        "mixing_within": (
            100 * tol.mixing_within,
            "% of the weight fraction from point to point, correlated over "
            f"{1e3 * tol.mixing_length:.3g} mm",
        ),
        "skew": (1e3 * tol.skew, "mm of gap from end to end of the electrodes"),
        "particle_size": (100 * tol.particle_size, "% of the median size of a lot"),
        "tilt": (float(np.degrees(tol.tilt)), "degrees of the rms tilt"),
        "response": (100 * tol.response, "% of the opening of contacts at a strain"),
    }
    rows += [
        Assumption(
            f"tolerance of {name.replace('_', ' ')}",
            f"tau_{name}",
            values[name][0],
            values[name][1],
            "assumed",
            "bench judgement, no source, unless set in the plan; standard deviation",
            f"{100 * castings.shares[name]:.2g} % of the variance of ln R{over}",
        )
        for name in TOLERANCE_NAMES
        if name != "chains"
    ]
    return tuple(rows)
