"""A results folder: shown whole or told, never somebody's own, no litter."""

import json
import os
import shutil
import sys

import pytest

from percsim.boxes.folder import (
    MANIFEST,
    FolderLock,
    checksum,
    links_work,
    new_results,
    refuse_others,
    refuse_torn,
    results_folder,
    show,
    sweep,
    torn,
)
from percsim.boxes.store import DATABASE, Store
from percsim.errors import FolderError

FILES = ("plan.toml", "summary.json", "report.html", "figures/a.png")


def content(folder):
    """What a reader finds, by name."""
    return {
        p.relative_to(folder).as_posix(): p.read_text()
        for name in (*FILES, "figures")
        for p in ((folder / name).rglob("*") if name == "figures" else [folder / name])
        if p.exists()
    }


def expected(tag):
    return dict.fromkeys((*FILES, f"figures/{tag}.png"), tag)


def write(folder, tag):
    """Results that say a tag, as a run writes them."""
    with FolderLock(folder):
        refuse_others(folder)
        sweep(folder)
        results = new_results(folder)
        (results / "figures").mkdir()
        for name in expected(tag):
            (results / name).write_text(tag)
        show(folder, results)


def no_links(monkeypatch):
    monkeypatch.setattr("percsim.boxes.folder.links_work", lambda _: False)


def litter(folder):
    """Files that neither a reader nor the manifest needs."""
    results = folder / "percsim-results"
    shown = {"whole", os.readlink(results / "whole")} if results.exists() else set()
    return [p for p in folder.rglob("*") if p.name.endswith(".part")] + [
        p for p in (results.iterdir() if results.exists() else ()) if p.name not in shown
    ]


def as_made(folder, monkeypatch):
    return folder


def followed(folder, monkeypatch):
    """As a copy that followed the links."""
    return shutil.copytree(folder, folder.with_name("copy"))


def links_kept(folder, monkeypatch):
    copy = shutil.copytree(folder, folder.with_name("copy"), symlinks=True)
    shutil.rmtree(folder)
    return copy


def without_links(folder, monkeypatch):
    no_links(monkeypatch)
    shutil.rmtree(folder)
    write(folder, "old")
    return folder


def links_no_more(folder, monkeypatch):
    no_links(monkeypatch)
    return folder


STATES = [as_made, followed, links_kept, without_links, links_no_more]


@pytest.mark.parametrize("state", STATES)
def test_new_results_take_the_place_of_old_ones(tmp_path, monkeypatch, state):
    write(tmp_path / "out", "old")
    assert content(tmp_path / "out") == expected("old")
    folder = state(tmp_path / "out", monkeypatch)
    assert content(folder) == expected("old")
    for tag in ("new", "newer"):
        write(folder, tag)
        assert content(folder) == expected(tag)
        assert not torn(folder)
        refuse_torn(folder)
        assert litter(folder) == []
    links = state in (as_made, followed, links_kept)
    assert (folder / "report.html").is_symlink() == links


def test_whether_links_work_is_tried(tmp_path, monkeypatch):
    def refused(*_, **__):
        raise OSError(1, "Operation not permitted")

    assert links_work(tmp_path)
    monkeypatch.setattr(os, "symlink", refused)
    assert not links_work(tmp_path)
    assert list(tmp_path.iterdir()) == []


CHANGES = {"open", "os.rename", "os.remove", "os.rmdir", "os.mkdir", "os.symlink"}


def stopped_at(number, function, how):
    """Call a function in a child that is stopped at so many file operations; True if so."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) != 0
    left = number

    def count(event, arguments):
        nonlocal left
        left -= event in CHANGES
        if left == 0 and event in CHANGES:
            left = -1
            how()

    sys.addaudithook(count)
    try:
        function()
    except BaseException:
        os._exit(1)
    os._exit(0)


def killed():
    os._exit(9)


def interrupted():
    raise KeyboardInterrupt


@pytest.mark.parametrize(
    ("state", "how"),
    [(links_kept, interrupted), (without_links, interrupted), (as_made, killed),
     (followed, killed), (without_links, killed), (links_no_more, killed)],
)  # fmt: skip
def test_stopped_at_any_file_operation(tmp_path, monkeypatch, state, how):
    monkeypatch.setattr(os, "fsync", lambda _: None)
    write(tmp_path / "out", "old")
    start = state(tmp_path / "out", monkeypatch)
    seen, number, work = set(), 0, tmp_path / "work"
    while True:
        number += 1
        folder = shutil.copytree(start, work / str(number), symlinks=True)
        if not stopped_at(number, lambda: write(folder, "new"), how):  # noqa: B023
            break
        found = content(folder)
        if found == expected("old"):
            seen.add("old")
        elif found == expected("new"):
            seen.add("new")
        else:
            assert state not in (as_made, links_kept)
            seen.add("told")
            assert torn(folder)
            with pytest.raises(FolderError, match="not those of one run"):
                refuse_torn(folder)
        write(folder, "newer")
        assert content(folder) == expected("newer")
        assert litter(folder) == []
    assert number > 20
    assert content(folder) == expected("new")
    told = {"told"} if state in (followed, without_links, links_no_more) else set()
    assert seen == {"old", "new"} | told


def test_the_first_results_appear_at_once(tmp_path):
    number = 0
    while True:
        number += 1
        folder = tmp_path / str(number)
        if not stopped_at(number, lambda: write(folder, "new"), killed):  # noqa: B023
            break
        assert content(folder) in ({}, expected("new"))
        write(folder, "newer")
        assert content(folder) == expected("newer")
    assert number > 20


# --- somebody's own


@pytest.mark.parametrize("name", ["plan.toml", "summary.json", "report.html", "figures/b"])
def test_files_of_others_are_refused_and_kept(tmp_path, name):
    mine = tmp_path / name
    mine.parent.mkdir(exist_ok=True)
    mine.write_text("mine")
    (tmp_path / "notes.txt").write_text("mine too")
    before = sorted(tmp_path.rglob("*"))
    for fresh in (False, True):
        with pytest.raises(FolderError, match="is not known as percsim's own") as error:
            Store.open(tmp_path, fresh=fresh)
        assert str(error.value).startswith(str(mine))
        assert sorted(tmp_path.rglob("*")) == before
        assert mine.read_text() == "mine"


@pytest.mark.parametrize("state", [as_made, followed, without_links])
@pytest.mark.parametrize("by_name", [False, True])
def test_a_result_that_was_edited_is_kept(tmp_path, monkeypatch, state, by_name):
    write(tmp_path / "out", "old")
    folder = state(tmp_path / "out", monkeypatch)
    if by_name:  # as editors do that write a file anew
        (folder / "plan.toml").unlink()
    (folder / "plan.toml").write_text("edited")
    for fresh in (False, True):
        with pytest.raises(FolderError, match="is not as percsim wrote it"):
            Store.open(folder, fresh=fresh)
    assert (folder / "plan.toml").read_text() == "edited"
    # but running just that plan loses nothing
    with Store.open(folder, same={"plan.toml": checksum(b"edited")}):
        pass
    (folder / "plan.toml").unlink()
    write(folder, "new")
    assert content(folder) == expected("new")


def test_a_file_put_among_the_figures_is_kept(tmp_path):
    write(tmp_path, "old")
    (tmp_path / "figures" / "photo.png").write_text("mine")
    with pytest.raises(FolderError, match=r"photo\.png is not known"):
        write(tmp_path, "new")
    # also one that comes while a run is under way
    (tmp_path / "figures" / "photo.png").unlink()
    with FolderLock(tmp_path):
        results = new_results(tmp_path)
        (results / "report.html").write_text("new")
        (tmp_path / "figures" / "photo.png").write_text("mine")
        with pytest.raises(FolderError, match=r"photo\.png is not known"):
            show(tmp_path, results)
    assert (tmp_path / "figures" / "photo.png").read_text() == "mine"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_what_is_no_file_is_not_read(tmp_path):
    os.mkfifo(tmp_path / "summary.json")
    with pytest.raises(FolderError, match=r"summary\.json is not known"):
        Store.open(tmp_path)


@pytest.mark.parametrize("text", ["", "[1]", '{"percsim": 1, "files": 3}', "[" * 9999])
def test_a_manifest_of_others_is_theirs(tmp_path, text):
    (tmp_path / MANIFEST).write_text(text)
    with pytest.raises(FolderError, match=r"manifest\.json is not known"):
        Store.open(tmp_path)
    refuse_torn(tmp_path)


@pytest.mark.parametrize("state", STATES)
def test_fresh_removes_only_what_percsim_wrote(tmp_path, monkeypatch, state):
    with Store.open(tmp_path / "out") as store:
        store.save_artefacts({"a": 1})
    write(tmp_path / "out", "old")
    folder = state(tmp_path / "out", monkeypatch)
    with Store.open(folder):
        pass
    others = ["notes.txt", "measured.csv", "photo.png", ".download.part"]
    for name in others:
        (folder / name).write_text(name)
    with Store.open(folder, fresh=True) as store:
        assert store.load_artefact("a") is None
    assert sorted(p.name for p in folder.iterdir()) == sorted([*others, DATABASE])


def test_what_a_killed_run_left_is_swept(tmp_path):
    write(tmp_path, "old")
    new_results(tmp_path).joinpath("summary.json").write_text("half")
    (tmp_path / ".report.html.77.part").write_text("half")
    (tmp_path / ".mine.part").write_text("mine")
    with Store.open(tmp_path):
        pass
    assert [p.name for p in litter(tmp_path)] == [".mine.part"]
    assert content(tmp_path) == expected("old")


def test_a_folder_without_a_name_is_a_fault():
    for name in ("", " "):
        with pytest.raises(FolderError, match="is empty"):
            results_folder(name)
        with pytest.raises(FolderError, match="is empty"):
            Store.open(name)


def test_the_manifest_says_all_that_is_shown(tmp_path):
    write(tmp_path, "old")
    told = json.loads((tmp_path / MANIFEST).read_text())
    assert told["state"] == "whole"
    assert told["files"] == {name: checksum(b"old") for name in expected("old")}
    (tmp_path / "summary.json").write_text("older")
    with pytest.raises(FolderError, match="not those of one run"):
        refuse_torn(tmp_path)
