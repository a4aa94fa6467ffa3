"""A batch against its prediction, in words for the command line."""

from __future__ import annotations

import textwrap

from percsim.quantities import (
    band,
    counted,
    mm,
    percent,
    probability,
    resistance,
    share,
    signed,
    weight,
)
from percsim.report.candidates import Row

__all__ = ["agreement_text"]

CAUSES = {
    "none": "nothing out of the ordinary",
    "loading": "filler loading of the cup",
    "thickness": "thickness of all films",
    "gap": "electrode gap of all films",
    "width": "width of all films",
    "contact": "conductance of the contacts (cure, pressure, powder surface)",
    "mixing": "uneven mixing, film to film",
}
VERDICTS = {
    "accept": "Accept: the batch agrees with what was predicted",
    "doubtful": "Doubtful: the batch lies at the edge of what was predicted",
    "reject": "Reject: the batch does not agree with what was predicted",
}


def agreement_text(result: Row) -> list[str]:
    """Give the verdict, the numbers and the causes, line by line.

    Parameters
    ----------
    result : dict
        What `findings.agreement.batch_agreement` gives.

    Returns
    -------
    list of str

    """
    lines = [
        f"{VERDICTS[result['verdict']]}.",
        *textwrap.wrap(_numbers(result), 92),
        *textwrap.wrap(_chances(result), 92),
    ]
    if len(result["causes"]) < 2:
        return lines + textwrap.wrap(
            "Open films alone do not tell causes apart: check electrodes and cracks, then "
            "weigh a cured piece for its loading.",
            92,
        )
    lines += [
        "",
        "Likeliest cause, of these and one at a time (one standard error either way):",
        *(_cause(cause) for cause in result["causes"]),
    ]
    if not result["told_apart"]:
        lines += textwrap.wrap(
            "R alone cannot tell the first two apart: measure thickness and gap of the "
            "films and enter them, weigh a cured piece for its loading, or read R under "
            "strain.",
            92,
        )
    return lines


def _numbers(result: Row) -> str:
    """Say what was read and what was predicted."""
    films, n_open = int(result["films"]), int(result["open_films"])
    known = (
        f"{result['anchored_rows']} measured rows narrow the prediction."
        if result["anchored_rows"]
        else "No film was measured before, so the band is as wide as day one leaves it: "
        "agreement says little; anchor the plan first."
    )
    several = len(result["gaps"]) > 1
    each = "; ".join(
        f"{'' if several else 'at '}{mm(row['electrode_gap_m'])} gap"
        + (f", {row['open_films']} of {row['films']} open" if row["open_films"] else "")
        + f": geometric mean {resistance(row['measured_ohm'])}, predicted "
        f"{resistance(row['predicted_ohm']['median'])} "
        f"(5-95 % {band(row['predicted_ohm'], 'ohm')})"
        for row in result["gaps"]
    )
    return (
        f"{counted(films, 'film')} of {weight(result['weight_fraction'])}"
        f"{': ' if several else ' '}{each}. "
        + ("Both are of films that conduct. " if films > n_open else "")
        + "The band contains contacts and threshold as far as they are known, the "
        "simulation error, and the bench tolerances of so many films of one cup, perhaps "
        "of another lot of powder. " + known
    )


def _chances(result: Row) -> str:
    """Say how probable what was read is, and what decides."""
    told = [f"Probability of a mean as far off: {probability(result['level_probability'])}"]
    if result["films"] - result["open_films"] > 1:
        told.append(
            f"of such a scatter between the films ({share(result['scatter'])} %, "
            f"{share(result['expected_scatter'])} % expected): "
            f"{probability(result['scatter_probability'])}"
        )
    if result["open_films"]:
        told.append(f"of so many open: {probability(result['open_probability'])}")
    decides = (
        "The smallest of them times their number decides" if len(told) > 1 else "It decides"
    )
    return f"{'; '.join(told)}. {decides}: below 0.05 is doubtful, below 0.01 is rejected."


def _cause(cause: Row) -> str:
    """Say in a line how likely a cause is, and how far off it would be."""
    off = ""
    if cause["name"] == "mixing":
        off = ", the films scatter no more than expected"
        if cause["off_by"]:
            off = (
                f", spread {percent(cause['off_by'])} % of the loading "
                f"({percent(cause['low'])} to {percent(cause['high'])}) if so"
            )
    elif cause["name"] != "none":
        off = (
            f", off by {signed(cause['off_by'], 100.0)} % "
            f"({signed(cause['low'], 100.0)} to {signed(cause['high'], 100.0)}) if so"
        )
    return f"  {share(cause['probability']):>5} %  {CAUSES[cause['name']]}{off}"
