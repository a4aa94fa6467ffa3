"""Settings of the whole suite."""

import signal

import pytest
from hypothesis import HealthCheck, settings

# the same examples on every machine and day, and no clock: what passes here passes there
settings.register_profile(
    "percsim",
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("percsim")


@pytest.fixture
def ctrl_c():
    """Ctrl-C as in a terminal; a process started in the background inherits it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
