"""What the film reads at the supply."""

from __future__ import annotations

import math

from percsim.report.candidates import (
    Row,
    Summary,
    candidate_label,
    deciding_index,
    mix_label,
    of_one_mix,
)
from percsim.report.chapter import Table, table
from percsim.words import number, quantity, scaled, span, three, weight

__all__ = ["readout_table"]


def readout_table(summary: Summary) -> tuple[Table | None, str]:
    """Lay out voltage, current and power of every film, and say where they hold."""
    whole, summary = summary, of_one_mix(summary)
    index, _ = deciding_index(summary)
    candidates = summary.get("candidates") or []
    rows: list[tuple[str, ...]] = []
    supply = series = None
    marked = None
    for k, c in enumerate(candidates):
        readout = c.get("readout") or {}
        if k == index:
            marked = len(rows)
        if not readout:
            continue
        supply = number(readout.get("supply_V")) or supply
        series = number(readout.get("series_ohm")) or series
        # an open film reads the whole supply and nothing of the strain
        is_open = number((c.get("resistance_ohm") or {}).get("median")) == math.inf
        rows.append(
            (
                weight(c.get("weight_fraction"), ""),
                scaled(c.get("electrode_gap_m"), 1e3),
                three(c.get("volume_resistivity_ohm_m")),
                scaled(c.get("sheet_resistance_ohm"), 1e-3),
                *(
                    "–" if is_open else three(readout.get(key))
                    for key in (
                        "voltage_V",
                        "current_mA",
                        "power_mW",
                        "mV_per_1000_microstrain",
                    )
                ),
            )
        )
    if not rows:
        return None, ""
    made = table(
        (
            "#filler|wt%",
            "#gap|mm",
            "#volume resistivity|ohm m",
            "#sheet resistance|kohm per square",
            "#voltage on film|V",
            "#current|mA",
            "#power in film|mW",
            "#signal|mV per 1000 microstrain",
        ),
        rows,
        marked=marked if marked is not None and marked < len(rows) else None,
    )
    words = mix_label(whole, candidates[index]) if index is not None else ""
    text = f"For the median casting{words and f' of {words},'} at rest and 20 C"
    if supply is not None:
        text += f", at a supply of {quantity(supply, 'V')}"
    if series is not None:
        text += f" through a series resistor of {quantity(series, 'ohm')}"
    ends = _readout_ends(candidates[index], supply, series) if index is not None else ""
    return made, f"{text}. {ends}{_signal_text(summary)}"


def _readout_ends(candidate: Row, supply: float | None, series: float | None) -> str:
    """Say what the ends of the range of R do to voltage, current and power."""
    level = candidate.get("resistance_ohm") or {}
    low, high = number(level.get("p05")), number(level.get("p95"))
    if not supply or not low or not high or math.isinf(high):
        return ""
    ohms = [low, high]
    if series and low < series < high:  # a matched film takes the most power
        ohms.append(series)
    currents = [supply / (r + (series or 0.0)) for r in ohms]
    parts = [
        span(min(values), max(values), unit)
        for values, unit in (
            ([i * r for i, r in zip(currents, ohms, strict=True)], "V"),
            (currents, "A"),
            ([i * i * r for i, r in zip(currents, ohms, strict=True)], "W"),
        )
    ]
    return (
        f"Over the 5 – 95 % of R of {candidate_label(candidate)} the film has {parts[0]} "
        f"across, {parts[1]} through it and {parts[2]} in it. "
    )


def _signal_text(summary: Summary) -> str:
    """Say where the signal at 1000 microstrain is read."""
    window = summary.get("window") or {}
    low, high = number(window.get("min")), number(window.get("max"))
    if low is None or high is None or low <= 1e-3 <= high:
        return (
            "The signal comes from the curve of R against strain at 1000 microstrain, not "
            "from the chord gauge factor."
        )
    end = high if abs(high) >= abs(low) else low
    return (
        "The signal comes from the chord to the end of the strain window, "
        f"{quantity(end, 'strain')}, carried on to 1000 microstrain."
    )
