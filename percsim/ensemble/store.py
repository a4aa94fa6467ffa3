"""Stage 6. The store of a results folder: boxes and artefacts in SQLite.

A box is stored under a key that says all it was computed from. So the store belongs to no
plan: any plan finds in it the boxes that are its own, and never one of other inputs.

One process writes, under a lock; any number may read. A batch of boxes is one transaction
in a write-ahead log, so a kill or a full disk costs the batch in hand and nothing before.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import platform
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Literal

from percsim import __version__
from percsim.ensemble.folder import (
    FolderLock,
    reason,
    refuse_others,
    remove_results,
    results_folder,
    sweep,
)
from percsim.errors import FolderError

__all__ = [
    "DATABASE",
    "Record",
    "Store",
    "decode_json",
    "encode_json",
    "environment_record",
]

DATABASE = "results.sqlite"
"""Name of the store in a results folder."""

_SCHEMA_VERSION = 2
_APPLICATION_ID = 0x70657263  # "perc" in the file header: this database is ours
_OWN_FILES = (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm")
_SCHEMA = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE boxes (key TEXT PRIMARY KEY, status TEXT NOT NULL"
    " CHECK (status IN ('done', 'failed')), result TEXT NOT NULL, elapsed REAL NOT NULL)",
    "CREATE TABLE artefacts (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
)


# --- JSON with infinities


def _plain(value: Any) -> Any:
    """NumPy scalars and arrays as Python numbers and lists."""
    if hasattr(value, "tolist"):
        return value.tolist()
    raise TypeError(f"cannot store {type(value).__name__} as JSON")


def _spell_infinities(value: Any, where: str) -> Any:
    if isinstance(value, float):
        if math.isnan(value):
            raise ValueError(f"cannot store NaN{f' at {where}' if where else ''}")
        if math.isinf(value):
            return "inf" if value > 0.0 else "-inf"
        return value
    if isinstance(value, dict):
        return {
            k: _spell_infinities(v, f"{where}.{k}" if where else str(k))
            for k, v in value.items()
        }
    if isinstance(value, list | tuple):
        return [_spell_infinities(v, f"{where}[{i}]") for i, v in enumerate(value)]
    if hasattr(value, "tolist"):
        return _spell_infinities(value.tolist(), where)
    return value


def encode_json(value: Any, *, indent: int | None = None) -> str:
    """JSON text of a value; infinities as "inf" and "-inf", floats to the last bit.

    Parameters
    ----------
    value : dict, list, str, float, int, bool or None
        May hold NumPy scalars and arrays.
    indent : int, optional
        Spaces per level; one line by default.

    Returns
    -------
    str
        ASCII text.

    Raises
    ------
    ValueError
        If a number is NaN; the message says where.
    TypeError
        If something in it is not JSON.

    Examples
    --------
    >>> encode_json({"resistance_ohm": float("inf")})
    '{"resistance_ohm": "inf"}'

    """
    try:
        return json.dumps(value, allow_nan=False, default=_plain, indent=indent)
    except ValueError:
        # rare, and slower: most boxes conduct
        return json.dumps(
            _spell_infinities(value, ""), allow_nan=False, default=_plain, indent=indent
        )


def _read_infinities(value: Any) -> Any:
    if isinstance(value, str):
        return {"inf": math.inf, "-inf": -math.inf}.get(value, value)
    if isinstance(value, dict):
        return {k: _read_infinities(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_read_infinities(v) for v in value]
    return value


def decode_json(text: str) -> Any:
    """Value of JSON text, with the strings "inf" and "-inf" read as infinities."""
    value = json.loads(text)
    return _read_infinities(value) if 'inf"' in text else value


# --- environment


def _processor() -> str:
    with contextlib.suppress(OSError), open("/proc/cpuinfo", encoding="utf-8") as file:
        for line in file:
            if line.lower().startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def environment_record() -> dict[str, str]:
    """Say what the digits depend on besides the plan.

    Returns
    -------
    dict of str
        ``percsim``, ``python``, ``numpy``, ``scipy``, ``numba``: versions; ``platform``;
        ``processor``.

    """
    record = {"percsim": __version__, "python": platform.python_version()}
    for package in ("numpy", "scipy", "numba"):
        try:
            record[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            record[package] = "not installed"
    return record | {"platform": platform.platform(), "processor": _processor()}


# --- the store


@dataclass(frozen=True, slots=True)
class Record:
    """One job's outcome, as stored.

    Parameters
    ----------
    key : str
        The job's key.
    status : {"done", "failed"}
        Whether it gave a result.
    text : str
        JSON text: the result, or the one-line message of the failure.
    elapsed : float
        Time it took [s].

    """

    key: str
    status: Literal["done", "failed"]
    text: str
    elapsed: float

    @property
    def result(self) -> dict[str, Any] | None:
        """The result, or None if it failed."""
        return decode_json(self.text) if self.status == "done" else None

    @property
    def message(self) -> str | None:
        """Why it failed, or None if it did not."""
        return str(json.loads(self.text)) if self.status == "failed" else None


class Store:
    """Results in one folder.

    Made by `Store.open` (one writer, under a lock) or `Store.read`; a context manager.

    Attributes
    ----------
    folder : Path
        The results folder.

    """

    def __init__(
        self, folder: Path, connection: sqlite3.Connection, lock: FolderLock | None
    ) -> None:
        self.folder = folder
        self._connection = connection
        self._lock = lock
        self._environment_noted = False

    @classmethod
    def open(
        cls,
        folder: str | os.PathLike[str],
        *,
        fresh: bool = False,
        same: Mapping[str, str] | None = None,
    ) -> Store:
        """Open a folder for writing; make it if missing, continue what is there.

        What a killed run left half written is removed.

        Parameters
        ----------
        folder : path-like
            Results folder.
        fresh : bool
            Remove what percsim had written there and start again. Other files stay.
        same : mapping of str, optional
            Checksums of files to be written, see `refuse_others`.

        Returns
        -------
        Store

        Raises
        ------
        FolderError
            If the folder is in use, holds another schema version or a file that is not
            ours, or cannot be written.

        """
        folder = results_folder(folder)
        lock = FolderLock(folder)
        try:
            refuse_others(folder, same)
            if fresh:
                _remove_own_files(folder)
            sweep(folder)
            return cls(folder, _connect(folder), lock)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def read(cls, folder: str | os.PathLike[str]) -> Store:
        """Open a folder for reading, while a run is writing to it too.

        Raises
        ------
        FolderError
            If it holds no results, or results of another schema version.

        """
        folder = Path(folder)
        path = folder / DATABASE
        if not path.is_file():
            raise FolderError(f"{folder} holds no results ({DATABASE} is missing)")
        address = f"{path.absolute().as_uri()}?mode=ro"
        merged = not path.with_name(f"{DATABASE}-wal").exists()
        if merged and not os.access(folder, os.W_OK):
            # SQLite wants to make its shared-memory file even to read; nobody writes here
            address += "&immutable=1"
        with _explained(path):
            connection = sqlite3.connect(
                address, uri=True, timeout=30.0, isolation_level=None
            )
            try:
                _check_ours(connection, path)
                return cls(folder, connection, None)
            except BaseException:
                connection.close()
                raise

    def close(self) -> None:
        """Close and give the folder free."""
        # On a full disk the log cannot be merged; it stays beside and is read next time.
        with contextlib.suppress(sqlite3.Error):
            self._connection.close()
        if self._lock:
            self._lock.release()
            self._lock = None

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        counts = self.counts()
        return f"Store: {self.folder}, {counts['done']} done, {counts['failed']} failed"

    # -- boxes

    def add(self, records: Iterable[Record]) -> None:
        """Store a batch in one transaction; a key stored before is replaced.

        Raises
        ------
        FolderError
            If the disk is full or cannot be written. The batch is left out whole; what was
            stored before it is intact.

        """
        rows = [(r.key, r.status, r.text, r.elapsed) for r in records]
        if rows:
            self._write("INSERT OR REPLACE INTO boxes VALUES (?, ?, ?, ?)", rows)

    def keys(self) -> set[str]:
        """Keys of all stored outcomes."""
        return {row[0] for row in self._query("SELECT key FROM boxes")}

    def records(self, keys: Iterable[str] | None = None) -> dict[str, Record]:
        """Give stored outcomes by key, all of them or those asked for that exist."""
        wanted = None if keys is None else set(keys)
        rows = self._query("SELECT key, status, result, elapsed FROM boxes ORDER BY rowid")
        return {row[0]: Record(*row) for row in rows if wanted is None or row[0] in wanted}

    def counts(self) -> dict[str, int]:
        """How many boxes are ``done`` and ``failed``."""
        counts = {"done": 0, "failed": 0}
        counts.update(self._query("SELECT status, count(*) FROM boxes GROUP BY status"))
        return counts

    # -- artefacts and meta

    def save_artefact(self, name: str, value: Any) -> None:
        """Keep a JSON value under a name, in place of the one before."""
        self.save_artefacts({name: value})

    def save_artefacts(self, values: Mapping[str, Any]) -> None:
        """Keep several JSON values under their names: all of them, or none on a fault."""
        rows = [(name, encode_json(value)) for name, value in values.items()]
        self._write("INSERT OR REPLACE INTO artefacts VALUES (?, ?)", rows)

    def load_artefact(self, name: str, default: Any = None) -> Any:
        """Value kept under a name, or the default."""
        rows = self._query("SELECT value FROM artefacts WHERE name = ?", (name,))
        return decode_json(rows[0][0]) if rows else default

    def artefacts(self) -> list[str]:
        """Names of the values kept."""
        return [row[0] for row in self._query("SELECT name FROM artefacts ORDER BY name")]

    @property
    def environments(self) -> list[dict[str, str]]:
        """Every environment that wrote here, in order; digits may differ between them."""
        return list(json.loads(self._meta("environments")))

    @property
    def created(self) -> str:
        """When the store was made (ISO time, UTC)."""
        return self._meta("created")

    # -- plumbing

    def _meta(self, key: str) -> str:
        return str(self._query("SELECT value FROM meta WHERE key = ?", (key,))[0][0])

    def _query(self, sql: str, values: tuple[Any, ...] = ()) -> list[Any]:
        with _explained(self.folder / DATABASE):
            return self._connection.execute(sql, values).fetchall()

    def _write(self, sql: str, rows: list[tuple[Any, ...]]) -> None:
        with _explained(self.folder / DATABASE), _transaction(self._connection):
            self._connection.executemany(sql, rows)
            if not self._environment_noted:
                self._note_environment()
        self._environment_noted = True

    def _note_environment(self) -> None:
        """Add this environment to those that wrote here."""
        known, environment = self.environments, environment_record()
        if environment not in known:
            self._connection.execute(
                "UPDATE meta SET value = ? WHERE key = 'environments'",
                (encode_json([*known, environment]),),
            )


@contextlib.contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:  # a Ctrl-C must not leave it open either
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def _explained(path: Path) -> Iterator[None]:
    """SQLite's errors as one line about the folder."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorname", "")
        if code == "SQLITE_FULL":
            text = (
                f"no space left to write {path}; what was stored before is intact: free "
                "some space and run the same command again"
            )
        elif code.startswith("SQLITE_IOERR"):
            text = (
                f"cannot write or read {path} ({error}); what was stored before is intact: "
                "check the disk and its free space, then run the same command again"
            )
        elif code in ("SQLITE_NOTADB", "SQLITE_CORRUPT"):
            text = f"{path} is damaged or not a store of percsim ({error}); move it away"
        elif code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
            text = f"cannot write {path}: {error}"
        else:
            text = f"{path}: {error}"
        raise FolderError(text) from error


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    if application != _APPLICATION_ID:
        raise FolderError(f"{path} is not a store of percsim; move it away")
    rows = connection.execute(
        "SELECT value FROM meta WHERE key = 'schema_version'"
    ).fetchall()
    if rows != [(str(_SCHEMA_VERSION),)]:
        version = rows[0][0] if rows else "none"
        raise FolderError(
            f"{path} was written by another version of percsim (schema {version}, this one "
            f"reads {_SCHEMA_VERSION}); choose another folder, or restart with --fresh"
        )


def _remove_own_files(folder: Path) -> None:
    path = folder / DATABASE
    if not path.exists():
        return  # whatever lies here is not known to be ours
    with _explained(path), contextlib.closing(sqlite3.connect(path)) as connection:
        ours = connection.execute("PRAGMA application_id").fetchone()[0] == _APPLICATION_ID
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables and not ours:
        raise FolderError(f"{path} is not a store of percsim; move it away")
    # the database last: a kill in between leaves a folder that goes on
    remove_results(folder)
    try:
        for name in reversed(_OWN_FILES):
            (folder / name).unlink(missing_ok=True)
    except OSError as error:
        raise FolderError(f"cannot write in {folder}: {reason(error)}") from error


def _connect(folder: Path) -> sqlite3.Connection:
    path = folder / DATABASE
    with _explained(path):
        connection = sqlite3.connect(path, timeout=30.0, isolation_level=None)
        try:
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
            if tables:
                _check_ours(connection, path)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            if not tables:
                _create(connection)
            return connection
        except BaseException:
            connection.close()
            raise


def _create(connection: sqlite3.Connection) -> None:
    # all in one transaction: a kill leaves an empty database, which the next run fills
    with _transaction(connection):
        connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
        for statement in _SCHEMA:
            connection.execute(statement)
        connection.executemany(
            "INSERT INTO meta VALUES (?, ?)",
            [
                ("schema_version", str(_SCHEMA_VERSION)),
                ("created", datetime.now(UTC).isoformat(timespec="seconds")),
                ("environments", "[]"),
            ],
        )
