"""Results -> files of rows, and back."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from percsim.boxes.folder import write_atomically
from percsim.report.candidates import Row

__all__ = [
    "BOX_COLUMNS",
    "CASTING_COLUMNS",
    "RESPONSE_COLUMNS",
    "columns_of",
    "read_rows",
    "rows_to_csv",
    "write_rows",
]

BOX_COLUMNS = (
    "weight_fraction",
    "box_length_m",
    "box_number",
    "n_particles",
    "n_links",
    "volume_fraction",
    "backbone_share",
    "resistance_ohm",
    "gauge_factor",
    "elapsed_s",
)
RESPONSE_COLUMNS = (
    "weight_fraction",
    "box_length_m",
    "box_number",
    "visit",
    "strain",
    "temperature_K",
    "resistance_ohm",
)
CASTING_COLUMNS = ("candidate", "weight_fraction", "electrode_gap_m", "casting")
_CASTING_LAST = ("resistance_ohm", "gauge_factor", "passes")


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if math.isnan(value):
            raise ValueError("a row holds NaN; results hold numbers or inf")
        return repr(value)
    return value


def columns_of(
    rows: Sequence[Row], first: Sequence[str], last: Sequence[str] = ()
) -> list[str]:
    """Columns in their fixed order, others met in the rows between `first` and `last`."""
    known = {*first, *last}
    extra = dict.fromkeys(key for row in rows for key in row if key not in known)
    return [*first, *extra, *last]


def rows_to_csv(rows: Sequence[Row], first: Sequence[str], last: Sequence[str] = ()) -> str:
    """Rows as comma-separated text; floats keep every digit, infinite ones are `inf`.

    Parameters
    ----------
    rows : sequence of dict
        One dict a row.
    first, last : sequence of str
        Columns that are always there, at the left and at the right; units in the names.

    Returns
    -------
    str
        A header line and one line a row.

    Raises
    ------
    ValueError
        If a row holds NaN.

    """
    columns = columns_of(rows, first, last)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(row.get(key)) for key in columns] for row in rows)
    return text.getvalue()


def write_rows(
    folder: str | os.PathLike[str],
    boxes: Sequence[Row],
    responses: Sequence[Row],
    castings: Sequence[Row],
) -> list[Path]:
    """Write `boxes.csv`, `responses.csv` and `castings.csv`, each whole or absent.

    Parameters
    ----------
    folder : path
        An existing folder.
    boxes, responses, castings : sequence of dict
        One row a box, a box and state, and a casting and candidate.

    Returns
    -------
    list of Path
        The three files.

    Raises
    ------
    FolderError
        If a file cannot be written.
    ValueError
        If a row holds NaN.

    """
    folder = Path(folder)
    texts = {
        "boxes.csv": rows_to_csv(boxes, BOX_COLUMNS),
        "responses.csv": rows_to_csv(responses, RESPONSE_COLUMNS),
        "castings.csv": rows_to_csv(castings, CASTING_COLUMNS, _CASTING_LAST),
    }
    return [write_atomically(folder / name, text) for name, text in texts.items()]


def _parse(text: str) -> Any:
    if text in ("", "true", "false"):
        return {"": None, "true": True, "false": False}[text]
    try:
        return int(text)
    except ValueError:
        pass
    try:
        return float(text)
    except ValueError:
        return text


def read_rows(path: str | os.PathLike[str]) -> list[dict[str, Any]]:
    """Read back a file of rows: numbers, `inf`, true and false as they were written."""
    with Path(path).open(encoding="utf-8", newline="") as file:
        return [{k: _parse(v) for k, v in row.items()} for row in csv.DictReader(file)]
