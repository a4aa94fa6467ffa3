"""Circuits, noise, self-heating and two readings, against closed forms and handbooks."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from percsim.film.readout import (
    Circuit,
    HeatPath,
    Noise,
    across_sensitivity,
    flicker_noise,
    johnson_noise,
    self_heating,
    separate,
    thermal_output,
)

OHMS = st.floats(1.0, 1e7)


# --- noise


@pytest.mark.parametrize(
    ("ohm", "bandwidth", "kelvin", "volts"),
    [
        # handbook rule: 1 kohm at room temperature makes 4 nV in 1 Hz (Horowitz & Hill,
        # The Art of Electronics, chapter on noise, from memory): 4.02 nV at 293 K
        (1e3, 1.0, 293.0, 4.02e-9),
        # the same text: 10 kohm, 10 kHz, room temperature: 1.3 uV rms
        (10e3, 10e3, 293.0, 1.27e-6),
        (50.0, 1.0, 290.0, 0.895e-9),  # 50 ohm at the standard noise temperature, 0.9 nV
    ],
)
def test_johnson_noise(ohm, bandwidth, kelvin, volts):
    assert johnson_noise(ohm, bandwidth, kelvin) == pytest.approx(volts, rel=5e-3)


def test_johnson_noise_of_a_capacitor():
    # a resistor across C makes kT/C whatever R: its noise bandwidth is 1/(4 R C)
    k, capacitance, kelvin = 1.380649e-23, 1e-12, 300.0
    for ohm in (1e3, 1e9):
        u = johnson_noise(ohm, 1.0 / (4.0 * ohm * capacitance), kelvin)
        assert u == pytest.approx(math.sqrt(k * kelvin / capacitance), rel=1e-12)


def test_flicker_noise_is_alike_in_every_decade():
    one = flicker_noise(1e-10, 1.0, 10.0)
    assert one == pytest.approx(1e-5 * math.sqrt(math.log(10.0)))
    assert flicker_noise(1e-10, 0.01, 10.0) == pytest.approx(one * math.sqrt(3.0))


def test_noise_of_a_divider_by_hand():
    circuit = Circuit(3.3, 1800.0)
    noise = Noise.of(
        circuit, 1800.0, bandwidth=100.0, lowest_frequency=1.0, temperature=293.15,
        instrument=3e-6, flicker=1e-12,
    )  # fmt: skip
    assert noise.johnson == pytest.approx(johnson_noise(900.0, 100.0, 293.15))
    assert noise.flicker == pytest.approx(3.3 / 4 * 1e-6 * math.sqrt(math.log(100.0)))
    assert noise.total**2 == pytest.approx(noise.johnson**2 + noise.flicker**2 + 9e-12)


# --- circuits


@given(OHMS, OHMS, OHMS)
def test_half_bridge_is_the_wheatstone_formula(r1, r2, arm):
    # Kirchhoff on all four arms: V = V_s (R1 R4 - R2 R3)/((R1 + R2)(R3 + R4)), R3 = R4
    circuit = Circuit(5.0, 0.0, "half bridge")
    expected = 5.0 * (r1 * arm - r2 * arm) / ((r1 + r2) * 2.0 * arm)
    assert float(circuit.output(r1, r2)) == pytest.approx(expected, abs=1e-12)


def test_half_bridge_of_opposite_films_is_linear_and_of_one_active_is_not():
    circuit = Circuit(1.0, kind="half bridge")
    x = np.array([-0.2, -0.05, 0.01, 0.3])
    both = circuit.supply * (circuit.share(1.0 + x, 1.0 - x) - 0.5)
    assert both == pytest.approx(x / 2.0)
    assert circuit.output(1.0 + x, 1.0) == pytest.approx(x / (4.0 + 2.0 * x))


@pytest.mark.parametrize("kind", ["series", "quarter bridge", "half bridge"])
@given(film=OHMS, series=OHMS)
def test_slopes_are_those_of_the_output(kind, film, series):
    circuit = Circuit(3.3, series, kind)
    h = 1e-5
    up, down = (float(circuit.output(film * math.exp(d), film)) for d in (h, -h))
    assert circuit.slope(film) == pytest.approx((up - down) / (2 * h), abs=3e-8)
    if kind != "half bridge":
        p = [math.log(circuit.film_power(film * math.exp(d))) for d in (h, -h)]
        assert circuit.power_slope(film) == pytest.approx((p[0] - p[1]) / (2 * h), abs=1e-7)
    assert circuit.film_power(film) == pytest.approx(
        circuit.current(film) ** 2 * film, rel=1e-12
    )


def test_power_over_bridge_arms_adds_up():
    # two films in series at V dissipate V^2/(2 R), one half of it each
    assert Circuit(4.0, kind="half bridge").film_power(100.0) == pytest.approx(0.04)
    assert Circuit(4.0).film_power(100.0) == pytest.approx(0.16)
    assert Circuit(4.0).source_resistance(100.0) == 0.0
    assert Circuit(4.0, 100.0).source_resistance(100.0) == pytest.approx(50.0)
    assert Circuit(4.0, 100.0, "quarter bridge").source_resistance(100.0) == 100.0


def test_an_open_film_takes_the_voltage_and_no_power():
    circuit = Circuit(3.3, 1800.0)
    assert float(circuit.output(math.inf, 1800.0)) == 3.3
    assert circuit.current(math.inf) == circuit.film_power(math.inf) == 0.0
    assert Circuit(3.3, 0.0).has_signal is False


@pytest.mark.parametrize(
    ("arguments", "word"),
    [((0.0,), "supply"), ((1.0, -1.0), "series"), ((1.0, 1.0, "full"), "kind")],
)
def test_circuits_that_cannot_be(arguments, word):
    with pytest.raises(ValueError, match=word):
        Circuit(*arguments)


# --- heat


def test_self_heating_of_the_reference_sheet():
    # elementary conduction: 1000 W/m2, 200 um at 0.17 W/mK on a sink: q t/(2k) = 0.59 K at
    # the free face; with 10 W/m2K at one free face q/h = 100 K
    path = HeatPath(200e-6, 0.17, still_air=10.0)
    assert 1000.0 * path.hottest_on_sheet == pytest.approx(0.588, abs=0.003)
    assert 1000.0 * path.in_still_air == pytest.approx(100.0)


def test_rise_of_a_slab_by_integration():
    # k T'' = -q/t with T = 0 at the sink, T' = 0 at the free face, solved numerically
    thickness, k, n = 3e-4, 0.2, 2000
    z = (np.arange(n) + 0.5) * thickness / n
    flux = 1.0 - z / thickness  # heat made above z passes through it
    profile = np.cumsum(flux) * thickness / n / k
    path = HeatPath(thickness, k, sheet_thickness=1e-4, sheet_conductivity=0.1)
    assert profile.mean() + 1e-3 == pytest.approx(path.on_sheet, rel=1e-3)
    assert profile.max() + 1e-3 == pytest.approx(path.hottest_on_sheet, rel=1e-3)


@pytest.mark.parametrize("series", [0.0, 300.0, 5000.0])
@pytest.mark.parametrize("coefficient", [-4e-3, 6e-3])
def test_warming_is_the_steady_state_of_its_own_power(series, coefficient):
    circuit, area, theta = Circuit(2.0, series), 18e-6, 1e-3
    found = self_heating(circuit, 1000.0, area, theta, coefficient)
    rise = 0.0
    for _ in range(200):  # the fixed point, with R linear in the rise
        rise = theta / area * circuit.film_power(1000.0 * (1.0 + coefficient * rise))
    assert found.rise == pytest.approx(rise, rel=0.01)
    # what it solves, dT = dT_0 (1 + c dT), to the last digit
    again = found.cold_rise + found.loop_gain * found.rise
    assert found.rise == pytest.approx(again, rel=1e-12)
    assert not found.runs_away


def test_a_film_that_falls_on_heating_runs_away_straight_at_its_supply():
    # V^2/R grows without end once theta P |coefficient| >= 1
    warm = self_heating(Circuit(10.0), 1000.0, 18e-6, 0.1, -2e-3)
    assert warm.loop_gain == pytest.approx(0.1 * 0.1 / 18e-6 * 2e-3)
    assert warm.runs_away
    assert not self_heating(Circuit(10.0), 1000.0, 18e-6, 0.1, 2e-3).runs_away
    # a matched series resistor holds it: d ln P / d ln R = 0 at R = S
    assert self_heating(Circuit(10.0, 1000.0), 1000.0, 18e-6, 0.1, -2e-3).loop_gain == 0.0


def test_heat_paths_that_cannot_be():
    with pytest.raises(ValueError, match="conductivity must be positive"):
        HeatPath(2e-4, 0.0)
    with pytest.raises(ValueError, match="sheet_thickness must be 0 or more"):
        HeatPath(2e-4, 0.2, -1.0)


# --- strain-gauge vocabulary


def test_thermal_output_as_in_strain_gauge_practice():
    # beta/K + (1 + K_t)/(1 - nu K_t) (alpha_s - alpha_g), small K_t: their plain difference
    assert float(thermal_output(4e-5, 2.0)) == pytest.approx(20e-6)
    assert float(thermal_output(0.0, 2.0, 23e-6, 11e-6)) == pytest.approx(12e-6)
    turned = float(thermal_output(0.0, 2.0, 23e-6, 11e-6, 0.02, 0.285))
    assert turned == pytest.approx(12e-6 * 1.02 / (1 - 0.285 * 0.02))
    assert float(thermal_output(1e-3, 0.0)) == math.inf


def test_a_film_across_reads_minus_poisson_without_transverse_sensitivity():
    assert across_sensitivity(0.0, 0.3) == pytest.approx(-0.3)
    # as sensitive across as along: turning it changes nothing
    assert across_sensitivity(1.0, 0.3) == pytest.approx(1.0)
    # biaxial strain (nu = -1): turning it changes nothing either
    assert across_sensitivity(0.4, -1.0) == pytest.approx(1.0)


# --- two readings


def test_condition_number_is_that_of_the_singular_values():
    matrix, scale = np.array([[15.0, 2e-3], [9.0, 6e-3]]), (3e-3, 60.0)
    found = separate(matrix, scale, (1e-4, 1e-4))
    s = np.linalg.svd(matrix * scale, compute_uv=False)
    assert found.condition_number == pytest.approx(s[0] / s[1], rel=1e-12)


def test_equal_films_tell_nothing_and_orthogonal_ones_all():
    same = separate(
        [[15.0, 2e-3], [15.0, 2e-3]], (3e-3, 60.0), (1e-4, 1e-4), np.ones((3, 2, 2))
    )
    assert same.condition_number == math.inf
    assert same.noise == same.spread == (math.inf, math.inf)
    pure = separate([[10.0, 0.0], [0.0, 5e-3]], (1.0, 2000.0), (1e-4, 2e-4))
    assert pure.condition_number == pytest.approx(1.0)
    assert pure.noise == pytest.approx((1e-5, 0.04))


def test_noise_agrees_with_drawn_readings():
    rng = np.random.default_rng(40119)
    matrix = np.array([[15.0, 8e-3], [6.0, 9e-3]])
    u = np.array([2e-4, 5e-4])
    found = separate(matrix, (3e-3, 60.0), tuple(u))
    x = np.array([1e-3, 10.0])
    read = matrix @ x + u * rng.standard_normal((200_000, 2))
    drawn = (np.linalg.inv(matrix) @ read.T).T.std(axis=0)
    # 4 standard errors of a standard deviation of 2e5 draws
    assert found.noise == pytest.approx(drawn, rel=4 / math.sqrt(4e5))


def test_spread_of_real_films_by_hand():
    # both films 1 % more sensitive to strain than believed, temperature right: strain is
    # read 1 % too large at full scale, temperature right
    matrix = np.array([[15.0, 8e-3], [6.0, 9e-3]])
    real = np.repeat((matrix * [1.01, 1.0])[None], 50, axis=0)
    found = separate(matrix, (3e-3, 60.0), (0.0, 0.0), real)
    assert found.spread == pytest.approx((3e-5, 0.0), abs=1e-12)


def test_separations_that_cannot_be():
    with pytest.raises(ValueError, match=r"\(2, 2\)"):
        separate([[1.0, 2.0]], (1.0, 1.0), (0.0, 0.0))
    with pytest.raises(ValueError, match="scale must be positive"):
        separate(np.eye(2), (0.0, 1.0), (0.0, 0.0))
