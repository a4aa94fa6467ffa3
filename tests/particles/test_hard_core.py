import itertools
import math

import numpy as np
import pytest
from reference.gaps import core_distances, spatial

from percsim.errors import PlacementError
from percsim.materials import Elastomer, Filler, Orientation, Recipe, SizeDistribution
from percsim.particles.bodies import FLAKE, Particles
from percsim.particles.box import Box
from percsim.particles.hard_core import add_sequentially, free_core, push_apart
from percsim.particles.placement import place_particles
from percsim.particles.shapes import draw_axes, measure_orientation

SILICONE = Elastomer(1030.0)
SIZES = SizeDistribution(10e-6, 0.4)
ONE = SizeDistribution(1.0)


def flakes(aspect, orientation=None, size=SIZES):
    return Filler("flake", 2250.0, size, aspect_ratio=aspect,
                  orientation=orientation or Orientation())  # fmt: skip


def loaded(volume_fraction, *fillers):
    share = volume_fraction / len(fillers)
    return Recipe.from_volume_fractions([(f, share) for f in fillers], SILICONE)


def worst_gap(particles, core, sample=250):
    """Smallest gap of the impenetrable parts [m] by the slow reference.

    The box is continued across its cut faces. All images of all pairs are gone through;
    of those whose bounding spheres overlap a sample is drawn, the reference being slow.
    """
    p = particles
    reach = p.core_sizes + p.ball_radii
    centers, axes = spatial(p.centers), spatial(p.axes)
    first, second = np.triu_indices(len(p), 1)
    rows = []
    for step in itertools.product((-1, 0, 1), repeat=p.box.dimension):
        move = spatial([np.array(step) * p.box.size])[0]
        c = centers[second] + move - centers[first]
        near = np.linalg.norm(c, axis=1) < reach[first] + reach[second]
        rows.append((first[near], second[near], c[near]))
    i, j, c = (np.concatenate(parts) for parts in zip(*rows, strict=True))
    some = np.random.default_rng(17_123).permutation(len(i))[:sample]
    i, j, c = i[some], j[some], c[some]
    d = core_distances(
        p.kinds[i], p.core_sizes[i], axes[i], p.kinds[j], p.core_sizes[j], axes[j], c
    )
    return (d - core * (p.ball_radii[i] + p.ball_radii[j])).min(initial=math.inf)


BLACK = Filler("sphere", 1800.0, SizeDistribution(6e-6, 0.2))
TUBES = Filler("rod", 2000.0, SIZES, aspect_ratio=8.0)


@pytest.mark.parametrize(
    ("recipe", "core"),
    [
        (loaded(0.25, flakes(8.0)), 1.0),
        (loaded(0.25, flakes(8.0)), 0.5),
        (loaded(0.25, TUBES), 1.0),
        (loaded(0.40, BLACK), 1.0),
        (loaded(0.24, flakes(8.0), TUBES, BLACK), 1.0),
    ],
)
def test_nothing_overlaps_by_the_slow_reference(recipe, core):
    box = Box((38e-6,) * 3, (False, True, True))
    start = place_particles(recipe, box, np.random.default_rng(604_133), fixed_number=True)
    hard = place_particles(
        recipe, box, np.random.default_rng(604_133), fixed_number=True, core=core
    )
    assert worst_gap(start, core) < 0.0  # or there was nothing to do
    assert worst_gap(hard, core) >= -1e-15
    assert free_core(hard) >= core
    np.testing.assert_array_equal(hard.core_sizes, start.core_sizes)
    np.testing.assert_array_equal(hard.ball_radii, start.ball_radii)
    assert (hard.centers >= 0.0).all()
    assert (hard.centers < 38e-6).all()


@pytest.mark.parametrize("kind", ["disc", "stick"])
def test_nothing_overlaps_in_the_plane(kind):
    filler = Filler(kind, 1.0, ONE, aspect_ratio=None if kind == "disc" else 6.0)
    box = Box((8.0, 8.0), (False, True))
    hard = place_particles(
        loaded(0.4, filler), box, np.random.default_rng(77_003), core=1.0, fixed_number=True
    )
    assert hard.volume_fraction == pytest.approx(0.4, abs=0.02)
    assert worst_gap(hard, 1.0) >= -1e-12


def test_core_of_two_crossing_flakes_by_hand():
    # discs of radius 1 crossing at right angles: no core fits; 0.3 apart and 0.1 thick: 3
    box = Box((10.0,) * 3, (False,) * 3)

    def pair(second, axis):
        return Particles(
            np.array([FLAKE, FLAKE]), np.array([[5.0, 5, 5], second]),
            np.array([[0, 0, 1.0], axis]), np.ones(2), np.full(2, 0.05), box,
        )  # fmt: skip

    assert free_core(pair([5.0, 5.0, 5.2], [1.0, 0, 0])) == 0.0
    assert free_core(pair([5.0, 5.0, 5.05], [0, 0, 1.0])) == pytest.approx(0.5)
    assert free_core(pair([5.0, 5.0, 9.0], [0, 0, 1.0])) == math.inf
    apart = push_apart(pair([5.0, 5.0, 5.02], [0, 0, 1.0]), 1.0)
    move = apart.centers[1] - apart.centers[0]
    assert move[:2] == pytest.approx([0, 0], abs=1e-12)
    # 0.08 too deep: taken away at least once, at most one and a half times and the margin
    assert 0.1 <= move[2] <= 0.02 + 1.5 * 0.081 + 1e-12
    # momentum: equal bodies move the same way apart, so the middle stays
    assert apart.centers.mean(axis=0) == pytest.approx([5, 5, 5.01], abs=1e-12)


def test_rods_laid_exactly_stay_so():
    rods = Filler("rod", 1.0, SIZES, aspect_ratio=8.0, orientation=Orientation("aligned"))
    box = Box((60e-6, 40e-6, 40e-6), (False, True, True))
    hard = place_particles(loaded(0.25, rods), box, np.random.default_rng(4417), core=1.0)
    assert (abs(hard.axes[:, 0]) == 1.0).all()
    assert free_core(hard) >= 1.0


def test_orientation_is_reported_as_measured():
    # The law asked is 0.2 rad; pushing turns flakes a little, and the report says what the
    # angles are, worked out here anew.
    box = Box((60e-6, 60e-6, 40e-6), (False, True, True))
    asked = flakes(10.0, Orientation("in-plane", 0.2))
    hard = place_particles(loaded(0.2, asked), box, np.random.default_rng(90_127), core=1.0)
    told = measure_orientation(hard)["flake"]
    angle = np.arccos(np.minimum(1.0, abs(hard.axes[:, 2])))
    assert told["tilt"] == pytest.approx(math.sqrt((angle**2).mean()), rel=1e-9)
    assert told["tilt"] == pytest.approx(0.2, abs=0.05)
    second = np.einsum("ni,nj->ij", hard.axes, hard.axes) / len(hard)
    assert told["order_thickness"] == pytest.approx(1.5 * second[2, 2] - 0.5)
    assert told["order_current"] == pytest.approx(1.5 * second[0, 0] - 0.5)
    assert told["order_nematic"] == pytest.approx(
        1.5 * np.linalg.eigvalsh(second)[-1] - 0.5
    )
    assert set(measure_orientation(hard)) == {"flake"}


def test_same_seed_same_hard_bodies():
    box = Box((40e-6,) * 3, (False, True, True))
    recipe = loaded(0.2, flakes(8.0))
    first, again = (
        place_particles(recipe, box, np.random.default_rng(515), core=1.0) for _ in range(2)
    )
    np.testing.assert_array_equal(first.centers, again.centers)
    np.testing.assert_array_equal(first.axes, again.axes)


def test_density_is_even_up_to_electrodes_and_free_faces():
    # Cuts through material that goes on: centres stay uniform along a cut direction.
    box = Box((60e-6,) * 3, (False, True, False))
    recipe = loaded(0.2, flakes(10.0, size=SizeDistribution(8e-6, 0.3)))
    counts = np.zeros((2, 6))
    for seed in (81_551, 9_221, 3_335, 70_006):
        hard = place_particles(recipe, box, np.random.default_rng(seed), core=1.0)
        for row, k in enumerate((0, 2)):
            counts[row] += np.histogram(hard.centers[:, k], 6, (0, 60e-6))[0]
    # repulsion makes counts scatter less than Poisson, so this band is wide enough
    assert (abs(counts - counts.mean()) < 4 * np.sqrt(counts.mean())).all()


def test_confining_walls_hold_whole_bodies():
    box = Box((60e-6, 60e-6, 24e-6), (False, True, False))
    recipe = loaded(0.15, flakes(10.0, Orientation("in-plane", 0.3)))
    for core in (0.0, 1.0):
        p = place_particles(
            recipe, box, np.random.default_rng(6001), core=core, walls="confining"
        )
        rim = p.core_sizes * np.sqrt(np.maximum(0, 1 - p.axes[:, 2] ** 2)) + p.ball_radii
        slack = 1e-9 * p.core_sizes.max()
        assert (p.centers[:, 2] >= rim - slack).all()
        assert (p.centers[:, 2] <= 24e-6 - rim + slack).all()
    free = place_particles(recipe, box, np.random.default_rng(6001))
    assert len(free) == len(p)
    assert free_core(free) < 1.0 <= free_core(p)


def test_a_packing_that_cannot_be_is_refused_with_what_was_reached():
    box = Box((40e-6,) * 3, (False, True, True))
    with pytest.raises(PlacementError, match="instead of 1 is reached") as caught:
        place_particles(
            loaded(0.75, BLACK), box, np.random.default_rng(12), core=1.0, passes=60
        )
    reached = caught.value.particles
    assert reached.volume_fraction == pytest.approx(0.75, abs=0.15)
    share = free_core(reached)
    assert 0.0 < share < 1.0
    assert f"share of {math.floor(1e4 * share) / 1e4:.4g} instead" in str(caught.value)


def test_hard_bodies_longer_than_the_box_are_refused():
    thin = Box((60e-6, 60e-6, 15e-6), (False, True, False))
    with pytest.raises(ValueError, match=r'edge 2 .*walls="confining"'):
        place_particles(loaded(0.1, flakes(10.0)), thin, np.random.default_rng(3), core=1.0)
    with pytest.raises(ValueError, match="0 to 1"):
        place_particles(loaded(0.1, BLACK), thin, np.random.default_rng(3), core=1.5)
    upright = Orientation("aligned", director="thickness")
    needles = Filler("rod", 1.0, SIZES, aspect_ratio=20.0, orientation=upright)
    with pytest.raises(PlacementError, match=r"no place between walls"):
        place_particles(
            loaded(0.01, needles), thin, np.random.default_rng(3), walls="confining"
        )


# ------------------------------------------------------------ random sequential addition
def sequential(dimension, edge, attempts, seed, kind="sphere", aspect=None):
    filler = Filler(kind, 1.0, ONE, aspect_ratio=aspect)
    box = Box((edge,) * dimension, (True,) * dimension)
    most = place_particles(
        loaded(0.65, filler), box, np.random.default_rng(seed), fixed_number=True
    )
    rng = np.random.default_rng(seed + 1)

    def propose(m):
        spots = rng.random((m, dimension)) * edge
        return spots, draw_axes(Orientation(), filler.kind, m, dimension, 0, rng)

    return add_sequentially(most, 1.0, propose, patience=10**12, attempts=attempts)


@pytest.mark.parametrize(
    # saturation of discs and spheres: Zhang and Torquato 2013, Phys. Rev. E 88, 053312:
    # 0.5470735 and 0.3841307. Counts at saturation scatter by about 0.2 of sqrt(n)
    # (variance over mean about 0.05 or less, from memory); extrapolation adds 1 %.
    ("dimension", "edge", "attempts", "published"),
    [(2, 40.0, 1_000_000, 0.5470735), (3, 11.0, 1_500_000, 0.3841307)],
)
def test_saturation_of_discs_and_spheres(dimension, edge, attempts, published):
    done = sequential(dimension, edge, attempts, 31_181)
    n = len(done.particles)
    band = 0.01 + 4 * 0.25 / math.sqrt(n)
    assert done.saturation() == pytest.approx(published, rel=band)
    # what is placed never passes saturation, and the jam has not been reached by then
    assert done.particles.volume_fraction < published * (1 + 4 * 0.25 / math.sqrt(n))
    assert free_core(done.particles) >= 1.0


@pytest.mark.slow
@pytest.mark.parametrize(
    ("dimension", "edge", "attempts", "published"),
    [(2, 100.0, 60_000_000, 0.5470735), (3, 20.0, 60_000_000, 0.3841307)],
)
def test_saturation_to_four_standard_errors(dimension, edge, attempts, published):
    values = [sequential(dimension, edge, attempts, s).saturation() for s in (411, 95_531)]
    n = published * edge**dimension / (math.pi / (4 if dimension == 2 else 6))
    # two samples, plus 0.2 % for the straight-line extrapolation
    assert np.mean(values) == pytest.approx(
        published, rel=4 * 0.25 / math.sqrt(2 * n) + 0.002
    )


def test_saturation_extrapolates_a_straight_line():
    done = sequential(2, 15.0, 40_000, 7)
    steps = np.geomspace(400, 40_000, 40)
    counts = np.array([(done.accepted <= s).sum() for s in steps])
    line = np.polyfit(steps**-0.5, counts * math.pi / 4 / 225, 1)
    assert done.saturation() == pytest.approx(line[1], rel=1e-9)
    assert (np.diff(done.accepted) > 0).all()
    assert done.attempts == 40_000


def test_flakes_added_one_by_one_keep_apart_and_stall():
    done = sequential(3, 4.0, 20_000, 88, "flake", 8.0).particles
    assert worst_gap(done, 1.0) >= 0.0
    assert 0.1 < done.volume_fraction < 0.35


# --------------------------------------------------------------------------- high loading
@pytest.mark.parametrize("aspect", [15.0, 20.0])
def test_thirty_two_per_cent_of_isotropic_flakes(aspect):
    box = Box((66e-6,) * 3, (False, True, True))
    hard = place_particles(
        loaded(0.32, flakes(aspect)), box, np.random.default_rng(13_831), core=1.0,
        fixed_number=True,
    )  # fmt: skip
    n = len(hard)
    assert hard.volume_fraction == pytest.approx(0.32, abs=0.02)
    assert free_core(hard) >= 1.0
    # Order of n isotropic axes about the best director scatters about 1.2/sqrt(n); at these
    # loadings the pushes raise it slightly, far from a layered state.
    assert measure_orientation(hard)["flake"]["order_nematic"] < 0.15
    assert n > 700


@pytest.mark.slow
@pytest.mark.parametrize("aspect", [15.0, 20.0])
@pytest.mark.parametrize("seed", [5_103, 77_221, 812])
def test_thirty_two_per_cent_in_a_box_of_twelve_diameters(aspect, seed):
    box = Box((120e-6,) * 3, (False, True, True))
    hard = place_particles(
        loaded(0.32, flakes(aspect)), box, np.random.default_rng(seed), core=1.0,
        fixed_number=True,
    )  # fmt: skip
    assert free_core(hard) >= 1.0
    assert measure_orientation(hard)["flake"]["order_nematic"] < 0.1


def test_hard_flakes_among_hard_needles():
    # heavy flakes pierced by many light needles: equal masses would shake on for minutes
    needles = Filler("rod", 2000.0, SIZES, aspect_ratio=30.0)
    recipe = Recipe.from_volume_fractions([(flakes(15.0), 0.10), (needles, 0.01)], SILICONE)
    box = Box((42e-6,) * 3, (False, True, True))
    hard = place_particles(recipe, box, np.random.default_rng(71), core=1.0, passes=600)
    assert free_core(hard) >= 1.0
    assert (hard.kinds == FLAKE).sum() > 50
    assert len(hard) > 500
