"""Stored outcomes and findings -> the tables of a run, column by column, keys in SI."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import repeat
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from percsim.boxes.simulate import BoxJob, finished
from percsim.boxes.store import Record
from percsim.decision.candidates import Choice
from percsim.findings.judged import Findings
from percsim.findings.rows import recipe_key
from percsim.plan import Plan

__all__ = ["Table", "box_tables", "candidate_table", "casting_table", "columns_of"]

Table: TypeAlias = dict[str, list[Any]]
"""Columns of one length by key, which names their SI unit."""


def columns_of(rows: Sequence[Mapping[str, Any]]) -> Table:
    """Columns in the order in which rows first name them, None where one does not."""
    keys = dict.fromkeys(key for row in rows for key in row)
    return {key: [row.get(key) for row in rows] for key in keys}


def extend(table: Table, more: Mapping[str, Iterable[Any]]) -> None:
    """Add rows to a table, given as columns of the same names."""
    for key, column in more.items():
        table.setdefault(key, []).extend(column)


def box_tables(
    plan: Plan, jobs: Sequence[BoxJob], records: dict[str, Record]
) -> tuple[Table, Table]:
    """Columns of boxes.csv and responses.csv."""
    boxes: list[dict[str, Any]] = []
    responses: Table = {}
    columns = {
        mix.box_label: dict(mix.mix_values([n for n in mix.box_axes if n in plan.varying]))
        for mix in plan.mixes
    }
    ordered = sorted(
        jobs, key=lambda j: (j.label, j.recipe.weight_fraction, j.box.length, j.number)
    )
    for job, result in finished(ordered, records):
        conductances = result.conductances.tolist()
        resistances = [1.0 / g if g > 0.0 else float("inf") for g in conductances]
        rest = resistances[job.rest]
        wanted = (plan.chord_strain, job.states[job.rest].temperature)
        strained = next(
            r
            for s, r in zip(job.states, resistances, strict=True)
            if (s.strain, s.temperature) == wanted
        )
        where = {
            **columns[job.label],
            "weight_fraction": job.recipe.weight_fraction,
            "box_length_m": job.box.length,
            "box_number": job.number,
        }
        boxes.append(
            where
            | result.numbers
            | {
                "resistance_ohm": rest,
                # an open box has none; one that opens under strain has an infinite one
                "gauge_factor": (strained / rest - 1.0) / plan.chord_strain
                if rest < float("inf")
                else None,
                "elapsed_s": records[job.key].elapsed,
            }
        )
        n = len(job.states)
        extend(
            responses,
            {key: repeat(value, n) for key, value in where.items()}
            | {
                "visit": range(n),
                "strain": [s.strain for s in job.states],
                "temperature_K": [s.temperature for s in job.states],
                "resistance_ohm": resistances,
            },
        )
    return columns_of(boxes), responses


def _five_digits(values: NDArray[np.float64]) -> list[float]:
    """Round to five digits that count."""
    size = np.maximum(np.abs(values), 1e-300)
    step = 10.0 ** (np.floor(np.log10(size)) - 4.0)
    found: list[float] = (np.round(values / step) * step).tolist()
    return found


def casting_table(choice: Choice) -> Table:
    """Columns of castings.csv; what each casting drew as how far it is off the plan."""
    table: Table = {}
    for index, candidate in enumerate(choice.candidates):
        castings, n = candidate.castings, len(candidate.castings)
        off = {
            f"{name}_off": _five_digits(x - 1.0) for name, x in castings.factors().items()
        }
        rest, gauge = castings.at_rest, castings.gauge_factors
        known = np.isfinite(rest).tolist()
        here = {
            "candidate": index,
            "weight_fraction": castings.loading.weight_fraction,
            "electrode_gap_m": castings.film.electrode_gap,
            **dict(candidate.values),
        }
        columns = {
            **{name: repeat(value, n) for name, value in here.items()},
            "casting": range(n),
            **off,
            "resistance_ohm": rest.tolist(),
            "gauge_factor": [
                g if closed else None
                for g, closed in zip(gauge.tolist(), known, strict=True)
            ],
            "passes": choice.target.passes(rest, gauge).tolist(),
        }
        extend(table, columns)
    return table


def candidate_table(findings: Findings, candidates: Sequence[Mapping[str, Any]]) -> Table:
    """Columns of candidates.csv: every candidate, and P with all that is not known."""
    chances = dict(
        zip(map(recipe_key, findings.recipes), findings.decision.all_limits, strict=True)
    )
    rows = []
    for i, (row, candidate) in enumerate(
        zip(candidates, findings.whole.candidates, strict=True)
    ):
        kept: dict[str, Any] = {"candidate": i}
        for key, value in row.items():
            if key == "refused_because":
                kept[key] = "; ".join(value)
            elif key in ("resistance_ohm", "gauge_factor", "pass_share", "spread_shares"):
                stem = key.replace("shares", "share")
                kept |= {f"{stem}_{n}".removesuffix("_value"): x for n, x in value.items()}
            elif key != "readout" and not isinstance(value, dict | list):
                kept[key] = value
        kept["probability"] = chances[recipe_key(candidate.outlook.recipe)]
        rows.append(kept)
    return columns_of(rows)
