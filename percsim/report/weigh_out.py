"""Weigh-out sheets for the terminal."""

from __future__ import annotations

from collections.abc import Sequence

from percsim.materials.weighing import WeighOut
from percsim.quantities import (
    columns,
    grams,
    mix,
    mm,
    percent,
    quantity,
    spelt,
    two,
    weight,
    with_error,
)
from percsim.words.candidates import STIFF

__all__ = ["one_sheet", "sheet_table"]


def one_sheet(sheet: WeighOut, quiet: bool) -> str:
    """Lay out one batch in full, without explanations if quiet."""
    step = 1e3 * sheet.resolution
    loading = weight(sheet.recipe.weight_fraction)
    parts = sheet.readings | {"together": sum(sheet.readings.values())}
    lines = [
        f"{loading} filler ({percent(sheet.solids)} vol%), base to curing agent"
        f" {mix(sheet.recipe.elastomer.mix_ratio)}",
        "",
        *columns(
            ("component", "weigh (g)"),
            [(name, grams(g, step)) for name, g in parts.items()],
        ),
    ]
    if not quiet:
        lines += [
            "",
            f"As weighed: {_as_weighed(sheet)} wt%, base to curing agent"
            f" {mix(sheet.mix_ratio_read)} (balance steps of {step:g} g, standard"
            " uncertainty).",
            f"Of it {1e3 * sheet.wanted:.4g} g reach the films; losses take"
            f" {percent(sheet.loss)} %.",
        ]
        if sheet.solvent:
            lines.append(
                f"{sheet.solvent}: {quantity(sheet.solvent_volume, 'volume')}; spread"
                f" {mm(sheet.wet_thickness)} wet for {mm(sheet.film_thickness)} dry."
            )
        lines += [f"Mind, at {loading}: {c}" for c in sheet.cautions]
    return "\n".join(lines)


def sheet_table(sheets: Sequence[WeighOut], quiet: bool) -> str:
    """Lay out several batches, one row each."""
    names = list(sheets[0].readings)
    rows = [
        (
            _loading(sheet),
            percent(sheet.solids),
            *(grams(sheet.readings[name], 1e3 * sheet.resolution) for name in names),
            mix(sheet.mix_ratio_read),
            two(100 * sheet.weight_fraction_uncertainty),
            "no" if not sheet.castable else "stiff" if _is_stiff(sheet) else "yes",
        )
        for sheet in sheets
    ]
    head = ("wt%", "vol%", *(f"{name} (g)" for name in names), "mix", "+- wt%", "castable")
    lines = columns(head, rows, left=0)
    if quiet:
        return "\n".join(lines)
    lines += [
        "",
        f"Losses take {percent(sheets[0].loss)} % of each batch; mix is base to curing"
        " agent as weighed, +- the standard uncertainty of the loading from the balance.",
    ]
    # the same thing said of several loadings is said once, with the first one's numbers
    about: dict[str, list[tuple[str, str]]] = {}
    for sheet in sheets:
        for caution in sheet.cautions:
            subject = " ".join(caution.split()[:2]).partition(":")[0]
            about.setdefault(subject, []).append((_loading(sheet), caution))
    for (loading, caution), *others in about.values():
        likewise = ", ".join(other for other, _ in others)
        lines.append(
            f"Mind, at {loading} wt%: {caution}"
            + (f" (likewise at {likewise} wt%)" if likewise else "")
        )
    return "\n".join(lines)


def _is_stiff(sheet: WeighOut) -> bool:
    """Whether the filler thickens a mix that can be cast so far that casting takes care."""
    return sheet.relative_viscosity > STIFF


def _loading(sheet: WeighOut) -> str:
    return weight(sheet.recipe.weight_fraction, "")


def _as_weighed(sheet: WeighOut) -> str:
    read, error = sheet.weight_fraction_read, sheet.weight_fraction_uncertainty
    return spelt(with_error(read, error, 100.0))
