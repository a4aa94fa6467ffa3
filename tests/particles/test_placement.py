import math

import numpy as np
import pytest
from scipy.stats import poisson

from percsim.errors import PlacementError
from percsim.materials import Elastomer, Filler, Orientation, Recipe, SizeDistribution
from percsim.particles.bodies import FLAKE, ROD, SPHERE
from percsim.particles.box import Box
from percsim.particles.placement import _poisson_quantile, expected_counts, place_particles

SILICONE = Elastomer(1030.0)
SIZES = SizeDistribution(10e-6, 0.4)
FLAKES = Filler("flake", 2250.0, SIZES, aspect_ratio=15.0)
TUBES = Filler(
    "rod", 2000.0, SIZES, aspect_ratio=SizeDistribution(50.0, 0.3),
    orientation=Orientation("in-plane", 0.2),
)  # fmt: skip
BLACK = Filler("sphere", 1800.0, SizeDistribution(3e-6, 0.2))
CUBE = Box((80e-6,) * 3, (False, True, True))
SQUARE = Box((80e-6,) * 2, (False, True))


def loaded(volume_fraction, *fillers):
    share = volume_fraction / len(fillers)
    return Recipe.from_volume_fractions([(f, share) for f in fillers], SILICONE)


@pytest.mark.parametrize(("filler", "boxes"), [(FLAKES, 400), (TUBES, 25), (BLACK, 400)])
def test_volume_fraction_is_the_recipes_on_average(filler, boxes):
    recipe = loaded(0.1, filler)
    parent = np.random.SeedSequence(771_905)
    values = [
        place_particles(recipe, CUBE, np.random.default_rng(s)).volume_fraction
        for s in parent.spawn(boxes)
    ]
    error = np.std(values, ddof=1) / math.sqrt(boxes)
    assert abs(np.mean(values) - 0.1) < 4 * error
    assert error < 0.002


def test_area_fraction_in_two_dimensions():
    recipe, boxes = (
        loaded(0.2, TUBES2D := Filler("stick", 1.0, SIZES, aspect_ratio=20.0)),
        300,
    )
    assert expected_counts(recipe, SQUARE)[0] == pytest.approx(
        0.2 * 6.4e-9 / TUBES2D.mean_volume(2)
    )
    parent = np.random.SeedSequence(40_777)
    values = [
        place_particles(recipe, SQUARE, np.random.default_rng(s)).volume_fraction
        for s in parent.spawn(boxes)
    ]
    assert abs(np.mean(values) - 0.2) < 4 * np.std(values) / math.sqrt(boxes)


def test_counts_scatter_as_poisson_and_can_be_fixed():
    recipe, boxes = loaded(0.05, BLACK), 2000
    mean = expected_counts(recipe, box := Box((30e-6,) * 3, (True,) * 3))[0]
    parent = np.random.SeedSequence(61_553)
    counts = [len(place_particles(recipe, box, np.random.default_rng(s)))
              for s in parent.spawn(boxes)]  # fmt: skip
    assert abs(np.mean(counts) - mean) < 4 * math.sqrt(mean / boxes)
    # standard error of a variance of near-normal counts: variance sqrt(2 / n)
    assert abs(np.var(counts) - mean) < 4 * mean * math.sqrt(2 / boxes)
    fixed = place_particles(recipe, box, np.random.default_rng(8), fixed_number=True)
    assert len(fixed) == round(mean)


def test_a_lower_loading_is_a_subset_of_a_higher_one():
    blends = [loaded(v, FLAKES, TUBES, BLACK) for v in (0.02, 0.05, 0.05001, 0.1)]
    for seed in (5519, 20_867, 3_004_111):
        boxes = [place_particles(r, CUBE, np.random.default_rng(seed)) for r in blends]
        for kind in (FLAKE, ROD, SPHERE):
            counts = [int((p.kinds == kind).sum()) for p in boxes]
            assert counts == sorted(counts)
            for name in ("centers", "axes", "core_sizes", "ball_radii"):
                last = getattr(boxes[-1], name)[boxes[-1].kinds == kind]
                for p, n in zip(boxes, counts, strict=True):
                    np.testing.assert_array_equal(
                        getattr(p, name)[p.kinds == kind], last[:n]
                    )


def test_adding_a_filler_changes_nothing_of_the_first():
    alone = Recipe.from_volume_fractions([(FLAKES, 0.05)], SILICONE)
    both = Recipe.from_volume_fractions([(FLAKES, 0.05), (BLACK, 0.03)], SILICONE)
    one = place_particles(alone, CUBE, np.random.default_rng(77))
    two = place_particles(both, CUBE, np.random.default_rng(77))
    np.testing.assert_array_equal(one.centers, two.centers[: len(one)])
    np.testing.assert_array_equal(one.axes, two.axes[: len(one)])


def test_same_seed_same_particles_and_the_parent_is_not_drawn_from():
    recipe = loaded(0.05, FLAKES)
    rng = np.random.default_rng(31_337)
    first = place_particles(recipe, CUBE, rng)
    again = place_particles(recipe, CUBE, np.random.default_rng(31_337))
    np.testing.assert_array_equal(first.centers, again.centers)
    assert rng.random() == np.random.default_rng(31_337).random()
    second = place_particles(recipe, CUBE, rng)
    assert len(second) != len(first) or not np.array_equal(second.centers, first.centers)


def test_centres_are_uniform_and_sizes_independent_of_them():
    p = place_particles(loaded(0.3, BLACK), Box((120e-6,) * 3, (False,) * 3),
                        np.random.default_rng(914_321))  # fmt: skip
    n, scaled = len(p), p.centers / 120e-6
    assert n > 10_000
    assert scaled.min() >= 0.0
    assert scaled.max() < 1.0
    for i in range(3):
        x = np.sort(scaled[:, i])
        assert abs(x - (np.arange(n) + 0.5) / n).max() < 1.95 / math.sqrt(n)
    share = np.corrcoef(p.ball_radii, scaled[:, 0])[0, 1]
    assert abs(share) < 4 / math.sqrt(n)


def test_bodies_are_what_the_filler_says():
    p = place_particles(loaded(0.1, FLAKES), CUBE, np.random.default_rng(5))
    diameter, thickness = 2 * (p.core_sizes + p.ball_radii), 2 * p.ball_radii
    np.testing.assert_allclose(diameter / thickness, 15.0, rtol=1e-12)
    low, high = SIZES.bounds
    assert low <= diameter.min() <= diameter.max() <= high
    rods = place_particles(loaded(0.1, TUBES), CUBE, np.random.default_rng(5))
    ratio = rods.core_sizes / rods.ball_radii
    assert 20 < ratio.min() < ratio.max() < 125
    assert np.log(ratio).std() == pytest.approx(0.3, rel=0.1)


@pytest.mark.parametrize("mean", [0.003, 0.7, 11.3, 940.0, 3e5])
def test_poisson_quantile_agrees_with_scipy(mean):
    for u in (0.0, 1e-12, 0.02, 0.31, 0.5, 0.77, 0.9999, 1 - 1e-13):
        assert _poisson_quantile(u, mean) == max(0, int(poisson.ppf(u, mean)))


def test_nothing_to_place_is_an_empty_box():
    assert len(place_particles(Recipe((), SILICONE), CUBE, np.random.default_rng(3))) == 0
    empty = Recipe(((FLAKES, 0.0),), SILICONE)
    assert len(place_particles(empty, CUBE, np.random.default_rng(3))) == 0


def test_what_cannot_be_placed_is_refused():
    rng = np.random.default_rng(3)
    with pytest.raises(ValueError, match="no 2-D form"):
        place_particles(loaded(0.1, FLAKES), SQUARE, rng)
    with pytest.raises(ValueError, match=r"periodic edge 1 .*3e-05 m"):
        place_particles(
            loaded(0.1, FLAKES), Box((80e-6, 30e-6, 80e-6), (False, True, True)), rng
        )
    place_particles(
        loaded(0.1, FLAKES), Box((80e-6, 80e-6, 5e-6), (False, True, False)), rng
    )
    with pytest.raises(PlacementError, match="smaller box"):
        place_particles(loaded(0.1, FLAKES), Box((1e-2,) * 3, (False,) * 3), rng)
    with pytest.raises(ValueError, match=r"numpy\.random\.Generator"):
        place_particles(loaded(0.1, FLAKES), CUBE, 12)
