"""Settings of the whole suite."""

import fcntl
import signal

import pytest
from hypothesis import HealthCheck, settings
from quick import no_pictures

# the same examples on every machine and day, and no clock: what passes here passes there
settings.register_profile(
    "percsim",
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("percsim")

ANY_PLAN = {
    "filler": {"density": "2250 kg/m3", "diameter": "10 um", "aspect_ratio": 12},
    "elastomer": {"density": "1030 kg/m3"},
    "film": {"thickness": "0.2 mm", "width": "6 mm", "length": "16 mm"},
    "explore": {"weight_fraction": ["40 wt%"], "electrode_gap": ["2 mm"]},
    "boxes": {"lengths": ["8 D", "10 D"]},
}


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes():
    """Compile the kernels on a machine that has none before each worker would."""
    from percsim.jobs import compile_kernels
    from percsim.kernels import compiled
    from percsim.plan import Plan

    if not compiled("growth.grow"):
        compile_kernels(Plan.from_dict(ANY_PLAN), alone=False)


@pytest.fixture
def ctrl_c():
    """Ctrl-C as in a terminal; a process started in the background inherits it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.fixture(scope="session")
def shared(request, tmp_path_factory):
    """Folders that are made once a session, by the first worker of xdist that asks.

    `shared(name, make)` gives the folder that `make(folder)` filled; whoever writes takes a
    copy.
    """
    root = tmp_path_factory.getbasetemp()
    if hasattr(request.config, "workerinput"):
        root = root.parent  # that of all workers

    def made(name, make):
        folder = root / f"shared-{name}"
        with open(root / f"{name}.lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not folder.exists():
                part = folder.with_suffix(".part")
                make(part)
                part.rename(folder)
        return folder

    return made


@pytest.fixture(name="no_pictures")
def _no_pictures():
    """`quick.no_pictures` for a whole test."""
    with no_pictures():
        yield
