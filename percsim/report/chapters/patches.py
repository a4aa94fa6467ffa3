"""A sheet of patches: who works, how it is calibrated, what it reads."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from percsim.quantities import quantity, three
from percsim.report.candidates import Row, Summary, candidate_label
from percsim.report.chapter import Chapter, chapter, table
from percsim.report.series import Floats, NothingToDrawError, Run
from percsim.report.style import MUTED, Figure, new_figure, ramp_map
from percsim.words.patches import (
    calibration_claim,
    field_line,
    scan_claim,
    separation_line,
    sheet_claim,
)

__all__ = ["MapPanel", "calibration", "edges", "map_figure", "map_panels", "scan", "sheet"]

ALONG, AROUND = "along the axis, mm", "around the part, mm"
"""Axes of the map."""

WAYS = {
    "every patch": "a curve of its own",
    "one point each": "its zero, one curve of all",
    "one curve": "one curve of all",
}


def _found(summary: Summary) -> Row | None:
    found = summary.get("patches")
    return None if found is None or found["open"] else found


def sheet(summary: Summary) -> Chapter | None:
    """How many sheets are whole, and how a field is read."""
    found = summary.get("patches")
    if found is None:
        return None
    if found["open"]:
        return chapter(
            "patches", f"No sheet of {candidate_label(found)} works: its films are open"
        )
    drawn = (found.get("field") or {}).get("map")
    return chapter(
        "patches",
        sheet_claim(found),
        f"{found['sheets']} sheets drawn of {candidate_label(found)}: "
        f"{three(found['dead_mean'])} patches outside on average, at most "
        f"{found['dead_in_95_percent']} in 95 % of sheets.",
        field_line(found),
        figure="patch_map" if drawn else "",
    )


def calibration(summary: Summary) -> Chapter | None:
    """Tell what each way to calibrate costs in strain."""
    found = _found(summary)
    if found is None or not found.get("calibration"):
        return None
    rows = [
        (
            WAYS[row["way"]],
            *(
                f"{three(row[at]['p05'])} to {three(row[at]['p95'])}"
                for at in ("at_chord", "all")
            ),
            three(row.get("difference_told_microstrain"), "none")
            if "difference_told_microstrain" in row
            else "",
        )
        for row in found["calibration"]
    ]
    return chapter(
        "patch_calibration",
        calibration_claim(found),
        "At 20 C, 5 – 95 % of patches; readings scatter as [tolerances] says. Neighbours: "
        "difference that 95 % of equal strains stay below.",
        separation_line(found),
        table=table(
            ("~calibrated by", "#at the chord|microstrain", "#all strains|microstrain",
             "#neighbours|microstrain"),
            rows,
        ),
    )  # fmt: skip


def scan(summary: Summary) -> Chapter | None:
    """Tell the time of a scan against noise and power."""
    found = _found(summary)
    if found is None or not found.get("scan"):
        return None
    rows = [
        (
            quantity(row["reading_time_s"], "s"),
            quantity(row["scan_time_s"], "s"),
            three(row["noise_microstrain"]),
            quantity(row["power_W"], "W"),
        )
        for row in found["scan"]
    ]
    return chapter(
        "patch_scan",
        scan_claim(found),
        "Bandwidth: half of one over the reading time. Without the time that lines and "
        "switches take to settle.",
        "Noise of the resistors alone: [supply] says more."
        if found["noise_of_resistors_alone"]
        else "",
        table=table(
            ("#a patch", "#the sheet", "#noise|microstrain", "#power"), rows, marked=1
        ),
    )


def _cells(found: Row, name: str) -> Floats:
    values = np.array(
        [[np.nan if x is None else float(x) for x in row] for row in found[name]]
    )
    return np.where(np.isfinite(values), values, np.nan)


@dataclass(frozen=True, slots=True)
class MapPanel:
    """One number of every patch of a sheet, laid out as on the part.

    Parameters
    ----------
    name, title, unit : str
        In code; of the panel; of its values.
    values : (rows, columns) ndarray of float
        NaN where there is none.
    low, high : float
        Ends of its colours.

    """

    name: str
    title: str
    unit: str
    values: Floats
    low: float
    high: float


def map_panels(found: Row) -> tuple[Floats, Floats, list[MapPanel]]:
    """Where rows and columns of a sheet lie [mm], and what is drawn of its patches.

    Parameters
    ----------
    found : dict
        The key `map` of a sheet's field, as the summary holds it.

    """
    along, around = (1e3 * np.asarray(found[k]) for k in ("along_m", "around_m"))
    strain, read = (_cells(found, f"{k}_microstrain") for k in ("strain", "read"))
    both = np.concatenate([strain.ravel(), read.ravel()])
    rest = 1e-3 * _cells(found, "resistance_ohm")
    ends, ends_of_rest = (
        (float(np.nanmin(values)), float(np.nanmax(values))) for values in (both, rest)
    )
    return along, around, [
        MapPanel("strain", "strain of the part", "microstrain", strain, *ends),
        MapPanel("read", "strain read", "microstrain", read, *ends),
        MapPanel("rest", "R at rest", "kohm", rest, *ends_of_rest),
    ]  # fmt: skip


def map_figure(run: Run) -> Figure:
    """Draw the strain along the current of every patch, the strain read, and R."""
    found = (run.summary["patches"].get("field") or {}).get("map")
    if not found:
        raise NothingToDrawError("no sheet of patches was read")
    along, around, shown = map_panels(found)
    sides = [float(np.ptp(edges(x))) for x in (along, around)]
    figure = new_figure(2.8 if sides[0] >= sides[1] else 3.8)
    panels = figure.subplots(1, 3, sharex=True, sharey=True)
    for axes, panel in zip(panels, shown, strict=True):
        image = axes.pcolormesh(
            edges(along), edges(around), np.ma.masked_invalid(panel.values.T),
            cmap=ramp_map(), shading="flat", vmin=panel.low, vmax=panel.high,
        )  # fmt: skip
        axes.set_facecolor(MUTED)
        axes.set_title(panel.title)
        axes.set_xlabel(ALONG)
        axes.grid(False)
        if max(sides) <= 4.0 * min(sides):
            axes.set_aspect("equal")
        bar = figure.colorbar(image, ax=axes, label=panel.unit, location="bottom")
        bar.ax.locator_params(nbins=4)
        bar.outline.set_visible(False)
    panels[0].set_ylabel(AROUND)
    return figure


def edges(middles: Floats) -> Floats:
    """Edges of cells about equally spaced middles."""
    half = 0.5 * float(middles[1] - middles[0]) if len(middles) > 1 else 1.0
    return np.append(middles - half, middles[-1] + half)
