"""Stage 6. A results folder: who may write in it, and what a reader sees of it.

The results of a plan are written into a folder of their own inside it. The names that a
reader opens are links that all go through one pointer, and the pointer is switched once,
when everything is there. Where links cannot be made the files are put in their places one
by one, and the manifest beside them says "being written" until the last one is. Its
checksums also tell what percsim wrote from what is somebody's own, which is never touched.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from percsim import __version__
from percsim.errors import FolderError

if sys.platform == "win32":
    import msvcrt

    def _claim(handle: int) -> None:
        os.lseek(handle, 1024, os.SEEK_SET)  # past the number that others read
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _claim(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


__all__ = [
    "MANIFEST",
    "FolderLock",
    "checksum",
    "links_work",
    "new_results",
    "reason",
    "refuse_others",
    "refuse_torn",
    "remove_results",
    "results_folder",
    "show",
    "sweep",
    "torn",
    "write_atomically",
]

MANIFEST = "manifest.json"
"""Name of the file that says whether the results are whole, and their checksums."""

_SHOWN = (
    "plan.toml", "summary.json", "report.html", "candidates.csv", "castings.csv",
    "boxes.csv", "responses.csv", "cups.csv", "figures", MANIFEST,
)  # fmt: skip
_RESULTS = "percsim-results"
_POINTER = "whole"
_LOCK = ".results.lock"
_WHOLE, _BEING_WRITTEN = "whole", "being written"


def results_folder(path: str | os.PathLike[str]) -> Path:
    """Path of a results folder; an empty one would be the folder one stands in.

    Raises
    ------
    FolderError
        If it is empty.

    """
    if not os.fspath(path).strip():
        raise FolderError("the name of the results folder is empty; write . for this one")
    return Path(path)


# --- writing


def reason(error: OSError) -> str:
    """Say in a few words why the system refused."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return "no space left"
    return (error.strerror or str(error)).lower()


def _sync_folder(folder: Path) -> None:
    # Makes a rename last through a power cut; not every file system allows it.
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_atomically(path: str | os.PathLike[str], data: bytes | str) -> Path:
    """Write a file beside its place and rename it, so that it is whole or absent.

    Parameters
    ----------
    path : path-like
        Where it shall be; its folder is made if missing.
    data : bytes or str
        Content; text is written as UTF-8.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    FolderError
        If it cannot be written; what was there before is still there.

    """
    path = Path(path)
    raw = data.encode() if isinstance(data, str) else data
    beside = _beside(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with open(beside, "wb") as file:
            file.write(raw)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, path)
    except BaseException as error:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise FolderError(f"cannot write {path}: {reason(error)}") from error
        raise
    _sync_folder(path.parent)
    return path


def _beside(path: Path) -> Path:
    return path.with_name(f".{path.name}.{os.getpid()}.part")


class FolderLock:
    """Exclusive claim on a folder, dropped by the system however the process ends.

    Parameters
    ----------
    folder : Path
        Made if missing.
    name : str
        File that it is claimed by.

    Raises
    ------
    FolderError
        If another process holds it, or it cannot be written in.

    """

    def __init__(self, folder: Path, name: str = _LOCK) -> None:
        self._path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._claim(folder)
        except OSError as error:
            raise FolderError(f"cannot write in {folder}: {reason(error)}") from error

    def __enter__(self) -> FolderLock:
        return self

    def __exit__(self, *_: object) -> None:
        self.release()

    def _claim(self, folder: Path) -> None:
        while True:
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o666)
            try:
                _claim(handle)
            except OSError as error:
                os.lseek(handle, 0, os.SEEK_SET)
                owner = os.read(handle, 32).decode(errors="replace").strip()
                os.close(handle)
                if error.errno not in (errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK):
                    raise
                raise FolderError(
                    f"{folder} is in use by process {owner or '(unknown)'}; wait for it to "
                    "end, or choose another folder"
                ) from None
            # Who held it before may have removed the file between our open and our lock.
            with contextlib.suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(handle), os.stat(self._path)):
                    break
            os.close(handle)
        self._handle = handle
        with contextlib.suppress(OSError):  # a courtesy; the lock is what counts
            os.ftruncate(handle, 0)
            os.lseek(handle, 0, os.SEEK_SET)
            os.write(handle, f"{os.getpid()}\n".encode())

    def release(self) -> None:
        """Give the folder free."""
        with contextlib.suppress(OSError):
            self._path.unlink()
        with contextlib.suppress(OSError):
            os.close(self._handle)


# --- whose is what


def checksum(data: bytes) -> str:
    """Checksum of the content of a file, as in the manifest."""
    return hashlib.sha256(data).hexdigest()


def _checksum(path: Path) -> str:
    if not path.is_file():
        return "none"  # whatever it is, percsim did not make it
    with _explained(path, "read"):
        return checksum(path.read_bytes())


def _manifest(folder: Path) -> dict[str, Any] | None:
    """Manifest in a folder, None if there is none of percsim's."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        if (folder / MANIFEST).is_file():
            told = json.loads((folder / MANIFEST).read_text(encoding="utf-8"))
            if isinstance(told, dict) and isinstance(told.get("files"), dict):
                return told if {"percsim", "state"} <= set(told) else None
    return None


def _written(folder: Path) -> dict[str, set[str]]:
    """Checksums of all that percsim wrote under the names of a folder, by name."""
    written: dict[str, set[str]] = {}
    for told in (_manifest(folder), _manifest(folder / _RESULTS / _POINTER)):
        if told is not None:
            for files in (told["files"], *told.get("before", ())):
                for name, checksum in files.items():
                    written.setdefault(name, set()).add(checksum)
    return written


def _files(folder: Path) -> Iterator[tuple[str, Path]]:
    """Name and path of all that lies in a folder under the names of results."""
    for name in _SHOWN:
        path = folder / name
        if path.is_dir():
            for inside in sorted(path.rglob("*")):
                if not inside.is_dir():
                    yield inside.relative_to(folder).as_posix(), inside
        elif path.exists():
            yield name, path


def refuse_others(folder: Path, same: Mapping[str, str] | None = None) -> None:
    """Refuse a folder that holds under the names of results what percsim did not write.

    Parameters
    ----------
    folder : Path
        Results folder.
    same : mapping of str, optional
        Checksums of what is to be written: a file changed to just that loses nothing.

    Raises
    ------
    FolderError
        Naming the file.

    """
    written = _written(folder)
    for name, path in _files(folder):
        if name == MANIFEST and _manifest(folder) is not None:
            continue
        known = written.get(name, set())
        if known and _checksum(path) in known | {(same or {}).get(name, "")}:
            continue
        how = "is not as percsim wrote it" if known else "is not known as percsim's own"
        raise FolderError(
            f"{path} {how}; copy what you want to keep elsewhere and remove it, or choose "
            "another folder"
        )


def torn(folder: Path) -> bool:
    """Whether the files that a folder shows were being put in place when a run ended."""
    told = _manifest(folder)
    return told is not None and told["state"] != _WHOLE


def refuse_torn(folder: Path) -> None:
    """Refuse to read files that do not belong together.

    Raises
    ------
    FolderError
        If some of them were being put in place when a run ended, or are not as written.

    """
    told = _manifest(folder)
    if told is not None and (
        torn(folder) or any(_checksum(folder / n) != c for n, c in told["files"].items())
    ):
        raise FolderError(
            f"the files in {folder} are not those of one run; 'percsim report {folder}' "
            "writes them anew from what is stored"
        )


# --- results


def sweep(folder: Path) -> None:
    """Remove what killed runs left half written."""
    results = folder / _RESULTS
    pointer = results / _POINTER
    shown = os.readlink(pointer) if pointer.is_symlink() else ""
    with _explained(folder):
        for name in (*_SHOWN, _POINTER):
            for part in folder.glob(f".{name}.*.part"):
                part.unlink(missing_ok=True)
        for path in results.iterdir() if results.is_dir() else ():
            if path.name not in (_POINTER, shown):
                _remove(path)


def new_results(folder: Path) -> Path:
    """Make a folder for results that are not shown yet."""
    home = folder / _RESULTS
    with _explained(folder):
        home.mkdir(exist_ok=True)
        last = max((int(p.name) for p in home.iterdir() if p.name.isdigit()), default=0)
        results = home / str(last + 1)
        results.mkdir()
    return results


def show(folder: Path, results: Path) -> None:
    """Show results in place of those before, and remove these.

    Parameters
    ----------
    folder : Path
        Results folder, held by a `FolderLock`.
    results : Path
        A folder of `new_results`, all its files written.

    Raises
    ------
    FolderError
        If it cannot be done; what was shown before still is, or the manifest says that it
        is being written.

    """
    files = {p.relative_to(results).as_posix(): p for p in results.rglob("*")}
    checksums = {name: _checksum(path) for name, path in files.items() if path.is_file()}
    refuse_others(folder, checksums)
    _write_manifest(results, _WHOLE, checksums)
    with _explained(folder):
        if links_work(folder):
            _switch(folder, results, checksums)
        else:
            _put_in_place(folder, results, checksums)
    sweep(folder)


def links_work(folder: Path) -> bool:
    """Whether a folder can hold links, and one can take the place of another."""
    one, other = (_beside(folder / f"{_POINTER}.{k}") for k in range(2))
    try:
        for link in (one, other):
            link.unlink(missing_ok=True)
            os.symlink(os.curdir, link, target_is_directory=True)
        os.replace(other, one)
    except (OSError, NotImplementedError):
        return False
    finally:
        for link in (one, other):
            with contextlib.suppress(OSError):
                link.unlink(missing_ok=True)
    return True


def _switch(folder: Path, results: Path, checksums: Mapping[str, str]) -> None:
    pointer = folder / _RESULTS / _POINTER
    names = [name for name in _SHOWN if (results / name).exists()]
    # a copy that followed links holds files in their place
    copied = any(
        os.path.lexists(path) and not path.is_symlink()
        for path in (pointer, *(folder / name for name in _SHOWN))
    )
    if copied:
        _announce(folder, checksums)
    for name in names:
        if not (copied and name == MANIFEST):
            _link(folder / name, os.path.join(_RESULTS, _POINTER, name))
    _sync_folder(folder)
    _link(pointer, results.name)
    _sync_folder(pointer.parent)
    for name in set(_SHOWN) - set(names):
        _remove(folder / name)
    if copied:
        _link(folder / MANIFEST, os.path.join(_RESULTS, _POINTER, MANIFEST))


def _put_in_place(folder: Path, results: Path, checksums: Mapping[str, str]) -> None:
    _announce(folder, checksums)
    for name in checksums:
        target = folder / name
        if target.parent.is_symlink():
            target.parent.unlink()
        target.parent.mkdir(exist_ok=True)
        os.replace(results / name, target)
        _sync_folder(target.parent)
    for name, path in list(_files(folder)):
        if name not in checksums and name != MANIFEST:
            path.unlink()
    for name in _SHOWN:
        if (folder / name).is_symlink():
            (folder / name).unlink()
    _write_manifest(folder, _WHOLE, checksums)
    _remove(folder / _RESULTS)


def remove_results(folder: Path) -> None:
    """Remove all that percsim shows in a folder, once `refuse_others` has passed it."""
    with _explained(folder):
        if _manifest(folder) is not None:
            _announce(folder, {})
        for path in [path for _, path in _files(folder)]:
            if path != folder / MANIFEST:
                path.unlink(missing_ok=True)
        for name in _SHOWN:
            _remove(folder / name)
        _remove(folder / _RESULTS)


def _announce(folder: Path, checksums: Mapping[str, str]) -> None:
    """Say that files are being put in place; what was there stays known as percsim's."""
    before = [
        {name: checksum}
        for name, known in _written(folder).items()
        for checksum in sorted(known)
    ]
    _write_manifest(folder, _BEING_WRITTEN, checksums, before=before)


def _write_manifest(
    folder: Path, state: str, files: Mapping[str, str], **more: Any
) -> None:
    told = {"percsim": __version__, "state": state, "files": files, **more}
    write_atomically(folder / MANIFEST, json.dumps(told, indent=1) + "\n")


def _link(path: Path, target: str) -> None:
    if path.is_symlink() and os.readlink(path) == target:
        return
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    beside = _beside(path)
    beside.unlink(missing_ok=True)
    os.symlink(target, beside, target_is_directory=True)
    os.replace(beside, path)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


@contextlib.contextmanager
def _explained(path: Path, doing: str = "write in") -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FolderError(f"cannot {doing} {path}: {reason(error)}") from error
