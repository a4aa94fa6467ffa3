"""What the currents of the solved boxes tell of the chosen or nearest candidate's film."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.results import Currents as BoxCurrents
from percsim.boxes.simulate import POWER_QUANTILES, finished
from percsim.decision.priors import ContactParameters
from percsim.film.memories import MEMORY
from percsim.findings.judged import Findings, once

__all__ = ["Currents", "currents"]

STEP, SMALL = 1.1, 1e-4
"""Factor on each parameter in the table of gradients, and relative step of its slopes."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Mean:
    """Mean over boxes with its standard error."""

    mean: float
    standard_error: float

    @classmethod
    def of(cls, values: Floats) -> Mean:
        """Of one number a box."""
        n = len(values)
        error = float(values.std(ddof=1) / np.sqrt(n)) if n > 1 else float("inf")
        return Mean(float(values.mean()), error)


@dataclass(frozen=True, slots=True)
class Largest(Mean):
    """The same, and the largest."""

    largest: float


@dataclass(frozen=True, slots=True)
class Currents:
    """What the currents of the boxes of a film tell beyond its resistance."""

    n_boxes: int
    film_voltage_V: float
    largest_contact_power_W: Largest
    _told: Mapping[str, object]


def _over_full(estimate: Floats, full: Floats) -> dict[str, float]:
    """Geometric mean of an estimate over the full answer, and its 5-95 % over the boxes."""
    there = estimate > 0.0
    if not there.any():
        return {"mean": 0.0, "p05": 0.0, "p95": 0.0}
    logs = np.log(estimate[there] / full[there])
    low, high = np.quantile(logs, [0.05, 0.95])
    return {
        "mean": float(np.exp(logs.mean())),
        "p05": float(np.exp(low)),
        "p95": float(np.exp(high)),
    }


@once
def currents(findings: Findings) -> Currents | None:
    """Collect what the solves at rest tell beyond the resistance.

    Parameters
    ----------
    findings : Findings
        What the boxes of a plan gave.

    Returns
    -------
    Currents or None
        None when the film is open or nothing of it is stored. See Notes.

    Notes
    -----
    The film's current density is the same everywhere on average, so that a box of it has
    the share of the film's voltage that it has of the film's resistance times section. A
    contact of a box then heats by its share of the power of that box. Relative 1/f noise
    falls as the number of boxes in the film, which fluctuate apart.

    """
    castings, fit = findings.best.castings, findings.best.fit
    film, loading, ref = castings.film, fit.loading, castings.visits.rest
    if fit.is_open or np.isinf(castings.nominal[ref]):
        return None
    boxes = [
        (result.conductances[job.rest], result.currents)
        for job, result in finished(findings.jobs, findings.records)
        if job.recipe.weight_fraction == loading.weight_fraction
        and job.box.length == loading.lengths[-1]
    ]
    rows = [found for conductance, found in boxes if conductance > 0.0]
    if len(rows) < 2:
        return None
    g = np.array([conductance for conductance, _ in boxes if conductance > 0.0])

    def values(of: Callable[[BoxCurrents], float | Floats]) -> Floats:
        return np.array([of(row) for row in rows])

    readout = findings.best.readout
    voltage = (readout.voltage if readout else 0.0) or 1.0
    rho, excess = fit.resistivity[ref], fit.electrode_excess[ref]
    ends = film.layout.ends(rho, excess, film.thickness)
    path = rho * film.electrode_gap + float(ends)
    box_voltage = voltage * float(fit.mean_inverse[-1, ref] / path)
    largest = values(lambda row: row.largest_share) * box_voltage**2 * g
    boxes_in_film = film.volume / fit.box_volume
    power = values(lambda row: row.power_sorted)
    noise = values(lambda row: row.noise_index)
    told = {
        "weight_fraction": loading.weight_fraction,
        "electrode_gap_m": film.electrode_gap,
        "n_open": len(boxes) - len(rows),
        "box_length_m": loading.lengths[-1],
        "boxes_in_film": boxes_in_film,
        "hottest_share": Mean.of(values(lambda row: row.hottest_share)),
        "supplied": readout is not None,
        "box_voltage_V": box_voltage,
        "largest_share": Mean.of(values(lambda row: row.largest_share)),
        "noise_index_box": Mean.of(noise),
        "noise_index_film": Mean.of(noise / boxes_in_film),
        "conductance_S": float(np.exp(np.log(g).mean())),
        "estimates": {
            "critical_path": _over_full(values(lambda row: row.critical_path_S), g),
            "bottleneck": _over_full(values(lambda row: row.bottleneck_S), g),
            "effective_medium": _over_full(values(lambda row: row.effective_medium_S), g),
        },
        "power_by_contact": [
            {
                "hottest": share,
                "mean": column.mean(),
                "p05": np.quantile(column, 0.05),
                "p95": np.quantile(column, 0.95),
            }
            for share, column in zip(POWER_QUANTILES, power.T, strict=True)
        ],
        "gradient": _gradient(findings),
    }
    mean = Mean.of(largest)
    most = Largest(mean.mean, mean.standard_error, float(largest.max()))
    return Currents(len(rows), voltage, most, told)


def _gradient(findings: Findings) -> list[dict[str, object]]:
    """Give what a tenth more of each parameter does to R and the chord gauge factor."""
    model, castings = findings.mix.model, findings.best.castings
    if model.surface is None:
        return []
    visits, phi = model.visits, castings.loading.volume_fraction
    contacts, rest, end = findings.contacts, visits.rest, visits.chord_state
    measured = contacts.measured if isinstance(contacts, ContactParameters) else frozenset()
    centre = dict(findings.centre)
    known = model.parameters | centre
    # shares of 1 cannot be a tenth more, nor does a tenth of a temperature mean anything
    held = {name: known[name] for name in (*MEMORY, "closed_at")}
    names = [name for name in model.parameters if name not in held] + ["threshold"]
    here = np.array([known[name] for name in names])

    def read(changed: Floats) -> tuple[Floats, Floats, Floats]:
        """Ln R at rest, chord gauge factor, and error of the chord of rows of numbers."""
        given = held | dict(zip(names, changed.T, strict=True))
        factor = given.pop("threshold")
        states = [rest] if end is None else [rest, end]
        logs = model.log_resistance(castings.film, phi, given, factor, states=states)
        nothing = np.zeros(len(logs))
        if end is None:
            return logs[:, 0], nothing, nothing
        strain = visits.strains[end]
        # what the boxes leave open is the same in every row
        near = model.between([np.log(phi)])[:, 0]
        doubts = model.material(given, states=[end]).doubts
        assert doubts is not None
        errors = doubts[1, ..., end] @ near / abs(strain)
        known = np.isfinite(logs).all(axis=1)
        rise = np.where(known, logs[:, 1], 0.0) - np.where(known, logs[:, 0], 0.0)
        return logs[:, 0], np.expm1(rise) / strain, errors

    # as it is, each in turn a tenth more, and a little more and less for the slopes
    each = np.eye(len(here))
    more = np.vstack([0.0 * here, (STEP - 1.0) * each])
    logs, gauge, errors = read(here * (1.0 + more))
    up, down = (read(here * (1.0 + step * each))[0] for step in (SMALL, -SMALL))
    added = np.sqrt(np.maximum(errors[1:] ** 2 - errors[0] ** 2, 0.0))
    threshold = findings.threshold.volume_fraction
    return [
        {
            "parameter": name,
            "value": threshold if name == "threshold" else float(here[k]),
            "basis": "simulated"
            if name == "threshold"
            else ("measured" if name in measured else "assumed"),
            "log_slope": float((up[k] - down[k]) / (2.0 * SMALL)),
            "resistance_change": float(np.expm1(logs[1 + k] - logs[0])),
            "gauge_factor_change": float(gauge[1 + k] - gauge[0]),
            # what the change adds to the error that the film has anyway
            "gauge_factor_change_se": float(added[k]),
        }
        for k, name in enumerate(names)
    ]
