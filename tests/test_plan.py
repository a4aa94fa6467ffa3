"""The plan file: everything read, every fault told at once, the starter kept honest."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import copy
import json
import math
import pickle
import re
import tomllib
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from percsim.errors import PlanError
from percsim.plan import Plan
from percsim.sections import ESSENTIAL, SECTIONS, HeadSection, Stated, reader_of

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = sorted((ROOT / "examples").glob("*.toml"))

BASE: dict[str, Any] = {
    "title": "patch",
    "seed": 8161,
    "filler": {
        "density": "2250 kg/m3",
        "diameter": {"median": "10 um", "geometric_spread": 1.5},
        "aspect_ratio": 15,
    },
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {
        "weight_fraction": ["26 wt%", "30 wt%"],
        "electrode_gap": ["2 mm", "3 mm", "5 mm"],
    },
}


def changed(**sections: Any) -> dict[str, Any]:
    """BASE with sections updated; a key set to None is taken out."""
    mapping = copy.deepcopy(BASE)
    for section, values in sections.items():
        if not isinstance(values, dict):
            mapping[section] = values
            continue
        target = mapping.setdefault(section, {})
        for key, value in values.items():
            if value is None:
                target.pop(key, None)
            else:
                target[key] = value
    return mapping


def faults(**sections: Any) -> tuple[str, ...]:
    with pytest.raises(PlanError) as caught:
        Plan.from_dict(changed(**sections), name="film.toml")
    assert all(
        line.startswith("film.toml: ") and "\n" not in line for line in caught.value.faults
    )
    return tuple(line.removeprefix("film.toml: ") for line in caught.value.faults)


# --- reading


def test_bench_units_become_si() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.film.thickness == 2e-4
    assert plan.electrode_gaps == (2e-3, 3e-3, 5e-3)
    assert plan.weight_fractions == (0.26, 0.30)
    assert plan.fillers[0].size.spread == math.log(1.5)
    assert plan.cured_elastomer.mix_ratio == 7.0
    assert plan.contacts.g0 == Stated(8e-5, "assumed")
    assert plan.contacts.Ea.value == pytest.approx(10e-3 * 1.602176634e-19, rel=1e-15)
    assert plan.temperatures == (293.15,)
    assert plan.box_lengths == pytest.approx((10e-5, 14e-5, 20e-5), rel=1e-12)


def test_defaults_that_follow_other_keys() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.closed_at == Stated(273.15)  # 20 K below 20 C
    cold = Plan.from_dict(changed(temperature={"values": ["-10 C", "60 C"]}))
    assert cold.temperatures == pytest.approx((263.15, 293.15, 333.15))
    assert cold.closed_at.value == pytest.approx(243.15)
    assert plan.electrode_conductance.value == plan.contacts.g0.value
    assert plan.tolerances["thickness"] == 0.08
    assert Plan.from_dict(changed(film={"cast": "drop"})).tolerances["thickness"] == 0.20
    assert plan.cutoff == 0.0
    assert Plan.from_dict(changed(contacts={"model": "affine"})).cutoff == 2e-9


def test_zero_strain_and_room_temperature_are_always_computed() -> None:
    plan = Plan.from_dict(
        changed(
            strain={"window": "-1000 to 2000 microstrain", "points": 3},
            contacts={"closed_at": "-60 C"},
        )
    )
    assert plan.strains == pytest.approx((-1e-3, 0.0, 5e-4, 2e-3), abs=1e-18)
    assert plan.largest_strain == 2e-3
    spelled = Plan.from_dict(
        changed(
            strain={"window": {"from": "-1000 microstrain", "to": "0.2 %"}, "points": 3},
            contacts={"closed_at": "-60 C"},
        )
    )
    assert spelled.hash == plan.hash


def test_three_ways_to_write_a_loading_by_hand() -> None:
    # 50 parts of filler for 100 of rubber: 50/150; for 100 of base at 7:1, rubber is
    # 100 (1 + 1/7), so 50/(50 + 800/7) = 7/23
    counts = {"weight_fraction": None, "curing_agent_counts": True}
    alone = {"weight_fraction": None, "curing_agent_counts": False}
    for extra, expected in (
        ({"phr": ["50 phr"], **counts}, 1 / 3),
        ({"phr": ["50 phr"], **alone}, 7 / 23),
        ({"mass_ratio": ["1:2"], **counts}, 1 / 3),
        ({"mass_ratio": ["1:2"], **alone}, 7 / 23),
    ):
        plan = Plan.from_dict(changed(explore=extra))
        assert plan.weight_fractions == pytest.approx((expected,), rel=1e-14)
        assert plan.recipe(plan.weight_fractions[0]).weight_fraction == pytest.approx(
            expected
        )


def test_sizes_from_a_laser_diffraction_sheet() -> None:
    # log-normal of spread s by volume: d90/d10 = exp(2 x 1.28155 s); number median is
    # d50 exp(-3 s^2)
    s = 0.4
    d10, d50, d90 = (20.0 * math.exp(z * s) for z in (-1.2815515655, 0.0, 1.2815515655))
    plan = Plan.from_dict(
        changed(
            filler={
                "diameter": {"d10": f"{d10} um", "d50": f"{d50} um", "d90": f"{d90} um"}
            }
        )
    )
    assert plan.fillers[0].size.spread == pytest.approx(s, rel=1e-9)
    assert plan.fillers[0].size.median == pytest.approx(
        20e-6 * math.exp(-3 * s * s), rel=1e-9
    )


def test_materials_fill_what_the_plan_leaves_out() -> None:
    plan = Plan.from_dict(
        changed(filler={"density": None, "material": "Graphite Flake"})
        | {"elastomer": {"material": "pdms"}}
    )
    assert plan.fillers[0].density == 2250.0
    assert plan.fillers[0].name == "graphite flake"
    assert plan.cured_elastomer.mix_ratio == 10.0
    only = Plan.from_dict(changed() | {"filler": {"material": "graphite flake"}})
    assert only.fillers[0].median_aspect_ratio == pytest.approx(15.0)
    assert Plan.from_dict(only.as_dict()).hash == only.hash


def test_several_fillers_share_the_loading() -> None:
    black = {"kind": "sphere", "density": "1800 kg/m3", "diameter": "1 um", "share": "10 %"}
    mapping = changed(filler={"share": "90 %"})
    mapping["filler"] = [mapping["filler"], black]
    recipe = Plan.from_dict(mapping).recipe(0.3)
    assert [w for _, w in recipe.fillers] == pytest.approx([0.27, 0.03])
    black["share"] = "20 %"
    with pytest.raises(PlanError, match=r"shares that add up to 110 %"):
        Plan.from_dict(mapping)
    del black["share"]
    with pytest.raises(PlanError, match=r"filler\[2\]\.share is missing"):
        Plan.from_dict(mapping)
    black["density"] = "heavy"
    with pytest.raises(PlanError, match=r"filler\[2\]\.density = 'heavy' does not start"):
        Plan.from_dict(mapping)


def test_states_follow_thermal_expansion_and_strain_by_hand() -> None:
    plan = Plan.from_dict(
        changed(
            filler={"thermal_expansion": "8 ppm/K"},
            contacts={"closed_at": "-40 C", "lambda_T": 0.3},
            strain={"points": 2},
        )
    )
    rest, pulled = plan.states(0.30)
    phi = (0.30 / 2250) / (0.30 / 2250 + 0.70 / 1030)
    alpha = phi * 8e-6 + (1 - phi) * 3.1e-4
    swell = 1 + 0.3 * alpha * 60.0
    assert rest.gradient[0][0] == pytest.approx(swell, rel=1e-12)
    assert pulled.gradient[0][0] == pytest.approx(swell * 1.003, rel=1e-12)
    assert pulled.gradient[1][1] == pytest.approx(swell * (1 - 0.33 * 0.003), rel=1e-12)
    assert (rest.strain, pulled.strain, rest.temperature) == (0.0, 0.003, 293.15)
    hot = Plan.from_dict(changed(temperature={"values": ["60 C"]})).states(0.26)
    assert [s.temperature for s in hot] == [293.15] * 7 + [333.15] * 7


def test_laws_take_the_values_of_the_plan() -> None:
    law: Any = Plan.from_dict(
        changed(contacts={"beta": 50, "electrode_conductance": "1 mS"})
    ).law(seed=5)
    assert (law.g0, law.beta, law.delta_b) == (8e-5, 50.0, 0.01)
    assert (law.electrode_conductance, law.seed) == (1e-3, 5)
    tunnelling: Any = Plan.from_dict(changed(contacts={"model": "affine"})).law()
    assert tunnelling.area == 1e-16
    assert tunnelling.barrier_height == pytest.approx(1.602176634e-19)


def test_batches_by_hand() -> None:
    # 10 films of 16 x 6 x 0.2 mm are 192 mm3; 30 wt% of 2250 in 1030 kg/m3 is 1220.7 kg/m3
    plan = Plan.from_dict(changed(batch={"loss": "20 %", "films": 10}))
    recipe = plan.recipe(0.30)
    density = 1.0 / (0.30 / 2250 + 0.70 / 1030)
    sheet = plan.weigh_out(recipe)
    assert sheet.wanted == pytest.approx(10 * 0.016 * 0.006 * 0.0002 * density)
    assert sheet.total == pytest.approx(sheet.wanted / 0.8)
    assert plan.weigh_out(recipe, films=20).total == pytest.approx(2 * sheet.total)
    assert Plan.from_dict(BASE).weigh_out(recipe).total == pytest.approx(0.02)
    half = plan.weigh_out(recipe, mass=0.05)
    assert half.grams == pytest.approx(
        {"flake": 15.0, "base": 35.0 * 7 / 8, "curing agent": 35.0 / 8}
    )
    # a film of 0.3 mm that dries to 0.2 mm loses a third of its volume, all of it solvent
    wet = Plan.from_dict(changed(batch={"solvent": "heptane", "wet_thickness": "0.3 mm"}))
    sheet = wet.weigh_out(recipe, mass=0.05)
    assert sheet.wet_thickness == pytest.approx(3e-4)
    assert sheet.solvent_volume == pytest.approx(0.5 * 0.05 / density)


# --- writing


@pytest.mark.parametrize(
    "mapping",
    [
        BASE,
        changed(
            filler={"kind": "rod", "length": "20 um", "diameter": None},
            temperature={"values": ["-10 C", "60 C"]},
            strain={"window": "-500 to 8000 microstrain", "points": 9},
            contacts={
                "g0": {
                    "value": "1.234 uS",
                    "basis": "measured",
                    "source": 'cell "B", 2 mm',
                },
                "closed_at": "-65.5 C",
            },
            boxes={"lengths": ["90 um", "0.15 mm", "20 D"]},
            target={"resistance": "0.7 to 3 kohm", "series_resistor": "1.8 kohm"},
            batch={"solvent": "heptane", "wet_thickness": "0.33 mm", "mass": "55 g"},
        ),
        changed(contacts={"model": "affine", "barrier_height": "1.5 eV"}),
        changed(filler={"kind": "sphere", "aspect_ratio": None}),
    ],
)
def test_round_trip_through_dict_json_toml_and_pickle(mapping: dict[str, Any]) -> None:
    plan = Plan.from_dict(mapping, name="film.toml")
    again = Plan.from_dict(json.loads(json.dumps(plan.as_dict())))
    assert again.as_dict() == plan.as_dict()
    assert again.states(0.26) == plan.states(0.26)
    assert again.hash == plan.hash
    assert tomllib.loads(plan.text) == plan.as_dict()
    assert pickle.loads(pickle.dumps(plan)).hash == plan.hash


def test_hash_sees_what_matters_and_not_the_title_or_spelling() -> None:
    reference = Plan.from_dict(BASE).hash
    assert Plan.from_dict(changed(title="another")).hash == reference
    assert Plan.from_dict(changed(film={"thickness": "200 um"})).hash == reference
    assert Plan.from_dict(changed(contacts={"beta": 100.0})).hash == reference
    for change in (
        {"seed": 8162},
        {"film": {"thickness": "0.21 mm"}},
        {"contacts": {"beta": 101}},
        {"boxes": {"count": 25}},
        {"explore": {"electrode_gap": ["2 mm", "3 mm"]}},
        {"filler": {"aspect_ratio": {"value": 15, "basis": "measured"}}},
    ):
        assert Plan.from_dict(changed(**change)).hash != reference


def test_as_dict_leaves_no_default_unsaid() -> None:
    filled = Plan.from_dict(BASE).as_dict()
    assert set(filled) == {"title", "seed", *SECTIONS}
    assert filled["contacts"]["closed_at"] == {"value": "0 C", "basis": "assumed"}
    assert filled["tolerances"]["thickness"] == "8 %"
    assert filled["elastomer"]["thermal_expansion"] == "310 ppm/K"


# --- faults


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
        "contacts.g0.basis = 'mesured' must be 'assumed' or 'measured'; did you mean 'measured'?",
        "contacts.lambda_T = nan must be a plain number, 0 to 1",
        "explore.weight_fraction (entry 1) = '14' has no unit; write it like '14 wt%'",
        "explore.weight_fraction (entry 2) = '120 wt%' is above 100 wt%",
        "explore.electrode_gap is an empty list; it needs at least 1",
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
        ({"strain": {"window": "3000 to 0 microstrain"}}, "strain.window = '3000 to 0 microstrain' must rise"),
        ({"strain": {"window": {"from": "0", "to": "1 %"}}}, "strain.window.from = '0' has no unit"),
        ({"strain": {"points": 3.5}}, "strain.points = 3.5 must be a whole number"),
        ({"strain": {"points": True}}, "strain.points = True must be a whole number"),
        ({"contacts": {"beta": "100"}}, "contacts.beta = '100' must be a plain number"),
        ({"contacts": {"g0": "0 uS"}}, "contacts.g0 = '0 uS' is too small; the range is"),
        ({"contacts": {"g0": {"basis": "measured"}}}, "contacts.g0.value is missing"),
        ({"target": {"seres_resistor": "1 kohm"}}, "target.seres_resistor is not known; did you mean 'series_resistor'?"),
        ({"batch": {"solvent": "heptan", "solvent_mass_ratio": "1:2"}}, "batch.solvent = 'heptan' is not a known solvent; did you mean 'heptane'"),
        ({"batch": {"films": 3, "mass": "3 g"}}, "batch.mass is there besides films"),
        ({"batch": {"wet_thickness": "0.3 mm"}}, "batch.wet_thickness needs batch.solvent"),
        ({"batch": {"solvent": "hexane", "wet_thickness": "0.1 mm"}}, "batch.wet_thickness = '100 um' must be above the dry thickness"),
    ],
)  # fmt: skip
def test_one_fault_gives_one_line(sections: dict[str, Any], expected: str) -> None:
    lines = faults(**sections)
    assert len(lines) == 1, lines
    assert lines[0].startswith(expected)


def test_states_more_closed_than_the_reference_are_refused_with_the_numbers() -> None:
    strain = {"window": "-1000 to 3000 microstrain"}
    (line,) = faults(strain=strain, contacts={"closed_at": "15 C"})
    assert line.startswith("contacts.closed_at = '15 C': at -1000 microstrain and 20 C")
    stretch = float(re.search(r"= (0\.\d+), below 1", line)[1])  # type: ignore[index]
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
    assert fault_of(file) == "film.toml: line 2 is not UTF-8 text; save the file as UTF-8"
    file.write_text("title = 'x'\n\nseed 4\n")
    assert fault_of(file).startswith("film.toml: is not TOML: line 3, column 6: ")
    file.write_text("seed = 1\nseed = 2\n")
    assert fault_of(file).startswith("film.toml: is not TOML: ")


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "film.toml"
    file.write_text(Plan.from_dict(BASE).text, encoding="utf-8-sig")
    plan = Plan.load(file)
    assert plan.hash == Plan.from_dict(BASE).hash
    assert plan.name == "film.toml"
    assert plan.text == file.read_text(encoding="utf-8-sig")


def test_cautions_name_thin_films_and_small_boxes() -> None:
    cold = {"closed_at": "-40 C"}
    assert Plan.from_dict(changed(contacts=cold)).cautions == ()
    thin = Plan.from_dict(
        changed(
            film={"thickness": "30 um"}, boxes={"lengths": ["6 D", "9 D"]}, contacts=cold
        )
    )
    small, flat = thin.cautions
    assert small.startswith("boxes of 60 um are below 8 median diameters")
    assert flat.startswith("the film, 30 um thick, is thinner than the largest particles")


def test_cautions_name_faces_left_out_and_contacts_pressed_shut_across() -> None:
    (pressed,) = Plan.from_dict(BASE).cautions
    # by hand: 3000 microstrain on a part of Poisson ratio 0.33 thins the film by
    # 1 - 1/(1.003 x 0.99901) = 2005 microstrain; 20 K of expansion give part of it back
    plan = Plan.from_dict(BASE)
    expansion = plan.recipe(plan.weight_fractions[-1]).thermal_expansion
    share = plan.contacts.lambda_T.value
    closing = (1.0 + share * expansion * 20.0) / (1.003 * (1.0 - 0.33 * 0.003)) - 1.0
    assert f"{-1e6 * closing:.0f} microstrain thinner" in pressed
    thick = changed(film={"thickness": "0.5 mm"}, contacts={"closed_at": "-40 C"})
    (faces,) = Plan.from_dict(thick).cautions
    assert "no free faces" in faces
    assert "50 diameters" in faces


# --- the starter and the examples


STARTER = resources.files("percsim").joinpath("starter.toml").read_text(encoding="utf-8")


def starter_entries() -> dict[tuple[str, str], tuple[str, Any]]:
    """(section, key) -> (comment above, value shown), commented-out keys included."""
    entries: dict[tuple[str, str], tuple[str, Any]] = {}
    section, comment = "", []
    for line in STARTER.splitlines():
        header = re.fullmatch(r"\[(\w+)\]", line)
        key = re.fullmatch(r"#?(\w+) = (.*)", line)
        if header:
            section, comment = header[1], []
        elif key:
            assert (section, key[1]) not in entries
            value = tomllib.loads(f"x = {key[2]}")["x"]
            entries[section, key[1]] = (" ".join(comment), value)
            comment = []
        elif line.startswith("# "):
            comment.append(line[2:])
        else:
            comment = []
    return entries


def test_the_starter_documents_every_key_as_the_models_do() -> None:
    entries = starter_entries()
    models = {"": HeadSection, **SECTIONS}
    assert set(entries) == {
        (s, k) for s, model in models.items() for k in model.model_fields
    }
    for (section, key), (comment, value) in entries.items():
        field, reader = models[section].model_fields[key], reader_of(models[section], key)
        assert field.description
        assert comment.startswith(field.description), key
        if reader.range != "any text":
            assert f" Range: {reader.range}." in comment, key
        if field.is_required():
            assert " Needed." in comment, key
        elif field.default is not None:
            assert comment.endswith(f" Default: {json.dumps(field.default)}."), key
        reader.read(value)
        if not field.is_required() and field.default is not None and key != "title":
            assert reader.read(value) == reader.read(field.default), key


def test_starter_sections_carry_the_documentation_of_the_models() -> None:
    for name, model in SECTIONS.items():
        above = STARTER.split(f"\n[{name}]\n")[0].split("# ---")[-1]
        words = " ".join(line.lstrip("# ") for line in above.splitlines()[1:])
        assert words == " ".join((model.__doc__ or "").split())


def test_the_starter_and_the_examples_load(tmp_path: Path) -> None:
    file = tmp_path / "starter.toml"
    file.write_text(STARTER, encoding="utf-8")
    (pressed,) = Plan.load(file).cautions
    assert "pressed shut" in pressed
    assert EXAMPLES
    for example in EXAMPLES:
        assert Plan.load(example).cautions == ()


# --- whatever is written, the answer is a plan or a list of faults

KEYS = [(s, k) for s, model in SECTIONS.items() for k in model.model_fields]
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
            st.sampled_from(["value", "median", "d50", "from", "x"]), inner, max_size=3
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
