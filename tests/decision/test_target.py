"""What is asked: windows, castings that pass, limits and how far values are from them."""

from dataclasses import replace

import numpy as np
import pytest
from reference.judged_boxes import NONE, TARGET, known_of, model_of
from reference.made_up_boxes import CRITICAL, FILM, SHORT, loading, resistivity
from scipy.special import ndtr

from percsim.decision.outlook import Recipe, outlooks
from percsim.decision.target import Limit, Target
from percsim.film import Bench, Circuit, HeatPath, Loading, LoadingThreshold
from percsim.film.protocol import Protocol, cycles


def test_series_resistor_gives_the_window():
    target = Target(supply_voltage=3.3, series_resistance=1800.0)
    # slope of the divider, x (1 - x) with x = R/(R + S), is 3/4 of its best, 1/4, there
    for r in target.window:
        x = r / (r + 1800.0)
        assert x * (1 - x) == pytest.approx(0.75 * 0.25)
    assert Target(resistance_max=5e3, series_resistance=1800.0).window == (0.0, 5e3)
    assert Target().window == (0.0, np.inf)


def test_passing_needs_a_conducting_film_throughout():
    passes = TARGET.passes(
        np.array([2000.0, 600.0, 3100.0, np.inf, 2000.0, 2000.0]),
        np.array([12.0, 12.0, 12.0, 0.0, 9.0, np.inf]),
    )
    assert passes.tolist() == [True, False, False, False, False, False]
    # without a limit on it a gauge factor still has to be one
    free = Target(resistance_max=3e3)
    assert free.passes(np.full(2, 2e3), np.array([-4.0, np.inf])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"resistance_min": 3e3, "resistance_max": 1e3}, "below resistance_max"),
        ({"gauge_factor_min": -1.0}, "gauge_factor_min must be positive"),
        ({"pass_share_min": 1.2}, "0 to 1"),
        ({"resistance_max": float("nan")}, "must be positive"),
        ({"resistance_cv_max": float("inf")}, "resistance_cv_max must be positive"),
        ({"self_heating_drift_max": 1e-5}, "needs a circuit and a heat path"),
        ({"zero_shift_max": 1e-4}, "need a protocol that pulls"),
        (
            {"drift_max": 1e-4, "protocol": Protocol.at_rest().stay(60.0)},
            "need a protocol that pulls",
        ),
    ],
)
def test_bad_targets_are_refused(fields, message):
    with pytest.raises(ValueError, match=message):
        Target(**fields)


def test_every_limit_that_is_asked_is_a_limit():
    names = {
        "resistance_min": ("resistance", 700.0, True),
        "resistance_max": ("resistance", 3e3, False),
        "gauge_factor_min": ("gauge_factor", 10.0, True),
        "resistance_cv_max": ("resistance_cv", 0.25, False),
        "gauge_factor_cv_max": ("gauge_factor_cv", 0.15, False),
        "thermal_output_max": ("thermal_output", 2e-5, False),
        "self_heating_drift_max": ("self_heating_drift", 1e-5, False),
        "hysteresis_max": ("hysteresis", 0.05, False),
        "zero_shift_max": ("zero_shift", 1e-4, False),
        "drift_max": ("drift", 5e-5, False),
    }
    assert [x.what for x in Target().limits] == ["pass_share"]
    asked = {key: value for key, (_, value, _) in names.items()}
    pulls = cycles(1.5e-3, 2, 1e-4)
    every = Target(**asked, circuit=CIRCUIT, heat_path=HEAT, protocol=pulls).limits
    assert [(x.what, x.value, x.at_least) for x in every] == [
        *names.values(),
        ("pass_share", 0.8, True),
    ]


CIRCUIT = Circuit(3.3, 1800.0)
HEAT = HeatPath(1e-3, 0.2)


@pytest.mark.parametrize("at_least", [True, False])
@pytest.mark.parametrize(
    "what", ["resistance", "gauge_factor", "resistance_cv", "thermal_output", "pass_share"]
)
def test_the_reserve_is_positive_inside_and_grows_inwards(what, at_least):
    limit = Limit(what, 0.2, "1", at_least or what == "pass_share")
    if what == "resistance_cv" and at_least:
        return
    values = np.array([0.05, 0.1, 0.2, 0.3, 0.8])
    found = limit.reserve(values)
    inwards = np.diff(found) if limit.at_least else -np.diff(found)
    assert (inwards > 0.0).all()
    assert found[2] == 0.0
    kept = values >= 0.2 if limit.at_least else values <= 0.2
    np.testing.assert_array_equal(found >= 0.0, kept)


def test_reserves_by_hand_and_of_what_is_not_known():
    at_least = Limit("resistance", 700.0, "ohm", True)
    at_most = Limit("resistance", 3000.0, "ohm", False)
    cv = Limit("resistance_cv", 0.25, "1", False)
    assert at_least.reserve(1400.0) == pytest.approx(np.log(2.0))
    assert at_most.reserve(6000.0) == pytest.approx(-np.log(2.0))
    assert cv.reserve(0.2) == pytest.approx(0.2)
    assert Limit("pass_share", 0.8, "1", True).reserve(0.7) == pytest.approx(-0.1)
    for limit in (at_least, at_most, cv):
        assert limit.reserve(np.inf) == -np.inf
        assert limit.reserve(np.nan) == -np.inf
    # a gauge factor of zero or below is as far outside as can be, no thermal output inside
    assert Limit("gauge_factor", 10.0, "1", True).reserve(-3.0) == -np.inf
    assert Limit("thermal_output", 1e-5, "1/K", False).reserve(0.0) > 0.0


@pytest.mark.parametrize("window", [(700.0, 3000.0), (None, 2500.0), (2000.0, None)])
def test_pass_share_of_a_log_normal_resistance(window):
    # only contacts scatter: ln R normal around the planned film, the share is closed form
    spread = 0.3
    exact = LoadingThreshold(CRITICAL, 0.0, -1.0)
    loadings = [loading(0.26), loading(0.30)]
    model, _ = model_of(loadings, exact)
    mixed = loadings[1]
    recipe = Recipe(
        Loading(mixed.weight_fraction, mixed.volume_fraction, mixed.log_slope), FILM
    )
    bench = Bench(replace(NONE, contact=spread), -1.0)
    (found,) = outlooks(model, [recipe], known_of(model, 4), bench)
    log_r = np.log(resistivity(0.30) * (3e-3 - SHORT) / FILM.section)
    low, high = (np.inf * (2 * i - 1) if x is None else np.log(x)
                 for i, x in enumerate(window))  # fmt: skip
    want = ndtr((high - log_r) / spread) - ndtr((low - log_r) / spread)
    assert 0.2 < want < 0.95
    np.testing.assert_allclose(found.pass_shares(Target(*window)), want, atol=1e-6)
    band = found.casting_band()
    # quantiles of 2,000 even numbers
    assert band.median == pytest.approx(np.exp(log_r), rel=1e-4)
    assert band.p05 == pytest.approx(np.exp(log_r - 1.644854 * spread), rel=1e-3)
    assert band.p95 == pytest.approx(np.exp(log_r + 1.644854 * spread), rel=1e-3)
    assert found.resistance_cv[0] == pytest.approx(np.sqrt(np.expm1(spread**2)), rel=1e-6)
