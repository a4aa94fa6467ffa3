"""What a plan means: bench units in SI, defaults, the types of the stages by hand."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plan.plans import BASE, changed, faults

from percsim.errors import PlanError
from percsim.jobs import box_jobs
from percsim.plan import Plan
from percsim.plan.tables import Stated
from percsim.plan.write import to_toml


def test_bench_units_become_si() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.film.thickness == 2e-4
    assert plan.electrode_gaps == (2e-3, 3e-3, 5e-3)
    assert plan.weight_fractions == (0.26, 0.30)
    assert plan.fillers[0].size.spread == math.log(1.5)
    assert plan.cured_elastomer.mix_ratio == 7.0
    assert plan.g0 == Stated(8e-5, "assumed")
    assert plan.contacts.Ea.value == pytest.approx(10e-3 * 1.602176634e-19, rel=1e-15)
    assert plan.temperatures == (293.15,)
    assert plan.box_lengths == pytest.approx((10e-5, 14e-5, 20e-5), rel=1e-12)


def test_defaults_that_follow_other_keys() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.closed_at == Stated(273.15)  # 20 K below 20 C
    cold = Plan.from_dict(changed(temperature={"values": ["-10 C", "60 C"]}))
    assert cold.temperatures == pytest.approx((263.15, 293.15, 333.15))
    assert cold.closed_at.value == pytest.approx(243.15)
    assert plan.electrode_conductance.value == plan.g0.value
    assert plan.tolerances.thickness == 0.08
    assert Plan.from_dict(changed(film={"cast": "drop"})).tolerances.thickness == 0.20
    assert plan.cutoff == 0.0
    assert Plan.from_dict(changed(contacts={"model": "affine"})).cutoff == 2e-9


SPECKS = {
    "kind": "sphere", "density": "2250 kg/m3", "diameter": "1 um", "share": "3 %",
    "name": "specks",
}  # fmt: skip


@pytest.mark.parametrize(
    ("fillers", "expected"),
    [
        ([{}], 10e-6),
        ([{"share": "97 %"}, SPECKS], 10e-6),
        # by volume 13.4 um at spread ln(d90/d10)/2.563: exp(-3 s^2) of it by number
        (
            [{"diameter": {"d10": "6 um", "d50": "13.4 um", "d90": "29.93 um"}}],
            13.4e-6 * math.exp(-3.0 * (math.log(29.93 / 6.0) / 2.5631) ** 2),
        ),
        # evenly in ln D between the sieves: sqrt(6 x 24)
        (
            [{"diameter": {
                "edges": ["2 um", "50 um"], "shares": [1], "weighting": "number",
                "sieve": "6 to 24 um",
            }}],
            12e-6,
        ),
        ([{"kind": "rod", "diameter": None, "length": "20 um"}], 20e-6),
    ],
)  # fmt: skip
def test_openings_are_counted_in_the_number_median_of_the_coarsest_filler(
    fillers: list[dict[str, Any]], expected: float
) -> None:
    mapping = changed()
    own = mapping["filler"]
    mapping["filler"] = [
        {k: v for k, v in (own | new).items() if v is not None}
        if "name" not in new
        else new
        for new in fillers
    ]
    plan = Plan.from_dict(mapping)
    law: Any = plan.law()
    assert law.opening_length == pytest.approx(expected, rel=1e-4)
    # filled in it is the same plan, with the same boxes
    again: Any = Plan.from_dict(plan.as_dict()).law()
    assert again == law
    mapping["contacts"] = {"opening_length": "10.8 um"}
    stated: Any = Plan.from_dict(mapping).law()
    assert stated == replace(law, opening_length=10.8e-6)


def test_openings_are_counted_in_one_length_whatever_the_sizes_tried() -> None:
    plan = Plan.from_dict(changed(explore={"diameter": ["5 um", "20 um"]}))
    laws: list[Any] = [mix.law() for mix in plan.mixes]
    assert [law.opening_length for law in laws] == [10e-6, 10e-6]
    assert {job.law for job in box_jobs(plan)} == {laws[0]}


def test_zero_strain_and_room_temperature_are_always_computed() -> None:
    plan = Plan.from_dict(
        changed(
            strain={"window": "-1000 to 2000 microstrain", "points": 3},
            contacts={"closed_at": "-60 C"},
        )
    )
    assert plan.strains == pytest.approx((-1e-3, 0.0, 5e-4, 2e-3), abs=1e-18)
    assert plan.chord_strain == 2e-3
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


def test_a_black_is_not_foreseeable_however_it_is_written() -> None:
    black = {"kind": "sphere", "density": "1800 kg/m3", "diameter": "0.2 um"}
    for named in ({"material": "carbon black"}, {"name": "Carbon black"}):
        plan = Plan.from_dict(changed() | {"filler": black | named})
        assert "aggregates are branched" in plan.contact_parameters().powder.unforeseeable
        (said,) = [c for c in plan.remarks if "not foreseeable" in c]
        assert "aggregates are branched" in said
    plain = Plan.from_dict(changed() | {"filler": black | {"name": "glass beads"}})
    assert not [c for c in plain.remarks if "not foreseeable" in c]


def test_g0_is_by_default_that_of_the_material() -> None:
    def plan(material: str, **contacts: Any) -> Plan:
        filler = BASE["filler"] | {"material": material, "name": "powder of ours"}
        return Plan.from_dict(changed(contacts=contacts) | {"filler": filler})

    silver = plan("silver flake")
    # four decades from graphite
    assert silver.g0.value == pytest.approx(1e4 * plan("graphite flake").g0.value)
    assert silver.law().g0 == silver.electrode_conductance.value == silver.g0.value
    assert Plan.from_dict(silver.as_dict()).g0 == silver.g0
    assert not [c for c in silver.remarks if "g0" in c]
    (said,) = [c for c in plan("silver flake", g0="80 uS").remarks if "g0" in c]
    assert "assumed outside of what such powder has" in said
    told = {"value": "80 uS", "basis": "measured"}
    assert not [c for c in plan("silver flake", g0=told).remarks if "g0" in c]


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


def test_leads_are_minded_where_they_add_as_much_as_the_film() -> None:
    low = Plan.from_dict(changed(target={"resistance": "8 mohm to 72 mohm"}))
    (said,) = [c for c in low.remarks if "two terminals" in c]
    assert said.startswith("R up to 72 mohm is asked by two terminals")
    high = Plan.from_dict(changed(target={"resistance": "0.7 to 3 kohm"}))
    assert not [c for c in high.remarks if "two terminals" in c]


def test_the_supply_section_wins_and_says_so_when_both_differ() -> None:
    plan = Plan.from_dict(
        changed(
            target={"supply": "3.3 V", "series_resistor": "1.8 kohm"},
            supply={"voltage": "5 V"},
        )
    )
    assert plan.supply_voltage == 5.0
    assert plan.series_resistor == 1800.0
    assert plan.decision_target().supply_voltage == 5.0
    (said,) = [c for c in plan.remarks if "differ" in c]
    assert said.startswith("supply.voltage = '5 V' and target.supply = '3.3 V' differ")
    again = Plan.from_dict(plan.as_dict())
    assert again.remarks == plan.remarks
    assert again.hash == plan.hash


def test_old_plans_keep_their_supply() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.supply_voltage == 3.3
    assert plan.supply is None
    assert plan.heat_path() is None
    assert plan.as_dict()["target"]["supply"] == "3.3 V"
    only = Plan.from_dict(changed(supply={"voltage": "5 V"}))
    assert not [c for c in only.remarks if "differ" in c]
    assert only.as_dict()["target"]["supply"] == "5 V"


def test_the_vibration_defaults_to_the_middle_of_the_window() -> None:
    plan = Plan.from_dict(changed(vibration={}))
    assert plan.vibration_cycle == (1.5e-3, 200e-6)
    assert plan.as_dict()["vibration"]["mean"] == "1500 microstrain"


@pytest.mark.parametrize(
    ("sections", "expected"),
    [
        (
            {"vibration": {"mean": "2900 microstrain"}},
            "vibration runs from 2700 to 3100 microstrain, outside of what is computed, 0 to 3000; widen strain.window or vibrate less",
        ),
        (
            {"supply": {"bandwidth": "1 mHz"}},
            "supply.lowest_frequency = '10 mHz' must be below the bandwidth, '1 mHz'",
        ),
        (
            {
                "target": {"largest_self_heating_drift": "50 microstrain"},
                "temperature": {"values": ["0 C"]},
            },
            "target.largest_self_heating_drift needs the section [supply]",
        ),
        (
            {"target": {"largest_thermal_output": "50 ppm/K"}},
            'target.largest_thermal_output needs two temperatures or more, written like values = ["0 C", "20 C", "40 C"] under [temperature]',
        ),
        (
            {"supply": {"still_air": "10"}},
            "supply.still_air = '10' has no unit; write it like '10 W/m2K'",
        ),
    ],
)
def test_readings_that_cannot_be_give_one_line(
    sections: dict[str, Any], expected: str
) -> None:
    assert faults(**sections) == (expected,)


def test_temperatures_beyond_the_elastomer_are_a_caution() -> None:
    plan = Plan.from_dict(changed(temperature={"values": ["-60 C", "210 C"]}))
    (said,) = [c for c in plan.remarks if "silicone elastomers serve" in c]
    assert said.startswith("-60 C, 210 C: outside the range")


SOFT_SHEET = {"thickness": "0.15 mm", "mix_ratio": "15:1"}
TUBE = {"radius": "25 mm", "modulus": "70 GPa"}


def test_layers_of_a_plan_by_hand() -> None:
    plan = Plan.from_dict(changed(sheet=SOFT_SHEET, part=TUBE))
    assert plan.has_sheet
    assert plan.has_part
    # 20 MPa / ratio (Wang, Volinsky & Gallant 2014)
    assert plan.sheet_modulus().value == pytest.approx(20e6 / 15)
    assert plan.elastomer_modulus().value == pytest.approx(20e6 / 7)
    assert plan.sheet_modulus(30.0).value == pytest.approx(20e6 / 30)
    assert plan.film_modulus(0.30).value > 3.0 * plan.elastomer_modulus().value
    assert plan.part_poisson_ratio == 0.33
    assert len(plan.probes(0.30)) == 3  # bending strains nothing across
    flat = Plan.from_dict(changed(part={"rigid": True}))
    assert flat.has_part
    assert flat.probes(0.30) == ()
    bare = Plan.from_dict(BASE)
    assert not bare.has_sheet
    assert not bare.has_part


def test_stated_moduli_go_before_all_data() -> None:
    measured = {"value": "16 MPa", "basis": "measured", "source": "own strip"}
    plan = Plan.from_dict(
        changed(
            film={"modulus": measured},
            elastomer={"modulus": "3 MPa", "cure_temperature": "100 C"},
            sheet=SOFT_SHEET | {"modulus": "1.3 MPa", "cure_temperature": "25 C"},
        )
    )
    film = plan.film_modulus(0.30)
    assert (film.value, film.basis, film.source) == (16e6, "measured", "own strip")
    assert plan.elastomer_modulus().value == 3e6
    assert plan.sheet_modulus().value == 1.3e6
    # at another mix ratio the stated one says nothing: 1.32 MPa at 10:1, cured at 25 C
    assert plan.sheet_modulus(20.0).value == pytest.approx(1.32e6 / 2)
    assert plan.elastomer_modulus(10.0).value == pytest.approx(2.05e6)


def test_a_misaligned_patch_asks_for_states_across_and_changes_no_other() -> None:
    strain = {"window": "0 to 2000 microstrain"}
    askew = TUBE | {"misalignment": "3 deg"}
    plan = Plan.from_dict(changed(strain=strain, part=askew))
    bare = Plan.from_dict(changed(strain=strain, part=TUBE))
    assert plan.states(0.30) == bare.states(0.30)
    probes = plan.probes(0.30)
    assert [p.strain for p in probes] == [0.002, 0.0, 0.0]
    swell = plan.states(0.30)[plan.strains.index(0.0)].gradient[0][0]
    stretches = [[row[i] / swell - 1 for i, row in enumerate(p.gradient)] for p in probes]
    assert [s[:2] for s in stretches] == [
        pytest.approx([0.002, 0.0]), pytest.approx([0.0, 0.002]),
        pytest.approx([0.0, -0.002]),
    ]  # fmt: skip
    for s in stretches:  # constant volume
        assert (1 + s[0]) * (1 + s[1]) * (1 + s[2]) == pytest.approx(1.0, abs=1e-12)


def test_the_part_says_its_poisson_ratio_in_either_section() -> None:
    plan = Plan.from_dict(changed(part=TUBE | {"poisson_ratio": 0.28}))
    assert plan.mounting().part_poisson_ratio == 0.28
    assert Plan.from_dict(plan.as_dict()).hash == plan.hash
    same = Plan.from_dict(changed(strain={"part_poisson_ratio": 0.28}, part=TUBE))
    assert same.states(0.30) == plan.states(0.30)


@pytest.mark.parametrize(
    ("sections", "expected"),
    [
        ({"sheet": {"mix_ratio": "15:1"}}, "sheet.thickness is missing; write it like"),
        ({"sheet": SOFT_SHEET | {"material": "rubbr"}}, "sheet.material = 'rubbr' is not a known elastomer"),
        ({"sheet": SOFT_SHEET | {"material": "graphite flake"}}, "sheet.material = 'graphite flake' is a filler"),
        ({"part": {"radius": "25 mm"}}, "part.modulus is missing; write it like modulus = \"70 GPa\", or rigid = true"),
        ({"part": {"side": "inner"}, "sheet": SOFT_SHEET}, "part."),
        ({"part": TUBE | {"rigid": True}}, "part.modulus is there besides rigid"),
        ({"part": TUBE | {"radius": "0.3 mm"}, "sheet": SOFT_SHEET}, "part.radius = '300 um' is not above the thickness of film and sheet, '350 um'"),
        ({"part": {"radius": "25 mm", "modulus": "70 GPa", "thickness": "30 mm", "bent": "after bonding"}}, "part.thickness = '30 mm' must be below the radius of its outer surface, '25 mm'; give that of the wall"),
        ({"part": TUBE | {"radius": "0.2 mm"}}, "part.radius = '200 um' is not above the thickness of film, '200 um'"),
        ({"part": TUBE | {"control": "force"}}, "part.thickness is missing; with control = 'force'"),
        ({"part": TUBE | {"bent": "after bonding"}}, "part.thickness is missing; with bent = 'after bonding'"),
        ({"part": {"rigid": True, "control": "force"}}, "part.control = 'force' strains no rigid part"),
        ({"part": {"rigid": True, "bent": "after bonding"}}, "part.bent needs a radius"),
        ({"part": TUBE | {"poisson_ratio": 0.3}, "strain": {"part_poisson_ratio": 0.2}}, "part.poisson_ratio = 0.3 is not strain.part_poisson_ratio = 0.2"),
        ({"part": TUBE | {"misalignment": "3 deg"}, "strain": {"mounting": "free"}}, "part.misalignment needs mounting = 'bonded'"),
        ({"part": TUBE | {"misalignment": "60 deg"}}, "part.misalignment = '60 deg' is too large"),
        ({"part": TUBE | {"modulus": "70"}}, "part.modulus = '70' has no unit"),
        ({"film": {"modulus": "0 MPa"}}, "film.modulus = '0 MPa' is too small"),
    ],
)  # fmt: skip
def test_one_fault_of_sheet_or_part_gives_one_line(
    sections: dict[str, Any], expected: str
) -> None:
    lines = faults(**sections)
    assert lines[0].startswith(expected), lines
    assert len(lines) == (2 if expected == "part." else 1), lines


def test_pulls_go_as_far_as_the_gauge_factor_is_taken() -> None:
    plan = Plan.from_dict(changed())
    path = plan.protocol
    assert path.strains.max() == pytest.approx(3e-3)
    assert len(path.pulls) == 6  # five equal ones, and one that is held
    hold, rest = path.holds[0], path.rests[0]
    for stay in (hold, rest):
        assert path.times[stay.last] - path.times[stay.first] == pytest.approx(1800.0)
    assert path.times[path.pulls[0].top] == pytest.approx(30.0)
    assert plan.as_dict()["cycles"] == {
        "amplitude": "1500 microstrain", "mean": "1500 microstrain", "number": 5,
        "rate": "100 microstrain/s", "hold": "30 min", "rest": "30 min",
    }  # fmt: skip
    pressed = Plan.from_dict(changed(strain={"window": "-1000 to 0 microstrain"}))
    assert pressed.protocol.strains.min() == pytest.approx(-1e-3)


def test_pulls_as_asked() -> None:
    cycles = {"amplitude": "0.05 %", "mean": "1000 microstrain", "number": 2,
              "rate": "50 microstrain/s", "hold": "0 s", "rest": "2 h"}  # fmt: skip
    path = Plan.from_dict(changed(cycles=cycles)).protocol
    assert [path.strains[p.top] for p in path.pulls] == pytest.approx([1.5e-3] * 2)
    assert not path.holds
    assert path.times[path.pulls[0].top] == pytest.approx(30.0)
    assert path.times[-1] - path.times[path.rests[-1].first] == pytest.approx(7200.0)


def test_a_path_beside_the_plan(tmp_path: Path) -> None:
    (tmp_path / "ride.csv").write_text(
        "time (min),strain (microstrain),temperature (C)\n0,0,20\n1,2000,20\n2,0,40\n"
    )
    text = to_toml(changed(cycles={"path": "ride.csv"}, temperature={"values": ["40 C"]}))
    (tmp_path / "film.toml").write_text(text)
    plan = Plan.load(tmp_path / "film.toml")
    assert plan.protocol.strains.max() == 2e-3
    assert plan.protocol.temperatures[-1] == pytest.approx(313.15)
    again = Plan.from_dict(plan.as_dict())
    assert again.protocol == plan.protocol
    assert again.hash == plan.hash
    assert "ride.csv" not in plan.whole_text  # a folder of results has no such file beside


def test_visits_and_corners_of_one_path_are_one_path(tmp_path: Path) -> None:
    rows = [(0, 0), (30, 3000), (60, 0), (95, 2500), (120, 0)]
    lines = "".join(f"{t},{e}\n" for t, e in rows)
    (tmp_path / "ride.csv").write_text("time (s),strain (microstrain)\n" + lines)
    (tmp_path / "film.toml").write_text(to_toml(changed(cycles={"path": "ride.csv"})))
    of_file = Plan.load(tmp_path / "film.toml").protocol
    visits = [f"{t} s, {e} microstrain, 20 C" for t, e in rows]
    plan = Plan.from_dict(changed(cycles={"path": visits}))
    for name in ("times", "strains", "temperatures"):
        got = getattr(plan.protocol, name)
        np.testing.assert_allclose(got, getattr(of_file, name), rtol=1e-12)
    assert Plan.from_dict(plan.as_dict()).protocol == plan.protocol


@pytest.mark.parametrize(
    ("cycles", "told"),
    [
        ({"amplitude": "2000 microstrain"},
         "cycles runs from strain '0 microstrain' to '4000 microstrain', outside of what is"
         " computed, '0 microstrain' to '3000 microstrain'; widen strain.window"),
        ({"number": 0}, "cycles.number = 0 is out of range; a whole number, 1 to 100"),
        ({"rate": "100 Hz"},
         "cycles.rate = '100 Hz' is not a strain rate; write it like '100 microstrain/s'"),
        ({"path": "none.csv"},
         "cycles.path = 'none.csv': cannot be read: no such file or directory"),
        ({"path": "../a.csv"},
         "cycles.path = '../a.csv': must lie beside the plan or below"),
        ({"path": ["0 s, 0 %, 20 C", "1 s, 0.1 %, 50 C", "2 s, 0 %, 20 C"]},
         "cycles.path runs from temperature '20 C' to '50 C', outside of what is computed,"
         " '20 C' to '20 C'; widen temperature.values"),
        ({"rest": "1 h", "path": ["0 s, 0 %, 20 C"]},
         "cycles.path is there besides rest; give one of them"),
        ({"path": ["0 s, 0 %, 20 C", "9 s, 0.1 %, 20 C"]},
         "cycles.path holds no pull that is released again"),
        ({"path": ["0 s, 0 %"]},
         "cycles.path = '0 s, 0 %' is no visit; write it like '30 s, 0.3 %, 20 C'"),
        ({"path": ["9 s, 0 %, 20 C", "0 s, 0 %, 20 C"]},
         "cycles.path = times must not fall"),
        ({"path": ["0 s, 0.1 %, 20 C", "9 s, 0.2 %, 20 C", "18 s, 0.1 %, 20 C"]},
         "cycles.path = begins at 1000 microstrain; a film begins at rest, at a strain of"
         " 0"),
        ({"path": []}, "cycles.path is an empty list; it needs visits"),
        ({"path": 7}, "cycles.path = 7 must be the name of a CSV file, or visits, each time,"
         " strain and temperature"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_cycles(cycles: dict[str, Any], told: str) -> None:
    assert faults(cycles=cycles) == (told,)


ONE = {"path": ["0 s, 0 %, 20 C", "9 s, 0.2 %, 20 C", "18 s, 0 %, 20 C"]}


@pytest.mark.parametrize(
    ("cycles", "limit", "told"),
    [
        ({"hold": "0 s"}, "drift", "a pull under [cycles] that is held for 30 min or longer"),
        ({"hold": "9 min"}, "drift",
         "a pull under [cycles] that is held for 30 min or longer"),
        ({"amplitude": "500 microstrain", "mean": "1000 microstrain"}, "zero_shift",
         "pulls under [cycles] that come back to where the film begins"),
        ({"number": 1}, "hysteresis",
         "two equal pulls or more under [cycles]; the first conditions the film"),
        (ONE, "zero_shift",
         "two equal pulls or more under [cycles]; the first conditions the film"),
    ],
)  # fmt: skip
def test_limits_that_the_pulls_do_not_tell_of(
    cycles: dict[str, Any], limit: str, told: str
) -> None:
    asked = {f"largest_{limit}": "5 %"}
    assert faults(cycles=cycles, target=asked) == (f"target.largest_{limit} needs {told}",)
    Plan.from_dict(changed(cycles={"number": 2}, target=asked))
