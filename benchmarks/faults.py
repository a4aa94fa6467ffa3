"""Deliberate faults: how many of them the tests beside the code see.

Each row of `faults.toml` changes one line of a copy of the package; the tests that it names
must fail then. Rows whose line is no longer there, or whose tests fail without the fault,
are told and counted as not caught. `python -m benchmarks.faults [WORD]`: with a word only
the rows whose file has it; each takes as long as its tests. `--check` only tells rows that
no longer fit the code.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent


def passes(copy: Path, tests: str) -> bool:
    """Whether the tests pass on a copy."""
    told = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider",
         *tests.split()],
        cwd=copy, env={**os.environ, "PYTHONPATH": str(copy)}, capture_output=True,
        text=True, check=False,
    )  # fmt: skip
    if told.returncode > 1:  # below zero: a kernel that reads where it must not
        raise SystemExit(f"{tests}: pytest ended with {told.returncode}\n{told.stdout}")
    return told.returncode == 0


def faults(word: str = "") -> list[dict[str, str]]:
    """Rows whose file has a word in its name."""
    rows = tomllib.loads((HERE / "faults.toml").read_text())["fault"]
    return [row for row in rows if word in row["file"]]


def stale(root: Path = ROOT) -> list[str]:
    """Rows whose line is not there once, or whose tests are gone."""
    found = []
    for row in faults():
        file = root / "percsim" / row["file"]
        times = file.read_text().count(row["was"]) if file.is_file() else 0
        if times != 1:
            found.append(f"{row['file']}: {row['was']!r} is there {times} times")
        found += [
            f"{row['file']}: no tests {name}"
            for name in row["tests"].split()
            if not (root / name).exists()
        ]
    return found


def main(word: str = "") -> None:
    """Print each fault and whether it was caught."""
    if word == "--check":
        raise SystemExit("\n".join(stale()) or 0)
    rows = faults(word)
    caught, sound = 0, {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for name in ("percsim", "tests"):
            shutil.copytree(ROOT / name, copy / name)
        for name in ("pyproject.toml", "README.md"):
            shutil.copy(ROOT / name, copy / name)
        for row in rows:
            file, tests = copy / "percsim" / row["file"], row["tests"]
            text = file.read_text()
            told = "CAUGHT"
            if text.count(row["was"]) != 1:
                told = f"its line is there {text.count(row['was'])} times"
            elif tests not in sound and not sound.setdefault(tests, passes(copy, tests)):
                told = "tests fail without it"
            else:
                file.write_text(text.replace(row["was"], row["now"]))
                if passes(copy, tests):
                    told = "SURVIVED"
                file.write_text(text)
            caught += told == "CAUGHT"
            print(f"{told:9} {row['file']}: {row['was'].strip()} -> {row['now'].strip()}",
                  flush=True)  # fmt: skip
    print(f"{caught} of {len(rows)} caught, {100 * caught / len(rows):.0f} %")


if __name__ == "__main__":
    main(*sys.argv[1:2])
