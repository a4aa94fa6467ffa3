"""The plan file: everything read, every fault told at once, the examples kept honest."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import copy
import json
import math
import os
import pickle
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from percsim.errors import PlanError
from percsim.film import Bars, Fingers, FourTerminal
from percsim.jobs import box_jobs, estimate, threshold_jobs
from percsim.plan import Plan
from percsim.plan.readers import Stated
from percsim.plan.sections import ESSENTIAL, OPTIONAL, SECTIONS
from percsim.states.temperature import ROOM_TEMPERATURE, Bond

ROOT = Path(__file__).resolve().parents[2]
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
    assert plan.tolerances["thickness"] == 0.08
    assert Plan.from_dict(changed(film={"cast": "drop"})).tolerances["thickness"] == 0.20
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
        (said,) = [c for c in plan.cautions if "not foreseeable" in c]
        assert "aggregates are branched" in said
    plain = Plan.from_dict(changed() | {"filler": black | {"name": "glass beads"}})
    assert not [c for c in plain.cautions if "not foreseeable" in c]


def test_g0_is_by_default_that_of_the_material() -> None:
    def plan(material: str, **contacts: Any) -> Plan:
        filler = BASE["filler"] | {"material": material, "name": "powder of ours"}
        return Plan.from_dict(changed(contacts=contacts) | {"filler": filler})

    silver = plan("silver flake")
    # four decades from graphite
    assert silver.g0.value == pytest.approx(1e4 * plan("graphite flake").g0.value)
    assert silver.law().g0 == silver.electrode_conductance.value == silver.g0.value
    assert Plan.from_dict(silver.as_dict()).g0 == silver.g0
    assert not [c for c in silver.cautions if "g0" in c]
    (said,) = [c for c in plan("silver flake", g0="80 uS").cautions if "g0" in c]
    assert "assumed outside of what such powder has" in said
    told = {"value": "80 uS", "basis": "measured"}
    assert not [c for c in plan("silver flake", g0=told).cautions if "g0" in c]


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


# --- the powder in the jar


SHEET = "# laser diffraction, invented data\nlower_um,upper_um,share\n2,5,10\n5,10,50\n10,20,40\n"


def load_with_sheet(folder: Path, sheet: str = SHEET, **sections: Any) -> Plan:
    """BASE as a file with a size analysis beside it."""
    folder.mkdir(exist_ok=True)
    (folder / "powder.csv").write_text(sheet, encoding="utf-8")
    diameter = {"csv": "powder.csv", "weighting": "volume"}
    diameter |= sections.pop("diameter", {})
    mapping = changed(filler={"diameter": diameter}, **sections)
    lines = ["seed = 8161", "[filler]", 'density = "2250 kg/m3"', "aspect_ratio = 15"]
    table = ", ".join(f"{k} = {json.dumps(v)}" for k, v in diameter.items())
    lines += [f"diameter = {{ {table} }}"]
    for name in ("elastomer", "film", "explore"):
        lines += [
            f"[{name}]",
            *(f"{k} = {json.dumps(v)}" for k, v in mapping[name].items()),
        ]
    file = folder / "film.toml"
    file.write_text("\n".join(lines), encoding="utf-8")
    return Plan.load(file)


def test_sizes_from_a_csv_beside_the_plan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir("/")  # the file is found from the plan, not from where one stands
    plan = load_with_sheet(tmp_path / "a")
    size = plan.fillers[0].size
    assert size.bounds == pytest.approx((2e-6, 20e-6))
    # shares by volume: half of the volume lies below the size that quantile gives for
    # 10 % + 40 % of the middle bin, where the volume is spread as D^3 d(ln D)
    share = (0.5 - 0.1) / 0.5
    expected = (5.0**3 + share * (10.0**3 - 5.0**3)) ** (1 / 3)
    assert 1e6 * size.volume_median == pytest.approx(expected, rel=1e-9)
    number = load_with_sheet(tmp_path / "a", diameter={"weighting": "number"})
    assert number.fillers[0].size.shares == pytest.approx((0.1, 0.5, 0.4))
    assert number.hash != plan.hash


def test_a_plan_with_a_csv_is_whole_without_it(tmp_path: Path) -> None:
    plan = load_with_sheet(tmp_path / "a")
    same = load_with_sheet(tmp_path / "b")
    other = load_with_sheet(tmp_path / "c", SHEET.replace("10,20,40", "10,20,41"))
    assert plan.hash == same.hash
    assert plan.hash != other.hash
    (tmp_path / "a" / "powder.csv").unlink()
    again = Plan.from_dict(json.loads(json.dumps(plan.as_dict())))
    assert again.hash == plan.hash
    assert again.fillers == plan.fillers
    assert Plan.from_dict(tomllib.loads(plan.whole_text)).hash == plan.hash
    assert Plan.from_dict(BASE).whole_text == Plan.from_dict(BASE).text


def test_the_powder_of_the_readme_loads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "powder.csv").write_text(SHEET, encoding="utf-8")
    (block,) = re.findall(r"```toml\n(.*?)```", (ROOT / "README.md").read_text(), re.DOTALL)
    boxes = {"lengths": ["0.1 mm", "0.2 mm"]}
    plan = Plan.from_dict(changed(boxes=boxes) | tomllib.loads(block))
    assert plan.fillers[0].size.bounds == pytest.approx((3e-6, 20e-6))
    assert plan.clusters is not None


@pytest.mark.parametrize(
    ("sheet", "expected"),
    [
        (None, "= 'powder.csv': cannot be read: no such file or directory"),
        ("", "= 'powder.csv': no size bins; need a header and at least one row"),
        ("lower_um,upper_um,share\n", "= 'powder.csv': no size bins"),
        ("a,b\n1,2\n", "= 'powder.csv': the header must name lower_um, upper_um and share"),
        ("lower_um,upper_um,share\n2,5,x\n", "= 'powder.csv', line 2: share is missing or not"),
        ("lower_um,upper_um,share\n2,5,-1\n", "= 'powder.csv', line 2: share must be 0 or more"),
        ("lower_um,upper_um,share\n2,5,1\n6,7,1\n", "= 'powder.csv', line 3: bins must touch"),
        ("lower_um,upper_um,share\n2,5,1\n5,4,1\n", "= 'powder.csv', line 3: a bin must run"),
        ("lower_um,upper_um,share\n2,5,0\n", "= 'powder.csv': histogram shares must be"),
        ("lower_um,upper_um,share\n2,50000,1\n", "= 'powder.csv': its largest size is out of range, "),
        (b"lower_um,upper_um,share\n2,5,\xe9\n", "= 'powder.csv': line 2 is not UTF-8 text"),
        ('lower_um,upper_um,share\n2,"5\n",1\n', "= 'powder.csv': line 2 is not CSV"),
    ],
)  # fmt: skip
def test_bad_size_sheets_give_one_line(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    sheet: str | bytes | None,
    expected: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    if sheet is not None:
        raw = sheet if isinstance(sheet, bytes) else sheet.encode()
        (tmp_path / "powder.csv").write_bytes(raw)
    (line,) = faults(filler={"diameter": {"csv": "powder.csv", "weighting": "volume"}})
    assert line.startswith(f"filler.diameter.csv {expected}")


def test_a_csv_is_read_beside_the_plan_only_and_its_content_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plans, secret = tmp_path / "plans", tmp_path / "secret.csv"
    (plans / "sizes").mkdir(parents=True)
    monkeypatch.chdir(plans)
    secret.write_text("password 1234\nlower_um,upper_um,share\n")
    (plans / "sizes" / "a.csv").write_text(SHEET)
    (plans / "within.csv").symlink_to("sizes/a.csv")
    (plans / "link.csv").symlink_to(secret)
    (plans / "up").symlink_to(tmp_path)
    (plans / "round.csv").symlink_to("round.csv")
    (plans / "beside.csv").write_text(secret.read_text())
    os.mkfifo(plans / "pipe.csv")

    def told(name: str) -> tuple[str, ...]:
        return faults(filler={"diameter": {"csv": name, "weighting": "volume"}})

    for name in ("sizes/a.csv", "within.csv", str(plans / "sizes" / "a.csv")):
        diameter = {"csv": name, "weighting": "volume"}
        Plan.from_dict(changed(filler={"diameter": diameter}))
    for name in ("link.csv", "up/secret.csv", "../secret.csv", str(secret), "/dev/zero"):
        (line,) = told(name)
        assert line == f"filler.diameter.csv = {name!r}: must lie beside the plan or below"
    for name in ("pipe.csv", "sizes"):
        (line,) = told(name)
        assert line == f"filler.diameter.csv = {name!r}: is not a file"
    for name in ("round.csv", "a\0b", "beside.csv", "x" * 5000):
        (line,) = told(name)
        assert line.startswith("filler.diameter.csv = ")
        assert "password" not in line
        assert "\n" not in line


def test_sieves_cut_every_kind_of_sizes(tmp_path: Path) -> None:
    law = {"median": "10 um", "geometric_spread": 1.5, "sieve": "4 um to 12 um"}
    plan = Plan.from_dict(changed(filler={"diameter": law}))
    assert plan.fillers[0].size.bounds == pytest.approx((4e-6, 12e-6))
    assert plan.fillers[0].largest == pytest.approx(12e-6)
    percentiles = {"d10": "5 um", "d50": "10 um", "d90": "20 um", "sieve": "0 um to 12 um"}
    fine = Plan.from_dict(changed(filler={"diameter": percentiles}))
    assert fine.fillers[0].size.bounds[1] == pytest.approx(12e-6)
    # of a histogram in which ln D is uniform within a bin the lower two bins are left
    sheet = load_with_sheet(
        tmp_path, diameter={"weighting": "number", "sieve": "2 um to 10 um"}
    )
    assert sheet.fillers[0].size.shares == pytest.approx((1 / 6, 5 / 6))
    for made in (plan, fine, sheet):
        assert Plan.from_dict(json.loads(json.dumps(made.as_dict()))).hash == made.hash
        assert Plan.from_dict(made.as_dict()).fillers == made.fillers


def test_aspect_ratios_that_differ_from_particle_to_particle() -> None:
    given = {"median": 15, "geometric_spread": 1.3, "basis": "measured"}
    plan = Plan.from_dict(changed(filler={"aspect_ratio": given}))
    aspect: Any = plan.fillers[0].aspect_ratio
    assert (aspect.median, aspect.spread) == (15.0, math.log(1.3))
    assert "aspect_ratio" in plan.contact_parameters().measured
    assert plan.as_dict()["filler"]["aspect_ratio"] == given
    assert Plan.from_dict(plan.as_dict()).hash == plan.hash
    assert plan.hash != Plan.from_dict(BASE).hash
    flat = Plan.from_dict(
        changed(filler={"aspect_ratio": given | {"geometric_spread": 1.0}})
    )
    assert flat.fillers[0].aspect_ratio == 15.0


def test_order_lays_flakes_and_rods() -> None:
    import numpy as np

    from percsim.particles.box import Box
    from percsim.particles.placement import place_particles
    from percsim.particles.shapes import order_parameter

    rods = {"kind": "rod", "diameter": None, "length": "20 um", "orientation": "aligned"}
    flakes = {"orientation": "in-plane"}
    for words, axis in ((flakes, 2), ({"orientation": "aligned"}, 2), (rods, 0)):
        plan = Plan.from_dict(changed(filler={**words, "order": 0.6}))
        box = Box((2e-4,) * 3, (False, True, True))
        placed = place_particles(plan.recipe(0.3), box, np.random.default_rng(56021))
        # <cos^4> - <cos^2>^2 of the law is below 0.1: 4 standard errors of the order
        band = 4 * 1.5 * math.sqrt(0.1 / len(placed))
        assert order_parameter(placed.axes, axis) == pytest.approx(0.6, abs=band)
        assert Plan.from_dict(plan.as_dict()).fillers == plan.fillers


def test_placement_reaches_the_boxes() -> None:
    from percsim.particles.placement import Clusters
    from percsim.run import box_jobs, estimate

    (job, *_) = box_jobs(Plan.from_dict(BASE))
    assert (job.core, job.clusters, job.walls, job.cutoff) == (0.0, None, "free", 0.0)
    placement = {
        "impenetrable": 0.9, "clustered": "30 %", "cluster_diameter": "40 um",
        "cluster_solids": 0.4, "faces": "confining",
    }  # fmt: skip
    plan = Plan.from_dict(changed(placement=placement))
    (job, *_) = box_jobs(plan)
    assert (job.core, job.walls) == (0.9, "confining")
    assert job.clusters == Clusters(0.3, 40e-6, 0.4)
    # 2 % of 10 um / 15
    assert job.cutoff == pytest.approx(0.02 * 10e-6 / 15)
    assert plan.as_dict()["placement"] == placement
    assert Plan.from_dict(plan.as_dict()).hash == plan.hash
    assert estimate(plan, 1)["seconds"] > 2 * estimate(Plan.from_dict(BASE), 1)["seconds"]
    for key, value in placement.items():
        part = {k: v for k, v in placement.items() if k == key or k.startswith("clus")}
        without = {k: v for k, v in part.items() if k != key}
        if not key.startswith("clus"):
            assert (
                Plan.from_dict(changed(placement=part)).hash
                != Plan.from_dict(changed(placement=without)).hash
            ), value
    hard = changed(placement={"impenetrable": 1.0}, contacts={"cutoff": "20 nm"})
    assert Plan.from_dict(hard).cutoff == pytest.approx(20e-9)


def test_cautions_say_what_hard_and_clustered_particles_change() -> None:
    cold = {"closed_at": "-40 C"}
    hard = {"impenetrable": 0.9}
    threshold, numbers = Plan.from_dict(changed(placement=hard, contacts=cold)).cautions
    assert "the boxes hold hard ones" in threshold
    assert "pushed apart, each loading in its own way" in numbers
    flat = changed(placement=hard, contacts=cold, filler={"orientation": "in-plane"})
    assert "also turns them" in Plan.from_dict(flat).cautions[-1]
    clusters = {"clustered": "30 %", "cluster_diameter": "40 um"}
    (threshold,) = Plan.from_dict(changed(placement=clusters, contacts=cold)).cautions
    assert "the boxes hold clustered ones" in threshold
    thick = changed(
        placement={"faces": "confining"}, contacts=cold, film={"thickness": "1 mm"}
    )
    (faces,) = Plan.from_dict(thick).cautions
    assert "no effect" in faces


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
    assert set(filled) == {"title", "seed", *SECTIONS} - set(OPTIONAL)
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
        ({"film": {"layout": "fingers", "electrode_length": "1 mm"}}, "film.fingers is missing with layout = 'fingers'; write it like fingers = 6"),
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
    assert fault_of(file) == f"{file}: line 2 is not UTF-8 text; save the file as UTF-8"
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


def test_a_caution_names_the_powder_that_the_cut_of_sizes_leaves_out() -> None:
    cold = {"closed_at": "-40 C"}
    sheet = {"d10": "7 um", "d50": "15 um", "d90": "31 um"}
    (told,) = Plan.from_dict(
        changed(filler={"diameter": sheet}, film={"thickness": "1 mm"}, contacts=cold)
    ).cautions
    # by hand: spread ln(31/7)/2.563 = 0.581, by number 15 exp(-3 s^2) = 5.46 um, its cut
    # at exp(3 s) of it, and 1 - Phi(3 - 3 s) of the volume above
    assert "end at 31.14 um" in told
    assert "without its largest 10 % by volume" in told
    narrow = {"d10": "10 um", "d50": "15 um", "d90": "22 um"}
    plan = Plan.from_dict(
        changed(filler={"diameter": narrow}, film={"thickness": "1 mm"}, contacts=cold)
    )
    assert plan.cautions == ()


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


# --- measured rows, and how wide an assumption is

ROW = {"weight_fraction": "26 wt%", "electrode_gap": "3 mm", "resistance": "2.1 kohm"}


def test_measured_rows_are_read_and_written_and_change_no_box() -> None:
    rows = [
        {**ROW, "films": 3, "thickness": "0.21 mm", "note": "cup 1"},
        {**ROW, "resistance": "open"},
        {**ROW, "change": "5.2 %", "strain": "3000 microstrain", "spread": "15 %"},
    ]
    plan = Plan.from_dict(changed(measured=rows))
    first, second, third = plan.measured
    assert (first.resistance, first.films, first.thickness) == (2100.0, 3, 2.1e-4)
    assert second.resistance == math.inf
    assert third.change == pytest.approx(0.052)
    assert third.strain == pytest.approx(3e-3)
    assert Plan.from_dict(plan.as_dict()).measured == plan.measured
    assert plan.hash == Plan.from_dict(BASE).hash
    assert Plan.from_dict(tomllib.loads(plan.text)).measured == plan.measured
    assert "measured" not in Plan.from_dict(BASE).as_dict()


@pytest.mark.parametrize(
    ("row", "message"),
    [
        (
            {"resistance": "-2 kohm"},
            "measured[1].resistance = '-2 kohm' is negative; a resistance is 0 or more",
        ),
        ({"resistance": "2.1"}, "measured[1].resistance = '2.1' has no unit"),
        ({"resistance": None}, "measured[1].resistance is missing; write it like"),
        (
            {"weight_fraction": "50 wt%"},
            "measured[1].weight_fraction = '50 wt%' is outside the plan's loadings, 26 to 30",
        ),
        ({"electrode_gap": "20 mm"}, "measured[1].electrode_gap = '20 mm' is longer than"),
        ({"thickness": "21 mm"}, "measured[1].thickness = '21 mm' is more than ten times"),
        (
            {"resistance": "open", "change": "2 %", "strain": "1000 microstrain"},
            "measured[1].change does not go with open films",
        ),
        ({"change": "2 %"}, "measured[1].change needs the strain or the temperature"),
        (
            {"change": "2 %", "strain": "9000 microstrain"},
            "measured[1].strain = '9000 microstrain' is outside the plan's window",
        ),
        (
            {"change": "2 %", "temperature": "60 C"},
            "measured[1].temperature = '60 C' is outside the plan's, 20 C; add it",
        ),
        ({"resistence": "2 kohm"}, "measured[1].resistence is not known; did you mean"),
        ({"films": 0}, "measured[1].films = 0 is out of range"),
    ],
)
def test_a_measured_row_that_cannot_be_is_told_in_one_line(
    row: dict[str, Any], message: str
) -> None:
    entry = {k: v for k, v in {**ROW, **row}.items() if v is not None}
    (line,) = faults(measured=[entry])
    assert line.startswith(message)


def test_measured_rows_of_a_file_are_checked_with_their_lines() -> None:
    plan = Plan.from_dict(BASE)
    more = plan.with_measured([{"row": 4, **ROW}], "cups.csv")
    assert len(more.measured) == 1
    assert more.hash == plan.hash
    with pytest.raises(PlanError) as caught:
        plan.with_measured(
            [{"row": 4, **ROW, "films": 0}, {"row": 5, **ROW, "electrode_gap": "3"}],
            "cups.csv",
        )
    assert [line[:40] for line in caught.value.faults] == [
        "cups.csv: row 4.films = 0 is out of rang",
        "cups.csv: row 5.electrode_gap = '3' has ",
    ]


SEVERAL = {"mix_ratio": ["7:1", "10:1"], "aspect_ratio": [12, 15]}


def test_rows_of_a_plan_with_several_mixes_name_theirs() -> None:
    named = {**ROW, "mix_ratio": "10:1", "aspect_ratio": 15, "batch": "cup 1"}
    plan = Plan.from_dict(changed(explore=SEVERAL, measured=[named, {**named, "films": 2}]))
    assert plan.mix_of(plan.measured[0]) == (("aspect_ratio", 15.0), ("mix_ratio", 10.0))
    assert plan.mix_of(plan.measured[0]) in [mix.mix for mix in plan.mixes]
    assert plan.measured[0].batch == "cup 1"
    # of thicknesses it is the nearest to the measured one
    thin = Plan.from_dict(
        changed(
            explore={"thickness": ["0.1 mm", "0.2 mm"]},
            measured=[{**ROW, "thickness": "0.12 mm"}],
        )
    )
    assert thin.mix_of(thin.measured[0]) == (("thickness", 1e-4),)
    # a plan of one mix needs no name
    assert Plan.from_dict(changed(measured=[ROW])).mix_of(plan.measured[0]) == ()


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        (
            [{"mix_ratio": "7:1"}],
            "measured[1].aspect_ratio is missing; the plan explores aspect ratios 12, 15:"
            " say the one of the films",
        ),
        (
            [{"mix_ratio": "8:1", "aspect_ratio": 12}],
            "measured[1].mix_ratio = '8:1' is not among the mix ratios that the plan"
            " explores, 7:1, 10:1",
        ),
        (
            [
                {"mix_ratio": "7:1", "aspect_ratio": 12},
                {"mix_ratio": "7:1", "aspect_ratio": 15},
            ],
            "measured[2].aspect_ratio is another than that of measured[1]; films tell of the"
            " mix they were cast of alone, so read one mix at a time",
        ),
        (
            [
                {"mix_ratio": "7:1", "aspect_ratio": 12, "batch": "a"},
                {"mix_ratio": "7:1", "aspect_ratio": 12, "batch": "a",
                 "weight_fraction": "28 wt%"},
            ],
            "measured[2].batch = 'a' holds 28 wt% here and 26 wt% in measured[1]; one cup has"
            " one loading",
        ),
    ],
)  # fmt: skip
def test_rows_that_do_not_fit_together_give_one_line(
    rows: list[dict[str, Any]], message: str
) -> None:
    measured = [{**ROW, **row} for row in rows]
    assert faults(explore=SEVERAL, measured=measured) == (message,)


def test_rows_of_a_file_are_held_against_those_of_the_plan() -> None:
    plan = Plan.from_dict(changed(measured=[{**ROW, "batch": "a"}]))
    with pytest.raises(PlanError) as caught:
        plan.with_measured(
            [{"row": 2, **ROW, "batch": "a", "weight_fraction": "28 wt%"}], "cups.csv"
        )
    assert caught.value.faults == (
        "cups.csv: row 2.batch = 'a' holds 28 wt% here and 26 wt% in measured[1]; one cup"
        " has one loading",
    )


def test_how_wide_an_assumption_is_changes_no_box() -> None:
    stated = {"value": "80 uS", "basis": "assumed", "factor": 3}
    share = {"value": 0.3, "low": 0.2, "high": 0.5}
    plan = Plan.from_dict(changed(contacts={"g0": stated, "lambda_T": share}))
    found = plan.contact_parameters()
    assert found.factors == {"g0": 3.0}
    assert found.ranges == {"lambda_T": (0.2, 0.5)}
    assert plan.hash == Plan.from_dict(BASE).hash
    again = Plan.from_dict(plan.as_dict()).contacts
    assert (again.g0, again.lambda_T) == (plan.contacts.g0, plan.contacts.lambda_T)
    shape = {"value": 15, "basis": "measured", "factor": 1.2}
    measured = Plan.from_dict(changed(filler={"aspect_ratio": shape}))
    assert measured.contact_parameters().factors == {"aspect_ratio": 1.2}
    for wrong, message in (
        ({"value": 0.3, "low": 0.2}, "lambda_T.high is missing"),
        ({"value": 0.3, "low": 0.4, "high": 0.5}, "lambda_T.value must lie between"),
        ({"value": 0.3, "low": 0.1, "high": 0.5, "factor": 2}, "lambda_T.factor is there"),
        ({"value": 0, "factor": 2}, "lambda_T.factor of 0 means nothing"),
    ):
        (line,) = faults(contacts={"lambda_T": wrong})
        assert line.startswith(f"contacts.{message}")


# --- mixes: other films, powders and ratios

MIXES: dict[str, Any] = {
    "explore": {
        "thickness": ["0.1 mm", "0.3 mm", "0.4 mm"],
        "diameter": ["5 um", "10 um"],
        "aspect_ratio": [12, 20],
        "mix_ratio": ["5:1", "10:1"],
    }
}


def test_mixes_are_plans_of_one_value_each() -> None:
    plan = Plan.from_dict(changed(**MIXES))
    assert len(plan.mixes) == 3 * 2 * 2 * 2
    assert plan.n_candidates == 24 * len(plan.weight_fractions) * len(plan.electrode_gaps)
    assert len(set(plan.mixes)) == 24
    for mix in plan.mixes:
        values = dict(mix.mix)
        assert mix.film.thickness == values["thickness"]
        assert mix.median_diameter == pytest.approx(values["diameter"])
        assert mix.fillers[0].median_aspect_ratio == values["aspect_ratio"]
        assert mix.cured_elastomer.mix_ratio == values["mix_ratio"]
        assert mix.fillers[0].size.spread == plan.fillers[0].size.spread
        assert mix.mixes == (mix,)
    plain = Plan.from_dict(changed())
    assert plain.mixes == (plain,)
    assert plain.box_label == ""


def test_sizes_are_tried_with_either_model_of_the_contacts() -> None:
    sizes = {"diameter": ["8 um", "10 um"]}
    plan = Plan.from_dict(changed(explore=sizes, contacts={"model": "affine"}))
    medians = [mix.median_diameter for mix in plan.mixes]
    assert medians == pytest.approx([8e-6, 10e-6])
    assert {mix.law() for mix in plan.mixes} == {plan.law()}


def test_boxes_are_shared_where_nothing_they_depend_on_differs() -> None:
    plan = Plan.from_dict(changed(**MIXES))
    labels: dict[str, set[tuple[float, float]]] = {}
    for mix in plan.mixes:
        values = dict(mix.mix)
        labels.setdefault(mix.box_label, set()).add(
            (values["thickness"], values["mix_ratio"])
        )
    # boxes of 20 D = 100 um and 200 um: films to 150 um and 300 um are thin
    assert len(labels) == 2 * (2 + 3)
    for label, served in labels.items():
        films = {t for t, _ in served}
        assert {r for _, r in served} == {5.0, 10.0}
        if "thickness" in label:
            assert len(films) == 1
        else:
            assert films == ({3e-4, 4e-4} if "diameter 5e-06" in label else {4e-4})
    keys = [job.key for job in box_jobs(plan)]
    assert len(keys) == len(set(keys))
    assert {job.label for job in box_jobs(plan)} == set(labels)


def test_a_value_more_renumbers_no_box() -> None:
    one = Plan.from_dict(changed(explore={"aspect_ratio": [12]}))
    two = Plan.from_dict(changed(explore={"aspect_ratio": [12, 20]}))
    plain = Plan.from_dict(changed(filler={"aspect_ratio": 12}))
    jobs = {job.key: job for job in box_jobs(two)}
    for job, bare in zip(box_jobs(one), box_jobs(plain), strict=True):
        assert jobs[job.key] == job
        # the same box as that of a plan without the list, and stored as the same
        assert replace(job, label="") == bare
        assert job.key == bare.key
        assert bare.key.startswith("box/0.")
        assert job.box_number == bare.box_number
    grown = {job.key: job.plan for job in threshold_jobs(two)}
    assert {job.key for job in threshold_jobs(one)} < set(grown)


def test_thresholds_of_mixes_are_grown_once_each() -> None:
    names = {job.name for job in threshold_jobs(Plan.from_dict(changed(**MIXES)))}
    own = [name for name in names if name.endswith("own")]
    assert len(own) == 4  # two sizes, two aspect ratios; film and mix ratio do not matter
    assert {job.name for job in threshold_jobs(Plan.from_dict(changed()))} == {
        "own", *(f"aspect {ratio}" for ratio in (10, 15, 20, 25)),
    }  # fmt: skip


def test_mix_ratio_moves_the_loading_of_parts_of_the_base() -> None:
    explore = {
        "weight_fraction": None, "phr": ["40 phr"], "curing_agent_counts": False,
        "mix_ratio": ["5:1", "10:1"],
    }  # fmt: skip
    base = changed()
    base["explore"] = {
        k: v for k, v in (base["explore"] | explore).items() if v is not None
    }
    plan = Plan.from_dict(base)
    weights = [mix.weight_fractions[0] for mix in plan.mixes]
    # 0.4 of filler to 1 of base and 1/5 or 1/10 of curing agent
    assert weights == pytest.approx([0.4 / 1.6, 0.4 / 1.5])
    assert {job.recipe.weight_fraction for job in box_jobs(plan)} == set(weights)


@pytest.mark.parametrize(
    ("sections", "expected"),
    [
        ({"boxes": {"count": 20, "most": 10}}, "boxes.most = 10 is below boxes.count = 20"),
        (
            {
                "filler": {
                    "diameter": {
                        "median": "10 um", "geometric_spread": 1.5, "sieve": "2 um to 40 um"
                    }
                },
                "explore": {"diameter": ["5 um"]},
            },
            "explore.diameter does not go with a sieve",
        ),
        (
            {"explore": {"diameter": ["5 um", "2 mm"]}},
            "explore with 2 mm filler: ",
        ),
        ({"explore": {"aspect_ratio": [10, 10]}}, "explore.aspect_ratio (entry 2)"),
        ({"explore": {"thickness": ["2 um"]}}, "explore with 2 um film: film.thickness"),
        (
            {"explore": {"aspect_ratio": [float(n) for n in range(10, 600)],
                         "mix_ratio": ["5:1", "7:1", "10:1"]}},
            "explore asks for ",
        ),
    ],
)  # fmt: skip
def test_faults_of_mixes(sections: dict[str, Any], expected: str) -> None:
    lines = faults(**sections)
    assert any(line.startswith(expected) for line in lines), lines


def test_cautions_of_mixes() -> None:
    words = " ".join(Plan.from_dict(changed(**MIXES)).cautions)
    assert "mix ratios differ in what goes on the balance alone" in words
    many = changed(explore={"aspect_ratio": [float(n) for n in range(10, 80)]})
    assert "candidates: with so many" in " ".join(Plan.from_dict(many).cautions)


def test_the_estimate_knows_the_budget() -> None:
    plain = estimate(Plan.from_dict(changed()), workers=2)
    assert plain["seconds_at_most"] == plain["seconds"]
    staged = estimate(Plan.from_dict(changed(boxes={"count": 20, "most": 60})), workers=2)
    assert staged["n_boxes"] == plain["n_boxes"]
    assert staged["seconds"] == plain["seconds"]
    boxes = plain["seconds"] - 5.0
    assert plain["seconds"] < staged["seconds_at_most"] < 3.2 * boxes + 20.0
    mixed = estimate(Plan.from_dict(changed(explore={"aspect_ratio": [10, 12, 20]})), 2)
    assert mixed["n_boxes"] == 3 * plain["n_boxes"]
    assert mixed["n_candidates"] == 3 * plain["n_candidates"]


# --- how a film is read


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
    (said,) = [c for c in plan.cautions if "differ" in c]
    assert said.startswith("supply.voltage = '5 V' and target.supply = '3.3 V' differ")
    again = Plan.from_dict(plan.as_dict())
    assert again.cautions == plan.cautions
    assert again.hash == plan.hash


def test_old_plans_keep_their_supply() -> None:
    plan = Plan.from_dict(BASE)
    assert plan.supply_voltage == 3.3
    assert plan.supply is None
    assert plan.heat_path() is None
    assert plan.as_dict()["target"]["supply"] == "3.3 V"
    only = Plan.from_dict(changed(supply={"voltage": "5 V"}))
    assert not [c for c in only.cautions if "differ" in c]
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
    (said,) = [c for c in plan.cautions if "silicone elastomers serve" in c]
    assert said.startswith("-60 C, 210 C: outside the range")


# --- the examples


def test_the_examples_load() -> None:
    assert EXAMPLES
    told = {example.stem: Plan.load(example).cautions for example in EXAMPLES}
    # 40 K below bonding the film on its part is thinner than where its contacts were shut
    (line,) = told.pop("bike_patch_sensor")
    assert re.match(
        r"at 7400 microstrain and -20 C the film is \d+ microstrain thinner", line
    )
    assert set(told.values()) == {()}


# --- whatever is written, the answer is a plan or a list of faults

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


# --- what the film sits on

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
