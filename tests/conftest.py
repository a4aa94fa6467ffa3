"""Settings of the whole suite."""

import fcntl
import os
import signal
import subprocess
import sys
from pathlib import Path

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


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_setupnodes():
    """Compile what no machine of this kind has compiled yet, once, before workers start."""
    import percsim.kernels

    cache = percsim.kernels.cache_folder
    if cache is None or any(cache.rglob("*.nbi")):
        return
    root = str(Path(percsim.kernels.__file__).parents[2])
    path = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    here = os.environ | {"PYTHONPATH": path}
    script = Path(__file__).with_name("compiling.py")
    programs = [
        subprocess.Popen([sys.executable, script, what], env=here)
        for what in ("boxes", "thresholds")
    ]
    for program in programs:
        program.wait()


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
