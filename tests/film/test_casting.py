from dataclasses import replace

import numpy as np
import pytest
from reference.made_up_boxes import (
    CRITICAL,
    EXPONENT,
    FILM,
    LENGTHS,
    SHORT,
    THRESHOLD,
    loading,
    resistivity,
    volume_fraction,
)
from scipy.special import ndtr

from percsim.film import (
    TOLERANCE_NAMES,
    CastingDraws,
    Film,
    LoadingThreshold,
    Tolerances,
    cast_films,
    fit_loadings,
)

SEED = np.random.SeedSequence(90417)
NONE = Tolerances.none()
N = 20000
EXACT = LoadingThreshold(CRITICAL, 0.0, -1.0)


def cast(loadings, index, tolerances, *, film=FILM, n=N, threshold=EXACT, boxes=24):
    fits = fit_loadings(loadings, threshold, resamples=20, seed=SEED)
    draws = CastingDraws.draw(n, boxes, SEED)
    return cast_films(fits, index, film, threshold, tolerances, draws)


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
    np.testing.assert_allclose(castings.slopes, -EXPONENT, rtol=1e-9)
    end = cast(three(), 2, NONE, n=10)
    np.testing.assert_allclose(end.slopes, -EXPONENT, rtol=1e-9)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_loading_error_law(index):
    # CV = t phi/(phi - phi_c) dphi/phi: derivative of (phi - phi_c)^-t, small errors
    error = 0.003
    castings = cast(three(), index, replace(NONE, mixing=error))
    w = (0.26, 0.30, 0.34)[index]
    phi = volume_fraction(w)
    relative = error * (1 - phi) / (1 - w)
    law = EXPONENT * phi / (phi - CRITICAL) * relative
    assert castings.resistance_cv == pytest.approx(law, rel=4 / np.sqrt(2 * N))


def test_aspect_ratio_moves_the_threshold_only():
    castings = cast(three(), 1, replace(NONE, aspect_ratio=0.01))
    phi = volume_fraction(0.30)
    law = EXPONENT * CRITICAL / (phi - CRITICAL) * 0.01
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
        # each variance is known to sqrt(2/N), the sum too
        assert castings.shares[name] == pytest.approx(want, abs=4 * want * np.sqrt(4 / N))
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
    # the few castings above the threshold follow the law from the loadings above
    keep = np.isfinite(castings.at_rest)
    kappa = conducting.log_slope
    phi = conducting.volume_fraction * castings.factors()["mixing"][keep] ** kappa
    want = (
        resistivity(0.26)
        * ((phi - CRITICAL) / (volume_fraction(0.26) - CRITICAL)) ** -EXPONENT
        * (3e-3 - SHORT)
        / FILM.section
    )
    assert keep.sum() > 5
    np.testing.assert_allclose(castings.at_rest[keep], want, rtol=1e-8)


def test_chains_scatter_as_the_root_of_the_volumes():
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    castings = cast(
        [loading(w, seed=17, box_spread=0.2, n_boxes=400) for w in (0.28, 0.30)],
        1, NONE, film=small, boxes=400,
    )  # fmt: skip
    ratio = LENGTHS[-1] ** 3 / (0.1e-3 * 0.4e-3 * 0.5e-3)
    assert castings.resistance_cv == pytest.approx(
        castings.fit.box_cv * np.sqrt(ratio), rel=4 / np.sqrt(2 * N)
    )
    assert castings.fit.box_cv == pytest.approx(0.2, rel=4 / np.sqrt(800) + 0.02)
    assert castings.shares["chains"] == 1.0


def test_chains_keep_the_correlation_between_states():
    # every box has the same R/R0, so chains scatter R and leave the gauge factor alone
    small = Film(thickness=0.1e-3, width=0.4e-3, electrode_gap=0.5e-3)
    castings = cast(
        [loading(w, seed=17, box_spread=0.2) for w in (0.28, 0.30)], 1, NONE, film=small
    )
    assert castings.resistance_cv > 0.05
    assert castings.gauge_factor_cv == pytest.approx(0.0, abs=1e-9)


def test_one_loading_falls_back_on_the_published_exponent():
    castings = cast([loading(0.30)], 0, replace(NONE, mixing=0.003))
    np.testing.assert_array_equal(castings.slopes, -2.0)
    assert "published exponent 2" in castings.slope_note
    assert cast(three(), 1, NONE, n=10).slope_note == ""


def test_gauge_factors():
    def bent(e, T):
        return 12.0 * e + 900.0 * e**2

    castings = cast(three(response=bent), 1, Tolerances(), n=300)
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


def test_threshold_error_reaches_the_resamples():
    fits = fit_loadings(three(), THRESHOLD, resamples=20, seed=SEED)
    draws = CastingDraws.draw(100, 24, SEED)
    z = np.linspace(-2, 2, 20)
    uncertain = LoadingThreshold(CRITICAL, 0.05 * CRITICAL, -1.0)
    moved = cast_films(fits, 1, FILM, uncertain, Tolerances(), draws, z)
    np.testing.assert_allclose(moved.replicate_thresholds, CRITICAL * np.exp(0.05 * z))
    still = cast_films(fits, 1, FILM, uncertain, Tolerances(), draws)
    np.testing.assert_allclose(still.replicate_thresholds, CRITICAL)
    # resamples of equal boxes at the plain threshold are the castings again
    for again in still.replicates([0, 3]):
        np.testing.assert_allclose(again, still.resistances[:, [0, 3]], rtol=1e-9)


@pytest.mark.parametrize("name", ["weighing", "gap", "contact", "thickness"])
def test_bad_tolerances_are_refused(name):
    with pytest.raises(ValueError, match=f"tolerance {name} must be 0 or more"):
        Tolerances(**{name: -0.1})


def test_too_few_draws_are_refused():
    with pytest.raises(ValueError, match="draws for 24 boxes"):
        cast(three(), 1, NONE, n=10, boxes=3)
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
    assert castings.fit.loading.strains[castings.strained_state] == -3e-3


def test_gauge_factor_errors_are_those_of_the_resampled_boxes():
    quiet = cast(three(), 1, NONE, n=10)
    np.testing.assert_allclose(quiet.gauge_factor_errors, 0.0, atol=1e-6)
    loadings = three()
    rng = np.random.default_rng(8123)
    for item in loadings:
        for g in item.conductances:
            g[:, 3] *= np.exp(0.03 * rng.standard_normal(len(g)))
    fits = fit_loadings(loadings, EXACT, resamples=400, seed=SEED)
    noisy = cast_films(fits, 1, FILM, EXACT, NONE, CastingDraws.draw(10, 24, SEED))
    chord, initial = noisy.gauge_factor_errors
    # three lengths of 24 boxes share the scatter; electrodes may take part of each length
    best = 0.03 / np.sqrt(72) * np.exp(0.045) / 3e-3
    assert 0.9 * best < chord < 3.0 * best
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


def test_loadings_explored_close_by_do_not_change_the_spread():
    # noisy boxes at 29.9 and 30.1 wt%: the slope at 30 wt% still comes from 26 and 34 wt%
    far = [
        loading(w, seed=71 + k, box_spread=0.3) for k, w in enumerate((0.26, 0.30, 0.34))
    ]
    close = [
        far[0],
        loading(0.299, seed=81, box_spread=0.3),
        far[1],
        loading(0.301, seed=82, box_spread=0.3),
        far[2],
    ]
    alone = cast(far, 1, Tolerances())
    crowded = cast(close, 2, Tolerances())
    np.testing.assert_allclose(crowded.slopes, alone.slopes, rtol=1e-12)
    only_close = cast(close[1:4], 1, Tolerances())
    assert "published exponent 2" in only_close.slope_note
    assert "5 % away" in only_close.slope_note
