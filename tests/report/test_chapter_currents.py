"""The chapter on what the currents tell, drawn from invented numbers."""

import copy

import pytest

from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page


def row(parameter, value, change, factor):
    return {
        "parameter": parameter,
        "value": value,
        "basis": "assumed",
        "log_slope": 10.0 * change,
        "resistance_change": change,
        "gauge_factor_change": factor,
        "gauge_factor_change_se": 0.2 * abs(factor),
    }


@pytest.fixture
def summary(invented):
    made = invented().summary
    made["currents"] = {
        "weight_fraction": 0.34,
        "electrode_gap_m": 3e-3,
        "n_boxes": 17,
        "box_length_m": 2e-4,
        "boxes_in_film": 450.0,
        "hottest_share": {"mean": 0.19, "standard_error": 0.004},
        "supplied": True,
        "film_voltage_V": 1.47,
        "box_voltage_V": 0.099,
        "largest_share": {"mean": 0.0027, "standard_error": 0.0002},
        "largest_contact_power_W": {
            "mean": 9.1e-9, "standard_error": 5e-10, "largest": 1.43e-8,
        },
        "noise_index_box": {"mean": 3.3e-4, "standard_error": 7e-6},
        "noise_index_film": {"mean": 7.2e-7, "standard_error": 1.5e-8},
        "conductance_S": 3.5e-4,
        "estimates": {
            "critical_path": {"mean": 0.0022, "p05": 0.0017, "p95": 0.0031},
            "bottleneck": {"mean": 0.2, "p05": 0.18, "p95": 0.22},
            "effective_medium": {"mean": 3.1, "p05": 2.9, "p95": 3.4},
        },
        "power_by_contact": [
            {"hottest": h, "mean": p, "p05": 0.7 * p, "p95": 1.4 * p}
            for h, p in ((0.0, 2.7e-3), (0.001, 1.2e-3), (0.01, 5e-4), (0.9, 0.0))
        ],
        "gradient": [
            row("g0", 8e-5, -0.0909, 0.0),
            row("beta", 100.0, 0.029, 0.55),
            row("delta_b", 0.01, -0.035, -0.53),
            row("lambda_T", 0.3, 0.07, -0.77),
            row("Ea", 1.602e-21, 0.0, 0.0),
            row("threshold", 0.094, float("inf"), 0.0),
        ],
    }  # fmt: skip
    return made


def test_the_page_tells_what_the_currents_do(summary):
    drawings = list(draw(Run(summary), ["currents"]))
    assert drawings[0].png is not None, drawings[0].note
    page = render_page(summary, drawings).replace("\xa0", " ").replace("&nbsp;", " ")
    assert 'href="#currents"' in page
    assert "figure-currents" in page
    for words in ("14.3 nW", "99 mV", "17 conducting boxes", "10 meV"):
        assert words in page, words
    # a threshold a tenth higher opens this film
    assert "opens" in page


def test_the_command_line_names_the_hottest(summary):
    (line,) = chapter_lines({"currents": summary["currents"]})
    assert "19 % of the heat" in line
    assert "14.3 nW at 1.47 V" in line


def test_without_variations_there_is_no_gradient(summary):
    bare = copy.deepcopy(summary)
    bare["currents"] |= {"gradient": [], "supplied": False, "film_voltage_V": 1.0}
    (drawing,) = draw(Run(bare), ["currents"])
    assert drawing.png is not None
    page = render_page(bare, [drawing])
    assert "What a tenth more" not in page
    assert "No supply is planned" in page


def test_a_run_without_currents_has_no_chapter(invented):
    summary = invented().summary
    assert "currents" not in {d.name for d in draw(Run(summary))}
    assert 'href="#currents"' not in render_page(summary, [])


def test_open_boxes_are_counted(summary):
    page = render_page(summary, [])
    assert "more are open" not in page
    summary["currents"]["n_open"] = 3
    page = render_page(summary, [])
    assert "at rest (3 more are open and carry none)" in page
