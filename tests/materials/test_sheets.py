"""Sheets of the materials in the data files."""

from __future__ import annotations

import pytest

from percsim.errors import PlanError
from percsim.materials import load_material, material_names
from percsim.materials.sheets import MAIN, material_sheet, material_table


def test_the_table_and_a_sheet_hold_what_the_files_do() -> None:
    for kind in MAIN:
        rows = material_table(kind)
        assert [row["name"] for row in rows] == list(material_names(kind))
        for row in rows:
            assert row["density"] == load_material(row["name"]).density
    # flakes of aspect ratio 15 of one size span at 8.354 vol% by a program of its own
    (flake,) = [r for r in material_table("filler") if r["name"] == "graphite flake"]
    solids = flake["threshold"] / 2250.0
    volume = solids / (solids + (1.0 - flake["threshold"]) / 1030.0)
    assert volume == pytest.approx(0.08354, rel=0.05)
    sheet = material_sheet("graphite")
    assert sheet["name"] == "graphite flake"
    assert {row["name"] for row in sheet["values"]} >= {"density", "aspect ratio"}
    texts = [c.text for c in load_material("graphite").cautions]
    assert [said.partition(" (")[0] for said in sheet["cautions"]] != []
    assert all(said.startswith(t) for said, t in zip(sheet["cautions"], texts, strict=True))
    with pytest.raises(PlanError, match="no material is called"):
        material_sheet("unobtainium")
