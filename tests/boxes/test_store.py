import contextlib
import errno
import math
import os
import signal
import sqlite3
import struct
import subprocess
import sys

import numpy as np
import pytest

from percsim.boxes import folder as folder_module
from percsim.boxes import store as store_module
from percsim.boxes.folder import write_atomically
from percsim.boxes.store import (
    DATABASE,
    Record,
    Store,
    decode_json,
    encode_json,
    environment_record,
)
from percsim.errors import FolderError


def record(number, value=1.5, status="done", elapsed=0.25):
    text = encode_json({"x": value} if status == "done" else "ConvergenceError: no proof")
    return Record(f"box/{number}", status, text, elapsed)


def one_line(error):
    text = str(error.value)
    assert text
    assert "\n" not in text
    return text


def run_python(code, **options):
    return subprocess.Popen(
        [sys.executable, "-c", code],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        **options,
    )  # fmt: skip


# --- JSON


def test_floats_survive_to_the_last_bit():
    rng = np.random.default_rng(815502)
    bits = rng.integers(0, 2**64, 20_000, dtype=np.uint64)
    values = [v for v in bits.view(np.float64).tolist() if math.isfinite(v)]
    values += [5e-324, 1.7976931348623157e308, -0.0, 0.1, 1 / 3]
    back = decode_json(encode_json(values))
    assert struct.pack(f"{len(values)}d", *back) == struct.pack(f"{len(values)}d", *values)


def test_infinities_are_words():
    value = {"r": math.inf, "list": [1.0, -math.inf, {"deep": np.float64("inf")}], "n": 3}
    text = encode_json(value)
    assert '"r": "inf"' in text
    assert "Infinity" not in text
    assert decode_json(text) == value


def test_numpy_becomes_plain():
    value = {
        "a": np.array([1.0, np.inf]),
        "i": np.int64(3),
        "b": np.bool_(True),
        "t": (1, 2),
    }
    assert decode_json(encode_json(value)) == {
        "a": [1.0, math.inf],
        "i": 3,
        "b": True,
        "t": [1, 2],
    }
    assert decode_json(encode_json({"a": np.arange(3)})) == {"a": [0, 1, 2]}


@pytest.mark.parametrize(
    ("value", "where"),
    [
        ({"a": [{"b": math.nan}]}, r"NaN at a\[0\]\.b"),
        ({"x": np.array([1.0, np.nan])}, r"NaN at x\[1\]"),
        (math.nan, "NaN$"),
    ],
)
def test_nan_is_refused(value, where):
    with pytest.raises(ValueError, match=where):
        encode_json(value)


def test_unknown_objects_are_refused():
    with pytest.raises(TypeError, match="set"):
        encode_json({"x": {1, 2}})


# --- boxes


def test_records_come_back(tmp_path):
    with Store.open(tmp_path / "deep" / "folder") as store:
        store.add([record(1, math.inf), record(2, 0.1 + 0.2), record(3, status="failed")])
        store.add([])
    with Store.read(tmp_path / "deep" / "folder") as store:
        back = store.records()
        assert list(back) == ["box/1", "box/2", "box/3"]
        assert decode_json(back["box/1"].text) == {"x": math.inf}
        assert decode_json(back["box/2"].text) == {"x": 0.30000000000000004}
        assert back["box/2"].elapsed == 0.25
        assert back["box/2"].message is None
        assert back["box/3"].result is None
        assert back["box/3"].message == "ConvergenceError: no proof"
        assert store.counts() == {"done": 2, "failed": 1}
        assert list(store.records(["box/2", "box/9"])) == ["box/2"]
    with Store.open(tmp_path / "deep" / "folder") as store:
        # whoever writes next shall try again what failed
        assert store.counts() == {"done": 2, "failed": 0}
        store.add([record(3, status="failed")])
        assert store.counts() == {"done": 2, "failed": 1}
        store.add([record(3, 7.0)])
        assert store.counts() == {"done": 3, "failed": 0}
        assert "3 done, 0 failed" in repr(store)


def test_log_and_schema_are_as_documented(tmp_path):
    with Store.open(tmp_path) as store:
        store.add([record(1)])
        with contextlib.closing(sqlite3.connect(tmp_path / DATABASE)) as other:
            assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
            assert other.execute(
                "SELECT key, status, result, elapsed FROM boxes"
            ).fetchall() == [("box/1", "done", '{"x": 1.5}', 0.25)]
            assert other.execute("PRAGMA user_version").fetchone() == (3,)


def test_artefacts(tmp_path):
    with Store.open(tmp_path) as store:
        store.save_artefacts(
            {"threshold": {"phi": 0.0123456789012345678, "high": math.inf}}
        )
        store.save_artefacts({"threshold": {"phi": 1 / 3, "high": math.inf}})
        store.save_artefacts({"plan": [1, "two", None]})
    with Store.read(tmp_path) as store:
        assert store.load_artefact("threshold") == {"phi": 1 / 3, "high": math.inf}
        assert store.load_artefact("plan") == [1, "two", None]
        assert store.load_artefact("nothing") is None
        assert store.load_artefact("nothing", 5) == 5


def test_reader_works_beside_a_writer_and_cannot_write(tmp_path):
    with Store.open(tmp_path) as writer, Store.read(tmp_path) as reader:
        writer.add([record(1)])
        assert list(reader.records()) == ["box/1"]
        writer.add([record(2)])
        assert reader.counts()["done"] == 2
        with pytest.raises(FolderError, match="readonly"):
            reader.add([record(3)])
        with pytest.raises(FolderError, match="readonly"):
            reader.save_artefacts({"x": 1})


def test_reading_a_folder_that_cannot_be_written(tmp_path, monkeypatch):
    with Store.open(tmp_path) as store:
        store.add([record(1)])
    monkeypatch.setattr(os, "access", lambda *_: False)
    with Store.read(tmp_path) as store:
        assert list(store.records()) == ["box/1"]
    assert not (tmp_path / f"{DATABASE}-shm").exists()


def test_folder_is_left_tidy(tmp_path):
    with Store.open(tmp_path) as store:
        store.add([record(1)])
    assert [p.name for p in tmp_path.iterdir()] == [DATABASE]


# --- whose folder


def test_opening_changes_nothing_until_something_is_stored(tmp_path, monkeypatch):
    with Store.open(tmp_path) as store:
        assert store.environments == []
        store.add([record(1)])
        assert store.environments == [environment_record()]
        assert store.keys() == {"box/1"}
    before = (tmp_path / DATABASE).read_bytes()
    elsewhere = environment_record() | {"processor": "another"}
    monkeypatch.setattr(store_module, "environment_record", lambda: elsewhere)
    with Store.open(tmp_path) as store:
        assert len(store.records()) == 1
    assert (tmp_path / DATABASE).read_bytes() == before
    with Store.open(tmp_path) as store:
        store.add([record(2)])
        store.add([record(3)])
        assert len(store.environments) == 2
        assert store.environments[-1] == elsewhere


def test_artefacts_are_kept_together_or_not_at_all(tmp_path):
    with Store.open(tmp_path) as store:
        store.save_artefacts({"plan": 1, "run": 2})
        with pytest.raises(ValueError, match="NaN"):
            store.save_artefacts({"plan": 3, "run": math.nan})
        assert (store.load_artefact("plan"), store.load_artefact("run")) == (1, 2)


def test_second_writer_is_refused(tmp_path):
    with Store.open(tmp_path) as store:
        for fresh in (False, True):
            with pytest.raises(
                FolderError, match=f"in use by process {os.getpid()}"
            ) as error:
                Store.open(tmp_path, fresh=fresh)
            assert str(tmp_path) in one_line(error)
        store.add([record(1)])
        assert store.counts()["done"] == 1
    Store.open(tmp_path).close()


def test_second_process_is_refused_and_a_killed_one_frees_the_folder(tmp_path):
    code = (
        "import sys; from percsim.boxes.store import *\n"
        f"s = Store.open({str(tmp_path)!r})\n"
        "s.add([Record('box/1', 'done', '{}', 0.0)]); print('open', flush=True)\n"
        "sys.stdin.read()"
    )
    other = run_python(code)
    try:
        assert other.stdout.readline() == "open\n"
        with pytest.raises(FolderError, match=f"in use by process {other.pid};"):
            Store.open(tmp_path, fresh=True)
    finally:
        other.kill()
        other.communicate()
    with Store.open(tmp_path) as store:
        assert list(store.records()) == ["box/1"]


def test_lock_on_a_file_that_was_just_removed_does_not_count(tmp_path, monkeypatch):
    # the holder before lets go, and removes the file, between our open and our lock
    before = folder_module.FolderLock(tmp_path)
    claim = folder_module._claim

    def let_go_first(handle):
        monkeypatch.setattr(folder_module, "_claim", claim)
        before.release()
        claim(handle)

    monkeypatch.setattr(folder_module, "_claim", let_go_first)
    lock = folder_module.FolderLock(tmp_path)
    with pytest.raises(FolderError, match="in use"):
        folder_module.FolderLock(tmp_path)
    lock.release()
    folder_module.FolderLock(tmp_path).release()


def test_another_schema_is_refused(tmp_path):
    Store.open(tmp_path).close()
    with contextlib.closing(sqlite3.connect(tmp_path / DATABASE)) as other:
        other.execute("PRAGMA user_version = 99")
    for opener in (lambda: Store.open(tmp_path), lambda: Store.read(tmp_path)):
        with pytest.raises(FolderError, match="schema 99") as error:
            opener()
        one_line(error)
    with Store.open(tmp_path, fresh=True) as store:
        assert store.counts() == {"done": 0, "failed": 0}


def test_the_schema_before_is_refused(tmp_path):
    """As it was made until keys had tags, with a box in it."""
    with contextlib.closing(sqlite3.connect(tmp_path / DATABASE)) as other, other:
        for statement in (
            "PRAGMA application_id = 0x70657263",
            "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
            "CREATE TABLE boxes (key TEXT PRIMARY KEY, status TEXT NOT NULL"
            " CHECK (status IN ('done', 'failed')), result TEXT NOT NULL,"
            " elapsed REAL NOT NULL)",
            "CREATE TABLE artefacts (name TEXT PRIMARY KEY, value TEXT NOT NULL)",
            "INSERT INTO meta VALUES ('schema_version', '2')",
            "INSERT INTO boxes VALUES ('box/0.3/ab/0', 'done', '{}', 0.1)",
        ):
            other.execute(statement)
    before = (tmp_path / DATABASE).read_bytes()
    page = tmp_path / "report.html"  # it wrote no list of its files
    page.touch()
    for opener in (Store.open, Store.read):
        with pytest.raises(
            FolderError, match=r"schema 2, this one reads 3.*--fresh"
        ) as error:
            opener(tmp_path)
        assert str(tmp_path / DATABASE) in one_line(error)
    assert (tmp_path / DATABASE).read_bytes() == before
    with pytest.raises(FolderError, match=r"report\.html is not known"):
        Store.open(tmp_path, fresh=True)
    page.unlink()
    with Store.open(tmp_path, fresh=True) as store:
        assert store.records() == {}


@pytest.mark.parametrize("fresh", [False, True])
def test_alien_files_are_refused_untouched(tmp_path, fresh):
    path = tmp_path / DATABASE
    with contextlib.closing(sqlite3.connect(path)) as other, other:
        other.execute("CREATE TABLE recipes (x)")
    before = path.read_bytes()
    with pytest.raises(FolderError, match="not a store of percsim"):
        Store.open(tmp_path, fresh=fresh)
    assert path.read_bytes() == before
    path.write_bytes(b"this is a text file, not a database\n" * 100)
    before = path.read_bytes()
    with pytest.raises(FolderError, match="not a store of percsim") as error:
        Store.open(tmp_path, fresh=fresh)
    one_line(error)
    assert path.read_bytes() == before


def test_reading_an_empty_folder(tmp_path):
    for folder in (tmp_path, tmp_path / "missing"):
        with pytest.raises(FolderError, match="holds no results"):
            Store.read(folder)


def test_killed_while_being_made(tmp_path, monkeypatch):
    (tmp_path / DATABASE).touch()  # created, not filled
    with Store.open(tmp_path) as store:
        assert store.records() == {}
    with monkeypatch.context() as patch:
        broken = (*store_module._SCHEMA[:2], "CREATE TABLE nonsense (")
        patch.setattr(store_module, "_SCHEMA", broken)
        with pytest.raises(FolderError):
            Store.open(tmp_path / "b")
    with Store.open(tmp_path / "b") as store:  # half a schema was rolled back
        store.add([record(1)])


# --- disks and rights


def test_full_database_keeps_what_was_stored(tmp_path):
    with Store.open(tmp_path) as store:
        store.add([record(k) for k in range(50)])
        pages = store._connection.execute("PRAGMA page_count").fetchone()[0]
        store._connection.execute(f"PRAGMA max_page_count = {pages + 4}")
        with pytest.raises(FolderError, match="no space left") as error:
            store.add([record(k) for k in range(50, 5000)])
        assert "intact" in one_line(error)
        assert store.counts()["done"] == 50
        store._connection.execute("PRAGMA max_page_count = 1000000")
        store.add([record(k) for k in range(50, 60)])  # goes on once there is room
    with Store.read(tmp_path) as store:
        assert list(store.records()) == [f"box/{k}" for k in range(60)]


def test_file_size_limit_of_the_system_keeps_what_was_stored(tmp_path):
    # the operating system itself refuses the write, half way through a batch
    code = (
        "import resource; from percsim.boxes.store import *\n"
        f"s = Store.open({str(tmp_path)!r})\n"
        "s.add([Record(f'box/{k}', 'done', '{}', 0.0) for k in range(50)])\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, -1))\n"
        "try:\n"
        "    for i in range(50, 5000, 50):\n"
        "        rows = [Record(f'box/{i + k}', 'done', '{}', 0.0) for k in range(50)]\n"
        "        s.add(rows)\n"
        "        print(i + 50, flush=True)\n"
        "except FolderError as e: print(e)\n"
        "s.close()"
    ).replace(
        "except FolderError", "except __import__('percsim.errors').errors.FolderError"
    )
    out, err = run_python(code).communicate(timeout=300)
    *counts, message = out.strip().splitlines()
    assert not err
    assert "intact" in message
    with Store.open(tmp_path) as store:
        assert list(store.records()) == [f"box/{k}" for k in range(int(counts[-1]))]
        store.add([record("more")])


def test_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "file").write_text("in the way")
    for folder in (tmp_path / "file", tmp_path / "file" / "inner"):
        with pytest.raises(FolderError, match="cannot write in") as error:
            Store.open(folder)
        assert str(folder) in one_line(error)


def test_unwritable_folder(tmp_path):
    code = (
        "from percsim.boxes.store import *; from percsim.errors import *\n"
        "from percsim.boxes.folder import *\n"
        "import os, encodings.idna\n"
        f"os.chdir({str(tmp_path)!r}); os.mkdir('there'); os.chmod('there', 0o555)\n"
        "if os.geteuid() == 0: os.setegid(65534); os.seteuid(65534)\n"
        "for job in (Store.open, write_atomically):\n"
        "    try: Store.open('there') if job == Store.open else job('there/r', 'x')\n"
        "    except FolderError as e: print(e)\n"
        "    else: print('written')\n"
    )
    out, err = run_python(code).communicate(timeout=300)
    assert not err
    assert out.splitlines() == [
        "cannot write in there: permission denied",
        "cannot write there/r: permission denied",
    ]


def test_interrupted_batch_is_rolled_back(tmp_path, monkeypatch):
    checksum = store_module._checksum

    def interrupted(table, row):
        if row[0] == "box/1":
            raise KeyboardInterrupt
        return checksum(table, row)

    with Store.open(tmp_path) as store:
        monkeypatch.setattr(store_module, "_checksum", interrupted)
        with pytest.raises(KeyboardInterrupt):
            store.add([record(0), record(1)])
        monkeypatch.undo()
        assert store.records() == {}
        store.add([record(2)])
        assert list(store.records()) == ["box/2"]


def test_killed_between_batches_keeps_each_whole(tmp_path):
    code = (
        "from percsim.boxes.store import *\n"
        f"s = Store.open({str(tmp_path)!r}); i = 0\n"
        "while True:\n"
        "    s.add([Record(f'box/{i}/{k}', 'done', '{}', 0.0) for k in range(20)])\n"
        "    i += 1; print(i, flush=True)\n"
    )
    other = run_python(code)
    for line in other.stdout:
        if int(line) >= 5:
            other.send_signal(signal.SIGKILL)
            break
    other.communicate()
    with Store.read(tmp_path) as reader:  # while the log is still unmerged
        counted = reader.counts()["done"]
    with Store.open(tmp_path) as store:
        assert store.counts()["done"] == counted
        assert counted >= 100
        assert counted % 20 == 0


# --- files


def test_write_atomically(tmp_path):
    path = tmp_path / "figures" / "a.txt"
    write_atomically(path, "größer")
    assert path.read_text(encoding="utf-8") == "größer"
    write_atomically(path, b"\x00\x01")
    assert path.read_bytes() == b"\x00\x01"
    assert [p.name for p in path.parent.iterdir()] == ["a.txt"]
    mask = os.umask(0)
    os.umask(mask)
    assert path.stat().st_mode & 0o777 == 0o666 & ~mask


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space"), KeyboardInterrupt()])
def test_write_that_fails_leaves_the_old_file(tmp_path, monkeypatch, error):
    path = tmp_path / "report.html"
    write_atomically(path, "old")

    def fail(_):
        raise error

    monkeypatch.setattr(os, "fsync", fail)
    expected = FolderError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(
        expected, match="no space left" if expected is FolderError else None
    ):
        write_atomically(path, "new")
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


def test_environment_is_recorded_once_each(tmp_path, monkeypatch):
    here = environment_record()
    assert list(here) == [
        "percsim", "python", "numpy", "scipy", "numba", "platform", "processor",
    ]  # fmt: skip
    assert here["numpy"] == np.__version__
    assert here["python"] == sys.version.split()[0]
    for number in range(2):
        with Store.open(tmp_path) as store:
            store.add([record(number)])
            assert store.environments == [here]
            assert store.created.endswith("+00:00")
    other = here | {"numpy": "1.26.0"}
    monkeypatch.setattr(store_module, "environment_record", lambda: other)
    for number in range(2, 4):
        with Store.open(tmp_path) as store:
            store.add([record(number)])
            assert store.environments == [here, other]


# --- damage


def _tell_all(folder):
    """What a reader is given, and the damaged rows."""
    with Store.read(folder) as store:
        told = {name: store.load_artefact(name) for name in ("plan", "run")}
        told = {name: value for name, value in told.items() if value is not None}
        return store.records(), told, store.environments, store.created, store.damaged


def _flip(folder, whole, bit):
    raw = bytearray(whole)
    raw[bit // 8] ^= 1 << bit % 8
    for path in folder.iterdir():
        path.unlink()
    (folder / DATABASE).write_bytes(raw)


def _flips(tmp_path, number):
    """Flip single bits of a small store, one at a time; count what became of each."""
    folder = tmp_path / "store"
    boxes = [record(k, [0.1 * i for i in range(40 * k + 9)]) for k in range(20)]
    with Store.open(folder) as store:
        store.add(boxes[:10])
        store.add(boxes[10:])
        store.save_artefacts({"plan": {"seed": 1}, "run": {"command": "x" * 9000}})
        store.add(boxes[:3])  # again, so that pages lie free
    whole, sound = (folder / DATABASE).read_bytes(), _tell_all(folder)
    assert sound[-1] == []
    fates = {"nothing": 0, "named": 0, "refused": 0}
    for bit in np.random.default_rng(20260731).integers(0, 8 * len(whole), number).tolist():
        _flip(folder, whole, bit)
        try:
            found = _tell_all(folder)
            with Store.open(folder) as store:
                kept = store.keys()
                store.add([b for b in boxes if b.key not in kept] + [record("new")])
                store.save_artefacts(sound[1])
        except FolderError as error:
            told = str(error)
        else:
            told = ""
        if told:
            assert "\n" not in told
            assert str(folder / DATABASE) in told
            fates["refused"] += 1
            continue
        if not found[-1]:
            fates["nothing"] += 1
            assert found == sound, bit
            continue
        fates["named"] += 1
        # what is missing was named, all else is as it was, and it heals
        lost = [key for key in sound[0] if key not in found[0]]
        lost += [name for name in sound[1] if name not in found[1]]
        lost += ["meta"] * (found[2:4] != sound[2:4])
        assert len(found[-1]) == len(lost), bit
        assert found[0].items() <= sound[0].items(), bit
        assert found[1].items() <= sound[1].items(), bit
        records, told, _, _, damaged = _tell_all(folder)
        assert records == sound[0] | {"box/new": record("new")}, bit
        assert told == sound[1], bit
        assert damaged == [], bit
    return fates


def test_a_flipped_bit_is_named_or_refused_and_never_believed(tmp_path):
    fates = _flips(tmp_path, 60)
    assert sum(fates.values()) == 60
    assert fates["named"] > 30


@pytest.mark.slow
def test_many_flipped_bits(tmp_path):
    fates = _flips(tmp_path, 1000)
    print(fates)
    assert all(fates.values())
