import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from reference.made_up_boxes import CRITICAL, FILM, THRESHOLD, loading, volume_fraction
from reference.powders import POWDER, TUBES

from percsim.boxes.simulate import place_box
from percsim.decision import ContactParameters, TunnellingParameters, assumptions
from percsim.decision.priors import contact_priors
from percsim.film import (
    TOLERANCE_NAMES,
    CastingDraws,
    Tolerances,
    cast_films,
    fit_loadings,
)
from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.solve import solve_network
from percsim.plan import Plan
from percsim.run import box_jobs
from percsim.states.strain import Mounting, State
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening

PLAN = Path(__file__).parents[2] / "examples" / "bike_patch.toml"

SEED = np.random.SeedSequence(2718)


@pytest.fixture(scope="module")
def castings():
    loadings = [loading(w) for w in (0.26, 0.30, 0.34)]
    fits = fit_loadings(loadings, THRESHOLD, resamples=20, seed=SEED)
    draws = CastingDraws.draw(500, 24, SEED)
    return cast_films(fits, 2, FILM, THRESHOLD, Tolerances(), draws)


def rows(castings, **keywords):
    listed = assumptions(ContactParameters(**keywords), THRESHOLD, castings)
    return {row.symbol: row for row in listed}


def test_effect_of_the_threshold_is_that_of_the_law(castings):
    effect = rows(castings)["phi_c"].effect
    phi = volume_fraction(0.34)
    # shape moves phi/phi_c, as would a loading
    half = ((phi * 2 - CRITICAL) / (phi - CRITICAL)) ** -1.8
    twice = ((phi / 2 - CRITICAL) / (phi - CRITICAL)) ** -1.8
    got = [float(x) for x in re.findall(r"multiply R by ([\d.]+)", effect)]
    assert got == pytest.approx([half, twice], rel=0.05)


def test_activation_energy_by_hand(castings):
    # 10 meV/(8.617333e-5 eV/K x 293.15^2 K^2) = 0.135 % per kelvin, 50 meV 0.675 %
    effect = rows(castings)["Ea"].effect
    assert "by 0.14 % per kelvin" in effect
    assert "up to 0.68 %" in effect
    assert rows(castings)["Ea"].value == pytest.approx(10.0)


def test_gauge_factor_is_not_given_in_proportion_to_beta(castings):
    listed = rows(castings)
    # made-up boxes: ln R rises by 15 e, so the chord to 3000 microstrain is 15.3, which
    # the castings scatter around by 5 % of the response
    (told,) = re.findall(r"[\d.]+", listed["beta"].effect)
    assert float(told) == pytest.approx(np.expm1(0.045) / 3e-3, rel=0.02)
    assert f"gauge factor ({told} here), but far less than in proportion" in (
        listed["beta"].effect
    )
    assert "can only raise R" in listed["beta"].effect
    assert "may re-make where strain closes them" in listed["delta_b"].effect
    for symbol in ("delta_b", "closed_at", "lambda_T"):
        assert "gauge factor" in listed[symbol].effect
        assert "the film's own threshold" in listed[symbol].effect


def test_what_is_said_of_the_contacts_is_true_of_the_law():
    # the shortest boxes of the heaviest loading of the example, solved under other laws
    plan = Plan.load(PLAN)
    heaviest = max(plan.weight_fractions)
    jobs = [
        job
        for job in box_jobs(plan)
        if job.box.length == plan.box_lengths[0] and job.recipe.weight_fraction == heaviest
    ][:8]
    recipe, strain = jobs[0].recipe, 3e-3
    boxes = [
        (find_links(place_box(job), 0.0), replace(job.law, seed=6200 + job.number))
        for job in jobs
    ]

    def states(share):
        opening = ThermalOpening(recipe.thermal_expansion, 233.15, share)
        return [State.at(e, ROOM_TEMPERATURE, Mounting(), opening) for e in (0.0, strain)]

    def solved(share=0.3, **changed):
        """Resistances at rest and gauge factor of the boxes side by side."""
        r = np.array([
            [
                solve_network(build_network(links, replace(law, **changed), s)).resistance
                for s in states(share)
            ]
            for links, law in boxes
        ])  # fmt: skip
        rest, strained = (1.0 / r).mean(axis=0)
        return r[:, 0], (rest / strained - 1.0) / strain

    beta, delta_b, never = 100.0, 0.01, 1e9
    decays = [solved(beta=b, delta_b=delta_b) for b in (0.0, beta, 3 * beta)]
    # "a larger value can only raise R"
    assert all((a[0] < b[0]).all() for a, b in pairwise(decays))
    # "far less than in proportion when contacts are lost"
    assert 1.0 < decays[2][1] / decays[1][1] < 2.0
    # "what these add is there without any decay", and nothing else is
    assert decays[0][1] > 0.25 * decays[1][1]
    assert solved(beta=0.0, delta_b=never)[1] == pytest.approx(0.0, abs=1e-4)
    # "a smaller value can only raise R"
    breaks = [solved(beta=beta, delta_b=d) for d in (never, 4 * delta_b, delta_b)]
    assert all((a[0] <= b[0]).all() for a, b in pairwise(breaks))
    assert (breaks[0][0] < breaks[2][0]).all()
    # "contacts broken at rest may re-make where strain closes them"
    rest, strained = states(0.3)
    remade = 0
    for links, law in boxes:
        own = replace(law, beta=beta, delta_b=delta_b)
        broken = own.conductances(links, rest) == 0.0
        remade += int((broken & (own.conductances(links, strained) > 0.0)).sum())
    assert remade > 100
    # the share of the mismatch moves the level at rest and the gauge factor
    little, much = (solved(share, beta=beta, delta_b=delta_b) for share in (0.1, 0.3))
    assert (little[0] < much[0]).all()
    assert abs(little[1] / much[1] - 1.0) > 0.1


def test_measured_values_are_named_so(castings):
    plain = rows(castings)
    assert plain["g0"].basis == "assumed"
    assert "assumed" in plain["phi_c"].source
    known = rows(castings, measured=frozenset({"g0", "aspect_ratio"}))
    assert known["g0"].basis == "measured"
    assert "aspect ratio measured" in known["phi_c"].source
    assert known["beta"].basis == "assumed"


def test_threshold_and_level_are_as_wide_as_the_powder_says(castings):
    def limits(name, **keywords):
        return contact_priors(ContactParameters(**keywords), THRESHOLD)[name].limits()

    # simulation error of 0.4 % at 95 % added in quadrature: no digit of these
    assert limits("threshold", powder=POWDER) == pytest.approx((0.5, 2.0), rel=1e-3)
    shape = frozenset({"aspect_ratio"})
    assert limits("threshold", powder=POWDER, measured=shape) == pytest.approx(
        (1.0 / 1.1, 1.1), rel=1e-3
    )
    assert limits("threshold", powder=TUBES) == pytest.approx((0.03, 300.0), rel=1e-3)
    assert limits("g0", powder=POWDER) == pytest.approx((8e-6, 8e-4))
    assert limits("g0", powder=TUBES) == pytest.approx((8e-9, 0.8))
    assert "within 0.5 to 2 times it (judgement: for tests)" in (
        rows(castings, powder=POWDER)["phi_c"].source
    )
    assert "any level" in rows(castings, powder=TUBES)["g0"].source


def test_every_tolerance_is_listed_with_its_share(castings):
    listed = rows(castings)
    assert listed["tau_thickness"].value == 8.0
    assert listed["tau_gap"].unit == "mm"
    shares = [
        float(re.match(r"([\d.e-]+) % of the variance", row.effect)[1])
        for symbol, row in listed.items()
        if symbol.startswith("tau_")
    ]
    assert len(shares) == len(TOLERANCE_NAMES) - 1
    assert sum(shares) == pytest.approx(100.0, abs=2.0)


def test_dictionary_keys(castings):
    row = rows(castings)["g0"].as_dict()
    assert set(row) == {"name", "symbol", "value", "unit", "basis", "source", "effect"}
    assert row["basis"] in ("assumed", "measured", "simulated")


def test_unknown_measured_names_are_refused():
    with pytest.raises(ValueError, match="gnought"):
        ContactParameters(measured=frozenset({"gnought"}))


def test_a_tenfold_fall_of_tunnelling_by_hand():
    # 4 pi sqrt(2 m 1 eV)/h = 10.25 /nm, ln 10 = 2.303
    assert TunnellingParameters(1.602176634e-19, 1e-16).decade == pytest.approx(
        0.2247e-9, rel=1e-3
    )


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"area": 0.0}, "area must be positive"),
        ({"measured": frozenset({"g0"})}, "g0 not known"),
    ],
)
def test_bad_tunnelling_parameters_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        TunnellingParameters(**{"barrier_height": 1e-19, "area": 1e-16, **fields})


def test_an_affine_plan_gives_tunnelling_parameters(tmp_path):
    plan = Plan.load(PLAN)
    assert isinstance(plan.contact_parameters(), ContactParameters)
    text = PLAN.read_text()
    contacts = 'model = "affine"\nbarrier_height = "2 eV"\ncutoff = "3 nm"\n'
    head, _, tail = text.partition("[contacts]\n")
    kept = tail[tail.index("\n[") :] if "\n[" in tail else ""
    path = tmp_path / "plan.toml"
    path.write_text(f"{head}\n[contacts]\n{contacts}{kept}")
    found = Plan.load(path).contact_parameters()
    assert isinstance(found, TunnellingParameters)
    assert found.barrier_height == pytest.approx(2 * 1.602176634e-19)
    assert found.cutoff == pytest.approx(3e-9)


def test_limits_of_the_bench_agree_with_the_weigh_out_sheet():
    plan = Plan.load(PLAN)
    limits = plan.bench_limits()
    sheet = plan.weigh_out(plan.recipe(0.3))
    assert limits.film_length == plan.film.length
    assert limits.largest_particle == plan.largest_particle
    share = limits.solids(0.3)
    assert (1.0 - share) ** -2 == pytest.approx(sheet.relative_viscosity)
