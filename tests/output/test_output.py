"""Whole or not at all, only what was written here, and nothing of the user's lost: the policy."""

from __future__ import annotations

import errno
import json
import logging
import os
import shutil
import signal
import sqlite3
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from contextvars import Context
from functools import partial
from itertools import count
from pathlib import Path

import pytest

from lateralline.errors import LaterallineError, OutputError, OutputExistsError, UnreadableError
from lateralline.output import (
    proof,
    rewrite,
    stamp,
    system,
    together,
    whole,
    whole_file,
    whole_folder,
)


def make(out: Path, text: str = "old", *, kind: str = "record", replace: bool = False) -> None:
    """Write an output folder with a file, a file in a folder, and its manifest."""
    with whole_folder(out, kind, replace=replace) as made:
        (made / "layer.txt").write_text(text)
        (made / "deep").mkdir()
        (made / "deep" / "table.txt").write_text(text)


def make_file(out: Path, text: str = "old", *, replace: bool = False) -> None:
    with whole_file(out, "page", replace=replace) as made:
        made.write_text(f"{stamp('page')} {text}")


def add(out: Path) -> dict[str, str]:
    """Lay into an output folder what a user may: files, a folder, an empty one, links."""
    (out / "notes.txt").write_text("mine")
    (out / "deep" / "more.txt").write_text("mine too")
    (out / "photos" / "may").mkdir(parents=True)
    (out / "photos" / "may" / "1.jpg").write_bytes(b"\xff\xd8")
    (out / "empty").mkdir()
    (out / "elsewhere").symlink_to("../gone")
    (out / "to-folder").symlink_to("photos", target_is_directory=True)
    return users(out)


def users(out: Path) -> dict[str, str]:
    """Everything in a folder that is not the output's, by name."""
    ours = {"layer.txt", "deep", "deep/table.txt", "manifest.json"}
    found = {}
    for path in system.walk(out):
        name = path.relative_to(out).as_posix()
        if name not in ours:
            found[name] = (
                f"-> {path.readlink()}"
                if path.is_symlink()
                else "folder" if path.is_dir() else path.read_bytes().hex()
            )  # fmt: skip
    return found


@pytest.fixture(autouse=True)
def _no_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody pulls the plug of a test; what is flushed, one test holds."""
    monkeypatch.setattr(os, "fsync", lambda _: None)


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


# ---- whole or not at all -------------------------------------------------------------------


def test_a_folder_appears_whole(tmp_path: Path) -> None:
    out = tmp_path / "a" / "out"
    with whole_folder(out, "record") as made:
        (made / "file").write_text("new")
        assert not out.exists()
    assert names(out) == ["file", "manifest.json"]
    assert names(tmp_path / "a") == ["out"]


@pytest.mark.parametrize("error", [KeyboardInterrupt, OSError(errno.ENOSPC, "disk full")])
@pytest.mark.parametrize("folder", [True, False])
def test_nothing_appears_when_the_block_fails(
    tmp_path: Path, error: type[BaseException], folder: bool
) -> None:
    def fail() -> None:
        with (whole_folder if folder else whole_file)(tmp_path / "out") as made:
            (made / "half" if folder else made).write_text("half")
            raise error

    with pytest.raises((KeyboardInterrupt, OSError)):
        fail()
    assert names(tmp_path) == []


@pytest.mark.parametrize("folder", [True, False])
def test_folders_made_for_an_output_go_where_it_fails(tmp_path: Path, folder: bool) -> None:
    """Those above OUT that were not there; one that somebody laid something into stays."""
    out, mine = tmp_path / "a" / "b" / "c" / "out", tmp_path / "a" / "b" / "mine.txt"

    def fail(meanwhile: Callable[[], None]) -> None:
        with whole_folder(out) if folder else whole_file(out):
            meanwhile()
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail(lambda: None)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(ZeroDivisionError):
        fail(mine.touch)
    assert sorted(tmp_path.rglob("*")) == [tmp_path / "a", tmp_path / "a" / "b", mine]


def test_all_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    flushed: set[str] = set()
    monkeypatch.setattr(system, "flush", lambda path: flushed.add(path.name))
    put = whole.PartFolder.put

    def check(self: whole.PartFolder) -> None:
        assert flushed >= {"layer.txt", "deep", "table.txt", "manifest.json", "out"}
        put(self)

    monkeypatch.setattr(whole.PartFolder, "put", check)
    make(tmp_path / "out")
    assert (tmp_path / "out").is_dir()


def test_an_empty_folder_is_not_put_in_place(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "out", "record"):
        pass
    assert names(tmp_path) == []


def test_what_is_there_is_refused_before_anything_runs(tmp_path: Path) -> None:
    make(tmp_path / "out")
    make_file(tmp_path / "page.html")
    for opened in (
        whole_folder(tmp_path / "out", "record"),
        whole_file(tmp_path / "page.html", "page"),
    ):
        with pytest.raises(OutputExistsError, match="replace=True"), opened:
            pytest.fail("the block must not run")


def test_what_another_made_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    out = tmp_path / "out"

    def both(made: Path) -> None:
        (made / "new").write_text("new")
        out.mkdir()
        (out / "other").write_text("theirs")

    with pytest.raises(OutputExistsError), whole_folder(out, "record") as made:
        both(made)
    assert names(out) == ["other"]
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize("renameat2", [True, False])
@pytest.mark.parametrize("at", ["looked", "put"])
@pytest.mark.parametrize("one", [make, make_file])
@pytest.mark.parametrize("replace", [True, False])
def test_what_another_made_in_the_last_moment_is_only_replaced_if_asked_for(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    replace: bool,
    one: Callable[..., None],
    at: str,
    renameat2: bool,
) -> None:
    """Two runs that both found the name free: `looked` before the second looks again, or after."""
    out = tmp_path / "out.html"
    owner, step = {
        "looked": (whole.PartFolder, "put"),
        "put": (system, "take_free_name"),
    }[at]
    do = getattr(owner, step)

    def late(*args: object) -> None:
        monkeypatch.setattr(owner, step, do)
        Context().run(one, out, "theirs")  # another run
        do(*args)

    if not renameat2:
        monkeypatch.setattr(system, "_renameat2", lambda *_: errno.ENOSYS)
    monkeypatch.setattr(owner, step, late)
    if replace:
        one(out, "mine", replace=True)
    else:
        with pytest.raises(OutputExistsError, match="replace=True"):
            one(out, "mine")
    held = (out / "layer.txt" if out.is_dir() else out).read_text()
    assert held.endswith("mine" if replace else "theirs")
    assert names(tmp_path) == ["out.html"]


def test_an_output_is_replaced_and_keeps_its_rights(tmp_path: Path) -> None:
    make(tmp_path / "out")
    (tmp_path / "out").chmod(0o750)
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "deep" / "table.txt").read_text() == "new"
    assert (tmp_path / "out").stat().st_mode & 0o777 == 0o750
    make_file(tmp_path / "page.html")
    make_file(tmp_path / "page.html", "new", replace=True)
    assert (tmp_path / "page.html").read_text().endswith(" new")
    assert names(tmp_path) == ["out", "page.html"]


def test_an_empty_folder_may_be_replaced(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.txt").read_text() == "new"


def test_where_names_cannot_be_exchanged_an_old_output_steps_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(system, "exchange", lambda *_: False)
    make(tmp_path / "out")
    mine = add(tmp_path / "out")
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.txt").read_text() == "new"
    assert users(tmp_path / "out") == mine
    make_file(tmp_path / "page.html")
    make_file(tmp_path / "page.html", "new", replace=True)
    assert names(tmp_path) == ["out", "page.html"]


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="renameat2 is Linux's")
def test_an_output_is_never_absent_where_the_system_exchanges_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(tmp_path / "out")

    def refuse(*_: object) -> None:
        raise AssertionError("renamed")

    monkeypatch.setattr(Path, "rename", refuse)
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.txt").read_text() == "new"


@pytest.mark.parametrize("which", ["the old one", "the new one"])
def test_a_folder_another_program_holds_stays_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, which: str
) -> None:
    """As on Windows, where a folder cannot be renamed while a file in it is open."""
    make(tmp_path / "out")
    mine = add(tmp_path / "out")
    rename = Path.rename

    def held(self: Path, target: Path) -> Path:
        if (self == tmp_path / "out") == (which == "the old one") and self.name == "out":
            raise PermissionError(errno.EACCES, "in use", str(self))
        return rename(self, target)

    monkeypatch.setattr(system, "exchange", lambda *_: False)
    monkeypatch.setattr(Path, "rename", held)
    with pytest.raises(OutputError, match="close the programs"):
        make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.txt").read_text() == "old"
    assert users(tmp_path / "out") == mine
    assert names(tmp_path) == ["out"]


# ---- only what was written here ------------------------------------------------------------


def test_a_foreign_folder_is_refused_by_name(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "thesis.odt").write_text("mine")
    with pytest.raises(OutputExistsError, match=r"thesis\.odt"):
        make(tmp_path / "out", replace=True)
    assert names(tmp_path / "out") == ["thesis.odt"]


def test_a_manifest_of_other_software_is_no_proof(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "manifest.json").write_text('{"format": "other", "outputs": []}')
    with pytest.raises(OutputExistsError, match=r"manifest\.json"):
        make(tmp_path / "out", replace=True)


@pytest.mark.parametrize("kind", [k for k in proof.KINDS if k != "record"])
def test_a_folder_of_another_kind_is_refused(tmp_path: Path, kind: str) -> None:
    make(tmp_path / "out", kind=kind)
    with pytest.raises(OutputExistsError, match="not written by `lateralline build`"):
        make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.txt").read_text() == "old"


def test_a_foreign_file_is_refused(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text("<html>mine")
    with pytest.raises(OutputExistsError, match="was not written by `lateralline page`"):
        make_file(page, replace=True)
    with whole_file(tmp_path / "sheet.pdf", "sheet") as made:
        made.write_text(stamp("sheet"))
    with pytest.raises(OutputExistsError, match="it is of `lateralline sheet`"):
        make_file(tmp_path / "sheet.pdf", replace=True)
    assert page.read_text() == "<html>mine"


@pytest.mark.parametrize("folder", [True, False])
def test_a_file_is_no_folder(tmp_path: Path, folder: bool) -> None:
    if folder:
        make_file(tmp_path / "out")
    else:
        make(tmp_path / "out", kind="page")
    with pytest.raises(OutputExistsError, match="is needed"):
        (make if folder else make_file)(tmp_path / "out", replace=True)


# ---- links ---------------------------------------------------------------------------------


def test_a_linked_output_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "disk").mkdir()
    make(tmp_path / "disk" / "real")
    (tmp_path / "out").symlink_to("disk/real", target_is_directory=True)
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out").readlink() == Path("disk/real")
    assert (tmp_path / "disk" / "real" / "layer.txt").read_text() == "new"
    make_file(tmp_path / "disk" / "page.html")
    (tmp_path / "p.html").symlink_to(tmp_path / "disk" / "page.html")
    make_file(tmp_path / "p.html", "new", replace=True)
    assert (tmp_path / "p.html").is_symlink()
    assert (tmp_path / "disk" / "page.html").read_text().endswith("new")
    assert names(tmp_path) == ["disk", "out", "p.html"]
    assert names(tmp_path / "disk") == ["page.html", "real"]


@pytest.mark.parametrize("replace", [True, False])
def test_a_link_that_leads_nowhere_is_a_fault(tmp_path: Path, replace: bool) -> None:
    (tmp_path / "out").symlink_to("gone")
    for write in (make, make_file):
        with pytest.raises(OutputError, match="a link to gone, which is not there"):
            write(tmp_path / "out", replace=replace)
    assert names(tmp_path) == ["out"]


# ---- what is the user's --------------------------------------------------------------------


def test_what_was_added_stays_where_it_is(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    out = tmp_path / "out"
    make(out)
    mine = add(out)
    place = (out / "notes.txt").stat()
    with caplog.at_level(logging.INFO, "lateralline.output"):
        make(out, "new", replace=True)
    assert users(out) == mine
    assert (out / "notes.txt").stat().st_ino == place.st_ino  # the very file, its history with it
    assert (out / "layer.txt").read_text() == "new"
    assert names(tmp_path) == ["out"]
    assert "what was added to out stays there" in caplog.text


def test_where_the_disk_knows_no_second_names_it_is_copied(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: object) -> None:
        raise OSError(errno.EPERM, "no hard links here")

    make(tmp_path / "out")
    mine = add(tmp_path / "out")
    (tmp_path / "out" / "layer.txt").write_text("edited")
    monkeypatch.setattr(Path, "hardlink_to", refuse)
    make(tmp_path / "out", "new", replace=True)
    kept = {"layer.kept-1.txt": b"edited".hex()}
    assert users(tmp_path / "out") == mine | kept
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize("error", [KeyboardInterrupt(), ZeroDivisionError()])
def test_what_was_added_is_untouched_when_a_replacement_fails(
    tmp_path: Path, error: BaseException
) -> None:
    make(tmp_path / "out")
    mine = add(tmp_path / "out")

    def fail() -> None:
        with whole_folder(tmp_path / "out", "record", replace=True) as made:
            (made / "half").write_text("half")
            raise error

    with pytest.raises(type(error)):
        fail()
    assert users(tmp_path / "out") == mine
    assert names(tmp_path) == ["out"]


def test_what_was_changed_is_kept_beside_and_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    out = tmp_path / "out"
    make(out)
    for n, text in enumerate(("first edit", "second edit"), start=1):
        (out / "deep" / "table.txt").write_text(text)
        make(out, f"new {n}", replace=True)
        assert (out / "deep" / f"table.kept-{n}.txt").read_text() == text
        assert (out / "deep" / "table.txt").read_text() == f"new {n}"
    assert "kept as table.kept-2.txt" in caplog.text
    assert (out / "deep" / "table.kept-1.txt").read_text() == "first edit"


def test_a_changed_file_is_kept_beside_and_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    page = tmp_path / "page.html"
    make_file(page)
    page.write_text(page.read_text() + "<!-- my note -->")
    make_file(page, "new", replace=True)
    assert "my note" in (tmp_path / "page.kept-1.html").read_text()
    assert "kept as page.kept-1.html" in caplog.text
    make_file(page, "newer", replace=True)  # as written: nothing to keep
    assert names(tmp_path) == ["page.html", "page.kept-1.html"]


def test_a_changed_manifest_is_kept(tmp_path: Path) -> None:
    make(tmp_path / "out")
    manifest = tmp_path / "out" / "manifest.json"
    manifest.write_text(manifest.read_text().replace("\n", "\n "))
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "manifest.kept-1.json").is_file()


def test_what_has_the_name_of_a_new_file_is_kept(tmp_path: Path) -> None:
    with whole_folder(tmp_path / "out", "record") as made:
        (made / "a").write_text("old")
    (tmp_path / "out" / "layer.txt").write_text("mine")
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out" / "layer.kept-1.txt").read_text() == "mine"
    assert (tmp_path / "out" / "layer.txt").read_text() == "new"
    assert not (tmp_path / "out" / "a").exists()


def test_what_changes_during_the_exchange_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make(tmp_path / "out")
    put = whole.PartFolder.put

    def late(self: whole.PartFolder) -> None:
        (self.target / "late.txt").write_text("a moment before")
        put(self)

    monkeypatch.setattr(whole.PartFolder, "put", late)
    make(tmp_path / "out", "new", replace=True)
    assert (tmp_path / "out.kept-1" / "late.txt").read_text() == "a moment before"
    assert (tmp_path / "out" / "layer.txt").read_text() == "new"


def geopackage(path: Path, value: float) -> None:
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("CREATE TABLE gpkg_contents (table_name TEXT, description TEXT)")
        db.execute("INSERT INTO gpkg_contents VALUES ('t', ?)", (f"About. {stamp('tie-tapes')}",))
        db.execute("CREATE TABLE t (fid INTEGER PRIMARY KEY, geom BLOB, level_m REAL)")
        db.execute("INSERT INTO t VALUES (1, x'4750', ?)", (value,))


def make_geopackage(out: Path, value: float, *, replace: bool = False) -> None:
    with whole_file(out, "tie-tapes", replace=replace) as made:
        geopackage(made, value)


def test_a_geopackage_only_looked_at_is_unchanged(tmp_path: Path) -> None:
    """A desktop GIS switches write-ahead logging on: other bytes, the same tables."""
    tapes = tmp_path / "tapes.gpkg"
    make_geopackage(tapes, 1.0)
    before = proof.sha256(tapes)
    with closing(sqlite3.connect(tapes)) as db:
        db.execute("PRAGMA journal_mode = wal")
        db.execute("CREATE TABLE x (a)")
        db.execute("DROP TABLE x")
        db.commit()
    assert proof.sha256(tapes) != before
    assert proof.proof_of(tapes) == proof.Proof("tie-tapes", unchanged=True)
    make_geopackage(tapes, 2.0, replace=True)
    assert names(tmp_path) == ["tapes.gpkg"]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE t SET level_m = 1.25",
        "CREATE TABLE mine (a)",
        "INSERT INTO t VALUES (2, NULL, 1.0)",
        "UPDATE t SET geom = x'4751'",
        "CREATE VIEW mine AS SELECT * FROM t",
    ],
)
@pytest.mark.parametrize("logged", [True, False])
def test_a_changed_geopackage_is_kept_with_all_that_was_changed(
    tmp_path: Path, change: str, logged: bool
) -> None:
    tapes = tmp_path / "tapes.gpkg"
    make_geopackage(tapes, 1.0)
    with closing(sqlite3.connect(tapes)) as db:
        if logged:  # open in another program: the change is in the log, not in the file
            db.execute("PRAGMA journal_mode = wal")
        db.execute(change)
        db.commit()
        wanted = proof.tables_digest(tapes)
        make_geopackage(tapes, 2.0, replace=True)
        assert proof.tables_digest(tmp_path / "tapes.kept-1.gpkg") == wanted
    with closing(sqlite3.connect(tapes)) as db:
        assert db.execute("SELECT level_m FROM t").fetchall() == [(2.0,)]


def test_a_geopackage_locked_by_another_program_is_refused(
    tmp_path: Path,
) -> None:
    tapes = tmp_path / "tapes.gpkg"
    make_geopackage(tapes, 1.0)
    with closing(sqlite3.connect(tapes)) as db:
        db.execute("BEGIN EXCLUSIVE")
        with pytest.raises(UnreadableError, match="locked by another program"):
            make_geopackage(tapes, 2.0, replace=True)
        db.rollback()
    with closing(sqlite3.connect(tapes)) as db:
        assert db.execute("SELECT level_m FROM t").fetchall() == [(1.0,)]


def test_a_stamp_in_someones_words_is_no_proof(tmp_path: Path) -> None:
    """Text of a user's inside a file may quote a stamp; the file's own is found all the same."""
    page = tmp_path / "page.html"
    with whole_file(page, "page") as made:
        made.write_text(f"lateralline page {'a' * 64} {stamp('page')} {stamp('sheet')}")
    assert proof.proof_of(page) == proof.Proof("page", unchanged=True)


def test_a_writer_that_forgets_its_stamp_puts_nothing_in_place(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no stamp"), whole_file(tmp_path / "a", "page") as made:
        made.write_text("no stamp here")
    assert names(tmp_path) == []


def test_a_folder_whose_geopackage_another_program_writes_is_refused(tmp_path: Path) -> None:
    """Its bytes are as they were until that ends; then they would be in a file without a name."""
    out = tmp_path / "out"
    with whole_folder(out, "dig-zones") as made:
        geopackage(made / "zones.gpkg", 1.0)
    with closing(sqlite3.connect(out / "zones.gpkg")) as db:
        db.execute("BEGIN EXCLUSIVE")
        db.execute("UPDATE t SET level_m = 3.0")
        with pytest.raises(UnreadableError, match="locked by another program"):
            make(out, kind="dig-zones", replace=True)
        db.commit()
    make(out, kind="dig-zones", replace=True)
    with closing(sqlite3.connect(out / "zones.kept-1.gpkg")) as db:
        assert db.execute("SELECT level_m FROM t").fetchall() == [(3.0,)]


# ---- a disk that refuses --------------------------------------------------------------------


@pytest.mark.parametrize("step", ["rmtree", "unlink", "rmdir"])
def test_what_cannot_be_taken_away_is_left_to_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    """The output is in its place by then: what was asked for is done."""
    out = tmp_path / "out"
    make(out)
    mine = add(out)

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EIO, "the disk")

    with monkeypatch.context() as patch:
        patch.setattr(shutil if step == "rmtree" else Path, step, refuse)
        make(out, "new", replace=True)
    assert (out / "layer.txt").read_text() == "new"
    assert len(names(tmp_path)) == 2
    make(out, "newer", replace=True)
    assert users(out) == mine
    assert names(tmp_path) == ["out"]


def test_a_stream_that_fails_at_its_end_does_not_hide_the_disk(tmp_path: Path) -> None:
    """What compresses a PDF says that it was not let out, while the disk's own fault goes by."""

    def compress() -> None:
        try:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        finally:
            raise zlib.error("Error -2 while flushing: inconsistent stream state")

    with pytest.raises(OutputError, match="No space left"), whole_file(tmp_path / "a", "page"):
        compress()
    assert names(tmp_path) == []


def test_a_changed_file_is_not_kept_twice_where_nothing_comes_in_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = tmp_path / "page.html"
    make_file(page)
    page.write_text(page.read_text() + "mine")

    def refuse(_: object) -> None:
        raise OSError(errno.EIO, "the disk")

    with monkeypatch.context() as patch:
        patch.setattr(whole.PartFolder, "put", refuse)
        with pytest.raises(OutputError, match="the disk"):
            make_file(page, replace=True)
    assert page.read_text().endswith("mine")
    assert names(tmp_path) == ["page.html"]


# ---- together ------------------------------------------------------------------------------


def write_two(a: Path, b: Path, text: str) -> None:
    with whole_folder(a, "site", replace=True) as made:
        (made / "layer.txt").write_text(text)
        make(b, text, replace=True)


@pytest.mark.parametrize("exchanged", [True, False])
@pytest.mark.parametrize("fails", [1, 2])
@pytest.mark.parametrize("there", [True, False])
def test_two_outputs_are_put_in_place_together_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanged: bool, fails: int, there: bool
) -> None:
    a, b = tmp_path / "a", tmp_path / "b"
    if there:
        write_two(a, b, "old")
    before = names(tmp_path)
    put, done = whole.PartFolder.put, []

    def failing(self: whole.PartFolder) -> None:
        done.append(self)
        if len(done) == fails:
            raise OSError(errno.EIO, "the disk")
        put(self)

    if not exchanged:
        monkeypatch.setattr(system, "exchange", lambda *_: False)
    with monkeypatch.context() as patch:
        patch.setattr(whole.PartFolder, "put", failing)
        with pytest.raises(OutputError, match="the disk"):
            write_two(a, b, "new")
    assert names(tmp_path) == before
    if there:
        assert {(p / "layer.txt").read_text() for p in (a, b)} == {"old"}
    write_two(a, b, "new")
    assert {(p / "layer.txt").read_text() for p in (a, b)} == {"new"}
    assert names(tmp_path) == ["a", "b"]


def test_what_an_update_told_outlives_a_build(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    out = tmp_path / "out"
    with whole_folder(out, "record") as made:
        (made / "layer.txt").write_text("june")
        (made / "changes").mkdir()
        (made / "changes" / "changes.json").write_text("moved")
    for _ in range(2):  # once kept, the user's
        with caplog.at_level(logging.INFO, "lateralline.output"):
            make(out, "july", replace=True)
        assert (out / "changes.kept-1" / "changes.json").read_text() == "moved"
        assert names(out) == ["changes.kept-1", "deep", "layer.txt", "manifest.json"]
    assert "changes/ tells of an update, which this is not: kept as changes.kept-1" in caplog.text


def test_one_output_that_fails_takes_the_other_with_it(tmp_path: Path) -> None:
    def both() -> None:
        with together():
            make(tmp_path / "a")
            with whole_folder(tmp_path / "b", "record") as made:
                (made / "half").write_text("half")
                raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        both()
    assert names(tmp_path) == []


# ---- runs that are cut off -----------------------------------------------------------------

#: Every way in which the policy touches the disk.
TOUCHES: tuple[tuple[object, str], ...] = (
    (Path, "rename"),
    (Path, "replace"),
    (Path, "write_text"),
    (Path, "mkdir"),
    (Path, "chmod"),
    (Path, "unlink"),
    (system, "exchange"),
    (system, "duplicate"),
    (shutil, "rmtree"),
    (os, "unlink"),
    (os, "rmdir"),
)


def killed(work: Callable[[], None], at: int) -> bool:
    """Do `work` in a process that is killed as it touches the disk for the `at`-th time.

    Tell whether it was: False when the work was done before.
    """
    child = os.fork()
    if child == 0:
        left = [at]

        def deadly(touch: Callable[..., object]) -> Callable[..., object]:
            def wrapped(*args: object, **options: object) -> object:
                left[0] -= 1
                if left[0] == 0:
                    os.kill(os.getpid(), signal.SIGKILL)
                return touch(*args, **options)

            return wrapped

        for home, name in TOUCHES:
            setattr(home, name, deadly(getattr(home, name)))
        with suppress(BaseException):
            work()
            os._exit(0)
        os._exit(1)
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0
    return os.WIFSIGNALED(status)


def attempts(tmp_path: Path) -> Iterator[tuple[int, Path]]:
    """Yield 1, 3, 5, … without end, each with an empty folder of its own: where to kill next.

    1, 2, 3, … with LATERALLINE_KILLS=all, which takes twice as long.
    """
    for at in count(1, 1 if os.environ.get("LATERALLINE_KILLS") == "all" else 2):
        home = tmp_path / str(at)
        home.mkdir()
        yield at, home


posix = pytest.mark.skipif(not hasattr(os, "fork"), reason="kills a forked process")


@posix
@pytest.mark.parametrize("exchanged", [True, False])
def test_a_kill_at_any_moment_leaves_old_or_new_whole_and_the_next_run_clears_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanged: bool
) -> None:
    if not exchanged:
        monkeypatch.setattr(system, "exchange", lambda *_: False)
    seen = set()
    for at, home in attempts(tmp_path):
        out = home / "out"
        make(out)
        mine = add(out)
        (out / "deep" / "table.txt").write_text("edited")
        if not killed(partial(make, out, "new", replace=True), at):
            break
        if exchanged or out.exists():
            seen.add((out / "layer.txt").read_text())
            there = users(out)
            assert {k: there[k] for k in mine} == mine
        with suppress(OutputExistsError):
            make(out, "never")
        assert names(home) == ["out"]
        there = users(out)
        assert {k: there[k] for k in mine} == mine
        kept = (out / "deep" / "table.txt").read_text() == "edited"
        assert kept or (out / "deep" / "table.kept-1.txt").read_text() == "edited"
        make(out, "newer", replace=True)
        assert names(home) == ["out"]
    assert at > 20
    assert seen == {"old", "new"}


@posix
@pytest.mark.parametrize(("exchanged", "next_run"), [(True, "a"), (False, "a.b")])
def test_a_kill_between_two_outputs_is_ended_by_the_next_run_for_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanged: bool, next_run: str
) -> None:
    """Their part folders' names begin alike, as those of `dig` and `dig.png` do."""
    if not exchanged:
        monkeypatch.setattr(system, "exchange", lambda *_: False)
    seen = set()
    for at, home in attempts(tmp_path):
        a, b = home / "a", home / "a.b"
        write_two(a, b, "old")
        mine = add(b)
        if not killed(partial(write_two, a, b, "new"), at):
            break
        with suppress(LaterallineError):
            make(home / next_run, "never")
        texts = {(p / "layer.txt").read_text() for p in (a, b)}
        assert len(texts) == 1, "one old, one new"
        if texts == {"new"}:  # whichever part folder was cleared before the kill
            assert names(home) == ["a", "a.b"]
        seen |= texts
        assert users(b) == mine
        write_two(a, b, "newer")
        assert names(home) == ["a", "a.b"]
    assert seen == {"old", "new"}


@posix
def test_a_kill_at_any_moment_leaves_a_file_whole(tmp_path: Path) -> None:
    for at, home in attempts(tmp_path):
        page = home / "page.html"
        make_file(page)
        page.write_text(page.read_text() + "edited")
        if not killed(partial(make_file, page, "new", replace=True), at):
            break
        assert page.read_text().endswith(("new", "edited"))
        make_file(page, "newer", replace=True)
        assert names(home) == ["page.html", "page.kept-1.html"]  # kept once, however often begun
        assert (home / "page.kept-1.html").read_text().endswith("edited")
    assert at > 10


@posix
@pytest.mark.parametrize("exchanged", [True, False])
def test_a_kill_at_any_moment_leaves_a_rewritten_file_whole_and_nothing_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, exchanged: bool
) -> None:
    if not exchanged:
        monkeypatch.setattr(system, "exchange", lambda *_: False)
    seen = set()
    for at, home in attempts(tmp_path):
        file = home / "site.toml"
        file.write_bytes(b"old")
        if not killed(partial(rewrite, file, b"old and new", b"old"), at):
            assert names(home) == ["site.toml"]
            break
        seen.add(file.read_bytes())
        rewrite(file, b"newer", file.read_bytes())
        assert names(home) == ["site.toml"]
    assert at > 10
    assert seen == {b"old", b"old and new"}


@pytest.mark.parametrize("exchanged", [True, False])
@pytest.mark.parametrize("before", [b"old", b""])
def test_a_change_in_the_moment_of_a_rewrite_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, before: bytes, exchanged: bool
) -> None:
    """Between the last look at the file and its new name an editor may have saved."""
    file = tmp_path / "site.toml"
    if before:
        file.write_bytes(before)
    put = whole.PartFolder.put

    def saved_first(part: whole.PartFolder) -> None:
        file.write_bytes(b"edited")
        put(part)

    if not exchanged:
        monkeypatch.setattr(system, "_renameat2", lambda *_: errno.ENOSYS)
    monkeypatch.setattr(whole.PartFolder, "put", saved_first)
    with pytest.raises(OutputError, match="was changed meanwhile: nothing was written"):
        rewrite(file, before + b"new", before)
    assert file.read_bytes() == b"edited"
    assert names(tmp_path) == ["site.toml"]


@posix
def test_what_another_run_is_writing_is_left_alone(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with whole_folder(out, "record") as made:
        (made / "first").write_text("first")
        child = os.fork()
        if child == 0:
            code = 1
            with suppress(BaseException):
                Context().run(make, out, "second")  # a process of its own knows of no other block
                code = 0
            os._exit(code)
        assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        assert (made / "first").exists()
        shutil.rmtree(out)
    assert names(out) == ["first", "manifest.json"]


def test_a_part_folder_nobody_knows_is_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / ".out.abc.part").mkdir()
    (tmp_path / ".out.abc.part" / "asbuilt.gpkg").write_text("half")
    make(tmp_path / "out")
    assert "may be what an interrupted run left" in caplog.text
    assert (tmp_path / ".out.abc.part").is_dir()


def test_the_manifest_names_every_file_once(tmp_path: Path) -> None:
    make(tmp_path / "out")
    about = json.loads((tmp_path / "out" / "manifest.json").read_text())
    assert [o["path"] for o in about["outputs"]] == ["deep/table.txt", "layer.txt"]
    assert about["kind"] == "record"
