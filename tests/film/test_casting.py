from dataclasses import replace

import numpy as np
import pytest
from reference import made_up_boxes
from reference.made_up_boxes import (
    CRITICAL,
    EXACT,
    EXPONENT,
    FILM,
    LENGTHS,
    SHORT,
    loading,
    resistivity,
    volume_fraction,
)
from scipy.integrate import dblquad
from scipy.special import ndtr

from percsim.boxes.growth import GrowthJob, plan_growth
from percsim.boxes.simulate import BoxJob, simulate_box
from percsim.boxes.sources import RecipeParticles
from percsim.film import (
    TOLERANCE_NAMES,
    Bench,
    CastingDraws,
    Film,
    FilmModel,
    LoadingThreshold,
    Tolerances,
    TrialDraws,
    fit_loadings,
    variance_function,
)
from percsim.film.transfer import film_threshold
from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler, Orientation
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.network.build import Network
from percsim.network.laws import ContactOpeningLaw
from percsim.network.solve import solve_network
from percsim.particles.box import Box
from percsim.states.strain import State

SEED = np.random.SeedSequence(90417)
NONE = Tolerances.none()
N = 20000


def cast(loadings, index, tolerances, *, n=N, **of):
    return made_up_boxes.cast(loadings, index, tolerances, n, SEED, **of)[0]


def three(**keywords):
    return [loading(w, **keywords) for w in (0.26, 0.30, 0.34)]


def test_no_tolerance_no_spread():
    castings = cast(three(), 1, NONE, n=50)
    want = resistivity(0.30) * (3e-3 - SHORT) / FILM.section
    np.testing.assert_allclose(castings.at_rest, want, rtol=1e-10)
    assert castings.nominal[0] == pytest.approx(want, rel=1e-10)
    assert castings.open_fraction == 0.0


def test_slopes_follow_the_law_of_the_boxes():
    # ln R = -t ln(phi - phi_c) + const, so differences in x are exact
    castings = cast(three(), 1, NONE, n=10)
    np.testing.assert_allclose(castings.material.slopes[0, 1], -EXPONENT, rtol=1e-9)
    np.testing.assert_allclose(castings.slopes(), -EXPONENT, rtol=1e-3)
    # an end has neighbours on one side alone: their slope, two quiet loadings known to 0.03
    # each, and the published exponent, 2.0 to 0.3, weigh as the inverse of their variance
    end = cast(three(), 2, NONE, n=10)
    step = np.log((volume_fraction(0.34) - CRITICAL) / (volume_fraction(0.30) - CRITICAL))
    own, published = step**2 / (2 * 0.03**2), 0.3**-2
    want = -(EXPONENT * own + 2.0 * published) / (own + published)
    np.testing.assert_allclose(end.slopes(), want, rtol=1e-3)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_loading_error_law(index):
    # CV = t phi/(phi - phi_c) dphi/phi: derivative of (phi - phi_c)^-t, small errors
    error = 0.003
    castings = cast(three(), index, replace(NONE, mixing=error))
    w = (0.26, 0.30, 0.34)[index]
    phi = volume_fraction(w)
    relative = error * (1 - phi) / (1 - w)
    law = EXPONENT * phi / (phi - CRITICAL) * relative
    # ends lean on the published exponent
    within = 4 / np.sqrt(2 * N) + (0.0 if index == 1 else 0.01)
    assert castings.resistance_cv == pytest.approx(law, rel=within)


def test_aspect_ratio_acts_as_a_loading():
    # thin flakes of one diameter: number in a cube of it, and with it every contact and
    # path, goes as phi * aspect ratio, here phi/phi_c (slope -1); Balberg et al., Phys.
    # Rev. B 30, 3933 (1984), excluded volume, from memory
    castings = cast(three(), 1, replace(NONE, aspect_ratio=0.01))
    phi = volume_fraction(0.30)
    law = EXPONENT * phi / (phi - CRITICAL) * 0.01
    assert castings.resistance_cv == pytest.approx(law, rel=4 / np.sqrt(2 * N) + 0.002)
    flat = LoadingThreshold(CRITICAL, 0.0, 0.0)
    still = cast(three(), 1, replace(NONE, aspect_ratio=0.08), threshold=flat)
    assert still.resistance_cv == pytest.approx(0.0, abs=1e-9)


def test_shares_of_log_normal_tolerances():
    # ln R = ... - 0.12 z_contact - 0.08 z_thickness - (0.1/6) z_width, independent normals
    castings = cast(three(), 1, replace(NONE, contact=0.12, thickness=0.08, width=1e-4))
    variances = {"contact": 0.12**2, "thickness": 0.08**2, "width": (0.1 / 6) ** 2}
    total = sum(variances.values())
    assert set(castings.shares) == set(TOLERANCE_NAMES)
    assert sum(castings.shares.values()) == pytest.approx(1.0)
    for name in TOLERANCE_NAMES:
        want = variances.get(name, 0.0) / total
        assert castings.shares[name] == pytest.approx(want, rel=1e-6)
    cv = np.sqrt(np.expm1(total))
    assert castings.resistance_cv == pytest.approx(cv, rel=4 / np.sqrt(2 * N))


def test_sizes_enter_exactly():
    castings = cast(three(), 1, replace(NONE, gap=3e-4, width=2e-4, thickness=0.1), n=200)
    f = castings.factors()
    want = (
        resistivity(0.30)
        * (3e-3 * f["gap"] - SHORT)
        / (6e-3 * f["width"] * 0.2e-3 * f["thickness"])
    )
    np.testing.assert_allclose(castings.at_rest, want, rtol=1e-10)
    assert f["gap"].std() == pytest.approx(0.1, rel=0.2)
    assert (f["mixing"] == 1.0).all()


def test_better_contacts_lower_the_resistance():
    # conductances of all contacts up by exp(z): R down by just that
    castings = cast(three(), 1, replace(NONE, contact=0.12), n=200)
    want = castings.nominal[0] / castings.factors()["contact"]
    np.testing.assert_allclose(castings.at_rest, want, rtol=1e-10)


def test_open_fraction_of_a_log_normal_loading():
    # open when ln phi + kappa tau z <= ln phi_c
    w, tolerance = 0.185, 0.05
    phi = volume_fraction(w)
    kappa = (1 - phi) / (1 - w)
    want = ndtr(-np.log(phi / CRITICAL) / (kappa * tolerance))
    castings = cast([loading(0.185), *three()], 0, replace(NONE, mixing=tolerance))
    assert 0.02 < want < 0.4
    assert castings.open_fraction == pytest.approx(
        want, abs=4 * np.sqrt(want * (1 - want) / N)
    )
    assert np.isinf(castings.at_rest).mean() == castings.open_fraction


def test_below_the_threshold_the_film_is_open_whatever_its_boxes_do():
    below = loading(0.165)
    conducting = replace(below, conductances=loading(0.18).conductances)
    castings = cast([conducting, *three()], 0, replace(NONE, mixing=0.02), n=400)
    assert np.isinf(castings.nominal).all()
    assert 0.8 < castings.open_fraction < 1.0
    assert castings.resistance_cv == np.inf
    assert set(castings.shares.values()) == {0.0}
    assert castings.gauge_factor_initial == 0.0
    assert np.isinf(castings.response()["median"]).all()
    # the few castings above the threshold follow the law from the loadings above, whose
    # end leans on the published exponent of 2
    slope = castings.material.slopes[0, 0, 0]
    assert -1.03 * EXPONENT < slope < -EXPONENT
    keep = np.isfinite(castings.at_rest)
    kappa = conducting.log_slope
    phi = conducting.volume_fraction * castings.factors()["mixing"][keep] ** kappa
    want = (
        resistivity(0.26)
        * ((phi - CRITICAL) / (volume_fraction(0.26) - CRITICAL)) ** slope
        * (3e-3 - SHORT)
        / FILM.section
    )
    assert keep.sum() > 5
    np.testing.assert_allclose(castings.at_rest[keep], want, rtol=1e-8)


def test_chains_scatter_as_the_root_of_the_volumes():
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    boxes = [loading(w, seed=17, box_spread=0.2, n_boxes=400) for w in (0.28, 0.30)]
    castings, fits = made_up_boxes.cast(boxes, 1, NONE, N, SEED, film=small)
    ratio = LENGTHS[-1] ** 3 / (0.1e-3 * 0.4e-3 * 0.5e-3)
    assert castings.resistance_cv == pytest.approx(
        fits[1].box_cv * np.sqrt(ratio), rel=4 / np.sqrt(2 * N)
    )
    assert fits[1].box_cv == pytest.approx(0.2, rel=4 / np.sqrt(800) + 0.02)
    assert castings.shares["chains"] == 1.0


def test_chains_keep_the_correlation_between_states():
    # every box has the same R/R0, so chains scatter R and leave the gauge factor alone
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    castings = cast(
        [loading(w, seed=17, box_spread=0.2) for w in (0.28, 0.30)], 1, NONE, film=small
    )
    assert castings.resistance_cv > 0.05
    assert castings.gauge_factor_cv == pytest.approx(0.0, abs=1e-6)


def test_loadings_too_close_fall_back_on_the_published_exponent():
    castings = cast([loading(0.30)], 0, replace(NONE, mixing=0.003))
    np.testing.assert_allclose(castings.slopes(), -2.0, rtol=1e-5)
    # noisy boxes at 29.9 and 30.1 wt%: the slope at 30 wt% still comes from 26 and 34 wt%
    weights = (0.26, 0.299, 0.30, 0.301, 0.34)
    boxes = [loading(w, seed=71 + k, box_spread=0.3) for k, w in enumerate(weights)]

    def slopes(loadings, index):
        fits = fit_loadings(loadings, EXACT, resamples=20, seed=SEED)
        return FilmModel.of(fits, EXACT).material({}).slopes[0, index]

    alone = slopes([boxes[0], boxes[2], boxes[4]], 1)
    np.testing.assert_allclose(slopes(boxes, 2), alone, rtol=1e-12)
    assert (slopes(boxes[1:4], 1) == -2.0).all()


def test_gauge_factors():
    def bent(e, T):
        return 12.0 * e + 900.0 * e**2

    castings = cast(three(response=bent), 1, replace(Tolerances(), response=0.0), n=300)
    chord = np.expm1(bent(3e-3, 0)) / 3e-3
    np.testing.assert_allclose(castings.gauge_factors, chord, rtol=1e-8)
    # a parabola in ln R: the second-order one-sided difference is exact
    assert castings.gauge_factor_initial == pytest.approx(12.0, rel=1e-8)


def test_gauge_factor_initial_with_uneven_points():
    def bent(e, T):
        return 12.0 * e + 900.0 * e**2

    strains = (-1e-3, 0.0, 0.5e-3, 3e-3)
    castings = cast(three(response=bent, strains=strains), 1, NONE, n=10)
    assert castings.gauge_factor_initial == pytest.approx(12.0, rel=1e-8)
    assert castings.response()["strain"] == list(strains)


def test_temperature_response():
    states = [(0.0, 273.15), (0.0, 293.15), (3e-3, 293.15), (0.0, 313.15), (3e-3, 313.15)]

    def warm(e, T):
        return 15.0 * e + 2e-3 * (T - 293.15)

    castings = cast(
        three(
            strains=tuple(s for s, _ in states),
            temperatures=tuple(T for _, T in states),
            response=warm,
        ),
        1, Tolerances(), n=200,
    )  # fmt: skip
    rows = castings.temperature_response()
    assert rows["temperature_K"] == [273.15, 293.15, 313.15]
    np.testing.assert_allclose(rows["median"], np.exp([-0.04, 0.0, 0.04]), rtol=1e-8)
    assert castings.response()["strain"] == [0.0, 3e-3]
    assert castings.gauge_factor_initial == pytest.approx(15.0, rel=1e-8)


def test_castings_that_open_under_strain():
    loadings = three()
    for item in loadings:
        for g in item.conductances:
            g[:, 3] = 0.0
    castings = cast(loadings, 1, NONE, n=20)
    assert np.isfinite(castings.at_rest).all()
    assert np.isinf(castings.gauge_factors).all()
    assert np.isinf(castings.response()["median"][-1])
    assert castings.gauge_factor_initial == pytest.approx(15.0, rel=1e-8)


def test_casting_k_draws_the_same_everywhere():
    few, many = CastingDraws.draw(100, 5, SEED), CastingDraws.draw(400, 9, SEED)
    np.testing.assert_array_equal(few.tolerances, many.tolerances[:100])
    np.testing.assert_array_equal(few.chains, many.chains[:100, :5])
    a = cast(three(), 0, Tolerances(), n=100)
    b = cast(three(), 2, Tolerances(), film=replace(FILM, electrode_gap=5e-3), n=100)
    np.testing.assert_array_equal(a.factors()["contact"], b.factors()["contact"])


def test_draws_are_independent_standard_normal():
    draws = CastingDraws.draw(N, 4, SEED)
    z = np.column_stack([draws.tolerances, draws.chains])
    assert np.abs(z.mean(axis=0)).max() < 4 / np.sqrt(N)
    assert np.abs(z.std(axis=0) - 1).max() < 4 / np.sqrt(2 * N)
    off = np.corrcoef(z.T) - np.eye(z.shape[1])
    assert np.abs(off).max() < 4 / np.sqrt(N)


def test_drop_cast_films_scatter_more_in_thickness():
    assert Tolerances().thickness_of(FILM) == 0.08
    assert Tolerances().thickness_of(replace(FILM, drop_cast=True)) == 0.20
    assert Tolerances(thickness=0.05).thickness_of(replace(FILM, drop_cast=True)) == 0.05


def test_another_threshold_acts_as_a_loading_lower_by_it():
    # at 1.2 times the threshold, films read as those of phi/1.2 by the boxes' own law
    moved = cast(three(), 2, NONE, n=5, centre={"threshold": 1.2, "g0": 2.0})
    phi = volume_fraction(0.34) / 1.2
    assert volume_fraction(0.26) < phi < volume_fraction(0.34)
    rho = resistivity(0.30) * ((phi - CRITICAL) / (volume_fraction(0.30) - CRITICAL)) ** -(
        EXPONENT
    )
    # contacts that conduct twice as well halve R
    want = 0.5 * rho * (3e-3 - SHORT) / FILM.section
    assert moved.nominal[0] == pytest.approx(want, rel=0.01)
    np.testing.assert_allclose(moved.at_rest, moved.nominal[0], rtol=1e-12)
    assert moved.threshold_ratio == pytest.approx(phi / CRITICAL)


@pytest.mark.parametrize("name", ["weighing", "gap", "contact", "thickness"])
def test_bad_tolerances_are_refused(name):
    with pytest.raises(ValueError, match=f"tolerance {name} must be 0 or more"):
        Tolerances(**{name: -0.1})


def test_too_few_draws_are_refused():
    with pytest.raises(ValueError, match="1 or more"):
        CastingDraws.draw(0, 1, SEED)


def test_gauge_factor_initial_by_hand():
    # ln R 0, 0.02, 0.03, 0.06: steps rise at 20, 10, 30 at 0.5, 1.5, 2.5 e-3; the line
    # closest to them starts at 20 - 1.5 x 5 = 12.5
    heights = {0.0: 0.0, 1e-3: 0.02, 2e-3: 0.03, 3e-3: 0.06}
    castings = cast(three(response=lambda e, T: heights[e]), 1, NONE, n=10)
    assert castings.gauge_factor_initial == pytest.approx(12.5, rel=1e-8)
    # uneven steps count by their length: 20, 15, 40 at 0.5, 2, 3.5 e-3, lengths 1, 2, 1:
    # mean 22.5 at 2e-3, bend 30/4.5 per 1e-3, so 22.5 - 2 x 30/4.5 at zero
    uneven = {0.0: 0.0, 1e-3: 0.02, 3e-3: 0.05, 4e-3: 0.09}
    strains = tuple(uneven)
    castings = cast(three(response=lambda e, T: uneven[e], strains=strains), 1, NONE, n=10)
    assert castings.gauge_factor_initial == pytest.approx(22.5 - 60 / 4.5, rel=1e-8)


def test_gauge_factor_initial_in_compression():
    strains = (-3e-3, -2e-3, -1e-3, 0.0)
    castings = cast(
        three(response=lambda e, T: 12.0 * e + 900.0 * e**2, strains=strains), 1, NONE, n=10
    )
    assert castings.gauge_factor_initial == pytest.approx(12.0, rel=1e-8)
    assert castings.visits.strains[castings.strained_state] == -3e-3


def test_gauge_factor_errors_are_those_of_the_resampled_boxes():
    quiet = cast(three(), 1, NONE, n=10)
    np.testing.assert_allclose(quiet.gauge_factor_errors, 0.0, atol=1e-6)
    loadings = three()
    rng = np.random.default_rng(8123)
    for item in loadings:
        for g in item.conductances:
            g[:, 3] *= np.exp(0.03 * rng.standard_normal(len(g)))
    noisy = cast(loadings, 1, NONE, n=10, resamples=400)
    chord, initial = noisy.gauge_factor_errors
    # three lengths of 24 boxes share the scatter, itself known to 1/sqrt(2 x 69), and a
    # quarter of a diameter of about 12 is not known of
    best = 0.03 / np.sqrt(72) * np.exp(0.045) / 3e-3
    assert 0.75 * best < chord < 1.5 * best
    assert initial > 0.0
    assert loadings[0].reference_state == 0
    # the last point of R/R0 carries the error of the chord, rest none at all
    response = noisy.response()
    assert response["standard_error"][0] == 0.0
    assert response["standard_error"][-1] == pytest.approx(chord * 3e-3, rel=1e-9)


def test_gauge_factor_errors_of_open_films():
    loadings = three()
    for item in loadings:
        for g in item.conductances:
            g[:, 3] = 0.0
    castings = cast(loadings, 1, NONE, n=10)
    assert castings.gauge_factor_errors == (np.inf, np.inf)
    np.testing.assert_array_equal(
        np.isinf(castings.response()["standard_error"]), [False, False, False, True]
    )


# --- unevenness inside a film, lots of powder, electrodes askew


def test_variance_function_of_vanmarcke():
    # Random Fields (1983), ch. 5: limits of the exponential correlation, scale 2 a; the
    # double integral of exp(-|x - y|/a) over a square of side T, done by quadrature
    assert variance_function([1e-9], 1.0) == pytest.approx(1.0, abs=1e-9)
    assert variance_function([1e3], 1.0) == pytest.approx(2.0 / 1e3, rel=2e-3)
    want, _ = dblquad(lambda y, x: np.exp(-abs(x - y) / 0.7), 0.0, 1.5, 0.0, 1.5)
    assert variance_function([1.5], 0.7) == pytest.approx(want / 1.5**2, rel=1e-5)
    parts = [variance_function([s], 1e-3) for s in (3e-3, 6e-3, 0.2e-3)]
    assert variance_function([3e-3, 6e-3, 0.2e-3], 1e-3) == pytest.approx(np.prod(parts))
    either_side = [variance_function([u], 1.0) for u in (0.999e-3, 1.001e-3)]
    assert either_side[0] - either_side[1] == pytest.approx(2e-6 / 3, rel=1e-3)


def random_fields(shape, lengths, rng):
    """Gaussian fields exp(-|x|/a - |y|/a) on a grid, a in cells: products of AR(1)."""
    field = rng.standard_normal(shape)
    for axis, a in enumerate(lengths, start=1):
        field = np.moveaxis(field, axis, 0)
        r = np.exp(-1.0 / a)
        for k in range(1, len(field)):
            field[k] = r * field[k - 1] + np.sqrt(1.0 - r * r) * field[k]
        field = np.moveaxis(field, 0, axis)
    return field


def test_film_means_of_random_fields_scatter_as_said():
    # 800 fields of 60 x 40 cells with a correlation length of 8 cells
    fields = random_fields((800, 60, 40), (8, 8), np.random.default_rng(60113))
    got = fields.mean(axis=(1, 2)).var()
    assert got == pytest.approx(variance_function([60, 40], 8), rel=4 * np.sqrt(2 / 800))


def test_uneven_mixing_shifts_and_scatters_as_resistor_sheets():
    # sheets of cells with their own loading between two bars, solved as networks: mean and
    # spread of ln R against what a casting of the same unevenness is said to have
    n, nx, ny, a, tau = 60, 24, 24, 3.0, 0.06
    film = Film(thickness=1e-6, width=ny * 0.1e-3, electrode_gap=nx * 0.1e-3)
    fields = random_fields((n, nx, ny), (a, a), np.random.default_rng(77120))
    phi = volume_fraction(0.30)
    kappa = (1 - phi) / (1 - 0.30)
    local = phi * np.exp(kappa * tau * fields)
    nodes = 1 + np.arange(nx * ny).reshape(nx, ny)
    pairs = np.vstack([
        np.column_stack([nodes[:-1].ravel(), nodes[1:].ravel()]),
        np.column_stack([nodes[:, :-1].ravel(), nodes[:, 1:].ravel()]),
        np.column_stack([np.zeros(ny, int), nodes[0]]),
        np.column_stack([nodes[-1], np.full(ny, nx * ny + 1)]),
    ])  # fmt: skip

    def resistance(sheet):
        along = 2.0 / (1.0 / sheet[:-1] + 1.0 / sheet[1:])
        across = 2.0 / (1.0 / sheet[:, :-1] + 1.0 / sheet[:, 1:])
        bars = 2.0 * sheet[[0, -1]]
        g = np.concatenate([along.ravel(), across.ravel(), bars.ravel()])
        return solve_network(Network(nx * ny + 2, pairs, g, 0, nx * ny + 1)).resistance

    sheets = ((local - CRITICAL) / (phi - CRITICAL)) ** EXPONENT
    assert resistance(np.ones((nx, ny))) == pytest.approx(nx / ny)
    logs = [np.log(resistance(sheet) * ny / nx) for sheet in sheets]
    logs = np.array(logs)
    tol = replace(NONE, mixing_within=tau, mixing_length=a * 0.1e-3)
    castings = cast(three(), 1, tol, film=film, n=4000)
    said = np.log(castings.at_rest / castings.nominal[0])
    error = logs.std(ddof=1) / np.sqrt(n)
    assert logs.std(ddof=1) == pytest.approx(said.std(), rel=4 / np.sqrt(2 * n))
    assert logs.mean() == pytest.approx(said.mean(), abs=4 * error)
    # what varies inside is what the film's mean does not take away
    slope, ratio = np.array(-EXPONENT * phi / (phi - CRITICAL)), np.array(phi / CRITICAL)
    whole, none = (
        Bench(replace(tol, mixing_length=a)).unevenness(film, kappa, slope, ratio)
        for a in (tol.mixing_length, 1.0)
    )
    assert none == pytest.approx(0.0, abs=2e-5)
    # ln R is convex in the loading, and in a sheet that is all
    assert whole > 0.0
    # and the shift is there: without it the two would be this far apart
    plain = cast(
        three(), 1, replace(NONE, mixing=tol.mean_loading(film)), film=film, n=4000
    )
    assert abs(np.log(plain.at_rest / plain.nominal[0]).mean() - said.mean()) > 0.005


def test_no_unevenness_is_no_shift():
    tiny = cast(three(), 1, replace(NONE, mixing_within=0.03, mixing_length=1.0), n=2000)
    same = cast(three(), 1, replace(NONE, mixing=0.03), n=2000)
    # kept together over a metre, it is a difference between castings and nothing else
    assert tiny.resistance_cv == pytest.approx(same.resistance_cv, rel=4 / np.sqrt(4000))
    log_mean = [np.log(c.at_rest).mean() for c in (tiny, same)]
    assert log_mean[0] == pytest.approx(log_mean[1], abs=4 * same.resistance_cv / 31)


def test_larger_films_average_unevenness():
    tol = replace(NONE, mixing_within=0.03)
    small = cast(three(), 1, tol, n=4000)
    large = cast(
        three(), 1, tol, n=4000, film=replace(FILM, electrode_gap=30e-3, width=60e-3)
    )
    assert large.resistance_cv < 0.4 * small.resistance_cv


def test_skewed_electrodes_against_a_finite_sheet():
    # gap 1 mm at one end and 2 mm at the other along 4 mm: the sector of a ring between two
    # radial bars, whose R is rho alpha/(t ln(r2/r1)) (any text on conformal maps); as a
    # ladder of 1000 thin strips in parallel for a small angle
    gaps = np.linspace(1e-3, 2e-3, 1001)
    middle = 0.5 * (gaps[1:] + gaps[:-1])
    strips = 1.0 / np.mean(1.0 / middle)
    film = replace(FILM, electrode_gap=1.5e-3)
    castings = cast(three(), 1, replace(NONE, skew=1e-4), film=film, n=4)
    z = np.log(2.0) / (1e-4 / 1.5e-3)
    draws = castings.draws.tolerances.copy()
    draws[:, TOLERANCE_NAMES.index("skew")] = z
    moved = castings.read(CastingDraws(draws, castings.draws.chains))[0]
    ratio = np.exp(moved) / castings.nominal[0]
    np.testing.assert_allclose(ratio, strips / 1.5e-3, rtol=1e-6)


def test_a_lot_of_larger_particles():
    # lengths scale at the same conductance of a contact: rho as the size, and the length
    # that electrodes short as the size too
    castings = cast(three(), 1, replace(NONE, particle_size=0.05), n=200)
    size = castings.factors()["particle_size"]
    want = resistivity(0.30) * size * (3e-3 - SHORT * size) / FILM.section
    np.testing.assert_allclose(castings.at_rest, want, rtol=1e-10)


def test_contacts_that_open_further_read_a_larger_strain():
    castings = cast(three(), 1, replace(NONE, response=0.05), n=500)
    factor = castings.factors()["response"]
    # made-up boxes: ln R = 15 e, so r times the opening is 15 r e
    np.testing.assert_allclose(castings.resistances[:, 3], castings.at_rest * np.exp(
        15 * 3e-3 * factor), rtol=1e-9)  # fmt: skip
    np.testing.assert_allclose(castings.at_rest, castings.nominal[0], rtol=1e-12)


def flakes(aspect_ratio):
    """Recipe of equal flakes of 10 um."""
    filler = Filler(
        kind="flake",
        density=2250.0,
        size=SizeDistribution(10e-6, 0.0),
        aspect_ratio=aspect_ratio,
        orientation=Orientation("isotropic"),
        name="flake",
    )
    return Recipe(((filler, 0.3),), Elastomer(density=1030.0, mix_ratio=7.0))


def threshold_of(recipe, seed):
    """Volume fraction at which it percolates, grown twenty times."""
    grown = plan_growth(RecipeParticles(recipe), rng=np.random.default_rng(seed))
    numbers = [GrowthJob("own", grown, first, 10).run().numbers for first in (0, 10)]
    return grown.estimate(np.vstack(numbers)).volume_fraction


def test_a_lot_of_another_aspect_ratio_in_real_boxes():
    """R follows phi/phi_c: boxes of thinner flakes, same loading and diameter."""
    law = ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6)
    box = Box((12e-5,) * 3, (False, True, True))
    phi = 0.19
    # the same draws for both, so that the difference is not noise
    critical = [threshold_of(flakes(ratio), 60161).value for ratio in (14.0, 16.0)]
    logs = []
    for ratio in (14.0, 16.0):
        recipe = flakes(ratio).at_volume_fraction(phi)
        jobs = [BoxJob(5519, k, recipe, box, law, (State(),)) for k in range(16)]
        logs.append([-np.log(simulate_box(job).conductances[0]) for job in jobs])
    found = np.subtract(logs[1], logs[0])
    # exponent 2.0: 3-D, Stauffer & Aharony, Introduction to Percolation Theory, 1992, from
    # memory; under phi - phi_c alone R would fall by half as much
    thick, thin = (np.log(phi / c - 1.0) for c in critical)
    want, shift_alone = (
        2.0 * (thick - thin),
        2.0 * np.log((phi - critical[0]) / (phi - critical[1])),
    )
    error = found.std(ddof=1) / 4.0
    assert found.mean() == pytest.approx(want, abs=4.0 * error + 0.15 * abs(want))
    assert abs(found.mean() - shift_alone) > 4.0 * error + 0.15 * abs(want)


def test_the_loading_error_law_of_real_boxes():
    """CV(R) = t phi/(phi - phi_c) dphi/phi at twice the threshold, within 15 %.

    With t = 2.0 (3-D, Stauffer & Aharony, Introduction to Percolation Theory, 1992, from
    memory); threshold and boxes of flakes of aspect ratio 15 are simulated here.
    """
    recipe = flakes(15.0)
    critical = threshold_of(recipe, 41177)
    lengths = (8e-5, 14e-5)
    law = ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6)
    loadings = []
    for times in (1.8, 2.0, 2.2):
        mixed = recipe.at_volume_fraction(times * critical.value)
        conductances = []
        for length in lengths:
            box = Box((length,) * 3, (False, True, True))
            jobs = [BoxJob(31109, k, mixed, box, law, (State(),)) for k in range(16)]
            rows = [simulate_box(job).conductances for job in jobs]
            conductances.append(np.array(rows))
        loadings.append(
            replace(
                loading(0.3, lengths=lengths, strains=(0.0,)),
                weight_fraction=mixed.weight_fraction,
                volume_fraction=mixed.volume_fraction,
                conductances=tuple(conductances),
                log_slope=1.0,
            )
        )
    threshold = LoadingThreshold(critical.value, critical.standard_error, -1.0)
    tol = replace(NONE, mixing=0.02)
    castings = cast(loadings, 1, tol, threshold=threshold)
    want = 2.0 * 2.0 / (2.0 - 1.0) * 0.02
    chains = castings.read(castings.draws.without(["mixing"]))[0].std()
    assert chains < 0.1 * want
    assert castings.resistance_cv == pytest.approx(want, rel=0.15)


def test_real_boxes_scatter_as_the_root_of_their_volume():
    """CV ~ volume^-1/2 at twice the threshold: independent parts, whose variances add.

    Boxes of edges of 5 and 10 diameters, 1/8 of the volume and the whole.
    """
    recipe = flakes(5.0)
    mixed = recipe.at_volume_fraction(2.0 * threshold_of(recipe, 41177).value)
    law = ContactOpeningLaw(8e-5, 100.0, 0.01, 0.0, 8e-5, 10e-6)
    spreads, numbers = [], (400, 200)
    for length, n in zip((5e-5, 10e-5), numbers, strict=True):
        box = Box((length,) * 3, (False, True, True))
        jobs = [BoxJob(20261, k, mixed, box, law, (State(),)) for k in range(n)]
        logs = [np.log(simulate_box(job).conductances[0]) for job in jobs]
        spreads.append(np.std(logs, ddof=1))
    exponent = np.log(spreads[1] / spreads[0]) / np.log(8.0)
    error = np.sqrt(sum(0.5 / n for n in numbers)) / np.log(8.0)
    assert exponent == pytest.approx(-0.5, abs=4.0 * error)
    assert 4.0 * error < 0.12


def test_tilt_moves_the_threshold_where_its_slope_is_known():
    threshold = LoadingThreshold(CRITICAL, 0.0, -1.0, tilt_slope=-2.0)
    tol = replace(NONE, tilt=np.radians(0.5))
    castings = cast(three(), 1, tol, threshold=threshold)
    phi = volume_fraction(0.30)
    law = EXPONENT * phi / (phi - CRITICAL) * 2.0 * np.radians(0.5)
    assert castings.resistance_cv == pytest.approx(law, rel=4 / np.sqrt(2 * N) + 0.002)
    # flatter particles, negative tilt: a higher threshold and a higher R
    moved = castings.factors()["tilt"]
    assert np.corrcoef(moved, castings.at_rest)[0, 1] > 0.99
    assert cast(three(), 1, tol).resistance_cv == pytest.approx(0.0, abs=1e-9)
    assert film_threshold(threshold, 0.1).tilt_slope == -2.0


# --- trials


def test_trials_add_the_noise_they_say():
    tol = replace(NONE, instrument=0.002, strain_setting=5e-5)
    castings = cast(three(), 1, tol, n=10)
    draws = CastingDraws.draw(N, 4, SEED)
    logs, gauge = castings.read(draws, TrialDraws.draw(N, 4, SEED))
    # ln R = 15 e in the made-up boxes: instrument and strain in quadrature
    want = np.hypot(0.002, 15 * 5e-5)
    assert logs.std() == pytest.approx(want, rel=4 / np.sqrt(2 * N))
    # two readings, each with both, over 3000 microstrain
    of_gauge = np.exp(0.045) * np.sqrt(2) * want / 3e-3
    assert gauge.std() == pytest.approx(of_gauge, rel=0.02 + 4 / np.sqrt(2 * N))
    plain, still = castings.read(draws)
    assert np.ptp(plain) < 1e-9
    assert np.ptp(still) < 1e-6


def test_contacts_closing_anew_keep_the_spread_of_chains():
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    tol = replace(NONE, contact_redraw=0.25)
    castings = cast(
        [loading(w, seed=17, box_spread=0.2) for w in (0.28, 0.30)], 1, tol, film=small, n=N
    )
    first, second = (
        castings.read(castings.draws, TrialDraws.draw(N, 4, np.random.SeedSequence(k)))[0]
        for k in (1, 2)
    )
    alone = castings.read(castings.draws)[0].std()
    assert first.std() == pytest.approx(alone, rel=4 / np.sqrt(N))
    # two trials on one casting share three quarters of the variance
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(
        0.75, abs=4 * 0.44 / np.sqrt(N)
    )


def test_old_columns_keep_their_draws_whatever_is_added():
    # first castings of the first and last of the tolerances there were at the start,
    # drawn by hand from the seeds that their places name
    draws = CastingDraws.draw(5, 2, SEED)
    for place in (0, 6):
        child = np.random.SeedSequence(SEED.entropy, spawn_key=(0, place))
        want = np.random.default_rng(child).standard_normal(5)
        np.testing.assert_array_equal(draws.tolerances[:, place], want)
    assert TOLERANCE_NAMES[0] == "weighing"
    assert TOLERANCE_NAMES[6] == "aspect_ratio"


def test_bad_trial_settings_are_refused():
    with pytest.raises(ValueError, match="contact_redraw is a share of contacts"):
        Tolerances(contact_redraw=1.5)
    with pytest.raises(ValueError, match="mixing_length must be a positive length"):
        Tolerances(mixing_length=0.0)
