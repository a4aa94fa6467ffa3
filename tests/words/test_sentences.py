"""Sentences of candidates, choice, decision and measured films, made from real findings."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from reference.findings import findings, row_of

from percsim.decision.candidates import Margin, Refusal
from percsim.decision.decide import State
from percsim.decision.limits import BenchLimits
from percsim.decision.target import Limit
from percsim.findings.rows import summary_of_choice
from percsim.packing import plain
from percsim.words.candidates import cautions, limit_name, named, refusals, thickening
from percsim.words.choice import known_by_films, reasons, what_is_assumed

TIGHT = {"largest_resistance_cv": "15 %"}


@pytest.fixture(scope="module")
def found():
    return findings()


@pytest.fixture(scope="module")
def tight():
    return findings(target=TIGHT)


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


def margin(what, value, limit, unit, at_least=False, close=False):
    return Margin(Limit(what, limit, unit, at_least), value, close)


@pytest.mark.parametrize(
    ("missed", "told"),
    [
        (margin("resistance", 5100.0, 3000.0, "ohm"),
         "median resistance 5.1 kohm, at most 3 kohm is asked"),
        (margin("resistance", np.inf, 3000.0, "ohm"),
         "median resistance open, at most 3 kohm is asked"),
        (margin("gauge_factor", 8.0, 10.0, "1", at_least=True, close=True),
         "median gauge factor 8, at least 10 is asked, within its simulation error"),
        (margin("resistance_cv", 0.344, 0.3, "1"),
         "CV of resistance 34.4 %, at most 30 % is asked"),
        (margin("gauge_factor_cv", np.inf, 0.3, "1"),
         "CV of gauge factor not defined, at most 30 % is asked"),
        (margin("thermal_output", 30e-6, 20e-6, "1/K"),
         "thermal output 30 microstrain/K, at most 20 microstrain/K is asked"),
        (margin("self_heating_drift", np.inf, 20e-6, "strain"),
         "self-heating drift without bound, at most 20 microstrain is asked"),
        (margin("pass_share", 0.79, 0.8, "1", at_least=True),
         "79 % of the castings pass, 80 % are asked"),
        # rounding does not hide that a limit is missed
        (margin("pass_share", 0.7996, 0.8, "1", at_least=True),
         "79.96 % of the castings pass, 80 % are asked"),
        (margin("resistance_cv", 0.30004, 0.3, "1"),
         "CV of resistance 30.004 %, at most 30 % is asked"),
    ],
)  # fmt: skip
def test_a_missed_limit_is_said_with_what_is_asked(found, missed, told):
    candidate = replace(found.best, refusals=(Refusal("limit", missed),))
    assert refusals(candidate) == (told,)


def test_names_of_limits_are_those_of_the_margins(found):
    told = summary_of_choice(found)["candidates"][0]["margins"]
    assert [row["target"] for row in told] == [
        "median resistance, at least",
        "median resistance, at most",
        "median gauge factor, at least",
        "share of castings that pass, at least",
    ]
    assert (
        limit_name(Limit("resistance_cv", 0.3, "1", False)) == "CV of resistance, at most"
    )


def test_a_film_is_only_said_to_be_open_when_boxes_and_castings_agree(found):
    lean = found.whole.candidates[0]
    ratio = f"at {lean.castings.threshold_ratio:.2f} times the film's own threshold"
    (told,) = refusals(replace(lean, refusals=(Refusal("open"),)))
    assert told.startswith(ratio)
    assert told.endswith("not decided here")
    loading = lean.fit.loading
    shut = replace(loading, conductances=tuple(0.0 * g for g in loading.conductances))
    outlook = replace(lean.outlook, rest=np.full_like(lean.outlook.rest, np.inf))
    gone = replace(
        lean, fit=replace(lean.fit, loading=shut), outlook=outlook,
        refusals=(Refusal("open"),),
    )  # fmt: skip
    assert refusals(gone) == (f"{ratio} the film is open",)


def test_cautions_name_what_is_thin(found):
    lean = found.whole.candidates[0]
    assert 1.3 < lean.castings.threshold_ratio < 1.5
    assert any("may read some ten per cent off" in word for word in cautions(lean))
    castings = replace(lean.castings, diameter=lean.castings.film.electrode_gap / 5.0)
    told = cautions(replace(lean, castings=castings))
    assert any("only 5.0 particle diameters long" in word for word in told)
    assert not any("ten per cent" in word for word in cautions(found.whole.candidates[-1]))


@pytest.mark.parametrize(
    ("solids", "told"),
    [
        (0.5, ""),
        (0.8, "about 25 times: expect a stiff mix"),
        (0.92, "expect a crumbly paste with pores"),
        (1.0, "it cannot be cast so"),
    ],
)
def test_mixes_near_jamming_are_named(solids, told):
    # Maron & Pierce 1956: viscosity goes as (1 - solids)^-2
    found = thickening(BenchLimits(solids=lambda _: solids), 0.4)
    assert (told in found) if told else (found == "")


def test_a_choice_says_its_verdict_first_and_each_thing_once(found, tight):
    told = reasons(found.as_planned)
    name = named(found.best.outlook.recipe)
    assert told[0] == f"{name} gap meets every target as planned"
    assert reasons(found.as_planned, calibrated=True)[0] == (
        f"cast {name} gap: it meets every target"
    )
    refused = sum(not c.meets_target for c in found.whole.candidates)
    assert told[-1].startswith(f"{refused} of 8 candidates")
    missed = reasons(tight.as_planned)
    assert missed[0].startswith("none of the 8 candidates meets the target")
    assert missed[1].startswith("refused because CV of resistance")
    for words in (told, missed):
        assert sum("of its castings pass" in w for w in words) == 1
        assert len(words) == len(set(words)) <= 9
    undecided = reasons(tight.as_planned, "threshold not foreseeable")
    assert undecided[0] == "no loading is decided: threshold not foreseeable"


def test_the_sentences_carry_the_numbers_of_the_choice(found):
    text = " ".join(reasons(found.as_planned))
    best = found.best
    assert f"{100 * best.pass_share.value:.0f} % of its castings pass" in text
    kohm = re.search(r"resistance ([\d.]+) kohm", text)
    assert float(kohm[1]) == pytest.approx(1e-3 * best.resistance.median, rel=5e-3)
    gauge = re.search(r"gauge factor ([\d.]+)", text)
    assert float(gauge[1]) == pytest.approx(best.gauge_factor.median, rel=5e-3)


def test_what_nobody_measured_is_said_with_its_width(found):
    told = what_is_assumed(found.contacts, found.mix.films.threshold)
    assert "every R goes as 1/g0" in told[0]
    assert "films of two loadings" in told[1]
    known = replace(found.contacts, measured=frozenset({"g0", "aspect_ratio"}))
    assert what_is_assumed(known, found.mix.films.threshold) == []


def test_the_decision_is_written_with_what_its_indices_count(found):
    row = summary_of_choice(found)["decision"]
    assert row["state"] == "cast to learn"
    assert len(row["recipes"]) == len(row["all_limits"]) == len(row["window"])
    assert row["probability"] == row["all_limits"][row["best"]]
    first = row["recipes"][row["cup"]["recipes"][0]]
    assert first["weight_fraction"] == row["cup"]["weight_fraction"]
    assert plain(State.READY) == "ready"
    assert plain((np.float64(1.0), {"a": np.array([1.0, np.inf])})) == [
        1.0, {"a": [1.0, float("inf")]},
    ]  # fmt: skip


def test_a_choice_by_films_says_how_sure_it_is(read):
    told = known_by_films(read.choice, 0.95)
    assert told[0].startswith("the measured films tell: ")
    sure = read.choice.standing.confidence
    assert f"{100 * sure:.0f} %" in " ".join(told) or sure > 0.99
    mixed = known_by_films(read.choice, 0.95, "flakes")
    assert mixed[:-1] == told
    assert "of one mix, flakes" in mixed[-1]
