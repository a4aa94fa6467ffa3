"""The first page: its numbers are those of outlooks and decision, one P, nothing twice."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from reference.findings import findings, row_of

from percsim.boxes.store import encode_json
from percsim.changes import changes_of, tighter
from percsim.decision.decide import State
from percsim.findings.rows import plain, summary_of_choice
from percsim.first_page import read_first_page

TIGHT = {"largest_resistance_cv": "15 %"}


@pytest.fixture(scope="module")
def found():
    return findings()


@pytest.fixture(scope="module")
def read(found):
    cast = found.whole.candidates
    rows = [
        row_of(cast[3], batch="a", note="row a"),
        row_of(cast[5], batch="b", note="row b"),
        row_of(cast[6], batch="c", note="row c"),
        row_of(cast[6], 9.0, batch="d", note="row d"),
    ]
    return findings(rows, target=TIGHT)


def test_p_is_the_cup_s_while_learning_and_the_recipe_s_in_every_row(found):
    page, decision = found.first, found.decision
    assert page.state is State.LEARN
    assert page.probability == decision.cup.all_limits
    for row in page.rows:
        i = next(
            i for i, r in enumerate(found.recipes)
            if r.loading.weight_fraction == row.place.weight_fraction
            and r.film.electrode_gap == row.place.electrode_gap
        )  # fmt: skip
        assert row.probability == decision.all_limits[i]
        own = found.outlooks[i]
        assert row.resistance == own.casting_band()
        assert row.resistance_cv == own.draw_band(own.resistance_cv)
        assert row.gauge_factor == own.response_band()
    assert sum(row.is_best for row in page.rows) == 1
    assert max(row.probability for row in page.rows) <= page.probability


def test_p_is_that_of_any_recipe_where_nothing_will_do(read):
    page = read.first
    assert page.state is State.NOTHING
    assert page.probability == read.decision.any_recipe
    assert page.cups == ()
    assert 3 <= len(page.rows) <= 5


def test_the_cup_is_weighed_to_the_balance(found):
    (cup,) = found.first.cups
    sheet = found.weigh_out()
    assert {part.name: part.reading for part in cup.parts} == sheet.readings
    assert {part.name: part.exact for part in cup.parts} == sheet.grams
    assert cup.weight_fraction == found.decision.cup.weight_fraction
    assert tuple(f.resistance for f in cup.films) == found.decision.cup.resistance


def test_points_of_the_plot_stand_where_they_are(found, read):
    plot = read.first.plot
    names = {r.name: r for r in plot.readings}
    assert list(names) == ["row a", "row b", "row c", "row d"]
    assert [r.contradicted for r in plot.readings] == [False, False, False, True]
    for row, c in zip("abcd", (3, 5, 6, 6), strict=True):
        cast = found.whole.candidates[c].outlook.recipe
        own = names[f"row {row}"]
        assert own.weight_fraction == pytest.approx(cast.loading.weight_fraction)
        assert own.electrode_gap == pytest.approx(cast.film.electrode_gap)
    weights = [point.weight_fraction for point in plot.points]
    assert weights == sorted(set(weights))
    assert {0.22, 0.26, 0.30, 0.34} <= {round(w, 9) for w in weights}
    assert plot.threshold.p05 < plot.threshold.median < plot.threshold.p95


def test_causes_are_the_largest_and_marked(found):
    page = found.first
    assert len(page.causes) == 2
    assert {cause.basis for cause in page.causes} == {"default"}
    first, second = page.causes
    assert first.share >= second.share
    assert first.cv_halved < first.cv
    stated = findings(tolerances={first.name: "30 %"}).first
    assert next(c.basis for c in stated.causes if c.name == first.name) == "plan"


def test_shares_of_causes_are_those_of_the_variance(found):
    """Against the moves of the bench at the middle of the loading, to first order."""
    own = found.outlooks[found.decision.best]
    shares = {name: share for name, _, share, _ in tighter(found.mix.films, own)}
    assert sum(shares.values()) == pytest.approx(1.0, abs=0.15)
    castings = found.best.castings.shares
    for name in ("contact", "aspect_ratio"):
        assert shares[name] == pytest.approx(castings[name], abs=0.12)


def test_what_contradicts_is_named(read):
    remark = read.first.remarks[1]
    assert remark.code == "same films differ"
    assert remark.names == ("row d", "row c")
    assert remark.values[0] == pytest.approx(9.0 * remark.values[1])


def test_changes_raise_p_and_come_by_how_much(read):
    films = [mix.films for mix in read.mixes]
    told = changes_of(films, read.answer)
    chances = [change.probability for change in told]
    assert chances == sorted(chances, reverse=True)
    assert min(chances) > read.decision.probability
    eased = next(c for c in told if c.name == "resistance_cv")
    again = replace(read.target, resistance_cv_max=eased.value)
    best = read.outlooks[read.decision.best]
    assert best.probability(again) == eased.probability
    assert read.first.changes == told[:2]


def test_a_summary_gives_the_page_back(found, read):
    for findings_ in (found, read):
        page = findings_.first
        told = summary_of_choice(findings_)["first_page"]
        assert read_first_page(json.loads(encode_json(told))) == page
        assert read_first_page(plain(page)) == page
    with pytest.raises(ValueError, match="no first page"):
        read_first_page({"state": "ready"})
    assert np.isfinite(page.probability)
