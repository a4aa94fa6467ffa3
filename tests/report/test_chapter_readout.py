"""The chapters on temperature and on the film in use, drawn from a made-up film."""

import copy
from dataclasses import replace

import numpy as np
import pytest
from reference.made_up_findings import findings_of, plan_with

from percsim.findings.operation import operation
from percsim.findings.rows import summary_of_choice
from percsim.findings.temperature import temperature
from percsim.findings.words import NOT_MODELLED
from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page

FIGURES = ["temperature", "linearity", "self_heating", "vibration"]


def summary_of(plan, **keywords):
    findings = findings_of(plan, **keywords)
    summary = {
        **summary_of_choice(findings),
        "not_modelled": list(NOT_MODELLED),
        "states": {"temperatures_K": list(plan.temperatures)},
        "window": {"min": 0.0, "max": 3e-3, "chord": 3e-3},
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


def test_bands_without_bound_are_drawn_and_told(summary):
    made = copy.deepcopy(summary)
    heat = made["operation"]["heating"]
    heat["prior_coefficient_per_K"] |= {"p05": -1e-4, "p95": "inf"}
    made["temperature"]["coefficient_ppm_per_K"] |= {
        "prior_p05": -100.0,
        "prior_p95": "inf",
    }
    page, _ = words_of(made)  # a warning of numpy would fail here
    assert "-100 upward, without bound" in page.replace("−", "-")
    line = next(x for x in chapter_lines(made) if x.startswith("Temperature coefficient"))
    assert line.endswith("parameters: -100 ppm/K upward, without bound).")


def test_noise_that_is_not_stated_makes_the_smallest_strain_a_lower_bound(summary):
    told = "(instrument_noise), which [supply] does not state"
    assert any(told in line for line in chapter_lines(summary))
    assert f"{told}. Drift with temperature" in words_of(summary)[0]
    made = copy.deepcopy(summary)
    made["operation"]["noise"]["instrument_V"] = 1e-5
    assert not any("lower bound" in line for line in chapter_lines(made))
    made["operation"]["noise"]["flicker_V"] = None
    assert any("1/f noise" in line for line in chapter_lines(made))


def test_a_response_that_turns_is_told(summary):
    told = "As planned R turns within the window"
    assert not summary["operation"]["linearity"]["turns"]
    assert not any(told in line for line in chapter_lines(summary))
    made = copy.deepcopy(summary)
    plan = plan_with(
        strain={"window": "-3000 to 3000 microstrain", "points": 7},
        contacts={"closed_at": "-80 C"},
        supply={"voltage": "3.3 V", "series_resistor": "1.8 kohm"},
        vibration={"amplitude": "300 microstrain"},
    )
    findings = findings_of(plan)
    castings = findings.best.castings
    strains = np.array(castings.visits.strains)
    bent = replace(castings, nominal=castings.nominal * np.exp(3e4 * strains**2))
    candidates = tuple(
        replace(c, castings=bent) if c is findings.best else c
        for c in findings.whole.candidates
    )
    whole = replace(findings.whole, candidates=candidates)
    made |= operation(replace(findings, whole=whole), made)
    assert made["operation"]["linearity"]["turns"]
    assert any(told in line for line in chapter_lines(made))
    assert told in words_of(made)[0]


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
