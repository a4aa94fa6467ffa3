"""What data files say of a powder before a film of it is cast."""

import pytest

from percsim.materials import Powder, load_material, material_names

KEYS = ("threshold_ratio", "threshold_ratio_of_measured_shape", "g0")


@pytest.mark.parametrize("name", [*material_names("filler"), "other powder"])
def test_medians_lie_in_the_middle_of_their_ranges(name):
    material = load_material(name)
    for key in KEYS:
        if key in material.properties:
            value = material[key]
            middle = (value.low * value.high) ** 0.5
            assert value.value == pytest.approx(middle, rel=0.02), key
    assert "threshold_ratio" in material.properties


def test_graphite_of_unmeasured_shape_is_known_within_five():
    graphite = Powder.of([load_material("graphite flake")])
    assert graphite.ratio(shape_assumed=True).factor == pytest.approx(5.0)
    assert graphite.ratio(shape_assumed=False).factor == pytest.approx(1.3, rel=0.01)


def test_blacks_and_tubes_are_not_foreseeable_and_others_are():
    unforeseeable = {
        name for name in material_names("filler") if load_material(name).unforeseeable
    }
    assert unforeseeable == {"carbon black", "carbon nanotube"}


def test_a_mix_is_known_as_well_as_its_least_known_part():
    graphite, tubes = load_material("graphite flake"), load_material("carbon nanotube")
    mixed = Powder.of([graphite, tubes])
    assert mixed.threshold == tubes["threshold_ratio"]
    assert mixed.unforeseeable.startswith("carbon nanotube: ")
    # contacts between two materials are of neither
    assert mixed.g0 is None
    assert Powder.of([graphite, graphite]).g0 == graphite["g0"]
    # nothing is known of a powder without a file
    assert Powder.of([None]) == Powder.of()
    assert Powder.of([graphite, None]).g0 is None
