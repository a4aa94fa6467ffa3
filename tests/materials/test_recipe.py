import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from percsim.materials import (
    Elastomer,
    Filler,
    Recipe,
    SizeDistribution,
    packing_limit,
    weigh_out,
)

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
    scaled = recipe.at_volume_fraction(target)
    blend = scaled.fillers[0][1] / scaled.fillers[1][1]
    assert blend == pytest.approx(first / second, rel=1e-9)
    assert scaled.volume_fraction == pytest.approx(target)


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
        Recipe((), SILICONE).at_volume_fraction(0.1)
    with pytest.raises(ValueError, match="elastomer must be"):
        Recipe(((GRAPHITE, 0.3),), "silicone")


# ---------------------------------------------------------------------------- weighing
def test_sheet_of_a_batch_by_hand():
    # 6 films of 0.2 x 6 x 16 mm = 19.2 mm^3 each at 30 wt%, 7:1, a tenth lost.
    # 100 g hold 30/2.26 + 70/1.03 = 13.2743 + 67.9612 = 81.2355 cm^3: 1.230989 g/cm^3.
    # 6 x 0.0192 cm^3 x 1.230989 = 0.141810 g wanted, / 0.9 = 0.157567 g mixed:
    # 0.047270 filler, 0.110297 silicone = 0.096510 base + 0.013787 agent
    recipe = Recipe(((GRAPHITE, 0.3),), SILICONE)
    sheet = weigh_out(recipe, volume=19.2e-9, films=6, loss=0.1, resolution=1e-6)
    assert 1e3 * sheet.wanted == pytest.approx(0.141810, abs=2e-6)
    assert 1e3 * sheet.total == pytest.approx(0.157567, abs=2e-6)
    by_hand = {"graphite": 0.047270, "base": 0.096510, "curing agent": 0.013787}
    assert sheet.grams == pytest.approx(by_hand, abs=2e-6)
    assert sheet.readings == pytest.approx(
        {"graphite": 0.047, "base": 0.097, "curing agent": 0.014}, rel=1e-9
    )
    assert sheet.weight_fraction_read == pytest.approx(47 / 158)
    assert sheet.mix_ratio_read == pytest.approx(97 / 14)
    assert any("curing agent: 0.0138 g is only 14 steps" in c for c in sheet.cautions)
    assert not any(c.startswith(("base", "graphite")) for c in sheet.cautions)


def test_uncertainty_of_the_fraction_by_hand():
    # 20 g at 30 wt%, steps of 0.01 g: u(m) = 0.01/sqrt(12) = 2.88675 mg;
    # u(w) = 2.88675e-3/20 sqrt(0.7^2 + 2 x 0.3^2) = 1.443376e-4 x 0.818535 = 1.18145e-4
    sheet = weigh_out(Recipe(((GRAPHITE, 0.3),), SILICONE), mass=0.02, loss=0.0)
    assert sheet.weight_fraction_uncertainty == pytest.approx(1.18145e-4, rel=1e-5)
    # 12.25 : 1.75 g: relative 2.88675e-3 x hypot(1/12.25, 1/1.75) = 1.66632e-3, times 7
    assert sheet.mix_ratio_uncertainty == pytest.approx(7 * 1.66632e-3, rel=1e-5)


def test_uncertainties_against_drawn_rounding_errors():
    # JCGM 101: propagate the rectangular distributions by drawing them
    rng = np.random.default_rng(408_211)
    n, step = 200_000, 0.01
    recipe = Recipe(((GRAPHITE, 0.2), (BLACK, 0.05)), SILICONE)
    sheet = weigh_out(recipe, mass=0.004, resolution=step * 1e-3)
    m = {k: g + step * (rng.random(n) - 0.5) for k, g in sheet.grams.items()}
    total = sum(m.values())
    w = (m["graphite"] + m["black"]) / total
    filled = m["graphite"] / 2260 + m["black"] / 1800
    phi = filled / (filled + (m["base"] + m["curing agent"]) / 1030)
    ratio = m["base"] / m["curing agent"]
    tolerance = 4 / math.sqrt(2 * n) + 2e-4
    assert sheet.weight_fraction_uncertainty == pytest.approx(w.std(), rel=tolerance)
    assert sheet.volume_fraction_uncertainty == pytest.approx(phi.std(), rel=tolerance)
    assert sheet.mix_ratio_uncertainty == pytest.approx(ratio.std(), rel=tolerance)


def test_masses_on_the_balance_round_half_up():
    # 30 g at 34 wt%: 10.2 g of filler, 19.8 g of rubber, 17.325 + 2.475 g at 7:1. As
    # doubles both halves lie a little to one side of the half
    sheet = weigh_out(Recipe(((GRAPHITE, 0.34),), SILICONE), mass=0.03, loss=0.0)
    assert sheet.readings == {"graphite": 10.2, "base": 17.33, "curing agent": 2.48}
    assert sheet.mix_ratio_read == pytest.approx(1733 / 248)
    # 0.5 g of 0.02 g steps is 25 of them; 17.325 g is 866.25, 2.475 g 123.75
    coarse = weigh_out(
        Recipe(((GRAPHITE, 0.34),), SILICONE), mass=0.03, loss=0.0, resolution=2e-5
    )
    assert coarse.readings == {"graphite": 10.2, "base": 17.32, "curing agent": 2.48}
    # an even half too: 0.125 g is 12.5 steps, which rounding to even would make 12
    solved = weigh_out(
        Recipe(((GRAPHITE, 0.3),), SILICONE),
        mass=0.01,
        loss=0.0,
        solvent="toluene",
        solvent_ratio=0.0125,
    )
    assert solved.readings["solvent"] == 0.13


def test_a_batch_too_small_for_the_balance_is_cautioned():
    # steps of 0.01 g, 30 wt%: relative 2.88675e-3/0.3 sqrt(0.67) / M = 7.8764e-3 g / M,
    # so 0.5 % need 1.575 g
    def sheet(grams, tolerance):
        return weigh_out(
            Recipe(((GRAPHITE, 0.3),), SILICONE),
            mass=1e-3 * grams,
            loss=0.0,
            tolerance=tolerance,
        )

    small = sheet(1.5, 0.005)
    assert small.relative_uncertainty == pytest.approx(7.8764e-3 / 1.5, rel=1e-4)
    (caution,) = [c for c in small.cautions if c.startswith("this batch is too small")]
    assert "mix 1.6 g or more" in caution
    for enough in (sheet(1.6, 0.005), sheet(1.5, 0.006), sheet(1.5, 0.0)):
        assert not any("this batch" in c for c in enough.cautions)
    bare = weigh_out(Recipe((), SILICONE), mass=0.001, tolerance=0.005)
    assert bare.relative_uncertainty == 0.0


def test_solvent_and_wet_thickness_by_hand():
    # 1.230989 g/cm^3 dry; one gram of toluene (0.867 g/cm^3) a gram of solids:
    # a cubic centimetre of film was 1 + 1.230989/0.867 = 2.419826 cm^3 of wet mix
    recipe = Recipe(((GRAPHITE, 0.3),), SILICONE)
    sheet = weigh_out(
        recipe,
        mass=0.01,
        loss=0.0,
        solvent="toluene",
        solvent_ratio=1.0,
        film_thickness=2e-4,
    )
    assert sheet.wet_over_dry == pytest.approx(2.419826, rel=1e-5)
    assert sheet.wet_thickness == pytest.approx(4.839652e-4, rel=1e-5)
    assert sheet.grams["solvent"] == pytest.approx(10.0)
    assert sheet.solvent_volume == pytest.approx(0.01 / 867)
    assert sheet.wet_solids == pytest.approx(recipe.volume_fraction / 2.419826, rel=1e-5)
    # 3, 6.125 and 0.875 g; the balance shows 3.00, 6.13 and 0.88
    assert sheet.weight_fraction_read == pytest.approx(3 / 10.01)
    assert any("vapour ignites" in c for c in sheet.cautions)


def test_packing_limits():
    def rod(aspect):
        return Filler("rod", 1.0, SizeDistribution(1.0), aspect_ratio=aspect)

    # Philipse 1996 (from memory): 5.4 +- 0.2 over the aspect ratio for thin rods
    assert packing_limit(rod(5000.0)) * 5000 == pytest.approx(5.4, abs=0.02)
    # Kitano, Kataoka and Shirota 1981, Rheol. Acta 20, 207 (from memory): fibres of
    # aspect ratio 6 to 27 jam at 0.54 - 0.0125 A; the estimate stays within a quarter
    for aspect in (8.0, 15.0, 25.0):
        assert packing_limit(rod(aspect)) == pytest.approx(0.54 - 0.0125 * aspect, rel=0.25)
    thin = Filler("flake", 1.0, SizeDistribution(1.0), aspect_ratio=1e4)
    # thin discs: V_ex = pi^2 R^3 (Onsager 1949), V = pi R^2 T: ratio pi A / 2
    assert packing_limit(thin) * 1e4 == pytest.approx(10.8 / (math.pi / 2), rel=1e-3)
    assert packing_limit(BLACK) == 0.64
    assert packing_limit(rod(0.1)) == 0.64


def test_a_mix_with_too_much_solids_is_flagged():
    def sheet(weight_percent, **options):
        return weigh_out(
            Recipe(((GRAPHITE, weight_percent / 100),), SILICONE), mass=0.02, **options
        )

    fine = sheet(34)
    assert fine.castable
    assert fine.cautions == ()
    # Maron & Pierce: phi/phi_m of half makes it four times as thick
    share = Recipe(((GRAPHITE, 0.34),), SILICONE).volume_fraction / packing_limit(GRAPHITE)
    assert fine.relative_viscosity == pytest.approx(1.0 / (1.0 - share) ** 2)
    assert 1.0 < fine.relative_viscosity < 10.0
    stiff = sheet(65)
    assert not stiff.castable
    assert any("jam near 37" in c for c in stiff.cautions)
    assert stiff.as_dict()["relative_viscosity"] == "inf"
    assert sheet(65, solvent="heptane", solvent_ratio=2.0).castable
    half = Recipe(((GRAPHITE, 0.2), (BLACK, 0.2)), SILICONE)
    mixed, (a, b) = weigh_out(half, mass=0.02), half.volume_fractions
    assert mixed.packing == pytest.approx(
        (a + b) / (a / packing_limit(GRAPHITE) + b / 0.64)
    )


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "one of the two"),
        ({"mass": 0.1, "volume": 1e-6}, "one of the two"),
        ({"mass": -0.1}, "must be positive"),
        ({"mass": 0.1, "films": 0}, "films"),
        ({"mass": 0.1, "loss": 1.0}, "loss"),
        ({"mass": 0.1, "resolution": 0.0}, "resolution"),
        ({"mass": 0.1, "tolerance": -0.1}, "tolerance"),
        ({"mass": 0.1, "solvent": "toluene"}, "solvent ratio"),
        ({"mass": 0.1, "solvent_ratio": 1.0}, "solvent ratio"),
        ({"mass": 0.1, "solvent": "tolune", "solvent_ratio": 1.0}, "did you mean"),
        ({"mass": 0.1, "solvent": "graphite", "solvent_ratio": 1.0}, "no solvent"),
        ({"mass": 0.1, "film_thickness": 0.0}, "thickness"),
    ],
)
def test_impossible_batches_are_refused(options, words):
    with pytest.raises(ValueError, match=words):
        weigh_out(Recipe(((GRAPHITE, 0.3),), SILICONE), **options)


def test_the_sheet_goes_into_json():
    sheet = weigh_out(Recipe(((GRAPHITE, 0.3),), SILICONE), mass=0.02)
    assert json.loads(json.dumps(sheet.as_dict()))["grams"]["graphite"] == pytest.approx(
        6.0 / 0.9
    )
