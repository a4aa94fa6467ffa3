"""Sheets of the materials in the data files."""

from __future__ import annotations

import pytest

from percsim.errors import PlanError
from percsim.materials import load_material, material_names
from percsim.materials.sheets import material_sheet, material_table


def test_the_table_and_a_sheet_hold_what_the_files_do() -> None:
    assert {row["name"] for row in material_table()} == set(material_names())
    sheet = material_sheet("graphite")
    assert sheet["name"] == "graphite flake"
    assert {row["name"] for row in sheet["values"]} >= {"density", "aspect ratio"}
    texts = [c.text for c in load_material("graphite").cautions]
    assert [said.partition(" (")[0] for said in sheet["cautions"]] != []
    assert all(said.startswith(t) for said, t in zip(sheet["cautions"], texts, strict=True))
    with pytest.raises(PlanError, match="no material is called"):
        material_sheet("unobtainium")
