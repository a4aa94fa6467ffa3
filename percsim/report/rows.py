"""Tables of results -> files in bench units, a unit a column.

In memory a key names its SI unit, "electrode_gap_m"; in a file the heading names that of
the bench, "electrode_gap (mm)". What is open is `inf`, what is not known a blank.
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from percsim.boxes.folder import write_atomically
from percsim.files import split_heading
from percsim.units import ZERO_CELSIUS

__all__ = ["TABLES", "data_frame", "table_to_csv", "write_tables"]

Table = Mapping[str, Sequence[Any]]
"""Columns of one length by key, as `percsim.findings.rows.columns_of` makes them."""

TABLES = ("candidates", "castings", "boxes", "responses")
"""Tables of a run, each a file of that name."""

_UNITS = (
    (r"(weight_fraction\w*)", "wt%", 100.0),
    (r"(volume_fraction)", "vol%", 100.0),
    (r"(mix_ratio)", ":1", 1.0),
    (r"(strain)", "microstrain", 1e6),
    (r"(volume_resistivity)_ohm_m", "ohm m", 1.0),
    (r"(\w+)_ohm(_\w+)?", "ohm", 1.0),
    (r"(box_length|filler_diameter)_m", "um", 1e6),
    (r"(\w+)_m", "mm", 1e3),
    (r"(\w+)_S", "uS", 1e6),
    (r"(\w+)_s", "s", 1.0),
    (r"(\w+)_K", "C", 1.0),
    (r"(\w+_(?:share|fraction|cv|off|confidence)(?:_\w+)?|probability)", "%", 100.0),
)
"""Keys in SI, the unit of the bench, and how many of it one SI unit is."""


def _column(key: str) -> tuple[str, float, float]:
    """Heading of a key, and what its values are multiplied by and then moved by."""
    for pattern, unit, times in _UNITS:
        found = re.fullmatch(pattern, key)
        if found:
            name = "".join(part for part in found.groups() if part)
            return f"{name} ({unit})", times, -ZERO_CELSIUS if unit == "C" else 0.0
    return key, 1.0, 0.0


def _cell(value: Any, times: float, plus: float) -> Any:
    if hasattr(value, "item"):
        value = value.item()
    if value is None or isinstance(value, str):
        return value or ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and times == 1.0:
        return value
    if math.isnan(value):
        raise ValueError("a row holds NaN; results hold numbers or inf")
    # ten digits: more would show the last bits of a change of units
    return f"{value * times + plus:.10g}"


def _cells(values: Sequence[Any], times: float, plus: float) -> list[Any]:
    """Give those of a column; tens of thousands of castings are plain numbers."""
    if set(map(type, values)) == {float} and not any(map(math.isnan, values)):
        return [f"{value * times + plus:.10g}" for value in values]
    return [_cell(value, times, plus) for value in values]


def table_to_csv(table: Table) -> str:
    """Columns as comma-separated text in bench units.

    Parameters
    ----------
    table : mapping of str to sequence
        Columns by key, which names their SI unit.

    Returns
    -------
    str
        A heading and one line a row.

    Raises
    ------
    ValueError
        If a column holds NaN.

    """
    columns = [(key, *_column(key)) for key in table]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([heading for _, heading, _, _ in columns])
    cells = [_cells(table[key], *unit) for key, _, *unit in columns]
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue()


def write_tables(folder: str | os.PathLike[str], tables: Mapping[str, Table]) -> list[Path]:
    """Write a file for each table, each whole or absent.

    Parameters
    ----------
    folder : path
        An existing folder.
    tables : mapping of str to mapping of str to sequence
        Columns by name of the table, as `table_to_csv` takes them.

    Returns
    -------
    list of Path
        The files, in that order.

    Raises
    ------
    FolderError
        If a file cannot be written.
    ValueError
        If a column holds NaN; no file is written then.

    """
    texts = {f"{name}.csv": table_to_csv(table) for name, table in tables.items()}
    return [write_atomically(Path(folder) / name, text) for name, text in texts.items()]


def data_frame(path: str | os.PathLike[str]) -> Any:
    """Read a file of rows as a pandas DataFrame.

    Parameters
    ----------
    path : path
        One of a results folder.

    Returns
    -------
    pandas.DataFrame
        Columns without their units, which `attrs["units"]` holds by column.

    Raises
    ------
    ImportError
        Without pandas.

    """
    try:
        from pandas import read_csv
    except ImportError:
        raise ImportError("tables need pandas, which percsim does not bring: "
                          "pip install pandas") from None  # fmt: skip
    frame = read_csv(path)
    named = [split_heading(heading) for heading in frame.columns]
    frame.columns = [name for name, _ in named]
    frame.attrs["units"] = {name: unit for name, unit in named if unit}
    return frame
