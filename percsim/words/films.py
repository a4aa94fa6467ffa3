"""What measured films told, in words."""

from __future__ import annotations

from percsim.film.record import MeasuredFilm
from percsim.quantities import counted, quantity

__all__ = ["PARAMETERS", "record_words"]

PARAMETERS = {
    "g0": "the contact conductance g0",
    "contact_area": "the contact area",
    "beta": "the decay beta",
    "delta_b": "the opening delta_b at which contacts break",
    "lambda_T": "the share lambda_T of thermal mismatch",
    "closed_at": "the temperature closed_at that shut the contacts",
    "Ea": "the activation energy Ea",
    "reclose": "the share reclose of its opening at which a contact closes again",
    "healed": "the share healed that it then conducts",
    "relaxed": "the share relaxed of a strain that fades",
    "threshold": "the threshold",
    "scatter": "the bench's own scatter",
}


def record_words(film: MeasuredFilm) -> str:
    """Say what a record was reduced to, and what was left out of it."""
    left = [
        *([f"{counted(film.outliers, 'outlier')} left out"] if film.outliers else []),
        *(
            [f"{counted(film.open_readings, 'reading')} open"] if film.open_readings else []
        ),
        *([f"{counted(film.blank, 'row')} without a reading"] if film.blank else []),
        *(
            [f"{counted(film.gaps, 'break')} while the strain moved, the longest"
             f" {quantity(film.longest_gap, 'time')}"]
            if film.gaps
            else []
        ),
    ]  # fmt: skip
    told = [f"Cycled film: {counted(film.readings, 'reading')}", *left]
    pulls = counted(len(film.protocol.pulls), "pull")
    return f"{', '.join(told)}; {pulls}, reduced to {len(film.protocol)} visits."
