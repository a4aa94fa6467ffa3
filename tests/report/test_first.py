"""The first page as a sheet and its plot: numbers of the summary, points where they are."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import pytest
from reference.findings import findings, row_of

from percsim.decision.decide import State
from percsim.first_page import Read
from percsim.packing import plain
from percsim.report.first import first_sheet
from percsim.report.first_plot import HEIGHT, LEFT, WIDTH, plot_svg


@pytest.fixture(scope="module")
def found():
    return findings()


@pytest.fixture(scope="module")
def page(found):
    return found.first


def test_the_sheet_holds_the_numbers_of_the_page(page):
    sheet = first_sheet({"first_page": plain(page)})
    (cup,) = sheet.cups
    own = page.cups[0]
    assert [float(mass) for _, mass in cup.parts[:-1]] == [p.reading for p in own.parts]
    assert float(cup.parts[-1][1]) == pytest.approx(sum(p.reading for p in own.parts))
    assert [gap for gap, *_ in cup.films] == ["2 mm", "3 mm"]
    assert len(sheet.rows) == len(page.rows) <= 5
    for (kind, cells), row in zip(sheet.rows, page.rows, strict=True):
        cast = row.in_cup and (page.state is State.LEARN or not row.is_best)
        assert kind == ("cast" if cast else "best" if row.is_best else "")
        assert cells[0][0].startswith(f"{100 * row.place.weight_fraction:.4g} wt%")
    assert len(sheet.causes) == 2
    assert all(len(cells) == len(sheet.cause_heads) for cells in sheet.causes)
    assert sheet.cautions


def circles(svg):
    found = re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)"', svg)
    return [(float(x), float(y)) for x, y in found]


def test_readings_stand_where_they_are_and_under_their_names(page):
    """On axes of weight fraction and ln R, told from three points that span them."""
    reads = [
        Read("cup A", 0.26, 3e-3, 1e3, False),
        Read("cup B", 0.34, 3e-3, 1e3, False),
        Read("<b>cup C</b>", 0.30, 3e-3, 1e4, True),
        Read("cup D", 0.30, 3e-3, 1e5, False),
    ]
    svg = plot_svg(replace(page, plot=replace(page.plot, readings=tuple(reads))))
    (ax, ay), (bx, by), (cx, cy), (dx, dy) = circles(svg)
    assert ay == by
    assert cx == pytest.approx(0.5 * (ax + bx), abs=0.1)
    assert dx == cx
    assert ay - cy == pytest.approx(cy - dy, abs=0.2)  # a decade each
    assert svg.count('class="against"') == 2
    assert "&lt;b&gt;cup C&lt;/b&gt;" in svg
    assert "<b>" not in svg


def test_equal_names_and_points_do_not_lie_on_one_another(page):
    reads = [Read(f"film {k}", 0.30, 3e-3, 1e3 * (1 + 0.01 * k), False) for k in range(8)]
    svg = plot_svg(replace(page, plot=replace(page.plot, readings=tuple(reads))))
    lines = re.findall(r'y="([\d.]+)"[^>]*class="name"', svg)
    heights = sorted(float(y) for y in lines)
    assert len(heights) == 8
    assert all(b - a >= 12.9 for a, b in itertools.pairwise(heights))


def test_films_of_one_cup_and_gap_have_one_name(page):
    gap = page.plot.electrode_gap
    reads = [
        Read(f"cup 1, {1e3 * g:g} mm, film {k}", 0.30, g, 1e3 * (1 + 0.1 * k), k == 4)
        for g in (gap, 2 * gap)
        for k in range(5)
    ]
    svg = plot_svg(replace(page, plot=replace(page.plot, readings=tuple(reads))))
    names = re.findall(r'class="name"[^>]*>([^<]+)<', svg)
    assert len(circles(svg)) == 10
    # one that the others contradict has its own
    own = [f"cup 1, {1e3 * g:g} mm" for g in (gap, 2 * gap)]
    assert sorted(names) == sorted(own + [f"{name}, film 4" for name in own])


def test_nothing_is_drawn_outside(found):
    """Neither for readings far off nor for films that are open everywhere."""
    cast = found.whole.candidates
    rows = [row_of(cast[6], 1e6, note="far"), row_of(cast[0], note="near")]
    rows.append(row_of(cast[1]) | {"resistance": "open", "note": "open film"})
    page = findings(rows).first
    opened = replace(page, plot=replace(page.plot, low=0.0, high=math.inf, points=tuple(
        replace(p, resistance=replace(p.resistance, median=math.inf, p05=math.inf,
                                      p95=math.inf)) for p in page.plot.points
    )))  # fmt: skip
    for one in (page, opened):
        svg = plot_svg(one)
        assert "nan" not in svg
        assert "inf" not in svg
        xs = [float(x) for x in re.findall(r' (?:x|x1|x2|cx)="(-?[\d.]+)"', svg)]
        ys = [float(y) for y in re.findall(r' (?:y|y1|y2|cy)="(-?[\d.]+)"', svg)]
        assert min(xs) >= 0.0
        assert max(xs) <= WIDTH
        assert min(ys) >= 0.0
        assert max(ys) <= HEIGHT
        assert len(circles(svg)) == 2
        assert min(x for x, _ in circles(svg)) > LEFT


def test_the_cup_to_cast_and_the_threshold_stand_at_their_loadings(page):
    svg = plot_svg(page)
    w = page.cups[0].weight_fraction
    assert f">cast {100 * w:.4g} wt%</text>" in svg
    own = 100.0 * float(f"{page.plot.threshold.median:.3g}")
    assert f"film&#x27;s own threshold {own:.4g} wt%" in svg
