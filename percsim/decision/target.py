"""Stage 8. What a casting, and the lot of them, must reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from percsim.film.protocol import Protocol
from percsim.film.readout import Circuit, HeatPath

__all__ = ["SERIES_WINDOW", "Limit", "Target"]

Floats = NDArray[np.float64]

SERIES_WINDOW = 3.0
"""Film between series/3 and 3 x series reads at least 3/4 of the divider's best slope."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a target.

    Parameters
    ----------
    what : str
        What is limited: resistance, gauge_factor, resistance_cv, gauge_factor_cv,
        thermal_output, self_heating_drift, hysteresis, zero_shift, drift or pass_share.
    value : float
        The limit, in `unit`.
    unit : str
        "ohm", "1", "1/K" or "strain".
    at_least : bool
        Whether values below it miss it, rather than values above.

    """

    what: str
    value: float
    unit: str
    at_least: bool

    def reserve(self, values: ArrayLike) -> Floats:
        """How far inside (positive) or outside values are; -inf for what is not known.

        Logarithm of the ratio for resistances, gauge factors and what heat does, relative
        to the limit for CVs, a difference for shares.
        """
        x = np.asarray(values, dtype=np.float64)
        if self.what == "pass_share":
            return np.asarray(x - self.value)
        known = np.isfinite(x)
        if self.what.endswith("_cv"):
            return np.where(known, 1.0 - np.where(known, x, 0.0) / self.value, -np.inf)
        if not self.at_least:
            x = np.where(known, np.maximum(x, 1e-30), x)
        known &= x > 0.0
        ratio = np.log(np.where(known, x, self.value) / self.value)
        return np.where(known, ratio if self.at_least else -ratio, -np.inf)


@dataclass(frozen=True, slots=True)
class Target:
    """What a casting, and the lot of them, must reach.

    Parameters
    ----------
    resistance_min, resistance_max : float or None
        Window of the resistance at rest [ohm]; without either, a series resistor gives the
        window from a third of it to three times it.
    supply_voltage, series_resistance : float or None
        Supply [V] and the resistor in series with the film [ohm].
    gauge_factor_min : float or None
        Smallest chord gauge factor.
    resistance_cv_max, gauge_factor_cv_max : float or None
        Largest CV between castings, of the resistance at rest and of the gauge factor.
    pass_share_min : float
        Share of castings that must lie in the window and reach the gauge factor, 0 to 1.
    self_heating_drift_max : float or None
        Largest drift by the film's own heat on its sheet, as strain, either way.
    thermal_output_max : float or None
        Largest thermal output at 20 C, strain per kelvin, either way.
    hysteresis_max : float or None
        Largest hysteresis of the conditioned film, over its span, either way.
    zero_shift_max : float or None
        Largest shift of zero by the first pull, as strain of the conditioned film, either
        way.
    drift_max : float or None
        Largest drift in 30 minutes under strain, the same.
    protocol : Protocol or None
        What films are pulled, held and rested through for these three.
    pull : {"conditioned", "first"}
        Which pull the gauge factor and what rests on it are of.
    circuit : Circuit or None
        What the film is read with, for its heat.
    heat_path : HeatPath or None
        How that heat leaves it.

    Raises
    ------
    ValueError
        If a limit is not positive, the window is empty or the share is outside 0 to 1.

    Notes
    -----
    The voltage across a film R in series with S changes by V x (1 - x) d ln R with
    x = R/(R + S). It is largest at R = S and three quarters of that at S/3 and 3 S; to stay
    within these is common practice, no source.

    """

    resistance_min: float | None = None
    resistance_max: float | None = None
    supply_voltage: float | None = None
    series_resistance: float | None = None
    gauge_factor_min: float | None = None
    resistance_cv_max: float | None = None
    gauge_factor_cv_max: float | None = None
    pass_share_min: float = 0.8
    self_heating_drift_max: float | None = None
    thermal_output_max: float | None = None
    hysteresis_max: float | None = None
    zero_shift_max: float | None = None
    drift_max: float | None = None
    protocol: Protocol | None = None
    pull: str = "conditioned"
    circuit: Circuit | None = None
    heat_path: HeatPath | None = None

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if name in ("pull", "circuit", "heat_path", "protocol"):
                continue
            if value is not None and not 0.0 < value < float("inf"):
                raise ValueError(f"target {name} must be positive, got {value}")
        if self.pass_share_min > 1.0:
            raise ValueError(
                f"target pass_share_min must be 0 to 1, got {self.pass_share_min}"
            )
        low, high = self.window
        if self.self_heating_drift_max is not None and not (
            self.circuit and self.heat_path
        ):
            raise ValueError(
                "target self_heating_drift_max needs a circuit and a heat path"
            )
        if self.is_cycled and not (self.protocol and self.protocol.pulls):
            raise ValueError(
                "limits on hysteresis, zero and drift need a protocol that pulls"
            )
        if not low < high:
            raise ValueError(
                f"target resistance_min must be below resistance_max, got {low} and {high} "
                "ohm"
            )

    @property
    def window(self) -> tuple[float, float]:
        """Smallest and largest resistance [ohm]; 0 and inf where there is no limit."""
        if self.resistance_min is None and self.resistance_max is None:
            if self.series_resistance is None:
                return 0.0, float("inf")
            return (
                self.series_resistance / SERIES_WINDOW,
                self.series_resistance * SERIES_WINDOW,
            )
        low = 0.0 if self.resistance_min is None else self.resistance_min
        return low, float("inf") if self.resistance_max is None else self.resistance_max

    @property
    def is_cycled(self) -> bool:
        """Whether anything is asked of a film that is pulled and released."""
        limits = self.hysteresis_max, self.zero_shift_max, self.drift_max
        return any(limit is not None for limit in limits)

    @property
    def log_window(self) -> tuple[float, float]:
        """Ln of both."""
        with np.errstate(divide="ignore"):
            low, high = np.log(self.window)
        return float(low), float(high)

    @property
    def limits(self) -> tuple[Limit, ...]:
        """Every limit, in the order of the plan."""
        low, high = self.window
        rows = (
            ("resistance", low or None, "ohm", True),
            ("resistance", high if np.isfinite(high) else None, "ohm", False),
            ("gauge_factor", self.gauge_factor_min, "1", True),
            ("resistance_cv", self.resistance_cv_max, "1", False),
            ("gauge_factor_cv", self.gauge_factor_cv_max, "1", False),
            ("thermal_output", self.thermal_output_max, "1/K", False),
            ("self_heating_drift", self.self_heating_drift_max, "strain", False),
            ("hysteresis", self.hysteresis_max, "1", False),
            ("zero_shift", self.zero_shift_max, "strain", False),
            ("drift", self.drift_max, "strain", False),
            ("pass_share", self.pass_share_min, "1", True),
        )
        return tuple(
            Limit(what, value, unit, at_least)
            for what, value, unit, at_least in rows
            if value is not None
        )

    def passes(self, at_rest: Floats, gauge_factors: Floats) -> NDArray[np.bool_]:
        """Which castings conduct, lie in the window and reach the gauge factor.

        A casting that opens within the strain window (gauge factor inf) does not pass: it
        is not a sensor.
        """
        low, high = self.window
        good = np.isfinite(at_rest) & (at_rest >= low) & (at_rest <= high)
        good &= np.isfinite(gauge_factors)
        if self.gauge_factor_min is not None:
            good &= gauge_factors >= self.gauge_factor_min
        return np.asarray(good)
