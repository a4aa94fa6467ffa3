"""What only shows when sections are read together."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import TYPE_CHECKING

from percsim.plan.check_layers import _check_part, _check_sheet
from percsim.plan.check_rows import check_measured
from percsim.plan.materials import make_filler
from percsim.plan.read import Reading
from percsim.plan.sections import (
    ContactsSection,
    ExploreSection,
    FillerSection,
    FilmSection,
    reader_of,
)
from percsim.plan.usable import find_material, mixable
from percsim.states.temperature import ROOM_TEMPERATURE
from percsim.units import format_quantity

if TYPE_CHECKING:
    from percsim.plan.build import Plan


MOST_CANDIDATES = 2000
"""More are refused: judging them would take longer than most boxes do."""


def _length(value: float) -> str:
    return format_quantity(value, "length")


def cross_check(plan: Plan, reading: Reading) -> None:
    """Add the faults that no single key has; keys at fault already stay out of it."""
    checks: tuple[Callable[[Plan, Reading], None], ...] = (
        _check_fillers, _check_shares, _check_elastomer, _check_loadings, _check_lengths,
        _check_layout,
        _check_boxes, _check_contacts, _check_placement, _check_states, _check_reading,
        _check_batch, _check_sheet, _check_part, check_measured,
    )  # fmt: skip
    for check in checks:
        check(plan, reading)


def check_mixes(plan: Plan, reading: Reading) -> None:
    """Add what is wrong with single mixes of a plan that is sound as written."""
    if plan.boxes.most is not None and plan.boxes.most < plan.boxes.count:
        reading.fault(
            "boxes.most",
            f"= {plan.boxes.most} is below boxes.count = {plan.boxes.count}, which every"
            " loading gets",
        )
    if plan.n_candidates > MOST_CANDIDATES:
        counts = {
            "loadings": len(plan.weight_fractions), "gaps": len(plan.electrode_gaps),
            **{f"{name}s": len(values) for name, values in plan.axes.items()},
        }  # fmt: skip
        many = " x ".join(f"{n} {name.replace('_', ' ')}" for name, n in counts.items())
        reading.fault(
            "explore",
            f"asks for {plan.n_candidates} candidates ({many}); at most"
            f" {MOST_CANDIDATES} are judged, so list fewer values and refine around the"
            " best",
        )
    if "diameter" in plan.axes:
        sizes = plan.filler[0].diameter or plan.filler[0].length
        if sizes is not None and sizes.sieve is not None:
            reading.fault(
                "explore.diameter",
                "does not go with a sieve, whose meshes stay while the sizes move; leave"
                " the sieve out",
            )
    if "aspect_ratio" in plan.axes:
        shaped = [k for k, f in enumerate(plan.fillers) if f.kind != "sphere"]
        if not shaped:
            reading.fault("explore.aspect_ratio", "does not belong to spheres")
        elif plan.filler[shaped[0]].thickness is not None:
            reading.fault(
                "explore.aspect_ratio",
                "does not go with filler.thickness, which fixes it; give"
                " filler.aspect_ratio",
            )
    if reading.lines:
        return
    for mix in plan.mixes if plan.axes else ():
        own = Reading(plan.name)
        cross_check(mix, own)
        where = f"with {mix.mix_words(tuple(plan.axes))}"
        for line in own.lines:
            reading.fault("explore", f"{where}: {line.removeprefix(f'{plan.name}: ')}")


def _check_fillers(plan: Plan, reading: Reading) -> None:
    several = len(plan.filler) > 1
    for i, section in enumerate(plan.filler, 1):
        if section is None:
            continue
        key = f"filler[{i}]" if several else "filler"
        if reading.usable("filler.material"):
            before = len(reading.lines)
            material = find_material(reading, f"{key}.material", section.material, "filler")
            if len(reading.lines) > before:
                reading.bad |= {"filler.material"}
                continue
        else:
            continue
        if not reading.usable("filler.kind"):
            continue
        kind = section.kind or (material.shape if material else "flake")
        if not _check_shape(section, reading, key, kind, material is not None):
            reading.bad.add("filler.shape")
            continue
        if not any(bad.startswith("filler") for bad in reading.bad):
            try:
                make_filler(section)
            except ValueError as error:
                reading.fault(key, f"cannot be made: {error}")
                reading.bad.add("filler.shape")


def _check_shape(
    section: FillerSection, reading: Reading, key: str, kind: str, known: bool
) -> bool:
    """Whether the keys given fit the kind of particle."""
    sound = True
    size, other = ("length", "diameter") if kind == "rod" else ("diameter", "length")

    def fault(name: str, what: str) -> None:
        nonlocal sound
        reading.fault(f"{key}.{name}", what)
        sound = False

    given = {k for k in type(section).model_fields if getattr(section, k) is not None}
    given |= {k for k in type(section).model_fields if f"filler.{k}" in reading.bad}
    if other in given:
        fault(other, f"is not a size of a {kind}; give {size}")
    elif size not in given and not known:
        fault(size, f"is missing; write it like {size} = {{ median = \"10 um\","
              " geometric_spread = 1.5 } or name a material")  # fmt: skip
    if "density" not in given and not known:
        fault(
            "density", 'is missing; write it like density = "2250 kg/m3" or name a material'
        )
    if kind == "sphere":
        for name in sorted({"aspect_ratio", "thickness"} & given):
            fault(name, "does not belong to a sphere")
        # isotropic is what every sphere is
        if section.orientation != "isotropic":
            fault("orientation", "does not belong to a sphere, which lies no way")
        if section.tilt > 0.0:
            fault("tilt", "does not belong to a sphere")
    elif {"aspect_ratio", "thickness"} <= given:
        fault("thickness", "and aspect_ratio say the same thing twice; give one of them")
    elif not {"aspect_ratio", "thickness"} & given and not known:
        fault(
            "aspect_ratio",
            "is missing; write it like aspect_ratio = 15, or give a thickness",
        )
    elif (
        section.orientation == "isotropic"
        and section.tilt > 0.0
        and reading.usable("filler.orientation")
    ):
        fault(
            "tilt", "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'"
        )
    if section.order is not None and reading.usable("filler.orientation", "filler.tilt"):
        if section.orientation == "isotropic":
            fault(
                "order",
                "belongs to orientation = 'in-plane' or 'aligned', not to 'isotropic'",
            )
        elif section.tilt > 0.0:
            fault("order", "is there besides tilt; give one of them")
        elif kind == "rod" and section.orientation == "in-plane":
            fault("order", "is about the current; in-plane rods take a tilt")
    return sound


def _check_shares(plan: Plan, reading: Reading) -> None:
    if len(plan.filler) < 2 or any(s is None for s in plan.filler):
        return
    if not reading.usable("filler.share"):
        return
    missing = [i for i, s in enumerate(plan.filler, 1) if s.share is None]
    for i in missing:
        reading.fault(
            f"filler[{i}].share", 'is missing; with several fillers write share = "50 %"'
        )
    total = sum(s.share or 0.0 for s in plan.filler)
    if not missing and abs(total - 1.0) > 1e-6:
        reading.fault(
            "filler", f"has shares that add up to {100 * total:.4g} %; they must make 100 %"
        )
    if missing or abs(total - 1.0) > 1e-6:
        reading.bad.add("filler.share")


def _check_elastomer(plan: Plan, reading: Reading) -> None:
    section = plan.elastomer
    if section is None:
        return
    before = len(reading.lines)
    find_material(reading, "elastomer.material", section.material, "elastomer")
    if len(reading.lines) > before:
        return
    if (
        section.density is None
        and section.material is None
        and reading.usable("elastomer.density")
    ):
        reading.fault(
            "elastomer.density",
            'is missing; write it like density = "1030 kg/m3" or name a material',
        )
        reading.bad.add("elastomer.density")


DENSEST = math.pi / math.sqrt(18.0)
"""Share of space that equal spheres fill at their densest (Kepler; Hales 2005)."""


def _check_loadings(plan: Plan, reading: Reading) -> None:
    explore = plan.explore
    ways = ("weight_fraction", "phr", "mass_ratio")
    if explore is None or not reading.usable(*(f"explore.{w}" for w in ways)):
        return
    given = [w for w in ways if getattr(explore, w) is not None]
    if len(given) != 1:
        reading.bad.add("explore.weight_fraction")
        if not given:
            reading.fault(
                "explore.weight_fraction",
                'is missing; write it like weight_fraction = ["22 wt%", "26 wt%"], or give'
                " phr or mass_ratio",
            )
        else:
            reading.fault(
                f"explore.{given[1]}", f"is there besides {given[0]}; give one of them"
            )
        return
    way = given[0]
    counts = explore.curing_agent_counts
    if way == "weight_fraction" and counts is False:
        reading.fault(
            "explore.curing_agent_counts",
            "= false does not go with weight_fraction, which is of the cured film with its"
            " curing agent; use phr or mass_ratio",
        )
        return
    if (
        way != "weight_fraction"
        and counts is None
        and reading.usable("explore.curing_agent_counts")
    ):
        reading.bad.add("explore.weight_fraction")
        reading.fault(
            "explore.curing_agent_counts",
            f"is missing; with {way} say true (of base and curing agent) or false (of base"
            " alone)",
        )
        return
    if not mixable(reading) or not reading.usable("explore.curing_agent_counts"):
        return
    for weight, written in zip(
        plan.weight_fractions,
        reader_of(ExploreSection, way).write(getattr(explore, way)),
        strict=True,
    ):
        fault = plan.loading_fault(weight, written)
        if fault:
            reading.fault(f"explore.{way}", fault)
            reading.bad.add("explore.weight_fraction")


def _check_lengths(plan: Plan, reading: Reading) -> None:
    film, explore = plan.film, plan.explore
    if film is None:
        return
    if explore is not None and reading.usable("film.length", "explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap > film.length:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{_length(gap)}' is longer than the film,"
                    f" film.length = '{_length(film.length)}'",
                )
    if not mixable(reading):
        return
    largest = plan.largest_particle
    body = plan.fillers[0].kind
    if explore is not None and reading.usable("explore.electrode_gap"):
        for gap in explore.electrode_gap:
            if gap < largest:
                reading.fault(
                    "explore.electrode_gap",
                    f"= '{_length(gap)}' is shorter than the largest {body},"
                    f" {_length(largest)}, which would bridge it",
                )
    median = plan.median_diameter
    for name in ("thickness", "width"):
        if reading.usable(f"film.{name}") and getattr(film, name) < median:
            reading.fault(
                f"film.{name}",
                f"= '{_length(getattr(film, name))}' is less than the median"
                f" {body}, {_length(median)}",
            )


_OF_LAYOUT = {
    "fingers": ("fingers", "overlap"),
    "four-terminal": ("sense_spacing",),
}
"""Keys of [film] that only one layout reads."""

_NEEDED = {
    "fingers": {"fingers": "6", "electrode_length": '"0.5 mm"'},
    "four-terminal": {"electrode_length": '"1 mm"', "sense_spacing": '"1 mm"'},
}
"""Keys of [film] that a layout cannot do without, and an example."""


def _check_layout(plan: Plan, reading: Reading) -> None:
    """Refuse electrodes that overlap, do not fit, or are not fully said."""
    film = plan.film
    keys = [f"film.{k}" for k in FilmSection.model_fields]
    if film is None or not reading.usable(*keys):
        return
    before = len(reading.lines)
    for layout, names in _OF_LAYOUT.items():
        for name in names:
            if layout != film.layout and getattr(film, name) is not None:
                reading.fault(
                    f"film.{name}",
                    f"belongs to layout = {layout!r}, not to {film.layout!r}",
                )
    for name, example in _NEEDED.get(film.layout, {}).items():
        if getattr(film, name) is None:
            reading.fault(
                f"film.{name}",
                f"is missing with layout = {film.layout!r}; write it like {name} ="
                f" {example}",
            )
    if film.layout == "end plates":
        for name in ("electrodes", "electrode_length"):
            if getattr(film, name) is not None:
                reading.fault(f"film.{name}", "does not belong to layout = 'end plates'")
    if film.layout == "four-terminal" and film.electrodes == "embedded":
        reading.fault(
            "film.electrodes",
            "= 'embedded' would lead all current through the sensing bars, which then read"
            " their contacts as two bars do; use electrodes = 'surface'",
        )
    if len(reading.lines) > before or plan.explore is None:
        return
    if not reading.usable("explore.electrode_gap"):
        return
    for gap in plan.electrode_gaps:
        if gap > film.length:
            continue  # told already
        try:
            plan.layout.check(gap, film.width, film.thickness, film.length)
        except ValueError as error:
            reading.fault("film.layout", f"= {film.layout!r}: {error}")


def _check_boxes(plan: Plan, reading: Reading) -> None:
    if plan.boxes is None or not reading.usable("boxes.lengths") or not mixable(reading):
        return
    largest = plan.largest_particle
    for length in plan.box_lengths:
        if length < largest:
            reading.fault(
                "boxes.lengths",
                f"has a box of {_length(length)}, smaller than the largest"
                f" {plan.fillers[0].kind}, {_length(largest)}",
            )
    lengths = plan.box_lengths
    for a, b in pairwise(lengths):
        if b < 1.05 * a:
            reading.fault(
                "boxes.lengths",
                f"has boxes of {_length(a)} and {_length(b)};"
                " make them differ by 5 % or more",
            )


OF_OPENING = ("g0", "beta", "delta_b", "opening_length", "Ea")
_OF_AFFINE = ("barrier_height", "contact_area")
"""Keys of [contacts] that only one of the two models reads."""


def _check_contacts(plan: Plan, reading: Reading) -> None:
    """Refuse keys that the model would not read."""
    section = plan.contacts
    if section is None or not reading.usable("contacts.model"):
        return
    if section.model == "affine":
        other, strangers = (
            "opening",
            [k for k in OF_OPENING if k in section.model_fields_set],
        )
    else:
        # a filled-in plan says the defaults of these too, and means nothing by it
        usual = ContactsSection()
        other = "affine"
        strangers = [k for k in _OF_AFFINE if getattr(section, k) != getattr(usual, k)]
    for name in strangers:
        reading.fault(
            f"contacts.{name}", f"belongs to model = {other!r}, not to {section.model!r}"
        )


def _check_placement(plan: Plan, reading: Reading) -> None:
    p = plan.placement
    if p is None:
        return
    if p.clustered == 0.0 and p.cluster_diameter is not None:
        if reading.usable("placement.clustered"):
            reading.fault(
                "placement.cluster_diameter",
                'needs a share of the particles, written like clustered = "30 %"',
            )
    elif p.clustered > 0.0 and p.cluster_diameter is None:
        if reading.usable("placement.cluster_diameter"):
            reading.fault(
                "placement.cluster_diameter",
                'is missing; write it like cluster_diameter = "40 um"',
            )
    if p.impenetrable == 1.0 and plan.contacts is not None:
        cutoff = plan.contacts.cutoff
        if cutoff == 0.0 and reading.usable("contacts.cutoff"):
            reading.fault(
                "contacts.cutoff",
                "= '0 nm' leaves particles that are impenetrable throughout without a"
                " single contact; leave it out or give a gap",
            )
    if not mixable(reading):
        return
    if reading.usable("boxes") and plan.boxes is not None and plan.clusters is not None:
        _check_clusters(plan, reading)
    if plan.film is None or not reading.usable("film.thickness", "placement"):
        return
    thickness, largest = plan.film.thickness, plan.largest_particle
    if p.impenetrable > 0.0 and p.faces == "free" and thickness < largest:
        reading.fault(
            "placement.impenetrable",
            f"= {p.impenetrable:g} needs faces = 'confining' or a film at least as thick as"
            f" the largest particles, {_length(largest)}; it is {_length(thickness)} thick",
        )
    if p.faces == "confining":
        for filler in plan.fillers:
            if filler.kind == "sphere" and filler.largest > thickness:
                reading.fault(
                    "placement.faces",
                    f"= 'confining': {filler.name} of up to {_length(filler.largest)} does"
                    f" not fit into a film {_length(thickness)} thick",
                )


def _check_clusters(plan: Plan, reading: Reading) -> None:
    clusters = plan.clusters
    assert clusters is not None
    for filler in plan.fillers:
        try:
            clusters.members(filler, 3)
        except ValueError:
            reading.fault(
                "placement.cluster_diameter",
                f"= '{_length(clusters.diameter)}' with cluster_solids ="
                f" {clusters.solids:g} holds fewer than two particles of {filler.name}",
            )
    smallest = min(plan.box_lengths)
    if reading.usable("boxes.lengths") and clusters.diameter > smallest:
        reading.fault(
            "placement.cluster_diameter",
            f"= '{_length(clusters.diameter)}' is more than the shortest box,"
            f" {_length(smallest)}; make the boxes longer",
        )


def _check_states(plan: Plan, reading: Reading) -> None:
    """Refuse states in which contacts would be more closed than in the reference state."""
    keys = ("strain", "temperature", "contacts", "explore")
    if any(getattr(plan, k) is None for k in keys) or not mixable(reading):
        return
    if plan.contacts.model != "opening" or not reading.usable(
        "explore.weight_fraction", "explore.phr", "explore.mass_ratio",
        "explore.curing_agent_counts",
        "strain.window", "temperature.values", "contacts.closed_at", "contacts.lambda_T",
        "contacts.model",
    ):  # fmt: skip
        return
    thermal = plan.thermal(max(plan.weight_fractions))
    share, closed = thermal.share, thermal.closed_at
    if plan.strain.mounting == "free" and plan.strain.bonded_at != ROOM_TEMPERATURE:
        reading.fault(
            "strain.bonded_at", "needs mounting = 'bonded' or 'biaxial', not 'free'"
        )
    if thermal.bond is not None and thermal.bond.bonded_at < closed:
        at, shut = (
            format_quantity(t, "temperature") for t in (thermal.bond.bonded_at, closed)
        )
        reading.fault(
            "strain.bonded_at",
            f"= '{at}' is colder than contacts.closed_at, '{shut}', where the contacts are"
            " pressed shut; bond the film at that temperature or above",
        )
        return
    strain, temperature = plan.window_strains[0], min(plan.temperatures)
    swelling = plan.coldest_swelling
    stretch = (1.0 + swelling) * (1.0 + strain)
    if stretch >= 1.0 - 1e-12:
        return
    warming = (
        f"1 {swelling:+.4g}"
        if thermal.bond is not None
        else f"1 + {share:g} x {format_quantity(thermal.expansion, 'expansion', digits=3)}"
        f" x {temperature - closed:.4g} K"
    )
    numbers = f"({warming}) x (1 {strain:+.4g}) = {stretch:.6f}, below 1"
    if share * thermal.expansion > 0.0:
        colder = plan.closed_for(strain)
        advice = (
            "no temperature is cold enough; compress less"
            if colder is None
            else f"set it to '{colder:d} C' or colder"
        )
    else:
        advice = "with lambda_T = 0 nothing holds the contacts open; do not compress"
    reading.fault(
        "contacts.closed_at",
        f"= '{format_quantity(closed, 'temperature')}': at"
        f" {format_quantity(strain, 'strain')} and"
        f" {format_quantity(temperature, 'temperature')} the contacts are more closed than"
        f" in the reference state, {numbers}; {advice}",
    )


def _check_reading(plan: Plan, reading: Reading) -> None:
    """Refuse what the strains and temperatures of the plan cannot answer."""
    supply, target = plan.supply, plan.target
    if reading.usable("strain.window", "strain.chord") and plan.strain.chord is not None:
        (first, last), chord = plan.strain.window, plan.strain.chord
        if chord == 0.0 or not first <= chord <= last:
            reading.fault(
                "strain.chord",
                f"= {1e6 * chord:.6g} microstrain must be a strain of the window,"
                f" {1e6 * first:.6g} to {1e6 * last:.6g} microstrain, other than zero",
            )
    if plan.vibration is not None and reading.usable("vibration", "strain"):
        cycle = plan.vibration_cycle
        assert cycle is not None
        mean, amplitude = cycle
        low, high = plan.window_strains[0], plan.window_strains[-1]
        # room for the last digit of a sum
        slack = 1e-9 * (high - low)
        if mean - amplitude < low - slack or mean + amplitude > high + slack:
            reading.fault(
                "vibration",
                f"runs from {1e6 * (mean - amplitude):.6g} to"
                f" {1e6 * (mean + amplitude):.6g} microstrain, outside of what is computed,"
                f" {1e6 * low:.6g} to {1e6 * high:.6g}; widen strain.window or vibrate"
                " less",
            )
    if target is None:
        return
    if (
        supply is not None
        and reading.usable("supply")
        and supply.lowest_frequency >= supply.bandwidth
    ):
        reading.fault(
            "supply.lowest_frequency",
            f"= '{format_quantity(supply.lowest_frequency, 'frequency')}' must be below the"
            f" bandwidth, '{format_quantity(supply.bandwidth, 'frequency')}'",
        )
    if target.largest_self_heating_drift is not None and supply is None:
        reading.fault("target.largest_self_heating_drift", "needs the section [supply]")
    for name in ("largest_self_heating_drift", "largest_thermal_output"):
        if (
            getattr(target, name) is not None
            and reading.usable("temperature")
            and len(plan.temperatures) < 2
        ):
            reading.fault(
                f"target.{name}",
                'needs two temperatures or more, written like values = ["0 C", "20 C",'
                ' "40 C"] under [temperature]',
            )


def _check_batch(plan: Plan, reading: Reading) -> None:
    batch = plan.batch
    if batch is None:
        return
    if batch.mass is not None and batch.films is not None:
        reading.fault("batch.mass", "is there besides films; give one of them")
    find_material(reading, "batch.solvent", batch.solvent, "solvent")
    thinned = batch.solvent_mass_ratio is not None or batch.wet_thickness is not None
    if batch.solvent is None and reading.usable("batch.solvent"):
        for name in ("solvent_mass_ratio", "wet_thickness"):
            if getattr(batch, name) is not None:
                reading.fault(
                    f"batch.{name}", "needs batch.solvent, the name of the solvent"
                )
    elif batch.solvent_mass_ratio is not None and batch.wet_thickness is not None:
        reading.fault(
            "batch.wet_thickness", "is there besides solvent_mass_ratio; give one"
        )
    elif not thinned and reading.usable("batch.solvent_mass_ratio", "batch.wet_thickness"):
        reading.fault(
            "batch.solvent_mass_ratio",
            'is missing; write it like solvent_mass_ratio = "0.5:1", or give wet_thickness',
        )
    if (
        batch.wet_thickness is not None and plan.film is not None
        and reading.usable("batch.wet_thickness", "film.thickness")
        and batch.wet_thickness <= plan.film.thickness
    ):  # fmt: skip
        reading.fault(
            "batch.wet_thickness",
            f"= '{_length(batch.wet_thickness)}' must be above the dry"
            f" thickness, '{_length(plan.film.thickness)}'",
        )
