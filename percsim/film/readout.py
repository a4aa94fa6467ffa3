"""Stage 7. The film at its supply: circuit, signal, noise and the film's own heat.

A film R in series with S at a voltage V reads V x with x = R/(R + S). Everything else
follows from that: signal, source resistance, power. What is read against what limits is
put together in `findings`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.constants import Boltzmann

__all__ = [
    "GAUGE_PRACTICE",
    "SKIN_BEARS",
    "Circuit",
    "HeatPath",
    "Noise",
    "Readout",
    "SelfHeating",
    "Separation",
    "across_sensitivity",
    "flicker_noise",
    "johnson_noise",
    "read_through_series",
    "self_heating",
    "separate",
    "thermal_output",
]

Floats = NDArray[np.float64]

GAUGE_PRACTICE = (16.0, 310.0)
"""Power per area of strain-gauge practice on poor heat sinks [W/m^2], unfilled plastics for
high static accuracy to filled ones (maker's technical notes, from memory)."""

SKIN_BEARS = 100.0
"""Power per area that skin bears for long [W/m^2]: from 33 C to the 43 C of long contact
(ISO 13732-1, from memory) with air alone taking heat, 10 W/m2K; blood takes more
(judgement)."""


@dataclass(frozen=True, slots=True)
class Readout:
    """What the film reads at the supply through its series resistor.

    Parameters
    ----------
    supply : float
        Supply voltage [V].
    series : float
        Series resistor [ohm].
    voltage : float
        Voltage across the film at rest [V].
    current : float
        Current at rest [A].
    power : float
        Heat made in the film at rest [W].
    step : float
        Change of the voltage across the film from rest to 1000 microstrain [V].

    """

    supply: float
    series: float
    voltage: float
    current: float
    power: float
    step: float

    def as_dict(self) -> dict[str, float]:
        """Keys and units as in `summary.json`."""
        return {
            "supply_V": float(self.supply),
            "series_ohm": float(self.series),
            "voltage_V": float(self.voltage),
            "current_mA": 1e3 * float(self.current),
            "power_mW": 1e3 * float(self.power),
            "mV_per_1000_microstrain": 1e3 * float(self.step),
        }


def read_through_series(
    resistance: float, resistance_at_1000_microstrain: float, supply: float, series: float
) -> Readout:
    """Voltage, current and heat of a film in series with a resistor.

    Parameters
    ----------
    resistance, resistance_at_1000_microstrain : float
        Film at rest and strained [ohm]; inf for an open film.
    supply : float
        Supply voltage [V].
    series : float
        Series resistor [ohm].

    Returns
    -------
    Readout
        An open film takes the whole supply voltage and no current.

    """

    def share(ohm: float) -> float:
        return 1.0 if np.isinf(ohm) else ohm / (ohm + series)

    voltage = supply * share(resistance)
    current = 0.0 if np.isinf(resistance) else supply / (resistance + series)
    return Readout(
        supply=supply,
        series=series,
        voltage=voltage,
        current=current,
        power=voltage * current,
        step=supply * share(resistance_at_1000_microstrain) - voltage,
    )


@dataclass(frozen=True, slots=True)
class Circuit:
    """What the film is read with.

    Parameters
    ----------
    supply : float
        Supply voltage [V].
    series : float
        Resistor in series with the film [ohm], 0 when there is none. In a half bridge an
        equal film that is not strained stands in its place.
    kind : {"series", "quarter bridge", "half bridge"}
        Read across the film; or against two equal resistors of the same sum, balanced at
        rest for the quarter bridge.

    Raises
    ------
    ValueError
        If the supply is not positive, the resistor negative, or the kind not known.

    Notes
    -----
    The exact divider and Wheatstone relations: with x = R/(R + S) the output is V x, less
    that at rest in a quarter bridge, and V (R_1/(R_1 + R_2) - 1/2) in a half bridge of two
    films.

    """

    supply: float
    series: float = 0.0
    kind: Literal["series", "quarter bridge", "half bridge"] = "series"

    def __post_init__(self) -> None:
        if not 0.0 < self.supply < math.inf:
            raise ValueError(f"supply must be a positive voltage, got {self.supply}")
        if not 0.0 <= self.series < math.inf:
            raise ValueError(f"series must be 0 ohm or more, got {self.series}")
        if self.kind not in ("series", "quarter bridge", "half bridge"):
            raise ValueError(
                "kind must be 'series', 'quarter bridge' or 'half bridge', got "
                f"{self.kind!r}"
            )

    @property
    def has_signal(self) -> bool:
        """Whether the voltage moves with R: not for a film straight at its supply."""
        return self.kind == "half bridge" or self.series > 0.0

    def share(self, resistance: ArrayLike, other: ArrayLike | None = None) -> Floats:
        """Share of the supply across the film, R/(R + S); 1 for an open film.

        Parameters
        ----------
        resistance : array_like
            Film [ohm].
        other : array_like, optional
            The second film of a half bridge [ohm], by default equal to the first.

        """
        r = np.asarray(resistance, dtype=np.float64)
        if self.kind == "half bridge":
            s = r if other is None else np.asarray(other, dtype=np.float64)
        else:
            s = np.asarray(self.series)
        is_open = np.isinf(r)
        safe = np.where(is_open, 1.0, r)
        return np.asarray(np.where(is_open, 1.0, safe / (safe + s)))

    def output(self, resistance: ArrayLike, at_rest: float) -> Floats:
        """Voltage read [V] when the strained film is at `resistance`, `at_rest` before.

        The second film of a half bridge stays at rest.
        """
        if self.kind == "half bridge":
            return np.asarray(self.supply * (self.share(resistance, at_rest) - 0.5))
        offset = self.share(at_rest) if self.kind == "quarter bridge" else 0.0
        return np.asarray(self.supply * (self.share(resistance) - offset))

    def slope(self, resistance: float) -> float:
        """Change of the voltage with ln R of the strained film, V x (1 - x) [V]."""
        x = float(self.share(resistance))
        return self.supply * x * (1.0 - x)

    def current(self, resistance: float) -> float:
        """Give the current through the film [A], 0 when it is open."""
        if math.isinf(resistance):
            return 0.0
        other = resistance if self.kind == "half bridge" else self.series
        return self.supply / (resistance + other)

    def film_power(self, resistance: float) -> float:
        """Heat made in the film [W]."""
        current = self.current(resistance)
        return current**2 * resistance if current > 0.0 else 0.0

    def power_slope(self, resistance: float) -> float:
        """D ln(power) / d ln R, (S - R)/(S + R); both films of a half bridge warm alike."""
        if self.kind == "half bridge":
            return -1.0
        return (self.series - resistance) / (self.series + resistance)

    def source_resistance(self, resistance: float) -> float:
        """Resistance that the instrument sees [ohm], reference arm of a bridge included.

        The reference arm is taken as two resistors like those of the film's own.
        """
        other = resistance if self.kind == "half bridge" else self.series
        arm = resistance * other / (resistance + other)
        return arm if self.kind == "series" else 2.0 * arm


def johnson_noise(resistance: float, bandwidth: float, temperature: float) -> float:
    r"""Thermal noise of a resistor, one standard deviation [V].

    .. math:: u = \sqrt{4 k T R \, \Delta f}

    Parameters
    ----------
    resistance : float
        [ohm], 0 or more.
    bandwidth : float
        [Hz].
    temperature : float
        [K].

    Returns
    -------
    float
        1 kohm at 300 K makes 4.07 nV in 1 Hz.

    References
    ----------
    Nyquist, "Thermal agitation of electric charge in conductors", Phys. Rev. 32, 110
    (1928). https://doi.org/10.1103/PhysRev.32.110

    """
    return math.sqrt(4.0 * Boltzmann * temperature * resistance * bandwidth)


def flicker_noise(amplitude: float, lowest: float, highest: float) -> float:
    r"""Relative 1/f noise of R, one standard deviation.

    .. math:: S_R / R^2 = A / f, \quad u_R / R = \sqrt{A \ln(f_2/f_1)}

    Parameters
    ----------
    amplitude : float
        A, for this film; in Hooge's relation it is alpha over the number of carriers.
    lowest, highest : float
        Frequencies between which noise counts [Hz].

    Returns
    -------
    float

    References
    ----------
    Hooge, "1/f noise is no surface effect", Phys. Lett. A 29, 139 (1969).

    """
    return math.sqrt(amplitude * math.log(highest / lowest))


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of the voltage read, one standard deviation each [V].

    Parameters
    ----------
    johnson, flicker, instrument : float
        Of the resistors, of the film's 1/f noise, and of the instrument.

    """

    johnson: float
    flicker: float
    instrument: float

    @classmethod
    def of(
        cls,
        circuit: Circuit,
        resistance: float,
        *,
        bandwidth: float,
        lowest_frequency: float,
        temperature: float,
        instrument: float = 0.0,
        flicker: float = 0.0,
    ) -> Noise:
        """Noise of a film at rest in its circuit.

        The 1/f noise of the second film of a half bridge is independent of the first's.
        """
        relative = flicker_noise(flicker, lowest_frequency, bandwidth)
        films = math.sqrt(2.0) if circuit.kind == "half bridge" else 1.0
        source = circuit.source_resistance(resistance)
        return cls(
            johnson_noise(source, bandwidth, temperature),
            circuit.slope(resistance) * relative * films,
            instrument,
        )

    @property
    def total(self) -> float:
        """Root of the sum of squares [V]."""
        return math.hypot(self.johnson, self.flicker, self.instrument)


@dataclass(frozen=True, slots=True)
class HeatPath:
    r"""How the film's own heat leaves it.

    Parameters
    ----------
    thickness, conductivity : float
        Of the film [m], and through it [W/(m K)].
    sheet_thickness, sheet_conductivity : float
        Of the sheet between the film and the part [m], [W/(m K)]; thickness 0 without one.
    still_air : float
        Heat transfer from one face into still air [W/(m^2 K)].

    Raises
    ------
    ValueError
        If a value is not positive (the sheet's thickness: negative).

    Notes
    -----
    Steady conduction through slabs (elementary, for instance Carslaw & Jaeger, *Conduction
    of Heat in Solids*, 1959, from memory). A film that makes q per area evenly through its
    thickness t and gives it all to one face is warmer than that face by q t/(2k) at the
    other one and by q t/(3k) on average; a sheet adds q t_s/k_s; a face in air adds q/h.
    The part is a perfect sink. Both ways at once carry more heat than either, so each alone
    is an upper bound.

    """

    thickness: float
    conductivity: float
    sheet_thickness: float = 0.0
    sheet_conductivity: float = 0.17
    still_air: float = 10.0

    def __post_init__(self) -> None:
        for name in ("thickness", "conductivity", "sheet_conductivity", "still_air"):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} must be positive, got {getattr(self, name)}")
        if not 0.0 <= self.sheet_thickness < math.inf:
            raise ValueError(
                f"sheet_thickness must be 0 or more, got {self.sheet_thickness}"
            )

    @property
    def on_sheet(self) -> float:
        """Mean rise of the film above its part for one W/m^2 [K m^2/W]."""
        return self.thickness / (3.0 * self.conductivity) + self._sheet

    @property
    def hottest_on_sheet(self) -> float:
        """Rise of its free face above its part for one W/m^2 [K m^2/W]."""
        return self.thickness / (2.0 * self.conductivity) + self._sheet

    @property
    def in_still_air(self) -> float:
        """Rise of a film cooled by air at one face alone, for one W/m^2 [K m^2/W].

        The film's own q t/(2k) is left out: it is hundreds of times less.
        """
        return 1.0 / self.still_air

    @property
    def _sheet(self) -> float:
        return self.sheet_thickness / self.sheet_conductivity


@dataclass(frozen=True, slots=True)
class SelfHeating:
    """Steady warming of a film by its own current.

    Parameters
    ----------
    cold_rise : float
        With the power of the cold film [K].
    loop_gain : float
        How much the power moves with its own warming, d ln P / dT times `cold_rise`; at 1
        or more there is no steady state.
    rise : float
        Steady rise [K], inf when there is none.

    """

    cold_rise: float
    loop_gain: float
    rise: float

    @property
    def runs_away(self) -> bool:
        """Whether the current feeds on its own heat without end."""
        return math.isinf(self.rise)


def self_heating(
    circuit: Circuit,
    resistance: float,
    area: float,
    rise_per_flux: float,
    coefficient: float,
) -> SelfHeating:
    """Warming of a film at its supply, the change of R with it included.

    Parameters
    ----------
    circuit : Circuit
        Circuit and supply.
    resistance : float
        Film before it warms [ohm].
    area : float
        Area that makes and loses the heat [m^2].
    rise_per_flux : float
        From a `HeatPath` [K m^2/W].
    coefficient : float
        (1/R) dR/dT [1/K].

    Returns
    -------
    SelfHeating

    Notes
    -----
    Linear in the rise: dT = theta P_0/A (1 + c dT) with c = (d ln P/d ln R) coefficient, so
    dT = dT_0/(1 - c dT_0). For large rises it tells how large, not how much.

    """
    cold = rise_per_flux * circuit.film_power(resistance) / area
    gain = cold * circuit.power_slope(resistance) * coefficient if cold > 0.0 else 0.0
    return SelfHeating(cold, gain, cold / (1.0 - gain) if gain < 1.0 else math.inf)


def thermal_output(
    coefficient: ArrayLike,
    gauge_factor: ArrayLike,
    part_expansion: float = 0.0,
    film_expansion: float = 0.0,
    transverse_sensitivity: float = 0.0,
    calibration_poisson_ratio: float = 0.285,
) -> Floats:
    r"""Thermal output, or apparent strain, per kelvin.

    .. math:: \frac{\varepsilon_T}{\Delta T} = \frac{\alpha_R}{K} +
              \frac{1 + K_t}{1 - \nu_0 K_t} (\alpha_s - \alpha_g)

    Parameters
    ----------
    coefficient : array_like
        alpha_R, (1/R) dR/dT [1/K].
    gauge_factor : array_like
        K, that of the instrument.
    part_expansion, film_expansion : float
        alpha_s of the part, alpha_g of the film where it differs [1/K]; equal by default,
        which leaves the first term.
    transverse_sensitivity : float
        K_t.
    calibration_poisson_ratio : float
        nu_0 of the beam the gauge factor was measured on, 0.285 for the usual steel.

    Returns
    -------
    ndarray of float
        Strain per kelvin; inf where the gauge factor is 0.

    Notes
    -----
    Strain-gauge practice, from memory; the vocabulary is that of ASTM E251.

    """
    a, k = np.broadcast_arrays(
        np.asarray(coefficient, dtype=np.float64), np.asarray(gauge_factor, np.float64)
    )
    first = np.where(k != 0.0, a / np.where(k != 0.0, k, 1.0), np.inf)
    mismatch = (1.0 + transverse_sensitivity) / (
        1.0 - calibration_poisson_ratio * transverse_sensitivity
    )
    return np.asarray(first + mismatch * (part_expansion - film_expansion))


def across_sensitivity(transverse_sensitivity: float, part_poisson_ratio: float) -> float:
    r"""Sensitivity of a film across the strain over that of one along it.

    .. math:: \frac{K_t - \nu}{1 - \nu K_t}

    Parameters
    ----------
    transverse_sensitivity : float
        K_t, response to strain across the current over that to strain along it.
    part_poisson_ratio : float
        nu of the part, which strains by -nu across when strained by 1 along.

    Returns
    -------
    float
        Negative when the film across is shortened more than it reads across.

    Notes
    -----
    From R = R_0 (1 + F_a (e_a + K_t e_t)), the definition of K_t in strain-gauge practice
    (ASTM E251), with (e_a, e_t) = (1, -nu) and (-nu, 1).

    """
    k, nu = transverse_sensitivity, part_poisson_ratio
    return (k - nu) / (1.0 - nu * k)


@dataclass(frozen=True, slots=True)
class Separation:
    """What two readings tell of strain and temperature.

    Parameters
    ----------
    matrix : (2, 2) ndarray of float
        d ln R of each reading with strain and with temperature [1, 1/K].
    scale : tuple of float
        Strain and temperature change that count as one.
    condition_number : float
        Of the matrix in that scale (2-norm); inf when the readings tell the same.
    noise : tuple of float
        Standard deviations of strain and temperature [1, K] from the noise of the readings.
    spread : tuple of float or None
        Half of the central 68 % of their errors [1, K] when the films are not those the
        matrix says, at one scale of strain and temperature together; None if not asked.

    """

    matrix: Floats
    scale: tuple[float, float]
    condition_number: float
    noise: tuple[float, float]
    spread: tuple[float, float] | None = None


SINGULAR = 1e12
"""Condition number from which two readings count as the same."""


def separate(
    matrix: ArrayLike,
    scale: tuple[float, float],
    reading_noise: tuple[float, float],
    real: ArrayLike | None = None,
) -> Separation:
    r"""Strain and temperature from two readings: condition and uncertainty.

    Parameters
    ----------
    matrix : (2, 2) array_like
        S, what the user believes: d ln R of each reading with strain and temperature.
    scale : (float, float)
        Strain and temperature change of interest [1, K], both positive.
    reading_noise : (float, float)
        Standard deviation of each reading [ln R].
    real : (n, 2, 2) array_like, optional
        S_k of n pairs of real films.

    Returns
    -------
    Separation

    Raises
    ------
    ValueError
        If shapes do not fit or a scale is not positive.

    Notes
    -----
    Noise by the law of propagation, cov = S^-1 diag(u^2) S^-T (JCGM 100:2008). A pair of
    real films read at the scale x gives S^-1 S_k x, so that its error is
    (S^-1 S_k - 1) x, taken over the pairs (JCGM 101:2008).

    """
    s = np.asarray(matrix, dtype=np.float64)
    x = np.asarray(scale, dtype=np.float64)
    if s.shape != (2, 2) or x.shape != (2,):
        raise ValueError(f"matrix must be (2, 2) and scale (2,), got {s.shape}, {x.shape}")
    if not np.all(x > 0.0):
        raise ValueError(f"scale must be positive, got {scale}")
    condition = float(np.linalg.cond(s * x)) if np.isfinite(s).all() else math.inf
    if not condition < SINGULAR:
        nothing = (math.inf, math.inf)
        return Separation(
            s, (x[0], x[1]), math.inf, nothing, None if real is None else nothing
        )
    inverse = np.linalg.inv(s)
    noise = np.sqrt((inverse**2) @ (np.asarray(reading_noise, dtype=np.float64) ** 2))
    spread = None
    if real is not None:
        pairs = np.asarray(real, dtype=np.float64)
        pairs = pairs[np.isfinite(pairs).all(axis=(1, 2))]
        error = np.einsum("ij,kjl,l->ki", inverse, pairs, x) - x
        if len(error):
            low, high = np.quantile(error, [0.158655, 0.841345], axis=0)
            half = 0.5 * (high - low)
            # a bias common to all pairs is an error as well
            bias = np.abs(np.median(error, axis=0))
            spread = (float(np.hypot(half[0], bias[0])), float(np.hypot(half[1], bias[1])))
        else:
            spread = (math.inf, math.inf)
    return Separation(
        s, (float(x[0]), float(x[1])), condition, (float(noise[0]), float(noise[1])), spread
    )
