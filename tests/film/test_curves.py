"""Curves of a film: slopes, lines and cycles on functions whose answers are known."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference.made_up_boxes import cast, loading
from scipy.optimize import linprog
from scipy.special import iv

from percsim.film import FilmCurves, Tolerances
from percsim.film.curves import (
    best_line,
    end_point_line,
    nonlinearity,
    slope_at,
    vibrate,
)
from percsim.states.temperature import ThermalOpening

X = np.array([0.0, 0.5, 1.5, 2.0, 3.0, 4.0])


# --- slopes


@given(*[st.floats(-5.0, 5.0)] * 3, st.floats(-1.0, 5.0))
def test_slopes_of_parabolas_are_exact(a, b, c, at):
    slope = float(slope_at(X, a * X**2 + b * X + c, at)[0])
    assert slope == pytest.approx(2 * a * at + b, abs=1e-9)


def test_two_points_give_their_chord_and_open_ones_none():
    assert float(slope_at([0.0, 2.0], [1.0, 4.0], 0.0)[0]) == 1.5
    rows = slope_at(X, np.vstack([X, np.where(X > 3.0, np.inf, X)]), [1.0])
    assert rows[0, 0] == pytest.approx(1.0)
    assert np.isnan(rows[1, 0])


# --- lines


def test_nonlinearity_of_a_parabola():
    # y = x + b x^2 on [0, 1], full scale 1 + b: largest distance from the end-point line
    # b/4, in the middle; the best line halves it (Chebyshev)
    x = np.linspace(0.0, 1.0, 41)
    for b in (0.1, -0.3, 1.0):
        found = nonlinearity(x, x + b * x**2)
        assert float(found.end_point) == pytest.approx(abs(b) / 4 / (1 + b))
        assert float(found.best) == pytest.approx(abs(b) / 8 / (1 + b))


def test_nonlinearity_of_an_exponential():
    # e^x on [0, 1], end-point slope m = e - 1: apart most where e^x = m, by
    # |m - 1 - m ln m| (the line is 1 + m x there), over m
    x = np.linspace(0.0, 1.0, 20_001)
    m = math.e - 1.0
    found = nonlinearity(x[::500], np.exp(x[::500]))
    assert float(found.end_point) == pytest.approx((1 + m * math.log(m) - m) / m, rel=2e-3)
    assert float(found.best) == pytest.approx(0.5 * float(found.end_point), rel=2e-3)


@given(st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6))
def test_best_lines_are_those_of_linear_programming(values):
    y = np.array(values)
    slope, offset = best_line(X, y)
    apart = float(np.abs(y - slope * X - offset).max())
    rows = np.column_stack([X, np.ones(6), np.full(6, -1.0)])
    mirrored = np.column_stack([-X, -np.ones(6), np.full(6, -1.0)])
    solved = linprog(
        [0, 0, 1], np.vstack([rows, mirrored]), np.concatenate([y, -y]),
        bounds=[(None, None)] * 2 + [(0, None)],
    )  # fmt: skip
    assert apart == pytest.approx(solved.fun, abs=1e-7)
    ends = end_point_line(X, y)
    assert apart <= np.abs(y - ends[0] * X - ends[1]).max() + 1e-12


def test_rows_that_open_have_no_line():
    found = nonlinearity(X, np.vstack([X, np.where(X > 3, np.inf, X), np.ones(6)]))
    assert float(found.end_point[0]) == pytest.approx(0.0, abs=1e-15)
    assert np.isinf(found.best[1:]).all()


# --- cycles


@given(st.floats(-0.4, 0.4), st.floats(0.5, 2.0), st.floats(1.0, 3.0), st.floats(0.05, 0.9))
def test_a_parabola_shifts_by_its_curvature_alone(a, b, mean, amplitude):
    # y = 1 + b x + a x^2: mean over a cycle a A^2/2 = y'' A^2/4 above, first harmonic
    # (b + 2 a m) A, second a A^2/2
    y = 1.0 + b * X + a * X**2
    if (np.diff(y) <= 0.0).any():
        return
    cycle = vibrate(X, y, mean, amplitude)
    assert cycle.one_branch
    assert float(cycle.shift) == pytest.approx(a * amplitude**2 / 2, abs=1e-9)
    assert float(cycle.curvature_shift) == pytest.approx(a * amplitude**2 / 2, abs=1e-9)
    assert float(cycle.alternating) == pytest.approx(
        (b + 2 * a * mean) * amplitude, abs=1e-9
    )
    assert float(cycle.second_harmonic) == pytest.approx(
        abs(a) * amplitude**2 / 2, abs=1e-9
    )


def test_a_kink_rectifies_and_curvature_does_not_hold():
    # y = 1 + b |x| about 0: mean 2 b A/pi (full-wave rectifier), no first harmonic, and the
    # second 4 b A/(3 pi)
    x = np.linspace(-2.0, 2.0, 9)
    cycle = vibrate(x, 1.0 + 0.3 * np.abs(x), 0.0, 1.2)
    assert cycle.curvature_shift is None
    assert not cycle.one_branch
    assert float(cycle.shift) == pytest.approx(2 * 0.3 * 1.2 / math.pi, rel=1e-5)
    assert float(cycle.alternating) == pytest.approx(0.0, abs=1e-12)
    assert float(cycle.second_harmonic) == pytest.approx(4 * 0.36 / (3 * math.pi), rel=1e-5)


def test_a_clamped_branch_is_a_half_wave_rectifier():
    # y = 1 + b max(x, 0): contacts pressed shut on one side; mean b A/pi, harmonic b A/2
    x = np.linspace(-2.0, 2.0, 9)
    cycle = vibrate(x, 1.0 + 0.3 * np.maximum(x, 0.0), 0.0, 1.0)
    assert not cycle.one_branch
    assert float(cycle.shift) == pytest.approx(0.3 / math.pi, rel=1e-5)
    assert float(cycle.alternating) == pytest.approx(0.15, rel=1e-5)
    assert (float(cycle.lowest), float(cycle.highest)) == pytest.approx((1.0, 1.3))
    away = vibrate(x, 1.0 + 0.3 * np.maximum(x, 0.0), 1.0, 0.9)
    assert away.one_branch
    assert float(away.shift) == pytest.approx(0.0, abs=1e-12)


def test_an_exponential_gives_bessel_functions():
    # mean of exp(K A sin) is I_0(K A), its first harmonic 2 I_1(K A)
    x = np.linspace(0.0, 3.0, 13)
    cycle = vibrate(x, np.exp(0.5 * x), 1.5, 1.0)
    base = math.exp(0.75)
    assert float(cycle.shift) == pytest.approx(base * (iv(0, 0.5) - 1.0), rel=2e-3)
    assert float(cycle.alternating) == pytest.approx(base * 2 * iv(1, 0.5), rel=2e-4)


def test_rows_share_one_cycle_and_open_ones_are_infinite():
    rows = np.vstack([X, 2 * X, np.where(X > 1.8, np.inf, X)])
    cycle = vibrate(X, rows, 2.0, 1.0)
    assert cycle.alternating[:2] == pytest.approx([1.0, 2.0])
    assert np.isinf(cycle.shift[2])


def test_cycles_that_leave_the_curve_are_refused():
    with pytest.raises(ValueError, match="outside of 0 to 4"):
        vibrate(X, X, 0.5, 1.0)
    with pytest.raises(ValueError, match="open within the cycle"):
        vibrate(X, np.where(X > 2.5, np.inf, X), 2.0, 1.0)


# --- curves of a film

STRAINS = (0.0, 1e-3, 2e-3, 3e-3)
KELVINS = (263.15, 293.15, 333.15)


def curves_of(response, **keywords):
    states = [(e, t) for t in KELVINS for e in STRAINS]
    made = [
        loading(
            w, response=response, strains=tuple(e for e, _ in states),
            temperatures=tuple(t for _, t in states), **keywords,
        )
        for w in (0.26, 0.30)
    ]  # fmt: skip
    castings, _ = cast(made, 1, Tolerances(), 200, np.random.SeedSequence(5))
    return castings, FilmCurves.from_castings(castings)


def test_curves_of_a_film_known_in_closed_form():
    _, curves = curves_of(lambda e, t: 15.0 * e + 4e-3 * (t - 293.15))
    assert curves.ratio[curves.room] == pytest.approx(np.exp(15.0 * np.array(STRAINS)))
    assert curves.gauge_factor == pytest.approx(math.expm1(0.045) / 3e-3)
    expected = 4e-3  # ln R is straight
    assert curves.temperature_coefficient == pytest.approx(expected)
    output, error = curves.thermal_output_and_error()
    assert output == pytest.approx(expected / curves.gauge_factor)
    assert error == pytest.approx(0.0, abs=1e-12)  # boxes differ by one factor each
    assert curves.conducting_window() == (0.0, 3e-3)


def test_other_shares_and_energies_follow_the_law():
    thermal, energy = ThermalOpening(2.7e-4, 233.15, 0.3), 1.6e-21
    k = 1.380649e-23

    def response(strain, kelvin, share=0.3, energy=energy):
        opening = share * 2.7e-4 * (kelvin - 233.15)
        activated = energy / k * (1 / kelvin - 1 / 293.15)
        return 15.0 * strain + 120.0 * opening + activated

    _, curves = curves_of(response)
    shares, energies = np.array([0.3, 0.1, 0.9]), np.array([1.6e-21, 5e-21, 1e-22])
    ratios, beyond = curves.with_contacts(thermal, energy, shares, energies)
    for row, share, other in zip(ratios, shares, energies, strict=True):
        expected = [
            math.exp(response(0.0, t, share, other) - response(0.0, 293.15, share, other))
            for t in KELVINS
        ]
        assert row == pytest.approx(expected, rel=1e-9)
    assert beyond == pytest.approx(4 / 9)  # of three temperatures: none, two, two


def test_castings_that_open_end_the_usable_window():
    castings, curves = curves_of(lambda e, t: 15.0 * e)
    open_far = curves.castings.copy()
    open_far[3, 0, 3] = np.inf  # one casting, cold, at the largest strain
    one = FilmCurves(
        curves.strains, curves.temperatures, curves.resistance, curves.ratio,
        curves.resamples, open_far, len(castings),
    )  # fmt: skip
    assert one.conducting_window() == (0.0, 2e-3)
    assert one.conducting_window(one.room) == (0.0, 3e-3)


def test_an_open_film_has_no_curves():
    _, curves = curves_of(lambda e, t: 15.0 * e, scale=1.0)
    assert curves is not None
    made = [loading(w, n_boxes=4) for w in (0.12, 0.14)]
    dead, _ = cast(made, 1, Tolerances(), 50, np.random.SeedSequence(5))
    assert FilmCurves.from_castings(dead) is None
