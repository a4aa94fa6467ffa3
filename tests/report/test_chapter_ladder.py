"""The chapter on what to cast first, drawn from an invented ladder."""

import numpy as np
import pytest

from percsim.decision.ladder import casting_ladder
from percsim.quantities import share
from percsim.report.answer import first_steps
from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page
from percsim.report.terminal import text_summary


@pytest.fixture
def summary(invented):
    """Invented run whose films are known within a factor of ten."""
    made = invented().summary
    rng = np.random.default_rng(4)
    nominal = [c["resistance_ohm"]["median"] for c in made["candidates"]]
    level = np.log(10.0) / 1.96 * rng.standard_normal(2000)
    logs = np.log(np.array(nominal))[None, :] - level[:, None]
    cups = [c["weight_fraction"] for c in made["candidates"]]
    cups = [sorted(set(cups)).index(w) for w in cups]
    ladder = casting_ladder(
        logs, {"g0": level}, np.full(len(cups), 0.15), (700.0, 3000.0), cups, rng=rng
    ).as_dict()
    for rung in ladder["rungs"]:
        rung["cup"] = cups[rung["candidate"]]
    made["ladder"] = ladder | {"window_ohm": [700.0, 3000.0]}
    return made


def test_the_page_tells_what_to_cast_first(summary):
    drawings = list(draw(Run(summary), ["casting_ladder"]))
    assert drawings[0].png is not None, drawings[0].note
    page = render_page(summary, drawings)
    assert 'id="cast-first"' in page
    assert 'href="#cast-first"' in page
    assert "figure-casting_ladder" in page
    covered = summary["ladder"]["covered"]
    assert f"probability {100 * covered:.0f}" in page.replace("\xa0", " ")


def test_the_command_line_names_the_rungs(summary):
    (line,) = chapter_lines({k: summary[k] for k in ("ladder", "candidates")})
    rung = summary["candidates"][summary["ladder"]["rungs"][0]["candidate"]]
    assert f"{100 * rung['weight_fraction']:.3g} wt%" in line


def test_what_to_do_first_comes_in_order(summary):
    """One cup to cast; the rest of the ladder is named as what it is."""
    cup = summary["cast_first"]["candidates"]
    steps = first_steps(summary)
    assert steps[0].startswith("Cast these films from the one cup")
    assert f"{share(summary['ladder']['covered'])} %" in steps[1]
    assert "percsim anchor" in steps[2]
    # films of the cup are not asked for twice
    rungs = [rung["candidate"] for rung in summary["ladder"]["rungs"]]
    assert set(rungs) - set(cup)
    held = summary["candidates"][cup[0]]["weight_fraction"]
    assert (f"{100 * held:.3g} wt%" in steps[1]) == any(
        summary["candidates"][i]["weight_fraction"] == held for i in set(rungs) - set(cup)
    )
    summary["cast_first"]["candidates"] = sorted({*cup, *rungs})
    assert len(first_steps(summary)) == 2
    summary["cast_first"]["candidates"] = cup
    told = text_summary(summary)
    places = [told.index(word) for word in ("Cast to learn", "1. ", "2. ", "3. ", "As pl")]
    assert places == sorted(places)
    assert chapter_lines(summary) == []  # said above already
    page = render_page(summary, [])
    assert page.index("What to do next") < page.index("Margin to each target, as planned")


def test_a_run_without_a_ladder_has_no_chapter(invented):
    summary = invented().summary
    assert "casting_ladder" not in {d.name for d in draw(Run(summary))}
    assert 'href="#cast-first"' not in render_page(summary, [])


def test_a_ladder_without_rungs_says_so(summary):
    summary["ladder"] |= {"rungs": [], "covered": 0.0}
    assert chapter_lines({"ladder": summary["ladder"]}) == []
    (drawing,) = draw(Run(summary), ["casting_ladder"])
    assert drawing.png is None
    assert not drawing.failed
    assert "has a chance worth a cup" in render_page(summary, [drawing])
