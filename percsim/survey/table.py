"""The table of a survey: a row a recipe, for data-frame tools and as a Dataset."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from percsim.boxes.folder import write_atomically
from percsim.boxes.store import DATABASE, Store
from percsim.errors import FolderError

__all__ = ["QUANTITIES", "arrow", "csv_text", "open_survey", "write_parquet"]

QUANTITIES = {
    "weight_fraction": ("1", "filler in the cured film, by weight"),
    "electrode_gap": ("m", "between the electrodes"),
    "boxes": ("1", "simulated boxes of the longest length behind the row"),
    "resistance": ("ohm", "of one casting, median over draws and tolerances"),
    "resistance_p05": ("ohm", "5 % of castings read less"),
    "resistance_p95": ("ohm", "95 % of castings read less; inf is an open circuit"),
    "resistance_cv": ("1", "standard deviation of ln R between castings, median of draws"),
    "gauge_factor": ("1", "chord gauge factor, median; missing where half are open"),
    "probability": ("1", "P that the recipe does all that its plan asks"),
    "threshold_volume_fraction": ("1", "percolation threshold of the film"),
    "threshold_ratio": ("1", "volume fraction of the recipe over that threshold"),
}
"""Columns of results: unit and what they are."""

RECIPE = ("weight_fraction", "electrode_gap")
"""What tells the recipes of a plan apart."""


def csv_text(table: Mapping[str, Any]) -> str:
    """Table as comma-separated text, the unit of a column in its heading."""
    units = {axis["name"]: axis["unit"] for axis in table["axes"]}
    units |= {name: unit for name, (unit, _) in QUANTITIES.items()}
    columns = table["columns"]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(
        f"{name} ({units[name]})" if units.get(name, "1") not in ("", "1") else name
        for name in columns
    )
    for row in zip(*columns.values(), strict=True):
        writer.writerow("" if value is None else _short(value) for value in row)
    return text.getvalue()


def _short(value: Any) -> Any:
    return f"{value:.10g}" if isinstance(value, float) else value


def write_parquet(table: Mapping[str, Any], path: str | os.PathLike[str]) -> Path:
    """Write the table for data-frame tools, units in the metadata of each field.

    Parameters
    ----------
    table : mapping
        As a survey keeps it.
    path : path
        The file.

    Raises
    ------
    FolderError
        If pyarrow is missing, or the file cannot be written.

    """
    pa, parquet = arrow()
    units = {axis["name"]: axis["unit"] or "1" for axis in table["axes"]}
    notes = {name: {"unit": units.get(name, "1")} for name in table["columns"]}
    for name, (unit, what) in QUANTITIES.items():
        notes[name] = {"unit": unit, "long_name": what}
    arrays = {name: pa.array(values) for name, values in table["columns"].items()}
    fields = [pa.field(n, a.type, metadata=notes[n]) for n, a in arrays.items()]
    about = {"title": table["title"], "design": table["design"]}
    schema = pa.schema(fields, metadata=about)
    sink = pa.BufferOutputStream()
    parquet.write_table(pa.table(list(arrays.values()), schema=schema), sink)
    return write_atomically(path, sink.getvalue().to_pybytes())


def arrow() -> tuple[Any, Any]:
    """Give pyarrow and its Parquet; FolderError where it is not installed."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise FolderError(
            "Parquet needs pyarrow, which is not installed; pip install 'percsim[survey]'"
        ) from None
    return pa, parquet


def stored_table(folder: str | os.PathLike[str]) -> dict[str, Any]:
    """Give the table that a survey has left in its folder."""
    folder = Path(folder)
    table = None
    if (folder / DATABASE).is_file():
        with Store.read(folder) as store:
            table = store.load_artefact("survey table")
    if not isinstance(table, dict):
        raise FolderError(
            f"{folder} holds no table of a survey; give the folder of 'percsim survey'"
        )
    return table


def open_survey(folder: str | os.PathLike[str]) -> Any:
    """Open the table of a survey as an xarray Dataset.

    Parameters
    ----------
    folder : path
        Folder of a survey.

    Returns
    -------
    xarray.Dataset
        Of a grid a dimension for each key that varies, of a Sobol sequence one `plan` with
        these as coordinates; then `weight_fraction` and `electrode_gap` [m]. Units are
        attributes; a recipe that a plan does not have, or has no boxes for yet, is NaN, an
        open circuit inf.

    Raises
    ------
    FolderError
        If it holds no table, or xarray is missing.

    Examples
    --------
    >>> import percsim as ps
    >>> ps.open_survey("out/powders").probability.max("electrode_gap")  # doctest: +SKIP

    """
    try:
        import xarray as xr
    except ImportError:
        raise FolderError(
            "open_survey needs xarray, which is not there; pip install 'percsim[survey]'"
        ) from None
    import numpy as np

    table = stored_table(folder)
    columns, axes = table["columns"], table["axes"]
    own = [axis["name"] for axis in axes] if table["design"] == "grid" else ["plan"]
    values: dict[str, Sequence[Any]] = {
        axis["name"]: axis["values"] for axis in axes if table["design"] == "grid"
    }
    if table["design"] != "grid":
        values["plan"] = list(range(len(table["points"])))
    for name in RECIPE:
        values[name] = sorted(set(columns[name]))
    dims = (*own, *RECIPE)
    at = tuple(
        np.array([values[name].index(value) for value in columns[name]], dtype=np.int64)
        for name in dims
    )
    shape = tuple(len(values[name]) for name in dims)
    arrays = {}
    for name, (unit, what) in QUANTITIES.items():
        if name not in RECIPE:
            filled = np.full(shape, np.nan)
            filled[at] = [np.nan if v is None else v for v in columns[name]]
            arrays[name] = (dims, filled, {"units": unit, "long_name": what})
    found = xr.Dataset(
        arrays, coords={name: list(values[name]) for name in dims},
        attrs={"title": table["title"], "design": table["design"]},
    )  # fmt: skip
    for k, axis in enumerate(axes):
        if table["design"] != "grid":
            found = found.assign_coords(
                {axis["name"]: ("plan", [point[k] for point in table["points"]])}
            )
        found[axis["name"]].attrs["units"] = axis["unit"] or "1"
    for name in RECIPE:
        found[name].attrs.update(units=QUANTITIES[name][0], long_name=QUANTITIES[name][1])
    return found
