"""The section of a sheet of patches: what it becomes, and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from plan.plans import changed, faults

from percsim.advice import fingerprint
from percsim.patches.readout import Wiring
from percsim.patches.scatter import SheetScatter
from percsim.plan import Plan
from percsim.plan.patches import part_field, sheet_layout, sheet_scatter, sheet_wiring
from percsim.plan.sections.patches import PatchesSection

SHEET = {"rows": 4, "columns": 3, "pitch": "20 mm"}
TUBE = {"radius": "25 mm", "modulus": "70 GPa", "thickness": "1.5 mm"}
POINTS = "along_mm,around_mm,axial_microstrain,temperature_C\n"
ROWS = "-40,-30,100,20\n40,-30,200,25\n-40,30,300,20\n40,30,400,25\n"


def test_the_section_reaches_its_stages() -> None:
    own = {
        "column_pitch": "21 mm", "angle": "30 deg", "cups": 2, "shared": "40 %",
        "thickness_wedge": "20 %", "slow_mixing": "30 %", "slow_mixing_length": "60 mm",
        "readout": "held", "line_resistance": "1 ohm", "switch_resistance": "6 ohm",
        "amplifier_offset": "1 mV", "diodes": True, "diode_drop": "0.5 V",
    }  # fmt: skip
    plan = Plan.from_dict(changed(patches=SHEET | own, part=TUBE))
    layout = sheet_layout(plan)
    assert (layout.rows, layout.columns, layout.pitch) == (4, 3, 0.02)
    assert (layout.column_pitch, layout.radius) == (0.021, 0.025)
    assert layout.angle == pytest.approx(math.pi / 6)
    assert sheet_scatter(plan) == SheetScatter(2, 0.4, 0.2, 0.3, 0.06)
    assert sheet_wiring(plan) == Wiring("held", 1.0, 6.0, 3.3, 1e-3, True, 0.5)
    assert Plan.from_dict(plan.as_dict()).patches == plan.patches


@pytest.mark.parametrize("name", list(PatchesSection.keys()))
def test_no_key_is_idle(name: str) -> None:
    """Every key is read by a stage or by the chapter."""
    folder = Path(__file__).parent.parent.parent / "percsim"
    texts = [
        (folder / part).read_text() for part in ("plan/patches.py", "findings/patches.py")
    ]
    assert any(f".{name}" in text for text in texts)


def test_the_current_lies_as_the_part_has_it() -> None:
    flat = Plan.from_dict(changed(patches=SHEET))
    assert (sheet_layout(flat).angle, sheet_layout(flat).radius) == (0.0, None)
    round_ = Plan.from_dict(changed(patches=SHEET, part=TUBE))
    assert sheet_layout(round_).angle == pytest.approx(math.pi / 2)
    # a tube under films that run along it
    own = SHEET | {"radius": "20 mm", "far_radius": "15 mm"}
    along = sheet_layout(Plan.from_dict(changed(patches=own)))
    assert (along.angle, along.radius, along.far_radius) == (0.0, 0.02, 0.015)


def test_it_asks_for_no_other_box() -> None:
    plain, sheet = (Plan.from_dict(changed(**s)) for s in ({}, {"patches": SHEET}))
    assert fingerprint(plain) == fingerprint(sheet)
    assert plain.states(0.3) == sheet.states(0.3)
    assert part_field(sheet) is None


def test_a_field_of_points_is_read_from_its_file(tmp_path: Path) -> None:
    (tmp_path / "ride.csv").write_text(POINTS + ROWS)
    plan_file = tmp_path / "plan.toml"
    inline = Plan.from_dict(
        changed(patches=SHEET, temperature={"values": ["20 C", "40 C"]})
    )
    text = inline.text.replace("rows = 4", 'rows = 4\nfield = "ride.csv"')
    plan_file.write_text(text)
    plan = Plan.load(plan_file)
    field = part_field(plan)
    assert field is not None
    layout = sheet_layout(plan)
    want = 250 + 50 * layout.along / 0.04 + 100 * layout.around / 0.03
    np.testing.assert_allclose(1e6 * field.axial, want, rtol=1e-9)
    np.testing.assert_allclose(
        field.temperature, 293.15 + 2.5 + 2.5 * layout.along / 0.04, rtol=1e-9
    )
    # what a folder keeps needs the file no more
    again = Plan.from_dict(plan.as_dict())
    assert again.patches == plan.patches
    assert "ride.csv" not in plan.whole_text
    assert "axial_microstrain" in plan.whole_text


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"),
        ("along_mm,axial_microstrain\n1,2\n", "line 1 must name the columns along_mm"),
        (POINTS.replace("temperature_C", "heat") + ROWS, "line 1 must name"),
        (POINTS + "1,2,3\n" + ROWS, "line 2 must hold 4 numbers"),
        (POINTS + "1,2,x,4\n" + ROWS, "line 2 must hold 4 numbers"),
        (POINTS + "1,2,nan,4\n" + ROWS, "line 2 must hold 4 numbers"),
        (POINTS + "1,2,3,4\n2,3,4,5\n", "must hold 3 to 20000 points, has 2"),
        (POINTS + "1,1,3,4\n2,2,4,5\n3,3,4,5\n", "do not lie on one line"),
    ],
)
def test_files_that_are_no_field(tmp_path: Path, text: str, what: str) -> None:
    (tmp_path / "ride.csv").write_text(text)
    plan = Plan.from_dict(changed(patches=SHEET)).text
    file = tmp_path / "plan.toml"
    file.write_text(plan.replace("rows = 4", 'rows = 4\nfield = "ride.csv"'))
    with pytest.raises(Exception, match=r"patches\.field") as caught:
        Plan.load(file)
    assert what in str(caught.value)
    assert "ride.csv" in str(caught.value)


def test_a_file_elsewhere_is_not_read(tmp_path: Path) -> None:
    for name in ("../ride.csv", "no.csv", "/etc/passwd"):
        (line,) = faults(patches=SHEET | {"field": name})
        assert "patches.field" in line


@pytest.mark.parametrize(
    ("sections", "what"),
    [
        ({"patches": {"rows": 4, "columns": 3}}, "patches.pitch is missing"),
        ({"patches": SHEET | {"pitch": "10 mm"}}, "patches.pitch = '10 mm' is less than"),
        (
            {"patches": SHEET | {"column_pitch": "5 mm"}},
            "patches.column_pitch = '5 mm' is less than a patch takes, '6 mm'",
        ),
        (
            {"patches": SHEET | {"angle": "40 deg", "pitch": "9 mm"}},
            "patches.pitch leaves a patch less area",
        ),
        (
            {"patches": SHEET | {"columns": 8}, "part": TUBE},
            "patches.columns = 8 at '20 mm' reach more than once around the part",
        ),
        ({"patches": SHEET | {"far_radius": "20 mm"}}, "far_radius needs the radius"),
        ({"patches": SHEET | {"shared": "80 %"}}, "shared are more than 100 %"),
        ({"patches": SHEET | {"cups": 5}}, "patches.cups = 5 is more than the rows, 4"),
        ({"patches": SHEET | {"diodes": True}}, "patches.diodes are for rows and columns"),
        (
            {"patches": SHEET | {"diodes": True, "diode_drop": "4 V", "readout": "held"}},
            "diode_drop must be below the supply",
        ),
        ({"patches": SHEET | {"amplifier_offset": "1 mV"}}, "needs readout = 'held'"),
        (
            {"patches": SHEET | {"bending_moment": "4 N m"}},
            "patches.bending_moment needs modulus and thickness of [part]",
        ),
        (
            {"patches": SHEET | {"torque": "4 N m"}, "part": TUBE | {"radius": None}},
            "patches.torque needs the radius of the tube",
        ),
        (
            {"patches": SHEET | {"bending_moment": "4"}},
            "has no unit; write it like '4 N m'",
        ),
        (
            {"patches": SHEET | {"temperature": "50 C"}},
            "patches.temperature of 50 to 50 C is outside of the temperatures computed",
        ),
        (
            {
                "patches": SHEET
                | {
                    "torque": "4 N m",
                    "field": {
                        "along_mm": [0, 1, 0],
                        "around_mm": [0, 0, 1],
                        "axial_microstrain": [0, 0, 1],
                    },
                },
                "part": TUBE,
            },
            "patches.torque is there besides field",
        ),
        (
            {
                "patches": SHEET
                | {
                    "field": {
                        "along_mm": [0, 1, 2],
                        "around_mm": [0, 0],
                        "axial_microstrain": [0, 0, 1],
                    }
                }
            },
            "patches.field must have columns of one length, 3 points or more",
        ),
    ],
)
def test_what_is_no_sheet_is_refused(sections: dict[str, dict], what: str) -> None:
    sections = {
        name: {k: v for k, v in own.items() if v is not None}
        for name, own in sections.items()
    }
    found = faults(**sections)
    assert len(found) == 1, found
    assert what in found[0]
