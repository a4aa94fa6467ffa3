"""What an answer rests on, in words."""

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from reference.invented_films import CRITICAL, FILM, THRESHOLD, Invented, mixed
from reference.powders import POWDER, TUBES

from percsim.boxes.simulate import place_box
from percsim.decision import ContactParameters, TunnellingParameters
from percsim.film.bench import Bench
from percsim.film.casting import cast_films
from percsim.film.draws import TOLERANCE_NAMES, CastingDraws
from percsim.jobs import box_jobs
from percsim.links.search import find_links
from percsim.network.build import build_network
from percsim.network.solve import solve_network
from percsim.plan import Plan
from percsim.states.strain import Mounting, State
from percsim.states.temperature import ROOM_TEMPERATURE, ThermalOpening
from percsim.words.assumptions import BY_FILMS, assumptions

PLAN = Path(__file__).parents[2] / "examples" / "bike_patch.toml"

LAW = Invented()
PHI = 0.2
CONTACTS = ContactParameters(powder=POWDER)


@pytest.fixture(scope="module")
def castings():
    model = LAW.model()
    draws = CastingDraws.draw(500, len(model.visits), np.random.SeedSequence(2718))
    bench = Bench(aspect_ratio_slope=THRESHOLD.aspect_ratio_slope)
    return cast_films(model, [mixed(PHI)], [FILM], bench, draws, diameter=1e-5)[0]


def rows(castings, contacts=CONTACTS, by_films=frozenset(), **keywords):
    listed = assumptions(replace(contacts, **keywords), THRESHOLD, castings, by_films)
    return {row.symbol: row for row in listed}


def test_effect_of_the_threshold_is_that_of_the_law(castings):
    effect = rows(castings)["phi_c"].effect
    # shape moves phi/phi_c, as would a loading
    half, twice = (
        ((PHI / f - CRITICAL) / (PHI - CRITICAL)) ** -LAW.exponent for f in (0.5, 2.0)
    )
    got = [float(x) for x in re.findall(r"multiplies R by ([\d.]+)", effect)]
    # the slope here over the whole way, as the effect is told in proportion
    assert got == pytest.approx([half, twice], rel=0.1)


def test_a_threshold_that_leaves_the_film_open_is_said_to(castings):
    lean = replace(castings, loading=mixed(0.15))
    assert rows(lean)["phi_c"].effect.endswith("twice as high leaves the film open")


def test_activation_energy_by_hand(castings):
    # 10 meV/(8.617333e-5 eV/K x 293.15^2 K^2) = 0.135 % per kelvin, 50 meV 0.675 %
    effect = rows(castings)["Ea"].effect
    assert "by 0.135 % per kelvin" in effect
    assert "up to 0.675 %" in effect
    assert rows(castings)["Ea"].value == pytest.approx(10.0)


def test_the_gauge_factor_of_the_film_stands_with_beta(castings):
    listed = rows(castings)
    (told,) = re.findall(r"([\d.]+) here", listed["beta"].effect)
    rest, *_, strained, _ = LAW.log_films(FILM, PHI, {})[0]
    assert float(told) == pytest.approx(np.expm1(strained - rest) / 3e-3, rel=0.02)
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
    # "larger raises R"
    assert all((a[0] < b[0]).all() for a, b in pairwise(decays))
    # "less than in proportion", as contacts are lost
    assert 1.0 < decays[2][1] / decays[1][1] < 2.0
    # what these add is there without any decay, and nothing else is
    assert decays[0][1] > 0.25 * decays[1][1]
    assert solved(beta=0.0, delta_b=never)[1] == pytest.approx(0.0, abs=1e-4)
    # "smaller raises R"
    breaks = [solved(beta=beta, delta_b=d) for d in (never, 4 * delta_b, delta_b)]
    assert all((a[0] <= b[0]).all() for a, b in pairwise(breaks))
    assert (breaks[0][0] < breaks[2][0]).all()
    # "the gauge factor either way": contacts broken at rest re-make where strain closes
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
    assert "aspect ratio assumed" in plain["phi_c"].source
    assert "within 0.5 to 2 times it (judgement: for tests)" in plain["phi_c"].source
    known = rows(castings, measured=frozenset({"g0", "aspect_ratio"}))
    assert known["g0"].basis == "measured"
    assert known["g0"].source == "measured, as entered in the plan"
    assert "aspect ratio measured" in known["phi_c"].source
    assert known["beta"].basis == "assumed"
    assert "any level" in rows(castings, powder=TUBES)["g0"].source
    stated = rows(castings, factors={"beta": 1.5}, ranges={"lambda_T": (0.2, 0.4)})
    assert stated["beta"].source == "assumed; 95 % within a factor 1.5 either way"
    assert "limits that the plan gives" in stated["lambda_T"].source


def test_what_films_tell_has_them_as_its_source(castings):
    told = rows(castings, measured=frozenset({"g0"}), by_films=frozenset({"g0"}))
    assert told["g0"].source == BY_FILMS
    assert told["phi_c"].basis == "measured"
    assert told["phi_c"].source == "simulated, then measured films"


def test_tunnelling_has_rows_of_its_own(castings):
    contacts = TunnellingParameters(1.602176634e-19, 1e-16)
    listed = {r.symbol: r for r in assumptions(contacts, THRESHOLD, castings)}
    assert {"contact_area", "barrier_height", "shortest_gap", "cutoff"} <= set(listed)
    assert listed["barrier_height"].value == pytest.approx(1.0)
    # 4 pi sqrt(2 m 1 eV)/h = 10.25 /nm, ln 10 = 2.303
    assert "tenfold each 0.22 nm of gap" in listed["barrier_height"].effect


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
    assert sum(shares) == pytest.approx(100.0 * (1.0 - castings.shares["chains"]), abs=2.0)
