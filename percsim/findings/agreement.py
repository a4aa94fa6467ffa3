"""Films of one batch against what was predicted of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from percsim.decision.batch import Cause, agreement
from percsim.decision.outlook import Recipe
from percsim.decision.posterior import Reading
from percsim.errors import PlanError
from percsim.film.electrodes import Film
from percsim.findings.judged import Findings
from percsim.process import one_blas_thread
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["batch_agreement"]


def _cause(cause: Cause) -> dict[str, object]:
    """One cause; what it is off by as a fraction, one standard error either way."""
    low, middle, high = (cause.off_by + k * cause.standard_error for k in (-1.0, 0.0, 1.0))
    if cause.name == "mixing":
        ends = max(low, 0.0), middle, high
    else:
        # errors are those of the logarithm: half and double are equally far
        ends = float(np.expm1(low)), float(np.expm1(middle)), float(np.expm1(high))
    return {
        "name": cause.name,
        "probability": cause.probability,
        "off_by": ends[1],
        "low": ends[0],
        "high": ends[2],
    }


@one_blas_thread()
def _faults(readings: Sequence[Reading]) -> list[str]:
    """Say why readings are not films of one batch."""
    faults = [
        f"{r.label}: a batch is judged film by film, with films = 1"
        for r in readings
        if r.films != 1
    ]
    faults += [
        f"{r.label}: a batch is judged by R at rest and 20 C"
        for r in readings
        if r.resistance is None
        or (
            r.relative_change is None
            and (r.strain, r.temperature) != (0.0, ROOM_TEMPERATURE)
        )
    ]
    cups = {r.batch for r in readings}
    if len(cups) > 1:
        faults.append(
            f"the films come from {len(cups)} cups: films of one cup share its mixing, so "
            "judge each cup by itself ('percsim lots' compares cups)"
        )
    loadings = {r.loading.weight_fraction for r in readings}
    if len(loadings) > 1:
        faults.append(f"the films are not of one batch: they have {len(loadings)} loadings")
    return faults


def batch_agreement(findings: Findings, readings: Sequence[Reading]) -> dict[str, Any]:
    """Judge one batch, one reading a film.

    Parameters
    ----------
    findings : Findings
        Of the run; measured rows of its plan narrow what is predicted.
    readings : sequence of Reading
        One film each, all of one cup, at rest and 20 C.

    Returns
    -------
    dict
        Verdict, probabilities, band and causes; lengths, resistances and fractions in SI.

    Raises
    ------
    PlanError
        If the readings are not films of one batch, or the plan has nothing to judge by.

    """
    films = findings.mix.films
    if films.model.surface is None:
        raise PlanError(
            [
                "the plan's boxes were not solved at other settings of the law, so there "
                "is no band to judge by; it takes model = 'opening' and boxes.variations"
            ]
        )
    faults = _faults(readings)
    if faults:
        raise PlanError(faults)
    measured = [
        name
        for name in ("thickness", "width")
        if any(
            getattr(r.film, name)
            != getattr(findings.plan.film_at(r.film.electrode_gap), name)
            for r in readings
        )
    ]
    # brought to the sizes of the first film of its gap, so that what was measured scatters
    # no more
    first: dict[float, Film] = {}
    recipes, resistances = [], []
    for r in readings:
        film = first.setdefault(r.film.electrode_gap, r.film)
        own = (r.film.width * r.film.thickness) / (film.width * film.thickness)
        recipes.append(Recipe(r.loading, film))
        resistances.append((r.resistance or 0.0) * own)
    result = agreement(
        films.model, recipes, resistances, findings.known, films.bench,
        measured_sizes=measured,
    )  # fmt: skip
    return {
        "verdict": result.verdict,
        "weight_fraction": readings[0].loading.weight_fraction,
        "anchored_rows": len(findings.plan.measured),
        "films": len(readings),
        "open_films": sum(kind.n_open for kind in result.films),
        "measured_sizes": measured,
        "gaps": [
            {
                "electrode_gap_m": kind.recipe.film.electrode_gap,
                "films": kind.n,
                "open_films": kind.n_open,
                "predicted_ohm": asdict(kind.predicted),
                "measured_ohm": kind.measured,
            }
            for kind in result.films
        ],
        "contains": (
            "geometric mean of the films: contacts and threshold as far as they are known, "
            "simulation error, and the bench tolerances of so many films of one cup, "
            "perhaps of another lot of powder"
        ),
        "level_probability": result.level_probability,
        "scatter_probability": result.scatter_probability,
        "open_probability": result.open_probability,
        "scatter": result.scatter,
        "expected_scatter": result.expected_scatter,
        "causes": [_cause(cause) for cause in result.causes],
        "told_apart": result.told_apart,
    }
