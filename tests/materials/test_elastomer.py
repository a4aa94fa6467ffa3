import pytest

from percsim.materials import Elastomer, load_material, material_names

UNITS = {"kg/m^3", "1/K", "m", "1", "S/m", "Pa", "S"}
BASES = {"published", "handbook", "derived", "from memory", "judgement"}


def test_the_usual_fillers_and_elastomers_are_there():
    fillers = set(material_names("filler"))
    assert fillers >= {
        "graphite flake", "graphite nanoplatelet", "carbon black", "carbon nanotube",
        "silver flake", "carbon fibre",
    }  # fmt: skip
    assert "addition-cure silicone" in material_names("elastomer")
    assert "toluene" in material_names("solvent")


@pytest.mark.parametrize("name", material_names())
def test_every_value_has_unit_range_and_source(name):
    material = load_material(name)
    assert material.kind in {"filler", "elastomer", "solvent", "other"}
    for key, value in material.properties.items():
        assert value.unit in UNITS, key
        assert value.low <= value.value <= value.high, key
        assert value.basis in BASES, key
        assert len(value.source) > 8, key
    for key, curve in material.curves.items():
        assert {curve.unit, curve.argument_unit} <= UNITS | {"K"}, key
        assert 0.0 < curve.relative_uncertainty < 1.0, key
        assert curve.basis == "published", key
        assert len(curve.source) > 8, key
    if material.kind == "filler":
        filler = material.filler()
        assert filler.density == material.density
        assert filler.mean_volume() > 0.0
    if material.kind == "elastomer":
        assert material.elastomer(mix_ratio=7.0).mix_ratio == 7.0


def test_mean_expansion_of_graphite_by_hand():
    # Kirby et al. 1972: -1.2e-6 twice and 25.9e-6 /K
    value = load_material("graphite flake")["thermal_expansion"].value
    assert value == pytest.approx((2 * -1.2e-6 + 25.9e-6) / 3, abs=0.05e-6)


def test_names_forgive_case_and_hyphens():
    assert load_material("Graphite_Flake") is load_material("graphite-flake")
    assert load_material("PDMS").name == "addition-cure silicone"


def test_an_unknown_name_gets_a_suggestion():
    with pytest.raises(ValueError, match='did you mean "graphite flake"'):
        load_material("grafite flak")
    with pytest.raises(ValueError, match="known are"):
        load_material("xyzzy")


def test_a_material_is_not_used_as_what_it_is_not():
    with pytest.raises(ValueError, match="is no elastomer"):
        load_material("graphite flake").elastomer()
    with pytest.raises(ValueError, match="is no filler"):
        load_material("addition-cure silicone").filler()
    with pytest.raises(ValueError, match="it has"):
        load_material("toluene")["size"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"density": 0.0}, "density"),
        ({"density": 1030.0, "mix_ratio": 0.0}, "mix ratio"),
        ({"density": 1030.0, "thermal_expansion": 310.0}, "expansion"),
        ({"density": 1030.0, "poisson_ratio": 0.6}, "Poisson"),
    ],
)
def test_impossible_elastomers_are_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        Elastomer(**arguments)
