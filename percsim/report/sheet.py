"""The masses of a cup, as a table of the page."""

from __future__ import annotations

from percsim.quantities import grams, number
from percsim.report.candidates import Row
from percsim.report.chapter import Table, table

__all__ = ["mass_table"]


def mass_table(sheet: Row) -> Table | None:
    """Grams of each part of the batch, exact and as the balance shows them."""
    masses, readings = sheet.get("grams"), sheet.get("readings_g") or {}
    if not masses:
        return None
    columns = [(masses, 1e-3)]
    if readings:
        columns.append((readings, number(sheet.get("resolution_g")) or 1e-3))
    rows = [
        (str(name), *(grams(column.get(name), step) for column, step in columns))
        for name in masses
    ]
    rows.append(("total", *(grams(sum(column.values()), step) for column, step in columns)))
    heads = ("part", "#mass|g", *(["#on the balance|g"] if readings else []))
    return table(heads, rows)
