"""What a sheet of patches does, in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from percsim.quantities import counted, percent, quantity, share, three, window

__all__ = [
    "calibration_claim",
    "field_line",
    "scan_claim",
    "separation_line",
    "sheet_claim",
]

READOUTS = {
    "own pairs": "own pairs",
    "common return": "a common return",
    "floating": "floating rows and columns",
    "held": "held rows and columns",
}


def _size(found: Mapping[str, Any]) -> str:
    return f"{found['rows']} x {found['columns']} patches"


def sheet_claim(found: Mapping[str, Any]) -> str:
    """Say how many sheets are whole, as the heading of their chapter."""
    limits = window(found["window_ohm"]["min"], found["window_ohm"]["max"])
    if found["dead_allowed"] == 0:
        return (
            f"{share(found['whole_share'])} % of sheets of {_size(found)} have every patch"
            f" within {limits}"
        )
    return (
        f"{share(found['passing_share'])} % of sheets of {_size(found)} have at most"
        f" {counted(found['dead_allowed'], 'patch', 'patches')} outside of {limits}"
    )


def field_line(found: Mapping[str, Any]) -> str:
    """Say how well a field is read back."""
    field = found.get("field")
    if field is None:
        return ""
    error = field["error"]["full_load"]
    how = READOUTS[found["readout"]]
    text = (
        f"By {how} and a zero each, strain at full load reads {three(error['p05'])} to"
        f" {three(error['p95'])} microstrain off (5 – 95 %)"
    )
    talk = field["cross_talk_microstrain"]
    if talk >= 1.0:
        text += f"; wiring makes up to {three(talk)}"
    return f"{text}."


def calibration_claim(found: Mapping[str, Any]) -> str:
    """Say what a curve of each patch is worth, as the heading of its chapter."""
    rows = {row["way"]: row["at_chord"] for row in found["calibration"]}
    each, point, curve = (
        max(abs(rows[way]["p05"]), abs(rows[way]["p95"]))
        for way in ("every patch", "one point each", "one curve")
    )
    return (
        f"A patch with a curve of its own reads strain to {three(each)} microstrain, with"
        f" its zero and one curve of all to {three(point)}, with that curve alone to"
        f" {three(curve)}"
    )


def separation_line(found: Mapping[str, Any]) -> str:
    """Say whether two patches of different kind tell strain from temperature."""
    pair = found.get("separation")
    if pair is None:
        return ""
    if not pair["separable"]:
        rising = pair["positive_share"]
        known = "" if rising is None else f" (rising in {percent(rising)} % of draws)"
        return (
            "Strain and temperature are not separable by two patches while the sign of the"
            f" temperature coefficient is a prior{known}."
        )
    return (
        f"Beside {pair['second']} a patch tells strain to"
        f" {three(pair['spread_strain_microstrain'])} microstrain and temperature to"
        f" {three(pair['spread_temperature_K'])} K (68 %)."
    )


def scan_claim(found: Mapping[str, Any]) -> str:
    """Say what a scan of the plan's reading time takes, as the heading of its chapter."""
    row = found["scan"][1]
    return (
        f"{_size(found)} are read in {quantity(row['scan_time_s'], 's')}, each to"
        f" {three(row['noise_microstrain'])} microstrain of noise, with"
        f" {quantity(row['power_W'], 'W')} in the sheet"
    )
