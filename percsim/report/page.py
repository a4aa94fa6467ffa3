"""Results -> page: one self-contained HTML file that begins with the decision.

The page carries its pictures inside, runs no script and asks nothing of any network.
"""

from __future__ import annotations

import base64
import math
import struct
from collections.abc import Callable, Mapping, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

from percsim.report.answer import (
    film_threshold_sentence,
    first_steps,
    headline,
    left_out,
    level_statement,
    measured_threshold_sentence,
)
from percsim.report.candidates import (
    WITHIN_ERROR,
    Row,
    Summary,
    anchored,
    axis_cells,
    axis_columns,
    candidate_label,
    deciding_index,
    is_tunnelling,
    margin_rows,
    mix_label,
    of_one_mix,
    open_films_marked,
    shape_is_assumed,
    share_text,
    unknown_share,
    verdict,
)
from percsim.report.chapter import Table, table
from percsim.report.chapters import CHAPTERS, standing_blocks
from percsim.words import (
    band,
    mix,
    mm,
    number,
    percent,
    quantiles,
    quantity,
    resistance,
    scaled,
    sentence,
    share,
    simulation_error,
    span,
    three,
    two,
    units_held,
    with_error,
)

if TYPE_CHECKING:
    from percsim.report.figures import Drawing

__all__ = ["render_page"]

SECTIONS = (
    ("resistance", "Resistance"),
    ("response", "Strain"),
    ("gauge-factor", "Gauge factor"),
    ("gap", "Gap"),
    ("map", "Map"),
    ("network", "Network"),
    ("readout", "Readout"),
    *((chapter.anchor, chapter.short) for chapter in CHAPTERS),
    ("weigh-out", "Weigh-out"),
    ("candidates", "Candidates"),
    ("predicted", "Predicted and assumed"),
    ("not-modelled", "Not modelled"),
    ("cautions", "Cautions"),
    ("quality", "Simulation quality"),
    ("environment", "Environment"),
    ("repeat", "Repeat"),
)


_UNITS = {
    "_kg": "kg",
    "_m": "m",
    "_ohm": "ohm",
    "_K": "K",
    "_s": "s",
    "_V": "V",
    "_A": "A",
    "_W": "W",
    "fraction": "fraction",
    "share": "fraction",
    "uncertainty": "fraction",
}
_WRITTEN = {
    "_g": "g",
    "_mg": "mg",
    "_mm": "mm",
    "_um": "um",
    "_ml": "ml",
    "_percent": "%",
    "_min": "min",
}


def describe(key: str, value: Any) -> tuple[str, str]:
    """Name and value of one entry in words, with the unit its name ends in."""
    for units in (_WRITTEN, _UNITS):
        for ending, unit in units.items():
            if key.endswith(ending) and number(value) is not None:
                name = key[: -len(ending)] if ending.startswith("_") else key
                words = name.replace("_", " ").strip()
                if units is _UNITS:
                    return words, quantity(value, unit)
                return words, f"{three(value)} {unit}"
    words = key.replace("_", " ")
    if isinstance(value, bool):
        return words, "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return words, ", ".join(describe("", entry)[1] for entry in value)
    if isinstance(value, Mapping):
        return words, ", ".join(" ".join(describe(str(k), v)) for k, v in value.items())
    if isinstance(value, (int, float)):
        return words, str(value) if isinstance(value, int) else three(value)
    return words, "–" if value is None else str(value)


def _flat(mapping: Any, prefix: str = "") -> list[tuple[str, str]]:
    """Rows of a nested mapping, nested names joined with dots."""
    rows: list[tuple[str, str]] = []
    if not isinstance(mapping, Mapping):
        return rows
    for key, value in mapping.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            rows += _flat(value, f"{name}.")
        elif isinstance(value, (list, tuple)) and any(
            isinstance(v, Mapping) for v in value
        ):
            for k, entry in enumerate(value):
                rows += (
                    _flat(entry, f"{name}[{k}].")
                    if isinstance(entry, Mapping)
                    else [(name, str(entry))]
                )
        elif isinstance(value, (list, tuple)):
            rows.append((name, ", ".join(str(v) for v in value)))
        elif value is not None:
            rows.append(
                (
                    name,
                    ("true" if value else "false")
                    if isinstance(value, bool)
                    else str(value),
                )
            )
    return rows


def _numbers(candidate: Row, unknown: float | None) -> list[dict[str, str]]:
    """Four numbers a reader looks for first."""
    as_planned = "" if unknown is None else " if contacts and threshold are as planned"
    r, factor = (candidate.get(key) or {} for key in ("resistance_ohm", "gauge_factor"))
    passing = candidate.get("pass_share") or {}
    value, low, high = (share(passing.get(key)) for key in ("value", "low", "high"))
    n_open = share(candidate.get("open_fraction"))
    return [
        {
            "name": "Resistance, median",
            "value": resistance(r.get("median")),
            "detail": _for_most(r, "ohm"),
            "error": simulation_error(r.get("standard_error"), "ohm", r.get("median")),
        },
        {
            "name": "Gauge factor, median",
            "value": three(factor.get("median")),
            "detail": _for_most(factor),
            "error": simulation_error(factor.get("standard_error")),
        },
        {
            "name": "Castings that pass",
            "value": f"{value} %",
            "detail": f"95 % interval {low} – {high} %{as_planned}",
            "error": ""
            if unknown is None
            else f"{share(unknown)} % with all that is not known of them",
        },
        {
            "name": "Spread of resistance",
            "value": quantity(candidate.get("resistance_cv"), "fraction"),
            "detail": f"coefficient of variation; {n_open} % open",
            "error": simulation_error(candidate.get("resistance_cv_se"), "fraction"),
        },
    ]


def _measured_numbers(row: Row) -> list[dict[str, str]]:
    """Give the same four as far as measured films tell."""
    r, factor, spread = (
        row.get(key) or {}
        for key in ("casting_resistance_ohm", "gauge_factor", "resistance_cv")
    )
    contents = "what the films leave open, and the bench"
    return [
        {
            "name": "Resistance, median",
            "value": resistance(r.get("median")),
            "detail": _for_most(r, "ohm"),
            "error": contents,
        },
        {
            "name": "Gauge factor, median",
            "value": three(factor.get("median")),
            "detail": _for_most(factor),
            "error": contents,
        },
        {
            "name": "Castings that pass",
            "value": f"{share(row.get('pass_share'))} %",
            "detail": "averaged over what the films leave open",
            "error": "",
        },
        {
            "name": "Spread of resistance",
            "value": quantity(spread.get("median"), "fraction"),
            "detail": f"coefficient of variation; {_for_most(spread, 'fraction')}",
            "error": "",
        },
    ]


def _for_most(row: Row, unit: str = "") -> str:
    return f"5 – 95 %: {band(row, unit)}"


def _basis(summary: Summary) -> list[str]:
    """Say plainly what the answer assumes."""
    level = level_statement(summary)
    if summary.get("anchor"):
        return [
            f"{level} What they tell of contacts and threshold, and what they leave open, "
            "stands in the chapter on measured films. Every number, curve and table on "
            "this page is by these films, unless it says that it is as planned: boxes are "
            "moved to what the films tell by stored solves, none is solved again. "
            "Ranges of resistance, gauge factor, spread and share of the candidates hold "
            "what the films leave open; curves and chapters are for contacts and threshold "
            "at the values that the films make likeliest."
        ]
    lines = []
    assumed = [e for e in summary.get("assumptions") or [] if e.get("basis") == "assumed"]
    if level:
        uncalibrated = any(str(e.get("symbol")) == "g0" for e in assumed)
        lines.append(
            level
            + (
                " Shares of castings that pass a resistance window hold for this g0 "
                "only; the threshold, the gauge factor and the relative spread do not "
                "depend on it."
                if uncalibrated
                else ""
            )
        )
    if shape_is_assumed(summary):
        level = "the contact area" if is_tunnelling(summary) else "g0"
        lines.append(
            "The aspect ratio of the powder is assumed too; it moves the threshold, and "
            f"every resistance with it. Films of one loading cannot tell {level} from "
            "aspect ratio; films of two loadings can."
        )
    others = [
        str(e.get("symbol") or e.get("name"))
        for e in assumed
        if str(e.get("symbol")) not in ("g0", "contact_area")
    ]
    if any(symbol.startswith("tau_") for symbol in others):
        others = [symbol for symbol in others if not symbol.startswith("tau_")]
        others.append("the bench tolerances")
    if others:
        lines.append(
            f"Also assumed: {', '.join(others)}. Their values, sources and effects are "
            "in the table of what is predicted and assumed."
        )
    return lines or ["No assumption is recorded for this run."]


def _masses(sheet: Row) -> Table | None:
    """Grams of each part of the batch, exact and as the balance shows them."""
    masses = next(
        (sheet[key] for key in _MASSES if isinstance(sheet.get(key), Mapping)), None
    )
    if not masses:
        return None
    readings = sheet.get("readings_g")
    readings = readings if isinstance(readings, Mapping) else {}
    columns = [masses, *([readings] if readings else [])]
    step = number(sheet.get("resolution_g"))
    digits = [3, 3 if not step else max(0, math.ceil(-math.log10(step) - 1e-9))]
    rows = [
        (
            str(name),
            *(_grams(c.get(name), d) for c, d in zip(columns, digits, strict=False)),
        )
        for name in masses
    ]
    totals = [
        [x for m in column.values() if (x := number(m)) is not None] for column in columns
    ]
    if "total" not in masses:
        sums = (_grams(sum(known), d) for known, d in zip(totals, digits, strict=False))
        rows.append(("total", *sums))
    heads = ("part", "#mass|g", *(["#on the balance|g"] if readings else []))
    return table(heads, rows)


def _grams(mass: Any, digits: int = 3) -> str:
    """Grams with the digits of a balance."""
    x = number(mass)
    return "–" if x is None else f"{x:.{digits}f}"


_MASSES = ("grams", "masses_g", "masses")


def _of_percent(unit: str) -> Callable[[Any], str]:
    return lambda value: f"{percent(value)} {unit}"


def _in(unit: str, factor: float = 1.0) -> Callable[[Any], str]:
    return lambda value: f"{scaled(value, factor)} {unit}"


_SHEET: dict[str, tuple[str, Callable[[Any], str]]] = {
    "wanted_g": ("cured mass for the films", _in("g")),
    "total_g": ("cured mass to mix, losses included", _in("g")),
    "loss": ("share that stays in the cup and on the tools", _of_percent("%")),
    "resolution_g": ("step of the balance", _in("g")),
    "weight_fraction": ("filler", _of_percent("wt%")),
    "weight_fraction_read": ("filler, of the masses on the balance", _of_percent("wt%")),
    "volume_fraction": ("filler by volume", _of_percent("vol%")),
    "mix_ratio": ("base : curing agent by mass", mix),
    "mix_ratio_read": ("base : curing agent, of the masses on the balance", mix),
    "solvent": ("solvent", str),
    "solvent_volume_m3": ("volume of solvent", _in("ml", 1e6)),
    "wet_over_dry": ("thickness as spread over thickness when dry", three),
    "film_thickness_m": ("film thickness", mm),
    "wet_thickness_m": ("thickness to spread", mm),
    "wet_solids": ("solids of the mix as cast", _of_percent("vol%")),
    "packing_limit": ("solids at which the filler jams", _of_percent("vol%")),
    "relative_viscosity": ("thickening by the filler", lambda value: f"x {three(value)}"),
    "castable": ("can be cast", lambda value: "yes" if value else "no, too stiff"),
}
_JAMMING = (
    "The solids at which the filler jams are an estimate from its aspect ratio alone, for "
    "randomly turned particles with about 10.8 neighbours each (an assumption for flakes; "
    "64 vol% at most, as for spheres), and the thickening is (1 - solids/jamming)^-2: both "
    "are formulas from memory and rough, and wide sizes or shear let more in"
)
_OF_SOLVENT = ("solvent", "solvent_volume_m3", "wet_over_dry", "wet_thickness_m")


def _weigh_out(summary: Summary) -> dict[str, Any]:
    """Lay out the weigh-out sheet; entries not known here are described as named."""
    sheet = summary.get("weigh_out") or {}
    if not isinstance(sheet, Mapping) or not sheet:
        return {"empty": True}
    index, is_chosen = deciding_index(summary)
    title = (
        "For the candidate that was chosen." if is_chosen else "For the nearest candidate."
    )
    if index is not None:
        label = candidate_label(summary["candidates"][index])
        title = f"For {label}." if is_chosen else f"For {label}, the nearest candidate."
    facts, tables, notes = [], [], []
    dry = "solvent" in sheet and not sheet["solvent"]
    for key, value in sheet.items():
        if key in (*_MASSES, "readings_g") or (dry and key in _OF_SOLVENT):
            continue
        if value is None or value == "":
            continue
        if key.endswith("_uncertainty") and key.removesuffix("_uncertainty") in sheet:
            continue  # printed beside its value
        if key in _SHEET:
            name, write = _SHEET[key]
            text = write(value)
            # what the balance makes carries the error, else what was asked
            stem = key.removesuffix("_read")
            error = number(sheet.get(f"{stem}_uncertainty"))
            if error is not None and (key != stem or f"{stem}_read" not in sheet):
                figure, _, unit = text.partition(" ")
                factor = 100.0 if stem.endswith("fraction") else 1.0
                text = f"{figure} ± {two(factor * error)} {unit}".rstrip()
            facts.append((name, text))
        elif key in ("notes", "cautions", "warnings", "steps"):
            notes += [
                str(v) for v in (value if isinstance(value, (list, tuple)) else [value])
            ]
        elif isinstance(value, (list, tuple)) and all(
            isinstance(v, Mapping) for v in value
        ):
            keys = list(dict.fromkeys(k for v in value for k in v))
            cells = [[describe(k, v.get(k))[1] for k in keys] for v in value]
            heads = [k.replace("_", " ") for k in keys]
            tables.append(table(heads, cells, caption=key.replace("_", " ")))
        elif isinstance(value, Mapping):
            entries = (describe(str(k), v) for k, v in value.items())
            facts += [(f"{key.replace('_', ' ')}, {name}", text) for name, text in entries]
        else:
            facts.append(describe(str(key), value))
    if "packing_limit" in sheet:
        notes.insert(0, _JAMMING)
    return {
        "empty": False,
        "title": title,
        "masses": _masses(sheet),
        "tables": tables,
        "notes": notes,
        "facts": table(("quantity", "~value"), facts) if facts else None,
    }


def _candidates(summary: Summary) -> tuple[Table, str]:
    """Every candidate in a row, and the mix ratio in a sentence when all share it."""
    index, is_chosen = deciding_index(summary)
    candidates = summary.get("candidates") or []
    ratios = {mix(c.get("mix_ratio")) for c in candidates}
    text = f"Base to curing agent {ratios.pop()} by mass." if len(ratios) == 1 else ""
    rows: list[tuple[str, ...]] = []
    for k, c in enumerate(candidates):
        r, r_range = quantiles(c.get("resistance_ohm"), "kohm")
        factor = c.get("gauge_factor") or {}
        rows.append(
            (
                *axis_cells(summary, c),
                percent(c.get("weight_fraction")),
                percent(c.get("volume_fraction")),
                scaled(c.get("electrode_gap_m"), 1e3),
                three(c.get("threshold_ratio")),
                r,
                r_range,
                with_error(c.get("resistance_cv"), c.get("resistance_cv_se"), 100.0),
                share(c.get("open_fraction")),
                with_error(factor.get("median"), factor.get("standard_error")),
                quantiles(factor)[1],
                with_error(c.get("gauge_factor_initial"), c.get("gauge_factor_initial_se")),
                with_error(c.get("gauge_factor_cv"), c.get("gauge_factor_cv_se"), 100.0),
                share_text(c),
                "chosen"
                if is_chosen and k == index
                else "yes"
                if c.get("meets_target")
                else "no",
            )
        )
    made = table(
        (
            *axis_columns(summary),
            "#filler|wt%",
            "#filler|vol%",
            "#gap|mm",
            "#φ/φc|",
            "#R|kohm",
            "#R 5 – 95 %|kohm",
            "#CV of R|%",
            "#open|%",
            "#GF|",
            "#GF 5 – 95 %|",
            "#initial|GF",
            "#CV of GF|%",
            "#pass|% (95 % interval)",
            "meets targets",
        ),
        rows,
        marked=index,
    )
    return made, text


def _why_not_measured(row: Row) -> str:
    """Say what a candidate misses by the measured films."""
    near = "" if row["trusted"] else "too near the threshold for its boxes to decide"
    if number((row.get("casting_resistance_ohm") or {}).get("median")) == math.inf:
        missed = ["the median casting is open"]
    else:
        missed = []
        for m in margin_rows(row):
            name, _, side = m["target"].partition(", ")
            value = m["value"]
            if name.startswith("share"):
                value = f"{share(row.get('pass_share'))} %"
            if not m["met"]:
                missed.append(f"{name} {value}, {side} {m['limit']}")
    return "; ".join(filter(None, [near, *missed])) or (
        "meets the targets, fewer castings pass"
    )


def _refused_measured(measured: Row) -> Table | None:
    """Lay out what every other candidate misses by the measured films."""
    rows = [
        (
            percent(row.get("weight_fraction")),
            scaled(row.get("electrode_gap_m"), 1e3),
            quantiles(row.get("casting_resistance_ohm"), "kohm")[0],
            quantiles(row.get("gauge_factor"))[0],
            share(row.get("pass_share")),
            _why_not_measured(row),
        )
        for k, row in enumerate(measured["candidates"])
        if k != measured["best"] or not measured["meets_target"]
    ]
    if not rows:
        return None
    return table(
        ("#filler|wt%", "#gap|mm", "#R, median|kohm", "#GF, median|", "#pass|%", "~why"),
        rows,
    )


def _refused(summary: Summary) -> Table | None:
    measured = summary.get("anchor")
    if measured:
        return _refused_measured(measured)
    index, is_chosen = deciding_index(summary)
    rows: list[tuple[str, ...]] = []
    for k, c in enumerate(summary.get("candidates") or []):
        if k == index and is_chosen:
            continue
        rows.append(
            (
                *axis_cells(summary, c),
                percent(c.get("weight_fraction")),
                scaled(c.get("electrode_gap_m"), 1e3),
                quantiles(c.get("resistance_ohm"), "kohm")[0],
                with_error(
                    (c.get("gauge_factor") or {}).get("median"),
                    (c.get("gauge_factor") or {}).get("standard_error"),
                ),
                share((c.get("pass_share") or {}).get("value")),
                verdict(c, is_chosen=False),
            )
        )
    if not rows:
        return None
    return table(
        (
            *axis_columns(summary),
            *("#filler|wt%", "#gap|mm", "#R, median|kohm", "#GF, median|", "#pass|%"),
            "~why",
        ),
        rows,
    )


def _readout(summary: Summary) -> tuple[Table | None, str]:
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
                percent(c.get("weight_fraction")),
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


def _threshold(summary: Summary) -> tuple[str, Table | None]:
    threshold = summary.get("threshold") or {}
    if number(threshold.get("weight_fraction")) is None:
        return "The threshold of this filler was not estimated.", None
    error = number(threshold.get("standard_error"))
    text = (
        f"Below {percent(threshold['weight_fraction'])} wt% "
        f"({percent(threshold.get('volume_fraction'))} vol%"
    )
    if error:
        text += f", standard error {two(100.0 * error)} vol%"
    if number(threshold.get("n")):
        text += f" from {three(threshold['n'])} growth runs"
    text += ") this filler forms no path through a large film: its percolation threshold."
    text += film_threshold_sentence(threshold) + measured_threshold_sentence(summary)
    curve = threshold.get("aspect_ratio_curve") or []
    if not curve:
        return text, None
    text += " A lot of another aspect ratio has its threshold elsewhere:"
    made = table(
        ("#aspect ratio|", "#threshold|wt%", "#threshold|vol%"),
        [
            (
                three(row.get("aspect_ratio")),
                with_error(
                    row.get("weight_fraction"), row.get("weight_standard_error"), 100.0
                ),
                with_error(row.get("volume_fraction"), row.get("standard_error"), 100.0),
            )
            for row in curve
        ],
    )
    return text, made


def _fits(summary: Summary) -> Table:
    rows: list[tuple[str, ...]] = []
    for f in summary.get("fits") or []:
        rows.append(
            (
                percent(f.get("weight_fraction")),
                percent(f.get("volume_fraction")),
                three(f.get("n_boxes")),
                three(f.get("n_open_boxes")),
                ", ".join(scaled(x, 1e6) for x in f.get("lengths_m") or []),
                with_error(f.get("resistivity_ohm_m"), f.get("resistivity_se")),
                with_error(
                    f.get("electrode_excess_ohm_m2"), f.get("electrode_excess_se"), 1e6
                )
                if three(f.get("resistivity_ohm_m")) != "open"
                else "–",
                percent(f.get("box_cv"))
                if three(f.get("resistivity_ohm_m")) != "open"
                else "–",
            )
        )
    return table(
        (
            "#filler|wt%",
            "#filler|vol%",
            "#boxes|",
            "#open|",
            "#box lengths|um",
            "#resistivity ρ|ohm m",
            "#electrodes r_c|ohm mm²",
            "#CV of boxes|%",
        ),
        rows,
    )


def _quality_text(summary: Summary) -> str:
    fits = summary.get("fits") or []
    count = sum(int(number(f.get("n_boxes")) or 0) for f in fits)
    n_open = sum(int(number(f.get("n_open_boxes")) or 0) for f in fits)
    failed = len(summary.get("failed_boxes") or [])
    text = f"{count} boxes were simulated; {n_open} of them are open and count as such; "
    text += f"{failed} failed" if failed else "none failed"
    elapsed = number(summary.get("elapsed_s"))
    return f"{text}." + (
        f" One after the other its jobs take {quantity(elapsed, 's')}." if elapsed else ""
    )


def _assumptions(summary: Summary) -> Table:
    order = {"assumed": 0, "measured": 1, "simulated": 2}
    words = {"simulated": "predicted"}
    entries = sorted(
        summary.get("assumptions") or [], key=lambda e: order.get(str(e.get("basis")), 3)
    )
    return table(
        ("~quantity", "symbol", "~value", "basis", "~source", "~what it moves"),
        [
            (
                str(e.get("name", "")),
                str(e.get("symbol") or ""),
                quantity(e.get("value"), str(e.get("unit") or "")),
                words.get(str(e.get("basis")), str(e.get("basis", ""))),
                str(e.get("source") or ""),
                str(e.get("effect") or ""),
            )
            for e in entries
        ],
    )


_ACTING = {
    False: "The contact conductance g0 sets only the level of the resistance. beta and "
    "delta_b set the response to strain, lambda_T and Ea the response to temperature.",
    True: "The contact area sets only the level of the resistance; the barrier and the "
    "gaps move it exponentially. The response to strain comes from particles moved "
    "rigidly with the film.",
}


_FULL_WIDTH = 900.0 / 1155.0
"""Width of a picture on the page over its pixels."""


def _picture(drawing: Drawing) -> dict[str, Any]:
    source, width, height = "", 0, 0
    if drawing.png:
        source = "data:image/png;base64," + base64.b64encode(drawing.png).decode("ascii")
        width, height = struct.unpack(">II", drawing.png[16:24])
    return {
        "name": drawing.name,
        "caption": units_held(drawing.caption),
        "note": drawing.note,
        "source": source,
        "shown": round(width * _FULL_WIDTH),
        "width": width,
        "height": height,
    }


def _context(summary: Summary, drawings: Sequence[Drawing]) -> dict[str, Any]:
    """Everything the template prints, as text."""
    summary = open_films_marked(summary)
    index, is_chosen = deciding_index(summary)
    candidate = summary["candidates"][index] if index is not None else None
    margins, told = None, anchored(summary)
    judged = summary["anchor"] if told else candidate or {}
    if judged.get("margins"):
        rows = margin_rows(judged)
        margins = table(
            ("~target", "#limit", "#value", "#margin|of the limit", "verdict"),
            [
                (
                    m["target"],
                    m["limit"],
                    m["value"],
                    ("~ " if m["close"] else "") + m["margin"],
                    "met" if m["met"] else "missed",
                )
                for m in rows
            ],
            caption=f"~ {WITHIN_ERROR}." if any(m["close"] for m in rows) else "",
        )
    sheet = summary.get("weigh_out") or {}
    readout, readout_text = _readout(summary)
    candidates, mix_text = _candidates(summary)
    threshold_text, threshold_table = _threshold(summary)
    steps = first_steps(summary)
    absent = {chapter.anchor for chapter in CHAPTERS if chapter.key not in summary}
    return {
        "title": str(summary.get("title") or "Untitled plan"),
        "version": str(summary.get("version", "")),
        "seed": str(summary.get("seed", "")),
        "created": str(summary.get("created") or "")
        .replace("T", " ")
        .replace("+00:00", " UTC"),
        "complete": bool(summary.get("complete", True)),
        "left_out": left_out(summary),
        "is_chosen": bool(summary["anchor"]["meets_target"]) if told else is_chosen,
        "as_measured": ", by the measured films"
        if told
        else ", as planned"
        if steps
        else "",
        "why": (
            f"Why {candidate_label(candidate)}, as planned"
            if steps and candidate is not None and is_chosen
            else "Why this one"
        ),
        "headline": headline(summary),
        "kind": "What to do first"
        if steps
        else "Decision"
        if (summary["anchor"]["meets_target"] if told else is_chosen)
        else "No decision",
        "steps": [units_held(step) for step in steps],
        "of_candidate": f"{candidate_label(candidate)}, as planned"
        if steps and candidate is not None
        else "",
        "numbers": _measured_numbers(told)
        if told is not None
        else _numbers(candidate, unknown_share(summary, candidate))
        if candidate is not None
        else [],
        "basis": [units_held(line) for line in _basis(summary)],
        "margins": margins,
        "reasons": [str(r) for r in summary.get("reasons") or []],
        "changes": []
        if is_chosen or told
        else [str(r) for r in summary.get("what_would_have_to_change") or []],
        "masses": _masses(sheet) if isinstance(sheet, Mapping) else None,
        "refused": _refused(summary),
        "contents": [s for s in SECTIONS if s[0] not in absent],
        "chapters": [
            {
                "anchor": chapter.anchor,
                "heading": chapter.heading,
                "blocks": [
                    *standing_blocks(chapter, summary),
                    *chapter.blocks(summary if chapter.over_mixes else of_one_mix(summary)),
                ],
            }
            for chapter in CHAPTERS
            if chapter.key in summary
        ],
        "figures": [_picture(d) for d in drawings],
        "threshold_text": units_held(threshold_text),
        "threshold_table": threshold_table,
        "readout": readout,
        "readout_text": units_held(readout_text),
        "weigh_out": _weigh_out(summary),
        "candidates": candidates,
        "mix_text": mix_text,
        "assumptions": _assumptions(summary),
        "acting": _ACTING[is_tunnelling(summary)],
        "not_modelled": [str(x) for x in summary.get("not_modelled") or []],
        "needs_closing": not any(
            "no substitute" in str(x) for x in summary.get("cautions") or []
        ),
        "cautions": [str(x) for x in summary.get("cautions") or []],
        "quality_text": units_held(_quality_text(summary)),
        "fits": _fits(summary),
        "fit_notes": [
            str(note)
            for f in summary.get("fits") or []
            for note in f.get("notes") or []
            if note not in (summary.get("cautions") or [])
        ],
        "failed_boxes": [_line(x) for x in summary.get("failed_boxes") or []],
        "environment": table(("environment", "~"), _flat(summary.get("environment"))),
        "plan": table(("plan as run", "~"), _flat(summary.get("plan"))),
        "command": str(summary.get("command") or ""),
    }


def _line(entry: Any) -> str:
    if isinstance(entry, Mapping):
        return ", ".join(f"{k.replace('_', ' ')} {v}" for k, v in entry.items())
    return str(entry)


def _template_text(name: str) -> str:
    return (
        resources.files("percsim.report")
        .joinpath("templates", name)
        .read_text(encoding="utf-8")
    )


def render_page(summary: Summary, drawings: Sequence[Drawing]) -> str:
    """Render the report.

    Parameters
    ----------
    summary : dict
        The summary of a run; whatever text it holds is escaped.
    drawings : sequence of Drawing
        Pictures, or the notes that stand in for them.

    Returns
    -------
    str
        One HTML document that needs nothing else.

    """
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(_template_text),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["sentence"] = sentence
    return environment.get_template("report.html.j2").render(_context(summary, drawings))
