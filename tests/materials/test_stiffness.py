"""Moduli against published values; the sheet of worked values is named beside each."""

import math

import numpy as np
import pytest

from percsim.materials.elastomer import Curve, Elastomer, load_material
from percsim.materials.filler import Filler, Orientation
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.materials.stiffness import (
    Modulus,
    elastomer_modulus,
    filled_modulus,
    guth,
    guth_gold,
    halpin_tsai,
    mori_tanaka,
    nearly_incompressible,
    random_platelets,
    random_rods,
    shape_factor,
    shear_modulus,
    stiffenings,
)

SILICONE = Elastomer(1030.0, 7.0)


def flakes(aspect_ratio=15.0, mode="isotropic"):
    return Filler(
        "flake", 2250.0, SizeDistribution(10e-6, 0.4), None, aspect_ratio, Orientation(mode)
    )


def at_volume(filler, phi):
    return Recipe(((filler, 0.1),), SILICONE).at_volume_fraction(phi)


@pytest.mark.parametrize(
    ("ratio", "modulus"),
    [(5, 4.0), (7, 2.86), (10, 2.0), (16, 1.25), (25, 0.80), (33, 0.61)],
)
def test_modulus_of_the_mix_ratio(ratio, modulus):
    # 20 MPa / ratio: Wang, Volinsky & Gallant 2014, doi 10.1002/app.41050
    known = elastomer_modulus(ratio)
    assert known.value / 1e6 == pytest.approx(modulus, abs=0.006)
    assert known.notes == ()
    assert known.factor == 2.0  # laboratories: Varner & Cohen 2024
    assert known.high / known.value == known.value / known.low == known.factor


def test_the_fit_meets_the_ends_of_the_measurements_within_ten_per_cent():
    # 3.7 MPa at 5:1, 0.57 MPa at 33:1, same paper
    curve = load_material("addition-cure silicone").curves["modulus_of_mix_ratio"]
    assert dict(zip(curve.arguments, curve.values, strict=True)) == {5: 3.7e6, 33: 0.57e6}
    for ratio, value in zip(curve.arguments, curve.values, strict=True):
        assert elastomer_modulus(ratio).value == pytest.approx(value, rel=0.10)
        assert elastomer_modulus(ratio).value != pytest.approx(value, rel=0.05)


@pytest.mark.parametrize(
    ("celsius", "modulus"), [(25, 1.32), (100, 2.05), (125, 2.46), (150, 2.59), (200, 2.97)]
)
def test_modulus_of_the_cure(celsius, modulus):
    # Johnston et al. 2014, doi 10.1088/0960-1317/24/3/035017, 10:1 in tension
    known = elastomer_modulus(10.0, celsius + 273.15)
    assert known.value == pytest.approx(modulus * 1e6, rel=1e-12)
    assert elastomer_modulus(20.0, celsius + 273.15).value == pytest.approx(
        known.value / 2, rel=1e-12
    )


def test_cure_between_and_beyond_the_measurements():
    # half way from 25 to 100 C by hand
    assert elastomer_modulus(10.0, 62.5 + 273.15).value == pytest.approx(1.685e6)
    beyond = elastomer_modulus(10.0, 230.0 + 273.15)
    assert beyond.value == pytest.approx(2.97e6)
    assert beyond.notes == (
        "cure at 230 C lies outside the tested 25 to 200 C; the nearest value is used",
    )
    other = elastomer_modulus(10.0, 373.15, "unreinforced silicone")
    assert other.value == load_material("unreinforced silicone")["modulus"].value
    assert "no data on the cure temperature" in other.notes[0]


def test_outside_the_tested_ratios_is_flagged_and_wider():
    soft = elastomer_modulus(40.0)
    (note,) = soft.notes
    assert "outside the tested 5:1 to 33:1" in note
    assert soft.factor == 4.0
    hard = elastomer_modulus(4.0)
    assert hard.value == pytest.approx(5e6)
    assert any("even the sign of the trend is uncertain" in n for n in hard.notes)


def test_a_stated_modulus_is_known_better_when_it_was_measured():
    measured = Modulus.stated(1.3e6, "measured", "own strip")
    assert measured.value == 1.3e6
    assert measured.factor < Modulus.stated(1.3e6).factor
    assert measured.as_dict()["source"] == "own strip"
    # 95 % of a log-normal lie within 1.96 deviations
    assert math.exp(1.959964 * measured.log_std) == pytest.approx(measured.factor)


def test_shear_modulus_and_poisson_ratio():
    # G = E/3 when incompressible; nu > 0.495 typical (Soft Matter 2025, D5SM00535C)
    assert shear_modulus(3.0, 0.5) == pytest.approx(1.0)
    nu = nearly_incompressible(2e6, 1.5e9)
    assert 0.495 < nu < 0.5
    # exact: nu = (3K - E)/(6K)
    assert nu == pytest.approx((3 * 1.5e9 - 2e6) / (6 * 1.5e9), rel=1e-15)
    for bad in ((0.0, 1e9), (4e9, 1e9)):
        with pytest.raises(ValueError, match="positive and E at most 3 K"):
            nearly_incompressible(*bad)


@pytest.mark.parametrize(
    ("phi", "spheres", "interacting"),
    [(0.05, 1.160, 1.1316), (0.10, 1.391, 1.2778), (0.20, 2.064, 1.625),
     (0.30, 3.019, 2.0714)],
)  # fmt: skip
def test_tables_of_guth_gold_and_mori_tanaka(phi, spheres, interacting):
    # Guth & Gold 1938; Mori & Tanaka 1973, Benveniste 1987, rigid spheres, incompressible
    assert guth_gold(phi) == pytest.approx(spheres, abs=6e-4)
    assert mori_tanaka(phi) == pytest.approx(interacting, abs=6e-5)


def test_guth_with_a_shape_factor():
    # Guth 1945, f = 10 at 13.19 vol%
    assert guth(0.1319, 10.0) == pytest.approx(4.702, abs=6e-4)
    # the two measurements the default shape factor comes from
    assert guth(0.132, 7.4) == pytest.approx(3.2, rel=0.02)  # Kujawski et al. 2010
    assert guth(0.102, 6.0) == pytest.approx(2.0, rel=0.02)  # Raza et al. 2011


def test_mori_tanaka_limits():
    # soft limit of rigid spheres, a void, equal phases, and the compressible beta by hand
    assert mori_tanaka(0.2, 1e9) == pytest.approx(mori_tanaka(0.2), rel=1e-6)
    assert mori_tanaka(0.2, 1.0) == 1.0
    assert mori_tanaka(0.0) == 1.0
    # voids, incompressible: 1 - phi/(1 - 0.4 (1 - phi))
    assert mori_tanaka(0.1, 0.0) == pytest.approx(1 - 0.1 / (1 - 0.4 * 0.9))
    # K = 2 G (nu = 0.2857): beta = 6 (2 + 2)/(5 (6 + 4)) = 0.48
    assert mori_tanaka(0.1, math.inf, 2.0) == pytest.approx(1 + 0.1 / (0.9 * 0.48))


def test_halpin_tsai_limits():
    # zeta to inf: rule of mixtures; zeta = 0: inverse rule (Halpin & Kardos 1976)
    assert halpin_tsai(0.3, 1e12, 50.0) == pytest.approx(0.7 + 0.3 * 50.0)
    assert halpin_tsai(0.3, 0.0, 50.0) == pytest.approx(1 / (0.7 + 0.3 / 50.0))
    assert halpin_tsai(0.1, 2.0) == pytest.approx(1.2 / 0.9)
    assert halpin_tsai(0.2, 30.0, 1e9) == pytest.approx(halpin_tsai(0.2, 30.0), rel=1e-6)
    assert random_platelets(3.0, 3.0) == pytest.approx(3.0)
    assert random_rods(2.0, 1.0) == pytest.approx(1.2)
    assert random_rods(2.0, 1.0, plane="film") == pytest.approx(1.375)


def test_a_film_is_as_stiff_as_published_graphite_in_silicone():
    # 25 wt% exfoliated graphite, 13.2 vol%: 3.2 x the elastomer (Kujawski et al. 2010)
    recipe = at_volume(flakes(100.0), 0.132)
    used = stiffenings(recipe)[0]
    assert used.model == "Guth, shape factor 6.7"
    assert used.valid
    assert used.factor == pytest.approx(3.2, rel=0.15)
    film = filled_modulus(elastomer_modulus(7.0), recipe)
    assert film.value == pytest.approx(used.factor * 20e6 / 7)
    # independent factors 2 and 1.5
    assert math.log(film.factor) == pytest.approx(np.hypot(math.log(2), math.log(1.5)))


def test_models_are_ranked_by_shape_and_flagged_beyond_their_limits():
    spheres = Recipe(
        ((Filler("sphere", 1900.0, SizeDistribution(5e-6, 0.2)), 0.2),), SILICONE
    )
    assert stiffenings(spheres)[0].model == "Guth and Gold, spheres"
    assert shape_factor(spheres) == 1.0
    crowded = at_volume(flakes(), 0.191)
    assert not stiffenings(crowded)[0].valid
    film = filled_modulus(elastomer_modulus(7.0), crowded)
    assert film.notes[-1].startswith("stiffening by the filler beyond its limit")
    assert math.log(film.factor) == pytest.approx(np.hypot(math.log(2), math.log(2)))
    by_model = {s.model: s for s in stiffenings(crowded)}
    flat = {s.model: s for s in stiffenings(at_volume(flakes(mode="in-plane"), 0.191))}
    name = "Halpin and Tsai, rigid particles as they lie"
    # 0.49 along + 0.51 across by hand, zeta 30 and 2
    along, across = (1 + 30 * 0.191) / 0.809, (1 + 2 * 0.191) / 0.809
    assert by_model[name].factor == pytest.approx(0.49 * along + 0.51 * across)
    assert flat[name].factor == pytest.approx(along)


def test_short_particles_never_stiffen_less_than_spheres():
    recipe = at_volume(flakes(1.5), 0.1)
    assert stiffenings(recipe)[0].factor == pytest.approx(guth_gold(0.1))


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: elastomer_modulus(0.0), "mix ratio must be positive"),
        (lambda: elastomer_modulus(10.0, None, "graphite flake"), "has no"),
        (lambda: guth_gold(1.0), "volume fraction must be 0 to below 1"),
        (lambda: guth(0.1, 0.5), "shape factor must be 1 or more"),
        (lambda: Modulus(0.0), "modulus must be positive"),
        (lambda: Modulus(1.0, 0.9), "factor of a modulus must be 1 or more"),
        (lambda: Curve("x", (1.0,), "1", (2.0,), "1", 0.1, "", ""), "two or more"),
        (lambda: Curve("x", (2.0, 1.0), "1", (2.0, 1.0), "1", 0.1, "", ""), "must rise"),
    ],
)
def test_bad_values_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
