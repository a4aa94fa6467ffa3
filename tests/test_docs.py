"""README, texts and command line tell the same story; README blocks run as doctests."""

import pathlib
import re
import subprocess
import sys
import tomllib

import pytest

from benchmarks.faults import stale
from percsim.plan.sections import MODELS

ROOT = pathlib.Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
TEXTS = sorted((ROOT / "percsim" / "texts").glob("*.md"))
DOCUMENTS = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *TEXTS]


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


def test_the_readme_is_short_and_points_to_every_text():
    assert len(README.encode()) <= 7000
    for text in TEXTS:
        assert f"[{text.stem}](percsim/texts/{text.name})" in README


@pytest.mark.slow
def test_the_readme_prints_what_its_commands_print(tmp_path):
    blocks = re.findall(r"```text\n(.*?)```", README, flags=re.S)
    typed = re.findall(
        r"^percsim ((?:run|anchor) .*) --out out/bike_patch$", README, flags=re.M
    )
    assert len(blocks) == len(typed) == 2
    for words, block in zip(typed, blocks, strict=True):
        told = percsim(*words.split(), "--out", str(tmp_path / "out"))
        told = told.replace(str(tmp_path / "out"), "out/bike_patch")
        assert told.startswith(block.removesuffix("[...]\n"))


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.stem)
def test_what_a_document_names_exists(document):
    text = document.read_text(encoding="utf-8")
    for path in re.findall(r"\]\(([\w/.]+)\)", text):
        assert (ROOT / path).exists()
    modules = re.findall(r"python\s-m\sbenchmarks\.(\w+)", text)
    for module in modules:
        assert (ROOT / "benchmarks" / f"{module}.py").exists()
    named = set(re.findall(r"percsim (\w+) [\w./-]+\.toml|`percsim (\w+)", text))
    assert {a or b for a, b in named} <= set(commands())
    for section, key in re.findall(r"`\[(\w+)\](?: (\w+))?`", text):
        assert section in MODELS or section == "curves"  # of a material
        assert not key or key in MODELS[section].keys()


@pytest.mark.parametrize("text", TEXTS, ids=lambda path: path.stem)
def test_a_text_fits_a_terminal_where_it_is_no_table(text):
    for line in text.read_text(encoding="utf-8").splitlines():
        assert len(line) <= 95 or line.startswith("|")


def test_deliberate_faults_fit_the_code():
    assert stale() == []


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.stem)
def test_nothing_is_left_to_fill_in(document):
    text = document.read_text(encoding="utf-8")
    assert not re.findall(r"@[A-Z_]+@|TODO|FIXME", text)


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_test_command_is_the_one_that_ci_runs(name):
    ci = (ROOT / ".ci" / "run").read_text()
    if name == "README.md":
        (command,) = re.findall(r"^pip install ('.*' && pytest)$", README, flags=re.M)
        assert command in ci
    else:
        assert "pytest -m slow" in (ROOT / name).read_text()


def test_version_is_one():
    with open(ROOT / "pyproject.toml", "rb") as file:
        version = tomllib.load(file)["project"]["version"]
    changes = ROOT / "percsim" / "texts" / "changes.md"
    assert f"## {version}" in changes.read_text(encoding="utf-8")
    assert version in percsim("--version")
