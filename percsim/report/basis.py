"""What the answer rests on: threshold, assumptions, fits."""

from __future__ import annotations

from percsim.report.answer import (
    film_threshold_sentence,
    level_statement,
    measured_threshold_sentence,
)
from percsim.report.candidates import Summary, is_tunnelling, shape_is_assumed
from percsim.report.chapter import Table, table
from percsim.words import number, percent, quantity, scaled, three, two, weight, with_error

__all__ = [
    "ACTING",
    "assumption_table",
    "basis_lines",
    "fit_table",
    "quality_text",
    "threshold_told",
]


def basis_lines(summary: Summary) -> list[str]:
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


def threshold_told(summary: Summary) -> tuple[str, Table | None]:
    """Say where the threshold lies, and lay out how it moves with the aspect ratio."""
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


def fit_table(summary: Summary) -> Table:
    """Lay out the resistivities that the boxes of each loading give."""
    rows: list[tuple[str, ...]] = []
    for f in summary.get("fits") or []:
        rows.append(
            (
                weight(f.get("weight_fraction"), ""),
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


def quality_text(summary: Summary) -> str:
    """Say how many boxes were simulated, and how many are open or failed."""
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


def assumption_table(summary: Summary) -> Table:
    """Lay out what is predicted and assumed, the assumed first."""
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


ACTING = {
    False: "The contact conductance g0 sets only the level of the resistance. beta and "
    "delta_b set the response to strain, lambda_T and Ea the response to temperature.",
    True: "The contact area sets only the level of the resistance; the barrier and the "
    "gaps move it exponentially. The response to strain comes from particles moved "
    "rigidly with the film.",
}
