import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from percsim.materials import Elastomer, Filler, Recipe, SizeDistribution

SILICONE = Elastomer(1030.0, mix_ratio=7.0, thermal_expansion=3.1e-4)
GRAPHITE = Filler(
    "flake", 2260.0, SizeDistribution(10e-6, 0.4), aspect_ratio=15.0, name="graphite",
    thermal_expansion=7.8e-6,
)  # fmt: skip
BLACK = Filler("sphere", 1800.0, SizeDistribution(0.2e-6), name="black")


@pytest.mark.parametrize(
    ("filler", "weight_percent", "volume_percent"),
    # w/rho over the sum, worked out with a pocket calculator at 1030 kg/m^3
    [
        (GRAPHITE, 5, 2.34),
        (GRAPHITE, 20, 10.23),
        (GRAPHITE, 50, 31.31),
        (BLACK, 10, 5.98),
        (BLACK, 20, 12.52),
    ],
)
def test_weight_to_volume_and_back(filler, weight_percent, volume_percent):
    recipe = Recipe(((filler, weight_percent / 100),), SILICONE)
    assert 100 * recipe.volume_fraction == pytest.approx(volume_percent, abs=0.005)
    back = Recipe.from_volume_fractions([(filler, recipe.volume_fraction)], SILICONE)
    assert back.weight_fraction == pytest.approx(weight_percent / 100, rel=1e-12)


def test_two_fillers_by_hand():
    # 100 g: 22.6 g graphite 10 cm^3, 9 g black 5 cm^3, 68.4 g silicone 66.4078 cm^3
    recipe = Recipe(((GRAPHITE, 0.226), (BLACK, 0.09)), SILICONE)
    total = 10 + 5 + 68.4 / 1.03
    assert recipe.volume_fractions == pytest.approx((10 / total, 5 / total), rel=1e-12)
    assert recipe.density == pytest.approx(0.1 / (total * 1e-6), rel=1e-12)
    alpha = (10 * 7.8e-6 + 5 * 0.0 + 68.4 / 1.03 * 3.1e-4) / total
    assert recipe.thermal_expansion == pytest.approx(alpha, rel=1e-12)


def test_expansion_of_ten_per_cent_graphite():
    # (1 - 0.1) 3.1e-4 + 0.1 x 7.8e-6 = 2.798e-4 /K
    recipe = Recipe.from_volume_fractions([(GRAPHITE, 0.1)], SILICONE)
    assert recipe.thermal_expansion == pytest.approx(2.798e-4, rel=1e-3)


def test_parts_per_hundred_by_hand():
    # 25 phr on base + agent: 25/125 = 20 wt%. On base alone at 7:1 the hundred is base and
    # 14.2857 of agent come on top: 25/139.2857 = 17.949 wt%.
    both = Recipe.from_phr([(GRAPHITE, 25.0)], SILICONE, agent_counts=True)
    base = Recipe.from_phr([(GRAPHITE, 25.0)], SILICONE, agent_counts=False)
    assert both.weight_fraction == pytest.approx(0.2, rel=1e-12)
    assert base.weight_fraction == pytest.approx(25 / (100 + 100 / 7 + 25), rel=1e-12)
    assert both.phr(agent_counts=True) == pytest.approx((25.0,))
    assert base.phr(agent_counts=False) == pytest.approx((25.0,))
    assert base.phr(agent_counts=True)[0] == pytest.approx(21.875)
    ratio = Recipe.from_mass_ratio([(GRAPHITE, 0.25)], SILICONE, agent_counts=True)
    assert ratio.weight_fraction == pytest.approx(0.2, rel=1e-12)


def test_grams_by_hand():
    # 40 g at 30 wt%, 7:1: 12 g filler, 28 g silicone = 24.5 g base + 3.5 g agent
    sheet = Recipe(((GRAPHITE, 0.3),), SILICONE).masses(0.040)
    assert sheet == pytest.approx({"graphite": 12.0, "base": 24.5, "curing agent": 3.5})


def test_names_on_the_sheet_stay_apart():
    nameless = Filler("sphere", 1800.0, SizeDistribution(1e-6))
    trap = Filler("sphere", 1800.0, SizeDistribution(1e-6), name="base")
    recipe = Recipe(((nameless, 0.1), (nameless, 0.1), (trap, 0.1)), SILICONE)
    assert recipe.filler_names == ("sphere", "sphere 2", "base 2")
    assert sum(recipe.masses(1.0).values()) == pytest.approx(1000.0)


fractions = st.floats(1e-4, 0.45)


@given(fractions, fractions, st.floats(0.05, 0.7))
def test_blends_scale_without_changing(first, second, target):
    recipe = Recipe(((GRAPHITE, first), (BLACK, second)), SILICONE)
    for scaled in (recipe.at_weight_fraction(target), recipe.at_volume_fraction(target)):
        blend = scaled.fillers[0][1] / scaled.fillers[1][1]
        assert blend == pytest.approx(first / second, rel=1e-9)
    assert recipe.at_weight_fraction(target).weight_fraction == pytest.approx(target)
    assert recipe.at_volume_fraction(target).volume_fraction == pytest.approx(target)


@pytest.mark.parametrize(
    ("fillers", "words"),
    [
        (((GRAPHITE, 1.0),), "0 to 1"),
        (((GRAPHITE, -0.1),), "0 or more"),
        (((GRAPHITE, math.nan),), "0 or more"),
        (((GRAPHITE, 0.6), (BLACK, 0.5)), "no elastomer"),
        ((("graphite", 0.5),), "pairs of a Filler"),
        ((GRAPHITE,), "pairs of a Filler"),
    ],
)
def test_impossible_recipes_are_refused(fillers, words):
    with pytest.raises(ValueError, match=words):
        Recipe(fillers, SILICONE)


def test_other_impossible_amounts_are_refused():
    with pytest.raises(ValueError, match="no elastomer"):
        Recipe.from_volume_fractions([(GRAPHITE, 0.6), (BLACK, 0.5)], SILICONE)
    with pytest.raises(ValueError, match="batch mass"):
        Recipe(((GRAPHITE, 0.3),), SILICONE).masses(0.0)
    with pytest.raises(ValueError, match="cannot be scaled"):
        Recipe((), SILICONE).at_weight_fraction(0.1)
    with pytest.raises(ValueError, match="elastomer must be"):
        Recipe(((GRAPHITE, 0.3),), "silicone")
