"""README and command line tell the same story; README blocks are run as doctests."""

import pathlib
import re
import subprocess
import sys
import tomllib

import pytest

from benchmarks.faults import stale

ROOT = pathlib.Path(__file__).parent.parent
README = (ROOT / "README.md").read_text()


def percsim(*words):
    return subprocess.run(
        [sys.executable, "-m", "percsim", *words],
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def commands():
    listing = percsim("--help").split("Commands:")[1]
    return re.findall(r"^  (\w+) ", listing, flags=re.M)


def test_every_command_is_documented_and_has_an_example():
    found = commands()
    assert {"run", "new", "recipe", "check", "threshold", "report"} <= set(found)
    for command in found:
        assert f"`percsim {command}" in README
        assert f"percsim {command}" in percsim(command, "--help")


def test_every_command_in_the_readme_exists():
    named = set(re.findall(r"percsim (\w+) [\w./-]+\.toml|percsim (\w+) FOLDER", README))
    assert {a or b for a, b in named} <= set(commands())


def test_links_and_modules_named_in_the_readme_exist():
    for path in re.findall(r"\]\(([\w/.]+)\)", README):
        assert (ROOT / path).exists()
    for module in re.findall(r"python -m (benchmarks\.\w+)", README):
        assert (ROOT / (module.replace(".", "/") + ".py")).exists()


def test_deliberate_faults_fit_the_code():
    assert stale() == []


def test_nothing_is_left_to_fill_in():
    assert not re.findall(r"@[A-Z_]+@|TODO|FIXME", README)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_test_command_is_the_one_that_ci_runs(name):
    ci = (ROOT / ".ci" / "run").read_text()
    if name == "README.md":
        assert "pip install '.[test]' && pytest" in README
        assert "'.[test]' && pytest" in ci
    else:
        assert "pytest -m slow" in (ROOT / name).read_text()


def test_version_is_one():
    with open(ROOT / "pyproject.toml", "rb") as file:
        version = tomllib.load(file)["project"]["version"]
    assert f"### {version}" in README
    assert version in percsim("--version")
