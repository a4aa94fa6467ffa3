from dataclasses import replace

import numpy as np
import pytest
from reference.made_up_boxes import THRESHOLD, loading

from percsim.film import Film, Fingers, FourTerminal, fit_loadings
from percsim.film.block_films import cast_lattice, random_field
from percsim.film.blocks import Blocks
from percsim.film.medium import weighted_medium

PHI_C, D = 0.08, 1e-5
LENGTH = 20 * D


def made_up(
    n=40, spread=0.2, exponent=2.0, loadings=(0.12, 0.16, 0.2), seed=41113, slope=20.0
):
    """Boxes whose conductivity is a power law of the distance from the threshold.

    Each has its own factor, the same at every loading and strain, and rises with strain
    like exp(slope e).
    """
    phi = np.array(loadings)
    strains = np.linspace(0.0, 0.01, 5)
    own = np.exp(spread * np.random.default_rng(seed).standard_normal(n))
    sigma = (phi - PHI_C)[:, None, None, None] ** exponent * own[None, :, None, None]
    sigma = sigma * np.exp(-slope * strains)
    excess = np.full((len(phi), 1, len(strains)), -1.5 * D)
    conductances = sigma * LENGTH**2 / (LENGTH - 1.5 * D)
    return Blocks(
        phi, strains, np.array([293.15]), conductances, excess, LENGTH, LENGTH**2, 3, D,
        PHI_C,
    )  # fmt: skip


FILM = Film(2e-4, 1.6e-3, 2e-3)


def test_blocks_interpolate_a_power_law_exactly_in_loading_and_strain():
    blocks = made_up(spread=0.3)
    phi = np.array([0.11, 0.13, 0.16, 0.19, 0.25])
    k = np.array([3, 0, 7, 7, 39])
    e = np.array([0.0, 0.0013, 0.0087])
    own = np.log(blocks.conductances[0, :, 0, 0] * (LENGTH - 1.5 * D) / LENGTH**2)
    own -= 2.0 * np.log(0.12 - PHI_C)
    wanted = own[k][:, None] + 2.0 * np.log(phi - PHI_C)[:, None] - 20.0 * e[None, :]
    np.testing.assert_allclose(blocks.log_conductivity(k, phi, e), wanted, rtol=1e-12)
    # every block may have strains of its own
    each = np.linspace(0.0, 0.01, 10).reshape(5, 2)
    wanted = own[k][:, None] + 2.0 * np.log(phi - PHI_C)[:, None] - 20.0 * each
    np.testing.assert_allclose(blocks.log_conductivity(k, phi, each), wanted, rtol=1e-12)


def test_a_box_that_is_open_at_a_loading_falls_from_the_next_one():
    blocks = made_up(n=6)
    blocks.conductances[0, 2] = 0.0
    blocks.conductances[1, 4, :, 3:] = 0.0  # opens on the way
    found = blocks.log_conductivity([2, 2], [0.12, 0.16], [0.0])
    assert found[0, 0] - found[1, 0] == pytest.approx(2.0 * np.log(0.04 / 0.08))
    opened = blocks.log_conductivity([4], 0.16, [0.005, 0.0051, 0.01])
    assert np.isfinite(opened[0, 0])
    assert np.isneginf(opened[0, 1:]).all()


def test_the_deviation_of_a_box_stretches_about_the_mean_of_all():
    blocks = made_up()
    k = np.arange(len(blocks))
    plain = blocks.log_conductivity(k, 0.16, [0.0])[:, 0]
    wide = blocks.log_conductivity(k, 0.16, [0.0], stretch=np.full(len(k), 1.7))[:, 0]
    np.testing.assert_allclose(
        wide - plain.mean(), 1.7 * (plain - plain.mean()), atol=1e-12
    )


def test_a_film_of_equal_boxes_is_a_uniform_film():
    blocks = made_up(spread=0.0)
    found = cast_lattice(blocks, FILM, 0.16, castings=2, seed=1)
    rho = 1.0 / 0.08**2
    for s, strain in enumerate(found.strains):
        r = float(FILM.resistance(rho, -1.5 * D * rho)) * np.exp(20.0 * strain)
        np.testing.assert_allclose(found.resistances[:, s], r, rtol=1e-9)
    assert found.gauge_factor.value == pytest.approx(np.expm1(0.2) / 0.01, rel=1e-9)


def test_spread_falls_with_the_root_of_the_volume():
    blocks = made_up(spread=0.15, n=200)
    own = np.log(blocks.conductances[1, :, 0, 0]).std(ddof=1)
    for along, across in ((5, 4), (10, 8), (20, 16)):
        film = Film(2e-4, across * 2e-4, along * 2e-4)
        cv = cast_lattice(blocks, film, 0.16, castings=300, seed=8, strains=[0.0]).cv
        # 1/sqrt(2 x 299) is 4 %
        assert cv.value == pytest.approx(own / np.sqrt(along * across), rel=0.16)


def test_pieces_of_several_blocks_scatter_as_the_blocks_do():
    blocks = made_up(spread=0.15, n=200)
    film = Film(2e-4, 4e-3, 6e-3)
    fine, coarse = (
        cast_lattice(blocks, film, 0.16, castings=300, seed=5, strains=[0.0], most_cells=n)
        for n in (4000, 150)
    )
    assert coarse.lattice.shape[0] < 0.6 * fine.lattice.shape[0]
    assert coarse.cv.value == pytest.approx(fine.cv.value, rel=0.2)
    assert coarse.mean_log.value == pytest.approx(fine.mean_log.value, abs=0.02)


def test_uneven_loading_spreads_films_by_its_mean_over_the_film():
    """Far below the film the field averages out, far above it the film is uniform."""
    blocks = made_up(spread=0.0)
    exponent = 2.0 * 0.16 / (0.16 - PHI_C)  # d ln R / d ln phi
    long = cast_lattice(
        blocks, FILM, 0.16, castings=300, seed=2, strains=[0.0], loading_spread=0.02,
        correlation_length=1.0,
    )  # fmt: skip
    assert long.cv.value == pytest.approx(0.02 * exponent, rel=0.15)
    from percsim.film import variance_function

    a = 3e-4
    short = cast_lattice(
        blocks, FILM, 0.16, castings=300, seed=2, strains=[0.0], loading_spread=0.02,
        correlation_length=a,
    )  # fmt: skip
    # one layer of blocks does not average over the thickness
    expected = 0.02 * exponent * np.sqrt(variance_function((2e-3, 1.6e-3), a))
    assert short.cv.value == pytest.approx(expected, rel=0.2)
    assert short.cv.value < 0.5 * long.cv.value


def test_random_field_has_its_correlation():
    x, y, z = np.meshgrid(np.arange(6) * 1.0, np.arange(4) * 1.5, [0.0], indexing="ij")
    centers = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    rng = np.random.default_rng(90217)
    fields = np.array([random_field(centers, 2.0, rng) for _ in range(4000)])
    found = fields.T @ fields / 4000
    apart = np.abs(centers[:, None, :] - centers[None, :, :]).sum(axis=2)
    # each entry scatters by sqrt((1 + r^2)/4000) < 0.0224
    assert np.abs(found - np.exp(-apart / 2.0)).max() < 0.0224 * 4.5


def test_a_strain_profile_strains_the_film_place_by_place():
    blocks = made_up(spread=0.0, slope=30.0)
    film = Film(2e-4, 4e-4, 8e-3)
    found = cast_lattice(
        blocks, film, 0.16, castings=2, seed=1, strains=[0.0, 0.005],
        strain_profile=[0.0, 1.0],
    )  # fmt: skip
    x = (np.arange(40) + 0.5) / 40
    factor = np.exp(30.0 * 0.005 * x)
    factor[0] = factor[0] * (1 - 0.75 * D / 2e-4)
    factor[-1] = factor[-1] * (1 - 0.75 * D / 2e-4)
    rest = 40 - 1.5 * D / 2e-4
    ratio = found.resistances[0, 1] / found.resistances[0, 0]
    assert ratio == pytest.approx(factor.sum() / rest, rel=1e-9)
    with pytest.raises(ValueError, match="from 0 to 14875"):
        cast_lattice(
            blocks, film, 0.16, castings=2, seed=1, strains=[0.0, 0.01],
            strain_profile=[0.5, 1.5],
        )  # fmt: skip


def test_castings_keep_their_digits_whatever_their_number():
    blocks = made_up()
    few = cast_lattice(blocks, FILM, 0.16, castings=3, seed=77, loading_spread=0.02)
    more = cast_lattice(blocks, FILM, 0.16, castings=5, seed=77, loading_spread=0.02)
    np.testing.assert_array_equal(few.resistances, more.resistances[:3])
    other = cast_lattice(blocks, FILM, 0.16, castings=3, seed=78, loading_spread=0.02)
    assert not np.any(other.resistances == few.resistances)


def test_errors_grow_towards_the_threshold():
    blocks = made_up(loadings=(0.1, 0.12, 0.16))
    found = [
        cast_lattice(blocks, FILM, phi, castings=2, seed=1, strains=[0.0], **how)
        for phi, how in (
            (0.16, {}),
            (0.12, {}),
            (0.112, {}),
            (0.1, {"near_threshold": True}),
        )
    ]
    means = [f.model_log_error for f in found]
    spreads = [f.model_spread_error for f in found]
    assert means[:2] == [0.03, 0.03]
    assert means[1] < means[2] < means[3] == 0.3
    assert spreads[0] == 0.25
    assert spreads[0] < spreads[1] < spreads[2] < spreads[3] == 1.0


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"volume_fraction": 0.1}, "at 1.25 times the threshold blocks do not stand"),
        ({"castings": 1}, "castings must be 2 or more"),
        (
            {"film": Film(2e-4, 1e-4, 2e-3)},
            "blocks of 0.2 mm are larger than the film's width",
        ),
        ({"strains": [0.0, 0.02]}, "from 0 to 10000 microstrain"),
        ({"temperature": 300.0}, "simulated at 20 C, not at 26.85 C"),
        (
            {"spread_error": 0.05},
            "40 boxes give the spread of films to 11 %, and 5 % was asked",
        ),
        ({"strain_profile": [1.0]}, "two or more finite numbers"),
        ({"loading_spread": 0.1, "correlation_length": 0.0}, "must be above 0"),
    ],
)
def test_what_cannot_be_answered_is_refused_in_one_line(change, what):
    how = {
        "blocks": made_up(),
        "film": FILM,
        "volume_fraction": 0.16,
        "castings": 2,
        "seed": 1,
    }
    with pytest.raises(ValueError, match=what) as error:
        cast_lattice(**how | change)
    assert "\n" not in str(error.value)


def test_small_blocks_are_refused():
    blocks = made_up()
    with pytest.raises(ValueError, match="blocks of 4 median diameters conduct too well"):
        Blocks(
            blocks.volume_fractions, blocks.strains, blocks.temperatures,
            blocks.conductances, blocks.excess_lengths, 4 * D, (4 * D) ** 2, 3, D, PHI_C,
        )  # fmt: skip


def test_fingers_scatter_by_the_volume_between_them():
    blocks = made_up(spread=0.15, n=200)
    own = np.log(blocks.conductances[1, :, 0, 0]).std(ddof=1)
    film = Film(2e-4, 2e-3, 1e-3, layout=Fingers(4, 4e-4))
    cv = cast_lattice(blocks, film, 0.16, castings=300, seed=3, strains=[0.0]).cv
    expected = own * np.sqrt(blocks.volume / film.volume)
    assert cv.value == pytest.approx(expected, rel=0.16)


def test_blocks_of_fits_have_the_mean_and_the_error_of_the_fit_to_all_lengths():
    rng = np.random.default_rng(90423)
    base = loading(0.30, seed=90422, box_spread=0.3)
    noisy = [g * np.exp(0.03 * rng.standard_normal(g.shape)) for g in base.conductances]
    noisy[1][5] = 0.0  # an open box takes part
    (fit,) = fit_loadings(
        [replace(base, conductances=tuple(noisy))],
        THRESHOLD,
        seed=np.random.SeedSequence(3),
    )
    length, section = base.lengths[-1], base.sections[-1]
    apart = np.log(fit.mean_inverse[-1] / (fit.resistivity * length + fit.electrode_excess))
    assert np.abs(apart).max() > 0.005
    blocks = Blocks.from_fits([fit], THRESHOLD)
    mean = weighted_medium(blocks.conductances[0, :, 0], np.ones((1, 24)), 3)[0]
    np.testing.assert_allclose(
        section / mean, fit.resistivity * length + fit.electrode_excess, rtol=1e-9
    )
    film = Film(0.4e-3, 3.2e-3, 4.8e-3)
    found = cast_lattice(blocks, film, base.volume_fraction, castings=20, seed=2)
    draws = film.resistance(fit.resistivity_draws, fit.electrode_excess_draws)
    chords = (draws[:, 3] / draws[:, 0] - 1.0) / 3e-3
    assert found.box_gauge_error == pytest.approx(chords.std(), rel=0.15)
    assert found.box_log_error == pytest.approx(np.log(draws[:, 0]).std(), rel=0.15)


def test_the_error_of_the_mean_is_that_of_the_fits_at_its_own_loading():
    """Normal draws with rho and r_c at odds, against the law of error propagation."""
    plain = made_up(spread=0.0)
    z = np.random.default_rng(26113).standard_normal((2, 20_000))
    sizes, tie = np.array([0.2, 0.1, 0.02]), -0.9
    rho = 1.0 / (plain.volume_fractions - PHI_C) ** 2
    draws = np.stack(
        [
            [r * (1.0 + s * z[0]), r * D * (-1.5 + 60 * s * (tie * z[0] + 0.436 * z[1]))]
            for r, s in zip(rho, sizes, strict=True)
        ]
    )
    # responses e^(20 e) that are off by as much at the far end, with no share of z
    other = np.random.default_rng(90412).standard_normal(20_000)
    responses = np.exp(20.0 * np.multiply.outer(1.0 + 0.1 * other, plain.strains))
    draws = draws[..., None, None] * responses[:, None, :]
    unsure = replace(plain, draws=draws)
    gap, e, layout = FILM.electrode_gap, -1.5 * D, FourTerminal(1e-4, 1e-4)
    straight = replace(FILM, layout=layout)

    def error(blocks, phi=0.16, film=FILM):
        return cast(blocks, phi, film).box_log_error

    def cast(blocks, phi=0.16, film=FILM):
        how = {"castings": 2, "seed": 1, "strains": [0.0, 0.01]}
        return cast_lattice(blocks, film, phi, **how)

    assert error(plain) == 0.0
    # of rho (gap + e) with e' = r_c/rho: gap z0 + 60 D (tie z0 + ...) over gap + e
    own = np.hypot(gap + 60 * D * tie, 60 * D * 0.436) / (gap + e)
    assert error(unsure) == pytest.approx(0.1 * own, rel=0.03)
    assert error(unsure, 0.2) == pytest.approx(0.02 * own, rel=0.03)
    assert 0.02 * own < error(unsure, 0.18) < 0.1 * own
    # (e^(0.2 (1 + 0.1 z)) - 1)/0.01 is off by 2 e^0.2 z to first order
    assert cast(unsure).box_gauge_error == pytest.approx(2.0 * np.exp(0.2), rel=0.03)
    assert cast(unsure).gauge_factor.standard_error >= cast(unsure).box_gauge_error
    # sensing bars leave the electrodes out
    assert error(unsure, film=straight) == pytest.approx(0.1, rel=0.03)
    draws[:, :, ::4] = np.inf
    assert np.isinf(error(unsure))
