"""Stage 6. The store of a results folder: boxes and artefacts in SQLite.

A box is stored under a key that says all it was computed from. So the store belongs to no
plan: any plan finds in it the boxes that are its own, and never one of other inputs. Each
row holds a checksum of all it says; a row that does not agree with its own counts as not
there and is named.

One process writes, under a lock; any number may read. A batch of boxes is one transaction
in a write-ahead log, so a kill or a full disk costs the batch in hand and nothing before.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import platform
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any, Literal

from percsim import __version__
from percsim.boxes.folder import (
    FolderLock,
    reason,
    refuse_others,
    remove_results,
    results_folder,
    sweep,
)
from percsim.boxes.results import BoxResult, GrowthResult, read_result, stored
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

_SCHEMA_VERSION = 3
_APPLICATION_ID = 0x70657263  # "perc" in the file header: this database is ours
_OWN_FILES = (DATABASE, f"{DATABASE}-wal", f"{DATABASE}-shm")
# no index and no key: a damaged one would have to be told from a damaged row
_TABLES = {
    "meta": ("name", "value"),
    "boxes": ("key", "status", "result", "elapsed"),
    "artefacts": ("name", "value"),
}
_SCHEMA = tuple(
    f"CREATE TABLE {table} ({', '.join((*columns, 'checksum'))})"
    for table, columns in _TABLES.items()
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
    _result: BoxResult | GrowthResult | None = field(
        default=None, init=False, repr=False, compare=False
    )

    @classmethod
    def of(cls, key: str, result: BoxResult | GrowthResult, elapsed: float = 0.0) -> Record:
        """Record of a result."""
        return cls(key, "done", encode_json(stored(result)), elapsed)

    @property
    def result(self) -> BoxResult | GrowthResult | None:
        """The result, read once, or None if it failed.

        Raises
        ------
        FolderError
            If the text is no result of such a job.

        """
        if self._result is None and self.status == "done":
            try:
                result = read_result(self.key, decode_json(self.text))
            except ValueError as error:
                raise FolderError(f"{self.key} holds no result ({error})") from error
            object.__setattr__(self, "_result", result)
        return self._result

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
        self,
        folder: Path,
        connection: sqlite3.Connection,
        lock: FolderLock | None,
        read_results: bool,
    ) -> None:
        self.folder = folder
        self._connection = connection
        self._lock = lock
        self._read_results = read_results
        self._known: dict[str, Record] = {}
        self._environment_noted = False
        self._computed_on: list[dict[str, str]] = []
        self._damaged: dict[tuple[str, int], str] = {}
        self._to_retry: set[str] = set()
        self._places: dict[str, int] = {}
        """Rows of the boxes by key, as far as this connection has seen or written them."""
        try:
            for table in _TABLES:  # the next write drops what is damaged
                for row in self._rows(table):
                    if table == "boxes" and row[1] == "failed" and lock is not None:
                        self._to_retry.add(row[0])
        except BaseException:
            connection.close()
            raise

    @classmethod
    def open(
        cls,
        folder: str | os.PathLike[str],
        *,
        fresh: bool = False,
        same: Mapping[str, str] | None = None,
        read_results: bool = False,
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
        read_results : bool
            Read every result: a row that holds none of a box or growth counts as damaged.

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
            if not fresh:
                _refuse_other_version(folder)  # before the files that came with it
            refuse_others(folder, same)
            if fresh:
                _remove_own_files(folder)
            sweep(folder)
            return cls(folder, _connect(folder), lock, read_results)
        except BaseException:
            lock.release()
            raise

    @classmethod
    def read(cls, folder: str | os.PathLike[str], *, read_results: bool = False) -> Store:
        """Open a folder for reading, while a run is writing to it too; see `Store.open`.

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
                return cls(folder, connection, None, read_results)
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
            self._write("boxes", rows)
            self._to_retry.difference_update(row[0] for row in rows)

    def keys(self) -> set[str]:
        """Keys of all stored outcomes."""
        return {row[0] for row in self._boxes(None)}

    def records(self, keys: Iterable[str] | None = None) -> dict[str, Record]:
        """Give stored outcomes by key, all of them or those asked for that exist.

        A writer is not given the failures of runs before it: it shall try again.
        """
        return {row[0]: self._record(row) for row in self._boxes(keys)}

    def _boxes(self, keys: Iterable[str] | None) -> Iterator[tuple[Any, ...]]:
        wanted = None if keys is None else set(keys)
        at = None
        if wanted is not None and self._lock is not None:  # nobody else writes
            at = [self._places[key] for key in wanted if key in self._places]
        for row in self._rows("boxes", at):
            if row[0] not in self._to_retry and (wanted is None or row[0] in wanted):
                yield row

    def _record(self, row: tuple[Any, ...]) -> Record:
        """Record of a row; where results are read the same one as long as the row is."""
        record = Record(*row)
        if not self._read_results:
            return record
        known = self._known.setdefault(record.key, record)
        if known != record:
            known = self._known[record.key] = record
        return known

    def _is_sound(self, table: str, row: list[Any], checksum: object) -> bool:
        """Whether a row is as it was written, and says what it is read for."""
        if _checksum(table, row) != checksum:
            return False
        if table == "boxes" and self._read_results:
            try:
                _ = self._record(tuple(row)).result
            except FolderError:
                return False
        return True

    def counts(self) -> dict[str, int]:
        """How many boxes are ``done`` and ``failed``."""
        statuses = [row[1] for row in self._boxes(None)]
        return {status: statuses.count(status) for status in ("done", "failed")}

    # -- artefacts and meta

    def save_artefacts(self, values: Mapping[str, Any]) -> None:
        """Keep several JSON values under their names: all of them, or none on a fault."""
        rows = [(name, encode_json(value)) for name, value in values.items()]
        self._write("artefacts", rows)

    def load_artefact(self, name: str, default: Any = None) -> Any:
        """Value kept under a name, or the default."""
        text = dict(self._rows("artefacts")).get(name)
        return default if text is None else decode_json(text)

    def computed_on(self, environments: Iterable[dict[str, str]]) -> None:
        """Note with the next write that what is stored was computed in these as well."""
        more = [e for e in environments if e not in self._computed_on]
        self._computed_on += more
        self._environment_noted = self._environment_noted and not more

    @property
    def environments(self) -> list[dict[str, str]]:
        """Every environment that wrote here, in order; digits may differ between them."""
        return list(json.loads(dict(self._rows("meta")).get("environments", "[]")))

    @property
    def created(self) -> str:
        """When the store was made (ISO time, UTC)."""
        return str(dict(self._rows("meta")).get("created", "at an unknown time"))

    @property
    def damaged(self) -> list[str]:
        """Rows whose content does not agree with their checksum, by table and name."""
        return list(self._damaged.values())

    # -- plumbing

    def _rows(
        self, table: str, at: Sequence[int] | None = None
    ) -> Iterator[tuple[Any, ...]]:
        """Sound rows of a table, all or some, as they were written; notes the damaged."""
        columns = ", ".join((*_TABLES[table], "checksum"))
        some = "" if at is None else "WHERE rowid IN (SELECT value FROM json_each(:at))"
        with _explained(self.folder / DATABASE):
            found = self._connection.execute(
                f"SELECT rowid, {columns} FROM {table} {some} ORDER BY rowid",
                {"at": json.dumps(at)},
            )
            for rowid, *row, checksum in found:
                if self._is_sound(table, row, checksum):
                    if table == "boxes":
                        self._places[row[0]] = rowid
                    yield tuple(row)
                else:
                    name = ascii(row[0])[1:-1]
                    self._damaged[table, rowid] = (
                        name if table == "boxes" else f"{table} {name}"
                    )

    def _write(self, table: str, rows: list[tuple[Any, ...]]) -> None:
        """Put rows in place of those of the same names, and drop damaged ones."""
        with _explained(self.folder / DATABASE), _transaction(self._connection):
            for where, rowid in self._damaged:
                self._connection.execute(f"DELETE FROM {where} WHERE rowid = ?", (rowid,))
            # there is no index: to look for each key would read all boxes at every batch
            before = self._places if table == "boxes" else None
            places = _insert(self._connection, table, rows, before)
            if not self._environment_noted:
                self._note_environment()
        if table == "boxes":
            self._places |= places
        self._damaged.clear()
        self._environment_noted = True

    def _note_environment(self) -> None:
        """Add this environment, and those that computed for it, to those known."""
        known = self.environments
        found = [environment_record(), *self._computed_on]
        more = [found[k] for k in range(len(found)) if found[k] not in known + found[:k]]
        if more:
            row = ("environments", encode_json([*known, *more]))
            _insert(self._connection, "meta", [row])


def _checksum(table: str, row: Iterable[Any]) -> str:
    """64 bits that any other content of a row would hardly have."""
    text = json.dumps([table, *row], default=repr)
    return hashlib.blake2b(text.encode(), digest_size=8).hexdigest()


def _insert(
    connection: sqlite3.Connection,
    table: str,
    rows: list[tuple[Any, ...]],
    places: Mapping[str, int] | None = None,
) -> dict[str, int]:
    """Write rows with their checksums, in place of those of the same names.

    Where those of before lie may be given, else they are looked for; gives where the new
    ones lie.
    """
    column, names = _TABLES[table][0], [row[0] for row in rows]
    if places is not None:
        column, names = "rowid", [places[name] for name in names if name in places]
    connection.execute(
        f"DELETE FROM {table} WHERE {column} IN (SELECT value FROM json_each(?))",
        (json.dumps(names),),
    )
    last = connection.execute(f"SELECT coalesce(max(rowid), 0) FROM {table}").fetchone()[0]
    columns = ", ".join(("rowid", *_TABLES[table], "checksum"))
    marks = ", ".join("?" * (len(_TABLES[table]) + 2))
    new = {row[0]: (rowid, *row) for rowid, row in enumerate(rows, last + 1)}
    connection.executemany(
        f"INSERT INTO {table} ({columns}) VALUES ({marks})",
        [(*row, _checksum(table, row[1:])) for row in new.values()],
    )
    return {name: row[0] for name, row in new.items()}


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
    except (sqlite3.Error, UnicodeDecodeError) as error:  # a message may be damaged too
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
        elif code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM")):
            text = f"cannot write {path}: {error}"
        elif code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            text = f"{path}: {error}"
        else:
            text = _damage(path, error)
        raise FolderError(text) from error


def _damage(path: Path, what: object) -> str:
    return (
        f"{path} is damaged or not a store of percsim ({what}); move it away and run "
        "again: its boxes are computed afresh"
    )


def _refuse_other_version(folder: Path) -> None:
    path = folder / DATABASE
    if path.is_file():
        with _explained(path), contextlib.closing(sqlite3.connect(path)) as connection:
            if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                _check_version(connection, path)


def _check_version(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what is not a store, or of another schema."""
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    if application != _APPLICATION_ID:
        raise FolderError(f"{path} is not a store of percsim; move it away")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version != _SCHEMA_VERSION:
        raise FolderError(
            f"{path} was written by another version of percsim (schema {version or 2}, "
            f"this one reads {_SCHEMA_VERSION}); choose another folder, or restart with "
            "--fresh"
        )


def _check_ours(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what is not a store, of another schema, or damaged in its structure."""
    # a flipped bit may leave text that is no text any more: for the checksums to tell
    connection.text_factory = lambda raw: raw.decode(errors="surrogateescape")
    _check_version(connection, path)
    tables = [row[0] for row in connection.execute("SELECT sql FROM sqlite_master")]
    fault = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    if fault != "ok" or tables != list(_SCHEMA):
        what = "its tables are not as made" if fault == "ok" else fault.splitlines()[-1]
        raise FolderError(_damage(path, what))


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
        connection.execute(f"PRAGMA user_version = {_SCHEMA_VERSION}")
        for statement in _SCHEMA:
            connection.execute(statement)
        created = datetime.now(UTC).isoformat(timespec="seconds")
        _insert(connection, "meta", [("created", created), ("environments", "[]")])
