"""The chapter on standing and trade-off, drawn from an invented run with two powders."""

import copy

import pytest

from percsim.report.candidates import of_one_mix, varying_axes
from percsim.report.chapters import chapter_lines
from percsim.report.figures import Run, draw
from percsim.report.page import render_page


def with_front(summary, verdict="one stage", stages=()):
    points = []
    for k, c in enumerate(summary["candidates"]):
        if c["resistance_ohm"]["median"] == float("inf"):
            continue
        points.append(
            {
                "candidate": k,
                "gauge_factor": c["gauge_factor"]["median"],
                "gauge_factor_se": 1.0,
                "resistance_cv": c["resistance_cv"],
                "resistance_cv_se": 0.01,
                "on_front": k % 2 == 0,
                "on_front_share": 0.4,
            }
        )
    for c in summary["candidates"]:
        c |= {
            "weight_fraction_above_threshold": 0.1,
            "weighing_error": {
                "relative": 0.01, "pass_share_low": 0.61, "pass_share_high": 0.83,
            },
            "best_confidence": 0.05,
        }  # fmt: skip
    summary["front"] = {
        "points": points,
        "members": [p["candidate"] for p in points if p["on_front"]],
        "confidence": 0.87,
        "confidence_asked": 0.95,
        "equal_within": 0.01,
        "verdict": verdict,
        "stages": list(stages),
        "boxes_per_loading": [20, 60],
    }
    return summary


@pytest.fixture
def summary(invented):
    return with_front(copy.deepcopy(invented().summary))


@pytest.fixture
def mixed(invented):
    """The same candidates twice, with two aspect ratios; the second is the deciding one."""
    made = copy.deepcopy(invented().summary)
    count = len(made["candidates"])
    other = copy.deepcopy(made["candidates"])
    for rows, ratio in ((made["candidates"], 12.0), (other, 20.0)):
        for c in rows:
            c["filler_aspect_ratio"] = ratio
    made["candidates"] += other
    for key in ("chosen", "nearest"):
        if made.get(key) is not None:
            made[key] += count
    return with_front(made)


def test_the_page_says_how_sure_the_choice_is(summary):
    drawings = list(draw(Run(summary), ["trade_off"]))
    assert drawings[0].png is not None, drawings[0].note
    page = render_page(summary, drawings).replace("\xa0", " ")
    assert 'id="trade-off"' in page
    assert "87 % (95 % asked)" in page
    assert "with most above count in [boxes]" in page
    assert "figure-trade_off" in page


def test_stages_are_told(summary):
    look = {
        "boxes": 120, "confidence": 0.71, "confidence_needed": 0.99,
        "choice": "30 wt% at 3 mm", "meets_target": True,
        "undecided": ["30 wt% at 3 mm", "34 wt% at 3 mm"],
    }  # fmt: skip
    summary = with_front(summary, "spent", [look])
    page = render_page(summary, [])
    assert "budget of boxes was spent" in page
    assert "30 wt% at 3 mm; 34 wt% at 3 mm" in page
    (line,) = [text for text in chapter_lines(summary) if "Simulated confidence" in text]
    assert "87 % (95 % asked; budget of boxes spent)" in line


def test_tables_name_only_what_varies(summary, mixed):
    assert varying_axes(summary) == []
    assert varying_axes(mixed) == ["filler_aspect_ratio"]
    page = render_page(mixed, [])
    assert page.count("aspect ratio") > render_page(summary, []).count("aspect ratio")


def test_other_figures_show_the_deciding_mix(mixed):
    count = len(mixed["candidates"]) // 2
    one = of_one_mix(mixed)
    assert [c["filler_aspect_ratio"] for c in one["candidates"]] == [20.0] * count
    assert one["chosen"] == mixed["chosen"] - count
    castings = [{"candidate": k, "casting": 0} for k in range(2 * count)]
    boxes = [{"filler_aspect_ratio": r, "box_number": 0} for r in (12.0, 20.0)]
    narrowed = Run(mixed, boxes, (), castings).of_one_mix()
    assert [row["candidate"] for row in narrowed.castings] == list(range(count))
    assert [row["filler_aspect_ratio"] for row in narrowed.boxes] == [20.0]
    names = ["gauge_factor_vs_weight_fraction", "trade_off"]
    drawings = {d.name: d for d in draw(Run(mixed), names)}
    assert "Of the mix that decides: aspect ratio 20" in (
        drawings["gauge_factor_vs_weight_fraction"].caption
    )
    assert "mix that decides" not in drawings["trade_off"].caption
    assert all(d.png is not None for d in drawings.values())
