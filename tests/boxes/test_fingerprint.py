"""What a job depends on, as a text: the same for the same, another for all that counts."""

import subprocess
import sys
from dataclasses import fields, make_dataclass, replace

import numpy as np
import pytest

from percsim.boxes import fingerprint as module
from percsim.boxes.fingerprint import TAGS, Tagged, fingerprint
from percsim.boxes.growth import GrowthJob, GrowthPlan, plan_growth
from percsim.boxes.simulate import BoxJob, MemorySetting, Setting, run_job
from percsim.boxes.sources import RecipeParticles
from percsim.boxes.store import encode_json
from percsim.materials.elastomer import Elastomer
from percsim.materials.filler import Filler, Orientation
from percsim.materials.recipe import Recipe
from percsim.materials.sizes import SizeDistribution
from percsim.network.laws import ContactOpeningLaw
from percsim.particles.box import Box
from percsim.particles.placement import Clusters
from percsim.states.strain import Mounting, State
from percsim.states.temperature import Bond, ThermalOpening

FLAKE = Filler(
    "flake",
    2250.0,
    SizeDistribution(10e-6, 0.2),
    aspect_ratio=12.0,
    orientation=Orientation("aligned", 0.1),
    name="powder",
    thermal_expansion=1e-6,
)
ELASTOMER = Elastomer(1030.0)
MOUNTING, THERMAL = Mounting(), ThermalOpening(2e-4, 250.0, 0.5)
STATES = tuple(State.at(e, 293.15, MOUNTING, THERMAL) for e in (0.0, 2e-3))


def job(filler=FLAKE, elastomer=ELASTOMER, volume_fraction=0.2, **changes):
    recipe = Recipe.from_volume_fractions([(filler, volume_fraction)], elastomer)
    box = Box((40e-6,) * 3, (False, True, True))
    law = ContactOpeningLaw(1e-3, 60.0, 0.02, 0.0, 1e-3, 1e-5)
    whole = BoxJob(
        7, 3, recipe, box, law, STATES, mounting=MOUNTING, thermal=THERMAL
    )  # fmt: skip
    return replace(whole, **changes)


def inputs(key):
    return key.split("/")[-2]


OTHER = {
    "seed": 8,
    "recipe": Recipe.from_volume_fractions([(FLAKE, 0.21)], ELASTOMER),
    "box": Box((50e-6,) * 3, (False, True, True)),
    "law": ContactOpeningLaw(1e-3, 61.0, 0.02, 0.0, 1e-3, 1e-5),
    "states": STATES[:1],
    "cutoff": 1e-9,
    "core": 0.5,
    "clusters": Clusters(0.1, 30e-6, 0.3),
    "walls": "confining",
    "mounting": Mounting("free"),
    "thermal": ThermalOpening(2e-4, 251.0, 0.5),
    "variations": (Setting(50.0, 0.02, 0.5),),
    "probes": (State.in_plane(1e-3, 0.0),),
    "memories": (MemorySetting(-1, 0.5, 0.3),),
}


@pytest.mark.parametrize(
    "name", [f.name for f in fields(BoxJob) if f.name not in ("number", "label", "_key")]
)
def test_every_field_of_a_box_counts(name):
    """A field that is added fails here until it is known how it counts."""
    assert inputs(job(**{name: OTHER[name]}).key) != inputs(job().key)


def test_boxes_that_remember_nothing_keep_their_keys():
    """Of boxes as they were stored before there was a memory."""
    assert job().key == "box/0.3532182103610675/8382315a207e4b8f/3"


def test_what_holds_the_film_counts_and_a_free_film_is_what_it_was():
    def held(**changes):
        return job(thermal=replace(THERMAL, bond=replace(Bond(2e-5), **changes))).key

    others = {"part_expansion": 1e-5, "bonded_at": 300.0, "poisson_ratio": 0.4}
    assert set(others) == {f.name for f in fields(Bond)}
    keys = {job().key, held(), *(held(**{k: v}) for k, v in others.items())}
    assert len(keys) == 5


def test_number_and_label_stand_beside_the_inputs():
    assert job().key == f"box/{job().recipe.weight_fraction!r}/{inputs(job().key)}/3"
    assert inputs(job(number=4).key) == inputs(job().key)
    assert job(number=4).key != job().key
    assert job(label="thickness 0.1/").key == job().key


def test_what_counts_of_a_filler_moves_particles_and_the_rest_does_not():
    other = {
        "kind": "rod",
        "density": 2000.0,
        "size": SizeDistribution(11e-6, 0.2),
        "thickness": 1e-6,
        "aspect_ratio": 13.0,
        "orientation": Orientation("aligned", 0.2),
        "name": "another",
        "thermal_expansion": 5e-6,
    }
    reference, plain = text(job()), inputs(job().key)
    for field in fields(Filler):
        change = {field.name: other[field.name]}
        if field.name == "thickness":
            change["aspect_ratio"] = None
        changed = job(replace(FLAKE, **change))
        without = field.name in TAGS["Filler"].without_effect.split()
        assert (inputs(changed.key) == plain) == without, field.name
        assert (text(changed) == reference) == without, field.name
    softer = job(elastomer=Elastomer(1030.0, 5.0, 1e-4, 0.4, "softer"))
    assert inputs(softer.key) == plain
    assert text(softer) == reference


def text(job):
    """What is stored of a job, to the last bit."""
    return encode_json(run_job(job))


def growth(count=10, volume_fraction=0.2, **changes):
    filler = replace(FLAKE, **changes)
    recipe = Recipe.from_volume_fractions([(filler, volume_fraction)], ELASTOMER)
    plan = plan_growth(RecipeParticles(recipe), rng=np.random.default_rng(3))
    return GrowthJob("own", plan, 0, count)


def test_thresholds_depend_on_particles_and_count_not_on_the_loading():
    assert growth().key == growth(volume_fraction=0.1).key
    assert text(growth()) == text(growth(volume_fraction=0.1))
    assert growth().key != growth(count=9).key
    assert growth().key != growth(aspect_ratio=12.5).key


def test_same_in_every_process_and_to_the_last_bit():
    code = (
        "from percsim.boxes.fingerprint import fingerprint as f; import numpy as np\n"
        "print(f(0.1, (1, 'a', None, True), {'b': 2, 'a': np.arange(3.0)}, 2**60))"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.strip()
        for _ in range(2)
    }
    here = fingerprint(0.1, (1, "a", None, True), {"a": np.arange(3.0), "b": 2}, 2**60)
    assert told == {here}
    assert fingerprint(0.1) == fingerprint(np.float64(0.1))
    assert fingerprint(0.1) != fingerprint(np.nextafter(0.1, 1.0))
    assert fingerprint(2**60) != fingerprint(2**60 + 1)
    assert fingerprint("a", "b") != fingerprint("a|b")
    assert fingerprint(np.zeros(2)) != fingerprint(np.zeros((2, 1)))
    with pytest.raises(TypeError, match="no tags"):
        fingerprint(object())


def renamed(value, tags, **names):
    """The same value in a class of another name, fields of other names and order."""
    now = {names.get(f.name, f.name): getattr(value, f.name) for f in fields(value)}
    kind = make_dataclass("Renamed", list(reversed(now)), frozen=True)
    counted = " ".join(f"{names.get(n, n)}={n}" for n in tags.counted.split())
    without = " ".join(names.get(n, n) for n in tags.without_effect.split())
    neutral = {names.get(n, n): value for n, value in tags.neutral.items()}
    return kind(**now), Tagged(tags.tag, counted, without, neutral)


def test_keys_outlive_the_names_of_types_and_fields(monkeypatch):
    """What is stored today is found by whatever the code is called tomorrow."""
    monkeypatch.setattr(module, "PHYSICS_VERSION", 1)
    # inputs without rounding, so that every processor has the same
    recipe = Recipe(((FLAKE, 0.34),), ELASTOMER)
    states = (State(), State(2e-3, gradient=((2e-3, 0, 0), (0, -1e-3, 0), (0, 0, -1e-3))))
    plain = job(recipe=recipe, states=states, variations=(Setting(50.0, 0.02, 0.5),))
    source = RecipeParticles(recipe)
    grown = GrowthPlan(source, (1e-4,) * 3, (True,) * 3, (9, 9, 9), 750, 40_000, 7, (1, 2))
    assert plain.key == "box/0.34/bc6dec1c2a95a4ba/3"
    assert GrowthJob("own", grown, 10, 5).key == "threshold/own/8e26156861eb64b0/10"
    for value in (plain, plain.box, plain.states[1], FLAKE, MOUNTING, plain.law, THERMAL):
        name = type(value).__name__
        other, tags = renamed(value, TAGS[name], axis="along", seed="start", mode="how")
        with monkeypatch.context() as patch:
            patch.setitem(TAGS, "Renamed", tags)
            assert fingerprint(other) == fingerprint(value), name
            assert fingerprint((other, 1)) == fingerprint((value, 1)), name


def test_a_field_without_a_tag_is_an_error_and_a_neutral_one_leaves_keys(monkeypatch):
    def grown(twist):
        kind = make_dataclass("Grown", ["size", "periodic", "axis", "twist"])
        return kind(job().box.size, job().box.periodic, 0, twist)

    monkeypatch.setitem(TAGS, "Grown", TAGS["Box"])
    with pytest.raises(TypeError, match=r"Grown\.twist has no tag"):
        fingerprint(grown(0.0))
    counted = f"{TAGS['Box'].counted} twist"
    monkeypatch.setitem(TAGS, "Grown", Tagged("box", counted, neutral={"twist": 0.0}))
    assert fingerprint(grown(0.0)) == fingerprint(job().box)
    assert fingerprint(grown(0.1)) != fingerprint(job().box)
    monkeypatch.setitem(TAGS, "Grown", Tagged("box", TAGS["Box"].counted, "twist"))
    assert fingerprint(grown(0.1)) == fingerprint(job().box)


def test_another_physics_makes_other_keys(monkeypatch):
    before = job().key, growth().key
    monkeypatch.setattr(module, "PHYSICS_VERSION", module.PHYSICS_VERSION + 1)
    for old, new in zip(before, (job().key, growth().key), strict=True):
        assert inputs(old) != inputs(new)
