import os
from pathlib import Path

import pytest

import percsim


@pytest.fixture(autouse=True)
def _same_percsim_in_programs(monkeypatch):
    """Programs that a test starts import the percsim that is tested, installed or not."""
    here = str(Path(next(iter(percsim.__path__))).parent)
    monkeypatch.setenv(
        "PYTHONPATH", os.pathsep.join([here, *filter(None, [os.environ.get("PYTHONPATH")])])
    )
