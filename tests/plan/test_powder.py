"""Sizes, shapes and placement of the powder as the plan file writes them."""

# ruff: noqa: E501  messages stand in one line, as a reader sees them

from __future__ import annotations

import json
import math
import os
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from plan.plans import BASE, changed, faults

from percsim.plan import Plan

ROOT = Path(__file__).resolve().parents[2]
EXAMPLES = sorted(
    path for path in (ROOT / "examples").glob("*.toml") if "survey" not in path.stem
)


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


def test_the_powder_of_the_text_loads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "powder.csv").write_text(SHEET, encoding="utf-8")
    text = (ROOT / "percsim" / "texts" / "powder.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"```toml\n(.*?)```", text, re.DOTALL)
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


def test_remarks_say_what_hard_and_clustered_particles_change() -> None:
    cold = {"closed_at": "-40 C"}
    hard = {"impenetrable": 0.9}
    (threshold,) = Plan.from_dict(changed(placement=hard, contacts=cold)).remarks
    assert "the boxes hold hard ones" in threshold
    clusters = {"clustered": "30 %", "cluster_diameter": "40 um"}
    (threshold,) = Plan.from_dict(changed(placement=clusters, contacts=cold)).remarks
    assert "the boxes hold clustered ones" in threshold
    thick = changed(
        placement={"faces": "confining"}, contacts=cold, film={"thickness": "1 mm"}
    )
    (faces,) = Plan.from_dict(thick).remarks
    assert "no effect" in faces
