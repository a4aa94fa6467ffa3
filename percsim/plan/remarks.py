"""What a plan may ask for, though it may mislead: one line each."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from percsim.plan.mixture import THIN_FILM
from percsim.plan.write import length
from percsim.states.temperature import ELASTOMER_LIMITS
from percsim.units import format_quantity

if TYPE_CHECKING:
    from percsim.materials.filler import Filler
    from percsim.plan.build import Stages
    from percsim.plan.sections.mix import PlacementSection

__all__ = ["own_remarks", "size_cuts", "threshold_remark"]

LARGE_CUT = 0.05
"""Share of a powder's volume in particles too large for the clip that is worth saying
(judgement)."""


LEADS = 1.0
"""R [ohm] below which leads and their contacts count (common practice, no source)."""


def own_remarks(plan: Stages) -> tuple[str, ...]:
    """Say what may mislead in one mix."""
    groups = (_box_remarks, _contact_remarks, _film_remarks, _placement_remarks)
    return tuple(line for group in (*groups, _reading_remarks) for line in group(plan))


def _box_remarks(plan: Stages) -> Iterator[str]:
    median = plan.median_diameter
    small = [b for b in plan.box_lengths if b < 8.0 * median * (1 - 1e-9)]
    if small:
        edges = ", ".join(length(b) for b in small)
        yield f"boxes of {edges} are below 8 median diameters and conduct too well"
    diameters = plan.film.thickness / median
    if not plan.is_thin and diameters < 60.0:
        yield (
            f"the boxes have no free faces; those of a film {diameters:.0f} diameters"
            " thick raise its resistance by 2 to 10 %, most near the threshold"
        )


def _contact_remarks(plan: Stages) -> Iterator[str]:
    """Where contacts clamp, and what the data files say of a powder is against the plan."""
    if plan.contacts.model == "opening":
        # smallest stretch across the current; below 1 contacts there clamp
        across = [
            (row[i], state)
            for state in plan.states(max(plan.weight_fractions))
            for i, row in enumerate(state.gradient)
            if i != state.axis
        ]
        stretch, state = min(across, key=lambda pair: pair[0])
        closing = stretch - 1.0
        if closing < -1e-4:
            yield (
                f"at {1e6 * state.strain:.0f} microstrain and"
                f" {format_quantity(state.temperature, 'temperature')} the film is"
                f" {-1e6 * closing:.0f} microstrain thinner or narrower than where its"
                " contacts are pressed shut; contacts across the current are then fully"
                " closed and respond no further"
            )
    powder = plan.powder
    if powder.unforeseeable:
        yield (
            f"threshold not foreseeable, measure it: {powder.unforeseeable}; no loading"
            " is decided before films were read"
        )
    known, g0 = powder.g0, plan.g0
    if plan.contacts.model != "opening" or known is None or g0.basis != "assumed":
        return
    if not known.low <= g0.value <= known.high:
        low, value, high = (
            format_quantity(x, "conductance") for x in (known.low, g0.value, known.high)
        )
        yield (
            f"contacts.g0 = '{value}' is assumed outside of what such powder has, {low}"
            f" to {high} ({known.basis}: {known.source})"
        )


def _film_remarks(plan: Stages) -> Iterator[str]:
    part = plan.temperature.part_thermal_expansion
    if plan.strain.mounting != "free" and part is None and len(plan.temperatures) > 1:
        yield (
            "temperature.part_thermal_expansion is not given: R(T) is computed as if no"
            " part held the film"
        )
    yield from size_cuts(plan.fillers)
    if plan.film.thickness < plan.largest_particle:
        yield (
            f"the film, {length(plan.film.thickness)} thick, is thinner"
            f" than the largest particles, {length(plan.largest_particle)};"
            " they lie flatter than the plan says"
        )


def size_cuts(fillers: Sequence[Filler]) -> tuple[str, ...]:
    """Where the cut of a log-normal law takes away more than its tail, one a powder."""
    out = []
    for filler in fillers:
        law = filler.size
        lost = law.volume_beyond_clip
        if lost > LARGE_CUT:
            d90 = length(float(law.quantile(0.9, power=3.0)))
            out.append(
                f"{filler.name} without its largest {100 * lost:.0f} % by volume: sizes"
                f" end at {length(law.bounds[1])}, 90 % of the rest lie below {d90};"
                " a histogram (csv) is taken whole"
            )
    return tuple(out)


def threshold_remark(placement: PlacementSection) -> str:
    """Where boxes differ from what the threshold is grown with; empty if nowhere."""
    used = {"hard": placement.impenetrable > 0.0, "clustered": placement.clustered > 0.0}
    words = " and ".join(word for word in used if used[word])
    if not words:
        return ""
    return (
        "the percolation threshold is grown with particles that overlap and are"
        f" dispersed at random, the boxes hold {words} ones; take the distance from the"
        " threshold as a guide only"
    )


def _placement_remarks(plan: Stages) -> Iterator[str]:
    placement = plan.placement
    remark = threshold_remark(placement)
    if remark:
        yield remark
    if placement.faces == "confining" and not plan.is_thin:
        yield (
            "faces = 'confining' has no effect, the film is simulated without faces;"
            f" one of up to {length(THIN_FILM * max(plan.box_lengths))} would have"
            " them"
        )


def _reading_remarks(plan: Stages) -> Iterator[str]:
    """Where temperatures or the supply are outside of what is known."""
    low, high = ELASTOMER_LIMITS
    beyond = [t for t in plan.temperatures if not low <= t <= high]
    if beyond:
        listed = ", ".join(format_quantity(t, "temperature") for t in beyond)
        yield (
            f"{listed}: outside the range in which silicone elastomers serve and their"
            f" data hold, {format_quantity(low, 'temperature')} to"
            f" {format_quantity(high, 'temperature')} (data-sheet practice, from"
            " memory); R there is extrapolated physics"
        )
    asked = plan.target.resistance
    if asked and asked[1] < LEADS and plan.film.layout != "four-terminal":
        yield (
            f"R up to {format_quantity(asked[1], 'resistance')} is asked by two terminals:"
            " leads and electrodes add as much; read it by four"
        )
    if plan.supply is None:
        return
    for kind, name, theirs in (
        ("voltage", "voltage", "supply"),
        ("resistance", "series_resistor", "series_resistor"),
    ):
        own, other = getattr(plan.supply, name), getattr(plan.target, theirs)
        if own is not None and other is not None and own != other:
            yield (
                f"supply.{name} = '{format_quantity(own, kind)}' and"
                f" target.{theirs} = '{format_quantity(other, kind)}' differ; that"
                " of [supply] is used throughout"
            )
