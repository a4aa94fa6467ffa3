"""Campaigns of the benchmark: worlds, bench and rules against laws of known answer."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import ndtr

import percsim as ps
from percsim.film import Tolerances
from percsim.plan import Plan

sys.path.append(str(Path(__file__).resolve().parent.parent))

from benchmarks.campaigns import Place, bootstrap, run
from benchmarks.rules import (
    FIRST_SLOPE,
    RULES,
    Bisection,
    Claim,
    Cup,
    Row,
    Secant,
    Task,
)
from benchmarks.worlds import (
    COLUMNS,
    Bench,
    Maker,
    World,
    castings,
    first_path,
    judge,
)

PLAN = {
    "seed": 5,
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 15},
    "elastomer": {"density": "1030 kg/m3", "mix_ratio": "7:1"},
    "film": {"thickness": "0.6 mm", "width": "6 mm", "length": "16 mm"},
    "contacts": {"closed_at": "-40 C"},
    "strain": {"window": "0 to 3000 microstrain"},
    "explore": {
        "weight_fraction": ["20 wt%", "30 wt%", "40 wt%"],
        "electrode_gap": ["2 mm", "3 mm", "5 mm"],
    },
    "target": {"resistance": "0.7 to 3 kohm", "smallest_gauge_factor": 10},
}
CRITICAL, EXPONENT, RISE = 0.08, 1.9, 0.06
STILL = replace(Tolerances.none(), thickness=0.0)


def power_law(level=0.5):
    """rho = exp(level) (phi/phi_c - 1)^-t, rising with strain as its square."""
    phi = np.array([0.11, 0.14, 0.19])
    rest = level - EXPONENT * np.log(phi / CRITICAL - 1.0)
    log_rho = rest[:, None] + RISE * np.array([0.0, 0.25, 1.0])
    return World(
        beta=100.0, delta_b=0.01, lambda_T=0.3, closed_at=233.15, Ea=0.0, aspect_ratio=15.0,
        threshold=CRITICAL, threshold_error=0.0, phi=phi, log_rho=log_rho,
        end=np.full((3, 3), -2e-5), log_error=np.zeros(3), step_error=np.zeros(3),
    )  # fmt: skip


def made(z=None, n=1):
    """Normal numbers of n films, all zero but those given by name."""
    out = np.zeros((n, len(COLUMNS)))
    for name, values in (z or {}).items():
        out[:, COLUMNS.index(name)] = values
    return out


@pytest.fixture(scope="module")
def plan():
    return Plan.from_dict(PLAN)


def test_a_world_follows_its_power_law_inside_and_beyond_its_loadings():
    ratio = np.array([0.5, 1.0, 1.05, 1.6, 4.0])
    rho, excess = power_law().material(ratio)
    assert np.isinf(rho[:2]).all()
    expected = np.exp(0.5) * (ratio[2:] - 1.0) ** -EXPONENT
    assert rho[2:, 0] == pytest.approx(expected)
    assert rho[2:, 2] == pytest.approx(expected * np.exp(RISE))
    assert excess[2:, 0] == pytest.approx(-2e-5 * expected)


def test_a_film_without_tolerances_reads_what_its_sizes_say(plan):
    logs, gauge = Bench(plan, STILL).read(power_law(), 0.3, 3e-3, made())
    phi = plan.recipe(0.3).volume_fraction
    rho = np.exp(0.5) * (phi / CRITICAL - 1.0) ** -EXPONENT
    assert np.exp(logs) == pytest.approx(rho * (3e-3 - 2e-5) / (6e-3 * 6e-4))
    assert gauge == pytest.approx(np.expm1(RISE) / 3e-3)
    logs, gauge = Bench(plan, STILL).read(power_law(), 0.15, 3e-3, made())
    assert (logs, gauge) == (np.inf, 0.0)


@pytest.mark.parametrize(
    ("tolerances", "name", "moves"),
    [
        ({"thickness": 0.1}, "thickness", -0.2),
        ({"width": 6e-4}, "width", -0.2),
        ({"contact": 0.12}, "contact", -0.24),
        # a threshold higher by x lets phi/phi_c fall by as much
        ({"aspect_ratio": 0.05}, "aspect_ratio", None),
    ],
)
def test_a_tolerance_moves_a_film_by_its_closed_form(plan, tolerances, name, moves):
    bench = Bench(plan, replace(STILL, **tolerances))
    logs, _ = bench.read(power_law(), 0.3, 3e-3, made({name: [0.0, 2.0]}, 2))
    if moves is None:
        ratio = plan.recipe(0.3).volume_fraction / CRITICAL
        further = ratio * np.exp(0.9 * 0.1)
        moves = -EXPONENT * np.log((further - 1.0) / (ratio - 1.0))
    assert logs[1] - logs[0] == pytest.approx(moves)


def test_a_cup_weighed_off_is_a_cup_of_another_loading(plan):
    bench = Bench(plan, replace(STILL, weighing=0.02))
    off, _ = bench.read(power_law(), 0.3, 3e-3, made({"weighing": 1.0}))
    there, _ = bench.read(power_law(), 0.3 * np.exp(0.02), 3e-3, made())
    assert off == pytest.approx(there, abs=2e-3)
    here, _ = bench.read(power_law(), 0.3, 3e-3, made())
    assert off < here - 0.05


def test_a_film_that_opens_further_reads_further_along_the_parabola(plan):
    bench = Bench(plan, replace(STILL, response=np.log(1.5)))
    _, gauge = bench.read(power_law(), 0.3, 3e-3, made({"response": 1.0}))
    assert gauge == pytest.approx(np.expm1(1.5**2 * RISE) / 3e-3)


def test_shares_that_pass_are_those_of_the_log_normal(plan):
    spread, n = 0.3, 20_000
    bench = Bench(plan, replace(STILL, contact=spread))
    z = made({"contact": np.random.default_rng(3).standard_normal(n)}, n)
    world, target = power_law(), Task.of(plan).target
    level = float(np.exp(bench.read(world, 0.3, 3e-3, made())[0][0])) / 2000.0
    cast = castings(bench, world, (0.3,), (3e-3,), z)
    wide = replace(target, resistance_cv_max=float(np.sqrt(np.expm1(spread**2))) * 1.03)
    found = judge(cast, level, wide)
    share = ndtr(np.log(1.5) / spread) - ndtr(np.log(0.35) / spread)
    assert found.share[0, 0] == pytest.approx(share, abs=4 * np.sqrt(share / 10 / n))
    assert found.passes.all()
    assert found.spread_too.all()
    narrow = replace(wide, resistance_cv_max=wide.resistance_cv_max / 1.06)
    assert not judge(cast, level, narrow).spread_too.any()
    assert not judge(cast, 3.0 * level, wide).passes.any()


def test_the_first_path_is_there_with_the_last_body_of_the_chain():
    d, order = 1e-6, [3, 0, 4, 1, 2]
    x = (np.array(order) + 0.5) * d
    centers = np.column_stack([x, np.full(5, 5 * d), np.full(5, 5 * d)])
    # one more that touches nothing comes before the chain is whole
    centers = np.insert(centers, 2, [0.5 * d, 1 * d, 1 * d], axis=0)
    n = len(centers)
    box = ps.Box((5 * d, 10 * d, 10 * d), (False, True, True))
    spheres = ps.Particles(
        np.full(n, ps.SPHERE), centers, np.tile([1.0, 0.0, 0.0], (n, 1)),
        np.zeros(n), np.full(n, 0.5001 * d), box,
    )  # fmt: skip
    links = ps.find_links(spheres, 0.0)
    whole = np.ones(len(links), dtype=np.bool_)
    assert len(links) == 4
    assert first_path(links, whole) == n
    whole[2] = False
    assert first_path(links, whole) is None


# --- rules


def task(low=0.10, high=0.42, window=(700.0, 3000.0)):
    weights = tuple(w / 100 for w in range(round(100 * low), round(100 * high) + 1))
    target = ps.Plan.from_dict(PLAN).decision_target()
    target = replace(target, resistance_min=window[0], resistance_max=window[1])
    return Task(weights, (2e-3, 3e-3, 5e-3), weights[::4], target)


def follow(advice, law, most=10, gauge=20.0):
    """Cups until a rule ends, and how, of films ln R = law(w, gap)."""
    rows, step, cups = [], advice.first_cup(), []
    while isinstance(step, Cup) and len(cups) < most:
        for gap in step.gaps:
            r = float(np.exp(law(step.weight_fraction, gap)))
            rows += [Row(len(cups), step.weight_fraction, gap, r, gauge)] * 3
        cups.append(step)
        step = advice.after(rows)
    return cups, step


@pytest.mark.parametrize("wanted", range(11, 42))
def test_bisection_takes_the_cups_that_halving_takes(wanted):
    # 32 steps between 10 and 42 wt%: each halving reaches the odd multiples of one power
    # of two
    here = task(window=(990.0, 1010.0))

    def law(w, gap):
        return np.log(1000.0) - 6.0 * (w - wanted / 100)

    cups, claim = follow(Bisection(here), law)
    offset = wanted - 10
    assert len(cups) == 5 - ((offset & -offset).bit_length() - 1)
    assert claim == Claim(wanted / 100, 3e-3)


def linear(at, slope):
    """ln R linear in the loading, the middle of the window at `at` and 3 mm."""
    middle = np.log([700.0, 3000.0]).mean()
    return lambda w, gap: middle + slope * (w - at) + np.log(gap / 3e-3)


@pytest.mark.parametrize("every_gap", [False, True])
@pytest.mark.parametrize(("slope", "cups"), [(FIRST_SLOPE, 2), (-60.0, 3)])
def test_the_secant_is_exact_where_the_law_is_a_line(every_gap, slope, cups):
    here = task()
    cast, claim = follow(Secant(here, every_gap), linear(0.345, slope))
    assert len(cast) == cups
    assert isinstance(claim, Claim)
    found = linear(0.345, slope)(claim.weight_fraction, claim.gap)
    assert abs(found - here.middle) < here.half


@pytest.mark.parametrize("every_gap", [False, True])
def test_the_secant_looks_above_an_open_film_and_ends_at_the_top(every_gap):
    cast, claim = follow(Secant(task(), every_gap), lambda w, gap: np.inf)
    weights = [cup.weight_fraction for cup in cast]
    assert weights == [0.26, 0.35, 0.39, 0.41, 0.42]
    assert claim is None


def test_the_secant_gives_up_what_is_out_of_reach():
    # far too low wherever it is cast
    cast, claim = follow(Secant(task(), every_gap=True), linear(-0.5, FIRST_SLOPE))
    assert [cup.weight_fraction for cup in cast] == [0.26, 0.10]
    assert claim is None


def test_a_film_that_feels_too_little_sends_the_secant_down():
    cast, _ = follow(Secant(task(), every_gap=True), linear(0.26, FIRST_SLOPE), gauge=5.0)
    assert cast[1].weight_fraction < cast[0].weight_fraction


def test_errors_are_those_of_the_worlds_not_of_their_campaigns():
    rng = np.random.default_rng(4)
    worlds = rng.standard_normal(200)
    values, groups = np.repeat(worlds, 3), np.repeat(np.arange(200), 3)
    mean, error = bootstrap(values, np.ones(600), groups)
    assert mean == pytest.approx(worlds.mean())
    assert error == pytest.approx(worlds.std() / np.sqrt(200), rel=0.06)


# --- all together


def small(plan, **measured):
    contacts = {name: {"value": v, "basis": "measured"} for name, v in measured.items()}
    contacts = PLAN["contacts"] | contacts
    return Maker(Plan.from_dict(PLAN | {"contacts": contacts}), 11, 4e3, (6.0, 8.0))


def test_a_world_whose_contacts_neither_open_nor_break_feels_no_strain(plan):
    maker = small(plan, beta=0, delta_b=1000)
    world = maker.world(0)
    assert world.conducts
    assert np.abs(world.log_rho - world.log_rho[:, :1]).max() < 1e-6
    drawn = maker.drawn(0)
    filler = replace(plan.fillers[0], aspect_ratio=drawn["aspect_ratio"])
    recipe = ps.Recipe(((filler, 0.2),), plan.recipe(0.2).elastomer)
    grown = ps.recipe_threshold(recipe, rng=np.random.default_rng(9), boxes=60)
    own = grown.volume_fraction
    apart = np.hypot(own.standard_error, world.threshold_error * world.threshold)
    assert world.threshold == pytest.approx(own.value, abs=4 * apart)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("worlds")


def test_worlds_are_kept_and_numbered(plan, folder):
    maker = small(plan)
    world = maker.world(0, folder)
    (kept,) = folder.iterdir()
    before = kept.stat().st_mtime_ns
    again = maker.world(0, folder)
    assert kept.stat().st_mtime_ns == before
    for name in World.__dataclass_fields__:
        assert np.array_equal(getattr(world, name), getattr(again, name))
    assert small(plan, beta=50.0).key() != maker.key()


def test_films_of_a_gap_meet_the_same_luck_whatever_is_cast_beside_them(plan):
    gaps = plan.electrode_gaps
    place = Place(Bench.of(plan), power_law(), 2.0, np.random.SeedSequence(8))
    alone = place.cast(0, Cup(0.3, gaps[1:2]), gaps)
    beside = place.cast(0, Cup(0.3, gaps), gaps)
    assert alone == beside[3:6]
    assert place.cast(1, Cup(0.3, gaps[1:2]), gaps) != alone


def test_every_rule_ends_and_is_judged_by_the_truth(plan, folder):
    chances, fared = run(small(plan), range(1), RULES, most=4, folder=folder)
    assert [c.world for c in chances] == [0, 0, 0]
    for campaigns in fared.values():
        for chance, found in zip(chances, campaigns, strict=True):
            assert 1 <= found.cups <= 4
            assert found.films in (3 * found.cups, 9 * found.cups)
            assert not found.good or (chance.some and found.claim is not None)
            assert not found.spread_too or found.good
