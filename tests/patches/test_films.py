"""Patches of drawn sheets against the castings that they are, and against closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from reference import made_up_boxes
from reference.made_up_boxes import (
    CRITICAL,
    EXPONENT,
    loading,
    resistivity,
    volume_fraction,
)

from percsim.film import CastingDraws, Tolerances
from percsim.film.bench import CUP, FILM, LOT
from percsim.patches.films import patch_films, patch_levels
from percsim.patches.layout import SheetLayout
from percsim.patches.scatter import Levels, PatchDraws, SheetScatter, correlated

SEED = np.random.SeedSequence(55013)
NONE = Tolerances.none()
STRAINS = np.array([[0.0, 1e-3, 2e-3, 3e-3]])
ROOM = np.full_like(STRAINS, 293.15)
LAYOUT = SheetLayout(6, 8, 0.02, 0.02)


def castings_of(tolerances, n=20000, index=1, **keywords):
    loads = [loading(w, **keywords) for w in (0.26, 0.30, 0.34)]
    return made_up_boxes.cast(loads, index, tolerances, n, SEED)[0]


def sheets_of(castings, scatter, count, layout=LAYOUT, strains=STRAINS, temperatures=ROOM):
    levels = patch_levels(castings, scatter)
    on = np.zeros(len(layout), dtype=np.int64)
    films = patch_films(castings, levels, strains, temperatures, [None], on)
    draws = [
        PatchDraws.draw(layout, scatter, levels, films.rank, SEED, k) for k in range(count)
    ]
    return films, np.array([films.read(d) for d in draws])


def test_without_scatter_every_patch_is_the_film_as_planned():
    castings = castings_of(NONE, n=10)
    films, logs = sheets_of(castings, SheetScatter(), 2)
    want = np.log(castings.nominal)
    np.testing.assert_allclose(logs, np.broadcast_to(want, logs.shape), atol=1e-9)
    np.testing.assert_allclose(films.planned[0], want, atol=1e-9)
    rest = resistivity(0.30) * (3e-3 - made_up_boxes.SHORT) / made_up_boxes.FILM.section
    assert np.exp(logs[0, 0, 0]) == pytest.approx(rest, rel=1e-9)


@pytest.mark.parametrize("cups", [1, 3])
def test_a_patch_picked_at_random_scatters_as_a_casting(cups):
    # the same bench, loading, chains and response; one patch of many sheets
    tolerances = Tolerances()
    castings = castings_of(tolerances, n=40000, seed=3, box_spread=0.2)
    one = SheetLayout(3, 2, 0.02, 0.02)
    _, logs = sheets_of(castings, SheetScatter(cups=cups), 4000, one)
    rest, end = logs[:, :, 0].ravel(), logs[:, :, 3].ravel()
    factors = np.expm1(end - rest) / 3e-3
    drawn = np.log(castings.at_rest)
    # 4000 sheets of patches that share most: four standard errors of a deviation
    assert rest.std() == pytest.approx(drawn.std(), rel=4 / np.sqrt(2 * 4000))
    assert rest.mean() == pytest.approx(drawn.mean(), abs=4 * drawn.std() / 4000**0.5)
    own = castings.gauge_factors
    assert factors.std() == pytest.approx(own.std(), rel=4 / np.sqrt(2 * 4000) + 0.02)
    assert factors.mean() == pytest.approx(own.mean(), rel=4 * own.std() / 15 / 4000**0.5)


def test_the_table_is_the_castings_themselves():
    # the same loading drawn: castings whose mixing alone is off, patch for patch
    spread = 0.02
    tolerances = replace(NONE, mixing=spread)
    castings = castings_of(tolerances, n=48, seed=8, box_spread=0.1)
    z = castings.draws.tolerances[:, 1]
    levels = patch_levels(castings, SheetScatter())
    films = patch_films(
        castings, levels, STRAINS, ROOM, [None], np.zeros(48, dtype=np.int64)
    )
    nothing = np.zeros(48)
    draws = PatchDraws(
        castings.loading.log_slope * spread * z, nothing, nothing,
        np.zeros((48, films.rank)), np.zeros((48, films.rank)),
    )  # fmt: skip
    still = castings._drawn(castings.draws.only("mixing"), range(4), tolerances)
    np.testing.assert_allclose(films.read(draws), np.log(still), atol=2e-4)


def test_open_patches_are_open():
    # 26 wt% with a threshold 1.4 times higher is below it; its neighbours by mixing too
    castings = castings_of(NONE, n=5, index=0)
    films, logs = sheets_of(replace(castings, log_factor=0.8), SheetScatter(), 1)
    assert np.isinf(logs).all()
    assert np.isinf(films.planned).all()
    assert not np.isnan(logs).any()


def test_levels_share_what_they_say():
    # wafers of variance: own patches 1/n of it in the mean, cups and lots none
    tolerances = replace(NONE, thickness=0.08, mixing=0.02, aspect_ratio=0.05)
    castings = castings_of(tolerances, n=100)
    scatter = SheetScatter(shared=0.4, wedge=0.2, slow=0.3, length=0.04)
    levels = patch_levels(castings, scatter)
    assert levels.casting == pytest.approx(0.08 * 0.4**0.5, rel=1e-4)
    assert levels.wedge == pytest.approx(0.08 * 0.2**0.5, rel=1e-4)
    assert levels.film[1] == pytest.approx(0.08 * 0.4**0.5, rel=1e-4)
    slope = castings.loading.log_slope
    assert levels.slow == pytest.approx(slope * 0.02 * 0.3**0.5)
    assert levels.cup[0] == pytest.approx(slope * 0.02 * 0.7**0.5)
    assert levels.lot[0] == pytest.approx(0.05)
    _, logs = sheets_of(castings, scatter, 3000)
    means = logs[:, :, 0].mean(axis=1)
    phi = volume_fraction(0.30)
    steep = EXPONENT * phi / (phi - CRITICAL)
    field = correlation_of(LAYOUT, 0.04).mean()
    want = (steep * levels.lot[0]) ** 2 + (steep * levels.cup[0]) ** 2
    want += (steep * levels.slow) ** 2 * field + levels.casting**2
    want += levels.film[1] ** 2 / len(LAYOUT)
    assert means.var() == pytest.approx(want, rel=4 * (2 / 3000) ** 0.5 + 0.05)


def correlation_of(layout, length):
    dx = np.abs(layout.along[:, None] - layout.along)
    dy = np.abs(layout.around[:, None] - layout.around)
    return np.exp(-dx / length - dy / length)


def test_slow_unevenness_has_its_correlation():
    rng = np.random.default_rng(9012)
    layout = SheetLayout(3, 4, 0.01, 0.03)
    drawn = np.array(
        [correlated(rng.standard_normal((3, 4)), (0.01, 0.03), 0.05).ravel()
         for _ in range(20000)]
    )  # fmt: skip
    want = correlation_of(layout, 0.05)
    np.testing.assert_allclose(np.cov(drawn.T), want, atol=4 * 2**0.5 / 20000**0.5)


def test_a_wedge_is_a_plane():
    levels = Levels((0, 0), (0, 0), (0, 0), 0.0, 0.1, 0.0, 0.0, CUP)
    scales = []
    for k in range(2000):
        draws = PatchDraws.draw(LAYOUT, SheetScatter(), levels, 1, SEED, k)
        plane = draws.scale.reshape(6, 8)
        np.testing.assert_allclose(np.diff(plane, 2, axis=0), 0.0, atol=1e-12)
        np.testing.assert_allclose(np.diff(plane, 2, axis=1), 0.0, atol=1e-12)
        assert plane.mean() == pytest.approx(0.0, abs=1e-12)
        scales.append(plane)
    assert np.std(scales) == pytest.approx(0.1, rel=4 / (2 * 2 * 2000) ** 0.5)


@pytest.mark.parametrize("level", [LOT, CUP, FILM])
def test_response_is_shared_as_the_bench_says(level):
    levels = Levels((0, 0), (0, 0), (0, 0), 0.0, 0.0, 0.0, 0.05, level)
    scatter = SheetScatter(cups=2)
    drawn = PatchDraws.draw(LAYOUT, scatter, levels, 1, SEED, 0).response
    assert len(np.unique(drawn)) == {LOT: 1, CUP: 2, FILM: len(LAYOUT)}[level]
    if level == CUP:  # whole rows of one cup
        assert len(np.unique(drawn.reshape(6, 8)[:3])) == 1


def test_sheets_keep_their_numbers():
    levels = Levels((1, 1), (1, 1), (1, 1), 1.0, 1.0, 1.0, 1.0, CUP)
    one = PatchDraws.draw(LAYOUT, SheetScatter(), levels, 2, SEED, 3)
    again = PatchDraws.draw(LAYOUT, SheetScatter(), levels, 2, SEED, 3)
    other = PatchDraws.draw(LAYOUT, SheetScatter(), levels, 2, SEED, 4)
    np.testing.assert_array_equal(one.loading, again.loading)
    assert not np.isclose(one.loading, other.loading).any()


def test_strains_and_temperatures_between_those_computed():
    # ln R = 15 e (1 + 0.001 dT) + 0.002 dT, straight between the visits
    def response(e, t):
        return 15.0 * e * (1 + 1e-3 * (t - 293.15)) + 2e-3 * (t - 293.15)

    strains = (0.0, 1e-3, 3e-3) * 2
    temperatures = (293.15,) * 3 + (313.15,) * 3
    castings = castings_of(
        NONE, n=5, strains=strains, temperatures=temperatures, response=response
    )
    e, t = np.array([[0.5e-3, 2.3e-3, 4e-3]]), np.array([[300.0, 311.0, 293.15]])
    films, logs = sheets_of(castings, SheetScatter(), 1, strains=e, temperatures=t)
    rest = np.log(castings.nominal[0])
    want = rest + response(e[0], t[0])
    np.testing.assert_allclose(logs[0, 0], want, atol=1e-7)
    assert films.beyond == len(LAYOUT)  # 4000 microstrain were not computed
    for warm, beyond in ((300.0, 0), (320.0, len(LAYOUT)), (290.0, len(LAYOUT))):
        at = np.full((1, 2), 1e-3), np.array([[300.0, warm]])
        films, _ = sheets_of(castings, SheetScatter(), 1, strains=at[0], temperatures=at[1])
        assert films.beyond == beyond


def test_skew_lowers_the_mean_as_castings_have_it():
    castings = castings_of(replace(NONE, skew=1e-3), n=20000)
    films, _ = sheets_of(castings, SheetScatter(), 1)
    drawn = np.log(castings.at_rest)
    shift = films.planned[0, 0] - np.log(castings.nominal[0])
    assert shift < -5e-3
    error = 4 * drawn.std() / 20000**0.5
    assert drawn.mean() - np.log(castings.nominal[0]) == pytest.approx(shift, abs=error)


def test_contacts_that_close_afresh_move_the_chains_alone():
    tolerances = replace(NONE, contact_redraw=0.3)
    castings = castings_of(tolerances, n=5, seed=5, box_spread=0.5)
    films, _ = sheets_of(castings, SheetScatter(), 1)
    levels = patch_levels(castings, SheetScatter())
    draws = [
        PatchDraws.draw(LAYOUT, SheetScatter(), levels, films.rank, SEED, k)
        for k in range(400)
    ]
    first = np.array([films.read(d)[:, 0] for d in draws])
    again = np.array([films.read(d, again=True)[:, 0] for d in draws])
    assert again.std() == pytest.approx(first.std(), rel=0.05)
    # nothing else scatters them
    chains = castings.model.chain_deviation(volume_fraction(0.30), castings.film)
    assert first.std() == pytest.approx(chains, rel=0.05)
    # correlation sqrt(1 - p)
    assert np.corrcoef(first.ravel(), again.ravel())[0, 1] == pytest.approx(
        0.7**0.5, abs=0.02
    )


def test_draws_are_columns_of_their_own():
    # what a casting draws is not what a sheet draws
    castings = CastingDraws.draw(10, 2, SEED)
    levels = Levels((1, 0), (0, 0), (0, 0), 0.0, 0.0, 0.0, 0.0, CUP)
    lot = PatchDraws.draw(LAYOUT, SheetScatter(), levels, 1, SEED, 0).loading[0]
    assert not np.isclose(castings.tolerances, lot).any()


@pytest.mark.parametrize("bad", [{"shared": 0.8, "wedge": 0.3}, {"cups": 0}, {"slow": 2}])
def test_shares_that_are_none_are_refused(bad):
    with pytest.raises(ValueError, match=r"shares|cups"):
        SheetScatter(**bad)
