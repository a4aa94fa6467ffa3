"""Records of machines and loggers as they are written."""

import numpy as np
import pytest
from plan.plans import changed, faults

from percsim.advice import plan_readings
from percsim.errors import PlanError
from percsim.plan import Plan
from percsim.plan.readings import read_readings
from percsim.plan.records import read_cycled_film, read_path
from percsim.plan.write import to_toml
from percsim.words.films import record_words

UE = 1e-6
T = np.arange(0.0, 130.0, 0.5)
E = 3000.0 * np.interp(T, [0, 10, 40, 70, 100, 130], [0, 0, 1, 0, 1, 0])  # microstrain
R = 2.0 * np.exp(20e-6 * E)  # kohm


def table(head, row, between=",", comma=False):
    lines = [head]
    for t, e, r in zip(T, E, R, strict=True):
        cells = [f"{x:.6g}" for x in row(t, e, r)]
        cells = [c.replace(".", ",") for c in cells] if comma else cells
        lines.append(between.join(cells))
    return "\n".join(lines) + "\n"


def usual(t, e, r):
    return t, e, r, 21.5


USUAL = "time (s),strain (microstrain),resistance (kohm),temperature (C)"


def read(folder, text):
    path = folder / "film.csv"
    path.write_text(text, encoding="utf-8")
    return read_cycled_film(path)


def fault(folder, text):
    with pytest.raises(ValueError) as caught:  # noqa: PT011  the line is looked at
        read(folder, text)
    return str(caught.value)


def same(found, temperature=294.65):
    path = found.protocol
    assert [round(path.strains[p.top] / UE, -1) for p in path.pulls] == [3000, 3000]
    expected = np.log(2000.0) + 20.0 * path.strains
    np.testing.assert_allclose(found.log_resistances, expected, atol=2e-3)
    np.testing.assert_allclose(path.temperatures, temperature)
    assert path.times[-1] == pytest.approx(129.5, abs=1e-3)


@pytest.mark.parametrize(
    ("head", "row", "between", "comma"),
    [
        (USUAL, usual, ",", False),
        ("Time [s];Strain [µε];R [kΩ];Temp [°C]", usual, ";", True),
        ("time_s\tstrain_microstrain\tresistance_kohm\ttemperature_C", usual, "\t", True),
        ("Time;Force;Strain;R;Temperature\nmin;N;%;Ohm;K",
         lambda t, e, r: (t / 60.0, 1.0, e * 1e-4, 1e3 * r, 294.65), ";", True),
        ("# a bench\nSpecimen,A7,,\n" + USUAL, usual, ",", False),
    ],
)  # fmt: skip
def test_one_film_however_it_is_written(tmp_path, head, row, between, comma):
    found = read(tmp_path, table(head, row, between, comma))
    same(found)
    assert (found.readings, found.blank) == (len(T), 0)


def test_without_temperatures_a_film_was_at_20(tmp_path):
    head = "time (s),strain (microstrain),resistance (kohm)"
    found = read(tmp_path, table(head, lambda t, e, r: (t, e, r)))
    same(found, 293.15)
    assert (found.readings, found.blank) == (len(T), 0)


@pytest.mark.parametrize("day", ["{:02.0f}:{:02.0f}:{:06.3f}", "2026-03-04T{}:{}:{}"])
def test_times_of_the_day(tmp_path, day):
    lines = ["time,strain (microstrain),resistance (kohm)"]
    for t, e, r in zip(T, E, R, strict=True):
        clock = ("00", f"{int(t // 60):02d}", f"{t % 60:06.3f}")
        lines.append(f"{day.format(*clock) if 'T' in day else ':'.join(clock)},{e},{r}")
    found = read(tmp_path, "\n".join(lines))
    same(found, 293.15)
    assert (found.readings, found.blank) == (len(T), 0)


def test_rows_without_a_reading_are_passed_over_and_counted(tmp_path):
    lines = table(USUAL, usual).splitlines()
    for at, cells in ((20, "9.5,0,,21.5"), (40, "19.5,nan,2,21.5"), (41, "20"), (60, "")):
        lines[at] = cells
    lines.insert(100, lines[99])  # a row written twice
    found = read(tmp_path, "\n".join(lines))
    same(found)
    assert found.blank == 4
    assert found.readings == len(T) - 4


@pytest.mark.parametrize("word", ["open", "OL", "9.9E37", "inf"])
def test_an_open_film(tmp_path, word):
    lines = table(USUAL, usual).splitlines()
    for at, line in enumerate(lines[1:], 1):
        t, e, _, c = line.split(",")
        if float(e) > 2500.0:
            lines[at] = ",".join([t, e, word, c])
    found = read(tmp_path, "\n".join(lines))
    strained = found.protocol.strains > 2.5e-3
    np.testing.assert_array_equal(np.isinf(found.log_resistances), strained)
    assert strained.sum() == 6  # both turning points, and the visits before and after


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "is empty; its first line names the columns"),
        ("time (s),strain (%)\n0,0\n",
         "has no column resistance; its heading names time, strain, resistance and"
         " temperature"),
        ("a,b\n1,2\n", "has no column time and strain and resistance; its heading names"
         " time, strain, resistance and temperature"),
        ("time (s),strain,R (kohm)\n0,0,1\n",
         "column 'strain' has no unit; write it like strain (microstrain), or in a row"
         " below"),
        ("time (s),strain (mV),R (kohm)\n0,0,1\n",
         "column 'strain (mV)': '1 mV' is not a strain; write it like '3000 microstrain'"),
        ("time (s),strain (%),R (kohm),temperature (F)\n0,0,1,70\n",
         "column 'temperature (F)': 'F' is neither C nor K"),
        ("time (s),strain (%),R (kohm),time (s)\n", "column time is there twice"),
        ("time (s),strain (%),R (kohm)\n0,0,1,5\n",
         "line 2 has 4 cells, the heading names 3; with commas between cells decimals are"
         " points"),
        ("time (s),strain (%),R (kohm)\n0,0,1\n1,zero,1\n",
         "line 3: strain = 'zero' is not a number"),
        ("time (s),strain (%),R (kohm)\n0,0,1\n2,0,1\n1,0,1\n",
         "line 4: time falls from 2 to 1 s"),
        ("time (s),strain (%),R (kohm)\n0,0,-1\n",
         "line 2: resistance = -1 must be above 0"),
        ("time (s),strain (%),R (kohm)\n0,0,1\n",
         "holds fewer than two readings below its heading"),
        ("time (s),strain (%),R (kohm)\n0,0,1\n1,1,1\n2,0,1\n",
         "holds 3 readings; a cycled film takes 20 or more"),
        ("time,strain (%),R (kohm)\n1:2:x,0,1\n", "line 2: time = '1:2:x' is no time"),
    ],
)  # fmt: skip
def test_what_is_refused_is_said_in_a_line(tmp_path, text, told):
    assert fault(tmp_path, text) == told


def test_a_film_that_is_only_pulled_is_refused(tmp_path):
    lines = table(USUAL, usual).splitlines()[:80]
    assert fault(tmp_path, "\n".join(lines)) == "the film is never pulled and released"


def test_a_film_that_is_open_at_rest_is_refused(tmp_path):
    text = table(USUAL, lambda t, e, r: (t, e, r if t > 30 else 9.9e37, 20))
    assert fault(tmp_path, text) == "the film is open before the first pull"


def test_a_path_by_its_corners(tmp_path):
    """A ride: loaded, shaken once, a warm hour, unloaded."""
    path = tmp_path / "ride.csv"
    path.write_text(
        "time (min); strain (microstrain); temperature (C)\n"
        "0;0;20\n1;1500;20\n2;1300;20\n62;1300;40\n122;1300;40\n123;0;40\n183;0;20\n"
    )
    found = read_path(path)
    assert found.times[-1] == 183 * 60.0
    assert found.strains.max() == pytest.approx(1500 * UE)
    assert found.temperatures.max() == pytest.approx(313.15)
    at = np.flatnonzero(found.times == 122 * 60.0)[0]
    assert found.strains[at] == pytest.approx(1300 * UE)
    assert len(found.temperature_steps) == 2
    assert len(found.holds) == 1
    # halfway through the warming the film is halfway warm
    middle = np.interp(32 * 60.0, found.times, found.temperatures)
    assert middle == pytest.approx(303.15)
    assert len(found) < 60


def test_a_path_must_begin_at_rest(tmp_path):
    path = tmp_path / "ride.csv"
    path.write_text("time (s),strain (microstrain)\n0,100\n1,0\n")
    with pytest.raises(ValueError, match="begins at 100 microstrain"):
        read_path(path)


# --- as a row of films that were read


ROW = {"weight_fraction": "30 wt%", "electrode_gap": "3 mm"}


def test_a_row_takes_its_resistance_from_the_record(tmp_path):
    (tmp_path / "film.csv").write_text(table(USUAL, lambda t, e, r: (t, e, r, 20.0)))
    text = to_toml(changed(measured=[ROW | {"cycle": "film.csv"}]))
    (tmp_path / "plan.toml").write_text(text)
    plan = Plan.load(tmp_path / "plan.toml")
    film = plan.measured[0].cycle
    assert len(film.protocol.pulls) == 2
    (reading,) = plan_readings(plan)
    assert reading.resistance == pytest.approx(2000.0)
    again = Plan.from_dict(plan.as_dict())
    assert again.measured == plan.measured
    assert "film.csv" not in plan.whole_text


def test_a_column_of_a_file_of_readings(tmp_path):
    (tmp_path / "film.csv").write_text(table(USUAL, lambda t, e, r: (t, e, r, 20.0)))
    (tmp_path / "read.csv").write_text(
        "weight_fraction (wt%),electrode_gap (mm),cycle\n30,3,film.csv\n"
    )
    rows = read_readings(tmp_path / "read.csv").rows
    plan = Plan.from_dict(changed()).with_measured(rows, "read.csv", tmp_path)
    words = record_words(plan.measured[0].cycle)
    assert words.startswith("Cycled film: 260 readings; 2 pulls, reduced to ")
    (tmp_path / "film.csv").write_text("time (s),strain (%),R (ohm)\n0,0,-2\n")
    with pytest.raises(PlanError) as caught:
        Plan.from_dict(changed()).with_measured(rows, "read.csv", tmp_path)
    assert caught.value.faults == (
        "read.csv: line 2.cycle = 'film.csv': line 2: resistance = -2 must be above 0",
    )


def test_a_record_beyond_the_window_is_refused():
    visits = [
        "0 s, 0 %, 20 C, 2 kohm",
        "9 s, 0.4 %, 20 C, 2 kohm",
        "18 s, 0 %, 20 C, 2 kohm",
    ]
    (line,) = faults(measured=[ROW | {"cycle": visits}])
    assert line == (
        "measured[1].cycle runs from '0 microstrain' to '4000 microstrain', outside of the"
        " plan's, '0 microstrain' to '3000 microstrain'"
    )
    up = [visits[0], "9 s, 0.3 %, 20 C, 2 kohm"]
    (line,) = faults(measured=[ROW | {"cycle": up}])
    assert line.startswith("measured[1].cycle holds no pull")
