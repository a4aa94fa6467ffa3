"""Where compiled kernels are kept, and that they run without the JIT and with bounds."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import percsim.kernels

ROOT = Path(percsim.kernels.__file__).parents[2]
FOLDER = "import percsim.kernels as k, numba; print(k.cache_folder, numba.config.CACHE_DIR)"
SEARCH = """
import numpy as np
from percsim.links.search import find_links
from percsim.particles.bodies import Particles
from percsim.particles.box import Box
rng = np.random.default_rng(8713)
for d, kinds in ((3, (0, 1, 2)), (2, (1, 2))):
    kinds = rng.choice(kinds, 40).astype(np.int8)
    axes = rng.normal(size=(40, d))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    cores = np.where(kinds == 2, 0.0, rng.uniform(0.2, 0.9, 40))
    box = Box((3.0, 2.5, 2.5)[:d], (False, True, True)[:d])
    p = Particles(kinds, rng.uniform(0, 3, (40, d)), axes, cores, np.full(40, 0.05), box)
    links = find_links(p, 0.1)
    print(len(links), f"{links.gaps.sum():.9f} {abs(links.normals).sum():.9f}")
"""


def run(code, root=ROOT, **environment):
    kept = {k: v for k, v in os.environ.items() if not k.startswith("NUMBA_")}
    out = subprocess.run(
        [sys.executable, "-c", code],
        env={**kept, "PYTHONPATH": str(root), **environment},
        cwd=root,  # python -c looks there first
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return out.stdout.strip()


def test_folders_by_mode(tmp_path):
    here = {"XDG_CACHE_HOME": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path / "own")}
    plain, used = run(FOLDER, **here).split()
    assert used == plain
    assert Path(plain).parent == tmp_path / "own"
    assert Path(plain).is_dir()
    bounds = run(FOLDER, **here, NUMBA_BOUNDSCHECK="1").split()[0]
    no_jit = run(FOLDER, **here, NUMBA_DISABLE_JIT="1").split()[0]
    assert len({plain, bounds, no_jit}) == 3


def test_no_home_falls_back_to_a_temporary_folder(tmp_path):
    nowhere = {"HOME": "/proc/none", "XDG_CACHE_HOME": "/proc/none"}
    folder = run(FOLDER, **nowhere, TMPDIR=str(tmp_path)).split()[0]
    assert Path(folder).is_relative_to(tmp_path)


def test_any_change_of_a_kernel_source_gives_another_folder(tmp_path):
    package = tmp_path / "percsim"
    ignore = shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "percsim" / "kernels", package / "kernels", ignore=ignore)
    (package / "__init__.py").touch()
    here = {"NUMBA_CACHE_DIR": str(tmp_path / "cache"), "PYTHONDONTWRITEBYTECODE": "1"}
    before = run(FOLDER, tmp_path, **here)
    assert run(FOLDER, tmp_path, **here) == before
    with (package / "kernels" / "geometry.py").open("a") as source:
        source.write("# changed\n")
    assert run(FOLDER, tmp_path, **here) != before


def test_search_without_the_jit_gives_the_same():
    assert run(SEARCH, NUMBA_DISABLE_JIT="1") == run(SEARCH)


@pytest.mark.slow
def test_search_with_bounds_checked_gives_the_same():
    assert run(SEARCH, NUMBA_BOUNDSCHECK="1") == run(SEARCH)
