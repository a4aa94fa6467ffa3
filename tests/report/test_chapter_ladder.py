"""The chapter on what to cast first, drawn from an invented ladder."""

import numpy as np
import pytest

from percsim.decision.ladder import casting_ladder
from percsim.report.answer import first_steps, headline
from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page
from percsim.report.terminal import text_summary
from percsim.words import share


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
    """One thing to act on; what is best in one sense or another is named as what it is."""
    chosen = summary["candidates"][summary["chosen"]]
    other = next(
        i
        for i, c in enumerate(summary["candidates"])
        if c["electrode_gap_m"] == chosen["electrode_gap_m"] and c is not chosen
    )
    summary["cast_first"] = {"films": 3, "candidates": [summary["chosen"], other]}
    weights = [100 * summary["candidates"][i]["weight_fraction"]
               for i in (summary["chosen"], other)]  # fmt: skip
    gap = 1e3 * chosen["electrode_gap_m"]
    first = (
        f"three films each of {weights[0]:.3g} wt% and {weights[1]:.3g} wt% at {gap:.3g}"
    )
    assert headline(summary).startswith(f"Cast first: {first} mm gap")
    steps = first_steps(summary)
    assert "one cup a loading" in steps[0]
    assert f"{share(summary['ladder']['covered'])} %" in steps[1]
    assert "percsim anchor" in steps[2]
    assert steps[3].startswith("Until then no recipe is proved")
    told = text_summary(summary)
    places = [told.index(word) for word in ("Cast first", "1. ", "2. ", "3. ", "4. ")]
    assert places == sorted(places)
    assert told.index("4. ") < told.index("As planned")
    assert chapter_lines(summary) == []  # said above already
    page = render_page(summary, [])
    assert page.index("What to do first") < page.index("Margin to each target, as planned")
    # once films are measured, or the contacts are known, the decision stands first
    assert first_steps({**summary, "anchor": {"candidates": []}}) == []
    assert first_steps({**summary, "cast_first": {"films": 3, "candidates": []}}) == []


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
