"""Structures that scatter less: averaging laws, castings joined, and the search."""

import json
import math

import numpy as np
import pytest
from reference.made_up_findings import findings_of, plan_with
from typer.testing import CliRunner

from percsim.cli import app
from percsim.film.draws import TOLERANCE_NAMES, CastingDraws
from percsim.improve import (
    CHANGES,
    NEW_BOXES,
    Improvement,
    _Bench,
    combined,
    films_to_tell,
    improve,
    kept_within,
    undominated,
    variant,
)
from percsim.report.improved import improved_rows, improved_text

NONE = {
    "weighing": "0 %", "mixing": "0 %", "mixing_within": "0 %", "thickness": "0 %",
    "electrode_gap": "0 mm", "electrode_skew": "0 mm", "width": "0 mm", "contact": "0 %",
    "aspect_ratio": "0 %", "particle_size": "0 %", "response": "0 %", "tilt": "0 deg",
    "known_within": 1, "castings": 300,
}  # fmt: skip
NAMED = {change.name: change for change in CHANGES}
MEASURED = {
    "g0": {"value": "80 uS", "basis": "measured"},
    "lambda_T": {"value": 0.3, "basis": "measured"},
    "Ea": {"value": "10 meV", "basis": "measured"},
}


def bench_of(box_spread=0.0, **tolerances):
    plan = plan_with(tolerances=NONE | tolerances, contacts=MEASURED)
    found = findings_of(plan, 15.0, box_spread)
    base = found.recipes[found.decision.best]
    return _Bench(found.mix.films, base, 20), found


def spread_of(bench, *names):
    """Deviation of ln R of a structure, from its CV."""
    structure = bench.structure(tuple(NAMED[name] for name in names))
    return math.sqrt(math.log1p(structure.resistance_cv[0] ** 2)), structure


FOUR, SIDE, ROW = "2 x 2 films", "2 films in parallel", "2 films in series"
LAYERS, CUPS = "3 layers of one cup", "3 layers, a cup each"


@pytest.mark.parametrize(
    ("tolerance", "names", "falls"),
    [
        ({"contact": "12 %"}, (FOUR,), 2.0),
        ({"contact": "12 %"}, (ROW,), 2**0.5),
        ({"contact": "12 %"}, (LAYERS,), 3**0.5),
        ({"contact": "12 %"}, (FOUR, LAYERS), 12**0.5),
        ({"thickness": "8 %"}, ("drawn between shims", SIDE), 2 * 2**0.5),
        # cups and lots share theirs
        ({"mixing": "1 %"}, (FOUR,), 1.0),
        ({"mixing": "1 %"}, (LAYERS,), 1.0),
        ({"mixing": "1 %"}, (CUPS,), 3**0.5),
        ({"aspect_ratio": "1 %"}, (CUPS,), 1.0),
        ({"aspect_ratio": "1 %"}, ("two lots blended",), 2**0.5),
        # layers share their electrodes
        ({"electrode_gap": "0.05 mm"}, (LAYERS,), 1.0),
        ({"width": "0.2 mm"}, ("films twice as wide",), 2.0),
    ],
)
def test_averaging_laws(tolerance, names, falls):
    bench, _ = bench_of(**tolerance)
    bench.recipes = (bench.base,)  # another gap would scatter otherwise
    before, _ = spread_of(bench)
    after, _ = spread_of(bench, *names)
    assert before > 0.004
    assert before / after == pytest.approx(falls, rel=0.02)


def test_chains_average_over_all_films():
    bench, _ = bench_of(box_spread=0.3)
    bench.recipes = (bench.base,)
    before, after = spread_of(bench)[0], spread_of(bench, FOUR)[0]
    assert before > 1e-4
    assert before / after == pytest.approx(2.0, rel=0.01)


def test_series_and_parallel_move_r():
    bench, _ = bench_of(contact="5 %")
    bench.recipes = (bench.base,)
    ohms = [
        spread_of(bench, *names)[1].resistance for names in ((), (ROW,), (SIDE,), (FOUR,))
    ]
    np.testing.assert_allclose(np.array(ohms) / ohms[0], [1.0, 2.0, 0.5, 1.0], rtol=1e-6)
    (two,) = {spread_of(bench, LAYERS)[1].resistance / ohms[0]}
    assert two == pytest.approx(1 / 3, rel=1e-6)


@pytest.mark.parametrize("way", [ROW, SIDE])
def test_prediction_against_castings_joined_on_a_patch(way):
    # castings of the engine in pairs: what a cup shares is one draw, the rest two
    bench, found = bench_of(
        box_spread=0.1, contact="12 %", thickness="8 %", mixing="1 %", weighing="0.5 %",
        electrode_gap="0.1 mm", electrode_skew="0.1 mm",
    )  # fmt: skip
    bench.recipes = (bench.base,)
    castings = next(
        c.castings for c in found.choice.candidates if c.outlook.recipe == bench.base
    )
    n, seed = 20000, np.random.SeedSequence(771)
    one = CastingDraws.draw(n, len(castings.visits), seed)
    other = CastingDraws.draw(n, len(castings.visits), seed.spawn(1)[0])
    cup = [name for name in TOLERANCE_NAMES if name in ("weighing", "mixing")]
    pair = [np.exp(castings.read(d)[0]) for d in (one, other.with_from(one, cup))]
    joined = sum(pair) if way == ROW else 1.0 / sum(1.0 / r for r in pair)
    spread, structure = spread_of(bench, way)
    assert spread == pytest.approx(np.log(joined).std(), rel=4 / (2 * n) ** 0.5 + 0.03)
    assert structure.resistance == pytest.approx(np.median(joined), rel=0.03)


def test_sorting_keeps_a_truncated_normal():
    z = np.random.default_rng(512).standard_normal(400_000)
    for spread, reach in ((0.3, 0.1), (0.1, 0.18), (0.05, 0.5)):
        kept = np.abs(spread * z) <= reach
        left, share = kept_within(spread, reach)
        assert share == pytest.approx(kept.mean(), abs=4e-3)
        assert left == pytest.approx((spread * z[kept]).std(), rel=0.01)
    assert kept_within(0.0, 0.1) == (0.0, 1.0)
    # films without bound: none is kept for certain
    assert kept_within(math.inf, 0.1)[1] == 0.0


def test_films_to_tell_are_what_an_f_test_takes():
    from scipy.stats import f

    rng = np.random.default_rng(88)
    for before, after in ((0.3, 0.15), (0.2, 0.15)):
        n = int(films_to_tell(before, after))
        for count, enough in ((n, True), (n - 2, False)):
            a = before * rng.standard_normal((20000, count))
            b = after * rng.standard_normal((20000, count))
            ratio = a.var(axis=1, ddof=1) / b.var(axis=1, ddof=1)
            power = np.mean(ratio > f.ppf(0.95, count - 1, count - 1))
            assert (power >= 0.8 - 4 * 0.4 / 20000**0.5) == enough or abs(
                power - 0.8
            ) < 0.02
    assert films_to_tell(0.2, 0.2) == math.inf


def test_cutting_raises_r_to_one_value():
    bench, _ = bench_of(contact="12 %", known_within=1)
    bench.recipes = (bench.base,)
    before, base = spread_of(bench)
    after, cut = spread_of(bench, "cut to size after the cure")
    # to two deviations above the median; what is left: 50 um of the width then, instrument
    assert cut.resistance / base.resistance == pytest.approx(math.exp(2 * before), rel=0.01)
    want = math.hypot(5e-5 / 6e-3 * math.exp(2 * before), 1e-3)
    assert after == pytest.approx(want, rel=0.02)
    assert cut.gauge_factor_cv == base.gauge_factor_cv


def test_a_structure_has_one_change_of_a_group():
    with pytest.raises(ValueError, match="one change of a group"):
        combined((NAMED[FOUR], NAMED[SIDE]))


@pytest.fixture(scope="module")
def found():
    findings = findings_of(plan_with(), 15.0, 0.1)
    best = findings.recipes[findings.decision.best]
    few = [NAMED[n] for n in (FOUR, LAYERS, CUPS, "two lots blended", "mixed in solvent",
                              "sorted to 10 %", "conditioned twice")]  # fmt: skip
    return improve(findings.mix.films, best, 20, few)


def test_the_front_holds_what_no_other_beats(found):
    front = found.front
    assert 1 < len(front) < len(found.tried)
    assert found.base in front
    marks = np.array([s.marks for s in front])
    for s in found.tried:
        if s not in front and s.outside <= found.base.outside:
            near = marks <= np.array(s.marks) * (1 + 0.0101 * np.sign(s.marks))
            assert near.all(axis=1).any(), s.names
    assert undominated(front) == front


def test_halving_and_what_to_try_first(found):
    half = found.halving
    assert half is not None
    assert half.resistance_cv[0] <= 0.5 * found.base.resistance_cv[0]
    for s in found.front:
        if s.resistance_cv[0] <= 0.5 * found.base.resistance_cv[0]:
            assert s.minutes >= half.minutes
    assert 1 <= len(found.first) <= 3
    for s in found.first:
        assert s.resistance_cv[0] < 0.9 * found.base.resistance_cv[0]
        assert 2 <= found.films_to_tell(s) < 10_000
    nothing = Improvement(20, found.base, (), ())
    assert nothing.halving is None
    assert "Nothing tried halves it" in improved_text(nothing)


def test_costs_by_hand(found):
    by_name = {s.names: s for s in found.tried}
    assert found.base.minutes == 60 + 20 * 10
    assert by_name[CUPS,].minutes == 3 * 60 + 3 * 20 * 10
    assert by_name["mixed in solvent",].minutes == 120 + 20 * 10
    sort = by_name["sorted to 10 %",]
    cast = 20 / sort.kept_share
    assert sort.minutes == pytest.approx(60 + 11 * cast)
    assert 0.05 < sort.kept_share < 0.9


def test_words_and_rows(found):
    text = improved_text(found, details=True)
    assert "Halving it takes" in text
    assert "(judgement)" in text or "independent" in text
    assert "needs boxes of its own" in text
    assert not {"nan", "None", "inf"} & set(text.split())
    assert max(map(len, text.splitlines())) <= 92
    assert "films of each kind" in improved_text(found)
    rows = improved_rows(found, (60.0, 25.0))
    assert rows["base"]["cost"] == pytest.approx(found.base.minutes + 25.0)
    assert "cost" in improved_text(found, prices=(60.0, 25.0))
    assert "cost" not in improved_text(found)
    assert rows["halving"]["resistance_cv"]["median"] <= (
        0.5 * rows["base"]["resistance_cv"]["median"]
    )
    assert len(rows["needing_boxes"]) == len(NEW_BOXES)


def test_changes_that_need_boxes_are_plans_of_their_own():
    plan = plan_with()
    sieved, aligned, finer = (variant(plan, change, 4) for change in NEW_BOXES)
    assert sieved.fillers[0].size.spread == pytest.approx(math.log(1.2))
    assert aligned.fillers[0].orientation.mode == "in-plane"
    assert finer.shares == (0.8, 0.2)
    ratio = finer.fillers[0].median_diameter / finer.fillers[1].median_diameter
    assert ratio == pytest.approx(3.0, rel=1e-4)
    assert {p.boxes.count for p in (sieved, aligned, finer)} == {4}
    assert variant(sieved, NEW_BOXES[0], 4) is None
    assert variant(aligned, NEW_BOXES[1], 4) is None
    assert variant(finer, NEW_BOXES[2], 4) is None


def test_the_command(monkeypatch, tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(plan_with().text)
    run = CliRunner().invoke
    told = run(app, ["improve", str(plan), "--out", str(tmp_path / "none")])
    assert told.exit_code == 2
    told = run(app, ["improve", str(plan), "--boxes", "2", "--out", str(tmp_path)])
    assert told.exit_code == 2
    films = findings_of(plan_with(), 15.0, 0.1).mix.films
    monkeypatch.setattr("percsim.advice.stored_films", lambda *_: [films])
    monkeypatch.setattr("percsim.improve.MOST_CHANGES", 1)
    told = run(app, ["improve", str(plan), "--out", str(tmp_path), "--json"])
    assert told.exit_code == 0, told.output
    assert json.loads(told.stdout)["tried"] == len(CHANGES)
