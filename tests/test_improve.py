"""Structures that scatter less: averaging laws, castings joined, and the search."""

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference.made_up_findings import findings_of, plan_with
from typer.testing import CliRunner

from percsim.bench_changes import CHANGES, NEW_BOXES, combined, variant
from percsim.boxes.store import Store
from percsim.boxes.workers import Interrupted
from percsim.cli import app
from percsim.errors import PlacementError
from percsim.film.draws import TOLERANCE_NAMES, CastingDraws
from percsim.findings.improvement import improved_rows, improvement
from percsim.improve import (
    Improvement,
    _Bench,
    films_to_tell,
    improve,
    kept_within,
    some_known,
    undominated,
)
from percsim.plan import Plan
from percsim.quantities import duration, percent
from percsim.report.chapters.improvement import improvement as chapter_of
from percsim.report.improved import improved_text

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
    return _Bench(found.mix.films, base, 20, some_known(found.mix.films)), found


def spread_of(bench, *names):
    """Deviation of ln R of a structure, from its CV."""
    structure = bench.structure(tuple(NAMED[name] for name in names))
    return math.sqrt(math.log1p(structure.resistance_cv[0] ** 2)), structure


PLACE = Path("none")
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
        ({"weighing": "1 %"}, (CUPS,), 3**0.5),
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


def test_the_response_belongs_to_cups():
    bench, _ = bench_of(response="5 %")
    bench.recipes = (bench.base,)
    cvs = [spread_of(bench, *names)[1].gauge_factor_cv[0]
           for names in ((), (LAYERS,), (CUPS,), ("conditioned twice",))]  # fmt: skip
    assert cvs[0] > 0.04
    np.testing.assert_allclose(np.array(cvs) / cvs[0], [1.0, 1.0, 3**-0.5, 0.7], rtol=0.01)


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
    for before, after in ((0.3, 0.15), (0.2, 0.15), (0.3, 0.02)):
        n = int(films_to_tell(before, after))

        def power(count, ratio=(before / after) ** 2):
            limit = f.ppf(0.95, count - 1, count - 1)
            return f.sf(limit / ratio, count - 1, count - 1), limit

        assert power(n)[0] >= 0.8
        assert n == 2 or power(n - 1)[0] < 0.8
        # what such trials give
        a = before * rng.standard_normal((20000, n))
        b = after * rng.standard_normal((20000, n))
        found = np.mean(a.var(axis=1, ddof=1) / b.var(axis=1, ddof=1) > power(n)[1])
        assert found == pytest.approx(power(n)[0], abs=4 * 0.4 / 20000**0.5)
    assert films_to_tell(0.2, 0.2) == math.inf


def test_cutting_raises_r_to_one_value():
    bench, _ = bench_of(contact="12 %", instrument="1 %", known_within=1)
    bench.recipes = (bench.base,)
    before, base = spread_of(bench)
    after, cut = spread_of(bench, "cut to size after the cure")
    # to two deviations above the median; what is left: 50 um of the width then, instrument
    assert cut.resistance / base.resistance == pytest.approx(math.exp(2 * before), rel=0.01)
    want = math.hypot(5e-5 / 6e-3 * math.exp(2 * before), 1e-2)
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
            assert s.minutes >= half.minutes / 1.01
    assert 1 <= len(found.first) <= 3
    for s in found.first:
        assert s.resistance_cv[0] < 0.9 * found.base.resistance_cv[0]
        assert 2 <= found.films_to_tell(s) < 10_000
    # most off ln CV for the work added comes first
    gains = [
        math.log(found.base.resistance_cv[0] / s.resistance_cv[0]) for s in found.first
    ]
    added = [
        s.minutes - found.base.minutes + 0.02 * found.base.minutes for s in found.first
    ]
    worth = np.array(gains) / np.maximum(added, 0.02 * found.base.minutes)
    assert len(worth) > 1
    assert (np.diff(worth) < 0.0).all()
    sets = [set(s.names) for s in found.first]
    for k, own in enumerate(sets):
        for other in sets[:k]:
            assert max(len(own - other), len(other - own)) > 1
            assert own - other
            assert other - own
    nothing = Improvement(20, found.base, (), ())
    assert nothing.halving is None
    assert "Nothing tried halves it" in improved_text(nothing)


def test_what_lies_outside_of_the_window_and_what_costs_alike(found):
    low = (1e-6, 1e-6, 1e-6)
    far = replace(found.base, changes=(NAMED[FOUR],), outside=found.base.outside + 0.1,
                  resistance_cv=low)  # fmt: skip
    assert far not in Improvement(20, found.base, (far,)).front
    near = replace(far, outside=found.base.outside)
    assert near in Improvement(20, found.base, (near,)).front
    # three changes for 500 minutes; one for two minutes more, or for half as much again
    three = tuple(NAMED[n] for n in (FOUR, LAYERS, "two lots blended"))
    cheap = replace(near, changes=three, minutes=500.0, gauge_factor_cv=low)
    for minutes, chosen in ((502.0, 1), (750.0, 3)):
        one = replace(near, minutes=minutes, resistance_cv=(5e-7,) * 3)
        both = Improvement(20, found.base, (cheap, one))
        assert len(both.reaching(1e-3).changes) == chosen


def test_films_of_one_cup_do_not_scatter_by_what_it_shares():
    bench, _ = bench_of(mixing="2 %")
    assert bench.spread(bench.base, combined(()), shared=False) < 1e-6
    assert bench.spread(bench.base, combined(()), shared=True) > 0.02


@pytest.mark.parametrize(
    ("ohms", "times"), [(250.0, 2.0), (500.0, 1.0), (2000.0, 1.0), (15e3, 3.0)]
)
def test_how_far_r_lies_outside_of_its_window(ohms, times):
    bench, _ = bench_of()  # 0.5 to 5 kohm
    assert bench._outside(ohms) == pytest.approx(math.log(times), abs=1e-9)
    assert bench._outside(math.inf) == math.inf


def test_gaps_are_no_longer_than_the_film():
    plan = plan_with(film={"length": "4 mm"}, contacts=MEASURED)
    findings = findings_of(plan, 15.0)
    films = findings.mix.films
    bench = _Bench(films, findings.recipes[0], 20, some_known(films))
    gaps = {recipe.film.electrode_gap for recipe in bench.recipes}
    assert gaps == {1e-3, 1.5e-3, 2e-3, 3e-3, 4e-3}


def test_costs_by_hand(found):
    by_name = {s.names: s for s in found.tried}
    assert found.base.minutes == 60 + 20 * 10
    assert by_name[CUPS,].minutes == 3 * 60 + 3 * 20 * 10
    assert by_name[CUPS,].cost(60.0, 25.0) == 3 * 60 + 3 * 20 * 10 + 3 * 25
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
    assert aligned.fillers[0].orientation.tilt == pytest.approx(math.radians(25.0))
    assert finer.shares == (0.8, 0.2)
    ratio = finer.fillers[0].median_diameter / finer.fillers[1].median_diameter
    assert ratio == pytest.approx(3.0, rel=1e-4)
    assert {p.boxes.count for p in (sieved, aligned, finer)} == {4}
    assert variant(sieved, NEW_BOXES[0], 4) is None
    assert variant(aligned, NEW_BOXES[1], 4) is None
    assert variant(finer, NEW_BOXES[2], 4) is None


def test_no_structure_takes_a_recipe_that_scatters_more():
    # layers halve R: another gap or loading makes up for it, not one nearer the threshold
    bench, _ = bench_of(contact="12 %", mixing="2 %")
    before, base = spread_of(bench)
    bench.most_outside = base.outside + 0.05
    for names in ((LAYERS,), (FOUR,), (SIDE,), (ROW,), ("films twice as wide",)):
        after, structure = spread_of(bench, *names)
        assert after < 1.001 * before, names
        assert structure.outside <= bench.most_outside


def test_boxes_of_their_own_take_their_own_loading_and_what_films_told():
    row = {"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "films": 3}
    asked = {"resistance": "1 to 30 kohm"}
    plan = plan_with(contacts={"g0": "80 uS"}, target=asked)
    read = {"measured": [row | {"resistance": "12 kohm"}, row | {"resistance": "12 kohm"}]}
    told = Plan.from_dict(plan.as_dict() | read)
    assert variant(told, NEW_BOXES[0], 12).measured == ()
    mine = findings_of(told, 15.0, 0.1)
    base = mine.recipes[mine.decision.best]
    few = [NAMED[n] for n in (FOUR, "two lots blended")]

    def sieved(plan):
        other = findings_of(variant(plan, NEW_BOXES[0], 12), 15.0, 0.1).mix.films
        found = improve(mine.mix.films, base, 20, few, [(NEW_BOXES[0], other)])
        assert [c.name for c in found.needing_boxes] == [c.name for c in NEW_BOXES[1:]]
        return {s.names[1:]: s for s in found.tried if s.names[:1] == ("powder sieved",)}

    alone = sieved(plan_with(explore={"weight_fraction": ["30 wt%"]}, target=asked))
    assert alone[()].recipe.loading.weight_fraction == pytest.approx(0.30)
    # made-up boxes know nothing of sieving: R is what the films of the plan read
    plain = improve(mine.mix.films, alone[()].recipe, 20, few).base
    assert alone[()].resistance == pytest.approx(plain.resistance, rel=0.05)
    assert alone[()].resistance_cv[0] <= 1.05 * plain.resistance_cv[0]
    all_three = sieved(plan)
    assert all_three[()].recipe.loading.weight_fraction == pytest.approx(0.34)
    assert all_three[()].resistance_cv[0] < alone[()].resistance_cv[0]
    assert all_three[FOUR,].resistance_cv[0] < all_three[()].resistance_cv[0]


def test_the_page_says_what_halving_takes():
    findings = findings_of(plan_with(), 15.0, 0.1)
    told = improvement(findings)
    best = findings.recipes[findings.decision.best]
    same = improve(findings.mix.films, best, 20, most=2)
    assert max(len(s.changes) for s in same.tried) == 2
    rows = improved_rows(same)
    assert told == {key: rows[key] for key in ("patches", "base", "halving", "least")}
    half = told["halving"]
    assert half["resistance_cv"]["median"] <= 0.5 * told["base"]["resistance_cv"]["median"]
    made = chapter_of({"improvement": told})
    assert made.claim == f"Half the scatter of R takes: {', '.join(half['changes'])}"
    words = made.words.replace("\xa0", " ")
    before, after = (told[k]["resistance_cv"]["median"] for k in ("base", "halving"))
    assert words.startswith(f"CV {percent(before)} % to {percent(after)} %, of GF")
    assert f"20 patches take {duration(60 * half['minutes'])} instead of" in words
    assert f"{half['films_to_tell']:.0f} films of each kind" in words
    none = chapter_of({"improvement": told | {"halving": None}})
    assert "Nothing tried halves" in none.claim
    assert ", ".join(told["least"]["changes"]) in none.claim
    assert chapter_of({}) is None
    still = plan_with(tolerances=NONE)
    assert improvement(findings_of(still, 15.0)) is None


class Boxes:
    """Plays runs: keeps what was asked, and films that the boxes of a folder would give."""

    def __init__(self, base, made):
        self.base, self.made, self.asked, self.kept = base, made, [], {}

    def run(self, plan, place, **options):
        self.asked.append((place.name, plan.boxes.count, len(plan.weight_fractions)))
        assert options["add"]
        assert options["workers"] == 1
        self.kept[place.name, plan.hash] = self.made(plan)

    def stored(self, plan, folder):
        if not folder.name.startswith("improve-"):
            return [self.base]
        films = self.kept.get((folder.name, plan.hash))
        return None if films is None else [films]


@pytest.fixture
def boxes(monkeypatch, tmp_path):
    """Command `improve --boxes N` on made-up boxes, and what it asked to be run."""
    path = tmp_path / "patch.toml"
    path.write_text(plan_with().text)
    Store.open(tmp_path).close()
    few = tuple(NAMED[n] for n in (FOUR, "two lots blended"))
    monkeypatch.setattr("percsim.improve.improve.__defaults__", (20, few, (), 2))
    base = findings_of(plan_with(), 15.0, 0.1).mix.films
    made = Boxes(base, lambda plan: replace(base, plan=plan))
    monkeypatch.setattr("percsim.run.run_plan", made.run)
    monkeypatch.setattr("percsim.advice.stored_films", made.stored)

    def told(n, *options):
        return CliRunner().invoke(
            app, ["improve", str(path), "--out", str(tmp_path), "--boxes", str(n),
                  "--workers", "1", *options],
        )  # fmt: skip

    return told, made


def test_changes_run_their_boxes_within_the_budget_once(boxes):
    told, made = boxes
    first = told(5, "--json")
    assert first.exit_code == 0, first.output
    groups = "powder", "alignment", "second-filler"
    assert made.asked == [(f"improve-{name}", 5, 3) for name in groups]
    # how many and how long is said before they run
    for line in ("powder sieved: 3 loadings x 2 gaps:", "on 1 core"):
        assert line in first.stderr
    assert json.loads(first.stdout)["needing_boxes"] == []
    again = told(5, "--json")
    assert len(made.asked) == 3
    assert again.stdout == first.stdout
    assert not again.stderr
    told(6, "--quiet")
    assert [count for _, count, _ in made.asked[3:]] == [6, 6, 6]


def test_loadings_that_hardly_conduct_are_dropped(boxes):
    _, made = boxes
    # the lowest loading spoils what boxes tell of other contacts
    full, made.made = made.made, lambda plan: replace(
        full(plan), model=replace(
            full(plan).model, surface=None if len(plan.weight_fractions) > 2 else "told"
        )
    )  # fmt: skip
    made.base = replace(made.base, model=replace(made.base.model, surface="told"))
    from percsim.cli.improving import _variant

    def usable(change):
        return _variant(made.base, change, 4, PLACE, 1, True)

    assert len(usable(NEW_BOXES[0]).plan.weight_fractions) == 2
    assert [loadings for *_, loadings in made.asked] == [3, 2]
    assert len(usable(NEW_BOXES[0]).plan.weight_fractions) == 2
    assert len(made.asked) == 2
    made.made = lambda plan: replace(
        full(plan), model=replace(full(plan).model, surface=None)
    )
    assert usable(NEW_BOXES[1]) is None
    assert [loadings for *_, loadings in made.asked[2:]] == [3, 2]


def test_changes_that_cannot_be_run_are_left_out_with_a_reason(boxes, monkeypatch):
    told, _ = boxes

    def full(*_, **__):
        raise PlacementError("placed 812 of 2000 flakes; lower the weight fraction")

    monkeypatch.setattr("percsim.run.run_plan", full)
    left = told(4)
    assert left.exit_code == 0
    assert "powder sieved: left out, placed 812 of 2000 flakes" in left.stderr
    assert "needs boxes of its own (--boxes): powder sieved, flakes aligned" in left.stdout

    def stopped(*_, **__):
        raise Interrupted(1, 9, 0, True)

    monkeypatch.setattr("percsim.run.run_plan", stopped)
    assert told(4).exit_code == 130


@pytest.mark.slow
def test_real_boxes_of_changes(tmp_path, no_pictures):
    plan = Plan.from_dict({
        "filler": {"density": "2250 kg/m3", "aspect_ratio": 12,
                   "diameter": {"median": "10 um", "geometric_spread": 1.5}},
        "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
        "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
        "strain": {"points": 3},
        "contacts": {"closed_at": "-40 C"},
        "explore": {"weight_fraction": ["34 wt%", "40 wt%"], "electrode_gap": ["2 mm"]},
        "target": {"series_resistor": "1.8 kohm", "resistance": "0.1 to 10 kohm"},
        "boxes": {"lengths": ["6 D", "8 D"], "count": 4, "threshold_count": 20},
    })  # fmt: skip
    (tmp_path / "patch.toml").write_text(plan.text)
    words = [str(tmp_path / "patch.toml"), "--out", str(tmp_path / "out"), "--workers", "1"]
    run = CliRunner().invoke
    assert run(app, ["run", *words, "--quiet"]).exit_code == 0
    told = run(app, ["improve", *words, "--boxes", "4", "--json"])
    assert told.exit_code == 0, told.output
    assert json.loads(told.stdout)["needing_boxes"] == []
    for group in ("powder", "alignment", "second-filler"):
        assert (tmp_path / "out" / f"improve-{group}" / "summary.json").is_file()
    # the folder stays that of the plan, and takes the plan again
    again = run(app, ["run", *words, "--quiet"])
    assert again.exit_code == 0, again.output
    assert run(app, ["improve", *words, "--boxes", "4", "--json"]).stdout == told.stdout


def test_films_that_are_open_are_not_improved():
    findings = findings_of(plan_with(explore={"weight_fraction": ["14 wt%"]}), 15.0)
    base = findings.recipes[findings.decision.best]
    found = improve(findings.mix.films, base, 20, [NAMED["sorted to 10 %"], NAMED[FOUR]])
    assert math.isinf(found.base.resistance_cv[0])
    # open films cannot be sorted to R either
    assert all(math.isinf(s.resistance_cv[0]) for s in found.tried)
    assert found.halving is None
    assert found.first == ()
    assert improvement(findings) is None
    text = improved_text(found)
    assert "14 wt%, 2 mm gap are open" in text
    assert len(text.splitlines()) == 2


def test_wrong_options_are_one_line(tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(plan_with().text)
    words = ["improve", str(plan), "--out", str(tmp_path / "out")]
    for option, value in (("--patches", "0"), ("--patches", "1000000"), ("--hour", "inf"),
                          ("--hour", "nan"), ("--cup", "-1"), ("--boxes", "-4"),
                          ("--boxes", "3")):  # fmt: skip
        told = CliRunner().invoke(app, [*words, option, value])
        assert told.exit_code == 2, option
        assert option in told.stderr.splitlines()[-1]
    told = CliRunner().invoke(app, words)
    assert told.exit_code == 2
    assert told.stderr.strip() == (
        f"{tmp_path / 'out'} holds no results; run 'percsim run {plan} --out"
        f" {tmp_path / 'out'}' first"
    )
    assert not (tmp_path / "out").exists()


def test_films_that_a_folder_was_anchored_with_count(monkeypatch, tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(plan_with().text)
    row = {"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": "12 kohm"}
    told = Plan.from_dict(plan_with().as_dict() | {"measured": [row]})
    with Store.open(tmp_path) as store:
        store.save_artefacts({"plan": told.as_dict()})
    seen = []

    def stored(plan, folder):
        seen.append(plan.measured)
        return [findings_of(plan, 15.0, 0.1).mix.films]

    monkeypatch.setattr("percsim.advice.stored_films", stored)
    monkeypatch.setattr("percsim.improve.improve.__defaults__", (20, CHANGES[:2], (), 2))
    found = CliRunner().invoke(app, ["improve", str(plan), "--out", str(tmp_path)])
    assert found.exit_code == 0, found.output
    assert seen == [told.measured]


def test_a_plan_whose_boxes_hang_on_the_decision(monkeypatch, tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(plan_with(boxes={"most": 24}).text)
    Store.open(tmp_path).close()
    findings = findings_of(plan_with(), 15.0, 0.1)
    monkeypatch.setattr("percsim.run.read_findings", lambda *_: findings)
    monkeypatch.setattr("percsim.improve.improve.__defaults__", (20, CHANGES[:2], (), 2))
    told = CliRunner().invoke(app, ["improve", str(plan), "--out", str(tmp_path)])
    assert told.exit_code == 0, told.output
    assert "As it is, R of" in told.stdout


def test_the_command(monkeypatch, tmp_path):
    plan = tmp_path / "patch.toml"
    plan.write_text(plan_with().text)
    run = CliRunner().invoke
    told = run(app, ["improve", str(plan), "--out", str(tmp_path / "none")])
    assert told.exit_code == 2
    told = run(app, ["improve", str(plan), "--boxes", "2", "--out", str(tmp_path)])
    assert told.exit_code == 2
    Store.open(tmp_path).close()
    films = findings_of(plan_with(), 15.0, 0.1).mix.films
    monkeypatch.setattr("percsim.advice.stored_films", lambda *_: [films])
    monkeypatch.setattr("percsim.improve.improve.__defaults__", (20, CHANGES[:3], (), 2))
    told = run(app, ["improve", str(plan), "--out", str(tmp_path), "--json"])
    assert told.exit_code == 0, told.output
    assert json.loads(told.stdout)["tried"] == 3
