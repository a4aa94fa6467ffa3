import re

import numpy as np
import pytest
from reference.made_up_boxes import CRITICAL, FILM, THRESHOLD, loading, volume_fraction

from percsim.decision import ContactParameters, assumptions
from percsim.film import CastingDraws, Tolerances, cast_films, fit_loadings

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
    half = ((phi - CRITICAL / 2) / (phi - CRITICAL)) ** -1.8
    twice = ((phi - CRITICAL * 2) / (phi - CRITICAL)) ** -1.8
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
    # made-up boxes: ln R rises by 15 e, so the chord to 3000 microstrain is 15.3
    assert "gauge factor (15.3 here), but far less than in proportion" in (
        listed["beta"].effect
    )
    assert "can only raise R" in listed["beta"].effect
    assert re.findall(r"[\d.]+", listed["beta"].effect) == ["15.3"]
    assert "may re-make where strain closes them" in listed["delta_b"].effect
    for symbol in ("delta_b", "closed_at", "lambda_T"):
        assert "gauge factor" in listed[symbol].effect
        assert "the film's own threshold" in listed[symbol].effect


def test_measured_values_are_named_so(castings):
    plain = rows(castings)
    assert plain["g0"].basis == "assumed"
    assert "assumed" in plain["phi_c"].source
    known = rows(castings, measured=frozenset({"g0", "aspect_ratio"}))
    assert known["g0"].basis == "measured"
    assert "aspect ratio measured" in known["phi_c"].source
    assert known["beta"].basis == "assumed"


def test_every_tolerance_is_listed_with_its_share(castings):
    listed = rows(castings)
    assert listed["tau_thickness"].value == 8.0
    assert listed["tau_gap"].unit == "mm"
    shares = [
        float(re.match(r"([\d.e-]+) % of the variance", row.effect)[1])
        for symbol, row in listed.items()
        if symbol.startswith("tau_")
    ]
    assert len(shares) == 7
    assert sum(shares) == pytest.approx(100.0, abs=2.0)


def test_dictionary_keys(castings):
    row = rows(castings)["g0"].as_dict()
    assert set(row) == {"name", "symbol", "value", "unit", "basis", "source", "effect"}
    assert row["basis"] in ("assumed", "measured", "simulated")


def test_unknown_measured_names_are_refused():
    with pytest.raises(ValueError, match="gnought"):
        ContactParameters(measured=frozenset({"gnought"}))
