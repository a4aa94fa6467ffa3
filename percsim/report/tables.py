"""Results -> tables: numbers in bench units, the files of rows, and the decision in words.

Everything here takes the summary of a run as it stands in memory or as read back from
`summary.json`, where an infinite number is the string "inf".
"""

from __future__ import annotations

import csv
import io
import math
import os
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from percsim.boxes.folder import write_atomically
from percsim.units import format_quantity

__all__ = [
    "BOX_COLUMNS",
    "CASTING_COLUMNS",
    "RESPONSE_COLUMNS",
    "Row",
    "Summary",
    "bench",
    "candidate_label",
    "deciding_index",
    "left_out",
    "number",
    "read_rows",
    "rows_to_csv",
    "sentence",
    "text_summary",
    "three",
    "write_rows",
]

Row = Mapping[str, Any]
Summary = Mapping[str, Any]

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
_TERMINAL = 92
_PLAIN = {
    "–": "-",
    "−": "-",
    "\u00a0": " ",
    "±": "+-",
    "×": "x",
    "µ": "u",
    "φ": "phi",
    "ρ": "rho",
    "²": "^2",
    "Ω": "ohm",
}
_CASTING_LAST = ("resistance_ohm", "gauge_factor", "passes")


# ------------------------------------------------------------------ numbers in words


def number(value: Any) -> float | None:
    """Read a number of a summary: "inf" is infinite, anything that is no number is None."""
    if value is None or isinstance(value, bool):
        return None
    try:
        x = float(value)
    except (TypeError, ValueError):
        return None
    return None if math.isnan(x) else x


def three(value: Any, infinite: str = "open") -> str:
    """Write a number with three significant digits.

    Parameters
    ----------
    value : float, str or None
        What to write; "inf" counts as infinite, anything that is no number as missing.
    infinite : str
        What to write for an infinite number.

    Returns
    -------
    str
        Plain digits from 0.001 to 99999, powers of ten beyond; an en dash when missing.

    Examples
    --------
    >>> [three(x) for x in (2034.0, 0.012345, 14.96, 3e-7, "inf", 0, 99999.0)]
    ['2030', '0.0123', '15', '3e-7', 'open', '0', '1e5']

    """
    x = number(value)
    if x is None:
        return "–"
    if math.isinf(x):
        return infinite if x > 0 else f"-{infinite}"
    if x == 0.0:
        return "0"
    mantissa, _, power = f"{x:.2e}".partition("e")
    exponent = int(power)
    if -3 <= exponent < 5:
        text = f"{float(f'{x:.2e}'):.{max(0, 2 - exponent)}f}"
        return text.rstrip("0").rstrip(".") if "." in text else text
    return f"{mantissa.rstrip('0').rstrip('.')}e{exponent}"


def two(value: Any) -> str:
    """Write an error with two significant digits."""
    x = number(value)
    return three(x if x is None or math.isinf(x) else float(f"{x:.1e}"))


def share(value: Any) -> str:
    """Write a share of castings as whole per cent, finer below 1 and above 99."""
    x = number(value)
    if x is None or x in (0.0, 1.0) or not 0.0 < x < 1.0:
        return percent(value)
    if x < 5e-4 or x >= 0.9995:
        return "<0.1" if x < 0.5 else ">99.9"
    return f"{100.0 * x:.0f}" if 0.01 <= x <= 0.99 else f"{100.0 * x:.1f}"


def percent(value: Any) -> str:
    """Write a fraction as per cent, without the sign of the unit."""
    x = number(value)
    if x is None:
        return "–"
    if math.isinf(x):
        return "open"
    if abs(x) > 1e6:
        return ">1e8" if x > 0.0 else "<-1e8"
    return "<0.01" if 0.0 < x < 1e-4 else three(100.0 * x)


def scaled(value: Any, factor: float) -> str:
    """Write a number after multiplying it by the factor of a bench unit."""
    x = number(value)
    return three(None if x is None else x * factor)


def with_error(value: Any, error: Any, factor: float = 1.0) -> str:
    """Write a value and its standard error, both to the second digit of the error.

    Parameters
    ----------
    value, error : float, str or None
        What to write; without an error, or for an open value, the value alone.
    factor : float
        Turns both into a bench unit.

    Returns
    -------
    str
        Value, "±" and error.

    Examples
    --------
    >>> with_error(9.162, 1.377), with_error(-99.7, 217.0), with_error(2.0, 0.16)
    ('9.2 ± 1.4', '-100 ± 220', '2.00 ± 0.16')
    >>> with_error(9.162, "inf"), with_error("inf", 1.0), with_error(9.162, None)
    ('9.16 ± unknown', 'open', '9.16')

    """
    x, e = number(value), number(error)
    text = scaled(value, factor)
    if x is None or math.isinf(x) or not e:
        return text
    if math.isinf(e):
        return f"{text} ± unknown"
    x, e = x * factor, float(f"{e * factor:.1e}")
    places = 1 - math.floor(math.log10(e))
    if not -4 <= places <= 4 or abs(x) * 10.0**places >= 1e6:
        return f"{text} ± {two(e)}"
    return " ± ".join(f"{round(v, places):.{max(places, 0)}f}" for v in (x, e))


def simulation_error(error: Any, factor: float = 1.0, unit: str = "") -> str:
    """Write a simulation error alone, as "simulation ± 1.2"; empty when there is none."""
    e = number(error)
    if e is None or e == 0.0:
        return ""
    if math.isinf(e):
        return "simulation error unknown"
    return f"simulation ± {two(e * factor)} {unit}".strip()


_UNIT_AHEAD = re.compile(
    r"(?<=\d) (?=%|wt%|vol%|(?:[kMG]?ohm|[mun]m|m[AVW]|[mun]?S|V|C|h|min|s|microstrain)\b)"
)


def sentence(text: Any) -> str:
    """Make a sentence of a phrase: a capital, a full stop, units held to their numbers.

    A symbol at the start, such as g0 or lambda_T, is left as it is.

    Examples
    --------
    >>> sentence("self-heating"), sentence("g0 is assumed"), sentence("Open!")
    ('Self-heating.', 'g0 is assumed.', 'Open!')

    """
    words = str(text).strip()
    first = re.match(r"[a-z]+(?=[\s,:;.-]|$)", words)
    if first and first.group() != "percsim":
        words = words[0].upper() + words[1:]
    if words and words[-1] not in ".!?:":
        words += "."
    return units_held(words)


def units_held(text: str) -> str:
    """Hold units to their numbers with spaces that break no line."""
    return _UNIT_AHEAD.sub("\u00a0", text)


_STEPS = {
    "ohm": ((1e6, "Mohm"), (1e3, "kohm"), (1.0, "ohm")),
    "m": ((1.0, "m"), (1e-3, "mm"), (1e-6, "um"), (1e-9, "nm")),
    "S": ((1.0, "S"), (1e-3, "mS"), (1e-6, "uS"), (1e-9, "nS")),
    "kg": ((1.0, "kg"), (1e-3, "g"), (1e-6, "mg")),
    "J": ((1.602176634e-22, "meV"),),
    "V": ((1.0, "V"), (1e-3, "mV")),
    "A": ((1.0, "A"), (1e-3, "mA"), (1e-6, "uA")),
    "W": ((1.0, "W"), (1e-3, "mW"), (1e-6, "uW")),
    "s": ((3600.0, "h"), (60.0, "min"), (1.0, "s")),
    "fraction": ((0.01, "%"),),
    "strain": ((1e-6, "microstrain"),),
}


def bench(value: Any, unit: str = "") -> str:
    """Write a value with its unit as a bench reads it.

    Parameters
    ----------
    value : float, str or None
        Value in the unit given.
    unit : str
        An SI unit, "fraction", "strain", or any text, which is then kept.

    Returns
    -------
    str
        Number with three digits and unit.

    Examples
    --------
    >>> bench(2034.0, "ohm"), bench(0.25, "fraction"), bench(2e-4, "m"), bench(293.15, "K")
    ('2.03 kohm', '25 %', '0.2 mm', '20 C')

    """
    x = number(value)
    if x is None:
        return "–" if value is None else str(value)
    unit = "" if unit == "1" else unit
    if math.isinf(x):
        return "open" if unit in ("ohm", "fraction", "") else f"infinite {unit}"
    if unit == "K":
        return f"{three(round(x - 273.15, 2))} C"
    if unit == "fraction" and abs(x) > 1e6:
        return "more than a factor 1e6"
    if unit == "ohm" and x and not 1e-6 <= abs(x) <= 1e15:
        return format_quantity(x, "resistance", digits=3)
    steps = _STEPS.get(unit)
    if steps:
        floor = 0.1 if unit == "m" else 1.0
        for size, name in steps:
            if abs(x) >= floor * size * 0.9995:
                return f"{three(x / size)} {name}"
        size, name = steps[-1]
        return f"{three(x / size)} {name}"
    return f"{three(x)} {unit}".strip()


def kohm_band(row: Any) -> str:
    """5-95 % range of resistances [ohm] in kohm, "0.065 kohm to open" where it opens."""
    low, _, high = quantiles(row, 1e-3)[1].partition(" – ")
    if not high:
        return low if low == "open" else f"{low} kohm"
    return f"{low} kohm to open" if high == "open" else f"{low} to {high} kohm"


def mix(value: Any) -> str:
    """Write a base to curing agent ratio."""
    return f"{three(value)} : 1" if number(value) is not None else "–"


def quantiles(row: Any, factor: float = 1.0) -> tuple[str, str]:
    """Median, and 5-95 % range, of one entry of a candidate as two texts."""
    row = row if isinstance(row, Mapping) else {}
    low, high = scaled(row.get("p05"), factor), scaled(row.get("p95"), factor)
    return scaled(row.get("median"), factor), low if low == high else f"{low} – {high}"


def measured_threshold_sentence(summary: Summary) -> str:
    """Say where measured films put the threshold, empty without any."""
    for row in (summary.get("anchor") or {}).get("parameters") or []:
        if row.get("name") == "threshold" and not row.get("held"):
            median, band = quantiles(row.get("posterior"))
            text = (
                f" The measured films put the threshold at {median} times the simulated "
                f"one (5-95 %: {band.replace('–', 'to')})"
            )
            own = (summary.get("threshold") or {}).get("measured_weight_fraction")
            if number(own) is not None:
                text += f"; loadings are judged by the film's own, {percent(own)} wt%"
            return f"{text}."
    return ""


def film_threshold_sentence(threshold: Row) -> str:
    """Say how far contacts open at rest raise the threshold, empty if they do not."""
    lost = number(threshold.get("contacts_lost_at_rest"))
    if not lost or number(threshold.get("film_weight_fraction")) is None:
        return ""
    text = (
        f" With the {two(100.0 * lost)} % of contacts that stand open at rest and 20 C the"
        f" film's own threshold is about {percent(threshold['film_weight_fraction'])} wt% "
        f"({percent(threshold.get('film_volume_fraction'))} vol%)"
    )
    if number(threshold.get("measured_weight_fraction")) is not None:
        return f"{text} as planned."
    return f"{text}; loadings are judged by it."


AXES = {
    "film_thickness_m": ("film", "mm", 1e3),
    "filler_diameter_m": ("filler size", "um", 1e6),
    "filler_aspect_ratio": ("aspect ratio", "", 1.0),
    "mix_ratio": ("base : agent", "by mass", 1.0),
}
"""What a plan may vary beside loading and gap: key, name, unit, and SI to it."""


def varying_axes(summary: Summary) -> list[str]:
    """Keys of what the candidates differ in beside loading and gap."""
    return [
        key
        for key in AXES
        if len({number(c.get(key)) for c in summary.get("candidates") or []}) > 1
    ]


def axis_columns(summary: Summary) -> list[str]:
    """Heads of a table for what the candidates differ in beside loading and gap."""
    return ["#{}|{}".format(*AXES[key]) for key in varying_axes(summary)]


def axis_cells(summary: Summary, candidate: Row) -> list[str]:
    """Cells of one candidate for `axis_columns`."""
    return [
        mix(candidate.get(key))
        if key == "mix_ratio"
        else scaled(candidate.get(key), AXES[key][2])
        for key in varying_axes(summary)
    ]


def mix_label(summary: Summary, candidate: Row) -> str:
    """Name what sets the mix of a candidate apart: "0.15 mm film, aspect ratio 12"."""
    words = []
    for key in varying_axes(summary):
        name, unit, factor = AXES[key]
        value = candidate.get(key)
        words.append(
            f"{name} {scaled(value, factor)}"
            if key == "filler_aspect_ratio"
            else f"{mix(value)} mix"
            if key == "mix_ratio"
            else f"{scaled(value, factor)} {unit} {name.partition(' ')[0]}"
        )
    return ", ".join(words)


def of_one_mix(summary: Summary) -> dict[str, Any]:
    """Copy a summary with the candidates of the deciding mix alone, numbered anew.

    For what is drawn over loading and gap.
    """
    keys = varying_axes(summary)
    index, _ = deciding_index(summary)
    if not keys or index is None:
        return dict(summary)
    candidates = summary["candidates"]
    here = [number(candidates[index].get(key)) for key in keys]
    kept = [
        k for k, c in enumerate(candidates) if [number(c.get(key)) for key in keys] == here
    ]
    place = {k: n for n, k in enumerate(kept)}
    return {
        **summary,
        "candidates": [candidates[k] for k in kept],
        **{
            key: place.get(at) if isinstance(at := summary.get(key), int) else None
            for key in ("chosen", "nearest")
        },
    }


def label_parts(candidate: Row) -> tuple[str, str]:
    """Weight fraction and electrode gap of a candidate, with units."""
    return (
        f"{percent(candidate.get('weight_fraction'))} wt%",
        f"{scaled(candidate.get('electrode_gap_m'), 1e3)} mm",
    )


def candidate_label(candidate: Row) -> str:
    """Name a candidate by its weight fraction and electrode gap."""
    weight, gap = label_parts(candidate)
    return f"{weight}, {gap} gap"


def open_films_marked(summary: Summary) -> dict[str, Any]:
    """Copy a summary so that a candidate whose median casting is open has no gauge factor.

    An open film has no gauge factor, whatever number stands in its place: it reads as
    infinite here, so that every table says open and every figure marks it so.
    """
    candidates = []
    for candidate in summary.get("candidates") or []:
        if number((candidate.get("resistance_ohm") or {}).get("median")) == math.inf:
            candidate = {
                **candidate,
                "gauge_factor": dict.fromkeys(("median", "p05", "p95"), math.inf),
                "gauge_factor_initial": math.inf,
                "gauge_factor_initial_se": None,
                "resistance_cv_se": None,
            }
        candidates.append(candidate)
    return {**summary, "candidates": candidates}


def deciding_index(summary: Summary) -> tuple[int | None, bool]:
    """Index of the chosen candidate, else of the nearest, and whether it was chosen."""
    count = len(summary.get("candidates") or [])
    for key in ("chosen", "nearest"):
        index = summary.get(key)
        if isinstance(index, int) and not isinstance(index, bool) and 0 <= index < count:
            return index, key == "chosen"
    return None, False


# ------------------------------------------------------------------ files


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


# ------------------------------------------------------------------ margins and choices


def limit_text(limit: Any, unit: str) -> str:
    """One limit, or a window of two."""
    if isinstance(limit, (list, tuple)) and len(limit) == 2:
        return f"{bench(limit[0], unit)} to {bench(limit[1], unit)}"
    return bench(limit, unit)


def margin_text(margin: Row) -> str:
    """Distance of a value from its limit, in per cent of the limit, + inside."""
    value, limit = number(margin.get("value")), margin.get("limit")
    if value is None:
        return "–"
    if isinstance(limit, (list, tuple)):
        limits = [x for x in (number(entry) for entry in limit) if x]
    else:
        limits = [x for x in [number(limit)] if x]
    if not limits or math.isinf(value):
        return "–"
    nearest = min(
        limits, key=lambda x: abs(math.log(value / x)) if value * x > 0 else abs(value - x)
    )
    away = abs(value - nearest) / abs(nearest)
    return f"{'+' if margin.get('met') else '−'}{percent(away)} %"


def _margin_unit(margin: Row) -> str:
    """Give the unit of a margin; shares and CVs read as per cent."""
    unit, name = str(margin.get("unit") or ""), str(margin.get("target", "")).lower()
    if unit in ("", "1") and any(
        word in name for word in ("share", "spread", "cv", "variation", "pass")
    ):
        return "fraction"
    return unit


def _told_apart(margin: Row) -> tuple[str, str]:
    """Limit and value, with as many digits as it takes to see that they differ."""
    unit = _margin_unit(margin)
    texts = limit_text(margin.get("limit"), unit), bench(margin.get("value"), unit)
    limit, value = number(margin.get("limit")), number(margin.get("value"))
    if unit != "fraction" or limit is None or value is None or texts[0] != texts[1]:
        return texts
    for digits in range(1, 5):
        if texts[0] != texts[1] or limit == value or math.isinf(value):
            break
        texts = f"{100.0 * limit:.{digits}f} %", f"{100.0 * value:.{digits}f} %"
    return texts


WITHIN_ERROR = "within its simulation error"


def margin_rows(candidate: Row) -> list[dict[str, Any]]:
    """Targets of a candidate: limit, value, margin and whether it is met, as text."""
    rows = []
    for m in candidate.get("margins") or []:
        limit, value = _told_apart(m)
        rows.append(
            {
                "target": str(m.get("target", "")),
                "limit": limit,
                "value": value,
                "margin": margin_text(m),
                "met": bool(m.get("met")),
                "close": bool(m.get("within_error")),
            }
        )
    return rows


def share_text(candidate: Row) -> str:
    """Share of castings that pass, with its interval, in per cent."""
    passing = candidate.get("pass_share") or {}
    value, low, high = (share(passing.get(key)) for key in ("value", "low", "high"))
    return f"{value} ({low} – {high})"


def verdict(candidate: Row, is_chosen: bool) -> str:
    """One word or the reasons why a candidate was refused."""
    if is_chosen:
        return "chosen"
    why = [str(reason) for reason in candidate.get("refused_because") or []]
    if why:
        return "; ".join(why)
    return (
        "meets the targets, ranked lower"
        if candidate.get("meets_target")
        else "misses a target"
    )


def _table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    lines = [list(header), *[list(row) for row in rows]]
    widths = [max(len(line[k]) for line in lines) for k in range(len(header))]
    return [
        "  ".join(
            cell.ljust(w) if k == 0 else cell.rjust(w)
            for k, (cell, w) in enumerate(zip(line, widths, strict=True))
        )
        for line in lines
    ]


def first_castings(summary: Summary) -> list[Row]:
    """Candidates to cast first, the least of them; none once films decide."""
    if summary.get("anchor"):
        return []
    first = (summary.get("cast_first") or {}).get("candidates") or []
    return [summary["candidates"][i] for i in first]


def first_steps(summary: Summary) -> list[str]:
    """Say in order what to do while contacts are assumed; empty for a plan that knows them.

    What is best in one sense or another is named as what it is, last.
    """
    least = first_castings(summary)
    index, is_chosen = deciding_index(summary)
    if not least or index is None:
        return []
    films = _films(summary)
    words = mix_label(summary, least[0])
    of = f" ({words})" if words else ""
    steps = [
        f"Cast these{of} from one cup a loading and read R at 20 C: the heaviest that is "
        "open and the lightest that conducts bracket the threshold, the level of the "
        "others tells the contacts."
        if summary.get("withheld")
        else f"Cast these{of} from one cup a loading and read R at 20 C: the ratio of the "
        "two loadings tells the threshold, the level tells the contacts."
        if len(least) > 1
        else f"Cast these{of} from one cup and read R at 20 C: it tells the contacts."
    ]
    ladder = summary.get("ladder") or {}
    rungs = [summary["candidates"][r["candidate"]] for r in ladder.get("rungs") or []]
    more = [c for c in rungs if not any(c is one for one in least)]
    if more:
        single = share(ladder["best_single_probability"])
        steps.append(
            "If a film that can be used should come out of the first round too, cast "
            f"{films} films each of {_listed(more)} as well: all told at least one cast "
            f"lies in the window with probability {share(ladder['covered'])} % or more, "
            f"against {single} % for the best single recipe."
        )
    steps.append("Enter the readings with 'percsim anchor'; it decides again with them.")
    planned = _listed([summary["candidates"][index]])
    role = "meets the target best" if is_chosen else "comes nearest to the target"
    last = (
        "Until then no recipe is proved. If contacts and threshold are as planned, "
        f"{planned} {role}"
    )
    unknown = summary.get("day_one")
    if unknown:
        best = unknown["candidates"][unknown["best"]]
        own = unknown_share(summary, summary["candidates"][index])
        chance = share(best["pass_share"])
        last += (
            f"; with all that is not known of them a casting of it passes with probability "
            f"{share(own)} %"
        )
        if _listed([best]) != planned:
            last += f", and one of {_listed([best])}, the best by that, with {chance} %"
    steps.append(f"{last}.")
    return steps


def _films(summary: Summary) -> str:
    n = int((summary.get("cast_first") or {}).get("films") or 0)
    return {1: "one", 2: "two", 3: "three", 4: "four"}.get(n, str(n))


def _listed(candidates: Sequence[Row]) -> str:
    """Name candidates by loading and gap, loadings of one gap together."""
    by_gap: dict[str, list[str]] = {}
    for candidate in candidates:
        weight, gap = label_parts(candidate)
        by_gap.setdefault(gap, []).append(weight)
    parts = []
    for gap, weights in by_gap.items():
        *head, last = weights
        parts.append(f"{', '.join(head)} and {last}" if head else last)
        parts[-1] += f" at {gap} gap"
    *start, end = parts
    return f"{', '.join(start)} and {end}" if start else end


def headline(summary: Summary) -> str:
    """Say the decision in one sentence; measured films decide it where there are any.

    While contacts are assumed it is what to cast first.
    """
    index, is_chosen = deciding_index(summary)
    measured = summary.get("anchor")
    if measured:
        index, is_chosen = measured["candidate"], bool(measured["meets_target"])
    if index is None:
        return "No candidate was evaluated."
    least = first_castings(summary)
    first = ""
    if least:
        each = " each" if len(least) > 1 else ""
        first = f"Cast first: {_films(summary)} films{each} of {_listed(least)}."
    if summary.get("withheld") and not measured:
        return f"No loading is decided: threshold not foreseeable, measure it. {first}"
    if first:
        return first
    candidate = summary["candidates"][index]
    weight, gap = label_parts(candidate)
    words = mix_label(summary, candidate)
    of = f" ({words})" if words else ""
    if is_chosen:
        return f"Cast {weight} filler{of} with a {gap} electrode gap."
    return f"No candidate meets every target; the nearest is {weight}{of} with a {gap} gap."


def anchored(summary: Summary) -> Row | None:
    """Numbers of the candidate that measured films decide for; None without any."""
    measured = summary.get("anchor")
    return measured["candidates"][measured["best"]] if measured else None


def anchored_expectation(row: Row) -> str:
    """Say in one sentence what castings read, as far as measured films tell."""
    r, band = (
        quantiles(row.get("casting_resistance_ohm"), 1e-3)[0],
        kohm_band(row.get("casting_resistance_ohm")),
    )
    f, f_range = quantiles(row.get("gauge_factor"))
    unit = "" if r == "open" else " kohm"
    text = f"By the measured films a casting of it reads {r}{unit} (5-95 % {band})"
    if f not in ("open", "–"):
        text += f", gauge factor {f} ({f_range})"
    return text.replace("–", "to") + (
        f"; {share(row.get('pass_share'))} % of castings meet the limits on R and gauge "
        "factor. The ranges hold what the films leave open and the bench's tolerances."
    )


def _standard_error(candidate: Row, key: str) -> Any:
    """Give the simulation error of an entry of a candidate."""
    return (candidate.get(key) or {}).get("standard_error")


def unknown_share(summary: Summary, candidate: Row) -> float | None:
    """Share of castings that pass with all that is not known yet, None if not told."""
    for row in (summary.get("day_one") or {}).get("candidates") or []:
        if all(
            number(row.get(key)) == number(candidate.get(key))
            for key in ("weight_fraction", "electrode_gap_m")
        ):
            return number(row.get("pass_share"))
    return None


def expectation(candidate: Row, unknown: float | None = None) -> str:
    """Say in one sentence what castings of a candidate are expected to read.

    Parameters
    ----------
    candidate : dict
        One candidate of a summary.
    unknown : float, optional
        Share that passes with all that is not known, from `unknown_share`.

    Returns
    -------
    str
        Resistance, gauge factor and both shares.

    """
    r, r_range = quantiles(candidate.get("resistance_ohm"), 1e-3)
    f, f_range = quantiles(candidate.get("gauge_factor"))
    if r == "open":
        text = "The median casting is open"
    else:
        error = simulation_error(_standard_error(candidate, "resistance_ohm"), 1e-3, "kohm")
        text = (
            f"Resistance {r} kohm (5-95 % of castings {r_range.replace('–', 'to')} kohm"
            f"{error and ', ' + error})"
        )
    if f not in ("open", "–"):
        error = simulation_error(_standard_error(candidate, "gauge_factor"))
        text += f", gauge factor {f} ({f_range.replace('–', 'to')}{error and ', ' + error})"
    passing = candidate.get("pass_share") or {}
    text += (
        f"; {share(passing.get('value'))} % of castings meet the limits on R and gauge "
        f"factor (95 % interval {share(passing.get('low'))} to "
        f"{share(passing.get('high'))} %)"
    )
    if unknown is None:
        return f"{text}."
    return (
        f"{text}. All of this holds for contacts and threshold as planned; with all that "
        f"is not known of them yet a casting passes with probability {share(unknown)} %."
    )


def left_out(summary: Summary) -> list[str]:
    """Sentences on boxes that the numbers lack: failed ones, and damaged rows."""
    again = "The command of the run tries them again."
    failed, damaged = summary.get("failed_boxes") or [], summary.get("damaged_rows") or []
    lines = []
    if failed:
        lines.append(
            f"Boxes that failed and are left out: {len(failed)}, the first of them by "
            f"{failed[0].get('message')}. {again}"
        )
    if damaged:
        lines.append(
            f"Stored rows that are damaged and left out: {_first_of(damaged)}. {again}"
        )
    return lines


def _first_of(names: Sequence[str], most: int = 5) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def text_summary(summary: Summary, more: Sequence[str] = ()) -> str:
    """Put the decision and the candidates into plain text for the command line.

    Parameters
    ----------
    summary : dict
        The summary of a run.
    more : sequence of str
        Sentences of the chapters, put at the end.

    Returns
    -------
    str
        Lines of ASCII, without a final newline.

    """
    summary = open_films_marked(summary)
    index, is_chosen = deciding_index(summary)
    candidates = summary["candidates"]
    lines: list[str] = []

    def say(*sentences: str) -> None:
        for sentence in sentences:
            indent = "  " if sentence.startswith("- ") else ""
            lines.extend(
                textwrap.wrap(
                    sentence, _TERMINAL, subsequent_indent=indent, break_on_hyphens=False
                )
            )

    say(headline(summary))
    if not summary.get("complete", True):
        say("This run is not complete; the numbers are those of the boxes so far.")
    steps = first_steps(summary)
    for k, step in enumerate(steps, 1):
        lines.extend(
            textwrap.wrap(
                f"{k}. {step}", _TERMINAL, subsequent_indent="   ", break_on_hyphens=False
            )
        )
    if steps and index is not None:
        lines.append("")
        label = candidate_label(candidates[index])
        met = "meets every target" if is_chosen else "comes nearest to the target"
        say(f"As planned {label} {met}:")
    told = anchored(summary)
    if told is not None:
        say(anchored_expectation(told))
    elif index is not None:
        say(expectation(candidates[index], unknown_share(summary, candidates[index])))
    reasons = [str(reason) for reason in summary.get("reasons") or []]
    say(*(f"- {sentence(reason)}" for reason in reasons))
    change = summary.get("what_would_have_to_change") or []
    if change and not is_chosen and told is None:
        say("What would have to change:", *(f"- {sentence(entry)}" for entry in change))
    judged = summary["anchor"] if told else candidates[index] if index is not None else {}
    if judged.get("margins"):
        rows = [
            (
                m["target"],
                m["limit"],
                m["value"],
                ("~ " if m["close"] else "") + m["margin"],
                "met" if m["met"] else "missed",
            )
            for m in margin_rows(judged)
        ]
        lines += ["", *_table(("target", "limit", "value", "margin", ""), rows)]
        if any(row[3].startswith("~") for row in rows):
            lines.append(f"~ {WITHIN_ERROR}.")
    if told is not None:
        lines += ["", *_measured_lines(summary["anchor"]), ""]
    elif candidates:
        lines += ["", *_candidate_lines(summary, index, is_chosen=is_chosen), ""]
    threshold = summary.get("threshold") or {}
    if number(threshold.get("weight_fraction")) is not None:
        error = two(100.0 * (number(threshold.get("standard_error")) or 0.0))
        say(
            f"Threshold {percent(threshold['weight_fraction'])} wt% "
            f"({percent(threshold.get('volume_fraction'))} vol%, "
            f"standard error {error} vol%)."
            + film_threshold_sentence(threshold)
            + measured_threshold_sentence(summary)
        )
    statement = level_statement(summary)
    said = ("1/g0", "1/area")
    if statement and not any(word in reason for reason in reasons for word in said):
        say(statement)
    if more:
        lines.append("")
        say(*more)
    text = "\n".join(line.rstrip() for line in lines)
    for fancy, plain in _PLAIN.items():
        text = text.replace(fancy, plain)
    return text.encode("ascii", "replace").decode("ascii")


MOST_LINES = 24
"""Candidates the command line lists; of more, the best by pass share."""


def _measured_lines(measured: Row) -> list[str]:
    """Lay out the candidates as far as measured films tell."""
    rows = []
    for k, c in enumerate(measured["candidates"]):
        r, r_range = quantiles(c.get("casting_resistance_ohm"), 1e-3)
        f, f_range = quantiles(c.get("gauge_factor"))
        rows.append(
            (
                "*" if k == measured["best"] else "",
                percent(c.get("weight_fraction")),
                scaled(c.get("electrode_gap_m"), 1e3),
                r,
                r_range,
                share(c.get("open")),
                f,
                f_range,
                share(c.get("pass_share")),
            )
        )
    heads = (
        "", "wt%", "gap mm", "R kohm", "5-95 %", "open %", "GF", "5-95 %", "pass %"
    )  # fmt: skip
    return [
        *_table(heads, rows),
        "* best; ranges hold what the measured films leave open and the bench's "
        "tolerances.",
    ]


def _candidate_lines(summary: Summary, index: int | None, *, is_chosen: bool) -> list[str]:
    """Lay out the candidates in the columns that decide."""
    candidates = summary["candidates"]
    shown = list(range(len(candidates)))
    if len(shown) > MOST_LINES:
        shown.sort(
            key=lambda k: (
                -(number((candidates[k].get("pass_share") or {}).get("value")) or 0)
            )
        )
        shown = sorted({*shown[: MOST_LINES - 1], *([] if index is None else [index])})
    rows = []
    for k in shown:
        c = candidates[k]
        r, r_range = quantiles(c.get("resistance_ohm"), 1e-3)
        rows.append(
            (
                ("*" if is_chosen else ">") if k == index else "",
                *axis_cells(summary, c),
                percent(c.get("weight_fraction")),
                scaled(c.get("electrode_gap_m"), 1e3),
                r,
                r_range,
                percent(c.get("resistance_cv")),
                share(c.get("open_fraction")),
                with_error(
                    (c.get("gauge_factor") or {}).get("median"),
                    _standard_error(c, "gauge_factor"),
                ),
                share((c.get("pass_share") or {}).get("value")),
            )
        )
    axes = [
        " ".join(part for part in AXES[key][:2] if part) for key in varying_axes(summary)
    ]
    heads = (
        "",
        *axes,
        "wt%",
        "gap mm",
        "R kohm",
        "5-95 %",
        "CV %",
        "open %",
        "GF",
        "pass %",
    )
    note = (
        f"{'* chosen' if is_chosen else '> nearest'}; all numbers are for castings, +- is "
        "the simulation error."
    )
    if len(shown) < len(candidates):
        note += f" The {len(shown)} best of {len(candidates)}; the report has them all."
    return [*_table(heads, rows), note]


def is_tunnelling(summary: Summary) -> bool:
    """Whether contacts tunnel across absolute gaps, so that g0 and beta do not act."""
    return any(
        str(entry.get("symbol")) == "contact_area"
        for entry in summary.get("assumptions") or []
    )


def shape_is_assumed(summary: Summary) -> bool:
    """Whether the threshold rests on an aspect ratio that nobody measured."""
    return any(
        str(entry.get("symbol")) == "phi_c"
        and "aspect ratio assumed" in str(entry.get("source"))
        for entry in summary.get("assumptions") or []
    )


def level_statement(summary: Summary) -> str:
    """Say what the level of resistance rests on."""
    measured = summary.get("anchor")
    if measured:
        return (
            f"The level of resistance rests on {measured['n_rows']} measured "
            f"{'row' if measured['n_rows'] == 1 else 'rows'} of films."
        )
    for entry in summary.get("assumptions") or []:
        symbol = str(entry.get("symbol"))
        if symbol not in ("g0", "contact_area"):
            continue
        value = bench(entry.get("value"), str(entry.get("unit") or "S"))
        name = "contact conductance g0 =" if symbol == "g0" else "contact area of"
        if entry.get("basis") != "assumed":
            return f"The {name} {value} is {entry.get('basis')}."
        if symbol == "g0":
            return (
                f"The contact conductance g0 = {value} is assumed, not calibrated: "
                f"every resistance scales as 1/g0 ({entry.get('source')})."
            )
        return (
            f"The contact area of {value} is assumed, not calibrated: every resistance "
            "goes as 1/area, and exponentially in the barrier and the gaps, so it may be "
            "orders of magnitude lower or higher. Responses to strain come from particles "
            "moved rigidly with the film: they are for comparison only and may have "
            "either sign."
        )
    return ""
