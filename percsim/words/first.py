"""The first page in plain words: the same for page, terminal, notebook and summary."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from percsim.decision.decide import Change, State, Why
from percsim.decision.limits import CASTABLE
from percsim.decision.outlook import Band
from percsim.decision.target import Limit
from percsim.first_page import Cause, Cups, FirstPage, Place, Row
from percsim.quantities import (
    confidence,
    listed,
    microstrain,
    mix,
    mm,
    percent,
    probability,
    resistance,
    sentence,
    share,
    span,
    three,
    two,
    weight,
    window,
)
from percsim.remarks import Remark
from percsim.words.candidates import PULLED, STIFF, limit_value
from percsim.words.films import PARAMETERS
from percsim.words.power import power_caution

__all__ = [
    "CAUSE_HEADS",
    "HEADS",
    "asked_cells",
    "cause_cells",
    "caution_lines",
    "change_line",
    "contradiction",
    "cup_cautions",
    "cup_line",
    "cup_title",
    "expected_lines",
    "factor_words",
    "has_mixes",
    "miss",
    "ohms",
    "place",
    "plot_line",
    "pull_line",
    "recipe_line",
    "remark_lines",
    "row_cells",
    "row_note",
    "state_line",
    "told",
]  # fmt: skip

MOST_OHMS = 1e9
"""R from which a bench reads open, unless more is asked for (judgement)."""
NARROW = 1.1
"""Range over which a third digit says something: upper end over lower."""
ANY_LEVEL = 1e3
"""Factor from which a level is not known at all."""

FEW_STEPS = 20.0
"""Steps of the balance below which a mass is coarse."""

_COUNTS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}

CONTRADICTIONS = (
    "outlier", "same films differ", "far from assumed", "pull", "explore higher", "change",
    "ask for other",
)  # fmt: skip
"""Codes of remarks that name what does not fit, is missing, or would do instead."""

TOLERANCES = {
    "weighing": "weighing",
    "mixing": "mixing, film to film",
    "mixing_within": "unevenness inside a film",
    "thickness": "thickness of the film",
    "gap": "gap between the electrodes",
    "skew": "electrodes set askew",
    "width": "width of the film",
    "contact": "contacts, from cure to cure",
    "aspect_ratio": "aspect ratio of the powder lot",
    "particle_size": "particle size of the powder lot",
    "response": "how much a film responds to strain",
    "tilt": "tilt of the particles",
}
"""Tolerances in words, by their names in `percsim.film.Tolerances`."""

_MISSES = {
    "open": "open",
    "near": "near threshold",
    "resistance low": "R too low",
    "resistance high": "R too high",
    "gauge_factor low": "gauge factor too low",
    "resistance_cv high": "R scatters",
    "gauge_factor_cv high": "gauge factor scatters",
    "thermal_output high": "thermal output too large",
    "self_heating_drift high": "drifts by its own heat",
    "hysteresis high": "hysteresis too large",
    "zero_shift high": "zero shifts too far",
    "drift high": "drifts too far under strain",
    "spread": "too few pass",
}

_GROUPS = {
    "g0": "level of R",
    "contact_area": "level of R",
    "threshold": "threshold",
    "beta": "how contacts answer strain",
    "delta_b": "how contacts answer strain",
    "lambda_T": "how contacts answer heat",
    "closed_at": "how contacts answer heat",
    "Ea": "how contacts answer heat",
    "reclose": "what contacts remember",
    "healed": "what contacts remember",
    "relaxed": "what contacts remember",
    "scatter": "scatter of the bench",
}

_EASIER = {
    "gauge_factor": "ask for a gauge factor of {}",
    "resistance_cv": "allow a CV of R of {}",
    "gauge_factor_cv": "allow a CV of the gauge factor of {}",
    "thermal_output": "allow a thermal output of {}",
    "self_heating_drift": "allow a self-heating drift of {}",
    "hysteresis": "allow a hysteresis of {}",
    "zero_shift": "allow a zero shift of {}",
    "drift": "allow a drift under strain of {}",
    "pass_share": "ask for {} of the castings",
}


# ------------------------------------------------------------------------------------------
# State and cups
# ------------------------------------------------------------------------------------------


def place(at: Place) -> str:
    """Name a recipe: "34 wt%, 3 mm"."""
    return ", ".join(filter(None, (at.mix, weight(at.weight_fraction), _mm(at))))


def _mm(at: Place) -> str:
    return mm(at.electrode_gap)


def recipe_line(page: FirstPage) -> str:
    """Name the best recipe with those that do as well: "34 wt% at 2 or 3 mm gap"."""
    gaps = [r.place.electrode_gap for r in page.rows if r.is_best or r.ties]
    told = [f"{1e3 * gap:g}" for gap in sorted(set(gaps))]
    either = ", either will do" if len(told) == 2 else ", any will do" if told[2:] else ""
    of = f"{page.best.mix}, " if page.best.mix else ""
    return f"{of}{weight(page.best.weight_fraction)} at {_or(told)} mm gap{either}"


def _or(words: Sequence[str]) -> str:
    *head, last = words
    return f"{', '.join(head)} or {last}" if head else last


def state_line(page: FirstPage) -> str:
    """Say what to do in one line, with the one P."""
    P = f"P = {share(page.probability)} %"
    if page.state is State.READY:
        sure = ", its spread not assured" if page.why is Why.PROVED_WINDOW else ""
        return (
            f"Ready{sure}: cast {recipe_line(page)}; films of one cup passed, {P} that it "
            "does all that is asked"
        )
    if page.state is State.LEARN:
        if page.why is Why.WAITING:
            (cup,) = page.cups
            what = f"the films of {weight(cup.weight_fraction)} that passed at rest"
            return f"Cast to learn: first read at {microstrain(cup.strain)} {what}; {P}"
        cast = f"Cast to learn: {'; '.join(cup_line(cup) for cup in page.cups)}"
        if page.why is Why.UNKNOWN_THRESHOLD:
            return f"{cast}; nobody can foresee the threshold of this powder: they tell it"
        gaps = {f.electrode_gap for cup in page.cups for f in cup.films}
        which = "that one gap does" if len(gaps) > 1 else "that it does"
        return f"{cast}; {P} {which} all that is asked"
    spent = ""
    if page.why is Why.SPENT:
        n = page.cast_before
        spent = f" after {_COUNTS.get(n, str(n))} cups"
    return (
        f"Nothing here will do{spent}: {P} that any recipe does all that is asked; the "
        f"best is {recipe_line(page).partition(', either')[0].partition(', any will')[0]}"
    )


def cup_line(cup: Cups) -> str:
    """Say which cup, and which films of it."""
    gaps = [f"{1e3 * f.electrode_gap:g}" for f in cup.films]
    n = _COUNTS.get(cup.films[0].films, str(cup.films[0].films))
    films = f"{n} films at {gaps[0]} mm gap"
    if len(gaps) > 1:
        films = f"{n} films at each gap of {listed(gaps)} mm"
    of = f" ({cup.mix})" if cup.mix else ""
    return f"one cup of {weight(cup.weight_fraction)}{of}, {films}"


def cup_title(cup: Cups) -> str:
    """Say what is mixed and how thick it is spread."""
    told = f"{weight(cup.weight_fraction)} filler, base to agent {mix(cup.mix_ratio)}"
    if cup.wet_thickness > 1.001 * cup.thickness:
        return f"{told}, {mm(cup.wet_thickness)} wet for {mm(cup.thickness)} dry"
    return f"{told}, film {mm(cup.thickness)}"


def caution_lines(page: FirstPage) -> list[str]:
    """Say what to mind: balance and mix of the cups, heat of the film, materials."""
    power = power_caution(page.supply, page.power)
    own = [line for cup in page.cups for line in cup_cautions(cup)]
    return [*own, *([power] if power else []), *map(sentence, page.cautions)]


def cup_cautions(cup: Cups) -> list[str]:
    """Say what to mind with the balance and the mix of a cup."""
    lines, share_of = [], share(cup.solids)
    if cup.solids >= 1.0:
        lines.append(f"it cannot be cast: solids at {share_of} % of those that jam")
    elif cup.solids >= CASTABLE or cup.thickening > STIFF:
        lines.append(
            f"stiff: solids at {share_of} % of those that jam make it about "
            f"{cup.thickening:.0f} times as thick; thin it with solvent"
        )
    if cup.uncertainty > cup.tolerance > 0.0:
        lines.append(
            f"too little for this balance: it leaves {percent(cup.uncertainty)} % of the "
            f"loading uncertain, {percent(cup.tolerance)} % are planned"
        )
    coarse = [p.name for p in cup.parts if 0.0 < p.exact < FEW_STEPS * cup.step]
    if coarse:
        lines.append(f"few steps of the balance: {listed(coarse)}; mix more")
    return [sentence(line) for line in lines]


def expected_lines(page: FirstPage) -> list[str]:
    """Say what each film of the cups will read."""
    return [
        f"{mm(f.electrode_gap)} gap: {' '.join(told(f.resistance, page))}"
        for cup in page.cups
        for f in cup.films
    ]


# ------------------------------------------------------------------------------------------
# Table of recipes
# ------------------------------------------------------------------------------------------


def ohms(value: float, page: FirstPage, digits: int = 2) -> str:
    """Write R; open where no bench reads it."""
    most = max(MOST_OHMS, 100.0 * page.plot.high if math.isfinite(page.plot.high) else 0.0)
    return resistance(value if value < most else math.inf, digits)


def told(band: Band, page: FirstPage) -> tuple[str, str]:
    """Median R and its 5-95 % in brackets, to the digits that it has."""
    digits = 3 if band.p95 < NARROW * band.p05 else 2
    low, high = ohms(band.p05, page, digits), ohms(band.p95, page, digits)
    if "open" not in (low, high):
        return ohms(
            band.median, page, digits
        ), f"({span(band.p05, band.p95, 'ohm', digits)})"
    ends = low if low == high else f"{low} to {high}"
    return ohms(band.median, page, digits), "" if low == high == "open" else f"({ends})"


def factor_words(band: Band | None) -> tuple[str, str]:
    """Median gauge factor and its 5-95 % in brackets; a dash where none can be told."""
    if band is None:
        return "–", ""
    write = three if band.p95 < NARROW * band.p05 else two
    return write(band.median), f"({write(band.p05)} to {write(band.p95)})"


def _cv(band: Band | None) -> tuple[str, str]:
    """CV in whole per cent; none where half of the castings are open."""
    if band is None or not math.isfinite(band.median):
        return "–", ""
    low = f"{100 * band.p05:.0f}"
    ends = f"{low} to {100 * band.p95:.0f}" if math.isfinite(band.p95) else f"from {low}"
    return f"{100 * band.median:.0f} %", f"({ends})"


HEADS = (
    "recipe", "R", "gauge factor", "CV of R", "CV of gauge f.", "P", "most often missed",
)  # fmt: skip
"""Of the table."""


def asked_cells(page: FirstPage) -> tuple[str, ...]:
    """Row of the limits; what has no column of its own in the last cell."""
    plot = page.plot
    limits = {limit.what: limit for limit in page.asked}
    cells = {
        what: _limit(limits.pop(what)) if what in limits else "any"
        for what in ("gauge_factor", "resistance_cv", "gauge_factor_cv")
    }
    for what in ("resistance", "pass_share"):
        limits.pop(what, None)
    others = [f"{what.replace('_', ' ')} {_limit(x)}" for what, x in limits.items()]
    asked = window(plot.low, plot.high) or "any"
    return ("asked", asked, *cells.values(), "", "; ".join(others))


def _limit(limit: Limit) -> str:
    value = limit_value(limit.what, limit.value)
    return f"{'≥' if limit.at_least else '≤'} {value}"


def row_cells(row: Row, page: FirstPage) -> tuple[tuple[str, str], ...]:
    """Cells of one recipe, each with its 5-95 % in brackets or nothing."""
    factor = row.gauge_factor if math.isfinite(row.resistance.median) else None
    at = row.place if has_mixes(page) else replace(row.place, mix="")
    return (
        (place(at), ""), told(row.resistance, page), factor_words(factor),
        _cv(row.resistance_cv), _cv(row.gauge_factor_cv if factor else None),
        (f"{share(row.probability)} %", ""),
        (miss(row), f"({share(row.miss_chance)} %)" if miss(row) else ""),
    )  # fmt: skip


def has_mixes(page: FirstPage) -> bool:
    """Whether the rows are of several mixes, which are then told apart."""
    return len({row.place.mix for row in page.rows}) > 1


def miss(row: Row) -> str:
    """Say in a phrase what a recipe is likeliest to miss."""
    if not row.misses or row.miss_chance < 0.05:
        return ""
    return _MISSES[row.misses]


def row_note(page: FirstPage) -> str:
    """Say what P, gauge factors and ranges of the table are."""
    asked = next((x.value for x in page.asked if x.what == "pass_share"), 0.0)
    return (
        f"P: probability that {share(asked)} % of castings pass and all else that is asked "
        f"holds. {pull_line(page)}In brackets: 5–95 %."
    )


def pull_line(page: FirstPage) -> str:
    """Say which pull gauge factors are of, a blank after it; empty without strain."""
    return f"Gauge factors are {PULLED[page.pull]}. " if page.pull else ""


def plot_line(page: FirstPage) -> str:
    """Say what the plot shows."""
    return f"R of one casting at {mm(page.plot.electrode_gap)} gap: median and 5–95 %"


# ------------------------------------------------------------------------------------------
# Causes and remarks
# ------------------------------------------------------------------------------------------


CAUSE_HEADS = ("scatter of R", "sigma", "share", "CV if halved", "P if halved")


def cause_cells(cause: Cause, page: FirstPage) -> tuple[str, ...]:
    """Cells of one cause: what halving it buys, a dash where that is within its error."""
    before, after = (f"{100 * x:.0f}" for x in (cause.cv, cause.cv_halved))
    cv = f"{before} to {after} %" if before != after else "–"
    P = next((row.probability for row in page.rows if row.is_best), page.probability)
    now, then = share(P), share(P + cause.gain)
    return (
        TOLERANCES[cause.name], f"{_spread(cause)}, {cause.basis}",
        f"{share(cause.share)} %", cv, f"{now} to {then} %" if now != then else "–",
    )  # fmt: skip


def _spread(cause: Cause) -> str:
    if cause.name == "tilt":
        return f"{two(math.degrees(cause.spread))} degrees"
    return f"{percent(float(f'{cause.spread:.2g}'))} %"


def remark_lines(page: FirstPage) -> list[str]:
    """Say what is assumed, what contradicts, and what comes next."""
    return [sentence(_remark(remark, page)) for remark in page.remarks]


def contradiction(page: FirstPage) -> list[str]:
    """Say what contradicts alone, empty if nothing does."""
    kept = [r for r in page.remarks if r.code in CONTRADICTIONS]
    return remark_lines(replace(page, remarks=tuple(kept)))


def _remark(remark: Remark, page: FirstPage) -> str:
    names, values = remark.names, remark.values
    if remark.code == "assumed":
        return _assumed(*values)
    if remark.code == "unforeseeable":
        return f"not foreseeable: the threshold of this powder; {names[0]}"
    if remark.code == "still assumed":
        groups = list(dict.fromkeys(_GROUPS[name] for name in names))
        return f"assumed still: {listed(groups)}"
    if remark.code == "outlier":
        chance = probability(values[0])
        return (
            f"contradiction: {_misfit(names)} (probability {chance}); check before the "
            "next cup"
        )
    if remark.code == "same films differ":
        read = " and ".join(ohms(value, page, 3) for value in values)
        told = f"contradiction: {names[0]} and {names[1]} are equal films and read {read}"
        return f"{told}; {_misfit(names[2:])}" if names[2:] else told
    if remark.code == "far from assumed":
        side = "above" if values[0] > 0.0 else "below"
        return (
            f"contradiction: {PARAMETERS[names[0]]} comes out {abs(values[0]):.1f} "
            f"standard deviations {side} what was assumed; check units, sizes and the plan"
        )
    return _next(remark, page)


def _misfit(names: Sequence[str]) -> str:
    verb = "does" if len(names) == 1 else "do"
    return f"{listed(names, 3)} {verb} not fit the other readings"


def _assumed(level: float, low: float, high: float) -> str:
    parts = []
    if level >= ANY_LEVEL:
        parts.append("R may be at any level, nothing is known of such contacts")
    elif level > 1.0:
        parts.append(f"R may be {two(level)} times off either way")
    if high > 1.0:
        parts.append(
            f"the real threshold may be {two(low)} to {two(high)} times the simulated one"
        )
    return f"assumed: {'; '.join(parts)}"


def _next(remark: Remark, page: FirstPage) -> str:
    if remark.code == "read and enter":
        strain = page.cups[0].strain if page.cups else 0.0
        at = f", at rest and at {microstrain(strain)}" if strain else ""
        if strain and "conditioned" in remark.names:
            at = f" after a pull over the window{at}"
        return f"next: read R at 20 C{at}; fill in cups.csv for 'percsim anchor'"
    if remark.code == "cast":
        return "next: cast it; readings of a further cup, entered, prove it again"
    if remark.code == "spread not assured":
        return (
            f"next: cast it; R is in the window with {confidence(remark.values[0])} %, and "
            "films of a further cup tell its spread"
        )
    if remark.code == "pull":
        pull, *cups = remark.names
        how = " after a pull over the window" if pull == "conditioned" else ", first pull,"
        return (
            f"next: read the films of {listed(cups)} at "
            f"{microstrain(remark.values[0])}{how} too: without it no recipe can be ready"
        )
    if remark.code == "explore higher":
        low, high = map(weight, remark.values)
        more = low if low == high else f"{low} to {high}"
        return f"next: every loading is below the threshold; explore {more}"
    settled = "more films would not change this; " if remark.values else ""
    if remark.code == "change":
        lines = "; or ".join(change_line(c, page) for c in page.changes)
        return f"next: {settled}{lines}"
    return (
        f"next: {settled}no single change of recipe, bench or limits helps; take another "
        "powder"
    )


def change_line(change: Change, page: FirstPage) -> str:
    """Say one change of the best recipe and P after it."""
    return f"{_change(change, page)}: P = {share(change.probability)} %"


def _change(change: Change, page: FirstPage) -> str:
    if change.what == "gap":
        verb = "lengthen" if change.value > page.best.electrode_gap else "shorten"
        return f"{verb} the gap to {mm(change.value)}"
    if change.what == "loading":
        verb = "raise" if change.value > page.best.weight_fraction else "lower"
        return f"{verb} the loading to {weight(change.value)}"
    if change.what == "window":
        low, high = (x * change.value for x in (page.plot.low, page.plot.high))
        return f"move the window to {window(low, high)}"
    if change.what == "tolerance":
        return f"halve the tolerance of {TOLERANCES[change.name]}"
    return _EASIER[change.name].format(limit_value(change.name, change.value))
