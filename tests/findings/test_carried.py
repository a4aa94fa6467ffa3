"""Boxes and chapters as measured films would have them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reference.box_results import box_result
from reference.closed_form_films import CRITICAL, MEDIANS, ClosedForm
from reference.findings import findings

from percsim.boxes.store import Record
from percsim.decision.anchor import Anchoring
from percsim.decision.priors import Draws, contact_priors
from percsim.film.responses import KnownResponses
from percsim.findings.anchor import learn, measured_candidates
from percsim.findings.carried import carried_findings, carried_mix, known_from
from percsim.jobs import box_jobs
from percsim.plan import Plan


def told(found, **factors):
    """Draws in which everything is known: as planned but for factors on some numbers."""
    priors = contact_priors(found.plan.contact_parameters(), found.threshold)
    z = [priors[p.name].standard(p.median * factors.get(p.name, 1.0)) for p in priors.free]
    draws = Draws(priors, np.tile(z, (8, 1)), np.full(8, 1 / 8))
    narrowing = {p.name: 0.1 if p.name in factors else 1.0 for p in priors.free}
    anchoring = Anchoring(priors, draws, (), narrowing, {}, ())
    return draws, *known_from(anchoring, draws, found.plan.contact_parameters())


def test_twice_the_contact_conductance_halves_every_resistance():
    found = findings()
    draws, known, factor = told(found, g0=2.0)
    mix, _ = carried_mix(found, draws, known, factor)
    for before, after in zip(found.loadings, mix.loadings, strict=True):
        for a, b in zip(before.conductances, after.conductances, strict=True):
            assert b == pytest.approx(2.0 * a, rel=1e-9)
    assert mix.threshold.volume_fraction == pytest.approx(CRITICAL)
    assert known.contacts.g0 == pytest.approx(1.6e-4)
    assert known.contacts.measured >= {"g0"}
    assert "beta" not in known.contacts.measured


def test_a_threshold_moves_loadings_as_the_law_says():
    found = findings()
    draws, known, factor = told(found, threshold=0.9)
    assert factor == pytest.approx(0.9)
    mix, _ = carried_mix(found, draws, known, factor)
    assert mix.threshold.volume_fraction == pytest.approx(0.9 * CRITICAL)
    for before, after in zip(found.loadings, mix.loadings, strict=True):
        phi = before.volume_fraction
        fall = ((phi / (0.9 * CRITICAL) - 1.0) / (phi / CRITICAL - 1.0)) ** 1.9
        rest = before.reference_state
        a, b = before.conductances[-1][:, rest], after.conductances[-1][:, rest]
        assert b == pytest.approx(fall * a, rel=1e-9)


def test_a_loading_that_opens_is_open_and_one_that_conducts_borrows_boxes():
    weights = {"explore": {"weight_fraction": ["18 wt%", "26 wt%", "34 wt%"],
                           "electrode_gap": ["2 mm", "3 mm"]}}  # fmt: skip
    # by the formula 18 wt% has 9.1 vol%, 1.07 times the threshold of the boxes
    found = findings(**weights)
    draws, known, factor = told(found, threshold=1.2)
    mix, _ = carried_mix(found, draws, known, factor)
    assert all((g == 0.0).all() for g in mix.loadings[0].conductances)
    near = replace(found.threshold, volume_fraction=CRITICAL * 1.05)
    draws, known, factor = told(found, threshold=0.8)
    mix, moves = carried_mix(replace(found, threshold=near), draws, known, factor)
    assert moves[0.18].source == 0.26
    assert all((g > 0.0).all() for g in mix.loadings[0].conductances)


def test_stored_boxes_move_with_their_loading():
    found = findings()
    plan = Plan.from_dict({**found.plan.as_dict(), "boxes": {"count": 4}})
    jobs = tuple(j for j in box_jobs(plan) if j.recipe.weight_fraction == 0.3)[:2]
    states = len(ClosedForm().strains)
    result = box_result(
        [1e-3] * states, {"critical_path_S": 2e-4, "noise_index": 5.0}, n_links=9,
        lost_share=0.1, slopes={}, probe_conductances=[1.06e-3, 1e-3, 1e-3],
    )  # fmt: skip
    records = {j.key: Record.of(j.key, result, 1.0) for j in jobs}
    before = dict(records)
    found = replace(found, plan=plan, jobs=jobs, records=records)
    draws, known, factor = told(found, g0=0.5, beta=2.0)
    mix, moves = carried_mix(found, draws, known, factor)
    moved = carried_findings(found, mix, moves, known, factor)
    out = moved.records[jobs[0].key].result
    rest = out.conductances[jobs[0].rest]
    assert rest == pytest.approx(5e-4)
    assert out.currents.critical_path_S == pytest.approx(1e-4)
    assert out.currents.noise_index == 5.0
    assert out.n_links == 9
    assert out.slopes is None
    # beta doubles the share of the response that goes as beta
    own = ClosedForm().log_resistance(mix.film, mix.loadings[2].volume_fraction, {})[0]
    parameters = {**MEDIANS, "beta": 200.0}
    twice = ClosedForm().log_resistance(
        mix.film, mix.loadings[2].volume_fraction, parameters
    )[0]
    ratio = (twice[3] - twice[0]) / (own[3] - own[0])
    assert np.log(out.probe_conductances[0] / rest) == pytest.approx(
        ratio * np.log(1.06), rel=1e-6
    )
    # what is stored stays as it is
    assert records == before


def test_known_responses_stand_where_the_films_put_them():
    law, film = ClosedForm(), findings().mix.film
    known = KnownResponses(law, {**MEDIANS, "g0": 4e-5, "beta": 150.0}, 0.9)
    own = {**MEDIANS, "g0": 4e-5, "beta": 150.0}
    assert known.log_resistance(film, 0.16, {}) == pytest.approx(
        law.log_resistance(film, 0.16, own, 0.9)
    )
    slopes = known.gradient(film, 0.16, 3)
    # by the formula: 0.12 beta e, and 1.9 ln(phi/phi_c - 1) with the response near it
    assert slopes["g0"] == pytest.approx(-1.0)
    assert slopes["beta"] == pytest.approx(0.12 * 150.0 * 3e-3, rel=1e-4)
    ratio = 0.16 / (0.9 * CRITICAL)
    excess, held = ratio - 1.0, MEDIANS["delta_b"] / 3e-3
    near = 1.9 * ratio / excess + 0.05 / held * ratio / (0.2 + excess) ** 2
    assert slopes["threshold"] == pytest.approx(near, rel=1e-3)


def test_candidates_say_what_the_films_tell():
    """Numbers of a summary are those of the chapter, whatever stood there before."""
    row = {"weight_fraction": "30 wt%", "electrode_gap": "3 mm", "resistance": "2 kohm",
           "films": 3}  # fmt: skip
    other = {**row, "weight_fraction": "26 wt%", "resistance": "4.4 kohm"}
    found = findings([row, other])
    learned = learn(found)
    decision = learned.findings.decision
    told = measured_candidates(decision.as_dict()["candidates"], learned)
    law = ClosedForm()
    for candidate, own, judged, planned in zip(
        told, learned.rows, decision.candidates, found.decision.candidates, strict=True
    ):
        assert candidate["pass_share"]["value"] == own["pass_share"]
        assert candidate["pass_share"]["low"] <= own["pass_share"]
        assert own["pass_share"] <= candidate["pass_share"]["high"]
        median = candidate["resistance_ohm"]["median"]
        assert median == own["casting_resistance_ohm"]["median"]
        # the boxes are those of another law: they move by what this one says
        phi = judged.castings.fit.loading.volume_fraction
        before = np.exp(law.log_resistance(judged.castings.film, phi, {})[0, 0])
        moved = own["film_resistance_ohm"]["median"] / before
        assert judged.resistance[0] / planned.resistance[0] == pytest.approx(
            moved, rel=0.03
        )
        assert candidate["meets_target"] == (not candidate["refused_because"])
    at = learned.ranking.best
    assert decision.best is decision.candidates[at]
    assert (decision.chosen == at) is learned.ranking.meets
    assert sum(learned.ranking.first) <= 1.0 + 1e-9
    # a cup weighed off by a per cent moves the share by what the slope says, no further
    best = told[at]["weighing_error"]
    assert abs(best["pass_share_low"] - best["pass_share_high"]) < 0.2
