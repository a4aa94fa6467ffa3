"""Every example imports, and one number of each is what it says."""

import importlib.util
import pathlib

import numpy as np
import pytest

FOLDER = pathlib.Path(__file__).parent.parent / "examples"


def load(name: str):
    spec = importlib.util.spec_from_file_location(f"example_{name}", FOLDER / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_example_is_tested():
    tested = {name for test in TESTED for name in test}
    assert {p.stem for p in FOLDER.glob("*.py")} == tested


def check_one_box(module):
    assert 0 < module.solution.resistance < np.inf
    power = (module.solution.currents**2 / module.network.conductances).sum()
    assert power == pytest.approx(1.0 / module.solution.resistance, rel=1e-6)


def check_strain_response(module):
    compressed, tension = module.STRAINS == -1e-3, module.STRAINS == 3e-3
    # pressed shut far below, R falls in compression and rises in tension
    assert module.pressed_cold[compressed] < -0.005
    assert module.pressed_cold[tension] > 0.02
    # pressed shut at 20 C, compression lowers nothing
    assert module.pressed_here[compressed] > -1e-3


def check_own_law(module):
    assert len(module.links) > 0
    # all sticks in one bundle of the shortest chains would conduct better
    assert module.resistance > (module.edge / module.length) / len(module.links)
    assert np.isfinite(module.resistance)


def check_placements(module):
    free, hard = (
        module.PLACEMENTS[name]
        for name in ("isotropic, 15 vol%", "hard, isotropic, 30 vol%")
    )
    # Boolean model: penetrable bodies cover 1 - exp(-eta); hard ones their own volume
    eta = free.volume_fraction
    assert module.covered(free) == pytest.approx(1.0 - np.exp(-eta), rel=0.08)
    assert module.covered(hard) == pytest.approx(hard.volume_fraction, rel=0.08)
    assert hard.volume_fraction > 0.28


TESTED = {
    ("01_one_box",): check_one_box,
    ("02_placements",): check_placements,
    ("03_strain_response",): check_strain_response,
    ("04_own_conduction_law",): check_own_law,
}


@pytest.mark.parametrize("names", TESTED, ids=lambda names: names[0])
def test_example(names):
    check = TESTED[names]
    check(load(names[0]))
