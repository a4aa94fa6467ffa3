"""Stage 8. What is assumed before anything is measured, and what each assumption moves."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import electron_mass, elementary_charge, h
from scipy.special import expit, logit, ndtri

from percsim.film.memories import MEMORY
from percsim.film.transfer import LoadingThreshold
from percsim.materials.elastomer import Property
from percsim.materials.powder import Powder

__all__ = [
    "ANY_LEVEL",
    "ContactParameters",
    "Prior",
    "Priors",
    "TunnellingParameters",
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
CLOSED_WITHIN = 30.0
"""Limits either side of the temperature at which contacts are shut [K] (judgement)."""
ACTIVATION_RANGE = (0.0, 50e-3 * elementary_charge)
"""Activation energies seen as possible [J]."""
RECLOSE = (0.1, 0.6, 1.0)
"""Least, median and most share of the opening that broke a contact at which it closes again
(judgement: contacts pressed by an elastomer close again, seldom where they broke)."""
HEALED = (0.1, 0.6, 1.0)
"""The same for the share of its conductance that a contact has then (judgement)."""
RELAXED = (0.001, 0.01, 0.035)
"""The same for the share of a strain that fades for each factor e of time (judgement: 2 to
8 % a decade, as the stress of filled rubbers relaxes; from memory, no source)."""
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
    reclose, healed, recovery, relaxed : float or None
        How contacts and strain remember, see `percsim.states.history`; None for what the
        plan does not state: none as planned, and on day one whatever is likely.
    measured : frozenset of str
        Which come from measured films, by symbol: g0, beta, delta_b, closed_at, lambda_T,
        Ea, reclose, healed, recovery, relaxed; also aspect_ratio when that of the powder
        was measured.
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
    reclose: float | None = None
    healed: float | None = None
    recovery: float | None = None
    relaxed: float | None = None
    measured: frozenset[str] = field(default_factory=frozenset)
    factors: Mapping[str, float] = field(default_factory=dict)
    ranges: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    powder: Powder = field(default_factory=Powder.of)

    def __post_init__(self) -> None:
        known = {"g0", "beta", "delta_b", "closed_at", "lambda_T", "Ea", "aspect_ratio"}
        known |= set(MEMORY)
        unknown = sorted(set(self.measured) - known)
        if unknown:
            raise ValueError(
                f"measured names {', '.join(unknown)} not known; use "
                f"{', '.join(sorted(known))}"
            )

    @property
    def values(self) -> dict[str, float]:
        """Every parameter by symbol, SI."""
        return {
            "g0": self.g0, "beta": self.beta, "delta_b": self.delta_b,
            "lambda_T": self.thermal_share, "closed_at": self.closed_at, "Ea": self.Ea,
        } | self.memory  # fmt: skip

    @property
    def memory(self) -> dict[str, float]:
        """What contacts and strain remember, as far as the plan states it."""
        return {
            name: none if getattr(self, name) is None else getattr(self, name)
            for name, none in MEMORY.items()
        }

    @property
    def level(self) -> tuple[str, float]:
        """Parameter that R goes as the inverse of, and its value [S]."""
        return "g0", self.g0

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
    def memory(self) -> dict[str, float]:
        """Nothing: gaps are what they are."""
        return dict(MEMORY)

    @property
    def level(self) -> tuple[str, float]:
        """Parameter that R goes as the inverse of, and its value [m^2]."""
        return "contact_area", self.area

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
        Symbol: g0, beta, delta_b, lambda_T, closed_at, Ea, threshold, reclose, healed,
        relaxed, recovery.
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
class Priors:
    """What is not known before measuring: one distribution a number, independent.

    Parameters
    ----------
    priors : tuple of Prior
        In the order g0, beta, delta_b, lambda_T, closed_at, Ea, threshold, reclose, healed,
        relaxed, recovery. That of the threshold is the real one over the simulated one.

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


def contact_priors(
    contacts: ContactParameters | TunnellingParameters,
    threshold: LoadingThreshold,
    *,
    varied: bool = True,
) -> Priors:
    """Day-one distributions of what acts in the contacts, and of the threshold.

    Parameters
    ----------
    contacts : ContactParameters or TunnellingParameters
        The law as planned.
    threshold : LoadingThreshold
        The film's own threshold.
    varied : bool
        Whether boxes were solved at other settings of the law; without, and for other laws
        than contact opening, only the level of R is drawn.

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
    stated = contacts.factors if isinstance(contacts, ContactParameters) else {}
    ranges = contacts.ranges if isinstance(contacts, ContactParameters) else {}

    def prior(name: str, median: float, factor: float | tuple[float, float]) -> Prior:
        basis = "measured" if name in contacts.measured else "assumed"
        if name in ranges:
            return Prior(name, median, bounds=ranges[name], basis=basis)
        if name in stated:
            return Prior(name, median, stated[name], basis=basis)
        if basis == "measured" or median == 0.0:
            return Prior(name, median, basis=basis)
        if not isinstance(factor, tuple):
            return Prior(name, median, factor)
        if factor[0] < median < factor[1]:
            return Prior(name, median, bounds=factor)
        return Prior(name, median, OUTSIDE_FACTOR)

    def remembers(name: str, likely: tuple[float, float, float] | None) -> Prior:
        own = getattr(contacts, name)
        if likely is None:
            return Prior(name, MEMORY[name] if own is None else own)
        low, median, high = likely
        if own is None:
            return Prior(name, median, bounds=(low, high))
        if name in stated or name in ranges or low < own < high:
            return prior(name, own, (low, high))
        return Prior(name, own)  # as good as all or none of it

    ratio = threshold_ratio(contacts, threshold)
    shape = ratio.factor
    if "aspect_ratio" in stated:
        ratio = contacts.powder.ratio(shape_assumed=False)
        shape = stated["aspect_ratio"] ** abs(threshold.aspect_ratio_slope)
        shape = float(np.exp(np.hypot(np.log(shape), np.log(ratio.factor))))
    relative = threshold.standard_error / threshold.volume_fraction
    factor = float(np.exp(np.hypot(np.log(shape), ndtri(0.975) * relative)))
    real = Prior("threshold", ratio.value, factor, basis="simulated")
    level = prior(*contacts.level, contacts.level_factor)
    if not varied or not isinstance(contacts, ContactParameters):
        return Priors((level, real))
    shut = contacts.closed_at
    return Priors(
        (
            level,
            prior("beta", contacts.beta, BETA_FACTOR),
            prior("delta_b", contacts.delta_b, BREAKING_FACTOR),
            prior("lambda_T", contacts.thermal_share, THERMAL_SHARE_RANGE),
            prior("closed_at", shut, (shut - CLOSED_WITHIN, shut + CLOSED_WITHIN)),
            prior("Ea", contacts.Ea, ACTIVATION_RANGE),
            real,
            remembers("reclose", RECLOSE),
            remembers("healed", HEALED),
            remembers("relaxed", RELAXED),
            remembers("recovery", None),
        )
    )
