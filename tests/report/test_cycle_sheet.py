"""The sheet of a cycled film: what it says, and that the plan reads its file back."""

from plan.plans import changed

from percsim.film.bench_cycle import protocol_of
from percsim.plan import Plan
from percsim.plan.records import read_path
from percsim.report.cycle_sheet import cycle_csv, cycle_rows, cycle_sheet

WARM = {"values": ["-20 C", "0 C", "30 C", "40 C", "60 C"]}


def test_its_file_is_the_path_of_a_plan(tmp_path):
    plan = Plan.from_dict(changed(temperature=WARM))
    steps = plan.bench_cycle
    (tmp_path / "pulls.csv").write_text(cycle_csv(steps))
    read, laid = read_path(tmp_path / "pulls.csv"), protocol_of(steps)
    assert [round(1e6 * read.strains[p.top]) for p in read.pulls] == [
        round(1e6 * laid.strains[p.top]) for p in laid.pulls
    ]
    assert abs(read.times[-1] - laid.times[-1]) < 0.01
    rows = cycle_rows(steps)
    assert rows[0] == {"time (s)": 0.0, "strain (microstrain)": 0.0,
                       "temperature (C)": 20.0, "part": "settle"}  # fmt: skip
    assert max(row["temperature (C)"] for row in rows) == 40.0  # 10 K tell too little


def test_the_sheet_says_what_each_part_tells():
    text = cycle_sheet(Plan.from_dict(changed(temperature=WARM)).bench_cycle, quiet=False)
    lines = text.splitlines()
    rising = next(line for line in lines if " rising " in line)
    assert "1000 0 2000 0 3000 0" in rising
    assert " 100 " in rising
    assert " 10 " in next(line for line in lines if " slow " in line)
    for words in ("strain on the part", "four terminals", "unstrained twin"):
        assert words in text
    assert "one temperature" not in text
    assert max(map(len, lines)) <= 110


def test_one_temperature_is_said():
    steps = Plan.from_dict(changed()).bench_cycle
    assert "lambda_T (T - closed_at)" in cycle_sheet(steps, quiet=False)
    assert "lambda_T" not in cycle_sheet(steps, quiet=True)


def test_amplitudes_come_from_the_window():
    strain = {"window": "-500 to 2000 microstrain"}
    steps = Plan.from_dict(changed(strain=strain, temperature=WARM)).bench_cycle
    assert max(step.strain for step in steps) == 2e-3
