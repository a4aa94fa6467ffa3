"""Compiled loops, arrays in and out: where numba keeps what it compiled.

Importing this package names numba's cache folder, before any kernel exists, after a hash
of all kernel sources: a cached kernel does not notice that a helper in another file has
changed, a new folder does. Runs with bounds checking or without the JIT get folders of
their own. `NUMBA_CACHE_DIR` names another parent folder. It also teaches the allocator to
keep the memory that kernels work in.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path

import numba
import numpy as np

__all__ = ["cache_folder", "compiled"]


def _sources_hash() -> str:
    """Hash of every kernel source, with names, so that any edit gives another folder."""
    digest = hashlib.sha256()
    root = Path(__file__).parent
    for path in sorted(root.rglob("*.py")):
        digest.update(path.relative_to(root).as_posix().encode())
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def _folder_name() -> str:
    """Name of the folder: source hash and the modes that change the compiled code."""
    name = f"kernels-{_sources_hash()}"
    if numba.config.BOUNDSCHECK:  # type: ignore[attr-defined]
        name += "-bounds"
    if numba.config.DISABLE_JIT:  # type: ignore[attr-defined]
        name += "-nojit"
    return name


def _parents() -> list[Path]:
    """Folders to try, the user's own first."""
    parents = []
    if os.environ.get("NUMBA_CACHE_DIR"):
        parents.append(Path(os.environ["NUMBA_CACHE_DIR"]))
    if os.name == "nt":
        local = os.environ.get("LOCALAPPDATA")
        cache = Path(local) if local else Path("~/AppData/Local")
    elif os.uname().sysname == "Darwin":
        cache = Path("~/Library/Caches")
    else:
        cache = Path(os.environ.get("XDG_CACHE_HOME") or "~/.cache")
    parents.append(cache / "percsim")
    # Shared temporary folders: cached code is run, so the name carries the user and the
    # folder must turn out to be the user's.
    user = os.getuid() if hasattr(os, "getuid") else "user"
    parents.append(Path(tempfile.gettempdir()) / f"percsim-{user}")
    return parents


def _usable(folder: Path) -> bool:
    """Whether the folder is ours and files can be made in it."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if hasattr(os, "getuid") and folder.stat().st_uid != os.getuid():
        return False
    with tempfile.TemporaryFile(dir=folder):
        return True


def _choose() -> Path | None:
    """First usable folder, else a fresh temporary one, else none."""
    try:
        name = _folder_name()
        candidates = [parent.expanduser() / name for parent in _parents()]
    except (OSError, RuntimeError):  # sources not readable as files, or no home folder
        name, candidates = "kernels", []
    for folder in candidates:
        try:
            if _usable(folder):
                return folder
        except OSError:
            continue
    try:
        return Path(tempfile.mkdtemp(prefix="percsim-")) / name
    except OSError:
        return None


cache_folder: Path | None = _choose()
"""Where compiled kernels are kept; None leaves the choice to numba."""


def compiled(kernel: str) -> bool:
    """Whether a kernel, as "pairs.pairs_within", has been kept compiled, or cannot be."""
    return cache_folder is None or any(cache_folder.rglob(f"{kernel}-*.nbi"))


if cache_folder is not None:
    numba.config.CACHE_DIR = str(cache_folder)  # type: ignore[attr-defined]

# glibc returns freed memory above a limit of twice the largest block freed so far, and each
# page fetched anew costs as much as filling it several times: a tenth of a solve of 1e5
# nodes. A block as large as it learns from (32 MB, mallopt(3)), never touched, raises the
# limit to 64 MB; other allocators take no notice.
np.empty(2**25 - 2**16, dtype=np.uint8)
