"""The sheet of a cup: what is written, and that it comes back as it was filled in."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest
from reference.findings import findings, plan_with

from percsim.advice import known_of, plan_readings, what_to_do
from percsim.decision.decide import State, Why
from percsim.errors import PlanError
from percsim.plan.readings import read_readings
from percsim.report.cups import cup_sheet
from percsim.units import parse_quantity

READ = ("resistance (ohm)", "strain (microstrain)", "strained_resistance (ohm)")


@pytest.fixture(scope="module")
def found():
    return findings()


@pytest.fixture(scope="module")
def sheet(found):
    return cup_sheet(found.whole_plan, found.first)


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text)))


def filled(path, text, *cells, line=0):
    """A sheet with cells written into it, of one film or of all."""
    rows = rows_of(text)
    for name, value in cells:
        for row in rows[line:] if line < 0 else [rows[line]]:
            row[name] = value
    writer = csv.DictWriter(out := io.StringIO(), list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue())
    return path


def test_a_film_to_cast_is_a_row_with_what_to_weigh_and_to_expect(found, sheet):
    rows, cup = rows_of(sheet), found.decision.cup
    assert [row["film"] for row in rows] == [str(k) for k in range(1, 7)]
    assert [row["electrode_gap (mm)"] for row in rows] == ["2"] * 3 + ["3"] * 3
    assert {(row["cup"], row["mix_ratio"]) for row in rows} == {("cup 1", "7:1")}
    assert float(rows[0]["weight_fraction (wt%)"]) == pytest.approx(
        100 * cup.weight_fraction
    )
    for part, grams in found.weigh_out().readings.items():
        assert {float(row[f"weigh {part} (g)"]) for row in rows} == {round(grams, 2)}
        assert {row[f"weighed {part} (g)"] for row in rows} == {""}
    for row in rows:
        (own,) = (
            o
            for o in found.outlooks
            if o.recipe.loading.weight_fraction == cup.weight_fraction
            and 1e3 * o.recipe.film.electrode_gap == float(row["electrode_gap (mm)"])
        )
        band, heads = own.casting_band(), ("resistance", "5 %", "95 %")
        for head, end in zip(heads, (band.median, band.p05, band.p95), strict=True):
            assert float(row[f"expected {head} (ohm)"]) == pytest.approx(end, rel=5e-3)
        assert not any(row[name] for name in (*READ, "lot", "temperature (C)"))


def test_where_nothing_will_do_the_sheet_says_so(found):
    never = findings(target={"resistance": "1 to 2 mohm"})
    text = cup_sheet(never.whole_plan, never.first)
    assert text.startswith("# no cup")


def cast(path, sheet, missing=()):
    """The sheet with readings in most of its rows, and those."""
    rows, read = rows_of(sheet), {}
    for k, row in enumerate(rows):
        if k not in missing:
            rest, gauge = (
                float(row["expected resistance (ohm)"]) * (0.8 + 0.1 * k),
                20.0 + k,
            )
            values = f"{rest:.6f}", "3000", f"{rest * (1.0 + 3e-3 * gauge):.6f}"
            row |= dict(zip(READ, values, strict=True))
            read[k] = rest, gauge
    writer = csv.DictWriter(out := io.StringIO(), list(rows[0]))
    writer.writeheader()
    writer.writerows(rows)
    path.write_text(out.getvalue())
    return read


def test_a_sheet_comes_back_as_it_was_filled_in(sheet, tmp_path):
    path = tmp_path / "cups.csv"
    read = cast(path, sheet, missing=(1, 5))
    back = read_readings(path)
    assert back.blank == 2
    readings = plan_readings(plan_with().with_measured(back.rows, path.name))
    for reading, (k, (rest, gauge)) in zip(readings, read.items(), strict=True):
        assert reading.label == f"cup 1, {'2 mm' if k < 3 else '3 mm'}, film {k + 1}"
        assert (reading.batch, reading.films) == ("cup 1", 1)
        assert reading.resistance == pytest.approx(rest, rel=1e-6)
        assert reading.strain == pytest.approx(3e-3)
        assert reading.relative_change == pytest.approx(3e-3 * gauge, rel=1e-4)


def test_films_of_a_cup_count_together_and_fewer_than_three_prove_nothing(
    found, sheet, tmp_path
):
    path = tmp_path / "cups.csv"
    cast(path, sheet)
    rows = read_readings(path).rows
    for row, factor in zip(rows, (0.9, 1.0, 1.1) * 2, strict=True):
        level = 1000.0 if row["electrode_gap"] == "2 mm" else 1500.0
        row |= {"resistance": f"{factor * level} ohm", "change": "6 %"}

    def of(rows):
        plan = plan_with().with_measured(rows, "cups.csv")
        return replace(found.mix.films, plan=plan)

    known, _ = known_of(of(rows))

    def decided(rows):
        return what_to_do([of(rows)], [known], found.target, withheld=False)[0]

    assert decided(rows).state is State.READY
    # of a conditioned film the first pull proves nothing
    assert found.target.pull == {row["pull"] for row in rows}.pop() == "conditioned"
    assert decided([row | {"pull": "first"} for row in rows]).why is Why.WAITING
    pooled = [rows[k] | {"films": 3} for k in (1, 4)]
    assert decided(rows) == decided(pooled)
    assert decided([*rows[:2], *rows[3:5]]).state is not State.READY
    # two that conduct beside an open one do not prove it either, nor films of two cups
    is_open = {"resistance": "open", "change": None}
    lost = [row | (is_open if k in (0, 3) else {}) for k, row in enumerate(rows)]
    lost = [{k: v for k, v in row.items() if v is not None} for row in lost]
    assert decided(lost).state is not State.READY
    apart = [row | {"batch": "cup 2"} if k in (0, 3) else row for k, row in enumerate(rows)]
    assert decided(apart).state is not State.READY


@pytest.mark.parametrize(
    ("cells", "row"),
    [
        # at rest alone; strained alone; open; opened under strain
        ({"resistance (ohm)": "1500"}, {"resistance": "1500 ohm"}),
        (
            {"strain (microstrain)": "3000", "strained_resistance (ohm)": "1.6 kohm"},
            {"resistance": "1.6 kohm", "strain": "3000 microstrain"},
        ),
        ({"resistance (ohm)": "open"}, {"resistance": "open"}),
        # a warm room is a room
        (
            {"resistance (ohm)": "1500", "temperature (C)": "23"},
            {"resistance": "1500 ohm"},
        ),
        ({"resistance (ohm)": "1500", "temperature (C)": "60"},
         {"resistance": "1500 ohm", "temperature": "60 C"}),
    ],
)  # fmt: skip
def test_films_read_in_part(sheet, tmp_path, cells, row):
    back = read_readings(filled(tmp_path / "cups.csv", sheet, *cells.items()))
    (found,) = back.rows
    assert back.blank == 5
    read = ("resistance", "strain", "temperature", "change")
    assert {k: v for k, v in found.items() if k in read} == row


def test_a_film_that_opens_under_strain_is_two_readings(sheet, tmp_path):
    cells = zip(READ, ("1500", "3000", "open"), strict=True)
    rest, strained = read_readings(filled(tmp_path / "cups.csv", sheet, *cells)).rows
    assert rest["resistance"] == "1500 ohm"
    assert "strain" not in rest
    assert (strained["resistance"], strained["strain"]) == ("open", "3000 microstrain")


def weighed(sheet, path, *grams):
    parts = ("graphite flake", "base", "curing agent")
    cells = [(f"weighed {p} (g)", g) for p, g in zip(parts, grams, strict=True) if g]
    path.write_text(filled(path, sheet, *cells, line=2).read_text())
    filled(path, path.read_text(), ("resistance (ohm)", "1500"), line=4)
    return read_readings(path).rows[0]["weight_fraction"]


def test_grams_as_weighed_are_the_loading(found, sheet, tmp_path):
    """Written once for the cup; what the balance and a usual hand miss is no other cup."""
    path, asked = tmp_path / "cups.csv", rows_of(sheet)[0]["weight_fraction (wt%)"]
    own = [f"{g:.2f}" for g in found.weigh_out().readings.values()]
    assert weighed(sheet, path, *own) == f"{asked} wt%"
    assert weighed(sheet, path, "6.00", "12.00", "2.00") == "30 wt%"
    assert weighed(sheet, path, "5.00", "13.00", "2.00") == "25 wt%"
    with pytest.raises(PlanError, match=r"weighed base is missing; give all parts"):
        weighed(sheet, path, "6.00", "", "2.00")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("resistance (ohm),strain", "resistance (ohmm),strain",
         "cups.csv: column 'resistance .ohmm.': .*unknown unit 'ohmm'"),
        ("resistance (ohm),strain", "resistence (ohm),strain",
         "cups.csv: column 'resistence .ohm.' is not known; did you mean 'resistance'"),
        ("temperature (C)", "temperature (V)", "cups.csv: column 'temperature .V.'"),
        (",,,,\n", ",wet,,,\n", r"cups.csv: line 2 \(cup 1, 2 mm, film 1\): resistance = "),
        (",,,,\n", ",1500,,1600,\n",
         r"cups.csv: line 2 \(cup 1, 2 mm, film 1\): strain is missing"),
        ("nothing", "nothing", "cups.csv: no film of it is read yet"),
    ],
)  # fmt: skip
def test_a_fault_is_one_line_with_file_line_and_film(sheet, tmp_path, old, new, message):
    path = tmp_path / "cups.csv"
    text = sheet if "wet" in new or "1600" in new or old == "nothing" else sheet.replace(
        ",,,,\n", ",1500,,,\n"
    )  # fmt: skip
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(PlanError, match=message) as caught:
        read_readings(path)
    assert len(caught.value.faults) == 1


def test_what_the_plan_has_against_a_film_names_it_too(sheet, tmp_path):
    path = filled(tmp_path / "cups.csv", sheet, ("resistance (ohm)", "1e15"), line=3)
    with pytest.raises(PlanError) as caught:
        plan_with().with_measured(read_readings(path).rows, path.name)
    (fault,) = caught.value.faults
    assert fault.startswith("cups.csv: line 5 ('cup 1, 3 mm, film 4').resistance = ")


def test_sheets_of_two_cups_go_together(sheet, tmp_path):
    one = filled(tmp_path / "one.csv", sheet, ("resistance (ohm)", "1500"))
    two = filled(tmp_path / "two.csv", sheet.replace("cup 1,", "cup 2,"),
                 ("resistance (ohm)", "1600"), line=3)  # fmt: skip
    plan = plan_with()
    for path in (one, two):
        plan = plan.with_measured(read_readings(path).rows, path.name)
    assert [row.batch for row in plan.measured] == ["cup 1", "cup 2"]
    np.testing.assert_allclose(
        [row.resistance for row in plan.measured],
        [parse_quantity(text, "resistance") for text in ("1500 ohm", "1600 ohm")],
    )
