"""The first page: its numbers are those of outlooks and decision, one P, nothing twice."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from reference.findings import findings, row_of

from percsim.boxes.store import encode_json
from percsim.changes import FEWEST, _easier, changes_of, tighter
from percsim.decision.decide import State
from percsim.decision.target import Target
from percsim.findings.rows import summary_of_choice
from percsim.first_page import _misses, first_page, read_first_page
from percsim.packing import plain
from percsim.remarks import Remark

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
    """Against the moves of the bench, to first order, of the loading that is best by them.

    The likeliest recipe may lie where R is far from linear in the loading.
    """
    recipe = found.best.outlook.recipe
    own = next(o for o in found.outlooks if o.recipe == recipe)
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


def told_of(read, *changes):
    """What contradicts where R of the first rows, and whether they fit, are others."""
    checks = [
        replace(check, is_outlier=out, reading=replace(check.reading, resistance=ohms))
        for check, (ohms, out) in zip(read.answer.posterior.checks, changes, strict=True)
    ]
    like = checks[3].reading  # the third and fourth are equal films, now the second too
    checks[1] = replace(checks[1], reading=replace(like, label="row b",
                        resistance=checks[1].reading.resistance))  # fmt: skip
    posterior = replace(read.answer.posterior, checks=tuple(checks))
    films = [mix.films for mix in read.mixes]
    page = first_page(read.plan, films, replace(read.answer, posterior=posterior))
    return page.remarks[1]


def test_every_reading_that_does_not_fit_is_named_beside_one_that_does(read):
    one = told_of(read, (1e3, True), (9e3, True), (1e3, False), (9e3, True))
    assert one == Remark("same films differ", ("row b", "row c", "row d", "row a"),
                         (9e3, 1e3)) or one == Remark(
        "same films differ", ("row d", "row c", "row b", "row a"), (9e3, 1e3)
    )  # fmt: skip
    alone = told_of(read, (1e3, False), (9e3, True), (9e3, True), (2e4, True))
    assert alone.code == "outlier"
    assert set(alone.names) == {"row b", "row c", "row d"}


def test_equal_films_far_apart_are_told_though_neither_is_an_outlier(read):
    far = told_of(read, (1e3, False), (1e5, False), (1e3, False), (9e3, False))
    assert far.code == "same films differ"
    assert set(far.names) == {"row b", "row c"}
    near = told_of(read, (1e3, False), (9e3, False), (1e3, False), (9e3, False))
    assert near.code != "same films differ"
    # near the threshold some films of a cup may be open
    opened = told_of(read, (1e3, False), (np.inf, False), (1e3, False), (9e3, False))
    assert opened.code != "same films differ"


def test_an_open_film_misses_by_being_open_alone(found):
    own = found.outlooks[found.decision.best]
    n = len(own.rest) * 6 // 10
    rest = np.where((np.arange(len(own.rest)) < n)[:, None], np.inf, own.rest)
    mostly = replace(own, rest=rest, ratio=np.full_like(own.ratio, 2.0))
    share = float(mostly.open_shares @ mostly.weights)
    # without an upper limit of R open draws are in the window
    for target in (Target(pass_share_min=0.8), Target(resistance_cv_max=1e-3)):
        assert _misses(mostly, target) == ("open", pytest.approx(share))


def test_a_film_too_near_the_threshold_misses_by_that(found):
    own = found.outlooks[found.decision.best]
    target = Target(pass_share_min=0.01)
    near = replace(own, ratio=np.full_like(own.ratio, 1.1))
    assert near.probability(target) == 0.0
    closed = float(own.weights @ own.conducts[:, own.nominal])
    assert _misses(near, target) == ("near", pytest.approx(closed))


def test_heat_is_that_of_the_hottest_film_of_the_cup(found):
    circuit = found.plan.circuit()
    films = found.first.cups[0].films
    width = found.plan.film_at(films[0].electrode_gap).width
    heat = [
        circuit.film_power(f.resistance.median) / (f.electrode_gap * width) for f in films
    ]
    best = [f.electrode_gap for f in films].index(found.first.best.electrode_gap)
    assert heat[best] < max(heat)
    assert found.first.power == pytest.approx(max(heat))


def test_what_was_learnt_of_the_bench_is_told_with_its_size_and_place(found):
    """Rows that scatter by 5 % tell that the bench scatters less than planned."""
    cast, rows = found.whole.candidates, []
    for k, batch, at in ((6, "a", "20 C"), (7, "a", "60 C"), (5, "b", "22 C")):
        more = {"films": 8, "spread": "5 %", "batch": batch, "temperature": at}
        rows.append(row_of(cast[k], **more))
    learnt = findings(rows)
    scale = learnt.answer.posterior.knowledge
    factor = scale.band(scale.scale).median
    assert factor < 0.7
    planned = learnt.mix.films.bench.tolerances
    for cause in learnt.first.causes:
        assert cause.basis == "by films"
        assert cause.spread == pytest.approx(factor * getattr(planned, cause.name))
    # the plot is of 20 C
    assert [r.name for r in learnt.first.plot.readings] == ["row 1, a", "row 3, b"]


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


@pytest.mark.parametrize(("fewest", "advised"), [(0.0, True), (FEWEST, False)])
def test_no_advice_to_let_most_castings_fail(read, monkeypatch, fewest, advised):
    monkeypatch.setattr("percsim.changes.FEWEST", fewest)
    best = read.outlooks[read.decision.best]
    # so narrow that a few castings in a hundred pass
    middle = best.film_band().median
    narrow = replace(read.target, resistance_min=middle, resistance_max=1.01 * middle)
    told = {name: value for _, name, value, _ in _easier(best, narrow)}
    assert ("pass_share" in told) is advised
    assert told.get("pass_share", 0.0) < 0.5


def test_a_summary_gives_the_page_back(found, read):
    for findings_ in (found, read):
        page = findings_.first
        told = summary_of_choice(findings_)["first_page"]
        assert read_first_page(json.loads(encode_json(told))) == page
        assert read_first_page(plain(page)) == page
    with pytest.raises(ValueError, match="no first page"):
        read_first_page({"state": "ready"})
    assert np.isfinite(page.probability)
