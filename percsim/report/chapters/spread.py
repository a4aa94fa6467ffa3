"""Why nominally equal castings differ: shares of causes, and what halving one buys."""

from __future__ import annotations

from collections.abc import Mapping

from percsim.quantities import listed, mm, number, percent, quantity, share, tenths
from percsim.report.candidates import Row, Summary, candidate_label, of_one_mix
from percsim.report.chapter import Chapter, chapter, table

__all__ = ["spread"]

SMALL = 0.005
"""Share of both variances below which a cause is named, without a row."""
MOST_NAMED = 3
"""Causes in the heading."""


def _setting(row: Row) -> str:
    """Write the standard deviation of a cause in its bench unit."""
    value, unit = row["value"], str(row["unit"])
    if number(value) is None:
        return "–"
    if row["name"] == "contact_redraw":
        return f"{percent(value)} % of them"
    if unit == "m":
        return mm(value)
    return quantity(value, {"rad": "angle", "strain": "strain"}.get(unit, "fraction"))


def _part(row: Row, key: str) -> float:
    """Share of a cause in a variance; ends below zero are sampling error."""
    return max(number(row[key]["first_order"]) or 0.0, 0.0) if key in row else 0.0


def _halved(now: Row, row: Row, key: str, scale: float = 1.0) -> str:
    """CV with the cause halved, blank where that moves it by less than its error."""
    before, after = (number(x[key]) or 0.0 for x in (now, row))
    sure = before - after > 2.0 * (number(row[f"{key}_error"]) or 0.0)
    told = tenths(scale * after)
    return told if sure and told != tenths(scale * before) else "same"


def _told(summary: Summary, found: Row, key: str) -> object:
    """CV of the castings, as the table of candidates has it: with readings their median."""
    measured = summary.get("anchor")
    rows = (measured or of_one_mix(summary))["candidates"]
    same = ("weight_fraction", "electrode_gap_m")
    value = next(
        (row[key] for row in rows if all(row[k] == found[k] for k in same)),
        found["now"][key],
    )
    return value["median"] if isinstance(value, Mapping) else value


def spread(summary: Summary) -> Chapter | None:
    """Causes of the scatter between castings, each with its tolerance."""
    found = summary.get("spread")
    if found is None:
        return None
    if not found["quoted"]:
        return chapter("spread", "The spread is not split", f"{found['why_not']}.")
    halved, now = {row["name"]: row for row in found["halving"]}, found["now"]
    cv = _told(summary, found, "resistance_cv")
    # drawn at one setting of what is not known, told beside the median over all
    scale = (number(cv) or 1.0) / (number(now["resistance_cv"]) or 1.0)
    rows, small = [], []
    for row in found["shares"]:
        of_r, of_gauge = _part(row, "log_resistance"), _part(row, "gauge_factor")
        if max(of_r, of_gauge) < SMALL:
            small.append(row["words"])
            continue
        other = halved.get(row["name"], now)
        rows.append(
            (
                row["words"],
                _setting(row),
                share(of_r),
                share(of_gauge) if "gauge_factor" in row else "–",
                _halved(now, other, "resistance_cv", scale),
                _halved(now, other, "gauge_factor_cv"),
            )
        )
    largest = sorted(found["shares"], key=lambda row: -_part(row, "log_resistance"))
    named = [
        f"{row['words']} {share(_part(row, 'log_resistance'))} %"
        for row in largest[:MOST_NAMED]
        if _part(row, "log_resistance") >= SMALL
    ]
    # with the instrument's noise, which the candidates' CV of the film itself leaves out
    read = "as read on flat films" if "layers" in summary else "as read"
    heads = (
        "~cause", "assumed or set", "#of ln R|% of variance", "#of GF|% of variance",
        "#CV of R, halved|%", "#CV of GF, halved|%",
    )  # fmt: skip
    return chapter(
        "spread",
        f"Castings of {candidate_label(found)} scatter by {percent(cv)} % in R: "
        f"{listed(named)} of it",
        f"GF {read} scatters by {percent(now['gauge_factor_cv'])} %. "
        "Tolerances are standard deviations, "
        f"{found['basis']}; halved: the CV with half that tolerance."
        if number(now["gauge_factor_cv"]) is not None
        else f"Tolerances are standard deviations, {found['basis']}.",
        f"Below {percent(SMALL)} %: {listed(small, 4)}." if small else "",
        table=table(heads, rows),
    )
