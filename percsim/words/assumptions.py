"""What an answer rests on, one row a number, with what it moves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.constants import Boltzmann, elementary_charge

from percsim.decision.priors import (
    ACTIVATION_RANGE,
    BETA_FACTOR,
    BREAKING_FACTOR,
    CLOSED_WITHIN,
    HEALED,
    RECLOSE,
    RELAXED,
    THERMAL_SHARE_RANGE,
    ContactParameters,
    TunnellingParameters,
    shape_is_assumed,
    threshold_ratio,
)
from percsim.film.casting import Castings
from percsim.film.draws import TOLERANCE_NAMES
from percsim.film.transfer import LoadingThreshold
from percsim.quantities import percent, three, two
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.words.candidates import PULLED

__all__ = ["Assumption", "assumptions"]

JUDGED = "judgement, no source"
BY_FILMS = "measured films"


@dataclass(frozen=True, slots=True)
class Assumption:
    """One number the answer rests on.

    Parameters
    ----------
    name, symbol : str
        In words, and as in the formulas.
    value : float
        As used, in `unit`.
    unit : str
        Bench unit; "1" without.
    basis : {"assumed", "measured", "simulated"}
        Where it comes from.
    source : str
        Source, or how wide the assumption is.
    effect : str
        What it moves and by how much.

    """

    name: str
    symbol: str
    value: float
    unit: str
    basis: str
    source: str
    effect: str


def assumptions(
    contacts: ContactParameters | TunnellingParameters,
    threshold: LoadingThreshold,
    castings: Castings,
    by_films: frozenset[str] = frozenset(),
) -> tuple[Assumption, ...]:
    """List what the answer for one candidate rests on.

    Parameters
    ----------
    contacts : ContactParameters or TunnellingParameters
        As used.
    threshold : LoadingThreshold
        The film's own at 20 C.
    castings : Castings
        Of the chosen or nearest candidate, for which effects are worked out.
    by_films : frozenset of str
        Symbols of the contacts that measured films of the plan tell.

    Returns
    -------
    tuple of Assumption
        Threshold, contact law, bench tolerances.

    Notes
    -----
    What is said of beta and delta_b follows from the law: a lower conductance of any
    contact cannot lower R, and a contact that is broken at rest conducts again where
    strain closes it.

    """
    rows = [_threshold_row(contacts, threshold, castings, by_films)]
    if isinstance(contacts, ContactParameters):
        rows += _opening_rows(contacts, castings, by_films)
    else:
        rows += _tunnelling_rows(contacts)
    return (*rows, *_tolerance_rows(castings))


def _threshold_row(
    contacts: ContactParameters | TunnellingParameters,
    threshold: LoadingThreshold,
    castings: Castings,
    by_films: frozenset[str],
) -> Assumption:
    ratio = threshold_ratio(contacts, threshold)
    known = "aspect_ratio" in contacts.measured
    shape = "; aspect ratio measured" if known else ""
    if shape_is_assumed(contacts, threshold):
        shape = "; aspect ratio assumed"
    source = (
        f"simulated to {two(100 * threshold.standard_error)} vol%{shape}; 95 % of real "
        f"ones lie within {two(ratio.low)} to {two(ratio.high)} times it ({ratio.basis}: "
        f"{ratio.source})"
    )
    basis = "simulated"
    if by_films:
        basis, source = "measured", "simulated, then measured films"
    return Assumption(
        "percolation threshold of the film at 20 C", "phi_c",
        100.0 * threshold.volume_fraction, "vol%", basis, source,
        _threshold_effect(castings),
    )  # fmt: skip


def _threshold_effect(castings: Castings) -> str:
    """R of the planned film if the threshold were half or twice as high.

    Taken as a matter of shape, so that R goes with phi/phi_c.
    """
    ratio, words = castings.threshold_ratio, []
    for factor, word in ((0.5, "half"), (2.0, "twice")):
        if ratio <= max(factor, 1.0):
            words.append(f"{word} as high leaves the film open")
        else:
            step = np.log((ratio / factor - 1.0) / (ratio - 1.0))
            change = np.exp(castings.slopes()[castings.visits.rest] * step)
            words.append(f"{word} as high multiplies R by {two(change)}")
    return "; ".join(words)


def _opening_rows(
    contacts: ContactParameters, castings: Castings, by_films: frozenset[str]
) -> list[Assumption]:
    """List what acts in the contact-opening law."""
    here = ""
    chords = castings.gauge_factors
    chords = chords[np.isfinite(castings.at_rest) & np.isfinite(chords)]
    if castings.strained_state is not None and len(chords) and not castings.is_open:
        of = PULLED[castings.model.pull]
        here = f" ({three(float(np.median(chords)))} here, {of})"
    per_kelvin = 1.0 / Boltzmann / ROOM_TEMPERATURE**2
    most = ACTIVATION_RANGE[1]
    meV = 1e3 / elementary_charge
    known = contacts.powder.g0
    level = (
        "any level, nothing is known of such contacts: a first cup tells it"
        if known is None
        else f"{known.basis}: {known.source}"
    )

    def row(
        name: str, symbol: str, value: float, unit: str, width: str, effect: str,
        why: str = JUDGED,
    ) -> Assumption:  # fmt: skip
        basis = "measured" if symbol in contacts.measured else "assumed"
        if symbol in by_films:
            source = BY_FILMS
        elif symbol in contacts.factors:
            source = (
                f"{basis}; 95 % within a factor {contacts.factors[symbol]:g} either way"
            )
        elif symbol in contacts.ranges:
            source = f"{basis}; 95 % within the limits that the plan gives"
        elif basis == "measured":
            source = "measured, as entered in the plan"
        else:
            source = f"{why}; 95 % within {width}"
        return Assumption(name, symbol, value, unit, basis, source, effect)

    at_rest = "level of R, gauge factor and the film's own threshold, by what opens at rest"
    return [
        row(
            "contact conductance", "g0", contacts.g0, "S",
            f"a factor {contacts.level_factor:g} either way",
            "R in proportion to 1/g0, nothing else", level,
        ),
        row(
            "decay with opening", "beta", contacts.beta, "1",
            f"a factor {BETA_FACTOR:g} either way",
            f"larger raises R, and as a rule the gauge factor{here}, "
            "less than in proportion",
        ),
        row(
            "opening at which a contact breaks", "delta_b", contacts.delta_b, "1",
            f"a factor {BREAKING_FACTOR:g} either way",
            "smaller raises R and the film's own threshold; the gauge factor either way",
        ),
        row(
            "temperature at which contacts are pressed shut", "closed_at",
            round(contacts.closed_at - 273.15, 6), "C", f"{CLOSED_WITHIN:g} K either way",
            at_rest,
        ),
        row(
            "share of thermal mismatch at the contacts", "lambda_T", contacts.thermal_share,
            "1", f"{THERMAL_SHARE_RANGE[0]:g} to {THERMAL_SHARE_RANGE[1]:g}",
            f"{at_rest}; with Ea even the sign of the temperature coefficient",
        ),
        row(
            "activation energy", "Ea", meV * contacts.Ea, "meV",
            f"0 to {meV * most:.0f} meV",
            f"lowers R by {percent(contacts.Ea * per_kelvin)} % per kelvin at 20 C (up to "
            f"{percent(most * per_kelvin)} % at the end of the range)",
        ),
        *(
            row(name, symbol, contacts.values[symbol], "1",
                f"{likely[0]:g} to {likely[2]:g}, most likely {likely[1]:g}", effect)
            for symbol, (name, likely, effect) in _MEMORY.items()
        ),
    ]  # fmt: skip


_MEMORY = {
    "reclose": (
        "share of its opening at which a broken contact closes again", RECLOSE,
        "less shifts the zero with the first pull, and lowers the gauge factor after it",
    ),
    "healed": (
        "share of its conductance that it then has", HEALED,
        "less shifts the zero with the first pull, and lowers the gauge factor after it",
    ),
    "relaxed": (
        "share of a strain that fades for each factor e of time", RELAXED,
        "drift under strain, and a zero below that of before after release",
    ),
}  # fmt: skip


def _tunnelling_rows(contacts: TunnellingParameters) -> list[Assumption]:
    """List what acts in tunnelling across absolute gaps."""
    decade = f"{two(1e9 * contacts.decade)} nm"

    def row(
        name: str, symbol: str, value: float, unit: str, why: str, effect: str
    ) -> Assumption:
        known = symbol in contacts.measured
        basis = "measured" if known else "assumed"
        source = "measured, as entered in the plan" if known else why
        return Assumption(name, symbol, value, unit, basis, source, effect)

    return [
        row(
            "contact area", "contact_area", 1e18 * contacts.area, "nm2",
            f"{JUDGED}; 95 % within a factor {contacts.level_factor:g} either way",
            "R in proportion to 1/area, nothing else",
        ),
        row(
            "height of the tunnelling barrier", "barrier_height",
            contacts.barrier_height / elementary_charge, "eV", JUDGED,
            f"level of R, tenfold each {decade} of gap, and every response to strain",
        ),
        row(
            "gap of particles that touch", "shortest_gap", 1e9 * contacts.shortest_gap,
            "nm", "common practice, no source",
            f"level of R, tenfold each {decade}; shorter contacts do not feel strain",
        ),
        row(
            "longest gap that counts as a contact", "cutoff", 1e9 * contacts.cutoff, "nm",
            "as planned", "the threshold; strain makes and breaks contacts there",
        ),
    ]  # fmt: skip


def _tolerance_rows(castings: Castings) -> list[Assumption]:
    """List the tolerances of the bench with their shares of the variance of ln R."""
    tol = castings.tolerances
    units: Mapping[str, tuple[float, str]] = {
        "weighing": (100.0, "% of the weight fraction"),
        "mixing": (100.0, "% of the weight fraction"),
        "thickness": (100.0, "% of the thickness"),
        "gap": (1e3, "mm"),
        "width": (1e3, "mm"),
        "contact": (100.0, "% of the contact conductance"),
        "aspect_ratio": (100.0, "% of the aspect ratio of a lot"),
        "mixing_within": (
            100.0,
            "% of the weight fraction from point to point, correlated over "
            f"{three(1e3 * tol.mixing_length)} mm",
        ),
        "skew": (1e3, "mm of gap from end to end of the electrodes"),
        "particle_size": (100.0, "% of the median size of a lot"),
        "tilt": (float(np.degrees(1.0)), "degrees of the rms tilt"),
        "response": (100.0, "% of the opening of contacts at a strain"),
    }
    rows = []
    for name in TOLERANCE_NAMES:
        if name not in units:
            continue
        scale, unit = units[name]
        value = (
            tol.thickness_of(castings.film) if name == "thickness" else getattr(tol, name)
        )
        rows.append(
            Assumption(
                f"tolerance of {name.replace('_', ' ')}", f"tau_{name}", scale * value,
                unit,
                "assumed", "bench judgement, unless set in the plan; standard deviation",
                f"{two(100 * castings.shares[name])} % of the variance of ln R",
            )
        )  # fmt: skip
    return rows
