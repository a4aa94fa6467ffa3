"""The chapters on temperature and on the film in use, drawn from a made-up film."""

import pytest
from reference.made_up_findings import findings_of, plan_with

from percsim.assemble.operation import operation
from percsim.assemble.temperature import temperature
from percsim.assemble.words import NOT_MODELLED
from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page

FIGURES = ["temperature", "linearity", "self_heating", "vibration"]


def summary_of(plan, **keywords):
    findings = findings_of(plan, n_boxes=8, **keywords)
    summary = {
        **findings.decision.as_dict(),
        "not_modelled": list(NOT_MODELLED),
        "states": {"temperatures_K": list(plan.temperatures)},
        "window": {"min": 0.0, "max": 3e-3},
    }
    summary |= temperature(findings, summary)
    return summary | operation(findings, summary)


@pytest.fixture(scope="module")
def summary():
    plan = plan_with(
        supply={"voltage": "3.3 V", "series_resistor": "1.8 kohm", "flicker_noise": 1e-12},
        vibration={"amplitude": "300 microstrain"},
        temperature={"part_thermal_expansion": "23 ppm/K"},
    )
    return summary_of(plan, box_spread=0.1, seed=3)


def words_of(summary):
    drawings = list(draw(Run(summary), FIGURES))
    assert not [d.note for d in drawings if d.failed]
    return render_page(summary, drawings).replace("\xa0", " "), drawings


def test_everything_is_on_the_page(summary):
    page, drawings = words_of(summary)
    assert [d.name for d in drawings if d.png is not None] == FIGURES
    for name in FIGURES:
        assert page.count(f'id="figure-{name}"') == 1
    for said in (
        "The sign of the temperature coefficient is not predicted",
        "One film cannot tell strain from temperature",
        "end-point line",
        "not modelled",
        "Usable strain window",
        "loop gain",
        "smallest strain told from it",
        "The law answers strain at once and forgets it",
        "decides nothing",
    ):
        assert said in page, said
    assert "nan" not in page.lower().split()
    assert "self-heating" not in summary["not_modelled"]


def test_the_command_line_says_the_numbers(summary):
    lines = "\n".join(chapter_lines(summary))
    assert "the sign not predicted without a measured R(T)" in lines
    assert "Nonlinearity" in lines
    assert "Self-heating" in lines
    assert "Vibration shifts the mean" in lines


def test_one_temperature_says_what_to_list():
    plan = plan_with(temperature={"values": ["20 C"]}, supply={"series_resistor": "1 kohm"})
    page, drawings = words_of(summary_of(plan))
    assert "Simulated at 20 C alone" in page
    assert "the drift is not known" in page
    assert {d.name for d in drawings} == {"linearity"}


def test_an_open_film_has_short_chapters():
    plan = plan_with(explore={"weight_fraction": ["12 wt%", "14 wt%"]})
    page, drawings = words_of(summary_of(plan))
    assert "The film is open; it has no response to temperature" in page
    assert not [d for d in drawings if d.png is not None]


def test_a_film_that_runs_away_is_told(summary):
    plan = plan_with(
        supply={"voltage": "30 V", "series_resistor": "0 ohm"},
        contacts={"lambda_T": 0.0, "Ea": "50 meV", "closed_at": "-40 C"},
    )
    made = summary_of(plan)
    page, _ = words_of(made)
    assert "Overheating" in page
    assert "has no steady temperature" in page
    assert made["operation"]["heating"]["in_still_air"]["runs_away"]
