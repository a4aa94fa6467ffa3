import math

import numpy as np
import pytest
from scipy.integrate import dblquad, quad

from percsim.materials import Filler, Orientation, SizeDistribution
from percsim.materials.sizes import read_size_bins


def brute_moment(law, power):
    """Mean of D^power by quadrature of the cut log-normal density over ln D."""
    low, high = np.log(np.array(law.bounds) / law.median) / law.spread

    def density(x):
        return math.exp(-0.5 * x * x)

    def weighted(x):
        return (law.median * math.exp(law.spread * x)) ** power * density(x)

    return quad(weighted, low, high, epsrel=1e-12)[0] / quad(density, low, high)[0]


LAWS = [
    SizeDistribution(10e-6, 0.4),
    SizeDistribution(10e-6, 0.7, clip=2.0),
    SizeDistribution(10e-6, 0.4, lower=14e-6, upper=40e-6),
    SizeDistribution(3.0, 0.9, clip=5.0, upper=2.0),
]


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("power", [-2, 1, 2.5, 3])
def test_moments_agree_with_quadrature(law, power):
    assert law.moment(power) == pytest.approx(brute_moment(law, power), rel=1e-9)


@pytest.mark.parametrize("law", LAWS)
def test_quantile_inverts_the_cut_law(law):
    low, high = law.bounds
    size = low + 0.3 * (high - low)

    def density(d):
        return math.exp(-0.5 * (math.log(d / law.median) / law.spread) ** 2) / d

    share = quad(density, low, size, epsrel=1e-11)[0] / quad(density, low, high)[0]
    assert float(law.quantile(share)) == pytest.approx(size, rel=1e-7)
    assert law.quantile([0.0, 1.0]) == pytest.approx([low, high], rel=1e-12)


def test_volume_median_follows_hatch_and_choate():
    # Hatch and Choate 1929 (from memory): D_v = D_n exp(3 s^2), 1.616 at s = 0.4
    law = SizeDistribution(10e-6, 0.4, clip=8.0)
    assert law.volume_median == pytest.approx(10e-6 * math.exp(0.48), rel=1e-9)
    assert round(law.volume_median / law.median, 2) == 1.62


@pytest.mark.parametrize("weighting", ["volume", "number"])
def test_percentiles_come_back(weighting):
    law = SizeDistribution.from_percentiles(8e-6, 20e-6, 50e-6, weighting=weighting, clip=8)
    power = 3.0 if weighting == "volume" else 0.0
    back = law.quantile([0.1, 0.5, 0.9], power=power)
    assert back == pytest.approx([8e-6, 20e-6, 50e-6], rel=1e-6)


def test_histogram_by_volume_is_turned_into_numbers_by_hand():
    # Two bins of ratio 2, equal volume: mean D^3 over a bin in which ln D is uniform is
    # (b^3 - a^3) / (3 ln 2), 8 times larger in the second bin: numbers 8 : 1.
    law = SizeDistribution.from_histogram([1e-6, 2e-6, 4e-6], [50, 50], weighting="volume")
    assert law.shares == pytest.approx((8 / 9, 1 / 9), rel=1e-12)
    assert float(law.quantile(0.5, power=3)) == pytest.approx(2e-6, rel=1e-12)
    cube = (8 / 9 * 7e-18 + 1 / 9 * 56e-18) / (3 * math.log(2))
    assert law.moment(3) == pytest.approx(cube, rel=1e-12)
    # number median: (1/2) / (8/9) of the way through the first bin in ln D
    assert law.median == pytest.approx(1e-6 * 2 ** (9 / 16), rel=1e-12)


def test_histogram_draws_have_the_moments_said():
    law = SizeDistribution.from_histogram(
        [1e-6, 2e-6, 5e-6, 9e-6], [1, 0, 3], weighting="number"
    )
    n = 200_000
    sizes = law.quantile(np.random.default_rng(72113).random(n))
    assert not ((sizes > 2e-6) & (sizes < 5e-6)).any()
    error = math.sqrt((law.moment(6) - law.moment(3) ** 2) / n)
    assert abs((sizes**3).mean() - law.moment(3)) < 4 * error
    spread = np.log(sizes).std()
    assert spread == pytest.approx(law.spread, rel=0.01)


def test_sieving_a_histogram_keeps_the_part_between():
    law = SizeDistribution.from_histogram(
        [1.0, 2.0, 4.0, 8.0], [1, 1, 2], weighting="number"
    )
    cut = law.sieved(2.0, math.sqrt(32.0))  # half of the last bin in ln D
    assert cut.edges == pytest.approx((2.0, 4.0, math.sqrt(32.0)))
    assert cut.shares == pytest.approx((0.5, 0.5))
    assert SizeDistribution(2.0, 0.5).sieved(1.0, 3.0).bounds == (1.0, 3.0)


def test_csv_is_read_with_its_units(tmp_path):
    file = tmp_path / "powder.csv"
    file.write_text(
        "# invented\nlower_um,upper_um,share\n1,2,50\n2,4,50\n", encoding="utf-8"
    )
    law = SizeDistribution.from_histogram(*read_size_bins(file), weighting="volume")
    assert law.edges == pytest.approx((1e-6, 2e-6, 4e-6))
    assert law.shares == pytest.approx((8 / 9, 1 / 9))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no size bins"),
        ("lower_um,upper_um,share\n", "no size bins"),
        ("from,to,share\n1,2,3\n", "header must name"),
        ("lower_um,upper_um,share\n1,2,x\n", "line 2: share"),
        ("lower_um,upper_um,share\n1,2\n", "line 2: share"),
        ("lower_um,upper_um,share\n1,2,5\n\n3,4,5\n", "line 4: bins must touch"),
        ("lower_um,upper_um,share\n-1,2,5\n", "positive"),
        ("lower_um,upper_um,share\n1,2,nan\n", "0 or more"),
        ("lower_um,upper_um,share\n1,2,0\n", "not all 0"),
    ],
)
def test_bad_csv_says_where(tmp_path, text, words):
    file = tmp_path / "powder.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words):
        SizeDistribution.from_histogram(*read_size_bins(file), weighting="volume")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"median": 0.0}, "median size must be positive"),
        ({"median": -1.0}, "median size must be positive"),
        ({"median": math.nan}, "median size must be positive"),
        ({"median": 1.0, "spread": -0.1}, "0 or more"),
        ({"median": 1.0, "spread": math.nan}, "0 or more"),
        ({"median": 1.0, "spread": 40.0}, "standard deviation of ln D"),
        ({"median": 1.0, "spread": 0.4, "clip": 0.0}, "clip"),
        ({"median": 1.0, "spread": 0.4, "lower": 2.0, "upper": 1.0}, "sieve cuts"),
        ({"median": 1.0, "spread": 0.1, "lower": 5.0}, "leave none"),
        ({"median": 1.0, "edges": (1.0, 2.0), "shares": (0.5, 0.5)}, "one more edge"),
        ({"median": 1.0, "edges": (2.0, 1.0), "shares": (1.0,)}, "rising"),
    ],
)
def test_impossible_sizes_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        SizeDistribution(**arguments)


def test_unknown_weighting_and_percentiles_out_of_order_are_refused():
    with pytest.raises(ValueError, match="weighting"):
        SizeDistribution.from_percentiles(1.0, 2.0, 3.0, weighting="mass")
    with pytest.raises(ValueError, match="d10 < d50 < d90"):
        SizeDistribution.from_percentiles(3.0, 2.0, 1.0, weighting="volume")


# Volumes by solids of revolution, independent of the swept-body formula
def flake_volume(diameter, thickness):
    """Disc of revolution: rim radius r + sqrt(t^2 - z^2)."""
    t, r = thickness / 2, (diameter - thickness) / 2
    return quad(lambda z: math.pi * (r + math.sqrt(t * t - z * z)) ** 2, -t, t)[0]


def rod_volume(length, diameter):
    return math.pi * diameter**2 * length / 4 + math.pi * diameter**3 / 6


def test_mean_volumes_of_single_sizes():
    one = SizeDistribution(15e-6)
    flake = Filler("flake", 2250.0, one, aspect_ratio=15.0)
    assert flake.mean_volume() == pytest.approx(flake_volume(15e-6, 1e-6), rel=1e-9)
    same = Filler("flake", 2250.0, one, thickness=1e-6)
    assert same.mean_volume() == pytest.approx(flake.mean_volume(), rel=1e-12)
    rod = Filler("stick", 2000.0, one, aspect_ratio=10.0)
    assert rod.kind == "rod"
    assert rod.mean_volume() == pytest.approx(rod_volume(15e-6, 1.5e-6), rel=1e-12)
    area = 15e-6 * 1.5e-6 + math.pi * 1.5e-6**2 / 4
    assert rod.mean_volume(2) == pytest.approx(area, rel=1e-12)
    disc = Filler("disc", 1800.0, one)
    assert disc.mean_volume() == pytest.approx(math.pi / 6 * 15e-6**3, rel=1e-12)
    assert disc.mean_volume(2) == pytest.approx(math.pi / 4 * 15e-6**2, rel=1e-12)


@pytest.mark.parametrize("kind", ["flake", "rod"])
@pytest.mark.parametrize("fixed", [True, False])
def test_mean_volumes_of_spread_sizes_agree_with_quadrature(kind, fixed):
    size = SizeDistribution(10.0, 0.5, lower=4.0)
    aspect = SizeDistribution(15.0, 0.3)
    volume = flake_volume if kind == "flake" else rod_volume

    def weight(x):
        return math.exp(-0.5 * x * x)

    def ends(law):
        return [math.log(b / law.median) / law.spread for b in law.bounds]

    def d(x):
        return size.median * math.exp(size.spread * x)

    if fixed:
        filler = Filler(kind, 1000.0, size, thickness=0.7)
        top = quad(lambda x: weight(x) * volume(d(x), 0.7), *ends(size))[0]
        mean = top / quad(weight, *ends(size))[0]
    else:
        filler = Filler(kind, 1000.0, size, aspect_ratio=aspect)

        def integrand(y, x):
            a = aspect.median * math.exp(aspect.spread * y)
            return weight(x) * weight(y) * volume(d(x), d(x) / a)

        top = dblquad(integrand, *ends(size), *ends(aspect), epsrel=1e-7)[0]
        mean = top / (quad(weight, *ends(size))[0] * quad(weight, *ends(aspect))[0])
    assert filler.mean_volume() == pytest.approx(mean, rel=1e-6)


def test_largest_extent_counts_the_caps():
    size = SizeDistribution(10.0, 0.4)
    top = 10.0 * math.exp(1.2)
    assert Filler("flake", 1.0, size, aspect_ratio=10.0).largest == pytest.approx(top)
    assert Filler("rod", 1.0, size, aspect_ratio=10.0).largest == pytest.approx(1.1 * top)
    assert Filler("rod", 1.0, size, thickness=0.5).largest == pytest.approx(top + 0.5)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "cube"}, "flake, rod or sphere"),
        ({"density": -2250.0}, "density must be positive"),
        ({"aspect_ratio": None}, "thickness or an aspect ratio"),
        ({"thickness": 1e-6}, "thickness or an aspect ratio"),
        ({"aspect_ratio": 0.5}, "1 or more"),
        ({"aspect_ratio": math.inf}, "aspect ratio must be positive"),
        ({"aspect_ratio": None, "thickness": 5e-6}, "smaller than their thickness"),
        ({"kind": "sphere"}, "neither thickness nor aspect"),
        ({"thermal_expansion": 7.8}, "thermal expansion"),
        ({"size": 1e-5}, "SizeDistribution"),
    ],
)
def test_impossible_fillers_are_refused(change, words):
    arguments = {
        "kind": "flake",
        "density": 2250.0,
        "size": SizeDistribution(10e-6, 0.4),
        "aspect_ratio": 15.0,
    }
    with pytest.raises(ValueError, match=words):
        Filler(**{**arguments, **change})


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("random",), "isotropic, in-plane, aligned"),
        (("in-plane", -0.1), "rms tilt"),
        (("in-plane", 2.0), "rms tilt"),
        (("isotropic", 0.1), "no tilt"),
        (("in-plane", 0.0, 0.5), "belong to aligned"),
        (("aligned", 0.0, 1.5), "order parameter"),
        (("aligned", 0.1, 0.5), "not both"),
        (("aligned", 0.0, None, "up"), "director"),
    ],
)
def test_impossible_orientations_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        Orientation(*arguments)


def test_volume_beyond_the_clip_is_what_a_wider_one_would_add():
    law = SizeDistribution.from_percentiles(7e-6, 15e-6, 31e-6, weighting="volume")
    wide = SizeDistribution.from_percentiles(
        7e-6, 15e-6, 31e-6, weighting="volume", clip=8.0
    )
    end = law.bounds[1]
    # share of the whole powder, weighted by D^3, above where the clip ends it
    u = np.linspace(0.0, 1.0, 200_001)
    beyond = np.mean(wide.quantile(u, power=3.0) > end)
    assert law.volume_beyond_clip == pytest.approx(beyond, abs=2e-4)
    # d90 of the sheet is where the clip falls, by chance of this spread
    assert law.volume_beyond_clip == pytest.approx(0.104, abs=1e-3)
    assert law.sieved(1e-6, 25e-6).volume_beyond_clip == 0.0
    assert SizeDistribution(10e-6).volume_beyond_clip == 0.0
