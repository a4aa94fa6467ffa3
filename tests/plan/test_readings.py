"""Files of readings from the bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from percsim.errors import PlanError
from percsim.plan.readings import read_readings


def rows(tmp_path: Path, text: str) -> list[dict[str, object]]:
    file = tmp_path / "cups.csv"
    file.write_text(text, encoding="utf-8")
    return read_readings(file).rows


def test_units_in_the_heading_or_in_the_cell(tmp_path: Path) -> None:
    found = rows(
        tmp_path,
        "# invented\n"
        "weight_fraction (wt%),gap [mm],resistance_kohm,films,dR/R (%),strain,note\n"
        "26,3,2.1,3,5.2,3000 microstrain,cup 1\n"
        "\n"
        "22,3,open,2,,,\n",
    )
    assert found == [
        {
            "row": 3,
            "weight_fraction": "26 wt%",
            "electrode_gap": "3 mm",
            "resistance": "2.1 kohm",
            "films": 3,
            "change": "5.2 %",
            "strain": "3000 microstrain",
            "note": "cup 1",
        },
        {
            "row": 5,
            "weight_fraction": "22 wt%",
            "electrode_gap": "3 mm",
            "resistance": "open",
            "films": 2,
        },
    ]


def test_cups_and_mixes_are_told_in_columns(tmp_path: Path) -> None:
    text = "loading (wt%),gap (mm),r (kohm),cup,mix_ratio,diameter_um,aspect_ratio\n"
    (row,) = rows(tmp_path, text + "30,3,2.1,7,7:1,10,12\n")
    assert row["aspect_ratio"] == 12.0
    assert (row["batch"], row["mix_ratio"], row["diameter"]) == ("7", "7:1", "10 um")


def test_semicolons_and_tabs(tmp_path: Path) -> None:
    for mark in ";\t":
        lines = "weight_fraction,electrode_gap,resistance\n26 wt%,3 mm,1 kohm\n"
        text = lines.replace(",", mark)
        assert rows(tmp_path, text)[0]["resistance"] == "1 kohm"


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("resistance_Mohm", "Mohm"),
        ("resistance_mohm", "mohm"),
        ("R (Mohm)", "Mohm"),
        ("Resistance_kOhm", "kohm"),
    ],
)
def test_a_megohm_is_no_milliohm(tmp_path: Path, heading: str, unit: str) -> None:
    found = rows(tmp_path, f"loading (wt%),gap (mm),{heading}\n26,3,2.1\n")
    assert found[0]["resistance"] == f"2.1 {unit}"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "cups.csv: is empty"),
        ("weight_fraction,electrode_gap,resistance\n", "cups.csv: holds no row"),
        ("weight_fraction,resistance\n26 wt%,1 kohm\n", "column electrode_gap is missing"),
        ("wieght_fraction,electrode_gap\n1,2\n", "did you mean 'weight_fraction'"),
        ("weight_fraction,gap,electrode_gap\n1,2,3\n", "electrode_gap is there twice"),
        ("weight_fraction,gap\n26 wt%,3 mm,0,5\n", "line 2 has 4 cells"),
        (
            "weight_fraction,electrode_gap,resistance,strain,strained_resistance\n"
            "26 wt%,3 mm,open,0.3 %,1 kohm\n",
            "line 2 (3 mm): open at rest and not when pulled",
        ),
        (
            "weight_fraction,electrode_gap,resistance,strain,strained_resistance\n"
            "26 wt%,3 mm,2 kohm,0 %,\n26 wt%,3 mm,2.1 kohm,0.3 %,\n",
            "line 3 (3 mm): strained_resistance is missing beside strain = 0.3 %",
        ),
    ],
)
def test_a_file_that_cannot_be_read_says_why(
    tmp_path: Path, text: str, message: str
) -> None:
    with pytest.raises(PlanError) as caught:
        rows(tmp_path, text)
    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        read_readings(tmp_path / "none.csv")
