"""A folder, the command that serves it, and a browser that a user could be sitting at."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from live.driver import BROWSER, Page, browser
from quick import run_quickly

from percsim.plan import Plan

PLAN = """
title = "Patch of a cargo-bicycle test frame (invented data)"
seed = 5170

# a milled flake
[filler]
density = "2250 kg/m3"
diameter = { median = "10 um", geometric_spread = 1.5 }
aspect_ratio = { value = 15, basis = "assumed" }

[elastomer]
density = "1030 kg/m3"
mix_ratio = "7:1"

[film]
thickness = "0.20 mm"
width = "6 mm"  # cut to strips
length = "16 mm"

[contacts]
g0 = "80 uS"
closed_at = "-40 C"

[strain]
window = "0 to 3000 microstrain"
points = 4

[explore]
weight_fraction = ["22 wt%", "26 wt%", "30 wt%", "34 wt%"]
electrode_gap = ["2 mm", "3 mm", "5 mm"]

[boxes]
count = 4
lengths = ["6 D", "8 D"]
variations = 3
threshold_count = 20

[tolerances]
castings = 300
aspect_ratio = "4 %"

[target]
series_resistor = "1.8 kohm"
resistance = "0.7 to 3 kohm"
smallest_gauge_factor = 10
largest_resistance_cv = "40 %"
"""

READINGS = """cup,weight_fraction (wt%),electrode_gap (mm),resistance (kohm),strain (microstrain),strained_resistance (kohm)
cup 1,30,2,1.21,3000,1.285
cup 1,30,2,1.32,3000,1.402
cup 1,30,2,1.12,3000,1.188
cup 1,30,3,1.82,3000,1.936
cup 1,30,3,1.74,3000,1.848
cup 1,30,3,1.93,3000,2.047
"""  # noqa: E501 - a line of a table


def make(folder: Path) -> None:
    folder.mkdir()
    file = folder / "asked.toml"
    file.write_text(PLAN)
    run_quickly(Plan.load(file), folder, workers=1)


@pytest.fixture(scope="session")
def finished(shared):
    """A finished run; whoever writes takes a copy."""
    return shared("explored", make)


class Server:
    """`percsim explore`, and the address that it prints first."""

    def __init__(self, *arguments: object) -> None:
        self.arguments = [str(a) for a in arguments]
        self.folder = Path(self.arguments[0])
        self.start()

    def start(self) -> None:
        """Start it, again after it was stopped."""
        self.process = subprocess.Popen(
            [sys.executable, "-m", "percsim", "explore", *self.arguments, "--no-browser"],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
            # what runs in the background ignores it, and so would all that it starts
            preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
        )  # fmt: skip
        assert self.process.stdout is not None
        self.url = self.process.stdout.readline().strip()
        assert self.url.startswith("http://127.0.0.1:"), self.end()
        self.port = int(self.url.split(":")[2].split("/")[0])
        self.token = self.url.partition("token=")[2]

    def end(self, by: int = signal.SIGTERM) -> str:
        """End it; what it told on standard error."""
        self.process.send_signal(by)
        return self.process.communicate(timeout=60)[1]


@pytest.fixture(scope="session")
def serve():
    """Serve folders until the session is over, or `Server.end`."""
    for library in ("bokeh", "tornado"):
        pytest.importorskip(library)
    made: list[Server] = []

    def start(*arguments: object) -> Server:
        made.append(Server(*arguments))
        return made[-1]

    yield start
    for server in made:
        if server.process.poll() is None:
            server.end()


@pytest.fixture(scope="session")
def home(serve, finished, tmp_path_factory):
    """One server for tests that leave its folder's results as they are."""
    folder = tmp_path_factory.mktemp("home") / "patch"
    return serve(shutil.copytree(finished, folder, symlinks=True))


@pytest.fixture
def own(serve, finished, tmp_path):
    """A server of a folder that the test may change."""
    server = serve(shutil.copytree(finished, tmp_path / "patch", symlinks=True))
    yield server
    if server.process.poll() is None:
        server.end()


@pytest.fixture(scope="session")
def driver():
    """One browser for all tests of a worker."""
    if isinstance(BROWSER, str):
        pytest.skip(BROWSER)
    with browser() as found:
        yield found


@pytest.fixture
def opened(driver, home):
    """The page as it opens, answered whole; at the end no fault is on its console."""
    for name in ("explored.toml", "explored.html", "readings.csv"):
        (home.folder / name).unlink(missing_ok=True)
    page = Page(driver, home)
    page.open()
    yield page
    page.close()


@pytest.fixture
def mine(driver, own):
    """The same of a folder that the test may change."""
    page = Page(driver, own)
    page.open()
    yield page
    page.close()
