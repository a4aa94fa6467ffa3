"""A lot in words: what its readings show, what to accept, how many more to cast."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from percsim.boxes.folder import refuse_torn
from percsim.boxes.statistics import cv_from_log_std
from percsim.decision.counts import MOST_CASTINGS, sampling_plan
from percsim.decision.lots import AcceptanceBand, CureRatio, Lot
from percsim.errors import FolderError
from percsim.plan import Plan
from percsim.report.candidates import anchored, candidate_label, deciding_index
from percsim.words import number, quantity, resistance, window

__all__ = ["lot_summary", "lot_text", "predicted_lot"]

FEW = 5
"""Readings below which a tolerance interval is too wide to plan with (judgement)."""

NOT_LOG_NORMAL = 0.05
"""p of the test of ln R below which the log-normal figures are not to be relied on."""

LICENSED = (
    "For structural, vehicle or flight use, sampling and acceptance follow the codes that "
    "apply and those licensed to sign for them; this does not replace either."
)

CONTINUITY = (
    "Before cure: continuity only. A wet film tells that a path is there, not what it will "
    "read: cure shrinks and presses the contacts by a factor that was not measured here. "
    "Read ten films or more before and after cure and give both to get a band."
)


def lot_summary(
    lot: Lot | None,
    log_std: float,
    window: tuple[float, float],
    *,
    predicted: Mapping[str, float] | None = None,
    ratio: CureRatio | None = None,
    within: float = 0.10,
    confidence: float = 0.95,
    coverage: float = 0.95,
    share: float = 0.80,
    good: float | None = None,
    instrument: float = 0.001,
) -> dict[str, Any]:
    """Put together what a lot shows and what to do next.

    Parameters
    ----------
    lot : Lot or None
        The readings, if there are any.
    log_std : float
        Spread of ln R to plan with when there are no readings, or fewer than two.
    window : tuple of float
        Resistances asked for [ohm].
    predicted : mapping, optional
        `median_ohm`, `cv` and, when known, `one_lot_cv` of a run.
    ratio : CureRatio, optional
        Cured over uncured resistance, as measured by the user.
    within, confidence, coverage, share, good, instrument : float
        As in `sampling_plan` and `AcceptanceBand.inside`.

    Returns
    -------
    dict
        `lot`, `predicted`, `sampling`, `acceptance`, `before_cure`, keys with their units;
        None where nothing can be said.

    """
    has_window = window[0] > 0.0 or math.isfinite(window[1])
    measured = lot is not None and lot.spread_seen
    limit = cup_means = None
    if lot is not None and measured:
        # ranks do not see how far a film stands apart, so the counts leave that out
        usual = lot.without_outliers
        log_std, limit = usual.log_std, usual.log_std_limit()
        scatter = usual.scatter
        if scatter is not None and scatter.films > scatter.cups:
            cup_means = math.sqrt(scatter.of_means), scatter.films_per_cup
    plan = sampling_plan(
        log_std,
        log_std_limit=limit,
        within=within,
        confidence=confidence,
        coverage=coverage,
        share=share,
        good=good,
        passes=() if lot is None or not has_window else lot.passes.tolist(),
        design_effect=1.0 if lot is None else lot.design_effect,
        cup_means=cup_means,
    )
    band = AcceptanceBand.inside(*window, instrument) if has_window else None
    return {
        "lot": None if lot is None else lot.as_dict(confidence, coverage),
        "predicted": None if predicted is None else dict(predicted),
        "sampling": plan | {"spread_is_measured": measured},
        "acceptance": None
        if band is None
        else {
            "window_ohm": list(window),
            "band_ohm": [band.low, band.high],
            "instrument": instrument,
        },
        "before_cure": None if ratio is None else _before_cure(ratio, band),
    }


def _before_cure(ratio: CureRatio, band: AcceptanceBand | None) -> dict[str, Any]:
    found = None if band is None else ratio.before_cure(band.low, band.high)
    return {
        "cured_over_uncured": ratio.median,
        "log_std": ratio.log_std,
        "n": ratio.n,
        "band_ohm": None if found is None else list(found),
    }


def _between(ends: Sequence[float], digits: int = 3) -> str:
    """Write a range of readings, of which 0 and open are no ends."""
    low, high = ends
    return window(low, high, digits=digits)


def _percent(value: float) -> str:
    return "more than 99.9 %" if 0.9995 <= value < 1.0 else quantity(value, "fraction")


def _count(number: int | None) -> str:
    if number is None:
        return "not known"
    return f"{number}" if number < MOST_CASTINGS else f"more than {MOST_CASTINGS:,}"


def predicted_lot(folder: Path) -> tuple[dict[str, float], tuple[float, float]]:
    """Median and CV that a run predicts for the recipe it decides for, and its window.

    Measured films decide where there are any.

    Raises
    ------
    FolderError
        If the folder holds no results, or those of an open film.

    """
    path = folder / "summary.json"
    refuse_torn(folder)
    try:
        summary = json.loads(path.read_text(encoding="utf-8"))
        told = anchored(summary)
        if told is not None:
            row, reads = told, told["casting_resistance_ohm"]
            cv = number(told["resistance_cv"]["median"])
        else:
            row = summary["candidates"][deciding_index(summary)[0]]
            reads, cv = row["resistance_ohm"], number(row["resistance_cv"])
        median = number(reads["median"])
        predicted = {
            "weight_fraction": float(row["weight_fraction"]),
            "electrode_gap_m": float(row["electrode_gap_m"]),
            "measured_rows": 0 if told is None else summary["anchor"]["n_rows"],
        }
        plan = Plan.from_dict(summary["plan"], name=str(path))
    except (
        OSError, ValueError, LookupError, TypeError, AttributeError, ArithmeticError,
        RecursionError,
    ) as error:  # fmt: skip
        raise FolderError(
            f"{folder} holds no results to read ({type(error).__name__} in summary.json);"
            " give a folder that 'percsim run' has finished"
        ) from error
    if median is None or cv is None or not max(median, cv) < math.inf:
        raise FolderError(
            f"{folder}: the {'chosen' if summary.get('chosen') is not None else 'nearest'}"
            " candidate is open, so it predicts no spread; give --cv instead"
        )
    predicted |= {"median_ohm": median, "cv": cv}
    nested = (summary.get("spread") or {}).get("nested") or {}
    lot = (nested.get("log_resistance") or {}).get("between_castings_of_one_lot")
    if lot and told is None:
        predicted["one_lot_cv"] = cv_from_log_std(float(lot["value"]))
    return predicted, plan.decision_target().window


def _scatters(lot: Mapping[str, Any] | None) -> bool:
    """Whether a lot shows a spread that the log-normal law may speak of."""
    return lot is not None and lot["spread_seen"] and not lot["outliers"]


def _spread_words(lot: Mapping[str, Any], sure: str) -> list[str]:
    """Median by the law and CV, or why there are none; and what belongs to the cups."""
    conducting = lot["n"] - lot["n_open"]
    lines = []
    if conducting > 1 and not lot["spread_seen"]:
        lines.append(
            "No spread seen: the conducting readings differ by less than the instrument "
            "does, whose uncertainty stands for it; read with more digits."
        )
    elif _scatters(lot):
        of = " of those that conduct" if lot["n_open"] else ""
        lines.append(
            f"Median{of} by the log-normal law {resistance(lot['geometric_mean_ohm'])}, "
            f"{_between(lot['geometric_mean_interval_ohm'])} with {sure} confidence; CV "
            f"{_percent(lot['cv'])}."
        )
    if lot["n_cups"] == 1:
        lines.append("All films are of one cup: nothing here tells how the next one reads.")
    elif lot["log_std_between_cups"] == 0.0:
        lines.append(
            f"{lot['n_cups']} cups differ by no more than their films do, by "
            f"{lot['log_std_within_cups']:.2g} in ln R."
        )
    elif lot["log_std_between_cups"] is not None:
        lines.append(
            f"{lot['n_cups']} cups: ln R scatters by {lot['log_std_between_cups']:.2g} "
            f"between cups and by {lot['log_std_within_cups']:.2g} between films of a cup; "
            f"{lot['design_effect']:.2g} films as cast tell as much of the recipe as one "
            "of its own cup, and every interval counts so."
        )
    if lot["outliers"]:
        named = ", ".join(f"{k + 1}" for k in lot["outliers"])
        many = len(lot["outliers"]) > 1
        lines.append(
            f"Reading{'s' if many else ''} {named} (in the order given) "
            f"{'stand' if many else 'stands'} apart from the rest: left in, named, and to "
            "be explained; with such films only ranks and counts hold."
        )
    return lines


def _tolerance_words(lot: Mapping[str, Any], sure: str, held: str) -> list[str]:
    conducting = lot["n"] - lot["n_open"]
    if conducting < 2 or not _scatters(lot):
        return []
    ends = lot["tolerance_interval_ohm"]
    if ends[0] == 0.0:
        if not lot["n_open"]:
            return []
        return [
            f"No band holds {held} of all castings: {lot['n_open']} of {lot['n']} are "
            f"open, so that with {sure} confidence only "
            f"{_percent(lot['conducting_share_at_least'])} or more conduct."
        ]
    factor = lot["tolerance_factor"]
    how = "open ones counted" if factor is None else f"two-sided, k = {factor:.4f}"
    if factor is not None and lot["log_std_between_cups"] is None:
        how = f"two-sided, exact k = {factor:.4f}"
    lines = [
        f"Tolerance interval: with {sure} confidence at least {held} of all castings "
        f"lie within {_between(ends)} (log-normal, {how})."
    ]
    if conducting < FEW:
        lines.append(
            f"{conducting} conducting readings: the interval is as wide as it is "
            "because so few tell little of the spread."
        )
    return lines


def _what_it_shows(lot: Mapping[str, Any], plan: Mapping[str, Any]) -> list[str]:
    sure, held = _percent(plan["confidence"]), _percent(plan["coverage"])
    n_open, conducting = lot["n_open"], lot["n"] - lot["n_open"]
    by_rank = lot["median_by_rank_ohm"]
    of_cups = " of the cups" if lot["log_std_between_cups"] is not None else ""
    lines = [
        f"{lot['n']} {'casting' if lot['n'] == 1 else 'castings'}"
        + (f", {n_open} of them open" if n_open else "")
        + f": median {resistance(lot['median_ohm'])}, smallest "
        f"{resistance(lot['smallest_ohm'])}, largest {resistance(lot['largest_ohm'])}.",
        *_spread_words(lot, sure),
        f"By ranks{of_cups} alone, open castings included, the median lies between "
        f"{resistance(by_rank['low'])} and {resistance(by_rank['high'])} "
        f"({_percent(by_rank['confidence'])} confidence)."
        if by_rank
        else f"Too few readings for the median by ranks{of_cups} alone at {sure} "
        "confidence.",
        *_tolerance_words(lot, sure, held),
    ]
    low, high = lot["window_ohm"]
    if low > 0.0 or math.isfinite(high):
        ends = lot["share_interval"]
        lines.append(
            f"Window {_between(lot['window_ohm'])}: {lot['inside']} of {lot['n']} inside, "
            f"a share of {_percent(ends[0])} to {_percent(ends[1])} of all castings with "
            f"{sure} confidence (Clopper-Pearson)"
            + (
                f"; by the log-normal law {_percent(lot['share_by_law'])}."
                if conducting > 1 and _scatters(lot)
                else "."
            )
        )
    shape = lot["normality"]
    if shape and shape["log_p"] < NOT_LOG_NORMAL and not lot["outliers"]:
        lines.append(
            f"ln R does not look normal (Shapiro-Wilk p = {shape['log_p']:.2g}): trust "
            "ranks and counts, not the figures of the log-normal law; look for two cups, "
            "lots or operators in one list."
        )
    elif shape and not lot["outliers"]:
        lines.append(
            f"Nothing speaks against a log-normal law (Shapiro-Wilk p = "
            f"{shape['log_p']:.2g} for ln R); {conducting} readings can miss a wrong one."
        )
    return lines


def _prediction(predicted: Mapping[str, Any]) -> list[str]:
    rows = int(predicted.get("measured_rows", 0))
    basis = (
        f"{rows} measured {'row' if rows == 1 else 'rows'} of films"
        if rows
        else "contacts as assumed"
    )
    where = f" for {candidate_label(predicted)}" if "electrode_gap_m" in predicted else ""
    lines = [
        f"Predicted{where}: median {resistance(predicted['median_ohm'])}, CV "
        f"{_percent(predicted['cv'])} between castings, on {basis} and on assumed "
        "tolerances unless the plan's were measured."
    ]
    if "one_lot_cv" in predicted:
        lines.append(
            f"Castings of one lot of powder are predicted to scatter by "
            f"{_percent(predicted['one_lot_cv'])} only: they show the median of that lot, "
            "and another lot moves it."
        )
    return lines


def _acceptance(result: Mapping[str, Any]) -> list[str]:
    accepted, lot = result["acceptance"], result["lot"]
    if accepted is None:
        lines = [
            "Accept a finished part: no band without a window that leaves room for the "
            "instrument; give --window."
        ]
    else:
        lines = [
            f"Accept a finished part that reads {_between(accepted['band_ohm'], 4)}: "
            f"the window less two standard uncertainties of "
            f"{_percent(accepted['instrument'])} (guarded acceptance, JCGM 106:2012), so "
            "that one outside passes at most once "
            "in 44."
        ]
        if lot is not None and _scatters(lot) and lot["tolerance_interval_ohm"][0] > 0.0:
            lines.append(
                f"One that is accepted but reads outside "
                f"{_between(lot['tolerance_interval_ohm'])} is not like the others of "
                "this lot: set it aside and ask why."
            )
    before = result["before_cure"]
    if before is None:
        lines.append(CONTINUITY)
    elif accepted is None:
        lines.append("Before cure: a band needs that of the cured film, so a window first.")
    elif before["band_ohm"] is None:
        lines.append(
            "Before cure: continuity only. The cured over uncured ratio scatters so much "
            "between films that no uncured reading tells the cured one within the window."
        )
    else:
        films = f" from {before['n']} films" if before["n"] else ""
        lines.append(
            f"Before cure: a film that reads {_between(before['band_ohm'])} is expected in "
            f"the band when cured (ratio {before['cured_over_uncured']:.3g}, spread "
            f"{_percent(before['log_std'])}{films}); others are likely scrap, not surely. "
            "Measure them again when cured: this sorts, it does not accept."
        )
    return lines


def _how_many(plan: Mapping[str, Any], by_rank: bool) -> list[str]:
    sure, w = _percent(plan["confidence"]), _percent(plan["within"])
    lines = []
    if plan["for_median"] is None:
        lines.append(
            "Median: the spread is not known from fewer than two conducting castings that "
            "differ; cast five, or give --cv or --folder."
        )
    elif plan["for_median_cups"] is not None:
        row = plan["for_median_cups"]
        lines.append(
            f"Median within {w} at {sure} confidence: {_count(row['cups'])} cups of "
            f"{row['films_per_cup']:.3g} films; more films of a cup do not replace cups."
        )
    elif by_rank:
        lines.append(
            f"Median within {w} at {sure} confidence: {_count(plan['for_median_by_rank'])} "
            f"castings by ranks, at a spread of ln R of {plan['log_std']:.2g} without what "
            "stands apart."
        )
    else:
        at_limit = ""
        if plan["spread_is_measured"]:
            at_limit = (
                f"; {_count(plan['for_median_at_limit'])} if the spread is at its upper "
                "90 % limit"
            )
        lines.append(
            f"Median within {w} at {sure} confidence: {_count(plan['for_median'])} "
            f"castings by the log-normal law at a spread of ln R of "
            f"{plan['log_std']:.2g}, {_count(plan['for_median_assured'])} for it to come "
            f"out so in {_percent(plan['assurance'])} of such lots{at_limit}; "
            f"{_count(plan['for_median_by_rank'])} by ranks alone."
        )
    lines.append(
        f"Smallest and largest reading hold {_percent(plan['coverage'])} of all castings "
        f"with {sure} confidence, whatever the law, from {plan['for_range']} castings on."
    )
    proofs = ", ".join(
        f"{row['castings']} with {row['failures'] or 'no'} failure"
        + ("s" if row["failures"] != 1 else "")
        for row in plan["for_share"]
    )
    in_cups = ""
    if plan["design_effect"] > 1.0:
        in_cups = (
            ", a cup each (as cast here "
            + ", ".join(f"{row['in_cups']}" for row in plan["for_share"])
            + ")"
        )
    lines.append(
        f"To prove that {_percent(plan['share'])} or more lie inside the window with "
        f"{sure} confidence, no law assumed: {proofs}{in_cups}. Fix the number and the "
        "failures before casting."
    )
    lines.append(_film_by_film(plan))
    return lines


def _film_by_film(plan: Mapping[str, Any]) -> str:
    """Where the sequential plan stands, and how far it is from its ends."""
    told = plan["sequential"]
    risk = _percent(1.0 - plan["confidence"])
    ends = (
        f"(accepts {_percent(plan['share'])} in at most {risk} of cases, rejects "
        f"{_percent(told['good'])} about as seldom)"
    )
    if told["verdict"] != "go on":
        word = "accepted" if told["verdict"] == "accept" else "rejected"
        return f"Film by film the recipe is {word} after film {told['n']} {ends}."
    start = f"after {told['n']} films undecided, " if told["n"] else ""
    return (
        f"Film by film {ends}: {start}accepted when the next {told['more_to_accept']} "
        f"pass, rejected when the next {told['more_to_reject']} fail; a good recipe takes "
        f"{told['expected_if_good']:.0f} in all on average."
    )


def _sampling_words(result: Mapping[str, Any]) -> list[str]:
    plan, lot = result["sampling"], result["lot"]
    later = "Later, measure five films from each new cup or lot of powder"
    if lot is not None and _scatters(lot):
        later += (
            f": if nothing changed their geometric mean lies within "
            f"{_between(lot['next_five_ohm'])} with {_percent(plan['confidence'])} "
            "confidence"
        )
    later += (
        ". A mean outside what the lot before it leads to expect stops the lot; a single "
        "film outside is a reason to measure five more."
    )
    by_rank = lot is not None and bool(lot["outliers"])
    count = plan["for_median_by_rank" if by_rank else "for_median_assured"]
    if plan["for_median_cups"] is not None:
        row = plan["for_median_cups"]
        count = math.ceil(row["cups"] * row["films_per_cup"])
    proof = plan["for_share"][0]["in_cups"]
    first = max(count or 0, proof) if count is None or count < MOST_CASTINGS else proof
    return [
        f"Cast {first} films in all, from at least three cups on different days, weighed "
        "and mixed anew each time; films of one cup share its weighing and tell nothing "
        "of the next.",
        "Measure every film, in the order of casting, at 20 C and rest, each once, with "
        "the same instrument; repeat the first one at the end to see drift.",
        "Count open films as failures. Leave none out because it looks odd; note why.",
        later,
    ]


def lot_text(result: Mapping[str, Any], quiet: bool = False) -> str:
    """Lay out a lot for the terminal.

    Parameters
    ----------
    result : dict
        From `lot_summary`.
    quiet : bool
        What it shows and what to accept alone, without counts and the sampling plan.

    Returns
    -------
    str
        Text of at most 92 columns.

    """
    plan = result["sampling"]
    parts: list[tuple[str, list[str]]] = []
    if result["lot"] is not None:
        parts.append(("What the lot shows", _what_it_shows(result["lot"], plan)))
    if result["predicted"] is not None:
        parts.append(("What the run predicts", _prediction(result["predicted"])))
    parts.append(("What to accept", _acceptance(result)))
    if not quiet:
        apart = result["lot"] is not None and bool(result["lot"]["outliers"])
        parts.append(("How many castings", _how_many(plan, apart)))
        parts.append(("Sampling plan", _sampling_words(result)))
    blocks = [
        "\n".join(
            [
                head,
                *(
                    textwrap.fill(line, 92, initial_indent="- ", subsequent_indent="  ")
                    for line in lines
                ),
            ]
        )
        for head, lines in parts
    ]
    if not quiet:
        blocks.append(textwrap.fill(LICENSED, 92))
    return "\n\n".join(blocks)
