"""The choice: every candidate with what it misses, the loadings, and the castings drawn."""

from __future__ import annotations

import math

from percsim.quantities import (
    band,
    confidence,
    counted,
    estimate,
    number,
    percent,
    quantiles,
    resistance,
    scaled,
    share,
    weight,
)
from percsim.report.candidates import (
    Row,
    Summary,
    anchored,
    candidate_label,
    deciding_index,
    film_threshold,
    full_label,
    of_mix,
    of_one_mix,
    recipe_cells,
    recipe_columns,
    unknown_share,
)
from percsim.report.chapter import Chapter, chapter, table
from percsim.words.candidates import PULLED

__all__ = ["candidates", "castings", "loadings"]

_SHORT = {
    "median resistance": "R",
    "median gauge factor": "GF",
    "CV of resistance": "CV of R",
    "CV of gauge factor": "CV of GF",
    "share of castings that pass": "share",
}


def _missed(row: Row) -> str:
    """Name the limits that a candidate misses, `~` where a simulation error decides it."""
    if number((row.get("casting_resistance_ohm") or row["resistance_ohm"])["median"]) == (
        math.inf
    ):
        return "open"
    words = []
    for margin in row["margins"]:
        name, _, side = margin["target"].partition(", ")
        if not margin["met"]:
            close = "~" if margin.get("within_error") else ""
            way = "low" if side == "at least" else "high"
            words.append(f"{close}{_SHORT.get(name, name)} {way}")
    return ", ".join(words)


def _verdict(row: Row, meets: bool, chosen: str) -> str:
    """Say what comes of a candidate: chosen, met, or what it misses."""
    if meets:
        return chosen or "meets all"
    near = row.get("trusted") is False or any(
        "near" in why or "not represent" in why for why in row.get("refused_because") or []
    )
    missed = _missed(row)
    if near and missed != "open":
        return f"near threshold{missed and ', ' + missed}"
    return missed or "not foreseeable"


def _planned_rows(summary: Summary) -> list[tuple[str, ...]]:
    index, is_chosen = deciding_index(summary)
    rows = []
    for k, c in enumerate(summary["candidates"]):
        r, r_range = quantiles(c["resistance_ohm"], "kohm")
        unknown = unknown_share(summary, c)
        rows.append(
            (
                *recipe_cells(summary, c),
                r,
                "" if r_range == r else r_range,
                "" if r == "open" else percent(c["resistance_cv"]),
                "" if r == "open" else estimate(c["gauge_factor"]),
                share(c["pass_share"]["value"]),
                "" if unknown is None else share(unknown),
                _verdict(c, bool(c["meets_target"]), "best" * (is_chosen and k == index)),
            )
        )
    return rows


def _measured_rows(summary: Summary) -> list[tuple[str, ...]]:
    measured = summary["anchor"]
    rows = []
    for k, row in enumerate(measured["candidates"]):
        r, r_range = quantiles(row["casting_resistance_ohm"], "kohm")
        met = all(m["met"] for m in row["margins"]) and row["trusted"]
        rows.append(
            (
                weight(row["weight_fraction"], ""),
                scaled(row["electrode_gap_m"], 1e3),
                r,
                "" if r_range == r else r_range,
                *("" if r == "open" else quantiles(row[key], unit)[0] for key, unit in (
                    ("resistance_cv", "%"), ("gauge_factor", ""),
                )),
                share(row["pass_share"]),
                share(row["best"]),
                _verdict(row, met, _chosen_by_films(summary) * (k == measured["best"])),
            )
        )  # fmt: skip
    return rows


def _chosen_by_films(summary: Summary) -> str:
    """Say why one of those that meet all is taken: films of it passed, or it is best."""
    ready = (summary.get("decision") or {}).get("state") == "ready"
    return "proved" if ready else "best"


def candidates(summary: Summary) -> Chapter | None:
    """Every candidate in a row, with what it misses."""
    if not summary.get("candidates"):
        return None
    measured = summary.get("anchor")
    index, is_chosen = deciding_index(summary)
    rows = _measured_rows(summary) if measured else _planned_rows(summary)
    marked = measured["best"] if measured else index
    chosen = _chosen_by_films(summary) if measured else "best"
    meeting = sum(row[-1] in (chosen, "meets all") for row in rows)
    by = "by the measured films" if measured else "as planned"
    name = candidate_label(anchored(summary)) if measured else ""  # type: ignore[arg-type]
    if not measured and index is not None:
        name = full_label(summary, summary["candidates"][index])
    met = measured["meets_target"] if measured else is_chosen
    if not met:
        claim = (
            f"None of {counted(len(rows), 'candidate')} meets every limit {by}; {name} "
            "comes nearest"
        )
    elif meeting > 1:
        claim = (
            f"Of {len(rows)} candidates {meeting} meet every limit {by}, {name} {chosen}"
        )
    else:
        claim = f"Of {counted(len(rows), 'candidate')} {name} alone meets every limit {by}"
    last = ("#best|% of draws" if measured else "#unknowns in|%",)
    heads = (
        *(("#filler|wt%", "#gap|mm") if measured else recipe_columns(summary)),
        "#R|kohm", "#R 5 – 95 %|kohm", "#CV of R|%", "#GF|", "#pass|%", *last, "~verdict",
    )  # fmt: skip
    return chapter(
        "candidates",
        claim,
        "Numbers are of castings; 5 – 95 % holds what the films leave open and the bench."
        if measured
        else "Numbers are of castings with contacts and threshold as planned, ± the "
        "simulation error; last, the chance that one casting passes, all unknowns in.",
        _standing(summary),
        _pull(summary),
        table=table(heads, rows, marked),
    )


def _pull(summary: Summary) -> str:
    """Say which pull gauge factors are of."""
    pull = (summary.get("first_page") or {}).get("pull")
    return f"Gauge factors are {PULLED[pull]}." if pull else ""


def _standing(summary: Summary) -> str:
    """Say with what confidence the choice stands."""
    front = summary.get("front")
    if front is None or number(front["confidence"]) is None:
        return ""
    asked, sure = percent(front["confidence_asked"]), confidence(front["confidence"])
    rests = "what the films leave open" if "anchor" in summary else "the boxes alone"
    text = f"The choice stands in {sure} % of {rests} ({asked} % asked)."
    if len(front["stages"]) > 1:
        text += f" Boxes were run in {len(front['stages'])} stages."
    if front["verdict"] == "spent":
        text += " Their budget was spent before."
    return text


def loadings(summary: Summary) -> Chapter | None:
    """R and gauge factor against weight fraction."""
    whole, summary = summary, of_one_mix(summary)
    index, _ = deciding_index(summary)
    if index is None:
        return None
    best = summary["candidates"][index]
    gap = best["electrode_gap_m"]
    here = [c for c in summary["candidates"] if c["electrode_gap_m"] == gap]
    known = [c for c in here if math.isfinite(number(c["resistance_ohm"]["median"]) or 0)]
    threshold = film_threshold(summary)
    if not known:
        claim = "No film conducts"
    else:
        low, high = (f(known, key=lambda c: c["weight_fraction"]) for f in (min, max))
        falls = [resistance(c["resistance_ohm"]["median"]) for c in (low, high)]
        claim = f"R is {falls[1]} at {weight(high['weight_fraction'])}"
        if low is not high:
            claim = (
                f"From {weight(low['weight_fraction'])} to "
                f"{weight(high['weight_fraction'])} R falls from {falls[0]} to {falls[1]}"
            )
    if threshold is not None:
        claim += f"; films {'conduct' if known else 'would'} from {percent(threshold)} wt%"
    return chapter(
        "loadings",
        claim,
        "Medians of castings at 20 C; band: 5 – 95 % of castings at "
        f"{candidate_label(best).partition(', ')[2]}; wide bars: simulation error. The "
        f"line is the film's own threshold, by which loadings are judged. {_pull(whole)}",
        of_mix(whole, best),
        figure="loadings",
    )


def castings(summary: Summary) -> Chapter | None:
    """How the castings of the deciding candidate read."""
    index, _ = deciding_index(summary)
    if index is None:
        return None
    c = summary["candidates"][index]
    passing, planned = c["pass_share"], summary.get("as_planned")
    if planned:
        return None  # the castings drawn are those of the plan, not of the films
    r = c["resistance_ohm"]
    if number(r["median"]) == math.inf:
        return None
    weighed = c.get("weighing_error")
    return chapter(
        "castings",
        f"As planned {share(passing['value'])} % of castings of {full_label(summary, c)} "
        f"pass ({share(passing['low'])} to {share(passing['high'])} %)",
        f"Half read more than {resistance(r['median'])}, nine in ten {band(r, 'ohm')}.",
        f"With 1 % less filler {share(weighed['pass_share_low'])} % pass, with 1 % more "
        f"{share(weighed['pass_share_high'])} %."
        if weighed
        else "",
        figure="castings",
    )
