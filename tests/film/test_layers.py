"""Layers against worked values of the trade and exact limits, named beside each."""

import dataclasses
import math

import numpy as np
import pytest
from reference.made_up_boxes import FILM, cast, loading
from scipy.integrate import quad, solve_bvp

from percsim.film import Tolerances, Visits
from percsim.film.electrodes import Bars, Fingers, FourTerminal
from percsim.film.layers import (
    Layer,
    Stack,
    StrainTransfer,
    Wrap,
    off_axis_reading,
    parallel_share,
    score_grid,
    through_thickness,
)
from percsim.film.mounted import (
    LocalResponse,
    electrode_span,
    mount,
    mounted_logs,
    read_length,
    stretches,
)

# --- bending


@pytest.mark.parametrize(
    ("layers", "axis", "rigidity"),
    [
        # composite-beam theory (Timoshenko), worked: aluminium, polyimide, three layers
        ([(1e-3, 70e9), (200e-6, 2e6)], 500.003, 5.8335),
        ([(125e-6, 2.5e9), (200e-6, 2e6)], 62.708, 4.1878e-4),
        ([(50e-6, 2.5e9), (100e-6, 3e6), (200e-6, 2e6)], 25.895, 4.9462e-5),
    ],
)
def test_neutral_axes_and_rigidities(layers, axis, rigidity):
    stack = Stack(tuple(Layer(*x) for x in layers))
    assert 1e6 * stack.neutral_axis == pytest.approx(axis, abs=6e-4)
    assert stack.rigidity == pytest.approx(rigidity, rel=2e-5)


def test_a_uniform_plate():
    # middle, E t^3/12, and E/(1 - nu^2) when it cannot bow across (any handbook)
    plate = Stack((Layer(1e-3, 2e9, 0.3), Layer(1e-3, 2e9, 0.3)))
    assert plate.neutral_axis == pytest.approx(1e-3)
    assert plate.rigidity == pytest.approx(2e9 * (2e-3) ** 3 / 12)
    wide = Stack(plate.layers, wide=True)
    assert wide.rigidity == pytest.approx(plate.rigidity / (1 - 0.09))


def test_a_soft_film_on_a_stiff_sheet():
    stack = Stack((Layer(50e-6, 2.5e9), Layer(200e-6, 2e6)))
    assert 1e6 * stack.neutral_axis == pytest.approx(25.399, abs=6e-4)
    assert stack.rigidity == pytest.approx(3.3605e-5, rel=2e-5)


def soft_stack(film=16e6, sheet=1.3e6):
    return Wrap(Stack((Layer(0.15e-3, sheet), Layer(0.2e-3, film))))


def test_a_soft_stack_on_a_tube():
    # 0.2 mm of 16 MPa on 0.15 mm of 1.3 MPa at 25 mm, worked by hand: z_n = 239.948 um;
    # about 400 in the middle, +4400 and -3600 at the faces; t/(2R) would say 7000
    wrap = soft_stack()
    z_n = (1.3 * 0.15**2 + 16 * (0.35**2 - 0.15**2)) / (2 * (1.3 * 0.15 + 16 * 0.2))
    assert 1e3 * wrap.neutral_axis == pytest.approx(z_n, rel=1e-12)
    low, middle, high = 1e6 * wrap.strain([0.15e-3, 0.25e-3, 0.35e-3], 25e-3)
    assert middle == pytest.approx(400, abs=10)
    assert high == pytest.approx(4400, abs=50)
    assert low == pytest.approx(-3600, abs=50)
    assert 1e6 * wrap.above / (2 * 25e-3) == pytest.approx(7000)


def test_a_gauge_on_a_small_radius_as_in_strain_gauge_practice():
    # a maker's note on gauges: backing and glue of 0.015 mm on a radius of 1.5 mm strain
    # the grid on top by about t/(2R) = 5000 microstrain; with K = 2.00 a grid of 120 ohm
    # rises by 1.2 ohm. One material throughout: the rule is exact to t/R, which is 1 %
    carrier = Wrap(Stack((Layer(0.015e-3, 3e9, 0.3),)))
    strain = float(carrier.strain(0.015e-3, 1.5e-3))
    assert strain == pytest.approx(5000e-6, rel=0.01)
    assert 120.0 * 2.00 * strain == pytest.approx(1.2, abs=0.01)


def test_strain_follows_the_lengths_of_arcs():
    # a fibre at z lies on a circle of R + z outside and R - z inside; that at z_n keeps
    # its length
    wrap, R = soft_stack(), 8e-3
    z = np.linspace(0.0, 0.35e-3, 5)
    z_n = wrap.neutral_axis
    assert wrap.strain(z, R) == pytest.approx((R + z) / (R + z_n) - 1, rel=1e-9)
    inner = Wrap(wrap.stack, inside=True)
    assert inner.strain(z, R) == pytest.approx((R - z) / (R - z_n) - 1, rel=1e-9)


def test_bent_with_the_part_the_film_strains_with_its_surface():
    # 1 mm aluminium: the soft layers hardly move its neutral axis, so the bonded face
    # strains by half its thickness over the radius and the film on top by more
    film = Layer(0.2e-3, 2e6)
    wrap = Wrap(Stack((Layer(1e-3, 70e9), film)), below=1e-3)
    assert wrap.faces == pytest.approx((0.0, 0.2e-3))
    assert wrap.strain(0.0, 1.0) == pytest.approx(0.5e-3, rel=1e-3)
    assert wrap.above == pytest.approx(0.2e-3)
    # a held face keeps its length: z/R
    held = Wrap(Stack((film,)), held=True)
    assert held.strain([0.0, 0.2e-3], 0.1) == pytest.approx([0.0, 2e-3])


@pytest.mark.parametrize("inside", [False, True])
def test_smallest_radius_puts_a_face_on_the_edge_of_the_window(inside):
    wrap = Wrap(soft_stack().stack, inside=inside)
    window = (-4e-3, 6e-3)
    radius = wrap.smallest_radius(window)
    faces = wrap.strain(wrap.faces, radius)
    assert window[0] - 1e-12 <= faces.min()
    assert faces.max() <= window[1] + 1e-12
    edge = min(faces.min() - window[0], window[1] - faces.max())
    assert edge == pytest.approx(0.0, abs=1e-12)


def test_no_radius_fits_a_window_without_compression():
    assert soft_stack().smallest_radius((0.0, 6e-3)) == math.inf
    # nor can a stack be bent to less than its thickness
    assert soft_stack().smallest_radius((-0.9, 0.9)) == pytest.approx(0.35e-3)


# --- strain transfer


def sheet(shear, thickness):
    return Layer(thickness, 2.0 * 1.495 * shear, 0.495)


@pytest.mark.parametrize(
    ("film", "between", "length", "decay", "mean"),
    [
        # Cox 1952 / Volkersen 1938, worked: a soft patch, a stiff gauge on its glue
        (Layer(200e-6, 3e6), sheet(0.33e6, 50e-6), 10e-3, 3316.6, 0.9397),
        (Layer(30e-6, 3e9), sheet(1e9, 30e-6), 3e-3, 19245.0, 0.9654),
    ],
)
def test_shear_lag(film, between, length, decay, mean):
    transfer = StrainTransfer.through(film, between, length)
    assert transfer.decay == pytest.approx(decay, rel=2e-5)
    assert transfer.mean() == pytest.approx(mean, abs=6e-5)
    # 1 - tanh(bL/2)/(bL/2) written out, and the mean as the integral of the profile
    u = 0.5 * transfer.decay * length
    assert transfer.mean() == pytest.approx(1 - math.tanh(u) / u, rel=1e-12)
    for over in (length, 0.3 * length):
        area = quad(transfer, -over / 2, over / 2, points=[0.0], limit=200)[0]
        assert transfer.mean(over) == pytest.approx(area / over, rel=1e-8)
    assert float(transfer(0.0)) == pytest.approx(1 - 1 / math.cosh(u))
    assert transfer([-length / 2, length / 2]) == pytest.approx(0.0, abs=1e-12)
    assert float(transfer(length / 2 - transfer.end_zone)) == pytest.approx(0.95, abs=1e-3)


def test_a_wide_film_is_stiffer_by_what_holds_it_across():
    # E/(1 - nu^2) in plane strain (any handbook): 4/3 of E at nu = 1/2
    film, part, between = Layer(0.2e-3, 3e6, 0.5), Layer(1e-3, 6e6, 0.0), sheet(1e6, 1e-4)
    narrow = StrainTransfer.through(film, between, 5e-3)
    wide = StrainTransfer.through(film, between, 5e-3, wide=True)
    assert narrow.decay / wide.decay == pytest.approx(math.sqrt(4 / 3))
    # of a part without lateral contraction nothing changes
    force = StrainTransfer.through(film, between, 5e-3, part, wide=True)
    shear = between.shear_modulus / 1e-4
    assert force.decay**2 == pytest.approx(shear * (1 / (4e6 * 0.2e-3) + 1 / (6e6 * 1e-3)))


def test_parallel_stiffness_under_a_force():
    # 1 mm of 2 MPa rubber under a 50 um carrier of 2.5 GPa keeps 1.57 % (elementary)
    assert parallel_share(2e6 * 1e-3, 2.5e9 * 50e-6) == pytest.approx(0.0157, abs=6e-5)
    assert parallel_share(math.inf, 1e5) == 1.0
    carrier, rubber = Layer(50e-6, 2.5e9), Layer(1e-3, 2e6)
    bonded = StrainTransfer.through(carrier, None, 10e-3, rubber)
    assert bonded.mean() == pytest.approx(0.0157, abs=6e-5)
    assert bonded.end_zone == 0.0
    assert bonded([0.0, 5e-3]) == pytest.approx([bonded.plateau] * 2)


def test_a_soft_part_under_a_force_against_the_differential_equations():
    # film E_f t_f u_f'' = tau, part E_p t_p u_p'' = -tau, tau = (G/t)(u_f - u_p) solved
    # numerically: film force 0 at both ends, all force in the part there
    film, part = Layer(0.2e-3, 10e6), Layer(1e-3, 50e6)
    between = sheet(0.4e6, 0.15e-3)
    length, force = 8e-3, 50e6 * 1e-3 * 1e-2  # the bare part would strain by 1 %
    k = between.shear_modulus / between.thickness
    a, b = film.stiffness, part.stiffness

    # lengths over the film's, forces over the part's, displacements over length x 1 %
    def slopes(x, y):  # u_f, N_f, u_p, N_p
        tau = k * length**2 * 1e-2 / force * (y[0] - y[2])
        return np.array([y[1] * b / a, tau, y[3], -tau])

    def ends(left, right):
        return np.array([left[1], right[1], left[3] - 1.0, left[0] + right[0]])

    x = np.linspace(-0.5, 0.5, 101)
    found = solve_bvp(slopes, ends, x, np.zeros((4, x.size)), tol=1e-7, max_nodes=20000)
    assert found.success
    strain = found.sol(x)[1] * b / a
    transfer = StrainTransfer.through(film, between, length, part)
    # the sheet's own stiffness shares the force in the plateau only: 0.4 %
    plain = StrainTransfer(transfer.decay, length, parallel_share(b, a))
    assert plain(x * length) == pytest.approx(strain, abs=2e-5)
    assert transfer.plateau == pytest.approx(plain.plateau, rel=5e-3)


def test_long_stiff_films_do_not_overflow():
    long = StrainTransfer(2e4, 1.0)
    assert long.mean() == pytest.approx(1 - 2 / 2e4)
    assert float(long(0.0)) == 1.0


# --- local response


def exponential(slope=20.0, strains=(-0.005, 0.0, 0.006), **ends):
    x = np.asarray(strains)
    return LocalResponse(x, np.stack([slope * x, 1.1 * slope * x]), **ends)


def test_a_uniform_strain_gives_the_response_itself():
    response = exponential()
    strains = np.array([-0.004, 0.0, 0.003])
    along = np.repeat(strains[:, None], 5, axis=1)
    assert response.film(along)[0] == pytest.approx(np.exp(20.0 * strains))
    assert response.film(along)[1] == pytest.approx(np.exp(22.0 * strains))
    # beyond the computed strains ln R goes on straight
    assert response.ratio(0.01)[0] == pytest.approx(np.exp(0.2))
    assert response.ratio(-0.01)[0] == pytest.approx(np.exp(-0.2))
    assert response.window == (-0.005, 0.006)


def test_slices_in_parallel_and_lengths_in_series_against_the_integrals():
    # exp(s e) through e = m +- d: 1/R = exp(-s m) sinh(s d)/(s d), exact; along x the mean
    # of exp(s a x) over the film, exact
    s, m, d = 20.0, 5e-4, 4e-3
    response = exponential(s)
    nodes = m + d * np.polynomial.legendre.leggauss(9)[0]
    expected = np.exp(s * m) * (s * d) / np.sinh(s * d)
    assert response.film(0.0, nodes)[0] == pytest.approx(expected, rel=1e-12)
    along = 5e-3 * stretches(1.0, 400)
    exact = np.sinh(s * 2.5e-3) / (s * 2.5e-3)
    assert response.film(along)[0] == pytest.approx(exact, rel=1e-6)
    # both at once factor for an exponential
    assert response.film(along, nodes)[0] == pytest.approx(exact * expected, rel=1e-6)


def test_open_slices_leave_the_rest_and_open_lengths_open_all():
    response = exponential(open_above=True)
    nodes = through_thickness(-0.004, 0.012)  # some above 0.006, where it opens
    held = response.film(0.0, nodes)[0]
    assert np.isfinite(held)
    assert held > exponential().film(0.0, nodes)[0]
    assert response.film([0.0, 0.007])[0] == np.inf
    below = exponential(open_below=True)
    assert below.ratio(-0.006)[0] == np.inf
    assert np.isfinite(below.ratio(0.02)[0])


def test_a_kinked_response_is_not_rounded_into_an_overshoot():
    strains = np.array([-0.002, -0.001, 0.0, 0.001, 0.002])
    flat = LocalResponse(strains, np.array([[0.0, 0.0, 0.0, 0.05, 0.1]]))
    assert flat.ratio(np.linspace(-0.002, 0.0, 50)).max() == 1.0


def test_points_through_the_thickness():
    z = through_thickness(1.0, 3.0, 5)
    weights = np.polynomial.legendre.leggauss(5)[1]
    # exact for polynomials to degree 9: mean of z^8 over 1 to 3
    assert 0.5 * weights @ z**8 == pytest.approx((3**9 - 1) / 18)
    assert stretches(2.0, 4) == pytest.approx([-0.75, -0.25, 0.25, 0.75])


# --- patches laid askew


def test_off_axis_readings():
    # Mohr's circle: K_t = 0, nu = 0.3 at 90 deg reads -nu; K_t = 1 does not see the angle
    assert off_axis_reading(math.pi / 2, 0.0, 0.3) == pytest.approx(-0.3)
    assert off_axis_reading(0.3, 1.0, 0.3) == pytest.approx(1.0)
    assert off_axis_reading(0.0, 0.4, 0.33) == 1.0
    # 5 deg, K_t = 0, nu = 0.285: 1 - (1 + nu) sin^2 = -0.976 %
    assert off_axis_reading(math.radians(5), 0.0, 0.285) - 1 == pytest.approx(
        -1.285 * math.sin(math.radians(5)) ** 2
    )
    with pytest.raises(ValueError, match="reads nothing"):
        off_axis_reading(0.1, 2.0, 0.5)


def test_scores_are_those_of_a_normal_law():
    scores = score_grid(201, 2)
    assert scores.shape == (201**2, 2)
    assert scores.mean(axis=0) == pytest.approx([0.0, 0.0], abs=1e-12)
    assert scores.std(axis=0) == pytest.approx([1.0, 1.0], abs=0.01)
    low, high = np.quantile(scores[:, 0], (0.05, 0.95))
    assert high == pytest.approx(1.645, abs=0.03)
    assert low == pytest.approx(-1.645, abs=0.03)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Layer(0.0, 1e6, name="sheet"), "sheet: thickness must be a positive"),
        (lambda: Layer(1e-3, 0.0, name="sheet"), "sheet: modulus must be positive"),
        (lambda: Layer(1e-3, 1e6, 0.6), "Poisson ratio must be 0 to 0.5"),
        (lambda: Stack(()), "at least one layer"),
        (lambda: soft_stack().strain(0.0, 0.3e-3), "above the thickness of the stack"),
        (lambda: StrainTransfer(0.0, 1.0), "decay must be positive"),
        (lambda: StrainTransfer(1.0, 0.0), "length must be positive"),
        (lambda: StrainTransfer(1.0, 1.0, 1.5), "plateau must be above 0"),
        (lambda: StrainTransfer(1.0, 1.0)(0.6), "within half its length"),
        (lambda: StrainTransfer(1.0, 1.0).mean(1.5), "at most that of the film"),
        (lambda: exponential(strains=(0.001, 0.002)), "zero must be among"),
        (lambda: exponential(strains=(0.0,)), "two or more"),
        (lambda: LocalResponse(np.array([0.0, 1.0]), np.zeros((1, 3))), "must have shape"),
        (lambda: LocalResponse(np.array([0.0, 1.0]), np.array([[0.0, np.inf]])), "finite"),
    ],
)
def test_bad_values_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()


# --- castings on a part


def castings_with(slope=12.0, n=40, **tolerances):
    """Castings of boxes whose ln R rises with the strain by `slope`."""
    strains = (-0.004, -0.002, 0.0, 0.002, 0.004, 0.006)
    loadings = [
        loading(w, strains=strains, response=lambda e, _: slope * e)
        for w in (0.26, 0.30, 0.34)
    ]
    bench = dataclasses.replace(Tolerances.none(), **tolerances)
    return cast(loadings, 1, bench, n, np.random.SeedSequence(55021))[0]


def test_castings_on_a_part_read_the_strain_that_reaches_them():
    flat = castings_with(contact=0.1)
    half = mount(flat, StrainTransfer(math.inf, 16e-3, 0.5), np.zeros(1))
    assert half.flat is flat
    strains = np.array(flat.visits.strains)
    ratios = half.resistances / half.at_rest[:, None]
    np.testing.assert_allclose(ratios, np.exp(6.0 * strains) * np.ones_like(ratios))
    np.testing.assert_allclose(half.at_rest, flat.at_rest)
    np.testing.assert_allclose(half.log_shift, flat.log_shift, atol=1e-9)
    assert half.gauge_factor_initial == pytest.approx(flat.gauge_factor_initial / 2)


def test_wrapped_castings_shift_their_zero_and_keep_their_slope():
    # exp(s e): the zero moves by the integral over the thickness, the slope stays
    flat = castings_with(contact=0.1)
    m, d = 5e-4, 2e-3
    nodes = m + d * np.polynomial.legendre.leggauss(9)[0]
    wrapped = mount(flat, StrainTransfer(math.inf, 16e-3), nodes)
    shift = np.exp(12.0 * m) * 12.0 * d / np.sinh(12.0 * d)
    np.testing.assert_allclose(wrapped.at_rest / flat.at_rest, shift, rtol=1e-9)
    np.testing.assert_allclose(wrapped.gauge_factors, flat.gauge_factors, rtol=1e-9)
    assert wrapped.resistance_cv == pytest.approx(flat.resistance_cv)


def test_end_zones_reach_the_gauge_factor():
    flat = castings_with()
    film = flat.film.electrode_gap
    transfer = StrainTransfer(2.0 / film, 1.2 * film)
    mounted = mount(flat, transfer, np.zeros(1))
    e = flat.visits.strains[flat.strained_state]
    exact = quad(lambda x: np.exp(12.0 * e * transfer(x)), -film / 2, film / 2)[0] / film
    assert mounted.gauge_factors[0] == pytest.approx((exact - 1) / e, rel=2e-3)


@pytest.mark.parametrize(
    ("layout", "span", "read"),
    [
        (Bars(), 3.0, 3.0),
        # four fingers of 0.5 mm: three gaps and the two fingers between them
        (Fingers(4, 0.5e-3), 10.0, 10.0),
        # sense electrodes 3 mm apart, force electrodes 1 mm outside of them, 0.5 mm long
        (FourTerminal(0.5e-3, 1e-3), 6.0, 3.0),
    ],
)
def test_lengths_of_film_that_a_layout_reads(layout, span, read):
    film = dataclasses.replace(FILM, layout=layout)
    assert 1e3 * electrode_span(film) == pytest.approx(span)
    assert 1e3 * read_length(film) == pytest.approx(read)


def test_castings_that_open_stay_open_beyond():
    flat = castings_with(contact=0.1)
    resistances = flat.resistances.copy()
    resistances[3, 5:] = np.inf  # opens from 6000 microstrain on
    resistances[4] = np.inf
    opened = dataclasses.replace(flat, resistances=resistances)
    wrapped = mount(opened, StrainTransfer(math.inf, 16e-3), np.array([1.5e-3]))
    assert np.isinf(wrapped.resistances[4]).all()
    # 4000 of the part and 1500 of wrapping pass the last strain at which it conducts
    assert np.isinf(wrapped.resistances[3]).tolist() == [False] * 4 + [True, True]
    assert np.isfinite(wrapped.resistances[[0, 1, 2, 5]]).all()
    assert not np.isnan(wrapped.resistances).any()


# --- films on a part


def test_films_on_a_part_read_the_strain_that_reaches_them():
    # ln R rises straight with the strain, by a slope that temperature changes: the zero
    # moves by the integral over the thickness, the rest by the share of the strain that
    # arrives, at both temperatures and for every film; an open film stays open
    strains, kelvins = (-1e-3, 0.0, 1e-3, 2e-3, 0.0, 2e-3), (293.15,) * 4 + (333.15,) * 2
    visits, e = Visits(strains, kelvins), np.array(strains)
    warm = np.array(kelvins) > 300.0
    slopes = np.array([[12.0], [40.0]]) * np.where(warm, 1.5, 1.0)
    level = np.array([[6.0], [7.5]]) + np.where(warm, 0.3, 0.0)
    logs = np.vstack([level + slopes * e, np.full((1, 6), np.inf)])
    m, d = 4e-4, 5e-4
    nodes = m + d * np.polynomial.legendre.leggauss(9)[0]
    found = mounted_logs(logs, visits, FILM, StrainTransfer(math.inf, 16e-3, 0.8), nodes)
    shift = m * slopes + np.log(slopes * d / np.sinh(slopes * d))
    np.testing.assert_allclose(found[:2], level + shift + 0.8 * slopes * e)
    assert np.isinf(found[2]).all()
