"""Every fault told at once, one line each; the examples kept honest."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import copy
import math
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan.plans import BASE, changed, faults

from percsim.errors import PlanError
from percsim.film import Bars, Fingers, FourTerminal
from percsim.plan import Plan
from percsim.plan.sections import ESSENTIAL, SECTIONS
from percsim.states.temperature import ROOM_TEMPERATURE, Bond

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = sorted(
    path for path in (ROOT / "examples").glob("*.toml") if "survey" not in path.stem
)


def test_every_fault_is_reported_at_once() -> None:
    lines = faults(
        sede=4,
        title=3,
        filler={"density": "2250", "orientaton": "isotropic"},
        film={"thickness": 1.5, "width": "-6 mm", "length": None},
        contacts={"g0": {"value": "80 uS", "basis": "mesured"}, "lambda_T": math.nan},
        tempreature={},
        explore={"weight_fraction": ["14", "120 wt%"], "electrode_gap": []},
        boxes={"count": 0},
    )
    assert lines == (
        "sede is a key that is not known; did you mean 'seed'?",
        "tempreature is a section that is not known; did you mean 'temperature'?",
        "title = 3 must be text in quotes",
        "filler.density = '2250' has no unit; write it like '2250 kg/m3'",
        "filler.orientaton is not known; did you mean 'orientation'?",
        "film.thickness = 1.5 has no unit; write it like '1.5 mm'",
        "film.width = '-6 mm' is negative; a length is 0 or more",
        'film.length is missing; write it like length = "16 mm"',
        "explore.weight_fraction (entry 1) = '14' has no unit; write it like '14 wt%'",
        "explore.weight_fraction (entry 2) = '120 wt%' is above 100 wt%",
        "explore.electrode_gap is an empty list; it needs at least 1",
        "contacts.g0.basis = 'mesured' must be 'assumed' or 'measured'; did you mean 'measured'?",
        "contacts.lambda_T = nan must be a plain number, 0 to 1",
        "boxes.count = 0 is out of range; a whole number, 4 to 100000",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sections", "expected"),
    [
        ({"filler": {"material": "graphit flake"}}, "filler.material = 'graphit flake' is not a known filler; did you mean 'graphite flake'"),
        ({"filler": {"material": "heptane"}}, "filler.material = 'heptane' is a solvent, not the filler"),
        ({"filler": {"aspect_ratio": None}}, "filler.aspect_ratio is missing"),
        ({"filler": {"thickness": "1 um"}}, "filler.thickness and aspect_ratio say the same thing twice"),
        ({"filler": {"kind": "rod"}}, "filler.diameter is not a size of a rod; give length"),
        ({"filler": {"kind": "sphere"}}, "filler.aspect_ratio does not belong to a sphere"),
        ({"filler": {"kind": "flak"}}, "filler.kind = 'flak' must be 'flake', 'rod' or 'sphere'; did you mean 'flake'?"),
        ({"filler": {"kind": "sphere", "aspect_ratio": None, "orientation": "in-plane"}}, "filler.orientation does not belong to a sphere"),
        ({"filler": {"kind": "sphere", "aspect_ratio": None, "tilt": "5 deg"}}, "filler.tilt does not belong to a sphere"),
        ({"filler": {"orientaton": "in-plane", "tilt": "10 deg"}}, "filler.orientaton is not known; did you mean 'orientation'?"),
        ({"contacs": {"closed_at": "15 C"}, "strain": {"window": "-5000 to 0 microstrain"}}, "contacs is a section that is not known; did you mean 'contacts'?"),
        ({"contacts": {"model": "affine", "g0": "80 uS"}}, "contacts.g0 belongs to model = 'opening', not to 'affine'"),
        ({"contacts": {"model": "affine", "opening_length": "10 um"}}, "contacts.opening_length belongs to model = 'opening', not to 'affine'"),
        ({"contacts": {"model": "affine", "Ea": "20 meV"}}, "contacts.Ea belongs to model = 'opening', not to 'affine'"),
        ({"contacts": {"barrier_height": "2 eV"}}, "contacts.barrier_height belongs to model = 'affine', not to 'opening'"),
        ({"filler": {"tilt": "10 deg"}}, "filler.tilt belongs to orientation = 'in-plane'"),
        ({"filler": {"diameter": {"median": "10 um"}}}, "filler.diameter is without its geometric_spread"),
        ({"filler": {"diameter": {"d10": "5 um", "d50": "3 um", "d90": "9 um"}}}, "filler.diameter must rise from d10 over d50 to d90"),
        ({"filler": {"diameter": {"median": "5 um", "d50": "3 um"}}}, "filler.diameter must hold either median"),
        ({"filler": {"diameter": "-3 um"}}, "filler.diameter = '-3 um' is negative"),
        ({"filler": {"aspect_ratio": None, "thickness": "5 um"}}, "filler cannot be made: the smallest flakes"),
        ({"filler": []}, "filler is an empty list"),
        ({"elastomer": {"density": None}}, "elastomer.density is missing"),
        ({"elastomer": {"material": "pmds"}}, "elastomer.material = 'pmds' is not a known elastomer; did you mean"),
        ({"film": {"width": None, "wdith": "6 mm"}}, "film.wdith is not known; did you mean 'width'?"),
        ({"filler": {"aspect_ratio": None, "aspect_ration": 15}}, "filler.aspect_ration is not known; did you mean 'aspect_ratio'?"),
        ({"filler": {"diameter": {"median": "5 um", "geometric_spred": 1.5}}}, "filler.diameter.geometric_spred is not known; did you mean 'geometric_spread'?"),
        ({"film": 3}, "film must be a section, [film], got 3"),
        ({"film": {"layout": "rings"}}, "film.layout = 'rings' must be 'bars', 'end plates', 'fingers' or 'four-terminal'"),
        ({"film": {"fingers": 4}}, "film.fingers belongs to layout = 'fingers', not to 'bars'"),
        ({"film": {"sense_spacing": "1 mm"}}, "film.sense_spacing belongs to layout = 'four-terminal', not to 'bars'"),
        ({"film": {"layout": "fingers", "electrode_length": "1 mm"}}, "film.fingers is missing; write it like fingers = 4, for layout = 'fingers'"),
        ({"film": {"layout": "end plates"}, "explore": {"electrode_gap": ["3 mm"]}}, "film.layout = 'end plates': end plates stand 16 mm apart"),
        ({"film": {"layout": "four-terminal", "electrodes": "embedded", "electrode_length": "1 mm", "sense_spacing": "1 mm"}}, "film.electrodes = 'embedded' would lead all current through the sensing bars"),
        ({"film": {"electrode_length": "6 mm"}, "explore": {"electrode_gap": ["5 mm"]}}, "film.layout = 'bars': the electrodes do not fit: two bars and a gap of 5 mm take 17 mm"),
        ({"film": {"layout": "fingers", "fingers": 5, "electrode_length": "1 mm", "overlap": "7 mm"}, "explore": {"electrode_gap": ["2 mm"]}}, "film.layout = 'fingers': fingers overlap by 7 mm"),
        ({"film": {"electrodes": "surface", "electrode_length": "0.05 mm"}, "explore": {"electrode_gap": ["5 mm"]}}, "film.layout = 'bars': a surface electrode 0.05 mm long"),
        ({"film": {"contact_resistivity": "3 ohm"}}, "film.contact_resistivity = '3 ohm' is not a contact resistivity"),
        ({"film": {"electrode_gap": "3 mm"}}, "film.electrode_gap is not known here; it belongs in [explore]"),
        ({"film": {"thickness": "5 um"}}, "film.thickness = '5 um' is less than the median flake, 10 um"),
        ({"explore": {"weight_fraction": ["95 wt%"]}}, "explore.weight_fraction = '95 wt%' is impossible at these densities: it would be 89.7 vol%"),
        ({"explore": {"electrode_gap": ["20 um"]}}, "explore.electrode_gap = '20 um' is shorter than the largest flake"),
        ({"explore": {"electrode_gap": ["20 mm"]}}, "explore.electrode_gap = '20 mm' is longer than the film, film.length = '16 mm'"),
        ({"explore": {"electrode_gap": ["2 mm", "2000 um"]}}, "explore.electrode_gap (entry 2) = '2000 um' is there twice"),
        ({"explore": {"electrode_gap": "2 mm"}}, "explore.electrode_gap = '2 mm' must be a list"),
        ({"explore": {"weight_fraction": None}}, "explore.weight_fraction is missing"),
        ({"explore": {"phr": ["20 phr"]}}, "explore.phr is there besides weight_fraction"),
        ({"explore": {"weight_fraction": None, "phr": ["20 phr"]}}, "explore.curing_agent_counts is missing"),
        ({"explore": {"curing_agent_counts": False}}, "explore.curing_agent_counts = false does not go with weight_fraction"),
        ({"boxes": {"count": -3}}, "boxes.count = -3 is out of range"),
        ({"boxes": {"lengths": ["30 um", "100 um"]}}, "boxes.lengths has a box of 30 um, smaller than the largest flake"),
        ({"boxes": {"lengths": ["8 D", "8.1 D"]}}, "boxes.lengths has boxes of 80 um and 81 um; make them differ"),
        ({"boxes": {"lengths": ["8 D"]}}, "boxes.lengths has 1 entry; it needs at least 2"),
        ({"strain": {"window": "0 to 3000 microstrain", "chord": "4000 microstrain"}}, "strain.chord = 4000 microstrain must be a strain of the window, 0 to 3000 microstrain, other than zero"),
        ({"target": {"smallest_gauge_factor": 0}}, "target.smallest_gauge_factor = 0 is out of range"),
        ({"strain": {"chord": "0 microstrain"}}, "strain.chord = 0 microstrain must be a strain of the window"),
        ({"strain": {"window": "3000 to 0 microstrain"}}, "strain.window = '3000 to 0 microstrain' must rise"),
        ({"strain": {"window": {"from": "0", "to": "1 %"}}}, "strain.window.from = '0' has no unit"),
        ({"strain": {"points": 3.5}}, "strain.points = 3.5 must be a whole number"),
        ({"strain": {"points": True}}, "strain.points = True must be a whole number"),
        ({"contacts": {"beta": "100"}}, "contacts.beta = '100' must be a plain number"),
        ({"target": {"pass_share": "0 %"}}, "target.pass_share = '0 %' is too small"),
        ({"contacts": {"g0": "0 uS"}}, "contacts.g0 = '0 uS' is too small; the range is"),
        ({"contacts": {"g0": {"basis": "measured"}}}, "contacts.g0.value is missing"),
        ({"target": {"seres_resistor": "1 kohm"}}, "target.seres_resistor is not known; did you mean 'series_resistor'?"),
        ({"batch": {"solvent": "heptan", "solvent_mass_ratio": "1:2"}}, "batch.solvent = 'heptan' is not a known solvent; did you mean 'heptane'"),
        ({"filler": {"order": 0.5}}, "filler.order belongs to orientation = 'in-plane' or 'aligned'"),
        ({"filler": {"order": 0.5, "tilt": "10 deg", "orientation": "in-plane"}}, "filler.order is there besides tilt"),
        ({"filler": {"order": 0.5, "kind": "rod", "diameter": None, "length": "20 um", "orientation": "in-plane"}}, "filler.order is about the current; in-plane rods take a tilt"),
        ({"filler": {"order": -0.6, "orientation": "in-plane"}}, "filler.order = -0.6 is out of range"),
        ({"filler": {"aspect_ratio": {"median": 15}}}, "filler.aspect_ratio is without its geometric_spread"),
        ({"filler": {"aspect_ratio": {"median": 15, "geometric_spread": 1.3, "spread": 0.2}}}, "filler.aspect_ratio has both geometric_spread and spread"),
        ({"filler": {"aspect_ratio": {"median": 2, "geometric_spread": 1.5}}}, "filler cannot be made: the aspect ratio of a flake is 1 or more"),
        ({"filler": {"diameter": {"csv": "powder.csv"}}}, "filler.diameter.weighting is missing"),
        ({"filler": {"diameter": {"csv": "powder.csv", "weighting": "mass"}}}, "filler.diameter.weighting = 'mass' must be 'volume' or 'number'"),
        ({"filler": {"diameter": {"edges": ["1 um", "2 um"], "shares": [1, 2], "weighting": "number"}}}, "filler.diameter.shares = a histogram needs one more edge than shares"),
        ({"filler": {"diameter": {"edges": [], "shares": [], "weighting": "number"}}}, "filler.diameter.edges is an empty list"),
        ({"filler": {"diameter": {"median": "10 um", "geometric_spread": 1.5, "sieve": "60 um to 80 um"}}}, "filler.diameter.sieve leaves none of the sizes"),
        ({"filler": {"diameter": {"median": "10 um", "geometric_spread": 1.5, "sieve": "60 to 20 um"}}}, "filler.diameter.sieve = '60 to 20 um' must rise"),
        ({"placement": {"impenetrable": 1.1}}, "placement.impenetrable = 1.1 is out of range"),
        ({"placement": {"impenetrable": 1}, "contacts": {"cutoff": "0 nm"}}, "contacts.cutoff = '0 nm' leaves particles that are impenetrable throughout"),
        ({"placement": {"impenetrable": 0.5}, "film": {"thickness": "20 um"}}, "placement.impenetrable = 0.5 needs faces = 'confining' or a film at least as thick"),
        ({"placement": {"clustered": "30 %"}}, "placement.cluster_diameter is missing"),
        ({"placement": {"cluster_diameter": "30 um"}}, "placement.cluster_diameter needs a share of the particles"),
        ({"placement": {"clustered": "30 %", "cluster_diameter": "3 um"}}, "placement.cluster_diameter = '3 um' with cluster_solids = 0.3 holds fewer than two"),
        ({"placement": {"clustered": "30 %", "cluster_diameter": "0.2 mm"}}, "placement.cluster_diameter = '200 um' is more than the shortest box, 100 um"),
        ({"placement": {"faces": "walls"}}, "placement.faces = 'walls' must be 'free' or 'confining'"),
        ({"placement": {"faces": "confining"}, "filler": {"kind": "sphere", "aspect_ratio": None}, "film": {"thickness": "20 um"}}, "placement.faces = 'confining': sphere of up to"),
        ({"batch": {"films": 3, "mass": "3 g"}}, "batch.mass is there besides films"),
        ({"batch": {"wet_thickness": "0.3 mm"}}, "batch.wet_thickness needs batch.solvent"),
        ({"batch": {"solvent": "hexane", "wet_thickness": "0.1 mm"}}, "batch.wet_thickness = '100 um' must be above the dry thickness"),
    ],
)  # fmt: skip
def test_one_fault_gives_one_line(sections: dict[str, Any], expected: str) -> None:
    lines = faults(**sections)
    assert len(lines) == 1, lines
    assert lines[0].startswith(expected)


WARM = {"values": ["0 C", "20 C", "60 C"], "part_thermal_expansion": "23 ppm/K"}


def test_a_bonded_film_is_held_from_the_temperature_of_bonding_on() -> None:
    assert Plan.from_dict(changed()).bond is None
    held = Plan.from_dict(changed(temperature=WARM))
    assert held.bond == Bond(23e-6, ROOM_TEMPERATURE, 0.495)
    hot = Plan.from_dict(changed(temperature=WARM, strain={"bonded_at": "60 C"}))
    assert hot.bond == Bond(23e-6, 333.15, 0.495)
    assert hot.thermal(0.3).bond == hot.bond
    free = {"mounting": "free"}
    assert Plan.from_dict(changed(temperature=WARM, strain=free)).bond is None
    # never warmed, its boxes are those of the free film
    alone = WARM | {"values": ["20 C"]}
    assert Plan.from_dict(changed(temperature=alone)).bond is None
    # the sensitivity across comes with it
    assert len(held.probes(0.3)) == 3
    assert Plan.from_dict(changed(temperature=WARM, strain=free)).probes(0.3) == ()


def test_bonding_where_nothing_holds_or_below_the_reference_is_refused() -> None:
    cold = {"bonded_at": "-30 C"}
    (line,) = faults(temperature=WARM, strain=cold)
    assert line.startswith("strain.bonded_at = '-30 C' is colder than contacts.closed_at,")
    (line,) = faults(temperature=WARM, strain=cold | {"mounting": "free"})
    assert line == "strain.bonded_at needs mounting = 'bonded' or 'biaxial', not 'free'"


def test_a_compressed_bonded_film_is_told_what_would_hold_it_open() -> None:
    given = {"temperature": WARM, "strain": {"window": "-5000 to 1000 microstrain"}}
    (line,) = faults(**given, contacts={"closed_at": "-10 C"})
    assert line.startswith("contacts.closed_at = '-10 C': at -5000 microstrain and 0 C")
    advised = int(re.search(r"set it to '(-?\d+) C' or colder", line)[1])  # type: ignore[index]
    Plan.from_dict(changed(**given, contacts={"closed_at": f"{advised} C"}))
    faults(**given, contacts={"closed_at": f"{advised + 1} C"})
    # the aluminium shrinks less than the film would, 20 K below bonding
    plan = Plan.from_dict(changed(**given, contacts={"closed_at": f"{advised} C"}))
    felt = plan.contacts.lambda_T.value * plan.recipe(0.3).thermal_expansion
    assert plan.coldest_swelling == pytest.approx(felt * (20 - advised) - 20 * 23e-6)


def test_states_more_closed_than_the_reference_are_refused_with_the_numbers() -> None:
    strain = {"window": "-1000 to 3000 microstrain"}
    (line,) = faults(strain=strain, contacts={"closed_at": "15 C"})
    assert line.startswith("contacts.closed_at = '15 C': at -1000 microstrain and 20 C")
    stretch = float(re.search(r"stretched to (0\.\d+);", line)[1])  # type: ignore[index]
    phi = (0.30 / 2250) / (0.30 / 2250 + 0.70 / 1030)
    assert stretch == pytest.approx((1 + 0.3 * (1 - phi) * 3.1e-4 * 5) * 0.999, abs=1e-6)
    # what the message asks for is enough, one degree warmer is not
    advised = int(re.search(r"set it to '(-?\d+) C' or colder", line)[1])  # type: ignore[index]
    Plan.from_dict(changed(strain=strain, contacts={"closed_at": f"{advised} C"}))
    faults(strain=strain, contacts={"closed_at": f"{advised + 1} C"})
    (line,) = faults(strain=strain, contacts={"lambda_T": 0.0})
    assert "lambda_T = 0" in line
    # tunnelling across absolute gaps has no reference state
    Plan.from_dict(
        changed(strain=strain, contacts={"closed_at": "15 C", "model": "affine"})
    )


def test_missing_sections_are_named() -> None:
    with pytest.raises(PlanError) as caught:
        Plan.from_dict({}, name="film.toml")
    assert [line.split()[1] for line in caught.value.faults] == [
        f"[{s}]" for s in ESSENTIAL
    ]
    # a misspelt one is told once, under the name it has
    misspelt = {"flim" if key == "film" else key: part for key, part in BASE.items()}
    with pytest.raises(PlanError) as caught:
        Plan.from_dict(misspelt, name="film.toml")
    assert caught.value.faults == (
        "film.toml: flim is a section that is not known; did you mean 'film'?",
    )


@pytest.mark.parametrize(
    "junk", [None, 3, "x", [], [1], [{}], {}, True, {1: 2}, [{"a": 1}, 3]]
)
@pytest.mark.parametrize("section", SECTIONS)
def test_junk_sections_give_faults_or_a_plan(section: str, junk: Any) -> None:
    mapping = copy.deepcopy(BASE)
    mapping[section] = junk
    try:
        Plan.from_dict(mapping)
    except PlanError as error:
        lines = error.faults
        assert lines
        assert all(line.startswith(f"plan: {section}") for line in lines)
    else:
        assert junk == {}  # an empty section is all defaults
        assert section not in ESSENTIAL


def test_a_plan_is_a_table_of_sections() -> None:
    for junk in ([], 3, None, "x"):
        with pytest.raises(PlanError, match="plan: must hold sections, got "):
            Plan.from_dict(junk)  # type: ignore[arg-type]


def test_files_that_are_no_plans(tmp_path: Path) -> None:
    def fault_of(path: Path) -> str:
        with pytest.raises(PlanError) as caught:
            Plan.load(path)
        (line,) = caught.value.faults
        return line

    assert fault_of(tmp_path / "no.toml").endswith(
        "cannot be read: no such file or directory"
    )
    assert fault_of(tmp_path).endswith("cannot be read: is a directory")
    file = tmp_path / "film.toml"
    file.write_bytes(b"title = 'x'\n# caf\xe9\n")
    assert fault_of(file) == f"{file}: line 2 is not UTF-8 text; save the file as UTF-8"
    file.write_text("title = 'x'\n\nseed 4\n")
    assert fault_of(file).startswith("film.toml, line 3, column 6: is not TOML: ")
    file.write_text("seed = 1\nseed = 2\n")
    assert "is not TOML: " in fault_of(file)


def test_faults_of_a_file_have_their_lines(tmp_path: Path) -> None:
    file = tmp_path / "film.toml"
    file.write_text(
        """\
seed = -1

[[filler]]
material = "graphite flake"
share = "50 %"
[[ filler ]]
material = "silver flak"
share = "50 %"
[elastomer]
  mix_ratio = 7
[film]
thickness = "0.2 mm"
width = "6 mm"

[explore]
weight_fraction = ["20 wt%", "26"]
electrode_gap = ["2 mm"]
[contact]
"""
    )
    with pytest.raises(PlanError) as caught:
        Plan.load(file)
    told = [line.split(" ")[:4] for line in caught.value.faults]
    assert [(int(words[2].strip(":")), words[3]) for words in told] == [
        (18, "contact"),
        (1, "seed"),
        (7, "filler[2].material"),
        (10, "elastomer.mix_ratio"),
        (9, "elastomer.density"),
        (11, "film.length"),
        (16, "explore.weight_fraction"),
    ]
    # what is not there at all stands nowhere
    file.write_text("seed = 1\n")
    with pytest.raises(PlanError, match=r"^film.toml: \[filler\] is missing"):
        Plan.load(file)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "film.toml"
    file.write_text(Plan.from_dict(BASE).text, encoding="utf-8-sig")
    plan = Plan.load(file)
    assert plan.hash == Plan.from_dict(BASE).hash
    assert plan.name == "film.toml"
    assert plan.text == file.read_text(encoding="utf-8-sig")


def test_cautions_name_thin_films_and_small_boxes() -> None:
    cold = {"closed_at": "-40 C"}
    assert Plan.from_dict(changed(contacts=cold)).remarks == ()
    thin = Plan.from_dict(
        changed(
            film={"thickness": "30 um"}, boxes={"lengths": ["6 D", "9 D"]}, contacts=cold
        )
    )
    small, flat = thin.remarks
    assert small.startswith("boxes of 60 um are below 8 median diameters")
    assert flat.startswith("the film, 30 um thick, is thinner than the largest particles")


def test_a_caution_names_the_powder_that_the_cut_of_sizes_leaves_out() -> None:
    cold = {"closed_at": "-40 C"}
    sheet = {"d10": "7 um", "d50": "15 um", "d90": "31 um"}
    (told,) = Plan.from_dict(
        changed(filler={"diameter": sheet}, film={"thickness": "1 mm"}, contacts=cold)
    ).remarks
    # by hand: spread ln(31/7)/2.563 = 0.581, by number 15 exp(-3 s^2) = 5.46 um, its cut
    # at exp(3 s) of it, and 1 - Phi(3 - 3 s) of the volume above
    assert "end at 31.14 um" in told
    assert "without its largest 10 % by volume" in told
    narrow = {"d10": "10 um", "d50": "15 um", "d90": "22 um"}
    plan = Plan.from_dict(
        changed(filler={"diameter": narrow}, film={"thickness": "1 mm"}, contacts=cold)
    )
    assert plan.remarks == ()


def test_cautions_name_faces_left_out_and_contacts_pressed_shut_across() -> None:
    (pressed,) = Plan.from_dict(BASE).remarks
    # by hand: 3000 microstrain on a part of Poisson ratio 0.33 thins the film by
    # 1 - 1/(1.003 x 0.99901) = 2005 microstrain; 20 K of expansion give part of it back
    plan = Plan.from_dict(BASE)
    expansion = plan.recipe(plan.weight_fractions[-1]).thermal_expansion
    share = plan.contacts.lambda_T.value
    closing = (1.0 + share * expansion * 20.0) / (1.003 * (1.0 - 0.33 * 0.003)) - 1.0
    assert f"{-1e6 * closing:.0f} microstrain thinner" in pressed
    thick = changed(film={"thickness": "0.5 mm"}, contacts={"closed_at": "-40 C"})
    (faces,) = Plan.from_dict(thick).remarks
    assert "no free faces" in faces
    assert "50 diameters" in faces


def test_a_layout_of_the_plan_is_that_of_its_films() -> None:
    fingers = {
        "layout": "fingers",
        "fingers": 5,
        "electrode_length": "0.5 mm",
        "overlap": "4 mm",
        "electrodes": "surface",
        "contact_resistivity": "0.02 ohm cm2",
    }
    plan = Plan.from_dict(changed(film=fingers, explore={"electrode_gap": ["2 mm"]}))
    assert plan.film_at(2e-3).layout == Fingers(5, 5e-4, 4e-3, "surface", 2e-6)
    assert plan.bench_limits().film_length == pytest.approx((16e-3 - 5 * 5e-4) / 4)
    assert Plan.from_dict(plan.as_dict()).film_at(2e-3) == plan.film_at(2e-3)
    four = {"layout": "four-terminal", "electrode_length": "1 mm", "sense_spacing": "2 mm"}
    plan = Plan.from_dict(changed(film=four))
    assert plan.film_at(3e-3).layout == FourTerminal(1e-3, 2e-3)
    assert Plan.from_dict(BASE).film_at(3e-3).layout == Bars()


def test_the_examples_load() -> None:
    assert EXAMPLES
    told = {example.stem: Plan.load(example).remarks for example in EXAMPLES}
    # 40 K below bonding the film on its part is thinner than where its contacts were shut
    (line,) = told.pop("bike_patch_sensor")
    assert re.match(
        r"at 7400 microstrain and -20 C the film is \d+ microstrain thinner", line
    )
    assert set(told.values()) == {()}


KEYS = [(s, k) for s, model in SECTIONS.items() for k in model.keys()]
JUNK = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**6), 10**6)
    | st.floats(allow_nan=True)
    | st.sampled_from(
        ["", "1", "-3 mm", "0 mm", "1e9 mm", "300 C", "7:1", "5 %", "0 to 1 mm"]
    )
    | st.text(max_size=6),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["value", "median", "d50", "from", "csv", "sieve", "x"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=5,
)


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(KEYS), JUNK), min_size=1, max_size=4))
def test_junk_gives_a_plan_or_faults(changes: list[tuple[tuple[str, str], Any]]) -> None:
    mapping = copy.deepcopy(BASE)
    for (section, key), value in changes:
        mapping.setdefault(section, {})[key] = value
    try:
        plan = Plan.from_dict(mapping)
    except PlanError as error:
        lines = error.faults
    else:
        lines = (f"plan: {plan!r}",)
        assert Plan.from_dict(plan.as_dict()).hash == plan.hash
    assert lines
    assert all(line.startswith("plan: ") and "\n" not in line for line in lines)
