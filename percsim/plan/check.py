"""What only shows when keys are read together; keys at fault already stay out of it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np

from percsim.film.cycled import CycledFilms
from percsim.film.protocol import CREEP_TIMES
from percsim.plan.check_layers import check_part, check_sheet, name_is_known
from percsim.plan.check_rows import check_measured
from percsim.plan.mixes import Mixes
from percsim.plan.patches import check_patches
from percsim.plan.read import MIX, Reading
from percsim.plan.sections.ask import OF_CYCLES, ExploreSection
from percsim.plan.sections.film import OF_LAYOUT
from percsim.plan.sections.mix import ContactsSection, FillerSection
from percsim.plan.sections.section import reader_of
from percsim.plan.write import length
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity

__all__ = ["OF_OPENING", "check_plan"]

MOST_CANDIDATES = 2000
"""More are refused: judging them would take longer than most boxes do."""

OF_OPENING = (
    "g0", "beta", "delta_b", "opening_length", "Ea", "reclose", "healed", "recovery",
    "relaxed",
)  # fmt: skip
_OF_AFFINE = ("barrier_height", "contact_area")
"""Keys of [contacts] that only one of the two models reads."""

_OF_LAYOUT = {
    "fingers": "fingers",
    "overlap": "fingers",
    "sense_spacing": "four-terminal",
}
"""Keys of [film] that only one layout reads."""


def check_plan(plan: Mixes, reading: Reading) -> None:
    """Add the faults that no single key has, then those of single mixes."""
    _check_sections(plan, reading)
    if not reading.faults:
        _check_axes(plan, reading)
    if reading.faults or not plan.axes:
        return
    for mix in plan.mixes:
        own = Reading(plan.name)
        _check_sections(mix, own)
        where = f"with {mix.mix_words(tuple(plan.axes))}"
        for key, what in own.faults:
            reading.fault("explore", f"{where}: {key} {what}")


def _check_sections(plan: Mixes, reading: Reading) -> None:
    checks: tuple[Callable[[Mixes, Reading], None], ...] = (
        _check_fillers, _check_shares, _check_elastomer, _check_loadings, _check_lengths,
        _check_layout, _check_boxes, _check_contacts, _check_placement, _check_clusters,
        _check_faces, _check_states, _check_strains, _check_cycles, _check_target,
        _check_batch, check_sheet, check_part, check_patches, check_measured,
    )  # fmt: skip
    for check in checks:
        check(plan, reading)


def _check_axes(plan: Mixes, reading: Reading) -> None:
    """Add what is wrong with the axes of a plan that is sound as written."""
    fault, boxes = reading.fault, plan.boxes
    if boxes.most is not None and boxes.most < boxes.count:
        what = f"= {boxes.most} is below boxes.count = {boxes.count}, which every loading"
        fault("boxes.most", f"{what} gets")
    if plan.n_candidates > MOST_CANDIDATES:
        fault(
            "explore",
            f"asks for {plan.n_candidates} candidates; at most {MOST_CANDIDATES} are"
            " judged, so list fewer values and refine around the best",
        )
    if "diameter" in plan.axes:
        sizes = plan.filler[0].diameter or plan.filler[0].length
        if sizes is not None and sizes.sieve is not None:
            fault(
                "explore.diameter",
                "does not go with a sieve, whose meshes stay while the sizes move; leave"
                " the sieve out",
            )
    if "aspect_ratio" in plan.axes:
        shaped = [k for k, f in enumerate(plan.fillers) if f.kind != "sphere"]
        if not shaped:
            fault("explore.aspect_ratio", "does not belong to spheres")
        elif plan.filler[shaped[0]].thickness is not None:
            fault(
                "explore.aspect_ratio",
                "does not go with filler.thickness, which fixes it; give"
                " filler.aspect_ratio",
            )


# ------------------------------------------------------------------------------------------
# What is mixed
# ------------------------------------------------------------------------------------------


def _check_fillers(plan: Mixes, reading: Reading) -> None:
    for i, section in enumerate(plan.filler, 1):
        key = f"filler[{i}]" if len(plan.filler) > 1 else "filler"
        if not reading.usable("filler.material"):
            return
        if not name_is_known(reading, f"{key}.material", section.material, "filler"):
            continue
        if not reading.usable("filler.kind"):
            continue
        if not _check_shape(section, reading, key):
            reading.bad.add("filler.shape")
        elif not any(bad.startswith("filler") for bad in reading.bad):
            try:
                section.filler()
            except ValueError as error:
                reading.fault(key, f"cannot be made: {error}", spoils="filler.shape")


def _check_shape(section: FillerSection, reading: Reading, key: str) -> bool:
    """Whether the keys given fit the kind of particle."""
    before = len(reading.faults)
    known, kind = section.material is not None, section.shape()
    size, other = ("length", "diameter") if kind == "rod" else ("diameter", "length")

    def fault(name: str, what: str) -> None:
        reading.fault(f"{key}.{name}", what)

    given = {*section.given(), *(k for k in section.keys() if f"filler.{k}" in reading.bad)}
    shapes = {"aspect_ratio", "thickness"} & given
    if other in given:
        fault(other, f"is not a size of a {kind}; give {size}")
    elif size not in given and not known:
        fault(size, f"is missing; write it like {size} = {{ median = \"10 um\","
              " geometric_spread = 1.5 } or name a material")  # fmt: skip
    if "density" not in given and not known:
        reading.missing(f"{key}.density", " or name a material")
    if kind == "sphere":
        for name in sorted(shapes):
            fault(name, "does not belong to a sphere")
        # isotropic is what every sphere is
        if section.orientation != "isotropic":
            fault("orientation", "does not belong to a sphere, which lies no way")
        if section.tilt > 0.0:
            fault("tilt", "does not belong to a sphere")
    elif len(shapes) == 2:
        fault("thickness", "and aspect_ratio say the same thing twice; give one of them")
    elif not shapes and not known:
        reading.missing(f"{key}.aspect_ratio", ", or give a thickness")
    elif section.tilt > 0.0 and reading.usable("filler.orientation"):
        _check_lie(section, kind, "tilt", fault)
    if section.order is not None and reading.usable("filler.orientation", "filler.tilt"):
        _check_lie(section, kind, "order", fault)
    return len(reading.faults) == before


def _check_lie(
    section: FillerSection, kind: str, name: str, fault: Callable[[str, str], None]
) -> None:
    """Tilt or order against the orientation that it belongs to."""
    if section.orientation == "isotropic":
        fault(name, "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'")
    elif name == "order" and section.tilt > 0.0:
        fault("order", "is there besides tilt; give one of them")
    elif name == "order" and kind == "rod" and section.orientation == "in-plane":
        fault("order", "is about the current; in-plane rods take a tilt")


def _check_shares(plan: Mixes, reading: Reading) -> None:
    if len(plan.filler) < 2 or not reading.usable("filler.share"):
        return
    missing = [i for i, s in enumerate(plan.filler, 1) if s.share is None]
    for i in missing:
        what = 'is missing; with several fillers write share = "50 %"'
        reading.fault(f"filler[{i}].share", what, spoils="filler.share")
    total = sum(s.share or 0.0 for s in plan.filler)
    if not missing and abs(total - 1.0) > 1e-6:
        what = f"has shares that add up to {100 * total:.4g} %; they must make 100 %"
        reading.fault("filler", what, spoils="filler.share")


def _check_elastomer(plan: Mixes, reading: Reading) -> None:
    section = plan.elastomer
    if not reading.usable("elastomer"):
        return
    if not name_is_known(reading, "elastomer.material", section.material, "elastomer"):
        return
    unknown = section.density is None and section.material is None
    if unknown and reading.usable("elastomer.density"):
        reading.missing("elastomer.density", " or name a material")
        reading.bad.add("elastomer.density")


def _check_loadings(plan: Mixes, reading: Reading) -> None:
    explore, loading = plan.explore, "explore.weight_fraction"
    ways = ("weight_fraction", "phr", "mass_ratio")
    if not reading.usable(*(f"explore.{way}" for way in ways)):
        return
    given = [way for way in ways if way in explore.given()]
    if len(given) != 1:
        reading.bad.add(loading)
        if given:
            what = f"is there besides {given[0]}; give one of them"
            reading.fault(f"explore.{given[1]}", what)
        else:
            some = ["22 wt%", "26 wt%"]
            reading.missing(loading, ", or give phr or mass_ratio", like=some)
        return
    way, counts, key = given[0], explore.curing_agent_counts, "explore.curing_agent_counts"
    if way == "weight_fraction" and counts is False:
        reading.fault(
            key,
            "= false does not go with weight_fraction, which is of the cured film with its"
            " curing agent; use phr or mass_ratio",
        )
        return
    if not reading.usable(key):
        return
    if way != "weight_fraction" and counts is None:
        reading.fault(
            key,
            f"is missing; with {way} say true (of base and curing agent) or false (of base"
            " alone)",
            spoils=loading,
        )
    elif reading.usable(*MIX):
        written = reader_of(ExploreSection, way).write(getattr(explore, way))
        for weight, word in zip(plan.weight_fractions, written, strict=True):
            fault = plan.loading_fault(weight, word)
            if fault:
                reading.fault(f"explore.{way}", fault, spoils=loading)


# ------------------------------------------------------------------------------------------
# Film and boxes
# ------------------------------------------------------------------------------------------


def _check_lengths(plan: Mixes, reading: Reading) -> None:
    film, gap_key = plan.film, "explore.electrode_gap"
    for gap in plan.electrode_gaps if reading.usable("film.length", gap_key) else ():
        if gap > film.length:
            reading.fault(gap_key, film.too_long(gap))
    if not reading.usable("film", *MIX):
        return
    largest, median = plan.largest_particle, plan.median_diameter
    body = plan.fillers[0].kind
    for gap in plan.electrode_gaps if reading.usable(gap_key) else ():
        if gap < largest:
            reading.fault(
                gap_key,
                f"= '{length(gap)}' is shorter than the largest {body},"
                f" {length(largest)}, which would bridge it",
            )
    for name in ("thickness", "width"):
        value = getattr(film, name)
        if reading.usable(f"film.{name}") and value < median:
            reading.fault(
                f"film.{name}",
                f"= '{length(value)}' is less than the median {body}, {length(median)}",
            )


def _check_layout(plan: Mixes, reading: Reading) -> None:
    """Refuse electrodes that overlap, do not fit, or are not fully said."""
    film = plan.film
    if not reading.usable("film.*"):
        return
    before, layout = len(reading.faults), film.layout

    def fault(name: str, what: str) -> None:
        reading.fault(f"film.{name}", what)

    given = film.given()
    for name, other in _OF_LAYOUT.items():
        if other != layout and name in given:
            fault(name, f"belongs to layout = {other!r}, not to {layout!r}")
    for name in OF_LAYOUT[layout]:
        if name not in given:
            reading.missing(f"film.{name}", f", for layout = {layout!r}")
    for name in ("electrodes", "electrode_length"):
        if layout == "end plates" and name in given:
            fault(name, "does not belong to layout = 'end plates'")
    if layout == "four-terminal" and film.electrodes == "embedded":
        fault(
            "electrodes",
            "= 'embedded' would lead all current through the sensing bars, which then read"
            " their contacts as two bars do; use electrodes = 'surface'",
        )
    if len(reading.faults) > before or not reading.usable("explore.electrode_gap"):
        return
    for gap in plan.electrode_gaps:
        if gap <= film.length:  # else told already
            try:
                plan.layout.check(gap, film.width, film.thickness, film.length)
            except ValueError as error:
                fault("layout", f"= {layout!r}: {error}")


def _check_boxes(plan: Mixes, reading: Reading) -> None:
    if not reading.usable("boxes.lengths", *MIX):
        return
    largest, lengths = plan.largest_particle, plan.box_lengths
    for edge in lengths:
        if edge < largest:
            reading.fault(
                "boxes.lengths",
                f"has a box of {length(edge)}, smaller than the largest"
                f" {plan.fillers[0].kind}, {length(largest)}",
            )
    for a, b in pairwise(lengths):
        if b < 1.05 * a:
            what = f"has boxes of {length(a)} and {length(b)};"
            reading.fault("boxes.lengths", f"{what} make them differ by 5 % or more")


# ------------------------------------------------------------------------------------------
# Contacts and placement
# ------------------------------------------------------------------------------------------


def _check_contacts(plan: Mixes, reading: Reading) -> None:
    """Refuse keys that the model would not read."""
    section = plan.contacts
    if not reading.usable("contacts.model"):
        return
    if section.model == "affine":
        other = "opening"
        strangers = [k for k in OF_OPENING if f"contacts.{k}" in reading.given]
    else:
        # a filled-in plan says the defaults of these too, and means nothing by it
        other, usual = "affine", ContactsSection()
        strangers = [k for k in _OF_AFFINE if getattr(section, k) != getattr(usual, k)]
    for name in strangers:
        what = f"belongs to model = {other!r}, not to {section.model!r}"
        reading.fault(f"contacts.{name}", what)


def _check_placement(plan: Mixes, reading: Reading) -> None:
    if not reading.usable("placement"):
        return
    p, diameter = plan.placement, "placement.cluster_diameter"
    if p.clustered == 0.0 and p.cluster_diameter is not None:
        if reading.usable("placement.clustered"):
            what = 'needs a share of the particles, written like clustered = "30 %"'
            reading.fault(diameter, what)
    elif p.clustered > 0.0 and p.cluster_diameter is None and reading.usable(diameter):
        reading.missing(diameter)
    if p.impenetrable == 1.0 and reading.usable("contacts.cutoff"):
        if plan.contacts.cutoff == 0.0:
            reading.fault(
                "contacts.cutoff",
                "= '0 nm' leaves particles that are impenetrable throughout without a"
                " single contact; leave it out or give a gap",
            )


def _check_clusters(plan: Mixes, reading: Reading) -> None:
    if not reading.usable("placement", "boxes", *MIX) or plan.clusters is None:
        return
    clusters, key = plan.clusters, "placement.cluster_diameter"
    written = f"= '{length(clusters.diameter)}'"
    for filler in plan.fillers:
        try:
            clusters.members(filler, 3)
        except ValueError:
            reading.fault(
                key,
                f"{written} with cluster_solids = {clusters.solids:g} holds fewer than two"
                f" particles of {filler.name}",
            )
    smallest = min(plan.box_lengths)
    if reading.usable("boxes.lengths") and clusters.diameter > smallest:
        what = f"{written} is more than the shortest box, {length(smallest)};"
        reading.fault(key, f"{what} make the boxes longer")


def _check_faces(plan: Mixes, reading: Reading) -> None:
    """Refuse particles that the faces of the film leave no room for."""
    if not reading.usable("film.thickness", "placement", *MIX):
        return
    p, thickness, largest = plan.placement, plan.film.thickness, plan.largest_particle
    if p.impenetrable > 0.0 and p.faces == "free" and thickness < largest:
        reading.fault(
            "placement.impenetrable",
            f"= {p.impenetrable:g} needs faces = 'confining' or a film at least as thick as"
            f" the largest particles, {length(largest)}; it is"
            f" {length(thickness)} thick",
        )
    for filler in plan.fillers if p.faces == "confining" else ():
        if filler.kind == "sphere" and filler.largest > thickness:
            reading.fault(
                "placement.faces",
                f"= 'confining': {filler.name} of up to {length(filler.largest)} does"
                f" not fit into a film {length(thickness)} thick",
            )


# ------------------------------------------------------------------------------------------
# Strains, temperatures, target, batch
# ------------------------------------------------------------------------------------------


def _check_states(plan: Mixes, reading: Reading) -> None:
    """Refuse states in which contacts would be more closed than in the reference state."""
    if not reading.usable(
        "explore.weight_fraction", "explore.phr", "explore.mass_ratio",
        "explore.curing_agent_counts", "strain.window", "temperature.values",
        "contacts.closed_at", "contacts.lambda_T", "contacts.model", *MIX,
    ) or plan.contacts.model != "opening":  # fmt: skip
        return
    thermal = plan.thermal(max(plan.weight_fractions))
    shut = f"'{format_quantity(thermal.closed_at, 'temperature')}'"
    if plan.strain.mounting == "free" and plan.strain.bonded_at != ROOM_TEMPERATURE:
        what = "needs mounting = 'bonded' or 'biaxial', not 'free'"
        reading.fault("strain.bonded_at", what)
    if thermal.bond is not None and thermal.bond.bonded_at < thermal.closed_at:
        reading.fault(
            "strain.bonded_at",
            f"= '{format_quantity(thermal.bond.bonded_at, 'temperature')}' is colder than"
            f" contacts.closed_at, {shut}, where the contacts are pressed shut; bond the"
            " film at that temperature or above",
        )
        return
    strain, temperature = plan.window_strains[0], min(plan.temperatures)
    stretch = (1.0 + plan.coldest_swelling) * (1.0 + strain)
    if stretch >= 1.0 - 1e-12:
        return
    advice = "with lambda_T = 0 nothing holds the contacts open; do not compress"
    if thermal.share * thermal.expansion > 0.0:
        colder = plan.closed_for(strain)
        advice = f"set it to '{colder} C' or colder"
        if colder is None:
            advice = "no temperature is cold enough; compress less"
    reading.fault(
        "contacts.closed_at",
        f"= {shut}: at {format_quantity(strain, 'strain')} and"
        f" {format_quantity(temperature, 'temperature')} the contacts are more closed than"
        f" in the reference state, stretched to {stretch:.6f}; {advice}",
    )


def _check_strains(plan: Mixes, reading: Reading) -> None:
    """Refuse a chord or a vibration beyond the strains computed."""
    if reading.usable("strain.window", "strain.chord") and plan.strain.chord is not None:
        (first, last), chord = plan.strain.window, plan.strain.chord
        if chord == 0.0 or not first <= chord <= last:
            reading.fault(
                "strain.chord",
                f"= {1e6 * chord:.6g} microstrain must be a strain of the window,"
                f" {1e6 * first:.6g} to {1e6 * last:.6g} microstrain, other than zero",
            )
    if not reading.usable("vibration", "strain") or plan.vibration_cycle is None:
        return
    mean, amplitude = plan.vibration_cycle
    lowest, highest = mean - amplitude, mean + amplitude
    low, high = plan.window_strains[0], plan.window_strains[-1]
    slack = 1e-9 * (high - low)  # room for the last digit of a sum
    if lowest < low - slack or highest > high + slack:
        reading.fault(
            "vibration",
            f"runs from {1e6 * lowest:.6g} to {1e6 * highest:.6g} microstrain, outside of"
            f" what is computed, {1e6 * low:.6g} to {1e6 * high:.6g}; widen strain.window"
            " or vibrate less",
        )


def _check_cycles(plan: Mixes, reading: Reading) -> None:
    """Refuse a path beside other keys, or beyond what is computed."""
    section = plan.cycles
    if not reading.usable("cycles"):
        return
    others = [name for name in section.given() if name != "path"]
    if section.path is not None and others:
        reading.fault("cycles.path", f"is there besides {others[0]}; give one of them")
        return
    if section.path is not None and not section.path.pulls:
        reading.fault("cycles.path", "holds no pull that is released again")
    if not reading.usable("strain.*", "temperature.*") or plan.chord_strain == 0.0:
        return
    path, where = plan.protocol, "cycles" if section.path is None else "cycles.path"
    for what, got, computed, unit, key in (
        ("strain", path.strains, plan.window_strains, "strain", "strain.window"),
        ("temperature", path.temperatures, plan.temperatures, "temperature",
         "temperature.values"),
    ):  # fmt: skip
        low, high = min(computed), max(computed)
        slack = 1e-9 * (high - low) + 1e-12
        if got.min() < low - slack or got.max() > high + slack:
            ends = (got.min(), got.max(), low, high)
            a, b, c, d = (format_quantity(float(x), unit) for x in ends)
            reading.fault(
                where,
                f"runs from {what} '{a}' to '{b}', outside of what is computed, '{c}' to"
                f" '{d}'; widen {key}",
            )


def _check_target(plan: Mixes, reading: Reading) -> None:
    """Refuse limits that supply and temperatures of the plan cannot answer."""
    if not reading.usable("target"):
        return
    supply, heating = plan.supply, "largest_self_heating_drift"
    if supply is not None and supply.lowest_frequency >= supply.bandwidth:
        ends = (supply.lowest_frequency, supply.bandwidth)
        low, high = (format_quantity(f, "frequency") for f in ends)
        what = f"= '{low}' must be below the bandwidth, '{high}'"
        reading.fault("supply.lowest_frequency", what)
    given = plan.target.given()
    limits = [name for name in (heating, "largest_thermal_output") if name in given]
    if heating in limits and supply is None:
        reading.fault(f"target.{heating}", "needs the section [supply]")
    if reading.usable("cycles"):
        _check_pulled(plan, reading, [name for name in OF_CYCLES if name in given])
    if reading.usable("temperature") and len(plan.temperatures) < 2:
        for name in limits:
            reading.fault(
                f"target.{name}",
                'needs two temperatures or more, written like values = ["0 C", "20 C",'
                ' "40 C"] under [temperature]',
            )


def _check_pulled(plan: Mixes, reading: Reading, limits: list[str]) -> None:
    """Refuse limits that the pulls of the plan do not tell of."""
    if not limits:
        return
    path = plan.protocol
    if not path.pulls:
        what = "needs a pull under [cycles], away from a strain and back"
        reading.fault(f"target.{limits[0]}", what)
        return
    films = CycledFilms(path, np.ones((1, len(path))))
    if len(films.whole) < 2:
        what = "needs two equal pulls or more under [cycles]; the first conditions the film"
        reading.fault(f"target.{limits[0]}", what)
    if "largest_zero_shift" in limits and not films.returns(films.first):
        what = "needs pulls under [cycles] that come back to where the film begins"
        reading.fault("target.largest_zero_shift", what)
    if "largest_drift" in limits and films.creep_time < CREEP_TIMES[-1]:
        what = "needs a pull under [cycles] that is held for 30 min or longer"
        reading.fault("target.largest_drift", what)


def _check_batch(plan: Mixes, reading: Reading) -> None:
    batch, ways = plan.batch, ("solvent_mass_ratio", "wet_thickness")
    if not reading.usable("batch"):
        return
    if batch.mass is not None and batch.films is not None:
        reading.fault("batch.mass", "is there besides films; give one of them")
    name_is_known(reading, "batch.solvent", batch.solvent, "solvent")
    given = [way for way in ways if way in batch.given()]
    if batch.solvent is None and reading.usable("batch.solvent"):
        for name in given:
            what = "needs batch.solvent, the name of the solvent"
            reading.fault(f"batch.{name}", what)
    elif len(given) == 2:
        what = "is there besides solvent_mass_ratio; give one"
        reading.fault("batch.wet_thickness", what)
    elif not given and reading.usable(*(f"batch.{way}" for way in ways)):
        reading.missing("batch.solvent_mass_ratio", ", or give wet_thickness")
    if batch.wet_thickness is None or not reading.usable("film.thickness"):
        return
    if batch.wet_thickness <= plan.film.thickness:
        reading.fault(
            "batch.wet_thickness",
            f"= '{length(batch.wet_thickness)}' must be above the dry thickness,"
            f" '{length(plan.film.thickness)}'",
        )
