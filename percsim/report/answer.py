"""The decision in sentences, the same for page and terminal."""

from __future__ import annotations

from collections.abc import Mapping

from percsim.quantities import (
    band,
    listed,
    microstrain,
    number,
    percent,
    quantity,
    resistance,
    sentence,
    share,
    simulation_error,
    three,
    two,
)
from percsim.report.candidates import (
    Row,
    Summary,
    candidate_label,
)

__all__ = [
    "anchored_expectation",
    "decided",
    "expectation",
    "film_threshold_sentence",
    "first_steps",
    "headline",
    "left_out",
    "level_statement",
    "measured_threshold_sentence",
]


def measured_threshold_sentence(summary: Summary) -> str:
    """Say where measured films put the threshold, empty without any."""
    for row in (summary.get("anchor") or {}).get("parameters") or []:
        if row.get("name") == "threshold" and not row.get("held"):
            found = row.get("posterior") or {}
            text = (
                f" The measured films put the threshold at {three(found.get('median'))} "
                f"times the simulated one (5-95 %: {band(found)})"
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


def decided(summary: Summary) -> Row:
    """Give the decision of a summary, empty where nothing was evaluated."""
    told = summary.get("decision")
    return told if isinstance(told, Mapping) else {}


def headline(summary: Summary) -> str:
    """Say the decision in one sentence."""
    text = decided(summary).get("text")
    return sentence(text) if text else "No candidate was evaluated."


def first_steps(summary: Summary) -> list[str]:
    """Say in order what to do while there is something to learn; empty otherwise."""
    told = decided(summary)
    if told.get("state") != "cast to learn":
        return []
    strain = microstrain(summary["window"]["chord"])
    steps = [
        f"Cast these films from the one cup and read R at 20 C, at rest and at {strain}: "
        "a recipe is ready by both."
    ]
    expected = [str(line) for line in told.get("expected") or []]
    if expected:
        steps[0] += f" Expected of a casting: {'; '.join(expected)}."
    steps.append("Enter the readings with 'percsim anchor'; it decides again with them.")
    return steps


def anchored_expectation(row: Row) -> str:
    """Say in one sentence what castings of a candidate read by the measured films."""
    r, factor = row.get("casting_resistance_ohm") or {}, row.get("gauge_factor") or {}
    text = (
        f"By the measured films a casting of {candidate_label(row)} reads "
        f"{resistance(r.get('median'))} "
        f"(5-95 % {band(r, 'ohm')})"
    )
    if three(factor.get("median")) not in ("open", "–"):
        text += f", gauge factor {three(factor['median'])} ({band(factor)})"
    return text + (
        f"; {share(row.get('pass_share'))} % of castings meet the limits on R and gauge "
        "factor. The ranges hold what the films leave open and the bench's tolerances."
    )


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
    r, factor = (candidate.get(key) or {} for key in ("resistance_ohm", "gauge_factor"))
    if three(r.get("median")) == "open":
        text = "The median casting is open"
    else:
        error = simulation_error(r.get("standard_error"), "ohm", r.get("median"))
        text = (
            f"Resistance {resistance(r.get('median'))} (5-95 % of castings "
            f"{band(r, 'ohm')}{error and ', ' + error})"
        )
    if three(factor.get("median")) not in ("open", "–"):
        error = simulation_error(factor.get("standard_error"))
        text += (
            f", gauge factor {three(factor['median'])} ({band(factor)}"
            f"{error and ', ' + error})"
        )
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
            f"Stored rows that are damaged and left out: {listed(damaged, most=5)}. {again}"
        )
    return lines


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
        value = quantity(entry.get("value"), str(entry.get("unit") or "S"))
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
