"""The film in use, on a film whose answers are known in closed form."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from reference.made_up_findings import coefficient, findings_of, plan_with, records
from scipy.special import iv

from percsim.film import FilmCurves
from percsim.film.readout import johnson_noise
from percsim.findings import assemble
from percsim.findings.currents import Currents, Largest, currents
from percsim.findings.operation import operation
from percsim.findings.words import SELF_HEATING, not_modelled
from percsim.packing import plain

NOT_MODELLED = not_modelled(opening=True, overlap=True)
SUPPLY = {
    "voltage": "3.3 V",
    "series_resistor": "1.8 kohm",
    "bandwidth": "100 Hz",
    "instrument_noise": "0.002 mV",
}


@pytest.fixture(scope="module")
def plan():
    return plan_with(
        supply=SUPPLY,
        vibration={"mean": "1500 microstrain", "amplitude": "300 microstrain"},
    )


@pytest.fixture(scope="module")
def findings(plan):
    return findings_of(plan)


@pytest.fixture(scope="module")
def found(findings):
    return plain(operation(findings))


def test_nonlinearity_of_the_exponential_film(found):
    # exp(15 e) to 3000 microstrain: nearly a parabola, b/4 with b = 15 x 3e-3/2
    lines = found["linearity"]
    x = np.linspace(0.0, 3e-3, 4)
    y = np.exp(15 * x)
    line = 1 + (y[-1] - 1) * x / 3e-3
    expected = 100 * np.abs(y - line).max() / (y[-1] - 1)
    assert lines["end_point_percent"]["value"] == pytest.approx(expected)
    # castings differ in how they respond, by a tolerance of their own
    assert lines["end_point_percent"]["p05"] < expected < lines["end_point_percent"]["p95"]
    # the divider is concave where R is convex: it straightens the reading
    assert lines["voltage_end_point_percent"]["value"] < lines["end_point_percent"]["value"]


def test_a_window_wider_than_the_chord_leaves_the_gauge_factor_as_it_is():
    # two strains more, beyond the chord and on the other side; the film bends, so that the
    # chord to 6000 microstrain would be another
    narrow = {"window": "0 to 3000 microstrain", "points": 4}
    wide = {
        "window": "-1000 to 6000 microstrain",
        "points": 8,
        "chord": "3000 microstrain",
    }
    one, other, far = (
        findings_of(plan_with(supply=SUPPLY, strain=strain)).choice
        for strain in (narrow, wide, {key: wide[key] for key in ("window", "points")})
    )
    for a, b, c in zip(one.candidates, other.candidates, far.candidates, strict=True):
        assert b.castings.gauge_factors == pytest.approx(a.castings.gauge_factors)
        assert b.gauge_factor.median == pytest.approx(
            math.expm1(15 * 3e-3) / 3e-3, rel=5e-3
        )
        assert c.gauge_factor.median == pytest.approx(
            math.expm1(15 * 6e-3) / 6e-3, rel=5e-3
        )
        curves = FilmCurves.from_castings(b.castings)
        assert curves.strains[curves.end] == 3e-3
        assert curves.strains[-1] == 6e-3


def test_window_holds_every_casting(found):
    window = found["window"]
    assert window["open_at_rest"] == 0
    assert window["room"] == window["every_temperature"] == {"min": 0.0, "max": 3e-3}
    assert set(window["conducting_share"]) == {1.0}


def test_power_and_heat_by_hand(found, findings, plan):
    heat, r = found["heating"], found["resistance_ohm"]
    current = 3.3 / (r + 1800.0)
    area = 6e-3 * findings.best.castings.film.electrode_gap
    assert heat["current_A"] == pytest.approx(current)
    assert heat["film_power_W"] == pytest.approx(current**2 * r)
    flux = current**2 * r / area
    assert heat["power_density_W_per_m2"] == pytest.approx(flux)
    sheet, air = heat["on_sheet"], heat["in_still_air"]
    assert sheet["cold_rise_K"] == pytest.approx(flux * 2e-4 / (3 * 0.17))
    assert sheet["hottest_rise_K"] == pytest.approx(1.5 * sheet["rise_K"])
    assert air["cold_rise_K"] == pytest.approx(flux / 10.0)
    w = findings.best.castings.loading.weight_fraction
    a = coefficient(plan, w)
    gain = air["cold_rise_K"] * a * (1800 - r) / (1800 + r)
    assert air["loop_gain"] == pytest.approx(gain, rel=0.01)
    drift = 1e6 * air["rise_K"] * a / found["gauge_factor"]
    assert air["drift_microstrain"] == pytest.approx(drift, rel=0.01)
    band = air["drift_microstrain_prior"]
    assert band["p05"] < drift < band["p95"]


def test_self_heating_is_no_longer_listed_as_missing(plan):
    summary = assemble(plan, records(plan))[0]
    assert SELF_HEATING in NOT_MODELLED
    assert set(summary["not_modelled"]) == set(NOT_MODELLED) - {SELF_HEATING}
    bare = plan_with()
    assert assemble(bare, records(bare))[0]["not_modelled"] == NOT_MODELLED


def test_signal_and_noise_by_hand(found):
    noise, r = found["noise"], found["resistance_ohm"]
    end = r * math.exp(0.045)
    volts = 3.3 * (end / (end + 1800) - r / (r + 1800))
    assert noise["signal_uV_per_microstrain"]["value"] == pytest.approx(volts / 3e-3)
    assert noise["johnson_V"] == pytest.approx(
        johnson_noise(r * 1800 / (r + 1800), 100.0, 293.15)
    )
    assert noise["flicker_V"] is None
    total = math.hypot(noise["johnson_V"], 2e-6)
    assert noise["total_V"] == pytest.approx(total)
    assert noise["smallest_strain_microstrain"] == pytest.approx(
        3 * total / (volts / 3e-3) * 1e6
    )


def test_vibration_of_an_exponential(found):
    cycle = found["vibration"]
    # exp(15 a sin): mean I_0(15 a), first harmonic 2 I_1(15 a)
    z = 15 * 300e-6
    assert cycle["mean_shift_percent"]["value"] == pytest.approx(
        100 * (iv(0, z) - 1), rel=2e-3
    )
    assert cycle["alternating_percent"]["value"] == pytest.approx(
        100 * 2 * iv(1, z), rel=1e-4
    )
    assert cycle["one_branch"]
    assert cycle["curvature_shift_percent"] == pytest.approx(100 * z**2 / 4, rel=2e-3)


def test_two_strains_say_nothing_of_a_shifted_mean():
    plan = plan_with(
        strain={"window": "0 to 3000 microstrain", "points": 2},
        vibration={"mean": "1500 microstrain", "amplitude": "300 microstrain"},
    )
    cycle = plain(operation(findings_of(plan)))["vibration"]
    assert "points must be 3 or more" in cycle["refused"]
    assert "mean_shift_percent" not in cycle


def test_an_overheating_supply_is_a_warning_with_the_number():
    plan = plan_with(supply=SUPPLY | {"voltage": "60 V"})
    summary = assemble(plan, records(plan))[0]
    warnings = summary["operation"]["warnings"]
    assert warnings
    assert summary["cautions"][: len(warnings)] == warnings
    assert all(word.startswith("Overheating") and "60 V" in word for word in warnings)
    # the supply it names is safe: nothing is said there, and something 3 % above
    found = [re.search(r"below about ([\d.]+) V", word) for word in warnings]
    named = [float(match[1]) for match in found]
    for volts, warns in ((0.95 * min(named), False), (1.05 * min(named), True)):
        plan = plan_with(supply=SUPPLY | {"voltage": f"{volts:.6g} V"})
        again = operation(findings_of(plan)).warnings
        assert bool(again) == warns, volts


def test_a_day_hotter_than_elastomers_stand_is_not_the_fault_of_the_supply():
    plan = plan_with(supply=SUPPLY, temperature={"values": ["20 C", "60 C", "210 C"]})
    assert operation(findings_of(plan)).warnings == ()
    assert any("210 C" in word for word in plan.remarks)


def test_power_of_the_busiest_contact_at_the_plans_supply(findings, plan):
    # power goes as the square of the voltage
    own = replace(findings)
    own._made[currents] = Currents(7, 1.0, Largest(1e-9, 0.0, 2e-9), {})
    found = plain(operation(own))
    resistance = found["resistance_ohm"]
    volts = plan.supply_voltage * resistance / (resistance + plan.series_resistor)
    assert found["contacts"]["largest_W"] == pytest.approx(2e-9 * volts**2)
    assert found["contacts"]["n_boxes"] == 7


def test_without_a_supply_there_is_no_heat_and_it_says_so():
    found = operation(findings_of(plan_with()))
    assert found.warnings is None
    assert {"heating", "noise", "vibration", "warnings"}.isdisjoint(plain(found))


def test_one_temperature_keeps_the_heat_but_not_the_drift():
    plan = plan_with(supply=SUPPLY, temperature={"values": ["20 C"]})
    heat = plain(operation(findings_of(plan)))["heating"]
    assert not heat["coefficient_known"]
    assert heat["on_sheet"]["loop_gain"] == 0.0
    assert "drift_microstrain" not in heat["on_sheet"]


def test_an_open_film_reads_nothing():
    plan = plan_with(supply=SUPPLY, explore={"weight_fraction": ["12 wt%", "14 wt%"]})
    assert plain(operation(findings_of(plan))) == {"open": True}


def margin_on(candidate, what):
    (margin,) = [m for m in candidate.margins if m.limit.what == what]
    return margin


def test_thermal_targets_decide():
    # a limit just above and just below what the film does
    base = findings_of(plan_with(supply=SUPPLY))
    best, place = base.best, base.choice.index
    output = abs(FilmCurves.from_castings(best.castings).thermal_output_and_error()[0])
    for factor, met in ((1.02, True), (0.98, False)):
        plan = plan_with(
            supply=SUPPLY,
            target={"largest_thermal_output": f"{1e6 * factor * output} microstrain/K"},
        )
        candidate = findings_of(plan).choice.candidates[place]
        margin = margin_on(candidate, "thermal_output")
        assert margin.met is met
        assert margin.value == pytest.approx(output, rel=1e-3)
        assert any(r.margin is margin for r in candidate.refusals) != met


def test_a_drift_limit_decides():
    plan = plan_with(
        supply=SUPPLY, target={"largest_self_heating_drift": "0.001 microstrain"}
    )
    found = findings_of(plan)
    assert found.choice.chosen is None
    margin = margin_on(found.best, "self_heating_drift")
    heat = plain(operation(found))["heating"]["on_sheet"]
    assert margin.value * 1e6 == pytest.approx(abs(heat["drift_microstrain"]), rel=0.02)
    assert any(r.margin is margin for r in found.best.refusals)


def test_a_drift_goes_as_the_square_of_the_supply():
    drifts = []
    for volts in ("3.3 V", "1.65 V"):
        plan = plan_with(
            supply=SUPPLY | {"voltage": volts}, target={"largest_self_heating_drift": "1 %"}
        )
        drifts.append(margin_on(findings_of(plan).best, "self_heating_drift").value)
    assert drifts[0] == pytest.approx(4.0 * drifts[1], rel=0.01)
