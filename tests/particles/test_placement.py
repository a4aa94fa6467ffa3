import math

import numpy as np
import pytest
from scipy.stats import poisson

from percsim.errors import PlacementError
from percsim.materials import Elastomer, Filler, Orientation, Recipe, SizeDistribution
from percsim.particles.bodies import FLAKE, ROD, SPHERE
from percsim.particles.box import Box
from percsim.particles.placement import (
    Clusters,
    _poisson_quantile,
    expected_counts,
    place_particles,
)

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
    for volume_fraction in (0.05, 0.0503, 0.0507):
        recipe = loaded(volume_fraction, BLACK)
        mean = expected_counts(recipe, box)[0]
        fixed = place_particles(recipe, box, np.random.default_rng(8), fixed_number=True)
        assert abs(len(fixed) - mean) <= 0.5


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


def test_fillers_and_attributes_draw_independently():
    # the same filler twice: counts, and within a box sizes, places and axes, unrelated
    blend = loaded(0.04, BLACK, BLACK)
    box = Box((30e-6,) * 3, (True,) * 3)
    counts = []
    for seed in range(118_000, 118_400):
        alone = place_particles(loaded(0.02, BLACK), box, np.random.default_rng(seed))
        both = place_particles(blend, box, np.random.default_rng(seed))
        counts.append((len(alone), len(both) - len(alone)))
    assert abs(np.corrcoef(np.transpose(counts))[0, 1]) < 4 / math.sqrt(400)
    p = place_particles(loaded(0.2, FLAKES), CUBE, np.random.default_rng(64))
    columns = np.column_stack((p.centers, p.axes, p.core_sizes))
    links = np.corrcoef(columns.T)[np.triu_indices(7, 1)]
    # 21 correlations: 1 in 16 000 each, 1 in 750 together
    assert abs(links).max() < 4 / math.sqrt(len(p))


# ------------------------------------------------------------------------ agglomerates
GATHERED = Clusters(share=0.6, diameter=20e-6, solids=0.2)


@pytest.mark.parametrize("periodic", [(True, True, True), (False, False, False)])
def test_agglomerates_keep_the_mean_density_everywhere(periodic):
    box = Box((60e-6,) * 3, periodic)
    recipe, boxes = loaded(0.02, BLACK), 300
    parent = np.random.SeedSequence(557)
    shares, totals = [], []
    for seed in parent.spawn(boxes):
        p = place_particles(recipe, box, np.random.default_rng(seed), clusters=GATHERED)
        totals.append(p.volume_fraction)
        shares.append(np.histogram(p.centers[:, 0], 30, (0, 60e-6))[0])
        assert (p.centers >= 0).all()
        assert (p.centers <= 60e-6).all()
    assert abs(np.mean(totals) - 0.02) < 4 * np.std(totals) / math.sqrt(boxes)
    shares = np.array(shares)
    errors = shares.std(axis=0) / math.sqrt(boxes)
    expected = expected_counts(recipe, box)[0] / 30
    assert (abs(shares.mean(axis=0) - expected) < 4 * errors).all()
    # nothing like Poisson: that is the point of agglomerates
    assert (shares.var(axis=0) > 2 * expected).all()


@pytest.mark.parametrize("dimension", [2, 3])
def test_pairs_within_an_agglomerate_follow_the_ball(dimension):
    # all in agglomerates in a box so large that they do not meet: the mean squared distance
    # of two uniform points of a ball of diameter a is 2 x 3/5 (a/2)^2, of a disc
    # 2 x 1/2 (a/2)^2
    filler = Filler("sphere", 1.0, SizeDistribution(1.0))
    members = 40
    solids = members * filler.mean_volume(dimension)
    a = 30.0
    solids /= math.pi / 6 * a**3 if dimension == 3 else math.pi / 4 * a**2
    gathered = Clusters(1.0, a, solids)
    assert gathered.members(filler, dimension) == members
    edge = 1e4
    box = Box((edge,) * dimension, (True,) * dimension)
    recipe = loaded(200 * members * filler.mean_volume(dimension) / box.volume, filler)
    p = place_particles(recipe, box, np.random.default_rng(2_290), clusters=gathered)
    groups = p.centers[: len(p) // members * members].reshape(-1, members, dimension)
    apart = groups - groups[:, :1]
    apart -= edge * np.round(apart / edge)
    assert np.linalg.norm(apart, axis=2).max() <= a * (1 + 1e-9)
    # sum over pairs of |x_i - x_j|^2 = 2 m sum |x_i - mean|^2
    inner = ((apart - apart.mean(axis=1, keepdims=True)) ** 2).sum(axis=(1, 2))
    squared = 2 * inner / (members - 1)
    expected = 2 * (3 / 5 if dimension == 3 else 1 / 2) * (a / 2) ** 2
    assert abs(squared.mean() - expected) < 4 * squared.std() / math.sqrt(len(squared))


def test_agglomerates_stay_whole_at_a_face():
    # folded back, not carried to the other side: all within a diameter of the first
    members = 30
    filler = Filler("sphere", 1.0, SizeDistribution(1.0))
    solids = members * filler.mean_volume(3) / (math.pi / 6 * 8.0**3)
    gathered = Clusters(1.0, 8.0, solids)
    box = Box((24.0,) * 3, (False,) * 3)
    p = place_particles(
        loaded(0.2, filler), box, np.random.default_rng(41_207), clusters=gathered
    )
    groups = p.centers[: len(p) // members * members].reshape(-1, members, 3)
    assert len(groups) > 50
    apart = np.linalg.norm(groups - groups[:, :1], axis=2).max(axis=1)
    assert (groups.min(axis=(1, 2)) < 0.5).any()  # some do lie at a face
    assert apart.max() <= 8.0


def test_share_in_agglomerates_and_subsets():
    box = Box((300e-6,) * 3, (True,) * 3)
    few, many = (
        place_particles(loaded(v, BLACK), box, np.random.default_rng(91), clusters=GATHERED)
        for v in (0.002, 0.003)
    )
    np.testing.assert_array_equal(few.centers, many.centers[: len(few)])
    plain = place_particles(loaded(0.003, BLACK), box, np.random.default_rng(91))
    moved = (plain.centers != many.centers).any(axis=1).mean()
    assert abs(moved - 0.6) < 4 * math.sqrt(0.24 / len(many))
    none = Clusters(share=0.0, diameter=20e-6, solids=0.2)
    same = place_particles(
        loaded(0.003, BLACK), box, np.random.default_rng(91), clusters=none
    )
    np.testing.assert_array_equal(same.centers, plain.centers)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((1.2, 1e-5), "share"),
        ((0.5, 0.0), "diameter"),
        ((0.5, math.inf), "diameter"),
        ((0.5, 1e-5, 0.0), "solids"),
    ],
)
def test_impossible_agglomerates_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        Clusters(*arguments)


def test_an_agglomerate_smaller_than_its_particles_is_refused():
    with pytest.raises(ValueError, match=r"holds 0\.\d+ particles of flake"):
        place_particles(loaded(0.1, FLAKES), CUBE, np.random.default_rng(1),
                        clusters=Clusters(0.5, 3e-6))  # fmt: skip


# ------------------------------------------------------------------------------- walls
def test_confined_sticks_follow_the_exact_law():
    # Sticks of length l without thickness between walls l/2 apart, all else free: uniform
    # angle and place given that it fits. With s = sin of the angle to the walls, the room
    # left is h - l s for s < h/l. Mean of s by hand over the angle t in [0, asin(h/l)]:
    # int s (h - l s) dt / int (h - l s) dt.
    h, length = 0.5, 1.0
    filler = Filler("stick", 1.0, SizeDistribution(length), thickness=1e-7)
    box = Box((50.0, h), (True, False))
    recipe = loaded(20_000 * filler.mean_volume(2) / box.volume, filler)
    p = place_particles(recipe, box, np.random.default_rng(7_333), walls="confining")
    s = abs(p.axes[:, 1])
    top = math.asin(h / length)
    below = h * top - length * (1 - math.cos(top))
    above = h * (1 - math.cos(top)) - length * (top / 2 - math.sin(2 * top) / 4)
    assert abs(s.mean() - above / below) < 4 * s.std() / math.sqrt(len(p))
    reach = p.core_sizes * s + p.ball_radii
    assert (p.centers[:, 1] >= reach).all()
    assert (p.centers[:, 1] <= h - reach).all()
    assert abs(p.centers[:, 1].mean() - h / 2) < 4 * p.centers[:, 1].std() / math.sqrt(
        len(p)
    )


def test_confinement_keeps_subsets_and_leaves_electrodes_open():
    box = Box((80e-6, 80e-6, 30e-6), (False, True, False))
    lying = Filler("flake", 2250.0, SIZES, aspect_ratio=15.0,
                   orientation=Orientation("in-plane", 0.3))  # fmt: skip
    for clusters in (None, Clusters(0.5, 25e-6)):
        few, many = (
            place_particles(loaded(v, lying), box, np.random.default_rng(70_009),
                            walls="confining", clusters=clusters)
            for v in (0.03, 0.05)
        )  # fmt: skip
        np.testing.assert_array_equal(few.centers, many.centers[: len(few)])
        np.testing.assert_array_equal(few.axes, many.axes[: len(few)])
        rim = many.core_sizes * np.sqrt(1 - many.axes[:, 2] ** 2) + many.ball_radii
        assert (many.centers[:, 2] >= rim).all()
        assert (many.centers[:, 2] <= 30e-6 - rim).all()
        side = many.core_sizes * np.sqrt(1 - many.axes[:, 0] ** 2) + many.ball_radii
        assert (many.centers[:, 0] < side).any()


def test_options_out_of_range_are_refused():
    rng = np.random.default_rng(1)
    for options, words in (
        ({"core": -0.1}, "0 to 1"),
        ({"walls": "hard"}, "confining"),
        ({"passes": 0}, "passes"),
    ):
        with pytest.raises(ValueError, match=words):
            place_particles(loaded(0.01, BLACK), CUBE, rng, **options)
