"""What measured films told, in words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from percsim.decision.posterior import Posterior, RowCheck
from percsim.film.record import MeasuredFilm
from percsim.quantities import counted, listed, quantity, resistance, share
from percsim.states.temperature import ROOM_TEMPERATURE

__all__ = ["PARAMETERS", "film_notes", "record_words"]

TIED = 0.7
"""Correlation from which two numbers are known together better than apart."""

PARAMETERS = {
    "g0": "the contact conductance g0",
    "contact_area": "the contact area",
    "beta": "the decay beta",
    "delta_b": "the opening delta_b at which contacts break",
    "lambda_T": "the share lambda_T of thermal mismatch",
    "Ea": "the activation energy Ea",
    "threshold": "the threshold",
    "scatter": "the bench's own scatter",
}


def film_notes(found: Posterior) -> list[str]:
    """Say what readings tell, what they cannot, and which of them do not fit.

    Parameters
    ----------
    found : Posterior
        What the rows let be known.

    """
    return [
        *_outliers(found.checks),
        *_narrowed(found),
        *_cannot_tell(found),
        *_tied(found.correlations),
        *_far_off(found),
    ]


def record_words(film: MeasuredFilm) -> str:
    """Say what a record was reduced to, and what was left out of it."""
    left = [
        *([f"{counted(film.outliers, 'outlier')} left out"] if film.outliers else []),
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


def _outliers(checks: Iterable[RowCheck]) -> list[str]:
    """Name rows that the others speak against, with the row that they contradict."""
    words, checks = [], tuple(checks)
    for check in checks:
        if not check.is_outlier:
            continue
        own = check.reading
        like = [
            c.reading
            for c in checks
            if c is not check
            and c.reading.resistance is not None
            and (c.reading.loading, c.reading.film) == (own.loading, own.film)
            and (c.reading.strain, c.reading.temperature) == (own.strain, own.temperature)
        ]
        if own.resistance is not None and like:
            read = " and ".join(resistance(r.resistance) for r in (own, like[0]))
            words.append(
                f"{own.label} and {like[0].label} contradict each other: the same films "
                f"read {read}"
            )
        else:
            words.append(
                f"the other rows speak against {own.label} (probability "
                f"{_chance(check.probability)}): it counts as a slip"
            )
    return list(dict.fromkeys(words))


def _chance(p: float) -> str:
    return "below 0.001" if p < 0.001 else f"{p:.2g}"


def _narrowed(found: Posterior) -> list[str]:
    narrowing = found.narrowing
    told = sorted(found.told, key=narrowing.__getitem__)
    untold = [n for n in narrowing if n not in told and n != "scatter"]
    words = []
    if told:
        parts = [f"{PARAMETERS[n]} to {share(narrowing[n])} %" for n in told]
        whose = "its width" if len(parts) == 1 else "their widths"
        words.append(f"the readings narrow {listed(parts)} of {whose} before")
    if untold:
        names = listed([PARAMETERS[name] for name in untold])
        words.append(f"they tell next to nothing of {names}: assumed still")
    return words


def _cannot_tell(found: Posterior) -> list[str]:
    """Say what films of other kinds would tell."""
    free, readings = found.narrowing.keys(), [c.reading for c in found.checks]
    level = "g0" if "g0" in free else "contact_area"
    conducting = {
        r.loading.weight_fraction
        for r in readings
        if r.resistance is not None and not r.is_open
    }
    strained = {
        r.loading.weight_fraction
        for r in readings
        if r.relative_change is not None and r.strain != 0.0
    }
    words = []
    if {level, "threshold"} <= free and len(conducting) == 1:
        words.append(
            f"conducting films of one loading cannot tell {PARAMETERS[level]} from the "
            "threshold; a second loading can"
        )
    elif "threshold" in free and not conducting:
        words.append("no film conducts: only the threshold is bounded, from below")
    if {"beta", "delta_b"} & free and len(strained) < 2:
        words.append(
            "strain was read at one loading, which cannot tell beta from delta_b; one "
            "nearer to the threshold can"
            if strained
            else "no reading under strain: beta, delta_b and the gauge factor stay assumed"
        )
    if {"lambda_T", "Ea"} & free and all(
        r.temperature == ROOM_TEMPERATURE for r in readings
    ):
        words.append(
            "no reading away from 20 C: the temperature coefficient follows from the law "
            "and what is assumed"
        )
    return words


def _tied(correlations: Mapping[tuple[str, str], float]) -> list[str]:
    return [
        f"{PARAMETERS[a]} and {PARAMETERS[b]} are known together better than apart "
        f"(correlation {value:+.2f})"
        for (a, b), value in correlations.items()
        if abs(value) >= TIED
    ]


def _far_off(found: Posterior) -> list[str]:
    """Name numbers that come out far from what was assumed."""
    return [
        f"{PARAMETERS[name]} comes out {abs(z):.1f} standard deviations "
        f"{'above' if z > 0.0 else 'below'} what was assumed: check units, sizes and the "
        "plan"
        for name, z in found.far.items()
    ]
