"""The command that judges a lot of castings."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from percsim.cli.shared import (
    Debug,
    Json,
    Quiet,
    command,
    option,
    refuse,
    say,
    say_json,
    valued,
)

if TYPE_CHECKING:
    from percsim.decision.lots import CureRatio

__all__ = ["lots"]

LARGEST_SPREAD = 10.0
"""CV that no reading of a batch comes near."""

Pairs = list[tuple[float, float]]


def _percent(help_: str) -> Any:
    return valued("%", help_)


@command(
    "percsim lots readings.csv --window '0.7 to 3 kohm'",
    "percsim lots -r '1.21 kohm' -r '1.50 kohm' -r '1.38 kohm' -r open",
    "percsim lots --folder out/patch --within '5 %'",
    "percsim lots --cv '25 %' --share '90 %'",
)
def lots(
    readings: Annotated[
        Path | None,
        typer.Argument(
            metavar="[READINGS.csv]",
            help="A reading a row: column 'resistance (kohm)' or 'resistance_kohm', or"
            " 'resistance' with the unit in each cell; 'open' for an open film. A column"
            " 'uncured' holds the same film before cure, a column 'cup' names the cup each"
            " film was cast from. Other columns are passed over.",
        ),
    ] = None,
    reading: Annotated[
        list[str] | None,
        typer.Option("--reading", "-r", metavar="R", help="One reading, '1.2 kohm'."),
    ] = None,
    folder: Annotated[
        str | None,
        typer.Option(help="Results folder, for the predicted spread and the window."),
    ] = None,
    cv: Annotated[str | None, _percent("CV between castings, when none is read.")] = None,
    window: Annotated[
        str | None,
        valued("R", "Resistance asked for, '0.7 to 3 kohm'."),
    ] = None,
    within: Annotated[str, _percent("How close the median is to be known.")] = "10 %",
    confidence: Annotated[str, _percent("Confidence of every statement.")] = "95 %",
    coverage: Annotated[str, _percent("Share that a tolerance interval holds.")] = "95 %",
    share: Annotated[str, _percent("Share inside the window to prove.")] = "80 %",
    good_share: Annotated[
        str | None,
        _percent(
            "Share of a recipe to accept nearly always when films are counted one by"
            " one; without, a quarter as many fail as --share allows.",
        ),
    ] = None,
    instrument: Annotated[
        str, _percent("Standard uncertainty of one reading, digits too.")
    ] = "0.1 %",
    cured_ratio: Annotated[
        float | None,
        typer.Option(help="Cured over uncured resistance, as you measured it."),
    ] = None,
    cured_ratio_spread: Annotated[
        str | None, _percent("Its standard deviation from film to film.")
    ] = None,
    quiet: Quiet = False,
    as_json: Json = False,
    debug: Debug = False,
) -> None:
    """How many castings prove a recipe, and what a measured lot shows.

    Without readings it plans from a predicted spread.
    """
    problems: list[str] = []
    shares = {
        "within": within, "confidence": confidence, "coverage": coverage, "share": share,
        "instrument": instrument,
    }  # fmt: skip
    statement = _shares(shares, good_share, problems)
    values, pairs, cups = _given(readings, reading or (), problems)
    limits = _window(window, problems)
    spread = _spread("--cv", cv, problems)
    ratio = _cure_ratio(cured_ratio, cured_ratio_spread, problems)
    if not problems and not values and folder is None and cv is None:
        problems.append("nothing to judge: give READINGS.csv, --reading, --folder or --cv")
    refuse(problems)
    predicted = None
    if folder is not None:
        predicted, planned = _predicted(folder)
        limits = limits or planned
        spread = predicted["cv"] if spread is None else spread
    result = _judged(values, pairs, cups, limits, spread, ratio, predicted, statement)
    if as_json:
        say_json(result)
    else:
        from percsim.report.lots import lot_text

        say(lot_text(result, quiet))


def _predicted(folder: str) -> tuple[dict[str, float], tuple[float, float]]:
    from percsim.boxes.folder import results_folder
    from percsim.report.lots import predicted_lot

    return predicted_lot(results_folder(folder))


def _judged(
    values: Sequence[float],
    pairs: Pairs,
    cups: Sequence[str],
    window: tuple[float, float] | None,
    spread: float | None,
    ratio: CureRatio | None,
    predicted: dict[str, float] | None,
    statement: dict[str, float],
) -> dict[str, Any]:
    """Judge a lot by what was read of the options."""
    import numpy as np

    from percsim.boxes.statistics import log_std_from_cv
    from percsim.decision.lots import CureRatio, Lot
    from percsim.report.lots import lot_summary

    asked = window or (0.0, float("inf"))
    if ratio is None and pairs:
        ratio = CureRatio.from_pairs(*zip(*pairs, strict=True))
    lot = None
    if values:
        lot = Lot(np.array(values), asked, cups or None, statement["instrument"])
    log_std = float("inf") if spread is None else log_std_from_cv(spread)
    return lot_summary(lot, log_std, asked, predicted=predicted, ratio=ratio, **statement)


# ------------------------------------------------------------------------------------------
# Options
# ------------------------------------------------------------------------------------------


def _shares(
    texts: dict[str, str], good: str | None, problems: list[str]
) -> dict[str, float]:
    """Read the percentages of every statement by name."""
    read: dict[str, float] = {}
    for name, text in texts.items():
        value = option(f"--{name}", text, "percentage", problems)
        if value is None:
            continue
        read[name] = value
        if value < 0.0 or (value == 0.0 and name != "instrument"):
            problems.append(f"--{name} must be above 0 %")
        elif not value < (LARGEST_SPREAD if name == "within" else 1.0):
            most = "1000" if name == "within" else "100"
            problems.append(f"--{name} must be below {most} %")
    if good is not None:
        value = option("--good-share", good, "percentage", problems)
        if value is not None and not read.get("share", 0.0) < value < 1.0:
            problems.append("--good-share must lie between --share and 100 %")
        elif value is not None:
            read["good"] = value
    return read


def _window(text: str | None, problems: list[str]) -> tuple[float, float] | None:
    """Read the window of resistances [ohm]."""
    if text is None:
        return None
    from percsim.plan.sections.ask import TargetSection
    from percsim.plan.sections.section import reader_of

    try:
        low, high = reader_of(TargetSection, "resistance").read(text)
    except ValueError as error:
        problems.append(f"--window = {error}")
        return None
    return low, high


def _spread(name: str, text: str | None, problems: list[str]) -> float | None:
    """Read a spread that a bench could have."""
    if text is None:
        return None
    value = option(name, text, "percentage", problems)
    if value is not None and value > LARGEST_SPREAD:
        from percsim.units import show_value

        problems.append(f"{name} = {show_value(text)} must be 1000 % or less")
    return value


def _cure_ratio(
    ratio: float | None, spread: str | None, problems: list[str]
) -> CureRatio | None:
    """Read the cured over the uncured resistance with its spread."""
    if (ratio is None) != (spread is None):
        problems.append(
            "--cured-ratio and --cured-ratio-spread go together: a ratio without its"
            " spread between films sorts nothing"
        )
    if ratio is not None and not 1e-6 <= ratio <= 1e6:
        problems.append(f"--cured-ratio = {ratio:g} must be 1e-6 to 1e6")
    value = _spread("--cured-ratio-spread", spread, problems)
    if problems or ratio is None or value is None:
        return None
    from percsim.boxes.statistics import log_std_from_cv
    from percsim.decision.lots import CureRatio

    return CureRatio(ratio, log_std_from_cv(value))


# ------------------------------------------------------------------------------------------
# Readings
# ------------------------------------------------------------------------------------------


def _given(
    file: Path | None, words: Sequence[str], problems: list[str]
) -> tuple[list[float], Pairs, list[str]]:
    """Read resistances [ohm], (cured, uncured) pairs, and the cup of each if it is told."""
    values: list[float] = []
    pairs: Pairs = []
    cups: list[str] = []
    if file:
        values, pairs, cups = _readings_of_file(file, problems)
    if cups and words:
        problems.append("--reading names no cup: add it to the file, which names them")
    for text in words:
        found = _resistance("--reading", text, "", problems)
        values += [] if found is None else [found]
    return values, pairs, cups


def _resistance(where: str, text: str, unit: str, problems: list[str]) -> float | None:
    """Read one resistance [ohm], inf for an open film; a fault is added to the others."""
    from percsim.plan.sections.section import reader_of
    from percsim.plan.sections.use import MeasuredSection

    is_open = text.strip().lower() in ("open", "inf")
    written = "open" if is_open else f"{text} {unit}".strip()
    try:
        return float(reader_of(MeasuredSection, "resistance").read(written))
    except ValueError as error:
        problems.append(f"{where} = {error}")
        return None


def _columns(heads: Sequence[str]) -> dict[str, tuple[int, str]]:
    """Place and unit of the columns of resistances."""
    from percsim.files import split_heading

    places: dict[str, tuple[int, str]] = {}
    for name in ("resistance", "uncured"):
        for k, head in enumerate(heads):
            word, unit = split_heading(head)
            if word.lower().startswith(f"{name}_") and not unit:
                # the unit as it is written: Mohm is not mohm
                word, unit = name, word[len(name) + 1 :]
            if word.lower() == name:
                places[name] = k, unit
                break
    return places


def _readings_of_file(
    path: Path, problems: list[str]
) -> tuple[list[float], Pairs, list[str]]:
    from percsim.files import read_rows, split_heading
    from percsim.plan.readings import FILM
    from percsim.units import show_value

    values: list[float] = []
    pairs: Pairs = []
    cups: list[str] = []
    try:
        rows = read_rows(path)
    except ValueError as error:
        problems.append(f"{path}: {error}")
        return values, pairs, cups
    heads = rows[0][1] if rows else []
    places = _columns(heads)
    if "resistance" not in places:
        problems.append(
            f"{path}: needs a column 'resistance' (unit in each cell),"
            " 'resistance (kohm)' or 'resistance_kohm', has"
            f" {show_value(', '.join(heads)) if heads else 'nothing'}"
        )
        return values, pairs, cups
    for name in ("weight_fraction", "electrode_gap"):
        at = next((k for k, h in enumerate(heads) if split_heading(h)[0] == name), None)
        kinds = {row[at] for _, row in rows[1:] if at is not None and at < len(row)}
        if len(kinds) > 1:
            problems.append(
                f"{path}: {name} differs ({', '.join(sorted(kinds))}): a lot is of one"
                " recipe; keep its rows alone"
            )
    cup_at = next((k for k, h in enumerate(heads) if h.lower() in ("cup", "batch")), None)
    is_sheet = FILM in heads
    for number, row in rows[1:]:
        where = f"{path}, row {number}"
        cells: dict[str, float | None] = {}
        k, _ = places["resistance"]
        if is_sheet and not (k < len(row) and row[k]):
            continue  # a film of a sheet that is not read yet
        for name, (k, unit) in places.items():
            cell = row[k] if k < len(row) else ""
            if cell:
                cells[name] = _resistance(f"{where}: {name}", cell, unit, problems)
            elif name == "resistance":
                problems.append(f"{where}: no {name}; write 'open' for an open film")
        cured, wet = cells.get("resistance"), cells.get("uncured")
        values += [] if cured is None else [cured]
        if cured is not None and wet is not None:
            pairs.append((cured, wet))
        if cup_at is not None:
            cups.append(row[cup_at] if cup_at < len(row) else "")
            if not cups[-1]:
                problems.append(f"{where}: no cup; name the cup of every film")
    if not values and not problems:
        problems.append(f"{path}: holds no reading")
    return values, pairs, cups
